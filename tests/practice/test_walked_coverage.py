"""Coverage of a walk against a slow twin: every sample, every point, every side; and which points are trusted."""

import dataclasses

import numpy as np
import pytest

from lastseen.core.grid import Grid
from lastseen.jobs.practice.tracks import Cleaning, Track
from lastseen.jobs.practice.walked_coverage import (
    CoverageBand,
    LaneReview,
    Radii,
    find_first_times,
    find_leftover,
    find_radii,
    join_first_times,
    measure_band,
    sample_walk,
)
from lastseen.search.surface import make_lattice
from practice.walks import EAST, NORTH, START, plan_on


@pytest.fixture(scope="module")
def plan():
    return plan_on(90.0, 60.0, strip=20.0, slope_deg=25.0)


def track(xy, trusted, *, run=None, step_s=10.0):
    """A track of a few fixes, with what is trusted said fix by fix."""
    xy = np.asarray(xy, float)
    n = len(xy)
    return Track(
        name="walk",
        x_m=EAST + xy[:, 0],
        y_m=NORTH + xy[:, 1],
        time_s=START + step_s * np.arange(n),
        timed=True,
        run=np.zeros(n, np.int32) if run is None else np.asarray(run, np.int32),
        trusted=np.asarray(trusted, bool),
        cleaning=Cleaning(fixes=n),
    )


@pytest.mark.parametrize("trusted", [(0, 1, 1), (1, 0, 1), (1, 1, 0), (0, 0, 1), (0, 0, 0), (1, 1, 1)])
def test_doubt_lies_on_its_own_leg(plan, trusted):
    """Three legs of 20, 10 and 30 m with a corner between; fixes are trusted wherever they lie, their legs as said."""
    xyz, _, sure = sample_walk(track([(0, 0), (20, 0), (20, 10), (50, 10)], trusted), plan.surface)
    x, y = xyz[:, 0] - EAST, xyz[:, 1] - NORTH
    inner = [(x > 0) & (x < 20) & (y == 0), (x == 20) & (y > 0) & (y < 10), (x > 20) & (x < 50)]
    for leg, told in zip(inner, trusted, strict=True):
        assert leg.sum() >= 9
        assert (sure[leg] == bool(told)).all()
    for corner in ((0, 0), (20, 0), (20, 10), (50, 10)):
        assert sure[(x == corner[0]) & (y == corner[1])].all()


@pytest.mark.parametrize("trusted", [(0, 1, 1, 1), (1, 1, 1, 0)])
def test_fixes_that_stand_still_hide_no_doubt(plan, trusted):
    """Two fixes within half a metre are one place: a doubtful first or last step stays doubtful."""
    fixes = [(0, 0), (20, 0), (20.1, 0), (40, 0), (60, 0)]
    xyz, _, sure = sample_walk(track(fixes, trusted), plan.surface)
    x = xyz[:, 0] - EAST
    for first, last, told in ((0.5, 19.5, trusted[0]), (20.6, 39.4, trusted[2]), (40.5, 59.5, trusted[3])):
        assert (sure[(x > first) & (x < last)] == bool(told)).all()


def test_a_gap_is_no_leg(plan):
    """Between two runs nothing lies; both ends of the gap are there, with their times."""
    xyz, time, _ = sample_walk(track([(0, 0), (10, 0), (40, 0), (60, 0)], (1, 1, 1), run=(0, 0, 1, 1)), plan.surface)
    x = xyz[:, 0] - EAST
    assert not ((x > 10.0) & (x < 40.0)).any()
    assert {10.0, 40.0} <= set(x.tolist())
    assert time[x == 40.0].tolist() == [START + 20.0]


