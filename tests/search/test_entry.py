"""Where the search begins: on the first ground that the snow passed, at the edge that was asked for; cases by hand."""

import itertools
import math

import numpy as np
import pytest
import shapely
from shapely import MultiPolygon, Point, Polygon, box
from shapely.affinity import translate

from lastseen.core.errors import InputError
from lastseen.core.grid import Grid
from lastseen.search import layout
from lastseen.search.layout import lay_search
from lastseen.search.routes import CLIFF_DEG
from lastseen.search.search_area import SearchOptions
from search.outline_zoo import ZOO
from search.zoo import EAST_M, NORTH_M, UTM, ground, on_map, plane

SLOPE = plane(20.0, 180.0)
WIDE_SLOPE = ground(lambda x, y: 0.36 * y + 0.0 * x, side_m=1200.0)
ABOVE, BELOW, BESIDE = (300, 580), (300, 20), (40, 300)
FAN = Polygon([(285, 480), (315, 480), (380, 180), (220, 180)])


def at(x, y):
    return EAST_M + x, NORTH_M + y


def inside_before_searching_m(plan, outline, swept=None):
    """Metres of each searcher's walk over the outline before anything counts as searched, by intersection (GEOS)."""
    ground_passed = outline if swept is None else shapely.union_all([outline, swept])
    lines = [leg.line for leg in plan.legs if leg.kind == "approach"]
    return float(shapely.intersection(shapely.union_all(lines), ground_passed).length) if lines else 0.0


def test_a_straight_track_from_the_last_seen_point():
    """200 m x 30 m, strip 40 m: one lane down the middle, no approach, nothing that is not searched."""
    track = on_map(box(285, 200, 315, 400))
    options = SearchOptions(start_xy_m=at(300, 398), last_seen_m=at(300, 398), swept=track)
    plan = lay_search(track, SLOPE, options)
    assert len(plan.lanes) == 1
    (lane,) = plan.lanes
    xs, ys = np.array(lane.line.coords).T - np.array([[EAST_M], [NORTH_M]])
    assert np.abs(xs - 300.0).max() < 2.0
    assert ys[0] > ys[-1]
    assert not [leg for leg in plan.legs if leg.kind == "approach"]
    assert sum(leg.length_m for leg in plan.legs) < 200.0 / math.cos(math.radians(20.0)) + 10.0


def test_the_track_below_the_last_seen_point_is_searched():
    """The track of the snow from the last-seen point to the debris counts from the first step, what is above it not."""
    debris = on_map(box(260, 100, 340, 200))
    swept = on_map(box(280, 100, 320, 560))
    options = SearchOptions(start_xy_m=at(300, 450), last_seen_m=at(300, 450), swept=swept)
    plan = lay_search(debris, SLOPE, options)
    assert [leg for leg in plan.legs if leg.kind == "approach"] == []
    assert plan.legs[0].kind == "track"
    assert plan.legs[0].line.length > 200.0
    down_from_above = SearchOptions(start_xy_m=at(300, 550), last_seen_m=at(300, 450), swept=swept)
    plan = lay_search(debris, SLOPE, down_from_above)
    approach = [leg for leg in plan.legs if leg.kind == "approach"]
    assert sum(leg.line.length for leg in approach) == pytest.approx(100.0, abs=8.0)  # to the level of that point
    assert inside_before_searching_m(plan, debris) == 0.0


@pytest.mark.parametrize("searchers", [1, 2, 3])
def test_a_fan_entered_from_its_toe(searchers):
    """The first lane is at the toe, and nothing of the debris is crossed before."""
    plan = lay_search(on_map(FAN), SLOPE, SearchOptions(searchers=searchers, entry="toe", start_xy_m=at(*BELOW)))
    assert inside_before_searching_m(plan, on_map(FAN)) == 0.0
    for searcher in {lane.searcher for lane in plan.lanes}:
        first = next(leg for leg in plan.legs if leg.searcher == searcher and leg.kind == "lane")
        if searcher == 1:
            assert first.line.coords[0][1] - NORTH_M < 225.0
        assert first.line.coords[0][1] - NORTH_M < 260.0


TEAMS = (1, 2, 3, 5)
QUICK = ("disc", "fork")
SHAPES = [
    name if name in QUICK else pytest.param(name, marks=pytest.mark.slow)
    for name in ("disc", "fork", "L", "ring", "bent band", "two pieces", "big and small", "crescent", "grown")
]


@pytest.mark.parametrize("searchers", TEAMS)
@pytest.mark.parametrize("entry", [None, "top", "toe", "flank", "nearest"])
@pytest.mark.parametrize("name", SHAPES)
def test_nothing_inside_is_crossed_before_searching(name, entry, searchers, monkeypatch):
    """0 m for every shape, entry and team, from above, below and beside; and somebody begins where it was asked."""
    monkeypatch.setattr(layout, "DRAWS", 500)
    outline = translate(on_map(ZOO[name].outline), 300, 300)
    _, south, _, north = outline.bounds
    for start in ((600, 1150), (600, 40), (60, 600)):
        options = SearchOptions(
            searchers=searchers, entry=entry, start_xy_m=at(*start), strip_width_m=ZOO[name].strip_m
        )
        plan = lay_search(outline, WIDE_SLOPE, options)
        assert inside_before_searching_m(plan, outline) == 0.0
        begun = []
        for searcher in {lane.searcher for lane in plan.lanes}:
            own = [leg for leg in plan.legs if leg.searcher == searcher]
            kinds = [kind for kind, _ in itertools.groupby(own, key=lambda leg: leg.kind)]
            assert "approach" not in kinds[1:]
            begun.append(next(leg for leg in own if leg.kind != "approach").line.coords[0][1])
        told = any("No lane begins where the entry was asked for" in note for note in plan.notes)
        assert not (told and name in QUICK)  # where the top or the toe lies in the middle of bent lanes
        if entry == "top":
            assert told or max(begun) > north - 0.35 * (north - south)
        if entry == "toe":
            assert told or min(begun) < south + 0.35 * (north - south)


