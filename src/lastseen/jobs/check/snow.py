"""Set-ups with known answers for sliding mass and flow, run by the same kernels that plans use."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from pyproj import CRS
from scipy.optimize import brentq

from lastseen.core import BoolArray, FloatArray, Grid, Override, apply_overrides, read_scenario, shared_folder
from lastseen.jobs.plan import make_plan
from lastseen.snow import GRAVITY_M_S2, FlowResult, FlowSnow, Samples, SampleTracks, simulate_flow, slide_samples

# Sample model: ``lastseen check`` and the tests run these against published closed forms. Angles in degrees, lengths in
# metres.
_CRS = CRS.from_epsg(32632)
STEEPEST_START_DEG = 70.0  # a height field cannot stand upright


def strip_ground(height: Callable[[FloatArray], FloatArray], length_m: float, cell_m: float = 1.0) -> Grid:
    """A strip of ground 40 cells wide whose height depends on x alone."""
    x = np.asarray((np.arange(round(length_m / cell_m)) + 0.5) * cell_m, np.float64)
    return Grid(np.tile(height(x), (40, 1)), 0.0, 40.0 * cell_m, cell_m, _CRS)


def slide_one(
    ground: Grid,
    x_m: float,
    *,
    friction: float,
    drag_per_m: float = 0.0,
    east_m_s: float = 0.0,
    north_m_s: float = 0.0,
    disc_m: float = -1e9,
    time_limit_s: float = 600.0,
    centripetal_load: bool = True,
) -> SampleTracks:
    """Let one sample start in the middle of the strip; the disc of 0.6 m radius asked about lies at ``disc_m``."""
    y = ground.north_m - 0.5 * ground.shape[0] * ground.cell_m
    values = {
        "x_m": x_m, "y_m": y, "east_m_s": east_m_s, "north_m_s": north_m_s, "friction": friction,
        "drag_per_m": drag_per_m,
    }  # fmt: skip
    return slide_samples(
        ground,
        Samples(**{name: np.array([float(value)]) for name, value in values.items()}),
        (disc_m, y, 0.6),
        largest_step_s=0.005,
        largest_step_cells=0.1,
        time_limit_s=time_limit_s,
        centripetal_load=centripetal_load,
    )


def runout_on_flat_m(friction: float, slope_deg: float, length_m: float) -> float:
    """How far a Coulomb sample without centripetal load runs over flat ground after a straight slope."""
    drop, foot = math.tan(math.radians(slope_deg)), 100.0 + length_m * math.cos(math.radians(slope_deg))
    ground = strip_ground(lambda x: np.maximum(foot - x, 0.0) * drop, foot + 3.0 * length_m)
    return float(slide_one(ground, 100.0, friction=friction, centripetal_load=False).x_m[0]) - foot


def speed_on_arc_m_s(
    radius_m: float, friction: float, from_deg: float, to_deg: float, start_m_s: float, *, centripetal_load: bool = True
) -> float:
    """Speed of a sample on a circular arc where its slope has eased from one angle to another.

    An arc that begins steeper than 70 degrees is entered there with the speed of the closed form, since a height field
    cannot stand upright.
    """
    begin = min(from_deg, STEEPEST_START_DEG)
    speed = arc_speed_closed_m_s(radius_m, friction, from_deg, begin, start_m_s, centripetal_load=centripetal_load)
    bottom, reach = radius_m + 20.0, 0.999 * radius_m
    ground = strip_ground(
        lambda x: radius_m - np.sqrt(radius_m**2 - np.clip(x - bottom, -reach, reach) ** 2), 2.0 * bottom, 0.5
    )
    x0, x1 = (bottom - radius_m * math.sin(math.radians(angle)) for angle in (begin, to_deg))
    east = speed * math.cos(math.radians(begin))
    tracks = slide_one(
        ground, x0, east_m_s=east, friction=friction, disc_m=x1 + 0.6, centripetal_load=centripetal_load
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
    """Speed that a Voellmy sample reaches on a long straight slope."""
    drop = math.tan(math.radians(slope_deg))
    long = 12.0 * turbulence_m_s2 * thickness_m / GRAVITY_M_S2
    ground = strip_ground(lambda x: (long + 50.0 - x) * drop, long + 50.0)
    drag = GRAVITY_M_S2 / (turbulence_m_s2 * thickness_m)
    return float(slide_one(ground, 10.0, friction=friction, drag_per_m=drag).fastest_m_s[0])


def braking_distance_m(
    turbulence_m_s2: float, friction: float, thickness_m: float, slope_deg: float, speed_m_s: float
) -> float:
    """Way along the slope of a Voellmy sample that brakes on a gentle straight slope."""
    drop = math.tan(math.radians(slope_deg))
    ground = strip_ground(lambda x: -x * drop, 400.0)
    east = speed_m_s * math.cos(math.radians(slope_deg))
    drag = GRAVITY_M_S2 / (turbulence_m_s2 * thickness_m)
    tracks = slide_one(ground, 20.0, east_m_s=east, friction=friction, drag_per_m=drag)
    return (float(tracks.x_m[0]) - 20.0) / math.cos(math.radians(slope_deg))


def cross_slope_place_m(friction: float, slope_deg: float, cross_m_s: float, time_s: float) -> tuple[float, float]:
    """Way down the slope (on the map) and across it of a sample pushed sideways on a plane."""
    drop = math.tan(math.radians(slope_deg))
    wide = Grid(np.tile(-drop * (np.arange(300) + 0.5), (200, 1)), 0.0, 200.0, 1.0, _CRS)
    tracks = slide_one(wide, 50.0, north_m_s=cross_m_s, friction=friction, time_limit_s=time_s)
    return float(tracks.x_m[0]) - 50.0, float(tracks.y_m[0]) - 100.0


def speed_after_segment_m_s(friction: float, mass_to_drag_m: float, slope_deg: float, length_m: float) -> float:
    """Speed from rest at the end of a straight segment, with drag given as mass to drag."""
    drop = math.tan(math.radians(slope_deg))
    ground = strip_ground(lambda x: -x * drop, 100.0 + length_m)
    x1 = 20.0 + length_m * math.cos(math.radians(slope_deg))
    tracks = slide_one(ground, 20.0, friction=friction, drag_per_m=1.0 / mass_to_drag_m, disc_m=x1 + 0.6)
    return float(tracks.disc_east_m_s[0]) / math.cos(math.radians(slope_deg))


# Closed forms that the flow must reproduce. Lengths in metres, times in seconds, angles in degrees.
# Sources: Ritter (1892) and Stoker (1957) as set up by Delestre et al. (2013, Int. J. Numer. Meth. Fluids 72:269);
# Mangeney, Heinrich & Roche (2000, Pure Appl. Geophys. 157:1081); Mungkasi & Roberts (2011, ANZIAM J. 52:C349; 2012,
# Pure Appl. Geophys. 169:1847); Savage & Hutter (1989, J. Fluid Mech. 199:177); Thacker (1981, J. Fluid Mech.
# 107:499).


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
    s: FloatArray, time: float, *, slope_deg: float, friction_deg: float, half_length: float, depth: float
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
    x: FloatArray, y: FloatArray, time: float, *, depth: float, radius: float, eta: float
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


# Set-ups for the flow, run by the same kernel as plans.
# Errors are in per cent of the exact depths (sum of absolute differences, L1) on a strip in the middle of the ground.
# Lengths in metres, times in seconds, angles in degrees.

STRIP_ROWS = 8
WET_M = 0.05  # less is not compared
LAKE_M = 0.0371


def _strip(x: FloatArray, z: FloatArray) -> Grid:
    """Ground of eight rows whose height depends on x alone; x are cell centres."""
    cell = float(x[1] - x[0])
    return Grid(np.tile(z, (STRIP_ROWS, 1)), float(x[0]) - 0.5 * cell, STRIP_ROWS * cell, cell, _CRS)


def _run(
    ground: Grid,
    depth: FloatArray,
    snow: FlowSnow,
    time_s: float,
    *,
    plain: bool = False,
    start_m_s: tuple[FloatArray, FloatArray] | None = None,
) -> FlowResult:
    """A run of a set time; a depth per column stands for all rows."""
    depths = np.tile(depth, (STRIP_ROWS, 1)) if depth.ndim == 1 else depth
    never_still: dict[str, Any] = {"moving_share": 0.0, "film_share": 1e-5}
    return simulate_flow(ground, depths, snow, time_limit_s=time_s, plain=plain, start_m_s=start_m_s, **never_still)


def _centres(first: float, last: float, cells: int) -> FloatArray:
    return first + (np.arange(cells) + 0.5) * (last - first) / cells


def _off(got: FloatArray, expected: FloatArray) -> float:
    """L1 difference in per cent."""
    return float(100.0 * np.abs(got - expected).sum() / np.abs(expected).sum())


def _middle(result: FlowResult) -> tuple[FloatArray, FloatArray]:
    """Depth and eastward velocity along the middle of a strip."""
    return result.depth_m[STRIP_ROWS // 2], result.east_m_s[STRIP_ROWS // 2]


def _break_dam(cells: int, toe_m: float) -> tuple[FloatArray, FloatArray]:
    x = _centres(-5.0, 5.0, cells)
    start = np.where(x < 0.0, 0.005, toe_m)
    return x, _middle(_run(_strip(x, 0.0 * x), start, FlowSnow(friction=0.0), 6.0, plain=True))[0]


def dam_break_error_percent(cells: int, toe_m: float = 0.0) -> float:
    """Dam break of 5 mm on a flat bed 10 m long after 6 s, dry (Ritter) or wet (Stoker)."""
    x, h = _break_dam(cells, toe_m)
    found = wet_dam_break(x, 6.0, 0.005, toe_m) if toe_m > 0.0 else dry_dam_break(x, 6.0, 0.005)
    return _off(h, found[0])


def dam_site_depth_m(cells: int) -> float:
    """Depth at the dam after the dry dam break: 4/9 of the start."""
    _, h = _break_dam(cells, 0.0)
    return float(0.5 * (h[cells // 2 - 1] + h[cells // 2]))


def plain_incline(cells: int, time_s: float, toe_m: float, what: str) -> float:
    """Coulomb dam break on z = x / 10 with tan(delta) = 0.05 in the plain frame (Mungkasi & Roberts 2011, 2012).

    ``what`` is the error of the stage, the momentum or the velocity in per cent, or the depth of the plateau.
    """
    x = _centres(-150.0, 150.0, cells)
    bed = 0.1 * x
    # The plain frame knows no slope, so the cos2 of their friction stands in its coefficient.
    snow = FlowSnow(friction=0.05 / 1.01)
    h, u = _middle(_run(_strip(x, bed), np.where(x > 0.0, 20.0, toe_m), snow, time_s, plain=True))
    gain = -9.81 * 0.1 + 9.81 * 0.05 / 1.01
    if toe_m > 0.0:
        eh, eu = wet_dam_break(-x, time_s, 20.0, toe_m, push=-gain)
    else:
        eh, eu = dry_dam_break(-x, time_s, 20.0, push=-gain)
    inner = (x > -100.0) & (x < 100.0)
    h, u, eh, eu, bed = h[inner], u[inner], eh[inner], -eu[inner], bed[inner]
    if what == "plateau":
        return float(np.interp(-0.5 * 0.5 * 13.2 * time_s + 0.5 * gain * time_s**2, x[inner], h))
    if what == "stage":
        return _off(h + bed, eh + bed)
    if what == "momentum":
        return _off(h * u, eh * eu)
    return _off(np.where(eh > 0.0, u, 0.0), eu)


def incline_error_percent(
    slope_deg: float, friction_deg: float, depth_m: float, time_s: float, azimuth_deg: float, cells: int
) -> float:
    """Coulomb dam break on a slope in map coordinates (Mangeney et al. 2000), on ground turned by an azimuth.

    ``cells`` lie between the tail of the fan and its front, measured on the map. Where the slope is askew to the map
    the ground is so wide that its edges are not felt in the middle.
    """
    tilt, turn = math.radians(slope_deg), math.radians(azimuth_deg)
    gravity, push = GRAVITY_M_S2 * math.cos(tilt), slope_push(slope_deg, friction_deg)
    wave, moved = math.sqrt(gravity * depth_m) * time_s, 0.5 * push * time_s**2
    cell = 3.0 * wave * math.cos(tilt) / cells
    first, last = (-2.3 * wave) * math.cos(tilt), (2.2 * wave + moved) * math.cos(tilt)
    side = 0.0 if azimuth_deg == 0.0 else 0.8 * wave
    corners = [
        (a * math.cos(turn) - b * math.sin(turn), a * math.sin(turn) + b * math.cos(turn))
        for a in (first, last)
        for b in (-side, side)
    ]
    xs, ys = zip(*corners, strict=True)
    nx = math.ceil((max(xs) - min(xs)) / cell)
    ny = STRIP_ROWS if side == 0.0 else math.ceil((max(ys) - min(ys)) / cell)
    south = -0.5 * ny * cell if side == 0.0 else min(ys)
    x, y = np.meshgrid(min(xs) + (np.arange(nx) + 0.5) * cell, south + (ny - np.arange(ny) - 0.5) * cell)
    along, across = x * math.cos(turn) + y * math.sin(turn), y * math.cos(turn) - x * math.sin(turn)
    # The dam is vertical on the map here and normal to the bed in the closed form: the same, since both are thin.
    depth = np.clip(0.5 - along / (cell * max(abs(math.cos(turn)), abs(math.sin(turn)))), 0.0, 1.0)
    ground = Grid(-math.tan(tilt) * along, float(x[0, 0]) - 0.5 * cell, float(y[0, 0]) + 0.5 * cell, cell, _CRS)
    start = depth * depth_m / math.cos(tilt)
    result = _run(ground, start, FlowSnow(friction=math.tan(math.radians(friction_deg))), time_s)
    expected, _ = dry_dam_break(along / math.cos(tilt), time_s, depth_m, gravity, push)
    seen = (np.abs(across) < 2.0 * cell) & (along > (-1.2 * wave + moved) * math.cos(tilt)) & (along < last)
    return _off(result.depth_m[seen] * math.cos(tilt), expected[seen])


def cap_on_slope(
    slope_deg: float, friction_deg: float, half_length_m: float, depth_m: float, time_s: float, cells: int, what: str
) -> float:
    """Parabolic cap down a slope in map coordinates (Savage & Hutter 1989).

    ``what`` is the error of the depth in per cent, the way of its centre of mass in metres or its greatest depth.
    """
    tilt = math.radians(slope_deg)
    way = 0.5 * slope_push(slope_deg, friction_deg) * time_s**2
    x = _centres(-1.5 * half_length_m, way + 1.8 * half_length_m, cells) * math.cos(tilt)
    s = x / math.cos(tilt)
    caps = [
        parabolic_cap(s, t, slope_deg=slope_deg, friction_deg=friction_deg, half_length=half_length_m, depth=depth_m)
        for t in (0.0, time_s)
    ]
    snow = FlowSnow(friction=math.tan(math.radians(friction_deg)))
    h, _ = _middle(_run(_strip(x, -x * math.tan(tilt)), caps[0] / math.cos(tilt), snow, time_s))
    if what == "way":
        return float((h * s).sum() / h.sum() - (caps[0] * s).sum() / caps[0].sum())
    return float(h.max() * math.cos(tilt)) if what == "depth" else _off(h * math.cos(tilt), caps[1])


def thacker_error_percent(cells: int, periods: float, case: str) -> float:
    """Water in a parabola or a paraboloid after some periods: ``parabola``, ``radial`` or ``planar``."""
    x = _centres(-2.0, 2.0, cells)
    if case == "parabola":
        time = periods * 2.0 * math.pi / math.sqrt(2.0 * GRAVITY_M_S2 * 0.5)
        start, end = (thacker_parabola(x, t, 0.5, 1.0) for t in (0.0, time))
        swinging = _run(_strip(x, 0.5 * (x * x - 1.0)), start, FlowSnow(friction=0.0), time, plain=True)
        return _off(_middle(swinging)[0], end)
    xx, yy = np.meshgrid(x, -x)
    r = np.hypot(xx, yy)
    bed = Grid(bowl(r, 0.1, 1.0), -2.0, 2.0, 4.0 / cells, _CRS)
    time = periods * 2.0 * math.pi / math.sqrt((8.0 if case == "radial" else 2.0) * GRAVITY_M_S2 * 0.1)
    if case == "radial":
        start, end = (thacker_radial(r, t, 0.1, 1.0, 0.8) for t in (0.0, time))
        east, north = 0.0, 0.0
    else:
        start, east, north = thacker_planar(xx, yy, 0.0, depth=0.1, radius=1.0, eta=0.5)
        end, _, _ = thacker_planar(xx, yy, time, depth=0.1, radius=1.0, eta=0.5)
    velocity = (np.full_like(r, east), np.full_like(r, north))
    return _off(_run(bed, start, FlowSnow(friction=0.0), time, plain=True, start_m_s=velocity).depth_m, end)


def drop_on_flat(cells: int, time_s: float, what: str) -> float:
    """Round cap of 1 m with a radius of 10 m spreading on flat ground, without friction, in the general frame.

    ``what`` is the error of the depth in per cent, the depth in the middle in metres, or by how many per cent the
    rms radius along the diagonals differs from that along the axes (each over that of the closed form).
    """
    reach = 1.3 * math.sqrt(100.0 + 2.0 * GRAVITY_M_S2 * time_s**2)
    x = _centres(-reach, reach, cells)
    xx, yy = np.meshgrid(x, -x)
    r = np.hypot(xx, yy)
    flat = Grid(np.zeros_like(r), -reach, reach, 2.0 * reach / cells, _CRS)
    h = _run(flat, spreading_cap(r, 0.0, 10.0, 1.0), FlowSnow(friction=0.0), time_s).depth_m
    if what == "error":
        return _off(h, spreading_cap(r, time_s, 10.0, 1.0))
    if what == "middle":
        return float(h[cells // 2 - 1 : cells // 2 + 1, cells // 2 - 1 : cells // 2 + 1].mean())
    turned = np.abs(np.mod(np.arctan2(yy, xx), 0.5 * math.pi) - 0.25 * math.pi)
    diagonal, axis = turned < 0.2, turned > 0.25 * math.pi - 0.2
    exact_h = spreading_cap(r, time_s, 10.0, 1.0)

    def radius(part: BoolArray) -> float:
        return math.sqrt((h * r * r)[part].sum() / h[part].sum() * exact_h[part].sum() / (exact_h * r * r)[part].sum())

    return 100.0 * (radius(diagonal) / radius(axis) - 1.0)


def terminal_speed_m_s(turbulence_m_s2: float, friction: float, thickness_m: float, slope_deg: float) -> float:
    """Speed along the slope of a uniform slab long after its start; thickness normal to the slope."""
    tilt = math.radians(slope_deg)
    x = _centres(0.0, 4000.0, 800)
    slab = np.where(x < 2000.0, thickness_m / math.cos(tilt), 0.0)
    time = 10.0 * math.sqrt(turbulence_m_s2 * thickness_m) / GRAVITY_M_S2
    snow = FlowSnow(friction=friction, turbulence_m_s2=turbulence_m_s2)
    _, u = _middle(_run(_strip(x, -x * math.tan(tilt)), slab, snow, time))
    return float(u[360]) / math.cos(tilt)


def lake_level_error_m(seed: int, cells: int = 64) -> float:
    """Greatest change of depth or of momentum of a lake at rest over a random bed with islands, plain frame, 5 s."""
    rng = np.random.default_rng(seed)
    bed = Grid(rng.uniform(-1.0, 0.3, (cells, cells)), 0.0, float(cells), 1.0, _CRS)
    depth = np.maximum(LAKE_M - bed.values, 0.0)
    result = _run(bed, depth, FlowSnow(friction=0.0), 5.0, plain=True)
    momentum = result.depth_m * np.hypot(result.east_m_s, result.north_m_s)
    return float(max(np.abs(result.depth_m - depth).max(), momentum.max()))


def gully_depth_m(side_deg: float, area_m2: float, cell_m: float) -> float:
    """Depth at the bottom of a V-shaped gully after snow of a given cross-section area came to rest in it."""
    x = _centres(-12.0, 12.0, round(24.0 / cell_m))
    bed = _strip(x, np.abs(x) * math.tan(math.radians(side_deg)))
    start = np.tile(np.where(np.abs(x) < 8.0, area_m2 / 16.0, 0.0), (STRIP_ROWS, 1))
    result = simulate_flow(bed, start, FlowSnow(friction=0.02, turbulence_m_s2=1000.0), time_limit_s=60.0)
    return float(_middle(result)[0].max())


def travel_angle_deg(friction: float, cell_m: float) -> float:
    """Travel angle of the centre of mass of a Coulomb flow that slides off 20 degrees onto 5 degrees and stops."""
    x = np.arange(0.5 * cell_m, 500.0, cell_m)
    steep, gentle = math.tan(math.radians(20.0)), math.tan(math.radians(5.0))
    bed = np.where(x < 200.0, (200.0 - x) * steep, (200.0 - x) * gentle)
    start = np.where((x > 40.0) & (x < 80.0), 1.0, 0.0)
    depth = np.tile(start, (STRIP_ROWS, 1))
    h, _ = _middle(simulate_flow(_strip(x, bed), depth, FlowSnow(friction=friction), time_limit_s=120.0))
    (x0, z0), (x1, z1) = (((d * x).sum() / d.sum(), (d * (bed + 0.5 * d)).sum() / d.sum()) for d in (start, h))
    return math.degrees(math.atan((z0 - z1) / (x1 - x0)))


# Snow between walls: what must come to rest, and what walls add to friction.

HEAVY_SNOW = FlowSnow(friction=0.3, turbulence_m_s2=1000.0, cohesion_pa=10.0)
LEVEL_S, MOVES_M_S = 120.0, 0.1
LEVEL_SIDES_DEG = (25, 30, 35, 40, 45)


def _lattice(west_m: float, east_m: float, half_m: float, *, cell_m: float, turn_deg: float) -> tuple[FloatArray, ...]:
    """Places along and across a valley on a lattice that is turned against it and covers it; a cell lies at (0, 0)."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    corners = [(a * c - b * s, a * s + b * c) for a in (west_m, east_m) for b in (-half_m, half_m)]
    (x0, x1), (y0, y1) = (
        (math.floor(min(places) / cell_m), math.ceil(max(places) / cell_m)) for places in zip(*corners, strict=True)
    )
    x, y = np.meshgrid(np.arange(x0, x1 + 1) * cell_m, np.arange(y1, y0 - 1, -1) * cell_m)
    return x * c + y * s, y * c - x * s


