"""Windows and mosaics: reading a part, or from parts, changes no height."""

import time
from itertools import pairwise, product

import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS

import hills
from dem_zoo import NORTH_M, UTM, WEST_M, hill, hill_height, store, write
from lastseen.core.errors import InputError, ResourceError
from lastseen.core.grid import Grid
from lastseen.core.place import LonLat, to_map, transformer
from lastseen.terrain.elevation import open_elevation, read_raw_window, read_window

WHOLE = hill(shape=(60, 80))
SECOND = 1 / 3600
POINT = LonLat(10.0, 46.0)


def rough_degrees(lon, lat):
    x, y = (lon - 10.0) * 77_000.0, (lat - 46.0) * 111_000.0
    return 1500.0 + 0.3 * x + 0.24 * y + 80.0 * np.sin(x / 297.0) * np.cos(y / 331.0)


def degree_file(path, c0, r0, width, height):
    """A part of one invented sheet in arc-seconds, by the columns and rows of the whole."""
    t = Affine(SECOND, 0, 9.98 + c0 * SECOND, 0, -SECOND, 46.02 - r0 * SECOND)
    col, row = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
    return write(path, rough_degrees(t.c + t.a * col, t.f + t.e * row), t, "EPSG:4326")


@pytest.fixture(scope="module")
def degrees(tmp_path_factory):
    folder = tmp_path_factory.mktemp("degrees")
    return open_elevation([degree_file(folder / "whole.tif", 0, 0, 144, 144)], POINT)


@pytest.fixture(scope="module")
def direct(tmp_path_factory):
    return open_elevation([store(tmp_path_factory.mktemp("direct") / "whole.tif", WHOLE)])


@pytest.fixture(scope="module")
def half_metre(tmp_path_factory):
    grid = hill(shape=(161, 203), cell_m=0.7, west_m=WEST_M + 0.31)
    return open_elevation([store(tmp_path_factory.mktemp("fine") / "whole.tif", grid)])


def part_of(large, small):
    """The part of a large grid on the cells of a small one."""
    row = round((large.north_m - small.north_m) / large.cell_m)
    col = round((small.west_m - large.west_m) / large.cell_m)
    return large.values[row : row + small.shape[0], col : col + small.shape[1]]


@pytest.mark.parametrize("name", ["direct", "degrees", "half_metre"])
@given(data=st.data())
def test_a_window_that_grows_keeps_its_heights(request, name, data):
    """Heights are the same bit for bit in a small window and in a larger one around it."""
    elevation = request.getfixturevalue(name)
    west, south, east, north = elevation.bounds_m
    x = data.draw(st.floats(0.2, 0.7)) * (east - west) + west
    y = data.draw(st.floats(0.2, 0.7)) * (north - south) + south
    half = data.draw(st.floats(0.05, 0.2)) * (east - west)
    grow = [data.draw(st.floats(0.0, 0.4)) * (east - west) for _ in range(4)]
    small = read_window(elevation, (x - half, y - half, x + half, y + half))
    large = read_window(elevation, (x - half - grow[0], y - half - grow[1], x + half + grow[2], y + half + grow[3]))
    assert np.isfinite(small.values).mean() > 0.5
    np.testing.assert_array_equal(part_of(large, small), small.values)


def test_a_window_holds_the_box_that_was_asked_for(direct):
    """Whole cells around the box, cut at the edge of the model."""
    west, south, _, north = direct.bounds_m
    grid = read_window(direct, (west + 12.0, south + 13.0, west + 38.0, north + 500.0))
    assert grid.bounds == (west + 10.0, south + 10.0, west + 40.0, north)


def test_a_box_beside_the_model_is_refused(direct):
    """A box that does not touch the model is an error, not an empty grid."""
    west, south, _, north = direct.bounds_m
    with pytest.raises(InputError, match="outside the elevation model"):
        read_window(direct, (west - 100.0, south, west - 50.0, north))


def tiles_of(folder, cuts_x, cuts_y, overlap=0, leave_out=()):
    """Store WHOLE as tiles; their orientations differ."""
    paths = []
    for number, ((top, r1), (left, c1)) in enumerate(product(pairwise(cuts_y), pairwise(cuts_x))):
        if number in leave_out:
            continue
        r0, c0 = max(0, top - overlap), max(0, left - overlap)
        tile = Grid(WHOLE.values[r0:r1, c0:c1], WHOLE.west_m + c0 * 5.0, WHOLE.north_m - r0 * 5.0, 5.0, WHOLE.crs)
        orientation = ("north_up", "south_up", "mirrored", "turned_half")[number % 4]
        paths.append(store(folder / f"tile{number}.tif", tile, orientation=orientation))
    return paths


@pytest.mark.parametrize("overlap", [0, 3])
@pytest.mark.parametrize(("cuts_x", "cuts_y"), [([0, 33, 80], [0, 60]), ([0, 33, 80], [0, 17, 60])])
def test_a_mosaic_equals_the_whole(tmp_path, cuts_x, cuts_y, overlap):
    """Two and four tiles, with and without overlap, give the heights of the whole."""
    elevation = open_elevation(tiles_of(tmp_path, cuts_x, cuts_y, overlap))
    got = read_window(elevation, elevation.bounds_m)
    assert got.bounds == WHOLE.bounds
    np.testing.assert_array_equal(got.values, WHOLE.values)


