"""Layers as OGC KML 2.2 (OGC 07-147r2, 2008), for map programs on phones and desks."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from lastseen.core import Progress
from lastseen.output.formats.geojson import in_degrees
from lastseen.output.formats.sld import LayerStyle, Symbol, style_of
from lastseen.output.result import DEGREE_DECIMALS, FULL_CAUTION, SHORT_CAUTION, Layer, Options, Result

_NAMESPACE = "http://www.opengis.net/kml/2.2"
_WIDTH = 1.6  # screen pixels for a point of width
_CLEAR = "00ffffff"
_LAST = ("last_seen", "lanes")  # drawn over the others
_HIDDEN = ("flow_paths", "deposition_zones")  # to be switched on; the map would be full
_NAMES = {
    "lanes": "Lane {number}, searcher {searcher}",
    "route": "Searcher {searcher}: {kind} {number}",
    "terrain_traps": "{letter}{number} {kind}",
    "deposition_zones": "Zone {number}: {place}",
}
_TITLED = ("first_lanes",)  # named by their title alone


def write(result: Result, folder: Path, _options: Options, _progress: Progress) -> None:
    """Write a folder for each layer that has something in it, with styles; the same result gives the same bytes.

    Shapes lie on the ground. Nothing is fetched from a network. Lines have no dashes and areas no hatches in this
    format: searchers are told apart by the names of their lanes, traps by their letter.
    """
    root = ET.Element("kml", xmlns=_NAMESPACE)
    document = ET.SubElement(root, "Document")
    _text(document, "name", result.title)
    _text(document, "open", "1")
    _text(document, "description", FULL_CAUTION)
    layers = [layer for layer in result.layers.values() if layer.shapes]
    styles = {layer.name: style_of(result, layer) for layer in layers}
    for layer in layers:
        for i, rule in enumerate(styles[layer.name].rules):
            _add_style(document, f"{layer.name}-{i}", rule.symbol, layer)
    for layer in sorted(layers, key=lambda layer: layer.name in _LAST):
        _add_layer(document, layer, styles[layer.name], result.crs)
    ET.indent(root, " ")
    text = '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"
    (folder / f"{result.stem}.kml").write_text(text, encoding="utf-8", newline="\n")


def _add_layer(document: Any, layer: Layer, style: LayerStyle, crs: Any) -> None:
    folder = ET.SubElement(document, "Folder")
    _text(folder, "name", layer.title)
    visible = "0" if layer.name in _HIDDEN else "1"
    _text(folder, "visibility", visible)
    _text(folder, "description", f"{layer.about} {SHORT_CAUTION}")
    names = [column.name for column in layer.columns]
    for shape, values in zip(in_degrees(layer.shapes, crs), layer.plain_rows(), strict=True):
        row = dict(zip(names, values, strict=True))
        rule = next((i for i, rule in enumerate(style.rules) if rule.holds(row)), None)
        if rule is None:
            continue  # lanes as legs of the route are drawn as lanes
        mark = ET.SubElement(folder, "Placemark")
        _text(mark, "name", _name_of(layer, style, row))
        _text(mark, "visibility", visible)
        if "reason" in row:
            _text(mark, "description", row["reason"])
        _text(mark, "styleUrl", f"#{layer.name}-{rule}")
        _add_values(mark, row)
        _add_shape(mark, shape, start=layer.name == "lanes")


def _name_of(layer: Layer, style: LayerStyle, row: dict[str, Any]) -> str:
    if layer.name in _NAMES:
        return _NAMES[layer.name].format(**row)
    return " ".join([layer.title, *(str(row[column]) for column in style.label if layer.name not in _TITLED)])


def _add_style(document: Any, name: str, symbol: Symbol, layer: Layer) -> None:
    style = ET.SubElement(document, "Style", id=name)
    scale = "1" if layer.geometry == "Point" else "0"  # at the start of a lane only its name
    inside = _aabbggrr(symbol.fill, symbol.opacity) if symbol.fill else _CLEAR
    for tag, looks in {
        "IconStyle": {"color": _aabbggrr(symbol.fill or symbol.stroke), "scale": scale},
        "LineStyle": {"color": _aabbggrr(symbol.stroke), "width": f"{_WIDTH * symbol.width_pt:.1f}"},
        "PolyStyle": {"color": inside, "fill": "1" if symbol.fill else "0", "outline": "1"},
    }.items():
        element = ET.SubElement(style, tag)
        for look, value in looks.items():
            _text(element, look, value)


def _add_values(mark: Any, row: dict[str, Any]) -> None:
    data = ET.SubElement(mark, "ExtendedData")
    for name, value in row.items():
        if value is not None and name != "reason":
            shown = f"{value:.7g}" if isinstance(value, float) else value
            _text(ET.SubElement(data, "Data", name=name), "value", shown)


def _add_shape(mark: Any, shape: BaseGeometry, *, start: bool) -> None:
    """A shape; several parts, or a line whose start carries a name, become one collection."""
    parts = list(getattr(shape, "geoms", [shape]))
    if start:
        parts.insert(0, Point(shape.coords[0]))
    parent = ET.SubElement(mark, "MultiGeometry") if len(parts) > 1 else mark
    for part in parts:
        element = ET.SubElement(parent, part.geom_type.replace("LinearRing", "LineString"))
        if isinstance(part, Polygon):
            for tag, rings in (("outerBoundaryIs", [part.exterior]), ("innerBoundaryIs", part.interiors)):
                for ring in rings:
                    inner = ET.SubElement(ET.SubElement(element, tag), "LinearRing")
                    _text(inner, "coordinates", _coordinates(ring.coords))
            continue
        if not isinstance(part, Point):
            _text(element, "tessellate", "1")
        _text(element, "coordinates", _coordinates(part.coords))


def _coordinates(points: Iterable[tuple[float, ...]]) -> str:
    return " ".join(f"{x:.{DEGREE_DECIMALS}f},{y:.{DEGREE_DECIMALS}f}" for x, y in points)


def _aabbggrr(colour: str, opacity: float = 1.0) -> str:
    """A colour as the format wants it: opacity, blue, green, red."""
    red, green, blue = colour[1:3], colour[3:5], colour[5:7]
    return f"{round(255 * opacity):02x}{blue}{green}{red}".lower()


def _text(parent: Any, tag: str, text: Any) -> None:
    ET.SubElement(parent, tag).text = str(text)
