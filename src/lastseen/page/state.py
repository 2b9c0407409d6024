"""What the page needs to know, as plain values: places, plans, colours, curves, cautions."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from lastseen import __version__
from lastseen.errors import LastseenError
from lastseen.motion.members import friction_range
from lastseen.page import tiles
from lastseen.page.places import Place, Places
from lastseen.page.settings import Settings
from lastseen.page.shelf import Shelf
from lastseen.products.caution import FULL_CAUTION, SHORT_CAUTION
from lastseen.products.palette import load_palette
from lastseen.scenario import Snow, read_scenario
from lastseen.search.survival import CURVES, DEFAULT_CURVE, survival_percent
from lastseen.shared_files import shared_folder

CURVE_MINUTES = 181
DEMOS = ("bench", "bowl")


def said(settings: Settings, places: Places) -> dict[str, Any]:
    """All that does not depend on a plan."""
    return {
        "version": __version__,
        "folder": str(settings.folder.resolve()),
        "caution": {"short": SHORT_CAUTION, "full": FULL_CAUTION},
        "palette": asdict(load_palette()),
        "places": [place_record(one) for one in places.all()],
        "demos": [_demo(name) for name in DEMOS],
        "friction": {str(size): list(friction_range(Snow(size=size))) for size in (1, 2, 3, 4)},
        "survival": {"default": DEFAULT_CURVE, "curves": [_curve(name) for name in CURVES]},
        "limits": {"upload_bytes": settings.limits.upload_bytes, "corners": settings.limits.corners},
    }


def place_record(place: Place) -> dict[str, Any]:
    """A place and the zoom levels of its tiles."""
    least, most = tiles.zooms(place)
    return place.record() | {"minzoom": least, "maxzoom": most}


def plans_said(shelf: Shelf) -> list[dict[str, Any]]:
    """All plans in the folder, the newest first; what cannot be read is left out."""
    found = []
    for plan in shelf.all():
        try:
            numbers = shelf.numbers(plan)
        except LastseenError:
            continue
        found.append(
            {
                "id": plan,
                "name": str(numbers.get("name", "")),
                "made": (shelf.path(plan) / "plan.json").stat().st_mtime,
                "last_seen": numbers.get("last_seen"),
                "searchable": (shelf.folder / f"{plan}.toml").is_file(),
            }
        )
    return found


def asked_of(shelf: Shelf, places: Places, plan: str) -> dict[str, Any] | None:
    """What was asked, so that a page can show it again; None where that is not known."""
    try:
        scenario = read_scenario(shelf.scenario(plan))
    except LastseenError:
        return None
    place = places.of_files(scenario.elevation)
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
        "percent": [round(one, 1) if one is not None and math.isfinite(one) else None for one in percent],
    }
