"""Where snow could start above practice ground, and what comes down from there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.stats import triang

from lastseen.core import (
    BoolArray,
    FloatArray,
    Grid,
    IntArray,
    Progress,
    Snow,
    map_in_threads,
    no_progress,
    thread_count,
)
from lastseen.jobs.practice import sites_kernels
from lastseen.snow import (
    CLOSED_CANOPY,
    LEAST_SLOPE_DEG,
    SIZES,
    START_ZONE_SMOOTHING_M,
    Samples,
    SampleTracks,
    average_onto_lattice,
    crown_cover,
    drag_per_m,
    largest_slab_factor,
    outer_friction,
    slab_class,
    slide_samples,
    smooth_for_snow,
)
from lastseen.terrain import read_terrain, smooth_heights

# Every cell that is steep enough counts, without an upper limit of slope and whatever its grade: a site is held to
# the careful side. Each cell gets the largest destructive size that the start-zone ground round it can hold: ground
# that hangs together and faces about the same way, since a slab does not reach round a ridge.
LEAST_START_DEG = LEAST_SLOPE_DEG  # the same start-zone terrain as everywhere in this house, but with no upper limit
SECTORS, FACING_DEG = 8, 60.0  # a slab lies on ground that faces within this of one of so many azimuths; design choice
HOLDS_SHARE = 0.5  # of the median slab of a size on ground that can hold it: the careful side; design choice
LEAST_SHARE = 0.25  # a start zone holds at least this share of a slab of size 1, as for a release


@dataclass(frozen=True, eq=False, kw_only=True)
class StartGround:
    """Start zones of a ground."""

    ground: Grid  # elevations, metres
    slope_deg: FloatArray  # slope as a slab feels it; NaN where not known
    gradient_m_m: tuple[FloatArray, FloatArray]  # (east, north); downhill gradient of the same surface
    zones: IntArray  # shape (ny, nx); number of the start zone of each cell, from 1; 0 is none
    size: npt.NDArray[np.int8]  # largest destructive size that the ground round each cell can hold; 0 is no start zone
    could_be: npt.NDArray[np.int8]  # the same without the limit on the size
    count: int  # number of zones
    least_deg: float  # slope from which ground counts


def find_start_ground(
    ground: Grid, cover: Grid | None = None, least_deg: float = LEAST_START_DEG, most_size: int = SIZES[-1]
) -> StartGround:
    """Find all start zones of a ground (elevations, NaN is no data), each with the largest destructive size it holds.

    ``cover`` is the share of each cell under crowns, 0 to 1: a closed canopy is no start zone. Snow can start from
    ``least_deg``; sizes above ``most_size`` are not looked at.
    """
    terrain = read_terrain(smooth_heights(ground, START_ZONE_SMOOTHING_M))
    slope = terrain.slope_deg.values
    with np.errstate(invalid="ignore"):
        steep: BoolArray = slope >= least_deg
        rise = np.tan(np.radians(slope))
        turn = np.radians(np.nan_to_num(terrain.aspect_deg.values))
    if cover is not None:
        steep &= crown_cover(cover) < CLOSED_CANOPY
    surface = ground.cell_area_m2 * np.sqrt(1.0 + np.nan_to_num(rise) ** 2)
    zones, count = _zones(steep, surface)
    could_be = _sizes(zones > 0, terrain.aspect_deg.values, surface)
    return StartGround(
        ground=ground,
        slope_deg=slope,
        gradient_m_m=(np.nan_to_num(rise * np.sin(turn)), np.nan_to_num(rise * np.cos(turn))),
        zones=zones,
        size=np.minimum(could_be, np.int8(most_size)),
        could_be=could_be,
        count=count,
        least_deg=least_deg,
    )


def _connected(cells: BoolArray, surface_m2: FloatArray) -> tuple[IntArray, FloatArray]:
    """Numbers of connected pieces, 0 is outside, and the area of each."""
    labels, count = ndimage.label(cells, structure=np.ones((3, 3), bool))
    return np.asarray(labels, np.int32), np.bincount(labels.ravel(), surface_m2.ravel(), count + 1).astype(np.float64)


def _zones(steep: BoolArray, surface_m2: FloatArray) -> tuple[IntArray, int]:
    """Connected start zones that can hold a part of a slab of size 1, numbered from 1."""
    labels, area = _connected(steep, surface_m2)
    kept = area >= LEAST_SHARE * slab_class(1).area_m2
    kept[0] = False
    number = np.where(kept, np.cumsum(kept), 0).astype(np.int32)
    return number[labels], int(kept.sum())


def _sizes(start: BoolArray, aspect_deg: FloatArray, surface_m2: FloatArray) -> npt.NDArray[np.int8]:
    """Largest size that fits on the connected ground of one facing that holds each cell."""
    least = [HOLDS_SHARE * slab_class(size).area_m2 for size in SIZES[1:]]

    def facing(azimuth: float) -> npt.NDArray[np.int8]:
        with np.errstate(invalid="ignore"):
            near = start & (np.abs((aspect_deg - azimuth + 180.0) % 360.0 - 180.0) <= FACING_DEG)
        labels, area = _connected(near, surface_m2)
        size = (1 + np.searchsorted(least, area, side="right")).astype(np.int8)
        size[0] = 0
        return np.asarray(size[labels], np.int8)

    size = start.astype(np.int8)
    for azimuths in np.array_split(np.arange(SECTORS) * (360.0 / SECTORS), SECTORS // 2):  # two at a time in memory
        for found in map_in_threads(facing, azimuths.tolist()):
            np.maximum(size, found, out=size)
    return size


MEMBERS = 6  # frictions from the outer one upwards; design choice
FINEST_CELL_M = 5.0  # samples feel ground no finer than this; design choice
MOST_CELLS = 1_200_000  # the working cell doubles until there are no more; design choice
SPACING_M = 20.0  # a sample sets out from the highest start-zone cell of each block this wide; design choice
# Against 0.05 s and a quarter cell: 0.02 % of the reached ground is missed, none of it more than one cell of 5 m from
# ground that is found (bench of practice sites, "steps"). Steps of a whole cell stop a cell early at a sharp foot.
LARGEST_STEP_S, LARGEST_STEP_CELLS = 0.5, 0.5
HIGHEST_TURBULENCE_M_S2 = Snow().turbulence_m_s2[2]
BATCH = 2_000
FOOTPRINT_M = 10.0  # half the width of ground that one sample stands for; design choice


@dataclass(frozen=True, eq=False, kw_only=True)
class StartZoneReach:
    """Where samples from the start zones come."""

    share: Grid  # of the frictions with which at least one sample passes within 10 m; 0 is "no start zone reaches it"
    speed_m_s: FloatArray  # greatest speed of any sample in the cell itself; 0 where none passes through it
    source: IntArray  # flat index in ``share`` of the start of the fastest sample; -1 where none passes
    frictions: tuple[tuple[float, ...], ...]  # friction of each member for size 1, 2, 3, 4
    samples: int  # how many came down, all members together
    left: int  # how many of them left the elevation model or ran into no data


def spread_over(coarse: Grid, ground: Grid) -> FloatArray:
    """Values of a coarser lattice on the cells of the ground that it was worked out from."""
    ratio = round(coarse.cell_m / ground.cell_m)
    rows, cols = (np.minimum(np.arange(n) // ratio, m - 1) for n, m in zip(ground.shape, coarse.shape, strict=True))
    found: FloatArray = coarse.values[rows[:, None], cols[None, :]]
    return found


def member_frictions(members: int = MEMBERS) -> tuple[tuple[float, ...], ...]:
    """Frictions of each member by size, rising.

    The first is the outer friction of the size, below what was tuned to reported lengths: what reaches a place of
    practice must not be missed. The others are evenly spaced quantiles of the triangular law that begins there.
    """
    steps = (np.arange(members - 1) + 0.5) / max(members - 1, 1)
    laws = [outer_friction(size) for size in SIZES]
    first = tuple(low for low, _, _ in laws)
    quantiles = [triang.ppf(steps, (mode - low) / (high - low), low, high - low).tolist() for low, mode, high in laws]
    return (first, *zip(*quantiles, strict=True))


def simulate_start_zones(
    ground: Grid, starts: StartGround, *, members: int = MEMBERS,
    frictions: tuple[tuple[float, ...], ...] | None = None, turbulence_m_s2: float = HIGHEST_TURBULENCE_M_S2,
    centripetal_load: bool = True, progress: Progress = no_progress,
) -> StartZoneReach:  # fmt: skip
    """Carry every start zone down as sliding mass, for each friction of the ensemble, and gather where samples pass.

    From every block of 20 m that holds start-zone ground a sample sets out at rest at its highest such cell, with the
    frictions and the slab of the largest size that the start zone there can hold, and the highest turbulence of the
    range: an outer bound of the model. No data of the ground stops a sample. Same result for any number of
    threads.

    ``frictions`` are those of each member for size 1, 2, 3, 4, instead of `member_frictions`. An infinite
    ``turbulence_m_s2`` (Voellmy xi) is no drag. With ``centripetal_load`` friction feels the load from curved ground,
    as in nature; without it and without drag a sample stops on its energy line (Heim 1932).
    """
    lattice, sizes = _working_ground(ground, starts)
    smooth = smooth_for_snow(lattice)
    cells, size = _set_out_from(lattice, sizes)
    frictions = member_frictions(members) if frictions is None else frictions
    members = len(frictions)
    slabs = [slab_class(slab_size).thickness_at_38_m * largest_slab_factor(slab_size) for slab_size in SIZES]
    drag = np.array([0.0, *(drag_per_m(turbulence_m_s2, slab) for slab in slabs)])
    share = np.zeros(lattice.shape)
    speed, source = np.zeros(lattice.shape, np.float32), np.full(lattice.shape, -1, np.int32)
    samples = left = 0
    for number, by_size in enumerate(frictions):
        progress("bodies come down from the start zones", number / members)
        set_out = _MemberStarts(
            smooth=smooth,
            cells=cells,
            friction=np.array((0.0, *by_size))[size],
            drag_per_m=drag[size],
            start=sizes > 0,
            centripetal_load=centripetal_load,
        )
        passed, gone = _simulate_member(set_out, speed, source)
        share += _widened(passed, lattice.cell_m)
        samples, left = samples + cells.size, left + gone
    shares, speeds = lattice.with_values(share / members), speed.astype(np.float64)
    return StartZoneReach(
        share=shares, speed_m_s=speeds, source=source, frictions=frictions, samples=samples, left=left
    )


def _working_ground(ground: Grid, starts: StartGround) -> tuple[Grid, npt.NDArray[np.int8]]:
    """The working lattice, and the largest size that starts in each of its cells."""
    ratio = max(1, int(np.ceil(FINEST_CELL_M / ground.cell_m - 1e-9)))
    while True:
        lattice = average_onto_lattice(ground, ratio) if ratio > 1 else ground
        ny, nx = lattice.shape
        blocks = starts.size[: ny * ratio, : nx * ratio].reshape(ny, ratio, nx, ratio)
        if lattice.values.size <= MOST_CELLS or min(lattice.shape) < 40:
            return lattice.with_values(np.ascontiguousarray(lattice.values, np.float64)), blocks.max(axis=(1, 3))
        ratio *= 2


def _set_out_from(lattice: Grid, sizes: npt.NDArray[np.int8]) -> tuple[IntArray, IntArray]:
    """The highest start-zone cell of each block, and the largest size that starts in the block."""
    k = max(1, round(SPACING_M / lattice.cell_m))
    ny, nx = (-(-n // k) for n in sizes.shape)
    rim = ((0, ny * k - sizes.shape[0]), (0, nx * k - sizes.shape[1]))

    def blocks(values: npt.NDArray[Any], fill: float) -> npt.NDArray[Any]:
        padded = np.pad(values, rim, constant_values=fill)
        return padded.reshape(ny, k, nx, k).swapaxes(1, 2).reshape(ny, nx, k * k)

    height = blocks(np.where(sizes > 0, np.nan_to_num(lattice.values, nan=-1e9), -np.inf), -np.inf)
    size = blocks(sizes, 0).max(axis=-1)
    rows, cols = np.nonzero(size > 0)
    best = height.argmax(axis=-1)[rows, cols]
    cells = (rows * k + best // k) * sizes.shape[1] + cols * k + best % k
    return cells.astype(np.int32), size[rows, cols].astype(np.int32)


@dataclass(frozen=True, eq=False, kw_only=True)
class _MemberStarts:
    """Samples of one member before they move: ground, cells, friction and drag of each."""

    smooth: Grid
    cells: IntArray
    friction: FloatArray
    drag_per_m: FloatArray
    start: BoolArray
    centripetal_load: bool

    def carry(self, first: int) -> tuple[SampleTracks, IntArray]:
        """The tracks of one batch, and where its samples set out."""
        part = slice(first, first + BATCH)
        cells, smooth = self.cells[part], self.smooth
        x, y = smooth.centre_of(cells // smooth.shape[1], cells % smooth.shape[1])
        rest = np.zeros(cells.size)
        samples = Samples(
            x_m=x, y_m=y, east_m_s=rest, north_m_s=rest, friction=self.friction[part], drag_per_m=self.drag_per_m[part]
        )
        load = self.centripetal_load
        tracks = slide_samples(
            smooth, samples, largest_step_s=LARGEST_STEP_S, largest_step_cells=LARGEST_STEP_CELLS, centripetal_load=load
        )
        return tracks, cells


def _simulate_member(set_out: _MemberStarts, speed: npt.NDArray[np.float32], source: IntArray) -> tuple[BoolArray, int]:
    """One member: which cells a sample passes, and how many samples left. Adds to ``speed`` and ``source``."""
    shape = set_out.smooth.shape
    passed = set_out.start.ravel().copy()  # start-zone ground counts as reached
    left = 0
    # Some batches at a time, so that memory stays bounded; they are gathered in their order.
    firsts = range(0, set_out.cells.size, BATCH)
    each = 4 * thread_count()
    for together in (firsts[k : k + each] for k in range(0, len(firsts), each)):
        for tracks, cells in map_in_threads(set_out.carry, together):
            sites_kernels.gather(
                tracks.cells, tracks.speeds_m_s, tracks.offsets, cells, passed, speed.reshape(-1), source.reshape(-1)
            )
            left += int(np.count_nonzero((tracks.reason == 1) | (tracks.reason == 2)))
    return passed.reshape(shape), left


def _widened(passed: BoolArray, cell_m: float) -> BoolArray:
    """Cells within half the width that a sample stands for."""
    if not passed.any():
        return passed
    near: BoolArray = ndimage.distance_transform_edt(~passed, sampling=cell_m) <= FOOTPRINT_M
    return near
