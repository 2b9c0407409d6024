"""The folders of drill sites and drill deposit: what is in them, the caution, the same bytes, GPX and exit codes."""

import hashlib
import json

import geopandas
import gpxpy
import numpy as np
import pytest
import rasterio
from matplotlib.text import Text

from commands.test_cli import CODES
from dem_zoo import store
from lastseen.core.outlines import read_outline
from lastseen.core.place import parse_crs, parse_point
from lastseen.core.scenario import check_scenario
from lastseen.jobs.practice.deposit import lay_deposit
from lastseen.jobs.practice.site import SiteRequest
from lastseen.jobs.practice.sites import view_sites
from lastseen.output.draw.deposit_map import draw_deposit_map
from lastseen.output.draw.site_map import draw_site_map
from lastseen.output.read import read_reach, read_site
from lastseen.output.result import FULL_CAUTION
from lastseen.terrain.elevation import open_elevation
from practice import site_zoo as zoo
from processes import run_command

NEAR = ("--near", "600600,5100600", "--crs", "32632", "--within", "130", "--count", "1")
DEPOSIT = ("--size", "2", "--seed", "5", "-q")
DONE = (CODES["ok"], "", "")
LEFT_OUT = "vents of size 4 were left out"


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    place = tmp_path_factory.mktemp("Übung")
    store(place / "meadow.tif", zoo.behind_a_ridge(), unit="m")
    store(place / "face.tif", zoo.below_a_face(), unit="m")
    words = ("drill", "sites", place / "meadow.tif", *NEAR, "-q")
    assert run_command(*words, "-o", place / "sites") == DONE
    assert run_command(*words, "--largest", "3", "-o", place / "sites to 3", drawn=False) == DONE
    words = ("drill", "deposit", place / "meadow.tif", *DEPOSIT)
    assert run_command(*words, "--sites", place / "sites", "-o", place / "deposit") == DONE
    assert run_command(*words, "--sites", place / "sites to 3", "-o", place / "deposit to 3", drawn=False) == DONE
    return place


@pytest.mark.parametrize(("name", "files"), [
    ("sites", {"sites.json", "sites.gpkg", "sites.gpx", "reach.tif", "sites.png", "site_01.png"}),
    ("deposit", {"deposit.json", "deposit.gpkg", "outline.geojson", "stakes.gpx", "thickness.tif", "deposit.png"}),
])  # fmt: skip
def test_the_folders_are_whole(folders, name, files):
    assert {path.name for path in (folders / name).iterdir()} == files


@pytest.mark.slow
def test_the_same_bytes_again(folders):
    ground = folders / "meadow.tif"
    assert run_command("drill", "sites", ground, *NEAR, "-q", "-o", folders / "sites again") == DONE
    words = ("drill", "deposit", ground, *DEPOSIT, "--sites", folders / "sites")
    assert run_command(*words, "-o", folders / "deposit again") == DONE
    for name in ("sites", "deposit"):
        for path in (folders / name).iterdir():
            again = (folders / f"{name} again" / path.name).read_bytes()
            assert hashlib.sha256(again).digest() == hashlib.sha256(path.read_bytes()).digest(), path.name


@pytest.mark.parametrize("name", ["sites/sites.json", "deposit/deposit.json", "sites/sites.gpx", "deposit/stakes.gpx"])
def test_the_caution_stands_in_every_file(folders, name):
    text = (folders / name).read_text(encoding="utf-8")
    assert FULL_CAUTION in text
    assert "safe" not in text.lower()


FILES = ("sites.json", "sites.gpx", "sites.gpkg", "reach.tif")
DEPOSIT_FILES = ("deposit.json", "stakes.gpx", "outline.geojson", "deposit.gpkg", "thickness.tif")


@pytest.mark.parametrize(("folder", "name"), [
    *(("sites", name) for name in FILES), *(("deposit", name) for name in DEPOSIT_FILES)
])  # fmt: skip
def test_what_was_left_out_stands_in_every_file(folders, folder, name):
    """With sizes up to 3 only; with the default nothing is left out and nothing is said."""
    assert LEFT_OUT.encode() in (folders / f"{folder} to 3" / name).read_bytes()
    assert LEFT_OUT.encode() not in (folders / folder / name).read_bytes()


