"""What must not move, what must stop, and how a run ends."""

import numpy as np
import pytest
from scipy import ndimage

from lastseen.snow.flow import FlowSnow, simulate_flow
from snow.made_flow import ground_of, patch, places, slope_with_trough

GROUNDS = {
    "flat": lambda x, y: 0.0 * x,
    "inclined": lambda x, y: -0.16 * x - 0.09 * y,
    "rough": lambda x, y: 0.5 * rough(x.shape),
    "rough and inclined": lambda x, y: 0.15 * x - 0.1 * y + 0.3 * rough(x.shape),
}


def rough(shape):
    """Smooth noise of about half a metre with slopes up to a fifth."""
    return 2.0 * ndimage.gaussian_filter(np.random.default_rng(3).normal(0.0, 1.0, shape), 2.0)


def cone(ground, x0, y0, height, steepness):
    """A cone whose upper side is smooth whatever the bed."""
    x, y = places(*ground.shape[::-1], ground.cell_m)
    top = height - steepness * np.hypot(x - x0, y - y0)
    lift = ground.values - ndimage.gaussian_filter(ground.values, 12.0)
    # Its rim is thin, however rough the bed: no edge is steeper than its friction angle.
    return np.where(top > 0.0, np.clip(top - lift, 0.0, 1.5 * top), 0.0)


@pytest.mark.parametrize("name", GROUNDS)
def test_a_pile_below_its_friction_angle_does_not_move(name):
    """Not by a bit, over a minute, on any ground."""
    ground = ground_of(GROUNDS[name], 64, 48, 1.0)
    pile = cone(ground, 30.0, 25.0, 2.0, 0.12)
    run = simulate_flow(ground, pile, FlowSnow(friction=0.4, turbulence_m_s2=1000.0), time_limit_s=60.0)
    np.testing.assert_array_equal(run.depth_m, pile)
    assert run.fastest_m_s.max() == 0.0
    assert run.end == "at rest"


def test_a_slab_moves_just_above_its_friction_angle_only():
    """On a slope with a tangent of 0.5, friction of 0.501 holds and of 0.499 does not."""
    ground = ground_of(lambda x, y: -0.4 * x - 0.3 * y)
    slab = np.full(ground.shape, 0.5)
    held, sliding = (simulate_flow(ground, slab, FlowSnow(friction=mu), time_limit_s=2.0) for mu in (0.501, 0.499))
    assert held.fastest_m_s.max() == 0.0
    assert sliding.fastest_m_s[20:-20, 20:-20].min() > 0.01


def test_cohesion_holds_a_thin_slab_and_not_a_thick_one():
    """Cohesion over density and depth adds to friction: 100 Pa hold 0.2 m and not 1 m where friction alone fails."""
    ground = ground_of(lambda x, y: -0.6 * x)
    snow = FlowSnow(friction=0.45, cohesion_pa=100.0, density_kg_m3=200.0)
    thin, thick = (simulate_flow(ground, np.full(ground.shape, h), snow, time_limit_s=1.0) for h in (0.2, 1.0))
    assert thin.fastest_m_s.max() == 0.0
    assert thick.fastest_m_s[:, 20:-20].min() > 0.1


def test_a_deposit_is_at_rest_when_run_again():
    """On ground gentler than friction a flow stops in finite time, and what it left stays when released again."""
    ground = ground_of(lambda x, y: -0.1 * x + 0.05 * y + 0.3 * np.sin(x / 15.0) * np.cos(y / 12.0))
    release = patch(ground, 20.0, 50.0, 40.0, 90.0)
    start = (np.where(release > 0.0, 9.0, 0.0), np.where(release > 0.0, 2.0, 0.0))
    snow = FlowSnow(friction=0.4, turbulence_m_s2=1000.0)
    first = simulate_flow(ground, release, snow, moving_share=0.0, start_m_s=start)
    assert first.end == "at rest"
    assert first.time_s < 10.0
    assert np.abs(first.depth_m - release).max() > 0.3
    again = simulate_flow(ground, first.depth_m, snow, time_limit_s=10.0)
    np.testing.assert_array_equal(again.depth_m, first.depth_m)


def test_ends_are_named():
    """Time limit, snow beyond the ground, and all at rest have their own names."""
    ground = ground_of(slope_with_trough)
    snow, release = FlowSnow(friction=0.3, turbulence_m_s2=1000.0), patch(ground, 12.0, 40.0, 40.0, 90.0)
    short = simulate_flow(ground, release, snow, time_limit_s=1.0)
    assert (short.end, short.time_s) == ("unfinished", 1.0)
    assert short.moving_share > 0.5
    whole = simulate_flow(ground, release, snow)
    assert whole.end == "at rest"
    assert whole.moving_share < 0.01
    assert whole.balance.left_m3 < 0.05 * whole.balance.released_m3
    steep = ground_of(lambda x, y: -0.6 * x)
    gone = simulate_flow(steep, patch(steep, 130.0, 160.0, 40.0, 90.0), snow)
    assert gone.end == "left the model"
    assert gone.balance.left_m3 > 0.05 * gone.balance.released_m3


