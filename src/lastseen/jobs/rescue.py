"""The rescue after a search is planned: clock, digging, probing, and how the covered share grows along the walk."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import MultiPolygon

from lastseen import rescue
from lastseen.core import Grid
from lastseen.search import Leg, measure_coverage_over_time, time_legs

DEPTH_M = 1.0  # where no model says how deep; design choice
LEAST_DEPTH_M = 0.1
STEEPEST_DEG = 60.0  # of the digging rules
PROBE_M = 3.0
NEAR_M = 1.0  # radius of the first part of the spiral
COVERED_STEPS = 80  # even parts of the walking time after which the covered share is known
COVERED_SPACING_M = 2.0


@dataclass(frozen=True, kw_only=True)
class Probing:
    """The probe spiral at the hit, and what must be said about probing."""

    spacing_m: float
    radius_m: float
    holes: int
    holes_near: int  # within the first metre
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PlanRescue:
    """Clock, digging and probing of a plan, at one depth and slope."""

    depth_m: float
    depth_basis: str  # where the depth comes from
    slope_deg: float
    clock: rescue.RescueClock | None
    digging: rescue.Dig
    probing: Probing
    # share of the searched outline, 0 to 1, covered after each of `COVERED_STEPS` even parts of the walking time, from
    # time 0; the last is the coverage of the plan
    covered: tuple[float, ...]


def plan_rescue(
    legs: Sequence[Leg],
    outline: MultiPolygon,
    ground: Grid,
    *,
    searchers: int,
    strip_width_m: float,
    coverage: float,
    buried_p50_m: float | None,
    zones: Iterable[tuple[float, float]] = (),
) -> PlanRescue:
    """Work out clock, digging and probing by the published rules, for the walks of all searchers over an outline.

    ``coverage`` is the share of the outline that the whole walk covers, 0 to 1; ``buried_p50_m`` the median depth of
    those fully buried, None where no model says it; ``zones`` are pairs of probability of area and mean slope in
    degrees, one for each deposition zone.
    """
    depth = round(max(buried_p50_m, LEAST_DEPTH_M), 1) if buried_p50_m else DEPTH_M
    basis = "median of those fully buried in the model" if buried_p50_m else "assumed, no model says how deep"
    slope = round(min(measure_search_slope_deg(outline, ground, zones), STEEPEST_DEG))
    clock = None
    if any(leg.kind == "lane" for leg in legs):
        clock = time_legs(
            legs,
            strip_width_m=strip_width_m,
            depth_m=depth,
            slope_deg=slope,
            diggers=searchers,
            curve=rescue.find_survival_curve(rescue.DEFAULT_CURVE),
        )
    return PlanRescue(
        depth_m=depth,
        depth_basis=basis,
        slope_deg=slope,
        clock=clock,
        digging=rescue.plan_dig(depth, slope, searchers),
        probing=_plan_probing(depth, slope),
        covered=measure_covered_shares(legs, outline, ground, strip_width_m=strip_width_m, coverage=coverage),
    )


def measure_search_slope_deg(outline: MultiPolygon, ground: Grid, zones: Iterable[tuple[float, float]] = ()) -> float:
    """Mean slope of the likeliest deposition zone, else of the ground inside the outline; 0 where there is none."""
    likeliest = max(zones, key=lambda zone: zone[0], default=None)
    if likeliest is not None:
        return float(likeliest[1])
    if outline.is_empty:
        return 0.0
    window = ground.window(*outline.buffer(2.0 * ground.cell_m).bounds)
    dy, dx = np.gradient(window.values, window.cell_m)
    rows, cols = np.indices(window.shape)
    x, y = window.centre_of(rows.ravel(), cols.ravel())
    inside = shapely.contains_xy(outline, x, y).reshape(window.shape)
    slope = np.degrees(np.arctan(np.hypot(dx, dy)))[inside]
    mean = float(np.nanmean(slope)) if np.isfinite(slope).any() else 0.0
    return mean if math.isfinite(mean) else 0.0


def measure_covered_shares(
    legs: Sequence[Leg],
    outline: MultiPolygon,
    ground: Grid,
    *,
    strip_width_m: float,
    coverage: float,
    steps: int = COVERED_STEPS,
) -> tuple[float, ...]:
    """Share of the outline covered after each of ``steps`` even parts of the walking time, from time 0.

    Measured as the plan's own coverage is: 3-D on the snow, by lanes and joins, not by approaches. Last comes the
    coverage of the plan, so that both agree.
    """
    totals = [sum(leg.time_s for leg in legs if leg.searcher == k) for k in {leg.searcher for leg in legs}]
    times = np.linspace(0.0, max(totals, default=0.0), steps + 1)
    shares, _ = measure_coverage_over_time(outline, ground, legs, strip_width_m, times, spacing_m=COVERED_SPACING_M)
    last = round(coverage, 4)
    return (*(min(round(share, 4), last) for share in shares[:-1].tolist()), last)


def _plan_probing(depth_m: float, slope_deg: float) -> Probing:
    spiral = rescue.lay_spiral(slope_deg=slope_deg)
    return Probing(
        spacing_m=rescue.SPACING_M,
        radius_m=rescue.STOP_RADIUS_M,
        holes=spiral.holes,
        holes_near=int((np.hypot(spiral.across_m, spiral.up_m) <= NEAR_M + 1e-9).sum()),
        notes=(*rescue.probe_notes(PROBE_M, depth_m), *rescue.PROBE_NOTES),
    )
