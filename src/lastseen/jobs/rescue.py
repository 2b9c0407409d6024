"""The rescue after a search is planned: clock, digging, probing, and how the covered share grows along the walk."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import shapely
from shapely.geometry import MultiPolygon

from lastseen import rescue
from lastseen.core import BoolArray, FloatArray, Grid, InputError, Spread, exact_spread
from lastseen.rescue import FASTER, SLOWER, Pace, PhaseValues, RescueClock, SurvivalCurve, Travel, time_rescue
from lastseen.search import (
    Leg,
    LegKind,
    Reception,
    Surface,
    bury,
    cut_into_stretches,
    first_signals_s,
    measure_coverage_over_time,
)
from lastseen.snow import MissingPersons

# ---- The clock of a walk: a way to the debris, and from there to the first signal


_QUANTILES = (0.1, 0.5, 0.9)
_PIECES = 50  # of each lane
_SEARCHED = {"lane", "track"}


class TimedLeg(Protocol):
    """What the clock needs of a leg: who walks it, what it is, length on the snow, walking time, mean slope."""

    @property
    def searcher(self) -> int: ...  # noqa: D102
    @property
    def kind(self) -> LegKind: ...  # noqa: D102
    @property
    def length_m(self) -> float: ...  # noqa: D102
    @property
    def time_s(self) -> float: ...  # noqa: D102
    @property
    def slope_deg(self) -> float: ...  # noqa: D102


@dataclass(frozen=True, kw_only=True)
class WalkedLeg:
    """A leg of which only the walk is known (see `TimedLeg`)."""

    searcher: int
    kind: LegKind
    length_m: float
    time_s: float
    slope_deg: float = 0.0


def time_legs(
    legs: Sequence[TimedLeg],
    *,
    strip_width_m: float,
    depth_m: float,
    slope_deg: float,
    diggers: int,
    curve: SurvivalCurve,
    values: PhaseValues | None = None,
    first_signal_s: Sequence[float] | None = None,
    travel: Travel | None = None,
) -> RescueClock:
    """The clock of a search whose walk is known.

    The approach is the shortest, mean and longest of the searchers, each as fast and as slow as that way to move can be
    (`Pace.range_of`). Without simulated times the first signal comes somewhere along the lanes, every metre as likely
    as any other: its low, typical and high times are the 10, 50 and 90 % of that. Low times of the search are times
    0.6, high ones times 1.2 (`FASTER`, `SLOWER`), but for a speed of their own.

    Parameters
    ----------
    legs : sequence of TimedLeg
        Of a plan (``SearchPlan.legs``) or `make_walked_legs`; each searcher's in the order in which they are walked.
    strip_width_m, depth_m, slope_deg, diggers, curve, values
        See `time_rescue`.
    first_signal_s : sequence of float, optional
        From the first step on the debris to the first signal in simulated searches: 10th, 50th and 90th percentile,
        seconds. None, or NaN among them, is not known.
    travel : Travel, optional
        How they move; on skis to the debris and on foot over it where not given.

    Raises
    ------
    InputError
        If there is no lane, or a value cannot be used.
    """
    lanes = [leg for leg in legs if leg.kind == "lane"]
    if not lanes:
        raise InputError("the walk has no lanes: lay out a search first")
    moves = travel or Travel()
    ways = [_time_approach(legs, searcher, moves) for searcher in sorted({leg.searcher for leg in lanes})]
    approach = Spread(
        min(way.low for way in ways), sum(way.typical for way in ways) / len(ways), max(way.high for way in ways)
    )
    if first_signal_s is None or not np.isfinite(first_signal_s).all():
        low, typical, high = _quantiles(*_times_on_lanes(legs))
        basis = "10, 50, 90 % of the walk along the lanes, every metre as likely"
    else:
        low, typical, high = first_signal_s
        basis = "10, 50, 90 % of simulated searches"
    if moves.search_m_s is None:
        low, high = FASTER * low, SLOWER * high
    signal = Spread(low, typical, high)
    return time_rescue(
        approach_s=approach,
        approach_basis=rescue.describe_travel(moves)[0],
        signal_s=signal,
        signal_basis=basis,
        strip_width_m=strip_width_m,
        depth_m=depth_m,
        slope_deg=slope_deg,
        diggers=diggers,
        curve=curve,
        values=values,
    )


def make_walked_legs(walk_s: float, approach_s: float) -> tuple[WalkedLeg, WalkedLeg]:
    """The legs of one searcher of whom only the times are known: to the debris, and along all lanes.

    Raises
    ------
    InputError
        If a time cannot be used.
    """
    if not (0.0 < walk_s < np.inf and 0.0 <= approach_s < np.inf):
        raise InputError(f"a walk of {walk_s / 60:g} min after {approach_s / 60:g} min: give above 0, and 0 or more")
    return (
        WalkedLeg(searcher=1, kind="approach", length_m=0.0, time_s=approach_s),
        WalkedLeg(searcher=1, kind="lane", length_m=1.0, time_s=walk_s),
    )


def _time_approach(legs: Sequence[TimedLeg], searcher: int, travel: Travel) -> Spread:
    """How long the approach of a searcher takes."""
    if travel.approach_s is not None:
        return exact_spread(travel.approach_s)
    total = exact_spread(0.0)
    for leg in legs:
        if leg.searcher == searcher and leg.kind == "approach":
            total = total + travel.approach_pace.range_of(leg.time_s, leg.slope_deg)
    return total


def _times_on_lanes(legs: Sequence[TimedLeg]) -> tuple[FloatArray, FloatArray]:
    """Times since the first lane at even places along all lanes, and the metres that each place stands for."""
    times, metres = [], []
    for searcher in sorted({leg.searcher for leg in legs}):
        now = 0.0
        for leg in legs:
            if leg.searcher != searcher or leg.kind == "approach":
                continue
            if leg.kind in _SEARCHED:
                times.append(now + leg.time_s * (np.arange(_PIECES) + 0.5) / _PIECES)
                metres.append(np.full(_PIECES, leg.length_m / _PIECES))
            now += leg.time_s
    return np.concatenate(times), np.concatenate(metres)


def _quantiles(values: FloatArray, weights: FloatArray) -> tuple[float, float, float]:
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weights[order]) - 0.5 * weights[order]
    low, typical, high = np.interp(_QUANTILES, share / weights.sum(), values[order])
    return float(low), float(typical), float(high)


# ---- Several missing persons: the search goes on until all are found

ALL_DRAWS = 2000
FINE_SEARCH_M, NEAR_SIGNAL_M = 3.0, 10.0  # where the fine search begins; and where two signals are told apart badly


@dataclass(frozen=True, kw_only=True)
class AllFound:
    """The search for several missing persons, simulated until all are found."""

    missing: int
    # from the first step on the debris to the signal of the first and of the last person, 10th, 50th and 90th
    # percentile of the draws in which somebody, or everybody, is heard; NaN where there are none
    first_s: tuple[float, float, float]
    last_s: tuple[float, float, float]
    somebody: float  # share of all draws in which somebody is heard
    everybody: float  # and everybody
    each_stop_s: float  # for which a found person holds a searcher up
    near: tuple[tuple[float, float], ...]  # (metres, share of the missing who lie so near to the next of them)


def search_for_all(
    legs: Sequence[Leg], ground: Grid, persons: MissingPersons, *, strip_width_m: float, travel: Travel, seed: int
) -> AllFound:
    """Search for several missing persons along the walk of a plan, until all are found.

    Whoever hears somebody stops for coarse and fine search and pinpointing, marks the place and goes on; digging is not
    reckoned in. Somebody who is heard meanwhile on the same walk is next.
    """
    x, y, stayed = persons.x_m, persons.y_m, persons.stayed
    draws, missing = x.shape
    corners = [np.array(leg.line.coords)[:, :2] for leg in legs]
    around = np.concatenate([np.column_stack([x[stayed], y[stayed]]), *corners])
    (west, south), (east, north) = around.min(axis=0).tolist(), around.max(axis=0).tolist()
    surface = Surface.around(ground, (west, south, east, north), 2.0 * strip_width_m)
    at_x, at_y = (np.where(stayed, at, first).ravel() for at, first in ((x, west - 1.0), (y, south - 1.0)))
    hidden = bury(surface, at_x, at_y, Reception.of_strip(strip_width_m), np.random.default_rng([seed, 2]))
    hidden = replace(hidden, range_m=np.where(stayed.ravel(), hidden.range_m, 0.0))
    walks, begins, paces = _walks_on_debris(legs, travel)
    heard = np.stack(
        [
            first_signals_s(cut_into_stretches([walk], surface, [begin], [pace]), surface, hidden)
            for walk, begin, pace in zip(walks, begins, paces, strict=True)
        ]
        or [np.full(draws * missing, np.inf)]
    ).reshape(-1, draws, missing)
    stop = rescue.time_each_found_s(strip_width_m)
    found = np.sort(_find_one_after_the_other(heard, stop), axis=1)
    all_heard, some_heard = np.isfinite(found[:, -1]), np.isfinite(found[:, 0])
    return AllFound(
        missing=missing,
        first_s=_percentiles(found[some_heard, 0]),
        last_s=_percentiles(found[all_heard, -1]),
        somebody=float(some_heard.mean()),
        everybody=float(all_heard.mean()),
        each_stop_s=stop,
        near=_near_shares(x, y, stayed, (FINE_SEARCH_M, NEAR_SIGNAL_M, 0.5 * strip_width_m)),
    )


def _walks_on_debris(legs: Sequence[Leg], travel: Travel) -> tuple[list[FloatArray], list[float], list[list[Pace]]]:
    """Corners of each searcher's search, when it begins after the first step of the first, and the pace of each leg."""
    walks, begins, paces = [], [], []
    for searcher in sorted({leg.searcher for leg in legs}):
        lines = [leg.line for leg in legs if leg.searcher == searcher and leg.kind != "approach"]
        if lines:
            walks.append(np.array([lines[0].coords[0][:2], *(line.coords[-1][:2] for line in lines)]))
            begins.append(sum(leg.time_s for leg in legs if leg.searcher == searcher and leg.kind == "approach"))
            kinds = [leg.kind for leg in legs if leg.searcher == searcher and leg.kind != "approach"]
            paces.append([travel.pace_of(kind) for kind in kinds])
    return walks, [begin - min(begins) for begin in begins], paces


