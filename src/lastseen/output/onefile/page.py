"""The one-file page put together: map, switches, clock, tables and caution; it may load nothing."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from lastseen import __version__
from lastseen.core import InputError, convergence_deg, short_percent, to_lonlat
from lastseen.output.draw.palette import load_palette
from lastseen.output.onefile.elements import dashes, element, look_css, part, say, script, text, words
from lastseen.output.onefile.map import (
    MapLayer,
    definitions,
    drawn_box,
    far_m,
    frame_of,
    hatch_id,
    map_layers,
    search_box,
)
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION, Result
from lastseen.rescue import CURVES, DEFAULT_CURVE, SurvivalCurve, survival_bounds_percent

# ---- The clock of the page: the share of the debris that is covered at each time of the walk, and the survival curves

LONGEST_MIN = 240.0  # of the survival curves
_EVERY_MIN = 0.25


def clock_data(result: Result) -> dict[str, Any]:
    """What the script needs: covered shares by time, survival curves as corner points [minute, least, greatest]."""
    search = result.numbers["search"]
    return {
        "total_s": search["total_time_s"],
        "covered": result.numbers["rescue"]["covered"],
        "curves": [
            {"name": one.name, "title": one.title, "source": one.source, "corners": curve_corners(one)}
            for one in CURVES.values()
        ],
    }


def curve_corners(curve: SurvivalCurve) -> list[list[float]]:
    """Corner points [minute, least, greatest per cent] of a curve; straight between them, upright at its steps."""
    published = np.array([minute for minute in curve.minutes if np.isfinite(minute)])
    even = np.arange(0.0, LONGEST_MIN + _EVERY_MIN, _EVERY_MIN)
    minutes = np.unique(np.concatenate([even, published, published + 1e-4]))
    found = [[round(t, 4), *(round(one, 3) for one in survival_bounds_percent(curve, t))] for t in minutes.tolist()]
    return [one for i, one in enumerate(found) if i in {0, len(found) - 1} or not _between(*found[i - 1 : i + 2])]


def _between(before: list[float], here: list[float], after: list[float]) -> bool:
    """Whether a point lies on the straight line between its neighbours."""
    share = (here[0] - before[0]) / (after[0] - before[0])
    return all(abs(before[k] + share * (after[k] - before[k]) - here[k]) < 1e-6 for k in (1, 2))


# ---- Switches of the layers: each with its symbol and its name, and the steps of the ramps under them

WIDE, HIGH = 34, 16


def switches(result: Result, layers: Sequence[MapLayer]) -> str:
    """One switch for each layer, the topmost first."""
    return element("ul", "".join(_switch(result, layer) for layer in reversed(layers)), class_="switches")


def _switch(result: Result, layer: MapLayer) -> str:
    box = element("input", type="checkbox", data_layer=layer.name, checked=layer.shown).removesuffix("</input>")
    name = element("span", text(say(f"layer_{layer.name}")))
    more = {"debris": _debris_steps, "thickness": _thickness_steps, "traps": _trap_key, "lanes": _lane_key}.get(
        layer.name
    )
    label = element("label", box + _symbol(layer.name) + name)
    return element("li", label + (more(result) if more else ""))


def _svg(inside: str, wide: int = WIDE) -> str:
    return element(
        "svg", inside, class_="symbol", viewBox=f"0 0 {wide} {HIGH}", width=wide, height=HIGH, aria_hidden="true"
    )


def _line(kind: str, style: tuple[float, ...] = (), *, cased: bool = False) -> str:
    d = "M1 8H33"
    edge = element("path", d=d, class_=f"casing {kind}") if cased else ""
    return edge + element("path", d=d, class_=f"stroke {kind}", stroke_dasharray=dashes(style))


def _symbol(name: str) -> str:
    palette = load_palette()
    snow, person, lanes = palette.snow.dashes, palette.person.dashes, palette.lanes
    box = {"x": 1, "y": 2, "width": 32, "height": 12}
    drawn = {
        "relief": element("rect", class_="relief-sign", **box),
        "debris": element("rect", class_="step4", **box),
        "given": element("rect", class_="observed", **box),
        "thickness": element("rect", class_="thick4", **box),
        "contours": element("path", d="M1 11C10 2 20 12 33 5", class_="contour index"),
        "grid": element("path", d="M1 8H33M17 1V15", class_="gridline"),
        "corridors": _line("corridor", snow["corridor"]),
        "paths": _line("path", snow["path"]),
        "traps": element("rect", class_="trap plain", **box),
        "zones": element("rect", class_="zone", **box),
        "release": _line("release", snow["release"], cased=True),
        "outline": element("path", d="M1 8H33", class_="outline"),
        "poa": element("path", d="M1 5H33", class_="stroke poa half", stroke_dasharray=dashes(person["half"]))
        + element("path", d="M1 12H33", class_="stroke poa most", stroke_dasharray=dashes(person["most"])),
        "uncovered": element("rect", class_="uncovered", fill=f"url(#{hatch_id('uncovered', 'key')})", **box),
        "route": element("path", d="M1 5H33", class_="stroke join")
        + element("path", d="M1 12H33", class_="stroke approach", stroke_dasharray=dashes(lanes.approach)),
        "lanes": _line("lane", cased=True) + element("path", d="M27 8L17 12.6L19.6 8L17 3.4z", class_="arrow-sign"),
        "last_seen": element("path", d="M9 8H25M17 0V16", class_="stroke seen-sign")
        + element("circle", cx=17, cy=8, r=5.5, class_="stroke seen-sign"),
    }
    return _svg(drawn.get(name, ""))


def _steps(kind: str, labels: Sequence[str], title: str) -> str:
    cells = "".join(
        element("li", element("i", "", class_=f"swatch bg-{kind}{i}") + text(label)) for i, label in enumerate(labels)
    )
    return element("p", text(title), class_="key-title") + element("ol", cells, class_="steps")


def _debris_steps(_contents: Result) -> str:
    return _steps("step", [short_percent(level) for level in load_palette().debris.levels], say("key_debris"))


def _thickness_steps(_contents: Result) -> str:
    return _steps("thick", [f"{one:g} m" for one in load_palette().thickness.levels_m], say("key_thickness"))


def _trap_key(result: Result) -> str:
    signs = load_palette().traps.signs
    kinds = dict.fromkeys(row["kind"] for _, row in result.records("terrain_traps"))
    cells = ""
    for kind in kinds:
        box = element("rect", x=1, y=2, width=32, height=12, class_="trap", fill=f"url(#{hatch_id(kind, 'key')})")
        cells += element("li", _svg(box) + element("b", signs[kind].letter) + " " + text(kind))
    return element("ul", cells, class_="key")


def _lane_key(result: Result) -> str:
    """Line styles of the searchers, where there are several."""
    walking = sorted({row["searcher"] for _, row in result.records("lanes")})
    if len(walking) < 2:
        return ""
    ink = load_palette().lanes
    cells = [element("li", _svg(_line("lane", ink.of_searcher(k))) + text(say("searcher", number=k))) for k in walking]
    return element("ul", "".join(cells), class_="key")


# ---- The tables of the page: key numbers, the walk, traps, zones, assumptions. Each number names where it comes from

STACKS = ("traps", "zones")  # on a narrow screen a row of these becomes a block
Shown = Callable[[Any], str]


def value(numbers: Any, key: str, shown: Shown) -> str:
    """A number of the plan: what people read, and beside it the value itself and its key in ``plan.json``."""
    found = lookup(numbers, key)
    if found is None:
        return element("span", text(say("not_known")), class_="none")
    return element("data", text(shown(found)), value=found, data_key=key)


def lookup(numbers: Any, key: str) -> Any:
    """The value at a key such as ``search.each.0.walk_m``; None where there is none."""
    for name in key.split("."):
        if numbers is None:
            return None
        numbers = numbers[int(name)] if isinstance(numbers, list) else numbers.get(name)
    return numbers


def metres(one: float) -> str:
    """Whole metres."""
    return f"{one:.0f} m"


def fine_metres(one: float) -> str:
    """Metres to a tenth."""
    return f"{one:.1f} m"


def area(one: float) -> str:
    """Whole square metres."""
    return f"{one:.0f} m²"


def degrees(one: float) -> str:
    """Whole degrees."""
    return f"{one:.0f}°"


def bearing(one: float) -> str:
    """Three digits."""
    return f"{round(one) % 360:03d}°"


def share(one: float) -> str:
    """Per cent."""
    return short_percent(one)


def rough(one: float) -> str:
    """Whole per cent."""
    return short_percent(round(one, 2))


def time(one: float) -> str:
    """Minutes and seconds."""
    seconds = round(one)
    return f"{seconds // 60}:{seconds % 60:02d}"


def key_numbers(result: Result) -> str:
    """What the search is, in a dozen lines."""
    numbers = result.numbers
    rows: list[tuple[str, str]] = [
        (say("n_strip"), value(numbers, "coverage.strip_width_m", lambda number: f"{number:g} m")),
        (say("n_searchers"), value(numbers, "search.searchers", str)),
        (say("n_lanes"), element("span", text(len(numbers["lanes"])))),
        (say("n_time"), value(numbers, "search.total_time_s", _long)),
        (say("n_covered"), value(numbers, "coverage.fraction", share)),
        (say("n_uncovered"), value(numbers, "coverage.uncovered_m2", area)),
        (say("n_area"), value(numbers, "coverage.area_m2", area)),
    ]
    if result.is_plan and numbers["model"]:
        rows += [
            (say("n_level"), value(numbers, "debris.level", share)),
            (say("n_inside"), value(numbers, "poa.inside_debris", rough)),
            (say("n_outside"), value(numbers, "poa.outside_debris", rough)),
            (say("n_buried"), value(numbers, "poa.burial.fully", rough)),
            (say("n_depth"), value(numbers, "poa.burial.fully_p50_m", fine_metres)),
            (say("n_travel"), value(numbers, "runout.travel_angle_deg.p50", degrees)),
            (say("n_runout"), value(numbers, "runout.length_m.p50", metres)),
            (say("n_volume"), value(numbers, "release.volume_m3", lambda number: f"{number:.0f} m³")),
            (say("n_slope"), value(numbers, "release.slope_deg", degrees)),
            (say("n_slab"), value(numbers, "release.thickness_m", lambda number: f"{number:.2f} m")),
        ]
    return element("dl", "".join(element("dt", text(a)) + element("dd", b) for a, b in rows), class_="numbers")


def walk(result: Result) -> str:
    """Every leg of every searcher."""
    numbers = result.numbers
    magnetic = any(leg["bearing_deg_magnetic"] is not None for leg in numbers["route"])
    heads = ["t_searcher", "t_leg", "t_what", "t_length", "t_true", "t_slope", "t_steepest", "t_time", "t_start"]
    if magnetic:
        heads.insert(5, "t_magnetic")
    rows = [_leg(numbers, i, leg, magnetic=magnetic) for i, leg in enumerate(numbers["route"])]
    return table("walk", heads, rows)


def _leg(numbers: Any, i: int, leg: Any, *, magnetic: bool) -> list[str]:
    what = say("lane_number", number=leg["lane"]) if leg["kind"] == "lane" else say(leg["kind"])
    at = f"route.{i}"
    against = f" ({leg['danger']})" if leg["danger"] else ""
    bearings = [value(numbers, f"{at}.bearing_deg_true", bearing)]
    if magnetic:
        bearings.append(value(numbers, f"{at}.bearing_deg_magnetic", bearing))
    return [
        value(numbers, f"{at}.searcher", str),
        value(numbers, f"{at}.number", str),
        text(what + against),
        value(numbers, f"{at}.length_m", metres),
        *bearings,
        value(numbers, f"{at}.slope_deg", lambda number: f"{number:+.0f}°"),
        value(numbers, f"{at}.steepest_deg", degrees),
        value(numbers, f"{at}.time_s", time),
        element("span", text(leg["start"]["mgrs"]), class_="code"),
    ]


def traps(result: Result) -> str:
    """Every trap with its reason."""
    numbers, rows = result.numbers, []
    for i, one in enumerate(numbers.get("traps") or []):
        at = f"traps.{i}"
        rows.append(
            [
                element("b", text(f"{one['letter']}{one['number']}")),
                text(one["kind"]),
                text(", ".join(one["consequences"])),
                value(numbers, f"{at}.person_passes", rough),
                value(numbers, f"{at}.person_ends", rough),
                value(numbers, f"{at}.burial_m", fine_metres),
                text(one["reason"]),
            ]
        )
    return table("traps", ["t_sign", "t_kind", "t_does", "t_enter", "t_stop", "t_burial", "t_reason"], rows)


def zones(result: Result) -> str:
    """Every deposition zone with its reason."""
    numbers, rows = result.numbers, []
    for i, one in enumerate(numbers.get("zones") or []):
        at = f"zones.{i}"
        rows.append(
            [
                element("b", text(f"Z{one['number']}")),
                text(one["place"]),
                value(numbers, f"{at}.poa", rough),
                value(numbers, f"{at}.area_m2", area),
                value(numbers, f"{at}.thickness_m", fine_metres),
                value(numbers, f"{at}.thickest_m", fine_metres),
                value(numbers, f"{at}.slope_deg", degrees),
                text(one["reason"]),
            ]
        )
    return table("zones", ["t_sign", "t_place", "t_poa", "t_area", "t_mean", "t_thickest", "t_slope", "t_reason"], rows)


def assumptions(result: Result) -> str:
    """What the numbers rest on: notes, the scenario, inputs and versions."""
    numbers = result.numbers
    notes = element("ul", "".join(element("li", text(_sentence(note))) for note in numbers["notes"]), class_="notes")
    said: list[tuple[str, str]] = [(say("a_seed"), str(numbers["seed"]))]
    if result.is_plan:
        scenario = numbers["scenario"]
        said += [
            (_plain(f"{part}: {key}"), _told(one))
            for part in ("snow", "search")
            for key, one in scenario[part].items()
            if one is not None
        ]
    said += [
        (say("a_crs"), f"{numbers['grid']['crs_name']} ({numbers['grid']['crs']})"),
        (say("a_cell"), f"{numbers['grid']['cell_m']:g} m"),
        *(
            (f"{say('a_input')}: {number['role']}", f"{number['name']}, sha256 {number['sha256'][:16]}…")
            for number in numbers["inputs"]
        ),
        (say("a_versions"), ", ".join(f"{name} {number}" for name, number in numbers["versions"].items())),
    ]
    rows = "".join(element("dt", text(a)) + element("dd", text(b)) for a, b in said)
    return notes + element("dl", rows, class_="numbers wide")


def table(name: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table; empty where there are no rows."""
    said = [say(head) for head in heads]
    cells = [[element("td", one, data_head=head) for head, one in zip(said, row, strict=True)] for row in rows]
    body = "".join(element("tr", "".join(row)) for row in cells)
    if not body:
        return ""
    head = element("tr", "".join(element("th", text(one), scope="col") for one in said))
    caption = element("caption", text(say(f"caption_{name}")))
    inner = element(
        "table",
        caption + element("thead", head) + element("tbody", body),
        id=f"table-{name}",
        class_="stacks" if name in STACKS else None,
    )
    return element("div", inner, class_="scroll", tabindex=0, role="region", aria_label=say(f"caption_{name}"))


