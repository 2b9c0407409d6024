"""Practice sites and deposits against published values: energy line, taught sizes, volumes of known bodies."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from pyproj import CRS
from shapely import MultiPolygon, Point

from lastseen.drill.practice_deposit import SiteFrame, SnowShape, lay_sized, plan_pushing
from lastseen.drill.sites import SiteWish, reach_of_start_zones, start_ground
from lastseen.grid import FloatArray, Grid
from lastseen.release import SIZES

_CRS = CRS.from_epsg(32632)
_FRAME = SiteFrame((600_000.0, 5_100_000.0), 203.0, 100.0, 50.0, _CRS)


def reach_travel_angle_deg(friction: float, face_deg: float, face_drop_m: float, foot_deg: float) -> float:
    """Travel angle of the farthest body: from the top of a straight face to where the reach ends on gentler ground."""
    cell = 5.0
    face_m = face_drop_m / math.tan(math.radians(face_deg))
    left = face_drop_m - friction * face_m  # height of the energy line above the foot
    beyond = left / max(friction - math.tan(math.radians(foot_deg)), 1e-6)
    n = math.ceil((200.0 + face_m + 1.3 * beyond) / cell)
    x = (np.arange(n) + 0.5) * cell - 100.0
    z = -np.clip(x, 0.0, face_m) * math.tan(math.radians(face_deg))
    z -= np.clip(x - face_m, 0.0, None) * math.tan(math.radians(foot_deg))
    ground = Grid(np.tile(z, (24, 1)), 0.0, 120.0, cell, _CRS)
    starts = start_ground(ground)
    found = reach_of_start_zones(
        ground, starts, frictions=((friction,) * len(SIZES),), turbulence_m_s2=math.inf, centripetal_load=False
    )
    row = 12
    first, last = int(np.flatnonzero(starts.zones[row])[0]), int(np.flatnonzero(found.source[row] >= 0)[-1])
    return math.degrees(math.atan((z[first] - z[last]) / (x[last] - x[first])))


def _paraboloid(radius_m: float, height_m: float) -> SnowShape:
    grid = _FRAME.lattice()
    rows, cols = np.indices(grid.shape)
    x, y = grid.centre_of(rows, cols)
    away = np.hypot(x - _FRAME.middle_m[0], y - _FRAME.middle_m[1])
    thickness: FloatArray = height_m * np.clip(1.0 - (away / radius_m) ** 2, 0.0, None)
    outline = MultiPolygon([Point(_FRAME.middle_m).buffer(radius_m)])
    volume = float(thickness.sum()) * grid.cell_area_m2
    return SnowShape(grid.with_values(thickness), outline, volume, height_m, 1.0, "a paraboloid")


def paraboloid_fill_m3(radius_m: float, height_m: float) -> float:
    """Sum over the stakes of what is laid for a paraboloid of revolution."""
    found = plan_pushing(_FRAME, _paraboloid(radius_m, height_m), snow_m=1.2)
    return sum(one.fill_m3 for one in found.stakes)


def paraboloid_cut_m3(radius_m: float, height_m: float) -> float:
    """Sum over the stakes of what is taken for it, with the default packing."""
    found = plan_pushing(_FRAME, _paraboloid(radius_m, height_m), snow_m=1.2)
    return sum(one.cut_m3 for one in found.stakes)


def laid_volume_m3(size: int, width_m: float = 400.0, height_m: float = 400.0) -> float:
    """Volume of the deposit of a size on a site that is large enough."""
    frame = SiteFrame(_FRAME.middle_m, 203.0, width_m, height_m, _CRS)
    shape = lay_sized(frame, size, 1)
    return float(shape.thickness_m.values.sum()) * shape.thickness_m.cell_area_m2


QUANTITIES: dict[str, Callable[..., float]] = {
    "site_reach_travel_angle_deg": reach_travel_angle_deg,
    "practice_fill_m3": paraboloid_fill_m3,
    "practice_cut_m3": paraboloid_cut_m3,
    "practice_deposit_volume_m3": laid_volume_m3,
    "practice_site_width_m": lambda: SiteWish().width_m,
    "practice_site_height_m": lambda: SiteWish().height_m,
    "practice_site_steepest_deg": lambda: SiteWish().high_deg,
}
