"""Working through tiles: one after the other here, or on as many workers as there are, on one machine or a cluster."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from lastseen.errors import InputError, LastseenError, ResourceError
from lastseen.preread.carry import FIRST_REACH_M
from lastseen.preread.keeping import KeptTiles
from lastseen.preread.lattice import Heights, Window
from lastseen.preread.sheets import KEPT_CELLS, MARGIN_M
from lastseen.preread.tile import Question, pack, prepared_for, read_tile, tiles_of_question, work_tile
from lastseen.threads import thread_count

Progress = Callable[[str, float], None]
ANSWER_WITHIN_S = 20  # a scheduler that is there
TRIES = 4  # a tile whose worker dies is given to another one so often
BYTES_OF_SHEET, BYTES_OF_PREPARING = 22, 320  # for each cell; the second measured with traps and grades
BYTES_OF_CORE, BYTES_OF_WINDOW = 52, 14
LIBRARIES_GB = 0.45  # measured: interpreter, libraries and compiled kernels
VISITS = 260  # cells that a body enters on the way, at most on average; measured 80 to 170


def memory_of_worker_gb(question: Question, heights: Heights) -> float:
    """The most memory that a worker takes, GB, said before it is taken."""
    side = question.tile_sheets * heights.sheet_cells
    reach = FIRST_REACH_M[question.scenario.snow.size] / heights.cell_m
    rows, cols = heights.extent.shape
    whole = float(rows * cols)
    wide = min(whole, (side + 2.0 * reach) ** 2)
    sheet = min(whole, (heights.sheet_cells + 2.0 * MARGIN_M / heights.cell_m) ** 2)
    block = min(whole, (heights.block_cells + 2.0 * reach) ** 2)
    stride = max(1, round(question.spacing_m / heights.cell_m - 0.1))
    bodies = (heights.block_cells / stride) ** 2 * question.members
    of_thread = block * (BYTES_OF_SHEET + 8 + 4 + BYTES_OF_WINDOW) + bodies * VISITS * 12.0
    needed = (min(KEPT_CELLS, whole) + sheet) * BYTES_OF_SHEET + sheet * BYTES_OF_PREPARING
    needed += (
        wide * BYTES_OF_WINDOW * 2 + min(whole, float(side * side)) * BYTES_OF_CORE * 3 + question.threads * of_thread
    )
    return LIBRARIES_GB + needed / 1e9


def run_all(
    question: Question,
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
    question : Question
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
    squares = tiles_of_question(question, heights)
    left = [square for square in squares if not kept.has(square)]
    told = _Told(len(squares), len(left), progress)
    if workers is None and scheduler is None:
        _run_here(question, left, kept, told)
    elif left:
        with _client(question, heights, workers, scheduler) as client:
            _run_on(client, question, left, kept, told)


def _run_here(question: Question, left: list[Window], kept: KeptTiles, told: _Told) -> None:
    prepared = prepared_for(question.scenario)
    here = replace(question, threads=thread_count())
    for square in left:
        told.say()
        kept.put(square, pack(read_tile(here, square, prepared)))
        told.done()


def _run_on(client: Any, question: Question, left: list[Window], kept: KeptTiles, told: _Told) -> None:
    """Give tiles to workers; each is kept as it comes, and given out again where its worker was lost."""
    from distributed import as_completed  # noqa: PLC0415  an extra

    told.say()
    futures = {client.submit(work_tile, question, square, pure=False, retries=0): (square, 1) for square in left}
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
        again = client.submit(work_tile, question, square, pure=False, retries=0)
        futures[again] = (square, tries + 1)
        running.add(again)  # type: ignore[no-untyped-call]


@contextmanager
def _client(question: Question, heights: Heights, workers: int | None, scheduler: str | None) -> Iterator[Any]:
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
        limit = max(2.0, 1.6 * memory_of_worker_gb(question, heights))
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


class _Told:
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
            words += f", {_time(each * (self.all_tiles - self.finished))} left"
        self.progress(words, 0.9 * self.finished / max(1, self.all_tiles))


def _time(seconds: float) -> str:
    if seconds < 90.0:
        return f"about {max(1, round(seconds))} s"
    return f"about {seconds / 60.0:.0f} min" if seconds < 5400.0 else f"about {seconds / 3600.0:.1f} h"
