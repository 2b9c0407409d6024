"""What a run of the flow is told and what it tells."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from lastseen.errors import InputError
from lastseen.grid import FloatArray
from lastseen.motion.flow.carried import TracerRest


class FlowEnd(Enum):
    """Why a run ended."""

    TIME_OVER = "the time limit was reached"
    CAME_TO_REST = "all snow is at rest"
    SLOW = "next to no snow still moves"
    SPENT = "next to no kinetic energy is left"
    SETTLED = "the deposit no longer changes"


@dataclass(frozen=True)
class FlowSnow:
    """The snow of one event. Literature ranges, not calibrated.

    Attributes
    ----------
    friction : float
        Coulomb mu, 0 or more.
    turbulence_m_s2 : float
        Voellmy's xi, m/s2; infinite for none.
    cohesion_pa : float
        Strength that acts as friction independent of load, Pa.
    density_kg_m3 : float
        One density for release, flow and deposit; it only matters for cohesion. Converting is the caller's.
    growth : float
        Entrained over released volume that is approached, 0 or more.
    layer_m : float or None
        Vertical depth of snow that can be entrained per cell outside the release. None takes the layer that would use
        up the growth over twice the released area (design choice).
    """

    friction: float
    turbulence_m_s2: float = math.inf
    cohesion_pa: float = 0.0
    density_kg_m3: float = 200.0
    growth: float = 0.0
    layer_m: float | None = None

    def __post_init__(self) -> None:
        for name in ("friction", "cohesion_pa", "growth"):
            value = getattr(self, name)
            if not 0.0 <= value < math.inf:
                raise InputError(f"the snow's {name} is {value:g}: give a number of 0 or more")
        if not (self.turbulence_m_s2 > 0.0 and 0.0 < self.density_kg_m3 < math.inf):
            raise InputError("the snow's turbulence and density must be above 0")
        if self.layer_m is not None and not 0.0 <= self.layer_m < math.inf:
            raise InputError(f"the layer that can be entrained is {self.layer_m:g} m: give 0 or more, or nothing")


@dataclass(frozen=True)
class MassBalance:
    """Volumes in m3: released + entrained = on the grid + left."""

    released_m3: float
    entrained_m3: float
    on_grid_m3: float
    left_west_m3: float
    left_east_m3: float
    left_south_m3: float
    left_north_m3: float
    left_no_data_m3: float

    @property
    def left_m3(self) -> float:
        """All that left the ground with data."""
        sides = self.left_west_m3 + self.left_east_m3 + self.left_south_m3 + self.left_north_m3
        return sides + self.left_no_data_m3

    @property
    def error(self) -> float:
        """What is not accounted for, as a share of what moved."""
        total = self.released_m3 + self.entrained_m3
        return abs(total - self.on_grid_m3 - self.left_m3) / total if total > 0.0 else 0.0


@dataclass(frozen=True)
class FlowResult:
    """A run of the flow. Arrays have the shape of the ground, row 0 north.

    Attributes
    ----------
    depth_m : ndarray
        Vertical depth at the end, in the density of the release.
    east_m_s, north_m_s : ndarray
        Horizontal velocity at the end.
    fastest_m_s : ndarray
        Greatest speed along the surface, 0 where nothing moved.
    arrival_s : ndarray
        When more than 0.05 m were there first; NaN for never.
    deepest_m : ndarray
        Greatest vertical depth.
    entrained_m : ndarray
        Vertical depth of snow taken from the ground.
    time_s, steps, cell_updates, last_step_s : float, int, int, float
        Length of the run; one cell update is one cell through one whole step.
    end : FlowEnd
    balance : MassBalance
    tracers : TracerRest or None
    """

    depth_m: FloatArray
    east_m_s: FloatArray
    north_m_s: FloatArray
    fastest_m_s: FloatArray
    arrival_s: FloatArray
    deepest_m: FloatArray
    entrained_m: FloatArray
    time_s: float
    steps: int
    cell_updates: int
    last_step_s: float
    end: FlowEnd
    balance: MassBalance
    tracers: TracerRest | None
