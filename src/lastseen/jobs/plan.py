"""A scenario becomes a plan: with the motion of the snow, or a search over an outline that somebody drew."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import CRS
from shapely import MultiPolygon

from lastseen import core, snow
from lastseen.core import Grid, InputError, IntArray, LonLat, Progress, Scenario, parse_crs, read_outline, to_lonlat
from lastseen.jobs.notes import (
    note_all_found,
    note_debris,
    note_events,
    note_grid,
    note_lanes,
    note_missing,
    note_model,
    note_open_edge,
    note_person,
    note_reach,
    note_unfinished,
    note_walk,
    read_place,
    to_sentences,
)
from lastseen.jobs.rescue import ALL_DRAWS, AllFound, PlanRescue, plan_rescue, search_for_all
from lastseen.jobs.snow_simulation import SnowSimulation, count_cells, simulate_snow
from lastseen.rescue import Travel
from lastseen.search import Entry, SearchOptions, SearchPlan, lay_search, measure_coverage_over_time
from lastseen.snow import Debris
from lastseen.terrain import (
    Elevation,
    GroundLayers,
    Terrain,
    check_layers,
    open_elevation_of,
    read_ground,
    read_layers,
    read_terrain,
    require_inside,
)
from lastseen.traps import Trap, add_burial_depth, add_person_shares, find_traps

OUTLINE_MARGIN_M = 150.0
REACH_MARGIN_M = 10.0
OUTLINES_AGAIN = 6  # how often the events are drawn again for the choice of a layout; design choice
FARTHEST_SEEN_M = 500.0  # between last-seen points of one search; design choice
FARTHEST_START_M = 2000.0  # of a way that is drawn; design choice
IN_THE_END_S = 1e9  # after every walk
_FLAT_CELL_M, _FLAT_CELLS = 2.0, 1_000_000
_VISITS_AT_ONCE = 1_000_000
_WGS84 = CRS("EPSG:4326")


@dataclass(frozen=True, kw_only=True)
class Model:
    """What the motion model says; absent when an observed outline of the debris was given."""

    release: snow.Release
    choice: snow.ModelChoice
    ensemble: snow.Ensemble
    paths: snow.FlowPaths
    runout: snow.Runout
    envelope: snow.RunoutEnvelope
    person: snow.Person
    zones: tuple[snow.DepositZone, ...]
    traps: tuple[Trap, ...]


@dataclass(frozen=True, kw_only=True)
class PersonShares:
    """Shares of all persons that the snow took, also of those who left the model."""

    in_range: float  # of the lanes: within half a strip of where somebody walks
    # no_go, water: on ground that was given as such; None where none was
    no_go: float | None
    water: float | None


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan: the question, the ground, what the model says, and the search."""

    scenario: Scenario
    elevation: Elevation  # without sheets where the ground is taken as flat
    place: LonLat | None  # the last-seen point; None only over a drawn outline
    at_m: tuple[float, float] | None  # the same in map metres
    terrain: Terrain  # the window of ground that was worked on
    model: Model | None
    debris: Debris
    search: SearchPlan
    notes: tuple[str, ...]  # plain sentences that the user must see
    radius_m: float = math.nan  # how far off the last-seen point may be, with what its notation and its datum add
    urgent: tuple[str, ...] = ()  # those of them that come before all else
    layers: GroundLayers = field(default_factory=GroundLayers)  # as far as they were given
    # last-seen points of further missing persons, and the same in map metres
    also: tuple[LonLat, ...] = ()
    also_m: tuple[tuple[float, float], ...] = ()
    all_found: AllFound | None = None  # the search for several missing persons; None for one, and without a model

    @cached_property
    def rescue(self) -> PlanRescue:
        """Clock, digging and probing for its walk, slope and burial depth."""
        burial = self.model.person.burial if self.model else None
        trial = self.search.chosen
        return plan_rescue(
            self.search.legs,
            self.debris.outline,
            self.terrain.elevation,
            searchers=self.search.searchers,
            strip_width_m=self.search.strip_width_m,
            coverage=self.search.coverage.fraction,
            travel=self.search.travel,
            first_signal_s=trial.first_signal_s if trial is not None else None,
            buried_p50_m=burial.p50_m if burial else None,
            zones=[(zone.poa, zone.slope_deg) for zone in self.model.zones] if self.model else (),
        )

    @cached_property
    def person_shares(self) -> PersonShares | None:
        """What the lanes mean for a carried person; None without a model."""
        if self.model is None:
            return None
        poa, ground = self.model.person.poa, self.terrain.elevation
        layers = [self.layers.of(kind) for kind in ("no_go", "water")]
        no_go, water = (snow.share_inside(poa, layer.outline) if layer else None for layer in layers)
        legs, width, times = self.search.legs, self.search.strip_width_m, np.array([IN_THE_END_S])
        _, person = measure_coverage_over_time(
            self.debris.outline, ground, legs, width, times, spacing_m=width, poa=poa
        )
        return PersonShares(in_range=0.0 if person is None else float(person[0]), no_go=no_go, water=water)