def slow_first_times(walk, lattice, surface, radii):
    """By looking at every sample from every point."""
    xyz, time, trusted = sample_walk(walk, surface)
    samples = np.column_stack([lattice.x_m, lattice.y_m, lattice.height_m])
    away = np.linalg.norm(samples[:, None, :] - xyz[None, :, :], axis=2)
    out = []
    for radius, counts in ((radii.sure_m, trusted), (radii.half_m, True), (radii.perhaps_m, True)):
        reached = (away <= radius) & counts & (radius > 0.0)
        out.append(np.where(reached, time[None, :], np.inf).min(axis=1))
    return np.stack(out)


@pytest.mark.parametrize("seed", range(4))
def test_first_times_equal_the_slow_twin(plan, seed):
    """Walks that cross each side of the outline, with doubtful legs; samples of an oblong, spacing 2.5 m."""
    rng = np.random.default_rng(seed)
    fixes = rng.uniform((-25.0, -25.0), (115.0, 85.0), (9, 2))
    walk = track(fixes, rng.random(8) < 0.5, step_s=60.0)
    lattice = make_lattice(plan.outline, plan.surface, 2.5)
    for radii in (find_radii(20.0, 3.0), Radii(sure_m=0.0, half_m=10.0, perhaps_m=17.0, gps_m=9.0)):
        found = find_first_times(walk, lattice, plan.surface, radii)
        np.testing.assert_array_equal(found, slow_first_times(walk, lattice, plan.surface, radii))


@pytest.mark.parametrize("side", ["W", "E", "S", "N"])
def test_a_walk_along_one_edge_covers_a_strip_along_it(plan, side):
    """8 m outside the edge with a radius of 10 m: samples within 2 m of that edge, none at the others."""
    ends = {"W": [(-8, 0), (-8, 60)], "E": [(98, 0), (98, 60)], "S": [(0, -8), (90, -8)], "N": [(0, 68), (90, 68)]}[
        side
    ]
    lattice = make_lattice(plan.outline, plan.surface, 1.0)
    radii = Radii(sure_m=5.0, half_m=10.0, perhaps_m=10.0, gps_m=0.0)
    half = np.isfinite(find_first_times(track(ends, [True]), lattice, plan.surface, radii)[1])
    x, y = lattice.x_m - EAST, lattice.y_m - NORTH
    inward = {"W": x, "E": 90.0 - x, "S": y, "N": 60.0 - y}[side]
    assert half.any()
    assert inward[half].max() <= 2.0
    assert half[(inward < 1.0)].mean() > 0.9


def test_shares_of_a_band_by_hand():
    """Four samples of 1 to 4 m2: sure 1, half 3, at most 6 of 10 m2; two tracks join by the earlier time."""
    never = np.inf
    times = np.array([[1.0, never, never, never], [1.0, 2.0, never, never], [1.0, 2.0, 3.0, never]])
    band = measure_band(times, np.array([1.0, 2.0, 3.0, 4.0]))
    assert (band.sure, band.half, band.none) == pytest.approx((0.1, 0.3, 0.4))
    assert band.perhaps == pytest.approx(0.5)
    assert band.most == pytest.approx(0.6)
    later = np.where(np.isfinite(times), times + 1.0, 9.0)
    np.testing.assert_array_equal(join_first_times([times, later])[0], [1.0, 9.0, 9.0, 9.0])
    np.testing.assert_array_equal(join_first_times([times]), times)


def leave_out(plan, lattice, *holes):
    """First times of samples (3 x n): 0 s but in some holes (west, south, east, north; perhaps covered or not)."""
    times = np.zeros((3, lattice.weight_m2.size))
    x, y = lattice.x_m - EAST, lattice.y_m - NORTH
    for (west, south, east, north), perhaps in holes:
        inside = (x > west) & (x < east) & (y > south) & (y < north)
        times[: 2 if perhaps else 3, inside] = np.inf
    return times


