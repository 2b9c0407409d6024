"""No-go ground, walls and steep ground: gone round, marked, or said to be out of reach."""

import numpy as np
import pytest
import shapely
from shapely import MultiPolygon, Point, box

from lastseen.core.errors import InputError
from lastseen.search.layout import lay_search
from lastseen.search.search_area import SearchOptions
from search.zoo import EAST_M, NORTH_M, ground, on_map, plane

FLAT = ground(lambda x, y: 0.0 * x * y)
SQUARE = on_map(box(200, 200, 400, 400))
NO_GO = {
    "strip in the middle": box(280, 150, 310, 350),
    "cut across, open at one side": box(195, 290, 405, 310),
    "disc": Point(300, 300).buffer(25),
    "several": MultiPolygon([Point(x, y).buffer(9) for x in (240, 300, 360) for y in (250, 340)]),
    "long wall": box(280, 100, 290, 500),
}


@pytest.mark.parametrize("searchers", [1, 3])
@pytest.mark.parametrize("name", NO_GO)
def test_no_leg_crosses_no_go_ground(name, searchers):
    area = on_map(NO_GO[name])
    plan = lay_search(SQUARE, FLAT, SearchOptions(no_go=area, searchers=searchers))
    assert not any(leg.line.intersects(area) for leg in plan.legs)
    assert all(box(*FLAT.bounds).contains(leg.line) for leg in plan.legs)
    short = plan.coverage.fraction < 0.99
    assert short == any("no-go ground" in note for note in plan.notes)
    assert not short
    assert plan.no_go is not None


def test_what_no_go_ground_hides_is_said():
    """A disc wider than two strips cannot be searched from beside it: coverage stops, and the reason is given."""
    area = on_map(Point(300, 300).buffer(70))
    plan = lay_search(SQUARE, FLAT, SearchOptions(no_go=area))
    assert plan.coverage.fraction < 0.99
    left = 1.0 - plan.coverage.fraction
    assert np.pi * 50.0**2 / 40_000.0 - 0.01 < left < np.pi * 65.0**2 / 40_000.0
    assert any("Coverage stops at" in note and "no-go ground" in note for note in plan.notes)
    assert not any(leg.line.intersects(area) for leg in plan.legs)


def test_a_piece_behind_no_go_ground_is_not_walked_to():
    """A wall right across the ground cannot be gone round: the far side is left, and said to be."""
    wall = on_map(box(-500, 290, 1100, 310))
    plan = lay_search(SQUARE, FLAT, SearchOptions(no_go=wall, start_xy_m=(EAST_M + 300, NORTH_M + 450)))
    assert not any(leg.line.intersects(wall) for leg in plan.legs)
    assert min(leg.line.bounds[1] for leg in plan.legs) > NORTH_M + 305
    assert any("can only be reached across no-go ground or a wall" in note for note in plan.notes)


@pytest.mark.parametrize(
    ("area", "start", "text"),
    [
        (box(100, 100, 500, 500), None, "the no-go ground covers all of the outline: nothing is left to walk"),
        (box(100, 100, 500, 250), (300, 120), r"the start at 600300 E, 5100120 N lies on no-go ground"),
        (shapely.LineString([(0, 0), (1, 1)]), None, "the no-go ground is a LineString: give a polygon"),
    ],
)
def test_no_go_ground_that_leaves_nothing(area, start, text):
    at = (EAST_M + start[0], NORTH_M + start[1]) if start else None
    with pytest.raises(InputError, match=text):
        lay_search(SQUARE, FLAT, SearchOptions(no_go=on_map(area), start_xy_m=at))


def test_no_go_ground_far_away_changes_nothing():
    far = on_map(box(900, 900, 950, 950))
    assert lay_search(SQUARE, FLAT, SearchOptions(no_go=far)).lanes == lay_search(SQUARE, FLAT).lanes


def test_a_wall_in_the_middle_is_not_walked_over():
    """A step of 30 m across the debris that runs out beside it: lanes end at it, and both sides are searched."""
    cliff = ground(lambda x, y: np.where(y > 300, 30.0, 0.0) * np.clip((500.0 - x) / 120.0, 0.0, 1.0))
    plan = lay_search(SQUARE, cliff)
    assert not [leg for leg in plan.legs if leg.danger == "wall"]
    edge = on_map(shapely.LineString([(150, 300), (460, 300)]))
    assert not any(leg.line.intersects(edge) for leg in plan.legs)
    assert plan.coverage.fraction > 0.95
    sides = {lane.line.centroid.y > NORTH_M + 300 for lane in plan.lanes}
    assert sides == {True, False}


def test_legs_above_a_wall_are_marked():
    """Where the only way runs along the top of a wall, the leg says so."""
    cliff = ground(lambda x, y: np.where(y > 300, 40.0, 0.0) * np.ones_like(x))
    plan = lay_search(on_map(box(250, 302, 350, 316)), cliff)
    assert any(leg.danger == "above a wall" for leg in plan.legs)
    assert any("right above a wall" in note for note in plan.notes)


def test_a_steep_approach_goes_round():
    """A steep bank with a ramp beside it, and a wall between the two: the way goes down the ramp."""

    def height(x, y):
        bank = np.clip(y - 380.0, 0.0, 40.0) * 0.85
        ramp = np.clip((y - 250.0) / 170.0, 0.0, 1.0) * 34.0
        return np.where(x > 420.0, ramp, bank)

    plan = lay_search(
        on_map(box(250, 200, 350, 300)),
        ground(height),
        SearchOptions(start_xy_m=(EAST_M + 415, NORTH_M + 440), pattern="across"),
    )
    way = [leg for leg in plan.legs if leg.kind == "approach"]
    assert len(way) > 1
    assert max(leg.steepest_deg for leg in way) < 35.0
    assert {leg.danger for leg in way} == {""}


def test_steep_legs_are_marked():
    plan = lay_search(on_map(box(250, 250, 350, 350)), plane(40.0, 180.0), SearchOptions(pattern="along"))
    lanes = [leg for leg in plan.legs if leg.kind == "lane"]
    assert {leg.danger for leg in lanes} == {"steep"}
    assert any("steeper than 35 degrees" in note for note in plan.notes)
    level = lay_search(on_map(box(250, 250, 350, 350)), plane(40.0, 180.0), SearchOptions(pattern="across"))
    assert {leg.danger for leg in level.legs if leg.kind == "lane"} == {""}
