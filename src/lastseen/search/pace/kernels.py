"""Pace kernels: plain arrays and floats in and out."""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.grid import BoolArray, FloatArray, IntArray


@njit(cache=True, nogil=True)
def _height(z: FloatArray, west_m: float, north_m: float, cell_m: float, x_m: float, y_m: float) -> float:
    ny, nx = z.shape
    col = min(max((x_m - west_m) / cell_m - 0.5, 0.0), nx - 1.0)
    row = min(max((north_m - y_m) / cell_m - 0.5, 0.0), ny - 1.0)
    j = int(col)
    i = int(row)
    j1 = min(j + 1, nx - 1)
    i1 = min(i + 1, ny - 1)
    s = col - j
    t = row - i
    value: float = (1.0 - t) * ((1.0 - s) * z[i, j] + s * z[i, j1]) + t * ((1.0 - s) * z[i1, j] + s * z[i1, j1])
    return value


@njit(cache=True, nogil=True)
def _speed(slope: float, slopes: FloatArray, speeds: FloatArray) -> float:
    """Between the entries of an evenly spaced table; its ends hold beyond."""
    n = slopes.size
    place = (slope - slopes[0]) / (slopes[n - 1] - slopes[0]) * (n - 1)
    k = min(max(int(place), 0), n - 2)
    t = min(max(place - k, 0.0), 1.0)
    value: float = (1.0 - t) * speeds[k] + t * speeds[k + 1]
    return value


@njit(cache=True, nogil=True)
def straight_s(
    ax: float, ay: float, bx: float, by: float, z: FloatArray, west_m: float, north_m: float, cell_m: float,
    slopes: FloatArray, speeds: FloatArray, stretch_m: float,
) -> tuple[float, float]:  # fmt: skip
    """Walking time of a straight leg there and back, slope read over stretches of about ``stretch_m``."""
    length = np.hypot(bx - ax, by - ay)
    n = max(1, int(np.rint(length / stretch_m)))
    d = length / n
    there, back = 0.0, 0.0
    before = _height(z, west_m, north_m, cell_m, ax, ay)
    for k in range(1, n + 1):
        h = _height(z, west_m, north_m, cell_m, ax + k / n * (bx - ax), ay + k / n * (by - ay))
        if d > 0.0:
            slope = (h - before) / d
            way = np.hypot(h - before, d)
            there += way / _speed(slope, slopes, speeds)
            back += way / _speed(-slope, slopes, speeds)
        before = h
    return there, back


@njit(cache=True, nogil=True)
def approach_s(
    x_m: FloatArray, y_m: FloatArray, from_x: float, from_y: float, z: FloatArray, west_m: float, north_m: float,
    cell_m: float, slopes: FloatArray, speeds: FloatArray,
) -> FloatArray:  # fmt: skip
    """Walking time of the straight way from one point to each other."""
    out = np.empty(x_m.size)
    for k in range(x_m.size):
        out[k] = straight_s(from_x, from_y, x_m[k], y_m[k], z, west_m, north_m, cell_m, slopes, speeds, 10.0)[0]
    return out


@njit(cache=True, nogil=True)
def _end_for(
    a: int, limit: float, lane: IntArray, forth: FloatArray, back: FloatArray, approach: FloatArray
) -> tuple[int, bool]:
    """The farthest sample that a part from ``a`` can reach within a time, and whether it is walked from there."""
    best, turned = a, False
    n = forth.size
    for b in range(a + 1, n):
        if b < n - 1 and lane[b - 1] < 0:
            continue
        if approach[a] + forth[b] - forth[a] <= limit:
            best, turned = b, False
        elif approach[b] + back[b] - back[a] <= limit:
            best, turned = b, True
    return best, turned


@njit(cache=True, nogil=True)
def _cut(
    limit: float, lane: IntArray, forth: FloatArray, back: FloatArray, approach: FloatArray, cuts: IntArray,
    turned: BoolArray,
) -> bool:  # fmt: skip
    """Give each searcher as much as fits a time; whether nothing is left."""
    n = forth.size
    a = 0
    for k in range(cuts.shape[0]):
        b, back_first = _end_for(a, limit, lane, forth, back, approach)
        cuts[k, 0], cuts[k, 1] = a, b
        there, other = approach[a] + forth[b] - forth[a], approach[b] + back[b] - back[a]
        turned[k] = other < there if b > a else back_first
        a = b
        while a < n - 1 and lane[a] < 0:
            a += 1
    return a >= n - 1


@njit(cache=True, nogil=True)
def equal_cuts(
    lane: IntArray, forth: FloatArray, back: FloatArray, approach: FloatArray, searchers: int
) -> tuple[IntArray, BoolArray]:
    """First and last sample of each searcher's part, and whether it is walked backwards; the times are alike.

    ``lane[i]`` is the lane between samples i and i + 1 (-1: a join); ``forth`` and ``back`` are times from the first
    sample along the walk and against it.
    """
    cuts = np.zeros((searchers, 2), np.int32)
    turned = np.zeros(searchers, np.bool_)
    low, high = 0.0, approach.max() + max(forth[-1], back[-1]) + 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        if _cut(middle, lane, forth, back, approach, cuts, turned):
            high = middle
        else:
            low = middle
    _cut(high, lane, forth, back, approach, cuts, turned)
    return cuts, turned
