"""Styles of the layers: one rule for each thing, from the palette, in the texts that a GIS reads."""

import sqlite3
from xml.etree import ElementTree as ET

import pytest

from lastseen.output.draw.palette import load_palette
from lastseen.output.formats.gpkg import qml_text
from lastseen.output.formats.sld import layer_styles, sld_text
from lastseen.output.results.plan import result_of_plan

SLD, OGC = "{http://www.opengis.net/sld}", "{http://www.opengis.net/ogc}"


def symbol_of(style, row):
    """The symbol of the first rule that holds."""
    return next(rule.symbol for rule in style.rules if rule.holds(row))


@pytest.fixture(scope="module", params=["plan", "observed"])
def result(request):
    return result_of_plan(request.getfixturevalue(request.param))


@pytest.fixture(scope="module")
def styles(result):
    return layer_styles(load_palette(), result.numbers["search"]["searchers"])


def test_every_thing_has_one_symbol(result, styles):
    """Each row of each layer passes the tests of exactly one rule; legs that are lanes are drawn as lanes."""
    for layer in result.layers.values():
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


def test_qml_names_columns_and_symbols_that_are_there(result, styles):
    for layer in result.layers.values():
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


def test_qml_filters_choose_the_same_things_as_the_rules(result, styles):
    """The filters are run as SQL over the same rows: an engine that knows nothing of the rules."""
    for layer in result.layers.values():
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


def test_sld_has_the_parts_in_the_order_of_the_standard(result, styles):
    """OGC 02-070 (2002), StyledLayerDescriptor.xsd: Title, Filter, then symbolizers; colours as #rrggbb."""
    for layer in result.layers.values():
        root = ET.fromstring(sld_text(styles[layer.name], layer).split("\n", 1)[1])
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


def test_each_debris_level_has_its_step_of_the_ramp(styles):
    """From its level on, up to the next one: the likeliest debris has the last colour."""
    debris = load_palette().debris
    for k, level in enumerate(debris.levels):
        for one in (level, level + 1e-6):
            assert symbol_of(styles["debris"], {"level": one}).fill == debris.ramp[k]
        if k:
            assert symbol_of(styles["debris"], {"level": level - 1e-6}).fill == debris.ramp[k - 1]
    assert symbol_of(styles["debris"], {"level": None}).fill == debris.observed


RELATIONS = {
    "PropertyIsEqualTo": lambda have, value: str(have) == value,
    "PropertyIsLessThan": lambda have, value: have is not None and have < float(value),
    "PropertyIsGreaterThanOrEqualTo": lambda have, value: have is not None and have >= float(value),
}


def chosen(test, row):
    """A filter of OGC 02-059 (Filter Encoding 1.0.0, 2001) on one row."""
    kind = test.tag.removeprefix(OGC)
    if kind == "And":
        return all(chosen(one, row) for one in test)
    have = row[test.find(f"{OGC}PropertyName").text]
    if kind == "PropertyIsNull":
        return have is None
    return RELATIONS[kind](have, test.find(f"{OGC}Literal").text)


def test_sld_filters_choose_the_same_things_as_the_rules(result, styles):
    """On all rows, and on debris right at each level."""
    for layer in result.layers.values():
        root = ET.fromstring(sld_text(styles[layer.name], layer).split("\n", 1)[1])
        rows = [row for _, row in layer.records()]
        if layer.name == "debris":
            rows += [rows[0] | {"level": one} for one in load_palette().debris.levels]
        for one, rule in zip(root.iter(f"{SLD}Rule"), styles[layer.name].rules, strict=True):
            filter_ = one.find(f"{OGC}Filter")
            for row in rows:
                assert (filter_ is None or chosen(filter_[0], row)) == rule.holds(row), (layer.name, row)


def test_both_texts_carry_opacity_width_and_dashes(result, styles):
    """What the rule says stands in SLD (fill-opacity, stroke-width, stroke-dasharray) and in QML (alpha of 255)."""
    seen = set()
    for layer in result.layers.values():
        style = styles[layer.name]
        sld = ET.fromstring(sld_text(style, layer).split("\n", 1)[1])
        qml = ET.fromstring(qml_text(style, layer.geometry).split("\n", 1)[1])
        symbols = {one.get("name"): one for one in qml.iter("symbol")}
        for k, (rule, one) in enumerate(zip(style.rules, sld.iter(f"{SLD}Rule"), strict=True)):
            if layer.geometry == "Point":
                continue
            symbol = rule.symbol
            line = one.findall(f"{SLD}LineSymbolizer")[-1]
            said = {css.get("name"): css.text for css in line.iter(f"{SLD}CssParameter")}
            options = [{o.get("name"): o.get("value") for o in part.iter("Option")} for part in symbols[str(k)]]
            assert (said["stroke"], float(said["stroke-width"])) == (symbol.stroke, symbol.width_pt)
            assert float(options[-1]["line_width"]) == symbol.width_pt
            dashes = tuple(map(float, said.get("stroke-dasharray", "").split()))
            assert dashes == pytest.approx(symbol.dashes)
            own = tuple(map(float, filter(None, options[-1].get("customdash", "").split(";"))))
            assert own == pytest.approx(symbol.dashes)
            seen |= {"dashes"} if symbol.dashes else set()
            if symbol.fill and layer.geometry == "MultiPolygon":
                fill = one.find(f"{SLD}PolygonSymbolizer/{SLD}Fill")
                css = {part.get("name"): part.text for part in fill}
                assert float(css["fill-opacity"]) == pytest.approx(symbol.opacity)
                assert int(options[0]["color"].split(",")[3]) == round(255 * symbol.opacity)
                seen |= {"clear"} if symbol.opacity < 1.0 else set()
    assert seen == {"dashes", "clear"}
