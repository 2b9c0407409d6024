"""A search over any drawn outline: ``lastseen strips``."""

import json

import geopandas
import gpxpy
import numpy as np
import pyogrio
import pytest
from pyproj import CRS
from shapely import LineString, Point, box

import hills
from lastseen.core.outlines import crs_of_outline, read_outline
from lastseen.output.result import FULL_CAUTION
from processes import run_command

UTM = CRS("EPSG:32632")
EAST_M, NORTH_M = 600_000.0, 5_100_000.0
AREA = box(EAST_M + 200, NORTH_M + 200, EAST_M + 330, NORTH_M + 320)


def saved(path, shape=AREA, crs=UTM, to=None):
    frame = geopandas.GeoSeries([shape], crs=crs)
    (frame.to_crs(to) if to else frame).to_file(path)
    return path


@pytest.fixture(scope="module")
def flat(tmp_path_factory):
    """A search on flat ground, as a command."""
    folder = tmp_path_factory.mktemp("flat")
    code, out, err = run_command("strips", saved(folder / "area.gpkg"), "-o", folder / "found", "--date", "2027-01-31")
    assert code == 0, err
    return folder / "found", out


def test_the_folder_holds_what_it_should(flat):
    folder, out = flat
    names = {"ground.tif", "lanes.gpx", "map.png", "page.html", "sheet.pdf", "search.gpkg", "search.json", "search.kml"}
    assert {one.name for one in folder.iterdir()} == names
    assert "the ground is taken as flat" in " ".join(out.split())
    assert "Planning and training aid" in out


def test_the_geopackage_is_in_the_crs_of_the_outline(flat):
    path = flat[0] / "search.gpkg"
    names = ["debris", "lanes", "route", "uncovered", "no_go", "first_lanes", "run", "layer_styles"]
    assert [name for name, _ in pyogrio.list_layers(path)] == names
    for layer in ("lanes", "route", "uncovered"):
        assert geopandas.read_file(path, layer=layer).crs == UTM
    lanes = geopandas.read_file(path, layer="lanes")
    assert len(lanes) >= 3
    assert lanes.within(AREA.buffer(1.0)).all()
    turn = (lanes["bearing_deg_true"] - lanes["bearing_deg_magnetic"] + 180.0) % 360.0 - 180.0
    assert turn.between(2.0, 6.0).all()
    said = dict(geopandas.read_file(path, layer="run").to_numpy())
    assert said["caution"] == FULL_CAUTION


def test_the_numbers_say_what_was_compared(flat):
    numbers = json.loads((flat[0] / "search.json").read_text(encoding="utf-8"))
    assert numbers["caution"] == FULL_CAUTION
    assert numbers["flat"] is True
    assert numbers["coverage"]["fraction"] >= 0.99
    first, second = numbers["search"]["trials"][:2]
    assert set(first) == {
        "words", "first_signal_s", "pod", "alive", "walk_m", "approach_s", "slowest_s", "coverage",
        "steep_m", "against",
    }  # fmt: skip
    assert first["words"] != second["words"]
    assert numbers["inputs"][0]["name"] == "area.gpkg"
    assert any("taken as flat" in note for note in numbers["notes"])


def test_the_track_has_no_made_up_heights(flat):
    text = (flat[0] / "lanes.gpx").read_text(encoding="utf-8")
    track = gpxpy.parse(text).tracks[0]
    assert "<ele>" not in text
    assert FULL_CAUTION in text
    assert "magnetic" in text
    assert len(track.segments) >= 5


@pytest.mark.parametrize("name", ["a.geojson", "a.kml", "a.gpkg", "track.gpx"])
def test_every_kind_of_file(tmp_path, name):
    """The same outline from GeoJSON, KML, GeoPackage in degrees, and a track that was walked around it."""
    path = tmp_path / name
    if name.endswith("gpx"):
        ring = geopandas.GeoSeries([AREA.exterior.segmentize(8.0)], crs=UTM).to_crs(4326)[0]
        track = gpxpy.gpx.GPX()
        points = [gpxpy.gpx.GPXTrackPoint(lat, lon) for lon, lat in list(ring.coords)[:-1]]
        track.tracks.append(gpxpy.gpx.GPXTrack())
        track.tracks[0].segments.append(gpxpy.gpx.GPXTrackSegment(points))
        path.write_text(track.to_xml(), encoding="utf-8")
    else:
        saved(path, to=4326)
    got = read_outline(path, UTM, "debris")
    assert got.symmetric_difference(AREA).area < 0.02 * AREA.area
    assert crs_of_outline(path, "debris").is_geographic


def test_degrees_become_the_local_utm_zone(tmp_path):
    code, _, err = run_command(
        "strips", saved(tmp_path / "a.geojson", to=4326), "-o", tmp_path / "s", "-q", drawn=False
    )
    assert code == 0, err
    assert geopandas.read_file(tmp_path / "s" / "search.gpkg", layer="lanes").crs == UTM


