"""The whole story: the same mountain gives the same plan, however it lies, and bad input gets one clear sentence."""

import dataclasses
import importlib
import re

import geopandas
import numpy as np
import pytest
from pyproj import CRS
from shapely import box

import hills
from lastseen.core.errors import InputError, LastseenError, NothingFoundError
from lastseen.core.outlines import cells_of_outline
from lastseen.core.scenario import LastSeen, Scenario, Search, Snow
from lastseen.jobs.notes import note_grid
from lastseen.jobs.plan import make_plan
from lastseen.snow.friction import friction_by_size
from oracles.coverage import coverage_fraction

QUICK = Snow(size=2, members=16, bodies=800, tracers=80)
MODELS = [pytest.param("flow", marks=pytest.mark.slow), "body"]


def question(path, x=432.0, y=221.0, *, west=hills.WEST_M, north=hills.NORTH_M, **more):
    """A scenario with the last-seen point at metres from the upper left corner."""
    at = LastSeen(at=f"{west + x},{north - y}", crs=f"EPSG:{hills.EPSG}")
    return Scenario(**({"elevation": (path,), "last_seen": at, "snow": QUICK} | more))


@pytest.fixture(scope="module", params=MODELS)
def plain(request, tmp_path_factory):
    path = hills.write(tmp_path_factory.mktemp("hill") / "hill.tif", hills.hill())
    return make_plan(question(path, snow=dataclasses.replace(QUICK, model=request.param)))


def numbers(plan):
    model, search = plan.model, plan.search
    return {
        "release": model.release.area_m2,
        "volume": model.release.volume_m3,
        "debris": plan.debris.area_m2,
        "inside": model.person.inside_debris,
        "angle": model.runout.travel_angle_deg.p50,
        "length": model.runout.length_m.p50,
        "lanes": float(len(search.lanes)),
        "walk": search.walk_m(1),
        "coverage": search.coverage.fraction,
    }


def same(plan, other, tolerance, but=()):
    for name, value in numbers(plan).items():
        if name not in but:
            assert numbers(other)[name] == pytest.approx(value, rel=tolerance), name


def test_same_question_same_bytes(plain):
    """The same scenario gives the same plan bit for bit."""
    again = make_plan(plain.scenario)
    np.testing.assert_array_equal(again.model.person.poa.values, plain.model.person.poa.values)
    np.testing.assert_array_equal(again.debris.probability.values, plain.debris.probability.values)
    assert [lane.line.wkb for lane in again.search.lanes] == [lane.line.wkb for lane in plain.search.lanes]


@pytest.mark.parametrize("threads", ["1", "3"])
def test_any_number_of_threads_gives_the_same_bytes(plain, threads, monkeypatch):
    """One thread or three: the same plan bit for bit."""
    monkeypatch.setenv("LASTSEEN_THREADS", threads)
    again = make_plan(plain.scenario)
    np.testing.assert_array_equal(again.model.person.poa.values, plain.model.person.poa.values)
    np.testing.assert_array_equal(again.debris.thickness_m.values, plain.debris.thickness_m.values)


def test_another_seed_gives_another_draw_of_the_same_plan(plain):
    """Seeds change the draws, and the answer only within sampling error."""
    other = make_plan(dataclasses.replace(plain.scenario, seed=99))
    assert not np.array_equal(other.model.person.poa.values, plain.model.person.poa.values)
    area, other_area = (float(one.debris.probability.values.sum()) for one in (plain, other))
    assert other_area == pytest.approx(area, rel=0.25)


def test_shifted_mountain_gives_the_same_plan(plain, tmp_path):
    """Moved 10 km east and 5 km south, everything keeps its size."""
    west, north = hills.WEST_M + 10_000.0, hills.NORTH_M - 5_000.0
    path = hills.write(tmp_path / "hill.tif", hills.hill(), west, north)
    same(plain, make_plan(question(path, west=west, north=north, snow=plain.scenario.snow)), 1e-6)


def test_raised_mountain_gives_the_same_plan(plain, tmp_path):
    """A thousand metres higher, everything keeps its size."""
    same(
        plain,
        make_plan(question(hills.write(tmp_path / "hill.tif", hills.hill() + 1000.0), snow=plain.scenario.snow)),
        1e-6,
    )


def test_turned_mountain_gives_the_same_plan(plain, tmp_path):
    """Turned by 90 degrees, all but the cut into lanes keeps its size within a hundredth."""
    path = hills.write(tmp_path / "hill.tif", np.rot90(hills.hill()))
    # Counter-clockwise: a point x right and y down of the corner goes to (y, width - x).
    same(
        plain,
        make_plan(question(path, 221.0, 180 * hills.CELL_M - 432.0, snow=plain.scenario.snow)),
        0.01,
        but=("lanes", "walk"),
    )


