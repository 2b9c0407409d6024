"""How a long job tells how far it is."""

from __future__ import annotations

from collections.abc import Callable

# Called with the stage in words and the share that is done, 0 to 1. What it raises ends the job.
Progress = Callable[[str, float], None]


def no_progress(_stage: str, _share: float) -> None:
    """Tell nobody."""