@pytest.mark.slow
def test_what_was_left_out_stands_on_every_map(folders):
    scenario = check_scenario({"elevation": [folders / "meadow.tif"]})
    near = parse_point("600600,5100600", parse_crs("32632"))
    for most_size in (3, 4):
        view = view_sites(scenario, SiteRequest(within_m=130.0, count=1, most_size=most_size), near)
        for only in (None, view.search.sites[0]):
            assert (LEFT_OUT in told_on(draw_site_map(view, only))) == (most_size == 3)
    for folder in ("sites to 3", "sites"):
        frame, site = read_site(folders / folder, 1)
        made = lay_deposit(
            open_elevation((folders / "meadow.tif",)), frame, site, like=2, reach=read_reach(folders / folder), seed=5,
            snow_m=0.8, left_m=0.3, packing=0.5, stake_m=10.0, name=None,
        )  # fmt: skip
        assert (LEFT_OUT in told_on(draw_deposit_map(made))) == (folder == "sites to 3")


def told_on(drawing):
    """All words on a sheet, in one line."""
    return " ".join(one.get_text().replace("\u00a0", " ") for one in drawing.page.findobj(Text))


def test_numbers_of_sites(folders):
    told = json.loads((folders / "sites/sites.json").read_text(encoding="utf-8"))
    site = told["sites"][0]
    assert site["statement"].startswith("No start zone in this model reaches it")
    assert site["exposure"]["share"] == 0.0
    assert site["lookout"]["name"] == "L1"
    assert len(site["corners_m"]) == 4
    assert told["reach"]["bodies"] > 100


def test_layers_and_reach(folders):
    sites = geopandas.read_file(folders / "sites/sites.gpkg", layer="sites")
    reached = geopandas.read_file(folders / "sites/sites.gpkg", layer="reached")
    assert sites.geometry.is_valid.all()
    assert not sites.union_all().intersects(reached.union_all())
    with rasterio.open(folders / "sites/reach.tif") as data:
        share = data.read(1, masked=True)
    assert share.min() == 0.0
    assert share.max() == 1.0


def test_gpx_is_read_by_others(folders):
    sites = gpxpy.parse((folders / "sites/sites.gpx").read_text(encoding="utf-8"))
    assert {"SITE1", "IN1", "OUT1"} <= {track.name for track in sites.tracks}
    assert {"SITE1-A", "SITE1-D", "L1"} <= {point.name for point in sites.waypoints}
    stakes = gpxpy.parse((folders / "deposit/stakes.gpx").read_text(encoding="utf-8"))
    told = json.loads((folders / "deposit/deposit.json").read_text(encoding="utf-8"))
    assert [point.name for point in stakes.waypoints] == [one["name"] for one in told["pushing"]["stakes"]]
    push = told["pushing"]
    assert push["cut_m3"] * push["packing"] == pytest.approx(push["fill_m3"], rel=1e-3)
    assert sum(one["fill_m3"] for one in push["stakes"]) == pytest.approx(750.0, rel=0.001)


def test_the_outline_can_be_searched_and_holds_the_snow(folders):
    with rasterio.open(folders / "deposit/thickness.tif") as data:
        z = data.read(1)
    outline = read_outline(folders / "deposit/outline.geojson", zoo.UTM, "debris")
    assert float(z.sum()) == pytest.approx(750.0, rel=1e-3)
    assert outline.area == pytest.approx(np.count_nonzero(z > 0), rel=0.05)


def test_strips_are_laid_over_the_outline(folders):
    words = ("strips", folders / "deposit/outline.geojson", "--dem", folders / "meadow.tif")
    code, _, _ = run_command(*words, "-o", folders / "strips", "-q", drawn=False)
    assert code == CODES["ok"]
    told = json.loads((folders / "strips/search.json").read_text(encoding="utf-8"))
    assert told["coverage"]["fraction"] > 0.95


def test_refusals_have_their_codes(folders):
    code, out, err = run_command("drill", "sites", folders / "face.tif", *NEAR, "-o", folders / "none")
    assert (code, out) == (CODES["nothing"], "")
    for way_on in ("--size", "--near", "--within", "--largest 3", "--exposed-ok"):
        assert way_on in err
    assert len(err.splitlines()) == 2  # the place of --near, and one sentence
    assert not (folders / "none").exists()
    code, _, err = run_command("drill", "sites", folders / "meadow.tif", "-o", folders / "sites")
    assert code == CODES["exists"]
    code, _, err = run_command("drill", "sites", folders / "meadow.tif", "--size", "big", "-o", folders / "none")
    assert (code, "100x50" in err) == (CODES["input"], True)
    code, _, err = run_command("drill", "deposit", folders / "meadow.tif", "--sites", folders / "sites", "-o", "none")
    assert (code, "either --size" in err) == (CODES["input"], True)
    code, _, err = run_command("drill", "deposit", folders / "meadow.tif", "--sites", folders / "sites", "--site", "9",
                            "--size", "1", "-o", folders / "none")  # fmt: skip
    assert (code, "has no site 9" in err) == (CODES["input"], True)
