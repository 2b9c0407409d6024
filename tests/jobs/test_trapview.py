"""Traps and start zones on their own: of a point, of a whole model, with layers, and what is refused."""

import dataclasses

import geopandas
import numpy as np
import pytest
from shapely import box

import hills
from lastseen.core.errors import InputError, ResourceError
from lastseen.core.machine import shared_folder
from lastseen.core.scenario import check_scenario
from lastseen.jobs.plan import make_plan
from lastseen.jobs.trap_view import MOST_CELLS, view_traps
from lastseen.traps.find import find_traps
from lastseen.traps.ground import find_ground_in_travel_angle

QUICK = {"members": 8, "bodies": 400}
AT = {"at": f"{hills.WEST_M + 430},{hills.NORTH_M - 300}", "crs": "32632"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("view")
    hills.write(place / "hill.tif", hills.hill_with_gully())
    return place


def scenario(folder, point=True, size=3, **ground):
    raw = {"elevation": [folder / "hill.tif"], "snow": {"size": size, **QUICK}, "ground": ground}
    return check_scenario(raw | ({"last_seen": AT} if point else {}))


def vector(path, *shapes):
    geopandas.GeoSeries(list(shapes), crs=hills.EPSG).to_file(path)
    return path


@pytest.fixture(scope="module")
def of_point(folder):
    return view_traps(scenario(folder))


@pytest.fixture(scope="module")
def of_all(folder):
    return view_traps(scenario(folder, point=False))


def test_a_point_gives_the_traps_of_its_plan(of_point):
    """The same traps, shares and burial as the plan; notes on walking are left out."""
    plan = of_point.plan
    assert [t.reason for t in of_point.traps] == [t.reason for t in plan.model.traps]
    assert [t.person_ends for t in of_point.traps] == [t.person_ends for t in plan.model.traps]
    assert of_point.traps
    assert not any("Tobler" in note or "legs" in note for note in of_point.notes)
    assert any("wind, snowpack" in note for note in of_point.notes)
    assert 0 < len(of_point.own_areas) <= len(of_point.areas)


def test_a_whole_model_needs_no_point(of_all):
    """Traps below release areas only; nobody is carried; the angle of the energy line is said."""
    assert of_all.plan is None
    assert of_all.traps
    start = np.zeros(of_all.terrain.elevation.shape, bool)
    for one in of_all.areas:
        start.ravel()[one.cells] = True
    reached = find_ground_in_travel_angle(of_all.terrain.elevation, start, 20.0)
    for trap in of_all.traps:
        assert trap.person_passes == 0.0
        assert reached.ravel()[trap.cells].any()
    assert any("20 degrees" in note and "outer bound" in note for note in of_all.notes)
    assert [t.number for t in of_all.traps] == list(range(1, len(of_all.traps) + 1))


def test_trees_take_away_start_zones_and_become_a_trap(folder, of_all):
    """A wood over the western half of the slope."""
    wood = box(hills.WEST_M, hills.NORTH_M - 1100, hills.WEST_M + 450, hills.NORTH_M)
    view = view_traps(scenario(folder, point=False, trees=vector(folder / "wood.gpkg", wood)))
    assert sum(one.area_m2 for one in view.areas) < 0.7 * sum(one.area_m2 for one in of_all.areas)
    for one in view.areas:
        assert one.outline.intersection(wood).area < 0.06 * one.map_area_m2 + 500.0
    assert "trees" in {t.kind for t in view.traps}


@pytest.mark.slow
def test_layers_reach_the_plan(folder, of_point):
    """Trees move the release, water is a trap with shares, no-go ground is handed on, files are named."""
    wood = box(hills.WEST_M + 380, hills.NORTH_M - 700, hills.WEST_M + 430, hills.NORTH_M - 300)
    lake = box(hills.WEST_M + 300, hills.NORTH_M - 960, hills.WEST_M + 600, hills.NORTH_M - 700)
    forbidden = box(hills.WEST_M + 440, hills.NORTH_M - 800, hills.WEST_M + 480, hills.NORTH_M - 760)
    plain = of_point.plan
    plan = make_plan(scenario(
        folder, trees=vector(folder / "t.gpkg", wood), water=vector(folder / "w.gpkg", lake),
        no_go=vector(folder / "n.gpkg", forbidden),
    ))  # fmt: skip
    assert plain.model.release.outline.intersection(wood).area > 300.0
    assert plan.model.release.outline.intersection(wood).area < 0.1 * wood.area
    water = next(t for t in plan.model.traps if t.kind == "water")
    assert water.person_passes > 0.05
    assert "water" in water.consequences
    assert plan.layers.of("no_go").outline.equals(plan.layers.of("no_go").outline.intersection(forbidden))
    assert plan.layers.of("no_go").outline.area == pytest.approx(forbidden.area)
    assert plain.layers.layers == ()


def test_a_layer_elsewhere_is_refused_before_any_work(folder):
    far = vector(folder / "far.gpkg", box(0, 0, 10, 10))
    for point in (True, False):
        with pytest.raises(InputError, match=r"far\.gpkg does not overlap the elevation model"):
            view_traps(scenario(folder, point=point, water=far))


def test_traps_that_no_start_zone_reaches_are_left_out(folder):
    """A gully in gentle ground is found on all ground, and not below release areas; the note says what that means."""
    x, _ = np.meshgrid((np.arange(180) + 0.5) * hills.CELL_M, (np.arange(220) + 0.5) * hills.CELL_M)
    gully = 7.0 * np.clip(1.0 - np.abs(x - 430.0) / 14.0, 0.0, 1.0)
    hills.write(folder / "gentle.tif", 0.2 * hills.hill() - gully)
    view = view_traps(check_scenario({"elevation": [folder / "gentle.tif"]}))
    everywhere = np.ones(view.terrain.elevation.shape, bool)
    assert [t.kind for t in find_traps(view.terrain, everywhere)] == ["gully"]
    assert view.traps == view.areas == ()
    assert any("does not say that there is none" in note for note in view.notes)


def test_no_data_all_over_is_refused(folder):
    hills.write(folder / "none.tif", np.full((50, 50), np.nan))
    with pytest.raises(InputError, match="only no data"):
        view_traps(check_scenario({"elevation": [folder / "none.tif"]}))


def test_too_large_a_model_is_refused_with_advice(folder, monkeypatch):
    monkeypatch.setattr("lastseen.jobs.trap_view.MOST_CELLS", 1000)
    with pytest.raises(ResourceError, match="give a last-seen point with --at"):
        view_traps(scenario(folder, point=False))
    assert MOST_CELLS >= 10_000_000


def test_an_observed_outline_has_no_traps(folder):
    outline = vector(folder / "d.gpkg", box(*(np.array([400, -900, 500, -800]) + [hills.WEST_M, hills.NORTH_M] * 2)))
    given = scenario(folder)
    with pytest.raises(InputError, match="not an observed outline"):
        view_traps(dataclasses.replace(given, search=dataclasses.replace(given.search, debris=outline)))


def test_one_thread_or_two(folder, monkeypatch, of_all):
    for threads in ("1", "2"):
        monkeypatch.setenv("LASTSEEN_THREADS", threads)
        view = view_traps(scenario(folder, point=False))
        assert [t.reason for t in view.traps] == [t.reason for t in of_all.traps]
        assert [a.cells.tolist() for a in view.areas] == [a.cells.tolist() for a in of_all.areas]


@pytest.mark.slow
def test_traps_of_the_demo_and_its_parts():
    """On the invented mountain the couloir and gully are one trap, told in stretches that sum to the whole."""
    from lastseen.core.scenario import read_scenario  # noqa: PLC0415

    given = read_scenario(shared_folder("demo") / "bowl.toml")
    view = view_traps(dataclasses.replace(given, snow=dataclasses.replace(given.snow, members=8, bodies=800)))
    gully = view.traps[0]
    assert gully.kind == "gully"
    assert len(gully.parts) >= 4
    assert sum(part.person_ends for part in gully.parts) == pytest.approx(gully.person_ends)
    assert gully.burial_m > 0.1
