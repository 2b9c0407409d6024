"""Handing over a deposit to practise on: numbers, layers, stakes, thickness, outline and a map, in one folder."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from shapely import LineString, Point, to_geojson, transform

from lastseen import __version__
from lastseen.drill.practice_deposit import PracticeDeposit, PushPlan, Stake, summary
from lastseen.place import WGS84, to_lonlat, transformer
from lastseen.products.caution import FULL_CAUTION
from lastseen.products.folder import new_folder
from lastseen.products.layers import Column, Layer
from lastseen.products.numbers import SCHEMA_VERSION, numbers_text, record
from lastseen.versions import versions

DEPOSIT_MARKER = "deposit.json"

Progress = Callable[[str, float], None]


def deposit_numbers(made: PracticeDeposit) -> dict[str, Any]:
    """All numbers, keys in a fixed order."""
    crs, push = made.frame.crs, made.pushing
    authority = crs.to_authority()
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "lastseen", "version": __version__},
        "caution": FULL_CAUTION,
        "name": made.name,
        "seed": made.seed,
        "versions": versions(),
        "crs": ":".join(authority) if authority else crs.to_wkt(),
        "site": {key: made.site.get(key) for key in ("number", "corners_m", "middle", "slope_deg", "downhill_deg",
                                                     "exposure", "lookout", "left_out", "statement")},
        "deposit": {
            "source": made.shape.source, "volume_m3": round(made.shape.volume_m3, 1),
            "area_m2": round(made.shape.area_m2, 1), "greatest_m": round(made.shape.greatest_m, 2),
            "mean_m": round(made.shape.volume_m3 / made.shape.area_m2, 2), "scale": round(made.shape.scale, 3),
        },
        "pushing": {
            **record(push, ("stakes", "hauls", "borrow")),
            "packing_source": "slab against deposit density, mass kept (from memory); with --packing your own",
            "stakes": [_stake_record(made, one) for one in push.stakes],
            "hauls": [record(one) for one in push.hauls],
        },
        "notes": list(made.notes),
    }  # fmt: skip


def _stake_record(made: PracticeDeposit, one: Stake) -> dict[str, Any]:
    return {**record(one), "lonlat": to_lonlat(*one.at_m, made.frame.crs).notations()["lonlat"]}


def deposit_layers(made: PracticeDeposit) -> tuple[Layer, ...]:
    """Site, outline, stakes, ground that snow is taken from, and hauls."""
    push = made.pushing
    at = {one.name: one.at_m for one in push.stakes}
    moved = [one for one in push.hauls if one.distance_m > 0.0]
    return (
        Layer("debris_outline", "Outline of the deposit", "Edge of the snow that is laid.", "MultiPolygon",
              (Column("source", "text", "what it is"),),
              (made.shape.outline,), ((made.shape.source,),)),
        Layer("site", "Practice site", "The site that it is laid over.", "MultiPolygon",
              (Column("statement", "text", "what comes down"),),
              (made.outline,), ((made.statement,),)),
        Layer("stakes", "Stakes", "What is laid and taken at each stake.", "Point",
              (Column("name", "text", "row from the top, number from the left"),
               Column("fill_m", "real", "thickness to be laid at the stake"),
               Column("cut_m", "real", "depth to be taken at the stake"),
               Column("fill_m3", "real", "to be laid on its square"),
               Column("cut_m3", "real", "to be taken from its square, as it lies")),
              tuple(Point(one.at_m) for one in push.stakes),
              tuple((one.name, one.fill_m, one.cut_m, one.fill_m3, one.cut_m3) for one in push.stakes)),
        Layer("borrow", "Where snow is taken from", "Ground below 30 degrees that no body reaches.",
              "MultiPolygon", (Column("depth_m", "real", "to be taken"),),
              (push.borrow,), ((push.cut_m,),)),
        Layer("hauls", "What is pushed where", "From the square of one stake to that of another.", "LineString",
              (Column("from_stake", "text", "square that gives"), Column("to_stake", "text", "square that takes"),
               Column("volume_m3", "real", "as it lies in the end"), Column("distance_m", "real", "between stakes")),
              tuple(LineString([at[one.from_stake], at[one.to_stake]]) for one in moved),
              tuple((one.from_stake, one.to_stake, one.volume_m3, one.distance_m) for one in moved)),
    )  # fmt: skip


def write_deposit(
    made: PracticeDeposit, folder: Path, *, overwrite: bool = False, progress: Progress = lambda _stage, _share: None
) -> tuple[Path, ...]:
    """Write the deposit as JSON, GeoPackage, outline, stakes, raster and map.

    The folder appears whole or not at all. The same deposit gives the same bytes. ``outline.geojson`` is what
    ``lastseen strips`` lays a search over.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.products.folder.new_folder`.
    """
    from lastseen.products import depositmap, geopackage, rasters  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=DEPOSIT_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / DEPOSIT_MARKER).write_text(numbers_text(deposit_numbers(made)), encoding="utf-8", newline="\n")
        progress("writing the layers", 0.2)
        run = geopackage.run_rows(made.name, made.notes, seed=made.seed)
        geopackage.write_layers(partial / "deposit.gpkg", deposit_layers(made), made.frame.crs, run)
        _write_outline(made, partial / "outline.geojson")
        _write_stakes(made, partial / "stakes.gpx")
        told = [f"thickness of the deposit above the snow that is there, vertical{made.left_out}"]
        rasters.write_cog(partial / "thickness.tif", made.shape.thickness_m, told, ["m"])
        progress("drawing the map", 0.5)
        depositmap.write_deposit_map(made, partial / "deposit.png")
        progress("done", 1.0)
        names = sorted(one.name for one in partial.iterdir())
    return tuple(folder / name for name in names)


def _write_outline(made: PracticeDeposit, path: Path) -> None:
    back = transformer(made.frame.crs, WGS84)
    area = transform(made.shape.outline, lambda xy: np.round(np.column_stack(back.transform(xy[:, 0], xy[:, 1])), 7))
    caution = FULL_CAUTION.replace('"', "'")
    path.write_text(
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"name": "practice deposit", '
        f'"caution": "{caution}", "site": {json.dumps(made.statement)}}}, "geometry": {to_geojson(area)}}}]}}\n',
        encoding="utf-8",
        newline="\n",
    )


def _write_stakes(made: PracticeDeposit, path: Path) -> None:
    """Stakes as waypoints with what is to be done there, and the outline as a track."""
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    gpx = gpxpy.gpx
    document = gpx.GPX()
    document.creator = f"lastseen {__version__}"
    document.name = made.name
    document.description = f"{FULL_CAUTION} {made.statement}"
    for one in made.pushing.stakes:
        place = to_lonlat(one.at_m[0], one.at_m[1], made.frame.crs)
        z = float(made.ground.sample(*one.at_m))
        document.waypoints.append(
            gpx.GPXWaypoint(
                round(place.lat_deg, 7), round(place.lon_deg, 7), elevation=round(z, 1) if math.isfinite(z) else None,
                name=one.name, description=stake_words(one),
            )
        )  # fmt: skip
    back = transformer(made.frame.crs, WGS84)
    for number, part in enumerate(made.shape.outline.geoms, start=1):
        track = gpx.GPXTrack(name=f"EDGE{number}", description=made.shape.source)
        lon, lat = back.transform(*np.array(part.exterior.coords).T)
        points = [gpx.GPXTrackPoint(round(float(b), 7), round(float(a), 7)) for a, b in zip(lon, lat, strict=True)]
        track.segments.append(gpx.GPXTrackSegment(points))
        document.tracks.append(track)
    path.write_text(document.to_xml(version="1.1") + "\n", encoding="utf-8", newline="\n")


def stake_words(one: Stake) -> str:
    """What is done at a stake."""
    told = []
    if one.fill_m3 >= 0.05:
        told.append(f"lay {one.fill_m3:.1f} m3 on its square, {one.fill_m:.2f} m at the stake")
    if one.cut_m3 >= 0.05:
        told.append(f"take {one.cut_m3:.1f} m3 from its square, as it lies")
    return ("; ".join(told) or "nothing") + "."


def deposit_table(made: PracticeDeposit, folder: Path) -> str:
    """The pushing plan for a terminal."""
    from lastseen.products import tables  # noqa: PLC0415

    push = made.pushing
    rows = [
        (one.name, f"{one.fill_m:.2f}", f"{one.fill_m3:.1f}", f"{one.cut_m3:.1f}", _gives(push, one.name))
        for one in push.stakes
    ]
    return tables.paragraphs(
        tables.wrapped(made.shape.source),
        tables.wrapped(summary(made)),
        tables.table(("stake", "fill m", "fill m3", "cut m3", "its snow goes to (m3 as it lies in the end)"), rows),
        tables.bullets(made.notes),
        f"Written to {folder}",
    )


def _gives(push: PushPlan, name: str) -> str:
    found = [one for one in push.hauls if one.from_stake == name]
    return ", ".join(f"{one.to_stake} {one.volume_m3:.0f}" for one in found)
