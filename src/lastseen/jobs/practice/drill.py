"""What a drill starts from: a plan or a drawn search, and an exercise."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pyproj import CRS
from shapely import LineString, MultiPolygon

from lastseen.core import FloatArray, Grid, InputError, shared_folder
from lastseen.rescue import Pace, Travel
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
    slope_deg: float = 0.0


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
    last_seen_m: tuple[float, float] | None = None
    # of magnetic north from true north, east positive; None where no day was given
    declination_deg: float | None = None
    date: str | None = None  # the day it holds for
    travel: Travel = field(default_factory=Travel)  # how the times were worked out

    @property
    def surface(self) -> Surface:
        """The ground with gaps filled."""
        return Surface.around(self.ground, self.ground.bounds, 0.0)

    @property
    def searchers(self) -> int:
        """How many people walk."""
        return max((leg.searcher for leg in self.legs), default=0)

    def walks(self) -> tuple[list[FloatArray], list[float], list[list[Pace]]]:
        """Corners (n x 2) of each searcher's search, when it begins after the first step of all, and its paces."""
        found, begins, paces = [], [], []
        for searcher in range(1, self.searchers + 1):
            legs = [leg for leg in self.legs if leg.searcher == searcher]
            lines = [leg.line for leg in legs if leg.kind != "approach"]
            if lines:
                corners = [np.asarray(line.coords, float)[:, :2] for line in lines]
                found.append(np.vstack([corners[0], *(corner[1:] for corner in corners[1:])]))
                begins.append(sum(leg.time_s for leg in legs if leg.kind == "approach"))
                on_debris = [(leg.kind, len(leg.line.coords) - 1) for leg in legs if leg.kind != "approach"]
                paces.append([self.travel.pace_of(kind) for kind, parts in on_debris for _ in range(parts)])
        return found, [begin - min(begins) for begin in begins], paces

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


Confidence = Literal["published", "derived", "common practice, no source", "from memory"]
SHALLOWEST_M, DEEPEST_M = 0.3, 1.0  # of targets where nobody says otherwise; design choice
DEEPEST_EVER_M = 2.0  # deeper holes are a danger to those who dig them; design choice


class Exercise(BaseModel):
    """What is hidden, how, and what is asked of the searchers.

    Lengths are metres on the map, but for depths, which are at right angles to the snow. ``field_m`` (length, width)
    and ``time_limit_min`` are as published: a note, the outline decides.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: str = ""
    targets: int = Field(default=2, ge=1, le=40)  # dummies with a transmitter
    decoys: int = Field(default=0, ge=0, le=20)  # holes or objects without one
    depth_m: tuple[float, float] = (SHALLOWEST_M, DEEPEST_M)
    apart_m: float = Field(default=5.0, ge=0.0, le=500.0)  # between any two targets or decoys, at least
    close_pair_m: float = Field(default=0.0, ge=0.0, le=500.0)  # above 0: between the first two targets, at most
    edge_m: float = Field(default=1.0, ge=0.0, le=100.0)  # from the edge of the outline, at least
    steepest_deg: float = Field(default=35.0, gt=0.0, le=60.0)  # ground of a target, at most
    field_m: tuple[float, float] | None = None
    time_limit_min: float | None = Field(default=None, gt=0.0)
    time_means: str = ""
    probability_of_area: bool = True  # whether places follow that of the plan, or any place is as likely
    source: str = "own"
    confidence: Confidence = "common practice, no source"
    note: str = ""

    @model_validator(mode="after")
    def _fits_together(self) -> Exercise:
        low, high = self.depth_m
        if not 0.0 <= low <= high <= DEEPEST_EVER_M:
            raise ValueError(f"depth_m is {low:g} to {high:g} m: give 0 to {DEEPEST_EVER_M:g} m, the least first")
        if 0.0 < self.close_pair_m <= self.apart_m:
            raise ValueError(f"close_pair_m is {self.close_pair_m:g} m: give more than apart_m ({self.apart_m:g} m)")
        if self.close_pair_m and self.targets < 2:
            raise ValueError("close_pair_m asks for a pair: give at least 2 targets")
        return self


@lru_cache(maxsize=1)
def published_exercises() -> dict[str, Exercise]:
    """The published exercises by name; a missing or broken file is an `InputError`."""
    return read_exercises(shared_folder("shared") / "exercises.toml")


def read_exercises(path: Path) -> dict[str, Exercise]:
    """Exercises of a TOML file, one table each; an `InputError` names file, table and key."""
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"the exercises in {path} cannot be read ({error}): check path and form") from error
    return {name: exercise_of(values, f"{path.name}, [{name}]") for name, values in tables.items()}


def exercise_of(values: Any, where: str) -> Exercise:
    """An exercise from plain values; all that is wrong is in the one sentence of an `InputError`."""
    if not isinstance(values, dict):
        raise InputError(f"{where}: an exercise is a table of values, such as [mine] with targets = 2 under it")
    try:
        return Exercise(**values)
    except ValidationError as error:
        reasons = (f"{'.'.join(map(str, problem['loc'])) or 'values'}: {problem['msg']}" for problem in error.errors())
        raise InputError(f"{where}: {'; '.join(reasons)}") from error


def find_exercise(name: str, own_file: Path | None = None) -> Exercise:
    """The exercise of that name, the user's own first; an `InputError` lists those there are."""
    known = {**published_exercises(), **(read_exercises(own_file) if own_file else {})}
    if name not in known:
        raise InputError(f"no exercise is called '{name}': choose one of {', '.join(known)}")
    return known[name]
