"""A range of mountains: other tiles, other workers, killed runs and full disks give the same bytes or a clear word."""

import errno
import hashlib
import importlib.util
import math
import os
import random
import re
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pytest
import rasterio
from shapely import MultiPolygon, box
from typer.testing import CliRunner

from hills import write
from lastseen import cli
from lastseen.core.errors import InputError, OutputExistsError, ResourceError
from lastseen.core.scenario import Scenario, Snow
from lastseen.jobs.reading.area import area_rasters, make_request, memory_of_worker_gb, view_area
from lastseen.jobs.reading.block_reading import START_QUANTITIES, read_area
from lastseen.jobs.reading.block_run import FIRST_REACH_M
from lastseen.jobs.reading.ground import heights_of_grid, heights_of_model
from lastseen.jobs.reading.line_exposure import FARTHEST_M
from lastseen.jobs.reading.tiles import list_tiles, open_kept_tiles, pack, prepared_for, read_tile, unpack
from lastseen.output.result import MARKERS
from lastseen.output.results.ground import result_of_area
from lastseen.output.write import refuse_existing, write_result
from lastseen.terrain.elevation import open_elevation, read_window
from processes import undrawn
from reading import grounds

QUICK = {"members": 4, "spacing_m": 30.0}
needs_workers = pytest.mark.skipif(importlib.util.find_spec("distributed") is None, reason="no distributed installed")


def scenario(path):
    return Scenario(elevation=(path,), name="A face")


def digests(folder):
    return {one.name: hashlib.sha256(one.read_bytes()).hexdigest() for one in sorted(folder.iterdir())}


@pytest.fixture(scope="module")
def whole(face_file, tmp_path_factory):
    """The area in one tile."""
    folder = tmp_path_factory.mktemp("whole") / "out"
    write_result(result_of_area(view_area(scenario(face_file), folder, tile_km=50.0, **QUICK)), folder)
    return folder


def test_the_lattice_counts_the_same_cells(face_file):
    """A grid and its files count cells alike."""
    elevation = open_elevation((face_file,))
    of_files, of_grid = heights_of_model(elevation), heights_of_grid(read_window(elevation, elevation.bounds_m))
    assert of_files.extent == of_grid.extent
    assert of_files.offset == pytest.approx(of_grid.offset, abs=1e-9)
    assert of_files.corner_m(of_files.extent) == pytest.approx((elevation.bounds_m[0], elevation.bounds_m[3]))


def test_tiles_equal_the_area_in_memory(face_file, whole):
    """The rasters that are written are the arrays of the reading in one piece, to the last bit of float32."""
    elevation = open_elevation((face_file,))
    area = read_area(read_window(elevation, elevation.bounds_m), **QUICK)
    with rasterio.open(whole / "reached.tif") as file:
        np.testing.assert_array_equal(
            file.read(1), (np.bitwise_count(area.totals.mask) / area.draws.count).astype(np.float32)
        )
    with rasterio.open(whole / "peak_speed.tif") as file:
        np.testing.assert_array_equal(file.read(1), area.totals.fastest)
    with rasterio.open(whole / "zone_count.tif") as file:
        np.testing.assert_array_equal(file.read(1), area.totals.zones.astype(np.float32))
    with rasterio.open(whole / "from_start.tif") as file:
        wanted = area.start_values[START_QUANTITIES.index("drop_m")]
        np.testing.assert_array_equal(file.read(2), np.where(np.isnan(wanted), np.float32(-9999.0), wanted))
    assert area.totals.mask.any()


def test_other_tiles_give_the_same_bytes(face_file, whole, tmp_path):
    view = view_area(scenario(face_file), tmp_path / "out", tile_km=2.0, **QUICK)
    assert len(view.squares) > 2
    write_result(result_of_area(view), tmp_path / "out")
    view.kept.remove()
    assert digests(tmp_path / "out") == digests(whole)
    assert list(tmp_path.glob(".out.*")) == []


@needs_workers
@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("workers", [1, 2])
def test_workers_give_the_same_bytes(face_file, whole, tmp_path, workers):
    view = view_area(scenario(face_file), tmp_path / "out", tile_km=2.0, workers=workers, **QUICK)
    write_result(result_of_area(view), tmp_path / "out")
    view.kept.remove()
    assert digests(tmp_path / "out") == digests(whole)


