"""Units of height, notes, and what is refused."""

import math
import re

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS, Geod

from dem_zoo import UTM, ZOO, hill, store, write
from lastseen.core.errors import InputError
from lastseen.core.place import LonLat, to_lonlat
from lastseen.terrain.elevation import open_elevation, read_window, require_inside

FOOT, US_FOOT = 0.3048, 1200 / 3937
HILL = ZOO["hill"]
NAD83 = hill(crs=CRS("EPSG:26910"), west_m=560_000.0, north_m=5_116_000.0)


def stored_in(path, unit_m, **options):
    return store(path, NAD83.with_values(NAD83.values / unit_m), **options)


def heights(elevation):
    return read_window(elevation, elevation.bounds_m).values


@pytest.mark.parametrize(
    ("unit_m", "options"),
    [
        (1.0, {"unit": "metre"}),
        (FOOT, {"unit": "ft"}),
        (FOOT, {"unit": "foot"}),
        (US_FOOT, {"unit": "US survey foot"}),
        (US_FOOT, {"crs": "EPSG:26910+6360"}),
        (FOOT, {"crs": "EPSG:26910+8228"}),
        (1.0, {"crs": "EPSG:26910+5703"}),
        (US_FOOT, {"crs": "EPSG:26910+6360", "unit": "US survey foot"}),
    ],
)
def test_stated_unit_of_height_is_used_silently(tmp_path, unit_m, options):
    """The band's unit or the vertical CRS turns heights into metres, with nothing to say about it."""
    elevation = open_elevation([stored_in(tmp_path / "z.tif", unit_m, **options)])
    np.testing.assert_allclose(heights(elevation), NAD83.values, atol=1e-6)
    assert elevation.crs.equals(CRS("EPSG:26910"), ignore_axis_order=True)
    assert elevation.notes == ()


@pytest.mark.parametrize("unit", ["m", "foot"])
def test_contradicting_units_are_refused(tmp_path, unit):
    """A band unit against the vertical CRS is an error that names both and the way out."""
    path = stored_in(tmp_path / "z.tif", US_FOOT, crs="EPSG:26910+6360", unit=unit)
    with pytest.raises(InputError, match=rf"contradicts itself: .*'{unit}'.* 0\.304801 m; give --z-unit"):
        open_elevation([path])


def test_the_user_settles_a_contradiction(tmp_path):
    """A unit from the user wins over the file, and the result says so."""
    path = stored_in(tmp_path / "z.tif", US_FOOT, crs="EPSG:26910+6360", unit="m")
    elevation = open_elevation([path], z_unit="us-ft")
    np.testing.assert_allclose(heights(elevation), NAD83.values, atol=1e-6)
    assert elevation.notes == ("z.tif: --z-unit us-ft overrides the unit of height stated in the file",)


def test_the_user_states_feet_where_the_file_is_silent(tmp_path):
    """With a stated unit nothing is assumed, so nothing is noted."""
    elevation = open_elevation([stored_in(tmp_path / "z.tif", FOOT)], z_unit="ft")
    np.testing.assert_allclose(heights(elevation), NAD83.values, atol=1e-6)
    assert elevation.notes == ()


def test_an_assumed_unit_is_noted(tmp_path):
    """Where the file states no unit, metres are taken and the user is told."""
    elevation = open_elevation([stored_in(tmp_path / "z.tif", 1.0)])
    assert elevation.notes == ("z.tif states no unit of height: metres were taken; --z-unit changes that",)


def test_a_map_in_feet_without_unit_of_height_is_noted(tmp_path):
    """A map in feet makes feet of height likely; metres are taken and the note asks to check."""
    t = Affine(10, 0, 6_500_000, 0, -10, 2_200_000)
    elevation = open_elevation([write(tmp_path / "ft.tif", HILL.values, t, "EPSG:2225")])
    assert any("mapped in feet and states no unit of height" in note for note in elevation.notes)


@pytest.mark.parametrize("z_unit", [None, "ft"])
def test_an_unknown_unit_is_refused(tmp_path, z_unit):
    """Fathoms in the file are named, with the units that are known."""
    path = stored_in(tmp_path / "z.tif", 1.0, unit="fathom")
    with pytest.raises(InputError, match="'fathom', which is not known: give --z-unit m, ft or us-ft"):
        open_elevation([path], z_unit=z_unit)


