"""Tracks and waypoints that can be counted by hand: full files, files for small receivers, layers as tracks."""

from itertools import pairwise
from types import SimpleNamespace

import gpxpy
import pytest
from pyproj import CRS
from shapely.geometry import LineString, MultiLineString, MultiPolygon, Point, box

from lastseen.output.formats import gpx
from lastseen.output.result import SHORT_CAUTION, Layer, Options, Track, Tracks, Waypoint

UTM32 = CRS("EPSG:32632")  # its middle meridian is 9 degrees east, at 500 km


def row(count, y_m=0.0):
    """Points a metre apart, each with its number for a height."""
    return tuple((500_000.0 + k, y_m, float(k)) for k in range(count))


def written(tracks, folder, device="full"):
    """Parsed files by name."""
    result = SimpleNamespace(tracks={"lanes": tracks}, stem="search", crs=UTM32)
    gpx.write(result, folder, Options(device=device), lambda *_: None)
    return {path.name: gpxpy.parse(path.read_text(encoding="utf-8")) for path in sorted(folder.iterdir())}


def test_points_keep_place_height_and_words(tmp_path):
    """East before north on the map, latitude before longitude in the file; heights in decimetres, or none."""
    points = (
        Waypoint(x_m=500_000.0, y_m=0.0, z_m=1234.56, name="A", text="first"),
        Waypoint(x_m=500_000.0, y_m=1_000_000.0, z_m=float("nan"), name="B", text="second"),
        Waypoint(x_m=600_000.0, y_m=0.0, name="C", text="third"),
    )
    [document] = written(Tracks(title="Meadow", about="words", waypoints=points), tmp_path).values()
    a, b, c = document.waypoints
    assert (document.name, document.description) == ("Meadow", "words")
    assert document.creator.startswith("lastseen ")
    assert [(p.name, p.description, p.elevation) for p in (a, b, c)] == [
        ("A", "first", 1234.6), ("B", "second", None), ("C", "third", None),
    ]  # fmt: skip
    assert (a.longitude, a.latitude) == pytest.approx((9.0, 0.0), abs=1e-7)
    assert b.longitude == pytest.approx(9.0, abs=1e-7)
    assert b.latitude == pytest.approx(9.0, abs=0.1)  # a thousand kilometres of meridian
    assert (c.longitude, c.latitude) == pytest.approx((9.9, 0.0), abs=0.01)


def test_a_track_keeps_its_segments_in_order(tmp_path):
    track = Track(name="S1", text="lane", segments=(row(3), row(2, y_m=50.0)))
    [document] = written(Tracks(title="x", tracks=(track, Track(name="S2", segments=(row(4),)))), tmp_path).values()
    assert [(t.name, t.description, [len(s.points) for s in t.segments]) for t in document.tracks] == [
        ("S1", "lane", [3, 2]), ("S2", None, [4]),
    ]  # fmt: skip
    assert [p.elevation for p in document.tracks[0].segments[0].points] == [0.0, 1.0, 2.0]


@pytest.mark.parametrize(("count", "sizes"), [(0, [0]), (100, [100]), (101, [100, 1]), (250, [100, 100, 50])])
def test_small_receivers_get_a_hundred_waypoints_a_file(tmp_path, count, sizes):
    points = tuple(Waypoint(x_m=500_000.0 + k, y_m=0.0, name=f"P{k}", text="t", track="S1") for k in range(count))
    tracks = (Track(name="S1", segments=(row(2),)), Track(name="S2", segments=(row(3),)))
    files = written(Tracks(title="x", waypoints=points, tracks=tracks), tmp_path, "basic")
    names = ["lanes-S1.gpx", *(f"lanes-S1-{k}.gpx" for k in range(2, len(sizes) + 1))]
    assert sorted(files) == sorted([*names, "lanes-S2.gpx"])
    assert [len(files[name].waypoints) for name in names] == sizes
    assert [len(files[name].tracks) for name in names] == [1, *([0] * (len(sizes) - 1))]
    assert files["lanes-S2.gpx"].waypoints == []
    assert [p.name for name in names for p in files[name].waypoints] == [f"P{k}" for k in range(count)]
    assert {file.description for file in files.values()} == {SHORT_CAUTION}


