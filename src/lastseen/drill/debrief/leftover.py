"""What was left: gaps in the walk, what to believe now, and what to do in a second pass."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from lastseen.drill.debrief.band import Band, Radii
from lastseen.drill.debrief.lanes import LaneReview
from lastseen.drill.planned import Planned
from lastseen.grid import BoolArray, FloatArray
from lastseen.search.coverage import summed_up
from lastseen.search.detection import updated_poa
from lastseen.search.lattice import Lattice
from lastseen.wording import percent

LEAST_GAP_STRIPS = 0.25  # a gap smaller than the square over a quarter strip is not worth a walk; design choice
PERHAPS_POD = 0.5  # of what is perhaps covered; design choice, no source
HALVE_SOURCE = "SAC, Die Alpen: halve the strip where the first pass fails"


@dataclass(frozen=True)
class Hole:
    """A piece of the outline beyond half a strip of all tracks as recorded.

    Attributes
    ----------
    number : int
        From 1, most probability of area left first.
    outline : Polygon
    area_m2 : float
        On the snow.
    missed : float
        Share that was not covered even perhaps, 0 to 1.
    poa : float
        Probability of area in it before the search, as a share of all.
    """

    number: int
    outline: Polygon
    area_m2: float
    missed: float
    poa: float


@dataclass(frozen=True)
class Leftover:
    """What is left to search.

    Attributes
    ----------
    holes : tuple of Hole
    poa_before, poa_after : (float, float, float, float)
        Probability of area in what is surely, perhaps and not covered, and outside the outline; sums to 1.
    found : float
        How likely the walk was to bring somebody into range.
    advice : tuple of str
    """

    holes: tuple[Hole, ...]
    poa_before: tuple[float, float, float, float]
    poa_after: tuple[float, float, float, float]
    found: float
    advice: tuple[str, ...]


def leftover(
    plan: Planned, lattice: Lattice, team_s: FloatArray, band: Band, radii: Radii, lanes: LaneReview
) -> Leftover:
    """Gaps, belief after the search in vain, and advice for a second pass.

    What is surely covered counts as searched (POD 1), what is perhaps covered as half (POD 0.5, design choice).
    """
    weight, outside = _poa_weights(plan, lattice)
    sure, half, most = (np.isfinite(one) for one in team_s)
    shares = (float(weight[sure].sum()), float(weight[most & ~sure].sum()), float(weight[~most].sum()))
    after, after_outside = updated_poa(shares, (1.0, PERHAPS_POD, 0.0), outside)
    found = shares[0] + PERHAPS_POD * shares[1]
    holes = _holes(plan, lattice, half, most, weight)
    before = (*shares, outside)
    left = (after[0], after[1], after[2], after_outside)
    return Leftover(holes, before, left, found, _advice(plan, holes, band, radii, left, lanes))


def _poa_weights(plan: Planned, lattice: Lattice) -> tuple[FloatArray, float]:
    """Probability of area at each sample, and outside the outline."""
    if plan.poa is None:
        return lattice.weight_m2 / lattice.weight_m2.sum(), 0.0
    row, col = plan.poa.cell_of(lattice.x_m, lattice.y_m)
    ny, nx = plan.poa.shape
    inside = (row >= 0) & (row < ny) & (col >= 0) & (col < nx)
    value = np.where(inside, np.nan_to_num(plan.poa.values[np.clip(row, 0, ny - 1), np.clip(col, 0, nx - 1)]), 0.0)
    weight = np.asarray(value * lattice.spacing_m**2 / plan.poa.cell_area_m2, dtype=np.float64)
    total = float(weight.sum())
    if total > 1.0:
        weight, total = weight / total, 1.0
    return weight, 1.0 - total


def _holes(plan: Planned, lattice: Lattice, half: BoolArray, most: BoolArray, weight: FloatArray) -> tuple[Hole, ...]:
    pieces = [
        one
        for one in summed_up(plan.outline, lattice, half).uncovered.geoms
        if one.area >= (LEAST_GAP_STRIPS * plan.strip_width_m) ** 2
    ]
    told = []
    x, y = lattice.x_m, lattice.y_m
    for one in pieces:
        mine = shapely.contains_xy(one, x, y) & ~half
        if not mine.any():
            continue
        area = float(lattice.weight_m2[mine].sum())
        missed = float(lattice.weight_m2[mine & ~most].sum()) / area
        told.append((float(weight[mine].sum()), area, missed, one))
    told.sort(key=lambda one: (-one[0], -one[1]))
    return tuple(Hole(k, one, area, missed, poa) for k, (poa, area, missed, one) in enumerate(told, start=1))


def _advice(
    plan: Planned,
    holes: Sequence[Hole],
    band: Band,
    radii: Radii,
    left: tuple[float, float, float, float],
    lanes: LaneReview,
) -> tuple[str, ...]:
    told = []
    if holes:
        area, poa = sum(one.area_m2 for one in holes), sum(one.poa for one in holes)
        what = "the gap" if len(holes) == 1 else f"the {len(holes)} gaps, gap 1 first"
        told.append(f"First walk {what}: {area:.0f} m², which held {percent(poa)} of the probability of area.")
    missing = [str(one.lane) for one in lanes.lanes if one.walked < 0.5]
    if missing:
        word = "Lane" if len(missing) == 1 else "Lanes"
        were = "was" if len(missing) == 1 else "were"
        told.append(f"{word} {', '.join(missing[:12])} {were} not walked, or less than half.")
    if band.perhaps > 0.05 and radii.sure_m > 0.5:
        told.append(
            f"{percent(band.perhaps)} are only perhaps covered: walk lines midway between those that were walked."
        )
    told.append(
        f"If nobody was found, a second pass takes strips half as wide, {0.5 * plan.strip_width_m:g} m, on lines "
        f"midway ({HALVE_SOURCE})."
    )
    if left[3] >= 0.1:
        told.append(f"{percent(left[3])} of the probability now lies outside the outline: look at its edges too.")
    if not math.isfinite(plan.coverage):
        told.append("The plan's own coverage is not known.")
    return tuple(told)
