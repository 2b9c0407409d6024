"""Between cells and outlines: the shape of a set of cells, the shape of a level, the cells inside a shape."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from affine import Affine
from contourpy import FillType, contour_generator
from pyproj import CRS
from rasterio import features
from shapely import force_2d, get_parts, make_valid, union_all
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, shape
from shapely.geometry.base import BaseGeometry
from shapely.validation import explain_validity

from lastseen.core.errors import InputError
from lastseen.core.grid import BoolArray, FloatArray, Grid, IntArray
from lastseen.core.place import move_shapes

Area = Polygon | MultiPolygon
LARGEST_AREA_CHANGE = 0.05  # of a smoothed outline
LARGEST_MOVE = 0.4  # share of its area that smoothing may give to other ground
STRAIGHTENED_CELLS = (1.0, 0.75, 0.5)  # steps up to this large are made straight, as far as the shape allows
TRACKS = (".kml", ".gpx")  # files in which people walk or click a line around an area
OPEN_SHARE = 0.05  # of its length a walked ring may stay open; design choice
POA_SHARES = (0.5, 0.9)  # of the probability of area: the areas that hold them are drawn


def keep_areas(geometry: BaseGeometry) -> MultiPolygon:
    """The polygons in a geometry; lines and points fall away."""
    parts = [geometry] if isinstance(geometry, Polygon) else list(getattr(geometry, "geoms", []))
    found = [polygon for part in parts for polygon in ([part] if isinstance(part, Polygon) else keep_areas(part).geoms)]
    return MultiPolygon([polygon for polygon in found if not polygon.is_empty])


def outline_of_cells(cells: npt.NDArray[Any], grid: Grid) -> MultiPolygon:
    """The outline of cells given by flat indices, 4-connected, along cell edges, in map metres."""
    mask = np.zeros(grid.shape[0] * grid.shape[1], np.uint8)
    mask[cells] = 1
    found = features.shapes(mask.reshape(grid.shape), mask=mask.reshape(grid.shape) == 1, transform=grid.transform)
    return keep_areas(union_all([shape(geometry) for geometry, _ in found]))


def smooth_outline(mask: BoolArray, west_m: float, north_m: float, cell_m: float) -> MultiPolygon:
    """The outline of the cells of a mask without the steps of cell edges; its area is that of the cells within 5 %.

    Gaps up to a cell wide are closed, steps made straight, corners cut (Chaikin 1974), and what that took from the area
    given back all around. Holes are kept.

    Parameters
    ----------
    mask : ndarray of bool, shape (ny, nx)
    west_m, north_m : float
        Outer corner of its first cell, map metres.
    """
    padded = np.pad(mask, 1).astype(np.uint8)
    transform = Affine(cell_m, 0.0, west_m - cell_m, 0.0, -cell_m, north_m + cell_m)
    found = features.shapes(padded, mask=padded > 0, connectivity=4, transform=transform)
    edges = keep_areas(union_all([shape(geometry) for geometry, _ in found]))
    wanted = float(mask.sum()) * cell_m * cell_m
    closed = edges.buffer(0.6 * cell_m, join_style="mitre").buffer(-0.6 * cell_m, join_style="mitre")
    pieces = [(geom, edges.intersection(geom.buffer(1e-6 * cell_m))) for geom in keep_areas(make_valid(closed)).geoms]
    drawn = keep_areas(make_valid(union_all([_smoothed(piece, cells, cell_m) for piece, cells in pieces])))
    return drawn if abs(drawn.area - wanted) <= LARGEST_AREA_CHANGE * wanted else edges


def _smoothed(closed: Polygon, cells: BaseGeometry, cell_m: float) -> BaseGeometry:
    """One piece of an outline, as smooth as its cells allow."""
    wanted = cells.area
    straightened = [closed.simplify(tolerance * cell_m) for tolerance in STRAIGHTENED_CELLS]
    for candidate in (*straightened, closed, cells):
        drawn = keep_areas(
            make_valid(MultiPolygon([_cornered(part) for part in keep_areas(make_valid(candidate)).geoms]))
        )
        for _ in range(3):
            drawn = keep_areas(make_valid(drawn.buffer((wanted - drawn.area) / max(drawn.length, cell_m))))
        kept = abs(drawn.area - wanted) <= LARGEST_AREA_CHANGE * wanted
        if kept and drawn.symmetric_difference(cells).area <= LARGEST_MOVE * wanted:
            return drawn
    return cells


def _cornered(area: Polygon) -> Polygon:
    """The polygon with its corners cut twice."""
    return Polygon(_cut(np.asarray(area.exterior.coords)), [_cut(np.asarray(ring.coords)) for ring in area.interiors])


def _cut(ring: FloatArray) -> FloatArray:
    for _ in range(2):
        a, b = ring[:-1], ring[1:]
        cut = np.stack([0.75 * a + 0.25 * b, 0.25 * a + 0.75 * b], axis=1).reshape(-1, 2)
        ring = np.vstack([cut, cut[:1]])
    return ring


def outline_of_level(values: Grid, level: float, least_area_m2: float = 0.0) -> MultiPolygon:
    """Where values are at least ``level``: smooth outlines through the cells, holes kept.

    Parameters
    ----------
    values : Grid
        NaN counts as below the level.
    least_area_m2 : float
        Smaller pieces and smaller holes are left out.
    """
    # No data is below the level, but not so far that a cliff in the values would move the line.
    below = level - 4.0 * max(abs(level), 1e-12)
    padded = np.pad(np.nan_to_num(values.values, nan=below, posinf=1e30, neginf=below), 1, constant_values=below)
    ny, nx = values.shape
    x = values.west_m + (np.arange(-1, nx + 1) + 0.5) * values.cell_m
    y = values.north_m - (np.arange(-1, ny + 1) + 0.5) * values.cell_m
    found: Any = contour_generator(x, y, padded, fill_type=FillType.OuterOffset).filled(
        float(np.nextafter(level, -np.inf)),  # the tracer takes what is equal to its level as below it
        np.inf,
    )
    points, offsets = found
    rings = [
        [ring[a:b] for a, b in pairwise(off)]
        for ring, off in zip(points, offsets, strict=True)
        if ring is not None and off is not None
    ]
    areas = [Polygon(ring[0]) for ring in rings]
    kept = []
    for outer, lines in zip(areas, rings, strict=True):
        if outer.area < max(least_area_m2, 1e-9):
            continue
        holes = [hole for hole in lines[1:] if Polygon(hole).area >= max(least_area_m2, 1e-9)]
        kept.append(Polygon(lines[0], holes))
    return keep_areas(make_valid(union_all(kept))) if kept else MultiPolygon()


def poa_areas(grid: Grid) -> tuple[tuple[float, MultiPolygon], ...]:
    """The smallest areas that hold 50 % and 90 % of the probability of area; none for what its grid does not hold."""
    known = grid.with_values(np.nan_to_num(grid.values))
    values = np.sort(known.values, axis=None)[::-1]
    total = np.cumsum(values)
    found = []
    for share in POA_SHARES:
        if total[-1] < share:
            break
        level = float(values[min(int(np.searchsorted(total, share)), values.size - 1)])
        found.append((share, outline_of_level(known, level, 2.0 * grid.cell_area_m2)))
    return tuple(found)


def cells_of_outline(outline: Area, grid: Grid) -> IntArray:
    """Flat indices of the cells whose centre lies in the outline."""
    if outline.is_empty:
        return np.empty(0, np.int32)
    inside = features.geometry_mask([outline], grid.shape, grid.transform, invert=True)
    return np.flatnonzero(inside).astype(np.int32)


def read_outline(path: Path, crs: CRS, what: str) -> MultiPolygon:
    """Read a drawn outline from any vector file into map metres.

    Of KML and GPX files all layers are read, and lines that come back to their start count as drawn around an area.

    Parameters
    ----------
    crs : pyproj.CRS
        The CRS of the result.
    what : str
        What the outline is, for the error texts.

    Raises
    ------
    InputError
        Missing, unreadable, without CRS, empty or self-crossing.
    """
    frame = _read_shapes(path, what)
    if frame.crs is None:
        raise InputError(f"{path.name} has no CRS: assign the right one to the {what} outline first")
    tracks = path.suffix.lower() in TRACKS
    areas = [area for area in (_as_area(area, tracks=tracks) for area in frame.geometry) if area is not None]
    if not areas:
        raise InputError(f"{path.name} holds no polygon: draw the {what} outline as an area")
    for area in areas:
        if not area.is_valid:
            raise InputError(
                f"the {what} outline in {path.name} crosses itself ({explain_validity(area)}): draw it again"
            )
    moved = keep_areas(union_all([move_shapes(area, CRS(frame.crs), crs) for area in areas]))
    if not np.isfinite(moved.bounds).all():
        raise InputError(
            f"the {what} outline in {path.name} lies outside the area of {crs.name}: are lon and lat swapped?"
        )
    return moved


LEAST_PIECE_M2 = 1.0  # what is smaller is a slip of the hand, or what cutting left; design choice
LEAST_DRAWN_CELLS, LEAST_DRAWN_M2 = 4.0, 50.0  # what is smaller means nothing on the ground; design choice
MOST_DRAWN_M2 = 10e6  # more than the debris of the largest avalanches; design choice


def check_drawn(outline: MultiPolygon, what: str, name: str, cell_m: float) -> tuple[MultiPolygon, tuple[str, ...]]:
    """A drawn outline without its slivers, and what was dropped.

    ``what`` names the outline and ``name`` its file in the texts.

    Raises
    ------
    InputError
        Smaller than four cells or 50 m2, or larger than 10 km2.
    """
    pieces = [piece for piece in outline.geoms if piece.area >= LEAST_PIECE_M2]
    slivers = len(outline.geoms) - len(pieces)
    kept = MultiPolygon(pieces)
    least = max(LEAST_DRAWN_CELLS * cell_m * cell_m, LEAST_DRAWN_M2)
    if kept.area < least:
        raise InputError(
            f"the {what} outline in {name} covers {outline.area:.1f} m2, less than {least:.0f} m2 (four cells of "
            f"{cell_m:g} m, and 50 m2 at the least): draw it larger, and check its CRS"
        )
    if kept.area > MOST_DRAWN_M2:
        raise InputError(
            f"the {what} outline in {name} covers {kept.area / 1e6:.0f} km2, more than any avalanche: draw the "
            f"{what} alone, and check its CRS"
        )
    pieces_text = "1 piece" if slivers == 1 else f"{slivers} pieces"
    return kept, (f"{pieces_text} under 1 m2 of the {what} outline were left out",) if slivers else ()


def crs_of_outline(path: Path, what: str) -> CRS:
    """The CRS that a drawn outline is in.

    Raises
    ------
    InputError
        Missing, unreadable or without CRS.
    """
    frame = _read_shapes(path, what)
    if frame.crs is None:
        raise InputError(f"{path.name} has no CRS: assign the right one to the {what} outline first")
    return CRS(frame.crs)


def _read_shapes(path: Path, what: str) -> Any:
    """All shapes of a vector file as a data frame; of KML and GPX those of every layer."""
    import geopandas  # noqa: PLC0415  slow to import, and only needed when an outline is given
    import pandas as pd  # noqa: PLC0415  slow to import
    import pyogrio  # noqa: PLC0415  slow to import

    if not path.exists():
        raise InputError(f"the {what} file {path} does not exist: check the path")
    try:
        if path.suffix.lower() in TRACKS:
            layers = [name for name, kind in pyogrio.list_layers(path) if kind is not None and "Point" not in kind]
            frames = [geopandas.read_file(path, layer=name)[["geometry"]] for name in layers]
            frames = [frame for frame in frames if len(frame)]
            frame = pd.concat(frames) if frames else geopandas.GeoDataFrame(geometry=[], crs="EPSG:4326")
        else:
            frame = geopandas.read_file(path)
    except Exception as error:  # the reader raises its own kinds
        raise InputError(f"{path.name} cannot be read as a {what} outline: {error}") from error
    if not isinstance(frame, geopandas.GeoDataFrame):
        raise InputError(f"{path.name} holds no shapes: draw the {what} outline as an area")
    return frame


def _as_area(geometry: BaseGeometry | None, *, tracks: bool) -> Polygon | MultiPolygon | None:
    """An area in two dimensions; of tracks also the inside of a line that comes back to its start."""
    if geometry is None or geometry.is_empty:
        return None
    flat = force_2d(geometry)
    if isinstance(flat, (Polygon, MultiPolygon)):
        return flat
    if not tracks:
        return None
    lines = [line for line in get_parts(flat) if isinstance(line, LineString)]
    rings = [Polygon(line.coords) for line in lines if len(line.coords) >= 4 and _comes_back(line)]
    return MultiPolygon(rings) if rings else None


def _comes_back(line: LineString) -> bool:
    """Whether a line ends where it began, or nearly."""
    return Point(line.coords[0]).distance(Point(line.coords[-1])) <= OPEN_SHARE * line.length
