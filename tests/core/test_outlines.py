"""Between cells and outlines."""

import geopandas
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS
from scipy import ndimage
from shapely import LineString, MultiPolygon, Point, Polygon, box
from shapely.geometry import GeometryCollection

from dem_zoo import UTM, WEST_M, grid_of
from lastseen.core.errors import InputError
from lastseen.core.outlines import (
    cells_of_outline,
    keep_areas,
    outline_of_cells,
    outline_of_level,
    read_outline,
    smooth_outline,
)

GRID = grid_of(lambda x, y: 0.0 * x * y, shape=(41, 57), cell_m=5.0)
SOUTH_M = GRID.bounds[1]
CENTRE = (131.7, 97.3)


def around(x, y):
    return np.hypot(x - CENTRE[0], y - CENTRE[1])


def on_map(x, y):
    return WEST_M + x, SOUTH_M + y


@pytest.mark.parametrize("level", [0.2, 5.0, 0.0, -40.0])
def test_a_level_of_a_cone_is_its_circle(level):
    """The outline has the area and the middle of the circle, wherever the level lies."""
    radius = 63.0
    values = grid_of(lambda x, y: level + 0.8 * (radius - around(x, y)), shape=(41, 57))
    got = outline_of_level(values, level)
    assert len(got.geoms) == 1
    assert got.area == pytest.approx(np.pi * radius**2, rel=0.01)
    assert got.centroid.distance(Point(*on_map(*CENTRE))) < 0.5
    assert got.hausdorff_distance(Point(*on_map(*CENTRE)).buffer(radius, 64)) < 0.5


def test_a_hole_in_a_level_stays_a_hole():
    """A ring gives an annulus: its outer and inner circle, to one per cent."""
    values = grid_of(lambda x, y: 1.0 - abs(around(x, y) - 60.0) / 20.0, shape=(41, 57))
    got = outline_of_level(values, 0.25)
    assert len(got.geoms) == 1
    assert len(got.geoms[0].interiors) == 1
    assert got.area == pytest.approx(np.pi * (75.0**2 - 45.0**2), rel=0.01)
    assert not got.contains(Point(*on_map(*CENTRE)))


def test_small_pieces_and_small_holes_are_left_out():
    """The least area counts for pieces and for holes alike."""
    # A ring of 15 to 45 m radius, and a disc of 7.5 m radius apart from it.
    ring = lambda x, y: 1.0 - abs(around(x, y) - 30.0) / 30.0  # noqa: E731
    disc = lambda x, y: 1.0 - np.hypot(x - 240.0, y - 40.0) / 15.0  # noqa: E731
    values = grid_of(lambda x, y: np.maximum(ring(x, y), disc(x, y)), shape=(41, 57))
    everything = outline_of_level(values, 0.5)
    assert sorted(len(one.interiors) for one in everything.geoms) == [0, 1]
    no_disc = outline_of_level(values, 0.5, least_area_m2=300.0)
    assert [len(one.interiors) for one in no_disc.geoms] == [1]
    filled = outline_of_level(values, 0.5, least_area_m2=1000.0)
    assert [len(one.interiors) for one in filled.geoms] == [0]
    assert filled.area == pytest.approx(np.pi * 45.0**2, rel=0.01)


def test_a_value_equal_to_the_level_is_inside():
    """A plateau exactly at the level belongs to the outline."""
    values = GRID.values.copy()
    values[10:20, 15:30] = 0.2
    got = outline_of_level(GRID.with_values(values), 0.2)
    assert got.area >= 9 * 14 * 25.0 - 1e-3
    assert np.isin(np.flatnonzero(values == 0.2), cells_of_outline(got.buffer(0.01), GRID)).all()


def test_no_data_is_below_any_level():
    """A hole without data is a hole in the outline, and everything else is inside."""
    values = GRID.values + 1.0
    values[12:20, 20:33] = np.nan
    got = outline_of_level(GRID.with_values(values), 0.5)
    assert len(got.geoms) == 1
    assert len(got.geoms[0].interiors) == 1
    cells = cells_of_outline(got, GRID)
    assert np.array_equal(cells, np.flatnonzero(np.isfinite(values)))


