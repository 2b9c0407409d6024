"""The command line as a user meets it: in a process of its own, by its streams and exit codes."""

import dataclasses
import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import rasterio
from geopandas import GeoDataFrame
from shapely import Point
from typer.testing import CliRunner

import hills
from lastseen.cli import app
from lastseen.jobs import terrain_view
from lastseen.jobs.check import rows
from lastseen.output.results.ground import result_of_terrain
from lastseen.output.write import write_result
from lastseen.terrain.elevation import open_elevation
from processes import run_command, start_command

CODES = {"ok": 0, "usage": 2, "input": 3, "nothing": 4, "exists": 5, "interrupted": 130}


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with a hill, and a quick scenario on it."""
    folder = tmp_path_factory.mktemp("Ötztal ü")
    hills.write(folder / "hill.tif", hills.hill())
    (folder / "quick.toml").write_text(
        'name = "Hill (invented)"\nelevation = ["hill.tif"]\n'
        f'[last_seen]\nat = "{hills.WEST_M + 432},{hills.NORTH_M - 221}"\ncrs = "EPSG:32632"\n'
        "[snow]\nmembers = 10\nbodies = 200\n",
        encoding="utf-8",
    )
    return folder


@pytest.fixture(scope="module")
def made(place):
    """The quick plan, made once: its folder and what the command printed."""
    code, out, err = run_command("plan", "--scenario", place / "quick.toml", "-o", place / "plan", "--json")
    assert code == CODES["ok"], err
    return place / "plan", out, err


def test_help_lists_the_commands_and_exit_codes():
    """--help names every command and the exit codes, and needs no heavy import."""
    code, out, _ = start_command("--help")
    assert code == CODES["ok"]
    for word in ("plan", "terrain", "demo", "check", "doctor", "130"):
        assert word in out


def test_json_is_one_document_on_standard_output(made):
    """With --json, standard output is exactly one document with the figures a script needs."""
    folder, out, _ = made
    told = json.loads(out)
    assert told == json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    assert told["schema_version"] == 1
    assert told["coverage"]["fraction"] >= 0.99
    assert told["coverage"]["strip_width_m"] == 40.0
    assert told["debris"]["area_m2"] > 0
    assert 0 < told["poa"]["inside_debris"] <= 1
    assert told["runout"]["travel_angle_deg"]["p10"] <= told["runout"]["travel_angle_deg"]["p90"]
    assert all(leg["length_m"] > 0 and leg["time_s"] > 0 for leg in told["route"])
    assert len(told["inputs"][0]["sha256"]) == 64
    assert isinstance(told["traps"], list)


def test_everything_promised_is_in_the_folder(made):
    """The folder holds every product that README names, and nothing half written lies beside it."""
    folder, _, _ = made
    names = {path.name for path in folder.iterdir()}
    wanted = {"plan.gpkg", "poa.tif", "debris_probability.tif", "peak_speed.tif", "lanes.gpx", "plan.json", "map.png"}
    assert wanted <= names
    assert not [one for one in folder.parent.iterdir() if one.name.startswith(".")]


@pytest.fixture(scope="module")
def again(place):
    """The quick plan once more, in one thread and without --json."""
    env = os.environ | {"LASTSEEN_THREADS": "1"}
    code, out, err = start_command("plan", "--scenario", place / "quick.toml", "-o", place / "again", env=env)
    assert code == CODES["ok"], err
    return place / "again", out, err


@pytest.mark.slow
def test_summary_is_for_people(again):
    """Without --json the summary tells point, release, search and caution, and where it was written."""
    folder, out, err = again
    for word in ("Hill (invented)", "Last seen", "Release", "Run-out", "Debris", "Search", "aid", str(folder)):
        assert word in out
    assert "32T" in err  # the point echoed before anything is computed


@pytest.mark.slow
def test_second_run_is_refused_and_overwrite_replaces(made, place):
    """An existing plan is refused with code 5, and replaced when asked."""
    folder, _, _ = made
    words = ("plan", "--scenario", place / "quick.toml", "-o", folder, "-q")
    code, out, err = run_command(*words)
    assert (code, out) == (CODES["exists"], "")
    assert "--overwrite" in err
    before = (folder / "plan.json").read_bytes()
    assert run_command(*words, "--overwrite")[0] == CODES["ok"]
    assert (folder / "plan.json").read_bytes() == before


START, START_OFF = (f"{hills.WEST_M + x},{hills.NORTH_M - 600}" for x in (400, -40))
BAD = {
    "no elevation": (("plan", "--at", "10,46"), "input", "no elevation model"),
    "no such file": (("plan", "nowhere.tif", "--at", "10,46"), "input", "does not exist"),
    "no point": (("plan", "hill.tif"), "input", "no last-seen point"),
    "unreadable point": (("plan", "hill.tif", "--at", "here"), "input", "cannot be read"),
    "outside": (("plan", "hill.tif", "--at", "10,46"), "input", "nearest edge is"),
    "unknown option": (("plan", "hill.tif", "--velocity", "3"), "usage", "--velocity"),
    "unknown command": (("fly",), "usage", "fly"),
    "strip width": (("plan", "--scenario", "body.toml", "--strip-width", "0"), "input", "strip width"),
    "unknown key": (("plan", "--scenario", "typo.toml"), "input", "did you mean 'searchers'"),
    "no scenario": (("plan", "--scenario", "none.toml"), "input", "does not exist"),
    "flat": (("plan", "flat.tif", "--at", f"{hills.WEST_M + 400},{hills.NORTH_M - 400}", "--crs", "32632"), "input",
             "nothing steep enough above"),
    "coarse": (("plan", "coarse.tif", "--at", f"{hills.WEST_M + 400},{hills.NORTH_M - 400}", "--crs", "32632"), "input",
               "30 m is the coarsest"),
    "no crs": (("plan", "bare.tif", "--at", "10,46"), "input", "has no CRS"),
    "nothing found": (("plan", "--scenario", "rare.toml"), "nothing", "outline_probability"),
    "unknown travel": (("plan", "--scenario", "body.toml", "--travel", "sledge"), "input", "'snowshoe' or 'foot'"),
    "negative speed": (("plan", "--scenario", "body.toml", "--speed", "down=-1"), "input", "search.down_m_s = -1.0"),
    "no speed": (("plan", "--scenario", "body.toml", "--speed", "fast"), "input", "write it like down=2.5"),
    "negative approach": (("plan", "--scenario", "body.toml", "--approach-min", "-1"), "input", "approach_min = -1.0"),
    "too many searchers": (("plan", "--scenario", "body.toml", "--searchers", "31"), "input", "give 1 to 30"),
    "unreadable date": (("plan", "--scenario", "body.toml", "--date", "tomorrow"), "input", "write it like 2027-01-31"),
    "start off the model": (("plan", "--scenario", "body.toml", "--start", START_OFF), "input", "the start at"),
    "start on no-go": (("plan", "--scenario", "body.toml", "--start", START, "--no-go", "lake.gpkg"), "input",
                       "lies on no-go ground: choose another start"),
    "unknown demo": (("demo", "moon"), "input", "bench, bowl"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_input_gets_one_sentence_and_its_code(name, place):
    """One clear sentence on standard error, the documented code, and no folder left behind."""
    words, code, text = BAD[name]
    quick = (place / "quick.toml").read_text(encoding="utf-8")
    (place / "typo.toml").write_text(quick + "[search]\nsearcher = 2\n", encoding="utf-8")
    body = quick.replace("[snow]", '[snow]\nmodel = "body"')
    (place / "body.toml").write_text(body, encoding="utf-8")
    (place / "rare.toml").write_text(body + "[search]\noutline_probability = 0.9999\n", encoding="utf-8")
    hills.write(place / "flat.tif", np.full((200, 200), 1000.0))
    hills.write(place / "coarse.tif", hills.hill()[::8, ::8], cell_m=40.0)
    hills.write(place / "bare.tif", hills.hill(), crs=None)
    lake = Point(hills.WEST_M + 400, hills.NORTH_M - 600).buffer(60.0)
    GeoDataFrame(geometry=[lake], crs="EPSG:32632").to_file(place / "lake.gpkg")
    before = {path.name for path in place.iterdir()}
    got, out, err = run_command(*words, "-o", "bad", cwd=place) if words[0] in ("plan", "demo") else run_command(*words)
    assert (got, out) == (CODES[code], ""), err
    assert text in err
    assert "Traceback" not in err
    lines = [line for line in err.strip().splitlines() if not line.startswith("Last-seen point:")]
    assert len(lines) == 1
    assert {path.name for path in place.iterdir()} == before


def test_interrupting_leaves_nothing(place):
    """Control-C ends with code 130 and leaves no folder."""
    command = [sys.executable, "-c", "from lastseen.cli import main; main()", "plan", "--scenario"]
    command += [str(place / "quick.toml"), "-o", str(place / "stopped")]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        process.stderr.readline()  # the point has been echoed: work begins
        time.sleep(0.3)
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == CODES["interrupted"]
    assert not (place / "stopped").exists()
    assert not [one for one in place.iterdir() if one.name.startswith(".stopped")]


INTERRUPTED_WHILE_LOADING = """
import shutil, signal, sys, time
from numba.core import codegen
load, calls = codegen.CPUCodeLibrary.__dict__["_object_getbuffer_hook"].__func__, []
def interrupted(cls, module):
    calls.append(module)
    if len(calls) == {call}:
        signal.raise_signal(signal.SIGINT)
    return load(cls, module)
