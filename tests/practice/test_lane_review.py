"""Lanes against walks that are worked out by hand, toward each side of the map."""

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString

from lastseen.jobs.practice.drill import PlannedLeg
from lastseen.jobs.practice.tracks import Cleaning, Track
from lastseen.jobs.practice.walked_coverage import review_lanes
from practice.walks import EAST, NORTH, START, plan_on

STRIP_M, LANE_M = 20.0, 60.0
MIDDLE = np.array([EAST + 60.0, NORTH + 50.0])
TOWARD = {"N": (0.0, 1.0), "E": (1.0, 0.0), "S": (0.0, -1.0), "W": (-1.0, 0.0), "NE": (0.6, 0.8)}


@pytest.fixture(scope="module")
def field():
    return plan_on(120.0, 100.0, strip=STRIP_M)


def place(way, along, right):
    """A point from the middle of the field, metres along a direction and to the right of it."""
    x, y = way
    return MIDDLE + along * np.array([x, y]) + right * np.array([y, -x])


def with_lanes(field, way, *rights, length=LANE_M):
    """The field with lanes toward a direction, at some metres to the right of its middle."""
    legs = []
    for number, right in enumerate(rights, start=1):
        line = LineString([place(way, -0.5 * length, right), place(way, 0.5 * length, right)])
        leg = PlannedLeg(searcher=number, number=1, kind="lane", lane=number, line=line, length_m=length, time_s=length)
        legs.append(leg)
    return replace(field, legs=tuple(legs))


def walked(*ends):
    """Places a metre apart and a second each from the first to the second point of each walk."""
    walks = []
    for a, b in ends:
        n = round(math.dist(a, b))
        xy = np.linspace(a, b, n + 1)
        walks.append((np.column_stack([xy, np.zeros(n + 1)]), START + np.arange(n + 1.0)))
    return walks


def named(*names):
    nothing = np.zeros(0)
    return [
        Track(
            name=name, x_m=nothing, y_m=nothing, time_s=nothing, timed=True, run=nothing, trusted=nothing,
            cleaning=Cleaning(fixes=0),
        )
        for name in names
    ]  # fmt: skip


@pytest.mark.parametrize("toward", TOWARD)
@pytest.mark.parametrize(("right", "seen"), [(0.0, True), (9.9, True), (-9.9, True), (10.1, False), (-10.1, False)])
@pytest.mark.parametrize("back", [False, True])
def test_a_walk_beside_a_lane_counts_up_to_half_a_strip(field, toward, right, seen, back):
    """In either direction; its distance, times and name are those of the walk."""
    way = TOWARD[toward]
    plan = with_lanes(field, way, 0.0)
    ends = (place(way, -30.0, right), place(way, 30.0, right))
    review = review_lanes(
        plan, named("else", "walker"), walked((place(way, 0, 45), place(way, 20, 45)), ends[:: -1 if back else 1])
    )
    (lane,) = review.lanes
    assert lane.walked == float(seen)
    assert lane.track == ("walker" if seen else "")
    if seen:
        assert lane.offset_m == pytest.approx(abs(right), abs=0.6)
        assert (lane.begin_s - START, lane.end_s - START) == pytest.approx((0.0, 60.0), abs=1.0)
        short = [turn.short_m for turn in review.turns]
        assert short == pytest.approx([0.0, 0.0], abs=1e-6)
    else:
        assert review.turns == ()
        assert np.isnan([lane.offset_m, lane.begin_s, lane.end_s]).all()


@pytest.mark.parametrize("toward", TOWARD)
@pytest.mark.parametrize(("angle_deg", "seen"), [(25, True), (38, True), (43, False), (60, False), (90, False)])
@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_who_crosses_a_lane_does_not_walk_it(field, toward, angle_deg, seen, side):
    """A way at less than 40 degrees walks what lies within half a strip of it: 2 x 10 m / tan(angle) of 60 m."""
    way, angle = TOWARD[toward], math.radians(angle_deg)
    along, across = 40.0 * math.cos(angle), side * 40.0 * math.sin(angle)
    plan = with_lanes(field, way, 0.0)
    (lane,) = review_lanes(plan, named("a"), walked((place(way, -along, -across), place(way, along, across)))).lanes
    expected = 2.0 * 10.0 / math.tan(angle) / LANE_M if seen else 0.0
    assert lane.walked == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("toward", TOWARD)
