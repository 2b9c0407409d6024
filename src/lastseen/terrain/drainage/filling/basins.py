"""Filling: the ground as it would be if every hollow were full to the height at which it spills.

The surface is the one of Priority-Flood (Barnes, Lehman & Mulla 2014, Computers & Geosciences 62:117): each cell takes
the lowest height over which it can be left for the border, and no more. It is unique, so that any method gives the same
bits. Here whole basins are flooded instead of single cells, in the order of the passes between them, as in the basin
graphs of Barnes (2016, Computers & Geosciences 96:56) and Cordonnier, Bovy & Braun (2019, Earth Surface Dynamics
7:549):

1. every cell points to a lower neighbour; what runs down to one lowest cell is a basin (rows in threads);
2. the lowest pass between each two basins is found (rows in threads);
3. passes are opened from the lowest to the highest; a set of basins that meets the border spills at that pass;
4. every cell is raised to the level of its basin.

This is global: a hollow can be spilled far away. It takes about 21 bytes a cell with the ground itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastseen.errors import ResourceError
from lastseen.grid import FloatArray, Grid
from lastseen.terrain.drainage.filling import kernels
from lastseen.threads import in_threads, over_rows

BLOCK_ROWS = 256
MOST_CELLS = 2**31 - 1  # cells are counted in 32 bits


@dataclass(frozen=True)
class Filled:
    """The ground with its hollows full.

    Attributes
    ----------
    ground : Grid
        As given, metres.
    surface : Grid
        As filled, metres; never below the ground. No cell but those on the border and beside no data lies below all its
        neighbours.
    """

    ground: Grid
    surface: Grid

    @property
    def depth_m(self) -> Grid:
        """How deep each cell lies below the level at which its hollow spills; 0 where the ground drains."""
        return self.ground.with_values(self.surface.values - self.ground.values)


def fill(elevation: Grid) -> Filled:
    """Fill every hollow to the level at which it spills.

    Parameters
    ----------
    elevation : Grid
        Metres. All drains over the outer frame and into no data (NaN): an island of no data is an outlet. A pit of one
        cell is filled like any other.

    Returns
    -------
    Filled
        NaN where the ground is NaN.

    Raises
    ------
    ResourceError
        If the ground has more than 2 to the 31 cells.
    """
    if elevation.values.size > MOST_CELLS:
        raise ResourceError(
            f"drainage of {elevation.values.size / 1e6:.0f} million cells is more than {MOST_CELLS / 1e6:.0f} million: "
            "cut the elevation model to the basin of interest, or use coarser cells"
        )
    ground = elevation.values
    z: FloatArray = np.ascontiguousarray(ground, dtype=np.float64)
    rows = z.shape[0]
    blocks = [(first, min(first + BLOCK_ROWS, rows)) for first in range(0, rows, BLOCK_ROWS)]
    basin = np.empty(z.shape, np.int32)
    lowest = in_threads(lambda block: kernels.lower_cells(z, *block, basin), blocks)
    before = [0, *np.cumsum(lowest).tolist()]
    in_threads(lambda one: kernels.number_hollows(basin, *one[0], one[1]), list(zip(blocks, before, strict=False)))
    over_rows(lambda first, last: kernels.follow(basin, first, last), rows, BLOCK_ROWS)
    passes = in_threads(lambda block: kernels.saddles(z, basin, *block), blocks)
    one, other, height = (np.concatenate([found[k] for found in passes]) for k in range(3))
    level = np.empty(before[-1] + 1)
    kernels.flood(one, other, height, np.argsort(height, kind="stable").astype(np.int32), level)
    surface = np.empty(z.shape)
    over_rows(lambda first, last: kernels.raise_to(z, basin, level, first, last, surface), rows, BLOCK_ROWS)
    return Filled(elevation, elevation.with_values(surface))