class Killer(threading.Thread):
    """Kills one of the workers that are at work, after a random time, again and again."""

    def __init__(self, most, seed):
        super().__init__(daemon=True)
        self.most, self.rng, self.killed, self.over = most, random.Random(seed), [], threading.Event()

    def run(self):
        from distributed import LocalCluster  # noqa: PLC0415  an extra

        while len(self.killed) < self.most and not self.over.wait(self.rng.uniform(0.0, 0.4)):
            for cluster in tuple(LocalCluster._instances):
                # One that is still coming up has no tile to lose.
                known = set(cluster.scheduler.workers)
                at_work = [one.pid for one in cluster.workers.values() if one.worker_address in known and one.pid]
                at_work = [pid for pid in at_work if pid not in self.killed]
                if at_work:
                    self.killed.append(self.rng.choice(at_work))
                    os.kill(self.killed[-1], signal.SIGKILL)


@needs_workers
@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_workers_killed_twenty_times_give_the_same_bytes(tmp_path):
    """A worker is killed 20 times at random moments; its tile is done again by another, and nothing else shows."""
    import dask  # noqa: PLC0415  an extra
    from distributed.utils import get_mp_context  # noqa: PLC0415

    ground = grounds.rough_face(ny=330, nx=270, cell_m=30.0)  # tiles of 64 cells, the smallest ones
    path = write(tmp_path / "face.tif", ground.values, ground.west_m, ground.north_m, ground.cell_m)
    asked = replace(scenario(path), accept_doubtful_heights=True)  # a rough face of straight bands
    alone = view_area(asked, tmp_path / "alone", tile_km=2.0, **QUICK)
    assert len(alone.squares) > 25
    wanted, kills, runs = digests(alone.kept.folder), 0, 0
    # New workers are forked from one that has loaded all: kills, not imports, take the time.
    with dask.config.set({"distributed.worker.multiprocessing-method": "forkserver"}):
        get_mp_context().set_forkserver_preload(["distributed", "lastseen.jobs.reading.area"])
        while kills < 20:
            killer = Killer(20 - kills, seed=runs)
            killer.start()
            view = view_area(asked, tmp_path / f"out{runs}", tile_km=2.0, workers=2, **QUICK)
            killer.over.set()
            killer.join()
            kills, runs = kills + len(killer.killed), runs + 1
            assert digests(view.kept.folder) == wanted
            assert runs <= 10
    print(f"{kills} workers killed in {runs} runs")


@pytest.mark.slow
def test_a_killed_run_goes_on_where_it_was(face_file, whole, tmp_path):
    """The whole process is killed after its first tile; the next run keeps that tile and gives the same bytes."""
    output = tmp_path / "out"
    command = [
        sys.executable, "-c", "from lastseen.cli import main; main()", "preread", str(face_file), "--area", "all",
        "--members", "4", "--starts", "30", "--tiles", "2", "--name", "A face", "-q", "-o", str(output),
    ]  # fmt: skip
    run = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 120.0
    while time.monotonic() < deadline and not list(tmp_path.glob(".out.tiles-*/*.npz")) and run.poll() is None:
        time.sleep(0.02)
    run.kill()
    run.wait()
    (kept,) = tmp_path.glob(".out.tiles-*")
    first = {one.name: one.stat().st_mtime_ns for one in kept.glob("*.npz")}
    assert first
    assert not output.exists()
    (kept / "tile_0_0.part-1").write_bytes(b"half a tile")
    view = view_area(scenario(face_file), output, tile_km=2.0, **QUICK)
    assert {name: (kept / name).stat().st_mtime_ns for name in first} == first
    write_result(result_of_area(view), output)
    view.kept.remove()
    assert digests(output) == digests(whole)


def test_other_settings_never_mix(face_file, tmp_path):
    """Seed, size, members, spacing, tiles and the file itself all change the folder that tiles are kept in."""
    heights = heights_of_model(open_elevation((face_file,)))
    base = scenario(face_file)

    def place(given, **changed):
        options = {"members": 4, "spacing_m": 30.0, "tile_km": 2.0, "threads": 1} | changed
        return open_kept_tiles(tmp_path / "out", make_request(given, heights, None, **options)).folder

    places = {
        place(base), place(replace(base, seed=2)), place(replace(base, snow=replace(base.snow, size=3))),
        place(base, members=5), place(base, spacing_m=31.0), place(base, tile_km=6.0),
    }  # fmt: skip
    assert len(places) == 6
    assert place(base) in places
    os.utime(face_file)
    assert place(base) not in places


def test_a_ground_layer_that_changed_is_another_question(face_file, tmp_path):
    """Trees under the same name with other bytes: tiles that were read without them are not taken up."""
    heights = heights_of_model(open_elevation((face_file,)))
    trees = tmp_path / "trees.tif"
    trees.write_bytes(b"as they were")
    base = scenario(face_file)
    base = replace(base, ground=replace(base.ground, trees=trees))

    def place():
        options = {"members": 4, "spacing_m": 30.0, "tile_km": 2.0, "threads": 1}
        return open_kept_tiles(tmp_path / "out", make_request(base, heights, None, **options)).folder

    before = place()
    assert place() == before
    trees.write_bytes(b"after the storm")
    assert place() != before


