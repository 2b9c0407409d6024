"""Which model runs, on which cells, and why: said with every plan."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lastseen.core import COARSE_CELL_M, Grid, InputError, Snow, thread_count
from lastseen.snow.ensemble import ModelName
from lastseen.snow.flow_ensemble import count_pilot_updates
from lastseen.snow.release import Release

LEAST_CELLS_ACROSS = 8  # front and sides of the snow are each some cells wide; design choice
FINEST_CELL_M = 2.0
PILOT_CELLS_ACROSS = 6.0  # of the event that is run first, to see how much there is to work out
MOST_OF_BUDGET = 3.0  # as many times the budget the coarsest cells may take before single bodies are chosen
GROWTH = 2.0  # power of the work with the cells along a length: 1.0 to 1.7 between 10 and 4 m on the demo
UPDATES_PER_S = 9.0e6  # cell updates a second on one processor, measured
PROCESSORS = 2  # a plan must not depend on the machine


@dataclass(frozen=True, kw_only=True)
class ModelChoice:
    """A model, and the reason in words."""

    model: ModelName
    ratio: int  # cells of the ground along one working cell of the flow; 1 for samples that slide alone
    time_s: float  # estimate for the ensemble on two processors
    reason: str  # one plain sentence


def choose_model(surface: Grid, release: Release, snow: Snow) -> ModelChoice:
    """Choose between the flow, on what cells, and samples that slide alone.

    Working cells are a whole number of the ground's: the finest, down to 2 m, on which the ensemble is estimated to
    take no longer than the budget of the scenario on two processors, after a pilot of the most likely event on coarse
    cells. Single bodies are chosen where the ground is coarser than 10 m or the budget is far too short. The choice
    does not depend on the machine; ``model`` and ``cell_m`` of the scenario override it. InputError if the wished cell
    is finer than the ground.
    """
    if snow.model == "body":
        return _bodies("as asked for: they do not pile up, and burial is not worked out")
    wished = max(surface.cell_m, snow.cell_m or 0.0)
    if snow.model is None and wished > COARSE_CELL_M:
        return _bodies(f"cells of {wished:g} m are too coarse for the flow, which needs {COARSE_CELL_M:g} m or finer")
    width = _width_m(surface, release)
    ratio, time_s = _finest_ratio(surface, width, release, snow)
    cell = ratio * surface.cell_m
    cells = f"{cell:g} m cells, {width / cell:.0f} across the release{_few(width / cell)}"
    if snow.model == "flow":
        return ModelChoice(model="flow", ratio=ratio, time_s=time_s, reason=f"Flow, as asked for, on {cells}")
    if time_s > MOST_OF_BUDGET * snow.time_budget_s:
        return _bodies(
            f"the flow on {cell:g} m cells would take about {_about(time_s)} on two processors; --model flow runs it, "
            "--time-budget gives it more time"
        )
    return ModelChoice(model="flow", ratio=ratio, time_s=time_s, reason=f"Flow on {cells}")


def _finest_ratio(surface: Grid, width_m: float, release: Release, snow: Snow) -> tuple[int, float]:
    """Cells of the ground along a working cell, and the time that the ensemble will take, s.

    Half the cell takes twice the steps on four times as many cells, of which fewer lie beside the snow: four times the
    work, measured.
    """
    finest = max(1, math.ceil(FINEST_CELL_M / surface.cell_m - 1e-9))
    coarsest = max(finest, int(COARSE_CELL_M / surface.cell_m + 1e-9))
    wished = None
    if snow.cell_m is not None:
        if snow.cell_m < 0.75 * surface.cell_m:
            raise InputError(
                f"working cells of {snow.cell_m:g} m are finer than the elevation model's: give {surface.cell_m:g} m "
                "or more"
            )
        wished = max(1, round(snow.cell_m / surface.cell_m))
    pilot = min(coarsest, max(finest, int(width_m / PILOT_CELLS_ACROSS / surface.cell_m)))
    pilot = pilot if wished is None else max(wished, pilot)
    work = snow.members * count_pilot_updates(surface, pilot, release, snow) / (UPDATES_PER_S * PROCESSORS)
    ratio = wished or finest
    while wished is None and ratio < coarsest and work * (pilot / ratio) ** GROWTH > snow.time_budget_s:
        ratio += 1
    return ratio, work * (pilot / ratio) ** GROWTH


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
