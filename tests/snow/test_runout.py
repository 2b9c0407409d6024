"""Statistical run-out and the paths it is read on."""

import math

import numpy as np
import pytest

from lastseen.snow.runout import REGRESSIONS, estimate_envelope, resample_profile


def two_slopes(upper_deg, lower_deg, upper_m=400.0, lower_m=600.0):
    x = np.arange(0.0, upper_m + lower_m + 0.5, 1.0)
    z = np.where(
        x <= upper_m,
        -x * math.tan(math.radians(upper_deg)),
        -upper_m * math.tan(math.radians(upper_deg)) - (x - upper_m) * math.tan(math.radians(lower_deg)),
    )
    return x, 1000.0 + z


def test_beta_is_read_at_the_foot_of_the_steep_ground():
    """On a slope of 30 degrees over ground of 5 degrees, beta is 30 degrees at the break."""
    found = estimate_envelope(*two_slopes(30.0, 5.0))
    assert found.beta_deg == pytest.approx(30.0, abs=0.1)
    assert found.beta_m == pytest.approx(400.0, abs=20.0)


def test_alpha_end_lies_on_the_line_from_the_top():
    """The end of each regression is seen from the top under its angle."""
    x, z = two_slopes(30.0, 5.0)
    for name, alpha, _, distance, _ in estimate_envelope(x, z).ends:
        assert name in {one.name for one in REGRESSIONS}
        seen = math.degrees(math.atan2(z[0] - np.interp(distance, x, z), distance))
        assert seen == pytest.approx(alpha, abs=0.02)


def test_a_small_bench_does_not_trigger_beta():
    """A flat step of 6 m in a steep slope is shorter than the resampling and is passed over."""
    x, z = two_slopes(30.0, 5.0)
    step = (x > 200.0) & (x <= 206.0)
    drop = np.where(step, 0.0, np.gradient(z, x))
    benched = 1000.0 + np.concatenate([[0.0], np.cumsum(drop[:-1] * np.diff(x))])
    assert estimate_envelope(x, benched).beta_m > 380.0


def test_no_beta_point_is_said():
    """A profile that stays steep has no beta point, and the note says so."""
    found = estimate_envelope(*two_slopes(30.0, 20.0))
    assert math.isnan(found.beta_deg)
    assert "no beta point" in found.note


def test_profiles_are_resampled_to_twenty_metres():
    """Steps are even and heights lie on the profile."""
    x, z = resample_profile(np.array([0.0, 15.0, 100.0]), np.array([10.0, 5.0, 0.0]))
    assert np.diff(x) == pytest.approx(20.0)
    assert z[1] == pytest.approx(5.0 - 5.0 * 5.0 / 85.0)


def test_a_gentle_shoulder_above_the_steep_ground_is_not_the_beta_point():
    """Ground below 10 degrees counts only after the profile has been steep."""
    x, z = two_slopes(30.0, 5.0)
    above = np.arange(0.0, 60.0, 1.0)
    x, z = np.concatenate([above, x + 60.0]), np.concatenate([z[0] + (60.0 - above) * math.tan(math.radians(5.0)), z])
    assert estimate_envelope(x, z).beta_m == pytest.approx(460.0, abs=20.0)


def test_a_wide_bench_is_passed_over():
    """A flat bench of 40 m with steep ground below it is not the beta point; the foot of the whole slope is."""
    x, z = two_slopes(30.0, 5.0)
    drop = np.where((x > 200.0) & (x <= 240.0), 0.0, np.gradient(z, x))
    benched = 1000.0 + np.concatenate([[0.0], np.cumsum(drop[:-1] * np.diff(x))])
    assert estimate_envelope(x, benched).beta_m == pytest.approx(400.0, abs=20.0)


def test_small_slopes_have_no_statistical_run_out():
    """The regressions describe large paths: below a drop of 150 m to the beta point none is given, and it is said."""
    x = np.arange(0.0, 900.0, 10.0)
    for drop, given in ((90.0, False), (400.0, True)):
        z = drop * np.exp(-((x / (1.2 * drop)) ** 2))
        found = estimate_envelope(x, z)
        assert bool(found.ends) == given
        assert ("not applied: it describes large paths" in found.note) != given
