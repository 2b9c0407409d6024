"""The results of all ten jobs in every format: written, and read again by somebody else."""

import csv
import dataclasses
import json

import geopandas
import gpxpy
import numpy as np
import pyogrio
import pytest
import rasterio
from lxml import etree
from shapely import LineString

import hills
from dem_zoo import store
from lastseen.core.place import parse_crs, parse_point
from lastseen.core.scenario import Scenario, check_scenario
from lastseen.jobs.practice.debrief import debrief
from lastseen.jobs.practice.deposit import lay_deposit
from lastseen.jobs.practice.drill import Exercise
from lastseen.jobs.practice.site import SiteRequest
from lastseen.jobs.practice.sites import view_sites
from lastseen.jobs.practice.targets import plan_targets
from lastseen.jobs.reading.area import view_area
from lastseen.jobs.reading.line import view_line
from lastseen.jobs.terrain_view import view_terrain
from lastseen.jobs.trap_view import view_traps
from lastseen.output.formats import FORMATS, Format
from lastseen.output.read import read_reach, read_result, read_site
from lastseen.output.result import FULL_CAUTION, MARKERS, SHORT_CAUTION, Options
from lastseen.output.results.ground import result_of_area, result_of_line, result_of_terrain, result_of_traps
from lastseen.output.results.plan import result_of_plan, result_of_search
from lastseen.output.results.practice import result_of_debrief, result_of_deposit, result_of_sites, result_of_targets
from lastseen.output.write import add_formats, write_result
from lastseen.terrain.elevation import open_elevation
from practice import site_zoo
from practice.walks import corners_of, plan_on, recorded
from reading import grounds

pytestmark = pytest.mark.slow  # ten jobs are run once for all of these
JOBS = tuple(MARKERS)
KML = "{http://www.opengis.net/kml/2.2}"
SLD = "{http://www.opengis.net/sld}"


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """The result of each job, from ground that is quick to work on."""
    place = tmp_path_factory.mktemp("jobs")
    made = {}
    hills.write(place / "hill.tif", hills.hill_with_gully())
    view = view_traps(
        check_scenario(
            {
                "elevation": [place / "hill.tif"],
                "name": "Hill (invented)",
                "snow": {"size": 3, "members": 8, "bodies": 400, "model": "body"},
                "last_seen": {"at": f"{hills.WEST_M + 430},{hills.NORTH_M - 300}", "crs": "32632"},
            }
        )
    )
    made["traps"] = result_of_traps(view)
    made["plan"] = result_of_plan(view.plan)
    made["search"] = result_of_search(dataclasses.replace(view.plan, model=None))
    made["terrain"] = result_of_terrain(view_terrain(open_elevation([place / "hill.tif"])))

    store(place / "meadow.tif", site_zoo.behind_a_ridge(), unit="m")
    near = parse_point("600600,5100600", parse_crs("32632"))
    scenario = check_scenario({"elevation": [place / "meadow.tif"]})
    made["sites"] = result_of_sites(view_sites(scenario, SiteRequest(within_m=130.0, count=1), near))
    add_formats(made["sites"], ["json", "cog"], place / "sites")
    frame, site = read_site(place / "sites", 1)
    made["deposit"] = result_of_deposit(
        lay_deposit(
            open_elevation([place / "meadow.tif"]), frame, site, like=2, reach=read_reach(place / "sites"), seed=5,
            snow_m=0.8, left_m=0.3, packing=0.5, stake_m=10.0, name=None,
        )
    )  # fmt: skip

    planned = plan_on(200.0, 160.0, searchers=2, slope_deg=15.0, name="Meadow")
    hidden = plan_targets(planned, Exercise(targets=3, decoys=1), 3)
    made["targets"] = result_of_targets(planned, hidden)
    tracks = [recorded(corners_of(planned, k), f"s{k}") for k in (1, 2)]
    made["debrief"] = result_of_debrief(debrief(planned, tracks, targets=hidden.targets))

    ground = grounds.rough_face(ny=260, nx=240, cell_m=10.0)
    hills.write(place / "face.tif", ground.values, ground.west_m, ground.north_m, ground.cell_m)
    scenario = Scenario(elevation=(place / "face.tif",), name="A face")
    line = LineString([(500_700.0, 5_199_700.0), (501_000.0, 5_199_720.0)])
    geopandas.GeoSeries([line], crs=ground.crs).to_file(place / "line.gpkg")
    made["line"] = result_of_line(view_line(scenario, place / "line.gpkg", members=4))
    made["area"] = result_of_area(view_area(scenario, place / "area", tile_km=50.0, members=4, spacing_m=30.0))
    return {job: made[job] for job in JOBS}


