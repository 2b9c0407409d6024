"""Hidden targets: rules kept for 10,000 seeds, places as likely as the probability of area, same seed same place."""

import math

import numpy as np
import pytest
from scipy import stats
from shapely import MultiPolygon, Point, box

from lastseen.core.errors import InputError, NothingFoundError
from lastseen.core.grid import Grid
from lastseen.jobs.practice.drill import Exercise, exercise_of, find_exercise, published_exercises, read_exercises
from lastseen.jobs.practice.targets import (
    Mark,
    Target,
    axes_deg,
    axis_of,
    depths_m,
    find_hiding_order,
    find_target_ground,
    overlap_share,
    place_m,
    place_targets,
    plan_targets,
    stake_out,
)
from practice.walks import EAST, NORTH, UTM, plan_on

WIDTH, HEIGHT = 80.0, 60.0


def broken_rules(targets, plan, exercise):
    """Every rule that some targets break, in words; none for what `place_targets` gives."""
    broken = []
    low, high = exercise.depth_m
    edge = plan.outline.boundary
    for k, target in enumerate(targets):
        point = Point(target.x_m, target.y_m)
        if not plan.outline.contains(point) or point.distance(edge) < exercise.edge_m - 1e-6:
            broken.append(f"{target.name} lies outside, or closer than {exercise.edge_m:g} m to the edge")
        if not low - 1e-9 <= target.depth_m <= high + 1e-9:
            broken.append(f"{target.name} is {target.depth_m:g} m deep")
        if target.slope_deg > exercise.steepest_deg:
            broken.append(f"{target.name} lies on {target.slope_deg:.0f} degrees")
        for other in targets[:k]:
            away = math.hypot(target.x_m - other.x_m, target.y_m - other.y_m)
            if away < exercise.apart_m:
                broken.append(f"{target.name} lies {away:.1f} m from {other.name}")
    if exercise.close_pair_m:
        a, b = targets[:2]
        if math.hypot(a.x_m - b.x_m, a.y_m - b.y_m) > exercise.close_pair_m:
            broken.append("the pair is not close")
    return broken


def poa_grid(cell=10.0):
    """Probability that rises to the east, with a hole in it and a rim outside of the outline."""
    rows, cols = int(HEIGHT / cell) + 2, int(WIDTH / cell) + 2
    values = np.tile(np.arange(1.0, cols + 1.0), (rows, 1)) + np.arange(rows)[:, None] * 0.5
    values[3, 4] = 0.0
    values[2, 2] = np.nan
    values /= np.nansum(values)
    return Grid(values, EAST - cell, NORTH + HEIGHT + cell, cell, UTM)


@pytest.fixture(scope="module")
def plan():
    return plan_on(WIDTH, HEIGHT, strip=40.0, slope_deg=15.0, poa=poa_grid())


@pytest.mark.parametrize("seeds", [500, pytest.param(10_000, marks=pytest.mark.slow)])
def test_no_seed_breaks_a_rule(plan, seeds):
    """Every rule of an exercise with a pair, decoys, edge and depths holds for each seed."""
    exercise = Exercise(targets=3, decoys=1, apart_m=6.0, close_pair_m=12.0, edge_m=2.5, depth_m=(0.3, 1.0))
    field = find_target_ground(plan, exercise)
    inner = plan.outline.buffer(-2.5 + 1e-6)
    broken = 0
    for seed in range(seeds):
        targets = place_targets(field, exercise, seed)
        xy = np.array([(one.x_m, one.y_m) for one in targets])
        away = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))[np.triu_indices(4, 1)]
        depths = [one.depth_m for one in targets]
        fine = away.min() >= 6.0 and away[0] <= 12.0 and min(depths) >= 0.3 and max(depths) <= 1.0
        fine &= all(inner.contains(Point(one)) for one in xy) and max(one.slope_deg for one in targets) <= 35.0
        broken += not fine
    assert broken == 0


