"""The whole story in a browser, as people would go through it."""

import re
import subprocess
import sys
import time

import gpxpy
import numpy as np
import pytest
import rasterio
from affine import Affine
from axe_core_python.sync_playwright import Axe

from lastseen.core.machine import shared_folder
from lastseen.core.scenario import read_scenario
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION
from web.conftest import DEMO, Watched, read_json

pytestmark = pytest.mark.slow


def test_from_empty_page_to_the_gpx_of_the_command_line(watched, tmp_path):
    """Click, run, read, search, hand over: the GPX is the command line's for the same scenario and seed."""
    page = watched.open()
    page.wait_for_selector("html[data-idle]")  # the map library says that it has drawn everything
    page.get_by_role("button", name="A small slide over a bench").click()
    page.get_by_role("button", name="Work it out").click()
    page.wait_for_selector("#step-read dl")
    assert page.locator("#profile").is_visible()
    watched.step("Hand over")
    with page.expect_download() as waiting:
        page.get_by_role("link", name="GPX for phones").click()
    mine = gpxpy.parse(waiting.value.path().read_text(encoding="utf-8"))
    program = "from lastseen.cli import main; main()"
    run = [sys.executable, "-c", program, "demo", "bench", "-q", "-o", str(tmp_path / "cli")]
    subprocess.run(run, check=True, timeout=200)
    theirs = gpxpy.parse((tmp_path / "cli" / "lanes.gpx").read_text(encoding="utf-8"))
    assert mine.to_xml() == theirs.to_xml()
    assert len(mine.tracks) >= 1


def test_a_click_on_the_map_sets_the_point(watched):
    """The point is told in three notations, with height and slope; undo takes it back."""
    page = watched.open()
    watched.step("Last-seen point")
    box = page.locator("#map").bounding_box()
    page.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    page.wait_for_selector("#step-point dl")
    said = page.locator("#step-point dl").inner_text()
    assert re.search(r"31W \d{6} \d{7}", said)
    assert re.search(r"31WEP\d{10}", said)
    assert "at=" in page.url
    page.get_by_role("button", name="Undo").click()
    assert "at=" not in page.url
    assert page.locator(".seen").count() == 0


@pytest.mark.parametrize("text", ["31W 561247 7300767", "31WEP6124700766", "4.340220, 65.822391"])
def test_a_point_in_any_notation(watched, text):
    """UTM, MGRS and degrees of one place (the demo's own table) give one place."""
    page = watched.open()
    watched.step("Last-seen point")
    page.get_by_label("Point", exact=True).fill(text)
    page.get_by_role("button", name="Use it").click()
    page.wait_for_selector("#step-point dl")
    lon, lat = map(float, re.search(r"(\d\.\d{6}),(\d\d\.\d{6})", page.locator("#step-point dl").inner_text()).groups())
    assert lon == pytest.approx(4.34022, abs=3e-5)
    assert lat == pytest.approx(65.822391, abs=2e-5)


def test_a_point_outside_is_refused_in_words(watched):
    """A point that the elevation model does not hold gets distance and bearing."""
    page = watched.open()
    watched.step("Last-seen point")
    page.get_by_label("Point", exact=True).fill("10.1,46.5")
    page.get_by_role("button", name="Use it").click()
    said = page.get_by_role("alert").inner_text()
    assert "outside the elevation model" in said
    assert "km away" in said
    watched.complaints[:] = [one for one in watched.complaints if "422" not in one]  # the browser logs the refusal


def test_lanes_follow_the_slider(watched, bench_plan):
    """Lanes are laid anew while the slider moves, and the clock walks the searchers along them."""
    page = watched.open(hash_=f"place=ysterra&plan={bench_plan}&step=search&searchers=3")
    page.wait_for_selector("#laid table")
    before = page.locator("#laid .strong").inner_text()
    slider = page.get_by_label("Strip width on the snow")
    slider.fill("22")
    page.wait_for_selector("html[data-width='22']")
    times = []
    for width in ("24", "26", "28", "30"):
        slider.fill(width)
        page.wait_for_selector(f"html[data-width='{width}']")
        times.append(int(page.locator("html").get_attribute("data-lanes-ms")))
    print("from slider to lanes on the map, ms:", times)
    assert page.locator("#laid .strong").inner_text() != before
    clock = page.get_by_label("Time since the searchers set out")
    end = clock.get_attribute("max")
    clock.fill("0")
    assert page.locator(".clock-reading").inner_text().count("0\u00a0%") >= 2
    clock.fill(end)
    said = page.locator(".clock-reading").inner_text()
    assert re.search(r"of the debris\s+(99|100)", said)
    assert "rauch-2024" in said
    assert "width=30" in page.url


