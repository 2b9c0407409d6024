"""The clock: how long walking takes, what a whole rescue takes phase by phase, and who is alive at the end of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lastseen.errors import InputError
from lastseen.grid import FloatArray
from lastseen.search import phases
from lastseen.search.phases import Phase, PhaseValues
from lastseen.search.spread import Spread, exactly
from lastseen.search.survival import SurvivalCurve, survival_bounds_percent

OFF_PATH_FACTOR = 0.6
# Tobler's rule was not made for ground steeper than this; beyond it the height walked in an hour stays what it is
# there: 304 m up and 431 m down, beside the 300 and 500 m of DIN 33466. Design choice.
STEEPEST_RULE = 0.3


def searching_speed_m_s(slope: npt.ArrayLike) -> FloatArray:
    """Walking speed off the path on any slope: Tobler's rule, and on steep ground its height in an hour.

    Parameters
    ----------
    slope : array_like
        Rise over run along the walk, up is positive.

    Returns
    -------
    ndarray
        Metres on the ground per second, same shape as ``slope``.
    """
    wanted = np.asarray(slope, dtype=np.float64)
    held = np.clip(wanted, -STEEPEST_RULE, STEEPEST_RULE)
    # Height in an hour is speed x sin(slope): where it is held, speed falls with the sine.
    sine, held_sine = (np.abs(one) / np.hypot(1.0, one) for one in (wanted, held))
    factor = np.where(np.abs(wanted) > STEEPEST_RULE, held_sine / np.maximum(sine, 1e-12), 1.0)
    return walking_speed_m_s(held) * factor


def walking_speed_m_s(slope: npt.ArrayLike, off_path: bool = True) -> FloatArray:  # noqa: FBT001, FBT002
    """Walking speed on a slope.

    ``v = 6 exp(-3.5 |S + 0.05|)`` km/h, times 0.6 off the path (W. Tobler, 1993, Three presentations on geographical
    analysis and modeling, NCGIA Technical Report 93-1, after E. Imhof). The rule was made for paths and long walks:
    on rough debris people are slower.

    Parameters
    ----------
    slope : array_like
        Rise over run along the walk, up is positive.
    off_path : bool
        Whether the walk is off the path.

    Returns
    -------
    ndarray
        Metres per second, same shape as ``slope``.

    Examples
    --------
    >>> round(float(walking_speed_m_s(0.0, off_path=False)) * 3.6, 3)
    5.037
    """
    speed = 6.0 / 3.6 * np.exp(-3.5 * np.abs(np.asarray(slope, dtype=np.float64) + 0.05))
    return np.asarray(speed * (OFF_PATH_FACTOR if off_path else 1.0), dtype=np.float64)


def approach_time_h(distance_m: float, up_m: float, down_m: float) -> float:
    """Time on a mountain path: the larger of level and vertical time plus half the smaller (DIN 33466).

    4 km/h level, 300 m/h up, 500 m/h down.

    Parameters
    ----------
    distance_m, up_m, down_m : float
        Map distance, sum of ascents and sum of descents, metres, all 0 or more.

    Returns
    -------
    float
        Hours.

    Raises
    ------
    InputError
        If a length is negative or not a number.

    Examples
    --------
    >>> approach_time_h(8_000.0, 1_200.0, 0.0)
    5.0
    """
    for name, value in (("distance", distance_m), ("ascent", up_m), ("descent", down_m)):
        if not value >= 0.0:
            raise InputError(f"the {name} of an approach is {value} m: give 0 or more metres")
    level, vertical = distance_m / 4000.0, up_m / 300.0 + down_m / 500.0
    return max(level, vertical) + 0.5 * min(level, vertical)


@dataclass(frozen=True)
class RescueClock:
    """A rescue from the accident to head and chest free.

    Attributes
    ----------
    phases : tuple of Phase
        In order.
    curve : SurvivalCurve
    notes : tuple of str
    """

    phases: tuple[Phase, ...]
    curve: SurvivalCurve
    notes: tuple[str, ...]

    @property
    def ends_s(self) -> tuple[Spread, ...]:
        """End of each phase since the accident: all low together, all high together (an outer bracket)."""
        ends, now = [], exactly(0.0)
        for phase in self.phases:
            now = now + phase.time_s
            ends.append(now)
        return tuple(ends)

    @property
    def total_s(self) -> Spread:
        """Accident to head and chest free."""
        return self.ends_s[-1]

    @property
    def after_signal_s(self) -> Spread:
        """First signal to head and chest free."""
        at = [phase.letter for phase in self.phases].index("B")
        total = exactly(0.0)
        for phase in self.phases[at + 1 :]:
            total = total + phase.time_s
        return total

    @property
    def survival_percent(self) -> tuple[tuple[float, float], ...]:
        """Least and greatest published survival at the low, typical and high end."""
        return tuple(survival_bounds_percent(self.curve, time / 60.0) for time in self.total_s.three)


def rescue_clock(
    *,
    approach_s: Spread,
    signal_s: Spread,
    signal_basis: str,
    strip_width_m: float,
    depth_m: float,
    slope_deg: float,
    diggers: int,
    curve: SurvivalCurve,
    values: PhaseValues | None = None,
) -> RescueClock:
    """The phases of a rescue, from the accident to head and chest free.

    Parameters
    ----------
    approach_s, signal_s : Spread
        Way to the first lane, and from there to the first signal, seconds.
    signal_basis : str
        Where the latter comes from.
    strip_width_m : float
    depth_m : float
        Burial depth.
    slope_deg : float
        Of the debris where the person lies.
    diggers : int
        Present at the hit.
    curve : SurvivalCurve
    values : PhaseValues, optional

    Raises
    ------
    InputError
        If a value cannot be used.
    """
    given = values or PhaseValues()
    made = (
        phases.clue_search(given),
        phases.approach(approach_s),
        phases.signal_search(signal_s, signal_basis),
        phases.coarse_search(strip_width_m, given),
        phases.fine_search(given),
        phases.pinpointing(given),
        phases.shovelling(depth_m, slope_deg, diggers),
    )
    notes = [
        "Low adds all low times, high all high ones: an outer bracket, not a percentile.",
        "Survival is an average over many burials, no forecast for one person.",
    ]
    missing = phases.missing_diggers(depth_m, slope_deg, diggers)
    if missing:
        notes.append(f"{missing} fewer diggers than needed (2023): shovelling takes longer, no data by how much.")
    return RescueClock(made, curve, tuple(notes))


@dataclass(frozen=True)
class FoundAlive:
    """Chance of being found in this pass and alive when head and chest are free, per cent.

    Attributes
    ----------
    typical : (float, float)
        With typical times after the first signal; least and greatest, equal where the curve was published throughout.
    slow, fast : float
        With high times and the least survival, and with low times and the greatest.
    heard : float
        Share of the times that are finite.
    without_data : float
        Share of the typical times that lie where the curve was not published.
    """

    typical: tuple[float, float]
    slow: float
    fast: float
    heard: float
    without_data: float


def found_alive(first_signal_s: Sequence[float], after_s: Spread, curve: SurvivalCurve) -> FoundAlive:
    """Chance of being found alive for a distribution of times to the first signal.

    The mean over the given times of the survival when each is followed by the rest of the rescue.

    Parameters
    ----------
    first_signal_s : sequence of float
        Seconds from the accident to the first signal, each as likely; infinite where none is heard.
    after_s : Spread
        From the first signal to head and chest free, seconds.
    curve : SurvivalCurve

    Raises
    ------
    InputError
        If there is no time, or one is negative or not a number.

    Examples
    --------
    >>> from lastseen.search.survival import survival_curve
    >>> found_alive([0.0, float("inf")], exactly(900.0), survival_curve("falk-1994")).typical
    (46.0, 46.0)
    """
    times = np.asarray(first_signal_s, dtype=np.float64)
    if times.size == 0 or not bool((times >= 0.0).all()):
        raise InputError("the times to the first signal must be 0 s or more: infinite where none is heard")
    heard = times[np.isfinite(times)]

    def mean(after: float, which: int) -> float:
        found = [survival_bounds_percent(curve, float(t + after) / 60.0)[which] for t in heard]
        return float(np.sum(found)) / times.size

    typical = mean(after_s.typical, 0), mean(after_s.typical, 1)
    bounds = [survival_bounds_percent(curve, float(t + after_s.typical) / 60.0) for t in heard]
    open_share = sum(low < high for low, high in bounds) / times.size
    return FoundAlive(typical, mean(after_s.high, 0), mean(after_s.low, 1), heard.size / times.size, open_share)
