"""Ground layers, and traps on their own, handed over."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
from affine import Affine
from rasterio.io import DatasetWriter
from rasterio.windows import Window
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.core import (
    FloatArray,
    Grid,
    InputError,
    Progress,
    ResourceError,
    keep_areas,
    map_in_threads,
    no_progress,
    require_memory,
    versions,
)
from lastseen.output.caution import FULL_CAUTION
from lastseen.output.draw.palette import load_palette
from lastseen.output.formats.cog import NODATA, copy_as_cog
from lastseen.output.formats.styles import layer_styles
from lastseen.output.layers import Column, Layer, plan_layers, trap_layer
from lastseen.output.numbers import SCHEMA_VERSION, input_files, numbers_text, record
from lastseen.output.write import new_folder
from lastseen.snow import SIZES, SOURCES
from lastseen.terrain import (
    DRAINAGE_GB_PER_MILLION_CELLS,
    DRAINAGE_LAYERS,
    Box,
    DerivedLayer,
    Elevation,
    HeightFindings,
    LayerGroup,
    Layers,
    find_doubts_in_rows,
    local_layer_groups,
    read_window,
    write_drainage_layers,
)
from lastseen.traps import WEIGHT_FORMULA, describe_shares

if TYPE_CHECKING:
    from lastseen.jobs import TrapView


# ---- Ground layers of a whole elevation model as cloud-optimised GeoTIFF
# Local layers are worked in bands of rows with a halo: the same bytes as the whole, with memory bounded by the band.
# Drainage is global: for it the whole model is held, and what it takes is said before.

BAND_CELLS = 4_000_000
BAND_GB_PER_MILLION_CELLS = 0.15  # the band and its halo, and the layers of one family at a time
LEAST_BAND_ROWS = 16
CACHE_MB = 512  # of the raster library, whose own limit is a share of the machine's memory
LOCAL_SHARE, COPY_SHARE = 0.4, 0.3  # of the time, for the progress bar


def layers_on(cell_m: float, *, drainage: bool = True) -> Layers:
    """All layers on cells of a size, in the order in which they are written."""
    local = [layer for family in local_layer_groups(cell_m) for layer in family.layers]
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
    families = local_layer_groups(elevation.cell_m)
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
            write_drainage_layers(ground, lambda layer, grid: _write_whole(partial, plot, layer, grid, progress))
            del whole, ground
        map_in_threads(lambda numbered: _copy(partial, layers, *numbered, progress), list(enumerate(layers)))
    return GroundFiles(tuple(folder / f"{layer.name}.tif" for layer in layers), doubts.notes)


def _copy(folder: Path, layers: Layers, number: int, layer: DerivedLayer, progress: Progress) -> None:
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
def _opened(folder: Path, layers: list[DerivedLayer], plot: _Plot) -> Iterator[dict[str, DatasetWriter]]:
    """A file in between for each layer, open for writing by bands."""
    with ExitStack() as stack:
        yield {
            layer.name: stack.enter_context(rasterio.open(folder / f"{layer.name}.raw", "w", **plot.profile))
            for layer in layers
        }


def _bands(
    plot: _Plot,
    families: tuple[LayerGroup, ...],
    files: dict[str, DatasetWriter],
    whole: FloatArray | None,
    rows_and_halo: tuple[int, int],
    progress: Callable[[float], None],
) -> HeightFindings:
    """Work out and write the local layers band by band; keep the heights in ``whole`` where they are wanted."""
    each, halo = rows_and_halo
    doubts: HeightFindings | None = None
    for first in range(0, plot.rows, each):
        progress(LOCAL_SHARE * first / plot.rows)
        last = min(plot.rows, first + each)
        top = max(0, first - halo)
        ground = _read_rows(plot, top, min(plot.rows, last + halo))
        if whole is not None:
            whole[first:last] = ground.values[first - top : last - top]
        found = find_doubts_in_rows(ground.values, ground.cell_m, first - top, last - top)
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


def _write_family(
    files: dict[str, DatasetWriter], family: LayerGroup, ground: Grid, rows: tuple[int, int, int]
) -> None:
    """Work out the layers of a family on the rows first..last, with no more halo than it needs, and write them."""
    first, last, top = rows
    halo = family.halo_cells(ground.cell_m)
    begin, end = max(0, first - halo - top), last + halo - top
    part = replace(ground, values=ground.values[begin:end], north_m=ground.north_m - begin * ground.cell_m)
    skip = first - top - begin
    for layer, grid in zip(family.layers, family.work(part), strict=True):
        _write_rows(files[layer.name], grid.values[skip : skip + last - first], first)


def _write_whole(folder: Path, plot: _Plot, layer: DerivedLayer, grid: Grid, progress: Progress) -> None:
    """Write a global layer into its file in between, some rows at a time."""
    done = DRAINAGE_LAYERS.index(layer) / len(DRAINAGE_LAYERS)
    progress(f"drainage: {layer.name}", LOCAL_SHARE + (1.0 - LOCAL_SHARE - COPY_SHARE) * done)
    with rasterio.open(folder / f"{layer.name}.raw", "w", **plot.profile) as file:
        for first in range(0, plot.rows, 512):
            _write_rows(file, grid.values[first : first + 512], first)


def _write_rows(file: DatasetWriter, values: FloatArray, first: int) -> None:
    filled = np.where(np.isfinite(values), values, NODATA).astype(np.float32)
    file.write(filled, 1, window=Window(0, first, filled.shape[1], filled.shape[0]))


# ---- Handing over traps and start zones: numbers, layers, grades, and a map, in one folder

TRAPS_MARKER = "traps.json"
PARTS = ("grade", "slope", "ribs", "ruggedness", "canopy", "rolls")
_PRODUCT = "product of slope, ribs, ruggedness and canopy; 0 outside 28 to 55 degrees; no probability"


def traps_numbers(view: TrapView) -> dict[str, Any]:
    """Traps and release areas as plain values, keys in a fixed order, nothing that is not a number."""
    grid, crs = view.terrain.elevation, view.terrain.elevation.crs
    authority = crs.to_authority()
    at = view.plan
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "lastseen", "version": __version__},
        "caution": FULL_CAUTION,
        "name": view.scenario.name,
        "inputs": input_files(view),
        "scenario": record(view.scenario),
        "versions": versions(),
        "last_seen": at.place.notations() if at is not None and at.place is not None else None,
        "grid": {
            "crs": ":".join(authority) if authority else crs.to_wkt(),
            "crs_name": crs.name,
            "cell_m": grid.cell_m,
            "shape": list(grid.shape),
            "bounds_m": list(grid.bounds),
        },
        "weight_formula": WEIGHT_FORMULA,
        "traps": [
            {**record(trap, ("outline", "cells", "part_of_cell")), "shares": describe_shares(trap) if at else None}
            for trap in view.traps
        ],
        "start_zone_parts": SOURCES,
        "release": record(at.model.release, ("cells", "outline")) if at is not None and at.model is not None else None,
        "release_areas": [record(area, ("outline", "cells")) for area in view.areas],
        "notes": list(view.notes),
    }


def view_layers(view: TrapView) -> tuple[Layer, ...]:
    """Vector layers: traps, release areas, and with a last-seen point the point, its release and paths."""
    of_plan = plan_layers(view.plan) if view.plan is not None else {}
    more = [of_plan[name] for name in ("last_seen", "release", "flow_paths") if name in of_plan]
    return (trap_layer(view.traps), _area_layer(view), *more)


def _area_layer(view: TrapView) -> Layer:
    columns = (
        Column("number", "integer", "from 1, the largest first"),
        Column("area_m2", "real", "area on the slope"),
        Column("map_area_m2", "real", "area on the map"),
        Column("slope_deg", "real", "mean slope"),
        Column("aspect_deg", "real", "mean downhill azimuth from grid north"),
        Column("width_m", "real", "across the fall line"),
        Column("length_m", "real", "along the fall line, on the slope"),
        Column("top_m", "real", "highest elevation"),
        Column("foot_m", "real", "lowest elevation"),
        Column("grade", "real", "mean start-zone grade, 0 to 1, no probability"),
        *(Column(f"volume_size_{size}_m3", "real", f"snow released by an event of size {size}") for size in SIZES),
    )

    def rows() -> Iterable[tuple[BaseGeometry, tuple[Any, ...]]]:
        for area in view.areas:
            values = [getattr(area, column.name) for column in columns[:10]]
            yield keep_areas(area.outline), (*values, *area.volume_m3)

    pairs = list(rows())
    shapes, values = tuple(shape for shape, _ in pairs), tuple(value for _, value in pairs)
    about = "Start-zone terrain in parts that one event could release."
    return Layer("release_areas", "Release areas", about, "MultiPolygon", columns, shapes, values)


def write_traps(
    view: TrapView, folder: Path, *, overwrite: bool = False, progress: Progress = no_progress
) -> tuple[Path, ...]:
    """Write ``traps.json``, ``traps.gpkg``, ``start_zones.tif`` and ``trap_map.png``.

    The folder appears whole or not at all. The same view gives the same bytes.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.output.write.new_folder`.
    """
    from lastseen.output.draw import trap_map  # noqa: PLC0415  slow to import
    from lastseen.output.formats import cog, gpkg  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=TRAPS_MARKER) as partial:
        progress("writing the numbers", 0.0)
        text = numbers_text(traps_numbers(view))
        (partial / TRAPS_MARKER).write_text(text, encoding="utf-8", newline="\n")
        progress("writing the layers", 0.2)
        sources = {f"start_zone_{name}": source for name, source in SOURCES.items()}
        run = gpkg.run_rows(view.scenario.name, view.notes, weight=WEIGHT_FORMULA, **sources)
        styles = layer_styles(load_palette(), searchers=1)
        crs = view.terrain.elevation.crs
        gpkg.write_layers(partial / "traps.gpkg", view_layers(view), crs, run, styles=styles)
        progress("writing the grades", 0.4)
        bands = [getattr(view.zones, name) for name in PARTS]
        told = [f"{name}: {SOURCES.get(name, _PRODUCT)}" for name in PARTS]
        cog.write_cog(partial / "start_zones.tif", bands, told, ["1"] * len(bands))
        progress("drawing the map", 0.6)
        trap_map.write_trap_map(view, partial / "trap_map.png")
        progress("done", 1.0)
        names = sorted(path.name for path in partial.iterdir())
    return tuple(folder / name for name in names)