def _long(seconds: float) -> str:
    minutes = round(seconds / 60.0)
    return (
        say("under_a_minute")
        if seconds < 60.0
        else f"{minutes} min"
        if minutes < 60
        else f"{minutes // 60} h {minutes % 60:02d} min"
    )


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _told(one: Any) -> str:
    return " to ".join(map(str, one)) if isinstance(one, list) else str(one)


def _sentence(note: str) -> str:
    said = note[0].upper() + note[1:]
    return said if said.endswith(".") else f"{said}."


# ---- The page put together: map, switches, clock, tables and caution in one file that may load nothing


def write_page(result: Result, path: Path) -> None:
    """Write the page of a plan or of a drawn search; the same result gives the same bytes.

    Parameters
    ----------
    result : Result
    path : Path
        ``page.html``; opens from disk, with scripts or without.
    """
    path.write_text(page_text(result), encoding="utf-8", newline="\n")


def page_text(result: Result) -> str:
    """The page as HTML.

    Its policy lets nothing be loaded and runs no script but its own, known by their hashes.
    """
    style, code = look_css(part("page.css")), script("page.js")
    layers = map_layers(result)
    view = search_box(result)
    numbers = result.numbers
    north = _north_deg(result)
    values = {
        "policy": _policy(style, code),
        "style": style,
        "script": code,
        "title": text(numbers["name"] or say("unnamed")),
        "under": _under(result),
        "short_caution": text(SHORT_CAUTION),
        "full_caution": text(FULL_CAUTION),
        "view": " ".join(map(str, view)),
        "definitions": definitions(result),
        "layers": "".join(_group(layer, layer.drawn) for layer in layers),
        "signs": "".join(_group(layer, layer.signs) for layer in layers if layer.signs),
        "switches": switches(result, layers),
        "north_turn": f"{-north:.2f}",
        "north_words": text(_north_words(north)),
        "curves": "".join(
            element("option", text(f"{one.name}: {one.title}"), value=one.name, selected=one.name == DEFAULT_CURVE)
            for one in CURVES.values()
        ),
        "key_numbers": key_numbers(result),
        "walk": walk(result),
        "traps": traps(result),
        "zones": zones(result),
        "assumptions": assumptions(result),
        "numbers": _data(numbers),
        "data": _data(_script_data(result)),
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


def _script_data(result: Result) -> dict[str, Any]:
    frame = frame_of(result.ground)
    return {
        "map": {
            "width_m": round(frame.width_m, 2),
            "height_m": round(frame.height_m, 2),
            "search": search_box(result),
            "drawn": drawn_box(result),
            "far_m": far_m(result.ground, max(search_box(result)[2:])),
        },
        "strip_m": result.numbers["coverage"]["strip_width_m"],
        "clock": clock_data(result),
        "words": words()["script"],
    }


def _under(result: Result) -> str:
    """Where it is, and what made it."""
    numbers = result.numbers
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
    return "".join(element("p", text(line)) for line in lines)


def _north_deg(result: Result) -> float:
    """Grid north from true north, clockwise, in the middle of the ground."""
    west, south, east, north = result.ground.bounds
    point = to_lonlat(0.5 * (west + east), 0.5 * (south + north), result.crs)
    return convergence_deg(result.crs, point)


def _north_words(turn_deg: float) -> str:
    if abs(turn_deg) < 0.05:
        return say("north_same")
    return say("north_is", turn=f"{abs(turn_deg):.1f}", side=say("east" if turn_deg > 0 else "west"))
