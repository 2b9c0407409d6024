"""Styles of the layers: one rule for each thing, from the palette, in the texts that a GIS reads."""

import sqlite3
from xml.etree import ElementTree as ET

import pytest

from lastseen.products.contents import contents_of
from lastseen.products.palette import load_palette
from lastseen.products.styles import layer_styles, qml_text, sld_text

SLD, OGC = "{http://www.opengis.net/sld}", "{http://www.opengis.net/ogc}"


@pytest.fixture(scope="module", params=["plan", "observed"])
def contents(request):
    return contents_of(request.getfixturevalue(request.param))


@pytest.fixture(scope="module")
def styles(contents):
    return layer_styles(load_palette(), contents.numbers["search"]["searchers"])


def test_every_thing_has_one_symbol(contents, styles):
    """Each row of each layer passes the tests of exactly one rule; legs that are lanes are drawn as lanes."""
    for layer in contents.layers.values():
        for _, row in layer.records():
            held = [rule for rule in styles[layer.name].rules if rule.holds(row)]
            assert len(held) == (0 if row.get("kind") == "lane" else 1), (layer.name, row)


def test_colours_and_line_styles_are_those_of_the_palette(styles):
    palette = load_palette()
    snow = palette.snow
    colours = {palette.ground.paper, palette.ground.slope, palette.person.line, snow.release, snow.path, snow.corridor,
               palette.debris.outline, palette.debris.observed, *palette.debris.ramp, palette.traps.colour,
               palette.lanes.colour, palette.lanes.casing}  # fmt: skip
    for style in styles.values():
        for rule in style.rules:
            assert {rule.symbol.stroke, rule.symbol.fill, rule.symbol.casing} - {""} <= colours
    dashes = [rule.symbol.dashes for rule in styles["lanes"].rules]
    assert dashes == [palette.lanes.of_searcher(k) for k in range(1, len(dashes) + 1)]
    assert len({rule.symbol.hatch for rule in styles["terrain_traps"].rules}) == len(palette.traps.signs)


def test_qml_names_columns_and_symbols_that_are_there(contents, styles):
    for layer in contents.layers.values():
        text = qml_text(styles[layer.name], layer.geometry)
        assert text.startswith("<!DOCTYPE qgis")
        root = ET.fromstring(text.split("\n", 1)[1])
        names = {one.get("name") for one in root.iter("symbol")}
        rules = root.findall("renderer-v2/rules/rule")
        assert [one.get("symbol") for one in rules] == [str(i) for i in range(len(rules))]
        assert names == {one.get("symbol") for one in rules}
        columns = {one.name for one in layer.columns}
        for one in rules:
            assert {part for i, part in enumerate((one.get("filter") or "").split('"')) if i % 2} <= columns
        shape = {"Point": "marker", "MultiPolygon": "fill"}.get(layer.geometry, "line")
        assert {one.get("type") for one in root.iter("symbol")} == {shape}
        assert all(one.findall("layer") for one in root.iter("symbol"))


def test_qml_filters_choose_the_same_things_as_the_rules(contents, styles):
    """The filters are run as SQL over the same rows: an engine that knows nothing of the rules."""
    for layer in contents.layers.values():
        root = ET.fromstring(qml_text(styles[layer.name], layer.geometry).split("\n", 1)[1])
        database = sqlite3.connect(":memory:")
        names = ", ".join(f'"{one.name}"' for one in layer.columns)
        database.execute(f"CREATE TABLE things ({names})")
        database.executemany(f"INSERT INTO things VALUES ({', '.join('?' * len(layer.columns))})", layer.rows)
        rules = root.findall("renderer-v2/rules/rule")
        for one, rule in zip(rules, styles[layer.name].rules, strict=True):
            query = f"SELECT rowid FROM things WHERE {one.get('filter') or '1'} ORDER BY rowid"
            chosen = [number for (number,) in database.execute(query)]
            assert chosen == [i for i, (_, row) in enumerate(layer.records(), start=1) if rule.holds(row)]
        database.close()


def test_sld_has_the_parts_in_the_order_of_the_standard(contents, styles):
    """OGC 02-070 (2002), StyledLayerDescriptor.xsd: Title, Filter, then symbolizers; colours as #rrggbb."""
    for layer in contents.layers.values():
        root = ET.fromstring(sld_text(styles[layer.name], layer.name, layer.geometry).split("\n", 1)[1])
        assert (root.tag, root.get("version")) == (f"{SLD}StyledLayerDescriptor", "1.0.0")
        assert root.find(f"{SLD}NamedLayer/{SLD}Name").text == layer.name
        order = ["Title", "Filter", "PointSymbolizer", "PolygonSymbolizer", "LineSymbolizer", "TextSymbolizer"]
        for rule in root.iter(f"{SLD}Rule"):
            kinds = [order.index(part.tag.split("}")[1]) for part in rule]
            assert kinds == sorted(kinds)
        columns = {one.name for one in layer.columns}
        assert {one.text for one in root.iter(f"{OGC}PropertyName")} <= columns
        for one in root.iter(f"{SLD}CssParameter"):
            if one.get("name") in {"stroke", "fill"}:
                assert len(one.text) == 7
                int(one.text[1:], 16)
