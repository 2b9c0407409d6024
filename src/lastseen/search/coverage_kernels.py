"""Search kernels: plain arrays and floats in and out. Meaning, units and checks live in the modules beside.

Ground arrays go together as ``ground = (height, west, north, cell)``, sample arrays as
``lattice = (west, south, spacing, index, height, weight, piece)``; see `Surface` and `Lattice`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from lastseen.core import BoolArray, FloatArray, IntArray


@njit(cache=True, nogil=True)
def bilinear(z: FloatArray, west_m: float, north_m: float, cell_m: float, x_m: float, y_m: float) -> float:
    """Value between cell centres; the outer half cell takes the edge value."""
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
def drape(
    z: FloatArray, west_m: float, north_m: float, cell_m: float, x_m: FloatArray, y_m: FloatArray, out_m: FloatArray
) -> None:
    """Fill ``out_m`` with the elevation at each point."""
    for k in range(x_m.size):
        out_m[k] = bilinear(z, west_m, north_m, cell_m, x_m[k], y_m[k])


@njit(cache=True, nogil=True)
def fill_rows(
    edges_m: FloatArray, west_m: float, south_m: float, spacing_m: float, value: int, index: IntArray
) -> None:
    """Set lattice points inside a polygon (edges n x 4, holes included) to ``value``; row by row, even-odd rule."""
    rows, cols = index.shape
    n = edges_m.shape[0]
    start = np.zeros(rows + 1, np.int64)
    for k in range(n):
        low, high = min(edges_m[k, 1], edges_m[k, 3]), max(edges_m[k, 1], edges_m[k, 3])
        r0 = max(0, int(np.ceil((low - south_m) / spacing_m)))
        r1 = min(rows, int(np.ceil((high - south_m) / spacing_m)))
        for r in range(r0, r1):
            start[r + 1] += 1
    start = np.cumsum(start)
    cross = np.empty(start[rows])
    used = np.zeros(rows, np.int64)
    for k in range(n):
        x0, y0, x1, y1 = edges_m[k, 0], edges_m[k, 1], edges_m[k, 2], edges_m[k, 3]
        r0 = max(0, int(np.ceil((min(y0, y1) - south_m) / spacing_m)))
        r1 = min(rows, int(np.ceil((max(y0, y1) - south_m) / spacing_m)))
        for r in range(r0, r1):
            cross[start[r] + used[r]] = x0 + (south_m + r * spacing_m - y0) * (x1 - x0) / (y1 - y0)
            used[r] += 1
    for r in range(rows):
        crossings = np.sort(cross[start[r] : start[r + 1]])
        for k in range(0, crossings.size - 1, 2):
            c0 = max(0, int(np.ceil((crossings[k] - west_m) / spacing_m)))
            c1 = min(cols, int(np.ceil((crossings[k + 1] - west_m) / spacing_m)))
            for c in range(c0, c1):
                index[r, c] = value


@njit(cache=True, nogil=True)
def touch(
    ax: float, ay: float, bx: float, by: float, add: int, ground: Any, lattice: Any, half_m: float, step_m: float,
    count: IntArray, left_m2: FloatArray,
) -> None:  # fmt: skip
    """Add (1) or take away (-1) one draped straight leg: how many legs cover a sample, what is left in each piece.

    A sample is covered when a point of the draped leg, taken every ``step_m`` at most, lies within ``half_m`` of it
    in a straight line: no sample is ever marked in error.
    """
    z, g_west, g_north, cell = ground
    west, south, s, index, height, weight, piece = lattice
    rows, cols = index.shape
    length = np.hypot(bx - ax, by - ay)
    ex, ey = 1.0, 0.0
    if length > 0.0:
        ex, ey = (bx - ax) / length, (by - ay) / length
    n = int(np.ceil(length / step_m))
    d = length / max(n, 1)
    vz = np.empty(n + 1)
    for k in range(n + 1):
        vz[k] = bilinear(z, g_west, g_north, cell, ax + k * d * ex, ay + k * d * ey)
    limit = half_m * half_m
    r0 = max(0, int(np.ceil((min(ay, by) - half_m - south) / s)))
    r1 = min(rows - 1, int(np.floor((max(ay, by) + half_m - south) / s)))
    for r in range(r0, r1 + 1):
        dy = south + r * s - ay
        low, high = min(ax, bx) - half_m, max(ax, bx) + half_m
        if abs(ey) > 1e-9:
            low, high = max(low, ax + dy * ex / ey - half_m / abs(ey)), min(high, ax + dy * ex / ey + half_m / abs(ey))
        if abs(ex) > 1e-9:
            first, second = ax + (-half_m - dy * ey) / ex, ax + (length + half_m - dy * ey) / ex
            low, high = max(low, min(first, second)), min(high, max(first, second))
        c0 = max(0, int(np.ceil((low - west) / s)))
        c1 = min(cols - 1, int(np.floor((high - west) / s)))
        for c in range(c0, c1 + 1):
            i = index[r, c]
            if i < 0:
                continue
            dx = west + c * s - ax
            t = dx * ex + dy * ey
            perp2 = (dx * ey - dy * ex) ** 2
            middle = 0
            if d > 0.0:
                middle = min(max(int(np.floor(t / d + 0.5)), 0), n)
            found = False
            up, down = middle, middle - 1
            while not found:
                plan_up = (t - up * d) ** 2 + perp2 if up <= n else np.inf
                plan_down = (t - down * d) ** 2 + perp2 if down >= 0 else np.inf
                if plan_up > limit and plan_down > limit:
                    break
                if plan_up <= limit and plan_up + (height[i] - vz[up]) ** 2 <= limit:
                    found = True
                if plan_down <= limit and plan_down + (height[i] - vz[down]) ** 2 <= limit:
                    found = True
                up += 1
                down -= 1
            if found:
                if add > 0 and count[i] == 0:
                    left_m2[piece[i]] -= weight[i]
                if add < 0 and count[i] == 1:
                    left_m2[piece[i]] += weight[i]
                count[i] += add


@njit(cache=True, nogil=True)
def cover_all(
    points: FloatArray, covers: BoolArray, ground: Any, lattice: Any, half_m: float, step_m: float, count: IntArray,
    left_m2: FloatArray,
) -> None:  # fmt: skip
    """Count from scratch what the legs between consecutive points cover, where ``covers`` says that they do."""
    weight, piece = lattice[5], lattice[6]
    count[:] = 0
    left_m2[:] = 0.0
    for i in range(count.size):
        left_m2[piece[i]] += weight[i]
    for k in range(covers.size):
        if covers[k]:
            a, b = points[k], points[k + 1]
            # a plain 1 would be a type of its own, and compile the function once more
            once: int = np.int64(1)  # type: ignore[assignment]
            touch(a[0], a[1], b[0], b[1], once, ground, lattice, half_m, step_m, count, left_m2)


@njit(cache=True, nogil=True)
def clear(ax: float, ay: float, bx: float, by: float, mask: Any) -> bool:
    """Whether a straight leg meets no blocked cell (``mask = (blocked, west, north, cell)``, outside is blocked)."""
    blocked, west, north, cell = mask
    ny, nx = blocked.shape
    n = int(np.ceil(np.hypot(bx - ax, by - ay) / (0.25 * cell)))
    for k in range(n + 1):
        t = k / max(n, 1)
        col = int(np.floor((ax + t * (bx - ax) - west) / cell))
        row = int(np.floor((north - ay - t * (by - ay)) / cell))
        if row < 0 or col < 0 or row >= ny or col >= nx or blocked[row, col]:
            return False
    return True


@njit(cache=True, nogil=True)
def _try_move(
    k: int, x: float, y: float, points: FloatArray, covers: BoolArray, ground: Any, lattice: Any, half_m: float,
    step_m: float, count: IntArray, left_m2: FloatArray,
) -> None:  # fmt: skip
    """Move one corner and keep the counts in step."""
    for add in (-1, 1):
        if k > 0 and covers[k - 1]:
            a = points[k - 1]
            touch(a[0], a[1], points[k, 0], points[k, 1], add, ground, lattice, half_m, step_m, count, left_m2)
        if k < covers.size and covers[k]:
            b = points[k + 1]
            touch(points[k, 0], points[k, 1], b[0], b[1], add, ground, lattice, half_m, step_m, count, left_m2)
        if add < 0:
            points[k, 0], points[k, 1] = x, y


@njit(cache=True, nogil=True)
def _legs_clear(k: int, x: float, y: float, points: FloatArray, walked: BoolArray, mask: Any) -> bool:
    """Whether both legs at a corner stay clear when it moves to x, y."""
    if k > 0 and walked[k - 1] and not clear(points[k - 1, 0], points[k - 1, 1], x, y, mask):
        return False
    return not (k < walked.size and walked[k] and not clear(x, y, points[k + 1, 0], points[k + 1, 1], mask))


@njit(cache=True, nogil=True)
def settle(
    points: FloatArray, covers: BoolArray, normal: FloatArray, steps_m: FloatArray, mask: Any, ground: Any,
    lattice: Any, half_m: float, step_m: float, count: IntArray, left_m2: FloatArray,
) -> None:  # fmt: skip
    """Shift lane corners sideways, one by one, as long as less is left uncovered."""
    cover_all(points, covers, ground, lattice, half_m, step_m, count, left_m2)
    least = 1e-4 * lattice[5].sum()
    for step in steps_m:
        for _ in range(3):
            moved = False
            for k in range(points.shape[0]):
                for sign in (1.0, -1.0):
                    before = left_m2.sum()
                    if before < least:
                        return
                    x, y = points[k, 0], points[k, 1]
                    nx, ny = x + sign * step * normal[k, 0], y + sign * step * normal[k, 1]
                    if not _legs_clear(k, nx, ny, points, covers, mask):
                        continue
                    _try_move(k, nx, ny, points, covers, ground, lattice, half_m, step_m, count, left_m2)
                    if left_m2.sum() < before - 0.1 * least:
                        moved = True
                        break
                    _try_move(k, x, y, points, covers, ground, lattice, half_m, step_m, count, left_m2)
            if not moved:
                break


@njit(cache=True, nogil=True)
def _length(k: int, x: float, y: float, points: FloatArray, walked: BoolArray) -> float:
    """Length of both legs at a corner that lies at x, y."""
    total = 0.0
    if k > 0 and walked[k - 1]:
        total += np.hypot(x - points[k - 1, 0], y - points[k - 1, 1])
    if k < walked.size and walked[k]:
        total += np.hypot(x - points[k + 1, 0], y - points[k + 1, 1])
    return total


@njit(cache=True, nogil=True)
def _pull_all(points: FloatArray, mate: IntArray, pull_m: float, least_m: float, out: FloatArray) -> None:
    """All lane ends pulled in alike, no lane shorter than ``least_m`` (nor made longer)."""
    for k in range(points.shape[0]):
        out[k] = points[k]
        m = mate[k]
        if m < 0:
            continue
        dx, dy = points[m, 0] - points[k, 0], points[m, 1] - points[k, 1]
        length = np.hypot(dx, dy)
        # a lane between two ends keeps its least length; an end with a helping point may slide to it
        room = 0.5 * (length - least_m) if mate[m] == k else length - 0.01
        pull = min(pull_m, max(0.0, room))
        if length > 0.0 and pull > 0.0:
            out[k, 0] += dx / length * pull
            out[k, 1] += dy / length * pull


@njit(cache=True, nogil=True)
def tighten(
    points: FloatArray, walked: BoolArray, covers: BoolArray, mate: IntArray, least_m: float, steps_m: FloatArray,
    mask: Any, allowed_m2: FloatArray, ground: Any, lattice: Any, half_m: float, step_m: float, count: IntArray,
    left_m2: FloatArray,
) -> bool:  # fmt: skip
    """Slide lane ends along their lanes until the walk is short and each piece just has what it may leave uncovered.

    First all ends alike, by halving; then one by one, long steps first. Returns whether the pieces are covered enough.
    """
    cover_all(points, covers, ground, lattice, half_m, step_m, count, left_m2)
    if (left_m2 > allowed_m2).any():
        return False
    tried = points.copy()
    low, high = 0.0, 1.2 * half_m
    for _ in range(7):
        middle = 0.5 * (low + high)
        _pull_all(points, mate, middle, least_m, tried)
        cover_all(tried, covers, ground, lattice, half_m, step_m, count, left_m2)
        if (left_m2 <= allowed_m2).all():
            low = middle
        else:
            high = middle
    _pull_all(points, mate, low, least_m, tried)
    for k in range(points.shape[0]):
        if _legs_clear(k, tried[k, 0], tried[k, 1], points, walked, mask):
            points[k] = tried[k]
    cover_all(points, covers, ground, lattice, half_m, step_m, count, left_m2)
    for step in steps_m:
        for _ in range(6):
            moved = False
            for k in range(points.shape[0]):
                m = mate[k]
                if m < 0:
                    continue
                dx, dy = points[m, 0] - points[k, 0], points[m, 1] - points[k, 1]
                length = np.hypot(dx, dy)
                for sign in (1.0, -1.0):
                    if length <= 0.0 or length - sign * step < (least_m if mate[m] == k else 0.01):
                        continue
                    x, y = points[k, 0], points[k, 1]
                    nx, ny = x + sign * step * dx / length, y + sign * step * dy / length
                    if _length(k, nx, ny, points, walked) >= _length(k, x, y, points, walked) - 1e-6:
                        continue
                    if not _legs_clear(k, nx, ny, points, walked, mask):
                        continue
                    _try_move(k, nx, ny, points, covers, ground, lattice, half_m, step_m, count, left_m2)
                    if (left_m2 <= allowed_m2).all():
                        moved = True
                        break
                    _try_move(k, x, y, points, covers, ground, lattice, half_m, step_m, count, left_m2)
            if not moved:
                break
    return bool((left_m2 <= allowed_m2).all())
