"""Terrain traps and start zones on their own: those of a last-seen point, or those of a whole elevation model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastseen.core import InputError, Progress, ResourceError, Scenario, no_progress, require_memory
from lastseen.jobs.notes import note_grid, note_walk, to_sentences
from lastseen.jobs.plan import Plan, make_plan
from lastseen.jobs.snow_simulation import count_cells
from lastseen.snow import ReleaseArea, StartZones, find_release_areas, grade_start_zones
from lastseen.terrain import (
    Elevation,
    GroundLayers,
    Terrain,
    check_layers,
    open_elevation_of,
    read_ground,
    read_layers,
    read_terrain,
)
from lastseen.traps import TRAVEL_ANGLE_DEG, Trap, describe_invisible_traps, find_ground_in_travel_angle, find_traps

GB_PER_MILLION_CELLS = 0.3  # measured: 2.7 GB above the libraries for 10.2 million cells
MOST_CELLS = 25_000_000  # 10 by 10 km on cells of 2 m; larger models must be cut

GRADED = (
    "start zones are graded by terrain alone: wind, snowpack and weather are not guessed, and a grade is no probability"
)
WHOLE_LIMITS = (
    (
        "no release was singled out: traps are those that an energy line of {angle:g} degrees from any release area "
        "reaches, in all directions, an outer bound for size {size}; they are in the order of their severity"
    ),
    GRADED,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class TrapView:
    """Traps and start zones of some ground."""

    scenario: Scenario
    elevation: Elevation
    terrain: Terrain  # the window that was looked at
    traps: tuple[Trap, ...]  # in the order of weight
    zones: StartZones  # graded start zones of the window, with their parts
    areas: tuple[ReleaseArea, ...]  # the largest first
    layers: GroundLayers
    plan: Plan | None  # of the last-seen point; None for a whole elevation model
    notes: tuple[str, ...]  # plain sentences that the user must see

    @property
    def own_areas(self) -> tuple[ReleaseArea, ...]:
        """With a last-seen point the areas that its release lies in, else all."""
        if self.plan is None or self.plan.model is None:
            return self.areas
        released = self.plan.model.release
        cells = released.cells[: released.nominal_cells]
        return tuple(area for area in self.areas if np.isin(area.cells, cells).any())


def view_traps(scenario: Scenario, progress: Progress = no_progress) -> TrapView:
    """Find the traps that snow from a last-seen point's release reaches, or without a point those of all ground."""
    return _view_traps_of_point(scenario, progress) if scenario.last_seen.at else _view_all_traps(scenario, progress)


def _view_traps_of_point(scenario: Scenario, progress: Progress) -> TrapView:
    plan = make_plan(scenario, progress)
    if plan.model is None:
        raise InputError("traps need a release, not an observed outline: leave search.debris out of the scenario")
    zones, areas = _grade(plan.terrain, plan.layers)
    walk = set(to_sentences(note_walk(scenario, plan.search) + note_grid(plan.elevation.crs, at=plan.place)))
    kept = [note for note in plan.notes if note not in walk]
    nothing = _note_nothing(plan.model.traps, plan.terrain.elevation.cell_m)
    return TrapView(
        scenario=scenario,
        elevation=plan.elevation,
        terrain=plan.terrain,
        traps=plan.model.traps,
        zones=zones,
        areas=areas,
        layers=plan.layers,
        plan=plan,
        notes=to_sentences((*note_grid(plan.elevation.crs, "", plan.place), *kept, GRADED, *nothing)),
    )


def _view_all_traps(scenario: Scenario, progress: Progress) -> TrapView:
    progress("opening the elevation model", 0.0)
    elevation = open_elevation_of(scenario)
    check_layers(scenario.ground, elevation)
    box = elevation.snapped(elevation.bounds_m)
    cells = count_cells(elevation, box)
    if cells > MOST_CELLS:
        raise ResourceError(
            f"the elevation model has {cells / 1e6:.0f} million cells, and {MOST_CELLS / 1e6:.0f} million are looked "
            "at in one go: give a last-seen point with --at, or cut the model into smaller ones"
        )
    needed = require_memory(cells, GB_PER_MILLION_CELLS, "the elevation model")
    progress(f"reading the ground, {needed}", 0.05)
    checked = read_ground(elevation, box)
    ground = checked.grid
    if not np.isfinite(ground.values).any():
        raise InputError("there is no ground in the elevation model, only no data: use another one")
    layers = read_layers(scenario.ground, ground)
    terrain = read_terrain(ground)
    progress("grading start zones", 0.2)
    zones, areas = _grade(terrain, layers)
    start = np.zeros(ground.shape, np.bool_)
    for area in areas:
        start.ravel()[area.cells] = True
    progress("looking for terrain traps", 0.4)
    size, angle = scenario.snow.size, TRAVEL_ANGLE_DEG[scenario.snow.size]
    traps = find_traps(terrain, find_ground_in_travel_angle(ground, start, angle), layers)
    blind = describe_invisible_traps(ground.cell_m, layers)
    notes = (
        *checked.report.notes,
        *note_grid(elevation.crs, "", elevation.middle),
        *elevation.notes,
        *layers.notes,
        *(note.format(angle=angle, size=size) for note in WHOLE_LIMITS),
        *([blind] if blind else []),
        *_note_nothing(traps, ground.cell_m),
    )
    return TrapView(
        scenario=scenario,
        elevation=elevation,
        terrain=terrain,
        traps=traps,
        zones=zones,
        areas=areas,
        layers=layers,
        plan=None,
        notes=to_sentences(notes),
    )


def _grade(terrain: Terrain, layers: GroundLayers) -> tuple[StartZones, tuple[ReleaseArea, ...]]:
    trees = layers.of("trees")
    zones = grade_start_zones(terrain.elevation, trees.cover if trees else None)
    return zones, find_release_areas(terrain.elevation, zones)


def _note_nothing(traps: tuple[Trap, ...], cell_m: float) -> tuple[str, ...]:
    none = f"No terrain trap was found on cells of {cell_m:g} m: that does not say that there is none."
    return () if traps else (none,)
