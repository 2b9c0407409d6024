"""Friction laws in closed form, and the ranges from which the members of an ensemble are drawn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from scipy.stats import qmc, triang

from lastseen.core import FloatArray, IntArray, Snow
from lastseen.snow.release import Release, deposit_volume_m3
from lastseen.snow.sliding_mass_kernels import GRAVITY_M_S2

# ---- Closed forms of the friction laws, for checks and for rules of thumb
# Voellmy (1955); Perla, Cheng & McClung (1980, J. Glaciology 26:197, doi 10.3189/S002214300001073X). Angles in
# degrees, lengths along the slope in metres, speeds in m/s, thickness normal to the slope.


def drag_per_m(turbulence_m_s2: float, thickness_m: float) -> float:
    """Voellmy drag g / (xi h) in 1/m; its inverse is the mass-to-drag ratio M/D."""
    return GRAVITY_M_S2 / (turbulence_m_s2 * thickness_m)


def terminal_speed_m_s(turbulence_m_s2: float, friction: float, thickness_m: float, slope_deg: float) -> float:
    """Speed at which drag and friction balance the slope; 0 where friction holds."""
    drive = math.sin(math.radians(slope_deg)) - friction * math.cos(math.radians(slope_deg))
    return math.sqrt(max(turbulence_m_s2 * thickness_m * drive, 0.0))


def speed_from_rest_m_s(
    turbulence_m_s2: float, friction: float, thickness_m: float, slope_deg: float, time_s: float
) -> float:
    """Speed on a uniform slope a time after starting from rest."""
    limit = terminal_speed_m_s(turbulence_m_s2, friction, thickness_m, slope_deg)
    if limit == 0.0:
        return 0.0
    return limit * math.tanh(GRAVITY_M_S2 * limit * time_s / (turbulence_m_s2 * thickness_m))


def stopping_distance_m(
    turbulence_m_s2: float, friction: float, thickness_m: float, slope_deg: float, speed_m_s: float
) -> float:
    """Distance along a uniform slope to rest; ValueError if the slope is not gentler than the friction angle."""
    slope = math.radians(slope_deg)
    hold = GRAVITY_M_S2 * (friction * math.cos(slope) - math.sin(slope))
    if hold <= 0:
        raise ValueError(f"nothing stops on {slope_deg:g} degrees with a friction of {friction:g}")
    length = turbulence_m_s2 * thickness_m
    return length / (2.0 * GRAVITY_M_S2) * math.log(1.0 + GRAVITY_M_S2 * speed_m_s**2 / (length * hold))


def energy_line_runout_m(friction: float, slope_deg: float, length_m: float) -> float:
    """Run-out on flat ground of a body that slid ``length_m`` down a slope with Coulomb friction alone (Heim 1932)."""
    slope = math.radians(slope_deg)
    return length_m * (math.sin(slope) / friction - math.cos(slope))


def travel_angle_deg(friction: float) -> float:
    """Travel angle of a body under Coulomb friction alone."""
    return math.degrees(math.atan(friction))


def segment_chain(
    friction: float, mass_to_drag_m: float, segments: Sequence[tuple[float, float]]
) -> tuple[list[float], float]:
    """Speed at the end of each straight segment reached, and the distance to rest (NaN if it never stops).

    After Perla, Cheng & McClung (1980). Segments are slope (degrees) and length (m); mass to drag M/D is in metres.
    """
    speeds: list[float] = []
    speed, total = 0.0, 0.0
    for index, (slope_deg, length) in enumerate(segments):
        slope = math.radians(slope_deg)
        if index:
            turn = math.radians(segments[index - 1][0] - slope_deg)
            speed *= math.cos(turn) if turn > 0 else 1.0
        push = GRAVITY_M_S2 * (math.sin(slope) - friction * math.cos(slope))
        fade = math.exp(-2.0 * length / mass_to_drag_m)
        square = push * mass_to_drag_m * (1.0 - fade) + speed**2 * fade
        if square <= 0:
            return speeds, total + 0.5 * mass_to_drag_m * math.log(1.0 - speed**2 / (push * mass_to_drag_m))
        speed = math.sqrt(square)
        speeds.append(speed)
        total += length
    return speeds, math.nan


# ---- What is not known about an event is drawn from published ranges: one draw is one member of the ensemble
# A *member* is one event: one friction, one turbulence, one cohesion, one slab thickness, one growth, one extent of
# the release. Literature ranges, not calibrated.

SLAB_FACTOR = (0.7, 1.4)  # design choice: about half a size class in mass to either side
EXTENT = (0.5, 1.5)  # design choice: share of the nominal release area that breaks
# Coulomb friction by destructive size: lowest, most likely, highest. For size 3 the literature range for small events
# (0.22 to 0.40, from memory). Smaller events stop on steeper ground and larger ones run on (EAWS size text); the steps
# between sizes are a design choice.
FRICTION = {1: (0.35, 0.50, 0.65), 2: (0.27, 0.36, 0.48), 3: (0.22, 0.30, 0.40), 4: (0.18, 0.25, 0.35)}
PERSON_SPEED = (0.8, 1.2)  # design choice: a carried person against the flow around


@dataclass(frozen=True, kw_only=True)
class MemberDraws:
    """What each event of the ensemble draws; arrays of shape (members,)."""

    friction: FloatArray
    turbulence_m_s2: FloatArray
    cohesion_pa: FloatArray
    slab_m: FloatArray
    growth: FloatArray
    extent_cells: IntArray
    deposit_m3: FloatArray

    @property
    def count(self) -> int:
        """Number of members."""
        return int(self.friction.size)

    def first(self, count: int, deposit_m3: FloatArray) -> MemberDraws:
        """The first members, with the deposits that they left in the end."""
        drawn = {field.name: getattr(self, field.name)[:count] for field in fields(self)}
        return MemberDraws(**(drawn | {"deposit_m3": deposit_m3}))


def friction_range(snow: Snow) -> tuple[float, float, float]:
    """Lowest, most likely and highest friction: the scenario's, or by size."""
    return snow.friction or FRICTION[snow.size]


