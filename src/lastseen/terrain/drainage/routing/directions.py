"""Where each cell drains to: one neighbour (D8), or an azimuth between two (D-infinity).

- D8 (O'Callaghan & Mark 1984, Computer Vision, Graphics and Image Processing 28:323): the neighbour of the steepest
  descent, distance counted; of several as steep, the first clockwise from north.
- D-infinity (Tarboton 1997, Water Resources Research 33:309): the steepest of the eight triangular facets around the
  cell, with the flow on its azimuth.

Both are taken on the filled surface. A cell on the border or beside no data drains off the ground unless a neighbour is
lower. Flats (true ones, and hollows that are full) are crossed by the fewest steps to where they drain, without
changing any height; of several ways the straight ones come before the diagonal ones, then clockwise from north. This is
the gradient towards lower terrain of Garbrecht & Martz (1997, Journal of Hydrology 193:204) without their second
gradient away from higher terrain. D-infinity follows the same way where no facet falls, as Tarboton (1997) does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastseen.grid import FloatArray, Grid
from lastseen.terrain.drainage.filling import Filled, fill
from lastseen.terrain.drainage.routing import kernels
from lastseen.terrain.drainage.ways import FLAT, OFF
from lastseen.threads import over_rows


@dataclass(frozen=True)
class Drainage:
    """The filled ground and the way out of each cell.

    Attributes
    ----------
    filled : Filled
        The ground as given and as filled.
    way : Grid
        uint8: 0 to 7 is the neighbour clockwise from north that the cell drains to (D8), 8 leaves the ground, 255 is no
        data.
    """

    filled: Filled
    way: Grid

    @property
    def direction_deg(self) -> Grid:
        """Azimuth of the way from grid north, 0 to 315 in steps of 45; NaN where it leaves the ground."""
        way = self.way.values
        return self.way.with_values(np.where(way < OFF, way * 45.0, np.nan))


def drain(elevation: Grid | Filled) -> Drainage:
    """Fill the ground and find the way out of each cell.

    Parameters
    ----------
    elevation : Grid or Filled
        Metres, NaN is no data; or ground that is filled already.
    """
    filled = elevation if isinstance(elevation, Filled) else fill(elevation)
    z: FloatArray = filled.surface.values
    way = np.empty(z.shape, np.uint8)
    over_rows(lambda first, last: kernels.steepest(z, first, last, way), z.shape[0])
    kernels.cross_flats(z, way, np.flatnonzero(way.ravel() == FLAT).astype(np.int32))
    return Drainage(filled, filled.ground.with_values(way))


def facet_octants(drainage: Drainage) -> FloatArray:
    """D-infinity azimuths in eighths of a turn from north, 0 to 8; -1 leaves the ground, NaN is no data."""
    z, way = drainage.filled.surface.values, drainage.way.values
    octant = np.empty(z.shape)
    over_rows(lambda first, last: kernels.facets(z, way, first, last, octant), z.shape[0])
    return octant


def facet_direction_deg(drainage: Drainage) -> Grid:
    """D-infinity azimuth from grid north, 0 to 360 degrees; NaN where the flow leaves the ground and at no data."""
    octant = facet_octants(drainage)
    octant[octant < 0.0] = np.nan
    octant *= 45.0
    return drainage.way.with_values(octant)
