"""From walks to numbered lanes and legs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from pyproj import CRS
from shapely import LineString

from lastseen.grid import FloatArray
from lastseen.search.frame import XY
from lastseen.search.legs import STEEP_DEG, compass_deg, true_bearings_deg, walk_over
from lastseen.search.model import Danger, Kind, Lane, Leg
from lastseen.search.runs import Run
from lastseen.search.ways import Ways

SAME_CORNER_M = 1.0  # corners nearer than this are one


@dataclass(frozen=True)
class Bare:
    """A leg before its numbers are known: the run that it is part of, or None."""

    kind: Kind
    line: LineString
    run: Run | None


@dataclass(frozen=True)
class Walked:
    """Legs of each searcher, and the runs that nobody can reach."""

    legs: tuple[tuple[Bare, ...], ...]
    unreached: tuple[Run, ...]

    def corners(self, searcher: int) -> FloatArray:
        """Corners of one searcher's walk (from 0), n x 2."""
        legs = self.legs[searcher]
        if not legs:
            return np.zeros((0, 2))
        return np.array([legs[0].line.coords[0], *(leg.line.coords[-1] for leg in legs)])


def walked_ways(walks: Sequence[Sequence[Run]], start: XY, ways: Ways, detour_from_m: float) -> Walked:
    """Join the runs of each searcher, around blocked and dangerous ground where that can be."""
    made, lost = [], []
    for walk in walks:
        here, legs = start, list[Bare]()
        for run in walk:
            way = ways.between(here, run.start, detour_from_m)
            if way is None:
                lost.append(run)
                continue
            kind: Kind = "join" if any(leg.run is not None for leg in legs) else "approach"
            legs += _straight(kind, way, None)
            legs += _straight("lane", list(run.points), run)
            here = run.end
        made.append(tuple(legs))
    return Walked(tuple(made), tuple(lost))


def _straight(kind: Kind, way: Sequence[XY], run: Run | None) -> list[Bare]:
    return [Bare(kind, LineString([a, b]), run) for a, b in pairwise(_apart(way)) if math.dist(a, b) > 1e-6]


def _apart(way: Sequence[XY]) -> list[XY]:
    """The corners of a way without those that nobody would turn at twice; its ends stay."""
    kept = [way[0]]
    for corner in way[1:-1]:
        if math.dist(kept[-1], corner) > SAME_CORNER_M and math.dist(corner, way[-1]) > SAME_CORNER_M:
            kept.append(corner)
    return [*kept, way[-1]] if len(way) > 1 else kept


def numbered(
    walked: Walked, ways: Ways, crs: CRS, declination_deg: float, searchers: int
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
        for n, one in enumerate(bare, start=1):
            if one.run is not None and one.run is not run:
                at += 1
            run = one.run if one.run is not None else None
            lane = number_of[at] if one.run is not None else None
            legs.append(_leg(n, who, one, lane, ways))
    for k, (who, run) in enumerate(found):
        length = sum(leg.length_m for leg in legs if leg.lane == number_of[k])
        lanes.append(Lane(number_of[k], who, LineString(_apart(run.points)), length))
    ends = np.array([leg.line.coords for leg in legs]).reshape(-1, 2, 2)
    true = true_bearings_deg(ends[:, 0], ends[:, 1], crs)
    magnetic = compass_deg(true - declination_deg)
    done = tuple(
        replace(leg, bearing_deg_true=float(t), bearing_deg_magnetic=float(m) if math.isfinite(m) else math.nan)
        for leg, t, m in zip(legs, true, magnetic, strict=True)
    )
    return tuple(sorted(lanes, key=lambda lane: lane.number)), done


def _runs_of(legs: Sequence[Bare]) -> list[Run]:
    """The runs of a walk, each once."""
    out: list[Run] = []
    before: Run | None = None
    for leg in legs:
        if leg.run is not None and leg.run is not before:
            out.append(leg.run)
        before = leg.run
    return out


def _leg(number: int, searcher: int, bare: Bare, lane: int | None, ways: Ways) -> Leg:
    """A leg without its bearing."""
    a, b = bare.line.coords[0], bare.line.coords[1]
    start, end = (float(a[0]), float(a[1])), (float(b[0]), float(b[1]))
    w = walk_over(start, end, ways.surface)
    danger = danger_of(start, end, w.steepest_deg, ways)
    return Leg(
        number, searcher, bare.kind, lane, bare.line, w.length_m, 0.0, w.slope_deg, w.steepest_deg, w.time_s,
        danger=danger,
    )  # fmt: skip


def danger_of(start: XY, end: XY, steepest_deg: float, ways: Ways) -> Danger:
    """What is against walking a leg, the worst of it."""
    grid = ways.surface.filled
    n = max(1, math.ceil(math.dist(start, end) / (0.25 * grid.cell_m)))
    t = np.linspace(0.0, 1.0, n + 1)
    if not ways.surface.has_data(start[0] + t * (end[0] - start[0]), start[1] + t * (end[1] - start[1])).all():
        return "no elevation"
    worst = ways.danger_on(start, end)
    if worst >= 2:
        return "wall" if worst == 3 else "above a wall"
    return "steep" if steepest_deg > STEEP_DEG else ""
