"""The instructor's part of the day as commands: plan, targets, tracks, debrief."""

import json
import shutil

import geopandas
import gpxpy
import gpxpy.gpx
import numpy as np
import pytest
from pyproj import CRS
from shapely import box

from lastseen.output.read import read_planned
from practice.walks import corners_of, recorded
from processes import run_command

EAST, NORTH = 600_000.0, 5_100_000.0


def write_gpx(raw, path):
    from datetime import UTC, datetime  # noqa: PLC0415

    document = gpxpy.gpx.GPX()
    document.tracks.append(gpxpy.gpx.GPXTrack())
    points = [
        gpxpy.gpx.GPXTrackPoint(b, a, time=datetime.fromtimestamp(t, UTC))
        for a, b, t in zip(raw.lon_deg, raw.lat_deg, raw.time_s, strict=True)
    ]
    document.tracks[0].segments.append(gpxpy.gpx.GPXTrackSegment(points))
    path.write_text(document.to_xml(), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """A search over a drawn outline on flat ground, and a recorded walk of it."""
    folder = tmp_path_factory.mktemp("day")
    outline = folder / "area.gpkg"
    geopandas.GeoSeries([box(EAST, NORTH, EAST + 120, NORTH + 100)], crs=CRS("EPSG:32632")).to_file(outline)
    code, _, err = run_command("strips", outline, "-o", folder / "plan", "-q", drawn=False)
    assert code == 0, err
    plan = read_planned(folder / "plan")
    write_gpx(recorded(corners_of(plan, 1), crs=plan.crs), folder / "anna.gpx")
    return folder


def test_targets_and_debrief_of_a_drawn_search(day):
    code, out, err = run_command(
        "drill", "targets", day / "plan", "--count", 3, "--seed", 5, "-o", day / "targets", drawn=False
    )
    assert code == 0, err
    assert "3 transmitters" in out
    assert "Planning and training aid" in out
    assert "no probability of area" in " ".join(out.split())
    (day / "times.csv").write_text("searcher,target,phase,time\nanna,,A,0:20\nanna,T1,B,1:00\n", encoding="utf-8")
    code, out, err = run_command(
        "debrief", day / "plan", day / "anna.gpx", "--targets", day / "targets", "--log", day / "times.csv",
        "-o", day / "debrief", "--json", drawn=False,
    )  # fmt: skip
    assert code == 0, err
    numbers = json.loads(out)
    assert numbers["team"]["half"] == pytest.approx(numbers["planned_coverage"], abs=0.005)
    assert {one["target"] for one in numbers["searchers"][0]["signals"]} == {"T1", "T2", "T3"}
    assert (day / "debrief" / "team.pdf").is_file()


def test_the_json_of_targets_is_one_document(day):
    code, out, err = run_command(
        "drill", "targets", day / "plan", "--exercise", "novice", "-o", day / "novice", "--json", drawn=False
    )
    assert code == 0, err
    numbers = json.loads(out)
    assert numbers["exercise_name"] == "novice"
    assert [one["depth_m"] for one in numbers["targets"]] == [0.3]


def test_an_exercise_can_be_changed_and_says_so(day):
    code, out, err = run_command(
        "drill",
        "targets",
        day / "plan",
        "--exercise",
        "novice",
        "--depth",
        "0.5",
        "-o",
        day / "own",
        "--json",
        drawn=False,
    )
    assert code == 0, err
    numbers = json.loads(out)
    assert numbers["exercise_name"] == "novice, changed"
    assert "changed" in numbers["exercise"]["source"]
    assert numbers["targets"][0]["depth_m"] == 0.5


def test_exercises_are_listed_with_their_source():
    code, out, _ = run_command("drill", "exercises")
    assert code == 0
    assert "New Zealand Qualifications Authority" in " ".join(out.split())
    assert json.loads(run_command("drill", "exercises", "--json")[1])["novice"]["time_limit_min"] == 4.0


@pytest.mark.slow
def test_the_drill_of_a_plan_with_a_model(tmp_path):
    """The demo's bench: the ground lies in its folder; targets follow its probability of area."""
    code, _, err = run_command("demo", "bench", "-o", tmp_path / "plan", "-q")
    assert code == 0, err
    plan = read_planned(tmp_path / "plan")
    assert plan.poa is not None
    assert not plan.flat
    code, out, err = run_command("drill", "targets", tmp_path / "plan", "-o", tmp_path / "targets", "--json")
    assert code == 0, err
    assert len(json.loads(out)["targets"]) == 2
    track = write_gpx(recorded(corners_of(plan, 1, approach=True), crs=plan.crs, speed=0.8), tmp_path / "s1.gpx")
    code, out, err = run_command("debrief", tmp_path / "plan", track, "-o", tmp_path / "debrief")
    assert code == 0, err
    assert "tracks at their word" in out
    poa = np.nan_to_num(plan.poa.values).sum()
    assert 0.99 < poa < 1.01


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (["debrief", "{day}/nowhere", "{day}/anna.gpx"], 3, "holds no plan.json and no search.json"),
        (["debrief", "{day}/plan", "{day}/gone.gpx"], 3, "gone.gpx"),
        (["debrief", "{day}/plan", "{day}/empty.gpx"], 4, "empty: the file is empty"),
        (["debrief", "{day}/plan", "{day}/anna.gpx", "--gps-error", "-3"], 3, "GPS error of -3 m"),
        (["debrief", "{day}/plan", "{day}/anna.gpx", "--shift", "anna"], 3, "is no shift"),
        (["debrief", "{day}/plan", "{day}/anna.gpx", "--curve", "x"], 3, "no survival curve"),
        (["drill", "targets", "{day}/plan", "--count", "0"], 3, "targets"),
        (["drill", "targets", "{day}/plan", "--depth", "deep"], 3, "0.3,1.0"),
        (["drill", "targets", "{day}/plan", "--exercise", "x"], 3, "choose one of novice"),
        (["drill", "targets", "{day}/plan", "--count", "9", "--apart", "80"], 4, "has room for"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_written(day, tmp_path, words, code, text):
    (day / "empty.gpx").write_text("", encoding="utf-8")
    found, _, err = run_command(*(one.format(day=day) for one in words), "-o", tmp_path / "out")
    assert found == code
    assert text in err
    assert err.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_folder_without_its_ground_says_what_to_do(day, tmp_path):
    """The ground lies in the folder: nobody has to name an elevation model again."""
    copy = shutil.copytree(day / "plan", tmp_path / "plan")
    (copy / "ground.tif").unlink()
    code, _, err = run_command("debrief", copy, day / "anna.gpx", "-o", tmp_path / "out")
    assert code == 3
    assert "holds no ground.tif" in err
    assert "make the plan again" in err


def test_flat_ground_stays_flat(day):
    """A search without an elevation model shows no heights in its drill either."""
    assert read_planned(day / "plan").flat
