"""The installed program recomputes its reference values, and notices when one is wrong."""

import json
import math

import pytest

from lastseen.core.errors import InputError
from lastseen.jobs.check.rows import QUANTITIES, reference_rows, run_checks

HEAD = "id,quantity,inputs,expected,tolerance,unit,source,confidence\n"
ROWS = list(reference_rows())
WHOLE_PLANS = ("demo_length_inside_range",)  # rows that take a flow ensemble


def marked(row):
    """A row as a parameter, slow where it takes a whole plan."""
    return pytest.param(row, id=row.id, marks=[pytest.mark.slow] if row.quantity in WHOLE_PLANS else [])


@pytest.mark.parametrize("row", [marked(row) for row in ROWS])
def test_every_reference_value_agrees(row):
    """What the code gives lies within the tolerance of the published value."""
    assert row.quantity in QUANTITIES
    assert float(QUANTITIES[row.quantity](**row.inputs)) == pytest.approx(row.expected, abs=row.tolerance)


def test_there_are_enough_rows_and_every_quantity_is_used():
    """At least forty rows, and no function without a row."""
    assert len(ROWS) >= 40
    assert {row.quantity for row in ROWS} == set(QUANTITIES)


def test_tolerances_are_tight():
    """No tolerance is larger than a twentieth of its value, so that a row can fail."""
    small = [row for row in ROWS if row.expected != 0 and row.quantity != "grid_convergence_deg"]
    assert [row.id for row in small if row.tolerance > 0.05 * abs(row.expected)] == []


def test_wrong_value_fails(tmp_path):
    """A changed value, an unknown quantity and a broken input do not pass."""
    rows = 'a,travel_angle_deg,"{""friction"": 0.2}",12.5,0.01,degree,Heim 1932,derived\n'
    rows += "b,height_of_the_moon,{},1,0.1,m,nobody,from memory\n"
    (tmp_path / "x.csv").write_text(HEAD + rows, encoding="utf-8")
    wrong, unknown = run_checks(tmp_path)
    assert not wrong.ok
    assert wrong.got == pytest.approx(math.degrees(math.atan(0.2)))
    assert not unknown.ok
    assert unknown.record()["got"] is None
    json.dumps([wrong.record(), unknown.record()], allow_nan=False)


@pytest.mark.parametrize(
    "rows",
    [
        "a,travel_angle_deg,not json,1,0.1,m,s,derived\n",
        "a,travel_angle_deg,{},1,0.1,m,s,perhaps\n",
        "a,travel_angle_deg,{},1,0.1,m,,derived\n",
        "a,travel_angle_deg,{},1,0.1,m,s,derived\na,travel_angle_deg,{},1,0.1,m,s,derived\n",
    ],
)
def test_broken_rows_are_refused(rows, tmp_path):
    """A row without source, with unknown confidence, a repeated id or bad JSON is an error that names file and line."""
    (tmp_path / "x.csv").write_text(HEAD + rows, encoding="utf-8")
    with pytest.raises(InputError, match=r"x\.csv, line \d"):
        list(reference_rows(tmp_path))
