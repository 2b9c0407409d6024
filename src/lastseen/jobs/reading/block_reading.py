"""What the sliding mass of a block met, gathered back at its starts and at the cells that it passes."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from lastseen import core
from lastseen.core import BoolArray, FloatArray, Grid, IntArray, Progress, Snow, depth_text, percent
from lastseen.jobs.reading import block_reading_kernels
from lastseen.jobs.reading.block_run import MEMBERS, STARTS_M, SharedDraws, SlabRun, Starts, draw_shared, simulate_block
from lastseen.jobs.reading.ground import (
    BURIES,
    HOLDS,
    INJURES,
    KINDS,
    WETS,
    GroundTile,
    Heights,
    PreparedGround,
    Window,
    heights_of_grid,
    no_layers,
    tiles_of,
)
from lastseen.terrain import GroundLayers

BURIED_M = 0.5  # debris from which somebody can lie wholly under it; design choice
FALL_M = 3.0  # a fall through the air from which an injury is counted; design choice
# What is said of each start, in this order: means over the members that stay on the model, and shares of all members.
SHARES = ("burial", "trauma", "water", "no_way_out", "any", "leaves")
START_QUANTITIES = ("distance_m", "drop_m", "debris_m", *SHARES, "fall_m", "worst_kind", "worst_weight")
Single = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False, kw_only=True)
class SampleOutcomes:
    """What becomes of samples, all arrays of shape (samples,)."""

    # straight on the map, in height, and thickness of debris where it stops; NaN where it does not stay
    distance_m: FloatArray
    drop_m: FloatArray
    debris_m: FloatArray
    fall_m: FloatArray  # greatest fall through the air
    burial: BoolArray
    trauma: BoolArray
    water: BoolArray
    no_way_out: BoolArray
    leaves: BoolArray
    # shape (starts,)
    worst_kind: npt.NDArray[np.uint8]
    worst_weight: FloatArray

    @property
    def any(self) -> BoolArray:
        """Whether anything of the four happens."""
        return np.asarray(self.burial | self.trauma | self.water | self.no_way_out)


@dataclass(frozen=True, kw_only=True)
class ZoneRow:
    """A start zone and what its samples meet."""

    block: tuple[int, int]  # (row, column); of the lattice of blocks; with ``number`` its name
    number: int  # in its block
    cells: int
    starts: int  # how many of them were run
    # mean slope; highest and lowest height
    slope_deg: float
    top_m: float
    foot_m: float
    # as ``START_QUANTITIES``, mean over its cells; the worst kind is the one of greatest mean weight
    values: tuple[float, ...]


@dataclass(frozen=True, eq=False, kw_only=True)
class CellTotals:
    """What comes over the cells of a window. The arrays have its shape, and more can be added in any order."""

    window: Window
    mask: npt.NDArray[np.uint64]  # of uint64; one bit for each member of which a sample entered the cell
    fastest: Single  # greatest speed of any sample, m/s; 0 where none came
    zones: npt.NDArray[np.uint16]  # of uint16; start zones from which a sample entered

    @classmethod
    def empty(cls, window: Window) -> CellTotals:
        """Nothing comes over any cell."""
        shape = window.shape
        mask, fastest, zones = (np.zeros(shape, kind) for kind in (np.uint64, np.float32, np.uint16))
        return cls(window=window, mask=mask, fastest=fastest, zones=zones)

    def mark(self, run: SlabRun, members: int, stamp: IntArray) -> None:
        """Mark the cells that the samples of a slab entered; ``stamp`` holds the zone that came last over each cell."""
        tracks = run.tracks
        block_reading_kernels.mark(
            tracks.cells, tracks.speeds_m_s, tracks.offsets, members, run.zone, stamp,
            self.mask.reshape(-1), self.fastest.reshape(-1), self.zones.reshape(-1),
        )  # fmt: skip

    def add(self, other: CellTotals) -> None:
        """Add what came over the cells that both have in common."""
        shared = other.window.cut(self.window)
        if shared.empty:
            return
        into, theirs = shared.inside(self.window), shared.inside(other.window)
        self.mask[into] |= other.mask[theirs]
        np.maximum(self.fastest[into], other.fastest[theirs], out=self.fastest[into])
        self.zones[into] += other.zones[theirs]

    def on(self, window: Window) -> CellTotals:
        """The same on another window: cut, or wider with nothing beyond; always a copy."""
        found = CellTotals.empty(window)
        found.add(self)
        return found


@dataclass(frozen=True, eq=False, kw_only=True)
class BlockReading:
    """What one block adds."""

    block: Window  # cut to the extent
    start_values: Single  # shape (len(START_QUANTITIES), rows, columns); NaN where there is no start cell
    zone: IntArray  # shape of the block
    totals: CellTotals  # on the window of the cells that its samples entered
    rows: tuple[ZoneRow, ...]
    samples: int  # how many were run


def read_block(prepared: PreparedGround, block: Window, draws: SharedDraws, spacing_m: float) -> BlockReading | None:
    """Carry the start cells of a block down and gather what they met; None where there are none."""
    found = simulate_block(prepared, block, draws, spacing_m)
    if found is None:
        return None
    starts, ground, runs = found
    totals, stamp = CellTotals.empty(ground.window), np.zeros(ground.smoothed_m.size, np.int32)
    at_start = np.empty((len(START_QUANTITIES), starts.rows.size))
    for run in runs:
        totals.mark(run, draws.count, stamp)
        outcomes = find_outcomes(run, starts, draws.count, prepared.heights.cell_m)
        at_start[:, run.starts] = average_at_starts(outcomes, draws.count)
    known = block.cut(prepared.heights.extent)
    return BlockReading(
        block=known,
        start_values=_spread(at_start, starts),
        zone=ground.zone[known.inside(ground.window)],
        totals=totals.on(_entered(ground.window, totals.mask > 0)),
        rows=_zone_rows(starts, at_start, ground, known, prepared.heights.block_cells),
        samples=starts.rows.size * draws.count,
    )


def find_outcomes(run: SlabRun, starts: Starts, members: int, cell_m: float) -> SampleOutcomes:
    """What becomes of the samples of a slab."""
    t, ground = run.tracks, run.ground
    n = run.stop.size
    passed, ended = np.empty(n, np.uint8), np.empty(n, np.uint8)
    kind, weight = np.empty(n // members, np.uint8), np.empty(n // members)
    traps = (ground.kind.ravel(), ground.severity.ravel(), ground.effects.ravel())
    block_reading_kernels.traps_met(t.cells, t.offsets, members, run.stop, *traps, passed, ended, kind, weight)
    stays = run.stop >= 0
    heights = ground.smoothed_m.ravel()
    rows = np.repeat(starts.rows[run.starts], members) - ground.window.top
    cols = np.repeat(starts.cols[run.starts], members) - ground.window.left
    x, y, first = (cols + 0.5) * cell_m, -(rows + 0.5) * cell_m, rows * ground.smoothed_m.shape[1] + cols
    with np.errstate(invalid="ignore"):
        deep = run.debris_m >= BURIED_M
    return SampleOutcomes(
        distance_m=np.where(stays, np.hypot(t.x_m - x, t.y_m - y), np.nan),
        drop_m=np.where(stays, heights[first] - heights[np.maximum(run.stop, 0)], np.nan),
        debris_m=run.debris_m,
        fall_m=t.fall_m,
        burial=deep | ((ended & BURIES) > 0),
        trauma=((passed & INJURES) > 0) | (t.fall_m >= FALL_M),
        water=(passed & WETS) > 0,
        no_way_out=(ended & HOLDS) > 0,
        leaves=~stays,
        worst_kind=kind,
        worst_weight=weight,
    )


def average_at_starts(fates: SampleOutcomes, members: int) -> FloatArray:
    """The values of ``START_QUANTITIES`` of each start, shape (len(START_QUANTITIES), starts)."""

    def by_start(values: npt.NDArray[np.generic]) -> FloatArray:
        return np.asarray(values, np.float64).reshape(-1, members)

    stays = by_start(~fates.leaves)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = [
            np.where(stays > 0, np.nan_to_num(by_start(values)), 0.0).sum(axis=1) / stays.sum(axis=1)
            for values in (fates.distance_m, fates.drop_m, fates.debris_m)
        ]
    shares = [by_start(getattr(fates, name)).sum(axis=1) / members for name in SHARES]
    fall = by_start(fates.fall_m).max(axis=1)
    return np.stack([*means, *shares, fall, fates.worst_kind.astype(float), fates.worst_weight])


def _spread(at_start: FloatArray, starts: Starts) -> Single:
    """Values of the starts that were run, on all start cells of the block."""
    out = np.full((at_start.shape[0], *starts.spread.shape), np.nan, np.float32)
    shown = starts.spread >= 0
    out[:, shown] = at_start[:, starts.spread[shown]].astype(np.float32)
    return out


def _entered(window: Window, some: BoolArray) -> Window:
    """The part of a window that holds all marked cells."""
    rows, cols = (np.flatnonzero(some.any(axis=axis)).tolist() for axis in (1, 0))
    top, left = window.top, window.left
    return Window(top=top + rows[0], left=left + cols[0], bottom=top + rows[-1] + 1, right=left + cols[-1] + 1)


def _zone_rows(
    starts: Starts, at_start: FloatArray, ground: GroundTile, block: Window, block_cells: int
) -> tuple[ZoneRow, ...]:
    inner = block.inside(ground.window)
    zone, heights, slope = ground.zone[inner], ground.smoothed_m[inner], ground.slope_deg[inner]
    rows = []
    for number in np.unique(starts.zone).tolist():
        of_zone, cells = starts.zone == number, zone == number
        weight = starts.cells[of_zone] / starts.cells[of_zone].sum()
        values = at_start[:, of_zone]
        known = np.isfinite(values)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(known, values, 0.0) @ weight / (known @ weight)
        fall, kind, score = values[-3:]
        by_kind = np.bincount(kind.astype(np.int64), score * weight, minlength=len(KINDS) + 1)
        by_kind[0] = 0.0
        mean[-3:] = fall.max(), by_kind.argmax() if by_kind.any() else 0.0, by_kind.max()
        rows.append(
            ZoneRow(
                block=(block.top // block_cells, block.left // block_cells),
                number=number,
                cells=int(cells.sum()),
                starts=int(of_zone.sum()),
                slope_deg=float(np.mean(slope[cells], dtype=np.float64)),
                top_m=float(heights[cells].max()),
                foot_m=float(heights[cells].min()),
                values=tuple(mean.tolist()),
            )
        )
    return tuple(rows)


BATCH = 16  # blocks between two calls of progress
_NO_TOTALS = CellTotals.empty(Window(top=0, left=0, bottom=0, right=0))


@dataclass(frozen=True, eq=False, kw_only=True)
class AreaReading:
    """What start zones do, and what comes over each cell. The arrays have the shape of the totals' window."""

    heights: Heights
    draws: SharedDraws
    totals: CellTotals
    start_values: Single  # shape (len(START_QUANTITIES), rows, columns); NaN where there is no start cell
    zone: IntArray  # number of the start zone in its block, from 1; 0 is none
    rows: tuple[ZoneRow, ...]  # all start zones, by block and number
    samples: int  # how many were run


