"""Several searchers: equal shares, ground order, a part for each or none with a reason."""

from types import SimpleNamespace

import numpy as np
import pytest
from shapely import LineString, box
from shapely.affinity import translate

from lastseen.search.lanes import Run
from lastseen.search.layout import lay_search
from lastseen.search.search_area import SearchOptions, SearchTask
from lastseen.search.surface import Surface
from lastseen.search.walk import BareLeg, TeamWalk, assign_abreast, join_runs, split_evenly, unevenness
from search.outline_zoo import ZOO
from search.zoo import EAST_M, NORTH_M, ground, on_map, plane

FLAT = ground(lambda x, y: 0.0 * x * y, side_m=1200.0)


def at(x, y):
    return EAST_M + x, NORTH_M + y


WIDE = on_map(box(180, 150, 420, 450))


def search_s(plan, searcher):
    """Time on lanes and short joins."""
    mine = [leg for leg in plan.legs if leg.searcher == searcher]
    return sum(leg.time_s for leg in mine if leg.kind == "lane" or (leg.kind == "join" and leg.length_m < 60.0))


@pytest.mark.parametrize("searchers", [2, 3, 5])
@pytest.mark.parametrize("pattern", [None, "across", "along"])
def test_equal_shares(searchers, pattern):
    plan = lay_search(WIDE, plane(15.0, 180.0), SearchOptions(searchers=searchers, pattern=pattern))
    times = [search_s(plan, k) for k in range(1, searchers + 1)]
    assert min(times) >= 0.9 * max(times)
    assert plan.coverage.fraction >= 0.99


@pytest.mark.parametrize("name", ["large square", "L", "fork", "ring", "many holes", "slalom", "comb", "crescent"])
def test_equal_shares_on_any_shape(name):
    plan = lay_search(
        translate(on_map(ZOO[name].outline), 300, 300),
        FLAT,
        SearchOptions(searchers=2, strip_width_m=ZOO[name].strip_m),
    )
    times = [search_s(plan, k) for k in (1, 2)]
    assert min(times) >= 0.9 * max(times)


def test_lanes_are_numbered_from_side_to_side():
    plan = lay_search(WIDE, plane(15.0, 180.0), SearchOptions(searchers=3, pattern="across"))
    heights = [lane.line.centroid.y for lane in plan.lanes]
    assert np.all(np.diff(heights) > -1e-6) or np.all(np.diff(heights) < 1e-6)
    for searcher in (1, 2, 3):
        mine = [lane.number for lane in plan.lanes if lane.searcher == searcher]
        assert mine == list(range(mine[0], mine[-1] + 1))


def test_abreast_when_lanes_share_out():
    """Three lanes down the slope for three searchers: one each, all in the same direction."""
    plan = lay_search(on_map(box(240, 200, 355, 420)), plane(20.0, 180.0), SearchOptions(searchers=3, pattern="along",
                   start_xy_m=(EAST_M + 300, NORTH_M + 450)))  # fmt: skip
    assert len(plan.lanes) == 3
    assert sorted(lane.searcher for lane in plan.lanes) == [1, 2, 3]
    assert len({lane.line.coords[0][1] > lane.line.coords[-1][1] for lane in plan.lanes}) == 1


def test_a_far_search_ends_together():
    """Where the approach takes longer than the search, the parts end at the same time."""
    outline = on_map(box(300, 60, 420, 130))
    plan = lay_search(outline, FLAT, SearchOptions(searchers=3, start_xy_m=(EAST_M + 350, NORTH_M + 1150)))
    times = [plan.time_s(k) for k in (1, 2, 3)]
    assert min(times) >= 0.9 * max(times)


def test_nobody_walks_what_another_searches():
    plan = lay_search(WIDE, plane(15.0, 180.0), SearchOptions(searchers=4))
    lanes = [lane.line for lane in plan.lanes]
    shared = [a.intersection(b).length for i, a in enumerate(lanes) for b in lanes[i + 1 :]]
    assert max(shared) < 1e-6


def lane(x, y0, y1):
    return Run(group=0, q_m=x, points=(at(x, y0), at(x, y1)))


@pytest.mark.parametrize("start_x", [150, 450])
def test_abreast_begins_at_the_nearer_side(start_x):
    """Four lanes for two people: the two next to the start are walked first, and back down the other two."""
    lanes = [lane(x, 200, 400) for x in (200, 240, 280, 320)]
    walks = assign_abreast(lanes, 2, at(start_x, 180))
    along = [[(run.q_m, run.end[1] > run.start[1]) for run in walk] for walk in walks]
    near, far = ((200, 240), (280, 320)) if start_x < 300 else ((320, 280), (240, 200))
    assert along == [[(near[0], True), (far[0], False)], [(near[1], True), (far[1], False)]]


def test_unevenness_is_of_known_times():
    """Of two people on the same line the one who goes up takes longer: Tobler's rule at a slope of 0.2."""
    slope = ground(lambda x, y: 0.2 * y + 0.0 * x)
    surface = Surface.around(slope, slope.bounds, 0.0)
    up, down = (
        (BareLeg(kind="lane", line=LineString([at(300, a), at(300, b)]), run=None),)
        for a, b in ((200, 300), (300, 200))
    )
    walked = TeamWalk(legs=(up, down), unreached=())
    task = SearchTask(strip_width_m=40.0, searchers=2, start=at(300, 200), begin=at(300, 200))
    speed_up, speed_down = np.exp(-3.5 * 0.25), np.exp(-3.5 * 0.15)
    assert unevenness(walked, surface, task) == pytest.approx(1.0 - speed_up / speed_down, abs=2e-3)
    three = TeamWalk(legs=(up + down, down), unreached=())
    expected = 1.0 - (1.0 / speed_down) / (1.0 / speed_up + 1.0 / speed_down)
    assert unevenness(three, surface, task) == pytest.approx(expected, abs=2e-3)


