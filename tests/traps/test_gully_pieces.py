"""Pieces of gullies that lie in line are one gully: made pieces in all directions of the lattice."""

import numpy as np
import pytest

from lastseen.traps.hollows import join_pieces
from lastseen.traps.shapes import Patch, Spine

CELL_M = 2.0
SHAPE = (121, 121)
ROWS, COLS = np.indices(SHAPE)
DIRECTIONS = {"N": (-1, 0), "E": (0, 1), "S": (1, 0), "W": (0, -1), "NE": (-1, 1), "SW": (1, -1)}


def piece(start, step, count):
    """A straight piece from its lower end upward."""
    rows, cols = (np.array([at + k * by for k in range(count)], np.int32) for at, by in zip(start, step, strict=True))
    mask = np.zeros(SHAPE, bool)
    mask[rows, cols] = True
    spine = Spine(label=1, rows=rows, cols=cols, length_m=count * CELL_M * float(np.hypot(*step)))
    return Patch(place=(slice(0, SHAPE[0]), slice(0, SHAPE[1])), mask=mask), spine


def rising(step, grade_m=0.5):
    """Ground that rises in a direction."""
    return 1000.0 + grade_m * (ROWS * step[0] + COLS * step[1])


def grouped(pieces, heights):
    """Which pieces are one gully, by their numbers."""
    found = join_pieces(pieces, heights, CELL_M)
    number = {id(patch): k for k, (patch, _) in enumerate(pieces)}
    assert all(len(patches) == len(spines) for patches, spines in found)
    return sorted([sorted(number[id(patch)] for patch in patches) for patches, _ in found])


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize(("gap_m", "joined"), [(3.0, True), (16.0, True), (22.0, True), (25.0, False), (60.0, False)])
def test_pieces_in_line_are_one_up_to_a_gap(direction, gap_m, joined):
    """20 m and a cell between the last cell of one and the first of the other; in whichever order they come."""
    step = np.array(DIRECTIONS[direction])
    gap = max(1, int(gap_m / (CELL_M * np.hypot(*step)) + 1e-9))
    low = piece((60, 60) - 25 * step, step, 20)
    high = piece((60, 60) + (gap - 6) * step, step, 20)
    heights = rising(step)
    assert grouped([low, high], heights) == ([[0, 1]] if joined else [[0], [1]])
    assert grouped([high, low], heights) == ([[0, 1]] if joined else [[0], [1]])


@pytest.mark.parametrize("direction", DIRECTIONS)
def test_the_upper_piece_begins_above_the_lower(direction):
    """A lower end half a metre below the upper end before it is still in line, a metre below is not."""
    step = np.array(DIRECTIONS[direction])
    pieces = [piece((60, 60) - 25 * step, step, 20), piece((60, 60), step, 20)]
    for drop_m, joined in ((0.4, True), (1.0, False)):
        heights = np.full(SHAPE, 1000.0)
        heights[pieces[1][1].rows, pieces[1][1].cols] -= drop_m
        assert grouped(pieces, heights) == ([[0, 1]] if joined else [[0], [1]])


@pytest.mark.parametrize(
    ("step", "joined"),
    [((-1, 0), True), ((-2, 1), True), ((-2, -1), True), ((-1, 1), False), ((-1, -1), False), ((-1, 2), False),
     ((0, 1), False), ((0, -1), False), ((1, 0), False)],
)  # fmt: skip
def test_a_gully_may_turn_a_little_in_the_gap(step, joined):
    """By 27 degrees but not by 45: the most is 41, whose cosine is 0.75."""
    pieces = [piece((80, 60), (-1, 0), 16), piece((58, 60), step, 16)]
    assert grouped(pieces, np.full(SHAPE, 1000.0)) == ([[0, 1]] if joined else [[0], [1]])


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize(("beside", "ahead", "joined"), [(2, 0, True), (3, 0, False), (3, 6, True), (6, 3, False)])
def test_pieces_beside_each_other(side, beside, ahead, joined):
    """Parallel pieces: within two cells the gap has no direction; further on it must lie in line with both."""
    pieces = [piece((80, 60), (-1, 0), 16), piece((65 - ahead, 60 + side * beside), (-1, 0), 16)]
    assert grouped(pieces, rising((-1, 0))) == ([[0, 1]] if joined else [[0], [1]])


def test_three_in_a_row_are_one_and_a_fourth_apart_stays_alone():
    step = np.array((0, 1))
    pieces = [piece((40, 5 + 22 * k), step, 16) for k in range(3)] + [piece((100, 20), step, 16)]
    assert grouped(pieces, rising(step)) == [[0, 1, 2], [3]]
    assert grouped(pieces[3:], rising(step)) == [[0]]
    assert grouped([], rising(step)) == []


def test_the_direction_of_an_end_is_that_of_its_last_20_metres():
    """A piece that has bent by a right angle 20 m before its end goes on as it ends; after 8 m not yet."""
    for straight, joined in ((11, True), (4, False)):
        rows = np.r_[np.full(20, 80), 80 - np.arange(1, straight)].astype(np.int32)
        cols = np.r_[np.arange(41, 61), np.full(straight - 1, 60)].astype(np.int32)
        bent = (piece((0, 0), (1, 0), 1)[0], Spine(label=1, rows=rows, cols=cols, length_m=60.0))
        ahead = piece((rows[-1] - 6, 60), (-1, 0), 16)
        heights = np.full(SHAPE, 1000.0)
        assert grouped([bent, ahead], heights) == ([[0, 1]] if joined else [[0], [1]])
