"""Slabs, friction and burial by size: what the fitted file says, and what is drawn from it."""

import itertools
import sys
from pathlib import Path

import numpy as np
import pytest

from lastseen.core.errors import InputError
from lastseen.core.scenario import Snow, check_scenario
from lastseen.snow.carried import burial_laws, find_burial_law
from lastseen.snow.friction import draw_slabs, friction_basis, friction_by_size, outer_friction
from lastseen.snow.release import SIZES, read_calibration, slab_class

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools"))
import calibrate
import slopes

U = np.random.default_rng(5).random((2, 40_000))


@pytest.mark.parametrize("size", SIZES)
def test_drawn_crowns_are_those_reported(size):
    """Quartiles within a fifth of those reported (a third of only 18), nothing beyond the 5th and 95th percentile."""
    n, reported = slopes.reported("crown_m", size)
    assert n >= 18
    drawn = draw_slabs(size, *U).thickness_factor * slab_class(size).thickness_at_38_m
    assert np.quantile(drawn, [0.25, 0.5, 0.75]) == pytest.approx(reported[1:4], rel=0.21 if n > 20 else 0.3)
    assert drawn.min() >= reported[0] - 1e-9
    assert drawn.max() <= reported[4] + 1e-9


@pytest.mark.parametrize("size", SIZES)
def test_drawn_volumes_stay_in_their_class(size):
    """EAWS: typical volumes of 100 to 100,000 m3; half an order of magnitude to either side, a little more where
    the area is cut off."""
    typical = slopes.REPORTED["volume_m3"][str(size)]
    draws, slab = draw_slabs(size, *U), slab_class(size)
    volume = slab.volume_m3 * draws.thickness_factor * draws.area_factor
    assert np.median(volume) == pytest.approx(typical, rel=0.3)
    assert np.quantile(volume, [0.02, 0.98]) == pytest.approx([typical / 10**0.5, typical * 10**0.5], rel=0.25)


def test_slabs_in_the_file_are_those_reported():
    """The file holds what `make calibrate` makes of the reports."""
    for size, row in calibrate.slab_rows().items():
        assert read_calibration()["slab"][str(size)] == row


def test_friction_falls_with_size_and_is_named_for_what_it_is():
    """No larger size has the higher friction; what could reach a place is looked for from further below."""
    laws = [friction_by_size(size) for size in SIZES]
    for smaller, larger in itertools.pairwise(laws):
        assert all(b <= a for a, b in zip(smaller, larger, strict=True))
    for size, law in zip(SIZES, laws, strict=True):
        assert 0.0 < law[0] <= law[1] <= law[2] < 1.0
        assert outer_friction(size)[0] <= law[0]
        assert "not to this place" in friction_basis(Snow(size=size))
        assert f"n = {slopes.reported('length_m', size)[0]}" in friction_basis(Snow(size=size))
    assert friction_basis(Snow(friction=(0.2, 0.3, 0.4))) == "given by the user"


def test_weights_make_the_law():
    """Evenly drawn frictions with weights have the mean of a triangular law: (low + mode + high) / 3."""
    friction = np.linspace(0.1, 0.9, 20_001)
    law = (0.2, 0.3, 0.7)
    assert np.average(friction, weights=slopes.triangle(friction, law)) == pytest.approx(sum(law) / 3.0, abs=1e-4)
    assert slopes.weighted_quantiles(np.arange(5.0), np.ones(5), (0.5,))[0] == pytest.approx(2.0)


@pytest.mark.parametrize("size", SIZES)
def test_the_fit_says_how_far_off_it_is(size):
    """Misfits stand in the file, and follow from the numbers beside them."""
    row = read_calibration()["friction"][str(size)]
    reported = np.array(row["length_reported_m"])
    assert reported == pytest.approx(slopes.reported("length_m", size)[1])
    far = np.log(np.array(row["length_m"]) / reported) / calibrate.LENGTH_UNIT
    assert row["misfit_length"] == pytest.approx(
        np.sqrt(np.average(far**2, weights=calibrate.QUANTILE_WEIGHTS)), abs=0.02
    )
    assert sum(row["stop_top_middle_foot"]) == pytest.approx(1.0, abs=0.02)


def test_events_of_a_slope_are_the_same_bit_for_bit():
    """Same seed, same numbers, with one thread or more."""
    slope = slopes.make_slopes(1)[0]
    first, again = (slopes.run_slope(slope, 0, 3, 7) for _ in range(2))
    for name, values in vars(first).items():
        np.testing.assert_array_equal(values, getattr(again, name), err_msg=name)
    assert (first.length_m > 0.0).all()
    assert (first.drop_m <= first.length_m).all()
    assert first.released_m3.max() < 400.0


def test_the_page_is_of_this_calibration():
    """docs/validation.md names the laws that are installed, and its figures are there."""
    docs = Path(__file__).resolve().parents[2] / "docs"
    page = (docs / "validation.md").read_text(encoding="utf-8")
    for size in SIZES:
        assert "size {}: {:.2f}, {:.2f}, {:.2f}".format(size, *friction_by_size(size)) in page
    for name in ("rising", "even"):
        assert f"{name} (misfit {burial_laws()[name].misfit:.1f})" in page
    assert all((docs / "validation" / name).is_file() for name in ("dimensions.png", "speeds.png"))


def test_a_named_law_of_burial():
    """Even: half of the snow above on average. Rising: less. Own: the range that was given."""
    u = (np.arange(10_000) + 0.5) / 10_000
    assert find_burial_law(Snow()).name == read_calibration()["burial"]["default"]
    assert find_burial_law(Snow(burial="even")).relative_depth(u).mean() == pytest.approx(0.5, abs=1e-3)
    rising = find_burial_law(Snow(burial="rising"))
    assert rising.relative_depth(u).mean() == pytest.approx(1.0 / (1.0 + rising.power), abs=1e-3)
    own = find_burial_law(Snow(relative_depth=(0.2, 0.4, 0.6))).relative_depth(u)
    assert own.mean() == pytest.approx(0.4, abs=1e-3)
    assert 0.2 <= own.min() <= own.max() <= 0.6


def test_the_default_law_fits_best():
    """Of the named laws the default has the least misfit, and each says it."""
    laws = burial_laws()
    assert min(laws, key=lambda name: laws[name].misfit) == read_calibration()["burial"]["default"]
    assert "has not been measured" in laws["rising"].basis


def test_two_laws_of_burial_are_refused():
    """A named law and an own range contradict each other; an own range lies between 0 and 1."""
    with pytest.raises(InputError, match="both given: leave one out"):
        check_scenario({"elevation": ["a.tif"], "snow": {"burial": "even", "relative_depth": [0, 0.5, 1]}})
    with pytest.raises(InputError, match=r"snow.relative_depth = \[0.0, 0.5, 1.5\] must rise"):
        check_scenario({"elevation": ["a.tif"], "snow": {"relative_depth": [0, 0.5, 1.5]}})
