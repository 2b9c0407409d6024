"""Where a rectangle of the wanted size lies, what comes down to it, and the ways in and out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from shapely import LineString, MultiPolygon, Point, Polygon, polygons
from skimage.graph import MCP_Geometric

from lastseen.core import BoolArray, FloatArray, Grid, IntArray, bearing_text, cells_of_outline, map_in_threads
from lastseen.jobs.practice import sites_kernels
from lastseen.jobs.practice.site import Exposure, Lookout, SiteRequest, Way
from lastseen.jobs.practice.site_exposure import StartGround, StartZoneReach, spread_over
from lastseen.rescue import walking_speed_m_s
from lastseen.snow import descend
from lastseen.terrain import GroundLayers

EDGE_M = 100.0  # a site lies at least this far inside the elevation model; design choice
LEAST_INSIDE = 0.9  # share of the site within the slopes asked for; none of it is steeper; design choice
LEAST_FACING = 0.75  # share that faces within 45 degrees of its fall line, so that it is one slope; design choice
CENTRES_M = 10.0  # distance between places that are tried; design choice
FAR_M = 200.0  # reached ground farther away than this makes a site no better; design choice
STEADY_DEG = 6.0  # standard deviation of slope of the roughest site; design choice
MOST_PLACES = 20_000  # of more places the best of each block of half a width are kept
BLOCK = 20_000
KEEP_OFF = ("trees", "water", "crevasses", "rocks", "buildings", "no_go")


@dataclass(frozen=True, eq=False, kw_only=True)
class Places:
    """Rectangles that pass on slope and exposure, the most promising first; arrays of one length."""

    row: IntArray  # cell of the middle
    col: IntArray
    downhill: FloatArray  # shape (n, 2); unit vector down the fall line, east and north
    slope_deg: FloatArray  # mean, and its standard deviation
    spread_deg: FloatArray
    inside: FloatArray  # share within the slopes
    away_m: FloatArray  # distance to reached ground


def distance_to_reached(starts: StartGround, reach: StartZoneReach) -> FloatArray:
    """Distance from each cell of the ground to the nearest reached by snow, m; infinite where there is none."""
    reached = reach.share.values > 0.0
    if not reached.any():
        return np.full(starts.ground.shape, np.inf)
    away = reach.share.with_values(ndimage.distance_transform_edt(~reached, sampling=reach.share.cell_m))
    return np.asarray(spread_over(away, starts.ground), np.float64)


def find_unusable(starts: StartGround, layers: GroundLayers, request: SiteRequest, away_m: FloatArray) -> BoolArray:
    """Cells that no site may hold: unknown, near the rim, under trees or water, no-go, reached by snow."""
    ground = starts.ground
    inner = np.pad(np.isfinite(ground.values), 1)
    bad: BoolArray = (ndimage.distance_transform_edt(inner, sampling=ground.cell_m) <= EDGE_M)[1:-1, 1:-1]
    bad |= starts.zones > 0
    for layer in layers.layers:
        if layer.kind in KEEP_OFF:
            bad |= layer.cells
    if not request.exposed_ok:
        bad |= away_m <= request.margin_m
    if request.near_m is not None:
        x, _ = ground.centre_of(0, np.arange(ground.shape[1]))
        _, y = ground.centre_of(np.arange(ground.shape[0]), 0)
        bad |= (x[None, :] - request.near_m[0]) ** 2 + (y[:, None] - request.near_m[1]) ** 2 > request.within_m**2
    return bad


def find_places(starts: StartGround, request: SiteRequest, bad: BoolArray, away_m: FloatArray) -> Places:
    """All rectangles that pass, in the order of slope, evenness and distance from reached ground."""
    cell = starts.ground.cell_m
    sigma = 0.35 * request.height_m / cell
    east, north = (ndimage.gaussian_filter(part, sigma, mode="nearest", truncate=2.0) for part in starts.gradient_m_m)
    step = max(1, round(CENTRES_M / cell))
    slope = starts.slope_deg
    with np.errstate(invalid="ignore"):
        fair = (~bad & (slope <= request.high_deg))[step // 2 :: step, step // 2 :: step]
    rows, cols = (index.astype(np.int32) * step + step // 2 for index in np.nonzero(fair))
    half_map = 0.5 * request.height_m * math.cos(math.radians(0.5 * (request.low_deg + request.high_deg)))
    out = np.empty((rows.size, 6))
    away = away_m.astype(np.float32)
    spacing = min(1.0, request.width_m / (4.0 * cell), request.height_m / (4.0 * cell))

    def look(first: int) -> None:
        sites_kernels.rectangles(
            slope, bad, away, east, north, rows, cols, 0.5 * request.width_m / cell, half_map / cell, spacing,
            request.low_deg, request.high_deg, first, min(first + BLOCK, rows.size), out,
        )  # fmt: skip

    map_in_threads(look, range(0, rows.size, BLOCK))
    kept = (out[:, 0] > 0) & (out[:, 1] >= LEAST_INSIDE) & (out[:, 5] >= LEAST_FACING)
    kept &= (out[:, 2] >= request.low_deg) & (out[:, 2] <= request.high_deg)
    rows, cols, out = rows[kept], cols[kept], out[kept]
    promise = slope_part(request, out[:, 2]) + even_part(out[:, 3]) + away_part(out[:, 4])
    order = np.lexsort((cols, rows, -np.round(promise, 6)))
    if order.size > MOST_PLACES:  # the best of each block
        wide = max(1, round(0.5 * request.width_m / cell))
        blocks = rows[order] // wide * slope.shape[1] + cols[order] // wide
        order = order[np.sort(np.unique(blocks, return_index=True)[1])]
    rows, cols, out = rows[order], cols[order], out[order]
    down = np.stack([east[rows, cols], north[rows, cols]], axis=1)
    down /= np.maximum(np.hypot(down[:, 0], down[:, 1]), 1e-12)[:, None]
    _, share, mean, spread, near, _ = out.T
    return Places(row=rows, col=cols, downhill=down, slope_deg=mean, spread_deg=spread, inside=share, away_m=near)


def cells_within(outline: Polygon, grid: Grid) -> IntArray:
    """Flat indices of the cells whose centre lies in an outline, looked for round it only."""
    part = grid.window(*outline.bounds)
    found = cells_of_outline(outline, part)
    r0 = round((grid.north_m - part.north_m) / grid.cell_m)
    c0 = round((part.west_m - grid.west_m) / grid.cell_m)
    rows, cols = found // part.shape[1] + r0, found % part.shape[1] + c0
    return (rows * grid.shape[1] + cols).astype(np.int32)


def mask_of(area: Polygon | MultiPolygon, grid: Grid) -> BoolArray:
    """Cells whose centre lies in an area."""
    inside = np.zeros(grid.shape, bool)
    inside.flat[cells_of_outline(area, grid)] = True
    return inside


def slope_part(request: SiteRequest, slope_deg: FloatArray | float) -> FloatArray:
    """1 in the middle of the slopes asked for, 0.5 at their ends."""
    half = 0.5 * (request.high_deg - request.low_deg)
    return np.clip(1.0 - 0.5 * np.abs(np.asarray(slope_deg) - request.low_deg - half) / half, 0.0, 1.0)


def even_part(spread_deg: FloatArray | float) -> FloatArray:
    """1 on an even slope."""
    return np.clip(1.0 - np.asarray(spread_deg) / STEADY_DEG, 0.0, 1.0)


def away_part(away_m: FloatArray | float) -> FloatArray:
    """1 where no sample comes nearer than 200 m."""
    return np.clip(np.asarray(away_m) / FAR_M, 0.0, 1.0)


def outlines_of(ground: Grid, request: SiteRequest, places: Places) -> npt.NDArray[np.object_]:
    """The rectangles. Lengths on the map; upper left corner first, as seen from below, then clockwise."""
    x, y = ground.centre_of(places.row, places.col)
    ux, uy = places.downhill.T
    a, b = 0.5 * request.width_m, 0.5 * request.height_m * np.cos(np.radians(places.slope_deg))
    signs = ((1.0, -1.0), (-1.0, -1.0), (-1.0, 1.0), (1.0, 1.0), (1.0, -1.0))
    # Whoever looks up the slope has (uy, -ux) on the left hand.
    corners = [np.stack([x + s * a * uy + t * b * ux, y - s * a * ux + t * b * uy], axis=-1) for s, t in signs]
    return np.asarray(polygons(np.stack(corners, axis=1)))


ASCENT_SMOOTHING_M = 15.0  # the way up follows the slope and not its bumps; design choice
FARTHEST_ASCENT_M = 4000.0

SITE_LIMITS = (
    "The bodies are an outer bound for dense snow on the bare ground of the elevation model. Start zones outside it, "
    "cornices, powder clouds, ice, rocks, roofs, snow that glides on gentler ground and the snowpack of the day are "
    "not in it: look at the ground above on the day, and ask the local service."
)


@dataclass(frozen=True, eq=False, kw_only=True)
class StartDistance:
    """Distance from each cell of the ground to the nearest start-zone cell, m, and which cell that is."""

    away_m: FloatArray
    row: IntArray
    col: IntArray


def distance_to_starts(starts: StartGround) -> StartDistance:
    """For all cells at once; infinite where the ground holds no start zone."""
    shape = starts.ground.shape
    if starts.count == 0:
        nothing = np.zeros(shape, np.int32)
        return StartDistance(away_m=np.full(shape, np.inf), row=nothing, col=nothing)
    far, cell_m = starts.zones == 0, starts.ground.cell_m
    away, (row, col) = ndimage.distance_transform_edt(far, sampling=cell_m, return_indices=True)
    return StartDistance(away_m=away, row=row, col=col)


def exposure_of(
    site: Polygon, request: SiteRequest, *, starts: StartGround, reach: StartZoneReach, away_m: FloatArray,
    to_start: StartDistance,
) -> Exposure:  # fmt: skip
    """What comes down to a site or its margin."""
    ground = starts.ground
    inside = cells_within(site.buffer(0.5 * ground.cell_m), ground)
    round_it = cells_within(site.buffer(request.margin_m + 0.5 * reach.share.cell_m), reach.share)
    share = float(reach.share.values.ravel()[round_it].max(initial=0.0))
    fastest = round_it[int(np.argmax(reach.speed_m_s.ravel()[round_it]))] if round_it.size else 0
    begins = int(reach.source.ravel()[fastest]) if share > 0.0 else -1
    from_m, above = None, math.nan
    if begins >= 0:
        x, y = reach.share.centre_of(*divmod(begins, reach.share.shape[1]))
        from_m = (float(x), float(y))
        above = float(ground.sample(*from_m)) - float(ground.sample(site.centroid.x, site.centroid.y))
    nearest = inside[int(np.argmin(to_start.away_m.ravel()[inside]))]
    start = (to_start.row.ravel()[nearest], to_start.col.ravel()[nearest])
    return Exposure(
        share=share,
        distance_m=float(away_m.ravel()[inside].min()),
        speed_m_s=float(reach.speed_m_s.ravel()[fastest]) if share > 0.0 else 0.0,
        from_m=from_m,
        from_above_m=above,
        start_distance_m=float(to_start.away_m.ravel()[nearest]),
        start_below=bool(ground.values[start] < ground.values.ravel()[nearest]),
    )


def runs_off_above(site: Polygon, broad: Grid) -> bool:
    """Whether the steepest way up from the site leaves the elevation model, so that what is above is not known.

    ``broad`` is the ground on the cells of the reach, smoothed so that a way up follows the slope.
    """
    ring = list(site.exterior.coords)
    top = [((1.0 - t) * ring[0][0] + t * ring[1][0], (1.0 - t) * ring[0][1] + t * ring[1][1]) for t in (0.0, 0.5, 1.0)]
    step = 0.5 * broad.cell_m
    path = np.empty((int(FARTHEST_ASCENT_M / step), 3))
    upside_down = -broad.values
    return any(
        descend(upside_down, broad.cell_m, x - broad.west_m, broad.north_m - y, step, path)[1] in (1, 2)
        for x, y in [*top, (site.centroid.x, site.centroid.y)]
    )


def exposure_statement(
    site: Polygon, exposure: Exposure, request: SiteRequest, starts: StartGround, reach: StartZoneReach
) -> str:
    """What comes down, with its limits."""
    frictions = [friction for by_size in reach.frictions for friction in by_size[: request.most_size]]
    low, high = min(frictions), max(frictions)
    members = len(reach.frictions)
    runs = (
        f"{_spaced(reach.samples)} bodies came down from {_spaced(starts.count)} start zones ({starts.least_deg:g} "
        f"degrees and steeper), each with the {members} frictions of the largest size, up to {request.most_size}, that "
        f"the ground there can hold ({low:.2f} to {high:.2f}: from below what was tuned to reported lengths upwards, "
        "not tuned to this place)"
    )
    left_out = f"; {request.left_out}" if request.left_out else ""
    if exposure.share > 0.0:
        return f"{_reached_text(site, exposure, request, members)} {runs}{left_out}. {SITE_LIMITS}"
    far = f"the nearest ground that one passes is {exposure.distance_m:.0f} m away"
    if math.isinf(exposure.distance_m):
        far = "none passes any ground here"
    if starts.count == 0:
        runs = f"there is no start-zone ground of {starts.least_deg:g} degrees and more in this elevation model"
    text = f"No start zone in this model reaches it{left_out}: {runs}; {far}."
    if exposure.start_below and exposure.start_distance_m < 100.0:
        text += f" Start-zone ground begins {exposure.start_distance_m:.0f} m below its edge: keep people off it."
    return f"{text} {SITE_LIMITS}"


def _reached_text(site: Polygon, exposure: Exposure, request: SiteRequest, members: int) -> str:
    where = "it" if exposure.distance_m <= 0.0 else f"within {request.margin_m:g} m of it"
    text = f"Reached: with {round(exposure.share * members)} of {members} frictions a body passes {where}"
    if exposure.from_m is None:
        return f"{text}."
    middle = site.centroid
    away = middle.distance(Point(exposure.from_m))
    azimuth = math.degrees(math.atan2(exposure.from_m[0] - middle.x, exposure.from_m[1] - middle.y)) % 360.0
    return (
        f"{text}, at up to {exposure.speed_m_s:.0f} m/s, from a start zone {exposure.from_above_m:.0f} m higher and "
        f"{away:.0f} m to the {bearing_text(azimuth)}. Use it only with the lookout in "
        "place and a way out that is known."
    )


def _spaced(number: int) -> str:
    return f"{number:,}".replace(",", "\u00a0")  # stays on one line


WALK_CELL_M = 10.0  # ways are looked for on cells of about this size; design choice
AROUND_M = 600.0  # ground round a site in which ways are looked for; design choice
OUT_M = 300.0  # a way out is followed this far from the middle of the site; design choice
REACHED_COST = 8.0  # a metre on reached ground counts as this many; design choice
STEEPEST_WALK_DEG = 30.0  # steeper ground is no way; design choice
OTHER_SIDE_DEG = 90.0  # way in and way out lie at least this far apart, seen from the site; design choice
EYE_M, MARK_M = 1.6, 0.5
LOOKOUT_M = (20.0, 250.0)  # from the edge of the site: within call and whistle; common practice, no source
LOOKOUT_SLOPE_DEG = 25.0
LEAST_SEEN = 0.8  # share of the site that a lookout place must see; design choice
WATCHED_M = 1500.0
MOST_EYES, MOST_MARKS = 240, 150


@dataclass(frozen=True, eq=False, kw_only=True)
class SiteSurroundings:
    """The ground round a site on walking cells: heights, walking slope, and where a sample comes."""

    ground: Grid
    slope_deg: FloatArray
    reached: BoolArray
    barred: BoolArray


def cut_surroundings(
    ground: Grid, share: FloatArray, slope_deg: FloatArray, layers: GroundLayers, box: tuple[float, float, float, float]
) -> SiteSurroundings:
    """Cut the ground round a site out on walking cells; what bars a way in any part of a cell bars it there."""
    ratio = max(1, round(WALK_CELL_M / ground.cell_m))
    wide = ground.window(*box)
    r0 = round((ground.north_m - wide.north_m) / ground.cell_m)
    c0 = round((wide.west_m - ground.west_m) / ground.cell_m)
    ny, nx = (n // ratio for n in wide.shape)
    part = (slice(r0, r0 + ny * ratio), slice(c0, c0 + nx * ratio))

    def blocks(values: FloatArray) -> FloatArray:
        return values[part].reshape(ny, ratio, nx, ratio)

    barred = np.zeros((ny, nx), bool)
    for layer in layers.layers:
        if layer.kind in ("water", "crevasses", "buildings", "no_go"):
            barred |= blocks(layer.cells.astype(float)).max(axis=(1, 3)) > 0.0
    z = blocks(ground.values).mean(axis=(1, 3))
    coarse = Grid(z, wide.west_m, wide.north_m, ground.cell_m * ratio, ground.crs)
    steep = blocks(np.nan_to_num(slope_deg, nan=90.0)).mean(axis=(1, 3))
    barred |= ~np.isfinite(z) | (steep > STEEPEST_WALK_DEG)
    return SiteSurroundings(ground=coarse, slope_deg=steep, reached=blocks(share).max(axis=(1, 3)) > 0.0, barred=barred)


def ways_of(
    around: SiteSurroundings, site: Polygon, near_m: tuple[float, float] | None, roads: MultiPolygon | None
) -> tuple[Way | None, Way | None]:
    """The way in and the way out: the quickest walks, of which ground reached by snow is avoided.

    The way in comes from where people are (``near_m``), else from a road, else from 300 m away where that is easiest.
    The way out goes 300 m away on another side. None where there is no way on ground below 30 degrees.
    """
    walk, grid, middle = _Walk(around, site), around.ground, site.centroid
    begin, name = None, "the starting place"
    if near_m is not None and bool(grid.contains(*near_m)):
        row, col = (int(index) for index in grid.cell_of(*near_m))
        begin = (row, col)
    elif roads is not None:
        begin, name = walk.nearest(mask_of(roads.buffer(0.7 * grid.cell_m), grid)), "the nearest road"
    if begin is None:
        begin, name = walk.nearest(walk.ring(middle, None)), f"{OUT_M:g} m away"
    way_in = walk.way(begin, name, inward=True) if begin else None
    other = walk.nearest(walk.ring(middle, way_in.bearing_deg if way_in else None))
    return way_in, walk.way(other, f"{OUT_M:g} m away", inward=False) if other else None


class _Walk:
    """Walks from the cells of a site to all others."""

    def __init__(self, around: SiteSurroundings, site: Polygon) -> None:
        self._around, self._site = around, site
        grid = around.ground
        # Time for a metre at this slope, the mean of up and down, as a way may go either way along it.
        rise = np.tan(np.radians(np.minimum(around.slope_deg, STEEPEST_WALK_DEG)))
        pace = 0.5 * (1.0 / walking_speed_m_s(0.5 * rise) + 1.0 / walking_speed_m_s(-0.5 * rise))
        cost = np.where(around.reached, REACHED_COST, 1.0) * pace
        cost[around.barred] = -1.0
        inside = cells_of_outline(site.buffer(0.5 * grid.cell_m), grid).tolist()
        starts = [start for c in inside if cost[start := divmod(c, grid.shape[1])] > 0.0]
        self._found = MCP_Geometric(cost) if starts else None
        self._time: FloatArray = self._found.find_costs(starts)[0] if self._found else np.full(grid.shape, np.inf)

    def ring(self, middle: Point, but_deg: float | None) -> BoolArray:
        """Cells about 300 m from the middle that snow does not reach, on another side than a bearing."""
        grid = self._around.ground
        x, y = grid.centre_of(*np.indices(grid.shape))
        away = np.hypot(x - middle.x, y - middle.y)
        ring = (np.abs(away - OUT_M) <= grid.cell_m) & ~self._around.reached
        if but_deg is not None:
            turn = (np.degrees(np.arctan2(x - middle.x, y - middle.y)) - but_deg + 180.0) % 360.0 - 180.0
            ring &= np.abs(turn) >= OTHER_SIDE_DEG
        return np.asarray(ring)

    def nearest(self, where: BoolArray) -> tuple[int, int] | None:
        """The cell that is walked to in the least time; None where none can be."""
        time = np.where(where, self._time, np.inf)
        best = int(np.argmin(time))
        row, col = divmod(best, time.shape[1])
        return (row, col) if np.isfinite(time[row, col]) else None

    def way(self, end: tuple[int, int], to: str, *, inward: bool) -> Way | None:
        """The walk to a cell, or from it."""
        if self._found is None or not np.isfinite(self._time[end]):
            return None
        cells = np.array(self._found.traceback(end))
        if len(cells) < 2:
            return None
        grid = self._around.ground
        x, y = grid.centre_of(cells[:, 0], cells[:, 1])
        z = grid.values[cells[:, 0], cells[:, 1]]
        if inward:
            x, y, z, cells = x[::-1], y[::-1], z[::-1], cells[::-1]
        flat = np.hypot(np.diff(x), np.diff(y))
        length = np.hypot(flat, np.diff(z))
        reached = self._around.reached[cells[:, 0], cells[:, 1]]
        middle, far = self._site.centroid, (0 if inward else -1)
        return Way(
            line=LineString(LineString(np.stack([x, y], axis=1)).simplify(0.3 * grid.cell_m).coords),
            length_m=float(length.sum()),
            time_s=float((length / walking_speed_m_s(np.diff(z) / flat)).sum()),
            reached_m=float(length[reached[1:] | reached[:-1]].sum()),
            steepest_deg=float(self._around.slope_deg[cells[:, 0], cells[:, 1]].max()),
            bearing_deg=math.degrees(math.atan2(x[far] - middle.x, y[far] - middle.y)) % 360.0,
            to=to,
        )


def lookout_of(around: SiteSurroundings, site: Polygon, start: BoolArray, name: str) -> Lookout | None:
    """The unreached place that sees most of the site and of start zones (``start``, on walking cells) above it."""
    grid, middle = around.ground, site.centroid
    x, y = grid.centre_of(*np.indices(grid.shape))
    inside = mask_of(site.buffer(0.5 * grid.cell_m), grid)
    away = ndimage.distance_transform_edt(~inside, sampling=grid.cell_m)
    fair = (away >= LOOKOUT_M[0]) & (away <= LOOKOUT_M[1]) & ~around.reached & ~around.barred
    fair &= around.slope_deg <= LOOKOUT_SLOPE_DEG
    eyes = _thinned(fair, MOST_EYES)
    if not len(eyes):
        return None
    level = float(np.nanmax(grid.values[inside])) if inside.any() else np.inf
    with np.errstate(invalid="ignore"):
        above = start & (grid.values > level) & (np.hypot(x - middle.x, y - middle.y) <= WATCHED_M)
    ground, marks = np.ascontiguousarray(grid.values), _thinned(above, MOST_MARKS)
    of_site, of_above = (
        sites_kernels.seen_shares(ground, eyes + 0.5, cells + 0.5, EYE_M, MARK_M)
        for cells in (_thinned(inside, 60), marks)
    )
    if not len(marks):
        of_above[:] = 1.0
    far = away[eyes[:, 0].astype(int), eyes[:, 1].astype(int)]
    score = np.where(of_site >= LEAST_SEEN, 0.4 * of_site + 0.4 * of_above + 0.2 * (1.0 - far / LOOKOUT_M[1]), -1.0)
    best = int(np.argmax(np.round(score, 9)))
    if score[best] < 0.0:
        return None
    i, j = int(eyes[best, 0]), int(eyes[best, 1])
    at = (float(x[i, j]), float(y[i, j]))
    return Lookout(
        name=name,
        at_m=at,
        distance_m=math.dist(at, (middle.x, middle.y)),
        bearing_deg=math.degrees(math.atan2(at[0] - middle.x, at[1] - middle.y)) % 360.0,
        sees_site=float(of_site[best]),
        sees_above=float(of_above[best]) if len(marks) else math.nan,
    )


def _thinned(where: BoolArray, most: int) -> FloatArray:
    """Cells, evenly thinned in their order to a number; rows and columns."""
    cells = np.argwhere(where).astype(np.float64)
    if len(cells) <= most:
        return cells
    kept: FloatArray = cells[np.linspace(0, len(cells) - 1, most).astype(int)]
    return kept