@pytest.mark.parametrize(("lost", "end"), [(0.03, "at rest"), (0.08, "left the model")])
def test_a_little_snow_may_leave(lost, end):
    """A twentieth of the snow beyond the ground with data is where the toe is no longer known."""
    ground = ground_of(lambda x, y: 0.0 * x, 60, 40, 1.0)
    snow = FlowSnow(friction=0.5)
    release = patch(ground, 20.0, 50.0, 10.0, 30.0, 0.5)
    edge = patch(ground, 58.0, 60.0, 10.0, 30.0, 0.5)
    release += edge * (lost * release.sum() / (1.0 - lost) / edge.sum())
    run = simulate_flow(ground, release, snow, start_m_s=(np.where(edge > 0.0, 8.0, 0.0), 0.0 * edge))
    assert run.balance.left_m3 == pytest.approx(lost * run.balance.released_m3, rel=0.1)
    assert run.end == end


def test_records_of_a_run():
    """Arrival, speed and depth of what happened agree with each other."""
    ground = ground_of(slope_with_trough)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    run = simulate_flow(ground, release, FlowSnow(friction=0.3, turbulence_m_s2=1000.0))
    assert (run.arrival_s[release > 0.0] == 0.0).all()
    np.testing.assert_array_equal(np.isfinite(run.arrival_s), run.deepest_m > 0.05)
    assert (run.deepest_m >= run.depth_m).all()
    assert (run.deepest_m >= release).all()
    assert (run.fastest_m_s[run.deepest_m == 0.0] == 0.0).all()
    below = run.arrival_s[35, 20:]
    assert (np.diff(below[np.isfinite(below)]) >= 0.0).all()
    drop = ground.values[release > 0.0].max() - ground.values.min() + 1.0
    assert run.fastest_m_s.max() < np.sqrt(2.0 * 9.81 * drop)


@pytest.mark.parametrize("cell_m", [1.0, 2.0, 5.0, 10.0])
def test_a_pool_in_a_narrow_ravine_comes_to_rest(cell_m):
    """In a ravine with walls of 35 degrees snow settles in the bed, whether the cells show its width or not."""
    nx, ny = round(160 / cell_m), round(300 / cell_m)

    def ravine(x, y):
        return 0.7 * np.abs(x - 79.0) + 0.35 * np.maximum(y - 150.0, 0.0) + 0.02 * y

    ground = ground_of(ravine, nx, ny, cell_m)
    start = patch(ground, 60.0, 100.0, 220.0, 260.0, 0.5)
    snow = FlowSnow(friction=0.3, turbulence_m_s2=1000.0, cohesion_pa=10.0)
    run = simulate_flow(ground, start, snow, time_limit_s=200.0)
    assert run.end == "at rest"
    assert run.time_s < 120.0
    moves = np.hypot(run.east_m_s, run.north_m_s) > 0.1
    assert run.depth_m[moves].sum() < 0.01 * run.depth_m.sum()
    x, _ = places(nx, ny, cell_m)
    assert run.depth_m[np.abs(x - 79.0) < max(12.0, 1.5 * cell_m)].sum() > 0.8 * run.depth_m.sum()


def test_little_that_moves_and_stays_ends_a_run():
    """A larger share that may move ends a run earlier, later looks move it by little; at 0 nothing may move."""
    ground = ground_of(slope_with_trough)
    start = patch(ground, 10.0, 30.0, 50.0, 90.0)
    snow = FlowSnow(friction=0.3, turbulence_m_s2=1000.0)
    runs = [simulate_flow(ground, start, snow, moving_share=share, time_limit_s=200.0) for share in (0.05, 0.01, 0.0)]
    assert runs[0].time_s <= runs[1].time_s < runs[2].time_s
    for run, share in zip(runs[:2], (0.05, 0.01), strict=True):
        assert run.end == "at rest"
        assert run.moving_share < share
        later = simulate_flow(ground, start, snow, moving_share=0.0, time_limit_s=run.time_s + 4.0)
        assert 0.5 * np.abs(later.depth_m - run.depth_m).sum() < 0.2 * share * start.sum()
    assert runs[2].end == "unfinished" or runs[2].moving_share == 0.0


def test_a_run_does_not_end_before_it_has_set_out():
    """Snow that gathers way slowly is not at rest while it does so, however long that takes."""
    ground = ground_of(lambda x, y: -0.4 * x)
    slab = patch(ground, 20.0, 60.0, 20.0, 120.0)
    run = simulate_flow(ground, slab, FlowSnow(friction=0.39, turbulence_m_s2=1000.0), time_limit_s=20.0)
    assert run.time_s == 20.0
    assert run.end == "unfinished"
    assert run.moving_share > 0.5
