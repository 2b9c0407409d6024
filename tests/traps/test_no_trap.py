"""Ground that must give no trap, and ground that cannot be read."""

import numpy as np
import pytest

from lastseen.core.errors import InputError
from lastseen.traps.find import describe_invisible_traps, find_traps
from traps.made_ground import axes, everywhere, grid, profile, slope, terrain, trench

CELLS = [1.0, 2.0, 5.0, 10.0]


def found(z, cell_m):
    return [t.reason for t in find_traps(terrain(z, cell_m), everywhere(z))]


@pytest.mark.parametrize("cell_m", CELLS)
def test_plane(cell_m):
    _, down = axes(cell_m, 33.0)
    assert found(slope(down, 30), cell_m) == []


@pytest.mark.parametrize("cell_m", CELLS)
@pytest.mark.parametrize("degrees", [0, 12, 30, 40])
def test_rough_but_harmless(cell_m, degrees):
    _, down = axes(cell_m, 33.0)
    z = slope(down, degrees) + np.random.default_rng(11).normal(0.0, 0.3, down.shape)
    assert found(z, cell_m) == []


@pytest.mark.parametrize("cell_m", CELLS)
def test_concave_runout(cell_m):
    _, down = axes(cell_m, 33.0, 400.0)
    assert found(profile(down, [(k, 20.0 - 0.1 * k) for k in range(-200, 201)]), cell_m) == []


@pytest.mark.parametrize("cell_m", CELLS)
def test_broad_valley_and_wide_bowl(cell_m):
    across, down = axes(cell_m, 33.0)
    valley = slope(down, 6) + np.tan(np.radians(18)) * np.clip(np.abs(across) - 50.0, 0.0, None)
    assert found(valley, cell_m) == []
    bowl = slope(down, 28) + across**2 / 400.0
    assert found(bowl, cell_m) == []


@pytest.mark.parametrize("cell_m", CELLS)
def test_ridge_and_knoll(cell_m):
    across, down = axes(cell_m, 33.0)
    assert found(1500.0 - 0.55 * np.sqrt(across**2 + 15.0**2), cell_m) == []
    assert found(1500.0 - 0.5 * np.sqrt(across**2 + down**2 + 20.0**2), cell_m) == []


def test_traps_away_from_the_reachable_ground_are_left_out():
    across, down = axes(2.0, 0.0)
    z = slope(down, 25) - trench(across - 100.0, 6, 16)
    at = terrain(z, 2.0)
    near = np.abs(across - 100.0) < 6.0
    assert len(find_traps(at, near & (np.abs(down) < 10.0))) == 1
    assert find_traps(at, across < 50.0) == ()
    assert find_traps(at, np.zeros(z.shape, dtype=bool)) == ()


def test_no_data_is_not_a_trap_and_does_not_hide_one():
    across, down = axes(2.0, 33.0)
    plain = slope(down, 30)
    plain[40:60, 50:90] = np.nan
    assert found(plain, 2.0) == []
    cut = slope(down, 25) - trench(across, 6, 16)
    cut[np.hypot(across - 60.0, down) < 20.0] = np.nan
    assert len(found(cut, 2.0)) == 1
    assert found(np.full((50, 50), np.nan), 2.0) == []


def test_tiny_and_coarse_models():
    assert found(np.zeros((2, 2)), 2.0) == []
    assert found(np.zeros((3, 3)), 2.0) == []
    across, down = axes(40.0, 0.0, 2000.0)
    assert found(slope(down, 25) - trench(across, 6, 60), 40.0) == []


def test_shape_must_fit():
    with pytest.raises(InputError, match="do not fit"):
        find_traps(terrain(np.zeros((5, 5)), 2.0), np.ones((4, 5), dtype=bool))


def test_note_on_the_cell_size():
    assert "invisible" in describe_invisible_traps(30.0)
    assert "narrower than 4 m" in describe_invisible_traps(2.0)
    assert describe_invisible_traps(0.5) is None
    assert grid(np.zeros((3, 3)), 2.0).cell_m == 2.0
