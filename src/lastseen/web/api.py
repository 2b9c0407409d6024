"""The JSON API: what the page asks, and scripts may ask too."""

from __future__ import annotations

import json
import math
import re
import tempfile
import zipfile
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response, StreamingResponse
from starlette.routing import Route

from lastseen.core import InputError, NothingFoundError, scenario_toml
from lastseen.web import lanes, openapi, places, plans, tiles
from lastseen.web import lanes as profile
from lastseen.web import tiles as isolines
from lastseen.web.guard import as_geojson, as_json, as_picture, json_body, parts, plain
from lastseen.web.helpers import Helpers
from lastseen.web.jobs import Jobs
from lastseen.web.places import UPLOADS, Places, understood
from lastseen.web.plans import Shelf
from lastseen.web.requests import AskLanes, AskPlan, AskPoint, outline_geojson, read_body, scenario_asked
from lastseen.web.settings import Settings

T = TypeVar("T")
_LANES_KEPT = 256
_INTAKE_S = 300.0
_PROFILE_S = 30.0


class Api:
    """All that a server knows, and its answers."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.shelf = Shelf(settings.folder)
        self.places = Places(settings)
        self.helpers = Helpers(settings.limits.work_waiting)
        self.takers = Helpers(settings.limits.work_waiting, count=1)  # uploads take minutes: nobody waits behind them
        self.jobs = Jobs(self.shelf, settings.limits)
        self._laid: OrderedDict[tuple[str, str], bytes] = OrderedDict()

    def routes(self) -> list[Route]:
        """Addresses and what answers them."""
        get, post = ["GET"], ["POST"]
        return [
            Route("/api/openapi.json", self.document, methods=get),
            Route("/api/state", self.say_state, methods=get),
            Route("/api/places", self.list_places, methods=get),
            Route("/api/places", self.take_place, methods=post),
            Route("/api/places/{place}/tiles/{kind}/{z}/{x}/{y}", self.place_tile, methods=get),
            Route("/api/places/{place}/isolines", self.place_isolines, methods=get),
            Route("/api/points", self.read_point, methods=post),
            Route("/api/jobs", self.list_jobs, methods=get),
            Route("/api/jobs", self.start_job, methods=post),
            Route("/api/jobs/{job}", self.say_job, methods=get),
            Route("/api/jobs/{job}", self.cancel_job, methods=["DELETE"]),
            Route("/api/jobs/{job}/events", self.job_events, methods=get),
            Route("/api/plans", self.list_plans, methods=get),
            Route("/api/plans/{plan}", self.say_plan, methods=get),
            Route("/api/plans/{plan}/layers/{layer}", self.plan_layer, methods=get),
            Route("/api/plans/{plan}/tiles/{kind}/{z}/{x}/{y}", self.plan_tile, methods=get),
            Route("/api/plans/{plan}/profile", self.plan_profile, methods=get),
            Route("/api/plans/{plan}/lanes", self.plan_lanes, methods=post),
            Route("/api/plans/{plan}/files", self.plan_files, methods=get),
            Route("/api/plans/{plan}/files/{name}", self.plan_file, methods=get),
            Route("/api/plans/{plan}/everything.zip", self.plan_zip, methods=get),
        ]

    async def document(self, _request: Request) -> Response:
        """The OpenAPI document."""
        return as_json(openapi.document())

    async def say_state(self, _request: Request) -> Response:
        """What a page needs before anything is chosen."""
        return as_json(await run_in_threadpool(plans.said, self.settings, self.places))

    async def list_places(self, _request: Request) -> Response:
        """All elevation models."""
        return as_json([plans.place_record(one) for one in self.places.all()])

    async def take_place(self, request: Request) -> Response:
        """Take in an elevation file: the raw body, its name as a parameter."""
        limits = self.settings.limits
        kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
        if kind not in ("application/octet-stream", "image/tiff"):
            raise HTTPException(415, "send the bytes of the file with the content type application/octet-stream")
        name = request.query_params.get("name", "elevation.tif")[:200]
        folder = self.settings.folder / UPLOADS
        await run_in_threadpool(partial(folder.mkdir, parents=True, exist_ok=True))
        with tempfile.TemporaryDirectory(prefix=".sent-", dir=folder) as own:
            sent = Path(own) / _sent_name(name)
            with sent.open("wb") as out:
                async for part in parts(request, limits.upload_bytes):
                    await run_in_threadpool(out.write, part)
            found = await self.takers.call(places.take_in, str(sent), name, str(folder), limits, seconds=_INTAKE_S)
        if found["error"]:
            raise InputError(found["error"])
        place = await run_in_threadpool(self.places.take, found["id"])
        if place is None:
            raise InputError("the elevation file was read and cannot be opened again: send it once more")
        return as_json(plans.place_record(place), 201)

    async def place_tile(self, request: Request) -> Response:
        """Heights, relief or slope of a tile."""
        place = self.places.get(request.path_params["place"])
        draw = tiles.PLACE_TILES.get(request.path_params["kind"])
        if draw is None:
            raise NothingFoundError(f"tiles of a place are {', '.join(tiles.PLACE_TILES)}")
        return as_picture(await _threaded(draw, place, *_tile(request)))

    async def place_isolines(self, request: Request) -> Response:
        """Lines of equal height or slope in a box."""
        place = self.places.get(request.path_params["place"])
        given = request.query_params
        kind = given.get("kind", "height")
        if kind not in ("height", "slope"):
            raise InputError("isolines are of height or of slope")
        west, south, east, north = (_number(given.get(side), side) for side in ("west", "south", "east", "north"))
        found = await _threaded(isolines.isolines, place, kind, (west, south, east, north))
        return as_geojson(json.dumps(found, separators=(",", ":")))

    async def read_point(self, request: Request) -> Response:
        """A point as it was understood."""
        asked: AskPoint = read_body(AskPoint, await json_body(request, self.settings.limits.body_bytes))
        place = self.places.get(asked.place) if asked.place else None
        return as_json(await _threaded(understood, asked.text, asked.crs, place))

    async def list_jobs(self, _request: Request) -> Response:
        """All jobs."""
        return as_json([one.record() for one in self.jobs.all()])

    async def start_job(self, request: Request) -> Response:
        """Work out a plan."""
        asked: AskPlan = read_body(AskPlan, await json_body(request, self.settings.limits.body_bytes))
        place = self.places.get(asked.place)
        self.jobs.require_room()
        scenario = scenario_asked(asked, place.files, place.z_unit, self.settings.limits)
        scenario = replace(scenario, name=place.title_of(asked.name))
        outlines = {
            kind: outline_geojson(rings)
            for kind, rings in (("release", asked.release), ("debris", asked.debris))
            if rings is not None
        }
        plan = self.shelf.new_id(asked.name or place.id)
        try:
            for kind, text in outlines.items():
                path = self.shelf.folder / f"{plan}.{kind}.geojson"
                path.write_text(text, encoding="utf-8")
                if kind == "release":
                    scenario = replace(scenario, snow=replace(scenario.snow, release=path))
                else:
                    scenario = replace(scenario, search=replace(scenario.search, debris=path))
            (self.shelf.folder / f"{plan}.toml").write_text(scenario_toml(scenario), encoding="utf-8")
            job = self.jobs.start(plan)
        except BaseException:
            self.shelf.drop(plan)
            raise
        found = as_json(job.record(), 202)
        found.headers["location"] = f"/api/jobs/{job.id}"
        return found

    async def say_job(self, request: Request) -> Response:
        """How a job goes."""
        return as_json(self.jobs.get(request.path_params["job"]).record())

    async def cancel_job(self, request: Request) -> Response:
        """End a job."""
        job = self.jobs.get(request.path_params["job"])
        await self.jobs.cancel(job)
        return as_json(job.record())

    async def job_events(self, request: Request) -> Response:
        """How a job goes, as server-sent events."""
        job = self.jobs.get(request.path_params["job"])

        async def stream() -> AsyncIterator[str]:
            async for record in self.jobs.watch(job):
                yield f"data: {json.dumps(record)}\n\n" if record else ": waiting\n\n"

        return StreamingResponse(stream(), media_type="text/event-stream", headers={"cache-control": "no-store"})

    async def list_plans(self, _request: Request) -> Response:
        """All plans in the folder."""
        return as_json(await run_in_threadpool(plans.plans_said, self.shelf))

    async def say_plan(self, request: Request) -> Response:
        """All numbers of a plan."""
        plan = request.path_params["plan"]
        numbers = await _threaded(self.shelf.numbers, plan)
        asked = await _threaded(plans.asked_of, self.shelf, self.places, plan)
        return as_json({"id": plan, "asked": asked, "numbers": numbers})

    async def plan_layer(self, request: Request) -> Response:
        """A layer of a plan as GeoJSON."""
        plan, layer = request.path_params["plan"], request.path_params["layer"]
        if layer == "person_areas":
            folder = str(self.shelf.path(plan))
            return as_geojson(json.dumps(await _threaded(profile.person_areas, folder)))
        return as_geojson(await _threaded(self.shelf.layer, plan, layer))

    async def plan_tile(self, request: Request) -> Response:
        """Debris or person of a tile."""
        folder = self.shelf.path(request.path_params["plan"])
        kind = request.path_params["kind"]
        if kind not in tiles.PLAN_TILES:
            raise NothingFoundError(f"tiles of a plan are {', '.join(tiles.PLAN_TILES)}")
        return as_picture(await _threaded(tiles.plan_tile, folder, kind, *_tile(request)))

    async def plan_profile(self, request: Request) -> Response:
        """The long profile."""
        plan = request.path_params["plan"]
        folder, scenario = str(self.shelf.path(plan)), str(self.shelf.scenario(plan))
        found = await self.helpers.call(profile.long_profile, folder, scenario, seconds=_PROFILE_S)
        if found["error"]:
            raise NothingFoundError(found["error"])
        return as_json(found["profile"])

    async def plan_lanes(self, request: Request) -> Response:
        """Lanes with other settings over the same debris."""
        plan = request.path_params["plan"]
        asked: AskLanes = read_body(AskLanes, await json_body(request, self.settings.limits.body_bytes))
        folder, scenario = self.shelf.path(plan), self.shelf.scenario(plan)
        key = (f"{plan}:{folder.stat().st_mtime_ns}", asked.model_dump_json())
        if key not in self._laid:
            found = await self.helpers.call(
                lanes.lay_lanes, str(folder), str(scenario), asked, seconds=self.settings.limits.lanes_s
            )
            if found["error"]:
                raise InputError(found["error"])
            self._laid[key] = bytes(as_json(found["lanes"]).body)
            while len(self._laid) > _LANES_KEPT:
                self._laid.popitem(last=False)
        self._laid.move_to_end(key)
        return Response(self._laid[key], media_type="application/json", headers={"cache-control": "no-store"})

    async def plan_files(self, request: Request) -> Response:
        """What is handed over."""
        return as_json(await _threaded(self.shelf.files, request.path_params["plan"]))

    async def plan_file(self, request: Request) -> Response:
        """One file, to be downloaded."""
        path = await _threaded(self.shelf.file, request.path_params["plan"], request.path_params["name"])
        shown = request.query_params.get("show") == "1" and path.suffix.lower() in (".png", ".pdf", ".gif")
        how = "inline" if shown else "attachment"
        return FileResponse(path, media_type=plain(path), filename=path.name, content_disposition_type=how)

    async def plan_zip(self, request: Request) -> Response:
        """Everything in one archive."""
        plan = request.path_params["plan"]
        paths = [self.shelf.file(plan, file["name"]) for file in self.shelf.files(plan)]
        headers = {"content-disposition": f'attachment; filename="{plan}.zip"'}
        return StreamingResponse(_zipped(plan, paths), media_type="application/zip", headers=headers)

    async def close(self) -> None:
        """End all that runs."""
        await self.jobs.close()
        for helpers in (self.helpers, self.takers):
            await run_in_threadpool(helpers.close)


async def _threaded(work: Callable[..., T], *given: Any) -> T:
    return await run_in_threadpool(work, *given)


def _zipped(plan: str, paths: list[Path]) -> Iterator[bytes]:
    """The archive, made in a file without a name and sent in parts."""
    with tempfile.TemporaryFile() as out:
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in paths:
                archive.write(path, f"{plan}/{path.name}")
        out.seek(0)
        while part := out.read(1 << 16):
            yield part


def _tile(request: Request) -> tuple[int, int, int]:
    """Zoom, column and row of a tile that can exist."""
    given = request.path_params
    text = (given["z"], given["x"], given["y"].removesuffix(".png"))
    if not all(re.fullmatch(r"\d{1,7}", one) for one in text):
        raise NothingFoundError("a tile has a zoom level, a column and a row")
    z, x, y = map(int, text)
    if z > tiles.MOST_ZOOM or x >= 2**z or y >= 2**z:
        raise NothingFoundError("there is no such tile")
    return z, x, y


def _number(text: str | None, name: str) -> float:
    try:
        value = float(text or "")
    except ValueError as error:
        raise InputError(f"{name} is no number") from error
    if not math.isfinite(value) or abs(value) > 180.0 or (name in ("south", "north") and abs(value) > 85.0):
        raise InputError(f"{name} lies outside the world")
    return value


def _sent_name(name: str) -> str:
    """A name of our own for what was sent; SRTM tiles are known by theirs."""
    srtm = re.search(r"([NS]\d{2}[EW]\d{3})\.hgt$", name, re.IGNORECASE)
    return f"{srtm[1].upper()}.hgt" if srtm else "sent.tif"
