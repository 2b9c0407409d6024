"""The ground as sliding snow, start zones and traps need it, prepared tile by tile."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from pyproj import CRS
from scipy import ndimage
from shapely import MultiPolygon, make_valid

from lastseen import snow
from lastseen.core import BoolArray, FloatArray, Grid, IntArray, keep_areas, outline_of_cells
from lastseen.terrain import Elevation, GroundLayers, read_ground, read_terrain
from lastseen.traps import LETTERS, Kind, Trap, find_traps, severity

# Cells are counted by whole numbers: what a cell draws and where blocks end must not depend on the window looked at.
# Rows run south and columns east from where the CRS has its origin. *Blocks* of about 250 m are the unit of work:
# each block of start cells is run on ground of its own, so that its samples go the same way whatever is run beside it.
# *Ground tiles* of 8 by 8 blocks are the unit in which ground is prepared, each from heights of its own.

BLOCK_M = 250.0  # design choice: about the side of a slab of size 4
LEAST_BLOCK_CELLS = 8
TILE_BLOCKS = 8
_TINY = 1e-6  # of a cell


@dataclass(frozen=True, order=True, kw_only=True)
class Window:
    """Rows ``top`` to ``bottom`` and columns ``left`` to ``right``, the last ones not included."""

    top: int
    left: int
    bottom: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns; never negative."""
        return max(0, self.bottom - self.top), max(0, self.right - self.left)

    @property
    def empty(self) -> bool:
        """Whether there is no cell in it."""
        return 0 in self.shape

    def grown(self, cells: int) -> Window:
        """Wider by as many cells on each side."""
        top, left, bottom, right = self.top - cells, self.left - cells, self.bottom + cells, self.right + cells
        return Window(top=top, left=left, bottom=bottom, right=right)

    def cut(self, other: Window) -> Window:
        """What both have in common."""
        top, left = max(self.top, other.top), max(self.left, other.left)
        return Window(top=top, left=left, bottom=min(self.bottom, other.bottom), right=min(self.right, other.right))

    def joined(self, other: Window) -> Window:
        """The smallest window that holds both."""
        top, left = min(self.top, other.top), min(self.left, other.left)
        return Window(top=top, left=left, bottom=max(self.bottom, other.bottom), right=max(self.right, other.right))

    def inside(self, outer: Window) -> tuple[slice, slice]:
        """Where it lies in an array of another window."""
        rows = slice(self.top - outer.top, self.bottom - outer.top)
        return rows, slice(self.left - outer.left, self.right - outer.left)


@dataclass(frozen=True, kw_only=True)
class Heights:
    """An elevation model whose cells are counted by whole numbers."""

    cell_m: float
    crs: CRS
    offset: tuple[float, float]  # (row, col); shares of a cell by which the lattice is off the origin of the CRS
    extent: Window  # all of its cells
    read: Callable[[Window], FloatArray]  # heights of a window inside the extent, metres; NaN is no data

    @property
    def block_cells(self) -> int:
        """Side of a block."""
        return max(LEAST_BLOCK_CELLS, round(BLOCK_M / self.cell_m))

    @property
    def ground_tile_cells(self) -> int:
        """Side of a ground tile."""
        return TILE_BLOCKS * self.block_cells

    def block(self, row: int, col: int) -> Window:
        """A block of the lattice of blocks, cut to the extent."""
        n = self.block_cells
        return Window(top=row * n, left=col * n, bottom=(row + 1) * n, right=(col + 1) * n).cut(self.extent)

    def corner_m(self, window: Window) -> tuple[float, float]:
        """West and north edge of a window, map metres."""
        return (window.left + self.offset[1]) * self.cell_m, -(window.top + self.offset[0]) * self.cell_m

    def grid(self, window: Window) -> Grid:
        """Heights of a window as a grid; NaN where it leaves the extent."""
        values = np.full(window.shape, np.nan)
        known = window.cut(self.extent)
        if not known.empty:
            values[known.inside(window)] = self.read(known)
        return self.on(window, values)

    def first_cells(self) -> Grid:
        """A few cells at the north-west corner, to ask which ground layers were given."""
        top, left = self.extent.top, self.extent.left
        return self.grid(Window(top=top, left=left, bottom=top + 3, right=left + 3).cut(self.extent))

    def on(self, window: Window, values: FloatArray) -> Grid:
        """Any values of a window as a grid."""
        west, north = self.corner_m(window)
        return Grid(values, west, north, self.cell_m, self.crs)

    def window_of(self, west_m: float, south_m: float, east_m: float, north_m: float) -> Window:
        """The cells that touch a box, cut to the extent."""
        c, (row, col) = self.cell_m, self.offset
        return Window(
            top=math.floor(-north_m / c - row + _TINY),
            left=math.floor(west_m / c - col + _TINY),
            bottom=math.ceil(-south_m / c - row - _TINY),
            right=math.ceil(east_m / c - col - _TINY),
        ).cut(self.extent)


