"""A tile: what its start zones do, as bytes that can be kept and sent; and the question that all tiles answer."""

from __future__ import annotations

import hashlib
import io
import json
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely

from lastseen import __version__
from lastseen.elevation import open_elevation
from lastseen.grid import FloatArray, IntArray
from lastseen.ground_layers import read_layers
from lastseen.preread.area import AreaReading, read_blocks
from lastseen.preread.carry import STARTS_M
from lastseen.preread.ensemble import MEMBERS, draw_ensemble
from lastseen.preread.gathering import AT_START, ZoneRow
from lastseen.preread.lattice import Heights, Window, heights_of_model, tiles_of
from lastseen.preread.sheets import PreparedGround
from lastseen.preread.zones import zone_outline
from lastseen.scenario import Scenario, scenario_toml

SLOPE_BINS = 900  # tenths of a degree
FORM = 1  # of the bytes of a tile; older ones are not taken up again


@dataclass(frozen=True)
class Question:
    """What all tiles of a run have in common; small, and can be sent to other machines.

    Attributes
    ----------
    scenario : Scenario
    starting : Window
        Blocks that touch it are run.
    shown : Window
        The cells of the result.
    members : int
    spacing_m : float
    tile_sheets : int
        Side of a tile in sheets.
    threads : int
        In each worker.
    """

    scenario: Scenario
    starting: Window
    shown: Window
    members: int = MEMBERS
    spacing_m: float = STARTS_M
    tile_sheets: int = 2
    threads: int = 1

    def fingerprint(self) -> str:
        """Changes with everything that changes a result: settings, files, version."""
        files = []
        for path in _files(self.scenario):
            state = path.stat()
            files.append([path.name, state.st_size, state.st_mtime_ns])
        told = [
            FORM,
            __version__,
            scenario_toml(self.scenario),
            asdict(self.starting),
            asdict(self.shown),
            self.members,
            self.spacing_m,
            self.tile_sheets,
            files,
        ]
        return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:16]


def _files(scenario: Scenario) -> list[Path]:
    layers = [getattr(scenario.ground, one.name) for one in fields(scenario.ground)]
    return [path for path in (*scenario.elevation, *layers) if path is not None]


@dataclass(frozen=True, eq=False)
class Tile:
    """What one tile adds. Arrays as in `AreaReading`.

    Attributes
    ----------
    core : Window
        Cells that belong to this tile alone; ``start_values``, ``zone`` and ``known`` have its shape.
    window : Window
        Cells that its bodies came to; ``mask``, ``fastest`` and ``zones`` have its shape.
    rows, outlines : tuple
        Start zones and their outlines in map metres.
    slopes : ndarray of int64
        Start cells by tenths of a degree of slope.
    bodies : int
    """

    core: Window
    window: Window
    mask: npt.NDArray[np.uint64]
    fastest: npt.NDArray[np.float32]
    zones: npt.NDArray[np.uint16]
    start_values: npt.NDArray[np.float32]
    zone: IntArray
    known: npt.NDArray[np.bool_]
    rows: tuple[ZoneRow, ...]
    outlines: tuple[shapely.MultiPolygon, ...]
    slopes: npt.NDArray[np.int64]
    bodies: int


def tiles_of_question(question: Question, heights: Heights) -> list[Window]:
    """All tiles of a run, from north to south and west to east."""
    return list(tiles_of(question.starting, question.tile_sheets * heights.sheet_cells))


def work_tile(question: Question, square: Window) -> bytes:
    """Read one tile: opens the files itself, so that any process on any machine that sees them can do it."""
    os.environ["LASTSEEN_THREADS"] = str(question.threads)
    return pack(read_tile(question, square, _prepared_once(question.fingerprint(), question.scenario)))


@lru_cache(maxsize=1)
def _prepared_once(_fingerprint: str, scenario: Scenario) -> PreparedGround:
    """The ground of the run that this process works on: tiles beside each other share its sheets."""
    return prepared_for(scenario)


