"""One device and one burial: ranges, strip rules and the width that is used."""

from __future__ import annotations

from dataclasses import dataclass

from lastseen.search.receive.dipole import mean_range_factor, range_cdf, range_quantile_m, reach_on_snow_m
from lastseen.search.receive.pulses import LONGEST_PERIOD_S, fastest_m_s, pulses_heard
from lastseen.search.receive.strips import StripRule, strip_rules
from lastseen.strip_width import check_strip_width_m

DEFAULT_WIDTH_M = 40.0  # most often taught (rescue handbooks give 20 to 50 m, makers their own)
SHARES = (0.0, 0.1, 0.5, 0.9, 1.0)
# From memory, not read again: a run on firm debris is 2 to 3 m/s. The upper end is the one that pulses limit.
RUNNING_M_S = 3.0


@dataclass(frozen=True)
class ReceiveRange:
    """What is known of a device's range.

    Attributes
    ----------
    max_range_m, sd_m : float
        Mean and standard deviation of the greatest range, in line with the axis.
    antennas : int
    depth_m : float
        Burial depth, at right angles to the snow surface.
    reach_m : tuple of (share, metres)
        Reach on the snow that this share of transmitters, pointing anywhere, do not exceed; ideal dipole, no spread
        between devices.
    mean_reach_m : float
        Mean reach on the snow over all directions, taken at the mean slant range.
    rules : tuple of StripRule
    width_m : float
        Strip width that is used.
    width_given : bool
        Whether it is the user's own; the published default otherwise.
    out_of_range : float
        Share of transmitters whose reach, spread between devices included, is below half the strip.
    pulses : float
        Heard by a run that passes half a strip beside a transmitter at its smallest ideal range.
    speed_m_s, period_s : float
        Of that run and of the pulses.
    fastest_m_s : float
        Still hears `LEAST_PULSES` pulses there.
    """

    max_range_m: float
    sd_m: float
    antennas: int
    depth_m: float
    reach_m: tuple[tuple[float, float], ...]
    mean_reach_m: float
    rules: tuple[StripRule, ...]
    width_m: float
    width_given: bool
    out_of_range: float
    pulses: float
    speed_m_s: float
    period_s: float
    fastest_m_s: float


def receive_range(
    max_range_m: float,
    sd_m: float,
    *,
    antennas: int = 3,
    depth_m: float = 0.0,
    strip_width_m: float | None = None,
    min_range_m: float | None = None,
    realistic_range_m: float | None = None,
    speed_m_s: float = RUNNING_M_S,
    period_s: float = LONGEST_PERIOD_S,
) -> ReceiveRange:
    """Ranges, strip rules and pulses for one device and one burial depth.

    Parameters
    ----------
    max_range_m, sd_m, antennas, depth_m, min_range_m, realistic_range_m
        See `strip_rules`.
    strip_width_m : float, optional
        The user's own strip width, metres on the snow; 40 m without one.
    speed_m_s, period_s : float
        Of the searcher and of the pulses.

    Raises
    ------
    InputError
        If a number cannot be used.
    """
    rules = strip_rules(
        max_range_m, sd_m, antennas=antennas, depth_m=depth_m, min_range_m=min_range_m,
        realistic_range_m=realistic_range_m,
    )  # fmt: skip
    width = DEFAULT_WIDTH_M if strip_width_m is None else strip_width_m
    check_strip_width_m(width)
    smallest = range_quantile_m(0.0, max_range_m, depth_m)
    pulses = pulses_heard(smallest, 0.5 * width, speed_m_s, period_s) if smallest > 0.0 else 0.0
    return ReceiveRange(
        max_range_m, sd_m, antennas, depth_m,
        tuple((share, range_quantile_m(share, max_range_m, depth_m)) for share in SHARES),
        reach_on_snow_m(mean_range_factor() * max_range_m, depth_m),
        rules, width, strip_width_m is not None,
        float(range_cdf(0.5 * width, max_range_m, sd_m, depth_m)),
        pulses, speed_m_s, period_s, fastest_m_s(smallest, 0.5 * width, period_s=period_s) if smallest > 0.0 else 0.0,
    )  # fmt: skip
