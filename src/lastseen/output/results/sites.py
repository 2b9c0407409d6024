"""Results that prepare a drill's ground: practice sites, and a deposit to practise on."""

from __future__ import annotations

import json
import math
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Point

from lastseen.core import (
    WGS84,
    Grid,
    keep_areas,
    outline_of_level,
    to_lonlat,
    transformer,
    versions,
)
from lastseen.jobs import lookout_words, site_sentences, way_words
from lastseen.output.draw.deposit_map import write_deposit_map
from lastseen.output.draw.site_map import write_site_map
from lastseen.output.result import (
    DEGREE_DECIMALS,
    FULL_CAUTION,
    Layer,
    Raster,
    Result,
    Track,
    Tracks,
    Waypoint,
    make_columns,
    make_layer,
    make_product,
)
from lastseen.output.results.numbers import (
    crs_text,
    grid_numbers,
    head_numbers,
    input_files,
    record,
    run_rows,
)

if TYPE_CHECKING:
    from lastseen.jobs import (
        PracticeDeposit,
        Site,
        SiteView,
        Stake,
    )

# ---- Practice sites

MOST_SHEETS = 3  # sites that get a sheet of their own


def result_of_sites(view: SiteView) -> Result:
    """Practice sites, the best first: numbers, layers, ground that a body reaches, corners and ways, maps."""
    name, ground = view.scenario.name, view.terrain.elevation
    left_out = view.search.request.left_out
    return Result(
        job="sites",
        numbers=_sites_numbers(view),
        layers={layer.name: layer for layer in _site_layers(view)},
        rasters={"reach": _reach_raster(view)},
        tracks={
            "sites": Tracks(
                title=name or "Practice sites",
                about=f"{FULL_CAUTION} {left_out.capitalize()}." if left_out else FULL_CAUTION,
                waypoints=tuple(point for site in view.search.sites for point in _site_waypoints(site, ground)),
                tracks=tuple(track for site in view.search.sites for track in _site_tracks(site, ground)),
            )
        },
        products={"map": make_product("maps of the sites", "", partial(_draw, view))},
        run=run_rows(name, view.notes),
        default=("json", "gpx", "gpkg", "cog", "map"),
        crs=ground.crs,
    )


def _draw(view: SiteView, folder: Path) -> None:
    write_site_map(view, folder / "sites.png")
    for site in view.search.sites[:MOST_SHEETS]:
        write_site_map(view, folder / f"site_{site.number:02d}.png", site)


def _sites_numbers(view: SiteView) -> dict[str, Any]:
    search = view.search
    return {
        **head_numbers(view.scenario.name),
        "inputs": input_files(view),
        "versions": versions(),
        "grid": grid_numbers(view.terrain.elevation),
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
        "sites": [_site_record(view, site) for site in search.sites],
        "refused": record(search.refused),
        "notes": list(view.notes),
    }


def _site_record(view: SiteView, site: Site) -> dict[str, Any]:
    """A site as plain values, with its places in three notations."""
    crs = view.terrain.elevation.crs
    numbers = record(site, ("outline", "way_in", "way_out"))
    numbers["exposure"]["distance_m"] = _decimetres(site.exposure.distance_m)
    numbers["exposure"]["start_distance_m"] = _decimetres(site.exposure.start_distance_m)
    numbers["corners_m"] = [[round(x, 2), round(y, 2)] for x, y in list(site.outline.exterior.coords)[:4]]
    numbers["middle"] = to_lonlat(*site.middle_m, crs).notations()
    if site.lookout is not None:
        numbers["lookout"]["place"] = to_lonlat(*site.lookout.at_m, crs).notations()
    for key, way in (("way_in", site.way_in), ("way_out", site.way_out)):
        numbers[key] = None if way is None else record(way, ("line",))
    numbers["left_out"] = view.search.request.left_out or None
    numbers["words"] = site_sentences(site)
    return numbers


def _decimetres(value: float) -> float | None:
    return round(value, 1) if math.isfinite(value) else None


