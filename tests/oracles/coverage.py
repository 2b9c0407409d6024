"""Slow readable twin of the coverage of a walk: plain numpy, point to polyline in 3-D."""

from itertools import pairwise

import numpy as np
import shapely


def elevation_at(values, west_m, north_m, cell_m, x, y):
    """Bilinear between cell centres; the outer half cell takes the edge value."""
    ny, nx = values.shape
    col = np.clip((np.asarray(x) - west_m) / cell_m - 0.5, 0, nx - 1)
    row = np.clip((north_m - np.asarray(y)) / cell_m - 0.5, 0, ny - 1)
    j, i = np.minimum(col.astype(int), nx - 2), np.minimum(row.astype(int), ny - 2)
    s, t = col - j, row - i
    north = (1 - s) * values[i, j] + s * values[i, j + 1]
    south = (1 - s) * values[i + 1, j] + s * values[i + 1, j + 1]
    return (1 - t) * north + t * south


def draped(line, ground, step_m=0.5):
    """Points of a line on the ground, at most ``step_m`` apart; shape (n, 3)."""
    points = shapely.get_coordinates(shapely.segmentize(line, step_m))
    return np.column_stack([points, elevation_at(*ground, points[:, 0], points[:, 1])])


def distance_to_polyline(points, line):
    """Distance of each point (n, 3) to a polyline (m, 3)."""
    nearest = np.full(len(points), np.inf)
    for a, b in pairwise(line):
        along = b - a
        t = np.clip((points - a) @ along / max(along @ along, 1e-12), 0.0, 1.0)
        nearest = np.minimum(nearest, np.linalg.norm(points - (a + t[:, None] * along), axis=1))
    return nearest


def coverage_fraction(outline, walked, values, west_m, north_m, cell_m, half_m, spacing_m):
    """Share of the surface of an outline within ``half_m`` of the walked lines."""
    ground = (values, west_m, north_m, cell_m)
    x0, y0, x1, y1 = outline.bounds
    x, y = np.meshgrid(np.arange(x0 + 0.37 * spacing_m, x1, spacing_m), np.arange(y0 + 0.61 * spacing_m, y1, spacing_m))
    inside = shapely.contains_xy(outline, x, y)
    x, y = x[inside], y[inside]
    d = 0.5 * cell_m
    gx = (elevation_at(*ground, x + d, y) - elevation_at(*ground, x - d, y)) / (2 * d)
    gy = (elevation_at(*ground, x, y + d) - elevation_at(*ground, x, y - d)) / (2 * d)
    weight = np.sqrt(1 + gx**2 + gy**2)
    points = np.column_stack([x, y, elevation_at(*ground, x, y)])
    covered = np.zeros(len(points), bool)
    for line in walked:
        left = ~covered
        covered[left] = distance_to_polyline(points[left], draped(line, ground)) <= half_m
    return float(weight[covered].sum() / weight.sum())