def read_area(
    ground: Grid,
    snow: Snow | None = None,
    *,
    seed: int = 1,
    members: int = MEMBERS,
    spacing_m: float = STARTS_M,
    layers_on: Callable[[Grid], GroundLayers] = no_layers,
    with_traps: bool = True,
    progress: Progress = core.no_progress,
) -> AreaReading:
    """Carry every start cell of a ground down by the ensemble, and gather back what it meets.

    Same ground, same seed, same bytes, whatever the number of threads.

    ``ground`` holds elevations in metres, NaN is no data; a sample that leaves it is counted as leaving. ``members`` is
    4 to 63, else InputError; ``spacing_m`` the distance of starts, each start cell is run where it is under two cells;
    ``layers_on`` gives trees, water and more on a window of the ground.
    """
    heights = heights_of_grid(ground)
    prepared = PreparedGround(heights=heights, layers_on=layers_on, with_traps=with_traps)
    draws = draw_shared(snow or Snow(), seed, members)
    whole = heights.extent
    return read_blocks(prepared, whole, shown=whole, draws=draws, spacing_m=spacing_m, progress=progress)


def read_blocks(
    prepared: PreparedGround,
    starting: Window,
    *,
    shown: Window | None,
    draws: SharedDraws,
    spacing_m: float,
    progress: Progress = core.no_progress,
) -> AreaReading:
    """Read all blocks that touch the window ``starting``.

    The result lies on the cells of the window ``shown``; where that is None, on all cells that samples came to.
    """
    heights = prepared.heights
    starting = starting.cut(heights.extent)
    blocks = list(tiles_of(starting, heights.block_cells))
    totals = CellTotals.empty(shown or starting)
    parts: list[BlockReading] = []
    for first in range(0, len(blocks), BATCH):
        progress("letting the snow run", first / max(1, len(blocks)))
        for part in _read_batch(prepared, blocks[first : first + BATCH], draws, spacing_m, warm=bool(parts)):
            if shown is None:
                wide = totals.window.joined(part.totals.window)
                totals = totals if wide == totals.window else totals.on(wide)
            totals.add(part.totals)
            parts.append(replace(part, totals=_NO_TOTALS))
    window = totals.window
    values = np.full((len(START_QUANTITIES), *window.shape), np.nan, np.float32)
    zone = np.zeros(window.shape, np.int32)
    for part in parts:
        known = part.block.cut(window)
        if not known.empty:
            in_window, there = known.inside(window), known.inside(part.block)
            values[(slice(None), *in_window)] = part.start_values[(slice(None), *there)]
            zone[in_window] = part.zone[there]
    return AreaReading(
        heights=heights,
        draws=draws,
        totals=totals,
        start_values=values,
        zone=zone,
        rows=tuple(sorted((row for part in parts for row in part.rows), key=lambda row: (row.block, row.number))),
        samples=sum(part.samples for part in parts),
    )


