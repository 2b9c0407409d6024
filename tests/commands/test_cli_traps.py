"""lastseen traps and the ground layers on the command line: streams, exit codes, files."""

import json

import geopandas
import pytest
from shapely import LineString, Polygon, box

import hills
from commands.test_cli import CODES
from processes import run_command

AT = ("--at", f"{hills.WEST_M + 430},{hills.NORTH_M - 300}", "--crs", "32632")


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("Föhn")
    hills.write(folder / "hill.tif", hills.hill_with_gully())
    wood = box(hills.WEST_M, hills.NORTH_M - 900, hills.WEST_M + 450, hills.NORTH_M - 700)
    geopandas.GeoSeries([wood], crs=hills.EPSG).to_crs(4326).to_file(folder / "wood.geojson")
    x, y = hills.WEST_M, hills.NORTH_M
    bow = Polygon([(x + 400, y - 900), (x + 500, y - 800), (x + 500, y - 900), (x + 400, y - 800)])
    geopandas.GeoSeries([bow], crs=hills.EPSG).to_file(folder / "lake.gpkg")
    (folder / "quick.toml").write_text(
        f'elevation = ["hill.tif"]\n[last_seen]\nat = "{AT[1]}"\ncrs = "32632"\n'
        '[snow]\nmodel = "body"\nsize = 3\nmembers = 8\nbodies = 400\n[ground]\ntrees = "wood.geojson"\n',
        encoding="utf-8",
    )
    return folder


def test_table_on_the_screen_and_no_file(place):
    """Without -o only the table is shown: traps with reasons, the formula, areas, the caution."""
    before = {path.name for path in place.iterdir()}
    code, out, err = run_command("traps", place / "hill.tif", "--size", "3", cwd=place)
    assert (code, err) == (CODES["ok"], "")
    for word in ("traps", "Order", "Area 1", "wind", "not a hazard forecast"):
        assert word in out
    assert {path.name for path in place.iterdir()} == before


def test_json_is_one_document(place):
    code, out, err = run_command("traps", "--scenario", place / "quick.toml", "--water", place / "lake.gpkg", "--json")
    assert (code, err) == (CODES["ok"], "")
    told = json.loads(out)
    assert told["scenario"]["ground"]["trees"] == "wood.geojson"
    assert {one["role"] for one in told["inputs"]} == {"elevation", "trees", "water"}
    assert any("crossed themselves and were repaired" in note for note in told["notes"])
    assert "water" in {trap["kind"] for trap in told["traps"]}
    assert all(0.0 <= trap["person_passes"] <= 1.0 for trap in told["traps"])


@pytest.mark.slow
def test_folder_is_written_refused_and_replaced(place):
    words = ("traps", "--scenario", place / "quick.toml", "-q", "-o", place / "out")
    assert run_command(*words)[:2] == (CODES["ok"], "")
    names = {path.name for path in (place / "out").iterdir()}
    assert names == {"traps.json", "traps.gpkg", "trap_map.png", "start_zones.tif"}
    code, _, err = run_command(*words)
    assert code == CODES["exists"]
    assert "--overwrite" in err
    assert run_command(*words, "--overwrite")[0] == CODES["ok"]


@pytest.mark.slow
def test_layers_on_the_command_line_of_plan(place):
    """--trees and --water of plan reach the traps and the inputs of plan.json."""
    code, out, err = run_command(
        "plan", "--scenario", place / "quick.toml", "--trees", place / "wood.geojson", "--water", place / "lake.gpkg",
        "-o", place / "plan", "--json",
    )  # fmt: skip
    assert code == CODES["ok"], err
    told = json.loads(out)
    kinds = {trap["kind"] for trap in told["traps"]}
    assert {"trees", "water"} & kinds
    assert {"trees", "water"} <= {one["role"] for one in told["inputs"]}
    assert (place / "plan" / "map.png").stat().st_size > 50_000


BAD = {
    "missing layer": (("--trees", "none.gpkg"), "input", "does not exist"),
    "not a layer": (("--water", "quick.toml"), "input", "neither a vector file nor a raster"),
    "far layer": (("--rocks", "far.gpkg"), "input", "does not overlap"),
    "lines of no-go": (("--no-go", "line.gpkg"), "input", "as areas"),
    "size": (("--size", "7"), "input", "size"),
    "unknown option": (("--forest", "wood.geojson"), "usage", "--forest"),
    "outside": (("--at", "10,46"), "input", "nearest edge is"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_gets_one_sentence_and_its_code(name, place):
    words, code, text = BAD[name]
    geopandas.GeoSeries([box(0, 0, 9, 9)], crs=hills.EPSG).to_file(place / "far.gpkg")
    edge = LineString([(hills.WEST_M + 10, hills.NORTH_M - 50), (hills.WEST_M + 90, hills.NORTH_M - 10)])
    geopandas.GeoSeries([edge], crs=hills.EPSG).to_file(place / "line.gpkg")
    got, out, err = run_command("traps", "hill.tif", *words, "-o", "bad", cwd=place)
    assert (got, out) == (CODES[code], ""), err
    assert text in err
    assert "Traceback" not in err
    assert not (place / "bad").exists()


def test_no_elevation(place):
    code, out, err = run_command("traps", cwd=place)
    assert (code, out) == (CODES["input"], "")
    assert "no elevation model was given" in err
