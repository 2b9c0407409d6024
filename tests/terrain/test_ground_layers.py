"""Ground layers from every kind of file: cut, moved, repaired, and refused with one sentence."""

import dataclasses
import json

import geopandas
import numpy as np
import pytest
import rasterio
from affine import Affine
from shapely import LineString, MultiPolygon, Point, Polygon, box

from dem_zoo import NORTH_M, UTM, WEST_M, hill, store
from lastseen.core.errors import InputError
from lastseen.core.scenario import Ground
from lastseen.terrain.elevation import open_elevation, read_window
from lastseen.terrain.ground_layers import check_layers, read_layers

GROUND = hill(shape=(60, 80))  # 300 x 400 m
WEST, SOUTH, EAST, NORTH = GROUND.bounds
STAND = box(WEST + 100.0, SOUTH + 50.0, WEST + 220.0, SOUTH + 150.0)


@pytest.fixture
def dem(tmp_path):
    return open_elevation([store(tmp_path / "dem.tif", GROUND)])


def vector(path, shapes, crs=UTM, to=None, **more):
    frame = geopandas.GeoDataFrame(geometry=list(shapes), crs=crs)
    (frame.to_crs(to) if to else frame).to_file(path, **more)
    return path


def raster(path, values, transform, crs=UTM, **more):
    with rasterio.open(
        path, "w", driver="GTiff", height=values.shape[0], width=values.shape[1], count=1,
        dtype=values.dtype, transform=transform, **({"crs": crs} if crs else {}), **more,
    ) as out:  # fmt: skip
        out.write(values, 1)
    return path


def trees_of(path):
    return read_layers(Ground(trees=path), GROUND).of("trees")


@pytest.mark.parametrize("name", ["a.gpkg", "a.shp", "a.geojson", "a.kml", "a.fgb"])
@pytest.mark.parametrize("to", [None, "EPSG:4326", "EPSG:25833"])
def test_any_vector_format_in_any_crs(tmp_path, dem, name, to):
    """The stand comes back where it was drawn, whatever the file and its CRS."""
    if name.endswith(("kml", "geojson")):
        to = "EPSG:4326"
    path = vector(tmp_path / name, [STAND], to=to)
    check_layers(Ground(trees=path), dem)
    layer = trees_of(path)
    assert layer.outline.symmetric_difference(STAND).area < 0.01 * STAND.area
    assert layer.cover.values.sum() * GROUND.cell_area_m2 == pytest.approx(STAND.area, rel=0.01)
    assert layer.cells.sum() * GROUND.cell_area_m2 == pytest.approx(STAND.area, rel=0.05)


def test_shapes_are_cut_to_the_window_and_heights_dropped(tmp_path):
    """What reaches beyond the window is cut; a third dimension does no harm."""
    wide = Polygon([(WEST - 500, SOUTH - 500, 9), (EAST + 500, SOUTH - 500, 9), (EAST + 500, SOUTH + 100, 9),
                    (WEST - 500, SOUTH + 100, 9)])  # fmt: skip
    layer = trees_of(vector(tmp_path / "a.gpkg", [wide]))
    assert layer.outline.bounds == (WEST, SOUTH, EAST, SOUTH + 100)
    assert not layer.outline.has_z
    assert layer.cells.sum() == 20 * 80


def test_invalid_shapes_are_repaired_and_said(tmp_path):
    """A bow tie becomes its two wings, and the user is told."""
    bow = Polygon([(WEST + 100, SOUTH + 100), (WEST + 200, SOUTH + 200), (WEST + 200, SOUTH + 100), (WEST + 100, SOUTH + 200)])  # fmt: skip  # noqa: E501
    got = read_layers(Ground(water=vector(tmp_path / "a.gpkg", [bow, STAND])), GROUND)
    assert any("1 of 2 shapes of a.gpkg crossed themselves and were repaired" in note for note in got.notes)
    assert got.of("water").outline.is_valid
    assert got.of("water").outline.area == pytest.approx(STAND.union(bow.buffer(0)).area, rel=0.3)


def test_lines_and_points_stand_for_what_is_as_wide(tmp_path):
    """A creek line and a tree point cover ground, and stay visible on cells wider than they are."""
    line = LineString([(WEST + 10, SOUTH + 20), (WEST + 310, SOUTH + 260)])
    got = read_layers(Ground(water=vector(tmp_path / "w.gpkg", [line]), trees=vector(
        tmp_path / "t.gpkg", [Point(WEST + 77.0, SOUTH + 33.0)])), GROUND)  # fmt: skip
    assert got.of("water").outline.area == pytest.approx(2.0 * line.length, rel=0.05)
    row, col = GROUND.cell_of(
        *np.array([line.interpolate(s, normalized=True).coords[0] for s in np.linspace(0.02, 0.98, 60)]).T
    )
    assert got.of("water").cells[row, col].all()
    assert 0 < got.of("trees").cover.values.max() <= 1.0


