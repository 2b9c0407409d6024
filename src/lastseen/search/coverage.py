"""Which part of an outline lies within half a strip of a walk, at its end and at each time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Polygon

from lastseen.core import BoolArray, FloatArray, Grid, InputError
from lastseen.rescue import Travel
from lastseen.search import coverage_kernels
from lastseen.search.plan import Coverage, Leg
from lastseen.search.simulation import Stretches, Targets, cut_into_stretches, first_signals_s, list_poa_places
from lastseen.search.surface import Lattice, Outline, Surface, lattice_spacing_m, make_lattice

# ---- Which part of an outline lies within half a strip of a walk, measured in 3-D on the snow


def join_lines(lines: Sequence[LineString]) -> tuple[FloatArray, BoolArray]:
    """All corners of some lines one after the other, and which of the legs between them belong to a line."""
    if not lines:
        return np.zeros((0, 2)), np.zeros(0, np.bool_)
    points, line = shapely.get_coordinates(list(lines), return_index=True)
    return points, np.asarray(line[1:] == line[:-1])


def find_covered(lines: Sequence[LineString], lattice: Lattice, surface: Surface, half_width_m: float) -> BoolArray:
    """Which samples lie within half a strip of the draped lines."""
    points, covers = join_lines(lines)
    count, left = lattice.counter()
    step = surface.step_m(half_width_m)
    coverage_kernels.cover_all(points, covers, surface.arrays, lattice.arrays, half_width_m, step, count, left)
    return np.asarray(count > 0)


def sum_coverage(outline: Outline, lattice: Lattice, covered: BoolArray) -> Coverage:
    """The coverage that the marks on the samples stand for."""
    area = float(lattice.weight_m2.sum())
    left = float(lattice.weight_m2[~covered].sum())
    return Coverage(
        fraction=1.0 - left / area,
        area_m2=area,
        uncovered=_uncovered(outline, lattice, ~covered),
        uncovered_m2=left,
    )


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
    lattice = make_lattice(outline, surface, lattice_spacing_m(outline, spacing_m))
    return sum_coverage(outline, lattice, find_covered(walked, lattice, surface, half_width_m))


# ---- How much of the debris has been in range at each time of the walk


def measure_coverage_over_time(
    outline: Polygon | MultiPolygon,
    ground: Grid,
    legs: Sequence[Leg],
    strip_width_m: float,
    times_s: FloatArray,
    *,
    spacing_m: float,
    poa: Grid | None = None,
    travel: Travel | None = None,
) -> tuple[FloatArray, FloatArray | None]:
    """Share of the debris, and of all persons, that has been in range at each time.

    Measured as the plan's own coverage is: 3-D on the snow, by all that is walked on the debris, not by approaches.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        What is searched, map metres.
    ground : Grid
        Elevations in metres.
    times_s : ndarray
        Since the searchers set out on the first of their legs.
    spacing_m : float
        Between the points that stand for the debris; the smallest outlines get closer ones.
    poa : Grid, optional
        Probability of area per cell; what it lacks of 1 lies where no lane goes.
    travel : Travel, optional
        How they move.

    Returns
    -------
    debris, person : ndarray of the shape of ``times_s``
        0 to 1; ``person`` is None without ``poa``.
    """
    ends = [leg.line.coords[k] for leg in legs for k in (0, -1)] or [outline.bounds[:2]]
    x, y = np.array(ends).T
    west, south, east, north = outline.bounds
    box = (min(west, x.min()), min(south, y.min()), max(east, x.max()), max(north, y.max()))
    surface = Surface.around(ground, box, 2.0 * strip_width_m)
    way = _searching(legs, surface, travel or Travel())
    lattice = make_lattice(outline, surface, lattice_spacing_m(outline, spacing_m))

    def growing(x_m: FloatArray, y_m: FloatArray, weight: FloatArray) -> FloatArray:
        xyz = np.column_stack([x_m, y_m, surface.z(np.ascontiguousarray(x_m), np.ascontiguousarray(y_m))])
        axis = np.tile([0.0, 0.0, 1.0], (x_m.size, 1))
        targets = Targets(xyz_m=xyz, axis=axis, range_m=np.full(x_m.size, 0.5 * strip_width_m), dipole=False)
        heard_s = first_signals_s(way, surface, targets)
        order = np.argsort(heard_s, kind="stable")
        share = np.concatenate([[0.0], np.cumsum(weight[order])]) / float(weight.sum())
        return np.asarray(share[np.searchsorted(heard_s[order], times_s, side="right")])

    debris = growing(lattice.x_m, lattice.y_m, lattice.weight_m2)
    if poa is None:
        return debris, None
    x_m, y_m, weight = list_poa_places(poa)[:3]
    return debris, growing(x_m, y_m, weight) * min(1.0, float(weight.sum()))


def _searching(legs: Sequence[Leg], surface: Surface, travel: Travel) -> Stretches:
    """The walk without approaches, in stretches of a few metres, each with its time since the first leg."""
    walks, begins, paces = [], [], []
    for k in sorted({leg.searcher for leg in legs}):
        lines = [leg.line for leg in legs if leg.searcher == k and leg.kind != "approach"]
        if lines:
            walks.append(np.array([lines[0].coords[0], *(line.coords[-1] for line in lines)]))
            begins.append(sum(leg.time_s for leg in legs if leg.searcher == k and leg.kind == "approach"))
            kinds = [leg.kind for leg in legs if leg.searcher == k and leg.kind != "approach"]
            paces.append([travel.pace_of(kind) for kind in kinds])
    return cut_into_stretches(walks, surface, begins, paces)
