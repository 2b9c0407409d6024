"""Points in any notation, the choice of a metric CRS, and true north."""

import math
import re

import mgrs
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer

from lastseen.core.errors import InputError
from lastseen.core.place import (
    WGS84,
    LonLat,
    bearing_text,
    convergence_deg,
    is_local_metric,
    mgrs_text,
    parse_crs,
    parse_point,
    to_lonlat,
    to_map,
    transformer,
    utm_crs,
    utm_text,
)
from reference_rows import check_row, read_reference

GEOD = Geod(ellps="WGS84")


def on_utm(axis):
    return lambda lon_deg, lat_deg: to_map(LonLat(lon_deg, lat_deg), utm_crs(LonLat(lon_deg, lat_deg)))[axis]


def datum_shift_m(lon_deg, lat_deg, epsg, other_epsg):
    point = LonLat(lon_deg, lat_deg)
    return math.dist(*(to_map(point, CRS.from_epsg(code)) for code in (epsg, other_epsg)))


FUNCTIONS = {
    "utm_east_m": on_utm(0),
    "utm_north_m": on_utm(1),
    "utm_text_lon_deg": lambda text: parse_point(text).lon_deg,
    "utm_text_lat_deg": lambda text: parse_point(text).lat_deg,
    "mgrs_text_lon_deg": lambda text: parse_point(text).lon_deg,
    "mgrs_text_lat_deg": lambda text: parse_point(text).lat_deg,
    "grid_convergence_deg": lambda lon_deg, lat_deg, epsg: convergence_deg(
        CRS.from_epsg(epsg), LonLat(lon_deg, lat_deg)
    ),
    "datum_shift_m": datum_shift_m,
}


@pytest.mark.parametrize("row", read_reference("place"), ids=lambda row: row["id"])
def test_reference_value(row):
    """Each row of place.csv holds."""
    check_row(row, FUNCTIONS)


def test_every_function_has_rows():
    """No quantity is left without a value."""
    assert {row["quantity"] for row in read_reference("place")} == set(FUNCTIONS)


def apart_m(one, other):
    return GEOD.inv(one.lon_deg, one.lat_deg, other.lon_deg, other.lat_deg)[2]


anywhere = st.builds(LonLat, st.floats(-179.999, 179.999), st.floats(-79.99, 83.99))


@given(anywhere)
@example(LonLat(0.0, -1e-200))
@example(LonLat(0.0, -1e-9))  # rounded to the equator, which no reference of band M holds
@example(LonLat(2.999999999, 56.1))  # rounded to 3 degrees east, which there belongs to zone 32
@example(LonLat(180.0, 46.0))
@example(LonLat(-180.0, -33.0))
@example(LonLat(10.0, 83.99))
def test_every_notation_reads_back_within_a_metre(point):
    """What is echoed to the user is the point, in all three notations."""
    notations = point.notations()
    assert set(notations) == {"lonlat", "utm", "mgrs"}
    for kind, text in notations.items():
        assert apart_m(parse_point(text), point) < 1.0, (kind, text)


def degrees_to_an_edge(point):
    """To the equator or to the next meridian between zones, those of band V too."""
    return min(abs(point.lat_deg), abs((point.lon_deg + 1.5) % 3.0 - 1.5))


@given(anywhere)
@example(LonLat(0.0, -1e-200))
@example(LonLat(180.0, 46.0))
@example(LonLat(-180.0, -33.0))
@example(LonLat(10.0, 83.99))
def test_utm_agrees_with_a_direct_transformation(point):
    """UTM text is what PROJ gives for the zone of the longitude, and MGRS text what the mgrs package gives."""
    zone, band, east, north = re.match(r"(\d+)([A-Z]) (\d+) (\d+)$", utm_text(point)).groups()
    lon0 = 6 * int(zone) - 183
    assert abs(point.lon_deg - lon0) <= 3.0
    assert (band >= "N") == (point.lat_deg >= 0)
    direct = Transformer.from_crs("EPSG:4326", (32600 if band >= "N" else 32700) + int(zone), always_xy=True)
    x, y = direct.transform(point.lon_deg, point.lat_deg)
    assert (int(east), int(north)) == (round(x), round(y))
    reference = mgrs.MGRS().toMGRS(point.lat_deg, point.lon_deg)
    if degrees_to_an_edge(point) > 1e-8:  # nearer to an edge the package can write what it refuses to read
        assert mgrs_text(point) == reference


@given(st.floats(-125, -60), st.floats(25, 49))
def test_to_the_map_and_back(lon, lat):
    """Going to an old datum and back returns to the same place."""
    for code in (26710, 32610, 2225):
        crs = CRS.from_epsg(code)
        point = LonLat(-122.0 + (lon + 92) * 0.02, 41.0 + (lat - 37) * 0.05)
        assert apart_m(to_lonlat(*to_map(point, crs), crs), point) < 0.01


