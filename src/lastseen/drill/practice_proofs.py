"""Reference quantities of hidden targets and of the debrief: one function for each."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from pyproj import CRS
from shapely import MultiPolygon, box

from lastseen.drill.debrief.band import ACROSS
from lastseen.drill.debrief.reading import PHASES
from lastseen.drill.debrief.story import debrief
from lastseen.drill.debrief.tracks import RawTrack
from lastseen.drill.exercises import published_exercises
from lastseen.drill.planned import Planned, PlannedLeg
from lastseen.drill.targets.placing import depths_m
from lastseen.grid import Grid
from lastseen.place import WGS84, transformer
from lastseen.search import strip_pattern

_CRS = CRS.from_epsg(32632)
_EAST, _NORTH = 600_000.0, 5_100_000.0


def exercise_value(exercise: str, key: str, at: int | None = None) -> float:
    """A number of a published exercise."""
    value: Any = getattr(published_exercises()[exercise], key)
    return float(value if at is None else value[at])


def debrief_coverage_percent(
    width_m: float, length_m: float, strip_width_m: float, pattern: Any, inset_m: float
) -> float:
    """What a recorded walk along a textbook pattern covers of an oblong, the track taken at its word, per cent."""
    walk = strip_pattern(width_m, length_m, strip_width_m, pattern, inset_m)
    rows, cols = int(length_m) + 40, int(width_m) + 40
    ground = Grid(np.zeros((rows, cols)), _EAST - 20.0, _NORTH + length_m + 20.0, 1.0, _CRS)
    outline = MultiPolygon([box(_EAST, _NORTH, _EAST + width_m, _NORTH + length_m)])
    corners = np.asarray(walk.coords)[:, :2] + (_EAST, _NORTH)
    leg = PlannedLeg(1, 1, "lane", 1, type(walk)(corners), walk.length, walk.length)
    plan = Planned("pattern", _CRS, outline, ground, None, (leg,), strip_width_m, 1.0, flat=True)
    at = np.append(np.arange(0.0, walk.length, 1.0), walk.length)
    xy = np.array([leg.line.interpolate(d).coords[0] for d in at])
    lon, lat = transformer(_CRS, WGS84).transform(xy[:, 0], xy[:, 1])
    raw = RawTrack("walk", np.asarray(lon), np.asarray(lat), 1.8e9 + at, np.zeros(at.size, np.int32))
    return 100.0 * debrief(plan, [raw], gps_error_m=0.0).band.half


def target_depth_median_m(least_m: float, greatest_m: float) -> float:
    """Median depth of targets between limits."""
    return float(depths_m((least_m, greatest_m), np.array([0.5]))[0])


QUANTITIES: dict[str, Callable[..., float]] = {
    "exercise_value": exercise_value,
    "debrief_coverage_percent": debrief_coverage_percent,
    "target_depth_median_m": target_depth_median_m,
    "gps_error_across_ratio": lambda: ACROSS,
    "search_phases_with_letter": lambda: sum(len(one) == 1 for one in PHASES),
}
