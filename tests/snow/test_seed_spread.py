"""What another seed would change: the jackknife against answers worked out by hand, and against other seeds."""

import numpy as np
import pytest
from pyproj import CRS

from lastseen.core.grid import Grid
from lastseen.jobs.notes import describe_seed_spread
from lastseen.snow.ensemble import CarriedPersons, Member, estimate_seed_spread

FLAT = Grid(np.zeros((40, 300)), 0.0, 80.0, 2.0, CRS.from_epsg(32632))
TOP = (0.0, 40.0)


def event(length_m, wide):
    """Debris over some columns of the ground, and a toe so far east of the top."""
    debris = np.zeros(FLAT.shape, np.float32)
    debris[:, :wide] = 1.0
    return Member(
        rows=slice(0, 40),
        cols=slice(0, 300),
        thickness_m=debris,
        fastest_m_s=debris,
        arrival_s=debris,
        toe_m=(length_m, 40.0),
        fastest=1.0,
        time_s=1.0,
        end="at rest",
        moving_share=0.0,
        left_m3=(0.0, 0.0, 0.0, 0.0, 0.0),
    )


def people(columns):
    """Persons of each event, who lie in given columns; those beyond the ground have left it."""
    cols = np.array([col for of_event in columns for col in of_event])
    x, y = FLAT.centre_of(np.full(cols.size, 20), cols)
    nothing = np.full(cols.size, np.nan)
    return CarriedPersons(
        member=np.repeat(np.arange(len(columns)), [len(of_event) for of_event in columns]).astype(np.int32),
        x_m=x,
        y_m=y,
        taken=np.ones(cols.size, bool),
        left_grid=cols >= 300,
        in_no_data=np.zeros(cols.size, bool),
        fall_m=nothing,
        thickness_m=nothing,
        burial_m=nothing,
        cells=np.zeros(cols.size, np.int32),
        offsets=np.arange(cols.size + 1, dtype=np.int32),
    )


def test_the_error_of_a_share_is_that_of_a_mean():
    """Of ten persons of each of eight events 1 to 8 lie on the debris: the jackknife of a mean is its standard error,
    s / sqrt(n) (textbook identity), and those who left count. All events are alike: nothing else changes.
    """
    inside = [1, 2, 3, 4, 5, 6, 7, 8]
    columns = [[10] * k + [200] * (9 - k) + [305] for k in inside]
    spread = estimate_seed_spread(FLAT, [event(90.0, 50)] * 8, people(columns), TOP)
    assert spread.inside == pytest.approx(np.std(np.array(inside) / 10, ddof=1) / np.sqrt(8.0))
    assert (spread.area, spread.runout_p10_m, spread.runout_p90_m) == (0.0, 0.0, 0.0)
    assert not spread.settled
    even = estimate_seed_spread(FLAT, [event(90.0, 50)] * 8, people([[10] * 9 + [305]] * 8), TOP)
    assert even.inside == pytest.approx(0.0, abs=1e-12)
    assert even.settled


def test_the_error_of_an_area_by_hand():
    """One event of eight lies 100 cells wide, seven 50: a tenth of the events is one, so its ground counts unless it is
    left out. Seven answers of 100, one of 50, mean 93.75: sqrt(7/8 * (7 * 6.25^2 + 43.75^2)) / 93.75 = 0.467.
    """
    members = [event(90.0, 100), *[event(90.0, 50)] * 7]
    spread = estimate_seed_spread(FLAT, members, people([[10] * 4] * 8), TOP)
    assert spread.area == pytest.approx(np.sqrt(7.0 / 8.0 * (7 * 6.25**2 + 43.75**2)) / 93.75)
    assert not spread.settled


def test_the_error_of_a_percentile_is_what_other_seeds_do():
    """Sixty ensembles of 64 events with lognormal lengths: the root of the mean squared jackknife error of P10 and P90
    is the spread over the ensembles within a third.
    """
    rng = np.random.default_rng(7)
    found, errors = [], []
    for _ in range(60):
        lengths = 100.0 * np.exp(0.3 * rng.standard_normal(64))
        spread = estimate_seed_spread(FLAT, [event(m, 50) for m in lengths], people([[10]] * 64), TOP)
        found.append(np.quantile(lengths, [0.1, 0.9]))
        errors.append([spread.runout_p10_m, spread.runout_p90_m])
    actual, guessed = np.std(found, axis=0, ddof=1), np.sqrt(np.mean(np.square(errors), axis=0))
    np.testing.assert_allclose(guessed, actual, rtol=0.33)


def test_what_another_seed_changes_is_said_without_false_digits():
    """One figure for metres, never less than a metre or one in a hundred."""
    said = describe_seed_spread({"area": 0.087, "inside": 0.002, "runout_p10_m": 0.2, "runout_p90_m": 23.4})
    assert said == (
        "another seed changes the area by about 9 %, the share of persons inside by 1 in 100, run-out P10 and P90 by 1 "
        "and 20 m"
    )
