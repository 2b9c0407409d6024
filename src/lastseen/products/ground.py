"""Ground layers of a whole elevation model as cloud-optimised GeoTIFF, worked in bands of rows.

All layers here are local (3 x 3 cells), so a band with one row more on each side gives the same bytes as the whole.
Memory is bounded by the band, not by the model.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from rasterio.windows import Window

from lastseen.elevation import Box, Elevation, read_window
from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.memory import require_memory
from lastseen.products.folder import new_folder
from lastseen.products.rasters import NODATA, copy_as_cog
from lastseen.terrain import curvature, read_terrain

BAND_CELLS = 4_000_000
BAND_GB_PER_MILLION_CELLS = 0.15  # the band and the derivatives of one layer at a time
HALO = 1


@dataclass(frozen=True)
class Layer:
    """A ground layer: file name, what it shows, unit, how it is worked out."""

    name: str
    description: str
    unit: str
    work: Callable[[Grid], Grid]


LAYERS = (
    Layer("elevation_m", "elevation as used", "m", lambda ground: ground),
    Layer("slope_deg", "slope, Horn 1981", "degree", lambda ground: read_terrain(ground).slope_deg),
    Layer("aspect_deg", "downhill azimuth from grid north, Horn 1981", "degree", lambda g: read_terrain(g).aspect_deg),
    Layer("profile_curvature", "curvature along the fall line, convex positive", "1/m", lambda g: curvature(g).profile),
    Layer(
        "tangential_curvature", "curvature along the contour, normal section", "1/m", lambda g: curvature(g).tangential
    ),
    Layer("plan_curvature", "curvature of the contour", "1/m", lambda g: curvature(g).plan),
)


def write_ground(
    elevation: Elevation, folder: Path, *, overwrite: bool, progress: Callable[[str, float], None]
) -> tuple[Path, ...]:
    """Write all ground layers of an elevation model into a folder.

    Raises
    ------
    OutputExistsError
        If the folder is there and ``overwrite`` is off.
    ResourceError
        If the disk is full.
    """
    west, south, east, north = elevation.snapped(elevation.bounds_m)
    cell = elevation.cell_m
    columns, rows = round((east - west) / cell), round((north - south) / cell)
    if columns < 3 or rows < 3:
        raise InputError(f"the elevation model has {columns} x {rows} cells: three by three is the least with a slope")
    each = max(16, BAND_CELLS // columns)
    needed = f"bands of {require_memory(min(each, rows) * columns, BAND_GB_PER_MILLION_CELLS, 'a band')}"
    profile = {
        "driver": "GTiff", "width": columns, "height": rows, "count": 1, "dtype": "float32", "nodata": NODATA,
        "crs": elevation.crs.to_wkt(), "transform": Affine(cell, 0.0, west, 0.0, -cell, north), "tiled": True,
        "blockxsize": 512, "blockysize": 512, "compress": "deflate", "zlevel": 1, "bigtiff": "if_safer",
    }  # fmt: skip
    with new_folder(folder, overwrite=overwrite, proof="slope_deg.tif") as partial:
        files = [rasterio.open(partial / f"{layer.name}.raw", "w", **profile) for layer in LAYERS]
        try:
            for first in range(0, rows, each):
                last = min(rows, first + each)
                progress(needed, 0.8 * first / rows)
                _write_band(elevation, files, (west, east, north), first, last)
        finally:
            for file in files:
                file.close()
        for number, layer in enumerate(LAYERS):
            progress(f"writing {layer.name}", 0.8 + 0.2 * number / len(LAYERS))
            raw = partial / f"{layer.name}.raw"
            copy_as_cog(raw, partial / f"{layer.name}.tif", [layer.description], [layer.unit])
            raw.unlink()
    return tuple(folder / f"{layer.name}.tif" for layer in LAYERS)


def _write_band(
    elevation: Elevation,
    files: list[rasterio.io.DatasetWriter],
    edges: tuple[float, float, float],
    first: int,
    last: int,
) -> None:
    """Work out and write the rows first..last of every layer."""
    west, east, north = edges
    cell = elevation.cell_m
    box: Box = (west, north - (last + HALO) * cell, east, north - max(0, first - HALO) * cell)
    ground = read_window(elevation, box)
    skip = first - max(0, first - HALO)
    for file, layer in zip(files, LAYERS, strict=True):
        values = layer.work(ground).values[skip : skip + last - first]
        filled = np.where(np.isfinite(values), values, NODATA).astype(np.float32)
        file.write(filled, 1, window=Window(0, first, filled.shape[1], last - first))
