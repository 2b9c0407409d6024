"""Local terrain kernels: plain arrays and floats in and out. Meaning, units and checks live in the module beside."""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.grid import FloatArray


@njit(cache=True, nogil=True)
def horn(z: FloatArray, cell_m: float, first: int, last: int, slope_deg: FloatArray, aspect_deg: FloatArray) -> None:
    """Slope and aspect of the rows first..last after Horn (1981); a NaN among the nine cells gives NaN."""
    ny, nx = z.shape
    k = 1.0 / (8.0 * cell_m)
    deg = 180.0 / np.pi
    for i in range(max(first, 1), min(last, ny - 1)):
        for j in range(1, nx - 1):
            west = z[i - 1, j - 1] + 2.0 * z[i, j - 1] + z[i + 1, j - 1]
            east = z[i - 1, j + 1] + 2.0 * z[i, j + 1] + z[i + 1, j + 1]
            north = z[i - 1, j - 1] + 2.0 * z[i - 1, j] + z[i - 1, j + 1]
            south = z[i + 1, j - 1] + 2.0 * z[i + 1, j] + z[i + 1, j + 1]
            p = (east - west) * k + 0.0 * z[i, j]
            q = (north - south) * k
            slope_deg[i, j] = np.arctan(np.sqrt(p * p + q * q)) * deg
            if p != 0.0 or q != 0.0:
                a = np.arctan2(-p, -q) * deg
                aspect_deg[i, j] = a + 360.0 if a < 0.0 else a


@njit(cache=True, nogil=True)
def derivatives(
    z: FloatArray,
    cell_m: float,
    first: int,
    last: int,
    p: FloatArray,
    q: FloatArray,
    r: FloatArray,
    s: FloatArray,
    t: FloatArray,
) -> None:
    """First and second derivatives (x east, y north) of the quadratic of Zevenbergen & Thorne (1987)."""
    ny, nx = z.shape
    c2 = cell_m * cell_m
    for i in range(max(first, 1), min(last, ny - 1)):
        for j in range(1, nx - 1):
            e = z[i, j]
            p[i, j] = (z[i, j + 1] - z[i, j - 1]) / (2.0 * cell_m)
            q[i, j] = (z[i - 1, j] - z[i + 1, j]) / (2.0 * cell_m)
            r[i, j] = (z[i, j + 1] - 2.0 * e + z[i, j - 1]) / c2
            t[i, j] = (z[i - 1, j] - 2.0 * e + z[i + 1, j]) / c2
            s[i, j] = (z[i - 1, j + 1] - z[i - 1, j - 1] - z[i + 1, j + 1] + z[i + 1, j - 1]) / (4.0 * c2)
