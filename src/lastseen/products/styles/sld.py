"""Styles as OGC Styled Layer Descriptor 1.0.0 (OGC 02-070, 2002)."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree as ET

from lastseen.products.layers import GeometryKind
from lastseen.products.styles.rules import CASING_PT, LayerStyle, Symbol, Test

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
        _add(stroke, "CssParameter", " ".join(f"{one:g}" for one in dashes), name="stroke-dasharray")


def _add_label(rule: Any, columns: tuple[str, ...]) -> None:
    label = _add(_add(rule, "TextSymbolizer"), "Label")
    for column in columns:
        _add(label, "ogc:PropertyName", column)
