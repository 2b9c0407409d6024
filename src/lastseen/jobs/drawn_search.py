"""A search over any drawn outline, without a model: an outline, perhaps an elevation model, and who searches."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
from pyproj import CRS
from shapely import MultiPolygon

from lastseen.core import (
    SLIDING_GB_PER_MILLION_CELLS,
    Grid,
    InputError,
    Progress,
    Scenario,
    crs_of_outline,
    is_local_metric,
    no_progress,
    parse_crs,
    parse_point,
    read_outline,
    require_memory,
    to_lonlat,
    to_map,
    utm_crs,
)
from lastseen.jobs.notes import note_lanes, to_sentences
from lastseen.jobs.plan import Plan
from lastseen.search import Entry, SearchOptions, SearchPlan, lay_search
from lastseen.snow import Debris
from lastseen.terrain import Elevation, open_elevation, read_terrain, read_window, require_inside

MARGIN_M = 150.0
_FLAT_CELL_M, _FLAT_CELLS = 2.0, 1_000_000
WGS84_TEXT = "EPSG:4326"


def plan_drawn_search(
    scenario: Scenario,
    *,
    no_go: Path | None = None,
    entry: Entry | None = None,
    progress: Progress = no_progress,
) -> Plan:
    """Lay out a search over the outline of a scenario, without any model.

    Parameters
    ----------
    scenario : Scenario
        Its ``search.debris`` is the outline; without ``elevation`` the ground is taken as flat.
    no_go : Path, optional
        Drawn ground that nobody may walk on.
    entry : {"top", "toe", "flank"}, optional
        Where the search begins.

    Returns
    -------
    Plan
        With ``model`` None; its elevation has no sheets where the ground is flat.
    """
    if scenario.search.debris is None:
        raise InputError("no outline was given: name a file with the outline of the debris")
    progress("reading the outline", 0.0)
    path = scenario.search.debris
    rough = read_outline(path, CRS(WGS84_TEXT), "debris").centroid
    place = to_lonlat(rough.x, rough.y, CRS(WGS84_TEXT))
    if scenario.elevation:
        elevation = open_elevation(scenario.elevation, place, scenario.z_unit)
        crs = elevation.crs
    else:
        own = crs_of_outline(path, "debris")
        crs = own if is_local_metric(own, place) else utm_crs(place)
    outline = read_outline(path, crs, "debris")
    forbidden = read_outline(no_go, crs, "no-go") if no_go is not None else None
    start = _start(scenario, crs)
    box = _box(outline, start)
    progress("reading the ground", 0.2)
    if scenario.elevation:
        require_inside(elevation, place, "the debris outline at")
        inner = elevation.snapped(box)
        cells = round((inner[2] - inner[0]) * (inner[3] - inner[1]) / elevation.cell_m**2)
        require_memory(cells, SLIDING_GB_PER_MILLION_CELLS, "a window")
        ground = read_window(elevation, box)
    else:
        ground, elevation = _flat(box, crs)
    progress("laying out the search", 0.5)
    wanted = scenario.search
    options = SearchOptions(
        strip_width_m=wanted.strip_width_m,
        searchers=wanted.searchers,
        pattern=wanted.pattern,
        start_xy_m=start,
        no_go=forbidden,
        entry=entry,
        date=wanted.day,
        second_pass=wanted.second_pass,
        seed=scenario.seed,
    )
    lanes = lay_search(outline, ground, options)
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
    notes = _notes(scenario, elevation, start, lanes)
    return Plan(scenario, elevation, None, None, read_terrain(ground), None, debris, lanes, notes)


def _start(scenario: Scenario, crs: CRS) -> tuple[float, float] | None:
    """Where the searchers stand, map metres."""
    if scenario.search.start is None:
        return None
    given = parse_crs(scenario.last_seen.crs) if scenario.last_seen.crs else None
    return to_map(parse_point(scenario.search.start, given), crs)


def _box(outline: MultiPolygon, start: tuple[float, float] | None) -> tuple[float, float, float, float]:
    """The window of ground that is needed."""
    west, south, east, north = outline.bounds
    if start is not None:
        west, south, east, north = min(west, start[0]), min(south, start[1]), max(east, start[0]), max(north, start[1])
    return west - MARGIN_M, south - MARGIN_M, east + MARGIN_M, north + MARGIN_M


def _flat(box: tuple[float, float, float, float], crs: CRS) -> tuple[Grid, Elevation]:
    """Level ground at height 0, and an elevation model without files."""
    west, south, east, north = box
    cell = max(_FLAT_CELL_M, math.sqrt((east - west) * (north - south) / _FLAT_CELLS))
    rows, cols = math.ceil((north - south) / cell), math.ceil((east - west) / cell)
    ground = Grid(np.zeros((rows, cols)), west, north, cell, crs)
    return ground, Elevation(sheets=(), crs=crs, cell_m=cell, anchor_m=(west, north), bounds_m=ground.bounds, notes=())


def _notes(
    scenario: Scenario,
    elevation: Elevation,
    start: tuple[float, float] | None,
    lanes: SearchPlan,
) -> tuple[str, ...]:
    """Plain sentences that the user must see."""
    notes = ["Only the search was laid out: no release, run-out, traps or probability of area were worked out."]
    if not scenario.elevation:
        notes.insert(
            0,
            "No elevation model was given: the ground is taken as flat. On a slope strips lie closer together on the "
            "map than drawn here, and steep ground and walls are not seen; give one with --dem.",
        )
    if start is None:
        notes.append("Nobody said where the searchers stand: they are taken to stand where the search begins.")
    return to_sentences((*elevation.notes, *notes, *note_lanes(scenario, lanes)))


def without_elevation(scenario: Scenario) -> Scenario:
    """The scenario on flat ground."""
    return replace(scenario, elevation=())
