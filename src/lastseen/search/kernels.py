"""Search kernels: plain arrays and floats in and out. Meaning, units and checks live in the modules beside."""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.grid import BoolArray, FloatArray


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
def cover(
    run_m: FloatArray,
    step_m: float,
    z: FloatArray,
    west_m: float,
    north_m: float,
    cell_m: float,
    x_m: FloatArray,
    y_m: FloatArray,
    z_m: FloatArray,
    half_m: float,
    covered: BoolArray,
) -> None:
    """Mark the points within ``half_m`` (3-D, straight) of a draped straight run (x0, y0, x1, y1).

    Only points of the draped run itself count, at most ``step_m`` apart, so that no point is ever marked in error.
    """
    ax, ay = run_m[0], run_m[1]
    length = np.hypot(run_m[2] - ax, run_m[3] - ay)
    ex, ey = 1.0, 0.0
    if length > 0.0:
        ex, ey = (run_m[2] - ax) / length, (run_m[3] - ay) / length
    n = int(np.ceil(length / step_m))
    d = length / max(n, 1)
    vz = np.empty(n + 1)
    for k in range(n + 1):
        vz[k] = bilinear(z, west_m, north_m, cell_m, ax + k * d * ex, ay + k * d * ey)
    limit = half_m * half_m
    for i in range(x_m.size):
        t = (x_m[i] - ax) * ex + (y_m[i] - ay) * ey
        if t < -half_m or t > length + half_m:
            continue
        perp2 = ((x_m[i] - ax) * ey - (y_m[i] - ay) * ex) ** 2
        if perp2 > limit:
            continue
        middle = 0
        if d > 0.0:
            middle = min(max(int(np.floor(t / d + 0.5)), 0), n)
        for side in range(2):
            k = middle + side
            move = 1 if side == 1 else -1
            if side == 0:
                k = middle
            while 0 <= k <= n and not covered[i]:
                plan2 = (t - k * d) ** 2 + perp2
                if plan2 > limit:
                    break
                if plan2 + (z_m[i] - vz[k]) ** 2 <= limit:
                    covered[i] = True
                k += move
