"""A single body on a smooth surface: plain arrays and floats in and out.

Coordinates are local: x from the western edge, y from the northern edge *downwards* (south), both in metres, so that
cell (i, j) has its centre at ((j + 0.5) cell, (i + 0.5) cell). The surface is the uniform cubic B-spline over the
heights: twice continuously differentiable, exact for planes and quadratics up to a constant.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from lastseen.grid import FloatArray, IntArray

GRAVITY_M_S2 = 9.81
SHORTEST_STEP_S = 0.004
REST_M_S = 0.02  # slower than this on ground that holds it, a body has stopped

STOPPED, LEFT_GRID, NO_DATA, OUT_OF_TIME = 0, 1, 2, 3


@njit(cache=True, nogil=True)
def _basis(f: float, b: FloatArray, d: FloatArray, e: FloatArray) -> None:
    """Cubic B-spline weights at the fraction f, with first and second derivatives (per cell)."""
    g = 1.0 - f
    b[0] = g * g * g / 6.0
    b[1] = (3.0 * f * f * f - 6.0 * f * f + 4.0) / 6.0
    b[2] = (3.0 * g * g * g - 6.0 * g * g + 4.0) / 6.0
    b[3] = f * f * f / 6.0
    d[0] = -0.5 * g * g
    d[1] = 1.5 * f * f - 2.0 * f
    d[2] = -1.5 * g * g + 2.0 * g
    d[3] = 0.5 * f * f
    e[0] = g
    e[1] = 3.0 * f - 2.0
    e[2] = 3.0 * g - 2.0
    e[3] = f


@njit(cache=True, nogil=True)
def surface_at(z: FloatArray, cell_m: float, x: float, y: float, w: FloatArray, out: FloatArray) -> int:
    """Height, gradient and second derivatives at a point: out = (b, b_x, b_y, b_xx, b_xy, b_yy).

    ``w`` is scratch of shape (6, 4). Returns 0, 1 outside the lattice, or 2 beside no data.
    """
    ny, nx = z.shape
    u, v = x / cell_m - 0.5, y / cell_m - 0.5
    j, i = int(np.floor(u)), int(np.floor(v))
    if i < 1 or j < 1 or i + 2 >= ny or j + 2 >= nx:
        return LEFT_GRID
    _basis(u - j, w[0], w[1], w[2])
    _basis(v - i, w[3], w[4], w[5])
    out[:] = 0.0
    for a in range(4):
        row, row_x, row_xx = 0.0, 0.0, 0.0
        for c in range(4):
            value = z[i - 1 + a, j - 1 + c]
            row += w[0, c] * value
            row_x += w[1, c] * value
            row_xx += w[2, c] * value
        out[0] += w[3, a] * row
        out[1] += w[3, a] * row_x
        out[2] += w[4, a] * row
        out[3] += w[3, a] * row_xx
        out[4] += w[4, a] * row_x
        out[5] += w[5, a] * row
    if np.isnan(out[0]):
        return NO_DATA
    out[1] /= cell_m
    out[2] /= cell_m
    out[3] /= cell_m * cell_m
    out[4] /= cell_m * cell_m
    out[5] /= cell_m * cell_m
    return 0


@njit(cache=True, nogil=True)
def _acceleration(
    s: FloatArray, u: float, v: float, mu: float, drag: float, centripetal: float
) -> tuple[float, float, float]:
    """Horizontal acceleration of a body in contact, and g + U.Hess.U (negative: it takes off).

    ``drag`` is g / (xi h) or D/M, 1/m. ``centripetal`` is the share of the centripetal load that friction feels. At
    rest, friction points against the drive and at most cancels it.
    """
    p, q = s[1], s[2]
    w2 = 1.0 + p * p + q * q
    bend = s[3] * u * u + 2.0 * s[4] * u * v + s[5] * v * v
    load = GRAVITY_M_S2 + bend
    held = max(load, 0.0)
    w = p * u + q * v
    speed = np.sqrt(u * u + v * v + w * w)
    ax, ay = -p * held / w2, -q * held / w2
    resist = mu * max(GRAVITY_M_S2 + centripetal * bend, 0.0) / np.sqrt(w2)
    if speed > 1e-9:
        k = resist / speed + drag * speed
        return ax - k * u, ay - k * v, load
    steep = np.sqrt(w2 - 1.0)
    if steep <= mu:
        return 0.0, 0.0, load
    share = 1.0 - mu / steep
    return ax * share, ay * share, load


@njit(cache=True, nogil=True)
def _within_energy(s: FloatArray, u: float, v: float, energy: float) -> float:
    """Factor that keeps a velocity on the ground within an energy (J/kg): time steps must not add any."""
    w = s[1] * u + s[2] * v
    moving = 0.5 * (u * u + v * v + w * w)
    left = energy - GRAVITY_M_S2 * s[0]
    if moving <= left:
        return 1.0
    return np.sqrt(max(left, 0.0) / moving) if moving > 0.0 else 0.0


@njit(cache=True, nogil=True)
def slide(
    z: FloatArray,
    cell_m: float,
    start: FloatArray,
    friction: FloatArray,
    drag: FloatArray,
    disc: FloatArray,
    step: FloatArray,
    final: FloatArray,
    reason: IntArray,
    offsets: IntArray,
) -> tuple[IntArray, FloatArray]:
    """Let bodies slide until they stop.

    Parameters
    ----------
    z : (ny, nx) heights, m
    start : (n, 4) x, y, u, v (horizontal velocity, m/s)
    friction, drag : (n,) Coulomb mu; g/(xi h) or D/M in 1/m
    disc : (3,) x, y, radius: the velocity at the first entry is reported
    step : (4,) largest time step s, largest share of a cell in one step, time limit s, share of the centripetal load
        that friction feels (1; 0 gives the energy-line body of the textbooks)
    final : (n, 9) filled: x, y, b, greatest speed, time, greatest fall in flight m, u and v in the disc (NaN: never
        there), path length on the surface
    reason : (n,) filled with a stop code
    offsets : (n + 1,) filled: where each body's track begins in what is returned

    Returns
    -------
    Flat indices of the cells entered by each body in turn, and the speed (m/s) at which it entered.
    """
    nx = z.shape[1]
    w = np.empty((6, 4))
    s = np.empty(6)
    cells = np.empty(1024, np.int32)
    speeds = np.empty(1024)
    n = 0
    offsets[0] = 0
    for body in range(start.shape[0]):
        x, y, u, v = start[body, 0], start[body, 1], start[body, 2], start[body, 3]
        mu, k = friction[body], drag[body]
        t, fastest, path, deepest = 0.0, 0.0, 0.0, 0.0
        height, wz, flight_top = 0.0, 0.0, 0.0
        flying = False
        final[body, 6] = np.nan
        final[body, 7] = np.nan
        last = -1
        code = surface_at(z, cell_m, x, y, w, s)
        while code == 0:
            if not flying:
                height, wz = s[0], s[1] * u + s[2] * v
            speed = np.sqrt(u * u + v * v + wz * wz)
            fastest = max(fastest, speed)
            energy = 0.5 * speed * speed + GRAVITY_M_S2 * height
            here = int(y / cell_m) * nx + int(x / cell_m)
            if here != last:
                if n == cells.shape[0]:
                    more = np.empty(2 * n, np.int32)
                    more[:n] = cells
                    cells = more
                    faster = np.empty(2 * n)
                    faster[:n] = speeds
                    speeds = faster
                cells[n] = here
                speeds[n] = speed
                n += 1
                last = here
            if np.isnan(final[body, 6]) and (x - disc[0]) ** 2 + (y - disc[1]) ** 2 < disc[2] ** 2:
                final[body, 6] = u
                final[body, 7] = v
            if t >= step[2] - 1e-9:
                code = OUT_OF_TIME
                break
            flat = np.sqrt(u * u + v * v)
            dt = min(step[0], step[2] - t)
            if flat * dt > step[1] * cell_m:
                dt = step[1] * cell_m / flat
            if flying:
                x += u * dt
                y += v * dt
                height += wz * dt - 0.5 * GRAVITY_M_S2 * dt * dt
                wz -= GRAVITY_M_S2 * dt
                t += dt
                path += speed * dt
                code = surface_at(z, cell_m, x, y, w, s)
                if code == 0 and height <= s[0]:
                    # It lands: the velocity into the ground is lost, the rest goes on along the ground.
                    w2 = 1.0 + s[1] * s[1] + s[2] * s[2]
                    into = (wz - s[1] * u - s[2] * v) / w2
                    u += s[1] * into
                    v += s[2] * into
                    keep = _within_energy(s, u, v, energy)
                    u, v = keep * u, keep * v
                    deepest = max(deepest, flight_top - s[0])
                    flying = False
                continue
            steep = np.sqrt(s[1] * s[1] + s[2] * s[2])
            if speed > 0.0:
                # Friction turns with the velocity at the rate mu g / speed; a longer step would overshoot it.
                dt = min(dt, max(SHORTEST_STEP_S, 0.5 * speed / (mu * GRAVITY_M_S2 + 1e-12)))
            ax, ay, load = _acceleration(s, u, v, mu, k, step[3])
            if speed < REST_M_S and steep <= mu:
                code = -1
                break
            if load < 0.0:
                flying = True
                flight_top = height
                continue
            # Heun's method; a step in which friction would turn the body round ends in rest.
            mx, my = x + dt * u, y + dt * v
            mu1, mv1 = u + dt * ax, v + dt * ay
            turned = flat > 0.0 and mu1 * u + mv1 * v <= 0.0
            if turned and steep <= mu:
                share = flat * flat / max(flat * flat - (mu1 * u + mv1 * v), 1e-12)
                x += 0.5 * share * dt * u
                y += 0.5 * share * dt * v
                path += 0.5 * share * dt * speed
                t += share * dt
                u, v, wz = 0.0, 0.0, 0.0
                code = surface_at(z, cell_m, x, y, w, s)
                continue
            code = surface_at(z, cell_m, mx, my, w, s)
            if code != 0:
                x, y = mx, my
                break
            bx, by, _ = _acceleration(s, mu1, mv1, mu, k, step[3])
            x += 0.5 * dt * (u + mu1)
            y += 0.5 * dt * (v + mv1)
            u += 0.5 * dt * (ax + bx)
            v += 0.5 * dt * (ay + by)
            t += dt
            path += speed * dt
            code = surface_at(z, cell_m, x, y, w, s)
            if code == 0:
                keep = _within_energy(s, u, v, energy)
                u, v = keep * u, keep * v
        final[body, 0] = x
        final[body, 1] = y
        final[body, 2] = s[0]
        final[body, 3] = fastest
        final[body, 4] = t
        final[body, 5] = deepest
        final[body, 8] = path
        reason[body] = STOPPED if code == -1 else code
        offsets[body + 1] = n
    return cells[:n].copy(), speeds[:n].copy()


@njit(cache=True, nogil=True)
def descend(z: FloatArray, cell_m: float, x: float, y: float, step_m: float, path: FloatArray) -> tuple[int, int]:
    """Follow the steepest descent in steps of ``step_m``; fills ``path`` (n, 3) with x, y, height.

    Returns the number of points and why it ends: 0 a pit or flat ground, 1 the edge, 2 no data, 3 the path is full.
    """
    w = np.empty((6, 4))
    s = np.empty(6)
    n = 0
    lowest = np.inf
    while n < path.shape[0]:
        code = surface_at(z, cell_m, x, y, w, s)
        if code != 0:
            return n, code
        if s[0] >= lowest - 1e-6 * step_m:
            return n, STOPPED
        lowest = s[0]
        path[n, 0] = x
        path[n, 1] = y
        path[n, 2] = s[0]
        n += 1
        steep = np.sqrt(s[1] * s[1] + s[2] * s[2])
        if steep < 1e-6:
            return n, STOPPED
        x -= step_m * s[1] / steep
        y -= step_m * s[2] / steep
    return n, OUT_OF_TIME
