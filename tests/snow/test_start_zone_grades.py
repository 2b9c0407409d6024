"""Graded start zones: each part on ground of known shape, and the whole under turns, shifts and no data."""

import re

import numpy as np
import pytest

from dem_zoo import UTM, ZOO, grid_of, hill, plane, turned
from lastseen.core.errors import InputError
from lastseen.core.grid import Grid
from lastseen.snow.release import crown_cover, find_release
from lastseen.snow.start_zones import RUGGEDNESS, SNOW_EVENS_M, SOURCES, broad_curvature, grade_start_zones
from lastseen.terrain.neighbourhood import ruggedness
from lastseen.terrain.surface import smooth_heights

SHAPE = (81, 91)


def test_parts_have_a_source_and_a_year_or_say_that_there_is_none():
    assert set(SOURCES) == {"slope", "ribs", "rolls", "ruggedness", "canopy"}
    for text in SOURCES.values():
        assert re.search(r"(19|20)\d\d|from memory|no source", text)


def test_curvature_of_a_sphere():
    """A dome of 500 m bends by 1/500 both ways, whatever the smoothing."""
    ground = grid_of(lambda x, y: np.sqrt(500.0**2 - (x - 101.3) ** 2 - (y - 67.1) ** 2), shape=(60, 80))
    across, along = broad_curvature(ground)
    assert across[25, 60] == pytest.approx(1 / 500, rel=0.03)
    assert along[25, 60] == pytest.approx(1 / 500, rel=0.03)


