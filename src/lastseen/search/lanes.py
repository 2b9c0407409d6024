"""Lanes of one group: strips cut to the outline, more of them where the ground asks for it, none longer than needed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from scipy import ndimage
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lastseen.grid import BoolArray, FloatArray
from lastseen.search.frame import Group, long_axis
from lastseen.search.runs import EXTRA, Run, Sight, valid_stretches
from lastseen.search.spine import with_spines

_TRIED_COUNTS = 3
_MOST_EXTRA_RUNS = 200
_PULL_STEPS = 7
_LOST_BY_DROPPING = 0.1


@dataclass(frozen=True)
class Placed:
    """The lanes of one group, not yet in walking order.

    Attributes
    ----------
    runs : tuple of Run
        Lanes and extra runs.
    strips_added : int
        How many strips more than the width on the snow asks for.
    enough : bool
        Whether the lanes alone cover each piece as wanted.
    """

    runs: tuple[Run, ...]
    strips_added: int
    enough: bool


def place_lanes(index: int, sight: Sight, strip_width_m: float) -> Placed:
    """The layout of a group that takes the shortest walk among a few numbers of strips."""
    axis = _axis_run(index, sight.group, strip_width_m)
    if axis is not None:
        return _finished([axis], sight, strip_width_m, 0)
    profile = _surface_profile(sight.group)
    least = max(1, math.ceil(profile[1][-1] / strip_width_m - 1e-9))
    made = []
    for added in range(_TRIED_COUNTS):
        runs = _strips(index, sight.group, profile, least + added, strip_width_m)
        made.append(_finished(runs, sight, strip_width_m, added))
        if made[-1].enough and not any(run.band == EXTRA for run in made[-1].runs):
            break
    return min(made, key=lambda p: (not p.enough, sum(run.plan_m + strip_width_m for run in p.runs)))


def _axis_run(index: int, group: Group, strip_width_m: float) -> Run | None:
    """One run along the axis of a group that is thinner than a strip."""
    axis, middle, length, width = long_axis(group.outline)
    su, sv = group.slope_uv
    frame = group.frame
    n = (-axis[1], axis[0])
    slope = su * (n[0] * frame.along[0] + n[1] * frame.along[1]) + sv * (n[0] * frame.over[0] + n[1] * frame.over[1])
    if width * float(np.sqrt(1.0 + slope**2).max()) > strip_width_m:
        return None
    half = 0.5 * length
    start = (middle[0] - half * axis[0], middle[1] - half * axis[1])
    end = (middle[0] + half * axis[0], middle[1] + half * axis[1])
    return Run(index, 0, start, end, (-half, half))


def _surface_profile(group: Group) -> tuple[FloatArray, FloatArray]:
    """Map position v and distance on the snow along v, from one edge of the group to the other."""
    s = group.samples
    _, v = group.frame.uv(s.xyz_m[0], s.xyz_m[1])
    _, v0, _, v1 = group.frame.turned(group.outline).bounds
    bins = max(1, min(400, int((v1 - v0) / (2.0 * s.spacing_m))))
    edges = np.linspace(v0, v1, bins + 1)
    k = np.clip(np.searchsorted(edges, v, side="right") - 1, 0, bins - 1)
    weight = np.bincount(k, minlength=bins).astype(np.float64)
    stretch = np.bincount(k, weights=np.sqrt(1.0 + group.slope_uv[1] ** 2), minlength=bins)
    full = np.flatnonzero(weight > 0.0)
    mean = np.interp(np.arange(bins), full, stretch[full] / weight[full])
    return edges, np.concatenate([[0.0], np.cumsum(mean * np.diff(edges))])


def _strips(
    index: int, group: Group, profile: tuple[FloatArray, FloatArray], count: int, strip_width_m: float
) -> list[Run]:
    """One run per stretch of outline in each of ``count`` strips that are equally wide on the snow."""
    v_of, on_snow = profile
    width = on_snow[-1] / count
    edges = np.interp(np.arange(count + 1) * width, on_snow, v_of)
    middles = np.interp((np.arange(count) + 0.5) * width, on_snow, v_of)
    turned = group.frame.turned(group.outline)
    u0, _, u1, _ = turned.bounds
    boxes = [shapely.box(u0 - 1.0, low, u1 + 1.0, high) for low, high in pairwise(edges)]
    cuts = [turned.intersection(box) for box in boxes]
    runs = []
    for band, middle in enumerate(middles):
        for a, b in _stretches(cuts[band], strip_width_m):
            start, end = (group.frame.xy(u, float(middle)) for u in (a, b))
            runs.append(Run(index, band, start, end, (a, b)))
    return runs


def _stretches(cut: BaseGeometry, gap_m: float) -> list[tuple[float, float]]:
    """Intervals along u of the parts of a cut strip; gaps up to ``gap_m`` are walked across."""
    parts = [p for p in shapely.get_parts(shapely.get_parts(cut)) if isinstance(p, Polygon) and p.area > 0.0]
    merged: list[tuple[float, float]] = []
    for a, b in sorted((p.bounds[0], p.bounds[2]) for p in parts):
        if merged and a - merged[-1][1] <= gap_m:
            merged[-1] = (merged[-1][0], max(merged[-1][1], b))
        else:
            merged.append((a, b))
    return merged


def _finished(runs: list[Run], sight: Sight, strip_width_m: float, added: int) -> Placed:
    """Extra runs where coverage is short, runs dropped that are not needed, ends pulled in."""
    on_ground = [part for run in runs for part in valid_stretches(run, sight.surface)]
    full, masks = _with_extra_runs(on_ground, sight)
    kept, masks = _without_idle_runs(full, masks, sight)
    pulled, masks = _pulled_in(kept, masks, sight, 0.25 * strip_width_m)
    lanes = with_spines(pulled, sight, strip_width_m)
    return Placed(tuple(lanes), added, sight.enough(np.asarray(masks.any(axis=0))))


def _with_extra_runs(runs: list[Run], sight: Sight) -> tuple[list[Run], BoolArray]:
    """Add short straight runs through the largest left-over pieces until each piece is covered enough."""
    runs, masks = list(runs), sight.masks(runs)
    covered = np.asarray(masks.any(axis=0))
    hopeless = np.zeros_like(covered)
    extra: list[BoolArray] = []
    for _ in range(_MOST_EXTRA_RUNS):
        left = sight.short_pieces(covered) & ~covered & ~hopeless
        if not left.any():
            break
        cluster = _largest_cluster(left, sight.group)
        for run in _runs_through(cluster, sight.group, runs[0].group if runs else 0):
            parts = valid_stretches(run, sight.surface)
            seen = [sight.mask(part) for part in parts]
            if any((m & cluster).any() for m in seen):
                runs += parts
                extra += seen
                covered |= np.any(seen, axis=0)
                break
        else:
            hopeless |= cluster
    return runs, np.concatenate([masks, np.array(extra, dtype=np.bool_).reshape(len(extra), -1)]) if extra else masks


def _largest_cluster(left: BoolArray, group: Group) -> BoolArray:
    """The connected left-over samples that stand for the most area."""
    s = group.samples
    row, col = s.row[left] - s.row.min(), s.col[left] - s.col.min()
    lattice = np.zeros((int(row.max()) + 1, int(col.max()) + 1), dtype=np.bool_)
    lattice[row, col] = True
    label = ndimage.label(lattice, structure=np.ones((3, 3)))[0][row, col]
    chosen = np.zeros_like(left)
    chosen[np.flatnonzero(left)] = label == np.bincount(label, weights=s.weight_m2[left]).argmax()
    return chosen


def _runs_through(cluster: BoolArray, group: Group, index: int) -> list[Run]:
    """A run along the longer side of a cluster, and in reserve a short one through its middle sample."""
    s = group.samples
    u, v = group.frame.uv(s.xyz_m[0, cluster], s.xyz_m[1, cluster])
    lo, hi = np.array([u.min(), v.min()]), np.array([u.max(), v.max()])
    middle = 0.5 * (lo + hi)
    half = np.maximum(0.5 * (hi - lo), 0.5 * s.spacing_m)
    axis = 0 if half[0] >= half[1] else 1
    k = int(np.hypot(u - middle[0], v - middle[1]).argmin())
    made = []
    for centre, reach in ((middle, half[axis]), (np.array([u[k], v[k]]), 0.5 * s.spacing_m)):
        step = np.zeros(2)
        step[axis] = reach
        a, b = centre - step, centre + step
        start, end = group.frame.xy(float(a[0]), float(a[1])), group.frame.xy(float(b[0]), float(b[1]))
        made.append(Run(index, EXTRA, start, end, (float(lo[0]), float(hi[0]))))
    return made


def _without_idle_runs(runs: list[Run], masks: BoolArray, sight: Sight) -> tuple[list[Run], BoolArray]:
    """Drop runs, the least useful first, as long as next to nothing is lost and each piece stays covered enough.

    A dropped run leaves one hole; the little that may stay uncovered is better spread over the lane ends.
    """
    left = _LOST_BY_DROPPING * (1.0 - sight.wanted) * float(sight.group.samples.weight_m2.sum())
    weight, count = sight.group.samples.weight_m2, masks.sum(axis=0)
    alone = [float((weight * (mask & (count == 1))).sum()) for mask in masks]
    kept = list(range(len(runs)))
    for k in sorted(kept, key=lambda i: (alone[i], i)):
        after = count - masks[k]
        lost = float(weight[(count > 0) & (after == 0)].sum())
        if len(kept) > 1 and lost <= left and sight.enough(after > 0):
            count, left = after, left - lost
            kept.remove(k)
    return [runs[k] for k in kept], masks[kept]


def _pulled_in(runs: list[Run], masks: BoolArray, sight: Sight, least_m: float) -> tuple[list[Run], BoolArray]:
    """Pull the ends of the runs in, the longest pull first, as far as no sample is lost."""
    count = masks.sum(axis=0)
    ends = [(k, side) for k in range(len(runs)) for side in (0, 1)]
    gain = {end: _pull_m(runs[end[0]], end[1], masks[end[0]] & (count == 1), sight, least_m) for end in ends}
    for k, side in sorted(ends, key=lambda end: (-gain[end], end)):
        pull = _pull_m(runs[k], side, masks[k] & (count == 1), sight, least_m)
        if pull <= 0.0:
            continue
        runs[k] = _pull(runs[k], side, pull)
        mask = sight.mask(runs[k])
        count = count - masks[k] + mask
        masks[k] = mask
    return runs, masks


def _pull_m(run: Run, side: int, needed: BoolArray, sight: Sight, least_m: float) -> float:
    """How far one end can be pulled in without losing a needed sample, by halving."""
    low, high = 0.0, max(0.0, run.plan_m - least_m)
    if high <= 0.0 or bool(sight.mask(_pull(run, side, high), needed).all()):
        return high
    for _ in range(_PULL_STEPS):
        middle = 0.5 * (low + high)
        if bool(sight.mask(_pull(run, side, middle), needed).all()):
            low = middle
        else:
            high = middle
    return low


def _pull(run: Run, side: int, pull_m: float) -> Run:
    """The run with one end pulled in."""
    return run.pulled(pull_m, 0.0) if side == 0 else run.pulled(0.0, pull_m)
