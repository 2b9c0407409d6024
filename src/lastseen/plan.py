"""The story, top to bottom: a scenario becomes a plan."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lastseen import deposit, motion, release, search, terrain, traps
from lastseen.deposit import Debris, Person
from lastseen.deposit.zones import Zone, split_deposit
from lastseen.elevation import Box, Elevation, open_elevation, read_window, require_inside
from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.memory import PLAN_GB_PER_MILLION_CELLS, require_memory
from lastseen.motion import Run, Tracks
from lastseen.motion.paths import FlowPaths, flow_paths
from lastseen.motion.runout import Runout, measure_runout
from lastseen.outlines import read_outline
from lastseen.place import LonLat, bearing_text, parse_crs, parse_point, to_lonlat, to_map
from lastseen.release import Release
from lastseen.scenario import Scenario
from lastseen.search import SearchPlan
from lastseen.terrain import Terrain
from lastseen.traps import Trap

# First guess of the window around the last-seen point, by destructive size; it grows where anything reaches its edge.
# EAWS size table: lengths of 10-50, 50-200, 300-1000 and 1000-2000 m.
HALF_WINDOW_M = {1: 300.0, 2: 600.0, 3: 1200.0, 4: 2400.0}
GROWTH_M = 0.5  # share of the half window added on a side that was reached
MOST_GROWTHS = 16
ASCENT_GROWTHS = 2  # how often the window grows in search of a start zone
OUTLINE_MARGIN_M = 150.0
REACH_MARGIN_M = 10.0
LITTLE_INSIDE = 0.8
USUAL_STRIPS_M = (20.0, 60.0)  # published for teaching and by makers, see the search reference

Progress = Callable[[str, float], None]

MODEL_LIMITS = (
    "bodies slide alone: thickness is indicative, and snow that piles up or spreads sideways is not modelled",
    "friction, slab and growth are literature ranges, not calibrated to this place or day",
    "snowpack, wind and weather are not in the model",
)


@dataclass(frozen=True)
class Model:
    """What the motion model says; absent when an observed outline of the debris was given."""

    release: Release
    run: Run
    paths: FlowPaths
    runout: Runout
    envelope: motion.Envelope
    person: Person
    zones: tuple[Zone, ...]
    traps: tuple[Trap, ...]


@dataclass(frozen=True)
class Plan:
    """A plan: the question, the ground, what the model says, and the search.

    Attributes
    ----------
    scenario : Scenario
    elevation : Elevation
    place : LonLat or None
        The last-seen point; None only with an observed outline and no point.
    at_m : (x, y) or None
        The same in map metres.
    terrain : Terrain
        The window of ground that was worked on.
    model : Model or None
    debris : Debris
    search : SearchPlan
    notes : tuple of str
        Plain sentences that the user must see.
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


def make_plan(scenario: Scenario, progress: Progress = lambda _stage, _share: None) -> Plan:
    """Work out a plan.

    Parameters
    ----------
    scenario : Scenario
    progress : callable, optional
        Called with the name of each stage and the share of the whole that is done.

    Raises
    ------
    InputError, NothingFoundError, ResourceError
        With one sentence that says what is wrong, where, and what to do.
    """
    progress("opening the elevation model", 0.0)
    place = _last_seen(scenario)
    elevation = open_elevation(scenario.elevation, place, scenario.z_unit)
    at_m = require_inside(elevation, place) if place else None
    if scenario.search.debris is not None:
        return _observed(scenario, elevation, place, at_m, progress)
    if at_m is None:
        raise InputError("no last-seen point was given: use --at, or give an observed outline with --debris")
    ground, snow, paths, notes = _let_it_run(scenario, elevation, at_m, progress)
    felt = motion.felt_ground(ground)
    shape_of_ground = terrain.read_terrain(ground)
    progress("settling the debris", 0.6)
    poa = deposit.probability_of_area(snow[1], felt)
    debris = deposit.settle(snow[1], felt, poa, scenario.search.outline_probability)
    person = deposit.where_person_lies(snow[1], poa, at_m, debris.outline)
    progress("looking for terrain traps", 0.7)
    found = _met_traps(shape_of_ground, paths, snow[1])
    zones = split_deposit(shape_of_ground, debris, person, found, snow[0].top_m)
    model = Model(
        *snow,
        paths,
        measure_runout(felt, snow[0], snow[1]),
        motion.envelope(paths.profile_m[:, 0], paths.profile_m[:, 1]),
        person,
        zones,
        found,
    )
    progress("laying out the search", 0.8)
    lanes = _lay_out(scenario, debris, ground, at_m, person.poa)
    notes = (*_about_walk(scenario, lanes), *notes, *_remarks(model, debris, ground))
    return Plan(
        scenario,
        elevation,
        place,
        at_m,
        shape_of_ground,
        model,
        debris,
        lanes,
        _sentences(_about_grid(elevation) + elevation.notes + notes),
    )