def test_a_part_of_the_model_is_read_as_in_the_whole(face_file, whole, tmp_path):
    """An area below the face: what comes from start zones outside it is in it, to the last bit of float32."""
    elevation = open_elevation((face_file,))
    west, south, east, north = elevation.bounds_m
    outline = box(west + 400.0, south + 1000.0, east - 400.0, north - 300.0)
    path = tmp_path / "area.gpkg"
    geopandas.GeoSeries([outline], crs=elevation.crs).to_file(path)
    view = view_area(scenario(face_file), tmp_path / "out", area=str(path), tile_km=2.0, **QUICK)
    assert view.request.shown != view.heights.extent
    reached = 0
    for one in area_rasters(view):
        x, y = view.heights.corner_m(one.window)
        for name, mine in (("reached", one.reached), ("peak_speed", one.peak_speed_m_s)):
            with rasterio.open(whole / f"{name}.tif") as file:
                row, col = (round(v) for v in file.index(x + 1.0, y - 1.0))
                theirs = file.read(1)[row : row + mine.shape[0], col : col + mine.shape[1]]
            np.testing.assert_array_equal(mine.astype(np.float32), theirs)
        reached += int((one.reached > 0.0).sum())
    assert reached > 100
    assert all(outline.intersects(shape) for _, shape in view.zones)
    write_result(result_of_area(view), tmp_path / "out")
    view.kept.remove()
    with rasterio.open(tmp_path / "out" / "reached.tif") as file:
        assert file.bounds.right - file.bounds.left < east - west
        assert (file.read(1) > 0.0).sum() == reached


@pytest.mark.parametrize(
    ("kind", "told"),
    [
        ("cut", r"^(\d+|Over 99) % of the bodies leave the elevation model: where they would stop is not known\.$"),
        ("gentle", r"^No start zone of 28 to 55 degrees was found on cells of 10 m\.$"),
    ],
)
def test_what_is_not_known_is_told(tmp_path, kind, told):
    """A face that the model cuts in its middle; and ground of 6 degrees. Of the two sentences only one is said."""
    ground = grounds.face(ny=150, nx=60, cell_m=10.0, length_m=300.0)
    z = {"cut": ground.values[:24], "gentle": -0.1 * np.mgrid[0:150, 0:60][0] * 10.0}[kind]
    path = write(tmp_path / "ground.tif", z, ground.west_m, ground.north_m, ground.cell_m)
    asked = replace(scenario(path), accept_doubtful_heights=True)  # its crest is a straight edge from side to side
    view = view_area(asked, tmp_path / "out", tile_km=50.0, **QUICK)
    notes = [one for one in view.notes if "leave the elevation model" in one or "No start zone of" in one]
    assert [bool(re.match(told, one)) for one in notes] == [True]


def test_a_full_disk_is_told_and_finished_tiles_stay(face_file, tmp_path, monkeypatch):
    real, calls = os.fsync, []

    def full(handle):
        calls.append(handle)
        if len(calls) == 2:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ResourceError, match="finished tiles are kept"):
        view_area(scenario(face_file), tmp_path / "out", tile_km=2.0, **QUICK)
    (kept,) = tmp_path.glob(".out.tiles-*")
    assert len(list(kept.iterdir())) == 1
    monkeypatch.setattr(os, "fsync", real)
    assert view_area(scenario(face_file), tmp_path / "out", tile_km=2.0, **QUICK).zones


def test_a_tile_survives_its_bytes(face_file):
    heights = heights_of_model(open_elevation((face_file,)))
    request = make_request(scenario(face_file), heights, None, members=4, spacing_m=30.0, tile_km=2.0, threads=1)
    square = list_tiles(request, heights)[0]
    tile = read_tile(request, square, prepared_for(request.scenario))
    again = unpack(pack(tile))
    assert again.rows == tile.rows
    assert again.core == tile.core
    assert again.totals.window == tile.totals.window
    for name in ("mask", "fastest", "zones"):
        np.testing.assert_array_equal(getattr(again.totals, name), getattr(tile.totals, name))
    for name in ("start_values", "zone", "known", "slopes"):
        np.testing.assert_array_equal(getattr(again, name), getattr(tile, name))
    assert pack(again) == pack(tile)


