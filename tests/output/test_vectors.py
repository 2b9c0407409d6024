import contextlib
import dataclasses
import json
import math
import re
import sqlite3

import fiona
import geopandas
import gpxpy
import pyogrio
import pytest
import shapely
from lxml import etree
from pyproj import Geod

from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION
from lastseen.output.results.layers import plan_layers
from lastseen.output.results.plan import result_of_plan
from lastseen.output.write import add_formats

NAMES = [
    "last_seen",
    "release",
    "flow_paths",
    "debris",
    "deposition_zones",
    "terrain_traps",
    "lanes",
    "route",
    "uncovered",
    "no_go",
    "first_lanes",
]
GPX = "{http://www.topografix.com/GPX/1/1}"


def test_layers_are_plain_records_that_fit_their_columns(plan, observed):
    kinds = {"text": str, "real": float, "integer": int}
    for one in (plan, observed):
        layers = plan_layers(one)
        assert list(layers) == NAMES
        for layer in layers.values():
            assert len(layer.shapes) == len(layer.rows)
            for shape, row in zip(layer.shapes, layer.rows, strict=True):
                assert shape.geom_type == layer.geometry
                assert shape.is_valid
                for column, value in zip(layer.columns, row, strict=True):
                    assert value is None or isinstance(value, kinds[column.kind]), (layer.name, column.name)
                    assert not (isinstance(value, float) and math.isnan(value))
            assert layer.columns[-1].name == "reason"
            assert all(row[-1].endswith(".") for row in layer.rows)


def test_the_geopackage_has_all_layers_with_their_columns(plan, written):
    path = written / "plan.gpkg"
    assert [name for name, _ in pyogrio.list_layers(path)] == [*NAMES, "run", "layer_styles"]
    for name, layer in plan_layers(plan).items():
        frame = geopandas.read_file(path, layer=name)
        assert list(frame.columns) == [column.name for column in layer.columns] + ["geometry"]
        assert frame.crs == plan.terrain.elevation.crs
        assert len(frame) == len(layer.rows)
        assert pyogrio.read_info(path, layer=name)["geometry_type"] == layer.geometry
    lanes = geopandas.read_file(path, layer="lanes")
    assert list(lanes["number"]) == [lane.number for lane in plan.search.lanes]
    assert list(lanes["length_m"]) == pytest.approx([lane.length_m for lane in plan.search.lanes])
    paths = geopandas.read_file(path, layer="flow_paths")
    assert list(paths["kind"]) == ["steepest", "main", *["corridor"] * (len(paths) - 2)]


# OGC 12-128r17 (GeoPackage 1.3, 2021), requirements 2, 10, 13 and 21 and annex C: tables and their columns.
REQUIRED = {
    "gpkg_spatial_ref_sys": [
        "srs_name", "srs_id", "organization", "organization_coordsys_id", "definition", "description",
    ],
    "gpkg_contents": [
        "table_name", "data_type", "identifier", "description", "last_change", "min_x", "min_y", "max_x", "max_y",
        "srs_id",
    ],
    "gpkg_geometry_columns": ["table_name", "column_name", "geometry_type_name", "srs_id", "z", "m"],
}  # fmt: skip
# Columns by which a desktop GIS finds styles: common practice, no standard.
STYLE_COLUMNS = [
    "id", "f_table_catalog", "f_table_schema", "f_table_name", "f_geometry_column", "styleName", "styleQML", "styleSLD",
    "useAsDefault", "description", "owner", "ui", "update_time",
]  # fmt: skip


@pytest.fixture
def database(written):
    with contextlib.closing(sqlite3.connect(f"file:{written / 'plan.gpkg'}?mode=ro", uri=True)) as found:
        yield found


def columns_of(database, table):
    return [row[1] for row in database.execute(f"PRAGMA table_info({table})")]


