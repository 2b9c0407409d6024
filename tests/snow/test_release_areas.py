"""Separate release areas: numbers on planes, cuts at ribs, nothing lost, the same under turns."""

import numpy as np
import pytest
from shapely import Point

from dem_zoo import ZOO, grid_of, plane, turned, with_island
from lastseen.snow.release import SIZES, slab_class, thickness_m
from lastseen.snow.start_zones import find_release_areas, grade_start_zones

SHAPE = (101, 121)


def areas_of(ground, cover=None):
    return find_release_areas(ground, grade_start_zones(ground, cover))


@pytest.mark.parametrize("downhill_deg", [0.0, 33.0, 217.0])
def test_a_plane_is_one_area_with_its_numbers(downhill_deg):
    """Slope, aspect, areas on map and slope, width, length and volumes of a plane of 38 degrees."""
    ground = plane(38.0, downhill_deg, shape=SHAPE)
    (one,) = areas_of(ground)
    assert one.number == 1
    assert one.slope_deg == pytest.approx(38.0, abs=0.01)
    assert (one.aspect_deg - downhill_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.1)
    assert one.map_area_m2 == pytest.approx((SHAPE[0] - 2) * (SHAPE[1] - 2) * 25.0)
    assert one.area_m2 == pytest.approx(one.map_area_m2 / np.cos(np.radians(38.0)))
    assert one.outline.area == pytest.approx(one.map_area_m2, rel=0.05)
    a = np.radians(downhill_deg)
    east, north = (SHAPE[1] - 2) * 5.0, (SHAPE[0] - 2) * 5.0
    assert one.width_m == pytest.approx(abs(east * np.cos(a)) + abs(north * np.sin(a)), abs=10.0)
    down = abs(east * np.sin(a)) + abs(north * np.cos(a))
    assert one.length_m == pytest.approx(down / np.cos(np.radians(38.0)), abs=15.0)
    assert one.grade == pytest.approx(1.0)
    for size, volume in zip(SIZES, one.volume_m3, strict=True):
        assert volume == pytest.approx(min(one.area_m2, slab_class(size).area_m2) * thickness_m(size, 38.0), rel=1e-3)


def test_a_rib_parts_two_areas():
    """Both sides of a rib are areas of their own, each facing its own way."""

    def height(x, y):
        u, v = turned(x, y, 303.3, 251.7)
        return 1900.0 - 0.45 * u - 0.65 * abs(v)

    two = areas_of(grid_of(height, shape=SHAPE))[:2]
    assert len(two) == 2
    assert min(one.area_m2 for one in two) > 40_000
    turn = abs((two[0].aspect_deg - two[1].aspect_deg + 180.0) % 360.0 - 180.0)
    assert turn == pytest.approx(2 * np.degrees(np.arctan(0.65 / 0.45)), abs=8.0)
    assert not set(two[0].cells.tolist()) & set(two[1].cells.tolist())


def test_a_rounded_rib_parts_areas_where_its_grade_does_not():
    """Radius 60 m across the fall line: graded almost fully, and still the edge between two areas."""

    def height(x, y):
        u, v = turned(x, y, 303.3, 251.7)
        return 1900.0 - 0.62 * u - 0.5 * np.hypot(v, 25.0)

    ground = grid_of(height, shape=SHAPE)
    zones = grade_start_zones(ground)
    found = find_release_areas(ground, zones)
    two = [one for one in found if one.map_area_m2 > 40_000]
    assert len(two) == 2
    x, y = (np.arange(SHAPE[1]) + 0.5) * 5.0, (np.arange(SHAPE[0])[::-1] + 0.5) * 5.0
    _, v = turned(x[None, :], y[:, None], 303.3, 251.7)
    assert np.nanmin(np.where(abs(v) < 10.0, zones.grade.values, np.nan)[20:-20, 20:-20]) > 0.5
    for one in two:
        assert abs(np.sign(v.ravel()[one.cells]).mean()) > 0.9


def test_a_bowl_stays_together_and_a_flat_bench_parts_it():
    bowl = grid_of(lambda x, y: 1500.0 + 0.7 * y + (x - 300.0) ** 2 / 1500.0, shape=SHAPE)
    assert areas_of(bowl)[0].map_area_m2 > 0.85 * 600 * 500
    bench = grid_of(
        lambda x, y: 1500.0 + 0.0 * x + 0.7 * np.minimum(y, 200) + 0.7 * np.maximum(y - 260, 0), shape=SHAPE
    )
    assert len([one for one in areas_of(bench) if one.map_area_m2 > 10_000]) == 2


def test_a_cone_is_cut_by_aspect():
    """No area of a cone faces more than about a third of the horizon."""
    ground = grid_of(lambda x, y: 2000.0 - 0.72 * np.hypot(x - 303.3, y - 251.9), shape=SHAPE)
    zones = grade_start_zones(ground)
    found = find_release_areas(ground, zones)
    large = [one for one in found if one.map_area_m2 > 5_000]
    assert len(large) >= 4
    for one in large:
        turn = abs((zones.aspect_deg.values.ravel()[one.cells] - one.aspect_deg + 180.0) % 360.0 - 180.0)
        assert np.quantile(turn, 0.98) < 75.0


def test_what_cannot_hold_a_slab_of_size_1_is_left_out():
    bank = grid_of(lambda x, y: 1000.0 + 0.1 * y + 0.75 * np.clip(y - 200, 0, 20) + 0.0 * x, shape=SHAPE)
    assert all(one.area_m2 >= slab_class(1).area_m2 for one in areas_of(bank))
    assert areas_of(plane(20.0, 33.0, shape=SHAPE)) == ()
    assert areas_of(ZOO["flat"]) == ()


