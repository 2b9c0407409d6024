"""Handing over a read line: numbers, layers, waypoints, table, strip, map and one page, in one folder."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.outlines import only_areas
from lastseen.place import WGS84, transformer
from lastseen.preread.words import (
    consequences,
    regroup_sentence,
    sentence,
    short_sentence,
    table_rows,
    trap_sign,
    zones_above,
)
from lastseen.products.caution import FULL_CAUTION
from lastseen.products.degrees import DEGREE_DECIMALS
from lastseen.products.folder import new_folder
from lastseen.products.inputs import input_files
from lastseen.products.layers import Column, Layer, known, trap_layer
from lastseen.products.numbers import SCHEMA_VERSION, numbers_text, record
from lastseen.versions import versions

if TYPE_CHECKING:
    from lastseen.preread.story import LineView
    from lastseen.preread.stretches import Stretch

LINE_MARKER = "preread_line.json"
Progress = Callable[[str, float], None]
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
        "members": r.ensemble.count,
        "start_spacing_m": round(r.passing.spacing_m, 2),
        "bodies": r.passing.bodies,
        "length_m": round(r.route.length_m, 1),
        "lines": len(r.route.lines),
        "stretches": [_stretch(view, one) for one in r.stretches],
        "regroup": [{**record(one, ("outline",)), "sentence": regroup_sentence(one)} for one in r.regroup],
        "start_zones": [record(one, ("outline", "block", "in_block")) for one in r.zones],
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
    plain["sentence"] = sentence(r, one)
    return plain


def _signed(view: LineView) -> list[tuple[str, Any]]:
    """Traps with their signs on the map."""
    from lastseen.traps.trap import LETTERS  # noqa: PLC0415

    return [(f"{LETTERS[trap.kind]}{k}", trap) for k, trap in enumerate(view.reading.traps, start=1)]


def line_table(view: LineView) -> str:
    """The stretches as CSV; the caution is its first line, as a comment."""
    head, rows = table_rows(view.reading)
    out = io.StringIO()
    out.write(f"# {FULL_CAUTION}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*head, "sentence"])
    for row, one in zip(rows, view.reading.stretches, strict=True):
        writer.writerow([*row, sentence(view.reading, one)])
    return out.getvalue()


def line_layers(view: LineView) -> tuple[Layer, ...]:
    """Vector layers: stretches, places to regroup, start zones, traps, ways of those caught."""
    from lastseen.products.preread.linemap import caught_ways  # noqa: PLC0415  slow to import

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
                one.number,
                one.part + 1,
                one.from_m,
                one.to_m,
                one.to_end_m,
                one.state,
                known(one.slope_deg),
                one.exposure,
                known(one.distance_m[1]),
                known(one.drop_m[1]),
                known(one.debris_m[1]),
                one.burial,
                one.trauma,
                one.water,
                one.no_way_out,
                consequences(one),
                sentence(r, one),
            ),
        )
        for one, line in zip(r.stretches, stretch_lines(view), strict=True)
    ]
    places = [
        (
            only_areas(one.outline),
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
        (only_areas(one.outline), (one.number, one.share, one.top_m, one.foot_m, one.slope_deg, one.area_m2))
        for one in r.zones
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
    for one in r.stretches:
        cut = substring(r.route.lines[one.part], one.from_m, one.to_m)
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

    for one in r.stretches:
        lat, lon = at(float(r.route.x_m[one.first]), float(r.route.y_m[one.first]))
        z = known(float(r.route.height_m[one.first]))
        document.waypoints.append(
            gpxpy.gpx.GPXWaypoint(
                lat,
                lon,
                elevation=round(z, 1) if z is not None else None,
                name=f"P{one.number:02d}",
                description=short_sentence(one),
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
    view: LineView, folder: Path, *, overwrite: bool = False, progress: Progress = lambda _stage, _share: None
) -> tuple[Path, ...]:
    """Write numbers, layers, the table, waypoints, the strip, the map and one page.

    ``preread_line.json``, ``preread.gpkg``, ``stretches.csv``, ``waypoints.gpx``, ``strip.png``, ``map.png``,
    ``sheet.pdf``.

    The folder appears whole or not at all. The same reading gives the same bytes.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.products.folder.new_folder`.
    """
    from lastseen.products import geopackage  # noqa: PLC0415  slow to import
    from lastseen.products.preread import linemap, linesheet, strip  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=LINE_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / LINE_MARKER).write_text(numbers_text(line_numbers(view)), encoding="utf-8", newline="\n")
        (partial / "stretches.csv").write_text(line_table(view), encoding="utf-8", newline="\n")
        write_waypoints(view, partial / "waypoints.gpx")
        progress("writing the layers", 0.2)
        run = geopackage.run_rows(view.scenario.name, view.notes, seed=view.scenario.seed, size=view.scenario.snow.size)
        geopackage.write_layers(partial / "preread.gpkg", line_layers(view), view.reading.heights.crs, run)
        progress("drawing the strip", 0.4)
        strip.write_strip(view, partial / "strip.png")
        progress("drawing the map", 0.6)
        linemap.write_line_map(view, partial / "map.png")
        linesheet.write_line_sheet(view, partial / "sheet.pdf")
        progress("done", 1.0)
        names = sorted(one.name for one in partial.iterdir())
    return tuple(folder / name for name in names)


__all__ = ["LINE_MARKER", "Point", "line_layers", "line_numbers", "line_table", "write_line", "write_waypoints"]
