"""Start zones against published values: the slopes of the band, and how many recorded incidents lie in it."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from pyproj import CRS

from lastseen.grid import Grid
from lastseen.release.grades import grade_start_zones
from lastseen.release.slabs import thickness_m
from lastseen.release.start_zones import start_zone_terrain


def _plane(slope_deg: float) -> Grid:
    """A plane of this slope."""
    x, y = np.meshgrid(np.arange(31) * 5.0, np.arange(31) * 5.0)
    z = math.tan(math.radians(slope_deg)) * (0.8 * x + 0.6 * y)
    return Grid(z, 0.0, 155.0, 5.0, CRS.from_epsg(32632))


def _is_start_zone(slope_deg: float) -> bool:
    return bool(start_zone_terrain(_plane(slope_deg))[0][15, 15])


def start_zone_limit_deg(inside_deg: float, outside_deg: float) -> float:
    """Slope at which a plane stops being start zone, between one that is and one that is not."""
    while abs(inside_deg - outside_deg) > 1e-3:
        middle = 0.5 * (inside_deg + outside_deg)
        inside_deg, outside_deg = (middle, outside_deg) if _is_start_zone(middle) else (inside_deg, middle)
    return inside_deg


def start_zone_grade(slope_deg: float) -> float:
    """Grade of a plane without trees."""
    return float(grade_start_zones(_plane(slope_deg)).grade.values[15, 15])


def incident_share(classes: list[list[float]], *, whole: bool) -> float:
    """Share of incidents whose class of slope lies in the start-zone band, wholly or at least in part.

    Each class is lower limit, upper limit, number of incidents.
    """
    low, high = start_zone_limit_deg(38.0, 0.0), start_zone_limit_deg(38.0, 89.0)
    tiny = 0.01
    inside = [
        count for a, b, count in classes
        if (low - tiny <= a and b <= high + tiny if whole else a < high and low < b)
    ]  # fmt: skip
    return float(sum(inside) / sum(count for _, _, count in classes))


QUANTITIES: dict[str, Callable[..., float]] = {
    "start_zone_limit_deg": start_zone_limit_deg,
    "start_zone_grade": start_zone_grade,
    "start_zone_incident_share": incident_share,
    "slab_thickness_m": thickness_m,
}
