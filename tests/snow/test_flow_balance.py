"""Nothing is lost: entrainment, edges and holes are booked."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastseen.snow import flow
from lastseen.snow.flow import FlowSnow, simulate_flow
from lastseen.snow.sliding_mass import smooth_for_snow
from lastseen.terrain.elevation import open_elevation, read_window
from lastseen.terrain.surface import read_terrain
from snow.made_flow import ground_of, patch, slope_with_trough


def test_entrainment_approaches_the_growth_and_is_booked():
    """Released + entrained = deposited to 1e-10, and the growth asked for is reached within two per cent."""
    ground = ground_of(slope_with_trough)
    run = simulate_flow(
        ground, patch(ground, 12.0, 40.0, 40.0, 90.0), FlowSnow(friction=0.3, turbulence_m_s2=1000.0, growth=0.5)
    )
    assert run.balance.error < 1e-10
    assert run.balance.entrained_m3 == pytest.approx(0.5 * run.balance.released_m3, rel=0.02)
    assert run.entrained_m.sum() * 4.0 == pytest.approx(run.balance.entrained_m3)
    assert run.entrained_m.min() >= 0.0


def test_no_more_is_entrained_than_lies_there():
    """A thin layer limits what the flow takes, cell by cell, and only where it passed."""
    ground = ground_of(slope_with_trough)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    run = simulate_flow(ground, release, FlowSnow(friction=0.3, turbulence_m_s2=1000.0, growth=2.0, layer_m=0.03))
    assert 0.02 < run.entrained_m.max() <= 0.03
    assert (run.entrained_m[release > 0.0] == 0.0).all()
    assert (run.entrained_m[run.deepest_m <= 0.05] == 0.0).all()
    assert run.balance.error < 1e-10


def test_growth_makes_deposits_larger_and_flow_no_faster_at_first():
    """Entrained snow has to be set in motion: the run with growth is slower early, and leaves more."""
    ground = ground_of(slope_with_trough)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    runs = [
        simulate_flow(ground, release, FlowSnow(friction=0.3, turbulence_m_s2=1000.0, growth=g), time_limit_s=4.0)
        for g in (0.0, 1.0)
    ]
    assert runs[1].balance.on_grid_m3 > 1.1 * runs[0].balance.on_grid_m3
    assert runs[1].fastest_m_s.max() <= 1.02 * runs[0].fastest_m_s.max()


@pytest.mark.parametrize(("side", "fall"), [("west", (1, 0)), ("east", (-1, 0)), ("south", (0, 1)), ("north", (0, -1))])
def test_what_leaves_is_counted_by_side(side, fall):
    """Down a plane everything leaves over the lower edge and nothing over the others."""
    ground = ground_of(lambda x, y: 0.6 * (fall[0] * x + fall[1] * y), 40, 40)
    run = simulate_flow(ground, patch(ground, 24.0, 56.0, 24.0, 56.0), FlowSnow(friction=0.2), time_limit_s=30.0)
    left = {name: getattr(run.balance, f"left_{name}_m3") for name in ("west", "east", "south", "north", "no_data")}
    assert left[side] == pytest.approx(run.balance.left_m3, rel=1e-12)
    assert left[side] > 0.99 * run.balance.released_m3
    assert run.balance.error < 1e-10


def test_a_gap_in_the_ground_swallows_and_is_counted():
    """Snow that meets no data is gone, and its volume is known; beside the gap nothing is disturbed at rest."""
    plane = ground_of(lambda x, y: -0.6 * x, 60, 30)
    values = plane.values.copy()
    values[:, 40:43] = np.nan
    holed = plane.with_values(values)
    run = simulate_flow(holed, patch(plane, 20.0, 50.0, 10.0, 50.0), FlowSnow(friction=0.2), time_limit_s=30.0)
    assert run.balance.left_no_data_m3 > 0.5 * run.balance.released_m3
    assert run.balance.error < 1e-10
    assert (run.depth_m[:, 43:] == 0.0).all()
    still = simulate_flow(holed, np.where(np.isnan(values), 0.0, 0.5), FlowSnow(friction=0.8), time_limit_s=5.0)
    assert still.fastest_m_s.max() == 0.0


@given(seed=st.integers(0, 10_000), friction=st.floats(0.0, 0.8), growth=st.floats(0.0, 2.0), gap=st.booleans())
def test_mass_on_any_ground(seed, friction, growth, gap):
    """Depths never fall below zero and the books balance on rough ground with gaps, edges and entrainment."""
    rng = np.random.default_rng(seed)
    ground = ground_of(lambda x, y: -0.5 * x + 3.0 * np.sin(x / 9.0 + seed) * np.cos(y / 7.0), 40, 36, 2.0)
    values = ground.values + rng.normal(0.0, 0.2, ground.shape)
    if gap:
        values[rng.random(values.shape) < 0.03] = np.nan
    release = np.where(np.isfinite(values), patch(ground, 10.0, 40.0, 10.0, 60.0, 1.0), 0.0)
    snow = FlowSnow(friction=friction, turbulence_m_s2=800.0, growth=growth)
    run = simulate_flow(ground.with_values(values), release, snow, time_limit_s=6.0)
    assert run.balance.error < 1e-10
    assert run.depth_m.min() >= 0.0
    assert np.isfinite(run.depth_m).all()
    assert np.isfinite(run.east_m_s).all()


def test_a_step_that_would_leave_less_than_nothing_is_taken_again(monkeypatch):
    """With steps ten times too long, halving them keeps depths at zero and above and the books balanced."""
    ground = ground_of(slope_with_trough)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    proper = simulate_flow(ground, release, FlowSnow(friction=0.3), time_limit_s=5.0)
    monkeypatch.setattr(flow, "COURANT", 9.0)
    monkeypatch.setattr(flow, "FALL_STEP", 4.0)
    run = simulate_flow(ground, release, FlowSnow(friction=0.3), time_limit_s=5.0)
    assert run.depth_m.min() >= 0.0
    assert run.balance.error < 1e-10
    assert run.steps < proper.steps


@pytest.mark.slow
def test_mass_is_kept_over_a_whole_run_on_a_mountain(demo_ground):
    """On the demo's ground, from release to rest with entrainment: nothing is lost or made to 1e-10."""
    run = _run_on(demo_ground)
    assert run.balance.entrained_m3 > 0.3 * run.balance.released_m3
    assert run.balance.error < 1e-10


