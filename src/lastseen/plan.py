"""The story, top to bottom: a scenario becomes a plan."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from lastseen import deposit, ground_layers, motion, remarks, search, terrain, traps
from lastseen.deposit import Debris, Person
from lastseen.deposit.zones import Zone, split_deposit
from lastseen.elevation import Elevation, open_elevation, read_window, require_inside
from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.ground_layers import GroundLayers
from lastseen.motion import Choice, Events
from lastseen.motion.paths import FlowPaths
from lastseen.motion.runout import Runout, measure_runout
from lastseen.outlines import read_outline
from lastseen.place import LonLat, parse_crs, parse_point, to_lonlat, to_map
from lastseen.reach import Reach, let_it_run
from lastseen.release import Release
from lastseen.scenario import Scenario
from lastseen.search import SearchPlan
from lastseen.terrain import Terrain
from lastseen.terrain.doubts import doubtful_heights
from lastseen.traps import Trap

OUTLINE_MARGIN_M = 150.0
REACH_MARGIN_M = 10.0

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Model:
    """What the motion model says; absent when an observed outline of the debris was given."""

    release: Release
    choice: Choice
    events: Events
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
    ground_layers.check_layers(scenario.ground, elevation)
    if scenario.search.debris is not None:
        return _observed(scenario, elevation, place, at_m, progress)
    if at_m is None:
        raise InputError("no last-seen point was given: use --at, or give an observed outline with --debris")
    went = let_it_run(scenario, elevation, at_m, progress)
    ground, events = went.ground, went.events
    shape_of_ground = terrain.read_terrain(ground)
    progress("settling the debris", 0.75)
    poa = deposit.probability_of_area(events, ground)
    debris = deposit.settle(events, ground, poa, scenario.search.outline_probability)
    person = deposit.where_person_lies(events, poa, at_m, debris.outline)
    progress("looking for terrain traps", 0.8)
    found = traps.with_deposit(met_traps(shape_of_ground, went), debris.thickness_m, person.poa)
    model = Model(
        went.release,
        went.choice,
        events,
        went.paths,
        measure_runout(went.felt, went.release, events),
        motion.envelope(went.paths.profile_m[:, 0], went.paths.profile_m[:, 1]),
        person,
        split_deposit(shape_of_ground, debris, person, found, went.release.top_m),
        found,
    )
    progress("laying out the search", 0.9)
    lanes = _lay_out(scenario, debris, went.layers, ground, at_m, person.poa)
    notes = (
        *remarks.about_walk(scenario, lanes),
        *went.told,
        *doubtful_heights(ground).notes,
        *went.layers.notes,
        *remarks.about_events(went.choice, events),
        *remarks.about_person(events, person, ground),
        *remarks.about_debris(debris, person),
        *remarks.about_model(went.choice, ground, went.layers),
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
        remarks.sentences(remarks.about_grid(elevation.crs) + elevation.notes + notes),
        went.layers,
    )


def _last_seen(scenario: Scenario) -> LonLat | None:
    at = scenario.last_seen
    return parse_point(at.at, parse_crs(at.crs) if at.crs else None) if at.at else None


def met_traps(shape_of_ground: Terrain, went: Reach) -> tuple[Trap, ...]:
    """Traps on ground that the snow can reach, with the share of carried persons that meet each."""
    found = traps.find_traps(shape_of_ground, went.paths.reach(REACH_MARGIN_M), went.layers)
    person, caught = went.events.person, went.events.person.caught()
    number = np.cumsum(caught) - 1  # only those who were caught are counted
    last = person.cells[person.offsets[1:] - 1].copy()
    last[person.left_grid | person.in_no_data] = -1
    visit = caught[person.body_of_visit]
    whose = number[person.body_of_visit[visit]].astype(np.int32)
    return traps.with_person(
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
    return search.lay_pass(
        debris.outline,
        ground,
        second=wanted.second_pass,
        strip_width_m=wanted.strip_width_m,
        searchers=wanted.searchers,
        pattern=wanted.pattern,
        start_xy_m=start,
        no_go=no_go.outline if no_go else None,
        entry=wanted.entry,
        poa=poa,
        date=wanted.day,
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
    layers = ground_layers.read_layers(scenario.ground, ground)
    none = ground.with_values(np.full(ground.shape, np.nan))
    debris = Debris(none, none, none, none, outline, math.nan, float(outline.area), math.nan)
    progress("laying out the search", 0.4)
    lanes = _lay_out(scenario, debris, layers, ground, at_m)
    notes = (
        *remarks.about_walk(scenario, lanes),
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
        remarks.sentences(remarks.about_grid(elevation.crs) + elevation.notes + layers.notes + notes),
        layers,
    )
