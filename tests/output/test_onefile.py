"""The page on disk: one file that loads nothing, says what the plan says, and is the same for the same result."""

import base64
import dataclasses
import hashlib
import html
import json
import re

import lxml.html
import numpy as np
import pytest
import shapely

from lastseen.core.outlines import poa_areas
from lastseen.output.onefile.elements import part, script, words
from lastseen.output.onefile.page import curve_corners, lookup, page_text, write_page
from lastseen.output.read import read_result
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION
from lastseen.output.results.plan import result_of_plan, result_of_search
from lastseen.rescue.survival import CURVES, survival_bounds_percent

MEGABYTE = 1_000_000


@pytest.fixture(scope="module")
def result(plan):
    return result_of_plan(plan)


@pytest.fixture(scope="module")
def page(result):
    return page_text(result)


@pytest.fixture(scope="module")
def tree(page):
    return lxml.html.document_fromstring(page)


def test_a_written_plan_has_its_page(written, page, tmp_path):
    """The page stands in the folder, is far below 6 MB, and the folder read back gives the same bytes."""
    assert (written / "page.html").stat().st_size < 2 * MEGABYTE
    again = tmp_path / "page.html"
    write_page(read_result(written), again)
    assert again.read_bytes() == (written / "page.html").read_bytes()
    assert page.encode() == (written / "page.html").read_bytes()


def test_numbers_are_those_of_the_plan(tree, written):
    """The numbers inside the page are plan.json, and each number that is shown is the one its key names."""
    numbers = json.loads((written / "plan.json").read_text(encoding="utf-8"))
    assert json.loads(tree.get_element_by_id("numbers").text) == numbers
    shown = tree.xpath("//data")
    assert len(shown) > 40
    for one in shown:
        found = lookup(numbers, one.get("data-key"))
        assert str(found) == one.get("value"), one.get("data-key")
        digits = re.search(r"-?\d+(\.\d+)?", one.text_content().replace("+", ""))
        if ":" not in one.text_content() and "h" not in one.text_content() and "min" not in one.text_content():
            if one.text_content().startswith(("over ", "under ")):  # a share that is neither all nor nothing
                assert 0.0 < found < 1.0, one.get("data-key")
                continue
            scale = 100.0 if "%" in one.text_content() else 1.0
            near = 0.51 if "." not in digits[0] else 0.0501
            if one.text_content().startswith(("over ", "under ")):
                near = 1.0
            if "seed_spread.runout" in one.get("data-key"):
                near = max(1.0, 0.5 * float(found))  # one figure
            apart = abs(scale * found % 360.0 - float(digits[0]) % 360.0)
            assert min(apart, 360.0 - apart) <= near + 1e-9, one.get("data-key")


def test_every_lane_trap_and_zone_is_in_the_tables(tree, result):
    """A row for every leg, trap and zone of the plan."""
    for name in ("route", "traps", "zones"):
        table = {"route": "walk"}.get(name, name)
        rows = tree.xpath(f"//table[@id='table-{table}']/tbody/tr")
        assert len(rows) == len(result.numbers[name])
    reasons = {one.get("data-reason") for one in tree.xpath("//*[@data-reason]")}
    for row in result.numbers["traps"]:
        assert any(row["reason"] in one for one in reasons)


def test_caution_stands_in_short_and_in_full(page, tree):
    """Both stand on the page, and the full one in its head."""
    body = " ".join(tree.body.text_content().split())
    assert SHORT_CAUTION in body
    assert FULL_CAUTION in body
    assert FULL_CAUTION in tree.xpath("//meta[@name='description']/@content")[0]
    assert not re.search(r"\bsafe", page, re.IGNORECASE)


