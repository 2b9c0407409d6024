"""How each layer looks in other programs: rules made from the palette, written as SLD 1.0.0 and QML."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Literal
from xml.etree import ElementTree as ET

from lastseen.core import short_percent
from lastseen.output.draw.palette import Dashes, Palette
from lastseen.output.layers import GeometryKind

# ---- Which symbol a thing of a layer gets: from the palette, said once for all formats

Test = tuple[str, Literal["=", "<", ">=", "none"], Any]  # column, relation, value; "none" is a column without a value
LINE_PT, BOLD_PT, CASING_PT = 1.2, 2.0, 4.0


@dataclass(frozen=True)
class Symbol:
    """How one thing is drawn: lengths in points, colours as ``#rrggbb``."""

    stroke: str  # colour of the line, of the outline, or of the edge of a point
    width_pt: float = LINE_PT
    dashes: Dashes = ()  # lengths of dashes and gaps; empty is a whole line
    casing: str = ""  # colour below a line, so that it reads on any ground; empty is none
    fill: str = ""  # colour inside; empty is none
    opacity: float = 1.0  # of the inside, 0 to 1
    hatch: str = ""  # as in the palette; empty is none


@dataclass(frozen=True)
class Rule:
    """A symbol for the things that pass all tests."""

    title: str
    symbol: Symbol
    tests: tuple[Test, ...] = ()

    def holds(self, row: dict[str, Any]) -> bool:
        """Whether a thing with these values gets the symbol."""
        return all(_holds(row[column], relation, value) for column, relation, value in self.tests)


@dataclass(frozen=True)
class LayerStyle:
    """Rules of a layer and the columns that name its things on the map, joined without a space."""

    rules: tuple[Rule, ...]
    label: tuple[str, ...] = ()

    def symbol_of(self, row: dict[str, Any]) -> Symbol | None:
        """The symbol of a thing; None where it is not drawn."""
        return next((rule.symbol for rule in self.rules if rule.holds(row)), None)


def layer_styles(palette: Palette, searchers: int) -> dict[str, LayerStyle]:
    """The style of every layer of a plan, by name.

    Parameters
    ----------
    palette : Palette
    searchers : int
        How many people search: each has a line style.
    """
    snow, debris, person, lanes = palette.snow, palette.debris, palette.person, palette.lanes
    path = Symbol(snow.path, LINE_PT, snow.dashes["path"])
    lane = Symbol(lanes.colour, BOLD_PT, casing=lanes.casing)
    way = Symbol(lanes.colour, LINE_PT, lanes.approach, lanes.casing)
    zone = Symbol(debris.outline, LINE_PT, person.dashes["most"])
    left = Symbol(lanes.colour, LINE_PT, hatch=lanes.uncovered)
    first = Symbol(palette.ground.slope, LINE_PT)
    return {
        "last_seen": LayerStyle((Rule("Last-seen point", Symbol(palette.ground.paper, LINE_PT, fill=person.line)),)),
        "release": LayerStyle((Rule("Release", Symbol(snow.release, BOLD_PT, snow.dashes["release"])),)),
        "flow_paths": LayerStyle(
            (
                Rule("Main path", path, (("kind", "=", "main"),)),
                Rule("Steepest descent", replace(path, dashes=()), (("kind", "=", "steepest"),)),
                Rule(
                    "Edge of the ground that events pass",
                    Symbol(snow.corridor, LINE_PT, snow.dashes["corridor"]),
                    (("kind", "=", "corridor"),),
                ),
            )
        ),
        "debris": LayerStyle(tuple(_debris_rules(palette))),
        "deposition_zones": LayerStyle((Rule("Deposition zone", zone),), ("number",)),
        "terrain_traps": LayerStyle(tuple(_trap_rules(palette)), ("letter", "number")),
        "lanes": LayerStyle(
            tuple(
                Rule(f"Searcher {k}", replace(lane, dashes=lanes.of_searcher(k)), (("searcher", "=", k),))
                for k in range(1, searchers + 1)
            ),
            ("number",),
        ),
        "route": LayerStyle(
            (Rule("Approach", way, (("kind", "=", "approach"),)), Rule("Join", way, (("kind", "=", "join"),)))
        ),
        "uncovered": LayerStyle((Rule("Out of range of the lanes", left),)),
        "no_go": LayerStyle((Rule("No-go ground", Symbol(lanes.colour, LINE_PT, hatch=lanes.no_go)),)),
        "first_lanes": LayerStyle((Rule("Lane of the first pass", first),), ("number",)),
    }


