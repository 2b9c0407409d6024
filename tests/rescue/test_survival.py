"""Survival curves: as published, no data outside, bounds that follow."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastseen.commands.common import NEWEST_CURVE
from lastseen.core.errors import InputError
from lastseen.rescue.survival import (
    CURVES,
    DEFAULT_CURVE,
    SurvivalCurve,
    find_survival_curve,
    survival_bounds_percent,
    survival_percent,
)

NAMES = sorted(CURVES)


@pytest.mark.parametrize("name", NAMES)
@given(early=st.floats(0.0, 400.0), later=st.floats(0.0, 400.0))
def test_survival_never_rises(name, early, later):
    """Published values and bounds fall with time and stay between 0 and 100."""
    first, second = sorted((early, later))
    before, after = survival_bounds_percent(CURVES[name], first), survival_bounds_percent(CURVES[name], second)
    assert 0.0 <= after[0] <= after[1] <= 100.0
    assert before[0] >= after[0] - 1e-9
    assert before[1] >= after[1] - 1e-9


@pytest.mark.parametrize("name", NAMES)
def test_bounds_meet_where_there_is_data(name):
    """Bounds are the value itself where it was published, and apart where it was not."""
    for minutes in np.linspace(0.0, 200.0, 401):
        known = survival_percent(CURVES[name], float(minutes))
        low, high = survival_bounds_percent(CURVES[name], float(minutes))
        assert (low == high == known) if known is not None else low < high


@pytest.mark.parametrize(
    ("name", "minutes"),
    [
        ("haegeli-2011-canada", 9.9),
        ("haegeli-2011-canada", 35.1),
        ("haegeli-2011-switzerland", 10.0),
        ("haegeli-2011-switzerland", 60.0),
        ("rauch-2024", 30.1),
        ("rauch-2024", 130.0),
    ],
)
def test_no_data_outside_of_what_was_published(name, minutes):
    """Nothing is made up before, after or between what was published."""
    assert survival_percent(CURVES[name], minutes) is None


def test_smooth_curve_through_points_stays_between_them():
    """PCHIP does not overshoot where there are more than two points."""
    curve = SurvivalCurve(
        name="made",
        title="",
        source="",
        kind="points",
        minutes=(0.0, 10.0, 20.0, 60.0),
        percent=(95.0, 94.0, 40.0, 39.0),
    )
    values = [survival_percent(curve, float(t)) for t in np.linspace(0.0, 60.0, 241)]
    assert np.all(np.diff(values) <= 1e-9)
    assert survival_percent(curve, 20.0) == pytest.approx(40.0)
    assert survival_bounds_percent(curve, 61.0) == (0.0, 39.0)


def test_classes_end_where_the_next_begins():
    """The tenth minute still belongs to the first ten (Rauch et al. 2024)."""
    curve = find_survival_curve("rauch-2024")
    assert [survival_percent(curve, t) for t in (0.0, 10.0, 10.01, 30.0)] == [91.0, 91.0, 31.0, 31.0]
    assert survival_bounds_percent(curve, 60.0) == (7.3, 31.0)


@pytest.mark.parametrize(
    ("name", "minutes", "percent"),
    [
        ("haegeli-2011-canada", 10.0, 77.0),
        ("haegeli-2011-canada", 35.0, 7.0),
        ("haegeli-2011-switzerland", 18.0, 91.0),
        ("haegeli-2011-switzerland", 35.0, 34.0),
        ("falk-1994", 0.0, 100.0),
        ("falk-1994", 130.0, 3.0),
        ("falk-1994", 131.0, 3.0),
    ],
)
def test_first_and_last_minute_belong_to_what_was_published(name, minutes, percent):
    assert survival_percent(CURVES[name], minutes) == pytest.approx(percent)


@pytest.mark.parametrize(
    ("name", "minutes", "bounds"),
    [
        ("haegeli-2011-canada", 9.0, (77.0, 100.0)),
        ("haegeli-2011-canada", 36.0, (0.0, 7.0)),
        ("haegeli-2011-switzerland", 17.0, (91.0, 100.0)),
        ("rauch-2024", 130.0, (7.3, 31.0)),
        ("rauch-2024", 31.0, (7.3, 31.0)),
    ],
)
def test_bounds_are_the_published_values_on_either_side(name, minutes, bounds):
    assert survival_bounds_percent(CURVES[name], minutes) == bounds


@pytest.mark.parametrize(
    ("minutes", "bounds"),
    [(0.0, (80.0, 100.0)), (5.0, (80.0, 100.0)), (15.0, (60.0, 80.0)), (35.0, (20.0, 60.0)), (50.1, (0.0, 20.0))],
)
def test_bounds_between_several_classes(minutes, bounds):
    """The nearest class before and the nearest after; 100 before the first, 0 after the last."""
    curve = SurvivalCurve(
        name="made",
        title="",
        source="",
        kind="classes",
        minutes=(5.0, 10.0, 20.0, 30.0, 40.0, 50.0),
        percent=(80.0, 60.0, 20.0),
    )
    assert survival_bounds_percent(curve, minutes) == bounds


def test_every_curve_names_its_source():
    """Name, title, source and confidence stand on each."""
    for name, curve in CURVES.items():
        assert name == curve.name
        assert curve.title
        assert any(year in curve.source for year in ("1994", "2011", "2024"))
        assert curve.confidence == "published"


def test_names_are_forgiving_in_case_only():
    """Upper case and blanks are taken; an unknown name lists the known ones."""
    assert find_survival_curve(" Falk-1994 ") is CURVES["falk-1994"]
    with pytest.raises(InputError, match=r"no survival curve is called 'falk': choose one of rauch-2024, haegeli"):
        find_survival_curve("falk")


@pytest.mark.parametrize("minutes", [-1.0, math.nan])
def test_bad_times(minutes):
    """A time before the accident is refused."""
    with pytest.raises(InputError, match="give 0 or more"):
        survival_percent(CURVES["falk-1994"], minutes)


def test_commands_name_the_newest_curve():
    """The commands hold a copy of its name, since the curves are slow to import."""
    assert NEWEST_CURVE == DEFAULT_CURVE
