"""Pace kernels: plain arrays and floats in and out."""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.core import BoolArray, FloatArray, IntArray


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
def equal_cuts(
    ends: IntArray, begins: IntArray, inside: BoolArray, forth: FloatArray, back: FloatArray, far: FloatArray,
    approach: FloatArray, searchers: int, by_end: int, slack: float, halving: float,
) -> tuple[IntArray, BoolArray]:  # fmt: skip
    """First and last sample of each searcher's part of a walk, and whether it is walked backwards.

    With ``by_end`` not searching times but the times at which the parts end, approach included, are shared out.

    First the least searching time that the busiest must have; then, with none busier than ``1 + slack`` of it, parts
    that come as near to that as can be (least sum of squares). Place i of a cut is sample ``ends[i]`` for the part
    before and ``begins[i]`` for the part after it; ``inside`` says that it halves a lane, which counts as ``halving``
    of a mean share squared. ``forth`` and ``back`` are times from the first sample along the walk and against it,
    ``far`` what of that goes into walking between places far apart, which is not searching; ``approach`` is the time
    from the start to each sample.
    """
    m = ends.size
    mean = (forth[-1] - far[-1]) / searchers
    work = np.full((m, m), np.inf)
    for i in range(m):
        for j in range(i + 1, m):
            a, b = begins[i], ends[j]
            if by_end:
                work[i, j] = min(approach[b] + back[b] - back[a], approach[a] + forth[b] - forth[a])
            else:
                work[i, j] = min(back[b] - back[a], forth[b] - forth[a]) - (far[b] - far[a])
    busiest = work[0].copy()
    for _ in range(1, searchers):
        following = np.full(m, np.inf)
        for j in range(1, m):
            for i in range(1, j):
                following[j] = min(following[j], max(busiest[i], work[i, j]))
        busiest = following
    limit = (1.0 + slack) * busiest[m - 1] + 1e-6
    turned = np.zeros((m, m), np.bool_)
    for i in range(m):
        for j in range(i + 1, m):
            a, b = begins[i], ends[j]
            there, other = forth[b] - forth[a], back[b] - back[a]
            sooner = approach[b] + other < approach[a] + there
            turned[i, j] = sooner
            if by_end:
                continue
            if (other if sooner else there) - (far[b] - far[a]) > limit:
                turned[i, j] = not sooner
            work[i, j] = (other if turned[i, j] else there) - (far[b] - far[a])
    total = np.where(work[0] <= limit, (limit - work[0]) ** 2, np.inf)
    came = np.zeros((searchers, m), np.int32)
    for k in range(1, searchers):
        following = np.full(m, np.inf)
        for j in range(1, m):
            for i in range(1, j):
                if work[i, j] <= limit:
                    value = total[i] + (limit - work[i, j]) ** 2 + (halving * mean**2 if inside[i] else 0.0)
                    if value < following[j]:
                        following[j] = value
                        came[k, j] = i
        total = following
    cuts = np.zeros((searchers, 2), np.int32)
    backwards = np.zeros(searchers, np.bool_)
    j = m - 1
    for k in range(searchers - 1, -1, -1):
        i = came[k, j]
        a, b = begins[i], ends[j]
        cuts[k, 0], cuts[k, 1] = a, b
        backwards[k] = turned[i, j]
        j = i
    return cuts, backwards
