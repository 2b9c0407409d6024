"""Kernels of wide neighbourhoods: plain arrays and floats in and out. Meaning, units and checks live beside."""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.grid import FloatArray, IntArray

UNIT_PER_M = 1048576.0  # heights are counted in 2 to the -20 of a metre: sums of them are exact in double precision


@njit(cache=True, nogil=True, error_model="numpy")
def row_sums(z: FloatArray, first: int, last: int, total_m: FloatArray, known: IntArray) -> int:
    """Running sums of heights and of known cells along the rows first..last; how many cells are without data.

    ``total_m`` and ``known`` have one column more than ``z``; their first is 0.
    """
    nx = z.shape[1]
    missing = 0
    for i in range(first, last):
        height, count = 0.0, 0
        total_m[i, 0], known[i, 0] = 0.0, 0
        for j in range(nx):
            here = z[i, j]
            if not np.isnan(here):
                height += np.rint(here * UNIT_PER_M) / UNIT_PER_M
                count += 1
            else:
                missing += 1
            total_m[i, j + 1], known[i, j + 1] = height, count
    return missing


@njit(cache=True, nogil=True, error_model="numpy")
def _add_chord(line: FloatArray, half: int, sign: float, reach: int, nx: int, into: FloatArray) -> None:
    """Add the sum of 2 ``half`` + 1 cells around each column of a row of running sums."""
    left, right = line[reach - half : nx - reach - half], line[reach + half + 1 : nx - reach + half + 1]
    for j in range(nx - 2 * reach):
        into[j] += sign * (right[j] - left[j])


@njit(cache=True, nogil=True, error_model="numpy")
def above_ring(
    z: FloatArray,
    total_m: FloatArray,
    known: IntArray,
    outer: IntArray,
    inner: IntArray,
    cells: int,
    least: float,
    missing: int,
    first: int,
    last: int,
    out: FloatArray,
) -> None:
    """Height of each cell above the mean of a ring.

    ``outer`` and ``inner`` hold, for each row of the ring from north to south, the half length of the chord of the
    outer circle and of the part left out (-1 where nothing is). Where fewer than ``least`` of the ``cells`` are known,
    nothing is written.
    """
    ny, nx = z.shape
    reach = outer.size // 2
    wide = nx - 2 * reach
    if wide <= 0:
        return
    height, count, line = np.empty(wide), np.empty(wide), np.empty(nx + 1)
    for i in range(max(first, reach), min(last, ny - reach)):
        height[:] = 0.0
        count[:] = cells
        if missing > 0:
            count[:] = 0.0
        for d in range(outer.size):
            row = i - reach + d
            _add_chord(total_m[row], outer[d], 1.0, reach, nx, height)
            if inner[d] >= 0:
                _add_chord(total_m[row], inner[d], -1.0, reach, nx, height)
            if missing > 0:
                for j in range(nx + 1):
                    line[j] = known[row, j]
                _add_chord(line, outer[d], 1.0, reach, nx, count)
                if inner[d] >= 0:
                    _add_chord(line, inner[d], -1.0, reach, nx, count)
        here, write = z[i, reach : nx - reach], out[i, reach : nx - reach]
        for j in range(wide):
            write[j] = here[j] - height[j] / count[j] if count[j] >= least else np.nan
