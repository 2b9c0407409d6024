import dataclasses
import json
import math

import pytest

from lastseen.output.formats.json import input_files, numbers_text
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION
from lastseen.output.results.plan import plan_numbers

KEYS = [
    "schema_version",
    "program",
    "caution",
    "name",
    "inputs",
    "scenario",
    "seed",
    "versions",
    "last_seen",
    "grid",
    "release",
    "model",
    "runout",
    "envelope",
    "events",
    "debris",
    "persons",
    "poa",
    "zones",
    "traps",
    "coverage",
    "search",
    "lanes",
    "route",
    "rescue",
    "urgent",
    "notes",
]

LEG_KEYS = ["number", "searcher", "kind", "lane", "length_m", "bearing_deg_true", "slope_deg", "steepest_deg"]
LEG_KEYS += ["time_s", "bearing_deg_magnetic", "danger", "start", "end"]


def numbers_in(value):
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        return [one for part in value for one in numbers_in(part)]
    return [value] if isinstance(value, float) else []


@pytest.mark.parametrize("which", ["plan", "observed"])
def test_the_document_has_its_keys_and_only_numbers(which, request):
    plan = request.getfixturevalue(which)
    numbers = plan_numbers(plan)
    assert list(numbers) == KEYS
    assert numbers["schema_version"] == 1
    assert numbers["caution"] == FULL_CAUTION
    assert all(math.isfinite(one) for one in numbers_in(numbers))
    text = numbers_text(numbers)
    assert text.endswith("}\n")
    assert json.loads(text) == numbers
    assert numbers_text(plan_numbers(plan)) == text


def test_an_observed_outline_has_no_model_numbers(observed):
    numbers = plan_numbers(observed)
    assert [numbers[key] for key in ("release", "runout", "envelope", "poa", "zones", "traps")] == [None] * 4 + [[], []]
    assert numbers["debris"]["level"] is None
    assert [one["role"] for one in numbers["inputs"]] == ["elevation", "debris"]


def test_the_document_says_what_the_plan_says(plan, written):
    numbers = json.loads((written / "plan.json").read_text(encoding="utf-8"))
    assert numbers == plan_numbers(plan)
    persons, events = numbers["persons"], numbers["events"]
    assert numbers["poa"]["sum"] + persons["left_model_share"] == pytest.approx(1.0, abs=1e-6)
    assert sum(persons["left"].values()) == pytest.approx(persons["left_model_share"], abs=1e-6)
    assert 0.0 <= numbers["poa"]["in_range"] <= numbers["poa"]["sum"] + 1e-6
    assert persons["on_no_go"] is None
    assert events["count"] == events["at_rest"] + events["left_the_model"] + events["unfinished"]
    assert events["reach_person_share"] == pytest.approx(plan.model.ensemble.reached.mean(), abs=1e-6)
    assert numbers["debris"]["whole"]
    assert numbers["poa"]["inside_debris"] + numbers["poa"]["outside_debris"] == pytest.approx(1.0, abs=2e-6)
    assert numbers["coverage"]["fraction"] == pytest.approx(plan.search.coverage.fraction, abs=1e-6)
    assert numbers["last_seen"]["lonlat"] == [round(plan.place.lon_deg, 7), round(plan.place.lat_deg, 7)]
    assert [one["number"] for one in numbers["lanes"]] == [lane.number for lane in plan.search.lanes]
    assert len(numbers["route"]) == len(plan.search.legs)
    leg = numbers["route"][0]
    assert list(leg) == LEG_KEYS
    assert leg["length_m"] == pytest.approx(plan.search.legs[0].length_m, abs=1e-3)
    assert numbers["search"]["each"][0]["walk_m"] == pytest.approx(plan.search.walk_m(1), abs=1e-3)
    trap = numbers["traps"][0]
    assert trap["depth_m"] is None
    assert "outline" not in trap


def test_inputs_are_named_and_checked_but_not_placed(plan):
    (one,) = input_files(plan)
    assert one["name"] == "ysterra.tif"
    assert len(one["sha256"]) == 64
    assert "/" not in json.dumps(plan_numbers(plan)["scenario"])


def test_large_and_missing_inputs_have_no_checksum(plan, tmp_path, monkeypatch):
    monkeypatch.setattr("lastseen.output.formats.json.MOST_BYTES", 1000)
    assert input_files(plan)[0]["sha256"] is None
    assert "512 MB" in input_files(plan)[0]["note"]
    sheet = dataclasses.replace(plan.elevation.sheets[0], path=tmp_path / "gone.tif")
    gone = dataclasses.replace(plan, elevation=dataclasses.replace(plan.elevation, sheets=(sheet,)))
    assert input_files(gone)[0]["bytes"] is None


def test_the_caution_never_promises():
    for text in (FULL_CAUTION, SHORT_CAUTION):
        assert "safe" not in text.lower()
        assert "training aid" in text
        assert "outside the drawn areas" in text
