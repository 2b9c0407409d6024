"""From sets of cells to lengths and outlines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage, sparse
from scipy.sparse import csgraph
from shapely import MultiPolygon

from lastseen.core import BoolArray, FloatArray, Grid, IntArray, smooth_outline

# Steps to neighbours in 16 directions (each once): the shortest way is at most 2.8 % too long. Geometry.
STEPS = ((0, 1), (1, 0), (1, 1), (1, -1), (1, 2), (2, 1), (1, -2), (2, -1))
EIGHT = np.ones((3, 3), dtype=np.int8)
Labels = npt.NDArray[np.int32]


@dataclass(frozen=True, kw_only=True)
class Spine:
    """The longest of the shortest ways through one connected region: its cells from root to end, and its length."""

    label: int
    rows: IntArray
    cols: IntArray
    length_m: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Patch:
    """A set of cells of a window: its bounding box, and which cells in the box belong to it."""

    place: tuple[slice, slice]
    mask: BoolArray

    @property
    def cells(self) -> tuple[IntArray, IntArray]:
        """Rows and columns on the window."""
        row, col = np.nonzero(self.mask)
        return (row + self.place[0].start).astype(np.int32), (col + self.place[1].start).astype(np.int32)

    @property
    def count(self) -> int:
        """Number of cells."""
        return int(self.mask.sum())

    def of(self, values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Values of a window at the cells, in their order."""
        return np.asarray(values[self.place][self.mask])

    def share_in(self, others: list[Patch], near_cells: float) -> float:
        """Share of the cells that lie in or at most ``near_cells`` cells beside any of the other patches."""
        margin = int(near_cells) + 1
        rows, cols = self.place
        top, left = rows.start - margin, cols.start - margin
        cover = np.zeros((rows.stop - top + margin, cols.stop - left + margin), dtype=np.bool_)
        for other in others:
            row, col = other.cells
            row, col = row - top, col - left
            inside = (row >= 0) & (col >= 0) & (row < cover.shape[0]) & (col < cover.shape[1])
            cover[row[inside], col[inside]] = True
        if not cover.any():
            return 0.0
        near = ndimage.distance_transform_edt(~cover) <= near_cells
        return float(near[margin:-margin, margin:-margin][self.mask].mean())


def find_patches(labels: Labels) -> dict[int, Patch]:
    """Return the patch of each region by its number."""
    places = enumerate(ndimage.find_objects(labels), start=1)
    return {k: Patch(place=(at[0], at[1]), mask=labels[at] == k) for k, at in places if at is not None}


def join_patches(parts: list[Patch]) -> Patch:
    """All cells of several patches as one."""
    if len(parts) == 1:
        return parts[0]
    row, col = (np.concatenate(cells) for cells in zip(*(part.cells for part in parts), strict=True))
    top, left = int(row.min()), int(col.min())
    mask = np.zeros((int(row.max()) - top + 1, int(col.max()) - left + 1), dtype=np.bool_)
    mask[row - top, col - left] = True
    return Patch(place=(slice(top, top + mask.shape[0]), slice(left, left + mask.shape[1])), mask=mask)


def label_connected(mask: BoolArray) -> tuple[Labels, int]:
    """Regions joined over sides and corners, numbered from 1."""
    labels, count = ndimage.label(mask, structure=EIGHT)
    return np.asarray(labels, dtype=np.int32), int(count)


def _graph(labels: Labels, cell_m: float) -> sparse.csr_array:
    """Distances between neighbouring cells of one region; cells are numbered row by row."""
    rows, cols = np.nonzero(labels)
    number = np.full(labels.shape, -1, dtype=np.int32)
    number[rows, cols] = np.arange(rows.size, dtype=np.int32)
    heads, tails, steps_m = [], [], []
    ny, nx = labels.shape
    for dr, dc in STEPS:
        near = (slice(0, ny - dr), slice(max(0, -dc), nx - max(0, dc)))
        far = (slice(dr, ny), slice(max(0, dc), nx + min(0, dc)))
        alike = (labels[near] > 0) & (labels[near] == labels[far])
        heads.append(number[near][alike])
        tails.append(number[far][alike])
        steps_m.append(np.full(heads[-1].size, cell_m * np.hypot(dr, dc)))
    edges = (np.concatenate(steps_m), (np.concatenate(heads), np.concatenate(tails)))
    return sparse.csr_array(sparse.coo_array(edges, shape=(rows.size, rows.size)))


def _farthest(region: Labels, far_m: FloatArray) -> IntArray:
    """Index of the cell with the largest distance, one per region in the order of its number."""
    order = np.lexsort((far_m, region))
    last = np.flatnonzero(np.diff(region[order], append=region.max() + 1))
    picked: IntArray = order[last].astype(np.int32)
    return picked


def find_spines(labels: Labels, cell_m: float, heights: FloatArray | None = None) -> list[Spine]:
    """Return the spine of each region (label above 0), root first.

    A spine starts at the region's lowest cell where heights are given; else at one of its two farthest ends.
    """
    if not labels.any():
        return []
    graph = _graph(labels, cell_m)
    rows, cols = np.nonzero(labels)
    region = labels[rows, cols]
    if heights is None:
        start = _farthest(region, np.zeros(region.size))
        far_m = csgraph.dijkstra(graph, directed=False, indices=start, min_only=True)
        roots = _farthest(region, np.asarray(far_m))
    else:
        roots = _farthest(region, -heights[rows, cols])
    far_m, before, _ = csgraph.dijkstra(graph, directed=False, indices=roots, min_only=True, return_predecessors=True)
    found = []
    for end in _farthest(region, np.asarray(far_m)):
        way = [int(end)]
        while before[way[-1]] >= 0:
            way.append(int(before[way[-1]]))
        cells = np.array(way[::-1], dtype=np.int32)
        found.append(
            Spine(
                label=int(region[end]),
                rows=rows[cells].astype(np.int32),
                cols=cols[cells].astype(np.int32),
                length_m=float(far_m[end]) + cell_m,
            )
        )
    return found


def group_patches(mask: BoolArray, where: BoolArray, cell_m: float, gap_m: float) -> list[tuple[Patch, float]]:
    """Bands of cells that touch ``where``, and their lengths (m); pieces at most ``gap_m`` apart are one band."""
    steps = int(np.ceil(0.5 * gap_m / cell_m))
    grown = ndimage.binary_dilation(mask, EIGHT, iterations=steps) if steps else mask
    bands = np.where(mask, label_connected(grown)[0], 0).astype(np.int32)
    bands[~np.isin(bands, np.unique(bands[where & mask]))] = 0
    length_m = np.zeros(int(bands.max(initial=0)) + 1)
    for spine in find_spines(label_connected(bands > 0)[0], cell_m):
        length_m[bands[spine.rows[0], spine.cols[0]]] += spine.length_m
    return [(patch, float(length_m[label])) for label, patch in find_patches(bands).items()]


def outline_patch(patch: Patch, lattice: Grid) -> MultiPolygon:
    """Outline of the cells of a patch in map metres: valid, smooth, of the area of its cells within 5 %."""
    rows, cols = patch.place
    cell = lattice.cell_m
    return smooth_outline(patch.mask, lattice.west_m + cols.start * cell, lattice.north_m - rows.start * cell, cell)
