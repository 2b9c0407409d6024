import contextlib
import errno
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import geopandas
import pytest
from shapely.affinity import translate

from lastseen.core.errors import InputError, OutputExistsError, ResourceError
from lastseen.output.formats import gpkg
from lastseen.output.read import read_result
from lastseen.output.results.plan import result_of_plan
from lastseen.output.write import new_folder, refuse_existing, restore_leftovers, write_result
from processes import run_command

FILES = {
    "plan.json",
    "profile.png",
    "thickness.png",
    "plan.gpkg",
    "poa.tif",
    "arrival.tif",
    "burial.tif",
    "debris_probability.tif",
    "debris_thickness.tif",
    "peak_speed.tif",
    "lanes.gpx",
    "plan.kml",
    "map.png",
    "page.html",
    "sheet.pdf",
    "ground.tif",
}


def contents(folder):
    return {one.name: one.read_bytes() for one in folder.iterdir()}


def names_in(folder):
    return [one.name for one in folder.iterdir()]


def write_old(folder):
    folder.mkdir()
    (folder / "plan.json").write_text("old")


def test_all_files_are_written_and_named(written):
    told = json.loads((written.parents[1] / "told.json").read_text(encoding="utf-8"))
    assert {Path(one).name for one in told["files"]} == set(names_in(written)) == FILES
    assert all(Path(one).is_file() and Path(one).stat().st_size > 0 for one in told["files"])
    assert told["shares"] == sorted(told["shares"])
    assert told["shares"][-1] == 1.0
    assert names_in(written.parent) == ["plan"]


@pytest.mark.slow
def test_the_same_plan_gives_the_same_bytes(plan, written, tmp_path):
    write_result(result_of_plan(plan), tmp_path / "again")
    first, second = contents(written), contents(tmp_path / "again")
    assert first.keys() == second.keys()
    assert [name for name in first if first[name] != second[name]] == []


def test_nothing_names_this_machine(written):
    root = str(written.parent).encode()
    home = str(Path.home()).encode()
    for name, data in contents(written).items():
        assert root not in data, name
        assert len(home) < 3 or home not in data, name


def test_refuses_what_is_there(plan, tmp_path):
    write_old(tmp_path / "plan")
    with pytest.raises(OutputExistsError, match="--overwrite"):
        write_result(result_of_plan(plan), tmp_path / "plan")
    assert contents(tmp_path / "plan") == {"plan.json": b"old"}
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputExistsError, match="not a folder"):
        write_result(result_of_plan(plan), tmp_path / "file", overwrite=True)


@pytest.mark.slow
def test_overwrite_replaces_the_whole_folder(plan, tmp_path):
    write_old(tmp_path / "plan")
    (tmp_path / "plan" / "stale.txt").write_text("x")
    write_result(result_of_plan(plan), tmp_path / "plan", overwrite=True)
    assert set(contents(tmp_path / "plan")) == FILES
    assert names_in(tmp_path) == ["plan"]


def test_a_foreign_folder_is_never_deleted(plan, tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    (folder / "one.jpg").write_text("x")
    for overwrite in (False, True):
        with pytest.raises(OutputExistsError, match=r"plan\.json"):
            write_result(result_of_plan(plan), folder, overwrite=overwrite)
    assert contents(folder) == {"one.jpg": b"x"}


def test_an_empty_folder_is_filled(tmp_path):
    (tmp_path / "plan").mkdir()
    with new_folder(tmp_path / "plan") as partial:
        (partial / "plan.json").write_text("new")
    assert contents(tmp_path / "plan") == {"plan.json": b"new"}


@pytest.mark.parametrize(
    ("raised", "seen"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), ResourceError),
        (RuntimeError("write failed: No space left on device"), ResourceError),
        (PermissionError(errno.EACCES, "no"), InputError),
        (KeyboardInterrupt(), KeyboardInterrupt),
        (ZeroDivisionError(), ZeroDivisionError),
    ],
)
def test_a_failure_midway_leaves_the_old_plan_and_nothing_else(plan, tmp_path, monkeypatch, raised, seen):
    def fail(_result, folder, *_more):
        (folder / "plan.gpkg").write_text("half")
        raise raised

    monkeypatch.setattr(gpkg, "write", fail)
    write_old(tmp_path / "old")
    for name in ("old", "new"):
        with pytest.raises(seen):
            write_result(result_of_plan(plan), tmp_path / name, overwrite=True)
    assert names_in(tmp_path) == ["old"]
    assert contents(tmp_path / "old") == {"plan.json": b"old"}


