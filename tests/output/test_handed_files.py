"""GPX, KML and GeoJSON against their published standards."""

import dataclasses
import json
import math
import re
from itertools import pairwise

import gpxpy
import numpy as np
import pytest
import shapely
from lxml import etree
from pyproj import CRS, Geod, Proj, Transformer
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, shape

from lastseen.core.place import WGS84, transformer
from lastseen.output.draw.palette import load_palette
from lastseen.output.formats.geojson import in_degrees
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION, Options
from lastseen.output.results import plan as plan_result
from lastseen.output.results.plan import result_of_plan
from lastseen.output.write import add_formats
from output.schemas import official

KML = "{http://www.opengis.net/kml/2.2}"
ELLIPSOID = Geod(ellps="WGS84")


@pytest.fixture(scope="module", params=["plan", "observed"])
def result(request):
    return result_of_plan(request.getfixturevalue(request.param))


def rebuilt(result, **changes):
    """The result with other numbers or layers, and what is made of them."""
    given = {name: getattr(result, name) for name in ("numbers", "layers", "rasters")} | changes
    return plan_result.build_result(result.job, *given.values(), crs=result.crs)


def long_route(result, corners):
    """The same plan with a lane of many corners, walked by searcher 1."""
    layer = result.layers["route"]
    shape_, row = layer.shapes[0], dict(zip([one.name for one in layer.columns], layer.rows[0], strict=True))
    x, y = shape_.coords[0]
    points = [(x + 0.4 * i, y + 5.0 * (i % 2)) for i in range(corners + 2)]
    rows = [
        tuple((row | {"kind": "lane", "lane": 1, "number": i + 1, "searcher": 1}).values()) for i in range(corners + 1)
    ]
    lines = tuple(LineString(points[i : i + 2]) for i in range(corners + 1))
    layers = {**result.layers, "route": dataclasses.replace(layer, shapes=lines, rows=tuple(rows))}
    return rebuilt(result, layers=layers)


# --- GPX 1.1 (TopoGrafix 2004, gpx.xsd) --------------------------------------------------------------------------


def test_gpx_obeys_the_official_schema(result, tmp_path):
    schema = official("gpx_1_1", "gpx.xsd")
    add_formats(result, ["gpx"], tmp_path, overwrite=True)
    add_formats(result, ["gpx"], tmp_path, options=Options(device="basic"), overwrite=True)
    files = sorted(tmp_path.glob("*.gpx"))
    assert len(files) >= 2
    for one in files:
        schema.assertValid(etree.parse(one))
    broken = etree.parse(files[0])
    broken.getroot()[1].set("lat", "91")  # the check can fail
    assert not schema.validate(broken)


def test_turning_points_are_named_by_what_is_walked(result, tmp_path):
    """L03A is where lane 3 begins, its last letter where it ends; names are unique and short."""
    add_formats(result, ["gpx"], tmp_path, overwrite=True)
    document = gpxpy.parse((tmp_path / "lanes.gpx").read_text(encoding="utf-8"))
    names = [one.name for one in (*document.tracks, *document.waypoints)]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[A-Z0-9]{2,6}", name) for name in names)
    at = {one.name: one for one in document.waypoints}
    for row in result.numbers["lanes"]:
        family = sorted(name for name in at if name.startswith(f"L{row['number']:02d}"))
        lon, lat = row["start"]["lonlat"]
        assert (at[family[0]].longitude, at[family[0]].latitude) == pytest.approx((lon, lat), abs=2e-7)
        assert at[family[0]].description.startswith((f"Lane {row['number']}:", "End of lane"))
        assert at[family[0]].elevation == pytest.approx(float(result.ground.sample(*middle(result, lon, lat))), abs=0.1)
        if row["number"] == result.numbers["lanes"][-1]["number"]:
            lon, lat = row["end"]["lonlat"]
            assert (at[family[-1]].longitude, at[family[-1]].latitude) == pytest.approx((lon, lat), abs=2e-7)
    assert f"S{result.numbers['route'][0]['searcher']}A" in at or result.numbers["route"][0]["kind"] == "lane"


def middle(result, lon, lat):
    return transformer(WGS84, result.crs).transform(lon, lat)


