"""Closed forms that the flow must reproduce. Lengths in metres, times in seconds, angles in degrees.

Sources: Ritter (1892) and Stoker (1957) as set up by Delestre et al. (2013, Int. J. Numer. Meth. Fluids 72:269);
Mangeney, Heinrich & Roche (2000, Pure Appl. Geophys. 157:1081); Mungkasi & Roberts (2011, ANZIAM J. 52:C349; 2012, Pure
Appl. Geophys. 169:1847); Savage & Hutter (1989, J. Fluid Mech. 199:177); Thacker (1981, J. Fluid Mech. 107:499).
"""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq

from lastseen.grid import FloatArray
from lastseen.motion.flow.kernels import GRAVITY_M_S2


def dry_dam_break(
    x: FloatArray, time: float, depth: float, gravity: float = GRAVITY_M_S2, push: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Depth and velocity after a dam at 0 with the reservoir at x < 0.

    ``push`` is the net acceleration by slope and friction (Ritter 1892 without, Mangeney et al. 2000 with one).
    """
    c, moved = math.sqrt(gravity * depth), x - 0.5 * push * time * time
    fan = (2.0 * c - moved / time) / 3.0
    inside = (moved > -c * time) & (moved < 2.0 * c * time)
    h = np.where(inside, fan * fan / gravity, np.where(moved <= -c * time, depth, 0.0))
    u = np.where(inside, 2.0 / 3.0 * (moved / time + c), 0.0) + np.where(h > 0.0, push * time, 0.0)
    return h, u


def middle_depth(depth: float, toe: float, gravity: float = GRAVITY_M_S2) -> float:
    """Depth between the fan and the shock of a dam break onto water of depth ``toe`` (Stoker 1957)."""

    def excess(h: float) -> float:
        jump = (h - toe) * math.sqrt(0.5 * gravity * (1.0 / h + 1.0 / toe))
        return 2.0 * (math.sqrt(gravity * depth) - math.sqrt(gravity * h)) - jump

    return float(brentq(excess, toe, depth, xtol=1e-15, rtol=1e-14))


def wet_dam_break(
    x: FloatArray, time: float, depth: float, toe: float, gravity: float = GRAVITY_M_S2, push: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Depth and velocity after a dam break onto standing water or snow (Stoker 1957; Mungkasi & Roberts 2012)."""
    c, h2 = math.sqrt(gravity * depth), middle_depth(depth, toe, gravity)
    u2 = 2.0 * (c - math.sqrt(gravity * h2))
    shock = h2 * u2 / (h2 - toe)
    moved = (x - 0.5 * push * time * time) / time
    fan = (2.0 * c - moved) / 3.0
    where = [moved <= -c, moved <= u2 - math.sqrt(gravity * h2), moved <= shock]
    h = np.select(where, [np.full_like(x, depth), fan * fan / gravity, np.full_like(x, h2)], toe)
    u = np.select(where, [np.zeros_like(x), 2.0 / 3.0 * (moved + c), np.full_like(x, u2)], 0.0)
    return h, u + push * time


def slope_push(slope_deg: float, friction_deg: float) -> float:
    """Net acceleration along a slope under Coulomb friction."""
    slope = math.radians(slope_deg)
    return GRAVITY_M_S2 * (math.sin(slope) - math.tan(math.radians(friction_deg)) * math.cos(slope))


def cap_stretch(time: float, gravity: float, area: float, half_length: float) -> float:
    """Half length over its start of a parabolic cap that slides and spreads (Savage & Hutter 1989)."""
    pace = time / math.sqrt(half_length**3 / (3.0 * gravity * area))

    def late(p: float) -> float:
        return math.sqrt(p * (p - 1.0)) + math.log(math.sqrt(p - 1.0) + math.sqrt(p)) - pace

    return float(brentq(late, 1.0, 2.0 + pace, xtol=1e-14, rtol=1e-14)) if time > 0.0 else 1.0


def parabolic_cap(
    s: FloatArray, time: float, slope_deg: float, friction_deg: float, half_length: float, depth: float
) -> FloatArray:
    """Depth normal to the slope of a parabolic cap released at rest around s = 0."""
    gravity = GRAVITY_M_S2 * math.cos(math.radians(slope_deg))
    area = 4.0 / 3.0 * depth * half_length
    half = half_length * cap_stretch(time, gravity, area, half_length)
    centre = 0.5 * slope_push(slope_deg, friction_deg) * time * time
    return np.maximum(0.75 * area / half * (1.0 - ((s - centre) / half) ** 2), 0.0)


def spreading_cap(r: FloatArray, time: float, radius: float, depth: float) -> FloatArray:
    """Depth of a round parabolic cap that spreads on flat ground without friction: R^2 = R0^2 + 2 g h0 t^2."""
    square = radius**2 + 2.0 * GRAVITY_M_S2 * depth * time**2
    return np.maximum(depth * radius**2 / square * (1.0 - r * r / square), 0.0)


def bowl(r: FloatArray, depth: float, radius: float) -> FloatArray:
    """Bed of Thacker's paraboloid."""
    return -depth * (1.0 - r * r / radius**2)


def thacker_radial(r: FloatArray, time: float, depth: float, radius: float, shore: float) -> FloatArray:
    """Depth of the axisymmetric wave in a paraboloid (Thacker 1981)."""
    a = (radius**2 - shore**2) / (radius**2 + shore**2)
    turn = 1.0 - a * math.cos(math.sqrt(8.0 * GRAVITY_M_S2 * depth) / radius * time)
    level = math.sqrt(1.0 - a * a) / turn - 1.0 - (r / radius) ** 2 * ((1.0 - a * a) / turn**2 - 1.0)
    return np.maximum(depth * level - bowl(r, depth, radius), 0.0)


def thacker_planar(
    x: FloatArray, y: FloatArray, time: float, depth: float, radius: float, eta: float
) -> tuple[FloatArray, float, float]:
    """Depth, and uniform velocity, of the plane surface that circles in a paraboloid (Thacker 1981)."""
    omega = math.sqrt(2.0 * GRAVITY_M_S2 * depth) / radius
    c, s = math.cos(omega * time), math.sin(omega * time)
    level = eta * depth / radius**2 * (2.0 * x * c + 2.0 * y * s - eta)
    return np.maximum(level - bowl(np.hypot(x, y), depth, radius), 0.0), -eta * omega * s, eta * omega * c


def thacker_parabola(x: FloatArray, time: float, depth: float, radius: float) -> FloatArray:
    """Depth of the plane surface that swings in a parabola, by half a metre to either side (Thacker 1981)."""
    omega = math.sqrt(2.0 * GRAVITY_M_S2 * depth) / radius
    return np.maximum(depth * (1.0 - ((x + 0.5 * math.cos(omega * time)) / radius) ** 2), 0.0)