@pytest.mark.slow
def test_mass_is_kept_over_a_whole_run_on_real_terrain(real_terrain):
    """The same on real elevation models, from the steepest place of their middle."""
    for name, path in real_terrain.items():
        elevation = open_elevation((path,))
        west, south, east, north = elevation.bounds_m
        x, y = 0.5 * (west + east), 0.5 * (south + north)
        half = min(1500.0, 0.4 * (east - west), 0.4 * (north - south))
        ground = smooth_for_snow(read_window(elevation, (x - half, y - half, x + half, y + half)))
        run = _run_on(ground)
        assert run.balance.entrained_m3 > 0.0, name
        assert run.balance.error < 1e-10, name


def _run_on(ground):
    """A round release at the steepest place of the middle of a ground."""
    slope = read_terrain(ground).slope_deg.values
    rows, cols = np.indices(slope.shape)
    ny, nx = slope.shape
    middle = (np.abs(rows - ny / 2) < ny / 4) & (np.abs(cols - nx / 2) < nx / 4) & (slope < 50.0)
    row, col = np.unravel_index(np.nanargmax(np.where(middle, slope, -1.0)), slope.shape)
    near = np.hypot(rows - row, cols - col) * ground.cell_m < max(25.0, 2.5 * ground.cell_m)
    start = np.where(near & np.isfinite(ground.values), 0.8, 0.0)
    return simulate_flow(
        ground,
        start,
        FlowSnow(friction=0.25, turbulence_m_s2=1000.0, cohesion_pa=10.0, growth=0.5),
        time_limit_s=200.0,
    )
