"""Kernels that look for heights that are none: plain arrays and floats in and out. Meaning lives beside.

Rows and columns are cells of the file. No data is NaN. Inner loops have no branches, so that several cells are worked
on at once; the few cells that stand out are looked at singly afterwards.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from lastseen.core import FloatArray

LongArray = npt.NDArray[np.int64]
ByteArray = npt.NDArray[np.uint8]
SIDE = 64  # of a block of cells, and of a piece of a line


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"})
def tally(
    z: FloatArray,
    first: int,
    last: int,
    steps: tuple[float, float, float, float],
    counts: LongArray,
    sums: FloatArray,
    range_m: FloatArray,
    far: FloatArray,
    rough: LongArray,
    equal: LongArray,
) -> None:
    """Count and sum over the rows first..last.

    ``steps``: metres of a cell east and north, the residual that counts as rough, the squared slope that counts as
    steep. ``counts``: known cells, whole heights, cells with a slope, steep ones. ``sums``: squares and numbers of
    differences over 1, 8 and 32 cells along every fourth row. ``range_m``: the lowest and the highest height of each
    column. For each block of cells: ``far`` the greatest residual from the four cells beside and the sum of all,
    ``rough`` and ``equal`` the numbers of rough cells and of squares of four equal heights, and in the second half of
    ``rough`` the cells with a residual.
    """
    ny, nx = z.shape
    dx, dy, rough_m, steep = steps
    blocks = (nx + SIDE - 1) // SIDE
    for i in range(first, last):
        row = z[i]
        known, whole = 0, 0
        for j in range(nx):
            known += not np.isnan(row[j])
            whole += row[j] == np.rint(row[j])
            range_m[0, j] = row[j] if row[j] < range_m[0, j] else range_m[0, j]
            range_m[1, j] = row[j] if row[j] > range_m[1, j] else range_m[1, j]
        counts[0] += known
        counts[1] += whole
        if i % 4 == 0:
            for k, lag in enumerate((1, 8, 32)):
                total, number = 0.0, 0
                for j in range(nx - lag):
                    step = row[j + lag] - row[j]
                    there = not np.isnan(step)
                    total += step * step if there else 0.0
                    number += there
                sums[2 * k] += total
                sums[2 * k + 1] += number
        if i < 1 or i >= ny - 1:
            continue
        above, below = z[i - 1], z[i + 1]
        at = i // SIDE
        for b in range(blocks):
            greatest, total, many, judged, flat, sloped, steeper = 0.0, 0.0, 0, 0, 0, 0, 0
            for j in range(max(1, b * SIDE), min(nx - 1, (b + 1) * SIDE)):
                residual = abs(row[j] - 0.25 * (row[j - 1] + row[j + 1] + above[j] + below[j]))
                there = not np.isnan(residual)
                greatest = max(greatest, residual if there else 0.0)
                total += residual if there else 0.0
                many += residual > rough_m
                judged += there
                flat += (row[j] == row[j + 1]) & (row[j] == below[j]) & (row[j] == below[j + 1])
                p, q = (row[j + 1] - row[j - 1]) / (2.0 * dx), (above[j] - below[j]) / (2.0 * dy)
                slope = p * p + q * q
                sloped += not np.isnan(slope)
                steeper += slope > steep
            far[0, at, b] = max(far[0, at, b], greatest)
            far[1, at, b] += total
            rough[at, b] += many
            rough[at, blocks + b] += judged
            equal[at, b] += flat
            counts[2] += sloped
            counts[3] += steeper


@njit(cache=True, nogil=True, error_model="numpy")
def beside_extremes(z: FloatArray, lowest_m: float, highest_m: float, counts: LongArray, beside_m: FloatArray) -> None:
    """How many cells have exactly the lowest and the highest height, and the next height of each column to them."""
    ny, nx = z.shape
    for i in range(ny):
        row = z[i]
        at_lowest, at_highest = 0, 0
        for j in range(nx):
            e = row[j]
            at_lowest += e == lowest_m
            at_highest += e == highest_m
            beside_m[0, j] = e if (e > lowest_m) & (e < beside_m[0, j]) else beside_m[0, j]
            beside_m[1, j] = e if (e < highest_m) & (e > beside_m[1, j]) else beside_m[1, j]
        counts[0] += at_lowest
        counts[1] += at_highest


@njit(cache=True, nogil=True, error_model="numpy")
def lone_cells(
    z: FloatArray, first: int, last: int, far: FloatArray, least: FloatArray, spreads: float, out: FloatArray
) -> int:
    """Write row, column and residual of cells that stand alone off a surface that agrees about them.

    The surface at a cell is the median of the means of its four pairs of opposite neighbours: what a plane or any odd
    surface has there. One pair may be wrong, but not by as much as the cell. ``least``: the least residual in each
    block, metres; ``spreads``: and by how many spreads of the other pairs. ``far``: the greatest in each block. At
    most two neighbours lie with it. Returns how many there are; only as many are written as ``out`` holds.
    """
    ny, nx = z.shape
    found = 0
    pairs = np.empty(4)
    for i in range(max(1, first), min(last, ny - 1)):
        for b in range((nx + SIDE - 1) // SIDE):
            least_m = least[i // SIDE, b]
            if far[i // SIDE, b] <= 0.7 * least_m:
                continue
            for j in range(max(1, b * SIDE), min(nx - 1, (b + 1) * SIDE)):
                e = z[i, j]
                if np.isnan(e):
                    continue
                number = 0
                for di, dj in ((0, 1), (1, 0), (1, 1), (1, -1)):
                    middle = 0.5 * (z[i - di, j - dj] + z[i + di, j + dj])
                    if not np.isnan(middle):
                        k = number
                        while k > 0 and pairs[k - 1] > middle:
                            pairs[k] = pairs[k - 1]
                            k -= 1
                        pairs[k] = middle
                        number += 1
                if number < 3:
                    continue
                surface = 0.5 * (pairs[1] + pairs[2]) if number == 4 else pairs[1]
                spread = min(pairs[number - 2] - pairs[0], pairs[number - 1] - pairs[1])
                residual = e - surface
                off = abs(residual)
                if not (off > least_m and off > spreads * spread and off > 1.2 * (pairs[number - 1] - pairs[0])):
                    continue
                beside, apart = 0, 0
                for r in range(i - 1, i + 2):
                    for c in range(j - 1, j + 2):
                        step = (e - z[r, c]) * np.sign(residual)
                        beside += not np.isnan(step)
                        apart += step > 0.5 * off
                if apart >= beside - 1 - 2:  # all but two of them; the cell itself is counted in
                    if found < out.shape[0]:
                        out[found, 0], out[found, 1], out[found, 2] = i, j, residual
                    found += 1
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def plateaus(
    z: FloatArray, equal: LongArray, least: tuple[float, float], state: ByteArray, stack: LongArray, out: FloatArray
) -> int:
    """Patches of one exact height with four equal cells in a square, and how their rim lies to them.

    ``least``: how far the rim must lie below, or above, to count. Only patches with such a cell beside a square of
    four are followed. ``state`` (zeros, shape of z) and ``stack`` (size of z) are working room. Writes row, column,
    cells, rim cells, rim cells that lie lower, higher, and the mean difference of those that count, metres.
    """
    ny, nx = z.shape
    low_m, high_m = least
    found = 0
    for b0 in range(equal.shape[0]):
        for b1 in range(equal.shape[1]):
            if equal[b0, b1] == 0:
                continue
            for i in range(b0 * SIDE, min(ny - 1, (b0 + 1) * SIDE)):
                for j in range(b1 * SIDE, min(nx - 1, (b1 + 1) * SIDE)):
                    e = z[i, j]
                    if state[i, j] or not (e == z[i, j + 1] and e == z[i + 1, j] and e == z[i + 1, j + 1]):
                        continue
                    edge = False
                    for r in range(max(0, i - 1), min(ny, i + 3)):
                        for c in range(max(0, j - 1), min(nx, j + 3)):
                            edge |= z[r, c] < e - low_m or z[r, c] > e + high_m
                    if not edge:
                        continue
                    size, cells, rim, low, high, total = 1, 0, 0, 0, 0, 0.0
                    stack[0], state[i, j] = i * nx + j, 1
                    while size > 0:
                        size -= 1
                        r0, c0 = stack[size] // nx, stack[size] % nx
                        cells += 1
                        for r in range(max(0, r0 - 1), min(ny, r0 + 2)):
                            for c in range(max(0, c0 - 1), min(nx, c0 + 2)):
                                there = z[r, c]
                                if there == e:
                                    if state[r, c] == 0 and (r == r0 or c == c0):
                                        state[r, c] = 1
                                        stack[size] = r * nx + c
                                        size += 1
                                elif not np.isnan(there):
                                    # A rim cell beside several cells counts for each of them.
                                    rim += 1
                                    low += there < e - low_m
                                    high += there > e + high_m
                                    if there < e - low_m or there > e + high_m:
                                        total += abs(there - e)
                    if found < out.shape[0]:
                        out[found, 0], out[found, 1], out[found, 2], out[found, 3] = i, j, cells, rim
                        out[found, 4], out[found, 5], out[found, 6] = low, high, total / max(1, low + high)
                    found += 1
    return found


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"})
def steps_between_columns(z: FloatArray, first: int, last: int, out: FloatArray) -> None:
    """Sums over the rows first..last of how far each column boundary steps off the slopes on both sides of it.

    A column of ``out`` is the boundary east of that column; its rows are the sum, the sum of the absolute values, and
    the numbers of positive and of all steps.
    """
    nx = z.shape[1]
    for i in range(first, last):
        row = z[i]
        for j in range(1, nx - 2):
            step = 1.5 * (row[j + 1] - row[j]) + 0.5 * (row[j - 1] - row[j + 2])
            there = not np.isnan(step)
            out[0, j] += step if there else 0.0
            out[1, j] += abs(step) if there else 0.0
            out[2, j] += 1.0 if step > 0.0 else 0.0
            out[3, j] += 1.0 if there else 0.0


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"})
def steps_between_rows(z: FloatArray, first: int, last: int, out: FloatArray) -> None:
    """The same for the boundaries south of rows, for pieces of ``SIDE`` columns: shape (4, pieces, ny)."""
    ny, nx = z.shape
    for i in range(max(1, first), min(last, ny - 2)):
        before, row, following, after = z[i - 1], z[i], z[i + 1], z[i + 2]
        for b in range(out.shape[1]):
            total, size, positive, number = 0.0, 0.0, 0, 0
            for j in range(b * SIDE, min(nx, (b + 1) * SIDE)):
                step = 1.5 * (following[j] - row[j]) + 0.5 * (before[j] - after[j])
                there = not np.isnan(step)
                total += step if there else 0.0
                size += abs(step) if there else 0.0
                positive += step > 0.0
                number += there
            out[0, b, i], out[1, b, i], out[2, b, i], out[3, b, i] = total, size, positive, number


@njit(cache=True, nogil=True, error_model="numpy")
def repeated_rows(z: FloatArray, out: LongArray) -> None:
    """How many known cells of each row equal those of the row above; 0 as soon as a pair of cells differs.

    Rows of one single height count as different: a lake repeats itself.
    """
    ny, nx = z.shape
    for i in range(1, ny):
        number, lowest, highest = 0, np.inf, -np.inf
        for j in range(nx):
            e, above = z[i, j], z[i - 1, j]
            if np.isnan(e) and np.isnan(above):
                continue
            if e != above:
                number = 0
                break
            number += 1
            lowest, highest = min(lowest, e), max(highest, e)
        out[i] = number if highest > lowest else 0


@njit(cache=True, nogil=True, error_model="numpy")
def repeated_columns(z: FloatArray, out: LongArray) -> None:
    """The same for columns, each against the one to its left."""
    ny, nx = z.shape
    alike = np.ones(nx, np.bool_)
    lowest, highest = np.full(nx, np.inf), np.full(nx, -np.inf)
    alike[0] = False
    for i in range(ny):
        still = 0
        for j in range(1, nx):
            if not alike[j]:
                continue
            e, before = z[i, j], z[i, j - 1]
            if e == before:
                out[j] += 1
                lowest[j], highest[j] = min(lowest[j], e), max(highest[j], e)
            elif not (np.isnan(e) and np.isnan(before)):
                alike[j] = False
            still += alike[j]
        if still == 0:
            break
    for j in range(nx):
        out[j] = out[j] if alike[j] and highest[j] > lowest[j] else 0


@njit(cache=True, nogil=True, error_model="numpy")
def steps_between_files(z: FloatArray, owner: ByteArray, out: FloatArray) -> int:
    """Write how far heights step off the slopes on both sides where the next cell comes from another file.

    ``owner`` is the number of the file that gave the cell. Writes row, column, both numbers and the step, from the
    lower number to the higher; returns how many were found. Only as many are written as ``out`` holds.
    """
    ny, nx = z.shape
    found = 0
    for i in range(ny):
        for j in range(nx):
            for di, dj in ((0, 1), (1, 0)):
                r, c = i + di, j + dj
                if r + di >= ny or c + dj >= nx or i - di < 0 or j - dj < 0 or owner[i, j] == owner[r, c]:
                    continue
                step = 1.5 * (z[r, c] - z[i, j]) + 0.5 * (z[i - di, j - dj] - z[r + di, c + dj])
                if np.isnan(step):
                    continue
                if found < out.shape[0]:
                    low, high = min(owner[i, j], owner[r, c]), max(owner[i, j], owner[r, c])
                    out[found, 0], out[found, 1], out[found, 2], out[found, 3] = i, j, low, high
                    out[found, 4] = step if owner[i, j] == low else -step
                found += 1
    return found
