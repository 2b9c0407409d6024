"""Laws of detection and Bayes: limits, order, and agreement with counting."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastseen.core.errors import InputError
from lastseen.rescue.detection import (
    LAWS,
    combine_pods,
    detection_probability,
    found_probability,
    shift_other_poa,
    shift_poa,
    success_probability,
    update_poa,
)

SHARE = st.floats(0.0, 1.0)


@given(coverage=st.floats(0.0, 20.0), more=st.floats(0.0, 5.0))
def test_laws_keep_their_order(coverage, more):
    """More coverage never finds less; definite range is the best, random the worst (Koopman 1946/1980)."""
    for law in LAWS:
        assert 0.0 <= detection_probability(coverage, law) <= detection_probability(coverage + more, law) <= 1.0
    assert (
        detection_probability(coverage, "random")
        <= detection_probability(coverage, "inverse cube") + 1e-12
        <= detection_probability(coverage, "definite range") + 2e-12
    )


def test_random_law_is_many_short_random_tracks():
    """Random search: short tracks thrown at random over the area find 1 - exp(-C) (seeded draws)."""
    rng = np.random.default_rng(3)
    tracks, targets, coverage = 400, 4000, 1.2
    share = coverage / tracks
    missed = np.ones(targets, dtype=bool)
    for _ in range(tracks):
        missed &= rng.random(targets) >= share
    assert 1.0 - missed.mean() == pytest.approx(detection_probability(coverage, "random"), abs=0.02)


def test_inverse_cube_is_the_product_over_its_tracks():
    """A law 1 - exp(-(m / y)^2) of lateral range y, on all parallel tracks together, gives the error function.

    Its sweep width is the integral over y: W = 2 m sqrt(pi) (Koopman 1946/1980).
    """
    spacing, width = 1.0, 0.8
    m = width / (2.0 * math.sqrt(math.pi))
    y = (np.arange(4000) + 0.5) / 4000 * spacing
    tracks = np.arange(-400, 401) * spacing
    exponent = ((m / (y[:, None] - tracks[None, :])) ** 2).sum(axis=1)
    assert (1.0 - np.exp(-exponent)).mean() == pytest.approx(
        detection_probability(width / spacing, "inverse cube"), abs=0.002
    )


@given(st.lists(st.tuples(st.floats(0.01, 1.0), SHARE), min_size=1, max_size=8), st.floats(0.01, 1.0))
def test_bayes_keeps_the_whole(areas, outside):
    """POA after a search adds up to 1, falls where POD is greatest and rises outside."""
    total = sum(poa for poa, _ in areas) + outside
    poas, pods, beyond = [poa / total for poa, _ in areas], [one for _, one in areas], outside / total
    after, left = update_poa(poas, pods, beyond)
    assert sum(after) + left == pytest.approx(1.0)
    assert left >= beyond - 1e-12
    best = int(np.argmax(pods))
    assert after[best] <= poas[best] + 1e-9
    assert found_probability(poas, pods) == pytest.approx(1.0 - (beyond / left))


def test_bayes_agrees_with_counting():
    """Of many imagined accidents, those not found in the first search lie as Bayes says (seeded draws)."""
    rng = np.random.default_rng(11)
    poas, pods = np.array([0.4, 0.4, 0.15, 0.05]), np.array([0.3, 0.5, 0.6, 0.8])
    area = rng.choice(4, size=400_000, p=poas)
    missed = rng.random(area.size) >= pods[area]
    counted = np.bincount(area[missed], minlength=4) / missed.sum()
    assert np.allclose(counted, update_poa(poas.tolist(), pods.tolist())[0], atol=0.003)


@given(poa=st.floats(0.0, 0.99), there=st.floats(0.0, 0.99), other=SHARE)
def test_shift_is_the_same_bayes(poa, there, other):
    """The published shortcut for one searched area gives what Bayes gives."""
    other *= 1.0 - poa
    new = poa * (1.0 - there) / (poa * (1.0 - there) + 1.0 - poa)
    assert shift_poa(poa, there) == pytest.approx(new)
    assert shift_other_poa(other, poa, there) == pytest.approx(other * (1.0 - new) / (1.0 - poa), abs=1e-9)


@given(st.lists(SHARE, max_size=6))
def test_passes_together(pods):
    """More passes never find less than the best of them."""
    assert max(pods, default=0.0) - 1e-12 <= combine_pods(pods) <= 1.0


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: detection_probability(-0.1, "random"), "a coverage of -0.1: give 0 or more"),
        (
            lambda: detection_probability(1.0, "lucky"),
            "no law of detection is called 'lucky': choose one of definite range",
        ),
        (lambda: success_probability(1.2, 0.5), "a POA of 1.2 is no probability"),
        (lambda: combine_pods([0.5, 1.5]), "a POD of 1.5 is no probability"),
        (lambda: update_poa([0.5], [0.5, 0.5]), "1 POA and 2 POD"),
        (lambda: update_poa([0.5, 0.2], [0.5, 0.5]), "add up to 0.7: they must add up to 1"),
        (lambda: update_poa([1.0], [1.0]), "look outside of them"),
        (lambda: shift_other_poa(0.7, 0.6, 0.5), "add up to more than 1"),
    ],
)
def test_bad_numbers(call, text):
    """One clear sentence each."""
    with pytest.raises(InputError, match=text):
        call()


def test_success_takes_both():
    """POA times POD."""
    assert success_probability(0.4, 0.5) == pytest.approx(0.2)
