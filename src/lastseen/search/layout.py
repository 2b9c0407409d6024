"""The whole layout: from an outline on the ground to lanes, legs and measured coverage."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from lastseen.errors import InputError
from lastseen.grid import FloatArray, Grid
from lastseen.place import to_lonlat
from lastseen.search.candidates import Candidate, Wish, candidates, fine_sight, layouts, main_frame, ranked
from lastseen.search.checks import Field, check_numbers, checked_field
from lastseen.search.choice import fall_line
from lastseen.search.coverage import covered_by, summed_up
from lastseen.search.frame import XY
from lastseen.search.lanes import groups_of
from lastseen.search.lattice import Outline
from lastseen.search.magnetic import decimal_year, declination_deg
from lastseen.search.model import Entry, Pattern, SearchPlan
from lastseen.search.notes import written_notes
from lastseen.search.numbering import numbered
from lastseen.search.trial import Reception, Trial, falk_1994, hide_targets
from lastseen.search.trial.simulate import REST_OF_RESCUE_MIN, Survival, Targets, poa_places

DRAWS = 8192


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
    no_go: Outline | None = None,
    entry: Entry | None = None,
    date: dt.date | None = None,
    poa: Grid | None = None,
    reception: Reception | None = None,
    survival: Survival = falk_1994,
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
        Axes and number of strips to use, from ``SearchPlan.frames``; see `second_pass`.

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
    field = checked_field(outline, ground, strip_width_m, start_xy_m, no_go)
    groups = groups_of(field.outline, field.ways, strip_width_m, _wanted(least_coverage))
    largest = max(groups, key=lambda one: one.outline.area)
    down = fall_line(largest, strip_width_m, fall_line_deg)
    begin = _begin(field, down, entry, start_xy_m)
    start = start_xy_m or begin
    if field.ways.no_go is not None and not field.ways.allowed(start, start):
        start = begin = _beside(field, start)
    wish = Wish(strip_width_m, searchers, start, begin, least_coverage, survival, rest_min)
    hidden = _hidden(field, poa, reception or Reception.of_strip(strip_width_m), draws, seed)
    downs = [fall_line(group, strip_width_m, fall_line_deg) for group in groups]
    fines = [fine_sight(group, field, 0.5 * strip_width_m, least_coverage) for group in groups]
    made: list[Candidate] = []
    for layout in layouts(groups, fines, downs, pattern, wish, frames):
        made += candidates(layout, field, wish, hidden)
    made = ranked(made, wish, uniform=poa is None)
    return _plan(made[0], tuple(one.trial for one in made), field, ground, wish, date)


def _wanted(least_coverage: float) -> float:
    """Coverage that lanes are shaped for on a coarser lattice: a little more than is asked for."""
    return least_coverage + min(0.001, 0.5 * (1.0 - least_coverage))


def _hidden(field: Field, poa: Grid | None, reception: Reception, draws: int, seed: int) -> Targets:
    """The targets of the simulated searches: alike all over the outline, or as a probability of area says."""
    lattice = field.lattice
    alike = (lattice.x_m, lattice.y_m, lattice.weight_m2, lattice.spacing_m)
    places = poa_places(poa) if poa is not None else alike
    return hide_targets(field.surface, places, reception, draws, np.random.default_rng(seed))


def second_pass(first: SearchPlan, outline: Outline, ground: Grid, **options: Any) -> SearchPlan:
    """The second pass: strips half as wide, along the same axes, their lanes midway beside those of the first.

    The usual answer when a first pass heard nothing (rescue handbooks: halve the strip). Each strip of the first pass
    is split in two, so the new lanes run a quarter of the first width beside the old ones.

    Parameters
    ----------
    first : SearchPlan
        Of the same outline and ground.
    outline, ground, options
        As for `lay_out`; strip width, pattern and frames come from the first pass.

    Returns
    -------
    SearchPlan

    Raises
    ------
    InputError
        As for `lay_out`.
    """
    halved = tuple((named, 2 * count) for named, count in first.frames)
    again = lay_out(outline, ground, strip_width_m=0.5 * first.strip_width_m, frames=halved, **options)
    return replace(again, first_lanes=first.lanes)


def lay_pass(outline: Outline, ground: Grid, *, second: bool, strip_width_m: float, **options: Any) -> SearchPlan:
    """The first pass, or the second one beside it, as a scenario asks; the width is that of the first.

    Parameters
    ----------
    outline, ground, strip_width_m, options
        As for `lay_out`.
    second : bool

    Returns
    -------
    SearchPlan

    Raises
    ------
    InputError
        As for `lay_out`.
    """
    first = lay_out(outline, ground, strip_width_m=strip_width_m, **options)
    if not second:
        return first
    given = {name: value for name, value in options.items() if name != "pattern"}
    return second_pass(first, outline, ground, **given)


def _begin(field: Field, down: XY, entry: Entry | None, start: XY | None) -> XY:
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


def _beside(field: Field, start: XY) -> XY:
    """The nearest point of the outline off no-go ground."""
    x, y = field.lattice.x_m, field.lattice.y_m
    near = np.hypot(x - start[0], y - start[1]).argsort()
    for k in near.tolist():
        point = (float(x[k]), float(y[k]))
        if field.ways.allowed(point, point):
            return point
    raise InputError("the no-go ground leaves no place to stand on the outline: draw it smaller")


def _plan(
    best: Candidate, trials: tuple[Trial, ...], field: Field, ground: Grid, wish: Wish, date: dt.date | None
) -> SearchPlan:
    """The plan of the chosen layout."""
    declination = _declination(field, ground, date)
    lanes, legs = numbered(best.walked, field.ways, ground.crs, declination, wish.searchers)
    lines = [leg.line for leg in legs if leg.kind != "approach"]
    seen = covered_by(lines, field.lattice, field.surface, 0.5 * wish.strip_width_m)
    coverage = summed_up(field.outline, field.lattice, seen)
    placed = [one.placed for one in best.chosen]
    notes = written_notes(placed, best.walked, legs, coverage, field, wish.searchers, wish.least_coverage)
    frames = tuple((one.named, one.placed.count) for one in best.chosen)
    return SearchPlan(
        main_frame(best.chosen).pattern, wish.strip_width_m, wish.searchers, lanes, legs, coverage, notes, trials,
        declination, field.ways.no_go, frames,
    )  # fmt: skip


def _declination(field: Field, ground: Grid, date: dt.date | None) -> float:
    if date is None:
        return math.nan
    middle = field.outline.centroid
    place = to_lonlat(middle.x, middle.y, ground.crs)
    height: FloatArray = field.surface.z(np.array([middle.x]), np.array([middle.y]))
    return declination_deg(place.lon_deg, place.lat_deg, float(height[0]), decimal_year(date))
