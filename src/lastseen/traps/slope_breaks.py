"""Breaks of slope along the fall line: abrupt flattenings, benches, banks, and cliffs."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from lastseen.core import BoolArray, FloatArray, run_over_rows
from lastseen.traps import find_kernels
from lastseen.traps.ground import VISIBLE_CELL_M, Ground, find_uphill, read_fall_line, trap_of_patch
from lastseen.traps.pile_up import OPEN_DEBRIS_M, STRIP_M, describe_pile_up
from lastseen.traps.shapes import EIGHT, Patch, group_patches
from lastseen.traps.trap import Trap

# ---- Abrupt flattenings, benches and banks: breaks of slope along the fall line

Found = list[tuple[Trap, Patch]]

REACH_M = 20.0  # slope above and below is the mean over this distance: abrupt for a flow 1 m thick; design choice
STEEP_DEG = 25.0  # above this dense snow keeps moving (friction 0.22 to 0.40 is 12 to 22 degrees, and some margin)
FLAT_DEG = 20.0  # below this it slows down (rescue texts: deposits start below 10 to 20 degrees)
LEAST_CHANGE_DEG = 15.0  # over 40 m along the fall line; a slope that eases slowly changes less; design choice
LEAST_ACROSS_M = 15.0  # shorter breaks are steps of single rocks; design choice
GAP_M = 10.0  # breaks nearer to each other than this are one; design choice
LEAST_CELLS_ACROSS = 4.0  # on coarse cells: a break of three cells is roughness; design choice
SHORT_M, SHORT_CHANGE_DEG = (
    30.0,
    20.0,
)  # a shorter break than this must be sharper to stand out from roughness; design choice
BENCH_FLAT_DEG = 15.0  # a bench is gentler than a slope on which debris still creeps on; design choice
BENCH_DEPTH_M = (8.0, 50.0)  # along the fall line: narrower is a path, wider is open flat ground; design choice
BENCH_BEYOND_M = 15.0  # steepness above and below a bench is the mean over this distance; design choice
BENCH_ACROSS_M = 20.0  # shorter ones, and ones deeper than across, are knolls and spurs; design choice
INNER = 0.75  # share of a bench's depth on which its cells differ from the slopes above and below; measured on tests
BANK_REACH_M = 15.0  # the counter-slope rises within this distance downhill; design choice
FILL_REACH_M = 60.0  # debris behind a bank is filled back up the slope no farther than this; design choice
BANK_RISE_M = 1.0  # as high as a flow of size 2 is thick; design choice
BANK_RISE_COARSE_M = 2.5  # on coarse cells smaller rises are not resolved; design choice


def find_breaks(ground: Ground, where: BoolArray) -> tuple[Found, Found, Found]:
    """Banks, benches and abrupt flattenings that touch ``where`` (window shape)."""
    above, below, counter = read_fall_line(ground, choose_reach_m(ground.cell_m), BANK_REACH_M)
    with np.errstate(invalid="ignore"):
        breaks = (above >= STEEP_DEG) & (below <= FLAT_DEG) & (above - below >= LEAST_CHANGE_DEG)
        least_rise = BANK_RISE_COARSE_M if ground.coarse else BANK_RISE_M
        banks = breaks & (counter >= least_rise) & (ground.cell_m <= VISIBLE_CELL_M)
    across = max(LEAST_ACROSS_M, LEAST_CELLS_ACROSS * ground.cell_m)
    short = max(SHORT_M, 1.5 * LEAST_CELLS_ACROSS * ground.cell_m)
    flattenings = [
        _flattening(ground, patch, length_m, above, below)
        for patch, length_m in find_bands(breaks, where, ground.cell_m, across)
    ]
    return (
        [
            _bank(ground, patch, length_m, above, counter)
            for patch, length_m in find_bands(banks, where, ground.cell_m, across)
        ],
        _benches(ground, where),
        [f for f in flattenings if f[0].length_m >= short or _change(f[0]) >= SHORT_CHANGE_DEG],
    )


def choose_reach_m(cell_m: float) -> float:
    """Distance up and down the fall line over which slopes are means, metres: at least two cells."""
    return max(REACH_M, 2.0 * cell_m)


def _change(trap: Trap) -> float:
    """Change of slope in degrees."""
    return trap.slope_above_deg - trap.slope_below_deg


def find_bands(
    mask: BoolArray, where: BoolArray, cell_m: float, least_m: float, gap_m: float = GAP_M
) -> list[tuple[Patch, float]]:
    """Bands that touch ``where`` and are at least ``least_m`` long, each with its length (m)."""
    return [(patch, length_m) for patch, length_m in group_patches(mask, where, cell_m, gap_m) if length_m >= least_m]


def measure_run(patch: Patch, length_m: float, cell_m: float) -> float:
    """Mean extent of a band across its length, metres, at least one cell."""
    return max(cell_m, patch.count * cell_m * cell_m / length_m)


def _flattening(
    ground: Ground, patch: Patch, length_m: float, above: FloatArray, below: FloatArray
) -> tuple[Trap, Patch]:
    """Measure an abrupt flattening on the sharpest half of its cells."""
    steepness, flatness = patch.of(above), patch.of(below)
    change = steepness - flatness
    sharpest = change >= np.median(change)
    steep, flat = float(np.median(steepness[sharpest])), float(np.median(flatness[sharpest]))
    reason = (
        f"Slope of {steep:.0f} degrees eases to {max(0.0, flat):.0f} degrees within "
        f"{choose_reach_m(ground.cell_m):.0f} m, over {length_m:.0f} m across."
    )
    trap = trap_of_patch(
        ground,
        patch,
        "abrupt flattening",
        reason,
        width_m=measure_run(patch, length_m, ground.cell_m),
        length_m=length_m,
        slope_above_deg=steep,
        slope_below_deg=flat,
    )
    return trap, patch


def _bank(ground: Ground, patch: Patch, length_m: float, above: FloatArray, counter: FloatArray) -> tuple[Trap, Patch]:
    """Measure a bank: the rise that a flow meets at the foot of the slope."""
    steep = float(np.median(patch.of(above)))
    rise = float(np.percentile(patch.of(counter), 90.0))
    rows, cols = patch.cells
    behind = np.full(rows.size, np.nan)
    find_kernels.behind_banks(
        ground.raw.values, ground.up_row, ground.up_col, rows, cols, ground.cell_m, BANK_REACH_M, FILL_REACH_M,
        OPEN_DEBRIS_M * STRIP_M, behind,
    )  # fmt: skip
    piled = float(np.median(behind))
    text = f"Slope of {steep:.0f} degrees runs against a bank that rises {rise:.1f} m, over {length_m:.0f} m across"
    reason = f"{text}{describe_pile_up(piled, rise)}."
    trap = trap_of_patch(
        ground,
        patch,
        "bank",
        reason,
        drop_m=rise,
        width_m=measure_run(patch, length_m, ground.cell_m),
        length_m=length_m,
        slope_above_deg=steep,
        pile_up_m=piled,
    )
    return trap, patch


def _benches(ground: Ground, where: BoolArray) -> Found:
    """Flats between steep ground above and steep ground below."""
    out = np.full((*ground.raw.shape, 3), np.nan)
    ds_m = max(2.5, 0.5 * ground.cell_m)
    flat, steep = np.tan(np.radians((BENCH_FLAT_DEG, STEEP_DEG)))
    run_over_rows(
        lambda first, last: find_kernels.benches(
            ground.light.values, ground.up_row, ground.up_col, ground.cell_m, ds_m,
            BENCH_DEPTH_M[1], BENCH_BEYOND_M, flat, steep, first, last, out,
        ),
        ground.raw.shape[0],
    )  # fmt: skip
    mask = np.nan_to_num(out[:, :, 0]) >= max(BENCH_DEPTH_M[0], 1.5 * ground.cell_m)
    if ground.cell_m <= 0.5 * BENCH_DEPTH_M[0]:  # a cell or two of rough ground do not cut a bench in two
        mask = np.asarray(ndimage.binary_closing(mask, EIGHT))
    across = max(BENCH_ACROSS_M, LEAST_CELLS_ACROSS * ground.cell_m)
    found = [
        _bench(ground, patch, length_m, out) for patch, length_m in find_bands(mask, where, ground.cell_m, across, 0.0)
    ]
    return [f for f in found if f[0].length_m >= max(across, f[0].width_m)]


def _bench(ground: Ground, patch: Patch, length_m: float, out: FloatArray) -> tuple[Trap, Patch]:
    """Measure one bench; how far it reaches across the fall line is limited by its area, as it can be long along it."""
    depth, above, below = (float(v) for v in np.nanmedian(patch.of(out), axis=0))
    length_m = min(length_m, patch.count * ground.raw.cell_area_m2 / (INNER * depth))
    steep_above, steep_below = np.degrees(np.arctan((above, below)))
    reason = (
        f"Bench {depth:.0f} m deep along the fall line and {length_m:.0f} m across, "
        f"between slopes of {steep_above:.0f} degrees above and {steep_below:.0f} degrees below."
    )
    trap = trap_of_patch(
        ground,
        patch,
        "bench",
        reason,
        width_m=depth,
        length_m=length_m,
        slope_above_deg=float(steep_above),
        slope_below_deg=float(steep_below),
    )
    return trap, patch


# ---- Cliffs: walls with a drop, measured along the fall line

LEAST_DROP_M = 4.0  # a fall that injures even onto snow; design choice
FINE_CELL_M, COARSE_CELL_M = 2.0, 10.0  # between these the limits below are interpolated
WALL_DEG = (55.0, 50.0)  # ground this steep is a wall: snow does not lie on it; design choice
SHEER_DEG = (60.0, 55.0)  # a wall this steep on the mean is one whatever the ground beside it; design choice
STAND_OUT_DEG = 8.0  # else it is this much steeper on the mean than the ground above and below it; design choice
SMEARED_DEG = 44.0  # a 20 m wall across two cells of 10 m measures 45 degrees on level ground; geometry
SMEARED_CELLS = 4  # such ground is a smeared wall only where it is this short along the fall line, ...
SMEARED_STAND_OUT_DEG = 20.0  # ... and this much steeper than the ground beside it; design choices
KEEP_DEG = 3.0  # the wall ends where the ground is this much gentler than its limit; design choice
LEAST_CLIFF_ACROSS_M = 6.0  # narrower ones, and ones of two cells, are single rocks; design choice
LONGEST_M = 400.0  # the wall is followed this far up and down; design choice


def find_cliffs(ground: Ground, where: BoolArray) -> list[tuple[Trap, Patch]]:
    """Cliffs that touch ``where`` (window shape)."""
    cell = ground.cell_m
    steep_deg = steepest_step_deg(ground.raw.values, cell)
    drop, run = _walls(ground, steep_deg)
    mask = np.isfinite(drop)
    return [
        _cliff(ground, patch, length_m, drop=drop, run=run, steep=steep_deg)
        for patch, length_m in group_patches(mask, where, cell, GAP_M)
        if length_m >= max(LEAST_CLIFF_ACROSS_M, 2.9 * cell)
    ]


def steepest_step_deg(z: FloatArray, cell_m: float) -> FloatArray:
    """Steepest slope between each cell and any of its eight neighbours, up or down, degrees; NaN at no data."""
    steepest = np.where(np.isfinite(z), 0.0, np.nan)
    ny, nx = z.shape
    for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
        near = (slice(0, ny - dr), slice(max(0, -dc), nx - max(0, dc)))
        far = (slice(dr, ny), slice(max(0, dc), nx + min(0, dc)))
        gradient = np.abs(z[far] - z[near]) / (cell_m * np.hypot(dr, dc))
        for side in (near, far):
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
    up_row, up_col = find_uphill(ground.light, 0.0, 1e-3)
    out, cell = np.full((row.size, 3), np.nan), ground.cell_m
    keep = float(np.tan(np.radians(keep_deg)))
    find_kernels.walls(ground.raw.values, up_row, up_col, row, col, cell, 0.5 * cell, keep, LONGEST_M, out)
    return out[:, 0], out[:, 1], np.degrees(np.arctan(np.nan_to_num(out[:, 2])))


def _cliff(
    ground: Ground, patch: Patch, length_m: float, *, drop: FloatArray, run: FloatArray, steep: FloatArray
) -> tuple[Trap, Patch]:
    """Measure one cliff."""
    drop_m, run_m = float(np.percentile(patch.of(drop), 90.0)), float(np.median(patch.of(run)))
    steepest = float(patch.of(steep).max())
    reason = f"Cliff with a drop of {drop_m:.0f} m, {length_m:.0f} m across, up to {steepest:.0f} degrees steep."
    if ground.cell_m > FINE_CELL_M:
        reason += f" Cells of {ground.cell_m:g} m smear a wall: it is steeper than measured."
    trap = trap_of_patch(ground, patch, "cliff", reason, drop_m=drop_m, width_m=run_m, length_m=length_m)
    return trap, patch