def draw_members(release: Release, snow: Snow, rng: np.random.Generator) -> MemberDraws:
    """Latin hypercube over friction, turbulence, slab thickness, growth, extent and cohesion."""
    u = qmc.LatinHypercube(d=6, rng=rng).random(snow.members)
    slab = release.thickness_m * uniform(u[:, 2], *SLAB_FACTOR)
    growth = triangular(u[:, 3], snow.growth)
    cells = np.clip(np.round(release.nominal_cells * uniform(u[:, 4], *EXTENT)), 1, release.cells.size).astype(np.int32)
    released = release.area_m2 * cells / release.nominal_cells * slab
    return MemberDraws(
        friction=triangular(u[:, 0], friction_range(snow)),
        turbulence_m_s2=triangular(u[:, 1], snow.turbulence_m_s2),
        cohesion_pa=triangular(u[:, 5], snow.cohesion_pa),
        slab_m=slab,
        growth=growth,
        extent_cells=cells,
        deposit_m3=np.array([deposit_volume_m3(float(v), float(g)) for v, g in zip(released, growth, strict=True)]),
    )


def uniform(u: FloatArray, low: float, high: float) -> FloatArray:
    """Numbers between 0 and 1 as numbers between two others."""
    return low + u * (high - low)


def triangular(u: FloatArray, low_mode_high: tuple[float, float, float]) -> FloatArray:
    """Numbers between 0 and 1 as draws from a triangular distribution: lowest, most likely, highest."""
    low, mode, high = low_mode_high
    if high == low:
        return np.full_like(u, low)
    drawn: FloatArray = triang.ppf(u, (mode - low) / (high - low), loc=low, scale=high - low)
    return drawn
