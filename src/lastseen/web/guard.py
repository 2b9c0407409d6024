"""What a server may do, who is answered, and how: limits; host, origin and token; errors as one sentence."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import ipaddress
import json
import secrets
from collections.abc import AsyncIterator, Awaitable, Callable, MutableMapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from lastseen.core import InputError, LastseenError, NothingFoundError, OutputExistsError, ResourceError

LOOPBACK = "127.0.0.1"
DEFAULT_PORT = 8424
HTTP_PORT = 80


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Bounds of what requests may use; all are design choices."""

    body_bytes: int = 262_144  # of a JSON body
    upload_bytes: int = 1_000_000_000  # of an elevation file
    upload_cells: int = 200_000_000  # width times height that its header declares
    block_bytes: int = 268_435_456  # of one of its blocks: a whole block is unpacked at once
    header_bytes: int = 32_768
    jobs_waiting: int = 3  # beside the one that runs
    job_s: float = 900.0
    job_gb: float = 12.0
    lanes_s: float = 20.0  # for one layout of lanes
    work_waiting: int = 64  # requests that may wait for a worker process
    corners: int = 2_000  # of drawn outlines


@dataclass(frozen=True, kw_only=True)
class Settings:
    """One server; nothing is written outside its folder."""

    folder: Path  # plans and uploads
    elevation: tuple[Path, ...] = ()  # named on the command line; more can be dropped on the page
    z_unit: str | None = None  # of these files
    host: str = LOOPBACK
    port: int = DEFAULT_PORT
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24), repr=False)  # what a caller must know
    limits: Limits = Limits()

    @property
    def address(self) -> str:
        """Where the page is opened, with the token in it."""
        return f"{self.origin}/enter?token={self.token}"

    @property
    def origin(self) -> str:
        """Scheme, host and port, as a browser writes them."""
        return f"http://{_with_port(_bracketed_host(self.host), self.port)}"

    @property
    def hosts(self) -> frozenset[str]:
        """Values of the Host header that are answered."""
        names = (_bracketed_host(self.host), LOOPBACK, "localhost", "[::1]")
        return frozenset({_with_port(name, self.port) for name in names} | {f"{name}:{self.port}" for name in names})

    @property
    def cookie(self) -> str:
        """Name of the cookie: cookies do not tell ports apart."""
        return f"lastseen_{self.port}"


def _bracketed_host(host: str) -> str:
    """A host as browsers write it: in small letters, IPv6 short and in brackets."""
    try:
        known = ipaddress.ip_address(host)
    except ValueError:
        return host.lower()
    return f"[{known.compressed}]" if known.version == 6 else known.compressed


def _with_port(name: str, port: int) -> str:
    """Browsers leave out the port of plain HTTP."""
    return name if port == HTTP_PORT else f"{name}:{port}"


# ---- Who is answered: by host, origin and the token of this start; and what every answer says to the browser

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

# No inline script or style, nothing from elsewhere, no frames. The map library makes its worker from a blob.
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; "
    "worker-src blob:; font-src 'none'; manifest-src 'none'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
