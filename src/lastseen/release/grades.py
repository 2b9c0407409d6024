"""How much of what a slab needs is there, cell by cell: slope, ribs, ruggedness and canopy, each kept apart.

A grade from 0 to 1 is no probability. Wind, snowpack and weather are not guessed: a slope that faces any way has the
same grade, and where snow has drifted the grade does not know it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from lastseen.grid import FloatArray, Grid
from lastseen.release.start_zones import CLOSED_CANOPY, crown_cover, start_zone_terrain
from lastseen.terrain import derivatives, smoothed
from lastseen.terrain.around.roughness import WIDEST_CELLS, ruggedness

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


@dataclass(frozen=True, eq=False)
class StartZones:
    """Grades of a ground, all 0 to 1 on its lattice; NaN where the slope is not known.

    Attributes
    ----------
    grade : Grid
        Product of slope, ribs, ruggedness and canopy; 0 outside the start-zone terrain of 28 to 55 degrees.
    slope : Grid
        1 on 30 to 45 degrees.
    ribs : Grid
        1 on even and hollow ground, 0 on sharp ribs.
    rolls : Grid
        1 on sharp convex rolls down the slope, where a crown is likely; not part of the grade.
    ruggedness : Grid
        1 on even ground.
    canopy : Grid
        1 without trees; all 1 where no trees are known.
    rib_per_m, roll_per_m : Grid
        Curvature along the contour and along the fall line at the scale of a slab, convex positive, 1/m.
    slope_deg, aspect_deg : Grid
        Of the ground as a slab feels it.
    """

    grade: Grid
    slope: Grid
    ribs: Grid
    rolls: Grid
    ruggedness: Grid
    canopy: Grid
    rib_per_m: Grid
    roll_per_m: Grid
    slope_deg: Grid
    aspect_deg: Grid


def grade_start_zones(ground: Grid, cover: Grid | None = None) -> StartZones:
    """Grade the start zones of a ground.

    Parameters
    ----------
    ground : Grid
        Elevations, metres; NaN is no data.
    cover : Grid, optional
        Share of each cell under crowns, 0 to 1, on the same lattice.
    """
    band, terrain = start_zone_terrain(ground, cover)
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
        ground.with_values(grade),
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
    p, q = (_averaged(one, SHAPE_SMOOTHING_M / ground.cell_m) for one in (p, q))
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
    smooth = smoothed(ground, SNOW_EVENS_M)
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
