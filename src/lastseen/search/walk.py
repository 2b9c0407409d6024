"""From lanes to walks: joined lanes, numbered lanes and legs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from pyproj import CRS
from shapely import LineString

from lastseen.core import FloatArray
from lastseen.rescue import Travel
from lastseen.search.frame import XY
from lastseen.search.lanes import Run
from lastseen.search.legs import STEEP_DEG, compass_deg, measure_leg, true_bearings_deg
from lastseen.search.parts import EntryPoint
from lastseen.search.plan import Danger, Lane, Leg, LegKind
from lastseen.search.routes import WalkableGround
from lastseen.search.search_area import SearchArea, SearchTask

# ---- From walks to numbered lanes and legs

SAME_CORNER_M = 1.0  # corners nearer than this are one
_CORNER_M = 5.5  # a shorter run is a corner of the way where the coverage allows it; design choice
_SPLIT_M = 0.5  # how closely a way is followed for where it enters ground that the snow passed


@dataclass(frozen=True, kw_only=True)
class BareLeg:
    """A leg before its numbers are known: the run that it is part of, or None."""

    kind: LegKind
    line: LineString
    run: Run | None
    aside: bool = False  # through a place too small for a lane


@dataclass(frozen=True, kw_only=True)
class TeamWalk:
    """Legs of each searcher, and the runs that nobody can reach."""

    legs: tuple[tuple[BareLeg, ...], ...]
    unreached: tuple[Run, ...]
    ways_in: tuple[int, ...]  # of each searcher, how many legs lead to the first place that is to be searched

    @property
    def searched_lines(self) -> list[LineString]:
        """All legs but approaches, of all searchers."""
        return [leg.line for legs in self.legs for leg in legs if leg.kind != "approach"]

    def lanes_and_joins(self, searcher: int) -> list[LineString]:
        """Lanes of a searcher (from 0) and the ways between them."""
        return [leg.line for leg in self.legs[searcher] if leg.kind in ("lane", "join")]

    def way_in(self, searcher: int) -> list[LineString]:
        """Legs of a searcher (from 0) on ground that the snow passed, up to the first place that is to be searched."""
        legs = self.legs[searcher][: self.ways_in[searcher]]
        return [leg.line for leg in legs if leg.kind != "approach"]

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


def join_runs(
    walks: Sequence[Sequence[Run]],
    entries: Sequence[EntryPoint],
    area: SearchArea,
    task: SearchTask,
    *,
    as_corners: bool = True,
) -> TeamWalk:
    """Join the runs of each searcher, around blocked and dangerous ground where that can be.

    The search begins on the first ground that the snow passed. Places too small for a lane are passed through on the
    way from one lane to the next; those of next to no length are a corner of it where ``as_corners`` says so.
    """
    made, ways_in, lost = [], [], list[Run]()
    for walk, entry in zip(walks, entries, strict=True):
        runs = _worth_walking(walk, task.half_width_m, area.walkable)
        runs = [(_as_corner(run) if small and as_corners else run, small) for run, small in runs]
        at, legs = entry.start, list[BareLeg]()
        begun, way_in = False, -1
        for run, small in runs:
            first = way_in < 0
            way = _way_to(run.start, at, entry if first else None, area, task.long_m)
            if way is None and first:
                way = [run.start]
            if way is None:
                lost.append(run)
                continue
            if begun:
                legs += _straight("join", way, None)
            elif len(way) > 1:
                there, on_it = _split_way(way, area) if first else ([], way)
                legs += _straight("approach", there, None) if len(there) > 1 else []
                legs += _straight("track", on_it, None) if len(on_it) > 1 else []
            way_in = len(legs) if first else way_in
            if small:
                through = _straight("join" if begun else "track", list(run.points), None)
                legs += [replace(leg, aside=True) for leg in through]
            else:
                legs += _straight("lane", list(run.points), run)
                begun = True
            at = run.end
        made.append(tuple(legs))
        ways_in.append(max(0, way_in))
    return TeamWalk(legs=tuple(made), unreached=tuple(lost), ways_in=tuple(ways_in))


def _way_to(
    goal: XY, at: XY | None, entry: EntryPoint | None, area: SearchArea, detour_from_m: float
) -> list[XY] | None:
    """The way to a run; the first one leads through the entry, or where the searchers pass on their way."""
    if at is None:
        return [goal]
    through = entry.through or (entry.begin if entry.around else None) if entry is not None else None
    if entry is None or through is None:
        return area.walkable.find_route(at, goal, detour_from_m)
    outside = area.avoiding if entry.around else area.walkable
    there = outside.find_route(at, through, _SPLIT_M)
    on = area.walkable.find_route(through, goal, detour_from_m)
    return None if there is None or on is None else [*there, *on[1:]]


def _split_way(way: Sequence[XY], area: SearchArea) -> tuple[list[XY], list[XY]]:
    """The way to the first ground that the snow passed, and the way from there on."""
    line = shapely.get_coordinates(shapely.segmentize(LineString(way), _SPLIT_M))
    swept = area.is_swept(np.ascontiguousarray(line[:, 0]), np.ascontiguousarray(line[:, 1]))
    if swept[0]:
        return [], list(way)
    if not swept.any():
        return list(way), []
    k = int(np.argmax(swept)) - 1
    along = float(np.hypot(*np.diff(line[: k + 1], axis=0).T).sum())
    split = (float(line[k, 0]), float(line[k, 1]))
    lengths = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(np.array(way), axis=0).T))])
    before = [point for point, s in zip(way, lengths.tolist(), strict=True) if s < along - 1e-6]
    after = [point for point, s in zip(way, lengths.tolist(), strict=True) if s > along + 1e-6]
    return [*before, split], [split, *after]


def _worth_walking(runs: Sequence[Run], least_m: float, walkable: WalkableGround) -> list[tuple[Run, bool]]:
    """Runs of one searcher, and whether each is too short for a lane; one in each part is made long enough."""
    made, small = list(runs), [run.plan_m < least_m for run in runs]
    for group in sorted({run.group for run in runs}):
        members = [k for k, run in enumerate(runs) if run.group == group]
        if all(small[k] for k in members):
            k = max(members, key=lambda k: runs[k].plan_m)
            made[k], small[k] = _lengthened(runs[k], least_m, walkable), False
    return list(zip(made, small, strict=True))


def _as_corner(run: Run) -> Run:
    """A run of next to no length as its middle."""
    if run.plan_m > _CORNER_M:
        return run
    x, y = (0.5 * (a + b) for a, b in zip(run.start, run.end, strict=True))
    return replace(run, points=((x, y), (x, y)))


def _lengthened(run: Run, least_m: float, walkable: WalkableGround) -> Run:
    """A short run drawn out at both ends to a length, as far as the ground lets it."""
    start, end = np.array(run.start), np.array(run.end)
    step = (end - start) / max(1e-9, float(np.hypot(*(end - start))))
    more = 0.5 * (least_m - run.plan_m) + 1e-6
    for before, after in ((more, more), (2.0 * more, 0.0), (0.0, 2.0 * more)):
        a, b = start - before * step, end + after * step
        points = ((float(a[0]), float(a[1])), *run.points[1:-1], (float(b[0]), float(b[1])))
        if walkable.is_clear_along(points):
            return replace(run, points=points)
    return run


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
    walked: TeamWalk, walkable: WalkableGround, crs: CRS, declination_deg: float, *, travel: Travel
) -> tuple[tuple[Lane, ...], tuple[Leg, ...]]:
    """Lanes and legs with their numbers: those of the first searcher as they are walked, then those of the next."""
    found = [(who, run) for who, legs in enumerate(walked.legs, start=1) for run in _runs_of(legs)]
    number_of = {k: k + 1 for k in range(len(found))}
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
    pace = travel.pace_of(bare.kind)
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
