"""Runs: lanes before they have a number, the string they are walked in, and how that string is drawn tight."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from lastseen.grid import BoolArray, FloatArray, IntArray
from lastseen.search import kernels
from lastseen.search.frame import XY
from lastseen.search.lattice import Lattice
from lastseen.search.strips import kernels as strip_kernels
from lastseen.search.ways import Ways

_MOST_CHECKED = 150
_LEAST_SHARE = 0.25  # of half a strip: no lane is made shorter
_STUB_SHARE = 1.3  # of half a strip: ends are rarely slid farther
JOIN_SHARE = 1.5  # of a strip: a longer join may have to go round something and is not counted on


@dataclass(frozen=True)
class Run:
    """A lane to be walked.

    Attributes
    ----------
    group : int
        Index of its group of pieces.
    q_m : float
        Place from side to side in its group.
    points : tuple of (x, y)
        Corners, map metres.
    extra : bool
        Laid through a left-over piece.
    """

    group: int
    q_m: float
    points: tuple[XY, ...]
    extra: bool = False

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


@dataclass(frozen=True)
class Sight:
    """What a walk has to cover, and the ground it is on.

    Attributes
    ----------
    lattice : Lattice
    ways : Ways
    half_width_m : float
        Half a strip on the snow.
    allowed_m2 : ndarray, shape (pieces,)
        What may stay uncovered in each piece.
    """

    lattice: Lattice
    ways: Ways
    half_width_m: float
    allowed_m2: FloatArray

    @classmethod
    def of(cls, lattice: Lattice, ways: Ways, half_width_m: float, wanted: float) -> Sight:
        """Each piece covered to at least a fraction."""
        return cls(lattice, ways, half_width_m, (1.0 - wanted) * lattice.piece_m2 + 1e-6)

    @property
    def step_m(self) -> float:
        """How closely a draped walk is followed while it is being shaped."""
        return min(2.0, max(1.0, self.ways.surface.filled.cell_m), self.half_width_m / 8.0)

    def with_counts(self, count: IntArray, left_m2: FloatArray) -> tuple[Any, ...]:
        """Ground, lattice, half width, step and counts as the kernels take them, last."""
        return self.ways.surface.arrays, self.lattice.arrays, self.half_width_m, self.step_m, count, left_m2

    def seen(self, runs: Sequence[Run]) -> tuple[IntArray, FloatArray]:
        """How often each sample is covered by runs, and what is left in each piece, m2."""
        count, left = self.lattice.counter()
        text = string_of(runs, None, self.ways, join_m=0.0)
        kernels.cover_all(text.points, text.covers, *self.with_counts(count, left))
        return count, left

    def enough(self, left_m2: FloatArray) -> bool:
        """Whether each piece is covered as wanted."""
        return bool((left_m2 <= self.allowed_m2).all())


@dataclass(frozen=True)
class String:
    """A walk as the kernels take it.

    Attributes
    ----------
    points : ndarray, shape (n, 2)
    walked, covers : ndarray of bool, shape (n - 1,)
        Whether a leg is walked, and whether what it passes counts as searched.
    mate : ndarray of int, shape (n,)
        For a lane end its neighbour along the lane, else -1.
    corner : ndarray of bool, shape (n,)
        Whether a point is a corner of a run: the start and helping points are not.
    """

    points: FloatArray
    walked: BoolArray
    covers: BoolArray
    mate: IntArray
    corner: BoolArray

    def runs(self, like: Sequence[Run]) -> list[Run]:
        """The runs with the corners of the string."""
        corners = [(float(x), float(y)) for x, y in self.points[self.corner]]
        out, at = [], 0
        for run in like:
            out.append(replace(run, points=tuple(corners[at : at + len(run.points)])))
            at += len(run.points)
        return out


def string_of(runs: Sequence[Run], start: XY | None, ways: Ways, *, join_m: float, stub_m: float = math.inf) -> String:
    """Runs in their order as one string.

    The way from the start to the first one is walked and covers nothing; joins that stay straight cover (``join_m``:
    see `Ways.between`; 0: none does). With ``stub_m`` long lanes get a helping point that far from each end, so that
    sliding an end touches little.
    """
    points: list[XY] = [] if start is None else [start]
    walked: list[bool] = []
    covers: list[bool] = []
    mate: list[int] = [-1] * len(points)
    corner: list[bool] = [False] * len(points)
    for k, run in enumerate(runs):
        if points:
            straight = ways.clear(points[-1], run.start)
            walked.append(straight)
            covers.append(k > 0 and straight and ways.stays_straight(points[-1], run.start, join_m))
        line, real = _with_stubs(run.points, stub_m)
        first, n = len(points), len(line)
        points += line
        corner += real
        walked += [True] * (n - 1)
        covers += [True] * (n - 1)
        mate += [first + 1] + [-1] * (n - 2) + [first + n - 2]
    return String(
        np.array(points, dtype=np.float64).reshape(-1, 2),
        np.array(walked, dtype=np.bool_),
        np.array(covers, dtype=np.bool_),
        np.array(mate, dtype=np.int32),
        np.array(corner, dtype=np.bool_),
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


def tightened(
    runs: Sequence[Run], start: XY | None, sight: Sight, steps_m: Sequence[float], *, join_m: float
) -> tuple[list[Run], bool]:
    """The runs with their ends slid along them until the walk is short; whether the pieces are covered enough."""
    stub = _STUB_SHARE * sight.half_width_m
    text = string_of(runs, start, sight.ways, join_m=join_m, stub_m=stub)
    count, left = sight.lattice.counter()
    least, steps = _LEAST_SHARE * sight.half_width_m, np.array(steps_m, dtype=np.float64)
    ok = kernels.tighten(
        text.points, text.walked, text.covers, text.mate, least, steps,
        sight.ways.mask, sight.allowed_m2, *sight.with_counts(count, left),
    )  # fmt: skip
    return text.runs(runs), bool(ok)


def settled(runs: Sequence[Run], sight: Sight, steps_m: Sequence[float]) -> list[Run]:
    """The runs with corners shifted sideways as long as less is left uncovered between them."""
    text = string_of(runs, None, sight.ways, join_m=0.0)
    normal = np.zeros_like(text.points)
    at = 0
    for run in runs:
        n = len(run.points)
        step = np.gradient(text.points[at : at + n], axis=0)
        normal[at : at + n] = (
            np.column_stack([-step[:, 1], step[:, 0]]) / np.maximum(1e-9, np.hypot(step[:, 0], step[:, 1]))[:, None]
        )
        at += n
    count, left = sight.lattice.counter()
    steps = np.array(steps_m, dtype=np.float64)
    kernels.settle(text.points, text.covers, normal, steps, sight.ways.mask, *sight.with_counts(count, left))
    return text.runs(runs)


def ordered(runs: Sequence[Run], start: XY, ways: Ways) -> tuple[list[Run], float]:
    """A short order of the runs and the way each is walked, with the length of approach and joins on the map.

    Runs side by side as switchbacks from either side and always the nearest one next; each is improved by turning
    stretches of the order and moving single runs, and the shortest is taken.
    """
    if not runs:
        return [], 0.0
    n = len(runs)
    starts, ends = (np.array([getattr(run, side) for run in runs]) for side in ("start", "end"))
    blocked = np.zeros((2 * n, 2 * n), np.bool_)
    if ways.mask[0].any() and n <= _MOST_CHECKED:
        blocked = strip_kernels.blocked_joins(starts, ends, *ways.mask)
    far = strip_kernels.join_lengths(starts, ends, np.array(start), blocked)
    by_side = np.array(sorted(range(n), key=lambda k: (runs[k].group, runs[k].q_m, runs[k].start)), dtype=np.int32)
    snake: IntArray = (2 * by_side + np.arange(n, dtype=np.int32) % 2).astype(np.int32)
    first = np.empty(n, np.int32)
    strip_kernels.nearest_order(far, first)
    best: tuple[float, IntArray] | None = None
    flipped: IntArray = (snake ^ 1).astype(np.int32)
    for order in (snake, flipped, flipped[::-1].copy(), snake[::-1].copy(), first):
        length = strip_kernels.improve_order(order, far)
        if best is None or length < best[0] - 1e-6:
            best = (length, order)
    length, order = best if best is not None else (0.0, first)
    return [runs[k >> 1].turned() if k & 1 else runs[k >> 1] for k in order.tolist()], float(length)


def clear_stretches(run: Run, ways: Ways, least_m: float) -> list[Run]:
    """The parts of a run on walkable ground; the run itself where all of it is."""
    if all(ways.clear(a, b) for a, b in zip(run.points, run.points[1:], strict=False)):
        return [run]
    mask, west, north, cell = ways.mask
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
        at = np.concatenate([[lo], inner, [hi]])
        corners = np.column_stack([np.interp(at, along, points[:, i]) for i in (0, 1)])
        out.append(replace(run, points=tuple((float(u), float(v)) for u, v in corners)))
    return [one for one in out if all(ways.clear(a, b) for a, b in zip(one.points, one.points[1:], strict=False))]
