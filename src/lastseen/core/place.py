"""Places on the map: reading a point in any notation, choosing a metric CRS, true north.

All transformations run through here, always in the order x (east), y (north).
"""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import mgrs
import numpy as np
import shapely
from pyproj import CRS, Geod, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.enums import TransformDirection
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

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


Bounds = tuple[float, float, float, float]


@dataclass(frozen=True, kw_only=True)
class Transformation:
    """The way from one CRS to another that is taken at a place, after PROJ's list of published ones."""

    name: str
    accuracy_m: float | None  # as published; None where nobody states one
    missing_grids: tuple[str, ...]  # files of a better one that are not installed
    way: Transformer


class PlacedTransformer:
    """Moves points between two CRS by one published transformation, the same in both directions.

    Several transformations lead from a datum to another, each with an area of its own. The one that is taken is that of
    the square degree that holds the first point, so that what goes in by it comes out by it.
    """

    def __init__(self, source: CRS, target: CRS) -> None:
        self._source, self._target = source, target
        # The one order of the two in which ways are looked for; the other direction is the inverse.
        self._turned = _order(source) > _order(target)
        self._plain = _of_one_datum(source, target)
        if self._plain:
            self._way = _plain_way(source, target)
        else:
            _require_way(source, target)

    def transform(self, x: Any, y: Any) -> tuple[Any, Any]:
        """Points in x, y order, numbers or arrays; infinite where there is no way."""
        if self._plain:
            return self._way.transform(x, y)
        found = self.at(x, y)
        direction = TransformDirection.INVERSE if self._turned else TransformDirection.FORWARD
        return found.way.transform(x, y, direction=direction)

    def transform_bounds(self, west: float, south: float, east: float, north: float) -> Bounds:
        """The box around a box that was moved."""
        if self._plain:
            box: Bounds = self._way.transform_bounds(west, south, east, north)
            return box
        found = self.at(0.5 * (west + east), 0.5 * (south + north))
        direction = TransformDirection.INVERSE if self._turned else TransformDirection.FORWARD
        moved: Bounds = found.way.transform_bounds(west, south, east, north, direction=direction)
        return moved

    def at(self, x: Any, y: Any) -> Transformation:
        """The transformation that is taken for points whose first is this; InputError where none is known."""
        xs, ys = np.atleast_1d(np.asarray(x, float)).ravel(), np.atleast_1d(np.asarray(y, float)).ravel()
        known = np.flatnonzero(np.isfinite(xs) & np.isfinite(ys))
        lon, lat = (float(xs[known[0]]), float(ys[known[0]])) if known.size else (0.0, 0.0)
        if not self._source.equals(WGS84, ignore_axis_order=True):
            lon, lat = _plain_way(self._source, WGS84).transform(lon, lat)
        if not (math.isfinite(lon) and math.isfinite(lat)):
            lon, lat = 0.0, 0.0
        cell = (min(179, max(-180, math.floor(lon))), min(89, max(-90, math.floor(lat))))
        pair = (self._target, self._source) if self._turned else (self._source, self._target)
        return _chosen_way(*pair, cell)


@lru_cache(maxsize=64)
def transformer(source: CRS, target: CRS) -> PlacedTransformer:
    """Moves points in x, y order from one CRS to another; never by an unstated datum shift."""
    return PlacedTransformer(source, target)


def transformation_at(crs: CRS, point: LonLat) -> Transformation | None:
    """How WGS 84 and a CRS are brought together at a point; None where both have one datum."""
    if _of_one_datum(WGS84, crs):
        return None
    return transformer(WGS84, crs).at(point.lon_deg, point.lat_deg)


