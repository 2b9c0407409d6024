"""A GeoPackage: a layer per thing with its style, and a table that says how it was made."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
from pyproj import CRS

from lastseen import __version__
from lastseen.core import Progress, move_shapes
from lastseen.output.formats.json import SCHEMA_VERSION
from lastseen.output.formats.sld import CASING_PT, LayerStyle, Symbol, Test, sld_text
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION, GeometryKind, Layer, Options, Result

# The format wants a date of change; a fixed one keeps the same result the same bytes.
FIXED_DATE = "2000-01-01T00:00:00Z"
_TYPES: dict[str, Any] = {"text": "str", "real": "float64", "integer": "Int64"}


def write(result: Result, folder: Path, _options: Options, _progress: Progress) -> None:
    """Write the layers, brought into the CRS of the file where it is another one, their styles, and the table ``run``.

    The same result gives the same bytes.
    """
    import pandas as pd  # noqa: PLC0415  slow to import
    import pyogrio  # noqa: PLC0415  slow to import

    path, to = folder / f"{result.stem}.gpkg", result.file_crs
    # Nothing waits for the disk: the folder takes its name only when all of it is written.
    with _gdal_options({"OGR_CURRENT_DATE": FIXED_DATE, "OGR_SQLITE_SYNCHRONOUS": "OFF"}):
        for layer in result.layers.values():
            frame = layer_table(layer, result.crs)
            pyogrio.write_dataframe(
                frame
                if to is None
                else frame.set_geometry(move_shapes(np.asarray(frame.geometry), result.crs, CRS(to)), crs=to),
                path,
                layer=layer.name,
                driver="GPKG",
                geometry_type=layer.geometry,
                append=path.exists(),
                layer_options={"IDENTIFIER": layer.title, "DESCRIPTION": f"{layer.about} {SHORT_CAUTION}"},
            )
        run = pd.DataFrame(result.run, columns=["key", "value"], dtype="str")
        _write_table(run, path, "run", "How it was made: inputs, seed, versions, notes")
        if result.styles:
            styles = _style_table(result.layers.values(), result.styles)
            _write_table(styles, path, "layer_styles", "How a GIS draws the layers", FID="id")


def layer_table(layer: Layer, crs: Any) -> Any:
    """A layer as a data frame with typed columns, also where it has no rows."""
    import geopandas  # noqa: PLC0415  slow to import
    import pandas as pd  # noqa: PLC0415  slow to import

    data = {
        column.name: pd.array([row[i] for row in layer.rows], dtype=_TYPES[column.kind])
        for i, column in enumerate(layer.columns)
    }
    return geopandas.GeoDataFrame(data, geometry=list(layer.shapes), crs=crs)


def run_rows(name: str, notes: Iterable[str] = (), **more: object) -> tuple[tuple[str, str], ...]:
    """How a result was made, as pairs of key and text: what every file says, then ``more``, then the notes."""
    always = {"caution": FULL_CAUTION, "program": "lastseen", "version": __version__, "schema_version": SCHEMA_VERSION}
    rows = [("name", name), *((key, str(value)) for key, value in {**always, **more}.items())]
    return (*rows, *((f"note_{number:02d}", text) for number, text in enumerate(notes, start=1)))


def _write_table(table: Any, path: Path, name: str, about: str, **options: str) -> None:
    """A table without places; registered in ``gpkg_contents`` as attributes."""
    import pyogrio  # noqa: PLC0415  slow to import

    more = {"IDENTIFIER": name, "DESCRIPTION": about, **options}
    pyogrio.write_dataframe(table, path, layer=name, driver="GPKG", append=True, layer_options=more)


def _style_table(layers: Iterable[Layer], styles: Mapping[str, LayerStyle]) -> Any:
    """The table in which a desktop GIS looks for the style of each layer; column names are its own."""
    import pandas as pd  # noqa: PLC0415  slow to import

    rows = [
        {
            **dict.fromkeys(("f_table_catalog", "f_table_schema"), ""),
            "f_table_name": layer.name,
            "f_geometry_column": "geom",
            "styleName": layer.title,
            "styleQML": qml_text(styles[layer.name], layer.geometry),
            "styleSLD": sld_text(styles[layer.name], layer),
            "useAsDefault": True,
            "description": f"{layer.title}, from the palette of lastseen",
            "owner": "",
            "ui": None,
            "update_time": pd.Timestamp(FIXED_DATE),
        }
        for layer in layers
        if layer.name in styles
    ]
    return pd.DataFrame(rows).astype({"ui": "str"})


@contextmanager
def _gdal_options(wanted: dict[str, str]) -> Iterator[None]:
    import pyogrio  # noqa: PLC0415  slow to import

    before = {name: pyogrio.get_gdal_config_option(name) for name in wanted}
    pyogrio.set_gdal_config_options(wanted)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


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
        element = ET.SubElement(rules, "rule", key=f"{{rule-{i}}}", symbol=str(i), label=rule.title)
        if rule.tests:
            element.set("filter", " AND ".join(map(_expression, rule.tests)))
        symbol = ET.SubElement(symbols, "symbol", type=shape, name=str(i), alpha="1", clip_to_extent="1")
        for kind, options in _symbol_layers(rule.symbol, shape):
            _add_symbol_layer(symbol, kind, options)
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


def _symbol_layers(symbol: Symbol, shape: str) -> list[tuple[str, dict[str, str]]]:
    if shape == "marker":
        edge = {"outline_color": _rgba(symbol.stroke), "outline_width": _pt(symbol.width_pt)}
        size = {"size": _pt(_POINT_SIZE_PT), "size_unit": "Point", "outline_width_unit": "Point"}
        return [("SimpleMarker", {"name": "circle", "color": _rgba(symbol.fill), **edge, **size})]
    layers = []
    if shape == "fill" and symbol.fill:
        inside = {"color": _rgba(symbol.fill, symbol.opacity), "style": "solid", "outline_style": "no"}
        layers.append(("SimpleFill", inside))
    if shape == "fill" and symbol.hatch:
        hatch = {"color": _rgba(symbol.stroke), "style": _BRUSHES[symbol.hatch[0]], "outline_style": "no"}
        layers.append(("SimpleFill", hatch))
    if symbol.casing:
        layers.append(("SimpleLine", _line(symbol.casing, CASING_PT)))
    layers.append(("SimpleLine", _line(symbol.stroke, symbol.width_pt, symbol.dashes)))
    return layers


def _line(colour: str, width_pt: float, dashes: tuple[float, ...] = ()) -> dict[str, str]:
    line = {"line_color": _rgba(colour), "line_width": _pt(width_pt), "line_width_unit": "Point", "line_style": "solid"}
    if not dashes:
        return line | {"capstyle": "round", "joinstyle": "round", "use_custom_dash": "0"}
    custom = {"use_custom_dash": "1", "customdash": ";".join(map(_pt, dashes)), "customdash_unit": "Point"}
    return line | {"capstyle": "flat", "joinstyle": "round"} | custom


def _add_symbol_layer(symbol: Any, kind: str, options: dict[str, str]) -> None:
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