@pytest.fixture(scope="module")
def written(results, tmp_path_factory):
    """Each result in every format."""
    place = tmp_path_factory.mktemp("formats")
    for job, result in results.items():
        for name in FORMATS:
            add_formats(result, [name], place / job / name)
    return place


def one_file(folder, name):
    assert [path.name for path in folder.iterdir()] == [name]
    return folder / name


def filled(result):
    return {name: layer for name, layer in result.layers.items() if layer.shapes}


def json_is_right(result, folder):
    name = result.marker if result.marker.endswith("json") else f"{result.stem}.json"
    numbers = json.loads(one_file(folder, name).read_text(encoding="utf-8"))
    assert numbers == json.loads(json.dumps(result.numbers))
    assert numbers["caution"] == FULL_CAUTION


def gpkg_is_right(result, folder):
    path = one_file(folder, f"{result.stem}.gpkg")
    more = ["run", "layer_styles"] if result.styles else ["run"]
    assert [name for name, _ in pyogrio.list_layers(path)] == [*result.layers, *more]
    for name, layer in result.layers.items():
        frame = geopandas.read_file(path, layer=name)
        assert list(frame.columns[:-1]) == [column.name for column in layer.columns]
        assert len(frame) == len(layer.shapes)
        assert all(a.equals_exact(b, 0.0) for a, b in zip(frame.geometry, layer.shapes, strict=True))
    run = pyogrio.read_dataframe(path, layer="run", read_geometry=False)
    assert tuple(zip(run["key"], run["value"], strict=True)) == result.run


def cog_is_right(result, folder):
    rasters = {**result.rasters, **(result.stream.rasters if result.stream else {})}
    assert sorted(path.stem for path in folder.iterdir()) == sorted(rasters)
    for name, raster in rasters.items():
        with rasterio.open(folder / f"{name}.tif") as data:
            assert data.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
            assert data.tags()["CAUTION"] == FULL_CAUTION
            assert (data.descriptions, data.units) == (raster.descriptions, raster.units)
            values = data.read(masked=True).filled(np.nan)
            assert np.isfinite(values).any()
        for grid, read in zip(raster.bands, values, strict=bool(raster.bands)):
            np.testing.assert_array_equal(read, grid.values.astype(np.float32))


def gpx_is_right(result, folder):
    names = result.tracks or {result.stem: None}
    assert sorted(path.stem for path in folder.iterdir()) == sorted(names)
    for name, tracks in names.items():
        document = gpxpy.parse((folder / f"{name}.gpx").read_text(encoding="utf-8"))
        assert document.description.startswith(FULL_CAUTION)
        if tracks is None:
            points = sum(len(layer.shapes) for layer in result.layers.values() if layer.geometry == "Point")
            things = sum(len(layer.shapes) for layer in result.layers.values())
            assert (len(document.waypoints), len(document.tracks)) == (points, things - points)
            assert things > 0
        else:
            assert [point.name for point in document.waypoints] == [point.name for point in tracks.waypoints]
            assert [track.name for track in document.tracks] == [track.name for track in tracks.tracks]


def kml_is_right(result, folder):
    root = etree.parse(one_file(folder, f"{result.stem}.kml")).getroot()
    folders = {part.find(f"{KML}name").text: part for part in root.iter(f"{KML}Folder")}
    assert sorted(folders) == sorted(layer.title for layer in filled(result).values())
    for layer in filled(result).values():
        marks = folders[layer.title].findall(f"{KML}Placemark")
        drawn = [row for _, row in layer.records() if layer.name != "route" or row["kind"] != "lane"]
        assert len(marks) == len(drawn), layer.name
        assert folders[layer.title].find(f"{KML}description").text.endswith(SHORT_CAUTION)


def geojson_is_right(result, folder):
    path = one_file(folder, f"{result.stem}.geojson")
    document = json.loads(path.read_text(encoding="utf-8"))
    assert document["caution"] == FULL_CAUTION
    found = [feature["properties"]["layer"] for feature in document["features"]]
    assert found == [layer.name for layer in result.layers.values() for _ in layer.shapes]
    west, south, east, north = geopandas.read_file(path).total_bounds
    assert 5.0 < west <= east < 13.0
    assert 45.0 < south <= north < 48.0