def test_lines_are_no_area_to_keep_out_of(tmp_path):
    line = LineString([(WEST + 10, SOUTH + 20), (WEST + 310, SOUTH + 260)])
    with pytest.raises(InputError, match="draw no-go ground as areas"):
        read_layers(Ground(no_go=vector(tmp_path / "a.gpkg", [line])), GROUND)
    got = read_layers(Ground(no_go=vector(tmp_path / "b.gpkg", [STAND])), GROUND)
    assert got.of("no_go").outline.equals(MultiPolygon([STAND]))
    assert got.of("water") is None


def test_first_layer_is_read_and_said(tmp_path):
    path = vector(tmp_path / "a.gpkg", [STAND], layer="stands")
    vector(path, [box(WEST, SOUTH, WEST + 10, SOUTH + 10)], layer="other")
    got = read_layers(Ground(trees=path), GROUND)
    assert got.of("trees").outline.area == pytest.approx(STAND.area)
    assert any("holds 2 layers: the first, 'stands', is read" in note for note in got.notes)


def test_empty_file_is_told_by_a_note(tmp_path, dem):
    path = vector(tmp_path / "a.gpkg", [])
    check_layers(Ground(water=path), dem)
    got = read_layers(Ground(water=path), GROUND)
    assert got.of("water").outline.is_empty
    assert got.notes == ("no water of a.gpkg on the ground that was worked on",)


def test_empty_shapes_are_left_out_and_said(tmp_path):
    got = read_layers(Ground(trees=vector(tmp_path / "a.gpkg", [STAND, None, Polygon()])), GROUND)
    assert got.of("trees").outline.area == pytest.approx(STAND.area)


@pytest.mark.parametrize("cell_m", [0.5, 2.0, 5.0, 30.0])
@pytest.mark.parametrize(("dtype", "value"), [("uint8", 1), ("float32", 1.0), ("uint8", 100)])
def test_rasters_of_any_cell_and_meaning(tmp_path, dem, cell_m, dtype, value):
    """Mask, share and percentage give the same stand, cell by cell of whatever size."""
    nx, ny = int(400 / cell_m), int(300 / cell_m)
    x = WEST + (np.arange(nx) + 0.5) * cell_m
    y = NORTH - (np.arange(ny) + 0.5) * cell_m
    inside = (np.abs(x[None, :] - (WEST + 160)) < 60) & (np.abs(y[:, None] - (SOUTH + 100)) < 50)
    path = raster(tmp_path / "a.tif", (inside * value).astype(dtype), Affine(cell_m, 0, WEST, 0, -cell_m, NORTH))
    check_layers(Ground(trees=path), dem)
    got = read_layers(Ground(trees=path), GROUND)
    area = inside.sum() * cell_m**2
    assert got.of("trees").cover.values.sum() * GROUND.cell_area_m2 == pytest.approx(area, rel=0.02)
    assert got.of("trees").outline.intersection(STAND).area > 0.9 * min(area, STAND.area)
    assert any("percent" in note for note in got.notes) == (value == 100)


def test_raster_in_degrees(tmp_path, dem):
    lon0, lat0 = 10.566, 46.491
    west, north = lon0 - 0.002, lat0 + 0.004
    values = np.ones((300, 400), "uint8")
    path = raster(tmp_path / "a.tif", values, Affine(3e-5, 0, west, 0, -3e-5, north), crs="EPSG:4326")
    got = read_layers(Ground(rocks=path), GROUND).of("rocks")
    from lastseen.core.place import WGS84, transformer  # noqa: PLC0415

    x, y = GROUND.centre_of(*np.indices(GROUND.shape))
    lon, lat = transformer(UTM, WGS84).transform(x, y)
    expected = (lon > west) & (lon < west + 400 * 3e-5) & (lat < north) & (lat > north - 300 * 3e-5)
    assert (got.cells == expected).mean() > 0.98


def test_class_rasters_are_refused_for_trees(tmp_path):
    """Values up to 7 are neither shares nor percentages."""
    path = raster(tmp_path / "a.tif", np.full((60, 80), 7, "uint8"), Affine(5, 0, WEST, 0, -5, NORTH))
    with pytest.raises(InputError, match="neither a mask or share"):
        trees_of(path)
    assert read_layers(Ground(water=path), GROUND).of("water").cells.all()


