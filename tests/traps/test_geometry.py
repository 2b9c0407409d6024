"""Pile-up of debris on made ground against plane geometry, parts of long gullies, and burial."""

import math

import numpy as np
import pytest

from lastseen.core.errors import InputError
from lastseen.core.grid import Grid
from lastseen.traps.find import find_traps
from lastseen.traps.pile_up import (
    OPEN_DEBRIS_M,
    deposit_depth_between_m,
    deposit_depth_v_m,
    deposit_depth_wedge_m,
    piled_in_channel_m,
)
from lastseen.traps.trap import add_burial_depth, add_person_shares, describe_shares
from traps.made_ground import UTM, axes, everywhere, slope, terrain, trench


@pytest.mark.parametrize("slope_deg", [10.0, 30.0, 45.0, 70.0])
def test_special_cases_of_slope_against_counter_slope(slope_deg):
    assert deposit_depth_between_m(7.0, slope_deg, 90.0) == pytest.approx(deposit_depth_wedge_m(7.0, slope_deg))
    assert deposit_depth_between_m(7.0, slope_deg, slope_deg) == pytest.approx(deposit_depth_v_m(7.0, slope_deg))


@pytest.mark.parametrize(("area", "slope_deg", "counter"), [(-1, 30, 30), (1, 0, 30), (1, 30, 0), (1, 30, 91)])
def test_slopes_without_meaning(area, slope_deg, counter):
    with pytest.raises(InputError):
        deposit_depth_between_m(area, slope_deg, counter)


@pytest.mark.parametrize("cell_m", [1.0, 2.0])
@pytest.mark.parametrize("azimuth", [0.0, 33.0])
def test_wedge_behind_a_wall_on_any_azimuth(cell_m, azimuth):
    """Within a fifth of sqrt(2 A tan(gamma)) on cells that spread the wall; never deeper."""
    _, down = axes(cell_m, azimuth)
    z = slope(np.minimum(down, 0.0), 35) + np.where(down > 0.0, 6.0, 0.0)
    (bank,) = [t for t in find_traps(terrain(z, cell_m), everywhere(z)) if t.kind == "bank"]
    exact = deposit_depth_wedge_m(10.0, 35.0)
    assert 0.75 * exact <= bank.pile_up_m <= 1.01 * exact
    assert f"piles up to {bank.pile_up_m:.1f} m, {bank.pile_up_m / OPEN_DEBRIS_M:.1f} times" in bank.reason


def test_channels_that_cannot_hold_it_fill_to_the_brim():
    assert piled_in_channel_m(1.0, 4.0, 2.0) == 1.0
    assert piled_in_channel_m(6.0, 14.0, 42.0) == pytest.approx(deposit_depth_v_m(10.0, math.degrees(math.atan(6 / 7))))
    assert math.isnan(piled_in_channel_m(0.0, 4.0, 2.0))
    across, down = axes(1.0, 0.0)
    z = slope(down, 25) - trench(across - 0.5, 1.8, 6)
    (one,) = find_traps(terrain(z, 1.0), everywhere(z))
    assert "fills it to the brim" in one.reason
    assert one.pile_up_m <= one.depth_m + 0.2


def long_gully():
    across, down = axes(2.0, 0.0, 700.0)
    z = slope(down, 25) - trench(across, 6, 16)
    return down, terrain(z, 2.0), find_traps(terrain(z, 2.0), everywhere(z))


def test_a_long_gully_tells_its_shares_by_stretches():
    """Four persons stop 300 m down it, one at its end: the stretches say so, and sum to the whole."""
    down, at, (gully,) = long_gully()
    assert [round(p.to_m - p.from_m) for p in gully.parts] == [round(gully.length_m / len(gully.parts))] * len(
        gully.parts
    )
    assert gully.parts[0].from_m == 0.0
    assert gully.parts[-1].to_m == pytest.approx(gully.length_m)
    ny, nx = at.elevation.shape
    middle = nx // 2
    rows = [int(np.argmin(abs(down[:, middle] - d))) for d in (-40.0, 330.0)]
    last = np.array([rows[0] * nx + middle] * 4 + [rows[1] * nx + middle])
    (met,) = add_person_shares((gully,), np.array([], int), np.array([], int), last, 5, (ny, nx))
    assert sum(p.person_ends for p in met.parts) == pytest.approx(met.person_ends) == 1.0
    at_310 = next(p for p in met.parts if p.from_m <= 310.0 < p.to_m)
    assert at_310.person_ends == pytest.approx(0.8)
    assert met.parts[-1].person_ends == pytest.approx(0.2)
    assert "80 % between" in describe_shares(met)


def test_short_gullies_have_no_parts():
    across, down = axes(2.0, 0.0, 200.0)
    z = slope(down, 25) - trench(across, 6, 16)
    (one,) = find_traps(terrain(z, 2.0), everywhere(z))
    assert one.parts == ()


@pytest.mark.parametrize(("size_m", "parts"), [(296.0, 0), (300.0, 2), (404.0, 3)])
def test_gullies_from_300_m_have_parts_of_at_most_200_m(size_m, parts):
    """Straight down over all of the ground, and at most a diagonal step more."""
    across, down = axes(2.0, 0.0, size_m)
    z = slope(down, 25) - trench(across - 1.0, 6, 16)
    (gully,) = find_traps(terrain(z, 2.0), everywhere(z))
    assert gully.length_m == pytest.approx(size_m, abs=1.0)
    ends = np.linspace(0.0, gully.length_m, parts + 1)
    assert [p.from_m for p in gully.parts] == pytest.approx(ends[:-1])
    assert [p.to_m for p in gully.parts] == pytest.approx(ends[1:])


def test_burial_is_the_debris_over_those_who_stop_there():
    """Weighted by where persons stop: 2 m over three quarters of them, 1 m over the rest."""
    _, at, (gully,) = long_gully()
    shape = at.elevation.shape
    thickness, poa = np.zeros(shape), np.zeros(shape)
    thickness.ravel()[gully.cells[0]], thickness.ravel()[gully.cells[1]] = 2.0, 1.0
    poa.ravel()[gully.cells[0]], poa.ravel()[gully.cells[1]] = 0.3, 0.1
    grids = [Grid(one, 0.0, 0.0, 2.0, UTM) for one in (thickness, poa)]
    assert add_burial_depth((gully,), *grids)[0].burial_m == pytest.approx(1.75)
    nobody = Grid(np.zeros(shape), 0.0, 0.0, 2.0, UTM)
    assert math.isnan(add_burial_depth((gully,), grids[0], nobody)[0].burial_m)
