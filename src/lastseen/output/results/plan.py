"""The result of a plan, or of a search over a drawn outline."""

from __future__ import annotations

import string
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import shapely
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from lastseen.core import WGS84, FloatArray, Grid, LastseenError, LonLat, mgrs_text, share_words, transformer, versions
from lastseen.jobs import MANY_LEFT, plain_spread
from lastseen.output.draw.figures import write_animation, write_profile, write_thickness
from lastseen.output.draw.palette import load_palette
from lastseen.output.formats.gpkg import run_rows
from lastseen.output.formats.json import (
    grid_numbers,
    head_numbers,
    input_files,
    pick_fields,
    plain_fields,
    round_numbers,
)
from lastseen.output.formats.sld import layer_styles
from lastseen.output.onefile.page import write_page
from lastseen.output.result import (
    Layer,
    Options,
    Product,
    Raster,
    Result,
    Track,
    Tracks,
    Waypoint,
    coverage_words,
    make_product,
)
from lastseen.output.results.layers import SEARCH_LAYERS, plan_layers
from lastseen.output.sheets.plan import Kind, write_map_and_sheet, write_sheet
from lastseen.rescue import describe_travel
from lastseen.snow import FULLY_BURIED_M, find_burial_law, friction_basis, friction_range
from lastseen.terrain import read_ground

if TYPE_CHECKING:
    from lastseen.jobs import AllFound, Model, PersonShares, Plan, PlanRescue
    from lastseen.rescue import RescueClock, Travel
    from lastseen.search import Trial
    from lastseen.snow import BurialLaw, CellError

_Point = tuple[float, float, float]
_DEFAULT = ("json", "gpkg", "cog", "gpx", "kml", "sheet", "page")


def result_of_plan(plan: Plan, *, animate: bool = False) -> Result:
    """The result of a plan; ``animate`` adds the middle event as it moves, where the flow ran."""
    layers, figures = plan_layers(plan), _figures(plan, animate=animate)
    result = _result(plan, "plan", plan_numbers(plan), layers)
    return replace(result, products={**result.products, **figures}, default=(*_DEFAULT, *figures))


def result_of_search(plan: Plan, *, file_crs: Any = None) -> Result:
    """The result of a search over a drawn outline: what that has to say of a plan without a model.

    ``file_crs`` is that of the GeoPackage; the plan's own where not given.
    """
    layers = {name: layer for name, layer in plan_layers(plan).items() if name in SEARCH_LAYERS}
    result = _result(plan, "search", search_numbers(plan), layers)
    return replace(result, file_crs=None if file_crs == result.crs else file_crs)


def _result(plan: Plan, job: Literal["plan", "search"], numbers: dict[str, Any], layers: dict[str, Layer]) -> Result:
    shapes = [shape for layer in layers.values() for shape in layer.shapes]
    rasters = {"ground": _ground_raster(plan, shapes), **_plan_rasters(plan)}
    return build_result(job, numbers, layers, rasters, crs=plan.terrain.elevation.crs)


def build_result(
    job: Literal["plan", "search"],
    numbers: Mapping[str, Any],
    layers: Mapping[str, Layer],
    rasters: Mapping[str, Raster],
    *,
    crs: Any,
    file_crs: Any = None,
) -> Result:
    """The result from what its folder holds."""
    result = Result(
        job=job,
        numbers=numbers,
        layers=layers,
        rasters=rasters,
        products=_SHEETS,
        run=_run_table(numbers),
        styles=layer_styles(load_palette(), int(numbers["search"]["searchers"])),
        default=_DEFAULT,
        crs=crs,
        file_crs=file_crs,
    )
    return replace(result, tracks={"lanes": _walks_as_tracks(result)})


def _write_sheet(kind: Kind, result: Result, folder: Path, options: Options) -> None:
    if kind == "full" and options.paper == "A4":  # the map is its first page
        write_map_and_sheet(result, folder / "map.png", folder / "sheet.pdf")
    else:
        name = "sheet.pdf" if kind == "full" else f"sheet-{kind}.pdf"
        write_sheet(result, folder / name, kind=kind, paper=options.paper)


_SHEETS = {
    "sheet": Product(words="map and sheet for print", write=partial(_write_sheet, "full")),
    "page": Product(
        words="one page for a browser, without a network",
        write=lambda result, folder, _options: write_page(result, folder / "page.html"),
    ),
    "sheet-staff": Product(words="sheet for those who lead a drill", write=partial(_write_sheet, "staff")),
    "sheet-blank": Product(words="sheet for those who are drilled, to fill in", write=partial(_write_sheet, "blank")),
}


