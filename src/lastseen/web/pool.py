"""Worker processes for short work: a crash, an overrun or bad input there never takes the server down."""

from __future__ import annotations

import asyncio
import contextlib
import multiprocessing
import os
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any, TypeVar

from lastseen.core import ResourceError

T = TypeVar("T")
MOST_WORKERS = 2
WORKER_GB = 8.0


def limit_memory(gb: float) -> None:
    """No more than this for the process, where the system can hold it to that (Linux)."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource  # noqa: PLC0415  not on every system

        resource.setrlimit(resource.RLIMIT_AS, (int(gb * 1e9), int(gb * 1e9)))


class WorkerPool:
    """A few processes that live as long as the server, and are made anew where one dies.

    So many calls may be ``waiting``, more are refused; ``count`` is the largest number of processes.
    """

    def __init__(self, waiting: int, count: int = MOST_WORKERS) -> None:
        self._most = waiting
        self._now = 0
        self._all = [_Worker() for _ in range(max(1, min(count, os.cpu_count() or 1)))]
        self._free: asyncio.LifoQueue[_Worker] = asyncio.LifoQueue()
        for worker in self._all:
            self._free.put_nowait(worker)

    async def call(self, work: Callable[..., T], *values: Any, seconds: float) -> T:
        """Run a function of a module in a worker as soon as one is free, for so many seconds at most.

        Raises ResourceError if too many wait, it takes too long, or the worker process dies twice.
        """
        if self._now >= self._most:
            raise ResourceError("too much is being worked out already: try again in a moment")
        self._now += 1
        try:
            worker = await self._free.get()
            try:
                return await worker.run(work, *values, seconds=seconds)
            finally:
                self._free.put_nowait(worker)
        finally:
            self._now -= 1

    def warm(self, work: Callable[[], None]) -> None:
        """Let every worker load what it will need."""
        for worker in self._all:
            worker.pool.submit(work)

    def close(self) -> None:
        """End all workers now."""
        for worker in self._all:
            _kill_pool(worker.pool, wait=True)


class _Worker:
    """One process. Each has a pool of its own: where one has to be ended, the others work on."""

    def __init__(self) -> None:
        self.pool = self._new()

    @staticmethod
    def _new() -> ProcessPoolExecutor:
        spawn = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(1, spawn, initializer=limit_memory, initargs=(WORKER_GB,))

    async def run(self, work: Callable[..., T], *values: Any, seconds: float) -> T:
        for _ in range(2):
            try:
                future: Future[T] = self.pool.submit(work, *values)
                return await asyncio.wait_for(asyncio.wrap_future(future), seconds)
            except BrokenProcessPool:  # it may have died while nothing ran; the second time it was this call
                self._renew()
            except TimeoutError as error:
                self._renew()
                raise ResourceError(f"that took more than {seconds:g} s and was stopped: ask for less") from error
            except asyncio.CancelledError:  # nobody waits any more, and the process would work on
                self._renew()
                raise
        raise ResourceError("the process that worked on this ended by itself: ask for something smaller")

    def _renew(self) -> None:
        broken, self.pool = self.pool, self._new()
        _kill_pool(broken)


def _kill_pool(pool: ProcessPoolExecutor, *, wait: bool = False) -> None:
    processes = list((getattr(pool, "_processes", None) or {}).values())
    for process in processes:
        process.kill()
    pool.shutdown(wait=wait, cancel_futures=True)
