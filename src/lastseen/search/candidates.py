"""Whole layouts that are compared: which way lanes run, for every part of the debris, and how good that is."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely

from lastseen.search.coverage import find_covered
from lastseen.search.frame import XY, Frame, find_bent_frame, find_downhill, make_straight_frame, measure_long_axis
from lastseen.search.lanes import (
    LEAST_COVERAGE,
    Group,
    GroupLanes,
    Run,
    chord_slopes,
    order_runs,
    place_lanes,
    restore_coverage,
    rough_length_m,
    turn_back,
)
from lastseen.search.legs import steep_m
from lastseen.search.plan import Pattern
from lastseen.search.search_area import SearchArea, SearchTask
from lastseen.search.simulation import Targets, Trial, Way, cut_into_stretches, simulate_search
from lastseen.search.walk import BALANCE, TeamWalk, assign_abreast, join_runs, share_runs, unevenness

# ---- Which way the lanes of a group run: candidates, and the shortest of a kind

FrameKind = Literal["across", "along", "any"]
_TURNS = 12
_REFINED_DEG = (5.0, 2.0)
_REFINED, _EDGES = 2, 3
_MOST_PLACED = 4
_ROUGHLY = 1.08  # how far a rough length may be off


@dataclass(frozen=True, kw_only=True)
class NamedFrame:
    """A frame with the words for it."""

    pattern: Pattern  # which of the two lies nearer
    words: str  # for people
    frame: Frame


@dataclass(frozen=True, kw_only=True)
class FramedLanes:
    """Lanes of a group and the frame they follow."""

    named: NamedFrame
    placed: GroupLanes


Layout = tuple[FramedLanes, ...]


def find_fall_line(group: Group, strip_width_m: float) -> XY:
    """Down the fall line of a group; along its longer side on flat ground."""
    lattice = group.goal.lattice
    east, north = chord_slopes(lattice, group.goal.walkable, strip_width_m)
    down = find_downhill(lattice, east, north)
    return down if down != (0.0, 0.0) else measure_long_axis(group.outline)[0]


def list_frames(group: Group, down: XY, strip_width_m: float) -> Iterator[NamedFrame]:
    """Across and along the fall line, straight and following the bend of the debris, and along its longer side."""
    level = make_straight_frame(group.outline, (down[1], -down[0]))
    yield NamedFrame(pattern="across", words="straight, across the fall line", frame=level)
    steep = make_straight_frame(group.outline, down)
    yield NamedFrame(pattern="along", words="straight, along the fall line", frame=steep)
    bent = find_bent_frame(group.goal.lattice, strip_width_m)
    if bent is not None:
        chord = bent.line_m[-1] - bent.line_m[0]
        runs_down = abs(chord[0] * down[0] + chord[1] * down[1]) >= math.sqrt(0.5) * math.hypot(*chord)
        ways: tuple[Pattern, Pattern] = ("along", "across") if runs_down else ("across", "along")
        yield NamedFrame(pattern=ways[0], words="following the bend of the debris", frame=bent)
        yield NamedFrame(pattern=ways[1], words="across the bend of the debris", frame=replace(bent, fan=True))


def make_turned_frame(group: Group, down: XY, azimuth_deg: float) -> NamedFrame:
    """Straight lanes along a map azimuth."""
    a = math.radians(azimuth_deg)
    direction = (math.sin(a), math.cos(a))
    level = abs(direction[0] * down[0] + direction[1] * down[1]) < math.sqrt(0.5)
    return NamedFrame(
        pattern="across" if level else "along",
        words=f"straight, on map bearing {azimuth_deg % 180.0:.0f}",
        frame=make_straight_frame(group.outline, direction),
    )


class FrameChoice:
    """The frames of one group and the lanes along them, each worked out once."""

    def __init__(self, group: Group, task: SearchTask) -> None:
        self.group, self.task = group, task
        self.down = find_fall_line(group, task.strip_width_m)
        self.standing = [
            (rough_length_m(group, named.frame, task), named)
            for named in list_frames(group, self.down, task.strip_width_m)
        ]
        self.made: dict[str, FramedLanes] = {}

    def shortest(self, kind: FrameKind) -> FramedLanes:
        """The shortest walk over the group among the frames of a kind."""
        rough = [pair for pair in self.standing if kind in ("any", pair[1].pattern)]
        if kind == "any" and self.group.rough.lattice.piece_m2.sum() > 0.5 * self.task.strip_width_m**2:
            rough += _best_bearings(self.group, self.down, self.task)
        rough.sort(key=lambda pair: pair[0])
        near = [named for length, named in rough if length <= _ROUGHLY * rough[0][0]][:_MOST_PLACED]
        made = [self._placed(named) for named in (near if len(near) > 1 else [named for _, named in rough[:2]])]
        return min(made, key=lambda lanes: (not lanes.placed.enough, lanes.placed.length_m))

    def _placed(self, named: NamedFrame) -> FramedLanes:
        if named.words not in self.made:
            placed = place_lanes(self.group, named.frame, self.task)
            self.made[named.words] = FramedLanes(named=named, placed=placed)
        return self.made[named.words]


def _best_bearings(group: Group, down: XY, task: SearchTask) -> list[tuple[float, NamedFrame]]:
    """The best of all map bearings: first coarsely and along the longest edges, then around the best of these."""
    first = math.degrees(math.atan2(*measure_long_axis(group.outline)[0]))
    lengths: dict[float, float] = {}

    def length_m(azimuth: float) -> float:
        if azimuth not in lengths:
            lengths[azimuth] = rough_length_m(group, make_turned_frame(group, down, azimuth).frame, task)
        return lengths[azimuth]

    around = [first + k * 180.0 / _TURNS for k in range(_TURNS)]
    dips = [
        azimuth
        for k, azimuth in enumerate(around)
        if length_m(azimuth) <= min(length_m(around[k - 1]), length_m(around[(k + 1) % _TURNS]))
    ]
    best = []
    for start in sorted([*dips, *_edge_azimuths(group, task.strip_width_m)], key=length_m)[:_REFINED]:
        azimuth = start
        for step in _REFINED_DEG:
            azimuth = min((azimuth, azimuth - step, azimuth + step), key=length_m)
        if math.isfinite(length_m(azimuth)):
            best.append((length_m(azimuth), make_turned_frame(group, down, azimuth)))
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


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One whole layout that is compared with others."""

    layout: Layout
    walks: Sequence[Sequence[Run]]
    walked: TeamWalk
    trial: Trial
    steep_m: float
    uneven: float

    @property
    def search_m(self) -> float:
        """Lanes and joins on the map, all searchers."""
        return sum(line.length for line in self.walked.searched_lines)


