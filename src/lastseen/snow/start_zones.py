"""Where snow could start, graded cell by cell, and cut into release areas."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from shapely import MultiPolygon
from skimage.morphology import disk
from skimage.segmentation import watershed

from lastseen.core import BoolArray, FloatArray, Grid, IntArray, smooth_outline
from lastseen.snow.release import CLOSED_CANOPY, SIZES, crown_cover, find_start_zone_terrain, slab_class, thickness_m
from lastseen.terrain import WIDEST_CELLS, derivatives, ruggedness, smooth_heights

# ---- How much of what a slab needs is there, cell by cell: slope, ribs, ruggedness and canopy, each kept apart
# A grade from 0 to 1 is no probability. Wind, snowpack and weather are not guessed: a slope that faces any way has
# the same grade, and where snow has drifted the grade does not know it.

# Where the grade of each part rises from 0 to 1 and falls back to 0.
SLOPE_DEG = (25.0, 30.0, 45.0, 55.0)
RIB_PER_M = (0.01, 0.04)  # curvature of the contour in the slope, radius 100 m to 25 m
ROLL_PER_M = (0.003, 0.01)  # curvature of the fall line, radius 330 m to 100 m
RUGGEDNESS = (0.01, 0.05)
CANOPY = (0.3, CLOSED_CANOPY)
SHAPE_SMOOTHING_M = 10.0  # ribs and rolls are read at the scale of a slab; design choice
SNOW_EVENS_M = 1.5  # snow evens out ground smaller than about its depth before ruggedness is read; design choice
RUGGED_WINDOW_M = 15.0  # ruggedness is that of a window this wide, and of at least 3 cells; design choice

SOURCES = {
    "slope": "80 % of slabs start on 30 to 45 degrees, range 25 to 55 (Perla 1977, from memory)",
    "ribs": "slabs end at ribs and ridges (Maggioni & Gruber 2003, Buehler et al. 2013, from memory); limits are "
    "design choices",
    "rolls": "crowns lie at convex rolls (common practice, no source); told, not part of the grade",
    "ruggedness": "vector ruggedness (Sappington et al. 2007); rough ground holds snow (Buehler et al. 2013, Veitinger "
    "et al. 2016); limits are design choices",
    "canopy": "crown cover above 30 to 50 % with gaps below 25 m prevents release (from memory)",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class StartZones:
    """Grades of a ground, all 0 to 1 on its lattice; NaN where the slope is not known."""

    grade: Grid  # product of slope, ribs, ruggedness and canopy; 0 outside the start-zone terrain of 28 to 55 degrees
    slope: Grid  # 1 on 30 to 45 degrees
    ribs: Grid  # 1 on even and hollow ground, 0 on sharp ribs
    rolls: Grid  # 1 on sharp convex rolls down the slope, where a crown is likely; not part of the grade
    ruggedness: Grid  # 1 on even ground
    canopy: Grid  # 1 without trees; all 1 where no trees are known
    # curvature along the contour and along the fall line at the scale of a slab, convex positive, 1/m
    rib_per_m: Grid
    roll_per_m: Grid
    # of the ground smoothed at the scale of a slab
    slope_deg: Grid
    aspect_deg: Grid


def grade_start_zones(ground: Grid, cover: Grid | None = None) -> StartZones:
    """Grade the start zones of a ground (metres; NaN is no data); ``cover`` is the share of each cell under crowns."""
    band, terrain = find_start_zone_terrain(ground, cover)
    slope = terrain.slope_deg.values
    known = np.isfinite(slope)
    rib, roll = broad_curvature(ground)
    parts = {
        "slope": _up(slope, SLOPE_DEG[0], SLOPE_DEG[1]) * _down(slope, SLOPE_DEG[2], SLOPE_DEG[3]),
        "ribs": _down(rib, *RIB_PER_M),
        "rolls": _up(roll, *ROLL_PER_M),
        "ruggedness": _down(_ruggedness(ground), *RUGGEDNESS),
        "canopy": np.ones(ground.shape) if cover is None else _down(crown_cover(cover), *CANOPY),
    }
    parts = {name: np.where(known, values, np.nan) for name, values in parts.items()}
    grade = parts["slope"] * parts["ribs"] * parts["ruggedness"] * parts["canopy"]
    grade[known & ~band] = 0.0
    grids = {name: ground.with_values(values) for name, values in parts.items()}
    return StartZones(
        grade=ground.with_values(grade),
        **grids,
        rib_per_m=ground.with_values(rib),
        roll_per_m=ground.with_values(roll),
        slope_deg=terrain.slope_deg,
        aspect_deg=terrain.aspect_deg,
    )


def broad_curvature(ground: Grid) -> tuple[FloatArray, FloatArray]:
    """Curvature along the contour and along the fall line at the scale of a slab, convex positive, 1/m; 0 on flats.

    Gradients and not heights are averaged, so that edges and no data bend nothing. Normal curvatures after Minar, Evans
    & Jenco (2020, Earth-Science Reviews 211:103414).
    """
    if min(ground.shape) < 3:
        return np.zeros(ground.shape), np.zeros(ground.shape)
    p, q, *_ = derivatives(ground)
    p, q = (_averaged(plane, SHAPE_SMOOTHING_M / ground.cell_m) for plane in (p, q))
    p_north, r = np.gradient(p, ground.cell_m)
    q_north, q_east = np.gradient(q, ground.cell_m)
    s, t = 0.5 * (q_east - p_north), -q_north
    g2 = p * p + q * q
    with np.errstate(invalid="ignore", divide="ignore"):
        across = -(r * q * q - 2.0 * s * p * q + t * p * p) / (g2 * np.sqrt(1.0 + g2))
        along = -(r * p * p + 2.0 * s * p * q + t * q * q) / (g2 * (1.0 + g2) ** 1.5)
    return np.nan_to_num(across, posinf=0.0, neginf=0.0), np.nan_to_num(along, posinf=0.0, neginf=0.0)


def _ruggedness(ground: Grid) -> FloatArray:
    """Vector ruggedness of a window of a slab's size; 0 where the window meets the frame or no data."""
    smooth = smooth_heights(ground, SNOW_EVENS_M)
    size = min(max(3, 2 * round(0.5 * (RUGGED_WINDOW_M / ground.cell_m - 1.0)) + 1), WIDEST_CELLS)
    found: FloatArray = np.nan_to_num(ruggedness(smooth, window_cells=size).values)
    return np.where(np.isfinite(smooth.values), found, np.nan)


