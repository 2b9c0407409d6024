"""Breaks of slope: how the slope changes along the fall line, cell by cell and without a threshold.

The mean slope over a reach straight up the fall line (Horn 1981) less that over the same reach down it. Above 0 the
slope eases downhill, as at the foot of a face or on a bench; below 0 it steepens, as at a roll-over or the lip of a
cliff. It is profile curvature read at a stated scale. Which breaks are terrain traps is for the room ``traps`` to say.

Local: the reach and one cell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.terrain.fall import kernels
from lastseen.terrain.surface import heights
from lastseen.threads import over_rows

REACH_M = 20.0  # abrupt for a flow 1 m thick; design choice
LEAST_CELLS = 2.0  # a slope over less than two cells is the roughness of the model
LEAST_GRADIENT = 1e-6  # flatter ground has no fall line


@dataclass(frozen=True)
class Breaks:
    """Slopes along the fall line, degrees; NaN on flats and where the reach leaves the known ground.

    Attributes
    ----------
    above_deg, below_deg : Grid
        Mean slope over the reach up and down; above 0 falls.
    change_deg : Grid
        Above less below: above 0 the slope eases downhill.
    """

    above_deg: Grid
    below_deg: Grid
    change_deg: Grid


def reach_on(reach_m: float, cell_m: float) -> float:
    """The reach widened to two cells where cells are coarse."""
    return max(reach_m, LEAST_CELLS * cell_m)


def slope_breaks(elevation: Grid, *, reach_m: float = REACH_M) -> Breaks:
    """Slope above, slope below and their change along the fall line of each cell.

    Parameters
    ----------
    elevation : Grid
        Metres, NaN is no data.
    reach_m : float
        On the map, at least one cell. Heights between cell centres are bilinear.

    Raises
    ------
    InputError
        If the reach is shorter than a cell.
    """
    if not elevation.cell_m <= reach_m < float("inf"):
        raise InputError(
            f"a break of slope over {reach_m:g} m is less than a cell: choose {elevation.cell_m:g} m or more"
        )
    z, cell_m = heights(elevation), elevation.cell_m
    above, below = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    over_rows(
        lambda first, last: kernels.breaks(z, cell_m, reach_m, LEAST_GRADIENT, first, last, above, below), z.shape[0]
    )
    above_deg, below_deg = np.degrees(np.arctan(above)), np.degrees(np.arctan(below))
    return Breaks(*(elevation.with_values(one) for one in (above_deg, below_deg, above_deg - below_deg)))
