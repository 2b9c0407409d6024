"""Strip kernels: plain arrays and floats in and out."""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.core import BoolArray, FloatArray, IntArray


@njit(cache=True, nogil=True)
def snow_profile(q_m: FloatArray, stretch: FloatArray, low_m: float, high_m: float, bins: int) -> FloatArray:
    """Distance on the snow from ``low_m`` to each of ``bins + 1`` equal steps up to ``high_m``."""
    total = np.zeros(bins)
    number = np.zeros(bins)
    for i in range(q_m.size):
        k = min(max(int((q_m[i] - low_m) / (high_m - low_m) * bins), 0), bins - 1)
        total[k] += stretch[i]
        number[k] += 1.0
    mean = stretch.mean()
    out = np.zeros(bins + 1)
    last = mean
    for k in range(bins):
        last = total[k] / number[k] if number[k] > 0.0 else last
        out[k + 1] = out[k] + last * (high_m - low_m) / bins
    return out


@njit(cache=True, nogil=True)
def strip_runs(
    p_m: FloatArray, q_m: FloatArray, edges_m: FloatArray, centres_m: FloatArray, spacing_m: float, gap_m: float
) -> FloatArray:
    """Stretches of lane, one row each: band, start p, end p, q. Gaps up to ``gap_m`` are walked across."""
    bands = centres_m.size
    low = p_m.min() - 0.5 * spacing_m
    cols = int((p_m.max() - low) / spacing_m) + 2
    marks = np.zeros((bands, cols), np.bool_)
    first = np.full((bands, cols), np.inf)
    last = np.full((bands, cols), -np.inf)
    for i in range(p_m.size):
        b = min(max(np.searchsorted(edges_m, q_m[i]) - 1, 0), bands - 1)
        c = int((p_m[i] - low) / spacing_m)
        marks[b, c] = True
        first[b, c] = min(first[b, c], p_m[i])
        last[b, c] = max(last[b, c], p_m[i])
    out = np.empty((bands * (cols // 2 + 1), 4))
    n = 0
    for b in range(bands):
        begun = False
        for c in range(cols):
            if not marks[b, c]:
                continue
            if begun and first[b, c] - out[n - 1, 2] <= gap_m + spacing_m:
                out[n - 1, 2] = last[b, c]
                continue
            out[n, 0], out[n, 1], out[n, 2], out[n, 3] = b, first[b, c], last[b, c], centres_m[b]
            n += 1
            begun = True
    return out[:n].copy()


@njit(cache=True, nogil=True)
def project(x_m: FloatArray, y_m: FloatArray, line_m: FloatArray, along_m: FloatArray, p: FloatArray, q: FloatArray,
            axis: FloatArray) -> None:  # fmt: skip
    """Place along a bent axis and distance to its left of each point; the ends go on straight. ``axis``: direction."""
    n = line_m.shape[0]
    for i in range(x_m.size):
        best = np.inf
        for k in range(n - 1):
            ax, ay = line_m[k, 0], line_m[k, 1]
            dx, dy = line_m[k + 1, 0] - ax, line_m[k + 1, 1] - ay
            length = along_m[k + 1] - along_m[k]
            t = ((x_m[i] - ax) * dx + (y_m[i] - ay) * dy) / length
            if k > 0:
                t = max(t, 0.0)
            if k < n - 2:
                t = min(t, length)
            px, py = ax + t * dx / length, ay + t * dy / length
            away = np.hypot(x_m[i] - px, y_m[i] - py)
            if away < best - 1e-9:
                best = away
                left = dx * (y_m[i] - ay) - dy * (x_m[i] - ax)
                p[i] = along_m[k] + t
                q[i] = away if left >= 0.0 else -away
                axis[i, 0], axis[i, 1] = dx / length, dy / length


@njit(cache=True, nogil=True)
def improve_order(order: IntArray, far: FloatArray) -> float:
    """Shorten an order of runs by turning stretches of it and by moving single runs; returns its joins' length.

    ``order`` holds the run number times two, plus one where it is walked from its end; ``far[a, b]`` is the way from
    the end of a to the start of b in these numbers, the last row the way from where the walk begins.
    """
    n = order.size
    begin = far.shape[0] - 1
    improved = True
    rounds = 0
    while improved and rounds < 40:
        improved = False
        rounds += 1
        for i in range(n):
            before = begin if i == 0 else order[i - 1]
            inner = 0.0
            turned = 0.0
            for j in range(i, n):
                if j > i:
                    inner += far[order[j - 1], order[j]]
                    turned += far[order[j] ^ 1, order[j - 1] ^ 1]
                old = far[before, order[i]] + inner
                new = far[before, order[j] ^ 1] + turned
                if j + 1 < n:
                    old += far[order[j], order[j + 1]]
                    new += far[order[i] ^ 1, order[j + 1]]
                if new < old - 1e-6:
                    order[i : j + 1] = order[i : j + 1][::-1].copy() ^ 1
                    improved = True
                    break
        for i in range(n):
            run = np.int64(order[i])
            before = begin if i == 0 else order[i - 1]
            saved = far[before, run]
            if i + 1 < n:
                saved += far[run, order[i + 1]] - far[before, order[i + 1]]
            best, place, way = saved - 1e-6, -1, run
            for j in range(n):
                if j == i:
                    continue
                # between j and the run after it, both in the order without run i
                after = j + 1 if j + 1 != i else i + 1
                for turn in range(2):
                    flip = run ^ turn
                    cost = far[order[j], flip]
                    if after < n:
                        cost += far[flip, order[after]] - far[order[j], order[after]]
                    if cost < best:
                        best, place, way = cost, j, flip
            if place >= 0 and n > 2:
                kept = np.empty(n, order.dtype)
                m = 0
                for j in range(n):
                    if j != i:
                        kept[m] = order[j]
                        m += 1
                    if j == place:
                        kept[m] = way
                        m += 1
                order[:] = kept
                improved = True
    total: float = far[begin, order[0]]
    for i in range(1, n):
        total += far[order[i - 1], order[i]]
    return total


@njit(cache=True, nogil=True)
def nearest_order(far: FloatArray, order: IntArray) -> None:
    """Always on to the nearest end that is left."""
    n = order.size
    used = np.zeros(n, np.bool_)
    at = far.shape[0] - 1
    for i in range(n):
        best, choice = np.inf, 0
        for k in range(2 * n):
            if not used[k >> 1] and far[at, k] < best - 1e-9:
                best, choice = far[at, k], k
        order[i] = choice
        used[choice >> 1] = True
        at = choice


@njit(cache=True, nogil=True)
def flood(
    cost: FloatArray, rows: IntArray, cols: IntArray, goal_row: int, goal_col: int, away: FloatArray, came: IntArray
) -> None:
    """Least cost from the seeds to every cell (8 neighbours, cost of both cells, negative is blocked), with the way."""
    ny, nx = cost.shape
    away[:] = np.inf
    came[:] = -1
    done = np.zeros((ny, nx), np.bool_)
    heap = np.empty(8 * ny * nx + rows.size + 1)
    place = np.empty(heap.size, np.int64)
    size = 0
    for k in range(rows.size):
        away[rows[k], cols[k]] = 0.0
        heap[size], place[size] = 0.0, rows[k] * nx + cols[k]
        size += 1
    while size > 0:
        least, cell = heap[0], place[0]
        size -= 1
        value, item, k = heap[size], place[size], 0
        while 2 * k + 1 < size:
            child = 2 * k + 1
            if child + 1 < size and heap[child + 1] < heap[child]:
                child += 1
            if heap[child] >= value:
                break
            heap[k], place[k] = heap[child], place[child]
            k = child
        heap[k], place[k] = value, item
        r, c = cell // nx, cell % nx
        if done[r, c]:
            continue
        done[r, c] = True
        if r == goal_row and c == goal_col:
            return
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                i, j = r + dr, c + dc
                if (dr == 0 and dc == 0) or i < 0 or j < 0 or i >= ny or j >= nx or done[i, j] or cost[i, j] < 0.0:
                    continue
                if dr != 0 and dc != 0 and (cost[r, j] < 0.0 or cost[i, c] < 0.0):
                    continue
                total = least + 0.5 * (cost[r, c] + cost[i, j]) * np.hypot(dr, dc)
                if total < away[i, j]:
                    away[i, j] = total
                    came[i, j] = cell
                    k = size
                    size += 1
                    while k > 0 and heap[(k - 1) // 2] > total:
                        heap[k], place[k] = heap[(k - 1) // 2], place[(k - 1) // 2]
                        k = (k - 1) // 2
                    heap[k], place[k] = total, i * nx + j


@njit(cache=True, nogil=True)
def join_lengths(starts_m: FloatArray, ends_m: FloatArray, begin_m: FloatArray, blocked: BoolArray) -> FloatArray:
    """Ways between oriented runs (see `improve_order`), twice as long where the straight one is blocked."""
    n = starts_m.shape[0]
    far = np.zeros((2 * n + 1, 2 * n))
    for b in range(2 * n):
        x, y = (ends_m[b >> 1] if b & 1 else starts_m[b >> 1])[0], (ends_m[b >> 1] if b & 1 else starts_m[b >> 1])[1]
        for a in range(2 * n):
            end = starts_m[a >> 1] if a & 1 else ends_m[a >> 1]
            far[a, b] = np.hypot(x - end[0], y - end[1]) * (2.0 if blocked[a, b] else 1.0)
        far[2 * n, b] = np.hypot(x - begin_m[0], y - begin_m[1])
    return far


@njit(cache=True, nogil=True)
def line_blocked(
    ax: float, ay: float, bx: float, by: float, blocked: BoolArray, west: float, north: float, cell: float
) -> bool:
    """Whether a straight line meets a blocked cell, looked at every half cell."""
    n = int(np.ceil(np.hypot(bx - ax, by - ay) / (0.5 * cell)))
    for k in range(n + 1):
        t = k / max(n, 1)
        col = int(np.floor((ax + t * (bx - ax) - west) / cell))
        row = int(np.floor((north - ay - t * (by - ay)) / cell))
        if row < 0 or col < 0 or row >= blocked.shape[0] or col >= blocked.shape[1] or blocked[row, col]:
            return True
    return False


@njit(cache=True, nogil=True)
def blocked_joins(
    starts_m: FloatArray, ends_m: FloatArray, blocked: BoolArray, west: float, north: float, cell: float
) -> BoolArray:
    """Which ways between oriented runs (see `improve_order`) are blocked."""
    n = starts_m.shape[0]
    out = np.zeros((2 * n, 2 * n), np.bool_)
    for b in range(2 * n):
        to = ends_m[b >> 1] if b & 1 else starts_m[b >> 1]
        for a in range(2 * n):
            end = starts_m[a >> 1] if a & 1 else ends_m[a >> 1]
            if (a >> 1) != (b >> 1):
                out[a, b] = line_blocked(end[0], end[1], to[0], to[1], blocked, west, north, cell)
    return out


@njit(cache=True, nogil=True)
def cost_on_line(
    ax: float, ay: float, bx: float, by: float, cost: FloatArray, west: float, north: float, cell: float, blocked: float
) -> float:
    """Length of a straight line with each metre counted as its cell says (``blocked`` where that is negative)."""
    length = np.hypot(bx - ax, by - ay)
    n = max(1, int(np.ceil(length / (0.5 * cell))))
    total = 0.0
    for k in range(n):
        t = (k + 0.5) / n
        row = min(max(int((north - ay - t * (by - ay)) / cell), 0), cost.shape[0] - 1)
        col = min(max(int((ax + t * (bx - ax) - west) / cell), 0), cost.shape[1] - 1)
        total += cost[row, col] if cost[row, col] >= 0.0 else blocked
    value: float = total / n * length
    return value
