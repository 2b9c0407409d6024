"""Results do not depend on bookkeeping, on the orientation of the map, or on anything but the inputs."""

import dataclasses

import numpy as np
import pytest

from lastseen.core.grid import Grid
from lastseen.snow import flow_kernels, flow_planes
from lastseen.snow.carried import Tracers
from lastseen.snow.flow import FlowSnow, prepare_bed, simulate_flow
from snow.made_flow import NORTH_M, UTM, WEST_M, ground_of, patch, places, slope_with_trough

SNOW = FlowSnow(friction=0.3, turbulence_m_s2=1000.0, growth=0.4)
PLANES = ("depth_m", "east_m_s", "north_m_s", "fastest_m_s", "arrival_s", "deepest_m", "entrained_m")


def people(n=40, seed=5):
    rng = np.random.default_rng(1)
    x, y = WEST_M + rng.uniform(14.0, 38.0, n), NORTH_M - 140.0 + rng.uniform(42.0, 88.0, n)
    return Tracers(
        x_m=x,
        y_m=y,
        speed_factor=rng.uniform(0.8, 1.2, n),
        start_s=np.zeros(n),
        diffusion_m2_s=np.full(n, 0.5),
        seed=seed,
    )


def compare(first, second):
    """Every number of two runs is the same, bit for bit."""
    for name in PLANES:
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))
    for name in ("x_m", "y_m", "last_moved_s", "fastest_m_s"):
        np.testing.assert_array_equal(getattr(first.tracers, name), getattr(second.tracers, name))
    assert (first.time_s, first.steps, first.end) == (second.time_s, second.steps, second.end)
    assert first.balance == second.balance


def test_blocks_have_no_influence():
    """Blocks of 8, 12 and 16 cells give the same bytes, the smaller ones with less work."""
    ground = ground_of(slope_with_trough)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    runs = [
        simulate_flow(ground, release, SNOW, tracers=people(), time_limit_s=25.0, block_cells=cells)
        for cells in (8, 12, 16)
    ]
    assert runs[0].cell_updates < runs[1].cell_updates < runs[2].cell_updates
    assert runs[0].moving_updates < 0.9 * runs[0].cell_updates
    compare(runs[0], runs[1])
    compare(runs[0], runs[2])


def advance_everywhere(planes, carried, trail, rules, carry_rules, pause_s, most_steps):
    """The twin of the compiled course: step after step, on every block whether anything moves there or not."""
    clock, (ny, nx) = planes.clock, (planes.state.shape[1] - 4, planes.state.shape[2] - 4)
    everywhere = np.empty_like(planes.active)
    everywhere[:] = (flow_kernels.ALL_AROUND, 0, ny + 4)
    for _ in range(most_steps):
        left = rules.time_limit_s - clock[flow_planes.TIME_S]
        if left <= 0.0 or clock[flow_planes.TIME_S] >= pause_s:
            break
        count = flow_kernels.choose(everywhere, planes.boxes, rules.block, ny, nx)
        waves = clock[flow_planes.WAVE_M_S]
        dt = min(rules.longest_step_s, rules.courant * rules.cell_m / waves if waves > 0.0 else np.inf, left)
        while not flow_kernels.step(planes, planes.boxes[:count], dt, rules):
            dt *= 0.5
        clock[flow_planes.TIME_S] = clock[flow_planes.TIME_S] + dt if dt < left else rules.time_limit_s
        clock[flow_planes.STEP_S] = dt
        clock[flow_planes.STEPS] += 1.0
        time_s = clock[flow_planes.TIME_S]
        clock[flow_planes.WAVE_M_S] = flow_kernels.finish(planes, planes.boxes[:count], dt, time_s, rules)
        step = int(clock[flow_planes.STEPS])
        flow_kernels.carry(carried, trail, planes.state, planes.bed, carry_rules, time_s, dt, step)
    return flow_planes.GOING


@pytest.mark.parametrize("cells", [8, 13])
def test_every_block_at_every_step_gives_the_same(monkeypatch, cells):
    """What the chosen blocks leave out would not have changed; blocks that do not fit the ground, too."""
    ground = ground_of(slope_with_trough)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    chosen = simulate_flow(ground, release, SNOW, tracers=people(), time_limit_s=25.0, block_cells=cells)
    monkeypatch.setattr(flow_kernels, "advance", advance_everywhere)
    whole = simulate_flow(ground, release, SNOW, tracers=people(), time_limit_s=25.0, block_cells=cells)
    assert whole.cell_updates == whole.steps * ground.values.size
    assert whole.moving_updates == chosen.moving_updates
    compare(chosen, whole)


def test_a_watch_has_no_influence():
    """Looked at every half second or never: the same bytes, and every look is told."""
    ground = ground_of(slope_with_trough)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    times, depths = [], []

    def watch(time_s, depth_m):
        times.append(time_s)
        depths.append(depth_m.sum())

    unwatched = simulate_flow(ground, release, SNOW, tracers=people())
    watched = simulate_flow(ground, release, SNOW, tracers=people(), watch=watch, watch_every_s=0.5)
    compare(unwatched, watched)
    assert times == sorted(times)
    assert np.diff(times).max() < 0.5 + 2.0 * 0.7 * np.sqrt(2.0 / 9.81)
    assert times[-1] == watched.time_s
    assert depths[0] == pytest.approx(release.sum(), rel=1e-3)
    assert depths[-1] == pytest.approx(watched.depth_m.sum())


