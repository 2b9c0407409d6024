"""Runs: straight lines on the map, and which samples of a group a set of them covers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lastseen.grid import BoolArray, FloatArray
from lastseen.search.frame import XY, Group
from lastseen.search.surface import Surface

EXTRA = -1


@dataclass(frozen=True)
class Run:
    """A straight line to be walked.

    Attributes
    ----------
    group : int
        Index of its group.
    band : int
        Index of its strip in the group; -1 for an extra run through a left-over piece.
    start, end : tuple of float
        Map metres.
    reach_m : tuple of float
        Extent of the outline in its strip along u, metres.
    bent : bool
        Part of a bent axis: walked on from end to start of the next part, not as switchbacks.
    """

    group: int
    band: int
    start: XY
    end: XY
    reach_m: tuple[float, float]
    bent: bool = False

    @property
    def plan_m(self) -> float:
        """Length on the map."""
        return math.dist(self.start, self.end)

    def turned(self) -> Run:
        """The same run walked the other way."""
        return replace(self, start=self.end, end=self.start)

    def pulled(self, start_m: float, end_m: float) -> Run:
        """The run with its ends pulled in by map metres."""
        length = self.plan_m
        if length <= 0.0:
            return self
        ex, ey = (self.end[0] - self.start[0]) / length, (self.end[1] - self.start[1]) / length
        return replace(
            self,
            start=(self.start[0] + start_m * ex, self.start[1] + start_m * ey),
            end=(self.end[0] - end_m * ex, self.end[1] - end_m * ey),
        )


def as_array(start: XY, end: XY) -> FloatArray:
    """A straight run as the kernels take it."""
    return np.array([start[0], start[1], end[0], end[1]])


@dataclass(frozen=True)
class Sight:
    """What runs cover in one group.

    Attributes
    ----------
    group : Group
        The samples and the frame.
    surface : Surface
        The ground.
    half_width_m : float
        Half a strip on the snow.
    wanted : float
        Fraction of each piece to be covered.
    """

    group: Group
    surface: Surface
    half_width_m: float
    wanted: float

    def mask(self, run: Run, among: BoolArray | None = None) -> BoolArray:
        """Which samples (or which of the chosen ones) a run covers."""
        points = self.group.samples.xyz_m if among is None else self.group.samples.xyz_m[:, among]
        return self.surface.cover(as_array(run.start, run.end), np.ascontiguousarray(points), self.half_width_m)

    def masks(self, runs: Sequence[Run]) -> BoolArray:
        """Which samples each run covers, shape (runs, samples)."""
        return np.array([self.mask(run) for run in runs], dtype=np.bool_).reshape(len(runs), -1)

    def short_pieces(self, covered: BoolArray) -> BoolArray:
        """Samples of those pieces that are not covered enough."""
        s = self.group.samples
        whole = np.bincount(s.piece, weights=s.weight_m2)
        seen = np.bincount(s.piece, weights=s.weight_m2 * covered)
        return np.asarray((seen < self.wanted * whole - 1e-9 * whole)[s.piece])

    def enough(self, covered: BoolArray) -> bool:
        """Whether each piece is covered enough."""
        return not bool(self.short_pieces(covered).any())


def valid_stretches(run: Run, surface: Surface) -> list[Run]:
    """The parts of a run that lie on known ground; the run itself where all of it does."""
    length = run.plan_m
    n = max(1, math.ceil(length / min(1.0, surface.filled.cell_m)))
    t = np.linspace(0.0, 1.0, n + 1)
    ok = surface.has_data(
        run.start[0] + t * (run.end[0] - run.start[0]), run.start[1] + t * (run.end[1] - run.start[1])
    )
    if ok.all():
        return [run]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], ok, [False]]).astype(np.int8)))
    ends = zip(edges[::2], edges[1::2] - 1, strict=True)
    return [run.pulled(float(t[a]) * length, float(1.0 - t[b]) * length) for a, b in ends if b > a]
