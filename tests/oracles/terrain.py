"""Slow readable twins of slope, aspect and curvature: plain Python, one cell at a time, nothing from the package."""

import math


def _nine(z, i, j):
    return [float(z[i + di][j + dj]) for di in (-1, 0, 1) for dj in (-1, 0, 1)]


def _angles(east, north):
    """Slope and downhill azimuth in degrees from dz/dx (east) and dz/dy (north); the azimuth is NaN on flats."""
    slope = math.degrees(math.atan(math.hypot(east, north)))
    aspect = math.degrees(math.atan2(-east, -north)) % 360.0 if east or north else math.nan
    return slope, aspect


def horn(z, i, j, cell_m):
    """Slope and aspect of one cell after Horn (1981)."""
    a, b, c, d, e, f, g, h, k = _nine(z, i, j)
    if any(math.isnan(one) for one in (a, b, c, d, e, f, g, h, k)):
        return math.nan, math.nan
    east = ((c + 2 * f + k) - (a + 2 * d + g)) / (8 * cell_m)
    north = ((a + 2 * b + c) - (g + 2 * h + k)) / (8 * cell_m)
    return _angles(east, north)


def zevenbergen_thorne(z, i, j, cell_m):
    """Slope and aspect of one cell after Zevenbergen & Thorne (1987)."""
    _, b, _, d, _, f, _, h, _ = _nine(z, i, j)
    return _angles((f - d) / (2 * cell_m), (b - h) / (2 * cell_m))


def curvatures(z, i, j, cell_m):
    """Profile, tangential and plan curvature (1/m, convex positive) from the letters of Zevenbergen & Thorne (1987)."""
    a, b, c, d, e, f, g, h, k = _nine(z, i, j)
    big_d = ((d + f) / 2 - e) / cell_m**2
    big_e = ((b + h) / 2 - e) / cell_m**2
    big_f = (c - a + g - k) / (4 * cell_m**2)
    big_g = (f - d) / (2 * cell_m)
    big_h = (b - h) / (2 * cell_m)
    steep2 = big_g**2 + big_h**2
    along = 2 * (big_d * big_g**2 + big_e * big_h**2 + big_f * big_g * big_h)
    across = 2 * (big_d * big_h**2 + big_e * big_g**2 - big_f * big_g * big_h)
    profile = -along / (steep2 * (1 + steep2) ** 1.5)
    tangential = -across / (steep2 * math.sqrt(1 + steep2))
    plan = -across / steep2**1.5
    return profile, tangential, plan