def _lay_level(shape: str, along: FloatArray, across: FloatArray, side_deg: float) -> tuple[FloatArray, FloatArray]:
    """Heights of ground that drains nowhere, and snow 2 m deep on one of its walls (behind the dam: above it)."""
    steep = math.tan(math.radians(side_deg))
    if shape == "bowl":
        return steep * (along**2 + across**2) / 160.0, np.where(np.hypot(along - 10.0, across - 35.0) < 20.0, 2.0, 0.0)
    if shape == "dam":
        floor = np.where(along > 0.0, 0.45 * along, np.where(along > -12.0, 0.0, -0.8 * (along + 12.0)))
        start = (np.abs(across) < 12.0) & (along > 40.0) & (along < 80.0)
        return floor + steep * np.abs(across), np.where(start, 2.0, 0.0)
    away = across - (20.0 * np.sin(along / 25.0) if shape == "bend" else 0.0)
    return steep * np.abs(away), np.where((np.abs(away - 30.0) < 15.0) & (np.abs(along) < 40.0), 2.0, 0.0)


def _settle_on_level(shape: str, cell_m: float, turn_deg: float, side_deg: float) -> tuple[FloatArray, FlowResult]:
    """Snow on ground that drains nowhere after two minutes, and the heights of that ground."""
    along, across = _lattice(-120.0, 120.0, 100.0, cell_m=cell_m, turn_deg=turn_deg)
    z, depth = _lay_level(shape, along, across, side_deg)
    ground = Grid(z, 0.0, z.shape[0] * cell_m, cell_m, _CRS)
    return z, simulate_flow(ground, depth, HEAVY_SNOW, time_limit_s=LEVEL_S, moving_share=0.0)


