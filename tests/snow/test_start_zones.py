"""The release that belongs to a last-seen point: on planes whose answer is known, and where there is none."""

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPolygon, Point, box

from dem_zoo import grid_of, plane, turned
from lastseen.core.errors import InputError
from lastseen.core.outlines import cells_of_outline
from lastseen.snow.release import (
    build_drawn_release,
    find_release,
    find_start_zone_terrain,
    slab_class,
    slope_factor,
    thickness_m,
)
from lastseen.terrain.surface import read_terrain

SHAPE = (101, 123)  # 505 x 615 m
MIDDLE = (311.3, 248.7)


def at(ground, x, y):
    """Map coordinates of a point given from the lower left corner."""
    return ground.west_m + x, ground.bounds[1] + y


def slope_of_two_parts(upper_deg, lower_deg, edge_m=250.0):
    """Rises northwards: ``lower_deg`` below the edge, ``upper_deg`` above it."""
    low, high = np.tan(np.radians([lower_deg, upper_deg]))
    return grid_of(
        lambda x, y: 1000.0 + 0.0 * x + low * np.minimum(y, edge_m) + high * np.maximum(y - edge_m, 0.0), shape=SHAPE
    )


def ring_m2(release, ground):
    """Area on the slope of one ring of cells around an outline."""
    return release.outline.length * ground.cell_m / math.cos(math.radians(release.slope_deg))


@pytest.mark.parametrize("size", [1, 2, 3])
@pytest.mark.parametrize("downhill_deg", [0.0, 33.0, 217.0])
def test_a_plane_of_38_degrees_gives_the_slab_of_the_class(size, downhill_deg):
    """Area, thickness and volume of the class; the point inside; the crown above it."""
    ground = plane(38.0, downhill_deg, shape=SHAPE)
    x, y = at(ground, *MIDDLE)
    got = find_release(ground, x, y, size)
    wanted = slab_class(size)
    assert abs(got.area_m2 - wanted.area_m2) <= ring_m2(got, ground)
    assert abs(got.area_m2 - wanted.area_m2) <= ground.cell_area_m2 / math.cos(math.radians(38.0)) + 1e-6
    assert got.area_m2 == pytest.approx(got.outline.area / math.cos(math.radians(38.0)), rel=1e-6)
    assert got.outline.contains(Point(x, y))
    assert len(got.outline.geoms) == 1
    assert got.slope_deg == pytest.approx(38.0, abs=1e-3)
    assert got.thickness_m == pytest.approx(wanted.thickness_at_38_m, rel=1e-4)
    assert got.volume_m3 == pytest.approx(got.area_m2 * got.thickness_m)
    assert got.volume_m3 == pytest.approx(wanted.volume_m3, rel=ring_m2(got, ground) / wanted.area_m2)
    assert not got.drawn
    assert "holds the last-seen point" in got.reason
    assert "ends at" not in got.reason
    # The crown: no cell of the release is higher.
    row, col = np.divmod(got.cells[: got.nominal_cells], SHAPE[1])
    top = ground.cell_of(*got.top_m)
    assert ground.values[top] == ground.values[row, col].max()
    np.testing.assert_array_equal(np.sort(got.cells[: got.nominal_cells]), cells_of_outline(got.outline, ground))


@pytest.mark.parametrize("downhill_deg", [0.0, 33.0, 90.0, 135.0])
def test_the_slab_is_longer_than_wide(downhill_deg):
    """80 m long for 50 m wide, as the median slab, measured on the snow whatever way the slope faces."""
    ground = plane(38.0, downhill_deg, shape=(161, 161), cell_m=2.5)
    x, y = at(ground, 203.0, 201.0)
    got = find_release(ground, x, y, 2)
    row, col = np.divmod(got.cells[: got.nominal_cells], 161)
    cx, cy = ground.centre_of(row, col)
    a = math.radians(downhill_deg)
    down = ((cx - x) * math.sin(a) + (cy - y) * math.cos(a)) / math.cos(math.radians(38.0))
    across = (cx - x) * math.cos(a) - (cy - y) * math.sin(a)
    assert np.ptp(down) / np.ptp(across) == pytest.approx(1.6, rel=0.12)
    assert down.std() / across.std() == pytest.approx(1.6, rel=0.08)
    assert abs(down.mean()) < 4.0
    assert abs(across.mean()) < 4.0