def test_the_geopackage_is_a_sound_one(database):
    """OGC 12-128r17: application_id "GPKG", user_version 10200 or later, required tables, three required CRSs."""
    assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert database.execute("PRAGMA foreign_key_check").fetchall() == []
    assert database.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
    (version,) = database.execute("PRAGMA user_version").fetchone()
    assert 10200 <= version < 20000
    assert database.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    for table, columns in REQUIRED.items():
        assert columns_of(database, table)[: len(columns)] == columns, table
    references = {number for (number,) in database.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
    assert {-1, 0, 4326} <= references
    there = {name for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")}
    told = dict(database.execute("SELECT table_name, data_type FROM gpkg_contents"))
    assert told == {**dict.fromkeys(NAMES, "features"), "run": "attributes", "layer_styles": "attributes"}
    assert set(told) <= there
    assert {name for (name,) in database.execute("SELECT table_name FROM gpkg_geometry_columns")} == set(NAMES)
    for (changed,) in database.execute("SELECT last_change FROM gpkg_contents"):
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z", changed)


def test_layers_say_what_they_show_and_the_caution(database):
    for name, description in database.execute(
        "SELECT table_name, description FROM gpkg_contents WHERE data_type = 'features'"
    ):
        assert description.endswith(SHORT_CAUTION), name
        assert len(description) > len(SHORT_CAUTION) + 20


def test_every_layer_has_a_style_where_a_gis_looks_for_it(database):
    """The query is the one by which the style of a layer is looked up: no catalogue, no schema, the default first."""
    assert columns_of(database, "layer_styles") == STYLE_COLUMNS
    geometry = dict(database.execute("SELECT table_name, column_name FROM gpkg_geometry_columns"))
    for name in NAMES:
        found = database.execute(
            "SELECT styleQML, styleSLD FROM layer_styles WHERE f_table_schema = '' AND f_table_name = ? AND "
            "f_geometry_column = ? AND useAsDefault ORDER BY update_time DESC LIMIT 1",
            (name, geometry[name]),
        ).fetchone()
        qml, sld = found
        assert qml.startswith("<!DOCTYPE qgis")
        assert etree.fromstring(sld.encode()).get("version") == "1.0.0"


def test_an_independent_reader_reads_the_geopackage(plan, written):
    """Fiona, which brings its own GDAL: the same layers, fields, CRS and shapes."""
    path = written / "plan.gpkg"
    assert {*NAMES, "run"} <= set(fiona.listlayers(path))
    for name, layer in plan_layers(plan).items():
        with fiona.open(path, layer=name) as found:
            assert list(found.schema["properties"]) == [column.name for column in layer.columns]
            assert found.crs.to_epsg() == plan.terrain.elevation.crs.to_epsg()
            assert len(found) == len(layer.shapes)
            for one, shape in zip(found, layer.shapes, strict=True):
                assert shapely.geometry.shape(one.geometry).equals_exact(shape, 0.0)


def test_the_run_table_says_how_it_was_made(plan, written):
    table = pyogrio.read_dataframe(written / "plan.gpkg", layer="run")
    said = dict(zip(table["key"], table["value"], strict=True))
    assert said["caution"] == FULL_CAUTION
    assert said["seed"] == str(plan.scenario.seed)
    assert said["name"] == plan.scenario.name
    assert float(said["coverage"]) == pytest.approx(plan.search.coverage.fraction, abs=1e-6)
    assert {"version", "schema_version", "crs", "model", "strip_width_m", "poa_inside_debris"} <= said.keys()


def test_options_of_the_vector_library_are_put_back(plan, tmp_path):
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2001-02-03T04:05:06Z"})
    try:
        add_formats(result_of_plan(plan), ["gpkg"], tmp_path)
        assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == "2001-02-03T04:05:06Z"
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def test_an_observed_outline_has_empty_layers_with_columns(observed, tmp_path):
    path = tmp_path / "plan.gpkg"
    add_formats(result_of_plan(observed), ["gpkg"], path.parent)
    for name, layer in plan_layers(observed).items():
        frame = geopandas.read_file(path, layer=name)
        assert list(frame.columns[:-1]) == [column.name for column in layer.columns]
    assert len(geopandas.read_file(path, layer="release")) == 0
    debris = geopandas.read_file(path, layer="debris")
    assert debris["level"].isna().all()
    assert debris.geometry[0].equals(observed.debris.outline)
    assert pyogrio.read_info(path, layer="terrain_traps")["geometry_type"] == "MultiPolygon"


def test_the_gpx_keeps_the_order_of_the_standard(written):
    root = etree.parse(written / "lanes.gpx").getroot()
    assert root.tag == GPX + "gpx"
    assert root.get("version") == "1.1"
    order = ["metadata", "wpt", "rte", "trk"]
    kinds = [order.index(child.tag.removeprefix(GPX)) for child in root]
    assert kinds == sorted(kinds)
    inner = ["ele", "time", "name", "cmt", "desc"]
    for point in root.iter(GPX + "wpt", GPX + "trkpt"):
        assert set(point.keys()) == {"lat", "lon"}
        for key, most in (("lat", 90), ("lon", 180)):
            text = point.get(key)
            assert abs(float(text)) <= most
            assert "e" not in text.lower()
            assert len(text.split(".")[1]) <= 7
        kinds = [inner.index(child.tag.removeprefix(GPX)) for child in point]
        assert kinds == sorted(kinds)
    assert root.find(f"{GPX}metadata/{GPX}desc").text == FULL_CAUTION
    assert root.find(f"{GPX}metadata/{GPX}time") is None
    assert root.find(f"{GPX}rte") is None


def test_names_in_the_gpx_are_short_and_unique(plan, written):
    document = gpxpy.parse((written / "lanes.gpx").read_text(encoding="utf-8"))
    names = [track.name for track in document.tracks] + [point.name for point in document.waypoints]
    assert len(set(names)) == len(names)
    assert all(name.isascii() and len(name) <= 10 for name in names)
    assert document.name == plan.scenario.name
    assert document.waypoints[0].name == "S1A"


@pytest.mark.parametrize("which", ["plan", "observed"])
def test_lanes_in_the_gpx_are_as_long_as_on_the_map(which, request, tmp_path):
    plan = request.getfixturevalue(which)
    add_formats(result_of_plan(plan), ["gpx"], tmp_path)
    document = gpxpy.parse((tmp_path / "lanes.gpx").read_text(encoding="utf-8"))
    ellipsoid = Geod(ellps="WGS84")
    segments = [segment for track in document.tracks for segment in track.segments]
    legs = plan.search.legs
    assert len(segments) == len(legs)
    for segment, leg in zip(segments, legs, strict=True):
        a, b = segment.points
        length = ellipsoid.inv(a.longitude, a.latitude, b.longitude, b.latitude)[2]
        assert length == pytest.approx(leg.line.length, rel=1e-3, abs=0.02)  # 0.02 m: seven decimals of a degree
        assert a.elevation == pytest.approx(float(plan.terrain.elevation.sample(*leg.line.coords[0])), abs=0.06)
    walking = {leg.searcher for leg in legs}
    assert len(document.waypoints) == len(legs) + len(walking)


def test_uncovered_rest_is_what_coverage_left(plan):
    left = shapely.union_all(plan_layers(plan)["uncovered"].shapes)
    assert left.area == pytest.approx(plan.search.coverage.uncovered.area)


def test_required_text_is_json_safe(plan):
    for layer in plan_layers(plan).values():
        json.dumps(layer.rows, allow_nan=False)


def test_a_widened_outline_says_so(plan):
    """The searched outline is not called debris of that share alone when likelier ground was added to it."""
    widened = dataclasses.replace(plan, debris=dataclasses.replace(plan.debris, widened=True))
    reason = plan_layers(widened)["debris"].rows[0][-1]
    assert "Widened to the smallest ground that holds 90 % of the probability of area." in reason
    assert "Widened" not in plan_layers(plan)["debris"].rows[0][-1]
