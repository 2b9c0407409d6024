"""An area of any size read tile by tile, kept on disk as it goes, on one or many workers."""

from __future__ import annotations

import errno
import hashlib
import io
import json
import os
import shutil
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import MultiPolygon

from lastseen import __version__
from lastseen.core import (
    FloatArray,
    Grid,
    InputError,
    IntArray,
    LastseenError,
    Progress,
    ResourceError,
    Scenario,
    free_gb,
    no_progress,
    percent,
    read_outline,
    scenario_toml,
    thread_count,
)
from lastseen.jobs.notes import ALWAYS, note_grid, to_sentences
from lastseen.jobs.reading.area import AreaReading, CellTotals, read_blocks
from lastseen.jobs.reading.block_reading import START_QUANTITIES, ZoneRow
from lastseen.jobs.reading.block_run import FIRST_REACH_M, MEMBERS, STARTS_M, draw_shared
from lastseen.jobs.reading.ground import (
    KEPT_CELLS,
    MARGIN_M,
    Heights,
    PreparedGround,
    Window,
    heights_of_model,
    tiles_of,
    zone_outline,
)
from lastseen.jobs.reading.line import SAMPLE_NOTE, START_ZONE_NOTE, layers_reader, open_scenario_elevation
from lastseen.jobs.reading.line_exposure import FARTHEST_M
from lastseen.snow import slab_class
from lastseen.terrain import Elevation, open_elevation, read_layers
from lastseen.traps import describe_invisible_traps

# ---- A tile: what its start zones do, as bytes that can be kept and sent; and the request that all tiles answer

SLOPE_BINS = 900  # tenths of a degree
FORM = 1  # of the bytes of a tile; older ones are not taken up again


@dataclass(frozen=True, kw_only=True)
class AreaRequest:
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
    tile_side : int
        Side of a tile in ground tiles.
    threads : int
        In each worker.
    """

    scenario: Scenario
    starting: Window
    shown: Window
    members: int = MEMBERS
    spacing_m: float = STARTS_M
    tile_side: int = 2
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
            self.tile_side,
            files,
        ]
        return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:16]


def _files(scenario: Scenario) -> list[Path]:
    layers = [getattr(scenario.ground, field.name) for field in fields(scenario.ground)]
    return [path for path in (*scenario.elevation, *layers) if path is not None]


@dataclass(frozen=True, eq=False, kw_only=True)
class Tile:
    """What one tile adds. Arrays as in `AreaReading`.

    Attributes
    ----------
    core : Window
        Cells that belong to this tile alone; ``start_values``, ``zone`` and ``known`` have its shape.
    window : Window
        Cells that its samples came to; ``mask``, ``fastest`` and ``zones`` have its shape.
    rows, outlines : tuple
        Start zones and their outlines in map metres.
    slopes : ndarray of int64
        Start cells by tenths of a degree of slope.
    samples : int
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
    elevation = open_elevation(scenario.elevation, None, scenario.z_unit)
    wanted = scenario.ground
    return PreparedGround(heights=heights_of_model(elevation), layers_on=lambda grid: read_layers(wanted, grid))


def read_tile(request: AreaRequest, square: Window, prepared: PreparedGround) -> Tile:
    """Run all blocks of a tile."""
    heights = prepared.heights
    draws = draw_shared(request.scenario.snow, request.scenario.seed, request.members)
    # Whole blocks are run even where the wanted ground cuts them: a block is the same in every run.
    core = square.cut(_whole_blocks(request.starting, heights)).cut(heights.extent)
    reading = read_blocks(prepared, core, None, draws, request.spacing_m)
    ground = prepared.over(core)
    here = core.inside(reading.window)
    zone = reading.zone[here].copy()
    slope = np.nan_to_num(ground.slope_deg[zone > 0]).astype(np.float64)
    counts = np.bincount(np.clip(slope * 10.0, 0, SLOPE_BINS - 1).astype(np.int64), minlength=SLOPE_BINS)
    return Tile(
        core=core,
        window=reading.window,
        mask=reading.mask,
        fastest=reading.fastest,
        zones=reading.zones,
        start_values=reading.start_values[(slice(None), *here)].copy(),
        zone=zone,
        known=np.isfinite(ground.smoothed_m),
        rows=reading.rows,
        outlines=tuple(_outlines(reading)),
        slopes=counts.astype(np.int64),
        samples=reading.samples,
    )


