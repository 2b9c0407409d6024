"""Lanes over the debris of a plan laid anew, and the long profile; run in a helper process."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import CRS
from shapely import MultiPolygon, box
from shapely.geometry import mapping
from shapely.ops import transform

from lastseen.core import (
    WGS84,
    FloatArray,
    Grid,
    InputError,
    LastseenError,
    NothingFoundError,
    Scenario,
    keep_areas,
    parse_crs,
    parse_point,
    poa_areas,
    read_scenario,
    short_percent,
    to_map,
    transformer,
)
from lastseen.jobs import travel_of
from lastseen.output import Layer, Result, coverage_words, known, read_result, search_layers
from lastseen.search import SearchOptions, SearchPlan, lay_search, measure_coverage_over_time
from lastseen.terrain import open_elevation_of, read_ground, read_layers, require_inside
from lastseen.web.requests import AskLanes

# ---- What a plan stands on, read back from its folder: ground, debris outline, probability of area. Kept in memory

KEPT = 6  # plans; ground and probability of a large one take 100 MB
_INSET = 0.25  # of a cell: bounds in plan.json are rounded to millimetres


@dataclass(frozen=True, kw_only=True)
class PlanContext:
    """What lanes are laid on, read back from the folder of a plan."""

    scenario: Scenario
    ground: Grid
    at_m: tuple[float, float] | None  # last-seen point
    outline: MultiPolygon  # of the debris
    poa: Grid | None  # None where the debris was given
    no_go: MultiPolygon | None
    swept: MultiPolygon | None  # ground that most events pass; None where the debris was given
    favoured: str | None  # kind of layout that came first over several outlines; None where the debris was given


def read_context(folder: str, scenario: str) -> PlanContext:
    """What a plan stands on. Raises InputError if the plan or its elevation files cannot be read any more."""
    path = Path(folder)
    return _read_context(folder, scenario, (path / "plan.json").stat().st_mtime_ns)


@lru_cache(maxsize=KEPT)
def _read_context(folder: str, scenario_file: str, _changed: int) -> PlanContext:
    scenario = read_scenario(Path(scenario_file))
    result = read_result(Path(folder))
    searched = [area for area, row in result.records("debris") if row["searched"]]
    if not searched:
        raise InputError("the plan has no debris outline: make it again")
    try:
        west, south, east, north = (float(number) for number in result.numbers["grid"]["bounds_m"])
        cell = float(result.numbers["grid"]["cell_m"])
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(f"the plan {Path(folder).name} cannot be read: make it again") from error
    at = scenario.last_seen
    place = parse_point(at.at, parse_crs(at.crs) if at.crs else None) if at.at else None
    elevation = open_elevation_of(scenario, place)
    inset = _INSET * cell
    ground = read_ground(elevation, (west + inset, south + inset, east - inset, north - inset)).grid
    layers = read_layers(scenario.ground, ground)
    no_go = layers.of("no_go")
    return PlanContext(
        scenario=scenario,
        ground=ground,
        at_m=require_inside(elevation, place) if place else None,
        outline=keep_areas(searched[0]),
        poa=result.rasters["poa"].bands[0] if "poa" in result.rasters else None,
        no_go=no_go.outline if no_go else None,
        swept=_read_swept(result),
        favoured=result.numbers["search"].get("kind") if "poa" in result.rasters else None,
    )


def _read_swept(result: Result) -> MultiPolygon | None:
    """The widest corridor of a plan."""
    edges = [(row["share"], line) for line, row in result.records("flow_paths") if row["kind"] == "corridor"]
    return keep_areas(shapely.build_area(min(edges, key=lambda pair: float(pair[0]))[1])) if edges else None


# ---- Lanes over the debris of a plan, laid anew while somebody moves a slider. It runs in a worker process
# The same settings as in the plan give the plan's own lanes: nothing is simplified for speed.

CURVE_POINTS = 60
_SAMPLES = 3000.0


def lay_lanes(folder: str, scenario: str, request: AskLanes) -> dict[str, Any]:
    """Lanes, the walk and its coverage as plain values, or one sentence in ``error``."""
    try:
        return {"error": None, "lanes": _lane_record(read_context(folder, scenario), request)}
    except LastseenError as error:
        return {"error": str(error), "lanes": None}


def warm_up() -> None:
    """Load what a layout needs, so that the first slide is quick."""
    y, x = np.mgrid[0:100, 0:100]
    flat = Grid(0.2 * y + 0.0 * x, 0.0, 200.0, 2.0, CRS("EPSG:32632"))
    poa = flat.with_values(np.where((x > 30) & (x < 60) & (y > 30) & (y < 60), 1.0 / 841.0, 0.0))
    for searchers in (1, 2):
        options = SearchOptions(strip_width_m=20.0, searchers=searchers, poa=poa)
        lay_search(box(60.0, 60.0, 140.0, 140.0), flat, options)


def _is_same_question(request: AskLanes, scenario: Scenario) -> bool:
    """Whether a request differs from the plan by its strip width alone."""
    wanted = scenario.search
    asked = (request.searchers, request.pattern, request.entry, request.start)
    return asked == (wanted.searchers, wanted.pattern, wanted.entry, wanted.start)


def _lane_record(context: PlanContext, request: AskLanes) -> dict[str, Any]:
    start = context.at_m
    if request.start:
        crs = parse_crs(context.scenario.last_seen.crs) if context.scenario.last_seen.crs else None
        start = to_map(parse_point(request.start, crs), context.ground.crs)
    wanted = context.scenario.search
    options = SearchOptions(
        second_pass=wanted.second_pass,
        strip_width_m=request.strip_width_m,
        searchers=request.searchers,
        start_xy_m=start,
        last_seen_m=context.at_m,
        swept=context.swept,
        favoured=context.favoured if _is_same_question(request, context.scenario) else None,
        pattern=request.pattern,
        entry=request.entry,
        no_go=context.no_go,
        poa=context.poa,
        date=wanted.day,
        seed=context.scenario.seed,
        travel=travel_of(context.scenario),
    )
    plan = lay_search(context.outline, context.ground, options)
    rows = coverage_rows(context, plan)
    return {
        "strip_width_m": plan.strip_width_m,
        "searchers": plan.searchers,
        "way": plan.way,
        "coverage": round(plan.coverage.fraction, 6),
        "uncovered_m2": round(plan.coverage.uncovered_m2, 1),
        "search_time_s": round(max(plan.search_s(k) for k in range(1, plan.searchers + 1)), 1),
        "total_time_s": round(plan.total_time_s, 1),
        "each": [
            {"searcher": k, "walk_m": round(plan.walk_m(k), 1), "time_s": round(plan.time_s(k), 1)}
            for k in range(1, plan.searchers + 1)
        ],
        "pod": _pod_record(plan),
        "notes": list(plan.notes),
        "covered": rows,
        "coverage_words": coverage_words({**_coverage_of(plan), "poa": {"in_range": rows[-1][2]}}),
        **{name: _geojson(layer, context.ground.crs) for name, layer in search_layers(plan).items()},
    }


def _coverage_of(plan: SearchPlan) -> dict[str, Any]:
    return {"coverage": {"fraction": plan.coverage.fraction}}


def coverage_rows(context: PlanContext, plan: SearchPlan) -> list[list[float | None]]:
    """Rows of (seconds, share of the debris, share of the probability of area) in range of lanes and joins so far."""
    times = np.linspace(0.0, plan.total_time_s, CURVE_POINTS + 1)
    spacing = max(1.0, math.sqrt(context.outline.area / _SAMPLES))
    debris, person = measure_coverage_over_time(
        context.outline, context.ground, plan.legs, plan.strip_width_m, times, spacing_m=spacing, poa=context.poa,
        travel=plan.travel,
    )  # fmt: skip
    return [
        [round(float(t), 1), round(float(debris[k]), 4), round(float(person[k]), 4) if person is not None else None]
        for k, t in enumerate(times)
    ]


def _pod_record(plan: SearchPlan) -> dict[str, Any] | None:
    """What the simulated search says of this layout."""
    trial = plan.chosen
    if trial is None:
        return None
    p10, p50, p90 = (known(value) for value in trial.first_signal_s)
    return {
        "heard": known(trial.pod),
        "first_signal_s": [p10, p50, p90],
        "words": trial.words,
        "said": short_percent(trial.pod),
    }


def _geojson(layer: Layer, crs: CRS) -> dict[str, Any]:
    """GeoJSON in degrees."""
    to_degrees = transformer(crs, WGS84).transform

    def moved(x: Any, y: Any, _z: Any = None) -> tuple[Any, Any]:
        lon, lat = to_degrees(x, y)
        return np.round(lon, 7), np.round(lat, 7)

    return {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "properties": values, "geometry": mapping(transform(moved, shape))}
            for shape, values in layer.records()
        ],
    }


# ---- The long profile of a plan: ground, debris and traps along its main path. It runs in a worker process

POINTS = 320


def long_profile(folder: str, scenario: str) -> dict[str, Any]:
    """Rows along the main path, and which traps and areas it crosses, or one sentence in ``error``."""
    try:
        return {"error": None, "profile": _profile(read_result(Path(folder)), read_context(folder, scenario))}
    except LastseenError as error:
        return {"error": str(error), "profile": None}


def person_areas(folder: str) -> dict[str, Any]:
    """The smallest areas that hold 50 % and 90 % of the probability of area, as GeoJSON in degrees."""
    result = read_result(Path(folder))
    back: Any = transformer(result.crs, WGS84).transform
    areas = poa_areas(result.rasters["poa"].bands[0]) if "poa" in result.rasters else ()
    features = [
        {"type": "Feature", "properties": {"share": share}, "geometry": mapping(transform(back, area))}
        for share, area in areas
    ]
    return {"type": "FeatureCollection", "features": features}


def _profile(result: Result, context: PlanContext) -> dict[str, Any]:
    main = [path for path, row in result.records("flow_paths") if row["kind"] == "main"]
    if not main:
        raise NothingFoundError("this plan has no main path: its debris was drawn, no snow was let run")
    line = shapely.line_merge(main[0])
    if line.geom_type != "LineString":
        line = max(shapely.get_parts(line), key=lambda part: float(part.length))
    along: FloatArray = np.linspace(0.0, _reached_length_m(result, line), POINTS)
    points = shapely.line_interpolate_point(line, along)
    x, y = shapely.get_x(points), shapely.get_y(points)
    lon, lat = transformer(context.ground.crs, WGS84).transform(x, y)
    columns: dict[str, FloatArray] = {"z_m": context.ground.sample(x, y)}
    for key, name, band in (
        ("thickness_m", "debris_thickness", 0),
        ("thick_m", "debris_thickness", 2),
        ("probability", "debris_probability", 0),
        ("speed_m_s", "peak_speed", 0),
    ):
        if name in result.rasters:
            columns[key] = result.rasters[name].bands[band].sample(x, y)
    return {
        "d_m": np.round(along, 1).tolist(),
        "lonlat": [[round(float(a), 7), round(float(b), 7)] for a, b in zip(lon, lat, strict=True)],
        **{key: [_rounded(value) for value in values.tolist()] for key, values in columns.items()},
        "traps": _crossings(
            result.layers["terrain_traps"], line, ("number", "letter", "kind", "reason"), float(along[-1])
        ),
        "zones": _crossings(result.layers["deposition_zones"], line, ("number", "place", "reason"), float(along[-1])),
        "last_seen_m": round(float(shapely.line_locate_point(line, shapely.Point(context.at_m))), 1)
        if context.at_m
        else None,
    }


def _reached_length_m(result: Result, line: Any) -> float:
    """How far along the path any event came, and a little more."""
    length = float(line.length)
    if "peak_speed" not in result.rasters:
        return length
    along = np.linspace(0.0, length, 4 * POINTS)
    points = shapely.line_interpolate_point(line, along)
    speed = result.rasters["peak_speed"].bands[1].sample(shapely.get_x(points), shapely.get_y(points))
    passed = np.flatnonzero(np.nan_to_num(speed) > 0.0)
    return min(length, 1.1 * float(along[passed[-1]]) + 20.0) if passed.size else length


def _crossings(layer: Layer, line: Any, columns: tuple[str, ...], end_m: float) -> list[dict[str, Any]]:
    """Stretches of the path inside the areas of a layer."""
    found = []
    for area, row in layer.records():
        for part in shapely.get_parts(shapely.intersection(line, area)):
            if part.geom_type != "LineString" or part.length < 1.0:
                continue
            ends = [float(shapely.line_locate_point(line, shapely.Point(part.coords[k]))) for k in (0, -1)]
            if min(ends) >= end_m:
                continue
            found.append(
                {"from_m": round(min(ends), 1), "to_m": round(min(max(ends), end_m), 1)}
                | {name: row[name] for name in columns}
            )
    return sorted(found, key=lambda crossing: float(crossing["from_m"]))


def _rounded(value: float) -> float | None:
    number = known(value)
    return round(number, 3) if number is not None else None
