"""What a drill needs of a plan or a drawn search: its outline, its ground, its walk."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pyproj import CRS
from shapely import LineString, MultiPolygon

from lastseen.core import FloatArray, Grid
from lastseen.search import LegKind, Surface

MARGIN_M, MARGIN_SHARE = 150.0, 0.6  # of ground around outline and walk: metres, and of the longer side


@dataclass(frozen=True, kw_only=True)
class PlannedLeg:
    """One straight stretch of a planned walk (see `lastseen.search.plan.Leg`)."""

    searcher: int
    number: int
    kind: LegKind
    lane: int | None
    line: LineString
    length_m: float
    time_s: float


@dataclass(frozen=True, kw_only=True)
class PlannedSearch:
    """A search as it was planned."""

    name: str
    crs: CRS  # metric; of all that follows
    outline: MultiPolygon  # what is searched, map metres
    ground: Grid  # elevation around outline and walk, metres
    poa: Grid | None  # probability of area; None where the plan has no model
    legs: tuple[PlannedLeg, ...]  # by searcher, then in the order of the walk
    strip_width_m: float  # on the snow
    coverage: float  # share of the outline within half a strip of lanes and joins
    flat: bool = False  # whether the ground is taken as flat for want of an elevation model
    last_seen_m: tuple[float, float] | None = None  # (float, float) or None
    # of magnetic north from true north, east positive; None where no day was given
    declination_deg: float | None = None
    date: str | None = None  # the day it holds for

    @property
    def surface(self) -> Surface:
        """The ground with gaps filled."""
        return Surface.around(self.ground, self.ground.bounds, 0.0)

    @property
    def searchers(self) -> int:
        """How many people walk."""
        return max((leg.searcher for leg in self.legs), default=0)

    def walks(self) -> list[FloatArray]:
        """Corners (n x 2) of each searcher's walk, approach included."""
        found = []
        for searcher in range(1, self.searchers + 1):
            lines = [leg.line for leg in self.legs if leg.searcher == searcher]
            if lines:
                corners = [np.asarray(line.coords, float)[:, :2] for line in lines]
                found.append(np.vstack([corners[0], *(corner[1:] for corner in corners[1:])]))
        return found

    def lanes(self) -> dict[int, LineString]:
        """The line of each lane by its number, in the direction it is walked."""
        parts: dict[int, list[tuple[float, float]]] = {}
        for leg in self.legs:
            if leg.kind == "lane" and leg.lane is not None:
                points = [(float(x), float(y)) for x, y, *_ in leg.line.coords]
                known = parts.setdefault(leg.lane, [])
                known.extend(points[1:] if known else points)
        return {number: LineString(points) for number, points in sorted(parts.items())}

    def searcher_of(self, lane: int) -> int:
        """Who was to walk a lane."""
        return next(leg.searcher for leg in self.legs if leg.lane == lane)
