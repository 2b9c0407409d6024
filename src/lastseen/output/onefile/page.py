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
from lastseen.core import InputError, convergence_deg, percent, share_words, short_percent, to_lonlat
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.panel import sentence_of
from lastseen.output.onefile import map as page_map
from lastseen.output.onefile.elements import dashes, element, look_css, part, say, script, text, words
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION, Result, coverage_words
from lastseen.rescue import CURVES, DEFAULT_CURVE, SurvivalCurve, survival_bounds_percent

LONGEST_MIN = 240.0  # of the survival curves
_EVERY_MIN = 0.25


def clock_data(result: Result) -> dict[str, Any]:
    """What the script needs: covered shares by time, survival curves as corner points [minute, least, greatest]."""
    return {
        "total_s": max((sum(leg["time_s"] for leg in legs) for legs in _legs_of_searchers(result)), default=0.0),
        "covered": result.numbers["rescue"]["covered"],
        "curves": [
            {"name": curve.name, "title": curve.title, "source": curve.source, "corners": curve_corners(curve)}
            for curve in CURVES.values()
        ],
    }


def _legs_of_searchers(result: Result) -> list[list[dict[str, Any]]]:
    route = result.numbers["route"]
    return [[leg for leg in route if leg["searcher"] == k] for k in sorted({leg["searcher"] for leg in route})]


def curve_corners(curve: SurvivalCurve) -> list[list[float]]:
    """Corner points [minute, least, greatest per cent] of a curve; straight between them, upright at its steps."""
    published = np.array([minute for minute in curve.minutes if np.isfinite(minute)])
    even = np.arange(0.0, LONGEST_MIN + _EVERY_MIN, _EVERY_MIN)
    minutes = np.unique(np.concatenate([even, published, published + 1e-4]))
    points = [
        [round(t, 4), *(round(bound, 3) for bound in survival_bounds_percent(curve, t))] for t in minutes.tolist()
    ]
    last = len(points) - 1
    return [point for i, point in enumerate(points) if i in {0, last} or not _between(*points[i - 1 : i + 2])]


def _between(before: list[float], point: list[float], after: list[float]) -> bool:
    share = (point[0] - before[0]) / (after[0] - before[0])
    return all(abs(before[k] + share * (after[k] - before[k]) - point[k]) < 1e-6 for k in (1, 2))


WIDE, HIGH = 34, 16
_BOX = {"x": 1, "y": 2, "width": 32, "height": 12}


def switches(result: Result, layers: Sequence[page_map.MapLayer]) -> str:
    """One switch for each layer, the topmost first."""
    return element("ul", "".join(_switch(result, layer) for layer in reversed(layers)), class_="switches")


def _switch(result: Result, layer: page_map.MapLayer) -> str:
    box = element("input", type="checkbox", data_layer=layer.name, checked=layer.shown).removesuffix("</input>")
    name = element("span", text(say(f"layer_{layer.name}")))
    keys = {"debris": _debris_steps, "thickness": _thickness_steps, "traps": _trap_key, "lanes": _lane_key}
    label = element("label", box + _symbol(layer.name) + name)
    return element("li", label + (keys[layer.name](result) if layer.name in keys else ""))


def _svg(inside: str) -> str:
    size = {"viewBox": f"0 0 {WIDE} {HIGH}", "width": WIDE, "height": HIGH}
    return element("svg", inside, class_="symbol", **size, aria_hidden="true")


def _line(kind: str, style: tuple[float, ...] = (), *, cased: bool = False) -> str:
    edge = element("path", d="M1 8H33", class_=f"casing {kind}") if cased else ""
    return edge + element("path", d="M1 8H33", class_=f"stroke {kind}", stroke_dasharray=dashes(style))


