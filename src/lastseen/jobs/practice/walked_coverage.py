"""What was walked against the plan: lane by lane, and what was covered when, surely, perhaps or not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely import LineString
from shapely.geometry import MultiPolygon, Polygon

from lastseen.core import BoolArray, FloatArray, InputError, IntArray, keep_areas, percent
from lastseen.jobs.practice import walked_coverage_kernels
from lastseen.jobs.practice.drill import PlannedSearch
from lastseen.jobs.practice.tracks import Track
from lastseen.rescue import update_poa
from lastseen.search import Lattice, Reception, Surface, sum_coverage

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
    begin_s: float  # NaN where not known, as the end
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
    planned_edge_m: float  # along the lane, on the map; below 0 is outside
    walked_edge_m: float
    short_m: float  # how much too early it was turned; below 0 is too late
    place_m: tuple[float, float]  # of the turn, map metres


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
    """Compare the walk with the lanes of the plan; ``walked`` holds places (n x 3) and times, a metre apart."""
    points = _points(walked)
    lanes = plan.lanes()
    found = {number: _match(line, points, plan.strip_width_m) for number, line in lanes.items()}
    names = [track.name for track in tracks]
    walks = [_lane_walk(number, plan.searcher_of(number), found[number], points, names) for number in lanes]
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
    outer = [good[pick(reached)] for pick in (np.argmin, np.argmax)] if good.size else []
    ends = tuple((float((passed + beyond)[k]), *map(float, points.xy[near[k]])) for k in outer)
    return _Match(xy=xy, walked_xy=walked_xy, point=picked, ends=ends)


def _lane_walk(lane: int, searcher: int, match: _Match, points: _Points, names: Sequence[str]) -> LaneWalk:
    seen = match.point >= 0
    track, offset, begin, end = "", math.nan, math.nan, math.nan
    if seen.any():
        track = names[int(np.bincount(points.track[match.point[seen]]).argmax())]
        offset = float(np.linalg.norm(match.walked_xy[seen] - match.xy[seen], axis=1).mean())
        time = points.time[match.point[seen]]
        begin, end = float(time.min()), float(time.max())
    walked = float(seen.mean())
    return LaneWalk(
        lane=lane, planned_searcher=searcher, track=track, walked=walked, offset_m=offset, begin_s=begin, end_s=end
    )


def _spacings(lanes: dict[int, LineString], found: dict[int, _Match], plan: PlannedSearch) -> list[Spacing]:
    """Neighbouring lanes: stations of one against the other, straight on the snow."""
    numbers, surface, spacings = list(lanes), plan.surface, []
    for i, a in enumerate(numbers):
        for b in numbers[i + 1 :]:
            lane, neighbour = found[a], found[b]
            planned = _between(lane.xy, neighbour.xy, surface)
            use = (planned <= NEIGHBOURS * plan.strip_width_m) & _side_by_side(lane.xy, lanes[b])
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
    return np.asarray(cKDTree(three[1]).query(three[0])[0], dtype=np.float64)


def _turns(number: int, line: LineString, match: _Match, plan: PlannedSearch) -> list[Turn]:
    """Both ends of a lane."""
    turns = []
    sides = (("start", match.xy[0], match.xy[1]), ("end", match.xy[-1], match.xy[-2]))
    for (end, place, inner), (along, x, y) in zip(sides, match.ends, strict=True):
        short = along if end == "start" else float(line.length - along)
        edge = _to_edge(place, place - inner, plan)
        real = edge + short
        turns.append(Turn(lane=number, end=end, planned_edge_m=edge, walked_edge_m=real, short_m=short, place_m=(x, y)))
    return turns


def _to_edge(place: FloatArray, way: FloatArray, plan: PlannedSearch) -> float:
    """How far the outline goes on beyond an end of a lane; below 0 where the end lies outside."""
    unit = way / max(float(np.linalg.norm(way)), 1e-9)
    inside = LineString([place, place + 3.0 * plan.strip_width_m * unit]).intersection(plan.outline)
    begin = shapely.Point(place)
    parts = [part.length for part in shapely.get_parts(inside) if shapely.distance(part, begin) < 1e-6]
    return float(sum(parts)) if parts else -float(shapely.distance(plan.outline, begin))


GPS_ERROR_M = 5.0  # radius that holds a fix two times in three: what phones show under open sky; from memory
# A fix scatters alike along two axes: two in three lie within 1.515 standard deviations of one axis, and 19 in 20 are
# off to one side of a line by less than 1.96 of them (Rayleigh and normal law; derived).
ACROSS = 1.96 / math.sqrt(-2.0 * math.log(1.0 - 0.683))
SPREAD = 1.96  # of the range, in standard deviations: 19 in 20; derived
FINE_SHARE = 0.5  # a strip is graded finely only where at least this share of it is sure; design choice
_STEP_M = 1.0


@dataclass(frozen=True, kw_only=True)
class Radii:
    """How far from a walk the snow counts as covered, metres on the snow."""

    # heard in the worst direction by a weak transmitter, even if the track is off by the GPS error; 0 is nothing left
    sure_m: float
    half_m: float  # half a strip: the plan's own measure, the track taken at its word
    perhaps_m: float  # heard in the best direction from a strong transmitter, if the track is off the right way
    gps_m: float  # what the GPS error makes across a track, 19 times in 20

    @property
    def gradable(self) -> bool:
        """Whether at least half of the strip can be called surely covered."""
        return self.sure_m >= FINE_SHARE * self.half_m

    @property
    def verdict(self) -> str:
        """What the GPS error allows to say, in one sentence."""
        text = f"Tracks are good to about {self.gps_m:.0f} m to either side: of a strip of {2.0 * self.half_m:g} m"
        if self.gradable:
            return f"{text}, {2 * self.sure_m:.0f} m are sure."
        left = f"only {2 * self.sure_m:.0f} m" if self.sure_m > 0.5 else "nothing"
        return f"{text} {left} can be called sure. Such strips cannot be graded finely from these tracks."


def find_radii(strip_width_m: float, gps_error_m: float = GPS_ERROR_M) -> Radii:
    """The band for a strip width and a GPS error.

    Range: half a strip in the worst direction, 1.26 times that in the best (dipole), a tenth of spread from
    transmitter to transmitter (`Reception.of_strip`). Range and GPS error are independent: their 19-in-20 margins are
    added in squares. A width not above 0 or a negative error is an `InputError`.

    Examples
    --------
    >>> radii = find_radii(40.0, 5.0)
    >>> [round(v, 1) for v in (radii.sure_m, radii.half_m, radii.perhaps_m, radii.gps_m)]
    [12.4, 20.0, 33.3, 6.5]
    """
    if not (strip_width_m > 0.0 and 0.0 <= gps_error_m < math.inf):
        given = f"a strip of {strip_width_m:g} m and a GPS error of {gps_error_m:g} m"
        raise InputError(f"{given}: give above 0, 0 or more")
    half, reception = 0.5 * strip_width_m, Reception.of_strip(strip_width_m)
    gps = ACROSS * gps_error_m
    low = half - math.hypot(gps, SPREAD * (half / reception.r_max_m * reception.sd_m))
    high = reception.r_max_m + math.hypot(gps, SPREAD * reception.sd_m)
    return Radii(sure_m=max(0.0, low), half_m=half, perhaps_m=high, gps_m=gps)


@dataclass(frozen=True, kw_only=True)
class CoverageBand:
    """Shares of the outline's surface, 0 to 1."""

    sure: float  # surely covered
    half: float  # within half a strip of the track as recorded: comparable with the plan
    perhaps: float  # perhaps covered, beside what is sure
    none: float  # not covered

    @property
    def most(self) -> float:
        """Upper end of the band."""
        return self.sure + self.perhaps


