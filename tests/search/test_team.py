"""Several searchers: side by side from the entry, in the direction in which they move, and no more than are needed."""

import itertools
import math
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely import MultiPolygon, Polygon, box
from shapely.affinity import translate

from lastseen.core.errors import InputError
from lastseen.search.lanes import Run
from lastseen.search.layout import lay_search
from lastseen.search.parts import EntryPoint
from lastseen.search.search_area import SearchOptions, SearchTask
from lastseen.search.walk import join_runs
from search.outline_zoo import ZOO
from search.zoo import EAST_M, NORTH_M, ground, on_map, plane

FLAT = ground(lambda x, y: 0.0 * x * y, side_m=1200.0)
SLOPE = plane(20.0, 180.0)
WIDE = on_map(box(180, 150, 420, 450))
NARROW = on_map(box(240, 200, 355, 420))
FAN = on_map(Polygon([(285, 480), (315, 480), (380, 180), (220, 180)]))


def at(x, y):
    return EAST_M + x, NORTH_M + y


def lanes_of(plan, searcher):
    return [lane for lane in plan.lanes if lane.searcher == searcher]


def heights(lane):
    return [y - NORTH_M for _, y in lane.line.coords]


@pytest.mark.parametrize(("start_y", "down"), [(560, True), (60, False)])
@pytest.mark.parametrize("searchers", [3, 4, 5])
def test_abreast_in_the_direction_in_which_they_move(start_y, down, searchers):
    """Three strips wide: one lane each, down from above and up from below; whoever is left over stays ready."""
    plan = lay_search(NARROW, SLOPE, SearchOptions(searchers=searchers, start_xy_m=at(300, start_y)))
    assert [lane.searcher for lane in plan.lanes] == [1, 2, 3]
    assert all((heights(lane)[0] > heights(lane)[-1]) == down for lane in plan.lanes)
    left_to_right = [lane.line.centroid.x for lane in plan.lanes]
    assert left_to_right == sorted(left_to_right, reverse=down)  # on a slope to the south left is east going down
    apart = np.abs(np.diff(left_to_right))
    assert apart == pytest.approx([115 / 3] * 2, abs=1.0)
    assert plan.guide == (
        f"S2 {apart[0]:.0f} m right of S1, S3 {apart[1]:.0f} m right of S2; moving {'down' if down else 'up'}.",
    )
    ready = [note for note in plan.notes if "no lane" in note]
    assert len(ready) == (searchers > 3)
    assert all("ready with probe and shovel" in note for note in ready)


@pytest.mark.parametrize("searchers", [1, 2, 3, 5])
@pytest.mark.parametrize("name", ["wide", "narrow", "fan"])
def test_nobody_searches_uphill_from_above(name, searchers):
    outline = {"wide": WIDE, "narrow": NARROW, "fan": FAN}[name]
    plan = lay_search(outline, SLOPE, SearchOptions(searchers=searchers, start_xy_m=at(300, 580)))
    for leg in plan.legs:
        rise = leg.length_m * math.sin(math.radians(leg.slope_deg))
        assert rise < 15.0, (leg.kind, leg.lane)
    for searcher in range(1, searchers + 1):
        own = [leg for leg in plan.legs if leg.searcher == searcher and leg.kind != "approach"]
        climbed = sum(max(0.0, leg.length_m * math.sin(math.radians(leg.slope_deg))) for leg in own)
        assert climbed < 20.0


@pytest.mark.parametrize("searchers", [2, 3, 4])
@pytest.mark.parametrize("start", [(300, 580), (300, 30), (60, 300)])
def test_a_wide_field_is_shared(start, searchers):
    """Six strips wide: everybody has lanes, whole ones, and nobody does twice the work of another."""
    plan = lay_search(WIDE, SLOPE, SearchOptions(searchers=searchers, start_xy_m=at(*start)))
    assert {lane.searcher for lane in plan.lanes} == set(range(1, searchers + 1))
    each = [sum(lane.length_m for lane in lanes_of(plan, k)) for k in range(1, searchers + 1)]
    assert min(each) > 0.5 * max(each)
    assert plan.coverage.fraction >= 0.99
    shared = [a.line.intersection(b.line).length for a, b in itertools.combinations(plan.lanes, 2)]
    assert max(shared) < 1e-6
    assert len(plan.guide) == 1