@settings(max_examples=12)
@given(st.floats(29, 54), st.floats(0, 360), st.sampled_from([1, 2]))
def test_any_start_zone_gives_what_the_class_says(slope_deg, downhill_deg, size):
    """On every slope that can release: the class's area within a cell, thinner on steeper ground."""
    ground = plane(slope_deg, downhill_deg, shape=(61, 67))
    x, y = at(ground, 171.0, 148.0)
    got = find_release(ground, x, y, size)
    one_cell = ground.cell_area_m2 / math.cos(math.radians(slope_deg))
    assert 0.0 <= got.area_m2 - slab_class(size).area_m2 <= one_cell * (1.0 + 1e-3)
    expected = slab_class(size).thickness_at_38_m * slope_factor(slope_deg) / slope_factor(38.0)
    assert got.thickness_m == pytest.approx(expected, rel=1e-3)
    assert got.outline.contains(Point(x, y))


def test_growth_goes_on_beyond_the_class_for_the_ensemble():
    """Three times as much is found, in the order of growth, so that any share of it is one piece around the point."""
    ground = plane(38.0, 33.0, shape=SHAPE)
    got = find_release(ground, *at(ground, *MIDDLE), 2)
    surface = got.cells.size * ground.cell_area_m2 / math.cos(math.radians(38.0))
    assert surface == pytest.approx(3.0 * slab_class(2).area_m2, rel=0.02)
    assert np.unique(got.cells).size == got.cells.size
    row, col = (int(one) for one in ground.cell_of(*at(ground, *MIDDLE)))
    assert got.cells[0] == row * SHAPE[1] + col


def test_a_given_thickness_is_used():
    """The user's slab replaces the one of the class, and the volume follows."""
    ground = plane(38.0, 33.0, shape=SHAPE)
    got = find_release(ground, *at(ground, *MIDDLE), 2, slab_m=0.8)
    assert got.thickness_m == 0.8
    assert got.volume_m3 == pytest.approx(0.8 * got.area_m2)


def test_a_point_below_the_start_zone_climbs_to_it():
    """From the 20 degree slope below, the release lies straight up the fall line, beyond the break."""
    ground = slope_of_two_parts(38.0, 20.0)
    x, y = at(ground, 311.3, 150.0)
    got = find_release(ground, x, y, 2)
    climbed = float(re.search(r"lies (\d+) m above it up the fall line", got.reason)[1])
    assert climbed == pytest.approx(100.0, abs=12.0)
    south, north = got.outline.bounds[1] - ground.bounds[1], got.outline.bounds[3] - ground.bounds[1]
    assert south >= 240.0
    assert north > 280.0
    assert abs(got.outline.centroid.x - x) < 15.0
    assert not got.outline.contains(Point(x, y))
    assert abs(got.area_m2 - slab_class(2).area_m2) < ring_m2(got, ground)


@pytest.mark.parametrize("turns", range(4))
def test_the_way_up_may_lead_along_any_edge_of_the_ground(turns):
    """No data lies across the slope but for the outermost row of cells: the way goes out to it and in again."""
    row, col = np.indices((60, 80))
    z = 1000.0 + 5.0 * (0.2 * col + 0.58 * np.maximum(col - 20, 0)) + np.where(col < 8, -0.25, 1.5) * row
    z[1:, 6:8] = np.nan
    here = np.zeros(z.shape, bool)
    here[3, 3] = True
    ground = plane(20.0, 0.0, shape=np.rot90(z, turns).shape).with_values(np.ascontiguousarray(np.rot90(z, turns)))
    where = np.argwhere(np.rot90(here, turns))[0]
    got = find_release(ground, *ground.centre_of(*where), 1)
    climbed = float(re.search(r"lies (\d+) m above it up the fall line", got.reason)[1])
    assert 17 * 5.0 <= climbed <= 30 * 5.0
    beyond = np.rot90(col, turns).ravel()[got.cells[: got.nominal_cells]]
    assert beyond.min() >= 18


@pytest.mark.parametrize(
    ("ground", "steepest"),
    [(grid_of(lambda x, y: 1000.0 + 0.0 * x * y, shape=SHAPE), 0), (plane(20.0, 33.0, shape=SHAPE), 20)],
)
def test_nothing_steep_enough_says_what_was_looked_for(ground, steepest):
    """On flat ground and on 20 degrees: how far was climbed, how steep it was, and what to do."""
    with pytest.raises(InputError) as caught:
        find_release(ground, *at(ground, *MIDDLE), 2)
    text = str(caught.value)
    assert "no start-zone terrain of 28 to 55 degrees of the size class was met" in text
    assert f"the steepest ground on it was {steepest} degrees" in text
    assert "move the point, choose a smaller size class where there is one, or draw the release" in text
    walked = float(re.search(r"followed for (\d+) m", text)[1])
    assert (walked == 0) is (steepest == 0)


def test_a_cliff_is_no_start_zone():
    """Steeper than 55 degrees nothing lies long enough to become a slab."""
    steep, terrain = find_start_zone_terrain(plane(58.0, 33.0, shape=(21, 25)))
    slope = terrain.slope_deg.values
    assert not steep.any()
    assert np.nanmax(slope) == pytest.approx(58.0)
    steep, _ = find_start_zone_terrain(plane(54.0, 33.0, shape=(21, 25)))
    assert steep[1:-1, 1:-1].all()


