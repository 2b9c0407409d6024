"""Small grounds to read: planes, a ridge, a face over a flat, a face over a hollow."""

from __future__ import annotations

import numpy as np
from pyproj import CRS

from lastseen.core.grid import Grid

UTM = CRS.from_epsg(32632)
WEST_M, NORTH_M = 500_000.0, 5_200_000.0


def grid(z, cell_m=5.0, west_m=WEST_M, north_m=NORTH_M):
    return Grid(np.asarray(z, float), west_m, north_m, cell_m, UTM)


def face(ny=150, nx=90, cell_m=5.0, slope_deg=40.0, length_m=200.0, top_m=60.0):
    """A flat top, an even face that falls to the south, a flat run-out; y is metres south of the top edge."""
    y = (np.arange(ny) + 0.5)[:, None] * cell_m + 0.0 * np.arange(nx)[None, :]
    down = np.clip(y - top_m, 0.0, length_m)
    x = (np.arange(nx) + 0.5)[None, :] * cell_m
    return grid(2000.0 - np.tan(np.radians(slope_deg)) * down + 0.002 * (x - 200.0), cell_m)


def ridge(ny=160, nx=80, cell_m=5.0, slope_deg=38.0):
    """A ridge from west to east; both sides fall evenly and run out."""
    y = (np.arange(ny) + 0.5)[:, None] * cell_m + 0.0 * np.arange(nx)[None, :]
    away = np.abs(y - 0.5 * ny * cell_m)
    # A crest 30 m wide that is nearly flat, then both faces, then flat ground.
    drop = np.tan(np.radians(slope_deg)) * np.clip(away - 15.0, 0.0, 180.0) + 0.02 * np.minimum(away, 15.0)
    return grid(2000.0 - drop, cell_m)


def rough_face(seed=3, ny=120, nx=100, cell_m=5.0):
    """A face with a trough and humps, asymmetric: samples meet each other and go different ways."""
    rng = np.random.default_rng(seed)
    base = face(ny, nx, cell_m, 36.0, 300.0, 40.0).values
    y, x = np.mgrid[0:ny, 0:nx] * cell_m
    waves = 6.0 * np.sin(x / 41.0 + 0.3) + 4.0 * np.cos(y / 57.0) + 8.0 * np.exp(-(((x - 260.0) / 60.0) ** 2))
    return grid(base - waves + rng.normal(0.0, 0.05, base.shape), cell_m)
