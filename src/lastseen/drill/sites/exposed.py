"""What comes down to one site, and the sentences that say it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from shapely import Point, Polygon

from lastseen.drill.sites.exposure import StartZoneReach
from lastseen.drill.sites.model import Exposure, SiteWish
from lastseen.drill.sites.placing import cells_within
from lastseen.drill.sites.starts import StartGround
from lastseen.grid import FloatArray, Grid, IntArray
from lastseen.motion.kernels import descend
from lastseen.place import bearing_text
from lastseen.terrain import smoothed

ASCENT_SMOOTHING_M = 15.0  # the way up follows the slope and not its bumps; design choice
FARTHEST_ASCENT_M = 4000.0

LIMITS = (
    "The bodies are an outer bound for dense snow on the bare ground of the elevation model. Start zones outside it, "
    "cornices, powder clouds, ice, rocks, roofs, snow that glides on gentler ground and the snowpack of the day are "
    "not in it: look at the ground above on the day, and ask the local service."
)


@dataclass(frozen=True, eq=False)
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
        return StartDistance(np.full(shape, np.inf), nothing, nothing)
    away, (row, col) = ndimage.distance_transform_edt(
        starts.zones == 0, sampling=starts.ground.cell_m, return_indices=True
    )
    return StartDistance(away, row, col)


def exposure_of(
    site: Polygon,
    wish: SiteWish,
    starts: StartGround,
    reach: StartZoneReach,
    away_m: FloatArray,
    to_start: StartDistance,
) -> Exposure:
    """What comes down to a site or its margin."""
    ground = starts.ground
    inside = cells_within(site.buffer(0.5 * ground.cell_m), ground)
    round_it = cells_within(site.buffer(wish.margin_m + 0.5 * reach.share.cell_m), reach.share)
    share = float(reach.share.values.ravel()[round_it].max(initial=0.0))
    fastest = round_it[int(np.argmax(reach.speed_m_s.ravel()[round_it]))] if round_it.size else 0
    begins = int(reach.source.ravel()[fastest]) if share > 0.0 else -1
    nx = reach.share.shape[1]
    from_m, above = None, math.nan
    if begins >= 0:
        x, y = reach.share.centre_of(begins // nx, begins % nx)
        from_m = (float(x), float(y))
        here = float(ground.sample(site.centroid.x, site.centroid.y))
        above = float(ground.sample(*from_m)) - here
    nearest = inside[int(np.argmin(to_start.away_m.ravel()[inside]))]
    lower = bool(
        ground.values[to_start.row.ravel()[nearest], to_start.col.ravel()[nearest]] < ground.values.ravel()[nearest]
    )
    return Exposure(
        share,
        float(away_m.ravel()[inside].min()),
        float(reach.speed_m_s.ravel()[fastest]) if share > 0.0 else 0.0,
        from_m,
        above,
        float(to_start.away_m.ravel()[nearest]),
        lower,
    )


def runs_off_above(site: Polygon, broad: Grid) -> bool:
    """Whether the steepest way up from the site leaves the elevation model, so that what is above is not known.

    ``broad`` is the ground of `broad_ground`.
    """
    ring = list(site.exterior.coords)
    top = [((1.0 - t) * ring[0][0] + t * ring[1][0], (1.0 - t) * ring[0][1] + t * ring[1][1]) for t in (0.0, 0.5, 1.0)]
    step = 0.5 * broad.cell_m
    path = np.empty((int(FARTHEST_ASCENT_M / step), 3))
    upside_down = -broad.values
    for x, y in [*top, (site.centroid.x, site.centroid.y)]:
        _, code = descend(upside_down, broad.cell_m, x - broad.west_m, broad.north_m - y, step, path)
        if code in (1, 2):
            return True
    return False


def broad_ground(reach: StartZoneReach, lattice: Grid) -> Grid:
    """The ground on the cells of the reach, smoothed so that a way up follows the slope."""
    return smoothed(reach.share.with_values(lattice.values), ASCENT_SMOOTHING_M)


def statement(site: Polygon, exposure: Exposure, wish: SiteWish, starts: StartGround, reach: StartZoneReach) -> str:
    """What comes down, with its limits."""
    low = min(one for by_size in reach.frictions for one in by_size[: wish.most_size])
    high = max(one for by_size in reach.frictions for one in by_size[: wish.most_size])
    members = len(reach.frictions)
    asked = (
        f"{_spaced(reach.bodies)} bodies came down from {_spaced(starts.count)} start zones ({starts.least_deg:g} "
        f"degrees and steeper), each with the {members} frictions of the largest size, up to {wish.most_size}, that "
        f"the ground there can hold ({low:.2f} to {high:.2f}, the literature range of size 3 "
        "and this model's steps to other sizes, not calibrated)"
    )
    left_out = f"; {wish.left_out}" if wish.left_out else ""
    if exposure.share > 0.0:
        return f"{_reached(site, exposure, wish, members)} {asked}{left_out}. {LIMITS}"
    far = (
        "none passes any ground here"
        if math.isinf(exposure.distance_m)
        else f"the nearest ground that one passes is {exposure.distance_m:.0f} m away"
    )
    if starts.count == 0:
        asked = f"there is no start-zone ground of {starts.least_deg:g} degrees and more in this elevation model"
    told = f"No start zone in this model reaches it{left_out}: {asked}; {far}."
    if exposure.start_below and exposure.start_distance_m < 100.0:
        told += f" Start-zone ground begins {exposure.start_distance_m:.0f} m below its edge: keep people off it."
    return f"{told} {LIMITS}"


def _reached(site: Polygon, exposure: Exposure, wish: SiteWish, members: int) -> str:
    hits = round(exposure.share * members)
    where = "it" if exposure.distance_m <= 0.0 else f"within {wish.margin_m:g} m of it"
    told = f"Reached: with {hits} of {members} frictions a body passes {where}"
    if exposure.from_m is None:
        return f"{told}."
    middle = site.centroid
    away = middle.distance(Point(exposure.from_m))
    azimuth = math.degrees(math.atan2(exposure.from_m[0] - middle.x, exposure.from_m[1] - middle.y)) % 360.0
    return (
        f"{told}, at up to {exposure.speed_m_s:.0f} m/s, from a start zone {exposure.from_above_m:.0f} m higher and "
        f"{away:.0f} m to the {bearing_text(azimuth)}. Use it only with the lookout in "
        "place and a way out that is known."
    )


def _spaced(number: int) -> str:
    return f"{number:,}".replace(",", "\u00a0")  # stays on one line
