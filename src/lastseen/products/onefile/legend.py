"""Switches of the layers: each with its symbol and its name, and the steps of the ramps under them."""

from __future__ import annotations

from collections.abc import Sequence

from lastseen.products.contents import Contents
from lastseen.products.onefile.drawing import MapLayer, hatch_id
from lastseen.products.onefile.shapes import dashes, element, text
from lastseen.products.onefile.words import say
from lastseen.products.palette import load_palette
from lastseen.wording import short_percent

WIDE, HIGH = 34, 16


def switches(contents: Contents, layers: Sequence[MapLayer]) -> str:
    """One switch for each layer, the topmost first."""
    return element("ul", "".join(_switch(contents, one) for one in reversed(layers)), class_="switches")


def _switch(contents: Contents, layer: MapLayer) -> str:
    box = element("input", type="checkbox", data_layer=layer.name, checked=layer.shown).removesuffix("</input>")
    name = element("span", text(say(f"layer_{layer.name}")))
    more = {"debris": _debris_steps, "thickness": _thickness_steps, "traps": _trap_key, "lanes": _lane_key}.get(
        layer.name
    )
    label = element("label", box + _symbol(layer.name) + name)
    return element("li", label + (more(contents) if more else ""))


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
        element("li", element("i", "", class_=f"swatch bg-{kind}{i}") + text(one)) for i, one in enumerate(labels)
    )
    return element("p", text(title), class_="key-title") + element("ol", cells, class_="steps")


def _debris_steps(_contents: Contents) -> str:
    return _steps("step", [short_percent(one) for one in load_palette().debris.levels], say("key_debris"))


def _thickness_steps(_contents: Contents) -> str:
    return _steps("thick", [f"{one:g} m" for one in load_palette().thickness.levels_m], say("key_thickness"))


def _trap_key(contents: Contents) -> str:
    signs = load_palette().traps.signs
    kinds = dict.fromkeys(row["kind"] for _, row in contents.layers["terrain_traps"].records())
    cells = ""
    for kind in kinds:
        box = element("rect", x=1, y=2, width=32, height=12, class_="trap", fill=f"url(#{hatch_id(kind, 'key')})")
        cells += element("li", _svg(box) + element("b", signs[kind].letter) + " " + text(kind))
    return element("ul", cells, class_="key")


def _lane_key(contents: Contents) -> str:
    """Line styles of the searchers, where there are several."""
    walking = sorted({row["searcher"] for _, row in contents.layers["lanes"].records()})
    if len(walking) < 2:
        return ""
    ink = load_palette().lanes
    cells = [element("li", _svg(_line("lane", ink.of_searcher(k))) + text(say("searcher", number=k))) for k in walking]
    return element("ul", "".join(cells), class_="key")