def test_gaps_are_listed_from_a_square_of_a_quarter_strip(plan):
    """16 m2 are not worth a walk, 36 and 48 m2 are; most in it first; areas are on the snow."""
    lattice = make_lattice(plan.outline, plan.surface, 1.0)
    times = leave_out(
        plan, lattice, ((10, 10, 14, 14), False), ((30, 20, 36, 26), False), ((60, 40, 68, 46), True),
        ((86, 0, 90, 60), False),
    )  # fmt: skip
    band = CoverageBand(sure=0.9, half=0.9, perhaps=0.0, none=0.1)
    radii = Radii(sure_m=5.0, half_m=10.0, perhaps_m=15.0, gps_m=3.0)
    lanes = LaneReview(lanes=(), spacings=(), turns=())
    left = find_leftover(plan, lattice, times, band=band, radii=radii, lanes=lanes)
    on_snow = 1.0 / np.cos(np.radians(25.0))
    assert [hole.number for hole in left.holes] == [1, 2, 3]
    assert [hole.area_m2 for hole in left.holes] == pytest.approx([240 * on_snow, 48 * on_snow, 36 * on_snow], rel=1e-3)
    assert [hole.missed for hole in left.holes] == [1.0, 0.0, 1.0]
    assert [hole.poa for hole in left.holes] == pytest.approx([240 / 5400, 48 / 5400, 36 / 5400], rel=1e-3)
    middle = left.holes[2].outline.centroid
    assert (middle.x - EAST, middle.y - NORTH) == pytest.approx((33.0, 23.0), abs=0.01)
    sure, perhaps, none = 1.0 - 340 / 5400, 48 / 5400, 292 / 5400
    assert left.poa_before == pytest.approx((sure, perhaps, none, 0.0), rel=1e-3)
    rest = 0.5 * perhaps + none
    assert left.poa_after == pytest.approx((0.0, 0.5 * perhaps / rest, none / rest, 0.0), rel=1e-3)
    assert left.found == pytest.approx(sure + 0.5 * perhaps, rel=1e-3)
    assert left.advice[0].startswith("First walk the 3 gaps, gap 1 first: ")
    assert not any("midway between those" in advice for advice in left.advice)
    more = find_leftover(
        plan, lattice, times, band=CoverageBand(sure=0.8, half=0.9, perhaps=0.1, none=0.1), radii=radii, lanes=lanes
    )
    assert "10 % are only perhaps covered: walk lines midway between those that were walked." in more.advice


@pytest.mark.parametrize("side", ["W", "E", "S", "N"])
def test_probability_that_ends_before_the_outline(plan, side):
    """No probability lies in the 20 m beside one edge that its grid leaves out; a gap there holds none."""
    boxes = {"W": (20, 0, 90, 60), "E": (0, 0, 70, 60), "S": (0, 20, 90, 60), "N": (0, 0, 90, 40)}
    west, south, east, north = boxes[side]
    shape = ((north - south) // 2, (east - west) // 2)
    poa = Grid(np.full(shape, 1.0 / (shape[0] * shape[1])), EAST + west, NORTH + north, 2.0, plan.crs)
    lattice = make_lattice(plan.outline, plan.surface, 1.0)
    beside = {"W": (2, 20, 12, 40), "E": (78, 20, 88, 40), "S": (40, 2, 50, 12), "N": (40, 48, 50, 58)}[side]
    times = leave_out(plan, lattice, (beside, False), ((40, 24, 50, 36), False))
    left = find_leftover(
        dataclasses.replace(plan, poa=poa), lattice, times,
        band=CoverageBand(sure=0.9, half=0.9, perhaps=0.0, none=0.1),
        radii=Radii(sure_m=5.0, half_m=10.0, perhaps_m=15.0, gps_m=3.0),
        lanes=LaneReview(lanes=(), spacings=(), turns=()),
    )  # fmt: skip
    assert [hole.poa for hole in left.holes] == pytest.approx([120.0 / ((east - west) * (north - south)), 0.0])
    assert left.poa_before[3] == pytest.approx(0.0, abs=1e-9)
