"""The way in, the way out, and the place from which a lookout watches."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from shapely import LineString, MultiPolygon, Point, Polygon
from skimage.graph import MCP_Geometric

from lastseen.drill.sites import kernels
from lastseen.drill.sites.model import Lookout, Way
from lastseen.grid import BoolArray, FloatArray, Grid
from lastseen.ground_layers import GroundLayers
from lastseen.outlines import cells_of_outline
from lastseen.search.clock import walking_speed_m_s

WALK_CELL_M = 10.0  # ways are looked for on cells of about this size; design choice
AROUND_M = 600.0  # ground round a site in which ways are looked for; design choice
OUT_M = 300.0  # a way out is followed this far from the middle of the site; design choice
REACHED_COST = 8.0  # a metre on reached ground counts as this many; design choice
STEEPEST_WALK_DEG = 30.0  # steeper ground is no way; design choice
OTHER_SIDE_DEG = 90.0  # way in and way out lie at least this far apart, seen from the site; design choice
EYE_M, MARK_M = 1.6, 0.5
LOOKOUT_M = (20.0, 250.0)  # from the edge of the site: within call and whistle; common practice, no source
LOOKOUT_SLOPE_DEG = 25.0
LEAST_SEEN = 0.8  # share of the site that a lookout place must see; design choice
WATCHED_M = 1500.0
MOST_EYES, MOST_MARKS = 240, 150


@dataclass(frozen=True, eq=False)
class Around:
    """The ground round a site on walking cells: heights, walking slope, and where a body comes."""

    ground: Grid
    slope_deg: FloatArray
    reached: BoolArray
    barred: BoolArray


def look_around(
    ground: Grid, share: FloatArray, slope_deg: FloatArray, layers: GroundLayers, box: tuple[float, float, float, float]
) -> Around:
    """Cut the ground round a site out on walking cells; what bars a way in any part of a cell bars it there."""
    ratio = max(1, round(WALK_CELL_M / ground.cell_m))
    west, south, east, north = box
    wide = ground.window(west, south, east, north)
    r0, c0 = (
        round((ground.north_m - wide.north_m) / ground.cell_m),
        round((wide.west_m - ground.west_m) / ground.cell_m),
    )
    ny, nx = (n // ratio for n in wide.shape)
    part = (slice(r0, r0 + ny * ratio), slice(c0, c0 + nx * ratio))

    def blocks(values: FloatArray) -> FloatArray:
        return values[part].reshape(ny, ratio, nx, ratio)

    barred = np.zeros((ny, nx), bool)
    for layer in layers.layers:
        if layer.kind in ("water", "crevasses", "buildings", "no_go"):
            barred |= blocks(layer.cells.astype(float)).max(axis=(1, 3)) > 0.0
    z = blocks(ground.values).mean(axis=(1, 3))
    coarse = Grid(z, wide.west_m, wide.north_m, ground.cell_m * ratio, ground.crs)
    steep = blocks(np.nan_to_num(slope_deg, nan=90.0)).mean(axis=(1, 3))
    barred |= ~np.isfinite(z) | (steep > STEEPEST_WALK_DEG)
    return Around(coarse, steep, blocks(share).max(axis=(1, 3)) > 0.0, barred)


def ways_of(
    around: Around, site: Polygon, near_m: tuple[float, float] | None, roads: MultiPolygon | None
) -> tuple[Way | None, Way | None]:
    """The way in and the way out: the quickest walks, of which ground that a body reaches is avoided.

    The way in comes from where people are (``near_m``), else from a road, else from 300 m away where that is easiest.
    The way out goes 300 m away on another side. None where there is no way on ground below 30 degrees.
    """
    walk = _Walk(around, site)
    middle = site.centroid
    if near_m is not None and bool(around.ground.contains(*near_m)):
        row, col = (int(one) for one in around.ground.cell_of(*near_m))
        way_in = walk.way((row, col), "the starting place", inward=True)
    else:
        road = walk.nearest(walk.cells_in(roads)) if roads is not None else None
        if road is not None:
            way_in = walk.way(road, "the nearest road", inward=True)
        else:
            found = walk.nearest(walk.ring(middle, None))
            way_in = walk.way(found, f"{OUT_M:g} m away", inward=True) if found else None
    other = walk.nearest(walk.ring(middle, way_in.bearing_deg if way_in else None))
    return way_in, walk.way(other, f"{OUT_M:g} m away", inward=False) if other else None


class _Walk:
    """Walks from the cells of a site to all others."""

    def __init__(self, around: Around, site: Polygon) -> None:
        self._around, self._site = around, site
        grid = around.ground
        # Time for a metre at this slope, the mean of up and down, as a way may go either way along it.
        rise = np.tan(np.radians(np.minimum(around.slope_deg, STEEPEST_WALK_DEG)))
        pace = 0.5 * (1.0 / walking_speed_m_s(0.5 * rise) + 1.0 / walking_speed_m_s(-0.5 * rise))
        cost = np.where(around.reached, REACHED_COST, 1.0) * pace
        cost[around.barred] = -1.0
        inside = cells_of_outline(site.buffer(0.5 * grid.cell_m), grid)
        starts = [(int(c) // grid.shape[1], int(c) % grid.shape[1]) for c in inside]
        starts = [one for one in starts if cost[one] > 0.0]
        self._found = MCP_Geometric(cost) if starts else None
        self._time: FloatArray = np.full(grid.shape, np.inf)
        if self._found is not None:
            self._time = self._found.find_costs(starts)[0]

    def cells_in(self, area: MultiPolygon) -> BoolArray:
        """Cells that an area touches."""
        grid = self._around.ground
        inside = np.zeros(grid.shape[0] * grid.shape[1], bool)
        inside[cells_of_outline(area.buffer(0.7 * grid.cell_m), grid)] = True
        return inside.reshape(grid.shape)

    def ring(self, middle: Point, but_deg: float | None) -> BoolArray:
        """Cells about 300 m from the middle that no body reaches, on another side than a bearing."""
        grid = self._around.ground
        rows, cols = np.indices(grid.shape)
        x, y = grid.centre_of(rows, cols)
        away = np.hypot(x - middle.x, y - middle.y)
        ring = (np.abs(away - OUT_M) <= grid.cell_m) & ~self._around.reached
        if but_deg is not None:
            turn = (np.degrees(np.arctan2(x - middle.x, y - middle.y)) - but_deg + 180.0) % 360.0 - 180.0
            ring &= np.abs(turn) >= OTHER_SIDE_DEG
        return np.asarray(ring)

    def nearest(self, where: BoolArray) -> tuple[int, int] | None:
        """The cell that is walked to in the least time; None where none can be."""
        time = np.where(where, self._time, np.inf)
        best = int(np.argmin(time))
        row, col = divmod(best, time.shape[1])
        return (row, col) if np.isfinite(time[row, col]) else None

    def way(self, end: tuple[int, int], to: str, *, inward: bool) -> Way | None:
        """The walk to a cell, or from it."""
        if self._found is None or not np.isfinite(self._time[end]):
            return None
        cells = np.array(self._found.traceback(end))
        if len(cells) < 2:
            return None
        grid = self._around.ground
        x, y = grid.centre_of(cells[:, 0], cells[:, 1])
        z = grid.values[cells[:, 0], cells[:, 1]]
        if inward:
            x, y, z, cells = x[::-1], y[::-1], z[::-1], cells[::-1]
        flat = np.hypot(np.diff(x), np.diff(y))
        length = np.hypot(flat, np.diff(z))
        reached = self._around.reached[cells[:, 0], cells[:, 1]]
        middle, far = self._site.centroid, (0 if inward else -1)
        return Way(
            LineString(LineString(np.stack([x, y], axis=1)).simplify(0.3 * grid.cell_m).coords),
            float(length.sum()),
            float((length / walking_speed_m_s(np.diff(z) / flat)).sum()),
            float(length[reached[1:] | reached[:-1]].sum()),
            float(self._around.slope_deg[cells[:, 0], cells[:, 1]].max()),
            math.degrees(math.atan2(x[far] - middle.x, y[far] - middle.y)) % 360.0,
            to,
        )


def lookout_of(around: Around, site: Polygon, start: BoolArray, name: str) -> Lookout | None:
    """The place that sees most of the site and of the start-zone ground above it, and that no body reaches.

    Parameters
    ----------
    around : Around
    site : Polygon
    start : ndarray of bool
        Start-zone ground on the walking cells.
    name : str
    """
    grid, middle = around.ground, site.centroid
    rows, cols = np.indices(grid.shape)
    x, y = grid.centre_of(rows, cols)
    inside = np.zeros(grid.shape[0] * grid.shape[1], bool)
    inside[cells_of_outline(site.buffer(0.5 * grid.cell_m), grid)] = True
    away = ndimage.distance_transform_edt(~inside.reshape(grid.shape), sampling=grid.cell_m)
    fair = (away >= LOOKOUT_M[0]) & (away <= LOOKOUT_M[1]) & ~around.reached & ~around.barred
    fair &= around.slope_deg <= LOOKOUT_SLOPE_DEG
    eyes = _thinned(fair, MOST_EYES)
    if not len(eyes):
        return None
    level = float(np.nanmax(grid.values[inside.reshape(grid.shape)])) if inside.any() else np.inf
    with np.errstate(invalid="ignore"):
        above = start & (grid.values > level) & (np.hypot(x - middle.x, y - middle.y) <= WATCHED_M)
    ground = np.ascontiguousarray(grid.values)
    of_site = kernels.seen_shares(ground, eyes + 0.5, _thinned(inside.reshape(grid.shape), 60) + 0.5, EYE_M, MARK_M)
    marks = _thinned(above, MOST_MARKS)
    of_above = kernels.seen_shares(ground, eyes + 0.5, marks + 0.5, EYE_M, MARK_M) if len(marks) else np.ones(len(eyes))
    far = away[eyes[:, 0].astype(int), eyes[:, 1].astype(int)]
    score = np.where(of_site >= LEAST_SEEN, 0.4 * of_site + 0.4 * of_above + 0.2 * (1.0 - far / LOOKOUT_M[1]), -1.0)
    best = int(np.argmax(np.round(score, 9)))
    if score[best] < 0.0:
        return None
    i, j = int(eyes[best, 0]), int(eyes[best, 1])
    at = (float(x[i, j]), float(y[i, j]))
    return Lookout(
        name,
        at,
        math.dist(at, (middle.x, middle.y)),
        math.degrees(math.atan2(at[0] - middle.x, at[1] - middle.y)) % 360.0,
        float(of_site[best]),
        float(of_above[best]) if len(marks) else math.nan,
    )


def _thinned(where: BoolArray, most: int) -> FloatArray:
    """Cells, evenly thinned in their order to a number; rows and columns."""
    cells = np.argwhere(where).astype(np.float64)
    if len(cells) <= most:
        return cells
    kept: FloatArray = cells[np.linspace(0, len(cells) - 1, most).astype(int)]
    return kept
