"""From lanes to walks: who walks which lane, numbered lanes and legs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from pyproj import CRS
from shapely import LineString

from lastseen.core import BoolArray, FloatArray, IntArray
from lastseen.rescue import Travel
from lastseen.search import legs_kernels
from lastseen.search.frame import XY
from lastseen.search.lanes import Run, turn_back
from lastseen.search.legs import (
    SPEED_SLOPES,
    STEEP_DEG,
    SampledWalk,
    compass_deg,
    measure_leg,
    sample_walk,
    speed_table_m_s,
    true_bearings_deg,
)
from lastseen.search.plan import Danger, Lane, Leg, LegKind
from lastseen.search.routes import WalkableGround
from lastseen.search.search_area import SearchTask
from lastseen.search.surface import Surface

# ---- From walks to numbered lanes and legs

SAME_CORNER_M = 1.0  # corners nearer than this are one


@dataclass(frozen=True, kw_only=True)
class BareLeg:
    """A leg before its numbers are known: the run that it is part of, or None."""

    kind: LegKind
    line: LineString
    run: Run | None


@dataclass(frozen=True, kw_only=True)
class TeamWalk:
    """Legs of each searcher, and the runs that nobody can reach."""

    legs: tuple[tuple[BareLeg, ...], ...]
    unreached: tuple[Run, ...]

    @property
    def searched_lines(self) -> list[LineString]:
        """Lanes and joins of all searchers."""
        return [leg.line for legs in self.legs for leg in legs if leg.kind != "approach"]

    def corners(self, searcher: int) -> FloatArray:
        """Corners of one searcher's search (from 0) without the approach, n x 2."""
        return _corners([leg for leg in self.legs[searcher] if leg.kind != "approach"])

    def approach_corners(self, searcher: int) -> FloatArray:
        """Corners of the approach of one searcher (from 0), n x 2."""
        return _corners([leg for leg in self.legs[searcher] if leg.kind == "approach"])


def _corners(legs: Sequence[BareLeg]) -> FloatArray:
    if not legs:
        return np.zeros((0, 2))
    return np.array([legs[0].line.coords[0], *(leg.line.coords[-1] for leg in legs)])


def join_runs(walks: Sequence[Sequence[Run]], start: XY, walkable: WalkableGround, detour_from_m: float) -> TeamWalk:
    """Join the runs of each searcher, around blocked and dangerous ground where that can be."""
    made, lost = [], []
    for walk in walks:
        at, legs = start, list[BareLeg]()
        for run in walk:
            way = walkable.find_route(at, run.start, detour_from_m)
            if way is None:
                lost.append(run)
                continue
            kind: LegKind = "join" if any(leg.run is not None for leg in legs) else "approach"
            legs += _straight(kind, way, None)
            legs += _straight("lane", list(run.points), run)
            at = run.end
        made.append(tuple(legs))
    return TeamWalk(legs=tuple(made), unreached=tuple(lost))


def _straight(kind: LegKind, way: Sequence[XY], run: Run | None) -> list[BareLeg]:
    ends = [(a, b) for a, b in pairwise(_apart(way)) if math.dist(a, b) > 1e-6]
    return [BareLeg(kind=kind, line=LineString(pair), run=run) for pair in ends]


def _apart(way: Sequence[XY]) -> list[XY]:
    """The corners of a way without those that nobody would turn at twice; its ends stay."""
    kept = [way[0]]
    for corner in way[1:-1]:
        if math.dist(kept[-1], corner) > SAME_CORNER_M and math.dist(corner, way[-1]) > SAME_CORNER_M:
            kept.append(corner)
    return [*kept, way[-1]] if len(way) > 1 else kept


