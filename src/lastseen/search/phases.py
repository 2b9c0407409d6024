"""The phases of a rescue by their trade names, and how long each takes: ranges, with what they rest on.

Names and limits: ICAR Avalanche Rescue Commission, "Use of Terms and Search Phases in an Avalanche Search with
Transceivers", 11 Oct 2008. Nobody has published times for the single phases that could be read here; what is not
published is said to be from memory, second-hand or a design choice, and can be set by the user.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from lastseen.errors import InputError
from lastseen.search.probing import spiral_holes
from lastseen.search.shovelling import METRES_PER_DIGGER, conveyor_length_m, diggers_needed
from lastseen.search.spread import Spread

PHASES_SOURCE = "ICAR Avalanche Rescue Commission 2008, Use of Terms and Search Phases"
# At 3 m on the display the fine search begins (Tyrol ski-touring handbook and other instructions).
FINE_FROM_M = 3.0
# Radius of the spiral at the hit: at once, half a metre, one metre. Design choice, no source.
HIT_RADII_M = (0.0, 0.5, 1.0)
# Minutes for 1 m, second-hand and rough: about 11 with a probe left in place, "often more than 15", about 25 without
# one. Time grows with the square of the depth, which also meets the second-hand "more than an
# hour" for 2 m; the cases of 2.2 m in 90 min and 4 m in 180 min (Jarry) lie inside the range. Design choice.
SHOVEL_MIN_AT_1_M = Spread(11.0, 15.0, 25.0)
CLUE_S = Spread(60.0, 120.0, 300.0)  # design choice, no source
COARSE_M_S = Spread(1.0, 1.25, 1.5)  # walking on rough debris, from memory
FINE_M_S = Spread(0.05, 0.075, 0.1)  # creeping at the surface, from memory
HOLE_S = Spread(3.0, 5.0, 10.0)  # design choice: nobody has published one


@dataclass(frozen=True)
class PhaseValues:
    """What is assumed of people; every value can be set.

    Attributes
    ----------
    clue_s : Spread
        From the accident until the transceiver search begins, seconds.
    coarse_m_s, fine_m_s : Spread
        Walking and creeping.
    hole_s : Spread
        Seconds for each probe hole with the step to the next.
    """

    clue_s: Spread = CLUE_S
    coarse_m_s: Spread = COARSE_M_S
    fine_m_s: Spread = FINE_M_S
    hole_s: Spread = HOLE_S


@dataclass(frozen=True)
class Phase:
    """One phase.

    Attributes
    ----------
    name : str
        Trade name.
    letter : str
        A to E as ICAR letters them; empty for what stands between or after them.
    ends : str
        What ends it.
    time_s : Spread
        Low, typical, high.
    basis : str
        What the time rests on.
    confidence : str
        "derived", "from memory" or "design choice, no source".
    """

    name: str
    letter: str
    ends: str
    time_s: Spread
    basis: str
    confidence: str


def clue_search(values: PhaseValues) -> Phase:
    """A: from the accident to the start of the transceiver search."""
    basis, known = "to be set by the user", "design choice, no source"
    return Phase("clue search", "A", "the transceiver search starts", values.clue_s, basis, known)


def approach(time_s: Spread) -> Phase:
    """The way to the first lane; ICAR counts it to the clue search."""
    return Phase("approach", "", "first lane reached", time_s, "walking time, times 0.6 to 1.2", "derived")


def signal_search(time_s: Spread, basis: str) -> Phase:
    """B: no signal to first signal."""
    return Phase("signal search", "B", "first signal", time_s, basis, "derived")


def coarse_search(strip_width_m: float, values: PhaseValues) -> Phase:
    """C: from the first signal, half a strip to a whole strip away, to 3 m."""
    if not strip_width_m > 0.0:
        raise InputError(f"the strip width is {strip_width_m:g} m: give more than 0 m on the snow")
    speed = values.coarse_m_s
    _moving(speed)
    way = [max(0.0, share * strip_width_m - FINE_FROM_M) for share in (0.5, 0.75, 1.0)]
    time = Spread(way[0] / speed.high, way[1] / speed.typical, way[2] / speed.low)
    basis = f"{way[0]:.0f} to {way[2]:.0f} m at {speed.low:g} to {speed.high:g} m/s"
    return Phase("coarse search", "C", "signal falls in all directions (about 3 m)", time, basis, "from memory")


def fine_search(values: PhaseValues) -> Phase:
    """D: from about 3 m to the first use of the probe."""
    speed = values.fine_m_s
    _moving(speed)
    time = Spread(FINE_FROM_M / speed.high, FINE_FROM_M / speed.typical, FINE_FROM_M / speed.low)
    basis = f"{FINE_FROM_M:g} m at {speed.low:g} to {speed.high:g} m/s"
    return Phase("fine search", "D", "first use of the probe", time, basis, "from memory")


def pinpointing(values: PhaseValues) -> Phase:
    """E: spiral probing until the first hit."""
    holes = [1 if radius == 0.0 else spiral_holes(radius).holes for radius in HIT_RADII_M]
    seconds = values.hole_s.three
    time = Spread(*(n * one for n, one in zip(holes, seconds, strict=True)))
    basis = f"{holes[0]} to {holes[2]} holes at {seconds[0]:g} to {seconds[2]:g} s"
    return Phase("pinpointing", "E", "first hit", time, basis, "design choice, no source")


def shovelling(depth_m: float, slope_deg: float, diggers: int) -> Phase:
    """From the hit to head and chest free, by depth: ``11, 15, 25 min x (depth / 1 m)^2``.

    A design choice around rough second-hand times. What missing diggers cost was not published: it is said, and not
    reckoned in.

    Raises
    ------
    InputError
        If depth, slope or diggers cannot be used.
    """
    if diggers < 1:
        raise InputError(f"{diggers} diggers: at least one person must dig")
    missing = missing_diggers(depth_m, slope_deg, diggers)
    time = shovelling_time_min(depth_m).times(60.0)
    basis = f"{depth_m:g} m deep, second-hand times"
    if missing:
        basis += f"; {diggers} of {diggers + missing} diggers: longer, no data by how much"
    return Phase("shovelling", "", "head and chest free", time, basis, "design choice, no source")


def missing_diggers(depth_m: float, slope_deg: float, diggers: int) -> int:
    """How many are missing by the rule of 2023, one for each metre of conveyor."""
    return max(0, diggers_needed(conveyor_length_m(depth_m, slope_deg), METRES_PER_DIGGER["2023"]) - diggers)


def shovelling_time_min(depth_m: float) -> Spread:
    """Minutes for a depth with enough diggers: ``11, 15, 25 min x (depth / 1 m)^2`` (`SHOVEL_MIN_AT_1_M`)."""
    return SHOVEL_MIN_AT_1_M.times(depth_m**2)


def _moving(speed: Spread) -> None:
    if not (speed.low > 0.0 and math.isfinite(speed.high)):
        raise InputError(f"a speed of {speed.low:g} m/s: give speeds above 0")