def _site_layers(view: SiteView) -> tuple[Layer, ...]:
    """Sites, ways, lookout places, and ground that a body reaches; those with something in them."""
    search = view.search
    number = ("site", "integer", "number of the site, from 1, the best first")
    ways = [
        (way.line, (site.number, kind, way.length_m, way.time_s, way.reached_m))
        for site in search.sites
        for kind, way in (("way in", site.way_in), ("way out", site.way_out))
        if way is not None
    ]
    lookouts = [
        (Point(look.at_m), (site.number, look.name, look.sees_site, _decimetres(look.sees_above)))
        for site in search.sites
        if (look := site.lookout) is not None
    ]
    layers = (
        make_layer(
            [
                (
                    MultiPolygon([site.outline]),
                    (site.number, site.rank, site.slope_deg, site.downhill_deg, site.exposure.share,
                     _decimetres(site.exposure.distance_m), site.statement, site.reason),
                )
                for site in search.sites
            ],
            name="sites",
            title="Practice sites",
            about="Ground for practice, the best first.",
            geometry="MultiPolygon",
            columns=make_columns(
                [number,
                ("rank", "real", "0 to 1"),
                ("slope_deg", "real", "mean slope"),
                ("downhill_deg", "real", "azimuth of the fall line from grid north"),
                ("reached_share", "real", "greatest share of frictions with which a body passes it or its margin"),
                ("reached_away_m", "real", "distance to the nearest ground that a body reaches"),
                ("statement", "text", "what comes down, with its limits"),
                ("reason", "text", "why this rank"),],
            ),
        ),
        make_layer(
            ways,
            name="ways",
            title="Ways in and out",
            about="Walks to and from each site.",
            geometry="LineString",
            columns=make_columns(
                [number,
                ("kind", "text", "way in or way out"),
                ("length_m", "real", "on the ground"),
                ("time_s", "real", "on foot, Tobler's rule off the path"),
                ("reached_m", "real", "length on ground that a body reaches"),],
            ),
        ),
        make_layer(
            lookouts,
            name="lookouts",
            title="Lookout places",
            about="From where one person watches a site and the ground above it.",
            geometry="Point",
            columns=make_columns(
                [number,
                ("name", "text", "as on the sheet"),
                ("sees_site", "real", "share of the site seen"),
                ("sees_above", "real", "share of the start-zone ground above seen; none where there is none"),],
            ),
        ),
        make_layer(
            [(_reached_outline(view), ("share of frictions above 0",))],
            name="reached",
            title="Ground that a body from a start zone reaches",
            about="Outer bound of what comes down in this model.",
            geometry="MultiPolygon",
            columns=make_columns([("meaning", "text", "outer bound of the model"),]),
        ),
    )  # fmt: skip
    return tuple(layer for layer in layers if layer.shapes and not layer.shapes[0].is_empty)


def _reached_outline(view: SiteView) -> MultiPolygon:
    """Where at least one body passes."""
    share = view.search.reach.share
    return keep_areas(outline_of_level(share, 0.5 / len(view.search.reach.frictions), 4.0 * share.cell_area_m2))


def _reach_raster(view: SiteView) -> Raster:
    reach, left_out = view.search.reach, view.search.request.left_out
    speed = np.where(np.isfinite(reach.share.values), reach.speed_m_s, np.nan)
    more = f"; {left_out}" if left_out else ""
    return Raster(
        bands=(reach.share, reach.share.with_values(speed)),
        descriptions=(
            f"share of frictions with which a body from a start zone passes within 10 m{more}",
            f"greatest speed of a body{more}",
        ),
        units=("1", "m s-1"),
    )


def _site_waypoints(site: Site, ground: Grid) -> list[Waypoint]:
    """Corners and lookout place, with short ASCII names."""
    corners = [
        (f"SITE{site.number}-{letter}", site.statement, xy)
        for letter, xy in zip("ABCD", site.outline.exterior.coords[:4], strict=True)
    ]
    if site.lookout is not None:
        corners.append((site.lookout.name, lookout_words(site.lookout), site.lookout.at_m))
    return [
        Waypoint(x_m=x, y_m=y, z_m=float(ground.sample(x, y)), name=name, text=text) for name, text, (x, y) in corners
    ]


