"""A sliding mass on a smooth surface: plain arrays, floats and records in and out.

Coordinates are local: x from the western edge, y from the northern edge *downwards* (south), both in metres, so that
cell (i, j) has its centre at ((j + 0.5) cell, (i + 0.5) cell). The surface is the uniform cubic B-spline over the
heights: twice continuously differentiable, exact for planes and quadratics up to a constant.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from lastseen.core import FloatArray, IntArray

GRAVITY_M_S2 = 9.81
Four = tuple[float, float, float, float]
SHORTEST_STEP_S = 0.004
REST_M_S = 0.02  # slower than this on ground that holds it, a sample has stopped

STOPPED, LEFT_GRID, NO_DATA, OUT_OF_TIME, TOO_LONG = 0, 1, 2, 3, 4
# Columns of what is kept of each sample: where it ended, greatest speed, time, greatest fall in flight, velocity at the
# first entry of the disc (NaN: never there), way on the surface.
END_X, END_Y, FASTEST, TIME, FALL, DISC_X, DISC_Y, PATH = range(8)
FINAL_COLUMNS = 8


class SlideRules(NamedTuple):
    """Bounds of a step and of a run, and the disc asked about."""

    largest_step_s: float
    largest_step_cells: float
    time_limit_s: float
    centripetal: float  # share of the centripetal load that acts on friction: 1; 0 gives the energy line
    most_visits: int  # cells entered by all samples together; more end the run
    disc_x: float
    disc_y: float
    disc_radius: float


@njit(cache=True, nogil=True)
def _weights(f: float) -> Four:
    """Cubic B-spline weights at the fraction f of a cell."""
    g = 1.0 - f
    return (
        g * g * g / 6.0,
        (3.0 * f * f * f - 6.0 * f * f + 4.0) / 6.0,
        (3.0 * g * g * g - 6.0 * g * g + 4.0) / 6.0,
        f * f * f / 6.0,
    )


@njit(cache=True, nogil=True)
def _first_derivatives(f: float) -> Four:
    """Of the weights, per cell."""
    g = 1.0 - f
    return -0.5 * g * g, 1.5 * f * f - 2.0 * f, -1.5 * g * g + 2.0 * g, 0.5 * f * f


@njit(cache=True, nogil=True)
def _second_derivatives(f: float) -> Four:
    """Of the weights, per cell squared."""
    g = 1.0 - f
    return g, 3.0 * f - 2.0, 3.0 * g - 2.0, f


@njit(cache=True, nogil=True)
def _four(z: FloatArray, i: int, j: int) -> Four:
    return z[i, j], z[i, j + 1], z[i, j + 2], z[i, j + 3]


@njit(cache=True, nogil=True)
def _dot(a: Four, b: Four) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2] + a[3] * b[3]


@njit(cache=True, nogil=True)
def surface_at(z: FloatArray, cell_m: float, x: float, y: float, out: FloatArray) -> int:
    """Height, gradient and second derivatives at a point: out = (b, b_x, b_y, b_xx, b_xy, b_yy).

    Returns 0, 1 outside the lattice, or 2 beside no data.
    """
    ny, nx = z.shape
    u, v = x / cell_m - 0.5, y / cell_m - 0.5
    j, i = int(np.floor(u)), int(np.floor(v))
    if i < 1 or j < 1 or i + 2 >= ny or j + 2 >= nx:
        return LEFT_GRID
    along, along_x, along_xx = _weights(u - j), _first_derivatives(u - j), _second_derivatives(u - j)
    down, down_y, down_yy = _weights(v - i), _first_derivatives(v - i), _second_derivatives(v - i)
    z0, z1, z2, z3 = _four(z, i - 1, j - 1), _four(z, i, j - 1), _four(z, i + 1, j - 1), _four(z, i + 2, j - 1)
    row = (_dot(along, z0), _dot(along, z1), _dot(along, z2), _dot(along, z3))
    row_x = (_dot(along_x, z0), _dot(along_x, z1), _dot(along_x, z2), _dot(along_x, z3))
    row_xx = (_dot(along_xx, z0), _dot(along_xx, z1), _dot(along_xx, z2), _dot(along_xx, z3))
    out[0] = _dot(down, row)
    if np.isnan(out[0]):
        return NO_DATA
    out[1] = _dot(down, row_x) / cell_m
    out[2] = _dot(down_y, row) / cell_m
    out[3] = _dot(down, row_xx) / (cell_m * cell_m)
    out[4] = _dot(down_y, row_x) / (cell_m * cell_m)
    out[5] = _dot(down_yy, row) / (cell_m * cell_m)
    return 0


@njit(cache=True, nogil=True)
def _acceleration(
    s: FloatArray, u: float, v: float, mu: float, drag: float, centripetal: float
) -> tuple[float, float, float]:
    """Horizontal acceleration of a sample in contact, and g + U.Hess.U (negative: it takes off).

    ``drag`` is g / (xi h) or D/M, 1/m. ``centripetal`` is the share of the centripetal load in friction. At
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
def _with_room(cells: IntArray, speeds: FloatArray, n: int) -> tuple[IntArray, FloatArray]:
    """Both arrays, twice as long where ``n`` fills them."""
    if n < cells.size:
        return cells, speeds
    more, faster = np.empty(2 * n, np.int32), np.empty(2 * n)
    more[:n], faster[:n] = cells, speeds
    return more, faster