def make_layouts(groups: Sequence[Group], task: SearchTask, pattern: Pattern | None) -> Iterator[Layout]:
    """Lanes for all groups: the shortest of any kind, across the fall line, along it; only what differs."""
    kinds: tuple[FrameKind, ...] = (pattern,) if pattern else ("any", "across", "along")
    seen = set()
    choices = [FrameChoice(group, task) for group in groups]
    for kind in kinds:
        layout = [choice.shortest(kind) for choice in choices]
        key = tuple(run.points for lanes in layout for run in lanes.placed.runs)
        if key not in seen:
            seen.add(key)
            yield _restored(layout, groups, task)


def halve_strips(layout: Layout, groups: Sequence[Group], task: SearchTask) -> Layout:
    """Twice as many lanes along the frames of a layout, for the second pass; the task has its strip width."""
    halved = [
        replace(lanes, placed=place_lanes(group, lanes.named.frame, task, 2 * lanes.placed.count))
        for lanes, group in zip(layout, groups, strict=True)
    ]
    return _restored(halved, groups, task)


def _restored(layout: Sequence[FramedLanes], groups: Sequence[Group], task: SearchTask) -> Layout:
    return tuple(
        replace(lanes, placed=restore_coverage(lanes.placed, group, task))
        for lanes, group in zip(layout, groups, strict=True)
    )


