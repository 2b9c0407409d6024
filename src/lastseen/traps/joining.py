"""Pieces of one gully that a short shallow stretch has parted."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from scipy.sparse import coo_array, csgraph

from lastseen.grid import BoolArray, FloatArray
from lastseen.traps.shapes import Spine

GAP_M = 20.0  # pieces nearer than this, in line with each other, are one gully; design choice
IN_LINE = 0.75  # cosine of the largest turn across the gap (41 degrees); design choice
END_M = 20.0  # the direction of an end is read over this length; design choice

Piece = tuple[BoolArray, Spine]


def join_pieces(pieces: list[Piece], heights: FloatArray, cell_m: float) -> list[tuple[list[BoolArray], list[Spine]]]:
    """Group pieces whose upper end runs on into the lower end of another, metres apart at most ``GAP_M``."""
    pairs = [(a, b) for a, b in combinations(range(len(pieces)), 2) if _run_on(pieces[a][1], pieces[b][1], heights, cell_m)]
    if not pairs:
        return [([mask], [spine]) for mask, spine in pieces]
    first, second = zip(*pairs, strict=True)
    links = coo_array((np.ones(len(pairs)), (first, second)), shape=(len(pieces), len(pieces)))
    count, group = csgraph.connected_components(links, directed=False)
    return [
        ([pieces[k][0] for k in np.flatnonzero(group == g)], [pieces[k][1] for k in np.flatnonzero(group == g)])
        for g in range(count)
    ]


def _end(spine: Spine, *, root: bool, cell_m: float) -> tuple[FloatArray, FloatArray]:
    """Place of an end of a spine (metres down and right on the window) and the unit vector that points out of it."""
    way = np.stack([spine.rows, spine.cols], axis=1) * cell_m
    if not root:
        way = way[::-1]
    inner = way[min(len(way) - 1, max(1, int(END_M / cell_m)))]
    out = way[0] - inner
    return way[0], out / max(float(np.hypot(*out)), 1e-9)


def _run_on(a: Spine, b: Spine, heights: FloatArray, cell_m: float) -> bool:
    """Whether the head of one spine runs on into the root of the other."""
    for lower, upper in ((a, b), (b, a)):
        head, out_of_head = _end(lower, root=False, cell_m=cell_m)
        root, out_of_root = _end(upper, root=True, cell_m=cell_m)
        gap = root - head
        gap_m = float(np.hypot(*gap))
        rises = heights[upper.rows[0], upper.cols[0]] > heights[lower.rows[-1], lower.cols[-1]] - 0.5
        if gap_m > GAP_M + cell_m or not rises:
            continue
        straight = float(out_of_head @ -out_of_root)
        if gap_m <= 2.0 * cell_m and straight >= IN_LINE:
            return True
        if gap_m > 0.0 and min(straight, float(out_of_head @ gap) / gap_m) >= IN_LINE:
            return True
    return False
