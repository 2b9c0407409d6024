import dataclasses
import re
from itertools import pairwise

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.text import Text
from PIL import Image

from lastseen.output.draw import plan_panel
from lastseen.output.draw.drawing import Room
from lastseen.output.draw.features import read_map_content
from lastseen.output.draw.layout import PAPERS_MM, Box, lay_out_sheet
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.plan_panel import clock
from lastseen.output.draw.relief import contours, drawn_lattice, relief
from lastseen.output.result import FULL_CAUTION
from lastseen.output.results.plan import result_of_plan
from lastseen.output.sheets.plan import draw_pages, write_map, write_map_and_sheet
from lastseen.traps.trap import LETTERS
from search.zoo import plane


@pytest.fixture(scope="module")
def drawn(plan):
    with mpl.rc_context():
        drawing = draw_pages(result_of_plan(plan))[0]
        drawing.figure.canvas.draw()
    return drawing


def words_on(drawing):
    return [one for axes in drawing.figure.axes for one in axes.findobj(Text) if one.get_text()]


def test_the_map_is_an_a4_sheet_at_200_dots_per_inch(written):
    with Image.open(written / "map.png") as image:
        size = sorted(round(n / 200 * 25.4) for n in image.size)
        assert size == sorted(round(n) for n in PAPERS_MM["A4"])
        assert not {"Software", "Date", "Creation Time"} & set(image.info)
        assert round(image.info["dpi"][0]) == 200
        grey = np.asarray(image.convert("L"))
    assert grey.std() > 20


def test_no_text_leaves_the_page(drawn):
    width, height = drawn.figure.canvas.get_width_height()
    for one in words_on(drawn):
        box = one.get_window_extent()
        assert box.x0 >= 0, one.get_text()
        assert box.y0 >= 0, one.get_text()
        assert box.x1 <= width, one.get_text()
        assert box.y1 <= height, one.get_text()


def test_no_text_covers_another(drawn):
    """Upright boxes of turned labels are too large, so only straight text is compared."""
    straight = [one for one in words_on(drawn) if one.get_rotation() == 0]
    boxes = [(one.get_text(), one.get_window_extent().padded(-2.0)) for one in straight]
    for i, (name, box) in enumerate(boxes):
        for other, second in boxes[i + 1 :]:
            assert not box.overlaps(second), (name, other)


def test_the_sheet_names_what_a_searcher_needs(plan, drawn):
    said = [one.get_text() for one in words_on(drawn)]
    for lane in plan.search.lanes:
        assert any(re.fullmatch(rf"(S\d+: )?{lane.number}", one) for one in said), lane.number
    for trap in plan.model.traps:
        assert f"{trap.letter}{trap.number}" in said
    assert plan.scenario.name in said
    flat = " ".join(said)
    assert FULL_CAUTION.split(". ")[0] in flat
    assert "last-seen point" in flat
    assert "N true north" in flat
    for name in ("Date", "Time", "Team", "Lead"):
        assert name in said
    assert f"1:{drawn.sheet.scale:,}".replace(",", " ") in flat


def test_the_body_holds_the_search_at_a_round_scale(plan, observed):
    for one in (plan, observed):
        shown = read_map_content(result_of_plan(one))
        sheet = lay_out_sheet(shown)
        assert 1000 <= sheet.scale <= 25_000
        west, south, east, north = shown.focus().bounds
        assert sheet.extent[0] < west
        assert sheet.extent[1] < south
        assert sheet.extent[2] > east
        assert sheet.extent[3] > north
        k = sheet.metres_per_mm
        assert sheet.extent[2] - sheet.extent[0] == pytest.approx(sheet.body.width * k)
        filled = max((east - west) / sheet.body.width, (north - south) / sheet.body.height) / k
        assert sheet.scale == 1000 or filled > 0.4
        if sheet.overview_extent:
            a, b, c, d = shown.whole().bounds
            w, s, e, n = sheet.overview_extent
            assert w < a
            assert s < b
            assert e > c
            assert n > d


@pytest.mark.parametrize(
    "name",
    [
        "$x_1$ \\frac",
        pytest.param("山\n" * 9, marks=pytest.mark.slow),
        pytest.param("", marks=pytest.mark.slow),
        pytest.param("word " * 80, marks=pytest.mark.slow),
    ],
)
def test_any_name_can_be_drawn(observed, tmp_path, name):
    scenario = dataclasses.replace(observed.scenario, name=name)
    result = result_of_plan(dataclasses.replace(observed, scenario=scenario))
    write_map_and_sheet(result, tmp_path / "map.png", tmp_path / "sheet.pdf")
    assert (tmp_path / "map.png").stat().st_size > 10_000


