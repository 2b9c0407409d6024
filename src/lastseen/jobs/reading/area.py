"""An area of any size read tile by tile, on one or many workers, and what the tiles say together."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from shapely.geometry import MultiPolygon

from lastseen.core import (
    FloatArray,
    InputError,
    LastseenError,
    Progress,
    ResourceError,
    Scenario,
    free_gb,
    no_progress,
    read_outline,
    thread_count,
)
from lastseen.jobs.notes import ALWAYS, note_grid, to_sentences
from lastseen.jobs.reading.block_reading import START_QUANTITIES, CellTotals, ZoneRow
from lastseen.jobs.reading.block_run import FIRST_REACH_M, MEMBERS, STARTS_M
from lastseen.jobs.reading.ground import KEPT_CELLS, MARGIN_M, Heights, Window, heights_of_model
from lastseen.jobs.reading.line import (
    SAMPLE_NOTE,
    START_ZONE_NOTE,
    inspect_around,
    layers_reader,
    leaving_note,
    open_scenario_elevation,
)
from lastseen.jobs.reading.line_exposure import FARTHEST_M
from lastseen.jobs.reading.tiles import (
    SLOPE_BINS,
    AreaRequest,
    KeptTiles,
    Tile,
    list_tiles,
    open_kept_tiles,
    pack,
    prepared_for,
    read_tile,
    work_tile,
)
from lastseen.snow import slab_class
from lastseen.terrain import Elevation
from lastseen.traps import describe_invisible_traps

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
    """Work through all tiles that are not kept yet; finished ones are kept whatever happens.

    ``workers`` are processes on this machine, None works in this one with all its threads; ``scheduler`` is the address
    of a Dask scheduler, such as ``tcp://host:8786``, whose workers must see the files at the same paths. Raises
    InputError if Dask is wanted and not installed, or the scheduler does not answer; ResourceError if the disk is full,
    or a tile fails again and again.
    """
    squares = list_tiles(request, heights)
    left = [square for square in squares if not kept.has(square)]
    counter = _TileProgress(len(squares), len(left), progress)
    if workers is None and scheduler is None:
        _work_alone(request, left, kept, counter)
    elif left:
        with _client(request, heights, workers, scheduler) as client:
            _work_on_cluster(client, request, left, kept, counter)


def _work_alone(request: AreaRequest, left: list[Window], kept: KeptTiles, counter: _TileProgress) -> None:
    prepared = prepared_for(request.scenario)
    request = replace(request, threads=thread_count())
    for square in left:
        counter.report()
        kept.put(square, pack(read_tile(request, square, prepared)))
        counter.done()


def _work_on_cluster(
    client: Any, request: AreaRequest, left: list[Window], kept: KeptTiles, counter: _TileProgress
) -> None:
    """Give tiles to workers; each is kept as it comes, and given out again where its worker was lost."""
    from distributed import as_completed  # noqa: PLC0415  an extra

    counter.report()
    futures = {client.submit(work_tile, request, square, pure=False, retries=0): (square, 1) for square in left}
    running = as_completed(list(futures))  # type: ignore[no-untyped-call]
    for future in running:
        square, tries = futures.pop(future)
        error = future.exception() if future.status == "error" else None
        if error is None and future.status == "finished":
            kept.put(square, future.result())
            future.release()
            counter.done()
            counter.report()
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
        """Count a tile."""
        self.finished += 1

    def report(self) -> None:
        """Report how far it is."""
        text = f"tile {min(self.finished + 1, self.all_tiles)} of {self.all_tiles}"
        done = self.finished - self.first
        if done:
            each = (time.monotonic() - self.begun) / done
            text += f", {_time_text(each * (self.all_tiles - self.finished))} left"
        self.progress(text, 0.9 * self.finished / max(1, self.all_tiles))


def _time_text(seconds: float) -> str:
    if seconds < 90.0:
        return f"about {max(1, round(seconds))} s"
    return f"about {seconds / 60.0:.0f} min" if seconds < 5400.0 else f"about {seconds / 3600.0:.1f} h"


TILE_KM = 4.0
ALL = "all"  # the whole elevation model
KEPT_TILES = 9


@dataclass(frozen=True, eq=False, kw_only=True)
class AreaView:
    """An area as it was read; its rasters lie in kept tiles."""

    scenario: Scenario
    elevation: Elevation
    heights: Heights
    request: AreaRequest
    outline: MultiPolygon | None  # of the area that was asked for; None is the whole elevation model
    kept: KeptTiles
    squares: tuple[Window, ...]  # the tiles
    zones: tuple[tuple[ZoneRow, MultiPolygon], ...]  # start zones that touch the area, those that do most harm first
    slopes: npt.NDArray[np.int64]  # start cells by tenths of a degree
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

    Tiles are kept beside the folder ``output`` until it is written. ``area`` is ``all``, or a vector file with an
    outline; ``tile_km`` the side of a tile, at least one ground tile of about 2 km; the rest is as in `run_all` and
    `lastseen.jobs.reading.block_reading.read_area`.
    """
    progress("opening the elevation model", 0.0)
    elevation = open_scenario_elevation(scenario)
    heights = heights_of_model(replace(elevation, accept_doubtful=True))  # it is looked at as a whole
    outline = None if area == ALL else read_outline(Path(area), elevation.crs, "area")
    threads = thread_count() if workers is None and scheduler is None else 1
    request = make_request(
        scenario, heights, outline, members=members, spacing_m=spacing_m, tile_km=tile_km, threads=threads
    )
    report = inspect_around(elevation, scenario, elevation.bounds_m if outline is None else outline.bounds)
    _require_room(request, heights, 0 if scheduler else workers or 1, progress)
    kept = open_kept_tiles(output, request)
    run_all(request, heights, kept, workers=workers, scheduler=scheduler, progress=progress)
    squares = tuple(list_tiles(request, heights))
    zones: list[tuple[ZoneRow, MultiPolygon]] = []
    slopes, samples, known = np.zeros(SLOPE_BINS, np.int64), 0, 0
    for square in squares:
        tile = kept.get(square)
        pairs = zip(tile.rows, tile.outlines, strict=True)
        zones += [pair for pair in pairs if outline is None or pair[1].intersects(outline)]
        slopes += tile.slopes
        samples += tile.samples
        known += int(tile.known.sum())
    if not known:
        kept.remove()
        raise InputError("there is no ground in the area, only no data: choose another one")
    zones.sort(key=lambda pair: zone_order(pair[0], scenario.snow.size, heights.cell_m))
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
        notes=to_sentences((*report.notes, *_notes(scenario, heights, elevation, request, zones, samples=samples))),
    )


