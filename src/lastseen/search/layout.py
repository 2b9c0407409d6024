"""The whole layout: from an outline on the ground to lanes, legs and measured coverage."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from pyproj import CRS

from lastseen.core import Grid, InputError, percent, to_lonlat
from lastseen.search.candidates import (
    Candidate,
    Kind,
    Layout,
    Share,
    TeamLayouts,
    find_fall_line,
    lay_halved,
    list_columns,
    pick_main_frame,
    rank_candidates,
    try_walk,
)
from lastseen.search.coverage import find_covered, sum_coverage
from lastseen.search.frame import XY, find_downhill
from lastseen.search.lanes import LEAST_COVERAGE, Group, Run, chord_slopes, group_pieces
from lastseen.search.legs import STEEP_DEG, decimal_year, declination_deg
from lastseen.search.parts import EntryPoint, Site, cut_by_height, direction_of, find_entry
from lastseen.search.plan import Coverage, Lane, Leg, SearchPlan
from lastseen.search.routes import CLIFF_DEG, unreachable_share
from lastseen.search.search_area import SearchArea, SearchOptions, SearchTask, check_area, list_starts
from lastseen.search.simulation import Reception, Targets, hide_targets, list_poa_places
from lastseen.search.surface import Outline
from lastseen.search.walk import TeamWalk, number_legs

# ---- Plain sentences about a plan: what was adjusted, what is left out and why

_MOST_NAMED = 5
_TEAM = 2
_AWAY_STRIPS = (
    2.0  # strips between the entry that was asked for and where the search begins: more is told; design choice
)


def write_notes(best: Candidate, legs: Sequence[Leg], coverage: Coverage, team: TeamLayouts, crs: CRS) -> list[str]:
    """All sentences that apply, the most important first."""
    placed = [share.lanes.placed for share in best.layout]
    area = team.area
    notes = _note_ways(team.sites, crs)
    notes += _note_entry(team, legs)
    notes += _note_coverage(best, coverage, area)
    notes += _note_later(area, crs)
    notes += _note_ground(legs)
    notes += _note_asides(best.walked, legs)
    notes += _note_searchers(best.walked)
    added = sum(p.strips_added for p in placed)
    if added:
        notes.append(f"{_count(added, 'strip')} added: even strips left too much between them.")
    return notes


def _at(point: XY, crs: CRS) -> str:
    place = to_lonlat(*point, crs)
    return place.notations()["mgrs"]


def _note_entry(team: TeamLayouts, legs: Sequence[Leg]) -> list[str]:
    """An entry that was asked for and that no lane begins at."""
    asked = [entry.begin for site in team.sites for entry in site.entries if entry.around]
    walks = [[leg for leg in legs if leg.searcher == who] for who in sorted({leg.searcher for leg in legs})]
    firsts = [next((leg for leg in walk if leg.kind != "approach"), None) for walk in walks]
    begun = [leg.line.coords[0] for leg in firsts if leg is not None]
    if not asked or not begun:
        return []
    away_m = min(math.dist(place[:2], entry) for place in begun for entry in asked)
    if away_m <= _AWAY_STRIPS * team.task.strip_width_m:
        return []
    text = f"No lane begins where the entry was asked for: the search begins {away_m:.0f} m from there"
    return [f"{text}, since nobody begins in the middle of a lane."]


def _note_ways(sites: Sequence[Site], crs: CRS) -> list[str]:
    """Who cannot get to the debris on this model."""
    lost = {entry.lost: entry for site in sites for entry in site.entries if entry.lost is not None}
    return [
        f"No way found on this model from here: every way from the start at {_at(start, crs)} to the debris crosses "
        f"ground steeper than {CLIFF_DEG:.0f} degrees or no-go ground. The nearest edge to get to is at "
        f"{_at(entry.begin, crs)}; no approach is drawn or timed, the lanes begin there."
        for start, entry in lost.items()
        if start is not None
    ]


def _note_later(area: SearchArea, crs: CRS) -> list[str]:
    """Small unlikely pieces that the first pass leaves."""
    pieces = list(area.later.geoms)
    if not pieces:
        return []
    places = [piece.representative_point() for piece in pieces[:_MOST_NAMED]]
    named = ", ".join(_at((place.x, place.y), crs) for place in places)
    more = "" if len(pieces) <= _MOST_NAMED else f" and {len(pieces) - _MOST_NAMED} more"
    text = (
        f"Look here next: {_count(len(pieces), 'piece')} of debris narrower than a strip, with "
        f"{percent(area.later_poa, 1)} of the probability of area in all, not walked in this pass: {named}{more}."
    )
    return [text]


def _note_asides(walked: TeamWalk, legs: Sequence[Leg]) -> list[str]:
    """Places too small for a lane, reached by a step aside."""
    bare = [part for legs_of in walked.legs for part in legs_of]
    found: list[str] = []
    before: Leg | None = None
    aside = False
    for leg, part in zip(legs, bare, strict=True):
        if part.aside and not aside:
            after = (
                "on the way in" if before is None or before.searcher != leg.searcher else f"after lane {before.lane}"
            )
            found += [] if f"S{leg.searcher} {after}" in found else [f"S{leg.searcher} {after}"]
        aside = part.aside
        before = leg if leg.lane is not None else before if before and before.searcher == leg.searcher else None
    if not found:
        return []
    more = "" if len(found) <= _MOST_NAMED else f" and {len(found) - _MOST_NAMED} more"
    named = ", ".join(found[:_MOST_NAMED])
    return [f"Places too narrow for a lane are passed through, step aside as drawn: {named}{more}."]


_A_PART = " takes a part of the debris"


def _lanes_of(step: str, lanes: Sequence[Lane]) -> str:
    """The lanes of the searcher with whose name a sentence begins."""
    numbers = [lane.number for lane in lanes if f"S{lane.searcher}" == step.removesuffix(_A_PART)]
    if not numbers:
        return ""
    return f" (lane {numbers[0]})" if len(numbers) == 1 else f" (lanes {numbers[0]} to {numbers[-1]})"


def write_guide(best: Candidate, sites: Sequence[Site], lanes: Sequence[Lane]) -> list[str]:
    """Who walks where, one sentence for each site with several searchers at work."""
    moves = {"down": "moving down", "up": "moving up", "over": "moving across from the flank"}
    out = []
    first = 0
    for site in sites:
        shares = [share for share in best.layout if first <= share.searchers[0] < first + site.searchers]
        first += site.searchers
        steps = []
        if len({who for share in shares for who in share.searchers}) < _TEAM:
            continue
        groups: dict[int, list[Share]] = {}
        for share in shares:
            groups.setdefault(share.group.index, []).append(share)
        for together in groups.values():
            steps += _guide_in_group(together, several=len(groups) > 1)
        steps = [step + _lanes_of(step, lanes) if step.endswith(_A_PART) else step for step in steps]
        steps = list(dict.fromkeys(steps))
        move = moves[site.entry.way] if site.falls else "moving on from the entry"
        out.append(f"{', '.join(steps)}; {move}.")
    return out


def _guide_in_group(shares: Sequence[Share], *, several: bool) -> list[str]:
    """Who walks where in one group of pieces."""
    names = [f"S{share.searchers[0] + 1}" for share in shares]
    where = " of one part of the debris" if several else ""
    team = next((share for share in shares if len(share.searchers) > 1), None)
    if team is None:
        if len(shares) == 1:
            return [f"{names[0]}{_A_PART}" if several else f"{names[0]} takes all of it"]
        return [f"{names[0]} takes the left side{where}", *(f"{b} right of {a}" for a, b in pairwise(names))]
    lines = [shapely.MultiLineString([run.points for run in column]) for column in list_columns(_runs(team))]
    team_names = [f"S{k + 1}" for k in team.searchers]
    if team.in_turn:
        apart = [f"{b} {_apart_m(x, y):.0f} m beyond {a}" for (a, b), (x, y) in _pairs(team_names, lines)]
        return [f"in a rank along the strips, {team_names[0]} nearest to the entry", *apart]
    return [f"{b} {_apart_m(x, y):.0f} m right of {a}" for (a, b), (x, y) in _pairs(team_names, lines)]


def _runs(share: Share) -> tuple[Run, ...]:
    return share.lanes.placed.runs


def _pairs(names: Sequence[str], lines: Sequence[shapely.MultiLineString]) -> Iterator[tuple[Any, Any]]:
    return zip(pairwise(names), pairwise(lines), strict=False)


def _apart_m(line: shapely.MultiLineString, other: shapely.MultiLineString) -> float:
    """How far apart two lanes run, in the middle of the range."""
    points = shapely.get_coordinates(shapely.segmentize(other, 5.0))
    return float(np.median(shapely.distance(shapely.points(points), line)))


def _is_whole(share: Share, layout: Layout) -> bool:
    """Whether a share is a whole group of pieces, and not one of several bands of it."""
    return sum(other.group.index == share.group.index for other in layout) == 1


def _note_coverage(best: Candidate, coverage: Coverage, area: SearchArea) -> list[str]:
    """What stays out of range, and why."""
    walked = best.walked
    met = best.trial.coverage >= LEAST_COVERAGE
    whole = [share.lanes.placed for share in best.layout if _is_whole(share, best.layout)]
    if met and not walked.unreached and all(lanes.enough for lanes in whole):
        return []
    reasons = []
    if pick_main_frame(best.layout).pattern == "traverse":
        reasons.append("the turns of traverses leave corners out of range")
    share = unreachable_share(area.outline, area.walkable.no_go)
    if share > 0.0:
        reasons.append(f"{percent(share, 1)} of the outline is no-go ground")
    if walked.unreached:
        reasons.append(f"{_count(len(walked.unreached), 'lane')} can only be reached across no-go ground or a wall")
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
        ways, most = sum(leg.kind != "lane" for leg in steep), math.ceil(max(leg.steepest_deg for leg in steep))
        notes.append(
            f"{_count(len(steep), 'leg')} steeper than {STEEP_DEG:.0f} degrees somewhere, up to "
            f"{most}, {ways} of them on the way to or between lanes: no easier "
            "way was found on this elevation model; find your own between the lanes."
        )
    for danger, words in (("wall", "over a wall"), ("above a wall", "right above a wall")):
        found = list(dict.fromkeys(_name(leg) for leg in legs if leg.danger == danger))
        if found:
            more = "" if len(found) <= _MOST_NAMED else f" and {len(found) - _MOST_NAMED} more"
            named = f"{', '.join(found[:_MOST_NAMED])}{more}"
            notes.append(f"{named[0].upper()}{named[1:]}: {words}; find another way on the spot.")
    return notes


def _note_searchers(walked: TeamWalk) -> list[str]:
    """Searchers without a lane."""
    busy = sum(bool(legs) for legs in walked.legs)
    without = [str(k) for k, legs in enumerate(walked.legs, start=1) if not legs]
    if not without:
        return []
    who, has = ("Searcher", "has") if len(without) == 1 else ("Searchers", "have")
    text = f"{who} {', '.join(without)} {has} no lane: {busy} side by side take in the whole width of the debris"
    return [f"{text}; {'that one stays' if len(without) == 1 else 'they stay'} ready with probe and shovel."]


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

    Several layouts are made (across and along the fall line, along the bend of the debris, on other bearings, searchers
    abreast, in a rank or each with a block) and compared by simulated search (see `rank_candidates`), where
    ``options.outlines`` are given over several outlines; all are kept with their numbers.

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
    team = _make_team(outline, ground, options)
    favoured, votes = options.favoured, ""
    if options.outlines and not first:
        favoured, votes = _vote(team, ground, options)
    ranked, reason = _rank(team, options, favoured, first)
    plan = _plan(ranked, team, ground, options)
    return replace(plan, reason=votes + reason if ranked[0].sort == favoured else reason), ranked[0].layout


def _make_team(outline: Outline, ground: Grid, options: SearchOptions) -> TeamLayouts:
    """The checked ground, who begins where, and what the layouts of a search are made from."""
    area = check_area(outline, ground, options)
    sites = _make_sites(area, options)
    task = SearchTask(
        strip_width_m=options.strip_width_m,
        searchers=options.searchers,
        begin=sites[0].entry.begin,
        travel=options.travel,
    )
    return TeamLayouts(sites, area, task)


def _rank(
    team: TeamLayouts, options: SearchOptions, favoured: str | None, first: Layout = ()
) -> tuple[list[Candidate], str]:
    """The compared layouts, the best first, and why."""
    layouts: list[tuple[Kind, Layout]] = []
    if first:
        layouts = [(_kind_of(first), lay_halved(first, team.area, team.task))]
    else:
        kinds = team.kinds(options.pattern)
        known = tuple(kind for kind in kinds if kind == options.favoured)
        layouts = _lay_kinds(team, known) or _lay_kinds(team, kinds)
    hidden = _hide(team.area, options)
    made = [try_walk(kind, layout, team, hidden) for kind, layout in layouts]
    asked = options.entry is not None
    width = team.task.strip_width_m
    return rank_candidates(made, width, uniform=options.poa is None, entry_asked=asked, favoured=favoured)


def _lay_kinds(team: TeamLayouts, kinds: Sequence[Kind]) -> list[tuple[Kind, Layout]]:
    """The layouts of some kinds, each that differs from those before it."""
    layouts: list[tuple[Kind, Layout]] = []
    for kind in kinds:
        layout = team.lay(kind)
        if layout is not None and not any(_same(layout, other) for _, other in layouts):
            layouts.append((kind, layout))
    return layouts


def _vote(team: TeamLayouts, ground: Grid, options: SearchOptions) -> tuple[str, str]:
    """The kind of layout that comes first over most outlines, and in how many of them."""
    firsts: list[str] = [_rank(team, options, None)[0][0].sort]
    for outline in options.outlines:
        try:
            other = _make_team(outline, ground, options)
        except InputError:  # drawn again, debris may reach over the edge of the elevation model
            continue
        firsts.append(_rank(other, options, None)[0][0].sort)
    best = max(dict.fromkeys(firsts), key=firsts.count)
    return best, f"Its kind comes first over {firsts.count(best)} of {len(firsts)} outlines of events drawn again. "


def _kind_of(layout: Layout) -> Kind:
    if any(len(share.searchers) > 1 for share in layout):
        return "rank" if any(share.in_turn for share in layout) else "abreast"
    return pick_main_frame(layout).pattern


def _same(layout: Layout, other: Layout) -> bool:
    """Whether two layouts have the same lanes for the same searchers."""
    return [(share.searchers, share.lanes.placed.runs) for share in layout] == [
        (share.searchers, share.lanes.placed.runs) for share in other
    ]


def _make_sites(area: SearchArea, options: SearchOptions) -> list[Site]:
    """Who begins where: one site, or an upper and a lower one where some come from above and some from below."""
    starts = list_starts(options)
    if len(starts) > options.searchers:
        raise InputError(
            f"{len(starts)} starts were given for {options.searchers} searchers: give one for each at most"
        )
    groups = group_pieces(area, options.strip_width_m)
    down = find_fall_line(max(groups, key=lambda group: group.outline.area), options.strip_width_m)
    shares = np.array_split(np.arange(options.searchers), max(1, len(starts)))
    entries = [
        entry
        for start, share in zip(starts or (None,), shares, strict=True)
        for entry in [find_entry(area, down, options.entry, start, options.last_seen_m)] * share.size
    ]
    above = [entry for entry in entries if entry.way != "up"]
    below = [entry for entry in entries if entry.way == "up"]
    if not above or not below:
        return [_site(groups, entries, down, area.first)]
    upper, lower = cut_by_height(area.first, down, len(above) / len(entries))
    sites = []
    for part, entries_of in ((upper, above), (lower, below)):
        upper_or_lower = replace(area, first=part)
        begun = [
            find_entry(upper_or_lower, down, "nearest", entry.start, None) if entry.start else entry
            for entry in entries_of
        ]
        begun = [replace(new, way=old.way) for new, old in zip(begun, entries_of, strict=True)]
        sites.append(_site(group_pieces(upper_or_lower, options.strip_width_m), begun, down, part))
    return sites


def _site(groups: Sequence[Group], entries: Sequence[EntryPoint], down: XY, outline: Outline) -> Site:
    """Searchers in the order in which they stand, from left to right as the search moves."""
    x, y = direction_of(entries[0].way, down, entries[0].begin, outline)
    order = sorted(entries, key=lambda entry: entry.begin[0] * y - entry.begin[1] * x)
    group = max(groups, key=lambda group: group.outline.area)
    slopes = chord_slopes(group.rough.lattice, group.rough.walkable, group.rough.half_width_m)
    falls = find_downhill(group.rough.lattice, *slopes) != (0.0, 0.0)
    return Site(groups=tuple(groups), entries=tuple(order), down=down, falls=falls)


def _hide(area: SearchArea, options: SearchOptions) -> Targets:
    """The targets of the simulated searches: alike all over the outline, or as a probability of area says."""
    lattice = area.lattice
    alike = (lattice.x_m, lattice.y_m, lattice.weight_m2, lattice.spacing_m)
    places = list_poa_places(options.poa) if options.poa is not None else alike
    reception = Reception.of_strip(options.strip_width_m)
    share = 1.0 if options.poa is None else min(1.0, float(np.sum(places[2])))
    return hide_targets(area.surface, places, reception, DRAWS, np.random.default_rng(options.seed), share=share)


def _plan(ranked: Sequence[Candidate], team: TeamLayouts, ground: Grid, options: SearchOptions) -> SearchPlan:
    """The plan of the best layout."""
    best, area = ranked[0], team.area
    declination = _declination(area, ground, options)
    lanes, legs = number_legs(best.walked, area.walkable, ground.crs, declination, travel=options.travel)
    lines = [leg.line for leg in legs if leg.kind != "approach"]
    covered = find_covered(lines, area.lattice, area.surface, 0.5 * options.strip_width_m)
    coverage = sum_coverage(area.outline, area.lattice, covered)
    guide = tuple(write_guide(best, team.sites, lanes))
    return SearchPlan(
        pattern=pick_main_frame(best.layout).pattern,
        strip_width_m=options.strip_width_m,
        searchers=options.searchers,
        lanes=lanes,
        legs=legs,
        coverage=coverage,
        notes=(*guide, *write_notes(best, legs, coverage, team, ground.crs)),
        trials=tuple(candidate.trial for candidate in ranked),
        declination_deg=declination,
        no_go=area.walkable.no_go,
        travel=options.travel,
        guide=guide,
        kind=best.kind,
        later=area.later,
    )


def _declination(area: SearchArea, ground: Grid, options: SearchOptions) -> float:
    if options.date is None:
        return math.nan
    middle = area.outline.centroid
    place = to_lonlat(middle.x, middle.y, ground.crs)
    height = area.surface.z(np.array([middle.x]), np.array([middle.y]))
    return declination_deg(place.lon_deg, place.lat_deg, float(height[0]), decimal_year(options.date))
