"""How each layer looks in other programs: rules made from the palette, and these as SLD 1.0.0 (OGC 02-070, 2002)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal
from xml.etree import ElementTree as ET

from lastseen.core import Progress, short_percent
from lastseen.output.draw.palette import Dashes, Palette, load_palette
from lastseen.output.result import Layer, Options, Result

Test = tuple[str, Literal["=", "<", ">=", "none"], Any]  # column, relation, value; "none" is a column without a value
LINE_PT, BOLD_PT, CASING_PT = 1.2, 2.0, 4.0
_NAMING = ("number", "name", "letter", "site")  # columns that name a thing where no style is laid down


@dataclass(frozen=True, kw_only=True)
class Symbol:
    """How one thing is drawn: lengths in points, colours as ``#rrggbb``."""

    stroke: str  # of the line, of the outline, or of the edge of a point
    width_pt: float = LINE_PT
    dashes: Dashes = ()  # lengths of dashes and gaps; empty is a whole line
    casing: str = ""  # below a line, so that it reads on any ground; empty is none
    fill: str = ""  # empty is none
    opacity: float = 1.0  # of the inside
    hatch: str = ""  # as in the palette; empty is none


@dataclass(frozen=True, kw_only=True)
class Rule:
    """A symbol for the things that pass all tests."""

    title: str
    symbol: Symbol
    tests: tuple[Test, ...] = ()

    def holds(self, row: dict[str, Any]) -> bool:
        """Whether a thing with these values gets the symbol."""
        return all(_holds(row[column], relation, value) for column, relation, value in self.tests)


@dataclass(frozen=True, kw_only=True)
class LayerStyle:
    """Rules of a layer and the columns that name its things on the map, joined without a space."""

    rules: tuple[Rule, ...]
    label: tuple[str, ...] = ()


def write(result: Result, folder: Path, _options: Options, _progress: Progress) -> None:
    """Write ``<layer>.sld`` for each layer that has something in it."""
    for layer in result.layers.values():
        if layer.shapes:
            text = sld_text(style_of(result, layer), layer)
            (folder / f"{layer.name}.sld").write_text(text, encoding="utf-8", newline="\n")


def style_of(result: Result, layer: Layer) -> LayerStyle:
    """The style that is laid down for a layer, or a plain one."""
    return result.styles.get(layer.name) or _plain_style(layer)


def layer_styles(palette: Palette, searchers: int) -> dict[str, LayerStyle]:
    """The style of every layer of a plan, by name; each searcher has a line style."""
    snow, debris, person, lanes = palette.snow, palette.debris, palette.person, palette.lanes
    path = Symbol(stroke=snow.path, dashes=snow.dashes["path"])
    corridor = Symbol(stroke=snow.corridor, dashes=snow.dashes["corridor"])
    lane = Symbol(stroke=lanes.colour, width_pt=BOLD_PT, casing=lanes.casing)
    way = Symbol(stroke=lanes.colour, dashes=lanes.approach, casing=lanes.casing)
    return {
        "last_seen": _style(("Last-seen point", Symbol(stroke=palette.ground.paper, fill=person.line))),
        "release": _style(("Release", Symbol(stroke=snow.release, width_pt=BOLD_PT, dashes=snow.dashes["release"]))),
        "flow_paths": _style(
            ("Main path", path, ("kind", "=", "main")),
            ("Steepest descent", replace(path, dashes=()), ("kind", "=", "steepest")),
            ("Edge of the ground that events pass", corridor, ("kind", "=", "corridor")),
        ),
        "debris": LayerStyle(rules=tuple(_debris_rules(palette))),
        "deposition_zones": _style(
            ("Deposition zone", Symbol(stroke=debris.outline, dashes=person.dashes["most"])), label=("number",)
        ),
        "terrain_traps": LayerStyle(rules=tuple(_trap_rules(palette)), label=("letter", "number")),
        "lanes": _style(
            *(
                (f"Searcher {k}", replace(lane, dashes=lanes.of_searcher(k)), ("searcher", "=", k))
                for k in range(1, searchers + 1)
            ),
            label=("number",),
        ),
        "route": _style(
            ("Approach", way, ("kind", "=", "approach")),
            ("On the track of the snow, transceiver on", replace(way, dashes=()), ("kind", "=", "track")),
            ("Join", way, ("kind", "=", "join")),
        ),
        "uncovered": _style(("Out of range of the lanes", Symbol(stroke=lanes.colour, hatch=lanes.uncovered))),
        "no_go": _style(("No-go ground", Symbol(stroke=lanes.colour, hatch=lanes.no_go))),
        "first_lanes": _style(("Lane of the first pass", Symbol(stroke=palette.ground.slope)), label=("number",)),
    }


def _style(*rules: Any, label: tuple[str, ...] = ()) -> LayerStyle:
    return LayerStyle(
        rules=tuple(Rule(title=title, symbol=symbol, tests=tuple(tests)) for title, symbol, *tests in rules),
        label=label,
    )


def _plain_style(layer: Layer) -> LayerStyle:
    """One symbol for all things of a layer, named by the first column that names them."""
    ink = load_palette().person.line
    symbol = Symbol(stroke=ink, fill=ink if layer.geometry == "Point" else "")
    names = [column.name for column in layer.columns if column.name in _NAMING]
    return _style((layer.title, symbol), label=tuple(names[:1]))


