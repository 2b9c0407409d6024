"""The rows of shared/reference/traps.csv, and inputs without meaning."""

import csv
import json

import pytest

from lastseen.core.errors import InputError
from lastseen.core.machine import shared_folder
from lastseen.traps.pile_up import deposit_depth_trapezoid_m, deposit_depth_v_m, deposit_depth_wedge_m

FUNCTIONS = {f.__name__: f for f in (deposit_depth_v_m, deposit_depth_trapezoid_m, deposit_depth_wedge_m)}
CONFIDENCE = {"published", "published, second hand", "derived", "common practice, no source", "from memory"}


def rows():
    with (shared_folder("shared") / "reference" / "traps.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["id"])
def test_row(row):
    assert row["confidence"] in CONFIDENCE
    value = FUNCTIONS[row["quantity"]](**json.loads(row["inputs"]))
    assert value == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


def test_every_function_has_a_row_and_every_id_is_its_own():
    assert {row["quantity"] for row in rows()} == set(FUNCTIONS)
    assert len({row["id"] for row in rows()}) == len(rows())


@pytest.mark.parametrize("slope_deg", [0.0, -5.0, 90.0, float("nan")])
def test_slopes_without_meaning(slope_deg):
    with pytest.raises(InputError, match="slope of"):
        deposit_depth_v_m(10.0, slope_deg)
    with pytest.raises(InputError, match="slope of"):
        deposit_depth_wedge_m(10.0, slope_deg)


def test_areas_and_floors_without_meaning():
    with pytest.raises(InputError, match="area"):
        deposit_depth_v_m(-1.0, 30.0)
    with pytest.raises(InputError, match="floor"):
        deposit_depth_trapezoid_m(10.0, -1.0, 30.0)
