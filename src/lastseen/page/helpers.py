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

from lastseen.errors import ResourceError

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
    """

    def __init__(self, waiting: int) -> None:
        self._most = waiting
        self._now = 0
        self._pool = self._new()

    @staticmethod
    def _new() -> ProcessPoolExecutor:
        count = max(1, min(MOST_HELPERS, os.cpu_count() or 1))
        return ProcessPoolExecutor(
            count, multiprocessing.get_context("spawn"), initializer=bounded_memory, initargs=(HELPER_GB,)
        )

    async def call(self, work: Callable[..., T], *given: Any, seconds: float) -> T:
        """Run a function of a module in a helper.

        Raises
        ------
        ResourceError
            If too many wait, it takes too long, or the helper dies twice.
        """
        if self._now >= self._most:
            raise ResourceError("too much is being worked out already: try again in a moment")
        self._now += 1
        try:
            for _ in range(2):
                pool = self._pool
                try:
                    future: Future[T] = pool.submit(work, *given)
                    return await asyncio.wait_for(asyncio.wrap_future(future), seconds)
                except BrokenProcessPool:  # this call or its neighbour; the second time it was this one
                    self._renew(pool)
                except TimeoutError as error:
                    self._renew(pool)
                    raise ResourceError(f"that took more than {seconds:g} s and was stopped: ask for less") from error
            raise ResourceError("the process that worked on this ended by itself: ask for something smaller")
        finally:
            self._now -= 1

    def warm(self, work: Callable[[], None]) -> None:
        """Let every helper load what it will need."""
        for _ in range(MOST_HELPERS):
            self._pool.submit(work)

    def close(self) -> None:
        """End all helpers now."""
        _end(self._pool, wait=True)

    def _renew(self, broken: ProcessPoolExecutor) -> None:
        if self._pool is broken:
            self._pool = self._new()
            _end(broken)


def _end(pool: ProcessPoolExecutor, *, wait: bool = False) -> None:
    processes = list((getattr(pool, "_processes", None) or {}).values())
    for process in processes:
        process.kill()
    pool.shutdown(wait=wait, cancel_futures=True)
