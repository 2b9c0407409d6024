"""Kernels of wide neighbourhoods and of the fall line: plain arrays and floats in and out."""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.core import FloatArray, IntArray

# ---- Kernels of wide neighbourhoods: plain arrays and floats in and out. Meaning, units and checks live beside

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
            centre = z[i, j]
            if not np.isnan(centre):
                height += np.rint(centre * UNIT_PER_M) / UNIT_PER_M
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
        centre, write = z[i, reach : nx - reach], out[i, reach : nx - reach]
        for j in range(wide):
            write[j] = centre[j] - height[j] / count[j] if count[j] >= least else np.nan


# ---- Kernels along the fall line: plain arrays and floats in and out. Meaning, units and checks live beside


@njit(cache=True, nogil=True, error_model="numpy")
def _between(z: FloatArray, i: int, j: int, dr: float, dc: float) -> float:
    """Bilinear height at a distance in cells from a cell; NaN off the grid and beside no data.

    The distance and not the place is split, so that the result does not depend on where the grid begins.
    """
    ny, nx = z.shape
    below, right = np.floor(dr), np.floor(dc)
    v, u = dr - below, dc - right
    r, c = i + int(below), j + int(right)
    r2, c2 = r + (1 if v > 0.0 else 0), c + (1 if u > 0.0 else 0)
    if r < 0 or c < 0 or r2 > ny - 1 or c2 > nx - 1:
        return np.nan
    north, south = z[r, c] * (1.0 - u) + z[r, c2] * u, z[r2, c] * (1.0 - u) + z[r2, c2] * u
    value: float = north * (1.0 - v) + south * v
    return value


@njit(cache=True, nogil=True, error_model="numpy")
def breaks(
    z: FloatArray,
    cell_m: float,
    reach_m: float,
    least: float,
    first: int,
    last: int,
    above: FloatArray,
    below: FloatArray,
) -> None:
    """Mean gradient over ``reach_m`` straight up and straight down the fall line (Horn 1981) of each cell."""
    ny, nx = z.shape
    k = 1.0 / (8.0 * cell_m)
    reach = reach_m / cell_m
    for i in range(max(first, 1), min(last, ny - 1)):
        for j in range(1, nx - 1):
            west = z[i - 1, j - 1] + 2.0 * z[i, j - 1] + z[i + 1, j - 1]
            east = z[i - 1, j + 1] + 2.0 * z[i, j + 1] + z[i + 1, j + 1]
            north = z[i - 1, j - 1] + 2.0 * z[i - 1, j] + z[i - 1, j + 1]
            south = z[i + 1, j - 1] + 2.0 * z[i + 1, j] + z[i + 1, j + 1]
            p, q = (east - west) * k, (north - south) * k
            g = np.sqrt(p * p + q * q)
            if g >= least:
                dr, dc = -q / g * reach, p / g * reach
                centre = z[i, j]
                above[i, j] = (_between(z, i, j, dr, dc) - centre) / reach_m
                below[i, j] = (centre - _between(z, i, j, -dr, -dc)) / reach_m


@njit(cache=True, nogil=True, error_model="numpy")
def _steepest(z: FloatArray, i: int, j: int, sign: float, cell_m: float) -> tuple[int, float]:
    """Neighbour (0 to 7 clockwise from north, -1 for none) that rises (sign 1) or falls (-1) most, and its gradient."""
    ny, nx = z.shape
    best, which = 0.0, -1
    for k in range(8):
        di = (-1, -1, 0, 1, 1, 1, 0, -1)[k]
        dj = (0, 1, 1, 1, 0, -1, -1, -1)[k]
        if 0 <= i + di < ny and 0 <= j + dj < nx:
            far = cell_m if k % 2 == 0 else cell_m * np.sqrt(2.0)
            gradient = sign * (z[i + di, j + dj] - z[i, j]) / far
            if gradient > best:
                best, which = gradient, k
    return which, best


@njit(cache=True, nogil=True, error_model="numpy")
def wall_drop(
    z: FloatArray, cell_m: float, wall: float, longest_m: float, first: int, last: int, out: FloatArray
) -> None:
    """Height of the wall through each cell: up and down steepest steps as long as each is steeper than ``wall``."""
    for i in range(first, last):
        for j in range(z.shape[1]):
            if np.isnan(z[i, j]):
                continue
            ends = 0.0
            for side in range(2):
                sign = 1.0 if side == 0 else -1.0
                r, c, gone = i, j, 0.0
                while True:
                    k, gradient = _steepest(z, r, c, sign, cell_m)
                    gone += cell_m if k % 2 == 0 else cell_m * np.sqrt(2.0)
                    if gradient < wall or gone > longest_m:
                        break
                    r += (-1, -1, 0, 1, 1, 1, 0, -1)[k]
                    c += (0, 1, 1, 1, 0, -1, -1, -1)[k]
                ends += sign * z[r, c]
            out[i, j] = ends