def test_mirrored_mountain_gives_the_same_plan(plain, tmp_path):
    """Mirrored, everything keeps its size within sampling error: draws are not mirrored."""
    path = hills.write(tmp_path / "hill.tif", hills.hill()[:, ::-1])
    mirrored = numbers(make_plan(question(path, 180 * hills.CELL_M - 432.0, snow=plain.scenario.snow)))
    for name, value in numbers(plain).items():
        if name != "lanes":  # few long ones or many short ones: two layouts of nearly the same chance
            assert mirrored[name] == pytest.approx(value, rel=0.35 if name == "walk" else 0.12), name


def test_poa_sums_to_one_and_its_share_outside_is_told(plain):
    """POA sums to 1, and the share inside the outline is what lies in its cells."""
    poa = plain.model.person.poa
    assert plain.model.person.left_share == 0.0
    assert poa.values.sum() == pytest.approx(1.0, abs=1e-12)
    assert (poa.values >= 0).all()
    inside = poa.values.ravel()[cells_of_outline(plain.debris.outline, poa)].sum()
    assert plain.model.person.inside_debris == pytest.approx(inside)
    assert sum(zone.poa for zone in plain.model.zones) == pytest.approx(inside, abs=1e-9)


def test_mass_is_kept(plain):
    """Released and entrained mass equals deposited mass in the mean over all events."""
    members = plain.model.ensemble.draws
    grid = plain.debris.thickness_m
    assert grid.values.sum() * grid.cell_area_m2 == pytest.approx(members.deposit_m3.mean(), rel=1e-4)
    released = plain.model.release.area_m2 * members.extent_cells / plain.model.release.nominal_cells * members.slab_m
    grown = members.deposit_m3 * 400.0 / (released * 200.0)
    # The flow takes its release from the slope of each cell, and can run out of snow to take along.
    exact = plain.model.ensemble.model == "body"
    assert (grown <= (1.0 + members.growth) * (1.0 + 1e-12 if exact else 1.05)).all()
    np.testing.assert_allclose(grown, 1.0 + members.growth, rtol=1e-12 if exact else 0.25)


def test_debris_lies_below_the_release_and_thins_to_nothing(plain):
    """The deposit is below the crown, its outline is where the stated share of events leaves debris."""
    ground = plain.terrain.elevation
    cells = cells_of_outline(plain.debris.outline, ground)
    assert ground.values.ravel()[cells].max() < float(ground.sample(*plain.model.release.top_m))
    share = plain.debris.probability.values.ravel()[cells]
    assert np.quantile(share, 0.05) > 0.5 * plain.debris.level
    assert plain.debris.probability.values.max() <= 1.0


def test_reported_coverage_is_the_measured_one(plain):
    """Coverage equals that of an independent 3-D measurement of the same walk, within a fifth of a per cent."""
    walked = [leg.line for leg in plain.search.legs if leg.kind != "approach"]
    ground = plain.terrain.elevation

    def measured(outline):
        return coverage_fraction(
            outline, walked, ground.values, ground.west_m, ground.north_m, ground.cell_m, 20.0, 1.0
        )

    assert measured(plain.debris.outline.difference(plain.search.later)) >= 0.988  # what is left for later aside
    assert plain.search.coverage.fraction == pytest.approx(measured(plain.debris.outline), abs=0.002)


def test_travel_angle_is_drop_over_length(plain):
    """The travel angle belongs to the drop and the length, and lies near the friction that was drawn."""
    runout = plain.model.runout
    seen = np.degrees(np.arctan2(runout.drop_m.p50, runout.length_m.p50))
    assert runout.travel_angle_deg.p50 == pytest.approx(seen, abs=1.0)
    lowest, _, highest = friction_by_size(2)
    assert np.degrees(np.arctan(lowest)) < runout.travel_angle_deg.p50 < np.degrees(np.arctan(2.0 * highest))


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("scouts", [True, pytest.param(False, marks=pytest.mark.slow)])
def test_window_grows_until_nothing_reaches_its_edge(scouts, model, tmp_path, monkeypatch):
    """A plan begun in a window far too small ends as the one begun in a large window, with or without scouts."""
    path = hills.write(tmp_path / "hill.tif", hills.hill())
    snow = dataclasses.replace(QUICK, model=model)
    large = make_plan(question(path, snow=snow))
    if not scouts:
        monkeypatch.setattr("lastseen.jobs.snow_simulation._sides_scouted", lambda *_: set())
    monkeypatch.setattr("lastseen.jobs.snow_simulation.HALF_WINDOW_M", {2: 100.0})
    small = make_plan(question(path, snow=snow))
    assert small.terrain.elevation.values.size < large.terrain.elevation.values.size
    assert small.model.runout.length_m.p50 == pytest.approx(large.model.runout.length_m.p50, rel=0.02)
    assert not any("left the elevation model" in note for note in small.notes)


