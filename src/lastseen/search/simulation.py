"""Simulated searches: hidden targets, walkers that hear them, and how long it takes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lastseen.core import FloatArray, Grid, InputError
from lastseen.rescue import CURVES, Pace, range_factor
from lastseen.search import simulation_kernels
from lastseen.search.legs import WALKING, sample_walk
from lastseen.search.surface import Surface

# Coarse and fine search, probing and digging after the first signal: design choice, no source. Published times for
# digging alone spread from 11 minutes to more than 15 for a metre.
REST_OF_RESCUE_MIN = 15.0
DEPTH_M = (1.05, 0.85)  # depth of the head, mean and SD; Falk and others 1994
LEAST_RANGE_M = 1.0
WORST_SHARE = 0.25 ** (1.0 / 6.0)  # of the best range, for a transmitter across: near field of a dipole
_CELL_M = 10.0


def survival_share(minutes: FloatArray) -> FloatArray:
    """Share of fully buried people who are alive after some minutes: Falk et al. 1994, as `survival` has it."""
    curve = CURVES["falk-1994"]
    return np.asarray(np.interp(minutes, curve.minutes, curve.percent) / 100.0)


def dipole_range_m(r_max_m: float, phi_deg: float) -> float:
    """Range in a direction at an angle from a transmitter's axis: ``r_max ((1 + 3 cos^2 phi) / 4)^(1/6)``.

    Near field of a magnetic dipole, any receiver that hears all three axes.
    """
    return r_max_m * range_factor(phi_deg)


@dataclass(frozen=True, kw_only=True)
class Reception:
    """How far a buried transmitter is heard."""

    r_max_m: float  # mean of the range along the transmitter's axis, the best one
    sd_m: float = 0.0  # its standard deviation from transmitter to transmitter; no range is below 1 m
    # whether the range depends on the direction (see `dipole_range_m`); else it is ``r_max_m`` all around
    dipole: bool = True

    @classmethod
    def of_strip(cls, strip_width_m: float) -> Reception:
        """Half the strip is the range in the worst direction; one tenth spread (design choice, no source)."""
        best = 0.5 * strip_width_m / WORST_SHARE
        return cls(r_max_m=best, sd_m=0.1 * best)


@dataclass(frozen=True, kw_only=True)
class Targets:
    """Buried transmitters."""

    xyz_m: FloatArray  # shape (n, 3)
    axis: FloatArray  # shape (n, 3); unit vectors, any orientation alike
    range_m: FloatArray  # shape (n,); along the axis
    dipole: bool  # see `Reception`
    share: float = 1.0  # of all that could be looked for; the others lie where no search goes


@dataclass(frozen=True, kw_only=True)
class Trial:
    """One layout, searched for many targets."""

    words: str  # what was tried
    # 10th, 50th and 90th percentile of the time to the first signal among the targets that are heard, from the first
    # step of the first searcher on the debris; NaN where none is
    first_signal_s: tuple[float, float, float]
    approach_s: float  # until that step, since they set out
    pod: float  # share of the targets that are heard
    # chance of being found alive: survival at the first signal, approach included, plus a fixed time for the rest of
    # the rescue, 0 for targets that are not heard
    alive: float
    walk_m: float  # all searchers together, on the snow, approaches included
    slowest_s: float  # when the last searcher ends, since they set out
    coverage: float  # measured, of the outline
    steep_m: float = math.nan  # map length of the walk steeper than 35 degrees, approaches not counted
    against: str = ""  # why it is none of those that the first was chosen from


def hide_targets(
    surface: Surface,
    places: tuple[FloatArray, FloatArray, FloatArray, float],
    reception: Reception,
    draws: int,
    generator: np.random.Generator,
    *,
    share: float = 1.0,
) -> Targets:
    """Draw targets: place by weight, any orientation, depth (Falk and others 1994) and range.

    Parameters
    ----------
    places : x, y, weight, spacing
        Points with a weight, and the side of the square around each in which a target may lie.
    share : float
        What the weights lack of 1 is taken to lie where no search goes.
    """
    x, y, weight, spacing = places
    total = np.cumsum(weight)
    u = (np.arange(draws) + generator.random(draws)) / draws
    k = np.minimum(np.searchsorted(total, u * total[-1], side="right"), x.size - 1)
    at_x, at_y = (v[k] + spacing * (generator.random(draws) - 0.5) for v in (x, y))
    return bury(surface, at_x, at_y, reception, generator, share=share)


def bury(
    surface: Surface,
    at_x: FloatArray,
    at_y: FloatArray,
    reception: Reception,
    generator: np.random.Generator,
    *,
    share: float = 1.0,
) -> Targets:
    """Targets at given places: any orientation, depth (Falk and others 1994) and range."""
    draws = at_x.size
    depth = np.maximum(0.0, generator.normal(*DEPTH_M, draws))
    axis = generator.normal(size=(draws, 3))
    axis /= np.linalg.norm(axis, axis=1)[:, None]
    range_m = np.maximum(LEAST_RANGE_M, generator.normal(reception.r_max_m, reception.sd_m, draws))
    z = surface.z(at_x, at_y) - (depth if reception.dipole else 0.0)
    xyz_m = np.column_stack([at_x, at_y, z])
    return Targets(xyz_m=xyz_m, axis=axis, range_m=range_m, dipole=reception.dipole, share=share)


def list_poa_places(poa: Grid) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Cells of a probability of area as places to draw from.

    Raises
    ------
    InputError
        If nothing in it is above 0.
    """
    value = np.where(np.isfinite(poa.values), poa.values, 0.0)
    row, col = np.nonzero(value > 0.0)
    if row.size == 0:
        raise InputError("the probability of area is 0 everywhere: give a density with something in it, or none")
    x, y = poa.centre_of(row, col)
    return x, y, np.asarray(value[row, col], dtype=np.float64), poa.cell_m


