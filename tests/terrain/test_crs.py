"""Slopes are true whatever the CRS that the heights come in."""

import numpy as np
import pytest
from affine import Affine
from pyproj import CRS, Transformer

from dem_zoo import hill_height, plane_height, store_sampled
from lastseen.core.place import LonLat, to_map, utm_crs
from lastseen.terrain.elevation import open_elevation, read_window
from lastseen.terrain.surface import read_terrain

SLOPE_DEG, DOWNHILL_DEG = 34.0, 33.0


def centre_window(elevation, point, half_m=120.0):
    x, y = to_map(point, elevation.crs)
    return read_window(elevation, (x - half_m, y - half_m, x + half_m, y + half_m))


def plane_file(path, point, crs, cell, n=121, metric=None, slope_deg=SLOPE_DEG, **options):
    """The true plane, sampled in a CRS around a point."""
    crs, metric = CRS(crs), metric or utm_crs(point)
    mx, my = to_map(point, metric)
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(point.lon_deg, point.lat_deg)
    dx, dy = (cell, cell) if np.isscalar(cell) else cell
    height = plane_height(slope_deg, DOWNHILL_DEG, base_m=1500.0)
    return store_sampled(
        path,
        lambda a, b: height(a - mx, b - my),
        crs,
        Affine(dx, 0, x - dx * n / 2, 0, -dy, y + dy * n / 2),
        (n, n),
        metric=metric,
        **options,
    )


CASES = {
    "geographic at the equator": (LonLat(-78.5, 0.01), "EPSG:4326", 4.5e-5),
    "geographic at 46 north": (LonLat(10.3, 46.2), "EPSG:4326", 4.5e-5),
    "geographic at 70 north": (LonLat(20.1, 69.9), "EPSG:4326", (1.3e-4, 4.5e-5)),
    "geographic at 43 south": (LonLat(170.4, -43.3), "EPSG:4326", 4.5e-5),
    "Web Mercator at 46 north": (LonLat(10.3, 46.2), "EPSG:3857", 7.2),
    "Web Mercator at 70 north": (LonLat(20.1, 69.9), "EPSG:3857", 14.5),
    "state plane in feet": (LonLat(-122.2, 41.3), "EPSG:2225", 16.4),
}


@pytest.mark.parametrize("case", CASES)
def test_slope_of_the_true_plane(tmp_path, case):
    """Slope and aspect of the plane come back within 0.3 degrees."""
    point, crs, cell = CASES[case]
    path = plane_file(tmp_path / "plane.tif", point, crs, cell, unit="m")
    elevation = open_elevation([path], point)
    assert elevation.crs == utm_crs(point)
    assert any("warped" in note for note in elevation.notes)
    assert 2.9 < elevation.cell_m < 6.5
    terrain = read_terrain(centre_window(elevation, point))
    inner = np.s_[1:-1, 1:-1]
    np.testing.assert_allclose(terrain.slope_deg.values[inner], SLOPE_DEG, atol=0.3)
    np.testing.assert_allclose(terrain.aspect_deg.values[inner], DOWNHILL_DEG, atol=0.3)


def test_swiss_grid_is_read_as_it_is(tmp_path):
    """LV95 measures truly, so nothing is warped."""
    point, lv95 = LonLat(7.46, 46.92), CRS("EPSG:2056")
    path = plane_file(tmp_path / "plane.tif", point, lv95, 2.0, metric=lv95, unit="m")
    elevation = open_elevation([path], point)
    assert elevation.crs == lv95
    assert elevation.cell_m == 2.0
    assert elevation.notes == ()
    assert elevation.sheets[0].direct
    slope = read_terrain(centre_window(elevation, point, 50.0)).slope_deg.values
    np.testing.assert_allclose(slope[1:-1, 1:-1], SLOPE_DEG, atol=1e-6)


def test_one_arc_second_at_46_north_reads(tmp_path):
    """Cells of 21 by 31 m become square cells of 26 m, with the note that gullies are invisible."""
    point = LonLat(10.0, 46.0)
    path = plane_file(tmp_path / "second.tif", point, "EPSG:4326", 1 / 3600, unit="m")
    elevation = open_elevation([path], point)
    assert elevation.cell_m == pytest.approx(np.sqrt(21.5 * 30.9), rel=0.01)
    assert any("26 m: gullies, banks and cliffs are invisible" in note for note in elevation.notes)
    slope = read_terrain(centre_window(elevation, point, 600.0)).slope_deg.values
    np.testing.assert_allclose(slope[1:-1, 1:-1], SLOPE_DEG, atol=0.3)


def test_one_arc_second_at_the_equator_is_not_too_coarse(tmp_path):
    """The coarsest class of 30 m includes one arc-second where it is largest."""
    point = LonLat(-78.5, 0.01)
    elevation = open_elevation([plane_file(tmp_path / "s.tif", point, "EPSG:4326", 1 / 3600)], point)
    assert elevation.cell_m == pytest.approx(30.8, abs=0.2)


def test_cells_that_are_not_square_become_square(tmp_path):
    """Cells of 4 by 9 m become 6 m cells of the same area, with the true slope."""
    point = LonLat(10.3, 46.2)
    elevation = open_elevation([plane_file(tmp_path / "oblong.tif", point, utm_crs(point), (4.0, 9.0))], point)
    assert elevation.cell_m == pytest.approx(6.0)
    slope = read_terrain(centre_window(elevation, point)).slope_deg.values
    np.testing.assert_allclose(slope[1:-1, 1:-1], SLOPE_DEG, atol=1e-3)


def test_warped_heights_are_where_they_belong(tmp_path):
    """Heights warped from degrees equal the hill at the same places; half a cell off would show."""
    point = LonLat(10.3, 46.2)
    utm = utm_crs(point)
    mx, my = to_map(point, utm)
    d = 4.5e-5
    path = store_sampled(
        tmp_path / "hill.tif",
        lambda x, y: hill_height(x - mx, y - my),
        "EPSG:4326",
        Affine(d, 0, point.lon_deg - 60 * d, 0, -d, point.lat_deg + 60 * d),
        (120, 120),
        metric=utm,
    )
    got = centre_window(open_elevation([path], point), point)
    col, row = np.meshgrid(np.arange(got.shape[1]), np.arange(got.shape[0]))
    x, y = got.centre_of(row, col)
    np.testing.assert_allclose(got.values, hill_height(x - mx, y - my), atol=0.06)


def test_old_datum_in_degrees_is_shifted(tmp_path):
    """A file in NAD27 degrees lands where pyproj puts it, some 200 m from where WGS 84 degrees would."""
    point = LonLat(-122.2, 46.2)
    path = plane_file(tmp_path / "nad27.tif", point, "EPSG:4267", 4.5e-5, metric=utm_crs(point))
    elevation = open_elevation([path], point)
    grid = centre_window(elevation, point)
    x, y = to_map(point, elevation.crs)
    assert float(grid.sample(x, y)) == pytest.approx(1500.0, abs=0.5)
