"""Where people set out: points in the last-seen disc, in a frame that turns with the ground."""

from __future__ import annotations

import numpy as np

from lastseen.grid import FloatArray, Grid, IntArray


def disc_points(
    felt: Grid, disc: tuple[float, float, float], u: FloatArray, v: FloatArray, p: FloatArray, q: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Points spread evenly over a disc, map metres, from pairs of numbers between 0 and 1.

    The frame lies along the fall line at the middle, so that a turned map gives turned points.

    Parameters
    ----------
    felt : Grid
    disc : x_m, y_m, radius_m
    u, v : ndarray, shape (n,)
    p, q : ndarray
        Slope of ``felt`` eastwards and northwards.
    """
    row, col = felt.cell_of(disc[0], disc[1])
    east, north = (float(one) for one in downhill_frame(p, q, row, col))
    radius, angle = disc[2] * np.sqrt(u), 2.0 * np.pi * v
    along, across = radius * np.cos(angle), radius * np.sin(angle)
    return disc[0] + along * east - across * north, disc[1] + along * north + across * east


def downhill_frame(p: FloatArray, q: FloatArray, rows: IntArray, cols: IntArray) -> tuple[FloatArray, FloatArray]:
    """Unit vector down the fall line (east, north); due east where the ground is flat."""
    px, qy = np.nan_to_num(p[rows, cols]), np.nan_to_num(q[rows, cols])
    steep = np.hypot(px, qy)
    flat = steep < 1e-9
    return np.where(flat, 1.0, -px / np.where(flat, 1.0, steep)), np.where(flat, 0.0, -qy / np.where(flat, 1.0, steep))