def _site_tracks(site: Site, ground: Grid) -> list[Track]:
    """Outline and ways."""
    lines = [(f"SITE{site.number}", site.statement, site.outline.exterior)]
    lines += [
        (f"{name}{site.number}", way_words(way, what), way.line)
        for name, way, what in (("IN", site.way_in, "way in"), ("OUT", site.way_out, "way out"))
        if way is not None
    ]
    return [Track(name=name, text=text, segments=(_segment(line, ground),)) for name, text, line in lines]


def _segment(line: Any, ground: Grid) -> tuple[tuple[float, float, float], ...]:
    """Points of a line with the height of the ground."""
    xy = shapely.get_coordinates(line)
    z = ground.sample(xy[:, 0], xy[:, 1])
    return tuple((float(a), float(b), float(c)) for (a, b), c in zip(xy, z, strict=True))


# ---- A deposit to practise on


def result_of_deposit(deposit: PracticeDeposit) -> Result:
    """A practice deposit: numbers, layers, outline, stakes, thickness, map.

    ``outline.geojson`` is what ``lastseen strips`` lays a search over.
    """
    return Result(
        job="deposit",
        numbers=_deposit_numbers(deposit),
        layers={layer.name: layer for layer in _deposit_layers(deposit)},
        rasters={
            "thickness": Raster(
                bands=(deposit.shape.thickness_m,),
                descriptions=(f"thickness of the deposit above the snow that is there, vertical{deposit.left_out}",),
                units=("m",),
            )
        },
        tracks={"stakes": _stake_tracks(deposit)},
        products={
            "outline": make_product("outline of the deposit", "", partial(_write_outline, deposit)),
            "map": make_product("map of the deposit", "deposit.png", partial(write_deposit_map, deposit)),
        },
        run=run_rows(deposit.name, deposit.notes, seed=deposit.seed),
        default=("json", "gpkg", "outline", "gpx", "cog", "map"),
        crs=deposit.frame.crs,
    )


def _deposit_numbers(deposit: PracticeDeposit) -> dict[str, Any]:
    crs, push, shape = deposit.frame.crs, deposit.pushing, deposit.shape
    site_keys = (
        "number", "corners_m", "middle", "slope_deg", "downhill_deg", "exposure", "lookout", "left_out", "statement",
    )  # fmt: skip
    return {
        **head_numbers(deposit.name),
        "seed": deposit.seed,
        "versions": versions(),
        "crs": crs_text(crs),
        "site": {key: deposit.site.get(key) for key in site_keys},
        "deposit": {
            "source": shape.source,
            "volume_m3": round(shape.volume_m3, 1),
            "area_m2": round(shape.area_m2, 1),
            "greatest_m": round(shape.greatest_m, 2),
            "mean_m": round(shape.volume_m3 / shape.area_m2, 2),
            "scale": round(shape.scale, 3),
        },
        "pushing": {
            **record(push, ("stakes", "hauls", "borrow")),
            "packing_source": "slab against deposit density, mass kept (from memory); with --packing your own",
            "stakes": [
                {**record(stake), "lonlat": to_lonlat(*stake.at_m, crs).notations()["lonlat"]} for stake in push.stakes
            ],
            "hauls": [record(haul) for haul in push.hauls],
        },
        "notes": list(deposit.notes),
    }


