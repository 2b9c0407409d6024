"""What lastseen traps hands over: numbers, layers, grades, map; whole or not at all; the same bytes."""

import hashlib
import json
import sqlite3

import geopandas
import matplotlib as mpl
import numpy as np
import pyogrio
import pytest
import rasterio
from shapely import box

import hills
from lastseen.core.errors import OutputExistsError
from lastseen.core.scenario import check_scenario
from lastseen.jobs.trap_view import view_traps
from lastseen.output.console import trap_table
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.plan_map import draw_trap_map
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION
from lastseen.output.results.ground import result_of_traps
from lastseen.output.write import write_result
from lastseen.traps.trap import LETTERS, WEIGHT_FORMULA, describe_shares
from processes import undrawn

NAMES = ["start_zones.tif", "trap_map.png", "traps.gpkg", "traps.json"]


@pytest.fixture(scope="module")
def views(tmp_path_factory):
    place = tmp_path_factory.mktemp("traps")
    hills.write(place / "hill.tif", hills.hill_with_gully())
    wood = box(hills.WEST_M, hills.NORTH_M - 900, hills.WEST_M + 450, hills.NORTH_M - 700)
    geopandas.GeoSeries([wood], crs=hills.EPSG).to_file(place / "wood.gpkg")
    raw = {"elevation": [place / "hill.tif"], "name": "Hill (invented)", "ground": {"trees": place / "wood.gpkg"},
           "snow": {"size": 3, "members": 8, "bodies": 400}}  # fmt: skip
    at = {"last_seen": {"at": f"{hills.WEST_M + 430},{hills.NORTH_M - 300}", "crs": "32632"}}
    return {"all": view_traps(check_scenario(raw)), "point": view_traps(check_scenario(raw | at))}


@pytest.fixture(scope="module", params=["all", "point"])
def handed(request, views, tmp_path_factory):
    view = views[request.param]
    folder = tmp_path_factory.mktemp("handed") / "traps"
    written = write_result(result_of_traps(view), folder)
    return view, folder, written


def test_the_folder_holds_what_was_promised(handed):
    _, folder, written = handed
    assert [path.name for path in written] == NAMES == sorted(path.name for path in folder.iterdir())


@pytest.mark.slow
def test_the_same_view_gives_the_same_bytes(handed, tmp_path):
    view, folder, _ = handed
    write_result(result_of_traps(view), tmp_path / "again")
    for name in NAMES:
        one, other = ((place / name).read_bytes() for place in (folder, tmp_path / "again"))
        assert hashlib.sha256(one).digest() == hashlib.sha256(other).digest(), name


def test_numbers_say_everything(handed):
    """Caution, formula, sources of the grades, each trap with its reason and measures, areas with volumes."""
    view, folder, _ = handed
    told = json.loads((folder / "traps.json").read_text(encoding="utf-8"))
    assert told["caution"] == FULL_CAUTION
    assert told["weight_formula"] == WEIGHT_FORMULA
    assert len(told["traps"]) == len(view.traps) > 0
    for row, trap in zip(told["traps"], view.traps, strict=True):
        assert (row["number"], row["letter"], row["reason"]) == (trap.number, trap.letter, trap.reason)
        assert row["weight"] == pytest.approx(trap.weight, abs=1e-6)
        assert "outline" not in row
    assert all(len(area["volume_m3"]) == 4 for area in told["release_areas"])
    assert {one["role"] for one in told["inputs"]} == {"elevation", "trees"}
    assert (told["last_seen"] is None) is (view.plan is None)
    assert "Perla 1977" in told["start_zone_parts"]["slope"]
    assert result_of_traps(view).numbers["traps"] == told["traps"]