def test_the_policy_lets_nothing_in(page, tree):
    """CSP level 3 (W3C): nothing but pictures inside the page, and the style and script with these hashes."""
    policy = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")[0]
    assert policy.startswith("default-src 'none'; img-src data:;")
    assert "unsafe" not in policy
    for tag in ("style", "script"):
        inside = re.findall(rf"<{tag}>(.*?)</{tag}>", page, re.DOTALL)
        assert len(inside) == 1
        digest = base64.b64encode(hashlib.sha256(inside[0].encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy
    assert "http" not in page.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")
    assert not tree.xpath("//@style | //*[@onclick or @onload]")
    assert not re.search(r"\beval\b|new Function|innerHTML", script("page.js"))


def test_names_of_people_cannot_break_the_page(result):
    """A name is text wherever it stands."""
    evil = '</script><script>x()</script>"><b>&'
    page = page_text(dataclasses.replace(result, numbers={**result.numbers, "name": evil}))
    tree = lxml.html.document_fromstring(page)
    assert tree.xpath("//h1")[0].text == evil
    assert tree.xpath("//title")[0].text == evil
    assert json.loads(tree.get_element_by_id("numbers").text)["name"] == evil
    assert len(tree.xpath("//script")) == 3


def test_covered_shares_of_the_page_are_those_of_the_numbers(tree, result):
    """The clock of the page shows what the plan has measured."""
    assert json.loads(tree.get_element_by_id("data").text)["clock"]["covered"] == result.numbers["rescue"]["covered"]


@pytest.mark.parametrize("name", CURVES)
def test_curves_are_the_published_ones(name):
    """Straight between the corners, the page reads each curve within 0.05 % of its publication."""
    curve = CURVES[name]
    corners = np.array(curve_corners(curve))
    for minute in np.linspace(0.0, 239.0, 718) + 0.003:
        want = survival_bounds_percent(curve, float(minute))
        got = [float(np.interp(minute, corners[:, 0], corners[:, k])) for k in (1, 2)]
        assert got == pytest.approx(want, abs=0.05), minute
    assert len(corners) < 400


def test_areas_hold_half_and_most_of_the_poa(result):
    """The two lines hold 50 and 90 % of the probability of area, within the cells on their edges."""
    grid = result.rasters["poa"].bands[0]
    rows, cols = np.nonzero(np.nan_to_num(grid.values) > 0)
    x, y = grid.centre_of(rows, cols)
    for share, area in poa_areas(grid):
        inside = shapely.contains_xy(area, x, y)
        assert grid.values[rows[inside], cols[inside]].sum() == pytest.approx(share, abs=0.06)


def test_a_drawn_search_shows_what_there_is(observed):
    """Without a model there are lanes, outline and clock, and no switch for what is not there."""
    found = result_of_search(observed)
    tree = lxml.html.document_fromstring(page_text(found))
    switches = set(tree.xpath("//@data-layer"))
    assert {"lanes", "route", "given", "relief", "contours", "outline"} <= switches
    assert not switches & {"traps", "zones", "poa", "thickness", "release"}
    assert not tree.xpath("//table[@id='table-traps']")
    assert tree.xpath("//table[@id='table-walk']")
    flat = dataclasses.replace(found, numbers={**found.numbers, "flat": True, "name": ""})
    tree = lxml.html.document_fromstring(page_text(flat))
    assert not set(tree.xpath("//@data-layer")) & {"relief", "contours"}
    assert tree.xpath("//h1")[0].text == "Signal search"


def test_all_english_stands_in_one_place():
    """Every text of the file of words is used, and neither template nor script has words of its own."""
    sources = "".join(part(name) for name in ("page.html", "page.js", "map.py", "page.py"))
    made = {f"layer_{one}" for one in re.findall(r'MapLayer\("(\w+)"', sources)} | {"layer_given"}
    made |= {key for key in words() if re.match(r"(made|path|caption|poa)_", key)}
    made |= {"lane", "join", "approach", "track"}
    for key in words():
        assert key in made or key == "script" or re.search(rf"['\"]{key}['\"]|\{{\{{ {key} \}}\}}", sources), key
    for key in words()["script"]:
        assert f"words.{key}" in sources, key
    bare = re.sub(r"<svg.*?</svg>|<[^>]*>|\{\{ \w+ \}\}", " ", part("page.html"), flags=re.DOTALL)
    assert not re.findall(r"[A-Za-z]{2,}", bare)
    assert html.unescape(part("page.html")).count("safe") == 0
