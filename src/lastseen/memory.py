"""Memory is stated before it is used."""

from __future__ import annotations

import os

from lastseen.errors import ResourceError

BODY_GB_PER_MILLION_CELLS = 0.3  # measured: 1.6 GB above the libraries for a plan on 5.5 million cells
FLOW_GB_PER_MILLION_CELLS = 0.4  # the ground once, and two events at a time


def free_gb() -> float | None:
    """Memory that is free for a new process, GB; None where the system does not tell."""
    try:
        return os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 1e9
    except (AttributeError, OSError, ValueError):
        return None


def require_memory(cells: int, gb_per_million: float, what: str) -> str:
    """How much memory some cells will take, as words; refuses what does not fit.

    Raises
    ------
    ResourceError
        If the system says that less is free.
    """
    wanted = cells * gb_per_million / 1e6
    free = free_gb()
    if free is not None and wanted > free:
        raise ResourceError(
            f"{what} of {cells / 1e6:.1f} million cells needs about {wanted:.1f} GB of memory and {free:.1f} GB are "
            "free: choose a smaller size class or a coarser elevation model, or close other programs"
        )
    return f"{cells / 1e6:.1f} million cells, about {wanted:.1f} GB"