def test_layers_of_the_geopackage(handed):
    view, folder, _ = handed
    names = {name for name, _ in pyogrio.list_layers(folder / "traps.gpkg")}
    wanted = {"terrain_traps", "release_areas", "run", "layer_styles"}
    assert wanted <= names
    assert (names - wanted == {"last_seen", "release", "flow_paths"}) is (view.plan is not None)
    traps = geopandas.read_file(folder / "traps.gpkg", layer="terrain_traps")
    assert traps.crs == view.terrain.elevation.crs
    assert traps.geometry.is_valid.all()
    assert traps["reason"].tolist() == [t.reason for t in view.traps]
    assert traps["shares"].tolist() == [describe_shares(t) for t in view.traps]
    assert traps["pile_up_m"].isna().tolist() == [bool(np.isnan(t.pile_up_m)) for t in view.traps]
    areas = geopandas.read_file(folder / "traps.gpkg", layer="release_areas")
    assert len(areas) == len(view.areas)
    assert (areas["volume_size_1_m3"] <= areas["volume_size_4_m3"]).all()
    with sqlite3.connect(folder / "traps.gpkg") as base:
        told = base.execute("select description from gpkg_contents where table_name = 'terrain_traps'").fetchone()
        assert told[0].endswith(SHORT_CAUTION)
        run = dict(base.execute("select key, value from run").fetchall())
    assert run["caution"] == FULL_CAUTION
    assert run["weight"] == WEIGHT_FORMULA


def test_grades_as_raster_with_their_sources(handed):
    view, folder, _ = handed
    with rasterio.open(folder / "start_zones.tif") as data:
        assert data.count == 6
        assert data.descriptions[0].startswith("grade: product")
        assert "no probability" in data.descriptions[0]
        assert all(text.split(":")[0] in ("grade", "slope", "ribs", "ruggedness", "canopy", "rolls")
                   for text in data.descriptions)  # fmt: skip
        grade = data.read(1, masked=True)
    np.testing.assert_allclose(grade.filled(np.nan), view.zones.grade.values, atol=1e-6, equal_nan=True)
    assert 0.0 <= grade.min() <= grade.max() <= 1.0


def test_the_map_names_traps_and_carries_the_caution(handed):
    """Every letter on the sheet is of the palette; the first trap, the caution and the scale stand on it."""
    view, _, _ = handed
    with mpl.rc_context():
        drawing = draw_trap_map(view)
    words = " ".join(text.get_text() for text in drawing.page.texts)
    first = view.traps[0]
    assert f"{first.letter}{first.number}" in words
    assert "Planning and training aid" in words
    assert "on A4, printed without scaling" in words
    for trap in view.traps[:3]:
        assert load_palette().traps.signs[trap.kind].letter == trap.letter


def test_every_kind_has_a_sign():
    signs = load_palette().traps.signs
    assert {kind: sign.letter for kind, sign in signs.items()} == LETTERS
    assert len({sign.hatch for sign in signs.values()}) == len(signs)


def test_the_table_tells_reason_shares_and_formula(handed):
    view, _, _ = handed
    text = " ".join(trap_table(view, None).split())
    assert view.traps[0].reason in text
    assert "weight = severity x" in text
    assert "not a hazard forecast" in text
    assert ("carried persons" in text) is (view.plan is not None)
    assert "Area " in text


def test_older_results_are_kept(handed):
    view, folder, _ = handed
    before = (folder / "traps.json").read_bytes()
    with pytest.raises(OutputExistsError, match="--overwrite"):
        write_result(result_of_traps(view), folder)
    with undrawn():
        write_result(result_of_traps(view), folder, overwrite=True)
    assert (folder / "traps.json").read_bytes() == before


def test_nothing_is_left_of_a_folder_that_fails(handed, tmp_path, monkeypatch):
    view, _, _ = handed

    def broken(*_args):
        raise RuntimeError("no ink")

    monkeypatch.setattr("lastseen.output.results.ground.write_trap_map", broken)
    with pytest.raises(RuntimeError, match="no ink"):
        write_result(result_of_traps(view), tmp_path / "new")
    assert list(tmp_path.iterdir()) == []
