"""Loops over cells for the terrain traps: plain arrays and floats in and out. Meaning and units live beside.

Positions are in rows and columns of cell centres; row 0 is north. NaN is no data and stops every line of sight.
"""

from __future__ import annotations

import heapq

import numpy as np
import numpy.typing as npt
from numba import njit

from lastseen.core import FloatArray, IntArray

ByteArray = npt.NDArray[np.int8]


@njit(cache=True, nogil=True)
def _at(z: FloatArray, row: float, col: float) -> float:
    """Bilinear value; NaN off the grid and beside no data."""
    ny, nx = z.shape
    if not (0.0 <= row <= ny - 1.0 and 0.0 <= col <= nx - 1.0):
        return np.nan
    i, j = min(int(row), ny - 2), min(int(col), nx - 2)
    a, b = row - i, col - j
    upper = z[i, j] * (1.0 - b) + z[i, j + 1] * b
    lower = z[i + 1, j] * (1.0 - b) + z[i + 1, j + 1] * b
    return float(upper * (1.0 - a) + lower * a)


@njit(cache=True, nogil=True)
def _lips(
    z: FloatArray,
    row: int,
    rim: int,
    side: int,
    near: IntArray,
    far: IntArray,
    reach_m: FloatArray,
    n: int,
    lean: float,
    score: FloatArray,
    rise: FloatArray,
    blind: FloatArray,
) -> None:
    """Score and rise of the lips of a row on one side: the highest point above a line of gradient ``lean``.

    ``z`` has a rim of no data; ``blind`` turns NaN, and stays so, behind no data. The inner loop runs over cells, so
    that it compiles to vector instructions.
    """
    score[:], rise[:], blind[:] = 0.0, 0.0, 0.0
    height = z[row + rim, rim : rim + score.size]
    for k in range(n):
        a = z[row + rim + side * near[k, 0], rim + side * near[k, 1] :]
        b = z[row + rim + side * far[k, 0], rim + side * far[k, 1] :]
        bar = lean * reach_m[k]
        for j in range(score.size):
            up = 0.5 * (a[j] + b[j]) - height[j]
            blind[j] += 0.0 * up
            above = up - bar + blind[j]
            better = above > score[j]
            score[j] = above if better else score[j]
            rise[j] = up if better else rise[j]


@njit(cache=True, nogil=True)
def cross_sections(
    z: FloatArray,
    rim: int,
    near: IntArray,
    far: IntArray,
    reach_m: FloatArray,
    samples: IntArray,
    lean: float,
    first: int,
    last: int,
    depth_m: FloatArray,
    azimuth: ByteArray,
) -> None:
    """Depth below the lower of two lips, on the azimuth of the shortest and highest crossing.

    ``near`` and ``far`` (azimuth, sample, row/column) are the two cells whose mean is the height at ``reach_m``; the
    other side is the mirror image, so that the depth on any plane is 0. ``samples`` is their number on each azimuth.
    ``z`` has ``rim`` cells of no data on all sides.
    """
    nx = depth_m.shape[1]
    left, left_m, right, right_m, blind, best = np.empty((6, nx))
    for i in range(first, last):
        best[:] = 0.0
        for a in range(samples.size):
            _lips(z, i, rim, 1, near[a], far[a], reach_m[a], samples[a], lean, left, left_m, blind)
            _lips(z, i, rim, -1, near[a], far[a], reach_m[a], samples[a], lean, right, right_m, blind)
            for j in range(nx):
                if min(left[j], right[j]) > best[j]:
                    best[j] = min(left[j], right[j])
                    depth_m[i, j] = min(left_m[j], right_m[j])
                    azimuth[i, j] = a


