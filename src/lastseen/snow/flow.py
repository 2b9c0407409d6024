"""One event as a depth-averaged flow over the ground, in map coordinates."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import distance_transform_edt

from lastseen.core import BoolArray, FloatArray, Grid, InputError, IntArray, ResourceError
from lastseen.snow import flow_kernels as kernels
from lastseen.snow import flow_planes
from lastseen.snow.carried import TracerRest, Tracers, TracerTable, read_tracer_rest, tabulate_tracers
from lastseen.snow.ensemble import MOVING_SHARE, EventEnd, name_end
from lastseen.snow.flow_planes import DEPTH, VELOCITY_X, VELOCITY_Y, FlowRules
from lastseen.snow.sliding_mass_kernels import GRAVITY_M_S2

Watch = Callable[[float, FloatArray], None]


@dataclass(frozen=True, kw_only=True)
class FlowSnow:
    """The snow of one event."""

    friction: float  # coulomb mu, 0 or more
    turbulence_m_s2: float = math.inf  # voellmy's xi, m/s2; infinite for none
    cohesion_pa: float = 0.0  # strength that acts as friction independent of load, Pa
    # one density for release, flow and deposit; it only matters for cohesion. Converting is the caller's.
    density_kg_m3: float = 200.0
    growth: float = 0.0  # entrained over released volume that is approached, 0 or more
    # vertical depth of snow that can be entrained per cell outside the release. None takes the layer that would use up
    # the growth over twice the released area (design choice).
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


@dataclass(frozen=True, kw_only=True)
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
        return self.left_west_m3 + self.left_east_m3 + self.left_south_m3 + self.left_north_m3 + self.left_no_data_m3

    @property
    def error(self) -> float:
        """What is not accounted for, as a share of what moved."""
        total = self.released_m3 + self.entrained_m3
        return abs(total - self.on_grid_m3 - self.left_m3) / total if total > 0.0 else 0.0


@dataclass(frozen=True, kw_only=True)
class FlowResult:
    """A run of the flow. Arrays have the shape of the ground, row 0 north."""

    depth_m: FloatArray  # vertical depth at the end, in the density of the release
    # horizontal velocity at the end
    east_m_s: FloatArray
    north_m_s: FloatArray
    fastest_m_s: FloatArray  # greatest speed along the surface, 0 where nothing moved
    arrival_s: FloatArray  # when more than 0.05 m were there first; NaN for never
    deepest_m: FloatArray  # greatest vertical depth
    entrained_m: FloatArray  # vertical depth of snow taken from the ground
    # length of the run; one cell update is one cell through one whole step
    time_s: float
    steps: int
    cell_updates: int
    moving_updates: int  # those of cells that moved
    last_step_s: float
    end: EventEnd
    moving_share: float  # of the snow on the grid, faster than 0.5 m/s when the run ended
    balance: MassBalance
    tracers: TracerRest | None


# ---- The ground as the flow needs it: slopes, second derivatives and pressure coefficients, once for many runs

FRAME = 2  # cells around the ground in every plane of the kernels
_INNER = (slice(FRAME, -FRAME), slice(FRAME, -FRAME))


@dataclass(frozen=True, kw_only=True)
class Bed:
    """Planes of the ground with a frame of two cells; see the kernels for their meaning."""

    ground: Grid  # elevations, metres; NaN is no data
    planes: FloatArray  # shape (15, ny + 4, nx + 4)
    sink: BoolArray  # shape (ny + 4, nx + 4); cells without data: what flows in is counted and gone


def prepare_bed(ground: Grid, *, plain: bool = False) -> Bed:
    """Prepare the ground, metres, lightly smoothed, for runs of the flow; ``plain`` is shallow water, for benchmarks.

    Slopes are central differences and second derivatives those of Zevenbergen & Thorne (1987, Earth Surface Processes
    and Landforms 12:47). Beside no data and at the edges slopes are one-sided and second derivatives 0, and the ground
    goes on as it slopes there. In the plain frame gravity is vertical and pressure that of water on a level datum.
    InputError if there is no elevation at all, or a gap in it in the plain frame.
    """
    known = np.isfinite(ground.values)
    if not known.any():
        raise InputError("the ground for the flow has no elevation at all: check its extent")
    if plain and not known.all():
        raise InputError("the plain frame takes ground without gaps only: fill them, or use the general frame")
    z = np.pad(ground.values.astype(np.float64), FRAME, mode="edge")
    sink = np.pad(~known, FRAME, mode="constant", constant_values=False)
    planes = np.zeros((flow_planes.BED_PLANES, *z.shape))
    p, q = _slopes(z, ground.cell_m)
    planes[flow_planes.BED_HEIGHT] = _continued(ground, p[_INNER], q[_INNER])
    for plane, axis in ((flow_planes.BED_RISE_X, 1), (flow_planes.BED_RISE_Y, 0)):
        planes[plane] = _limited_rise(planes[flow_planes.BED_HEIGHT], axis)
    planes[flow_planes.BED_HOLE] = 1.0  # the surface of snow ends at the frame, too
    planes[flow_planes.BED_HOLE][_INNER] = sink[_INNER]
    if plain:
        planes[flow_planes.BED_ROOT_X] = planes[flow_planes.BED_ROOT_Y] = np.sqrt(GRAVITY_M_S2)
        planes[flow_planes.BED_COSINE] = planes[flow_planes.BED_WIDTH] = 1.0
    else:
        _fill_general(planes, z, p, q, ground.cell_m)
    return Bed(ground=ground, planes=planes, sink=sink)


def _fill_general(planes: FloatArray, z: FloatArray, p: FloatArray, q: FloatArray, cell_m: float) -> None:
    """Planes on a slope: pressure -g cos2 G^-1 grad H, G^-1 = I - grad b grad b^T / (1 + |grad b|2)."""
    planes[flow_planes.BED_P], planes[flow_planes.BED_Q] = p, q
    planes[flow_planes.BED_R], planes[flow_planes.BED_S], planes[flow_planes.BED_T] = _second_derivatives(z, cell_m)
    steep = _steepness(p, q)
    planes[flow_planes.BED_ROOT_X] = np.sqrt(GRAVITY_M_S2 * (1.0 + q * q) / steep)
    planes[flow_planes.BED_ROOT_Y] = np.sqrt(GRAVITY_M_S2 * (1.0 + p * p) / steep)
    planes[flow_planes.BED_ASKEW_X], planes[flow_planes.BED_ASKEW_Y] = -p * q / (1.0 + q * q), -p * q / (1.0 + p * p)
    planes[flow_planes.BED_COSINE] = 1.0 / np.sqrt(steep)
    planes[flow_planes.BED_WIDTH] = _ground_per_map(z, cell_m, np.sqrt(steep))


def _continued(ground: Grid, p: FloatArray, q: FloatArray) -> FloatArray:
    """Heights above the lowest cell with a frame; beside no data and over the edges the ground goes on as it slopes."""
    z, cell = ground.values - np.nanmin(ground.values), ground.cell_m
    gap = ~np.isfinite(z)
    if gap.any():
        i, j = distance_transform_edt(gap, return_distances=False, return_indices=True)
        rows, cols = np.indices(z.shape)
        beyond = z[i, j] + (cols - j) * cell * p[i, j] + (rows - i) * cell * q[i, j]
        z = np.where(gap, beyond, z)
    return np.pad(z, FRAME, mode="reflect", reflect_type="odd")


def _limited_rise(z: FloatArray, axis: int) -> FloatArray:
    """Rise of the ground from side to side of each cell, limited as the kernels limit depths."""
    back = np.diff(z, axis=axis, prepend=z[:, :1] if axis == 1 else z[:1])
    fore = np.diff(z, axis=axis, append=z[:, -1:] if axis == 1 else z[-1:])
    least = kernels.LIMITER * np.minimum(np.abs(back), np.abs(fore))
    mean = 0.5 * (back + fore)
    return np.where(back * fore > 0.0, np.sign(mean) * np.minimum(least, np.abs(mean)), 0.0)


def _steepness(p: FloatArray, q: FloatArray) -> FloatArray:
    """1 + |grad b|^2, that is 1 / cos^2 of the slope angle."""
    return 1.0 + (p * p + q * q)


def _slopes(z: FloatArray, cell_m: float) -> tuple[FloatArray, FloatArray]:
    """Eastward and southward slope: central where both neighbours are known, else one-sided, else 0."""
    found = []
    for axis in (1, 0):
        step = np.diff(z, axis=axis) / cell_m
        ahead, behind = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
        first, last = [slice(None)] * 2, [slice(None)] * 2
        first[axis], last[axis] = slice(1, None), slice(None, -1)
        ahead[tuple(last)], behind[tuple(first)] = step, step
        # The frame repeats the edge: at the edge itself only the inner difference counts.
        a, b = (ahead, behind) if axis == 0 else (ahead.T, behind.T)
        a[-FRAME - 1 :], b[: FRAME + 1] = np.nan, np.nan
        both = 0.5 * (ahead + behind)
        single = np.where(np.isfinite(ahead), ahead, behind)
        slope = np.nan_to_num(np.where(np.isfinite(both), both, single), nan=0.0)
        found.append(np.pad(slope[_INNER], FRAME, mode="edge"))
    return found[0], found[1]


def _ground_per_map(z: FloatArray, cell_m: float, even: FloatArray) -> FloatArray:
    """Ground under a unit of map from the slopes to both sides, so that a cell on a thalweg has its walls.

    ``even`` where a neighbour is unknown, and at the edges.
    """
    square = np.ones_like(z)
    for axis in (0, 1):
        rise = np.square(np.diff(z, axis=axis) / cell_m)
        both = 0.5 * (rise[1:] + rise[:-1]) if axis == 0 else 0.5 * (rise[:, 1:] + rise[:, :-1])
        square += np.pad(both, ((1, 1), (0, 0)) if axis == 0 else ((0, 0), (1, 1)), constant_values=np.nan)
    square[: FRAME + 1], square[-FRAME - 1 :] = np.nan, np.nan
    square[:, : FRAME + 1], square[:, -FRAME - 1 :] = np.nan, np.nan
    return np.where(np.isfinite(square), np.sqrt(square), even)


def _second_derivatives(z: FloatArray, cell_m: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Second derivatives xx, xy, yy (x east, y south); 0 at the edges and beside no data."""
    inner, area = slice(FRAME + 1, -FRAME - 1), cell_m * cell_m
    middle, ahead, behind = slice(FRAME, -FRAME), slice(FRAME + 2, -FRAME), slice(FRAME, -FRAME - 2)
    xx, xy, yy = np.zeros(z.shape), np.zeros(z.shape), np.zeros(z.shape)
    xx[middle, inner] = (z[middle, ahead] - 2.0 * z[middle, inner] + z[middle, behind]) / area
    yy[inner, middle] = (z[ahead, middle] - 2.0 * z[inner, middle] + z[behind, middle]) / area
    south, north = z[ahead], z[behind]
    xy[inner, inner] = ((south[:, ahead] - south[:, behind]) - (north[:, ahead] - north[:, behind])) / (4.0 * area)
    found = [np.nan_to_num(plane, nan=0.0) for plane in (xx, xy, yy)]
    return found[0], found[1], found[2]