def test_lanes_kept_become_the_files(watched, server, bench_plan):
    """What the slider shows is what a new plan holds."""
    page = watched.open(hash_=(
        f"place=ysterra&at=[4.34022,65.822391]&atText=4.340220,65.822391&seed=7&size=2&plan={bench_plan}&step=search"
        "&searchers=2&width=25"
    ))  # fmt: skip
    page.wait_for_selector("#laid table")
    shown = page.locator("#laid .strong").inner_text()
    page.get_by_role("button", name="Keep these lanes").click()
    page.wait_for_selector("text=being worked out")  # until then the steps of the old plan wait
    assert page.locator("#panel .head", has_text="Read").is_disabled()
    page.wait_for_selector("#step-hand >> text=holds these lanes")
    plan = re.search(r"plan=([a-z0-9-]+)", page.url)[1]
    assert plan != bench_plan
    numbers = read_json(server.folder / plan / "plan.json")
    assert numbers["coverage"]["strip_width_m"] == 25.0
    assert f"{len(numbers['lanes'])} lanes" in shown
    watched.step("Search")
    page.wait_for_selector("#laid table")
    assert page.locator("#laid .strong").inner_text() == shown
    assert page.get_by_text("These are the lanes in the files").is_visible()


def test_cancel_leaves_nothing(watched, server):
    """A cancelled job is gone from the folder, and the next one runs."""
    page = watched.open()
    page.get_by_role("button", name="Out of a bowl").click()
    page.get_by_role("button", name="Work it out").click()
    page.wait_for_selector("progress")
    page.get_by_role("button", name="Cancel").click()
    page.wait_for_selector("text=Nothing was written")
    time.sleep(0.5)
    assert [one.name for one in server.folder.iterdir() if "bowl" in one.name] == []


def test_reload_restores(watched, bench_plan):
    """The address holds the whole state."""
    page = watched.open(hash_=f"place=ysterra&plan={bench_plan}&step=read&colour=thickness")
    page.wait_for_selector("#step-read dl")
    watched.step("Search")
    page.wait_for_selector("#laid table")
    page.get_by_label("Searchers", exact=True).fill("2")
    page.wait_for_function("() => document.querySelectorAll('#laid tbody tr').length === 2")
    address = page.url
    page.reload()
    page.wait_for_selector("#laid table")
    assert page.url == address
    assert page.locator("#laid tbody tr").count() == 2
    assert page.get_by_label("Searchers", exact=True).input_value() == "2"


def test_two_tabs_stay_apart(watched, bench_plan):
    """What one tab chooses is not what the other shows."""
    one = watched.open(hash_=f"place=ysterra&plan={bench_plan}&step=search&searchers=3")
    other = watched.tab()
    watched.open(other, hash_=f"place=ysterra&plan={bench_plan}&step=search&searchers=3")
    for page in (one, other):
        page.wait_for_selector("#laid table")
    other.get_by_label("Strip width on the snow").fill("20")
    other.wait_for_selector("html[data-width='20']")
    assert one.get_by_label("Strip width on the snow").input_value() == "40"
    assert "width" not in one.url
    assert "width=20" in other.url


def test_on_a_narrow_screen(browser, server):
    """390 pixels: the same story, nothing wider than the screen."""
    watched = Watched(browser, server, width=390, height=844, has_touch=True, color_scheme="dark")
    page = watched.open()
    page.get_by_role("button", name="A small slide over a bench").tap()
    page.get_by_role("button", name="Work it out").tap()
    page.wait_for_selector("#step-read dl")
    for step in ("Place", "Last-seen point", "Snow", "Run", "Read", "Search", "Hand over"):
        watched.step(step)
        page.wait_for_timeout(150)
        wide = page.evaluate_handle("document.documentElement").get_property("scrollWidth").json_value()
        assert wide <= 390, step
        panel = page.locator("#panel")
        assert panel.evaluate_handle("one => one.scrollWidth - one.clientWidth").json_value() <= 0, step
    assert page.get_by_role("link", name="GPX for phones").is_visible()
    watched.context.close()
    watched.check()


