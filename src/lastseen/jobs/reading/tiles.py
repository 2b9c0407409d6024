"""Tiles of an area: what one reads, its bytes, and how finished ones are kept on disk."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, fields
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from lastseen import __version__
from lastseen.core import NO_SPACE, InputError, IntArray, ResourceError, Scenario, scenario_toml
from lastseen.jobs.reading.block_reading import AreaReading, CellTotals, ZoneRow, read_blocks
from lastseen.jobs.reading.block_run import MEMBERS, STARTS_M, draw_shared
from lastseen.jobs.reading.ground import Heights, PreparedGround, Window, heights_of_model, tiles_of, zone_outline
from lastseen.terrain import open_elevation, read_layers

SLOPE_BINS = 900  # tenths of a degree
FORM = 2  # of the bytes of a tile; older ones are not taken up again


@dataclass(frozen=True, kw_only=True)
class AreaRequest:
    """What all tiles of a run have in common; small, and can be sent to other machines."""

    scenario: Scenario
    starting: Window  # blocks that touch it are run
    shown: Window  # the cells of the result
    members: int = MEMBERS
    spacing_m: float = STARTS_M
    tile_side: int = 2  # side of a tile in ground tiles
    threads: int = 1  # in each worker

    def fingerprint(self) -> str:
        """Changes with everything that changes a result: settings, files, version."""
        layers = [getattr(self.scenario.ground, field.name) for field in fields(self.scenario.ground)]
        paths = [path for path in (*self.scenario.elevation, *layers) if path is not None]
        files = [[path.name, state.st_size, state.st_mtime_ns] for path in paths for state in [path.stat()]]
        windows = (asdict(self.starting), asdict(self.shown))
        settings = (self.members, self.spacing_m, self.tile_side)
        parts = [FORM, __version__, scenario_toml(self.scenario), *windows, *settings, files]
        return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:16]


@dataclass(frozen=True, eq=False, kw_only=True)
class Tile:
    """What one tile adds. Arrays as in `AreaReading`."""

    core: Window  # cells that belong to this tile alone; ``start_values``, ``zone`` and ``known`` have its shape
    totals: CellTotals  # on the window of all cells that its samples came to
    start_values: npt.NDArray[np.float32]
    zone: IntArray
    known: npt.NDArray[np.bool_]
    # start zones and their outlines in map metres
    rows: tuple[ZoneRow, ...]
    outlines: tuple[shapely.MultiPolygon, ...]
    slopes: npt.NDArray[np.int64]  # start cells by tenths of a degree of slope
    samples: int


def list_tiles(request: AreaRequest, heights: Heights) -> list[Window]:
    """All tiles of a run, from north to south and west to east."""
    return list(tiles_of(request.starting, request.tile_side * heights.ground_tile_cells))


def work_tile(request: AreaRequest, square: Window) -> bytes:
    """Read one tile: opens the files itself, so that any process on any machine that sees them can do it."""
    os.environ["LASTSEEN_THREADS"] = str(request.threads)
    return pack(read_tile(request, square, _prepared_once(request.fingerprint(), request.scenario)))


@lru_cache(maxsize=1)
def _prepared_once(_fingerprint: str, scenario: Scenario) -> PreparedGround:
    """The ground of the run that this process works on: neighbouring tiles share its ground tiles."""
    return prepared_for(scenario)


def prepared_for(scenario: Scenario) -> PreparedGround:
    """The ground of a run, from its files."""
    # Whoever asked for the tiles looked at the whole ground before.
    elevation = open_elevation(scenario.elevation, None, scenario.z_unit, accept_doubtful=True)
    wanted = scenario.ground
    return PreparedGround(heights=heights_of_model(elevation), layers_on=lambda grid: read_layers(wanted, grid))


def read_tile(request: AreaRequest, square: Window, prepared: PreparedGround) -> Tile:
    """Run all blocks of a tile."""
    heights = prepared.heights
    draws = draw_shared(request.scenario.snow, request.scenario.seed, request.members)
    # Whole blocks are run even where the wanted ground cuts them: a block is the same in every run.
    core = square.cut(_whole_blocks(request.starting, heights)).cut(heights.extent)
    reading = read_blocks(prepared, core, shown=None, draws=draws, spacing_m=request.spacing_m)
    ground = prepared.over(core)
    of_core = core.inside(reading.totals.window)
    zone = reading.zone[of_core].copy()
    slope = np.nan_to_num(ground.slope_deg[zone > 0]).astype(np.float64)
    counts = np.bincount(np.clip(slope * 10.0, 0, SLOPE_BINS - 1).astype(np.int64), minlength=SLOPE_BINS)
    return Tile(
        core=core,
        totals=reading.totals,
        start_values=reading.start_values[(slice(None), *of_core)].copy(),
        zone=zone,
        known=np.isfinite(ground.smoothed_m),
        rows=reading.rows,
        outlines=tuple(_outlines(reading)),
        slopes=counts.astype(np.int64),
        samples=reading.samples,
    )


def _whole_blocks(window: Window, heights: Heights) -> Window:
    n = heights.block_cells
    top, left = window.top // n * n, window.left // n * n
    return Window(top=top, left=left, bottom=-(-window.bottom // n) * n, right=-(-window.right // n) * n)


def _outlines(reading: AreaReading) -> Iterable[shapely.MultiPolygon]:
    """Outline of each start zone, as cells show it but without their steps."""
    for row in reading.rows:
        block = reading.heights.block(*row.block)
        mask = reading.zone[block.inside(reading.totals.window)] == row.number
        yield zone_outline(mask, reading.heights, block)


_TOTALS, _OF_CORE = ("mask", "fastest", "zones"), ("start_values", "zone", "known", "slopes")


def pack(tile: Tile) -> bytes:
    """A tile as bytes."""
    head = {
        "core": asdict(tile.core),
        "window": asdict(tile.totals.window),
        "bodies": tile.samples,
        "rows": [asdict(row) for row in tile.rows],
        "outlines": [shapely.to_wkb(outline, hex=True) for outline in tile.outlines],
    }
    arrays = {name: getattr(tile.totals, name) for name in _TOTALS} | {name: getattr(tile, name) for name in _OF_CORE}
    out = io.BytesIO()
    np.savez_compressed(out, head=np.frombuffer(json.dumps(head).encode(), np.uint8), **arrays)
    return out.getvalue()


def unpack(data: bytes) -> Tile:
    """A tile from its bytes."""
    with np.load(io.BytesIO(data)) as file:
        head = _head(file)
        totals, of_core = ({name: file[name] for name in names} for names in (_TOTALS, _OF_CORE))
    rows = tuple(ZoneRow(**row | {name: tuple(row[name]) for name in ("block", "values")}) for row in head["rows"])
    return Tile(
        core=Window(**head["core"]),
        totals=CellTotals(window=Window(**head["window"]), **totals),
        rows=rows,
        outlines=tuple(shapely.from_wkb(outline) for outline in head["outlines"]),
        samples=head["bodies"],
        **of_core,
    )


def windows_in(data: bytes) -> tuple[Window, Window]:
    """Core of a packed tile, and the window that its samples came to, without unpacking its arrays."""
    with np.load(io.BytesIO(data)) as file:
        head = _head(file)
    return Window(**head["core"]), Window(**head["window"])


def _head(file: Any) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(file["head"].tobytes().decode())
    return found


@dataclass(frozen=True, kw_only=True)
class KeptTiles:
    """Tiles of one request, kept as they come, so that a run that was killed goes on where it was.

    They lie in a hidden folder beside the output, whose name holds the request's fingerprint.
    """

    folder: Path

    def path(self, square: Window) -> Path:
        """Where a tile is kept."""
        return self.folder / f"tile_{square.top}_{square.left}.npz"

    def has(self, square: Window) -> bool:
        """Whether a tile is finished: a file appears whole or not at all."""
        return self.path(square).is_file()

    def put(self, square: Window, data: bytes) -> None:
        """Keep a tile; ResourceError if the disk is full, finished tiles stay."""
        path = self.path(square)
        partial = path.with_suffix(f".part-{os.getpid()}")
        try:
            with partial.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            partial.replace(path)
        except OSError as error:
            partial.unlink(missing_ok=True)
            if error.errno in NO_SPACE:
                raise ResourceError(
                    f"no space is left on the disk of {self.folder.parent}: finished tiles are kept; free some space "
                    "and give the same command again"
                ) from error
            raise InputError(f"{self.folder.parent} cannot be written: choose another output folder") from error

    def get(self, square: Window) -> Tile:
        """Take a tile out again."""
        return unpack(self.path(square).read_bytes())

    def windows(self, square: Window) -> tuple[Window, Window]:
        """Core and window of a tile."""
        return windows_in(self.path(square).read_bytes())

    def remove(self) -> None:
        """Delete all; the output is written."""
        shutil.rmtree(self.folder, ignore_errors=True)


def open_kept_tiles(folder: Path, request: AreaRequest) -> KeptTiles:
    """The tiles that belong to an output folder and a request; those of other settings are never taken up.

    Raises InputError if the place cannot be written.
    """
    folder = folder.resolve()
    place = folder.parent / f".{folder.name}.tiles-{request.fingerprint()}"
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder.parent} cannot be written: choose another output folder") from error
    for leftover in place.glob("*.part-*"):
        leftover.unlink(missing_ok=True)
    return KeptTiles(folder=place)


def other_kept_tiles(folder: Path, request: AreaRequest) -> Iterator[Path]:
    """Folders with tiles of the same output and other settings."""
    folder = folder.resolve()
    of_request = f".{folder.name}.tiles-{request.fingerprint()}"
    if folder.parent.is_dir():
        yield from sorted(path for path in folder.parent.glob(f".{folder.name}.tiles-*") if path.name != of_request)
