"""Whole layouts that are compared: which way lanes run, for every part of the debris, and how good that is."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import shapely

from lastseen.search.coverage import find_covered
from lastseen.search.frame import XY, Frame, find_bent_frame, find_downhill, make_straight_frame, measure_long_axis
from lastseen.search.lanes import (
    JOIN_SHARE,
    CoverGoal,
    Group,
    GroupLanes,
    Run,
    chord_slopes,
    order_runs,
    place_lanes,
    restore_coverage,
    rough_length_m,
)
from lastseen.search.legs import steep_m
from lastseen.search.plan import Pattern
from lastseen.search.search_area import SearchArea
from lastseen.search.simulation import Survival, Targets, Trial, simulate_search
from lastseen.search.surface import lattice_spacing_m, make_lattice
from lastseen.search.walk import BALANCE, TeamWalk, assign_abreast, join_runs, share_runs, unevenness

# ---- Which way the lanes of a group run: candidates, and the shortest of a kind

FrameKind = Literal["across", "along", "any"]
_TURNS = 12
_REFINED_DEG = (5.0, 2.0)
_REFINED, _EDGES = 2, 3
_MOST_PLACED = 4
_ROUGHLY = 1.08  # how far a rough length may be off


@dataclass(frozen=True)
class NamedFrame:
    """A frame with the words for it.

    Attributes
    ----------
    pattern : {"across", "along"}
        Which of the two lies nearer.
    words : str
        For people.
    frame : Frame
    """

    pattern: Pattern
    words: str
    frame: Frame


@dataclass(frozen=True)
class FramedLanes:
    """Lanes of a group and the frame they follow."""

    named: NamedFrame
    placed: GroupLanes


def find_fall_line(group: Group, strip_width_m: float, fall_line_deg: float | None) -> XY:
    """Down the fall line of a group; along its longer side on flat ground."""
    lattice = group.sight.lattice
    east, north = chord_slopes(lattice, group.sight.ways, strip_width_m)
    down = find_downhill(lattice, east, north, fall_line_deg)
    return down if down != (0.0, 0.0) else measure_long_axis(group.outline)[0]


def list_frames(group: Group, down: XY, strip_width_m: float) -> Iterator[NamedFrame]:
    """Across and along the fall line, straight and following the bend of the debris, and along its longer side."""
    yield NamedFrame(
        "across", "straight, across the fall line", make_straight_frame(group.outline, (down[1], -down[0]))
    )
    yield NamedFrame("along", "straight, along the fall line", make_straight_frame(group.outline, down))
    bent = find_bent_frame(group.sight.lattice, strip_width_m)
    if bent is not None:
        chord = bent.line_m[-1] - bent.line_m[0]
        runs_down = abs(chord[0] * down[0] + chord[1] * down[1]) >= math.sqrt(0.5) * math.hypot(*chord)
        ways: tuple[Pattern, Pattern] = ("along", "across") if runs_down else ("across", "along")
        yield NamedFrame(ways[0], "following the bend of the debris", bent)
        yield NamedFrame(ways[1], "across the bend of the debris", Frame(bent.line_m, bent.along_m, fan=True))


def make_turned_frame(group: Group, down: XY, azimuth_deg: float) -> NamedFrame:
    """Straight lanes along a map azimuth."""
    a = math.radians(azimuth_deg)
    direction = (math.sin(a), math.cos(a))
    level = abs(direction[0] * down[0] + direction[1] * down[1]) < math.sqrt(0.5)
    words = f"straight, on map bearing {azimuth_deg % 180.0:.0f}"
    return NamedFrame("across" if level else "along", words, make_straight_frame(group.outline, direction))


class FrameChoice:
    """The frames of one group and the lanes along them, each worked out once."""

    def __init__(self, group: Group, down: XY, strip_width_m: float, start: XY, join_m: float) -> None:
        self.group, self.down, self.width_m, self.start, self.join_m = group, down, strip_width_m, start, join_m
        self.standing = [(self._rough_m(frame), frame) for frame in list_frames(group, down, strip_width_m)]
        self.made: dict[str, FramedLanes] = {}

    def shortest(self, kind: FrameKind) -> FramedLanes:
        """The shortest walk over the group among the frames of a kind."""
        rough = [pair for pair in self.standing if kind in ("any", pair[1].pattern)]
        if kind == "any" and self.group.rough.lattice.piece_m2.sum() > 0.5 * self.width_m**2:
            rough += _turned(self.group, self.down, self.width_m, self.start)
        rough.sort(key=lambda pair: pair[0])
        near = [one for length, one in rough if length <= _ROUGHLY * rough[0][0]][:_MOST_PLACED]
        made = [self._placed(one) for one in (near if len(near) > 1 else [one for _, one in rough[:2]])]
        return min(made, key=lambda one: (not one.placed.enough, one.placed.length_m))

    def _rough_m(self, one: NamedFrame) -> float:
        return rough_length_m(self.group, one.frame, self.width_m, self.start)

    def _placed(self, one: NamedFrame) -> FramedLanes:
        if one.words not in self.made:
            lanes = place_lanes(self.group, one.frame, self.width_m, self.start, join_m=self.join_m)
            self.made[one.words] = FramedLanes(one, lanes)
        return self.made[one.words]


def _turned(group: Group, down: XY, strip_width_m: float, start: XY) -> list[tuple[float, NamedFrame]]:
    """The best of all map bearings: first coarsely and along the longest edges, then around the best of these."""
    first = math.degrees(math.atan2(*measure_long_axis(group.outline)[0]))
    length: dict[float, float] = {}

    def of(azimuth: float) -> float:
        if azimuth not in length:
            frame = make_turned_frame(group, down, azimuth).frame
            length[azimuth] = rough_length_m(group, frame, strip_width_m, start)
        return length[azimuth]

    around = [first + k * 180.0 / _TURNS for k in range(_TURNS)]
    dips = [a for k, a in enumerate(around) if of(a) <= min(of(around[k - 1]), of(around[(k + 1) % _TURNS]))]
    best = []
    for azimuth in sorted([*dips, *_edge_azimuths(group, strip_width_m)], key=of)[:_REFINED]:
        here = azimuth
        for step in _REFINED_DEG:
            here = min((here, here - step, here + step), key=of)
        if math.isfinite(of(here)):
            best.append((of(here), make_turned_frame(group, down, here)))
    return best


def _edge_azimuths(group: Group, strip_width_m: float) -> list[float]:
    """Bearings of the longest edges of the outline's hull: convex shapes are mostly searched along one of them."""
    ring = shapely.get_coordinates(group.outline.convex_hull.simplify(0.1 * strip_width_m))
    step = np.diff(ring, axis=0)
    order = np.argsort(-np.hypot(step[:, 0], step[:, 1]), kind="stable")[:_EDGES]
    return [math.degrees(math.atan2(x, y)) % 180.0 for x, y in step[order].tolist()]