def test_by_keyboard_alone(watched):
    """From the first step to the sheet with Tab, Enter, arrows and typing only."""
    page = watched.open()

    def reach(name):
        """Tab until the named element has the focus, and see that the focus shows."""
        for _ in range(80):
            page.keyboard.press("Tab")
            focused = page.locator("*:focus")
            if focused.count() == 0:
                continue
            label = focused.get_attribute("aria-label") or focused.inner_text() or ""
            if not label.strip() and (own := focused.get_attribute("id")):
                found = page.locator(f"label[for='{own}']")
                label = found.inner_text() if found.count() else ""
            if name in label:
                return focused
        raise AssertionError(f"{name} cannot be reached by Tab")

    reach("Last-seen point")
    page.keyboard.press("Enter")
    reach("Point")
    page.keyboard.type("4.340220,65.822391")
    page.keyboard.press("Enter")
    page.wait_for_selector("#step-point dl")
    marker = page.locator(".seen")
    marker.focus()
    page.keyboard.press("ArrowUp")  # 2 m to the north
    page.wait_for_function("() => decodeURIComponent(location.hash).includes('65.822409')")
    page.locator("#panel .head", has_text="Run").focus()
    page.keyboard.press("Enter")
    reach("Work it out")
    page.keyboard.press("Enter")
    page.wait_for_selector("#step-read dl")
    profile = page.get_by_role("slider", name="Long profile")
    profile.focus()
    page.keyboard.press("End")
    assert profile.get_attribute("aria-valuenow") == profile.get_attribute("aria-valuemax")
    page.locator("#panel .head", has_text="Search").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#laid table")
    reach("Strip width")
    page.keyboard.press("ArrowLeft")
    page.wait_for_selector("html[data-width='39']")
    page.keyboard.press("Control+z")
    page.wait_for_selector("html[data-width='40']")
    page.locator("#panel .head", has_text="Hand over").focus()
    page.keyboard.press("Enter")
    assert "sheet" in reach("Open the sheet").inner_text()


def test_a_drawn_debris_outline(watched, server):
    """Corners by button in the middle of the map; only the search is laid out."""
    page = watched.open()
    page.get_by_role("button", name="A small slide over a bench").click()
    page.wait_for_timeout(900)
    watched.step("Snow")
    page.get_by_role("button", name="Draw the debris").click()
    box = page.locator("#map").bounding_box()
    for dx, dy in ((-60, -40), (60, -40), (60, 40), (-60, 40)):
        page.mouse.click(box["x"] + 0.5 * box["width"] + dx, box["y"] + 0.5 * box["height"] + dy)
        page.wait_for_timeout(350)  # two clicks at once are a zoom
    assert page.locator(".count", has_text="4 corners").is_visible()
    page.get_by_role("button", name="Close the outline").click()
    watched.step("Run")
    page.get_by_role("button", name="Work it out").click()
    page.wait_for_selector("#step-read dl")
    plan = re.search(r"plan=([a-z0-9-]+)", page.url)[1]
    numbers = read_json(server.folder / plan / "plan.json")
    assert numbers["model"] is None
    assert numbers["coverage"]["fraction"] >= 0.99


def test_an_elevation_file_is_dropped(watched, server, tmp_path):
    """A file of one's own becomes a place; a file of another kind is refused in words."""
    y = np.mgrid[0:120, 0:120][0]
    file = tmp_path / "my slope.tif"
    with rasterio.open(
        file, "w", driver="GTiff", width=120, height=120, count=1, dtype="float32", crs="EPSG:32632",
        transform=Affine(5, 0, 600_000, 0, -5, 5_200_000),
    ) as out:  # fmt: skip
        out.write((2000 - 3.0 * y).astype("float32"), 1)
    page = watched.open()
    page.get_by_label("or choose a file").set_input_files(file)
    page.wait_for_selector("text=5 m cells")
    assert page.get_by_label("my-slope").is_checked()
    (tmp_path / "other.tif").write_text("no raster at all")
    page.get_by_label("or choose a file").set_input_files(tmp_path / "other.tif")
    page.wait_for_selector("text=no elevation raster")
    watched.complaints[:] = [one for one in watched.complaints if "422" not in one]


