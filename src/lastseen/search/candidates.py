"""Whole layouts that are compared: which way lanes run, for every part of the debris, and how good that is."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
import shapely

from lastseen.core import BoolArray
from lastseen.search.coverage import find_covered
from lastseen.search.frame import XY, Frame, find_bent_frame, find_downhill, make_straight_frame, measure_long_axis
from lastseen.search.lanes import (
    LEAST_COVERAGE,
    Group,
    GroupLanes,
    Run,
    chord_slopes,
    keep_walkable,
    make_group,
    order_runs,
    place_lanes,
    restore_coverage,
    rough_length_m,
    turn_back,
    walk_length_m,
)
from lastseen.search.legs import climb_m, steep_m
from lastseen.search.parts import (
    EntryPoint,
    Site,
    count_strips,
    cut_bands,
    direction_of,
    make_progress_frame,
    share_groups,
)
from lastseen.search.plan import Pattern
from lastseen.search.routes import WalkableGround
from lastseen.search.search_area import SearchArea, SearchTask
from lastseen.search.simulation import Targets, Trial, Way, cut_into_stretches, simulate_search
from lastseen.search.surface import Lattice, Outline, list_pieces
from lastseen.search.walk import TeamWalk, join_runs

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
_ODD_BEARING = 1.03  # how much more a metre on any bearing counts than one across or along; design choice
_CLIMB_SHARE = 0.25  # of a strip: so much more uphill over the debris does not matter from above; design choice
# of a strip: so much more of the debris may be crossed before the first lane, with an entry that was asked for and
# without; design choices
_BEFORE_SHARE, _BEFORE_SHARE_FREE = 0.5, 1.5

Kind = Literal["abreast", "rank", "any", "across", "along", "traverse"]


@dataclass(frozen=True, kw_only=True)
class Share:
    """Lanes of one group and who walks them: one searcher in their order, or several side by side."""

    group: Group
    lanes: FramedLanes
    searchers: tuple[int, ...]  # from 0, from left to right as the search moves
    begin: XY
    toward: XY | None  # unit vector in which the search moves; None is any
    in_turn: bool = False  # strips are taken in turn instead of side by side: the team moves along them in a rank

    def walks(self, walkable: WalkableGround) -> list[list[Run]]:
        """The runs of each of these searchers; those side by side each from the entry."""
        runs = list(self.lanes.placed.runs)
        if len(self.searchers) == 1:
            return [runs]
        columns = list_columns(runs)
        number = len(self.searchers)
        each = -(-len(columns) // number)
        if self.in_turn:
            taken = [columns[k::number] for k in range(number)]
        else:
            taken = [columns[k : k + each] for k in range(0, len(columns), each)]
        parts = [[run for column in part for run in column] for part in taken]
        return [order_runs(part, self.begin, walkable, self.toward)[0] for part in parts]


Layout = tuple[Share, ...]


def list_columns(runs: Sequence[Run]) -> list[list[Run]]:
    """Runs of one strip each, from left to right; short extra runs go with the strip that is nearest."""
    places = sorted({run.q_m for run in runs if not run.extra}, reverse=True)
    columns: list[list[Run]] = [[run for run in runs if run.q_m == q] for q in places] or [[]]
    for run in (run for run in runs if run.extra):
        line = shapely.LineString(run.points)
        away = [min(line.distance(shapely.LineString(o.points)) for o in column) for column in columns if column]
        columns[int(np.argmin(away)) if away else 0].append(run)
    return columns


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One whole layout that is compared with others."""

    kind: Kind
    layout: Layout
    walks: Sequence[Sequence[Run]]
    walked: TeamWalk
    trial: Trial
    before_m: float  # over the debris before the first lane, of the searcher who is there first
    climb_m: float  # uphill on lanes and between them where the search comes from above

    @property
    def sort(self) -> str:
        """The kind by what most of its lanes do: those of any bearing may lie across or along the fall line."""
        main = pick_main_frame(self.layout)
        return main.pattern if self.kind == "any" and "bearing" not in main.words else self.kind

    @property
    def search_m(self) -> float:
        """All legs but approaches on the map, all searchers."""
        return sum(line.length for line in self.walked.searched_lines)


