"""A rigid wedge of snow that fills a valley and slides down its thalweg: plain floats and scipy's integrator.

Walls press a wedge harder than a plane would: friction counts 1 / sin(half of the opening angle) times (plane wedge:
Hoek & Bray 1981, from memory). Imports nothing from lastseen.
"""

from __future__ import annotations

import math

from scipy.integrate import solve_ivp

GRAVITY = 9.81


def wedge_factor(wall, slope):
    """Factor on friction where walls rise by ``wall`` on the map beside a thalweg that falls by ``slope`` radians."""
    side = math.atan(wall * math.cos(slope))  # in the section normal to the thalweg
    return 1.0 / math.sin(0.5 * math.pi - side)


def slide(height, wall, friction, start_m_s, limit_s=600.0):
    """Way on the map, and time, until a wedge stops that sets off at x = 0 on a thalweg of height ``height(x)``."""
    d = 0.5

    def move(_, state):
        x, v = state
        fall = (height(x - d) - height(x + d)) / (2.0 * d)
        slope = math.atan(fall)
        bend = (height(x - d) - 2.0 * height(x) + height(x + d)) / (d * d) * math.cos(slope) ** 3
        load = max(0.0, GRAVITY * math.cos(slope) + bend * v * v)
        pull = GRAVITY * math.sin(slope) - friction * wedge_factor(wall, slope) * load
        return [v * math.cos(slope), pull]

    def stop(_, state):
        return state[1]

    stop.terminal, stop.direction = True, -1.0
    found = solve_ivp(move, (0.0, limit_s), [0.0, start_m_s], events=stop, max_step=0.1, rtol=1e-8)
    assert found.t_events[0].size, "the wedge does not stop"
    return float(found.y[0, -1]), float(found.t[-1])
