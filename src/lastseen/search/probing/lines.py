"""Probe lines: published grids of holes with the POD and the body model they came with, and what they take."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lastseen.errors import InputError


@dataclass(frozen=True)
class ProbeLine:
    """A published way to probe in a line.

    Attributes
    ----------
    name : str
    across_m, along_m : float
        Between holes along the line, and from step to step.
    holes_each : int
        Holes that one person makes in each step.
    depth_m : float or None
        Probing depth that is advised; None is the full probe.
    pod : float or None
        As published; None is no data.
    model : str
        The body model or the trial that the POD comes from.
    people : str
    year : int or None
    source : str
    confidence : str
    """

    name: str
    across_m: float
    along_m: float
    holes_each: int
    depth_m: float | None
    pod: float | None
    model: str
    people: str
    year: int | None
    source: str
    confidence: str


_MANUAL = "20 good, 30 the upper limit, upslope (army manual)"
_AUGER = "Auger & Jamieson 1996, ISSW, Avalanche probing revisited, p. 259, fig. 3"
PROBE_LINES = (
    ProbeLine(
        "coarse, older value", 0.75, 0.70, 1, None, 0.70,
        "not stated; later called far too optimistic (Ballard, Atkins & Ballard, model of body shapes)", _MANUAL,
        1974, "Schild 1963/1974, quoted by Jamieson & Auger", "published",
    ),
    ProbeLine(
        "coarse, one hole a step", 0.75, 0.70, 1, 1.5, 0.76, "person of average size and position, compact level snow",
        _MANUAL, 1996, _AUGER, "published",
    ),
    ProbeLine(
        "three holes a step", 0.60, 0.70, 3, 1.5, 0.95,
        "about 95 %, same model; 30 % faster than one hole a step", _MANUAL, 1996, _AUGER, "published",
    ),
    ProbeLine(
        "slalom", 0.50, 0.50, 3, 1.5, 0.88, "model of the method paper (Genswein et al., ISSW 2014), not seen",
        "6 to 10 in a line, 1.5 m apart; not in rough or soft debris, not with untrained people", 2015,
        "ICAR REC 0011 Probing Strategies, 17 Oct 2015, in revision 2023/24", "published",
    ),
    ProbeLine(
        "second pass, narrow", 0.20, 0.20, 1, None, None, "no data", "no data", None,
        "North American course page (avalanche.org)", "published",
    ),
    ProbeLine(
        "fine", 0.30, 0.30, 1, None, None, "no data", _MANUAL, None, "from memory, not read again", "from memory",
    ),
)  # fmt: skip


@dataclass(frozen=True)
class LinePlan:
    """What one way of probing takes on a rectangle.

    Attributes
    ----------
    line : ProbeLine
    width_m, length_m : float
        Of the ground on the snow: along the line, and in the direction it moves.
    people : int
    holes : int
        In all.
    sweeps : int
        How often the line goes over the ground, side by side.
    steps : int
        Of the whole line, over all sweeps.
    minutes : float or None
        With the seconds for each hole that were given; no data without.
    """

    line: ProbeLine
    width_m: float
    length_m: float
    people: int
    holes: int
    sweeps: int
    steps: int
    minutes: float | None


def holes_per_100_m2(across_m: float, along_m: float) -> float:
    """Holes on 100 square metres.

    Raises
    ------
    InputError
        If a spacing is not above 0.
    """
    if not (across_m > 0.0 and along_m > 0.0):
        raise InputError(f"holes every {across_m:g} by {along_m:g} m: give spacings above 0 m")
    return 100.0 / (across_m * along_m)


def plan_line(
    line: ProbeLine, width_m: float, length_m: float, people: int, seconds_per_hole: float | None = None
) -> LinePlan:
    """Holes, sweeps and time of a probe line on a rectangle.

    Parameters
    ----------
    line : ProbeLine
    width_m, length_m : float
        On the snow, metres.
    people : int
        In the line.
    seconds_per_hole : float, optional
        With the step to the next; nobody has published one, so without it there is no time.

    Raises
    ------
    InputError
        If a number cannot be used.
    """
    if not (0.0 < width_m <= 2000.0 and 0.0 < length_m <= 2000.0):
        raise InputError(f"ground of {width_m:g} x {length_m:g} m: give more than 0 and at most 2000 m each way")
    if people < 1:
        raise InputError(f"{people} people in a probe line: give 1 or more")
    if seconds_per_hole is not None and not 0.0 < seconds_per_hole < math.inf:
        raise InputError(f"{seconds_per_hole:g} seconds for a hole: give more than 0")
    columns, rows = math.ceil(width_m / line.across_m - 1e-9), math.ceil(length_m / line.along_m - 1e-9)
    sweeps = math.ceil(columns / (people * line.holes_each))
    steps = sweeps * rows
    minutes = None if seconds_per_hole is None else steps * line.holes_each * seconds_per_hole / 60.0
    return LinePlan(line, width_m, length_m, people, columns * rows, sweeps, steps, minutes)