def try_walks(layout: Layout, area: SearchArea, task: SearchTask, hidden: Targets) -> Iterator[Candidate]:
    """Walks over one set of lanes: from either end, or shared out among a team, and their simulated searches."""
    runs = _order_groups(layout, area, task)
    words = pick_main_frame(layout).words
    if len(layout) > 1:
        words = f"{len(layout)} parts, {words} in the largest"
    named: list[tuple[str, list[list[Run]]]] = []
    if task.searchers == 1:
        named = [(words, [runs])]
        if task.begin == task.start:
            named.append((f"{words}, from the other end", [turn_back(runs)]))
    else:
        named = [(f"{words}, a block for each searcher", share_runs(runs, area.walkable, task))]
        side = assign_abreast(runs, task.searchers, task.begin)
        if side is not None:
            named.append((f"{words}, abreast", side))
    weight = area.lattice.weight_m2
    for text, walks in named:
        walked = join_runs(walks, task.start, area.walkable, task.long_m)
        lines = walked.searched_lines
        covered = find_covered(lines, area.lattice, area.surface, task.half_width_m)
        share = float(weight[covered].sum() / weight.sum())
        yield Candidate(
            layout=layout,
            walks=walks,
            walked=walked,
            trial=simulate_search(
                text, _walk_ways(walked, area, task), area.surface, hidden, pace=task.travel.search_pace, coverage=share
            ),
            steep_m=steep_m(lines, area.surface),
            uneven=unevenness(walked, area.surface, task),
        )


def _walk_ways(walked: TeamWalk, area: SearchArea, task: SearchTask) -> list[Way]:
    """The walk of each searcher as the simulation takes it."""
    ways = []
    for k in range(len(walked.legs)):
        there = cut_into_stretches([walked.approach_corners(k)], area.surface, pace=task.travel.approach_pace)
        time = there.slowest_s if task.travel.approach_s is None else task.travel.approach_s
        ways.append(Way(corners=walked.corners(k), approach_m=there.length_m, approach_s=time))
    return ways


def pick_main_frame(layout: Layout) -> NamedFrame:
    """The frame with the longest lanes."""
    return max(layout, key=lambda lanes: sum(run.plan_m for run in lanes.placed.runs)).named


def _order_groups(layout: Layout, area: SearchArea, task: SearchTask) -> list[Run]:
    """All lanes in walking order; of several groups each is walked whole, from whichever end is nearer."""
    parts = [list(lanes.placed.runs) for lanes in layout if lanes.placed.runs]
    if len(parts) <= 1:
        return parts[0] if parts else []
    wholes = [Run(group=k, q_m=float(k), points=(part[0].start, part[-1].end)) for k, part in enumerate(parts)]
    order, _ = order_runs(wholes, task.begin, area.walkable)
    out: list[Run] = []
    for whole in order:
        part = parts[whole.group]
        out += part if whole.start == part[0].start else turn_back(part)
    return out


def rank_candidates(made: Sequence[Candidate], strip_width_m: float, *, uniform: bool) -> list[Candidate]:
    """The best layout first; what differs by less than the draws can tell is decided by walk and turns.

    Layouts that cover too little, are much longer than the shortest, lead over more steep ground than another (by a
    strip width) or share the work out worse come last.
    """
    longer = _LONGER if uniform else _LONGER_WITH_POA
    enough = [tried for tried in made if tried.trial.coverage >= LEAST_COVERAGE] or list(made)
    shortest = min((tried.search_m for tried in enough), default=0.0)
    enough = [tried for tried in enough if tried.search_m <= (1.0 + longer) * shortest]
    gentlest = min((tried.steep_m for tried in enough), default=0.0)
    enough = [tried for tried in enough if tried.steep_m <= gentlest + strip_width_m]
    enough = [tried for tried in enough if tried.uneven <= BALANCE] or enough
    top = max((tried.trial.alive for tried in enough), default=0.0)

    def key(tried: Candidate) -> tuple[bool, bool, float]:
        walk = tried.trial.walk_m + _TURN_SHARE * strip_width_m * sum(map(len, tried.walks))
        close = tried.trial.alive >= top - _ALIKE
        return not any(tried is other for other in enough), not close, walk if close else -tried.trial.alive

    return sorted(made, key=key)
