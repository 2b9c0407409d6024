"""Simulated searches and the share covered so far, against an independent Monte Carlo twin and buffered walks."""

import math

import numpy as np
import pytest
from shapely import union_all
from shapely.ops import substring

from lastseen.rescue.travel import Travel
from lastseen.search.coverage import measure_coverage_over_time
from lastseen.search.layout import lay_search
from lastseen.search.search_area import SearchOptions
from oracles.search_walk import first_heard_s, hide, quantiles, tobler_off_path, walk_positions
from search.zoo import EAST_M, NORTH_M, ZOO, bowl, ground, plane

FLAT = ground(lambda x, y: 0.0 * x * y)
WALKING = Travel(approach="foot")
DRAWS = 12_000


def walks_of(plan, where):
    """What each searcher walks on the debris, and when that begins after the first step of the first."""
    found = []
    for k in range(1, plan.searchers + 1):
        legs = [leg for leg in plan.legs if leg.searcher == k]
        there = [leg.line for leg in legs if leg.kind == "approach"]
        search = [leg.line for leg in legs if leg.kind != "approach"]
        if search:
            found.append((search, walk_positions(there, where)[0][-1] if there else 0.0))
    first = min(begin for _, begin in found)
    return [(lines, begin - first) for lines, begin in found]


@pytest.mark.parametrize(
    ("name", "where", "searchers", "strip_m"),
    [
        ("square", plane(25.0, 200.0), 1, 40.0),
        ("L", bowl(), 1, 30.0),
        ("triangle", FLAT, 2, 40.0),
        ("two pieces", plane(15.0, 90.0), 3, 40.0),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_first_signal_is_that_of_the_twin(name, where, searchers, strip_m):
    """Median of the time to the first signal within 2 %, its spread within 4 %, share heard within 1 point."""
    outline = ZOO[name]
    options = SearchOptions(
        strip_width_m=strip_m, searchers=searchers, start_xy_m=(EAST_M + 290, NORTH_M + 480), travel=WALKING
    )
    plan = lay_search(outline, where, options)
    arrays = (where.values, where.west_m, where.north_m, where.cell_m)
    target, axis, range_m, surface = hide(outline, arrays, strip_m, DRAWS, np.random.default_rng(17))
    heard = first_heard_s(walks_of(plan, arrays), arrays, target, axis, range_m)
    found = np.isfinite(heard)
    p10, p50, p90 = quantiles(heard[found], surface[found], (0.1, 0.5, 0.9))
    assert plan.chosen.first_signal_s[1] == pytest.approx(p50, rel=0.02)
    assert plan.chosen.first_signal_s[2] == pytest.approx(p90, rel=0.04)
    assert plan.chosen.first_signal_s[0] == pytest.approx(p10, rel=0.04, abs=3.0)
    assert plan.chosen.pod == pytest.approx(surface[found].sum() / surface.sum(), abs=0.01)


@pytest.mark.parametrize("name", ["square", "fork", "two pieces"])
@pytest.mark.parametrize("searchers", [1, 3])
def test_covered_so_far_is_the_area_beside_what_was_walked(name, searchers):
    """On flat ground: it never falls, and at each time it is the buffered walk (GEOS) inside the outline."""
    outline = ZOO[name]
    start = (EAST_M + 290, NORTH_M + 520)
    plan = lay_search(outline, FLAT, SearchOptions(searchers=searchers, start_xy_m=start, travel=WALKING))
    times = np.linspace(0.0, plan.total_time_s, 13)
    shares, _ = measure_coverage_over_time(outline, FLAT, plan.legs, 40.0, times, spacing_m=1.0, travel=WALKING)
    assert (np.diff(shares) >= 0.0).all()
    speed, wanted = tobler_off_path(0.0), []
    for t in times:
        walked, now = [], {}
        for leg in plan.legs:
            begin = now.get(leg.searcher, 0.0)
            now[leg.searcher] = begin + leg.line.length / speed
            if leg.kind != "approach" and t > begin:
                walked.append(substring(leg.line, 0.0, min(leg.line.length, (t - begin) * speed)))
        wanted.append(union_all(walked).buffer(20.0, 64).intersection(outline).area / outline.area if walked else 0.0)
    np.testing.assert_allclose(shares, wanted, atol=0.012)
    assert shares[-1] == pytest.approx(plan.coverage.fraction, abs=0.005)
    assert math.isclose(shares[0], wanted[0], abs_tol=0.012)
