"""Scenarios: reading, writing, what is refused and with which words."""

import string
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from lastseen.core.errors import InputError
from lastseen.core.scenario import Override, Scenario, apply_overrides, check_scenario, read_scenario, scenario_toml

FULL = """
name = "bowl above the hut"
elevation = ["tiles/a.tif", "b.tif"]
z_unit = "us-ft"
seed = 7

[last_seen]
at = "32T 630000 5180000"
radius_m = 25.0

[snow]
size = 3
release = "drawn/release.gpkg"
slab_thickness_m = 0.6
friction = [0.25, 0.3, 0.35]
members = 12

[search]
strip_width_m = 50
searchers = 4
pattern = "along"
debris = "debris.geojson"
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "full.toml").write_text(FULL, encoding="utf-8")
    return tmp_path


def test_a_file_is_read_and_its_paths_start_from_its_folder(folder):
    """Relative paths belong to the file, not to where the program was started."""
    got = read_scenario(folder / "full.toml")
    assert got.elevation == (folder / "tiles/a.tif", folder / "b.tif")
    assert got.snow.release == folder / "drawn/release.gpkg"
    assert got.search.debris == folder / "debris.geojson"
    assert (got.name, got.z_unit, got.seed) == ("bowl above the hut", "us-ft", 7)
    assert (got.last_seen.at, got.last_seen.crs, got.last_seen.radius_m) == ("32T 630000 5180000", None, 25.0)
    assert (got.snow.size, got.snow.friction, got.snow.members) == (3, (0.25, 0.3, 0.35), 12)
    assert (got.search.strip_width_m, got.search.searchers, got.search.pattern) == (50.0, 4, "along")


def test_absolute_paths_stay(tmp_path):
    """An absolute path is taken as it is."""
    there = (tmp_path / "elsewhere" / "dem.tif").resolve()
    path = tmp_path / "s.toml"
    path.write_text(f"elevation = ['{there}']\n", encoding="utf-8")
    assert read_scenario(path).elevation == (there,)


def test_what_is_not_given_has_its_default():
    """Friction, slab and burial follow the size; growth, turbulence and strips have ranges of their own."""
    got = check_scenario({"elevation": ["a.tif"]})
    assert got.snow.friction is None  # by size
    assert got.snow.burial is None
    assert got.snow.growth == (0.0, 0.5, 2.0)
    assert got.snow.turbulence_m_s2[1] == 1000.0
    assert got.snow.size == 2
    assert got.search.strip_width_m == 40.0
    assert got.snow.slab_thickness_m is None


def test_a_scenario_survives_being_written(folder):
    """Writing and reading gives the same scenario."""
    one = read_scenario(folder / "full.toml")
    again = folder / "again.toml"
    again.write_text(scenario_toml(one), encoding="utf-8")
    assert read_scenario(again) == one


words = st.text(st.characters(codec="utf-8"), max_size=12)
names = st.text(string.ascii_letters + " üß.-_'\"\\", min_size=1, max_size=9)
scenarios = st.fixed_dictionaries(
    {"elevation": st.lists(names, min_size=1, max_size=3)},
    optional={
        "name": words,
        "seed": st.integers(0, 2**40),
        "z_unit": st.sampled_from(["m", "ft", "us-ft"]),
        "last_seen": st.fixed_dictionaries({"at": words}, optional={"crs": words, "radius_m": st.floats(0.01, 500)}),
        "snow": st.fixed_dictionaries(
            {},
            optional={
                "size": st.integers(1, 4),
                "slab_thickness_m": st.floats(1e-9, 10),
                "release": names,
                "bodies": st.integers(100, 10**6),
            },
        ),
        "search": st.fixed_dictionaries(
            {},
            optional={"start": words, "pattern": st.sampled_from(["across", "along"]), "searchers": st.integers(1, 30)},
        ),
    },
)


@given(scenarios)
@example({"elevation": ["a"], "name": 'tab\t, line\n, quote ", back \\, bell \x07, delete \x7f, \U0001f3d4'})
def test_any_scenario_survives_being_written(raw):
    """Whatever is in a name, the written text is TOML and reads back as the same scenario."""
    one = check_scenario(raw)
    assert check_scenario(tomllib.loads(scenario_toml(one))) == one


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        ({"elevations": ["a"]}, "unknown key 'elevations'; did you mean 'elevation'?"),
        ({"snow": {"frction": [0.2, 0.3, 0.4]}}, "unknown key 'snow.frction'; did you mean 'friction'?"),
        ({"last_seen": {"att": "1,2"}}, "unknown key 'last_seen.att'; did you mean 'at'?"),
        ({"search": {"strip_width": 40}}, "unknown key 'search.strip_width'; did you mean 'strip_width_m'?"),
        ({"search": {"zzz": 40}}, "unknown key 'search.zzz'; known keys are strip_width_m, searchers, start, pattern"),
        ({"weather": {}}, "unknown key 'weather'; known keys are elevation, last_seen, snow, search, name"),
    ],
)
def test_an_unknown_key_is_refused_with_a_suggestion(raw, text):
    """A misspelt key is never passed over."""
    with pytest.raises(InputError) as caught:
        check_scenario({"elevation": ["a.tif"]} | raw)
    assert text in str(caught.value)


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        ({"last_seen": {"radius_m": 0}}, "last_seen.radius_m = 0: input should be greater than 0"),
        ({"last_seen": {"radius_m": 501}}, "last_seen.radius_m = 501"),
        ({"last_seen": {"radius_m": float("nan")}}, "last_seen.radius_m = nan"),
        ({"snow": {"size": 5}}, "snow.size = 5: input should be 1, 2, 3 or 4"),
        ({"snow": {"slab_thickness_m": -0.1}}, "snow.slab_thickness_m = -0.1"),
        ({"snow": {"slab_thickness_m": 11}}, "snow.slab_thickness_m = 11"),
        ({"snow": {"members": 3}}, "snow.members = 3"),
        ({"snow": {"bodies": 99}}, "snow.bodies = 99"),
        ({"snow": {"friction": [0.4, 0.3, 0.2]}}, "snow.friction = [0.4, 0.3, 0.2] must rise from lowest to highest"),
        ({"snow": {"friction": [0.01, 0.3, 0.4]}}, "within 0.05 to 1"),
        ({"snow": {"friction": [0.2, float("nan"), 0.4]}}, "snow.friction"),
        ({"snow": {"turbulence_m_s2": [500, 1000, 9000]}}, "snow.turbulence_m_s2"),
        ({"snow": {"growth": [-1, 0, 1]}}, "snow.growth = [-1.0, 0.0, 1.0]"),
        ({"snow": {"friction": [0.2, 0.3]}}, "snow.friction.2' is missing"),
        ({"search": {"pattern": "spiral"}}, "search.pattern = 'spiral'"),
        ({"search": {"outline_probability": 1.0}}, "search.outline_probability = 1.0"),
        ({"search": {"searchers": 1.5}}, "search.searchers = 1.5"),
        ({"z_unit": "yd"}, "z_unit = 'yd'"),
        ({"seed": -1}, "seed = -1"),
    ],
)
def test_values_out_of_range_are_refused(raw, text):
    """The text names the key and the value."""
    with pytest.raises(InputError) as caught:
        check_scenario({"elevation": ["a.tif"]} | raw, "mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
    assert text in str(caught.value)


def test_all_that_is_wrong_is_told_at_once():
    """Two mistakes give two sentences."""
    with pytest.raises(InputError, match=r"'elevation' is missing.*; the scenario: seed = -1|seed = -1.*'elevation'"):
        check_scenario({"seed": -1})


def test_files_that_cannot_be_read_are_refused(tmp_path):
    """Missing, a folder, not TOML, not text."""
    with pytest.raises(InputError, match=r"nowhere\.toml does not exist"):
        read_scenario(tmp_path / "nowhere.toml")
    with pytest.raises(InputError, match="cannot be read"):
        read_scenario(tmp_path)
    broken = tmp_path / "broken.toml"
    broken.write_text("elevation = [", encoding="utf-8")
    with pytest.raises(InputError, match=r"broken\.toml is not valid TOML"):
        read_scenario(broken)
    broken.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match=r"broken\.toml is not valid TOML"):
        read_scenario(broken)


def test_the_command_line_overrides_the_file():
    """Given values win, None leaves what was there, and the old scenario is untouched."""
    one = check_scenario({"elevation": ["a.tif"], "seed": 3, "snow": {"size": 1}})
    two = apply_overrides(
        one,
        [
            Override(section="", key="elevation", value=[Path("b.tif"), Path("c.tif")]),
            Override(section="", key="seed", value=None),
            Override(section="snow", key="size", value=4),
            Override(section="search", key="strip_width_m", value=20.0),
            Override(section="last_seen", key="at", value="10,46"),
        ],
    )
    assert two.elevation == (Path("b.tif"), Path("c.tif"))
    assert two.seed == 3
    assert two.snow == replace(one.snow, size=4)
    assert two.search == replace(one.search, strip_width_m=20.0)
    assert two.last_seen.at == "10,46"
    assert one.snow.size == 1


def test_the_command_line_is_checked_too():
    """A bad value on the command line is named as such."""
    one = check_scenario({"elevation": ["a.tif"]})
    with pytest.raises(InputError, match=r"the command line: snow\.size = 9"):
        apply_overrides(one, [Override(section="snow", key="size", value=9)])


def test_a_scenario_cannot_be_changed():
    """Frozen, so that a plan and its scenario stay together."""
    one = Scenario(elevation=(Path("a.tif"),))
    with pytest.raises(AttributeError):
        one.seed = 2
