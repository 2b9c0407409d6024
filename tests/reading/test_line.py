"""Reading a line: what reaches it, what does not, and lines of every shape and file."""

import itertools
import math
from dataclasses import replace
from types import SimpleNamespace

import geopandas
import numpy as np
import pytest
from shapely.geometry import LineString, MultiLineString

from lastseen.core.errors import InputError
from lastseen.core.scenario import Scenario, Snow
from lastseen.jobs.reading.block_reading import CellTotals
from lastseen.jobs.reading.block_run import draw_shared
from lastseen.jobs.reading.ground import PreparedGround, heights_of_grid, heights_of_model
from lastseen.jobs.reading.line import _few_cells, read_line, view_line
from lastseen.jobs.reading.line_exposure import find_passing_samples
from lastseen.jobs.reading.route import read_lines, route_of
from lastseen.jobs.reading.stretches import places_to_regroup
from lastseen.output.formats.json import numbers_text
from lastseen.output.results.ground import result_of_line
from lastseen.terrain.elevation import open_elevation
from reading import grounds


def place(ground, row, col):
    x, y = ground.centre_of(row, col)
    return float(x), float(y)


def line_on(ground, *cells):
    return LineString([place(ground, *cell) for cell in cells])


def read(ground, *lines, **more):
    return read_line(heights_of_grid(ground), lines, members=more.pop("members", 6), **more)


def test_a_line_on_a_ridge_is_reached_by_nothing():
    ground = grounds.ridge()
    reading = read(ground, line_on(ground, (80, 8), (80, 70)))
    assert {stretch.state for stretch in reading.stretches} == {"not reached"}
    assert reading.zones == ()
    assert all(stretch.exposure == 0.0 and stretch.caught == 0 for stretch in reading.stretches)
    assert reading.regroup


def test_a_line_under_a_face_is_reached():
    """Under an even face of 40 degrees every event comes over the line, and whoever is caught goes on to the flat."""
    ground = grounds.face()
    reading = read(ground, line_on(ground, (46, 15), (46, 75)))
    exposed = [stretch for stretch in reading.stretches if stretch.state == "reached"]
    assert sum(stretch.length_m for stretch in exposed) > 0.95 * reading.route.length_m
    assert max(stretch.exposure for stretch in exposed) > 0.95
    worst = max(exposed, key=lambda stretch: stretch.length_m)
    assert 20.0 < worst.distance_m[1] < 300.0
    assert worst.zones
    assert worst.zones[0].share == 1.0


def test_places_to_regroup_lie_on_ground_that_nothing_crosses():
    ground = grounds.face(ny=170)
    reading = read(ground, line_on(ground, (40, 45), (165, 45)))
    assert reading.regroup
    mask, window = reading.passing.ground.mask, reading.passing.ground.window
    for one in reading.regroup:
        row, col = reading.heights.on(window, mask).cell_of(one.x_m, one.y_m)
        assert mask[row, col] == 0
        assert one.clear_m >= 10.0
        assert one.along_m > 90.0 or one.along_m < 60.0
        assert one.slope_deg < 27.0


def test_regrouping_keeps_off_start_zones_and_steep_ground():
    """Down the face and out on the flat: where no sample came at all, start zones and 27 degrees still count."""
    ground = grounds.face(ny=170)
    heights = heights_of_grid(ground)
    prepared = PreparedGround(heights=heights, with_traps=False)
    route = route_of([line_on(ground, (5, 45), (165, 45))], heights)
    passing = find_passing_samples(prepared, route, draw_shared(Snow(), 1, 6))
    still = replace(passing, ground=CellTotals.empty(passing.ground.window))
    tile = prepared.over(passing.ground.window)
    for more, steepest in (({}, 27.0), ({"zone": np.zeros_like(tile.zone)}, 27.0)):
        changed = SimpleNamespace(
            heights=heights, layers_on=prepared.layers_on, over=lambda _window, more=more: replace(tile, **more)
        )
        found = places_to_regroup(changed, route, still)
        assert found
        for one in found:
            row, col = heights.on(tile.window, tile.smoothed_m).cell_of(one.x_m, one.y_m)
            near = tile.zone[max(0, row - 1) : row + 2, max(0, col - 1) : col + 2]
            assert more or not near.any()
            assert one.slope_deg < steepest
            assert one.slope_deg == pytest.approx(float(tile.slope_deg[row, col]))
            assert one.area_m2 >= 150.0


