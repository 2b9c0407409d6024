"""The line of travel: read from any vector file, brought onto the map, and cut into evenly spaced stations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS
from shapely import force_2d, get_parts, line_merge
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from lastseen.core import FloatArray, InputError, IntArray, move_shapes
from lastseen.jobs.reading.ground import Heights

STATION_M = 2.0  # finest distance of stations; never under half a cell
MOST_STATIONS = 20_000


@dataclass(frozen=True, eq=False, kw_only=True)
class Route:
    """Stations along a line of travel, all parts one after the other. Arrays of shape (stations,)."""

    lines: tuple[LineString, ...]  # map metres
    part: IntArray  # which line, from 0
    along_m: FloatArray  # from the beginning of its line, on the map
    x_m: FloatArray
    y_m: FloatArray
    height_m: FloatArray  # of the ground; NaN where nothing is known
    step_m: float  # distance of stations

    @property
    def length_m(self) -> float:
        """Of all lines, on the map."""
        return float(sum(line.length for line in self.lines))


def read_lines(path: Path, crs: CRS) -> tuple[LineString, ...]:
    """The lines of a vector file, in map metres; heights and times are left aside.

    Of GPX and KML all layers of lines are read; where a GPX holds the same way as track and as route, the track is
    taken. Lines that join end to end are one. Raises InputError if missing, unreadable, without CRS or lines, or
    nowhere near.
    """
    if not path.exists():
        raise InputError(f"the line {path} does not exist: check the path")
    frames = [frame for frame in _frames(path) if frame is not None and len(frame)]
    for frame in frames:
        if frame.crs is None:
            raise InputError(f"{path.name} has no CRS: assign the right one to the line first")
        moved = move_shapes(np.asarray(frame.geometry), CRS(frame.crs), crs)
        lines = [line for shape in moved for line in _lines_in(shape)]
        if lines:
            if not all(np.isfinite(line.bounds).all() for line in lines):
                raise InputError(f"the line in {path.name} lies outside the area of {crs.name}: are lon, lat swapped?")
            return tuple(lines)
    raise InputError(f"{path.name} holds no line of two points: draw the line of travel as a line")


def _frames(path: Path) -> list[Any]:
    """The layers of a file, lines walked before lines planned."""
    import geopandas  # noqa: PLC0415
    import pyogrio  # noqa: PLC0415

    try:
        names = [name for name, kind in pyogrio.list_layers(path) if kind is None or "Point" not in kind]
        names.sort(key=lambda name: {"tracks": 0, "routes": 1}.get(name, 2))
        frames = [geopandas.read_file(path, layer=name) for name in names]
    except Exception as error:  # the reader raises its own kinds
        raise InputError(f"{path.name} cannot be read as a line: {error}") from error
    return [frame for frame in frames if isinstance(frame, geopandas.GeoDataFrame)]


def _lines_in(shape: BaseGeometry | None) -> list[LineString]:
    if shape is None or shape.is_empty:
        return []
    flat = force_2d(shape)
    if flat.geom_type in ("Polygon", "MultiPolygon"):
        return []
    if flat.geom_type == "MultiLineString":
        flat = line_merge(flat)
    return [line for line in get_parts(flat).tolist() if isinstance(line, LineString) and line.length > 0.0]


def route_of(lines: Sequence[LineString], heights: Heights) -> Route:
    """Stations on the lines, at most 20,000; InputError if none lies on known ground."""
    step = max(STATION_M, 0.5 * heights.cell_m, sum(line.length for line in lines) / MOST_STATIONS)
    parts = [_stations(line, step) for line in lines]
    part = np.repeat(np.arange(len(lines), dtype=np.int32), [len(along) for along, _, _ in parts])
    along, x, y = (np.concatenate([part[k] for part in parts]) for k in range(3))
    z = _heights_at(heights, x, y)
    if not np.isfinite(z).any():
        raise InputError("no part of the line lies on known ground of the elevation model: check the CRS of both")
    return Route(lines=tuple(lines), part=part, along_m=along, x_m=x, y_m=y, height_m=z, step_m=step)


def _stations(line: LineString, step_m: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distance and place of evenly spaced stations, both ends included."""
    xy = np.asarray(line.coords, np.float64)[:, :2]
    reached = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    count = max(2, int(np.ceil(reached[-1] / step_m)) + 1)
    along = np.linspace(0.0, reached[-1], count)
    return along, np.interp(along, reached, xy[:, 0]), np.interp(along, reached, xy[:, 1])


def _heights_at(heights: Heights, x: FloatArray, y: FloatArray) -> FloatArray:
    """Height of the cell of each point, read in pieces of the line; NaN off the known ground."""
    out = np.full(x.size, np.nan)
    for first in range(0, x.size, 500):
        piece = slice(first, min(first + 500, x.size))
        window = heights.window_of(x[piece].min(), y[piece].min(), x[piece].max(), y[piece].max())
        if not window.empty:
            out[piece] = heights.grid(window.grown(2)).sample(x[piece], y[piece])
    return out
