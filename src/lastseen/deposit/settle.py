"""Where the snow stops: probability of debris, thickness, outline; and where a carried person would lie.

Bodies that slide alone do not pile up: each stands for its share of its event's deposit, spread over the width of a
pile of that volume. Snow is shed on the last stretch, where the body is slow. Thickness is therefore indicative; its
volume is conserved.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from shapely import union_all
from shapely.geometry import MultiPolygon

from lastseen.errors import NothingFoundError
from lastseen.grid import BoolArray, FloatArray, Grid, IntArray
from lastseen.motion import Run, Tracks
from lastseen.outlines import cells_of_outline, only_areas, outline_of_level

DEBRIS_THICKNESS_M = 0.1  # thinner than this is not called debris
SHEDDING_SPEED_M_S = 4.0  # from memory: dense flows begin to leave snow behind below 2 to 5 m/s
PILE_WIDTH = 0.6  # design choice: spread of one body's snow against the cube root of the deposit's volume
SMALLEST_SPREAD_CELLS = 1.5
OUTLINE_LEVELS = (0.2, 0.1, 0.05, 0.025)  # design choice, tried in this order
WANTED_INSIDE = 0.9
ALMOST_ALL = 0.95  # where more than this leaves the model, what is left says nothing
LEAST_PIECE_SHARE = 0.01  # pieces and holes of the outline below this share of its area are left out


@dataclass(frozen=True)
class Debris:
    """The deposit of all events.

    Attributes
    ----------
    probability : Grid
        Share of events with debris thicker than 0.1 m.
    thickness_m, thickness_p90_m : Grid
        Mean over all events, and 90th percentile.
    outline : MultiPolygon
        Where debris is at least as likely as ``level``; smoothed, holes kept.
    level : float
        NaN for an observed outline.
    area_m2 : float
        Map area of the outline.
    left_share : float
        Share of the bodies that left the elevation model.
    widened : bool
        Whether the smallest ground that holds 90 % of the probability of area was added to the outline.
    """

    probability: Grid
    thickness_m: Grid
    thickness_p90_m: Grid
    outline: MultiPolygon
    level: float
    area_m2: float
    left_share: float
    widened: bool = False


@dataclass(frozen=True)
class Person:
    """Where a carried person would lie.

    Attributes
    ----------
    poa : Grid
        Probability of area per cell; sums to 1 over the grid.
    inside_debris : float
        Share of it inside the debris outline.
    carried_p50_m : float
        Median horizontal distance from the last-seen point.
    fall_p90_m : float
        90th percentile of the greatest fall through the air.
    left_share : float
        Share of the bodies that left the elevation model; the rest is scaled to 1.
    """

    poa: Grid
    inside_debris: float
    carried_p50_m: float
    fall_p90_m: float
    left_share: float


def settle(run: Run, felt: Grid, poa: Grid, outline_probability: float | None) -> Debris:
    """Debris of an ensemble.

    Parameters
    ----------
    run : Run
    felt : Grid
    poa : Grid
        Probability of area; decides the outline where no level is asked for.
    outline_probability : float or None
        Debris at least this likely is inside the outline. None takes the highest of 20, 10, 5 and 2.5 % whose outline
        holds 90 % of the probability of area; where none does, 2.5 % and the smallest ground that does.

    Raises
    ------
    NothingFoundError
        If no ground is covered in that share of the events, or nearly all snow leaves the model.
    """
    body, row, col, weight = _shed(felt, run.debris)
    rows, cols = _box(felt, row, col, _spread_cells(felt, float(run.members.deposit_m3.max())))
    each = run.debris.count // run.members.count
    first = np.searchsorted(body, np.arange(run.members.count + 1) * each)
    stack = np.zeros((run.members.count, rows.stop - rows.start, cols.stop - cols.start), np.float32)
    for m, layer in enumerate(stack):
        part = slice(first[m], first[m + 1])
        np.add.at(layer, (row[part] - rows.start, col[part] - cols.start), weight[part] / each)
        volume = float(run.members.deposit_m3[m])
        layer[:] = _spread(layer, _spread_cells(felt, volume)) * (volume / felt.cell_area_m2)
    probability, mean, p90 = (np.zeros(felt.shape) for _ in range(3))
    probability[rows, cols] = (stack > DEBRIS_THICKNESS_M).mean(axis=0)
    mean[rows, cols] = stack.mean(axis=0)
    p90[rows, cols] = np.quantile(stack, 0.9, axis=0, method="linear")
    if _left(run.debris) > ALMOST_ALL:
        raise NothingFoundError(
            f"{_left(run.debris):.0%} of the snow leaves the elevation model before it stops: use a model that holds "
            "the run-out, or a smaller size class"
        )
    outline, level, widened = _outline(felt.with_values(probability), poa, outline_probability)
    return Debris(
        felt.with_values(probability),
        felt.with_values(mean),
        felt.with_values(p90),
        outline,
        level,
        float(outline.area),
        _left(run.debris),
        widened,
    )


def _outline(probability: Grid, poa: Grid, wanted: float | None) -> tuple[MultiPolygon, float, bool]:
    """The outline, its level, and whether it was widened to hold the person."""
    smooth = probability.with_values(ndimage.gaussian_filter(probability.values, 1.0, truncate=3.0))
    levels = OUTLINE_LEVELS if wanted is None else (wanted,)
    for level in levels:
        whole = outline_of_level(smooth, level)
        outline = outline_of_level(smooth, level, LEAST_PIECE_SHARE * whole.area)
        if share_inside(poa, outline) >= WANTED_INSIDE:
            break
    if outline.is_empty and wanted is not None:
        raise NothingFoundError(
            f"no ground carries debris in {level:.1%} of the events (the most is {probability.values.max():.0%}): "
            "lower search.outline_probability in the scenario"
        )
    widened = wanted is None and share_inside(poa, outline) < WANTED_INSIDE
    if widened:
        outline = only_areas(union_all([outline, likeliest_ground(poa, WANTED_INSIDE)]))
    return only_areas(outline.simplify(0.2 * probability.cell_m)), level, widened


def likeliest_ground(poa: Grid, share: float) -> MultiPolygon:
    """The smallest ground that holds a share of a probability of area."""
    falling = np.sort(poa.values.ravel())[::-1]
    level = float(falling[min(int(np.searchsorted(np.cumsum(falling), share)), falling.size - 1)])
    return outline_of_level(poa, level, poa.cell_area_m2) if level > 0 else MultiPolygon()


def probability_of_area(run: Run, felt: Grid) -> Grid:
    """Where a person carried from the last-seen disc comes to rest: probability per cell, sums to 1 over the grid."""
    tracks = run.person
    stay = _on_grid(felt, tracks)
    poa = np.zeros(felt.shape)
    if stay.any():
        row, col = felt.cell_of(tracks.x_m[stay], tracks.y_m[stay])
        sigma = _spread_cells(felt, float(np.median(run.members.deposit_m3)))
        rows, cols = _box(felt, row, col, sigma)
        counts = np.zeros((rows.stop - rows.start, cols.stop - cols.start))
        np.add.at(counts, (row - rows.start, col - cols.start), 1.0)
        poa[rows, cols] = _spread(counts, sigma)
        poa /= poa.sum()
    return felt.with_values(poa)


def where_person_lies(run: Run, poa: Grid, at_m: tuple[float, float], outline: MultiPolygon) -> Person:
    """What the probability of area means for a person carried from the last-seen point."""
    tracks = run.person
    away = np.hypot(tracks.x_m - at_m[0], tracks.y_m - at_m[1])
    return Person(
        poa,
        share_inside(poa, outline),
        float(np.median(away)),
        float(np.quantile(tracks.fall_m, 0.9)),
        _left(tracks),
    )


def share_inside(poa: Grid, outline: MultiPolygon) -> float:
    """Share of a probability of area inside an outline."""
    return float(min(1.0, poa.values.ravel()[cells_of_outline(outline, poa)].sum()))


def _shed(felt: Grid, tracks: Tracks) -> tuple[IntArray, IntArray, IntArray, FloatArray]:
    """Where bodies leave their snow: body, row, column, weight (a body that stays on the grid sums to 1).

    A body sheds evenly over the cells of its last stretch below the shedding speed.
    """
    slow = tracks.speeds_m_s < SHEDDING_SPEED_M_S
    slow[tracks.offsets[1:] - 1] = True
    body = tracks.body_of_visit
    fast = np.flatnonzero(~slow)
    last_fast = np.full(tracks.count, -1)
    np.maximum.at(last_fast, body[fast], fast)
    tail = np.arange(body.size) > last_fast[body]
    tail &= _on_grid(felt, tracks)[body]
    share = 1.0 / np.maximum(np.bincount(body[tail], minlength=tracks.count), 1)
    cells = tracks.cells[tail]
    return body[tail], cells // felt.shape[1], cells % felt.shape[1], share[body[tail]]


def _spread_cells(felt: Grid, volume_m3: float) -> float:
    return float(max(SMALLEST_SPREAD_CELLS, PILE_WIDTH * volume_m3 ** (1.0 / 3.0) / felt.cell_m))


def _spread(counts: NDArray[Any], sigma_cells: float) -> FloatArray:
    """Counts spread over a pile's width; their sum is kept."""
    spread: FloatArray = ndimage.gaussian_filter(counts.astype(float), sigma_cells, mode="constant", truncate=4.0)
    kept: FloatArray = spread * (counts.sum() / max(float(spread.sum()), 1e-12))
    return kept


def _on_grid(felt: Grid, tracks: Tracks) -> BoolArray:
    return np.asarray(((tracks.reason == 0) | (tracks.reason == 3)) & felt.contains(tracks.x_m, tracks.y_m))


def _left(tracks: Tracks) -> float:
    return float(np.mean((tracks.reason == 1) | (tracks.reason == 2)))


def _box(felt: Grid, row: IntArray, col: IntArray, sigma_cells: float) -> tuple[slice, slice]:
    """Rows and columns that hold all given cells and the snow spread around them."""
    if row.size == 0:
        return slice(0, 1), slice(0, 1)
    rim = int(np.ceil(4.0 * sigma_cells)) + 2
    ny, nx = felt.shape
    return (
        slice(max(0, int(row.min()) - rim), min(ny, int(row.max()) + rim + 1)),
        slice(max(0, int(col.min()) - rim), min(nx, int(col.max()) + rim + 1)),
    )
