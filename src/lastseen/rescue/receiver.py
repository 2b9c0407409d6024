"""How far a transceiver hears, how fast one may go, and how wide a strip may be."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from lastseen.core import DEFAULT_STRIP_WIDTH_M, FloatArray, InputError, Spread, check_strip_width_m, exact_spread

# ---- The transmitter as a magnetic dipole: how range depends on the way it points
# In the near field the field strength of a dipole falls with the cube of the distance and, at one distance, goes with
# ``sqrt(1 + 3 cos^2 phi)``, where ``phi`` is the angle between the transmitter's axis and the direction to the
# receiver (any textbook on electromagnetism). A receiver that hears all three directions of the field equally
# therefore reaches ``((1 + 3 cos^2 phi) / 4)^(1/6)`` of its greatest range: 1 in line with the axis, 2^(-1/3) = 0.794
# at right angles.
#
# Ideal: no receiver hears all directions quite equally, and ground and metal distort the field. Measured ranges are
# shorter.

SMALLEST_FACTOR = 2.0 ** (-1.0 / 3.0)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(96)


def range_factor(angle_deg: float) -> float:
    """Range of a three-axis receiver against its range in line with the transmitter's axis.

    Parameters
    ----------
    angle_deg : float
        Between the transmitter's axis and the direction to the receiver, degrees.

    Returns
    -------
    float
        0.794 to 1.

    Examples
    --------
    >>> [round(range_factor(angle), 3) for angle in (0, 30, 45, 60, 90)]
    [1.0, 0.966, 0.925, 0.871, 0.794]
    """
    return float(((1.0 + 3.0 * math.cos(math.radians(angle_deg)) ** 2) / 4.0) ** (1.0 / 6.0))


def coupled_range_factor(coupling: float) -> float:
    """Range of a one-antenna receiver: the cube root of the share of the field that its antenna takes up.

    Against the coaxial position, antennas side by side take up 1/2 of the field (about 80 % of the range); against
    that, turning one by 20 degrees takes up cos 20, and 5 degrees off the right angle sin 5 (Swiss Alpine Club, Die
    Alpen, "Optimierung der Reichweite von LVS-Geraeten": about 80 %, 2 % less, still about 45 %).

    Parameters
    ----------
    coupling : float
        0 to 1.

    Raises
    ------
    InputError
        If the share is not between 0 and 1.

    Examples
    --------
    >>> round(coupled_range_factor(0.5), 4)
    0.7937
    """
    if not 0.0 <= coupling <= 1.0:
        raise InputError(f"a coupling of {coupling} is no share of a field: give 0 to 1")
    return float(coupling ** (1.0 / 3.0))


def mean_range_factor() -> float:
    """Mean of the range factor over all directions in space: 4^(-1/6) 2F1(-1/6, 1/2; 3/2; -3), about 0.87."""
    return float(4.0 ** (-1.0 / 6.0) * special.hyp2f1(-1.0 / 6.0, 0.5, 1.5, -3.0))


def range_cdf(range_m: npt.ArrayLike, max_range_m: float, sd_m: float = 0.0, depth_m: float = 0.0) -> FloatArray:
    """Share of transmitters, pointing anywhere in space, whose reach on the snow is at most ``range_m``.

    An axis that points anywhere makes ``u = |cos phi|`` even between 0 and 1, so that for a slant range ``r`` and
    ``x = r / max_range_m``: ``P(range <= r) = sqrt((4 x^6 - 1) / 3)`` for 2^(-1/3) <= x <= 1. A burial depth ``d``
    turns a reach ``h`` on the snow into the slant range ``sqrt(h^2 + d^2)``. A spread between devices (normal, mean
    ``max_range_m``) is averaged over ``u``.

    Parameters
    ----------
    range_m : array_like
        Reach on the snow, metres.
    max_range_m : float
        Greatest range in line with the axis, metres.
    sd_m : float
        Standard deviation of the greatest range between devices, metres; 0 leaves it out.
    depth_m : float
        Burial depth, metres, at right angles to the snow surface.

    Returns
    -------
    ndarray
        0 to 1, same shape as ``range_m``.

    Raises
    ------
    InputError
        See `check_range`.

    Examples
    --------
    >>> float(range_cdf(40.0, 40.0)), float(range_cdf(31.0, 40.0))
    (1.0, 0.0)
    """
    check_range(max_range_m, sd_m, depth_m)
    reach = np.asarray(range_m, dtype=np.float64)
    slant = np.sqrt(reach**2 + depth_m**2)
    if sd_m < 1e-6 * max_range_m:
        sixth = np.clip((4.0 * (slant / max_range_m) ** 6 - 1.0) / 3.0, 0.0, 1.0)
        found = np.sqrt(sixth)
    else:
        u = 0.5 * (_NODES + 1.0)
        factor = ((1.0 + 3.0 * u**2) / 4.0) ** (1.0 / 6.0)
        below = special.ndtr((slant[..., None] / factor - max_range_m) / sd_m)
        found = np.clip((0.5 * _WEIGHTS * below).sum(axis=-1), 0.0, 1.0)
    return np.asarray(np.where(reach < 0.0, 0.0, found), dtype=np.float64)


def range_quantile_m(share: float, max_range_m: float, depth_m: float = 0.0) -> float:
    """Reach on the snow that ``share`` of the transmitters, pointing anywhere in space, do not exceed.

    The inverse of `range_cdf` without a spread between devices: ``max_range_m ((1 + 3 share^2) / 4)^(1/6)``, less
    the depth.

    Examples
    --------
    >>> round(range_quantile_m(0.5, 40.0), 2)
    34.85
    """
    if not 0.0 <= share <= 1.0:
        raise InputError(f"a share of {share} is no share: give 0 to 1")
    check_range(max_range_m, 0.0, depth_m)
    return reach_on_snow_m(max_range_m * ((1.0 + 3.0 * share**2) / 4.0) ** (1.0 / 6.0), depth_m)


def reach_on_snow_m(range_m: float, depth_m: float) -> float:
    """Reach on the snow of a slant range: ``sqrt(r^2 - d^2)``, 0 where the depth is beyond the range."""
    return math.sqrt(max(0.0, range_m**2 - depth_m**2))


def check_range(max_range_m: float, sd_m: float, depth_m: float) -> None:
    """Raise InputError unless the three can belong to one device and one burial."""
    if not 0.0 < max_range_m < math.inf:
        raise InputError(f"the range is {max_range_m:g} m: give a measured range above 0 m")
    if not 0.0 <= sd_m <= 0.5 * max_range_m:
        raise InputError(
            f"the standard deviation is {sd_m:g} m for a range of {max_range_m:g} m: give 0 m to half the range, "
            "or measure the range again"
        )
    if not 0.0 <= depth_m < max_range_m:
        raise InputError(
            f"the burial depth is {depth_m:g} m for a range of {max_range_m:g} m: give 0 m or more, and less than the "
            "range"
        )


# ---- How fast one may go: a transmitter sends pulses, and some must fall while it is in range

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


# ---- Three published ways from a range to a strip width, side by side. None is preferred: the user's own width wins

# Three antennas: Schreilechner, Eck & Schober 2009 quote 1.26. Two and one: from memory, not read again.
ANTENNA_FACTORS = {3: 1.26, 2: 1.0, 1: 0.8}
OPTIMISED_FACTORS = (1.2, 1.4)

WORST_CASE_SOURCE = "instruction article 2012 (2 x minimum effective range); Eck, Schober & Schreilechner, ISSW 2008"
STATISTICAL_SOURCE = "Schreilechner, Eck & Schober, ISSW 2009 Davos, after Meier 2000 and Schweizer 2007"
OPTIMISED_SOURCE = "Reiweger, Genswein & Schweizer 2009, Cold Reg. Sci. Technol. 59:259-266 (names from memory)"


@dataclass(frozen=True, kw_only=True)
class StripRule:
    """One way to a strip width."""

    name: str
    formula: str
    width_m: Spread | None  # metres on the snow, None where the rule needs a number that was not given
    # the same with half a strip taken as slant range to the given depth (derived, not part of the rule)
    with_depth_m: Spread | None
    year: int | None
    source: str
    confidence: str  # as in the reference tables
    note: str  # what the number rests on


def worst_case_width_m(min_range_m: float) -> float:
    """Twice the minimum effective range: the range measured with the antennas at right angles.

    Raises
    ------
    InputError
        If the range is not above 0.
    """
    if not min_range_m > 0.0:
        raise InputError(
            f"the minimum range is {min_range_m:g} m: give the range measured with antennas at right angles"
        )
    return 2.0 * min_range_m


def statistical_width_m(max_range_m: float, sd_m: float, antennas: int = 3) -> float:
    """``1.26 (r_max - 2 sigma)`` for three antennas, from ranges measured in line with the axis.

    Parameters
    ----------
    max_range_m : float
        Mean of the greatest ranges in the coaxial position, metres.
    sd_m : float
        Their standard deviation, metres.
    antennas : {1, 2, 3}
        Of the receiver. Factors 1.0 for two antennas and 0.8 for one are from memory.

    Raises
    ------
    InputError
        If the numbers cannot belong to one device.

    Examples
    --------
    >>> round(statistical_width_m(45.0, 3.0), 2)
    49.14
    """
    check_range(max_range_m, sd_m, 0.0)
    if antennas not in ANTENNA_FACTORS:
        raise InputError(f"a receiver with {antennas} antennas: give 1, 2 or 3")
    return ANTENNA_FACTORS[antennas] * (max_range_m - 2.0 * sd_m)


def optimised_width_m(realistic_range_m: float) -> Spread:
    """1.2 to 1.4 times the realistic maximum range, "depending on the type of transceiver".

    Examples
    --------
    >>> optimised_width_m(40.0).three
    (48.0, 52.0, 56.0)
    """
    if not realistic_range_m > 0.0:
        raise InputError(f"the realistic range is {realistic_range_m:g} m: give a range above 0 m")
    low, high = (factor * realistic_range_m for factor in OPTIMISED_FACTORS)
    return Spread(low, 0.5 * (low + high), high)


def list_strip_rules(
    max_range_m: float,
    sd_m: float,
    *,
    antennas: int = 3,
    depth_m: float = 0.0,
    min_range_m: float | None = None,
    realistic_range_m: float | None = None,
) -> tuple[StripRule, StripRule, StripRule]:
    """The three published rules for one device.

    Parameters
    ----------
    max_range_m, sd_m : float
        Mean and standard deviation of the greatest range in line with the axis, metres.
    antennas : {1, 2, 3}
    depth_m : float
        Burial depth, metres, at right angles to the snow surface.
    min_range_m : float, optional
        Measured with the antennas at right angles, metres. Without it the first rule has no data: the ideal dipole
        only gives an upper bound, 0.794 of the greatest range.
    realistic_range_m : float, optional
        Without it, the greatest range less two standard deviations (design choice, no source).

    Raises
    ------
    InputError
        If a number cannot be used.
    """
    check_range(max_range_m, sd_m, depth_m)
    return (
        _worst_case(max_range_m, min_range_m, depth_m),
        _statistical(max_range_m, sd_m, antennas, depth_m),
        _optimised(max_range_m, sd_m, realistic_range_m, depth_m),
    )


def _less_depth(width_m: Spread, depth_m: float) -> Spread:
    low, typical, high = (2.0 * reach_on_snow_m(0.5 * width, depth_m) for width in width_m.three)
    return Spread(low, typical, high)


def _worst_case(max_range_m: float, min_range_m: float | None, depth_m: float) -> StripRule:
    bound = SMALLEST_FACTOR * max_range_m
    note = (
        "measure it with the transmitter upright and the antennas at right angles (--min-range). For an ideal "
        f"dipole and receiver it would be {bound:.1f} m, an upper bound that real sets stay below"
    )
    width = None
    if min_range_m is not None:
        if min_range_m > max_range_m:
            raise InputError(
                f"the minimum range of {min_range_m:g} m is above the greatest of {max_range_m:g} m: swap them"
            )
        width = exact_spread(worst_case_width_m(min_range_m))
        note = f"measured minimum range {min_range_m:g} m"
        if min_range_m > bound:
            note += f", more than the {bound:.1f} m of an ideal dipole: measure again"
    return StripRule(
        name="worst case",
        formula="2 x minimum effective range",
        width_m=width,
        with_depth_m=_less_depth(width, depth_m) if width else None,
        year=2012,
        source=WORST_CASE_SOURCE,
        confidence="published",
        note=note,
    )


def _statistical(max_range_m: float, sd_m: float, antennas: int, depth_m: float) -> StripRule:
    width = exact_spread(statistical_width_m(max_range_m, sd_m, antennas))
    factor = ANTENNA_FACTORS[antennas]
    known = "published" if antennas == 3 else "from memory"
    return StripRule(
        name="statistical",
        formula=f"{factor:g} x (max range - 2 sd)",
        width_m=width,
        with_depth_m=_less_depth(width, depth_m),
        year=2009,
        source=STATISTICAL_SOURCE,
        confidence=known,
        note=f"{antennas} antenna{'s' if antennas > 1 else ''}: factor {factor:g}, {known}; devices alike",
    )


def _optimised(max_range_m: float, sd_m: float, realistic_range_m: float | None, depth_m: float) -> StripRule:
    realistic = max_range_m - 2.0 * sd_m if realistic_range_m is None else realistic_range_m
    if realistic_range_m is None and not realistic > 0.0:
        raise InputError("the greatest range less two standard deviations is 0 m: give --realistic-range")
    width = optimised_width_m(realistic)
    basis = "max range - 2 sd, design choice" if realistic_range_m is None else "given"
    return StripRule(
        name="survival-optimised",
        formula="1.2 to 1.4 x realistic max range",
        width_m=width,
        with_depth_m=_less_depth(width, depth_m),
        year=2009,
        source=OPTIMISED_SOURCE,
        confidence="published",
        note=f"realistic range {realistic:g} m ({basis})",
    )


# ---- One device and one burial: ranges, strip rules and the width that is used

SHARES = (0.0, 0.1, 0.5, 0.9, 1.0)
# From memory, not read again: a run on firm debris is 2 to 3 m/s. The upper end is the one that pulses limit.
RUNNING_M_S = 3.0


@dataclass(frozen=True, kw_only=True)
class ReceiveRange:
    """What is known of a device's range."""

    # mean and standard deviation of the greatest range, in line with the axis
    max_range_m: float
    sd_m: float
    antennas: int
    depth_m: float  # burial depth, at right angles to the snow surface
    # tuple of (share, metres); reach on the snow that this share of transmitters, pointing anywhere, do not exceed;
    # ideal dipole, no spread between devices
    reach_m: tuple[tuple[float, float], ...]
    mean_reach_m: float  # mean reach on the snow over all directions, taken at the mean slant range
    rules: tuple[StripRule, ...]
    width_m: float  # strip width that is used
    width_given: bool  # whether it is the user's own; the published default otherwise
    out_of_range: float  # share of transmitters whose reach, spread between devices included, is below half the strip
    pulses: float  # heard by a run that passes half a strip beside a transmitter at its smallest ideal range
    # of that run and of the pulses
    speed_m_s: float
    period_s: float
    fastest_m_s: float  # still hears `LEAST_PULSES` pulses there