def test_who_stands_at_the_top_of_a_start_zone_releases_it():
    """Along the upper edge of the face nothing comes from above; somebody who is caught there is carried down."""
    ground = grounds.face()
    reading = read(ground, line_on(ground, (13, 15), (13, 75)))
    assert {one.state for one in reading.stretches} == {"starts here"}
    for one in reading.stretches:
        assert one.exposure == 0.0
        assert one.zones == ()
        assert one.caught > 0
        assert 0.0 < one.drop_m[0] <= one.drop_m[1] <= one.drop_m[2] < 200.0 * math.tan(math.radians(40.0)) + 10.0


def test_climb_and_descent_of_a_line():
    """Down the face it falls by 200 m x tan 40 degrees and climbs nothing; the other way round it climbs as much."""
    ground = grounds.face()
    fall = 200.0 * math.tan(math.radians(40.0))
    for first, last, down in ((5, 70, fall), (70, 5, 0.0)):
        stretches = read(ground, line_on(ground, (first, 45), (last, 45))).stretches
        # Heights between the last station of a stretch and the first of the next belong to neither.
        assert sum(one.descent_m for one in stretches) == pytest.approx(down, abs=0.08 * fall)
        assert sum(one.climb_m for one in stretches) == pytest.approx(fall - down, abs=0.08 * fall)
        assert [one.to_end_m for one in stretches] == pytest.approx([325.0 - one.to_m for one in stretches])


def test_the_line_agrees_with_brute_force():
    """Exposure at each station is the share of members of which any sample from above enters a cell near it."""
    ground = grounds.rough_face(ny=100, nx=60)
    heights = heights_of_grid(ground)
    line = line_on(ground, (70, 10), (66, 50))
    draws = draw_shared(Snow(), 1, 6)
    route = route_of([line], heights)
    passing = find_passing_samples(PreparedGround(heights=heights, with_traps=False), route, draws)
    near = max(3.0, 0.75 * 5.0, 0.5 * passing.spacing_m)
    seen = set()
    x = (passing.cols + 0.5 + heights.offset[1]) * 5.0
    y = -(passing.rows + 0.5 + heights.offset[0]) * 5.0
    for sample in range(passing.zone.size):
        for k in range(passing.offsets[sample], passing.offsets[sample + 1]):
            away = np.hypot(route.x_m - x[k], route.y_m - y[k])
            if away.min() <= near:
                seen.add((sample, int(k), int(away.argmin())))
    told = set(
        zip(passing.record_sample.tolist(), passing.record_visit.tolist(), passing.record_station.tolist(), strict=True)
    )
    assert told <= seen  # a sample that stays near one station is told once
    assert {(sample, station) for sample, _, station in told} == {(sample, station) for sample, _, station in seen}


@pytest.mark.slow
def test_threads_do_not_show(monkeypatch):
    ground = grounds.rough_face()
    line = line_on(ground, (62, 10), (58, 80))
    monkeypatch.setenv("LASTSEEN_THREADS", "1")
    one = read(ground, line)
    monkeypatch.setenv("LASTSEEN_THREADS", "3")
    several = read(ground, line)
    np.testing.assert_array_equal(one.caught.distance_m, several.caught.distance_m)
    assert [s.exposure for s in one.stretches] == [s.exposure for s in several.stretches]
    assert one.zones[0].outline.equals(several.zones[0].outline)


def test_stretches_fill_the_line_without_gaps():
    ground = grounds.rough_face()
    reading = read(ground, line_on(ground, (5, 10), (75, 30), (110, 80)))
    for part in {stretch.part for stretch in reading.stretches}:
        own = [stretch for stretch in reading.stretches if stretch.part == part]
        assert own[0].from_m == 0.0
        assert own[-1].to_end_m == pytest.approx(0.0, abs=1e-6)
        for a, b in itertools.pairwise(own):
            assert a.to_m == pytest.approx(b.from_m)
            assert a.state != "not reached" or b.state != "not reached"