def test_the_caution_stands_on_every_step(watched, bench_plan):
    """Short always, full on request."""
    page = watched.open(hash_=f"place=ysterra&plan={bench_plan}&step=read")
    for step in ("Place", "Run", "Read", "Search", "Hand over"):
        watched.step(step)
        assert page.locator("#caution").is_visible()
        assert SHORT_CAUTION in page.locator("#caution").inner_text()
    page.get_by_role("button", name="Read in full").click()
    assert FULL_CAUTION in page.get_by_role("dialog").inner_text()
    page.keyboard.press("Escape")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_accessibility_rules(browser, server, bench_plan, scheme):
    """No serious finding by the axe-core rules (WCAG 2 A and AA) on any step, by day and by night."""
    watched = Watched(browser, server, color_scheme=scheme, bypass_csp=True)  # the rules are a script of the test's own
    page = watched.open(hash_=f"place=ysterra&at=[4.34022,65.822391]&plan={bench_plan}&step=read")
    page.wait_for_selector("#step-read dl")
    for step in ("Place", "Last-seen point", "Snow", "Run", "Read", "Search", "Hand over"):
        watched.step(step)
        page.wait_for_timeout(300)
        found = Axe().run(page)["violations"]
        bad = [(one["id"], one["nodes"][0]["html"][:200]) for one in found if one["impact"] in ("serious", "critical")]
        assert bad == [], step
    watched.context.close()


def test_metric_with_feet_beside(watched, bench_plan):
    """Feet stand beside metres where they are asked for."""
    page = watched.open(hash_=f"place=ysterra&plan={bench_plan}&step=search&searchers=3")
    page.wait_for_selector("#laid table")
    page.get_by_label("Feet too").check()
    assert re.search(r"40\sm \(131\sft\)", page.locator("#step-search").inner_text())


def test_who_searches_is_asked_before_the_run(watched, server):
    """Searchers and strip width stand beside "Work it out", go into the plan, and are offered again the next time."""
    page = watched.open()
    page.get_by_role("button", name="A small slide over a bench").click()
    page.get_by_label("Searchers", exact=True).fill("2")
    page.get_by_label("Strip width on the snow").fill("30")
    page.get_by_role("button", name="Work it out").click()
    page.wait_for_selector("#step-read dl")
    plan = re.search(r"plan=([a-z0-9-]+)", page.url)[1]
    asked = read_scenario(server.folder / f"{plan}.toml").search
    assert (asked.searchers, asked.strip_width_m) == (2, 30.0)
    other = watched.tab()
    watched.open(other)
    assert "searchers=2" in other.url
    assert "width=30" in other.url


def test_the_map_says_what_its_lines_mean(watched, bench_plan):
    """A key of what this plan shows, that folds."""
    page = watched.open(hash_=f"place=ysterra&plan={bench_plan}&step=search&searchers=3")
    page.wait_for_selector("#laid table")
    key = page.locator("#legend .key")
    for words in ("main flow path", "debris outline that is searched", "lane, arrow as it is walked"):
        assert key.get_by_text(words).is_visible()
    key.locator("summary").click()
    assert not key.get_by_text("main flow path").is_visible()


def test_the_bare_address_says_how_to_get_in(browser, server):
    """Without the token there is one sentence that says what to do."""
    context = browser.new_context()
    page = context.new_page()
    assert page.goto(server.origin).status == 401
    assert "open the whole address that lastseen serve printed" in page.locator("body").inner_text()
    context.close()


def test_the_demo_question_is_the_demo_file():
    """What these tests ask is what the demo scenario says."""
    scenario = read_scenario(shared_folder("demo") / "bench.toml")
    assert scenario.last_seen.at == DEMO["last_seen"]["at"]
    assert (scenario.seed, scenario.search.searchers) == (DEMO["seed"], DEMO["search"]["searchers"])
