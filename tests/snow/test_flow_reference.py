"""Published and derived values of the flow, and how its error falls with the cell."""

import math

import numpy as np
import pytest

from lastseen.core.grid import Grid
from lastseen.jobs.check import snow
from lastseen.snow.flow import FlowSnow, simulate_flow
from snow.made_flow import UTM


@pytest.mark.parametrize(("slope", "friction", "depth", "time"), [(30, 23, 20, 5.0), (35, 25, 1, 2.0)])
@pytest.mark.parametrize("azimuth", [30, *(pytest.param(deg, marks=pytest.mark.slow) for deg in (0, 45))])
def test_dam_break_on_a_slope_whatever_its_azimuth(slope, friction, depth, time, azimuth):
    """In map coordinates the error stays below a per cent and falls by three tenths or more with half the cell."""
    coarse, fine = (snow.incline_error_percent(slope, friction, depth, time, azimuth, cells) for cells in (60, 120))
    assert fine < 0.7 * coarse
    assert fine < 1.0


def test_every_azimuth_is_alike():
    """A dam break down a slope turned by 15 degrees after 15: at most 1 %, the worst below 1.6 times the best."""
    errors = [snow.incline_error_percent(30, 23, 20, 5.0, azimuth, 100) for azimuth in range(0, 91, 15)]
    assert max(errors) < 1.0
    assert max(errors) < 1.6 * min(errors)
    np.testing.assert_allclose(errors, errors[::-1], rtol=1e-6)


@pytest.mark.slow
def test_order_on_a_smooth_wave():
    """On a smooth wave the error falls faster than with the power 1.2 of the cell."""
    found = {}
    for cells in (50, 100, 200, 1600):
        x = (np.arange(cells) + 0.5) * 100.0 / cells
        flat = Grid(np.zeros((8, cells)), 0.0, 800.0 / cells, 100.0 / cells, UTM)
        depth = np.tile(1.0 + 0.2 * np.exp(-(((x - 50.0) / 8.0) ** 2)), (8, 1))
        run = simulate_flow(flat, depth, FlowSnow(friction=0.0), time_limit_s=3.0, moving_share=0.0)
        found[cells] = run.depth_m[4]
    errors = [np.abs(found[n] - found[1600].reshape(n, -1).mean(axis=1)).mean() for n in (50, 100, 200)]
    orders = [math.log2(errors[i] / errors[i + 1]) for i in range(2)]
    assert min(orders) > 1.2, orders


@pytest.mark.parametrize("case", ["parabola", "radial", "planar"])
def test_swinging_water_converges(case):
    """Errors in Thacker's bowls fall by half or more with half the cell, through wetting and drying."""
    coarse, fine = (snow.thacker_error_percent(cells, 1.0, case) for cells in (50, 100))
    assert fine < 0.5 * coarse


def test_closed_forms_keep_mass():
    """The closed forms hold what was released: the oracle of the oracles."""
    x = np.linspace(-400.0, 400.0, 80_001)
    step = x[1] - x[0]
    for h, before in (
        (snow.dry_dam_break(x, 5.0, 20.0, 8.5, 1.3)[0], 400.0 * 20.0),
        (snow.wet_dam_break(x, 5.0, 20.0, 10.0)[0], 400.0 * 30.0),
        (snow.parabolic_cap(x, 5.0, slope_deg=35.0, friction_deg=25.0, half_length=20.0, depth=1.0), 80.0 / 3.0),
    ):
        inflow = 0.0 if before < 100.0 else 0.5 * 1.3 * 25.0 * 20.0 if before == 8000.0 else 0.0
        assert h.sum() * step == pytest.approx(before + inflow, rel=1e-3)
