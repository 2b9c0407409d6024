"""Magnetic bearings against the test values of the World Magnetic Model 2025 (rows in lanes.csv)."""

import datetime as dt
import math

import pytest
from shapely import box

from lastseen.search.layout import lay_search
from lastseen.search.legs import decimal_year, declination_deg
from lastseen.search.search_area import SearchOptions
from search.zoo import ground, on_map

FLAT = ground(lambda x, y: 0.0 * x * y)


def test_a_date_is_a_year_with_a_fraction():
    assert decimal_year(dt.date(2026, 1, 1)) == 2026.0
    assert decimal_year(dt.date(2027, 7, 2)) == pytest.approx(2027.4986, abs=1e-4)
    assert decimal_year(dt.date(2028, 12, 31)) == pytest.approx(2028.9973, abs=1e-4)


@pytest.mark.parametrize("date", [dt.date(2027, 1, 31), dt.date(2025, 1, 1)])
def test_magnetic_bearings_differ_by_the_declination(date):
    plan = lay_search(on_map(box(250, 250, 350, 350)), FLAT, SearchOptions(date=date))
    assert math.isfinite(plan.declination_deg)
    assert 2.0 < plan.declination_deg < 6.0  # the Alps in these years
    for leg in plan.legs:
        turn = (leg.bearing_deg_true - leg.bearing_deg_magnetic - plan.declination_deg + 180.0) % 360.0 - 180.0
        assert turn == pytest.approx(0.0, abs=1e-9)
        assert 0.0 <= leg.bearing_deg_magnetic < 360.0


@pytest.mark.parametrize("date", [None, dt.date(2019, 5, 1), dt.date(2031, 5, 1)])
def test_no_data_outside_the_years_of_the_model(date):
    plan = lay_search(on_map(box(250, 250, 350, 350)), FLAT, SearchOptions(date=date))
    assert math.isnan(plan.declination_deg)
    assert all(math.isnan(leg.bearing_deg_magnetic) for leg in plan.legs)
    assert math.isnan(declination_deg(10.0, 46.0, 2000.0, 2031.0))