def test_a_line_that_leaves_the_model_and_crosses_no_data():
    ground = grounds.face()
    z = ground.values.copy()
    z[70:80, :] = np.nan
    ground = grounds.grid(z)
    reading = read(
        ground,
        LineString(
            [place(ground, 100, 40), place(ground, 20, 40), (place(ground, 20, 40)[0] - 900, place(ground, 20, 40)[1])]
        ),
    )
    states = [stretch.state for stretch in reading.stretches]
    assert states.count("no data") == 2
    gone = sum(stretch.length_m for stretch in reading.stretches if stretch.state == "no data")
    # The hole is 10 rows of 5 m; of the last 900 m to the west the first 40.5 columns of 5 m lie on the model.
    assert gone == pytest.approx(50.0 + 900.0 - 40.5 * 5.0, abs=40.0)
    with pytest.raises(InputError, match="no part of the line"):
        read(ground, LineString([(0.0, 0.0), (100.0, 0.0)]))


@pytest.mark.slow
def test_a_line_that_doubles_back_is_read_the_same_both_ways():
    ground = grounds.rough_face()
    there = [place(ground, 62, 10), place(ground, 58, 85)]
    reading = read(ground, LineString([*there, there[0]]))
    assert reading.route.length_m == pytest.approx(2.0 * math.dist(*there))
    exposure = reading.stations.exposure
    once = read(ground, LineString(there)).stations.exposure
    assert once.mean() > 0.5
    for one in (exposure[: exposure.size // 2], exposure[::-1][: exposure.size // 2]):
        grown = np.interp(np.linspace(0.0, 1.0, once.size), np.linspace(0.0, 1.0, one.size), one)
        assert np.abs(grown - once).mean() < 0.03


def test_two_points_and_a_hundred_thousand():
    ground = grounds.face()
    two = read(ground, line_on(ground, (46, 15), (46, 75)))
    a, b = (np.array(place(ground, 46, col)) for col in (15, 75))
    many = LineString(a + np.linspace(0.0, 1.0, 100_000)[:, None] * (b - a))
    assert [s.exposure for s in read(ground, many).stretches] == pytest.approx(
        [s.exposure for s in two.stretches], abs=0.02
    )


def test_several_lines_follow_each_other():
    ground = grounds.face()
    reading = read(ground, line_on(ground, (46, 15), (46, 75)), line_on(ground, (140, 15), (140, 75)))
    assert {stretch.part for stretch in reading.stretches} == {0, 1}
    assert {stretch.state for stretch in reading.stretches if stretch.part == 1} == {"not reached"}


@pytest.mark.parametrize("suffix", [".gpkg", ".geojson", ".kml", ".gpx"])
def test_lines_of_any_file_and_crs(tmp_path, face_file, suffix):
    """The same line in another file and CRS gives the same stations within centimetres."""
    elevation = open_elevation((face_file,))
    line = LineString([(500_500.0, 5_199_000.0), (501_200.0, 5_198_700.0), (501_900.0, 5_198_900.0)])
    frame = geopandas.GeoDataFrame({"name": ["a"]}, geometry=[line], crs=elevation.crs)
    path = tmp_path / f"line{suffix}"
    if suffix == ".gpx":
        points = frame.to_crs(4326).geometry[0].coords
        text = "".join(
            f'<trkpt lat="{y:.9f}" lon="{x:.9f}"><time>2027-01-02T10:00:00Z</time></trkpt>' for x, y in points
        )
        path.write_text(
            f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{text}</trkseg></trk></gpx>'
        )
    elif suffix == ".gpkg":
        frame.to_crs(2056).to_file(path)
    else:
        frame.to_crs(4326).to_file(path)
    (found,) = read_lines(path, elevation.crs)
    assert found.hausdorff_distance(line) < 0.6
    assert route_of([found], heights_of_model(elevation)).length_m == pytest.approx(line.length, abs=0.6)


def test_a_gpx_with_track_and_route_is_one_line(tmp_path, face_file):
    """The track is taken; without times it reads the same."""
    crs = open_elevation((face_file,)).crs
    points = (
        geopandas.GeoSeries([LineString([(500_500.0, 5_199_000.0), (501_200.0, 5_198_700.0)])], crs=crs)
        .to_crs(4326)[0]
        .coords
    )
    parts = {tag: "".join(f'<{tag} lat="{y}" lon="{x}"/>' for x, y in points) for tag in ("trkpt", "rtept")}
    path = tmp_path / "both.gpx"
    path.write_text(
        '<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
        f"<rte>{parts['rtept']}</rte><trk><trkseg>{parts['trkpt']}</trkseg></trk></gpx>"
    )
    assert len(read_lines(path, crs)) == 1


@pytest.mark.parametrize("tags", [
    ("trk", "trkseg", "trkpt"), pytest.param(("rte", "", "rtept"), marks=pytest.mark.slow)
], ids=["track", "route"])  # fmt: skip
def test_times_change_nothing(tmp_path, face_file, tags):
    """A GPX with times (and heights) gives the same reading as the same line without."""
    crs = open_elevation((face_file,)).crs
    line = LineString([(500_700.0, 5_199_700.0), (501_000.0, 5_199_720.0), (501_300.0, 5_199_680.0)])
    points = geopandas.GeoSeries([line], crs=crs).to_crs(4326)[0].coords
    outer, inner, point = tags
    found = []
    for timed in (True, False):
        text = ""
        for k, (x, y) in enumerate(points):
            more = f"<ele>{1500 + 7 * k}</ele><time>2027-01-02T1{k}:00:0{k}Z</time>" if timed else ""
            text += f'<{point} lat="{y:.9f}" lon="{x:.9f}">{more}</{point}>'
        text = f"<{inner}>{text}</{inner}>" if inner else text
        path = tmp_path / f"{timed}.gpx"
        path.write_text(
            f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><{outer}>{text}</{outer}></gpx>'
        )
        view = view_line(Scenario(elevation=(face_file,)), path, members=4)
        numbers = dict(result_of_line(view).numbers)
        assert numbers.pop("inputs")[-1] == {"role": "line", "name": path.name}
        found.append((numbers_text(numbers), [list(one.coords) for one in view.reading.route.lines]))
    assert found[0] == found[1]
    assert view.reading.zones


def test_bodies_left_out_would_not_have_passed(monkeypatch):
    """With and without the bound of the energy line the same samples pass, to the last bit."""
    ground = grounds.rough_face(ny=190, nx=90)
    bank = math.tan(math.radians(36.0)) * np.clip(5.0 * np.arange(190.0) - 775.0, 0.0, 60.0)  # across the flat
    heights = heights_of_grid(replace(ground, values=ground.values + bank[:, None]))
    route = route_of([line_on(ground, (66, 10), (62, 80))], heights)
    draws = draw_shared(Snow(), 1, 8)
    bounded = find_passing_samples(PreparedGround(heights=heights, with_traps=False), route, draws, 20.0)
    monkeypatch.setattr("lastseen.jobs.reading.line_exposure.CERTAIN", 1e-6)
    every = find_passing_samples(PreparedGround(heights=heights, with_traps=False), route, draws, 20.0)
    assert 0 < bounded.zone.size < bounded.samples < every.samples
    for name in ("rows", "cols", "speeds_m_s", "member", "stop_x_m", "stop_y_m", "debris_m", "record_station"):
        np.testing.assert_array_equal(getattr(bounded, name), getattr(every, name))


def test_lines_that_cannot_be_used(tmp_path, face_file):
    crs = open_elevation((face_file,)).crs
    with pytest.raises(InputError, match="does not exist"):
        read_lines(tmp_path / "none.gpx", crs)
    path = tmp_path / "area.geojson"
    geopandas.GeoSeries([LineString([(9.0, 46.9), (9.1, 46.9)]).buffer(0.01)], crs=4326).to_file(path)
    with pytest.raises(InputError, match="no line"):
        read_lines(path, crs)
    path = tmp_path / "text.gpx"
    path.write_text("no file of this kind")
    with pytest.raises(InputError, match="cannot be read"):
        read_lines(path, crs)


def test_parts_that_join_are_one_line(tmp_path, face_file):
    crs = open_elevation((face_file,)).crs
    shape = MultiLineString(
        [[(500_500, 5_199_000), (500_900, 5_199_000)], [(500_900, 5_199_000), (501_300, 5_198_900)]]
    )
    path = tmp_path / "parts.gpkg"
    geopandas.GeoSeries([shape], crs=crs).to_file(path)
    assert len(read_lines(path, crs)) == 1


@pytest.mark.parametrize("x_m", [-500.0, 12.5])
def test_layers_are_asked_for_where_the_line_begins_or_in_a_corner(x_m):
    """A line that begins off the model asks on its first cells; else on the cells round its beginning."""
    ground = grounds.face(ny=60)
    heights = heights_of_grid(ground)
    route = SimpleNamespace(x_m=np.array([grounds.WEST_M + x_m]), y_m=np.array([grounds.NORTH_M - 12.5]))
    found = _few_cells(SimpleNamespace(heights=heights, route=route))
    assert found.shape == ((3, 3) if x_m < 0.0 else (5, 5))
    assert np.isfinite(found.values).all()