def test_letters_run_on_after_z():
    assert [plan_result._letters(i) for i in (0, 1, 25, 26, 51, 52, 701, 702)] == [
        "A",
        "B",
        "Z",
        "AA",
        "AZ",
        "BA",
        "ZZ",
        "AAA",
    ]


def test_basic_files_fit_small_receivers(result, tmp_path):
    """Limits of small receivers (common practice, no source): one file each, few points, short names, nothing lost."""
    for one, corners in ((result, None), (long_route(result, 620), 620)):
        folder = tmp_path / str(corners)
        folder.mkdir()
        add_formats(one, ["gpx"], folder, options=Options(device="basic"), overwrite=True)
        add_formats(one, ["gpx"], folder, overwrite=True)
        full = gpxpy.parse((folder / "lanes.gpx").read_text(encoding="utf-8"))
        parts = [gpxpy.parse(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("lanes-S*.gpx"))]
        assert len(parts) == (7 if corners else len(full.tracks))
        seen = []
        for part in parts:
            assert len(part.waypoints) <= 100
            assert part.description == SHORT_CAUTION
            for track in part.tracks:
                assert len(track.segments) == 1
                assert len(track.segments[0].points) <= 250
            texts = [*part.waypoints, *part.tracks]
            assert all(re.fullmatch(r"[A-Z0-9]{2,6}", text.name) for text in texts)
            assert len({text.name for text in texts}) == len(texts)
            assert all(point.description.isascii() and len(point.description) <= 30 for point in part.waypoints)
            seen += [(point.name, point.longitude, point.latitude) for point in part.waypoints]
        assert sorted(seen) == sorted((point.name, point.longitude, point.latitude) for point in full.waypoints)
        walked = sum(track.length_2d() for part in parts for track in part.tracks)
        assert walked == pytest.approx(sum(track.length_2d() for track in full.tracks), rel=1e-9)


def test_without_elevation_no_height_is_made_up(result, tmp_path):
    """GPX 1.1: ``ele`` may be left out; 0 would be a wrong height."""
    flat = rebuilt(result, numbers={**result.numbers, "flat": True})
    add_formats(flat, ["gpx"], tmp_path, overwrite=True)
    add_formats(flat, ["gpx"], tmp_path, options=Options(device="basic"), overwrite=True)
    for path in tmp_path.glob("*.gpx"):
        assert "<ele>" not in path.read_text(encoding="utf-8")
    add_formats(result, ["gpx"], tmp_path, overwrite=True)
    document = gpxpy.parse((tmp_path / "lanes.gpx").read_text(encoding="utf-8"))
    for point in document.tracks[0].segments[0].points:
        x, y = middle(result, point.longitude, point.latitude)
        assert point.elevation == pytest.approx(float(result.ground.sample(x, y)), abs=0.1)


def test_what_a_small_receiver_says_leads_to_the_next_point(result, tmp_path):
    """Length and true bearing of each turning point against the ellipsoid (pyproj) and the heights of both ends."""
    add_formats(result, ["gpx"], tmp_path, options=Options(device="basic"), overwrite=True)
    legs, ends = result.records("route"), []
    for path in sorted(tmp_path.glob("lanes-S*.gpx")):
        points = gpxpy.parse(path.read_text(encoding="utf-8")).waypoints
        for a, b in pairwise(points):
            said = re.fullmatch(r"(\d+) m on (\d{3}) true", a.description)
            azimuth, _, flat = ELLIPSOID.inv(a.longitude, a.latitude, b.longitude, b.latitude)
            assert abs((float(said[2]) - azimuth + 180.0) % 360.0 - 180.0) < 2.0, (a.name, azimuth)
            assert float(said[1]) >= 0.98 * math.hypot(flat, a.elevation - b.elevation) - 1.0
            ends.append(a.name)
        assert points[-1].description == "End of the walk"
    assert len(ends) == len(legs)


