"""What a lookout sees, against geometry."""

import numpy as np
import pytest

from lastseen.jobs.practice.sites_kernels import seen_shares

EYE, MARK = 1.6, 0.5


def seen(z, eye, mark):
    return seen_shares(z, np.array([eye], float), np.array([mark], float), EYE, MARK)[0]


def test_flat_ground_hides_nothing():
    assert seen(np.zeros((40, 60)), (20.5, 2.5), (20.5, 57.5)) == 1.0


@pytest.mark.parametrize("height", [0.8, 1.0, 1.1, 1.2, 2.0])
def test_a_wall_hides_what_the_line_of_sight_says(height):
    """A wall half way is seen over where it is lower than the mean of eye and mark: (1.6 + 0.5) / 2 = 1.05 m."""
    z = np.zeros((40, 61))
    z[:, 30] = height
    assert seen(z, (20.5, 10.5), (20.5, 50.5)) == (1.0 if height < 0.5 * (EYE + MARK) else 0.0)


def test_no_data_is_not_seen_through():
    z = np.zeros((40, 60))
    z[:, 30] = np.nan
    assert seen(z, (20.5, 2.5), (20.5, 57.5)) == 0.0


def test_shares_are_shares():
    z = np.zeros((40, 61))
    z[:20, 30] = 9.0
    marks = np.array([[i + 0.5, 50.5] for i in range(5, 36)], float)
    share = seen_shares(z, np.array([[20.5, 10.5]]), marks, EYE, MARK)[0]
    assert 0.4 < share < 0.6
