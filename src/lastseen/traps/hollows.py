"""Closed hollows: ground from which nothing flows out."""

from __future__ import annotations

import numpy as np

from lastseen.grid import BoolArray, FloatArray
from lastseen.terrain import smoothed
from lastseen.terrain.drainage import fill
from lastseen.traps.ground import LIGHT_SMOOTHING_M, Ground
from lastseen.traps.pile_up import pile_up_clause, piled_in_channel_m
from lastseen.traps.shapes import Patch, connected, outline_of, patches, spines
from lastseen.traps.trap import Trap, measured_trap

LEAST_DEPTH_M = 0.5  # enough to bury a lying person under the debris that fills it; design choice
LEAST_DEPTH_COARSE_M = 1.0  # on coarse cells shallower hollows are often made by resampling; design choice
LEAST_AREA_M2, LEAST_CELLS = 50.0, 9  # smaller hollows are gaps between rocks, or roughness; design choice
SMOOTHING_CELLS = 0.8  # roughness of single cells makes no hollow; design choice
LEAST_DEPTH_TO_WIDTH = 0.03  # 1 m deep and more than 33 m across is a flat, not a hollow; design choice
RIM_M = 0.1  # the outline is where the hollow is deeper than this; takes out noise at the rim; design choice


def find_hollows(ground: Ground, where: BoolArray) -> list[tuple[Trap, Patch]]:
    """Closed hollows that touch ``where`` (window shape); the filling is done over the whole model."""
    filled = fill(smoothed(ground.whole, max(LIGHT_SMOOTHING_M, SMOOTHING_CELLS * ground.cell_m)))
    ny, nx = ground.raw.shape
    window = slice(ground.first_row, ground.first_row + ny), slice(ground.first_col, ground.first_col + nx)
    depth, level = filled.depth_m.values[window], filled.surface.values[window]
    # Smoothing has widened a hollow: its cells are those that also lie below the level of spill as given.
    labels, _ = connected((np.nan_to_num(depth) > RIM_M) & (ground.raw.values < level - RIM_M))
    least = LEAST_DEPTH_COARSE_M if ground.coarse else LEAST_DEPTH_M
    keep = {}
    for label, patch in patches(labels).items():
        deepest, area = float(patch.of(depth).max()), patch.count * ground.raw.cell_area_m2
        across = 2.0 * float(np.sqrt(area / np.pi))
        deep_enough = deepest >= least and deepest / across >= LEAST_DEPTH_TO_WIDTH
        if deep_enough and area >= LEAST_AREA_M2 and patch.count >= LEAST_CELLS and patch.of(where).any():
            keep[label] = patch
    labels[~np.isin(labels, list(keep))] = 0
    return [_hollow(ground, keep[spine.label], depth, level, spine.length_m) for spine in spines(labels, ground.cell_m)]


def _hollow(ground: Ground, patch: Patch, depth: FloatArray, level: FloatArray, length_m: float) -> tuple[Trap, Patch]:
    """Measure one hollow; its depth is read from the ground as given, below the level at which it would spill."""
    area = patch.count * ground.raw.cell_area_m2
    length = max(length_m, 2.0 * float(np.sqrt(area / np.pi)))
    width = 4.0 * area / (np.pi * length)
    depth_m = float(np.median(patch.of(level))) - float(patch.of(ground.raw.values)[int(np.argmax(patch.of(depth)))])
    section_m2 = float(patch.of(depth).sum()) * ground.raw.cell_area_m2 / length
    piled = piled_in_channel_m(depth_m, width, section_m2)
    told = f"Closed hollow {depth_m:.1f} m deep, {length:.0f} m by {width:.0f} m, from which nothing flows out"
    reason = f"{told}{pile_up_clause(piled, depth_m)}."
    trap = measured_trap(
        "closed hollow",
        outline_of(patch, ground.raw),
        ground.flat_cells(patch),
        reason,
        depth_m=depth_m,
        width_m=width,
        length_m=length,
        pile_up_m=piled,
    )
    return trap, patch
