"""The API as scripts use it: what it answers is what the program says elsewhere."""

import io
import json
import os
import signal
import time
import zipfile
from pathlib import Path

import httpx
import numpy as np
import pytest
import rasterio
from affine import Affine
from PIL import Image

from lastseen.core.machine import shared_folder
from lastseen.core.place import LonLat, to_map
from lastseen.core.scenario import read_scenario
from lastseen.terrain.elevation import open_elevation, read_window
from web.conftest import DEMO, read_json


def test_lanes_with_the_plans_settings_are_the_plans_lanes(server, bench_plan):
    """Nothing is simplified for speed: same settings, same lanes, to 2 cm."""
    numbers = read_json(server.folder / bench_plan / "plan.json")
    laid = server.client.post(f"/api/plans/{bench_plan}/lanes", json={"strip_width_m": 40.0, "searchers": 3}).json()
    assert laid["coverage"] == pytest.approx(numbers["coverage"]["fraction"], abs=1e-6)
    assert len(laid["route"]["features"]) == len(numbers["route"])
    for mine, theirs in zip(laid["route"]["features"], numbers["route"], strict=True):
        ends = [mine["geometry"]["coordinates"][k] for k in (0, -1)]
        assert np.allclose(ends, [theirs["start"]["lonlat"], theirs["end"]["lonlat"]], atol=2e-7)
        assert mine["properties"]["length_m"] == pytest.approx(theirs["length_m"], abs=0.06)


def test_covered_so_far_ends_at_the_measured_coverage(server, bench_plan):
    """The clock's share of the debris grows, and ends at the coverage that the layout measured."""
    laid = server.client.post(f"/api/plans/{bench_plan}/lanes", json={"strip_width_m": 25.0, "searchers": 2}).json()
    rows = np.array(laid["covered"], float)
    assert (np.diff(rows, axis=0) >= 0).all()
    assert rows[0, 1] == 0.0
    assert rows[-1, 1] == pytest.approx(laid["coverage"], abs=0.005)
    assert 0.9 <= rows[-1, 2] <= 1.0


def test_nothing_is_covered_on_the_way_there(server, bench_plan):
    """While the only searcher still comes from 80 m beside the point nothing counts as searched, as in the coverage."""
    asked = {"strip_width_m": 40.0, "searchers": 1, "start": "4.338400,65.822391"}
    laid = server.client.post(f"/api/plans/{bench_plan}/lanes", json=asked).json()
    legs = [one["properties"] for one in laid["route"]["features"]]
    there = sum(leg["time_s"] for leg in legs if leg["kind"] == "approach")
    assert there > 0.0
    assert laid["total_time_s"] == pytest.approx(laid["search_time_s"] + there, abs=0.5)
    covered = np.array(laid["covered"], float)
    assert (covered[covered[:, 0] <= there, 1] == 0.0).all()
    assert covered[-1, 1] > 0.9


@pytest.mark.slow  # works out plans
def test_a_second_pass_stays_one(server):
    """Lanes of a plan that is a second pass lie beside those of the first: half the width, as the plan has them."""
    plan = server.make(DEMO | {"search": DEMO["search"] | {"second_pass": True}})
    numbers = read_json(server.folder / plan / "plan.json")
    laid = server.client.post(f"/api/plans/{plan}/lanes", json={"strip_width_m": 40.0, "searchers": 3}).json()
    assert laid["strip_width_m"] == pytest.approx(0.5 * 40.0, rel=0.2)
    assert laid["coverage"] == pytest.approx(numbers["coverage"]["fraction"], abs=1e-6)
    assert len(laid["route"]["features"]) == len(numbers["route"])


@pytest.mark.slow  # works out plans
@pytest.mark.parametrize("entry", ["top", "toe"])
def test_entry_is_part_of_a_plan(server, entry):
    """A plan that begins at the toe says so, and its scenario file reads back."""
    plan = server.make(DEMO | {"search": DEMO["search"] | {"entry": entry}})
    assert read_scenario(server.folder / f"{plan}.toml").search.entry == entry
    asked = server.client.get(f"/api/plans/{plan}").json()["asked"]
    assert asked["search"]["entry"] == entry


