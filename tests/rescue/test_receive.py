"""Receive range: the dipole against random draws, strip rules against their publications, bad input."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastseen.core.errors import InputError
from lastseen.rescue.receiver import (
    coupled_range_factor,
    describe_receiver,
    fastest_m_s,
    list_strip_rules,
    mean_range_factor,
    optimised_width_m,
    pulses_heard,
    range_cdf,
    range_factor,
    range_quantile_m,
    reach_on_snow_m,
    statistical_width_m,
    worst_case_width_m,
)

DRAWS = 1_000_000


def drawn_ranges(max_range_m, sd_m, depth_m):
    """A million transmitters on the sphere, heard by a three-axis receiver: the field vector itself, no factor."""
    rng = np.random.default_rng(7)
    axis = rng.normal(size=(DRAWS, 3))
    axis /= np.linalg.norm(axis, axis=1)[:, None]
    towards = np.array([math.cos(0.4), math.sin(0.4), 0.0])
    field = np.linalg.norm(3.0 * (axis @ towards)[:, None] * towards - axis, axis=1)  # dipole at distance 1
    slant = (max_range_m + sd_m * rng.normal(size=DRAWS)) * (field / 2.0) ** (1.0 / 3.0)
    return np.sqrt(np.maximum(slant**2 - depth_m**2, 0.0))


@pytest.mark.parametrize(("sd_m", "depth_m"), [(0.0, 0.0), (0.0, 8.0), (3.0, 0.0), (5.0, 1.5)])
def test_distribution_agrees_with_a_million_draws(sd_m, depth_m):
    """The closed form (and its average over devices) lies within 0.2 % of draws of the dipole field itself."""
    drawn = drawn_ranges(45.0, sd_m, depth_m)
    for reach in np.linspace(28.0, 50.0, 23):
        assert float(range_cdf(reach, 45.0, sd_m, depth_m)) == pytest.approx((drawn <= reach).mean(), abs=0.002)


def test_mean_agrees_with_the_draws():
    """The mean of the factor is the hypergeometric value."""
    assert mean_range_factor() == pytest.approx(drawn_ranges(1.0, 0.0, 0.0).mean(), abs=2e-4)


@given(share=st.floats(0.0, 1.0), max_range=st.floats(5.0, 100.0), depth=st.floats(0.0, 3.0))
def test_quantile_is_the_inverse(share, max_range, depth):
    """Distribution of a quantile gives its share back."""
    reach = range_quantile_m(share, max_range, depth)
    assert float(range_cdf(reach, max_range, 0.0, depth)) == pytest.approx(share, abs=1e-5)


@given(angle=st.floats(-720.0, 720.0), scale=st.floats(0.1, 10.0))
def test_factor_bounds_and_scaling(angle, scale):
    """The factor lies between 2^(-1/3) and 1, and ranges scale with the greatest one."""
    assert 2.0 ** (-1.0 / 3.0) - 1e-12 <= range_factor(angle) <= 1.0
    assert range_factor(angle) == pytest.approx(range_factor(180.0 - angle))
    assert range_quantile_m(0.3, 40.0 * scale) == pytest.approx(scale * range_quantile_m(0.3, 40.0))


@given(low=st.floats(0.0, 60.0), more=st.floats(0.0, 20.0), sd=st.floats(0.0, 20.0))
def test_distribution_never_falls(low, more, sd):
    """The distribution rises from 0 to 1."""
    a, b = range_cdf([low, low + more], 45.0, sd)
    assert 0.0 <= a <= b + 1e-12 <= 1.0 + 1e-9


def test_deeper_reaches_less():
    """Depth takes reach away, at right angles."""
    assert reach_on_snow_m(5.0, 3.0) == pytest.approx(4.0)
    assert reach_on_snow_m(2.0, 3.0) == 0.0
    assert range_quantile_m(0.5, 40.0, 10.0) < range_quantile_m(0.5, 40.0, 1.0) < range_quantile_m(0.5, 40.0)


def test_one_antenna_in_the_null_hears_nothing():
    """Perpendicular antennas couple to nothing (Swiss Alpine Club, Die Alpen: theoretically 0)."""
    assert coupled_range_factor(0.0) == 0.0


def test_rules_side_by_side_name_source_and_year():
    """Three rules, each with source, year and confidence; without a measured minimum the first is no data."""
    rules = list_strip_rules(45.0, 3.0)
    assert [rule.name for rule in rules] == ["worst case", "statistical", "survival-optimised"]
    assert all(rule.source and rule.year and rule.confidence for rule in rules)
    assert rules[0].width_m is None
    assert "35.7 m, an upper bound" in rules[0].note
    measured = list_strip_rules(45.0, 3.0, min_range_m=20.0, realistic_range_m=40.0)
    assert [rule.width_m.three for rule in measured] == [(40.0,) * 3, (pytest.approx(49.14),) * 3, (48.0, 52.0, 56.0)]
    assert list_strip_rules(45.0, 3.0, antennas=1)[1].confidence == "from memory"
    assert "measure again" in list_strip_rules(45.0, 3.0, min_range_m=40.0)[0].note


@given(max_range=st.floats(10.0, 100.0), sd=st.floats(0.0, 4.0), depth=st.floats(0.0, 3.0))
def test_depth_only_narrows(max_range, sd, depth):
    """Burial depth makes every strip narrower or leaves it."""
    for rule in list_strip_rules(max_range, sd, depth_m=depth, min_range_m=5.0):
        assert rule.with_depth_m.high <= rule.width_m.high
        assert rule.with_depth_m.low == pytest.approx(2.0 * reach_on_snow_m(0.5 * rule.width_m.low, depth))


def test_users_width_wins():
    """The width that is used is the user's own, whatever the rules say."""
    own = describe_receiver(45.0, 3.0, strip_width_m=23.0)
    assert (own.width_m, own.width_given) == (23.0, True)
    assert own.out_of_range < 1e-6
    plain = describe_receiver(45.0, 3.0)
    assert (plain.width_m, plain.width_given) == (40.0, False)
    assert describe_receiver(20.0, 0.0, strip_width_m=40.0).out_of_range == 1.0