@pytest.mark.parametrize("which", ["plan", "observed"])
def test_round_trip_of_lane_lengths(which, request, tmp_path):
    """Each lane read from the GPX is as long on the ellipsoid as on the map, within 0.1 %, after the map's own scale.

    The scale factor of the projection at the lane is taken from PROJ (pyproj ``get_factors``); UTM stretches by
    0.9996 to 1.001 (Snyder 1987, USGS Professional Paper 1395).
    """
    plan = request.getfixturevalue(which)
    result = result_of_plan(plan)
    add_formats(result, ["gpx"], tmp_path, overwrite=True)
    document = gpxpy.parse((tmp_path / "lanes.gpx").read_text(encoding="utf-8"))
    projection = Proj(result.crs)
    segments = [segment.points for track in document.tracks for segment in track.segments]
    on_map = {}
    on_ellipsoid = {}
    for points, (line, leg) in zip(segments, result.records("route"), strict=True):
        if leg["kind"] != "lane":
            continue
        a, b = points
        scale = projection.get_factors(a.longitude, a.latitude).meridional_scale
        assert 0.9995 < scale < 1.0011
        number = leg["lane"]
        on_map[number] = on_map.get(number, 0.0) + line.length / scale
        length = ELLIPSOID.inv(a.longitude, a.latitude, b.longitude, b.latitude)[2]
        on_ellipsoid[number] = on_ellipsoid.get(number, 0.0) + length
    assert set(on_map) == {lane.number for lane in plan.search.lanes}
    for number, length in on_map.items():
        assert on_ellipsoid[number] == pytest.approx(length, rel=1e-3), number


# --- OGC KML 2.2 (OGC 07-147r2) ------------------------------------------------------------------------------------


def test_kml_obeys_the_official_schema(result, tmp_path):
    schema = official("kml_2_2", "ogckml22.xsd")
    add_formats(result, ["kml"], tmp_path, overwrite=True)
    document = etree.parse(tmp_path / "plan.kml")
    schema.assertValid(document)
    next(document.iter(f"{KML}LineStyle")).set("colour", "x")  # the check can fail
    assert not schema.validate(document)


def test_kml_needs_no_network_and_says_the_caution(result, tmp_path):
    add_formats(result, ["kml"], tmp_path, overwrite=True)
    root = etree.parse(tmp_path / "plan.kml").getroot()
    assert [one for one in root.iter() if one.tag in {f"{KML}href", f"{KML}NetworkLink", f"{KML}Icon"}] == []
    assert root.find(f"{KML}Document/{KML}description").text == FULL_CAUTION
    folders = list(root.iter(f"{KML}Folder"))
    assert folders
    assert all(one.find(f"{KML}description").text.endswith(SHORT_CAUTION) for one in folders)
    styles = {f"#{one.get('id')}" for one in root.iter(f"{KML}Style")}
    assert {one.text for one in root.iter(f"{KML}styleUrl")} <= styles
    assert all(re.fullmatch(r"[0-9a-f]{8}", one.text) for one in root.iter(f"{KML}color"))


def test_kml_colours_are_those_of_the_palette_in_the_order_of_the_standard(result, tmp_path):
    """OGC 07-147r2, 10.1: aabbggrr in hexadecimal. Lanes carry the colour of lanes; debris is half clear as drawn."""
    add_formats(result, ["kml"], tmp_path, overwrite=True)
    root = etree.parse(tmp_path / "plan.kml").getroot()
    palette = load_palette()
    colours = {
        (one.get("id"), part): one.find(f"{KML}{part}/{KML}color").text
        for one in root.iter(f"{KML}Style")
        for part in ("LineStyle", "PolyStyle")
    }
    for key, wanted, opacity in (
        (("lanes-0", "LineStyle"), palette.lanes.colour, 1.0),
        (("debris-0", "LineStyle"), palette.debris.outline, 1.0),
        (("debris-0", "PolyStyle"), palette.debris.ramp[0], palette.debris.opacity),
    ):
        assert (colours[key][6:8] + colours[key][4:6] + colours[key][2:4]).lower() == wanted[1:].lower(), key
        assert int(colours[key][:2], 16) / 255.0 == pytest.approx(opacity, abs=0.003)


def test_kml_holds_all_lanes_traps_and_rings(result, tmp_path):
    """Every thing of every layer is there, in degrees; rings are closed and outer ones run against the clock."""
    add_formats(result, ["kml"], tmp_path, overwrite=True)
    root = etree.parse(tmp_path / "plan.kml").getroot()
    folders = {one.find(f"{KML}name").text: one for one in root.iter(f"{KML}Folder")}
    for layer in result.layers.values():
        rows = layer.rows
        if layer.name == "route":
            rows = [row for _, row in layer.records() if row["kind"] != "lane"]
        there = folders[layer.title].findall(f"{KML}Placemark") if layer.title in folders else []
        assert len(there) == len(rows), layer.name
    names = [one.find(f"{KML}name").text for one in folders["Lanes"].findall(f"{KML}Placemark")]
    assert names[0] == "Lane 1, searcher 1"
    for tag, ccw in (("outerBoundaryIs", True), ("innerBoundaryIs", False)):
        for one in root.iter(f"{KML}{tag}"):
            ring = np.array([part.split(",") for part in one.find(f".//{KML}coordinates").text.split()], dtype=float)
            assert (ring[0] == ring[-1]).all()
            assert shapely.is_ccw(shapely.linearrings(ring)) == ccw


