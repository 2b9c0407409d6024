"""Energy lines: how far they come, and that ridges stop them."""

import numpy as np
import pytest

from lastseen.traps.ground import TRAVEL_ANGLE_DEG, find_ground_in_travel_angle
from traps.made_ground import axes, grid, profile, slope


@pytest.mark.parametrize("cell_m", [2.0, 5.0])
def test_a_line_ends_where_it_meets_the_flat(cell_m):
    """From 60 m up a slope of 35 degrees a line of 25 degrees ends 60 / tan 25 away (Heim 1932: plane geometry)."""
    _, down = axes(cell_m, 0.0, 600.0)
    run = 60.0 / np.tan(np.radians(35.0))
    z = profile(down, [(0, 35), (400, 0)])
    start = abs(down + run) < 0.51 * cell_m
    reached = find_ground_in_travel_angle(grid(z, cell_m), start, 25.0)
    assert down[reached].max() == pytest.approx(60.0 / np.tan(np.radians(25.0)) - run, abs=3 * cell_m)
    assert not reached[down < -run - cell_m].any()


def test_a_ridge_stops_it():
    _, down = axes(2.0, 0.0)
    z = np.where(down > 30.0, slope(down, 35) + 60.0, slope(down, 35))
    reached = find_ground_in_travel_angle(grid(z, 2.0), abs(down + 60.0) < 1.1, 30.0)
    assert reached[abs(down) < 20.0].all()
    assert not reached[down > 32.0].any()


def test_it_spreads_sideways_evenly():
    """On a plane steeper than the line, reached ground is the same to both sides and grows downhill."""
    across, down = axes(2.0, 0.0)
    reached = find_ground_in_travel_angle(grid(slope(down, 35), 2.0), np.hypot(across, down + 100) < 3.0, 30.0)
    np.testing.assert_array_equal(reached, reached[:, ::-1])
    assert reached[abs(down - 80) < 1.1].sum() > reached[abs(down + 40) < 1.1].sum() > 0


def test_no_data_stops_it_and_larger_sizes_go_farther():
    _, down = axes(2.0, 0.0)
    z = slope(down, 35)
    z[(down > 0) & (down < 9)] = np.nan
    assert not find_ground_in_travel_angle(grid(z, 2.0), abs(down + 60) < 1.1, 30.0)[down > 10].any()
    assert list(TRAVEL_ANGLE_DEG.values()) == sorted(TRAVEL_ANGLE_DEG.values(), reverse=True)
