"""The clock of a plan: its walking time made into a way to the first lane and a time to the first signal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from lastseen.core import FloatArray, InputError, Spread
from lastseen.rescue import OFF_PATH_FACTOR, PhaseValues, RescueClock, SurvivalCurve, time_rescue
from lastseen.search.plan import LegKind

# Time against the planned time: firm snow is walked like a path (1 over 1/0.6), rough debris at half of Tobler's speed
# instead of 0.6 (from memory: nobody has published a speed on debris).
FASTER, SLOWER = OFF_PATH_FACTOR, OFF_PATH_FACTOR / 0.5
_QUANTILES = (0.1, 0.5, 0.9)
_PIECES = 50  # of each lane


class TimedLeg(Protocol):
    """What the clock needs of a leg: who walks it, what it is, its length on the snow and its walking time."""

    @property
    def searcher(self) -> int: ...  # noqa: D102
    @property
    def kind(self) -> LegKind: ...  # noqa: D102
    @property
    def length_m(self) -> float: ...  # noqa: D102
    @property
    def time_s(self) -> float: ...  # noqa: D102


@dataclass(frozen=True, kw_only=True)
class WalkedLeg:
    """A leg of which only the walk is known (see `TimedLeg`)."""

    searcher: int
    kind: LegKind
    length_m: float
    time_s: float


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
) -> RescueClock:
    """The clock of a search whose walk is known.

    The approach is the shortest, mean and longest of the searchers. Without simulated times the first signal comes
    somewhere along the lanes, every metre as likely as any other: its low, typical and high times are the 10, 50 and
    90 % of that. Low walking times are times 0.6, high ones times 1.2 (`FASTER`, `SLOWER`).

    Parameters
    ----------
    legs : sequence of TimedLeg
        Of a plan (``SearchPlan.legs``) or `make_walked_legs`; each searcher's in the order in which they are walked.
    strip_width_m, depth_m, slope_deg, diggers, curve, values
        See `time_rescue`.
    first_signal_s : sequence of float, optional
        Simulated times from the first lane to the first signal, seconds; not heard is infinite. Taken as they are.

    Raises
    ------
    InputError
        If there is no lane, no time is finite, or a value cannot be used.
    """
    lanes = [leg for leg in legs if leg.kind == "lane"]
    if not lanes:
        raise InputError("the walk has no lanes: lay out a search first")
    walkers = sorted({leg.searcher for leg in lanes})
    ways = [sum(leg.time_s for leg in legs if leg.searcher == k and leg.kind == "approach") for k in walkers]
    approach = Spread(FASTER * min(ways), sum(ways) / len(ways), SLOWER * max(ways))
    if first_signal_s is None:
        times, weights = _times_on_lanes(legs)
        low, typical, high = _quantiles(times, weights)
        signal = Spread(FASTER * low, typical, SLOWER * high)
        basis = "10, 50, 90 % of the walk along the lanes, every metre as likely"
    else:
        low, typical, high = _quantiles(*_heard(first_signal_s))
        signal = Spread(low, typical, high)
        basis = "10, 50, 90 % of simulated times to the first signal"
    return time_rescue(
        approach_s=approach,
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
    """The legs of one searcher of whom only the times are known: to the first lane, and along all lanes.

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


def _times_on_lanes(legs: Sequence[TimedLeg]) -> tuple[FloatArray, FloatArray]:
    """Times since the first lane at even places along all lanes, and the metres that each place stands for."""
    times, metres = [], []
    for searcher in sorted({leg.searcher for leg in legs}):
        now = 0.0
        for leg in legs:
            if leg.searcher != searcher or leg.kind == "approach":
                continue
            if leg.kind == "lane":
                times.append(now + leg.time_s * (np.arange(_PIECES) + 0.5) / _PIECES)
                metres.append(np.full(_PIECES, leg.length_m / _PIECES))
            now += leg.time_s
    return np.concatenate(times), np.concatenate(metres)


def _heard(first_signal_s: Sequence[float]) -> tuple[FloatArray, FloatArray]:
    given = np.asarray(first_signal_s, dtype=np.float64)
    heard = given[np.isfinite(given)]
    if heard.size == 0 or bool((heard < 0.0).any()):
        raise InputError("no simulated time to the first signal can be used: give times of 0 s or more")
    return heard, np.ones(heard.size)


def _quantiles(values: FloatArray, weights: FloatArray) -> tuple[float, float, float]:
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weights[order]) - 0.5 * weights[order]
    low, typical, high = np.interp(_QUANTILES, share / weights.sum(), values[order])
    return float(low), float(typical), float(high)
