"""The story, top to bottom: a scenario becomes a plan."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from lastseen.core import (
    FLOW_GB_PER_MILLION_CELLS,
    SLIDING_GB_PER_MILLION_CELLS,
    Grid,
    InputError,
    LonLat,
    Progress,
    Scenario,
    no_progress,
    parse_crs,
    parse_point,
    read_outline,
    require_memory,
    to_lonlat,
    to_map,
)
from lastseen.jobs.notes import note_debris, note_events, note_grid, note_model, note_person, note_walk, to_sentences
from lastseen.jobs.plan_rescue import PlanRescue, plan_rescue
from lastseen.search import SearchOptions, SearchPlan, lay_search
from lastseen.snow import (
    Debris,
    DepositZone,
    Ensemble,
    FlowPaths,
    ModelChoice,
    Person,
    Release,
    Runout,
    RunoutEnvelope,
    SampleTracks,
    build_drawn_release,
    choose_model,
    describe_time,
    estimate_envelope,
    find_debris,
    find_release,
    locate_person,
    measure_runout,
    probability_of_area,
    simulate_flow_ensemble,
    simulate_sliding_ensemble,
    slide_slippery_samples,
    smooth_for_snow,
    split_deposit,
    trace_flow_paths,
)
from lastseen.terrain import (
    Box,
    Elevation,
    GroundLayers,
    Terrain,
    check_layers,
    find_doubtful_heights,
    open_elevation,
    read_layers,
    read_terrain,
    read_window,
    require_inside,
)
from lastseen.traps import Trap, add_burial_depth, add_person_shares, find_traps

# ---- The ground that an event needs, and the events on it
# The window around the last-seen point grows until neither the release nor any snow or person reaches its edge.

# First guess of the window around the last-seen point, by destructive size; it grows where anything reaches its edge.
# EAWS size table: lengths of 10-50, 50-200, 300-1000 and 1000-2000 m.
HALF_WINDOW_M = {1: 300.0, 2: 600.0, 3: 1200.0, 4: 2400.0}
GROWTH_M = 0.5  # share of the half window added on a side that was reached
MOST_GROWTHS = 16
ASCENT_GROWTHS = 2  # how often the window grows in search of a start zone
RIM_CELLS = 4.0


@dataclass(frozen=True)
class SnowSimulation:
    """Where the snow of a scenario goes."""

    # the window, and the same as moving snow feels it
    ground: Grid
    felt: Grid
    layers: GroundLayers  # trees, water and more, as far as they were given
    release: Release
    choice: ModelChoice  # the model that ran, and why
    ensemble: Ensemble
    paths: FlowPaths
    told: tuple[str, ...]  # what was odd about the heights


def simulate_snow(
    scenario: Scenario, elevation: Elevation, at_m: tuple[float, float], progress: Progress
) -> SnowSimulation:
    """Find the release and run the ensemble, in a window that grows until nothing reaches its edge."""
    half = HALF_WINDOW_M[scenario.snow.size]
    box = elevation.snapped((at_m[0] - half, at_m[1] - half, at_m[0] + half, at_m[1] + half))
    for attempt in range(MOST_GROWTHS + 1):
        needed = require_memory(_cells_in(elevation, box), SLIDING_GB_PER_MILLION_CELLS, "a window")
        progress(f"reading the ground, {needed}", 0.05)
        told: list[str] = []
        ground = read_window(elevation, box, told.append)
        if not np.isfinite(ground.values).any():
            raise InputError("there is no ground around the last-seen point, only no data: use another elevation model")
        layers = read_layers(scenario.ground, ground)
        try:
            start = _start(scenario, ground, at_m, layers)
        except InputError:
            wider = _grown(elevation, box, set("WSEN"), half)
            if scenario.snow.release or wider == box or attempt >= ASCENT_GROWTHS:
                raise
            box = wider
            continue
        felt = smooth_for_snow(ground)
        scouts = slide_slippery_samples(felt, start, scenario.snow)
        wider = _grown(elevation, box, _sides_scouted(ground, start, scouts), half)
        if wider != box and attempt < MOST_GROWTHS:
            box = wider
            continue
        choice = choose_model(felt, start, scenario.snow)
        ensemble = _run(scenario, felt, start, choice, at_m, progress)
        wider = _grown(elevation, box, _sides_left(ground, ensemble), half)
        if wider == box or attempt == MOST_GROWTHS:
            break
        box = wider
    progress("tracing the paths", 0.7)
    return SnowSimulation(
        ground, felt, layers, start, choice, ensemble, trace_flow_paths(felt, start, ensemble), tuple(told)
    )


def _run(
    scenario: Scenario, felt: Grid, start: Release, choice: ModelChoice, at_m: tuple[float, float], progress: Progress
) -> Ensemble:
    """The ensemble, with the model that was chosen."""
    rng = np.random.default_rng(scenario.seed)
    if choice.model == "body":
        progress("letting the snow run", 0.15)
        return simulate_sliding_ensemble(felt, start, scenario.snow, last_seen=scenario.last_seen, at_m=at_m, rng=rng)
    cells = felt.values.size // choice.ratio**2
    needed = require_memory(cells, FLOW_GB_PER_MILLION_CELLS, "the flow")
    first = f"letting the snow flow, {needed}, about {describe_time(choice.time_s)}"
    progress(first, 0.1)

    def report(text: str, share: float) -> None:
        progress(text or first, 0.1 + 0.6 * share)

    return simulate_flow_ensemble(
        felt,
        start,
        scenario.snow,
        ratio=choice.ratio,
        last_seen=scenario.last_seen,
        at_m=at_m,
        rng=rng,
        progress=report,
    )


def _cells_in(elevation: Elevation, box: Box) -> int:
    return round((box[2] - box[0]) / elevation.cell_m) * round((box[3] - box[1]) / elevation.cell_m)


def _start(scenario: Scenario, ground: Grid, at_m: tuple[float, float], layers: GroundLayers) -> Release:
    """The release: drawn, or the one that belongs to the last-seen point."""
    row, col = ground.cell_of(*at_m)
    if np.isnan(ground.values[min(int(row), ground.shape[0] - 1), min(int(col), ground.shape[1] - 1)]):
        point = to_lonlat(*at_m, ground.crs).notations()["lonlat"]
        raise InputError(
            f"the last-seen point {point} lies on no data: move it, or fill the gap in the elevation model"
        )
    snow = scenario.snow
    if snow.release is not None:
        outline = read_outline(snow.release, ground.crs, "release")
        return build_drawn_release(ground, outline, snow.size, snow.slab_thickness_m)
    trees = layers.of("trees")
    return find_release(ground, *at_m, snow.size, snow.slab_thickness_m, trees.cover if trees else None)


def _sides_scouted(ground: Grid, snow: Release, scouts: SampleTracks) -> set[str]:
    """Sides of the window that the release or a slippery body came to."""
    west, south, east, north = ground.bounds
    rim = RIM_CELLS * ground.cell_m
    left = scouts.reason == 1
    rows, cols = snow.cells // ground.shape[1], snow.cells % ground.shape[1]
    cx, cy = ground.centre_of(rows, cols)
    x, y = np.concatenate([scouts.x_m[left], cx]), np.concatenate([scouts.y_m[left], cy])
    tests = {"W": x < west + rim, "E": x > east - rim, "S": y < south + rim, "N": y > north - rim}
    return {side for side, reached in tests.items() if reached.any()}


def _sides_left(ground: Grid, ensemble: Ensemble) -> set[str]:
    """Sides of the window over which snow or a person left."""
    west, south, east, north = ground.bounds
    edges, _ = ensemble.left_share()
    sides = {side[0].upper() for side, share in edges.items() if share > 0.0}
    gone = ensemble.person.left_grid
    if gone.any():
        rim = RIM_CELLS * ensemble.lattice.cell_m
        x, y = ensemble.person.x_m[gone], ensemble.person.y_m[gone]
        tests = {"W": x < west + rim, "E": x > east - rim, "S": y < south + rim, "N": y > north - rim}
        sides |= {side for side, reached in tests.items() if reached.any()}
    return sides


def _grown(elevation: Elevation, box: Box, sides: set[str], half_m: float) -> Box:
    """The window, larger on the sides that were reached, as far as the elevation model goes."""
    more = GROWTH_M * half_m
    return elevation.snapped(
        (
            box[0] - more * ("W" in sides),
            box[1] - more * ("S" in sides),
            box[2] + more * ("E" in sides),
            box[3] + more * ("N" in sides),
        )
    )


# ---- The story, top to bottom: a scenario becomes a plan

OUTLINE_MARGIN_M = 150.0
REACH_MARGIN_M = 10.0


@dataclass(frozen=True)
class Model:
    """What the motion model says; absent when an observed outline of the debris was given."""

    release: Release
    choice: ModelChoice
    ensemble: Ensemble
    paths: FlowPaths
    runout: Runout
    envelope: RunoutEnvelope
    person: Person
    zones: tuple[DepositZone, ...]
    traps: tuple[Trap, ...]


@dataclass(frozen=True)
class Plan:
    """A plan: the question, the ground, what the model says, and the search.

    Attributes
    ----------
    place : LonLat or None
        The last-seen point; None only with an observed outline and no point.
    at_m : (x, y) or None
        The same in map metres.
    terrain : Terrain
        The window of ground that was worked on.
    notes : tuple of str
        Plain sentences that the user must see.
    layers : GroundLayers
        Trees, water, no-go ground and more, as far as they were given.
    """

    scenario: Scenario
    elevation: Elevation
    place: LonLat | None
    at_m: tuple[float, float] | None
    terrain: Terrain
    model: Model | None
    debris: Debris
    search: SearchPlan
    notes: tuple[str, ...]
    layers: GroundLayers = field(default_factory=GroundLayers)

    @cached_property
    def rescue(self) -> PlanRescue:
        """Clock, digging and probing for its walk, slope and burial depth."""
        burial = self.model.person.burial if self.model else None
        return plan_rescue(
            self.search.legs,
            self.debris.outline,
            self.terrain.elevation,
            searchers=self.search.searchers,
            strip_width_m=self.search.strip_width_m,
            coverage=self.search.coverage.fraction,
            buried_p50_m=burial.p50_m if burial else None,
            zones=[(zone.poa, zone.slope_deg) for zone in self.model.zones] if self.model else (),
        )


def make_plan(scenario: Scenario, progress: Progress = no_progress) -> Plan:
    """Work out a plan.

    Parameters
    ----------
    progress : callable, optional
        Called with the name of each stage and the share of the whole that is done.
    """
    progress("opening the elevation model", 0.0)
    place = _last_seen(scenario)
    elevation = open_elevation(scenario.elevation, place, scenario.z_unit)
    at_m = require_inside(elevation, place) if place else None
    check_layers(scenario.ground, elevation)
    if scenario.search.debris is not None:
        return _observed(scenario, elevation, place, at_m, progress)
    if at_m is None:
        raise InputError("no last-seen point was given: use --at, or give an observed outline with --debris")
    went = simulate_snow(scenario, elevation, at_m, progress)
    ground, ensemble = went.ground, went.ensemble
    shape_of_ground = read_terrain(ground)
    progress("settling the debris", 0.75)
    poa = probability_of_area(ensemble, ground)
    debris = find_debris(ensemble, ground, poa, scenario.search.outline_probability)
    person = locate_person(ensemble, poa, at_m, debris.outline)
    progress("looking for terrain traps", 0.8)
    found = add_burial_depth(find_met_traps(shape_of_ground, went), debris.thickness_m, person.poa)
    model = Model(
        went.release,
        went.choice,
        ensemble,
        went.paths,
        measure_runout(went.felt, went.release, ensemble),
        estimate_envelope(went.paths.profile_m[:, 0], went.paths.profile_m[:, 1]),
        person,
        split_deposit(shape_of_ground, debris, person, found, went.release.top_m),
        found,
    )
    progress("laying out the search", 0.9)
    lanes = _lay_out(scenario, debris, went.layers, ground, at_m, person.poa)
    notes = (
        *note_walk(scenario, lanes),
        *went.told,
        *find_doubtful_heights(ground).notes,
        *went.layers.notes,
        *note_events(went.choice, ensemble),
        *note_person(ensemble, person, ground),
        *note_debris(debris, person),
        *note_model(went.choice, ground, went.layers),
    )
    return Plan(
        scenario,
        elevation,
        place,
        at_m,
        shape_of_ground,
        model,
        debris,
        lanes,
        to_sentences(note_grid(elevation.crs) + elevation.notes + notes),
        went.layers,
    )


def _last_seen(scenario: Scenario) -> LonLat | None:
    at = scenario.last_seen
    return parse_point(at.at, parse_crs(at.crs) if at.crs else None) if at.at else None


def find_met_traps(shape_of_ground: Terrain, went: SnowSimulation) -> tuple[Trap, ...]:
    """Traps on ground that the snow can reach, with the share of carried persons that meet each."""
    found = find_traps(shape_of_ground, went.paths.reach(REACH_MARGIN_M), went.layers)
    person, caught = went.ensemble.person, went.ensemble.person.caught()
    number = np.cumsum(caught) - 1  # only those who were caught are counted
    last = person.cells[person.offsets[1:] - 1].copy()
    last[person.left_grid | person.in_no_data] = -1
    visit = caught[person.index_of_visit]
    whose = number[person.index_of_visit[visit]].astype(np.int32)
    return add_person_shares(
        found, person.cells[visit], whose, last[caught], int(caught.sum()), shape_of_ground.elevation.shape
    )


def _lay_out(
    scenario: Scenario,
    debris: Debris,
    layers: GroundLayers,
    ground: Grid,
    at_m: tuple[float, float] | None,
    poa: Grid | None = None,
) -> SearchPlan:
    wanted, no_go = scenario.search, layers.of("no_go")
    start = at_m
    if wanted.start is not None:
        crs = parse_crs(scenario.last_seen.crs) if scenario.last_seen.crs else None
        start = to_map(parse_point(wanted.start, crs), ground.crs)
    options = SearchOptions(
        strip_width_m=wanted.strip_width_m,
        searchers=wanted.searchers,
        pattern=wanted.pattern,
        start_xy_m=start,
        no_go=no_go.outline if no_go else None,
        entry=wanted.entry,
        poa=poa,
        date=wanted.day,
        second_pass=wanted.second_pass,
        seed=scenario.seed,
    )
    return lay_search(debris.outline, ground, options)


def _observed(
    scenario: Scenario,
    elevation: Elevation,
    place: LonLat | None,
    at_m: tuple[float, float] | None,
    progress: Progress,
) -> Plan:
    """Only the search, over an outline of the debris that somebody drew or recorded."""
    outline = read_outline(scenario.search.debris, elevation.crs, "debris")  # type: ignore[arg-type]
    require_inside(elevation, to_lonlat(outline.centroid.x, outline.centroid.y, elevation.crs), "the debris outline at")
    west, south, east, north = outline.bounds
    if at_m is not None:
        west, south, east, north = min(west, at_m[0]), min(south, at_m[1]), max(east, at_m[0]), max(north, at_m[1])
    margin = OUTLINE_MARGIN_M
    progress("reading the ground", 0.1)
    ground = read_window(elevation, (west - margin, south - margin, east + margin, north + margin))
    layers = read_layers(scenario.ground, ground)
    none = ground.with_values(np.full(ground.shape, np.nan))
    debris = Debris(
        probability=none,
        thickness_m=none,
        thickness_p50_m=none,
        thickness_p90_m=none,
        outline=outline,
        level=math.nan,
        area_m2=float(outline.area),
        left_share=math.nan,
    )
    progress("laying out the search", 0.4)
    lanes = _lay_out(scenario, debris, layers, ground, at_m)
    notes = (
        *note_walk(scenario, lanes),
        "the debris outline was given: no release, run-out, traps or probability of area were worked out",
    )
    return Plan(
        scenario,
        elevation,
        place,
        at_m,
        read_terrain(ground),
        None,
        debris,
        lanes,
        to_sentences(note_grid(elevation.crs) + elevation.notes + layers.notes + notes),
        layers,
    )