def _last_seen(scenario: Scenario) -> LonLat | None:
    at = scenario.last_seen
    return parse_point(at.at, parse_crs(at.crs) if at.crs else None) if at.at else None


def _let_it_run(
    scenario: Scenario, elevation: Elevation, at_m: tuple[float, float], progress: Progress
) -> tuple[Grid, tuple[Release, Run], FlowPaths, tuple[str, ...]]:
    """Release and run the ensemble in a window that grows until nothing reaches its edge."""
    half = HALF_WINDOW_M[scenario.snow.size]
    box = elevation.snapped((at_m[0] - half, at_m[1] - half, at_m[0] + half, at_m[1] + half))
    for attempt in range(MOST_GROWTHS + 1):
        needed = require_memory(_cells_in(elevation, box), PLAN_GB_PER_MILLION_CELLS, "a window")
        progress(f"reading the ground, {needed}", 0.05)
        ground = read_window(elevation, box)
        if not np.isfinite(ground.values).any():
            raise InputError("there is no ground around the last-seen point, only no data: use another elevation model")
        try:
            snow = _start(scenario, ground, at_m)
        except InputError:
            wider = _grown(elevation, box, set("WSEN"), half)
            if scenario.snow.release or wider == box or attempt >= ASCENT_GROWTHS:
                raise
            box = wider
            continue
        felt = motion.felt_ground(ground)
        wider = _grown(elevation, box, _sides_reached(ground, snow, motion.scouts(felt, snow, scenario.snow)), half)
        if wider != box and attempt < MOST_GROWTHS:
            box = wider
            continue
        progress("letting the snow run", 0.15)
        generator = np.random.default_rng(scenario.seed)
        run = motion.run_ensemble(felt, snow, scenario.snow, scenario.last_seen, at_m, generator)
        wider = _grown(elevation, box, _sides_reached(ground, snow, run.debris, run.person), half)
        if wider == box or attempt == MOST_GROWTHS:
            break
        box = wider
    progress("tracing the paths", 0.5)
    return ground, (snow, run), flow_paths(felt, snow, run), _lost(ground, run)


def _cells_in(elevation: Elevation, box: Box) -> int:
    return round((box[2] - box[0]) / elevation.cell_m) * round((box[3] - box[1]) / elevation.cell_m)


def _start(scenario: Scenario, ground: Grid, at_m: tuple[float, float]) -> Release:
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
        return release.drawn_release(ground, outline, snow.size, snow.slab_thickness_m)
    return release.find_release(ground, *at_m, snow.size, snow.slab_thickness_m)


def _sides_reached(ground: Grid, snow: Release, *moved: Tracks) -> set[str]:
    """Sides of the window that a body or the release came to."""
    west, south, east, north = ground.bounds
    rim = 4.0 * ground.cell_m
    x, y = [], []
    for tracks in moved:
        left = tracks.reason == 1
        x.append(tracks.x_m[left])
        y.append(tracks.y_m[left])
    rows, cols = snow.cells // ground.shape[1], snow.cells % ground.shape[1]
    cx, cy = ground.centre_of(rows, cols)
    all_x, all_y = np.concatenate([*x, cx]), np.concatenate([*y, cy])
    tests = {"W": all_x < west + rim, "E": all_x > east - rim, "S": all_y < south + rim, "N": all_y > north - rim}
    return {side for side, reached in tests.items() if reached.any()}


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


def _met_traps(shape_of_ground: Terrain, paths: FlowPaths, run: Run) -> tuple[Trap, ...]:
    """Traps on ground that the snow can reach, with the share of carried persons that meet each."""
    found = traps.find_traps(shape_of_ground, paths.reach(REACH_MARGIN_M))
    person, shape = run.person, shape_of_ground.elevation.shape
    last = person.cells[person.offsets[1:] - 1].copy()
    last[(person.reason == 1) | (person.reason == 2)] = -1
    return traps.with_person(found, person.cells, person.body_of_visit, last, person.count, shape)