codegen.CPUCodeLibrary._object_getbuffer_hook = classmethod(interrupted)
remove = shutil.rmtree
def slowly(*given, **named):
    time.sleep({pause})
    return remove(*given, **named)
shutil.rmtree = slowly
class Terminal:
    def __init__(self, under):
        self.under = under
    def write(self, text):
        time.sleep({pause})
        if {pressed_again} and "interrupted" in text:
            signal.raise_signal(signal.SIGINT)
        return self.under.write(text)
    def __getattr__(self, name):
        return getattr(self.under, name)
sys.stderr = Terminal(sys.stderr)
from lastseen.cli import main
main()
"""


@pytest.mark.parametrize(
    ("call", "pause", "pressed_again"),
    [
        (5, 0, False),
        pytest.param(8, 0, True, marks=pytest.mark.slow),
        *(pytest.param(*case, marks=pytest.mark.slow) for case in ((1, 0, False), (8, 0, False), (5, 0.2, False))),
        pytest.param(8, 0.2, False, marks=pytest.mark.slow),
    ],
)
def test_interrupting_while_kernels_are_loaded(place, call, pause, pressed_again):
    """Control-C in the middle of loading native code: an exception there would be lost, and the process would crash.

    Nor does the one that waits, or a second one, break into the cleaning up and the last words, slow as they may be.
    """
    script = INTERRUPTED_WHILE_LOADING.format(call=call, pause=pause, pressed_again=pressed_again)
    asked = ["plan", "--scenario", str(place / "quick.toml"), "-o", str(place / "halfway")]
    done = subprocess.run([sys.executable, "-c", script, *asked], capture_output=True, text=True, check=False)
    assert done.returncode == CODES["interrupted"], done.stderr
    assert done.stderr.splitlines()[-1] == "lastseen: interrupted: nothing was written"
    assert not [one for one in place.iterdir() if "halfway" in one.name]


INTERRUPTED_WHILE_A_KERNEL_RUNS = """
import signal, sys, threading, time
waits = threading.get_ident()
def press():
    while True:
        frame = sys._current_frames()[waits]
        if frame.f_code.co_name == "slide_samples":  # in it, not below: native code runs without the lock
            time.sleep(0.002)
            if sys._current_frames()[waits] is frame:
                signal.raise_signal(signal.SIGINT)
                return
        time.sleep(0.0003)