def _debris_rules(palette: Palette) -> Iterable[Rule]:
    """A step of the ramp for each level, and one colour for an outline that was given."""
    debris = palette.debris
    tops = (*debris.levels[1:], None)
    for low, top, colour in zip(debris.levels, tops, debris.ramp, strict=True):
        tests: tuple[Test, ...] = (("level", ">=", low),) + ((("level", "<", top),) if top is not None else ())
        words = f"Debris in at least {short_percent(low)} of the events"
        yield Rule(words, Symbol(debris.outline, LINE_PT, fill=colour, opacity=debris.opacity), tests)
    given = Symbol(debris.outline, LINE_PT, fill=debris.observed, opacity=debris.opacity)
    yield Rule("Debris, outline as given", given, (("level", "none", None),))


def _trap_rules(palette: Palette) -> Iterable[Rule]:
    for kind, sign in palette.traps.signs.items():
        symbol = Symbol(palette.traps.colour, LINE_PT, hatch=sign.hatch)
        yield Rule(f"{sign.letter}: {kind}", symbol, (("letter", "=", sign.letter),))


def _holds(have: Any, relation: str, value: Any) -> bool:
    if relation == "none":
        return have is None
    if have is None:
        return False
    return bool(have == value if relation == "=" else have < value if relation == "<" else have >= value)


# ---- Styles as QML, the text that a desktop GIS reads from the table ``layer_styles`` of a GeoPackage

_HEAD = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
_SHAPES = {"Point": "marker", "LineString": "line", "MultiLineString": "line", "MultiPolygon": "fill"}
_GEOMETRY_TYPES = {"marker": "0", "line": "1", "fill": "2"}
# Fill patterns of the format; letters beside them tell apart what looks alike.
_BRUSHES = {
    "/": "b_diagonal", "\\": "f_diagonal", "-": "horizontal", "|": "vertical", "x": "diagonal_x", "+": "cross",
    ".": "dense7", "o": "dense6", "O": "dense5", "*": "dense4",
}  # fmt: skip
_POINT_SIZE_PT, _LABEL_PT = 10.0, 10.0


def qml_text(style: LayerStyle, geometry: GeometryKind) -> str:
    """The style of a layer as QML text; the same style gives the same text."""
    shape = _SHAPES[geometry]
    root = ET.Element("qgis", version="3.28.0", styleCategories="Symbology|Labeling")
    root.set("labelsEnabled", "1" if style.label else "0")
    renderer = ET.SubElement(root, "renderer-v2", type="RuleRenderer", symbollevels="0", enableorderby="0")
    rules = ET.SubElement(renderer, "rules", key="{rules}")
    symbols = ET.SubElement(renderer, "symbols")
    for i, rule in enumerate(style.rules):
        one = ET.SubElement(rules, "rule", key=f"{{rule-{i}}}", symbol=str(i), label=rule.title)
        if rule.tests:
            one.set("filter", " AND ".join(map(_expression, rule.tests)))
        symbol = ET.SubElement(symbols, "symbol", type=shape, name=str(i), alpha="1", clip_to_extent="1")
        for kind, options in _parts(rule.symbol, shape):
            _add_part(symbol, kind, options)
    if style.label:
        _add_labels(root, style.label)
    ET.SubElement(root, "layerGeometryType").text = _GEOMETRY_TYPES[shape]
    ET.indent(root, " ")
    return _HEAD + ET.tostring(root, encoding="unicode") + "\n"


def _expression(test: Test) -> str:
    column, relation, value = test
    if relation == "none":
        return f'"{column}" IS NULL'
    return f'"{column}" {relation} ' + (f"'{value}'" if isinstance(value, str) else f"{value:g}")


def _parts(symbol: Symbol, shape: str) -> list[tuple[str, dict[str, str]]]:
    """What a symbol is drawn with, from below."""
    if shape == "marker":
        edge = {"outline_color": _rgba(symbol.stroke), "outline_width": _pt(symbol.width_pt)}
        size = {"size": _pt(_POINT_SIZE_PT), "size_unit": "Point", "outline_width_unit": "Point"}
        return [("SimpleMarker", {"name": "circle", "color": _rgba(symbol.fill), **edge, **size})]
    parts = []
    if shape == "fill" and symbol.fill:
        inside = {"color": _rgba(symbol.fill, symbol.opacity), "style": "solid", "outline_style": "no"}
        parts.append(("SimpleFill", inside))
    if shape == "fill" and symbol.hatch:
        hatch = {"color": _rgba(symbol.stroke), "style": _BRUSHES[symbol.hatch[0]], "outline_style": "no"}
        parts.append(("SimpleFill", hatch))
    if symbol.casing:
        parts.append(("SimpleLine", _line(symbol.casing, CASING_PT)))
    parts.append(("SimpleLine", _line(symbol.stroke, symbol.width_pt, symbol.dashes)))
    return parts