@dataclass(frozen=True, kw_only=True)
class Way:
    """What one searcher walks: the search, and before it an approach on which nobody listens."""

    corners: FloatArray  # shape (n, 2); of the search
    approach_m: float = 0.0  # on the snow
    approach_s: float = 0.0
    paces: tuple[Pace, ...] = ()  # of each leg of the search; on foot where there are none


@dataclass(frozen=True, kw_only=True)
class Stretches:
    """Walks in stretches of a few metres: ends (n x 3), times, and for each walk its length and when it ends."""

    start_m: FloatArray
    end_m: FloatArray
    begun_s: FloatArray
    done_s: FloatArray
    length_m: float
    slowest_s: float


def cut_into_stretches(
    walks: Sequence[FloatArray],
    surface: Surface,
    begin_s: Sequence[float] = (),
    paces: Pace | Sequence[Sequence[Pace]] = WALKING,
) -> Stretches:
    """Walks (corners n x 2 each) on the snow, in the order of the time at which a stretch begins.

    Each walk begins at its time of ``begin_s``; without them all set out at 0 s. ``paces`` is one for all, or one for
    each leg of each walk.
    """
    starts, ends, begun, done = [np.zeros((0, 3))], [np.zeros((0, 3))], [np.zeros(0)], [np.zeros(0)]
    for k, (points, begin) in enumerate(zip(walks, begin_s or [0.0] * len(walks), strict=True)):
        if len(points) > 1:
            walk = sample_walk(points, surface, paces if isinstance(paces, Pace) else paces[k])
            xyz = np.column_stack([walk.x_m, walk.y_m, walk.z_m])
            starts.append(xyz[:-1])
            ends.append(xyz[1:])
            begun.append(walk.forth_s[:-1] + begin)
            done.append(walk.forth_s[1:] + begin)
    start_m, end_m, begun_s, done_s = (np.concatenate(parts) for parts in (starts, ends, begun, done))
    order = np.argsort(begun_s, kind="stable")
    return Stretches(
        start_m=start_m[order],
        end_m=end_m[order],
        begun_s=begun_s[order],
        done_s=done_s[order],
        length_m=float(np.linalg.norm(end_m - start_m, axis=1).sum()),
        slowest_s=float(done_s.max(initial=0.0)),
    )


def first_signals_s(walks: Sequence[FloatArray] | Stretches, surface: Surface, targets: Targets) -> FloatArray:
    """Time at which each target is first heard by any of the walkers (corners n x 2 each); infinite where never."""
    way = walks if isinstance(walks, Stretches) else cut_into_stretches(walks, surface)
    out = np.full(len(targets.xyz_m), np.inf)
    if way.begun_s.size == 0:
        return out
    west, south = targets.xyz_m[:, 0].min() - 1.0, targets.xyz_m[:, 1].min() - 1.0
    cols, rows = (int((targets.xyz_m[:, i].max() - low) / _CELL_M) + 2 for i, low in ((0, west), (1, south)))
    lattice = (west, south, _CELL_M, rows, cols)
    first, listed = simulation_kernels.reach_lists(way.start_m, way.end_m, *lattice, float(targets.range_m.max()))
    simulation_kernels.first_signal(
        way.start_m, way.end_m, way.begun_s, way.done_s, first, listed, *lattice, targets.xyz_m, targets.axis,
        targets.range_m, int(targets.dipole), out,
    )  # fmt: skip
    return out


def simulate_search(
    words: str,
    ways: Sequence[Way],
    surface: Surface,
    targets: Targets,
    *,
    coverage: float = math.nan,
) -> Trial:
    """Search for all targets along the ways of some searchers; only what they do on the debris hears anything."""
    busy = [way for way in ways if len(way.corners) > 1]
    first_s = min((way.approach_s for way in busy), default=0.0)
    walked = cut_into_stretches(
        [way.corners for way in busy],
        surface,
        [way.approach_s - first_s for way in busy],
        [way.paces or (WALKING,) * (len(way.corners) - 1) for way in busy],
    )
    signal = first_signals_s(walked, surface, targets)
    heard = np.isfinite(signal)
    minutes = (np.where(heard, signal, 0.0) + first_s) / 60.0 + REST_OF_RESCUE_MIN
    p10, p50, p90 = np.percentile(signal[heard], (10, 50, 90)).tolist() if heard.any() else (math.nan,) * 3
    return Trial(
        words=words,
        first_signal_s=(p10, p50, p90),
        approach_s=first_s,
        pod=targets.share * float(heard.mean()),
        alive=targets.share * float(np.where(heard, survival_share(minutes), 0.0).mean()),
        walk_m=walked.length_m + sum(way.approach_m for way in busy),
        slowest_s=first_s + walked.slowest_s,
        coverage=coverage,
    )
