"""Picture tiles of ground and plan, warped cell by cell, and isolines."""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import rasterio
from affine import Affine
from contourpy import LineType, contour_generator
from PIL import Image
from rasterio.enums import Resampling
from rasterio.errors import CRSError
from rasterio.vrt import WarpedVRT
from rasterio.warp import transform_bounds
from scipy import ndimage

from lastseen.core import BoolArray, FloatArray, InputError, NothingFoundError
from lastseen.output import load_palette
from lastseen.terrain import HIGHEST_M, LOWEST_M
from lastseen.web.places import Place

# ---- Rasters on the lattice of web maps: exactly the cells that are asked for, whatever the file is like

RADIUS_M = 6378137.0  # of the sphere of web maps, which is the equatorial radius of WGS84
EQUATOR_M = 2.0 * math.pi * RADIUS_M
WEB_MAP = "EPSG:3857"
SIZE = 256  # cells of a tile along a side
Box = tuple[float, float, float, float]


class Tile(NamedTuple):
    """A square of the web map: zoom level, column from the west, row from the north."""

    z: int
    x: int
    y: int

    def box_m(self) -> Box:
        """West, south, east, north, metres of the web map."""
        side, half = EQUATOR_M / 2**self.z, 0.5 * EQUATOR_M
        x, y = self.x, self.y
        return x * side - half, half - (y + 1) * side, (x + 1) * side - half, half - y * side

    def cell_m(self) -> float:
        """Metres on the ground between two cells in the middle of the tile."""
        share = math.pi * (1.0 - 2.0 * (self.y + 0.5) / 2**self.z)
        return float(EQUATOR_M / 2**self.z / SIZE / math.cosh(share))


def read_warped(path: Path, box_m: Box, shape: tuple[int, int], how: str) -> FloatArray | None:
    """Band 1 of a raster in a box of the web map, NaN where nothing is known; None where the file does not reach it.

    Only the cells of the result are held in memory. ``how`` is a resampling of GDAL: bilinear, cubic_spline, average.
    """
    west, south, east, north = box_m
    rows, cols = shape
    place = Affine((east - west) / cols, 0.0, west, 0.0, (south - north) / rows, north)
    with rasterio.open(path) as data:
        try:
            w, s, e, n = transform_bounds(data.crs, WEB_MAP, *data.bounds)
        except CRSError:
            return None
        if not (w < east and e > west and s < north and n > south):
            return None
        bare = data.nodata is None
        with WarpedVRT(
            data, crs=WEB_MAP, transform=place, width=cols, height=rows, resampling=Resampling[how], dtype="float32",
            add_alpha=bare,
        ) as warped:  # fmt: skip
            band = warped.read(1, masked=not bare)
            values: FloatArray = np.ma.filled(band.astype(np.float64), np.nan)
            if bare:
                values[warped.read(warped.count) == 0] = np.nan
        values = values * data.scales[0] + data.offsets[0]
    return None if np.isnan(values).all() else values


def _fill_gaps(values: FloatArray, heights: FloatArray) -> None:
    """Put heights where there are none yet; what no place on earth has is no height."""
    known = (heights > LOWEST_M) & (heights < HIGHEST_M)
    np.copyto(values, heights, where=np.isnan(values) & known)


# ---- Lines of equal height or slope for what the map shows, with the numbers that stand on them

Kind = Literal["height", "slope"]
SLOPES_DEG = (25.0, 30.0, 35.0, 40.0, 45.0, 55.0)
INTERVALS_M = (5.0, 10.0, 20.0, 50.0, 100.0, 200.0)
WANTED_LINES = 22.0
MOST_CELLS = 640  # along the longer side of the view
_SMOOTH = {"height": 1.2, "slope": 3.0}  # cells
_SLOPE_OVER_M = 6.0  # slope is smoothed over at least this, SD
_SHORTEST = {"height": 24, "slope": 60}  # points of a line that is worth drawing
_WIDEST_DEG = 3.0