def _figures(plan: Plan, *, animate: bool) -> dict[str, Product]:
    """Figures of the model, which a folder read back cannot draw again."""
    model = plan.model
    if model is None:
        return {}

    def draw(folder: Path) -> None:
        write_profile(plan, model, folder / "profile.png")
        write_thickness(plan, model, folder / "thickness.png")

    figures = {"figures": make_product("profile and thickness", "", draw)}
    if animate and model.ensemble.model == "flow":
        figures["event"] = make_product("the event as it moves", "event.gif", partial(write_animation, plan, model))
    return figures


_OF_SEARCH = (
    "schema_version", "program", "caution", "name", "inputs", "seed", "versions", "grid", "debris", "coverage",
    "search", "lanes", "route", "rescue", "notes",
)  # fmt: skip
_RUNOUT = ("travel_angle_deg", "length_m", "drop_m", "fastest_m_s", "time_s")


def plan_numbers(plan: Plan) -> dict[str, Any]:
    """The plan as plain values, keys in a fixed order, nothing that is not a number.

    With an observed outline ``release``, ``model``, ``runout``, ``envelope``, ``events``, ``persons`` and ``poa`` are
    None and ``zones`` and ``traps`` are empty.
    """
    model, shares = plan.model, plan.person_shares
    document = {
        **head_numbers(plan.scenario.name),
        "inputs": input_files(plan),
        "scenario": plain_fields(plan.scenario),
        "seed": plan.scenario.seed,
        "versions": versions(),
        "last_seen": _last_seen(plan),
        "grid": grid_numbers(plan.terrain.elevation),
        "release": plain_fields(model.release, ("cells", "nominal_cells", "outline")) if model else None,
        "model": _model(plan, model) if model else None,
        "runout": {key: pick_fields(getattr(model.runout, key), "p10 p50 p90") for key in _RUNOUT} if model else None,
        "envelope": _envelope(model) if model else None,
        "events": _events(model) if model else None,
        "debris": _debris(plan),
        "persons": _persons(model, shares) if model and shares else None,
        "poa": _poa(plan, model, shares) if model and shares else None,
        "zones": [plain_fields(zone, ("outline",)) for zone in model.zones] if model else [],
        "traps": [plain_fields(trap, ("outline", "cells", "part_of_cell")) for trap in model.traps] if model else [],
        "coverage": _coverage(plan),
        "search": _search(plan),
        "lanes": _lanes(plan),
        "route": _route(plan),
        "rescue": rescue_numbers(plan.rescue),
        "urgent": list(plan.urgent),
        "notes": list(dict.fromkeys((*plan.urgent, *plan.search.notes, *plan.notes))),
    }
    return round_numbers(_with_coverage_words(document))


def rescue_numbers(rescue: PlanRescue) -> dict[str, Any]:
    """Clock, digging and probing of a plan as plain rounded values."""
    document = {
        **plain_fields(rescue, ("clock", "digging", "probing", "covered")),
        "clock": _clock(rescue.clock) if rescue.clock else None,
        "digging": plain_fields(rescue.digging, ("depth_m", "slope_deg", "order")),
        "probing": plain_fields(rescue.probing),
        "covered": list(rescue.covered),
    }
    return round_numbers(document)


def _clock(clock: RescueClock) -> dict[str, Any]:
    return {
        "curve": clock.curve.name,
        "phases": [plain_fields(phase) for phase in clock.phases],
        "on_debris_s": plain_fields(clock.on_debris_s),
        "total_s": plain_fields(clock.total_s),
        "survival_percent": [list(bounds) for bounds in clock.survival_percent],
        "notes": list(clock.notes),
    }


def search_numbers(plan: Plan) -> dict[str, Any]:
    """What a search over a drawn outline has to say, as plain values: the plan without what a model would add."""
    numbers = plan_numbers(plan)
    return {key: numbers[key] for key in _OF_SEARCH} | {"flat": not plan.elevation.sheets}


def _place(place: LonLat, at_m: tuple[float, float]) -> dict[str, Any]:
    text = place.notations()
    x_m, y_m = at_m
    return {
        "lonlat": [place.lon_deg, place.lat_deg],
        **{key: text[key] for key in ("utm", "mgrs")},
        "x_m": x_m,
        "y_m": y_m,
    }


