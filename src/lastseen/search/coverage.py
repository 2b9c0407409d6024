"""Which part of an outline lies within half a strip of a walk, measured in 3-D on the snow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Polygon

from lastseen.errors import InputError
from lastseen.grid import BoolArray, FloatArray, Grid, IntArray
from lastseen.search.model import Coverage
from lastseen.search.surface import Surface

Outline = Polygon | MultiPolygon
_MOST_LATTICE_POINTS = 4_000_000


@dataclass(frozen=True)
class Samples:
    """Points of a square lattice inside an outline, centred on its bounding box.

    Attributes
    ----------
    xyz_m : ndarray, shape (3, n)
        Points on the snow.
    weight_m2 : ndarray, shape (n,)
        Surface area that each point stands for.
    piece : ndarray of int, shape (n,)
        Index of the polygon that holds the point.
    row, col : ndarray of int, shape (n,)
        Place in the lattice; row grows north, col grows east.
    spacing_m : float
        Lattice spacing.
    """

    xyz_m: FloatArray
    weight_m2: FloatArray
    piece: IntArray
    row: IntArray
    col: IntArray
    spacing_m: float

    def part(self, chosen: BoolArray) -> Samples:
        """The chosen points."""
        return Samples(
            np.ascontiguousarray(self.xyz_m[:, chosen]),
            self.weight_m2[chosen],
            self.piece[chosen],
            self.row[chosen],
            self.col[chosen],
            self.spacing_m,
        )


def pieces_of(outline: Outline) -> tuple[Polygon, ...]:
    """The polygons of an outline."""
    return tuple(outline.geoms) if isinstance(outline, MultiPolygon) else (outline,)


def lattice_spacing_m(outline: Outline, most_m: float) -> float:
    """Spacing for at least some 400 points and four points across a thin outline, at most ``most_m``."""
    west, south, east, north = outline.bounds
    spacing = min(most_m, math.sqrt(outline.area / 400.0), 0.5 * outline.area / outline.length)
    return max(spacing, math.sqrt((east - west) * (north - south) / _MOST_LATTICE_POINTS))


def sample_outline(outline: Outline, surface: Surface, spacing_m: float) -> Samples:
    """Lattice points inside each polygon; a polygon that holds none is given one point."""
    west, south, east, north = outline.bounds
    cols, rows = (max(1, math.ceil(w / spacing_m)) for w in (east - west, north - south))
    x_of = 0.5 * (west + east) + (np.arange(cols, dtype=np.float64) - 0.5 * (cols - 1)) * spacing_m
    y_of = 0.5 * (south + north) + (np.arange(rows, dtype=np.float64) - 0.5 * (rows - 1)) * spacing_m
    parts = [_sample_piece(k, polygon, x_of, y_of) for k, polygon in enumerate(pieces_of(outline))]
    x, y, area, piece, row, col = (np.concatenate(column) for column in zip(*parts, strict=True))
    east_slope, north_slope = surface.slopes(x, y)
    weight = area * np.sqrt(1.0 + east_slope**2 + north_slope**2)
    whole = [np.asarray(a, dtype=np.int32) for a in (piece, row, col)]
    return Samples(np.stack([x, y, surface.z(x, y)]), weight, whole[0], whole[1], whole[2], spacing_m)


def _sample_piece(index: int, polygon: Polygon, x_of: FloatArray, y_of: FloatArray) -> tuple[FloatArray, ...]:
    """Lattice points of one polygon: x, y, map area, index of the polygon, row, col."""
    west, south, east, north = polygon.bounds
    c0, c1 = np.searchsorted(x_of, (west, east))
    r0, r1 = np.searchsorted(y_of, (south, north))
    col, row = (a.ravel() for a in np.meshgrid(np.arange(c0, c1), np.arange(r0, r1)))
    shapely.prepare(polygon)
    inside = shapely.contains_xy(polygon, x_of[col], y_of[row])
    col, row = col[inside], row[inside]
    x, y = x_of[col], y_of[row]
    if x.size == 0:
        point = polygon.representative_point()
        x, y = np.array([point.x]), np.array([point.y])
        col = np.array([np.abs(x_of - point.x).argmin()])
        row = np.array([np.abs(y_of - point.y).argmin()])
    return x, y, np.full(x.size, polygon.area / x.size), np.full(x.size, index), row, col


def covered_by(lines: Sequence[LineString], samples: Samples, surface: Surface, half_width_m: float) -> BoolArray:
    """Which samples lie within half a strip of the draped lines (each straight part is draped on its own)."""
    covered = np.zeros(samples.weight_m2.size, dtype=np.bool_)
    for line in lines:
        points = shapely.get_coordinates(line)
        for start, end in pairwise(points):
            left = np.flatnonzero(~covered)
            covered[left] = surface.cover(np.concatenate([start, end]), samples.xyz_m[:, left], half_width_m)
    return covered


def summed_up(outline: Outline, samples: Samples, covered: BoolArray) -> Coverage:
    """The coverage that the marks on the samples stand for."""
    area = float(samples.weight_m2.sum())
    left = float(samples.weight_m2[~covered].sum())
    return Coverage(1.0 - left / area, area, _uncovered(outline, samples, ~covered), left)


def _uncovered(outline: Outline, samples: Samples, left: BoolArray) -> MultiPolygon:
    """Lattice squares around the uncovered samples, cut to the outline."""
    if not left.any():
        return MultiPolygon()
    x, y, half = samples.xyz_m[0, left], samples.xyz_m[1, left], 0.5 * samples.spacing_m
    order = np.lexsort((samples.col[left], samples.row[left]))
    x, y, row, col = x[order], y[order], samples.row[left][order], samples.col[left][order]
    breaks = np.flatnonzero((np.diff(row) != 0) | (np.diff(col) != 1)) + 1
    first = np.concatenate([[0], breaks])
    last = np.concatenate([breaks, [x.size]]) - 1
    boxes = shapely.box(x[first] - half, y[first] - half, x[last] + half, y[last] + half)
    cut = shapely.intersection(shapely.union_all(boxes, grid_size=1e-6 * samples.spacing_m), outline)
    polygons = [p for p in shapely.get_parts(shapely.get_parts(cut)) if isinstance(p, Polygon) and p.area > 0.0]
    return MultiPolygon(polygons)


def measure_coverage(
    outline: Outline,
    walked: Sequence[LineString],
    ground: Grid,
    half_width_m: float,
    spacing_m: float = 1.0,
) -> Coverage:
    """Measure how much of an outline lies within half a strip of the walked lines.

    A point on the snow is covered when the straight 3-D line from it to the nearest point of a walked line, draped
    over the ground, is at most ``half_width_m``. Points are weighted with the surface area they stand for.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        Map metres.
    walked : sequence of LineString
        Map metres.
    ground : Grid
        Elevation, metres. No data inside the outline takes the nearest known elevation.
    half_width_m : float
        Half a strip width, metres on the snow.
    spacing_m : float
        Spacing of the sample lattice, metres; finer where the outline is small or thin.

    Returns
    -------
    Coverage

    Raises
    ------
    InputError
        If the outline is empty or off the ground, or a length is not positive.
    """
    if outline.is_empty or not outline.area > 0.0:
        raise InputError("the outline is empty: draw an area to measure the coverage of")
    if not (half_width_m > 0.0 and spacing_m > 0.0):
        raise InputError(f"half a strip of {half_width_m} m at a spacing of {spacing_m} m: give positive lengths")
    bounds = shapely.total_bounds([outline, *walked])
    box = (float(bounds[0]), float(bounds[1]), float(bounds[2]), float(bounds[3]))
    try:
        surface = Surface.around(ground, box, 2.0 * half_width_m)
    except ValueError as error:
        raise InputError("the outline lies off the ground: load elevation that holds it") from error
    samples = sample_outline(outline, surface, lattice_spacing_m(outline, spacing_m))
    return summed_up(outline, samples, covered_by(walked, samples, surface, half_width_m))
