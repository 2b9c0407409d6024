"""Practice sites, targets, debriefs and readings against published values and closed forms."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from pyproj import CRS
from shapely import MultiPolygon, Point, box

from lastseen.core import WGS84, FloatArray, Grid, Snow, transformer
from lastseen.jobs.practice.debrief import debrief
from lastseen.jobs.practice.deposit import SiteFrame, SnowShape, lay_sized, plan_pushing
from lastseen.jobs.practice.drill import PlannedLeg, PlannedSearch, published_exercises
from lastseen.jobs.practice.site_exposure import find_start_ground, simulate_start_zones
from lastseen.jobs.practice.targets import depths_m
from lastseen.jobs.practice.tracks import RawTrack
from lastseen.jobs.reading.block_reading import read_area
from lastseen.jobs.reading.block_run import draw_by_place, draw_shared, simulate_block
from lastseen.jobs.reading.ground import PreparedGround, heights_of_grid, tiles_of
from lastseen.search import lay_pattern
from lastseen.snow import SAMPLE_FRICTION, SIZES, energy_line_runout_m, uniform

_CRS = CRS.from_epsg(32632)
_EAST, _NORTH = 600_000.0, 5_100_000.0
_FRAME = SiteFrame(middle_m=(600_000.0, 5_100_000.0), downhill_deg=203.0, width_m=100.0, height_m=50.0, crs=_CRS)


def reach_travel_angle_deg(friction: float, face_deg: float, face_drop_m: float, foot_deg: float) -> float:
    """Travel angle of the farthest sample: from the top of a straight face to where it ends on gentler ground."""
    cell = 5.0
    face_m = face_drop_m / math.tan(math.radians(face_deg))
    left = face_drop_m - friction * face_m  # height of the energy line above the foot
    beyond = left / max(friction - math.tan(math.radians(foot_deg)), 1e-6)
    n = math.ceil((200.0 + face_m + 1.3 * beyond) / cell)
    x = (np.arange(n) + 0.5) * cell - 100.0
    z = -np.clip(x, 0.0, face_m) * math.tan(math.radians(face_deg))
    z -= np.clip(x - face_m, 0.0, None) * math.tan(math.radians(foot_deg))
    ground = Grid(np.tile(z, (24, 1)), 0.0, 120.0, cell, _CRS)
    starts = find_start_ground(ground)
    found = simulate_start_zones(
        ground, starts, frictions=((friction,) * len(SIZES),), turbulence_m_s2=math.inf, centripetal_load=False
    )
    row = 12
    first, last = int(np.flatnonzero(starts.zones[row])[0]), int(np.flatnonzero(found.source[row] >= 0)[-1])
    return math.degrees(math.atan((z[first] - z[last]) / (x[last] - x[first])))


def _paraboloid(radius_m: float, height_m: float) -> SnowShape:
    grid = _FRAME.lattice()
    x, y = grid.centre_of(*np.indices(grid.shape))
    away = np.hypot(x - _FRAME.middle_m[0], y - _FRAME.middle_m[1])
    thickness: FloatArray = height_m * np.clip(1.0 - (away / radius_m) ** 2, 0.0, None)
    return SnowShape(
        thickness_m=grid.with_values(thickness),
        outline=MultiPolygon([Point(_FRAME.middle_m).buffer(radius_m)]),
        volume_m3=float(thickness.sum()) * grid.cell_area_m2,
        greatest_m=height_m,
        scale=1.0,
        source="a paraboloid",
    )


def paraboloid_fill_m3(radius_m: float, height_m: float) -> float:
    """Sum over the stakes of what is laid for a paraboloid of revolution."""
    return sum(stake.fill_m3 for stake in plan_pushing(_FRAME, _paraboloid(radius_m, height_m), snow_m=1.2).stakes)


def paraboloid_cut_m3(radius_m: float, height_m: float) -> float:
    """Sum over the stakes of what is taken for it, with the default packing."""
    return sum(stake.cut_m3 for stake in plan_pushing(_FRAME, _paraboloid(radius_m, height_m), snow_m=1.2).stakes)


def laid_volume_m3(size: int, width_m: float = 400.0, height_m: float = 400.0) -> float:
    """Volume of the deposit of a size on a site that is large enough."""
    shape = lay_sized(replace(_FRAME, width_m=width_m, height_m=height_m), size, 1)
    return float(shape.thickness_m.values.sum()) * shape.thickness_m.cell_area_m2


def exercise_value(exercise: str, key: str, at: int | None = None) -> float:
    """A number of a published exercise."""
    value: Any = getattr(published_exercises()[exercise], key)
    return float(value if at is None else value[at])


def debrief_coverage_percent(
    width_m: float, length_m: float, strip_width_m: float, pattern: Any, inset_m: float
) -> float:
    """What a recorded walk along a textbook pattern covers of an oblong, the track taken at its word, per cent."""
    walk = lay_pattern(width_m, length_m, strip_width_m, pattern, inset_m)
    rows, cols = int(length_m) + 40, int(width_m) + 40
    ground = Grid(np.zeros((rows, cols)), _EAST - 20.0, _NORTH + length_m + 20.0, 1.0, _CRS)
    outline = MultiPolygon([box(_EAST, _NORTH, _EAST + width_m, _NORTH + length_m)])
    corners = np.asarray(walk.coords)[:, :2] + (_EAST, _NORTH)
    leg = PlannedLeg(
        searcher=1, number=1, kind="lane", lane=1, line=type(walk)(corners), length_m=walk.length, time_s=walk.length
    )
    plan = PlannedSearch(
        name="pattern",
        crs=_CRS,
        outline=outline,
        ground=ground,
        poa=None,
        legs=(leg,),
        strip_width_m=strip_width_m,
        coverage=1.0,
        flat=True,
    )
    at = np.append(np.arange(0.0, walk.length, 1.0), walk.length)
    xy = np.array([leg.line.interpolate(d).coords[0] for d in at])
    lon, lat = transformer(_CRS, WGS84).transform(xy[:, 0], xy[:, 1])
    arrays = {"lon_deg": np.asarray(lon), "lat_deg": np.asarray(lat), "time_s": 1.8e9 + at}
    raw = RawTrack(name="walk", segment=np.zeros(at.size, np.int32), **arrays)
    return 100.0 * debrief(plan, [raw], gps_error_m=0.0).band.half


def target_depth_median_m(least_m: float, greatest_m: float) -> float:
    """Median depth of targets between limits."""
    return float(depths_m((least_m, greatest_m), np.array([0.5]))[0])


NO_DRAG = (1e9, 1e9, 1e9)


def _face(slope_deg: float, cell_m: float) -> Grid:
    """An even face 300 m long on the map that ends in a bend onto flat ground; falls to the south."""
    ny, nx = round(1500.0 / cell_m), round(250.0 / cell_m)
    y = (np.arange(ny) + 0.5)[:, None] * cell_m + 0.0 * np.arange(nx)[None, :]
    return Grid(2000.0 - math.tan(math.radians(slope_deg)) * np.clip(y - 40.0, 0.0, 300.0), 0.0, 0.0, cell_m,
                CRS.from_epsg(32632))  # fmt: skip


def reach_ratio(slope_deg: float, friction: float, cell_m: float = 2.5) -> float:
    """Run-out on the flat of the samples of a face against the closed form, mean over all samples.

    Coulomb friction alone. On the face the energy line (Heim 1932) falls by the friction; in the bend the sample weighs
    more, which takes exp(-2 mu theta) of v2 (point mass on a smooth bend); on the flat the energy line goes on.
    """
    heights = heights_of_grid(_face(slope_deg, cell_m))
    ensemble = draw_shared(Snow(friction=(friction,) * 3, turbulence_m_s2=NO_DRAG), 1, 4)
    prepared = PreparedGround(heights=heights, with_traps=False)
    ratios = []
    for block in tiles_of(heights.extent, heights.block_cells):
        found = simulate_block(prepared, block, ensemble, 20.0)
        if found is None:
            continue
        starts, ground, runs = found
        off_row, off_friction = (draw_by_place(1, starts.rows, starts.cols, 4, what) for what in (0, 2))
        mu = ensemble.friction[None, :] * uniform(off_friction, *SAMPLE_FRICTION)
        y = ((starts.rows - heights.extent.top)[:, None] + off_row) * cell_m
        length = (340.0 - y) / math.cos(math.radians(slope_deg))
        for run in runs:
            end = -run.tracks.y_m + (ground.window.top - heights.extent.top) * cell_m - 340.0
            for k, body in enumerate(range(run.starts.start * 4, run.starts.stop * 4)):
                start, member = divmod(body, 4)
                m, way = float(mu[start, member]), float(length[start, member])
                if way > 100.0 and run.stop[k] >= 0:
                    bent = math.exp(-2.0 * m * math.radians(slope_deg))
                    ratios.append(float(end[k]) / (energy_line_runout_m(m, slope_deg, way) * bent))
    return float(np.mean(ratios))


def highest_reached_m(slope_deg: float) -> float:
    """Metres above the top of a face at which any sample is met: a level top is reached by nothing."""
    area = read_area(_face(slope_deg, 5.0), members=4, with_traps=False)
    rows = np.flatnonzero(area.totals.mask.any(axis=1))
    return float(max(0.0, 40.0 - 10.0 - rows[0] * 5.0)) if rows.size else 0.0
