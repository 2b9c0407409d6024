"""Handing over traps and start zones: numbers, layers, grades, and a map, in one folder."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.outlines import only_areas
from lastseen.products.caution import FULL_CAUTION
from lastseen.products.folder import new_folder
from lastseen.products.inputs import input_files
from lastseen.products.layers import Column, Layer, plan_layers, trap_layer
from lastseen.products.numbers import SCHEMA_VERSION, numbers_text, record
from lastseen.products.palette import load_palette
from lastseen.products.styles import layer_styles
from lastseen.release import SIZES, SOURCES
from lastseen.traps import WEIGHT_FORMULA, shares_sentence
from lastseen.versions import versions

if TYPE_CHECKING:
    from lastseen.trapview import TrapView

TRAPS_MARKER = "traps.json"
PARTS = ("grade", "slope", "ribs", "ruggedness", "canopy", "rolls")
_PRODUCT = "product of slope, ribs, ruggedness and canopy; 0 outside 28 to 55 degrees; no probability"

Progress = Callable[[str, float], None]


def traps_numbers(view: TrapView) -> dict[str, Any]:
    """Traps and release areas as plain values, keys in a fixed order, nothing that is not a number."""
    grid, crs = view.terrain.elevation, view.terrain.elevation.crs
    authority = crs.to_authority()
    at = view.plan
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "lastseen", "version": __version__},
        "caution": FULL_CAUTION,
        "name": view.scenario.name,
        "inputs": input_files(view),
        "scenario": record(view.scenario),
        "versions": versions(),
        "last_seen": at.place.notations() if at is not None and at.place is not None else None,
        "grid": {
            "crs": ":".join(authority) if authority else crs.to_wkt(),
            "crs_name": crs.name,
            "cell_m": grid.cell_m,
            "shape": list(grid.shape),
            "bounds_m": list(grid.bounds),
        },
        "weight_formula": WEIGHT_FORMULA,
        "traps": [
            {**record(one, ("outline", "cells", "part_of_cell")), "shares": shares_sentence(one) if at else None}
            for one in view.traps
        ],
        "start_zone_parts": SOURCES,
        "release": record(at.model.release, ("cells", "outline")) if at is not None and at.model is not None else None,
        "release_areas": [record(one, ("outline", "cells")) for one in view.areas],
        "notes": list(view.notes),
    }


def view_layers(view: TrapView) -> tuple[Layer, ...]:
    """Vector layers: traps, release areas, and with a last-seen point the point, its release and paths."""
    of_plan = plan_layers(view.plan) if view.plan is not None else {}
    more = [of_plan[name] for name in ("last_seen", "release", "flow_paths") if name in of_plan]
    return (trap_layer(view.traps), _area_layer(view), *more)


def _area_layer(view: TrapView) -> Layer:
    columns = (
        Column("number", "integer", "from 1, the largest first"),
        Column("area_m2", "real", "area on the slope"),
        Column("map_area_m2", "real", "area on the map"),
        Column("slope_deg", "real", "mean slope"),
        Column("aspect_deg", "real", "mean downhill azimuth from grid north"),
        Column("width_m", "real", "across the fall line"),
        Column("length_m", "real", "along the fall line, on the slope"),
        Column("top_m", "real", "highest elevation"),
        Column("foot_m", "real", "lowest elevation"),
        Column("grade", "real", "mean start-zone grade, 0 to 1, no probability"),
        *(Column(f"volume_size_{size}_m3", "real", f"snow released by an event of size {size}") for size in SIZES),
    )

    def rows() -> Iterable[tuple[BaseGeometry, tuple[Any, ...]]]:
        for one in view.areas:
            values = [getattr(one, column.name) for column in columns[:10]]
            yield only_areas(one.outline), (*values, *one.volume_m3)

    pairs = list(rows())
    shapes, values = tuple(shape for shape, _ in pairs), tuple(value for _, value in pairs)
    about = "Start-zone terrain in parts that one event could release."
    return Layer("release_areas", "Release areas", about, "MultiPolygon", columns, shapes, values)


def write_traps(
    view: TrapView, folder: Path, *, overwrite: bool = False, progress: Progress = lambda _stage, _share: None
) -> tuple[Path, ...]:
    """Write ``traps.json``, ``traps.gpkg``, ``start_zones.tif`` and ``trap_map.png``.

    The folder appears whole or not at all. The same view gives the same bytes.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.products.folder.new_folder`.
    """
    from lastseen.products import geopackage, rasters, trapmap  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=TRAPS_MARKER) as partial:
        progress("writing the numbers", 0.0)
        text = numbers_text(traps_numbers(view))
        (partial / TRAPS_MARKER).write_text(text, encoding="utf-8", newline="\n")
        progress("writing the layers", 0.2)
        sources = {f"start_zone_{name}": source for name, source in SOURCES.items()}
        run = geopackage.run_rows(view.scenario.name, view.notes, weight=WEIGHT_FORMULA, **sources)
        styles = layer_styles(load_palette(), searchers=1)
        crs = view.terrain.elevation.crs
        geopackage.write_layers(partial / "traps.gpkg", view_layers(view), crs, run, styles=styles)
        progress("writing the grades", 0.4)
        bands = [getattr(view.zones, name) for name in PARTS]
        told = [f"{name}: {SOURCES.get(name, _PRODUCT)}" for name in PARTS]
        rasters.write_cog(partial / "start_zones.tif", bands, told, ["1"] * len(bands))
        progress("drawing the map", 0.6)
        trapmap.write_trap_map(view, partial / "trap_map.png")
        progress("done", 1.0)
        names = sorted(one.name for one in partial.iterdir())
    return tuple(folder / name for name in names)
