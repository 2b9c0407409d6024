"""The page in a real browser, opened from disk with the network off."""

import io
import json
import re

import numpy as np
import pytest
from PIL import Image

from browser import launch, open_page
from lastseen.output.onefile.page import write_page
from lastseen.output.read import read_result
from lastseen.output.results.plan import result_of_search
from lastseen.rescue.survival import CURVES, survival_percent

pytestmark = pytest.mark.slow

WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
TOUCH = {"has_touch": True, "is_mobile": True, "device_scale_factor": 2}
LEAST_CONTRAST = 4.5  # WCAG 2.2, success criterion 1.4.3 (W3C 2023)


@pytest.fixture(scope="module")
def browser():
    with launch() as one:
        yield one


@pytest.fixture(scope="module")
def address(written, tmp_path_factory):
    """The page alone in a folder, so that nothing beside it can help."""
    path = tmp_path_factory.mktemp("alone") / "page.html"
    write_page(read_result(written), path)
    return path.as_uri()


@pytest.fixture(scope="module")
def flat_address(observed, tmp_path_factory):
    path = tmp_path_factory.mktemp("alone") / "search.html"
    write_page(result_of_search(observed), path)
    return path.as_uri()


@pytest.fixture(params=["address", "flat_address"])
def any_address(request):
    return request.getfixturevalue(request.param)


def settle(page):
    """Two frames later everything is drawn."""
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def picture(page):
    """The map as an array of greys, all of it painted again: edges of repainted parts differ a little."""
    for how in ("none", "block"):
        page.evaluate(f"document.getElementById('drawing').style.display = '{how}'")
        settle(page)
    shot = page.screenshot(clip=page.locator("#map").bounding_box())
    return np.asarray(Image.open(io.BytesIO(shot)).convert("L"), dtype=float)


def changed(one, other):
    """How many pixels differ by more than edges do from one drawing to the next."""
    return int((np.abs(one - other) > 12.0).sum())


def view_of(page):
    settle(page)
    return [float(one) for one in page.get_attribute("#drawing", "viewBox").split()]


@pytest.mark.parametrize(("size", "scheme"), [(WIDE, "light"), (WIDE, "dark"), (PHONE, "light"), (PHONE, "dark")])
def test_opens_alone_and_quietly(browser, any_address, size, scheme):
    """One request, the file itself; no complaint; nothing wider than the screen; the caution is in sight."""
    with open_page(browser, any_address, viewport=size, color_scheme=scheme) as (page, asked, complaints):
        settle(page)
        assert [one for one in asked if not one.startswith("data:")] == [any_address]
        assert complaints == []
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        for scroll in (0, 10**6):
            page.evaluate(f"scrollTo(0, {scroll})")
            box = page.locator("#foot").bounding_box()
            assert box["y"] >= 0
            assert box["y"] + box["height"] <= size["height"] + 1
        assert page.locator(".caution").is_visible()


def test_the_policy_holds(browser, address):
    """A script that is put into the page does not run, and nothing can be fetched."""
    with open_page(browser, address, viewport=WIDE) as (page, _, complaints):
        page.evaluate("""() => { const one = document.createElement('script'); one.textContent = 'window.bad = 1';
            document.body.append(one); }""")
        assert page.evaluate("window.bad") is None
        assert any("Content Security Policy" in one for one in complaints)


def test_every_switch_changes_the_map(browser, any_address):
    """Each layer switched off and on changes the picture and comes back to it."""
    with open_page(browser, any_address, viewport={"width": 1000, "height": 700}) as (page, _, complaints):
        page.locator("#show-all").click()
        for name in page.eval_on_selector_all("[data-layer]", "(all) => all.map((one) => one.dataset.layer)"):
            box = page.locator(f'[data-layer="{name}"]')
            before, was = picture(page), box.is_checked()
            box.evaluate("(one) => one.click()")  # a real click would scroll the page
            group = page.locator(f'#layers [data-of="{name}"]')
            assert group.evaluate("(one) => getComputedStyle(one).display") == ("none" if was else "inline")
            assert changed(picture(page), before) > 60, name
            box.evaluate("(one) => one.click()")
            assert changed(picture(page), before) < 20, name
        assert complaints == []