@pytest.mark.parametrize(("begin", "end"), [(-30.0, 10.0), (-12.0, 30.0), (-20.0, 20.0), (-36.0, 36.0)])
def test_ends_of_a_lane_that_are_turned_early(field, toward, begin, end):
    """How much too early at either end, where, and how much is left to the edge of the outline."""
    way = TOWARD[toward]
    plan = with_lanes(field, way, 0.0)
    review = review_lanes(plan, named("a"), walked((place(way, begin, 2.0), place(way, end, 2.0))))
    (lane,) = review.lanes
    assert lane.walked == pytest.approx((min(end, 30.0) - max(begin, -30.0)) / LANE_M, abs=0.04)
    first, last = review.turns
    assert (first.end, last.end) == ("start", "end")
    too_far = 1.5  # a lane is not followed farther than three quarters of the 2 m between its places
    assert first.short_m == pytest.approx(max(begin + 30.0, -too_far), abs=1.0)
    assert last.short_m == pytest.approx(max(30.0 - end, -too_far), abs=1.0)
    assert first.place_m == pytest.approx(tuple(place(way, -30.0 + first.short_m, 2.0)), abs=1e-6)
    assert last.place_m == pytest.approx(tuple(place(way, 30.0 - last.short_m, 2.0)), abs=1e-6)
    half = {"N": 50.0, "S": 50.0, "E": 60.0, "W": 60.0, "NE": 62.5}[toward]  # of the outline, through its middle
    for turn in review.turns:
        assert turn.planned_edge_m == pytest.approx(half - 30.0)
        assert turn.walked_edge_m == pytest.approx(half - 30.0 + turn.short_m)


@pytest.mark.parametrize("toward", TOWARD)
def test_spacing_of_neighbours_is_measured_where_they_lie_side_by_side(field, toward):
    """Lanes 20 m apart, walked 3 m too far right and 2 m too far left; the third is no neighbour of the first."""
    way = TOWARD[toward]
    plan = with_lanes(field, way, -20.0, 0.0, 20.0)
    walks = walked(*((place(way, -30.0, right), place(way, 30.0, right)) for right in (-17.0, -2.0)))
    review = review_lanes(plan, named("a", "b"), walks)
    spacings = {spacing.lanes: spacing for spacing in review.spacings}
    assert set(spacings) == {(1, 2), (2, 3)}
    assert [spacings[pair].planned_m for pair in spacings] == pytest.approx([20.0, 20.0])
    assert (spacings[1, 2].walked_m, spacings[1, 2].widest_m) == pytest.approx((15.0, 15.0), abs=0.05)
    assert math.isnan(spacings[2, 3].walked_m)
    assert [lane.planned_searcher for lane in review.lanes] == [1, 2, 3]
    assert [lane.track for lane in review.lanes] == ["a", "b", ""]
    assert review.walked == pytest.approx(2 / 3)


@pytest.mark.parametrize("toward", TOWARD)
def test_a_lane_that_ends_outside_has_a_negative_edge(field, toward):
    """A lane of 160 m goes 17.5 to 30 m beyond the outline at both ends."""
    way = TOWARD[toward]
    plan = with_lanes(field, way, 0.0, length=160.0)
    review = review_lanes(plan, named("a"), walked((place(way, -80.0, 0.0), place(way, 80.0, 0.0))))
    beyond = {"N": 30.0, "S": 30.0, "E": 20.0, "W": 20.0, "NE": 14.0}[toward]  # straight to the nearest edge
    assert [turn.planned_edge_m for turn in review.turns] == pytest.approx([-beyond, -beyond])


@pytest.mark.parametrize("toward", TOWARD)
def test_the_outline_is_followed_for_three_strips(field, toward):
    """A lane of 20 m in the middle ends 40 m and more from the edge; with strips of 10 m no more than 30 m are told."""
    way = TOWARD[toward]
    plan = replace(with_lanes(field, way, 0.0, length=20.0), strip_width_m=10.0)
    review = review_lanes(plan, named("a"), walked((place(way, -10.0, 0.0), place(way, 10.0, 0.0))))
    assert [turn.planned_edge_m for turn in review.turns] == pytest.approx([30.0, 30.0])