def make_plan(scenario: Scenario, progress: Progress = core.no_progress) -> Plan:
    """Work out a plan, with the motion of the snow or over the outline that the scenario names."""
    progress("opening the elevation model", 0.0)
    at = scenario.last_seen
    place = _read_point(at.at, at.crs) if at.at else None
    elevation = open_elevation_of(scenario, place)
    at_m = require_inside(elevation, place) if place else None
    radius_m, doubts = read_place(scenario, elevation.crs)[1:] if place else (math.nan, ())
    check_layers(scenario.ground, elevation)
    scenario.search.day  # noqa: B018  a date that cannot be read is refused before anything is worked out
    starts_m = _check_starts(scenario, elevation, at_m)
    if scenario.search.debris is not None:
        outline, slivers = _read_debris(scenario.search.debris, elevation)
        middle = to_lonlat(outline.centroid.x, outline.centroid.y, elevation.crs)
        require_inside(elevation, middle, "the debris outline at")
        plan = _plan_over(outline, scenario, elevation, at_m=at_m, progress=progress)
        notes = (
            *plan.notes,
            *doubts,
            *slivers,
            *note_grid(elevation.crs, at=middle),
            *elevation.notes,
            *plan.layers.notes,
            *note_walk(scenario, plan.search),
            "the debris outline was given: no release, run-out, traps or probability of area were worked out",
            *note_missing(at.missing),
        )
        return replace(plan, place=place, radius_m=radius_m, notes=to_sentences(notes))
    if place is None or at_m is None:
        raise InputError("no last-seen point was given: use --at, or give an observed outline with --debris")
    also = [_read_point(text, at.crs) for text in at.points()[1:]]
    also_m = [_near_first(place_of, number, elevation, at_m) for number, place_of in enumerate(also, start=2)]
    wider = replace(scenario, last_seen=replace(scenario.last_seen, radius_m=radius_m))
    simulation = simulate_snow(wider, elevation, at_m, progress, starts_m=starts_m, also_m=also_m)
    simulation = replace(simulation, notes=(*simulation.notes, *doubts))
    plan = _plan_with_model(simulation, scenario, elevation, place, at_m=at_m, progress=progress)
    plan = _search_for_all(plan, also, also_m) if also else plan
    notes = tuple(dict.fromkeys((*to_sentences(simulation.notes), *plan.notes)))
    return replace(plan, radius_m=radius_m, notes=notes)


def _near_first(place: LonLat, number: int, elevation: Elevation, at_m: tuple[float, float]) -> tuple[float, float]:
    """Map metres of another last-seen point; refused off the model and far from the first."""
    found = require_inside(elevation, place, f"last-seen point {number} at")
    if math.dist(found, at_m) > FARTHEST_SEEN_M:
        raise InputError(
            f"last-seen point {number} is {math.dist(found, at_m):.0f} m from the first, more than "
            f"{FARTHEST_SEEN_M:.0f} m: plan a search for each of them"
        )
    return found


def _search_for_all(plan: Plan, also: Sequence[LonLat], also_m: Sequence[tuple[float, float]]) -> Plan:
    """The plan with the search for several missing persons until all are found."""
    model, ground, search, seed = plan.model, plan.terrain.elevation, plan.search, plan.scenario.seed
    if model is None:
        return plan
    missing = 1 + len(also)
    persons = snow.draw_missing_persons(model.ensemble, ground, missing, ALL_DRAWS, np.random.default_rng([seed, 1]))
    found = search_for_all(
        search.legs, ground, persons, strip_width_m=search.strip_width_m, travel=search.travel, seed=seed
    )
    notes = to_sentences(note_all_found(found, snow.taken_shares(model.ensemble, missing)))
    return replace(plan, also=tuple(also), also_m=tuple(also_m), all_found=found, notes=(*notes, *plan.notes))