def _averaged(values: FloatArray, sigma: float) -> FloatArray:
    """Gaussian mean of the known values, NaN where the middle is not known."""
    known = np.isfinite(values)
    weight = ndimage.gaussian_filter(known.astype(float), sigma, mode="constant", truncate=3.0)
    total = ndimage.gaussian_filter(np.where(known, values, 0.0), sigma, mode="constant", truncate=3.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known, total / weight, np.nan)


def _up(values: FloatArray, low: float, high: float) -> FloatArray:
    return np.clip((values - low) / (high - low), 0.0, 1.0)


def _down(values: FloatArray, low: float, high: float) -> FloatArray:
    return 1.0 - _up(values, low, high)


# ---- Release areas: start-zone terrain cut apart at ribs, rolls and sharp gully beds, each piece with its numbers

LEAST_GRADE = 0.2  # ground below this is not part of an area; design choice
# Curvature at which areas are cut apart, 1/m; design choices. Published practice is to delimit at ridges, gully beds
# and convex rolls (Maggioni & Gruber 2003, Buehler et al. 2018, from memory).
RIB_CUT, ROLL_CUT, BED_CUT = 0.01, 0.015, 0.025
LEAST_CELLS = 4  # smaller areas have no shape
LARGEST_SLABS = 2.0  # an area larger than this many slabs of size 4 is cut again ...
GENTLER_CUTS = (0.5, 0.25)  # ... at these shares of the curvatures above; design choices
NECK_M = 10.0  # areas that hang together by less than about twice this are two; design choice
LARGEST_SPREAD_DEG = 120.0  # an area that faces more ways than this is cut into parts of at most about 90 degrees
EACH_SPREAD_DEG = 90.0