def test_the_old_folder_comes_back_when_the_move_fails(tmp_path):
    write_old(tmp_path / "plan")
    with pytest.raises(FileNotFoundError), new_folder(tmp_path / "plan", overwrite=True) as partial:
        partial.rmdir()
    assert contents(tmp_path / "plan") == {"plan.json": b"old"}
    assert names_in(tmp_path) == ["plan"]


def dead_process():
    done = subprocess.Popen([sys.executable, "-c", ""])
    done.wait()
    return done.pid


def test_leftovers_of_dead_runs_are_cleared_and_those_of_live_ones_kept(tmp_path):
    dead, live = dead_process(), os.getppid()
    for name in (f".plan.partial-{dead}", f".plan.partial-{live}", f".other.partial-{dead}"):
        (tmp_path / name).mkdir()
    with new_folder(tmp_path / "plan") as partial:
        (partial / "plan.json").write_text("new")
    assert sorted(names_in(tmp_path)) == sorted([f".other.partial-{dead}", f".plan.partial-{live}", "plan"])


def test_an_old_plan_that_a_dead_run_had_moved_aside_comes_back(tmp_path):
    write_old(tmp_path / f".plan.old-{dead_process()}")
    with pytest.raises(OutputExistsError), new_folder(tmp_path / "plan"):
        pass
    assert contents(tmp_path / "plan") == {"plan.json": b"old"}


def test_refusal_before_any_work(tmp_path):
    refuse_existing(tmp_path / "nothing")
    write_old(tmp_path / "plan")
    refuse_existing(tmp_path / "plan", overwrite=True)
    with pytest.raises(OutputExistsError):
        refuse_existing(tmp_path / "plan")


WRITER = """
import os, shutil, sys
from dataclasses import replace
from pathlib import Path
import shapely
from lastseen.output import read_result, write_result
store, target = Path(sys.argv[1]), Path(sys.argv[2])

def copying(*names):  # pictures take long to draw, and what is tested is how files come together
    return lambda _result, folder, _options: [shutil.copy(store / name, folder) for name in names]

found = read_result(store)
x, y, right, top = shapely.total_bounds(found.shapes("route"))
small = found.ground.window(x - 20, y - 20, right + 20, top + 20)  # one small raster is enough, and quick
pictures = {"sheet": ("map.png", "sheet.pdf"), "page": ("page.html",)}
products = {name: replace(found.products[name], write=copying(*names)) for name, names in pictures.items()}
found = replace(found, rasters={"ground": replace(found.rasters["ground"], bands=(small,))}, products=products)
for _ in sys.stdin:  # one line, one process that writes until it is done or killed
    child = os.fork()
    if child == 0:
        write_result(found, target, overwrite=True)
        os._exit(0)
    print(child, flush=True)
    os.waitpid(child, 0)
    print("gone", flush=True)
"""