def test_on_an_elevation_model_with_no_go_ground(tmp_path):
    dem = hills.write(tmp_path / "hill.tif", hills.hill())
    middle = (hills.WEST_M + 430.0, hills.NORTH_M - 500.0)
    outline = saved(tmp_path / "a.gpkg", Point(middle).buffer(70))
    wall = Point(middle).buffer(12)
    no_go = saved(tmp_path / "n.gpkg", wall)
    code, out, err = run_command(
        "strips", outline, "--dem", dem, "--no-go", no_go, "--searchers", 2, "--strip-width", 30, "--json",
        "--entry", "toe", "-o", tmp_path / "s", drawn=False,
    )  # fmt: skip
    assert code == 0, err
    numbers = json.loads(out)
    assert numbers["flat"] is False
    assert numbers["search"]["searchers"] == 2
    assert numbers["coverage"]["strip_width_m"] == 30.0
    route = geopandas.read_file(tmp_path / "s" / "search.gpkg", layer="route")
    assert not route.intersects(wall).any()
    assert not any("taken as flat" in note for note in numbers["notes"])


BAD = {
    "missing file": (["none.gpkg"], 3, "does not exist"),
    "a line": (["line.gpkg"], 3, "holds no polygon"),
    "negative width": (["area.gpkg", "--strip-width", "-5"], 3, "the strip width is -5.0 m: give more than 0"),
    "nobody": (["area.gpkg", "--searchers", "0"], 3, "the number of searchers is 0: give 1 to 30"),
    "odd pattern": (["area.gpkg", "--pattern", "zigzag"], 3, "pattern"),
    "odd entry": (["area.gpkg", "--entry", "side"], 3, "choose top, flank, toe or nearest"),
    "odd date": (["area.gpkg", "--date", "31.1.2027"], 3, "write it like 2027-01-31"),
    "no-go over all": (["area.gpkg", "--no-go", "all.gpkg"], 3, "covers all of the outline"),
    "start far away": (["area.gpkg", "--dem", "hill.tif", "--start", "8.0,47.0"], 3, "there is no elevation"),
    "unknown option": (["area.gpkg", "--width", "5"], 2, "No such option"),
}


@pytest.fixture(scope="module")
def bad_place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bad")
    hills.write(folder / "hill.tif", hills.hill())
    saved(folder / "area.gpkg", Point(hills.WEST_M + 430.0, hills.NORTH_M - 500.0).buffer(60))
    saved(folder / "line.gpkg", LineString([(EAST_M, NORTH_M), (EAST_M + 90, NORTH_M)]))
    saved(folder / "all.gpkg", Point(hills.WEST_M + 430.0, hills.NORTH_M - 500.0).buffer(500))
    return folder


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_one_sentence_and_leaves_nothing(bad_place, case):
    words, expected, text = BAD[case]
    inputs = [str(bad_place / one) if one.endswith((".gpkg", ".tif")) else one for one in words]
    code, out, err = run_command("strips", *inputs, "-o", bad_place / "out")
    assert code == expected, err
    assert text in err
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    assert not (bad_place / "out").exists()


def test_an_older_search_is_not_overwritten_unasked(flat, tmp_path):
    outline = saved(tmp_path / "a.gpkg")
    before = (flat[0] / "search.json").read_bytes()
    code, _, err = run_command("strips", outline, "-o", flat[0])
    assert code == 5
    assert "already holds search.json" in err
    assert (flat[0] / "search.json").read_bytes() == before


@pytest.mark.slow
def test_same_outline_same_bytes(flat, tmp_path):
    folder = flat[0]
    again = run_command("strips", folder.parent / "area.gpkg", "-o", tmp_path / "found", "--date", "2027-01-31")
    assert again[0] == 0, again[2]
    for file in ("search.json", "search.gpkg", "lanes.gpx", "map.png"):
        assert (folder / file).read_bytes() == (tmp_path / "found" / file).read_bytes(), file


def test_a_ring_that_does_not_close_is_no_area(tmp_path):
    path = tmp_path / "open.gpx"
    track = gpxpy.gpx.GPX()
    points = [
        gpxpy.gpx.GPXTrackPoint(46.0 + 0.001 * np.sin(a), 10.0 + 0.001 * np.cos(a)) for a in np.linspace(0, 3, 20)
    ]
    track.tracks.append(gpxpy.gpx.GPXTrack())
    track.tracks[0].segments.append(gpxpy.gpx.GPXTrackSegment(points))
    path.write_text(track.to_xml(), encoding="utf-8")
    code, _, err = run_command("strips", path, "-o", tmp_path / "s")
    assert code == 3
    assert "holds no polygon" in err


@pytest.mark.slow
def test_the_second_pass_lies_midway_beside_the_first(tmp_path):
    """Half the width, twice the strips, and no lane of the second pass on one of the first."""
    path, outline = tmp_path / "second" / "search.gpkg", saved(tmp_path / "a.gpkg")
    code, _, err = run_command("strips", outline, "-o", path.parent, "-q", "--pattern", "across", "--second-pass")
    assert code == 0, err
    first, second = (geopandas.read_file(path, layer=layer) for layer in ("first_lanes", "lanes"))
    assert len(second) == 2 * len(first)
    beside = second.geometry.interpolate(0.5, normalized=True).distance(first.union_all())
    assert beside.between(5.0, 15.0).all()
    numbers = json.loads((tmp_path / "second" / "search.json").read_text(encoding="utf-8"))
    assert numbers["coverage"]["strip_width_m"] == 20.0
    assert any("second pass, after one with strips of 40 m" in note for note in numbers["notes"])