def test_nothing_reaches_the_level():
    """An empty outline, not an error."""
    assert outline_of_level(GRID, 0.5).is_empty
    assert outline_of_level(GRID, 0.5).geom_type == "MultiPolygon"


@given(st.integers(0, 2**32 - 1), st.floats(0.05, 0.9))
def test_the_outline_of_cells_has_their_area(seed, share):
    """Any set of cells: exact area, valid, and the same cells when read back."""
    rough = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=GRID.shape), 1.0)
    cells = np.flatnonzero(rough > np.quantile(rough, share))
    got = outline_of_cells(cells, GRID)
    assert got.is_valid
    assert got.area == pytest.approx(cells.size * 25.0, rel=1e-12)
    np.testing.assert_array_equal(cells_of_outline(got, GRID), cells)


def test_cells_that_touch_at_a_corner_stay_apart():
    """Two cells joined by a corner are two pieces, not one that crosses itself."""
    got = outline_of_cells(np.array([0, GRID.shape[1] + 1]), GRID)
    assert len(got.geoms) == 2
    assert got.bounds == (GRID.west_m, GRID.north_m - 10.0, GRID.west_m + 10.0, GRID.north_m)


def test_no_cells_have_an_empty_outline():
    """And an empty outline has no cells."""
    empty = outline_of_cells(np.empty(0, int), GRID)
    assert empty.is_empty
    assert cells_of_outline(empty, GRID).size == 0
    assert cells_of_outline(box(*on_map(-500, -500), *on_map(-400, -400)), GRID).size == 0


def test_a_cell_belongs_to_an_outline_that_holds_its_centre():
    """A box over three and a half columns and two rows."""
    got = cells_of_outline(box(*on_map(10.0, 10.0), *on_map(27.4, 20.0)), GRID)
    ny, nx = GRID.shape
    assert got.tolist() == [(ny - 1 - r) * nx + c for r in (3, 2) for c in (2, 3, 4)]


def test_only_areas_are_kept():
    """Lines and points fall away, nested collections are opened."""
    square = box(0, 0, 1, 1)
    mixed = GeometryCollection(
        [Point(0, 0), LineString([(0, 0), (1, 1)]), GeometryCollection([square]), MultiPolygon([box(2, 2, 3, 4)])]
    )
    assert keep_areas(mixed).area == 3.0
    assert keep_areas(Point(0, 0)).is_empty
    assert keep_areas(Polygon()).is_empty


AREA = box(*on_map(20, 30), *on_map(90, 75))


def saved(path, shapes, crs=UTM, driver=None):
    geopandas.GeoDataFrame(geometry=shapes, crs=crs).to_file(path, driver=driver)
    return path


@pytest.mark.parametrize("crs", ["EPSG:32632", "EPSG:4326", "EPSG:3857", "EPSG:32633"])
@pytest.mark.parametrize("name", ["drawn.gpkg", "drawn.shp"])
def test_a_drawn_outline_is_read_into_map_metres(tmp_path, name, crs):
    """From any CRS the outline comes back to its place on the map."""
    shapes = geopandas.GeoSeries([AREA.segmentize(5.0)], crs=UTM).to_crs(crs)
    got = read_outline(saved(tmp_path / name, list(shapes), crs), UTM, "release")
    assert got.hausdorff_distance(AREA) < 0.01
    assert got.area == pytest.approx(AREA.area, rel=1e-4)


def test_several_areas_become_one_outline_with_its_holes(tmp_path):
    """Overlapping areas are joined; a hole stays; lines in the file do not matter."""
    holed = AREA.difference(box(*on_map(40, 40), *on_map(50, 50)))
    other = box(*on_map(80, 60), *on_map(120, 80))
    path = saved(tmp_path / "many.gpkg", [holed, other, LineString([on_map(0, 0), on_map(9, 9)])])
    got = read_outline(path, UTM, "debris")
    assert len(got.geoms) == 1
    assert got.area == pytest.approx(70 * 45 - 100 + 40 * 20 - 10 * 15)


