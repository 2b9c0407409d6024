"""What the ground is at each cell: slope, aspect and derivatives of the height.

Slope and aspect follow Horn (1981, Proc. IEEE 69:14), derivatives Zevenbergen & Thorne (1987, Earth Surface Processes
and Landforms 12:47). All are local: a cell and its eight neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastseen.grid import FloatArray, Grid
from lastseen.terrain import kernels
from lastseen.threads import over_rows


@dataclass(frozen=True)
class Terrain:
    """The ground and its local shape, all on one lattice.

    Attributes
    ----------
    elevation : Grid
        Metres.
    slope_deg : Grid
        0 to 90, Horn (1981). NaN beside no data and on the outer frame.
    aspect_deg : Grid
        Downhill azimuth from grid north, from 0 to below 360. NaN on flats.
    """

    elevation: Grid
    slope_deg: Grid
    aspect_deg: Grid


def heights(elevation: Grid) -> FloatArray:
    """Heights as kernels want them: one block of memory in double precision."""
    return np.ascontiguousarray(elevation.values, dtype=np.float64)


def read_terrain(elevation: Grid) -> Terrain:
    """Slope and aspect of a grid of elevations (metres, NaN is no data)."""
    z, cell_m = heights(elevation), elevation.cell_m
    slope, aspect = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    over_rows(lambda first, last: kernels.horn(z, cell_m, first, last, slope, aspect), z.shape[0])
    return Terrain(elevation, elevation.with_values(slope), elevation.with_values(aspect))


def derivatives(elevation: Grid) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return z_x, z_y, z_xx, z_xy, z_yy (x east, y north) after Zevenbergen & Thorne (1987)."""
    z, cell_m = heights(elevation), elevation.cell_m
    p, q, r, s, t = (np.full(z.shape, np.nan) for _ in range(5))
    over_rows(lambda first, last: kernels.derivatives(z, cell_m, first, last, p, q, r, s, t), z.shape[0])
    return p, q, r, s, t