def _find_one_after_the_other(heard_s: FloatArray, stop_s: float) -> FloatArray:
    """When each person is found; ``heard_s`` has shape (searchers, draws, missing), without any stop."""
    searchers, draws, missing = heard_s.shape
    late = np.zeros((searchers, draws))
    left, found = heard_s.copy(), np.full((draws, missing), np.inf)
    row = np.arange(draws)
    for _ in range(missing):
        now = (left + late[:, :, None]).transpose(1, 0, 2).reshape(draws, -1)
        who, person = np.divmod(np.argmin(now, axis=1), missing)
        at = now.min(axis=1)
        heard = np.isfinite(at)
        found[row[heard], person[heard]] = at[heard]
        late[who[heard], row[heard]] += stop_s
        left[:, row[heard], person[heard]] = np.inf
    return found


def _percentiles(values: FloatArray) -> tuple[float, float, float]:
    if values.size == 0:
        return (np.nan,) * 3
    low, middle, high = np.percentile(values, (10, 50, 90)).tolist()
    return low, middle, high


def _near_shares(
    x_m: FloatArray, y_m: FloatArray, stayed: BoolArray, within_m: Sequence[float]
) -> tuple[tuple[float, float], ...]:
    """Share of all missing persons whose nearest other lies within each distance on the map."""
    away = np.hypot(x_m[:, :, None] - x_m[:, None, :], y_m[:, :, None] - y_m[:, None, :])
    away[:, np.arange(x_m.shape[1]), np.arange(x_m.shape[1])] = np.inf
    away = np.where(stayed[:, :, None] & stayed[:, None, :], away, np.inf)
    nearest = away.min(axis=2)
    return tuple((metres, float((nearest <= metres).mean())) for metres in within_m)