def test_memory_is_stated_and_refused(face_file, tmp_path, monkeypatch):
    heights = heights_of_model(open_elevation((face_file,)))
    request = make_request(scenario(face_file), heights, None, members=4, spacing_m=30.0, tile_km=2.0, threads=1)
    assert 0.4 < memory_of_worker_gb(request, heights) < 4.0
    monkeypatch.setattr("lastseen.jobs.reading.area.free_gb", lambda: 0.1)
    with pytest.raises(ResourceError, match=r"1 worker needs about .* smaller tiles"):
        view_area(scenario(face_file), tmp_path / "out", **QUICK)


def test_a_cluster_has_threads_and_memory_of_its_own(face_file, tmp_path, monkeypatch):
    """Its workers have one thread each, whatever this machine has, and this machine's memory is no bound for them."""
    asked_for = []

    def ask(request, _heights, _kept, **_how):
        asked_for.append(request.threads)
        raise InputError("enough")

    monkeypatch.setattr("lastseen.jobs.reading.area.free_gb", lambda: 0.1)
    monkeypatch.setattr("lastseen.jobs.reading.area.run_all", ask)
    monkeypatch.setenv("LASTSEEN_THREADS", "16")
    with pytest.raises(InputError, match="enough"):
        view_area(scenario(face_file), tmp_path / "out", scheduler="tcp://127.0.0.1:1", **QUICK)
    monkeypatch.setattr("lastseen.jobs.reading.area.free_gb", lambda: 100.0)
    for workers in (2, None):
        with pytest.raises(InputError, match="enough"):
            view_area(scenario(face_file), tmp_path / "out", workers=workers, **QUICK)
    assert asked_for == [1, 1, 16]


@pytest.mark.parametrize("size", [1, 4])
def test_starts_are_looked_for_as_far_around_an_area_as_from_a_line(face_file, size):
    """Neither may leave out what could come."""
    heights = heights_of_model(open_elevation((face_file,)))
    west, south, east, north = heights.on(heights.extent, np.empty(heights.extent.shape, np.int8)).bounds
    x, y = 0.5 * (west + east), 0.5 * (south + north)
    outline = MultiPolygon([box(x, y, x + 50.0, y + 50.0)])
    given = replace(scenario(face_file), snow=Snow(size=size))
    request = make_request(given, heights, outline, members=4, spacing_m=30.0, tile_km=2.0, threads=1)
    cells = math.ceil(FARTHEST_M[size] / heights.cell_m)
    assert request.starting == request.shown.grown(cells).cut(heights.extent)
    assert FARTHEST_M[size] > FIRST_REACH_M[size]


@pytest.mark.parametrize(
    ("more", "text"),
    [
        (("--line", "x.gpx", "--starts", "0"), "--starts belong to an area: not with --line"),
        (("--line", "x.gpx", "--tiles", "4", "--workers", "2"), "--tiles and --workers belong to an area"),
        (("--area", "all", "--workers", "2", "--scheduler", "tcp://127.0.0.1:1"), "give one of them"),
        (("--area", "all", "--tiles", "0"), "more than 0"),
    ],
)
def test_options_that_would_do_nothing_are_refused(face_file, tmp_path, more, text):
    done = CliRunner().invoke(cli.app, ["preread", str(face_file), *more, "-o", str(tmp_path / "out")])
    assert isinstance(done.exception, InputError)
    assert text in str(done.exception)
    assert not (tmp_path / "out").exists()


def test_tiles_of_other_settings_are_named(face_file, tmp_path):
    """A run that was given up leaves its tiles; the next one with other settings says where they lie."""
    old, out = tmp_path / ".out.tiles-0123456789abcdef", str(tmp_path / "out")
    old.mkdir()
    with undrawn():
        done = CliRunner().invoke(
            cli.app, ["preread", str(face_file), "--area", "all", "--members", "4", "--starts", "30", "-o", out],
            catch_exceptions=False,
        )  # fmt: skip
    assert done.exit_code == 0
    assert f"still lie in {old}" in done.stderr
    assert old.is_dir()


@pytest.mark.slow
def test_mosaics_cover_the_area_once(face_file, tmp_path):
    view = view_area(scenario(face_file), tmp_path / "out", tile_km=2.0, **QUICK)
    seen = np.zeros(view.request.shown.shape, int)
    for one in area_rasters(view):
        seen[one.window.inside(view.request.shown)] += 1
    assert (seen == 1).all()


def test_older_results_are_not_replaced(whole):
    with pytest.raises(OutputExistsError):
        refuse_existing(whole, marker=MARKERS["area"])
    assert Path(whole / MARKERS["area"]).is_file()