class TeamLayouts:
    """Layouts of one search, each part of the debris worked out once."""

    def __init__(self, sites: Sequence[Site], area: SearchArea, task: SearchTask) -> None:
        self.sites, self.area, self.task = sites, area, task
        self.choices: dict[int, FrameChoice] = {}
        self.bands: dict[tuple[int, int], list[Group]] = {}

    def kinds(self, pattern: Pattern | None) -> tuple[Kind, ...]:
        """What is tried; side by side first where there are several searchers."""
        if pattern == "traverse":
            return ("traverse",)
        if self.task.searchers == 1:
            return (pattern,) if pattern else ("across", "along", "any")
        over = self.sites[0].entry.way == "over"
        if pattern is not None:
            first: tuple[Kind, ...] = ("abreast", pattern) if (pattern == "across") == over else (pattern,)
            return (*first, "rank") if pattern == "across" else first
        return ("abreast", "across", "rank", "any")

    def lay(self, kind: Kind) -> Layout | None:
        """Lanes of one kind for all sites; None where there is none."""
        shares: list[Share] = []
        first = 0
        for number, site in enumerate(self.sites):
            part = self._lay_site(kind, number, site, first)
            if part is None:
                return None
            shares += part
            first += site.searchers
        if kind in ("abreast", "rank") and all(len(share.searchers) == 1 for share in shares):
            return None
        return tuple(shares)

    def _lay_site(self, kind: Kind, number: int, site: Site, first: int) -> list[Share] | None:
        begin, used = site.entry.begin, 0
        shares: list[Share] = []
        for groups, searchers in share_groups(self._tour(site), site.searchers):
            who = tuple(range(first + used, first + used + searchers))
            used += searchers
            if len(groups) > 1 or searchers == 1:
                shares += [self._single(kind, group, site, who[:1]) for group in groups]
                continue
            group = groups[0]
            direction = direction_of(site.entry.way, site.down, begin, group.outline)
            frame = make_progress_frame(group, direction, self.task.strip_width_m)
            strips = count_strips(group, frame, self.task.strip_width_m)
            if strips <= 1:
                shares.append(self._single(kind, group, site, who[:1]))
            elif kind == "abreast":
                share = self._abreast(group, frame, site, begin, who) if strips <= searchers else None
                if share is None:
                    return None
                shares.append(share)
            elif kind == "rank":
                share = self._single("across", group, site, who)
                top_first = _from_entry(share, begin)
                shares.append(replace(top_first, searchers=who[: len(list_columns(share.lanes.placed.runs))]))
            else:
                parts = min(searchers, strips)
                key = (group.index + 1000 * number, parts)
                if key not in self.bands:
                    self.bands[key] = cut_bands(group, frame, parts, self.area, self.task.strip_width_m)
                for k, band in enumerate(self.bands[key]):
                    shares.append(self._single(kind, band, site, who[k : k + 1]))
        return shares

    def _tour(self, site: Site) -> list[Group]:
        """Groups of pieces from the entry on, each next one near the one before."""
        if len(site.groups) == 1:
            return list(site.groups)
        middles = [group.outline.centroid for group in site.groups]
        wholes = [Run(group=k, q_m=float(k), points=((m.x, m.y), (m.x, m.y))) for k, m in enumerate(middles)]
        order, _ = order_runs(wholes, site.entry.begin, self.area.walkable)
        return [site.groups[whole.group] for whole in order]

    def _single(self, kind: Kind, group: Group, site: Site, who: tuple[int, ...]) -> Share:
        """Lanes of a part for one searcher, who enters it at the place nearest to the entry."""
        at = _nearest_place(group.outline, site.entry.begin)
        toward = _toward(site, group)
        task = replace(self.task, searchers=1, begin=at, toward=toward)
        if kind == "traverse":
            lanes = lay_traverses(group, make_progress_frame(group, site.down, task.strip_width_m), task)
        else:
            key = id(group)  # the same outline is a group of its own at another entry
            if key not in self.choices:
                self.choices[key] = FrameChoice(group, task)
            wanted: FrameKind = "any" if kind == "abreast" else "across" if kind == "rank" else kind
            lanes = self.choices[key].shortest(wanted)
            lanes = replace(lanes, placed=restore_coverage(lanes.placed, group, task))
        return Share(group=group, lanes=lanes, searchers=who, begin=at, toward=toward)

    def _abreast(self, group: Group, frame: Frame, site: Site, begin: XY, who: tuple[int, ...]) -> Share | None:
        """One lane for each, in the direction in which the search moves; None where there are more lanes."""
        over = site.entry.way == "over"
        bend = ", following the bend of the debris" if frame.bent else ""
        words = f"abreast, one lane each{bend}"
        toward = _toward(site, group)
        task = replace(self.task, begin=begin, toward=toward)
        placed = restore_coverage(place_lanes(group, frame, task), group, task)
        columns = len(list_columns(placed.runs))
        if columns > len(who):
            return None
        named = NamedFrame(pattern="across" if over else "along", words=words, frame=frame)
        lanes = FramedLanes(named=named, placed=placed)
        return Share(group=group, lanes=lanes, searchers=who[:columns], begin=begin, toward=toward)


