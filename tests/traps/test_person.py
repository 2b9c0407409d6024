"""How carried persons meet traps, and what a trap weighs."""

import numpy as np
import pytest
from shapely import box

from lastseen.core.errors import InputError
from lastseen.traps.trap import LETTERS, WEIGHT_FORMULA, add_person_shares, build_trap, severity, sort_by_weight

SHAPE = (10, 10)


def made(kind, cells, **measures):
    return build_trap(kind, box(0, 0, 1, 1), np.array(cells, dtype=np.int32), "Made by hand.", **measures)


def pair():
    return sort_by_weight([made("gully", [11, 12, 13], depth_m=8.0), made("cliff", [55], drop_m=12.5)])


def test_order_before_any_person_is_that_of_severity():
    gully, cliff = pair()
    assert (gully.number, gully.letter, cliff.number, cliff.letter) == (1, "G", 2, "C")
    assert gully.person_passes == gully.person_ends == 0.0
    assert gully.weight == pytest.approx(0.05)
    assert cliff.weight == pytest.approx(0.5 * 0.05)


def test_shares_and_new_order():
    # Body 0 crosses the gully twice and ends in open ground; 1 and 2 cross the cliff, 2 ends there; 3 leaves the model.
    cells = np.array([11, 12, 11, 40, 54, 55, 55, 80, -1], dtype=np.int32)
    bodies = np.array([0, 0, 0, 0, 1, 1, 2, 3, 3], dtype=np.int32)
    last = np.array([40, 60, 55, -1], dtype=np.int32)
    cliff, gully = add_person_shares(pair(), cells, bodies, last, 4, SHAPE)
    assert (cliff.kind, cliff.number, gully.number) == ("cliff", 1, 2)
    assert (gully.person_passes, gully.person_ends) == (0.25, 0.0)
    assert (cliff.person_passes, cliff.person_ends) == (0.5, 0.25)
    assert gully.weight == pytest.approx(1.0 * (0.0 + 0.125 + 0.05))
    assert cliff.weight == pytest.approx(0.5 * (0.25 + 0.25 + 0.05))
    assert "0.5 person_passes" in WEIGHT_FORMULA


def test_stopping_in_a_trap_counts_as_passing():
    traps = add_person_shares(pair(), np.array([], int), np.array([], int), np.array([12, -1]), 2, SHAPE)
    assert (traps[0].person_passes, traps[0].person_ends) == (0.5, 0.5)


def test_least_share_drops_traps_without_contact():
    cells, bodies, last = np.array([12]), np.array([0]), np.array([90])
    assert len(add_person_shares(pair(), cells, bodies, last, 1, SHAPE)) == 2
    assert [t.kind for t in add_person_shares(pair(), cells, bodies, last, 1, SHAPE, least_share=0.01)] == ["gully"]
    assert add_person_shares((), cells, bodies, last, 1, SHAPE) == ()


@pytest.mark.parametrize(
    ("cells", "bodies", "last", "n_bodies", "match"),
    [
        ([1], [0], [1, 2], 1, "last cells"),
        ([], [], [], 0, "at least one body"),
        ([1, 2], [0], [1], 1, "one length"),
        ([1], [1], [1], 1, "number the bodies"),
        ([1], [-1], [1], 1, "number the bodies"),
        ([100], [0], [1], 1, "beyond"),
        ([1], [0], [100], 1, "beyond"),
    ],
)
def test_visits_that_do_not_fit(cells, bodies, last, n_bodies, match):
    with pytest.raises(InputError, match=match):
        add_person_shares(pair(), np.array(cells, int), np.array(bodies, int), np.array(last, int), n_bodies, SHAPE)


def test_severity_stays_between_its_ends():
    assert severity(made("gully", [1], depth_m=80.0)) == 1.0
    assert severity(made("bank", [1], drop_m=0.01)) == 0.1
    assert severity(made("abrupt flattening", [1], slope_above_deg=40.0, slope_below_deg=10.0)) == pytest.approx(2 / 3)


def test_one_letter_for_each_kind():
    assert len(set(LETTERS.values())) == len(LETTERS) == 12
