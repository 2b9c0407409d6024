"""From sets of cells to lengths and outlines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from rasterio import features
from scipy import ndimage, sparse
from scipy.sparse import csgraph
from shapely import MultiPolygon, Polygon
from shapely.geometry import shape as as_geometry

from lastseen.grid import BoolArray, FloatArray, Grid, IntArray

# Steps to neighbours in 16 directions (each once): the shortest way is at most 2.8 % too long. Geometry.
STEPS = ((0, 1), (1, 0), (1, 1), (1, -1), (1, 2), (2, 1), (1, -2), (2, -1))
EIGHT = np.ones((3, 3), dtype=np.int8)
Labels = npt.NDArray[np.int32]


@dataclass(frozen=True)
class Spine:
    """The longest of the shortest ways through one connected region: its cells from root to end, and its length."""

    label: int
    rows: IntArray
    cols: IntArray
    length_m: float


def connected(mask: BoolArray) -> tuple[Labels, int]:
    """Regions joined over sides and corners, numbered from 1."""
    labels, count = ndimage.label(mask, structure=EIGHT)
    return np.asarray(labels, dtype=np.int32), int(count)


def _graph(labels: Labels, cell_m: float) -> tuple[sparse.csr_array, IntArray]:
    """Distances between neighbouring cells of the same region, and the number of each cell in the graph (-1 outside)."""
    rows, cols = np.nonzero(labels)
    number = np.full(labels.shape, -1, dtype=np.int32)
    number[rows, cols] = np.arange(rows.size, dtype=np.int32)
    heads, tails, steps_m = [], [], []
    ny, nx = labels.shape
    for dr, dc in STEPS:
        here = (slice(0, ny - dr), slice(max(0, -dc), nx - max(0, dc)))
        there = (slice(dr, ny), slice(max(0, dc), nx + min(0, dc)))
        same = (labels[here] > 0) & (labels[here] == labels[there])
        heads.append(number[here][same])
        tails.append(number[there][same])
        steps_m.append(np.full(heads[-1].size, cell_m * np.hypot(dr, dc)))
    edges = (np.concatenate(steps_m), (np.concatenate(heads), np.concatenate(tails)))
    return sparse.csr_array(sparse.coo_array(edges, shape=(rows.size, rows.size))), number


def _farthest(region: Labels, far_m: FloatArray) -> IntArray:
    """Index of the cell with the largest distance, one per region in the order of its number."""
    order = np.lexsort((far_m, region))
    last = np.flatnonzero(np.diff(region[order], append=region.max() + 1))
    picked: IntArray = order[last].astype(np.int32)
    return picked


def spines(labels: Labels, cell_m: float, heights: FloatArray | None = None) -> list[Spine]:
    """Return the spine of each region, root first.

    Parameters
    ----------
    labels : ndarray of int, shape (ny, nx)
        Region of each cell; 0 is none.
    cell_m : float
        Side of a cell, metres.
    heights : ndarray, shape (ny, nx), optional
        Where given, a spine starts at the region's lowest cell; else at one of its two farthest ends.
    """
    if not labels.any():
        return []
    graph, number = _graph(labels, cell_m)
    rows, cols = np.nonzero(labels)
    region = labels[rows, cols]
    if heights is None:
        start = _farthest(region, np.zeros(region.size))
        far_m = csgraph.dijkstra(graph, directed=False, indices=start, min_only=True)
        roots = _farthest(region, np.asarray(far_m))
    else:
        roots = _farthest(region, -heights[rows, cols])
    far_m, before, _ = csgraph.dijkstra(
        graph, directed=False, indices=roots, min_only=True, return_predecessors=True
    )
    found = []
    for end in _farthest(region, np.asarray(far_m)):
        way = [int(end)]
        while before[way[-1]] >= 0:
            way.append(int(before[way[-1]]))
        cells = np.array(way[::-1], dtype=np.int32)
        found.append(
            Spine(
                int(region[end]),
                rows[cells].astype(np.int32),
                cols[cells].astype(np.int32),
                float(far_m[end]) + cell_m,
            )
        )
    return found


def outline_of(mask: BoolArray, lattice: Grid) -> Polygon | MultiPolygon:
    """Outline of the cells of a mask in map metres: valid, corners of cells cut, small gaps between cells closed."""
    row, col = np.nonzero(mask)
    r0, c0 = max(0, int(row.min()) - 1), max(0, int(col.min()) - 1)
    part = np.ascontiguousarray(mask[r0 : int(row.max()) + 2, c0 : int(col.max()) + 2], dtype=np.uint8)
    cell = lattice.cell_m
    transform = lattice.transform * lattice.transform.translation(c0, r0)
    pieces = [as_geometry(g) for g, v in features.shapes(part, mask=part > 0, connectivity=4, transform=transform) if v]
    joined = shapely.union_all(pieces).buffer(0.6 * cell, join_style="mitre").buffer(-0.6 * cell, join_style="mitre")
    drawn = shapely.make_valid(joined.simplify(0.5 * cell))
    areas = [p for p in shapely.get_parts(drawn) if isinstance(p, Polygon)] or [shapely.union_all(pieces)]
    whole = shapely.union_all(areas)
    return whole if isinstance(whole, Polygon | MultiPolygon) else MultiPolygon(areas)
