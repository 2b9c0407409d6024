"""Opening an elevation model: what the files say, and the one lattice that all windows are read on.

The lattice (CRS, cell, anchor) is chosen once, so that a window that grows keeps the heights it had.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import rasterio
from affine import Affine
from pyproj import CRS
from rasterio.errors import RasterioIOError

from lastseen.errors import InputError
from lastseen.place import (
    GEOD,
    WGS84,
    LonLat,
    bearing_text,
    is_local_metric,
    to_lonlat,
    to_map,
    transformer,
    utm_crs,
)

FINEST_CELL_M = 1.0
WARN_CELL_M = 10.0
COARSEST_CELL_M = 31.0  # 30 m class: one arc-second is 30.9 m at the equator

_UNITS = {
    1.0: ("m", "metre", "meter", "metres", "meters"),
    0.3048: ("ft", "foot", "feet", "international foot", "ift"),
    1200.0 / 3937.0: ("us-ft", "ftus", "us_ft", "us survey foot", "us survey feet", "foot_us", "survey foot", "usft"),
}

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Sheet:
    """One raster file as it lies on disk.

    Attributes
    ----------
    path : Path
    crs : pyproj.CRS
    transform : Affine
    width, height : int
    z_factor : float
        Metres per unit of height, after the band's own scale.
    direct : bool
        Whether its cells coincide with the lattice, so that no resampling is needed.
    """

    path: Path
    crs: CRS
    transform: Affine
    width: int
    height: int
    z_factor: float
    direct: bool = False


@dataclass(frozen=True)
class Elevation:
    """An opened elevation model: files, the lattice they are read on, and what was noticed.

    Attributes
    ----------
    sheets : tuple of Sheet
        The first that has a height at a cell gives it.
    crs : pyproj.CRS
        Metric; UTM where the files' own CRS does not measure truly.
    cell_m : float
    anchor_m : (x, y)
        A corner of the lattice.
    bounds_m : west, south, east, north
        Box around all files in ``crs``.
    notes : tuple of str
        Plain sentences that the user must see.
    """

    sheets: tuple[Sheet, ...]
    crs: CRS
    cell_m: float
    anchor_m: tuple[float, float]
    bounds_m: Box
    notes: tuple[str, ...]

    def snapped(self, box: Box) -> Box:
        """The smallest box of whole cells around ``box``, cut at the edges of the elevation model."""
        west, south, east, north = (
            max(box[0], self.bounds_m[0]),
            max(box[1], self.bounds_m[1]),
            min(box[2], self.bounds_m[2]),
            min(box[3], self.bounds_m[3]),
        )
        (x0, y0), c = self.anchor_m, self.cell_m
        tiny = 1e-6
        return (
            x0 + math.floor((west - x0) / c + tiny) * c,
            y0 + math.floor((south - y0) / c + tiny) * c,
            x0 + math.ceil((east - x0) / c - tiny) * c,
            y0 + math.ceil((north - y0) / c - tiny) * c,
        )


def open_elevation(paths: Sequence[Path], place: LonLat | None = None, z_unit: str | None = None) -> Elevation:
    """Look at the files and choose the lattice; reads no heights.

    Parameters
    ----------
    paths : sequence of Path
        Anything GDAL reads, one file or several.
    place : LonLat, optional
        Where the work will be; the middle of the first file where not given.
    z_unit : {"m", "ft", "us-ft"}, optional
        Unit of height; overrides what the files say.

    Raises
    ------
    InputError
        No file, no CRS, unreadable, too coarse, or units of height that contradict each other.
    """
    if not paths:
        raise InputError("no elevation file was given: name at least one raster")
    looked = [_look(Path(path), z_unit) for path in paths]
    sheets = [sheet for sheet, _ in looked]
    notes = [note for _, found in looked for note in found]
    place = place or _middle(sheets[0])
    first = next((sheet for sheet in sheets if _holds(sheet, place)), None)
    if first is None:  # require_inside will say so; until then the files must still open on a lattice of their own
        first, place = sheets[0], _middle(sheets[0])
    crs = first.crs if is_local_metric(first.crs, place) else utm_crs(place)
    cell_m = _cell_at(first, crs, place)
    if cell_m > COARSEST_CELL_M:
        raise InputError(
            f"{first.path.name} has cells of {cell_m:.0f} m: 30 m is the coarsest that shows a slope; use a finer model"
        )
    if cell_m > WARN_CELL_M * 1.05:
        notes.append(
            f"cells of {cell_m:.0f} m: gullies, banks and cliffs are invisible at this size and run-out is rough"
        )
    if crs != first.crs:
        notes.append(f"heights were warped from {first.crs.name} to {crs.name}, {cell_m:g} m cells, bilinear")
    anchor = (first.transform.c, first.transform.f) if _fits(first, crs, cell_m) else (0.0, 0.0)
    placed = tuple(
        Sheet(s.path, s.crs, s.transform, s.width, s.height, s.z_factor, _on_lattice(s, crs, cell_m, anchor))
        for s in sheets
    )
    return Elevation(placed, crs, cell_m, anchor, _bounds(placed, crs), tuple(dict.fromkeys(notes)))


def require_inside(elevation: Elevation, place: LonLat, what: str = "the point") -> tuple[float, float]:
    """Map coordinates of a place, or an error with distance and bearing to the nearest edge.

    Raises
    ------
    InputError
        If the place lies outside the box of the elevation model.
    """
    west, south, east, north = elevation.bounds_m
    try:
        x, y = to_map(place, elevation.crs)
    except InputError:  # far outside the area where the CRS is defined
        x = y = math.inf
    if math.isfinite(x) and west <= x <= east and south <= y <= north:
        return x, y
    distance, azimuth = _to_nearest_edge(place, elevation)
    far = f"{distance / 1000:.1f} km" if distance >= 1000 else f"{distance:.0f} m"
    raise InputError(
        f"{what} {place.lon_deg:.6f},{place.lat_deg:.6f} lies outside the elevation model, whose nearest edge is "
        f"{far} away at {round(azimuth) % 360} degrees ({bearing_text(azimuth)}): check the order lon,lat or use "
        "another file"
    )


def _to_nearest_edge(place: LonLat, elevation: Elevation) -> tuple[float, float]:
    """Distance (m) and azimuth (degrees) to the nearest point of the model's edge, to a two-hundredth of its length."""
    west, south, east, north = elevation.bounds_m
    shares = [i / 200.0 for i in range(201)]
    edge = [(west + s * (east - west), y) for s in shares for y in (south, north)]
    edge += [(x, south + s * (north - south)) for s in shares for x in (west, east)]
    points = [to_lonlat(x, y, elevation.crs) for x, y in edge]
    found = [GEOD.inv(place.lon_deg, place.lat_deg, point.lon_deg, point.lat_deg) for point in points]
    azimuth, _, distance = min(found, key=lambda one: one[2])
    return float(distance), float(azimuth) % 360.0


