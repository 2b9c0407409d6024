"""Kernels of the three by three cells around each cell: plain arrays and floats in and out. Meaning lives beside.

Loops are written without branches, so that the compiler works on several cells at once; division follows IEEE rules.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.core import FloatArray


@njit(cache=True, nogil=True, error_model="numpy")
def arctan(x: float) -> float:
    """Arc tangent of x >= 0, radians, to the last bit or two, without branches.

    Coefficients of the Cephes mathematical library (Moshier 1989, Methods and Programs for Mathematical Functions).
    """
    far, mid = x > 2.414213562373095, x > 0.66
    over = -1.0 if far else (x - 1.0 if mid else x)
    under = x if far else (x + 1.0 if mid else 1.0)
    base = 1.5707963267948966 if far else (0.7853981633974483 if mid else 0.0)
    y = over / under
    s = y * y
    p = -8.750608600031904122785e-1 * s - 1.615753718733365076637e1
    p = ((p * s - 7.500855792314704667340e1) * s - 1.228866684490136173410e2) * s - 6.485021904942025371773e1
    q = (s + 2.485846490142306297962e1) * s + 1.650270098316988542046e2
    q = ((q * s + 4.328810604912902668951e2) * s + 4.853903996359136964868e2) * s + 1.945506571482613964425e2
    return base + (y * (s * p / q) + y)


@njit(cache=True, nogil=True, error_model="numpy")
def horn(z: FloatArray, cell_m: float, first: int, last: int, slope_deg: FloatArray, aspect_deg: FloatArray) -> None:
    """Slope and aspect of the rows first..last after Horn (1981); a NaN among the nine cells gives NaN."""
    ny, nx = z.shape
    k = 1.0 / (8.0 * cell_m)
    deg = 180.0 / np.pi
    for i in range(max(first, 1), min(last, ny - 1)):
        above, middle, below, slope, aspect = z[i - 1], z[i], z[i + 1], slope_deg[i], aspect_deg[i]
        for j in range(1, nx - 1):
            west = above[j - 1] + 2.0 * middle[j - 1] + below[j - 1]
            east = above[j + 1] + 2.0 * middle[j + 1] + below[j + 1]
            north = above[j - 1] + 2.0 * above[j] + above[j + 1]
            south = below[j - 1] + 2.0 * below[j] + below[j + 1]
            p = (east - west) * k
            q = (north - south) * k
            missing = 0.0 * (p + q + middle[j])
            slope[j] = arctan(np.sqrt(p * p + q * q)) * deg + missing
            east_west, north_south = abs(p), abs(q)
            steeper = east_west > north_south
            less, more = (north_south, east_west) if steeper else (east_west, north_south)
            a = arctan(less / more) * deg  # 0 / 0 on flats: they have no aspect
            a = 90.0 - a if steeper else a
            a = a if q <= 0.0 else 180.0 - a
            a = a if p <= 0.0 else 360.0 - a
            aspect[j] = (0.0 if a >= 360.0 else a) + missing


@njit(cache=True, nogil=True, error_model="numpy")
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
        above, middle, below = z[i - 1], z[i], z[i + 1]
        for j in range(1, nx - 1):
            e = middle[j]
            p[i, j] = (middle[j + 1] - middle[j - 1]) / (2.0 * cell_m)
            q[i, j] = (above[j] - below[j]) / (2.0 * cell_m)
            r[i, j] = (middle[j + 1] - 2.0 * e + middle[j - 1]) / c2
            t[i, j] = (above[j] - 2.0 * e + below[j]) / c2
            s[i, j] = (above[j + 1] - above[j - 1] - below[j + 1] + below[j - 1]) / (4.0 * c2)


@njit(cache=True, nogil=True, error_model="numpy")
def curvatures(
    z: FloatArray,
    cell_m: float,
    flat: float,
    first: int,
    last: int,
    profile: FloatArray,
    tangential: FloatArray,
    plan: FloatArray,
) -> None:
    """Curvatures in 1/m, convex positive; NaN where the squared gradient is below ``flat``."""
    ny, nx = z.shape
    half, square = 0.5 / cell_m, 1.0 / (cell_m * cell_m)
    for i in range(max(first, 1), min(last, ny - 1)):
        above, middle, below = z[i - 1], z[i], z[i + 1]
        out_profile, out_tangential, out_plan = profile[i], tangential[i], plan[i]
        for j in range(1, nx - 1):
            e = middle[j]
            p = (middle[j + 1] - middle[j - 1]) * half
            q = (above[j] - below[j]) * half
            r = (middle[j + 1] - 2.0 * e + middle[j - 1]) * square
            t = (above[j] - 2.0 * e + below[j]) * square
            s = (above[j + 1] - above[j - 1] - below[j + 1] + below[j - 1]) * (0.25 * square)
            g2 = p * p + q * q
            g2 = np.nan if g2 < flat else g2
            w = np.sqrt(1.0 + g2)
            along = r * p * p + 2.0 * s * p * q + t * q * q
            across = r * q * q - 2.0 * s * p * q + t * p * p
            out_profile[j] = -along / (g2 * (w * w * w))
            out_tangential[j] = -across / (g2 * w)
            out_plan[j] = -across / (g2 * np.sqrt(g2))


@njit(cache=True, nogil=True, error_model="numpy")
def _unit_normals(z: FloatArray, row: int, k: float, east: FloatArray, north: FloatArray, up: FloatArray) -> None:
    """Unit normals of one row after Horn (1981), into three rows; NaN on the frame and beside no data."""
    ny, nx = z.shape
    east[:], north[:], up[:] = np.nan, np.nan, np.nan
    if row < 1 or row > ny - 2:
        return
    above, middle, below = z[row - 1], z[row], z[row + 1]
    for j in range(1, nx - 1):
        p = (above[j + 1] + 2.0 * middle[j + 1] + below[j + 1] - above[j - 1] - 2.0 * middle[j - 1] - below[j - 1]) * k
        q = (above[j - 1] + 2.0 * above[j] + above[j + 1] - below[j - 1] - 2.0 * below[j] - below[j + 1]) * k
        n = 1.0 / np.sqrt(1.0 + p * p + q * q) + 0.0 * middle[j]
        east[j], north[j], up[j] = -p * n, -q * n, n


@njit(cache=True, nogil=True, error_model="numpy")
def ruggedness(z: FloatArray, cell_m: float, half: int, first: int, last: int, out: FloatArray) -> None:
    """Vector ruggedness of windows of 2 ``half`` + 1 cells: one less the length of the mean unit normal."""
    nx = z.shape[1]
    width = 2 * half + 1
    k, share = 1.0 / (8.0 * cell_m), 1.0 / (width * width)
    normals = np.empty((3, width, nx))
    columns = np.empty((3, nx))
    for row in range(first - half, last + half):
        slot = row % width
        _unit_normals(z, row, k, normals[0, slot], normals[1, slot], normals[2, slot])
        i = row - half
        if i < first:
            continue
        for axis in range(3):
            total = columns[axis]
            total[:] = normals[axis, (i - half) % width]
            for above in range(i - half + 1, i + half + 1):  # from north to south whatever the block of rows
                total += normals[axis, above % width]
        east, north, up, line = columns[0], columns[1], columns[2], out[i]
        for j in range(half, nx - half):
            x, y, h = east[j - half], north[j - half], up[j - half]
            for d in range(1 - half, half + 1):
                x += east[j + d]
                y += north[j + d]
                h += up[j + d]
            value = 1.0 - np.sqrt(x * x + y * y + h * h) * share
            line[j] = 0.0 if value < 0.0 else value


@njit(cache=True, nogil=True, error_model="numpy")
def openness(
    z: FloatArray, cell_m: float, radius_m: float, first: int, last: int, positive: FloatArray, negative: FloatArray
) -> None:
    """Mean zenith angle (positive) and nadir angle (negative) of the horizon on eight azimuths within a radius."""
    ny, nx = z.shape
    deg, quarter = 180.0 / np.pi, 0.5 * np.pi
    highest, lowest = np.empty(nx), np.empty(nx)
    for i in range(first, last):
        middle, up, down = z[i], positive[i], negative[i]
        up[:], down[:] = 0.0, 0.0
        for azimuth in range(8):
            di = (-1, -1, 0, 1, 1, 1, 0, -1)[azimuth]
            dj = (0, 1, 1, 1, 0, -1, -1, -1)[azimuth]
            step_m = cell_m * np.sqrt(float(di * di + dj * dj))
            highest[:], lowest[:] = np.nan, np.nan
            for k in range(1, int(radius_m / step_m + 1e-9) + 1):
                if i + di * k < 0 or i + di * k > ny - 1:
                    break
                there, shift, flatter = z[i + di * k], dj * k, 1.0 / (k * step_m)
                begin, end = max(0, -shift), min(nx, nx - shift)
                if begin >= end:
                    break
                seen, top, bottom, centre = (
                    there[begin + shift : end + shift],
                    highest[begin:end],
                    lowest[begin:end],
                    middle[begin:end],
                )
                if k == 1:
                    for j in range(end - begin):
                        top[j] = bottom[j] = (seen[j] - centre[j]) * flatter
                else:
                    for j in range(end - begin):  # a cell without data compares as false and is passed over
                        rise = (seen[j] - centre[j]) * flatter
                        top[j] = rise if rise > top[j] else top[j]
                        bottom[j] = rise if rise < bottom[j] else bottom[j]
            for j in range(nx):
                angle = arctan(abs(highest[j]))
                up[j] += quarter - (angle if highest[j] > 0.0 else -angle)
                angle = arctan(abs(lowest[j]))
                down[j] += quarter + (angle if lowest[j] > 0.0 else -angle)
        for j in range(nx):
            up[j] *= 0.125 * deg
            down[j] *= 0.125 * deg