def test_a_wood_ends_an_area():
    ground = plane(38.0, 33.0, shape=SHAPE)
    cover = np.zeros(SHAPE)
    cover[:, 60:] = 1.0
    (one,) = areas_of(ground, ground.with_values(cover))
    assert (one.cells % SHAPE[1]).max() <= 60


@pytest.mark.parametrize("name", ZOO)
def test_every_ground_gives_valid_outlines_and_no_cell_twice(name):
    """Islands, edges, flats, one row: outlines are valid, areas do not overlap, none lies on no data."""
    ground = ZOO[name]
    found = areas_of(ground)
    cells = np.concatenate([one.cells for one in found]) if found else np.empty(0, int)
    assert np.unique(cells).size == cells.size
    assert np.isfinite(ground.values.ravel()[cells]).all()
    for one in found:
        assert one.outline.is_valid
        assert one.outline.area == pytest.approx(one.map_area_m2, rel=0.05)


def test_areas_are_numbered_from_the_largest():
    found = areas_of(with_island(ZOO["hill"]))
    assert [one.number for one in found] == list(range(1, len(found) + 1))
    assert sorted((one.area_m2 for one in found), reverse=True) == [one.area_m2 for one in found]


@pytest.mark.parametrize("turn", [np.rot90, np.fliplr, np.transpose, lambda z: z + 512.0])
def test_turned_mirrored_or_lifted_ground_has_the_same_areas(turn):
    """Sizes and slopes of the large areas stay within a twentieth; ties of the watershed move single cells."""

    def height(x, y):
        u, v = turned(x, y, 251.3, 251.9)
        return 1900.0 - 0.5 * u - 18.0 * np.cos(v / 22.0)

    ground = grid_of(height, shape=(101, 101))
    base = [one for one in areas_of(ground) if one.area_m2 > 8_000]
    other = [
        one for one in areas_of(ground.with_values(np.ascontiguousarray(turn(ground.values)))) if one.area_m2 > 8_000
    ]
    assert len(base) == len(other) >= 2
    for a, b in zip(base, other, strict=True):
        assert b.area_m2 == pytest.approx(a.area_m2, rel=0.05)
        assert b.slope_deg == pytest.approx(a.slope_deg, abs=0.5)


def test_shifted_ground_has_shifted_areas():
    ground = plane(38.0, 33.0, shape=SHAPE)
    other = plane(38.0, 33.0, shape=SHAPE, west_m=ground.west_m + 1000.0)
    a, b = areas_of(ground)[0].outline.centroid, areas_of(other)[0].outline.centroid
    assert b.distance(Point(a.x + 1000.0, a.y)) < 1e-3


@pytest.mark.parametrize("larger_in_the_north", [True, False])
@pytest.mark.parametrize("axis", ["x", "y"])
def test_the_larger_of_two_areas_is_the_first(larger_in_the_north, axis):
    """Two faces parted by a flat, one twice as long: number 1 is the larger, wherever it lies."""

    def height(x, y):
        at = {"x": 600.0 - x, "y": y}[axis]
        steep = (60.0, 180.0, 240.0, 480.0) if larger_in_the_north else (60.0, 300.0, 360.0, 480.0)
        rise = np.clip(at, steep[0], steep[1]) + np.clip(at, steep[2], steep[3])
        return 1500.0 + 0.7 * rise + 0.0 * x + 0.0 * y

    first, second = areas_of(grid_of(height, shape=SHAPE))
    assert [first.number, second.number] == [1, 2]
    assert first.area_m2 > 1.5 * second.area_m2
    assert (first.foot_m > second.foot_m) == larger_in_the_north


@pytest.mark.parametrize(
    ("shape", "wave_m", "sizes"),
    [
        ((50, 60), 9.0, (96_000, 96_000, 43_200, 43_200)),
        ((50, 60), 6.0, (96_000, 96_000, 43_200, 43_200)),
        ((50, 60), 2.5, (278_400,)),
        ((30, 60), 9.0, (162_400,)),
        ((60, 30), 9.0, (162_400,)),
    ],
)
def test_only_what_is_too_large_is_cut_at_gentle_ribs(shape, wave_m, sizes):
    """Waves across a slope, 200 m from rib to rib, that bend by 0.0068, 0.0046 and 0.0019 per metre.

    All are below the 0.01 that parts two areas. What is larger than two slabs of size 4, 200 000 m2 on the map, is
    parted at half and at a quarter of that.
    """
    ground = grid_of(
        lambda x, y: 2000.0 + 0.62 * y + wave_m * np.cos(2.0 * np.pi * (x - 100.0) / 200.0), shape=shape, cell_m=10.0
    )
    assert 2.0 * slab_class(4).area_m2 == pytest.approx(200_000.0, abs=1.0)
    assert tuple(one.map_area_m2 for one in areas_of(ground)) == pytest.approx(sizes, rel=0.02)


@pytest.mark.parametrize(("wide_m", "found"), [(30.0, 1), (15.0, 0)])
def test_room_for_a_slab_of_size_1_is_enough(wide_m, found):
    """A slab 20 m wide and 32 m long takes 640 m2: a face of 30 m has them, one of 15 m has not."""
    height = grid_of(lambda x, y: 1000.0 + 0.05 * y + 0.75 * np.clip(y - 200, 0, 40) + 0.0 * x, shape=SHAPE)
    values = height.values.copy()
    values[:, : int(300 / 5)] = values[:, int((300 + wide_m) / 5) :] = np.nan
    areas = areas_of(height.with_values(values))
    assert len(areas) == found
    assert all(640.0 <= area.area_m2 < slab_class(2).area_m2 for area in areas)
