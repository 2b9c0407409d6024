"""Published and derived values of slope, aspect and curvature."""

import math

import numpy as np
import pytest

from dem_zoo import UTM
from lastseen.core.grid import Grid
from lastseen.terrain.surface import curvature, derivatives, read_terrain
from oracles import terrain as oracle
from reference_rows import check_row, read_reference


def nine(z, cell_m):
    return Grid(np.array(z, float), 0.0, 3.0 * cell_m, cell_m, UTM)


def horn(which):
    return lambda z, cell_m: getattr(read_terrain(nine(z, cell_m)), which).values[1, 1]


def zt_slope_deg(z, cell_m):
    p, q = (one[1, 1] for one in derivatives(nine(z, cell_m))[:2])
    return math.degrees(math.atan(math.hypot(p, q)))


def zt_aspect_deg(z, cell_m):
    p, q = (one[1, 1] for one in derivatives(nine(z, cell_m))[:2])
    return math.degrees(math.atan2(-p, -q)) % 360.0


def on_sphere(which):
    def measured(radius_m, east_m, north_m, cell_m):
        x, y = east_m + np.array([-1, 0, 1]) * cell_m, north_m + np.array([1, 0, -1]) * cell_m
        z = np.sqrt(radius_m**2 - x[None, :] ** 2 - y[:, None] ** 2)
        return getattr(curvature(nine(z, cell_m)), which).values[1, 1]

    return measured


FUNCTIONS = {
    "horn_slope_deg": horn("slope_deg"),
    "horn_aspect_deg": horn("aspect_deg"),
    "zt_slope_deg": zt_slope_deg,
    "zt_aspect_deg": zt_aspect_deg,
    "profile_curvature_per_m": on_sphere("profile"),
    "tangential_curvature_per_m": on_sphere("tangential"),
    "plan_curvature_per_m": on_sphere("plan"),
}
ORACLE = {
    "horn_slope_deg": lambda z, cell_m: oracle.horn(z, 1, 1, cell_m)[0],
    "horn_aspect_deg": lambda z, cell_m: oracle.horn(z, 1, 1, cell_m)[1],
    "zt_slope_deg": lambda z, cell_m: oracle.zevenbergen_thorne(z, 1, 1, cell_m)[0],
    "zt_aspect_deg": lambda z, cell_m: oracle.zevenbergen_thorne(z, 1, 1, cell_m)[1],
}
ROWS = read_reference("terrain")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_reference_value(row):
    """Each row of terrain.csv holds."""
    check_row(row, FUNCTIONS)


@pytest.mark.parametrize("row", [row for row in ROWS if row["quantity"] in ORACLE], ids=lambda row: row["id"])
def test_the_oracle_agrees_with_the_reference(row):
    """The slow twin is held to the same values, so that it can be trusted as a twin."""
    check_row(row, ORACLE)


def test_every_function_has_rows():
    """No quantity is left without a value."""
    assert {row["quantity"] for row in ROWS} == set(FUNCTIONS)
