"""Plans in the folder that the user chose, and what the page needs to know about them."""

from __future__ import annotations

import math
import re
import shutil
from collections.abc import Iterator
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS

from lastseen import __version__
from lastseen.core import (
    DEFAULT_STRIP_WIDTH_M,
    NARROWEST_ASKED_M,
    WGS84,
    WIDEST_STRIP_M,
    InputError,
    LastseenError,
    NothingFoundError,
    Snow,
    move_shapes,
    read_scenario,
    shared_folder,
)
from lastseen.output import FULL_CAUTION, MARKERS, SHORT_CAUTION, load_palette, read_numbers
from lastseen.rescue import CURVES, DEFAULT_CURVE, survival_percent
from lastseen.snow import friction_range
from lastseen.web import tiles
from lastseen.web.guard import Settings
from lastseen.web.places import Place, Places

# ---- Plans in the folder that the user chose: each is a folder that `write_result` wrote
# Beside each lies its scenario, ``<id>.toml``, that the command line reads too. Names from requests are matched
# against what lies in the folder; they are never joined to a path.

_ID = re.compile(r"^[a-z0-9][a-z0-9-]{0,63}$")
_MOST_TRIES = 10_000
GEOPACKAGE = "plan.gpkg"
WGS84_TEXT = "EPSG:4326"