def heights_of_grid(ground: Grid) -> Heights:
    """Heights that are already there."""
    offset, corner = _placed(ground.west_m, ground.north_m, ground.cell_m)
    ny, nx = ground.shape
    extent = Window(top=corner[0], left=corner[1], bottom=corner[0] + ny, right=corner[1] + nx)
    values = np.asarray(ground.values, np.float64)

    def read(window: Window) -> FloatArray:
        return values[window.inside(extent)]

    return Heights(cell_m=ground.cell_m, crs=ground.crs, offset=offset, extent=extent, read=read)


def heights_of_model(elevation: Elevation) -> Heights:
    """Heights that are read by window, from one file or many."""
    c = elevation.cell_m
    offset, _ = _placed(*elevation.anchor_m, c)
    west, south, east, north = elevation.snapped(elevation.bounds_m)
    top, left = round(-north / c - offset[0]), round(west / c - offset[1])
    extent = Window(top=top, left=left, bottom=top + round((north - south) / c), right=left + round((east - west) / c))

    def read(window: Window) -> FloatArray:
        x, y = (window.left + offset[1]) * c, -(window.top + offset[0]) * c
        rows, cols = window.shape
        return np.asarray(read_ground(elevation, (x, y - rows * c, x + cols * c, y)).grid.values, np.float64)

    return Heights(cell_m=c, crs=elevation.crs, offset=offset, extent=extent, read=read)