@pytest.mark.parametrize("cell_m", [2.0, 5.0, 10.0])
def test_a_rib_lowers_its_own_part_only(cell_m):
    """A sharp rib down a slope of 38 degrees: the part for ribs falls on it, slope and canopy do not."""
    n = int(400 / cell_m)

    def height(x, y):
        u, v = turned(x, y, 203.3, 197.7)
        return 1500.0 - 0.6 * u - 0.7 * abs(v)

    zones = grade_start_zones(grid_of(height, shape=(n, n), cell_m=cell_m))
    x, y = (np.arange(n) + 0.5) * cell_m, (np.arange(n)[::-1] + 0.5) * cell_m
    _, v = turned(x[None, :], y[:, None], 203.3, 197.7)
    inner = np.zeros((n, n), bool)
    inner[n // 4 : -n // 4, n // 4 : -n // 4] = True
    assert zones.ribs.values[inner & (abs(v) < cell_m)].max() < (0.6 if cell_m < 10 else 0.8)
    assert zones.ribs.values[inner & (abs(v) > 45.0)].min() > 0.9
    assert zones.slope.values[inner & (abs(v) > 20.0)].min() == 1.0
    assert (zones.canopy.values[inner] == 1.0).all()
    assert zones.grade.values[inner & (abs(v) < cell_m)].max() < zones.grade.values[inner & (abs(v) > 45.0)].min()


def test_a_roll_is_told_and_not_graded():
    """From 30 to 44 degrees within 40 m: the roll is seen, the grade stays."""
    ground = grid_of(
        lambda x, y: 1000.0 + 0.0 * x + np.where(y > 200, 0.577 * (y - 200), 0.966 * (y - 200)), shape=SHAPE
    )
    zones = grade_start_zones(ground)
    assert zones.rolls.values[38:44, 45].max() > 0.5
    assert zones.rolls.values[10, 45] == 0.0
    assert zones.ribs.values[40, 45] == pytest.approx(1.0)
    assert zones.grade.values[40, 45] > 0.9


def test_rough_ground_has_a_low_grade():
    rough = plane(38.0, 33.0, shape=SHAPE)
    bumps = np.random.default_rng(3).normal(0.0, 6.0, SHAPE)
    zones = grade_start_zones(rough.with_values(rough.values + bumps))
    assert np.nanmedian(zones.ruggedness.values) < 0.3
    assert np.nanmedian(grade_start_zones(rough).ruggedness.values) == 1.0


def test_a_closed_wood_is_no_start_zone_and_a_gap_of_40_m_is():
    """Crowns over the whole cell end the start zone at the edge of the wood; a wide gap keeps it."""
    ground = plane(38.0, 33.0, shape=SHAPE)
    cover = np.zeros(SHAPE)
    cover[:, 45:] = 1.0
    cover[30:38, 60:68] = 0.0  # 40 by 40 m
    zones = grade_start_zones(ground, ground.with_values(cover))
    assert (zones.canopy.values[5:-5, 48:58] == 0.0).all()
    assert (zones.canopy.values[5:-5, 2:43] == 1.0).all()
    assert zones.canopy.values[34, 64] == 1.0
    assert (zones.grade.values[5:-5, 48:58] == 0.0).all()
    assert (zones.slope.values[5:-5, 48:58] == 1.0).all()


def test_scattered_trees_leave_the_start_zone():
    """Crown cover of a quarter prevents nothing."""
    ground = plane(38.0, 33.0, shape=SHAPE)
    zones = grade_start_zones(ground, ground.with_values(np.full(SHAPE, 0.25)))
    assert np.nanmin(zones.canopy.values) == 1.0


def test_the_release_keeps_out_of_the_wood():
    """Beside a wood the slab grows away from it; in it, it is looked for above."""
    ground = plane(38.0, 0.0, shape=SHAPE)  # falls to the north
    cover = np.zeros(SHAPE)
    cover[:, 46:] = 1.0
    wood = ground.with_values(cover)
    x, y = ground.west_m + 215.0, ground.north_m - 200.0
    got = find_release(ground, x, y, 2, cover=wood)
    assert (got.cells % SHAPE[1]).max() <= 46
    assert (find_release(ground, x, y, 2).cells % SHAPE[1]).max() > 46
    with pytest.raises(InputError, match="was met outside the trees that were given"):
        find_release(ground, x, y, 2, cover=ground.with_values(np.ones(SHAPE)))


@pytest.mark.parametrize("turn", [np.rot90, lambda z: np.rot90(z, 2), np.fliplr, np.transpose])
def test_turned_ground_has_turned_grades(turn):
    ground = hill(shape=(70, 70))
    zones = grade_start_zones(ground)
    other = grade_start_zones(ground.with_values(np.ascontiguousarray(turn(ground.values))))
    for name in ("grade", "slope", "ribs", "rolls", "ruggedness"):
        np.testing.assert_allclose(getattr(other, name).values, turn(getattr(zones, name).values), atol=1e-6)


def test_lifted_ground_has_the_same_grades():
    ground = hill(shape=(70, 70))
    other = grade_start_zones(ground.with_values(ground.values + 512.0))
    np.testing.assert_allclose(other.grade.values, grade_start_zones(ground).grade.values, atol=1e-6)


@pytest.mark.parametrize("name", ZOO)
def test_grades_stay_between_0_and_1_on_every_ground(name):
    """Islands of no data, flats, edges, one row: grades are 0 to 1, and unknown only where the slope is."""
    zones = grade_start_zones(ZOO[name])
    for one in ("grade", "slope", "ribs", "rolls", "ruggedness", "canopy"):
        values = getattr(zones, one).values
        known = values[np.isfinite(values)]
        assert ((known >= 0.0) & (known <= 1.0)).all()
        np.testing.assert_array_equal(np.isnan(values), np.isnan(zones.slope_deg.values))


@pytest.mark.parametrize("cell_m", [2.0, 5.0, 10.0, 20.0, 30.0])
def test_crowns_are_counted_over_a_disc_as_wide_as_the_least_gap(cell_m):
    """25 m across, cell by cell against a slow twin; beyond the edge the outermost cells count on."""
    share = np.round(np.random.default_rng(5).random((9, 14)), 2)
    wide = np.pad(share, 8, mode="edge")
    far = np.hypot(*np.indices((17, 17)) - np.full((2, 1, 1), 8)) * cell_m <= 12.5 + 1e-9
    expected = [[wide[r : r + 17, c : c + 17][far].mean() for c in range(14)] for r in range(9)]
    found = crown_cover(Grid(share, 0.0, 0.0, cell_m, UTM))
    np.testing.assert_allclose(found, expected, atol=1e-9)


@pytest.mark.parametrize(("cell_m", "window_cells"), [(1.0, 15), (2.0, 7), (3.0, 5), (5.0, 3), (10.0, 3), (30.0, 3)])
def test_ruggedness_is_that_of_a_window_of_15_m(cell_m, window_cells):
    """An odd number of cells, at least 3; 1 below the first limit and 0 above the second."""
    even = plane(35.0, 33.0, shape=(40, 46), cell_m=cell_m)
    rough = even.values + np.random.default_rng(8).normal(0.0, max(1.5, 0.35 * cell_m), even.shape)
    ground = even.with_values(rough)
    found = grade_start_zones(ground).ruggedness.values[10:-10, 10:-10]
    read = ruggedness(smooth_heights(ground, SNOW_EVENS_M), window_cells=window_cells).values[10:-10, 10:-10]
    low, high = RUGGEDNESS
    np.testing.assert_allclose(found, np.clip((high - read) / (high - low), 0.0, 1.0), atol=1e-9)
    assert np.ptp(found) > 0.05


@pytest.mark.parametrize(
    ("slope_deg", "part", "grade"),
    [(24.0, 0.0, 0.0), (27.0, 0.4, 0.0), (29.0, 0.8, 0.8), (30.0, 1.0, 1.0), (45.0, 1.0, 1.0),
     (50.0, 0.5, 0.5), (54.0, 0.1, 0.1), (56.0, 0.0, 0.0)],
)  # fmt: skip
def test_the_part_for_slope_is_that_of_the_reported_range(slope_deg, part, grade):
    """Full on 30 to 45 degrees, falling to nothing at 25 and 55 (Perla 1977, from memory); no start zone below 28."""
    zones = grade_start_zones(plane(slope_deg, 33.0, shape=(30, 34)))
    assert zones.slope.values[15, 17] == pytest.approx(part, abs=1e-6)
    assert zones.grade.values[15, 17] == pytest.approx(grade, abs=1e-6)
