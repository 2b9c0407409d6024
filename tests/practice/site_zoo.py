"""A zoo of made ground for practice sites: a meadow, and what can stand above it. Falls towards an odd azimuth."""

import numpy as np
from pyproj import CRS

from lastseen.core.grid import Grid

UTM = CRS.from_epsg(32632)
AZIMUTH = 203.0
MEADOW_DEG = 15.0


def ground(profile, cell_m=5.0, side_m=1200.0, across=lambda a: 0.0):
    """Heights of ``profile(down)``: metres down the slope from the middle of the square, plus ``across(a)``."""
    n = round(side_m / cell_m)
    x = (np.arange(n) + 0.5) * cell_m - 0.5 * side_m
    y = 0.5 * side_m - (np.arange(n) + 0.5) * cell_m
    x, y = np.meshgrid(x, y)
    turn = np.radians(AZIMUTH)
    down = x * np.sin(turn) + y * np.cos(turn)
    sideways = -x * np.cos(turn) + y * np.sin(turn)
    return Grid(profile(down) + across(sideways), 600_000.0, 5_100_000.0 + side_m, cell_m, UTM)


def falls(*parts):
    """A profile of straight pieces: (from, slope in degrees), each down to where the next begins."""
    starts = np.array([at for at, _ in parts], float)
    slopes = np.tan(np.radians([slope for _, slope in parts]))

    def profile(down):
        fine = np.arange(-1000.0, 1000.5, 0.5)
        k = np.clip(np.searchsorted(starts, fine, side="right") - 1, 0, len(parts) - 1)
        z = 2000.0 - np.concatenate([[0.0], np.cumsum(slopes[k][:-1] * 0.5)])
        return np.interp(down, fine, z)

    return profile


def meadow():
    """A meadow of 15 degrees below a broad crest, and nothing else."""
    return ground(falls((-2000, -8.0), (-250, 4.0), (-200, MEADOW_DEG)))


def below_a_face():
    """The meadow below a face of 40 degrees, 50 m high."""
    return ground(falls((-2000, -8.0), (-300, 5.0), (-220, 40.0), (-160, MEADOW_DEG)))


def behind_a_ridge():
    """The same meadow and the same face, with a hollow and a ridge 35 m high between them, its flanks gentle."""
    return ground(falls((-2000, -8.0), (-420, 5.0), (-340, 40.0), (-280, 0.0), (-230, -24.0), (-150, MEADOW_DEG)))


def below_a_roll():
    """The meadow below a roll of 30 degrees that is 35 m long on the map and 20 m high."""
    return ground(falls((-2000, -8.0), (-230, 5.0), (-155, 30.5), (-115, MEADOW_DEG)))


def crossed_by_a_gully():
    """The meadow with a gully 6 m deep down its middle."""
    gully = {"across": lambda a: -6.0 * np.clip(1.0 - np.abs(a) / 14.0, 0.0, 1.0)}
    gully = {"across": lambda a: -6.0 * np.clip(1.0 - np.abs(a) / 14.0, 0.0, 1.0)}
    return ground(falls((-2000, -8.0), (-150, 5.0), (-120, MEADOW_DEG)), cell_m=2.0, side_m=560.0, **gully)


def below_a_mound():
    """The meadow below a mound of 45 m with flanks of 37 degrees on it: samples reach a band of it only."""
    base = meadow()
    rows, cols = np.indices(base.shape)
    x, y = base.centre_of(rows, cols)
    turn = np.radians(AZIMUTH)
    away = np.hypot(x - 600_600.0 + 150.0 * np.sin(turn), y - 5_100_600.0 + 150.0 * np.cos(turn))
    return base.with_values(base.values + 45.0 * np.clip(1.0 - away / 60.0, 0.0, 1.0))
