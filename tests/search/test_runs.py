"""Runs before they are lanes: packed for the kernels, put in order, cut at blocked ground; all by hand."""

import itertools
import math
from types import SimpleNamespace

import numpy as np
import pytest
from shapely import MultiPolygon, box

from lastseen.search.lanes import Run, group_pieces, keep_walkable, order_runs, pack_runs, turn_back, walk_length_m
from lastseen.search.routes import WalkableGround
from lastseen.search.search_area import SearchOptions, check_area
from lastseen.search.surface import Surface
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