# ---- Whole layouts that are compared: lanes for every part of the debris, who walks them, and how the search goes

_ALIKE = 0.005  # chance of being found alive: the standard error of some 8,000 draws
# A layout so much longer than the shortest is not taken, whatever the draws say, without and with a probability of
# area; design choices.
_LONGER, _LONGER_WITH_POA = 0.04, 0.5
_TURN_SHARE = 0.1  # of a strip: what a turn more must save in walking; design choice


@dataclass(frozen=True)
class Wish:
    """What was asked for; see `lay_search`."""

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
    chosen: tuple[FramedLanes, ...]
    walks: tuple[tuple[Run, ...], ...]
    walked: TeamWalk
    trial: Trial
    steep_m: float
    uneven: float

    @property
    def search_m(self) -> float:
        """Lanes and joins on the map, all searchers."""
        return sum(leg.line.length for walk in self.walked.legs for leg in walk if leg.kind != "approach")


def make_fine_goal(group: Group, field: SearchArea, half_m: float, least: float) -> CoverGoal:
    """What a group has to have covered, on a lattice of 1 m."""
    lattice = field.lattice
    if group.outline is not field.outline:
        spacing = lattice_spacing_m(group.outline, lattice.spacing_m)
        lattice = make_lattice(group.outline, field.surface, spacing)
    return CoverGoal.of(lattice, field.ways, half_m, least + 0.0002 * (least < 1.0))