def _toward(site: Site, group: Group) -> XY | None:
    """The direction in which a search moves; none on level ground where nobody said where the searchers stand."""
    if not site.falls and site.entry.start is None:
        return None
    return direction_of(site.entry.way, site.down, site.entry.begin, group.outline)


def _from_entry(share: Share, begin: XY) -> Share:
    """Strips taken in turn by a rank of searchers, the strip nearest to the entry first."""
    runs = share.lanes.placed.runs
    columns = list_columns(runs)
    away = [min(shapely.LineString(run.points).distance(shapely.Point(begin)) for run in column) for column in columns]
    turned = runs if away[0] <= away[-1] else tuple(replace(run, q_m=-run.q_m) for run in runs)
    placed = replace(share.lanes.placed, runs=turned)
    return replace(share, lanes=replace(share.lanes, placed=placed), in_turn=True)


def _nearest_place(outline: Outline, point: XY) -> XY:
    if shapely.contains_xy(outline, *point):
        return point
    x, y = shapely.get_coordinates(shapely.shortest_line(outline.boundary, shapely.Point(point)))[0]
    return float(x), float(y)


# A traverse slants down by as much of a strip as leaves this much of the debris in range; design choice.
_TRAVERSED = 0.95
_DROPS = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5)  # of a strip


def lay_traverses(group: Group, frame: Frame, task: SearchTask) -> FramedLanes:
    """Slanting lanes from side to side along a frame that leads down the debris, as somebody on skis goes.

    The turns leave corners out of range (see `frame.lay_pattern`): each traverse drops by as much as measures to
    enough, at most a strip.
    """
    goal = group.goal
    area = float(goal.lattice.weight_m2.sum())
    best: list[Run] = []
    for drop in _DROPS:
        best = _traverses(group, frame, drop * task.strip_width_m, task)
        _, left = goal.count_covered(best)
        if 1.0 - float(left.sum()) / area >= _TRAVERSED:
            break
    placed = GroupLanes(
        runs=tuple(best), length_m=walk_length_m(best, task.begin), count=len(best), strips_added=0, enough=True,
        loose=tuple(best),
    )  # fmt: skip
    named = NamedFrame(pattern="traverse", words="traverses, slanting down from side to side", frame=frame)
    return FramedLanes(named=named, placed=placed)