def _symbol(name: str) -> str:
    palette = load_palette()
    snow, person, lanes = palette.snow.dashes, palette.person.dashes, palette.lanes
    boxes = {"relief": "relief-sign", "debris": "step4", "given": "observed", "thickness": "thick4", "zones": "zone"}
    drawn = {
        **{key: element("rect", class_=kind, **_BOX) for key, kind in boxes.items()},
        "contours": element("path", d="M1 11C10 2 20 12 33 5", class_="contour index"),
        "grid": element("path", d="M1 8H33M17 1V15", class_="gridline"),
        "corridors": _line("corridor", snow["corridor"]),
        "paths": _line("path", snow["path"]),
        "traps": element("rect", class_="trap plain", **_BOX),
        "release": _line("release", snow["release"], cased=True),
        "outline": element("path", d="M1 8H33", class_="outline"),
        "poa": element("path", d="M1 5H33", class_="stroke poa half", stroke_dasharray=dashes(person["half"]))
        + element("path", d="M1 12H33", class_="stroke poa most", stroke_dasharray=dashes(person["most"])),
        "uncovered": element("rect", class_="uncovered", fill=f"url(#{page_map.hatch_id('uncovered', 'key')})", **_BOX),
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


def _debris_steps(_result: Result) -> str:
    return _steps("step", [short_percent(level) for level in load_palette().debris.levels], say("key_debris"))


def _thickness_steps(_result: Result) -> str:
    return _steps("thick", [f"{level:g} m" for level in load_palette().thickness.levels_m], say("key_thickness"))


def _trap_key(result: Result) -> str:
    signs, cells = load_palette().traps.signs, ""
    for kind in dict.fromkeys(row["kind"] for _, row in result.records("terrain_traps")):
        box = element("rect", **_BOX, class_="trap", fill=f"url(#{page_map.hatch_id(kind, 'key')})")
        cells += element("li", _svg(box) + element("b", signs[kind].letter) + " " + text(kind))
    return element("ul", cells, class_="key")


def _lane_key(result: Result) -> str:
    walking = sorted({row["searcher"] for _, row in result.records("lanes")})
    if len(walking) < 2:
        return ""
    ink = load_palette().lanes
    cells = [element("li", _svg(_line("lane", ink.of_searcher(k))) + text(say("searcher", number=k))) for k in walking]
    return element("ul", "".join(cells), class_="key")


STACKS = ("traps", "zones")  # on a narrow screen a row of these becomes a block
Format = Callable[[Any], str]
Cell = Callable[[Any], str] | tuple[str, Format]  # from the row itself, or a key of it with how it is shown

metres, fine_metres, degrees = "{:.0f} m".format, "{:.1f} m".format, "{:.0f}°".format
square_metres, cubic_metres = "{:.0f} m²".format, "{:.0f} m³".format


def bearing(deg: float) -> str:
    """Three digits."""
    return f"{round(deg) % 360:03d}°"


def rough(share: float) -> str:
    """Whole per cent."""
    return percent(share)


def rough_metres(length_m: float) -> str:
    """One figure; never none."""
    return f"{max(1.0, float(f'{length_m:.1g}')):.0f} m"


def minutes_seconds(time_s: float) -> str:
    """Minutes and seconds."""
    return "{}:{:02d}".format(*divmod(round(time_s), 60))


def value(numbers: Any, key: str, shown: Format) -> str:
    """A number of the plan: what people read, and beside it the value itself and its key in ``plan.json``."""
    if (found := lookup(numbers, key)) is None:
        return element("span", text(say("not_known")), class_="none")
    return element("data", text(shown(found)), value=found, data_key=key)


def lookup(numbers: Any, key: str) -> Any:
    """The value at a key such as ``search.each.0.walk_m``; None where there is none."""
    for name in key.split("."):
        if numbers is None:
            return None
        numbers = numbers[int(name)] if isinstance(numbers, list) else numbers.get(name)
    return numbers


def _duration(time_s: float) -> str:
    hours, minutes = divmod(round(time_s / 60.0), 60)
    shown = f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"
    return say("under_a_minute") if time_s < 60.0 else shown


_OF_SEARCH = (
    ("n_strip", "coverage.strip_width_m", "{:g} m".format),
    ("n_searchers", "search.searchers", str),
    ("n_lanes", "", str),
    ("n_search", "search.search_time_s", _duration),
    ("n_time", "search.total_time_s", _duration),
    ("n_approach_how", "search.travel.words.approach", str),
    ("n_search_how", "search.travel.words.search", str),
    ("n_first", "search.trials.0.first_signal_s.p50", _duration),
    ("n_free", "rescue.clock.on_debris_s.typical", _duration),
    ("n_free_all", "rescue.clock.total_s.typical", _duration),
    ("n_covered", "coverage.fraction", short_percent),
    ("n_uncovered", "coverage.uncovered_m2", square_metres),
    ("n_area", "coverage.area_m2", square_metres),
)
_OF_MODEL = (
    ("n_level", "debris.level", short_percent),
    ("n_inside", "poa.inside_debris", rough),
    ("n_left", "persons.left_model_share", rough),
    ("n_reach", "events.reach_person_share", rough),
    ("n_seed_area", "events.seed_spread.area", rough),
    ("n_seed_runout", "events.seed_spread.runout_p90_m", rough_metres),
    ("n_buried", "poa.burial.fully", share_words),
    ("n_depth", "poa.burial.fully_p50_m", fine_metres),
    ("n_travel", "runout.travel_angle_deg.p50", degrees),
    ("n_runout", "runout.length_m.p50", metres),
    ("n_volume", "release.volume_m3", cubic_metres),
    ("n_slope", "release.slope_deg", degrees),
    ("n_slab", "release.thickness_m", "{:.2f} m".format),
)


def key_numbers(result: Result) -> str:
    """What the search is, in a dozen lines."""
    numbers = result.numbers
    lanes = element("span", text(len(numbers["lanes"])))
    rows = [*_OF_SEARCH, *(_OF_MODEL if result.is_plan and numbers["model"] else ())]
    if not numbers["debris"]["whole"]:
        rows = [("n_part" if name == "n_area" else name, key, shown) for name, key, shown in rows]
    found = _definitions((say(name), value(numbers, key, shown) if key else lanes) for name, key, shown in rows)
    return element("p", text(f"{sentence_of(coverage_words(numbers))}")) + found


def _definitions(rows: Iterable[tuple[str, str]], *, wide: bool = False) -> str:
    """Names with their values; values are HTML."""
    inside = "".join(element("dt", text(name)) + element("dd", shown) for name, shown in rows)
    return element("dl", inside, class_="numbers wide" if wide else "numbers")


def walk(result: Result) -> str:
    """Every leg of every searcher."""
    magnetic = any(leg["bearing_deg_magnetic"] is not None for leg in result.numbers["route"])
    columns: list[tuple[str, Cell]] = [
        ("t_searcher", ("searcher", str)),
        ("t_leg", ("number", str)),
        ("t_what", _leg_name),
        ("t_length", ("length_m", metres)),
        ("t_true", ("bearing_deg_true", bearing)),
        *([("t_magnetic", ("bearing_deg_magnetic", bearing))] if magnetic else []),
        ("t_slope", ("slope_deg", "{:+z.0f}°".format)),
        ("t_steepest", ("steepest_deg", degrees)),
        ("t_time", ("time_s", minutes_seconds)),
        ("t_start", lambda leg: element("span", text(leg["start"]["mgrs"]), class_="code")),
    ]
    return table(result, "walk", "route", columns)


def _leg_name(leg: Any) -> str:
    what = say("lane_number", number=leg["lane"]) if leg["kind"] == "lane" else say(leg["kind"])
    return text(what + (f" ({leg['danger']})" if leg["danger"] else ""))


_TRAPS: list[tuple[str, Cell]] = [
    ("t_sign", lambda trap: element("b", text(f"{trap['letter']}{trap['number']}"))),
    ("t_kind", lambda trap: text(trap["kind"])),
    ("t_does", lambda trap: text(", ".join(trap["consequences"]))),
    ("t_enter", ("person_passes", rough)),
    ("t_stop", ("person_ends", rough)),
    ("t_burial", ("burial_m", fine_metres)),
    ("t_reason", lambda trap: text(trap["reason"])),
]
_ZONES: list[tuple[str, Cell]] = [
    ("t_sign", lambda zone: element("b", text(f"Z{zone['number']}"))),
    ("t_place", lambda zone: text(zone["place"])),
    ("t_poa", ("poa", rough)),
    ("t_area", ("area_m2", square_metres)),
    ("t_mean", ("thickness_m", fine_metres)),
    ("t_thickest", ("thickest_m", fine_metres)),
    ("t_slope", ("slope_deg", degrees)),
    ("t_reason", lambda zone: text(zone["reason"])),
]


def table(result: Result, name: str, key: str, columns: Sequence[tuple[str, Cell]]) -> str:
    """A table of a list in the numbers; empty where there are no rows."""
    numbers, body, caption = result.numbers, "", say(f"caption_{name}")
    for number, row in enumerate(numbers.get(key) or ()):
        cells = (
            (head, value(numbers, f"{key}.{number}.{cell[0]}", cell[1]) if isinstance(cell, tuple) else cell(row))
            for head, cell in columns
        )
        body += element("tr", "".join(element("td", cell, data_head=say(head)) for head, cell in cells))
    if not body:
        return ""
    head = element("tr", "".join(element("th", text(say(head)), scope="col") for head, _ in columns))
    inside = element("caption", text(caption)) + element("thead", head) + element("tbody", body)
    inner = element("table", inside, id=f"table-{name}", class_="stacks" if name in STACKS else None)
    return element("div", inner, class_="scroll", tabindex=0, role="region", aria_label=caption)


def assumptions(result: Result) -> str:
    """What the numbers rest on: notes, the scenario, inputs and versions."""
    numbers = result.numbers
    notes = element("ul", "".join(element("li", text(sentence_of(note))) for note in numbers["notes"]), class_="notes")
    grid, files, scenario = numbers["grid"], numbers["inputs"], numbers["scenario"] if result.is_plan else {}
    given = (
        (f"{part}: {key}".replace("_", " "), " to ".join(map(str, found if isinstance(found, list) else [found])))
        for part in ("snow", "search")
        for key, found in scenario.get(part, {}).items()
        if found is not None
    )
    rows = [
        (say("a_seed"), str(numbers["seed"])),
        *given,
        (say("a_crs"), f"{grid['crs_name']} ({grid['crs']})"),
        (say("a_cell"), f"{grid['cell_m']:g} m"),
        *((f"{say('a_input')}: {f['role']}", f"{f['name']}, sha256 {f['sha256'][:16]}…") for f in files),
        (say("a_versions"), ", ".join(f"{name} {number}" for name, number in numbers["versions"].items())),
    ]
    return notes + _definitions(((name, text(given)) for name, given in rows), wide=True)


def write_page(result: Result, path: Path) -> None:
    """Write the page, which opens from disk with scripts or without; the same result gives the same bytes."""
    path.write_text(page_text(result), encoding="utf-8", newline="\n")


def page_text(result: Result) -> str:
    """The page as HTML; its policy lets nothing be loaded and runs no script but its own, known by their hashes."""
    style, code = look_css(part("page.css")), script("page.js")
    layers, numbers, north = page_map.map_layers(result), result.numbers, _north_deg(result)
    values = {
        "policy": _policy(style, code),
        "style": style,
        "script": code,
        "title": text(numbers["name"] or say("unnamed")),
        "under": _under(result),
        "short_caution": text(SHORT_CAUTION),
        "full_caution": text(FULL_CAUTION),
        "view": " ".join(map(str, page_map.search_box(result))),
        "definitions": page_map.definitions(result),
        "layers": "".join(_group(layer, layer.drawn) for layer in layers),
        "signs": "".join(_group(layer, layer.signs) for layer in layers if layer.signs),
        "switches": switches(result, layers),
        "north_turn": f"{-north:.2f}",
        "north_words": text(_north_words(north)),
        "curves": "".join(
            element("option", text(f"{name}: {curve.title}"), value=name, selected=name == DEFAULT_CURVE)
            for name, curve in CURVES.items()
        ),
        "key_numbers": key_numbers(result),
        "walk": walk(result),
        "traps": table(result, "traps", "traps", _TRAPS),
        "zones": table(result, "zones", "zones", _ZONES),
        "assumptions": assumptions(result),
        "numbers": _data(numbers),
        "data": _data(_script_data(result)),
    }
    return fill(part("page.html"), values)


def fill(template: str, values: dict[str, str]) -> str:
    """A template with ``{{ key }}`` replaced; what is no value is a text of ``words.toml``."""

    def found(match: re.Match[str]) -> str:
        return values[match[1]] if match[1] in values else text(say(match[1]))

    try:
        return re.sub(r"\{\{ (\w+) \}\}", found, template)
    except KeyError as error:
        raise InputError(f"the page has no text for {error}: install lastseen again") from error


def _group(layer: page_map.MapLayer, drawn: str) -> str:
    return element("g", drawn, data_of=layer.name, class_="layer" if layer.shown else "layer off")


def _policy(style: str, script: str) -> str:
    """Nothing from anywhere, but pictures inside the page, and this style and this script."""
    hashes = [base64.b64encode(hashlib.sha256(code.encode()).digest()).decode() for code in (style, script)]
    return (
        f"default-src 'none'; img-src data:; style-src 'sha256-{hashes[0]}'; script-src 'sha256-{hashes[1]}'; "
        "base-uri 'none'; form-action 'none'"
    )


def _data(value: Any) -> str:
    document = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return document.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def _script_data(result: Result) -> dict[str, Any]:
    frame, view = page_map.frame_of(result.ground), page_map.search_box(result)
    return {
        "map": {
            "width_m": round(frame.width_m, 2),
            "height_m": round(frame.height_m, 2),
            "search": view,
            "drawn": page_map.drawn_box(result),
            "far_m": page_map.far_m(result.ground, max(view[2:])),
        },
        "strip_m": result.numbers["coverage"]["strip_width_m"],
        "clock": clock_data(result),
        "words": words()["script"],
    }


def _under(result: Result) -> str:
    numbers, lines = result.numbers, []
    model = numbers.get("model")
    if seen := numbers.get("last_seen"):
        lon, lat = (f"{degree:.6f}" for degree in seen["lonlat"])
        lines.append(say("seen_at", mgrs=seen["mgrs"], lat=lat, lon=lon, radius=f"{seen['radius_m']:g}"))
    source = say(f"made_{model['name']}") if model else say("made_flat" if numbers.get("flat") else "made_drawn")
    lines.append(say("made", what=source, seed=numbers["seed"], version=__version__))
    return "".join(element("p", text(line)) for line in lines)


def _north_deg(result: Result) -> float:
    """Grid north from true north, clockwise, in the middle of the ground."""
    west, south, east, north = result.ground.bounds
    return convergence_deg(result.crs, to_lonlat(0.5 * (west + east), 0.5 * (south + north), result.crs))


def _north_words(turn_deg: float) -> str:
    if abs(turn_deg) < 0.05:
        return say("north_same")
    return say("north_is", turn=f"{abs(turn_deg):.1f}", side=say("east" if turn_deg > 0 else "west"))
