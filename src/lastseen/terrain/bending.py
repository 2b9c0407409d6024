"""How the ground bends: curvature along the fall line, across it, and of the contour.

The physical definitions collected by Minar, Evans & Jenco (2020, Earth-Science Reviews 211:103414) on the derivatives
of Zevenbergen & Thorne (1987, Earth Surface Processes and Landforms 12:47). Convex is positive. Local: a cell and its
eight neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastseen.grid import Grid
from lastseen.terrain import kernels
from lastseen.terrain.surface import heights
from lastseen.threads import over_rows

FLAT_GRADIENT2 = 1e-12  # squared gradient below which ground has no fall line to bend along


@dataclass(frozen=True)
class Curvature:
    """Curvatures in 1/m, convex positive; NaN beside no data, on the outer frame and on flats.

    Attributes
    ----------
    profile : Grid
        Of the normal section along the fall line: a roll-over is positive, a flattening negative.
    tangential : Grid
        Of the normal section along the contour: a rib is positive, a gully negative.
    plan : Grid
        Of the contour itself on the map; it grows without limit where the ground is nearly flat.
    """

    profile: Grid
    tangential: Grid
    plan: Grid


def curvature(elevation: Grid) -> Curvature:
    """Profile (normal slope line), tangential (normal contour) and plan (contour) curvature in 1/m."""
    z, cell_m = heights(elevation), elevation.cell_m
    profile, tangential, plan = (np.full(z.shape, np.nan) for _ in range(3))
    over_rows(
        lambda first, last: kernels.curvatures(z, cell_m, FLAT_GRADIENT2, first, last, profile, tangential, plan),
        z.shape[0],
    )
    return Curvature(*(elevation.with_values(one) for one in (profile, tangential, plan)))