def _whole_blocks(window: Window, heights: Heights) -> Window:
    n = heights.block_cells
    return Window(
        top=window.top // n * n,
        left=window.left // n * n,
        bottom=-(-window.bottom // n) * n,
        right=-(-window.right // n) * n,
    )


def _outlines(reading: AreaReading) -> Iterable[shapely.MultiPolygon]:
    """Outline of each start zone, as cells show it but without their steps."""
    n = reading.heights.block_cells
    for row in reading.rows:
        block = Window(
            top=row.block[0] * n, left=row.block[1] * n, bottom=(row.block[0] + 1) * n, right=(row.block[1] + 1) * n
        )
        block = block.cut(reading.heights.extent)
        mask = reading.zone[block.inside(reading.window)] == row.number
        yield zone_outline(mask, reading.heights, block)


_ARRAYS = ("mask", "fastest", "zones", "start_values", "zone", "known", "slopes")


def pack(tile: Tile) -> bytes:
    """A tile as bytes."""
    told = {
        "core": asdict(tile.core),
        "window": asdict(tile.window),
        "bodies": tile.samples,
        "rows": [asdict(row) for row in tile.rows],
        "outlines": [shapely.to_wkb(outline, hex=True) for outline in tile.outlines],
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
        core=Window(**told["core"]),
        window=Window(**told["window"]),
        rows=rows,
        outlines=tuple(shapely.from_wkb(one) for one in told["outlines"]),
        samples=told["bodies"],
        **arrays,
    )


def windows_in(data: bytes) -> tuple[Window, Window]:
    """Core and window of a packed tile, without unpacking its arrays."""
    with np.load(io.BytesIO(data)) as file:
        told = json.loads(file["told"].tobytes().decode())
    return Window(**told["core"]), Window(**told["window"])


def column(rows: Iterable[ZoneRow], name: str) -> FloatArray:
    """One of ``START_QUANTITIES`` of all start zones."""
    return np.array([row.values[START_QUANTITIES.index(name)] for row in rows], float)


# ---- Finished tiles are kept on disk as they come, so that a run that was killed goes on where it was

_NO_SPACE = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))


@dataclass(frozen=True, kw_only=True)
class KeptTiles:
    """Tiles of one request, in a hidden folder beside the output; its name holds the request's fingerprint.

    Attributes
    ----------
    folder : Path
    """

    folder: Path

    def path(self, square: Window) -> Path:
        """Where a tile is kept."""
        return self.folder / f"tile_{square.top}_{square.left}.npz"

    def has(self, square: Window) -> bool:
        """Whether a tile is finished: a file appears whole or not at all."""
        return self.path(square).is_file()

    def put(self, square: Window, data: bytes) -> None:
        """Keep a tile.

        Raises
        ------
        ResourceError
            If the disk is full; finished tiles stay.
        """
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
            if error.errno in _NO_SPACE:
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

    Raises
    ------
    InputError
        If the place cannot be written.
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
    own = f".{folder.name}.tiles-{request.fingerprint()}"
    if folder.parent.is_dir():
        yield from sorted(path for path in folder.parent.glob(f".{folder.name}.tiles-*") if path.name != own)


# ---- Working through tiles: one after the other here, or on as many workers as there are, on one machine or a cluster

ANSWER_WITHIN_S = 20  # a scheduler that is there
TRIES = 4  # a tile whose worker dies is given to another one so often
BYTES_OF_GROUND, BYTES_OF_PREPARING = 22, 320  # for each cell; the second measured with traps and grades
BYTES_OF_CORE, BYTES_OF_WINDOW = 52, 14
LIBRARIES_GB = 0.45  # measured: interpreter, libraries and compiled kernels
VISITS = 260  # cells that a sample enters on the way, at most on average; measured 80 to 170


