"""Styles as QML, the text that a desktop GIS reads from the table ``layer_styles`` of a GeoPackage."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree as ET

from lastseen.products.layers import GeometryKind
from lastseen.products.styles.rules import CASING_PT, LayerStyle, Symbol, Test

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
        textColor="17,17,17,255", fieldName=" || ".join(f'to_string("{one}")' for one in columns),
    )  # fmt: skip
    ET.SubElement(
        text, "text-buffer", bufferDraw="1", bufferSize="1.5", bufferSizeUnits="Point", bufferColor="255,255,255,255"
    )


def _rgba(colour: str, opacity: float = 1.0) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"


def _pt(value: float) -> str:
    return f"{value:g}"
