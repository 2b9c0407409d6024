"""All that a user can say, validated. Reads and writes TOML."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import tomllib
from dataclasses import dataclass, field, fields, is_dataclass, replace
from pathlib import Path
from typing import Any, Literal, get_type_hints

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as checked

from lastseen.core.errors import InputError
from lastseen.core.quantities import DEFAULT_STRIP_WIDTH_M, check_strip_width_m

_STRICT = ConfigDict(extra="forbid")
MOST_SEARCHERS = 30


@checked(frozen=True, config=_STRICT)
class LastSeen:
    """Where the person was last seen."""

    at: str = ""  # lon,lat, x,y of crs, UTM text or MGRS text
    crs: str | None = None  # of a plain pair of numbers; WGS 84 where not given
    radius_m: float = Field(default=10.0, gt=0, le=500)  # how far off the witness may be
    missing: int = Field(default=1, ge=1, le=10)  # how many persons are missing
    # last-seen points of the second missing person and further ones; with fewer points than persons they start anew
    also_at: tuple[str, ...] = ()

    def points(self) -> tuple[str, ...]:
        """The last-seen point of each missing person."""
        given = (self.at, *self.also_at)
        return tuple(given[number % len(given)] for number in range(self.missing))


@checked(frozen=True, config=_STRICT)
class Snow:
    """What snow moves, and how it slides; where nothing is given, as tuned to reported avalanches of the size."""

    size: Literal[1, 2, 3, 4] = 2  # destructive size
    release: Path | None = None  # drawn outline of the release, any vector format
    release_side: Literal["above", "below", "here"] | None = (
        None  # of the last-seen point; searched on all if not given
    )
    slab_thickness_m: float | None = Field(default=None, gt=0, le=10)  # normal to the slope; by size where not given
    friction: tuple[float, float, float] | None = None  # Coulomb mu: lowest, most likely, highest; by size if not given
    turbulence_m_s2: tuple[float, float, float] = (500.0, 1000.0, 1500.0)  # Voellmy xi
    growth: tuple[float, float, float] = (0.0, 0.5, 2.0)  # entrained / released mass
    cohesion_pa: tuple[float, float, float] = (5.0, 10.0, 20.0)  # holds thin snow; the flow only
    # How deep a carried person lies in the snow: a named law, or an own range of depth over thickness (lowest, most
    # likely, highest; 0 on the surface, 1 on the ground). What fits reported burials best where neither is given.
    burial: Literal["rising", "even"] | None = None
    relative_depth: tuple[float, float, float] | None = None
    members: int = Field(default=96, ge=4, le=1000)  # most events in the ensemble; fewer where the answer has settled
    tracers: int = Field(default=400, ge=10, le=100_000)  # possible persons in each event of the flow
    bodies: int = Field(default=9600, ge=100, le=1_000_000)  # bodies for the debris, and as many for the person
    model: Literal["flow", "body"] | None = None  # how it moves; by cell and time where not given
    cell_m: float | None = Field(default=None, gt=0)  # working cell of the flow; by the time budget where not given
    time_budget_s: float = Field(default=20.0, ge=1, le=36_000)  # of 48 events on two processors: cells follow it
    accept_unfinished: bool = False  # plan although most events did not come to rest in time
    accept_open_edge: bool = False  # plan although most persons leave the elevation model


@checked(frozen=True, config=_STRICT)
class Ground:
    """What is not in a bare elevation model: any vector or raster file that GDAL reads, in any CRS."""

    trees: Path | None = None
    water: Path | None = None
    crevasses: Path | None = None
    rocks: Path | None = None
    buildings: Path | None = None
    roads: Path | None = None
    no_go: Path | None = None  # ground that nobody may search
    surface_model: Path | None = None  # heights with trees: what stands 2 m above the ground counts as trees


@checked(frozen=True, config=_STRICT)
class Search:
    """How the debris is searched."""

    strip_width_m: float = DEFAULT_STRIP_WIDTH_M
    searchers: int = 1
    # where the searchers stand, as last_seen.at: one place, or one for each searcher or group; at the last-seen point
    # where not given
    start: str | tuple[str, ...] | None = None
    # lanes across or along the fall line, or slanting down on skis; what comes out best where not given
    pattern: Literal["across", "along", "traverse"] | None = None
    # where the search begins; at the last-seen point or the nearest edge where not given
    entry: Literal["last-seen", "top", "flank", "toe", "nearest"] | None = None
    debris: Path | None = None  # observed outline of the debris: then only the search is laid out
    # Debris at least this likely is inside the outline; where not given, so that 90 % of the person's lies inside.
    outline_probability: float | None = Field(default=None, gt=0, lt=1)
    date: str | None = None  # day for magnetic bearings, such as 2027-01-31; none are given without it
    second_pass: bool = False  # lay the second pass: half the width, lanes midway beside those of the first
    travel: Literal["ski", "snowshoe", "foot"] = "ski"  # how they come to the debris
    search_travel: Literal["ski", "snowshoe", "foot"] = "foot"  # how they search it
    # own speeds, metres on the snow per second: approaching downhill, approaching uphill or level, searching
    down_m_s: float | None = Field(default=None, gt=0, le=30)
    up_m_s: float | None = Field(default=None, gt=0, le=30)
    search_m_s: float | None = Field(default=None, gt=0, le=30)
    approach_min: float | None = Field(default=None, ge=0, le=600)  # own time of the whole approach

    @property
    def starts(self) -> tuple[str, ...]:
        """All places where searchers stand."""
        if self.start is None:
            return ()
        return (self.start,) if isinstance(self.start, str) else self.start

    @property
    def day(self) -> dt.date | None:
        """The date, as a date."""
        return _parse_day(self.date)


@checked(frozen=True, config=_STRICT)
class Scenario:
    """One question to the program: a place, a last-seen point, the snow, the search."""

    elevation: tuple[Path, ...]
    last_seen: LastSeen = field(default_factory=LastSeen)
    snow: Snow = field(default_factory=Snow)
    search: Search = field(default_factory=Search)
    name: str = ""
    z_unit: Literal["m", "ft", "us-ft"] | None = None
    seed: int = Field(default=1, ge=0)
    ground: Ground = field(default_factory=Ground)
    accept_doubtful_heights: bool = False  # work on heights that are probably none all the same


@dataclass(frozen=True, kw_only=True)
class Override:
    """A value from the command line and the place in the scenario that it overrides."""

    section: str
    key: str
    value: Any


def read_scenario(path: Path) -> Scenario:
    """Read a scenario file; relative paths in it start from its folder.

    Raises
    ------
    InputError
        Not TOML, an unknown key (with a suggestion), or a value out of range.
    """
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError(f"the scenario file {path} does not exist: check the path") from error
    except OSError as error:
        raise InputError(f"the scenario file {path} cannot be read: {error.strerror or error}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path.name} is not valid TOML: {error}") from error
    scenario = check_scenario(raw, path.name)
    folder = path.parent
    return replace(
        scenario,
        elevation=tuple(folder / file for file in scenario.elevation),
        snow=replace(scenario.snow, release=_from(folder, scenario.snow.release)),
        ground=replace(
            scenario.ground,
            **{part.name: _from(folder, getattr(scenario.ground, part.name)) for part in fields(Ground)},
        ),
        search=replace(scenario.search, debris=_from(folder, scenario.search.debris)),
    )


def check_scenario(raw: dict[str, Any], source: str = "the scenario") -> Scenario:
    """A checked scenario from plain tables.

    Raises
    ------
    InputError
        All that is wrong, in one sentence each.
    """
    try:
        scenario: Scenario = TypeAdapter(Scenario).validate_python(raw)
    except ValidationError as error:
        raise InputError("; ".join(_sentence(source, detail) for detail in error.errors())) from error
    _check_search(scenario.search)
    seen = scenario.last_seen
    if len(seen.also_at) >= seen.missing:
        raise InputError(
            f"{source}: {1 + len(seen.also_at)} last-seen points for {seen.missing} missing: give at most one point "
            "for each, or more missing"
        )
    snow = scenario.snow
    for name, low, high in (
        ("friction", 0.05, 1.0),
        ("turbulence_m_s2", 100.0, 5000.0),
        ("growth", 0.0, 10.0),
        ("cohesion_pa", 0.0, 1000.0),
        ("relative_depth", 0.0, 1.0),
    ):
        values = getattr(snow, name)
        if values is None:
            continue
        if not low <= values[0] <= values[1] <= values[2] <= high:
            raise InputError(
                f"{source}: snow.{name} = {list(values)} must rise from lowest to highest within {low:g} to {high:g}"
            )
    if snow.burial is not None and snow.relative_depth is not None:
        raise InputError(f"{source}: snow.burial and snow.relative_depth are both given: leave one out")
    return scenario


def _check_search(search: Search) -> None:
    check_strip_width_m(search.strip_width_m)
    check_searchers(search.searchers)
    _parse_day(search.date)


def _parse_day(text: str | None) -> dt.date | None:
    try:
        return dt.date.fromisoformat(text) if text else None
    except ValueError as error:
        raise InputError(f"the date '{text}' cannot be read: write it like 2027-01-31") from error


def check_searchers(searchers: int) -> None:
    """Raise InputError unless so many can be planned for."""
    if not 1 <= searchers <= MOST_SEARCHERS:
        raise InputError(f"the number of searchers is {searchers}: give 1 to {MOST_SEARCHERS}")


def apply_overrides(scenario: Scenario, given: list[Override]) -> Scenario:
    """The scenario with values from the command line in place of its own."""
    tables = _tables(scenario)
    for override in given:
        if override.value is not None:
            (tables[override.section] if override.section else tables)[override.key] = override.value
    return check_scenario(tables, "the command line")


def scenario_toml(scenario: Scenario) -> str:
    """The scenario as TOML text that reads back as the same scenario."""
    tables = _tables(scenario)
    lines = [
        f"{key} = {_toml(value)}" for key, value in tables.items() if not isinstance(value, dict) and value is not None
    ]
    for section, table in tables.items():
        if isinstance(table, dict):
            lines += ["", f"[{section}]"]
            lines += [f"{key} = {_toml(value)}" for key, value in table.items() if value is not None]
    return "\n".join(lines) + "\n"


def _tables(value: Any) -> dict[str, Any]:
    return {
        entry.name: _tables(part) if is_dataclass(part := getattr(value, entry.name)) else part
        for entry in fields(value)
    }


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, (str, Path)):
        text = str(value).replace("\\", "\\\\").replace('"', '\\"')
        return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda found: f"\\u{ord(found[0]):04x}", text) + '"'
    return repr(value)


def _from(folder: Path, path: Path | None) -> Path | None:
    return folder / path if path is not None else None


def _sentence(source: str, error: Any) -> str:
    place = ".".join(str(part) for part in error["loc"])
    if error["type"] == "unexpected_keyword_argument":
        return f"{source}: unknown key '{place}'{_suggestion(error['loc'])}"
    if error["type"] == "missing":
        return f"{source}: '{place}' is missing"
    return f"{source}: {place} = {error.get('input')!r}: {error['msg'][0].lower()}{error['msg'][1:]}"


def _suggestion(location: tuple[Any, ...]) -> str:
    owner: Any = Scenario
    for part in location[:-1]:
        owner = get_type_hints(owner).get(str(part), owner)
    known = [entry.name for entry in fields(owner)]
    near = difflib.get_close_matches(str(location[-1]), known, n=1)
    return f"; did you mean '{near[0]}'?" if near else f"; known keys are {', '.join(known)}"
