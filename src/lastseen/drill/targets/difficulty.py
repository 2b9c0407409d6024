"""How hard a layout of targets is: numbers, no grade."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from lastseen.drill.planned import Planned
from lastseen.drill.targets.model import Difficulty, Target
from lastseen.grid import BoolArray, FloatArray
from lastseen.search.surface import Surface
from lastseen.search.trial import Reception, Targets
from lastseen.search.trial.simulate import LEAST_RANGE_M, first_signals_s, stretches_of

_DRAWS = 200  # of the range, for the spread between transmitters
_SAMPLES = 61  # across the greatest range, each way


def difficulty_of(targets: Sequence[Target], plan: Planned, seed: int) -> tuple[Difficulty, ...]:
    """Numbers of each target: time to first signal of the planned walk, overlap, distance to the next, depth.

    The range in the worst direction is half the plan's strip, with a tenth of spread from transmitter to transmitter
    (`Reception.of_strip`); direction and depth count.
    """
    real = [one for one in targets if one.what == "target"]
    reception, surface = Reception.of_strip(plan.strip_width_m), plan.surface
    generator = np.random.default_rng([seed, 1])
    walks = stretches_of(plan.walks(), surface)
    found = []
    for one in real:
        ranges = np.maximum(LEAST_RANGE_M, generator.normal(reception.r_max_m, reception.sd_m, _DRAWS))
        place, axis = (np.tile(part, (_DRAWS, 1)) for part in (place_m(one), axis_of(one)))
        hidden = Targets(place, axis, ranges, dipole=True)
        times = first_signals_s(walks, surface, hidden)
        heard = times[np.isfinite(times)]
        p10, p50, p90 = np.percentile(heard, (10, 50, 90)).tolist() if heard.size else (math.nan,) * 3
        others = [other for other in real if other is not one]
        near = min((math.dist(place_m(one), place_m(other)) for other in others), default=math.inf)
        overlap = overlap_share(one, others, surface, reception.r_max_m)
        found.append(Difficulty(one.name, (p10, p50, p90), heard.size / _DRAWS, overlap, near, one.depth_m))
    return tuple(found)


def overlap_share(one: Target, others: Sequence[Target], surface: Surface, r_max_m: float) -> float:
    """Share of the ground from which a target is heard where any of the others is heard too, 0 to 1."""
    if not others:
        return 0.0
    offset = np.linspace(-r_max_m, r_max_m, _SAMPLES)
    x, y = (part.ravel() for part in np.meshgrid(one.x_m + offset, one.y_m + offset))
    listener = np.column_stack([x, y, surface.z(x, y)])
    mine = hears(listener, one, r_max_m)
    also = np.any([hears(listener, other, r_max_m) for other in others], axis=0)
    return float((mine & also).sum() / max(1, mine.sum()))


def hears(listener_m: FloatArray, one: Target, r_max_m: float) -> BoolArray:
    """Whether a target is heard from places (n x 3), with its range in line with its axis."""
    away2, cos2 = _seen_from(listener_m, one)
    return np.asarray(away2**3 <= r_max_m**6 * (1.0 + 3.0 * cos2) / 4.0)


def range_ratio(listener_m: FloatArray, one: Target) -> FloatArray:
    """Distance over the dipole's factor in that direction: heard where this is at most the range along the axis."""
    away2, cos2 = _seen_from(listener_m, one)
    return np.asarray(np.sqrt(away2) / ((1.0 + 3.0 * cos2) / 4.0) ** (1.0 / 6.0))


def _seen_from(listener_m: FloatArray, one: Target) -> tuple[FloatArray, FloatArray]:
    """Square of the distance, and of the cosine between axis and direction."""
    way = listener_m - place_m(one)
    away2 = (way**2).sum(axis=1)
    along = way @ axis_of(one)
    return away2, np.asarray(np.divide(along**2, away2, out=np.ones_like(away2), where=away2 > 0.0))


def place_m(one: Target) -> FloatArray:
    """Where the transmitter lies: below the snow."""
    return np.array([one.x_m, one.y_m, one.z_m - one.depth_m / math.cos(math.radians(one.slope_deg))])


def axis_of(one: Target) -> FloatArray:
    """Unit vector of the axis."""
    a, d = math.radians(one.azimuth_deg), math.radians(one.dip_deg)
    return np.array([math.sin(a) * math.cos(d), math.cos(a) * math.cos(d), -math.sin(d)])