def level_moving_share(shape: str, cell_m: float, turn_deg: float, sides_deg: Sequence[float] = (35.0,)) -> float:
    """Share of the snow on ground that drains nowhere that still moves after two minutes, at worst over the sides.

    ``shape`` is a straight valley, one with a bend, a bowl (of that slope 80 m from its middle) or a valley with a dam.
    """
    worst = 0.0
    for side_deg in sides_deg:
        _, result = _settle_on_level(shape, cell_m, turn_deg, side_deg)
        moves = np.hypot(result.east_m_s, result.north_m_s) > MOVES_M_S
        worst = max(worst, float(result.depth_m[moves].sum() / result.depth_m.sum()))
    return worst


def level_surface_excess_m(cell_m: float, sides_deg: Sequence[float] = LEVEL_SIDES_DEG) -> float:
    """By how much the steepest step of a surface at rest across a level valley exceeds what friction holds.

    From cell to cell where both have more than 0.05 m, in the middle of the valley, at worst over the sides.
    """
    worst = 0.0
    for side_deg in sides_deg:
        z, result = _settle_on_level("valley", cell_m, 90.0, side_deg)
        row = z.shape[0] // 2
        surface = np.where(result.depth_m[row] > WET_M, (z + result.depth_m)[row], np.nan)
        worst = max(worst, float(np.nanmax(np.abs(np.diff(surface)), initial=0.0)) - cell_m * HEAVY_SNOW.friction)
    return worst