# --- GeoJSON (RFC 7946, IETF 2016) ---------------------------------------------------------------------------------


def rings_of(geometry):
    """(outer, holes) of each polygon of a GeoJSON geometry."""
    if geometry["type"] == "Polygon":
        yield geometry["coordinates"][0], geometry["coordinates"][1:]
    elif geometry["type"] == "MultiPolygon":
        for one in geometry["coordinates"]:
            yield one[0], one[1:]


def numbers_in(value):
    if isinstance(value, list):
        for one in value:
            yield from numbers_in(one)
    else:
        yield value


@pytest.fixture
def collection(result, tmp_path):
    add_formats(result, ["geojson"], tmp_path, overwrite=True)
    text = (tmp_path / "plan.geojson").read_text(encoding="utf-8")
    return json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))


def test_geojson_is_as_the_standard_says(result, collection):
    """RFC 7946: 3.3 members, 4 no CRS, 3.1.1 longitude first, 3.1.6 right-hand rule, 5 bbox, 6.1 foreign members."""
    assert collection["type"] == "FeatureCollection"

    assert collection["caution"] == FULL_CAUTION
    assert len({one["id"] for one in collection["features"]}) == len(collection["features"])
    west, south, east, north = collection["bbox"]
    assert -180 <= west < east <= 180
    assert -90 <= south < north <= 90
    for one in collection["features"]:
        assert set(one) == {"type", "id", "geometry", "properties"}
        values = list(numbers_in(one["geometry"]["coordinates"]))
        assert all(west <= x <= east for x in values[::2])
        assert all(south <= y <= north for y in values[1::2])
        assert all(x == round(x, 7) for x in values)
        assert all(len(repr(x).split(".")[1]) <= 7 for x in values)
        for outer, holes in rings_of(one["geometry"]):
            assert all(ring[0] == ring[-1] and len(ring) >= 4 for ring in (outer, *holes))
            assert signed_area(outer) > 0
            assert all(signed_area(hole) < 0 for hole in holes)
    assert all("crs" not in one for one in (collection, *collection["features"]))


def signed_area(ring):
    """Shoelace; positive against the clock."""
    xy = np.array(ring) - ring[0]
    return 0.5 * float(np.sum(xy[:-1, 0] * xy[1:, 1] - xy[1:, 0] * xy[:-1, 1]))


def test_geojson_holds_every_thing_where_it_is(result, collection):
    """Against pyproj on its own: within 2 cm, with all values."""
    back = Transformer.from_crs("EPSG:4326", result.crs, always_xy=True)
    for layer in result.layers.values():
        found = [one for one in collection["features"] if one["properties"]["layer"] == layer.name]
        assert len(found) == len(layer.shapes)
        for one, (geometry, row) in zip(found, layer.records(), strict=True):
            assert one["properties"] == {"layer": layer.name} | row
            again = shapely.transform(shape(one["geometry"]), lambda xy: np.column_stack(back.transform(*xy.T)))
            assert again.geom_type == geometry.geom_type
            assert again.hausdorff_distance(geometry) < 0.02


def test_rings_turn_the_right_way_whatever_they_came_as():
    """A ring and its hole drawn the wrong way round, and a point that stays a point."""
    square = Polygon([(0, 0), (0, 9), (9, 9), (9, 0)], [[(2, 2), (4, 2), (4, 4), (2, 4)]])
    moved = shapely.transform(MultiPolygon([square]), lambda xy: xy + np.array([5e5, 5e6]))
    area, point = in_degrees([moved, Point(500_000, 5_000_000)], CRS("EPSG:32632"))
    assert area.geoms[0].exterior.is_ccw
    assert not area.geoms[0].interiors[0].is_ccw
    assert math.isclose(point.x, 9.0, abs_tol=1e-7)
