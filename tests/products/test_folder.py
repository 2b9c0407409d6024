import errno
import os
import pickle
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lastseen.errors import InputError, OutputExistsError, ResourceError
from lastseen.products import geopackage, refuse_existing, write_plan
from lastseen.products.folder import new_folder

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
    "map.png",
    "page.html",
    "ground.tif",
}


def contents(folder):
    return {one.name: one.read_bytes() for one in folder.iterdir()}


def names_in(folder):
    return [one.name for one in folder.iterdir()]


def write_old(folder):
    folder.mkdir()
    (folder / "plan.json").write_text("old")


def test_all_files_are_written_and_named(plan, tmp_path):
    shares = []
    paths = write_plan(plan, tmp_path / "deep" / "plan", progress=lambda _stage, share: shares.append(share))
    assert {one.name for one in paths} == FILES
    assert all(one.is_file() and one.stat().st_size > 0 for one in paths)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert names_in(tmp_path / "deep") == ["plan"]


def test_the_same_plan_gives_the_same_bytes(plan, written, tmp_path):
    write_plan(plan, tmp_path / "again")
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
        write_plan(plan, tmp_path / "plan")
    assert contents(tmp_path / "plan") == {"plan.json": b"old"}
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputExistsError, match="not a folder"):
        write_plan(plan, tmp_path / "file", overwrite=True)


def test_overwrite_replaces_the_whole_folder(plan, tmp_path):
    write_old(tmp_path / "plan")
    (tmp_path / "plan" / "stale.txt").write_text("x")
    write_plan(plan, tmp_path / "plan", overwrite=True)
    assert set(contents(tmp_path / "plan")) == FILES
    assert names_in(tmp_path) == ["plan"]


def test_a_foreign_folder_is_never_deleted(plan, tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    (folder / "one.jpg").write_text("x")
    for overwrite in (False, True):
        with pytest.raises(OutputExistsError, match=r"plan\.json"):
            write_plan(plan, folder, overwrite=overwrite)
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
    def fail(_plan, path):
        path.write_text("half")
        raise raised

    monkeypatch.setattr(geopackage, "write_geopackage", fail)
    write_old(tmp_path / "old")
    for name in ("old", "new"):
        with pytest.raises(seen):
            write_plan(plan, tmp_path / name, overwrite=True)
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
import pickle, sys
from pathlib import Path
plan = pickle.loads(Path(sys.argv[1]).read_bytes())
from lastseen.products import write_plan
print("ready", flush=True)
write_plan(plan, Path(sys.argv[2]))
"""


def test_a_killed_process_leaves_nothing_or_the_whole_plan(plan, tmp_path):
    saved = tmp_path / "plan.pickle"
    saved.write_bytes(pickle.dumps(plan))
    target = tmp_path / "out" / "plan"
    moments = random.Random(5)
    for _ in range(5):
        process = subprocess.Popen([sys.executable, "-c", WRITER, saved, target], stdout=subprocess.PIPE)
        assert process.stdout.readline() == b"ready\n"
        time.sleep(moments.uniform(0.0, 2.5))
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        if target.exists():
            assert set(contents(target)) == FILES
            for one in target.iterdir():
                one.unlink()
            target.rmdir()
    write_plan(plan, target)
    assert names_in(target.parent) == ["plan"]