def test_clock_walks_and_reads_as_published(browser, address, written):
    """At the end all is walked and covered as planned; survival is the published one at each time."""
    numbers = json.loads((written / "plan.json").read_text(encoding="utf-8"))
    total = numbers["search"]["total_time_s"]
    with open_page(browser, address, viewport=WIDE) as (page, _, complaints):

        def at(seconds, before=0):
            page.fill("#before", str(before))
            page.evaluate(
                """(s) => { const one = document.getElementById('time'); one.value = s;
                one.dispatchEvent(new Event('input')); }""",
                seconds,
            )
            settle(page)
            return [page.inner_text(f"#{one}") for one in ("walked", "covered", "survival")]

        start, marks = at(0)[1], set()
        assert start == "0.0 %"
        shares = []
        for share in (0.25, 0.5, 0.75, 1.0):
            walked, covered, _ = at(share * total)
            shares.append(float(covered.split()[0]))
            marks.add(page.get_attribute(".walker", "data-mark"))
            minutes, seconds = walked.split()[0].split(":")
            assert abs(60 * int(minutes) + int(seconds) - share * total) <= 1
        assert shares == sorted(shares)
        assert shares[-1] == pytest.approx(100 * numbers["coverage"]["fraction"], abs=0.11)  # legs hold rounded shares
        assert len(marks) > 2
        for name, curve in CURVES.items():
            page.select_option("#curve", name)
            for before in (0, 14, 34, 90):
                want = survival_percent(curve, before + total / 60)
                said = at(total, before)[2]
                if want is None:
                    assert said.startswith("no data"), (name, before)
                else:
                    assert float(said.split()[0]) == pytest.approx(want, abs=0.56), (name, before)
        page.click("#play")
        page.wait_for_timeout(400)
        assert page.input_value("#time") != str(total)
        assert complaints == []


def test_lanes_are_numbered_and_traps_say_why(browser, address, written):
    """Every lane carries its number; a tap on a trap gives its reason."""
    numbers = json.loads((written / "plan.json").read_text(encoding="utf-8"))
    with open_page(browser, address, viewport=PHONE, **TOUCH) as (page, _, complaints):
        settle(page)
        shown = page.locator(".lane-sign text").all_text_contents()
        assert shown == [str(one["number"]) for one in numbers["lanes"]]
        for trap in numbers["traps"][:1]:
            page.locator(".trap-sign", has_text=f"{trap['letter']}{trap['number']}").first.tap()
            assert trap["reason"] in page.inner_text("#told-reason")
        page.locator("#told-close").tap()
        assert page.locator("#told").is_hidden()
        assert complaints == []


def test_mouse_and_touch_move_the_map(browser, address):
    """The wheel zooms about the mouse, dragging carries the ground along, two fingers zoom."""
    with open_page(browser, address, viewport=WIDE, has_touch=True) as (page, _, complaints):
        box = page.locator("#map").bounding_box()
        x, y = box["x"] + 0.6 * box["width"], box["y"] + 0.5 * box["height"]
        start = view_of(page)
        page.mouse.move(x, y)
        page.mouse.wheel(0, -200)
        zoomed = view_of(page)
        assert zoomed[2] < start[2]
        assert zoomed[0] + 0.6 * zoomed[2] == pytest.approx(start[0] + 0.6 * start[2], abs=0.01 * start[2])
        page.mouse.down()
        page.mouse.move(x - 80, y - 30, steps=4)
        page.mouse.up()
        moved = view_of(page)
        assert moved[0] - zoomed[0] == pytest.approx(80 * zoomed[2] / box["width"], rel=0.02)
        assert moved[1] - zoomed[1] == pytest.approx(30 * zoomed[3] / box["height"], rel=0.02)
        session = page.context.new_cdp_session(page)
        for kind, apart in (("touchStart", 40), ("touchMove", 70), ("touchMove", 110)):
            fingers = [{"x": x - apart, "y": y, "id": 0}, {"x": x + apart, "y": y, "id": 1}]
            session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": fingers})
        session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        assert view_of(page)[2] < 0.6 * moved[2]
        page.click("#show-search")
        assert view_of(page) == pytest.approx(start, abs=0.01)
        assert complaints == []


