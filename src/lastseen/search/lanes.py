"""Lanes of one group of pieces: strips of equal width on the snow, and the order in which they are walked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import islice, pairwise
from typing import Any

import numpy as np
import shapely
from scipy import ndimage
from shapely import MultiPolygon, Polygon

from lastseen.core import BoolArray, FloatArray, IntArray, keep_areas
from lastseen.search import coverage_kernels, lanes_kernels
from lastseen.search.frame import XY, Frame
from lastseen.search.routes import WalkableGround
from lastseen.search.search_area import SearchArea, SearchTask
from lastseen.search.surface import Lattice, Outline, lattice_spacing_m, list_pieces, make_lattice

# ---- Runs: lanes before they have a number, and the walk along them, drawn tight

_MOST_CHECKED = 150
# of a metre that the first lane lies ahead of the entry, against one between lanes; design choice
BEGIN_WEIGHT = 3.0
_LEAST_SHARE = 0.25  # of half a strip: no lane is made shorter; what ends below half a strip is a corner of the way
_STUB_SHARE = 1.3  # of half a strip: ends are rarely slid farther


@dataclass(frozen=True, kw_only=True)
class Run:
    """A lane to be walked."""

    group: int  # index of its group of pieces
    q_m: float  # place from side to side in its group
    points: tuple[XY, ...]  # corners, map metres
    extra: bool = False  # laid through a left-over piece

    @property
    def start(self) -> XY:
        """First corner."""
        return self.points[0]

    @property
    def end(self) -> XY:
        """Last corner."""
        return self.points[-1]

    @property
    def plan_m(self) -> float:
        """Length on the map."""
        return float(np.hypot(*np.diff(np.array(self.points), axis=0).T).sum())

    def turned(self) -> Run:
        """The same run walked the other way."""
        return replace(self, points=self.points[::-1])


def turn_back(runs: Sequence[Run]) -> list[Run]:
    """The same walk from its other end."""
    return [run.turned() for run in reversed(runs)]


@dataclass(frozen=True, kw_only=True)
class CoverGoal:
    """What a walk has to cover, and the ground it is on."""

    lattice: Lattice
    walkable: WalkableGround
    half_width_m: float  # half a strip on the snow
    allowed_m2: FloatArray  # shape (pieces,); what may stay uncovered in each piece

    @property
    def step_m(self) -> float:
        """How closely a draped walk is followed while it is being shaped."""
        return min(2.0, max(1.0, self.walkable.surface.filled.cell_m), self.half_width_m / 8.0)

    def kernel_args(self, count: IntArray, left_m2: FloatArray) -> tuple[Any, ...]:
        """Ground, lattice, half width, step and counts as the kernels take them, last."""
        return self.walkable.surface.arrays, self.lattice.arrays, self.half_width_m, self.step_m, count, left_m2

    def count_covered(self, runs: Sequence[Run]) -> tuple[IntArray, FloatArray]:
        """How often each sample is covered by runs, and what is left in each piece, m2."""
        count, left = self.lattice.counter()
        walk = pack_runs(runs, None, self.walkable, join_m=0.0)
        coverage_kernels.cover_all(walk.points, walk.covers, *self.kernel_args(count, left))
        return count, left

    def uncovered_m2(self, runs: Sequence[Run], *, join_m: float) -> FloatArray:
        """What a walk along runs leaves uncovered in each piece, joins up to ``join_m`` counted."""
        walk = pack_runs(runs, None, self.walkable, join_m=join_m)
        count, left = self.lattice.counter()
        coverage_kernels.cover_all(walk.points, walk.covers, *self.kernel_args(count, left))
        return left

    def add_legs(self, run: Run, add: int, count: IntArray, left_m2: FloatArray) -> None:
        """Add (1) the legs of a run to the counts, or take them away (-1)."""
        for a, b in pairwise(run.points):
            coverage_kernels.touch(*a, *b, add, *self.kernel_args(count, left_m2))

    def is_met(self, left_m2: FloatArray) -> bool:
        """Whether each piece is covered as wanted."""
        return bool((left_m2 <= self.allowed_m2).all())


@dataclass(frozen=True, kw_only=True)
class WalkArrays:
    """A walk as the kernels take it."""

    points: FloatArray  # shape (n, 2)
    # shape (n - 1,); whether a leg is walked, and whether what it passes counts as searched
    walked: BoolArray
    covers: BoolArray
    mate: IntArray  # shape (n,); for a lane end its neighbour along the lane, else -1
    corner: BoolArray  # shape (n,); whether a point is a corner of a run: the start and helping points are not

    def runs(self, like: Sequence[Run]) -> list[Run]:
        """The runs with the corners of the walk."""
        corners = [(float(x), float(y)) for x, y in self.points[self.corner]]
        left = iter(corners)
        return [replace(run, points=tuple(islice(left, len(run.points)))) for run in like]


def pack_runs(
    runs: Sequence[Run], start: XY | None, walkable: WalkableGround, *, join_m: float, stub_m: float = math.inf
) -> WalkArrays:
    """Runs in their order as one walk.

    The way from the start to the first one is walked and covers nothing; joins that stay straight cover (``join_m``:
    see `WalkableGround.find_route`; 0: none does). With ``stub_m`` long lanes get a helping point that far from each
    end, so that sliding an end touches little.
    """
    points: list[XY] = [] if start is None else [start]
    walked: list[bool] = []
    covers: list[bool] = []
    mate: list[int] = [-1] * len(points)
    corner: list[bool] = [False] * len(points)
    for k, run in enumerate(runs):
        if points:
            straight = walkable.is_clear(points[-1], run.start)
            walked.append(straight)
            covers.append(k > 0 and straight and walkable.stays_straight(points[-1], run.start, join_m))
        line, real = _with_stubs(run.points, stub_m)
        first, n = len(points), len(line)
        points += line
        corner += real
        walked += [True] * (n - 1)
        covers += [True] * (n - 1)
        mate += [first + 1] + [-1] * (n - 2) + [first + n - 2]
    return WalkArrays(
        points=np.array(points, dtype=np.float64).reshape(-1, 2),
        walked=np.array(walked, dtype=np.bool_),
        covers=np.array(covers, dtype=np.bool_),
        mate=np.array(mate, dtype=np.int32),
        corner=np.array(corner, dtype=np.bool_),
    )


def _with_stubs(points: Sequence[XY], stub_m: float) -> tuple[list[XY], list[bool]]:
    """Corners of a lane with a helping point near each end where the lane is long, and which of them are corners."""
    out, real = list(points), [True] * len(points)
    (ax, ay), (bx, by) = points[0], points[1]
    first = math.dist(points[0], points[1])
    if len(points) == 2 and first > 3.0 * stub_m:
        ends = [(ax + s * (bx - ax), ay + s * (by - ay)) for s in (stub_m / first, 1.0 - stub_m / first)]
        return [out[0], *ends, out[1]], [True, False, False, True]
    return out, real


def tighten_runs(
    runs: Sequence[Run], start: XY | None, goal: CoverGoal, steps_m: Sequence[float], *, join_m: float
) -> tuple[list[Run], bool]:
    """The runs with their ends slid along them until the walk is short; whether the pieces are covered enough."""
    stub = _STUB_SHARE * goal.half_width_m
    walk = pack_runs(runs, start, goal.walkable, join_m=join_m, stub_m=stub)
    count, left = goal.lattice.counter()
    least, steps = _LEAST_SHARE * goal.half_width_m, np.array(steps_m, dtype=np.float64)
    ok = coverage_kernels.tighten(
        walk.points, walk.walked, walk.covers, walk.mate, least, steps,
        goal.walkable.mask, goal.allowed_m2, *goal.kernel_args(count, left),
    )  # fmt: skip
    return walk.runs(runs), bool(ok)


def settle_runs(runs: Sequence[Run], goal: CoverGoal, steps_m: Sequence[float]) -> list[Run]:
    """The runs with corners shifted sideways as long as less is left uncovered between them."""
    walk = pack_runs(runs, None, goal.walkable, join_m=0.0)
    normal = np.zeros_like(walk.points)
    at = 0
    for run in runs:
        n = len(run.points)
        step = np.gradient(walk.points[at : at + n], axis=0)
        normal[at : at + n] = (
            np.column_stack([-step[:, 1], step[:, 0]]) / np.maximum(1e-9, np.hypot(step[:, 0], step[:, 1]))[:, None]
        )
        at += n
    count, left = goal.lattice.counter()
    steps = np.array(steps_m, dtype=np.float64)
    coverage_kernels.settle(walk.points, walk.covers, normal, steps, goal.walkable.mask, *goal.kernel_args(count, left))
    return walk.runs(runs)


def order_runs(
    runs: Sequence[Run], start: XY, walkable: WalkableGround, toward: XY | None = None
) -> tuple[list[Run], float]:
    """A short order of the runs and the way each is walked, with the length of approach and joins on the map.

    Runs side by side as switchbacks from either side and always the nearest one next; each is improved by turning
    stretches of the order and moving single runs, and the shortest is taken. With a direction in which
    the search moves (a unit vector), it begins at that end rather than being short.
    """
    if not runs:
        return [], 0.0
    n = len(runs)
    starts, ends = (np.array([getattr(run, side) for run in runs]) for side in ("start", "end"))
    blocked = np.zeros((2 * n, 2 * n), np.bool_)
    if walkable.mask[0].any() and n <= _MOST_CHECKED:
        blocked = lanes_kernels.blocked_joins(starts, ends, *walkable.mask)
    joins = lanes_kernels.join_lengths(starts, ends, np.array(start), blocked)
    if toward is not None:
        either_end = np.stack([starts, ends], axis=1).reshape(2 * n, 2)
        joins[-1] += BEGIN_WEIGHT * np.maximum(0.0, (either_end - np.array(start)) @ np.array(toward))
    by_side = np.array(sorted(range(n), key=lambda k: (runs[k].group, runs[k].q_m, runs[k].start)), dtype=np.int32)
    snake: IntArray = (2 * by_side + np.arange(n, dtype=np.int32) % 2).astype(np.int32)
    first = np.empty(n, np.int32)
    lanes_kernels.nearest_order(joins, first)
    best: tuple[float, IntArray] | None = None
    flipped: IntArray = (snake ^ 1).astype(np.int32)
    for order in (snake, flipped, flipped[::-1].copy(), snake[::-1].copy(), first):
        length = lanes_kernels.improve_order(order, joins)
        if best is None or length < best[0] - 1e-6:
            best = (length, order)
    length, order = best if best is not None else (0.0, first)
    return [runs[k >> 1].turned() if k & 1 else runs[k >> 1] for k in order.tolist()], float(length)


def keep_walkable(run: Run, walkable: WalkableGround, least_m: float) -> list[Run]:
    """The parts of a run on walkable ground; the run itself where all of it is."""
    if walkable.is_clear_along(run.points):
        return [run]
    mask, west, north, cell = walkable.mask
    points = np.array(run.points)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    s = np.linspace(0.0, along[-1], max(2, int(along[-1] / (0.25 * cell)) + 1))
    x, y = np.interp(s, along, points[:, 0]), np.interp(s, along, points[:, 1])
    row, col = np.floor((north - y) / cell).astype(int), np.floor((x - west) / cell).astype(int)
    inside = (row >= 0) & (col >= 0) & (row < mask.shape[0]) & (col < mask.shape[1])
    free = inside & ~mask[np.clip(row, 0, mask.shape[0] - 1), np.clip(col, 0, mask.shape[1] - 1)]
    edge = np.flatnonzero(np.diff(np.concatenate([[False], free, [False]]).astype(np.int8)))
    out = []
    for a, b in zip(edge[::2], edge[1::2] - 1, strict=True):
        lo, hi = s[a] + (0.3 * cell if a > 0 else 0.0), s[b] - (0.3 * cell if b < s.size - 1 else 0.0)
        if hi - lo < least_m:
            continue
        inner = along[(along > lo) & (along < hi)]
        at = np.array([lo, *inner, hi])
        corners = np.column_stack([np.interp(at, along, points[:, i]) for i in (0, 1)])
        out.append(replace(run, points=tuple((float(u), float(v)) for u, v in corners)))
    return [part for part in out if walkable.is_clear_along(part.points)]


# ---- Lanes of one group of pieces: strips of equal width on the snow, shifted and added to where the ground asks

LEAST_COVERAGE = 0.99
_FINE_COVERAGE = LEAST_COVERAGE + 0.0002
_SHAPED_COVERAGE = LEAST_COVERAGE + 0.001  # on a coarser lattice: a little more than is asked for
TRIED_COUNTS = 3
_ALLOWED_GAP = 0.012  # of the outline may lie between strips before one more is taken
_MOST_EXTRA_RUNS = 40
_LOST_BY_DROPPING = 0.1
_MOST_RETRIES = 4
_PASSED_STRIPS = 1.5
_BENT_EDGES = (0.002, 0.998)  # a corner that sticks out of a bent band does not make it wider


@dataclass(frozen=True, kw_only=True)
class Group:
    """Pieces of an outline that lie within one strip width of each other: laid out together."""

    index: int
    outline: Outline
    # what is to be covered, on a lattice fine enough to shape lanes, on a coarse one to compare directions, and on one
    # of 1 m to measure what comes out
    goal: CoverGoal
    rough: CoverGoal
    fine: CoverGoal


@dataclass(frozen=True, kw_only=True)
class GroupLanes:
    """Lanes of a group in walking order."""

    runs: tuple[Run, ...]
    length_m: float  # lanes, joins and the way to the first lane, on the map
    count: int  # how many strips
    strips_added: int  # how many of them more than the width on the snow asks for
    enough: bool  # whether the lanes cover each piece as wanted
    loose: tuple[Run, ...]  # the same lanes before their ends were slid


def group_pieces(area: SearchArea, strip_width_m: float) -> tuple[Group, ...]:
    """Split an outline into groups of pieces."""
    pieces = list_pieces(area.first)
    if len(pieces) == 1:
        members = [[0]]
    else:
        around = list_pieces(
            keep_areas(shapely.union_all(shapely.buffer(np.array(pieces), 0.5 * strip_width_m, quad_segs=4)))
        )
        home = shapely.STRtree(around).nearest(np.array(pieces))
        members = [np.flatnonzero(home == g).tolist() for g in range(len(around)) if (home == g).any()]
    return tuple(make_group(k, [pieces[m] for m in member], area, strip_width_m) for k, member in enumerate(members))


def make_group(index: int, pieces: Sequence[Polygon], area: SearchArea, strip_width_m: float) -> Group:
    """Pieces that are laid out together, with what is to be covered."""
    outline: Outline = pieces[0] if len(pieces) == 1 else MultiPolygon(pieces)
    least = math.sqrt(outline.area / 60_000.0)

    def goal_on(lattice: Lattice, wanted: float) -> CoverGoal:
        allowed = (1.0 - wanted) * lattice.piece_m2 + 1e-6
        return CoverGoal(lattice=lattice, walkable=area.walkable, half_width_m=0.5 * strip_width_m, allowed_m2=allowed)

    def lattice_of(spacing_m: float) -> Lattice:
        return make_lattice(outline, area.surface, lattice_spacing_m(outline, spacing_m))

    shaping = min(strip_width_m / 8.0, math.sqrt(outline.area / 5000.0))
    rough = min(strip_width_m / 5.0, math.sqrt(outline.area / 900.0))
    return Group(
        index=index,
        outline=outline,
        goal=goal_on(lattice_of(max(shaping, least)), _SHAPED_COVERAGE),
        rough=goal_on(lattice_of(max(rough, least)), _SHAPED_COVERAGE),
        fine=goal_on(area.lattice if outline is area.outline else lattice_of(area.lattice.spacing_m), _FINE_COVERAGE),
    )


def chord_slopes(lattice: Lattice, walkable: WalkableGround, strip_width_m: float) -> tuple[FloatArray, FloatArray]:
    """Rise over run towards east and north over a chord of a quarter strip: blocks do not make a strip wider."""
    x, y, r = lattice.x_m, lattice.y_m, strip_width_m / 8.0
    z = walkable.surface.z
    return (z(x + r, y) - z(x - r, y)) / (2.0 * r), (z(x, y + r) - z(x, y - r)) / (2.0 * r)


class Strips:
    """Strips of one group along one frame; keeps what does not change with their number."""

    def __init__(self, group: Group, goal: CoverGoal, frame: Frame, strip_width_m: float) -> None:
        self.group, self.goal, self.frame, self.width_m = group, goal, frame, strip_width_m
        lattice = goal.lattice
        self.p, self.q, over = frame.pq(lattice.x_m, lattice.y_m)
        east, north = chord_slopes(lattice, goal.walkable, strip_width_m)
        stretch = np.sqrt(1.0 + (east * over[:, 0] + north * over[:, 1]) ** 2)
        corners = shapely.get_coordinates(group.outline)
        _, q, _ = frame.pq(np.ascontiguousarray(corners[:, 0]), np.ascontiguousarray(corners[:, 1]))
        low, high = (q.min(), q.max()) if not frame.bent else np.quantile(self.q, _BENT_EDGES)
        low, high = float(low), float(max(high, low + 1e-6))
        bins = max(1, min(200, int((high - low) / (2.0 * lattice.spacing_m))))
        self.v_of = np.linspace(low, high, bins + 1)
        self.on_snow = lanes_kernels.snow_profile(self.q, stretch, low, high, bins)

    @property
    def least(self) -> int:
        """The fewest strips that can do."""
        return max(1, math.ceil(float(self.on_snow[-1]) * (1.0 - _ALLOWED_GAP) / self.width_m - 1e-9))

    def runs(self, count: int) -> list[Run]:
        """One run per stretch of outline in each of ``count`` strips that are equally wide on the snow."""
        width = self.on_snow[-1] / count
        edges = np.interp(np.arange(count + 1) * width, self.on_snow, self.v_of)
        centres = np.interp((np.arange(count) + 0.5) * width, self.on_snow, self.v_of)
        spacing = self.goal.lattice.spacing_m
        rows = lanes_kernels.strip_runs(self.p, self.q, edges, centres, spacing, self.width_m)
        made = []
        for _, a, b, q in rows.tolist():
            corners = self.frame.lane(a - 0.5 * spacing, b + 0.5 * spacing, q, self.width_m)
            run = Run(group=self.group.index, q_m=q, points=tuple((float(x), float(y)) for x, y in corners))
            made += keep_walkable(run, self.goal.walkable, 0.5 * spacing)
        return made


def rough_length_m(group: Group, frame: Frame, task: SearchTask) -> float:
    """Length of the walk over a group along one frame, roughly; infinite where it does not cover enough."""
    strips = Strips(group, group.rough, frame, task.strip_width_m)
    for count in (strips.least, strips.least + 1):
        runs, _ = order_runs(strips.runs(count), task.begin, group.rough.walkable)
        if runs:
            runs, enough = tighten_runs(runs, task.begin, group.rough, (), join_m=task.long_m)
            if enough:
                return walk_length_m(runs, task.begin)
    return math.inf


def walk_length_m(runs: Sequence[Run], start: XY) -> float:
    """Map length of a walk with its straight joins and the way to it."""
    points = np.array([start, *(p for run in runs for p in run.points)])
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def place_lanes(group: Group, frame: Frame, task: SearchTask, count: int | None = None) -> GroupLanes:
    """Lanes along one frame, with as few strips as cover enough, or with a given number."""
    strips = Strips(group, group.goal, frame, task.strip_width_m)
    goal, made = group.goal, []
    counts = [count] if count else [strips.least + added for added in range(TRIED_COUNTS)]
    for number in counts:
        runs = strips.runs(number)
        _, left = goal.count_covered(runs)
        if left.sum() > 0.1 * goal.allowed_m2.sum():
            runs = settle_runs(runs, goal, (task.strip_width_m / 8.0, task.strip_width_m / 16.0))
            _, left = goal.count_covered(runs)
        lacking = not goal.is_met(left)
        if lacking and number != counts[-1] and left.sum() > 3.0 * goal.allowed_m2.sum():
            continue
        if lacking:
            runs = add_extra_runs(runs, goal, group.index)
        runs = drop_idle_runs(runs, goal)
        loose, _ = order_runs(runs, task.begin, goal.walkable, task.toward)
        if task.join_m > 0.0 and len(loose) > number:
            loose = drop_passed_runs(loose, goal, task)
        slid, enough = slide_ends(loose, goal, task)
        made.append(
            GroupLanes(
                runs=tuple(slid),
                length_m=walk_length_m(slid, task.begin),
                count=number,
                strips_added=number - counts[0],
                enough=enough,
                loose=tuple(loose),
            )
        )
        if not lacking:
            break
    return min(made, key=lambda lanes: (not lanes.enough, lanes.length_m))


def slide_ends(loose: Sequence[Run], goal: CoverGoal, task: SearchTask) -> tuple[list[Run], bool]:
    """Runs with their ends slid, and whether they cover enough."""
    if not loose:
        return [], False
    steps = [task.strip_width_m / share for share in (5.0, 10.0, 20.0, 40.0)]
    return tighten_runs(loose, task.begin, goal, steps, join_m=task.join_m)


def restore_coverage(placed: GroupLanes, group: Group, task: SearchTask) -> GroupLanes:
    """The same lanes, slid less far where the fine lattice shows that too little is covered."""
    allowed, made, fine = group.goal.allowed_m2, placed, group.fine
    for _ in range(_MOST_RETRIES):
        left = fine.uncovered_m2(made.runs, join_m=task.join_m)
        if not placed.loose or fine.is_met(left):
            break
        allowed = allowed - 1.3 * np.maximum(0.0, left - fine.allowed_m2)
        goal = replace(group.goal, allowed_m2=np.maximum(allowed, 1e-6))
        runs, enough = slide_ends(placed.loose, goal, task)
        made = replace(placed, runs=tuple(runs), length_m=walk_length_m(runs, task.begin))
        if not enough:
            break
    left = fine.uncovered_m2(made.runs, join_m=task.join_m)
    if fine.is_met(left):
        return replace(made, enough=True)
    # what slips through the coarser lattice: lanes at their full length, and more of them
    more = add_extra_runs(placed.loose, fine, group.index)
    runs, _ = order_runs(more, task.begin, fine.walkable, task.toward)
    full = fine.uncovered_m2(runs, join_m=task.join_m)
    if full.sum() < left.sum():
        made, left = replace(placed, runs=tuple(runs), length_m=walk_length_m(runs, task.begin)), full
    return replace(made, enough=fine.is_met(left))


def add_extra_runs(runs: Sequence[Run], goal: CoverGoal, group: int) -> list[Run]:
    """Add short straight runs through the largest left-over places until each piece is covered enough."""
    runs = list(runs)
    count, left = goal.count_covered(runs)
    hopeless = np.zeros(count.size, dtype=np.bool_)
    for _ in range(_MOST_EXTRA_RUNS):
        short = left > goal.allowed_m2
        missing = short[goal.lattice.piece] & (count == 0) & ~hopeless
        if not missing.any():
            break
        place = _largest_place(missing, goal.lattice)
        parts = keep_walkable(_run_through(place, goal.lattice, group), goal.walkable, 0.1)
        before = left.sum()
        for part in parts:
            goal.add_legs(part, 1, count, left)
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


def _run_through(place: BoolArray, lattice: Lattice, group: int) -> Run:
    """A run along the longer direction of a left-over place."""
    xy = np.column_stack([lattice.x_m[place], lattice.y_m[place]])
    middle = xy.mean(axis=0)
    axis = np.array([1.0, 0.0])
    if len(xy) > 2:
        axis = np.linalg.eigh(np.cov((xy - middle).T))[1][:, -1]
    along = (xy - middle) @ axis
    low, high = min(along.min(), -0.5 * lattice.spacing_m), max(along.max(), 0.5 * lattice.spacing_m)
    ends = [middle + t * axis for t in (low, high)]
    return Run(group=group, q_m=math.inf, points=tuple((float(x), float(y)) for x, y in ends), extra=True)


def drop_idle_runs(runs: Sequence[Run], goal: CoverGoal) -> list[Run]:
    """Drop runs, the least useful first, as long as next to nothing is lost and each piece stays covered enough."""
    count, left = goal.count_covered(runs)
    may_lose = _LOST_BY_DROPPING * float(goal.allowed_m2.sum())
    kept = list(runs)
    for run in sorted(runs, key=lambda run: run.plan_m):
        if len(kept) == 1 or run.plan_m > 4.0 * goal.half_width_m:
            break
        before = left.copy()
        for add in (-1, 1):
            goal.add_legs(run, add, count, left)
            if add < 0:
                lost = float((left - before).sum())
                if lost <= may_lose and (goal.is_met(left) or lost <= 0.0):
                    may_lose -= lost
                    kept.remove(run)
                    break
    return kept


def drop_passed_runs(runs: Sequence[Run], goal: CoverGoal, task: SearchTask) -> list[Run]:
    """Drop runs that the joins beside them make needless, the shortest first, as long as the walk gets shorter."""
    kept = list(runs)
    for run in sorted(runs, key=lambda run: run.plan_m):
        if run.plan_m > _PASSED_STRIPS * task.strip_width_m or len(kept) == 1:
            break
        tried = [other for other in kept if other is not run]
        shorter = walk_length_m(tried, task.begin) < walk_length_m(kept, task.begin)
        if shorter and goal.is_met(goal.uncovered_m2(tried, join_m=task.join_m)):
            kept = tried
    return kept
