"""Release areas: start-zone terrain cut apart at ribs, rolls and sharp gully beds, each piece with its numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from shapely import MultiPolygon
from skimage.morphology import disk
from skimage.segmentation import watershed

from lastseen.grid import BoolArray, FloatArray, Grid, IntArray
from lastseen.outlines import smooth_outline
from lastseen.release.grades import StartZones
from lastseen.release.slabs import SIZES, slab_class, thickness_m

LEAST_GRADE = 0.2  # ground below this is not part of an area; design choice
# Curvature at which areas are cut apart, 1/m; design choices. Published practice is to delimit at ridges, gully beds
# and convex rolls (Maggioni & Gruber 2003, Buehler et al. 2018, from memory).
RIB_CUT, ROLL_CUT, BED_CUT = 0.01, 0.015, 0.025
LEAST_CELLS = 4  # smaller areas have no shape
LARGEST_SLABS = 4.0  # an area larger than this many slabs of size 4 is cut again ...
GENTLER_CUTS = (0.5, 0.25)  # ... at these shares of the curvatures above; design choices
NECK_M = 10.0  # areas that hang together by less than about twice this are two; design choice
LARGEST_SPREAD_DEG = 120.0  # an area that faces more ways than this is cut into parts of at most about 90 degrees
EACH_SPREAD_DEG = 90.0


@dataclass(frozen=True, eq=False)
class ReleaseArea:
    """A piece of start-zone terrain that could release as one.

    Attributes
    ----------
    number : int
        From 1, the largest first.
    outline : MultiPolygon
        Smoothed, map metres.
    cells : ndarray of int32
        Flat indices on the ground's lattice.
    area_m2, map_area_m2 : float
        On the slope, and on the map.
    slope_deg : float
        Mean slope.
    aspect_deg : float
        Mean downhill azimuth from grid north, 0 to 360.
    width_m : float
        Across the fall line.
    length_m : float
        Along the fall line, on the slope.
    top_m, foot_m : float
        Highest and lowest elevation.
    grade : float
        Mean grade, 0 to 1; no probability.
    volume_m3 : tuple of float
        Released snow for size 1, 2, 3, 4: slab of the class's thickness over the class's area, or over all of this one
        where it is smaller.
    """

    number: int
    outline: MultiPolygon
    cells: IntArray
    area_m2: float
    map_area_m2: float
    slope_deg: float
    aspect_deg: float
    width_m: float
    length_m: float
    top_m: float
    foot_m: float
    grade: float
    volume_m3: tuple[float, ...]


def release_areas(ground: Grid, zones: StartZones) -> tuple[ReleaseArea, ...]:
    """Separate release areas of graded start zones, the largest first.

    Watershed over the curvature at ribs, convex rolls and sharp gully beds: what lies between them is one area. Areas
    that cannot hold a slab of size 1 are left out. Wind and snowpack are not guessed.

    Parameters
    ----------
    ground : Grid
        Elevations, metres.
    zones : StartZones
        Of the same ground.
    """
    labels = _by_aspect(_between_ribs(zones), zones)
    surface = ground.cell_area_m2 / np.cos(np.radians(np.nan_to_num(zones.slope_deg.values)))
    least = max(slab_class(1).area_m2, LEAST_CELLS * ground.cell_area_m2)
    areas = ndimage.sum_labels(surface, labels, np.arange(labels.max(initial=0) + 1))
    found = []
    for number, place in enumerate(ndimage.find_objects(labels), start=1):
        if place is not None and areas[number] >= least:
            found.append(_area(ground, zones, surface, (place[0], place[1]), labels[place] == number))
    found.sort(key=lambda one: (-one.area_m2, -one.top_m))
    return tuple(replace(one, number=number) for number, one in enumerate(found, start=1))


def _between_ribs(zones: StartZones) -> IntArray:
    """Number of the piece between ribs of each cell; 0 is none. What is too large is cut again at gentler ribs."""
    rib, roll = zones.rib_per_m.values, zones.roll_per_m.values
    inside = np.nan_to_num(zones.grade.values) >= LEAST_GRADE
    barrier = np.maximum(np.maximum(rib / RIB_CUT, roll / ROLL_CUT), -rib / BED_CUT)
    largest = LARGEST_SLABS * slab_class(SIZES[-1]).area_m2 / zones.grade.cell_area_m2
    labels = cut_apart(barrier, inside, 1.0, zones.grade.cell_m)
    for limit in GENTLER_CUTS:
        large = (np.bincount(labels.ravel()) > largest)[labels] & (labels > 0)
        if not large.any():
            break
        again = cut_apart(barrier, large, limit, zones.grade.cell_m)
        labels = np.where(large, again + labels.max(), labels).astype(np.int32)
    return labels


def cut_apart(barrier: FloatArray, inside: BoolArray, limit: float, cell_m: float) -> IntArray:
    """Pieces of ``inside`` that are parted where the barrier reaches a limit; the barrier itself goes to its sides."""
    core = ndimage.binary_opening(inside & (barrier < limit), disk(max(1, round(NECK_M / cell_m))))
    markers, _ = ndimage.label(core)
    cut = watershed(np.maximum(barrier, 0.0), markers, mask=inside)
    rest, _ = ndimage.label(inside & (cut == 0))  # pieces without a core are areas of their own
    numbered: IntArray = np.where(rest > 0, rest + cut.max(initial=0), cut).astype(np.int32)
    return numbered


def _by_aspect(labels: IntArray, zones: StartZones) -> IntArray:
    """Cut areas that face too many ways, as on a cone, into parts of like aspect."""
    out = labels.copy()
    free = int(labels.max(initial=0)) + 1
    for number, place in enumerate(ndimage.find_objects(labels), start=1):
        if place is None:
            continue
        mask = labels[place] == number
        sector = _sectors(zones.aspect_deg.values[place][mask])
        for k in range(1, int(sector.max(initial=0)) + 1):
            out[place][mask] = np.where(sector == k, free, out[place][mask])
            free += 1
    return _in_one_piece(out)


def _sectors(aspect_deg: FloatArray) -> IntArray:
    """Which part of its range of aspects each cell belongs to, from the widest gap on; all 0 where it is narrow."""
    known = aspect_deg[np.isfinite(aspect_deg)]
    if known.size < 2:
        return np.zeros(aspect_deg.size, np.int32)
    counts, edges = np.histogram(known, bins=72, range=(0.0, 360.0))
    filled = counts > 0.002 * known.size  # a few stray cells do not widen the range
    empty = np.flatnonzero(np.r_[~filled, ~filled])
    runs = np.split(empty, np.flatnonzero(np.diff(empty) > 1) + 1) if empty.size else [np.array([-1])]
    gap = max(runs, key=len)
    start = float(edges[(int(gap[-1]) + 1) % 72])
    spread = 360.0 - 5.0 * min(len(gap), 72) if empty.size else 360.0
    if spread <= LARGEST_SPREAD_DEG:
        return np.zeros(aspect_deg.size, np.int32)
    parts = math.ceil(spread / EACH_SPREAD_DEG)
    turned = (np.nan_to_num(aspect_deg, nan=start) - start) % 360.0
    sectors: IntArray = np.clip(turned / (spread / parts), 0, parts - 1).astype(np.int32)
    return sectors


def _in_one_piece(labels: IntArray) -> IntArray:
    """Number the connected pieces of each label apart."""
    out = np.zeros_like(labels)
    free = 0
    for number, place in enumerate(ndimage.find_objects(labels), start=1):
        if place is not None:
            pieces, count = ndimage.label(labels[place] == number)
            out[place] = np.where(pieces > 0, pieces + free, out[place])
            free += count
    return out


def _area(
    ground: Grid, zones: StartZones, surface: FloatArray, place: tuple[slice, slice], mask: BoolArray
) -> ReleaseArea:
    """Measure one area."""
    rows, cols = (axis + part.start for axis, part in zip(np.nonzero(mask), place, strict=True))
    slope = float(np.mean(zones.slope_deg.values[rows, cols]))
    turn = np.radians(zones.aspect_deg.values[rows, cols])
    azimuth = math.atan2(float(np.nanmean(np.sin(turn))), float(np.nanmean(np.cos(turn))))
    east, north = cols * ground.cell_m, -rows * ground.cell_m
    down = east * math.sin(azimuth) + north * math.cos(azimuth)
    across = east * math.cos(azimuth) - north * math.sin(azimuth)
    area = float(surface[rows, cols].sum())
    heights = ground.values[rows, cols]
    cell = ground.cell_m
    outline = smooth_outline(mask, ground.west_m + place[1].start * cell, ground.north_m - place[0].start * cell, cell)
    return ReleaseArea(
        0,
        outline,
        (rows * ground.shape[1] + cols).astype(np.int32),
        area,
        rows.size * ground.cell_area_m2,
        slope,
        math.degrees(azimuth) % 360.0,
        float(np.ptp(across)) + cell,
        (float(np.ptp(down)) + cell) / math.cos(math.radians(slope)),
        float(heights.max()),
        float(heights.min()),
        float(np.mean(zones.grade.values[rows, cols])),
        tuple(min(area, slab_class(size).area_m2) * thickness_m(size, slope) for size in SIZES),
    )
