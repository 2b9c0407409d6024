"""Where people can walk: blocked ground, dangerous ground, and the way from one lane to the next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from affine import Affine
from rasterio import features
from scipy import ndimage

from lastseen.core import BoolArray, FloatArray, IntArray
from lastseen.search import coverage_kernels, lanes_kernels
from lastseen.search.frame import XY
from lastseen.search.legs import STEEP_DEG
from lastseen.search.surface import Outline, Surface

CLIFF_DEG = 55.0  # design choice: nobody walks a search over ground as steep as this
ABOVE_CLIFF_M = 10.0  # design choice
LOWEST_WALL_M = 2.0  # design choice
NO_GO_MARGIN_M = 0.5
_COARSE_CELLS, _FINE_CELLS, _FINEST_CELLS = 110, 500, 1200
_STEEP_COST, _ABOVE_COST, _BLOCKED_COST = 5.0, 10.0, 1000.0  # metres of easy walking for each; design choices
_AVOIDED_COST = 10.0  # of a metre that is to be walked around; design choice
_WORTH_IT = 0.9


@dataclass(frozen=True, kw_only=True)
class WalkableGround:
    """Walkable ground as masks (values, west, north, cell); True is blocked."""

    mask: Any  # no elevation, no-go ground or a wall
    forbidden: Any  # no-go ground, walls and the outside of the elevation model: never crossed
    # shape of the elevation window; 0 nothing, 1 steeper than 35 degrees, 2 right above a wall, 3 a wall
    danger: IntArray
    # cost of a metre on a coarse lattice, and on finer ones for where that finds no way; negative is forbidden
    costs: tuple[Any, ...]
    surface: Surface
    no_go: Outline | None

    def is_clear(self, a: XY, b: XY) -> bool:
        """Whether a straight leg meets nothing blocked."""
        return bool(coverage_kernels.clear(a[0], a[1], b[0], b[1], self.mask))

    def is_clear_along(self, points: Sequence[XY]) -> bool:
        """Whether no leg between consecutive points meets anything blocked."""
        return all(self.is_clear(a, b) for a, b in pairwise(points))

    def is_allowed(self, a: XY, b: XY) -> bool:
        """Whether a straight leg stays on the elevation model, off no-go ground and off walls."""
        return bool(coverage_kernels.clear(a[0], a[1], b[0], b[1], self.forbidden))

    def worst_danger(self, a: XY, b: XY) -> int:
        """The worst danger under a straight leg."""
        grid = self.surface.filled
        n = max(1, math.ceil(math.dist(a, b) / (0.5 * grid.cell_m)))
        t = np.linspace(0.0, 1.0, n + 1)
        row, col = grid.cell_of(a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]))
        ny, nx = grid.shape
        return int(self.danger[np.clip(row, 0, ny - 1), np.clip(col, 0, nx - 1)].max())

    def stays_straight(self, a: XY, b: XY, detour_from_m: float) -> bool:
        """Whether a clear leg is walked straight: it is short, or over nothing dangerous."""
        length = math.dist(a, b)
        return detour_from_m > 0.0 and (length <= detour_from_m or self._cost_of(a, b) <= 1.02 * length)

    def find_route(self, a: XY, b: XY, detour_from_m: float = 0.0) -> list[XY] | None:
        """Corners of a way from a to b.

        Straight where nothing is against it; around blocked ground; around dangerous ground where that is clearly
        easier and the straight way at least ``detour_from_m`` long. None where no-go ground or walls bar every way.
        """
        straight_ok = self.is_clear(a, b)
        if straight_ok and self.stays_straight(a, b, detour_from_m):
            return [a, b]
        route = self._around(a, b)
        if straight_ok:
            easier = route is not None and self._cost_along(route) < _WORTH_IT * self._cost_of(a, b)
            return route if easier else [a, b]
        if route is None and self.is_allowed(a, b):
            return [a, b]
        return route

    def avoiding(self, area: Outline) -> WalkableGround:
        """The same ground on which a metre inside an area counts many times."""
        costs = []
        for cost, west, north, cell in self.costs:
            place = Affine(a=cell, b=0.0, c=west, d=0.0, e=-cell, f=north)
            inside = features.geometry_mask([area], cost.shape, place, invert=True)
            costs.append((np.where(inside & (cost > 0.0), cost * _AVOIDED_COST, cost), west, north, cell))
        return replace(self, costs=tuple(costs))

    def costs_from(self, start: XY, points: FloatArray) -> FloatArray:
        """Cost of the easiest way from a point to others (n x 2), roughly; infinite where none is found."""
        found = np.full(len(points), np.inf)
        for cost, west, north, cell in self.costs:
            ny, nx = cost.shape
            both = np.vstack([[start], points])
            row = np.clip(((north - both[:, 1]) / cell).astype(int), 0, ny - 1)
            col = np.clip(((both[:, 0] - west) / cell).astype(int), 0, nx - 1)
            free = cost.copy()
            free[row, col] = np.abs(free[row, col])
            away, came = np.empty(cost.shape), np.empty(cost.shape, np.int32)
            first = slice(0, 1)
            lanes_kernels.flood(free, row[first].astype(np.int32), col[first].astype(np.int32), -1, -1, away, came)
            found = away[row[1:], col[1:]] * cell
            if np.isfinite(found).any():
                break
        return np.asarray(found)

    def _around(self, a: XY, b: XY) -> list[XY] | None:
        """The easiest way, drawn tight; looked for closely where a coarse look finds none."""
        routes = (self._around_on(cost, a, b) for cost in self.costs)
        return next((route for route in routes if route is not None), None)

    def _around_on(self, lattice: Any, a: XY, b: XY) -> list[XY] | None:
        """The easiest way from cell to cell of a lattice, drawn tight."""
        cost, west, north, cell = lattice
        ny, nx = cost.shape
        ends = [
            (min(max(int((north - p[1]) / cell), 0), ny - 1), min(max(int((p[0] - west) / cell), 0), nx - 1))
            for p in (a, b)
        ]
        free = cost.copy()
        for r, c in ends:
            free[r, c] = abs(free[r, c])
        away, came = np.empty(cost.shape), np.empty(cost.shape, np.int32)
        (r0, c0), (r1, c1) = ends
        lanes_kernels.flood(free, np.array([r0], np.int32), np.array([c0], np.int32), r1, c1, away, came)
        if not np.isfinite(away[r1, c1]):
            return None
        cells = [r1 * nx + c1]
        while came.flat[cells[-1]] >= 0 and cells[-1] != r0 * nx + c0:
            cells.append(int(came.flat[cells[-1]]))
        middle = [(west + (k % nx + 0.5) * cell, north - (k // nx + 0.5) * cell) for k in cells[-2:0:-1]]
        return self._tight([a, *middle, b])

    def _tight(self, points: list[XY]) -> list[XY] | None:
        """From each corner straight to the farthest one that is not harder to reach than along the way."""
        costs = np.concatenate([[0.0], np.cumsum([self._cost_of(p, q) for p, q in pairwise(points)])])
        open_to = [self.is_clear(p, q) for p, q in pairwise(points)]
        if not all(fine or self.is_allowed(p, q) for fine, (p, q) in zip(open_to, pairwise(points), strict=True)):
            return None
        corners, at = [points[0]], 0
        while at < len(points) - 1:
            for k in range(len(points) - 1, at, -1):
                p, q = points[at], points[k]
                fits = self.is_clear(p, q) or (not all(open_to[at:k]) and self.is_allowed(p, q))
                if k == at + 1 or (fits and self._cost_of(p, q) <= 1.1 * (costs[k] - costs[at]) + 1e-9):
                    break
            corners.append(points[k])
            at = k
        return corners

    def _cost_along(self, points: list[XY]) -> float:
        return sum(self._cost_of(p, q) for p, q in pairwise(points))

    def _cost_of(self, a: XY, b: XY) -> float:
        """Length of a straight leg with dangerous ground counted more than once."""
        cost, west, north, cell = self.costs[0]
        return float(lanes_kernels.cost_on_line(a[0], a[1], b[0], b[1], cost, west, north, cell, _BLOCKED_COST))


def read_walkable_ground(surface: Surface, no_go: Outline | None) -> WalkableGround:
    """Read a window of ground for where people can walk."""
    grid = surface.filled
    slope = np.degrees(np.arctan(np.hypot(surface.east_slope, surface.north_slope)))
    wall = np.maximum(slope, _steepest_side_deg(grid.values, grid.cell_m)) > CLIFF_DEG
    danger = np.where(slope > STEEP_DEG, 1, 0).astype(np.int32)
    if wall.any():
        near = ndimage.distance_transform_edt(~wall, return_indices=True)
        away, (i, j) = near[0] * grid.cell_m, near[1]
        foot = ndimage.minimum_filter(grid.values, 3)[i, j]
        above = (away <= max(ABOVE_CLIFF_M, grid.cell_m)) & (grid.values > foot + LOWEST_WALL_M)
        danger = np.where(above, 2, danger).astype(np.int32)
        danger[wall] = 3
    hard = ~surface.known | wall
    if no_go is None:
        mask, outside = ((blocked, grid.west_m, grid.north_m, grid.cell_m) for blocked in (hard, wall))
    else:
        mask, outside = _with_no_go(surface, hard, wall, no_go)
    anything = bool(hard.any() or outside[0].any())
    largest = max(grid.shape)
    sizes = [_COARSE_CELLS, *(size for size in (_FINE_CELLS, _FINEST_CELLS) if anything and largest > _COARSE_CELLS)]
    if largest <= _FINE_CELLS:
        sizes = sizes[:2]
    costs = tuple(_cost(surface, danger, hard, outside, size) for size in sizes)
    return WalkableGround(mask=mask, forbidden=outside, danger=danger, costs=costs, surface=surface, no_go=no_go)


def _steepest_side_deg(z_m: FloatArray, cell_m: float) -> FloatArray:
    """Slope of each cell towards its steeper neighbours: a step between two cells is not evened out."""
    most = []
    for axis in (0, 1):
        step = np.abs(np.diff(z_m, axis=axis))
        ends = [(0, 0), (0, 0)]
        ends[axis] = (1, 1)
        padded = np.pad(step, ends)
        most.append(np.maximum(np.delete(padded, 0, axis), np.delete(padded, -1, axis)))
    return np.asarray(np.degrees(np.arctan(np.maximum(*most) / cell_m)))


def _with_no_go(surface: Surface, hard: BoolArray, wall: BoolArray, no_go: Outline) -> tuple[Any, ...]:
    """Masks on a lattice fine enough for a drawn outline."""
    grid = surface.filled
    fold = max(1, math.ceil(grid.cell_m / 1.5))
    cell = grid.cell_m / fold
    shape = (grid.shape[0] * fold, grid.shape[1] * fold)
    edge = no_go.buffer(NO_GO_MARGIN_M)
    place = Affine(a=cell, b=0.0, c=grid.west_m, d=0.0, e=-cell, f=grid.north_m)
    inside = features.geometry_mask([edge], shape, place, all_touched=True, invert=True)
    masks = (np.repeat(np.repeat(blocked, fold, axis=0), fold, axis=1) | inside for blocked in (hard, wall))
    return tuple((blocked, grid.west_m, grid.north_m, cell) for blocked in masks)


def _cost(surface: Surface, danger: IntArray, hard: BoolArray, outside: Any, cells: int) -> Any:
    """Cost of a metre on at most so many cells along each side; the worst of what each holds."""
    grid = surface.filled
    ny, nx = grid.shape
    fold = max(1, math.ceil(max(ny, nx) / cells))
    value = np.array([1.0, _STEEP_COST, _ABOVE_COST, _BLOCKED_COST])[danger]
    value[hard] = _BLOCKED_COST
    rows, cols = -(-ny // fold), -(-nx // fold)
    padded = np.full((rows * fold, cols * fold), 1.0)
    padded[:ny, :nx] = value
    cost = padded.reshape(rows, fold, cols, fold).max(axis=(1, 3))
    cell = fold * grid.cell_m
    forbidden, _, _, fine = outside
    if forbidden.any():
        each = round(cell / fine)
        full = np.zeros((rows * each, cols * each), np.bool_)
        full[: forbidden.shape[0], : forbidden.shape[1]] = forbidden
        cost[full.reshape(rows, each, cols, each).any(axis=(1, 3))] = -1.0
    return (cost, grid.west_m, grid.north_m, cell)


def unreachable_share(outline: Outline, no_go: Outline | None) -> float:
    """Share of an outline that lies on no-go ground."""
    return 0.0 if no_go is None else float(shapely.intersection(outline, no_go).area / outline.area)
