"""Cliffs: walls with a drop, measured along the fall line."""

from __future__ import annotations

import numpy as np

from lastseen.grid import BoolArray, FloatArray
from lastseen.traps import kernels
from lastseen.traps.ground import Ground, uphill
from lastseen.traps.shapes import Patch, grouped, outline_of
from lastseen.traps.trap import Trap, measured_trap

LEAST_DROP_M = 4.0  # a fall that injures even onto snow; design choice
FINE_CELL_M, COARSE_CELL_M = 2.0, 10.0  # between these the limits below are interpolated
WALL_DEG = (55.0, 50.0)  # ground this steep is a wall: snow does not lie on it; design choice
SHEER_DEG = (60.0, 55.0)  # a wall this steep on the mean is one whatever the ground beside it; design choice
STAND_OUT_DEG = 8.0  # else it is this much steeper on the mean than the ground above and below it; design choice
SMEARED_DEG = 44.0  # a 20 m wall across two cells of 10 m measures 45 degrees on level ground; geometry
SMEARED_CELLS = 4  # such ground is a smeared wall only where it is this short along the fall line, ...
SMEARED_STAND_OUT_DEG = 20.0  # ... and this much steeper than the ground beside it; design choices
KEEP_DEG = 3.0  # the wall ends where the ground is this much gentler than its limit; design choice
LEAST_ACROSS_M = 6.0  # narrower ones, and ones of two cells, are single rocks; design choice
GAP_M = 10.0  # walls nearer to each other than this are one band; design choice
LONGEST_M = 400.0  # the wall is followed this far up and down; design choice


def find_cliffs(ground: Ground, where: BoolArray) -> list[tuple[Trap, Patch]]:
    """Cliffs that touch ``where`` (window shape)."""
    cell = ground.cell_m
    steep_deg = steepest_step_deg(ground.raw.values, cell)
    drop, run = _walls(ground, steep_deg)
    mask = np.isfinite(drop)
    return [
        _cliff(ground, patch, length_m, drop, run, steep_deg)
        for patch, length_m in grouped(mask, where, cell, GAP_M)
        if length_m >= max(LEAST_ACROSS_M, 2.9 * cell)
    ]


def steepest_step_deg(z: FloatArray, cell_m: float) -> FloatArray:
    """Steepest slope between each cell and any of its eight neighbours, up or down, degrees; NaN at no data."""
    steepest = np.where(np.isfinite(z), 0.0, np.nan)
    ny, nx = z.shape
    for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
        here = (slice(0, ny - dr), slice(max(0, -dc), nx - max(0, dc)))
        there = (slice(dr, ny), slice(max(0, dc), nx + min(0, dc)))
        gradient = np.abs(z[there] - z[here]) / (cell_m * np.hypot(dr, dc))
        for side in (here, there):
            steepest[side] = np.fmax(steepest[side], gradient)  # a neighbour without data says nothing
    return np.degrees(np.arctan(steepest))


def _walls(ground: Ground, steep_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Drop and run on the map of the wall through each cell that belongs to a cliff, metres; NaN elsewhere."""
    cell = ground.cell_m
    wall_deg, sheer_deg = (
        float(np.interp(cell, (FINE_CELL_M, COARSE_CELL_M), limits)) for limits in (WALL_DEG, SHEER_DEG)
    )
    drop, run = np.full(steep_deg.shape, np.nan), np.full(steep_deg.shape, np.nan)
    for limit_deg in (wall_deg,) if cell <= FINE_CELL_M else (SMEARED_DEG, wall_deg):
        cells = steep_deg >= limit_deg
        drop_m, run_m, beside_deg = _along(ground, cells, limit_deg - KEEP_DEG)
        with np.errstate(divide="ignore", invalid="ignore"):
            mean_deg = np.degrees(np.arctan(drop_m / run_m))
        if limit_deg == wall_deg:
            stands = (mean_deg >= sheer_deg) | (mean_deg - beside_deg >= STAND_OUT_DEG)
        else:
            stands = (mean_deg - beside_deg >= SMEARED_STAND_OUT_DEG) & (run_m <= SMEARED_CELLS * cell)
        # A wall fills whole cells; most of what the slope beside it falls on one or two of them is not its own.
        drop_m = drop_m - 0.75 * np.tan(np.radians(beside_deg)) * np.minimum(run_m, 2.0 * cell)
        cells[cells] = stands & (drop_m >= LEAST_DROP_M) & (drop_m > 0.95 * cell)
        drop[cells], run[cells] = drop_m[cells[steep_deg >= limit_deg]], run_m[cells[steep_deg >= limit_deg]]
    return drop, run


def _along(ground: Ground, cells: BoolArray, keep_deg: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Drop (m), run on the map (m) and steeper slope beside the wall (degrees) through each of the cells."""
    row, col = (a.astype(np.int32) for a in np.nonzero(cells))
    up_row, up_col = uphill(ground.light, 0.0, 1e-3)
    out, cell = np.full((row.size, 3), np.nan), ground.cell_m
    keep = float(np.tan(np.radians(keep_deg)))
    kernels.walls(ground.raw.values, up_row, up_col, row, col, cell, 0.5 * cell, keep, LONGEST_M, out)
    return out[:, 0], out[:, 1], np.degrees(np.arctan(np.nan_to_num(out[:, 2])))


def _cliff(
    ground: Ground, patch: Patch, length_m: float, drop: FloatArray, run: FloatArray, steep: FloatArray
) -> tuple[Trap, Patch]:
    """Measure one cliff."""
    drop_m, run_m = float(np.percentile(patch.of(drop), 90.0)), float(np.median(patch.of(run)))
    steepest = float(patch.of(steep).max())
    reason = f"Cliff with a drop of {drop_m:.0f} m, {length_m:.0f} m across, up to {steepest:.0f} degrees steep."
    if ground.cell_m > FINE_CELL_M:
        reason += f" Cells of {ground.cell_m:g} m smear a wall: it is steeper than measured."
    trap = measured_trap(
        "cliff",
        outline_of(patch, ground.raw),
        ground.flat_cells(patch),
        reason,
        drop_m=drop_m,
        width_m=run_m,
        length_m=length_m,
    )
    return trap, patch
