"""Answers: JSON, pictures, files; bodies that are read only up to a bound; errors as one sentence."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from lastseen.errors import InputError, LastseenError, NothingFoundError, OutputExistsError, ResourceError

STATUS: tuple[tuple[type[LastseenError], int], ...] = (
    (NothingFoundError, 404),
    (OutputExistsError, 409),
    (ResourceError, 429),
    (InputError, 422),
)
_KEPT_S = 3600


def as_json(value: Any, status: int = 200) -> Response:
    """Plain values as JSON."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Response(text.encode(), status, media_type="application/json", headers={"cache-control": "no-store"})


def as_geojson(text: str) -> Response:
    """GeoJSON text."""
    return Response(text.encode(), media_type="application/geo+json", headers={"cache-control": "no-cache"})


def as_picture(data: bytes) -> Response:
    """A PNG that may be kept for an hour."""
    return Response(data, media_type="image/png", headers={"cache-control": f"private, max-age={_KEPT_S}"})


async def said_wrong(_request: Request, error: Exception) -> Response:
    """An error of the family as a status and one sentence."""
    status = next((code for kind, code in STATUS if isinstance(error, kind)), 422)
    return as_json({"error": str(error)}, status)


async def said_http(_request: Request, error: Exception) -> Response:
    """An error of the protocol in the same form."""
    if not isinstance(error, HTTPException):
        raise error
    found = as_json({"error": str(error.detail)}, error.status_code)
    for key, value in (error.headers or {}).items():
        found.headers[key] = value
    return found


async def json_body(request: Request, most: int) -> bytes:
    """The body of a request that says it is JSON.

    Raises
    ------
    HTTPException
        415 where it is of another type, 413 where it is too long.
    """
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if kind != "application/json":
        raise HTTPException(415, "send JSON with the content type application/json")
    body = bytearray()
    async for part in parts(request, most):
        body += part
    return bytes(body)


async def parts(request: Request, most: int) -> AsyncIterator[bytes]:
    """The body in parts, up to a bound.

    Raises
    ------
    HTTPException
        413 as soon as more is declared or comes.
    """
    declared = request.headers.get("content-length", "0")
    too_long = HTTPException(413, f"the body is longer than {most} bytes", {"connection": "close"})
    if not declared.isdecimal() or int(declared) > most:
        raise too_long
    length = 0
    async for part in request.stream():
        length += len(part)
        if length > most:
            raise too_long
        yield part


def plain(path: Path) -> str:
    """Content type of a file that is handed over; what a browser could run is only ever downloaded."""
    kinds = {
        ".json": "application/json", ".geojson": "application/geo+json", ".png": "image/png", ".gif": "image/gif",
        ".pdf": "application/pdf", ".gpx": "application/gpx+xml", ".tif": "image/tiff",
        ".gpkg": "application/geopackage+sqlite3", ".kml": "application/vnd.google-earth.kml+xml",
    }  # fmt: skip
    return kinds.get(path.suffix.lower(), "application/octet-stream")
