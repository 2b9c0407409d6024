"""A read line or area handed over: numbers, layers, rasters, map and sheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
from rasterio.windows import Window as RasterWindow
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.core import (
    WGS84,
    Progress,
    keep_areas,
    no_progress,
    transformer,
    versions,
)
from lastseen.jobs import (
    INCIDENT_SLOPES_DEG,
    KINDS,
    START_QUANTITIES,
    consequence_text,
    regroup_sentence,
    short_stretch_sentence,
    stretch_sentence,
    table_rows,
    trap_sign,
    worst_trap,
    zone_sentence,
    zones_above,
)
from lastseen.output.caution import FULL_CAUTION
from lastseen.output.formats.cog import NODATA, copy_as_cog
from lastseen.output.formats.geojson import DEGREE_DECIMALS
from lastseen.output.layers import Column, Layer, known, trap_layer
from lastseen.output.numbers import SCHEMA_VERSION, input_files, numbers_text, record
from lastseen.output.write import new_folder

if TYPE_CHECKING:
    from lastseen.jobs import AreaRasters, AreaView, LineView, Stretch, ZoneRow


# ---- Handing over a read line: numbers, layers, waypoints, table, strip, map and one page, in one folder

LINE_MARKER = "preread_line.json"
_TRAP_LEFT = (
    "outline",
    "cells",
    "part_of_cell",
    "number",
    "weight",
    "person_passes",
    "person_ends",
    "burial_m",
    "parts",
)


def line_numbers(view: LineView) -> dict[str, Any]:
    """The reading as plain values, keys in a fixed order, nothing that is not a number."""
    r, crs = view.reading, view.reading.heights.crs
    authority = crs.to_authority()
    files = input_files(view)  # type: ignore[arg-type]
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "lastseen", "version": __version__},
        "caution": FULL_CAUTION,
        "name": view.scenario.name,
        "inputs": [*files, {"role": "line", "name": view.source.name}],
        "scenario": record(view.scenario),
        "versions": versions(),
        "grid": {
            "crs": ":".join(authority) if authority else crs.to_wkt(),
            "crs_name": crs.name,
            "cell_m": r.heights.cell_m,
        },
        "members": r.draws.count,
        "start_spacing_m": round(r.passing.spacing_m, 2),
        "bodies": r.passing.samples,
        "length_m": round(r.route.length_m, 1),
        "lines": len(r.route.lines),
        "stretches": [_stretch(view, stretch) for stretch in r.stretches],
        "regroup": [{**record(one, ("outline",)), "sentence": regroup_sentence(one)} for one in r.regroup],
        "start_zones": [record(zone, ("outline", "block", "in_block")) for zone in r.zones],
        "traps": [{"sign": sign, **record(trap, _TRAP_LEFT)} for sign, trap in _signed(view)],
        "notes": list(view.notes),
    }


def _stretch(view: LineView, one: Stretch) -> dict[str, Any]:
    r = view.reading
    plain = record(one, ("zones", "traps", "distance_m", "drop_m", "debris_m", "speed_m_s", "first", "last"))
    for name in ("distance_m", "drop_m", "debris_m", "speed_m_s"):
        low, mid, high = getattr(one, name)
        plain[name] = {key: known(round(value, 2)) for key, value in (("p10", low), ("p50", mid), ("p90", high))}
    plain["zones"] = [{"zone": zone.number, "share": round(share, 4)} for zone, share in zones_above(r, one)]
    plain["traps"] = [
        {"sign": trap_sign(r, met), "passes": round(met.passes, 4), "ends": round(met.ends, 4)} for met in one.traps
    ]
    plain["sentence"] = stretch_sentence(r, one)
    return plain


def _signed(view: LineView) -> list[tuple[str, Any]]:
    """Traps with their signs on the map."""
    from lastseen.traps import LETTERS  # noqa: PLC0415

    return [(f"{LETTERS[trap.kind]}{k}", trap) for k, trap in enumerate(view.reading.traps, start=1)]


def line_table(view: LineView) -> str:
    """The stretches as CSV; the caution is its first line, as a comment."""
    head, rows = table_rows(view.reading)
    out = io.StringIO()
    out.write(f"# {FULL_CAUTION}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*head, "sentence"])
    for row, stretch in zip(rows, view.reading.stretches, strict=True):
        writer.writerow([*row, stretch_sentence(view.reading, stretch)])
    return out.getvalue()


def line_layers(view: LineView) -> tuple[Layer, ...]:
    """Vector layers: stretches, places to regroup, start zones, traps, ways of those caught."""
    from lastseen.output.draw.line_map import caught_ways  # noqa: PLC0415  slow to import

    r = view.reading
    columns = (
        Column("number", "integer", "from 1 along the line"),
        Column("line", "integer", "which line of the file, from 1"),
        Column("from_m", "real", "from the beginning of the line"),
        Column("to_m", "real", "from the beginning of the line"),
        Column("to_end_m", "real", "from here to the end of the line"),
        Column("state", "text", "reached, starts here, not reached or no data"),
        Column("slope_deg", "real", "mean slope of the ground"),
        Column("exposure", "real", "share of the events in which snow comes from above"),
        Column("carried_m", "real", "median distance that somebody caught here is carried"),
        Column("drop_m", "real", "median height lost"),
        Column("debris_m", "real", "median thickness of debris where one stops, indicative"),
        Column("burial", "real", "share of those caught"),
        Column("trauma", "real", "share of those caught"),
        Column("water", "real", "share of those caught"),
        Column("no_way_out", "real", "share of those caught"),
        Column("consequences", "text", "the four in words"),
        Column("reason", "text", "one plain sentence or a few"),
    )
    rows = [
        (
            line,
            (
                stretch.number,
                stretch.part + 1,
                stretch.from_m,
                stretch.to_m,
                stretch.to_end_m,
                stretch.state,
                known(stretch.slope_deg),
                stretch.exposure,
                known(stretch.distance_m[1]),
                known(stretch.drop_m[1]),
                known(stretch.debris_m[1]),
                stretch.burial,
                stretch.trauma,
                stretch.water,
                stretch.no_way_out,
                consequence_text(stretch),
                stretch_sentence(r, stretch),
            ),
        )
        for stretch, line in zip(r.stretches, stretch_lines(view), strict=True)
    ]
    places = [
        (
            keep_areas(one.outline),
            (
                one.letter,
                one.along_m,
                one.beside_m,
                one.area_m2,
                one.slope_deg,
                one.clear_m,
                one.edge,
                known(one.edge_m),
                regroup_sentence(one),
            ),
        )
        for one in r.regroup
    ]
    zones = [
        (keep_areas(zone.outline), (zone.number, zone.share, zone.top_m, zone.foot_m, zone.slope_deg, zone.area_m2))
        for zone in r.zones
    ]
    ways = [(LineString(way), (float(r.stations.exposure[station]),)) for station, way in caught_ways(r, 400)]
    return (
        _layer("stretches", "Stretches of the line", "LineString", columns, rows),
        _layer("regroup", "Places to regroup", "MultiPolygon", _REGROUP, places),
        _layer("start_zones", "Start zones that reach the line", "MultiPolygon", _ZONES, zones),
        _layer(
            "ways", "Ways of those caught", "LineString", (Column("exposure", "real", "of the station passed"),), ways
        ),
        trap_layer(r.traps),
    )


_ABOUT = {
    "stretches": "The line cut where something changes: what is above, and what happens to somebody caught.",
    "regroup": "Ground on or beside the line that no start zone in this model reaches.",
    "start_zones": "Ground steep enough to release, whose snow comes over the line.",
    "ways": "Where bodies go on from the line, a sample.",
}
_REGROUP = (
    Column("letter", "text", "as on the map"),
    Column("along_m", "real", "from the beginning of the line"),
    Column("beside_m", "real", "off the line"),
    Column("area_m2", "real", "map area near the line"),
    Column("slope_deg", "real", "at its roomiest point"),
    Column("clear_m", "real", "to the nearest ground that snow crosses in any event"),
    Column("edge", "text", "cliff, crevasses or water within 50 m, where there is one"),
    Column("edge_m", "real", "how far it is"),
    Column("reason", "text", "one plain sentence"),
)
_ZONES = (
    Column("number", "integer", "from 1, the likeliest to come to the line first"),
    Column("share", "real", "of the events in which it comes to the line"),
    Column("top_m", "real", "highest elevation"),
    Column("foot_m", "real", "lowest elevation"),
    Column("slope_deg", "real", "mean slope"),
    Column("area_m2", "real", "map area"),
)


def _layer(
    name: str, title: str, kind: Any, columns: tuple[Column, ...], rows: Iterable[tuple[BaseGeometry, tuple[Any, ...]]]
) -> Layer:
    pairs = list(rows)
    shapes, values = tuple(shape for shape, _ in pairs), tuple(value for _, value in pairs)
    return Layer(name, title, _ABOUT[name], kind, columns, shapes, values)


def stretch_lines(view: LineView) -> list[LineString]:
    """Each stretch as a line in map metres."""
    from shapely.ops import substring  # noqa: PLC0415

    r = view.reading
    found = []
    for stretch in r.stretches:
        cut = substring(r.route.lines[stretch.part], stretch.from_m, stretch.to_m)
        found.append(cut if isinstance(cut, LineString) else LineString([cut, cut]))
    return found


def write_waypoints(view: LineView, path: Path) -> None:
    """GPX 1.1: the line as a track; waypoints with one short sentence where stretches begin and at places."""
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    r = view.reading
    document = gpxpy.gpx.GPX()
    document.creator = f"lastseen {__version__}"
    document.name = view.scenario.name or "Pre-read line"
    document.description = FULL_CAUTION
    back = transformer(r.heights.crs, WGS84)

    def at(x: float, y: float) -> tuple[float, float]:
        lon, lat = back.transform(x, y)
        return round(float(lat), DEGREE_DECIMALS), round(float(lon), DEGREE_DECIMALS)

    for stretch in r.stretches:
        lat, lon = at(float(r.route.x_m[stretch.first]), float(r.route.y_m[stretch.first]))
        z = known(float(r.route.height_m[stretch.first]))
        document.waypoints.append(
            gpxpy.gpx.GPXWaypoint(
                lat,
                lon,
                elevation=round(z, 1) if z is not None else None,
                name=f"P{stretch.number:02d}",
                description=short_stretch_sentence(stretch),
            )
        )
    for place in r.regroup:
        lat, lon = at(place.x_m, place.y_m)
        document.waypoints.append(
            gpxpy.gpx.GPXWaypoint(lat, lon, name=f"REGROUP-{place.letter}", description=regroup_sentence(place))
        )
    for k, line in enumerate(r.route.lines, start=1):
        track = gpxpy.gpx.GPXTrack(name=f"LINE-{k}")
        points = [gpxpy.gpx.GPXTrackPoint(*at(x, y)) for x, y in np.asarray(line.coords)[:, :2].tolist()]
        track.segments.append(gpxpy.gpx.GPXTrackSegment(points))
        document.tracks.append(track)
    path.write_text(document.to_xml(version="1.1") + "\n", encoding="utf-8", newline="\n")


def write_line(
    view: LineView, folder: Path, *, overwrite: bool = False, progress: Progress = no_progress
) -> tuple[Path, ...]:
    """Write numbers, layers, the table, waypoints, the strip, the map and one page.

    ``preread_line.json``, ``preread.gpkg``, ``stretches.csv``, ``waypoints.gpx``, ``strip.png``, ``map.png``,
    ``sheet.pdf``.

    The folder appears whole or not at all. The same reading gives the same bytes.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.output.write.new_folder`.
    """
    from lastseen.output.draw import line_map, line_profile  # noqa: PLC0415  slow to import
    from lastseen.output.formats import gpkg  # noqa: PLC0415  slow to import
    from lastseen.output.sheets import line as linesheet  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=LINE_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / LINE_MARKER).write_text(numbers_text(line_numbers(view)), encoding="utf-8", newline="\n")
        (partial / "stretches.csv").write_text(line_table(view), encoding="utf-8", newline="\n")
        write_waypoints(view, partial / "waypoints.gpx")
        progress("writing the layers", 0.2)
        run = gpkg.run_rows(view.scenario.name, view.notes, seed=view.scenario.seed, size=view.scenario.snow.size)
        gpkg.write_layers(partial / "preread.gpkg", line_layers(view), view.reading.heights.crs, run)
        progress("drawing the strip", 0.4)
        line_profile.write_strip(view, partial / "strip.png")
        progress("drawing the map", 0.6)
        line_map.write_line_map(view, partial / "map.png")
        linesheet.write_line_sheet(view, partial / "sheet.pdf")
        progress("done", 1.0)
        names = sorted(path.name for path in partial.iterdir())
    return tuple(folder / name for name in names)


# ---- Handing over a read area: rasters written tile by tile, start zones ranked by what they do, numbers and a map

AREA_MARKER = "preread_area.json"
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
    view: AreaView, folder: Path, *, overwrite: bool = False, progress: Progress = no_progress
) -> tuple[Path, ...]:
    """Write ``preread_area.json``, ``preread.gpkg``, six cloud-optimised rasters and ``map.png``; then the tiles go.

    The folder appears whole or not at all. The same question gives the same bytes, whoever worked through the tiles.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.output.write.new_folder`.
    """
    from lastseen.output.draw import area_map  # noqa: PLC0415  slow to import
    from lastseen.output.formats import gpkg  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=AREA_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / AREA_MARKER).write_text(numbers_text(area_numbers(view)), encoding="utf-8", newline="\n")
        progress("writing the rasters", 0.1)
        write_area_rasters(view, partial)
        progress("writing the layers", 0.6)
        run = gpkg.run_rows(view.scenario.name, view.notes, seed=view.scenario.seed, size=view.scenario.snow.size)
        gpkg.write_layers(partial / "preread.gpkg", (zone_layer(view),), view.heights.crs, run)
        progress("drawing the map", 0.8)
        area_map.write_area_map(view, partial)
        progress("done", 1.0)
        names = sorted(path.name for path in partial.iterdir())
    view.kept.remove()
    return tuple(folder / name for name in names)


def write_area_rasters(view: AreaView, folder: Path) -> None:
    """Write all rasters window by window, never more than a few tiles in memory; then make them cloud-optimised."""
    from lastseen.jobs import area_rasters  # noqa: PLC0415

    shown, heights = view.request.shown, view.heights
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
        for mosaic in area_rasters(view):
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


def _layer_of(mosaic: AreaRasters, name: str) -> np.ndarray:
    values: np.ndarray = (
        mosaic.at_start[START_QUANTITIES.index(name)] if name in START_QUANTITIES else getattr(mosaic, name)
    )
    return values


def zone_layer(view: AreaView) -> Layer:
    """Start zones as polygons, those that do most harm first."""
    columns = (
        Column("number", "integer", "from 1: share that meets any of the four, then debris, then drop"),
        Column("cells", "integer", "of the elevation model"),
        Column("slope_deg", "real", "mean slope"),
        Column("top_m", "real", "highest elevation"),
        Column("foot_m", "real", "lowest elevation"),
        *(Column(name, "real", _meaning(name)) for name in START_QUANTITIES if name != "worst_kind"),
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
            *(known(value) for name, value in zip(START_QUANTITIES, row.values, strict=True) if name != "worst_kind"),
            worst_trap(row),
            zone_sentence(row),
        )
        for number, (row, _) in enumerate(view.zones, start=1)
    ]
    shapes = tuple(keep_areas(outline) for _, outline in view.zones)
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
    shown = view.request.shown
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
        "members": view.request.members,
        "start_spacing_m": max(view.request.spacing_m, view.heights.cell_m),
        "bodies": view.samples,
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
        name: known(round(value, 4))
        for name, value in zip(START_QUANTITIES, row.values, strict=True)
        if name != "worst_kind"
    }
    return {
        "cells": row.cells,
        "slope_deg": round(row.slope_deg, 2),
        "top_m": round(row.top_m, 1),
        "foot_m": round(row.foot_m, 1),
        **told,
        "worst_trap": worst_trap(row),
    }
