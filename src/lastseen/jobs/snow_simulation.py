"""The ground that an event needs, and the events on it.

The window around the last-seen point grows until neither the release nor any snow or person reaches its edge.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from lastseen import core
from lastseen.core import FloatArray, Grid, InputError, Progress, Scenario, require_memory
from lastseen.jobs.notes import require_ground, require_reach, require_rest
from lastseen.snow import (
    Ensemble,
    FlowPaths,
    ModelChoice,
    Release,
    SampleTracks,
    build_drawn_release,
    choose_model,
    describe_time,
    find_middle_member,
    find_releases,
    measure_missing_ground,
    rank_releases,
    replay_member,
    simulate_flow_ensemble,
    simulate_sliding_ensemble,
    slide_slippery_samples,
    slippery_snow,
    smooth_for_snow,
    trace_flow_paths,
)
from lastseen.terrain import Box, Elevation, GroundLayers, read_ground, read_layers, read_terrain

if TYPE_CHECKING:
    from lastseen.jobs.plan import Model, Plan

# First guess of the window around the last-seen point, by destructive size; it grows where anything reaches its edge.
# EAWS size table: lengths of 10-50, 50-200, 300-1000 and 1000-2000 m.
HALF_WINDOW_M = {1: 300.0, 2: 600.0, 3: 1200.0, 4: 2400.0}
GROWTH_M = 0.5  # share of the half window added on a side that was reached
MOST_GROWTHS = 16
ASCENT_GROWTHS = 2  # how often the window grows in search of a start zone
RIM_CELLS = 4.0
START_MARGIN_M = 100.0  # of ground around where a searcher stands


@dataclass(frozen=True, kw_only=True)
class SnowSimulation:
    """Where the snow of a scenario goes."""

    ground: Grid  # the window
    flow_ground: Grid  # the same as moving snow feels it
    layers: GroundLayers  # trees, water and more, as far as they were given
    release: Release
    choice: ModelChoice  # the model that ran, and why
    ensemble: Ensemble
    paths: FlowPaths
    missing_m: dict[str, float]  # ground that is missing beyond each edge that persons left over, at least
    notes: tuple[str, ...]  # what is doubtful about the heights


def simulate_snow(
    scenario: Scenario,
    elevation: Elevation,
    at_m: tuple[float, float],
    progress: Progress,
    *,
    starts_m: Sequence[tuple[float, float]] = (),
    also_m: Sequence[tuple[float, float]] = (),
) -> SnowSimulation:
    """Find the release and run the ensemble, in a window that grows until nothing reaches its edge.

    The window holds ``starts_m``, where searchers stand, and ``also_m``, the last-seen points of further persons.
    """
    half = HALF_WINDOW_M[scenario.snow.size]
    box = elevation.snapped(_around(at_m, half, (*starts_m, *also_m)))
    known: tuple[Release, Grid] | None = None
    for attempt in range(MOST_GROWTHS + 1):
        needed = require_memory(count_cells(elevation, box), core.SLIDING_GB_PER_MILLION_CELLS, "a window")
        progress(f"reading the ground, {needed}", 0.05)
        checked = read_ground(elevation, box)
        ground = checked.grid
        if not np.isfinite(ground.values).any():
            raise InputError("there is no ground around the last-seen point, only no data: use another elevation model")
        layers = read_layers(scenario.ground, ground)
        flow_ground = smooth_for_snow(ground)
        try:
            if known is None:
                start = _find_start(scenario, ground, flow_ground, at_m, layers=layers)
            else:
                start = known[0].moved(known[1], ground)
        except InputError:
            wider = _grown(elevation, box, set("WSEN"), half)
            if scenario.snow.release or wider == box or attempt >= ASCENT_GROWTHS:
                raise
            box = wider
            continue
        at_rim = _sides_near(ground, RIM_CELLS * ground.cell_m, *_places(ground, start))
        known = None if at_rim else (start, ground)
        scouts = slide_slippery_samples(flow_ground, start, scenario.snow)
        wider = _grown(elevation, box, _sides_scouted(ground, start, scouts), half)
        if wider != box and attempt < MOST_GROWTHS:
            box = wider
            continue
        choice = choose_model(flow_ground, start, scenario.snow)
        ensemble = _simulate_ensemble(scenario, flow_ground, start, choice, at_m=at_m, also_m=also_m, progress=progress)
        wider = _grown(elevation, box, _sides_left(ground, ensemble), half)
        if wider == box or attempt == MOST_GROWTHS:
            break
        box = wider
    missing_m = measure_missing_ground(flow_ground, start, ensemble)
    require_reach(ensemble, start)
    require_rest(ensemble, accepted=scenario.snow.accept_unfinished)
    require_ground(ensemble, missing_m, accepted=scenario.snow.accept_open_edge)
    progress("tracing the paths", 0.7)
    return SnowSimulation(
        ground=ground,
        flow_ground=flow_ground,
        layers=layers,
        release=start,
        choice=choice,
        ensemble=ensemble,
        paths=trace_flow_paths(flow_ground, start, ensemble),
        missing_m=missing_m,
        notes=(*checked.report.notes, *note_drawn_release(scenario, ground, start)),
    )


def _around(at_m: tuple[float, float], half_m: float, starts_m: Sequence[tuple[float, float]]) -> Box:
    """A square around a point, larger where it does not hold all starts."""
    x, y = np.array([(at_m[0] - half_m, at_m[1] - half_m), (at_m[0] + half_m, at_m[1] + half_m)]).T
    for start_x, start_y in starts_m:
        x = np.append(x, [start_x - START_MARGIN_M, start_x + START_MARGIN_M])
        y = np.append(y, [start_y - START_MARGIN_M, start_y + START_MARGIN_M])
    return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def _simulate_ensemble(
    scenario: Scenario,
    flow_ground: Grid,
    release: Release,
    choice: ModelChoice,
    *,
    at_m: tuple[float, float],
    also_m: Sequence[tuple[float, float]],
    progress: Progress,
) -> Ensemble:
    """The ensemble, with the model that was chosen."""
    snow, last_seen, rng = scenario.snow, scenario.last_seen, np.random.default_rng(scenario.seed)
    if choice.model == "body":
        progress("letting the snow run", 0.15)
        return simulate_sliding_ensemble(
            flow_ground, release, snow, last_seen=last_seen, at_m=at_m, also_m=also_m, rng=rng
        )
    cells = flow_ground.values.size // choice.ratio**2
    needed = require_memory(cells, core.FLOW_GB_PER_MILLION_CELLS, "the flow")
    first = f"letting the snow flow, {needed}, about {describe_time(choice.time_s)}"
    progress(first, 0.1)

    def report(text: str, share: float) -> None:
        progress(text or first, 0.1 + 0.6 * share)

    return simulate_flow_ensemble(
        flow_ground, release, snow, ratio=choice.ratio, last_seen=last_seen, at_m=at_m, also_m=also_m, rng=rng,
        progress=report,
    )  # fmt: skip


def count_cells(elevation: Elevation, box: Box) -> int:
    """How many cells a box of whole cells holds."""
    return round((box[2] - box[0]) / elevation.cell_m) * round((box[3] - box[1]) / elevation.cell_m)


def _find_start(
    scenario: Scenario, ground: Grid, flow_ground: Grid, at_m: tuple[float, float], *, layers: GroundLayers
) -> Release:
    """The release: drawn, or of those around the last-seen point the one whose events reach it most often."""
    row, col = ground.cell_of(*at_m)
    if np.isnan(ground.values[min(int(row), ground.shape[0] - 1), min(int(col), ground.shape[1] - 1)]):
        point = core.to_lonlat(*at_m, ground.crs).notations()["lonlat"]
        raise InputError(
            f"the last-seen point {point} lies on no data: move it, or fill the gap in the elevation model"
        )
    snow = scenario.snow
    if snow.release is not None:
        outline = core.read_outline(snow.release, ground.crs, "release")
        outline, _ = core.check_drawn(outline, "release", snow.release.name, ground.cell_m)
        return build_drawn_release(ground, outline, snow.size, snow.slab_thickness_m)
    trees = layers.of("trees")
    disc = (*at_m, max(scenario.last_seen.radius_m, 1.5 * ground.cell_m))
    found = find_releases(
        ground,
        flow_ground,
        disc,
        snow.size,
        snow=slippery_snow(snow),
        slab_m=snow.slab_thickness_m,
        cover=trees.cover if trees else None,
        side=snow.release_side,
    )
    if len(found) == 1:
        return found[0]
    best, _ = rank_releases(flow_ground, found, snow, disc=disc, seed=scenario.seed)[0]
    compared = f"; of {len(found)} places above, beside and below the point its events reach it most often."
    return replace(best, reason=best.reason.removesuffix(".") + compared)


def _places(ground: Grid, release: Release) -> tuple[FloatArray, FloatArray]:
    """Middles of the cells of a release, map metres."""
    return ground.centre_of(release.cells // ground.shape[1], release.cells % ground.shape[1])


GENTLE_DEG, STEEP_DEG = 25.0, 60.0


def note_drawn_release(scenario: Scenario, ground: Grid, release: Release) -> tuple[str, ...]:
    """What is odd about a drawn release: its slivers, and ground that hardly releases a slab.

    Slabs release on some 25 to 60 degrees; common practice, no source.
    """
    if scenario.snow.release is None:
        return ()
    outline = core.read_outline(scenario.snow.release, ground.crs, "release")
    _, slivers = core.check_drawn(outline, "release", scenario.snow.release.name, ground.cell_m)
    slope = float(np.nanmean(read_terrain(ground).slope_deg.values.ravel()[release.cells]))
    if GENTLE_DEG <= slope <= STEEP_DEG:
        return slivers
    usual = f"slabs hardly release on less than {GENTLE_DEG:.0f} or more than {STEEP_DEG:.0f} degrees"
    return (*slivers, f"the drawn release lies on ground of {slope:.0f} degrees on average: {usual}; check --release")


def _sides_scouted(ground: Grid, release: Release, scouts: SampleTracks) -> set[str]:
    """Sides of the window that the release or a slippery sample came to."""
    left = scouts.reason == 1
    x, y = _places(ground, release)
    x, y = np.concatenate([scouts.x_m[left], x]), np.concatenate([scouts.y_m[left], y])
    return _sides_near(ground, RIM_CELLS * ground.cell_m, x, y)


def _sides_left(ground: Grid, ensemble: Ensemble) -> set[str]:
    """Sides of the window over which snow or a person left."""
    edges, _ = ensemble.left_share()
    sides = {side[0].upper() for side, share in edges.items() if share > 0.0}
    person = ensemble.person
    gone = person.left_grid
    return sides | _sides_near(ground, RIM_CELLS * ensemble.lattice.cell_m, person.x_m[gone], person.y_m[gone])


def _sides_near(ground: Grid, rim_m: float, x_m: FloatArray, y_m: FloatArray) -> set[str]:
    """Sides of the window that a point lies within the rim of."""
    west, south, east, north = ground.bounds
    tests = {"W": x_m < west + rim_m, "E": x_m > east - rim_m, "S": y_m < south + rim_m, "N": y_m > north - rim_m}
    return {side for side, reached in tests.items() if reached.any()}


def _grown(elevation: Elevation, box: Box, sides: set[str], half_m: float) -> Box:
    """The window, larger on the sides that were reached, as far as the elevation model goes."""
    more = GROWTH_M * half_m
    west, south, east, north = (more * (side in sides) for side in "WSEN")
    return elevation.snapped((box[0] - west, box[1] - south, box[2] + east, box[3] + north))


MOST_FRAMES = 90
LEAST_STEP_S = 0.5


@dataclass(frozen=True, kw_only=True)
class MiddleEvent:
    """The event nearest to the median in length and volume."""

    thickness_m: Grid  # of its debris, on the ground of the plan
    volume_m3: float  # of its debris


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
    surface = smooth_for_snow(plan.terrain.elevation)
    times, depths = replay_member(surface, model.release, model.ensemble, middle, step_s)
    for time_s, depth_m in zip(times, depths, strict=True):
        yield time_s, model.ensemble.lattice.with_values(depth_m.astype(float))
