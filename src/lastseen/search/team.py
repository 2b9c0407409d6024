"""Who walks which lane."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from lastseen.grid import FloatArray
from lastseen.search.frame import XY, Group
from lastseen.search.legs import walk_over
from lastseen.search.route import chains_of, insert_run, order_chains, plan_length_m
from lastseen.search.runs import EXTRA, Run
from lastseen.search.surface import Surface

IntpArray = npt.NDArray[np.intp]


def one_walk(runs: Sequence[Run], start: XY, down: XY, loose_m: float) -> list[Run]:
    """The walk of one searcher over all lanes; single lanes shorter than ``loose_m`` go where they cost least."""
    groups = sorted({run.group for run in runs})
    chains = [chain for g in groups for chain in chains_of([run for run in runs if run.group == g])]
    loose = [chain[0] for chain in chains if len(chain) == 1 and chain[0].plan_m < loose_m]
    if len(loose) < len(chains):
        chains = [chain for chain in chains if chain[0] not in loose]
    else:
        loose = []
    walk = order_chains(chains, start, down, 0.5 * loose_m)
    for run in [*loose, *(run for run in runs if run.band == EXTRA)]:
        walk = insert_run(walk, run, start)[1]
    return walk


def blocks(walk: Sequence[Run], searchers: int, start: XY, surface: Surface) -> list[list[Run]]:
    """Cut one walk into contiguous blocks so that the slowest searcher is as fast as can be.

    Times are walking times with the approach. Searchers beyond the number of lanes get none.
    """
    n, used = len(walk), min(searchers, len(walk))
    cost = _block_times_s(walk, start, surface)
    best = cost[0]
    cuts: list[IntpArray] = []
    for _ in range(1, used):
        slowest = np.maximum(np.concatenate([[np.inf], best[:-1]])[:, None], cost)
        cuts.append(slowest.argmin(axis=0))
        best = slowest.min(axis=0)
    parts: list[list[Run]] = []
    last = n - 1
    for cut in reversed(cuts):
        first = int(cut[last])
        parts.insert(0, list(walk[first : last + 1]))
        last = first - 1
    parts.insert(0, list(walk[: last + 1]))
    turned = [_nearer_way(part, start) for part in parts]
    return turned + [[] for _ in range(searchers - used)]


def _block_times_s(walk: Sequence[Run], start: XY, surface: Surface) -> FloatArray:
    """Time of the block from lane i to lane j with its approach, shape (lanes, lanes); infinite where j < i."""
    lane = [walk_over(run.start, run.end, surface).time_s for run in walk]
    join = [walk_over(a.end, b.start, surface).time_s for a, b in pairwise(walk)]
    approach = np.array([walk_over(start, run.start, surface).time_s for run in walk])
    done = np.cumsum(np.array(lane) + np.array([0.0, *join]))
    begun = done - np.array(lane)
    times = approach[:, None] + done[None, :] - begun[:, None]
    return np.where(np.tri(len(walk), k=-1, dtype=np.bool_), np.inf, times)


def _nearer_way(part: list[Run], start: XY) -> list[Run]:
    """The block, or the block with every lane walked the other way, whichever is shorter with its approach."""
    other = [run.turned() for run in part]
    here, there = (math.dist(start, way[0].start) + plan_length_m(way) for way in (part, other))
    return other if there < here - 1e-6 else part


def sweeps(
    runs: Sequence[Run], groups: Sequence[Group], searchers: int, start: XY, down: XY
) -> tuple[list[list[Run]], int]:
    """Searchers abreast: sweep j takes strips jN to jN + N - 1.

    The direction of a sweep is the one that is reached with fewer metres, which mostly alternates. A sweep with
    fewer strips than searchers goes to those who would be done first, in their order from side to side.

    Returns
    -------
    walks : list of list of Run
        By searcher.
    idle : int
        Searchers without a lane in the last sweep.
    """
    walks: list[list[Run]] = [[] for _ in range(searchers)]
    here, idle = start, 0
    left = sorted({run.group for run in runs})
    while left:
        members = {g: [r for r in runs if r.group == g and r.band != EXTRA] for g in left}
        nearest = min(left, key=lambda g: (min(math.dist(here, p) for r in members[g] for p in (r.start, r.end)), g))
        left.remove(nearest)
        if members[nearest]:
            here, idle = _sweep_group(members[nearest], groups[nearest], walks, here, down)
    for run in (run for run in runs if run.band == EXTRA):
        _give_to_cheapest(run, walks, start)
    return walks, idle


def _sweep_group(runs: Sequence[Run], group: Group, walks: list[list[Run]], here: XY, down: XY) -> tuple[XY, int]:
    """Add the sweeps of one group to the walks; return where the last one ends and how many had no lane in it."""
    bands = sorted({run.band for run in runs})
    by_band = {b: sorted((r for r in runs if r.band == b), key=lambda r: r.reach_m) for b in bands}

    def away(band: int) -> float:
        return min(math.dist(here, p) for r in by_band[band] for p in (r.start, r.end))

    if away(bands[-1]) < away(bands[0]) - 1e-6:
        bands.reverse()
    n, idle, first = len(walks), 0, not any(walks)
    for j in range(0, len(bands), n):
        sweep = bands[j : j + n]
        lanes = [_both_ways(by_band[band]) for band in sweep]
        team = _team_for(lanes, walks)
        way = _first_way(lanes, here, group, down) if first else _cheaper_way(lanes, walks, team, here)
        for k, lane in zip(team, lanes, strict=True):
            walks[k] += lane[way]
            here = walks[k][-1].end
        first, idle = False, n - len(sweep)
    return here, idle


def _both_ways(lane: list[Run]) -> tuple[list[Run], list[Run]]:
    """The runs of one strip, walked one way and the other."""
    return lane, [run.turned() for run in reversed(lane)]


def _team_for(lanes: Sequence[tuple[list[Run], list[Run]]], walks: Sequence[list[Run]]) -> list[int]:
    """Who takes the strips of a sweep: all, or those who would be done first, in their order from side to side."""
    if len(lanes) == len(walks):
        return list(range(len(walks)))
    near = [p for lane in lanes for p in (lane[0][0].start, lane[0][-1].end)]

    def done_m(k: int) -> float:
        walk = walks[k]
        return plan_length_m(walk) + min(math.dist(walk[-1].end, p) for p in near) if walk else 0.0

    return sorted(sorted(range(len(walks)), key=lambda k: (round(done_m(k), 6), k))[: len(lanes)])


def _first_way(lanes: Sequence[tuple[list[Run], list[Run]]], here: XY, group: Group, down: XY) -> int:
    """From the top when the searchers stand above the middle of the group, else from the toe."""
    middle = group.outline.centroid
    above = (here[0] - middle.x) * down[0] + (here[1] - middle.y) * down[1] <= 0.0
    fall = sum(
        (lane[0][-1].end[0] - lane[0][0].start[0]) * down[0] + (lane[0][-1].end[1] - lane[0][0].start[1]) * down[1]
        for lane in lanes
    )
    return 0 if above == (fall >= 0.0) else 1


def _cheaper_way(
    lanes: Sequence[tuple[list[Run], list[Run]]], walks: Sequence[list[Run]], team: Sequence[int], here: XY
) -> int:
    """The direction of a sweep that is reached with fewer metres from where the searchers are."""
    costs = [
        sum(
            math.dist(walks[k][-1].end if walks[k] else here, lane[way][0].start)
            for k, lane in zip(team, lanes, strict=True)
        )
        for way in (0, 1)
    ]
    return 0 if costs[0] <= costs[1] else 1


def _give_to_cheapest(run: Run, walks: list[list[Run]], start: XY) -> None:
    """Put an extra run into the walk that is shortest with it."""
    tried = [
        (plan_length_m(walk) + cost, k, new)
        for k, walk in enumerate(walks)
        for cost, new in [insert_run(walk, run, start)]
    ]
    _, k, new = min(tried, key=lambda t: (t[0], t[1]))
    walks[k] = new
