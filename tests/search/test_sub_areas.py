"""Second pass: belief after what was walked, and the order for few people."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, box

from lastseen.core.errors import InputError
from lastseen.rescue.survival import SurvivalCurve, find_survival_curve, survival_bounds_percent
from lastseen.search.sub_areas import (
    SubArea,
    find_best_order,
    parse_area,
    rank_areas,
    saved_percent,
    schedule_areas,
    update_areas,
    updated_grid,
    walked_grid_pod,
    walked_pod,
)
from search.zoo import EAST_M, NORTH_M, ground, on_map, plane

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


def areas_of(shape):
    return st.lists(shape, min_size=1, max_size=5)


AREA = st.tuples(st.floats(0.01, 0.19), st.floats(0.05, 1.0), st.floats(1.0, 20.0), st.floats(0.1, 1.0))


def named(drawn):
    return [SubArea(f"area {k}", *one) for k, one in enumerate(drawn)]


def saved(order, curve, rescue=15.0, now=5.0):
    """Expected share saved when areas are searched in this order."""
    total = 0.0
    for area in order:
        low, high = survival_bounds_percent(curve, now + 0.5 * area.minutes + rescue)
        total += area.poa * area.pod * area.survivable * 0.5 * (low + high)
        now += area.minutes
    return total


def test_what_was_walked_gives_the_pod():
    """A lane down the middle of 40 x 100 m covers all of it with a 40 m strip, half with a 20 m strip."""
    area = on_map(box(200, 200, 240, 300))
    lane = LineString([(EAST_M + 220, NORTH_M + 200), (EAST_M + 220, NORTH_M + 300)])
    assert walked_pod(area, [lane], FLAT, 40.0) == pytest.approx(1.0, abs=0.02)
    assert walked_pod(area, [lane], FLAT, 20.0) == pytest.approx(0.5, abs=0.03)
    assert walked_pod(area, [lane], FLAT, 20.0, heard=0.9) == pytest.approx(0.45, abs=0.03)
    assert walked_pod(area, [], FLAT, 40.0) == 0.0


def test_half_the_width_on_offset_lanes_finds_what_the_first_left():
    """After a 20 m strip down the middle the belief moves to the two sides; a second pass there finds the rest."""
    west, middle, east = (on_map(box(200 + 20 * k, 200, 220 + 20 * k, 300)) for k in range(3))
    lane = LineString([(EAST_M + 230, NORTH_M + 200), (EAST_M + 230, NORTH_M + 300)])
    pods = [walked_pod(one, [lane], FLAT, 20.0) for one in (west, middle, east)]
    first = [SubArea(name, 1 / 3, pod, 2.0) for name, pod in zip("wme", pods, strict=True)]
    after, outside, found = update_areas(first)
    assert found == pytest.approx(1 / 3, abs=0.03)
    assert outside == pytest.approx(0.0, abs=1e-9)
    assert after[1].poa < 0.05
    assert after[0].poa == pytest.approx(after[2].poa, abs=0.02)
    sides = [LineString([(EAST_M + x, NORTH_M + 200), (EAST_M + x, NORTH_M + 300)]) for x in (205, 215, 245, 255)]
    assert min(walked_pod(one, sides, FLAT, 10.0) for one in (west, east)) > 0.95


def test_belief_on_the_map_moves_to_what_was_not_walked():
    """Cells within half a strip empty, the rest and what lies outside rise alike; on a slope the strip is narrower."""
    cells = FLAT.window(EAST_M + 200, NORTH_M + 200, EAST_M + 300, NORTH_M + 300)
    poa = cells.with_values(np.full(cells.shape, 0.8 / cells.values.size))
    lane = [LineString([(EAST_M + 200, NORTH_M + 250), (EAST_M + 300, NORTH_M + 250)])]
    pod = walked_grid_pod(poa, lane, FLAT, 40.0)
    assert set(np.unique(pod)) == {0.0, 1.0}
    assert pod.mean() == pytest.approx(0.4, abs=0.02)
    after = updated_grid(poa, pod).values
    assert after[pod == 1.0].sum() == 0.0
    assert after[pod == 0.0].sum() == pytest.approx(0.8 * 0.6 / (0.8 * 0.6 + 0.2), abs=0.02)
    steep = walked_grid_pod(poa, lane, plane(45.0, 180.0), 40.0)
    assert steep.mean() == pytest.approx(0.4 * math.cos(math.radians(45.0)), abs=0.03)
    assert walked_grid_pod(poa, lane, FLAT, 40.0, heard=0.5).max() == 0.5
    assert walked_grid_pod(poa, [], FLAT, 40.0).max() == 0.0
    assert walked_grid_pod(poa.with_values(0.0 * poa.values), lane, FLAT, 40.0).max() == 0.0


@given(seed=st.integers(0, 1000), inside=st.floats(0.3, 1.0))
def test_grid_belief_keeps_the_whole(seed, inside):
    """Cells and what lies outside add up to 1 again; no data stays no data; unsearched cells keep their proportions."""
    rng = np.random.default_rng(seed)
    values = rng.random((6, 8))
    values *= inside / values.sum()
    values[0, 0] = np.nan
    poa = FLAT.with_values(np.zeros(FLAT.shape)).window(EAST_M, NORTH_M, EAST_M + 1, NORTH_M + 1)
    poa = type(poa)(values, 0.0, 6.0, 1.0, poa.crs)
    pod = np.where(np.arange(8) < 4, rng.random((6, 8)), 0.0)
    after = updated_grid(poa, pod)
    assert np.isnan(after.values[0, 0])
    outside = 1.0 - np.nansum(values)
    left = np.nansum(values * (1.0 - pod)) + outside
    assert np.nansum(after.values) == pytest.approx(1.0 - outside / left)
    assert np.allclose(after.values[:, 4:] / values[:, 4:], 1.0 / left)


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
    areas = [SubArea("main", 0.125, 1.0, 20.0), SubArea("corner", 0.125, 0.1875, 4.0, 0.75)]
    assert [one.area.name for one in rank_areas(areas, FALK, **WHEN)] == ["corner", "main"]
    assert [one.area.name for one in find_best_order(areas, FALK, **WHEN)] == ["main", "corner"]
    assert find_best_order([SubArea(str(k), 0.05, 1.0, 1.0) for k in range(11)], FALK, **WHEN) is None


def test_survivable_ground_comes_first():
    """Equal otherwise, the smooth run-out goes before the ground under the cliff (Canadian course notes)."""
    areas = [SubArea("under the cliff", 0.4, 0.9, 5.0, 0.3), SubArea("run-out", 0.4, 0.9, 5.0)]
    order = rank_areas(areas, FALK, start_minute=5.0, rescue_minutes=15.0)
    assert [one.area.name for one in order] == ["run-out", "under the cliff"]
    assert order[1].from_minute == order[0].to_minute == 10.0
    assert order[1].poa_now == pytest.approx(0.4 / (1.0 - 0.4 * 0.9))


def test_ties_keep_the_given_order():
    """Equal areas are taken as they were given."""
    areas = [SubArea(name, 0.2, 0.5, 3.0) for name in "cab"]
    assert [one.area.name for one in rank_areas(areas, STEADY, start_minute=0.0, rescue_minutes=0.0)] == ["c", "a", "b"]


def test_areas_from_text():
    """Name, three numbers, and a fourth that may be left out."""
    assert parse_area("toe, 0.4, 0.9, 5") == SubArea("toe", 0.4, 0.9, 5.0)
    assert parse_area("bench,0.2,0.8,3,0.5").survivable == 0.5


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: parse_area("toe,0.4"), "'toe,0.4' is no area: write name,POA,POD,minutes"),
        (lambda: parse_area(",1,1,1"), "is no area"),
        (lambda: parse_area("toe,a,b,c"), "is no area"),
        (lambda: rank_areas([], FALK, start_minute=0.0, rescue_minutes=0.0), "no areas were given"),
        (
            lambda: rank_areas([SubArea("a", 1.2, 1, 1)], FALK, start_minute=0.0, rescue_minutes=0.0),
            "area 'a' has POA 1.2",
        ),
        (lambda: rank_areas([SubArea("a", 0.2, 1, 0)], FALK, start_minute=0.0, rescue_minutes=0.0), "a time above 0"),
        (
            lambda: rank_areas([SubArea("a", 0.2, 1, 1)], FALK, start_minute=-1.0, rescue_minutes=0.0),
            "0 or more minutes",
        ),
        (
            lambda: rank_areas([SubArea(n, 0.6, 1, 1) for n in "ab"], FALK, start_minute=0.0, rescue_minutes=0.0),
            "add up to more than 1",
        ),
        (
            lambda: rank_areas([SubArea("a", 0.1, 1, 1)] * 2, FALK, start_minute=0.0, rescue_minutes=0.0),
            "two areas have the same name",
        ),
        (lambda: walked_pod(on_map(box(0, 0, 9, 9)), [], FLAT, 40.0, heard=2.0), "a share heard of 2.0"),
        (lambda: walked_grid_pod(FLAT, [], FLAT, 0.0), "the strip width is 0 m"),
        (lambda: walked_grid_pod(FLAT, [], FLAT, 40.0, heard=-1.0), "a share heard of -1.0"),
        (lambda: updated_grid(FLAT, np.zeros((2, 2))), "use one lattice"),
        (lambda: update_areas([SubArea("a", math.nan, 1, 1)]), "is no probability"),
    ],
)
def test_bad_values(call, text):
    """One clear sentence each."""
    with pytest.raises(InputError, match=text):
        call()
