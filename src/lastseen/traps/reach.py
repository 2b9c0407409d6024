"""How far snow from any start zone could come, where no release is singled out: energy lines."""

from __future__ import annotations

import math

import numpy as np

from lastseen.grid import BoolArray, Grid
from lastseen.traps import kernels

# Travel angle of an event of each size at its longest, degrees. From memory, field rules of low confidence: size 1
# stops on steep ground, size 2 at 25 to 30, size 3 at 20 to 25, larger ones at 16 to 20 degrees.
TRAVEL_ANGLE_DEG = {1: 30.0, 2: 25.0, 3: 20.0, 4: 16.0}


def within_travel_angle(ground: Grid, start: BoolArray, angle_deg: float) -> BoolArray:
    """Cells that an energy line of this angle from any start cell reaches without meeting the ground before.

    The line goes out in all directions and does not follow the fall line, so this is an outer bound (energy line: Heim
    1932; Koerner 1980, J. Glaciol. 26).

    Parameters
    ----------
    ground : Grid
        Elevations, metres; NaN stops a line.
    start : ndarray of bool, shape (ny, nx)
    angle_deg : float
        Between 0 and 90 degrees.
    """
    line = np.full(ground.shape, np.nan)
    starts = np.where(start, ground.values, np.nan)
    kernels.energy_lines(ground.values, starts, math.tan(math.radians(angle_deg)), ground.cell_m, line)
    return np.asarray(np.isfinite(line))