def _check_starts(
    scenario: Scenario, elevation: Elevation, at_m: tuple[float, float] | None
) -> tuple[tuple[float, float], ...]:
    """Where searchers stand, map metres; refused off the model, on no data or no-go ground, and far from the point."""
    starts = list_starts_m(scenario, elevation.crs)
    for x, y in starts:
        place = to_lonlat(x, y, elevation.crs)
        require_inside(elevation, place, "the start at")
        named = f"the start at {place.lon_deg:.6f},{place.lat_deg:.6f}"
        cell = elevation.cell_m
        ground = read_ground(elevation, elevation.snapped((x - cell, y - cell, x + cell, y + cell))).grid
        row, col = ground.cell_of(x, y)
        if not np.isfinite(ground.values[np.clip(row, 0, ground.shape[0] - 1), np.clip(col, 0, ground.shape[1] - 1)]):
            raise InputError(f"{named} lies on no data: choose a start on the ground or fill the gap")
        forbidden = read_layers(core.Ground(no_go=scenario.ground.no_go), ground).of("no_go")
        if forbidden is not None and shapely.intersects_xy(forbidden.outline, x, y):
            raise InputError(f"{named} lies on no-go ground: choose another start")
        if at_m is not None and math.dist((x, y), at_m) > FARTHEST_START_M:
            raise InputError(
                f"{named} is {math.dist((x, y), at_m) / 1000.0:.1f} km from the last-seen point, more than "
                f"{FARTHEST_START_M / 1000.0:g} km: leave it out and give the minutes of the approach (approach_min)"
            )
    return starts


def _read_debris(path: Path, elevation: Elevation) -> tuple[MultiPolygon, tuple[str, ...]]:
    """The drawn outline of the debris on the map, and what was left out of it."""
    return core.check_drawn(read_outline(path, elevation.crs, "debris"), "debris", path.name, elevation.cell_m)


def _plan_with_model(
    simulation: SnowSimulation,
    scenario: Scenario,
    elevation: Elevation,
    place: LonLat,
    *,
    at_m: tuple[float, float],
    progress: Progress,
) -> Plan:
    """The plan of an ensemble."""
    ground, ensemble, release = simulation.ground, simulation.ensemble, simulation.release
    terrain = read_terrain(ground)
    progress("settling the debris", 0.75)
    poa = snow.probability_of_area(ensemble, ground)
    debris = snow.find_debris(ensemble, ground, poa, scenario.search.outline_probability)
    person = snow.locate_person(ensemble, poa, at_m, debris.outline)
    progress("looking for terrain traps", 0.8)
    traps = add_burial_depth(find_met_traps(terrain, simulation), debris.thickness_m, person.poa)
    model = Model(
        release=release,
        choice=simulation.choice,
        ensemble=ensemble,
        paths=simulation.paths,
        runout=snow.measure_runout(simulation.flow_ground, release, ensemble),
        envelope=snow.estimate_envelope(simulation.paths.profile_m[:, 0], simulation.paths.profile_m[:, 1]),
        person=person,
        zones=snow.split_deposit(terrain, debris, person, traps, release.top_m),
        traps=traps,
    )
    progress("laying out the search", 0.9)
    options = _set_options(scenario, ground.crs, simulation.layers, at_m)
    again = snow.draw_outlines_again(
        ensemble, ground, debris, OUTLINES_AGAIN, np.random.default_rng([scenario.seed, 2])
    )
    options = replace(options, poa=person.poa, swept=simulation.paths.corridors[0][1], outlines=again)
    search = lay_search(debris.outline, ground, options)
    urgent = (
        *simulation.notes,
        *note_open_edge(ensemble, simulation.missing_m),
        *note_reach(ensemble),
        *note_unfinished(ensemble),
    )
    notes = (
        *urgent,
        *note_grid(elevation.crs, at=place),
        *elevation.notes,
        *note_walk(scenario, search),
        *simulation.layers.notes,
        *note_events(simulation.choice, ensemble),
        *note_person(person, ground),
        *note_debris(debris, person),
        *note_model(simulation.choice, ground, simulation.layers),
    )
    return Plan(
        scenario=scenario,
        elevation=elevation,
        place=place,
        at_m=at_m,
        terrain=terrain,
        model=model,
        debris=debris,
        search=search,
        notes=to_sentences(notes),
        urgent=to_sentences(urgent),
        layers=simulation.layers,
    )


