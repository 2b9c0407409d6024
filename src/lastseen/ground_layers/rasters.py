"""Shares of cells from a raster: a mask, a share, a percentage, or the height of a surface above the ground."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.errors import RasterioIOError
from rasterio.windows import Window

from lastseen.elevation import open_elevation, read_window
from lastseen.elevation.lattice import applied
from lastseen.errors import InputError, ResourceError
from lastseen.grid import FloatArray, Grid
from lastseen.ground_layers.layers import LayerKind
from lastseen.place import to_lonlat, transformer
from lastseen.wording import percent

Box = tuple[float, float, float, float]
MOST_PARTS = 4  # a cell is looked at in this many places along each side, at most
MOST_CELLS = 100_000_000  # of a raster that are read at once
LOOK = 1024  # cells along each side of the reduced raster that tells what its values mean
LARGEST_SHARE, LEAST_PERCENT, LARGEST_PERCENT = 1.0, 10.0, 100.0
CANOPY_M = 2.0  # what stands higher than this above the ground counts as trees; design choice
# A surface model whose middle lies this far off the ground has another datum or unit; design choice.
PLAUSIBLE_M = (-2.0, 60.0)


@dataclass(frozen=True)
class RasterFile:
    """A raster as it lies on disk. ``factor`` turns its values into shares; 0 means: any value above 0 is covered."""

    path: Path
    crs: CRS
    transform: Affine
    width: int
    height: int
    factor: float
    notes: tuple[str, ...]

    @property
    def bounds(self) -> Box:
        """Box around it in its own CRS."""
        corners = [applied(self.transform, c, r) for c in (0, self.width) for r in (0, self.height)]
        x, y = zip(*corners, strict=True)
        return min(x), min(y), max(x), max(y)


def open_raster(path: Path, kind: LayerKind) -> RasterFile | None:
    """Look at a raster; None where it is not one.

    Raises
    ------
    InputError
        No CRS, or values that are neither a mask nor a share nor a percentage of crown cover.
    """
    try:
        with rasterio.open(path) as data:
            if data.crs is None:
                raise InputError(f"{path.name} has no CRS: assign the right one (its EPSG code) to the file first")
            small = (min(LOOK, data.height), min(LOOK, data.width))
            values = data.read(1, out_shape=small, resampling=Resampling.nearest, masked=True)
            crs, transform, width, height = (
                CRS.from_wkt(data.crs.to_wkt()), data.transform, data.width, data.height
            )  # fmt: skip
    except RasterioIOError:
        return None
    highest = float(np.ma.filled(values.astype(np.float64), 0.0).max(initial=0.0))
    factor, notes = (0.0, ()) if kind != "trees" else _crown_factor(path.name, highest)
    return RasterFile(path, crs, transform, width, height, factor, notes)


def _crown_factor(name: str, highest: float) -> tuple[float, tuple[str, ...]]:
    """How values become shares of crown cover, and what must be said about it."""
    if highest <= LARGEST_SHARE:
        return 1.0, ()
    if LEAST_PERCENT < highest <= LARGEST_PERCENT:
        return 0.01, (f"{name} holds values up to {highest:g}: they are read as crown cover in percent",)
    raise InputError(
        f"{name} holds values up to {highest:g}, which are neither a mask or share (0 to 1) nor crown cover in percent "
        "(0 to 100): make one of these, or give areas"
    )


def read_raster(file: RasterFile, grid: Grid) -> FloatArray:
    """Share of each cell that the raster says is covered; no data covers nothing."""
    back = transformer(grid.crs, file.crs)
    reach = back.transform_bounds(*grid.bounds)
    if not all(math.isfinite(side) for side in reach):
        return np.zeros(grid.shape)
    inverse = ~file.transform
    columns, rows = zip(
        *(applied(inverse, x, y) for x in (reach[0], reach[2]) for y in (reach[1], reach[3])), strict=True
    )
    c0, c1 = max(0, math.floor(min(columns)) - 1), min(file.width, math.ceil(max(columns)) + 1)
    r0, r1 = max(0, math.floor(min(rows)) - 1), min(file.height, math.ceil(max(rows)) + 1)
    if c1 <= c0 or r1 <= r0:
        return np.zeros(grid.shape)
    if (c1 - c0) * (r1 - r0) > MOST_CELLS:
        raise ResourceError(f"{file.path.name} is too fine to read over this ground: resample it to 1 m first")
    try:
        with rasterio.open(file.path) as data:
            band = data.read(1, window=Window(c0, r0, c1 - c0, r1 - r0), masked=True)
    except RasterioIOError as error:
        raise InputError(f"{file.path.name} breaks off while it is read: copy the file again ({error})") from error
    values = np.nan_to_num(np.ma.filled(band.astype(np.float64), 0.0))
    shares = (values > 0.0).astype(float) if file.factor == 0.0 else np.clip(values * file.factor, 0.0, 1.0)
    cell = abs(file.transform.determinant) ** 0.5 * (1.0 if file.crs.is_projected else 111_000.0)
    total, parts = np.zeros(grid.shape), _parts(grid.cell_m, cell)
    for x, y in _places(grid, parts):
        at: Any = (x, y) if file.crs == grid.crs else back.transform(x, y)
        col, row = (np.floor(one).astype(np.int64) for one in applied(inverse, *at))
        inside = (col >= c0) & (col < c1) & (row >= r0) & (row < r1)
        total += np.where(inside, shares[np.clip(row - r0, 0, r1 - r0 - 1), np.clip(col - c0, 0, c1 - c0 - 1)], 0.0)
    return total / parts**2


def canopy_share(surface: Path, ground: Grid) -> tuple[FloatArray, tuple[str, ...]]:
    """Share of each cell on which a surface model stands more than 2 m above the ground.

    Trees and buildings look alike in it: both count as trees, and a note says so.

    Parameters
    ----------
    surface : Path
        Any raster of heights that GDAL reads, in any CRS; its own unit of height.
    ground : Grid
        Heights of the bare ground, metres.

    Raises
    ------
    InputError
        If the surface lies nowhere on the ground, or so far off it that unit or datum of height differ.
    """
    west, south, east, north = ground.bounds
    middle = to_lonlat(0.5 * (west + east), 0.5 * (south + north), ground.crs)
    model = open_elevation([surface], middle)
    forward = transformer(ground.crs, model.crs)
    reach = forward.transform_bounds(*ground.bounds)
    over = model.bounds_m
    if not (reach[0] < over[2] and over[0] < reach[2] and reach[1] < over[3] and over[1] < reach[3]):
        raise InputError(f"{surface.name} does not reach the ground that is worked on: use a surface model that does")
    heights = read_window(model, reach)
    parts = _parts(ground.cell_m, model.cell_m)
    total, known, middle_m = np.zeros(ground.shape), np.zeros(ground.shape, bool), []
    for x, y in _places(ground, parts):
        px, py = (x, y) if model.crs == ground.crs else forward.transform(x, y)
        above = heights.sample(px, py) - ground.sample(x, y)
        known |= np.isfinite(above)
        middle_m.append(float(np.nanmedian(above)) if np.isfinite(above).any() else math.nan)
        total += np.nan_to_num(above) > CANOPY_M
    off = float(np.median(middle_m))
    if not PLAUSIBLE_M[0] <= off <= PLAUSIBLE_M[1]:
        raise InputError(
            f"{surface.name} lies {off:.0f} m above the ground in the middle: its unit or datum of height is not that "
            "of the elevation model, or it does not cover this ground"
        )
    notes = [f"what {surface.name} shows more than {CANOPY_M:g} m above the ground counts as trees, buildings too"]
    if (missing := 1.0 - known[np.isfinite(ground.values)].mean()) > 0.0:
        notes.append(f"{surface.name} does not cover {percent(missing)} of the ground: no trees are known there")
    return total / parts**2, tuple(notes)


def _parts(cell_m: float, source_m: float) -> int:
    """Places looked at along each side of a cell."""
    return int(np.clip(math.ceil(cell_m / source_m - 0.3), 1, MOST_PARTS))


def _places(grid: Grid, parts: int) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Map coordinates of one place in each cell after the other."""
    rows, cols = np.indices(grid.shape)
    x, y = grid.centre_of(rows, cols)
    shifts = ((np.arange(parts) + 0.5) / parts - 0.5) * grid.cell_m
    for dx in shifts:
        for dy in shifts:
            yield x + dx, y + dy
