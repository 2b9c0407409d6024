"""The middle event of a plan: its debris, and its snow as it moves."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from lastseen.core import Grid
from lastseen.jobs.plan import Model, Plan
from lastseen.snow import find_middle_member, replay_member, smooth_for_snow

MOST_FRAMES = 90
LEAST_STEP_S = 0.5


@dataclass(frozen=True, kw_only=True)
class MiddleEvent:
    """The event nearest to the median in length and volume.

    Attributes
    ----------
    thickness_m : Grid
        Of its debris, on the ground of the plan.
    volume_m3 : float
        Of its debris.
    """

    thickness_m: Grid
    volume_m3: float


def find_middle_event(plan: Plan, model: Model) -> MiddleEvent:
    """The middle event of a plan."""
    middle = find_middle_member(model.release, model.ensemble)
    return MiddleEvent(
        thickness_m=model.ensemble.over(plan.terrain.elevation, model.ensemble.thickness()[middle].astype(float)),
        volume_m3=float(model.ensemble.draws.deposit_m3[middle]),
    )


def replay_middle_event(plan: Plan, model: Model) -> Iterator[tuple[float, Grid]]:
    """Times in seconds with the depth of the snow in metres, on the lattice of the flow; flow ensembles only."""
    middle = find_middle_member(model.release, model.ensemble)
    step_s = max(LEAST_STEP_S, model.ensemble.members[middle].time_s / MOST_FRAMES)
    felt = smooth_for_snow(plan.terrain.elevation)
    times, depths = replay_member(felt, model.release, model.ensemble, middle, step_s)
    for time_s, depth_m in zip(times, depths, strict=True):
        yield time_s, model.ensemble.lattice.with_values(depth_m.astype(float))