@njit(cache=True, nogil=True)
def _next_cell(cell: int, goal: int, nx: int, cell_m: float, x: float, y: float, dx: float, dy: float) -> int:
    """The cell after ``cell`` on the straight line that leaves (x, y) by (dx, dy) and ends in the cell ``goal``.

    Amanatides & Woo 1987 (Eurographics): whichever line between cells is met first is crossed.
    """
    row, col = cell // nx, cell % nx
    down, right = goal // nx - row, goal % nx - col
    to_column = ((col + (right > 0)) * cell_m - x) / dx if right != 0 else np.inf
    to_row = ((row + (down > 0)) * cell_m - y) / dy if down != 0 else np.inf
    if to_column < to_row:
        return cell + (1 if right > 0 else -1)
    return cell + (nx if down > 0 else -nx)


@njit(cache=True, nogil=True)
def slide(
    z: FloatArray, cell_m: float, start: FloatArray, friction: FloatArray, drag: FloatArray, rules: SlideRules,
    final: FloatArray, reason: IntArray, offsets: IntArray
) -> tuple[IntArray, FloatArray]:  # fmt: skip
    """Let samples slide until they stop.

    Parameters
    ----------
    z : (ny, nx) heights, m
    start : (n, 4) x, y, u, v (horizontal velocity, m/s)
    friction, drag : (n,) Coulomb mu; g/(xi h) or D/M in 1/m
    final : (n, FINAL_COLUMNS), filled
    reason : (n,) filled with a stop code; TOO_LONG for the sample that met the bound of visits, after which none ran
    offsets : (n + 1,) filled: where each sample's track begins in what is returned

    Returns
    -------
    Flat indices of the cells entered by each sample in turn, and the speed (m/s) at the end of that step.
    """
    nx = z.shape[1]
    s = np.empty(6)
    cells = np.empty(1024, np.int32)
    speeds = np.empty(1024)
    n = 0
    offsets[0] = 0
    for sample in range(start.shape[0]):
        x, y, u, v = start[sample, 0], start[sample, 1], start[sample, 2], start[sample, 3]
        mu, k = friction[sample], drag[sample]
        t, fastest, path, deepest = 0.0, 0.0, 0.0, 0.0
        height, wz, flight_top = 0.0, 0.0, 0.0
        flying = False
        final[sample, DISC_X] = np.nan
        final[sample, DISC_Y] = np.nan
        last = -1
        x_at, y_at = x, y
        code = surface_at(z, cell_m, x, y, s)
        while code == 0:
            if not flying:
                height, wz = s[0], s[1] * u + s[2] * v
            speed = np.sqrt(u * u + v * v + wz * wz)
            fastest = max(fastest, speed)
            energy = 0.5 * speed * speed + GRAVITY_M_S2 * height
            goal = int(y / cell_m) * nx + int(x / cell_m)
            while last != goal and n < rules.most_visits:
                last = goal if last < 0 else _next_cell(last, goal, nx, cell_m, x_at, y_at, x - x_at, y - y_at)
                cells, speeds = _with_room(cells, speeds, n)
                cells[n], speeds[n] = last, speed
                n += 1
            if last != goal:
                reason[sample] = TOO_LONG
                return cells[:n], speeds[:n]
            x_at, y_at = x, y
            if (
                np.isnan(final[sample, DISC_X])
                and (x - rules.disc_x) ** 2 + (y - rules.disc_y) ** 2 < rules.disc_radius**2
            ):
                final[sample, DISC_X] = u
                final[sample, DISC_Y] = v
            if t >= rules.time_limit_s - 1e-9:
                code = OUT_OF_TIME
                break
            flat = np.sqrt(u * u + v * v)
            # Nor may a sample that starts to fall freely go further than its share of a cell.
            far = rules.largest_step_cells * cell_m
            dt = min(
                rules.largest_step_s,
                rules.time_limit_s - t,
                2.0 * far / (flat + np.sqrt(flat * flat + 2.0 * GRAVITY_M_S2 * far)),
            )
            if flying:
                x += u * dt
                y += v * dt
                height += wz * dt - 0.5 * GRAVITY_M_S2 * dt * dt
                wz -= GRAVITY_M_S2 * dt
                t += dt
                path += speed * dt
                code = surface_at(z, cell_m, x, y, s)
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
            ax, ay, load = _acceleration(s, u, v, mu, k, rules.centripetal)
            if speed < REST_M_S and steep <= mu:
                code = -1
                break
            if load < 0.0:
                flying = True
                flight_top = height
                continue
            # The place at the end of the step is known before the force there (velocity Verlet), so the ground is asked
            # once. A step in which friction would turn the sample round ends in rest.
            u1, v1 = u + dt * ax, v + dt * ay
            turned = flat > 0.0 and u1 * u + v1 * v <= 0.0
            if turned and steep <= mu:
                share = flat * flat / max(flat * flat - (u1 * u + v1 * v), 1e-12)
                x += 0.5 * share * dt * u
                y += 0.5 * share * dt * v
                path += 0.5 * share * dt * speed
                t += share * dt
                u, v, wz = 0.0, 0.0, 0.0
                code = surface_at(z, cell_m, x, y, s)
                continue
            x += 0.5 * dt * (u + u1)
            y += 0.5 * dt * (v + v1)
            t += dt
            path += speed * dt
            code = surface_at(z, cell_m, x, y, s)
            if code == 0:
                bx, by, _ = _acceleration(s, u1, v1, mu, k, rules.centripetal)
                u += 0.5 * dt * (ax + bx)
                v += 0.5 * dt * (ay + by)
                keep = _within_energy(s, u, v, energy)
                u, v = keep * u, keep * v
        final[sample, END_X] = x
        final[sample, END_Y] = y
        final[sample, FASTEST] = fastest
        final[sample, TIME] = t
        final[sample, FALL] = deepest
        final[sample, PATH] = path
        reason[sample] = STOPPED if code == -1 else code
        offsets[sample + 1] = n
    return cells[:n].copy(), speeds[:n].copy()


@njit(cache=True, nogil=True)
def descend(z: FloatArray, cell_m: float, x: float, y: float, step_m: float, path: FloatArray) -> tuple[int, int]:
    """Follow the steepest descent in steps of ``step_m``; fills ``path`` (n, 3) with x, y, height.

    Returns the number of points and why it ends: 0 a pit or flat ground, 1 the edge, 2 no data, 3 the path is full.
    """
    s = np.empty(6)
    n = 0
    lowest = np.inf
    while n < path.shape[0]:
        code = surface_at(z, cell_m, x, y, s)
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