@pytest.mark.parametrize(
    ("text", "crs", "lon", "lat"),
    [
        ("10.7,46.76", None, 10.7, 46.76),
        ("  10.7 , 46.76 ", None, 10.7, 46.76),
        ("10.7 46.76", None, 10.7, 46.76),
        ("10.7;46.76", None, 10.7, 46.76),
        ("-122.2,+46.2", "EPSG:4326", -122.2, 46.2),
        ("2600000,1200000", "EPSG:2056", 7.438637222, 46.951081111),
        ("32T 630000 5180000", None, 10.702386, 46.760886),
        ("32t 630000mE 5180000mN", None, 10.702386, 46.760886),
        ("32T 630000, 5180000", None, 10.702386, 46.760886),
        ("32TPS 30000 80000", None, 10.702386, 46.760886),
        ("32tps3000080000", None, 10.702386, 46.760886),
        ("17M 500000 9999000", None, -81.0, -0.009045),
        # Degrees, minutes and seconds as in ISO 6709:2008, annex D, and as people write them.
        ("46°45'36\"N 10°42'00\"E", None, 10.7, 46.76),
        ("46°45′36″N 10°42′00″E", None, 10.7, 46.76),
        ("46 45 36 N, 10 42 0 E", None, 10.7, 46.76),
        ("46 45.6 n 10 42 e", None, 10.7, 46.76),
        ("E 10.7, N 46.76", None, 10.7, 46.76),
        ("N46.76 E10.7", None, 10.7, 46.76),
        ("46.76°N; 10.7°W", None, -10.7, 46.76),
        ("33:30:00S 70:15:30.5W", None, -70.258472, -33.5),
    ],
)
def test_ways_to_write_a_point(text, crs, lon, lat):
    """Spaces, signs, units and small letters do not matter."""
    got = parse_point(text, CRS(crs) if crs else None)
    assert apart_m(got, LonLat(lon, lat)) < 1.0


@pytest.mark.parametrize(
    ("text", "crs", "message"),
    [
        ("", None, "cannot be read: give lon,lat"),
        ("by the big rock", None, "cannot be read: give lon,lat"),
        ("10,7 46,76", None, "cannot be read: give lon,lat"),
        ("nan,46", None, "cannot be read"),
        ("10.7", None, "cannot be read"),
        ("630000,5180000", None, "is not lon,lat in degrees: give its CRS"),
        ("46.2,-122.2", None, "is not lon,lat in degrees"),
        ("61T 630000 5180000", None, "UTM zone 61 does not exist"),
        ("0T 630000 5180000", None, "UTM zone 0 does not exist"),
        ("32I 630000 5180000", None, "cannot be read"),
        ("19S 400000 6300000", None, "latitude band S runs from 32 to 40 degrees, the northing lies at 56.8"),
        ("32T 630000 99999999", None, "latitude band T runs from 40 to 48 degrees"),
        ("32N 630000 5180000", None, "give the band letter, not N or S"),
        ("32TZZ 00000 00000", None, "is not a valid MGRS reference"),
        ("46.5 30 N 10 42 E", None, "decimals in the last part only"),
        ("46 75 N 10 42 E", None, "minutes and seconds under 60"),
        ("46 N 10 N", None, "one N or S and one E or W"),
        ("46 10 E", None, "cannot be read"),
        ("96 N 10 E", None, "one N or S and one E or W"),
        ("99TPS 00000 00000", None, "is not a valid MGRS reference"),
        ("32TPS 3000 800", None, "cannot be read"),
        ("1e99,3", "EPSG:2056", "cannot be read"),
        ("1" + "0" * 30 + ",3", "EPSG:32632", "lies outside the area of WGS 84 / UTM zone 32N"),
    ],
)
def test_bad_points_are_refused_in_one_sentence(text, crs, message):
    """The text is quoted or its parts named, with what to do, on one line."""
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        parse_point(text, CRS(crs) if crs else None)
    assert "\n" not in str(caught.value)
    assert ":" in str(caught.value)


@pytest.mark.parametrize("text", ["EPSG:32632", "32632", CRS.from_epsg(32632).to_wkt()])
def test_a_crs_reads_from_code_and_wkt(text):
    """The EPSG code alone will do."""
    assert parse_crs(text) == CRS.from_epsg(32632)


@pytest.mark.parametrize("text", ["EPSG:999999", "the usual one", ""])
def test_an_unknown_crs_is_refused(text):
    """The text is quoted, with an example."""
    with pytest.raises(InputError, match=f"'{text}' is not a CRS that is known: give an EPSG code"):
        parse_crs(text)


