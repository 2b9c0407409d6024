"""The whole layout: from an outline on the ground to lanes, legs and measured coverage."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from lastseen.core import FloatArray, Grid, InputError, percent, to_lonlat
from lastseen.search.candidates import (
    Candidate,
    Wish,
    find_fall_line,
    make_fine_goal,
    make_layouts,
    pick_main_frame,
    rank_candidates,
    try_walks,
)
from lastseen.search.coverage import find_covered, sum_coverage
from lastseen.search.frame import XY
from lastseen.search.lanes import GroupLanes, group_pieces
from lastseen.search.legs import STEEP_DEG, decimal_year, declination_deg
from lastseen.search.plan import Coverage, Entry, Leg, Pattern, SearchPlan
from lastseen.search.routes import CLIFF_DEG, unreachable_share
from lastseen.search.search_area import SearchArea, check_area, check_numbers
from lastseen.search.simulation import (
    REST_OF_RESCUE_MIN,
    Reception,
    Survival,
    Targets,
    Trial,
    hide_targets,
    list_poa_places,
    survival_share,
)
from lastseen.search.surface import Outline
from lastseen.search.walk import TeamWalk, number_legs

# ---- Plain sentences about a plan: what was adjusted, what is left out and why

_MOST_NAMED = 5


def write_notes(
    placed: Sequence[GroupLanes],
    walked: TeamWalk,
    legs: Sequence[Leg],
    coverage: Coverage,
    field: SearchArea,
    searchers: int,
    least_coverage: float,
) -> tuple[str, ...]:
    """All sentences that apply, the most important first."""
    notes = _about_coverage(placed, walked, coverage, field, least_coverage)
    notes += _about_ground(legs)
    notes += _about_searchers(walked, searchers)
    added = sum(p.strips_added for p in placed)
    if added:
        notes.append(f"{_count(added, 'strip')} added: even strips left too much between them.")
    extra = sum(run.extra for p in placed for run in p.runs)
    if extra:
        notes.append(f"{_count(extra, 'short lane')} added through pieces that the even strips did not reach.")
    return tuple(notes)


def _about_coverage(
    placed: Sequence[GroupLanes], walked: TeamWalk, coverage: Coverage, field: SearchArea, least: float
) -> list[str]:
    """What stays out of range, and why."""
    if coverage.fraction >= least and not walked.unreached and all(one.enough for one in placed):
        return []
    reasons = []
    share = unreachable_share(field.outline, field.ways.no_go)
    if share > 0.0:
        reasons.append(f"{percent(share, 1)} of the outline is no-go ground")
    if walked.unreached:
        reasons.append(f"{_count(len(walked.unreached), 'lane')} can only be reached across no-go ground")
    row, col = field.surface.filled.cell_of(field.lattice.x_m, field.lattice.y_m)
    wall = float(field.lattice.weight_m2[field.ways.danger[row, col] == 3].sum() / field.lattice.weight_m2.sum())
    if wall > 0.0005:
        reasons.append(f"{percent(wall, 1)} of it is a wall steeper than {CLIFF_DEG:.0f} degrees")
    why = "; ".join(reasons) if reasons else "no lane on walkable ground reaches the rest"
    if coverage.fraction >= least:
        return [] if not reasons else [f"Not every piece of the outline is covered alike: {why}."]
    return [f"Coverage stops at {percent(coverage.fraction, 1)} instead of {percent(least, 1)}: {why}."]


def _about_ground(legs: Sequence[Leg]) -> list[str]:
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
        here = list(dict.fromkeys(_named(leg) for leg in legs if leg.danger == danger))
        if here:
            more = "" if len(here) <= _MOST_NAMED else f" and {len(here) - _MOST_NAMED} more"
            named = f"{', '.join(here[:_MOST_NAMED])}{more}"
            notes.append(f"{named[0].upper()}{named[1:]}: {words}; find another way on the spot.")
    return notes


def _about_searchers(walked: TeamWalk, searchers: int) -> list[str]:
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


def _named(leg: Leg) -> str:
    """A leg as the map shows it."""
    what = f"lane {leg.lane}" if leg.kind == "lane" else f"{leg.kind} of S{leg.searcher}"
    return what if leg.kind != "join" else f"a join of S{leg.searcher}"


# ---- The whole layout: from an outline on the ground to lanes, legs and measured coverage

DRAWS = 8192


def lay_search(
    outline: Outline,
    ground: Grid,
    *,
    strip_width_m: float = 40.0,
    searchers: int = 1,
    start_xy_m: tuple[float, float] | None = None,
    fall_line_deg: float | None = None,
    pattern: Pattern | None = None,
    least_coverage: float = 0.99,
    no_go: Outline | None = None,
    entry: Entry | None = None,
    date: dt.date | None = None,
    poa: Grid | None = None,
    reception: Reception | None = None,
    survival: Survival = survival_share,
    rest_min: float = REST_OF_RESCUE_MIN,
    draws: int = DRAWS,
    seed: int = 1,
    frames: Sequence[Any] = (),
) -> SearchPlan:
    """Lay lanes for a signal search over a debris outline, and the walk along them.

    Strips lie on the snow: a point is covered when the straight 3-D line from it to the draped walk is at most half
    a strip. The coverage is measured, never taken from a rule. Out of range of the walk does not mean empty, and
    covered does not mean found.

    Several layouts are made (across and along the fall line, along the bend of the debris, on other bearings, from
    either end, searchers abreast or each with a block) and compared by simulated search; the one with the best chance
    of finding somebody alive is taken, the others are kept with their numbers.

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
        Where the searchers stand, map metres; default is where the search begins.
    fall_line_deg : float, optional
        Map azimuth of downhill; default is the mean gradient under each part of the outline, on flat ground its
        long axis.
    pattern : {"across", "along"}, optional
        Lanes across the fall line or along it; default is whatever comes out best.
    least_coverage : float
        Fraction of each piece of the outline to be covered, above 0 and at most 1.
    no_go : Polygon or MultiPolygon, optional
        Ground that nobody may walk on, map metres. What lies in it is still to be covered, from beside it.
    entry : {"top", "toe", "flank"}, optional
        Where on the outline the search begins; default is whatever comes out best from the start,
        without a start the top.
    date : datetime.date, optional
        For magnetic bearings; without it, and outside the years of the magnetic model, they are NaN.
    poa : Grid, optional
        Where the buried person may lie, as a density; default is alike all over the outline.
    reception : Reception, optional
        How far a transmitter is heard; default is half a strip in its worst direction.
    survival : callable
        Minutes since the burial to share alive, both arrays; default Falk and others 1994.
    rest_min : float
        Minutes from the first signal to the air: a fixed time for the rest of the rescue.
    draws : int
        Simulated searches for each layout.
    seed : int
        Of the drawn targets.
    frames : sequence
        Axes and number of strips to use, from ``SearchPlan.frames``; see `lay_second_pass`.

    Returns
    -------
    SearchPlan

    Raises
    ------
    InputError
        If the outline, the start, the no-go ground or a number cannot be used.
    """
    check_numbers(strip_width_m, searchers, least_coverage, fall_line_deg)
    if draws < 1:
        raise InputError(f"the number of simulated searches is {draws}: give 1 or more")
    field = check_area(outline, ground, strip_width_m, start_xy_m, no_go)
    groups = group_pieces(field.outline, field.ways, strip_width_m, _wanted(least_coverage))
    largest = max(groups, key=lambda group: group.outline.area)
    down = find_fall_line(largest, strip_width_m, fall_line_deg)
    begin = _begin(field, down, entry, start_xy_m)
    start = start_xy_m or begin
    if field.ways.no_go is not None and not field.ways.allowed(start, start):
        start = begin = _beside(field, start)
    wish = Wish(strip_width_m, searchers, start, begin, least_coverage, survival, rest_min)
    hidden = _hidden(field, poa, reception or Reception.of_strip(strip_width_m), draws, seed)
    downs = [find_fall_line(group, strip_width_m, fall_line_deg) for group in groups]
    fines = [make_fine_goal(group, field, 0.5 * strip_width_m, least_coverage) for group in groups]
    made: list[Candidate] = []
    for layout in make_layouts(groups, fines, downs, pattern, wish, frames):
        made += try_walks(layout, field, wish, hidden)
    made = rank_candidates(made, wish, uniform=poa is None)
    return _plan(made[0], tuple(one.trial for one in made), field, ground, wish, date)


def _wanted(least_coverage: float) -> float:
    """Coverage that lanes are shaped for on a coarser lattice: a little more than is asked for."""
    return least_coverage + min(0.001, 0.5 * (1.0 - least_coverage))


def _hidden(field: SearchArea, poa: Grid | None, reception: Reception, draws: int, seed: int) -> Targets:
    """The targets of the simulated searches: alike all over the outline, or as a probability of area says."""
    lattice = field.lattice
    alike = (lattice.x_m, lattice.y_m, lattice.weight_m2, lattice.spacing_m)
    places = list_poa_places(poa) if poa is not None else alike
    return hide_targets(field.surface, places, reception, draws, np.random.default_rng(seed))


def lay_second_pass(first: SearchPlan, outline: Outline, ground: Grid, **options: Any) -> SearchPlan:
    """The second pass: strips half as wide, along the same axes, their lanes midway beside those of the first.

    The usual answer when a first pass heard nothing (rescue handbooks: halve the strip). Each strip of the first pass
    is split in two, so the new lanes run a quarter of the first width beside the old ones.

    Parameters
    ----------
    first : SearchPlan
        Of the same outline and ground.
    outline, ground, options
        As for `lay_search`; strip width, pattern and frames come from the first pass.

    Returns
    -------
    SearchPlan

    Raises
    ------
    InputError
        As for `lay_search`.
    """
    halved = tuple((named, 2 * count) for named, count in first.frames)
    again = lay_search(outline, ground, strip_width_m=0.5 * first.strip_width_m, frames=halved, **options)
    return replace(again, first_lanes=first.lanes)


def lay_passes(outline: Outline, ground: Grid, *, second: bool, strip_width_m: float, **options: Any) -> SearchPlan:
    """The first pass, or the second one beside it, as a scenario asks; the width is that of the first.

    Parameters
    ----------
    outline, ground, strip_width_m, options
        As for `lay_search`.
    second : bool

    Returns
    -------
    SearchPlan

    Raises
    ------
    InputError
        As for `lay_search`.
    """
    first = lay_search(outline, ground, strip_width_m=strip_width_m, **options)
    if not second:
        return first
    given = {name: value for name, value in options.items() if name != "pattern"}
    return lay_second_pass(first, outline, ground, **given)


def _begin(field: SearchArea, down: XY, entry: Entry | None, start: XY | None) -> XY:
    """Where the search begins: at the start, or at the top, the toe or a flank of the outline."""
    if entry is None and start is not None:
        return start
    corners = shapely.get_coordinates(field.outline)
    over = (down[1], -down[0])
    if entry == "flank":
        here = np.array(start) if start is not None else corners[corners[:, 0].argmin()]
        depth = corners @ np.array(down)
        level = np.abs(depth - 0.5 * (depth.min() + depth.max())) <= 0.25 * (depth.max() - depth.min())
        beside = corners[level] if level.any() else corners
        side = beside @ np.array(over)
        ends = [beside[side.argmin()], beside[side.argmax()]]
        x, y = min(ends, key=lambda p: math.dist(p, here))
        return float(x), float(y)
    sign = -1.0 if entry == "toe" else 1.0
    depth = sign * (corners @ np.array(down))
    top = corners[depth <= depth.min() + 1e-6].copy()
    return float(0.5 * (top[:, 0].min() + top[:, 0].max())), float(0.5 * (top[:, 1].min() + top[:, 1].max()))


def _beside(field: SearchArea, start: XY) -> XY:
    """The nearest point of the outline off no-go ground."""
    x, y = field.lattice.x_m, field.lattice.y_m
    near = np.hypot(x - start[0], y - start[1]).argsort()
    for k in near.tolist():
        point = (float(x[k]), float(y[k]))
        if field.ways.allowed(point, point):
            return point
    raise InputError("the no-go ground leaves no place to stand on the outline: draw it smaller")


def _plan(
    best: Candidate, trials: tuple[Trial, ...], field: SearchArea, ground: Grid, wish: Wish, date: dt.date | None
) -> SearchPlan:
    """The plan of the chosen layout."""
    declination = _declination(field, ground, date)
    lanes, legs = number_legs(best.walked, field.ways, ground.crs, declination, wish.searchers)
    lines = [leg.line for leg in legs if leg.kind != "approach"]
    seen = find_covered(lines, field.lattice, field.surface, 0.5 * wish.strip_width_m)
    coverage = sum_coverage(field.outline, field.lattice, seen)
    placed = [one.placed for one in best.chosen]
    notes = write_notes(placed, best.walked, legs, coverage, field, wish.searchers, wish.least_coverage)
    frames = tuple((one.named, one.placed.count) for one in best.chosen)
    return SearchPlan(
        pick_main_frame(best.chosen).pattern, wish.strip_width_m, wish.searchers, lanes, legs, coverage, notes, trials,
        declination, field.ways.no_go, frames,
    )  # fmt: skip


def _declination(field: SearchArea, ground: Grid, date: dt.date | None) -> float:
    if date is None:
        return math.nan
    middle = field.outline.centroid
    place = to_lonlat(middle.x, middle.y, ground.crs)
    height: FloatArray = field.surface.z(np.array([middle.x]), np.array([middle.y]))
    return declination_deg(place.lon_deg, place.lat_deg, float(height[0]), decimal_year(date))
