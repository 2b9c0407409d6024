"""Runs before they are lanes: packed for the kernels, put in order, cut at blocked ground; all by hand."""

import itertools
import math
from types import SimpleNamespace

import numpy as np
import pytest
from shapely import MultiPolygon, box

from lastseen.search.lanes import (
    CoverGoal,
    Run,
    add_extra_runs,
    drop_idle_runs,
    group_pieces,
    keep_walkable,
    order_runs,
    pack_runs,
    turn_back,
    walk_length_m,
)
from lastseen.search.routes import WalkableGround
from lastseen.search.search_area import SearchOptions, check_area
from lastseen.search.surface import Surface, make_lattice
from search.zoo import EAST_M, NORTH_M, ground, on_map

FLAT = ground(lambda x, y: 0.0 * x * y, side_m=200.0)
SURFACE = Surface.around(FLAT, FLAT.bounds, 0.0)


def at(x, y):
    return EAST_M + x, NORTH_M + y


def run(*corners, group=0, q_m=0.0):
    return Run(group=group, q_m=q_m, points=tuple(at(*corner) for corner in corners))


def walkable(blocked=()):
    """The flat ground of 200 x 200 m, with boxes (west, south, east, north) that nobody walks on."""
    row, col = np.indices(FLAT.shape)
    x, y = FLAT.centre_of(row, col)
    mask = np.zeros(FLAT.shape, np.bool_)
    for west, south, east, north in blocked:
        mask |= (x - EAST_M > west) & (x - EAST_M < east) & (y - NORTH_M > south) & (y - NORTH_M < north)
    lattice = (mask, FLAT.west_m, FLAT.north_m, FLAT.cell_m)
    return WalkableGround(
        mask=lattice, forbidden=lattice, danger=np.zeros(FLAT.shape, np.int32), costs=(), surface=SURFACE, no_go=None
    )


@pytest.mark.parametrize("with_start", [True, False])
@pytest.mark.parametrize(
    ("clear", "straight", "covers"), [(True, True, True), (True, False, False), (False, True, False)]
)
def test_runs_packed_as_one_walk(with_start, clear, straight, covers):
    """Every leg is walked but for a join that is blocked; lanes cover, straight joins too, the way to the first not."""
    join = (at(100, 0), at(100, 40))
    stub = SimpleNamespace(
        is_clear=lambda a, b: clear or (a, b) != join, stays_straight=lambda _a, _b, join_m: straight and join_m == 60.0
    )
    runs = [run((0, 0), (100, 0)), run((100, 40), (50, 45), (0, 40))]
    walk = pack_runs(runs, at(-50, 0) if with_start else None, stub, join_m=60.0, stub_m=26.0)
    points = [(0, 0), (26, 0), (74, 0), (100, 0), (100, 40), (50, 45), (0, 40)]
    mate, corner = [1, -1, -1, 2, 5, -1, 5], [True, False, False, True, True, True, True]
    walked, covered = [True, True, True, clear, True, True], [True, True, True, covers, True, True]
    if with_start:
        points, mate, corner = [(-50, 0), *points], [-1, *(m + 1 if m >= 0 else -1 for m in mate)], [False, *corner]
        walked, covered = [True, *walked], [False, *covered]
    np.testing.assert_allclose(walk.points, [at(*point) for point in points])
    assert (walk.walked.tolist(), walk.covers.tolist()) == (walked, covered)
    assert (walk.mate.tolist(), walk.corner.tolist()) == (mate, corner)
    assert [one.points for one in walk.runs(runs)] == [one.points for one in runs]


@pytest.mark.parametrize(("stub_m", "points"), [(33.0, 4), (34.0, 2), (math.inf, 2)])
def test_only_long_lanes_get_helping_points(stub_m, points):
    """Longer than three stubs: 99 m of 100 yes, 102 m no."""
    assert len(pack_runs([run((0, 0), (0, 100))], None, walkable(), join_m=0.0, stub_m=stub_m).points) == points
    nothing = pack_runs([], None, walkable(), join_m=0.0)
    assert (nothing.points.shape, nothing.walked.size, nothing.covers.size) == ((0, 2), 0, 0)


def test_lengths_and_turns():
    runs = [run((0, 0), (30, 40)), run((30, 50), (30, 60), (40, 60), q_m=9.0)]
    assert [one.plan_m for one in runs] == pytest.approx([50.0, 20.0])
    assert walk_length_m(runs, at(0, -7)) == pytest.approx(7.0 + 50.0 + 10.0 + 20.0)
    last, first = turn_back(runs)
    assert (last.start, last.end, last.q_m) == (at(40, 60), at(30, 50), 9.0)
    assert (first.start, first.end) == (at(30, 40), at(0, 0))


def shortest_joins_m(runs, start):
    """By trying every order and either way of each."""
    ways = [
        [one.turned() if turned else one for one, turned in zip(order, turns, strict=True)]
        for order in itertools.permutations(runs)
        for turns in itertools.product((False, True), repeat=len(runs))
    ]
    return min(walk_length_m(way, start) for way in ways) - sum(one.plan_m for one in runs)