def datum_shift_m(crs: CRS, point: LonLat) -> float:
    """How far apart on the ground the same degrees lie in WGS 84 and in the datum of a CRS, at a point."""
    base = crs.geodetic_crs
    if base is None or _of_one_datum(WGS84, crs):
        return 0.0
    lon, lat = transformer(WGS84, base.to_2d()).transform(point.lon_deg, point.lat_deg)
    if not (math.isfinite(lon) and math.isfinite(lat)):
        return 0.0
    return float(GEOD.inv(point.lon_deg, point.lat_deg, lon, lat)[2])


def move_shapes(shapes: Any, source: CRS, target: CRS) -> Any:
    """Shapes in another CRS, by the transformation that points are moved by."""
    if source == target:
        return shapes
    way = transformer(source, target)
    move: Any = way.transform
    return shapely.transform(shapes, move, interleaved=False)


@lru_cache(maxsize=256)
def _order(crs: CRS) -> str:
    return "" if crs.equals(WGS84, ignore_axis_order=True) else crs.to_wkt()


@lru_cache(maxsize=256)
def _of_one_datum(source: CRS, target: CRS) -> bool:
    a, b = source.geodetic_crs, target.geodetic_crs
    return a is not None and b is not None and a.datum is not None and a.to_2d().equals(b.to_2d(), True)  # noqa: FBT003


@lru_cache(maxsize=64)
def _plain_way(source: CRS, target: CRS) -> Transformer:
    """PROJ's own choice; for CRS of one datum, and to know roughly where a point lies."""
    try:
        return Transformer.from_crs(source, target, always_xy=True)
    except ProjError as error:
        raise _no_way(source, target) from error


def _require_way(source: CRS, target: CRS) -> Transformer:
    """PROJ's choice without a place; InputError if only a guess leads from one to the other."""
    try:
        return Transformer.from_crs(source, target, always_xy=True, allow_ballpark=False)
    except ProjError as error:
        raise _no_way(source, target) from error


@lru_cache(maxsize=128)
def _chosen_way(source: CRS, target: CRS, cell: tuple[int, int]) -> Transformation:
    """The best published transformation that is installed and whose area holds the middle of a square degree."""
    lon, lat = cell
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # that grid files are missing is said in the result
        interest: Any = AreaOfInterest(lon, lat, min(180.0, lon + 1.0), min(90.0, lat + 1.0))
        try:
            group = TransformerGroup(
                source, target, always_xy=True, allow_ballpark=False, area_of_interest=interest
            )  # fmt: skip
        except ProjError as error:
            raise _no_way(source, target) from error
    if not group.transformers:  # off the area of all of them: what PROJ makes of it, which may be nothing
        way = _require_way(source, target)
        return Transformation(name=way.description, accuracy_m=None, missing_grids=(), way=way)

    def holds(way: Transformer) -> bool:
        area = way.area_of_use
        if area is None:
            return True
        wide = area.west <= lon + 0.5 <= area.east if area.west <= area.east else True
        return wide and area.south <= lat + 0.5 <= area.north

    way = next((found for found in group.transformers if holds(found)), group.transformers[0])
    accuracy = float(way.accuracy) if way.accuracy is not None and way.accuracy >= 0.0 else None
    better = [
        grid.short_name
        for operation in group.unavailable_operations
        if operation.accuracy >= 0.0 and (accuracy is None or operation.accuracy < accuracy)
        for grid in operation.grids
        if not grid.available
    ]
    return Transformation(
        name=way.description, accuracy_m=accuracy, missing_grids=tuple(dict.fromkeys(better)), way=way
    )


def _no_way(source: CRS, target: CRS) -> InputError:
    return InputError(
        f"no transformation is known from {source.name} to {target.name}: warp the data to a UTM zone first"
    )


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
    if crs.is_projected and abs(x) <= 180.0 and abs(y) <= 90.0:
        raise InputError(
            f"the point '{text}' looks like lon,lat in degrees, and --crs says {crs.name}: leave --crs away, or give "
            "x,y in it"
        )
    lon, lat = transformer(crs, WGS84).transform(x, y)
    if not (math.isfinite(lon) and math.isfinite(lat)):
        raise InputError(f"the point '{text}' lies outside the area of {crs.name}: check --crs and the order x,y")
    return LonLat(lon, lat)


