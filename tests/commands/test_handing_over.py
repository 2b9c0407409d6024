"""export and show as a user meets them: from a folder, by their streams and exit codes."""

import json

import pytest

from commands.test_cli import CODES
from processes import run_command
from reference_rows import read_reference


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A search over a drawn outline: the quickest folder there is."""
    folder = tmp_path_factory.mktemp("Ötztal ü")
    ring = [[11.0, 47.0], [11.002, 47.0], [11.002, 47.001], [11.0, 47.001], [11.0, 47.0]]
    outline = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    (folder / "outline.geojson").write_text(json.dumps(outline), encoding="utf-8")
    code, out, err = run_command("strips", folder / "outline.geojson", "-o", folder / "search", drawn=False)
    assert code == CODES["ok"], err
    return folder / "search", out


def test_show_says_what_the_command_said(made):
    folder, said = made
    code, out, err = run_command("show", folder)
    assert (code, out) == (CODES["ok"], said), err
    code, out, _ = run_command("show", folder, "--json")
    assert code == CODES["ok"]
    assert out == (folder / "search.json").read_text(encoding="utf-8")


def test_export_writes_files_and_says_which(made, tmp_path):
    folder, _ = made
    code, out, err = run_command("export", folder, "--to", "gpx, KML,geojson".lower(), "-o", tmp_path / "out")
    assert code == CODES["ok"], err
    names = ["lanes.gpx", "search.geojson", "search.kml"]
    assert out.splitlines() == [str(tmp_path / "out" / name) for name in names]
    assert sorted(one.name for one in (tmp_path / "out").iterdir()) == names
    code, out, _ = run_command("export", folder, "--to", "gpx", "--device", "basic", "-o", tmp_path / "out", "-q")
    assert (code, out) == (CODES["ok"], "")
    assert (tmp_path / "out" / "lanes-S1.gpx").is_file()


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("export", "{plan}", "--to", "dxf"), "input", "'dxf' is no product: choose from"),
        (("export", "{plan}", "--to", "gpx", "--device", "huge"), "input", "choose full or basic"),
        (("export", "{plan}", "--to", "gpx", "--paper", "A9"), "input", "choose A4, Letter or A3"),
        (("export", "{plan}"), "usage", "--to"),
        (("export", "nowhere", "--to", "gpx"), "input", "name the folder of a plan or of a search"),
        (("show", "nowhere"), "input", "name the folder of a plan or of a search"),
        (
            ("compare", "nowhere", "--observed", "x.gpkg"),
            "input",
            "nowhere holds no plan.json: name",
        ),
        (("compare", "{plan}", "--observed", "x.gpkg"), "input", "holds no plan.json"),
        (("compare", "{plan}"), "usage", "--observed"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence(made, words, code, said):
    got, out, err = run_command(*(word.format(plan=made[0]) for word in words))
    assert (got, out) == (CODES[code], ""), err
    assert said in err
    assert len(err.strip().splitlines()) == 1


def test_a_file_that_says_something_else_is_refused_and_replaced_when_asked(made, tmp_path):
    words = ("export", made[0], "--to", "gpx", "-o", tmp_path)
    (tmp_path / "lanes.gpx").write_text("mine")
    code, _, err = run_command(*words)
    assert code == CODES["exists"]
    assert "--overwrite" in err
    assert (tmp_path / "lanes.gpx").read_text() == "mine"
    assert run_command(*words, "--overwrite")[0] == CODES["ok"]


def test_declination_is_checked_against_published_test_values():
    """At least ten rows of the check are test values of the makers of the World Magnetic Model 2025."""
    rows = [row for row in read_reference("lanes") if row["quantity"] == "magnetic_declination_deg"]
    assert len(rows) >= 10
    for row in rows:
        assert row["confidence"] == "published"
        assert row["tolerance"] <= 0.0051
