"""What a map shows, taken from the result of a plan, or from traps on their own; shapes in map metres."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any

import shapely
from shapely.geometry import LineString, MultiPolygon

from lastseen.core import Grid, keep_areas, outline_of_level, poa_areas

if TYPE_CHECKING:
    from collections.abc import Iterable

    from shapely.geometry.base import BaseGeometry

    from lastseen.jobs import TrapView
    from lastseen.output.result import Result
    from lastseen.search import LegKind

THIN_LEVEL = 0.05
NOTHING = MultiPolygon()


@dataclass(frozen=True)
class Leg:
    """A straight stretch of a walk (see `lastseen.search.plan.Leg`); magnetic bearings may be None."""

    line: LineString
    searcher: int
    number: int
    kind: LegKind
    lane: int | None
    length_m: float
    bearing_deg_true: float
    bearing_deg_magnetic: float | None
    slope_deg: float
    steepest_deg: float
    time_s: float
    danger: str


@dataclass(frozen=True)
class Lane:
    """The middle of a strip, in the direction of the walk."""

    line: LineString
    number: int
    searcher: int


@dataclass(frozen=True)
class TrapMark:
    """A terrain trap."""

    outline: MultiPolygon
    letter: str
    number: int
    kind: str
    consequences: str
    person_passes: float
    person_ends: float
    reason: str

    @property
    def name(self) -> str:
        """Letter and number."""
        return f"{self.letter}{self.number}"


@dataclass(frozen=True)
class ZoneMark:
    """A deposition zone."""

    outline: MultiPolygon
    number: int
    place: str
    poa: float
    reason: str


@dataclass(frozen=True, eq=False)
class Shown:
    """What a map shows. What is not there is None or empty."""

    numbers: Mapping[str, Any]  # as in ``plan.json``; empty for traps on their own
    ground: Grid
    crs: Any
    at_m: tuple[float, float] | None = None  # the last-seen point
    radius_m: float = 0.0
    modelled: bool = False  # whether a model made the debris
    outline: MultiPolygon = NOTHING  # debris that is searched
    probability: Grid | None = None
    # tuple of (share, MultiPolygon); smallest areas that hold so much of the probability of area
    poa: tuple[tuple[float, MultiPolygon], ...] = ()
    release: MultiPolygon = NOTHING
    path: LineString | None = None
    corridors: tuple[tuple[float, MultiPolygon], ...] = ()  # tuple of (share, MultiPolygon)
    zones: tuple[ZoneMark, ...] = ()
    traps: tuple[TrapMark, ...] = ()
    lanes: tuple[Lane, ...] = ()
    legs: tuple[Leg, ...] = ()
    first_lanes: tuple[LineString, ...] = ()  # of the pass before, where this is the second
    uncovered: MultiPolygon = NOTHING
    no_go: MultiPolygon = NOTHING
    release_areas: MultiPolygon = NOTHING  # of a map of traps without a last-seen point
    # whether only ground, grid and last-seen point are shown; ``ground_m`` is then what must be seen
    blank: bool = False
    ground_m: BaseGeometry = field(default=NOTHING)

    @property
    def flat(self) -> bool:
        """Whether no elevation was given."""
        return bool(self.numbers.get("flat", False))

    @property
    def title(self) -> str:
        """Name of the plan, or what it is."""
        return title_of(self.numbers)

    @property
    def searchers(self) -> int:
        """How many were asked for."""
        return int(self.numbers["search"]["searchers"])

    def walk(self, searcher: int) -> tuple[Leg, ...]:
        """Legs of a searcher in the order of the walk."""
        return tuple(leg for leg in self.legs if leg.searcher == searcher)

    def focus(self) -> BaseGeometry:
        """What must be seen well: debris, lanes and joins."""
        if self.blank:
            return self.ground_m
        lines = [leg.line for leg in self.legs if leg.kind != "approach"]
        return shapely.unary_union([self.outline, *lines])

    def thin_debris(self) -> BaseGeometry:
        """Debris that is drawn but too unlikely to be searched; it should not be cut off by the frame."""
        grid = self.probability
        return NOTHING if grid is None else outline_of_level(grid, THIN_LEVEL, 4.0 * grid.cell_area_m2)

    def whole(self) -> BaseGeometry:
        """All of it: also the release, the last-seen point and the approaches."""
        parts: list[BaseGeometry] = [self.focus(), *(leg.line for leg in self.legs), self.release]
        if self.at_m is not None:
            parts.append(shapely.Point(self.at_m).buffer(self.radius_m))
        return shapely.unary_union(parts)


def shown_of(result: Result) -> Shown:
    """What the map of a plan or of a search over a drawn outline shows."""
    at = result.records("last_seen")
    debris = result.records("debris")
    rasters = result.rasters
    return Shown(
        numbers=result.numbers,
        ground=result.ground,
        crs=result.crs,
        at_m=_xy(at[0][0]) if at else None,
        radius_m=float(at[0][1]["radius_m"]) if at else 0.0,
        modelled=result.numbers.get("model") is not None,
        outline=next((keep_areas(one) for one, values in debris if values["searched"]), NOTHING),
        probability=rasters["debris_probability"].bands[0] if "debris_probability" in rasters else None,
        poa=poa_areas(rasters["poa"].bands[0]) if "poa" in rasters else (),
        zones=tuple(
            ZoneMark(keep_areas(one), z["number"], z["place"], z["poa"], z["reason"])
            for one, z in result.records("deposition_zones")
        ),
        traps=trap_marks(result.records("terrain_traps")),
        lanes=tuple(Lane(_line(one), v["number"], v["searcher"]) for one, v in result.records("lanes")),
        legs=_legs(result),
        first_lanes=tuple(map(_line, result.shapes("first_lanes"))),
        uncovered=_areas(result, "uncovered"),
        no_go=_areas(result, "no_go"),
        **_snow(result),
    )


def shown_of_traps(view: TrapView) -> Shown:
    """What a map of traps shows: those of a last-seen point with its release, or those of all ground."""
    from lastseen.output.results.plan import result_of_plan  # noqa: PLC0415  only with a plan
    from lastseen.output.results.plan_layers import trap_layer  # noqa: PLC0415

    traps = trap_marks(trap_layer(view.traps).records())
    if view.plan is not None and view.plan.model is not None:
        return replace(shown_of(result_of_plan(view.plan)), traps=traps)
    ground = view.terrain.elevation
    areas = MultiPolygon([part for area in view.areas for part in area.outline.geoms])
    return Shown({}, ground, ground.crs, traps=traps, release_areas=areas)


def blank_of(shown: Shown) -> Shown:
    """Ground and last-seen point alone, on the same piece of ground."""
    keys = ("schema_version", "program", "name", "inputs", "grid", "last_seen", "search", "flat")
    numbers = {key: shown.numbers[key] for key in keys if key in shown.numbers}
    search = {key: shown.numbers["search"][key] for key in ("searchers", "declination_deg", "date")}
    whole = shapely.box(*shown.whole().bounds)
    return Shown(
        {**numbers, "search": search}, shown.ground, shown.crs, at_m=shown.at_m, radius_m=shown.radius_m, blank=True,
        ground_m=whole,
    )  # fmt: skip


def trap_marks(records: Iterable[tuple[BaseGeometry, dict[str, Any]]]) -> tuple[TrapMark, ...]:
    """Traps from the records of their layer."""
    keys = ("letter", "number", "kind", "consequences", "person_passes", "person_ends", "reason")
    return tuple(TrapMark(keep_areas(one), *(values[key] for key in keys)) for one, values in records)


def title_of(numbers: Mapping[str, Any]) -> str:
    """Name of a plan, or what it is."""
    if numbers["name"] or numbers.get("model"):
        return str(numbers["name"] or "Search plan")
    return "Signal search, second pass" if numbers["search"].get("second_pass") else "Signal search"


def _areas(result: Result, name: str) -> MultiPolygon:
    return MultiPolygon([part for shape in result.shapes(name) for part in keep_areas(shape).geoms])


def _snow(result: Result) -> dict[str, Any]:
    """Release, main path, corridors as areas."""
    paths = result.records("flow_paths")
    main = next((shapely.line_merge(one) for one, values in paths if values["kind"] == "main"), None)
    corridors = tuple(
        (float(values["share"]), keep_areas(shapely.build_area(one)))
        for one, values in paths
        if values["kind"] == "corridor"
    )
    return {"release": _areas(result, "release"), "path": main, "corridors": corridors}


def _legs(result: Result) -> tuple[Leg, ...]:
    names = tuple(one.name for one in fields(Leg))[1:]
    return tuple(
        Leg(_line(one), **{name: values[name] for name in names} | {"danger": values["danger"] or ""})
        for one, values in result.records("route")
    )


def _line(one: BaseGeometry) -> LineString:
    return LineString(one.coords)


def _xy(one: BaseGeometry) -> tuple[float, float]:
    x, y = one.coords[0][:2]
    return float(x), float(y)
