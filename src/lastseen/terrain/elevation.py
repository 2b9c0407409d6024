"""Any raster, or several, to one metric, square-celled, north-up Grid around the place of interest."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np
import numpy.typing as npt
import rasterio
from affine import Affine
from pyproj import CRS
from rasterio.enums import ColorInterp
from rasterio.errors import RasterioIOError
from rasterio.windows import Window

from lastseen.core import (
    GEOD,
    WGS84,
    FloatArray,
    Grid,
    InputError,
    LonLat,
    ResourceError,
    Scenario,
    bearing_text,
    is_local_metric,
    sample_bilinear,
    to_lonlat,
    to_map,
    transformer,
    utm_crs,
)

# The lattice (CRS, cell, anchor) is chosen once, so that a window that grows keeps the heights it had.

FINEST_CELL_M = 1.0
WARN_CELL_M = 10.0
COARSEST_CELL_M = 31.0  # 30 m class: one arc-second is 30.9 m at the equator

_UNITS = {
    1.0: ("m", "metre", "meter", "metres", "meters"),
    0.3048: ("ft", "foot", "feet", "international foot", "ift"),
    1200.0 / 3937.0: ("us-ft", "ftus", "us_ft", "us survey foot", "us survey feet", "foot_us", "survey foot", "usft"),
}

Box = tuple[float, float, float, float]


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """One raster file as it lies on disk."""

    path: Path
    crs: CRS
    transform: Affine
    width: int
    height: int
    z_factor: float  # metres per unit of height, after the band's own scale
    z_stated: bool = False  # whether the file or the user says the unit
    bytes_only: bool = False  # whether heights are stored in single bytes
    direct: bool = False  # whether its cells coincide with the lattice, so that no resampling is needed


@dataclass(frozen=True, kw_only=True)
class Elevation:
    """An opened elevation model: files, the lattice they are read on, and what was noticed."""

    sheets: tuple[Sheet, ...]  # the first that has a height at a cell gives it
    crs: CRS  # metric; UTM where the files' own CRS does not measure truly
    cell_m: float
    anchor_m: tuple[float, float]  # a corner of the lattice
    bounds_m: Box  # box around all files in ``crs``
    notes: tuple[str, ...]  # plain sentences that the user must see
    pictures: tuple[str, ...] = ()  # files that are pictures by what they say about themselves
    accept_doubtful: bool = False  # whether heights that are probably none are worked on all the same

    @property
    def middle(self) -> LonLat:
        """The middle of all files."""
        west, south, east, north = self.bounds_m
        return to_lonlat(0.5 * (west + east), 0.5 * (south + north), self.crs)

    def snapped(self, box: Box) -> Box:
        """The smallest box of whole cells around ``box``, cut at the edges of the elevation model."""
        west, south = (max(box[k], self.bounds_m[k]) for k in (0, 1))
        east, north = (min(box[k], self.bounds_m[k]) for k in (2, 3))
        (x0, y0), c = self.anchor_m, self.cell_m
        tiny = 1e-6
        return (
            x0 + math.floor((west - x0) / c + tiny) * c,
            y0 + math.floor((south - y0) / c + tiny) * c,
            x0 + math.ceil((east - x0) / c - tiny) * c,
            y0 + math.ceil((north - y0) / c - tiny) * c,
        )


def open_elevation(
    paths: Sequence[Path], place: LonLat | None = None, z_unit: str | None = None, *, accept_doubtful: bool = False
) -> Elevation:
    """Look at the files (anything GDAL reads) and choose the lattice; heights come with a report (`read_ground`).

    Parameters
    ----------
    place : LonLat, optional
        Where the work will be; the middle of the first file where not given.
    z_unit : {"m", "ft", "us-ft"}, optional
        Unit of height; overrides what the files say.
    accept_doubtful : bool
        Whether heights that are probably none are worked on all the same.

    Raises
    ------
    InputError
        No file, no CRS, unreadable, too coarse, or units of height that contradict each other.
    """
    if not paths:
        raise InputError("no elevation file was given: name at least one raster")
    looked = [_look(Path(path), z_unit) for path in paths]
    sheets = [sheet for sheet, _, _ in looked]
    notes = [note for _, found, _ in looked for note in found]
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
    placed = tuple(replace(sheet, direct=_on_lattice(sheet, crs, cell_m, anchor)) for sheet in sheets)
    return Elevation(
        sheets=placed,
        crs=crs,
        cell_m=cell_m,
        anchor_m=anchor,
        bounds_m=_bounds(placed, crs),
        notes=tuple(dict.fromkeys(notes)),
        pictures=tuple(sheet.path.name for sheet, _, picture in looked if picture),
        accept_doubtful=accept_doubtful,
    )


def open_elevation_of(scenario: Scenario, place: LonLat | None = None) -> Elevation:
    """The elevation model that a question names, opened as it says."""
    return open_elevation(scenario.elevation, place, scenario.z_unit, accept_doubtful=scenario.accept_doubtful_heights)


def require_inside(elevation: Elevation, place: LonLat, what: str = "the point") -> tuple[float, float]:
    """Map coordinates of a place; InputError with distance and bearing to the nearest edge where it lies outside."""
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
    azimuth, _, distance = min(found, key=lambda pair: pair[2])
    return float(distance), float(azimuth) % 360.0


def _look(path: Path, z_unit: str | None) -> tuple[Sheet, list[str], bool]:
    """The file, what to say about it, and whether it is a picture by its bands."""
    if not path.exists():
        raise InputError(f"the elevation file {path} does not exist: check the path")
    try:
        with rasterio.open(path) as data:
            if data.crs is None:
                raise InputError(f"{path.name} has no CRS: assign the right one (its EPSG code) to the file first")
            t = data.transform
            if not all(map(math.isfinite, t[:6])) or t.a * t.e - t.b * t.d == 0.0:
                raise InputError(f"{path.name} has cells of no size or place (its geotransform): write it again")
            crs = CRS.from_wkt(data.crs.to_wkt())
            factor, notes = _z_factor(path.name, crs, data.units[0], z_unit)
            if data.count > 1:
                notes.append(f"{path.name} has {data.count} bands: the first is read as heights")
            horizontal = crs.sub_crs_list[0] if crs.is_compound else crs
            return (
                Sheet(
                    path=path,
                    crs=horizontal.to_2d(),
                    transform=data.transform,
                    width=data.width,
                    height=data.height,
                    z_factor=factor,
                    bytes_only=data.dtypes[0] in ("uint8", "int8"),
                    z_stated=bool(z_unit or data.units[0] or _vertical_factor(crs)),
                ),
                notes,
                _is_picture(data),
            )
    except RasterioIOError as error:
        raise InputError(f"{path.name} cannot be read as a raster: check that it is one ({error})") from error


def _is_picture(data: rasterio.DatasetReader) -> bool:
    """Whether the bands are colours: a palette, or three and more of bytes."""
    bytes_only = all(kind == "uint8" for kind in data.dtypes)
    return bytes_only and (data.count >= 3 or data.colorinterp[0] == ColorInterp.palette)


def _unit_factor(text: str, name: str) -> float:
    clean = text.strip().lower()
    for factor, words in _UNITS.items():
        if clean in words:
            return factor
    raise InputError(f"{name} gives its heights in '{text}', which is not known: give --z-unit m, ft or us-ft")


def _vertical_factor(crs: CRS) -> float | None:
    """Metres per unit of height that a CRS states."""
    axes = crs.sub_crs_list[1].axis_info if crs.is_compound else crs.axis_info[2:]
    return float(axes[0].unit_conversion_factor) if axes else None


def _z_factor(name: str, crs: CRS, band_unit: str | None, z_unit: str | None) -> tuple[float, list[str]]:
    """Metres per unit of height, from the user, the band or the vertical CRS."""
    from_crs = _vertical_factor(crs)
    if z_unit is not None:
        factor = _unit_factor(z_unit, name)
        declared = _unit_factor(band_unit, name) if band_unit and band_unit.strip() else from_crs
        if declared is not None and abs(declared - factor) > 1e-9:
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
    return max(float(f"{math.sqrt(area):.3g}"), FINEST_CELL_M)


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


# ---- Reading heights: only the cells of the window are read; a mosaic of any size works

TakeNote = Callable[[str], None]

LOWEST_M, HIGHEST_M = -500.0, 9000.0  # no ground on Earth lies outside
MOST_CELLS = 36_000_000  # 36 Mpx of one layer are 0.3 GB; a plan holds a dozen layers


@dataclass(frozen=True, kw_only=True, eq=False)
class Piece:
    """Heights as they lie in the files, on one lattice of theirs."""

    heights: FloatArray  # metres; NaN is no data
    transform: Affine  # from (column, row) of ``heights`` to ``crs``
    crs: CRS
    cell_m: tuple[float, float]  # of a step along its rows and columns


@dataclass(frozen=True, kw_only=True, eq=False)
class RawWindow:
    """A window of heights with what it was made from."""

    grid: Grid
    pieces: tuple[Piece, ...]
    owner: npt.NDArray[np.uint8]  # which group of files gave each cell of the grid, from 1; 0 where none did
    impossible: tuple[str, ...]  # heights that no ground on Earth has, as sentences


def read_window(elevation: Elevation, box: Box) -> Grid:
    """Heights in metres on the lattice for the cells of a box (map metres); NaN where there are none.

    For what is below `lastseen.terrain.elevation_report`, which is the door for everybody else. Errors are those of
    `read_raw_window`.
    """
    return read_raw_window(elevation, box).grid


def read_raw_window(elevation: Elevation, box: Box) -> RawWindow:
    """Heights of a window, and the pieces of files that they come from.

    Declared no data, masks, NaN and impossible heights (below -500 m or above 9,000 m) all become NaN before anything
    is resampled. InputError if the box does not touch the elevation model, ResourceError if the window has more than 36
    million cells.
    """
    west, south, east, north = elevation.snapped(box)
    columns, rows = round((east - west) / elevation.cell_m), round((north - south) / elevation.cell_m)
    if columns <= 0 or rows <= 0:
        raise InputError("the place lies outside the elevation model")
    if rows * columns > MOST_CELLS:
        raise ResourceError(
            f"the window of {columns * elevation.cell_m / 1000:.1f} x {rows * elevation.cell_m / 1000:.1f} km has "
            f"{rows * columns / 1e6:.0f} million cells of {elevation.cell_m:g} m, more than {MOST_CELLS // 10**6} "
            "million: choose a smaller size class or a coarser elevation model"
        )
    values = np.full((rows, columns), np.nan)
    grid = Grid(values, west, north, elevation.cell_m, elevation.crs)
    (x0, y0), c = elevation.anchor_m, elevation.cell_m
    # Counted from the anchor, so that the position of a cell does not depend on the window, to the last bit.
    x = np.asarray(x0 + (round((west - x0) / c) + np.arange(columns) + 0.5) * c, float)
    y = np.asarray(y0 + (round((north - y0) / c) - np.arange(rows) - 0.5) * c, float)
    owner = np.zeros(values.shape, np.uint8)
    pieces: list[Piece] = []
    impossible: list[str] = []
    direct = False
    for number, group in enumerate(_groups(elevation.sheets), 1):
        missing = np.isnan(values)
        if not missing.any():
            break
        if group[0].direct:
            piece = _read_direct(group[0], grid, impossible.append)
            direct = True
        else:
            piece, source = _read_warped(group, grid, (x, y), impossible.append)
            pieces += [source] if source is not None else []
        if piece is not None:
            np.copyto(values, piece, where=missing)
            owner[missing & ~np.isnan(piece)] = min(number, 255)
    if direct:
        pieces.insert(0, Piece(heights=values, transform=grid.transform, crs=grid.crs, cell_m=(c, c)))
    return RawWindow(grid=grid, pieces=tuple(pieces), owner=owner, impossible=tuple(impossible))


def _groups(sheets: Sequence[Sheet]) -> list[list[Sheet]]:
    """Runs of files, in their order, whose cells lie on one lattice; a file that is read directly stands alone."""
    groups: list[list[Sheet]] = []
    for sheet in sheets:
        if groups and not sheet.direct and not groups[-1][0].direct and _same_lattice(groups[-1][0], sheet):
            groups[-1].append(sheet)
        else:
            groups.append([sheet])
    return groups


def _same_lattice(sheet: Sheet, other: Sheet) -> bool:
    a, b = sheet.transform, other.transform
    size = abs(a.a) + abs(a.b) + abs(a.d) + abs(a.e)
    reach = max(sheet.width, sheet.height, other.width, other.height)
    if sheet.crs != other.crs or any(abs(getattr(a, k) - getattr(b, k)) * reach > 1e-3 * size for k in "abde"):
        return False
    return all(abs(step - round(step)) < 1e-2 for step in applied(~a, b.c, b.f))


def _heights(sheet: Sheet, window: Window, note: TakeNote) -> FloatArray:
    """Heights of a window of the file in metres, every kind of no data as NaN."""
    try:
        with rasterio.open(sheet.path) as data:
            band = data.read(1, window=window, masked=True)
            scale, offset = data.scales[0], data.offsets[0]
    except RasterioIOError as error:
        raise InputError(f"{sheet.path.name} breaks off while it is read: copy the file again ({error})") from error
    values: FloatArray = np.ma.filled(band.astype(np.float64), np.nan) * scale + offset
    values *= sheet.z_factor
    with np.errstate(invalid="ignore"):
        impossible = (values <= LOWEST_M) | (values >= HIGHEST_M)
    if impossible.any():
        note(
            f"{sheet.path.name} holds impossible heights, such as {values[impossible].flat[0]:g} m in "
            f"{np.count_nonzero(impossible)} cells here, that it does not declare as no data: taken as no data"
        )
    values[~np.isfinite(values) | impossible] = np.nan
    return values


def _read_direct(sheet: Sheet, grid: Grid, note: TakeNote) -> FloatArray | None:
    """Cells of a file that lies on the lattice; south-up and mirrored files are turned."""
    t, c = sheet.transform, grid.cell_m
    west, _, _, north = grid.bounds
    file_west = min(t.c, t.c + t.a * sheet.width)
    file_north = max(t.f, t.f + t.e * sheet.height)
    c0, r0 = round((west - file_west) / c), round((file_north - north) / c)
    rows, columns = grid.shape
    left, right = max(0, c0), min(sheet.width, c0 + columns)
    top, bottom = max(0, r0), min(sheet.height, r0 + rows)
    if right <= left or bottom <= top:
        return None
    flip_x, flip_y = t.a < 0, t.e > 0
    column = sheet.width - right if flip_x else left
    row = sheet.height - bottom if flip_y else top
    block = _heights(sheet, Window(column, row, right - left, bottom - top), note)
    block = block[:: -1 if flip_y else 1, :: -1 if flip_x else 1]
    out = np.full(grid.shape, np.nan)
    out[top - r0 : bottom - r0, left - c0 : right - c0] = block
    return out


def _read_warped(
    sheets: Sequence[Sheet], grid: Grid, centres: tuple[FloatArray, FloatArray], note: TakeNote
) -> tuple[FloatArray | None, Piece | None]:
    """Cells of files on one other lattice: bilinear between their cells, across the seams of the files.

    Each cell is worked out from its own map position alone, so that a window that grows keeps its heights. Where the
    files are finer than the lattice, several points of the cell are averaged.
    """
    first = sheets[0]
    back = transformer(grid.crs, first.crs)
    box = back.transform_bounds(*grid.bounds)
    if not all(math.isfinite(side) for side in box):
        return None, None
    source = _gathered(sheets, box, note)
    if source is None:
        return None, None
    heights, row0, col0 = source
    parts = max(1, math.ceil(grid.cell_m / abs(first.transform.determinant) ** 0.5 - 0.3)) if _metric(first) else 1
    out = np.empty(grid.shape)
    shifts = ((np.arange(parts) + 0.5) / parts - 0.5) * grid.cell_m
    for top in range(0, grid.shape[0], 256):
        x, y = np.meshgrid(centres[0], centres[1][top : top + 256])
        total = np.zeros(x.shape)
        for dx, dy in product(shifts, shifts):
            at = (x + dx, y + dy) if first.crs == grid.crs else back.transform(x + dx, y + dy)
            col, row = (np.asarray(axis, float) for axis in applied(~first.transform, *at))
            total += _between(heights, row - 0.5, col - 0.5, row0, col0)
        out[top : top + 256] = total / parts**2
    return out, _piece_of(heights, (row0, col0), first, grid.crs)


def _piece_of(heights: FloatArray, corner: tuple[int, int], sheet: Sheet, crs: CRS) -> Piece:
    """Gathered heights with where they lie, and the lengths of their cells in the middle."""
    t = sheet.transform
    transform = Affine(t.a, t.b, applied(t, corner[1], corner[0])[0], t.d, t.e, applied(t, corner[1], corner[0])[1])
    row, col = heights.shape[0] / 2.0, heights.shape[1] / 2.0
    over = transformer(sheet.crs, crs)
    at, along, down = (
        over.transform(*applied(transform, col + dc, row + dr)) for dc, dr in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0))
    )
    cell_m = (math.dist(at, along), math.dist(at, down))
    return Piece(heights=heights, transform=transform, crs=sheet.crs, cell_m=cell_m)


def _metric(sheet: Sheet) -> bool:
    return bool(sheet.crs.is_projected) and abs(sheet.crs.axis_info[0].unit_conversion_factor - 1.0) < 1e-9


def _gathered(sheets: Sequence[Sheet], box: Box, note: TakeNote) -> tuple[FloatArray, int, int] | None:
    """Heights of all files around a box in their CRS as one array; the row and column of its corner in the first."""
    first = sheets[0]
    places = [applied(~first.transform, s.transform.c, s.transform.f) for s in sheets]
    starts = [(round(row), round(col)) for col, row in places]
    corners = [applied(~first.transform, x, y) for x in (box[0], box[2]) for y in (box[1], box[3])]
    columns, rows = zip(*corners, strict=True)
    margin = 4
    r0 = max(min(r for r, _ in starts), math.floor(min(rows)) - margin)
    r1 = min(max(r + s.height for (r, _), s in zip(starts, sheets, strict=True)), math.ceil(max(rows)) + margin)
    c0 = max(min(c for _, c in starts), math.floor(min(columns)) - margin)
    c1 = min(max(c + s.width for (_, c), s in zip(starts, sheets, strict=True)), math.ceil(max(columns)) + margin)
    if r1 <= r0 or c1 <= c0:
        return None
    if (r1 - r0) * (c1 - c0) > 4 * MOST_CELLS:
        raise ResourceError(f"{first.path.name} is too fine to warp a window this large: resample it to 1 m first")
    heights = np.full((r1 - r0, c1 - c0), np.nan)
    for sheet, (row, col) in zip(sheets, starts, strict=True):
        top, bottom = max(r0, row), min(r1, row + sheet.height)
        left, right = max(c0, col), min(c1, col + sheet.width)
        if bottom <= top or right <= left:
            continue
        part = heights[top - r0 : bottom - r0, left - c0 : right - c0]
        block = _heights(sheet, Window(left - col, top - row, right - left, bottom - top), note)
        np.copyto(part, block, where=np.isnan(part))
    return heights, r0, c0


def _between(heights: FloatArray, row: FloatArray, col: FloatArray, row0: int, col0: int) -> FloatArray:
    """Bilinear heights at fractional cells of the files; half a cell beyond the outermost centres the edge counts."""
    tiny = 1e-6  # of a cell: what rounding may move a point off a centre
    row, col = (np.where(abs(axis - np.round(axis)) < tiny, np.round(axis), axis) for axis in (row, col))
    row, col = row - row0, col - col0
    ny, nx = heights.shape
    inside = (row >= -0.5) & (row <= ny - 0.5) & (col >= -0.5) & (col <= nx - 0.5)
    row, col = (np.where(inside, np.clip(axis, 0.0, n - 1.0), 0.0) for axis, n in ((row, ny), (col, nx)))
    return np.where(inside, sample_bilinear(heights, row, col), np.nan)
