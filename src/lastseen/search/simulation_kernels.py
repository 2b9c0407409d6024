"""Trial kernels: plain arrays and floats in and out."""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.core import FloatArray, IntArray


@njit(cache=True, nogil=True)
def reach_lists(
    a_m: FloatArray, b_m: FloatArray, west_m: float, south_m: float, cell_m: float, rows: int, cols: int, reach_m: float
) -> tuple[IntArray, IntArray]:
    """For each cell the stretches of walk (a to b, x y z) that come within reach of it, in their order.

    Returns first entries by cell (one more than cells) and the stretches.
    """
    first = np.zeros(rows * cols + 1, np.int32)
    listed = np.empty(0, np.int32)
    near = reach_m + 0.7072 * cell_m
    for turn in range(2):
        place = first[:-1].copy()
        for k in range(a_m.shape[0]):
            ax, ay = a_m[k, 0], a_m[k, 1]
            dx, dy = b_m[k, 0] - ax, b_m[k, 1] - ay
            square = dx * dx + dy * dy
            c0 = max(0, int(np.floor((min(ax, ax + dx) - reach_m - west_m) / cell_m)))
            c1 = min(cols - 1, int(np.floor((max(ax, ax + dx) + reach_m - west_m) / cell_m)))
            r0 = max(0, int(np.floor((min(ay, ay + dy) - reach_m - south_m) / cell_m)))
            r1 = min(rows - 1, int(np.floor((max(ay, ay + dy) + reach_m - south_m) / cell_m)))
            for r in range(r0, r1 + 1):
                for c in range(c0, c1 + 1):
                    x, y = west_m + (c + 0.5) * cell_m - ax, south_m + (r + 0.5) * cell_m - ay
                    t = min(max((x * dx + y * dy) / square, 0.0), 1.0) if square > 0.0 else 0.0
                    if np.hypot(x - t * dx, y - t * dy) > near:
                        continue
                    if turn == 0:
                        first[r * cols + c + 1] += 1
                    else:
                        listed[place[r * cols + c]] = k
                        place[r * cols + c] += 1
        if turn == 0:
            first = np.cumsum(first).astype(np.int32)
            listed = np.empty(first[-1], np.int32)
    return first, listed


@njit(cache=True, nogil=True)
def first_signal(
    a_m: FloatArray, b_m: FloatArray, t0_s: FloatArray, t1_s: FloatArray, first: IntArray, listed: IntArray,
    west_m: float, south_m: float, cell_m: float, rows: int, cols: int, target_m: FloatArray, axis: FloatArray,
    range_m: FloatArray, dipole: int, out_s: FloatArray,
) -> None:  # fmt: skip
    """Time at which each target is first heard; infinite where it never is.

    A target is heard at a point of the walk when the straight distance is at most its range there: ``range_m`` itself,
    or for a dipole that times ``((1 + 3 cos^2 phi) / 4)^(1/6)``, phi between its axis and the direction to the walker.
    Stretches of walk come in the order of ``t0_s``; each is looked at from where it enters the largest range.
    """
    for i in range(target_m.shape[0]):
        out_s[i] = np.inf
        x, y, z, far = target_m[i, 0], target_m[i, 1], target_m[i, 2], range_m[i]
        r, c = int(np.floor((y - south_m) / cell_m)), int(np.floor((x - west_m) / cell_m))
        if r < 0 or c < 0 or r >= rows or c >= cols:
            continue
        cell = r * cols + c
        best = np.inf
        for m in range(first[cell], first[cell + 1]):
            k = listed[m]
            if t0_s[k] >= best:
                break
            fx, fy, fz = a_m[k, 0] - x, a_m[k, 1] - y, a_m[k, 2] - z
            dx, dy, dz = b_m[k, 0] - a_m[k, 0], b_m[k, 1] - a_m[k, 1], b_m[k, 2] - a_m[k, 2]
            square = dx * dx + dy * dy + dz * dz
            half = fx * dx + fy * dy + fz * dz
            excess = fx * fx + fy * fy + fz * fz - far * far
            low, high = 0.0, 1.0
            if square > 0.0:
                root2 = half * half - square * excess
                if root2 < 0.0:
                    continue
                root = np.sqrt(root2)
                low, high = max(0.0, (-half - root) / square), min(1.0, (-half + root) / square)
                if low > high:
                    continue
            elif excess > 0.0:
                continue
            share = low
            if dipole:
                heard = False
                for step in range(4):
                    share = low + step / 3.0 * (high - low)
                    px, py, pz = fx + share * dx, fy + share * dy, fz + share * dz
                    away2 = px * px + py * py + pz * pz
                    along = px * axis[i, 0] + py * axis[i, 1] + pz * axis[i, 2]
                    cos2 = along * along / away2 if away2 > 0.0 else 1.0
                    # away <= far ((1 + 3 cos2) / 4)^(1/6), both sides to the sixth power
                    if away2 * away2 * away2 <= far**6 * (1.0 + 3.0 * cos2) / 4.0:
                        heard = True
                        break
                if not heard:
                    continue
            best = min(best, t0_s[k] + share * (t1_s[k] - t0_s[k]))
        out_s[i] = best
