"""The ground around the cells of interest, prepared once for all kinds of trap; and how far snow could come."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import ndimage

from lastseen.core import BoolArray, FloatArray, Grid, IntArray, run_over_rows
from lastseen.terrain import Terrain, smooth_heights
from lastseen.traps import find_kernels
from lastseen.traps.shapes import Patch, outline_patch
from lastseen.traps.trap import Kind, Trap, build_trap

# ---- The ground around the cells of interest, prepared once for all kinds of trap

MARGIN_M = (
    150.0  # a trap that touches the reachable ground is measured whole at least this far around it; design choice
)
LIGHT_SMOOTHING_M = 1.0  # takes out single-cell noise of 1 and 2 m models and leaves a 2 m bank standing; design choice
BROAD_SMOOTHING_M = 15.0  # fall line of the slope, not of a bench or gully on it; design choice
LEAST_BROAD_GRADIENT = 0.02  # below about 1 degree the fall line of the slope is noise; design choice
VISIBLE_CELL_M = 10.0  # above this gullies and banks are invisible and not sought; design choice
COARSE_CELL_M = 8.0  # from here on a gully or a bank is only a few cells wide, and thresholds rise; design choice


@dataclass(frozen=True, kw_only=True)
class Ground:
    """A window of the elevation model around the reachable cells. All arrays have the window's shape."""

    # raw, light: heights as given and lightly smoothed (standard deviation 1 m), metres
    raw: Grid
    light: Grid
    # up_row, up_col: unit vector up the fall line of the broad slope, in rows and columns. NaN where the broad ground
    # is level.
    up_row: FloatArray
    up_col: FloatArray
    # first_row, first_col: place of the window in the whole model
    first_row: int
    first_col: int
    whole: Grid  # the whole model, metres

    @property
    def cell_m(self) -> float:
        """Side of a cell, metres."""
        return self.raw.cell_m

    @property
    def coarse(self) -> bool:
        """Whether a gully or bank is only a few cells wide."""
        return self.cell_m >= COARSE_CELL_M

    def flat_cells(self, patch: Patch) -> IntArray:
        """Flat indices on the whole model of the cells of a patch."""
        row, col = patch.cells
        cells: IntArray = ((row + self.first_row) * self.whole.shape[1] + col + self.first_col).astype(np.int32)
        return cells


def prepare_ground(terrain: Terrain, where: BoolArray) -> Ground:
    """Cut a window of ``MARGIN_M`` around the cells ``where`` and prepare its heights and fall lines."""
    whole = terrain.elevation
    row, col = np.nonzero(where)
    margin = int(np.ceil(MARGIN_M / whole.cell_m))
    r0, r1 = max(0, int(row.min()) - margin), min(whole.shape[0], int(row.max()) + margin + 1)
    c0, c1 = max(0, int(col.min()) - margin), min(whole.shape[1], int(col.max()) + margin + 1)
    raw = Grid(
        np.ascontiguousarray(whole.values[r0:r1, c0:c1], dtype=np.float64),
        whole.west_m + c0 * whole.cell_m,
        whole.north_m - r0 * whole.cell_m,
        whole.cell_m,
        whole.crs,
    )
    light = smooth_heights(raw, LIGHT_SMOOTHING_M)
    up_row, up_col = find_uphill(light, BROAD_SMOOTHING_M, LEAST_BROAD_GRADIENT)
    return Ground(raw=raw, light=light, up_row=up_row, up_col=up_col, first_row=r0, first_col=c0, whole=whole)


def trap_of_patch(ground: Ground, patch: Patch, kind: Kind, reason: str, **measures: Any) -> Trap:
    """A trap with the outline and the cells of a patch; ``measures`` are fields of `Trap`."""
    return build_trap(kind, outline_patch(patch, ground.raw), ground.flat_cells(patch), reason, **measures)


def find_uphill(heights: Grid, sigma_m: float, least_gradient: float) -> tuple[FloatArray, FloatArray]:
    """Unit vector of steepest ascent in rows and columns, of gradients averaged over ``sigma_m``.

    Gradients and not heights are averaged, so that edges and no data do not tilt the ground. NaN at no data and where
    the mean gradient is below ``least_gradient``.
    """
    by_row, by_col = np.gradient(heights.values, heights.cell_m)
    known = np.isfinite(by_row) & np.isfinite(by_col)
    sigma = sigma_m / heights.cell_m
    if sigma > 0.25:
        by_row, by_col = (
            ndimage.gaussian_filter(np.where(known, g, 0.0), sigma, mode="nearest", truncate=3.0)
            for g in (by_row, by_col)
        )
        known = np.isfinite(heights.values)
    by_row, by_col = np.where(known, by_row, np.nan), np.where(known, by_col, np.nan)
    size = np.hypot(by_row, by_col)
    size[~(size >= least_gradient)] = np.nan
    return by_row / size, by_col / size


def read_fall_line(ground: Ground, reach_m: float, counter_m: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean slope above and below each cell over ``reach_m`` (degrees), and the rise again within ``counter_m`` (m).

    NaN where the fall line is unknown or runs off the known ground.
    """
    z, cell_m = ground.light.values, ground.cell_m
    above, below, counter = (np.full(z.shape, np.nan) for _ in range(3))
    run_over_rows(
        lambda first, last: find_kernels.along_fall_line(
            z, ground.up_row, ground.up_col, reach_m / cell_m, counter_m / cell_m, first, last, above, below, counter
        ),
        z.shape[0],
    )
    return np.degrees(np.arctan(above / reach_m)), np.degrees(np.arctan(below / reach_m)), counter


# ---- How far snow from any start zone could come, where no release is singled out: energy lines

# Travel angle of an event of each size at its longest, degrees. From memory, field rules of low confidence: size 1
# stops on steep ground, size 2 at 25 to 30, size 3 at 20 to 25, larger ones at 16 to 20 degrees.
TRAVEL_ANGLE_DEG = {1: 30.0, 2: 25.0, 3: 20.0, 4: 16.0}


def find_ground_in_travel_angle(ground: Grid, start: BoolArray, angle_deg: float) -> BoolArray:
    """Cells that an energy line of this angle from any start cell reaches without meeting the ground before.

    The line goes out in all directions and does not follow the fall line, so this is an outer bound (energy line: Heim
    1932; Koerner 1980, J. Glaciol. 26). Heights in metres, NaN stops a line; the angle is between 0 and 90 degrees.
    """
    line = np.full(ground.shape, np.nan)
    starts = np.where(start, ground.values, np.nan)
    find_kernels.energy_lines(ground.values, starts, math.tan(math.radians(angle_deg)), ground.cell_m, line)
    return np.asarray(np.isfinite(line))