def _last_seen(plan: Plan) -> dict[str, Any] | None:
    if plan.place is None or plan.at_m is None:
        return None
    text = plan.place.notations()
    also = zip(plan.also, plan.also_m, strict=True)
    return {
        "missing": plan.scenario.last_seen.missing,
        "also": [_place(place, at_m) for place, at_m in also],
        "lonlat": [plan.place.lon_deg, plan.place.lat_deg],
        **{key: text[key] for key in ("utm", "mgrs")},
        **dict(zip(("x_m", "y_m"), plan.at_m, strict=True)),
        "elevation_m": float(plan.terrain.elevation.sample(*plan.at_m)),
        "radius_m": plan.radius_m,
    }


def _model(plan: Plan, model: Model) -> dict[str, Any]:
    ensemble = model.ensemble
    edges, gap = ensemble.left_share()
    return {
        "name": ensemble.model,
        "reason": model.choice.reason,
        "cell_m": ensemble.lattice.cell_m,
        "friction": list(friction_range(plan.scenario.snow)),
        "friction_basis": friction_basis(plan.scenario.snow),
        "moving_share_p90": float(np.quantile([event.moving_share for event in ensemble.members], 0.9)),
        "cell_error": _cell_error(ensemble.cell_error),
        "left_share": {**edges, "no_data": gap},
    }


def _events(model: Model) -> dict[str, Any]:
    ensemble, spread = model.ensemble, model.ensemble.seed_spread
    return {
        "count": len(ensemble.members),
        **{end.replace(" ", "_"): count for end, count in ensemble.count_ends().items()},
        "reach_person_share": float(ensemble.reached.mean()),
        "settled": spread.settled if spread else None,
        "seed_spread": plain_spread(spread) if spread else None,
    }


def _persons(model: Model, shares: PersonShares) -> dict[str, Any]:
    """Where all whom the snow took end: on the model, beyond its edges; and on what ground."""
    person = model.person
    return {
        "count": int(model.ensemble.person.taken.sum()),
        "caught_share": person.caught_share,
        "left_model_share": person.left_share,
        "left": {side.replace(" ", "_"): share for side, share in person.left_by_side},
        "on_no_go": shares.no_go,
        "on_water": shares.water,
    }


def _cell_error(error: CellError | None) -> dict[str, Any] | None:
    return pick_fields(error, "coarse_cell_m events overlap runout_shift_m") if error else None


def _envelope(model: Model) -> dict[str, Any]:
    envelope = model.envelope
    keys = ("name", "alpha_deg", "sd_deg", "distance_m", "source")
    ends = [dict(zip(keys, end, strict=True)) for end in envelope.ends]
    return {**pick_fields(envelope, "beta_deg beta_m"), "ends": ends, "note": envelope.note}


def _debris(plan: Plan) -> dict[str, Any]:
    volume = None
    if plan.model is not None:
        thirds = np.quantile(plan.model.ensemble.draws.deposit_m3, [0.1, 0.5, 0.9]).tolist()
        volume = dict(zip(("p10", "p50", "p90"), thirds, strict=True))
    whole = plan.model is None or plan.model.person.left_share <= MANY_LEFT
    return {**pick_fields(plan.debris, "area_m2 level widened left_share"), "whole": whole, "volume_m3": volume}


def _poa(plan: Plan, model: Model, shares: PersonShares) -> dict[str, Any]:
    """Shares of all persons: outside the outline lie also those who left the model."""
    person = model.person
    return {
        "inside_debris": person.inside_debris,
        "outside_debris": 1.0 - person.inside_debris,
        "in_range": shares.in_range,
        "sum": float(person.poa.values.sum()),
        **pick_fields(person, "carried_p50_m fall_p90_m"),
        "burial": _burial(model, find_burial_law(plan.scenario.snow)),
    }


def _burial(model: Model, law: BurialLaw) -> dict[str, Any] | None:
    """How deep; None where the model does not know it."""
    if (burial := model.person.burial) is None:
        return None
    return {
        "law": law.name,
        "law_misfit": law.misfit,
        "basis": law.basis,
        "fully": burial.fully,
        "fully_words": share_words(burial.fully),
        "fully_means_deeper_than_m": FULLY_BURIED_M,
        "deeper": [{"depth_m": depth, "share": share} for depth, share in burial.deeper],
        "fully_p50_m": burial.p50_m,
        "fully_p90_m": burial.p90_m,
    }