def memory_of_worker_gb(request: AreaRequest, heights: Heights) -> float:
    """The most memory that a worker takes, GB, said before it is taken."""
    side = request.tile_side * heights.ground_tile_cells
    reach = FIRST_REACH_M[request.scenario.snow.size] / heights.cell_m
    rows, cols = heights.extent.shape
    whole = float(rows * cols)
    wide = min(whole, (side + 2.0 * reach) ** 2)
    ground_tile = min(whole, (heights.ground_tile_cells + 2.0 * MARGIN_M / heights.cell_m) ** 2)
    block = min(whole, (heights.block_cells + 2.0 * reach) ** 2)
    stride = max(1, round(request.spacing_m / heights.cell_m - 0.1))
    samples = (heights.block_cells / stride) ** 2 * request.members
    of_thread = block * (BYTES_OF_GROUND + 8 + 4 + BYTES_OF_WINDOW) + samples * VISITS * 12.0
    needed = (min(KEPT_CELLS, whole) + ground_tile) * BYTES_OF_GROUND + ground_tile * BYTES_OF_PREPARING
    needed += (
        wide * BYTES_OF_WINDOW * 2 + min(whole, float(side * side)) * BYTES_OF_CORE * 3 + request.threads * of_thread
    )
    return LIBRARIES_GB + needed / 1e9


def run_all(
    request: AreaRequest,
    heights: Heights,
    kept: KeptTiles,
    *,
    workers: int | None,
    scheduler: str | None,
    progress: Progress,
) -> None:
    """Work through all tiles that are not kept yet.

    Parameters
    ----------
    request : AreaRequest
    heights : Heights
    kept : KeptTiles
    workers : int, optional
        Processes on this machine; None works in this one, with all its threads.
    scheduler : str, optional
        Address of a Dask scheduler, such as ``tcp://host:8786``; its workers must see the files at the same paths.
    progress : callable

    Raises
    ------
    InputError
        If Dask is wanted and not installed, or the scheduler does not answer.
    ResourceError
        If the disk is full, or a tile fails again and again. Finished tiles are kept.
    """
    squares = list_tiles(request, heights)
    left = [square for square in squares if not kept.has(square)]
    told = _TileProgress(len(squares), len(left), progress)
    if workers is None and scheduler is None:
        _work_alone(request, left, kept, told)
    elif left:
        with _client(request, heights, workers, scheduler) as client:
            _work_on_cluster(client, request, left, kept, told)


def _work_alone(request: AreaRequest, left: list[Window], kept: KeptTiles, told: _TileProgress) -> None:
    prepared = prepared_for(request.scenario)
    here = replace(request, threads=thread_count())
    for square in left:
        told.say()
        kept.put(square, pack(read_tile(here, square, prepared)))
        told.done()


def _work_on_cluster(
    client: Any, request: AreaRequest, left: list[Window], kept: KeptTiles, told: _TileProgress
) -> None:
    """Give tiles to workers; each is kept as it comes, and given out again where its worker was lost."""
    from distributed import as_completed  # noqa: PLC0415  an extra

    told.say()
    futures = {client.submit(work_tile, request, square, pure=False, retries=0): (square, 1) for square in left}
    running = as_completed(list(futures))  # type: ignore[no-untyped-call]
    for future in running:
        square, tries = futures.pop(future)
        error = future.exception() if future.status == "error" else None
        if error is None and future.status == "finished":
            kept.put(square, future.result())
            future.release()
            told.done()
            told.say()
            continue
        if isinstance(error, LastseenError):
            raise error
        if tries >= TRIES:
            raise ResourceError(
                f"the tile at row {square.top}, column {square.left} failed {tries} times ({error}): finished tiles "
                "are kept; give workers more memory or smaller tiles, and give the same command again"
            ) from error
        again = client.submit(work_tile, request, square, pure=False, retries=0)
        futures[again] = (square, tries + 1)
        running.add(again)  # type: ignore[no-untyped-call]


