"""Small ground made by hand: known numbers, laid at any azimuth so that no axis is special."""

from __future__ import annotations

import numpy as np
from pyproj import CRS

from lastseen.core.grid import Grid
from lastseen.terrain.surface import Terrain, read_terrain

UTM = CRS.from_epsg(32632)
SIZE_M = 300.0


def axes(cell_m, azimuth_deg=0.0, size_m=SIZE_M):
    """Metres across (to the right when looking down) and down the slope from the middle, for each cell."""
    n = round(size_m / cell_m)
    at = (np.arange(n) + 0.5) * cell_m - 0.5 * size_m
    east, north = np.meshgrid(at, -at)
    a = np.radians(azimuth_deg)  # downhill
    return -east * np.cos(a) + north * np.sin(a), east * np.sin(a) + north * np.cos(a)


def profile(down, parts):
    """Heights of slopes (until this far down from the middle, degrees)."""
    at = np.linspace(-400.0, 400.0, 16001)
    gradient = np.tan(np.radians(parts[-1][1])) * np.ones_like(at)
    for until, degrees in reversed(parts):
        gradient[at < until] = np.tan(np.radians(degrees))
    return 1500.0 - np.interp(down, at, np.concatenate([[0.0], np.cumsum(gradient[1:] * np.diff(at))]))


def slope(down, degrees):
    return 1500.0 - down * np.tan(np.radians(degrees))


def trench(away, depth, width, floor=0.0):
    """How far a trench is cut in at a distance from its axis: V-shaped, or with a floor."""
    return np.clip((0.5 * width - np.abs(away)) / (0.5 * (width - floor)), 0.0, 1.0) * depth


def grid(z, cell_m):
    return Grid(z, 600_000.0, 5_100_000.0, cell_m, UTM)


def terrain(z, cell_m) -> Terrain:
    return read_terrain(grid(z, cell_m))


def everywhere(z):
    return np.ones(z.shape, dtype=bool)
