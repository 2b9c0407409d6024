"""Find and rank ground for practice."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from shapely import Polygon, STRtree
from shapely.geometry.base import BaseGeometry

from lastseen import traps
from lastseen.drill.sites import exposed, placing, ranking, ways
from lastseen.drill.sites.exposure import StartZoneReach, reach_of_start_zones
from lastseen.drill.sites.model import Refused, Site, SiteSearch, SiteWish
from lastseen.drill.sites.starts import StartGround, start_ground
from lastseen.errors import InputError, NothingFoundError
from lastseen.grid import BoolArray, FloatArray, Grid
from lastseen.ground_layers import GroundLayers
from lastseen.motion.flow_events import working_lattice
from lastseen.outlines import cells_of_outline
from lastseen.release import SIZES
from lastseen.remarks import sentences
from lastseen.terrain import Terrain
from lastseen.wording import percent

NEAR_TRAP_M = 50.0  # terrain traps this near are told; design choice
TRAP_RIM_M = 200.0  # ground round them that traps are measured on
CHOICE = 3  # as many times the wanted sites are looked at closely before they are ranked; design choice
MOST_TRIED = 400
APART = 0.5  # sites lie at least this many widths apart; design choice

Progress = Callable[[str, float], None]


@dataclass(frozen=True, eq=False)
class _Ground:
    """What all sites are looked at on."""

    wish: SiteWish
    starts: StartGround
    reach: StartZoneReach
    layers: GroundLayers
    terrain: Terrain
    share: FloatArray
    away_m: FloatArray
    to_start: exposed.StartDistance
    broad: Grid


def find_sites(
    ground: Grid, layers: GroundLayers, wish: SiteWish, progress: Progress = lambda _stage, _share: None
) -> SiteSearch:
    """Find ground for practice: of the slope asked for, that no start zone in the model reaches, without terrain traps.

    Parameters
    ----------
    ground : Grid
        Elevations, metres; NaN is no data.
    layers : GroundLayers
        Trees, water, roads and more, on the same lattice; may be empty.
    wish : SiteWish
    progress : callable, optional

    Returns
    -------
    SiteSearch
        At least one site.

    Raises
    ------
    NothingFoundError
        If no ground passes; the sentence says what refused how much.
    InputError
        If the ground is too small for a site.
    """
    if min(ground.shape) * ground.cell_m < 2.0 * placing.EDGE_M + max(wish.width_m, wish.height_m):
        raise InputError(
            f"the elevation model is {ground.shape[1] * ground.cell_m:.0f} x {ground.shape[0] * ground.cell_m:.0f} m: "
            f"a site of {wish.width_m:g} x {wish.height_m:g} m must lie {placing.EDGE_M:g} m inside it; use a larger "
            "model"
        )
    progress("looking for start zones", 0.05)
    trees = layers.of("trees")
    starts = start_ground(ground, trees.cover if trees else None, wish.start_deg, wish.most_size)
    reach = reach_of_start_zones(ground, starts, progress=lambda stage, share: progress(stage, 0.1 + 0.6 * share))
    progress("placing sites", 0.7)
    here = _look(ground, starts, reach, layers, wish)
    bad = placing.unusable(starts, layers, wish, here.away_m)
    places = placing.find_places(starts, wish, bad, here.away_m)
    tally = {"tried": 0, "trap": 0, "above": 0, "lookout": 0, "reached": 0}
    found: list[Site] = []
    for site in _candidates(here, places, tally):
        found.append(site)
        progress("looking at sites", 0.7 + 0.3 * len(found) / (CHOICE * wish.count))
        if len(found) == CHOICE * wish.count:
            break
    refused = _refused(here, tally)
    if not found:
        raise NothingFoundError(_nothing(here, refused, places.row.size))
    return SiteSearch(wish, starts, reach, layers, ranking.ranked(found, wish.count), refused, _notes(here, refused))


def _look(ground: Grid, starts: StartGround, reach: StartZoneReach, layers: GroundLayers, wish: SiteWish) -> _Ground:
    away = placing.distance_to_reached(starts, reach)
    ratio = round(reach.share.cell_m / ground.cell_m)
    lattice = working_lattice(ground, ratio) if ratio > 1 else ground
    aspect = np.degrees(np.arctan2(*starts.gradient_m_m)) % 360.0
    terrain = Terrain(ground, ground.with_values(starts.slope_deg), ground.with_values(aspect))
    share = np.where(starts.zones > 0, 1.0, reach.over(ground))
    to_start = exposed.distance_to_starts(starts)
    broad = exposed.broad_ground(reach, lattice)
    return _Ground(wish, starts, reach, layers, terrain, share, away, to_start, broad)


def _candidates(here: _Ground, places: placing.Places, tally: dict[str, int]) -> Iterator[Site]:
    """Sites that pass all, one after the other, apart from each other."""
    outlines = placing.outlines_of(here.starts.ground, here.wish, places)
    tree = STRtree(outlines)
    open_: BoolArray = np.ones(outlines.size, bool)

    def close(area: BaseGeometry, away_m: float = 0.0) -> None:
        open_[tree.query(area, predicate="dwithin", distance=away_m)] = False

    for k in range(outlines.size):
        if not open_[k]:
            continue
        if tally["tried"] - tally["above"] >= MOST_TRIED:
            return
        outline: Polygon = outlines[k]
        tally["tried"] += 1
        if exposed.runs_off_above(outline, here.broad):
            tally["above"] += 1
            close(outline)
            continue
        inside, near = _traps(here, outline)
        if inside:
            tally["trap"] += 1
            for one in inside:
                close(one.outline)
            continue
        site = _site(here, places, k, outline, near)
        if site.exposure.share > 0.0 and (not here.wish.exposed_ok or site.lookout is None):
            tally["lookout" if here.wish.exposed_ok else "reached"] += 1
            close(outline)
            continue
        close(outline, APART * here.wish.width_m)
        yield site


def _traps(here: _Ground, outline: Polygon) -> tuple[list[traps.Trap], tuple[str, ...]]:
    """Terrain traps inside an outline, and in words those near it."""
    terrain, layers = _cut(here, outline.buffer(NEAR_TRAP_M + TRAP_RIM_M).bounds)
    ground = terrain.elevation
    where: BoolArray = np.zeros(ground.shape[0] * ground.shape[1], bool)
    where[cells_of_outline(outline.buffer(NEAR_TRAP_M), ground)] = True
    found = traps.find_traps(terrain, where.reshape(ground.shape), layers)
    inside = [one for one in found if one.outline.intersects(outline)]
    near = [
        f"{one.kind}, {outline.distance(one.outline):.0f} m away"
        for one in found
        if 0.0 < outline.distance(one.outline) <= NEAR_TRAP_M
    ]
    return inside, tuple(near)


def _cut(here: _Ground, bounds: tuple[float, float, float, float]) -> tuple[Terrain, GroundLayers]:
    """Terrain and layers of the ground round a place."""
    all_of = here.terrain
    terrain = Terrain(*(one.window(*bounds) for one in (all_of.elevation, all_of.slope_deg, all_of.aspect_deg)))
    layers = tuple(replace(one, cover=one.cover.window(*bounds)) for one in here.layers.layers)
    return terrain, GroundLayers(layers)


def _site(here: _Ground, places: placing.Places, k: int, outline: Polygon, near: tuple[str, ...]) -> Site:
    wish, ground = here.wish, here.starts.ground
    middle = (outline.centroid.x, outline.centroid.y)
    exposure = exposed.exposure_of(outline, wish, here.starts, here.reach, here.away_m, here.to_start)
    around = ways.look_around(ground, here.share, here.starts.slope_deg, here.layers, _box_round(here, middle))
    roads = here.layers.of("roads")
    way_in, way_out = ways.ways_of(around, outline, wish.near_m, roads.outline if roads else None)
    lookout = ways.lookout_of(around, outline, _starts_on(here.starts, around.ground), "")
    cells = placing.cells_within(outline, ground)
    parts = ranking.parts_of(
        wish, float(places.slope_deg[k]), float(places.spread_deg[k]), exposure.distance_m, way_in, way_out, lookout
    )
    return Site(
        k,
        outline,
        middle,
        float(ground.sample(*middle)),
        math.degrees(math.atan2(*places.downhill[k])) % 360.0,
        float(places.slope_deg[k]),
        float(places.spread_deg[k]),
        float(np.nanmax(here.starts.slope_deg.ravel()[cells])) if cells.size else float(places.slope_deg[k]),
        float(places.inside[k]),
        exposure,
        way_in,
        way_out,
        lookout,
        near,
        parts,
        ranking.rank_of(parts, way_in),
        exposed.statement(outline, exposure, wish, here.starts, here.reach),
        "",
    )


def _box_round(here: _Ground, middle: tuple[float, float]) -> tuple[float, float, float, float]:
    """The ground round a site, and the place where people come from."""
    (x, y), more = middle, ways.AROUND_M
    west, south, east, north = x - more, y - more, x + more, y + more
    if here.wish.near_m is not None:
        (nx, ny), rim = here.wish.near_m, 200.0
        west, east = min(west, nx - rim), max(east, nx + rim)
        south, north = min(south, ny - rim), max(north, ny + rim)
    return west, south, east, north


def _starts_on(starts: StartGround, lattice: Grid) -> BoolArray:
    """Start-zone ground at the middles of other cells."""
    rows, cols = np.indices(lattice.shape)
    i, j = starts.ground.cell_of(*lattice.centre_of(rows, cols))
    found: BoolArray = (
        starts.zones[np.clip(i, 0, starts.zones.shape[0] - 1), np.clip(j, 0, starts.zones.shape[1] - 1)] > 0
    )
    return found


def _refused(here: _Ground, tally: dict[str, int]) -> Refused:
    slope = here.starts.slope_deg
    with np.errstate(invalid="ignore"):
        right = (slope >= here.wish.low_deg) & (slope <= here.wish.high_deg)
    hectare = here.starts.ground.cell_area_m2 / 10_000.0
    return Refused(
        float(right.sum()) * hectare,
        float((right & (here.share > 0.0)).sum()) * hectare,
        tally["tried"],
        tally["trap"],
        tally["above"],
        tally["lookout"],
    )


def _told(here: _Ground, refused: Refused) -> str:
    wish = here.wish
    return (
        f"{refused.right_slope_ha:.0f} ha have {wish.low_deg:g} to {wish.high_deg:g} degrees, a body reaches "
        f"{refused.reached_ha:.0f} ha of them; of {refused.places} places looked at closely {refused.with_trap} hold a "
        f"terrain trap and {refused.unknown_above} lie below ground that runs off the elevation model"
    )


def _nothing(here: _Ground, refused: Refused, places: int) -> str:
    wish = here.wish
    told = f"no ground of {wish.width_m:g} x {wish.height_m:g} m passes ({places} places have slope and distance): "
    told += _told(here, refused)
    if refused.without_lookout:
        told += f", and {refused.without_lookout} have no lookout place"
    ask = ["ask for a smaller --size or a wider --slope"]
    ask.append("name another --near or a wider --within" if wish.near_m is not None else "use a larger elevation model")
    if wish.most_size == SIZES[-1]:
        ask.append(f"--largest {SIZES[-2]}, which leaves events of size {SIZES[-1]} out, as every sheet then says")
    if not wish.exposed_ok:
        ask.append("--exposed-ok for ground that bodies reach, with a lookout")
    return f"{told}; {', '.join(ask[:-1])}, or {ask[-1]}"


def _notes(here: _Ground, refused: Refused) -> tuple[str, ...]:
    reach, cell = here.reach, here.starts.ground.cell_m
    notes = [f"{here.wish.left_out}: they run farther than what is drawn here"] if here.wish.left_out else []
    notes.append(f"{_told(here, refused)}.")
    near = here.wish.near_m
    if near is not None and float(here.starts.ground.with_values(here.share).sample(*near)) > 0.0:
        notes.append("a body reaches the starting place itself: name another one with --near")
    if reach.left:
        notes.append(
            f"{percent(reach.left / max(reach.bodies, 1))} of the bodies left the elevation model or ran into "
            "no data; start zones outside it are not seen"
        )
    notes.append(
        f"ground was looked at on cells of {cell:g} m, bodies ran on {reach.share.cell_m:g} m; start zones smaller "
        "than 125 m2 on the slope are left out, and so is what only finer cells would show"
    )
    large = int(np.count_nonzero(here.starts.could_be > here.wish.most_size))
    if large:
        notes.append(
            f"{large * here.starts.ground.cell_area_m2 / 10_000.0:.0f} ha of start-zone ground could hold a size above "
            f"{here.wish.most_size}"
        )
    if here.layers.of("trees") is None:
        notes.append("trees are not known: a site may lie in a wood, and woods do not stop a body here")
    if blind := traps.invisible_note(cell, here.layers):
        notes.append(blind)
    if here.wish.exposed_ok:
        notes.append("ground that bodies reach was allowed: a site that one reaches is used with its lookout only")
    return sentences(notes)