def _traverses(group: Group, frame: Frame, drop_m: float, task: SearchTask) -> list[Run]:
    """Slanting runs with their turns so far apart along the debris."""
    p, q, _ = frame.pq(group.goal.lattice.x_m, group.goal.lattice.y_m)
    low, high = float(p.min()), float(p.max())
    number = max(1, math.ceil((high - low) / drop_m))
    levels = np.linspace(low, high, number + 1)
    half = 0.5 * max(drop_m, 2.0 * group.goal.lattice.spacing_m)
    corners: list[XY] = []
    axis_left = frame.pq(*(np.array([v]) for v in task.begin))[1][0] >= float(np.median(q))
    for k, level in enumerate(levels.tolist()):
        near = q[np.abs(p - level) <= half]
        if near.size == 0:
            continue
        inset = min(task.strip_width_m / 8.0, 0.25 * float(np.ptp(near)))
        left = (k % 2 == 0) == axis_left
        side = float(near.max()) - inset if left else float(near.min()) + inset
        point = frame.place(level, side)
        corners.append(point)
    made: list[Run] = []
    for k, (a, b) in enumerate(pairwise(corners)):
        if math.dist(a, b) > 1.0:
            run = Run(group=group.index, q_m=float(k), points=(a, b))
            made += keep_walkable(run, group.goal.walkable, group.goal.lattice.spacing_m)
    return made


def lay_halved(layout: Layout, area: SearchArea, task: SearchTask) -> Layout:
    """Twice as many lanes along the frames of a layout, for the second pass; the task has its strip width."""
    made = []
    for share in layout:
        group = make_group(share.group.index, list_pieces(share.group.outline), area, task.strip_width_m)
        alone = len(share.searchers) == 1
        part_task = replace(task, searchers=1 if alone else task.searchers, begin=share.begin, toward=share.toward)
        if share.lanes.named.pattern == "traverse":
            lanes = lay_traverses(group, share.lanes.named.frame, part_task)
        else:
            placed = place_lanes(group, share.lanes.named.frame, part_task, 2 * share.lanes.placed.count)
            lanes = replace(share.lanes, placed=restore_coverage(placed, group, part_task))
        made.append(replace(share, group=group, lanes=lanes))
    return tuple(made)


def try_walk(kind: Kind, layout: Layout, team: TeamLayouts, hidden: Targets) -> Candidate:
    """The walk over one set of lanes and its simulated search."""
    sites, area, task = team.sites, team.area, team.task
    walks = _collect_walks(layout, area, task)
    entries = [entry for site in sites for entry in site.entries]
    walked, share = _joined(walks, entries, area, task)
    lines = walked.searched_lines
    ways = [site.entry.way for site in sites for _ in site.entries]
    from_above = [line for k, way in enumerate(ways) if way == "down" for line in walked.lanes_and_joins(k)]
    before = [walked.way_in(k) for k, legs in enumerate(walked.legs) if legs]
    inside = [float(shapely.intersection(shapely.union_all(way), area.outline).length) for way in before]
    trial = simulate_search(_name(kind, layout), _walk_ways(walked, area, task), area.surface, hidden, coverage=share)
    return Candidate(
        kind=kind,
        layout=layout,
        walks=walks,
        walked=walked,
        trial=replace(trial, steep_m=steep_m(lines, area.surface)),
        before_m=min(inside, default=0.0),
        climb_m=climb_m(from_above, area.surface),
    )


