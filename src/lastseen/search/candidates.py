"""Whole layouts that are compared: lanes for every part of the debris, who walks them, and how the search goes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from lastseen.search.checks import Field
from lastseen.search.choice import Choice, Chosen, Kind, Named
from lastseen.search.coverage import covered_by
from lastseen.search.frame import XY
from lastseen.search.lanes import Group, firm, place_lanes
from lastseen.search.lattice import lattice_over, lattice_spacing_m
from lastseen.search.legs import steep_m
from lastseen.search.model import Pattern
from lastseen.search.numbering import Walked, walked_ways
from lastseen.search.runs import JOIN_SHARE, Run, Sight, ordered
from lastseen.search.team import BALANCE, abreast, unevenness, worth_walking
from lastseen.search.trial import Trial, simulate
from lastseen.search.trial.simulate import Survival, Targets

_ALIKE = 0.005  # chance of being found alive: the standard error of some 8,000 draws
# A layout so much longer than the shortest is not taken, whatever the draws say, without and with a probability of
# area; design choices.
_LONGER, _LONGER_WITH_POA = 0.04, 0.5
_TURN_SHARE = 0.1  # of a strip: what a turn more must save in walking; design choice


@dataclass(frozen=True)
class Wish:
    """What was asked for; see `lay_out`."""

    strip_width_m: float
    searchers: int
    start: XY
    begin: XY
    least_coverage: float
    survival: Survival
    rest_min: float


@dataclass(frozen=True)
class Candidate:
    """One whole layout that is compared with others."""

    words: str
    chosen: tuple[Chosen, ...]
    walks: tuple[tuple[Run, ...], ...]
    walked: Walked
    trial: Trial
    steep_m: float
    uneven: float

    @property
    def search_m(self) -> float:
        """Lanes and joins on the map, all searchers."""
        return sum(leg.line.length for walk in self.walked.legs for leg in walk if leg.kind != "approach")


def fine_sight(group: Group, field: Field, half_m: float, least: float) -> Sight:
    """What a group has to have covered, on a lattice of 1 m."""
    lattice = field.lattice
    if group.outline is not field.outline:
        spacing = lattice_spacing_m(group.outline, lattice.spacing_m)
        lattice = lattice_over(group.outline, field.surface, spacing)
    return Sight.of(lattice, field.ways, half_m, least + 0.0002 * (least < 1.0))


def layouts(
    groups: Sequence[Group],
    fines: Sequence[Sight],
    downs: Sequence[XY],
    pattern: Pattern | None,
    wish: Wish,
    frames: Sequence[Any],
) -> Iterator[tuple[Chosen, ...]]:
    """Lanes for all groups: the shortest of any kind, across the fall line, along it; only what differs."""
    width, begin = wish.strip_width_m, wish.begin
    join_m = JOIN_SHARE * width if wish.searchers == 1 else 0.0

    def firmly(one: Chosen, k: int) -> Chosen:
        return replace(one, placed=firm(one.placed, groups[k], fines[k], width, begin, join_m=join_m))

    if len(frames) == len(groups):
        fixed = []
        for k, (named, count) in enumerate(frames):
            placed = place_lanes(groups[k], named.frame, width, begin, join_m=join_m, count=count)
            fixed.append(firmly(Chosen(named, placed), k))
        yield tuple(fixed)
        return
    kinds: tuple[Kind, ...] = (pattern,) if pattern else ("any", "across", "along")
    seen = set()
    choices = [Choice(group, down, width, begin, join_m) for group, down in zip(groups, downs, strict=True)]
    for kind in kinds:
        found = [choice.shortest(kind) for choice in choices]
        key = tuple(run.points for one in found for run in one.placed.runs)
        if key not in seen:
            seen.add(key)
            yield tuple(firmly(one, k) for k, one in enumerate(found))


def candidates(layout: tuple[Chosen, ...], field: Field, wish: Wish, hidden: Targets) -> Iterator[Candidate]:
    """Walks over one set of lanes: from either end, or shared out among a team, and their simulated searches."""
    runs = _in_order(layout, field, wish)
    words = (
        layout[0].named.words if len(layout) == 1 else f"{len(layout)} parts, {main_frame(layout).words} in the largest"
    )
    ways: list[tuple[str, list[list[Run]]]] = []
    if wish.searchers == 1:
        ways = [(words, [runs])]
        if wish.begin == wish.start:
            ways.append((f"{words}, from the other end", [[run.turned() for run in reversed(runs)]]))
    else:
        parts = worth_walking(runs, wish.searchers, wish.start, field.ways, wish.strip_width_m)
        ways = [(f"{words}, a block for each searcher", parts)]
        side = abreast(runs, wish.searchers, wish.begin)
        if side is not None:
            ways.append((f"{words}, abreast", side))
    for said, walks in ways:
        walked = walked_ways(walks, wish.start, field.ways, JOIN_SHARE * wish.strip_width_m)
        lines = [leg.line for walk in walked.legs for leg in walk if leg.kind != "approach"]
        seen = covered_by(lines, field.lattice, field.surface, 0.5 * wish.strip_width_m)
        share = float(field.lattice.weight_m2[seen].sum() / field.lattice.weight_m2.sum())
        corners = [walked.corners(k) for k in range(len(walks))]
        trial = simulate(
            said, corners, field.surface, hidden, survival=wish.survival, rest_min=wish.rest_min, coverage=share
        )
        uneven = unevenness(walked, field.surface, JOIN_SHARE * wish.strip_width_m)
        steep = steep_m(lines, field.surface)
        yield Candidate(said, layout, tuple(map(tuple, walks)), walked, trial, steep, uneven)


def main_frame(layout: Sequence[Chosen]) -> Named:
    """The frame with the longest lanes."""
    return max(layout, key=lambda one: sum(run.plan_m for run in one.placed.runs)).named


def _in_order(layout: Sequence[Chosen], field: Field, wish: Wish) -> list[Run]:
    """All lanes in walking order; of several groups each is walked whole, from whichever end is nearer."""
    parts = [list(one.placed.runs) for one in layout if one.placed.runs]
    if len(parts) <= 1:
        return parts[0] if parts else []
    ends = [Run(k, float(k), (part[0].start, part[-1].end)) for k, part in enumerate(parts)]
    order, _ = ordered(ends, wish.begin, field.ways)
    out: list[Run] = []
    for one in order:
        part = parts[one.group]
        out += part if one.start == part[0].start else [run.turned() for run in reversed(part)]
    return out


def ranked(made: Sequence[Candidate], wish: Wish, *, uniform: bool) -> list[Candidate]:
    """The best layout first; what differs by less than the draws can tell is decided by walk and turns.

    Layouts that cover too little, are much longer than the shortest, lead over more steep ground than another (by a
    strip width) or share the work out worse come last.
    """
    least_coverage, strip_width_m = wish.least_coverage, wish.strip_width_m
    longer = _LONGER if uniform else _LONGER_WITH_POA
    enough = [one for one in made if one.trial.coverage >= least_coverage] or list(made)
    shortest = min((one.search_m for one in enough), default=0.0)
    enough = [one for one in enough if one.search_m <= (1.0 + longer) * shortest]
    gentlest = min((one.steep_m for one in enough), default=0.0)
    enough = [one for one in enough if one.steep_m <= gentlest + strip_width_m]
    enough = [one for one in enough if one.uneven <= BALANCE] or enough
    top = max((one.trial.alive for one in enough), default=0.0)

    def key(one: Candidate) -> tuple[bool, bool, float]:
        walk = one.trial.walk_m + _TURN_SHARE * strip_width_m * sum(map(len, one.walks))
        close = one.trial.alive >= top - _ALIKE
        return not any(one is other for other in enough), not close, walk if close else -one.trial.alive

    return sorted(made, key=key)
