"""Layers: the table that describes those of all results, and those of a plan, of a search and of traps filled."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shapely.geometry import LineString, MultiLineString, MultiPolygon, Point
from shapely.geometry.base import BaseGeometry

from lastseen.core import keep_areas, outline_of_level, short_percent
from lastseen.output.formats.json import known
from lastseen.output.result import GeometryKind, Layer, make_columns
from lastseen.traps import describe_shares

if TYPE_CHECKING:
    from lastseen.jobs import Model, Plan
    from lastseen.search import Leg, SearchPlan
    from lastseen.traps import Trap

LIKELIER = (0.5, 0.9)  # debris outlines that are given beside the searched one
# What a search over a drawn outline has to say.
SEARCH_LAYERS = ("debris", "lanes", "route", "uncovered", "no_go", "first_lanes")

Rows = Iterable[tuple[BaseGeometry, tuple[Any, ...]]]


@cache
def load_layers() -> dict[str, dict[str, Layer]]:
    """The layers of each job by name, without rows, as ``layers.toml`` describes them."""
    jobs = tomllib.loads(Path(__file__).with_name("layers.toml").read_text(encoding="utf-8"))

    def load(name: str, columns: Any, **about: Any) -> Layer:
        return Layer(name=name, columns=make_columns(columns), **about)

    return {job: {name: load(name, **layer) for name, layer in layers.items()} for job, layers in jobs.items()}


def fill_layer(job: str, name: str, rows: Rows) -> Layer:
    """A layer of a job from pairs of a shape and its values."""
    shapes, values = zip(*pairs, strict=True) if (pairs := list(rows)) else ((), ())
    return replace(load_layers()[job][name], shapes=shapes, rows=values)


def fill_layers(job: str, rows: Mapping[str, Rows]) -> dict[str, Layer]:
    """Layers of a job by name."""
    return {name: fill_layer(job, name, found) for name, found in rows.items()}


PLAN_LAYERS = load_layers()["plan"]


def plan_layers(plan: Plan) -> dict[str, Layer]:
    """All layers of a plan by name, always the same ones in the same order; empty ones have no rows."""
    model, no_go, wide_m = plan.model, plan.search.no_go, 2.0 * plan.search.strip_width_m
    rows: dict[str, Rows] = {
        "last_seen": _last_seen(plan),
        "release": _release(plan, model) if model else (),
        "flow_paths": _flow_paths(model) if model else (),
        "debris": _debris(plan),
        "deposition_zones": _zones(model) if model else (),
        "terrain_traps": _traps(model.traps) if model else (),
        **_search_rows(plan.search),
        "no_go": [] if no_go is None else [(no_go, ("Ground that nobody may walk on, near the search.",))],
        "first_lanes": (
            (lane.line, (lane.number, f"Lane {lane.number} of the first pass, strips of {wide_m:g} m."))
            for lane in plan.search.first_lanes
        ),
    }
    return {name: _layer(name, found) for name, found in rows.items()}


def search_layers(search: SearchPlan) -> dict[str, Layer]:
    """Lanes, route and uncovered rest of a search, also where it belongs to no plan yet."""
    return {name: _layer(name, found) for name, found in _search_rows(search).items()}


def trap_layer(traps: Iterable[Trap]) -> Layer:
    """The layer of terrain traps on its own."""
    return _layer("terrain_traps", _traps(traps))


def _leg_sentence(leg: Leg) -> str:
    track = "On the track of the snow, transceiver on"
    what = {"approach": "Approach", "track": track, "lane": f"Lane {leg.lane}", "join": "Join"}[leg.kind]
    slope = f"{abs(leg.slope_deg):.0f} degrees {'up' if leg.slope_deg > 0 else 'down'}"
    way = "level" if abs(leg.slope_deg) < 0.5 else slope
    bearing = f"{round(leg.bearing_deg_true) % 360:03d} true"
    if math.isfinite(leg.bearing_deg_magnetic):
        bearing += f" ({round(leg.bearing_deg_magnetic) % 360:03d} magnetic)"
    against = {
        "above a wall": " Right above a wall: find another way.",
        "wall": " Over a wall: find another way.",
        "no elevation": " Over ground without elevation: its length is an estimate.",
    }
    return (
        f"{what}: walk {leg.length_m:.0f} m on bearing {bearing}, {way}, "
        f"steepest part {leg.steepest_deg:.0f} degrees.{against.get(leg.danger, '')}"
    )


def _layer(name: str, rows: Rows) -> Layer:
    """A layer of a plan with shapes of its kind; empty shapes are left out."""
    kind = PLAN_LAYERS[name].geometry
    return fill_layer("plan", name, ((_of_kind(shape, kind), values) for shape, values in rows if not shape.is_empty))


def _of_kind(shape: BaseGeometry, kind: GeometryKind) -> BaseGeometry:
    if kind == "MultiPolygon":
        return keep_areas(shape)
    return MultiLineString([shape]) if kind == "MultiLineString" and isinstance(shape, LineString) else shape


def _last_seen(plan: Plan) -> Rows:
    if plan.place is None or plan.at_m is None:
        return
    radius, several = plan.radius_m, bool(plan.also)
    places = [(plan.place, plan.at_m), *zip(plan.also, plan.also_m, strict=True)]
    for number, (place, at_m) in enumerate(dict.fromkeys(places), start=1):
        text, height = place.notations(), known(float(plan.terrain.elevation.sample(*at_m)))
        reason = f"Last-seen point{f' {number}' if several else ''}, {radius:.0f} m to either side."
        yield Point(at_m), (place.lon_deg, place.lat_deg, text["utm"], text["mgrs"], radius, height, reason)


def _release(plan: Plan, model: Model) -> Rows:
    r = model.release
    measures = (r.area_m2, r.slope_deg, r.thickness_m, r.volume_m3)
    yield r.outline, (plan.scenario.snow.size, *measures, int(r.drawn), r.reason)


def _flow_paths(model: Model) -> Rows:
    paths = model.paths
    end = f"Steepest descent from the top of the release; it ends at {paths.steepest_end}."
    yield paths.steepest, ("steepest", None, paths.steepest.length, end)
    text = "Path of a slippery body from the top of the release; the profile follows it."
    yield paths.main, ("main", None, paths.main.length, text)
    for share, area in paths.corridors:
        edge = MultiLineString([ring for geom in area.geoms for ring in (geom.exterior, *geom.interiors)])
        text = f"Edge of the ground that {short_percent(share)} of the events pass."
        yield edge, ("corridor", share, edge.length, text)


def _debris(plan: Plan) -> Rows:
    debris = plan.debris
    if plan.model is None:
        yield debris.outline, (None, 1, debris.area_m2, "Outline of the debris as it was given.")
        return
    more = " Widened to the smallest ground that holds 90 % of the probability of area." if debris.widened else ""
    sentence = f"{_debris_sentence(debris.level)}{more} The lanes cover it."
    yield debris.outline, (debris.level, 1, debris.area_m2, sentence)
    for level in LIKELIER:
        if level > debris.level:
            area = outline_of_level(debris.probability, level, debris.probability.cell_area_m2)
            yield area, (level, 0, area.area, _debris_sentence(level))


def _debris_sentence(level: float) -> str:
    return f"Debris thicker than 0.1 m in at least {short_percent(level)} of the events."


def _zones(model: Model) -> Rows:
    for z in model.zones:
        yield z.outline, (z.number, z.place, z.area_m2, z.thickness_m, z.thickest_m, z.slope_deg, z.poa, z.reason)


def _traps(traps: Iterable[Trap]) -> Rows:
    for t in traps:
        measures = (t.depth_m, t.drop_m, t.width_m, t.length_m, t.slope_above_deg, t.slope_below_deg)
        person = (t.person_passes, t.person_ends, t.weight)
        more = (*map(known, (t.pile_up_m, t.cover, t.burial_m)), t.source, describe_shares(t), t.reason)
        head = (t.number, t.letter, t.kind, ", ".join(t.consequences))
        yield t.outline, (*head, *map(known, measures), *person, *more)


def _search_rows(search: SearchPlan) -> dict[str, Rows]:
    return {
        "lanes": _lanes(search),
        "route": ((leg.line, _leg_values(leg)) for leg in search.legs),
        "uncovered": _uncovered(search),
    }


def _lanes(search: SearchPlan) -> Rows:
    for lane in search.lanes:
        legs = [leg for leg in search.legs if leg.lane == lane.number]
        bearings = (known(legs[0].bearing_deg_true), known(legs[0].bearing_deg_magnetic))
        sentences = " ".join(_leg_sentence(leg) for leg in legs)
        yield lane.line, (lane.number, lane.searcher, lane.length_m, *bearings, sentences)


def _leg_values(leg: Leg) -> tuple[Any, ...]:
    bearings = (leg.bearing_deg_true, leg.bearing_deg_magnetic)
    shape = (leg.length_m, *bearings, leg.slope_deg, leg.steepest_deg, leg.time_s)
    return (leg.searcher, leg.number, leg.kind, leg.lane, *map(known, shape), leg.danger, _leg_sentence(leg))


def _uncovered(search: SearchPlan) -> Rows:
    text = f"Debris farther than {0.5 * search.strip_width_m:g} m from the walk: out of range of the lanes."
    for geom in search.coverage.uncovered.geoms:
        yield MultiPolygon([geom]), (geom.area, text)