def test_a_slope_that_the_model_cuts_off_is_told_first(tmp_path):
    """Where the model ends above the run-out, who left is the first note, and all shares are of everybody."""
    path = hills.write(tmp_path / "hill.tif", hills.hill()[:120])
    snow = dataclasses.replace(QUICK, model="body", accept_open_edge=True)
    plan = make_plan(question(path, snow=snow, search=Search(outline_probability=0.05)))
    person = plan.model.person
    assert 0.1 < person.left_share < 1.0
    assert dict(person.left_by_side)["south"] == person.left_share
    assert person.poa.values.sum() == pytest.approx(1.0 - person.left_share)
    assert plan.person_shares.in_range <= 1.0 - person.left_share + 1e-9
    assert re.match(r"\d+ % of the persons left the elevation model, \d+ % over its southern edge", plan.notes[0])
    assert "m more in the south" in plan.notes[0]
    assert max(trial.pod for trial in plan.search.trials) <= 1.0 - person.left_share


@pytest.fixture
def observed(tmp_path):
    """A scenario with an observed outline of the debris, 100 m by 100 m."""
    path = hills.write(tmp_path / "hill.tif", hills.hill())
    field = box(hills.WEST_M + 400, hills.NORTH_M - 800, hills.WEST_M + 500, hills.NORTH_M - 700)
    drawn = tmp_path / "debris.geojson"
    geopandas.GeoSeries([field], crs=hills.EPSG).to_crs(4326).to_file(drawn)
    return Scenario(elevation=(path,), search=Search(debris=drawn))


def test_observed_outline_lays_out_only_the_search(observed):
    """With an observed debris outline nothing is modelled, and the outline is searched as it is."""
    plan = make_plan(observed)
    assert plan.model is None
    assert plan.debris.area_m2 == pytest.approx(10_000.0, rel=0.01)
    assert not plan.debris.widened
    assert not any("widened" in note for note in plan.notes)
    assert plan.search.coverage.fraction >= 0.99


def test_drawn_release_is_used(tmp_path):
    """A drawn release starts where it was drawn, whatever lies above the point; one that reaches nobody is refused."""
    path = hills.write(tmp_path / "hill.tif", hills.hill())
    drawn = tmp_path / "release.gpkg"
    field = box(hills.WEST_M + 500, hills.NORTH_M - 300, hills.WEST_M + 560, hills.NORTH_M - 220)
    geopandas.GeoSeries([field], crs=hills.EPSG).to_file(drawn)
    snow = dataclasses.replace(QUICK, release=drawn, model="body")
    with pytest.raises(NothingFoundError, match="none of the events of the drawn release reach the last-seen point"):
        make_plan(question(path, snow=snow))
    plan = make_plan(question(path, 530.0, 400.0, snow=snow))
    assert plan.model.release.drawn
    assert plan.model.release.area_m2 > 4800.0
    assert field.buffer(1).contains(plan.model.release.outline)


