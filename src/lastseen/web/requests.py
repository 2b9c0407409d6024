"""What a request may ask for: checked records, and the scenario that they stand for.

No record holds a path. Files of a scenario are those of a place, or outlines that the server itself writes.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient
from shapely.validation import explain_validity

from lastseen.core import (
    DEFAULT_STRIP_WIDTH_M,
    MOST_SEARCHERS,
    NARROWEST_ASKED_M,
    WIDEST_STRIP_M,
    InputError,
    Scenario,
    check_scenario,
)
from lastseen.web.guard import Limits

_MOST_RINGS = 20
Text = Annotated[str, Field(max_length=200)]
Triple = tuple[
    Annotated[float, Field(ge=0.0, le=5000.0)],
    Annotated[float, Field(ge=0.0, le=5000.0)],
    Annotated[float, Field(ge=0.0, le=5000.0)],
]
Corner = tuple[Annotated[float, Field(ge=-180.0, le=180.0)], Annotated[float, Field(ge=-90.0, le=90.0)]]
Ring = Annotated[list[Corner], Field(min_length=3, max_length=2000)]
Areas = Annotated[list[Ring], Field(min_length=1, max_length=_MOST_RINGS)]
Entry = Literal["last-seen", "top", "flank", "toe", "nearest"]
Pattern = Literal["across", "along", "traverse"]
Width = Annotated[float, Field(ge=NARROWEST_ASKED_M, le=WIDEST_STRIP_M)]
People = Annotated[int, Field(ge=1, le=MOST_SEARCHERS)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class AskLastSeen(_Strict):
    """Where the person was last seen: lon,lat, UTM or MGRS text, and how far off the witness may be."""

    at: Text = ""
    crs: Text | None = None
    radius_m: Annotated[float, Field(gt=0.0, le=500.0)] = 10.0


class AskSnow(_Strict):
    """What snow moves, and how it slides; the scenario's own defaults where not given."""

    size: Annotated[int, Field(ge=1, le=4)] = 2
    slab_thickness_m: Annotated[float, Field(gt=0.0, le=10.0)] | None = None
    friction: Triple | None = None
    turbulence_m_s2: Triple | None = None
    growth: Triple | None = None
    cohesion_pa: Triple | None = None
    members: Annotated[int, Field(ge=4, le=200)] | None = None
    tracers: Annotated[int, Field(ge=10, le=5000)] | None = None
    bodies: Annotated[int, Field(ge=100, le=100_000)] | None = None
    model: Literal["flow", "body"] | None = None
    cell_m: Annotated[float, Field(gt=0.5, le=50.0)] | None = None


class AskSearch(_Strict):
    """How the debris is searched."""

    strip_width_m: Width = DEFAULT_STRIP_WIDTH_M
    searchers: People = 1
    start: Text | None = None
    pattern: Pattern | None = None
    entry: Entry | None = None
    outline_probability: Annotated[float, Field(gt=0.0, lt=1.0)] | None = None
    date: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")] | None = None
    second_pass: bool = False


class AskPlan(_Strict):
    """A question: place, point, snow, search. Outlines are rings of [lon, lat]."""

    place: Text
    name: Text = ""
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = 1
    last_seen: AskLastSeen = AskLastSeen()
    snow: AskSnow = AskSnow()
    search: AskSearch = AskSearch()
    release: Areas | None = None
    debris: Areas | None = None


class AskLanes(_Strict):
    """How lanes are to be laid over the debris of a plan."""

    strip_width_m: Width = DEFAULT_STRIP_WIDTH_M
    searchers: People = 1
    pattern: Pattern | None = None
    entry: Entry | None = None
    start: Text | None = None


class AskPoint(_Strict):
    """A point in any notation, and the place that should hold it."""

    text: Text
    crs: Text | None = None
    place: Text | None = None


def read_body(kind: type[BaseModel], body: bytes) -> Any:
    """A checked record of a JSON body. Raises InputError all that is wrong, in one sentence each."""
    try:
        return kind.model_validate_json(body)
    except ValidationError as error:
        raise InputError("; ".join(_error_sentence(fault) for fault in error.errors()[:5])) from error


def request_scenario(plan: AskPlan, elevation: tuple[Path, ...], z_unit: str | None, limits: Limits) -> Scenario:
    """The scenario of a request, on the files of its place. Raises InputError if a value cannot be used."""
    corners = sum(len(ring) for ring in (*(plan.release or ()), *(plan.debris or ())))
    if corners > limits.corners:
        raise InputError(f"the drawn outlines have {corners} corners, more than {limits.corners}: draw them simpler")
    if plan.debris is None and not plan.last_seen.at.strip():
        raise InputError("no last-seen point was given: click one on the map, or draw the outline of the debris")
    raw: dict[str, Any] = {
        "elevation": [str(path) for path in elevation],
        "name": plan.name,
        "seed": plan.seed,
        "z_unit": z_unit,
        "last_seen": plan.last_seen.model_dump(exclude_none=True),
        "snow": plan.snow.model_dump(exclude_none=True),
        "search": plan.search.model_dump(exclude_none=True),
    }
    scenario = check_scenario(raw, "the request")
    _ = scenario.search.day  # a day that does not exist is an error now
    return scenario


def outline_geojson(rings: list[Ring]) -> str:
    """Drawn rings as GeoJSON text. Raises InputError if a ring crosses itself or has no area."""
    areas = [Polygon(ring) for ring in rings]
    for area in areas:
        if not area.is_valid or area.area == 0.0:
            raise InputError(f"the drawn outline crosses itself ({explain_validity(area)}): draw it again")
    shapes = [{"type": "Feature", "properties": {}, "geometry": _geometry(area)} for area in areas]
    return json.dumps({"type": "FeatureCollection", "features": shapes})


def _geometry(area: Polygon) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": [list(map(list, orient(area).exterior.coords))]}


def _error_sentence(error: Any) -> str:
    place = ".".join(str(part) for part in error["loc"])
    sentence = error["msg"][0].lower() + error["msg"][1:]
    return f"{place}: {sentence}" if place else sentence
