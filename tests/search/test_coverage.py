import numpy as np
import pytest
from shapely import LineString, MultiPolygon, Polygon, box

from lastseen.core.errors import InputError
from lastseen.search.coverage import measure_coverage
from lastseen.search.layout import lay_search
from oracles.coverage import coverage_fraction
from search.zoo import ZOO, bowl, ground, on_map, plane

GROUNDS = {
    "bowl": bowl(),
    "rough": ground(lambda x, y: 0.5 * y + 3 * np.sin(x / 17) * np.cos(y / 23) + 0.4 * np.sin(x / 3 + y / 4)),
}


def oracle(outline, walked, grid, half_m, spacing_m=1.0):
    return coverage_fraction(outline, walked, grid.values, grid.west_m, grid.north_m, grid.cell_m, half_m, spacing_m)


@pytest.mark.parametrize("on", ["bowl", pytest.param("rough", marks=pytest.mark.slow)])
@pytest.mark.parametrize("name", ["square", pytest.param("ring", marks=pytest.mark.slow), "thin bent", "tiny"])
def test_reported_coverage_equals_the_slow_twin(name, on):
    plan = lay_search(ZOO[name], GROUNDS[on])
    walked = [leg.line for leg in plan.legs if leg.kind != "approach"]
    spacing = min(1.0, np.sqrt(ZOO[name].area / 4000))
    slow = oracle(ZOO[name], walked, GROUNDS[on], 20.0, spacing)
    assert plan.coverage.fraction == pytest.approx(slow, abs=0.002)
    assert slow >= 0.99


@pytest.mark.parametrize("half_m", [3.0, 12.0, 20.0])
def test_partial_coverage_equals_the_slow_twin(half_m):
    lines = [on_map(LineString([(190, 210), (280, 240), (260, 290)])), on_map(LineString([(220, 200), (220, 201)]))]
    got = measure_coverage(ZOO["square"], lines, GROUNDS["rough"], half_m)
    assert 0.05 < got.fraction < 0.9
    assert got.fraction == pytest.approx(oracle(ZOO["square"], lines, GROUNDS["rough"], half_m), abs=0.002)
    assert got.uncovered_m2 == pytest.approx((1 - got.fraction) * got.area_m2)


def test_strip_on_a_plane_is_narrow_on_the_map():
    slope = plane(35.0, 180.0)
    level = on_map(LineString([(100, 300), (500, 300)]))
    got = measure_coverage(on_map(box(200, 250, 400, 350)), [level], slope, 20.0)
    on_the_map = 40 * np.cos(np.radians(35.0))
    assert got.fraction * 100 == pytest.approx(on_the_map, abs=1.0)
    assert got.area_m2 == pytest.approx(20_000 / np.cos(np.radians(35.0)), rel=1e-6)
    low, high = sorted(got.uncovered.geoms, key=lambda p: p.centroid.y)
    assert high.bounds[1] - low.bounds[3] == pytest.approx(on_the_map, abs=1.01)


def test_nothing_walked_leaves_the_whole_outline():
    got = measure_coverage(ZOO["ring"], [], GROUNDS["bowl"], 20.0)
    assert got.fraction == 0.0
    assert got.uncovered.area == pytest.approx(ZOO["ring"].area, rel=0.01)
    assert got.uncovered.difference(ZOO["ring"].buffer(1e-3)).area == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("side", ["W", "E", "S", "N"])
def test_what_is_left_is_drawn_to_the_edges_of_its_squares(side):
    """A line along one side of 60 x 40 m covers 10 m beside it: the rest is left, whole squares of 1 m, and no more."""
    outline = on_map(box(200, 200, 260, 240))
    flat = ground(lambda x, y: 0.0 * x * y)
    west, south, east, north = outline.bounds
    ends = {"W": [(west, south), (west, north)], "E": [(east, south), (east, north)],
            "S": [(west, south), (east, south)], "N": [(west, north), (east, north)]}[side]  # fmt: skip
    got = measure_coverage(outline, [LineString(ends)], flat, 10.0)
    left = {"W": box(west + 10, south, east, north), "E": box(west, south, east - 10, north),
            "S": box(west, south + 10, east, north), "N": box(west, south, east, north - 10)}[side]  # fmt: skip
    assert got.uncovered.symmetric_difference(left).area < 1e-3
    assert got.uncovered_m2 == pytest.approx(left.area)
    nothing = measure_coverage(outline, [], flat, 10.0).uncovered
    assert nothing.symmetric_difference(outline).area < 1e-3


def test_a_line_over_every_point_leaves_nothing():
    west, south, east, north = ZOO["tiny"].bounds
    got = measure_coverage(ZOO["tiny"], [LineString([(west, south), (east, north)])], GROUNDS["bowl"], 20.0)
    assert got.fraction == 1.0
    assert got.uncovered == MultiPolygon()


def test_bad_input():
    with pytest.raises(InputError, match="empty"):
        measure_coverage(MultiPolygon(), [], GROUNDS["bowl"], 20.0)
    with pytest.raises(InputError, match="the outline is empty: draw an area"):
        measure_coverage(on_map(Polygon([(200, 200), (300, 300), (250, 250)])), [], GROUNDS["bowl"], 20.0)
    with pytest.raises(InputError, match="positive"):
        measure_coverage(ZOO["tiny"], [], GROUNDS["bowl"], 0.0)
    with pytest.raises(InputError, match="off the ground"):
        measure_coverage(box(0, 0, 10, 10), [], GROUNDS["bowl"], 20.0)
