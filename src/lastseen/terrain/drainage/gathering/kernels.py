"""Kernels of flow accumulation: plain arrays and floats in and out. Meaning, units and checks live beside.

Areas are whole numbers, ``CELL`` to a cell, so that sums are exact in any order and nothing is lost where flow splits.
A block of rows is worked by one thread. What flows over the edge of a block waits in its outbox (0 up, 1 down) until
all blocks have stopped.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.grid import BoolArray, FloatArray
from lastseen.terrain.drainage.ways import NOTHING, OFF, ByteArray, LongArray

CELL = 4294967296.0  # 2 to the 32: a grid of 2 thousand million cells still fits
DONE = 255
ONE = np.int64(CELL)
DROW = np.array([-1, -1, 0, 1, 1, 1, 0, -1])
DCOL = np.array([0, 1, 1, 1, 0, -1, -1, -1])
NEARER = np.array([1.0, 0.7071067811865476, 1.0, 0.7071067811865476, 1.0, 0.7071067811865476, 1.0, 0.7071067811865476])


@njit(cache=True, nogil=True)
def _begin(i: int, known: BoolArray, area: LongArray, waiting: ByteArray) -> None:
    """One cell of area where there is ground."""
    for j in range(known.size):
        area[i, j] = ONE if known[j] else 0
        waiting[i, j] = 0


@njit(cache=True, nogil=True)
def way_donors(way: ByteArray, first: int, last: int, area: LongArray, waiting: ByteArray) -> None:
    """Start with one cell of area each; count the neighbours whose way leads here."""
    ny, nx = way.shape
    for i in range(first, last):
        _begin(i, way[i] != NOTHING, area, waiting)
        for k in range(8):
            r, dj, hither = i + DROW[k], DCOL[k], (k + 4) % 8
            if r < 0 or r >= ny:
                continue
            begin, end = max(0, -dj), min(nx, nx - dj)
            there, line = way[r, begin + dj : end + dj], waiting[i, begin:end]
            for j in range(end - begin):
                line[j] += np.uint8(there[j] == hither)
        for j in range(nx):
            waiting[i, j] = DONE if way[i, j] == NOTHING else waiting[i, j]


@njit(cache=True, nogil=True)
def facet_donors(octant: FloatArray, first: int, last: int, area: LongArray, waiting: ByteArray) -> None:
    """Start with one cell of area each; count the neighbours a share of which flows here."""
    ny, nx = octant.shape
    for i in range(first, last):
        own = octant[i]
        _begin(i, ~np.isnan(own), area, waiting)
        for k in range(8):
            r, dj, hither = i + DROW[k], DCOL[k], float((k + 4) % 8)
            if r < 0 or r >= ny:
                continue
            begin, end = max(0, -dj), min(nx, nx - dj)
            there, line = octant[r, begin + dj : end + dj], waiting[i, begin:end]
            for j in range(end - begin):
                off = there[j] - hither
                off = off - 8.0 if off > 7.0 else off
                line[j] += np.uint8((off > -1.0) & (off < 1.0))
        for j in range(nx):
            waiting[i, j] = DONE if np.isnan(own[j]) else waiting[i, j]


@njit(cache=True, nogil=True)
def slope_donors(z: FloatArray, way: ByteArray, first: int, last: int, area: LongArray, waiting: ByteArray) -> None:
    """Start with one cell of area each; count the higher neighbours, and those on the flat whose way leads here."""
    ny, nx = z.shape
    for i in range(first, last):
        _begin(i, way[i] != NOTHING, area, waiting)
        for k in range(8):
            r, dj, hither = i + DROW[k], DCOL[k], (k + 4) % 8
            if r < 0 or r >= ny:
                continue
            begin, end = max(0, -dj), min(nx, nx - dj)
            there, onward = z[r, begin + dj : end + dj], way[r, begin + dj : end + dj]
            here, line = z[i, begin:end], waiting[i, begin:end]
            for j in range(end - begin):
                line[j] += np.uint8((there[j] > here[j]) | ((there[j] == here[j]) & (onward[j] == hither)))
        for j in range(nx):
            waiting[i, j] = DONE if way[i, j] == NOTHING else waiting[i, j]


@njit(cache=True, nogil=True)
def _steps(nx: int) -> LongArray:
    """Steps to the eight neighbours in flat indices."""
    step = np.empty(8, np.int64)
    for k in range(8):
        step[k] = DROW[k] * nx + DCOL[k]
    return step


@njit(cache=True, nogil=True)
def _leave(to: int, begin: int, nx: int, share: np.int64, out: LongArray, told: LongArray) -> None:
    """Leave a share in the outbox for the row above (0) or below (1) the block."""
    side = 0 if to < begin else 1
    out[side, to % nx] += share
    told[side, to % nx] += 1


@njit(cache=True, nogil=True)
def add_ways(
    way: ByteArray,
    first: int,
    last: int,
    rows: LongArray,
    area: LongArray,
    waiting: ByteArray,
    out: LongArray,
    told: LongArray,
) -> None:
    """Add up areas along single ways, from the cells of some ``rows`` of the block that wait for nothing."""
    nx = way.shape[1]
    step, begin, end = _steps(nx), first * nx, last * nx
    ways, areas, left = way.ravel(), area.ravel(), waiting.ravel()
    for i in rows:
        for start in range(i * nx, i * nx + nx):
            at = start
            while left[at] == 0:
                left[at] = DONE
                k = ways[at]
                if k >= OFF:
                    break
                to = at + step[k]
                if to < begin or to >= end:
                    _leave(to, begin, nx, areas[at], out, told)
                    break
                areas[to] += areas[at]
                left[to] -= 1
                at = to


@njit(cache=True, nogil=True)
def add_facets(
    octant: FloatArray,
    first: int,
    last: int,
    rows: LongArray,
    area: LongArray,
    waiting: ByteArray,
    out: LongArray,
    told: LongArray,
) -> None:
    """Add up areas that split between the two neighbours beside an azimuth."""
    nx = octant.shape[1]
    step, begin, end = _steps(nx), first * nx, last * nx
    azimuths, areas, left = octant.ravel(), area.ravel(), waiting.ravel()
    stack = np.empty(1024, np.int64)
    for i in rows:
        for start in range(i * nx, i * nx + nx):
            if left[start] != 0:
                continue
            stack[0], n = start, 1
            while n > 0:
                n -= 1
                at = stack[n]
                left[at] = DONE
                azimuth = azimuths[at]
                if azimuth < 0.0:
                    continue
                k = int(azimuth)
                turned = azimuth - k
                share = np.int64(areas[at] * turned)
                if n + 2 > stack.size:
                    stack = np.append(stack, np.empty(stack.size, np.int64))
                for side in range(2 if turned > 0.0 else 1):
                    to = at + step[(k + side) % 8]
                    given = areas[at] - share if side == 0 else share
                    if to < begin or to >= end:
                        _leave(to, begin, nx, given, out, told)
                        continue
                    areas[to] += given
                    left[to] -= 1
                    if left[to] == 0:
                        stack[n] = to
                        n += 1


@njit(cache=True, nogil=True, error_model="numpy")
def _lower(
    z: FloatArray, at: int, shape: tuple[int, int], step: LongArray, scale: float, to: LongArray, weight: FloatArray
) -> int:
    """Lower neighbours and their gradients times ``scale``; how many there are."""
    r, n, e = at // shape[1], 0, z[at]
    c = at - r * shape[1]
    if 0 < r < shape[0] - 1 and 0 < c < shape[1] - 1:
        for k in range(8):  # written to the next place always, which counts only where the neighbour is lower
            drop = e - z[at + step[k]]
            to[n], weight[n] = at + step[k], drop * NEARER[k] * scale
            n += drop > 0.0
        return n
    for k in range(8):
        if 0 <= r + DROW[k] < shape[0] and 0 <= c + DCOL[k] < shape[1] and e > z[at + step[k]]:
            to[n], weight[n] = at + step[k], (e - z[at + step[k]]) * NEARER[k] * scale
            n += 1
    return n


@njit(cache=True, nogil=True, error_model="numpy")
def add_slopes(
    z: FloatArray,
    way: ByteArray,
    exponent: float,
    first: int,
    last: int,
    rows: LongArray,
    area: LongArray,
    waiting: ByteArray,
    out: LongArray,
    told: LongArray,
) -> None:
    """Add up areas that split among all lower neighbours by a power of the gradient; on flats they keep to one way."""
    ny, nx = z.shape
    step, begin, end = _steps(nx), first * nx, last * nx
    heights, ways, areas, left = z.ravel(), way.ravel(), area.ravel(), waiting.ravel()
    stack = np.empty(1024, np.int64)
    weight, to = np.empty(8), np.empty(8, np.int64)
    for i in rows:
        for start in range(i * nx, i * nx + nx):
            if left[start] != 0:
                continue
            stack[0], n = start, 1
            while n > 0:
                n -= 1
                at = stack[n]
                left[at] = DONE
                k = ways[at]
                if k >= OFF:
                    continue
                to[0], weight[0], lower, total = at + step[k], 1.0, 1, 1.0
                steepest = (heights[at] - heights[to[0]]) * NEARER[k]
                if steepest > 0.0:  # gradients are shares of it, so that no power overflows
                    lower = _lower(heights, at, (ny, nx), step, 1.0 / steepest, to, weight)
                    total = 0.0
                    for one in range(lower):
                        weight[one] = weight[one] if exponent == 1.0 else weight[one] ** exponent
                        total += weight[one]
                if n + 8 > stack.size:
                    stack = np.append(stack, np.empty(stack.size, np.int64))
                rest, scale = areas[at], areas[at] / total
                for one in range(lower):
                    share = np.int64(weight[one] * scale)
                    rest -= share
                    weight[one] = share
                for one in range(lower):
                    share = np.int64(weight[one]) if to[one] != at + step[k] else np.int64(weight[one]) + rest
                    if to[one] < begin or to[one] >= end:
                        _leave(to[one], begin, nx, share, out, told)
                        continue
                    areas[to[one]] += share
                    left[to[one]] -= 1
                    if left[to[one]] == 0:
                        stack[n] = to[one]
                        n += 1


@njit(cache=True, nogil=True)
def take_in(row: int, out: LongArray, told: LongArray, area: LongArray, waiting: ByteArray) -> int:
    """Take what a neighbouring block has left for a row, and empty its outbox; how many cells wait for nothing now."""
    ready = 0
    for j in range(area.shape[1]):
        if told[j] > 0:
            area[row, j] += out[j]
            waiting[row, j] -= told[j]
            ready += waiting[row, j] == 0
            out[j], told[j] = 0, 0
    return ready


@njit(cache=True, nogil=True, error_model="numpy")
def heads(way: ByteArray, area_m2: FloatArray, least_m2: float, first: int, last: int, kind: ByteArray) -> None:
    """1 where a channel runs, 2 where it begins, 0 elsewhere: a head is a cell of a channel that no other runs into."""
    ny, nx = way.shape
    for i in range(first, last):
        for j in range(nx):
            if way[i, j] == NOTHING:
                kind[i, j] = NOTHING
                continue
            kind[i, j] = 0
            if not area_m2[i, j] >= least_m2:
                continue
            kind[i, j] = 2
            for k in range(8):
                r, c = i + DROW[k], j + DCOL[k]
                inside = 0 <= r < ny and 0 <= c < nx
                if inside and way[r, c] == (k + 4) % 8 and area_m2[r, c] >= least_m2:
                    kind[i, j] = 1


@njit(cache=True, nogil=True)
def in_area(area: LongArray, z: FloatArray, scale: float, first: int, last: int, out: FloatArray) -> None:
    """Whole numbers to areas, NaN at no data; ``out`` may be the same memory."""
    for i in range(first, last):
        for j in range(area.shape[1]):
            whole = area[i, j]
            out[i, j] = np.nan if np.isnan(z[i, j]) else whole * scale