def number_legs(
    walked: TeamWalk, walkable: WalkableGround, crs: CRS, declination_deg: float, *, searchers: int, travel: Travel
) -> tuple[tuple[Lane, ...], tuple[Leg, ...]]:
    """Lanes and legs with their numbers: lanes of a team from side to side, of one searcher as they are walked."""
    found = [(who, run) for who, legs in enumerate(walked.legs, start=1) for run in _runs_of(legs)]
    order = list(range(len(found)))
    if searchers > 1:
        order.sort(key=lambda k: (found[k][1].group, found[k][1].q_m, found[k][0], k))
    number_of = {k: n for n, k in enumerate(order, start=1)}
    legs: list[Leg] = []
    lanes: list[Lane] = []
    at = -1
    for who, bare in enumerate(walked.legs, start=1):
        run: Run | None = None
        for n, part in enumerate(bare, start=1):
            if part.run is not None and part.run is not run:
                at += 1
            run = part.run
            lane = number_of[at] if run is not None else None
            legs.append(replace(_measured(part, walkable, travel), number=n, searcher=who, lane=lane))
    legs = _take_given_approach(legs, travel)
    for k, (who, run) in enumerate(found):
        length = sum(leg.length_m for leg in legs if leg.lane == number_of[k])
        lanes.append(Lane(number=number_of[k], searcher=who, line=LineString(_apart(run.points)), length_m=length))
    ends = np.array([leg.line.coords for leg in legs]).reshape(-1, 2, 2)
    true = true_bearings_deg(ends[:, 0], ends[:, 1], crs)
    magnetic = compass_deg(true - declination_deg)
    done = tuple(
        replace(leg, bearing_deg_true=float(t), bearing_deg_magnetic=float(m) if math.isfinite(m) else math.nan)
        for leg, t, m in zip(legs, true, magnetic, strict=True)
    )
    return tuple(sorted(lanes, key=lambda lane: lane.number)), done


def _take_given_approach(legs: Sequence[Leg], travel: Travel) -> list[Leg]:
    """Legs whose approaches take as long as was given, each its part of it."""
    if travel.approach_s is None:
        return list(legs)
    totals: dict[int, float] = {}
    for leg in legs:
        if leg.kind == "approach":
            totals[leg.searcher] = totals.get(leg.searcher, 0.0) + leg.time_s
    return [
        replace(leg, time_s=leg.time_s * travel.approach_s / max(totals[leg.searcher], 1e-9))
        if leg.kind == "approach"
        else leg
        for leg in legs
    ]


def _runs_of(legs: Sequence[BareLeg]) -> list[Run]:
    """The runs of a walk, each once."""
    out: list[Run] = []
    before: Run | None = None
    for leg in legs:
        if leg.run is not None and leg.run is not before:
            out.append(leg.run)
        before = leg.run
    return out


def _measured(bare: BareLeg, walkable: WalkableGround, travel: Travel) -> Leg:
    """A leg without its numbers and its bearing."""
    a, b = bare.line.coords[0], bare.line.coords[1]
    start, end = (float(a[0]), float(a[1])), (float(b[0]), float(b[1]))
    pace = travel.approach_pace if bare.kind == "approach" else travel.search_pace
    measures = measure_leg(start, end, walkable.surface, pace)
    return Leg(
        number=0,
        searcher=0,
        kind=bare.kind,
        lane=None,
        line=bare.line,
        length_m=measures.length_m,
        bearing_deg_true=0.0,
        slope_deg=measures.slope_deg,
        steepest_deg=measures.steepest_deg,
        time_s=measures.time_s,
        danger=read_danger(start, end, measures.steepest_deg, walkable),
    )


def read_danger(start: XY, end: XY, steepest_deg: float, walkable: WalkableGround) -> Danger:
    """What is against walking a leg, the worst of it."""
    grid = walkable.surface.filled
    n = max(1, math.ceil(math.dist(start, end) / (0.25 * grid.cell_m)))
    t = np.linspace(0.0, 1.0, n + 1)
    if not walkable.surface.has_data(start[0] + t * (end[0] - start[0]), start[1] + t * (end[1] - start[1])).all():
        return "no elevation"
    worst = walkable.worst_danger(start, end)
    if worst >= 2:
        return "wall" if worst == 3 else "above a wall"
    return "steep" if steepest_deg > STEEP_DEG else ""


# ---- Who walks which lane: one walk cut into parts of the same time, or searchers abreast

BALANCE = 0.10
_LEAST_SHARE = 0.5  # of a strip width: nobody is sent for a shorter lane
_NEXT_TO_NOTHING = 0.1  # of a mean share
_STUB_SHARE = 0.1  # of a strip: a shared lane leaves nobody less
_MOST_PLACES = 300
_SLACK = 0.02  # how much busier than it must the busiest may be for the sake of whole lanes; design choice
_HALVING = 0.001  # what sharing a lane between two is worth avoiding, of a mean share squared; design choice


