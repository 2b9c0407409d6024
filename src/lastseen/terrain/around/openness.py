"""Openness: how much sky, and how much ground, a place is open to.

Yokoyama, Shirasawa & Pike (2002, Photogrammetric Engineering & Remote Sensing 68:257): the mean over eight azimuths of
the zenith angle of the horizon within a radius (positive), and of the nadir angle of the lowest line of sight
(negative). Flat or evenly sloping ground has 90 degrees of both. In a gully, a pit or at the foot of a wall positive
openness is below 90; on a crest, a rib or above a wall negative openness is. Local: the radius.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.terrain import kernels
from lastseen.terrain.surface import heights
from lastseen.threads import over_rows

OPENNESS_M = 50.0  # the width of the gullies and banks of a single slope; design choice
BLOCK_ROWS = 32  # a row takes as long as many slopes


@dataclass(frozen=True)
class Openness:
    """Openness in degrees.

    Attributes
    ----------
    positive_deg : Grid
        Mean zenith angle of the horizon, 0 to 180; below 90 where the ground around rises.
    negative_deg : Grid
        Mean nadir angle, 0 to 180; below 90 where the ground around falls away.
    """

    positive_deg: Grid
    negative_deg: Grid


def openness(elevation: Grid, *, radius_m: float = OPENNESS_M) -> Openness:
    """Positive and negative openness on eight azimuths.

    Parameters
    ----------
    elevation : Grid
        Metres, NaN is no data.
    radius_m : float
        How far is looked, metres on the map; at least the diagonal of a cell.

    Returns
    -------
    Openness
        NaN where the next cell on any of the eight azimuths is unknown. Farther cells that are unknown, beyond the
        frame or without data, are passed over: there it is the openness to what is known.

    Raises
    ------
    InputError
        If the radius does not reach the next cell.
    """
    least = elevation.cell_m * 2.0**0.5
    if not least <= radius_m < float("inf"):
        raise InputError(f"openness within {radius_m:g} m sees no neighbour: choose {least:.1f} m or more")
    z, cell_m = heights(elevation), elevation.cell_m
    positive, negative = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    over_rows(
        lambda first, last: kernels.openness(z, cell_m, radius_m, first, last, positive, negative),
        z.shape[0],
        BLOCK_ROWS,
    )
    return Openness(elevation.with_values(positive), elevation.with_values(negative))
