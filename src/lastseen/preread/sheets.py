"""The ground as bodies, start zones and traps need it, prepared sheet by sheet.

What a sheet holds is worked out from its own heights and a margin around it, never from the window that somebody asks
for: runs that cut the ground into other tiles read the same values, to the last bit.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from lastseen.grid import FloatArray, Grid, IntArray
from lastseen.ground_layers import GroundLayers
from lastseen.motion import felt_ground
from lastseen.preread.lattice import Heights, Window, tiles_of
from lastseen.preread.zones import start_zone_numbers
from lastseen.release import grade_start_zones
from lastseen.terrain import read_terrain
from lastseen.traps import Trap, find_traps
from lastseen.traps.trap import LETTERS, Kind, severity

MARGIN_M = 300.0  # what stands around a sheet still shapes it: traps are measured whole this far; design choice
KINDS: tuple[Kind, ...] = tuple(LETTERS)  # kind k of a raster is KINDS[k - 1]; 0 is none
# What a trap does: to whoever passes it, and to whoever stops in it.
INJURES, WETS, BURIES, HOLDS = 1, 2, 4, 8
KEPT_CELLS = 16_000_000  # of sheets, the latest; 22 bytes each

ByteArray = npt.NDArray[np.uint8]
Single = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Sheet:
    """One sheet, or any window put together from sheets. All arrays have the window's shape.

    Attributes
    ----------
    window : Window
    felt_m : ndarray of float64
        Heights as moving snow feels them; NaN is no data.
    slope_deg : ndarray of float32
        Of the ground as a slab feels it.
    zone : ndarray of int32
        Number of the start zone in its block, from 1; 0 is none.
    kind, does : ndarray of uint8
        The worst trap of the cell (see ``KINDS``), and what all traps of the cell do.
    severity : ndarray of float32
        Of the worst trap, 0.1 to 1; 0 where there is none.
    """

    window: Window
    felt_m: FloatArray
    slope_deg: Single
    zone: IntArray
    kind: ByteArray
    does: ByteArray
    severity: Single


_KINDS_OF_ARRAY: dict[str, tuple[Any, float]] = {
    "felt_m": (np.float64, np.nan),
    "slope_deg": (np.float32, np.nan),
    "zone": (np.int32, 0),
    "kind": (np.uint8, 0),
    "does": (np.uint8, 0),
    "severity": (np.float32, 0.0),
}


def no_layers(_ground: Grid) -> GroundLayers:
    """Nothing is known beside the bare ground."""
    return GroundLayers()


@dataclass(frozen=True, eq=False)
class PreparedGround:
    """Sheets, prepared when they are first needed; the latest are kept.

    Attributes
    ----------
    heights : Heights
    layers_on : callable
        Trees, water and more on a window of the ground.
    with_traps : bool
        Whether traps are looked for.
    """

    heights: Heights
    layers_on: Callable[[Grid], GroundLayers] = no_layers
    with_traps: bool = True
    kept: OrderedDict[Window, Sheet] = field(default_factory=OrderedDict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def sheet(self, window: Window) -> Sheet:
        """The sheet that fills a square of the lattice of sheets."""
        with self.lock:
            if window not in self.kept:
                self.kept[window] = prepare_sheet(self.heights, window, self.layers_on, with_traps=self.with_traps)
                while len(self.kept) > 1 and sum(one.felt_m.size for one in self.kept.values()) > KEPT_CELLS:
                    self.kept.popitem(last=False)
            self.kept.move_to_end(window)
            return self.kept[window]

    def over(self, window: Window) -> Sheet:
        """Any window inside the extent, put together from sheets."""
        parts = {name: np.full(window.shape, empty, kind) for name, (kind, empty) in _KINDS_OF_ARRAY.items()}
        for square in tiles_of(window, self.heights.sheet_cells):
            shared = square.cut(self.heights.extent).cut(window)
            if shared.empty:
                continue
            sheet = self.sheet(square)
            for name, values in parts.items():
                values[shared.inside(window)] = getattr(sheet, name)[shared.inside(sheet.window)]
        return Sheet(window, **parts)


def prepare_sheet(
    heights: Heights, square: Window, layers_on: Callable[[Grid], GroundLayers], *, with_traps: bool = True
) -> Sheet:
    """Work out one sheet from its own heights and a margin, cut to the extent."""
    window = square.cut(heights.extent)
    outer = square.grown(int(np.ceil(MARGIN_M / heights.cell_m))).cut(heights.extent)
    ground = heights.grid(outer)
    inner = window.inside(outer)
    parts: dict[str, Any] = {
        name: np.full(window.shape, empty, kind) for name, (kind, empty) in _KINDS_OF_ARRAY.items()
    }
    if min(ground.shape) < 3 or not np.isfinite(ground.values).any():
        return Sheet(window, **parts)
    layers = layers_on(ground)
    trees = layers.of("trees")
    zones = grade_start_zones(ground, trees.cover if trees else None)
    parts["felt_m"] = felt_ground(ground).values[inner].copy()
    parts["slope_deg"] = zones.slope_deg.values[inner].astype(np.float32)
    parts["zone"] = start_zone_numbers(zones, outer, window, heights.block_cells)
    if with_traps:
        found = find_traps(read_terrain(ground), np.isfinite(ground.values), layers)
        parts |= {name: values[inner] for name, values in trap_rasters(found, ground.shape).items()}
    return Sheet(window, **parts)


def trap_rasters(traps: tuple[Trap, ...], shape: tuple[int, int]) -> dict[str, Any]:
    """Kind and severity of the worst trap of each cell, and what all of its traps do."""
    kind, does = np.zeros(shape[0] * shape[1], np.uint8), np.zeros(shape[0] * shape[1], np.uint8)
    worst = np.zeros(kind.size, np.float32)
    for trap in traps:
        value = np.float32(severity(trap))
        more = trap.cells[value > worst[trap.cells]]
        kind[more], worst[more] = KINDS.index(trap.kind) + 1, value
        does[trap.cells] |= np.uint8(what_it_does(trap))
    return {"kind": kind.reshape(shape), "does": does.reshape(shape), "severity": worst.reshape(shape)}


def what_it_does(trap: Trap) -> int:
    """Injury and water meet whoever passes; burial and no way out whoever stops."""
    bits = {"trauma": INJURES, "water": WETS, "burial": BURIES, "no way out": HOLDS}
    return sum(bits[one] for one in trap.consequences)
