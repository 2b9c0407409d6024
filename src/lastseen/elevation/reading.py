"""Reading heights: any window of an elevation model as one metric, square-celled, north-up Grid.

Only the cells of the window are read; a mosaic of any size works.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import product

import numpy as np
import rasterio
from rasterio.errors import RasterioIOError
from rasterio.windows import Window

from lastseen.elevation.lattice import Box, Elevation, Sheet, applied
from lastseen.errors import InputError, ResourceError
from lastseen.grid import FloatArray, Grid, bilinear
from lastseen.place import transformer

Tell = Callable[[str], None]

LOWEST_M, HIGHEST_M = -500.0, 9000.0  # no ground on Earth lies outside
MOST_CELLS = 36_000_000  # 36 Mpx of one layer are 0.3 GB; a plan holds a dozen layers


def read_window(elevation: Elevation, box: Box, tell: Tell = lambda _note: None) -> Grid:
    """Heights in metres on the lattice for the cells of a box (map metres); NaN where there are none.

    Declared no data, masks, NaN and impossible heights (below -500 m or above 9,000 m) all become NaN before anything
    is resampled; what was impossible is told.

    Parameters
    ----------
    elevation : Elevation
    box : west, south, east, north
    tell : callable, optional
        Called with a plain sentence where heights are impossible and nobody declared them as no data.

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
    (x0, y0), c = elevation.anchor_m, elevation.cell_m
    # Counted from the anchor, so that the position of a cell does not depend on the window, to the last bit.
    x = np.asarray(x0 + (round((west - x0) / c) + np.arange(columns) + 0.5) * c, float)
    y = np.asarray(y0 + (round((north - y0) / c) - np.arange(rows) - 0.5) * c, float)
    for group in _groups(elevation.sheets):
        missing = np.isnan(values)
        if not missing.any():
            break
        piece = _read_direct(group[0], grid, tell) if group[0].direct else _read_warped(group, grid, (x, y), tell)
        if piece is not None:
            np.copyto(values, piece, where=missing)
    return grid


def _groups(sheets: Sequence[Sheet]) -> list[list[Sheet]]:
    """Runs of files, in their order, whose cells lie on one lattice; a file that is read directly stands alone."""
    groups: list[list[Sheet]] = []
    for sheet in sheets:
        if groups and not sheet.direct and not groups[-1][0].direct and _same_lattice(groups[-1][0], sheet):
            groups[-1].append(sheet)
        else:
            groups.append([sheet])
    return groups


def _same_lattice(one: Sheet, other: Sheet) -> bool:
    a, b = one.transform, other.transform
    size = abs(a.a) + abs(a.b) + abs(a.d) + abs(a.e)
    reach = max(one.width, one.height, other.width, other.height)
    if one.crs != other.crs or any(abs(getattr(a, k) - getattr(b, k)) * reach > 1e-3 * size for k in "abde"):
        return False
    return all(abs(step - round(step)) < 1e-2 for step in applied(~a, b.c, b.f))


def _heights(sheet: Sheet, window: Window, tell: Tell) -> FloatArray:
    """Heights of a window of the file in metres, every kind of no data as NaN."""
    try:
        with rasterio.open(sheet.path) as data:
            band = data.read(1, window=window, masked=True)
            scale, offset = data.scales[0], data.offsets[0]
    except RasterioIOError as error:
        raise InputError(f"{sheet.path.name} breaks off while it is read: copy the file again ({error})") from error
    values: FloatArray = np.ma.filled(band.astype(np.float64), np.nan) * scale + offset
    values *= sheet.z_factor
    with np.errstate(invalid="ignore"):
        impossible = (values <= LOWEST_M) | (values >= HIGHEST_M)
    if impossible.any():
        tell(
            f"{sheet.path.name} holds impossible heights, such as {values[impossible].flat[0]:g} m in "
            f"{np.count_nonzero(impossible)} cells here, that it does not declare as no data: taken as no data"
        )
    values[~np.isfinite(values) | impossible] = np.nan
    return values


def _read_direct(sheet: Sheet, grid: Grid, tell: Tell) -> FloatArray | None:
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
    block = _heights(sheet, Window(column, row, right - left, bottom - top), tell)
    block = block[:: -1 if flip_y else 1, :: -1 if flip_x else 1]
    out = np.full(grid.shape, np.nan)
    out[top - r0 : bottom - r0, left - c0 : right - c0] = block
    return out