def test_an_unknown_unit_from_the_user_is_refused(tmp_path):
    """A wrong word for the unit is an error too."""
    with pytest.raises(InputError, match="'yard', which is not known"):
        open_elevation([stored_in(tmp_path / "z.tif", 1.0)], z_unit="yard")


def test_scale_comes_before_the_unit(tmp_path):
    """Tenths of a foot are scaled first and turned into metres then."""
    stored = np.round(NAD83.values / FOOT * 10.0)
    path = store(tmp_path / "z.tif", NAD83.with_values(stored), dtype="int32", nodata_kind="declared -9999",
                 unit="ft", scale=0.1)  # fmt: skip
    np.testing.assert_allclose(heights(open_elevation([path])), NAD83.values, atol=0.0153)


@pytest.mark.parametrize(("cell_m", "noted"), [(10.0, False), (10.4, False), (11.0, True), (30.0, True)])
def test_cells_above_ten_metres_are_noted(tmp_path, cell_m, noted):
    """Coarser than 10 m is said plainly."""
    elevation = open_elevation([store(tmp_path / "z.tif", hill(cell_m=cell_m), unit="m")])
    assert [f"cells of {cell_m:.0f} m: gullies" in note for note in elevation.notes] == [True] * noted


@pytest.mark.parametrize(("cell_m", "text"), [(32.0, "cells of 32 m"), (90.0, "cells of 90 m")])
def test_coarser_than_30_m_is_refused(tmp_path, cell_m, text):
    """No slope shows at 90 m."""
    with pytest.raises(InputError, match=f"{text}: 30 m is the coarsest"):
        open_elevation([store(tmp_path / "z.tif", hill(cell_m=cell_m))])


def test_a_file_with_several_bands_is_noted(tmp_path):
    """The first band is read, and that is said."""
    path = tmp_path / "two.tif"
    with rasterio.open(path, "w", driver="GTiff", width=53, height=37, count=2, dtype="float64", crs=UTM,
                       transform=HILL.transform) as out:  # fmt: skip
        out.write(np.stack([HILL.values, 0 * HILL.values]))
        out.units = ("m", "m")
    elevation = open_elevation([path])
    assert elevation.notes == ("two.tif has 2 bands: the first is read as heights",)
    np.testing.assert_array_equal(heights(elevation), HILL.values)


def test_nothing_given_is_refused():
    """No file at all."""
    with pytest.raises(InputError, match="no elevation file was given"):
        open_elevation([])


def test_a_missing_file_is_refused(tmp_path):
    """The path is in the text."""
    with pytest.raises(InputError, match=r"nowhere\.tif does not exist: check the path"):
        open_elevation([tmp_path / "nowhere.tif"])


def test_a_file_that_is_no_raster_is_refused(tmp_path):
    """A text file with the name of a raster."""
    path = tmp_path / "words.tif"
    path.write_text("not a raster")
    with pytest.raises(InputError, match=r"words\.tif cannot be read as a raster"):
        open_elevation([path])


def test_a_broken_off_file_is_refused(tmp_path):
    """Half of a file opens, and then breaks off with a sentence."""
    path = store(tmp_path / "half.tif", hill(shape=(400, 500)))
    path.write_bytes(path.read_bytes()[:200_000])
    elevation = open_elevation([path])
    with pytest.raises(InputError, match=r"half\.tif breaks off while it is read: copy the file again"):
        heights(elevation)


def test_no_crs_is_refused(tmp_path):
    """Heights without a CRS can lie anywhere."""
    path = write(tmp_path / "lost.tif", HILL.values, HILL.transform, None)
    with pytest.raises(InputError, match=r"lost\.tif has no CRS: assign the right one"):
        open_elevation([path])


GEOD = Geod(ellps="WGS84")


def stated(error):
    """Distance in metres and azimuth in degrees from the text of the error."""
    found = re.search(r"nearest edge is ([\d.]+) (km|m) away at (\d+) degrees \((\w+)\)", str(error))
    return float(found[1]) * (1000.0 if found[2] == "km" else 1.0), float(found[3]), found[4]