@pytest.mark.parametrize(
    ("runs", "searchers", "abreast"),
    [
        ([lane(0, 0, 100), lane(40, 0, 90)], 2, True),
        ([lane(0, 0, 100), lane(40, 0, 89)], 2, False),
        ([lane(0, 0, 100), lane(40, 0, 100), lane(80, 0, 100)], 2, False),
        ([lane(0, 0, 100), lane(40, 0, 100), lane(80, 0, 100)], 3, True),
        ([lane(0, 0, 100), Run(group=1, q_m=40.0, points=(at(40, 0), at(40, 100)))], 2, False),
        ([lane(0, 0, 100), Run(group=0, q_m=40.0, points=(at(40, 0), at(40, 100)), extra=True)], 2, False),
        ([lane(0, 0, 100), Run(group=0, q_m=0.0, points=(at(0, 110), at(0, 210)))], 2, False),
    ],
)
def test_abreast_only_where_lanes_share_out(runs, searchers, abreast):
    """As many lanes for each, whole ones of one group, and nobody with more than a tenth less to walk."""
    assert (assign_abreast(runs, searchers, at(0, -50)) is not None) == abreast


def test_abreast_all_walk_the_same_way_from_the_nearer_end():
    """Lanes drawn both ways; from above they are walked down, from below up."""
    lanes = [lane(0, 0, 100), lane(40, 100, 0), lane(80, 0, 100), lane(120, 100, 0)]
    for start_y, up in ((150, False), (-50, True)):
        walks = assign_abreast(lanes, 2, at(-10, start_y))
        ways = [[run.end[1] > run.start[1] for run in walk] for walk in walks]
        assert ways == [[up, not up], [up, not up]]


def walkable_with(find_route):
    """Flat ground on which ways are found as a test says."""
    return SimpleNamespace(surface=Surface.around(FLAT, FLAT.bounds, 0.0), find_route=find_route)


@pytest.mark.parametrize(("aside_m", "shared_at"), [(0.0, 50.0), (21.0, 59.0), (60.0, 30.0)])
def test_a_way_round_that_is_short_is_part_of_the_search(aside_m, shared_at):
    """Three lanes of 100 m, 40 m apart, for two people: by hand, where the second lane is shared.

    100 + 40 + x = 100 - x + join + 100; a join of 2 x hypot(21, 20) = 58 m counts, one of 126 m is no searching.
    """

    def find_route(a, b, _detour_from_m):
        middle = (0.5 * (a[0] + b[0]) - aside_m, 0.5 * (a[1] + b[1]))
        return [a, middle, b] if aside_m and abs(a[0] - at(0, 0)[0]) < 1.0 else [a, b]

    ends = [(at(0, 0), at(100, 0)), (at(100, 40), at(0, 40)), (at(0, 80), at(100, 80))]
    runs = [Run(group=0, q_m=40.0 * k, points=points) for k, points in enumerate(ends)]
    task = SearchTask(strip_width_m=40.0, searchers=2, start=at(50, -30), begin=at(50, -30))
    first, second = split_evenly(runs, 2, walkable_with(find_route), task, by_end=False)
    assert {run.q_m for run in first} == {0.0, 40.0}
    assert {run.q_m for run in second} == {40.0, 80.0}
    walked = [sum(run.plan_m for run in part if run.q_m == 40.0) for part in (first, second)]
    assert walked == pytest.approx([shared_at, 100.0 - shared_at], abs=2.5)


def test_runs_are_joined_by_the_ways_that_are_found():
    """Corners nearer than a metre are one, ways of no length no leg; what cannot be reached is left and said."""
    ways = {
        (at(0, 0), at(10, 0)): [at(0, 0), at(0.5, 0), at(5, 5), at(5, 5.9), at(9.5, 0), at(10, 0)],
        (at(20, 0), at(20, 0)): [at(20, 0), at(20, 0)],
        (at(30, 0), at(60, 9)): None,
        (at(30, 0), at(30, 5)): [at(30, 0), at(30, 5)],
    }
    runs = [Run(group=0, q_m=float(k), points=tuple(at(*p) for p in points)) for k, points in enumerate((
        [(10, 0), (20, 0)], [(20, 0), (25, 2), (30, 0)], [(60, 9), (70, 9)], [(30, 5), (40, 5)],
    ))]  # fmt: skip
    walked = join_runs([runs, []], at(0, 0), walkable_with(lambda a, b, _m: ways[a, b]), 60.0)
    first, nobody = walked.legs
    assert nobody == ()
    assert walked.corners(1).shape == (0, 2)
    assert walked.unreached == (runs[2],)
    assert [leg.kind for leg in first] == ["approach", "approach", "lane", "lane", "lane", "join", "lane"]
    assert [leg.run for leg in first] == [None, None, runs[0], runs[1], runs[1], None, runs[3]]
    corners = [(0, 0), (5, 5), (10, 0), (20, 0), (25, 2), (30, 0), (30, 5), (40, 5)]
    assert walked.approach_corners(0).tolist() == [list(at(*corner)) for corner in corners[:3]]
    assert walked.corners(0).tolist() == [list(at(*corner)) for corner in corners[2:]]
    assert walked.searched_lines == [leg.line for leg in first[2:]]
