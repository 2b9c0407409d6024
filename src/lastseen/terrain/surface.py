"""What the ground is at each cell: slope, aspect and curvature.

Slope and aspect follow Horn (1981, Proc. IEEE 69:14). Curvatures follow the physical definitions collected by Minar,
Evans & Jenco (2020, Earth-Science Reviews 211:103414) on the derivatives of Zevenbergen & Thorne (1987, Earth Surface
Processes and Landforms 12:47). Convex is positive.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

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
        Downhill azimuth from grid north, 0 to 360. NaN on flats.
    """

    elevation: Grid
    slope_deg: Grid
    aspect_deg: Grid


@dataclass(frozen=True)
class Curvature:
    """Curvatures in 1/m, convex positive; NaN beside no data, on the outer frame and on flats."""

    profile: Grid
    tangential: Grid
    plan: Grid


def read_terrain(elevation: Grid) -> Terrain:
    """Slope and aspect of a grid of elevations (metres, NaN is no data)."""
    z, cell_m = elevation.values, elevation.cell_m
    slope, aspect = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    over_rows(lambda first, last: kernels.horn(z, cell_m, first, last, slope, aspect), z.shape[0])
    return Terrain(elevation, elevation.with_values(slope), elevation.with_values(aspect))


def derivatives(elevation: Grid) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return z_x, z_y, z_xx, z_xy, z_yy (x east, y north) after Zevenbergen & Thorne (1987)."""
    z, cell_m = elevation.values, elevation.cell_m
    p, q, r, s, t = (np.full(z.shape, np.nan) for _ in range(5))
    over_rows(lambda first, last: kernels.derivatives(z, cell_m, first, last, p, q, r, s, t), z.shape[0])
    return p, q, r, s, t


def curvature(elevation: Grid) -> Curvature:
    """Profile (normal slope line), tangential (normal contour) and plan (contour) curvature in 1/m."""
    p, q, r, s, t = derivatives(elevation)
    g2 = p * p + q * q
    g2[g2 < 1e-12] = np.nan
    w = 1.0 + g2
    along = r * p * p + 2.0 * s * p * q + t * q * q
    across = r * q * q - 2.0 * s * p * q + t * p * p
    return Curvature(
        profile=elevation.with_values(-along / (g2 * w**1.5)),
        tangential=elevation.with_values(-across / (g2 * np.sqrt(w))),
        plan=elevation.with_values(-across / g2**1.5),
    )


def smoothed(elevation: Grid, sigma_m: float) -> Grid:
    """Gaussian-smoothed elevations; no data stays no data and does not bleed.

    Parameters
    ----------
    elevation : Grid
    sigma_m : float
        Standard deviation, metres. Below a quarter of a cell nothing is done.
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
