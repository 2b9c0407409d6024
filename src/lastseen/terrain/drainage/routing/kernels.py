"""Kernels of flow directions: plain arrays and floats in and out. Meaning, units and checks live beside.

Neighbours are counted 0 to 7 clockwise from north; 8 leaves the ground, 9 is a flat or a pit, 255 is no data.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.grid import FloatArray, IntArray
from lastseen.terrain.drainage.ways import FLAT, NOTHING, OFF, ByteArray

DROW = np.array([-1, -1, 0, 1, 1, 1, 0, -1])
DCOL = np.array([0, 1, 1, 1, 0, -1, -1, -1])
NEARER = np.array([1.0, 0.7071067811865476, 1.0, 0.7071067811865476, 1.0, 0.7071067811865476, 1.0, 0.7071067811865476])
STRAIGHT_FIRST = np.array([0, 2, 4, 6, 1, 3, 5, 7])
EIGHTH = 1.2732395447351628  # eighths of a turn in a radian
QUEUED = 10  # a cell of a flat that is asked in the next ring


@njit(cache=True, nogil=True, error_model="numpy")
def _arctan(x: float) -> float:
    """Arc tangent of 0 <= x <= 1, radians, to the last bit or two (Cephes; Moshier 1989)."""
    mid = x > 0.66
    y = (x - 1.0) / (x + 1.0) if mid else x
    s = y * y
    p = -8.750608600031904122785e-1 * s - 1.615753718733365076637e1
    p = ((p * s - 7.500855792314704667340e1) * s - 1.228866684490136173410e2) * s - 6.485021904942025371773e1
    q = (s + 2.485846490142306297962e1) * s + 1.650270098316988542046e2
    q = ((q * s + 4.328810604912902668951e2) * s + 4.853903996359136964868e2) * s + 1.945506571482613964425e2
    return (0.7853981633974483 if mid else 0.0) + (y * (s * p / q) + y)


@njit(cache=True, nogil=True, error_model="numpy")
def steepest(z: FloatArray, first: int, last: int, way: ByteArray) -> None:
    """The neighbour of the steepest descent; the first clockwise from north of several that are as steep."""
    ny, nx = z.shape
    best = np.empty(nx)
    for i in range(first, last):
        here, line = z[i], way[i]
        best[:] = 0.0
        line[:] = OFF if i in {0, ny - 1} else FLAT
        line[0], line[nx - 1] = OFF, OFF
        for k in range(8):
            r, dj = i + DROW[k], DCOL[k]
            if r < 0 or r >= ny:
                continue
            begin, end, nearer = max(0, -dj), min(nx, nx - dj), NEARER[k]
            own, there = here[begin:end], z[r, begin + dj : end + dj]
            most, to = best[begin:end], line[begin:end]
            for j in range(end - begin):
                fall = (own[j] - there[j]) * nearer
                closed = OFF if to[j] == FLAT and np.isnan(fall) else to[j]  # beside no data the ground is open
                to[j] = k if fall > most[j] else closed
                most[j] = fall if fall > most[j] else most[j]
        for j in range(nx):
            line[j] = NOTHING if np.isnan(here[j]) else line[j]


@njit(cache=True, nogil=True)
def cross_flats(z: FloatArray, way: ByteArray, flat: IntArray) -> int:
    """Lead each cell of a flat by the fewest steps to ground of its height that drains; how many cells were led.

    Rings grow from where the flat drains. Of several neighbours on the ring before, the straight ones come first, then
    clockwise from north. ``flat`` holds the flat indices of all cells that have no way.
    """
    ny, nx = z.shape
    ring, ways = np.empty(flat.size, np.int32), np.empty(flat.size, np.uint8)
    asked, count, led = flat.copy(), flat.size, 0
    while count > 0:
        n = 0
        for index in range(count):
            i, j = asked[index] // nx, asked[index] % nx
            for turn in range(8):
                k = STRAIGHT_FIRST[turn]
                r, c = i + DROW[k], j + DCOL[k]
                if 0 <= r < ny and 0 <= c < nx and way[r, c] <= OFF and z[r, c] == z[i, j]:
                    ring[n], ways[n] = asked[index], k
                    n += 1
                    break
        for index in range(n):
            way[ring[index] // nx, ring[index] % nx] = ways[index]
        led += n
        count = 0
        for index in range(n):
            i, j = ring[index] // nx, ring[index] % nx
            for k in range(8):
                r, c = i + DROW[k], j + DCOL[k]
                if 0 <= r < ny and 0 <= c < nx and way[r, c] == FLAT and z[r, c] == z[i, j]:
                    way[r, c] = QUEUED
                    asked[count] = r * nx + c
                    count += 1
    return led


@njit(cache=True, nogil=True, error_model="numpy")
def _facet(
    e: float,
    straight: float,
    corner: float,
    at: float,
    side: float,
    best: float,
    up: float,
    on: float,
    base: float,
    turn: float,
) -> tuple[float, float, float, float, float]:
    """Keep the steeper of the facet so far and this one: squared gradient, its two parts, azimuth and sense of turn."""
    ahead, across = e - straight, straight - corner
    past = across > ahead
    across = 0.0 if across < 0.0 else across  # the facet falls most along its straight edge
    ahead = 0.5 * (e - corner) if past else ahead  # ... or along its diagonal, (e - corner) / sqrt 2 in all
    across = ahead if past else across
    steep = ahead * ahead + across * across
    better = ahead > 0.0 and steep > best
    return (
        steep if better else best,
        across if better else up,
        ahead if better else on,
        at if better else base,
        side if better else turn,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def facets(z: FloatArray, way: ByteArray, first: int, last: int, octant: FloatArray) -> None:
    """Azimuth of the steepest of eight facets (Tarboton 1997) in eighths of a turn from north, 0 to 8.

    Where no facet falls, the way of the steepest neighbour or across the flat; -1 leaves the ground or ends; NaN is no
    data.
    """
    ny, nx = z.shape
    for i in range(first, last):
        line, ways = octant[i], way[i]
        if i in {0, ny - 1}:
            for j in range(nx):
                line[j] = _facets_on_rim(z, i, j, ways[j])
            continue
        line[0], line[nx - 1] = _facets_on_rim(z, i, 0, ways[0]), _facets_on_rim(z, i, nx - 1, ways[nx - 1])
        above, here, below = z[i - 1], z[i], z[i + 1]
        for j in range(1, nx - 1):
            e, n, s, w, ea = here[j], above[j], below[j], here[j - 1], here[j + 1]
            nw, ne, sw, se = above[j - 1], above[j + 1], below[j - 1], below[j + 1]
            best, up, on, base, turn = _facet(e, n, ne, 0.0, 1.0, 0.0, 0.0, 1.0, -1.0, 0.0)
            best, up, on, base, turn = _facet(e, ea, ne, 2.0, -1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, ea, se, 2.0, 1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, s, se, 4.0, -1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, s, sw, 4.0, 1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, w, sw, 6.0, -1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, w, nw, 6.0, 1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, n, nw, 8.0, -1.0, best, up, on, base, turn)
            azimuth = base + turn * _arctan(up / on) * EIGHTH
            azimuth = 0.0 if azimuth >= 8.0 else azimuth
            k = ways[j]
            level = -1.0 if k >= OFF else float(k)
            level = np.nan if k == NOTHING else level
            line[j] = azimuth if best > 0.0 else level


@njit(cache=True, nogil=True, error_model="numpy")
def _facets_on_rim(z: FloatArray, i: int, j: int, way: int) -> float:
    """The same for a cell of the outer frame: the facets that are whole."""
    ny, nx = z.shape
    best, up, on, base, turn = 0.0, 0.0, 1.0, -1.0, 0.0
    for facet in range(8):
        straight, corner = ((facet + 1) // 2 * 2) % 8, facet // 2 * 2 + 1
        r, c, y, x = i + DROW[straight], j + DCOL[straight], i + DROW[corner], j + DCOL[corner]
        if 0 <= r < ny and 0 <= c < nx and 0 <= y < ny and 0 <= x < nx:
            at = 8.0 if facet == 7 else float(straight)
            side = 1.0 if facet % 2 == 0 else -1.0
            best, up, on, base, turn = _facet(z[i, j], z[r, c], z[y, x], at, side, best, up, on, base, turn)
    if best > 0.0:
        azimuth = base + turn * _arctan(up / on) * EIGHTH
        return 0.0 if azimuth >= 8.0 else azimuth
    if way >= OFF:
        return np.nan if way == NOTHING else -1.0
    return float(way)