def share_runs(runs: Sequence[Run], walkable: WalkableGround, task: SearchTask) -> list[list[Run]]:
    """Equal parts for as many searchers as have something to walk: nobody is sent for next to nothing."""
    total = lanes_m(runs)
    used = max(1, min(task.searchers, int(total / (_LEAST_SHARE * task.strip_width_m))))
    for number in range(used, 1, -1):
        for by_end in (True, False):
            parts = split_evenly(runs, number, walkable, task, by_end=by_end)
            if min(map(lanes_m, parts)) >= _NEXT_TO_NOTHING * total / number:
                return parts
    return [list(runs)]


def lanes_m(runs: Sequence[Run]) -> float:
    """Map length of runs without joins."""
    return sum(run.plan_m for run in runs)


def unevenness(walked: TeamWalk, surface: Surface, task: SearchTask) -> float:
    """How much less the least busy searcher has to do than the busiest, as a share: searching, or until they end.

    The smaller of the two; approaches and long joins are not searching.
    """
    z, west, north, cell = surface.arrays
    there, on_debris = (speed_table_m_s(pace) for pace in (task.travel.approach_pace, task.travel.search_pace))
    search, end = [], []
    for legs in walked.legs:
        if not legs:
            continue
        ends = [leg.line.coords for leg in legs]
        times = []
        for leg, (a, b) in zip(legs, ends, strict=True):
            table = there if leg.kind == "approach" else on_debris
            time, _ = legs_kernels.straight_s(
                a[0], a[1], b[0], b[1], z, west, north, cell, SPEED_SLOPES, table, 10.0
            )  # fmt: skip
            times.append(time)
        found = [
            leg.kind == "lane" or (leg.kind == "join" and math.dist(a, b) <= task.long_m)
            for leg, (a, b) in zip(legs, ends, strict=True)
        ]
        end.append(sum(times))
        search.append(sum(time for time, counts in zip(times, found, strict=True) if counts))
    return min(1.0 - min(times) / max(1e-9, *times) for times in (search, end)) if search else 0.0


def split_evenly(
    runs: Sequence[Run], searchers: int, walkable: WalkableGround, task: SearchTask, *, by_end: bool
) -> list[list[Run]]:
    """Cut one walk into parts that take the same time to search.

    Approaches, and joins longer than one and a half strips, are not searching: how long they take depends on the way
    that is found. Where the mean approach takes longer than a share of the search, and ``by_end`` allows it, the parts
    end at the same time instead, as soon as can be. A lane may be shared. A part is walked from whichever of its ends
    is done sooner.
    """
    points, lane = _walk_points(runs, walkable, task.long_m)
    walk = sample_walk(points, walkable.surface, task.travel.search_pace)
    lane_of, forth, back = lane[walk.leg], walk.forth_s, walk.back_s
    z, west, north, cell = walkable.surface.arrays
    approach = legs_kernels.approach_s(
        walk.x_m, walk.y_m, task.start[0], task.start[1], z, west, north, cell, SPEED_SLOPES,
        speed_table_m_s(task.travel.approach_pace),
    )  # fmt: skip
    ends, begins, inside = _places(lane_of, walk, _STUB_SHARE * task.strip_width_m)
    used = min(searchers, ends.size - 1)
    joining = _joining_s(lane_of, walk, task.long_m)
    ends_alike = int(by_end and approach[lane_of >= 0].mean() > (forth[-1] - joining[-1]) / used)
    cuts, turned = legs_kernels.equal_cuts(
        ends, begins, inside, forth, back, joining, approach, used, ends_alike, _SLACK, _HALVING
    )
    parts = []
    for (first, last), back_to_front in zip(cuts.tolist(), turned, strict=True):
        part = []
        for k, (a, b) in _lane_pieces(lane_of, first, last):
            bends = points[[walk.leg[m] for m in range(a + 1, b) if walk.leg[m] != walk.leg[m - 1]]]
            line = [(walk.x_m[a], walk.y_m[a]), *bends, (walk.x_m[b], walk.y_m[b])]
            part.append(replace(runs[k], points=tuple((float(x), float(y)) for x, y in line)))
        parts.append(turn_back(part) if back_to_front else part)
    return parts


