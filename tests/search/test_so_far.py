"""What has been in range at each time of a walk, against areas of buffered lines (shapely, GEOS) on flat ground."""

import numpy as np
import pytest
from pyproj import CRS
from shapely import LineString, box, union_all
from shapely.ops import substring

from lastseen.core.grid import Grid
from lastseen.rescue.travel import walking_speed_m_s
from lastseen.search.coverage import measure_coverage_over_time
from lastseen.search.plan import Leg

FLAT = Grid(np.zeros((150, 200)), 0.0, 300.0, 2.0, CRS("EPSG:32632"))
DEBRIS = box(100.0, 100.0, 300.0, 200.0)
SPEED = float(walking_speed_m_s(0.0))


def leg(searcher, kind, *points):
    line = LineString(points)
    return Leg(
        number=1, searcher=searcher, kind=kind, lane=None, line=line, length_m=line.length, bearing_deg_true=0.0,
        slope_deg=0.0, steepest_deg=0.0, time_s=line.length / SPEED,
    )  # fmt: skip


ONE = (
    leg(1, "approach", (40, 120), (100, 120)), leg(1, "lane", (100, 120), (300, 120)),
    leg(1, "join", (300, 120), (300, 160)), leg(1, "lane", (300, 160), (100, 160)),
)  # fmt: skip
OTHER = (leg(2, "approach", (200, 20), (200, 100)), leg(2, "lane", (200, 100), (200, 200)))


def walked_by(legs, at_s):
    """Lines of lanes and joins that are walked by a time."""
    now, found = {}, []
    for one in legs:
        begin = now.get(one.searcher, 0.0)
        now[one.searcher] = begin + one.time_s
        if one.kind != "approach" and at_s > begin:
            found.append(substring(one.line, 0.0, min(at_s - begin, one.time_s) * SPEED))
    return union_all(found)


@pytest.mark.parametrize("legs", [ONE, ONE + OTHER], ids=["one searcher", "two searchers"])
def test_share_is_the_area_beside_what_was_walked(legs):
    """To the side and ahead, half a strip around the walker; nothing on the way there."""
    times = np.linspace(0.0, sum(one.time_s for one in ONE), 41)
    debris, person = measure_coverage_over_time(DEBRIS, FLAT, legs, 40.0, times, spacing_m=2.0)
    wanted = [walked_by(legs, t).buffer(20.0, 64).intersection(DEBRIS).area / DEBRIS.area for t in times]
    np.testing.assert_allclose(debris, wanted, atol=0.01)
    assert person is None
    assert (debris[times < 60.0 / SPEED] == 0.0).all()


def test_the_person_counts_by_probability():
    """All of the probability on one cell: nothing, then all, at the moment when that cell comes into range."""
    x, y = 201.0, 131.0
    row, col = FLAT.cell_of(x, y)
    poa = np.zeros(FLAT.shape)
    poa[row, col] = 1.0
    meets = (60.0 + (x - 100.0) - np.sqrt(20.0**2 - (y - 120.0) ** 2)) / SPEED
    _, person = measure_coverage_over_time(
        DEBRIS, FLAT, ONE, 40.0, np.array([0.0, meets - 1.0, meets + 1.0]), spacing_m=4.0, poa=FLAT.with_values(poa)
    )
    assert person.tolist() == [0.0, 0.0, 1.0]


@pytest.mark.parametrize("legs", [ONE[:1], ()], ids=["only an approach", "no legs"])
def test_nobody_walks(legs):
    debris, _ = measure_coverage_over_time(DEBRIS, FLAT, legs, 40.0, np.array([0.0, 1e6]), spacing_m=4.0)
    assert debris.tolist() == [0.0, 0.0]


@pytest.mark.parametrize("side", ["W", "E", "S", "N"])
@pytest.mark.parametrize("inward", [True, False])
def test_who_searches_from_far_outside_walks_over_the_ground_there(side, inward):
    """On a slope of 0.2, a lane from 300 m beside the debris, or one that ends there and is walked before another.

    Both reach the debris by Tobler's rule for the slope, not as if the ground ended near the debris.
    """
    debris = box(400.0, 400.0, 500.0, 480.0)
    out = np.array({"W": (-1.0, 0.0), "E": (1.0, 0.0), "S": (0.0, -1.0), "N": (0.0, 1.0)}[side])
    x, y = np.meshgrid(np.arange(450) * 2.0 + 1.0, 899.0 - np.arange(450) * 2.0)
    ground = Grid(0.2 * (x * out[0] + y * out[1]), 0.0, 900.0, 2.0, CRS("EPSG:32632"))
    middle = np.array([450.0, 440.0])
    half = abs(out @ (50.0, 40.0))
    far, near = middle + (half + 300.0) * out, middle + (half + 30.0) * out
    legs = [leg(1, "lane", far, middle)] if inward else [leg(1, "join", near, far), leg(1, "lane", far, middle)]
    # the first sample stands 1 m inside the edge; it is within 20 m on the snow
    down_m = (300.0 - np.hypot(1.0, 0.2) ** -1 * 20.0 + 1.0) * np.hypot(1.0, 0.2)
    meets = down_m / float(walking_speed_m_s(-0.2))
    if not inward:
        meets += 270.0 * np.hypot(1.0, 0.2) / float(walking_speed_m_s(0.2))
    times = np.array([meets - 4.0, meets + 4.0])
    covered, _ = measure_coverage_over_time(debris, ground, legs, 40.0, times, spacing_m=2.0)
    assert covered[0] == 0.0 < covered[1]
