"""Figures and tables of the craft: drawn, the same bytes, cautioned, readable in grey, nothing cut off."""

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from PIL import Image

from lastseen.core.quantities import Spread
from lastseen.jobs.rescue import time_legs
from lastseen.output.console import WIDTH, areas_text, clock_text, dig_text, probe_text, range_text, table
from lastseen.output.draw import figures
from lastseen.output.read import read_walk
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION
from lastseen.rescue.clock import time_rescue
from lastseen.rescue.probing import PROBE_LINES, lay_spiral, plan_line
from lastseen.rescue.receiver import describe_receiver
from lastseen.rescue.shovelling import plan_dig
from lastseen.rescue.survival import CURVES, find_survival_curve
from lastseen.search.sub_areas import SubArea, find_best_order, rank_areas, update_areas

RANGES = {
    "plain": describe_receiver(45.0, 3.0, depth_m=1.5),
    "all": describe_receiver(60.0, 6.0, antennas=2, strip_width_m=50.0, min_range_m=22.0, realistic_range_m=45.0),
    "short": describe_receiver(20.0, 0.0, depth_m=4.0, strip_width_m=100.0),
}


def clock_with(curve, depth_m=1.0, diggers=2):
    return time_rescue(
        approach_s=Spread(30.0, 60.0, 90.0), approach_basis="given", signal_s=Spread(60.0, 300.0, 700.0),
        signal_basis="given", strip_width_m=40.0, depth_m=depth_m, slope_deg=20.0, diggers=diggers,
        curve=find_survival_curve(curve),
    )  # fmt: skip


CLOCKS = {name: clock_with(name) for name in CURVES} | {"deep": clock_with("rauch-2024", 3.5, 1)}
WRITERS = {f"range {name}": (figures, "write_range_figure", one) for name, one in RANGES.items()} | {
    f"clock {name}": (figures, "write_clock_figure", one) for name, one in CLOCKS.items()
}


@pytest.fixture(params=WRITERS, scope="module")
def drawn(request, tmp_path_factory):
    """A figure as a file, and as the figure object that was saved."""
    module, name, what = WRITERS[request.param]
    path = tmp_path_factory.mktemp("figure") / "figure.png"
    kept = []
    plain = figures.write_png

    def keep(figure, where):
        kept.append(figure)
        plain(figure, where)

    figures.write_png = keep
    try:
        getattr(module, name)(what, path)
    finally:
        figures.write_png = plain
    return path, kept[0], lambda where: getattr(module, name)(what, where)


def words_of(figure):
    """All texts that are drawn; ticks beyond the ends of an axis are not."""
    hidden = []
    for axes in figure.axes:
        for axis, ends in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
            low, high = sorted(ends)
            hidden += [t.label1 for t in axis.get_major_ticks() if not low - 1e-9 <= t.get_loc() <= high + 1e-9]
            hidden += [t.label2 for t in axis.get_major_ticks()]
    return [one for one in figure.findobj(Text) if one.get_text().strip() and not any(one is other for other in hidden)]


def test_figure_is_drawn_and_says_the_caution(drawn):
    """Ink on paper, and the caution in full letters."""
    path, figure, _ = drawn
    with Image.open(path) as image:
        grey = np.asarray(image.convert("L"))
    assert (grey < 128).mean() > 0.005
    assert (grey > 250).mean() > 0.5
    said = " ".join(" ".join(one.get_text().split()) for one in words_of(figure))
    assert " ".join(SHORT_CAUTION.split()) in said


def test_same_numbers_same_bytes(drawn, tmp_path):
    """Drawn twice, the files are equal."""
    path, _, again = drawn
    again(tmp_path / "again.png")
    assert (tmp_path / "again.png").read_bytes() == path.read_bytes()


def test_nothing_is_cut_off_or_written_over(drawn):
    """Every text lies on the sheet, and no two texts lie on each other."""
    _, figure, _ = drawn
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    width, height = canvas.get_width_height()
    boxes = [(one.get_text(), one.get_window_extent()) for one in words_of(figure) if one.get_visible()]
    boxes = [(words, box) for words, box in boxes if box.width > 0]
    assert len(boxes) > 15
    for words, box in boxes:
        assert box.x0 >= 0, words
        assert box.y0 >= 0, words
        assert box.x1 <= width, words
        assert box.y1 <= height, words
    for i, (words, box) in enumerate(boxes):
        for other_words, other in boxes[i + 1 :]:
            over_x = min(box.x1, other.x1) - max(box.x0, other.x0)
            over_y = min(box.y1, other.y1) - max(box.y0, other.y0)
            assert not (over_x > 1.0 and over_y > 2.0), f"{words!r} lies on {other_words!r}"


