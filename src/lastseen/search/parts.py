"""Where the debris is entered, which way a search moves over it, and which part of it each searcher takes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from lastseen.core import BoolArray, FloatArray, InputError, IntArray, keep_areas
from lastseen.search.frame import XY, Frame, find_bent_frame, make_straight_frame
from lastseen.search.lanes import Group, Strips, make_group
from lastseen.search.plan import Entry
from lastseen.search.search_area import SearchArea
from lastseen.search.surface import Outline, list_pieces

# ---- Where the debris is entered, and which way the search moves from there

Way = Literal["down", "up", "over"]
_EDGE_SHARE = 0.25  # of a strip: how closely the edge is looked at
_END_SHARE = 0.1  # of the height of the debris: how far from its top or toe somebody enters there
_FLANK_SHARE = 0.25  # of it: how far from half the height somebody enters a flank
_FROM_ABOVE, _FROM_BELOW = 0.4, 0.6  # of it: entered higher is from above, lower from below; design choices


@dataclass(frozen=True, kw_only=True)
class EntryPoint:
    """Where one group of searchers comes from and enters the debris."""

    start: XY | None  # where they stand; None where no way leads from there to the debris, or nobody said
    through: XY | None  # where they pass on their way: the last-seen point
    begin: XY  # on the edge of the debris, or inside it where they stand in it
    way: Way  # down the debris, up it, or across it from a flank
    lost: XY | None = None  # where they stand if no way leads to the debris
    around: bool = False  # the way to that edge leads around the debris, not over it


def find_entry(area: SearchArea, down: XY, entry: Entry | None, start: XY | None, last_seen: XY | None) -> EntryPoint:
    """The nearest edge that can be walked to, at the part of the debris that is asked for.

    Without an ``entry`` those who stand at the last-seen point begin there, others at the nearest edge.

    Raises
    ------
    InputError
        If there is no last-seen point to enter from, or no ground to stand on along the edge.
    """
    if entry == "last-seen" and last_seen is None:
        raise InputError("there is no last-seen point to begin from: choose the entry top, flank, toe or nearest")
    if entry is None and start is not None and start == last_seen:
        entry = "last-seen"
    through = None
    if entry == "last-seen" and start not in (None, last_seen):
        through = last_seen
    standing = last_seen if entry == "last-seen" else start
    edge = _workable_edge(area)
    depth = edge @ np.array(down)
    low, high = float(depth.min()), float(depth.max())
    wanted = _asked_for((depth - low) / max(1e-9, high - low), entry, anywhere=standing is not None)
    choice = edge[wanted] if wanted.any() else edge
    lost = None
    if standing is None:
        begin = _middle_of_end(choice, down, entry)
    elif shapely.contains_xy(area.first, *standing) and entry in (None, "nearest", "last-seen"):
        begin = standing
    else:
        cost = area.walkable.costs_from(standing, choice)
        if not np.isfinite(cost).any():
            cost, lost = np.hypot(*(choice - standing).T), standing
        begin = _as_xy(choice[int(np.argmin(cost))])
    return EntryPoint(
        start=None if lost is not None else start or standing,
        through=through,
        begin=begin,
        way=_way_from((float(np.dot(begin, down)) - low) / max(1e-9, high - low), entry),
        lost=lost,
        around=entry in ("top", "flank", "toe", "nearest") and standing is not None and begin != standing,
    )


def _asked_for(share: FloatArray, entry: Entry | None, *, anywhere: bool) -> BoolArray:
    """Which places along the edge are where the search is to begin, from their share of the way down the debris."""
    if entry == "toe":
        return share >= 1.0 - _END_SHARE
    if entry == "flank":
        return np.abs(share - 0.5) <= _FLANK_SHARE
    if entry == "top" or not anywhere:
        return share <= _END_SHARE
    return np.ones(share.size, np.bool_)


def _way_from(share: float, entry: Entry | None) -> Way:
    """Which way a search moves that begins at a share of the way down the debris."""
    if entry == "top":
        return "down"
    if entry == "toe":
        return "up"
    if entry == "flank":
        return "over"
    if share <= (_FROM_BELOW if entry == "last-seen" else _FROM_ABOVE):
        return "down"
    return "up" if share >= _FROM_BELOW else "over"


def _as_xy(point: FloatArray) -> XY:
    return float(point[0]), float(point[1])


def _workable_edge(area: SearchArea) -> FloatArray:
    """Points along the edge of the debris where somebody can stand, n x 2; of the lattice where the edge has none."""
    step = max(1.0, _EDGE_SHARE * math.sqrt(area.first.area) / 4.0)
    rings = [piece.exterior for piece in list_pieces(area.first)]
    edge = shapely.get_coordinates(shapely.segmentize(np.array(rings), min(step, 10.0)))
    inside = np.column_stack([area.lattice.x_m, area.lattice.y_m])
    inside = inside[np.asarray(shapely.contains_xy(area.first, inside[:, 0], inside[:, 1]))]
    for points in (edge, inside):
        blocked, west, north, cell = area.walkable.mask
        row = np.clip(np.floor((north - points[:, 1]) / cell).astype(int), 0, blocked.shape[0] - 1)
        col = np.clip(np.floor((points[:, 0] - west) / cell).astype(int), 0, blocked.shape[1] - 1)
        free = points[~blocked[row, col]]
        if len(free):
            return np.asarray(free)
    raise InputError("no-go ground and walls leave no place to stand on the outline: draw it smaller")


def _middle_of_end(choice: FloatArray, down: XY, entry: Entry | None) -> XY:
    """Without a start: the middle of the highest or lowest edge, or the western flank."""
    if entry == "flank":
        side = choice @ np.array([down[1], -down[0]])
        ends = choice[[int(side.argmin()), int(side.argmax())]]
        return _as_xy(ends[int(ends[:, 0].argmin())])
    depth = (-1.0 if entry == "toe" else 1.0) * (choice @ np.array(down))
    top = choice[depth <= depth.min() + 1e-6]
    middle = 0.5 * (top.min(axis=0) + top.max(axis=0))
    return _as_xy(choice[int(np.argmin(np.hypot(*(choice - middle).T)))])


# ---- Which part of the debris each searcher takes


@dataclass(frozen=True, kw_only=True)
class Site:
    """What one group of searchers covers, from where."""

    groups: tuple[Group, ...]
    entries: tuple[EntryPoint, ...]  # of each searcher, from left to right as the search moves
    down: XY
    falls: bool  # whether the ground has a fall line

    @property
    def searchers(self) -> int:
        """How many they are."""
        return len(self.entries)

    @property
    def entry(self) -> EntryPoint:
        """Where the first of them comes from."""
        return self.entries[0]


def direction_of(way: Way, down: XY, begin: XY, outline: Outline) -> XY:
    """Unit vector in which a search moves."""
    if way == "over":
        over = (down[1], -down[0])
        middle = outline.centroid
        ahead = (middle.x - begin[0]) * over[0] + (middle.y - begin[1]) * over[1]
        return over if ahead >= 0.0 else (-over[0], -over[1])
    return down if way == "down" else (-down[0], -down[1])


_BULGING = 0.85  # of the area of its hull: debris that fills more does not bend; design choice


def make_progress_frame(group: Group, direction: XY, strip_width_m: float) -> Frame:
    """Lanes in the direction in which the search moves; left of it q is positive.

    They bend with the debris where that takes fewer strips.
    """
    straight = make_straight_frame(group.outline, direction)
    bends = group.outline.area < _BULGING * group.outline.convex_hull.area
    bent = find_bent_frame(group.goal.lattice, strip_width_m) if bends else None
    if bent is None:
        return straight
    chord = bent.line_m[-1] - bent.line_m[0]
    ahead = float(chord @ np.array(direction))
    if abs(ahead) < math.sqrt(0.5) * float(np.hypot(*chord)):
        return straight
    if ahead < 0.0:
        bent = Frame(line_m=bent.line_m[::-1].copy(), along_m=bent.along_m[-1] - bent.along_m[::-1].copy())
    strips = [count_strips(group, frame, strip_width_m) for frame in (straight, bent)]
    return bent if strips[1] < strips[0] else straight


def count_strips(group: Group, frame: Frame, strip_width_m: float) -> int:
    """How many strips lie side by side."""
    return Strips(group, group.goal, frame, strip_width_m).least


def cut_bands(group: Group, frame: Frame, number: int, area: SearchArea, strip_width_m: float) -> list[Group]:
    """Parts of a group of about the same area side by side, from left to right in the direction of its frame."""
    lattice = group.goal.lattice
    p, q, _ = frame.pq(lattice.x_m, lattice.y_m)
    order = np.argsort(q)
    share = np.cumsum(lattice.weight_m2[order]) / lattice.weight_m2.sum()
    edges = [float(q[order][min(int(np.searchsorted(share, k / number)), q.size - 1)]) for k in range(1, number)]
    reach = float(q.max() - q.min()) + 10.0
    bounds = [float(q.min()) - reach, *edges, float(q.max()) + reach]
    beyond = float(p.max() - p.min()) + reach
    ends = float(p.min()) - beyond, float(p.max()) + beyond
    lines = [frame.lane(*ends, edge, strip_width_m) for edge in bounds]
    bands: list[list[Polygon]] = []
    left: Outline = group.outline
    for low, high in pairwise(lines):
        strip = shapely.make_valid(Polygon(np.vstack([low, high[::-1]])))
        cut = keep_areas(shapely.intersection(left, strip)) if low is not lines[-2] else keep_areas(left)
        left = keep_areas(shapely.difference(left, strip)) if low is not lines[-2] else MultiPolygon()
        bands.append(list(cut.geoms))
    bands = _without_splinters(bands, strip_width_m)
    made = [make_group(group.index, pieces, area, strip_width_m) for pieces in bands if pieces]
    return made[::-1]


def _without_splinters(bands: list[list[Polygon]], strip_width_m: float) -> list[list[Polygon]]:
    """Small pieces of a band joined to the piece beside them of another band."""
    largest = [max((piece.area for piece in band), default=0.0) for band in bands]
    kept: list[list[Polygon]] = [[] for _ in bands]
    small: list[tuple[int, Polygon]] = []
    for k, band in enumerate(bands):
        for piece in band:
            if piece.area < min(0.5 * strip_width_m**2, 0.5 * largest[k]):
                small.append((k, piece))
            else:
                kept[k].append(piece)
    for k, piece in small:
        touching = [
            (shapely.intersection(piece.buffer(0.05), other).area, j, m)
            for j, band in enumerate(kept)
            for m, other in enumerate(band)
        ]
        most, j, m = max(touching, default=(0.0, k, 0))
        if most <= 0.0:
            kept[k].append(piece)
            continue
        joined = keep_areas(shapely.union_all([kept[j][m], piece.buffer(0.01)]))
        kept[j][m : m + 1] = list(joined.geoms)
    return kept


def share_groups(groups: Sequence[Group], searchers: int) -> list[tuple[tuple[Group, ...], int]]:
    """Which groups of pieces are searched together, and by how many.

    More groups than searchers: neighbours in the order given go to one searcher, of about the same area each. Else
    each group has its searchers, by its area.
    """
    areas = np.array([group.outline.area for group in groups])
    if len(groups) >= searchers:
        share = np.cumsum(areas) - 0.5 * areas
        home = np.minimum((share / areas.sum() * searchers).astype(int), searchers - 1)
        return [
            (tuple(group for group, h in zip(groups, home.tolist(), strict=True) if h == k), 1)
            for k in range(searchers)
            if (home == k).any()
        ]
    number: IntArray = np.ones(len(groups), np.int32)
    while number.sum() < searchers:
        number[int(np.argmax(areas / number))] += 1
    return [((group,), int(n)) for group, n in zip(groups, number, strict=True)]


def cut_by_height(outline: Outline, down: XY, share: float) -> tuple[Outline, Outline]:
    """The upper part of an outline that holds about a share of its area, and the rest."""
    west, south, east, north = outline.bounds
    middle = np.array([0.5 * (west + east), 0.5 * (south + north)])
    size = math.hypot(east - west, north - south) + 1.0
    side = np.array([-down[1], down[0]])
    low, high = -size, size
    upper: Outline = outline
    for _ in range(20):
        level = 0.5 * (low + high)
        ahead = middle + level * np.array(down)
        back = middle - 2.0 * size * np.array(down)
        box = Polygon(
            [ahead - 2 * size * side, ahead + 2 * size * side, back + 2 * size * side, back - 2 * size * side]
        )
        upper = keep_areas(shapely.intersection(outline, box))
        low, high = (low, level) if upper.area > share * outline.area else (level, high)
    return upper, keep_areas(shapely.difference(outline, upper))