@given(speed=st.floats(0.1, 20.0), period=st.floats(0.3, 2.0), offset=st.floats(0.0, 24.0))
def test_pulses_fall_with_speed(speed, period, offset):
    """Twice the speed, half the pulses; out of range, none."""
    heard = pulses_heard(25.0, offset, speed, period)
    assert pulses_heard(25.0, offset, 2.0 * speed, period) == pytest.approx(0.5 * heard)
    assert pulses_heard(25.0, 26.0, speed, period) == 0.0
    assert pulses_heard(25.0, offset, fastest_m_s(25.0, offset, 4.0, period), period) == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: describe_receiver(0.0, 3.0), r"the range is 0 m: give a measured range above 0 m"),
        (lambda: describe_receiver(-45.0, 3.0), r"the range is -45 m"),
        (lambda: describe_receiver(math.nan, 3.0), r"the range is nan m"),
        (lambda: describe_receiver(math.inf, 3.0), r"the range is inf m"),
        (
            lambda: describe_receiver(45.0, 23.0),
            r"the standard deviation is 23 m for a range of 45 m: give 0 m to half",
        ),
        (lambda: describe_receiver(45.0, -1.0), r"the standard deviation is -1 m"),
        (lambda: describe_receiver(45.0, 3.0, depth_m=45.0), r"the burial depth is 45 m for a range of 45 m"),
        (lambda: describe_receiver(45.0, 3.0, depth_m=-1.0), r"the burial depth is -1 m"),
        (lambda: describe_receiver(45.0, 3.0, antennas=4), r"a receiver with 4 antennas: give 1, 2 or 3"),
        (lambda: describe_receiver(45.0, 3.0, strip_width_m=0.0), r"the strip width is 0.0 m"),
        (lambda: describe_receiver(45.0, 3.0, min_range_m=50.0), r"minimum range of 50 m is above the greatest"),
        (lambda: describe_receiver(45.0, 3.0, min_range_m=0.0), r"the minimum range is 0 m"),
        (lambda: describe_receiver(45.0, 22.5), r"less two standard deviations is 0 m: give --realistic-range"),
        (lambda: describe_receiver(45.0, 3.0, realistic_range_m=-2.0), r"the realistic range is -2 m"),
        (lambda: describe_receiver(45.0, 3.0, speed_m_s=0.0), r"a speed of 0 m/s"),
        (lambda: fastest_m_s(25.0, 1.0, 0.0), r"0 pulses at a period of 1.3 s"),
        (lambda: pulses_heard(0.0, 1.0, 1.0), r"the range is 0 m"),
        (lambda: coupled_range_factor(1.5), r"a coupling of 1.5 is no share"),
        (lambda: range_quantile_m(-0.1, 40.0), r"a share of -0.1 is no share"),
        (lambda: worst_case_width_m(math.nan), r"the minimum range is nan m"),
        (lambda: optimised_width_m(0.0), r"the realistic range is 0 m"),
        (lambda: statistical_width_m(45.0, 3.0, 0), r"a receiver with 0 antennas"),
    ],
)
def test_bad_numbers_get_one_clear_sentence(call, text):
    """Every number that cannot be used is named, with what to give."""
    with pytest.raises(InputError, match=text) as caught:
        call()
    assert "\n" not in str(caught.value)
