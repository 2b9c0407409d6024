"""The page put together: map, switches, clock, tables and caution in one file that may load nothing."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from pathlib import Path
from typing import Any

from lastseen import __version__
from lastseen.errors import InputError
from lastseen.place import convergence_deg, to_lonlat
from lastseen.products.caution import FULL_CAUTION, SHORT_CAUTION
from lastseen.products.contents import Contents
from lastseen.products.onefile import tables
from lastseen.products.onefile.clock import clock_data
from lastseen.products.onefile.drawing import MapLayer, definitions, drawn_box, map_layers, search_box
from lastseen.products.onefile.ground import far_m, frame_of
from lastseen.products.onefile.legend import switches
from lastseen.products.onefile.look import look_css
from lastseen.products.onefile.shapes import element, text
from lastseen.products.onefile.words import part, say, words
from lastseen.search.survival import CURVES, DEFAULT_CURVE


def write_page(contents: Contents, path: Path) -> None:
    """Write the page of a plan or of a drawn search; the same contents give the same bytes.

    Parameters
    ----------
    contents : Contents
    path : Path
        ``page.html``; opens from disk, with scripts or without.
    """
    path.write_text(page_text(contents), encoding="utf-8", newline="\n")


def page_text(contents: Contents) -> str:
    """The page as HTML.

    Its policy lets nothing be loaded and runs no script but its own, known by their hashes.
    """
    style, script = look_css(part("page.css")), part("page.js")
    layers = map_layers(contents)
    view = search_box(contents)
    numbers = contents.numbers
    north = _north_deg(contents)
    values = {
        "policy": _policy(style, script),
        "style": style,
        "script": script,
        "title": text(numbers["name"] or say("unnamed")),
        "under": _under(contents),
        "short_caution": text(SHORT_CAUTION),
        "full_caution": text(FULL_CAUTION),
        "view": " ".join(map(str, view)),
        "definitions": definitions(contents),
        "layers": "".join(_group(one, one.drawn) for one in layers),
        "signs": "".join(_group(one, one.signs) for one in layers if one.signs),
        "switches": switches(contents, layers),
        "north_turn": f"{-north:.2f}",
        "north_words": text(_north_words(north)),
        "curves": "".join(
            element("option", text(f"{one.name}: {one.title}"), value=one.name, selected=one.name == DEFAULT_CURVE)
            for one in CURVES.values()
        ),
        "key_numbers": tables.key_numbers(contents),
        "walk": tables.walk(contents),
        "traps": tables.traps(contents),
        "zones": tables.zones(contents),
        "assumptions": tables.assumptions(contents),
        "numbers": _data(numbers),
        "data": _data(_script_data(contents)),
    }
    return fill(part("page.html"), values)


def fill(template: str, values: dict[str, str]) -> str:
    """A template with ``{{ key }}`` replaced; what is no value is a text of ``words.toml``."""

    def found(match: re.Match[str]) -> str:
        key = match[1]
        return values[key] if key in values else text(say(key))

    try:
        return re.sub(r"\{\{ (\w+) \}\}", found, template)
    except KeyError as error:
        raise InputError(f"the page has no text for {error}: install lastseen again") from error


def _group(layer: MapLayer, drawn: str) -> str:
    return element("g", drawn, data_of=layer.name, class_="layer" if layer.shown else "layer off")


def _policy(style: str, script: str) -> str:
    """Nothing from anywhere, but pictures inside the page, and this style and this script."""
    hashes = [base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() for one in (style, script)]
    return (
        f"default-src 'none'; img-src data:; style-src 'sha256-{hashes[0]}'; script-src 'sha256-{hashes[1]}'; "
        "base-uri 'none'; form-action 'none'"
    )


def _data(value: Any) -> str:
    """JSON that cannot end the element it stands in."""
    told = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return told.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def _script_data(contents: Contents) -> dict[str, Any]:
    frame = frame_of(contents.ground)
    return {
        "map": {
            "width_m": round(frame.width_m, 2),
            "height_m": round(frame.height_m, 2),
            "search": search_box(contents),
            "drawn": drawn_box(contents),
            "far_m": far_m(contents.ground, max(search_box(contents)[2:])),
        },
        "strip_m": contents.numbers["coverage"]["strip_width_m"],
        "clock": clock_data(contents),
        "words": words()["script"],
    }


def _under(contents: Contents) -> str:
    """Where it is, and what made it."""
    numbers = contents.numbers
    lines = []
    seen = numbers.get("last_seen")
    if seen:
        lon, lat = seen["lonlat"]
        lines.append(
            say("seen_at", mgrs=seen["mgrs"], lat=f"{lat:.6f}", lon=f"{lon:.6f}", radius=f"{seen['radius_m']:g}")
        )
    model = numbers.get("model")
    made = say(f"made_{model['name']}") if model else say("made_flat" if numbers.get("flat") else "made_drawn")
    lines.append(say("made", what=made, seed=numbers["seed"], version=__version__))
    return "".join(element("p", text(one)) for one in lines)


def _north_deg(contents: Contents) -> float:
    """Grid north from true north, clockwise, in the middle of the ground."""
    west, south, east, north = contents.ground.bounds
    point = to_lonlat(0.5 * (west + east), 0.5 * (south + north), contents.crs)
    return convergence_deg(contents.crs, point)


def _north_words(turn_deg: float) -> str:
    if abs(turn_deg) < 0.05:
        return say("north_same")
    return say("north_is", turn=f"{abs(turn_deg):.1f}", side=say("east" if turn_deg > 0 else "west"))
