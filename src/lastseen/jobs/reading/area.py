"""A slope read everywhere: each start cell is carried down, and what it meets is gathered back."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from lastseen.core import (
    FloatArray,
    Grid,
    IntArray,
    Progress,
    Snow,
    map_in_threads,
    map_in_threads_after_first,
    no_progress,
)
from lastseen.jobs.reading.block_reading import START_QUANTITIES, BlockReading, ZoneRow, read_block
from lastseen.jobs.reading.block_run import MEMBERS, STARTS_M, SharedDraws, draw_shared
from lastseen.jobs.reading.ground import Heights, PreparedGround, Window, heights_of_grid, no_layers, tiles_of
from lastseen.terrain import GroundLayers

BATCH = 16  # blocks between two words of progress


@dataclass(frozen=True, eq=False, kw_only=True)
class AreaReading:
    """What start zones do, and what comes over each cell. All arrays have the window's shape.

    Attributes
    ----------
    window : Window
    heights : Heights
    ensemble : Ensemble
    mask : ndarray of uint64
        One bit for each member of which a sample entered the cell.
    fastest : ndarray of float32
        Greatest speed of any sample, m/s; 0 where none came.
    zones : ndarray of uint16
        Start zones from which a sample entered.
    start_values : ndarray of float32, shape (len(AT_START), rows, columns)
        NaN where there is no start cell.
    zone : ndarray of int32
        Number of the start zone in its block, from 1; 0 is none.
    rows : tuple of ZoneRow
        All start zones, by block and number.
    samples : int
        How many were run.
    """

    window: Window
    heights: Heights
    draws: SharedDraws
    mask: npt.NDArray[np.uint64]
    fastest: npt.NDArray[np.float32]
    zones: npt.NDArray[np.uint16]
    start_values: npt.NDArray[np.float32]
    zone: IntArray
    rows: tuple[ZoneRow, ...]
    samples: int

    @property
    def reached(self) -> Grid:
        """Share of the members in which snow from any start zone comes over each cell."""
        share: FloatArray = np.bitwise_count(self.mask) / float(self.draws.count)
        return self.heights.on(self.window, share)

    @property
    def peak_speed_m_s(self) -> Grid:
        """Greatest speed of any sample; 0 where none came."""
        return self.heights.on(self.window, self.fastest.astype(np.float64))

    @property
    def zone_count(self) -> Grid:
        """Start zones from which snow comes over each cell."""
        return self.heights.on(self.window, self.zones.astype(np.float64))

    def at_start(self, name: str) -> Grid:
        """One of ``START_QUANTITIES`` on the start cells, NaN elsewhere."""
        return self.heights.on(self.window, self.start_values[START_QUANTITIES.index(name)].astype(np.float64))


@dataclass(eq=False, kw_only=True)
class CellTotals:
    """Arrays that block readings are added to, in any order."""

    window: Window
    mask: npt.NDArray[np.uint64] = field(init=False)
    fastest: npt.NDArray[np.float32] = field(init=False)
    zones: npt.NDArray[np.uint16] = field(init=False)

    def __post_init__(self) -> None:
        shape = self.window.shape
        self.mask, self.fastest = np.zeros(shape, np.uint64), np.zeros(shape, np.float32)
        self.zones = np.zeros(shape, np.uint16)

    def add(
        self,
        window: Window,
        mask: npt.NDArray[np.uint64],
        fastest: npt.NDArray[np.float32],
        zones: npt.NDArray[np.uint16],
    ) -> None:
        """Take in what came over the cells of a window; what lies outside is left."""
        shared = window.cut(self.window)
        if shared.empty:
            return
        here, there = shared.inside(self.window), shared.inside(window)
        self.mask[here] |= mask[there]
        np.maximum(self.fastest[here], fastest[there], out=self.fastest[here])
        self.zones[here] += zones[there]

    def widen(self, window: Window) -> None:
        """Make room for the cells of a window."""
        wide = self.window.joined(window)
        if wide != self.window:
            old = (self.window, self.mask, self.fastest, self.zones)
            self.window = wide
            self.__post_init__()
            self.add(*old)


def read_area(
    ground: Grid,
    snow: Snow | None = None,
    *,
    seed: int = 1,
    members: int = MEMBERS,
    spacing_m: float = STARTS_M,
    layers_on: Callable[[Grid], GroundLayers] = no_layers,
    with_traps: bool = True,
    progress: Progress = no_progress,
) -> AreaReading:
    """Carry every start cell of a ground down by the ensemble, and gather back what it meets.

    Same ground, same seed, same bytes, whatever the number of threads.

    Parameters
    ----------
    ground : Grid
        Elevations, metres; NaN is no data. A sample that leaves it is counted as leaving.
    snow : Snow, optional
        Size, friction, turbulence, slab, growth.
    seed : int
    members : int
        Events of the ensemble, 4 to 63, the same for all cells.
    spacing_m : float
        Distance of starts; each start cell is run where it is under two cells.
    layers_on : callable, optional
        Trees, water and more on a window of the ground.
    with_traps : bool
        Whether terrain traps are looked for.

    Raises
    ------
    InputError
        If the number of members cannot be used.
    """
    heights = heights_of_grid(ground)
    prepared = PreparedGround(heights=heights, layers_on=layers_on, with_traps=with_traps)
    draws = draw_shared(snow or Snow(), seed, members)
    return read_blocks(prepared, heights.extent, heights.extent, draws, spacing_m, progress)


def read_blocks(
    prepared: PreparedGround,
    starting: Window,
    shown: Window | None,
    draws: SharedDraws,
    spacing_m: float,
    progress: Progress = no_progress,
) -> AreaReading:
    """Read all blocks that touch the window ``starting``.

    The result lies on the cells of the window ``shown``; where that is None, on all cells that samples came to.
    """
    heights = prepared.heights
    own = starting.cut(heights.extent)
    blocks = list(tiles_of(own, heights.block_cells))
    gathered = CellTotals(window=shown or own)
    parts: list[BlockReading] = []
    for first in range(0, len(blocks), BATCH):
        progress("letting the snow run", first / max(1, len(blocks)))
        for one in _read_batch(prepared, blocks[first : first + BATCH], draws, spacing_m, warm=bool(parts)):
            if shown is None:
                gathered.widen(one.window)
            gathered.add(one.window, one.mask, one.fastest, one.zones)
            empty = np.empty((0, 0))
            parts.append(replace(one, mask=empty, fastest=empty, zones=empty))  # type: ignore[arg-type]
    window = gathered.window
    values = np.full((len(START_QUANTITIES), *window.shape), np.nan, np.float32)
    zone = np.zeros(window.shape, np.int32)
    for part in parts:
        known = part.block.cut(window)
        if not known.empty:
            here, there = known.inside(window), known.inside(part.block)
            values[(slice(None), *here)] = part.start_values[(slice(None), *there)]
            zone[here] = part.zone[there]
    rows = tuple(sorted((row for part in parts for row in part.rows), key=lambda row: (row.block, row.number)))
    return AreaReading(
        window=window,
        heights=heights,
        draws=draws,
        mask=gathered.mask,
        fastest=gathered.fastest,
        zones=gathered.zones,
        start_values=values,
        zone=zone,
        rows=rows,
        samples=sum(part.samples for part in parts),
    )


def _read_batch(
    prepared: PreparedGround, blocks: list[Window], draws: SharedDraws, spacing_m: float, *, warm: bool
) -> Iterable[BlockReading]:
    """Read some blocks in threads; the first that holds start cells alone, where none was read yet."""
    run = map_in_threads if warm else map_in_threads_after_first
    found = run(lambda block: read_block(prepared, block, draws, spacing_m), blocks)
    return [one for one in found if one is not None]
