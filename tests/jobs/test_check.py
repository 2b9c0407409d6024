"""The installed program recomputes its reference values, and notices when one is wrong."""

import json
import math
import re

import pytest

from lastseen.core.errors import InputError
from lastseen.jobs.check.rows import LOOKUPS, QUANTITIES, Outcome, reference_rows, run_checks
from lastseen.output.console import check_table

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


def test_guards_are_not_counted_as_checks():
    """Rows of stored constants are guards, most rows are not; every row says what kind it is."""
    guards = [row for row in ROWS if row.is_guard]
    assert {row.quantity for row in guards} == {*LOOKUPS, "survival_percent"}
    assert 40 <= len(guards) <= 70
    # Survival between two published minutes is worked out: no guard.
    assert not next(row for row in ROWS if row.id == "falk_20").is_guard
    assert next(row for row in ROWS if row.id == "falk_15").is_guard
    kinds = {"published", "published, second hand", "derived here", "common practice, no source", "from memory"}
    assert {row.kind for row in ROWS} == kinds
    text = check_table([Outcome(**vars(row), got=row.expected) for row in ROWS])
    assert f"{len(ROWS) - len(guards)} of {len(ROWS) - len(guards)} reference values agree" in text
    assert f"{len(guards)} of {len(guards)} guards" in text


def test_no_two_rows_ask_the_same():
    """The same quantity with the same inputs stands once."""
    asked = [(row.quantity, json.dumps(row.inputs, sort_keys=True)) for row in ROWS]
    assert len(asked) == len(set(asked))


def test_sources_are_documents():
    """No web site stands for a document, and what is second hand or from memory is not called published."""
    for row in ROWS:
        assert not re.search(r"\b[\w-]+\.(com|org|ca|net)\b", row.source), row.id
        if re.search(r"second.hand|from memory|title (and year )?not kept", row.source):
            assert row.confidence != "published", row.id


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
