"""What passes a line of travel, and what happens to somebody who is caught there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from lastseen.core import BoolArray, FloatArray, IntArray, map_in_threads_after_first
from lastseen.jobs.reading import block_reading_kernels
from lastseen.jobs.reading.block_reading import BURIED_M, CellTotals
from lastseen.jobs.reading.block_run import STARTS_M, SharedDraws, SlabRun, Starts, simulate_block
from lastseen.jobs.reading.ground import (
    BURIES,
    HOLDS,
    INJURES,
    MARGIN_M,
    WETS,
    GroundTile,
    Heights,
    PreparedGround,
    Window,
    tiles_of,
    trap_effects,
)
from lastseen.jobs.reading.route import Route
from lastseen.snow import FOOTPRINT_M, SAMPLE_FRICTION
from lastseen.terrain import read_terrain
from lastseen.traps import Trap, find_traps, severity

# How far above a line start zones are looked for, on the map: beyond the longest reported of each size (EAWS size
# table: 50, 200, 1000, 2000 m) by half and more, because a reading must not leave out what could come.
FARTHEST_M = {1: 500.0, 2: 1000.0, 3: 2000.0, 4: 3500.0}
MOST_SAMPLES = 75_000  # starts stand farther apart where more would be needed ...
WIDEST_STARTS_M = 20.0  # ... up to this; design choices
BESIDE_M = 60.0  # ground beside the line on which places to regroup are sought; design choice
_THINNED_M = 15.0
# A sample is run where its energy line falls short by no more than this: what slides over rolls is carried a little
# beyond it. On the demo and real ground the samples that pass are the same ones without any such bound.
CERTAIN = 0.9
LongArray = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False, kw_only=True)
class PassingSamples:
    """Samples that pass a line, from where they first do; and what comes over the ground beside it."""

    offsets: npt.NDArray[np.int64]  # shape (samples + 1,); sample b owns entered cells offsets[b] to offsets[b + 1]
    # cells entered, on the lattice
    rows: IntArray
    cols: IntArray
    speeds_m_s: FloatArray  # at entry
    zone: IntArray  # shape (samples,); index of its start zone in ``zones``
    member: IntArray
    stays: BoolArray  # whether it stops on known ground
    # where it stops; NaN where it does not stay
    stop_height_m: FloatArray
    stop_x_m: FloatArray
    stop_y_m: FloatArray
    debris_m: FloatArray
    away_m: FloatArray  # distance on the map from its start to where it first passes; 0 where it starts on the line
    # shape (records,); a sample passes a station at an entered cell
    record_sample: npt.NDArray[np.int64]
    record_visit: npt.NDArray[np.int64]
    record_station: IntArray
    zones: tuple[tuple[int, int, int], ...]
    members: int  # of the ensemble
    ground: CellTotals  # what comes over the cells beside the line
    # distance of starts that was taken; how near to a station a sample passes it
    spacing_m: float
    near_m: float
    samples: int  # how many were run


@dataclass(frozen=True, eq=False, kw_only=True)
class _BlockPassing:
    """The passing samples of one block by slab, what comes beside the line, and how many samples were run."""

    parts: list[tuple[tuple[int, int, int], dict[str, npt.NDArray[Any]]]]  # start zone, and arrays of each slab
    totals: CellTotals
    samples: int


# Arrays of a part: beside the fields of `PassingSamples` the number of cells that each sample entered.
_PART_KINDS: dict[str, Any] = {
    **dict.fromkeys(("length", "record_sample", "record_visit"), np.int64),
    **dict.fromkeys(("rows", "cols", "member", "record_station"), np.int32),
    **dict.fromkeys(("speeds_m_s", "stop_height_m", "stop_x_m", "stop_y_m", "debris_m", "away_m"), float),
    "stays": np.bool_,
}


def least_angle(draws: SharedDraws) -> float:
    """Smallest friction that any sample can draw: no sample runs farther than its energy line (Heim 1932)."""
    return float(draws.friction.min()) * SAMPLE_FRICTION[0]


@dataclass(frozen=True, eq=False, kw_only=True)
class _Watch:
    """What is watched for: stations on known ground, how near a sample passes one, and the cells beside the line."""

    tree: cKDTree
    stations: LongArray
    near_m: float
    beside: Window


def find_passing_samples(
    prepared: PreparedGround, route: Route, draws: SharedDraws, least_spacing_m: float = STARTS_M
) -> PassingSamples:
    """Run all samples whose energy line (Heim 1932) reaches the line or the ground beside it; keep those that pass."""
    heights = prepared.heights
    blocks, roughest = _blocks_above(prepared, route, draws)
    area = sum(int((friction > -np.inf).sum()) for friction in roughest) * heights.cell_m**2
    spacing = max(least_spacing_m, min(WIDEST_STARTS_M, float(np.sqrt(area * draws.count / MOST_SAMPLES))))
    known = np.isfinite(route.height_m)
    watch = _Watch(
        tree=cKDTree(np.column_stack([route.x_m[known], route.y_m[known]])),
        stations=np.flatnonzero(known),
        near_m=max(FOOTPRINT_M, 0.75 * heights.cell_m, 0.5 * max(spacing, heights.cell_m)),
        beside=window_beside(route, heights),
    )

    def read(k: int) -> _BlockPassing | None:
        found = simulate_block(prepared, blocks[k], draws, spacing, roughest[k])
        return None if found is None else _watch_block(found, blocks[k], heights, draws.count, watch)

    found = map_in_threads_after_first(read, range(len(blocks)))
    return _join_blocks([block for block in found if block is not None], watch, spacing, draws.count)


def window_beside(route: Route, heights: Heights) -> Window:
    """The cells of the line and beside it."""
    return _window_around(heights, route.x_m, route.y_m, BESIDE_M + 4.0 * heights.cell_m)


def _window_around(heights: Heights, x: FloatArray, y: FloatArray, more: float) -> Window:
    west, south, east, north = float(x.min()), float(y.min()), float(x.max()), float(y.max())
    return heights.window_of(west - more, south - more, east + more, north + more)


def _blocks_above(prepared: PreparedGround, route: Route, draws: SharedDraws) -> tuple[list[Window], list[FloatArray]]:
    """Blocks above the line, and the greatest friction with which a sample of each start cell can come down to it."""
    heights, far = prepared.heights, FARTHEST_M[draws.size]
    on_ground = np.flatnonzero(np.isfinite(route.height_m))
    thin = on_ground[:: max(1, int(_THINNED_M / route.step_m))]
    x, y, z = route.x_m[thin], route.y_m[thin], route.height_m[thin]
    tree = cKDTree(np.column_stack([x, y]))
    fall = least_angle(draws)
    blocks, frictions = [], []
    for block in tiles_of(_window_around(heights, x, y, far), heights.block_cells):
        known = block.cut(heights.extent)
        if known.empty:
            continue
        west, north = heights.corner_m(known)
        half_y, half_x = (0.5 * cells * heights.cell_m for cells in known.shape)
        near = np.array(tree.query_ball_point([west + half_x, north - half_y], far + np.hypot(half_x, half_y)), int)
        if not near.size:
            continue
        steepest = _steepest_to_line(prepared, known, (x[near], y[near], z[near]), far) / CERTAIN
        steepest[steepest < fall] = -np.inf
        if (steepest > -np.inf).any():
            blocks.append(block)
            frictions.append(steepest)
    return blocks, frictions


def _steepest_to_line(
    prepared: PreparedGround, block: Window, xyz_m: tuple[FloatArray, FloatArray, FloatArray], far_m: float
) -> FloatArray:
    """Steepest energy line from each start cell of a block down to any of the points, or to the ground beside.

    It is the greatest friction with which a sample can come there; infinite on the ground beside, minus infinite where
    there is no start cell or no point within ``far_m``.
    """
    tile, heights = prepared.over(block), prepared.heights
    rows, cols = np.nonzero(tile.zone)
    out = np.full(block.shape, -np.inf)
    sx, sy = heights.on(block, tile.smoothed_m).centre_of(rows, cols)
    z = tile.smoothed_m[rows, cols]
    out[rows, cols] = block_reading_kernels.steepest_line(sx, sy, z, *xyz_m, BESIDE_M, _THINNED_M, far_m)
    return out


def _watch_block(
    block_run: tuple[Starts, GroundTile, list[SlabRun]], block: Window, heights: Heights, members: int, watch: _Watch
) -> _BlockPassing:
    """Keep the samples of a block that pass, and mark the ground beside the line."""
    starts, ground, runs = block_run
    station = _station_of_cell(ground.window, heights, watch)
    totals, stamp = CellTotals.empty(ground.window), np.zeros(ground.smoothed_m.size, np.int32)
    parts, n = [], heights.block_cells
    for run in runs:
        totals.mark(run, members, stamp)
        arrays = _passing_arrays(run, starts, station, members, heights)
        if arrays is not None:
            parts.append(((block.top // n, block.left // n, run.zone), arrays))
    samples = sum(int((np.diff(run.tracks.offsets) > 0).sum()) for run in runs)
    return _BlockPassing(parts=parts, totals=totals.on(ground.window.cut(watch.beside)), samples=samples)


def _station_of_cell(window: Window, heights: Heights, watch: _Watch) -> IntArray:
    """The nearest station of each cell of a window that lies near enough; -1 elsewhere."""
    tree, near_m = watch.tree, watch.near_m
    west, north = heights.corner_m(window)
    c, (ny, nx) = heights.cell_m, window.shape
    out = np.full(ny * nx, -1, np.int32)
    middle = (west + 0.5 * nx * c, north - 0.5 * ny * c)
    close = np.array(tree.query_ball_point(middle, 0.5 * np.hypot(nx, ny) * c + near_m), int)
    if not close.size:
        return out
    places = np.asarray(tree.data)[close]
    reach = int(np.ceil(near_m / c)) + 1
    row, col = np.floor((north - places[:, 1]) / c).astype(int), np.floor((places[:, 0] - west) / c).astype(int)
    offsets = np.mgrid[-reach : reach + 1, -reach : reach + 1].reshape(2, -1)
    rows, cols = (row[:, None] + offsets[0]).ravel(), (col[:, None] + offsets[1]).ravel()
    inside = (rows >= 0) & (rows < ny) & (cols >= 0) & (cols < nx)
    cells: LongArray = np.unique(rows[inside] * nx + cols[inside]).astype(np.int64)
    x, y = west + (cells % nx + 0.5) * c, north - (cells // nx + 0.5) * c
    away, nearest = tree.query(np.column_stack([x, y]))
    ok = np.asarray(away) <= near_m
    out[cells[ok]] = watch.stations[np.asarray(nearest)[ok]]
    return out


def _passing_arrays(
    run: SlabRun, starts: Starts, station: IntArray, members: int, heights: Heights
) -> dict[str, npt.NDArray[Any]] | None:
    """Tracks from where they first pass a station, and the stations passed."""
    t, window = run.tracks, run.ground.window
    at = station[t.cells]
    on_line = np.flatnonzero(at >= 0)
    if not on_line.size:
        return None
    sample = np.repeat(np.arange(t.count), np.diff(t.offsets))
    samples, first = np.unique(sample[on_line], return_index=True)
    begin, end = on_line[first], t.offsets[samples + 1].astype(np.int64)
    length = end - begin
    offsets = np.concatenate([[0], np.cumsum(length)])
    visits = np.repeat(begin - offsets[:-1], length) + np.arange(offsets[-1])
    new = np.ones(on_line.size, np.bool_)
    new[1:] = (at[on_line[1:]] != at[on_line[:-1]]) | (sample[on_line[1:]] != sample[on_line[:-1]])
    passed = on_line[new]
    which = np.searchsorted(samples, sample[passed])
    nx = window.shape[1]
    start = run.starts.start + samples // members
    stop, west, north = run.stop[samples], *heights.corner_m(window)
    stays = stop >= 0
    start_x = (starts.cols[start] - window.left + 0.5) * heights.cell_m
    start_y = (starts.rows[start] - window.top + 0.5) * heights.cell_m
    pass_x, pass_y = (t.cells[begin] % nx + 0.5) * heights.cell_m, (t.cells[begin] // nx + 0.5) * heights.cell_m
    return {
        "length": length,
        "rows": t.cells[visits] // nx + window.top,
        "cols": t.cells[visits] % nx + window.left,
        "speeds_m_s": t.speeds_m_s[visits],
        "member": (samples % members).astype(np.int32),
        "stays": stays,
        "stop_height_m": np.where(stays, run.ground.smoothed_m.ravel()[np.maximum(stop, 0)], np.nan),
        "stop_x_m": np.where(stays, t.x_m[samples] + west, np.nan),
        "stop_y_m": np.where(stays, t.y_m[samples] + north, np.nan),
        "debris_m": run.debris_m[samples],
        "away_m": np.hypot(pass_x - start_x, pass_y - start_y),
        "record_sample": which,
        "record_visit": offsets[which] + passed - begin[which],
        "record_station": at[passed],
    }


def _join_blocks(blocks: list[_BlockPassing], watch: _Watch, spacing_m: float, members: int) -> PassingSamples:
    """The samples of all blocks, their zones numbered."""
    kept = [part for block in blocks for part in block.parts]
    ground = CellTotals.empty(watch.beside)
    for block in blocks:
        ground.add(block.totals)
    names = sorted({zone for zone, _ in kept})
    number = {name: k for k, name in enumerate(names)}
    parts: dict[str, npt.NDArray[Any]] = {
        name: np.concatenate([arrays[name] for _, arrays in kept]) if kept else np.empty(0, kind)
        for name, kind in _PART_KINDS.items()
    }
    samples, visits, records = (
        np.array([arrays[name].size for _, arrays in kept], np.int64) for name in ("length", "rows", "record_sample")
    )
    parts["record_sample"] += np.repeat(np.cumsum(samples) - samples, records)
    parts["record_visit"] += np.repeat(np.cumsum(visits) - visits, records)
    return PassingSamples(
        offsets=np.concatenate([[0], np.cumsum(parts.pop("length"))]).astype(np.int64),
        zone=np.repeat(np.array([number[zone] for zone, _ in kept], np.int32), samples),
        zones=tuple(names),
        ground=ground,
        members=members,
        spacing_m=spacing_m,
        near_m=watch.near_m,
        samples=sum(block.samples for block in blocks),
        **parts,
    )


RELEASED_HERE_M = 12.0  # a sample that starts no farther up than this is released by whoever stands here; design choice


@dataclass(frozen=True, eq=False, kw_only=True)
class CaughtRecords:
    """One record for each sample that passes a station. Arrays of shape (records,)."""

    # ``visit``: the entered cell, an index into those of `PassingSamples`
    station: IntArray
    sample: npt.NDArray[np.int64]
    visit: npt.NDArray[np.int64]
    zone: IntArray
    member: IntArray
    released_here: BoolArray  # whether the sample starts here: released where one stands, not from above
    speed_m_s: FloatArray  # with which it passes
    # from here to where it stops, straight on the map and in height; debris there. NaN where it does not stay.
    distance_m: FloatArray
    drop_m: FloatArray
    debris_m: FloatArray
    burial: BoolArray
    trauma: BoolArray
    water: BoolArray
    no_way_out: BoolArray
    leaves: BoolArray
    trap: IntArray  # index of the trap that weighs most from here on; -1 is none
    ends_in: IntArray  # index of the trap in which it stops; -1 is none
    traps: tuple[Trap, ...]
    # as in `PassingSamples`
    zones: tuple[tuple[int, int, int], ...]
    members: int


def follow_caught(prepared: PreparedGround, route: Route, passing: PassingSamples) -> CaughtRecords:
    """Follow each sample from where it passes a station to where it stops."""
    traps, effects, trap, weight = _traps_ahead(prepared, passing)
    n = passing.rows.size
    bits, worst = np.zeros(n, np.uint8), np.full(n, -1, np.int32)
    block_reading_kernels.ahead(passing.offsets, effects, trap, weight, bits, worst)
    again, station = _at_every_pass(route, passing.record_station, passing.near_m)
    sample, visit = passing.record_sample[again], passing.record_visit[again]
    stays = passing.stays[sample]
    last = passing.offsets[1:][sample] - 1
    ended = np.where(stays, effects[last] if n else 0, 0)
    debris = passing.debris_m[sample]
    with np.errstate(invalid="ignore"):
        deep = debris >= BURIED_M
    return CaughtRecords(
        station=station,
        sample=sample,
        visit=visit,
        zone=passing.zone[sample],
        member=passing.member[sample],
        released_here=passing.away_m[sample] <= RELEASED_HERE_M,
        speed_m_s=passing.speeds_m_s[visit],
        distance_m=np.hypot(
            passing.stop_x_m[sample] - route.x_m[station], passing.stop_y_m[sample] - route.y_m[station]
        ),
        drop_m=route.height_m[station] - passing.stop_height_m[sample],
        debris_m=debris,
        burial=deep | ((ended & BURIES) > 0),
        trauma=(bits[visit] & INJURES) > 0,
        water=(bits[visit] & WETS) > 0,
        no_way_out=(ended & HOLDS) > 0,
        leaves=~stays,
        trap=worst[visit],
        ends_in=np.where(stays, trap[last] if n else -1, -1),
        traps=traps,
        zones=passing.zones,
        members=passing.members,
    )


def _traps_ahead(
    prepared: PreparedGround, passing: PassingSamples
) -> tuple[tuple[Trap, ...], npt.NDArray[np.uint8], IntArray, npt.NDArray[np.float32]]:
    """Traps of the ground below the line, tile by tile; for each entered cell what they do and which is the worst."""
    heights = prepared.heights
    n = passing.rows.size
    effects, which, weight = np.zeros(n, np.uint8), np.full(n, -1, np.int32), np.zeros(n, np.float32)
    traps: list[Trap] = []
    if not n:
        return (), effects, which, weight
    rows, cols, side = passing.rows, passing.cols, heights.ground_tile_cells
    tiles = np.unique(np.stack([rows // side, cols // side]), axis=1).T.tolist()
    for i, j in tiles:
        square = Window(top=i * side, left=j * side, bottom=(i + 1) * side, right=(j + 1) * side)
        in_tile = np.flatnonzero((rows // side == i) & (cols // side == j))
        outer = square.grown(int(np.ceil(MARGIN_M / heights.cell_m))).cut(heights.extent)
        at = (rows[in_tile] - outer.top) * outer.shape[1] + cols[in_tile] - outer.left
        ground = heights.grid(outer)
        where = np.zeros(ground.shape, np.bool_)
        where.ravel()[at] = True
        found = find_traps(read_terrain(ground), where, prepared.layers_on(ground))
        number, tile_effects = np.full(where.size, -1, np.int32), np.zeros(where.size, np.uint8)
        worst = np.zeros(where.size, np.float32)
        for k, trap in enumerate(found, start=len(traps)):
            value = np.float32(severity(trap))
            more = trap.cells[value > worst[trap.cells]]
            number[more], worst[more] = k, value
            tile_effects[trap.cells] |= np.uint8(trap_effects(trap))
        effects[in_tile], which[in_tile], weight[in_tile] = tile_effects[at], number[at], worst[at]
        traps += found
    return tuple(traps), effects, which, weight


def _at_every_pass(route: Route, station: IntArray, near_m: float) -> tuple[LongArray, IntArray]:
    """Records and stations, with those of every other pass of the line over the same place added.

    Where a line doubles back or crosses itself, a sample that comes over it comes over all passes.
    """
    station_of_pair, other = _places_passed_again(route, near_m)
    order = np.argsort(station_of_pair, kind="stable")
    station_of_pair, other = station_of_pair[order], other[order]
    first, last = np.searchsorted(station_of_pair, station), np.searchsorted(station_of_pair, station, side="right")
    count = last - first
    which = np.repeat(np.arange(station.size), count)
    at = np.repeat(first - np.cumsum(count) + count, count) + np.arange(which.size)
    records = np.concatenate([np.arange(station.size), which])
    return records, np.concatenate([station, other[at]]).astype(np.int32)


def _places_passed_again(route: Route, near_m: float) -> tuple[LongArray, LongArray]:
    """Pairs of stations that lie near each other on the map and far apart along the way; the nearest of each pass."""
    known = np.flatnonzero(np.isfinite(route.height_m))
    tree = cKDTree(np.column_stack([route.x_m[known], route.y_m[known]]))
    pairs = known[tree.query_pairs(near_m, output_type="ndarray")]
    far = (route.part[pairs[:, 0]] != route.part[pairs[:, 1]]) | (
        np.abs(route.along_m[pairs[:, 0]] - route.along_m[pairs[:, 1]]) > 4.0 * near_m
    )
    pairs = np.concatenate([pairs[far], pairs[far][:, ::-1]])
    a, b = pairs[:, 0], pairs[:, 1]
    away = np.hypot(route.x_m[a] - route.x_m[b], route.y_m[a] - route.y_m[b])
    passes = np.floor(route.along_m[b] / (6.0 * near_m)).astype(np.int64)
    order = np.lexsort((b, away, passes, route.part[b], a))
    keys = np.stack([a, route.part[b], passes])[:, order]
    new = np.ones(order.size, np.bool_)
    new[1:] = (keys[:, 1:] != keys[:, :-1]).any(axis=0)
    kept = order[new]
    return a[kept], b[kept]