def _lay_out(
    scenario: Scenario, debris: Debris, ground: Grid, at_m: tuple[float, float] | None, poa: Grid | None = None
) -> SearchPlan:
    wanted = scenario.search
    start = at_m
    if wanted.start is not None:
        crs = parse_crs(scenario.last_seen.crs) if scenario.last_seen.crs else None
        start = to_map(parse_point(wanted.start, crs), ground.crs)
    return search.lay_out(
        debris.outline,
        ground,
        strip_width_m=wanted.strip_width_m,
        searchers=wanted.searchers,
        start_xy_m=start,
        pattern=wanted.pattern,
        poa=poa,
        seed=scenario.seed,
    )


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
    none = ground.with_values(np.full(ground.shape, np.nan))
    debris = Debris(none, none, none, outline, math.nan, float(outline.area), math.nan)
    progress("laying out the search", 0.4)
    lanes = _lay_out(scenario, debris, ground, at_m)
    notes = (
        *_about_walk(scenario, lanes),
        "the debris outline was given: no release, run-out, traps or probability of area were worked out",
    )
    return Plan(
        scenario,
        elevation,
        place,
        at_m,
        terrain.read_terrain(ground),
        None,
        debris,
        lanes,
        _sentences(_about_grid(elevation) + elevation.notes + notes),
    )


def _lost(ground: Grid, run: Run) -> tuple[str, ...]:
    """What left the elevation model, and where."""
    notes = []
    for tracks, who in ((run.debris, "of the debris bodies"), (run.person, "of the persons")):
        left = tracks.reason == 1
        if left.any():
            west, south, east, north = ground.bounds
            x, y = float(np.median(tracks.x_m[left])), float(np.median(tracks.y_m[left]))
            azimuth = math.degrees(math.atan2(x - (west + east) / 2, y - (south + north) / 2)) % 360
            notes.append(
                f"{left.mean():.0%} {who} left the elevation model at its {bearing_text(azimuth)} edge: "
                "what lies beyond is not shown"
            )
        if (tracks.reason == 2).any():
            notes.append(f"{(tracks.reason == 2).mean():.0%} {who} ran into no data: the gap hides where they stop")
    return tuple(notes)


def _remarks(model: Model, debris: Debris, ground: Grid) -> tuple[str, ...]:
    notes = []
    if not model.run.reached.any():
        notes.append(
            "no event of this release reaches the last-seen point: the person is taken to start from rest there"
        )
    elif model.run.reached.mean() < 0.5:
        notes.append(f"only {model.run.reached.mean():.0%} of the events reach the last-seen point")
    if model.person.carried_p50_m < ground.cell_m:
        notes.append("the person does not slide away from the last-seen point in most events: the ground is too gentle")
    if debris.widened:
        notes.append(
            "events end in many places and leave thin debris: the searched outline was widened to the smallest ground "
            "that holds 90 % of the probability of area (POA)"
        )
    elif model.person.inside_debris < LITTLE_INSIDE:
        notes.append(
            f"only {model.person.inside_debris:.0%} of the probability of area (POA) lies inside the outline that "
            "was asked for: leave search.outline_probability out of the scenario to search more"
        )
    blind = traps.invisible_note(ground.cell_m)
    return (*notes, *([blind] if blind else []), *MODEL_LIMITS)


def _about_walk(scenario: Scenario, lanes: SearchPlan) -> tuple[str, ...]:
    """What somebody who walks the lanes must know before they set out."""
    notes = []
    if not USUAL_STRIPS_M[0] <= lanes.strip_width_m <= USUAL_STRIPS_M[1]:
        notes.append(
            f"strips of {lanes.strip_width_m:g} m are outside the {USUAL_STRIPS_M[0]:g} to {USUAL_STRIPS_M[1]:g} m "
            "that handbooks and makers give: check the number"
        )
    if scenario.last_seen.at == "" and scenario.search.start is None:
        notes.append("nobody said where the searchers stand: the top of the outline was taken")
    notes.append("times are for walking off the path (Tobler 1993), not for skis and not for hard debris")
    return tuple(notes)


def _about_grid(elevation: Elevation) -> tuple[str, ...]:
    """Whether a receiver shows other numbers than the grid of the map."""
    datum = elevation.crs.geodetic_crs
    if datum is None or "WGS 84" in datum.name or "ETRS89" in datum.name:
        return ()
    note = (
        f"the grid of the map is {elevation.crs.name}; receivers show WGS 84, which can differ by more than 200 m: use "
        "the GPX, the MGRS of the legs in plan.json, or set the receiver to this grid"
    )
    return (note,)


def _sentences(notes: tuple[str, ...]) -> tuple[str, ...]:
    """Each note once, as a sentence."""
    return tuple(dict.fromkeys(f"{note[0].upper()}{note[1:].rstrip('.')}." for note in notes))
