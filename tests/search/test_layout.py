import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod, Transformer
from shapely import MultiPolygon, Point, Polygon, box
from shapely.affinity import rotate, scale, translate

from lastseen.core.grid import Grid
from lastseen.search.layout import lay_search
from lastseen.search.search_area import SearchOptions
from search.zoo import EAST_M, NORTH_M, UTM, ZOO, bowl, ground, on_map, plane

BOWL = bowl()
FLAT = ground(lambda x, y: 0.0 * x * y)
MIDDLE = Point(EAST_M + 300, NORTH_M + 300)


def check(plan, outline, grid):
    """What holds for every plan."""
    assert plan.coverage.fraction >= 0.99
    assert plan.coverage.uncovered_m2 == pytest.approx((1 - plan.coverage.fraction) * plan.coverage.area_m2)
    assert [lane.number for lane in plan.lanes] == list(range(1, len(plan.lanes) + 1))
    assert {leg.lane for leg in plan.legs if leg.kind == "lane"} == {lane.number for lane in plan.lanes}
    for lane in plan.lanes:
        on_it = [leg for leg in plan.legs if leg.lane == lane.number]
        assert shapely.box(*grid.bounds).contains(lane.line)
        assert [leg.line.coords[0] for leg in on_it] == list(lane.line.coords)[:-1]
        assert on_it[-1].line.coords[-1] == lane.line.coords[-1]
        assert {leg.searcher for leg in on_it} == {lane.searcher}
        assert lane.length_m == pytest.approx(sum(leg.length_m for leg in on_it))
        assert lane.length_m >= lane.line.length - 1e-9
    for searcher in range(1, plan.searchers + 1):
        legs = [leg for leg in plan.legs if leg.searcher == searcher]
        assert [leg.number for leg in legs] == list(range(1, len(legs) + 1))
        kinds = [leg.kind for leg in legs]
        assert "approach" not in kinds[kinds.index("lane") if kinds else 0 :]
        for a, b in pairwise(legs):
            assert math.dist(a.line.coords[-1], b.line.coords[0]) < 1e-5
        assert plan.walk_m(searcher) == pytest.approx(sum(leg.length_m for leg in legs))
        assert plan.time_s(searcher) == pytest.approx(sum(leg.time_s for leg in legs))
        if not legs:
            assert any(f" {searcher}" in note and "no lane" in note for note in plan.notes)
    assert plan.total_time_s == max(plan.time_s(s) for s in range(1, plan.searchers + 1))
    for leg in plan.legs:
        assert 0.0 <= leg.bearing_deg_true < 360.0
        assert leg.steepest_deg >= abs(leg.slope_deg) - 0.5


@pytest.mark.parametrize("pattern", ["across", "along"])
@pytest.mark.parametrize("searchers", [1, 2, 5])
@pytest.mark.parametrize("name", ZOO)
def test_zoo(name, searchers, pattern):
    plan = lay_search(ZOO[name], BOWL, SearchOptions(searchers=searchers, pattern=pattern))
    check(plan, ZOO[name], BOWL)
    for piece in getattr(ZOO[name], "geoms", [ZOO[name]]):
        walked = shapely.union_all([leg.line for leg in plan.legs if leg.kind != "approach"])
        assert piece.distance(walked) < 20.0


def test_flat_square_takes_three_lanes():
    plan = lay_search(on_map(box(250, 250, 350, 350)), FLAT)
    check(plan, None, FLAT)
    assert len(plan.lanes) == 3
    offsets = np.sort([(lane.line.centroid.y - NORTH_M - 250) for lane in plan.lanes])
    offsets = offsets if np.ptp(offsets) > 1 else np.sort([lane.line.centroid.x - EAST_M - 250 for lane in plan.lanes])
    assert np.allclose(offsets, [100 / 6, 50, 500 / 6], atol=0.01)
    lanes_and_joins = sum(leg.length_m for leg in plan.legs if leg.kind != "approach")
    assert 246.7 < lanes_and_joins < 340.0


