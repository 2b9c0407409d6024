"""The OpenAPI document of the JSON API; request bodies come from the records that check them."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from pydantic.json_schema import models_json_schema

from lastseen import __version__
from lastseen.output import FULL_CAUTION
from lastseen.web.requests import AskLanes, AskPlan, AskPoint
from lastseen.web.tiles import MOST_ZOOM, PLACE_TILES, PLAN_TILES

_ID = {"type": "string", "pattern": "^[a-z0-9][a-z0-9-]{0,63}$"}
_NUMBER = {"type": "number"}
_LAYERS = (
    "last_seen", "release", "flow_paths", "debris", "deposition_zones", "terrain_traps", "lanes", "route", "uncovered",
    "person_areas",
)  # fmt: skip


@lru_cache(maxsize=1)
def document() -> dict[str, Any]:
    """The document, as plain values."""
    _, bodies = models_json_schema(
        [(body, "validation") for body in (AskPlan, AskLanes, AskPoint)], ref_template="#/components/schemas/{model}"
    )
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "lastseen", "version": __version__,
            "description": f"{FULL_CAUTION}\n\nEvery request needs the token of this start: as `Authorization: "
            "Bearer`, or in the cookie that `/enter?token=` sets. An error is one sentence in `error`.",
        },
        "security": [{"token": []}],
        "paths": _paths(),
        "components": {
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
            "schemas": {**bodies["$defs"], **_ANSWERS},
        },
    }  # fmt: skip


_ERROR = {"type": "object", "required": ["error"], "properties": {"error": {"type": "string"}}}
_EVENT = {"type": "object", "properties": {"data": {"type": "string"}}}
_GEOJSON = {
    "type": "object", "required": ["type", "features"],
    "properties": {"type": {"const": "FeatureCollection"}, "features": {"type": "array", "items": {"type": "object"}}},
}  # fmt: skip
_ANSWERS: dict[str, Any] = {
    "Error": _ERROR,
    "GeoJSON": _GEOJSON,
    "Point": {
        "type": "object", "required": ["lon", "lat", "lonlat", "utm", "mgrs", "height_m", "slope_deg"],
        "properties": {
            "lon": _NUMBER, "lat": _NUMBER, "lonlat": {"type": "string"}, "utm": {"type": ["string", "null"]},
            "mgrs": {"type": ["string", "null"]}, "height_m": {"type": ["number", "null"]},
            "slope_deg": {"type": ["number", "null"]},
        },
    },
    "Place": {
        "type": "object", "required": ["id", "name", "bounds", "cell_m", "minzoom", "maxzoom"],
        "properties": {
            "id": _ID, "name": {"type": "string"}, "demo": {"type": "boolean"},
            "bounds": {"type": "array", "items": _NUMBER, "minItems": 4, "maxItems": 4}, "cell_m": _NUMBER,
            "minzoom": {"type": "integer"}, "maxzoom": {"type": "integer"},
            "notes": {"type": "array", "items": {"type": "string"}},
        },
    },
    "Job": {
        "type": "object", "required": ["id", "plan", "state", "stage", "share", "elapsed_s", "left_s", "error"],
        "properties": {
            "id": _ID, "plan": _ID, "state": {"enum": ["waiting", "running", "done", "failed", "cancelled"]},
            "stage": {"type": "string"}, "share": {"type": "number", "minimum": 0, "maximum": 1},
            "elapsed_s": _NUMBER, "left_s": {"type": ["number", "null"]}, "error": {"type": ["string", "null"]},
            "code": {"type": "integer"},
        },
    },
    "Lanes": {
        "type": "object",
        "required": ["strip_width_m", "searchers", "coverage", "lanes", "route", "uncovered", "covered", "notes"],
        "properties": {
            "strip_width_m": _NUMBER, "searchers": {"type": "integer"},
            "coverage": {"type": "number", "minimum": 0, "maximum": 1},
            "lanes": {"$ref": "#/components/schemas/GeoJSON"}, "route": {"$ref": "#/components/schemas/GeoJSON"},
            "uncovered": {"$ref": "#/components/schemas/GeoJSON"},
            "covered": {
                "description": "rows of seconds, share of the debris, share of the probability of area in range",
                "type": "array", "items": {"type": "array", "minItems": 3, "maxItems": 3},
            },
            "notes": {"type": "array", "items": {"type": "string"}},
        },
    },
}  # fmt: skip


def _paths() -> dict[str, Any]:
    plan, job, place = _path("plan", _ID), _path("job", _ID), _path("place", _ID)
    box = [_query(side, {"type": "number", "minimum": -180, "maximum": 180}) for side in ("west", "east")]
    box += [_query(side, {"type": "number", "minimum": -85, "maximum": 85}) for side in ("south", "north")]
    anything: dict[str, Any] = {"type": "object"}
    return {
        "/api/openapi.json": {"get": _operation("This document", ok=anything)},
        "/api/state": {"get": _operation("Places, demos, palette, survival curves, cautions", ok=anything)},
        "/api/places": {
            "get": _operation("All elevation models", ok={"type": "array", "items": _ref("Place")}),
            "post": _operation(
                "Take in an elevation file: a GeoTIFF or an SRTM tile, as the raw body",
                [_query("name", {"type": "string", "maxLength": 200}, required=False)],
                ok=_ref("Place"), status=201, wrong=(413, 415, 422, 429),
                body={"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
            ),
        },
        "/api/places/{place}/tiles/{kind}/{z}/{x}/{y}": {
            "get": _picture_operation(
                "Heights, relief or slope of a tile", [place, _path("kind", {"enum": list(PLACE_TILES)}), *_TILE]
            )
        },
        "/api/places/{place}/isolines": {
            "get": _operation(
                "Lines of equal height or slope in a box of degrees",
                [place, _query("kind", {"enum": ["height", "slope"]}), *box],
                ok=_ref("GeoJSON"), kind="application/geo+json", wrong=(404, 422),
            )
        },
        "/api/points": {
            "post": _operation("A point in any notation, as it is understood", ok=_ref("Point"), body=_body("AskPoint"))
        },
        "/api/jobs": {
            "get": _operation("All jobs, the newest first", ok={"type": "array", "items": _ref("Job")}),
            "post": _operation(
                "Work out a plan", ok=_ref("Job"), status=202, body=_body("AskPlan"), wrong=(404, 413, 415, 422, 429)
            ),
        },
        "/api/jobs/{job}": {
            "get": _operation("How a job goes", [job], ok=_ref("Job"), wrong=(404,)),
            "delete": _operation("Cancel a job", [job], ok=_ref("Job"), wrong=(404,)),
        },
        "/api/jobs/{job}/events": {
            "get": _operation(
                "How a job goes, as server-sent events; each is a Job", [job], ok=_EVENT,
                kind="text/event-stream", wrong=(404,),
            )
        },
        "/api/plans": {"get": _operation("All plans in the folder", ok={"type": "array", "items": anything})},
        "/api/plans/{plan}": {"get": _operation("All numbers of a plan", [plan], ok=anything, wrong=(404, 422))},
        "/api/plans/{plan}/layers/{layer}": {
            "get": _operation(
                "A layer of a plan", [plan, _path("layer", {"enum": list(_LAYERS)})], ok=_ref("GeoJSON"),
                kind="application/geo+json", wrong=(404,),
            )
        },
        "/api/plans/{plan}/tiles/{kind}/{z}/{x}/{y}": {
            "get": _picture_operation(
                "Debris or person of a tile", [plan, _path("kind", {"enum": list(PLAN_TILES)}), *_TILE]
            )
        },
        "/api/plans/{plan}/profile": {
            "get": _operation("The long profile along the main path", [plan], ok=anything, wrong=(404, 422, 429))
        },
        "/api/plans/{plan}/lanes": {
            "post": _operation(
                "Lanes with other settings over the debris of the plan", [plan], ok=_ref("Lanes"),
                body=_body("AskLanes"), wrong=(404, 413, 415, 422, 429),
            )
        },
        "/api/plans/{plan}/files": {
            "get": _operation("Files of a plan", [plan], ok={"type": "array", "items": anything}, wrong=(404,))
        },
        "/api/plans/{plan}/files/{name}": {
            "get": _operation(
                "One file of a plan", [plan, _path("name", {"type": "string", "pattern": "^[A-Za-z0-9_.-]{1,80}$"})],
                ok=None, wrong=(404,),
            )
        },
        "/api/plans/{plan}/everything.zip": {
            "get": _operation("All files of a plan", [plan], ok=None, kind="application/zip", wrong=(404,))
        },
    }  # fmt: skip


def _ref(name: str) -> dict[str, Any]:
    return {"$ref": f"#/components/schemas/{name}"}


def _body(name: str) -> dict[str, Any]:
    return {"application/json": {"schema": _ref(name)}}


def _path(name: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"name": name, "in": "path", "required": True, "schema": schema}


def _query(name: str, schema: dict[str, Any], *, required: bool = True) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": required, "schema": schema}


_TILE = [
    _path("z", {"type": "integer", "minimum": 0, "maximum": MOST_ZOOM}),
    _path("x", {"type": "integer", "minimum": 0, "maximum": 2**MOST_ZOOM - 1}),
    _path("y", {"type": "integer", "minimum": 0, "maximum": 2**MOST_ZOOM - 1}),
]


def _operation(
    what: str,
    given: list[dict[str, Any]] | None = None,
    *,
    ok: dict[str, Any] | None,
    status: int = 200,
    kind: str = "application/json",
    body: dict[str, Any] | None = None,
    wrong: tuple[int, ...] = (),
) -> dict[str, Any]:
    """One operation: what it does, what it is given, what it answers."""
    wrong = wrong or ((404, 413, 415, 422) if body else ())
    answers: dict[str, Any] = {str(code): _error_answer() for code in sorted({400, 401, 403, 414, 421, *wrong})}
    answers[str(status)] = {
        "description": what,
        **({"content": {kind if ok is not None else "*/*": {"schema": ok or {}}}} if ok or kind else {}),
    }
    operation: dict[str, Any] = {"summary": what, "parameters": given or [], "responses": answers}
    if body is not None:
        operation["requestBody"] = {"required": True, "content": body}
    return operation


def _picture_operation(what: str, given: list[dict[str, Any]]) -> dict[str, Any]:
    return _operation(what, given, ok={"type": "string", "format": "binary"}, kind="image/png", wrong=(404,))


def _error_answer() -> dict[str, Any]:
    return {"description": "one sentence in error", "content": {"application/json": {"schema": _ref("Error")}}}