@njit(cache=True, nogil=True)
def _lip_fine(z: FloatArray, row: float, col: float, dr: float, dc: float, step_m: float, n: int, lean: float) -> int:
    """Steps to the lip along a direction (dr, dc in cells a step); 0 where the ground does not rise.

    Cells round a lip off: within one cell beyond it, ground that still rises half as steeply belongs to the side.
    """
    height, slack = _at(z, row, col), 0.5 * lean * step_m
    rounded = int(np.ceil(1.0 / np.sqrt(dr * dr + dc * dc)))
    score, at = 0.0, 0
    for k in range(1, n + 1):
        s = _at(z, row + k * dr, col + k * dc) - height - lean * k * step_m
        if np.isnan(s):
            break
        if s > score:
            score, at = s, k
    last = min(n, at + rounded) if at > 0 else 0
    while at < last and _at(z, row + (at + 1) * dr, col + (at + 1) * dc) > _at(z, row + at * dr, col + at * dc) + slack:
        at += 1
    return at


@njit(cache=True, nogil=True)
def _crossing(
    z: FloatArray, row: float, col: float, dr: FloatArray, dc: FloatArray, step_m: float, n: int, lean: float
) -> int:
    """Azimuth on which the mean of both sides rises most above ``lean`` (tilt cancels out); -1 where it never does."""
    height = _at(z, row, col)
    score, best = 0.0, -1
    for a in range(dr.size):
        for k in range(1, n + 1):
            both = _at(z, row + k * dr[a], col + k * dc[a]) + _at(z, row - k * dr[a], col - k * dc[a])
            s = 0.5 * both - height - lean * k * step_m
            if np.isnan(s):
                break
            if s > score:
                score, best = s, a
    return best


@njit(cache=True, nogil=True)
def _filled(heights: FloatArray, n: int, step_m: float, area_m2: float, brim: float) -> float:
    """Depth of a level fill of this area in a section of ``n`` heights, at most up to the brim."""
    lowest = np.inf
    for k in range(n):
        lowest = min(lowest, heights[k])
    low, high = lowest, brim
    for _ in range(40):
        level = high if _ == 0 else 0.5 * (low + high)
        area = 0.0
        for k in range(n):
            area += max(0.0, level - heights[k]) * step_m
        if area <= area_m2:
            low = level
        else:
            high = level
        if low >= high:
            break
    return low - lowest


@njit(cache=True, nogil=True)
def gully_sections(
    light: FloatArray,
    raw: FloatArray,
    rows: IntArray,
    cols: IntArray,
    dr: FloatArray,
    dc: FloatArray,
    step_m: float,
    n: int,
    lean: float,
    area_m2: float,
    out: FloatArray,
) -> None:
    """Depth (m), width between lips (m) and whether no side has a lip within reach (0/1), at cells of a bed.

    ``out`` has columns depth, width, openness, one that is left alone, and the depth of a level fill of ``area_m2``.

    ``dr``, ``dc`` are the steps of each azimuth in cells. Lips are sought on the light ground and heights read from the
    raw one: neither smoothing nor extremes of noise change the depth. Rows of ``out`` stay where nothing rises.
    """
    section = np.empty(2 * n + 1)
    for m in range(rows.size):
        r, c = float(rows[m]), float(cols[m])
        a = _crossing(light, r, c, dr, dc, step_m, n, lean)
        if a < 0:
            continue
        left = _lip_fine(light, r, c, dr[a], dc[a], step_m, n, lean)
        right = _lip_fine(light, r, c, -dr[a], -dc[a], step_m, n, lean)
        if left == 0 or right == 0:
            continue
        left_m = _at(raw, r + left * dr[a], c + left * dc[a])
        right_m = _at(raw, r - right * dr[a], c - right * dc[a])
        out[m, 0] = min(left_m, right_m) - _at(raw, r, c)
        out[m, 1] = (left + right if max(left, right) < n else 2 * min(left, right)) * step_m
        out[m, 2] = 1.0 if min(left, right) >= n else 0.0
        for k in range(-right, left + 1):
            section[k + right] = _at(raw, r + k * dr[a], c + k * dc[a])
        out[m, 4] = _filled(section, left + right + 1, step_m, area_m2, min(left_m, right_m))