def _joined(
    walks: Sequence[Sequence[Run]], entries: Sequence[EntryPoint], area: SearchArea, task: SearchTask
) -> tuple[TeamWalk, float]:
    """The joined walk and its share of what the first pass covers; with every short run where corners lose too much."""
    weight = area.lattice.weight_m2
    kept = weight if area.later.is_empty else np.where(_on(area.later, area.lattice), 0.0, weight)
    tried = []
    for as_corners in (True, False):
        walked = join_runs(walks, entries, area, task, as_corners=as_corners)
        covered = find_covered(walked.searched_lines, area.lattice, area.surface, task.half_width_m)
        tried.append((walked, float(kept[covered].sum() / kept.sum())))
        if tried[-1][1] >= LEAST_COVERAGE:
            return tried[-1]
    return max(tried, key=lambda pair: pair[1])


def _walk_ways(walked: TeamWalk, area: SearchArea, task: SearchTask) -> list[Way]:
    """The walk of each searcher as the simulation takes it."""
    ways = []
    for k in range(len(walked.legs)):
        there = cut_into_stretches([walked.approach_corners(k)], area.surface, paces=task.travel.approach_pace)
        time = there.slowest_s if task.travel.approach_s is None else task.travel.approach_s
        paces = tuple(task.travel.pace_of(leg.kind) for leg in walked.legs[k] if leg.kind != "approach")
        ways.append(Way(corners=walked.corners(k), approach_m=there.length_m, approach_s=time, paces=paces))
    return ways


def _on(outline: Outline, lattice: Lattice) -> BoolArray:
    return np.asarray(shapely.contains_xy(outline, lattice.x_m, lattice.y_m))


def _name(kind: Kind, layout: Layout) -> str:
    """A layout in words."""
    words = pick_main_frame(layout).words
    parts = len({share.group.index for share in layout})
    if any(share.in_turn for share in layout):
        words = f"in a rank, {words}"
    elif kind != "abreast" and len({share.searchers[0] for share in layout}) > 1:
        words = f"a block for each searcher, {words}"
    elif parts > 1:
        words = f"{parts} parts, {words} in the largest"
    return words


def pick_main_frame(layout: Layout) -> NamedFrame:
    """The frame with the longest lanes."""
    return max(layout, key=lambda share: sum(run.plan_m for run in share.lanes.placed.runs)).lanes.named


def _collect_walks(layout: Layout, area: SearchArea, task: SearchTask) -> list[list[Run]]:
    """All runs of each searcher in walking order; of several parts each is walked whole, from its nearer end."""
    walks: list[list[Run]] = [[] for _ in range(task.searchers)]
    alone: dict[int, list[Share]] = {}
    for share in layout:
        if len(share.searchers) == 1:
            alone.setdefault(share.searchers[0], []).append(share)
        else:
            for who, runs in zip(share.searchers, share.walks(area.walkable), strict=False):
                walks[who] += runs
    for who, shares in alone.items():
        parts = [list(share.lanes.placed.runs) for share in shares if share.lanes.placed.runs]
        if len(parts) <= 1:
            walks[who] += parts[0] if parts else []
            continue
        wholes = [Run(group=k, q_m=float(k), points=(part[0].start, part[-1].end)) for k, part in enumerate(parts)]
        order, _ = order_runs(wholes, task.begin, area.walkable)
        for whole in order:
            part = parts[whole.group]
            walks[who] += part if whole.start == part[0].start else turn_back(part)
    return walks