def test_height_tiles_hold_the_heights(server):
    """256 r + g + b / 256 - 32768 (the open terrain tile encoding) gives the model's heights within 0.5 m."""
    z, lon, lat = 15, 4.34022, 65.822391
    x = (lon + 180.0) / 360.0 * 2**z
    y = (1.0 - np.arcsinh(np.tan(np.radians(lat))) / np.pi) / 2.0 * 2**z
    found = server.client.get(f"/api/places/ysterra/tiles/height/{z}/{int(x)}/{int(y)}")
    rgb = np.asarray(Image.open(io.BytesIO(found.content))).astype(float)
    heights = rgb[..., 0] * 256 + rgb[..., 1] + rgb[..., 2] / 256 - 32768
    elevation = open_elevation((shared_folder("demo") / "ysterra.tif",))
    checked = 0
    for col in range(8, 256, 48):
        for row in range(8, 256, 48):
            tx, ty = int(x) + (col + 0.5) / 256, int(y) + (row + 0.5) / 256
            place = LonLat(tx / 2**z * 360 - 180, np.degrees(np.arctan(np.sinh(np.pi * (1 - 2 * ty / 2**z)))))
            px, py = to_map(place, elevation.crs)
            ground = read_window(elevation, (px - 10, py - 10, px + 10, py + 10))
            assert heights[row, col] == pytest.approx(float(ground.sample(px, py)), abs=0.5)
            checked += 1
    assert checked == 36


def test_isolines_lie_on_their_heights(server):
    """Points of a contour have its height, within what smoothing over a few cells moves them."""
    box = {"west": 4.335, "south": 65.820, "east": 4.345, "north": 65.824}
    found = server.client.get("/api/places/ysterra/isolines", params={"kind": "height", **box}).json()
    elevation = open_elevation((shared_folder("demo") / "ysterra.tif",))
    ground = read_window(elevation, elevation.bounds_m)
    off = []
    for one in found["features"]:
        for lon, lat in one["geometry"]["coordinates"][::5]:
            off.append(float(ground.sample(*to_map(LonLat(lon, lat), elevation.crs))) - one["properties"]["value"])
    off = np.abs(np.array(off))
    assert off.size > 200
    assert np.nanmedian(off) < 0.5
    assert np.nanquantile(off, 0.95) < 2.0


def test_slope_lines_enclose_the_open_slope(server):
    """The demo's table gives 37 degrees on the open slope: it lies above the line of 35 and below that of 40."""
    box = {"west": 4.330, "south": 65.819, "east": 4.350, "north": 65.826}
    found = server.client.get("/api/places/ysterra/isolines", params={"kind": "slope", **box}).json()
    levels = {one["properties"]["value"] for one in found["features"]}
    assert {30.0, 35.0, 40.0} <= levels
    assert found["features"][0]["properties"]["label"].endswith("\u00b0")


def test_an_upload_is_written_anew(server, tmp_path):
    """Heights, CRS and place of an uploaded file stay; notes beside it do not; the same bytes are one place."""
    y, x = np.mgrid[0:100, 0:120]
    heights = (1500 - 2.5 * y + 0.3 * x).astype("float32")
    file = tmp_path / "a.tif"
    with rasterio.open(
        file, "w", driver="GTiff", width=120, height=100, count=1, dtype="float32", crs="EPSG:32632", nodata=-9999,
        transform=Affine(5, 0, 610_000, 0, -5, 5_190_000),
    ) as out:  # fmt: skip
        out.write(heights, 1)
        out.update_tags(remark="/etc/passwd")
    sent = [
        server.client.post(
            "/api/places", params={"name": "../Übung 1.tif"}, content=file.read_bytes(),
            headers={"content-type": "application/octet-stream"},
        )
        for _ in range(2)
    ]  # fmt: skip
    assert [one.status_code for one in sent] == [201, 201]
    assert sent[0].json()["id"] == sent[1].json()["id"]
    kept = list((server.folder / "elevation" / sent[0].json()["id"]).iterdir())
    assert [one.name for one in kept] == ["bung-1.tif"]
    with rasterio.open(kept[0]) as data:
        assert np.array_equal(data.read(1), heights)
        assert data.crs.to_epsg() == 32632
        assert data.nodata == -9999
        assert "remark" not in data.tags()


