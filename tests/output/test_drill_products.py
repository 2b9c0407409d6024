"""What a drill hands over: sheets as PDF, GPX, numbers, layers, the replay; the same bytes each time."""

import csv
import json
import re
import shutil
import subprocess
from dataclasses import replace

import geopandas
import gpxpy
import numpy as np
import pyogrio
import pytest
from lxml import etree
from pyproj import CRS
from shapely import MultiPolygon, Point, box

from lastseen.core.errors import InputError, OutputExistsError
from lastseen.core.place import WGS84, transformer
from lastseen.jobs.practice.debrief import debrief
from lastseen.jobs.practice.drill import Exercise
from lastseen.jobs.practice.targets import plan_targets
from lastseen.jobs.practice.tracks import NotedTime, read_log
from lastseen.output.read import read_targets
from lastseen.output.result import FULL_CAUTION
from lastseen.output.results.practice import result_of_debrief, result_of_targets, sheet_name
from lastseen.output.write import write_result
from practice.walks import EAST, NORTH, corners_of, plan_on, recorded
from processes import undrawn

pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed: pages were not drawn")
A4_POINTS = (210.0 / 25.4 * 72.0, 297.0 / 25.4 * 72.0)


@pytest.fixture(scope="module")
def plan():
    return plan_on(200.0, 160.0, strip=40.0, searchers=2, slope_deg=15.0, name="Meadow <drill> & more")


@pytest.fixture(scope="module")
def hidden(plan):
    return plan_targets(plan, Exercise(targets=4, decoys=1), 3)


@pytest.fixture(scope="module")
def targets(plan, hidden, tmp_path_factory):
    folder = tmp_path_factory.mktemp("hide") / "targets"
    return folder, write_result(result_of_targets(plan, hidden), folder)


@pytest.fixture(scope="module")
def made(plan, hidden):
    generator = np.random.default_rng(1)
    tracks = [
        recorded(corners_of(plan, k), f"s{k}", noise=lambda n: generator.normal(0.0, 2.0, (n, 2))) for k in (1, 2)
    ]
    log = [
        NotedTime(searcher="s1", target="", phase="A", elapsed_s=30.0, time_s=None),
        NotedTime(searcher="s1", target="T1", phase="B", elapsed_s=90.0, time_s=None),
        NotedTime(searcher="s1", target="T1", phase="C", elapsed_s=120.0, time_s=None),
    ]
    return debrief(plan, tracks, log=log, targets=hidden.targets)


@pytest.fixture(scope="module")
def debriefed(made, tmp_path_factory):
    folder = tmp_path_factory.mktemp("talk") / "debrief"
    return folder, write_result(result_of_debrief(made), folder)


def words_of(path):
    document = pdfium.PdfDocument(path)
    pages = [document[k].get_textpage().get_text_bounded() for k in range(len(document))]
    document.close()
    return " ".join(" ".join(pages).split())


def test_the_folder_of_targets(targets):
    folder, files = targets
    names = [
        "hiding.gpx",
        "searching.gpx",
        "staff.pdf",
        "targets.gpkg",
        "targets.json",
        "times.csv",
        "times.pdf",
        "trainees.pdf",
    ]
    assert [one.name for one in files] == names
    assert sorted(one.name for one in folder.iterdir()) == names


def test_the_folder_of_a_debrief(debriefed):
    names = ["debrief.gpkg", "debrief.json", "replay.html", "searcher-01-s1.pdf", "searcher-02-s2.pdf", "team.pdf"]
    assert [one.name for one in debriefed[1]] == names


@pytest.mark.slow
def test_same_input_same_bytes(plan, hidden, made, targets, debriefed, tmp_path):
    for files in (
        write_result(result_of_targets(plan, hidden), tmp_path / "a"),
        write_result(result_of_debrief(made), tmp_path / "b"),
    ):
        for one in files:
            twin = next(folder / one.name for folder, _ in (targets, debriefed) if (folder / one.name).exists())
            assert one.read_bytes() == twin.read_bytes(), one.name


