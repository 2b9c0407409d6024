"""Friction laws in closed form, and the laws from which the members of an ensemble are drawn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from scipy.stats import norm, qmc, triang

from lastseen.core import FloatArray, IntArray, Snow
from lastseen.snow.release import (
    LARGEST_EXTENT,
    LEAST_EXTENT,
    Release,
    deposit_volume_m3,
    read_calibration,
    slab_class,
)
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


# ---- What is not known about an event is drawn: one draw is one member of the ensemble
# A *member* is one event: one friction, one turbulence, one cohesion, one slab, one growth, one extent of the release.
# Slabs spread as reported by size. Friction is tuned to reported lengths by size (`make calibrate`), not to a place.
# Growth by size has not been measured where it could be read; its range is that of the scenario, a design choice.

GIVEN_SLAB_FACTOR = (0.7, 1.4)  # around a thickness that the user gave; design choice
PERSON_SPEED = (0.8, 1.2)  # design choice: a carried person against the flow around
SLIDES = 0.95  # friction over the tangent of the release's slope, at most, of a slab that slid; design choice
# Friction from which slopes are searched for what could reach a place: never above the lower end of what large events
# need (0.16 to 0.22, Buser & Frutiger 1980 and from memory; steps between sizes are a design choice).
OUTER_FRICTION = {1: 0.35, 2: 0.27, 3: 0.22, 4: 0.18}


def friction_by_size(size: int) -> tuple[float, float, float]:
    """Coulomb friction of a destructive size: lowest, most likely, highest, as tuned by ``make calibrate``."""
    low, mode, high = read_calibration()["friction"][str(size)]["law"]
    return low, mode, high


@dataclass(frozen=True, kw_only=True)
class SlabDraws:
    """Slabs of a size, against the slab of median width and thickness; arrays of one shape."""

    thickness_factor: FloatArray
    area_factor: FloatArray


def draw_slabs(size: int, u_volume: FloatArray, u_thickness: FloatArray) -> SlabDraws:
    """Slabs of a size from pairs of numbers between 0 and 1.

    Width and thickness are lognormal as reported. How they hang together within a size is not known from the sums: they
    are independent before the volume is held to the class, half an order of magnitude to either side (design choice).
    So volume is drawn first, then thickness given the volume, and the area is what is left.
    """
    slab = slab_class(size)
    spread = math.hypot(2.0 * slab.width_spread, slab.thickness_spread)
    tie = slab.thickness_spread / spread  # correlation of the logarithms of thickness and volume
    volume = spread * _cut_normal(u_volume, *(math.log(v / slab.volume_m3) / spread for v in slab.volume_range_m3))
    middle, rest = tie * slab.thickness_spread / spread * volume, slab.thickness_spread * math.sqrt(1.0 - tie * tie)
    ends = [(math.log(d / slab.thickness_at_38_m) - middle) / rest for d in slab.thickness_range_m]
    thickness = middle + rest * _cut_normal(u_thickness, *ends)
    area = np.clip(np.exp(volume - thickness), LEAST_EXTENT, LARGEST_EXTENT)
    return SlabDraws(thickness_factor=np.exp(thickness), area_factor=area)


def largest_slab_factor(size: int) -> float:
    """Thickest slab that is drawn, against the median."""
    slab = slab_class(size)
    return slab.thickness_range_m[1] / slab.thickness_at_38_m


def _cut_normal(u: FloatArray, low: float | FloatArray, high: float | FloatArray) -> FloatArray:
    """Draws of a standard normal law that is cut off at both ends."""
    below, above = norm.cdf(low), norm.cdf(high)
    drawn: FloatArray = norm.ppf(below + u * (above - below))
    return drawn


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
    return snow.friction or friction_by_size(snow.size)


def outer_friction(size: int, given: tuple[float, float, float] | None = None) -> tuple[float, float, float]:
    """The law of a size begun at the outer friction: for what could reach a place, which must not be missed.

    What a scenario gives is taken as it is.
    """
    low, mode, high = friction_by_size(size)
    return given or (min(low, OUTER_FRICTION[size]), mode, high)


def friction_basis(snow: Snow) -> str:
    """What the friction of a scenario rests on, in words."""
    if snow.friction is not None:
        return "given by the user"
    row = read_calibration()["friction"][str(snow.size)]
    return f"tuned to reported lengths of size {snow.size} (n = {row['n']}, Tirol 1992-2024), not to this place"


def draw_friction(u: FloatArray, snow: Snow, slope_deg: float) -> FloatArray:
    """Frictions by size of slabs that slid, from numbers between 0 and 1: the law cut off where the slope holds."""
    low, mode, high = friction_range(snow)
    holds = min(high, max(SLIDES * math.tan(math.radians(slope_deg)), low + 0.1 * (high - low)))
    share = triang.cdf(holds, (mode - low) / (high - low), loc=low, scale=high - low)
    return triangular(u * float(share), (low, mode, high))


def draw_members(release: Release, snow: Snow, rng: np.random.Generator) -> MemberDraws:
    """Latin hypercube over friction, turbulence, slab, growth, extent and cohesion."""
    u = qmc.LatinHypercube(d=6, rng=rng).random(snow.members)
    slabs = draw_slabs(snow.size, u[:, 4], u[:, 2])
    given = snow.slab_thickness_m is not None
    slab = release.thickness_m * (uniform(u[:, 2], *GIVEN_SLAB_FACTOR) if given else slabs.thickness_factor)
    growth = triangular(u[:, 3], snow.growth)
    wanted = np.round(release.nominal_cells * slabs.area_factor)
    cells: IntArray = np.clip(wanted, 1, release.cells.size).astype(np.int32)
    released = release.area_m2 * cells / release.nominal_cells * slab
    return MemberDraws(
        friction=triangular(u[:, 0], snow.friction)
        if snow.friction
        else draw_friction(u[:, 0], snow, release.slope_deg),
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
