"""Walls: the height that is lost along the fall line on ground too steep for snow to lie, cell by cell.

From each cell the steepest steps up and down are followed from cell to cell as long as each is steeper than a limit;
the height between their ends is the drop of the wall through that cell. A wall between two cells counts with its whole
height, however coarse the cells. Eight directions only: a wall that runs obliquely to them measures up to 3 degrees
gentler. Which walls are terrain traps is for the room ``traps`` to say.

Local: the longest way followed.
"""

from __future__ import annotations

import math

import numpy as np

from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.terrain.fall import kernels
from lastseen.terrain.surface import heights
from lastseen.threads import over_rows

WALL_DEG = 50.0  # snow does not lie on ground this steep; design choice
LONGEST_M = 200.0  # how far a wall is followed up and down on the map; design choice


def cliff_drop_m(elevation: Grid, *, wall_deg: float = WALL_DEG, longest_m: float = LONGEST_M) -> Grid:
    """Height of the wall through each cell, metres.

    Parameters
    ----------
    elevation : Grid
        Metres, NaN is no data.
    wall_deg : float
        Steps steeper than this are wall: above 0 and below 90.
    longest_m : float
        How far a wall is followed up and down, metres on the map.

    Returns
    -------
    Grid
        0 where there is no wall, NaN at no data. Cells beside no data and on the frame count what is known.

    Raises
    ------
    InputError
        If the limit is no angle of a slope.
    """
    if not 0.0 < wall_deg < 90.0:
        raise InputError(f"a wall steeper than {wall_deg:g} degrees is none: choose an angle between 0 and 90")
    z, cell_m = heights(elevation), elevation.cell_m
    wall = math.tan(math.radians(wall_deg))
    out = np.full(z.shape, np.nan)
    over_rows(lambda first, last: kernels.wall_drop(z, cell_m, wall, longest_m, first, last, out), z.shape[0])
    return elevation.with_values(out)
