"""People in the flow: plain arrays and floats in and out. Planes as in the kernels of the scheme."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from lastseen.core import FloatArray, IntArray

FRONT_M = 0.05  # shallower snow takes nobody along
HOLD_M = 0.2  # snow of half a lying person's depth or more carries and holds them; design choice, no source
STILL_M_S = 0.1  # slower is at rest
ALONE_M = 0.5  # design choice: depth in the drag of a person who slides without snow; 10 to 15 m/s on steep slopes
GRAVITY_M_S2 = 9.81
WAITING, CARRIED, LEFT, SUNK = 0.0, 1.0, 2.0, 3.0


@njit(cache=True, nogil=True, error_model="numpy")
def _around(state: FloatArray, x: float, y: float) -> tuple[float, float, float]:
    """Depth, and velocity of the snow (weighted by depth), between cell centres; x and y in cells of the planes."""
    j, i = int(x), int(y)  # both are above 1
    fx, fy = x - j, y - i
    h, qx, qy = 0.0, 0.0, 0.0
    for di in range(2):
        for dj in range(2):
            part = (fx if dj else 1.0 - fx) * (fy if di else 1.0 - fy) * state[0, i + di, j + dj]
            h += part
            qx += part * state[1, i + di, j + dj]
            qy += part * state[2, i + di, j + dj]
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
def _alone(
    east: float, south: float, p: float, q: float, friction: float, turbulence: float, dt: float
) -> tuple[float, float]:
    """Velocity after a step of a person whom the snow left behind: Voellmy friction on a slope, never backwards."""
    steep = 1.0 + p * p + q * q
    east -= dt * GRAVITY_M_S2 * p / steep
    south -= dt * GRAVITY_M_S2 * q / steep
    square = east * east + south * south + (east * p + south * q) ** 2
    speed = math.sqrt(square)
    if speed <= 0.0:
        return 0.0, 0.0
    brake = dt * GRAVITY_M_S2 * (friction / math.sqrt(steep) + square / (turbulence * ALONE_M))
    left = max(0.0, 1.0 - brake / speed)
    return east * left, south * left


@njit(cache=True, nogil=True, error_model="numpy")
def carry(
    carried: FloatArray,
    trail: IntArray,
    fine: float,
    state: FloatArray,
    bed: FloatArray,
    cell: float,
    time: float,
    dt: float,
    seed: int,
    step: int,
    friction: float,
    turbulence: float,
) -> int:
    """Move the carried through one step that ends at ``time``; returns how many still move.

    Deep snow carries and holds people. Where the snow has left a person behind, they slide on by themselves until
    deeper snow takes or holds them, or friction stops them.

    Parameters
    ----------
    carried : (n, 11) x and y (m, y southwards), share of the speed, start (s; NaN: with the front), diffusion (m2/s),
        status, time of the last movement (s), greatest speed (m/s, on the map), cells in the trail, velocity
        eastwards and southwards (m/s); changed in place
    trail : (n, most) flat indices of the cells entered, on a lattice of ``fine`` metres with the same corner; a full
        trail grows no more
    state, bed : planes
    cell, time, dt : m, s, s
    seed, step : counters of the random walk, with the number of the tracer
    friction, turbulence : Coulomb mu, and Voellmy's xi (m/s2), of a person without snow
    """
    moving = 0
    for n in range(carried.shape[0]):
        if carried[n, 5] > CARRIED:
            continue
        x, y = carried[n, 0] / cell + 1.5, carried[n, 1] / cell + 1.5
        h, u, v = _around(state, x, y)
        if carried[n, 5] == WAITING:
            if (h > FRONT_M and math.hypot(u, v) > STILL_M_S) if math.isnan(carried[n, 3]) else time >= carried[n, 3]:
                carried[n, 5] = CARRIED
            else:
                continue
        share = carried[n, 2]
        if h > HOLD_M:
            hm, um, vm = _around(state, x + 0.5 * dt * share * u / cell, y + 0.5 * dt * share * v / cell)
            if hm > 0.0:
                u, v = um, vm
            east, south = share * u, share * v
            speed = math.hypot(u, v)
            if share * speed > STILL_M_S and carried[n, 4] > 0.0:
                aside = _chance(seed, n, step) * math.sqrt(2.0 * carried[n, 4] * dt) / speed
                carried[n, 0] -= aside * v
                carried[n, 1] += aside * u
        else:
            i, j = int(y + 0.5), int(x + 0.5)
            east, south = _alone(carried[n, 9], carried[n, 10], bed[1, i, j], bed[2, i, j], friction, turbulence, dt)
        carried[n, 9], carried[n, 10] = east, south
        speed = math.hypot(east, south)
        if speed <= STILL_M_S and h > HOLD_M:
            continue
        if speed <= 0.0:
            continue
        moving += 1
        carried[n, 0] += dt * east
        carried[n, 1] += dt * south
        carried[n, 6] = time
        carried[n, 7] = max(carried[n, 7], speed)
        i, j = int(carried[n, 1] / cell + 2.0), int(carried[n, 0] / cell + 2.0)
        if i < 2 or j < 2 or i >= state.shape[1] - 2 or j >= state.shape[2] - 2:
            carried[n, 5] = LEFT
            continue
        if bed[11, i, j] > 0.0:
            carried[n, 5] = SUNK
        told = int(carried[n, 8])
        if 0 < told < trail.shape[1]:
            wide = int((state.shape[2] - 4) * cell / fine + 0.5)
            here = int(carried[n, 1] / fine) * wide + int(carried[n, 0] / fine)
            if here != trail[n, told - 1]:
                trail[n, told] = here
                carried[n, 8] += 1.0
    return moving