@njit(cache=True, nogil=True)
def along_fall_line(
    z: FloatArray,
    up_row: FloatArray,
    up_col: FloatArray,
    reach: float,
    counter_reach: float,
    first: int,
    last: int,
    above: FloatArray,
    below: FloatArray,
    counter_m: FloatArray,
) -> None:
    """Drop from ``reach`` cells up the fall line, drop to ``reach`` cells down it, and the rise again beyond the cell.

    Drops and rises are in metres of height; the caller divides by the distance.
    """
    for i in range(first, last):
        for j in range(z.shape[1]):
            ur, uc = up_row[i, j], up_col[i, j]
            if np.isnan(ur) or np.isnan(z[i, j]):
                continue
            above[i, j] = _at(z, i + reach * ur, j + reach * uc) - z[i, j]
            below[i, j] = z[i, j] - _at(z, i - reach * ur, j - reach * uc)
            if not above[i, j] > 0.0:
                continue
            highest = 0.0
            for k in range(1, int(2.0 * counter_reach) + 1):
                rise = _at(z, i - 0.5 * k * ur, j - 0.5 * k * uc) - z[i, j]
                if np.isnan(rise):
                    break
                highest = max(highest, rise)
            counter_m[i, j] = highest


@njit(cache=True, nogil=True)
def behind_banks(
    z: FloatArray,
    up_row: FloatArray,
    up_col: FloatArray,
    rows: IntArray,
    cols: IntArray,
    cell_m: float,
    counter_m: float,
    longest_m: float,
    area_m2: float,
    piled_m: FloatArray,
) -> None:
    """Depth of a level fill of this section area behind the bank that lies within ``counter_m`` down the fall line."""
    ds_m = 0.5 * cell_m
    profile = np.empty(int((longest_m + counter_m) / ds_m) + 2)
    for m in range(rows.size):
        i, j = rows[m], cols[m]
        ur, uc = 0.5 * up_row[i, j], 0.5 * up_col[i, j]
        crest, at = z[i, j], 0
        for k in range(1, int(counter_m / ds_m) + 1):
            ahead = _at(z, i - k * ur, j - k * uc)
            if np.isnan(ahead):
                break
            if ahead > crest:
                crest, at = ahead, k
        n = 0
        for k in range(-at, int(longest_m / ds_m) + 1):
            height = _at(z, i + k * ur, j + k * uc)
            if np.isnan(height) or (k > 0 and height >= crest):
                break
            profile[n] = height
            n += 1
        piled_m[m] = _filled(profile, n, ds_m, area_m2, crest)


@njit(cache=True, nogil=True)
def _flat_reach(
    z: FloatArray, i: int, j: int, dr: float, dc: float, ds_m: float, flat: float, n: int, m: int
) -> tuple[float, float]:
    """Flat distance (m) from a cell along a direction and the mean gradient over the ``m`` steps after its end.

    Two steps are flat when the height changes by less than ``flat`` a metre over them. NaN where the flat does not end.
    """
    previous, height = _at(z, i, j), _at(z, i + dr, j + dc)
    for k in range(1, n + 1):
        ahead = _at(z, i + (k + 1) * dr, j + (k + 1) * dc)
        if np.isnan(ahead):
            return np.nan, np.nan
        if abs(ahead - previous) > 2.0 * ds_m * flat:
            end = _at(z, i + (k + m) * dr, j + (k + m) * dc)
            return k * ds_m, (end - height) / (m * ds_m)
        previous, height = height, ahead
    return np.nan, np.nan


@njit(cache=True, nogil=True)
def benches(
    z: FloatArray,
    up_row: FloatArray,
    up_col: FloatArray,
    cell_m: float,
    ds_m: float,
    longest_m: float,
    beyond_m: float,
    flat: float,
    steep: float,
    first: int,
    last: int,
    out: FloatArray,
) -> None:
    """Depth of the flat along the fall line (m), gradient above and below, at cells of a bench; NaN elsewhere."""
    n, m = int(longest_m / ds_m), int(np.ceil(beyond_m / ds_m))
    k = ds_m / cell_m
    for i in range(first, last):
        for j in range(z.shape[1]):
            ur, uc = up_row[i, j] * k, up_col[i, j] * k
            if np.isnan(ur) or np.isnan(z[i, j]):
                continue
            if not abs(_at(z, i + ur, j + uc) - _at(z, i - ur, j - uc)) <= 2.0 * ds_m * flat:
                continue
            up, above = _flat_reach(z, i, j, ur, uc, ds_m, flat, n, m)
            if not above >= steep:
                continue
            down, below = _flat_reach(z, i, j, -ur, -uc, ds_m, flat, n, m)
            if -below >= steep and up + down <= longest_m:
                out[i, j, 0], out[i, j, 1], out[i, j, 2] = up + down, above, -below


