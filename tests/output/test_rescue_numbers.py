"""Clock, digging and probing of a plan: in its numbers, in folders of older versions, and by the rules themselves."""

import dataclasses
import json
import math
import shutil

import numpy as np
import pytest
from shapely.geometry import MultiPolygon, Point

from lastseen.jobs.rescue import measure_covered_shares, measure_search_slope_deg, plan_rescue
from lastseen.output.read import read_result
from lastseen.output.results.plan import plan_numbers
from lastseen.output.sheets.plan import read_clock
from lastseen.rescue.clock import time_rescue
from lastseen.rescue.shovelling import plan_dig
from lastseen.search.coverage import measure_coverage
from search.zoo import plane


def test_the_clock_of_the_sheet_is_that_of_the_plan(plan):
    """Read back from the numbers, to their rounding."""
    there, read = plan.rescue.clock, read_clock(plan_numbers(plan))
    assert [phase.name for phase in read.phases] == [phase.name for phase in there.phases]
    for phase, other in zip(read.phases, there.phases, strict=True):
        assert phase.time_s.three == pytest.approx(other.time_s.three, abs=0.051)
    assert read.curve is there.curve
    assert read.total_s.three == pytest.approx(there.total_s.three, abs=0.5)


def test_rescue_goes_by_the_walk_depth_and_slope_of_the_plan(plan):
    """Signal search and coarse search of the clock are those of a clock made by hand; digging by its own rule."""
    rescue, search = plan.rescue, plan.search
    likeliest = max(plan.model.zones, key=lambda zone: zone.poa)
    assert rescue.slope_deg == round(likeliest.slope_deg)
    assert rescue.digging == plan_dig(rescue.depth_m, rescue.slope_deg, search.searchers)
    by_hand = time_rescue(
        approach_s=rescue.clock.phases[1].time_s,
        approach_basis="as in the plan",
        signal_s=rescue.clock.phases[2].time_s,
        signal_basis="as in the plan",
        strip_width_m=search.strip_width_m,
        depth_m=rescue.depth_m,
        slope_deg=rescue.slope_deg,
        diggers=search.searchers,
        curve=rescue.clock.curve,
    )
    assert by_hand.total_s == rescue.clock.total_s
    assert rescue.probing.holes > rescue.probing.holes_near > 1


@pytest.mark.parametrize(
    ("buried", "depth", "basis"), [(1.26, 1.3, "median"), (0.02, 0.1, "median"), (None, 1.0, "assumed")]
)
def test_the_depth_is_that_of_the_model_or_said_to_be_assumed(observed, buried, depth, basis):
    search = observed.search
    made = plan_rescue(
        search.legs,
        observed.debris.outline,
        observed.terrain.elevation,
        searchers=2,
        strip_width_m=search.strip_width_m,
        coverage=search.coverage.fraction,
        travel=search.travel,
        first_signal_s=None,
        buried_p50_m=buried,
    )
    assert made.depth_m == depth
    assert made.depth_basis.startswith(basis)


@pytest.mark.parametrize("azimuth", [0.0, 90.0, 205.0])
def test_without_zones_the_slope_is_that_of_the_ground_in_the_outline(azimuth):
    """A plane has its own slope everywhere; of two zones the likelier counts; nothing searched has no slope."""
    ground = plane(27.0, azimuth)
    west, south, east, north = ground.bounds
    x, y = 0.5 * (west + east), 0.5 * (south + north)
    outline = MultiPolygon([Point(x, y).buffer(40.0)])
    assert measure_search_slope_deg(outline, ground) == pytest.approx(27.0, abs=0.1)
    assert measure_search_slope_deg(outline, ground, [(0.2, 11.0), (0.5, 33.0), (0.3, 22.0)]) == 33.0
    assert measure_search_slope_deg(MultiPolygon(), ground) == 0.0


def test_covered_share_ends_where_the_plan_does(plan):
    """The share rises from nothing to the coverage of the plan; before the last step it is measured, and agrees."""
    shares = np.array(plan.rescue.covered)
    fraction = plan.search.coverage.fraction
    assert shares[0] == 0.0
    assert (np.diff(shares) >= 0).all()
    assert shares[-1] == pytest.approx(fraction, abs=1e-4)
    given = {"strip_width_m": plan.search.strip_width_m, "coverage": 1.0, "steps": 400, "travel": plan.search.travel}
    measured = measure_covered_shares(plan.search.legs, plan.debris.outline, plan.terrain.elevation, **given)
    assert measured[-2] == pytest.approx(fraction, abs=0.01)


def test_half_a_strip_to_each_side_is_covered(plan):
    """With strips half as wide the same walk leaves gaps: the share is that of the search's own measure, not capped."""
    width, ground = 0.5 * plan.search.strip_width_m, plan.terrain.elevation
    given = {"strip_width_m": width, "coverage": 1.0, "steps": 400, "travel": plan.search.travel}
    measured = measure_covered_shares(plan.search.legs, plan.debris.outline, ground, **given)[-2]
    lines = [leg.line for leg in plan.search.legs if leg.kind != "approach"]
    wanted = measure_coverage(plan.debris.outline, lines, ground, 0.5 * width).fraction
    assert wanted < 0.8
    assert measured == pytest.approx(wanted, abs=0.02)


def test_a_folder_of_an_older_version_opens_with_its_rescue(written, tmp_path):
    """Without the numbers of the rescue they are worked out from the rest, and agree with those of the plan."""
    folder = tmp_path / "older"
    shutil.copytree(written, folder)
    numbers = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    there = numbers.pop("rescue")
    (folder / "plan.json").write_text(json.dumps(numbers), encoding="utf-8")
    read = read_result(folder).numbers["rescue"]
    assert read["digging"] == there["digging"]
    assert read["probing"] == there["probing"]
    assert read["slope_deg"] == there["slope_deg"]
    assert read["covered"] == pytest.approx(there["covered"], abs=2e-3)
    for phase, other in zip(read["clock"]["phases"], there["clock"]["phases"], strict=True):
        for key in ("low", "typical", "high"):
            assert math.isclose(phase["time_s"][key], other["time_s"][key], abs_tol=0.2)


def test_a_search_without_lanes_has_no_clock(plan):
    """Nothing to walk: digging and probing are still said."""
    approaches = tuple(leg for leg in plan.search.legs if leg.kind == "approach")
    nothing = dataclasses.replace(plan.search, legs=approaches, lanes=())
    numbers = plan_numbers(dataclasses.replace(plan, search=nothing))
    assert numbers["rescue"]["clock"] is None
    assert read_clock(numbers) is None
    assert numbers["rescue"]["digging"]["length_m"] > 0.0
