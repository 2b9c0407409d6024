"""Simulated searches: the dipole law, times that can be worked out by hand, and the choice."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shapely import box
from shapely.affinity import translate

from lastseen.core.errors import InputError
from lastseen.core.grid import Grid
from lastseen.search import candidates, simulation
from lastseen.search.layout import lay_search
from lastseen.search.search_area import SearchOptions
from lastseen.search.simulation import (
    Reception,
    Targets,
    Way,
    cut_into_stretches,
    dipole_range_m,
    first_signals_s,
    hide_targets,
    list_poa_places,
    simulate_search,
    survival_share,
)
from lastseen.search.surface import Surface
from search.outline_zoo import ZOO
from search.zoo import EAST_M, NORTH_M, UTM, ground, on_map, plane

FLAT = ground(lambda x, y: 0.0 * x * y)
SURFACE = Surface.around(FLAT, FLAT.bounds, 0.0)
FIELD = on_map(box(200, 150, 400, 450))


def at(x, y):
    return EAST_M + x, NORTH_M + y


def make_target(place, axis, range_m):
    return Targets(xyz_m=np.array([[*place, 0.0]]), axis=np.array([axis]), range_m=np.array([range_m]), dipole=True)


def test_the_dipole_law():
    """Published ratios for a receiver with three axes: 1, 0.966, 0.925, 0.871, 0.794 (rows in lanes.csv)."""
    assert dipole_range_m(10.0, 90.0) / dipole_range_m(10.0, 0.0) == pytest.approx(2.0 ** (-1.0 / 3.0))


def test_first_signal_on_a_straight_walk():
    """A target beside a straight walk is heard where the law says, at the time it takes to get there."""
    for axis, best in (((1.0, 0.0, 0.0), 30.0), ((0.0, 0.0, 1.0), 30.0)):
        target = make_target(at(300, 310), axis, best)
        heard = first_signals_s([np.array([at(200, 300), at(400, 300)])], SURFACE, target)[0]
        x = np.arange(200.0, 300.0, 0.01)
        away = np.hypot(x - 300, 10.0)
        cos2 = ((x - 300) / away) ** 2 if axis[0] else np.zeros_like(x)
        first = x[np.argmax(away <= best * ((1 + 3 * cos2) / 4) ** (1 / 6))] - 200.0
        speed = 0.6 * 6.0 / 3.6 * math.exp(-3.5 * 0.05)
        assert heard == pytest.approx(first / speed, abs=1.5 / speed)


def test_nobody_hears_what_is_out_of_range():
    target = make_target(at(300, 331), (0.0, 1.0, 0.0), 30.0)
    assert first_signals_s([np.array([at(200, 300), at(400, 300)])], SURFACE, target)[0] == math.inf
    assert first_signals_s([], SURFACE, target)[0] == math.inf


def test_times_count_from_when_each_walker_sets_out():
    """Beside the start: at once. Of two walkers from either end, the second a minute late: whoever is there first."""
    walks = [np.array([at(200, 300), at(400, 300)]), np.array([at(400, 300), at(200, 300)]), np.zeros((0, 2))]
    speed = 0.6 * 6.0 / 3.6 * math.exp(-3.5 * 0.05)
    where = np.array([[*at(x, 305.0), 0.0] for x in (200.0, 400.0, 260.0, 340.0)])
    heard_alike = Targets(xyz_m=where, axis=np.tile([0.0, 0.0, 1.0], (4, 1)), range_m=np.full(4, 13.0), dipole=False)
    in_range = 12.0  # metres along the walk: 13, 12, 5
    first = first_signals_s(walks[:1], SURFACE, heard_alike)
    expected = [0.0] + [(x - 200.0 - in_range) / speed for x in (400.0, 260.0, 340.0)]
    assert first == pytest.approx(expected, abs=0.01)
    late = cut_into_stretches(walks, SURFACE, [0.0, 60.0, 0.0])
    assert np.all(np.diff(late.begun_s) >= 0.0)
    both = first_signals_s(late, SURFACE, heard_alike)
    there = [0.0, 60.0, (60.0 - in_range) / speed, 60.0 + (60.0 - in_range) / speed]
    assert both == pytest.approx(there, abs=0.01)
    assert late.length_m == pytest.approx(400.0)
    assert late.slowest_s == pytest.approx(60.0 + 200.0 / speed)
    nobody = cut_into_stretches([], SURFACE)
    assert (nobody.length_m, nobody.slowest_s, nobody.start_m.shape) == (0.0, 0.0, (0, 3))


@pytest.mark.parametrize("east", [True, False])
@pytest.mark.parametrize("north", [True, False])
def test_each_target_has_its_own_range(east, north):
    """A strong one is heard 40 m beside the walk while a weak one 12 m beside it is not; in any corner of all."""
    x, y = 300.0 + (60.0 if east else -60.0), 300.0 + (40.0 if north else -40.0)
    where = np.array([[*at(x, y), 0.0], [*at(600.0 - x, 300.0 + (12.0 if north else -12.0)), 0.0]])
    both = Targets(xyz_m=where, axis=np.tile([0.0, 0.0, 1.0], (2, 1)), range_m=np.array([40.5, 11.5]), dipole=False)
    heard = first_signals_s([np.array([at(200, 300), at(400, 300)])], SURFACE, both)
    assert np.isfinite(heard).tolist() == [True, False]


def test_a_search_that_hears_nobody():
    """All targets out of range: no time to a signal is made up, and nobody is found."""
    trial = simulate_search(
        "",
        [Way(corners=np.array([at(200, 300), at(400, 300)]))],
        SURFACE,
        make_target(at(300, 331), (0.0, 1.0, 0.0), 30.0),
    )
    assert np.isnan(trial.first_signal_s).tolist() == [True, True, True]
    assert (trial.pod, trial.alive) == (0.0, 0.0)
    assert trial.walk_m == pytest.approx(200.0)


def test_a_density_on_one_cell():
    """All of it in one cell: that cell, with its weight, is where targets are drawn."""
    values = np.full((3, 4), np.nan)
    values[1, 2] = 0.7
    x, y, weight, spacing = list_poa_places(Grid(values, 100.0, 200.0, 10.0, UTM))
    assert (x.tolist(), y.tolist(), weight.tolist(), spacing) == ([125.0], [185.0], [0.7], 10.0)


def test_targets_follow_their_distributions():
    x, y = np.array([at(250, 0)[0], at(350, 0)[0]]), np.array([at(0, 300)[1]] * 2)
    hidden = hide_targets(
        SURFACE,
        (x, y, np.array([3.0, 1.0]), 10.0),
        Reception(r_max_m=20.0, sd_m=15.0),
        40_000,
        np.random.default_rng(3),
    )
    assert (hidden.xyz_m[:, 0] < EAST_M + 300).mean() == pytest.approx(0.75, abs=0.01)
    assert hidden.range_m.min() == 1.0
    assert np.abs(hidden.axis).mean(axis=0) == pytest.approx([0.5, 0.5, 0.5], abs=0.01)
    depth = -hidden.xyz_m[:, 2]
    assert depth.min() >= 0.0
    assert np.median(depth) == pytest.approx(1.05, abs=0.02)  # Falk and others 1994: 105 cm, SD 85 cm
    # a normal distribution lies below 0 with Phi(-1.05 / 0.85), and these are on the surface
    assert (depth == 0.0).mean() == pytest.approx(0.5 * math.erfc(1.05 / 0.85 / math.sqrt(2.0)), abs=0.005)
    assert np.quantile(depth, 0.8413) == pytest.approx(1.05 + 0.85, abs=0.03)


def test_targets_lie_in_the_squares_around_their_places():
    """Evenly in a square of 10 m around each place; heard alike all around, they lie on the surface."""
    slope = plane(20.0, 180.0)
    surface = Surface.around(slope, slope.bounds, 0.0)
    places = (np.array([at(250, 0)[0]]), np.array([at(0, 300)[1]]), np.ones(1), 10.0)
    alike = Reception(r_max_m=20.0, sd_m=3.0, dipole=False)
    hidden = hide_targets(surface, places, alike, 20_000, np.random.default_rng(4))
    for k, middle in enumerate(at(250, 300)):
        away = hidden.xyz_m[:, k] - middle
        assert (away.min(), away.max()) == pytest.approx((-5.0, 5.0), abs=0.01)
        assert away.mean() == pytest.approx(0.0, abs=0.1)
    expected = surface.z(np.ascontiguousarray(hidden.xyz_m[:, 0]), np.ascontiguousarray(hidden.xyz_m[:, 1]))
    np.testing.assert_array_equal(hidden.xyz_m[:, 2], expected)
    assert (hidden.range_m.mean(), hidden.range_m.std()) == pytest.approx((20.0, 3.0), abs=0.1)
    assert not hidden.dipole


def test_half_the_strip_is_the_worst_range():
    one = Reception.of_strip(40.0)
    assert dipole_range_m(one.r_max_m, 90.0) == pytest.approx(20.0)
    assert one.sd_m == pytest.approx(20.0 * 2.0 ** (1.0 / 3.0) / 10.0)


def test_survival_points():
    """Falk and others, Nature 368:21, 1994."""
    assert survival_share(np.array([0.0, 15.0, 35.0, 90.0, 120.0, 130.0, 500.0])) == pytest.approx(
        [1.0, 0.92, 0.30, 0.27, 0.20, 0.03, 0.03]
    )


def test_alive_is_the_mean_survival(monkeypatch):
    walk = [np.array([at(200, 300), at(400, 300)])]
    hidden = hide_targets(
        SURFACE,
        (np.array([at(300, 0)[0]]), np.array([at(0, 300)[1]]), np.ones(1), 1.0),
        Reception(r_max_m=20.0),
        500,
        np.random.default_rng(1),
    )
    monkeypatch.setattr(simulation, "survival_share", np.ones_like)
    sure = simulate_search("", [Way(corners=walk[0])], SURFACE, hidden)
    assert (sure.pod, sure.alive) == (1.0, 1.0)
    monkeypatch.setattr(simulation, "REST_OF_RESCUE_MIN", 6.0)
    monkeypatch.setattr(simulation, "survival_share", lambda minutes: (minutes < 7.0) * 1.0)
    late = simulate_search("", [Way(corners=walk[0])], SURFACE, hidden)
    soon = first_signals_s(walk, SURFACE, hidden) < 60.0
    assert late.alive == pytest.approx(soon.mean())


def test_the_choice_is_kept_with_its_numbers():
    plan = lay_search(FIELD, plane(20.0, 180.0), SearchOptions(start_xy_m=at(300, 480)))
    assert plan.chosen is plan.trials[0]
    assert len({one.words for one in plan.trials}) >= 2
    for one in plan.trials:
        assert one.first_signal_s == tuple(sorted(one.first_signal_s))
        assert 0.0 <= one.alive <= one.pod <= 1.0
    assert plan.chosen.walk_m == pytest.approx(plan.walk_m(1), rel=0.01)
    assert plan.chosen.slowest_s == pytest.approx(plan.time_s(1), rel=0.01)
    assert plan.chosen.coverage == pytest.approx(plan.coverage.fraction, abs=1e-9)


@pytest.mark.parametrize("searchers", [1, 3])
@pytest.mark.parametrize("start_y", [480, 120])
def test_the_search_begins_at_the_entry_wherever_the_person_probably_lies(start_y, searchers):
    """Searchers do not cross debris to its far end first: the nearest edge is where the search begins."""
    for low, high in ((150, 200), (400, 450)):
        values = np.zeros((60, 60))
        values[int((600 - high) / 10) : int((600 - low) / 10), 20:40] = 1.0
        poa = Grid(values, EAST_M, NORTH_M + 600.0, 10.0, UTM)
        options = SearchOptions(poa=poa, start_xy_m=at(300, start_y), searchers=searchers)
        plan = lay_search(FIELD, plane(20.0, 180.0), options)
        first = plan.lanes[0].line.coords[0][1] - NORTH_M
        assert abs(first - start_y) < 120.0


BARRED = ("covers less", "more uphill", "begins farther inside")


@pytest.mark.parametrize("searchers", [1, 2, 3, 5])
@pytest.mark.parametrize("name", ["oblong", "triangle", "fork", "bent band", "two pieces", "grown"])
def test_nothing_longer_later_and_no_less_steep_is_chosen(name, searchers):
    """Of the layouts that cover enough, do not climb and begin where they should, none is better in all three."""
    outline = translate(on_map(ZOO[name].outline), 300.0, 300.0)
    slope = ground(lambda x, y: 0.35 * y + 0.0002 * (x - 600.0) ** 2, side_m=1200.0)
    options = SearchOptions(searchers=searchers, strip_width_m=ZOO[name].strip_m, start_xy_m=at(600, 1100))
    plan = lay_search(outline, slope, options)
    first, *others = plan.trials
    assert first.against == ""
    assert plan.reason.endswith(".")
    for other in others:
        better = other.walk_m < first.walk_m and other.first_signal_s[1] < first.first_signal_s[1]
        assert not (better and other.steep_m <= first.steep_m) or other.against in BARRED, other


def test_the_kind_that_comes_first_over_most_outlines_is_chosen():
    """Drawn once one strip wide and four times three strips wide: what suits most of them, and the votes are told."""
    narrow, wide = on_map(box(280, 150, 318, 450)), on_map(box(240, 150, 420, 450))
    slope = plane(20.0, 180.0)
    options = SearchOptions(searchers=3, start_xy_m=at(300, 560))
    alone = lay_search(wide, slope, options)
    together = lay_search(wide, slope, replace(options, outlines=(wide, wide, narrow)))
    assert together.kind == alone.kind
    assert together.lanes == alone.lanes
    assert together.reason.startswith("Its kind comes first over 3 of 4 outlines of events drawn again. ")
    assert lay_search(wide, slope, replace(options, favoured=together.kind)).lanes == together.lanes
    other = next(one for one in ("across", "along", "rank") if one != alone.kind)
    turned = lay_search(wide, slope, replace(options, favoured=other))
    assert turned.coverage.fraction >= 0.99


@pytest.mark.parametrize(
    ("alive", "left", "words"),
    [
        ((0.5,), 1, "the only layout that was found"),
        ((0.5, 0.7), 1, "ruled out for what stands beside them"),
        ((0.89, 0.91, 0.903), 3, "2.0 points better with another"),
        ((0.5, 0.499, 0.3), 3, "within 0.5 points of the best"),
        ((0.5, 0.3), 2, "the best chance"),
    ],
)
def test_the_reason_does_not_contradict_the_numbers_beside_it(alive, left, words):
    """The first of the layouts was chosen; the chances of being found alive stand in the table beside the sentence."""
    made = [SimpleNamespace(kind="across", trial=SimpleNamespace(alive=share)) for share in alive]
    assert words in candidates._reason(made[0], made, made[:left])


def test_a_density_of_nothing_is_refused():
    with pytest.raises(InputError, match="the probability of area is 0 everywhere"):
        lay_search(FIELD, FLAT, SearchOptions(poa=Grid(np.zeros((60, 60)), EAST_M, NORTH_M + 600.0, 10.0, UTM)))


@pytest.mark.parametrize("slope_deg", [0.0, 30.0])
def test_second_pass_runs_between_the_first(slope_deg):
    """Half the width, and every lane a quarter of the first width beside one of the first pass."""
    where = plane(slope_deg, 180.0) if slope_deg else FLAT
    first = lay_search(FIELD, where, SearchOptions(pattern="across"))
    second = lay_search(FIELD, where, SearchOptions(pattern="across", second_pass=True))
    assert second.first_lanes == first.lanes
    assert second.strip_width_m == 20.0
    assert len(second.lanes) == 2 * len(first.lanes)
    assert second.coverage.fraction >= 0.99
    away = [min(lane.line.distance(one.line) for one in first.lanes) for lane in second.lanes]
    spacing = sorted(lane.line.centroid.y for lane in first.lanes)
    quarter = (
        0.25 * np.diff(spacing).mean()
        if np.ptp(spacing) > 50
        else 0.25 * np.diff(sorted(lane.line.centroid.x for lane in first.lanes)).mean()
    )
    assert away == pytest.approx([quarter] * len(away), rel=0.02)
