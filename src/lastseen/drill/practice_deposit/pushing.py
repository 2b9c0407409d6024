"""How a machine pushes the snow together: stakes, cut and fill, and what goes where with the least pushing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, sparse
from scipy.optimize import linprog
from shapely import MultiPolygon

from lastseen.drill.practice_deposit.laying import SiteFrame, SnowShape
from lastseen.errors import InputError, NothingFoundError
from lastseen.grid import BoolArray, FloatArray, Grid, IntArray
from lastseen.outlines import cells_of_outline, only_areas, smooth_outline
from lastseen.release import DEPOSIT_DENSITY_KG_M3, SLAB_DENSITY_KG_M3

STAKES_M = (10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0)  # between stakes, the closest that keeps to the number below
MOST_STAKES = 80  # more cannot be read on the sheet; design choice
SNOW_M, LEFT_M = 0.8, 0.3  # snow that lies on the site, and what the machine leaves; common practice, no source
# Pushed snow is as dense as a deposit, and its mass is kept: 1 m3 that lies gives this much (densities from memory).
PACKING = SLAB_DENSITY_KG_M3 / DEPOSIT_DENSITY_KG_M3
KEEP_M = 2.0  # snow at the foot of the deposit stays; design choice
UPHILL = 2.0  # a metre up the slope counts as so many more: machines push down or across; common practice, no source
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
LEAST_HAUL_M3, LEAST_M3 = 0.5, 0.01


@dataclass(frozen=True)
class Stake:
    """A stake in the middle of its square.

    Attributes
    ----------
    name : str
        Letter of the row from the top, number from the left as seen from below.
    at_m : (x, y)
    fill_m3, cut_m3 : float
        Snow to be laid on its square, and snow to be taken from it as it lies.
    fill_m : float
        Thickness to be laid at the stake itself.
    cut_m : float
        Depth to be taken at the stake itself.
    """

    name: str
    at_m: tuple[float, float]
    fill_m3: float
    cut_m3: float
    fill_m: float
    cut_m: float


@dataclass(frozen=True)
class Haul:
    """Snow that is pushed from one square to another; its volume as it lies there in the end."""

    from_stake: str
    to_stake: str
    volume_m3: float
    distance_m: float


@dataclass(frozen=True, eq=False)
class PushPlan:
    """Cut and fill of a deposit.

    Attributes
    ----------
    stakes : tuple of Stake
        Row by row from the top; only squares where something is cut or filled.
    hauls : tuple of Haul
        With the least pushing (volume times distance), the largest first.
    fill_m3, cut_m3 : float
        Cut as it lies; times the packing it is the fill.
    packing : float
        Volume that 1 m3 of snow as it lies has when it is pushed.
    cut_m : float
        Depth that is taken, the same everywhere.
    borrow : MultiPolygon
        Where snow is taken from.
    borrow_m2 : float
    mean_push_m : float
        Mean distance that the snow is pushed.
    stake_m : float
    """

    stakes: tuple[Stake, ...]
    hauls: tuple[Haul, ...]
    fill_m3: float
    cut_m3: float
    packing: float
    cut_m: float
    borrow: MultiPolygon
    borrow_m2: float
    mean_push_m: float
    stake_m: float


def plan_pushing(
    frame: SiteFrame,
    shape: SnowShape,
    allowed: BoolArray | None = None,
    *,
    snow_m: float = SNOW_M,
    left_m: float = LEFT_M,
    packing: float = PACKING,
    stake_m: float | None = None,
) -> PushPlan:
    """Stakes, cut and fill, balanced: what is cut, times the packing, is what is filled.

    Snow is taken from the ground nearest round the deposit, to one depth, above it and beside it before below it. Which
    square gives to which is the transport with the least sum of volume times distance (Hitchcock 1941), by linear
    programming; a push up the slope counts three times.

    Parameters
    ----------
    frame : SiteFrame
    shape : SnowShape
    allowed : ndarray of bool, optional
        Cells of the shape's lattice from which snow may be taken; all where not given.
    snow_m, left_m : float
        Depth of the snow that lies there, and what is left; vertical.
    packing : float
        Volume of 1 m3 of that snow when it is pushed.
    stake_m : float, optional
        Distance between stakes; where not given the least of 10, 15, 20, 25, 30, 40 and 50 m that needs at most 80.

    Raises
    ------
    InputError
        Numbers that cannot be meant.
    NothingFoundError
        If there is not enough snow round the deposit.
    """
    choices = STAKES_M if stake_m is None else (stake_m,)
    if not (snow_m > left_m >= 0.0 and 0.1 <= packing <= 2.0 and 2.0 <= choices[0] <= 50.0):
        raise InputError(
            f"snow of {snow_m:g} m of which {left_m:g} m stay, packing {packing:g}, stakes every {choices[0]:g} m: "
            "give more snow than stays, a packing of 0.1 to 2 and stakes every 2 to 50 m"
        )
    fill = shape.thickness_m.values * shape.thickness_m.cell_area_m2
    borrowed = _borrowed(frame, shape, allowed, float(fill.sum()) / packing, snow_m - left_m)
    cut = np.where(borrowed, float(fill.sum()) / packing / max(int(borrowed.sum()), 1), 0.0)
    stakes, apart = _few_stakes(frame, shape.thickness_m, fill, cut, choices)
    hauls, pushed = _hauls(frame, stakes, packing)
    grid = shape.thickness_m
    return PushPlan(
        tuple(stakes),
        hauls,
        float(fill.sum()),
        float(cut.sum()),
        packing,
        float(cut.max()) / grid.cell_area_m2,
        only_areas(smooth_outline(borrowed, grid.west_m, grid.north_m, grid.cell_m)),
        float(borrowed.sum()) * grid.cell_area_m2,
        pushed,
        apart,
    )


def _borrowed(
    frame: SiteFrame, shape: SnowShape, allowed: BoolArray | None, wanted_m3: float, depth_m: float
) -> BoolArray:
    """The cells nearest round the deposit that hold enough snow; those below it count as farther away."""
    grid = shape.thickness_m
    inside = np.zeros(grid.values.size, bool)
    inside[cells_of_outline(shape.outline, grid)] = True
    covered = inside.reshape(grid.shape) | (grid.values > 0.0)
    away, (i, j) = ndimage.distance_transform_edt(~covered, sampling=grid.cell_m, return_indices=True)
    free = away >= KEEP_M
    rows, cols = np.indices(grid.shape)
    _, down = frame.to_site(*grid.centre_of(rows, cols))
    away = away + UPHILL * np.maximum(down - down[i, j], 0.0)
    if allowed is not None:
        free &= allowed
    order = np.argsort(np.where(free, away, np.inf), axis=None, kind="stable")
    cells = math.ceil(wanted_m3 / (depth_m * grid.cell_area_m2))
    if cells > int(free.sum()):
        raise NothingFoundError(
            f"{wanted_m3:.0f} m3 of snow are wanted as it lies, and round the deposit there are "
            f"{float(free.sum()) * depth_m * grid.cell_area_m2:.0f} m3 down to what stays: choose a smaller --size "
            "or a smaller plan, or give the depth of the snow with --snow-depth"
        )
    borrowed = np.zeros(grid.values.size, bool)
    borrowed[order[:cells]] = True
    return borrowed.reshape(grid.shape)


def _few_stakes(
    frame: SiteFrame, grid: Grid, fill: FloatArray, cut: FloatArray, choices: Sequence[float]
) -> tuple[list[Stake], float]:
    """Stakes where something is done, at the first distance that needs no more than a few, else at the last."""
    stakes: list[Stake] = []
    for apart in choices:
        stakes = [one for one in _stakes(frame, grid, fill, cut, apart) if one.fill_m3 + one.cut_m3 > LEAST_M3]
        if len(stakes) <= MOST_STAKES:
            return stakes, apart
    return stakes, choices[-1]


def _stakes(frame: SiteFrame, grid: Grid, fill: FloatArray, cut: FloatArray, stake_m: float) -> list[Stake]:
    """Squares of the site's own directions, and what is cut and filled in each."""
    rows, cols = np.indices(grid.shape)
    across, down = frame.to_site(*grid.centre_of(rows, cols))
    busy = (fill > 0.0) | (cut > 0.0)
    i, j = np.floor(down / stake_m).astype(int), np.floor(across / stake_m).astype(int)
    i0, j0 = int(i[busy].min()), int(j[busy].min())
    i, j = i - i0, j - j0
    ni, nj = int(i[busy].max()) + 1, int(j[busy].max()) + 1
    square = (i * nj + j)[busy]
    fills = np.bincount(square, fill[busy], ni * nj)
    cuts = np.bincount(square, cut[busy], ni * nj)
    stakes = []
    for k in range(ni * nj):
        row, col = divmod(k, nj)
        a, d = np.array((col + j0 + 0.5) * stake_m), np.array((row + i0 + 0.5) * stake_m)
        x, y = (float(one) for one in frame.to_map(a, d))
        depths = (_at(grid, fill, x, y), _at(grid, cut, x, y))
        stakes.append(Stake(_name(row, col), (x, y), float(fills[k]), float(cuts[k]), *depths))
    return stakes


