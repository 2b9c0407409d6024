"""Room for labels: what is already drawn, and the best free place for the next one. Millimetres on the page."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from lastseen.grid import BoolArray, FloatArray
from lastseen.products.mapsheet.layout import Box

CELL_MM = 0.4
RINGS_MM = (0.0, 2.2, 3.0, 4.0, 5.2, 6.8, 8.8, 11.5, 15.0, 20.0)
ROUND = tuple(math.radians(a) for a in range(0, 360, 20))


@dataclass(frozen=True)
class Spot:
    """A place for a label: its middle, and how far from what it names."""

    x: float
    y: float
    away: float


class Room:
    """What is taken inside a box: labels (hard) and lines (soft)."""

    def __init__(self, box: Box) -> None:
        self.box = box
        shape = (math.ceil(box.height / CELL_MM), math.ceil(box.width / CELL_MM))
        self._hard: BoolArray = np.zeros(shape, np.bool_)
        self._soft: FloatArray = np.zeros(shape)

    def ink(self, points: FloatArray, weight: float) -> None:
        """A line that labels should rather not hide."""
        for a, b in pairwise(points):
            n = max(2, int(math.dist(a, b) / (0.5 * CELL_MM)))
            rows, cols, inside = self._cells(np.linspace(a, b, n))
            self._soft[rows[inside], cols[inside]] = np.maximum(self._soft[rows[inside], cols[inside]], weight)

    def take(self, x: float, y: float, width: float, height: float) -> None:
        """A box that nothing else may cover."""
        rows, cols = self._window(x, y, width, height)
        self._hard[rows, cols] = True

    def cost(self, x: float, y: float, width: float, height: float) -> float:
        """Ink below a box; infinite where it is taken or leaves the body."""
        rim = 0.5
        if (
            x - width / 2 < self.box.left + rim
            or x + width / 2 > self.box.right - rim
            or y - height / 2 < self.box.bottom + rim
            or y + height / 2 > self.box.top - rim
        ):
            return math.inf
        rows, cols = self._window(x, y, width, height)
        return math.inf if self._hard[rows, cols].any() else float(self._soft[rows, cols].sum())

    def around(self, anchors: Sequence[tuple[float, float]], width: float, height: float) -> Spot | None:
        """The best spot on or around the anchors (the first is preferred); takes it."""
        best, least = None, math.inf
        for rank, (ax, ay) in enumerate(anchors):
            for r in RINGS_MM:
                if 1.5 * (r + rank) >= least:
                    break
                for angle in ROUND if r else (0.0,):
                    x, y = ax + r * math.cos(angle), ay + r * math.sin(angle)
                    cost = self.cost(x, y, width, height) + 1.5 * (r + rank)
                    if cost < least:
                        best, least = Spot(x, y, r), cost
        if best is not None:
            self.take(best.x, best.y, width, height)
        return best

    def first_free(self, places: Iterable[tuple[float, float]], width: float, height: float, most: float) -> int | None:
        """Number of the first place with little ink below; takes it."""
        for number, (x, y) in enumerate(places):
            if self.cost(x, y, width, height) <= most:
                self.take(x, y, width, height)
                return number
        return None

    def _cells(self, points: FloatArray) -> tuple[np.ndarray, np.ndarray, BoolArray]:
        cols = ((points[:, 0] - self.box.left) / CELL_MM).astype(int)
        rows = ((points[:, 1] - self.box.bottom) / CELL_MM).astype(int)
        ny, nx = self._hard.shape
        inside = (rows >= 0) & (rows < ny) & (cols >= 0) & (cols < nx)
        return rows, cols, np.asarray(inside)

    def _window(self, x: float, y: float, width: float, height: float) -> tuple[slice, slice]:
        left, low = x - width / 2 - self.box.left, y - height / 2 - self.box.bottom
        return (
            slice(max(0, int(low / CELL_MM)), max(0, math.ceil((low + height) / CELL_MM))),
            slice(max(0, int(left / CELL_MM)), max(0, math.ceil((left + width) / CELL_MM))),
        )
