"""Results about ground: its layers, traps with start zones, and slopes read along a line or over an area."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from affine import Affine
from shapely.geometry import LineString, MultiPolygon, box
from shapely.ops import substring

from lastseen.core import Progress, keep_areas, versions
from lastseen.jobs import (
    INCIDENT_SLOPES_DEG,
    KINDS,
    START_QUANTITIES,
    area_rasters,
    consequence_text,
    find_caught_ways,
    regroup_sentence,
    short_stretch_sentence,
    stretch_sentence,
    table_rows,
    trap_sign,
    worst_trap,
    zone_sentence,
    zones_above,
)
from lastseen.output.draw.area_map import write_area_map
from lastseen.output.draw.line_map import write_line_map, write_line_sheet, write_strip
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.plan_map import write_trap_map
from lastseen.output.formats.gpkg import run_rows
from lastseen.output.formats.json import (
    crs_text,
    grid_numbers,
    head_numbers,
    input_files,
    known,
    lattice_numbers,
    record,
)
from lastseen.output.formats.sld import layer_styles
from lastseen.output.result import (
    FULL_CAUTION,
    Layer,
    Options,
    Piece,
    Product,
    Raster,
    RasterStream,
    Result,
    Table,
    Track,
    Tracks,
    Waypoint,
    make_product,
)
from lastseen.output.results.layers import Rows, fill_layer, fill_layers, load_layers, plan_layers, trap_layer
from lastseen.snow import SIZES, SOURCES
from lastseen.traps import LETTERS, WEIGHT_FORMULA, describe_shares

if TYPE_CHECKING:
    from lastseen.jobs import AreaRasters, AreaView, LineView, Stretch, TerrainView, TrapView, ZoneRow


# ---- Ground layers of a whole elevation model
def result_of_terrain(view: TerrainView) -> Result:
    """Ground layers, which are worked out while their rasters are written; the table says what each shows."""
    elevation, (rows, columns) = view.elevation, view.shape
    cell = elevation.cell_m
    bounds = (view.west_m, view.north_m - rows * cell, view.west_m + columns * cell, view.north_m)
    heads = ("name", "unit", "description")
    described = [(layer.name, layer.unit, layer.description) for layer in view.layers]
    extent = fill_layer("terrain", "extent", [(MultiPolygon([box(*bounds)]), (cell, rows, columns))])

    def pieces(progress: Progress) -> Iterator[Piece]:
        for name, first, values in view.blocks(progress):
            yield name, 1, (first, 0), values

    return Result(
        job="terrain",
        numbers={
            **head_numbers(""),
            "inputs": [{"role": "elevation", "name": sheet.path.name} for sheet in elevation.sheets],
            "versions": versions(),
            "grid": lattice_numbers(elevation.crs, cell, [rows, columns], list(bounds)),
            "layers": [dict(zip(heads, row, strict=True)) for row in described],
            "notes": [*elevation.notes, *view.notes],
        },
        layers={"extent": extent},
        stream=RasterStream(
            rasters={
                layer.name: Raster(descriptions=(layer.description,), units=(layer.unit,), overviews=layer.overviews)
                for layer in view.layers
            },
            shape=view.shape,
            transform=Affine(a=cell, b=0.0, c=view.west_m, d=0.0, e=-cell, f=view.north_m),
            crs=elevation.crs,
            pieces=pieces,
        ),
        tables={"layers": Table(head=heads, rows=tuple(described))},
        run=run_rows("", view.notes),
        default=("cog",),
        crs=elevation.crs,
    )


# ---- Terrain traps and start zones on their own
PARTS = ("grade", "slope", "ribs", "ruggedness", "canopy", "rolls")
_PRODUCT = "product of slope, ribs, ruggedness and canopy; 0 outside 28 to 55 degrees; no probability"


def result_of_traps(view: TrapView) -> Result:
    """Traps and release areas: numbers, layers, grades of start zones, a map."""
    sources = {f"start_zone_{part}": source for part, source in SOURCES.items()}
    return Result(
        job="traps",
        numbers=_trap_numbers(view),
        layers=_trap_layers(view),
        rasters={
            "start_zones": Raster(
                bands=tuple(getattr(view.zones, part) for part in PARTS),
                descriptions=tuple(f"{part}: {SOURCES.get(part, _PRODUCT)}" for part in PARTS),
                units=("1",) * len(PARTS),
            )
        },
        products={"map": make_product("map of the traps", "trap_map.png", partial(write_trap_map, view))},
        run=run_rows(view.scenario.name, view.notes, weight=WEIGHT_FORMULA, **sources),
        styles=layer_styles(load_palette(), searchers=1),
        default=("json", "gpkg", "cog", "map"),
        crs=view.terrain.elevation.crs,
    )


def _trap_numbers(view: TrapView) -> dict[str, Any]:
    plan = view.plan
    model = plan.model if plan is not None else None
    return {
        **head_numbers(view.scenario.name),
        "inputs": input_files(view),
        "scenario": record(view.scenario),
        "versions": versions(),
        "last_seen": plan.place.notations() if plan is not None and plan.place is not None else None,
        "grid": grid_numbers(view.terrain.elevation),
        "weight_formula": WEIGHT_FORMULA,
        "traps": [
            {**record(trap, ("outline", "cells", "part_of_cell")), "shares": describe_shares(trap) if plan else None}
            for trap in view.traps
        ],
        "start_zone_parts": SOURCES,
        "release": record(model.release, ("cells", "outline")) if model is not None else None,
        "release_areas": [record(area, ("outline", "cells")) for area in view.areas],
        "notes": list(view.notes),
    }


def _trap_layers(view: TrapView) -> dict[str, Layer]:
    of_plan = plan_layers(view.plan) if view.plan is not None else {}
    more: dict[str, Layer] = {name: of_plan[name] for name in ("last_seen", "release", "flow_paths") if name in of_plan}
    names = [column.name for column in load_layers()["traps"]["release_areas"].columns[: -len(SIZES)]]
    rows = [
        (keep_areas(area.outline), (*(getattr(area, name) for name in names), *area.volume_m3)) for area in view.areas
    ]
    areas = fill_layer("traps", "release_areas", rows)
    return {"terrain_traps": trap_layer(view.traps), "release_areas": areas, **more}


# ---- A line of travel
_TRAP_LEFT = (
    "outline", "cells", "part_of_cell", "number", "weight", "person_passes", "person_ends", "burial_m", "parts",
)  # fmt: skip
MOST_WAYS = 400  # of those caught, in the layer


def result_of_line(view: LineView) -> Result:
    """A read line: numbers, layers, the table of stretches, waypoints, strip, map and a page."""
    scenario = view.scenario
    return Result(
        job="line",
        numbers=_line_numbers(view),
        layers=_line_layers(view),
        tables={"stretches": _stretch_table(view)},
        tracks={"waypoints": _line_tracks(view)},
        products={
            "strip": make_product("strip along the line", "strip.png", partial(write_strip, view)),
            "map": make_product("map of the line", "map.png", partial(write_line_map, view)),
            "sheet": make_product("page for print", "sheet.pdf", partial(write_line_sheet, view)),
        },
        run=run_rows(scenario.name, view.notes, seed=scenario.seed, size=scenario.snow.size),
        default=("json", "csv", "gpx", "gpkg", "strip", "map", "sheet"),
        crs=view.reading.heights.crs,
    )


def _line_numbers(view: LineView) -> dict[str, Any]:
    r, crs = view.reading, view.reading.heights.crs
    return {
        **head_numbers(view.scenario.name),
        "inputs": [*input_files(view), {"role": "line", "name": view.source.name}],
        "scenario": record(view.scenario),
        "versions": versions(),
        "grid": {"crs": crs_text(crs), "crs_name": crs.name, "cell_m": r.heights.cell_m},
        "members": r.draws.count,
        "start_spacing_m": round(r.passing.spacing_m, 2),
        "bodies": r.passing.samples,
        "length_m": round(r.route.length_m, 1),
        "lines": len(r.route.lines),
        "stretches": [_stretch_record(view, stretch) for stretch in r.stretches],
        "regroup": [{**record(place, ("outline",)), "sentence": regroup_sentence(place)} for place in r.regroup],
        "start_zones": [record(zone, ("outline", "block", "in_block")) for zone in r.zones],
        "traps": [
            {"sign": f"{LETTERS[trap.kind]}{k}", **record(trap, _TRAP_LEFT)} for k, trap in enumerate(r.traps, start=1)
        ],
        "notes": list(view.notes),
    }


def _stretch_record(view: LineView, stretch: Stretch) -> dict[str, Any]:
    r = view.reading
    plain = record(stretch, ("zones", "traps", "distance_m", "drop_m", "debris_m", "speed_m_s", "first", "last"))
    for name in ("distance_m", "drop_m", "debris_m", "speed_m_s"):
        low, mid, high = getattr(stretch, name)
        plain[name] = {key: known(round(value, 2)) for key, value in (("p10", low), ("p50", mid), ("p90", high))}
    plain["zones"] = [{"zone": zone.number, "share": round(share, 4)} for zone, share in zones_above(r, stretch)]
    plain["traps"] = [
        {"sign": trap_sign(r, met), "passes": round(met.passes, 4), "ends": round(met.ends, 4)} for met in stretch.traps
    ]
    plain["sentence"] = stretch_sentence(r, stretch)
    return plain


def _stretch_table(view: LineView) -> Table:
    r = view.reading
    head, rows = table_rows(r)
    return Table(
        above=(f"# {FULL_CAUTION}",),
        head=(*head, "sentence"),
        rows=tuple((*row, stretch_sentence(r, stretch)) for row, stretch in zip(rows, r.stretches, strict=True)),
    )


def _line_layers(view: LineView) -> dict[str, Layer]:
    r = view.reading
    rows: dict[str, Rows] = {
        "stretches": (
            (_stretch_line(view, s), (
                s.number, s.part + 1, s.from_m, s.to_m, s.to_end_m, s.state, known(s.slope_deg), s.exposure,
                known(s.distance_m[1]), known(s.drop_m[1]), known(s.debris_m[1]), s.burial, s.trauma, s.water,
                s.no_way_out, consequence_text(s), stretch_sentence(r, s)))
            for s in r.stretches
        ),
        "regroup": (
            (keep_areas(place.outline), (
                place.letter, place.along_m, place.beside_m, place.area_m2, place.slope_deg, place.clear_m,
                place.edge, known(place.edge_m), regroup_sentence(place)))
            for place in r.regroup
        ),
        "start_zones": (
            (keep_areas(z.outline), (z.number, z.share, z.top_m, z.foot_m, z.slope_deg, z.area_m2)) for z in r.zones
        ),
        "ways": (
            (LineString(way), (float(r.stations.exposure[station]),))
            for station, way in find_caught_ways(r, MOST_WAYS)
        ),
    }  # fmt: skip
    return {**fill_layers("line", rows), "terrain_traps": trap_layer(r.traps)}


def _stretch_line(view: LineView, stretch: Stretch) -> LineString:
    cut = substring(view.reading.route.lines[stretch.part], stretch.from_m, stretch.to_m)
    return cut if isinstance(cut, LineString) else LineString([cut, cut])


def _line_tracks(view: LineView) -> Tracks:
    """The line as a track; waypoints with one short sentence where stretches begin and at places to regroup."""
    r = view.reading
    xyz = np.column_stack([r.route.x_m, r.route.y_m, r.route.height_m]).astype(float)
    stretches = [
        Waypoint(x_m=x, y_m=y, z_m=z, name=f"P{stretch.number:02d}", text=short_stretch_sentence(stretch))
        for stretch in r.stretches
        for x, y, z in [xyz[stretch.first].tolist()]
    ]
    places = [
        Waypoint(x_m=place.x_m, y_m=place.y_m, name=f"REGROUP-{place.letter}", text=regroup_sentence(place))
        for place in r.regroup
    ]
    lines = [
        Track(name=f"LINE-{k}", segments=(tuple((float(x), float(y), None) for x, y in shapely.get_coordinates(line)),))
        for k, line in enumerate(r.route.lines, start=1)
    ]
    return Tracks(title=view.scenario.name or "Pre-read line", waypoints=(*stretches, *places), tracks=tuple(lines))


# ---- An area, tile by tile
MOST_LISTED = 100  # start zones in the JSON; all are in the GeoPackage
_KIND_LIST = ", ".join(f"{k} {kind}" for k, kind in enumerate(KINDS, start=1))
_RASTERS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "reached": (("reached", "1", "share of the events in which snow from any start zone comes over the cell"),),
    "peak_speed": (("peak_speed_m_s", "m s-1", "greatest speed of any body in any event; 0 where none comes"),),
    "zone_count": (("zone_count", "1", "start zones from which snow comes over the cell in any event"),),
    "from_start": (
        ("distance_m", "m", "mean distance on the map from this start to where one stops"),
        ("drop_m", "m", "mean height lost"),
        ("debris_m", "m", "mean thickness of debris where one stops, indicative"),
        ("fall_m", "m", "greatest fall through the air in any event"),
    ),
    "consequences": (
        ("burial", "1", "share of the events: stops under 0.5 m of debris or in a trap that buries"),
        ("trauma", "1", "share of the events: passes a trap that injures, or falls 3 m through the air"),
        ("water", "1", "share of the events: comes into water"),
        ("no_way_out", "1", "share of the events: stops where there is no way out"),
        ("any", "1", "share of the events: meets any of the four"),
        ("leaves", "1", "share of the events: leaves the elevation model"),
    ),
    "worst_trap": (("worst_kind", "1", f"kind of the terrain trap that weighs most: {_KIND_LIST}"),),
}


def result_of_area(view: AreaView) -> Result:
    """A read area: numbers, start zones by what they do, rasters from the kept tiles, a map."""
    scenario, heights, shown = view.scenario, view.heights, view.request.shown
    return Result(
        job="area",
        numbers=_area_numbers(view),
        layers={"start_zones": _zone_layer(view)},
        stream=RasterStream(
            rasters={
                name: Raster(
                    descriptions=tuple(text for _, _, text in bands),
                    units=tuple(unit for _, unit, _ in bands),
                    overviews="MODE" if name == "worst_trap" else "AVERAGE",
                )
                for name, bands in _RASTERS.items()
            },
            shape=shown.shape,
            transform=heights.on(shown, np.empty(shown.shape, np.int8)).transform,
            crs=heights.crs,
            pieces=lambda progress: _area_pieces(view, progress),
        ),
        products={"map": Product(words="map of the area", write=partial(_draw_area, view), after=("cog",))},
        run=run_rows(scenario.name, view.notes, seed=scenario.seed, size=scenario.snow.size),
        default=("json", "cog", "gpkg", "map"),
        crs=heights.crs,
    )


def _draw_area(view: AreaView, _result: Result, folder: Path, _options: Options) -> None:
    write_area_map(view, folder)


def _area_pieces(view: AreaView, progress: Progress) -> Iterator[Piece]:
    for number, tile in enumerate(area_rasters(view)):
        progress("writing the rasters", number / len(view.squares))
        rows, cols = tile.window.inside(view.request.shown)
        for name, bands in _RASTERS.items():
            for band, (quantity, _, _) in enumerate(bands, start=1):
                yield name, band, (rows.start, cols.start), _values_of(tile, quantity)


def _values_of(tile: AreaRasters, name: str) -> Any:
    return tile.at_start[START_QUANTITIES.index(name)] if name in START_QUANTITIES else getattr(tile, name)


def _zone_layer(view: AreaView) -> Layer:
    """Start zones as polygons, those that do most harm first."""
    numbers = [name for name in START_QUANTITIES if name != "worst_kind"]
    rows = (
        (keep_areas(outline), (
            number, row.cells, row.slope_deg, row.top_m, row.foot_m,
            *(known(_quantities(row)[name]) for name in numbers), worst_trap(row), zone_sentence(row)))
        for number, (row, outline) in enumerate(view.zones, start=1)
    )  # fmt: skip
    return fill_layer("area", "start_zones", rows)


def _quantities(row: ZoneRow) -> dict[str, float]:
    return dict(zip(START_QUANTITIES, row.values, strict=True))


def _area_numbers(view: AreaView) -> dict[str, Any]:
    cell, shown = view.heights.cell_m, view.request.shown
    (west, north), (rows, cols) = view.heights.corner_m(shown), shown.shape
    return {
        **head_numbers(view.scenario.name),
        "inputs": input_files(view),
        "scenario": record(view.scenario),
        "versions": versions(),
        "grid": lattice_numbers(
            view.heights.crs, cell, [rows, cols], [west, north - rows * cell, west + cols * cell, north]
        ),
        "members": view.request.members,
        "start_spacing_m": max(view.request.spacing_m, cell),
        "bodies": view.samples,
        "start_slope_deg": _percentiles(view.slope_percentiles_deg()),
        "incident_slope_deg": {**_percentiles(INCIDENT_SLOPES_DEG), "source": "Tirol 1993-2024, aggregated open data"},
        "start_zones": len(view.zones),
        "worst_start_zones": [
            {"number": number, **_zone_record(row), "sentence": zone_sentence(row)}
            for number, (row, _) in enumerate(view.zones[:MOST_LISTED], start=1)
        ],
        "notes": list(view.notes),
    }


def _percentiles(values: Sequence[float]) -> dict[str, float | None]:
    return {key: known(round(value, 2)) for key, value in zip(("p05", "p50", "p95"), values, strict=True)}


def _zone_record(row: ZoneRow) -> dict[str, Any]:
    return {
        "cells": row.cells,
        "slope_deg": round(row.slope_deg, 2),
        **{key: round(getattr(row, key), 1) for key in ("top_m", "foot_m")},
        **{name: known(round(value, 4)) for name, value in _quantities(row).items() if name != "worst_kind"},
        "worst_trap": worst_trap(row),
    }