def lane_spacing_m(plan, azimuth_deg, slope_deg):
    """Distances between neighbouring lanes, down the fall line on the snow."""
    a = math.radians(azimuth_deg)
    depth = sorted(lane.line.centroid.x * math.sin(a) + lane.line.centroid.y * math.cos(a) for lane in plan.lanes)
    return np.diff(depth) / math.cos(math.radians(slope_deg))


@pytest.mark.parametrize("azimuth_deg", [0.0, 33.0, 90.0])
@pytest.mark.parametrize("slope_deg", [20.0, 35.0, 45.0])
def test_a_square_on_a_slope_is_walked_as_on_the_flat(slope_deg, azimuth_deg):
    flat = lay_search(on_map(box(250, 250, 350, 350)), plane(1.2, 180.0), SearchOptions(pattern="across"))
    shrunk = scale(on_map(box(250, 250, 350, 350)), 1.0, math.cos(math.radians(slope_deg)), origin=MIDDLE)
    outline = rotate(shrunk, -azimuth_deg, origin=MIDDLE)
    slope = plane(slope_deg, azimuth_deg)
    plan = lay_search(outline, slope, SearchOptions(pattern="across"))
    check(plan, outline, slope)
    assert plan.coverage.fraction == pytest.approx(flat.coverage.fraction, abs=0.003)
    assert np.allclose(lane_spacing_m(plan, azimuth_deg, slope_deg), lane_spacing_m(flat, 180.0, 0.0), rtol=0.01)
    assert sum(lane.length_m for lane in plan.lanes) == pytest.approx(
        sum(lane.length_m for lane in flat.lanes), rel=0.06
    )
    assert plan.coverage.area_m2 == pytest.approx(10_000, rel=1e-3)


@given(
    radii=st.lists(st.floats(15.0, 180.0), min_size=5, max_size=14),
    searchers=st.integers(1, 4),
    strip_m=st.floats(15.0, 60.0),
    turn_deg=st.floats(0.0, 360.0),
)
@settings(derandomize=True)
def test_star_shapes_are_covered(radii, searchers, strip_m, turn_deg):
    angle = np.linspace(0, 2 * np.pi, len(radii), endpoint=False) + np.radians(turn_deg)
    outline = on_map(Polygon(np.c_[300 + radii * np.cos(angle), 300 + radii * np.sin(angle)]))
    plan = lay_search(outline, BOWL, SearchOptions(searchers=searchers, strip_width_m=strip_m))
    check(plan, outline, BOWL)


def turned(grid):
    """The ground turned by 90 degrees counter-clockwise about its middle."""
    return grid.with_values(np.rot90(grid.values).copy())


def mirrored(grid):
    return grid.with_values(grid.values[:, ::-1].copy())


def moved(grid):
    return Grid(grid.values, grid.west_m + 12_000.0, grid.north_m - 34_000.0, grid.cell_m, grid.crs)


CHANGES = {
    "turned": (turned, lambda o: rotate(o, 90, origin=MIDDLE)),
    "mirrored": (mirrored, lambda o: scale(o, -1, 1, origin=MIDDLE)),
    "moved": (moved, lambda o: translate(o, 12_000.0, -34_000.0)),
}


@pytest.mark.parametrize("searchers", [1, pytest.param(3, marks=pytest.mark.slow)])
@pytest.mark.parametrize("name", ["fork", "bent", "two pieces", "thin bent", "triangle", "ring"])
@pytest.mark.parametrize("change", CHANGES)
def test_same_plan_when_the_world_is_turned(change, name, searchers):
    ground_too, outline_too = CHANGES[change]
    tilted = ground(lambda x, y: 0.4 * y + 0.11 * x + 0.0006 * (x - 280) ** 2)
    here = lay_search(ZOO[name], tilted, SearchOptions(searchers=searchers, pattern="across"))
    there = lay_search(outline_too(ZOO[name]), ground_too(tilted), SearchOptions(searchers=searchers, pattern="across"))
    assert there.coverage.fraction == pytest.approx(here.coverage.fraction, abs=5e-3)
    walk_m = [sum(leg.length_m for leg in plan.legs if leg.kind != "approach") for plan in (here, there)]
    # Ties fall one way or the other; of a team also between kinds of layout, whose walks differ more.
    assert walk_m[1] == pytest.approx(walk_m[0], rel=0.15 if searchers == 1 else 0.6)


