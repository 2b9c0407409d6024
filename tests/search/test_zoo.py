"""Thirty outlines: covered, short, legible; and random ones without end."""

import csv
import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPolygon, Point, Polygon
from shapely.affinity import translate

from lastseen.search import layout
from lastseen.search.coverage import measure_coverage
from lastseen.search.layout import lay_search
from lastseen.search.search_area import SearchOptions
from lastseen.search.simulation import Reception, first_signals_s, hide_targets
from lastseen.search.surface import Surface
from search.outline_zoo import ZOO
from search.zoo import ground, on_map

FLAT = ground(lambda x, y: 0.0 * x * y, side_m=1200.0)
SLOPE = ground(lambda x, y: 0.45 * y + 0.0003 * (x - 600.0) ** 2, side_m=1200.0)
CONVEX = [name for name, case in ZOO.items() if case.convex]
PLANS = {}


def placed(name):
    return translate(on_map(ZOO[name].outline), 300.0, 300.0)


def plan_of(name):
    """One searcher on flat ground; worked out once."""
    if name not in PLANS:
        PLANS[name] = lay_search(placed(name), FLAT, SearchOptions(strip_width_m=ZOO[name].strip_m))
    return PLANS[name]


def search_m(plan):
    return sum(leg.length_m for leg in plan.legs if leg.kind != "approach")


def between_pieces_m(plan, outline):
    """Length of the joins that lead from one piece of the outline to another."""
    tree = shapely.STRtree(shapely.get_parts(outline))

    def home(point):
        return tree.nearest(Point(point))

    joins = [leg for leg in plan.legs if leg.kind in ("join", "track")]
    return sum(leg.length_m for leg in joins if home(leg.line.coords[0]) != home(leg.line.coords[-1]))


def test_thirty_outlines():
    assert len(ZOO) == 30
    assert len(CONVEX) == 10
    assert all(case.outline.is_valid for case in ZOO.values())


@pytest.mark.parametrize("name", ZOO)
def test_covered_and_short(name):
    """At least 99 % within reach; the walk at most 1.6 x area / width beside the joins between pieces."""
    plan, outline = plan_of(name), placed(name)
    again = measure_coverage(
        outline, [leg.line for leg in plan.legs if leg.kind != "approach"], FLAT, ZOO[name].strip_m / 2
    )
    assert plan.coverage.fraction >= 0.99
    assert again.fraction >= 0.9895
    ratio = (search_m(plan) - between_pieces_m(plan, outline)) / (outline.area / ZOO[name].strip_m)
    assert ratio <= 1.6, ratio
    print(f"{name}: {plan.coverage.fraction:.4f} {search_m(plan):.0f} m {ratio:.2f}")


@pytest.mark.parametrize("name", CONVEX)
def test_convex_outlines_are_walked_as_short_as_brute_force_can(name):
    """At most 1.05 x the shortest of all rotations, lane counts and insets at the same coverage (brute_force.py)."""
    with Path(__file__).with_name("brute_force.csv").open(encoding="utf-8") as file:
        row = next(one for one in csv.DictReader(file) if one["name"] == name)
    assert float(row["coverage"]) == pytest.approx(0.991, abs=0.0015)
    assert search_m(plan_of(name)) <= 1.05 * float(row["walk_m"])


@pytest.mark.parametrize("name", ["fork", "ring", "S", "demo bowl", "grown"])
@pytest.mark.parametrize("pattern", [None, "across", "along"])
def test_covered_on_a_slope(name, pattern):
    plan = lay_search(placed(name), SLOPE, SearchOptions(strip_width_m=ZOO[name].strip_m, pattern=pattern))
    assert plan.coverage.fraction >= 0.99
    assert pattern in (None, plan.pattern)


def test_lanes_bend_with_a_bent_deposit():
    """A band as wide as almost two strips is walked in two lanes that follow it, not in many across it."""
    plan = plan_of("bent band")
    assert len(plan.lanes) == 2
    assert min(len(lane.line.coords) for lane in plan.lanes) >= 3
    assert "following the bend" in plan.chosen.words
    middle = translate(
        on_map(shapely.LineString([(200, 500), (220, 380), (300, 300), (330, 200), (310, 100)])), 300, 300
    )
    for lane in plan.lanes:
        away = [middle.distance(Point(p)) for p in shapely.get_coordinates(shapely.segmentize(lane.line, 5.0))[2:-2]]
        assert 8.0 < np.mean(away) < 27.0


@pytest.mark.parametrize("name", ["square", "fork", "many holes", "two pieces"])
def test_simulated_detection_agrees_with_measured_coverage(name):
    """With a definite range of half a strip all around, the share heard is the share covered, within 1 %."""
    plan, outline = plan_of(name), placed(name)
    surface = Surface.around(FLAT, outline.bounds, 100.0)
    walk = [p for leg in plan.legs if leg.kind != "approach" for p in leg.line.coords]
    fine = np.array([0.5, 0.5])
    west, south, east, north = outline.bounds
    x, y = (a.ravel() for a in np.meshgrid(np.arange(west, east) + fine[0], np.arange(south, north) + fine[1]))
    inside = shapely.contains_xy(outline, x, y)
    places = (x[inside], y[inside], np.ones(inside.sum()), 1.0)
    sharp = Reception(r_max_m=0.5 * ZOO[name].strip_m, dipole=False)
    for share in (1.0, 0.4):
        part = np.array(walk[: max(2, int(share * len(walk)))])
        hidden = hide_targets(surface, places, sharp, 20_000, np.random.default_rng(7))
        heard = np.isfinite(first_signals_s([part], surface, hidden)).mean()
        lines = [shapely.LineString([a, b]) for a, b in pairwise(part) if math.dist(a, b) > 0]
        measured = measure_coverage(outline, lines, FLAT, 0.5 * ZOO[name].strip_m).fraction
        assert heard == pytest.approx(measured, abs=0.01)


@st.composite
def outlines(draw):
    """Stars, perhaps with a hole, perhaps with a second piece."""
    radii = draw(st.lists(st.floats(12.0, 170.0), min_size=5, max_size=14))
    angle = np.linspace(0, 2 * np.pi, len(radii), endpoint=False) + draw(st.floats(0.0, 6.0))
    shape = Polygon(np.c_[600 + radii * np.cos(angle), 600 + radii * np.sin(angle)])
    if draw(st.booleans()):
        shape = shape.difference(Point(600 + draw(st.floats(-40, 40)), 600).buffer(draw(st.floats(3.0, 30.0))))
    if draw(st.booleans()):
        shape = shape.union(Point(600 + draw(st.floats(-250, 250)), 350).buffer(draw(st.floats(2.0, 50.0))))
    return MultiPolygon([p for p in shapely.get_parts(shapely.make_valid(shape)) if p.geom_type == "Polygon"])


@given(outline=outlines(), searchers=st.integers(1, 5), strip_m=st.floats(15.0, 60.0), on_slope=st.booleans())
@settings(derandomize=True)
def test_any_outline_is_covered(outline, searchers, strip_m, on_slope):
    options = SearchOptions(searchers=searchers, strip_width_m=strip_m)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(layout, "DRAWS", 500)
        plan = lay_search(on_map(outline), SLOPE if on_slope else FLAT, options)
    assert plan.coverage.fraction >= 0.99
    assert all(lane.length_m > 0.0 for lane in plan.lanes)
    for searcher in range(1, searchers + 1):
        legs = [leg for leg in plan.legs if leg.searcher == searcher]
        assert all(math.dist(a.line.coords[-1], b.line.coords[0]) < 1e-5 for a, b in pairwise(legs))
