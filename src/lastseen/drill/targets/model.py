"""Hidden targets: where they lie, how deep, which way they point, how hard they are to find."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from lastseen.drill.exercises import Exercise

What = Literal["target", "decoy"]


@dataclass(frozen=True)
class Target:
    """A dummy with a transmitter, or a decoy without one.

    Attributes
    ----------
    name : str
        T1, T2, ... for targets, D1, D2, ... for decoys.
    what : {"target", "decoy"}
    x_m, y_m, z_m : float
        Of the snow above it, map metres.
    depth_m : float
        At right angles to the snow.
    azimuth_deg : float
        Where the transmitter's axis points, from grid north, 0 to 180: both ends are alike.
    dip_deg : float
        Of the axis below the horizontal, 0 (level) to 90 (upright).
    slope_deg : float
        Of the snow there.
    """

    name: str
    what: What
    x_m: float
    y_m: float
    z_m: float
    depth_m: float
    azimuth_deg: float
    dip_deg: float
    slope_deg: float


@dataclass(frozen=True)
class Difficulty:
    """How hard a target is, as numbers.

    Attributes
    ----------
    name : str
    first_signal_s : (float, float, float)
        10th, 50th and 90th percentile of the time to the first signal if the plan is walked at its own pace, from when
        the searchers set out; NaN where it is not heard.
    heard : float
        Share of the simulated searches of the plan that hear it.
    overlap : float
        Share of the ground from which it is heard where another target is heard too.
    neighbour_m : float
        To the nearest other target; infinite where it is alone.
    depth_m : float
    """

    name: str
    first_signal_s: tuple[float, float, float]
    heard: float
    overlap: float
    neighbour_m: float
    depth_m: float


@dataclass(frozen=True)
class Mark:
    """A place from which targets are staked out with a tape."""

    name: str
    x_m: float
    y_m: float
    z_m: float


@dataclass(frozen=True)
class StakeOut:
    """Two straight distances on the snow that give the place of a target.

    Attributes
    ----------
    name : str
    from_a_m, from_b_m : float
        From the marks A and B, straight, in 3-D.
    cut_deg : float
        Angle at which the two tapes meet on the map: near 90 is good, under 30 or over 150 is poor.
    """

    name: str
    from_a_m: float
    from_b_m: float
    cut_deg: float


@dataclass(frozen=True)
class Hidden:
    """All that an instructor hides.

    Attributes
    ----------
    exercise_name : str
    exercise : Exercise
    seed : int
    targets : tuple of Target
        Targets, then decoys, each in the order in which they are hidden.
    difficulty : tuple of Difficulty
        Of the targets.
    marks : (Mark, Mark)
        A and B; seen from A towards B all targets lie on the left.
    stakes : tuple of StakeOut
        In the order of the targets.
    order : tuple of str
        In which they are hidden: a short walk from mark A.
    """

    exercise_name: str
    exercise: Exercise
    seed: int
    targets: tuple[Target, ...]
    difficulty: tuple[Difficulty, ...]
    marks: tuple[Mark, Mark]
    stakes: tuple[StakeOut, ...]
    order: tuple[str, ...]

    @property
    def transmitters(self) -> int:
        """How many must be counted back in."""
        return sum(one.what == "target" for one in self.targets)