def _line(colour: str, width_pt: float, dashes: tuple[float, ...] = ()) -> dict[str, str]:
    line = {"line_color": _rgba(colour), "line_width": _pt(width_pt), "line_width_unit": "Point", "line_style": "solid"}
    if not dashes:
        return line | {"capstyle": "round", "joinstyle": "round", "use_custom_dash": "0"}
    custom = {"use_custom_dash": "1", "customdash": ";".join(map(_pt, dashes)), "customdash_unit": "Point"}
    return line | {"capstyle": "flat", "joinstyle": "round"} | custom


def _add_part(symbol: Any, kind: str, options: dict[str, str]) -> None:
    layer = ET.SubElement(symbol, "layer", {"class": kind, "enabled": "1", "pass": "0", "locked": "0"})
    inner = ET.SubElement(layer, "Option", type="Map")
    for name, value in options.items():
        ET.SubElement(inner, "Option", type="QString", name=name, value=value)


def _add_labels(root: Any, columns: tuple[str, ...]) -> None:
    labeling = ET.SubElement(root, "labeling", type="simple")
    settings = ET.SubElement(labeling, "settings")
    text = ET.SubElement(
        settings, "text-style", isExpression="1", fontSize=_pt(_LABEL_PT), fontSizeUnit="Point", namedStyle="Bold",
        textColor="17,17,17,255", fieldName=" || ".join(f'to_string("{column}")' for column in columns),
    )  # fmt: skip
    ET.SubElement(
        text, "text-buffer", bufferDraw="1", bufferSize="1.5", bufferSizeUnits="Point", bufferColor="255,255,255,255"
    )


def _rgba(colour: str, opacity: float = 1.0) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"


def _pt(value: float) -> str:
    return f"{value:g}"


# ---- Styles as OGC Styled Layer Descriptor 1.0.0 (OGC 02-070, 2002)

_SLD, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/ogc"
_RELATIONS = {"=": "PropertyIsEqualTo", "<": "PropertyIsLessThan", ">=": "PropertyIsGreaterThanOrEqualTo"}
# The standard has no line hatches; these names are common practice among map servers, no source.
_MARKS = {
    "/": "shape://slash", "\\": "shape://backslash", "-": "shape://horline", "|": "shape://vertline",
    "x": "shape://times", "+": "shape://plus", ".": "shape://dot", "o": "circle", "O": "square", "*": "star",
}  # fmt: skip
_POINT_SIZE_PX = 10.0


def sld_text(style: LayerStyle, name: str, geometry: GeometryKind) -> str:
    """The style of a layer as SLD text; the same style gives the same text."""
    root = ET.Element("StyledLayerDescriptor", {"version": "1.0.0", "xmlns": _SLD, "xmlns:ogc": _OGC})
    layer = _add(root, "NamedLayer")
    _add(layer, "Name", name)
    user = _add(layer, "UserStyle")
    _add(user, "Name", name)
    rules = _add(user, "FeatureTypeStyle")
    for rule in style.rules:
        one = _add(rules, "Rule")
        _add(one, "Title", rule.title)
        if rule.tests:
            _add_filter(one, rule.tests)
        _add_symbols(one, rule.symbol, geometry)
        if style.label:
            _add_label(one, style.label)
    ET.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _add(parent: Any, tag: str, text: str | None = None, **attributes: str) -> Any:
    one = ET.SubElement(parent, tag, attributes)
    one.text = text
    return one


def _add_filter(rule: Any, tests: tuple[Test, ...]) -> None:
    outer = _add(rule, "ogc:Filter")
    joined = _add(outer, "ogc:And") if len(tests) > 1 else outer
    for column, relation, value in tests:
        if relation == "none":
            _add(_add(joined, "ogc:PropertyIsNull"), "ogc:PropertyName", column)
            continue
        one = _add(joined, f"ogc:{_RELATIONS[relation]}")
        _add(one, "ogc:PropertyName", column)
        _add(one, "ogc:Literal", f"{value:g}" if isinstance(value, float) else str(value))


def _add_symbols(rule: Any, symbol: Symbol, geometry: GeometryKind) -> None:
    if geometry == "Point":
        graphic = _add(_add(rule, "PointSymbolizer"), "Graphic")
        mark = _mark(graphic, "circle", symbol.fill)
        _add_stroke(mark, symbol.stroke, symbol.width_pt)
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
            mark = _mark(graphic, _MARKS[symbol.hatch[0]], "")
            _add_stroke(mark, symbol.stroke, 1.0)
            _add(graphic, "Size", "8")
    if symbol.casing:
        _add_stroke(_add(rule, "LineSymbolizer"), symbol.casing, CASING_PT)
    _add_stroke(_add(rule, "LineSymbolizer"), symbol.stroke, symbol.width_pt, symbol.dashes)


def _mark(graphic: Any, name: str, fill: str) -> Any:
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


def _add_label(rule: Any, columns: tuple[str, ...]) -> None:
    label = _add(_add(rule, "TextSymbolizer"), "Label")
    for column in columns:
        _add(label, "ogc:PropertyName", column)
