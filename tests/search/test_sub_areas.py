"""Second pass: belief after what was walked, and the order for few people."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, box

from lastseen.core.errors import InputError
from lastseen.rescue.survival import SurvivalCurve, find_survival_curve, survival_bounds_percent
from lastseen.search.coverage import measure_coverage
from lastseen.search.sub_areas import (
    SubArea,
    find_best_order,
    parse_area,
    rank_areas,
    saved_percent,
    schedule_areas,
    update_areas,
)
from search.zoo import EAST_M, NORTH_M, ground, on_map

FLAT = ground(lambda x, y: 0.0 * x * y)
FALK = find_survival_curve("falk-1994")
WHEN = {"start_minute": 5.0, "rescue_minutes": 15.0}
STEADY = SurvivalCurve(
    name="steady",
    title="made up for a test",
    source="none",
    kind="lines",
    minutes=(0.0, 1e6),
    percent=(50.0, 50.0),
    after_percent=50.0,
)


def sub_area(name, poa, pod, minutes, survivable=1.0):
    return SubArea(name=name, poa=poa, pod=pod, minutes=minutes, survivable=survivable)


def areas_of(shape):
    return st.lists(shape, min_size=1, max_size=5)


AREA = st.tuples(st.floats(0.01, 0.19), st.floats(0.05, 1.0), st.floats(1.0, 20.0), st.floats(0.1, 1.0))


def named(drawn):
    return [sub_area(f"area {k}", *values) for k, values in enumerate(drawn)]


def saved(order, curve, rescue=15.0, now=5.0):
    """Expected share saved when areas are searched in this order."""
    total = 0.0
    for area in order:
        low, high = survival_bounds_percent(curve, now + 0.5 * area.minutes + rescue)
        total += area.poa * area.pod * area.survivable * 0.5 * (low + high)
        now += area.minutes
    return total


def test_half_the_width_on_offset_lanes_finds_what_the_first_left():
    """After a 20 m strip down the middle the person more likely lies beside it; a second pass there finds the rest."""
    west, middle, east = (on_map(box(200 + 20 * k, 200, 220 + 20 * k, 300)) for k in range(3))
    lane = LineString([(EAST_M + 230, NORTH_M + 200), (EAST_M + 230, NORTH_M + 300)])
    pods = [measure_coverage(part, [lane], FLAT, 10.0).fraction for part in (west, middle, east)]
    first = [sub_area(name, 1 / 3, pod, 2.0) for name, pod in zip("wme", pods, strict=True)]
    after, outside, found = update_areas(first)
    assert found == pytest.approx(1 / 3, abs=0.03)
    assert outside == pytest.approx(0.0, abs=1e-9)
    assert after[1].poa < 0.05
    assert after[0].poa == pytest.approx(after[2].poa, abs=0.02)
    sides = [LineString([(EAST_M + x, NORTH_M + 200), (EAST_M + x, NORTH_M + 300)]) for x in (205, 215, 245, 255)]
    assert min(measure_coverage(part, sides, FLAT, 5.0).fraction for part in (west, east)) > 0.95


def test_what_lies_outside_rises_too():
    """Half of 0.8 searched for sure: 0.4 of the 0.6 that is left lies inside, 0.2 outside of it."""
    after, outside, found = update_areas([sub_area("a", 0.4, 1.0, 1.0), sub_area("b", 0.4, 0.0, 1.0)])
    assert [area.poa for area in after] == pytest.approx([0.0, 2 / 3])
    assert (outside, found) == pytest.approx((1 / 3, 0.4))


def test_nothing_outside_where_rounding_adds_up_to_more_than_one():
    """0.2 + 0.4 + 0.3 + 0.1 is 1.0000000000000002 in binary numbers: all of it lies inside, and none outside."""
    areas = [sub_area(name, poa, 0.5, 1.0) for name, poa in zip("abcd", (0.2, 0.4, 0.3, 0.1), strict=True)]
    assert sum(area.poa for area in areas) > 1.0
    after, outside, found = update_areas(areas)
    assert [area.poa for area in after] == pytest.approx([0.2, 0.4, 0.3, 0.1])
    assert (outside, found) == (0.0, pytest.approx(0.5))


@given(areas_of(AREA))
def test_next_is_always_the_most_per_minute(drawn):
    """At every step no area that is left would gain more per minute then."""
    order = rank_areas(named(drawn), FALK, **WHEN)
    assert sorted(one.area.name for one in order) == sorted(one.name for one in named(drawn))
    for k, step in enumerate(order):
        for later in order[k + 1 :]:
            other = schedule_areas([*(one.area for one in order[:k]), later.area], FALK, **WHEN)[-1]
            assert other.gain_per_minute <= step.gain_per_minute + 1e-12


@given(areas_of(AREA))
def test_best_order_is_the_best_of_all(drawn):
    """Trying sets finds what trying every order finds, and never less than the plain rule."""
    areas = named(drawn)
    best = find_best_order(areas, FALK, **WHEN)
    most = max(saved(one, FALK) for one in itertools.permutations(areas))
    assert saved_percent(best) == pytest.approx(most)
    assert saved([one.area for one in best], FALK) == pytest.approx(most)
    assert saved_percent(rank_areas(areas, FALK, **WHEN)) <= most + 1e-9


def test_plain_rule_is_not_always_best():
    """A quick corner with little in it can cost more than it gains: the best order says so."""
    areas = [sub_area("main", 0.125, 1.0, 20.0), sub_area("corner", 0.125, 0.1875, 4.0, 0.75)]
    assert [one.area.name for one in rank_areas(areas, FALK, **WHEN)] == ["corner", "main"]
    assert [one.area.name for one in find_best_order(areas, FALK, **WHEN)] == ["main", "corner"]
    assert find_best_order([sub_area(str(k), 0.05, 1.0, 1.0) for k in range(11)], FALK, **WHEN) is None


def test_survivable_ground_comes_first():
    """Equal otherwise, the smooth run-out goes before the ground under the cliff (Canadian course notes)."""
    areas = [sub_area("under the cliff", 0.4, 0.9, 5.0, 0.3), sub_area("run-out", 0.4, 0.9, 5.0)]
    order = rank_areas(areas, FALK, start_minute=5.0, rescue_minutes=15.0)
    assert [one.area.name for one in order] == ["run-out", "under the cliff"]
    assert order[1].from_minute == order[0].to_minute == 10.0
    assert order[1].poa_now == pytest.approx(0.4 / (1.0 - 0.4 * 0.9))


def test_all_of_it_may_lie_inside():
    """POA that add up to 1, and to 1.0000000000000002 by rounding, are ranked; 1.001 is refused."""
    for poas in ((0.6, 0.4), (1.0,), (0.2, 0.4, 0.3, 0.1)):
        areas = [sub_area(str(k), poa, 0.5, 1.0) for k, poa in enumerate(poas)]
        assert len(rank_areas(areas, FALK, **WHEN)) == len(poas)
    with pytest.raises(InputError, match="add up to more than 1"):
        rank_areas([sub_area("a", 0.6, 0.5, 1.0), sub_area("b", 0.401, 0.5, 1.0)], FALK, **WHEN)


def test_ties_keep_the_given_order():
    """Equal areas are taken as they were given."""
    areas = [sub_area(name, 0.2, 0.5, 3.0) for name in "cab"]
    assert [one.area.name for one in rank_areas(areas, STEADY, start_minute=0.0, rescue_minutes=0.0)] == ["c", "a", "b"]


def test_areas_from_text():
    """Name, three numbers, and a fourth that may be left out."""
    assert parse_area("toe, 0.4, 0.9, 5") == sub_area("toe", 0.4, 0.9, 5.0)
    assert parse_area("bench,0.2,0.8,3,0.5").survivable == 0.5


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: parse_area("toe,0.4"), "'toe,0.4' is no area: write name,POA,POD,minutes"),
        (lambda: parse_area(",1,1,1"), "is no area"),
        (lambda: parse_area("toe,a,b,c"), "is no area"),
        (lambda: rank_areas([], FALK, start_minute=0.0, rescue_minutes=0.0), "no areas were given"),
        (
            lambda: rank_areas([sub_area("a", 1.2, 1, 1)], FALK, start_minute=0.0, rescue_minutes=0.0),
            "area 'a' has POA 1.2",
        ),
        (lambda: rank_areas([sub_area("a", 0.2, 1, 0)], FALK, start_minute=0.0, rescue_minutes=0.0), "a time above 0"),
        (
            lambda: rank_areas([sub_area("a", 0.2, 1, 1)], FALK, start_minute=-1.0, rescue_minutes=0.0),
            "0 or more minutes",
        ),
        (
            lambda: rank_areas([sub_area(n, 0.6, 1, 1) for n in "ab"], FALK, start_minute=0.0, rescue_minutes=0.0),
            "add up to more than 1",
        ),
        (
            lambda: rank_areas([sub_area("a", 0.1, 1, 1)] * 2, FALK, start_minute=0.0, rescue_minutes=0.0),
            "two areas have the same name",
        ),
        (lambda: update_areas([sub_area("a", math.nan, 1, 1)]), "is no probability"),
    ],
)
def test_bad_values(call, text):
    """One clear sentence each."""
    with pytest.raises(InputError, match=text):
        call()
