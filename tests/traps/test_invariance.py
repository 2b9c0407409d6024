"""Turned, mirrored, moved or lifted ground has the same traps."""

import numpy as np
import pytest
from scipy import ndimage

from lastseen.core.grid import Grid
from lastseen.terrain.surface import read_terrain
from lastseen.traps.find import find_traps
from traps.made_ground import axes, everywhere, profile, terrain, trench

CELL_M = 2.0


def ground():
    """A slope with a bent gully, a bench beside it, a cliff and a hollow, and seeded roughness."""
    across, down = axes(CELL_M, 33.0)
    bench = profile(down, [(-20, 35), (0, 4), (90, 33), (400, 6)])
    plain = profile(down, [(90, 26), (400, 6)])
    z = np.where(across > 40.0, bench - bench.mean(), plain - plain.mean() - 1.0)
    z = ndimage.gaussian_filter(z, 2.0, mode="nearest")
    z -= trench(across + 60.0 - 0.3 * np.abs(down), 5, 16) * (down < 95)
    z -= np.clip(3.5 * (1.0 - ((across + 20.0) ** 2 + (down - 118.0) ** 2) / 15.0**2), 0.0, None)
    return z + ndimage.gaussian_filter(np.random.default_rng(3).normal(0, 0.4, z.shape), 1.0)


def summary(traps):
    return sorted((t.kind, t.cells.size, round(t.length_m, 2), round(t.width_m, 3), round(t.weight, 6)) for t in traps)


def numbers(z):
    return summary(find_traps(terrain(z, CELL_M), everywhere(z)))


@pytest.fixture(scope="module")
def base():
    return numbers(ground())


def test_the_ground_has_several_kinds(base):
    assert {"gully", "bench", "closed hollow"} <= {kind for kind, *_ in base}


TURNS = {
    "quarter": np.rot90,
    "half": lambda z: np.rot90(z, 2),
    "mirror": np.fliplr,
    "transpose": np.transpose,
    "lift": lambda z: z + 1024.0,
}


@pytest.mark.parametrize("turn", list(TURNS.values()), ids=list(TURNS))
def test_turned_mirrored_lifted(turn, base):
    other = numbers(np.ascontiguousarray(turn(ground())))
    assert [kind for kind, *_ in other] == [kind for kind, *_ in base]
    for (_, cells, length, width, weight), (_, cells0, length0, width0, weight0) in zip(other, base, strict=True):
        assert cells == pytest.approx(cells0, abs=2)
        assert length == pytest.approx(length0, abs=4 * CELL_M)
        assert width == pytest.approx(width0, rel=0.08)
        assert weight == pytest.approx(weight0, rel=0.03)


def test_shift_moves_the_outlines_and_nothing_else():
    z = ground()
    at = find_traps(terrain(z, CELL_M), everywhere(z))
    grid = terrain(z, CELL_M).elevation
    moved = read_terrain(Grid(z, grid.west_m + 1000.0, grid.north_m - 500.0, CELL_M, grid.crs))
    for a, b in zip(at, find_traps(moved, everywhere(z)), strict=True):
        assert a.reason == b.reason
        assert b.outline.centroid.x - a.outline.centroid.x == pytest.approx(1000.0, abs=1e-3)
        assert b.outline.centroid.y - a.outline.centroid.y == pytest.approx(-500.0, abs=1e-3)


def test_outlines_fit_their_cells_and_are_valid():
    z = ground()
    at = terrain(z, CELL_M)
    for trap in find_traps(at, everywhere(z)):
        assert trap.outline.is_valid
        assert trap.outline.area == pytest.approx(trap.cells.size * CELL_M**2, rel=0.05)
        x, y = at.elevation.centre_of(*np.divmod(trap.cells, z.shape[1]))
        west, south, east, north = trap.outline.bounds
        assert x.min() >= west - 2 * CELL_M
        assert x.max() <= east + 2 * CELL_M
        assert y.min() >= south - 2 * CELL_M
        assert y.max() <= north + 2 * CELL_M
        assert np.unique(trap.cells).size == trap.cells.size


def test_window_of_interest_gives_the_same_measures():
    z = ground()
    wide = np.pad(z, 120, mode="edge")
    where = np.zeros(wide.shape, dtype=bool)
    where[190:200, 190:200] = True
    whole = find_traps(terrain(wide, CELL_M), everywhere(wide))
    near = find_traps(terrain(wide, CELL_M), where)
    assert set(summary(near)) <= set(summary(whole))


def test_one_thread_or_two(monkeypatch):
    z = ground()
    monkeypatch.setenv("LASTSEEN_THREADS", "1")
    one = [(t.reason, t.cells.tolist()) for t in find_traps(terrain(z, CELL_M), everywhere(z))]
    monkeypatch.setenv("LASTSEEN_THREADS", "2")
    assert one == [(t.reason, t.cells.tolist()) for t in find_traps(terrain(z, CELL_M), everywhere(z))]