def test_same_input_same_plan():
    assert lay_search(ZOO["fork"], BOWL, SearchOptions(searchers=2)) == lay_search(
        ZOO["fork"], BOWL, SearchOptions(searchers=2)
    )


@pytest.mark.parametrize("east_m", [100_000.0, 500_000.0, 780_000.0])
def test_bearings_are_from_true_north(east_m):
    slope = plane(25.0, 120.0)
    far = Grid(slope.values, east_m, NORTH_M + 600, slope.cell_m, UTM)
    plan = lay_search(translate(ZOO["fork"], east_m - EAST_M, 0.0), far)
    to_lonlat = Transformer.from_crs(UTM, 4326, always_xy=True)
    for leg in plan.legs:
        lon, lat = to_lonlat.transform(*np.array(leg.line.coords).T)
        azimuth = Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])[0]
        assert abs((leg.bearing_deg_true - azimuth + 180.0) % 360.0 - 180.0) < 0.1


def test_start_decides_the_end_at_which_the_search_begins():
    slope = plane(30.0, 180.0)
    outline = on_map(box(220, 200, 380, 400))
    from_above = lay_search(outline, slope, SearchOptions(start_xy_m=(EAST_M + 310, NORTH_M + 500), pattern="across"))
    from_below = lay_search(outline, slope, SearchOptions(start_xy_m=(EAST_M + 310, NORTH_M + 100), pattern="across"))
    assert from_above.legs[0].kind == from_below.legs[0].kind == "approach"
    assert from_above.legs[0].line.coords[0] == (EAST_M + 310, NORTH_M + 500)
    assert from_above.lanes[0].line.centroid.y > from_above.lanes[-1].line.centroid.y
    assert from_below.lanes[0].line.centroid.y < from_below.lanes[-1].line.centroid.y
    assert from_above.legs[0].slope_deg < -20.0 < 20.0 < from_below.legs[0].slope_deg


def test_numbers_of_a_leg_on_a_plane():
    slope = plane(30.0, 180.0)
    plan = lay_search(on_map(box(280, 200, 310, 400)), slope, SearchOptions(start_xy_m=(EAST_M + 295, NORTH_M + 500)))
    down = next(leg for leg in plan.legs if leg.kind == "lane")
    assert down.length_m == pytest.approx(down.line.length / math.cos(math.radians(30)), rel=1e-6)
    assert down.slope_deg == pytest.approx(-30.0, abs=1e-6)
    assert down.steepest_deg == pytest.approx(30.0, abs=1e-6)
    fall_m = down.length_m * math.sin(math.radians(30.0))
    assert down.time_s == pytest.approx(3600.0 * fall_m / 431.2, rel=1e-3)  # height in an hour, see lanes.csv


def test_steepest_ten_metres_are_found():
    step = ground(lambda x, y: np.clip(y - 295.0, 0.0, 10.0) * 0.9 * np.ones_like(x), cell_m=1.0)
    plan = lay_search(on_map(box(290, 200, 310, 400)), step)
    lane = next(leg for leg in plan.legs if leg.kind == "lane")
    assert lane.steepest_deg == pytest.approx(math.degrees(math.atan(0.9)), abs=2.0)
    assert lane.danger == "steep"
    assert any(f"steeper than 35 degrees somewhere, up to {lane.steepest_deg:.0f}" in note for note in plan.notes)


def test_searchers_without_a_lane_are_named():
    plan = lay_search(ZOO["tiny"], BOWL, SearchOptions(searchers=4))
    assert len(plan.lanes) == 1
    assert any("no lane" in note for note in plan.notes)