def _lane_pieces(lane_of: IntArray, first: int, last: int) -> list[tuple[int, tuple[int, int]]]:
    """Lanes between two points of a walk: which, and their first and last point."""
    pieces = []
    while first < last:
        end = first
        while end < last and lane_of[end] == lane_of[first]:
            end += 1
        if lane_of[first] >= 0:
            pieces.append((int(lane_of[first]), (first, end)))
        first = end
    return pieces


def _joining_s(lane_of: IntArray, walk: SampledWalk, long_m: float) -> FloatArray:
    """Time from the first point that goes into long joins."""
    step, way = np.diff(walk.forth_s), np.hypot(np.diff(walk.x_m), np.diff(walk.y_m))
    join = lane_of[:-1] < 0
    number = np.cumsum(np.concatenate([[True], join[1:] != join[:-1]])) - 1
    length = np.bincount(number, weights=way)
    long = join & (length[number] > long_m)
    return np.concatenate([[0.0], np.cumsum(np.where(long, step, 0.0))])


def _places(lane_of: IntArray, walk: SampledWalk, stub_m: float) -> tuple[IntArray, IntArray, BoolArray]:
    """Where a walk may be cut: at the ends of lanes, and within them where no stub is left."""
    n = lane_of.size - 1
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(walk.x_m), np.diff(walk.y_m)))])
    firsts = [i for i in range(n) if lane_of[i] >= 0 and (i == 0 or lane_of[i - 1] != lane_of[i])]
    places: list[tuple[int, int, bool]] = []
    for number, first in enumerate(firsts):
        last = first
        while last < n and lane_of[last] == lane_of[first]:
            last += 1
        step = max(1, n // _MOST_PLACES)
        if number == 0:
            places.append((first, first, False))
        places += [
            (i, i, True)
            for i in range(first + 1, last, step)
            if along[i] - along[first] >= stub_m and along[last] - along[i] >= stub_m
        ]
        places.append((last, firsts[number + 1] if number + 1 < len(firsts) else last, False))
    ends, begins, inside = zip(*places, strict=True)
    return np.array(ends, np.int32), np.array(begins, np.int32), np.array(inside, np.bool_)


def _walk_points(runs: Sequence[Run], walkable: WalkableGround, detour_from_m: float) -> tuple[FloatArray, IntArray]:
    """Corners of the whole walk, and for each leg the run it belongs to (-1: a join)."""
    points: list[XY] = []
    lane: list[int] = []
    for k, run in enumerate(runs):
        if points:
            way = walkable.find_route(points[-1], run.start, detour_from_m) or [points[-1], run.start]
            points += way[1:-1]
            lane += [-1] * (len(way) - 1)
        lane += [k] * (len(run.points) - 1)
        points += run.points
    return np.array(points), np.array(lane, dtype=np.int32)


def assign_abreast(runs: Sequence[Run], searchers: int, start: XY) -> list[list[Run]] | None:
    """Searchers side by side: sweep j takes lanes jN to jN + N - 1, from side to side.

    None where the lanes of a strip are in several parts, or somebody would have more than a tenth less to walk.
    """
    if len({run.group for run in runs}) != 1 or len(runs) % searchers or any(run.extra for run in runs):
        return None
    if len({run.q_m for run in runs}) != len(runs):
        return None
    lanes = sorted(runs, key=lambda run: run.q_m)
    if _away(start, lanes[-1]) < _away(start, lanes[0]):
        lanes.reverse()
    first = lanes[0]
    heading = np.subtract(first.end, first.start)
    lanes = [lane if float(np.subtract(lane.end, lane.start) @ heading) >= 0.0 else lane.turned() for lane in lanes]
    if np.hypot(*np.subtract(first.end, start)) < np.hypot(*np.subtract(first.start, start)):
        lanes = [lane.turned() for lane in lanes]
    walks: list[list[Run]] = [[] for _ in range(searchers)]
    for j in range(0, len(lanes), searchers):
        for k, lane in enumerate(lanes[j : j + searchers]):
            walks[k].append(lane.turned() if (j // searchers) % 2 else lane)
    walk = [plan_length_m(walk) for walk in walks]
    return walks if min(walk) >= (1.0 - BALANCE) * max(walk) else None


def plan_length_m(runs: Sequence[Run]) -> float:
    """Map length of runs with straight joins."""
    points = np.array([p for run in runs for p in run.points])
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def _away(start: XY, run: Run) -> float:
    return float(min(np.hypot(p[0] - start[0], p[1] - start[1]) for p in (run.start, run.end)))
