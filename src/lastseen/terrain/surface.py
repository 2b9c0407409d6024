"""What the ground is at each cell: slope, aspect, curvature, and heights lightly smoothed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from lastseen.core import FloatArray, Grid, run_over_rows
from lastseen.terrain import surface_kernels

# ---- What the ground is at each cell: slope, aspect and derivatives of the height
# Slope and aspect follow Horn (1981, Proc. IEEE 69:14), derivatives Zevenbergen & Thorne (1987, Earth Surface
# Processes and Landforms 12:47). All are local: a cell and its eight neighbours.


@dataclass(frozen=True, kw_only=True)
class Terrain:
    """The ground and its local shape, all on one lattice."""

    elevation: Grid  # metres
    slope_deg: Grid  # 0 to 90, Horn (1981). NaN beside no data and on the outer frame.
    aspect_deg: Grid  # downhill azimuth from grid north, from 0 to below 360. NaN on flats.


def prepare_heights(elevation: Grid) -> FloatArray:
    """Heights as kernels want them: one block of memory in double precision."""
    return np.ascontiguousarray(elevation.values, dtype=np.float64)


def read_terrain(elevation: Grid) -> Terrain:
    """Slope and aspect of a grid of elevations (metres, NaN is no data)."""
    z, cell_m = prepare_heights(elevation), elevation.cell_m
    slope, aspect = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    run_over_rows(lambda first, last: surface_kernels.horn(z, cell_m, first, last, slope, aspect), z.shape[0])
    return Terrain(
        elevation=elevation, slope_deg=elevation.with_values(slope), aspect_deg=elevation.with_values(aspect)
    )


def derivatives(elevation: Grid) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return z_x, z_y, z_xx, z_xy, z_yy (x east, y north) after Zevenbergen & Thorne (1987)."""
    z, cell_m = prepare_heights(elevation), elevation.cell_m
    p, q, r, s, t = (np.full(z.shape, np.nan) for _ in range(5))
    run_over_rows(lambda first, last: surface_kernels.derivatives(z, cell_m, first, last, p, q, r, s, t), z.shape[0])
    return p, q, r, s, t


# ---- Smoothing that keeps the rim and does not bleed into no data


def smooth_heights(elevation: Grid, sigma_m: float) -> Grid:
    """Gaussian-smoothed elevations, standard deviation in metres; no data stays no data and does not bleed.

    Below a quarter of a cell nothing is done.
    """
    sigma = sigma_m / elevation.cell_m
    if sigma < 0.25:
        return elevation
    known = np.isfinite(elevation.values)
    # Smooth the departure from a plane-free base so that weights at the rim do not tilt the surface.
    base = float(np.nanmean(elevation.values)) if known.any() else 0.0
    if known.all():
        values = ndimage.gaussian_filter(elevation.values - base, sigma, mode="nearest", truncate=3.0)
        return elevation.with_values(_keep_rim(values + base, elevation.values, sigma))
    weight = ndimage.gaussian_filter(known.astype(float), sigma, mode="nearest", truncate=3.0)
    total = ndimage.gaussian_filter(np.where(known, elevation.values - base, 0.0), sigma, mode="nearest", truncate=3.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        values = np.where(known & (weight > 0.999), total / weight + base, elevation.values)
    return elevation.with_values(_keep_rim(values, elevation.values, sigma))


def _keep_rim(values: FloatArray, original: FloatArray, sigma: float) -> FloatArray:
    """Keep the original heights on the rim, where the filter would see mirrored ground."""
    rim = min(int(np.ceil(3.0 * sigma)), min(values.shape) // 2)
    out = original.copy()
    out[rim:-rim, rim:-rim] = values[rim:-rim, rim:-rim]
    return out


# ---- How the ground bends: curvature along the fall line, across it, and of the contour
# The physical definitions collected by Minar, Evans & Jenco (2020, Earth-Science Reviews 211:103414) on the
# derivatives of Zevenbergen & Thorne (1987, Earth Surface Processes and Landforms 12:47). Convex is positive. Local:
# a cell and its eight neighbours.

FLAT_GRADIENT2 = 1e-12  # squared gradient below which ground has no fall line to bend along


@dataclass(frozen=True, kw_only=True)
class Curvature:
    """Curvatures in 1/m, convex positive; NaN beside no data, on the outer frame and on flats."""

    profile: Grid  # of the normal section along the fall line: a roll-over is positive, a flattening negative
    tangential: Grid  # of the normal section along the contour: a rib is positive, a gully negative
    plan: Grid  # of the contour itself on the map; it grows without limit where the ground is nearly flat


def curvature(elevation: Grid) -> Curvature:
    """Profile (normal slope line), tangential (normal contour) and plan (contour) curvature in 1/m."""
    z, cell_m = prepare_heights(elevation), elevation.cell_m
    profile, tangential, plan = (np.full(z.shape, np.nan) for _ in range(3))
    run_over_rows(
        lambda first, last: surface_kernels.curvatures(
            z, cell_m, FLAT_GRADIENT2, first, last, profile, tangential, plan
        ),
        z.shape[0],
    )
    return Curvature(
        profile=elevation.with_values(profile),
        tangential=elevation.with_values(tangential),
        plan=elevation.with_values(plan),
    )
