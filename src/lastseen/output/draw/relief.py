"""The ground on paper: a lattice as fine as paper shows, relief in greys, contours and lines of equal slope."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from contourpy import LineType, contour_generator
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap
from scipy import ndimage

from lastseen.core import FloatArray, Grid
from lastseen.output.draw.drawing import Drawing
from lastseen.output.draw.layout import Extent
from lastseen.output.draw.palette import Palette

CELL_MM = 0.3  # what a printed relief shows
INTERVALS_M = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
CONTOUR_GAP_MM = 4.5  # on the median slope
SHORTEST_LINE_MM = 9.0
LIGHT_AZIMUTH_DEG, LIGHT_HEIGHT_DEG = 315.0, 45.0
SLOPES_DEG = (30.0, 40.0)
SLOPE_DASHES = (0.8, 1.6)
NamedLines = list[tuple[float, FloatArray]]


@dataclass(frozen=True)
class Contours:
    """Lines by height; every fifth is an index contour."""

    interval_m: float
    lines: tuple[tuple[float, FloatArray], ...]

    def is_index(self, height_m: float) -> bool:
        """Whether it carries a label."""
        return round(height_m / self.interval_m) % 5 == 0


def drawn_lattice(ground: Grid, extent: Extent, metres_per_mm: float) -> Grid:
    """The ground resampled to what paper shows; NaN where nothing is known."""
    cell = max(CELL_MM * metres_per_mm, ground.cell_m / 6.0)
    nx, ny = (max(2, math.ceil((extent[i + 2] - extent[i]) / cell)) for i in (0, 1))
    missing = np.isnan(ground.values)
    values = _filled(ground.values, missing)
    ratio = cell / ground.cell_m
    if ratio > 1.0:
        values = ndimage.gaussian_filter(values, 0.5 * ratio)
    rows, cols = np.mgrid[0:ny, 0:nx].astype(float)
    row = (ground.north_m - (extent[3] - (rows + 0.5) * cell)) / ground.cell_m - 0.5
    col = (extent[0] + (cols + 0.5) * cell - ground.west_m) / ground.cell_m - 0.5
    order: Literal[1, 3] = 1 if ratio > 1.0 else 3
    at = np.stack([row, col])
    drawn = ndimage.map_coordinates(values, at, order=order, mode="nearest")
    drawn[ndimage.map_coordinates(missing.astype(float), at, order=1, mode="grid-constant", cval=1.0) > 0.5] = np.nan
    return Grid(drawn, extent[0], extent[3], cell, ground.crs)


def relief(drawn: Grid) -> FloatArray:
    """Shade from 0 (dark) to 1 (light), light from the north-west; NaN where nothing is known."""
    missing = np.isnan(drawn.values)
    dy, dx = np.gradient(_filled(drawn.values, missing), drawn.cell_m)
    dy = -dy
    azimuth, height = math.radians(LIGHT_AZIMUTH_DEG), math.radians(LIGHT_HEIGHT_DEG)
    light = (math.sin(azimuth) * math.cos(height), math.cos(azimuth) * math.cos(height), math.sin(height))
    shade = (-dx * light[0] - dy * light[1] + light[2]) / np.sqrt(1.0 + dx * dx + dy * dy)
    return np.where(missing, np.nan, np.clip(shade, 0.0, 1.0))


def contours(drawn: Grid, metres_per_mm: float) -> Contours:
    """Contours at a round interval that leaves room between them."""
    smooth = _smooth(drawn, 1.0)
    dy, dx = np.gradient(smooth, drawn.cell_m)
    slope = float(np.nanmedian(np.hypot(dx, dy))) if np.isfinite(dx).any() else 0.0
    wanted = slope * CONTOUR_GAP_MM * metres_per_mm
    interval = next((step for step in INTERVALS_M if step >= wanted), INTERVALS_M[-1])
    if not np.isfinite(smooth).any():
        return Contours(interval, ())
    low, high = math.ceil(np.nanmin(smooth) / interval), math.floor(np.nanmax(smooth) / interval)
    heights: FloatArray = interval * np.arange(low, high + 1, dtype=float)
    return Contours(interval, tuple(lines_at(drawn, smooth, heights, metres_per_mm)))


def slope_lines(drawn: Grid, metres_per_mm: float) -> NamedLines:
    """Lines of equal slope, smoothed to what can be read."""
    smooth = _smooth(drawn, 1.0 / CELL_MM)
    dy, dx = np.gradient(smooth, drawn.cell_m)
    slope: FloatArray = ndimage.gaussian_filter(np.nan_to_num(np.degrees(np.arctan(np.hypot(dx, dy)))), 1.2 / CELL_MM)
    return lines_at(drawn, np.where(np.isnan(smooth), np.nan, slope), np.array(SLOPES_DEG), 2.5 * metres_per_mm)


def lines_at(drawn: Grid, values: FloatArray, levels: FloatArray, metres_per_mm: float) -> NamedLines:
    """Lines of equal value in map metres; the shortest left out."""
    ny, nx = drawn.shape
    x = drawn.west_m + (np.arange(nx) + 0.5) * drawn.cell_m
    y = drawn.north_m - (np.arange(ny) + 0.5) * drawn.cell_m
    generator = contour_generator(x, y, np.ma.masked_invalid(values), line_type=LineType.Separate)
    found = []
    for level in levels.tolist():
        for line in generator.lines(level):
            points: FloatArray = np.asarray(line, float)
            if np.hypot(*np.diff(points, axis=0).T).sum() >= SHORTEST_LINE_MM * metres_per_mm:
                found.append((float(level), points))
    return found


def draw_relief(axes: Axes, drawn: Grid, palette: Palette) -> None:
    """Relief in greys."""
    plain = LinearSegmentedColormap.from_list("relief", list(palette.ground.relief))
    look = {"cmap": plain.with_extremes(bad=palette.ground.paper), "vmin": 0.0, "vmax": 0.95, "zorder": 0}
    draw_cells(axes, drawn, np.ma.masked_invalid(relief(drawn)), interpolation="bilinear", **look)


def draw_cells(axes: Axes, grid: Grid, values: Any, **look: Any) -> None:
    """Values on the cells of a grid."""
    west, south, east, north = grid.bounds
    axes.imshow(values, extent=(west, east, south, north), aspect="auto", **look)


def draw_contours(d: Drawing, drawn: Grid) -> tuple[Contours, NamedLines]:
    """Contours and lines of equal slope; labels come last, where room is left."""
    k, ink = d.sheet.metres_per_mm, d.palette.ground
    found, steep = contours(drawn, k), slope_lines(drawn, k)
    for index, colour, width, zorder in ((False, ink.contour, 0.35, 2), (True, ink.contour_index, 0.8, 2.1)):
        lines = [line for height, line in found.lines if found.is_index(height) == index]
        d.ground.add_collection(LineCollection(lines, colors=colour, linewidths=width, zorder=zorder))
    look: dict[str, Any] = {"colors": ink.slope, "linewidths": 0.6, "linestyles": [(0, SLOPE_DASHES)], "zorder": 2.2}
    d.ground.add_collection(LineCollection([line for _, line in steep], **look))
    return found, steep


def _smooth(drawn: Grid, sigma_cells: float) -> FloatArray:
    missing = np.isnan(drawn.values)
    smooth: FloatArray = ndimage.gaussian_filter(_filled(drawn.values, missing), sigma_cells)
    return np.where(missing, np.nan, smooth)


def _filled(values: FloatArray, missing: FloatArray) -> FloatArray:
    """No data filled with the nearest height, so that nothing bleeds."""
    if not missing.any():
        return values
    if missing.all():
        return np.zeros_like(values)
    nearest = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
    return np.asarray(values[tuple(nearest)])
