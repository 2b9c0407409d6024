"""The campaign of faults in the test runs, false alarms on clean ground, and places that go in and out by one way."""

import math
import random

import numpy as np
import pytest
from pyproj import CRS
from pyproj.database import query_crs_info
from pyproj.enums import PJType

from faults import campaign, clean, inputs, rasters
from lastseen.core.errors import InputError
from lastseen.core.machine import shared_folder
from lastseen.core.place import GEOD, LonLat, notation_radius_m, parse_point, to_lonlat, to_map
from lastseen.terrain.elevation import open_elevation
from lastseen.terrain.elevation_report import inspect_ground
from terrain.grounds import report_on

MOST_FALSE_ALARMS = 2  # among thirty clean terrains


def test_clean_terrain_is_not_doubted():
    """Of thirty clean made terrains none is refused and at most two are doubted; the share is printed."""
    reports = {name: report_on(ground) for name, ground in clean.terrains()}
    doubted = [name for name, report in reports.items() if report.findings]
    print(f"false alarms: {len(doubted)} of {len(reports)} made terrains")
    assert len(reports) == 30
    assert [name for name, report in reports.items() if report.refused] == []
    assert len(doubted) <= MOST_FALSE_ALARMS, doubted


def test_demo_and_real_models_are_not_refused(real_terrain):
    """The invented mountain has no finding; real models have none that refuses."""
    demo = inspect_ground(open_elevation([shared_folder("demo") / "ysterra.tif"]))
    assert demo.findings == ()
    for name, path in real_terrain.items():
        report = inspect_ground(open_elevation([path]))
        print(f"{name}: {[finding.kind for finding in report.findings]}")
        assert report.refused == (), name
        assert len(report.findings) <= 1, name


@pytest.mark.parametrize("fault", rasters.FAULTS, ids=lambda fault: fault.name)
def test_spoiled_models_are_found(fault, tmp_path):
    """The report names each fault, and refuses those that make a wrong plan."""
    report = inspect_ground(open_elevation(fault.make(tmp_path)))
    kinds = {finding.kind for finding in report.findings}
    if fault.must in ("same", "near", "clean"):
        assert kinds == set()
        return
    assert kinds & set(fault.kinds), kinds
    assert bool(report.refused) or fault.must == "told"
    assert all(len(note) > 40 for note in report.notes)


@pytest.mark.parametrize("family", ["places", "datums", "settings", "drawn", "recordings"])
def test_crafted_inputs_end_as_they_must(family, tmp_path):
    """A refusal in one sentence, a note that names the fault, or the clean result."""
    campaign.clean_model(tmp_path)
    wrong = []
    for case in getattr(inputs, family)():
        kind, text = inputs.judge(case, tmp_path)
        if kind == "wrong":
            wrong.append(f"{case.name}: {text}")
    assert wrong == []


@pytest.mark.slow
def test_nothing_is_wrong_without_a_word():
    """The whole campaign, with commands on failing machines."""
    rows = list(campaign.campaign(quick=False))
    assert len(rows) >= 120
    assert [f"{family}: {name}: {text}" for family, name, kind, text in rows if kind == "wrong"] == []


def test_seams_are_found_where_they_lie(tmp_path):
    """The step is as high as it was made, and its places lie on the seam."""
    fault = next(fault for fault in rasters.FAULTS if fault.name == "tile +15 m")
    report = inspect_ground(open_elevation(fault.make(tmp_path)))
    step = next(finding for finding in report.findings if finding.kind == "step")
    assert abs(step.size_m) == pytest.approx(15.0, abs=0.1)
    assert all(abs(x - 561_200.0) <= 2.0 for x, _ in step.places_m)


def test_findings_are_told_first_and_can_be_accepted(tmp_path):
    """Refused heights are worked on when somebody accepts them, and the notes then begin with the finding."""
    fault = next(fault for fault in rasters.FAULTS if fault.name == "25 zeros")
    files = fault.make(tmp_path)
    with pytest.raises(InputError, match="--accept-doubtful-heights"):
        campaign.JOBS["plan"](files, tmp_path)
    point = LonLat(4.340220, 65.822391)
    plan = campaign.make_plan(
        campaign.Scenario(
            elevation=tuple(files), last_seen=campaign.LastSeen(at=f"{point.lon_deg},{point.lat_deg}"),
            snow=campaign.Snow(size=2, model="body", members=4, bodies=200), accept_doubtful_heights=True,
        )
    )  # fmt: skip
    assert "far below all neighbours" in plan.notes[0]


@pytest.mark.parametrize("count", [30, pytest.param(500, marks=pytest.mark.slow)])
def test_places_go_in_and_out_by_one_way(count):
    """In many projected CRS with an area of use a place comes back within 0.01 m at its middle (EPSG data set)."""
    known = [info for info in query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS) if info.area_of_use]
    tried, far = 0, []
    for info in random.Random(1).sample(known, count):
        area = info.area_of_use
        east = area.east if area.east >= area.west else area.east + 360.0
        lon = (0.5 * (area.west + east) + 180.0) % 360.0 - 180.0
        point, crs = LonLat(lon, 0.5 * (area.south + area.north)), CRS.from_epsg(int(info.code))
        try:
            x, y = to_map(point, crs)
        except InputError:
            continue
        if not math.isfinite(x):
            continue
        back = to_lonlat(x, y, crs)
        tried += 1
        off = GEOD.inv(point.lon_deg, point.lat_deg, back.lon_deg, back.lat_deg)[2]
        # PROJ's series for Cassini-Soldner come back to 13 mm only; that is the projection, not the datum.
        least = 0.02 if crs.coordinate_operation.method_name == "Cassini-Soldner" else 0.01
        far += [f"{info.code}: {off:.3f} m"] if not off <= least else []
    assert tried >= 0.8 * count
    assert far == []


def test_coarse_notation_means_its_middle():
    """A square of 1 km is taken as its middle; half its diagonal and half the last digit are what it can mean."""
    coarse, exact = parse_point("32TPS3080"), parse_point("32TPS 30500 80500")
    assert GEOD.inv(coarse.lon_deg, coarse.lat_deg, exact.lon_deg, exact.lat_deg)[2] < 0.5
    assert notation_radius_m("32TPS3080") == pytest.approx(1000.0 / math.sqrt(2.0))
    assert notation_radius_m("32TPS 30000 80000") == 0.0
    # Three decimals: half a thousandth of a degree is 56 m north and 38 m east at 46.76 N.
    half_north, half_east = (
        GEOD.inv(10.701, 46.76, 10.701, 46.7605)[2], GEOD.inv(10.701, 46.76, 10.7015, 46.76)[2],
    )  # fmt: skip
    assert notation_radius_m("10.701,46.760") == pytest.approx(math.hypot(half_north, half_east), rel=0.01)
    assert notation_radius_m("32T 630000 5180000") == 0.0
    assert np.isclose(notation_radius_m("46°45'36\"N 10°42'00\"E"), 18.8, atol=0.2)
