"""Areas of equal value from rasters: steps of probability and of thickness."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import ndimage
from shapely.geometry import MultiPolygon

from lastseen.grid import Grid
from lastseen.outlines import outline_of_level


def step_areas(grid: Grid, levels: Sequence[float]) -> list[MultiPolygon]:
    """The ground at or above each level, lightly smoothed as on the sheet."""
    smooth = grid.with_values(ndimage.gaussian_filter(np.nan_to_num(grid.values), 1.0, truncate=3.0))
    return [outline_of_level(smooth, level, grid.cell_area_m2) for level in levels]
