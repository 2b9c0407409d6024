"""What the sliding mass of a block met, gathered back at its starts and at the cells that it passes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lastseen.core import BoolArray, FloatArray, IntArray, depth_text, percent
from lastseen.jobs.reading import block_reading_kernels
from lastseen.jobs.reading.block_run import SharedDraws, SlabRun, Starts, simulate_block
from lastseen.jobs.reading.ground import BURIES, HOLDS, INJURES, KINDS, WETS, GroundTile, PreparedGround, Window

# ---- What the samples of a block met, gathered back at their starts and at the cells that they passed

BURIED_M = 0.5  # debris from which somebody can lie wholly under it; design choice
FALL_M = 3.0  # a fall through the air from which an injury is counted; design choice
# What is told at each start, in this order: means over the members that stay on the model, and shares of all members.
START_QUANTITIES = (
    "distance_m",
    "drop_m",
    "debris_m",
    "burial",
    "trauma",
    "water",
    "no_way_out",
    "any",
    "leaves",
    "fall_m",
    "worst_kind",
    "worst_weight",
)
SHARES = ("burial", "trauma", "water", "no_way_out", "any", "leaves")
Single = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False, kw_only=True)
class SampleOutcomes:
    """What becomes of samples, all arrays of shape (samples,).

    Attributes
    ----------
    distance_m, drop_m, debris_m : ndarray
        Straight on the map, in height, and thickness of debris where it stops; NaN where it does not stay.
    fall_m : ndarray
        Greatest fall through the air.
    burial, trauma, water, no_way_out, leaves : ndarray of bool
    worst_kind, worst_weight : ndarray, shape (starts,)
    """

    distance_m: FloatArray
    drop_m: FloatArray
    debris_m: FloatArray
    fall_m: FloatArray
    burial: BoolArray
    trauma: BoolArray
    water: BoolArray
    no_way_out: BoolArray
    leaves: BoolArray
    worst_kind: npt.NDArray[np.uint8]
    worst_weight: FloatArray

    @property
    def any(self) -> BoolArray:
        """Whether anything of the four happens."""
        return np.asarray(self.burial | self.trauma | self.water | self.no_way_out)


@dataclass(frozen=True, kw_only=True)
class ZoneRow:
    """A start zone and what its samples meet.

    Attributes
    ----------
    block : (row, column)
        Of the lattice of blocks; with ``number`` its name.
    number : int
        In its block.
    cells : int
    starts : int
        How many of them were run.
    slope_deg, top_m, foot_m : float
        Mean slope; highest and lowest height.
    values : tuple of float
        As ``START_QUANTITIES``, mean over its cells; the worst kind is the one of greatest mean weight.
    """

    block: tuple[int, int]
    number: int
    cells: int
    starts: int
    slope_deg: float
    top_m: float
    foot_m: float
    values: tuple[float, ...]


@dataclass(frozen=True, eq=False, kw_only=True)
class BlockReading:
    """What one block adds.

    Attributes
    ----------
    block : Window
        Cut to the extent.
    start_values : ndarray of float32, shape (len(AT_START), rows, columns)
        NaN where there is no start cell.
    zone : ndarray of int32, shape of the block
    window : Window
        Of the cells that its samples entered; the arrays below have its shape.
    mask : ndarray of uint64
        One bit for each member of which a sample entered.
    fastest : ndarray of float32
        Greatest speed of any sample, m/s; 0 where none came.
    zones : ndarray of uint16
        Start zones of which a sample entered.
    rows : tuple of ZoneRow
    samples : int
        How many were run.
    """

    block: Window
    start_values: Single
    zone: IntArray
    window: Window
    mask: npt.NDArray[np.uint64]
    fastest: Single
    zones: npt.NDArray[np.uint16]
    rows: tuple[ZoneRow, ...]
    samples: int


def read_block(prepared: PreparedGround, block: Window, draws: SharedDraws, spacing_m: float) -> BlockReading | None:
    """Carry the start cells of a block down and gather what they met; None where there are none."""
    found = simulate_block(prepared, block, draws, spacing_m)
    if found is None:
        return None
    starts, ground, runs = found
    cells = ground.smoothed_m.size
    stamp, mask = np.zeros(cells, np.int32), np.zeros(cells, np.uint64)
    fastest, zones = np.zeros(cells, np.float32), np.zeros(cells, np.uint16)
    at_start = np.empty((len(START_QUANTITIES), starts.rows.size))
    for run in runs:
        t = run.tracks
        block_reading_kernels.mark(t.cells, t.speeds_m_s, t.offsets, draws.count, run.zone, stamp, mask, fastest, zones)
        at_start[:, run.starts] = average_at_starts(
            find_outcomes(run, starts, draws.count, prepared.heights.cell_m), draws.count
        )
    known, shape = block.cut(prepared.heights.extent), ground.window.shape
    entered = _entered(ground.window, mask.reshape(shape) > 0)
    here = entered.inside(ground.window)
    return BlockReading(
        block=known,
        start_values=_spread(at_start, starts),
        zone=ground.zone[known.inside(ground.window)],
        window=entered,
        mask=mask.reshape(shape)[here].copy(),
        fastest=fastest.reshape(shape)[here].copy(),
        zones=zones.reshape(shape)[here].copy(),
        rows=_zone_rows(starts, at_start, ground, known, prepared.heights.block_cells),
        samples=starts.rows.size * draws.count,
    )


def find_outcomes(run: SlabRun, starts: Starts, members: int, cell_m: float) -> SampleOutcomes:
    """What becomes of the samples of a slab."""
    t, ground = run.tracks, run.ground
    n = run.stop.size
    passed, ended = np.empty(n, np.uint8), np.empty(n, np.uint8)
    kind, weight = np.empty(n // members, np.uint8), np.empty(n // members)
    block_reading_kernels.traps_met(
        t.cells,
        t.offsets,
        members,
        run.stop,
        ground.kind.ravel(),
        ground.severity.ravel(),
        ground.effects.ravel(),
        passed,
        ended,
        kind,
        weight,
    )
    stays = run.stop >= 0
    heights = ground.smoothed_m.ravel()
    rows = np.repeat(starts.rows[run.starts], members) - ground.window.top
    cols = np.repeat(starts.cols[run.starts], members) - ground.window.left
    x, y, first = (cols + 0.5) * cell_m, -(rows + 0.5) * cell_m, rows * ground.smoothed_m.shape[1] + cols
    distance = np.where(stays, np.hypot(t.x_m - x, t.y_m - y), np.nan)
    drop = np.where(stays, heights[first] - heights[np.maximum(run.stop, 0)], np.nan)
    with np.errstate(invalid="ignore"):
        deep = run.debris_m >= BURIED_M
    return SampleOutcomes(
        distance_m=distance,
        drop_m=drop,
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
    """The values of ``START_QUANTITIES`` of each start, shape (len(AT_START), starts)."""

    def by_start(values: npt.NDArray[np.generic]) -> FloatArray:
        return np.asarray(values, np.float64).reshape(-1, members)

    stays = by_start(~fates.leaves)
    staying = stays.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = [
            np.where(stays > 0, np.nan_to_num(by_start(one)), 0.0).sum(axis=1) / staying
            for one in (fates.distance_m, fates.drop_m, fates.debris_m)
        ]
    shares = [by_start(getattr(fates, name)).sum(axis=1) / members for name in SHARES]
    return np.stack(
        [*means, *shares, by_start(fates.fall_m).max(axis=1), fates.worst_kind.astype(float), fates.worst_weight]
    )


def _spread(at_start: FloatArray, starts: Starts) -> Single:
    """Values of the starts that were run, on all start cells of the block."""
    out = np.full((at_start.shape[0], *starts.spread.shape), np.nan, np.float32)
    told = starts.spread >= 0
    out[:, told] = at_start[:, starts.spread[told]].astype(np.float32)
    return out


def _entered(window: Window, some: BoolArray) -> Window:
    """The part of a window that holds all marked cells."""
    rows, cols = np.flatnonzero(some.any(axis=1)), np.flatnonzero(some.any(axis=0))
    return Window(
        top=window.top + int(rows[0]),
        left=window.left + int(cols[0]),
        bottom=window.top + int(rows[-1]) + 1,
        right=window.left + int(cols[-1]) + 1,
    )


def _zone_rows(
    starts: Starts, at_start: FloatArray, ground: GroundTile, block: Window, block_cells: int
) -> tuple[ZoneRow, ...]:
    inner = block.inside(ground.window)
    zone, heights, slope = ground.zone[inner], ground.smoothed_m[inner], ground.slope_deg[inner]
    rows = []
    for number in np.unique(starts.zone).tolist():
        own, here = starts.zone == number, zone == number
        weight = starts.cells[own] / starts.cells[own].sum()
        values = at_start[:, own]
        known = np.isfinite(values)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(known, values, 0.0) @ weight / (known @ weight)
        mean[START_QUANTITIES.index("fall_m")] = values[START_QUANTITIES.index("fall_m")].max()
        kind, score = values[START_QUANTITIES.index("worst_kind")], values[START_QUANTITIES.index("worst_weight")]
        by_kind = np.bincount(kind.astype(np.int64), score * weight, minlength=len(KINDS) + 1)
        by_kind[0] = 0.0
        mean[START_QUANTITIES.index("worst_kind")] = float(by_kind.argmax()) if by_kind.any() else 0.0
        mean[START_QUANTITIES.index("worst_weight")] = by_kind.max()
        rows.append(
            ZoneRow(
                block=(block.top // block_cells, block.left // block_cells),
                number=number,
                cells=int(here.sum()),
                starts=int(own.sum()),
                slope_deg=float(np.mean(slope[here], dtype=np.float64)),
                top_m=float(heights[here].max()),
                foot_m=float(heights[here].min()),
                values=tuple(float(one) for one in mean),
            )
        )
    return tuple(rows)


# ---- What a start zone does to somebody who is caught in it, in words

# Slopes of reported incidents, 5th, 50th and 95th percentile: Tirol 1993-2024, aggregated open data.
INCIDENT_SLOPES_DEG = (27.0, 38.0, 45.0)


def worst_trap(row: ZoneRow) -> str:
    """Kind of the trap that weighs most; empty where none is met."""
    kind = int(row.values[START_QUANTITIES.index("worst_kind")])
    return KINDS[kind - 1] if kind else ""


def zone_sentence(row: ZoneRow) -> str:
    """What a start zone does, in one sentence."""
    told = dict(zip(START_QUANTITIES, row.values, strict=True))
    shares = [(name, told[name]) for name in ("burial", "trauma", "water", "no_way_out") if told[name] >= 0.1]
    words = ", ".join(
        f"{name.replace('_', ' ')} {percent(share)}" for name, share in sorted(shares, key=lambda p: -p[1])
    )
    far = (
        f"carried {told['distance_m']:.0f} m, {told['drop_m']:.0f} m down, debris {depth_text(told['debris_m'])}"
        if np.isfinite(told["distance_m"])
        else "all bodies leave the elevation model"
    )
    trap = worst_trap(row)
    return f"{row.slope_deg:.0f} degrees; {far}{'; ' + trap if trap else ''}{'; ' + words if words else ''}."