def draw_isolines(place: Place, kind: Kind, box: tuple[float, float, float, float]) -> dict[str, Any]:
    """Isolines in a box of degrees as GeoJSON, with ``value``, ``label`` and whether every fifth line falls on it.

    Raises InputError if the box is turned inside out or too large. NothingFoundError if there is no ground in it.
    """
    west, south, east, north = box
    if not (west < east and south < north and east - west <= _WIDEST_DEG and north - south <= _WIDEST_DEG):
        raise InputError(f"the box {west:g},{south:g},{east:g},{north:g} is no box of at most {_WIDEST_DEG:g} degrees")
    values, step_m = _read_box(place, box)
    smooth = _smooth(values, _SMOOTH[kind] if kind == "height" else max(_SMOOTH[kind], _SLOPE_OVER_M / step_m))
    if kind == "slope":
        down, right = np.gradient(smooth, step_m)
        smooth = np.degrees(np.arctan(np.hypot(down, right)))
        levels: tuple[float, ...] = SLOPES_DEG
        every = 0.0
    else:
        levels, every = _levels(smooth)
    rows, cols = smooth.shape
    x = west + (np.arange(cols) + 0.5) / cols * (east - west)
    top, bottom = (math.asinh(math.tan(math.radians(lat))) for lat in (north, south))
    y = np.degrees(np.arctan(np.sinh(top + (np.arange(rows) + 0.5) / rows * (bottom - top))))
    drawer: Any = contour_generator(x, y, np.ma.masked_invalid(smooth), line_type=LineType.Separate)
    features = [
        {
            "type": "Feature",
            "properties": {"value": level, "label": _label(kind, level), "index": bool(every) and level % every == 0.0},
            "geometry": {
                "type": "LineString",
                "coordinates": np.round(line[:: 2 if len(line) > 60 else 1], 6).tolist(),
            },
        }
        for level in levels
        for line in drawer.lines(level)
        if len(line) >= _SHORTEST[kind]
    ]
    return {"type": "FeatureCollection", "over_m": round(step_m * 2.0, 1), "features": features}


def _read_box(place: Place, box: tuple[float, float, float, float]) -> tuple[FloatArray, float]:
    """Heights in the box on the lattice of web maps, and metres between them."""
    west, south, east, north = box
    top, bottom = (math.asinh(math.tan(math.radians(lat))) for lat in (north, south))
    wide, high = math.radians(east - west), top - bottom
    finest = place.elevation.cell_m / math.cos(math.radians(0.5 * (south + north))) / RADIUS_M
    longest = max(32, min(MOST_CELLS, int(max(wide, high) / finest)))
    cols, rows = (max(8, round(longest * side / max(wide, high))) for side in (wide, high))
    values = np.full((rows, cols), np.nan)
    half = RADIUS_M
    box_m = (math.radians(west) * half, bottom * half, math.radians(east) * half, top * half)
    for sheet in place.elevation.sheets:
        piece = read_warped(sheet.path, box_m, (rows, cols), "average" if longest == MOST_CELLS else "bilinear")
        if piece is None:
            continue
        _fill_gaps(values, piece * sheet.z_factor)
    if np.isnan(values).all():
        raise NothingFoundError("there is no ground in this box")
    return values, wide / cols * RADIUS_M * math.cos(math.radians(0.5 * (south + north)))


def _smooth(values: FloatArray, cells: float) -> FloatArray:
    """Smoothed without letting no data in."""
    known = ~np.isnan(values)
    weight = ndimage.gaussian_filter(known.astype(float), cells)
    smooth = ndimage.gaussian_filter(np.where(known, values, 0.0), cells)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known & (weight > 0.0), smooth / weight, np.nan)


def _levels(values: FloatArray) -> tuple[tuple[float, ...], float]:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    step = next((interval for interval in INTERVALS_M if (high - low) / interval <= WANTED_LINES), INTERVALS_M[-1])
    first = math.ceil(low / step)
    return tuple(k * step for k in range(first, math.floor(high / step) + 1)), 5.0 * step


def _label(kind: Kind, level: float) -> str:
    return f"{level:.0f}\u00b0" if kind == "slope" else f"{level:.0f}"


# ---- Picture tiles of ground and plan, warped cell by cell; colours come from the shared palette

MOST_ZOOM = 18
LEAST_PLAN_ZOOM = 8
_SMOOTHLY = "cubic_spline"  # bilinear heights of turned lattices show stripes in shading
_RIM = 3  # cells read around a tile, so that slopes meet at its edges
_SHADE_DEG = (15.0, 55.0)  # where shading begins, and where it is fullest
_SHADE_MOST = 0.62
_SMOOTH_BELOW_M = 6.0
_LIGHTS = ((315.0, 0.6), (0.0, 0.2), (270.0, 0.2))
_LIGHT_HEIGHT_DEG = 45.0
_DARKER = 0.62  # the deepest shade against the grey of the printed map, which stands beside black lines
Bytes = npt.NDArray[np.uint8]


