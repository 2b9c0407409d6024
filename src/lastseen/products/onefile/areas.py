"""Areas of equal value from rasters: steps of probability and of thickness, and what holds most of the POA."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import ndimage
from shapely.geometry import MultiPolygon

from lastseen.grid import Grid
from lastseen.outlines import outline_of_level

POA_SHARES = (0.5, 0.9)


def step_areas(grid: Grid, levels: Sequence[float]) -> list[MultiPolygon]:
    """The ground at or above each level, lightly smoothed as on the sheet."""
    smooth = grid.with_values(ndimage.gaussian_filter(np.nan_to_num(grid.values), 1.0, truncate=3.0))
    return [outline_of_level(smooth, level, grid.cell_area_m2) for level in levels]


def holding_areas(poa: Grid) -> list[MultiPolygon]:
    """The smallest areas that hold 50 % and 90 % of the probability of area."""
    values = np.sort(np.nan_to_num(poa.values), axis=None)[::-1]
    total = np.cumsum(values)
    levels = [float(values[min(int(np.searchsorted(total, share)), values.size - 1)]) for share in POA_SHARES]
    return [outline_of_level(poa, level, 2.0 * poa.cell_area_m2) for level in levels]
