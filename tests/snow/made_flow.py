"""Small grounds and releases for the tests of the flow."""

import numpy as np
from pyproj import CRS

from lastseen.core.grid import Grid

UTM = CRS.from_epsg(32632)
WEST_M, NORTH_M = 500_000.0, 5_200_000.0


def places(nx, ny, cell_m):
    """x east and y north of the cell centres from the lower left corner, metres."""
    return np.meshgrid((np.arange(nx) + 0.5) * cell_m, (ny - np.arange(ny) - 0.5) * cell_m)


def ground_of(height, nx=90, ny=70, cell_m=2.0):
    """Ground whose height is a function of x and y in metres from the lower left corner."""
    x, y = places(nx, ny, cell_m)
    values = np.ascontiguousarray(np.broadcast_to(height(x, y), (ny, nx)), float)
    return Grid(values, WEST_M, NORTH_M, cell_m, UTM)


def slope_with_trough(x, y):
    """A slope of about 33 degrees that eases onto flat ground, with a bent trough; nothing in it is symmetric."""
    down = 60.0 * np.exp(-((np.maximum(x - 10.0, 0.0) / 75.0) ** 1.5))
    return down + 0.01 * (y - 65.0 - 8.0 * np.sin(x / 30.0)) ** 2 * np.exp(-x / 120.0)


def patch(ground, x0, x1, y0, y1, depth_m=0.6):
    """A release between two x and two y in metres from the lower left corner."""
    ny, nx = ground.shape
    x, y = places(nx, ny, ground.cell_m)
    return np.where((x > x0) & (x < x1) & (y > y0) & (y < y1), depth_m, 0.0)