def _coverage(plan: Plan) -> dict[str, Any]:
    shares = pick_fields(plan.search.coverage, "fraction area_m2 uncovered_m2")
    return {"fraction": shares.pop("fraction"), "strip_width_m": plan.search.strip_width_m, **shares}


def _with_coverage_words(document: dict[str, Any]) -> dict[str, Any]:
    """The numbers with the coverage told in the words of a search."""
    return {**document, "coverage": {**document["coverage"], "words": coverage_words(document)}}


def _search(plan: Plan) -> dict[str, Any]:
    search = plan.search
    numbers = range(1, search.searchers + 1)
    return {
        **pick_fields(search, "pattern way"),
        "second_pass": bool(search.first_lanes),
        "date": plan.scenario.search.date,
        **pick_fields(search, "searchers total_time_s"),
        "search_time_s": max(search.search_s(k) for k in numbers),
        "each": [
            {
                "searcher": k,
                "walk_m": search.walk_m(k),
                "search_s": search.search_s(k),
                "approach_s": search.approach_s(k),
                "time_s": search.time_s(k),
            }
            for k in numbers
        ],
        "travel": _travel(search.travel, on_track=any(leg.kind == "track" for leg in search.legs)),
        "declination_deg": search.declination_deg,
        "guide": list(search.guide),
        "kind": search.kind,
        "reason": search.reason,
        "trials": [_trial(trial) for trial in search.trials],
        "all_found": _all_found(plan.all_found) if plan.all_found else None,
    }


def _all_found(found: AllFound) -> dict[str, Any]:
    times = {key: dict(zip(("p10", "p50", "p90"), getattr(found, key), strict=True)) for key in ("first_s", "last_s")}
    near = [{"within_m": metres, "share": share} for metres, share in found.near]
    return {**times, **pick_fields(found, "missing somebody everybody each_stop_s"), "near": near}


def _travel(travel: Travel, *, on_track: bool) -> dict[str, Any]:
    words = dict(zip(("approach", "search"), describe_travel(travel, on_track=on_track), strict=True))
    return {**plain_fields(travel), "words": words}


def _trial(trial: Trial) -> dict[str, Any]:
    """A layout that was compared by simulated search, the chosen one first."""
    first = dict(zip(("p10", "p50", "p90"), trial.first_signal_s, strict=True))
    return {
        "words": trial.words,
        "first_signal_s": first,
        **pick_fields(trial, "approach_s pod alive walk_m slowest_s coverage steep_m against"),
    }


def _lanes(plan: Plan) -> list[dict[str, Any]]:
    first = {leg.lane: leg for leg in reversed(plan.search.legs) if leg.lane is not None}
    return [
        {
            **pick_fields(lane, "number searcher length_m"),
            **pick_fields(first[lane.number], "bearing_deg_true bearing_deg_magnetic"),
            **_ends(plan, lane.line),
        }
        for lane in plan.search.lanes
    ]


def _route(plan: Plan) -> list[dict[str, Any]]:
    return [{**plain_fields(leg, ("line",)), **_ends(plan, leg.line)} for leg in plan.search.legs]


def _ends(plan: Plan, line: LineString) -> dict[str, Any]:
    to_degrees = transformer(plan.terrain.elevation.crs, WGS84)
    ends = {}
    for key, (x, y) in (("start", line.coords[0]), ("end", line.coords[-1])):
        lon, lat = to_degrees.transform(x, y)
        ends[key] = {"lonlat": [float(lon), float(lat)], "mgrs": mgrs_text(LonLat(lon, lat))}
    return ends