def _debris_rules(palette: Palette) -> Iterable[Rule]:
    """A step of the ramp for each level, and one colour for an outline that was given."""
    debris = palette.debris
    area = Symbol(stroke=debris.outline, opacity=debris.opacity)
    for low, top, colour in zip(debris.levels, (*debris.levels[1:], None), debris.ramp, strict=True):
        tests: tuple[Test, ...] = (("level", ">=", low),) + ((("level", "<", top),) if top is not None else ())
        title = f"Debris in at least {short_percent(low)} of the events"
        yield Rule(title=title, symbol=replace(area, fill=colour), tests=tests)
    given = replace(area, fill=debris.observed)
    yield Rule(title="Debris, outline as given", symbol=given, tests=(("level", "none", None),))


def _trap_rules(palette: Palette) -> Iterable[Rule]:
    for kind, sign in palette.traps.signs.items():
        symbol = Symbol(stroke=palette.traps.colour, hatch=sign.hatch)
        yield Rule(title=f"{sign.letter}: {kind}", symbol=symbol, tests=(("letter", "=", sign.letter),))


def _holds(have: Any, relation: str, value: Any) -> bool:
    if relation == "none" or have is None:
        return have is None and relation == "none"
    return bool(have == value if relation == "=" else have < value if relation == "<" else have >= value)


_SLD, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/ogc"
_RELATIONS = {"=": "PropertyIsEqualTo", "<": "PropertyIsLessThan", ">=": "PropertyIsGreaterThanOrEqualTo"}
# The standard has no line hatches; these names are common practice among map servers, no source.
_MARKS = {
    "/": "shape://slash", "\\": "shape://backslash", "-": "shape://horline", "|": "shape://vertline",
    "x": "shape://times", "+": "shape://plus", ".": "shape://dot", "o": "circle", "O": "square", "*": "star",
}  # fmt: skip
_POINT_SIZE_PX = 10.0


def sld_text(style: LayerStyle, layer: Layer) -> str:
    """The style of a layer as SLD text; the same style gives the same text."""
    root = ET.Element("StyledLayerDescriptor", {"version": "1.0.0", "xmlns": _SLD, "xmlns:ogc": _OGC})
    named = _add(root, "NamedLayer")
    _add(named, "Name", layer.name)
    user = _add(named, "UserStyle")
    _add(user, "Name", layer.name)
    rules = _add(user, "FeatureTypeStyle")
    for rule in style.rules:
        element = _add(rules, "Rule")
        _add(element, "Title", rule.title)
        if rule.tests:
            _add_filter(element, rule.tests)
        _add_symbols(element, rule.symbol, layer.geometry)
        if style.label:
            label = _add(_add(element, "TextSymbolizer"), "Label")
            for column in style.label:
                _add(label, "ogc:PropertyName", column)
    ET.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _add(parent: Any, tag: str, text: str | None = None, **attributes: str) -> Any:
    element = ET.SubElement(parent, tag, attributes)
    element.text = text
    return element


def _add_filter(rule: Any, tests: tuple[Test, ...]) -> None:
    outer = _add(rule, "ogc:Filter")
    joined = _add(outer, "ogc:And") if len(tests) > 1 else outer
    for column, relation, value in tests:
        if relation == "none":
            _add(_add(joined, "ogc:PropertyIsNull"), "ogc:PropertyName", column)
            continue
        test = _add(joined, f"ogc:{_RELATIONS[relation]}")
        _add(test, "ogc:PropertyName", column)
        _add(test, "ogc:Literal", f"{value:g}" if isinstance(value, float) else str(value))


def _add_symbols(rule: Any, symbol: Symbol, geometry: str) -> None:
    if geometry == "Point":
        graphic = _add(_add(rule, "PointSymbolizer"), "Graphic")
        _add_stroke(_add_mark(graphic, "circle", symbol.fill), symbol.stroke, symbol.width_pt)
        _add(graphic, "Size", f"{_POINT_SIZE_PX:g}")
        return
    if geometry == "MultiPolygon":
        if symbol.fill:
            fill = _add(_add(rule, "PolygonSymbolizer"), "Fill")
            _add(fill, "CssParameter", symbol.fill, name="fill")
            _add(fill, "CssParameter", f"{symbol.opacity:g}", name="fill-opacity")
        if symbol.hatch:
            fill = _add(_add(rule, "PolygonSymbolizer"), "Fill")
            graphic = _add(_add(fill, "GraphicFill"), "Graphic")
            _add_stroke(_add_mark(graphic, _MARKS[symbol.hatch[0]], ""), symbol.stroke, 1.0)
            _add(graphic, "Size", "8")
    if symbol.casing:
        _add_stroke(_add(rule, "LineSymbolizer"), symbol.casing, CASING_PT)
    _add_stroke(_add(rule, "LineSymbolizer"), symbol.stroke, symbol.width_pt, symbol.dashes)


def _add_mark(graphic: Any, name: str, fill: str) -> Any:
    mark = _add(graphic, "Mark")
    _add(mark, "WellKnownName", name)
    if fill:
        _add(_add(mark, "Fill"), "CssParameter", fill, name="fill")
    return mark


def _add_stroke(parent: Any, colour: str, width: float, dashes: tuple[float, ...] = ()) -> None:
    stroke = _add(parent, "Stroke")
    _add(stroke, "CssParameter", colour, name="stroke")
    _add(stroke, "CssParameter", f"{width:g}", name="stroke-width")
    if dashes:
        _add(stroke, "CssParameter", " ".join(f"{dash:g}" for dash in dashes), name="stroke-dasharray")
