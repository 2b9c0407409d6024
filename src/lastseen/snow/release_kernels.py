"""Growing a release cell by cell: plain arrays and floats in and out."""

from __future__ import annotations

import heapq

import numpy as np
from numba import njit

from lastseen.core import BoolArray, FloatArray, IntArray


@njit(cache=True, nogil=True)
def grow(
    seed_row: int,
    seed_col: int,
    allowed: BoolArray,
    z: FloatArray,
    p: FloatArray,
    q: FloatArray,
    cell_m: float,
    across_cost: float,
    area_m2: float,
    order: IntArray,
) -> int:
    """Collect allowed cells by growing distance from the seed until their surface area reaches ``area_m2``.

    A metre across the fall line costs ``across_cost`` metres along it. ``p`` and ``q`` are dz/dx (east) and dz/dy
    (north). Fills ``order`` with flat cell indices, nearest first; returns their number. Ties go to the higher cell.
    """
    ny, nx = allowed.shape
    cost = np.full((ny, nx), np.inf)
    taken = np.zeros((ny, nx), np.bool_)
    cost[seed_row, seed_col] = 0.0
    queue = [(0.0, -z[seed_row, seed_col], seed_row, seed_col)]
    n = 0
    area = 0.0
    while len(queue) > 0 and n < order.shape[0]:
        c, _, i, j = heapq.heappop(queue)
        if taken[i, j]:
            continue
        taken[i, j] = True
        order[n] = i * nx + j
        n += 1
        area += cell_m * cell_m * np.sqrt(1.0 + p[i, j] ** 2 + q[i, j] ** 2)
        if area >= area_m2:
            break
        steep = np.sqrt(p[i, j] ** 2 + q[i, j] ** 2)
        for di in range(-1, 2):
            for dj in range(-1, 2):
                a, b = i + di, j + dj
                if (di == 0 and dj == 0) or a < 0 or b < 0 or a >= ny or b >= nx:
                    continue
                if taken[a, b] or not allowed[a, b]:
                    continue
                east, north = dj * cell_m, -di * cell_m
                along = (east * p[i, j] + north * q[i, j]) / steep if steep > 0.0 else 0.0
                across2 = max(east * east + north * north - along * along, 0.0)
                rise = along * steep
                step = np.sqrt(along * along + rise * rise + across_cost * across_cost * across2)
                if c + step < cost[a, b]:
                    cost[a, b] = c + step
                    heapq.heappush(queue, (c + step, -z[a, b], a, b))
    return n