# ---- A run: step after step until an end is reached

COURANT = 0.9  # of the sum of the waves in both directions
FALL_STEP = 0.7  # longest step as a share of sqrt(cell / g): bounds what gravity adds within a step
SHORTEST_STEP_S_PER_M = 1e-9
CHANGE_PER_MOVING = 0.1  # share that may change its place within that time, as a part of the share that may move
COMPARE_S = 4.0  # between two looks at whether the snow has come to rest
REPORT_STEPS = 200  # between two calls of the watch, at most
AFTER_S, AFTER_STEP_S = 120.0, 0.05  # for people who slide on when the snow has stopped


@dataclass(frozen=True, kw_only=True)
class RunLimits:
    """When a run ends; see :func:`simulate_flow`."""

    time_limit_s: float
    moving_share: float


@dataclass(kw_only=True)
class Run:
    """A run and where it stands. Amounts of snow are sums of depths over cells."""

    rules: FlowRules
    limits: RunLimits
    planes: flow_planes.FlowPlanes  # changed in place by the kernels
    people: TracerTable
    released: float
    watch: Watch | None
    watch_every_s: float
    watched: int = 0
    compared_s: float = 0.0
    compared: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))  # depth at the last look, and its time

    @property
    def time_s(self) -> float:
        """Time since the release."""
        return float(self.planes.clock[flow_planes.TIME_S])

    @property
    def moving_share(self) -> float:
        """Share of the snow on the grid that moves."""
        held = self.released + float(self.planes.clock[flow_planes.ENTRAINED]) - self.left
        return float(self.planes.clock[flow_planes.MOVING]) / held if held > 1e-12 * self.released else 0.0

    @property
    def left(self) -> float:
        """Snow that left the ground with data."""
        return float(self.planes.seen[flow_planes.SEEN_LEFT].sum())


