"""The numbers of a leg: length on the snow, bearing (true and magnetic), slope and time."""

from __future__ import annotations

import datetime as dt
import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from pyproj import CRS, Proj
from shapely import LineString

from lastseen.core import FloatArray, IntArray
from lastseen.rescue import Pace
from lastseen.search.frame import XY
from lastseen.search.surface import Surface

# ---- Magnetic bearings: the declination of the World Magnetic Model


def decimal_year(date: dt.date) -> float:
    """A date as a year with a fraction."""
    first = dt.date(date.year, 1, 1)
    return date.year + (date - first).days / (dt.date(date.year + 1, 1, 1) - first).days


@lru_cache(maxsize=256)
def declination_deg(lon_deg: float, lat_deg: float, elevation_m: float, year: float) -> float:
    """Angle from true north to magnetic north, east positive; magnetic bearing = true bearing - declination.

    World Magnetic Model (NOAA and British Geological Survey, WMM2025), as the library of its makers works it out.
    The model is of the main field: the needle can be off by degrees beside iron, and local rock is not in it.

    Parameters
    ----------
    lon_deg, lat_deg : float
        WGS 84.
    elevation_m : float
        Above the ellipsoid; a hundred metres more or less do not matter.
    year : float
        With its fraction.

    Returns
    -------
    float
        Degrees; NaN ("no data") outside the years of the model, where nothing can be said.
    """
    from wmm import wmm_calc  # noqa: PLC0415  slow to import, and only needed when a date is given

    if not (math.isfinite(year) and math.isfinite(elevation_m)):
        return math.nan
    model = wmm_calc()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a weak horizontal field near the poles is answered as a number, too
        try:
            model.setup_time(dyear=year)
        except ValueError:
            return math.nan
        model.setup_env(lat_deg, lon_deg, elevation_m / 1000.0)
        return float(model.get_Bdec()[0])


# ---- The numbers of a leg: length on the snow, bearing, slope and time

STEEP_DEG = 35.0  # common practice, no source: steeper ground is not walked in a straight line
_STEEP_STRETCH_M = 10.0
_SAMPLE_M = 2.5
# Ground steeper than 40 degrees is timed as 40 degrees (design choice, no source).
STEEPEST_TIMED = math.tan(math.radians(40.0))
WALKING: Pace = Pace()  # searching on foot


@dataclass(frozen=True, kw_only=True)
class LegMeasures:
    """Numbers of a straight walk: metres on the snow, degrees, seconds (see ``Leg``)."""

    length_m: float
    slope_deg: float
    steepest_deg: float
    time_s: float


def measure_leg(start: XY, end: XY, surface: Surface, pace: Pace = WALKING) -> LegMeasures:
    """The numbers of a straight way over the ground, sampled at one cell and at most 2 m."""
    plan = math.dist(start, end)
    n = max(1, math.ceil(plan / min(2.0, surface.filled.cell_m)))
    t = np.linspace(0.0, 1.0, n + 1)
    z = surface.z(start[0] + t * (end[0] - start[0]), start[1] + t * (end[1] - start[1]))
    rise, run = np.diff(z), plan / n
    if run <= 0.0:
        return LegMeasures(length_m=0.0, slope_deg=0.0, steepest_deg=0.0, time_s=0.0)
    length = np.hypot(rise, run)
    time = float(_times_s(t * plan, z, pace)[0][-1])
    mean = math.degrees(math.atan2(float(z[-1] - z[0]), plan))
    return LegMeasures(
        length_m=float(length.sum()), slope_deg=mean, steepest_deg=_steepest_deg(t * plan, z), time_s=time
    )


def _times_s(along_m: FloatArray, z_m: FloatArray, pace: Pace) -> tuple[FloatArray, FloatArray]:
    """Time to each point of a profile, there and on the way back from it; slope over stretches of about 10 m.

    Nobody paces by single bumps. The way back counts from the first point too.
    """
    n = max(1, round(float(along_m[-1]) / _STEEP_STRETCH_M))
    x = np.linspace(0.0, float(along_m[-1]), n + 1)
    rise, run = np.diff(np.interp(x, along_m, z_m)), float(along_m[-1]) / n
    slope, way = np.clip(rise / run, -STEEPEST_TIMED, STEEPEST_TIMED), np.hypot(rise, run)
    both = []
    for sign in (1.0, -1.0):
        time = np.concatenate([[0.0], np.cumsum(way / pace.speed_m_s(sign * slope))])
        both.append(np.interp(along_m, x, time))
    return both[0], both[1]


@dataclass(frozen=True, kw_only=True)
class SampledWalk:
    """Points of a walk, at most 2.5 m apart."""

    # shape (n,)
    x_m: FloatArray
    y_m: FloatArray
    z_m: FloatArray
    # shape (n,); time from the first point, and of the way back to it
    forth_s: FloatArray
    back_s: FloatArray
    # shape (n,); the leg between this point and the next; the last entry repeats. Legs of no length have one point.
    leg: IntArray


