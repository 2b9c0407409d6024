"""Which part of an outline lies within half a strip of a walk, measured in 3-D on the snow."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Polygon

from lastseen.errors import InputError
from lastseen.grid import BoolArray, FloatArray, Grid
from lastseen.search import kernels
from lastseen.search.lattice import Lattice, Outline, lattice_over, lattice_spacing_m
from lastseen.search.model import Coverage
from lastseen.search.surface import Surface


def joined(lines: Sequence[LineString]) -> tuple[FloatArray, BoolArray]:
    """All corners of some lines one after the other, and which of the legs between them belong to a line."""
    if not lines:
        return np.zeros((0, 2)), np.zeros(0, np.bool_)
    points, line = shapely.get_coordinates(list(lines), return_index=True)
    return points, np.asarray(line[1:] == line[:-1])


def covered_by(lines: Sequence[LineString], lattice: Lattice, surface: Surface, half_width_m: float) -> BoolArray:
    """Which samples lie within half a strip of the draped lines."""
    points, covers = joined(lines)
    count, left = lattice.counter()
    step = surface.step_m(half_width_m)
    kernels.cover_all(points, covers, surface.arrays, lattice.arrays, half_width_m, step, count, left)
    return np.asarray(count > 0)


def summed_up(outline: Outline, lattice: Lattice, covered: BoolArray) -> Coverage:
    """The coverage that the marks on the samples stand for."""
    area = float(lattice.weight_m2.sum())
    left = float(lattice.weight_m2[~covered].sum())
    return Coverage(1.0 - left / area, area, _uncovered(outline, lattice, ~covered), left)


def _uncovered(outline: Outline, lattice: Lattice, left: BoolArray) -> MultiPolygon:
    """Lattice squares around the uncovered samples, cut to the outline."""
    if not left.any():
        return MultiPolygon()
    row, col, half = lattice.row[left], lattice.col[left], 0.5 * lattice.spacing_m
    breaks = np.flatnonzero((np.diff(row) != 0) | (np.diff(col) != 1)) + 1
    first = np.concatenate([[0], breaks])
    last = np.concatenate([breaks, [row.size]]) - 1
    x, y = lattice.west_m + col * lattice.spacing_m, lattice.south_m + row * lattice.spacing_m
    boxes = shapely.box(x[first] - half, y[first] - half, x[last] + half, y[last] + half)
    cut = shapely.intersection(shapely.union_all(boxes, grid_size=1e-6 * lattice.spacing_m), outline)
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
    lattice = lattice_over(outline, surface, lattice_spacing_m(outline, spacing_m))
    return summed_up(outline, lattice, covered_by(walked, lattice, surface, half_width_m))