def test_pieces_far_apart_are_shared_out():
    """Two pieces 300 m apart for two people: one each; for one person both."""
    pieces = MultiPolygon([box(200, 470, 300, 560), box(220, 60, 330, 170)])
    plan = lay_search(on_map(pieces), SLOPE, SearchOptions(searchers=2, start_xy_m=at(250, 590)))
    for searcher in (1, 2):
        homes = {lane.line.centroid.y > NORTH_M + 300 for lane in lanes_of(plan, searcher)}
        assert len(homes) == 1
    assert "a part of the debris" in plan.guide[0]
    alone = lay_search(on_map(pieces), SLOPE, SearchOptions(start_xy_m=at(250, 590)))
    ys = [lane.line.centroid.y - NORTH_M for lane in alone.lanes]
    assert ys == sorted(ys, reverse=True)
    assert alone.guide == ()


@pytest.mark.parametrize("searchers", [1, 2, 3, 4])
@pytest.mark.parametrize("name", ["large square", "L", "fork", "slalom", "two pieces", "ring"])
def test_lanes_are_numbered_as_each_searcher_walks(name, searchers):
    outline = translate(on_map(ZOO[name].outline), 300, 300)
    plan = lay_search(outline, FLAT, SearchOptions(searchers=searchers, strip_width_m=ZOO[name].strip_m))
    walked = [leg.lane for leg in plan.legs if leg.lane is not None]
    assert walked == sorted(walked)
    assert [lane.number for lane in plan.lanes] == list(range(1, len(plan.lanes) + 1))
    assert [lane.searcher for lane in plan.lanes] == sorted(lane.searcher for lane in plan.lanes)


@pytest.mark.parametrize("searchers", [1, 2, 3, 5])
@pytest.mark.parametrize(
    "name", [one if k % 6 == 0 else pytest.param(one, marks=pytest.mark.slow) for k, one in enumerate(ZOO)]
)
def test_no_lane_is_shorter_than_half_a_strip(name, searchers):
    outline = translate(on_map(ZOO[name].outline), 300, 300)
    plan = lay_search(outline, FLAT, SearchOptions(searchers=searchers, strip_width_m=ZOO[name].strip_m))
    assert min(lane.length_m for lane in plan.lanes) >= 0.5 * ZOO[name].strip_m - 1e-6
    assert plan.coverage.fraction >= 0.985


def test_some_from_above_and_some_from_below():
    """One group takes the upper part downhill, the other the lower part uphill; nobody crosses the other's part."""
    options = SearchOptions(searchers=2, start_xy_m=at(300, 580), other_starts_m=(at(300, 30),))
    plan = lay_search(WIDE, SLOPE, options)
    for searcher, above in ((1, True), (2, False)):
        own = lanes_of(plan, searcher)
        assert plan.legs[0 if searcher == 1 else [leg.searcher for leg in plan.legs].index(2)].line.coords[0] == at(
            300, 580 if above else 30
        )
        ys = [lane.line.centroid.y - NORTH_M for lane in own]
        assert all((y > 295) == above for y in ys)
        assert ys == sorted(ys, reverse=above)
    assert plan.coverage.fraction >= 0.99
    with pytest.raises(InputError, match="2 starts were given for 1 searchers"):
        lay_search(WIDE, SLOPE, SearchOptions(start_xy_m=at(300, 580), other_starts_m=(at(300, 30),)))


def test_each_starts_where_the_plan_was_told():
    starts = (at(200, 560), at(300, 570), at(400, 560))
    options = SearchOptions(searchers=3, start_xy_m=starts[0], other_starts_m=starts[1:])
    plan = lay_search(WIDE, SLOPE, options)
    first = {}
    for leg in plan.legs:
        first.setdefault(leg.searcher, leg.line.coords[0])
    assert set(first.values()) == set(starts)
    xs = [first[k][0] for k in (1, 2, 3)]
    assert xs == sorted(xs, reverse=True)  # left of the way down is east: nobody crosses another's way


@pytest.mark.parametrize("searchers", [1, 2])
def test_traverses_go_down_and_say_what_they_leave(searchers):
    """Skis from above: every lane slants down, the turns leave corners, and the coverage is the measured one."""
    options = SearchOptions(searchers=searchers, pattern="traverse", start_xy_m=at(300, 580))
    plan = lay_search(WIDE, SLOPE, options)
    assert plan.pattern == "traverse"
    for lane in plan.lanes:
        assert heights(lane)[0] > heights(lane)[-1]
    assert 0.94 < plan.coverage.fraction < 1.0
    assert any("traverses" in note for note in plan.notes) == (plan.coverage.fraction < 0.99)
    for searcher in range(1, searchers + 1):
        own = lanes_of(plan, searcher)
        for a, b in itertools.pairwise(own):
            assert math.dist(a.line.coords[-1], b.line.coords[0]) < 1e-6


# ---- Runs joined to a walk, by hand


def run(*corners, q_m=0.0):
    return Run(group=0, q_m=q_m, points=tuple(at(*corner) for corner in corners))


