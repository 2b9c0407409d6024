"""What a search is made of: lanes, legs, coverage, plan."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Literal

from shapely import LineString, MultiPolygon, Polygon

from lastseen.rescue import Travel
from lastseen.search.simulation import Trial

Pattern = Literal["across", "along", "traverse"]
LegKind = Literal["approach", "track", "lane", "join"]
Danger = Literal["", "steep", "above a wall", "wall", "no elevation"]
Entry = Literal["last-seen", "top", "flank", "toe", "nearest"]


@dataclass(frozen=True, kw_only=True)
class Lane:
    """The centre line of one strip, in the direction it is walked."""

    number: int  # from 1: of a team from side to side of the debris, of one searcher in the order of the walk
    searcher: int  # from 1
    line: LineString  # straight in map view, or with corners where it follows a bend; map metres
    length_m: float  # on the snow


@dataclass(frozen=True, kw_only=True)
class Leg:
    """One straight stretch of a searcher's walk."""

    number: int  # from 1 for each searcher
    searcher: int  # from 1
    # the way to the ground that the snow passed; from there to the first lane, with the transceiver on; a lane; the way
    # to the next lane
    kind: LegKind
    lane: int | None  # number of the lane, for a leg that is one
    line: LineString  # map metres
    length_m: float  # on the snow
    bearing_deg_true: float  # from true north at the start of the leg, 0 to 360
    slope_deg: float  # mean, up is positive
    steepest_deg: float  # the steepest 10 m of the leg, up or down, as a positive angle
    time_s: float  # walking time
    bearing_deg_magnetic: float = math.nan  # NaN ("no data") without a date or outside the years of the magnetic model
    danger: Danger = ""  # what is against walking it; steep is more than 35 degrees for 10 m


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """How much of an outline lies within half a strip of a walk."""

    fraction: float  # 0 to 1, of the surface area
    area_m2: float  # surface area of the outline (not its map area)
    uncovered: MultiPolygon  # what is left, map metres, made of lattice squares cut to the outline
    uncovered_m2: float  # surface area of what is left


@dataclass(frozen=True, kw_only=True)
class SearchPlan:
    """Lanes, the walk along them, and what they cover."""

    pattern: Pattern  # lanes across the fall line, along it, or slanting down from side to side
    strip_width_m: float  # on the snow
    searchers: int  # how many were asked for
    lanes: tuple[Lane, ...]  # by number
    legs: tuple[Leg, ...]  # by searcher, then by number
    coverage: Coverage  # by all legs but approaches
    notes: tuple[str, ...]  # what was adjusted, what could not be covered and why
    trials: tuple[Trial, ...] = ()  # layouts that were compared by simulated search, the chosen one first
    declination_deg: float = math.nan  # from true to magnetic north at the middle, east positive; NaN where not known
    no_go: Polygon | MultiPolygon | None = None  # the part of the no-go ground that lies near the search
    first_lanes: tuple[Lane, ...] = ()  # of a second pass: the lanes of the first
    travel: Travel = field(default_factory=Travel)  # how the times were worked out
    guide: tuple[str, ...] = ()  # who walks where, one sentence each
    kind: str = ""  # of the chosen layout: abreast, rank, across, along, traverse, or any for lanes on another bearing
    reason: str = ""  # why the chosen layout is the first of the trials, one sentence
    later: MultiPolygon = field(default_factory=MultiPolygon)  # small unlikely pieces that the first pass leaves

    def walk_m(self, searcher: int) -> float:
        """Length of a searcher's walk on the snow, metres."""
        return sum(leg.length_m for leg in self.legs if leg.searcher == searcher)

    def approach_s(self, searcher: int) -> float:
        """Time of a searcher to the first step on the debris, seconds: what was given, or that of the way."""
        if self.travel.approach_s is not None and any(leg.searcher == searcher for leg in self.legs):
            return self.travel.approach_s
        return sum(leg.time_s for leg in self.legs if leg.searcher == searcher and leg.kind == "approach")

    def search_s(self, searcher: int) -> float:
        """Time of a searcher from the first step on the debris to the end of the walk, seconds."""
        return sum(leg.time_s for leg in self.legs if leg.searcher == searcher and leg.kind != "approach")

    def time_s(self, searcher: int) -> float:
        """Time of a searcher, seconds: the approach, and the search."""
        return self.approach_s(searcher) + self.search_s(searcher)

    @property
    def way(self) -> str:
        """How the lanes lie, in words: across or along the fall line, or on another bearing."""
        words = self.trials[0].words if self.trials else ""
        if self.pattern == "traverse":
            return "slanting down from side to side"
        bearing = re.search(r"on map bearing (\d+)", words)
        if bearing:
            return f"on map bearing {int(bearing[1]):03d}"
        if "bend" in words or "middle" in words:
            return f"{self.pattern} the debris, bending with it"
        return f"{self.pattern} the fall line"

    @property
    def chosen(self) -> Trial | None:
        """The numbers of this layout in the simulated search."""
        return self.trials[0] if self.trials else None

    @property
    def total_time_s(self) -> float:
        """Time until the last searcher ends, approach included, seconds."""
        return max(self.time_s(searcher) for searcher in range(1, self.searchers + 1))