def _slide_wedge(
    *, bed_deg: float, side_deg: float, over_limit: float, start_m_s: float, time_s: float, cell_m: float
) -> tuple[float, float]:
    """Speed and way, along the slope, of the centre of a filled wedge of snow in an inclined valley; NaN if snow left.

    2 m deep at the thalweg and 40 m long, its surface level across. Walls rise by ``side_deg`` in the section normal to
    the thalweg; friction is ``over_limit`` more than a rigid wedge needs to keep its speed.
    """
    bed, fall = math.radians(bed_deg), math.tan(math.radians(bed_deg))
    wall = math.tan(math.radians(side_deg)) / math.cos(bed)
    friction = (1.0 + over_limit) * fall * math.cos(math.radians(side_deg))
    sped = max(start_m_s, start_m_s - over_limit * GRAVITY_M_S2 * math.sin(bed) * time_s)
    way = sped * time_s if over_limit < 0.0 else start_m_s**2 / (2.0 * over_limit * GRAVITY_M_S2 * math.sin(bed))
    half = 2.4 / wall + 8.0 * cell_m if wall > 0.0 else 10.0 * cell_m
    along, across = _lattice(-100.0, way + 400.0, half, cell_m=cell_m, turn_deg=0.0)
    z = wall * np.abs(across) - fall * along
    depth = np.where(np.abs(along) < 20.0, np.maximum(2.0 - wall * np.abs(across), 0.0), 0.0)
    start = (np.full_like(z, start_m_s * math.cos(bed)), np.zeros_like(z))
    ground = Grid(z, 0.0, z.shape[0] * cell_m, cell_m, _CRS)
    result = _run(ground, depth, FlowSnow(friction=friction), time_s, start_m_s=start)
    if result.balance.left_m3 > 0.05 * result.balance.released_m3:
        return math.nan, math.nan
    rest = result.depth_m.sum()
    moved = (result.depth_m * along).sum() / rest - (depth * along).sum() / depth.sum()
    return float((result.depth_m * result.east_m_s).sum() / rest) / math.cos(bed), float(moved) / math.cos(bed)


