"""Relative position: how high a cell lies above the ground around it.

Height less the mean height of a ring (Weiss 2001, poster at the ESRI User Conference: topographic position index):
above 0 on crests and ribs, below 0 in gullies and hollows, 0 on any even slope. What is seen depends on the radius, so
two are given. Local: the outer radius.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lastseen.errors import InputError
from lastseen.grid import Grid, IntArray
from lastseen.terrain.around import kernels
from lastseen.terrain.surface import heights
from lastseen.threads import in_threads, over_rows

LEAST_KNOWN = (
    0.99  # of the ring: what is missing shifts the mean by 1 % of radius times gradient at most; design choice
)
BLOCK_ROWS = 256


@dataclass(frozen=True)
class Ring:
    """Radii on the map, metres: cells whose centres are from ``inner_m`` to ``outer_m`` away count."""

    inner_m: float
    outer_m: float


FINE = Ring(10.0, 40.0)  # gullies, ribs and banks that a person falls over; design choice
BROAD = Ring(50.0, 150.0)  # ridges, valleys and bowls; design choice


def relative_position_m(elevation: Grid, ring: Ring = FINE) -> Grid:
    """Height of each cell above the mean height of a ring around it, metres.

    Parameters
    ----------
    elevation : Grid
        Metres, NaN is no data. Heights are counted in 2 to the -20 of a metre (about 1 micrometre).
    ring : Ring
        An inner radius of 0 takes the whole disc, the cell itself included. On coarse cells ``ring_on`` widens it.

    Returns
    -------
    Grid
        NaN where less than 99 % of the ring is known, so along the frame.

    Raises
    ------
    InputError
        If the ring holds no cell, or the radii are no radii.
    """
    if not 0.0 <= ring.inner_m <= ring.outer_m < math.inf:
        raise InputError(
            f"a ring from {ring.inner_m:g} to {ring.outer_m:g} m is none: inner and outer radius, from 0 up"
        )
    outer, inner, cells = _chords(ring, elevation.cell_m)
    if cells == 0:
        raise InputError(
            f"a ring from {ring.inner_m:g} to {ring.outer_m:g} m holds no cell of {elevation.cell_m:g} m: widen it"
        )
    z = heights(elevation)
    ny, nx = z.shape
    total, known = np.empty((ny, nx + 1)), np.empty((ny, nx + 1), np.int32)
    blocks = [(first, min(first + BLOCK_ROWS, ny)) for first in range(0, ny, BLOCK_ROWS)]
    missing = sum(in_threads(lambda block: kernels.row_sums(z, *block, total, known), blocks))
    out = np.full(z.shape, np.nan)
    least = LEAST_KNOWN * cells
    over_rows(
        lambda first, last: kernels.above_ring(z, total, known, outer, inner, cells, least, missing, first, last, out),
        ny,
        BLOCK_ROWS,
    )
    return elevation.with_values(out)


def ring_on(ring: Ring, cell_m: float) -> Ring:
    """The ring widened for coarse cells: from one cell at least, and one cell wide at least."""
    inner = max(ring.inner_m, cell_m)
    return Ring(inner, max(ring.outer_m, inner + cell_m))


def _chords(ring: Ring, cell_m: float) -> tuple[IntArray, IntArray, int]:
    """Half chords of the outer circle and of the part left out, row by row from north, and the number of cells."""
    reach = math.floor(ring.outer_m / cell_m + 1e-9)
    cols = np.arange(-reach, reach + 1)
    far = np.hypot(cols[:, None], cols[None, :]) * cell_m
    within, left_out = far <= ring.outer_m + 1e-9 * cell_m, far < ring.inner_m - 1e-9 * cell_m
    outer = (within.sum(axis=1) - 1) // 2
    inner = np.where(left_out.any(axis=1), (left_out.sum(axis=1) - 1) // 2, -1)
    return outer.astype(np.int32), inner.astype(np.int32), int(within.sum() - left_out.sum())