@contextmanager
def _client(request: AreaRequest, heights: Heights, workers: int | None, scheduler: str | None) -> Iterator[Any]:
    """Somebody who gives out work: of a cluster that is there, or of one on this machine."""
    try:
        import dask  # noqa: PLC0415  an extra
        from distributed import Client, LocalCluster  # noqa: PLC0415
    except ImportError as error:
        raise InputError(
            "workers need the packages of the extra 'range': pip install 'lastseen[range]', or leave --workers and "
            "--scheduler away"
        ) from error
    settings = {
        "distributed.scheduler.allowed-failures": 8,
        "distributed.comm.timeouts.connect": f"{ANSWER_WITHIN_S}s",
        "distributed.worker.profile.enabled": False,  # asks a hundred times a second where the work is
        "distributed.admin.tick.interval": "1s",
    }
    with dask.config.set(settings):
        if scheduler is not None:
            try:
                client = Client(scheduler, timeout=ANSWER_WITHIN_S)  # type: ignore[no-untyped-call]
            except OSError as error:
                raise InputError(f"the scheduler {scheduler} does not answer: check its address") from error
            with client:
                yield client
            return
        limit = max(2.0, 1.6 * memory_of_worker_gb(request, heights))
        with (
            LocalCluster(  # type: ignore[no-untyped-call]
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                dashboard_address=None,
                memory_limit=f"{limit:.1f}GB",
            ) as cluster,
            Client(cluster) as client,  # type: ignore[no-untyped-call]
        ):
            yield client


class _TileProgress:
    """Progress with the time that is left, from the tiles that this run has done."""

    def __init__(self, all_tiles: int, left: int, progress: Progress) -> None:
        self.all_tiles, self.first, self.progress = all_tiles, all_tiles - left, progress
        self.finished, self.begun = self.first, time.monotonic()

    def done(self) -> None:
        """One tile more."""
        self.finished += 1

    def say(self) -> None:
        """Say how far it is."""
        words = f"tile {min(self.finished + 1, self.all_tiles)} of {self.all_tiles}"
        own = self.finished - self.first
        if own:
            each = (time.monotonic() - self.begun) / own
            words += f", {_time_text(each * (self.all_tiles - self.finished))} left"
        self.progress(words, 0.9 * self.finished / max(1, self.all_tiles))


def _time_text(seconds: float) -> str:
    if seconds < 90.0:
        return f"about {max(1, round(seconds))} s"
    return f"about {seconds / 60.0:.0f} min" if seconds < 5400.0 else f"about {seconds / 3600.0:.1f} h"


# ---- An area of any size read tile by tile: the request, the tiles, and what they say together

TILE_KM = 4.0
ALL = "all"  # the whole elevation model
KEPT_TILES = 9


@dataclass(frozen=True, eq=False, kw_only=True)
class AreaView:
    """An area as it was read; its rasters lie in kept tiles.

    Attributes
    ----------
    scenario : Scenario
    elevation : Elevation
    heights : Heights
    request : AreaRequest
    outline : MultiPolygon or None
        Of the area that was asked for; None is the whole elevation model.
    kept : KeptTiles
    squares : tuple of Window
        The tiles.
    zones : tuple of (ZoneRow, MultiPolygon)
        Start zones that touch the area, those that do most harm first.
    slopes : ndarray of int64
        Start cells by tenths of a degree.
    samples : int
    notes : tuple of str
    """

    scenario: Scenario
    elevation: Elevation
    heights: Heights
    request: AreaRequest
    outline: MultiPolygon | None
    kept: KeptTiles
    squares: tuple[Window, ...]
    zones: tuple[tuple[ZoneRow, MultiPolygon], ...]
    slopes: npt.NDArray[np.int64]
    samples: int
    notes: tuple[str, ...]

    def slope_percentiles_deg(self) -> tuple[float, float, float]:
        """5th, 50th and 95th percentile of the slope of start cells; NaN where there are none."""
        total = np.cumsum(self.slopes)
        if not total[-1]:
            return (float("nan"),) * 3
        low, mid, high = (float(np.searchsorted(total, share * total[-1])) / 10.0 + 0.05 for share in (0.05, 0.5, 0.95))
        return low, mid, high


