"""Ground layers of a whole elevation model as cloud-optimised GeoTIFF.

Local layers are worked in bands of rows with a halo: the same bytes as the whole, with memory bounded by the band.
Drainage is global: for it the whole model is held, and what it takes is said before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from rasterio.io import DatasetWriter
from rasterio.windows import Window

from lastseen.elevation import Box, Elevation, read_window
from lastseen.errors import InputError, ResourceError
from lastseen.grid import FloatArray, Grid
from lastseen.memory import require_memory
from lastseen.products.folder import new_folder
from lastseen.products.rasters import NODATA, copy_as_cog
from lastseen.terrain.doubts import Doubts, doubts_between
from lastseen.terrain.layers import (
    DRAINAGE_GB_PER_MILLION_CELLS,
    DRAINAGE_LAYERS,
    Family,
    Layer,
    Layers,
    drainage_layers,
    local_families,
)
from lastseen.threads import in_threads

BAND_CELLS = 4_000_000
BAND_GB_PER_MILLION_CELLS = 0.15  # the band and its halo, and the layers of one family at a time
LEAST_BAND_ROWS = 16
CACHE_MB = 512  # of the raster library, whose own limit is a share of the machine's memory
LOCAL_SHARE, COPY_SHARE = 0.4, 0.3  # of the time, for the progress bar

Progress = Callable[[str, float], None]


def layers_on(cell_m: float, *, drainage: bool = True) -> Layers:
    """All layers on cells of a size, in the order in which they are written."""
    local = [layer for family in local_families(cell_m) for layer in family.layers]
    return (*local, *(DRAINAGE_LAYERS if drainage else ()))


LAYERS = layers_on(1.0)


@dataclass(frozen=True)
class GroundFiles:
    """What was written, and what the user should know about the heights."""

    paths: tuple[Path, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Plot:
    """The lattice of the output."""

    elevation: Elevation
    west_m: float
    east_m: float
    north_m: float
    rows: int
    columns: int

    @property
    def profile(self) -> dict[str, object]:
        """How the files in between are laid out."""
        cell = self.elevation.cell_m
        return {
            "driver": "GTiff", "width": self.columns, "height": self.rows, "count": 1, "dtype": "float32",
            "nodata": NODATA, "crs": self.elevation.crs.to_wkt(), "tiled": True, "blockxsize": 512, "blockysize": 512,
            "transform": Affine(cell, 0.0, self.west_m, 0.0, -cell, self.north_m), "compress": "deflate", "zlevel": 1,
            "bigtiff": "if_safer",
        }  # fmt: skip


def write_ground(
    elevation: Elevation, folder: Path, *, overwrite: bool, progress: Progress, drainage: bool = True
) -> GroundFiles:
    """Write all ground layers of an elevation model into a folder.

    Parameters
    ----------
    elevation : Elevation
    folder : Path
    overwrite : bool
        Whether older layers there may be replaced.
    progress : callable
        Gets what is done and the share of the whole.
    drainage : bool
        Off leaves out the global layers, which need the whole model in memory.

    Raises
    ------
    InputError
        If the model has less than three rows or columns.
    OutputExistsError
        If the folder is there and ``overwrite`` is off.
    ResourceError
        If memory is not enough, or the disk is full.
    """
    plot = _plot(elevation)
    families = local_families(elevation.cell_m)
    halo = max(family.halo_cells(elevation.cell_m) for family in families)
    each = min(plot.rows, max(LEAST_BAND_ROWS, BAND_CELLS // plot.columns))
    cells = min(each + 2 * halo, plot.rows) * plot.columns
    stated = f"bands of {require_memory(cells, BAND_GB_PER_MILLION_CELLS, 'a band')}"
    if drainage:
        stated = f"{stated}; drainage of {_drainage_memory(plot)}"
    layers = layers_on(elevation.cell_m, drainage=drainage)
    with (
        rasterio.Env(GDAL_CACHEMAX=CACHE_MB),
        new_folder(folder, overwrite=overwrite, marker="slope_deg.tif") as partial,
    ):
        whole = np.empty((plot.rows, plot.columns)) if drainage else None
        with _opened(partial, [layer for family in families for layer in family.layers], plot) as files:
            doubts = _bands(plot, families, files, whole, (each, halo), lambda share: progress(stated, share))
        if whole is not None:
            ground = Grid(whole, plot.west_m, plot.north_m, elevation.cell_m, elevation.crs)
            drainage_layers(ground, lambda layer, grid: _write_whole(partial, plot, layer, grid, progress))
            del whole, ground
        in_threads(lambda numbered: _copy(partial, layers, *numbered, progress), list(enumerate(layers)))
    return GroundFiles(tuple(folder / f"{layer.name}.tif" for layer in layers), doubts.notes)


def _copy(folder: Path, layers: Layers, number: int, layer: Layer, progress: Progress) -> None:
    """Make the file of a layer from the one in between, which goes."""
    progress(f"writing {layer.name}", 1.0 - COPY_SHARE + COPY_SHARE * number / len(layers))
    raw = folder / f"{layer.name}.raw"
    copy_as_cog(raw, folder / f"{layer.name}.tif", [layer.description], [layer.unit], overviews=layer.overviews)
    raw.unlink()


def _plot(elevation: Elevation) -> _Plot:
    west, south, east, north = elevation.snapped(elevation.bounds_m)
    columns, rows = round((east - west) / elevation.cell_m), round((north - south) / elevation.cell_m)
    if columns < 3 or rows < 3:
        raise InputError(f"the elevation model has {columns} x {rows} cells: three by three is the least with a slope")
    return _Plot(elevation, west, east, north, rows, columns)


def _drainage_memory(plot: _Plot) -> str:
    """Words on the memory that drainage will take."""
    try:
        return require_memory(plot.rows * plot.columns, DRAINAGE_GB_PER_MILLION_CELLS, "drainage")
    except ResourceError as error:
        raise ResourceError(f"{error}; --local-only leaves drainage out") from error


@contextmanager
def _opened(folder: Path, layers: list[Layer], plot: _Plot) -> Iterator[dict[str, DatasetWriter]]:
    """A file in between for each layer, open for writing by bands."""
    with ExitStack() as stack:
        yield {
            layer.name: stack.enter_context(rasterio.open(folder / f"{layer.name}.raw", "w", **plot.profile))
            for layer in layers
        }


def _bands(
    plot: _Plot,
    families: tuple[Family, ...],
    files: dict[str, DatasetWriter],
    whole: FloatArray | None,
    rows_and_halo: tuple[int, int],
    progress: Callable[[float], None],
) -> Doubts:
    """Work out and write the local layers band by band; keep the heights in ``whole`` where they are wanted."""
    each, halo = rows_and_halo
    doubts: Doubts | None = None
    for first in range(0, plot.rows, each):
        progress(LOCAL_SHARE * first / plot.rows)
        last = min(plot.rows, first + each)
        top = max(0, first - halo)
        ground = _read_rows(plot, top, min(plot.rows, last + halo))
        if whole is not None:
            whole[first:last] = ground.values[first - top : last - top]
        found = doubts_between(ground.values, ground.cell_m, first - top, last - top)
        doubts = found if doubts is None else doubts.joined(found)
        for family in families:
            _write_family(files, family, ground, (first, last, top))
    if doubts is None:
        raise InputError("the elevation model has no rows")
    return doubts


def _read_rows(plot: _Plot, top: int, bottom: int) -> Grid:
    """The heights of the rows top..bottom."""
    cell = plot.elevation.cell_m
    box: Box = (plot.west_m, plot.north_m - bottom * cell, plot.east_m, plot.north_m - top * cell)
    return read_window(plot.elevation, box)


def _write_family(files: dict[str, DatasetWriter], family: Family, ground: Grid, rows: tuple[int, int, int]) -> None:
    """Work out the layers of a family on the rows first..last, with no more halo than it needs, and write them."""
    first, last, top = rows
    halo = family.halo_cells(ground.cell_m)
    begin, end = max(0, first - halo - top), last + halo - top
    part = replace(ground, values=ground.values[begin:end], north_m=ground.north_m - begin * ground.cell_m)
    skip = first - top - begin
    for layer, grid in zip(family.layers, family.work(part), strict=True):
        _write_rows(files[layer.name], grid.values[skip : skip + last - first], first)


def _write_whole(folder: Path, plot: _Plot, layer: Layer, grid: Grid, progress: Progress) -> None:
    """Write a global layer into its file in between, some rows at a time."""
    done = DRAINAGE_LAYERS.index(layer) / len(DRAINAGE_LAYERS)
    progress(f"drainage: {layer.name}", LOCAL_SHARE + (1.0 - LOCAL_SHARE - COPY_SHARE) * done)
    with rasterio.open(folder / f"{layer.name}.raw", "w", **plot.profile) as file:
        for first in range(0, plot.rows, 512):
            _write_rows(file, grid.values[first : first + 512], first)


def _write_rows(file: DatasetWriter, values: FloatArray, first: int) -> None:
    filled = np.where(np.isfinite(values), values, NODATA).astype(np.float32)
    file.write(filled, 1, window=Window(0, first, filled.shape[1], filled.shape[0]))