def _look(path: Path, z_unit: str | None) -> tuple[Sheet, list[str]]:
    if not path.exists():
        raise InputError(f"the elevation file {path} does not exist: check the path")
    try:
        with rasterio.open(path) as data:
            if data.crs is None:
                raise InputError(f"{path.name} has no CRS: assign the right one (its EPSG code) to the file first")
            crs = CRS.from_wkt(data.crs.to_wkt())
            factor, notes = _z_factor(path.name, crs, data.units[0], z_unit)
            if data.count > 1:
                notes.append(f"{path.name} has {data.count} bands: the first is read as heights")
            horizontal = crs.sub_crs_list[0] if crs.is_compound else crs
            return Sheet(path, horizontal.to_2d(), data.transform, data.width, data.height, factor), notes
    except RasterioIOError as error:
        raise InputError(f"{path.name} cannot be read as a raster: check that it is one ({error})") from error


def _unit_factor(text: str, name: str) -> float:
    clean = text.strip().lower()
    for factor, words in _UNITS.items():
        if clean in words:
            return factor
    raise InputError(f"{name} gives its heights in '{text}', which is not known: give --z-unit m, ft or us-ft")


def _z_factor(name: str, crs: CRS, band_unit: str | None, z_unit: str | None) -> tuple[float, list[str]]:
    """Metres per unit of height, from the user, the band or the vertical CRS."""
    axes = crs.sub_crs_list[1].axis_info if crs.is_compound else crs.axis_info[2:]
    from_crs = axes[0].unit_conversion_factor if axes else None
    if z_unit is not None:
        factor = _unit_factor(z_unit, name)
        said = _unit_factor(band_unit, name) if band_unit and band_unit.strip() else from_crs
        if said is not None and abs(said - factor) > 1e-9:
            return factor, [f"{name}: --z-unit {z_unit} overrides the unit of height stated in the file"]
        return factor, []
    from_band = _unit_factor(band_unit, name) if band_unit and band_unit.strip() else None
    if from_band is not None and from_crs is not None and abs(from_band - from_crs) > 1e-9:
        raise InputError(
            f"{name} contradicts itself: its band gives heights in '{band_unit}' and its vertical CRS in units of "
            f"{from_crs:g} m; give --z-unit m, ft or us-ft"
        )
    stated = from_band if from_band is not None else from_crs
    if stated is not None:
        return stated, []
    horizontal = crs.axis_info[0].unit_conversion_factor if crs.is_projected else 1.0
    if abs(horizontal - 1.0) > 1e-9:
        return 1.0, [f"{name} is mapped in feet and states no unit of height: metres were taken; check with --z-unit"]
    return 1.0, [] if band_unit else [f"{name} states no unit of height: metres were taken; --z-unit changes that"]