def test_pages_are_a4_vector_with_letters_and_without_dates(targets, debriefed):
    """A4 (ISO 216: 210 x 297 mm); TrueType letters embedded; the caution on every page; one page each."""
    caution = FULL_CAUTION.split(".", maxsplit=1)[0]
    for path in [*targets[1], *debriefed[1]]:
        if path.suffix != ".pdf":
            continue
        data = path.read_bytes()
        assert b"/CreationDate" not in data
        assert b"/FontFile2" in data
        assert b"/Type3" not in data
        document = pdfium.PdfDocument(path)
        assert len(document) == 1
        assert document[0].get_size() == pytest.approx(A4_POINTS, abs=0.5)
        document.close()
        assert caution in words_of(path)


def test_no_page_is_empty_or_black(targets, debriefed):
    """Drawn, every page has paper and ink."""
    for path in [*targets[1], *debriefed[1]]:
        if path.suffix == ".pdf":
            document = pdfium.PdfDocument(path)
            grey = np.asarray(document[0].render(scale=1.0).to_pil().convert("L"))
            document.close()
            assert 0.01 < (grey < 128).mean() < 0.3
            assert (grey > 250).mean() > 0.3


def test_the_staff_sheet_says_all_and_the_search_sheet_nothing(targets, hidden):
    folder, _ = targets
    staff, trainees = words_of(folder / "staff.pdf"), words_of(folder / "trainees.pdf")
    for one, stake in zip(hidden.targets, hidden.stakes, strict=True):
        assert one.name in staff
        assert f"{stake.from_a_m:.1f}" in staff
        assert f"{one.depth_m:.2f}" in staff
        assert not re.search(rf"\b{one.name}\b", trainees)
    assert "4 transmitters to count back in" in staff
    assert "Dummies only" in staff
    assert "Dummies only" in trainees
    assert not re.search(r"\bL1\b", trainees)
    data = (folder / "searching.gpx").read_text(encoding="utf-8")
    assert "T1" not in data


@pytest.mark.slow
def test_magnetic_north_is_that_of_the_plan(plan, hidden, tmp_path):
    """The declination of the plan and its day stand on the sheets of the drill; without a day a line to write it on."""
    dated = replace(plan, declination_deg=3.9, date="2026-12-01")
    write_result(result_of_targets(dated, hidden), tmp_path / "dated")
    write_result(result_of_targets(plan, hidden), tmp_path / "plain")
    assert "MN magnetic north, 3.9° east of it on 2026-12-01" in words_of(tmp_path / "dated" / "staff.pdf")
    assert "no date was given; write it in" in words_of(tmp_path / "plain" / "staff.pdf")


@pytest.mark.slow
def test_a_map_in_another_datum_says_so(plan, hidden, tmp_path):
    """MGRS places are in WGS 84; who reads them off a grid of 1927 would dig elsewhere."""
    write_result(result_of_targets(replace(plan, crs=CRS("EPSG:26710")), hidden), tmp_path / "old")
    assert "the grid of the map is NAD27 / UTM zone 10N" in words_of(tmp_path / "old" / "staff.pdf").replace(
        "The", "the"
    )


@pytest.mark.slow
def test_many_targets_go_on_a_second_page(plan, tmp_path):
    many = plan_targets(plan, Exercise(targets=40, decoys=20, apart_m=1.0), 1)
    write_result(result_of_targets(plan, many), tmp_path / "many")
    document = pdfium.PdfDocument(tmp_path / "many" / "staff.pdf")
    assert len(document) == 3 or len(document) == 2
    document.close()
    text = words_of(tmp_path / "many" / "staff.pdf")
    assert all(one.name in text for one in many.targets)


