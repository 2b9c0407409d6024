"""Loops over cells for practice sites: plain arrays and floats in and out. Meaning and units live beside.

Row 0 is north. Positions are in cells: row i has its centre at i + 0.5.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from lastseen.core import BoolArray, FloatArray, IntArray

FloatArray32 = npt.NDArray[np.float32]


@njit(cache=True, nogil=True)
def gather(
    cells: IntArray, speeds: FloatArray, offsets: IntArray, start: IntArray, passed: BoolArray, fastest: FloatArray32,
    source: IntArray,
) -> None:  # fmt: skip
    """Note for each cell that a sample passes it: that it did, the greatest speed, and the start of that sample."""
    for sample in range(offsets.size - 1):
        for k in range(offsets[sample], offsets[sample + 1]):
            c = cells[k]
            passed[c] = True
            v = np.float32(speeds[k])
            if v > fastest[c] or source[c] < 0:
                fastest[c] = v
                source[c] = start[sample]


@njit(cache=True, nogil=True)
def rectangles(
    slope: FloatArray, bad: BoolArray, away: FloatArray32, east: FloatArray, north: FloatArray, rows: IntArray,
    cols: IntArray, half_across: float, half_along: float, step: float, low_deg: float, high_deg: float, first: int,
    last: int, out: FloatArray,
) -> None:  # fmt: skip
    """Look at a rectangle across the fall line around each centre; lengths in cells.

    Fills ``out`` (n, 6): 1 where all of it is on the lattice and none of it bad, else 0; share of it steep enough; mean
    slope; standard deviation of slope; least distance from reached ground (as ``away``); share that faces within 45
    degrees of its fall line.
    """
    ny, nx = slope.shape
    na, nb = int(np.ceil(2.0 * half_across / step)), int(np.ceil(2.0 * half_along / step))
    for k in range(first, last):
        i0, j0 = rows[k] + 0.5, cols[k] + 0.5
        ux, uy = east[rows[k], cols[k]], north[rows[k], cols[k]]
        out[k, 0] = 0.0
        long = np.sqrt(ux * ux + uy * uy)
        if not long > 0.0:
            continue
        ux, uy = ux / long, uy / long
        n, steep, total, square, near, facing = 0, 0, 0.0, 0.0, np.inf, 0
        good = True
        for a in range(na + 1):
            s = -half_across + 2.0 * half_across * a / na
            for b in range(nb + 1):
                t = -half_along + 2.0 * half_along * b / nb
                i, j = int(np.floor(i0 - (t * uy + s * ux))), int(np.floor(j0 + t * ux - s * uy))
                if i < 0 or j < 0 or i >= ny or j >= nx or bad[i, j]:
                    good = False
                    break
                v = slope[i, j]
                if not v <= high_deg:
                    good = False
                    break
                n += 1
                steep += 1 if v >= low_deg else 0
                total += v
                square += v * v
                near = min(near, away[i, j])
                size = np.sqrt(east[i, j] ** 2 + north[i, j] ** 2)
                if (east[i, j] * ux + north[i, j] * uy) >= 0.7071 * size:
                    facing += 1
            if not good:
                break
        if not good:
            continue
        mean = total / n
        out[k, 0] = 1.0
        out[k, 1] = steep / n
        out[k, 2] = mean
        out[k, 3] = np.sqrt(max(square / n - mean * mean, 0.0))
        out[k, 4] = near
        out[k, 5] = facing / n


@njit(cache=True, nogil=True)
def _height(z: FloatArray, row: float, col: float) -> float:
    """Bilinear height; NaN off the lattice."""
    ny, nx = z.shape
    u, v = row - 0.5, col - 0.5
    if not (0.0 <= u <= ny - 1.0 and 0.0 <= v <= nx - 1.0):
        return np.nan
    i, j = min(int(u), ny - 2), min(int(v), nx - 2)
    a, b = u - i, v - j
    return float(
        (1.0 - a) * ((1.0 - b) * z[i, j] + b * z[i, j + 1]) + a * ((1.0 - b) * z[i + 1, j] + b * z[i + 1, j + 1])
    )


@njit(cache=True, nogil=True)
def seen_shares(z: FloatArray, eyes: FloatArray, marks: FloatArray, eye_m: float, mark_m: float) -> FloatArray:
    """Share of the marks that each pair of eyes sees over the ground.

    ``eyes`` (n, 2) and ``marks`` (m, 2) are rows and columns in cells; both stand ``eye_m`` and ``mark_m`` above the
    ground. What lies behind no data is not seen.
    """
    out = np.zeros(eyes.shape[0])
    for e in range(eyes.shape[0]):
        eye = _height(z, eyes[e, 0], eyes[e, 1]) + eye_m
        seen = 0
        for m in range(marks.shape[0]):
            mark = _height(z, marks[m, 0], marks[m, 1]) + mark_m
            di, dj = marks[m, 0] - eyes[e, 0], marks[m, 1] - eyes[e, 1]
            steps = max(1, int(np.ceil(np.sqrt(di * di + dj * dj))))
            clear = not (np.isnan(eye) or np.isnan(mark))
            for k in range(1, steps):
                if not clear:
                    break
                t = k / steps
                ground = _height(z, eyes[e, 0] + t * di, eyes[e, 1] + t * dj)
                clear = bool(ground <= eye + t * (mark - eye))
            seen += 1 if clear else 0
        out[e] = seen / max(marks.shape[0], 1)
    return out