def test_thin_bent_outline_is_walked_along_its_axis():
    plan = lay_search(ZOO["thin bent"], BOWL)
    assert not [leg for leg in plan.legs if leg.kind == "join"]
    assert sum(lane.line.length for lane in plan.lanes) < 1.05 * 380.0


def test_narrow_gap_is_walked_across_and_wide_gap_is_not():
    narrow, wide = (
        on_map(MultiPolygon([box(150, 250, 250, 290), box(250 + gap, 250, 350 + gap, 290)])) for gap in (15, 90)
    )
    assert len(lay_search(narrow, FLAT).lanes) == 1
    assert len(lay_search(wide, FLAT).lanes) == 2


def ground_with_lake(lake):
    row, col = np.indices(FLAT.shape)
    x, y = FLAT.centre_of(row, col)
    return FLAT.with_values(np.where(shapely.contains_xy(lake, x, y), np.nan, FLAT.values))


@pytest.mark.parametrize("searchers", [1, 2])
def test_lanes_and_joins_go_around_unknown_ground(searchers):
    lake = on_map(box(280, 260, 330, 340))
    outline = on_map(box(200, 200, 400, 400)).difference(lake.buffer(2.0, join_style="mitre"))
    holed = ground_with_lake(lake)
    plan = lay_search(outline, holed, SearchOptions(searchers=searchers, start_xy_m=(EAST_M + 305, NORTH_M + 420)))
    check(plan, outline, holed)
    assert not any(leg.line.intersects(lake.buffer(-1.0)) for leg in plan.legs)
    assert not any("without elevation" in note for note in plan.notes)


def test_a_join_that_has_no_way_round_is_named():
    trench = on_map(box(0, 290, 600, 310))
    outline = on_map(MultiPolygon([box(250, 200, 350, 285), box(250, 315, 350, 400)]))
    plan = lay_search(outline, ground_with_lake(trench))
    check(plan, outline, FLAT)
    crossing = [leg for leg in plan.legs if leg.line.intersects(trench.buffer(-1.0))]
    assert 1 <= len(crossing) <= 2
    assert f"Leg {crossing[0].number} of searcher 1 crosses ground without elevation" in " ".join(plan.notes)
    assert crossing[0].kind == "join"


def test_a_piece_smaller_than_the_lattice_is_still_visited():
    outline = on_map(MultiPolygon([box(100, 300, 400, 560), box(500, 100, 500.3, 100.3)]))
    plan = lay_search(outline, FLAT)
    check(plan, outline, FLAT)
    walked = shapely.union_all([leg.line for leg in plan.legs if leg.kind != "approach"])
    assert walked.distance(outline.geoms[1]) < 20.0  # by a step aside: a lane is never shorter than half a strip
    assert min(lane.length_m for lane in plan.lanes) >= 20.0


def test_what_is_left_out_is_said():
    coverage = lay_search(ZOO["fork"], FLAT).coverage
    assert 0.99 <= coverage.fraction < 1.0
    assert coverage.uncovered_m2 == pytest.approx((1.0 - coverage.fraction) * ZOO["fork"].area, rel=0.01)
    assert coverage.uncovered.area == pytest.approx(coverage.uncovered_m2, rel=0.05)  # squares cut at the edge


@pytest.mark.parametrize("start", [None, (500, 300), (100, 60)])
@pytest.mark.parametrize("entry", ["top", "toe", "flank"])
def test_the_search_begins_where_it_is_told(entry, start):
    """At the top, the toe or a flank, wherever the searchers stand; the approach leads there."""
    outline = on_map(box(220, 200, 380, 400))
    at = (EAST_M + start[0], NORTH_M + start[1]) if start else None
    plan = lay_search(outline, plane(25.0, 180.0), SearchOptions(entry=entry, start_xy_m=at))
    x, y = next(leg for leg in plan.legs if leg.kind == "lane").line.coords[0]
    if entry == "flank":
        assert min(x - EAST_M - 220, EAST_M + 380 - x) < 30
    else:
        assert (y - NORTH_M > 330) if entry == "top" else (y - NORTH_M < 270)
    if at:
        assert plan.legs[0].line.coords[0] == at