def wedge_runs_on(bed_deg: float, side_deg: float, over_limit: float, cell_m: float = 2.0) -> float:
    """1 where a filled wedge of snow set off at 5 m/s is faster after 60 s, 0 where it stands after 90 s, else NaN."""
    values = {"bed_deg": bed_deg, "side_deg": side_deg, "over_limit": over_limit, "cell_m": cell_m}
    speed, _ = _slide_wedge(**values, start_m_s=5.0, time_s=60.0 if over_limit < 0.0 else 90.0)
    return 1.0 if speed > 5.0 else 0.0 if speed < MOVES_M_S else math.nan


def wedge_way_error_percent(bed_deg: float, side_deg: float, over_limit: float, start_m_s: float) -> float:
    """By how much the centre of a filled wedge of snow comes further than a rigid wedge until it stops.

    A rigid wedge comes as far as a block under the same excess of friction: v2 / (2 over_limit g sin(bed)).
    """
    pull = over_limit * GRAVITY_M_S2 * math.sin(math.radians(bed_deg))
    values = {"bed_deg": bed_deg, "side_deg": side_deg, "over_limit": over_limit, "cell_m": 2.0}
    _, way = _slide_wedge(**values, start_m_s=start_m_s, time_s=3.0 * start_m_s / pull)
    return 100.0 * (way / (start_m_s**2 / (2.0 * pull)) - 1.0)


