"""People in the flow: plain arrays and floats in and out. Planes as in the kernels of the scheme."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from lastseen.core import FloatArray, IntArray
from lastseen.snow.flow_kernels import BED_HOLE, BED_P, BED_Q, DEPTH, FRONT_M, VELOCITY_X, VELOCITY_Y
from lastseen.snow.sliding_mass_kernels import GRAVITY_M_S2

HOLD_M = 0.2  # snow of half a lying person's depth or more carries and holds them; design choice, no source
STILL_M_S = 0.1  # slower is at rest
ALONE_M = 0.5  # design choice: depth in the drag of a person who slides without snow; 10 to 15 m/s on steep slopes
WAITING, CARRIED, LEFT, SUNK = 0.0, 1.0, 2.0, 3.0  # status
# Columns of the table of persons: place (m, y southwards), share of the speed of the snow, start (s; NaN: with the
# front), diffusion (m2/s), status, time of the last movement (s), greatest speed (m/s, on the map), cells in the trail,
# velocity eastwards and southwards (m/s).
X, Y, SHARE, START, DIFFUSION, STATUS, LAST, FASTEST, VISITS, EAST, SOUTH = range(11)
COLUMNS = 11


class CarryRules(NamedTuple):
    """Numbers that hold for a run."""

    cell_m: float
    trail_cell_m: float  # of the lattice of the trails; 0 for none
    seed: int  # of the random walk
    friction: float  # Coulomb mu of a person without snow
    turbulence_m_s2: float  # and Voellmy's xi


@njit(cache=True, nogil=True, error_model="numpy")
def _around(state: FloatArray, x: float, y: float) -> tuple[float, float, float]:
    """Depth, and velocity of the snow (weighted by depth), between cell centres; x and y in cells of the planes."""
    j, i = int(x), int(y)  # both are above 1
    fx, fy = x - j, y - i
    h, qx, qy = 0.0, 0.0, 0.0
    for di in range(2):
        for dj in range(2):
            part = (fx if dj else 1.0 - fx) * (fy if di else 1.0 - fy) * state[DEPTH, i + di, j + dj]
            h += part
            qx += part * state[VELOCITY_X, i + di, j + dj]
            qy += part * state[VELOCITY_Y, i + di, j + dj]
    if h <= 0.0:
        return 0.0, 0.0, 0.0
    return h, qx / h, qy / h


@njit(cache=True, nogil=True, error_model="numpy")
def _chance(seed: int, tracer: int, step: int) -> float:
    """Uniform number with mean 0 and variance 1 from three counters (splitmix64: Steele, Lea & Flood 2014)."""
    z = np.uint64(seed) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(tracer) * np.uint64(0xD1B54A32D192ED03)
    z = z + np.uint64(step) * np.uint64(0x8CB92BA72F3D8DD7)
    for _ in range(2):
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        z = z ^ (z >> np.uint64(31))
    return (float(z >> np.uint64(11)) / 4503599627370496.0 - 1.0) * math.sqrt(3.0)


@njit(cache=True, nogil=True, error_model="numpy")
def _alone(east: float, south: float, p: float, q: float, rules: CarryRules, dt: float) -> tuple[float, float]:
    """Velocity after a step of a person whom the snow left behind: Voellmy friction on a slope, never backwards."""
    steep = 1.0 + p * p + q * q
    east -= dt * GRAVITY_M_S2 * p / steep
    south -= dt * GRAVITY_M_S2 * q / steep
    square = east * east + south * south + (east * p + south * q) ** 2
    speed = math.sqrt(square)
    if speed <= 0.0:
        return 0.0, 0.0
    brake = dt * GRAVITY_M_S2 * (rules.friction / math.sqrt(steep) + square / (rules.turbulence_m_s2 * ALONE_M))
    left = max(0.0, 1.0 - brake / speed)
    return east * left, south * left


@njit(cache=True, nogil=True, error_model="numpy")
def carry(
    carried: FloatArray, trail: IntArray, state: FloatArray, bed: FloatArray, rules: CarryRules, time: float, dt: float,
    step: int
) -> int:  # fmt: skip
    """Move the carried through one step that ends at ``time``; returns how many still move.

    Deep snow carries and holds people. Where the snow has left a person behind, they slide on by themselves until
    deeper snow takes or holds them, or friction stops them.

    Parameters
    ----------
    trail : (n, most) flat indices of the cells entered, on a lattice with the same corner; a full trail grows no more
    time, dt : s
    """
    cell, fine = rules.cell_m, rules.trail_cell_m
    moving = 0
    for n in range(carried.shape[0]):
        if carried[n, STATUS] > CARRIED:
            continue
        x, y = carried[n, X] / cell + 1.5, carried[n, Y] / cell + 1.5
        h, u, v = _around(state, x, y)
        if carried[n, STATUS] == WAITING:
            if (
                (h > FRONT_M and math.hypot(u, v) > STILL_M_S)
                if math.isnan(carried[n, START])
                else time >= carried[n, START]
            ):
                carried[n, STATUS] = CARRIED
            else:
                continue
        share = carried[n, SHARE]
        if h > HOLD_M:
            hm, um, vm = _around(state, x + 0.5 * dt * share * u / cell, y + 0.5 * dt * share * v / cell)
            if hm > 0.0:
                u, v = um, vm
            east, south = share * u, share * v
            speed = math.hypot(u, v)
            if share * speed > STILL_M_S and carried[n, DIFFUSION] > 0.0:
                aside = _chance(rules.seed, n, step) * math.sqrt(2.0 * carried[n, DIFFUSION] * dt) / speed
                carried[n, X] -= aside * v
                carried[n, Y] += aside * u
        else:
            i, j = int(y + 0.5), int(x + 0.5)
            east, south = _alone(carried[n, EAST], carried[n, SOUTH], bed[BED_P, i, j], bed[BED_Q, i, j], rules, dt)
        carried[n, EAST], carried[n, SOUTH] = east, south
        speed = math.hypot(east, south)
        if speed <= STILL_M_S and h > HOLD_M:
            continue
        if speed <= 0.0:
            continue
        moving += 1
        carried[n, X] += dt * east
        carried[n, Y] += dt * south
        carried[n, LAST] = time
        carried[n, FASTEST] = max(carried[n, FASTEST], speed)
        i, j = int(carried[n, Y] / cell + 2.0), int(carried[n, X] / cell + 2.0)
        if i < 2 or j < 2 or i >= state.shape[1] - 2 or j >= state.shape[2] - 2:
            carried[n, STATUS] = LEFT
            continue
        if bed[BED_HOLE, i, j] > 0.0:
            carried[n, STATUS] = SUNK
        visits = int(carried[n, VISITS])
        if 0 < visits < trail.shape[1]:
            wide = int((state.shape[2] - 4) * cell / fine + 0.5)
            entered = int(carried[n, Y] / fine) * wide + int(carried[n, X] / fine)
            if entered != trail[n, visits - 1]:
                trail[n, visits] = entered
                carried[n, VISITS] += 1.0
    return moving
