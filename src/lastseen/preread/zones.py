"""Start zones in blocks: start-zone terrain cut apart at ribs, rolls and gully beds, and at the edges of blocks.

The same cuts as for release areas, but each block of about 250 m by itself: a face that is larger than the largest slab
is then several zones, and what a zone is does not depend on ground far away.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage
from shapely import MultiPolygon, make_valid

from lastseen.grid import BoolArray, IntArray
from lastseen.outlines import only_areas, outline_of_cells
from lastseen.preread.lattice import Heights, Window, tiles_of
from lastseen.release import StartZones, slab_class
from lastseen.release.areas import BED_CUT, LEAST_GRADE, RIB_CUT, ROLL_CUT, cut_apart


def start_zone_numbers(zones: StartZones, outer: Window, window: Window, block_cells: int) -> IntArray:
    """Number of the start zone of each cell of a window in its block, from 1; 0 is none.

    Parameters
    ----------
    zones : StartZones
        Graded on the outer window.
    outer, window : Window
    block_cells : int
        Side of a block.
    """
    rib, roll = zones.rib_per_m.values, zones.roll_per_m.values
    barrier = np.maximum(np.maximum(rib / RIB_CUT, roll / ROLL_CUT), -rib / BED_CUT)
    start = large_enough(np.nan_to_num(zones.grade.values) >= LEAST_GRADE, zones.grade.cell_area_m2)
    out = np.zeros(window.shape, np.int32)
    for square in tiles_of(window, block_cells):
        block = square.cut(window)
        here = block.inside(outer)
        if start[here].any():
            out[block.inside(window)] = cut_apart(barrier[here], start[here], 1.0, zones.grade.cell_m)
    return out


def large_enough(start: BoolArray, cell_area_m2: float) -> BoolArray:
    """Start-zone terrain that can hold a slab of size 1, by its area on the map."""
    labels, _ = ndimage.label(start)
    large = np.bincount(labels.ravel()) * cell_area_m2 >= slab_class(1).area_m2
    large[0] = False
    return np.asarray(large[labels])


def zone_outline(mask: BoolArray, heights: Heights, window: Window) -> MultiPolygon:
    """Outline of the cells of a mask on a window; steps of one cell are made straight, edges of blocks stay."""
    edges = outline_of_cells(np.flatnonzero(mask.ravel()), heights.on(window, np.empty(window.shape)))
    return only_areas(make_valid(edges.simplify(0.75 * heights.cell_m)))
