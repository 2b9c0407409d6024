"""Places on the map: reading a point in any notation, choosing a metric CRS, true north.

All transformations run through here, always in the order x (east), y (north).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import mgrs
from pyproj import CRS, Geod, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError, ProjError

from lastseen.core.errors import InputError

WGS84 = CRS.from_epsg(4326)
GEOD = Geod(ellps="WGS84")
# A local grid may stretch lengths by at most this share before strips would come out wrong.
LARGEST_SCALE_ERROR = 0.005
BANDS = "CDEFGHJKLMNPQRSTUVWX"  # of 8 degrees from 80 S, the last of 12

_MGRS = re.compile(r"^\d{1,2}[C-HJ-NP-X][A-HJ-NP-Z]{2}(\d{2}|\d{4}|\d{6}|\d{8}|\d{10})$")
_UTM = re.compile(r"^(\d{1,2})\s*([C-HJ-NP-X])\s+(\d{5,7}(?:\.\d*)?)\s*M?E?[\s,]+(\d{1,8}(?:\.\d*)?)\s*M?N?$")
# Degrees with the letter of the hemisphere before or after: whole minutes and seconds, or decimals of the last part.
_ANGLE = (
    r"([NSEW])?\s*(\d+(?:\.\d+)?)\s*[°º:\s]?\s*(?:(\d+(?:\.\d+)?)\s*['′’:\s]?\s*)?"
    r"(?:(\d+(?:\.\d+)?)\s*(?:\"|″|”|'')?\s*)?([NSEW])?"
)
_DEGREES = re.compile(rf"^{_ANGLE}[\s,;]+{_ANGLE}$")
_PAIR = re.compile(r"^([-+]?\d+(?:\.\d*)?)\s*[,;\s]\s*([-+]?\d+(?:\.\d*)?)$")


@dataclass(frozen=True)
class LonLat:
    """A point in degrees on WGS 84."""

    lon_deg: float
    lat_deg: float

    def notations(self) -> dict[str, str]:
        """The point as lon,lat, as UTM and as MGRS text, so that a person can check what was understood."""
        return {"lonlat": f"{self.lon_deg:.6f},{self.lat_deg:.6f}", "utm": utm_text(self), "mgrs": mgrs_text(self)}


@lru_cache(maxsize=64)
def transformer(source: CRS, target: CRS, area: tuple[float, float, float, float] | None = None) -> Transformer:
    """A transformer in x, y order that never falls back on an unstated datum shift.

    Parameters
    ----------
    area : west, south, east, north in degrees, optional
        Chooses the best published transformation for the place.
    """
    interest: Any = AreaOfInterest(*area) if area else None
    try:
        return Transformer.from_crs(source, target, always_xy=True, area_of_interest=interest, allow_ballpark=False)
    except ProjError as error:
        raise InputError(
            f"no transformation is known from {source.name} to {target.name}: warp the data to a UTM zone first"
        ) from error


def parse_crs(text: str) -> CRS:
    """A CRS from an EPSG code, WKT or any other text that PROJ reads."""
    try:
        return CRS.from_user_input(f"EPSG:{text}" if text.isdigit() else text)
    except CRSError as error:
        raise InputError(f"'{text}' is not a CRS that is known: give an EPSG code such as EPSG:32632") from error


def parse_point(text: str, crs: CRS | None = None) -> LonLat:
    """Read a point.

    Parameters
    ----------
    text : str
        ``lon,lat`` in degrees (or ``x,y`` of ``crs``), UTM text such as ``32T 630000 5180000``, MGRS text such as
        ``32TPS 30000 80000``, or degrees with the letters of the hemispheres in either order, such as
        ``46°45'36"N 10°42'00"E`` (ISO 6709), ``46 45.6 N, 10 42 E`` or ``N46.76 E10.7``.
    crs : pyproj.CRS, optional
        The CRS of a plain pair of numbers; WGS 84 where not given.

    Raises
    ------
    InputError
        If the text cannot be read or lies outside the world.
    """
    clean = text.strip()
    compact = re.sub(r"\s+", "", clean).upper()
    if _MGRS.match(compact):
        return _from_mgrs(compact, text)
    utm = _UTM.match(clean.upper())
    if utm:
        return _from_utm(int(utm[1]), utm[2], float(utm[3]), float(utm[4]))
    pair = _PAIR.match(clean)
    degrees = _DEGREES.match(clean.upper())
    if degrees and not pair:
        return _from_degrees(degrees.groups(), text)
    if not pair:
        raise InputError(
            f"the point '{text}' cannot be read: give lon,lat in degrees, UTM text (32T 630000 5180000), MGRS text, "
            "or degrees with letters (46°45'36\"N 10°42'00\"E)"
        )
    x, y = float(pair[1]), float(pair[2])
    if crs is None or crs.equals(WGS84, ignore_axis_order=True):
        if abs(x) > 180 or abs(y) > 90:
            raise InputError(f"the point '{text}' is not lon,lat in degrees: give its CRS with --crs, or lon,lat")
        return LonLat(x, y)
    lon, lat = transformer(crs, WGS84).transform(x, y)
    if not (math.isfinite(lon) and math.isfinite(lat)):
        raise InputError(f"the point '{text}' lies outside the area of {crs.name}: check --crs and the order x,y")
    return LonLat(lon, lat)


def _from_degrees(parts: tuple[str | None, ...], text: str) -> LonLat:
    """Two angles with their letters."""
    found: dict[str, float] = {}
    for before, degrees, minutes, seconds, after in (parts[:5], parts[5:]):
        letter = before or after
        if (before and after) or letter is None or degrees is None:
            break
        m, s = float(minutes or 0.0), float(seconds or 0.0)
        if m >= 60.0 or s >= 60.0 or (minutes and "." in degrees) or (minutes and seconds and "." in minutes):
            break
        angle = float(degrees) + m / 60.0 + s / 3600.0
        found["lat" if letter in "NS" else "lon"] = -angle if letter in "SW" else angle
    if len(found) != 2 or abs(found["lon"]) > 180 or abs(found["lat"]) > 90:
        raise InputError(
            f"the point '{text}' cannot be read: give one N or S and one E or W, minutes and seconds under 60, and "
            "decimals in the last part only"
        )
    return LonLat(found["lon"], found["lat"])


def _from_mgrs(compact: str, text: str) -> LonLat:
    try:
        lat, lon = mgrs.MGRS().toLatLon(compact)
    except Exception as error:  # the library raises its own kinds, all of them about the text
        raise InputError(f"the point '{text}' is not a valid MGRS reference: check zone, letters and digits") from error
    return LonLat(float(lon), float(lat))


def _from_utm(zone: int, band: str, east_m: float, north_m: float) -> LonLat:
    if not 1 <= zone <= 60:
        raise InputError(f"UTM zone {zone} does not exist: zones run from 1 to 60")
    crs = CRS.from_epsg((32600 if band >= "N" else 32700) + zone)
    lon, lat = transformer(crs, WGS84).transform(east_m, north_m)
    south = -80.0 + 8.0 * BANDS.index(band)
    north = 84.0 if band == "X" else south + 8.0
    if not south - 0.01 <= lat <= north + 0.01:
        raise InputError(
            f"UTM text {zone}{band} {east_m:.0f} {north_m:.0f} contradicts itself: latitude band {band} runs from "
            f"{south:.0f} to {north:.0f} degrees, the northing lies at {lat:.1f}; give the band letter, not N or S"
        )
    return LonLat(float(lon), float(lat))


def utm_crs(point: LonLat) -> CRS:
    """The UTM zone (WGS 84) that holds the point."""
    codes = [
        code
        for code, (west, south, east, north) in _utm_zones()
        if west <= point.lon_deg <= east and south <= point.lat_deg <= north
    ]
    if not codes:
        raise InputError(f"no UTM zone holds {point.lon_deg:.4f},{point.lat_deg:.4f}: UTM ends at 84 N and 80 S")
    return CRS.from_epsg(min(codes))


@lru_cache(maxsize=1)
def _utm_zones() -> tuple[tuple[int, tuple[float, float, float, float]], ...]:
    """EPSG code and west, south, east, north (degrees) of every UTM zone on WGS 84: asking for them takes 0.1 s."""
    zones = query_utm_crs_info(datum_name="WGS 84")
    return tuple((int(zone.code), zone.area_of_use.bounds) for zone in zones if zone.area_of_use)


def utm_text(point: LonLat) -> str:
    """UTM text with whole metres, such as ``32T 630000 5180000``."""
    crs = utm_crs(point)
    x, y = transformer(WGS84, crs).transform(point.lon_deg, point.lat_deg)
    zone = crs.utm_zone or ""
    # A hair south of the equator the sum rounds to 80.
    band = BANDS[min(19 if point.lat_deg >= 0.0 else 9, int((point.lat_deg + 80.0) // 8.0))]
    return f"{zone[:-1]}{band} {x:.0f} {y:.0f}"


def mgrs_text(point: LonLat) -> str:
    """MGRS text to one metre."""
    grid = mgrs.MGRS()
    reference: str = grid.toMGRS(point.lat_deg, point.lon_deg, MGRSPrecision=5)
    try:
        grid.toLatLon(reference)
    except Exception:  # noqa: BLE001  as in reading
        # Less than a millimetre from the edge of its zone or band the point is rounded out of it: a hair south of the
        # equator, say. The text is that of a place 1 cm to the south-west.
        reference = grid.toMGRS(point.lat_deg - 1e-7, max(-180.0, point.lon_deg - 1e-7), MGRSPrecision=5)
    return reference


def to_map(point: LonLat, crs: CRS) -> tuple[float, float]:
    """Map coordinates of a point, metres."""
    area = (point.lon_deg, point.lat_deg, point.lon_deg, point.lat_deg)
    x, y = transformer(WGS84, crs, area).transform(point.lon_deg, point.lat_deg)
    return float(x), float(y)


def to_lonlat(x_m: float, y_m: float, crs: CRS) -> LonLat:
    """The point in degrees on WGS 84."""
    lon, lat = transformer(crs, WGS84).transform(x_m, y_m)
    return LonLat(float(lon), float(lat))


def is_local_metric(crs: CRS, point: LonLat) -> bool:
    """Whether lengths and angles measured in this CRS near the point are true.

    Web Mercator calls itself metric and is not: its scale is 1/cos(latitude). Geodesics of 100 m in all directions
    decide, not the name.
    """
    if not crs.is_projected or any(abs(axis.unit_conversion_factor - 1.0) > 1e-9 for axis in crs.axis_info[:2]):
        return False
    try:
        project = transformer(WGS84, crs, (point.lon_deg, point.lat_deg, point.lon_deg, point.lat_deg)).transform
    except InputError:  # outside the area of the CRS
        return False
    middle = project(point.lon_deg, point.lat_deg)
    ends = [GEOD.fwd(point.lon_deg, point.lat_deg, azimuth, 100.0)[:2] for azimuth in range(0, 180, 15)]
    scales = [math.dist(middle, project(*end)) / 100.0 for end in ends]
    return all(abs(scale - 1.0) <= LARGEST_SCALE_ERROR for scale in scales)


def convergence_deg(crs: CRS, point: LonLat) -> float:
    """Angle from true north to grid north at the point, clockwise; true bearing = grid bearing + this."""
    return float(Proj(crs).get_factors(point.lon_deg, point.lat_deg).meridian_convergence)


def bearing_text(azimuth_deg: float) -> str:
    """One of eight compass points."""
    return ("N", "NE", "E", "SE", "S", "SW", "W", "NW")[round(azimuth_deg / 45.0) % 8]
