"""Several searchers: equal shares, ground order, a part for each or none with a reason."""

import numpy as np
import pytest
from shapely import box
from shapely.affinity import translate

from lastseen.search.layout import lay_search
from lastseen.search.search_area import SearchOptions
from search.outline_zoo import ZOO
from search.zoo import EAST_M, NORTH_M, ground, on_map, plane

FLAT = ground(lambda x, y: 0.0 * x * y, side_m=1200.0)
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