METRES_PER_DEGREE = 111_320.0  # of latitude, and of longitude at the equator, rounded
LEAST_DOUBT_M = 2.0  # less is not worth a word; design choice


def notation_radius_m(text: str, crs: CRS | None = None) -> float:
    """How far off its middle a place may lie that this text can mean, metres; 0 where it says it to some metres.

    A coarse MGRS square means all of it; the last digit of degrees means half a unit on both sides. Text that
    `parse_point` refuses gives 0.
    """
    clean = text.strip().upper()
    compact = re.sub(r"\s+", "", clean)
    if _MGRS.match(compact):
        side = 10.0 ** (5 - _mgrs_digits(compact) // 2)
        return side / math.sqrt(2.0) if side > 1.0 else 0.0
    if _UTM.match(clean):
        return 0.0
    pair, degrees = _PAIR.match(clean), _DEGREES.match(clean)
    if pair:
        if crs is not None and not crs.is_geographic:
            return 0.0
        lat = float(pair[2])
        steps = [10.0 ** -len(part.partition(".")[2]) for part in (pair[1], pair[2])]
    elif degrees:
        parts = degrees.groups()
        lat = next((float(p[1] or 0.0) for p in (parts[:5], parts[5:]) if (p[0] or p[4]) in ("N", "S")), 0.0)
        steps = [_angle_step(part) for part in (parts[1:4], parts[6:9])]
        if (parts[0] or parts[4]) in ("N", "S"):
            steps.reverse()
    else:
        return 0.0
    east, north = steps[0] * math.cos(math.radians(min(abs(lat), 90.0))), steps[1]
    radius = 0.5 * METRES_PER_DEGREE * math.hypot(east, north)
    return radius if radius >= LEAST_DOUBT_M else 0.0


def _mgrs_digits(compact: str) -> int:
    return len(compact) - len(compact.rstrip("0123456789"))


def _angle_step(parts: tuple[str | None, ...]) -> float:
    """The unit of the last digit of an angle of degrees, minutes and seconds, degrees."""
    unit = 1.0
    for size, part in zip((1.0, 1.0 / 60.0, 1.0 / 3600.0), parts, strict=True):
        if part is not None:
            unit = size * 10.0 ** -len(part.partition(".")[2])
    return unit


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
    square, digits = compact[: -_mgrs_digits(compact)], compact[-_mgrs_digits(compact) :]
    half = len(digits) // 2
    if half < 5:  # a square of 10 m or more means its middle
        digits = "".join((part + "5").ljust(5, "0") for part in (digits[:half], digits[half:]))
    try:
        lat, lon = mgrs.MGRS().toLatLon(square + digits)
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
    x, y = transformer(WGS84, crs).transform(point.lon_deg, point.lat_deg)
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
        project = transformer(WGS84, crs).transform
        middle = project(point.lon_deg, point.lat_deg)
    except InputError:  # outside the area of the CRS
        return False
    ends = [GEOD.fwd(point.lon_deg, point.lat_deg, azimuth, 100.0)[:2] for azimuth in range(0, 180, 15)]
    scales = [math.dist(middle, project(*end)) / 100.0 for end in ends]
    return all(abs(scale - 1.0) <= LARGEST_SCALE_ERROR for scale in scales)


def convergence_deg(crs: CRS, point: LonLat) -> float:
    """Angle from true north to grid north at the point, clockwise; true bearing = grid bearing + this."""
    return float(Proj(crs).get_factors(point.lon_deg, point.lat_deg).meridian_convergence)


def bearing_text(azimuth_deg: float) -> str:
    """One of eight compass points."""
    return ("N", "NE", "E", "SE", "S", "SW", "W", "NW")[round(azimuth_deg / 45.0) % 8]