threading.Thread(target=press, daemon=True).start()
from lastseen.cli import main
main()
"""


def test_interrupting_while_a_kernel_runs(made, place):
    """What a kernel gives back is made with Python: an exception there would crash the process."""
    asked = ["plan", "--scenario", str(place / "quick.toml"), "-o", str(place / "midway")]
    done = subprocess.run(
        [sys.executable, "-c", INTERRUPTED_WHILE_A_KERNEL_RUNS, *asked], capture_output=True, text=True, check=False
    )
    assert done.returncode == CODES["interrupted"], done.stderr
    assert done.stderr.splitlines()[-1] == "lastseen: interrupted: nothing was written"
    assert not [one for one in place.iterdir() if "midway" in one.name]


def test_terrain_writes_ground_layers(place):
    """lastseen terrain writes slope and its fellows as rasters on the lattice of the model."""
    code, out, err = run_command("terrain", place / "hill.tif", "-o", place / "ground")
    assert code == CODES["ok"], err
    with rasterio.open(place / "ground" / "slope_deg.tif") as data:
        assert data.units == ("degree",)
        assert data.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        values = data.read(1, masked=True)
        assert (data.width, data.height) == (180, 220)
    assert 30.0 < values.max() < 60.0
    assert values.mask[0].all()
    assert "slope_deg.tif" in out
    assert run_command("terrain", place / "hill.tif", "-o", place / "ground")[0] == CODES["exists"]


@pytest.mark.slow
def test_terrain_in_bands_equals_the_whole(place, monkeypatch, tmp_path):
    """Worked in bands of 16 rows, every layer is the same bit for bit."""
    monkeypatch.setattr(terrain_view, "BAND_CELLS", 1)
    view = terrain_view.view_terrain(open_elevation([place / "hill.tif"]))
    assert len(view.rows) > 5
    write_result(result_of_terrain(view), tmp_path / "g")
    assert run_command("terrain", place / "hill.tif", "-o", tmp_path / "whole", "-q")[0] == CODES["ok"]
    for layer in view.layers:
        with (
            rasterio.open(tmp_path / "g" / f"{layer.name}.tif") as a,
            rasterio.open(tmp_path / "whole" / f"{layer.name}.tif") as b,
        ):
            np.testing.assert_array_equal(a.read(), b.read())


def test_doctor_names_the_libraries():
    code, out, _ = start_command("doctor", "--json")
    assert code == CODES["ok"]
    assert json.loads(out)["numba"]


@pytest.fixture
def check_twenty_rows(monkeypatch):
    """The command check over twenty rows, in this process; tests of the jobs look at all of them, one by one."""

    def check(*words, wrong_by=0.0):
        quick = ("horn_", "zt_", "strip_pattern_length")
        few = [row for row in rows.reference_rows() if row.quantity.startswith(quick)][:20]
        few[0] = dataclasses.replace(few[0], expected=few[0].expected + wrong_by)
        monkeypatch.setattr(rows, "reference_rows", lambda folder=None: iter(few))
        return CliRunner().invoke(app, ["check", *words])

    return check


def test_check_tells_every_row_as_a_record(check_twenty_rows):
    done = check_twenty_rows("--json")
    records = json.loads(done.stdout)
    assert done.exit_code == CODES["ok"]
    assert len(records) == 20
    assert set(records[0]) >= {"id", "quantity", "got", "expected", "tolerance", "source", "confidence", "ok"}
    assert all(isinstance(record["got"], float) and record["ok"] is True for record in records)


def test_a_failed_check_ends_with_one(check_twenty_rows):
    """A reference value that no longer agrees makes the command fail and is marked."""
    done = check_twenty_rows(wrong_by=1e6)
    assert done.exit_code == 1, done.stderr
    assert done.stdout.count("FAILED") == 1
    assert "19 of 20 reference values agree" in done.stdout


@pytest.mark.slow
def test_threads_do_not_change_a_byte_of_the_folder(made, again):
    """One thread or many: every file of the plan is the same."""
    for path in sorted(made[0].iterdir()):
        assert path.read_bytes() == (again[0] / path.name).read_bytes(), path.name