@pytest.mark.slow  # works out plans
def test_events_tell_the_whole_job(server):
    """Server-sent events: stages with a share that never falls, and an end."""
    job = server.client.post("/api/jobs", json=DEMO | {"snow": {"size": 1}}).json()
    seen = []
    with server.client.stream("GET", f"/api/jobs/{job['id']}/events") as stream:
        seen += [json.loads(line[6:]) for line in stream.iter_lines() if line.startswith("data: ")]
    assert seen[-1]["state"] == "done"
    shares = [one["share"] for one in seen if one["state"] == "running"]
    assert shares == sorted(shares)
    assert len({one["stage"] for one in seen}) > 5


@pytest.mark.slow  # works out plans
def test_a_crashed_job_is_told_and_the_server_runs_on(server):
    """The process of a job is killed from outside: the job fails, nothing stays, the next one runs."""
    before = {one.name for one in server.folder.iterdir()}
    job = server.client.post("/api/jobs", json=DEMO | {"name": "crash", "snow": {"size": 3}}).json()
    while job["state"] == "waiting" or (job["state"] == "running" and job["share"] < 0.1):
        time.sleep(0.1)
        job = server.client.get(f"/api/jobs/{job['id']}").json()
    children = Path(f"/proc/{server.process.pid}/task/{server.process.pid}/children")
    if not children.exists():
        pytest.skip("the system does not list the children of a process")
    workers = []
    for one in children.read_text().split():
        command = Path(f"/proc/{one}/cmdline").read_bytes()
        if b"lastseen.web.worker" in command:
            workers.append(int(one))
    assert workers
    for one in workers:
        os.kill(one, signal.SIGKILL)
    while job["state"] == "running":
        time.sleep(0.1)
        job = server.client.get(f"/api/jobs/{job['id']}").json()
    assert job["state"] == "failed"
    assert "ended by itself" in job["error"]
    assert {one.name for one in server.folder.iterdir()} == before
    plan = server.make(DEMO | {"snow": {"size": 1}, "name": "after"})
    assert (server.folder / plan / "plan.json").is_file()


def test_jobs_are_limited_in_number(server):
    """More than one running and three waiting are refused with 429, and refused ones leave nothing."""
    jobs, codes = [], []
    for _ in range(6):
        found = server.client.post("/api/jobs", json=DEMO | {"name": "many"})
        codes.append(found.status_code)
        if found.status_code == 202:
            jobs.append(found.json()["id"])
    for one in reversed(jobs):
        server.client.delete(f"/api/jobs/{one}")
    assert codes == [202, 202, 202, 202, 429, 429]
    time.sleep(0.5)
    assert [one.name for one in server.folder.iterdir() if one.name.startswith("many")] == []


def test_what_cannot_be_worked_out_is_said(server):
    """A point beyond the elevation model: the job fails with the sentence and the exit code of the command line."""
    asked = DEMO | {"last_seen": {"at": "10.1,46.5"}, "name": "outside"}
    job = server.client.post("/api/jobs", json=asked).json()
    while job["state"] in ("waiting", "running"):
        time.sleep(0.1)
        job = server.client.get(f"/api/jobs/{job['id']}").json()
    assert job["state"] == "failed"
    assert job["code"] == 3
    assert "outside the elevation model" in job["error"]
    assert not (server.folder / f"{job['plan']}.toml").exists()


def test_all_files_of_a_plan_are_handed_over(server, bench_plan):
    """Whatever lies in the plan's folder can be downloaded, byte by byte, and as one archive."""
    names = [one["name"] for one in server.client.get(f"/api/plans/{bench_plan}/files").json()]
    assert {"plan.json", "plan.gpkg", "lanes.gpx"} <= set(names)
    for name in names:
        found = server.client.get(f"/api/plans/{bench_plan}/files/{name}")
        assert found.content == (server.folder / bench_plan / name).read_bytes()
        assert found.headers["content-disposition"].startswith("attachment")
    archive = zipfile.ZipFile(io.BytesIO(server.client.get(f"/api/plans/{bench_plan}/everything.zip").content))
    assert sorted(archive.namelist()) == sorted(f"{bench_plan}/{name}" for name in names)


def test_the_door_sets_a_cookie(server):
    """The printed address lets a browser in; the token is not in the address after that."""
    with httpx.Client(base_url=server.origin) as other:
        assert other.get("/").status_code == 401
        found = other.get(server.enter)
        assert found.status_code == 303
        assert found.headers["location"] == "/"
        cookie = found.headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=strict" in cookie
        assert other.get("/").status_code == 200
        assert other.get("/api/state").json()["caution"]["full"]
