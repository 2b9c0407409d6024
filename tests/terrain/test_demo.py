"""The layers on the invented mountain, beside the measures in its own README."""

from functools import cache

import numpy as np
import pytest
import rasterio

from lastseen.core.machine import shared_folder
from lastseen.terrain.drainage import accumulation_m2, find_drainage
from lastseen.terrain.neighbourhood import cliff_drop_m, openness, slope_breaks
from terrain.grounds import grid, notes_on


@cache
def mountain():
    with rasterio.open(shared_folder("demo") / "ysterra.tif") as data:
        ground = grid(data.read(1).astype(float), data.transform.a)
        return ground, data.transform


def around(layer, east_m, north_m, cells):
    """Values within some cells of a place."""
    _, t = mountain()
    col, row = int((east_m - t.c) / t.a), int((north_m - t.f) / t.e)
    return layer.values[row - cells : row + cells + 1, col - cells : col + cells + 1]


def test_the_cliff_band_has_its_height():
    """18 to 22 m between its edges."""
    ground, _ = mountain()
    drop = around(cliff_drop_m(ground), 561867, 7300729, 8)
    wall = drop[drop > 0]
    assert wall.size > 20
    assert 17.0 < np.median(wall) < 23.0


def test_the_closed_hollow_has_its_depth():
    """3.4 m deep, 44 m across."""
    ground, _ = mountain()
    depth = find_drainage(ground).filled.depth_m
    hollow = around(depth, 561881, 7301313, 15)
    assert hollow.max() == pytest.approx(3.4, abs=0.1)
    assert 2.0 * np.sqrt((hollow > 0).sum() * 4.0 / np.pi) == pytest.approx(44.0, rel=0.1)


def test_the_bench_is_a_change_of_slope():
    """From 37 to 7 degrees where the slope meets the bench."""
    ground, _ = mountain()
    change = around(slope_breaks(ground).change_deg, 561235, 7300845, 20)
    assert np.nanmax(change) > 15.0
    assert np.nanmin(change) < -15.0  # its outer edge


def test_the_gully_gathers_the_flow_and_is_not_open():
    """Its bed has more area than the slope beside it and less sky."""
    ground, _ = mountain()
    area, sky = accumulation_m2(find_drainage(ground), "multiple"), openness(ground).positive_deg
    bed, open_slope = (560717, 7300931), (561265, 7300633)
    assert around(area, *bed, 6).max() > 10.0 * np.median(around(area, *open_slope, 6))
    assert around(sky, *bed, 1).mean() < 80.0 < np.median(around(sky, *open_slope, 6))


def test_the_mountain_has_no_doubtful_heights():
    """The demo raises no note."""
    assert notes_on(mountain()[0]) == ()
