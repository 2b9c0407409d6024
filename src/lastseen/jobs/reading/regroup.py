"""Places to regroup: ground on or beside the line that no start zone in this model reaches."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.spatial import cKDTree
from shapely.geometry import MultiPolygon

from lastseen.core import BoolArray, FloatArray, Grid, smooth_outline
from lastseen.jobs.reading.ground import PreparedGround
from lastseen.jobs.reading.line_exposure import BESIDE_M, PassingSamples
from lastseen.jobs.reading.route import Route
from lastseen.terrain import read_terrain
from lastseen.traps import Kind, find_traps

CLEAR_M = 10.0  # as far as this off any ground that a sample crossed; design choice
STEEPEST_DEG = 27.0  # nobody regroups on what is nearly start-zone terrain; design choice
LEAST_M2 = 150.0  # room for a small group with distance to each other; design choice
# Along the line: of several places closer than this, or this share of the line, the roomiest is told.
APART_M, APART_SHARE = 120.0, 0.125
MOST_TOLD = 12
ENOUGH_M = 40.0  # more room than this is not better ...
BESIDE_COST = 0.3  # ... and a metre beside the line costs so many metres of room; design choices
EDGES: tuple[Kind, ...] = ("cliff", "crevasses", "water")  # what somebody who waits can fall into ...
NEAR_M = 50.0  # ... and how near it is told; design choice
EDGE_MARGIN_M = 60.0  # what lies around shows where a cliff ends; design choice
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, eq=False, kw_only=True)
class Regroup:
    """A place where a group can wait, as far as this model knows."""

    letter: str
    outline: MultiPolygon
    # its roomiest point
    x_m: float
    y_m: float
    part: int
    along_m: float  # where along the line it lies
    beside_m: float  # how far off the line
    area_m2: float  # of the ground that belongs to it and lies near the line
    slope_deg: float
    clear_m: float  # distance to the nearest ground that snow crosses in any member, as far as it was looked for
    edge: str  # the nearest terrain trap that somebody can fall into, where one lies within 50 m
    edge_m: float  # how far it is; NaN where there is none


def places_to_regroup(prepared: PreparedGround, route: Route, passing: PassingSamples) -> tuple[Regroup, ...]:
    """Find them beside the line, along the way; the roomiest of those that lie close together."""
    heights, window = prepared.heights, passing.ground.window
    tile = prepared.over(window)
    ground = heights.on(window, tile.smoothed_m)
    beside, station = _to_line(route, ground)
    crossed = (passing.ground.mask > 0) | (tile.zone > 0) | ~np.isfinite(tile.smoothed_m)
    clear = np.full(window.shape, 2.0 * BESIDE_M)
    if crossed.any():
        clear = ndimage.distance_transform_edt(~crossed, sampling=heights.cell_m)
    with np.errstate(invalid="ignore"):
        room = (beside <= BESIDE_M) & (clear >= max(CLEAR_M, passing.spacing_m)) & (tile.slope_deg < STEEPEST_DEG)
    score = np.where(room, np.minimum(clear, ENOUGH_M) - BESIDE_COST * beside, -np.inf)
    found: list[Regroup] = []
    apart = max(APART_M, APART_SHARE * route.length_m)
    while len(found) < MOST_TOLD and np.isfinite(score).any():
        row, col = (int(k) for k in np.unravel_index(int(np.argmax(score)), score.shape))
        at = int(station[row, col])
        away = np.abs(route.along_m[station] - route.along_m[at])
        away[route.part[station] != route.part[at]] = np.inf
        place = _around(room & (away <= 0.5 * APART_M), row, col)
        area = float(place.sum() * heights.cell_m**2)
        score[place & (away <= apart) if area < LEAST_M2 else away <= apart] = -np.inf
        if area >= LEAST_M2:
            x, y = (float(v) for v in ground.centre_of(row, col))
            edge, edge_m = _edge_near(prepared, x, y)
            outline = smooth_outline(place, ground.west_m, ground.north_m, heights.cell_m)
            found.append(
                Regroup(
                    letter="",
                    outline=outline,
                    x_m=x,
                    y_m=y,
                    part=int(route.part[at]),
                    along_m=float(route.along_m[at]),
                    beside_m=float(beside[row, col]),
                    area_m2=area,
                    slope_deg=float(tile.slope_deg[row, col]),
                    clear_m=float(clear[row, col]),
                    edge=edge,
                    edge_m=edge_m,
                )
            )
    found.sort(key=lambda found_place: (found_place.part, found_place.along_m))
    return tuple(replace(found_place, letter=LETTERS[k]) for k, found_place in enumerate(found))


def _edge_near(prepared: PreparedGround, x_m: float, y_m: float) -> tuple[str, float]:
    """What somebody at a place can fall into nearby, and how far it is. Gentle places have no trap of their own."""
    heights, reach = prepared.heights, NEAR_M + EDGE_MARGIN_M
    ground = heights.grid(heights.window_of(x_m - reach, y_m - reach, x_m + reach, y_m + reach))
    x, y = ground.centre_of(*np.indices(ground.shape))
    away = np.hypot(x - x_m, y - y_m)
    traps = find_traps(read_terrain(ground), away <= NEAR_M, prepared.layers_on(ground))
    found = [(float(away.ravel()[trap.cells].min()), trap.kind) for trap in traps if trap.kind in EDGES]
    edge_m, edge = min(found, default=(math.inf, ""))
    return (edge, edge_m) if edge_m <= NEAR_M else ("", math.nan)


def _around(mask: BoolArray, row: int, col: int) -> BoolArray:
    """The connected cells of a mask around one of them."""
    labels, _ = ndimage.label(mask)
    return np.asarray(labels == labels[row, col])


def _to_line(route: Route, ground: Grid) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Distance of each cell to the nearest station, and which one it is; infinite beyond what counts as beside."""
    known = np.flatnonzero(np.isfinite(route.height_m))
    tree = cKDTree(np.column_stack([route.x_m[known], route.y_m[known]]))
    rows, cols = np.indices(ground.shape).reshape(2, -1)
    x, y = ground.centre_of(rows, cols)
    away, nearest = tree.query(np.column_stack([x, y]), distance_upper_bound=2.0 * BESIDE_M)
    station = known[np.minimum(nearest, known.size - 1)]
    return np.asarray(away).reshape(ground.shape), station.reshape(ground.shape)