def test_keyboard_alone_does_everything(browser, address):
    """Every control is reached by Tab with a visible ring; the map moves, zooms and tells by keys."""
    with open_page(browser, address, viewport=WIDE) as (page, _, complaints):
        reached, count = set(), page.locator("a, button, input, select, summary, #map, [tabindex='0']").count()
        for _step in range(count + 2):
            page.keyboard.press("Tab")
            reached.add(
                page.evaluate("""() => { const one = document.activeElement;
                return one.id || one.dataset.layer || one.dataset.title || one.className || one.tagName; }""")
            )
            ring = page.evaluate("""() => { const one = document.activeElement, s = getComputedStyle(one);
                const inner = one.querySelector && one.querySelector('rect, .stroke');
                return s.outlineStyle !== 'none' || parseFloat(inner && getComputedStyle(inner).strokeWidth) >= 4; }""")
            assert ring or page.evaluate("document.activeElement === document.body"), reached
        wanted = {"theme", "print", "map", "zoom-in", "show-all", "time", "play", "curve", "before", "lanes", "skip"}
        assert wanted <= reached, wanted - reached
        page.focus("#map")
        page.keyboard.press("0")
        start = view_of(page)
        page.keyboard.press("+")
        assert view_of(page)[2] < start[2]
        page.keyboard.press("ArrowRight")
        assert view_of(page)[0] > start[0]
        page.keyboard.press("0")
        assert view_of(page) == pytest.approx(start, abs=0.01)
        page.locator('#signs [data-of="traps"] .tap').first.focus()
        page.keyboard.press("Enter")
        assert page.locator("#told").is_visible()
        page.keyboard.press("Escape")
        assert page.locator("#told").is_hidden()
        page.focus("#time")
        page.keyboard.press("ArrowRight")
        assert page.inner_text("#walked").startswith("0:10")
        page.focus('[data-layer="grid"]')
        page.keyboard.press("Space")
        assert page.locator('#layers [data-of="grid"]').is_hidden()
        unnamed = page.eval_on_selector_all(
            "button, input, select",
            "(all) => all.filter((one) => !(one.ariaLabel || one.textContent.trim() || one.labels?.length)).length",
        )
        assert unnamed == 0
        assert complaints == []


# Relative luminance and contrast as WCAG 2.2 defines them, of each text against the first opaque ground behind it;
# text of the map stands on the halo or the box that is drawn around it.
_CONTRAST = """() => {
  const parse = (text) => (text.match(/[\\d.]+/g) || []).map(Number);
  const channel = (c) => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
  const light = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const ratio = (a, b) => {
    const [x, y] = [light(a), light(b)].sort((p, q) => q - p);
    return (x + 0.05) / (y + 0.05);
  };
  const ground = (one) => {
    for (let at = one; at; at = at.parentElement) {
      const c = parse(getComputedStyle(at).backgroundColor);
      if (c.length === 3 || c[3] === 1) return c;
    }
    return [255, 255, 255];
  };
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const one = node.parentElement;
    if (!node.textContent.trim() || !one.checkVisibility() || one.closest('script, style, option')) continue;
    const style = getComputedStyle(one);
    let ink = parse(style.color), paper = ground(one);
    if (one.namespaceURI.endsWith('svg')) {
      ink = parse(style.fill);
      const box = one.parentElement.querySelector('rect, circle');
      paper = box ? parse(getComputedStyle(box).fill) : style.stroke !== 'none' ? parse(style.stroke) : paper;
    }
    found.push([ratio(ink, paper), node.textContent.trim().slice(0, 30), style.color]);
  }
  return found;
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [WIDE, PHONE])
def test_text_stands_out(browser, address, scheme, size):
    """Contrast of each text against its ground is at least 4.5 to 1, in light and in dark."""
    with open_page(browser, address, viewport=size, color_scheme=scheme) as (page, _, _):
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        page.locator('#signs [data-of="traps"] .tap').first.dispatch_event("click")
        settle(page)
        found = page.evaluate(_CONTRAST)
        assert len(found) > 120
        worst = sorted(found)[:5]
        assert worst[0][0] >= LEAST_CONTRAST, worst


def test_light_and_dark_by_hand(browser, address):
    """The button turns a light page dark and back."""
    with open_page(browser, address, viewport=WIDE, color_scheme="light") as (page, _, _):
        grounds = []
        for _step in range(3):
            grounds.append(page.evaluate("getComputedStyle(document.documentElement).backgroundColor"))
            page.click("#theme")
        assert grounds[0] == grounds[2] != grounds[1]


def test_prints_on_a4(browser, address, tmp_path):
    """A4 pages with map, key and tables, light even from a dark screen, without controls."""
    with open_page(browser, address, viewport=WIDE, color_scheme="dark") as (page, _, complaints):
        settle(page)
        page.pdf(path=tmp_path / "page.pdf", prefer_css_page_size=True)
        data = (tmp_path / "page.pdf").read_bytes()
        sizes = {tuple(map(float, one)) for one in re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", data)}
        assert sizes
        for wide, high in sizes:
            assert (wide, high) == pytest.approx((595.3, 841.9), abs=1.0)
        page.emulate_media(media="print")
        for hidden in ("#play", "#theme", "#zoom-in", "#chart", "[data-layer]"):
            assert page.locator(hidden).first.is_hidden(), hidden
        for shown in ("#map", "#table-walk", ".caution", "#foot", ".switches"):
            assert page.locator(shown).first.is_visible(), shown
        assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
        assert complaints == []


def test_without_scripts_the_plan_is_there(browser, address):
    """Map, caution and tables need no script."""
    with open_page(browser, address, viewport=WIDE, java_script_enabled=False) as (page, _, _):
        for shown in ("#drawing", "#table-walk", ".caution", "noscript p"):
            assert page.locator(shown).first.is_visible(), shown
