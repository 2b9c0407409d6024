"""Results do not depend on bookkeeping, on the orientation of the map, or on anything but the inputs."""

import numpy as np
import pytest

from lastseen.core.grid import Grid
from lastseen.snow import flow_kernels
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


def same(one, other):
    """Every number of two runs is the same, bit for bit."""
    for name in PLANES:
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    for name in ("x_m", "y_m", "last_moved_s", "fastest_m_s"):
        np.testing.assert_array_equal(getattr(one.tracers, name), getattr(other.tracers, name))
    assert (one.time_s, one.steps, one.end, one.balance) == (other.time_s, other.steps, other.end, other.balance)


def test_blocks_have_no_influence(monkeypatch):
    """Blocks of 8 and 32 cells, and every block at every step, give the same bytes."""
    ground = ground_of(slope_with_trough)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    small, large = (
        simulate_flow(ground, release, SNOW, tracers=people(), time_limit_s=25.0, block_cells=b) for b in (8, 32)
    )
    assert small.cell_updates < large.cell_updates
    same(small, large)
    choose = flow_kernels.choose

    def all_blocks(lively, boxes, block, ny, nx):
        everywhere = np.empty_like(lively)
        everywhere[:] = (flow_kernels.ALL_AROUND, 0, ny + 4)
        return choose(everywhere, boxes, block, ny, nx)

    monkeypatch.setattr(flow_kernels, "choose", all_blocks)
    whole = simulate_flow(ground, release, SNOW, tracers=people(), time_limit_s=25.0, block_cells=8)
    assert whole.cell_updates == whole.steps * ground.values.size
    same(small, whole)


def test_same_inputs_same_bytes():
    """A second run, and one on a prepared bed, repeat the first; another seed moves the tracers only."""
    ground = ground_of(slope_with_trough)
    release = patch(ground, 12.0, 40.0, 40.0, 90.0)
    first = simulate_flow(ground, release, SNOW, tracers=people(), time_limit_s=15.0)
    same(first, simulate_flow(ground, release, SNOW, tracers=people(), time_limit_s=15.0))
    same(first, simulate_flow(prepare_bed(ground), release, SNOW, tracers=people(), time_limit_s=15.0))
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
