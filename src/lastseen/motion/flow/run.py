"""One event as a depth-averaged flow over the ground, in map coordinates.

H is vertical depth and U horizontal velocity; gravity, the load from curved ground and pressure act in the surface, so
that a slope askew to the map needs no turned axes (section "Motion" of the design; derived from Savage & Hutter 1989,
J. Fluid Mech. 199:177). Friction is Voellmy's (1955) with cohesion. Rest is true rest: where drive and pressure do
not exceed friction, snow stops and stays (Mangeney-Castelnau et al. 2003, J. Geophys. Res. 108:2527). Lakes at rest are
kept in the plain frame by hydrostatic reconstruction (Audusse et al. 2004, SIAM J. Sci. Comput. 25:2050).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lastseen.errors import InputError
from lastseen.grid import FloatArray, Grid
from lastseen.motion.flow import kernels
from lastseen.motion.flow.bed import FRAME, Bed, lay_bed
from lastseen.motion.flow.books.kernels import FRONT_M
from lastseen.motion.flow.carried import Tracers, rest_of, table_of
from lastseen.motion.flow.loop import Terms, run_course
from lastseen.motion.flow.model import FlowResult, FlowSnow, MassBalance

BLOCK_CELLS = 32
FILM_SHARE = 1e-4  # design choice: some hundredths of a millimetre of snow do not flow
_INNER = (slice(FRAME, -FRAME), slice(FRAME, -FRAME))


def run_flow(
    ground: Grid | Bed,
    released_m: FloatArray,
    snow: FlowSnow,
    *,
    tracers: Tracers | None = None,
    time_limit_s: float = 600.0,
    plain: bool = False,
    moving_share: float = 0.01,
    energy_share: float = 1e-4,
    change_share: float = 0.0,
    film_share: float = FILM_SHARE,
    start_m_s: tuple[FloatArray, FloatArray] | None = None,
    block_cells: int = BLOCK_CELLS,
    watch: Callable[[float, FloatArray], None] | None = None,
    watch_every_s: float = 1.0,
) -> FlowResult:
    """Let released snow flow until it rests.

    Parameters
    ----------
    ground : Grid or Bed
        Elevations in metres as the snow feels them, used as they are; NaN is no data: what flows in is counted and
        gone. A prepared bed (see :func:`lay_bed`) saves time when many events run on one ground.
    released_m : ndarray, shape (ny, nx)
        Vertical depth of released snow, metres, 0 or more.
    snow : FlowSnow
    tracers : Tracers, optional
    time_limit_s : float
    plain : bool
        Gravity and pressure of plain shallow water, for benchmarks. Ignored for a prepared bed, which knows its frame.
    moving_share, energy_share : float
        The run ends when less than this share of the mass is faster than 0.5 m/s, or when less than this share of the
        peak kinetic energy is left; 0 switches an end off.
    change_share : float
        The run also ends when less than this share of the snow changed its place on the map within 5 s: in a gully that
        the cells hardly show, snow can go on turning within its pool. 0 switches this end off.
    film_share : float
        Snow thinner than this share of the deepest release does not move, so that runs do not end in endless films.
        Benchmarks use 1e-5.
    start_m_s : (east, north), optional
        Velocity at the start, each of shape (ny, nx).
    block_cells : int
        Cells along a block of the bookkeeping, 8 to 32; has no influence on the result.
    watch : callable, optional
        Called with the time and the depth, of the ground's shape, at each interval of ``watch_every_s``.
    watch_every_s : float

    Returns
    -------
    FlowResult

    Raises
    ------
    InputError
        If the release does not fit the ground, lies where there is no data, or is empty.
    ResourceError
        If no time step is short enough.
    """
    bed = ground if isinstance(ground, Bed) else lay_bed(ground, plain=plain)
    released = _checked(bed, released_m, time_limit_s, block_cells)
    terms = Terms(
        time_limit_s,
        moving_share,
        energy_share,
        change_share,
        released=float(released.sum()),
        growth=snow.growth,
        block_cells=block_cells,
        seed=0 if tracers is None else tracers.seed,
        trail_cell_m=0.0 if tracers is None else tracers.trail_cell_m,
        friction=snow.friction,
        turbulence_m_s2=snow.turbulence_m_s2,
        watch=watch,
        watch_every_s=watch_every_s,
    )
    layer = _layer(bed, released, snow)
    state, seen = _planes(bed, released, layer, film_share * float(released.max()), start_m_s)
    people = table_of(bed.ground, tracers)
    course, end = run_course(bed, state, seen, people, _rules(bed, film_share * float(released.max()), snow), terms)
    taken = layer - seen[3][_INNER]
    depth = np.ascontiguousarray(state[0][_INNER])
    return FlowResult(
        depth_m=depth,
        east_m_s=np.ascontiguousarray(state[1][_INNER]),
        north_m_s=-state[2][_INNER],
        fastest_m_s=np.ascontiguousarray(seen[0][_INNER]),
        arrival_s=np.ascontiguousarray(seen[1][_INNER]),
        deepest_m=np.ascontiguousarray(seen[2][_INNER]),
        entrained_m=taken,
        time_s=course.time_s,
        steps=course.steps,
        cell_updates=course.updates,
        last_step_s=course.last_step_s,
        end=end,
        balance=_balance(bed.ground.cell_area_m2, released, taken, depth, seen[4]),
        tracers=None if tracers is None else rest_of(bed.ground, *people),
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


def _rules(bed: Bed, film_m: float, snow: FlowSnow) -> FloatArray:
    """The numbers of the scheme in the order of its kernel."""
    return np.array(
        [
            bed.ground.cell_m,
            film_m,
            snow.friction,
            snow.cohesion_pa / snow.density_kg_m3,
            kernels.GRAVITY_M_S2 / snow.turbulence_m_s2,
            1.0 if bed.plain else 0.0,
            1.0 if bed.sink.any() else 0.0,
        ]
    )


def _layer(bed: Bed, released: FloatArray, snow: FlowSnow) -> FloatArray:
    """Depth that can be entrained per cell: none below the slab, which took its layer along."""
    open_ground = (released == 0.0) & ~bed.sink[_INNER]
    depth = snow.layer_m
    if depth is None:
        depth = snow.growth * float(released.sum()) / (2.0 * np.count_nonzero(released))
    return np.where(open_ground & (snow.growth > 0.0), depth, 0.0)


def _planes(
    bed: Bed, released: FloatArray, layer: FloatArray, film_m: float, start_m_s: tuple[FloatArray, FloatArray] | None
) -> tuple[FloatArray, FloatArray]:
    """The planes that a run changes, at its start."""
    state, seen = np.zeros((9, *bed.sink.shape)), np.zeros((6, *bed.sink.shape))
    state[0][_INNER] = released
    if start_m_s is not None:
        wet = released > film_m
        state[1][_INNER] = np.where(wet, start_m_s[0], 0.0)
        state[2][_INNER] = np.where(wet, -np.asarray(start_m_s[1]), 0.0)
    state[3:6] = state[:3]
    seen[1] = np.nan
    seen[1][_INNER][released > FRONT_M] = 0.0
    seen[2][_INNER] = released
    if layer.any():
        seen[3][_INNER] = layer
    return state, seen


def _balance(area: float, released: FloatArray, taken: FloatArray, depth: FloatArray, left: FloatArray) -> MassBalance:
    """Volumes from depths per cell."""
    return MassBalance(
        released_m3=float(released.sum()) * area,
        entrained_m3=float(taken.sum()) * area,
        on_grid_m3=float(depth.sum()) * area,
        left_west_m3=float(left[:, FRAME - 1].sum()) * area,
        left_east_m3=float(left[:, -FRAME].sum()) * area,
        left_south_m3=float(left[-FRAME].sum()) * area,
        left_north_m3=float(left[FRAME - 1].sum()) * area,
        left_no_data_m3=float(left[_INNER].sum()) * area,
    )
