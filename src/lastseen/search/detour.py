"""The way from one lane to the next: straight, or around ground without elevation."""

from __future__ import annotations

import math

import numpy as np
from scipy import ndimage
from skimage.graph import route_through_array

from lastseen.search.frame import XY
from lastseen.search.surface import Surface

_BESIDE_UNKNOWN = 5.0


def is_known(start: XY, end: XY, surface: Surface) -> bool:
    """Whether all of a straight line lies on known ground."""
    n = max(1, math.ceil(math.dist(start, end) / (0.25 * surface.filled.cell_m)))
    t = np.linspace(0.0, 1.0, n + 1)
    x, y = start[0] + t * (end[0] - start[0]), start[1] + t * (end[1] - start[1])
    return bool(surface.has_data(x, y).all())


def way_between(start: XY, end: XY, surface: Surface) -> list[XY]:
    """Corners of a short way on known ground, from start to end; the straight line when there is no such way.

    The shortest way from cell to cell, one cell off the unknown where there is room, is drawn tight: from each
    corner straight to the farthest point in sight.
    """
    if is_known(start, end, surface):
        return [start, end]
    grid = surface.filled
    first, last = ((int(row), int(col)) for row, col in (grid.cell_of(*start), grid.cell_of(*end)))
    try:
        beside = ndimage.binary_dilation(~surface.known, np.ones((3, 3), dtype=np.bool_))
        cost = np.where(surface.known, np.where(beside, _BESIDE_UNKNOWN, 1.0), -1.0)
        cells, _ = route_through_array(cost, first, last)
    except ValueError:
        return [start, end]
    rows, cols = np.array(cells).T
    x, y = grid.centre_of(rows, cols)
    points = [start, *zip(x[1:-1].tolist(), y[1:-1].tolist(), strict=True), end]
    corners, here = [start], 0
    while here < len(points) - 1:
        seen = (k for k in range(len(points) - 1, here + 1, -1) if is_known(points[here], points[k], surface))
        here = next(seen, here + 1)
        corners.append(points[here])
    return corners
