"""Digging somebody out: how long the conveyor, how many diggers, where they begin.

The published rules disagree and are kept side by side, each with its year.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from lastseen.core import InputError

FLAT_FACTOR, STEEP_FACTOR = 2.0, 1.0
# The scheme says "flat" and "steep" without angles. Design choice: 0 degrees is flat, 25 degrees and more is steep (the
# angle above which the competing rule shortens too), and the factor falls evenly between them.
FLAT_DEG, STEEP_DEG = 0.0, 25.0
METRES_PER_DIGGER = {"scheme": 0.8, "2023": 1.0}
ROTATION_MIN = 4.0
DEEPEST_M = 20.0

SCHEME_SOURCE = "V-shaped conveyor scheme after Genswein, in a German transceiver manual"
UPDATE_SOURCE = "Genswein & working group, ISSW 2023 Bend (391 timed results)"
DOWNHILL_SOURCE = "North American course pages (avalanche.org and others)"
CLOSE_SOURCE = "Rogora & Perelli Ercolini, ISSW 2023, 'Dig close, dig fast': starting far costs 2.5 min on average"


@dataclass(frozen=True, kw_only=True)
class StartRule:
    """Where one published rule has the digging begin."""

    # (float, float) or None; least and greatest distance below the probe, metres along the snow; None where the rule
    # counts in steps
    downhill_m: tuple[float, float] | None
    words: str
    year: int | None  # none for a page without a date
    source: str


@dataclass(frozen=True, kw_only=True)
class Dig:
    """A dig at one depth and slope with the people that are there."""

    depth_m: float
    slope_deg: float
    diggers: int  # present
    length_m: float  # of the conveyor, along the snow
    needed: dict[str, int]  # diggers by rule: "scheme" (one per 0.8 m), "2023" (one per metre)
    missing: dict[str, int]  # against those present
    starts: tuple[StartRule, ...]
    # who stands where after each turn of about four minutes, front first: everybody moves on clockwise
    order: tuple[tuple[int, ...], ...]
    notes: tuple[str, ...]


def conveyor_factor(slope_deg: float) -> float:
    """Conveyor length over burial depth: 2 on flat debris, 1 on steep, even between 0 and 25 degrees.

    The two ends are published (`SCHEME_SOURCE`), their angles and the way between them are a design choice.

    Raises
    ------
    InputError
        If the slope is not between 0 and 60 degrees.

    Examples
    --------
    >>> conveyor_factor(0.0), conveyor_factor(12.5), conveyor_factor(30.0)
    (2.0, 1.5, 1.0)
    """
    if not 0.0 <= slope_deg <= 60.0:
        raise InputError(f"the slope is {slope_deg:g} degrees: give 0 to 60")
    share = min(1.0, (slope_deg - FLAT_DEG) / (STEEP_DEG - FLAT_DEG))
    return FLAT_FACTOR + share * (STEEP_FACTOR - FLAT_FACTOR)


def conveyor_length_m(depth_m: float, slope_deg: float) -> float:
    """Length of the conveyor, metres along the snow from the probe downhill.

    Raises
    ------
    InputError
        If the depth or the slope cannot be used.
    """
    if not 0.0 < depth_m <= DEEPEST_M:
        raise InputError(f"the burial depth is {depth_m:g} m: give more than 0 and at most {DEEPEST_M:g} m")
    return conveyor_factor(slope_deg) * depth_m


def diggers_needed(length_m: float, metres_each: float) -> int:
    """Diggers for a conveyor: its length over the metres of each, rounded up.

    Examples
    --------
    >>> diggers_needed(3.0, 0.8), diggers_needed(3.0, 1.0)
    (4, 3)
    """
    return max(1, math.ceil(length_m / metres_each - 1e-9))


def start_below_probe_m(missing: int) -> float:
    """Where to begin by the rule of 2023: at the probe, or one metre below it for each digger that is missing."""
    return float(max(0, missing))


def plan_dig(depth_m: float, slope_deg: float, diggers: int) -> Dig:
    """Conveyor, diggers, starting places and turns for one burial.

    Parameters
    ----------
    depth_m : float
        Along the probe, metres.
    slope_deg : float
        Of the debris.
    diggers : int
        Present, from 1.

    Raises
    ------
    InputError
        If a number cannot be used.

    Examples
    --------
    >>> dig = plan_dig(1.5, 0.0, 4)
    >>> dig.length_m, dig.needed
    (3.0, {'scheme': 4, '2023': 3})
    """
    if diggers < 1:
        raise InputError(f"{diggers} diggers: at least one person must dig")
    length = conveyor_length_m(depth_m, slope_deg)
    needed = {rule: diggers_needed(length, each) for rule, each in METRES_PER_DIGGER.items()}
    missing = {rule: max(0, count - diggers) for rule, count in needed.items()}
    starts = (
        _scheme_start(), _update_start(missing["2023"]), _downhill_start(depth_m, slope_deg), _step_start(depth_m),
    )  # fmt: skip
    return Dig(
        depth_m=depth_m,
        slope_deg=slope_deg,
        diggers=diggers,
        length_m=length,
        needed=needed,
        missing=missing,
        starts=starts,
        order=list_turns(min(diggers, needed["scheme"])),
        notes=_notes(diggers, needed, missing, length),
    )


def list_turns(diggers: int) -> tuple[tuple[int, ...], ...]:
    """Who stands where, front first, over one full round: each turn everybody moves one place clockwise.

    Examples
    --------
    >>> list_turns(3)
    ((1, 2, 3), (2, 3, 1), (3, 1, 2))
    """
    people = tuple(range(1, diggers + 1))
    return tuple(people[k:] + people[:k] for k in range(diggers))


def _scheme_start() -> StartRule:
    return StartRule(
        downhill_m=(0.0, 0.0), words="the front follows the probe: begin at it", year=None, source=SCHEME_SOURCE
    )


def _update_start(missing: int) -> StartRule:
    below = start_below_probe_m(missing)
    if missing == 0:
        words = "enough diggers: begin at the probe"
    else:
        words = f"{missing} missing: keep the length and begin {below:g} m below the probe, 1 m for each missing digger"
    return StartRule(downhill_m=(below, below), words=words, year=2023, source=UPDATE_SOURCE)


def _downhill_start(depth_m: float, slope_deg: float) -> StartRule:
    factor = 1.0 if slope_deg > 25.0 else 1.5
    below = factor * depth_m
    words = f"begin about {factor:g} x depth = {round(below, 2):g} m downhill of the probe"
    return StartRule(downhill_m=(below, below), words=words, year=None, source=DOWNHILL_SOURCE)


def _step_start(depth_m: float) -> StartRule:
    words = "one step downhill of the probe" if depth_m < 1.0 else "two steps downhill of the probe"
    return StartRule(downhill_m=None, words=f"begin {words}", year=None, source=DOWNHILL_SOURCE)


def _notes(diggers: int, needed: dict[str, int], missing: dict[str, int], length_m: float) -> tuple[str, ...]:
    notes = [
        f"The first two stand one shovel length apart, the others two; the front follows the probe ({SCHEME_SOURCE}).",
        f"Rotate about every {ROTATION_MIN:g} min, clockwise (same scheme).",
        f"These starting rules contradict each other. {CLOSE_SOURCE}.",
    ]
    if missing["2023"]:
        notes.append(
            f"{missing['2023']} missing by the rule of 2023: keep the {length_m:.1f} m and begin "
            f"{missing['2023']} m below the probe."
        )
    elif missing["scheme"]:
        notes.append("Enough by the rule of 2023 (one per metre), one or more short by the older one (one per 0.8 m).")
    spare = diggers - needed["scheme"]
    if spare > 0:
        word = "person is" if spare == 1 else "people are"
        notes.append(f"{spare} {word} free: take turns, or clear the snow that comes down.")
    return tuple(notes)
