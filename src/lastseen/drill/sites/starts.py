"""Ground that snow could start from, for the question whether it comes down to a practice site.

Every cell that is steep enough counts, without an upper limit of slope and whatever its grade: a site is held to the
careful side. Each connected start zone gets the largest destructive size that its area can hold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from lastseen.grid import BoolArray, FloatArray, Grid, IntArray
from lastseen.release import SIZES, slab_class
from lastseen.release.start_zones import CLOSED_CANOPY, LEAST_SLOPE_DEG, START_ZONE_SMOOTHING_M, crown_cover
from lastseen.terrain import read_terrain, smoothed

LEAST_START_DEG = LEAST_SLOPE_DEG  # the same start-zone terrain as everywhere in this house, but with no upper limit
LEAST_SHARE = 0.25  # a start zone holds at least this share of a slab of size 1, as for a release


@dataclass(frozen=True, eq=False)
class StartGround:
    """Start zones of a ground.

    Attributes
    ----------
    ground : Grid
        Elevations, metres.
    slope_deg : FloatArray
        Slope as a slab feels it; NaN where not known.
    gradient_m_m : (east, north)
        Downhill gradient of the same surface.
    zones : ndarray of int32, shape (ny, nx)
        Number of the start zone of each cell, from 1; 0 is none.
    size : ndarray of int32
        Largest destructive size that each zone can hold, by number; size[0] is 0.
    area_m2 : ndarray
        Area of each zone on the slope; area_m2[0] is 0.
    least_deg : float
        Slope from which ground counts.
    """

    ground: Grid
    slope_deg: FloatArray
    gradient_m_m: tuple[FloatArray, FloatArray]
    zones: IntArray
    size: IntArray
    area_m2: FloatArray
    least_deg: float

    @property
    def count(self) -> int:
        """Number of start zones."""
        return int(self.size.size - 1)


def start_ground(
    ground: Grid, cover: Grid | None = None, least_deg: float = LEAST_START_DEG, most_size: int = SIZES[-1]
) -> StartGround:
    """Find all start zones of a ground, each with the largest destructive size that it can hold.

    Parameters
    ----------
    ground : Grid
        Elevations, metres; NaN is no data.
    cover : Grid, optional
        Share of each cell under crowns, 0 to 1; a closed canopy is no start zone.
    least_deg : float
        Slope from which snow can start, degrees.
    most_size : int
        Larger sizes are not looked at.
    """
    terrain = read_terrain(smoothed(ground, START_ZONE_SMOOTHING_M))
    slope = terrain.slope_deg.values
    with np.errstate(invalid="ignore"):
        steep: BoolArray = slope >= least_deg
        rise = np.tan(np.radians(slope))
        turn = np.radians(np.nan_to_num(terrain.aspect_deg.values))
    if cover is not None:
        steep &= crown_cover(cover) < CLOSED_CANOPY
    labels, count = ndimage.label(steep, structure=np.ones((3, 3), bool))
    surface = ground.cell_area_m2 * np.sqrt(1.0 + np.nan_to_num(rise) ** 2)
    area = np.bincount(labels.ravel(), surface.ravel(), count + 1)
    area[0] = 0.0
    kept = area >= LEAST_SHARE * slab_class(1).area_m2
    number = np.where(kept, np.cumsum(kept), 0).astype(np.int32)
    area = np.concatenate([[0.0], area[kept]])
    size = np.zeros(area.size, np.int32)
    for one in (size_ for size_ in SIZES if size_ <= most_size):
        size[1:][area[1:] >= (slab_class(one).area_m2 if one > 1 else 0.0)] = one
    gradient = (np.nan_to_num(rise * np.sin(turn)), np.nan_to_num(rise * np.cos(turn)))
    return StartGround(ground, slope, gradient, number[labels], size, area, least_deg)
