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
from lastseen.web.guard import (
    Settings,
    geojson_response,
    json_response,
    media_type,
    png_response,
    read_json_body,
    read_parts,
)
from lastseen.web.jobs import Jobs
from lastseen.web.places import UPLOADS, Places, point_record
from lastseen.web.plans import PlanStore
from lastseen.web.pool import WorkerPool
from lastseen.web.requests import AskLanes, AskPlan, AskPoint, outline_geojson, read_body, request_scenario

T = TypeVar("T")
_LAYOUTS_KEPT = 256
_IMPORT_S = 300.0
_PROFILE_S = 30.0


class Api:
    """All that a server knows, and its answers."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.store = PlanStore(settings.folder)
        self.places = Places(settings)
        self.workers = WorkerPool(settings.limits.work_waiting)
        self.importers = WorkerPool(settings.limits.work_waiting, count=1)  # minutes: nobody waits behind them
        self.jobs = Jobs(self.store, settings.limits)
        self._layouts: OrderedDict[tuple[str, str], bytes] = OrderedDict()

    def routes(self) -> list[Route]:
        """Addresses and what answers them."""
        get, post = ["GET"], ["POST"]
        return [
            Route("/api/openapi.json", self.openapi, methods=get),
            Route("/api/state", self.state, methods=get),
            Route("/api/places", self.list_places, methods=get),
            Route("/api/places", self.take_place, methods=post),
            Route("/api/places/{place}/tiles/{kind}/{z}/{x}/{y}", self.place_tile, methods=get),
            Route("/api/places/{place}/isolines", self.place_isolines, methods=get),
            Route("/api/points", self.read_point, methods=post),
            Route("/api/jobs", self.list_jobs, methods=get),
            Route("/api/jobs", self.start_job, methods=post),
            Route("/api/jobs/{job}", self.job_state, methods=get),
            Route("/api/jobs/{job}", self.cancel_job, methods=["DELETE"]),
            Route("/api/jobs/{job}/events", self.job_events, methods=get),
            Route("/api/plans", self.list_plans, methods=get),
            Route("/api/plans/{plan}", self.plan_numbers, methods=get),
            Route("/api/plans/{plan}/layers/{layer}", self.plan_layer, methods=get),
            Route("/api/plans/{plan}/tiles/{kind}/{z}/{x}/{y}", self.plan_tile, methods=get),
            Route("/api/plans/{plan}/profile", self.plan_profile, methods=get),
            Route("/api/plans/{plan}/lanes", self.plan_lanes, methods=post),
            Route("/api/plans/{plan}/files", self.plan_files, methods=get),
            Route("/api/plans/{plan}/files/{name}", self.plan_file, methods=get),
            Route("/api/plans/{plan}/everything.zip", self.plan_zip, methods=get),
        ]

    async def openapi(self, _request: Request) -> Response:
        """The OpenAPI document."""
        return json_response(openapi.document())

    async def state(self, _request: Request) -> Response:
        """What a page needs before anything is chosen."""
        return json_response(await run_in_threadpool(plans.state_record, self.settings, self.places))

    async def list_places(self, _request: Request) -> Response:
        """All elevation models."""
        return json_response([plans.place_record(place) for place in self.places.all()])

    async def take_place(self, request: Request) -> Response:
        """Take in an elevation file: the raw body, its name as a parameter."""
        limits = self.settings.limits
        kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
        if kind not in ("application/octet-stream", "image/tiff"):
            raise HTTPException(415, "send the bytes of the file with the content type application/octet-stream")
        name = request.query_params.get("name", "elevation.tif")[:200]
        folder = self.settings.folder / UPLOADS
        await run_in_threadpool(partial(folder.mkdir, parents=True, exist_ok=True))
        with tempfile.TemporaryDirectory(prefix=".sent-", dir=folder) as unchecked:
            sent = Path(unchecked) / _upload_name(name)
            with sent.open("wb") as out:
                async for part in read_parts(request, limits.upload_bytes):
                    await run_in_threadpool(out.write, part)
            work = partial(places.import_elevation, str(sent), name=name, folder=str(folder), limits=limits)
            imported = await self.importers.call(work, seconds=_IMPORT_S)
        if imported["error"]:
            raise InputError(imported["error"])
        place = await run_in_threadpool(self.places.add_upload, imported["id"])
        if place is None:
            raise InputError("the elevation file was read and cannot be opened again: send it once more")
        return json_response(plans.place_record(place), 201)

    async def place_tile(self, request: Request) -> Response:
        """Heights, relief or slope of a tile."""
        place = self.places.get(request.path_params["place"])
        draw = tiles.PLACE_TILES.get(request.path_params["kind"])
        if draw is None:
            raise NothingFoundError(f"tiles of a place are {', '.join(tiles.PLACE_TILES)}")
        return png_response(await _in_thread(draw, place, _tile_address(request)))

    async def place_isolines(self, request: Request) -> Response:
        """Lines of equal height or slope in a box."""
        place = self.places.get(request.path_params["place"])
        query = request.query_params
        kind = query.get("kind", "height")
        if kind not in ("height", "slope"):
            raise InputError("isolines are of height or of slope")
        west, south, east, north = (_degrees(query.get(side), side) for side in ("west", "south", "east", "north"))
        lines = await _in_thread(tiles.draw_isolines, place, kind, (west, south, east, north))
        return geojson_response(json.dumps(lines, separators=(",", ":")))

    async def read_point(self, request: Request) -> Response:
        """A point as it was understood."""
        body: AskPoint = read_body(AskPoint, await read_json_body(request, self.settings.limits.body_bytes))
        place = self.places.get(body.place) if body.place else None
        return json_response(await _in_thread(point_record, body.text, body.crs, place))

    async def list_jobs(self, _request: Request) -> Response:
        """All jobs."""
        return json_response([job.record() for job in self.jobs.all()])

    async def start_job(self, request: Request) -> Response:
        """Work out a plan."""
        body: AskPlan = read_body(AskPlan, await read_json_body(request, self.settings.limits.body_bytes))
        place = self.places.get(body.place)
        self.jobs.require_room()
        scenario = request_scenario(body, place.files, place.z_unit, self.settings.limits)
        scenario = replace(scenario, name=place.title_of(body.name))
        outlines = {
            kind: outline_geojson(rings)
            for kind, rings in (("release", body.release), ("debris", body.debris))
            if rings is not None
        }
        plan = self.store.new_id(body.name or place.id)
        try:
            for kind, text in outlines.items():
                path = self.store.folder / f"{plan}.{kind}.geojson"
                path.write_text(text, encoding="utf-8")
                if kind == "release":
                    scenario = replace(scenario, snow=replace(scenario.snow, release=path))
                else:
                    scenario = replace(scenario, search=replace(scenario.search, debris=path))
            (self.store.folder / f"{plan}.toml").write_text(scenario_toml(scenario), encoding="utf-8")
            job = self.jobs.start(plan)
        except BaseException:
            self.store.drop(plan)
            raise
        response = json_response(job.record(), 202)
        response.headers["location"] = f"/api/jobs/{job.id}"
        return response

    async def job_state(self, request: Request) -> Response:
        """How a job goes."""
        return json_response(self.jobs.get(request.path_params["job"]).record())

    async def cancel_job(self, request: Request) -> Response:
        """End a job."""
        job = self.jobs.get(request.path_params["job"])
        await self.jobs.cancel(job)
        return json_response(job.record())

    async def job_events(self, request: Request) -> Response:
        """How a job goes, as server-sent events."""
        job = self.jobs.get(request.path_params["job"])

        async def stream() -> AsyncIterator[str]:
            async for record in self.jobs.watch(job):
                yield f"data: {json.dumps(record)}\n\n" if record else ": waiting\n\n"

        return StreamingResponse(stream(), media_type="text/event-stream", headers={"cache-control": "no-store"})

    async def list_plans(self, _request: Request) -> Response:
        """All plans in the folder."""
        return json_response(await run_in_threadpool(plans.plan_rows, self.store))

    async def plan_numbers(self, request: Request) -> Response:
        """All numbers of a plan."""
        plan = request.path_params["plan"]
        numbers = await _in_thread(self.store.numbers, plan)
        question = await _in_thread(plans.question_record, self.store, self.places, plan)
        return json_response({"id": plan, "asked": question, "numbers": numbers})

    async def plan_layer(self, request: Request) -> Response:
        """A layer of a plan as GeoJSON."""
        plan, layer = request.path_params["plan"], request.path_params["layer"]
        if layer == "person_areas":
            folder = str(self.store.path(plan))
            return geojson_response(json.dumps(await _in_thread(lanes.person_areas, folder)))
        return geojson_response(await _in_thread(self.store.layer, plan, layer))

    async def plan_tile(self, request: Request) -> Response:
        """Debris or person of a tile."""
        folder = self.store.path(request.path_params["plan"])
        kind = request.path_params["kind"]
        if kind not in tiles.PLAN_TILES:
            raise NothingFoundError(f"tiles of a plan are {', '.join(tiles.PLAN_TILES)}")
        return png_response(await _in_thread(tiles.draw_plan_tile, folder, kind, _tile_address(request)))

    async def plan_profile(self, request: Request) -> Response:
        """The long profile."""
        plan = request.path_params["plan"]
        folder, scenario = str(self.store.path(plan)), str(self.store.scenario(plan))
        answer = await self.workers.call(lanes.long_profile, folder, scenario, seconds=_PROFILE_S)
        if answer["error"]:
            raise NothingFoundError(answer["error"])
        return json_response(answer["profile"])

    async def plan_lanes(self, request: Request) -> Response:
        """Lanes with other settings over the same debris."""
        plan = request.path_params["plan"]
        body: AskLanes = read_body(AskLanes, await read_json_body(request, self.settings.limits.body_bytes))
        folder, scenario = self.store.path(plan), self.store.scenario(plan)
        key = (f"{plan}:{folder.stat().st_mtime_ns}", body.model_dump_json())
        if key not in self._layouts:
            answer = await self.workers.call(
                lanes.lay_lanes, str(folder), str(scenario), body, seconds=self.settings.limits.lanes_s
            )
            if answer["error"]:
                raise InputError(answer["error"])
            self._layouts[key] = bytes(json_response(answer["lanes"]).body)
            while len(self._layouts) > _LAYOUTS_KEPT:
                self._layouts.popitem(last=False)
        self._layouts.move_to_end(key)
        return Response(self._layouts[key], media_type="application/json", headers={"cache-control": "no-store"})

    async def plan_files(self, request: Request) -> Response:
        """What is handed over."""
        return json_response(await _in_thread(self.store.files, request.path_params["plan"]))

    async def plan_file(self, request: Request) -> Response:
        """One file, to be downloaded."""
        path = await _in_thread(self.store.file, request.path_params["plan"], request.path_params["name"])
        shown = request.query_params.get("show") == "1" and path.suffix.lower() in (".png", ".pdf", ".gif")
        disposition = "inline" if shown else "attachment"
        return FileResponse(path, media_type=media_type(path), filename=path.name, content_disposition_type=disposition)

    async def plan_zip(self, request: Request) -> Response:
        """Everything in one archive."""
        plan = request.path_params["plan"]
        paths = [self.store.file(plan, file["name"]) for file in self.store.files(plan)]
        headers = {"content-disposition": f'attachment; filename="{plan}.zip"'}
        return StreamingResponse(_zip_parts(plan, paths), media_type="application/zip", headers=headers)

    async def close(self) -> None:
        """End all that runs."""
        await self.jobs.close()
        for pool in (self.workers, self.importers):
            await run_in_threadpool(pool.close)


async def _in_thread(work: Callable[..., T], *values: Any) -> T:
    return await run_in_threadpool(work, *values)


def _zip_parts(plan: str, paths: list[Path]) -> Iterator[bytes]:
    """The archive, made in a file without a name and sent in parts."""
    with tempfile.TemporaryFile() as out:
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in paths:
                archive.write(path, f"{plan}/{path.name}")
        out.seek(0)
        while part := out.read(1 << 16):
            yield part


def _tile_address(request: Request) -> tiles.Tile:
    """Zoom, column and row of a tile that can exist."""
    path = request.path_params
    numbers = (path["z"], path["x"], path["y"].removesuffix(".png"))
    if not all(re.fullmatch(r"\d{1,7}", number) for number in numbers):
        raise NothingFoundError("a tile has a zoom level, a column and a row")
    z, x, y = map(int, numbers)
    if z > tiles.MOST_ZOOM or x >= 2**z or y >= 2**z:
        raise NothingFoundError("there is no such tile")
    return tiles.Tile(z, x, y)


def _degrees(text: str | None, name: str) -> float:
    try:
        value = float(text or "")
    except ValueError as error:
        raise InputError(f"{name} is no number") from error
    if not math.isfinite(value) or abs(value) > 180.0 or (name in ("south", "north") and abs(value) > 85.0):
        raise InputError(f"{name} lies outside the world")
    return value


def _upload_name(name: str) -> str:
    """A file name that is not the sender's; SRTM tiles are known by theirs."""
    srtm = re.search(r"([NS]\d{2}[EW]\d{3})\.hgt$", name, re.IGNORECASE)
    return f"{srtm[1].upper()}.hgt" if srtm else "sent.tif"