def describe_receiver(
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
        See `list_strip_rules`.
    strip_width_m : float, optional
        The user's own strip width, metres on the snow; 40 m without one.
    speed_m_s, period_s : float
        Of the searcher and of the pulses.

    Raises
    ------
    InputError
        If a number cannot be used.
    """
    rules = list_strip_rules(
        max_range_m,
        sd_m,
        antennas=antennas,
        depth_m=depth_m,
        min_range_m=min_range_m,
        realistic_range_m=realistic_range_m,
    )
    width = DEFAULT_STRIP_WIDTH_M if strip_width_m is None else strip_width_m
    check_strip_width_m(width)
    smallest = range_quantile_m(0.0, max_range_m, depth_m)
    heard = smallest > 0.0
    return ReceiveRange(
        max_range_m=max_range_m,
        sd_m=sd_m,
        antennas=antennas,
        depth_m=depth_m,
        reach_m=tuple((share, range_quantile_m(share, max_range_m, depth_m)) for share in SHARES),
        mean_reach_m=reach_on_snow_m(mean_range_factor() * max_range_m, depth_m),
        rules=rules,
        width_m=width,
        width_given=strip_width_m is not None,
        out_of_range=float(range_cdf(0.5 * width, max_range_m, sd_m, depth_m)),
        pulses=pulses_heard(smallest, 0.5 * width, speed_m_s, period_s) if heard else 0.0,
        speed_m_s=speed_m_s,
        period_s=period_s,
        fastest_m_s=fastest_m_s(smallest, 0.5 * width, period_s=period_s) if heard else 0.0,
    )