@pytest.mark.parametrize(
    ("away_m", "azimuth_deg", "word"),
    [(80.0, 2.0, "N"), (700.0, 91.0, "E"), (4200.0, 181.5, "S"), (83_000.0, 271.0, "W"), (9500.0, 359.8, "N")],
)
def test_a_point_outside_tells_distance_and_bearing(tmp_path, away_m, azimuth_deg, word):
    """Walking the stated distance on the stated bearing brings one to the edge of the model."""
    elevation = open_elevation([store(tmp_path / "z.tif", HILL)])
    west, south, east, north = HILL.bounds
    edge = {"N": (east - 90, south), "E": (west, south + 70), "S": (west + 90, north), "W": (east, north - 60)}[word]
    start = to_lonlat(*edge, UTM)
    lon, lat, _ = GEOD.fwd(start.lon_deg, start.lat_deg, azimuth_deg + 180.0, away_m)
    with pytest.raises(InputError) as caught:
        require_inside(elevation, LonLat(lon, lat))
    distance, azimuth, compass = stated(caught.value)
    back = GEOD.inv(lon, lat, start.lon_deg, start.lat_deg)
    # The nearest point of the edge lies no farther than the one that was started from; both lie on one short side.
    assert distance == pytest.approx(back[2], rel=0.01, abs=55.0 if away_m >= 1000 else 1.0)
    reached = GEOD.fwd(lon, lat, azimuth, distance)
    gap = GEOD.inv(reached[0], reached[1], start.lon_deg, start.lat_deg)[2]
    assert gap < 0.02 * away_m + 60.0
    assert compass == word
    assert 0 <= azimuth < 360
    assert f"{lon:.6f},{lat:.6f}" in str(caught.value)


def test_a_bearing_of_north_is_0_and_not_360(tmp_path):
    """A hair west of north is rounded to 0 degrees."""
    grid = hill(west_m=500_000.0 - 53 * 5.0)
    elevation = open_elevation([store(tmp_path / "z.tif", grid)])
    _, south, east, _ = grid.bounds
    with pytest.raises(InputError, match=r"5\.0 km away at 0 degrees \(N\)"):
        require_inside(elevation, to_lonlat(east + 26.0, south - 5000.0, UTM))


FAR = {
    "swapped": LonLat(46.5, 10.6),
    "other side of the world": LonLat(-70.0, -33.0),
    "near the pole": LonLat(10.0, 85.0),
    "antimeridian": LonLat(-170.0, 46.0),
}


@pytest.mark.parametrize("crs", ["EPSG:32632", "EPSG:4326", "EPSG:2056", "EPSG:3857"])
@pytest.mark.parametrize("place", FAR)
def test_a_point_far_outside_the_crs_still_gets_distance_and_bearing(tmp_path, place, crs):
    """Wherever the point is, opening the files works, and the error tells how far off it is."""
    point = FAR[place]
    t = {
        "EPSG:32632": Affine(5, 0, 620_000, 0, -5, 5_150_000),
        "EPSG:4326": Affine(4.5e-5, 0, 10.6, 0, -4.5e-5, 46.5),
        "EPSG:2056": Affine(5, 0, 2_783_000, 0, -5, 1_187_000),
        "EPSG:3857": Affine(7, 0, 1_180_000, 0, -7, 5_860_000),
    }[crs]
    elevation = open_elevation([write(tmp_path / "z.tif", HILL.values, t, crs)], point)
    with pytest.raises(InputError, match="lies outside the elevation model") as caught:
        require_inside(elevation, point)
    distance, azimuth, _ = stated(caught.value)
    west, south, east, north = elevation.bounds_m
    middle = to_lonlat((west + east) / 2, (south + north) / 2, elevation.crs)
    expected = GEOD.inv(point.lon_deg, point.lat_deg, middle.lon_deg, middle.lat_deg)
    assert distance == pytest.approx(expected[2], abs=500.0)
    assert abs((azimuth - expected[0] + 180.0) % 360.0 - 180.0) < 1.0


def test_a_point_inside_gives_its_map_coordinates(tmp_path):
    """Inside, the map coordinates come back."""
    elevation = open_elevation([store(tmp_path / "z.tif", HILL)])
    x, y = HILL.west_m + 77.0, HILL.north_m - 55.0
    got = require_inside(elevation, to_lonlat(x, y, UTM))
    assert math.dist(got, (x, y)) < 1e-3