def test_gpx_holds_against_its_schema_and_lies_at_the_right_places(plan, hidden, targets):
    """GPX 1.1; waypoints at the targets to a decimetre; the outline closes."""
    to_map = transformer(WGS84, plan.crs)
    hiding = gpxpy.parse((targets[0] / "hiding.gpx").read_text(encoding="utf-8"))
    assert [one.name for one in hiding.waypoints] == ["A", "B", *hidden.order]
    places = {one.name: one for one in (*hidden.marks, *hidden.targets)}
    for point in hiding.waypoints:
        x, y = to_map.transform(point.longitude, point.latitude)
        assert Point(x, y).distance(Point(places[point.name].x_m, places[point.name].y_m)) < 0.1
    searching = gpxpy.parse((targets[0] / "searching.gpx").read_text(encoding="utf-8"))
    ring = searching.tracks[0].segments[0].points
    assert (ring[0].latitude, ring[0].longitude) == (ring[-1].latitude, ring[-1].longitude)
    xy = np.column_stack(to_map.transform([p.longitude for p in ring], [p.latitude for p in ring]))
    assert MultiPolygon([box(*xy.min(axis=0), *xy.max(axis=0))]).symmetric_difference(plan.outline).area < 10.0
    for name in ("hiding.gpx", "searching.gpx"):
        root = etree.fromstring((targets[0] / name).read_bytes())
        assert root.tag == "{http://www.topografix.com/GPX/1/1}gpx"
        assert root.get("version") == "1.1"
        assert FULL_CAUTION in root.xpath("string()")


def test_targets_come_back_as_they_were(targets, hidden, tmp_path):
    again = read_targets(targets[0])
    assert again.order == hidden.order
    assert again.exercise == hidden.exercise
    for one, other in zip(again.targets, hidden.targets, strict=True):
        assert (one.name, one.what) == (other.name, other.what)
        assert (one.x_m, one.y_m, one.depth_m) == pytest.approx((other.x_m, other.y_m, other.depth_m), abs=0.001)
    with pytest.raises(InputError, match="drill targets"):
        read_targets(tmp_path)


def test_the_form_for_times_is_read_back(targets, tmp_path):
    """As it is it holds no time; filled in it is a log."""
    form = targets[0] / "times.csv"
    assert read_log(form) == ()
    rows = [row for row in csv.reader(form.read_text(encoding="utf-8").splitlines()) if not row[0].startswith("#")]
    filled = tmp_path / "filled.csv"
    with filled.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([rows[0], *([*row[:3], f"{k}:00"] for k, row in enumerate(rows[1:]))])
    assert len(read_log(filled)) == len(rows) - 1


def test_older_results_are_kept(plan, hidden, made, targets, debriefed):
    with pytest.raises(OutputExistsError, match=r"targets\.json"):
        write_result(result_of_targets(plan, hidden), targets[0])
    with pytest.raises(OutputExistsError, match=r"debrief\.json"):
        write_result(result_of_debrief(made), debriefed[0])
    with pytest.raises(OutputExistsError, match="never replaced"):
        write_result(result_of_debrief(made), targets[0], overwrite=True)


def test_numbers_and_layers_agree_with_the_debrief(made, debriefed):
    folder, _ = debriefed
    numbers = json.loads((folder / "debrief.json").read_text(encoding="utf-8"))
    assert numbers["caution"] == FULL_CAUTION
    assert numbers["team"]["sure"] == pytest.approx(made.band.sure, abs=1e-4)
    assert numbers["team"]["half"] == pytest.approx(made.band.half, abs=1e-4)
    assert [one["track"] for one in numbers["searchers"]] == ["s1", "s2"]
    assert {one["letter"] for one in numbers["searchers"][0]["phases"]} == {"A", "B", "C"}
    assert sum(numbers["poa"]["after"].values()) == pytest.approx(1.0, abs=1e-3)
    path = folder / "debrief.gpkg"
    assert [name for name, _ in pyogrio.list_layers(path)] == ["tracks", "coverage", "gaps", "turns", "run"]
    band = geopandas.read_file(path, layer="coverage")
    assert band.area.sum() == pytest.approx(made.plan.outline.area, rel=0.01)
    sure = band[band["kind"] == "surely covered"].area.sum() / band.area.sum()
    assert sure == pytest.approx(made.band.sure, abs=0.01)
    assert len(geopandas.read_file(path, layer="tracks")) == 2


