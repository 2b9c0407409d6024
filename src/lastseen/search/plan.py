"""What a search is made of: lanes, legs, coverage, plan."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from shapely import LineString, MultiPolygon, Polygon

from lastseen.search.simulation import Trial

Pattern = Literal["across", "along"]
LegKind = Literal["approach", "lane", "join"]
Danger = Literal["", "steep", "above a wall", "wall", "no elevation"]
Entry = Literal["top", "toe", "flank"]


@dataclass(frozen=True, kw_only=True)
class Lane:
    """The centre line of one strip, in the direction it is walked.

    Attributes
    ----------
    number : int
        From 1: of a team from one side of the debris to the other, of one searcher in the order of the walk.
    searcher : int
        From 1.
    line : LineString
        Straight in map view, or with corners where it follows a bend; map metres.
    length_m : float
        On the snow.
    """

    number: int
    searcher: int
    line: LineString
    length_m: float


@dataclass(frozen=True, kw_only=True)
class Leg:
    """One straight stretch of a searcher's walk.

    Attributes
    ----------
    number : int
        From 1 for each searcher.
    searcher : int
        From 1.
    kind : {"approach", "lane", "join"}
        The way to the first lane, a lane, or the way to the next lane.
    lane : int or None
        Number of the lane, for a leg that is one.
    line : LineString
        Map metres.
    length_m : float
        On the snow.
    bearing_deg_true : float
        From true north at the start of the leg, 0 to 360.
    slope_deg : float
        Mean, up is positive.
    steepest_deg : float
        The steepest 10 m of the leg, up or down, as a positive angle.
    time_s : float
        Walking time.
    bearing_deg_magnetic : float
        From magnetic north, 0 to 360; NaN ("no data") without a date or outside the years of the magnetic model.
    danger : {"", "steep", "above a wall", "wall", "no elevation"}
        What is against walking it: steeper than 35 degrees for 10 m, right above a wall, over one, or over ground
        whose elevation is not known.
    """

    number: int
    searcher: int
    kind: LegKind
    lane: int | None
    line: LineString
    length_m: float
    bearing_deg_true: float
    slope_deg: float
    steepest_deg: float
    time_s: float
    bearing_deg_magnetic: float = math.nan
    danger: Danger = ""


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """How much of an outline lies within half a strip of a walk."""

    fraction: float  # 0 to 1, of the surface area
    area_m2: float  # surface area of the outline (not its map area)
    uncovered: MultiPolygon  # what is left, map metres, made of lattice squares cut to the outline
    uncovered_m2: float  # surface area of what is left


@dataclass(frozen=True, kw_only=True)
class SearchPlan:
    """Lanes, the walk along them, and what they cover.

    Attributes
    ----------
    pattern : {"across", "along"}
        Lanes across the fall line or along it.
    strip_width_m : float
        On the snow.
    searchers : int
        How many were asked for.
    lanes : tuple of Lane
        By number.
    legs : tuple of Leg
        By searcher, then by number.
    coverage : Coverage
        By lanes and joins; approaches do not count.
    notes : tuple of str
        What was adjusted, what could not be covered and why.
    trials : tuple of Trial
        Layouts that were compared by simulated search, the chosen one first, the runner-up second.
    declination_deg : float
        Angle from true to magnetic north at the middle of the outline, east positive; NaN where not known.
    no_go : Polygon, MultiPolygon or None
        The part of the no-go ground that lies near the search.
    first_lanes : tuple of Lane
        Of a second pass: the lanes of the first.
    """

    pattern: Pattern
    strip_width_m: float
    searchers: int
    lanes: tuple[Lane, ...]
    legs: tuple[Leg, ...]
    coverage: Coverage
    notes: tuple[str, ...]
    trials: tuple[Trial, ...] = ()
    declination_deg: float = math.nan
    no_go: Polygon | MultiPolygon | None = None
    first_lanes: tuple[Lane, ...] = ()

    def walk_m(self, searcher: int) -> float:
        """Length of a searcher's walk on the snow, metres."""
        return sum(leg.length_m for leg in self.legs if leg.searcher == searcher)

    def time_s(self, searcher: int) -> float:
        """Walking time of a searcher, seconds."""
        return sum(leg.time_s for leg in self.legs if leg.searcher == searcher)

    @property
    def way(self) -> str:
        """How the lanes lie, in words: across or along the fall line, or on another bearing."""
        words = self.trials[0].words if self.trials else ""
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
        """Walking time of the slowest searcher, seconds."""
        return max(self.time_s(searcher) for searcher in range(1, self.searchers + 1))
