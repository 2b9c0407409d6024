"""A bent outline that is thinner than a strip: lanes along its bent axis instead of many short ones across it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely import LineString

from lastseen.grid import FloatArray
from lastseen.search.route import chains_of, plan_length_m, ways_of
from lastseen.search.runs import Run, Sight, valid_stretches

_BEND = 0.1
_LONGER = (0.0, 0.25, 0.5)


def with_spines(runs: Sequence[Run], sight: Sight, strip_width_m: float) -> list[Run]:
    """Replace chains of short lanes by straight parts of their axis wherever that is shorter and covers as much.

    Parameters
    ----------
    runs : sequence of Run
        Lanes of one group.
    sight : Sight
        What they have to cover.
    strip_width_m : float
        On the snow, metres.

    Returns
    -------
    list of Run
        With ``bent`` set on the parts of an axis.
    """
    lanes = list(runs)
    for chain in chains_of(runs):
        if len(chain) < 3 or max(run.plan_m for run in chain) > strip_width_m:
            continue
        shortest = min(plan_length_m(way) for way in ways_of(chain))
        for longer in _LONGER:
            parts = _spine(chain, sight, strip_width_m, longer * strip_width_m)
            if sum(run.plan_m for run in parts) > shortest:
                break
            tried = [run for run in lanes if run not in chain] + parts
            on_ground = all(len(found := valid_stretches(r, sight.surface)) == 1 and found[0] is r for r in parts)
            if on_ground and sight.enough(np.asarray(sight.masks(tried).any(axis=0))):
                lanes = tried
                break
    return lanes


def _spine(chain: Sequence[Run], sight: Sight, strip_width_m: float, longer_m: float) -> list[Run]:
    """Straight parts through the middles of the strips, with the bends that matter."""
    frame = sight.group.frame
    middles = []
    for run in chain:
        _, v = frame.uv(np.array([run.start[0]]), np.array([run.start[1]]))
        middles.append(frame.xy(0.5 * (run.reach_m[0] + run.reach_m[1]), float(v[0])))
    points = _longer(np.array(middles), longer_m)
    axis = shapely.get_coordinates(LineString(points).simplify(_BEND * strip_width_m))
    return [
        replace(chain[0], band=chain[0].band + k, start=(a[0], a[1]), end=(b[0], b[1]), reach_m=(0.0, 1.0), bent=True)
        for k, (a, b) in enumerate(zip(axis[:-1].tolist(), axis[1:].tolist(), strict=True))
    ]


def _longer(points: FloatArray, longer_m: float) -> FloatArray:
    """A line with both ends moved outward along their parts."""
    out = points.copy()
    for end, next_to in ((0, 1), (-1, -2)):
        step = points[end] - points[next_to]
        out[end] = points[end] + longer_m * step / max(1e-9, float(np.hypot(step[0], step[1])))
    return out
