"""Plain threads for kernels that release the interpreter lock. Order of results never depends on their number."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


def thread_count() -> int:
    """Threads to use: ``LASTSEEN_THREADS`` where set, else the processors this process may run on."""
    wanted = os.environ.get("LASTSEEN_THREADS", "")
    if wanted.isdigit() and int(wanted) > 0:
        return int(wanted)
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


def in_threads(work: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Apply ``work`` to each item, results in the order of the items."""
    threads = thread_count()
    if threads == 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, items))


def in_threads_after_one(work: Callable[[T], R | None], items: Sequence[T]) -> list[R | None]:
    """Apply ``work`` to each item; nothing else runs until one has given a result.

    Kernels are loaded and compiled by then: libraries that load their parts in several threads at once can lock up.
    """
    found: list[R | None] = []
    for item in items:
        found.append(work(item))
        if found[-1] is not None:
            break
    return found + in_threads(work, items[len(found) :])


def over_rows(work: Callable[[int, int], None], rows: int, block: int = 256) -> None:
    """Call ``work(first, last)`` on blocks of rows; the blocks must not write to each other's rows."""
    in_threads(lambda first: work(first, min(first + block, rows)), range(0, rows, block))
