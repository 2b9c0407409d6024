"""Closed forms of the friction laws, for checks and for rules of thumb.

Voellmy (1955); Perla, Cheng & McClung (1980, J. Glaciology 26:197, doi 10.3189/S002214300001073X). Angles in degrees,
lengths along the slope in metres, speeds in m/s, thickness normal to the slope.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from lastseen.motion.kernels import GRAVITY_M_S2


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
    """Distance along a uniform slope, gentler than the friction angle, to rest.

    Raises
    ------
    ValueError
        If the slope is too steep to stop on.
    """
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
    """Speeds at the ends of straight segments, and the distance to rest, after Perla, Cheng & McClung (1980).

    Parameters
    ----------
    friction : float
    mass_to_drag_m : float
        M/D, metres.
    segments : sequence of (slope_deg, length_m)

    Returns
    -------
    list of float, float
        Speed at the end of each segment reached, and the total distance (NaN if it never stops).
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
