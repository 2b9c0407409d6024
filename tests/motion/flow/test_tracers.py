"""People in the flow: taken with the front, carried as fast as the snow, spread across it, dropped where it stops."""

import numpy as np
import pytest

from lastseen.motion.flow import FlowSnow, Tracers, run_flow
from motion.flow.made_flow import NORTH_M, WEST_M, ground_of, patch, slope_with_trough


def at(x, y, ny, factor=1.0, start=0.0, diffusion=0.0, cell_m=2.0, seed=0):
    """Tracers at places in metres from the lower left corner."""
    x, y = np.broadcast_arrays(np.atleast_1d(np.asarray(x, float)), np.asarray(y, float))
    full = [np.broadcast_to(np.asarray(one, float), x.shape).copy() for one in (factor, start, diffusion)]
    return Tracers(WEST_M + x, NORTH_M - ny * cell_m + y, *full, seed)


def test_a_person_in_a_uniform_slab_moves_as_the_snow():
    """Way on the map after a time from rest under Coulomb friction: half the acceleration times its square."""
    ground = ground_of(lambda x, y: -0.6 * x, 200, 30)
    slab = np.full(ground.shape, 0.5)
    run = run_flow(ground, slab, FlowSnow(0.3), tracers=at([200.0] * 3, 30.0, 30, [0.8, 1.0, 1.2]), time_limit_s=6.0)
    pull = 9.81 * (0.6 - 0.3) / (1.0 + 0.36)
    way = run.tracers.x_m - WEST_M - 200.0
    np.testing.assert_allclose(way, np.array([0.8, 1.0, 1.2]) * 0.5 * pull * 36.0, rtol=0.02)
    np.testing.assert_allclose(run.tracers.y_m, NORTH_M - 30.0, atol=1e-6)


def test_spread_across_the_flow():
    """The variance across the flow grows by twice the diffusion per second, and nothing is added along it."""
    ground = ground_of(lambda x, y: -0.6 * x, 120, 80)
    slab = np.full(ground.shape, 0.5)
    tracers = at(np.full(2000, 100.0), 80.0, 80, diffusion=0.8, seed=11)
    run = run_flow(ground, slab, FlowSnow(0.3), tracers=tracers, time_limit_s=5.0)
    assert np.var(run.tracers.y_m) == pytest.approx(2.0 * 0.8 * run.tracers.last_moved_s[0], rel=0.1)
    assert abs(run.tracers.y_m.mean() - (NORTH_M - 80.0)) < 0.2
    assert np.ptp(run.tracers.x_m) < 0.05


def test_a_person_below_is_taken_when_the_front_passes():
    """Whoever stands in the track is taken at about the arrival; whoever stands aside never is."""
    ground = ground_of(slope_with_trough)
    tracers = at([60.0, 60.0], [64.0, 135.0], 70, start=np.nan)
    run = run_flow(ground, patch(ground, 12.0, 40.0, 40.0, 90.0), FlowSnow(0.3, 1000.0), tracers=tracers)
    assert run.tracers.taken.tolist() == [True, False]
    assert run.tracers.x_m[0] > WEST_M + 65.0
    assert run.tracers.x_m[1] == WEST_M + 60.0
    row, col = ground.cell_of(run.tracers.x_m[0], run.tracers.y_m[0])
    assert run.depth_m[row, col] > 0.0


def test_a_late_start_waits():
    """Before its time a tracer stands; after it the snow takes it along."""
    ground = ground_of(lambda x, y: -0.6 * x, 120, 30)
    slab = np.full(ground.shape, 0.5)
    tracers = at([60.0, 60.0, 60.0], 30.0, 30, start=[0.0, 2.0, 9.0])
    run = run_flow(ground, slab, FlowSnow(0.3), tracers=tracers, time_limit_s=4.0)
    assert run.tracers.x_m[0] > run.tracers.x_m[1] > run.tracers.x_m[2] == WEST_M + 60.0
    assert run.tracers.taken.tolist() == [True, True, False]


def test_whoever_leaves_is_told():
    """Over an edge and into a gap have their own marks."""
    ground = ground_of(lambda x, y: -0.6 * x, 60, 40)
    values = ground.values.copy()
    values[:20, 50:53] = np.nan
    release = np.where(np.isnan(values), 0.0, 0.5)
    run = run_flow(
        ground.with_values(values),
        release,
        FlowSnow(0.2),
        tracers=at([80.0, 80.0], [60.0, 20.0], 40),
        time_limit_s=12.0,
    )
    assert run.tracers.in_no_data.tolist() == [True, False]
    assert run.tracers.left_grid.tolist() == [False, True]
