"""Handing over practice sites: numbers, layers, reach, GPX and maps, in one folder."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely import MultiPolygon, Point

from lastseen import __version__
from lastseen.drill.sites import words
from lastseen.drill.sites.exposed import LIMITS
from lastseen.outlines import only_areas, outline_of_level
from lastseen.place import WGS84, to_lonlat, transformer
from lastseen.products.caution import FULL_CAUTION
from lastseen.products.folder import new_folder
from lastseen.products.inputs import input_files
from lastseen.products.layers import Column, Layer
from lastseen.products.numbers import SCHEMA_VERSION, numbers_text, record
from lastseen.versions import versions

if TYPE_CHECKING:
    from lastseen.drill.sites import Site
    from lastseen.drill.sites.view import SiteView

SITES_MARKER = "sites.json"
MOST_SHEETS = 3  # sites that get a sheet of their own

Progress = Callable[[str, float], None]


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
        "wish": record(search.wish),
        "left_out": search.wish.left_out or None,
        "near": view.near.notations() if view.near else None,
        "reach": {
            "frictions_by_size": [list(one) for one in search.reach.frictions],
            "bodies": search.reach.bodies,
            "left": search.reach.left,
            "cell_m": search.reach.share.cell_m,
            "start_zones": search.starts.count,
        },
        "sites": [site_record(view, one) for one in search.sites],
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
    found["left_out"] = view.search.wish.left_out or None
    found["words"] = words.site_sentences(site)
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
        tuple(MultiPolygon([one.outline]) for one in search.sites),
        tuple((one.number, one.rank, one.slope_deg, one.downhill_deg, one.exposure.share,
               _number(one.exposure.distance_m), one.statement, one.reason) for one in search.sites),
    )  # fmt: skip
    ways = [
        (one.number, kind, way)
        for one in search.sites
        for kind, way in (("way in", one.way_in), ("way out", one.way_out))
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
    seen = [(one.number, one.lookout) for one in search.sites if one.lookout is not None]
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
    return only_areas(outline_of_level(share, 0.5 / len(view.search.reach.frictions), 4.0 * share.cell_area_m2))


def write_sites(
    view: SiteView, folder: Path, *, overwrite: bool = False, progress: Progress = lambda _stage, _share: None
) -> tuple[Path, ...]:
    """Write ``sites.json``, ``sites.gpkg``, ``sites.gpx``, ``reach.tif``, ``sites.png`` and a sheet for the best.

    The folder appears whole or not at all. The same view gives the same bytes.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.products.folder.new_folder`.
    """
    from lastseen.products import geopackage, rasters, sitemap  # noqa: PLC0415  slow to import

    search = view.search
    with new_folder(folder, overwrite=overwrite, marker=SITES_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / SITES_MARKER).write_text(numbers_text(sites_numbers(view)), encoding="utf-8", newline="\n")
        write_gpx(view, partial / "sites.gpx")
        progress("writing the layers", 0.2)
        run = geopackage.run_rows(view.scenario.name, view.notes)
        geopackage.write_layers(partial / "sites.gpkg", site_layers(view), view.terrain.elevation.crs, run)
        progress("writing the reach", 0.4)
        known = np.isfinite(search.reach.share.values)
        bands = [search.reach.share, search.reach.share.with_values(np.where(known, search.reach.speed_m_s, np.nan))]
        told = ["share of frictions with which a body from a start zone passes within 10 m", "greatest speed of a body"]
        if search.wish.left_out:
            told = [f"{one}; {search.wish.left_out}" for one in told]
        rasters.write_cog(partial / "reach.tif", bands, told, ["1", "m s-1"])
        progress("drawing the maps", 0.5)
        sitemap.write_site_map(view, partial / "sites.png")
        for one in search.sites[:MOST_SHEETS]:
            sitemap.write_site_map(view, partial / f"site_{one.number:02d}.png", one)
        progress("done", 1.0)
        names = sorted(one.name for one in partial.iterdir())
    return tuple(folder / name for name in names)


def _about(view: SiteView) -> str:
    """The caution, and what was left out."""
    left_out = view.search.wish.left_out
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
            told = words.lookout_words(site.lookout)
            document.waypoints.append(gpx.GPXWaypoint(lat, lon, elevation=z, name=site.lookout.name, description=told))
        track(f"SITE{k}", site.statement, ring)
        for name, way, what in ((f"IN{k}", site.way_in, "way in"), (f"OUT{k}", site.way_out, "way out")):
            if way is not None:
                track(name, words.way_words(way, what), way.line.coords)
    path.write_text(document.to_xml(version="1.1") + "\n", encoding="utf-8", newline="\n")


def sites_table(view: SiteView, folder: Path) -> str:
    """The sites for a terminal."""
    from lastseen.products import tables  # noqa: PLC0415

    crs = view.terrain.elevation.crs
    blocks = []
    for one in view.search.sites:
        place = to_lonlat(*one.middle_m, crs).notations()
        head = tables.wrapped(f"Site {one.number}: {place['lonlat']} = {place['mgrs']}, rank {one.rank:.2f}")
        blocks.append(f"{head}\n{tables.bullets(words.site_sentences(one, one.statement.removesuffix(f' {LIMITS}')))}")
    return tables.paragraphs(*blocks, tables.wrapped(LIMITS), tables.bullets(view.notes), f"Written to {folder}")
