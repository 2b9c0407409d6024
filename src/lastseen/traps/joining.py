"""Pieces of one gully that a short shallow stretch has parted."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations

import numpy as np
from scipy.sparse import coo_array, csgraph

from lastseen.grid import FloatArray
from lastseen.traps.shapes import Patch, Spine

GAP_M = 20.0  # pieces nearer than this, in line with each other, are one gully; design choice
IN_LINE = 0.75  # cosine of the largest turn across the gap (41 degrees); design choice
END_M = 20.0  # the direction of an end is read over this length; design choice

Piece = tuple[Patch, Spine]


@dataclass(frozen=True, eq=False)
class End:
    """Where a spine ends (metres down and right on the window), the direction out of it, and its height (m)."""

    place: FloatArray
    out: FloatArray
    height_m: float


def join_pieces(pieces: list[Piece], heights: FloatArray, cell_m: float) -> list[tuple[list[Patch], list[Spine]]]:
    """Group pieces whose upper end runs on into the lower end of another, metres apart at most ``GAP_M``."""
    roots = [_end(spine, heights, cell_m, root=True) for _, spine in pieces]
    heads = [_end(spine, heights, cell_m, root=False) for _, spine in pieces]
    pairs = [
        (lower, upper)
        for lower, upper in permutations(range(len(pieces)), 2)
        if _runs_on(heads[lower], roots[upper], cell_m)
    ]
    if not pairs:
        return [([patch], [spine]) for patch, spine in pieces]
    first, second = zip(*pairs, strict=True)
    links = coo_array((np.ones(len(pairs)), (first, second)), shape=(len(pieces), len(pieces)))
    count, group = csgraph.connected_components(links, directed=False)
    return [
        ([pieces[k][0] for k in np.flatnonzero(group == g)], [pieces[k][1] for k in np.flatnonzero(group == g)])
        for g in range(count)
    ]


def _end(spine: Spine, heights: FloatArray, cell_m: float, *, root: bool) -> End:
    """Read one end of a spine."""
    way = np.stack([spine.rows, spine.cols], axis=1) * cell_m
    at = 0 if root else -1
    if not root:
        way = way[::-1]
    out = way[0] - way[min(len(way) - 1, max(1, int(END_M / cell_m)))]
    return End(way[0], out / max(float(np.hypot(*out)), 1e-9), float(heights[spine.rows[at], spine.cols[at]]))


def _runs_on(head: End, root: End, cell_m: float) -> bool:
    """Whether a spine with this upper end runs on into the one with this lower end."""
    gap = root.place - head.place
    if abs(gap[0]) > GAP_M + cell_m or abs(gap[1]) > GAP_M + cell_m or root.height_m < head.height_m - 0.5:
        return False
    gap_m = float(np.hypot(*gap))
    straight = -float(head.out @ root.out)
    if gap_m <= 2.0 * cell_m:
        return straight >= IN_LINE
    return gap_m <= GAP_M + cell_m and min(straight, float(head.out @ gap) / gap_m) >= IN_LINE
