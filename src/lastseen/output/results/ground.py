"""Results about ground: its layers, and terrain traps with start zones."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING, Any

from affine import Affine
from shapely.geometry import MultiPolygon, box

from lastseen.core import Progress, keep_areas, versions
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.trap_map import write_trap_map
from lastseen.output.formats.sld import layer_styles
from lastseen.output.result import (
    Layer,
    Piece,
    Raster,
    RasterStream,
    Result,
    Table,
    make_columns,
    make_layer,
    make_product,
)
from lastseen.output.results.numbers import crs_text, grid_numbers, head_numbers, input_files, record, run_rows
from lastseen.output.results.plan_layers import plan_layers, trap_layer
from lastseen.snow import SIZES, SOURCES
from lastseen.traps import WEIGHT_FORMULA, describe_shares

if TYPE_CHECKING:
    from lastseen.jobs import TerrainView, TrapView

# ---- Ground layers of a whole elevation model


def result_of_terrain(view: TerrainView) -> Result:
    """Ground layers, which are worked out while their rasters are written; the table says what each shows."""
    elevation, (rows, columns) = view.elevation, view.shape
    cell = elevation.cell_m
    bounds = (view.west_m, view.north_m - rows * cell, view.west_m + columns * cell, view.north_m)
    described = [(layer.name, layer.unit, layer.description) for layer in view.layers]
    extent = make_layer(
        [(MultiPolygon([box(*bounds)]), (cell, rows, columns))],
        name="extent",
        title="Elevation model",
        about="The ground that the layers cover.",
        geometry="MultiPolygon",
        columns=make_columns(
            [("cell_m", "real", "side of a cell"), ("rows", "integer", ""), ("columns", "integer", "")]
        ),
    )

    def pieces(progress: Progress) -> Iterator[Piece]:
        for name, first, values in view.blocks(progress):
            yield name, 1, (first, 0), values

    return Result(
        job="terrain",
        numbers={
            **head_numbers(""),
            "inputs": [{"role": "elevation", "name": sheet.path.name} for sheet in elevation.sheets],
            "versions": versions(),
            "grid": {
                "crs": crs_text(elevation.crs),
                "crs_name": elevation.crs.name,
                "cell_m": cell,
                "shape": [rows, columns],
                "bounds_m": list(bounds),
            },
            "layers": [dict(zip(("name", "unit", "description"), row, strict=True)) for row in described],
            "notes": [*elevation.notes, *view.notes],
        },
        layers={"extent": extent},
        stream=RasterStream(
            rasters={
                layer.name: Raster(descriptions=(layer.description,), units=(layer.unit,), overviews=layer.overviews)
                for layer in view.layers
            },
            shape=view.shape,
            transform=Affine(cell, 0.0, view.west_m, 0.0, -cell, view.north_m),
            crs=elevation.crs,
            pieces=pieces,
        ),
        tables={"layers": Table(head=("name", "unit", "description"), rows=tuple(described))},
        run=run_rows("", view.notes),
        default=("cog",),
        crs=elevation.crs,
    )


# ---- Terrain traps and start zones on their own

PARTS = ("grade", "slope", "ribs", "ruggedness", "canopy", "rolls")
_PRODUCT = "product of slope, ribs, ruggedness and canopy; 0 outside 28 to 55 degrees; no probability"


def result_of_traps(view: TrapView) -> Result:
    """Traps and release areas: numbers, layers, grades of start zones, a map."""
    name, crs = view.scenario.name, view.terrain.elevation.crs
    sources = {f"start_zone_{part}": source for part, source in SOURCES.items()}
    return Result(
        job="traps",
        numbers=_trap_numbers(view),
        layers={layer.name: layer for layer in _trap_layers(view)},
        rasters={
            "start_zones": Raster(
                bands=tuple(getattr(view.zones, part) for part in PARTS),
                descriptions=tuple(f"{part}: {SOURCES.get(part, _PRODUCT)}" for part in PARTS),
                units=("1",) * len(PARTS),
            )
        },
        products={"map": make_product("map of the traps", "trap_map.png", partial(write_trap_map, view))},
        run=run_rows(name, view.notes, weight=WEIGHT_FORMULA, **sources),
        styles=layer_styles(load_palette(), searchers=1),
        default=("json", "gpkg", "cog", "map"),
        crs=crs,
    )


def _trap_numbers(view: TrapView) -> dict[str, Any]:
    plan = view.plan
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
        "release": (
            record(plan.model.release, ("cells", "outline")) if plan is not None and plan.model is not None else None
        ),
        "release_areas": [record(area, ("outline", "cells")) for area in view.areas],
        "notes": list(view.notes),
    }


def _trap_layers(view: TrapView) -> tuple[Layer, ...]:
    """Traps, release areas, and with a last-seen point the point, its release and paths."""
    of_plan = plan_layers(view.plan) if view.plan is not None else {}
    more = [of_plan[name] for name in ("last_seen", "release", "flow_paths") if name in of_plan]
    return (trap_layer(view.traps), _area_layer(view), *more)


def _area_layer(view: TrapView) -> Layer:
    columns = make_columns(
        [
            ("number", "integer", "from 1, the largest first"),
            ("area_m2", "real", "area on the slope"),
            ("map_area_m2", "real", "area on the map"),
            ("slope_deg", "real", "mean slope"),
            ("aspect_deg", "real", "mean downhill azimuth from grid north"),
            ("width_m", "real", "across the fall line"),
            ("length_m", "real", "along the fall line, on the slope"),
            ("top_m", "real", "highest elevation"),
            ("foot_m", "real", "lowest elevation"),
            ("grade", "real", "mean start-zone grade, 0 to 1, no probability"),
            *((f"volume_size_{size}_m3", "real", f"snow released by an event of size {size}") for size in SIZES),
        ]
    )
    names = [column.name for column in columns[: -len(SIZES)]]
    return make_layer(
        [
            (keep_areas(area.outline), (*(getattr(area, name) for name in names), *area.volume_m3))
            for area in view.areas
        ],
        name="release_areas",
        title="Release areas",
        about="Start-zone terrain in parts that one event could release.",
        geometry="MultiPolygon",
        columns=columns,
    )
