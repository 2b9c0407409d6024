"""Where a rectangle of the wanted size lies across the fall line on ground of the wanted slope."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from shapely import Polygon, polygons

from lastseen.drill.sites import kernels
from lastseen.drill.sites.exposure import StartZoneReach
from lastseen.drill.sites.model import SiteWish
from lastseen.drill.sites.starts import StartGround
from lastseen.grid import BoolArray, FloatArray, Grid, IntArray
from lastseen.ground_layers import GroundLayers
from lastseen.outlines import cells_of_outline
from lastseen.threads import in_threads

EDGE_M = 100.0  # a site lies at least this far inside the elevation model; design choice
LEAST_INSIDE = 0.9  # share of the site within the slopes asked for; none of it is steeper; design choice
LEAST_FACING = 0.75  # share that faces within 45 degrees of its fall line, so that it is one slope; design choice
CENTRES_M = 10.0  # distance between places that are tried; design choice
FAR_M = 200.0  # reached ground farther away than this makes a site no better; design choice
STEADY_DEG = 6.0  # standard deviation of slope of the roughest site; design choice
MOST_PLACES = 20_000  # of more places the best of each block of half a width are kept
BLOCK = 20_000
KEEP_OFF = ("trees", "water", "crevasses", "rocks", "buildings", "no_go")


@dataclass(frozen=True, eq=False)
class Places:
    """Rectangles that pass on slope and exposure, the most promising first; arrays of one length.

    Attributes
    ----------
    row, col : ndarray of int
        Cell of the middle.
    downhill : ndarray, shape (n, 2)
        Unit vector down the fall line, east and north.
    slope_deg, spread_deg, inside, away_m : ndarray
        Mean slope, its standard deviation, share within the slopes, distance to reached ground.
    """

    row: IntArray
    col: IntArray
    downhill: FloatArray
    slope_deg: FloatArray
    spread_deg: FloatArray
    inside: FloatArray
    away_m: FloatArray


def distance_to_reached(starts: StartGround, reach: StartZoneReach) -> FloatArray:
    """Distance from each cell of the ground to the nearest that a body reaches, m; infinite where there is none."""
    reached = reach.share.values > 0.0
    if not reached.any():
        return np.full(starts.ground.shape, np.inf)
    away = reach.share.with_values(ndimage.distance_transform_edt(~reached, sampling=reach.share.cell_m))
    ratio = round(away.cell_m / starts.ground.cell_m)
    ny, nx = starts.ground.shape
    rows = np.minimum(np.arange(ny) // ratio, away.shape[0] - 1)
    cols = np.minimum(np.arange(nx) // ratio, away.shape[1] - 1)
    return np.asarray(away.values[rows[:, None], cols[None, :]], np.float64)


def unusable(starts: StartGround, layers: GroundLayers, wish: SiteWish, away_m: FloatArray) -> BoolArray:
    """Cells that no site may hold: unknown, near the rim, under trees or water, no-go, reached by a body."""
    ground = starts.ground
    known = np.isfinite(ground.values)
    inner = np.pad(known, 1)
    bad: BoolArray = (ndimage.distance_transform_edt(inner, sampling=ground.cell_m) <= EDGE_M)[1:-1, 1:-1]
    bad |= starts.zones > 0
    for layer in layers.layers:
        if layer.kind in KEEP_OFF:
            bad |= layer.cells
    if not wish.exposed_ok:
        bad |= away_m <= wish.margin_m
    if wish.near_m is not None:
        rows, cols = np.arange(ground.shape[0]), np.arange(ground.shape[1])
        x, _ = ground.centre_of(0, cols)
        _, y = ground.centre_of(rows, 0)
        bad |= (x[None, :] - wish.near_m[0]) ** 2 + (y[:, None] - wish.near_m[1]) ** 2 > wish.within_m**2
    return bad


def find_places(starts: StartGround, wish: SiteWish, bad: BoolArray, away_m: FloatArray) -> Places:
    """All rectangles that pass, in the order of slope, evenness and distance from reached ground."""
    cell = starts.ground.cell_m
    sigma = 0.35 * wish.height_m / cell
    east, north = (ndimage.gaussian_filter(one, sigma, mode="nearest", truncate=2.0) for one in starts.gradient_m_m)
    step = max(1, round(CENTRES_M / cell))
    slope = starts.slope_deg
    with np.errstate(invalid="ignore"):
        fair = ~bad & (slope <= wish.high_deg)
    rows, cols = (
        one.astype(np.int32) * step + step // 2 for one in np.nonzero(fair[step // 2 :: step, step // 2 :: step])
    )
    half_map = 0.5 * wish.height_m * math.cos(math.radians(0.5 * (wish.low_deg + wish.high_deg)))
    out = np.empty((rows.size, 6))
    away = away_m.astype(np.float32)
    spacing = min(1.0, wish.width_m / (4.0 * cell), wish.height_m / (4.0 * cell))

    def look(first: int) -> None:
        kernels.rectangles(
            slope, bad, away, east, north, rows, cols, 0.5 * wish.width_m / cell, half_map / cell, spacing,
            wish.low_deg, wish.high_deg, first, min(first + BLOCK, rows.size), out,
        )  # fmt: skip

    in_threads(look, range(0, rows.size, BLOCK))
    kept = (out[:, 0] > 0) & (out[:, 1] >= LEAST_INSIDE) & (out[:, 5] >= LEAST_FACING)
    kept &= (out[:, 2] >= wish.low_deg) & (out[:, 2] <= wish.high_deg)
    rows, cols, out = rows[kept], cols[kept], out[kept]
    order = np.lexsort((cols, rows, -np.round(first_score(wish, out[:, 2], out[:, 3], out[:, 4]), 6)))
    if order.size > MOST_PLACES:  # the best of each block
        blocks = rows[order] // max(1, round(0.5 * wish.width_m / cell)) * slope.shape[1]
        blocks += cols[order] // max(1, round(0.5 * wish.width_m / cell))
        order = order[np.sort(np.unique(blocks, return_index=True)[1])]
    rows, cols, out = rows[order], cols[order], out[order]
    down = np.stack([east[rows, cols], north[rows, cols]], axis=1)
    down /= np.maximum(np.hypot(down[:, 0], down[:, 1]), 1e-12)[:, None]
    return Places(rows, cols, down, out[:, 2], out[:, 3], out[:, 1], out[:, 4])


def cells_within(outline: Polygon, grid: Grid) -> IntArray:
    """Flat indices of the cells whose centre lies in an outline, looked for round it only."""
    west, south, east, north = outline.bounds
    part = grid.window(west, south, east, north)
    found = cells_of_outline(outline, part)
    r0 = round((grid.north_m - part.north_m) / grid.cell_m)
    c0 = round((part.west_m - grid.west_m) / grid.cell_m)
    rows, cols = found // part.shape[1] + r0, found % part.shape[1] + c0
    return (rows * grid.shape[1] + cols).astype(np.int32)


def slope_part(wish: SiteWish, slope_deg: FloatArray | float) -> FloatArray:
    """1 in the middle of the slopes asked for, 0.5 at their ends."""
    half = 0.5 * (wish.high_deg - wish.low_deg)
    return np.clip(1.0 - 0.5 * np.abs(np.asarray(slope_deg) - wish.low_deg - half) / half, 0.0, 1.0)


def even_part(spread_deg: FloatArray | float) -> FloatArray:
    """1 on an even slope."""
    return np.clip(1.0 - np.asarray(spread_deg) / STEADY_DEG, 0.0, 1.0)


def away_part(away_m: FloatArray | float) -> FloatArray:
    """1 where no body comes nearer than 200 m."""
    return np.clip(np.asarray(away_m) / FAR_M, 0.0, 1.0)


def first_score(wish: SiteWish, slope_deg: FloatArray, spread_deg: FloatArray, away_m: FloatArray) -> FloatArray:
    """What decides which places are looked at closely first."""
    total: FloatArray = slope_part(wish, slope_deg) + even_part(spread_deg) + away_part(away_m)
    return total


def outlines_of(ground: Grid, wish: SiteWish, places: Places) -> npt.NDArray[np.object_]:
    """The rectangles. Lengths on the map; upper left corner first, as seen from below, then clockwise."""
    x, y = ground.centre_of(places.row, places.col)
    ux, uy = places.downhill.T
    a, b = 0.5 * wish.width_m, 0.5 * wish.height_m * np.cos(np.radians(places.slope_deg))
    signs = ((1.0, -1.0), (-1.0, -1.0), (-1.0, 1.0), (1.0, 1.0), (1.0, -1.0))
    # Whoever looks up the slope has (uy, -ux) on the left hand.
    rings = np.stack(
        [np.stack([x + s * a * uy + t * b * ux, y - s * a * ux + t * b * uy], axis=-1) for s, t in signs], axis=1
    )
    return np.asarray(polygons(rings))