def test_a_missing_tile_is_no_data(tmp_path):
    """A gap in the mosaic is NaN, and only there."""
    elevation = open_elevation(tiles_of(tmp_path, [0, 33, 80], [0, 17, 60], leave_out=(2,)))
    got = read_window(elevation, elevation.bounds_m)
    expected = WHOLE.values.copy()
    expected[17:, :33] = np.nan
    np.testing.assert_array_equal(got.values, expected)


def test_the_first_file_with_a_height_gives_it(tmp_path):
    """Where files overlap the first counts, and the second fills its holes."""
    values = WHOLE.values.copy()
    values[20:25, 30:40] = np.nan
    first = store(tmp_path / "first.tif", WHOLE.with_values(values))
    second = store(tmp_path / "second.tif", WHOLE.with_values(WHOLE.values + 100.0))
    elevation = open_elevation([first, second])
    expected = np.where(np.isnan(values), WHOLE.values + 100.0, values)
    np.testing.assert_array_equal(read_window(elevation, elevation.bounds_m).values, expected)


@pytest.mark.parametrize("overlap", [0, 1])
def test_the_seam_of_warped_tiles_does_not_show(tmp_path, degrees, overlap):
    """Tiles in degrees give the same heights as the whole, on their seams as well."""
    parts = [(0, 0, 72, 70), (72 - overlap, 0, 72 + overlap, 70), (0, 70, 72, 74), (72, 70, 72, 74)]
    paths = [degree_file(tmp_path / f"{number}.tif", *part) for number, part in enumerate(parts)]
    tiles = open_elevation(paths, POINT)
    assert (tiles.cell_m, tiles.anchor_m) == (degrees.cell_m, degrees.anchor_m)
    x, y = to_map(POINT, degrees.crs)
    box = (x - 1000, y - 1000, x + 1000, y + 1000)
    whole = read_window(degrees, box)
    assert np.isfinite(whole.values).all()
    np.testing.assert_allclose(read_window(tiles, box).values, whole.values, atol=1e-6)


def test_a_tile_of_the_next_utm_zone_joins(tmp_path):
    """Across a zone seam the second tile is warped to the CRS of the first, in place."""
    seam = LonLat(12.0, 46.5)
    west_crs, east_crs = CRS("EPSG:32632"), CRS("EPSG:32633")
    mx, my = to_map(seam, west_crs)

    def stored(name, crs, shift):
        x, y = (5.0 * round(one / 5.0) for one in to_map(seam, crs))
        t = Affine(5, 0, x + shift, 0, -5, y + 300)
        col, row = np.meshgrid(np.arange(120) + 0.5, np.arange(120) + 0.5)
        px, py = t.c + 5 * col, t.f - 5 * row
        if crs != west_crs:
            px, py = transformer(crs, west_crs).transform(px, py)
        return write(tmp_path / name, hill_height(px - mx, py - my), t, crs)

    elevation = open_elevation(
        [stored("w.tif", west_crs, -600.0), stored("e.tif", east_crs, -60.0)], LonLat(11.996, 46.5)
    )
    assert elevation.crs == west_crs
    grid = read_window(elevation, (mx - 200, my - 150, mx + 400, my + 150))
    assert np.isfinite(grid.values).all()
    col, row = np.meshgrid(np.arange(grid.shape[1]), np.arange(grid.shape[0]))
    x, y = grid.centre_of(row, col)
    np.testing.assert_allclose(grid.values, hill_height(x - mx, y - my), atol=0.05)


@pytest.fixture
def huge(tmp_path):
    """A sheet declared as 200,000 x 200,000 cells, of which one block is stored."""
    path = tmp_path / "huge.tif"
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=200_000,
        height=200_000,
        count=1,
        dtype="float32",
        crs=UTM,
        transform=Affine(1, 0, WEST_M, 0, -1, NORTH_M),
        nodata=-9999,
        tiled=True,
        blockxsize=4096,
        blockysize=4096,
        SPARSE_OK="TRUE",
        BIGTIFF="YES",
        compress="deflate",
    ) as out:
        block = np.full((100, 100), 1234.0, np.float32)
        out.write(block, 1, window=rasterio.windows.Window(120_000, 120_000, 100, 100))
    return path


def test_a_huge_file_reads_only_its_window(huge):
    """A window of a declared 40 gigapixels is read within two seconds."""
    begun = time.perf_counter()
    elevation = open_elevation([huge])
    x, y = WEST_M + 120_050.0, NORTH_M - 120_050.0
    grid = read_window(elevation, (x - 60, y - 60, x + 60, y + 60))
    assert time.perf_counter() - begun < 2.0
    assert grid.shape == (120, 120)
    assert np.isfinite(grid.values).sum() == 100 * 100


def test_a_window_too_large_names_its_size(huge):
    """More cells than fit in memory are refused before anything is read."""
    elevation = open_elevation([huge])
    with pytest.raises(ResourceError, match=r"8\.0 x 9\.0 km has 72 million cells of 1 m, more than 36 million"):
        read_window(elevation, (WEST_M, NORTH_M - 9000.0, WEST_M + 8000.0, NORTH_M))


def test_impossible_heights_are_told(tmp_path):
    """A pit of -9999 that the file does not declare becomes no data, and somebody is told where it comes from."""
    z = hills.hill()
    z[40, 50] = -9999.0
    path = hills.write(tmp_path / "pit.tif", z, nodata=None)
    elevation = open_elevation((path,))
    told = []
    raw = read_raw_window(elevation, elevation.bounds_m)
    ground, told = raw.grid, list(raw.impossible)
    assert np.isnan(ground.values).sum() == 1
    assert len(told) == 1
    assert "pit.tif holds impossible heights, such as -9999 m in 1 cells here" in told[0]
