"""Grounds that more than one test file of the terrain room uses."""

import matplotlib.cbook
import numpy as np
import rasterio

from dem_zoo import UTM, cone, gully, hill, plane, saddle, sphere
from lastseen.core.grid import Grid
from lastseen.terrain.elevation import Elevation, Piece, RawWindow
from lastseen.terrain.elevation_report import report_window

SHAPE = (61, 73)
SYNTHETIC = {
    "cone": cone(shape=SHAPE),
    "sphere": sphere(shape=SHAPE),
    "saddle": saddle(shape=SHAPE),
    "plane33": plane(shape=SHAPE),
    "gully": gully(shape=SHAPE),
    "hill": hill(shape=SHAPE),
}


def grid(values, cell_m=5.0):
    """A grid somewhere."""
    return Grid(np.asarray(values, float), 620_000.0, 5_150_000.0, cell_m, UTM)


def report_on(ground):
    """The report on a grid, as if it were the window of a file."""
    box, cell = ground.bounds, ground.cell_m
    elevation = Elevation(
        sheets=(), crs=ground.crs, cell_m=cell, anchor_m=(box[0], box[3]), bounds_m=box, notes=()
    )  # fmt: skip
    z = np.ascontiguousarray(ground.values, float)
    piece = Piece(heights=z, transform=ground.transform, crs=ground.crs, cell_m=(cell, cell))
    raw = RawWindow(grid=ground, pieces=(piece,), owner=np.isfinite(z).astype(np.uint8), impossible=())
    return report_window(elevation, raw)


def notes_on(ground):
    """What the report on a grid says."""
    return report_on(ground).notes


def sample_ground():
    """The sample elevation model that comes with matplotlib (whole metres), taken as 90 m cells."""
    with matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz") as data:
        values = np.asarray(data["elevation"], float)
    if values.shape != (344, 403):
        raise AssertionError(f"another sample came with matplotlib: {values.shape}")
    return grid(values, 90.0)


def rough_ground(shape=(57, 71), cell_m=5.0, seed=7, amplitude=1.5):
    """A hill with roughness, hollows and no ties."""
    ground = hill(shape=shape, cell_m=cell_m)
    return ground.with_values(ground.values + np.random.default_rng(seed).normal(0.0, amplitude, shape))


def real_grounds(paths):
    """Real files as grids, one after the other."""
    for name, path in paths.items():
        with rasterio.open(path) as data:
            yield name, grid(data.read(1, masked=True).astype(float).filled(np.nan), data.transform.a)


def turn_between(one, other):
    """Difference of two azimuths, 0 to 180 degrees."""
    return abs((one - other + 180.0) % 360.0 - 180.0)