def test_a_name_of_a_track_is_no_path(made):
    from dataclasses import replace  # noqa: PLC0415

    one = made.searchers[0]
    odd = replace(one, track=replace(one.track, name="../../etc/ä b\n"))
    assert sheet_name(odd) == "searcher-01-etc-b.pdf"


def replay_data(path):
    text = path.read_text(encoding="utf-8")
    return text, json.loads(re.search(r'id="data">(.*?)</script>', text, re.DOTALL)[1])


def test_the_replay_needs_no_network_and_holds_the_debrief(made, debriefed):
    text, data = replay_data(debriefed[0] / "replay.html")
    assert not re.search(r"https?://|src=\"(?!data:)|@import|url\(", text)
    assert "default-src 'none'" in text
    assert "Meadow &lt;drill&gt; &amp; more" in text
    assert len(data["outline"]) == 1
    assert [one["name"] for one in data["tracks"]] == ["s1", "s2"]
    assert sum(data["cover"]["w"]) == pytest.approx(1.0, abs=1e-3)
    last = sum(w for w, t in zip(data["cover"]["w"], data["cover"]["recorded"], strict=True) if 0 <= t <= data["end_s"])
    assert last == pytest.approx(made.band.half, abs=0.01)
    assert all(a <= b for one in data["tracks"] for a, b in zip(one["t"], one["t"][1:], strict=False))
    assert FULL_CAUTION.split(".", maxsplit=1)[0] in text


def test_a_name_cannot_end_the_script(plan, made, tmp_path):
    from dataclasses import replace  # noqa: PLC0415

    bad = replace(made, plan=replace(plan, name="</script><script>alert(1)</script>"))
    with undrawn():
        write_result(result_of_debrief(bad), tmp_path / "bad")
    text, data = replay_data(tmp_path / "bad" / "replay.html")
    assert "<script>alert" not in text
    assert data["name"] == "</script><script>alert(1)</script>"


@pytest.mark.slow
def test_the_replay_runs_in_a_browser(debriefed, tmp_path):
    """From disk, at two moments: the share covered grows, and nothing is thrown."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if browser is None:
        pytest.skip("no browser on this machine: the replay was not run")
    shares = []
    for moment in (30, 9999):
        page = f"file://{debriefed[0] / 'replay.html'}#t={moment}"
        given = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            f"--user-data-dir={tmp_path}",
            "--enable-logging=stderr",
        ]
        words = [browser, *given, "--enable-logging=stderr", "--virtual-time-budget=2000", "--dump-dom", page]
        done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=120)
        assert "Uncaught" not in done.stderr
        shares.append(int(re.search(r"Covered as recorded (\d+) %", done.stdout)[1]))
    assert shares[0] < shares[1]
    assert shares[1] >= 95


@pytest.mark.slow
def test_untimed_tracks_are_handed_over(plan, tmp_path):
    """No clock: pages without a course, a replay that stands still."""
    from dataclasses import replace  # noqa: PLC0415

    raw = recorded(corners_of(plan, 1), "s1")
    still = debrief(plan, [replace(raw, time_s=np.full(raw.time_s.size, np.nan))])
    write_result(result_of_debrief(still), tmp_path / "still")
    numbers = json.loads((tmp_path / "still" / "debrief.json").read_text(encoding="utf-8"))
    assert numbers["clock_zero"] is None
    assert numbers["searchers"][0]["begin_s"] is None
    _, data = replay_data(tmp_path / "still" / "replay.html")
    assert data["timed"] is False
    assert data["tracks"][0]["t"] is None
    assert (EAST, NORTH) == (600_000.0, 5_100_000.0)
