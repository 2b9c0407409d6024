"""Everything that is handed over joins in by one list; a folder gives the same products as the plan that wrote it."""

import dataclasses
import importlib.util
import json
import re

import geopandas
import pytest
from pyarrow import parquet

from lastseen.commands import plan as handing_over
from lastseen.core.errors import InputError, OutputExistsError
from lastseen.output.caution import FULL_CAUTION
from lastseen.output.result import read_result, result_of_plan
from lastseen.output.write import KINDS, Wishes, export_plan, files_into, kinds_named, write_search

NAMES = [one.name for one in KINDS]


def bytes_in(folder):
    return {one.name: one.read_bytes() for one in folder.iterdir() if one.is_file()}


@pytest.mark.parametrize(("name", "device"), [*((name, "full") for name in NAMES), ("gpx", "basic")])
def test_export_gives_the_same_bytes_as_the_plan(plan, written, tmp_path, name, device):
    """From the folder as from the plan, byte for byte; and as the folder holds it, where it is always there."""
    wishes = Wishes(device=device)
    kind = kinds_named([name])[0]
    (tmp_path / "made").mkdir()
    kind.write_into(tmp_path / "made", result_of_plan(plan), wishes)
    files = export_plan(written, [name], output=tmp_path / "out", wishes=wishes)
    made, exported, held = bytes_in(tmp_path / "made"), bytes_in(tmp_path / "out"), bytes_in(written)
    assert sorted(made) == sorted(exported) == [one.name for one in files]
    assert [one for one in made if made[one] != exported[one]] == []
    if kind.always and device == "full":
        assert [one for one in made if made[one] != held[one]] == []


def test_export_of_a_drawn_search(observed, tmp_path):
    """Also from a search whose GeoPackage is in another CRS; there, coordinates agree to a micrometre."""
    write_search(observed, tmp_path / "search", crs="EPSG:32632")
    result = read_result(tmp_path / "search")
    assert result.file_crs == "EPSG:32632"
    export_plan(tmp_path / "search", NAMES, output=tmp_path / "out")
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
    export_plan(written, ["gpx", "kml"], output=folder)
    assert set(bytes_in(folder)) == {"photo.jpg", "lanes.gpx", "plan.kml"}
    export_plan(written, ["gpx"], output=folder)  # the same bytes: nothing to refuse
    (folder / "lanes.gpx").write_text("other")
    with pytest.raises(OutputExistsError, match=r"another lanes\.gpx.*--overwrite"):
        export_plan(written, ["kml", "gpx", "geojson"], output=folder)
    assert not (folder / "plan.geojson").exists()  # nothing is moved when one is refused
    export_plan(written, ["gpx"], output=folder, overwrite=True)
    assert (folder / "lanes.gpx").read_bytes() == (written / "lanes.gpx").read_bytes()
    assert sorted(one.name for one in tmp_path.iterdir()) == ["out"]
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputExistsError, match="not a folder"):
        export_plan(written, ["gpx"], output=tmp_path / "file")


def test_a_failed_export_leaves_nothing(tmp_path):
    with pytest.raises(FileNotFoundError), files_into(tmp_path / "out") as partial:
        (partial / "half.txt").write_text((tmp_path / "nowhere").read_text())
    assert list(tmp_path.iterdir()) == []


def test_unknown_products_are_refused_with_the_list(written):
    with pytest.raises(InputError, match="'dxf' is no product: choose from json, gpkg"):
        export_plan(written, ["gpx", "dxf"])
    with pytest.raises(InputError, match="no product was named"):
        export_plan(written, [])


def test_names_files_and_words_are_told_apart():
    assert len(set(NAMES)) == len(NAMES)
    files = [one.file for one in KINDS if one.file]
    assert len(set(files)) == len(files)
    assert all(one.words and re.fullmatch(r"[a-z-]+", one.name) for one in KINDS)
    assert list(handing_over.NAMES) == NAMES  # the help of the command, which must not import the list


def test_without_its_library_geoparquet_says_what_to_install(plan, tmp_path, monkeypatch):
    find = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "pyarrow" else find(name))
    with pytest.raises(InputError, match=r"pip install \"lastseen\[parquet\]\""):
        kinds_named(["parquet"])[0].write_into(tmp_path, result_of_plan(plan))


def test_geoparquet_holds_the_layers(plan, tmp_path):
    """GeoParquet 1.1 (OGC, 2024): metadata ``geo`` with version, primary column and encoding; read by geopandas."""
    result = result_of_plan(plan)
    kinds_named(["parquet"])[0].write_into(tmp_path, result)
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


def test_a_product_that_joins_later_is_written_everywhere(plan, written, tmp_path, monkeypatch):
    """One line in the list is all that a new product needs."""

    def write(result, path, wishes):
        path.write_text(f"{result.numbers['name']} {wishes.paper}")

    more = dataclasses.replace(KINDS[0], name="note", file="note.txt", write=write)
    monkeypatch.setattr(write, "KINDS", (*KINDS, more))
    export_plan(written, ["note"], output=tmp_path / "out", wishes=Wishes(paper="A3"))
    assert (tmp_path / "out" / "note.txt").read_text().endswith(" A3")
    assert tuple(one for one in KINDS if one.always) == write.ALWAYS
