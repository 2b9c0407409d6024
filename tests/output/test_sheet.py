"""The sheet as it comes out of the printer: true scale, text that can be read, fonts in the file, the same bytes."""

import dataclasses
import os
import re
import subprocess
import sys
from itertools import combinations

import geopandas
import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as pdfium_c
import pytest
from shapely.geometry import Point

from lastseen.core.place import WGS84, to_lonlat, transformer
from lastseen.jobs.plan import make_plan
from lastseen.output.draw.features import read_map_content
from lastseen.output.draw.furniture import grid_crs
from lastseen.output.draw.layout import PAPERS_MM, lay_out_sheet
from lastseen.output.read import read_result
from lastseen.output.result import FULL_CAUTION
from lastseen.output.results.plan import result_of_plan
from lastseen.output.sheets.plan import write_map_and_sheet, write_sheet
from lastseen.search.legs import declination_deg

MM_PER_POINT = 25.4 / 72.0
LEAST_POINTS = 5.9
FEW = [("plan", "full", "A4"), ("plan", "staff", "A4"), ("observed", "full", "A4"), ("wide", "full", "A4"),
       ("wide", "blank", "Letter")]  # fmt: skip
MORE = [("plan", "blank", "A4"), ("plan", "full", "Letter"), ("plan", "full", "A3"), ("observed", "blank", "A4")]


@dataclasses.dataclass(frozen=True)
class Said:
    """A text object of a page: words, box in points, size, colour."""

    words: str
    box: tuple[float, float, float, float]
    size: float
    colour: tuple[int, int, int]
    upright: bool


@pytest.fixture(scope="module")
def wide(scenario, plan, tmp_path_factory):
    """A search so large that 500 m and more of grid lie on the sheet, with magnetic bearings and a team."""
    path = tmp_path_factory.mktemp("drawn") / "wide.gpkg"
    x, y = plan.debris.outline.centroid.coords[0]
    geopandas.GeoSeries([Point(x - 250, y).buffer(330)], crs=plan.terrain.elevation.crs).to_file(path)
    search = dataclasses.replace(scenario.search, debris=path, date="2027-01-31", second_pass=True, strip_width_m=80.0)
    return make_plan(dataclasses.replace(scenario, search=search, name="Wide (invented)"))


@pytest.fixture(scope="module")
def everything(plan, observed, wide):
    return {"plan": result_of_plan(plan), "observed": result_of_plan(observed), "wide": result_of_plan(wide)}


class Printed(dict):
    """Any kind of sheet, on any paper, written when it is first asked for and opened again."""

    def __init__(self, everything, folder):
        self.everything, self.folder = everything, folder

    def path(self, name, kind, paper):
        return self.folder / f"{name}-{kind}-{paper}.pdf"

    def __missing__(self, key):
        name, kind, paper = key
        write_sheet(self.everything[name], self.path(*key), kind=kind, paper=paper)
        self[key] = pdfium.PdfDocument(self.path(*key))
        return self[key]


@pytest.fixture(scope="module")
def printed(everything, tmp_path_factory):
    return Printed(everything, tmp_path_factory.mktemp("printed"))


@pytest.fixture(scope="module", params=[FEW, pytest.param(MORE, marks=pytest.mark.slow)], ids=["few", "more"])
def sheets(request, printed):
    return {key: printed[key] for key in request.param}


def texts(page):
    """Text objects of a page, also those in forms."""
    reader = page.get_textpage()
    found = []
    for one in page.get_objects(filter=[pdfium_c.FPDF_PAGEOBJ_TEXT], max_depth=4):
        length = pdfium_c.FPDFTextObj_GetText(one, reader, None, 0)
        buffer = (pdfium_c.FPDF_WCHAR * length)()
        pdfium_c.FPDFTextObj_GetText(one, reader, buffer, length)
        words = bytes(buffer).decode("utf-16-le").rstrip("\0").strip()
        r, g, b, a = (pdfium_c.c_uint() for _ in range(4))
        pdfium_c.FPDFPageObj_GetFillColor(one, r, g, b, a)
        matrix = one.get_matrix()
        value = pdfium_c.c_float()
        pdfium_c.FPDFTextObj_GetFontSize(one, value)
        scale = float(np.hypot(matrix.a, matrix.b))
        found.append(
            Said(words, one.get_bounds(), value.value * scale, (r.value, g.value, b.value), abs(matrix.b) < 1e-6)
        )
    return [one for one in found if one.words]


def luminance(rgb):
    """Relative luminance of sRGB (WCAG 2.2)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in np.asarray(rgb) / 255.0]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """Contrast ratio (WCAG 2.2, success criterion 1.4.3)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def said_on(document):
    return " ".join(one.words for page in document for one in texts(page))