def outline_samples(outline: Polygon | MultiPolygon, lattice: Lattice, samples: BoolArray) -> MultiPolygon:
    """The ground that some samples of an outline stand for."""
    return keep_areas(sum_coverage(outline, lattice, ~samples).uncovered)


def share_covered_by(lattice: Lattice, first_s: FloatArray, times_s: FloatArray) -> FloatArray:
    """Share of the surface, 0 to 1, that is covered by each time; ``first_s`` of a sample is infinite for never."""
    seen = np.isfinite(first_s)
    order = np.argsort(first_s[seen], kind="stable")
    total = np.concatenate([[0.0], np.cumsum(lattice.weight_m2[seen][order])])
    at = np.searchsorted(first_s[seen][order], times_s, side="right")
    return np.asarray(total[at] / lattice.weight_m2.sum())


def sample_walk(track: Track, surface: Surface) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Points (n x 3) at most a metre apart along a track, their times, and whether the track is trusted there."""
    way = np.hypot(np.diff(track.x_m), np.diff(track.y_m))
    joined = np.diff(track.run) == 0
    # Fixes closer together than half a metre add nothing: keep those that move on, and the ends of runs.
    along = np.concatenate([[0.0], np.cumsum(np.where(joined, way, 1e3))])
    stride = np.floor(along / (0.5 * _STEP_M))
    keep = np.concatenate([[True], np.diff(stride) > 0])
    keep[np.concatenate([~joined, [True]])] = True
    at = np.flatnonzero(keep)
    x, y, t, run = (values[at] for values in (track.x_m, track.y_m, track.time_s, track.run))
    doubt = np.concatenate([[0], np.cumsum(~track.trusted)])
    leg_trusted = np.diff(doubt[at]) == 0
    pieces = np.where(np.diff(run) == 0, np.maximum(1, np.ceil(np.hypot(np.diff(x), np.diff(y)) / _STEP_M)), 1)
    leg = np.repeat(np.arange(pieces.size), pieces.astype(np.int64))
    share = (np.arange(leg.size) - np.repeat(np.cumsum(pieces) - pieces, pieces.astype(np.int64))) / pieces[leg]
    px, py, pt = (np.append(v[:-1][leg] + share * np.diff(v)[leg], v[-1:]) for v in (x, y, t))
    trusted = np.append(leg_trusted[leg] | (share == 0.0), True)
    return np.column_stack([px, py, surface.z(px, py)]), pt, trusted


def find_first_times(track: Track, lattice: Lattice, surface: Surface, radii: Radii) -> FloatArray:
    """First time (3 x samples) at which samples are surely, as recorded, and perhaps covered; infinite where never."""
    out = np.full((3, lattice.weight_m2.size), np.inf)
    xyz, time, trusted = sample_walk(track, surface)
    reach = np.array([radii.sure_m, radii.half_m, radii.perhaps_m])
    walked_coverage_kernels.first_reached(
        xyz, time, trusted, lattice.west_m, lattice.south_m, lattice.spacing_m, lattice.index, lattice.height_m, reach,
        out,
    )  # fmt: skip
    return out


def join_first_times(each: Sequence[FloatArray]) -> FloatArray:
    """First times of several tracks together."""
    return np.asarray(np.minimum.reduce(list(each)), dtype=np.float64)


def measure_band(times_s: FloatArray, weight_m2: FloatArray) -> CoverageBand:
    """Shares of the outline from first times."""
    total = float(weight_m2.sum())
    sure, half, most = (float(weight_m2[np.isfinite(times_)].sum()) / total for times_ in times_s)
    return CoverageBand(sure=sure, half=half, perhaps=most - sure, none=1.0 - most)


LEAST_GAP_STRIPS = 0.25  # a gap smaller than the square over a quarter strip is not worth a walk; design choice
PERHAPS_POD = 0.5  # of what is perhaps covered; design choice, no source
HALVE_SOURCE = "SAC, Die Alpen: halve the strip where the first pass fails"


@dataclass(frozen=True, kw_only=True)
class Hole:
    """A piece of the outline beyond half a strip of all tracks as recorded."""

    number: int  # from 1, most probability of area left first
    outline: Polygon
    area_m2: float  # on the snow
    missed: float  # share that was not covered even perhaps, 0 to 1
    poa: float  # probability of area in it before the search, as a share of all


@dataclass(frozen=True, kw_only=True)
class Leftover:
    """What is left to search."""

    holes: tuple[Hole, ...]
    # probability of area in what is surely, perhaps and not covered, and outside the outline; sums to 1
    poa_before: tuple[float, float, float, float]
    poa_after: tuple[float, float, float, float]
    found: float  # how likely the walk was to bring somebody into range
    advice: tuple[str, ...]


def find_leftover(
    plan: PlannedSearch, lattice: Lattice, team_s: FloatArray, *, band: CoverageBand, radii: Radii, lanes: LaneReview
) -> Leftover:
    """Gaps, belief after the search in vain, and advice for a second pass.

    What is surely covered counts as searched (POD 1), what is perhaps covered as half (POD 0.5, design choice).
    """
    weight, outside = _poa_weights(plan, lattice)
    sure, half, most = (np.isfinite(team_) for team_ in team_s)
    shares = (float(weight[sure].sum()), float(weight[most & ~sure].sum()), float(weight[~most].sum()))
    after, after_outside = update_poa(shares, (1.0, PERHAPS_POD, 0.0), outside)
    holes = _holes(plan, lattice, half, most, weight)
    return Leftover(
        holes=holes,
        poa_before=(*shares, outside),
        poa_after=(after[0], after[1], after[2], after_outside),
        found=shares[0] + PERHAPS_POD * shares[1],
        advice=_advice(plan, holes, band=band, radii=radii, outside=after_outside, lanes=lanes),
    )


def _poa_weights(plan: PlannedSearch, lattice: Lattice) -> tuple[FloatArray, float]:
    """Probability of area at each sample, and outside the outline."""
    if plan.poa is None:
        return lattice.weight_m2 / lattice.weight_m2.sum(), 0.0
    row, col = plan.poa.cell_of(lattice.x_m, lattice.y_m)
    ny, nx = plan.poa.shape
    inside = (row >= 0) & (row < ny) & (col >= 0) & (col < nx)
    value = np.where(inside, np.nan_to_num(plan.poa.values[np.clip(row, 0, ny - 1), np.clip(col, 0, nx - 1)]), 0.0)
    weight = np.asarray(value * lattice.spacing_m**2 / plan.poa.cell_area_m2, dtype=np.float64)
    total = float(weight.sum())
    if total > 1.0:
        weight, total = weight / total, 1.0
    return weight, 1.0 - total


def _holes(
    plan: PlannedSearch, lattice: Lattice, half: BoolArray, most: BoolArray, weight: FloatArray
) -> tuple[Hole, ...]:
    pieces_left = []
    for piece in sum_coverage(plan.outline, lattice, half).uncovered.geoms:
        inside = shapely.contains_xy(piece, lattice.x_m, lattice.y_m) & ~half
        if piece.area < (LEAST_GAP_STRIPS * plan.strip_width_m) ** 2 or not inside.any():
            continue
        area = float(lattice.weight_m2[inside].sum())
        missed = float(lattice.weight_m2[inside & ~most].sum()) / area
        pieces_left.append((float(weight[inside].sum()), area, missed, piece))
    pieces_left.sort(key=lambda piece: (-piece[0], -piece[1]))
    return tuple(
        Hole(number=k, outline=piece, area_m2=area, missed=missed, poa=poa)
        for k, (poa, area, missed, piece) in enumerate(pieces_left, start=1)
    )


def _advice(
    plan: PlannedSearch, holes: Sequence[Hole], *, band: CoverageBand, radii: Radii, outside: float, lanes: LaneReview
) -> tuple[str, ...]:
    advice = []
    if holes:
        area, poa = sum(hole.area_m2 for hole in holes), sum(hole.poa for hole in holes)
        what = "the gap" if len(holes) == 1 else f"the {len(holes)} gaps, gap 1 first"
        advice.append(f"First walk {what}: {area:.0f} m², which held {percent(poa)} of the probability of area.")
    missing = [str(lane.lane) for lane in lanes.lanes if lane.walked < 0.5]
    if missing:
        word, were = ("Lane", "was") if len(missing) == 1 else ("Lanes", "were")
        advice.append(f"{word} {', '.join(missing[:12])} {were} not walked, or less than half.")
    if band.perhaps > 0.05 and radii.sure_m > 0.5:
        advice.append(
            f"{percent(band.perhaps)} are only perhaps covered: walk lines midway between those that were walked."
        )
    advice.append(
        f"If nobody was found, a second pass takes strips half as wide, {0.5 * plan.strip_width_m:g} m, on lines "
        f"midway ({HALVE_SOURCE})."
    )
    if outside >= 0.1:
        advice.append(f"{percent(outside)} of the probability now lies outside the outline: look at its edges too.")
    if not math.isfinite(plan.coverage):
        advice.append("The plan's own coverage is not known.")
    return tuple(advice)
