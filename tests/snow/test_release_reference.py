"""Published and derived values of slabs and deposits."""

import pytest

from lastseen.snow.release import deposit_volume_m3, slope_factor
from reference_rows import check_row, read_reference

FUNCTIONS = {"salm_slope_factor": slope_factor, "deposit_volume_m3": deposit_volume_m3}
ROWS = read_reference("release")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_reference_value(row):
    """Each row of release.csv holds."""
    check_row(row, FUNCTIONS)


def test_every_function_has_rows():
    """No quantity is left without a value."""
    assert {row["quantity"] for row in ROWS} == set(FUNCTIONS)


def test_a_row_that_does_not_hold_fails():
    """The check of a row fails on a wrong value, an unknown quantity and a result that is no number."""
    row = ROWS[0]
    check_row(row, FUNCTIONS)
    for broken in (
        row | {"expected": row["expected"] + 2.1 * row["tolerance"]},
        row | {"quantity": "height_of_the_moon"},
        row | {"expected": float("nan")},
    ):
        with pytest.raises(AssertionError, match=row["id"]):
            check_row(broken, FUNCTIONS)