def _read_batch(
    prepared: PreparedGround, blocks: list[Window], draws: SharedDraws, spacing_m: float, *, warm: bool
) -> Iterable[BlockReading]:
    """Read some blocks in threads; the first that holds start cells alone, where none was read yet."""
    run = core.map_in_threads if warm else core.map_in_threads_after_first
    found = run(lambda block: read_block(prepared, block, draws, spacing_m), blocks)
    return [part for part in found if part is not None]


# Slopes of reported incidents, 5th, 50th and 95th percentile: Tirol 1993-2024, aggregated open data.
INCIDENT_SLOPES_DEG = (27.0, 38.0, 45.0)


def worst_trap(row: ZoneRow) -> str:
    """Kind of the trap that weighs most; empty where none is met."""
    kind = int(row.values[START_QUANTITIES.index("worst_kind")])
    return KINDS[kind - 1] if kind else ""


def zone_sentence(row: ZoneRow) -> str:
    """What a start zone does, in one sentence."""
    values = dict(zip(START_QUANTITIES, row.values, strict=True))
    shares = [(name, values[name]) for name in ("burial", "trauma", "water", "no_way_out") if values[name] >= 0.1]
    shares.sort(key=lambda pair: -pair[1])
    words = ", ".join(f"{name.replace('_', ' ')} {percent(share)}" for name, share in shares)
    far = (
        f"carried {values['distance_m']:.0f} m, {values['drop_m']:.0f} m down, debris {depth_text(values['debris_m'])}"
        if np.isfinite(values["distance_m"])
        else "all bodies leave the elevation model"
    )
    trap = worst_trap(row)
    return f"{row.slope_deg:.0f} degrees; {far}{'; ' + trap if trap else ''}{'; ' + words if words else ''}."
