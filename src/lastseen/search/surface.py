"""The ground as the search uses it: heights and slopes at any point, and the points that must be covered."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy import ndimage
from shapely import MultiPolygon, Polygon

from lastseen.core import BoolArray, FloatArray, Grid, IntArray
from lastseen.search import coverage_kernels

# ---- The ground as the search uses it: elevation and slope at any point, and where there is none


@dataclass(frozen=True, kw_only=True)
class Surface:
    """A window of ground whose no-data cells carry the nearest known elevation.

    The fill lets a walk be measured across a narrow gap; ``has_data`` tells where the fill is.
    """

    filled: Grid  # elevation, metres, no NaN
    known: BoolArray  # shape (ny, nx); false where the elevation is a fill
    # shape (ny, nx); rise over run towards east and towards north
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
        return cls(
            filled=cut.with_values(z),
            known=known,
            east_slope=_gradient(z, cut.cell_m, axis=1),
            north_slope=-_gradient(z, cut.cell_m, axis=0),
        )

    def z(self, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
        """Elevation in metres at points (1-D arrays)."""
        g = self.filled
        out = np.empty(x_m.size)
        coverage_kernels.drape(g.values, g.west_m, g.north_m, g.cell_m, x_m, y_m, out)
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


# ---- Points of a square lattice inside an outline: what a search has to bring into range

Outline = Polygon | MultiPolygon
_MOST_POINTS = 4_000_000


@dataclass(frozen=True, kw_only=True)
class Lattice:
    """Lattice points inside an outline, centred on its bounding box; row grows north, col grows east."""

    # map place of the point (0, 0)
    west_m: float
    south_m: float
    spacing_m: float  # between neighbours
    index: IntArray  # shape (rows, cols); number of the sample; -1 outside the outline
    # shape (n,); place of each sample
    row: IntArray
    col: IntArray
    height_m: FloatArray  # shape (n,); of the snow
    weight_m2: FloatArray  # shape (n,); surface area that each sample stands for
    piece: IntArray  # shape (n,); the polygon that holds it
    pieces: int  # how many polygons there are

    @property
    def x_m(self) -> FloatArray:
        """Map east of each sample."""
        return np.asarray(self.west_m + self.col * self.spacing_m, dtype=np.float64)

    @property
    def y_m(self) -> FloatArray:
        """Map north of each sample."""
        return np.asarray(self.south_m + self.row * self.spacing_m, dtype=np.float64)

    @property
    def arrays(self) -> Any:
        """As the kernels take it."""
        return (self.west_m, self.south_m, self.spacing_m, self.index, self.height_m, self.weight_m2, self.piece)

    @property
    def piece_m2(self) -> FloatArray:
        """Surface area of each polygon."""
        return np.asarray(np.bincount(self.piece, weights=self.weight_m2, minlength=self.pieces), dtype=np.float64)

    def counter(self) -> tuple[IntArray, FloatArray]:
        """Empty arrays for the kernels: how often each sample is covered, what is left in each piece."""
        return np.zeros(self.weight_m2.size, np.int32), np.zeros(self.pieces)


def list_pieces(outline: Outline) -> tuple[Polygon, ...]:
    """The polygons of an outline."""
    return tuple(outline.geoms) if isinstance(outline, MultiPolygon) else (outline,)


def lattice_spacing_m(outline: Outline, most_m: float) -> float:
    """Spacing for at least some 400 points and four points across a thin outline, at most ``most_m``."""
    west, south, east, north = outline.bounds
    spacing = min(most_m, math.sqrt(outline.area / 400.0), max(0.5 * outline.area / outline.length, most_m / 8.0))
    return max(spacing, math.sqrt((east - west) * (north - south) / _MOST_POINTS))


def make_lattice(outline: Outline, surface: Surface, spacing_m: float) -> Lattice:
    """Lattice points inside each polygon; a polygon between the points is given the nearest one."""
    west, south, east, north = outline.bounds
    cols, rows = (max(1, math.ceil(w / spacing_m)) for w in (east - west, north - south))
    x0 = 0.5 * (west + east) - 0.5 * (cols - 1) * spacing_m
    y0 = 0.5 * (south + north) - 0.5 * (rows - 1) * spacing_m
    index = np.full((rows, cols), -1, np.int32)
    polygons = list_pieces(outline)
    for k, polygon in enumerate(polygons):
        coverage_kernels.fill_rows(_edges(polygon), x0, y0, spacing_m, k, index)
    found = np.bincount(index[index >= 0], minlength=len(polygons))
    for k in np.flatnonzero(found == 0).tolist():
        point = polygons[k].representative_point()
        r, c = (
            min(max(round((v - v0) / spacing_m), 0), n - 1) for v, v0, n in ((point.y, y0, rows), (point.x, x0, cols))
        )
        if index[r, c] < 0 or found[index[r, c]] > 1:
            index[r, c] = k
    row, col = (a.astype(np.int32) for a in np.nonzero(index >= 0))
    piece = index[row, col].copy()
    index[row, col] = np.arange(row.size, dtype=np.int32)
    x = np.asarray(x0 + col * spacing_m, dtype=np.float64)
    y = np.asarray(y0 + row * spacing_m, dtype=np.float64)
    east_slope, north_slope = surface.slopes(x, y)
    share = shapely.area(np.array(polygons)) / np.maximum(1, np.bincount(piece, minlength=len(polygons)))
    weight = share[piece] * np.sqrt(1.0 + east_slope**2 + north_slope**2)
    return Lattice(
        west_m=x0,
        south_m=y0,
        spacing_m=spacing_m,
        index=index,
        row=row,
        col=col,
        height_m=surface.z(x, y),
        weight_m2=weight,
        piece=piece,
        pieces=len(polygons),
    )


def _edges(polygon: Polygon) -> FloatArray:
    """Edges of all rings, n x 4."""
    points, ring = shapely.get_coordinates(shapely.get_rings(polygon), return_index=True)
    edge = ring[1:] == ring[:-1]
    return np.ascontiguousarray(np.hstack([points[:-1][edge], points[1:][edge]]))
