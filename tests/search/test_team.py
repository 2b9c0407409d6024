"""Several searchers: equal shares, ground order, a part for each or none with a reason."""

import numpy as np
import pytest
from shapely import LineString, box
from shapely.affinity import translate

from lastseen.search.lanes import Run
from lastseen.search.layout import lay_search
from lastseen.search.search_area import SearchOptions
from lastseen.search.surface import Surface
from lastseen.search.walk import BareLeg, TeamWalk, assign_abreast, unevenness
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
    speed_up, speed_down = np.exp(-3.5 * 0.25), np.exp(-3.5 * 0.15)
    assert unevenness(walked, surface, 60.0) == pytest.approx(1.0 - speed_up / speed_down, abs=2e-3)
    three = TeamWalk(legs=(up + down, down), unreached=())
    expected = 1.0 - (1.0 / speed_down) / (1.0 / speed_up + 1.0 / speed_down)
    assert unevenness(three, surface, 60.0) == pytest.approx(expected, abs=2e-3)
