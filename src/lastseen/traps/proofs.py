"""Traps on small made-up ground whose answer is known in closed form, for the reference values."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from pyproj import CRS

from lastseen.errors import NothingFoundError
from lastseen.grid import FloatArray, Grid
from lastseen.terrain import read_terrain
from lastseen.traps.find import find_traps
from lastseen.traps.pile_up import deposit_depth_between_m
from lastseen.traps.trap import Kind, Trap

_SIDE_M = 200.0


def _axes(cell_m: float) -> tuple[FloatArray, FloatArray]:
    """Metres across and down the slope from the middle."""
    n = round(_SIDE_M / cell_m)
    at = (np.arange(n) + 0.5) * cell_m - 0.5 * _SIDE_M
    across, down = np.meshgrid(at, at)
    return across, down


def _only(kind: Kind, z: FloatArray, cell_m: float) -> Trap:
    terrain = read_terrain(Grid(z, 0.0, _SIDE_M, cell_m, CRS.from_epsg(32632)))
    found = [one for one in find_traps(terrain, np.ones(z.shape, np.bool_)) if one.kind == kind]
    if len(found) != 1:
        raise NothingFoundError(f"{len(found)} traps of kind {kind} on ground that holds one: report this")
    return found[0]


def cliff_drop_m(height_m: float, cell_m: float, slope_deg: float) -> float:
    """Drop that is measured of a vertical wall in an even slope."""
    _, down = _axes(cell_m)
    z = 1500.0 - math.tan(math.radians(slope_deg)) * down - np.where(down > 0.0, height_m, 0.0)
    return _only("cliff", z, cell_m).drop_m


def bank_pile_up_m(wall_m: float, slope_deg: float, cell_m: float) -> float:
    """Depth of the standard debris (10 m2) that is measured where an even slope meets a vertical wall."""
    _, down = _axes(cell_m)
    z = 1500.0 - math.tan(math.radians(slope_deg)) * np.minimum(down, 0.0) + np.where(down > 0.0, wall_m, 0.0)
    return _only("bank", z, cell_m).pile_up_m


def gully_pile_up_m(depth_m: float, width_m: float, floor_m: float, cell_m: float) -> float:
    """Depth of the standard debris (10 m2) that is measured in a straight gully of 25 degrees."""
    across, down = _axes(cell_m)
    away = np.abs(across - 0.5 * cell_m)  # the axis runs through cell centres
    cut = np.clip((0.5 * width_m - away) / (0.5 * (width_m - floor_m)), 0.0, 1.0) * depth_m
    return _only("gully", 1500.0 - math.tan(math.radians(25.0)) * down - cut, cell_m).pile_up_m


QUANTITIES: dict[str, Callable[..., float]] = {
    "deposit_depth_between_m": deposit_depth_between_m,
    "cliff_drop_m": cliff_drop_m,
    "bank_pile_up_m": bank_pile_up_m,
    "gully_pile_up_m": gully_pile_up_m,
}
