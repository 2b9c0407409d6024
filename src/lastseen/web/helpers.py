"""Helper processes for short work: a crash, an overrun or bad input there never takes the server down."""

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
MOST_HELPERS = 2
HELPER_GB = 8.0


def bounded_memory(gb: float) -> None:
    """No more than this for the process, where the system can hold it to that (Linux)."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource  # noqa: PLC0415  not on every system

        resource.setrlimit(resource.RLIMIT_AS, (int(gb * 1e9), int(gb * 1e9)))


class Helpers:
    """A few processes that live as long as the server, and are made anew where one dies.

    Parameters
    ----------
    waiting : int
        How many calls may wait; more are refused.
    count : int
        Processes at most.
    """

    def __init__(self, waiting: int, count: int = MOST_HELPERS) -> None:
        self._most = waiting
        self._now = 0
        self._all = [_Helper() for _ in range(max(1, min(count, os.cpu_count() or 1)))]
        self._free: asyncio.LifoQueue[_Helper] = asyncio.LifoQueue()
        for one in self._all:
            self._free.put_nowait(one)

    async def call(self, work: Callable[..., T], *given: Any, seconds: float) -> T:
        """Run a function of a module in a helper, as soon as one is free.

        Parameters
        ----------
        work : callable
        *given
            Its arguments.
        seconds : float
            From when it begins.

        Raises
        ------
        ResourceError
            If too many wait, it takes too long, or the helper dies twice.
        """
        if self._now >= self._most:
            raise ResourceError("too much is being worked out already: try again in a moment")
        self._now += 1
        try:
            helper = await self._free.get()
            try:
                return await helper.run(work, *given, seconds=seconds)
            finally:
                self._free.put_nowait(helper)
        finally:
            self._now -= 1

    def warm(self, work: Callable[[], None]) -> None:
        """Let every helper load what it will need."""
        for one in self._all:
            one.pool.submit(work)

    def close(self) -> None:
        """End all helpers now."""
        for one in self._all:
            _end(one.pool, wait=True)


class _Helper:
    """One process. Each has a pool of its own: where one has to be ended, the others work on."""

    def __init__(self) -> None:
        self.pool = self._new()

    @staticmethod
    def _new() -> ProcessPoolExecutor:
        spawn = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(1, spawn, initializer=bounded_memory, initargs=(HELPER_GB,))

    async def run(self, work: Callable[..., T], *given: Any, seconds: float) -> T:
        for _ in range(2):
            try:
                future: Future[T] = self.pool.submit(work, *given)
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
        _end(broken)


def _end(pool: ProcessPoolExecutor, *, wait: bool = False) -> None:
    processes = list((getattr(pool, "_processes", None) or {}).values())
    for process in processes:
        process.kill()
    pool.shutdown(wait=wait, cancel_futures=True)
