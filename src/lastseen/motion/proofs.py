"""Test slopes for the body model: the same kernel that plans use, on ground with a known answer.

``lastseen check`` and the tests run these against published closed forms. Angles in degrees, lengths in metres.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from pyproj import CRS

from lastseen.grid import FloatArray, Grid
from lastseen.motion.bodies import Bodies, Tracks, slide
from lastseen.motion.kernels import GRAVITY_M_S2

_CRS = CRS.from_epsg(32632)
STEEPEST_START_DEG = 70.0  # a height field cannot stand upright


def proof_ground(height: Callable[[FloatArray], FloatArray], length_m: float, cell_m: float = 1.0) -> Grid:
    """A strip of ground 40 cells wide whose height depends on x alone."""
    x = np.asarray((np.arange(round(length_m / cell_m)) + 0.5) * cell_m, np.float64)
    return Grid(np.tile(height(x), (40, 1)), 0.0, 40.0 * cell_m, cell_m, _CRS)


def one_body(
    ground: Grid,
    x_m: float,
    east_m_s: float,
    north_m_s: float,
    friction: float,
    drag_per_m: float,
    *,
    disc_m: float = -1e9,
    time_limit_s: float = 600.0,
    centripetal_load: bool = True,
) -> Tracks:
    """Let one body start in the middle of the strip; the disc of 0.6 m radius asked about lies at ``disc_m``."""
    y = ground.north_m - 0.5 * ground.shape[0] * ground.cell_m
    values = (x_m, y, east_m_s, north_m_s, friction, drag_per_m)
    return slide(
        ground,
        Bodies(*(np.array([float(one)]) for one in values)),
        (disc_m, y, 0.6),
        largest_step_s=0.005,
        largest_step_cells=0.1,
        time_limit_s=time_limit_s,
        centripetal_load=centripetal_load,
    )


def runout_on_flat_m(friction: float, slope_deg: float, length_m: float) -> float:
    """How far a Coulomb body without centripetal load runs over flat ground after a straight slope."""
    drop, foot = math.tan(math.radians(slope_deg)), 100.0 + length_m * math.cos(math.radians(slope_deg))
    ground = proof_ground(lambda x: np.maximum(foot - x, 0.0) * drop, foot + 3.0 * length_m)
    return float(one_body(ground, 100.0, 0.0, 0.0, friction, 0.0, centripetal_load=False).x_m[0]) - foot


def speed_on_arc_m_s(
    radius_m: float, friction: float, from_deg: float, to_deg: float, start_m_s: float, *, centripetal_load: bool = True
) -> float:
    """Speed of a body on a circular arc where its slope has eased from one angle to another.

    An arc that begins steeper than 70 degrees is entered there with the speed of the closed form, since a height field
    cannot stand upright.
    """
    begin = min(from_deg, STEEPEST_START_DEG)
    speed = arc_speed_closed_m_s(radius_m, friction, from_deg, begin, start_m_s, centripetal_load=centripetal_load)
    bottom = radius_m + 20.0
    reach = 0.999 * radius_m
    ground = proof_ground(
        lambda x: radius_m - np.sqrt(radius_m**2 - np.clip(x - bottom, -reach, reach) ** 2), 2.0 * bottom, 0.5
    )
    x0, x1 = (bottom - radius_m * math.sin(math.radians(one)) for one in (begin, to_deg))
    east = speed * math.cos(math.radians(begin))
    tracks = one_body(
        ground, x0, east, 0.0, friction, 0.0, disc_m=x1 + 0.6, centripetal_load=centripetal_load
    )  # the edge of the disc is where the slope has eased
    return float(tracks.disc_east_m_s[0]) / math.cos(math.radians(to_deg))


def arc_speed_closed_m_s(
    radius_m: float, friction: float, from_deg: float, to_deg: float, start_m_s: float, *, centripetal_load: bool = True
) -> float:
    """Closed form of the same, from d(v^2)/d(slope) = -2 R (g sin - mu (g cos + v^2 / R)), integrated in fine steps."""
    steps = 20_000
    h = math.radians(from_deg - to_deg) / steps
    square, load = start_m_s**2, 2.0 * friction if centripetal_load else 0.0

    def change(slope: float, value: float) -> float:
        return 2.0 * radius_m * GRAVITY_M_S2 * (math.sin(slope) - friction * math.cos(slope)) - load * value

    slope = math.radians(from_deg)
    for _ in range(steps):
        k1 = change(slope, square)
        k2 = change(slope - 0.5 * h, square + 0.5 * h * k1)
        square += h * k2
        slope -= h
    return math.sqrt(max(square, 0.0))


def cruising_speed_m_s(turbulence_m_s2: float, friction: float, thickness_m: float, slope_deg: float) -> float:
    """Speed that a Voellmy body reaches on a long straight slope."""
    drop = math.tan(math.radians(slope_deg))
    long = 12.0 * turbulence_m_s2 * thickness_m / GRAVITY_M_S2
    ground = proof_ground(lambda x: (long + 50.0 - x) * drop, long + 50.0)
    drag = GRAVITY_M_S2 / (turbulence_m_s2 * thickness_m)
    return float(one_body(ground, 10.0, 0.0, 0.0, friction, drag).fastest_m_s[0])


def braking_distance_m(
    turbulence_m_s2: float, friction: float, thickness_m: float, slope_deg: float, speed_m_s: float
) -> float:
    """Way along the slope of a Voellmy body that brakes on a gentle straight slope."""
    drop = math.tan(math.radians(slope_deg))
    ground = proof_ground(lambda x: -x * drop, 400.0)
    east = speed_m_s * math.cos(math.radians(slope_deg))
    drag = GRAVITY_M_S2 / (turbulence_m_s2 * thickness_m)
    tracks = one_body(ground, 20.0, east, 0.0, friction, drag)
    return (float(tracks.x_m[0]) - 20.0) / math.cos(math.radians(slope_deg))


def cross_slope_place_m(friction: float, slope_deg: float, cross_m_s: float, time_s: float) -> tuple[float, float]:
    """Way down the slope (on the map) and across it of a body pushed sideways on a plane."""
    drop = math.tan(math.radians(slope_deg))
    wide = Grid(np.tile(-drop * (np.arange(300) + 0.5), (200, 1)), 0.0, 200.0, 1.0, _CRS)
    tracks = one_body(wide, 50.0, 0.0, cross_m_s, friction, 0.0, time_limit_s=time_s)
    return float(tracks.x_m[0]) - 50.0, float(tracks.y_m[0]) - 100.0


def speed_after_segment_m_s(friction: float, mass_to_drag_m: float, slope_deg: float, length_m: float) -> float:
    """Speed from rest at the end of a straight segment, with drag given as mass to drag."""
    drop = math.tan(math.radians(slope_deg))
    ground = proof_ground(lambda x: -x * drop, 100.0 + length_m)
    x1 = 20.0 + length_m * math.cos(math.radians(slope_deg))
    tracks = one_body(ground, 20.0, 0.0, 0.0, friction, 1.0 / mass_to_drag_m, disc_m=x1 + 0.6)
    return float(tracks.disc_east_m_s[0]) / math.cos(math.radians(slope_deg))