def run_to_end(run: Run) -> EventEnd:
    """Steps until an end is reached; how the run ended. ResourceError if no time step is short enough."""
    rested = False
    while not rested and run.time_s < run.limits.time_limit_s:
        rested = _advance(run)
    carry = run.people
    if carry.rows.size and rested:
        still = run.planes.state.copy()
        still[VELOCITY_X : VELOCITY_Y + 1] = 0.0
        most = round(AFTER_S / AFTER_STEP_S)
        kernels.carry_on(carry.rows, carry.trail, run.planes._replace(state=still), carry.rules, AFTER_STEP_S, most)
    all_snow = run.released + float(run.planes.clock[flow_planes.ENTRAINED])
    return name_end(rested=rested, left_share=run.left / all_snow)


def _advance(run: Run) -> bool:
    """Take steps to the next look; whether the snow has come to rest."""
    pause_s = run.compared_s + COMPARE_S if run.limits.moving_share > 0.0 else math.inf
    if run.watch is not None:
        pause_s = min(pause_s, run.watched * run.watch_every_s)
    carry = run.people
    state = kernels.advance(run.planes, carry.rows, carry.trail, run.rules, carry.rules, float(pause_s), REPORT_STEPS)
    if state == flow_planes.STUCK:
        raise ResourceError(f"the flow found no time step after {run.time_s:.1f} s: smooth the ground or release less")
    if run.watch is not None:
        run.watch(run.time_s, run.planes.state[DEPTH][_INNER])
        if run.time_s >= run.watched * run.watch_every_s:
            run.watched += 1
    return bool(state == flow_planes.STILL) or _has_settled(run)