@njit(cache=True, nogil=True)
def _wall_end(z: FloatArray, row: float, col: float, dr: float, dc: float, ds_m: float, keep: float, n: int) -> int:
    """Steps from a place to where the wall ends: where two steps together are gentler than ``keep``."""
    k = 0
    while k < n:
        height, ahead = _at(z, row + k * dr, col + k * dc), _at(z, row + (k + 2) * dr, col + (k + 2) * dc)
        middle = _at(z, row + (k + 1) * dr, col + (k + 1) * dc)
        ends = abs(middle - height) < ds_m * keep and not abs(ahead - height) >= 2.0 * ds_m * keep
        if np.isnan(middle) or ends:
            break
        k += 1
    return k


@njit(cache=True, nogil=True)
def walls(
    z: FloatArray,
    up_row: FloatArray,
    up_col: FloatArray,
    rows: IntArray,
    cols: IntArray,
    cell_m: float,
    ds_m: float,
    keep: float,
    longest_m: float,
    out: FloatArray,
) -> None:
    """Height and run on the map (m) of the wall through each cell along the fall line; the gradient beside it."""
    n, m = int(longest_m / ds_m), int(np.ceil(20.0 / ds_m))
    for a in range(rows.size):
        i, j = rows[a], cols[a]
        dr, dc = up_row[i, j] * ds_m / cell_m, up_col[i, j] * ds_m / cell_m
        if np.isnan(dr):
            continue
        up = _wall_end(z, i, j, dr, dc, ds_m, keep, n)
        down = _wall_end(z, i, j, -dr, -dc, ds_m, keep, n)
        top, foot = _at(z, i + up * dr, j + up * dc), _at(z, i - down * dr, j - down * dc)
        beyond_top = _at(z, i + (up + m) * dr, j + (up + m) * dc) - top
        beyond_foot = foot - _at(z, i - (down + m) * dr, j - (down + m) * dc)
        beside = np.fmax(0.0, np.fmax(beyond_top, beyond_foot)) / (m * ds_m)  # off the known ground nothing is beside
        out[a, 0], out[a, 1], out[a, 2] = top - foot, (up + down) * ds_m, beside


@njit(cache=True, nogil=True)
def energy_lines(z: FloatArray, starts: FloatArray, fall: float, cell_m: float, line_m: FloatArray) -> None:
    """Height of the highest energy line over each cell: it falls by ``fall`` a metre and ends where it meets ground.

    ``starts`` holds the height of a line that begins at a cell, NaN elsewhere. Fills ``line_m``; NaN where none comes.
    Lines run over the sixteen nearest neighbours, so that ways are at most 2.8 % too long.
    """
    ny, nx = z.shape
    queue = [(0.0, 0, 0)]
    queue.pop()
    for i in range(ny):
        for j in range(nx):
            if not np.isnan(starts[i, j]):
                line_m[i, j] = starts[i, j]
                heapq.heappush(queue, (-starts[i, j], i, j))
    while len(queue) > 0:
        height, i, j = heapq.heappop(queue)
        height = -height
        if height < line_m[i, j]:
            continue
        for di in range(-2, 3):
            for dj in range(-2, 3):
                a, b = i + di, j + dj
                if (di == 0 and dj == 0) or (di % 2 == 0 and dj % 2 == 0) or a < 0 or b < 0 or a >= ny or b >= nx:
                    continue
                there = height - fall * cell_m * np.sqrt(di * di + dj * dj)
                if there < z[a, b] or np.isnan(z[a, b]) or there <= line_m[a, b]:
                    continue
                line_m[a, b] = there
                heapq.heappush(queue, (-there, a, b))
