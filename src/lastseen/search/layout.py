"""The whole layout: from an outline on the ground to lanes, legs and measured coverage."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import shapely
from shapely import LineString

from lastseen.grid import Grid
from lastseen.search.checks import Field, check_numbers, checked_field
from lastseen.search.coverage import Outline, covered_by, summed_up
from lastseen.search.detour import is_known, way_between
from lastseen.search.frame import XY, Group, downhill, groups_of
from lastseen.search.lanes import Placed, place_lanes
from lastseen.search.legs import true_bearings_deg, walk_over
from lastseen.search.model import Kind, Lane, Leg, Pattern, SearchPlan
from lastseen.search.notes import written_notes
from lastseen.search.runs import Run, Sight
from lastseen.search.surface import Surface
from lastseen.search.team import blocks, one_walk, sweeps

_HALVINGS = 6


def lay_out(
    outline: Outline,
    ground: Grid,
    *,
    strip_width_m: float = 40.0,
    searchers: int = 1,
    start_xy_m: tuple[float, float] | None = None,
    fall_line_deg: float | None = None,
    pattern: Pattern | None = None,
    least_coverage: float = 0.99,
) -> SearchPlan:
    """Lay lanes for a signal search over a debris outline, and the walk along them.

    Strips lie on the snow: a point is covered when the straight 3-D line from it to the draped walk is at most half
    a strip. The coverage is measured, never taken from a rule. Out of range of the walk does not mean empty, and
    covered does not mean found.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        Debris, map metres; holes and several pieces are allowed.
    ground : Grid
        Elevation, metres, in a metric CRS; NaN is no data.
    strip_width_m : float
        On the snow, above 0 and at most 100.
    searchers : int
        1 to 30.
    start_xy_m : tuple of float, optional
        Where the searchers stand, map metres; default is the top of the outline.
    fall_line_deg : float, optional
        Map azimuth of downhill; default is the mean gradient under each part of the outline, on flat ground its
        long axis.
    pattern : {"across", "along"}, optional
        Lanes across the fall line or along it; default is across for one searcher, along for several.
    least_coverage : float
        Fraction of each piece of the outline to be covered, above 0 and at most 1.

    Returns
    -------
    SearchPlan

    Raises
    ------
    InputError
        If the outline, the start or a number cannot be used.
    """
    check_numbers(strip_width_m, searchers, least_coverage, fall_line_deg)
    field = checked_field(outline, ground, strip_width_m, start_xy_m)
    chosen: Pattern = pattern or ("across" if searchers == 1 else "along")
    groups = groups_of(field, strip_width_m, chosen, fall_line_deg)
    wanted = least_coverage + min(0.002, 0.5 * (1.0 - least_coverage))
    sights = [Sight(group, field.surface, 0.5 * strip_width_m, wanted) for group in groups]
    placed = [place_lanes(k, sight, strip_width_m) for k, sight in enumerate(sights)]
    down = _downhill_of_all(field, fall_line_deg)
    start = start_xy_m or _top(field.outline, down)
    walks, idle = _assigned(placed, groups, searchers, chosen, start, down, field.surface, strip_width_m)
    for k, sight in enumerate(sights):
        walks = _tightened(walks, k, sight, 0.25 * strip_width_m)
    lanes, legs = _numbered(walks, start, field.surface, ground)
    walked = [leg.line for leg in legs if leg.kind != "approach"]
    seen = covered_by(walked, field.samples, field.surface, 0.5 * strip_width_m)
    coverage = summed_up(field.outline, field.samples, seen)
    notes = written_notes(placed, walks, idle, legs, coverage, field.surface, least_coverage)
    return SearchPlan(chosen, strip_width_m, searchers, lanes, legs, coverage, notes)


def _downhill_of_all(field: Field, fall_line_deg: float | None) -> XY:
    """Main downhill direction of the whole outline."""
    x, y, _ = field.samples.xyz_m
    return downhill(field.outline, field.samples, *field.surface.slopes(x, y), fall_line_deg)


def _top(outline: Outline, down: XY) -> XY:
    """The highest corner along the fall line; the middle of a level top edge."""
    corners = shapely.get_coordinates(outline)
    depth = corners @ np.array(down)
    top = corners[depth <= depth.min() + 1e-6].copy()
    return float(0.5 * (top[:, 0].min() + top[:, 0].max())), float(0.5 * (top[:, 1].min() + top[:, 1].max()))


def _assigned(
    placed: Sequence[Placed],
    groups: Sequence[Group],
    searchers: int,
    pattern: Pattern,
    start: XY,
    down: XY,
    surface: Surface,
    loose_m: float,
) -> tuple[list[list[Run]], int]:
    """Walks by searcher, and how many searchers have no lane in the last sweep."""
    runs = [run for p in placed for run in p.runs]
    if searchers == 1:
        return [one_walk(runs, start, down, loose_m)], 0
    if pattern == "along":
        return sweeps(runs, groups, searchers, start, down)
    return blocks(one_walk(runs, start, down, loose_m), searchers, start, surface), 0


def _tightened(walks: list[list[Run]], group: int, sight: Sight, least_m: float) -> list[list[Run]]:
    """Pull all lane ends of a group in alike, as far as its lanes and joins together stay enough."""

    def pulled(pull_m: float) -> list[list[Run]]:
        return [[_pulled_alike(r, pull_m, least_m) if r.group == group else r for r in walk] for walk in walks]

    def enough(tried: list[list[Run]]) -> bool:
        covered = np.zeros(sight.group.samples.weight_m2.size, dtype=np.bool_)
        for walk in tried:
            for k, run in enumerate(walk):
                if run.group == group:
                    covered |= sight.mask(run)
                    if k and walk[k - 1].group == group and is_known(walk[k - 1].end, run.start, sight.surface):
                        covered |= sight.mask(replace(run, start=walk[k - 1].end, end=run.start))
        return sight.enough(covered)

    low, high = 0.0, sight.half_width_m
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if enough(pulled(middle)) else (low, middle)
    return pulled(low)


def _pulled_alike(run: Run, pull_m: float, least_m: float) -> Run:
    """The run with both ends pulled in, but not shorter than ``least_m``; a part of a bent axis stays."""
    if run.bent:
        return run
    most = max(0.0, 0.5 * (run.plan_m - least_m))
    return run.pulled(min(pull_m, most), min(pull_m, most))


def _numbered(
    walks: Sequence[Sequence[Run]], start: XY, surface: Surface, ground: Grid
) -> tuple[tuple[Lane, ...], tuple[Leg, ...]]:
    """Lanes and legs of all searchers with their numbers."""
    lanes: list[Lane] = []
    legs: list[Leg] = []
    for searcher, walk in enumerate(walks, start=1):
        here, number = start, 1
        for k, run in enumerate(walk):
            kind: Kind = "approach" if k == 0 else "join"
            link = way_between(here, run.start, surface) if math.dist(here, run.start) > 1e-6 else []
            for a, b in pairwise(link):
                legs.append(_leg(number, searcher, kind, None, a, b, surface))
                number += 1
            lane = len(lanes) + 1
            legs.append(_leg(number, searcher, "lane", lane, run.start, run.end, surface))
            lanes.append(Lane(lane, searcher, legs[-1].line, legs[-1].length_m))
            here, number = run.end, number + 1
    ends = np.array([leg.line.coords for leg in legs]).reshape(-1, 2, 2)
    bearings = true_bearings_deg(ends[:, 0], ends[:, 1], ground.crs)
    return tuple(lanes), tuple(replace(leg, bearing_deg_true=float(b)) for leg, b in zip(legs, bearings, strict=True))


def _leg(number: int, searcher: int, kind: Kind, lane: int | None, start: XY, end: XY, surface: Surface) -> Leg:
    """A leg without its bearing."""
    w = walk_over(start, end, surface)
    line = LineString([start, end])
    return Leg(number, searcher, kind, lane, line, w.length_m, 0.0, w.slope_deg, w.steepest_deg, w.time_s)
