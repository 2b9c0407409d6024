"""Snow between walls: what they add to friction, against a rigid wedge, and what must come to rest."""

import math

import numpy as np
import pytest

from lastseen.core.grid import Grid
from lastseen.jobs.check import snow
from lastseen.snow.flow import FlowSnow, simulate_flow
from oracles import wedge
from snow.made_flow import UTM

CELL_M = 2.0


def travel(height, wall, friction, start_m_s, *, length_m, turn_deg=0.0):
    """Way on the map of the centre of a wedge of snow 2 m deep and 40 m long, and the share of it that has stopped."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    half = 40.0
    reach = length_m + half
    i, j = np.arange(-reach * abs(s) - half, reach * abs(s) + half, CELL_M), np.arange(-60.0, reach, CELL_M)
    x, y = np.meshgrid(j - j[np.abs(j).argmin()], i[::-1] - i[np.abs(i).argmin()])
    along, across = x * c + y * s, y * c - x * s
    z = height(along) + wall * np.abs(across)
    depth = np.where(
        (np.abs(along) < 20.0) & (np.abs(across) < 20.0), np.maximum(2.0 - wall * np.abs(across), 0.0), 0.0
    )
    pace = start_m_s * math.cos(math.atan(float(height(-0.5) - height(0.5))))
    start = (np.full_like(z, pace * c), np.full_like(z, pace * s))
    ground = Grid(z, 0.0, 0.0, CELL_M, UTM)
    run = simulate_flow(
        ground, depth, FlowSnow(friction=friction), start_m_s=start, moving_share=0.0, time_limit_s=90.0
    )
    assert run.balance.left_m3 < 0.02 * run.balance.released_m3
    drop = z[depth > 0.0].max() + 2.0 - z.min()
    assert run.fastest_m_s.max() < 1.25 * math.sqrt(start_m_s**2 + 2.0 * 9.81 * drop)
    h, moves = run.depth_m, np.hypot(run.east_m_s, run.north_m_s) > 0.1
    way = (h * along).sum() / h.sum() - (depth * along).sum() / depth.sum()
    return way, 1.0 - h[moves].sum() / h.sum()


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
@pytest.mark.parametrize("side_deg", [10, 20, 35, 45])
def test_a_filled_valley_brakes_as_a_rigid_wedge(side_deg, turn_deg):
    """Down a straight valley, set off at 15 m/s, with friction a third above what keeps its speed."""
    bed = math.radians(20.0)
    wall = math.tan(math.radians(side_deg)) / math.cos(bed)
    friction = 1.33 * math.tan(bed) / wedge.wedge_factor(wall, bed)

    def height(x):
        return -math.tan(bed) * x

    expected, _ = wedge.slide(height, wall, friction, 15.0)
    way, stopped = travel(height, wall, friction, 15.0, length_m=expected + 100.0, turn_deg=turn_deg)
    assert way == pytest.approx(expected, rel=0.25 if turn_deg == 0.0 else 0.45)
    # Askew to the cells it runs up to 40 % farther, and up to 36 % of the snow, thin and without drag, still trickles.
    assert stopped > (0.99 if turn_deg == 0.0 else 0.6)


@pytest.mark.parametrize("side_deg", [10, 20, 35, 45])
def test_a_valley_that_eases_stops_a_wedge(side_deg):
    """From 25 degrees to 8 over some hundred metres: friction holds below about 15 degrees."""
    wall = math.tan(math.radians(side_deg))
    friction = math.tan(math.radians(15.0)) / wedge.wedge_factor(wall, math.radians(15.0))
    steep, gentle = math.tan(math.radians(25.0)), math.tan(math.radians(8.0))

    def height(x):
        return -gentle * x - (steep - gentle) * 150.0 * (1.0 - np.exp(-np.asarray(x) / 150.0))

    expected, _ = wedge.slide(height, wall, friction, 8.0)
    way, stopped = travel(height, wall, friction, 8.0, length_m=expected + 150.0)
    assert way == pytest.approx(expected, rel=0.25)
    assert stopped > 0.99


def test_the_oracle_knows_its_closed_form():
    """On a straight slope a wedge stops after v2 / (2 a); walls of 60 degrees double friction."""
    assert wedge.wedge_factor(math.sqrt(3.0), 0.0) == pytest.approx(2.0)
    bed = math.radians(20.0)
    way, time = wedge.slide(lambda x: -math.tan(bed) * x, 0.0, 1.5 * math.tan(bed), 10.0)
    brake = 0.5 * 9.81 * math.sin(bed)
    assert way / math.cos(bed) == pytest.approx(50.0 / brake, rel=1e-6)
    assert time == pytest.approx(10.0 / brake, rel=1e-6)


@pytest.mark.parametrize("cell_m", [2.0, 4.0, 6.0, 10.0])
def test_a_bowl_comes_to_rest(cell_m):
    """On ground that bends everywhere, too, nothing drives a level pool."""
    for turn_deg in (0.0, 17.0, 45.0):
        assert snow.level_moving_share("bowl", cell_m, turn_deg) < 0.001


@pytest.mark.parametrize(("cell_m", "excess_m"), [(2.0, 1.1), (4.0, 0.1), (6.0, 0.0), (10.0, 0.0)])
def test_a_surface_at_rest_is_no_steeper_than_friction_holds(cell_m, excess_m):
    """Across a level valley, from cell to cell; on fine cells a step of the heap can stand between steep walls."""
    assert snow.level_surface_excess_m(cell_m) <= excess_m