def test_a_watch_does_not_end_a_run_that_moved_for_a_moment():
    """Most snow moves for less than the time between two looks, a little goes on: a watch does not change the end."""
    ground = ground_of(lambda x, y: np.where(y > 70.0, -0.1, -0.31) * x)
    brief, lasting = patch(ground, 40.0, 60.0, 90.0, 120.0, 1.0), patch(ground, 20.0, 24.0, 20.0, 24.0, 0.03)
    start = (np.where(brief > 0.0, 3.0, 0.0), 0.0 * brief)
    snow = FlowSnow(friction=0.3, turbulence_m_s2=1000.0)
    unwatched, watched = (
        simulate_flow(ground, brief + lasting, snow, start_m_s=start, tracers=people(), time_limit_s=30.0, **watching)
        for watching in ({}, {"watch": lambda time_s, depth_m: None, "watch_every_s": 0.2})
    )
    compare(unwatched, watched)


@pytest.mark.parametrize("number", [0, 1, 7])
def test_people_have_no_influence(number):
    """On the snow, and on those counted before them: nobody, one, some or all of forty."""
    ground = ground_of(slope_with_trough)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    everybody = people()
    arrays = ("x_m", "y_m", "speed_factor", "start_s", "diffusion_m2_s")
    first = dataclasses.replace(everybody, **{name: getattr(everybody, name)[:number] for name in arrays})
    many, few = (simulate_flow(ground, release, SNOW, tracers=who, time_limit_s=15.0) for who in (everybody, first))
    none = simulate_flow(ground, release, SNOW, time_limit_s=15.0)
    assert none.tracers is None
    for name in PLANES:
        np.testing.assert_array_equal(getattr(few, name), getattr(many, name))
        np.testing.assert_array_equal(getattr(none, name), getattr(many, name))
    assert few.tracers.x_m.shape == (number,)
    for name in ("x_m", "y_m", "last_moved_s", "fastest_m_s"):
        np.testing.assert_array_equal(getattr(few.tracers, name), getattr(many.tracers, name)[:number])


def test_same_inputs_same_bytes():
    """A second run, and one on a prepared bed, repeat the first; another seed moves the tracers only."""
    ground = ground_of(slope_with_trough)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    first = simulate_flow(ground, release, SNOW, tracers=people(), time_limit_s=15.0)
    compare(first, simulate_flow(ground, release, SNOW, tracers=people(), time_limit_s=15.0))
    compare(first, simulate_flow(prepare_bed(ground), release, SNOW, tracers=people(), time_limit_s=15.0))
    other = simulate_flow(ground, release, SNOW, tracers=people(seed=6), time_limit_s=15.0)
    np.testing.assert_array_equal(other.depth_m, first.depth_m)
    assert (other.tracers.x_m != first.tracers.x_m).any()


def turned(values, quarter, mirrored):
    values = np.rot90(values, quarter)
    return np.ascontiguousarray(values[:, ::-1] if mirrored else values)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("quarter", [0, 1, 2, 3])
def test_a_turned_or_mirrored_mountain_gives_a_turned_or_mirrored_flow(quarter, mirrored):
    """By quarter turns and mirroring nothing changes beyond rounding."""
    ground = ground_of(slope_with_trough, 80, 70)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    here = simulate_flow(ground, release, SNOW, time_limit_s=12.0)
    values = turned(ground.values, quarter, mirrored)
    there = simulate_flow(
        Grid(values, WEST_M, NORTH_M, ground.cell_m, ground.crs),
        turned(release, quarter, mirrored),
        SNOW,
        time_limit_s=12.0,
    )
    for name in ("depth_m", "fastest_m_s", "deepest_m", "entrained_m"):
        expected = turned(getattr(here, name), quarter, mirrored)
        np.testing.assert_allclose(getattr(there, name), expected, rtol=0.0, atol=1e-7)
    assert there.steps == here.steps


def runout(azimuth, cell_m):
    """Where the centre of a round pile comes to lie down an easing slope, its width, and its greatest speed."""
    cells = round(300.0 / cell_m)
    x, y = places(cells, cells, cell_m)
    c, s = np.cos(azimuth), np.sin(azimuth)
    along, across = (x - 150.0) * c + (y - 150.0) * s, (y - 150.0) * c - (x - 150.0) * s
    z = 0.65 * np.where(along < 0.0, -along, 25.0 * (np.exp(-np.maximum(along, 0.0) / 25.0) - 1.0))
    pile = np.maximum(1.0 - ((along + 60.0) ** 2 + across**2) / 15.0**2, 0.0)
    run = simulate_flow(
        Grid(z, 0.0, 300.0, cell_m, UTM), pile, FlowSnow(friction=0.3, turbulence_m_s2=1000.0), time_limit_s=30.0
    )
    h = run.depth_m
    return (h * along).sum() / h.sum(), np.sqrt((h * across**2).sum() / h.sum()), run.fastest_m_s.max()


@pytest.mark.parametrize(("cell_m", "tolerance"), [(2.0, 0.05), (1.0, 0.02)])
def test_a_slope_turned_by_45_degrees_carries_as_far(cell_m, tolerance):
    """Run-out, width and speed are the same along the axis and along the diagonal, the more so with small cells."""
    np.testing.assert_allclose(runout(0.0, cell_m), runout(0.25 * np.pi, cell_m), rtol=tolerance)
