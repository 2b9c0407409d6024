"""Small hills to plan on, written as rasters: quick enough for tests, shaped like real ground."""

from __future__ import annotations

import numpy as np
import rasterio
from affine import Affine

CELL_M = 5.0
WEST_M, NORTH_M = 500_000.0, 5_200_000.0
EPSG = 32632


def hill(ny=220, nx=180):
    """A slope of about 36 degrees with a shallow trough that eases onto flat ground; falls to the south, asymmetric."""
    x, y = np.meshgrid((np.arange(nx) + 0.5) * CELL_M, (np.arange(ny) + 0.5) * CELL_M)
    down = y - 0.12 * (x - 450.0)
    z = 1500.0 + 330.0 * np.exp(-((np.maximum(down - 80.0, 0.0) / 430.0) ** 1.6))
    return z + 0.0009 * (x - 430.0 - 0.08 * down) ** 2 * np.exp(-down / 700.0)


def write(path, z, west_m=WEST_M, north_m=NORTH_M, cell_m=CELL_M, epsg=EPSG, **more):
    """A GeoTIFF of heights."""
    options = {"driver": "GTiff", "count": 1, "dtype": "float64", "nodata": -9999.0, "crs": f"EPSG:{epsg}"}
    options |= {"height": z.shape[0], "width": z.shape[1], "transform": Affine(cell_m, 0, west_m, 0, -cell_m, north_m)}
    with rasterio.open(path, "w", **(options | more)) as file:
        file.write(np.where(np.isfinite(z), z, -9999.0), 1)
        file.units = ("m",)
    return path


def hill_with_gully(ny=220, nx=180):
    """The same slope with a gully 9 m deep and 40 m wide down its lower half."""
    x, y = np.meshgrid((np.arange(nx) + 0.5) * CELL_M, (np.arange(ny) + 0.5) * CELL_M)
    away = np.abs(x - 430.0 - 0.08 * y)
    return hill(ny, nx) - 9.0 * np.clip(1.0 - away / 20.0, 0.0, 1.0) * np.clip((y - 350.0) / 60.0, 0.0, 1.0)