class PlanStore:
    """The plans of one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.folder.mkdir(parents=True, exist_ok=True)

    def all(self) -> list[str]:
        """Names of all plans, the newest first."""
        found = [path for path in self.folder.iterdir() if _is_plan(path)]
        return [path.name for path in sorted(found, key=lambda path: (-path.stat().st_mtime_ns, path.name))]

    def path(self, plan: str) -> Path:
        """The folder of a plan. Raises NothingFoundError if there is none of that name."""
        for path in self.folder.iterdir():
            if path.name == plan and _is_plan(path):
                return path
        raise NothingFoundError("no plan of that name lies in the folder")

    def files(self, plan: str) -> list[dict[str, Any]]:
        """What the plan consists of: names and sizes."""
        return [{"name": file.name, "bytes": file.stat().st_size} for file in _files(self.path(plan))]

    def file(self, plan: str, name: str) -> Path:
        """One file of a plan. Raises NothingFoundError if there is none of that name."""
        for file in _files(self.path(plan)):
            if file.name == name:
                return file
        raise NothingFoundError("the plan has no file of that name")

    def numbers(self, plan: str) -> dict[str, Any]:
        """All numbers of a plan. Raises InputError if they cannot be read."""
        try:
            return read_numbers(self.path(plan))
        except InputError as error:  # that sentence names a folder of this machine
            raise InputError(f"the plan {plan} cannot be read: make it again") from error

    def scenario(self, plan: str) -> Path:
        """The scenario of a plan. Raises NothingFoundError if it was not kept: the plan was made elsewhere."""
        path = self.folder / f"{self.path(plan).name}.toml"
        if not path.is_file() or path.is_symlink():
            raise NothingFoundError("the scenario of this plan is not kept here: make the plan on this page")
        return path

    def layer(self, plan: str, name: str) -> str:
        """A layer of a plan as GeoJSON text in degrees. Raises NothingFoundError if the plan has no such layer."""
        path = self.path(plan) / GEOPACKAGE
        if not path.is_file():
            raise NothingFoundError("the plan has no layers")
        return _layer(path, path.stat().st_mtime_ns, name)

    def new_id(self, name: str) -> str:
        """Take a name that no plan has: what people call it, and a number. Its scenario file is made, empty."""
        stem = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40].strip("-") or "plan"
        for number in range(1, _MOST_TRIES):
            plan = f"{stem}-{number:02d}"
            if (self.folder / plan).exists():
                continue
            try:
                (self.folder / f"{plan}.toml").touch(exist_ok=False)
            except FileExistsError:
                continue
            return plan
        raise InputError(f"there are too many plans called {stem}: choose another name")

    def drop(self, plan: str) -> None:
        """Remove what an unfinished plan left: its scenario, its outlines, half-written files."""
        if not _ID.match(plan) or _is_plan(self.folder / plan):
            return
        for path in self.folder.glob(f".{plan}.partial-*"):
            shutil.rmtree(path, ignore_errors=True)
        for suffix in (".toml", ".release.geojson", ".debris.geojson"):
            (self.folder / f"{plan}{suffix}").unlink(missing_ok=True)


def _is_plan(path: Path) -> bool:
    return bool(_ID.match(path.name)) and not path.is_symlink() and (path / MARKERS["plan"]).is_file()


def _files(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.iterdir()):
        if path.is_file() and not path.is_symlink() and not path.name.startswith("."):
            yield path


@lru_cache(maxsize=64)
def _layer(path: Path, _changed: int, name: str) -> str:
    import geopandas  # noqa: PLC0415  slow to import
    import pyogrio  # noqa: PLC0415  slow to import

    kinds = {str(layer): kind for layer, kind in pyogrio.list_layers(path)}
    if kinds.get(name) is None:
        raise NothingFoundError("the plan has no layer of that name")
    frame = geopandas.read_file(path, layer=name)
    if not len(frame):
        return '{"type": "FeatureCollection", "features": []}'
    degrees = frame.set_geometry(move_shapes(np.asarray(frame.geometry), CRS(frame.crs), WGS84), crs=WGS84_TEXT)
    return str(degrees.to_json(drop_id=True))


# ---- What the page needs to know, as plain values: places, plans, colours, curves, cautions

CURVE_MINUTES = 181
DEMOS = ("bench", "bowl")


def state_record(settings: Settings, places: Places) -> dict[str, Any]:
    """All that does not depend on a plan."""
    return {
        "version": __version__,
        "folder": str(settings.folder.resolve()),
        "caution": {"short": SHORT_CAUTION, "full": FULL_CAUTION},
        "palette": asdict(load_palette()),
        "places": [place_record(place) for place in places.all()],
        "demos": [_demo(name) for name in DEMOS],
        "friction": {str(size): list(friction_range(Snow(size=size))) for size in (1, 2, 3, 4)},
        "survival": {"default": DEFAULT_CURVE, "curves": [_curve(name) for name in CURVES]},
        "strip_width_m": {
            "least": NARROWEST_ASKED_M, "most": WIDEST_STRIP_M, "default": DEFAULT_STRIP_WIDTH_M,
        },
        "limits": {"upload_bytes": settings.limits.upload_bytes, "corners": settings.limits.corners},
    }  # fmt: skip


def place_record(place: Place) -> dict[str, Any]:
    """A place and the zoom levels of its tiles."""
    least, most = tiles.zoom_range(place)
    return place.record() | {"minzoom": least, "maxzoom": most}


def plan_rows(store: PlanStore) -> list[dict[str, Any]]:
    """All plans in the folder, the newest first; what cannot be read is left out."""
    found = []
    for plan in store.all():
        try:
            numbers = store.numbers(plan)
        except LastseenError:
            continue
        found.append(
            {
                "id": plan,
                "name": str(numbers.get("name", "")),
                "made": (store.path(plan) / "plan.json").stat().st_mtime,
                "last_seen": numbers.get("last_seen"),
                "searchable": (store.folder / f"{plan}.toml").is_file(),
            }
        )
    return found


def question_record(store: PlanStore, places: Places, plan: str) -> dict[str, Any] | None:
    """What was asked, so that a page can show it again; None where that is not known."""
    try:
        scenario = read_scenario(store.scenario(plan))
    except LastseenError:
        return None
    place = places.find_by_files(scenario.elevation)
    if place is None:
        return None
    snow, search = scenario.snow, scenario.search
    return {
        "place": place.id,
        "name": scenario.name,
        "seed": scenario.seed,
        "last_seen": asdict(scenario.last_seen),
        "snow": {
            "size": snow.size, "slab_thickness_m": snow.slab_thickness_m, "model": snow.model, "members": snow.members,
            "friction": list(snow.friction) if snow.friction else None,
        },
        "search": {
            "strip_width_m": search.strip_width_m, "searchers": search.searchers, "pattern": search.pattern,
            "entry": search.entry, "start": search.start, "date": search.date, "second_pass": search.second_pass,
        },
        "release": None, "debris": None,
        "drawn": {"release": snow.release is not None, "debris": search.debris is not None},
    }  # fmt: skip


def _demo(name: str) -> dict[str, Any]:
    scenario = read_scenario(shared_folder("demo") / f"{name}.toml")
    return {
        "id": name,
        "name": scenario.name,
        "seed": scenario.seed,
        "at": scenario.last_seen.at,
        "radius_m": scenario.last_seen.radius_m,
        "size": scenario.snow.size,
        "strip_width_m": scenario.search.strip_width_m,
        "searchers": scenario.search.searchers,
    }


def _curve(name: str) -> dict[str, Any]:
    curve = CURVES[name]
    percent = [survival_percent(curve, float(minute)) for minute in range(CURVE_MINUTES)]
    return {
        "name": name,
        "title": curve.title,
        "source": curve.source,
        "confidence": curve.confidence,
        "percent": [round(share, 1) if share is not None and math.isfinite(share) else None for share in percent],
    }