@dataclass(frozen=True, eq=False, kw_only=True)
class ReleaseArea:
    """A piece of start-zone terrain that could release as one."""

    number: int  # from 1, the largest first
    outline: MultiPolygon  # smoothed, map metres
    cells: IntArray  # flat indices on the ground's lattice
    # on the slope, and on the map
    area_m2: float
    map_area_m2: float
    slope_deg: float  # mean slope
    aspect_deg: float  # mean downhill azimuth from grid north, 0 to 360
    width_m: float  # across the fall line
    length_m: float  # along the fall line, on the slope
    # highest and lowest elevation
    top_m: float
    foot_m: float
    grade: float  # mean grade, 0 to 1; no probability
    # released snow for size 1, 2, 3, 4: slab of the class's thickness over the class's area, or over all of this one
    # where it is smaller
    volume_m3: tuple[float, ...]


def find_release_areas(ground: Grid, zones: StartZones) -> tuple[ReleaseArea, ...]:
    """Separate release areas of the graded start zones of a ground, the largest first.

    Watershed over the curvature at ribs, convex rolls and sharp gully beds: what lies between them is one area. Areas
    that cannot hold a slab of size 1 are left out. Wind and snowpack are not guessed.
    """
    labels = _by_aspect(_between_ribs(zones), zones)
    surface = ground.cell_area_m2 / np.cos(np.radians(np.nan_to_num(zones.slope_deg.values)))
    least = max(slab_class(1).area_m2, LEAST_CELLS * ground.cell_area_m2)
    areas = ndimage.sum_labels(surface, labels, np.arange(labels.max(initial=0) + 1))
    found = []
    for number, place in enumerate(ndimage.find_objects(labels), start=1):
        if place is not None and areas[number] >= least:
            found.append(_area(ground, zones, surface, (place[0], place[1]), labels[place] == number))
    found.sort(key=lambda area: (-area.area_m2, -area.top_m))
    return tuple(replace(area, number=number) for number, area in enumerate(found, start=1))


def _between_ribs(zones: StartZones) -> IntArray:
    """Number of the piece between ribs of each cell; 0 is none. What is too large is cut again at gentler ribs."""
    rib, roll = zones.rib_per_m.values, zones.roll_per_m.values
    inside = np.nan_to_num(zones.grade.values) >= LEAST_GRADE
    barrier = np.maximum(np.maximum(rib / RIB_CUT, roll / ROLL_CUT), -rib / BED_CUT)
    largest = LARGEST_SLABS * slab_class(SIZES[-1]).area_m2 / zones.grade.cell_area_m2
    labels = split_at_barriers(barrier, inside, 1.0, zones.grade.cell_m)
    for limit in GENTLER_CUTS:
        large = (np.bincount(labels.ravel()) > largest)[labels] & (labels > 0)
        if not large.any():
            break
        again = split_at_barriers(barrier, large, limit, zones.grade.cell_m)
        labels = np.where(large, again + labels.max(), labels).astype(np.int32)
    return labels


def split_at_barriers(barrier: FloatArray, inside: BoolArray, limit: float, cell_m: float) -> IntArray:
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
        number=0,
        outline=outline,
        cells=(rows * ground.shape[1] + cols).astype(np.int32),
        area_m2=area,
        map_area_m2=rows.size * ground.cell_area_m2,
        slope_deg=slope,
        aspect_deg=math.degrees(azimuth) % 360.0,
        width_m=float(np.ptp(across)) + cell,
        length_m=(float(np.ptp(down)) + cell) / math.cos(math.radians(slope)),
        top_m=float(heights.max()),
        foot_m=float(heights.min()),
        grade=float(np.mean(zones.grade.values[rows, cols])),
        volume_m3=tuple(min(area, slab_class(size).area_m2) * thickness_m(size, slope) for size in SIZES),
    )
