"""How much of the debris has been in range at each time of the walk."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from shapely.geometry import LineString, MultiPolygon, Polygon

from lastseen.grid import FloatArray, Grid
from lastseen.search.lattice import lattice_over, lattice_spacing_m
from lastseen.search.surface import Surface
from lastseen.search.trial.simulate import Stretches, Targets, first_signals_s, poa_places, stretches_of


class Walked(NamedTuple):
    """A leg of a walk, as far as it matters here; the legs of a searcher come in their order."""

    searcher: int
    kind: str
    line: LineString
    time_s: float


def covered_so_far(
    outline: Polygon | MultiPolygon,
    ground: Grid,
    legs: Sequence[Walked],
    strip_width_m: float,
    times_s: FloatArray,
    *,
    spacing_m: float,
    poa: Grid | None = None,
) -> tuple[FloatArray, FloatArray | None]:
    """Share of the debris, and of the probability of area, that has been in range at each time.

    Measured as the plan's own coverage is: 3-D on the snow, by lanes and joins, not by approaches.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        What is searched, map metres.
    ground : Grid
        Elevations in metres.
    legs : sequence of Walked
    strip_width_m : float
    times_s : ndarray
        Since the searchers set out.
    spacing_m : float
        Between the points that stand for the debris; the smallest outlines get closer ones.
    poa : Grid, optional
        Probability of area per cell.

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
    way = _searching(legs, surface)
    lattice = lattice_over(outline, surface, lattice_spacing_m(outline, spacing_m))

    def growing(x_m: FloatArray, y_m: FloatArray, weight: FloatArray) -> FloatArray:
        xyz = np.column_stack([x_m, y_m, surface.z(np.ascontiguousarray(x_m), np.ascontiguousarray(y_m))])
        axis = np.tile([0.0, 0.0, 1.0], (x_m.size, 1))
        targets = Targets(xyz, axis, np.full(x_m.size, 0.5 * strip_width_m), dipole=False)
        heard_s = first_signals_s(way, surface, targets)
        order = np.argsort(heard_s, kind="stable")
        share = np.concatenate([[0.0], np.cumsum(weight[order])]) / float(weight.sum())
        return np.asarray(share[np.searchsorted(heard_s[order], times_s, side="right")])

    person = growing(*poa_places(poa)[:3]) if poa is not None else None
    return growing(lattice.x_m, lattice.y_m, lattice.weight_m2), person


def _searching(legs: Iterable[Walked], surface: Surface) -> Stretches:
    """The walk without approaches, in stretches of a few metres, each with its time since the searchers set out."""
    found = []
    for k in sorted({leg.searcher for leg in legs}):
        own = [leg for leg in legs if leg.searcher == k]
        walked = [leg for leg in own if leg.kind != "approach"]
        if not walked:
            continue
        begin = sum(leg.time_s for leg in own if leg.kind == "approach")
        corners = np.array([walked[0].line.coords[0], *(leg.line.coords[-1] for leg in walked)])
        one = stretches_of([corners], surface)
        found.append((one.start_m, one.end_m, one.begun_s + begin, one.done_s + begin))
    if not found:
        return Stretches(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), np.zeros(0), 0.0, 0.0)
    start, end, begun, done = (np.concatenate(parts) for parts in zip(*found, strict=True))
    order = np.argsort(begun, kind="stable")
    return Stretches(start[order], end[order], begun[order], done[order], 0.0, float(done.max()))