@pytest.mark.parametrize("start", [(0, 0), (200, 0), (200, 200), (0, 200), (100, 30)])
@pytest.mark.parametrize("seed", range(3))
def test_few_runs_are_walked_in_the_shortest_order(start, seed):
    """Four runs anywhere: as short as by trying all, and of the length that is told."""
    places = np.random.default_rng(seed).uniform(20.0, 180.0, (4, 2, 2))
    runs = [run(*map(tuple, ends), q_m=float(k)) for k, ends in enumerate(places)]
    order, length = order_runs(runs, at(*start), walkable())
    assert sorted(one.q_m for one in order) == [0.0, 1.0, 2.0, 3.0]
    assert length == pytest.approx(walk_length_m(order, at(*start)) - sum(one.plan_m for one in runs))
    assert length == pytest.approx(shortest_joins_m(runs, at(*start)), rel=1e-6)


@pytest.mark.parametrize("start", [(0, 0), (160, 0), (160, 100), (0, 100)])
def test_side_by_side_runs_are_walked_as_switchbacks(start):
    """From the corner where the searchers stand, each the other way than the one before."""
    runs = [run((20.0 + 30 * k, 20), (20.0 + 30 * k, 80), q_m=30.0 * k) for k in (3, 0, 4, 1, 2)]
    order, length = order_runs(runs, at(*start), walkable())
    rising = [0.0, 30.0, 60.0, 90.0, 120.0]
    assert [one.q_m for one in order] == (rising if start[0] == 0 else rising[::-1])
    ups = [one.end[1] > one.start[1] for one in order]
    assert ups == ([True, False] * 3)[:5] if start[1] == 0 else ([False, True] * 3)[:5]
    assert length == pytest.approx(4 * 30.0 + math.hypot(20, 20))
    assert order_runs([], at(0, 0), walkable()) == ([], 0.0)


TURNS = {"E": (1, 0), "W": (-1, 0), "N": (0, 1), "S": (0, -1)}


@pytest.mark.parametrize("toward", TURNS)
def test_a_run_is_cut_at_blocked_ground(toward):
    """Blocked for 10 m: two parts that end 0.6 m before it, to the half metre at which it is looked at."""
    east, north = TURNS[toward]

    def along(metres, left=0.0):
        left += 1.0  # in the middle of a row of cells
        return 100.0 + metres * east - left * north, 100.0 + metres * north + left * east

    wall = [*map(min, along(-10.0, -20.0), along(0.0, 20.0)), *map(max, along(-10.0, -20.0), along(0.0, 20.0))]
    where = walkable([wall])
    whole = run(along(-50.0), along(60.0))
    first, second = keep_walkable(whole, where, 5.0)
    for part, begin, end in ((first, -50.0, -10.85), (second, 0.85, 60.0)):
        for found, expected in ((part.start, begin), (part.end, end)):
            assert math.dist(found, at(*along(expected))) <= 0.26, (part, expected)
        assert where.is_clear_along(part.points)
    assert [part.start for part in keep_walkable(whole, where, 45.0)] == [second.start]
    assert keep_walkable(whole, where, 65.0) == []
    beside = run(along(-50.0, 30.0), along(60.0, 30.0))
    assert keep_walkable(beside, where, 5.0) == [beside]
    bent = run(along(-50.0), along(-30.0, 8.0), along(60.0, 8.0))
    parts = keep_walkable(bent, where, 5.0)
    assert [len(part.points) for part in parts] == [3, 2]
    assert math.dist(parts[0].points[1], at(*along(-30.0, 8.0))) < 1e-6


@pytest.mark.parametrize("toward", TURNS)
def test_a_run_ends_with_the_ground(toward):
    """100 m from the middle the ground ends, whichever way."""
    east, north = TURNS[toward]
    out = run((100.0, 100.0), (100.0 + 150.0 * east, 100.0 + 150.0 * north))
    (part,) = keep_walkable(out, walkable(), 5.0)
    assert part.start == pytest.approx(at(100, 100))
    assert 98.0 <= part.plan_m <= 100.0


@pytest.mark.parametrize(
    ("side_m", "shaping_m", "rough_m", "fine_m"),
    [(60.0, math.sqrt(3600 / 5000), math.sqrt(3600 / 900), math.sqrt(3600 / 30_000)), (180.0, 2.54558, 6.0, 1.0)],
)
def test_lattices_are_as_fine_as_the_outline_is_small(side_m, shaping_m, rough_m, fine_m):
    """5000, 900 and 30 000 points on the smallest outlines, and 0.9 % and 0.98 % that may stay uncovered."""
    area = check_area(on_map(box(10, 10, 10 + side_m, 10 + side_m)), FLAT, SearchOptions(strip_width_m=40.0))
    (group,) = group_pieces(area, 40.0)
    spacings = [goal.lattice.spacing_m for goal in (group.goal, group.rough, group.fine)]
    assert spacings == pytest.approx([shaping_m, rough_m, fine_m], rel=1e-3)
    for goal, share in ((group.goal, 0.009), (group.rough, 0.009), (group.fine, 0.0098)):
        assert goal.allowed_m2 == pytest.approx([share * side_m**2], rel=1e-3)
        assert goal.half_width_m == 20.0