_HEADERS = (
    (b"content-security-policy", CONTENT_POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=(), payment=()"),
)
_OPEN = "/enter"  # the only address without a token in a cookie or header: it sets the cookie
_FROM_OUTSIDE = ("cross-site", "same-site")
_LONGEST_TARGET = 4096
_DRAINED_S = 1.0  # longer than a refused body takes within one machine
_NOT_YOURS = "requests from other pages are not answered"
_UNKNOWN = (
    "To get in, open the whole address that lastseen serve printed where it was started, with all that follows token=; "
    "where that is gone, stop it and start lastseen serve again: it opens the page and prints a new address."
)


class Guard:
    """Middleware: refuses before anything else looks at a request."""

    def __init__(self, app: App, settings: Settings) -> None:
        self._app, self._settings = app, settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return

        body = _Body(scope, receive)

        begun = False

        async def with_headers(message: MutableMapping[str, Any]) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                if message["status"] >= 400:
                    await body.drain()
                message["headers"] = [*message.get("headers", []), *_HEADERS]
            await send(message)

        refusal = self._refusal(scope) if scope["type"] == "http" else (403, "only plain requests are answered")
        if refusal is not None:
            await _refuse(scope, with_headers, *refusal)
            return
        try:
            await self._app(scope, body.receive, with_headers)
        except Exception as error:  # answered here, so that this answer has the headers too; the log gets it
            if not begun:
                await _refuse(scope, with_headers, 500, f"unexpected {type(error).__name__}; the server runs on")
            raise

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers = _single(scope["headers"])
        if headers is None:
            return 400, "a header that must stand once stands twice"
        host, open_door = headers.get("host", "").lower(), scope["path"] == _OPEN
        outside = not open_door and headers.get("sec-fetch-site") in _FROM_OUTSIDE
        refusals = (
            (host not in self._settings.hosts, 421, "this server is not called that: open the address that is printed"),
            (headers.get("origin", f"http://{host}") != f"http://{host}" or outside, 403, _NOT_YOURS),
            (len(scope.get("raw_path") or b"") + len(scope["query_string"]) > _LONGEST_TARGET, 414, "a long address"),
            (not open_door and not self._knows_token(headers), 401, _UNKNOWN),
        )
        return next(((status, sentence) for refused, status, sentence in refusals if refused), None)

    def _knows_token(self, headers: dict[str, str]) -> bool:
        secrets = [headers.get("authorization", "").removeprefix("Bearer ").strip()]
        try:
            cookie = SimpleCookie(headers.get("cookie", "")).get(self._settings.cookie)
        except CookieError:
            cookie = None
        if cookie is not None:
            secrets.append(cookie.value)
        return any(equal_secrets(secret, self._settings.token) for secret in secrets)


class _Body:
    """The body of a request: a connection closed on a body that still comes is reset, and the answer lost with it."""

    def __init__(self, scope: Scope, receive: Receive) -> None:
        self._next = receive
        waits = scope["type"] == "http" and b"expect" in dict(scope["headers"])  # for leave to send: it gets none
        self._whole = waits or scope["type"] != "http"

    async def receive(self) -> MutableMapping[str, Any]:
        """The next message."""
        message = await self._next()
        self._whole = self._whole or message["type"] != "http.request" or not message.get("more_body", False)
        return message

    async def drain(self) -> None:
        """Let come what is on its way, for a while."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_DRAINED_S):
                while not self._whole:
                    await self.receive()


def equal_secrets(given: str, secret: str) -> bool:
    """Whether two secrets are alike, in a time that does not tell where they differ."""
    return hmac.compare_digest(given.encode("utf-8", "replace"), secret.encode())


def _single(headers: list[tuple[bytes, bytes]]) -> dict[str, str] | None:
    """Headers by name; None where one that decides something comes twice."""
    found: dict[str, str] = {}
    for raw, value in headers:
        name = raw.decode("latin-1").lower()
        if name in found and name in ("host", "origin", "authorization", "content-length", "sec-fetch-site"):
            return None
        found[name] = f"{found[name]}; {value.decode('latin-1')}" if name in found else value.decode("latin-1")
    return found


async def _refuse(scope: Scope, send: Send, status: int, sentence: str) -> None:
    wants_page = b"text/html" in dict(scope["headers"]).get(b"accept", b"") if scope["type"] == "http" else False
    body = sentence.encode() if wants_page else json.dumps({"error": sentence}).encode()
    kind = b"text/plain; charset=utf-8" if wants_page else b"application/json"
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
        return
    headers = [(b"content-type", kind), (b"content-length", str(len(body)).encode()), (b"connection", b"close")]
    if status == 401:
        headers.append((b"www-authenticate", b"Bearer"))
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


# ---- Answers: JSON, pictures, files; bodies that are read only up to a bound; errors as one sentence

STATUS: tuple[tuple[type[LastseenError], int], ...] = (
    (NothingFoundError, 404),
    (OutputExistsError, 409),
    (ResourceError, 429),
    (InputError, 422),
)
_KEPT_S = 3600


def json_response(value: Any, status: int = 200) -> Response:
    """Plain values as JSON."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Response(text.encode(), status, media_type="application/json", headers={"cache-control": "no-store"})


def geojson_response(text: str) -> Response:
    """GeoJSON text."""
    return Response(text.encode(), media_type="application/geo+json", headers={"cache-control": "no-cache"})


def png_response(data: bytes) -> Response:
    """A PNG that may be kept for an hour."""
    return Response(data, media_type="image/png", headers={"cache-control": f"private, max-age={_KEPT_S}"})


async def answer_error(_request: Request, error: Exception) -> Response:
    """An error of the family as a status and one sentence."""
    status = next((code for kind, code in STATUS if isinstance(error, kind)), 422)
    return json_response({"error": str(error)}, status)


async def answer_http_error(_request: Request, error: Exception) -> Response:
    """An error of the protocol in the same form."""
    if not isinstance(error, HTTPException):
        raise error
    response = json_response({"error": str(error.detail)}, error.status_code)
    for key, value in (error.headers or {}).items():
        response.headers[key] = value
    return response


async def read_json_body(request: Request, most: int) -> bytes:
    """The body of a request that says it is JSON.

    Raises HTTPException 415 where it is of another type, 413 where it is too long.
    """
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if kind != "application/json":
        raise HTTPException(415, "send JSON with the content type application/json")
    body = bytearray()
    async for part in read_parts(request, most):
        body += part
    return bytes(body)


async def read_parts(request: Request, most: int) -> AsyncIterator[bytes]:
    """The body in parts, up to a bound. Raises HTTPException 413 as soon as more is declared or comes."""
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


def media_type(path: Path) -> str:
    """Content type of a file that is handed over; what a browser could run is only ever downloaded."""
    kinds = {
        ".json": "application/json", ".geojson": "application/geo+json", ".png": "image/png", ".gif": "image/gif",
        ".pdf": "application/pdf", ".gpx": "application/gpx+xml", ".tif": "image/tiff",
        ".gpkg": "application/geopackage+sqlite3", ".kml": "application/vnd.google-earth.kml+xml",
    }  # fmt: skip
    return kinds.get(path.suffix.lower(), "application/octet-stream")
