"""Reading heights: any window of an elevation model as one metric, square-celled, north-up Grid.

Only the cells of the window are read; a mosaic of any size works.
"""

from __future__ import annotations

import math

import numpy as np
import rasterio
from affine import Affine
from rasterio.enums import Resampling
from rasterio.errors import RasterioIOError
from rasterio.warp import reproject
from rasterio.windows import Window

from lastseen.elevation.lattice import Box, Elevation, Sheet
from lastseen.errors import InputError, ResourceError
from lastseen.grid import FloatArray, Grid
from lastseen.place import transformer

LOWEST_M, HIGHEST_M = -500.0, 9000.0  # no ground on Earth lies outside
MOST_CELLS = 36_000_000  # 36 Mpx of one layer are 0.3 GB; a plan holds a dozen layers


def read_window(elevation: Elevation, box: Box) -> Grid:
    """Heights in metres on the lattice for the cells of a box (map metres); NaN where there are none.

    Declared no data, masks, NaN and impossible heights (below -500 m or above 9,000 m) all become NaN before anything
    is resampled.

    Raises
    ------
    InputError
        If the box does not touch the elevation model.
    ResourceError
        If the window has more than 36 million cells.
    """
    west, south, east, north = elevation.snapped(box)
    columns, rows = round((east - west) / elevation.cell_m), round((north - south) / elevation.cell_m)
    if columns <= 0 or rows <= 0:
        raise InputError("the place lies outside the elevation model")
    if rows * columns > MOST_CELLS:
        raise ResourceError(
            f"the window of {columns * elevation.cell_m / 1000:.1f} x {rows * elevation.cell_m / 1000:.1f} km has "
            f"{rows * columns / 1e6:.0f} million cells of {elevation.cell_m:g} m, more than {MOST_CELLS // 10**6} "
            "million: choose a smaller size class or a coarser elevation model"
        )
    values = np.full((rows, columns), np.nan)
    grid = Grid(values, west, north, elevation.cell_m, elevation.crs)
    for sheet in elevation.sheets:
        missing = np.isnan(values)
        if not missing.any():
            break
        piece = _read_direct(sheet, grid) if sheet.direct else _read_warped(sheet, grid)
        if piece is not None:
            np.copyto(values, piece, where=missing)
    return grid


def _heights(sheet: Sheet, window: Window) -> FloatArray:
    """Heights of a window of the file in metres, every kind of no data as NaN."""
    try:
        with rasterio.open(sheet.path) as data:
            band = data.read(1, window=window, masked=True)
            scale, offset = data.scales[0], data.offsets[0]
    except RasterioIOError as error:
        raise InputError(f"{sheet.path.name} breaks off while it is read: copy the file again ({error})") from error
    values: FloatArray = np.ma.filled(band.astype(np.float64), np.nan) * scale + offset
    values *= sheet.z_factor
    values[~((values > LOWEST_M) & (values < HIGHEST_M))] = np.nan
    return values


def _cut(sheet: Sheet, box: Box, margin: int) -> Window | None:
    """The window of the file that covers a box in the file's own CRS."""
    corners = [~sheet.transform * (x, y) for x in (box[0], box[2]) for y in (box[1], box[3])]
    columns, rows = zip(*corners, strict=True)
    c0, c1 = max(0, math.floor(min(columns)) - margin), min(sheet.width, math.ceil(max(columns)) + margin)
    r0, r1 = max(0, math.floor(min(rows)) - margin), min(sheet.height, math.ceil(max(rows)) + margin)
    return Window(c0, r0, c1 - c0, r1 - r0) if c1 > c0 and r1 > r0 else None


def _read_direct(sheet: Sheet, grid: Grid) -> FloatArray | None:
    """Cells of a file that lies on the lattice; south-up and mirrored files are turned."""
    t, c = sheet.transform, grid.cell_m
    west, _, _, north = grid.bounds
    file_west = min(t.c, t.c + t.a * sheet.width)
    file_north = max(t.f, t.f + t.e * sheet.height)
    c0, r0 = round((west - file_west) / c), round((file_north - north) / c)
    rows, columns = grid.shape
    left, right = max(0, c0), min(sheet.width, c0 + columns)
    top, bottom = max(0, r0), min(sheet.height, r0 + rows)
    if right <= left or bottom <= top:
        return None
    flip_x, flip_y = t.a < 0, t.e > 0
    column = sheet.width - right if flip_x else left
    row = sheet.height - bottom if flip_y else top
    block = _heights(sheet, Window(column, row, right - left, bottom - top))
    block = block[:: -1 if flip_y else 1, :: -1 if flip_x else 1]
    out = np.full(grid.shape, np.nan)
    out[top - r0 : bottom - r0, left - c0 : right - c0] = block
    return out


def _read_warped(sheet: Sheet, grid: Grid) -> FloatArray | None:
    """Cells of any other file, warped in memory; averaged where it is much finer than the lattice."""
    box = transformer(grid.crs, sheet.crs).transform_bounds(*grid.bounds)
    if not all(math.isfinite(side) for side in box):
        return None
    native = abs(sheet.transform.determinant) ** 0.5
    window = _cut(sheet, box, margin=4)
    if window is None:
        return None
    if window.width * window.height > 4 * MOST_CELLS:
        raise ResourceError(f"{sheet.path.name} is too fine to warp a window this large: resample it to 1 m first")
    out = np.full(grid.shape, np.nan)
    finer = sheet.crs == grid.crs and native < 0.75 * grid.cell_m
    reproject(
        _heights(sheet, window),
        out,
        src_transform=sheet.transform * Affine.translation(window.col_off, window.row_off),
        src_crs=sheet.crs.to_wkt(),
        src_nodata=np.nan,
        dst_transform=grid.transform,
        dst_crs=grid.crs.to_wkt(),
        dst_nodata=np.nan,
        resampling=Resampling.average if finer else Resampling.bilinear,
        tolerance=0.0,
    )
    return out
