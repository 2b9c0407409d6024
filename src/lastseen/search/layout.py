"""The whole layout: from an outline on the ground to lanes, legs and measured coverage."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely

from lastseen.core import Grid, InputError, percent, to_lonlat
from lastseen.search.candidates import (
    Candidate,
    Layout,
    find_fall_line,
    halve_strips,
    make_layouts,
    pick_main_frame,
    rank_candidates,
    try_walks,
)
from lastseen.search.coverage import find_covered, sum_coverage
from lastseen.search.frame import XY
from lastseen.search.lanes import LEAST_COVERAGE, Group, GroupLanes, group_pieces
from lastseen.search.legs import STEEP_DEG, decimal_year, declination_deg
from lastseen.search.plan import Coverage, Entry, Leg, SearchPlan
from lastseen.search.routes import CLIFF_DEG, unreachable_share
from lastseen.search.search_area import SearchArea, SearchOptions, SearchTask, check_area
from lastseen.search.simulation import Reception, Targets, hide_targets, list_poa_places
from lastseen.search.surface import Outline
from lastseen.search.walk import TeamWalk, number_legs

# ---- Plain sentences about a plan: what was adjusted, what is left out and why

_MOST_NAMED = 5


def write_notes(
    best: Candidate, legs: Sequence[Leg], coverage: Coverage, area: SearchArea, searchers: int
) -> list[str]:
    """All sentences that apply, the most important first."""
    placed = [lanes.placed for lanes in best.layout]
    notes = _note_coverage(placed, best.walked, coverage, area)
    notes += _note_ground(legs)
    notes += _note_searchers(best.walked, searchers)
    added = sum(p.strips_added for p in placed)
    if added:
        notes.append(f"{_count(added, 'strip')} added: even strips left too much between them.")
    extra = sum(run.extra for p in placed for run in p.runs)
    if extra:
        notes.append(f"{_count(extra, 'short lane')} added through pieces that the even strips did not reach.")
    return notes


def _note_coverage(placed: Sequence[GroupLanes], walked: TeamWalk, coverage: Coverage, area: SearchArea) -> list[str]:
    """What stays out of range, and why."""
    met = coverage.fraction >= LEAST_COVERAGE
    if met and not walked.unreached and all(lanes.enough for lanes in placed):
        return []
    reasons = []
    share = unreachable_share(area.outline, area.walkable.no_go)
    if share > 0.0:
        reasons.append(f"{percent(share, 1)} of the outline is no-go ground")
    if walked.unreached:
        reasons.append(f"{_count(len(walked.unreached), 'lane')} can only be reached across no-go ground")
    weight = area.lattice.weight_m2
    row, col = area.surface.filled.cell_of(area.lattice.x_m, area.lattice.y_m)
    wall = float(weight[area.walkable.danger[row, col] == 3].sum() / weight.sum())
    if wall > 0.0005:
        reasons.append(f"{percent(wall, 1)} of it is a wall steeper than {CLIFF_DEG:.0f} degrees")
    why = "; ".join(reasons) if reasons else "no lane on walkable ground reaches the rest"
    if met:
        return [] if not reasons else [f"Not every piece of the outline is covered alike: {why}."]
    return [f"Coverage stops at {percent(coverage.fraction, 1)} instead of {percent(LEAST_COVERAGE, 1)}: {why}."]


def _note_ground(legs: Sequence[Leg]) -> list[str]:
    """Legs over ground that nobody should walk without a look."""
    notes = [
        f"Leg {leg.number} of searcher {leg.searcher} crosses ground without elevation: "
        "its length and slope are estimates; choose the way on the spot."
        for leg in legs
        if leg.danger == "no elevation"
    ]
    steep = [leg for leg in legs if leg.steepest_deg > STEEP_DEG]
    if steep:
        ways = sum(leg.kind != "lane" for leg in steep)
        notes.append(
            f"{_count(len(steep), 'leg')} steeper than {STEEP_DEG:.0f} degrees somewhere, up to "
            f"{max(leg.steepest_deg for leg in steep):.0f}, {ways} of them approaches or joins: no easier way was "
            "found on this elevation model; find your own between the lanes."
        )
    for danger, words in (("wall", "over a wall"), ("above a wall", "right above a wall")):
        found = list(dict.fromkeys(_name(leg) for leg in legs if leg.danger == danger))
        if found:
            more = "" if len(found) <= _MOST_NAMED else f" and {len(found) - _MOST_NAMED} more"
            named = f"{', '.join(found[:_MOST_NAMED])}{more}"
            notes.append(f"{named[0].upper()}{named[1:]}: {words}; find another way on the spot.")
    return notes


def _note_searchers(walked: TeamWalk, searchers: int) -> list[str]:
    """Searchers without a lane."""
    busy = sum(bool(legs) for legs in walked.legs)
    without = [str(k) for k in range(1, searchers + 1) if k > len(walked.legs) or not walked.legs[k - 1]]
    if not without:
        return []
    who, has = ("Searcher", "has") if len(without) == 1 else ("Searchers", "have")
    text = f"{who} {', '.join(without)} {has} no lane: the search is too small for more than {busy}; "
    return [f"{text}use them for probing and shovelling."]


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _name(leg: Leg) -> str:
    """A leg as the map shows it."""
    what = f"lane {leg.lane}" if leg.kind == "lane" else f"{leg.kind} of S{leg.searcher}"
    return what if leg.kind != "join" else f"a join of S{leg.searcher}"


# ---- The whole layout: from an outline on the ground to lanes, legs and measured coverage

DRAWS = 8192  # simulated searches for each layout


def lay_search(outline: Outline, ground: Grid, options: SearchOptions | None = None) -> SearchPlan:
    """Lay lanes for a signal search over a debris outline, and the walk along them.

    Strips lie on the snow: a point is covered when the straight 3-D line from it to the draped walk is at most half
    a strip. The coverage is measured, never taken from a rule. Out of range of the walk does not mean empty, and
    covered does not mean found.

    Several layouts are made (across and along the fall line, along the bend of the debris, on other bearings, from
    either end, searchers abreast or each with a block) and compared by simulated search; the one with the best chance
    of finding somebody alive is taken, the others are kept with their numbers.

    The second pass is the usual answer when a first pass heard nothing (rescue handbooks: halve the strip). Each strip
    of the first pass is split in two, so its lanes run a quarter of the first width beside the old ones.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        Debris, map metres; holes and several pieces are allowed.
    ground : Grid
        Elevation, metres, in a metric CRS; NaN is no data.

    Raises
    ------
    InputError
        If the outline, the start, the no-go ground or a number cannot be used.
    """
    options = options or SearchOptions()
    first, layout = _lay_pass(outline, ground, options)
    if not options.second_pass:
        return first
    halved = replace(options, strip_width_m=0.5 * options.strip_width_m, pattern=None)
    second, _ = _lay_pass(outline, ground, halved, layout)
    return replace(second, first_lanes=first.lanes)


def _lay_pass(outline: Outline, ground: Grid, options: SearchOptions, first: Layout = ()) -> tuple[SearchPlan, Layout]:
    """The plan of one pass and its lanes; with the lanes of a first pass along the same frames."""
    area = check_area(outline, ground, options)
    groups = group_pieces(area, options.strip_width_m)
    task = _set_task(area, groups, options)
    hidden = _hide(area, options)
    layouts = (
        [halve_strips(first, groups, task)]
        if len(first) == len(groups)
        else make_layouts(groups, task, options.pattern)
    )
    made = [candidate for layout in layouts for candidate in try_walks(layout, area, task, hidden)]
    ranked = rank_candidates(made, task.strip_width_m, uniform=options.poa is None)
    return _plan(ranked, area, ground, options), ranked[0].layout


def _set_task(area: SearchArea, groups: Sequence[Group], options: SearchOptions) -> SearchTask:
    """Where the search starts and begins; off the no-go ground."""
    start = options.start_xy_m
    largest = max(groups, key=lambda group: group.outline.area)
    begin = _begin(area, find_fall_line(largest, options.strip_width_m), options.entry, start)
    start = start or begin
    if area.walkable.no_go is not None and not area.walkable.is_allowed(start, start):
        start = begin = _beside(area, start)
    return SearchTask(
        strip_width_m=options.strip_width_m,
        searchers=options.searchers,
        start=start,
        begin=begin,
        travel=options.travel,
    )


def _hide(area: SearchArea, options: SearchOptions) -> Targets:
    """The targets of the simulated searches: alike all over the outline, or as a probability of area says."""
    lattice = area.lattice
    alike = (lattice.x_m, lattice.y_m, lattice.weight_m2, lattice.spacing_m)
    places = list_poa_places(options.poa) if options.poa is not None else alike
    reception = Reception.of_strip(options.strip_width_m)
    share = 1.0 if options.poa is None else min(1.0, float(np.sum(places[2])))
    return hide_targets(area.surface, places, reception, DRAWS, np.random.default_rng(options.seed), share=share)


def _begin(area: SearchArea, down: XY, entry: Entry | None, start: XY | None) -> XY:
    """Where the search begins: at the start, or at the top, the toe or a flank of the outline."""
    if entry is None and start is not None:
        return start
    corners = shapely.get_coordinates(area.outline)
    over = (down[1], -down[0])
    if entry == "flank":
        near = np.array(start) if start is not None else corners[corners[:, 0].argmin()]
        depth = corners @ np.array(down)
        level = np.abs(depth - 0.5 * (depth.min() + depth.max())) <= 0.25 * (depth.max() - depth.min())
        beside = corners[level] if level.any() else corners
        side = beside @ np.array(over)
        ends = [beside[side.argmin()], beside[side.argmax()]]
        x, y = min(ends, key=lambda p: math.dist(p, near))
        return float(x), float(y)
    sign = -1.0 if entry == "toe" else 1.0
    depth = sign * (corners @ np.array(down))
    top = corners[depth <= depth.min() + 1e-6].copy()
    return float(0.5 * (top[:, 0].min() + top[:, 0].max())), float(0.5 * (top[:, 1].min() + top[:, 1].max()))


def _beside(area: SearchArea, start: XY) -> XY:
    """The nearest point of the outline off no-go ground."""
    x, y = area.lattice.x_m, area.lattice.y_m
    near = np.hypot(x - start[0], y - start[1]).argsort()
    for k in near.tolist():
        point = (float(x[k]), float(y[k]))
        if area.walkable.is_allowed(point, point):
            return point
    raise InputError("the no-go ground leaves no place to stand on the outline: draw it smaller")


def _plan(ranked: Sequence[Candidate], area: SearchArea, ground: Grid, options: SearchOptions) -> SearchPlan:
    """The plan of the best layout."""
    best = ranked[0]
    declination = _declination(area, ground, options)
    lanes, legs = number_legs(
        best.walked, area.walkable, ground.crs, declination, searchers=options.searchers, travel=options.travel
    )
    lines = [leg.line for leg in legs if leg.kind != "approach"]
    covered = find_covered(lines, area.lattice, area.surface, 0.5 * options.strip_width_m)
    coverage = sum_coverage(area.outline, area.lattice, covered)
    return SearchPlan(
        pattern=pick_main_frame(best.layout).pattern,
        strip_width_m=options.strip_width_m,
        searchers=options.searchers,
        lanes=lanes,
        legs=legs,
        coverage=coverage,
        notes=tuple(write_notes(best, legs, coverage, area, options.searchers)),
        trials=tuple(candidate.trial for candidate in ranked),
        declination_deg=declination,
        no_go=area.walkable.no_go,
        travel=options.travel,
    )


def _declination(area: SearchArea, ground: Grid, options: SearchOptions) -> float:
    if options.date is None:
        return math.nan
    middle = area.outline.centroid
    place = to_lonlat(middle.x, middle.y, ground.crs)
    height = area.surface.z(np.array([middle.x]), np.array([middle.y]))
    return declination_deg(place.lon_deg, place.lat_deg, float(height[0]), decimal_year(options.date))
