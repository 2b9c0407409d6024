"""Kernels of drainage: plain arrays and floats in and out. Meaning, units and checks live in `drainage`."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from lastseen.core import BoolArray, FloatArray, IntArray
from lastseen.terrain.surface_kernels import arctan

# ---- How a way of the flow is written down in a cell

ByteArray = npt.NDArray[np.uint8]
LongArray = npt.NDArray[np.int64]

OFF = 8  # 0 to 7 are the neighbours clockwise from north; this one leaves the ground, over the edge or into no data
FLAT = 9  # no neighbour is lower
NOTHING = 255  # no data


# ---- Kernels of filling: plain arrays and floats in and out. Meaning, units and checks live beside
# ``way`` holds for each cell the flat index of a lower cell, or, below 0, the number of its basin: -1 is the ground
# that drains to the border, -2 the first hollow.

CACHE = 4096  # pairs of basins that are remembered, a power of two


@njit(cache=True, nogil=True, error_model="numpy")
def lower_cells(z: FloatArray, first: int, last: int, way: IntArray) -> int:
    """Point each cell to a neighbour that comes before it in (height, index); how many have none.

    Cells on the border and beside no data drain (-1). Cells that have none point to themselves.
    """
    ny, nx = z.shape
    lowest = 0
    for i in range(first, last):
        line = way[i]
        line[0], line[nx - 1] = -1, -1
        if i in {0, ny - 1}:
            line[:] = -1
            continue
        above, middle, below = z[i - 1], z[i], z[i + 1]
        centre = i * nx
        for j in range(1, nx - 1):
            best, to = middle[j], centre + j
            a, b, c, d = above[j - 1], above[j], above[j + 1], middle[j - 1]
            e, f, g, h = middle[j + 1], below[j - 1], below[j], below[j + 1]
            to = centre - nx + j - 1 if a <= best else to
            best = a if a <= best else best
            to = centre - nx + j if b <= best else to
            best = b if b <= best else best
            to = centre - nx + j + 1 if c <= best else to
            best = c if c <= best else best
            to = centre + j - 1 if d <= best else to
            best = d if d <= best else best
            to = centre + j + 1 if e < best else to
            best = e if e < best else best
            to = centre + nx + j - 1 if f < best else to
            best = f if f < best else best
            to = centre + nx + j if g < best else to
            best = g if g < best else best
            to = centre + nx + j + 1 if h < best else to
            around = a + b + c + d + e + f + g + h + middle[j]
            line[j] = -1 if np.isnan(around) else to
        for j in range(1, nx - 1):
            lowest += line[j] == centre + j
    return lowest


@njit(cache=True, nogil=True)
def number_hollows(way: IntArray, first: int, last: int, before: int) -> None:
    """Turn cells that point to themselves into numbers of basins, ``before`` of them counted already."""
    nx = way.shape[1]
    for i in range(first, last):
        for j in range(nx):
            if way[i, j] == i * nx + j:
                way[i, j] = -2 - before
                before += 1


@njit(cache=True, nogil=True)
def follow(way: IntArray, first: int, last: int) -> None:
    """Give the cells of the rows the number of the basin that they run down to.

    Cells of other rows that lie on the way get theirs too. Threads may meet there: they write the same number.
    """
    nx = way.shape[1]
    flat = way.ravel()
    for c in range(first * nx, last * nx):
        end = flat[c]
        if end < 0:
            continue
        while end >= 0:
            basin = flat[end]
            if basin < 0:
                break
            end = basin
        basin = flat[end]
        at = c
        while True:
            onward = flat[at]
            if onward < 0:
                break
            flat[at] = basin
            at = onward


@njit(cache=True, nogil=True, error_model="numpy")
def saddles(z: FloatArray, basin: IntArray, first: int, last: int) -> tuple[IntArray, IntArray, FloatArray]:
    """Passes between basins seen from the rows first..last: two basins (counted from 0) and the height of the pass.

    A pair may come more than once; its lowest pass is among them.
    """
    ny, nx = z.shape
    room, n = 1024, 0
    low, high, height = np.empty(room, np.int32), np.empty(room, np.int32), np.empty(room)
    # Pairs seen last, and their lowest passes so far: what another pair pushes out is written down.
    near, far, lowest = np.full(CACHE, -1, np.int32), np.empty(CACHE, np.int32), np.empty(CACHE)
    mixed = np.ones(nx, np.bool_)  # whether a cell has another basin beside it; those that have are few
    for i in range(first, last):
        if i < ny - 1:
            middle, below = basin[i], basin[i + 1]
            for j in range(1, nx - 1):
                apart = (
                    middle[j] ^ middle[j + 1]
                    | middle[j] ^ below[j - 1]
                    | middle[j] ^ below[j]
                    | middle[j] ^ below[j + 1]
                )
                mixed[j] = apart != 0
        else:
            mixed[:] = True
        for j in range(nx):
            if not mixed[j]:
                continue
            centre = basin[i, j]
            for k in range(4):
                r, c = i + (k > 0), j + (1 if k == 0 else k - 2)
                if r >= ny or c < 0 or c >= nx:
                    continue
                across = basin[r, c]
                if across == centre:
                    continue
                pass_m = max(z[i, j], z[r, c])
                if np.isnan(pass_m):
                    continue
                a, b = -1 - max(centre, across), -1 - min(centre, across)
                slot = (a * 73856093 ^ b * 19349663) & (CACHE - 1)
                if near[slot] == a and far[slot] == b:
                    lowest[slot] = min(lowest[slot], pass_m)
                    continue
                if near[slot] >= 0:
                    if n == room:
                        room *= 2
                        low, high = np.append(low, np.empty(n, np.int32)), np.append(high, np.empty(n, np.int32))
                        height = np.append(height, np.empty(n))
                    low[n], high[n], height[n] = near[slot], far[slot], lowest[slot]
                    n += 1
                near[slot], far[slot], lowest[slot] = a, b, pass_m
    left = near >= 0
    return np.append(low[:n], near[left]), np.append(high[:n], far[left]), np.append(height[:n], lowest[left])


@njit(cache=True, nogil=True)
def _root(parent: IntArray, at: int) -> int:
    """Root of a joined set of basins; the last step to the draining ground (0) is never shortened."""
    while parent[at] != at:
        onward = parent[parent[at]]
        if onward == 0:
            return 0
        parent[at] = onward
        at = onward
    return at


@njit(cache=True, nogil=True)
def flood(low: IntArray, high: IntArray, height: FloatArray, order: IntArray, level: FloatArray) -> None:
    """Level at which each basin spills, passes taken from the lowest to the highest; basin 0 drains.

    When the set that drains meets another set over a pass, the height of the pass is the level of all of that set.
    """
    n = level.size
    parent, size = np.arange(n).astype(np.int32), np.ones(n, np.int32)
    level[:] = -np.inf
    for edge in order:
        a, b = _root(parent, low[edge]), _root(parent, high[edge])
        if a == b:
            continue
        if a != 0 and (b == 0 or size[a] < size[b]):
            a, b = b, a
        parent[b] = a
        size[a] += size[b]
        level[b] = height[edge]
    for basin in range(1, n):
        at = basin
        while parent[at] != 0 and parent[at] != at:
            at = parent[at]
        level[basin] = level[at]


@njit(cache=True, nogil=True, error_model="numpy")
def raise_to(z: FloatArray, basin: IntArray, level: FloatArray, first: int, last: int, out: FloatArray) -> None:
    """Raise each cell to the level of its basin."""
    nx = z.shape[1]
    for i in range(first, last):
        for j in range(nx):
            spill = level[-1 - basin[i, j]]
            out[i, j] = spill if spill > z[i, j] else z[i, j]


# ---- Kernels of flow directions: plain arrays and floats in and out. Meaning, units and checks live beside
# Neighbours are counted 0 to 7 clockwise from north; 8 leaves the ground, 9 is a flat or a pit, 255 is no data.

DROW = np.array([-1, -1, 0, 1, 1, 1, 0, -1])
DCOL = np.array([0, 1, 1, 1, 0, -1, -1, -1])
NEARER = np.array([1.0, 0.7071067811865476, 1.0, 0.7071067811865476, 1.0, 0.7071067811865476, 1.0, 0.7071067811865476])
STRAIGHT_FIRST = np.array([0, 2, 4, 6, 1, 3, 5, 7])
EIGHTH = 1.2732395447351628  # eighths of a turn in a radian
QUEUED = 10  # a cell of a flat that is asked in the next ring


@njit(cache=True, nogil=True, error_model="numpy")
def steepest(z: FloatArray, first: int, last: int, way: ByteArray) -> None:
    """The neighbour of the steepest descent; the first clockwise from north of several that are as steep."""
    ny, nx = z.shape
    best = np.empty(nx)
    for i in range(first, last):
        middle, line = z[i], way[i]
        best[:] = 0.0
        line[:] = OFF if i in {0, ny - 1} else FLAT
        line[0], line[nx - 1] = OFF, OFF
        for k in range(8):
            r, dj = i + DROW[k], DCOL[k]
            if r < 0 or r >= ny:
                continue
            begin, end, nearer = max(0, -dj), min(nx, nx - dj), NEARER[k]
            centre, there = middle[begin:end], z[r, begin + dj : end + dj]
            most, to = best[begin:end], line[begin:end]
            for j in range(end - begin):
                fall = (centre[j] - there[j]) * nearer
                closed = OFF if to[j] == FLAT and np.isnan(fall) else to[j]  # beside no data the ground is open
                to[j] = k if fall > most[j] else closed
                most[j] = fall if fall > most[j] else most[j]
        for j in range(nx):
            line[j] = NOTHING if np.isnan(middle[j]) else line[j]


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
        above, middle, below = z[i - 1], z[i], z[i + 1]
        for j in range(1, nx - 1):
            e, n, s, w, ea = middle[j], above[j], below[j], middle[j - 1], middle[j + 1]
            nw, ne, sw, se = above[j - 1], above[j + 1], below[j - 1], below[j + 1]
            best, up, on, base, turn = _facet(e, n, ne, 0.0, 1.0, 0.0, 0.0, 1.0, -1.0, 0.0)
            best, up, on, base, turn = _facet(e, ea, ne, 2.0, -1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, ea, se, 2.0, 1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, s, se, 4.0, -1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, s, sw, 4.0, 1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, w, sw, 6.0, -1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, w, nw, 6.0, 1.0, best, up, on, base, turn)
            best, up, on, base, turn = _facet(e, n, nw, 8.0, -1.0, best, up, on, base, turn)
            azimuth = base + turn * arctan(up / on) * EIGHTH
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
        azimuth = base + turn * arctan(up / on) * EIGHTH
        return 0.0 if azimuth >= 8.0 else azimuth
    if way >= OFF:
        return np.nan if way == NOTHING else -1.0
    return float(way)


# ---- Kernels of flow accumulation: plain arrays and floats in and out. Meaning, units and checks live beside
# Areas are whole numbers, ``CELL`` to a cell, so that sums are exact in any order and nothing is lost where flow
# splits. A block of rows is worked by one thread. What flows over the edge of a block waits in its outbox (0 up, 1
# down) until all blocks have stopped.

CELL = 4294967296.0  # 2 to the 32: a grid of 2 thousand million cells still fits
DONE = 255
ONE = np.int64(CELL)


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
        centre = octant[i]
        _begin(i, ~np.isnan(centre), area, waiting)
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
            waiting[i, j] = DONE if np.isnan(centre[j]) else waiting[i, j]


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
            middle, line = z[i, begin:end], waiting[i, begin:end]
            for j in range(end - begin):
                line[j] += np.uint8((there[j] > middle[j]) | ((there[j] == middle[j]) & (onward[j] == hither)))
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
def _leave(to: int, begin: int, nx: int, share: np.int64, out: LongArray, counts: LongArray) -> None:
    """Leave a share in the outbox for the row above (0) or below (1) the block."""
    side = 0 if to < begin else 1
    out[side, to % nx] += share
    counts[side, to % nx] += 1


@njit(cache=True, nogil=True)
def add_ways(
    way: ByteArray,
    first: int,
    last: int,
    rows: LongArray,
    area: LongArray,
    waiting: ByteArray,
    out: LongArray,
    counts: LongArray,
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
                    _leave(to, begin, nx, areas[at], out, counts)
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
    counts: LongArray,
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
                        _leave(to, begin, nx, given, out, counts)
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
    counts: LongArray,
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
                    for index in range(lower):
                        weight[index] = weight[index] if exponent == 1.0 else weight[index] ** exponent
                        total += weight[index]
                if n + 8 > stack.size:
                    stack = np.append(stack, np.empty(stack.size, np.int64))
                rest, scale = areas[at], areas[at] / total
                for index in range(lower):
                    share = np.int64(weight[index] * scale)
                    rest -= share
                    weight[index] = share
                for index in range(lower):
                    share = np.int64(weight[index]) if to[index] != at + step[k] else np.int64(weight[index]) + rest
                    if to[index] < begin or to[index] >= end:
                        _leave(to[index], begin, nx, share, out, counts)
                        continue
                    areas[to[index]] += share
                    left[to[index]] -= 1
                    if left[to[index]] == 0:
                        stack[n] = to[index]
                        n += 1


@njit(cache=True, nogil=True)
def receive_areas(row: int, out: LongArray, counts: LongArray, area: LongArray, waiting: ByteArray) -> int:
    """Add what a neighbouring block has left for a row, and empty its outbox; how many cells wait for nothing now."""
    ready = 0
    for j in range(area.shape[1]):
        if counts[j] > 0:
            area[row, j] += out[j]
            waiting[row, j] -= counts[j]
            ready += waiting[row, j] == 0
            out[j], counts[j] = 0, 0
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
