"""One step of carried people against plain numbers: interpolation, counting, every edge, every status."""

import math

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from lastseen.snow import flow_kernels as kernels
from lastseen.snow import stopping_distance_m
from lastseen.snow.flow_planes import (
    BED_HOLE,
    BED_P,
    BED_PLANES,
    BED_Q,
    CARRIED,
    COLUMNS,
    DEPTH,
    EAST,
    GONE,
    SHARE,
    SOUTH,
    START,
    STATE_PLANES,
    STATUS,
    SUNK,
    VELOCITY_X,
    VELOCITY_Y,
    VISITS,
    WAITING,
    CarryRules,
    X,
    Y,
)  # fmt: skip

ROWS, COLS, CELL = 9, 14, 2.0


def planes(depth=1.0, east=0.0, south=0.0):
    """State and bed of a flat ground, frame included; values may be planes."""
    state = np.zeros((STATE_PLANES, ROWS + 4, COLS + 4))
    state[DEPTH], state[VELOCITY_X], state[VELOCITY_Y] = depth, east, south
    return state, np.zeros((BED_PLANES, ROWS + 4, COLS + 4))


def table(x, y, share=1.0):
    """People who can be taken from the start on."""
    rows = np.zeros((max(np.size(x), np.size(y)), COLUMNS))
    rows[:, X], rows[:, Y], rows[:, SHARE] = x, y, share
    return rows


def carry(rows, state, bed, dt=0.1, trail_cell_m=0.0, most=0):
    """A step; how many moved, and the trails."""
    rules = CarryRules(cell_m=CELL, trail_cell_m=trail_cell_m, seed=3, friction=0.3, turbulence_m_s2=1000.0)
    trail = np.zeros((rows.shape[0], most), np.int32)
    return kernels.carry(rows, trail, state, bed, rules, 1.0, dt, 1), trail


def between(plane, x, y):
    """The twin: straight lines between cell centres, places in metres from the north-western corner."""
    return map_coordinates(plane, [np.atleast_1d(y / CELL + 1.5), np.atleast_1d(x / CELL + 1.5)], order=1)


def test_velocity_is_that_of_the_snow_around_weighted_by_depth():
    """Depth and velocity that vary along both axes, each in its own way: the velocity halfway through the step."""
    i, j = np.indices((ROWS + 4, COLS + 4)).astype(float)
    depth, east, south = 0.5 + 0.11 * i + 0.03 * j * j, 1.0 + 0.4 * j + 0.15 * i, 0.5 - 0.2 * i + 0.07 * j
    state, bed = planes(depth, east, south)
    x, y = np.array([7.3, 11.9, 20.2]), np.array([5.1, 12.4, 8.8])
    rows = table(x, y, 0.9)
    assert carry(rows, state, bed, dt=0.1)[0] == 3

    def velocity(at_x, at_y):
        h = between(depth, at_x, at_y)
        return between(depth * east, at_x, at_y) / h, between(depth * south, at_x, at_y) / h

    u, v = velocity(x, y)
    u, v = velocity(x + 0.05 * 0.9 * u, y + 0.05 * 0.9 * v)
    np.testing.assert_allclose(rows[:, EAST], 0.9 * u, rtol=1e-12)
    np.testing.assert_allclose(rows[:, SOUTH], 0.9 * v, rtol=1e-12)
    # From rest: half of the velocity before and half of that after the step.
    np.testing.assert_allclose(rows[:, X] - x, 0.045 * u, rtol=1e-9)
    np.testing.assert_allclose(rows[:, Y] - y, 0.045 * v, rtol=1e-9)


@pytest.mark.parametrize("axis", [0, 1])
def test_snow_that_varies_along_one_axis_holds_where_it_is_deep(axis):
    """Deep snow on one side of a line and a film on the other: held and carried there, left behind here."""
    deep = np.indices((ROWS + 4, COLS + 4))[axis] >= 7
    state, bed = planes(np.where(deep, 1.0, 0.01), 2.0, 2.0)
    along = np.array([7.0, 15.0])  # 1.4 cells above and 1.6 below the line
    rows = table(along if axis else 9.0, 9.0 if axis else along)
    rows[:, STATUS] = CARRIED
    carry(rows, state, bed)
    assert (rows[:, EAST] > 1.0).tolist() == [False, True]


def test_only_those_who_move_are_counted():
    """Nobody, one who waits for ever, one who is held, two who move: two."""
    state, bed = planes(1.0, 3.0, 0.0)
    state[VELOCITY_X, :6] = 0.0
    rows = table([5.0, 5.0, 9.0, 11.0], [3.0, 13.0, 13.0, 13.0])
    rows[1, START] = 99.0
    assert carry(rows, state, bed)[0] == 2
    assert rows[:, STATUS].tolist() == [CARRIED, WAITING, CARRIED, CARRIED]
    assert carry(rows[:0], state, bed)[0] == 0
    assert carry(rows[:1], state, bed)[0] == 0