def find_met_traps(terrain: Terrain, simulation: SnowSimulation) -> tuple[Trap, ...]:
    """Traps on ground that the snow can reach, with the share of carried persons that meet each."""
    traps = find_traps(terrain, simulation.paths.reach(REACH_MARGIN_M), simulation.layers)
    person, caught = simulation.ensemble.person, simulation.ensemble.person.taken
    number = np.cumsum(caught) - 1  # only those who were caught are counted
    last = person.cells[person.offsets[1:] - 1].copy()
    last[person.left_grid | person.in_no_data] = -1
    visit = _find_visits(traps, person.cells, terrain.elevation.shape)
    visitor = (np.searchsorted(person.offsets, visit, side="right") - 1).astype(np.int32)
    counted = caught[visitor]
    return add_person_shares(
        traps,
        person.cells[visit[counted]],
        number[visitor[counted]].astype(np.int32),
        last_cell=last[caught],
        n_persons=int(caught.sum()),
        shape=terrain.elevation.shape,
    )


def _find_visits(traps: tuple[Trap, ...], cells: IntArray, shape: tuple[int, int]) -> IntArray:
    """Which of all visited cells lie in a trap; piece by piece, for there are many millions."""
    inside = np.zeros(shape[0] * shape[1], np.bool_)
    for trap in traps:
        inside[trap.cells] = True
    found = [np.zeros(0, np.int32)]
    for first in range(0, cells.size, _VISITS_AT_ONCE):
        part = cells[first : first + _VISITS_AT_ONCE]
        found.append((first + np.flatnonzero(inside[part] & (part >= 0))).astype(np.int32))
    return np.concatenate(found)


def _set_options(scenario: Scenario, crs: CRS, layers: GroundLayers, at_m: tuple[float, float] | None) -> SearchOptions:
    """What the scenario asks of the search; searchers start at the last-seen point where it names no start."""
    asked, no_go = scenario.search, layers.of("no_go")
    start, *others = list_starts_m(scenario, crs) or (at_m,)
    return SearchOptions(
        strip_width_m=asked.strip_width_m,
        searchers=asked.searchers,
        pattern=asked.pattern,
        start_xy_m=start,
        other_starts_m=tuple(other for other in others if other is not None),
        last_seen_m=at_m,
        no_go=no_go.outline if no_go else None,
        entry=asked.entry,
        date=asked.day,
        second_pass=asked.second_pass,
        seed=scenario.seed,
        travel=travel_of(scenario),
    )


def travel_of(scenario: Scenario) -> Travel:
    """How the searchers of a scenario move."""
    asked = scenario.search
    return Travel(
        approach=asked.travel,
        search=asked.search_travel,
        down_m_s=asked.down_m_s,
        up_m_s=asked.up_m_s,
        search_m_s=asked.search_m_s,
        approach_s=None if asked.approach_min is None else 60.0 * asked.approach_min,
    )


def list_starts_m(scenario: Scenario, crs: CRS) -> tuple[tuple[float, float], ...]:
    """Where the scenario says that the searchers stand, map metres; each may be written in its own way."""
    return tuple(core.to_map(_read_point(text, scenario.last_seen.crs), crs) for text in scenario.search.starts)


def _read_point(text: str, crs_name: str | None) -> LonLat:
    """A point in its own notation: also degrees beside others in the numbers of a projected CRS."""
    given = parse_crs(crs_name) if crs_name else None
    if given is not None and given.is_projected:
        try:
            return core.parse_point(text)
        except InputError:  # numbers too large for degrees are those of the CRS
            pass
    return core.parse_point(text, given)