def test_the_list_of_broken_rules_agrees(plan):
    """`broken_rules` finds nothing in what was placed, and each rule when it is broken."""
    exercise = Exercise(targets=3, close_pair_m=20.0, apart_m=3.0)
    targets = place_targets(find_target_ground(plan, exercise), exercise, 5)
    assert broken_rules(targets, plan, exercise) == []
    near = Exercise(targets=3, apart_m=400.0)
    deep = Exercise(targets=3, depth_m=(1.2, 1.3))
    edge = Exercise(targets=3, edge_m=29.0)
    flat = Exercise(targets=3, steepest_deg=10.0)
    for wrong in (near, deep, edge, flat):
        assert broken_rules(targets, plan, wrong)


def chi_square(plan, exercise, draws):
    """Chance of the drawn places under the probability of area; cells that the edge cuts count with what is inside."""
    field, poa = find_target_ground(plan, exercise), plan.poa
    seen = np.zeros(poa.shape)
    for seed in range(draws // exercise.targets):
        for one in place_targets(field, exercise, seed):
            row, col = poa.cell_of(one.x_m, one.y_m)
            seen[row, col] += 1
    ny, nx = poa.shape
    inside = [[box(*cell_bounds(poa, r, c)).intersection(plan.outline).area for c in range(nx)] for r in range(ny)]
    expected = np.nan_to_num(poa.values) * np.array(inside)
    expected *= seen.sum() / expected.sum()
    used = expected > 5.0
    outside = seen[expected == 0.0].sum()
    return outside, stats.chisquare(seen[used], expected[used] * seen[used].sum() / expected[used].sum()).pvalue


@pytest.mark.parametrize("count", [1, pytest.param(3, marks=pytest.mark.slow)])
def test_places_are_as_likely_as_the_probability_of_area(plan, count):
    """Pearson's chi-square (1900) over the cells of the probability of area, 6,000 draws, at 0.1 %."""
    outside, chance = chi_square(plan, Exercise(targets=count, apart_m=0.0, edge_m=0.0), 6000)
    assert outside == 0
    assert chance > 0.001


def test_the_chi_square_has_teeth(plan):
    """Places drawn evenly do not pass it."""
    _, chance = chi_square(plan, Exercise(targets=1, apart_m=0.0, edge_m=0.0, probability_of_area=False), 6000)
    assert chance < 1e-6


def cell_bounds(grid, row, col):
    x, y = grid.centre_of(row, col)
    half = 0.5 * grid.cell_m
    return float(x) - half, float(y) - half, float(x) + half, float(y) + half


@pytest.mark.slow
def test_the_first_target_keeps_its_law_with_least_distances(plan):
    """With 15 m between targets the first one still follows the probability of area (mean east within 4 sigma)."""
    exercise = Exercise(targets=3, apart_m=15.0, edge_m=0.0)
    field = find_target_ground(plan, exercise)
    x = np.array([place_targets(field, exercise, seed)[0].x_m - EAST for seed in range(3000)])
    value = np.nan_to_num(plan.poa.values)[1:-1, 1:-1]
    middle = 5.0 + 10.0 * np.arange(8)
    share = value.sum(axis=0) / value.sum()
    mean = float((share * middle).sum())
    sd = math.sqrt(float((share * (middle - mean) ** 2).sum()) + 100.0 / 12.0)
    assert abs(x.mean() - mean) < 4.0 * sd / math.sqrt(x.size)


def test_same_seed_same_place_other_seed_other_place(plan):
    exercise = find_exercise("guide-style")
    assert plan_targets(plan, exercise, 7) == plan_targets(plan, exercise, 7)
    assert plan_targets(plan, exercise, 7).targets != plan_targets(plan, exercise, 8).targets


def test_depths_follow_the_published_law_within_limits():
    """Falk, Brugger & Adler-Kastner 1994: mean 1.05 m, SD 0.85 m, cut to the limits (scipy's truncated normal)."""
    u = (np.arange(20_000) + 0.5) / 20_000
    drawn = depths_m((0.3, 1.0), u)
    law = stats.truncnorm((0.3 - 1.05) / 0.85, (1.0 - 1.05) / 0.85, 1.05, 0.85)
    assert drawn.min() >= 0.3
    assert drawn.max() <= 1.0
    assert drawn.mean() == pytest.approx(law.mean(), abs=0.01)
    assert np.quantile(drawn, 0.25) == pytest.approx(law.ppf(0.25), abs=0.03)
    assert set(depths_m((0.3, 0.3), u)) == {0.3}


def test_axes_point_anywhere_alike():
    """An axis that points anywhere has a mean squared vertical part of one third (isotropy)."""
    generator = np.random.default_rng(1)
    azimuth, dip = axes_deg(generator.random((2, 40_000)))
    assert np.mean(np.sin(np.radians(dip)) ** 2) == pytest.approx(1 / 3, abs=0.02)
    assert np.mean(azimuth < 90.0) == pytest.approx(0.5, abs=0.02)
    assert set(np.unique(azimuth)) == set(np.arange(0.0, 180.0, 10.0))


def target(name, x, y, depth=0.5, azimuth=0.0, dip=0.0):
    return Target(
        name=name,
        what="target",
        x_m=EAST + x,
        y_m=NORTH + y,
        z_m=1000.0,
        depth_m=depth,
        azimuth_deg=azimuth,
        dip_deg=dip,
        slope_deg=0.0,
    )


def test_overlap_of_two_targets():
    """None out of reach of each other, all at the same place, about half in between."""
    surface = plan_on(400.0, 200.0).surface
    here, same, far = target("T1", 100, 100), target("T2", 100, 100), target("T3", 300, 100)
    near = target("T4", 125, 100)
    assert overlap_share(here, [], surface, 25.0) == 0.0
    assert overlap_share(here, [same], surface, 25.0) == 1.0
    assert overlap_share(here, [far], surface, 25.0) == 0.0
    assert 0.2 < overlap_share(here, [near], surface, 25.0) < 0.7
    assert overlap_share(here, [near, same], surface, 25.0) == 1.0


def test_difficulty_is_in_the_order_of_the_walk(plan):
    """Every target inside strips of the plan is heard, and its times lie within the walk."""
    hidden = plan_targets(plan, Exercise(targets=4), 3)
    longest = sum(leg.time_s for leg in plan.legs)
    for one in hidden.difficulty:
        assert one.heard > 0.9
        assert 0.0 <= one.first_signal_s[0] <= one.first_signal_s[1] <= one.first_signal_s[2] <= longest
        assert 0.0 <= one.overlap <= 1.0
    assert sorted(one.name for one in hidden.difficulty) == ["T1", "T2", "T3", "T4"]


def test_two_tapes_give_the_place_back(plan):
    """Two circles around A and B meet at the target, on the left of A to B (plane trigonometry)."""
    hidden = plan_targets(plan, Exercise(targets=5, decoys=2), 11)
    a, b = hidden.marks
    for one, stake in zip(hidden.targets, hidden.stakes, strict=True):
        # On a plane, distances in 3-D along it are plane distances in the tilted frame.
        frame = np.array([1.0, math.hypot(1.0, math.tan(math.radians(15.0)))])
        pa, pb, pt = (np.array([m.x_m, m.y_m]) * frame for m in (a, b, one))
        base = np.linalg.norm(pb - pa)
        along = (stake.from_a_m**2 - stake.from_b_m**2 + base**2) / (2.0 * base)
        across = math.sqrt(max(0.0, stake.from_a_m**2 - along**2))
        unit = (pb - pa) / base
        found = pa + along * unit + across * np.array([-unit[1], unit[0]])
        assert found == pytest.approx(pt, abs=0.05)
        assert 25.0 < stake.cut_deg < 155.0


def test_cut_of_tapes_at_right_angles():
    """Thales: seen from the middle of a half circle over A and B the tapes meet at 90 degrees."""
    marks = (Mark(name="A", x_m=EAST, y_m=NORTH, z_m=1000.0), Mark(name="B", x_m=EAST + 20.0, y_m=NORTH, z_m=1000.0))
    (stake,) = stake_out([target("T1", 10, 10)], marks)
    assert stake.cut_deg == pytest.approx(90.0)
    assert stake.from_a_m == pytest.approx(math.hypot(10, 10))


def test_axis_is_a_unit_vector_that_dips():
    axis = axis_of(target("T1", 0, 0, azimuth=90.0, dip=30.0))
    assert np.linalg.norm(axis) == pytest.approx(1.0)
    assert axis == pytest.approx([math.cos(math.radians(30)), 0.0, -0.5])


def test_a_depth_at_right_angles_lies_deeper_below_the_snow_above_it():
    """On 60 degrees (cosine 0.5) half a metre at right angles is a metre straight down."""
    one = Target(
        name="T1",
        what="target",
        x_m=EAST,
        y_m=NORTH,
        z_m=1000.0,
        depth_m=0.5,
        azimuth_deg=0.0,
        dip_deg=0.0,
        slope_deg=60.0,
    )
    assert place_m(one) == pytest.approx([EAST, NORTH, 999.0])


def test_the_next_target_is_the_nearest_one_and_no_decoy(plan):
    """In 3-D between the transmitters; a lone target has none."""
    hidden = plan_targets(plan, Exercise(targets=4, decoys=3), 5)
    real = [one for one in hidden.targets if one.what == "target"]
    down = {one.name: one.depth_m / math.cos(math.radians(one.slope_deg)) for one in real}
    places = {one.name: np.array([one.x_m, one.y_m, one.z_m - down[one.name]]) for one in real}
    for one in hidden.difficulty:
        away = [np.linalg.norm(places[one.name] - place) for name, place in places.items() if name != one.name]
        assert one.neighbour_m == pytest.approx(min(away))
    assert max(away) > 1.5 * min(away)
    assert plan_targets(plan, Exercise(targets=1, decoys=3), 5).difficulty[0].neighbour_m == math.inf


def test_targets_are_hidden_on_a_short_walk_from_the_first_mark():
    """On a line from A at 0: 5, 20 and 60 m are hidden in that order, whatever their numbers."""
    targets = [target("T1", 60, 0), target("T2", 5, 0), target("T3", 20, 0)]
    assert find_hiding_order(targets, Mark(name="A", x_m=EAST, y_m=NORTH, z_m=1000.0)) == ("T2", "T3", "T1")


def test_no_room_is_said_with_what_fits(plan):
    with pytest.raises(NothingFoundError, match=r"room for \d+ of 12"):
        place_targets(
            find_target_ground(plan, Exercise(targets=12, apart_m=50.0)), Exercise(targets=12, apart_m=50.0), 1
        )
    with pytest.raises(NothingFoundError, match="from its edge"):
        find_target_ground(plan, Exercise(edge_m=60.0))
    flat = Exercise(steepest_deg=5.0)
    with pytest.raises(NothingFoundError, match="at most 5 degrees"):
        place_targets(find_target_ground(plan, flat), flat, 1)


def test_targets_keep_out_of_holes():
    """A hole in the outline holds no target."""
    plan = plan_on(WIDTH, HEIGHT)
    hole = box(EAST + 20, NORTH + 10, EAST + 60, NORTH + 50)
    holed = MultiPolygon([plan.outline.geoms[0].difference(hole)])
    made = type(plan)(**{**vars(plan), "outline": holed})
    exercise = Exercise(targets=2, edge_m=1.0)
    field = find_target_ground(made, exercise)
    for seed in range(200):
        assert broken_rules(place_targets(field, exercise, seed), made, exercise) == []


def test_published_exercises_can_be_placed():
    plan = plan_on(100.0, 100.0)
    for name, exercise in published_exercises().items():
        assert exercise.source != "own", name
        placed = place_targets(find_target_ground(plan, exercise), exercise, 2)
        assert broken_rules(placed, plan, exercise) == []
        assert len(plan_targets(plan, exercise, 2, name=name).targets) == exercise.targets + exercise.decoys


def test_own_exercises_are_read_and_errors_name_key_and_table(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('[ours]\ntargets = 4\ndepth_m = [0.4, 0.9]\nsource = "our patrol"\n', encoding="utf-8")
    assert find_exercise("ours", path).targets == 4
    assert find_exercise("novice", path).targets == 1
    with pytest.raises(InputError, match="no exercise is called 'theirs'"):
        find_exercise("theirs", path)
    for text, word in (
        ("[a]\ntargets = 0\n", "targets"),
        ("[a]\ndepth_m = [1.0, 0.5]\n", "least first"),
        ("[a]\ndepth_m = [0.5, 3.0]\n", "0 to 2 m"),
        ("[a]\nlive = true\n", "live"),
        ("a = 3\n", "is a table"),
        ("[a\n", "cannot be read"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match=word):
            read_exercises(path)
    with pytest.raises(InputError, match="pair"):
        exercise_of({"targets": 1, "close_pair_m": 9.0}, "x")