def _run_table(numbers: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    model, search, debris = numbers.get("model"), numbers["search"], numbers.get("debris")
    coverage, grid = numbers["coverage"], numbers["grid"]
    more = {
        "version": numbers["program"]["version"],
        "schema_version": numbers["schema_version"],
        "seed": numbers["seed"],
        **{f"version_{name}": version for name, version in numbers["versions"].items()},
        **{f"input_{number['role']}": f"{number['name']}, sha256 {number['sha256']}" for number in numbers["inputs"]},
        "crs": grid["crs_name"],
        "cell_m": f"{grid['cell_m']:g}",
        "model": model["name"] if model else "none: the debris outline was given",
        "strip_width_m": f"{coverage['strip_width_m']:g}",
        **{key: search[key] for key in ("pattern", "searchers")},
        "lanes": len(numbers["lanes"]),
        "coverage": f"{coverage['fraction']:.6f}",
        "uncovered_m2": f"{coverage['uncovered_m2']:.1f}",
        "debris_level": f"{debris['level']:g}" if model and debris else "",
        "poa_inside_debris": f"{numbers['poa']['inside_debris']:.6f}" if model else "",
    }
    return run_rows(numbers["name"], numbers["notes"], **more)


MARGIN_CELLS = 8
GROUND_MARGIN = 0.6  # of the longer side of what is drawn: a sheet shows more than the search itself
GROUND_LEAST_MARGIN_M = 250.0


def _ground_raster(plan: Plan, shapes: Sequence[BaseGeometry]) -> Raster:
    """The elevation around all that is drawn; the plan's own window where more cannot be read."""
    west, south, east, north = (float(bound) for bound in shapely.total_bounds(np.array(shapes)))
    more = max(GROUND_MARGIN * max(east - west, north - south), GROUND_LEAST_MARGIN_M)
    box = (west - more, south - more, east + more, north + more)
    ground = plan.terrain.elevation
    if plan.elevation.sheets:
        with suppress(LastseenError, ValueError):  # files gone: the plan's window has to do
            ground = read_ground(plan.elevation, box).grid
    return Raster(bands=(_single(ground.window(*box)),), descriptions=("elevation of the ground",), units=("m",))


def _plan_rasters(plan: Plan) -> dict[str, Raster]:
    """The rasters of a plan by name, cut to the cells that matter; none where the debris outline was given."""
    model = plan.model
    if model is None:
        return {}
    box = _box(plan, model)
    known = np.isfinite(plan.terrain.elevation.values)
    debris, burial = plan.debris, model.person.burial
    unsure = "" if burial else ", indicative"

    def raster(unit: str, *bands: tuple[Grid, str]) -> Raster:
        """Cut to the window; no data where there is neither ground nor a value."""
        grids, texts = zip(*bands, strict=True)
        known_grids = (grid.with_values(np.where(known | (grid.values != 0), grid.values, np.nan)) for grid in grids)
        cut = tuple(_single(grid.window(*box)) for grid in known_grids)
        return Raster(bands=cut, descriptions=texts, units=(unit,) * len(bands))

    grids = (debris.thickness_m, debris.thickness_p50_m, debris.thickness_p90_m)
    thickness = zip(grids, ("mean", "median", "90th percentile"), strict=True)
    rasters = {
        "poa": raster("1", (model.person.poa, "probability of area in the cell; sums to 1")),
        "debris_probability": raster("1", (debris.probability, "share of events with debris thicker than 0.1 m")),
        "debris_thickness": raster(
            "m", *((grid, f"{what} of debris thickness over all events, vertical{unsure}") for grid, what in thickness)
        ),
        "peak_speed": raster(
            "m s-1",
            (model.paths.peak_speed_m_s, "mean over the events that pass of their highest speed"),
            (model.paths.highest_speed_m_s, "highest speed of all events"),
        ),
    }
    if burial is not None:
        lying = "probability of lying in the cell under more than"
        rasters["arrival"] = raster("s", (model.paths.arrival_s, "earliest arrival of the front in any event"))
        rasters["burial"] = raster("1", *((grid, f"{lying} {depth:g} m of snow") for depth, grid in burial.maps))
    return rasters


def _single(grid: Grid) -> Grid:
    """Values as a file of single precision holds them, so that a folder read back says the same."""
    return grid.with_values(grid.values.astype(np.float32).astype(np.float64))


def _box(plan: Plan, model: Model) -> tuple[float, float, float, float]:
    """The cells where any raster says something, with a margin; all of the probability of area is inside."""
    grids = (model.person.poa, plan.debris.probability, plan.debris.thickness_p90_m, model.paths.highest_speed_m_s)
    some: FloatArray = np.sum([np.nan_to_num(grid.values) > 0 for grid in grids], axis=0)
    rows, cols = np.flatnonzero(some.any(axis=1)), np.flatnonzero(some.any(axis=0))
    grid = plan.terrain.elevation
    x, y = grid.centre_of([rows[0], rows[-1]], [cols[0], cols[-1]])
    more = MARGIN_CELLS * grid.cell_m
    return float(x[0]) - more, float(y[1]) - more, float(x[1]) + more, float(y[0]) + more


@dataclass(frozen=True, kw_only=True)
class _Walk:
    """The legs of a searcher, with the first and last point of each: x, y, z."""

    searcher: int
    legs: tuple[dict[str, Any], ...]
    ends: tuple[tuple[_Point, _Point], ...]

    @property
    def name(self) -> str:
        return f"S{self.searcher}"


def _walks_as_tracks(result: Result) -> Tracks:
    """The tracks of all searchers that walk, and their turning points.

    One segment for each leg, since devices may bend routes but keep tracks. Turning points are named by what is walked:
    ``L03A`` is the start of lane 3, the last letter its end; ``J03A`` a corner on the way from lane 3 to the next;
    ``S1A`` where searcher 1 stands.
    """
    walks = list(_walks(result))
    width = result.numbers["coverage"]["strip_width_m"]
    return Tracks(
        title=result.title,
        waypoints=tuple(point for walk in walks for point in _turns(walk)),
        tracks=tuple(Track(name=walk.name, text=_track_text(walk, width), segments=walk.ends) for walk in walks),
    )


def _walks(result: Result) -> Iterator[_Walk]:
    """What each searcher walks, in their order; those who walk nothing are left out."""
    legs = result.records("route")
    xy = np.array([(line.coords[0], line.coords[-1]) for line, _ in legs], dtype=float).reshape(-1, 2)
    flat = result.numbers.get("flat", False)  # no height is known, and 0 would be a wrong one
    z = np.full(len(xy), np.nan) if flat else result.ground.sample(xy[:, 0], xy[:, 1])
    points = [(float(a), float(b), float(c)) for (a, b), c in zip(xy, z, strict=True)]
    ends = list(zip(points[::2], points[1::2], strict=True))
    for searcher in range(1, int(result.numbers["search"]["searchers"]) + 1):
        walked = [i for i, (_, leg) in enumerate(legs) if leg["searcher"] == searcher]
        if walked:
            rows = tuple(legs[i][1] for i in walked)
            yield _Walk(searcher=searcher, legs=rows, ends=tuple(ends[i] for i in walked))


def _turns(walk: _Walk) -> list[Waypoint]:
    seen: Counter[str] = Counter()
    turns = []
    points = [*(start for start, _ in walk.ends), walk.ends[-1][1]]
    for i, (x, y, z) in enumerate(points):
        before, after = walk.legs[i - 1] if i else None, walk.legs[i] if i < len(walk.legs) else None
        family = _family(walk, i)
        name = family + _letters(seen[family])
        seen[family] += 1
        lane = before["lane"] if before and before["kind"] == "lane" else None
        ended = f"End of lane {lane}. " if lane is not None and not (after and after["lane"] == lane) else ""
        short = _short(after) if after else "End of the walk"
        text = ended + (after["reason"] if after else "End of the walk.")
        turns.append(Waypoint(x_m=x, y_m=y, z_m=z, name=name, text=text, short=short, track=walk.name))
    return turns


def _family(walk: _Walk, i: int) -> str:
    """What the turning point before leg ``i`` belongs to: a lane, the way after a lane, or the way of the searcher."""
    for leg in (*walk.legs[i : i + 1], *walk.legs[max(0, i - 1) : i]):
        if leg["kind"] == "lane":
            return f"L{leg['lane']:02d}"
    last = next((leg["lane"] for leg in reversed(walk.legs[:i]) if leg["kind"] == "lane"), None)
    return walk.name if last is None else f"J{last:02d}"


def _short(leg: dict[str, Any]) -> str:
    bearing = round(leg["bearing_deg_true"]) % 360 if leg["bearing_deg_true"] is not None else None
    return f"{leg['length_m']:.0f} m" + (f" on {bearing:03d} true" if bearing is not None else "")


def _letters(number: int) -> str:
    before, letter = divmod(number, 26)
    return (_letters(before - 1) if before else "") + string.ascii_uppercase[letter]


def _track_text(walk: _Walk, width_m: float) -> str:
    numbers = list(dict.fromkeys(leg["lane"] for leg in walk.legs if leg["lane"] is not None))
    lanes = f"lane{'s' if len(numbers) > 1 else ''} {', '.join(map(str, numbers))}"
    length = sum(leg["length_m"] for leg in walk.legs)
    return f"Searcher {walk.searcher}: {lanes}; {length:.0f} m on the snow, strips of {width_m:g} m."
