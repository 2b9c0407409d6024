"""Debris held against an observed outline: shapes whose overlaps are worked by hand."""

import math

import numpy as np
import pytest
from shapely import MultiPolygon, box

from lastseen.core.errors import InputError
from lastseen.core.grid import Grid
from lastseen.snow.deposit import COMPARED_LEVELS, compare_outline
from snow.made_flow import UTM

# 100 x 60 m at cells of 1 m. Debris in half of the events over 20 <= x < 60, in all of them over 20 <= x < 40; all
# over 10 <= y < 50. The release lies at the western edge.
CHANCE = np.zeros((60, 100))
CHANCE[10:50, 20:60] = 0.5
CHANCE[10:50, 20:40] = 1.0
PROBABILITY = Grid(CHANCE, 0.0, 60.0, 1.0, UTM)
TOP = (0.0, 30.0)
PLAN = MultiPolygon([box(20, 10, 60, 50)])


def match(west, south, east, north):
    return compare_outline(PROBABILITY, PLAN, MultiPolygon([box(west, south, east, north)]), TOP)


def test_the_same_outline_is_a_whole_match():
    """All common, nothing missed."""
    got = match(20, 10, 60, 50)
    assert (got.overlap, got.observed_inside, got.modelled_outside) == pytest.approx((1.0, 1.0, 0.0))
    assert (got.runout_misfit_m, got.width_misfit_m, got.observed_off_ground) == pytest.approx((0.0, 0.0, 0.0))


def test_half_beside():
    """40 x 40 m observed, moved 20 m on: common 800 of 2400 m2 joint, half of each."""
    got = match(40, 10, 80, 50)
    assert got.overlap == pytest.approx(800.0 / 2400.0)
    assert got.observed_inside == pytest.approx(0.5)
    assert got.modelled_outside == pytest.approx(0.5)
    # Farthest corners: (80, 10 or 50) and (60, 10 or 50) from (0, 30).
    assert got.observed_runout_m == pytest.approx(math.hypot(80, 20))
    assert got.runout_misfit_m == pytest.approx(math.hypot(60, 20) - math.hypot(80, 20))
    by_level = {row.level: row for row in got.contours}
    assert by_level[0.5].area_m2 == pytest.approx(1600.0)
    assert by_level[0.5].observed_inside == pytest.approx(0.5)
    assert by_level[0.5].covered == pytest.approx(0.5)
    assert by_level[0.8].area_m2 == pytest.approx(800.0)
    assert by_level[0.8].observed_inside == pytest.approx(0.0)
    assert by_level[0.8].covered == pytest.approx(0.0)


def test_breadth_is_across_the_line_to_the_farthest_point():
    """A strip along x with its far end on the axis of the release: 10 m wide, the plan 40 m."""
    tip = MultiPolygon([box(20, 25, 60, 35)])
    got = compare_outline(PROBABILITY, PLAN, tip, (0.0, 35.0))  # the farthest corner is (60, 25)
    long = math.hypot(60, 10)
    # Across (60, -10): corners of the strip spread by (10 x 60 + 40 x 10) / long, those of the plan by (40 x 60 + 400).
    assert got.observed_width_m == pytest.approx((10 * 60 + 40 * 10) / long)
    assert got.modelled_width_m == pytest.approx((40 * 60 + 40 * 10) / long)


def test_what_lies_beside_the_ground_counts_as_missed():
    """Half of the observed area beyond the eastern edge: no contour can hold more than half of it."""
    got = match(80, 10, 120, 50)
    assert got.observed_off_ground == pytest.approx(0.5)
    assert got.overlap == 0.0
    half = match(40, 10, 160, 50)  # 60 of 120 m beside the ground, 20 in the plan
    assert half.observed_off_ground == pytest.approx(0.5)
    assert half.contours[0].observed_inside == pytest.approx(20.0 / 120.0)


def test_contours_grow_as_levels_fall():
    """A lower level is more ground and holds more of what was observed."""
    got = match(30, 20, 70, 40)
    assert [row.level for row in got.contours] == list(COMPARED_LEVELS)
    areas, inside = ([getattr(row, key) for row in got.contours] for key in ("area_m2", "observed_inside"))
    assert areas == sorted(areas, reverse=True)
    assert inside == sorted(inside, reverse=True)


def test_an_outline_elsewhere_is_refused():
    """Wholly beside the ground: no numbers, but a sentence."""
    with pytest.raises(InputError, match="lies wholly beside the ground of the plan"):
        match(500, 500, 600, 600)
