"""Lines of equal height or slope for what the map shows, with the numbers that stand on them."""

from __future__ import annotations

import math
from typing import Any, Literal

import numpy as np
from contourpy import LineType, contour_generator
from scipy import ndimage

from lastseen.elevation.reading import HIGHEST_M, LOWEST_M
from lastseen.errors import InputError, NothingFoundError
from lastseen.grid import FloatArray
from lastseen.page.places import Place
from lastseen.page.warped import read_warped

Kind = Literal["height", "slope"]
SLOPES_DEG = (25.0, 30.0, 35.0, 40.0, 45.0, 55.0)
INTERVALS_M = (5.0, 10.0, 20.0, 50.0, 100.0, 200.0)
WANTED_LINES = 22.0
MOST_CELLS = 640  # along the longer side of the view
_SMOOTH = {"height": 1.2, "slope": 3.0}  # cells
_SLOPE_OVER_M = 6.0  # slope is smoothed over at least this, SD
_SHORTEST = {"height": 24, "slope": 60}  # points of a line that is worth drawing
_WIDEST_DEG = 3.0


def isolines(place: Place, kind: Kind, box: tuple[float, float, float, float]) -> dict[str, Any]:
    """Isolines in a box of degrees as GeoJSON, with ``value``, ``label`` and whether every fifth line falls on it.

    Raises
    ------
    InputError
        If the box is turned inside out or too large.
    NothingFoundError
        If there is no ground in it.
    """
    west, south, east, north = box
    if not (west < east and south < north and east - west <= _WIDEST_DEG and north - south <= _WIDEST_DEG):
        raise InputError(f"the box {west:g},{south:g},{east:g},{north:g} is no box of at most {_WIDEST_DEG:g} degrees")
    values, step_m = _part(place, box)
    smooth = _smoothed(values, _SMOOTH[kind] if kind == "height" else max(_SMOOTH[kind], _SLOPE_OVER_M / step_m))
    if kind == "slope":
        down, right = np.gradient(smooth, step_m)
        smooth = np.degrees(np.arctan(np.hypot(down, right)))
        levels: tuple[float, ...] = SLOPES_DEG
        every = 0.0
    else:
        levels, every = _levels(smooth)
    rows, cols = smooth.shape
    x = west + (np.arange(cols) + 0.5) / cols * (east - west)
    top, bottom = (math.asinh(math.tan(math.radians(one))) for one in (north, south))
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


def _part(place: Place, box: tuple[float, float, float, float]) -> tuple[FloatArray, float]:
    """Heights in the box on the lattice of web maps, and metres between them."""
    west, south, east, north = box
    top, bottom = (math.asinh(math.tan(math.radians(one))) for one in (north, south))
    wide, high = math.radians(east - west), top - bottom
    finest = place.elevation.cell_m / math.cos(math.radians(0.5 * (south + north))) / 6378137.0
    longest = max(32, min(MOST_CELLS, int(max(wide, high) / finest)))
    cols, rows = (max(8, round(longest * one / max(wide, high))) for one in (wide, high))
    values = np.full((rows, cols), np.nan)
    half = 6378137.0
    box_m = (math.radians(west) * half, bottom * half, math.radians(east) * half, top * half)
    for sheet in place.elevation.sheets:
        piece = read_warped(sheet.path, box_m, (rows, cols), "average" if longest == MOST_CELLS else "bilinear")
        if piece is None:
            continue
        found = piece * sheet.z_factor
        found[(found <= LOWEST_M) | (found >= HIGHEST_M)] = np.nan
        np.copyto(values, found, where=np.isnan(values))
    if np.isnan(values).all():
        raise NothingFoundError("there is no ground in this box")
    return values, wide / cols * 6378137.0 * math.cos(math.radians(0.5 * (south + north)))


def _smoothed(values: FloatArray, cells: float) -> FloatArray:
    """Smoothed without letting no data in."""
    known = ~np.isnan(values)
    weight = ndimage.gaussian_filter(known.astype(float), cells)
    smooth = ndimage.gaussian_filter(np.where(known, values, 0.0), cells)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known & (weight > 0.0), smooth / weight, np.nan)


def _levels(values: FloatArray) -> tuple[tuple[float, ...], float]:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    step = next((one for one in INTERVALS_M if (high - low) / one <= WANTED_LINES), INTERVALS_M[-1])
    first = math.ceil(low / step)
    return tuple(k * step for k in range(first, math.floor(high / step) + 1)), 5.0 * step


def _label(kind: Kind, level: float) -> str:
    return f"{level:.0f}\u00b0" if kind == "slope" else f"{level:.0f}"
