"""Everything that is handed over joins in by one list; a folder gives the same products as the plan that wrote it."""

import importlib.util
import json
import re

import geopandas
import pytest
from pyarrow import parquet

from lastseen.commands import plan as handing_over
from lastseen.core.errors import InputError, OutputExistsError
from lastseen.output.formats import FORMATS
from lastseen.output.read import read_result
from lastseen.output.result import FULL_CAUTION, Options
from lastseen.output.results.plan import result_of_plan, result_of_search
from lastseen.output.write import add_formats, files_into, write_result

NAMES = [*FORMATS, "sheet", "page", "sheet-staff", "sheet-blank"]


def bytes_in(folder):
    return {one.name: one.read_bytes() for one in folder.iterdir() if one.is_file()}


@pytest.mark.parametrize(
    ("name", "device"),
    [
        *(
            pytest.param(name, "full", marks=[pytest.mark.slow] if name.startswith(("sheet", "page")) else [])
            for name in NAMES
        ),
        ("gpx", "basic"),
    ],
)
def test_export_gives_the_same_bytes_as_the_plan(plan, written, tmp_path, name, device):
    """From the folder as from the plan, byte for byte; and as the folder holds it, where it is always there.

    Quick tests of the page and of the sheet say the same of these two.
    """
    options, result = Options(device=device), result_of_plan(plan)
    add_formats(result, [name], tmp_path / "made", options=options)
    files = add_formats(read_result(written), [name], tmp_path / "out", options=options)
    made, exported, held = bytes_in(tmp_path / "made"), bytes_in(tmp_path / "out"), bytes_in(written)
    assert sorted(made) == sorted(exported) == [one.name for one in files]
    assert [one for one in made if made[one] != exported[one]] == []
    if name in result.default and device == "full":
        assert [one for one in made if made[one] != held[one]] == []


@pytest.mark.slow
def test_export_of_a_drawn_search(observed, tmp_path):
    """Also from a search whose GeoPackage is in another CRS; there, coordinates agree to a micrometre."""
    write_result(result_of_search(observed, file_crs="EPSG:32632"), tmp_path / "search")
    result = read_result(tmp_path / "search")
    assert result.file_crs == "EPSG:32632"
    add_formats(read_result(tmp_path / "search"), NAMES, tmp_path / "out")
    first, again = bytes_in(tmp_path / "search"), bytes_in(tmp_path / "out")
    same = set(first) & set(again) - {"search.gpkg", "map.png", "sheet.pdf", "page.html"}  # of these coordinates
    assert {"search.json", "lanes.gpx", "search.kml", "ground.tif"} <= same
    assert [name for name in same if first[name] != again[name]] == []
    for layer in ("lanes", "debris"):
        a, b = (geopandas.read_file(tmp_path / one / "search.gpkg", layer=layer) for one in ("search", "out"))
        assert a.crs == b.crs == "EPSG:32632"
        assert a.geometry.geom_equals_exact(b.geometry, 1e-6).all()


def test_exports_lie_beside_what_is_there_and_replace_only_when_asked(written, tmp_path):
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "photo.jpg").write_text("x")
    add_formats(read_result(written), ["gpx", "kml"], folder)
    assert set(bytes_in(folder)) == {"photo.jpg", "lanes.gpx", "plan.kml"}
    add_formats(read_result(written), ["gpx"], folder)  # the same bytes: nothing to refuse
    (folder / "lanes.gpx").write_text("other")
    with pytest.raises(OutputExistsError, match=r"another lanes\.gpx.*--overwrite"):
        add_formats(read_result(written), ["kml", "gpx", "geojson"], folder)
    assert not (folder / "plan.geojson").exists()  # nothing is moved when one is refused
    add_formats(read_result(written), ["gpx"], folder, overwrite=True)
    assert (folder / "lanes.gpx").read_bytes() == (written / "lanes.gpx").read_bytes()
    assert sorted(one.name for one in tmp_path.iterdir()) == ["out"]
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputExistsError, match="not a folder"):
        add_formats(read_result(written), ["gpx"], tmp_path / "file")


def test_a_failed_export_leaves_nothing(tmp_path):
    with pytest.raises(FileNotFoundError), files_into(tmp_path / "out") as partial:
        (partial / "half.txt").write_text((tmp_path / "nowhere").read_text())
    assert list(tmp_path.iterdir()) == []


def test_unknown_products_are_refused_with_the_list(written):
    with pytest.raises(InputError, match="'dxf' is no product: choose from json, gpkg"):
        add_formats(read_result(written), ["gpx", "dxf"], written)
    with pytest.raises(InputError, match="no product was named"):
        add_formats(read_result(written), [], written)


def test_names_files_and_words_are_told_apart():
    assert len(set(NAMES)) == len(NAMES)
    assert all(format_.words and re.fullmatch(r"[a-z-]+", name) for name, format_ in FORMATS.items())
    assert list(handing_over.NAMES) == NAMES  # the help of the command, which must not import the list


def test_without_its_library_geoparquet_says_what_to_install(plan, tmp_path, monkeypatch):
    find = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "pyarrow" else find(name))
    with pytest.raises(InputError, match=r"pip install \"lastseen\[parquet\]\""):
        add_formats(result_of_plan(plan), ["parquet"], tmp_path)


def test_geoparquet_holds_the_layers(plan, tmp_path):
    """GeoParquet 1.1 (OGC, 2024): metadata ``geo`` with version, primary column and encoding; read by geopandas."""
    result = result_of_plan(plan)
    add_formats(result, ["parquet"], tmp_path)
    there = {name for name, layer in result.layers.items() if layer.shapes}
    assert {one.stem for one in tmp_path.iterdir()} == there
    for name in there:
        frame = geopandas.read_parquet(tmp_path / f"{name}.parquet")
        layer = result.layers[name]
        assert frame.crs == result.crs
        assert all(a.equals_exact(b, 0.0) for a, b in zip(frame.geometry, layer.shapes, strict=True))
        assert list(frame.columns[:-1]) == [column.name for column in layer.columns]
        said = parquet.read_metadata(tmp_path / f"{name}.parquet").metadata
        assert said[b"caution"].decode() == FULL_CAUTION
        geo = json.loads(said[b"geo"])
        assert geo["version"] == "1.1.0"
        assert geo["columns"][geo["primary_column"]]["encoding"] == "WKB"