def test_the_entry_is_where_it_was_asked_for_a_team():
    """From the same start, the first lanes of three people are at the top or at the toe as they were told."""
    for entry, high in (("top", True), ("toe", False)):
        plan = lay_search(
            on_map(box(220, 150, 335, 450)), SLOPE, SearchOptions(searchers=3, entry=entry, start_xy_m=at(*BESIDE))
        )
        firsts = [lane.line.coords[0][1] - NORTH_M for lane in plan.lanes]
        assert all((y > 300) == high for y in firsts)


def test_there_is_no_last_seen_point_over_a_drawn_outline():
    with pytest.raises(InputError, match="there is no last-seen point to begin from: choose the entry top"):
        lay_search(on_map(FAN), SLOPE, SearchOptions(entry="last-seen", start_xy_m=at(*ABOVE)))


def wall_of(height_m):
    """A bench 60 m above the deposit, all the way across."""
    return ground(lambda x, y: 0.3 * y + np.where(y > 400.0, height_m, 0.0) + 0.0 * x)


def steepest_deg(line, grid):
    """Steepest step between points half a cell apart on the bilinear ground, by hand."""
    points = shapely.get_coordinates(shapely.segmentize(line, 0.5 * grid.cell_m))
    z = grid.sample(points[:, 0], points[:, 1])
    run = np.hypot(*np.diff(points, axis=0).T)
    return float(np.degrees(np.arctan(np.abs(np.diff(z)) / np.maximum(run, 1e-9)))[run > 0.1].max(initial=0.0))


@pytest.mark.parametrize("searchers", [1, 2, 4])
def test_no_line_over_a_wall(searchers):
    """A deposit below a wall of 60 m: no line over it; no way is named with the nearest edge; the lanes are laid."""
    deposit, where = on_map(box(240, 200, 360, 340)), wall_of(60.0)
    plan = lay_search(deposit, where, SearchOptions(searchers=searchers, start_xy_m=at(300, 520)))
    assert max(steepest_deg(leg.line, where) for leg in plan.legs) <= CLIFF_DEG
    assert not [leg for leg in plan.legs if leg.kind == "approach"]
    assert plan.lanes
    assert plan.coverage.fraction >= 0.99
    assert any(note.startswith("No way found on this model from here") for note in plan.notes)
    assert max(y for leg in plan.legs for _, y in leg.line.coords) < NORTH_M + 400.0


def test_a_way_round_a_wall_is_taken():
    where = ground(lambda x, y: 0.3 * y + np.where((y > 400.0) & (x < 480.0), 60.0, 0.0) * (x < 470.0))
    plan = lay_search(on_map(box(240, 200, 360, 340)), where, SearchOptions(start_xy_m=at(530, 520)))
    assert max(steepest_deg(leg.line, where) for leg in plan.legs) <= CLIFF_DEG
    assert plan.legs[0].kind == "approach"
    assert not any("No way found" in note for note in plan.notes)


def test_a_step_between_two_cells_is_a_wall():
    """4 m between neighbouring cells of 2 m is 63 degrees; a slope over two cells would say 45."""
    where = ground(lambda x, y: np.where(y > 400.0, 4.0, 0.0) + 0.0 * x)
    plan = lay_search(on_map(box(240, 200, 360, 340)), where, SearchOptions(start_xy_m=at(300, 520)))
    assert any("No way found" in note for note in plan.notes)


def test_a_cone_beside_a_lake_nobody_goes_on():
    lake = on_map(box(320, 100, 500, 300))
    cone = on_map(Polygon([(290, 400), (310, 400), (370, 220), (230, 220)]))
    for searchers, start in itertools.product((1, 2, 3), (ABOVE, BELOW)):
        plan = lay_search(cone, SLOPE, SearchOptions(searchers=searchers, start_xy_m=at(*start), no_go=lake))
        assert not any(leg.line.intersects(lake) for leg in plan.legs)
        assert inside_before_searching_m(plan, cone) == 0.0


def test_small_unlikely_pieces_come_later():
    """A piece narrower than a strip with 1 % of the probability is named, not walked; one with 10 % is walked."""
    outline = on_map(MultiPolygon([box(200, 200, 320, 400), Point(480, 300).buffer(12)]))
    for share, later in ((0.01, True), (0.1, False)):
        values = np.zeros((300, 300))
        row, col = np.mgrid[0:300, 0:300]
        x, y = 2.0 * col + 1.0, 600.0 - 2.0 * row - 1.0
        large = (x > 200) & (x < 320) & (y > 200) & (y < 400)
        small = np.hypot(x - 480, y - 300) < 12
        values[large], values[small] = (1.0 - share) / large.sum(), share / small.sum()
        poa = Grid(values, EAST_M, NORTH_M + 600.0, 2.0, UTM)
        plan = lay_search(outline, SLOPE, SearchOptions(poa=poa, start_xy_m=at(*ABOVE)))
        east = max(x for leg in plan.legs for x, _ in leg.line.coords) - EAST_M
        assert (east < 420.0) == later
        assert any("Look here next: 1 piece of debris" in note and "1.0 %" in note for note in plan.notes) == later
        assert plan.later.is_empty != later
        assert (plan.coverage.fraction < 0.99) == later
        drawn = lay_search(outline, SLOPE, SearchOptions(start_xy_m=at(*ABOVE)))
        assert drawn.later.is_empty
