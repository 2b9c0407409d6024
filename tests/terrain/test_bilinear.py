"""Straight lines between cell centres: the copies that kernels need say what the one in core says."""

import numpy as np
import pytest

from lastseen.core import sample_bilinear
from lastseen.snow import flow_kernels
from lastseen.snow.flow_planes import DEPTH, STATE_PLANES
from lastseen.terrain import neighbourhood_kernels
from lastseen.traps import find_kernels

ROWS, COLS = 7, 11
VALUES = np.random.default_rng(4).uniform(1.0, 2.0, (ROWS, COLS))
PLACES = np.random.default_rng(5).uniform((1.0, 1.0), (ROWS - 2.0, COLS - 2.0), (40, 2))


def of_carried_people(values, row, col):
    state = np.zeros((STATE_PLANES, *values.shape))
    state[DEPTH] = values
    return flow_kernels._around(state, col, row)[0]


def of_fall_lines(values, row, col):
    i, j = 3, 4
    return neighbourhood_kernels._between(values, i, j, row - i, col - j)


KERNELS = {"carried people": of_carried_people, "fall lines": of_fall_lines, "traps": find_kernels._at}


@pytest.mark.parametrize("name", KERNELS)
def test_kernels_sample_as_the_grid_does(name):
    """Anywhere inside, on centres and on the lines between them."""
    centres = np.round(PLACES)
    places = np.concatenate([PLACES, centres, centres + np.array((0.0, 0.25)), centres + np.array((0.5, 0.0))])
    found = [KERNELS[name](VALUES, row, col) for row, col in places]
    np.testing.assert_allclose(found, sample_bilinear(VALUES, places[:, 0], places[:, 1]), rtol=1e-13)


@pytest.mark.parametrize("name", ["fall lines", "traps"])
@pytest.mark.parametrize("place", [(-0.01, 5.0), (ROWS - 0.99, 5.0), (3.0, -0.01), (3.0, COLS - 0.99)])
def test_off_the_grid_there_is_nothing(name, place):
    """A hundredth of a cell past the outermost centres on each of the four sides: no data; on them: their value."""
    assert np.isnan(KERNELS[name](VALUES, *place))
    row, col = np.clip(place[0], 0.0, ROWS - 1.0), np.clip(place[1], 0.0, COLS - 1.0)
    assert KERNELS[name](VALUES, row, col) == pytest.approx(VALUES[int(row), int(col)])