def test_a_patch_smaller_than_a_quarter_of_the_class_is_passed_by():
    """A bank of 15 m can hold a slab of size 2, and is passed by in the search for one of size 4."""
    ground = grid_of(lambda x, y: 1000.0 + 0.0 * x + 0.2 * y + 0.65 * np.clip(y - 200.0, 0.0, 15.0), shape=SHAPE)
    assert "above it up the fall line" in find_release(ground, *at(ground, 300.0, 150.0), 2).reason
    with pytest.raises(InputError, match="no start-zone terrain"):
        find_release(ground, *at(ground, 300.0, 150.0), 4)


@pytest.mark.parametrize("side", [1, -1])
def test_a_release_does_not_cross_a_ridge(side):
    """Near the crest, all of the slab stays on the side of the point."""

    def height(x, y):
        _, v = turned(x, y, 311.3, 248.7)
        return 1900.0 - np.tan(np.radians(37.0)) * abs(v)

    ground = grid_of(height, shape=SHAPE)
    a = math.radians(33.0)
    x, y = 311.3 - side * 25.0 * math.sin(a), 248.7 + side * 25.0 * math.cos(a)
    got = find_release(ground, *at(ground, x, y), 2)
    row, col = np.divmod(got.cells, SHAPE[1])
    cx, cy = ground.centre_of(row, col)
    _, v = turned(cx - ground.west_m, cy - ground.bounds[1], 311.3, 248.7)
    assert (side * v > -ground.cell_m).all()
    assert (side * v).max() > 25.0
    assert got.outline.contains(Point(at(ground, x, y)))


def test_a_release_does_not_reach_round_a_summit():
    """On a cone all of it is start zone, and the slab still keeps within 75 degrees of the way the point faces."""
    ground = grid_of(lambda x, y: 2000.0 - 0.72 * np.hypot(x - 303.3, y - 251.9), shape=SHAPE)
    got = find_release(ground, *at(ground, 325.0, 262.0), 3)
    row, col = np.divmod(got.cells, SHAPE[1])
    x, y = ground.centre_of(row, col)
    azimuth = np.degrees(np.arctan2(x - ground.west_m - 303.3, y - ground.bounds[1] - 251.9))
    facing = math.degrees(math.atan2(325.0 - 303.3, 262.0 - 251.9))
    turn = abs((azimuth - facing + 180.0) % 360.0 - 180.0)
    assert 60.0 < turn.max() < 90.0


def test_a_start_zone_smaller_than_the_class_says_so():
    """A band of 38 degrees, 60 m wide on the map, cannot hold size 4."""
    ground = slope_of_two_parts(20.0, 20.0)
    y = np.arange(SHAPE[0])[::-1] * 5.0 + 2.5
    band = np.tan(np.radians(38.0)) - np.tan(np.radians(20.0))
    ground = ground.with_values(ground.values + (band * np.clip(y - 200.0, 0.0, 60.0))[:, None])
    got = find_release(ground, *at(ground, 311.3, 230.0), 4)
    assert got.area_m2 < 0.95 * slab_class(4).area_m2
    assert f"the start zone ends at {got.area_m2:.0f} m2" in got.reason
    assert got.outline.bounds[3] - ground.bounds[1] <= 270.0


@pytest.mark.parametrize("where", ["hole", "outside", "far outside"])
def test_a_point_without_height_is_refused(where):
    """On no data and off the grid: the point is named, with what to do."""
    ground = plane(38.0, 33.0, shape=SHAPE)
    values = ground.values.copy()
    values[40:60, 50:70] = np.nan
    ground = ground.with_values(values)
    x, y = {"hole": (300.0, 250.0), "outside": (615.0, 250.0), "far outside": (-3.0, 250.0)}[where]
    with pytest.raises(InputError, match=r"the last-seen point 10\.\d+,46\.\d+ lies on no data: move it"):
        find_release(ground, *at(ground, x, y), 2)


def test_a_release_keeps_off_no_data():
    """A hole beside the point is left out of the slab, whose volume stays a number."""
    ground = plane(38.0, 33.0, shape=SHAPE)
    values = ground.values.copy()
    values[40:60, 66:70] = np.nan
    got = find_release(ground.with_values(values), *at(ground, *MIDDLE), 2)
    assert np.isfinite(values.ravel()[got.cells]).all()
    assert math.isfinite(got.volume_m3)
    assert abs(got.area_m2 - slab_class(2).area_m2) < ring_m2(got, ground)


@pytest.mark.parametrize("size", [0, 5, -1])
def test_an_unknown_size_is_refused(size):
    """Sizes run from 1 to 4."""
    with pytest.raises(InputError, match=rf"destructive size {size} is not known: choose 1, 2, 3 or 4"):
        find_release(plane(38.0, 33.0), 0.0, 0.0, size)


