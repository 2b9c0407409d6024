"""Ground that snow could start from, for the question whether it comes down to a practice site.

Every cell that is steep enough counts, without an upper limit of slope and whatever its grade: a site is held to the
careful side. Each cell gets the largest destructive size that the start-zone ground round it can hold: ground that
hangs together and faces about the same way, since a slab does not reach round a ridge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from lastseen.grid import BoolArray, FloatArray, Grid, IntArray
from lastseen.release import SIZES, slab_class
from lastseen.release.start_zones import CLOSED_CANOPY, LEAST_SLOPE_DEG, START_ZONE_SMOOTHING_M, crown_cover
from lastseen.terrain import read_terrain, smoothed
from lastseen.threads import in_threads

LEAST_START_DEG = LEAST_SLOPE_DEG  # the same start-zone terrain as everywhere in this house, but with no upper limit
SECTORS, FACING_DEG = 8, 60.0  # a slab lies on ground that faces within this of one of so many azimuths; design choice
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
    size : ndarray of int8, shape (ny, nx)
        Largest destructive size that the ground round each cell can hold; 0 is no start zone.
    could_be : ndarray of int8, shape (ny, nx)
        The same without the limit on the size.
    count : int
        Number of zones.
    least_deg : float
        Slope from which ground counts.
    """

    ground: Grid
    slope_deg: FloatArray
    gradient_m_m: tuple[FloatArray, FloatArray]
    zones: IntArray
    size: npt.NDArray[np.int8]
    could_be: npt.NDArray[np.int8]
    count: int
    least_deg: float


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
    surface = ground.cell_area_m2 * np.sqrt(1.0 + np.nan_to_num(rise) ** 2)
    zones, count = _zones(steep, surface)
    could_be = _sizes(zones > 0, terrain.aspect_deg.values, surface)
    size = np.minimum(could_be, np.int8(most_size))
    gradient = (np.nan_to_num(rise * np.sin(turn)), np.nan_to_num(rise * np.cos(turn)))
    return StartGround(ground, slope, gradient, zones, size, could_be, count, least_deg)


def _zones(steep: BoolArray, surface_m2: FloatArray) -> tuple[IntArray, int]:
    """Connected start zones that can hold a part of a slab of size 1, numbered from 1."""
    labels, count = ndimage.label(steep, structure=np.ones((3, 3), bool))
    area = np.bincount(labels.ravel(), surface_m2.ravel(), count + 1)
    kept = area >= LEAST_SHARE * slab_class(1).area_m2
    kept[0] = False
    number = np.where(kept, np.cumsum(kept), 0).astype(np.int32)
    return number[labels], int(kept.sum())


def _sizes(start: BoolArray, aspect_deg: FloatArray, surface_m2: FloatArray) -> npt.NDArray[np.int8]:
    """Largest size that fits on the connected ground of one facing that holds each cell."""
    least = [slab_class(size).area_m2 for size in SIZES[1:]]

    def facing(azimuth: float) -> npt.NDArray[np.int8]:
        with np.errstate(invalid="ignore"):
            near = start & (np.abs((aspect_deg - azimuth + 180.0) % 360.0 - 180.0) <= FACING_DEG)
        labels, count = ndimage.label(near, structure=np.ones((3, 3), bool))
        area = np.bincount(labels.ravel(), surface_m2.ravel(), count + 1)
        size = (1 + np.searchsorted(least, area, side="right")).astype(np.int8)
        size[0] = 0
        return np.asarray(size[labels], np.int8)

    size = start.astype(np.int8)
    for azimuths in np.array_split(np.arange(SECTORS) * (360.0 / SECTORS), SECTORS // 2):  # two at a time in memory
        for one in in_threads(facing, azimuths.tolist()):
            np.maximum(size, one, out=size)
    return size