def applied(t: Affine, x: float, y: float) -> tuple[float, float]:
    """The transform of a point (arrays work too); the operator for it differs between versions of affine."""
    return t.a * x + t.b * y + t.c, t.d * x + t.e * y + t.f


def _middle(sheet: Sheet) -> LonLat:
    x, y = applied(sheet.transform, sheet.width / 2.0, sheet.height / 2.0)
    return to_lonlat(x, y, sheet.crs)


def _holds(sheet: Sheet, place: LonLat) -> bool:
    x, y = transformer(WGS84, sheet.crs).transform(place.lon_deg, place.lat_deg)
    if not (math.isfinite(x) and math.isfinite(y)):
        return False
    column, row = applied(~sheet.transform, x, y)
    return bool(0 <= column <= sheet.width and 0 <= row <= sheet.height)


def _cell_at(sheet: Sheet, crs: CRS, place: LonLat) -> float:
    """Side of a square cell of the same map area as the file's cell at the place; never below 1 m."""
    t = sheet.transform
    if _axis_aligned(t) and sheet.crs == crs and abs(abs(t.a) - abs(t.e)) <= 1e-3 * abs(t.a):
        return max(abs(t.a), FINEST_CELL_M)
    x, y = transformer(WGS84, sheet.crs).transform(place.lon_deg, place.lat_deg)
    column, row = applied(~t, x, y) if _holds(sheet, place) else (sheet.width / 2.0, sheet.height / 2.0)
    corners = [applied(t, column + dc, row + dr) for dc, dr in ((0, 0), (1, 0), (0, 1))]
    (ax, ay), (bx, by), (cx, cy) = (transformer(sheet.crs, crs).transform(*corner) for corner in corners)
    area = abs((bx - ax) * (cy - ay) - (by - ay) * (cx - ax))
    if not (math.isfinite(area) and area > 0):
        raise InputError(f"{sheet.path.name} cannot be brought to {crs.name}: check its CRS and its extent")
    side = math.sqrt(area)
    return max(float(f"{side:.3g}"), FINEST_CELL_M)


def _axis_aligned(t: Affine) -> bool:
    return abs(t.b) < 1e-9 * abs(t.a) and abs(t.d) < 1e-9 * abs(t.e) if t.a and t.e else False


def _fits(sheet: Sheet, crs: CRS, cell_m: float) -> bool:
    t = sheet.transform
    return sheet.crs == crs and _axis_aligned(t) and all(abs(abs(s) - cell_m) < 1e-6 * cell_m for s in (t.a, t.e))


def _on_lattice(sheet: Sheet, crs: CRS, cell_m: float, anchor: tuple[float, float]) -> bool:
    if not _fits(sheet, crs, cell_m):
        return False
    steps = ((sheet.transform.c - anchor[0]) / cell_m, (sheet.transform.f - anchor[1]) / cell_m)
    return all(abs(step - round(step)) < 1e-3 for step in steps)


def _bounds(sheets: Sequence[Sheet], crs: CRS) -> Box:
    boxes = []
    for sheet in sheets:
        corners = [applied(sheet.transform, c, r) for c in (0, sheet.width) for r in (0, sheet.height)]
        xs, ys = zip(*corners, strict=True)
        boxes.append(transformer(sheet.crs, crs).transform_bounds(min(xs), min(ys), max(xs), max(ys)))
    west, south, east, north = zip(*boxes, strict=True)
    box = (min(west), min(south), max(east), max(north))
    if not all(math.isfinite(side) for side in box):
        raise InputError(
            f"{sheets[0].path.name} cannot be brought to {crs.name} as a whole: cut it to the region first"
        )
    return box