def prepared_for(scenario: Scenario) -> PreparedGround:
    """The ground of a run, from its files."""
    elevation = open_elevation(scenario.elevation, None, scenario.z_unit)
    wanted = scenario.ground
    return PreparedGround(heights_of_model(elevation), lambda grid: read_layers(wanted, grid))


def read_tile(question: Question, square: Window, prepared: PreparedGround) -> Tile:
    """Run all blocks of a tile."""
    heights = prepared.heights
    ensemble = draw_ensemble(question.scenario.snow, question.scenario.seed, question.members)
    # Whole blocks are run even where the wanted ground cuts them: a block is the same in every run.
    core = square.cut(_whole_blocks(question.starting, heights)).cut(heights.extent)
    reading = read_blocks(prepared, core, None, ensemble, question.spacing_m)
    ground = prepared.over(core)
    here = core.inside(reading.window)
    zone = reading.zone[here].copy()
    slope = np.nan_to_num(ground.slope_deg[zone > 0]).astype(np.float64)
    counts = np.bincount(np.clip(slope * 10.0, 0, SLOPE_BINS - 1).astype(np.int64), minlength=SLOPE_BINS)
    return Tile(
        core,
        reading.window,
        reading.mask,
        reading.fastest,
        reading.zones,
        reading.start_values[(slice(None), *here)].copy(),
        zone,
        np.isfinite(ground.felt_m),
        reading.rows,
        tuple(_outlines(reading)),
        counts.astype(np.int64),
        reading.bodies,
    )


def _whole_blocks(window: Window, heights: Heights) -> Window:
    n = heights.block_cells
    return Window(window.top // n * n, window.left // n * n, -(-window.bottom // n) * n, -(-window.right // n) * n)


def _outlines(reading: AreaReading) -> Iterable[shapely.MultiPolygon]:
    """Outline of each start zone, as cells show it but without their steps."""
    n = reading.heights.block_cells
    for row in reading.rows:
        block = Window(row.block[0] * n, row.block[1] * n, (row.block[0] + 1) * n, (row.block[1] + 1) * n)
        block = block.cut(reading.heights.extent)
        mask = reading.zone[block.inside(reading.window)] == row.number
        yield zone_outline(mask, reading.heights, block)


_ARRAYS = ("mask", "fastest", "zones", "start_values", "zone", "known", "slopes")


def pack(tile: Tile) -> bytes:
    """A tile as bytes."""
    told = {
        "core": asdict(tile.core),
        "window": asdict(tile.window),
        "bodies": tile.bodies,
        "rows": [asdict(row) for row in tile.rows],
        "outlines": [shapely.to_wkb(one, hex=True) for one in tile.outlines],
    }
    out = io.BytesIO()
    text = np.frombuffer(json.dumps(told).encode(), np.uint8)
    np.savez_compressed(out, told=text, **{name: getattr(tile, name) for name in _ARRAYS})
    return out.getvalue()


def unpack(data: bytes) -> Tile:
    """A tile from its bytes."""
    with np.load(io.BytesIO(data)) as file:
        told = json.loads(file["told"].tobytes().decode())
        arrays = {name: file[name] for name in _ARRAYS}
    rows = tuple(
        ZoneRow(**{**row, "block": tuple(row["block"]), "values": tuple(row["values"])}) for row in told["rows"]
    )
    return Tile(
        Window(**told["core"]),
        Window(**told["window"]),
        rows=rows,
        outlines=tuple(shapely.from_wkb(one) for one in told["outlines"]),
        bodies=told["bodies"],
        **arrays,
    )


def windows_in(data: bytes) -> tuple[Window, Window]:
    """Core and window of a packed tile, without unpacking its arrays."""
    with np.load(io.BytesIO(data)) as file:
        told = json.loads(file["told"].tobytes().decode())
    return Window(**told["core"]), Window(**told["window"])


def column(rows: Iterable[ZoneRow], name: str) -> FloatArray:
    """One of ``AT_START`` of all start zones."""
    return np.array([row.values[AT_START.index(name)] for row in rows], float)