def test_surface_model_gives_trees(tmp_path, dem):
    """Crowns 12 m above the ground are trees, shrubs of 1.5 m are not; a half-metre model gives shares."""
    cell = 1.0
    fine = hill(shape=(300, 400), cell_m=cell)
    x, y = fine.centre_of(*np.indices(fine.shape))
    crowns = (np.abs(x - (WEST + 160)) < 60) & (np.abs(y - (SOUTH + 100)) < 50)
    shrubs = (np.abs(x - (WEST + 300)) < 40) & (np.abs(y - (SOUTH + 200)) < 40)
    surface = fine.with_values(fine.values + 12.0 * crowns + 1.5 * shrubs)
    surface = dataclasses.replace(surface, west_m=WEST, north_m=NORTH)
    got = read_layers(Ground(surface_model=store(tmp_path / "dsm.tif", surface)), GROUND)
    trees = got.of("trees")
    assert trees.cover.values.sum() * GROUND.cell_area_m2 == pytest.approx(STAND.area, rel=0.04)
    assert trees.outline.symmetric_difference(STAND).area < 0.08 * STAND.area
    assert any("buildings too" in note for note in got.notes)
    check_layers(Ground(surface_model=tmp_path / "dsm.tif"), dem)


def test_surface_model_of_another_datum_is_refused(tmp_path):
    high = GROUND.with_values(GROUND.values + 300.0)
    with pytest.raises(InputError, match="lies 300 m above the ground"):
        read_layers(Ground(surface_model=store(tmp_path / "dsm.tif", high)), GROUND)


def test_surface_model_elsewhere_is_refused(tmp_path):
    away = dataclasses.replace(GROUND, west_m=WEST + 5000.0)
    with pytest.raises(InputError, match="does not reach the ground"):
        read_layers(Ground(surface_model=store(tmp_path / "dsm.tif", away)), GROUND)


def test_refusals(tmp_path, dem):
    """Missing, of another kind, without CRS, without shapes, elsewhere: one sentence each."""
    (tmp_path / "a.txt").write_text("no map at all", encoding="utf-8")
    (tmp_path / "t.csv").write_text("name,height\na,3\n", encoding="utf-8")
    with pytest.warns(UserWarning, match="crs"):
        geopandas.GeoDataFrame(geometry=[STAND]).to_file(tmp_path / "bare.gpkg")
    raster(tmp_path / "bare.tif", np.ones((9, 9), "uint8"), Affine(5, 0, WEST, 0, -5, NORTH), crs=None)
    vector(tmp_path / "far.gpkg", [box(WEST + 9e4, SOUTH, WEST + 9.1e4, NORTH)])
    raster(tmp_path / "far.tif", np.ones((9, 9), "uint8"), Affine(5, 0, WEST - 9e4, 0, -5, NORTH))
    swapped = {"type": "Polygon", "coordinates": [[[46.4, 10.5], [46.5, 10.5], [46.5, 10.6], [46.4, 10.5]]]}
    (tmp_path / "swapped.geojson").write_text(json.dumps(swapped), encoding="utf-8")
    for name, text in {
        "none.gpkg": "does not exist", "a.txt": "neither a vector file nor a raster", "t.csv": "table without shapes",
        "bare.gpkg": "no CRS", "bare.tif": "no CRS", "far.gpkg": "does not overlap", "far.tif": "does not overlap",
        "swapped.geojson": "does not overlap",
    }.items():  # fmt: skip
        with pytest.raises(InputError, match=text):
            check_layers(Ground(rocks=tmp_path / name), dem)
    with pytest.raises(InputError, match=r"surface model .* does not exist"):
        check_layers(Ground(surface_model=tmp_path / "none.tif"), dem)


def test_layer_beside_the_window_is_a_note(tmp_path, dem):
    """On the elevation model, but not on the window that was worked on: said, not refused."""
    path = vector(tmp_path / "a.gpkg", [box(WEST + 350, NORTH - 40, WEST + 390, NORTH - 10)])
    check_layers(Ground(water=path), dem)
    window = read_window(dem, (WEST, SOUTH, WEST + 200, SOUTH + 200))
    got = read_layers(Ground(water=path), window)
    assert got.notes == ("no water of a.gpkg on the ground that was worked on",)
    assert (WEST_M, NORTH_M) == (WEST, NORTH)
