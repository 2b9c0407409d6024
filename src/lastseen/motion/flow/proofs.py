"""Set-ups with known answers for the flow, run by the same kernel as plans.

Errors are in per cent of the exact depths (sum of absolute differences, L1) on a strip in the middle of the ground.
Lengths in metres, times in seconds, angles in degrees.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from pyproj import CRS

from lastseen.grid import BoolArray, FloatArray, Grid
from lastseen.motion.flow import exact
from lastseen.motion.flow.kernels import GRAVITY_M_S2
from lastseen.motion.flow.model import FlowResult, FlowSnow
from lastseen.motion.flow.run import run_flow

_CRS = CRS.from_epsg(32632)
STRIP_ROWS = 8
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
    return run_flow(
        ground,
        depths,
        snow,
        time_limit_s=time_s,
        plain=plain,
        moving_share=0.0,
        energy_share=0.0,
        film_share=1e-5,
        start_m_s=start_m_s,
    )


def _centres(first: float, last: float, cells: int) -> FloatArray:
    """Centres of equal cells."""
    return first + (np.arange(cells) + 0.5) * (last - first) / cells


def _off(got: FloatArray, expected: FloatArray) -> float:
    """L1 difference in per cent."""
    return float(100.0 * np.abs(got - expected).sum() / np.abs(expected).sum())


def _middle(result: FlowResult) -> tuple[FloatArray, FloatArray]:
    """Depth and eastward velocity along the middle of a strip."""
    return result.depth_m[STRIP_ROWS // 2], result.east_m_s[STRIP_ROWS // 2]


def dam_break_error_percent(cells: int, toe_m: float = 0.0) -> float:
    """Dam break of 5 mm on a flat bed 10 m long after 6 s, dry (Ritter) or wet (Stoker)."""
    x = _centres(-5.0, 5.0, cells)
    h, _ = _middle(_run(_strip(x, 0.0 * x), np.where(x < 0.0, 0.005, toe_m), FlowSnow(0.0), 6.0, plain=True))
    found = exact.wet_dam_break(x, 6.0, 0.005, toe_m) if toe_m > 0.0 else exact.dry_dam_break(x, 6.0, 0.005)
    return _off(h, found[0])


def dam_site_depth_m(cells: int) -> float:
    """Depth at the dam after the dry dam break: 4/9 of the start."""
    x = _centres(-5.0, 5.0, cells)
    h, _ = _middle(_run(_strip(x, 0.0 * x), np.where(x < 0.0, 0.005, 0.0), FlowSnow(0.0), 6.0, plain=True))
    return float(0.5 * (h[cells // 2 - 1] + h[cells // 2]))


def plain_incline(cells: int, time_s: float, toe_m: float, what: str) -> float:
    """Coulomb dam break on z = x / 10 with tan(delta) = 0.05 in the plain frame (Mungkasi & Roberts 2011, 2012).

    ``what`` is the error of the stage, the momentum or the velocity in per cent, or the depth of the plateau.
    """
    x = _centres(-150.0, 150.0, cells)
    bed = 0.1 * x
    h, u = _middle(_run(_strip(x, bed), np.where(x > 0.0, 20.0, toe_m), FlowSnow(0.05), time_s, plain=True))
    gain = -9.81 * 0.1 + 9.81 * 0.05 / 1.01
    if toe_m > 0.0:
        eh, eu = exact.wet_dam_break(-x, time_s, 20.0, toe_m, push=-gain)
    else:
        eh, eu = exact.dry_dam_break(-x, time_s, 20.0, push=-gain)
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
    gravity, push = GRAVITY_M_S2 * math.cos(tilt), exact.slope_push(slope_deg, friction_deg)
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
    result = _run(ground, start, FlowSnow(math.tan(math.radians(friction_deg))), time_s)
    expected, _ = exact.dry_dam_break(along / math.cos(tilt), time_s, depth_m, gravity, push)
    seen = (np.abs(across) < 2.0 * cell) & (along > (-1.2 * wave + moved) * math.cos(tilt)) & (along < last)
    return _off(result.depth_m[seen] * math.cos(tilt), expected[seen])


def cap_on_slope(
    slope_deg: float, friction_deg: float, half_length_m: float, depth_m: float, time_s: float, cells: int, what: str
) -> float:
    """Parabolic cap down a slope in map coordinates (Savage & Hutter 1989).

    ``what`` is the error of the depth in per cent, the way of its centre of mass in metres or its greatest depth.
    """
    tilt = math.radians(slope_deg)
    way = 0.5 * exact.slope_push(slope_deg, friction_deg) * time_s**2
    x = _centres(-1.5 * half_length_m, way + 1.8 * half_length_m, cells) * math.cos(tilt)
    s = x / math.cos(tilt)
    caps = [exact.parabolic_cap(s, t, slope_deg, friction_deg, half_length_m, depth_m) for t in (0.0, time_s)]
    snow = FlowSnow(math.tan(math.radians(friction_deg)))
    h, _ = _middle(_run(_strip(x, -x * math.tan(tilt)), caps[0] / math.cos(tilt), snow, time_s))
    if what == "way":
        return float((h * s).sum() / h.sum() - (caps[0] * s).sum() / caps[0].sum())
    return float(h.max() * math.cos(tilt)) if what == "depth" else _off(h * math.cos(tilt), caps[1])


def thacker_error_percent(cells: int, periods: float, case: str) -> float:
    """Water in a parabola or a paraboloid after some periods: ``parabola``, ``radial`` or ``planar``."""
    if case == "parabola":
        return _swinging_error_percent(cells, periods)
    x = _centres(-2.0, 2.0, cells)
    xx, yy = np.meshgrid(x, -x)
    r = np.hypot(xx, yy)
    bed = Grid(exact.bowl(r, 0.1, 1.0), -2.0, 2.0, 4.0 / cells, _CRS)
    time = periods * 2.0 * math.pi / math.sqrt((8.0 if case == "radial" else 2.0) * GRAVITY_M_S2 * 0.1)
    if case == "radial":
        start, end = (exact.thacker_radial(r, t, 0.1, 1.0, 0.8) for t in (0.0, time))
        east, north = 0.0, 0.0
    else:
        start, east, north = exact.thacker_planar(xx, yy, 0.0, 0.1, 1.0, 0.5)
        end, _, _ = exact.thacker_planar(xx, yy, time, 0.1, 1.0, 0.5)
    velocity = (np.full_like(r, east), np.full_like(r, north))
    return _off(_run(bed, start, FlowSnow(0.0), time, plain=True, start_m_s=velocity).depth_m, end)


def _swinging_error_percent(cells: int, periods: float) -> float:
    """Plane surface in a parabola."""
    x = _centres(-2.0, 2.0, cells)
    time = periods * 2.0 * math.pi / math.sqrt(2.0 * GRAVITY_M_S2 * 0.5)
    start, end = (exact.thacker_parabola(x, t, 0.5, 1.0) for t in (0.0, time))
    return _off(_middle(_run(_strip(x, 0.5 * (x * x - 1.0)), start, FlowSnow(0.0), time, plain=True))[0], end)


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
    h = _run(flat, exact.spreading_cap(r, 0.0, 10.0, 1.0), FlowSnow(0.0), time_s).depth_m
    if what == "error":
        return _off(h, exact.spreading_cap(r, time_s, 10.0, 1.0))
    if what == "middle":
        return float(h[cells // 2 - 1 : cells // 2 + 1, cells // 2 - 1 : cells // 2 + 1].mean())
    turned = np.abs(np.mod(np.arctan2(yy, xx), 0.5 * math.pi) - 0.25 * math.pi)
    diagonal, axis = turned < 0.2, turned > 0.25 * math.pi - 0.2
    exact_h = exact.spreading_cap(r, time_s, 10.0, 1.0)

    def radius(part: BoolArray) -> float:
        return math.sqrt((h * r * r)[part].sum() / h[part].sum() * exact_h[part].sum() / (exact_h * r * r)[part].sum())

    return 100.0 * (radius(diagonal) / radius(axis) - 1.0)


def terminal_speed_m_s(turbulence_m_s2: float, friction: float, thickness_m: float, slope_deg: float) -> float:
    """Speed along the slope of a uniform slab long after its start; thickness normal to the slope."""
    tilt = math.radians(slope_deg)
    x = _centres(0.0, 4000.0, 800)
    slab = np.where(x < 2000.0, thickness_m / math.cos(tilt), 0.0)
    time = 10.0 * math.sqrt(turbulence_m_s2 * thickness_m) / GRAVITY_M_S2
    _, u = _middle(_run(_strip(x, -x * math.tan(tilt)), slab, FlowSnow(friction, turbulence_m_s2), time))
    return float(u[360]) / math.cos(tilt)


def lake_level_error_m(seed: int, cells: int = 64) -> float:
    """Greatest change of depth or of momentum of a lake at rest over a random bed with islands, plain frame, 5 s."""
    rng = np.random.default_rng(seed)
    bed = Grid(rng.uniform(-1.0, 0.3, (cells, cells)), 0.0, float(cells), 1.0, _CRS)
    depth = np.maximum(LAKE_M - bed.values, 0.0)
    result = _run(bed, depth, FlowSnow(0.0), 5.0, plain=True)
    momentum = result.depth_m * np.hypot(result.east_m_s, result.north_m_s)
    return float(max(np.abs(result.depth_m - depth).max(), momentum.max()))


def gully_depth_m(side_deg: float, area_m2: float, cell_m: float) -> float:
    """Depth at the bottom of a V-shaped gully after snow of a given cross-section area came to rest in it."""
    rows, half = STRIP_ROWS, 12.0
    x = _centres(-half, half, round(2.0 * half / cell_m))
    bed = np.abs(x) * math.tan(math.radians(side_deg))
    start = np.where(np.abs(x) < 8.0, area_m2 / 16.0, 0.0)
    result = run_flow(_strip(x, bed), np.tile(start, (rows, 1)), FlowSnow(0.02, 1000.0), time_limit_s=60.0)
    return float(_middle(result)[0].max())


def travel_angle_deg(friction: float, cell_m: float) -> float:
    """Travel angle of the centre of mass of a Coulomb flow that slides off 20 degrees onto 5 degrees and stops."""
    x = np.arange(0.5 * cell_m, 500.0, cell_m)
    steep, gentle = math.tan(math.radians(20.0)), math.tan(math.radians(5.0))
    bed = np.where(x < 200.0, (200.0 - x) * steep, (200.0 - x) * gentle)
    start = np.where((x > 40.0) & (x < 80.0), 1.0, 0.0)
    result = run_flow(_strip(x, bed), np.tile(start, (STRIP_ROWS, 1)), FlowSnow(friction), time_limit_s=120.0)
    h, _ = _middle(result)
    (x0, z0), (x1, z1) = (((d * x).sum() / d.sum(), (d * (bed + 0.5 * d)).sum() / d.sum()) for d in (start, h))
    return math.degrees(math.atan((z0 - z1) / (x1 - x0)))


def _incline_closed(slope_deg: float, friction_deg: float, depth_m: float, time_s: float) -> tuple[float, float]:
    """Depth and speed at the dam of the closed form on a slope."""
    gravity = GRAVITY_M_S2 * math.cos(math.radians(slope_deg))
    push = exact.slope_push(slope_deg, friction_deg)
    h, u = exact.dry_dam_break(np.zeros(1), time_s, depth_m, gravity, push)
    return float(h[0]), float(u[0])


QUANTITIES: dict[str, Callable[..., float]] = {
    "flow_dam_break_error_percent": dam_break_error_percent,
    "flow_dam_site_depth_m": dam_site_depth_m,
    "flow_middle_depth_m": exact.middle_depth,
    "flow_plain_incline": plain_incline,
    "flow_incline_error_percent": incline_error_percent,
    "flow_incline_depth_m": lambda **dam: _incline_closed(**dam)[0],
    "flow_incline_speed_m_s": lambda **dam: _incline_closed(**dam)[1],
    "flow_cap_on_slope": cap_on_slope,
    "flow_thacker_error_percent": thacker_error_percent,
    "flow_drop_on_flat": drop_on_flat,
    "flow_terminal_speed_m_s": terminal_speed_m_s,
    "flow_lake_error_m": lake_level_error_m,
    "flow_gully_depth_m": gully_depth_m,
    "flow_travel_angle_deg": travel_angle_deg,
}