def test_classes_grow_in_volume_and_thickness():
    """From size to size: about ten times the volume (EAWS size table), a thicker slab, a larger area."""
    classes = [slab_class(size) for size in (1, 2, 3, 4)]
    for one, typical in zip(classes, (100.0, 1000.0, 10_000.0, 100_000.0), strict=True):
        assert one.typical_volume_m3 == pytest.approx(typical, rel=0.01)
        # Median width (1.6 times as long, Schweizer & Luetschg 2001) and median crown agree with the table within two.
        assert 0.5 < one.volume_m3 / typical < 2.0
    for name in ("thickness_at_38_m", "area_m2"):
        values = [getattr(one, name) for one in classes]
        assert values == sorted(set(values))
    assert thickness_m(2, 38.0) == pytest.approx(0.50)  # median reported crown of size 2, Tirol 1992-2024


@given(st.floats(0, 90), st.floats(0, 90))
def test_steeper_slabs_are_never_thicker(one, two):
    """The factor falls with slope and stays finite where the law has no meaning."""
    low, high = sorted((one, two))
    assert 0.3 < slope_factor(high) <= slope_factor(low) < 1.3


# ---- drawn releases ---------------------------------------------------------------------------------------------


def test_a_drawn_outline_is_the_release():
    """Its area on the slope, its slope and crown, the middle first."""
    ground = plane(36.0, 33.0, shape=SHAPE)
    outline = box(*at(ground, 250.0, 200.0), *at(ground, 350.0, 280.0))
    got = build_drawn_release(ground, outline, 2)
    assert got.drawn
    assert got.nominal_cells == got.cells.size == 20 * 16
    assert got.outline.equals(outline)
    assert got.slope_deg == pytest.approx(36.0, abs=1e-3)
    assert got.area_m2 == pytest.approx(100 * 80 / math.cos(math.radians(36.0)), rel=1e-4)
    assert got.thickness_m == pytest.approx(thickness_m(2, 36.0), rel=1e-4)
    assert got.volume_m3 == pytest.approx(got.area_m2 * got.thickness_m)
    # Downhill is towards azimuth 33, so the crown is the corner in the south-west.
    assert got.top_m == pytest.approx(at(ground, 252.5, 202.5))
    row, col = np.divmod(got.cells, SHAPE[1])
    x, y = ground.centre_of(row, col)
    away = np.hypot(x - outline.centroid.x, y - outline.centroid.y)
    assert (np.diff(np.round(away, 3)) >= 0).all()
    assert build_drawn_release(ground, outline, 2, slab_m=0.31).thickness_m == 0.31


def test_a_drawn_release_of_two_parts_and_any_slope_is_taken():
    """What the user draws is not judged by the start-zone rule."""
    ground = plane(12.0, 33.0, shape=SHAPE)
    outline = MultiPolygon(
        [box(*at(ground, 100, 100), *at(ground, 140, 140)), box(*at(ground, 300, 200), *at(ground, 330, 240))]
    )
    got = build_drawn_release(ground, outline, 1)
    assert got.cells.size == 8 * 8 + 6 * 8
    np.testing.assert_array_equal(np.sort(got.cells), cells_of_outline(outline, ground))


def test_bad_drawn_outlines_are_refused():
    """Off the model, smaller than a cell, over its edge, over no data."""
    ground = plane(36.0, 33.0, shape=SHAPE)
    values = ground.values.copy()
    values[50, 60] = np.nan
    holed = ground.with_values(values)
    for outline in (
        box(*at(ground, -500, -500), *at(ground, -400, -400)),
        box(*at(ground, 100.1, 100.1), *at(ground, 101.0, 101.0)),
    ):
        with pytest.raises(InputError, match="covers no cell of the elevation model: draw a larger one"):
            build_drawn_release(ground, outline, 2)
    for outline in (
        box(*at(ground, -50, 100), *at(ground, 50, 200)),
        box(*at(ground, 250, 200), *at(ground, 350, 300)),
    ):
        with pytest.raises(InputError, match="lies partly on no data: draw it inside"):
            build_drawn_release(holed, outline, 2)


def test_the_same_question_has_the_same_answer():
    """Growth has no ties left open: twice the same cells in the same order."""
    ground = plane(38.0, 90.0, shape=SHAPE)
    rough = ground.with_values(ground.values + np.random.default_rng(2).normal(0, 0.3, SHAPE))
    one, two = (find_release(rough, *at(rough, *MIDDLE), 3) for _ in range(2))
    np.testing.assert_array_equal(one.cells, two.cells)
    slope = read_terrain(rough).slope_deg.values
    assert np.isfinite(slope.ravel()[one.cells]).all()
