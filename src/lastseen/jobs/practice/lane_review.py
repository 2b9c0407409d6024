"""How the lanes of the plan were walked: by whom, how far beside, how far apart, and how far short of their ends."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely import LineString

from lastseen.core import BoolArray, FloatArray, IntArray
from lastseen.jobs.practice.planned_search import PlannedSearch
from lastseen.jobs.practice.tracks import Track
from lastseen.search import Surface

STATION_M = 2.0
SAME_WAY_DEG = 40.0  # a stretch of track belongs to a lane when it runs so much like it; design choice
LEAST_WALKED = 0.3  # of a lane, before its ends are judged; design choice
NEIGHBOURS = 1.6  # strips apart at most


@dataclass(frozen=True, kw_only=True)
class LaneWalk:
    """One lane of the plan against what was walked."""

    lane: int
    planned_searcher: int
    track: str  # who walked most of it; "" for nobody
    walked: float  # share of the lane beside which somebody walked the same way within half a strip, 0 to 1
    offset_m: float  # mean distance from the lane; NaN where it was not walked
    # when; NaN where not known
    begin_s: float
    end_s: float


@dataclass(frozen=True, kw_only=True)
class Spacing:
    """The distance between two neighbouring lanes, on the snow: planned, and mean and widest as walked; NaN unknown."""

    lanes: tuple[int, int]
    planned_m: float
    walked_m: float
    widest_m: float


@dataclass(frozen=True, kw_only=True)
class Turn:
    """An end of a lane: how far from the edge of the outline it was planned, and where it was really turned."""

    lane: int
    end: str
    # along the lane, on the map; below 0 is outside
    planned_edge_m: float
    walked_edge_m: float
    short_m: float  # how much too early it was turned; below 0 is too late
    place_m: tuple[float, float]  # (float, float); of the turn, map metres


@dataclass(frozen=True, kw_only=True)
class LaneReview:
    """All lanes, the distances between them, and their ends."""

    lanes: tuple[LaneWalk, ...]
    spacings: tuple[Spacing, ...]
    turns: tuple[Turn, ...]

    @property
    def walked(self) -> float:
        """Mean share of the lanes that was walked, by lane."""
        return float(np.mean([lane.walked for lane in self.lanes])) if self.lanes else 0.0


@dataclass(frozen=True, kw_only=True)
class _Points:
    """Points of all tracks on a metre, with heading (unit), time and number of the track."""

    xy: FloatArray
    heading: FloatArray
    time: FloatArray
    track: IntArray


@dataclass(frozen=True, kw_only=True)
class _Match:
    """For each station of a lane the point walked beside it (number, or -1); and how far along it was walked.

    ``ends`` holds for the first and the last walked point its way along the lane and its place; empty if there is none.
    """

    xy: FloatArray
    walked_xy: FloatArray
    point: IntArray
    ends: tuple[tuple[float, ...], ...]


def review_lanes(
    plan: PlannedSearch, tracks: Sequence[Track], walked: Sequence[tuple[FloatArray, FloatArray]]
) -> LaneReview:
    """Compare the walk with the lanes of the plan.

    Parameters
    ----------
    walked : sequence of (n x 3 points, n times)
        Along each track, a metre apart.
    """
    points = _points(walked)
    lanes = plan.lanes()
    found = {number: _match(line, points, plan.strip_width_m) for number, line in lanes.items()}
    walks = [
        _lane_walk(number, plan.searcher_of(number), found[number], points, [track.name for track in tracks])
        for number in lanes
    ]
    turns = [
        turn
        for lane in walks
        if lane.walked >= LEAST_WALKED
        for turn in _turns(lane.lane, lanes[lane.lane], found[lane.lane], plan)
    ]
    return LaneReview(lanes=tuple(walks), spacings=tuple(_spacings(lanes, found, plan)), turns=tuple(turns))


def _points(walked: Sequence[tuple[FloatArray, FloatArray]]) -> _Points:
    xy, headings = [], []
    for xyz, _ in walked:
        ahead = np.minimum(np.arange(len(xyz)) + 3, len(xyz) - 1)
        behind = np.maximum(np.arange(len(xyz)) - 3, 0)
        way = xyz[ahead, :2] - xyz[behind, :2]
        xy.append(xyz[:, :2])
        headings.append(way / np.maximum(np.linalg.norm(way, axis=1), 1e-9)[:, None])
    number = np.repeat(np.arange(len(walked)), [len(points) for points in xy]).astype(np.int32)
    flat = np.concatenate(xy)
    return _Points(xy=flat, heading=np.concatenate(headings), time=np.concatenate([t for _, t in walked]), track=number)


def _match(line: LineString, points: _Points, strip_m: float) -> _Match:
    """The nearest point beside each station that runs along the lane."""
    count = max(2, math.ceil(line.length / STATION_M) + 1)
    along = np.linspace(0.0, line.length, count)
    xy = shapely.get_coordinates(shapely.line_interpolate_point(line, along))
    tangent = np.gradient(xy, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1), 1e-9)[:, None]
    picked = np.full(count, -1, np.int32)
    west, south, east, north = shapely.bounds(line) + 0.5 * strip_m * np.array([-1.0, -1.0, 1.0, 1.0])
    x, y = points.xy.T
    near = np.flatnonzero((x >= west) & (x <= east) & (y >= south) & (y <= north))
    passed = shapely.line_locate_point(line, shapely.points(points.xy[near]))
    off = points.xy[near] - shapely.get_coordinates(shapely.line_interpolate_point(line, passed))
    away = np.linalg.norm(off, axis=1)
    station = np.rint(passed / line.length * (count - 1)).astype(np.intp)
    beyond = np.einsum("ij,ij->i", off, tangent[station])  # before the first or behind the last place of the lane
    least = math.cos(math.radians(SAME_WAY_DEG))
    alike = np.abs(np.einsum("ij,ij->i", points.heading[near], tangent[station])) >= least
    good = np.flatnonzero((away <= 0.5 * strip_m) & alike & (np.abs(beyond) <= 0.75 * STATION_M))
    order = good[np.lexsort((away[good], station[good]))]
    found, first = np.unique(station[order], return_index=True)
    picked[found] = near[order[first]]
    walked_xy = np.full((count, 2), np.nan)
    walked_xy[found] = points.xy[picked[found]]
    reached = (passed + beyond)[good]
    ends = [good[pick(reached)] for pick in (np.argmin, np.argmax)] if good.size else []
    ends = tuple((float((passed + beyond)[k]), *map(float, points.xy[near[k]])) for k in ends)
    return _Match(xy=xy, walked_xy=walked_xy, point=picked, ends=ends)


def _lane_walk(number: int, searcher: int, match: _Match, points: _Points, names: Sequence[str]) -> LaneWalk:
    seen = match.point >= 0
    if not seen.any():
        return LaneWalk(
            lane=number,
            planned_searcher=searcher,
            track="",
            walked=0.0,
            offset_m=math.nan,
            begin_s=math.nan,
            end_s=math.nan,
        )
    who = points.track[match.point[seen]]
    time = points.time[match.point[seen]]
    offset = float(np.linalg.norm(match.walked_xy[seen] - match.xy[seen], axis=1).mean())
    most = int(np.bincount(who).argmax())
    return LaneWalk(
        lane=number,
        planned_searcher=searcher,
        track=names[most],
        walked=float(seen.mean()),
        offset_m=offset,
        begin_s=float(time.min()),
        end_s=float(time.max()),
    )


def _spacings(lanes: dict[int, LineString], found: dict[int, _Match], plan: PlannedSearch) -> list[Spacing]:
    """Neighbouring lanes: stations of one against the other, straight on the snow."""
    numbers, surface, spacings = list(lanes), plan.surface, []
    for i, a in enumerate(numbers):
        for b in numbers[i + 1 :]:
            lane, neighbour = found[a], found[b]
            planned = _between(lane.xy, neighbour.xy, surface)
            near = planned <= NEIGHBOURS * plan.strip_width_m
            side = _side_by_side(lane.xy, lanes[b])
            use = near & side
            if use.sum() < 3 or float(np.median(planned[use])) < 0.2 * plan.strip_width_m:
                continue
            mean = widest = math.nan
            walked_here = use & np.isfinite(lane.walked_xy[:, 0])
            there = neighbour.walked_xy[np.isfinite(neighbour.walked_xy[:, 0])]
            if walked_here.sum() >= 3 and len(there) >= 3:
                away = _between(lane.walked_xy[walked_here], there, surface)
                mean, widest = float(away.mean()), float(away.max())
            spacings.append(Spacing(lanes=(a, b), planned_m=float(planned[use].mean()), walked_m=mean, widest_m=widest))
    return spacings


def _side_by_side(xy: FloatArray, other: LineString) -> BoolArray:
    """Stations whose nearest point on another lane is not one of its ends."""
    at = shapely.line_locate_point(other, shapely.points(xy))
    return np.asarray((at > 0.5) & (at < other.length - 0.5))


def _between(a: FloatArray, b: FloatArray, surface: Surface) -> FloatArray:
    """Straight distance on the snow from each point of a to the nearest of b."""
    three = [np.column_stack([points, surface.z(points[:, 0].copy(), points[:, 1].copy())]) for points in (a, b)]
    away, _ = cKDTree(three[1]).query(three[0])
    return np.asarray(away, dtype=np.float64)


def _turns(number: int, line: LineString, match: _Match, plan: PlannedSearch) -> list[Turn]:
    """Both ends of a lane."""
    turns = []
    sides = (("start", match.xy[0], match.xy[1]), ("end", match.xy[-1], match.xy[-2]))
    for (end, place, inner), (along, x, y) in zip(sides, match.ends, strict=True):
        short = along if end == "start" else float(line.length - along)
        edge = _to_edge(place, place - inner, plan)
        turns.append(
            Turn(lane=number, end=end, planned_edge_m=edge, walked_edge_m=edge + short, short_m=short, place_m=(x, y))
        )
    return turns


def _to_edge(place: FloatArray, way: FloatArray, plan: PlannedSearch) -> float:
    """How far the outline goes on beyond an end of a lane; below 0 where the end lies outside."""
    unit = way / max(float(np.linalg.norm(way)), 1e-9)
    far = place + 3.0 * plan.strip_width_m * unit
    inside = LineString([place, far]).intersection(plan.outline)
    parts = [part for part in shapely.get_parts(inside) if shapely.distance(part, shapely.Point(place)) < 1e-6]
    if parts:
        return float(sum(part.length for part in parts))
    return -float(shapely.distance(plan.outline, shapely.Point(place)))