def make_request(
    scenario: Scenario,
    heights: Heights,
    outline: MultiPolygon | None,
    *,
    members: int,
    spacing_m: float,
    tile_km: float,
    threads: int,
) -> AreaRequest:
    """The request that all tiles answer; InputError if the outline lies off the elevation model."""
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


def zone_order(row: ZoneRow, size: int, cell_m: float) -> tuple[float, float, float, tuple[int, int], int]:
    """Order of start zones: share of samples that meet any of the four, debris where they stop, drop; then by place.

    A zone that cannot hold a slab of the size counts by the part of it that it can hold.
    """
    share, debris, drop = (row.values[START_QUANTITIES.index(name)] for name in ("any", "debris_m", "drop_m"))
    share *= min(1.0, row.cells * cell_m**2 / slab_class(size).area_m2)
    share, debris, drop = (-round(float(np.nan_to_num(value)), 6) for value in (share, debris, drop))
    return share, debris, drop, row.block, row.number


@dataclass(frozen=True, eq=False, kw_only=True)
class AreaRasters:
    """The rasters of the area on one window."""

    window: Window
    # NaN where there is no ground
    reached: FloatArray
    peak_speed_m_s: FloatArray
    zone_count: FloatArray
    at_start: npt.NDArray[np.float32]  # shape (len(START_QUANTITIES), rows, columns)


def area_rasters(view: AreaView) -> Iterator[AreaRasters]:
    """The rasters of the area, tile by tile; each holds what came from all tiles around it."""
    windows = {square: view.kept.windows(square) for square in view.squares}
    latest: dict[Window, Tile] = {}

    def take(square: Window) -> Tile:
        latest[square] = latest.pop(square) if square in latest else view.kept.get(square)
        while len(latest) > KEPT_TILES:
            latest.pop(next(iter(latest)))
        return latest[square]

    for square in view.squares:
        core = windows[square][0].cut(view.request.shown)
        if core.empty:
            continue
        totals = CellTotals.empty(core)
        for other, (_, window) in windows.items():
            if not window.cut(core).empty:
                totals.add(take(other).totals)
        yield _rasters_of_tile(view, take(square), totals)


def _rasters_of_tile(view: AreaView, tile: Tile, totals: CellTotals) -> AreaRasters:
    part = totals.window.inside(tile.core)
    arrays = {
        "reached": np.bitwise_count(totals.mask) / float(view.request.members),
        "peak_speed_m_s": totals.fastest.astype(np.float64),
        "zone_count": totals.zones.astype(np.float64),
    }
    known = {name: np.where(tile.known[part], array, np.nan) for name, array in arrays.items()}
    return AreaRasters(window=totals.window, at_start=tile.start_values[(slice(None), *part)], **known)


def _notes(
    scenario: Scenario,
    heights: Heights,
    elevation: Elevation,
    request: AreaRequest,
    zones: list[tuple[ZoneRow, MultiPolygon]],
    *,
    samples: int,
) -> tuple[str, ...]:
    """All that must be said beside an area."""
    cells = np.array([row.cells for row, _ in zones], float)
    leaves = np.array([row.values[START_QUANTITIES.index("leaves")] for row, _ in zones], float)
    gone = float((cells * leaves).sum() / cells.sum()) if zones else 0.0
    cell = elevation.cell_m
    blind = describe_invisible_traps(cell, layers_reader(scenario.ground)(heights.first_cells()))
    far = f" up to {FARTHEST_M[scenario.snow.size]:.0f} m around the area"
    around = "" if request.starting == request.shown else far
    notes = [
        *note_grid(elevation.crs, "", elevation.middle),
        *elevation.notes,
        SAMPLE_NOTE,
        START_ZONE_NOTE,
        (
            f"{samples} bodies were run: one start every {max(cell, request.spacing_m):.0f} m of start-zone terrain"
            f"{around}, {request.members} events of size {scenario.snow.size}; start zones are cut at ribs, rolls, "
            "gully beds and on a lattice of 250 m"
        ),
        *([] if zones else [f"no start zone of 28 to 55 degrees was found on cells of {cell:g} m"]),
        *leaving_note(gone, "bodies"),
        *([blind] if blind else []),
        *ALWAYS,
    ]
    return to_sentences(tuple(notes))
