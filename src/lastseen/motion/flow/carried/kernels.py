"""People in the flow: plain arrays and floats in and out. Planes as in the kernels of the scheme."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from lastseen.grid import FloatArray, IntArray

FRONT_M = 0.05  # nobody is carried by shallower snow
STILL_M_S = 0.1  # a person is dropped where the snow around is slower
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
) -> None:
    """Move the carried through one step that ends at ``time``.

    Parameters
    ----------
    carried : (n, 9) x and y (m, y southwards), share of the speed, start (s; NaN: with the front), diffusion (m2/s),
        status, time of the last movement (s), greatest speed (m/s, on the map), cells in the trail; changed in place
    trail : (n, most) flat indices of the cells entered, on a lattice of ``fine`` metres with the same corner; a full
        trail grows no more
    state, bed : planes
    cell, time, dt : m, s, s
    seed, step : counters of the random walk, with the number of the tracer
    """
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
        if h <= FRONT_M or math.hypot(u, v) <= STILL_M_S:
            continue
        share = carried[n, 2]
        hm, um, vm = _around(state, x + 0.5 * dt * share * u / cell, y + 0.5 * dt * share * v / cell)
        if hm > 0.0:
            u, v = um, vm
        speed = math.hypot(u, v)
        if speed > 0.0 and carried[n, 4] > 0.0:
            aside = _chance(seed, n, step) * math.sqrt(2.0 * carried[n, 4] * dt) / speed
            carried[n, 0] -= aside * v
            carried[n, 1] += aside * u
        carried[n, 0] += dt * share * u
        carried[n, 1] += dt * share * v
        carried[n, 6] = time
        carried[n, 7] = max(carried[n, 7], share * speed)
        i, j = int(carried[n, 1] / cell + 2.0), int(carried[n, 0] / cell + 2.0)
        told = int(carried[n, 8])
        if 0 < told < trail.shape[1] and carried[n, 0] >= 0.0 and carried[n, 1] >= 0.0:
            wide = int((state.shape[2] - 4) * cell / fine + 0.5)
            here = int(carried[n, 1] / fine) * wide + int(carried[n, 0] / fine)
            if here != trail[n, told - 1] and carried[n, 0] < wide * fine:
                trail[n, told] = here
                carried[n, 8] += 1.0
        if i < 2 or j < 2 or i >= state.shape[1] - 2 or j >= state.shape[2] - 2:
            carried[n, 5] = LEFT
        elif bed[11, i, j] > 0.0:
            carried[n, 5] = SUNK