# ---- The rescue of a plan

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
    travel: Travel,
    first_signal_s: Sequence[float] | None,
    buried_p50_m: float | None,
    zones: Iterable[tuple[float, float]] = (),
) -> PlanRescue:
    """Work out clock, digging and probing by the published rules, for the walks of all searchers over an outline.

    ``coverage`` is the share of the outline that the whole walk covers, 0 to 1; ``first_signal_s`` as `time_legs` takes
    it; ``buried_p50_m`` the median depth of those fully buried, None where no model says it; ``zones`` are pairs of
    probability of area and mean slope in degrees, one for each deposition zone.
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
            first_signal_s=first_signal_s,
            travel=travel,
        )
    return PlanRescue(
        depth_m=depth,
        depth_basis=basis,
        slope_deg=slope,
        clock=clock,
        digging=rescue.plan_dig(depth, slope, searchers),
        probing=_plan_probing(depth, slope),
        covered=measure_covered_shares(
            legs, outline, ground, strip_width_m=strip_width_m, coverage=coverage, travel=travel
        ),
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
    travel: Travel,
    steps: int = COVERED_STEPS,
) -> tuple[float, ...]:
    """Share of the outline covered after each of ``steps`` even parts of the time of the legs, from time 0.

    Measured as the plan's own coverage is: 3-D on the snow, by all that is walked on the debris, not by approaches.
    Last comes the coverage of the plan, so that both agree.
    """
    totals = [sum(leg.time_s for leg in legs if leg.searcher == k) for k in {leg.searcher for leg in legs}]
    times = np.linspace(0.0, max(totals, default=0.0), steps + 1)
    shares, _ = measure_coverage_over_time(
        outline, ground, legs, strip_width_m, times, spacing_m=COVERED_SPACING_M, travel=travel
    )
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