def tiles_of(window: Window, side: int) -> Iterator[Window]:
    """Squares of a lattice from the origin that touch a window, from north to south and west to east."""
    for i in range(window.top // side, -(-window.bottom // side)):
        for j in range(window.left // side, -(-window.right // side)):
            yield Window(top=i * side, left=j * side, bottom=(i + 1) * side, right=(j + 1) * side)


def _placed(x_m: float, y_m: float, cell_m: float) -> tuple[tuple[float, float], tuple[int, int]]:
    """Shares of a cell that a corner is off the lattice of the origin, and the row and column of that corner."""
    row, col = math.floor(-y_m / cell_m + _TINY), math.floor(x_m / cell_m + _TINY)
    return (-y_m / cell_m - row, x_m / cell_m - col), (row, col)


def start_zone_numbers(zones: snow.StartZones, outer: Window, window: Window, block_cells: int) -> IntArray:
    """Number of the start zone of each cell of a window in its block, from 1; 0 is none. Zones: of the outer window.

    The same cuts as for release areas, but each block of about 250 m by itself: a face that is larger than the largest
    slab is then several zones, and what a zone is does not depend on ground far away.
    """
    rib, roll = zones.rib_per_m.values, zones.roll_per_m.values
    barrier = np.maximum(np.maximum(rib / snow.RIB_CUT, roll / snow.ROLL_CUT), -rib / snow.BED_CUT)
    start = large_enough(np.nan_to_num(zones.grade.values) >= snow.LEAST_GRADE, zones.grade.cell_area_m2)
    out = np.zeros(window.shape, np.int32)
    for square in tiles_of(window, block_cells):
        block = square.cut(window)
        in_outer = block.inside(outer)
        if start[in_outer].any():
            out[block.inside(window)] = snow.split_at_barriers(
                barrier[in_outer], start[in_outer], 1.0, zones.grade.cell_m
            )
    return out


def large_enough(start: BoolArray, cell_area_m2: float) -> BoolArray:
    """Start-zone terrain that can hold a slab of size 1, by its area on the map."""
    labels, _ = ndimage.label(start)
    large = np.bincount(labels.ravel()) * cell_area_m2 >= snow.slab_class(1).area_m2
    large[0] = False
    return np.asarray(large[labels])


def zone_outline(mask: BoolArray, heights: Heights, window: Window) -> MultiPolygon:
    """Outline of the cells of a mask on a window; steps of one cell are made straight, edges of blocks stay."""
    edges = outline_of_cells(np.flatnonzero(mask.ravel()), heights.on(window, np.empty(window.shape)))
    return keep_areas(make_valid(edges.simplify(0.75 * heights.cell_m)))


# What a tile holds is worked out from its own heights and a margin around it, never from the window that somebody
# asks for: runs that cut the ground into other tiles read the same values, to the last bit.

MARGIN_M = 300.0  # what stands around a tile still shapes it: traps are measured whole this far; design choice
KINDS: tuple[Kind, ...] = tuple(LETTERS)  # kind k of a raster is KINDS[k - 1]; 0 is none
# What a trap does: to whoever passes it, and to whoever stops in it.
INJURES, WETS, BURIES, HOLDS = 1, 2, 4, 8
KEPT_CELLS = 16_000_000  # of tiles, the latest; 22 bytes each

ByteArray = npt.NDArray[np.uint8]
Single = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False, kw_only=True)
class GroundTile:
    """One ground tile, or any window put together from several. All arrays have the window's shape."""

    window: Window
    smoothed_m: FloatArray  # lightly smoothed heights, on which samples slide; NaN is no data
    slope_deg: Single  # of the ground as a slab feels it
    zone: IntArray  # number of the start zone in its block, from 1; 0 is none
    # the worst trap of the cell (see ``KINDS``), and what all traps of the cell do
    kind: ByteArray
    effects: ByteArray
    severity: Single  # of the worst trap, 0.1 to 1; 0 where there is none


_ARRAY_KINDS: dict[str, tuple[Any, float]] = {
    "smoothed_m": (np.float64, np.nan),
    "slope_deg": (np.float32, np.nan),
    "zone": (np.int32, 0),
    "kind": (np.uint8, 0),
    "effects": (np.uint8, 0),
    "severity": (np.float32, 0.0),
}


def no_layers(_ground: Grid) -> GroundLayers:
    """Nothing is known beside the bare ground."""
    return GroundLayers()


@dataclass(frozen=True, eq=False, kw_only=True)
class PreparedGround:
    """Ground tiles, prepared when they are first needed; the latest are kept."""

    heights: Heights
    layers_on: Callable[[Grid], GroundLayers] = no_layers  # trees, water and more on a window of the ground
    with_traps: bool = True  # whether traps are looked for
    kept: OrderedDict[Window, GroundTile] = field(default_factory=OrderedDict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def tile(self, window: Window) -> GroundTile:
        """The tile that fills a square of the lattice of tiles."""
        with self.lock:
            if window not in self.kept:
                self.kept[window] = prepare_tile(self.heights, window, self.layers_on, with_traps=self.with_traps)
                while len(self.kept) > 1 and sum(tile.smoothed_m.size for tile in self.kept.values()) > KEPT_CELLS:
                    self.kept.popitem(last=False)
            self.kept.move_to_end(window)
            return self.kept[window]

    def over(self, window: Window) -> GroundTile:
        """Any window inside the extent, put together from tiles."""
        parts = {name: np.full(window.shape, empty, kind) for name, (kind, empty) in _ARRAY_KINDS.items()}
        for square in tiles_of(window, self.heights.ground_tile_cells):
            shared = square.cut(self.heights.extent).cut(window)
            if shared.empty:
                continue
            tile = self.tile(square)
            for name, values in parts.items():
                values[shared.inside(window)] = getattr(tile, name)[shared.inside(tile.window)]
        return GroundTile(window=window, **parts)


def prepare_tile(
    heights: Heights, square: Window, layers_on: Callable[[Grid], GroundLayers], *, with_traps: bool = True
) -> GroundTile:
    """Work out one tile from its own heights and a margin, cut to the extent."""
    window = square.cut(heights.extent)
    outer = square.grown(int(np.ceil(MARGIN_M / heights.cell_m))).cut(heights.extent)
    ground = heights.grid(outer)
    inner = window.inside(outer)
    parts: dict[str, Any] = {name: np.full(window.shape, empty, kind) for name, (kind, empty) in _ARRAY_KINDS.items()}
    if min(ground.shape) < 3 or not np.isfinite(ground.values).any():
        return GroundTile(window=window, **parts)
    layers = layers_on(ground)
    trees = layers.of("trees")
    zones = snow.grade_start_zones(ground, trees.cover if trees else None)
    parts["smoothed_m"] = snow.smooth_for_snow(ground).values[inner].copy()
    parts["slope_deg"] = zones.slope_deg.values[inner].astype(np.float32)
    parts["zone"] = start_zone_numbers(zones, outer, window, heights.block_cells)
    if with_traps:
        found = find_traps(read_terrain(ground), np.isfinite(ground.values), layers)
        parts |= {name: values[inner] for name, values in trap_rasters(found, ground.shape).items()}
    return GroundTile(window=window, **parts)


def trap_rasters(traps: tuple[Trap, ...], shape: tuple[int, int]) -> dict[str, Any]:
    """Kind and severity of the worst trap of each cell, and what all of its traps do."""
    kind, effects = np.zeros(shape[0] * shape[1], np.uint8), np.zeros(shape[0] * shape[1], np.uint8)
    worst = np.zeros(kind.size, np.float32)
    for trap in traps:
        value = np.float32(severity(trap))
        more = trap.cells[value > worst[trap.cells]]
        kind[more], worst[more] = KINDS.index(trap.kind) + 1, value
        effects[trap.cells] |= np.uint8(trap_effects(trap))
    return {"kind": kind.reshape(shape), "effects": effects.reshape(shape), "severity": worst.reshape(shape)}


def trap_effects(trap: Trap) -> int:
    """Injury and water meet whoever passes; burial and no way out whoever stops."""
    bits = {"trauma": INJURES, "water": WETS, "burial": BURIES, "no way out": HOLDS}
    return sum(bits[consequence] for consequence in trap.consequences)
