"""How far events go: travel angle and length, as ranges over the ensemble."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastseen.grid import FloatArray, Grid
from lastseen.motion.ensemble import Run
from lastseen.release import Release

TOE_QUANTILE = 0.95  # the toe of an event is where all but its farthest twentieth has stopped


@dataclass(frozen=True)
class Range:
    """10th, 50th and 90th percentile."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True)
class Runout:
    """Travel of an ensemble, from the top of the release to the toe of each event.

    Attributes
    ----------
    travel_angle_deg : Range
        From the toe up to the top of the release.
    length_m : Range
        Horizontal distance between the two.
    drop_m : Range
        Height between the two.
    fastest_m_s : Range
        Greatest speed of any body of an event.
    time_s : Range
        Until the last body of an event has stopped.
    """

    travel_angle_deg: Range
    length_m: Range
    drop_m: Range
    fastest_m_s: Range
    time_s: Range


def measure_runout(felt: Grid, release: Release, run: Run) -> Runout:
    """Measure the travel of each event of an ensemble; bodies that left the model count where they left it."""
    n, tracks = run.members.count, run.debris
    x, y = (one.reshape(n, -1) for one in (tracks.x_m, tracks.y_m))
    away = np.hypot(x - release.top_m[0], y - release.top_m[1])
    toe = np.argsort(away, axis=1, kind="stable")[:, round(TOE_QUANTILE * (away.shape[1] - 1))]
    every = np.arange(n)
    ends = felt.centre_of(*_clipped(felt, x[every, toe], y[every, toe]))
    length = away[every, toe]
    drop = float(felt.sample(*release.top_m)) - felt.sample(*ends)
    angle = np.degrees(np.arctan2(drop, length))
    return Runout(
        _range(angle),
        _range(length),
        _range(drop),
        _range(tracks.fastest_m_s.reshape(n, -1).max(axis=1)),
        _range(tracks.time_s.reshape(n, -1).max(axis=1)),
    )


def _clipped(felt: Grid, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    row, col = felt.cell_of(x, y)
    return np.clip(row, 0, felt.shape[0] - 1), np.clip(col, 0, felt.shape[1] - 1)


def _range(values: FloatArray) -> Range:
    p10, p50, p90 = np.nanquantile(values, [0.1, 0.5, 0.9])
    return Range(float(p10), float(p50), float(p90))
