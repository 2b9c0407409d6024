"""Smoothing that keeps the rim and does not bleed into no data."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from lastseen.grid import FloatArray, Grid


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
