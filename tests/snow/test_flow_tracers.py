"""People in the flow: taken with the front, carried as fast as the snow, spread across it, dropped where it stops."""

import dataclasses

import numpy as np
import pytest

from lastseen.snow.carried import Tracers
from lastseen.snow.flow import FlowSnow, simulate_flow
from snow.made_flow import NORTH_M, WEST_M, ground_of, patch, slope_with_trough


def at(x, y, ny, factor=1.0, start=0.0, diffusion=0.0, cell_m=2.0, seed=0):
    """Tracers at places in metres from the lower left corner."""
    x, y = np.broadcast_arrays(np.atleast_1d(np.asarray(x, float)), np.asarray(y, float))
    values = {"speed_factor": factor, "start_s": start, "diffusion_m2_s": diffusion}
    full = {name: np.broadcast_to(np.asarray(value, float), x.shape).copy() for name, value in values.items()}
    return Tracers(x_m=WEST_M + x, y_m=NORTH_M - ny * cell_m + y, seed=seed, **full)


def test_a_person_in_a_uniform_slab_moves_as_the_snow():
    """Way on the map after a time from rest under Coulomb friction: half the acceleration times its square."""
    ground = ground_of(lambda x, y: -0.6 * x, 200, 30)
    slab = np.full(ground.shape, 0.5)
    run = simulate_flow(
        ground, slab, FlowSnow(friction=0.3), tracers=at([200.0] * 3, 30.0, 30, [0.8, 1.0, 1.2]), time_limit_s=6.0
    )
    pull = 9.81 * (0.6 - 0.3) / (1.0 + 0.36)
    way = run.tracers.x_m - WEST_M - 200.0
    np.testing.assert_allclose(way, np.array([0.8, 1.0, 1.2]) * 0.5 * pull * 36.0, rtol=0.02)
    np.testing.assert_allclose(run.tracers.y_m, NORTH_M - 30.0, atol=1e-6)


def test_spread_across_the_flow():
    """The variance across the flow grows by twice the diffusion per second, and nothing is added along it."""
    ground = ground_of(lambda x, y: -0.6 * x, 120, 80)
    slab = np.full(ground.shape, 0.5)
    tracers = at(np.full(2000, 100.0), 80.0, 80, diffusion=0.8, seed=11)
    run = simulate_flow(ground, slab, FlowSnow(friction=0.3), tracers=tracers, time_limit_s=5.0)
    assert np.var(run.tracers.y_m) == pytest.approx(2.0 * 0.8 * run.tracers.last_moved_s[0], rel=0.1)
    assert abs(run.tracers.y_m.mean() - (NORTH_M - 80.0)) < 0.2
    assert np.ptp(run.tracers.x_m) < 0.05


def test_a_person_below_is_taken_when_the_front_passes():
    """Whoever stands in the track is taken at about the arrival; whoever stands aside never is."""
    ground = ground_of(slope_with_trough)
    tracers = at([60.0, 60.0], [64.0, 135.0], 70, start=np.nan)
    run = simulate_flow(
        ground, patch(ground, 12.0, 40.0, 40.0, 90.0), FlowSnow(friction=0.3, turbulence_m_s2=1000.0), tracers=tracers
    )
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
    run = simulate_flow(ground, slab, FlowSnow(friction=0.3), tracers=tracers, time_limit_s=4.0)
    assert run.tracers.x_m[0] > run.tracers.x_m[1] > run.tracers.x_m[2] == WEST_M + 60.0
    assert run.tracers.taken.tolist() == [True, True, False]


def test_whoever_leaves_is_told():
    """Over an edge and into a gap have their own marks."""
    ground = ground_of(lambda x, y: -0.6 * x, 60, 40)
    values = ground.values.copy()
    values[:20, 50:53] = np.nan
    release = np.where(np.isnan(values), 0.0, 0.5)
    run = simulate_flow(
        ground.with_values(values),
        release,
        FlowSnow(friction=0.2),
        tracers=at([80.0, 80.0], [60.0, 20.0], 40),
        time_limit_s=12.0,
    )
    assert run.tracers.in_no_data.tolist() == [True, False]
    assert run.tracers.left_grid.tolist() == [False, True]


def test_whoever_the_snow_leaves_behind_slides_on_to_the_debris():
    """On a slope steeper than friction a person does not stop in a film: they end on gentler ground or in debris."""
    ground = ground_of(lambda x, y: np.where(x < 150.0, (150.0 - x) * 0.7, 0.0), 150, 30)
    start = patch(ground, 20.0, 50.0, 10.0, 50.0, 0.6)
    people = at(np.linspace(21.0, 49.0, 40), 30.0, 30, start=np.nan)
    run = simulate_flow(
        ground,
        start,
        FlowSnow(friction=0.35, turbulence_m_s2=1000.0, cohesion_pa=20.0),
        tracers=people,
    )
    assert run.tracers.taken.all()
    assert (run.tracers.x_m - WEST_M > 140.0).all()
    row, col = ground.cell_of(run.tracers.x_m, run.tracers.y_m)
    assert (run.depth_m[row, col] > 0.1).mean() > 0.6


def test_the_trail_tells_every_cell_in_turn():
    """The way is told on the wished cells, begins where the person stood, ends where they rest, and has no holes."""
    ground = ground_of(slope_with_trough, cell_m=2.0)
    start = patch(ground, 10.0, 30.0, 50.0, 90.0)
    people = dataclasses.replace(at([15.0, 25.0], 70.0, 70, start=np.nan), trail_cell_m=1.0)
    run = simulate_flow(ground, start, FlowSnow(friction=0.3, turbulence_m_s2=1000.0), tracers=people)
    wide = ground.shape[1] * 2
    for b in range(2):
        cells = run.tracers.cells[run.tracers.offsets[b] : run.tracers.offsets[b + 1]]
        rows, cols = cells // wide, cells % wide
        assert (rows[0], cols[0]) == (70, [15, 25][b])
        x, y = run.tracers.x_m[b] - ground.west_m, ground.north_m - run.tracers.y_m[b]
        assert (rows[-1], cols[-1]) == (int(y), int(x))
        assert max(np.abs(np.diff(rows)).max(), np.abs(np.diff(cols)).max()) <= 1
