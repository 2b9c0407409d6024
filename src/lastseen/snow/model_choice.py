"""Which model runs, on which cells, and why: said with every plan."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lastseen.core import Grid, InputError, Snow, thread_count
from lastseen.snow.ensemble import ModelName
from lastseen.snow.flow_ensemble import count_pilot_updates
from lastseen.snow.release import Release

CELLS_ACROSS = 12  # design choice: the front and the sides of the snow are each some cells wide
LEAST_CELLS_ACROSS = 8
COARSEST_CELL_M = 10.0
MOST_TIME_S = 60.0
UPDATES_PER_S = 2.0e7  # cell updates a second on one processor, measured
PROCESSORS = 2  # a plan must not depend on the machine


@dataclass(frozen=True, kw_only=True)
class ModelChoice:
    """A model, and the reason in words."""

    model: ModelName
    ratio: int  # cells of the ground along one working cell of the flow; 1 for samples that slide alone
    time_s: float  # estimate for the ensemble on two processors
    reason: str  # one plain sentence


def choose_model(surface: Grid, release: Release, snow: Snow) -> ModelChoice:
    """Choose between the flow and samples that slide alone.

    The flow is chosen where its working cells are 10 m or finer and it is estimated to take less than a minute on two
    processors, after a pilot: the most likely event on cells twice as large. Working cells are a whole number of the
    ground's, at least 8 (where the ground allows, 12) across the release. The choice does not depend on the machine;
    ``model`` and ``cell_m`` of the scenario override it. InputError if the wished cell is finer than the ground.
    """
    if snow.model == "body":
        return _bodies("as asked for: they do not pile up, and burial is not worked out")
    width = _width_m(surface, release)
    ratio = _ratio(surface, width, snow.cell_m)
    cell = ratio * surface.cell_m
    if snow.model is None and cell > COARSEST_CELL_M:
        return _bodies(f"cells of {cell:g} m are too coarse for the flow, which needs {COARSEST_CELL_M:g} m or finer")
    time_s = snow.members * count_pilot_updates(surface, ratio, release, snow) / (UPDATES_PER_S * PROCESSORS)
    cells = f"{cell:g} m cells, {width / cell:.0f} across the release{_few(width / cell)}"
    if snow.model == "flow":
        return ModelChoice(model="flow", ratio=ratio, time_s=time_s, reason=f"Flow, as asked for, on {cells}")
    if time_s > MOST_TIME_S:
        return _bodies(f"the flow on {cell:g} m cells would take about {_about(time_s)}; --model flow runs it")
    return ModelChoice(model="flow", ratio=ratio, time_s=time_s, reason=f"Flow on {cells}")


def _bodies(why: str) -> ModelChoice:
    return ModelChoice(model="body", ratio=1, time_s=0.0, reason=f"Single bodies: {why}")


def describe_time(time_s: float) -> str:
    """The time that a flow ensemble will take on this machine, in words."""
    return _about(time_s * PROCESSORS / thread_count())


def _about(time_s: float) -> str:
    return f"{max(1.0, float(f'{time_s:.1g}')):.0f} s" if time_s < 120.0 else f"{time_s / 60.0:.0f} minutes"


def _few(across: float) -> str:
    if across >= LEAST_CELLS_ACROSS - 0.5:
        return ""
    return f", fewer than the {LEAST_CELLS_ACROSS} that it needs: front and thickness are coarse"


def _width_m(ground: Grid, release: Release) -> float:
    """Width of the release: its map area over its greatest length."""
    cells = release.cells[: release.nominal_cells]
    x, y = ground.centre_of(cells // ground.shape[1], cells % ground.shape[1])
    spread = np.linalg.eigvalsh(np.cov(np.stack([x, y]))) if cells.size > 2 else np.zeros(2)
    length = max(math.sqrt(12.0 * max(float(spread[-1]), 0.0)), ground.cell_m)  # of a rectangle with this spread
    return max(cells.size * ground.cell_area_m2 / length, ground.cell_m)


def _ratio(ground: Grid, width_m: float, wished_m: float | None) -> int:
    if wished_m is None:
        return max(1, int(width_m / CELLS_ACROSS / ground.cell_m + 1e-9))
    if wished_m < 0.75 * ground.cell_m:
        raise InputError(
            f"working cells of {wished_m:g} m are finer than the elevation model's: give {ground.cell_m:g} m or more"
        )
    return max(1, round(wished_m / ground.cell_m))