def sample_walk(points: FloatArray, surface: Surface, paces: Pace | Sequence[Pace] = WALKING) -> SampledWalk:
    """Points along a walk over the ground (corners n x 2), at one pace or at one for each leg."""
    xs, ys, zs, forth, back, leg = [], [], [], [0.0], [0.0], []
    for k in range(len(points) - 1):
        plan, pace = math.dist(points[k], points[k + 1]), paces if isinstance(paces, Pace) else paces[k]
        n = max(1, math.ceil(plan / _SAMPLE_M))
        t = np.linspace(0.0, 1.0, n + 1)
        x = points[k, 0] + t * (points[k + 1, 0] - points[k, 0])
        y = points[k, 1] + t * (points[k + 1, 1] - points[k, 1])
        z = surface.z(x, y)
        there, home = _times_s(t * plan, z, pace) if plan > 0.0 else (np.zeros(n + 1), np.zeros(n + 1))
        first = slice(0 if k == 0 else 1, None)
        xs.append(x[first])
        ys.append(y[first])
        zs.append(z[first])
        forth += (forth[-1] + there[1:]).tolist()
        back += (back[-1] + home[1:]).tolist()
        leg += [k] * n
    leg.append(leg[-1])
    x, y, z = (np.concatenate(part) for part in (xs, ys, zs))
    return SampledWalk(
        x_m=x, y_m=y, z_m=z, forth_s=np.array(forth), back_s=np.array(back), leg=np.array(leg, dtype=np.int32)
    )


def steep_m(lines: Sequence[LineString], surface: Surface) -> float:
    """Map length of straight legs that leads up or down more than 35 degrees, read over stretches of about 10 m."""
    run, rise = _stretches(lines, surface)
    return float(run[np.abs(rise) > math.tan(math.radians(STEEP_DEG)) * run].sum())


def climb_m(lines: Sequence[LineString], surface: Surface) -> float:
    """Height that straight legs gain on their way, read over stretches of about 10 m."""
    return float(np.maximum(0.0, _stretches(lines, surface)[1]).sum())


def _stretches(lines: Sequence[LineString], surface: Surface) -> tuple[FloatArray, FloatArray]:
    """Map length and rise of stretches of about 10 m of straight legs."""
    if not lines:
        return np.zeros(0), np.zeros(0)
    ends = np.array([line.coords[:] for line in lines]).reshape(-1, 4)
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    parts = np.maximum(1, np.rint(length / _STEEP_STRETCH_M)).astype(np.int64)
    leg = np.repeat(np.arange(len(lines)), parts)
    number = np.arange(leg.size) - np.repeat(np.cumsum(parts) - parts, parts)
    heights = []
    for step in (0, 1):
        t = (number + step) / parts[leg]
        x = ends[leg, 0] + t * (ends[leg, 2] - ends[leg, 0])
        heights.append(surface.z(x, ends[leg, 1] + t * (ends[leg, 3] - ends[leg, 1])))
    run = length[leg] / parts[leg]
    return run, heights[1] - heights[0]


def _steepest_deg(along_m: FloatArray, z_m: FloatArray) -> float:
    """Steepest 10 m of a profile (all of it when it is shorter), up or down, as a positive angle."""
    window = min(_STEEP_STRETCH_M, float(along_m[-1]))
    first = along_m[along_m <= along_m[-1] - window + 1e-9]
    first = np.append(first, along_m[-1] - window)
    rise = np.interp(first + window, along_m, z_m) - np.interp(first, along_m, z_m)
    return math.degrees(math.atan2(float(np.abs(rise).max()), window))


@lru_cache(maxsize=8)
def _projection(crs: CRS) -> Proj:
    return Proj(crs)


def true_bearings_deg(starts_m: FloatArray, ends_m: FloatArray, crs: CRS) -> FloatArray:
    """Bearing from true north at the start of each straight line (n x 2 map metres), 0 to 360 degrees.

    True bearing = grid bearing + meridian convergence, where convergence is the bearing of grid north from true
    north (east positive), as PROJ gives it.
    """
    if len(starts_m) == 0:
        return np.zeros(0)
    a, b = starts_m, ends_m
    projection = _projection(crs)
    lon, lat = projection(a[:, 0], a[:, 1], inverse=True)
    convergence = np.asarray(projection.get_factors(lon, lat).meridian_convergence, dtype=np.float64)
    grid = np.degrees(np.arctan2(b[:, 0] - a[:, 0], b[:, 1] - a[:, 1]))
    return compass_deg(grid + convergence)


def compass_deg(angle_deg: FloatArray) -> FloatArray:
    """Angles brought to 0 (included) to 360 (not)."""
    bearing = np.mod(angle_deg, 360.0)
    return np.asarray(np.where(bearing >= 360.0, 0.0, bearing), dtype=np.float64)
