"""The clock of a rescue: its phases, how long each takes, and who is alive at each time."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lastseen.core import InputError, Spread, exact_spread
from lastseen.rescue.probing import lay_spiral
from lastseen.rescue.shovelling import METRES_PER_DIGGER, conveyor_length_m, diggers_needed
from lastseen.rescue.survival import SurvivalCurve, survival_bounds_percent

# ---- The phases of a rescue by their trade names, and how long each takes: ranges, with what they rest on
# Names and limits: ICAR Avalanche Rescue Commission, "Use of Terms and Search Phases in an Avalanche Search with
# Transceivers", 11 Oct 2008. Nobody has published times for the single phases that could be read here; what is not
# published is said to be from memory, second-hand or a design choice, and can be set by the user.

APPROACH = "approach"
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


@dataclass(frozen=True, kw_only=True)
class PhaseValues:
    """What is assumed of people; every value can be set."""

    clue_s: Spread = CLUE_S  # from the accident until the transceiver search begins, seconds
    # walking and creeping
    coarse_m_s: Spread = COARSE_M_S
    fine_m_s: Spread = FINE_M_S
    hole_s: Spread = HOLE_S  # seconds for each probe hole with the step to the next


@dataclass(frozen=True, kw_only=True)
class Phase:
    """One phase."""

    name: str  # trade name
    letter: str = ""  # a to E as ICAR letters them; empty for what stands between or after them
    ends: str  # what ends it
    time_s: Spread  # low, typical, high
    basis: str  # what the time rests on
    confidence: str  # "derived", "from memory" or "design choice, no source"


def make_clue_search(values: PhaseValues) -> Phase:
    """A: from the accident to the start of the transceiver search."""
    return Phase(
        name="clue search",
        letter="A",
        ends="the transceiver search starts",
        time_s=values.clue_s,
        basis="to be set by the user",
        confidence="design choice, no source",
    )


def make_approach(time_s: Spread, basis: str) -> Phase:
    """The way to the first step on the debris; ICAR counts it to the clue search."""
    return Phase(
        name=APPROACH,
        ends="first step on the debris",
        time_s=time_s,
        basis=basis,
        confidence="derived",
    )


def make_signal_search(time_s: Spread, basis: str) -> Phase:
    """B: no signal to first signal."""
    return Phase(
        name="signal search", letter="B", ends="first signal", time_s=time_s, basis=basis, confidence="derived"
    )


def make_coarse_search(strip_width_m: float, values: PhaseValues) -> Phase:
    """C: from the first signal, half a strip to a whole strip away, to 3 m."""
    if not strip_width_m > 0.0:
        raise InputError(f"the strip width is {strip_width_m:g} m: give more than 0 m on the snow")
    speed = values.coarse_m_s
    _check_speed(speed)
    way = [max(0.0, share * strip_width_m - FINE_FROM_M) for share in (0.5, 0.75, 1.0)]
    return Phase(
        name="coarse search",
        letter="C",
        ends="signal falls in all directions (about 3 m)",
        time_s=Spread(way[0] / speed.high, way[1] / speed.typical, way[2] / speed.low),
        basis=f"{way[0]:.0f} to {way[2]:.0f} m at {speed.low:g} to {speed.high:g} m/s",
        confidence="from memory",
    )


def make_fine_search(values: PhaseValues) -> Phase:
    """D: from about 3 m to the first use of the probe."""
    speed = values.fine_m_s
    _check_speed(speed)
    return Phase(
        name="fine search",
        letter="D",
        ends="first use of the probe",
        time_s=Spread(FINE_FROM_M / speed.high, FINE_FROM_M / speed.typical, FINE_FROM_M / speed.low),
        basis=f"{FINE_FROM_M:g} m at {speed.low:g} to {speed.high:g} m/s",
        confidence="from memory",
    )


def make_pinpointing(values: PhaseValues) -> Phase:
    """E: spiral probing until the first hit."""
    holes = [1 if radius == 0.0 else lay_spiral(radius).holes for radius in HIT_RADII_M]
    seconds = values.hole_s.three
    return Phase(
        name="pinpointing",
        letter="E",
        ends="first hit",
        time_s=Spread(holes[0] * seconds[0], holes[1] * seconds[1], holes[2] * seconds[2]),
        basis=f"{holes[0]} to {holes[2]} holes at {seconds[0]:g} to {seconds[2]:g} s",
        confidence="design choice, no source",
    )


def make_shovelling(depth_m: float, slope_deg: float, diggers: int) -> Phase:
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
    basis = f"{depth_m:g} m deep, second-hand times"
    if missing:
        basis += f"; {diggers} of {diggers + missing} diggers: longer, no data by how much"
    return Phase(
        name="shovelling",
        ends="head and chest free",
        time_s=SHOVEL_MIN_AT_1_M.times(depth_m**2).times(60.0),
        basis=basis,
        confidence="design choice, no source",
    )


def missing_diggers(depth_m: float, slope_deg: float, diggers: int) -> int:
    """How many are missing by the rule of 2023, one for each metre of conveyor."""
    return max(0, diggers_needed(conveyor_length_m(depth_m, slope_deg), METRES_PER_DIGGER["2023"]) - diggers)


def _check_speed(speed: Spread) -> None:
    if not (speed.low > 0.0 and math.isfinite(speed.high)):
        raise InputError(f"a speed of {speed.low:g} m/s: give speeds above 0")


def time_each_found_s(strip_width_m: float, values: PhaseValues | None = None) -> float:
    """Typical time from a first signal to the hit: how long each found person holds one searcher up."""
    given = values or PhaseValues()
    phases = make_coarse_search(strip_width_m, given), make_fine_search(given), make_pinpointing(given)
    return sum(phase.time_s.typical for phase in phases)


# ---- The clock: what a whole rescue takes phase by phase, and who is alive at the end of it


@dataclass(frozen=True, kw_only=True)
class RescueClock:
    """A rescue from the accident to head and chest free."""

    phases: tuple[Phase, ...]  # in order
    curve: SurvivalCurve
    notes: tuple[str, ...]

    @property
    def ends_s(self) -> tuple[Spread, ...]:
        """End of each phase since the accident: all low together, all high together (an outer bracket)."""
        ends, now = [], exact_spread(0.0)
        for phase in self.phases:
            now = now + phase.time_s
            ends.append(now)
        return tuple(ends)

    @property
    def total_s(self) -> Spread:
        """Accident to head and chest free."""
        return self.ends_s[-1]

    @property
    def on_debris_s(self) -> Spread:
        """First step on the debris to head and chest free."""
        return self._sum_from(self._signal_search)

    @property
    def after_signal_s(self) -> Spread:
        """First signal to head and chest free."""
        return self._sum_from(self._signal_search + 1)

    @property
    def _signal_search(self) -> int:
        return [phase.letter for phase in self.phases].index("B")

    def _sum_from(self, at: int) -> Spread:
        total = exact_spread(0.0)
        for phase in self.phases[at:]:
            total = total + phase.time_s
        return total

    @property
    def survival_percent(self) -> tuple[tuple[float, float], ...]:
        """Least and greatest published survival at the low, typical and high end."""
        return tuple(survival_bounds_percent(self.curve, time / 60.0) for time in self.total_s.three)


def time_rescue(
    *,
    approach_s: Spread,
    approach_basis: str,
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
        Way to the first step on the debris, and from there to the first signal, seconds.
    approach_basis, signal_basis : str
        What they rest on.
    depth_m : float
        Burial depth.
    slope_deg : float
        Of the debris where the person lies.
    diggers : int
        Present at the hit.

    Raises
    ------
    InputError
        If a value cannot be used.
    """
    given = values or PhaseValues()
    phases = (
        make_clue_search(given),
        make_approach(approach_s, approach_basis),
        make_signal_search(signal_s, signal_basis),
        make_coarse_search(strip_width_m, given),
        make_fine_search(given),
        make_pinpointing(given),
        make_shovelling(depth_m, slope_deg, diggers),
    )
    notes = [
        "Low adds all low times, high all high ones: an outer bracket, not a percentile.",
        "Survival is an average over many burials, no forecast for one person.",
    ]
    missing = missing_diggers(depth_m, slope_deg, diggers)
    if missing:
        notes.append(f"{missing} fewer diggers than needed (2023): shovelling takes longer, no data by how much.")
    return RescueClock(phases=phases, curve=curve, notes=tuple(notes))
