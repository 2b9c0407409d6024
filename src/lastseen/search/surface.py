"""The ground as the search uses it: elevation and slope at any point, and where there is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from lastseen.grid import BoolArray, FloatArray, Grid
from lastseen.search import kernels


@dataclass(frozen=True)
class Surface:
    """A window of ground whose no-data cells carry the nearest known elevation.

    The fill lets a walk be measured across a narrow gap; ``has_data`` tells where the fill is.

    Attributes
    ----------
    filled : Grid
        Elevation, metres, no NaN.
    known : ndarray of bool, shape (ny, nx)
        False where the elevation is a fill.
    east_slope, north_slope : ndarray, shape (ny, nx)
        Rise over run towards east and towards north.
    """

    filled: Grid
    known: BoolArray
    east_slope: FloatArray
    north_slope: FloatArray

    @classmethod
    def around(cls, ground: Grid, bounds_m: tuple[float, float, float, float], margin_m: float) -> Surface:
        """The part of the ground within ``margin_m`` of a box (west, south, east, north)."""
        west, south, east, north = bounds_m
        cut = ground.window(west - margin_m, south - margin_m, east + margin_m, north + margin_m)
        z = np.array(cut.values, dtype=np.float64)
        known = np.isfinite(z)
        if not known.all() and known.any():
            nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
            z = np.ascontiguousarray(z[tuple(nearest)])
        return cls(cut.with_values(z), known, _gradient(z, cut.cell_m, axis=1), -_gradient(z, cut.cell_m, axis=0))

    def z(self, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
        """Elevation in metres at points (1-D arrays)."""
        g = self.filled
        out = np.empty(x_m.size)
        kernels.drape(g.values, g.west_m, g.north_m, g.cell_m, x_m, y_m, out)
        return out

    def has_data(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> BoolArray:
        """Whether the cell that holds the point exists and has an elevation."""
        row, col = self.filled.cell_of(x_m, y_m)
        ny, nx = self.filled.shape
        inside = (row >= 0) & (row < ny) & (col >= 0) & (col < nx)
        return np.asarray(inside & self.known[np.clip(row, 0, ny - 1), np.clip(col, 0, nx - 1)])

    def slopes(self, x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Rise over run towards east and north in the cells that hold the points."""
        row, col = self.filled.cell_of(x_m, y_m)
        ny, nx = self.filled.shape
        row, col = np.clip(row, 0, ny - 1), np.clip(col, 0, nx - 1)
        return self.east_slope[row, col], self.north_slope[row, col]

    @property
    def arrays(self) -> Any:
        """As the kernels take it."""
        g = self.filled
        return (g.values, g.west_m, g.north_m, g.cell_m)

    def step_m(self, half_width_m: float) -> float:
        """How closely a draped walk is followed."""
        return min(1.0, self.filled.cell_m, half_width_m / 10.0)


def _gradient(z: FloatArray, cell_m: float, axis: int) -> FloatArray:
    """Rise per metre along an array axis: central inside, one-sided on the frame, 0 across a single cell."""
    if z.shape[axis] < 2:
        return np.zeros_like(z)
    return np.asarray(np.gradient(z, cell_m, axis=axis), dtype=np.float64)
