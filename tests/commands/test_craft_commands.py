"""The commands range, clock, probe, dig and areas: streams, files, exit codes."""

import json

import pytest
from typer.testing import CliRunner

from lastseen.cli import app
from lastseen.core.errors import InputError, OutputExistsError
from lastseen.output.result import FULL_CAUTION
from processes import run_command

COMMANDS = {
    "range": ["range", "--max-range", "45", "--sd", "3"],
    "clock": ["clock", "--walk", "12"],
    "probe": ["probe", "--depth", "1.1"],
    "dig": ["dig", "--depth", "1.5", "--slope", "25", "--diggers", "4"],
    "areas": ["areas", "--area", "toe,0.4,0.9,5", "--area", "flank,0.2,0.9,4"],
}


def run(*words):
    """Run in this process; errors of the family come back as they are."""
    done = CliRunner().invoke(app, [str(word) for word in words], standalone_mode=False)
    if done.exception is not None:
        raise done.exception
    return done.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_table_on_standard_output(name):
    """A plain table with the caution."""
    text = run(*COMMANDS[name])
    assert " ".join(FULL_CAUTION.split()) in " ".join(text.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_json_is_one_document(name):
    """--json is one document with version, caution and kind, and no NaN."""
    document = json.loads(run(*COMMANDS[name], "--json"), parse_constant=pytest.fail)
    assert document["schema_version"] == 1
    assert document["kind"] == name
    assert document["caution"] == FULL_CAUTION


def test_range_numbers():
    """Strip rules, the user's own width and depth are in the document."""
    document = json.loads(
        run(*COMMANDS["range"], "--depth", "1.5", "--strip-width", "35", "--antennas", "1", "--json")
    )  # fmt: skip
    assert (document["width_m"], document["width_given"]) == (35.0, True)
    assert [rule["name"] for rule in document["rules"]] == ["worst case", "statistical", "survival-optimised"]
    assert document["rules"][0]["width_m"] is None
    assert document["rules"][1]["width_m"]["typical"] == pytest.approx(31.2)
    assert document["rules"][1]["confidence"] == "from memory"
    assert document["reach_m"][0][1] < 35.7165


def test_dig_and_probe_numbers():
    """Diggers by both rules, starting places; holes and both kinds of POD."""
    dig = json.loads(run("dig", "--depth", "3", "--diggers", "2", "--json"))
    assert dig["needed"] == {"scheme": 8, "2023": 6}
    assert dig["starts"][1]["downhill_m"] == [4.0, 4.0]
    probe = json.loads(run("probe", "--seconds-per-hole", "5", "--area", "10", "10", "--slope", "30", "--json"))
    assert probe["spiral"]["holes"] == len(probe["spiral"]["across_m"]) == 113
    slalom = next(one for one in probe["lines"] if one["line"]["name"] == "slalom")
    assert (slalom["holes"], slalom["line"]["pod"]) == (400, 0.88)
    assert set(slalom["computed_pod"]) == {"rectangle, flat", "ellipse, flat", "ellipsoid, any way"}
    assert slalom["minutes"] > 0


def test_clock_takes_the_users_values():
    """Three numbers for each assumed value."""
    document = json.loads(
        run(
            *COMMANDS["clock"], "--clue", "1", "1", "1", "--fine-speed", "0.1", "0.1", "0.1", "--coarse-speed", "1",
            "1", "1", "--hole-seconds", "4", "4", "4", "--curve", "rauch-2024", "--json",
        )
    )  # fmt: skip
    times = {phase["name"]: phase["time_s"] for phase in document["phases"]}
    assert times["clue search"] == {"low": 60.0, "typical": 60.0, "high": 60.0}
    assert times["fine search"]["typical"] == pytest.approx(30.0)
    assert document["curve"]["name"] == "rauch-2024"


def test_clock_reads_a_plan_folder(tmp_path):
    """Walking times and strip width come from the plan; a broken plan is refused in one sentence."""
    route = [
        {"searcher": 1, "kind": "approach", "length_m": 50.0, "time_s": 60.0, "slope_deg": 0.0},
        {"searcher": 1, "kind": "lane", "length_m": 200.0, "time_s": 200.0, "slope_deg": 0.0},
    ]
    numbers = {
        "grid": {"crs": "EPSG:32632"},
        "route": route,
        "coverage": {"strip_width_m": 30.0},
        "search": {"trials": []},
    }
    (tmp_path / "plan.json").write_text(json.dumps(numbers), encoding="utf-8")
    document = json.loads(run("clock", "--plan", tmp_path, "--json"))
    times = {phase["name"]: phase["time_s"] for phase in document["phases"]}
    assert times["approach"]["typical"] == pytest.approx(60.0)
    assert times["signal search"]["typical"] == pytest.approx(100.0, abs=0.5)
    assert times["coarse search"]["high"] == pytest.approx(27.0)
    (tmp_path / "plan.json").write_text("{}", encoding="utf-8")
    with pytest.raises(InputError, match="is no plan that can be read"):
        run("clock", "--plan", tmp_path)


@pytest.mark.parametrize("name", ["range", "clock"])
def test_folder_holds_figure_numbers_and_table(name, tmp_path):
    """-o writes three files, refuses to write again, and writes again with --overwrite."""
    folder = tmp_path / "out"
    assert f"Written to {folder}" in run(*COMMANDS[name], "-o", folder)
    assert sorted(one.name for one in folder.iterdir()) == [f"{name}.{end}" for end in ("json", "png", "txt")]
    assert json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))["caution"] == FULL_CAUTION
    assert (folder / f"{name}.png").read_bytes().startswith(b"\x89PNG")
    with pytest.raises(OutputExistsError):
        run(*COMMANDS[name], "-o", folder)
    run(*COMMANDS[name], "-o", folder, "--overwrite")


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["range", "--max-range", "0", "--sd", "3"], "the range is 0 m"),
        (["range", "--max-range", "-5", "--sd", "3"], "the range is -5 m"),
        (["range", "--max-range", "45", "--sd", "30"], "the standard deviation is 30 m"),
        (["range", "--max-range", "45", "--sd", "3", "--depth", "60"], "the burial depth is 60 m"),
        (["clock", "--walk", "12", "--curve", "nix"], "no survival curve is called 'nix': choose one of rauch-2024"),
        (["clock"], "either a plan with --plan or a walking time with --walk"),
        (["clock", "--plan", "nowhere"], "holds no plan.json and no search.json"),
        (["clock", "--walk", "0"], "a walk of 0 min"),
        (["clock", "--walk", "12", "--clue", "3", "2", "1"], "is no range"),
        (["dig", "--depth", "1.5", "--diggers", "0"], "0 diggers: at least one person must dig"),
        (["probe", "--spacing", "0"], "the spacing is 0 m"),
        (["areas", "--area", "toe"], "'toe' is no area"),
    ],
)
def test_bad_input_is_one_sentence(words, text):
    """What cannot be used is said in one sentence, before anything is written."""
    with pytest.raises(InputError) as caught:
        run(*words)
    assert text in str(caught.value)
    assert "\n" not in str(caught.value)


def test_exit_code_and_streams():
    """In a process of its own: code 3, the sentence on standard error, nothing on standard output."""
    code, out, err = run_command("dig", "--depth", "1", "--diggers", "0")
    assert (code, out) == (3, "")
    assert err == "lastseen: 0 diggers: at least one person must dig\n"


def test_commands_are_listed():
    """--help names them."""
    text = run("--help")
    for name in COMMANDS:
        assert name in text