def _has_settled(run: Run) -> bool:
    """Whether next to nothing moves, and what does stays where it is: compared with the depth of some seconds ago."""
    limits, clock = run.limits, run.planes.clock
    if limits.moving_share <= 0.0 or run.time_s < run.compared_s + COMPARE_S:
        return False
    before, run.compared, run.compared_s = run.compared, run.planes.state[DEPTH].copy(), run.time_s
    set_out = clock[flow_planes.MOST_MOVING] > limits.moving_share * run.released
    if not before.size or not set_out or run.moving_share >= limits.moving_share:
        return False
    moved = 0.5 * float(np.abs(run.compared - before).sum())
    return moved < CHANGE_PER_MOVING * limits.moving_share * (run.released + float(clock[flow_planes.ENTRAINED]))


def _active_blocks(bed: Bed, depth: FloatArray, block: int) -> IntArray:
    """Blocks as the kernels want them at the start: every block with snow is looked at once."""
    ny, nx = bed.ground.shape
    blocks = (-(-ny // block), -(-nx // block))
    wet = np.zeros((blocks[0] * block, blocks[1] * block), bool)
    wet[:ny, :nx] = depth[_INNER] > 0.0
    any_wet = wet.reshape(blocks[0], block, blocks[1], block).any(axis=(1, 3))
    top = np.broadcast_to(np.arange(blocks[0])[:, None] * block + FRAME, blocks)
    reach = np.where(any_wet, kernels.ALL_AROUND, 0)
    return np.ascontiguousarray(np.stack([reach, top, top + block - 1], axis=-1), np.int32)


# ---- One event as a depth-averaged flow over the ground, in map coordinates
# H is vertical depth and U horizontal velocity; gravity, the load from curved ground and pressure act in the surface,
# so that a slope askew to the map needs no turned axes (section "Motion" of the design; derived from Savage & Hutter
# 1989, J. Fluid Mech. 199:177). Friction is Voellmy's (1955) with cohesion. Rest is true rest: where drive and
# pressure do not exceed friction, snow stops and stays (Mangeney-Castelnau et al. 2003, J. Geophys. Res. 108:2527).
# The load on the bed is that of the free surface where it is flatter than the bed: see DEVELOPERS.md.

BLOCK_CELLS = 16
FILM_SHARE = 1e-4  # design choice: some hundredths of a millimetre of snow do not flow


def simulate_flow(
    ground: Grid | Bed,
    released_m: FloatArray,
    snow: FlowSnow,
    *,
    tracers: Tracers | None = None,
    time_limit_s: float = 600.0,
    plain: bool = False,
    moving_share: float = MOVING_SHARE,
    film_share: float = FILM_SHARE,
    start_m_s: tuple[FloatArray, FloatArray] | None = None,
    block_cells: int = BLOCK_CELLS,
    watch: Watch | None = None,
    watch_every_s: float = 1.0,
) -> FlowResult:
    """Let released snow flow until it rests.

    Parameters
    ----------
    ground : Grid or Bed
        Elevations in metres, lightly smoothed, used as they are; NaN is no data: what flows in is counted and
        gone. A prepared bed (see :func:`prepare_bed`) saves time when many events run on one ground.
    released_m : ndarray, shape (ny, nx)
        Vertical depth of released snow, metres, 0 or more.
    plain : bool
        Gravity and pressure of plain shallow water, for benchmarks. Ignored for a prepared bed, which knows its frame.
    moving_share : float
        The snow is at rest when less than this share of it is faster than 0.5 m/s, and less than a tenth of this share
        changed its place on the map within 4 s. At 0 a run only ends by itself when nothing moves at all.
    film_share : float
        Snow thinner than this share of the deepest release does not move, so that runs do not end in endless films.
        Benchmarks use 1e-5.
    start_m_s : (east, north), optional
        Velocity at the start, each of shape (ny, nx).
    block_cells : int
        Cells along a block of the bookkeeping, 8 to 16; has no influence on the result.
    watch : callable, optional
        Called with the time and the depth, of the ground's shape, at each interval of ``watch_every_s``.

    Raises
    ------
    InputError
        If the release does not fit the ground, lies where there is no data, or is empty.
    ResourceError
        If no time step is short enough.
    """
    bed = ground if isinstance(ground, Bed) else prepare_bed(ground, plain=plain)
    released = _checked(bed, released_m, time_limit_s, block_cells)
    layer = _layer(bed, released, snow)
    cell = bed.ground.cell_m
    rules = FlowRules(  # of one type each, or the kernels are compiled anew
        cell_m=float(cell),
        dry_m=film_share * float(released.max()),
        friction=float(snow.friction),
        hold_m2_s2=snow.cohesion_pa / snow.density_kg_m3,
        drag=GRAVITY_M_S2 / snow.turbulence_m_s2,
        most_entrained=float(snow.growth * released.sum()),
        most_m_s=float(_free_fall_m_s(bed, released, start_m_s)),
        time_limit_s=float(time_limit_s),
        courant=COURANT,
        longest_step_s=FALL_STEP * math.sqrt(cell / GRAVITY_M_S2),
        shortest_step_s=SHORTEST_STEP_S_PER_M * cell,
        holes=int(bed.sink.any()),
        block=block_cells,
    )
    none = np.zeros(0)
    nobody = Tracers(x_m=none, y_m=none, speed_factor=none, start_s=none, diffusion_m2_s=none)
    run = Run(
        rules=rules,
        limits=RunLimits(time_limit_s=time_limit_s, moving_share=moving_share),
        planes=_planes(bed, released, layer, rules, start_m_s),
        people=tabulate_tracers(bed.ground, tracers or nobody, snow.friction, snow.turbulence_m_s2),
        released=float(released.sum()),
        watch=watch,
        watch_every_s=watch_every_s,
    )
    end = run_to_end(run)
    state, seen, clock = run.planes.state, run.planes.seen, run.planes.clock
    taken = layer - seen[flow_planes.SEEN_LAYER][_INNER]
    depth = np.ascontiguousarray(state[DEPTH][_INNER])
    return FlowResult(
        depth_m=depth,
        east_m_s=np.ascontiguousarray(state[VELOCITY_X][_INNER]),
        north_m_s=-state[VELOCITY_Y][_INNER],
        fastest_m_s=np.ascontiguousarray(seen[flow_planes.SEEN_SPEED][_INNER]),
        arrival_s=np.ascontiguousarray(seen[flow_planes.SEEN_ARRIVAL][_INNER]),
        deepest_m=np.ascontiguousarray(seen[flow_planes.SEEN_DEPTH][_INNER]),
        entrained_m=taken,
        time_s=run.time_s,
        steps=int(clock[flow_planes.STEPS]),
        cell_updates=int(clock[flow_planes.UPDATES]),
        moving_updates=int(clock[flow_planes.UPDATES_MOVING]),
        last_step_s=float(clock[flow_planes.STEP_S]),
        end=end,
        moving_share=run.moving_share,
        balance=_balance(bed.ground.cell_area_m2, released, taken, depth, seen[flow_planes.SEEN_LEFT]),
        tracers=None if tracers is None else read_tracer_rest(bed.ground, run.people),
    )


def _checked(bed: Bed, released_m: FloatArray, time_limit_s: float, block_cells: int) -> FloatArray:
    """The release as an array of floats, or an error that says what is wrong with it."""
    released = np.asarray(released_m, np.float64)
    ny, nx = bed.ground.shape
    if released.shape != (ny, nx):
        raise InputError(f"the release has shape {released.shape}, the ground {(ny, nx)}: give one depth per cell")
    if not np.isfinite(released).all() or released.min() < 0.0:
        row, col = np.argwhere(~(released >= 0.0) | np.isinf(released))[0]
        raise InputError(f"the release at row {row}, column {col} is {released[row, col]:g} m: give 0 or more")
    if not released.any():
        raise InputError("the release is empty: give at least one cell a depth")
    if (released[bed.sink[_INNER]] > 0.0).any():
        row, col = np.argwhere((released > 0.0) & bed.sink[_INNER])[0]
        raise InputError(f"the release covers row {row}, column {col}, where the ground has no data: leave it out")
    if not time_limit_s > 0.0:
        raise InputError(f"the time limit is {time_limit_s:g} s: give more than 0")
    if not 8 <= block_cells <= kernels.LARGEST_BLOCK:
        raise InputError(f"blocks of {block_cells} cells do not fit the scheme: give 8 to {kernels.LARGEST_BLOCK}")
    return released


def _free_fall_m_s(bed: Bed, released: FloatArray, start_m_s: tuple[FloatArray, FloatArray] | None) -> float:
    """Speed that nothing exceeds: a fall without friction from the highest snow, and the front of a dam break there."""
    drop = float((bed.planes[flow_planes.BED_HEIGHT][_INNER] + released)[released > 0.0].max())
    start = float(np.hypot(*start_m_s)[released > 0.0].max()) if start_m_s is not None else 0.0
    p, q = (np.abs(bed.planes[plane]).max() for plane in (flow_planes.BED_P, flow_planes.BED_Q))
    steep = 1.0 + float(p * p + q * q)  # start velocities are those on the map
    front = 2.0 * math.sqrt(GRAVITY_M_S2 * float(released.max()))  # Ritter 1892
    return math.sqrt(2.0 * GRAVITY_M_S2 * drop + steep * start**2) + front


def _layer(bed: Bed, released: FloatArray, snow: FlowSnow) -> FloatArray:
    """Depth that can be entrained per cell: none below the slab, which took its layer along."""
    open_ground = (released == 0.0) & ~bed.sink[_INNER]
    depth = snow.layer_m
    if depth is None:
        depth = snow.growth * float(released.sum()) / (2.0 * np.count_nonzero(released))
    return np.where(open_ground & (snow.growth > 0.0), depth, 0.0)


def _planes(
    bed: Bed,
    released: FloatArray,
    layer: FloatArray,
    rules: FlowRules,
    start_m_s: tuple[FloatArray, FloatArray] | None,
) -> flow_planes.FlowPlanes:
    """The planes that a run changes, at its start."""
    state = np.zeros((flow_planes.STATE_PLANES, *bed.sink.shape))
    seen = np.zeros((flow_planes.SEEN_PLANES, *bed.sink.shape))
    state[DEPTH][_INNER] = released
    if start_m_s is not None:
        wet = released > rules.dry_m
        state[VELOCITY_X][_INNER] = np.where(wet, start_m_s[0], 0.0)
        state[VELOCITY_Y][_INNER] = np.where(wet, -np.asarray(start_m_s[1]), 0.0)
    seen[flow_planes.SEEN_ARRIVAL] = np.nan
    seen[flow_planes.SEEN_ARRIVAL][_INNER][released > kernels.FRONT_M] = 0.0
    seen[flow_planes.SEEN_DEPTH][_INNER] = released
    if layer.any():
        seen[flow_planes.SEEN_LAYER][_INNER] = layer
    speed = np.abs(state[VELOCITY_X]) + np.abs(state[VELOCITY_Y])
    waves = speed + np.sqrt(state[DEPTH]) * (bed.planes[flow_planes.BED_ROOT_X] + bed.planes[flow_planes.BED_ROOT_Y])
    clock = np.zeros(flow_planes.CLOCK)
    clock[flow_planes.WAVE_M_S] = waves[state[DEPTH] > 0.0].max()
    active = _active_blocks(bed, state[DEPTH], rules.block)
    return flow_planes.FlowPlanes(
        state=state,
        after=np.zeros((flow_planes.AFTER_PLANES, *bed.sink.shape)),
        bed=bed.planes,
        seen=seen,
        active=active,
        boxes=np.zeros((active.shape[0] * active.shape[1], 4), np.int32),
        sums=np.zeros((flow_planes.SUMS, bed.sink.shape[0])),
        scratch=np.zeros(kernels.SCRATCH),
        clock=clock,
    )


def _balance(area: float, released: FloatArray, taken: FloatArray, depth: FloatArray, left: FloatArray) -> MassBalance:
    """Volumes from depths per cell."""
    west, east, south, north = left[:, FRAME - 1], left[:, -FRAME], left[-FRAME], left[FRAME - 1]
    parts = {"left_west": west, "left_east": east, "left_south": south, "left_north": north}
    parts |= {"left_no_data": left[_INNER], "released": released, "entrained": taken, "on_grid": depth}
    return MassBalance(**{f"{name}_m3": float(part.sum()) * area for name, part in parts.items()})
