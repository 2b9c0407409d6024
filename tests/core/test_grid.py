"""Grid: where cells are, values between them, windows."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dem_zoo import NORTH_M, UTM, WEST_M, ZOO, hill, plane, plane_height
from lastseen.core.grid import Grid, sample_bilinear

GRID = plane(34.0, 33.0)
SOUTH_M = GRID.bounds[1]


def small(values, cell_m=5.0):
    values = np.asarray(values)
    return Grid(values, 100.0, 200.0, cell_m, UTM)


def test_frame_of_a_grid():
    """Bounds, shape, area of a cell and transform all say the same."""
    grid = small(np.zeros((3, 7)), cell_m=4.0)
    assert grid.shape == (3, 7)
    assert grid.bounds == (100.0, 188.0, 128.0, 200.0)
    assert grid.cell_area_m2 == 16.0
    t = grid.transform
    assert (t.c + 7 * t.a, t.f + 3 * t.e, t.b, t.d) == (128.0, 188.0, 0.0, 0.0)


@given(st.integers(-5, 60), st.integers(-5, 60))
def test_centre_and_cell_are_inverse(row, col):
    """The cell of the centre of a cell is that cell, also outside the grid."""
    got = GRID.cell_of(*GRID.centre_of(row, col))
    assert (int(got[0]), int(got[1])) == (row, col)
    ny, nx = GRID.shape
    assert bool(GRID.contains(*GRID.centre_of(row, col))) is (0 <= row < ny and 0 <= col < nx)


def test_edges_belong_to_the_cell_south_east_of_them():
    """The western and northern edge lie on the grid, the eastern and southern do not."""
    west, south, east, north = GRID.bounds
    middle_x, middle_y = west + 52.0, north - 52.0
    inside = GRID.contains([west, middle_x, east, middle_x], [middle_y, north, middle_y, south])
    assert inside.tolist() == [True, True, False, False]


@given(st.floats(2.5, 262.0), st.floats(2.5, 182.0))
def test_sampling_a_plane_is_exact(x, y):
    """Between cell centres a plane is met to rounding."""
    got = float(GRID.sample(WEST_M + x, SOUTH_M + y))
    assert got == pytest.approx(plane_height(34.0, 33.0)(x, y), abs=1e-6)


def test_sampling_keeps_the_shape_of_its_points():
    """Scalars, rows and tables of points come back in their own shape."""
    x, y = np.full((2, 3), WEST_M + 50.0), np.full((2, 3), SOUTH_M + 50.0)
    assert GRID.sample(x, y).shape == (2, 3)
    assert GRID.sample(x[0], y[0]).shape == (3,)
    assert GRID.sample(x[0, 0], y[0, 0]).shape == ()


def test_within_half_a_cell_of_the_edge_the_edge_value_counts():
    """Nothing is extrapolated, and outside there is nothing."""
    grid = small([[1.0, 2.0], [3.0, 4.0]])
    assert grid.sample([100.1, 109.9], [199.9, 190.1]).tolist() == [1.0, 4.0]
    assert np.isnan(grid.sample([99.9, 110.1, 105.0, 105.0], [195.0, 195.0, 200.1, 189.9])).all()


def test_a_cell_beside_no_data_keeps_its_own_value():
    """At its centre a cell counts alone, on whatever side of it data are missing."""
    values = hill(shape=(5, 5)).values
    values[2, 2] = np.nan
    grid = small(values)
    row, col = np.nonzero(np.isfinite(values))
    np.testing.assert_allclose(grid.sample(*grid.centre_of(row, col)), values[row, col], rtol=1e-12)
    x, y = grid.centre_of(2, 2)
    around = [(x + dx, y + dy) for dx in (-2.0, 0.0, 2.0) for dy in (-2.0, 0.0, 2.0)]
    assert all(np.isnan(grid.sample(*point)) for point in around)


def test_one_row_can_be_sampled():
    """A grid of one row has values along it."""
    grid = ZOO["one_row"]
    x, y = grid.centre_of(0, 3)
    assert float(grid.sample(x + 2.5, y + 1.0)) == pytest.approx(grid.values[0, 3:5].mean())


@given(st.integers(0, 2**32 - 1))
def test_bilinear_agrees_with_four_readable_lines(seed):
    """The quick way equals the written formula."""
    random = np.random.default_rng(seed)
    values = random.normal(size=(4, 6))
    row, col = random.uniform(0, 3), random.uniform(0, 5)
    i, j = min(int(row), 2), min(int(col), 4)
    s, t = row - i, col - j
    north = (1 - t) * values[i, j] + t * values[i, j + 1]
    south = (1 - t) * values[i + 1, j] + t * values[i + 1, j + 1]
    got = sample_bilinear(values, np.array(row), np.array(col))
    assert float(got) == pytest.approx((1 - s) * north + s * south, abs=1e-12)


@given(st.floats(-50, 200), st.floats(-50, 150), st.floats(6, 300), st.floats(6, 300))
def test_a_window_holds_every_cell_that_touches_the_box(x, y, width, height):
    """The window keeps values at their place, covers the box and is not a cell larger."""
    box = (WEST_M + x, SOUTH_M + y, WEST_M + x + width, SOUTH_M + y + height)
    west, south, east, north = GRID.bounds
    if box[2] <= west or box[3] <= south:
        with pytest.raises(ValueError, match="does not touch"):
            GRID.window(*box)
        return
    got = GRID.window(*box)
    row, col = np.indices(got.shape)
    there = GRID.cell_of(*got.centre_of(row, col))
    np.testing.assert_array_equal(got.values, GRID.values[there[0], there[1]])
    cut = (max(box[0], west), max(box[1], south), min(box[2], east), min(box[3], north))
    outward = np.array([cut[0] - got.bounds[0], cut[1] - got.bounds[1], got.bounds[2] - cut[2], got.bounds[3] - cut[3]])
    assert (outward >= -1e-6).all()
    assert (outward < 5.0).all()


@pytest.mark.parametrize("box", [(-50, 0, -10, 50), (0, -50, 50, -10), (300, 0, 350, 50), (0, 200, 50, 250)])
def test_a_window_beside_the_grid_is_refused(box):
    """A box that touches no cell is an error."""
    with pytest.raises(ValueError, match="does not touch the grid"):
        GRID.window(WEST_M + box[0], SOUTH_M + box[1], WEST_M + box[2], SOUTH_M + box[3])


def test_other_values_on_the_same_cells():
    """New values must have the shape of the old ones."""
    other = GRID.with_values(GRID.values * 2)
    assert other.bounds == GRID.bounds
    assert other.values[3, 4] == 2 * GRID.values[3, 4]
    with pytest.raises(ValueError, match=r"shape \(2, 2\) do not fit a grid of shape \(37, 53\)"):
        GRID.with_values(np.zeros((2, 2)))


def test_row_zero_is_north():
    """The hill rises eastwards and falls northwards, and so do its rows and columns."""
    grid = hill()
    x, y = grid.centre_of(0, 0)
    assert math.isclose(y, NORTH_M - 2.5)
    assert math.isclose(x, WEST_M + 2.5)
    assert grid.values[:, -1].mean() > grid.values[:, 0].mean()
    assert grid.values[0].mean() < grid.values[-1].mean()
