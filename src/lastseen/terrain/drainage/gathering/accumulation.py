"""Flow accumulation: the area that drains through each cell, its own included.

Three ways to share the flow of a cell, all on the filled surface (see ``routing``):

- D8: all to the neighbour of the steepest descent (O'Callaghan & Mark 1984).
- D-infinity: between the two neighbours beside the azimuth of the steepest facet, by angle (Tarboton 1997).
- multiple: among all lower neighbours by gradient to the power of an exponent (Freeman 1991, Computers & Geosciences
  17:413, with 1.1; a higher exponent gathers the flow, an endless one is D8).

On flats each follows the one way across. Cells without data give nothing. What leaves the ground is gone.

Areas are summed as whole numbers, 2 to the 32 to a cell: no share is lost where the flow splits, and the result is the
same to the last bit in any order and with any number of threads. The error is below 1e-8 of a cell at each split.

This is global. Blocks of rows are worked in threads; what crosses between them is handed over when all have stopped,
again and again until nothing moves.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Literal

import numpy as np

from lastseen.errors import InputError
from lastseen.grid import FloatArray, Grid
from lastseen.terrain.drainage.gathering import kernels
from lastseen.terrain.drainage.routing import Drainage, facet_octants
from lastseen.terrain.drainage.ways import ByteArray, LongArray
from lastseen.threads import in_threads, over_rows, thread_count

Method = Literal["D8", "D-infinity", "multiple"]
FREEMAN_EXPONENT = 1.1  # Freeman (1991)
LARGEST_EXPONENT = 50.0  # Holmgren (1994, Hydrological Processes 8:327) calls 1 to 25 useful
LEAST_BLOCK_ROWS = 64

Start = Callable[[int, int, LongArray, ByteArray], None]
Add = Callable[[int, int, LongArray, LongArray, ByteArray, LongArray, LongArray], None]


def accumulation_m2(drainage: Drainage, method: Method = "D8", *, exponent: float = FREEMAN_EXPONENT) -> Grid:
    """Area that drains through each cell, its own included, m2 on the map.

    Parameters
    ----------
    drainage : Drainage
    method : {"D8", "D-infinity", "multiple"}
    exponent : float
        Of ``multiple``, above 0 and not above 50.

    Returns
    -------
    Grid
        At least the area of a cell; NaN at no data. Divided by the side of a cell it is the specific area.

    Raises
    ------
    InputError
        If the method is not known or the exponent out of range.
    """
    z, way = drainage.filled.surface.values, drainage.way.values
    if method == "D8":
        area = _gathered(
            way.shape,
            lambda first, last, area, waiting: kernels.way_donors(way, first, last, area, waiting),
            lambda first, last, *rest: kernels.add_ways(way, first, last, *rest),
        )
    elif method == "D-infinity":
        octant = facet_octants(drainage)
        area = _gathered(
            way.shape,
            lambda first, last, area, waiting: kernels.facet_donors(octant, first, last, area, waiting),
            lambda first, last, *rest: kernels.add_facets(octant, first, last, *rest),
        )
    elif method == "multiple":
        if not 0.0 < exponent <= LARGEST_EXPONENT:
            raise InputError(f"the exponent of multiple flow is {exponent:g}: choose one from 0.1 to 50")
        area = _gathered(
            way.shape,
            lambda first, last, area, waiting: kernels.slope_donors(z, way, first, last, area, waiting),
            lambda first, last, *rest: kernels.add_slopes(z, way, exponent, first, last, *rest),
        )
    else:
        raise InputError(f"flow is not known to gather by '{method}': choose D8, D-infinity or multiple")
    return drainage.way.with_values(_in_m2(area, z, drainage.way.cell_area_m2))


def _gathered(shape: tuple[int, int], start: Start, add: Add) -> LongArray:
    """Areas in ``kernels.CELL`` to a cell: one block of rows for each thread, in rounds until nothing moves."""
    rows, columns = shape
    area, waiting = np.empty(shape, np.int64), np.empty(shape, np.uint8)
    over_rows(lambda first, last: start(first, last, area, waiting), rows)
    count = max(1, min(thread_count(), rows // LEAST_BLOCK_ROWS))
    blocks = list(pairwise(rows * k // count for k in range(count + 1)))
    left, told = (np.zeros((count, 2, columns), np.int64) for _ in range(2))
    ready: list[LongArray] = [np.arange(first, last, dtype=np.int64) for first, last in blocks]

    def go_on(k: int) -> None:
        if ready[k].size:
            add(*blocks[k], ready[k], area, waiting, left[k], told[k])

    while any(one.size for one in ready):
        in_threads(go_on, range(count))
        ready[:] = [_taken_in(k, blocks, left, told, area, waiting) for k in range(count)]
    return area


def _taken_in(
    k: int, blocks: list[tuple[int, int]], left: LongArray, told: LongArray, area: LongArray, waiting: ByteArray
) -> LongArray:
    """Rows of a block that can go on after it has taken in what the blocks above and below left for it."""
    first, last = blocks[k]
    rows = set()
    for row, neighbour, side in ((first, k - 1, 1), (last - 1, k + 1, 0)):
        inside = 0 <= neighbour < len(blocks)
        if inside and kernels.take_in(row, left[neighbour, side], told[neighbour, side], area, waiting):
            rows.add(row)
    return np.array(sorted(rows), np.int64)


def _in_m2(area: LongArray, z: FloatArray, cell_area_m2: float) -> FloatArray:
    """Whole numbers to square metres, in their own memory; NaN at no data."""
    out: FloatArray = area.view(np.float64)
    scale = cell_area_m2 / kernels.CELL
    over_rows(lambda first, last: kernels.in_area(area, z, scale, first, last, out), z.shape[0])
    return out
