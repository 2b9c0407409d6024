"""Plain sentences about a plan: what was adjusted, what is left out and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from lastseen.search.lanes import Placed
from lastseen.search.model import Coverage, Leg
from lastseen.search.runs import EXTRA, Run
from lastseen.search.surface import Surface


def written_notes(
    placed: Sequence[Placed],
    walks: Sequence[Sequence[Run]],
    idle: int,
    legs: Sequence[Leg],
    coverage: Coverage,
    surface: Surface,
    least_coverage: float,
) -> tuple[str, ...]:
    """All sentences that apply, the most important first."""
    notes = _about_coverage(placed, coverage, least_coverage)
    notes += _about_ground(legs, surface)
    notes += _about_searchers(walks, idle)
    added = sum(p.strips_added for p in placed)
    if added:
        notes.append(f"{_count(added, 'strip')} added where the ground bends: even strips were too wide there.")
    extra = sum(run.band == EXTRA for p in placed for run in p.runs)
    if extra:
        notes.append(f"{_count(extra, 'short lane')} added through pieces that the even strips did not reach.")
    return tuple(notes)


def _about_coverage(placed: Sequence[Placed], coverage: Coverage, least_coverage: float) -> list[str]:
    """What stays out of range."""
    notes = []
    if coverage.fraction < least_coverage or not all(p.enough for p in placed):
        notes.append(
            f"Coverage stops at {100.0 * coverage.fraction:.1f} % instead of {100.0 * least_coverage:.1f} %: "
            "no lane on known ground reaches the rest."
        )
    return notes


def _about_ground(legs: Sequence[Leg], surface: Surface) -> list[str]:
    """Legs that cross ground without elevation."""
    notes = []
    for leg in legs:
        points = shapely.get_coordinates(shapely.segmentize(leg.line, surface.filled.cell_m))
        if not bool(np.all(surface.has_data(points[:, 0], points[:, 1]))):
            notes.append(
                f"Leg {leg.number} of searcher {leg.searcher} crosses ground without elevation: "
                "its length and slope are estimates; choose the way on the spot."
            )
    return notes


def _about_searchers(walks: Sequence[Sequence[Run]], idle: int) -> list[str]:
    """Searchers without a lane."""
    without = [str(k) for k, walk in enumerate(walks, start=1) if not walk]
    notes = []
    if without:
        who = "Searcher" if len(without) == 1 else "Searchers"
        has = "has" if len(without) == 1 else "have"
        notes.append(
            f"{who} {', '.join(without)} {has} no lane: the outline has fewer lanes than searchers; "
            "use them for probing and shovelling."
        )
    elif idle:
        has = "has" if idle == 1 else "have"
        notes.append(f"In the last sweep {_count(idle, 'searcher')} {has} no lane.")
    return notes


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