def rank_candidates(
    made: Sequence[Candidate],
    strip_width_m: float,
    *,
    uniform: bool,
    entry_asked: bool,
    favoured: str | None = None,
) -> tuple[list[Candidate], str]:
    """The best layout first, and why; what the draws cannot tell apart is decided by the longest walk and its turns.

    Layouts that cover too little, begin far inside the debris (above all where an entry was asked for), are much longer
    than the shortest, lead over more steep ground than another (by a strip width) or uphill where another does not come
    last. The ``favoured`` kind comes first, then searchers side by side. Nothing longer, later at the median and no
    less steep comes before another that covers enough, does not go uphill and begins where it was asked to.
    """
    longer = _LONGER if uniform else _LONGER_WITH_POA
    left = list(made)
    against: dict[int, str] = {}

    def drop(reason: str, keep: Callable[[Candidate], bool]) -> None:
        nonlocal left
        kept = [tried for tried in left if keep(tried)] or left
        against.update({id(tried): reason for tried in left if not any(tried is other for other in kept)})
        left = kept

    most = max(tried.trial.coverage for tried in left)
    drop("covers less", lambda tried: tried.trial.coverage >= min(LEAST_COVERAGE, most))
    lowest = min(tried.climb_m for tried in left)
    drop("more uphill", lambda tried: tried.climb_m <= lowest + _CLIMB_SHARE * strip_width_m)
    valid = list(left)
    nearest = min(tried.before_m for tried in left)
    inside = (_BEFORE_SHARE if entry_asked else _BEFORE_SHARE_FREE) * strip_width_m
    drop("begins farther inside", lambda tried: tried.before_m <= nearest + inside)
    valid = list(left) if entry_asked else valid
    gentlest = min(tried.trial.steep_m for tried in left)
    drop("more steep ground", lambda tried: tried.trial.steep_m <= gentlest + strip_width_m)
    shortest = min(tried.search_m for tried in left)
    drop("much longer", lambda tried: tried.search_m <= (1.0 + longer) * shortest)
    top = max(tried.trial.alive for tried in left)

    def walk_m(tried: Candidate) -> float:
        longest = max(sum(leg.line.length for leg in legs) for legs in tried.walked.legs)
        odd = _ODD_BEARING if tried.kind == "any" else 1.0
        return odd * longest + _TURN_SHARE * strip_width_m * max(map(len, tried.walks))

    def key(tried: Candidate) -> tuple[bool, bool, bool, bool, float]:
        last = not any(tried is other for other in left)
        close = tried.trial.alive >= top - _ALIKE
        return (
            last,
            favoured not in (None, tried.sort),
            tried.kind != "abreast",
            not close,
            walk_m(tried) if close else -tried.trial.alive,
        )

    ranked = sorted(made, key=key)
    first = ranked[0]
    better = next((tried for tried in valid if _dominates(tried, ranked[0])), None)
    while better is not None:
        ranked.remove(better)
        ranked.insert(0, better)
        better = next((tried for tried in valid if _dominates(tried, ranked[0])), None)
    named = [replace(tried, trial=replace(tried.trial, against=against.get(id(tried), ""))) for tried in ranked]
    if ranked[0] is not first:
        return named, "It is shorter, sooner at the median and no steeper than the layout that would come before it."
    return named, _reason(ranked[0], made, left)


def _dominates(tried: Candidate, other: Candidate) -> bool:
    """Whether a layout is shorter, sooner at the median and no steeper than another."""
    a, b = tried.trial, other.trial
    return a.walk_m < b.walk_m and a.first_signal_s[1] < b.first_signal_s[1] and a.steep_m <= b.steep_m


def _reason(best: Candidate, made: Sequence[Candidate], left: Sequence[Candidate]) -> str:
    """Why a layout is the first, one sentence: ``left`` are those of ``made`` that nothing stands against."""
    if len(made) == 1:
        return "It is the only layout that was found."
    if len(left) == 1:
        return "The others are ruled out for what stands beside them."
    if best.kind == "abreast":
        return "Several searchers go abreast, one lane each, where the debris is narrow enough for it."
    top = max(tried.trial.alive for tried in left)
    if best.trial.alive < top - _ALIKE:
        return (
            f"Over this outline alone the chance of finding somebody alive is {100 * (top - best.trial.alive):.1f} "
            "points better with another."
        )
    if any(tried is not best and tried.trial.alive >= top - _ALIKE for tried in left):
        return (
            f"Of the layouts whose chance of finding somebody alive is within {100 * _ALIKE:.1f} points of the best it "
            "ends soonest, with the fewest turns."
        )
    return "It has the best chance of finding somebody alive in the simulated searches."
