"""Carrying the start cells of a block down by the ensemble, on a window that grows until nothing leaves it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import qmc

from lastseen.core import BoolArray, FloatArray, Grid, InputError, IntArray, Snow
from lastseen.jobs.reading import block_reading_kernels
from lastseen.jobs.reading.ground import GroundTile, Heights, PreparedGround, Window
from lastseen.snow import (
    DEPOSIT_DENSITY_KG_M3,
    FLOW_THICKNESS,
    GRAVITY_M_S2,
    NO_DATA,
    PILE_WIDTH,
    SAMPLE_FRICTION,
    SLAB_DENSITY_KG_M3,
    SLIDES,
    Samples,
    SampleTracks,
    draw_slabs,
    outer_friction,
    slab_class,
    slide_samples,
    thickness_m,
    triangular,
    uniform,
)

SMALLEST_SPREAD_CELLS = 1.5  # of the snow of one sample; design choice

# What is not known about an event: the same members for start cells everywhere, and draws by place.
# A member has one friction, turbulence, slab thickness and growth, drawn as for a plan
# (Latin hypercube), friction from further below: what reaches a line must not be missed.
# What varies from sample to sample (place in its cell, friction) comes from a hash of the seed, the row, the column and
# the member, so that a cell draws the same numbers whatever is run beside it.

MOST_MEMBERS = 63  # one bit each in a mask of 64
MEMBERS = 16  # where nothing else is said: shares come in steps of 6 %
_STEEPEST_DEG = 90

HashArray = npt.NDArray[np.uint64]


@dataclass(frozen=True, kw_only=True)
class SharedDraws:
    """Members that are the same for all start cells."""

    seed: int
    size: int
    # shape (members,); slab factor: thickness against that of the size and slope. Growth: entrained over released mass.
    friction: FloatArray
    turbulence_m_s2: FloatArray
    slab_factor: FloatArray
    growth: FloatArray
    slab_m: FloatArray  # shape (91,); slab thickness by whole degrees of slope

    @property
    def count(self) -> int:
        """Number of members."""
        return int(self.friction.size)

    @property
    def slab_area_m2(self) -> float:
        """Area on the slope of a slab of the size."""
        return slab_class(self.size).area_m2

    def thickness_m(self, slope_deg: FloatArray) -> FloatArray:
        """Middle slab thickness on slopes, normal to them."""
        return self.slab_m[np.clip(np.nan_to_num(slope_deg), 0.0, _STEEPEST_DEG).astype(np.int64)]

    def deposit_factor(self) -> FloatArray:
        """Volume of deposit for each volume released, by member."""
        return (1.0 + self.growth) * (SLAB_DENSITY_KG_M3 / DEPOSIT_DENSITY_KG_M3)


def draw_shared(snow: Snow, seed: int, members: int = MEMBERS) -> SharedDraws:
    """Draw the members of a size, 4 to 63 of them; InputError where there are fewer or more."""
    if not 4 <= members <= MOST_MEMBERS:
        raise InputError(f"{members} members: choose 4 to {MOST_MEMBERS}")
    u = qmc.LatinHypercube(d=4, rng=np.random.default_rng(seed)).random(members)
    fixed, degrees = snow.slab_thickness_m, range(_STEEPEST_DEG + 1)
    by_slope = np.array([thickness_m(snow.size, degree) if fixed is None else fixed for degree in degrees])
    return SharedDraws(
        seed=seed,
        size=snow.size,
        friction=triangular(u[:, 0], outer_friction(snow.size, snow.friction)),
        turbulence_m_s2=triangular(u[:, 1], snow.turbulence_m_s2),
        slab_factor=draw_slabs(snow.size, u[:, 2], u[:, 2]).thickness_factor,
        growth=triangular(u[:, 3], snow.growth),
        slab_m=by_slope,
    )


def draw_by_place(seed: int, rows: npt.NDArray[Any], cols: npt.NDArray[Any], members: int, what: int) -> FloatArray:
    """Numbers from 0 to below 1 for each cell and member, shape (cells, members), by a hash of whole numbers.

    The finaliser of splitmix64 (Steele, Lea & Flood 2014, OOPSLA, doi 10.1145/2660193.2660195), chained.
    """
    h = _mixed(np.array([seed & (2**64 - 1)], np.uint64) * _GOLDEN + np.uint64(what + 1))
    h = _mixed(h ^ rows.astype(np.int64).view(np.uint64))
    h = _mixed(h ^ (cols.astype(np.int64).view(np.uint64) * _GOLDEN))
    m = np.arange(1, members + 1, dtype=np.uint64)
    return (_mixed(h[:, None] + m[None, :] * _GOLDEN) >> np.uint64(11)).astype(np.float64) * 2.0**-53


_GOLDEN = np.uint64(0x9E3779B97F4A7C15)


def _mixed(x: HashArray) -> HashArray:
    """Whole numbers of 64 bits, whose products wrap around."""
    z = x + _GOLDEN
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


# The window depends on the block and the elevation model alone, and samples move in its own coordinates: a block gives
# the same tracks in every run.

STARTS_M = 5.0  # one start at least every so far: on finer cells not every one is run; design choice
# Of samples by the thousand. Against steps a tenth as long, 99 % come to rest within 0.1 of a cell of the same place,
# and 0.5 % of the cells entered are missed at most (bench of pre-reading, "steps"). At a sharp foot (40 degrees onto
# flat ground) they stop a cell early.
LARGEST_STEP_S, LARGEST_STEP_CELLS = 0.5, 1.0
LEAST_STEP_M = 4.0  # samples feel no detail of a finer ground (`smooth_for_snow`)
BATCH = 4_000  # samples of several slabs that slide in one call
# Ground around a block that is taken at first, by size: nearly all samples stay on it, and a block is not run twice.
FIRST_REACH_M = {1: 450.0, 2: 900.0, 3: 1600.0, 4: 2400.0}
GROWTH = 1.6
RIM_CELLS = 4
EVEN_SLOPE_DEG = 38.0  # of the median slab: from its area on the slope to the side of its square on the map
LongArray = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Starts:
    """Start cells of a block that are run, in the order of zone, slab, row, column."""

    # on the lattice
    rows: LongArray
    cols: LongArray
    # start zone in the block; square of a slab's area that releases together
    zone: LongArray
    slab: LongArray
    cells: LongArray  # how many cells each one stands for
    slope_deg: FloatArray
    spread: LongArray  # shape of the block; which of them stands for each start cell of the block; -1 is no start cell

    def groups(self) -> list[slice]:
        """Starts of one slab together, zone by zone."""
        new = np.flatnonzero((np.diff(self.zone) != 0) | (np.diff(self.slab) != 0)) + 1
        edges = [0, *new.tolist(), self.rows.size]
        return [slice(a, b) for a, b in itertools.pairwise(edges) if b > a]


@dataclass(frozen=True, eq=False, kw_only=True)
class SlabRun:
    """The samples of one slab. Samples are ordered by start cell, then by member."""

    starts: slice  # of the block's starts
    zone: int
    ground: GroundTile  # the window that they ran on; cells of the tracks are its flat indices
    tracks: SampleTracks  # map places are counted in metres from the window's corner
    stop: IntArray  # shape (samples,); flat cell where each stays; -1 where it left the model or met no data
    # shape (samples,); thickness of the debris of its event where it stops; NaN where it does not stay
    debris_m: FloatArray


def choose_starts(ground: GroundTile, block: Window, heights: Heights, draws: SharedDraws, spacing_m: float) -> Starts:
    """Choose the start cells of a block: one for each square of the spacing, in each zone."""
    inner = block.inside(ground.window)
    zone = ground.zone[inner]
    rows, cols = np.nonzero(zone)
    spread = np.full(zone.shape, -1, np.int64)
    numbers = zone[rows, cols].astype(np.int64)
    at_row, at_col = rows + block.top, cols + block.left
    stride = stride_cells(spacing_m, heights.cell_m)
    side = slab_cells(draws, heights.cell_m)
    wide = block.shape[1] // side + 2
    slab = (at_row // side - block.top // side) * wide + at_col // side - block.left // side
    patch = (at_row % side // stride) * side + at_col % side // stride
    key = np.stack([numbers, slab, patch])
    _, first, start_of_cell, count = np.unique(key, axis=1, return_index=True, return_inverse=True, return_counts=True)
    spread[rows, cols] = start_of_cell.ravel()
    slope = ground.slope_deg[inner][rows, cols].astype(np.float64)
    return Starts(
        rows=at_row[first],
        cols=at_col[first],
        zone=numbers[first],
        slab=slab[first],
        cells=count.astype(np.int64),
        slope_deg=slope[first],
        spread=spread,
    )


def stride_cells(spacing_m: float, cell_m: float) -> int:
    """Cells from one start to the next."""
    return max(1, round(spacing_m / cell_m - 0.1))


def slab_cells(draws: SharedDraws, cell_m: float) -> int:
    """Side of the square on the map that holds a slab of the size."""
    on_map = draws.slab_area_m2 * np.cos(np.radians(EVEN_SLOPE_DEG))
    return max(2, round(float(np.sqrt(on_map)) / cell_m))


def simulate_block(
    prepared: PreparedGround, block: Window, draws: SharedDraws, spacing_m: float, roughest: FloatArray | None = None
) -> tuple[Starts, GroundTile, list[SlabRun]] | None:
    """Carry the start cells of a block down; None where there are none.

    ``spacing_m`` is the distance of starts; each cell is run where it is under two cells. ``roughest``, of the shape of
    the block cut to the extent, is the greatest friction with which a sample of each start cell is run: other samples
    enter no cell and stay nowhere, and cells where it is minus infinite are no start cells.
    """
    heights = prepared.heights
    known = block.cut(heights.extent)
    if known.empty:
        return None
    start_tile = prepared.over(known)
    if roughest is not None:
        start_tile = replace(start_tile, zone=np.where(roughest > -np.inf, start_tile.zone, 0))
    starts = choose_starts(start_tile, known, heights, draws, spacing_m)
    if not starts.rows.size:
        return None
    limit = np.full(starts.rows.size, np.inf) if roughest is None else limit_friction(starts, roughest)
    reach = int(np.ceil(FIRST_REACH_M[draws.size] / heights.cell_m))
    window = known.grown(reach).cut(heights.extent)
    while True:
        ground = prepared.over(window)
        runs, sides = _simulate_on(ground, starts, limit, heights, draws)
        wider = _grown(window, sides, reach, heights.extent)
        if wider == window:
            return starts, ground, runs
        window, reach = wider, int(reach * GROWTH)


def limit_friction(starts: Starts, roughest: FloatArray) -> FloatArray:
    """For each start the greatest value of the cells that it stands for."""
    out = np.full(starts.rows.size, -np.inf)
    shown = starts.spread >= 0
    np.maximum.at(out, starts.spread[shown], roughest[shown])
    return out


def _grown(window: Window, sides: set[str], more: int, extent: Window) -> Window:
    n, w, s, e = (more * (side in sides) for side in "NWSE")
    wider = Window(top=window.top - n, left=window.left - w, bottom=window.bottom + s, right=window.right + e)
    return wider.cut(extent)


def _simulate_on(
    ground: GroundTile, starts: Starts, limit: FloatArray, heights: Heights, draws: SharedDraws
) -> tuple[list[SlabRun], set[str]]:
    """All slabs on one window; and the sides of it that samples came to."""
    smooth = Grid(ground.smoothed_m, 0.0, 0.0, heights.cell_m, heights.crs)
    pile = np.zeros(ground.smoothed_m.size)
    half = pile_half_cells(draws, heights.cell_m)
    m = draws.count
    runs, sides = [], set[str]()
    for groups in _batches(starts.groups(), max(1, BATCH // m)):
        some = slice(groups[0].start, groups[-1].stop)
        samples, volume = _lay_samples(ground, starts, some, heights, draws)
        tracks = _slide(smooth, samples, samples.friction <= np.repeat(limit[some], m))
        sides |= _sides(smooth, tracks, ground.window, heights.extent)
        if sides:
            break
        stop = _stops(smooth, tracks)
        for group in groups:
            of_group = slice((group.start - some.start) * m, (group.stop - some.start) * m)
            debris = np.empty(of_group.stop - of_group.start)
            place = (smooth.shape[1], half, heights.cell_m)
            block_reading_kernels.piled(stop[of_group], volume[of_group], m, *place, pile, debris)
            runs.append(
                SlabRun(
                    starts=group,
                    zone=int(starts.zone[group.start]),
                    ground=ground,
                    tracks=tracks.part(of_group),
                    stop=stop[of_group],
                    debris_m=debris,
                )
            )
    return runs, sides


def _batches(groups: list[slice], starts: int) -> Iterator[list[slice]]:
    """Groups in their order, some at a time: as many as it takes to hold so many starts."""
    some: list[slice] = []
    for group in groups:
        some.append(group)
        if group.stop - some[0].start >= starts:
            yield some
            some = []
    if some:
        yield some


def _slide(smooth: Grid, samples: Samples, run: BoolArray) -> SampleTracks:
    """Let some samples slide; those that are not run enter no cell and are out of the model."""
    some = Samples(**{field.name: getattr(samples, field.name)[run] for field in fields(samples)})
    step_cells = max(LARGEST_STEP_CELLS, LEAST_STEP_M / smooth.cell_m)
    tracks = slide_samples(smooth, some, largest_step_s=LARGEST_STEP_S, largest_step_cells=step_cells)
    if run.all():
        return tracks
    entered = np.zeros(run.size, tracks.offsets.dtype)
    entered[run] = np.diff(tracks.offsets)
    offsets = np.concatenate([[0], np.cumsum(entered)]).astype(tracks.offsets.dtype)
    # Beside the visits all arrays are by sample; those not run stand at their start.
    out = np.full(run.size, NO_DATA, np.int32)
    instead: dict[str, npt.NDArray[Any]] = {"x_m": samples.x_m, "y_m": samples.y_m, "reason": out}
    whole: dict[str, npt.NDArray[Any]] = {}
    for name in (field.name for field in fields(tracks) if field.name not in ("cells", "speeds_m_s", "offsets")):
        whole[name] = instead.get(name, np.full(run.size, np.nan)).copy()
        whole[name][run] = getattr(tracks, name)
    return SampleTracks(cells=tracks.cells, speeds_m_s=tracks.speeds_m_s, offsets=offsets, **whole)


def pile_half_cells(draws: SharedDraws, cell_m: float) -> int:
    """Half the side of the square over which the snow of one sample lies: as wide as a pile of the event's volume."""
    volume = draws.slab_area_m2 * float(np.mean(draws.thickness_m(np.array([EVEN_SLOPE_DEG]))))
    volume *= float(np.mean(draws.deposit_factor()))
    sigma = max(SMALLEST_SPREAD_CELLS, PILE_WIDTH * volume ** (1.0 / 3.0) / cell_m)
    return max(1, round(float(np.sqrt(3.0) * sigma) - 0.5))  # a square of this half side has the same deviation