BAD = {
    "outside": ({"x": -5000.0}, InputError, r"nearest edge is 5.0 km away at \d+ degrees \(E\)"),
    "strip width zero": ({"search": Search(strip_width_m=0.0)}, InputError, "strip width"),
    "strip width too wide": ({"search": Search(strip_width_m=101.0)}, InputError, "strip width"),
    "no searchers": ({"search": Search(searchers=0)}, InputError, "searchers"),
    "flat": ({"y": 1000.0, "x": 100.0}, InputError, "nothing steep enough above"),
    "all leaves": (
        {"rows": 75},
        NothingFoundError,
        r"left the elevation model, .* southern edge: .*--accept-open-edge",
    ),
    "nothing covered": ({"search": Search(outline_probability=0.99999)}, NothingFoundError, "outline_probability"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_questions_get_one_clear_sentence(name, tmp_path):
    """Each bad question has its error, in one sentence without line breaks."""
    more, kind, text = BAD[name]
    z = np.full((220, 180), 1000.0) + 0.001 * np.arange(180) if name == "flat" else hills.hill()
    z = z[: more.get("rows")]
    more = {key: value for key, value in more.items() if key != "rows"}
    path = hills.write(tmp_path / "hill.tif", z)
    with pytest.raises(kind, match=text) as caught:
        make_plan(question(path, **({"snow": dataclasses.replace(QUICK, model="body")} | more)))
    assert isinstance(caught.value, LastseenError)
    assert "\n" not in str(caught.value)


def test_point_on_no_data_is_told(tmp_path):
    """A last-seen point in a hole of the elevation model is an input error that names the point."""
    z = hills.hill()
    z[40:50, 80:92] = np.nan
    path = hills.write(tmp_path / "hill.tif", z)
    with pytest.raises(InputError, match=re.compile(r"point \d+\.\d+,\d+\.\d+ lies on no data")):
        make_plan(question(path))


def test_swapped_outline_is_told(tmp_path):
    """An outline with lat and lon swapped, or far from the model, is an input error that says so."""
    path = hills.write(tmp_path / "hill.tif", hills.hill())
    field = box(hills.WEST_M + 400, hills.NORTH_M - 800, hills.WEST_M + 500, hills.NORTH_M - 700)
    drawn = geopandas.GeoSeries([field], crs=hills.EPSG).to_crs(4326)
    swapped = drawn.map(lambda one: type(one)([(y, x) for x, y in one.exterior.coords]))
    for number, shape in enumerate((swapped, drawn.translate(xoff=90.0), drawn.translate(xoff=1.0))):
        file = tmp_path / f"{number}.geojson"
        geopandas.GeoSeries(list(shape), crs=4326).to_file(file)
        with pytest.raises(InputError, match=r"the debris outline (at .* lies outside|in .* swapped)"):
            make_plan(Scenario(elevation=(path,), search=Search(debris=file)))


def test_scattered_debris_is_widened_to_hold_the_person(plain, monkeypatch):
    """Where no level of debris holds 90 % of the POA, the likeliest ground is added and a note says so."""
    monkeypatch.setattr(importlib.import_module("lastseen.snow.deposit"), "OUTLINE_LEVELS", (0.95,))
    plan = make_plan(plain.scenario)
    assert plan.debris.widened
    assert plan.model.person.inside_debris >= 0.895
    assert any("widened to the smallest ground" in note for note in plan.notes)
    assert plan.search.coverage.fraction >= 0.99
    assert not plain.debris.widened


def test_walkers_are_warned(plain, tmp_path):
    """Steep straight legs, odd strip widths and a grid that receivers do not show are told."""
    path = hills.write(tmp_path / "nad27.tif", hills.hill(), 550_000.0, 5_110_000.0, epsg=26710)
    at = LastSeen(at=f"{550_000 + 432},{5_110_000 - 221}", crs="EPSG:26710")
    plan = make_plan(Scenario(elevation=(path,), last_seen=at, snow=QUICK, search=Search(strip_width_m=15.0)))
    told = " ".join(plan.notes)
    assert "The grid of the map is NAD27 / UTM zone 10N; receivers show WGS 84" in told
    # Where the model is in no UTM zone, the grid of the sheet is drawn in WGS 84.
    swiss = note_grid(CRS.from_epsg(2056))[0]
    assert swiss.startswith("x and y are in CH1903+ / LV95; receivers and the grid of the sheet show WGS 84")
    assert swiss.endswith("or for x and y set the receiver to CH1903+ / LV95")  # never for the grid that is drawn
    assert not note_grid(CRS.from_epsg(32632))
    assert "Strips of 15 m are outside the 20 to 60 m" in told
    steepest = max(leg.steepest_deg for leg in plan.search.legs)
    assert (f"up to {steepest:.0f}" in told) == (steepest > 35.0)
    assert not any("receivers" in note or "Strips of" in note for note in plain.notes)


def test_date_and_second_pass_reach_the_search(observed):
    """A date gives magnetic bearings, one beyond the magnetic model is told, and the second pass halves the strips."""

    def plan_with(**more):
        return make_plan(dataclasses.replace(observed, search=dataclasses.replace(observed.search, **more)))

    dated = plan_with(date="2027-01-31", second_pass=True)
    assert dated.search.strip_width_m == 20.0
    assert all(np.isfinite(leg.bearing_deg_magnetic) for leg in dated.search.legs)
    assert any("second pass" in note for note in dated.notes)
    assert np.isnan(plan_with().search.legs[0].bearing_deg_magnetic)
    late = plan_with(date="2099-01-31")
    assert any("No data for magnetic bearings on 2099-01-31" in note for note in late.notes)
    with pytest.raises(InputError, match="write it like 2027-01-31"):
        plan_with(date="31.1.2027")