@pytest.mark.parametrize(("gap_m", "members"), [(15, [2]), (39, [2]), (41, [1, 1])])
@pytest.mark.parametrize("upright", [True, False])
def test_pieces_within_a_strip_of_each_other_are_one_group(gap_m, members, upright):
    pieces = [box(10, 10, 60, 40), box(60 + gap_m, 10, 90 + gap_m, 40)]
    if upright:
        pieces = [box(*(piece.bounds[k] for k in (1, 0, 3, 2))) for piece in pieces]
    area = check_area(on_map(MultiPolygon(pieces)), FLAT, SearchOptions(strip_width_m=40.0))
    groups = group_pieces(area, 40.0)
    assert [len(getattr(group.outline, "geoms", [0])) for group in groups] == members
    assert [group.index for group in groups] == list(range(len(members)))
    assert sum(group.outline.area for group in groups) == pytest.approx(50.0 * 30.0 + 30.0 * 30.0)


def goal_on(outline, spacing_m, allowed_m2=0.0):
    """Half a strip of 20 m on an outline in metres from the corner of the ground."""
    lattice = make_lattice(on_map(outline), SURFACE, spacing_m)
    allowed = np.full(lattice.piece_m2.size, allowed_m2)
    return CoverGoal(lattice=lattice, walkable=walkable(), half_width_m=20.0, allowed_m2=allowed)


@pytest.mark.parametrize("turn", range(4))
def test_what_is_left_gets_a_run_through_its_middle(turn):
    """A run down a field of 40 + 20 x 60 m leaves 20 x 60 m at its side: the run goes along their longer direction."""

    def turned(x, y):
        for _ in range(turn):
            x, y = 200.0 - y, x
        return x, y

    corners = np.array([turned(70.0, 70.0), turned(130.0, 130.0)])
    goal = goal_on(box(*corners.min(axis=0), *corners.max(axis=0)), 2.0)
    down = run(turned(90.0, 70.0), turned(90.0, 130.0))
    first, extra = add_extra_runs([down], goal, 7)
    assert first is down
    assert (extra.group, extra.q_m, extra.extra) == (7, math.inf, True)
    ends = sorted([extra.start, extra.end])
    wanted = sorted([at(*turned(120.0, 71.0)), at(*turned(120.0, 129.0))])
    np.testing.assert_allclose(ends, wanted, atol=1e-6)
    assert goal.is_met(goal.count_covered([down, extra])[1])
    assert add_extra_runs([down, extra], goal, 7) == [down, extra]
    assert add_extra_runs([down], goal_on(box(*corners.min(axis=0), *corners.max(axis=0)), 2.0, 1300.0), 7) == [down]


def test_a_single_place_left_gets_a_run_as_long_as_it_is_wide():
    """A row of 11 places, 4 m each, the last of them 22 m from where somebody walks across."""
    goal = goal_on(box(50, 50, 94, 54), 4.0)
    _, extra = add_extra_runs([run((70, 50), (70, 54))], goal, 0)
    np.testing.assert_allclose(sorted([extra.start, extra.end]), [at(90, 52), at(94, 52)])


def test_idle_runs_are_dropped_but_the_last():
    """What covers nothing new goes where it is short; a long one stays, and one is always left."""
    goal = goal_on(box(50, 50, 90, 90), 2.0)
    across, idle, long = (
        run((70, 50), (70, 90)),
        run((150, 20), (150, 50), q_m=1.0),
        run((160, 20), (160, 120), q_m=2.0),
    )
    assert drop_idle_runs([across, idle], goal) == [across]
    assert drop_idle_runs([idle, across, long], goal) == [across, long]
    assert drop_idle_runs([idle], goal) == [idle]
    assert drop_idle_runs([across, run((70, 50), (70, 89))], goal) == [across]
    half, other = run((60, 50), (60, 90)), run((80, 50), (80, 90))
    narrow = CoverGoal(lattice=goal.lattice, walkable=walkable(), half_width_m=10.0, allowed_m2=goal.allowed_m2)
    assert drop_idle_runs([half, other], narrow) == [half, other]
    within = run((60, 25), (60, 60))
    assert drop_idle_runs([run((60, 52), (60, 88)), within, other], narrow) == [run((60, 52), (60, 88)), other]


@pytest.mark.parametrize(("allowed_m2", "kept"), [(1000.0, 2), (700.0, 3)])
def test_a_run_that_covers_little_is_dropped(allowed_m2, kept):
    """The third alone covers 2 x 40 m: a tenth of what may stay uncovered is 100 m2, or 70 m2."""
    lattice = make_lattice(on_map(box(50, 50, 92, 90)), SURFACE, 1.0)
    goal = CoverGoal(lattice=lattice, walkable=walkable(), half_width_m=10.0, allowed_m2=np.array([allowed_m2]))
    runs = [run((x, 50), (x, 90)) for x in (60, 80, 100)]
    assert drop_idle_runs(runs, goal) == runs[:kept]