def write_in_a_process(writer, seconds):
    """Let a process write, and kill it after some seconds; returns how long it lived."""
    writer.stdin.write("write\n")
    writer.stdin.flush()
    process, begun = int(writer.stdout.readline()), time.perf_counter()
    if seconds is not None:
        time.sleep(seconds)
        with contextlib.suppress(ProcessLookupError):  # it was done
            os.kill(process, signal.SIGKILL)
    assert writer.stdout.readline() == "gone\n"
    return time.perf_counter() - begun


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="processes are forked and killed as POSIX does it")
def test_killed_fifty_times_the_old_plan_or_the_new_one_is_there(plan, written, tmp_path):
    """Fifty processes replace a plan and are killed at random moments: each time one whole plan is there, old or new.

    A run killed between the two moves leaves the old plan beside its place; whoever reads or writes there next brings
    it back.
    """
    target = tmp_path / "out" / "plan"
    moments, seen = random.Random(5), []
    command = [sys.executable, "-c", WRITER, written, target]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as writer:
        lasts = min(write_in_a_process(writer, None) for _ in range(3))
        new = contents(target)
        assert {"plan.json", "plan.gpkg", "plan.kml", "lanes.gpx", "ground.tif", "map.png"} <= new.keys() <= FILES
        old = {**new, "lanes.gpx": b"old"}
        for _ in range(50):
            (target / "lanes.gpx").write_bytes(b"old")
            write_in_a_process(writer, moments.uniform(0.0, 1.3 * lasts))
            restore_leftovers(target)
            found = contents(target)
            assert found in (old, new)
            seen.append(found == new)
        while not seen[-1]:  # at the latest a process that nobody kills brings the new one
            write_in_a_process(writer, None)
            seen.append(contents(target) == new)
        writer.stdin.close()
    assert sum(seen[:50]) < 50  # some were killed before the move
    write_result(result_of_plan(plan), target, overwrite=True)
    assert names_in(target.parent) == ["plan"]


KILLED_AT = """
import os, signal, sys
from pathlib import Path
from lastseen.output.read import read_result
from lastseen.output.write import new_folder, restore_leftovers
moves, rename = [], Path.rename

def killing(one, target):
    if len(moves) == int(sys.argv[2]):
        os.kill(os.getpid(), signal.SIGKILL)
    moves.append(target)
    return rename(one, target)

Path.rename = killing
with new_folder(Path(sys.argv[1]), overwrite=True) as partial:
    (partial / "plan.json").write_text("new")
"""


@pytest.mark.skipif(os.name != "posix", reason="a process kills itself as POSIX does it")
@pytest.mark.parametrize("moves", [pytest.param(0, marks=pytest.mark.slow), 1])
def test_killed_between_the_two_moves_the_old_plan_comes_back(tmp_path, moves):
    write_old(tmp_path / "plan")
    done = subprocess.run([sys.executable, "-c", KILLED_AT, tmp_path / "plan", str(moves)], check=False)
    assert done.returncode == -signal.SIGKILL
    assert (tmp_path / "plan").exists() == (moves == 0)
    with pytest.raises(InputError, match="no plan that can be read"):  # "old" is no JSON; but it was found
        read_result(tmp_path / "plan")
    assert contents(tmp_path / "plan") == {"plan.json": b"old"}


def test_a_folder_held_against_observed_outlines(written, plan, tmp_path):
    """An invented event: the plan's own outline in another CRS matches; the same 30 m to the east does not."""
    outline, crs = plan.debris.outline, plan.terrain.elevation.crs
    geopandas.GeoSeries([outline], crs=crs).to_crs(4326).to_file(tmp_path / "same.geojson")
    geopandas.GeoSeries([translate(outline, 30.0)], crs=crs).to_file(tmp_path / "moved.gpkg")
    code, out, err = run_command("compare", written, "--observed", tmp_path / "same.geojson", "--json")
    assert code == 0, err
    same = json.loads(out)
    assert same["overlap"] > 0.99
    assert abs(same["runout_misfit_m"]) < 0.1
    code, out, _ = run_command("compare", written, "--observed", tmp_path / "moved.gpkg")
    assert code == 0
    common = outline.intersection(translate(outline, 30.0)).area / outline.union(translate(outline, 30.0)).area
    assert f"Overlap     {100 * common:.0f} % of the joint area" in out
