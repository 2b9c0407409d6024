"""How a release grows cell by cell: against the shortest ways of scipy, and where it has to end."""

import math

import numpy as np
import pytest
from scipy import sparse
from scipy.sparse import csgraph

from lastseen.snow.release_kernels import grow

CELL_M, ACROSS = 5.0, 1.6


def ways(allowed, east_slope, north_slope):
    """Cost of each step between allowed neighbours, read on the slope of the cell that it leaves."""
    ny, nx = allowed.shape
    out = sparse.lil_array((allowed.size, allowed.size))
    for i, j in np.argwhere(allowed):
        p, q = east_slope[i, j], north_slope[i, j]
        for di, dj in np.argwhere(np.ones((3, 3))) - 1:
            a, b = i + di, j + dj
            if (di == dj == 0) or not (0 <= a < ny and 0 <= b < nx) or not allowed[a, b]:
                continue
            step = np.array([dj, -di]) * CELL_M
            down = np.array([p, q]) / math.hypot(p, q) if p or q else np.zeros(2)
            along = step @ down
            out[i * nx + j, a * nx + b] = math.sqrt(
                along**2 * (1.0 + p * p + q * q) + ACROSS**2 * max(step @ step - along**2, 0.0)
            )
    return out.tocsr()


def grown(seed, allowed, z, slopes, area_m2=math.inf):
    order = np.full(int(allowed.sum()), -1, np.int32)
    n = grow(*seed, allowed, z, *slopes, CELL_M, ACROSS, area_m2, order)
    return order[:n]


@pytest.mark.parametrize("draw", range(4))
def test_cells_come_by_their_distance_and_the_higher_first(draw):
    """Random ground of two steepnesses; from the middle and from each corner, over all that hangs together."""
    rng = np.random.default_rng(draw)
    shape = (9, 12)
    allowed = rng.random(shape) < 0.85
    z = rng.normal(1000.0, 20.0, shape)
    slopes = tuple(rng.normal(0.0, 0.7, shape) * (rng.random(shape) < 0.9) for _ in range(2))
    for seed in ((4, 6), (0, 0), (0, 11), (8, 0), (8, 11)):
        allowed[seed] = True
        away = csgraph.dijkstra(ways(allowed, *slopes), indices=seed[0] * 12 + seed[1])
        reached = np.flatnonzero(np.isfinite(away))
        expected = reached[np.lexsort((reached, -z.ravel()[reached], away[reached]))]
        np.testing.assert_array_equal(grown(seed, allowed, z, slopes), expected)


def test_of_cells_alike_the_higher_comes_first():
    """Level steps around the seed cost the same to all four sides: they come by their height."""
    z = np.array([[0.0, 7.0, 0.0], [9.0, 5.0, 6.0], [0.0, 8.0, 0.0]])
    level = np.zeros((3, 3))
    order = grown((1, 1), np.ones((3, 3), bool), z, (level, level))
    assert order[:5].tolist() == [4, 3, 7, 1, 5]


def test_growth_ends_with_the_ground_that_hangs_together():
    """Two pieces without a bridge: only that of the seed, however much is asked for."""
    allowed = np.ones((6, 9), bool)
    allowed[:, 4] = False
    level = np.zeros((6, 9))
    order = grown((2, 2), allowed, level, (level, level))
    assert sorted(order.tolist()) == [9 * i + j for i in range(6) for j in range(4)]


@pytest.mark.parametrize("slope", [0.0, 0.75])
def test_growth_ends_with_the_area_on_the_slope(slope):
    """Cells of 25 m2 on the map, 31.25 m2 at a slope of 0.75: as many as reach 100 m2, and one more for a hair more."""
    level = np.full((7, 7), slope * 0.6)
    other = np.full((7, 7), slope * 0.8)
    each = 25.0 * math.hypot(1.0, slope)
    for area, cells in ((4.0 * each, 4), (4.0 * each + 1e-6, 5), (0.5 * each, 1)):
        assert grown((3, 3), np.ones((7, 7), bool), np.zeros((7, 7)), (level, other), area).size == cells
