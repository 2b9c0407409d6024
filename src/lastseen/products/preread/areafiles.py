"""Handing over a read area: rasters written tile by tile, start zones ranked by what they do, numbers and a map."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
from rasterio.windows import Window as RasterWindow

from lastseen import __version__
from lastseen.outlines import only_areas
from lastseen.preread.gathering import AT_START
from lastseen.preread.sheets import KINDS
from lastseen.preread.zone_words import INCIDENT_SLOPES_DEG, worst_trap, zone_sentence
from lastseen.products.caution import FULL_CAUTION
from lastseen.products.folder import new_folder
from lastseen.products.inputs import input_files
from lastseen.products.layers import Column, Layer, known
from lastseen.products.numbers import SCHEMA_VERSION, numbers_text, record
from lastseen.products.rasters import NODATA, copy_as_cog
from lastseen.versions import versions

if TYPE_CHECKING:
    from lastseen.preread.gathering import ZoneRow
    from lastseen.preread.tiled import AreaView, Mosaic

AREA_MARKER = "preread_area.json"
Progress = Callable[[str, float], None]
MOST_TOLD = 100  # start zones in the JSON; all are in the GeoPackage
_RASTERS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "reached.tif": (("reached", "1", "share of the events in which snow from any start zone comes over the cell"),),
    "peak_speed.tif": (("peak_speed_m_s", "m s-1", "greatest speed of any body in any event; 0 where none comes"),),
    "zone_count.tif": (("zone_count", "1", "start zones from which snow comes over the cell in any event"),),
    "from_start.tif": (
        ("distance_m", "m", "mean distance on the map from this start to where one stops"),
        ("drop_m", "m", "mean height lost"),
        ("debris_m", "m", "mean thickness of debris where one stops, indicative"),
        ("fall_m", "m", "greatest fall through the air in any event"),
    ),
    "consequences.tif": tuple(
        (name, "1", f"share of the events: {text}")
        for name, text in (
            ("burial", "stops under 0.5 m of debris or in a trap that buries"),
            ("trauma", "passes a trap that injures, or falls 3 m through the air"),
            ("water", "comes into water"),
            ("no_way_out", "stops where there is no way out"),
            ("any", "meets any of the four"),
            ("leaves", "leaves the elevation model"),
        )
    ),
    "worst_trap.tif": (
        (
            "worst_kind",
            "1",
            "kind of the terrain trap that weighs most: "
            + ", ".join(f"{k} {kind}" for k, kind in enumerate(KINDS, start=1)),
        ),
    ),
}


def write_area(
    view: AreaView, folder: Path, *, overwrite: bool = False, progress: Progress = lambda _stage, _share: None
) -> tuple[Path, ...]:
    """Write ``preread_area.json``, ``preread.gpkg``, six cloud-optimised rasters and ``map.png``; then the tiles go.

    The folder appears whole or not at all. The same question gives the same bytes, whoever worked through the tiles.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.products.folder.new_folder`.
    """
    from lastseen.products import geopackage  # noqa: PLC0415  slow to import
    from lastseen.products.preread import areamap  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=AREA_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / AREA_MARKER).write_text(numbers_text(area_numbers(view)), encoding="utf-8", newline="\n")
        progress("writing the rasters", 0.1)
        write_area_rasters(view, partial)
        progress("writing the layers", 0.6)
        run = geopackage.run_rows(view.scenario.name, view.notes, seed=view.scenario.seed, size=view.scenario.snow.size)
        geopackage.write_layers(partial / "preread.gpkg", (zone_layer(view),), view.heights.crs, run)
        progress("drawing the map", 0.8)
        areamap.write_area_map(view, partial)
        progress("done", 1.0)
        names = sorted(one.name for one in partial.iterdir())
    view.kept.remove()
    return tuple(folder / name for name in names)


def write_area_rasters(view: AreaView, folder: Path) -> None:
    """Write all rasters window by window, never more than a few tiles in memory; then make them cloud-optimised."""
    from lastseen.preread.tiled import mosaics  # noqa: PLC0415

    shown, heights = view.question.shown, view.heights
    grid = heights.on(shown, np.empty(shown.shape, np.int8))
    profile = {
        "driver": "GTiff",
        "width": shown.shape[1],
        "height": shown.shape[0],
        "dtype": "float32",
        "crs": heights.crs.to_wkt(),
        "transform": grid.transform,
        "nodata": NODATA,
        "tiled": True,
        "blockxsize": 512,
        "blockysize": 512,
        "BIGTIFF": "IF_SAFER",
    }
    rough = {name: folder / f".{name}.rough" for name in _RASTERS}
    with ExitStack() as stack:
        files = {
            name: stack.enter_context(rasterio.open(path, "w", count=len(_RASTERS[name]), **profile))
            for name, path in rough.items()
        }
        for mosaic in mosaics(view):
            place = mosaic.window.inside(shown)
            window = RasterWindow(place[1].start, place[0].start, *mosaic.window.shape[::-1])
            for name, file in files.items():
                for band, (what, _, _) in enumerate(_RASTERS[name], start=1):
                    values = _layer_of(mosaic, what)
                    file.write(np.where(np.isfinite(values), values, NODATA).astype(np.float32), band, window=window)
    for name, path in rough.items():
        overviews = "MODE" if name == "worst_trap.tif" else "AVERAGE"
        texts, units = [text for _, _, text in _RASTERS[name]], [unit for _, unit, _ in _RASTERS[name]]
        copy_as_cog(path, folder / name, texts, units, overviews=overviews)
        path.unlink()


def _layer_of(mosaic: Mosaic, name: str) -> np.ndarray:
    values: np.ndarray = mosaic.at_start[AT_START.index(name)] if name in AT_START else getattr(mosaic, name)
    return values


def zone_layer(view: AreaView) -> Layer:
    """Start zones as polygons, those that do most harm first."""
    columns = (
        Column("number", "integer", "from 1: share that meets any of the four, then debris, then drop"),
        Column("cells", "integer", "of the elevation model"),
        Column("slope_deg", "real", "mean slope"),
        Column("top_m", "real", "highest elevation"),
        Column("foot_m", "real", "lowest elevation"),
        *(Column(name, "real", _meaning(name)) for name in AT_START if name != "worst_kind"),
        Column("worst_trap", "text", "kind of terrain trap that weighs most; empty where none is met"),
        Column("reason", "text", "one plain sentence"),
    )
    rows = [
        (
            number,
            row.cells,
            row.slope_deg,
            row.top_m,
            row.foot_m,
            *(known(value) for name, value in zip(AT_START, row.values, strict=True) if name != "worst_kind"),
            worst_trap(row),
            zone_sentence(row),
        )
        for number, (row, _) in enumerate(view.zones, start=1)
    ]
    shapes = tuple(only_areas(outline) for _, outline in view.zones)
    about = "Ground steep enough to release, by what it does to somebody caught in it."
    return Layer(
        "start_zones",
        "Start zones",
        about,
        "MultiPolygon",
        columns,
        shapes,
        tuple(rows),
    )


def _meaning(name: str) -> str:
    for bands in _RASTERS.values():
        for what, _, text in bands:
            if what == name:
                return f"{text}; mean over the zone"
    return "severity of the trap x (share that ends in it + 0.5 share that passes it)"


def area_numbers(view: AreaView) -> dict[str, Any]:
    """The area as plain values, keys in a fixed order, nothing that is not a number."""
    crs = view.heights.crs
    authority = crs.to_authority()
    shown = view.question.shown
    west, north = view.heights.corner_m(shown)
    rows, cols = shown.shape
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "lastseen", "version": __version__},
        "caution": FULL_CAUTION,
        "name": view.scenario.name,
        "inputs": input_files(view),  # type: ignore[arg-type]
        "scenario": record(view.scenario),
        "versions": versions(),
        "grid": {
            "crs": ":".join(authority) if authority else crs.to_wkt(),
            "crs_name": crs.name,
            "cell_m": view.heights.cell_m,
            "shape": [rows, cols],
            "bounds_m": [west, north - rows * view.heights.cell_m, west + cols * view.heights.cell_m, north],
        },
        "members": view.question.members,
        "start_spacing_m": max(view.question.spacing_m, view.heights.cell_m),
        "bodies": view.bodies,
        "start_slope_deg": _percentiles(view.slope_percentiles_deg()),
        "incident_slope_deg": {**_percentiles(INCIDENT_SLOPES_DEG), "source": "Tirol 1993-2024, aggregated open data"},
        "start_zones": len(view.zones),
        "worst_start_zones": [
            {"number": number, **_row(row), "sentence": zone_sentence(row)}
            for number, (row, _) in enumerate(view.zones[:MOST_TOLD], start=1)
        ],
        "notes": list(view.notes),
    }


def _percentiles(values: Sequence[float]) -> dict[str, float | None]:
    return {key: known(round(value, 2)) for key, value in zip(("p05", "p50", "p95"), values, strict=True)}


def _row(row: ZoneRow) -> dict[str, Any]:
    told = {
        name: known(round(value, 4)) for name, value in zip(AT_START, row.values, strict=True) if name != "worst_kind"
    }
    return {
        "cells": row.cells,
        "slope_deg": round(row.slope_deg, 2),
        "top_m": round(row.top_m, 1),
        "foot_m": round(row.foot_m, 1),
        **told,
        "worst_trap": worst_trap(row),
    }
