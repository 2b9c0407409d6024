"""Grid: values on square, north-up, metric cells, with their CRS. The one raster type.

No data is NaN, always. Row 0 is the northern edge; ``x`` runs east, ``y`` runs north, both in metres of the CRS.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from affine import Affine
from pyproj import CRS
from scipy import ndimage

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int32]


def sample_bilinear(values: npt.NDArray[Any], row: FloatArray, col: FloatArray) -> FloatArray:
    """Values at fractional rows and columns of the array; NaN where a cell of weight above zero is NaN."""
    ny, nx = values.shape
    found: FloatArray = ndimage.map_coordinates(
        values, np.stack([row.ravel(), col.ravel()]), order=1, mode="nearest", output=np.float64
    ).reshape(row.shape)
    # The filter above takes 0 x NaN for NaN: look again there, with the weightless cells left out.
    again = np.isnan(found)
    if again.any():
        r, c = row[again], col[again]
        i, j = np.floor(r).astype(np.intp), np.floor(c).astype(np.intp)
        total = np.zeros(r.shape)
        for di, dj in ((0, 0), (0, 1), (1, 0), (1, 1)):
            weight = (1.0 - abs(r - (i + di))) * (1.0 - abs(c - (j + dj)))
            value = values[np.clip(i + di, 0, ny - 1), np.clip(j + dj, 0, nx - 1)]
            total += np.where(weight > 0.0, weight * value, 0.0)
        found[again] = total
    return found


@dataclass(frozen=True)
class Grid:
    """Values on a lattice of square cells."""

    values: npt.NDArray[Any]  # row 0 is north. NaN is no data (float grids); shape (ny, nx)
    # west_m, north_m: map coordinates of the outer corner of cell (0, 0), metres
    west_m: float
    north_m: float
    cell_m: float  # side of a cell, metres
    crs: CRS  # a projected CRS in metres

    def __post_init__(self) -> None:
        """Rows lie one after another in memory: compiled loops are made for that order, once."""
        object.__setattr__(self, "values", np.ascontiguousarray(self.values))

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return int(self.values.shape[0]), int(self.values.shape[1])

    @property
    def transform(self) -> Affine:
        """The affine transform from (column, row) to map coordinates."""
        return Affine(self.cell_m, 0.0, self.west_m, 0.0, -self.cell_m, self.north_m)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north edges in metres."""
        ny, nx = self.shape
        return self.west_m, self.north_m - ny * self.cell_m, self.west_m + nx * self.cell_m, self.north_m

    @property
    def cell_area_m2(self) -> float:
        """Map area of one cell."""
        return self.cell_m * self.cell_m

    def with_values(self, values: npt.NDArray[Any]) -> Grid:
        """The same lattice with other values of the same shape."""
        if values.shape != self.values.shape:
            raise ValueError(f"values of shape {values.shape} do not fit a grid of shape {self.values.shape}")
        return replace(self, values=values)

    def cell_of(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> tuple[IntArray, IntArray]:
        """Row and column of the cells that hold the points; may lie outside the grid."""
        row = np.floor((self.north_m - np.asarray(y_m, float)) / self.cell_m).astype(np.int32)
        col = np.floor((np.asarray(x_m, float) - self.west_m) / self.cell_m).astype(np.int32)
        return row, col

    def centre_of(self, row: npt.ArrayLike, col: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Map coordinates of cell centres."""
        x = self.west_m + (np.asarray(col, float) + 0.5) * self.cell_m
        y = self.north_m - (np.asarray(row, float) + 0.5) * self.cell_m
        return x, y

    def contains(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> BoolArray:
        """Whether the points lie on the grid (no-data cells included)."""
        row, col = self.cell_of(x_m, y_m)
        ny, nx = self.shape
        return np.asarray((row >= 0) & (row < ny) & (col >= 0) & (col < nx))

    def sample(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> FloatArray:
        """Bilinear values between cell centres; NaN outside and where a cell without data has weight.

        Within half a cell of the outer edge the edge value is used.
        """
        x, y = np.asarray(x_m, float), np.asarray(y_m, float)
        ny, nx = self.shape
        col = np.clip((x - self.west_m) / self.cell_m - 0.5, 0.0, nx - 1.0)
        row = np.clip((self.north_m - y) / self.cell_m - 0.5, 0.0, ny - 1.0)
        return np.where(self.contains(x, y), sample_bilinear(self.values, row, col), np.nan)

    def window(self, west_m: float, south_m: float, east_m: float, north_m: float) -> Grid:
        """The cells that touch the given box, cut at the edges of the grid."""
        ny, nx = self.shape
        c0 = max(0, int(np.floor((west_m - self.west_m) / self.cell_m)))
        c1 = min(nx, int(np.ceil((east_m - self.west_m) / self.cell_m)))
        r0 = max(0, int(np.floor((self.north_m - north_m) / self.cell_m)))
        r1 = min(ny, int(np.ceil((self.north_m - south_m) / self.cell_m)))
        if r1 <= r0 or c1 <= c0:
            raise ValueError("the window does not touch the grid")
        return replace(
            self,
            values=self.values[r0:r1, c0:c1],
            west_m=self.west_m + c0 * self.cell_m,
            north_m=self.north_m - r0 * self.cell_m,
        )
