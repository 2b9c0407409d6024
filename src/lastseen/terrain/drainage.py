"""Where the ground drains to: hollows filled, directions, accumulation, channels. All of it is global."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from lastseen.core import (
    FloatArray,
    Grid,
    InputError,
    IntArray,
    ResourceError,
    map_in_threads,
    run_over_rows,
    thread_count,
)
from lastseen.terrain import drainage_kernels
from lastseen.terrain.drainage_kernels import FLAT, OFF, ByteArray, LongArray

# ---- Filling: the ground as it would be if every hollow were full to the height at which it spills
# The surface is the one of Priority-Flood (Barnes, Lehman & Mulla 2014, Computers & Geosciences 62:117): each cell
# takes the lowest height over which it can be left for the border, and no more. It is unique, so that any method
# gives the same bits. Here whole basins are flooded instead of single cells, in the order of the passes between them,
# as in the basin graphs of Barnes (2016, Computers & Geosciences 96:56) and Cordonnier, Bovy & Braun (2019, Earth
# Surface Dynamics 7:549):
#
# 1. every cell points to a lower neighbour; what runs down to one lowest cell is a basin (rows in threads);
# 2. the lowest pass between each two basins is found (rows in threads);
# 3. passes are opened from the lowest to the highest; a set of basins that meets the border spills at that pass;
# 4. every cell is raised to the level of its basin.
#
# This is global: a hollow can be spilled far away. It takes about 21 bytes a cell with the ground itself.

BLOCK_ROWS = 256
MOST_CELLS = 2**31 - 1  # cells are counted in 32 bits


@dataclass(frozen=True, kw_only=True)
class FilledGround:
    """The ground with its hollows full."""

    ground: Grid  # as given, metres
    # as filled, metres; never below the ground. No cell but those on the border and beside no data lies below all its
    # neighbours.
    surface: Grid

    @property
    def depth_m(self) -> Grid:
        """How deep each cell lies below the level at which its hollow spills; 0 where the ground drains."""
        return self.ground.with_values(self.surface.values - self.ground.values)


def fill_hollows(elevation: Grid) -> FilledGround:
    """Fill every hollow to the level at which it spills; NaN where the ground is NaN.

    All drains over the outer frame and into no data: an island of no data is an outlet. A pit of one cell is filled
    like any other. ResourceError if the ground has more than 2 to the 31 cells.
    """
    if elevation.values.size > MOST_CELLS:
        raise ResourceError(
            f"drainage of {elevation.values.size / 1e6:.0f} million cells is more than {MOST_CELLS / 1e6:.0f} million: "
            "cut the elevation model to the basin of interest, or use coarser cells"
        )
    ground = elevation.values
    z: FloatArray = np.ascontiguousarray(ground, dtype=np.float64)
    rows = z.shape[0]
    blocks = [(first, min(first + BLOCK_ROWS, rows)) for first in range(0, rows, BLOCK_ROWS)]
    basin = np.empty(z.shape, np.int32)
    lowest = map_in_threads(lambda block: drainage_kernels.lower_cells(z, *block, basin), blocks)
    before = [0, *np.cumsum(lowest).tolist()]
    map_in_threads(
        lambda block: drainage_kernels.number_hollows(basin, *block[0], block[1]),
        list(zip(blocks, before, strict=False)),
    )
    run_over_rows(lambda first, last: drainage_kernels.follow(basin, first, last), rows, BLOCK_ROWS)
    passes = map_in_threads(lambda block: drainage_kernels.saddles(z, basin, *block), blocks)
    low, high, height = (np.concatenate([found[k] for found in passes]) for k in range(3))
    level = np.empty(before[-1] + 1)
    drainage_kernels.flood(low, high, height, np.argsort(height, kind="stable").astype(np.int32), level)
    surface = np.empty(z.shape)
    run_over_rows(
        lambda first, last: drainage_kernels.raise_to(z, basin, level, first, last, surface), rows, BLOCK_ROWS
    )
    return FilledGround(ground=elevation, surface=elevation.with_values(surface))


# ---- Where each cell drains to: one neighbour (D8), or an azimuth between two (D-infinity)
# - D8 (O'Callaghan & Mark 1984, Computer Vision, Graphics and Image Processing 28:323): the neighbour of the steepest
#   descent, distance counted; of several as steep, the first clockwise from north.
# - D-infinity (Tarboton 1997, Water Resources Research 33:309): the steepest of the eight triangular facets around the
#   cell, with the flow on its azimuth.
#
# Both are taken on the filled surface. A cell on the border or beside no data drains off the ground unless a
# neighbour is lower. Flats (true ones, and hollows that are full) are crossed by the fewest steps to where they
# drain, without changing any height; of several ways the straight ones come before the diagonal ones, then clockwise
# from north. This is the gradient towards lower terrain of Garbrecht & Martz (1997, Journal of Hydrology 193:204)
# without their second gradient away from higher terrain. D-infinity follows the same way where no facet falls, as
# Tarboton (1997) does.


@dataclass(frozen=True, kw_only=True)
class Drainage:
    """The filled ground and the way out of each cell."""

    filled: FilledGround  # the ground as given and as filled
    # uint8: 0 to 7 is the neighbour clockwise from north that the cell drains to (D8), 8 leaves the ground, 255 is no
    # data
    way: Grid

    @property
    def direction_deg(self) -> Grid:
        """Azimuth of the way from grid north, 0 to 315 in steps of 45; NaN where it leaves the ground."""
        way = self.way.values
        return self.way.with_values(np.where(way < OFF, way * 45.0, np.nan))


def find_drainage(elevation: Grid | FilledGround) -> Drainage:
    """Fill the ground (metres, NaN is no data) unless it is filled already, and find the way out of each cell."""
    filled = elevation if isinstance(elevation, FilledGround) else fill_hollows(elevation)
    z: FloatArray = filled.surface.values
    way = np.empty(z.shape, np.uint8)
    run_over_rows(lambda first, last: drainage_kernels.steepest(z, first, last, way), z.shape[0])
    drainage_kernels.cross_flats(z, way, np.flatnonzero(way.ravel() == FLAT).astype(np.int32))
    return Drainage(filled=filled, way=filled.ground.with_values(way))


def find_facet_octants(drainage: Drainage) -> FloatArray:
    """D-infinity azimuths in eighths of a turn from north, 0 to 8; -1 leaves the ground, NaN is no data."""
    z, way = drainage.filled.surface.values, drainage.way.values
    octant = np.empty(z.shape)
    run_over_rows(lambda first, last: drainage_kernels.facets(z, way, first, last, octant), z.shape[0])
    return octant


def facet_direction_deg(drainage: Drainage) -> Grid:
    """D-infinity azimuth from grid north, 0 to 360 degrees; NaN where the flow leaves the ground and at no data."""
    octant = find_facet_octants(drainage)
    octant[octant < 0.0] = np.nan
    octant *= 45.0
    return drainage.way.with_values(octant)


# ---- Flow accumulation: the area that drains through each cell, its own included
# Three ways to share the flow of a cell, all on the filled surface (see ``routing``):
#
# - D8: all to the neighbour of the steepest descent (O'Callaghan & Mark 1984).
# - D-infinity: between the two neighbours beside the azimuth of the steepest facet, by angle (Tarboton 1997).
# - multiple: among all lower neighbours by gradient to the power of an exponent (Freeman 1991, Computers & Geosciences
#   17:413, with 1.1; a higher exponent gathers the flow, an endless one is D8).
#
# On flats each follows the one way across. Cells without data give nothing. What leaves the ground is gone.
#
# Areas are summed as whole numbers, 2 to the 32 to a cell: no share is lost where the flow splits, and the result is
# the same to the last bit in any order and with any number of threads. The error is below 1e-8 of a cell at each
# split.
#
# This is global. Blocks of rows are worked in threads; what crosses between them is handed over when all have
# stopped, again and again until nothing moves.

Method = Literal["D8", "D-infinity", "multiple"]
FREEMAN_EXPONENT = 1.1  # Freeman (1991)
LARGEST_EXPONENT = 50.0  # Holmgren (1994, Hydrological Processes 8:327) calls 1 to 25 useful
LEAST_BLOCK_ROWS = 64

Start = Callable[[int, int, LongArray, ByteArray], None]
Add = Callable[[int, int, LongArray, LongArray, ByteArray, LongArray, LongArray], None]


def accumulation_m2(drainage: Drainage, method: Method = "D8", *, exponent: float = FREEMAN_EXPONENT) -> Grid:
    """Area that drains through each cell, its own included, m2 on the map; NaN at no data.

    Divided by the side of a cell it is the specific area. The exponent of ``multiple`` is above 0 and not above 50.
    InputError if the method is not known or the exponent out of range.
    """
    z, way = drainage.filled.surface.values, drainage.way.values
    if method == "D8":
        area = _gather(
            way.shape,
            lambda first, last, area, waiting: drainage_kernels.way_donors(way, first, last, area, waiting),
            lambda first, last, *rest: drainage_kernels.add_ways(way, first, last, *rest),
        )
    elif method == "D-infinity":
        octant = find_facet_octants(drainage)
        area = _gather(
            way.shape,
            lambda first, last, area, waiting: drainage_kernels.facet_donors(octant, first, last, area, waiting),
            lambda first, last, *rest: drainage_kernels.add_facets(octant, first, last, *rest),
        )
    elif method == "multiple":
        if not 0.0 < exponent <= LARGEST_EXPONENT:
            raise InputError(f"the exponent of multiple flow is {exponent:g}: choose one from 0.1 to 50")
        area = _gather(
            way.shape,
            lambda first, last, area, waiting: drainage_kernels.slope_donors(z, way, first, last, area, waiting),
            lambda first, last, *rest: drainage_kernels.add_slopes(z, way, exponent, first, last, *rest),
        )
    else:
        raise InputError(f"flow is not known to gather by '{method}': choose D8, D-infinity or multiple")
    return drainage.way.with_values(_in_m2(area, z, drainage.way.cell_area_m2))


def _gather(shape: tuple[int, int], start: Start, add: Add) -> LongArray:
    """Areas in ``kernels.CELL`` to a cell: one block of rows for each thread, in rounds until nothing moves."""
    rows, columns = shape
    area, waiting = np.empty(shape, np.int64), np.empty(shape, np.uint8)
    run_over_rows(lambda first, last: start(first, last, area, waiting), rows)
    count = max(1, min(thread_count(), rows // LEAST_BLOCK_ROWS))
    blocks = list(pairwise(rows * k // count for k in range(count + 1)))
    left, counts = (np.zeros((count, 2, columns), np.int64) for _ in range(2))
    ready: list[LongArray] = [np.arange(first, last, dtype=np.int64) for first, last in blocks]

    def receive(k: int) -> LongArray:
        """Rows of a block that can go on with what the blocks above and below left for it."""
        rows, (first, last) = set(), blocks[k]
        for row, near, side in ((first, k - 1, 1), (last - 1, k + 1, 0)):
            inside = 0 <= near < count
            if inside and drainage_kernels.receive_areas(row, left[near, side], counts[near, side], area, waiting):
                rows.add(row)
        return np.array(sorted(rows), np.int64)

    def add_block(k: int) -> None:
        if ready[k].size:
            add(*blocks[k], ready[k], area, waiting, left[k], counts[k])

    while any(rows.size for rows in ready):
        map_in_threads(add_block, range(count))
        ready[:] = [receive(k) for k in range(count)]
    return area


def _in_m2(area: LongArray, z: FloatArray, cell_area_m2: float) -> FloatArray:
    """Whole numbers to square metres, in their own memory; NaN at no data."""
    out: FloatArray = area.view(np.float64)
    scale = cell_area_m2 / drainage_kernels.CELL
    run_over_rows(lambda first, last: drainage_kernels.in_area(area, z, scale, first, last, out), z.shape[0])
    return out


# ---- Channels and their heads: where enough ground drains together
# A channel runs where the area that drains through a cell reaches a threshold (O'Callaghan & Mark 1984; Tarboton,
# Bras & Rodriguez-Iturbe 1991, Hydrological Processes 5:81, call it the constant support area). Its head is the first
# such cell. Real heads depend on slope and climate as well (Montgomery & Dietrich 1988, Nature 336:232), so the
# threshold is a scale of reading, not a property of the place.

CHANNEL_M2 = 10_000.0  # one hectare: the scale of the gullies of a single slope; design choice


@dataclass(frozen=True, kw_only=True)
class Channels:
    """Channels of a drained ground."""

    kind: Grid  # uint8: 0 slope, 1 channel, 2 head of a channel, 255 no data
    threshold_m2: float  # area from which a channel runs

    @property
    def heads(self) -> tuple[IntArray, IntArray]:
        """Rows and columns of the heads."""
        row, col = np.nonzero(self.kind.values == 2)
        return row.astype(np.int32), col.astype(np.int32)


def find_channels(drainage: Drainage, area_m2: Grid, *, threshold_m2: float = CHANNEL_M2) -> Channels:
    """Find channels and their heads by accumulated area (of any method); a channel goes on along the ways (D8).

    InputError if the threshold is not above 0.
    """
    if not threshold_m2 > 0.0:
        raise InputError(f"the threshold of channels is {threshold_m2:g} m2: it must be above 0")
    way, area = drainage.way.values, area_m2.values
    kind = np.empty(way.shape, np.uint8)
    run_over_rows(lambda first, last: drainage_kernels.heads(way, area, threshold_m2, first, last, kind), way.shape[0])
    return Channels(kind=drainage.way.with_values(kind), threshold_m2=threshold_m2)