@pytest.mark.parametrize(
    ("segments", "sizes"),
    [((250,), [250]), ((251,), [250, 2]), ((499,), [250, 250]), ((500,), [250, 250, 2]), ((200, 52), [250, 2])],
)
def test_small_receivers_get_tracks_of_250_points_that_join(tmp_path, segments, sizes):
    """One segment each; the next track begins where the last one ended, and so does each segment."""
    parts, first = [], 0
    for size in segments:
        parts.append(row(1000)[first : first + size])
        first += size - 1
    files = written(Tracks(title="x", tracks=(Track(name="S1", segments=tuple(parts)),)), tmp_path, "basic")
    found = files["lanes-S1.gpx"].tracks
    assert [t.name for t in found] == ["S1", "S1T2", "S1T3"][: len(sizes)]
    assert [[len(s.points) for s in t.segments] for t in found] == [[size] for size in sizes]
    heights = [[p.elevation for p in t.segments[0].points] for t in found]
    assert all(a[-1] == b[0] for a, b in pairwise(heights))
    assert sorted({h for part in heights for h in part}) == [float(k) for k in range(first + 1)]


def test_small_receivers_get_short_names_and_words(tmp_path):
    points = (
        Waypoint(x_m=500_000.0, y_m=0.0, name="ABCDEFGH", text="x" * 40, track=""),
        Waypoint(x_m=500_000.0, y_m=0.0, name="B", text="long words", short="short", track=""),
    )
    track = Track(name="LANE567", text="words", segments=(row(251),))
    files = written(Tracks(title="x", waypoints=points, tracks=(track,)), tmp_path, "basic")
    assert [(p.name, p.description) for p in files["lanes.gpx"].waypoints] == [("ABCDEF", "x" * 30), ("B", "short")]
    assert [t.name for t in files["lanes-LANE567.gpx"].tracks] == ["LANE56", "LANE56"]


def test_layers_become_waypoints_and_tracks():
    """Points as waypoints, lines and the rings of areas as segments, numbered within their layer."""
    line = LineString([(0, 0), (5, 6)])
    hole = box(0, 0, 9, 9).difference(box(3, 3, 6, 6))
    layers = [
        Layer(name="spot", title="Spots", about="", geometry="Point", columns=(), shapes=(Point(1, 2), Point(3, 4))),
        Layer(name="way", title="Ways", about="", geometry="LineString", columns=(), shapes=(line,)),
        Layer(name="net", title="Nets", about="", geometry="MultiLineString", columns=(),
              shapes=(MultiLineString([[(0, 0), (1, 1)], [(2, 2), (3, 3), (4, 4)]]),)),
        Layer(name="area", title="Areas", about="", geometry="MultiPolygon", columns=(),
              shapes=(MultiPolygon([hole, box(20, 20, 21, 21)]),)),
    ]  # fmt: skip
    found = gpx.tracks_of_layers(SimpleNamespace(layers={layer.name: layer for layer in layers}, title="All"))
    assert found.title == "All"
    assert [(p.name, p.text, p.x_m, p.y_m) for p in found.waypoints] == [
        ("spot-1", "Spots", 1.0, 2.0), ("spot-2", "Spots", 3.0, 4.0),
    ]  # fmt: skip
    assert [(t.name, t.text, [len(s) for s in t.segments]) for t in found.tracks] == [
        ("way-1", "Ways", [2]), ("net-1", "Nets", [2, 3]), ("area-1", "Areas", [5, 5, 5]),
    ]  # fmt: skip
    assert found.tracks[0].segments[0] == ((0.0, 0.0, None), (5.0, 6.0, None))
