"""Practice sites and practice deposits handed over: numbers, layers, tracks and maps."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely import LineString, MultiPolygon, Point, to_geojson, transform

from lastseen import __version__
from lastseen.core import (
    WGS84,
    Progress,
    keep_areas,
    no_progress,
    outline_of_level,
    to_lonlat,
    transformer,
    versions,
)
from lastseen.jobs import (
    SITE_LIMITS,
    PracticeDeposit,
    PushPlan,
    Stake,
    deposit_sentence,
    lookout_words,
    site_sentences,
    way_words,
)
from lastseen.output.caution import FULL_CAUTION
from lastseen.output.layers import Column, Layer
from lastseen.output.numbers import SCHEMA_VERSION, input_files, numbers_text, record
from lastseen.output.write import new_folder

if TYPE_CHECKING:
    from lastseen.jobs import Site, SiteView


# ---- Handing over a deposit to practise on: numbers, layers, stakes, thickness, outline and a map, in one folder

DEPOSIT_MARKER = "deposit.json"


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
            "stakes": [_stake_record(made, stake) for stake in push.stakes],
            "hauls": [record(haul) for haul in push.hauls],
        },
        "notes": list(made.notes),
    }  # fmt: skip


def _stake_record(made: PracticeDeposit, one: Stake) -> dict[str, Any]:
    return {**record(one), "lonlat": to_lonlat(*one.at_m, made.frame.crs).notations()["lonlat"]}


def deposit_layers(made: PracticeDeposit) -> tuple[Layer, ...]:
    """Site, outline, stakes, ground that snow is taken from, and hauls."""
    push = made.pushing
    at = {stake.name: stake.at_m for stake in push.stakes}
    moved = [haul for haul in push.hauls if haul.distance_m > 0.0]
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
              tuple(Point(stake.at_m) for stake in push.stakes),
              tuple((stake.name, stake.fill_m, stake.cut_m, stake.fill_m3, stake.cut_m3) for stake in push.stakes)),
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
    made: PracticeDeposit, folder: Path, *, overwrite: bool = False, progress: Progress = no_progress
) -> tuple[Path, ...]:
    """Write the deposit as JSON, GeoPackage, outline, stakes, raster and map.

    The folder appears whole or not at all. The same deposit gives the same bytes. ``outline.geojson`` is what
    ``lastseen strips`` lays a search over.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.output.write.new_folder`.
    """
    from lastseen.output.draw import deposit_map  # noqa: PLC0415  slow to import
    from lastseen.output.formats import cog, gpkg  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=DEPOSIT_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / DEPOSIT_MARKER).write_text(numbers_text(deposit_numbers(made)), encoding="utf-8", newline="\n")
        progress("writing the layers", 0.2)
        run = gpkg.run_rows(made.name, made.notes, seed=made.seed)
        gpkg.write_layers(partial / "deposit.gpkg", deposit_layers(made), made.frame.crs, run)
        _write_outline(made, partial / "outline.geojson")
        _write_stakes(made, partial / "stakes.gpx")
        told = [f"thickness of the deposit above the snow that is there, vertical{made.left_out}"]
        cog.write_cog(partial / "thickness.tif", made.shape.thickness_m, told, ["m"])
        progress("drawing the map", 0.5)
        deposit_map.write_deposit_map(made, partial / "deposit.png")
        progress("done", 1.0)
        names = sorted(path.name for path in partial.iterdir())
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
    for stake in made.pushing.stakes:
        place = to_lonlat(stake.at_m[0], stake.at_m[1], made.frame.crs)
        z = float(made.ground.sample(*stake.at_m))
        document.waypoints.append(
            gpx.GPXWaypoint(
                round(place.lat_deg, 7), round(place.lon_deg, 7), elevation=round(z, 1) if math.isfinite(z) else None,
                name=stake.name, description=stake_words(stake),
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
    from lastseen.output import console  # noqa: PLC0415

    push = made.pushing
    rows = [
        (stake.name, f"{stake.fill_m:.2f}", f"{stake.fill_m3:.1f}", f"{stake.cut_m3:.1f}", _gives(push, stake.name))
        for stake in push.stakes
    ]
    return console.paragraphs(
        console.wrapped(made.shape.source),
        console.wrapped(deposit_sentence(made)),
        console.table(("stake", "fill m", "fill m3", "cut m3", "its snow goes to (m3 as it lies in the end)"), rows),
        console.bullets(made.notes),
        f"Written to {folder}",
    )


def _gives(push: PushPlan, name: str) -> str:
    found = [haul for haul in push.hauls if haul.from_stake == name]
    return ", ".join(f"{one.to_stake} {one.volume_m3:.0f}" for one in found)


# ---- Handing over practice sites: numbers, layers, reach, GPX and maps, in one folder

SITES_MARKER = "sites.json"
MOST_SHEETS = 3  # sites that get a sheet of their own


def sites_numbers(view: SiteView) -> dict[str, Any]:
    """All that was found as plain values, keys in a fixed order, nothing that is not a number."""
    grid, search = view.terrain.elevation, view.search
    authority = grid.crs.to_authority()
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "lastseen", "version": __version__},
        "caution": FULL_CAUTION,
        "name": view.scenario.name,
        "inputs": input_files(view),
        "versions": versions(),
        "grid": {
            "crs": ":".join(authority) if authority else grid.crs.to_wkt(),
            "crs_name": grid.crs.name,
            "cell_m": grid.cell_m,
            "shape": list(grid.shape),
            "bounds_m": list(grid.bounds),
        },
        "wish": record(search.request),
        "left_out": search.request.left_out or None,
        "near": view.near.notations() if view.near else None,
        "reach": {
            "frictions_by_size": [list(friction) for friction in search.reach.frictions],
            "bodies": search.reach.samples,
            "left": search.reach.left,
            "cell_m": search.reach.share.cell_m,
            "start_zones": search.starts.count,
        },
        "sites": [site_record(view, site) for site in search.sites],
        "refused": record(search.refused),
        "notes": list(view.notes),
    }


def site_record(view: SiteView, site: Site) -> dict[str, Any]:
    """One site as plain values, with its places in three notations."""
    crs = view.terrain.elevation.crs
    found = record(site, ("outline", "way_in", "way_out"))
    found["exposure"]["distance_m"] = _number(site.exposure.distance_m)
    found["exposure"]["start_distance_m"] = _number(site.exposure.start_distance_m)
    found["corners_m"] = [[round(x, 2), round(y, 2)] for x, y in list(site.outline.exterior.coords)[:4]]
    found["middle"] = to_lonlat(*site.middle_m, crs).notations()
    if site.lookout is not None:
        found["lookout"]["place"] = to_lonlat(*site.lookout.at_m, crs).notations()
    for key, way in (("way_in", site.way_in), ("way_out", site.way_out)):
        found[key] = None if way is None else record(way, ("line",))
    found["left_out"] = view.search.request.left_out or None
    found["words"] = site_sentences(site)
    return found


def _number(value: float) -> float | None:
    return round(value, 1) if math.isfinite(value) else None


def site_layers(view: SiteView) -> tuple[Layer, ...]:
    """Sites, ways, lookout places, start zones, and ground that a body reaches."""
    search = view.search
    number = Column("site", "integer", "number of the site, from 1, the best first")
    of_sites = Layer(
        "sites", "Practice sites", "Ground for practice, the best first.", "MultiPolygon",
        (number, Column("rank", "real", "0 to 1"), Column("slope_deg", "real", "mean slope"),
         Column("downhill_deg", "real", "azimuth of the fall line from grid north"),
         Column("reached_share", "real", "greatest share of frictions with which a body passes it or its margin"),
         Column("reached_away_m", "real", "distance to the nearest ground that a body reaches"),
         Column("statement", "text", "what comes down, with its limits"), Column("reason", "text", "why this rank")),
        tuple(MultiPolygon([site.outline]) for site in search.sites),
        tuple((site.number, site.rank, site.slope_deg, site.downhill_deg, site.exposure.share,
               _number(site.exposure.distance_m), site.statement, site.reason) for site in search.sites),
    )  # fmt: skip
    ways = [
        (site.number, kind, way)
        for site in search.sites
        for kind, way in (("way in", site.way_in), ("way out", site.way_out))
        if way is not None
    ]
    of_ways = Layer(
        "ways", "Ways in and out", "Walks to and from each site.", "LineString",
        (number, Column("kind", "text", "way in or way out"), Column("length_m", "real", "on the ground"),
         Column("time_s", "real", "on foot, Tobler's rule off the path"),
         Column("reached_m", "real", "length on ground that a body reaches")),
        tuple(way.line for _, _, way in ways),
        tuple((k, kind, way.length_m, way.time_s, way.reached_m) for k, kind, way in ways),
    )  # fmt: skip
    seen = [(site.number, site.lookout) for site in search.sites if site.lookout is not None]
    of_lookouts = Layer(
        "lookouts", "Lookout places", "From where one person watches a site and the ground above it.", "Point",
        (number, Column("name", "text", "as on the sheet"), Column("sees_site", "real", "share of the site seen"),
         Column("sees_above", "real", "share of the start-zone ground above seen; none where there is none")),
        tuple(Point(one.at_m) for _, one in seen),
        tuple((k, one.name, one.sees_site, _number(one.sees_above)) for k, one in seen),
    )  # fmt: skip
    reached = reached_outline(view)
    of_reach = Layer(
        "reached", "Ground that a body from a start zone reaches", "Outer bound of what comes down in this model.",
        "MultiPolygon",
        (Column("meaning", "text", "outer bound of the model"),), (reached,), (("share of frictions above 0",),),
    )  # fmt: skip
    return tuple(one for one in (of_sites, of_ways, of_lookouts, of_reach) if one.shapes and not one.shapes[0].is_empty)


def reached_outline(view: SiteView) -> MultiPolygon:
    """Where at least one body passes."""
    share = view.search.reach.share
    return keep_areas(outline_of_level(share, 0.5 / len(view.search.reach.frictions), 4.0 * share.cell_area_m2))


def write_sites(
    view: SiteView, folder: Path, *, overwrite: bool = False, progress: Progress = no_progress
) -> tuple[Path, ...]:
    """Write ``sites.json``, ``sites.gpkg``, ``sites.gpx``, ``reach.tif``, ``sites.png`` and a sheet for the best.

    The folder appears whole or not at all. The same view gives the same bytes.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.output.write.new_folder`.
    """
    from lastseen.output.draw import site_map  # noqa: PLC0415  slow to import
    from lastseen.output.formats import cog, gpkg  # noqa: PLC0415  slow to import

    search = view.search
    with new_folder(folder, overwrite=overwrite, marker=SITES_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / SITES_MARKER).write_text(numbers_text(sites_numbers(view)), encoding="utf-8", newline="\n")
        write_gpx(view, partial / "sites.gpx")
        progress("writing the layers", 0.2)
        run = gpkg.run_rows(view.scenario.name, view.notes)
        gpkg.write_layers(partial / "sites.gpkg", site_layers(view), view.terrain.elevation.crs, run)
        progress("writing the reach", 0.4)
        known = np.isfinite(search.reach.share.values)
        bands = [search.reach.share, search.reach.share.with_values(np.where(known, search.reach.speed_m_s, np.nan))]
        told = ["share of frictions with which a body from a start zone passes within 10 m", "greatest speed of a body"]
        if search.request.left_out:
            told = [f"{one}; {search.request.left_out}" for one in told]
        cog.write_cog(partial / "reach.tif", bands, told, ["1", "m s-1"])
        progress("drawing the maps", 0.5)
        site_map.write_site_map(view, partial / "sites.png")
        for site in search.sites[:MOST_SHEETS]:
            site_map.write_site_map(view, partial / f"site_{site.number:02d}.png", site)
        progress("done", 1.0)
        names = sorted(path.name for path in partial.iterdir())
    return tuple(folder / name for name in names)


def _about(view: SiteView) -> str:
    """The caution, and what was left out."""
    left_out = view.search.request.left_out
    return f"{FULL_CAUTION} {left_out.capitalize()}." if left_out else FULL_CAUTION


def write_gpx(view: SiteView, path: Path) -> None:
    """Corners and lookout places as waypoints, outlines and ways as tracks; short ASCII names."""
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    gpx, ground = gpxpy.gpx, view.terrain.elevation
    document = gpx.GPX()
    document.creator = f"lastseen {__version__}"
    document.name = view.scenario.name or "Practice sites"
    document.description = _about(view)

    def places(points: Any) -> list[tuple[float, float, float | None]]:
        xy = np.array(points, float).reshape(-1, 2)
        lon, lat = transformer(ground.crs, WGS84).transform(xy[:, 0], xy[:, 1])
        z = ground.sample(xy[:, 0], xy[:, 1])
        return [
            (round(float(a), 7), round(float(b), 7), round(float(c), 1) if math.isfinite(c) else None)
            for a, b, c in zip(lon, lat, z, strict=True)
        ]

    def track(name: str, text: str, points: Any) -> None:
        one = gpx.GPXTrack(name=name, description=text)
        one.segments.append(
            gpx.GPXTrackSegment([gpx.GPXTrackPoint(lat, lon, elevation=z) for lon, lat, z in places(points)])
        )
        document.tracks.append(one)

    for site in view.search.sites:
        k = site.number
        ring = list(site.outline.exterior.coords)
        for corner, (lon, lat, z) in zip("ABCD", places(ring[:4]), strict=True):
            document.waypoints.append(
                gpx.GPXWaypoint(lat, lon, elevation=z, name=f"SITE{k}-{corner}", description=site.statement)
            )
        if site.lookout is not None:
            ((lon, lat, z),) = places([site.lookout.at_m])
            told = lookout_words(site.lookout)
            document.waypoints.append(gpx.GPXWaypoint(lat, lon, elevation=z, name=site.lookout.name, description=told))
        track(f"SITE{k}", site.statement, ring)
        for name, way, what in ((f"IN{k}", site.way_in, "way in"), (f"OUT{k}", site.way_out, "way out")):
            if way is not None:
                track(name, way_words(way, what), way.line.coords)
    path.write_text(document.to_xml(version="1.1") + "\n", encoding="utf-8", newline="\n")


def sites_table(view: SiteView, folder: Path) -> str:
    """The sites for a terminal."""
    from lastseen.output import console  # noqa: PLC0415

    crs = view.terrain.elevation.crs
    blocks = []
    for site in view.search.sites:
        place = to_lonlat(*site.middle_m, crs).notations()
        head = console.wrapped(f"Site {site.number}: {place['lonlat']} = {place['mgrs']}, rank {site.rank:.2f}")
        blocks.append(
            f"{head}\n{console.bullets(site_sentences(site, site.statement.removesuffix(f' {SITE_LIMITS}')))}"
        )
    return console.paragraphs(
        *blocks, console.wrapped(SITE_LIMITS), console.bullets(view.notes), f"Written to {folder}"
    )
