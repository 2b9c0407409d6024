"""Roughness: how much the ground faces different ways, whatever its slope.

Vector ruggedness measure (Sappington, Longshore & Thompson 2007, Journal of Wildlife Management 71:1419): one less the
length of the mean unit normal of the cells in a window. 0 on any plane, near 1 where normals cancel. Normals follow
Horn (1981). Local: the window and one cell more on each side.
"""

from __future__ import annotations

import numpy as np

from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.terrain import kernels
from lastseen.terrain.surface import heights
from lastseen.threads import over_rows

RUGGEDNESS_CELLS = 3  # the window of Sappington, Longshore & Thompson (2007)
WIDEST_CELLS = 99


def ruggedness(elevation: Grid, *, window_cells: int = RUGGEDNESS_CELLS) -> Grid:
    """Vector ruggedness of each cell, 0 to 1.

    Parameters
    ----------
    elevation : Grid
        Metres, NaN is no data.
    window_cells : int
        Side of the window: odd, 3 to 99.

    Returns
    -------
    Grid
        NaN where a normal in the window is unknown, so on half a window and one cell along the frame and beside no
        data.

    Raises
    ------
    InputError
        If the window is even or out of range.
    """
    if window_cells % 2 == 0 or not RUGGEDNESS_CELLS <= window_cells <= WIDEST_CELLS:
        raise InputError(
            f"the window of ruggedness is {window_cells} cells: choose an odd number from 3 to {WIDEST_CELLS}"
        )
    z, cell_m, half = heights(elevation), elevation.cell_m, window_cells // 2
    out = np.full(z.shape, np.nan)
    over_rows(lambda first, last: kernels.ruggedness(z, cell_m, half, first, last, out), z.shape[0])
    return elevation.with_values(out)