def area_with(find_route, swept_to_y=-1.0):
    """Ground on which ways are found as a test says; the snow passed what lies north of a line."""
    walkable = SimpleNamespace(find_route=find_route, is_clear_along=lambda _points: True, is_clear=lambda _a, _b: True)
    return SimpleNamespace(walkable=walkable, is_swept=lambda _x, y: y >= NORTH_M + swept_to_y)


TASK = SearchTask(strip_width_m=20.0, searchers=1, begin=at(0, 0))


def entry_at(point, through=None):
    return EntryPoint(start=point, through=through, begin=at(0, 0), way="down")


def kinds(walked, searcher=0):
    return [leg.kind for leg in walked.legs[searcher]]


def test_runs_are_joined_by_the_ways_that_are_found():
    """Corners nearer than a metre are one, ways of no length no leg; what cannot be reached is left and said."""
    ways = {
        (at(0, -20), at(10, 0)): [at(0, -20), at(0.5, -20), at(5, -15), at(5, -15.9), at(9.5, 0), at(10, 0)],
        (at(20, 0), at(20, 0)): [at(20, 0), at(20, 0)],
        (at(30, 0), at(60, 9)): None,
        (at(30, 0), at(30, 5)): [at(30, 0), at(30, 5)],
    }
    runs = [Run(group=0, q_m=float(k), points=tuple(at(*p) for p in points)) for k, points in enumerate((
        [(10, 0), (20, 0)], [(20, 0), (25, 2), (30, 0)], [(60, 9), (70, 9)], [(30, 5), (40, 5)],
    ))]  # fmt: skip
    entries = [entry_at(at(0, -20)), entry_at(at(0, -20))]
    walked = join_runs([runs, []], entries, area_with(lambda a, b, _m: ways[a, b]), TASK)
    first, nobody = walked.legs
    assert nobody == ()
    assert walked.corners(1).shape == (0, 2)
    assert walked.unreached == (runs[2],)
    assert kinds(walked)[2:] == ["lane", "lane", "lane", "join", "lane"] or kinds(walked)[-5:] == [
        "lane", "lane", "lane", "join", "lane",
    ]  # fmt: skip
    assert [leg.run for leg in first if leg.kind == "lane"] == [runs[0], runs[1], runs[1], runs[3]]
    assert walked.searched_lines == [leg.line for leg in first if leg.kind != "approach"]


@pytest.mark.parametrize(
    ("start_y", "expected", "approach_m"),
    [(-30, ["approach", "track", "lane"], 20.0), (-5, ["track", "lane"], 0.0), (5, ["track", "lane"], 0.0)],
)
def test_the_search_begins_on_the_first_ground_that_the_snow_passed(start_y, expected, approach_m):
    """From 30 m below a lane over ground of which the last 10 m were passed: 20 m of approach, to half a metre."""
    walked = join_runs(
        [[run((0, 0), (40, 0))]], [entry_at(at(0, start_y))], area_with(lambda a, b, _m: [a, b], swept_to_y=-10.0), TASK
    )
    assert kinds(walked) == expected
    approach = sum(leg.line.length for leg in walked.legs[0] if leg.kind == "approach")
    assert approach_m - 0.5 <= approach <= approach_m
    assert sum(leg.line.length for leg in walked.legs[0]) == pytest.approx(abs(start_y) + 40.0)


def test_the_way_leads_through_the_last_seen_point():
    walked = join_runs(
        [[run((0, 0), (40, 0))]], [entry_at(at(-50, -50), through=at(0, -40))], area_with(lambda a, b, _m: [a, b]), TASK
    )
    corners = [(-50, -50), (0, -40), (0, 0), (40, 0)]
    assert tuple(walked.approach_corners(0)[0]) == at(-50, -50)
    for corner in corners:
        assert min(math.dist(p, at(*corner)) for p in [*walked.approach_corners(0), *walked.corners(0)]) < 1e-6


def test_small_places_are_stepped_aside_to():
    """A run shorter than half a strip is no lane; the only one there is drawn out to half a strip."""
    runs = [run((0, 0), (40, 0)), run((40, 8), (48, 8)), run((48, 20), (0, 20))]
    walked = join_runs([runs], [entry_at(at(0, -20))], area_with(lambda a, b, _m: [a, b]), TASK)
    assert kinds(walked)[-5:] == ["lane", "join", "join", "join", "lane"]
    assert [leg.aside for leg in walked.legs[0]][-5:] == [False, False, True, False, False]
    alone = join_runs([[run((0, 0), (4, 0))]], [entry_at(at(2, -20))], area_with(lambda a, b, _m: [a, b]), TASK)
    lane = alone.legs[0][-1]
    assert lane.kind == "lane"
    assert lane.line.length == pytest.approx(10.0, abs=1e-3)
    assert shapely.distance(lane.line.centroid, shapely.Point(at(2, 0))) < 1e-3