def test_a_ballpark_shift_is_refused():
    """From a datum that nobody knows, and from the moon, nothing is made up."""
    unknown = CRS.from_proj4("+proj=longlat +ellps=clrk66 +no_defs")
    with pytest.raises(InputError, match="no transformation is known from unknown to WGS 84"):
        transformer(unknown, WGS84)
    moon = CRS.from_proj4("+proj=longlat +R=1737400 +no_defs")
    with pytest.raises(InputError, match=r"no transformation is known from .* warp the data to a UTM zone first"):
        transformer(moon, CRS.from_epsg(32632))


@pytest.mark.parametrize("lat", [84.5, 90.0, -80.5])
def test_beyond_utm_is_refused(lat):
    """UTM ends before the poles."""
    with pytest.raises(InputError, match="UTM ends at 84 N and 80 S"):
        utm_crs(LonLat(10.0, lat))


@pytest.mark.parametrize("lon", [5.999, 6.0, 6.001])
def test_the_zone_seam_has_one_answer(lon):
    """On a seam one of the two zones is taken, always the same."""
    crs = utm_crs(LonLat(lon, 46.0))
    assert crs.utm_zone == ("31N" if lon <= 6.0 else "32N")


@given(st.sampled_from([32632, 32633, 2056, 26710, 3035]), st.floats(-1.5, 1.5), st.floats(-0.7, 0.7))
def test_convergence_agrees_with_the_geodesic(code, dlon, dlat):
    """Grid bearing plus convergence is the true bearing, to 0.01 degrees."""
    crs = CRS.from_epsg(code)
    lon0, lat0 = {32632: (9, 46), 32633: (15, 60), 2056: (8, 46.8), 26710: (-123, 46), 3035: (10, 47)}[code]
    point = LonLat(lon0 + dlon, lat0 + dlat)
    x, y = to_map(point, crs)
    start, end = to_lonlat(x, y - 50, crs), to_lonlat(x, y + 50, crs)
    azimuth = GEOD.inv(start.lon_deg, start.lat_deg, end.lon_deg, end.lat_deg)[0]
    assert convergence_deg(crs, point) == pytest.approx(azimuth, abs=0.01)


METRIC = [
    ("EPSG:32632", LonLat(10.7, 46.8), True),
    ("EPSG:32632", LonLat(14.0, 46.8), True),
    ("EPSG:32632", LonLat(25.0, 46.8), False),
    ("EPSG:2056", LonLat(8.2, 46.8), True),
    ("EPSG:26710", LonLat(-122.2, 46.2), True),
    ("EPSG:3857", LonLat(10.7, 46.8), False),
    ("EPSG:3857", LonLat(-78.0, 0.5), False),
    ("EPSG:3857", LonLat(10.7, 70.0), False),
    ("EPSG:4326", LonLat(10.7, 46.8), False),
    ("EPSG:2225", LonLat(-122.2, 41.3), False),
    ("EPSG:3035", LonLat(10.7, 49.8), True),
    ("EPSG:3035", LonLat(-10.0, 37.0), False),
    ("EPSG:3413", LonLat(-45.0, 70.0), True),
    ("EPSG:3413", LonLat(-45.0, 50.0), False),
]


def worst_stretch(crs, point):
    """Largest error of scale over all directions, measured with geodesics of 200 m."""
    x, y = to_map(point, crs)
    found = []
    for azimuth in np.arange(0.0, 180.0, 5.0):
        dx, dy = 100 * np.sin(np.radians(azimuth)), 100 * np.cos(np.radians(azimuth))
        found.append(abs(apart_m(to_lonlat(x - dx, y - dy, crs), to_lonlat(x + dx, y + dy, crs)) / 200.0 - 1.0))
    return max(found)


@pytest.mark.parametrize(("crs", "point", "expected"), METRIC)
def test_which_crs_measures_truly(crs, point, expected):
    """Lengths in all directions decide, measured against geodesics; names do not."""
    assert is_local_metric(CRS(crs), point) is expected
    if CRS(crs).is_projected:
        assert (worst_stretch(CRS(crs), point) < 0.005) is expected


@pytest.mark.parametrize(
    ("azimuth", "text"),
    [(0, "N"), (22, "N"), (23, "NE"), (90, "E"), (135, "SE"), (180, "S"), (247, "SW"), (270, "W"), (315, "NW"),
     (338, "N"), (360, "N"), (-90, "W"), (725, "N")],
)  # fmt: skip
def test_compass_points(azimuth, text):
    """Eight points, each half a point to both sides."""
    assert bearing_text(azimuth) == text