COLLAPSED = 0.01  # share of the height of a column that still counts as its toe


def column_excess_percent(aspect: float, friction_deg: float, cells: int = 50) -> float:
    """By how much a column that collapses in a channel on flat ground runs further than 1.2 times its height.

    ``aspect`` is its height over its length, ``cells`` its length; the wall behind it is the middle of a column twice
    as long.
    """
    x = _centres(-4.0, 4.0, 8 * cells)
    snow = FlowSnow(friction=math.tan(math.radians(friction_deg)))
    h, _ = _middle(_run(_strip(x, 0.0 * x), np.where(np.abs(x) < 1.0, aspect, 0.0), snow, 10.0))
    return 100.0 * (float(np.abs(x[h > COLLAPSED * aspect]).max() + 0.5 / cells - 1.0) / (1.2 * aspect) - 1.0)


def exact_incline(slope_deg: float, friction_deg: float, depth_m: float, time_s: float) -> tuple[float, float]:
    """Depth and speed at the dam of the closed form on a slope."""
    gravity = GRAVITY_M_S2 * math.cos(math.radians(slope_deg))
    h, u = dry_dam_break(np.zeros(1), time_s, depth_m, gravity, slope_push(slope_deg, friction_deg))
    return float(h[0]), float(u[0])


MEMBERS, PEOPLE = 16, 10


@lru_cache
def demo_length_m(scenario: str, size: int) -> float:
    """Median length of the events of a size on the demo's mountain, from the top of the release to the toe."""
    given = {"size": size, "members": MEMBERS, "tracers": PEOPLE, "model": "flow"}
    changes = [Override(section="snow", key=key, value=value) for key, value in given.items()]
    model = make_plan(apply_overrides(read_scenario(shared_folder("demo") / f"{scenario}.toml"), changes)).model
    return model.runout.length_m.p50 if model else float("nan")


def demo_length_inside(scenario: str, size: int, p05_m: float, p95_m: float) -> float:
    """1 where the median length lies within a published range of incidents, else 0."""
    return float(p05_m <= demo_length_m(scenario, size) <= p95_m)
