"""Kernels of filling: plain arrays and floats in and out. Meaning, units and checks live beside.

``way`` holds for each cell the flat index of a lower cell, or, below 0, the number of its basin: -1 is the ground that
drains to the border, -2 the first hollow.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.grid import FloatArray, IntArray

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
        above, here, below = z[i - 1], z[i], z[i + 1]
        own = i * nx
        for j in range(1, nx - 1):
            best, to = here[j], own + j
            a, b, c, d = above[j - 1], above[j], above[j + 1], here[j - 1]
            e, f, g, h = here[j + 1], below[j - 1], below[j], below[j + 1]
            to = own - nx + j - 1 if a <= best else to
            best = a if a <= best else best
            to = own - nx + j if b <= best else to
            best = b if b <= best else best
            to = own - nx + j + 1 if c <= best else to
            best = c if c <= best else best
            to = own + j - 1 if d <= best else to
            best = d if d <= best else best
            to = own + j + 1 if e < best else to
            best = e if e < best else best
            to = own + nx + j - 1 if f < best else to
            best = f if f < best else best
            to = own + nx + j if g < best else to
            best = g if g < best else best
            to = own + nx + j + 1 if h < best else to
            around = a + b + c + d + e + f + g + h + here[j]
            line[j] = -1 if np.isnan(around) else to
        for j in range(1, nx - 1):
            lowest += line[j] == own + j
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
    one, other, height = np.empty(room, np.int32), np.empty(room, np.int32), np.empty(room)
    # Pairs seen last, and their lowest passes so far: what another pair pushes out is told.
    near, far, lowest = np.full(CACHE, -1, np.int32), np.empty(CACHE, np.int32), np.empty(CACHE)
    mixed = np.ones(nx, np.bool_)  # whether a cell has another basin beside it; those that have are few
    for i in range(first, last):
        if i < ny - 1:
            here, below = basin[i], basin[i + 1]
            for j in range(1, nx - 1):
                apart = here[j] ^ here[j + 1] | here[j] ^ below[j - 1] | here[j] ^ below[j] | here[j] ^ below[j + 1]
                mixed[j] = apart != 0
        else:
            mixed[:] = True
        for j in range(nx):
            if not mixed[j]:
                continue
            own = basin[i, j]
            for k in range(4):
                r, c = i + (k > 0), j + (1 if k == 0 else k - 2)
                if r >= ny or c < 0 or c >= nx:
                    continue
                across = basin[r, c]
                if across == own:
                    continue
                pass_m = max(z[i, j], z[r, c])
                if np.isnan(pass_m):
                    continue
                a, b = -1 - max(own, across), -1 - min(own, across)
                slot = (a * 73856093 ^ b * 19349663) & (CACHE - 1)
                if near[slot] == a and far[slot] == b:
                    lowest[slot] = min(lowest[slot], pass_m)
                    continue
                if near[slot] >= 0:
                    if n == room:
                        room *= 2
                        one, other = np.append(one, np.empty(n, np.int32)), np.append(other, np.empty(n, np.int32))
                        height = np.append(height, np.empty(n))
                    one[n], other[n], height[n] = near[slot], far[slot], lowest[slot]
                    n += 1
                near[slot], far[slot], lowest[slot] = a, b, pass_m
    left = near >= 0
    return np.append(one[:n], near[left]), np.append(other[:n], far[left]), np.append(height[:n], lowest[left])


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
def flood(one: IntArray, other: IntArray, height: FloatArray, order: IntArray, level: FloatArray) -> None:
    """Level at which each basin spills, passes taken from the lowest to the highest; basin 0 drains.

    When the set that drains meets another set over a pass, the height of the pass is the level of all of that set.
    """
    n = level.size
    parent, size = np.arange(n).astype(np.int32), np.ones(n, np.int32)
    level[:] = -np.inf
    for edge in order:
        a, b = _root(parent, one[edge]), _root(parent, other[edge])
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