def _lay_samples(
    ground: GroundTile, starts: Starts, group: slice, heights: Heights, draws: SharedDraws
) -> tuple[Samples, FloatArray]:
    """Samples at rest, and the volume of debris that each one leaves."""
    rows, cols = starts.rows[group], starts.cols[group]
    m, c = draws.count, heights.cell_m
    off_row, off_col, off_friction = (draw_by_place(draws.seed, rows, cols, m, what) for what in range(3))
    slab = draws.thickness_m(starts.slope_deg[group])[:, None] * draws.slab_factor[None, :]
    slope = np.radians(np.clip(np.nan_to_num(starts.slope_deg[group]), 0.0, 80.0))
    area = starts.cells[group] * c * c / np.cos(slope)
    x = (cols - ground.window.left)[:, None] * c + off_col * c
    y = -((rows - ground.window.top)[:, None] * c + off_row * c)
    friction = draws.friction[None, :] * uniform(off_friction, *SAMPLE_FRICTION)
    friction = np.minimum(friction, SLIDES * np.tan(slope)[:, None])  # a slab that broke has slid
    drag = GRAVITY_M_S2 / (draws.turbulence_m_s2[None, :] * slab * FLOW_THICKNESS)
    volume = area[:, None] * slab * draws.deposit_factor()[None, :]
    rest = np.zeros(x.size)
    flat = {"x_m": x.ravel(), "y_m": y.ravel(), "friction": friction.ravel(), "drag_per_m": drag.ravel()}
    return Samples(east_m_s=rest, north_m_s=rest, **flat), volume.ravel()


def _stops(smooth: Grid, tracks: SampleTracks) -> IntArray:
    stays = (tracks.reason == 0) | (tracks.reason == 3)
    row, col = smooth.cell_of(tracks.x_m, tracks.y_m)
    return np.where(stays, row * smooth.shape[1] + col, -1).astype(np.int32)


def _sides(smooth: Grid, tracks: SampleTracks, window: Window, extent: Window) -> set[str]:
    """Sides of the window over which samples left, where the elevation model goes on."""
    gone = tracks.reason == 1
    if not gone.any():
        return set()
    rim = RIM_CELLS * smooth.cell_m
    west, south, east, north = smooth.bounds
    x, y = tracks.x_m[gone], tracks.y_m[gone]
    tests = {
        "W": window.left > extent.left and (x < west + rim).any(),
        "E": window.right < extent.right and (x > east - rim).any(),
        "S": window.bottom < extent.bottom and (y < south + rim).any(),
        "N": window.top > extent.top and (y > north - rim).any(),
    }
    return {side for side, reached in tests.items() if reached}
