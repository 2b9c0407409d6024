"""A slow readable twin of the sliding mass: numpy and plain floats, an independent surface and integrator.

The surface is scipy's cubic spline filter without prefilter, its derivatives are central differences, and the motion is
integrated in very small explicit steps. Imports nothing from lastseen.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates

GRAVITY = 9.81


class Surface:
    """Uniform cubic B-spline over heights with row 0 in the north; x east and y south from the upper left corner."""

    def __init__(self, z, cell):
        self.z, self.cell = np.asarray(z, float), cell

    def height(self, x, y):
        where = [[y / self.cell - 0.5], [x / self.cell - 0.5]]
        return float(map_coordinates(self.z, where, order=3, prefilter=False, mode="nearest")[0])

    def shape(self, x, y):
        """First and second derivatives by central differences."""
        h = 1e-3 * self.cell
        around = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
        where = [[(y + j * h) / self.cell - 0.5 for _, j in around], [(x + i * h) / self.cell - 0.5 for i, _ in around]]
        heights = map_coordinates(self.z, where, order=3, prefilter=False, mode="nearest")
        b = dict(zip(around, heights.tolist(), strict=True))
        p, q = (b[1, 0] - b[-1, 0]) / (2 * h), (b[0, 1] - b[0, -1]) / (2 * h)
        r, t = (b[1, 0] - 2 * b[0, 0] + b[-1, 0]) / h**2, (b[0, 1] - 2 * b[0, 0] + b[0, -1]) / h**2
        s = (b[1, 1] - b[-1, 1] - b[1, -1] + b[-1, -1]) / (4 * h * h)
        return p, q, r, s, t


def slide(z, cell, x, y, u, v, mu, drag, dt=0.002, limit_s=120.0):
    """Where a body comes to rest, and its greatest speed."""
    ground, fastest, t = Surface(z, cell), 0.0, 0.0
    while t < limit_s:
        p, q, r, s, tt = ground.shape(x, y)
        steep = np.hypot(p, q)
        speed = np.sqrt(u * u + v * v + (p * u + q * v) ** 2)
        fastest = max(fastest, speed)
        if speed < 0.02 and steep <= mu:
            break
        load = GRAVITY + r * u * u + 2 * s * u * v + tt * v * v
        assert load > 0, "the oracle does not fly"
        w2 = 1 + p * p + q * q
        ax, ay = -p * load / w2, -q * load / w2
        if speed > 1e-9:
            resist = mu * load / np.sqrt(w2) / speed + drag * speed
            ax, ay = ax - resist * u, ay - resist * v
        else:
            ax, ay = ax * (1 - mu / steep), ay * (1 - mu / steep)
        u, v = u + dt * ax, v + dt * ay
        x, y, t = x + dt * u, y + dt * v, t + dt
    return x, y, fastest
