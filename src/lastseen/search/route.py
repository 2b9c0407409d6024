"""The order in which lanes are walked: switchbacks in chains, chains by nearest neighbour."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from lastseen.search.frame import XY
from lastseen.search.runs import EXTRA, Run

Way = tuple[Run, ...]
Option = tuple[Way, float]
_MOST_IMPROVED = 12
_FIRST_OPTIONS_TRIED = 6
_MOST_MOVES = 12


def chains_of(runs: Sequence[Run]) -> list[Way]:
    """Lanes of one group that follow each other as switchbacks.

    Lanes of neighbouring strips whose stretches of outline overlap are linked; a chain ends where the outline
    forks, closes around a hole, or stops.
    """
    main = sorted((r for r in runs if r.band != EXTRA), key=lambda r: (r.band, r.reach_m))
    after: list[list[int]] = [[] for _ in main]
    before: list[list[int]] = [[] for _ in main]
    for i, a in enumerate(main):
        for j in range(i + 1, len(main)):
            b = main[j]
            overlap = min(a.reach_m[1], b.reach_m[1]) - max(a.reach_m[0], b.reach_m[0])
            if b.band == a.band + 1 and overlap > 0.0:
                after[i].append(j)
                before[j].append(i)
    chains = []
    for i in range(len(main)):
        if len(before[i]) == 1 and len(after[before[i][0]]) == 1:
            continue
        chain = [i]
        while len(after[chain[-1]]) == 1 and len(before[after[chain[-1]][0]]) == 1:
            chain.append(after[chain[-1]][0])
        chains.append(tuple(main[k] for k in chain))
    return chains


def ways_of(chain: Way) -> list[Way]:
    """The four ways (two for a single lane or a bent axis) to walk a chain."""
    if chain[0].bent:
        return [chain, tuple(run.turned() for run in reversed(chain))]
    orders = (chain, chain[::-1]) if len(chain) > 1 else (chain,)
    return [
        tuple(run if k % 2 == first else run.turned() for k, run in enumerate(order))
        for order in orders
        for first in (0, 1)
    ]


def plan_length_m(way: Sequence[Run]) -> float:
    """Map length of a walk: lanes and the joins between them."""
    lanes = sum(run.plan_m for run in way)
    return lanes + sum(math.dist(a.end, b.start) for a, b in pairwise(way))


def order_chains(chains: Sequence[Way], start: XY, down: XY, near_m: float) -> list[Run]:
    """One walk over all chains: from chain to chain by nearest neighbour, the best of a few first chains.

    It begins in the group nearest to the start: at the top of the group when the start lies above its middle, else
    at its toe (within ``near_m`` down the fall line).
    """
    options = [[(way, plan_length_m(way)) for way in ways_of(chain)] for chain in chains]
    walks = []
    for k, option in _first_options(options, start, down, near_m)[:_FIRST_OPTIONS_TRIED]:
        order = _by_nearest(option, options[:k] + options[k + 1 :])
        walk = _improved(order) if len(order) <= _MOST_IMPROVED else [run for _, (way, _) in order for run in way]
        walks.append((math.dist(start, walk[0].start) + plan_length_m(walk), walk))
    return min(walks, key=lambda w: w[0])[1] if walks else []


def _first_options(options: Sequence[list[Option]], start: XY, down: XY, near_m: float) -> list[tuple[int, Option]]:
    """Chains and ways that a walk may begin with, the nearest first."""

    def depth(p: XY) -> float:
        return p[0] * down[0] + p[1] * down[1]

    if not options:
        return []
    entries = [(math.dist(start, option[0][0].start), k, option) for k, o in enumerate(options) for option in o]
    group = min(entries, key=lambda e: (e[0], e[1]))[2][0][0].group
    ends = [depth(p) for o in options for r in o[0][0] if r.group == group for p in (r.start, r.end)]
    sign = 1.0 if depth(start) <= 0.5 * (min(ends) + max(ends)) else -1.0
    here = [e for e in entries if e[2][0][0].group == group]
    best = min(sign * depth(option[0][0].start) for _, _, option in here)
    chosen = [e for e in here if sign * depth(e[2][0][0].start) <= best + near_m]
    return [(k, option) for _, k, option in sorted(chosen, key=lambda e: (e[0], e[1]))]


def _by_nearest(first: Option, others: list[list[Option]]) -> list[tuple[list[Option], Option]]:
    """Go on from a first chain, always to the chain that costs least to reach and to walk from that end.

    Returns each chain's options with the one that is taken.
    """
    order, left = [([first], first)], list(others)
    while left:
        here = order[-1][1][0][-1].end
        costs = []
        for k, options in enumerate(left):
            shortest = min(length for _, length in options)
            costs += [
                (math.dist(here, way[0].start) + length - shortest, k, j) for j, (way, length) in enumerate(options)
            ]
        _, k, j = min(costs)
        options = left.pop(k)
        order.append((options, options[j]))
    return order


def _improved(order: list[tuple[list[Option], Option]]) -> list[Run]:
    """Move single chains to where they cost less until nothing is gained; the first one stays first."""
    best = _order_length_m(order)
    for _ in range(_MOST_MOVES):
        found = None
        for k in range(1, len(order)):
            rest = order[:k] + order[k + 1 :]
            for option in order[k][0]:
                for place in range(1, len(order)):
                    tried = [*rest[:place], (order[k][0], option), *rest[place:]]
                    length = _order_length_m(tried)
                    if length < best - 1e-6:
                        best, found = length, tried
        if found is None:
            break
        order = found
    return [run for _, (way, _) in order for run in way]


def _order_length_m(order: list[tuple[list[Option], Option]]) -> float:
    """Map length of chains in an order with the joins between them."""
    joins = sum(math.dist(a[1][0][-1].end, b[1][0][0].start) for a, b in pairwise(order))
    return joins + sum(length for _, (_, length) in order)


def insert_run(walk: list[Run], run: Run, start: XY) -> tuple[float, list[Run]]:
    """The walk with one more run where that costs least map metres; the first run stays the first."""
    best: tuple[float, list[Run]] | None = None
    for k in range(min(1, len(walk)), len(walk) + 1):
        for candidate in (run, run.turned()):
            here = walk[k - 1].end if k else start
            cost = math.dist(here, candidate.start) + run.plan_m
            if k < len(walk):
                cost += math.dist(candidate.end, walk[k].start) - math.dist(here, walk[k].start)
            if best is None or cost < best[0] - 1e-9:
                best = (cost, [*walk[:k], candidate, *walk[k:]])
    return best if best is not None else (run.plan_m, [run])