@pytest.mark.parametrize(("side", "east", "south"), [("W", -1, 0), ("E", 1, 0), ("S", 0, 1), ("N", 0, -1)])
@pytest.mark.parametrize("past", [True, False])
def test_whoever_crosses_an_edge_has_left(side, east, south, past):
    """Over each of the four edges of a ground that is not square, by a hair; and not a hair before it."""
    state, bed = planes(1.0, 2.0 * east, 2.0 * south)
    gap = 0.2 - 1e-6 if past else 0.2 + 1e-6  # the step is 0.2 m
    x = {"W": gap, "E": COLS * CELL - gap}.get(side, 13.0)
    y = {"N": gap, "S": ROWS * CELL - gap}.get(side, 9.0)
    rows = table(x, y)
    rows[0, [EAST, SOUTH]] = 2.0 * east, 2.0 * south
    assert carry(rows, state, bed)[0] == 1
    assert rows[0, STATUS] == (GONE if past else CARRIED)
    assert carry(rows, state, bed)[0] == (0 if past else 1)


@pytest.mark.parametrize(("di", "dj"), [(0, -1), (0, 1), (1, 0), (-1, 0)])
def test_a_cell_without_data_takes_whoever_enters_it(di, dj):
    """From each of its four sides; beside it nobody is gone."""
    state, bed = planes(1.0, 4.0 * dj, 4.0 * di)
    bed[BED_HOLE, 2 + 4, 2 + 7] = 1.0
    middle_x, middle_y = 7.5 * CELL, 4.5 * CELL
    rows = table([middle_x - 1.3 * dj] * 2, [middle_y - 1.3 * di] * 2)
    rows[1, X] += 2 * CELL * abs(di)
    rows[1, Y] += 2 * CELL * abs(dj)
    rows[:, [EAST, SOUTH]] = 4.0 * dj, 4.0 * di
    carry(rows, state, bed)
    assert rows[:, STATUS].tolist() == [SUNK, CARRIED]


@pytest.mark.parametrize(("p", "q"), [(-0.7, 0.0), (0.7, 0.0), (0.0, -0.7), (0.0, 0.7)])
def test_without_snow_people_slide_down_the_slope(p, q):
    """Each way down, by gravity less friction over the step."""
    state, bed = planes(0.0)
    bed[BED_P], bed[BED_Q] = p, q
    rows = table(13.0, 9.0)
    assert carry(rows, state, bed)[0] == 1
    steep = 1.49
    pull = 0.1 * 9.81 * 0.7 / steep
    speed = pull * np.sqrt(steep)  # along the ground
    kept = 1.0 - 0.1 * 9.81 * (0.3 / np.sqrt(steep) + speed**2 / 500.0) / speed
    np.testing.assert_allclose(rows[0, [EAST, SOUTH]], -np.sign([p, q]) * pull * kept, rtol=1e-12)


@pytest.mark.parametrize(("dt", "tolerance"), [(0.05, 0.03), (0.005, 0.003)])
def test_a_person_alone_stops_as_a_body_does(dt, tolerance):
    """Without snow around: way to rest on a gentle slope as of Voellmy's law (closed form of the friction laws)."""
    state, bed = np.zeros((STATE_PLANES, ROWS + 4, 104)), np.zeros((BED_PLANES, ROWS + 4, 104))
    bed[BED_P] = -0.1
    rows = table(4.0, 9.0)
    rows[0, [STATUS, EAST]] = CARRIED, 12.0
    for _ in range(round(6.0 / dt)):
        carry(rows, state, bed, dt)
    length = math.hypot(1.0, 0.1)
    expected = stopping_distance_m(1000.0, 0.3, 0.5, math.degrees(math.atan(0.1)), 12.0 * length)
    assert rows[0, EAST] == 0.0
    assert (rows[0, X] - 4.0) * length == pytest.approx(expected, rel=tolerance)


def test_the_trail_holds_each_cell_once_and_ends_when_it_is_full():
    """Eastwards over cells of one metre: a new cell each second step, and no more than there is room for."""
    state, bed = planes(1.0, 5.0, 0.0)
    rows = table(4.25, 6.5)
    rows[:, VISITS] = 1.0
    rules = CarryRules(cell_m=CELL, trail_cell_m=1.0, seed=3, friction=0.3, turbulence_m_s2=1000.0)
    trail = np.array([[6 * 28 + 4, 0, 0, 0]], np.int32)
    visits = []
    for step in range(10):
        kernels.carry(rows, trail, state, bed, rules, 0.1 * step, 0.1, step)
        visits.append(int(rows[0, VISITS]))
    assert visits == [1, 2, 2, 3, 3, 4, 4, 4, 4, 4]
    assert trail[0].tolist() == [6 * 28 + 4, 6 * 28 + 5, 6 * 28 + 6, 6 * 28 + 7]