def _deposit_layers(deposit: PracticeDeposit) -> tuple[Layer, ...]:
    """Site, outline, stakes, ground that snow is taken from, and hauls."""
    push = deposit.pushing
    at = {stake.name: stake.at_m for stake in push.stakes}
    return (
        make_layer(
            [(deposit.shape.outline, (deposit.shape.source,))],
            name="debris_outline",
            title="Outline of the deposit",
            about="Edge of the snow that is laid.",
            geometry="MultiPolygon",
            columns=make_columns(
                [
                    ("source", "text", "what it is"),
                ]
            ),
        ),
        make_layer(
            [(deposit.outline, (deposit.statement,))],
            name="site",
            title="Practice site",
            about="The site that it is laid over.",
            geometry="MultiPolygon",
            columns=make_columns(
                [
                    ("statement", "text", "what comes down"),
                ]
            ),
        ),
        make_layer(
            [
                (Point(stake.at_m), (stake.name, stake.fill_m, stake.cut_m, stake.fill_m3, stake.cut_m3))
                for stake in push.stakes
            ],
            name="stakes",
            title="Stakes",
            about="What is laid and taken at each stake.",
            geometry="Point",
            columns=make_columns(
                [
                    ("name", "text", "row from the top, number from the left"),
                    ("fill_m", "real", "thickness to be laid at the stake"),
                    ("cut_m", "real", "depth to be taken at the stake"),
                    ("fill_m3", "real", "to be laid on its square"),
                    ("cut_m3", "real", "to be taken from its square, as it lies"),
                ],
            ),
        ),
        make_layer(
            [(push.borrow, (push.cut_m,))],
            name="borrow",
            title="Where snow is taken from",
            about="Ground below 30 degrees that no body reaches.",
            geometry="MultiPolygon",
            columns=make_columns(
                [
                    ("depth_m", "real", "to be taken"),
                ]
            ),
        ),
        make_layer(
            [
                (
                    LineString([at[haul.from_stake], at[haul.to_stake]]),
                    (haul.from_stake, haul.to_stake, haul.volume_m3, haul.distance_m),
                )
                for haul in push.hauls
                if haul.distance_m > 0.0
            ],
            name="hauls",
            title="What is pushed where",
            about="From the square of one stake to that of another.",
            geometry="LineString",
            columns=make_columns(
                [
                    ("from_stake", "text", "square that gives"),
                    ("to_stake", "text", "square that takes"),
                    ("volume_m3", "real", "as it lies in the end"),
                    ("distance_m", "real", "between stakes"),
                ],
            ),
        ),
    )


def _write_outline(deposit: PracticeDeposit, folder: Path) -> None:
    back = transformer(deposit.frame.crs, WGS84)
    area = shapely.transform(
        deposit.shape.outline,
        lambda xy: np.round(np.column_stack(back.transform(xy[:, 0], xy[:, 1])), DEGREE_DECIMALS),
    )
    about = {
        "name": "practice deposit",
        "caution": FULL_CAUTION.replace('"', "'"),
        "site": deposit.statement,
    }
    text = (
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": '
        f'{json.dumps(about)}, "geometry": {shapely.to_geojson(area)}}}]}}\n'
    )
    (folder / "outline.geojson").write_text(text, encoding="utf-8", newline="\n")


def _stake_tracks(deposit: PracticeDeposit) -> Tracks:
    """Stakes as waypoints with what is to be done there, and the outline as a track."""
    return Tracks(
        title=deposit.name,
        about=f"{FULL_CAUTION} {deposit.statement}",
        waypoints=tuple(
            Waypoint(
                x_m=stake.at_m[0],
                y_m=stake.at_m[1],
                z_m=float(deposit.ground.sample(*stake.at_m)),
                name=stake.name,
                text=_stake_text(stake),
            )
            for stake in deposit.pushing.stakes
        ),
        tracks=tuple(
            Track(name=f"EDGE{number}", text=deposit.shape.source, segments=(_flat_segment(part.exterior),))
            for number, part in enumerate(deposit.shape.outline.geoms, start=1)
        ),
    )


def _flat_segment(line: Any) -> tuple[tuple[float, float, None], ...]:
    """Points of a line without heights."""
    return tuple((float(x), float(y), None) for x, y in shapely.get_coordinates(line))


def _stake_text(stake: Stake) -> str:
    """What is done at a stake."""
    tasks = []
    if stake.fill_m3 >= 0.05:
        tasks.append(f"lay {stake.fill_m3:.1f} m3 on its square, {stake.fill_m:.2f} m at the stake")
    if stake.cut_m3 >= 0.05:
        tasks.append(f"take {stake.cut_m3:.1f} m3 from its square, as it lies")
    return ("; ".join(tasks) or "nothing") + "."