def make_layouts(
    groups: Sequence[Group],
    fines: Sequence[CoverGoal],
    downs: Sequence[XY],
    pattern: Pattern | None,
    wish: Wish,
    frames: Sequence[Any],
) -> Iterator[tuple[FramedLanes, ...]]:
    """Lanes for all groups: the shortest of any kind, across the fall line, along it; only what differs."""
    width, begin = wish.strip_width_m, wish.begin
    join_m = JOIN_SHARE * width if wish.searchers == 1 else 0.0

    def firmly(one: FramedLanes, k: int) -> FramedLanes:
        return replace(one, placed=restore_coverage(one.placed, groups[k], fines[k], width, begin, join_m=join_m))

    if len(frames) == len(groups):
        fixed = []
        for k, (named, count) in enumerate(frames):
            placed = place_lanes(groups[k], named.frame, width, begin, join_m=join_m, count=count)
            fixed.append(firmly(FramedLanes(named, placed), k))
        yield tuple(fixed)
        return
    kinds: tuple[FrameKind, ...] = (pattern,) if pattern else ("any", "across", "along")
    seen = set()
    choices = [FrameChoice(group, down, width, begin, join_m) for group, down in zip(groups, downs, strict=True)]
    for kind in kinds:
        found = [choice.shortest(kind) for choice in choices]
        key = tuple(run.points for one in found for run in one.placed.runs)
        if key not in seen:
            seen.add(key)
            yield tuple(firmly(one, k) for k, one in enumerate(found))


def try_walks(layout: tuple[FramedLanes, ...], field: SearchArea, wish: Wish, hidden: Targets) -> Iterator[Candidate]:
    """Walks over one set of lanes: from either end, or shared out among a team, and their simulated searches."""
    runs = _in_order(layout, field, wish)
    words = (
        layout[0].named.words
        if len(layout) == 1
        else f"{len(layout)} parts, {pick_main_frame(layout).words} in the largest"
    )
    ways: list[tuple[str, list[list[Run]]]] = []
    if wish.searchers == 1:
        ways = [(words, [runs])]
        if wish.begin == wish.start:
            ways.append((f"{words}, from the other end", [[run.turned() for run in reversed(runs)]]))
    else:
        parts = share_runs(runs, wish.searchers, wish.start, field.ways, wish.strip_width_m)
        ways = [(f"{words}, a block for each searcher", parts)]
        side = assign_abreast(runs, wish.searchers, wish.begin)
        if side is not None:
            ways.append((f"{words}, abreast", side))
    for said, walks in ways:
        walked = join_runs(walks, wish.start, field.ways, JOIN_SHARE * wish.strip_width_m)
        lines = [leg.line for walk in walked.legs for leg in walk if leg.kind != "approach"]
        seen = find_covered(lines, field.lattice, field.surface, 0.5 * wish.strip_width_m)
        share = float(field.lattice.weight_m2[seen].sum() / field.lattice.weight_m2.sum())
        corners = [walked.corners(k) for k in range(len(walks))]
        trial = simulate_search(
            said, corners, field.surface, hidden, survival=wish.survival, rest_min=wish.rest_min, coverage=share
        )
        uneven = unevenness(walked, field.surface, JOIN_SHARE * wish.strip_width_m)
        steep = steep_m(lines, field.surface)
        yield Candidate(said, layout, tuple(map(tuple, walks)), walked, trial, steep, uneven)


def pick_main_frame(layout: Sequence[FramedLanes]) -> NamedFrame:
    """The frame with the longest lanes."""
    return max(layout, key=lambda one: sum(run.plan_m for run in one.placed.runs)).named


def _in_order(layout: Sequence[FramedLanes], field: SearchArea, wish: Wish) -> list[Run]:
    """All lanes in walking order; of several groups each is walked whole, from whichever end is nearer."""
    parts = [list(one.placed.runs) for one in layout if one.placed.runs]
    if len(parts) <= 1:
        return parts[0] if parts else []
    ends = [Run(k, float(k), (part[0].start, part[-1].end)) for k, part in enumerate(parts)]
    order, _ = order_runs(ends, wish.begin, field.ways)
    out: list[Run] = []
    for one in order:
        part = parts[one.group]
        out += part if one.start == part[0].start else [run.turned() for run in reversed(part)]
    return out


def rank_candidates(made: Sequence[Candidate], wish: Wish, *, uniform: bool) -> list[Candidate]:
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