def test_settings_of_the_user_do_not_change_the_map(plan, written, tmp_path):
    with mpl.rc_context({"font.size": 30, "lines.linewidth": 9, "savefig.dpi": 50, "text.usetex": False}):
        write_map(result_of_plan(plan), tmp_path / "map.png")
        assert mpl.rcParams["font.size"] == 30
    assert (tmp_path / "map.png").read_bytes() == (written / "map.png").read_bytes()


def test_the_relief_lights_slopes_that_face_north_west():
    values = {}
    for azimuth in (315.0, 135.0):
        grid = plane(30.0, azimuth)
        west, south, east, north = grid.bounds
        drawing = drawn_lattice(grid, (west + 50, south + 50, east - 50, north - 50), 2.5)
        values[azimuth] = float(np.nanmean(relief(drawing)))
    assert values[315.0] > 0.9 > 0.4 > values[135.0]


def test_contours_are_where_the_heights_are():
    grid = plane(30.0, 180.0)
    drawing = drawn_lattice(grid, grid.bounds, 2.5)
    found = contours(drawing, 2.5)
    assert found.lines
    for height, line in found.lines:
        np.testing.assert_allclose(grid.sample(line[:, 0], line[:, 1]), height, atol=0.6)


def test_no_data_stays_no_data_on_the_map(plan):
    ground = plan.terrain.elevation
    values = ground.values.copy()
    values[:100, :100] = np.nan
    holed = ground.with_values(values)
    drawing = drawn_lattice(holed, ground.bounds, 5.0)
    share = np.isnan(drawing.values).mean()
    assert share == pytest.approx(100 * 100 / ground.values.size, rel=0.15)
    assert np.isnan(relief(drawing)).mean() == pytest.approx(share)
    everything = ground.with_values(np.full(ground.shape, np.nan))
    assert contours(drawn_lattice(everything, ground.bounds, 5.0), 5.0).lines == ()


def test_labels_take_turns():
    room = Room(Box(0.0, 0.0, 100.0, 50.0))
    first = room.take_near([(50.0, 25.0)], 10.0, 4.0)
    second = room.take_near([(50.0, 25.0)], 10.0, 4.0)
    assert (first.x, first.y) == (50.0, 25.0)
    assert abs(second.x - first.x) >= 9.5 or abs(second.y - first.y) >= 3.5
    assert room.take_near([(500.0, 25.0)], 10.0, 4.0) is None
    room.ink(np.array([[0.0, 40.0], [100.0, 40.0]]), 3.0)
    assert room.cost(20.0, 40.0, 6.0, 3.0) > 0
    assert not room.take_free(20.0, 40.0, 6.0, 3.0)
    assert room.take_free(20.0, 10.0, 6.0, 3.0)
    assert not room.take_free(20.0, 10.0, 6.0, 3.0)


def test_the_palette_has_a_sign_for_every_trap():
    palette = load_palette()
    assert {kind: sign.letter for kind, sign in palette.traps.signs.items()} == LETTERS
    hatches = [sign.hatch for sign in palette.traps.signs.values()]
    assert len(set(hatches)) == len(hatches)
    assert len(palette.debris.ramp) == len(palette.debris.levels)
    assert palette.lanes.of_searcher(1) == palette.lanes.of_searcher(1 + len(palette.lanes.dashes))


def test_the_debris_ramp_darkens_step_by_step():
    def light(colour):
        r, g, b = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
        return 0.2126 * r**2.2 + 0.7152 * g**2.2 + 0.0722 * b**2.2

    shades = [light(one) for one in load_palette().debris.ramp]
    assert all(a - b > 0.05 for a, b in pairwise(shades))


def test_times_are_read_like_a_clock():
    assert [clock(s) for s in (20.0, 60.0, 3599.0, 5460.0)] == ["under 1 min", "1 min", "1 h 00 min", "1 h 31 min"]


def test_the_walk_says_which_north():
    """Magnetic bearings are smaller where the needle points east of north, larger where it points west."""
    assert plan_panel.which_north(3.2) == "magnetic: 3.2° less"
    assert plan_panel.which_north(-11.6) == "magnetic: 11.6° more"
    assert plan_panel.which_north(None) == "true bearings"
