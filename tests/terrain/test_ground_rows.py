"""Published and derived values of the ground: every row of ground.csv, and no quantity without one."""

import pytest

from lastseen.jobs.check.ground import GROUND_QUANTITIES, cone_area_error
from reference_rows import check_row, read_reference

ROWS = read_reference("ground")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_reference_value(row):
    """Each row holds."""
    check_row(row, GROUND_QUANTITIES)


def test_every_quantity_has_rows():
    """No function is left without a value."""
    assert {row["quantity"] for row in ROWS} == set(GROUND_QUANTITIES)


def test_more_ways_follow_a_cone_better():
    """D8 is worst, D-infinity better, multiple flow best; exponent 1.1 is better than 1 (no published value)."""
    cone = {"gradient": 0.5, "cell_m": 10.0, "nearest_m": 100.0, "farthest_m": 450.0}
    errors = [
        cone_area_error(method, exponent, **cone)
        for method, exponent in (("D8", 1.0), ("D-infinity", 1.0), ("multiple", 1.0), ("multiple", 1.1))
    ]
    assert errors == sorted(errors, reverse=True)