def test_survival_line_stops_where_the_data_stop():
    """The line has no value where the curve has none; the hatched band is named."""
    figure = None

    def keep(found, _where):
        nonlocal figure
        figure = found

    plain, figures.write_png = figures.write_png, keep
    try:
        figures.write_clock_figure(CLOCKS["haegeli-2011-canada"], None)
    finally:
        figures.write_png = plain
    line = max(figure.axes[0].lines, key=lambda one: len(one.get_xdata()))
    x, y = np.asarray(line.get_xdata(), float), np.asarray(line.get_ydata(), float)
    assert np.isnan(y[(x < 9.9) | (x > 35.1)]).all()
    assert np.isfinite(y[(x > 10.1) & (x < 34.9)]).all()
    assert any("no data" in one.get_text() for one in words_of(figure))


def test_plan_folder_gives_the_clock_of_the_plan(plan, written, tmp_path):
    """The clock read back from the folder is that of the plan in memory, to the rounding of the file; it is drawn."""
    here = {"depth_m": 1.0, "slope_deg": 15.0, "diggers": 3, "curve": find_survival_curve("falk-1994")}
    search, read = plan.search, read_walk(written)
    first_s = search.chosen.first_signal_s
    direct = time_legs(
        search.legs, strip_width_m=search.strip_width_m, first_signal_s=first_s, travel=search.travel, **here
    )
    assert read.searchers == max(leg.searcher for leg in search.legs)
    assert read.travel == search.travel
    again = time_legs(
        read.legs, strip_width_m=read.strip_width_m, first_signal_s=read.first_signal_s, travel=read.travel, **here
    )
    for one, other in zip(direct.phases, again.phases, strict=True):
        assert one.time_s.three == pytest.approx(other.time_s.three, abs=1.0)
    figures.write_clock_figure(direct, tmp_path / "clock.png", plan.scenario.name)
    assert (tmp_path / "clock.png").stat().st_size > 10_000


AREAS = [
    SubArea(name="toe", poa=0.4, pod=0.95, minutes=6.0),
    SubArea(name="bench above cliff", poa=0.3, pod=0.9, minutes=3.0, survivable=0.3),
]
WHEN = {"start_minute": 5.0, "rescue_minutes": 17.0}
FALK = find_survival_curve("falk-1994")
TEXTS = {
    **{f"range {name}": lambda one=one: range_text(one) for name, one in RANGES.items()},
    **{f"clock {name}": lambda one=one: clock_text(one) for name, one in CLOCKS.items()},
    "probe": lambda: probe_text(lay_spiral(), [plan_line(line, 20.0, 20.0, 6) for line in PROBE_LINES], ["note"]),
    "probe small": lambda: probe_text(lay_spiral(0.3), [plan_line(PROBE_LINES[0], 20.0, 20.0, 6, 5.0)], []),
    "dig": lambda: dig_text(plan_dig(3.0, 5.0, 2)),
    "dig enough": lambda: dig_text(plan_dig(1.0, 30.0, 4)),
    "areas": lambda: areas_text(
        rank_areas(AREAS, FALK, **WHEN), find_best_order(AREAS, FALK, **WHEN), update_areas(AREAS), FALK
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", TEXTS)
def test_text_is_plain_and_cautioned(name):
    """Lines fit a terminal, no promise is made, the full caution stands at the end."""
    text = TEXTS[name]()
    assert max(len(line) for line in text.splitlines()) <= WIDTH
    assert "safe" not in text.lower()
    assert "nan" not in text.lower().split()
    assert " ".join(FULL_CAUTION.split()) in " ".join(text.split())


def test_texts_say_what_matters():
    """Numbers of the published examples, contested rules with their years, and no data where there is none."""
    ranges, dig = TEXTS["range plain"](), TEXTS["dig"]()
    assert "49.1 m" in ranges
    assert "no data" in ranges
    assert "2012" in ranges
    assert "from memory" in TEXTS["range all"]()
    assert "2023" in dig
    assert "no date" in dig
    assert "4.00 m below the probe" in dig
    assert "Koopman" not in dig
    probe = TEXTS["probe"]()
    for share in ("70 %", "76 %", "88 %", "95 %"):
        assert share in probe
    assert "113" in probe
    assert "no data; 7 to 31 %" in TEXTS["clock rauch-2024"]()
    assert "POA x POD x share" in TEXTS["areas"]()


def test_table_keeps_columns():
    """Columns line up, the last is wrapped under itself."""
    lines = table(("a", "b"), [("1", "word " * 40), ("22", "x")]).splitlines()
    assert lines[0].startswith("a   b")
    assert all(line.startswith(("1 ", "22", "    ")) for line in lines[1:])
