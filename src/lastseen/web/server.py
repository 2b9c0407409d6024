"""The server: API, page and guard put together, and run."""

from __future__ import annotations

import contextlib
import importlib.util
import mimetypes
import socket
import threading
import webbrowser
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from lastseen.core import InputError, LastseenError
from lastseen.output import CLOCK_SCRIPT
from lastseen.web import lanes
from lastseen.web.api import Api
from lastseen.web.guard import LOOPBACK, Guard, Settings, answer_error, answer_http_error, equal_secrets

STATIC = Path(__file__).resolve().parent / "static"
MAP_FILES = {"maplibre-gl.js": "text/javascript", "maplibre-gl.css": "text/css"}
_LAST_WORDS_S = 2
_LINE = 128  # connections that wait


def make_app(settings: Settings, *, warm: bool = True) -> Starlette:
    """The application; ``warm`` lets worker processes load ahead of time.

    Raises InputError if the elevation files or the folder cannot be used.
    """
    mimetypes.add_type("text/javascript", ".js")  # what the system says of it may be wrong
    api = Api(settings)
    map_folder = _find_map_library()

    async def page(_request: Request) -> Response:
        return FileResponse(STATIC / "index.html", headers={"cache-control": "no-cache"})

    async def enter(request: Request) -> Response:
        if not equal_secrets(request.query_params.get("token", ""), settings.token):
            raise HTTPException(403, "the token is not the one of this start: open the address that is printed")
        response = RedirectResponse("/", 303)
        response.set_cookie(settings.cookie, settings.token, httponly=True, samesite="strict", path="/")
        return response

    async def map_file(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in MAP_FILES:
            raise HTTPException(404, "there is no such file")
        return FileResponse(map_folder / name, media_type=MAP_FILES[name], headers={"cache-control": "max-age=3600"})

    async def icon(_request: Request) -> Response:
        return FileResponse(STATIC / "icon.svg", media_type="image/svg+xml")

    async def clock(_request: Request) -> Response:
        return FileResponse(CLOCK_SCRIPT, media_type="text/javascript", headers={"cache-control": "no-cache"})

    @contextlib.asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        if warm:
            api.workers.warm(lanes.warm_up)
            api.jobs.prepare()
        yield
        await api.close()

    routes = [
        Route("/", page),
        Route("/enter", enter),
        Route("/favicon.ico", icon),
        Route("/map/{name}", map_file),
        Route("/output/onefile/clock.js", clock),  # as it lies beside the scripts of the page on the disk
        *api.routes(),
        Mount("/static", StaticFiles(directory=STATIC)),
    ]
    app = Starlette(
        routes=routes,
        middleware=[Middleware(Guard, settings=settings)],
        exception_handlers={LastseenError: answer_error, HTTPException: answer_http_error},
        lifespan=lifespan,
    )
    app.state.api = api
    return app


def serve(settings: Settings, *, open_browser: bool, announce: Callable[[str], None]) -> None:
    """Run until somebody stops it; where the port is taken, the next free one is used.

    ``announce`` is called with the address to open. Raises InputError if the host cannot be used.
    """
    listener = _open_listener(settings.host, settings.port)
    settings = replace(settings, port=listener.getsockname()[1])
    app = make_app(settings)
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, server_header=False, proxy_headers=False, http="h11", ws="none",
        h11_max_incomplete_event_size=settings.limits.header_bytes, timeout_graceful_shutdown=_LAST_WORDS_S,
        limit_concurrency=400,
    )  # fmt: skip
    announce(settings.address)
    if open_browser:
        threading.Timer(0.8, webbrowser.open, (settings.address,)).start()
    uvicorn.Server(config).run(sockets=[listener])


def _open_listener(host: str, port: int) -> socket.socket:
    """A socket on the port, or on the next free one; who comes before the server answers waits in line."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    for tried in (port, 0):
        listener = socket.socket(family, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, tried))
            listener.listen(_LINE)
        except OSError as error:
            listener.close()
            if tried == 0 or host != LOOPBACK:
                raise InputError(f"{host}:{port} cannot be listened on ({error.strerror}): choose another") from error
            continue
        listener.set_inheritable(False)
        return listener
    raise InputError(f"no port is free on {host}")


def _find_map_library() -> Path:
    """Where the map library lies, in the installed package that carries it; the package itself is not imported."""
    package = importlib.util.find_spec("maplibre")
    folders = list(package.submodule_search_locations or []) if package else []
    folder = Path(folders[0]) / "srcjs" if folders else None
    if folder is None or not all((folder / name).is_file() for name in MAP_FILES):
        raise InputError("the map library is missing: install lastseen again (it comes with the package maplibre)")
    return folder
