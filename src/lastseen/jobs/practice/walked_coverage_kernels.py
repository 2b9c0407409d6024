"""Debrief kernels: plain arrays and floats in and out."""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.core import BoolArray, FloatArray, IntArray


@njit(cache=True, nogil=True)
def first_reached(
    xyz_m: FloatArray, time_s: FloatArray, trusted: BoolArray, west_m: float, south_m: float, spacing_m: float,
    index: IntArray, height_m: FloatArray, radii_m: FloatArray, out_s: FloatArray,
) -> None:  # fmt: skip
    """First time at which each sample of a lattice lies within three straight distances of a walk.

    ``xyz_m`` (n x 3) are points along the walk in order of time. ``radii_m`` rise; the first counts only at trusted
    points. ``out_s`` (3 x samples) holds earlier times or infinity and is written to.
    """
    rows, cols = index.shape
    low2, half2, high2 = radii_m[0] ** 2, radii_m[1] ** 2, radii_m[2] ** 2
    if radii_m[0] <= 0.0:
        low2 = -1.0
    reach = radii_m[2]
    for k in range(xyz_m.shape[0]):
        x, y, z, t, sure = xyz_m[k, 0], xyz_m[k, 1], xyz_m[k, 2], time_s[k], trusted[k]
        c0 = max(0, int(np.ceil((x - reach - west_m) / spacing_m)))
        c1 = min(cols - 1, int(np.floor((x + reach - west_m) / spacing_m)))
        r0 = max(0, int(np.ceil((y - reach - south_m) / spacing_m)))
        r1 = min(rows - 1, int(np.floor((y + reach - south_m) / spacing_m)))
        for r in range(r0, r1 + 1):
            dy2 = (south_m + r * spacing_m - y) ** 2
            for c in range(c0, c1 + 1):
                i = index[r, c]
                if i < 0 or out_s[0, i] <= t:
                    continue
                away2 = (west_m + c * spacing_m - x) ** 2 + dy2
                if away2 > high2:
                    continue
                away2 += (height_m[i] - z) ** 2
                if away2 <= high2:
                    out_s[2, i] = min(out_s[2, i], t)
                    if away2 <= half2:
                        out_s[1, i] = min(out_s[1, i], t)
                        if sure and away2 <= low2:
                            out_s[0, i] = t