def _read_warped(
    sheets: Sequence[Sheet], grid: Grid, centres: tuple[FloatArray, FloatArray], tell: Tell
) -> FloatArray | None:
    """Cells of files on one other lattice: bilinear between their cells, across the seams of the files.

    Each cell is worked out from its own map position alone, so that a window that grows keeps its heights. Where the
    files are finer than the lattice, several points of the cell are averaged.
    """
    first = sheets[0]
    back = transformer(grid.crs, first.crs)
    box = back.transform_bounds(*grid.bounds)
    if not all(math.isfinite(side) for side in box):
        return None
    source = _gathered(sheets, box, tell)
    if source is None:
        return None
    heights, row0, col0 = source
    parts = max(1, math.ceil(grid.cell_m / abs(first.transform.determinant) ** 0.5 - 0.3)) if _metric(first) else 1
    out = np.empty(grid.shape)
    shifts = ((np.arange(parts) + 0.5) / parts - 0.5) * grid.cell_m
    for top in range(0, grid.shape[0], 256):
        x, y = np.meshgrid(centres[0], centres[1][top : top + 256])
        total = np.zeros(x.shape)
        for dx, dy in product(shifts, shifts):
            at = (x + dx, y + dy) if first.crs == grid.crs else back.transform(x + dx, y + dy)
            col, row = (np.asarray(one, float) for one in applied(~first.transform, *at))
            total += _between(heights, row - 0.5, col - 0.5, row0, col0)
        out[top : top + 256] = total / parts**2
    return out


def _metric(sheet: Sheet) -> bool:
    return bool(sheet.crs.is_projected) and abs(sheet.crs.axis_info[0].unit_conversion_factor - 1.0) < 1e-9


def _gathered(sheets: Sequence[Sheet], box: Box, tell: Tell) -> tuple[FloatArray, int, int] | None:
    """Heights of all files around a box in their CRS as one array; the row and column of its corner in the first."""
    first = sheets[0]
    places = [applied(~first.transform, s.transform.c, s.transform.f) for s in sheets]
    starts = [(round(row), round(col)) for col, row in places]
    corners = [applied(~first.transform, x, y) for x in (box[0], box[2]) for y in (box[1], box[3])]
    columns, rows = zip(*corners, strict=True)
    margin = 4
    r0 = max(min(r for r, _ in starts), math.floor(min(rows)) - margin)
    r1 = min(max(r + s.height for (r, _), s in zip(starts, sheets, strict=True)), math.ceil(max(rows)) + margin)
    c0 = max(min(c for _, c in starts), math.floor(min(columns)) - margin)
    c1 = min(max(c + s.width for (_, c), s in zip(starts, sheets, strict=True)), math.ceil(max(columns)) + margin)
    if r1 <= r0 or c1 <= c0:
        return None
    if (r1 - r0) * (c1 - c0) > 4 * MOST_CELLS:
        raise ResourceError(f"{first.path.name} is too fine to warp a window this large: resample it to 1 m first")
    heights = np.full((r1 - r0, c1 - c0), np.nan)
    for sheet, (row, col) in zip(sheets, starts, strict=True):
        top, bottom = max(r0, row), min(r1, row + sheet.height)
        left, right = max(c0, col), min(c1, col + sheet.width)
        if bottom <= top or right <= left:
            continue
        part = heights[top - r0 : bottom - r0, left - c0 : right - c0]
        block = _heights(sheet, Window(left - col, top - row, right - left, bottom - top), tell)
        np.copyto(part, block, where=np.isnan(part))
    return heights, r0, c0


def _between(heights: FloatArray, row: FloatArray, col: FloatArray, row0: int, col0: int) -> FloatArray:
    """Bilinear heights at fractional cells of the files; half a cell beyond the outermost centres the edge counts."""
    tiny = 1e-6  # of a cell: what rounding may move a point off a centre
    row, col = (np.where(abs(one - np.round(one)) < tiny, np.round(one), one) for one in (row, col))
    row, col = row - row0, col - col0
    ny, nx = heights.shape
    inside = (row >= -0.5) & (row <= ny - 0.5) & (col >= -0.5) & (col <= nx - 0.5)
    row, col = (np.where(inside, np.clip(one, 0.0, n - 1.0), 0.0) for one, n in ((row, ny), (col, nx)))
    return np.where(inside, bilinear(heights, row, col), np.nan)