def test_500_m_between_grid_lines_are_500_m_on_paper(everything, printed):
    """Rendered, measured between the middles of the drawn lines, against the printed scale; 0.3 %."""
    document = printed["wide", "full", "A4"]
    page, dots = document[0], 600
    layout = lay_out_sheet(read_map_content(everything["wide"]))
    scale = int(re.search(r"1:([\d ]+?) on A4", said_on(document))[1].replace(" ", ""))
    assert scale == layout.scale
    numbers = sorted((one for one in texts(page) if re.fullmatch(r"\d{7}", one.words)), key=lambda one: one.box[1])
    assert len(numbers) >= 2
    picture = np.asarray(page.render(scale=dots / 72.0).to_pil().convert("L")).astype(float)
    places = []
    for one in numbers:
        # The tick at the frame stands right beside its number, alone on white paper.
        middle = picture.shape[0] - int(0.5 * (one.box[1] + one.box[3]) / 72.0 * dots)
        column = int((one.box[2] / 72.0 + 0.8 / 25.4) * dots)
        strip = 255.0 - picture[middle - 40 : middle + 40, column]
        assert strip.max() > 60, one
        places.append(middle - 40 + float((strip * np.arange(strip.size)).sum() / strip.sum()))
    first, last = int(numbers[0].words), int(numbers[-1].words)
    assert last - first >= 500
    measured = (places[0] - places[-1]) / dots * 25.4 / 1000.0 * scale
    assert measured == pytest.approx(last - first, rel=0.003)


def test_the_page_has_the_size_of_the_paper(sheets):
    for (_, _, paper), document in sheets.items():
        for page in document:
            size = sorted(one * MM_PER_POINT for one in page.get_size())
            assert size == pytest.approx(sorted(PAPERS_MM[paper]), abs=0.3)


def test_no_text_leaves_the_page_or_covers_another(sheets):
    for key, document in sheets.items():
        for number, page in enumerate(document, start=1):
            width, height = page.get_size()
            found = texts(page)
            assert len(found) > 10  # also on a last page with the rest of a table
            for one in found:
                left, low, right, top = one.box
                assert left > 8, (key, number, one.words)
                assert low > 8, (key, number, one.words)
                assert right < width - 8, (key, number, one.words)
                assert top < height - 8, (key, number, one.words)
            for a, b in combinations([one for one in found if one.upright], 2):
                apart = (
                    min(a.box[2], b.box[2]) - max(a.box[0], b.box[0]) <= 0.3
                    or min(a.box[3], b.box[3]) - max(a.box[1], b.box[1]) <= 0.3
                )
                assert apart, (key, number, a.words, b.words)


def test_no_text_is_smaller_than_6_points(sheets):
    for key, document in sheets.items():
        for page in document:
            for one in texts(page):
                assert one.size >= LEAST_POINTS, (key, one.words, one.size)


def test_fonts_are_embedded_and_none_is_of_type_3(sheets, printed):
    for key, document in sheets.items():
        for page in document:
            for one in page.get_objects(filter=[pdfium_c.FPDF_PAGEOBJ_TEXT], max_depth=4):
                font = pdfium_c.FPDFTextObj_GetFont(one)
                assert pdfium_c.FPDFFont_GetIsEmbedded(font) == 1
        raw = printed.path(*key).read_bytes()
        assert b"/Type3" not in raw
        assert b"/CIDFontType2" in raw