def view_area(
    scenario: Scenario,
    output: Path,
    *,
    area: str = ALL,
    members: int = MEMBERS,
    spacing_m: float = STARTS_M,
    tile_km: float = TILE_KM,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress = no_progress,
) -> AreaView:
    """Read an area: work through its tiles, keep them beside the output, and put together what they say.

    Parameters
    ----------
    scenario : Scenario
    output : Path
        The folder that will be written; tiles are kept beside it until it is.
    area : str
        ``all``, or a vector file with an outline.
    members, spacing_m : int, float
        See `lastseen.jobs.reading.area.read_area`.
    tile_km : float
        Side of a tile; at least one ground tile of about 2 km.
    workers, scheduler : int, str, optional
        See `lastseen.jobs.reading.tiles.run_all`.
    progress : callable, optional

    Raises
    ------
    InputError, ResourceError
        With one sentence that says what is wrong, where, and what to do.
    """
    progress("opening the elevation model", 0.0)
    elevation = open_scenario_elevation(scenario)
    heights = heights_of_model(elevation)
    outline = None if area == ALL else read_outline(Path(area), elevation.crs, "area")
    here = workers is None and scheduler is None
    threads = thread_count() if here else 1
    request = make_request(scenario, heights, outline, members, spacing_m, tile_km, threads)
    _require_room(request, heights, 0 if scheduler else workers or 1, progress)
    kept = open_kept_tiles(output, request)
    run_all(request, heights, kept, workers=workers, scheduler=scheduler, progress=progress)
    squares = tuple(list_tiles(request, heights))
    zones: list[tuple[ZoneRow, MultiPolygon]] = []
    slopes, samples, known = np.zeros(SLOPE_BINS, np.int64), 0, 0
    for square in squares:
        tile = kept.get(square)
        zones += [pair for pair in zip(tile.rows, tile.outlines, strict=True) if _touches(pair[1], outline)]
        slopes += tile.slopes
        samples += tile.samples
        known += int(tile.known.sum())
    if not known:
        kept.remove()
        raise InputError("there is no ground in the area, only no data: choose another one")
    zones.sort(key=lambda pair: zone_order(pair[0], scenario.snow.size, heights.cell_m))
    notes = _notes(scenario, elevation, request, samples, zones)
    return AreaView(
        scenario=scenario,
        elevation=elevation,
        heights=heights,
        request=request,
        outline=outline,
        kept=kept,
        squares=squares,
        zones=tuple(zones),
        slopes=slopes,
        samples=samples,
        notes=notes,
    )


def make_request(
    scenario: Scenario,
    heights: Heights,
    outline: MultiPolygon | None,
    members: int,
    spacing_m: float,
    tile_km: float,
    threads: int,
) -> AreaRequest:
    """The request that all tiles answer.

    Raises
    ------
    InputError
        If the outline lies off the elevation model.
    """
    ground_tile_km = heights.ground_tile_cells * heights.cell_m / 1000.0
    shown = heights.extent if outline is None else heights.window_of(*outline.bounds)
    if shown.empty:
        raise InputError("the area lies outside the elevation model: check the CRS of both")
    # Start zones outside the area reach into it.
    more = 0 if outline is None else int(np.ceil(FARTHEST_M[scenario.snow.size] / heights.cell_m))
    starting = shown.grown(more).cut(heights.extent)
    return AreaRequest(
        scenario=scenario,
        starting=starting,
        shown=shown,
        members=members,
        spacing_m=spacing_m,
        tile_side=max(1, round(tile_km / ground_tile_km)),
        threads=threads,
    )


def _require_room(request: AreaRequest, heights: Heights, workers: int, progress: Progress) -> None:
    """Say what a worker will take; refuse where those on this machine do not fit into its memory."""
    needed, free = memory_of_worker_gb(request, heights), free_gb()
    progress(f"{len(list_tiles(request, heights))} tiles, at most {needed:.1f} GB for each worker", 0.01)
    if free is not None and workers * needed > free:
        needs = "1 worker needs" if workers == 1 else f"{workers} workers need"
        raise ResourceError(
            f"{needs} about {workers * needed:.1f} GB of memory and {free:.1f} GB are free: give "
            "smaller tiles with --tiles, fewer workers, or a cluster with --scheduler"
        )


def _touches(zone: MultiPolygon, outline: MultiPolygon | None) -> bool:
    return outline is None or bool(zone.intersects(outline))