def test_a_geojson_is_lon_lat(tmp_path):
    """GeoJSON needs no CRS: it is WGS 84."""
    path = saved(tmp_path / "a.geojson", list(geopandas.GeoSeries([AREA], crs=UTM).to_crs(4326)), 4326)
    assert read_outline(path, UTM, "debris").hausdorff_distance(AREA) < 0.05


def test_bad_outlines_are_refused(tmp_path):
    """Missing, no vector file, no shapes, no CRS, no polygon, empty, crossing itself."""

    def fails(path, text):
        with pytest.raises(InputError, match=text):
            read_outline(path, UTM, "release")

    fails(tmp_path / "none.gpkg", r"the release file .*none\.gpkg does not exist")
    words = tmp_path / "words.gpkg"
    words.write_text("no shapes here")
    fails(words, r"words\.gpkg cannot be read as a release outline")
    table = tmp_path / "table.csv"
    table.write_text("a,b\n1,2\n")
    fails(table, r"table\.csv holds no shapes")
    with pytest.warns(UserWarning, match="crs"):
        lost = saved(tmp_path / "lost.shp", [AREA], crs=None)
    fails(lost, r"lost\.shp has no CRS: assign the right one to the release outline")
    fails(
        saved(tmp_path / "line.gpkg", [LineString(AREA.exterior.coords)]),
        "holds no polygon: draw the release outline as an area",
    )
    fails(saved(tmp_path / "empty.gpkg", [Polygon()]), "holds no polygon")
    bow_tie = Polygon([on_map(0, 0), on_map(50, 50), on_map(50, 0), on_map(0, 50)])
    fails(
        saved(tmp_path / "bow.gpkg", [bow_tie]), r"bow\.gpkg crosses itself \(Self-intersection\[620025 .*draw it again"
    )


def test_the_old_datum_of_an_outline_is_honoured(tmp_path):
    """An outline in NAD27 lands where its points land, not 200 m off."""
    utm10, nad27 = CRS("EPSG:32610"), CRS("EPSG:26710")
    drawn = box(561_000, 5_116_000, 561_200, 5_116_100)
    got = read_outline(saved(tmp_path / "old.gpkg", [drawn], nad27), utm10, "release")
    assert got.centroid.distance(drawn.centroid) == pytest.approx(216.0, abs=2.0)


@pytest.mark.parametrize("radius", [4.0, 9.3, 30.0])
def test_smooth_outline_of_a_disc_is_round(radius):
    """No steps of cell edges: the area of the cells, and the length of a circle, not 4 / pi times it."""
    y, x = np.mgrid[0:80, 0:80]
    mask = np.hypot(x - 38.7, y - 41.2) <= radius
    got = smooth_outline(mask, 1000.0, 5000.0, 2.0)
    assert got.is_valid
    assert got.area == pytest.approx(4.0 * mask.sum(), rel=0.003)
    assert got.length == pytest.approx(2.0 * np.pi * radius * 2.0, rel=0.05)
    assert got.centroid.x == pytest.approx(1000.0 + 2.0 * 39.2, abs=1.0)
    assert got.centroid.y == pytest.approx(5000.0 - 2.0 * 41.7, abs=1.0)


@pytest.mark.parametrize("seed", range(6))
def test_smooth_outline_keeps_the_area_of_any_cells(seed):
    """Ragged sets of cells, single cells, holes: valid, area within 5 %."""
    mask = np.random.default_rng(seed).random((24, 31)) < 0.15 + 0.13 * seed
    got = smooth_outline(mask, 0.0, 0.0, 5.0)
    assert got.is_valid
    assert got.area == pytest.approx(25.0 * mask.sum(), rel=0.05)


def test_smooth_outline_keeps_large_holes_and_thin_lines():
    ring = np.ones((30, 30), bool)
    ring[10:20, 10:20] = False
    assert len(smooth_outline(ring, 0.0, 0.0, 1.0).geoms[0].interiors) == 1
    line = np.eye(40, dtype=bool)
    assert smooth_outline(line, 0.0, 0.0, 1.0).area == pytest.approx(40.0, rel=0.05)
    assert smooth_outline(np.zeros((5, 5), bool), 0.0, 0.0, 1.0).is_empty
