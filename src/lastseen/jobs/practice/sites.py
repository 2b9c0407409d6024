"""Find and rank ground for practice."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely import Polygon, STRtree
from shapely.geometry.base import BaseGeometry

from lastseen.core import (
    BoolArray,
    FloatArray,
    Grid,
    InputError,
    LonLat,
    NothingFoundError,
    Progress,
    ResourceError,
    Scenario,
    no_progress,
    percent,
    require_memory,
)
from lastseen.jobs.notes import note_grid, to_sentences
from lastseen.jobs.practice import site_places
from lastseen.jobs.practice.site import Lookout, Part, RefusedGround, Site, SiteRequest, SiteSearch, Way
from lastseen.jobs.practice.site_exposure import (
    StartGround,
    StartZoneReach,
    find_start_ground,
    simulate_start_zones,
    spread_over,
)
from lastseen.snow import SIZES, average_onto_lattice
from lastseen.terrain import (
    Elevation,
    GroundLayers,
    Terrain,
    check_layers,
    open_elevation_of,
    read_ground,
    read_layers,
    read_terrain,
    require_inside,
    smooth_heights,
)
from lastseen.traps import Trap, describe_invisible_traps, find_traps

SLOW_WAY_S = 1200.0  # a way in of this time makes a site no better for it; design choice
LONG_REACHED_M = 500.0  # so much of the way in on ground reached by snow halves the rank; design choice
# Weights of the parts of the rank; design choices.
WEIGHTS = {
    "distance from reached ground": 0.25, "slope": 0.20, "way in": 0.15, "evenness": 0.15, "lookout": 0.15,
    "way out": 0.10,
}  # fmt: skip


def rank_parts(
    request: SiteRequest, *, slope_deg: float, spread_deg: float, away_m: float, way_in: Way | None,
    way_out: Way | None, lookout: Lookout | None,
) -> tuple[Part, ...]:  # fmt: skip
    """The parts of the rank, each 0 to 1."""
    seen = 0.0
    if lookout is not None:
        seen = lookout.sees_site * (1.0 if math.isnan(lookout.sees_above) else 0.5 + 0.5 * lookout.sees_above)
    values = {
        "distance from reached ground": float(site_places.away_part(away_m)),
        "slope": float(site_places.slope_part(request, slope_deg)),
        "way in": max(1.0 - way_in.time_s / SLOW_WAY_S, 0.0) if way_in else 0.0,
        "evenness": float(site_places.even_part(spread_deg)),
        "lookout": seen,
        "way out": 1.0 - way_out.reached_m / way_out.length_m if way_out else 0.0,
    }
    return tuple(Part(name=name, value=values[name], weight=weight) for name, weight in WEIGHTS.items())


def rank_of(parts: Sequence[Part], way_in: Way | None) -> float:
    """The weighted mean of the parts, less where the way in crosses ground reached by snow."""
    return sum(part.weight * part.value for part in parts) * _approach_factor(way_in)


def _approach_factor(way_in: Way | None) -> float:
    """From 1 to 0.5."""
    return 1.0 if way_in is None else 1.0 - 0.5 * min(way_in.reached_m / LONG_REACHED_M, 1.0)


def rank_sites(found: Sequence[Site], count: int) -> tuple[Site, ...]:
    """The best, numbered: those reached by snow come last, and before them those without a way in."""
    ordered = sorted(
        found, key=lambda site: (site.exposure.share > 0.0, site.way_in is None, -round(site.rank, 6), site.number)
    )
    return tuple(_numbered(site, number, len(found)) for number, site in enumerate(ordered[:count], start=1))


def _numbered(site: Site, number: int, of: int) -> Site:
    """The site with its number, the name of its lookout place, and why it has this rank."""
    lookout = replace(site.lookout, name=f"L{number}") if site.lookout else None
    by_value = sorted(site.parts, key=lambda part: -part.value)
    values = ", ".join(f"{part.name} {part.value:.2f}" for part in site.parts)
    text = f"best in {by_value[0].name}, weakest in {by_value[-1].name}. Parts: {values}"
    if site.way_in is None:
        text += "; it comes after all that have a way in"
    elif site.way_in.reached_m > 0.0:
        factor = _approach_factor(site.way_in)
        text += f"; times {factor:.2f}, since a body reaches {site.way_in.reached_m:.0f} m of the way in"
    reason = f"Number {number} of {of} that passed, with {site.rank:.2f} of 1: {text}."
    return replace(site, number=number, lookout=lookout, reason=reason)


NEAR_TRAP_M = 50.0  # terrain traps this near are named; design choice
TRAP_RIM_M = 200.0  # ground round them that traps are measured on
CHOICE = 3  # as many times the wanted sites are looked at closely before they are ranked; design choice
MOST_TRIED = 400
APART = 0.5  # sites lie at least this many widths apart; design choice


@dataclass(frozen=True, eq=False, kw_only=True)
class _SiteGround:
    """What all sites are looked at on."""

    request: SiteRequest
    starts: StartGround
    reach: StartZoneReach
    layers: GroundLayers
    terrain: Terrain
    share: FloatArray
    away_m: FloatArray
    to_start: site_places.StartDistance
    broad: Grid


def find_sites(
    ground: Grid, layers: GroundLayers, request: SiteRequest, progress: Progress = no_progress
) -> SiteSearch:
    """Find ground for practice: of the slope asked for, that no start zone in the model reaches, without terrain traps.

    ``ground`` are elevations (NaN is no data), ``layers`` trees, water, roads and more on the same lattice; may be
    empty. At least one site is found: where no ground passes a `NothingFoundError` says what refused how much, and
    ground too small for a site is an `InputError`.
    """
    if min(ground.shape) * ground.cell_m < 2.0 * site_places.EDGE_M + max(request.width_m, request.height_m):
        raise InputError(
            f"the elevation model is {ground.shape[1] * ground.cell_m:.0f} x {ground.shape[0] * ground.cell_m:.0f} m: "
            f"a site of {request.width_m:g} x {request.height_m:g} m must lie {site_places.EDGE_M:g} m inside it; "
            "use a larger model"
        )
    progress("looking for start zones", 0.05)
    trees = layers.of("trees")
    starts = find_start_ground(ground, trees.cover if trees else None, request.start_deg, request.most_size)
    reach = simulate_start_zones(ground, starts, progress=lambda stage, share: progress(stage, 0.1 + 0.6 * share))
    progress("placing sites", 0.7)
    look = _prepare(ground, starts, reach, layers, request)
    bad = site_places.find_unusable(starts, layers, request, look.away_m)
    places = site_places.find_places(starts, request, bad, look.away_m)
    tally = Counter[str]()
    found: list[Site] = []
    for site in _candidates(look, places, tally):
        found.append(site)
        progress("looking at sites", 0.7 + 0.3 * len(found) / (CHOICE * request.count))
        if len(found) == CHOICE * request.count:
            break
    refused = _count_refused(look, tally)
    if not found:
        raise NothingFoundError(_no_site_text(look, refused, places.row.size))
    best, notes = rank_sites(found, request.count), _notes(look, refused)
    return SiteSearch(
        request=request, starts=starts, reach=reach, layers=layers, sites=best, refused=refused, notes=notes
    )


def _prepare(
    ground: Grid, starts: StartGround, reach: StartZoneReach, layers: GroundLayers, request: SiteRequest
) -> _SiteGround:
    ratio = round(reach.share.cell_m / ground.cell_m)
    lattice = average_onto_lattice(ground, ratio) if ratio > 1 else ground
    aspect = np.degrees(np.arctan2(*starts.gradient_m_m)) % 360.0
    slope = ground.with_values(starts.slope_deg)
    return _SiteGround(
        request=request,
        starts=starts,
        reach=reach,
        layers=layers,
        terrain=Terrain(elevation=ground, slope_deg=slope, aspect_deg=ground.with_values(aspect)),
        share=np.where(starts.zones > 0, 1.0, spread_over(reach.share, ground)),
        away_m=site_places.distance_to_reached(starts, reach),
        to_start=site_places.distance_to_starts(starts),
        broad=smooth_heights(reach.share.with_values(lattice.values), site_places.ASCENT_SMOOTHING_M),
    )


def _candidates(look: _SiteGround, places: site_places.Places, tally: Counter[str]) -> Iterator[Site]:
    """Sites that pass all, one after the other, apart from each other."""
    outlines = site_places.outlines_of(look.starts.ground, look.request, places)
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
        if site_places.runs_off_above(outline, look.broad):
            tally["above"] += 1
            close(outline)
            continue
        inside, near = _traps(look, outline)
        if inside:
            tally["trap"] += 1
            for trap in inside:
                close(trap.outline)
            continue
        site = _site(look, places, k, outline, near)
        if site.exposure.share > 0.0 and (not look.request.exposed_ok or site.lookout is None):
            tally["lookout" if look.request.exposed_ok else "reached"] += 1
            close(outline)
            continue
        close(outline, APART * look.request.width_m)
        yield site


def _traps(look: _SiteGround, outline: Polygon) -> tuple[list[Trap], tuple[str, ...]]:
    """Terrain traps inside an outline, and in words those near it."""
    bounds = outline.buffer(NEAR_TRAP_M + TRAP_RIM_M).bounds
    whole = look.terrain
    grids = (whole.elevation, whole.slope_deg, whole.aspect_deg)
    ground, slope, aspect = (grid.window(*bounds) for grid in grids)
    layers = tuple(replace(layer, cover=layer.cover.window(*bounds)) for layer in look.layers.layers)
    where = site_places.mask_of(outline.buffer(NEAR_TRAP_M), ground)
    terrain = Terrain(elevation=ground, slope_deg=slope, aspect_deg=aspect)
    found = find_traps(terrain, where, GroundLayers(layers=layers))
    inside = [trap for trap in found if trap.outline.intersects(outline)]
    away = [(trap.kind, outline.distance(trap.outline)) for trap in found]
    return inside, tuple(f"{kind}, {away_m:.0f} m away" for kind, away_m in away if 0.0 < away_m <= NEAR_TRAP_M)


def _site(look: _SiteGround, places: site_places.Places, k: int, outline: Polygon, near: tuple[str, ...]) -> Site:
    request, ground = look.request, look.starts.ground
    middle = (outline.centroid.x, outline.centroid.y)
    starts, reach = look.starts, look.reach
    exposure = site_places.exposure_of(
        outline, request, starts=starts, reach=reach, away_m=look.away_m, to_start=look.to_start
    )
    box = _box_round(look, middle)
    around = site_places.cut_surroundings(ground, look.share, starts.slope_deg, look.layers, box)
    roads = look.layers.of("roads")
    way_in, way_out = site_places.ways_of(around, outline, request.near_m, roads.outline if roads else None)
    lookout = site_places.lookout_of(around, outline, _starts_on(starts, around.ground), "")
    cells = site_places.cells_within(outline, ground)
    slope, spread = float(places.slope_deg[k]), float(places.spread_deg[k])
    away = exposure.distance_m
    parts = rank_parts(
        request, slope_deg=slope, spread_deg=spread, away_m=away, way_in=way_in, way_out=way_out, lookout=lookout
    )
    return Site(
        number=k,
        outline=outline,
        middle_m=middle,
        elevation_m=float(ground.sample(*middle)),
        downhill_deg=math.degrees(math.atan2(*places.downhill[k])) % 360.0,
        slope_deg=slope,
        spread_deg=spread,
        steepest_deg=float(np.nanmax(starts.slope_deg.ravel()[cells])) if cells.size else slope,
        inside_range=float(places.inside[k]),
        exposure=exposure,
        way_in=way_in,
        way_out=way_out,
        lookout=lookout,
        traps_near=near,
        parts=parts,
        rank=rank_of(parts, way_in),
        statement=site_places.exposure_statement(outline, exposure, request, starts, reach),
        reason="",
    )


def _box_round(look: _SiteGround, middle: tuple[float, float]) -> tuple[float, float, float, float]:
    """The ground round a site, and the place where people come from."""
    (x, y), more = middle, site_places.AROUND_M
    west, south, east, north = x - more, y - more, x + more, y + more
    if look.request.near_m is not None:
        (nx, ny), rim = look.request.near_m, 200.0
        west, east = min(west, nx - rim), max(east, nx + rim)
        south, north = min(south, ny - rim), max(north, ny + rim)
    return west, south, east, north


def _starts_on(starts: StartGround, lattice: Grid) -> BoolArray:
    """Start-zone ground at the middles of other cells."""
    cells = starts.ground.cell_of(*lattice.centre_of(*np.indices(lattice.shape)))
    i, j = (np.clip(index, 0, n - 1) for index, n in zip(cells, starts.zones.shape, strict=True))
    found: BoolArray = starts.zones[i, j] > 0
    return found


def _count_refused(look: _SiteGround, tally: Counter[str]) -> RefusedGround:
    slope = look.starts.slope_deg
    with np.errstate(invalid="ignore"):
        right = (slope >= look.request.low_deg) & (slope <= look.request.high_deg)
    hectare = look.starts.ground.cell_area_m2 / 10_000.0
    return RefusedGround(
        right_slope_ha=float(right.sum()) * hectare,
        reached_ha=float((right & (look.share > 0.0)).sum()) * hectare,
        places=tally["tried"],
        with_trap=tally["trap"],
        unknown_above=tally["above"],
        without_lookout=tally["lookout"],
    )


def _refused_text(look: _SiteGround, refused: RefusedGround) -> str:
    request = look.request
    return (
        f"{refused.right_slope_ha:.0f} ha have {request.low_deg:g} to {request.high_deg:g} degrees, a body reaches "
        f"{refused.reached_ha:.0f} ha of them; of {refused.places} places looked at closely {refused.with_trap} hold a "
        f"terrain trap and {refused.unknown_above} lie below ground that runs off the elevation model"
    )


def _no_site_text(look: _SiteGround, refused: RefusedGround, places: int) -> str:
    request = look.request
    text = f"no ground of {request.width_m:g} x {request.height_m:g} m passes ({places} places have slope and distance)"
    text += f": {_refused_text(look, refused)}"
    if refused.without_lookout:
        text += f", and {refused.without_lookout} have no lookout place"
    larger = "name another --near or a wider --within" if request.near_m is not None else "use a larger elevation model"
    ask = ["ask for a smaller --size or a wider --slope", larger]
    if request.most_size == SIZES[-1]:
        ask.append(f"--largest {SIZES[-2]}, which leaves events of size {SIZES[-1]} out, as every sheet then says")
    if not request.exposed_ok:
        ask.append("--exposed-ok for ground that bodies reach, with a lookout")
    return f"{text}; {', '.join(ask[:-1])}, or {ask[-1]}"


def _notes(look: _SiteGround, refused: RefusedGround) -> tuple[str, ...]:
    reach, cell = look.reach, look.starts.ground.cell_m
    notes = [f"{look.request.left_out}: they run farther than what is drawn here"] if look.request.left_out else []
    notes.append(f"{_refused_text(look, refused)}.")
    near = look.request.near_m
    if near is not None and float(look.starts.ground.with_values(look.share).sample(*near)) > 0.0:
        notes.append("a body reaches the starting place itself: name another one with --near")
    if reach.left:
        notes.append(
            f"{percent(reach.left / max(reach.samples, 1))} of the bodies left the elevation model or ran into "
            "no data; start zones outside it are not seen"
        )
    notes.append(
        f"ground was looked at on cells of {cell:g} m, bodies ran on {reach.share.cell_m:g} m; start zones smaller "
        "than 125 m2 on the slope are left out, and so is what only finer cells would show"
    )
    large = int(np.count_nonzero(look.starts.could_be > look.request.most_size))
    if large:
        notes.append(
            f"{large * look.starts.ground.cell_area_m2 / 10_000.0:.0f} ha of start-zone ground could hold a size above "
            f"{look.request.most_size}"
        )
    if look.layers.of("trees") is None:
        notes.append("trees are not known: a site may lie in a wood, and woods do not stop a body here")
    if blind := describe_invisible_traps(cell, look.layers):
        notes.append(blind)
    if look.request.exposed_ok:
        notes.append("ground that bodies reach was allowed: a site that one reaches is used with its lookout only")
    return to_sentences(notes)


GB_PER_MILLION_CELLS = 0.25  # careful: the bench measured 0.05 above the libraries at 1 million cells of 5 m
MOST_CELLS = 16_000_000
AROUND_M = 3000.0  # ground round the search with --near, for what comes down from above; design choice


@dataclass(frozen=True, eq=False, kw_only=True)
class SiteView:
    """Practice sites on some ground."""

    scenario: Scenario  # elevation, ground layers and name; no last-seen point
    elevation: Elevation
    terrain: Terrain
    search: SiteSearch
    near: LonLat | None
    notes: tuple[str, ...]  # plain sentences that the user must see


def view_sites(
    scenario: Scenario, request: SiteRequest, near: LonLat | None = None, progress: Progress = no_progress
) -> SiteView:
    """Read the ground, all of it or 3 km beyond the distance round a place, and find sites on it."""
    progress("opening the elevation model", 0.0)
    elevation = open_elevation_of(scenario, near)
    check_layers(scenario.ground, elevation)
    area = elevation.bounds_m
    if near is not None:
        x, y = require_inside(elevation, near, "the place of --near")
        more = request.within_m + AROUND_M
        area = (x - more, y - more, x + more, y + more)
        request = replace(request, near_m=(x, y))
    box = elevation.snapped(area)
    cells = round((box[2] - box[0]) / elevation.cell_m) * round((box[3] - box[1]) / elevation.cell_m)
    if cells > MOST_CELLS:
        raise ResourceError(
            f"{cells / 1e6:.0f} million cells would be looked at, and {MOST_CELLS / 1e6:.0f} million are the most in "
            "one go: give --near, a smaller --within, or cut the model into smaller ones"
        )
    progress(f"reading the ground, {require_memory(cells, GB_PER_MILLION_CELLS, 'the ground')}", 0.01)
    checked = read_ground(elevation, box)
    ground = checked.grid
    if not np.isfinite(ground.values).any():
        raise InputError("there is no ground in the elevation model, only no data: use another one")
    layers = read_layers(scenario.ground, ground)
    found = find_sites(ground, layers, request, progress)
    notes = to_sentences(
        (
            *checked.report.notes,
            *note_grid(elevation.crs, "", elevation.middle),
            *elevation.notes,
            *layers.notes,
            *found.notes,
        )
    )
    return SiteView(
        scenario=scenario, elevation=elevation, terrain=read_terrain(ground), search=found, near=near, notes=notes
    )
