"""How far events go: travel angle and length, as ranges over the ensemble."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastseen.grid import FloatArray, Grid
from lastseen.motion.events import Events
from lastseen.release import Release


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
        Greatest speed in an event.
    time_s : Range
        Until an event was at rest, or ran out of time.
    """

    travel_angle_deg: Range
    length_m: Range
    drop_m: Range
    fastest_m_s: Range
    time_s: Range


def measure_runout(felt: Grid, release: Release, events: Events) -> Runout:
    """Measure the travel of each event of an ensemble; snow that left the model counts where it left it."""
    x, y = (np.array([event.toe_m[k] for event in events.each]) for k in (0, 1))
    length = np.hypot(x - release.top_m[0], y - release.top_m[1])
    drop = float(felt.sample(*release.top_m)) - felt.sample(*felt.centre_of(*_clipped(felt, x, y)))
    return Runout(
        _range(np.degrees(np.arctan2(drop, length))),
        _range(length),
        _range(drop),
        _range(np.array([event.fastest for event in events.each])),
        _range(np.array([event.time_s for event in events.each])),
    )


def middle_event(release: Release, events: Events) -> int:
    """The event nearest to the median in length and in volume, each against its spread: one that can be shown."""
    length = np.array([np.hypot(e.toe_m[0] - release.top_m[0], e.toe_m[1] - release.top_m[1]) for e in events.each])
    away = np.zeros(length.size)
    for values in (length, events.members.deposit_m3):
        away += np.abs(values - np.median(values)) / max(float(values.std()), 1e-9)
    return int(np.argmin(away))


def _clipped(felt: Grid, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    row, col = felt.cell_of(x, y)
    return np.clip(row, 0, felt.shape[0] - 1), np.clip(col, 0, felt.shape[1] - 1)


def _range(values: FloatArray) -> Range:
    p10, p50, p90 = np.nanquantile(values, [0.1, 0.5, 0.9])
    return Range(float(p10), float(p50), float(p90))
