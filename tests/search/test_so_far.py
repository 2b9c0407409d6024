"""What has been in range at each time of a walk, against areas of buffered lines (shapely, GEOS) on flat ground."""

import numpy as np
import pytest
from pyproj import CRS
from shapely import LineString, box, union_all
from shapely.ops import substring

from lastseen.core.grid import Grid
from lastseen.rescue.clock import walking_speed_m_s
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