def _at(grid: Grid, volume_m3: FloatArray, x: float, y: float) -> float:
    """Depth at a place; the middle of a square on the rim can lie off the lattice, where nothing is done."""
    if not bool(grid.contains(x, y)):
        return 0.0
    r, c = (int(one) for one in grid.cell_of(x, y))
    return float(volume_m3[r, c]) / grid.cell_area_m2


def _name(row: int, col: int) -> str:
    letters = LETTERS[row] if row < len(LETTERS) else LETTERS[row // len(LETTERS) - 1] + LETTERS[row % len(LETTERS)]
    return f"{letters}{col + 1:02d}"


def _hauls(frame: SiteFrame, stakes: list[Stake], packing: float) -> tuple[tuple[Haul, ...], float]:
    """The transport with the least pushing, and the mean distance of it."""
    givers = [one for one in stakes if one.cut_m3 > 0.0]
    takers = [one for one in stakes if one.fill_m3 > 0.0]
    supply = np.array([one.cut_m3 * packing for one in givers])
    demand = np.array([one.fill_m3 for one in takers])
    supply *= demand.sum() / supply.sum()  # equal but for rounding
    at = np.array([one.at_m for one in givers])[:, None, :] - np.array([one.at_m for one in takers])[None, :, :]
    distance = np.hypot(at[..., 0], at[..., 1])
    _, up_from = frame.to_site(*np.array([one.at_m for one in givers]).T)
    _, up_to = frame.to_site(*np.array([one.at_m for one in takers]).T)
    cost = distance + UPHILL * np.maximum(up_from[:, None] - up_to[None, :], 0.0)
    n, m = distance.shape
    equal = sparse.vstack(
        [sparse.kron(sparse.eye(n), np.ones((1, m))), sparse.kron(np.ones((1, n)), sparse.eye(m))], format="csr"
    )
    found = linprog(cost.ravel(), A_eq=equal, b_eq=np.concatenate([supply, demand]), method="highs-ds")
    if found.x is None:
        raise NothingFoundError("no transport of the snow was found: choose stakes farther apart")
    volumes = found.x.reshape(n, m)
    hauls = [
        Haul(givers[i].name, takers[j].name, float(volumes[i, j]), float(distance[i, j]))
        for i, j in zip(*_nonzero(volumes), strict=True)
    ]
    hauls.sort(key=lambda one: (-round(one.volume_m3, 3), one.from_stake, one.to_stake))
    return tuple(hauls), float((volumes * distance).sum() / volumes.sum())


def _nonzero(volumes: FloatArray) -> tuple[IntArray, IntArray]:
    rows, cols = np.nonzero(volumes >= LEAST_HAUL_M3)
    return rows.astype(np.int32), cols.astype(np.int32)