def zone_order(row: ZoneRow, size: int, cell_m: float) -> tuple[float, float, float, tuple[int, int], int]:
    """Order of start zones: share of samples that meet any of the four, debris where they stop, drop; then by place.

    A zone that cannot hold a slab of the size counts by the part of it that it can hold.
    """
    share, debris, drop = (row.values[START_QUANTITIES.index(name)] for name in ("any", "debris_m", "drop_m"))
    share *= min(1.0, row.cells * cell_m**2 / slab_class(size).area_m2)
    return (
        -round(share, 6),
        -round(float(np.nan_to_num(debris)), 6),
        -round(float(np.nan_to_num(drop)), 6),
        row.block,
        row.number,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class AreaRasters:
    """The rasters of the area on one window.

    Attributes
    ----------
    window : Window
    reached, peak_speed_m_s, zone_count : ndarray
        NaN where there is no ground.
    at_start : ndarray, shape (len(AT_START), rows, columns)
    """

    window: Window
    reached: FloatArray
    peak_speed_m_s: FloatArray
    zone_count: FloatArray
    at_start: npt.NDArray[np.float32]


def area_rasters(view: AreaView) -> Iterator[AreaRasters]:
    """The rasters of the area, tile by tile; each holds what came from all tiles around it."""
    windows = {square: view.kept.windows(square) for square in view.squares}
    latest: dict[Window, Tile] = {}
    for square in view.squares:
        core = windows[square][0].cut(view.request.shown)
        if core.empty:
            continue
        gathered = CellTotals(window=core)
        own: Tile | None = None
        for other, (_, window) in windows.items():
            if window.cut(core).empty:
                continue
            tile = latest.pop(other, None) or view.kept.get(other)
            latest[other] = tile
            while len(latest) > KEPT_TILES:
                latest.pop(next(iter(latest)))
            gathered.add(window, tile.mask, tile.fastest, tile.zones)
            own = tile if other == square else own
        if own is None:
            own = view.kept.get(square)
        yield _rasters_of_tile(view, own, core, gathered)


def _rasters_of_tile(view: AreaView, own: Tile, core: Window, gathered: CellTotals) -> AreaRasters:
    here = core.inside(own.core)
    known = own.known[here]
    share = np.bitwise_count(gathered.mask) / float(view.request.members)
    arrays = (share, gathered.fastest.astype(np.float64), gathered.zones.astype(np.float64))
    reached, fastest, zones = (np.where(known, array, np.nan) for array in arrays)
    return AreaRasters(
        window=core,
        reached=reached,
        peak_speed_m_s=fastest,
        zone_count=zones,
        at_start=own.start_values[(slice(None), *here)],
    )


def _notes(
    scenario: Scenario,
    elevation: Elevation,
    request: AreaRequest,
    samples: int,
    zones: list[tuple[ZoneRow, MultiPolygon]],
) -> tuple[str, ...]:
    """All that must be said beside an area."""
    cells = np.array([row.cells for row, _ in zones], float)
    leaves = np.array([row.values[START_QUANTITIES.index("leaves")] for row, _ in zones], float)
    gone = float((cells * leaves).sum() / cells.sum()) if zones else 0.0
    cell = elevation.cell_m
    spacing = max(cell, request.spacing_m)
    blind = describe_invisible_traps(cell, layers_reader(scenario.ground)(_corner(elevation)))
    far = FARTHEST_M[scenario.snow.size]
    around = "" if request.starting == request.shown else f" up to {far:.0f} m around the area"
    notes = [
        *note_grid(elevation.crs, ""),
        *elevation.notes,
        SAMPLE_NOTE,
        START_ZONE_NOTE,
        (
            f"{samples} bodies were run: one start every {spacing:.0f} m of start-zone terrain{around}, "
            f"{request.members} events of size {scenario.snow.size}; start zones are cut at ribs, rolls, gully beds "
            "and on a lattice of 250 m"
        ),
        *([] if zones else [f"no start zone of 28 to 55 degrees was found on cells of {cell:g} m"]),
        *(
            [f"{percent(gone)} of the bodies leave the elevation model: where they would stop is not known"]
            if gone >= 0.005
            else []
        ),
        *([blind] if blind else []),
        *ALWAYS,
    ]
    return to_sentences(tuple(notes))


def _corner(elevation: Elevation) -> Grid:
    """A few cells, to ask which ground layers were given."""
    heights = heights_of_model(elevation)
    e = heights.extent
    return heights.grid(Window(top=e.top, left=e.left, bottom=min(e.top + 3, e.bottom), right=min(e.left + 3, e.right)))