def parquet_is_right(result, folder):
    assert sorted(path.stem for path in folder.iterdir()) == sorted(filled(result))
    for name, layer in filled(result).items():
        frame = geopandas.read_parquet(folder / f"{name}.parquet")
        assert frame.crs.equals(result.crs)
        assert all(a.equals_exact(b, 0.0) for a, b in zip(frame.geometry, layer.shapes, strict=True))


def csv_is_right(result, folder):
    names = result.tables or filled(result)
    assert sorted(path.stem for path in folder.iterdir()) == sorted(names)
    for name in names:
        lines = (folder / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        head, *rows = csv.reader(line for line in lines if not line.startswith("#"))
        if result.tables:
            table = result.tables[name]
            assert tuple(head) == table.head
            assert [tuple(row) for row in rows] == [
                tuple("" if value is None else str(value) for value in row) for row in table.rows
            ]
        else:
            layer = result.layers[name]
            assert head == [*(column.name for column in layer.columns), "lon_deg", "lat_deg"]
            assert len(rows) == len(layer.shapes)
            assert lines[0] == f"# {FULL_CAUTION}"


def sld_is_right(result, folder):
    assert sorted(path.stem for path in folder.iterdir()) == sorted(filled(result))
    for name, layer in filled(result).items():
        root = etree.parse(folder / f"{name}.sld").getroot()
        assert root.find(f"{SLD}NamedLayer/{SLD}Name").text == name
        symbolizer = {"Point": "Point", "MultiPolygon": "Line"}.get(layer.geometry, "Line")
        assert root.find(f".//{SLD}Rule/{SLD}{symbolizer}Symbolizer") is not None


CHECKS = {
    "json": json_is_right, "gpkg": gpkg_is_right, "cog": cog_is_right, "gpx": gpx_is_right, "kml": kml_is_right,
    "geojson": geojson_is_right, "parquet": parquet_is_right, "csv": csv_is_right, "sld": sld_is_right,
}  # fmt: skip


def test_every_format_has_its_check():
    assert list(CHECKS) == list(FORMATS)


@pytest.mark.parametrize("job", JOBS)
@pytest.mark.parametrize("name", CHECKS)
def test_every_result_is_written_in_every_format_and_read_again(results, written, job, name):
    CHECKS[name](results[job], written / job / name)


@pytest.mark.parametrize("job", JOBS)
def test_a_format_that_joins_is_written_for_every_result(results, tmp_path, monkeypatch, job):
    """A function of the same form, put into the list, is all that it takes."""

    def write(result, folder, options, _progress):
        (folder / "note.txt").write_text(f"{result.title}, {len(result.layers)} layers, {options.paper}")

    monkeypatch.setitem(FORMATS, "note", Format(words="a note", write=write))
    result = results[job]
    (path,) = add_formats(result, ["note"], tmp_path / "out", options=Options(paper="A3"))
    assert path.read_text() == f"{result.title}, {len(result.layers)} layers, A3"
    assert result.title
    own_folder = dataclasses.replace(result, default=("note",))
    assert [path.name for path in write_result(own_folder, tmp_path / "new")] == ["note.txt"]


@pytest.mark.parametrize("job", JOBS)
def test_what_is_written_where_nothing_is_chosen_is_there(results, job):
    """Formats and products of each job exist, and the marker is among what they write."""
    result = results[job]
    assert set(result.default) <= {*FORMATS, *result.products}
    assert ("cog" if job == "terrain" else "json") in result.default


@pytest.mark.parametrize("job", [job for job in JOBS if job != "terrain"])
def test_a_folder_read_back_gives_the_same_formats(results, written, tmp_path, job):
    """Numbers, layers, rasters and the table ``run`` come back; from them, text formats have the same bytes."""
    result, names = results[job], ["json", "gpkg", "cog"]
    add_formats(result, names, tmp_path / job)
    again = read_result(tmp_path / job)
    assert again.job == job
    assert (again.run, again.title, again.marker) == (result.run, result.title, result.marker)
    add_formats(again, ["json", "geojson", "kml", "sld"], tmp_path / "again")
    for name in ("json", "geojson", "kml", "sld"):
        for path in (written / job / name).iterdir():
            assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name
    for name, raster in result.rasters.items():
        for a, b in zip(raster.bands, again.rasters[name].bands, strict=True):
            np.testing.assert_array_equal(a.values.astype(np.float32), b.values)
