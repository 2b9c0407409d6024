"""Lanes of one group of pieces: strips of equal width on the snow, shifted and added to where the ground asks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy import ndimage
from shapely import MultiPolygon

from lastseen.grid import BoolArray, FloatArray
from lastseen.outlines import only_areas
from lastseen.search import kernels
from lastseen.search.frame import XY, Frame
from lastseen.search.lattice import Lattice, Outline, lattice_over, lattice_spacing_m, pieces_of
from lastseen.search.runs import JOIN_SHARE, Run, Sight, clear_stretches, ordered, settled, string_of, tightened
from lastseen.search.strips import kernels as strip_kernels
from lastseen.search.ways import Ways

TRIED_COUNTS = 3
_ALLOWED_GAP = 0.012  # of the outline may lie between strips before one more is taken
_MOST_EXTRA_RUNS = 40
_LOST_BY_DROPPING = 0.1
_MOST_RETRIES = 4
_PASSED_STRIPS = 1.5
_BENT_EDGES = (0.002, 0.998)  # a corner that sticks out of a bent band does not make it wider


@dataclass(frozen=True)
class Group:
    """Pieces of an outline that lie within one strip width of each other: laid out together.

    Attributes
    ----------
    index : int
    outline : Polygon or MultiPolygon
    sight : Sight
        What is to be covered, on a lattice fine enough to shape lanes.
    rough : Sight
        The same on a coarse lattice, to compare directions.
    """

    index: int
    outline: Outline
    sight: Sight
    rough: Sight


@dataclass(frozen=True)
class Placed:
    """Lanes of a group in walking order.

    Attributes
    ----------
    runs : tuple of Run
    length_m : float
        Lanes, joins and the way to the first lane, on the map.
    count : int
        How many strips.
    strips_added : int
        How many of them more than the width on the snow asks for.
    enough : bool
        Whether the lanes cover each piece as wanted.
    loose : tuple of Run
        The same lanes before their ends were slid.
    """

    runs: tuple[Run, ...]
    length_m: float
    count: int
    strips_added: int
    enough: bool
    loose: tuple[Run, ...]


def groups_of(outline: Outline, ways: Ways, strip_width_m: float, wanted: float) -> tuple[Group, ...]:
    """Split an outline into groups of pieces."""
    pieces = pieces_of(outline)
    if len(pieces) == 1:
        members = [[0]]
    else:
        around = pieces_of(
            only_areas(shapely.union_all(shapely.buffer(np.array(pieces), 0.5 * strip_width_m, quad_segs=4)))
        )
        home = shapely.STRtree(around).nearest(np.array(pieces))
        members = [np.flatnonzero(home == g).tolist() for g in range(len(around)) if (home == g).any()]
    made = []
    for k, member in enumerate(members):
        one: Outline = pieces[member[0]] if len(member) == 1 else MultiPolygon([pieces[m] for m in member])
        sights = []
        for samples in (5000.0, 900.0):
            most = min(strip_width_m / 8.0 if samples > 1000 else strip_width_m / 5.0, math.sqrt(one.area / samples))
            lattice = lattice_over(one, ways.surface, lattice_spacing_m(one, max(most, math.sqrt(one.area / 60_000.0))))
            sights.append(Sight.of(lattice, ways, 0.5 * strip_width_m, wanted))
        made.append(Group(k, one, sights[0], sights[1]))
    return tuple(made)


def chord_slopes(lattice: Lattice, ways: Ways, strip_width_m: float) -> tuple[FloatArray, FloatArray]:
    """Rise over run towards east and north over a chord of a quarter strip: blocks do not make a strip wider."""
    x, y, r = lattice.x_m, lattice.y_m, strip_width_m / 8.0
    z = ways.surface.z
    return (z(x + r, y) - z(x - r, y)) / (2.0 * r), (z(x, y + r) - z(x, y - r)) / (2.0 * r)


class Strips:
    """Strips of one group along one frame; keeps what does not change with their number."""

    def __init__(self, group: Group, frame: Frame, strip_width_m: float, *, rough: bool = False) -> None:
        self.group, self.frame, self.width_m = group, frame, strip_width_m
        self.sight = group.rough if rough else group.sight
        lattice = self.sight.lattice
        self.p, self.q, over = frame.pq(lattice.x_m, lattice.y_m)
        east, north = chord_slopes(lattice, self.sight.ways, strip_width_m)
        stretch = np.sqrt(1.0 + (east * over[:, 0] + north * over[:, 1]) ** 2)
        corners = shapely.get_coordinates(group.outline)
        _, q, _ = frame.pq(np.ascontiguousarray(corners[:, 0]), np.ascontiguousarray(corners[:, 1]))
        low, high = (q.min(), q.max()) if not frame.bent else np.quantile(self.q, _BENT_EDGES)
        low, high = float(low), float(max(high, low + 1e-6))
        bins = max(1, min(200, int((high - low) / (2.0 * lattice.spacing_m))))
        self.v_of = np.linspace(low, high, bins + 1)
        self.on_snow = strip_kernels.snow_profile(self.q, stretch, low, high, bins)

    @property
    def least(self) -> int:
        """The fewest strips that can do."""
        return max(1, math.ceil(float(self.on_snow[-1]) * (1.0 - _ALLOWED_GAP) / self.width_m - 1e-9))

    def runs(self, count: int) -> list[Run]:
        """One run per stretch of outline in each of ``count`` strips that are equally wide on the snow."""
        width = self.on_snow[-1] / count
        edges = np.interp(np.arange(count + 1) * width, self.on_snow, self.v_of)
        centres = np.interp((np.arange(count) + 0.5) * width, self.on_snow, self.v_of)
        spacing = self.sight.lattice.spacing_m
        rows = strip_kernels.strip_runs(self.p, self.q, edges, centres, spacing, self.width_m)
        made = []
        for _, a, b, q in rows.tolist():
            corners = self.frame.lane(a - 0.5 * spacing, b + 0.5 * spacing, q, self.width_m)
            run = Run(self.group.index, q, tuple((float(x), float(y)) for x, y in corners))
            made += clear_stretches(run, self.sight.ways, 0.5 * spacing)
        return made


def rough_length_m(group: Group, frame: Frame, strip_width_m: float, start: XY) -> float:
    """Length of the walk over a group along one frame, roughly; infinite where it does not cover enough."""
    strips = Strips(group, frame, strip_width_m, rough=True)
    for count in (strips.least, strips.least + 1):
        runs, _ = ordered(strips.runs(count), start, group.rough.ways)
        runs, ok = tightened(runs, start, group.rough, (), join_m=JOIN_SHARE * strip_width_m) if runs else (runs, False)
        if ok:
            return walk_m(runs, start)
    return math.inf


def walk_m(runs: Sequence[Run], start: XY) -> float:
    """Map length of a walk with its straight joins and the way to it."""
    points = np.array([start, *(p for run in runs for p in run.points)])
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def place_lanes(
    group: Group, frame: Frame, strip_width_m: float, start: XY, *, join_m: float, count: int | None = None
) -> Placed:
    """Lanes along one frame, with as few strips as cover enough, or with a given number."""
    strips = Strips(group, frame, strip_width_m)
    sight, made = group.sight, []
    counts = [count] if count else [strips.least + added for added in range(TRIED_COUNTS)]
    for number in counts:
        runs = strips.runs(number)
        _, left = sight.seen(runs)
        if left.sum() > 0.1 * sight.allowed_m2.sum():
            runs = settled(runs, sight, (strip_width_m / 8.0, strip_width_m / 16.0))
            _, left = sight.seen(runs)
        lacking = not sight.enough(left)
        if lacking and number != counts[-1] and left.sum() > 3.0 * sight.allowed_m2.sum():
            continue
        if lacking:
            runs = with_extra_runs(runs, sight, group.index)
        runs = without_idle_runs(runs, sight)
        loose, _ = ordered(runs, start, sight.ways)
        if join_m > 0.0 and len(loose) > number:
            loose = without_passed_runs(loose, start, sight, join_m)
        runs, ok = slid(loose, start, sight, strip_width_m, join_m=join_m)
        made.append(Placed(tuple(runs), walk_m(runs, start), number, number - counts[0], ok, tuple(loose)))
        if not lacking:
            break
    return min(made, key=lambda one: (not one.enough, one.length_m))


def slid(
    loose: Sequence[Run], start: XY, sight: Sight, strip_width_m: float, *, join_m: float
) -> tuple[list[Run], bool]:
    """Runs with their ends slid, and whether they cover enough."""
    steps = (strip_width_m / 5.0, strip_width_m / 10.0, strip_width_m / 20.0, strip_width_m / 40.0)
    return tightened(loose, start, sight, steps, join_m=join_m) if loose else ([], False)


def firm(placed: Placed, group: Group, fine: Sight, strip_width_m: float, start: XY, *, join_m: float) -> Placed:
    """The same lanes, slid less far where the fine lattice shows that too little is covered."""
    allowed, made = group.sight.allowed_m2, placed
    for _ in range(_MOST_RETRIES):
        left = strings_cover(made.runs, fine, join_m=join_m)
        if not placed.loose or bool((left <= fine.allowed_m2).all()):
            break
        allowed = allowed - 1.3 * np.maximum(0.0, left - fine.allowed_m2)
        sight = replace(group.sight, allowed_m2=np.maximum(allowed, 1e-6))
        runs, ok = slid(placed.loose, start, sight, strip_width_m, join_m=join_m)
        made = replace(placed, runs=tuple(runs), length_m=walk_m(runs, start))
        if not ok:
            break
    left = strings_cover(made.runs, fine, join_m=join_m)
    if bool((left <= fine.allowed_m2).all()):
        return replace(made, enough=True)
    # what slips through the coarser lattice: lanes at their full length, and more of them
    runs, _ = ordered(with_extra_runs(placed.loose, fine, group.index), start, fine.ways)
    full = strings_cover(runs, fine, join_m=join_m)
    if full.sum() < left.sum():
        made, left = replace(placed, runs=tuple(runs), length_m=walk_m(runs, start)), full
    return replace(made, enough=bool((left <= fine.allowed_m2).all()))


def with_extra_runs(runs: Sequence[Run], sight: Sight, group: int) -> list[Run]:
    """Add short straight runs through the largest left-over places until each piece is covered enough."""
    runs = list(runs)
    count, left = sight.seen(runs)
    hopeless = np.zeros(count.size, dtype=np.bool_)
    for _ in range(_MOST_EXTRA_RUNS):
        short = left > sight.allowed_m2
        missing = short[sight.lattice.piece] & (count == 0) & ~hopeless
        if not missing.any():
            break
        place = _largest_place(missing, sight.lattice)
        parts = [
            part for run in _runs_through(place, sight.lattice, group) for part in clear_stretches(run, sight.ways, 0.1)
        ]
        before = left.sum()
        for part in parts:
            for a, b in zip(part.points, part.points[1:], strict=False):
                kernels.touch(*a, *b, 1, *sight.with_counts(count, left))
        if parts and left.sum() < before - 1e-9:
            runs += parts
        if not parts or bool((count[place] == 0).all()):
            hopeless |= place
    return runs


def _largest_place(missing: BoolArray, lattice: Lattice) -> BoolArray:
    """The connected left-over samples that stand for the most area."""
    marks = np.zeros(lattice.index.shape, dtype=np.bool_)
    marks[lattice.row[missing], lattice.col[missing]] = True
    label = ndimage.label(marks, structure=np.ones((3, 3)))[0][lattice.row, lattice.col]
    label[~missing] = 0
    weight = np.bincount(label, weights=lattice.weight_m2)
    weight[0] = 0.0
    return np.asarray(label == weight.argmax())


def _runs_through(place: BoolArray, lattice: Lattice, group: int) -> list[Run]:
    """A run along the longer direction of a left-over place."""
    xy = np.column_stack([lattice.x_m[place], lattice.y_m[place]])
    middle = xy.mean(axis=0)
    axis = np.array([1.0, 0.0])
    if len(xy) > 2:
        axis = np.linalg.eigh(np.cov((xy - middle).T))[1][:, -1]
    along = (xy - middle) @ axis
    low, high = min(along.min(), -0.5 * lattice.spacing_m), max(along.max(), 0.5 * lattice.spacing_m)
    ends = [middle + t * axis for t in (low, high)]
    return [Run(group, float("inf"), tuple((float(x), float(y)) for x, y in ends), extra=True)]


def without_idle_runs(runs: Sequence[Run], sight: Sight) -> list[Run]:
    """Drop runs, the least useful first, as long as next to nothing is lost and each piece stays covered enough."""
    count, left = sight.seen(runs)
    may_lose = _LOST_BY_DROPPING * float(sight.allowed_m2.sum())
    kept = list(runs)
    for run in sorted(runs, key=lambda one: one.plan_m):
        if len(kept) == 1 or run.plan_m > 4.0 * sight.half_width_m:
            break
        before = left.copy()
        for add in (-1, 1):
            for a, b in zip(run.points, run.points[1:], strict=False):
                kernels.touch(*a, *b, add, *sight.with_counts(count, left))
            if add < 0:
                lost = float((left - before).sum())
                if lost <= may_lose and (sight.enough(left) or lost <= 0.0):
                    may_lose -= lost
                    kept.remove(run)
                    break
    return kept


def without_passed_runs(runs: Sequence[Run], start: XY, sight: Sight, join_m: float) -> list[Run]:
    """Drop runs that the joins beside them make needless, the shortest first, as long as the walk gets shorter."""
    kept = list(runs)
    for run in sorted(runs, key=lambda one: one.plan_m):
        if run.plan_m > _PASSED_STRIPS * 2.0 * sight.half_width_m or len(kept) == 1:
            break
        tried = [one for one in kept if one is not run]
        if walk_m(tried, start) < walk_m(kept, start) and sight.enough(strings_cover(tried, sight, join_m=join_m)):
            kept = tried
    return kept


def strings_cover(runs: Sequence[Run], sight: Sight, *, join_m: float) -> FloatArray:
    """What a walk leaves uncovered in each piece, m2."""
    text = string_of(runs, None, sight.ways, join_m=join_m)
    count, left = sight.lattice.counter()
    kernels.cover_all(text.points, text.covers, *sight.with_counts(count, left))
    return left