def plan_drawn_search(
    scenario: Scenario, *, no_go: Path | None = None, entry: Entry | None = None, progress: Progress = core.no_progress
) -> Plan:
    """Lay out a search over the outline ``search.debris`` of a scenario; without ``elevation`` on flat ground.

    ``no_go`` is a file with drawn ground that nobody may walk on; ``entry`` says where the search begins.
    """
    path = scenario.search.debris
    if path is None:
        raise InputError("no outline was given: name a file with the outline of the debris")
    progress("reading the outline", 0.0)
    rough = read_outline(path, _WGS84, "debris").centroid
    place = to_lonlat(rough.x, rough.y, _WGS84)
    elevation: Elevation | CRS
    if scenario.elevation:
        elevation = open_elevation_of(scenario, place)
        crs = elevation.crs
        require_inside(elevation, place, "the debris outline at")
    else:
        drawn_in = core.crs_of_outline(path, "debris")
        elevation = crs = drawn_in if core.is_local_metric(drawn_in, place) else core.utm_crs(place)
    cell_m = elevation.cell_m if isinstance(elevation, Elevation) else 0.0
    outline, slivers = core.check_drawn(read_outline(path, crs, "debris"), "debris", path.name, cell_m)
    scenario.search.day  # noqa: B018  a date that cannot be read is refused before anything is worked out
    forbidden = read_outline(no_go, crs, "no-go") if no_go is not None else None
    plan = _plan_over(outline, scenario, elevation, no_go=forbidden, entry=entry, progress=progress)
    notes = ["Only the search was laid out: no release, run-out, traps or probability of area were worked out."]
    if not scenario.elevation:
        notes.insert(
            0,
            "No elevation model was given: the ground is taken as flat. On a slope strips lie closer together on the "
            "map than drawn here, and steep ground and walls are not seen; give one with --dem.",
        )
    if scenario.search.start is None:
        notes.append("Nobody said where the searchers stand: they are taken to stand where the search begins.")
    sentences = (*plan.notes, *slivers, *plan.elevation.notes, *notes, *note_lanes(scenario, plan.search))
    return replace(plan, notes=to_sentences(sentences))


def _plan_over(
    outline: MultiPolygon,
    scenario: Scenario,
    elevation: Elevation | CRS,
    *,
    at_m: tuple[float, float] | None = None,
    no_go: MultiPolygon | None = None,
    entry: Entry | None = None,
    progress: Progress,
) -> Plan:
    """A plan without model, on an elevation model or on flat ground in a CRS; its notes are those of the heights."""
    crs = elevation if isinstance(elevation, CRS) else elevation.crs
    west, south, east, north = outline.bounds
    for x, y in filter(None, (at_m, *list_starts_m(scenario, crs))):
        west, south, east, north = min(west, x), min(south, y), max(east, x), max(north, y)
    more = OUTLINE_MARGIN_M
    box = (west - more, south - more, east + more, north + more)
    progress("reading the ground", 0.1)
    if isinstance(elevation, CRS):
        ground, elevation = _make_flat_ground(box, elevation)
        doubts: tuple[str, ...] = ()
    else:
        core.require_memory(
            count_cells(elevation, elevation.snapped(box)), core.SLIDING_GB_PER_MILLION_CELLS, "a window"
        )
        checked = read_ground(elevation, box)
        ground, doubts = checked.grid, checked.report.notes
        if not np.isfinite(ground.values).any():
            raise InputError("there is no ground around the outline, only no data: use another elevation model")
    layers = read_layers(scenario.ground, ground)
    grids = ("probability", "thickness_m", "thickness_p50_m", "thickness_p90_m")
    none: dict[str, Any] = dict.fromkeys(grids, ground.with_values(np.full(ground.shape, np.nan)))
    debris = Debris(outline=outline, level=math.nan, area_m2=float(outline.area), left_share=math.nan, **none)
    progress("laying out the search", 0.4)
    options = _set_options(scenario, crs, layers, at_m)
    options = replace(options, no_go=no_go or options.no_go, entry=entry or options.entry)
    return Plan(
        scenario=scenario,
        elevation=elevation,
        place=None,
        at_m=at_m,
        terrain=read_terrain(ground),
        model=None,
        debris=debris,
        search=lay_search(outline, ground, options),
        notes=doubts,
        urgent=to_sentences(doubts),
        layers=layers,
    )


def _make_flat_ground(box: tuple[float, float, float, float], crs: CRS) -> tuple[Grid, Elevation]:
    """Level ground at height 0, and an elevation model without files."""
    west, south, east, north = box
    cell = max(_FLAT_CELL_M, math.sqrt((east - west) * (north - south) / _FLAT_CELLS))
    rows, cols = math.ceil((north - south) / cell), math.ceil((east - west) / cell)
    ground = Grid(np.zeros((rows, cols)), west, north, cell, crs)
    elevation = Elevation(sheets=(), crs=crs, cell_m=cell, anchor_m=(west, north), bounds_m=ground.bounds, notes=())
    return ground, elevation