@pytest.mark.parametrize("key", [
    ("plan", "full", "A4"), ("wide", "blank", "Letter"),
    *(pytest.param((name, kind, "A4"), marks=pytest.mark.slow)
      for name, kind in (("plan", "blank"), ("observed", "full"), ("observed", "blank"))),
], ids="-".join)  # fmt: skip
def test_every_text_can_be_read_on_its_ground(printed, key):
    """Contrast of at least 4.5 : 1 (WCAG 2.2, 1.4.3) against the brightest fifth of what lies around the letters."""
    for page in printed[key]:
        picture = np.asarray(page.render(scale=3.0).to_pil().convert("RGB")).astype(float)
        for one in texts(page):
            left, low, right, top = (round(3.0 * edge) for edge in one.box)
            high = picture.shape[0]
            around = picture[high - top - 1 : high - low + 1, left - 1 : right + 2].reshape(-1, 3)
            light = around[np.argsort(around.sum(axis=1))][-max(1, len(around) // 5) :]
            assert contrast(one.colour, np.median(light, axis=0)) >= 4.5, one


@pytest.mark.parametrize(
    "key",
    [
        ("wide", "blank", "Letter"),
        pytest.param(("plan", "blank", "A4"), marks=pytest.mark.slow),
        pytest.param(("observed", "blank", "A4"), marks=pytest.mark.slow),
    ],
    ids="-".join,
)
def test_the_blank_sheet_gives_nothing_away(printed, key):
    lines = [one.words.strip() for page in printed[key] for one in texts(page)]
    told = " ".join(one for one in lines if one not in FULL_CAUTION)
    for word in ("debris", "POA", "lane", "trap", "release", "zone", "burial", "POD", "coverage"):
        assert not re.search(rf"\b{word}", told.replace("UTM zone", ""), re.IGNORECASE), word
    assert "Blank sheet" in told


def test_the_sheet_says_what_is_carried_out(printed, everything):
    told = said_on(printed["plan", "full", "A4"])
    numbers = everything["plan"].numbers
    for row in numbers["route"]:
        assert f"{row['start']['mgrs'][-10:-5]} {row['start']['mgrs'][-5:]}" in told
    for trap in numbers["traps"]:
        assert f"{trap['letter']}{trap['number']}" in told
    for heading in ("Legs", "Clock", "Digging", "Probing", "Terrain traps", "Assumptions", "Notes", "Sources"):
        assert heading in told
    for number, page in enumerate(printed["plan", "full", "A4"], start=1):
        words = " ".join(one.words for one in texts(page))
        assert f"page {number} of {len(printed['plan', 'full', 'A4'])}" in words
        assert "Planning and training aid" in words
    assert "Hidden targets" in said_on(printed["plan", "staff", "A4"])
    assert "Hidden targets" not in told


def test_magnetic_north_has_its_date_or_a_line_to_write_it_on(printed, everything):
    """With a date the declination of the World Magnetic Model (its test values: lanes.csv); without one none at all."""
    without = said_on(printed["plan", "full", "A4"])
    assert "no date was given" in without
    assert "MN" not in [one.words for one in texts(printed["plan", "full", "A4"][0])]
    contents = everything["wide"]
    west, south, east, north = contents.shapes("debris")[0].bounds
    place = to_lonlat(0.5 * (west + east), 0.5 * (south + north), contents.crs)
    expected = declination_deg(place.lon_deg, place.lat_deg, 1700.0, 2027 + 30 / 365)
    told = said_on(printed["wide", "full", "A4"])
    found = re.search(r"MN magnetic north, ([\d.]+)° (east|west) of it on 2027-01-31", told)
    assert float(found[1]) * (1 if found[2] == "east" else -1) == pytest.approx(expected, abs=0.06)


def test_the_second_pass_says_so_and_shows_the_first(printed, wide):
    told = said_on(printed["wide", "full", "A4"])
    assert "Second pass of the signal search, strips of 40 m" in told
    assert "lane of the first pass" in told
    assert len(result_of_plan(wide).layers["first_lanes"].shapes) == len(wide.search.first_lanes) > 0


def test_the_grid_is_utm_whatever_the_map_is_drawn_in():
    """A map in the Swiss grid has lines of the UTM zone that holds it; a UTM map has its own."""
    from pyproj import CRS  # noqa: PLC0415

    swiss, utm = CRS.from_epsg(2056), CRS.from_epsg(25832)
    x, y = transformer(WGS84, swiss).transform(7.44, 46.93)
    assert grid_crs(swiss, (x - 500, y - 500, x + 500, y + 500)).to_epsg() == 32632
    assert grid_crs(utm, (5e5, 5.2e6, 5.01e5, 5.201e6)) == utm


def test_the_same_contents_give_the_same_bytes(printed, written, tmp_path):
    """From the plan, and from its folder read back."""
    first = (written / "sheet.pdf").read_bytes()
    assert b"CreationDate" not in first
    assert printed["plan", "full", "A4"]
    assert printed.path("plan", "full", "A4").read_bytes() == first
    write_map_and_sheet(read_result(written), tmp_path / "map.png", tmp_path / "read.pdf")
    assert (tmp_path / "read.pdf").read_bytes() == first
    assert (tmp_path / "map.png").read_bytes() == (written / "map.png").read_bytes()


@pytest.mark.slow
def test_another_environment_gives_the_same_bytes(written, tmp_path):
    """In other processes, with another hash seed and time zone; a given epoch stands in the file."""
    code = (
        "import sys; from pathlib import Path; from lastseen.output.sheets import plan; "
        "from lastseen.output.read import read_result; "
        "plan.write_sheet(read_result(Path(sys.argv[1])), Path(sys.argv[2]))"
    )
    more = {"PYTHONHASHSEED": "7", "SOURCE_DATE_EPOCH": "1700000000", "TZ": "Asia/Tokyo"}
    for name in ("one", "two"):
        run = [sys.executable, "-c", code, str(written), str(tmp_path / f"{name}.pdf")]
        subprocess.run(run, check=True, env=os.environ | more)
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()
    assert b"2023111" in (tmp_path / "one.pdf").read_bytes()  # 14 November 2023, from the epoch that was given
