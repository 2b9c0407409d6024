"""Channels and their heads: where enough ground drains together.

A channel runs where the area that drains through a cell reaches a threshold (O'Callaghan & Mark 1984; Tarboton, Bras &
Rodriguez-Iturbe 1991, Hydrological Processes 5:81, call it the constant support area). Its head is the first such cell.
Real heads depend on slope and climate as well (Montgomery & Dietrich 1988, Nature 336:232), so the threshold is a scale
of reading, not a property of the place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastseen.errors import InputError
from lastseen.grid import Grid, IntArray
from lastseen.terrain.drainage.gathering import kernels
from lastseen.terrain.drainage.routing import Drainage
from lastseen.threads import over_rows

CHANNEL_M2 = 10_000.0  # one hectare: the scale of the gullies of a single slope; design choice


@dataclass(frozen=True)
class Channels:
    """Channels of a drained ground.

    Attributes
    ----------
    kind : Grid
        uint8: 0 slope, 1 channel, 2 head of a channel, 255 no data.
    threshold_m2 : float
        Area from which a channel runs.
    """

    kind: Grid
    threshold_m2: float

    @property
    def heads(self) -> tuple[IntArray, IntArray]:
        """Rows and columns of the heads."""
        row, col = np.nonzero(self.kind.values == 2)
        return row.astype(np.int32), col.astype(np.int32)


def find_channels(drainage: Drainage, area_m2: Grid, *, threshold_m2: float = CHANNEL_M2) -> Channels:
    """Find channels and their heads by accumulated area.

    Parameters
    ----------
    drainage : Drainage
        Gives the ways (D8) along which a channel goes on.
    area_m2 : Grid
        What ``accumulation_m2`` gives, of any method.
    threshold_m2 : float
        Above 0.

    Raises
    ------
    InputError
        If the threshold is not above 0.
    """
    if not threshold_m2 > 0.0:
        raise InputError(f"the threshold of channels is {threshold_m2:g} m2: it must be above 0")
    way, area = drainage.way.values, area_m2.values
    kind = np.empty(way.shape, np.uint8)
    over_rows(lambda first, last: kernels.heads(way, area, threshold_m2, first, last, kind), way.shape[0])
    return Channels(drainage.way.with_values(kind), threshold_m2)