def empty_tile() -> bytes:
    """Nothing, as a picture: a page that is told "not found" would show an error for it."""
    return _png(np.zeros((4, SIZE, SIZE), np.uint8))


class NoTileError(NothingFoundError):
    """Nothing is known there."""


def zoom_range(place: Place) -> tuple[int, int]:
    """Lowest and highest zoom level of tiles that show something new."""
    west, south, east, north = place.bounds_deg
    at = math.cos(math.radians(0.5 * (south + north)))
    finest = math.log2(EQUATOR_M * at / SIZE / place.elevation.cell_m)
    widest = math.log2(360.0 / max(east - west, north - south, 1e-6))
    return max(0, int(widest) - 2), min(MOST_ZOOM - 2, math.ceil(finest))


def read_heights(place: Place, tile: Tile, rim: int = 0) -> FloatArray:
    """Heights of a tile in metres, with cells around it; NaN where there are none.

    Raises NoTileError if the tile has none at all.
    """
    if tile.z < zoom_range(place)[0]:
        raise NoTileError("the elevation model is too small to be seen at this zoom level")
    side = SIZE + 2 * rim
    values = np.full((side, side), np.nan)
    for sheet in place.elevation.sheets:
        piece = _read_tile(sheet.path, tile, rim, _SMOOTHLY)
        if piece is None:
            continue
        _fill_gaps(values, piece * sheet.z_factor)
        if not np.isnan(values).any():
            break
    if np.isnan(values).all():
        raise NoTileError("there is no ground in this tile")
    return values


