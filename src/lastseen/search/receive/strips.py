"""Three published ways from a range to a strip width, side by side. None is preferred: the user's own width wins."""

from __future__ import annotations

from dataclasses import dataclass

from lastseen.errors import InputError
from lastseen.search.receive.dipole import SMALLEST_FACTOR, checked_range, reach_on_snow_m
from lastseen.search.spread import Spread, exactly

# Three antennas: Schreilechner, Eck & Schober 2009 quote 1.26. Two and one: from memory, not read again.
ANTENNA_FACTORS = {3: 1.26, 2: 1.0, 1: 0.8}
OPTIMISED_FACTORS = (1.2, 1.4)

WORST_CASE_SOURCE = "instruction article 2012 (2 x minimum effective range); Eck, Schober & Schreilechner, ISSW 2008"
STATISTICAL_SOURCE = "Schreilechner, Eck & Schober, ISSW 2009 Davos, after Meier 2000 and Schweizer 2007"
OPTIMISED_SOURCE = "Reiweger, Genswein & Schweizer 2009, Cold Reg. Sci. Technol. 59:259-266 (names from memory)"


@dataclass(frozen=True)
class StripRule:
    """One way to a strip width.

    Attributes
    ----------
    name : str
    formula : str
    width_m : Spread or None
        Metres on the snow, None where the rule needs a number that was not given.
    with_depth_m : Spread or None
        The same with half a strip taken as slant range to the given depth (derived, not part of the rule).
    year : int or None
    source : str
    confidence : str
        As in the reference tables.
    note : str
        What the number rests on.
    """

    name: str
    formula: str
    width_m: Spread | None
    with_depth_m: Spread | None
    year: int | None
    source: str
    confidence: str
    note: str


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
    checked_range(max_range_m, sd_m, 0.0)
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


def strip_rules(
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
    checked_range(max_range_m, sd_m, depth_m)
    return (
        _worst_case(max_range_m, min_range_m, depth_m),
        _statistical(max_range_m, sd_m, antennas, depth_m),
        _optimised(max_range_m, sd_m, realistic_range_m, depth_m),
    )


def _less_depth(width_m: Spread, depth_m: float) -> Spread:
    return Spread(*(2.0 * reach_on_snow_m(0.5 * one, depth_m) for one in width_m.three))


def _worst_case(max_range_m: float, min_range_m: float | None, depth_m: float) -> StripRule:
    name, formula = "worst case", "2 x minimum effective range"
    bound = SMALLEST_FACTOR * max_range_m
    if min_range_m is None:
        note = (
            "measure it with the transmitter upright and the antennas at right angles (--min-range). For an ideal "
            f"dipole and receiver it would be {bound:.1f} m, an upper bound that real sets stay below"
        )
        return StripRule(name, formula, None, None, 2012, WORST_CASE_SOURCE, "published", note)
    if min_range_m > max_range_m:
        raise InputError(
            f"the minimum range of {min_range_m:g} m is above the greatest of {max_range_m:g} m: swap them"
        )
    width = exactly(worst_case_width_m(min_range_m))
    note = f"measured minimum range {min_range_m:g} m"
    if min_range_m > bound:
        note += f", more than the {bound:.1f} m of an ideal dipole: measure again"
    return StripRule(
        name, formula, width, _less_depth(width, depth_m), 2012, WORST_CASE_SOURCE, "published", note
    )  # fmt: skip


def _statistical(max_range_m: float, sd_m: float, antennas: int, depth_m: float) -> StripRule:
    width = exactly(statistical_width_m(max_range_m, sd_m, antennas))
    factor = ANTENNA_FACTORS[antennas]
    known = "published" if antennas == 3 else "from memory"
    note = f"{antennas} antenna{'s' if antennas > 1 else ''}: factor {factor:g}, {known}; devices alike"
    return StripRule(
        "statistical", f"{factor:g} x (max range - 2 sd)", width, _less_depth(width, depth_m), 2009,
        STATISTICAL_SOURCE, known, note,
    )  # fmt: skip


def _optimised(max_range_m: float, sd_m: float, realistic_range_m: float | None, depth_m: float) -> StripRule:
    realistic = max_range_m - 2.0 * sd_m if realistic_range_m is None else realistic_range_m
    if realistic_range_m is None and not realistic > 0.0:
        raise InputError("the greatest range less two standard deviations is 0 m: give --realistic-range")
    width = optimised_width_m(realistic)
    how = "max range - 2 sd, design choice" if realistic_range_m is None else "given"
    return StripRule(
        "survival-optimised", "1.2 to 1.4 x realistic max range", width, _less_depth(width, depth_m), 2009,
        OPTIMISED_SOURCE, "published", f"realistic range {realistic:g} m ({how})",
    )  # fmt: skip
