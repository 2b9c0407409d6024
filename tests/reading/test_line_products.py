"""What a read line is handed over as: one page that can be read on paper, waypoints, the same bytes each time."""

import geopandas
import gpxpy
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from matplotlib.text import Text
from shapely.geometry import LineString

from lastseen.core.scenario import Scenario
from lastseen.jobs.reading.line import view_line
from lastseen.output.draw.drawing import fixed_look, start_drawing
from lastseen.output.draw.layout import FOOTER_MM, MARGIN_MM, fit_sheet
from lastseen.output.draw.line_map import legend_items
from lastseen.output.draw.panel import Pen
from lastseen.output.result import FULL_CAUTION
from lastseen.output.results.ground import result_of_line
from lastseen.output.write import write_result
from lastseen.terrain.elevation import open_elevation

POINTS_PER_MM = 72.0 / 25.4
FILES = ["map.png", "preread.gpkg", "preread_line.json", "sheet.pdf", "stretches.csv", "strip.png", "waypoints.gpx"]


@pytest.fixture(scope="module")
def view(face_file, tmp_path_factory):
    line = LineString([(500_700.0, 5_199_700.0), (501_000.0, 5_199_720.0), (501_300.0, 5_199_000.0)])
    path = tmp_path_factory.mktemp("line") / "line.gpkg"
    geopandas.GeoSeries([line], crs=open_elevation((face_file,)).crs).to_file(path)
    return view_line(Scenario(elevation=(face_file,), name="Under the face"), path, members=4)


@pytest.fixture(scope="module")
def folder(view, tmp_path_factory):
    folder = tmp_path_factory.mktemp("out") / "line"
    write_result(result_of_line(view), folder)
    return folder


def test_the_folder_is_whole(folder):
    assert sorted(one.name for one in folder.iterdir()) == FILES


@pytest.mark.slow
def test_the_same_reading_gives_the_same_bytes(view, folder, tmp_path):
    write_result(result_of_line(view), tmp_path / "again")
    for one in folder.iterdir():
        assert one.read_bytes() == (tmp_path / "again" / one.name).read_bytes(), one.name


def test_the_page_can_be_read(folder):
    """One page; fonts inside; no letter under 6 points; all on the paper; the caution in its box at the foot."""
    raw = (folder / "sheet.pdf").read_bytes()
    assert b"/FontFile2" in raw  # TrueType outlines embedded (ISO 32000-1:2008, 9.9)
    assert b"/Type3" not in raw
    document = pypdfium2.PdfDocument(raw)
    assert len(document) == 1
    width, height = document[0].get_size()
    assert (width, height) == pytest.approx((210.0 * POINTS_PER_MM, 297.0 * POINTS_PER_MM), abs=0.5)  # ISO 216 A4
    text = document[0].get_textpage()
    letters = [k for k in range(text.count_chars()) if not chr(pdfium.FPDFText_GetUnicode(text.raw, k)).isspace()]
    assert min(pdfium.FPDFText_GetFontSize(text.raw, k) for k in letters) >= 5.99
    boxes = [text.get_charbox(k) for k in letters]
    edge = 0.8 * MARGIN_MM * POINTS_PER_MM
    assert min(box[0] for box in boxes) >= edge
    assert max(box[2] for box in boxes) <= width - edge
    foot = (0.0, 0.0, width, (MARGIN_MM + FOOTER_MM) * POINTS_PER_MM)
    assert " ".join(FULL_CAUTION.split()) in " ".join(text.get_text_bounded(*foot).split())


def test_waypoints_are_short(view, folder):
    document = gpxpy.parse((folder / "waypoints.gpx").read_text())
    names = [one.name for one in document.waypoints]
    assert names[: len(view.reading.stretches)] == [f"P{k:02d}" for k in range(1, len(view.reading.stretches) + 1)]
    assert sum(name.startswith("REGROUP-") for name in names) == len(view.reading.regroup) > 0
    assert all(one.description.endswith(".") and len(one.description) <= 160 for one in document.waypoints)
    assert len(document.tracks) == 1


@pytest.mark.parametrize("width_mm", [40.0, 54.0, 67.0])
def test_the_key_of_lines_is_never_cut(view, width_mm):
    """Narrow columns of lying pages too: long names go on below."""
    with fixed_look():
        drawing = start_drawing(fit_sheet((500_000.0, 5_199_000.0, 501_000.0, 5_200_000.0)))
        y = 250.0
        for item in legend_items(Pen(drawing, width_mm, 7.2), view.reading):
            item.draw(100.0, y)
            y -= item.height
        told = [one for one in drawing.page.get_children() if isinstance(one, Text)]
        words = " ".join(one.get_text() for one in told)
        assert "no start zone in this model reaches it" in words
        assert "…" not in words
        ends = [one.get_position()[0] + drawing.width_mm(one.get_text(), 7.2) for one in told]
        assert max(ends) <= 100.0 + width_mm + 0.2