def draw_heights(place: Place, tile: Tile) -> bytes:
    """Heights as a picture: 256 r + g + b / 256 - 32768 metres; gaps take the nearest height, or walls would show."""
    values = read_heights(place, tile)
    values = _with_nearest(values)
    shifted = np.clip(values + 32768.0, 0.0, 65535.99)
    whole = np.floor(shifted)
    picture = np.stack([whole // 256, whole % 256, np.floor((shifted - whole) * 256.0)]).astype(np.uint8)
    return _png(picture)


def _with_nearest(values: FloatArray) -> FloatArray:
    """Gaps take the nearest value."""
    gaps = np.isnan(values)
    if not gaps.any():
        return values
    nearest: Any = ndimage.distance_transform_edt(gaps, return_distances=False, return_indices=True)
    filled: FloatArray = values[tuple(nearest)]
    return filled


def draw_relief(place: Place, tile: Tile) -> bytes:
    """Shaded relief in the greys of the palette: light from north-west, a little from north and west."""
    found = _gradients(place, tile)
    if found is None:
        return empty_tile()
    east, north, gaps = found
    up = 1.0 / np.sqrt(1.0 + east * east + north * north)
    shade = np.zeros(up.shape)
    for azimuth_deg, weight in _LIGHTS:
        a, h = math.radians(azimuth_deg), math.radians(_LIGHT_HEIGHT_DEG)
        sun = (math.sin(a) * math.cos(h), math.cos(a) * math.cos(h), math.sin(h))
        shade += weight * np.clip((-east * sun[0] - north * sun[1] + sun[2]) * up, 0.0, 1.0)
    share = np.clip((shade - 0.05) / 0.9, 0.0, 1.0)
    dark, light = (np.array(_rgb(grey), float)[:, None, None] for grey in load_palette().ground.relief)
    picture = dark * _DARKER + (light - dark * _DARKER) * share
    return _png(np.concatenate([picture, np.where(gaps, 0.0, 255.0)[None]]).astype(np.uint8))


def draw_slope(place: Place, tile: Tile) -> bytes:
    """Slope as grey shading, darker where steeper; one ramp without steps."""
    found = _gradients(place, tile)
    if found is None:
        return empty_tile()
    east, north, gaps = found
    slope = np.degrees(np.arctan(np.hypot(east, north)))
    low, high = _SHADE_DEG
    share = np.clip((slope - low) / (high - low), 0.0, 1.0)
    alpha = np.where(gaps, 0.0, _SHADE_MOST * share)
    ink = np.zeros((3, SIZE, SIZE), np.uint8) + np.array(_rgb("#2e2e2e"), np.uint8)[:, None, None]
    return _png(np.concatenate([ink, (255.0 * alpha).astype(np.uint8)[None]]))


def _gradients(place: Place, tile: Tile) -> tuple[FloatArray, FloatArray, BoolArray] | None:
    """Rise over run to east and to north of a tile, and where nothing is known; None where nothing is known at all."""
    try:
        values = read_heights(place, tile, _RIM)
    except NoTileError:
        return None
    step = tile.cell_m()
    gaps = np.isnan(values)
    values = _with_nearest(values)
    if step < _SMOOTH_BELOW_M:
        values = ndimage.gaussian_filter(values, 1.0)
    slopes: Any = np.gradient(values, step)
    south, east = slopes
    inner = slice(_RIM, -_RIM)
    return east[inner, inner], -south[inner, inner], gaps[inner, inner]


def draw_plan_tile(folder: Path, kind: str, tile: Tile) -> bytes:
    """Debris probability, thickness or probability of area of a plan, in the colours of the palette.

    Raises NoTileError if the plan has no such raster.
    """
    name, colours = PLAN_TILES[kind]
    path = folder / name
    if not path.is_file():
        raise NoTileError("this plan has no such raster")
    if tile.z < LEAST_PLAN_ZOOM:
        return empty_tile()
    piece = _read_tile(path, tile, 0)
    return empty_tile() if piece is None else _png(colours(piece, path))


def _colour_probability(values: FloatArray, _path: Path) -> Bytes:
    ramp = load_palette().debris
    return _colour_steps(values, ramp.levels, ramp.ramp, ramp.opacity)


def _colour_thickness(values: FloatArray, _path: Path) -> Bytes:
    ramp = load_palette().thickness
    return _colour_steps(values, ramp.levels_m, ramp.ramp, load_palette().debris.opacity)


def _colour_person(values: FloatArray, path: Path) -> Bytes:
    """Two colours of one family, by the root of the density: what is thin still shows."""
    ink = load_palette().person
    share = np.sqrt(np.clip(np.nan_to_num(values) / max(_largest(path), 1e-12), 0.0, 1.0))
    light, dark = (np.array(_rgb(colour), float)[:, None, None] for colour in (ink.light, ink.line))
    colour = light + (dark - light) * share
    alpha = np.where(share > 0.04, 0.25 + 0.6 * share, 0.0)
    return np.concatenate([colour, 255.0 * alpha[None]]).astype(np.uint8)


PLACE_TILES: dict[str, Callable[[Place, Tile], bytes]] = {
    "height": draw_heights,
    "relief": draw_relief,
    "slope": draw_slope,
}
PLAN_TILES: dict[str, tuple[str, Callable[[FloatArray, Path], Bytes]]] = {
    "probability": ("debris_probability.tif", _colour_probability),
    "thickness": ("debris_thickness.tif", _colour_thickness),
    "person": ("poa.tif", _colour_person),
}


def _colour_steps(values: FloatArray, levels: tuple[float, ...], ramp: tuple[str, ...], opacity: float) -> Bytes:
    step = np.digitize(np.nan_to_num(values, nan=-1.0), levels) - 1
    colours = np.array([_rgb(colour) for colour in ramp], np.uint8)
    picture = np.moveaxis(colours[np.maximum(step, 0)], -1, 0)
    alpha = np.where(step >= 0, int(255 * opacity), 0).astype(np.uint8)
    return np.concatenate([picture, alpha[None]])


def _read_tile(path: Path, tile: Tile, rim: int, how: str = "bilinear") -> FloatArray | None:
    """A tile with some cells around it; None where the file does not reach it."""
    west, south, east, north = tile.box_m()
    more = rim * (east - west) / SIZE
    side = SIZE + 2 * rim
    return read_warped(path, (west - more, south - more, east + more, north + more), (side, side), how)


def _largest(path: Path) -> float:
    with rasterio.open(path) as data:
        return float(np.ma.max(data.read(1, masked=True)))


def _rgb(text: str) -> tuple[int, int, int]:
    return int(text[1:3], 16), int(text[3:5], 16), int(text[5:7], 16)


def _png(picture: Bytes) -> bytes:
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(np.moveaxis(picture, 0, -1))).save(out, "PNG", compress_level=1)
    return out.getvalue()
