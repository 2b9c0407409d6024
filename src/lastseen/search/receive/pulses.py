"""How fast one may go: a transmitter sends pulses, and some must fall while it is in range."""

from __future__ import annotations

import math

from lastseen.errors import InputError

# EN 282:1991, as summed up by Stachniak 1999 (sarinfo.bc.ca): period 0.9 s, plus or minus 0.4 s. The longest is taken.
LONGEST_PERIOD_S = 1.3
LEAST_PULSES = 3.0  # design choice, no source: one may be missed, one may be taken for noise


def chord_m(range_m: float, offset_m: float) -> float:
    """Length of a straight walk that lies within range of a transmitter: ``2 sqrt(R^2 - y^2)``.

    Parameters
    ----------
    range_m : float
        Range, metres.
    offset_m : float
        How far the walk passes to the side, metres.

    Returns
    -------
    float
        Metres; 0 where the walk passes out of range.

    Raises
    ------
    InputError
        If the range is not above 0.
    """
    if not range_m > 0.0:
        raise InputError(f"the range is {range_m:g} m: give a range above 0 m")
    return 2.0 * math.sqrt(max(0.0, range_m**2 - offset_m**2))


def pulses_heard(range_m: float, offset_m: float, speed_m_s: float, period_s: float = LONGEST_PERIOD_S) -> float:
    """How many pulses fall while a searcher passes: chord over speed and period.

    Raises
    ------
    InputError
        If range, speed or period is not above 0.

    Examples
    --------
    >>> round(pulses_heard(25.0, 20.0, 3.0, 1.3), 1)
    7.7
    """
    if not (speed_m_s > 0.0 and period_s > 0.0):
        raise InputError(f"a speed of {speed_m_s:g} m/s and a period of {period_s:g} s: give both above 0")
    return chord_m(range_m, offset_m) / (speed_m_s * period_s)


def fastest_m_s(
    range_m: float, offset_m: float, pulses: float = LEAST_PULSES, period_s: float = LONGEST_PERIOD_S
) -> float:
    """Fastest walk or ride that still hears so many pulses in passing: chord over pulses and period.

    Raises
    ------
    InputError
        If range, pulses or period is not above 0.

    Examples
    --------
    >>> round(fastest_m_s(25.0, 20.0, 3.0, 1.3), 2)
    7.69
    """
    if not (pulses > 0.0 and period_s > 0.0):
        raise InputError(f"{pulses:g} pulses at a period of {period_s:g} s: give both above 0")
    return chord_m(range_m, offset_m) / (pulses * period_s)
