"""Many possible events as samples that slide alone: quick, on any cell, but they do not pile up or push each other.

The samples of a member start all over its release. Where each one sheds its snow, spread over the width of a pile of
that volume, gives the debris of the member; its volume is conserved, its thickness is indicative.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import get_args

import numpy as np
from scipy import ndimage
from scipy.stats import qmc

from lastseen.core import BoolArray, FloatArray, Grid, IntArray, LastSeen, Snow, map_in_threads
from lastseen.snow.carried import Disc, downhill_frame, persons_block, spread_over_discs
from lastseen.snow.ensemble import (
    MOVING_SHARE,
    CarriedPersons,
    Ensemble,
    Member,
    box_around,
    estimate_seed_spread,
    name_end,
    spread_counts,
)
from lastseen.snow.friction import (
    PERSON_SPEED,
    SLIDES,
    MemberDraws,
    drag_per_m,
    draw_members,
    friction_range,
    largest_slab_factor,
    outer_friction,
    uniform,
)
from lastseen.snow.release import Release, Side, Slippery, slab_class
from lastseen.snow.sliding_mass import Samples, SampleTracks, join_tracks, slide_samples
from lastseen.snow.sliding_mass_kernels import LEFT_GRID, NO_DATA, OUT_OF_TIME, STOPPED
from lastseen.terrain import derivatives

SAMPLE_FRICTION = (0.75, 1.25)  # design choice: spread of friction within one event, which stretches a deposit
SLIPPERY_SAMPLES = 40
FLOW_THICKNESS = 1.0  # design choice: the flow is as thick as the slab; matters little below 10 m/s
SHEDDING_SPEED_M_S = 4.0  # from memory: dense flows begin to leave snow behind below 2 to 5 m/s
PILE_WIDTH = 0.6  # design choice: spread of one sample's snow against the cube root of the deposit's volume
LEAST_PILE_CELLS = 0.5
FOOTPRINT_M = 3.0  # design choice: half the width of ground that one sample stands for
TOE_QUANTILE = 0.95


@dataclass(frozen=True, kw_only=True)
class _Start:
    """What all members start from."""

    surface: Grid
    release: Release
    draws: MemberDraws
    # slope_east, slope_north: slope of ``surface``
    slope_east: FloatArray
    slope_north: FloatArray
    disc: Disc
    count: int  # samples of each member, and as many possible persons
    more: tuple[Disc, ...] = ()  # of further missing persons


def simulate_sliding_ensemble(
    surface: Grid,
    release: Release,
    snow: Snow,
    *,
    last_seen: LastSeen,
    at_m: tuple[float, float],
    also_m: Sequence[tuple[float, float]] = (),
    rng: np.random.Generator,
) -> Ensemble:
    """Run all members: debris from the release, and the person from the last-seen disc.

    A person who stands on the release is taken from rest; anybody else when a sample from outside the disc passes it,
    with the velocity of the snow there. Whom neither happens to is not taken. Same generator, same result, whatever
    the number of threads. The ground is lightly smoothed (see :func:`lastseen.snow.smooth_for_snow`); ``at_m`` is the
    last-seen point, map metres, ``also_m`` those of further missing persons: the possible persons are shared out among
    all evenly.
    """
    radius_m = max(last_seen.radius_m, 1.5 * surface.cell_m)
    draws = draw_members(release, snow, rng)
    p, q, *_ = derivatives(surface)
    start = _Start(
        surface=surface,
        release=release,
        draws=draws,
        slope_east=p,
        slope_north=q,
        disc=(at_m[0], at_m[1], radius_m),
        count=max(1, snow.bodies // snow.members),
        more=tuple((x, y, radius_m) for x, y in also_m),
    )
    members = range(draws.count)
    samples = [_release_samples(start, m, rng) for m in members]
    debris = map_in_threads(lambda some: slide_samples(surface, some, start.disc), samples)
    met = {start.disc: debris}
    for disc in start.more:
        if disc not in met:
            met[disc] = map_in_threads(partial(slide_samples, surface, disc=disc), samples)
    passing = [[_Passing.over(samples[m], met[disc][m], disc) for disc in (start.disc, *start.more)] for m in members]
    people, taken = zip(*(_person_samples(start, m, passing[m], rng) for m in members), strict=True)
    person = map_in_threads(lambda some: slide_samples(surface, some), people)
    events = map_in_threads(lambda m: _event(surface, release, debris[m], float(draws.deposit_m3[m])), members)
    carried = _carried(join_tracks(person), start.count, np.concatenate(taken))
    return Ensemble(
        model="body",
        size=snow.size,
        lattice=surface,
        draws=draws,
        members=tuple(events),
        person=carried,
        reached=np.array([bool(part.any()) for part in taken]),
        stopped_early=False,
        seed_spread=estimate_seed_spread(surface, events, carried, release.top_m),
    )


@dataclass(frozen=True, kw_only=True)
class _Passing:
    """What passes the last-seen disc of one missing person in a member."""

    disc: Disc
    tracks: SampleTracks
    index: IntArray  # of the samples that pass

    @classmethod
    def over(cls, samples: Samples, tracks: SampleTracks, disc: Disc) -> _Passing:
        return cls(disc=disc, tracks=tracks, index=find_passing(samples, tracks, disc))


def find_passing(samples: Samples, tracks: SampleTracks, disc: tuple[float, float, float]) -> IntArray:
    """Samples that set out outside a disc (x, y, radius) and pass it."""
    outside = np.hypot(samples.x_m - disc[0], samples.y_m - disc[1]) > disc[2]
    return np.flatnonzero(outside & np.isfinite(tracks.disc_east_m_s)).astype(np.int32)


def pile_sigma_cells(volume_m3: float, cell_m: float) -> float:
    """Standard deviation in cells of the snow of one sample: with what the cell itself averages, that of its pile."""
    pile_m = PILE_WIDTH * volume_m3 ** (1.0 / 3.0)
    return max(LEAST_PILE_CELLS, math.sqrt(max(pile_m**2 - cell_m**2 / 12.0, 0.0)) / cell_m)


def _event(surface: Grid, release: Release, tracks: SampleTracks, volume_m3: float) -> Member:
    """What the samples of one member left."""
    nx = surface.shape[1]
    sigma = pile_sigma_cells(volume_m3, surface.cell_m)
    footprint = max(1, round(FOOTPRINT_M / surface.cell_m))
    rim = max(int(np.ceil(4.0 * sigma)), round(FOOTPRINT_M / surface.cell_m)) + 2
    rows, cols = box_around(surface.shape, tracks.cells // nx, tracks.cells % nx, rim)
    shape = (rows.stop - rows.start, cols.stop - cols.start)
    row, col, weight = _shed(surface, tracks)
    snow = np.zeros(shape)
    np.add.at(snow, (row - rows.start, col - cols.start), weight * (volume_m3 / tracks.count / surface.cell_area_m2))
    speed = np.zeros(shape)
    np.maximum.at(speed, (tracks.cells // nx - rows.start, tracks.cells % nx - cols.start), tracks.speeds_m_s)
    wide = ndimage.grey_dilation(speed, footprint=_disc(footprint), mode="constant")
    away = np.hypot(tracks.x_m - release.top_m[0], tracks.y_m - release.top_m[1])
    toe = int(np.argsort(away, kind="stable")[round(TOE_QUANTILE * (away.size - 1))])
    late, gone = (float(np.isin(tracks.reason, why).mean()) for why in ([OUT_OF_TIME], [LEFT_GRID, NO_DATA]))
    return Member(
        rows=rows,
        cols=cols,
        thickness_m=spread_counts(snow, sigma).astype(np.float32),
        fastest_m_s=wide.astype(np.float32),
        arrival_s=np.full(shape, np.nan, np.float32),
        toe_m=(float(tracks.x_m[toe]), float(tracks.y_m[toe])),
        fastest=float(tracks.fastest_m_s.max()),
        time_s=float(tracks.time_s.max()),
        end=name_end(rested=late < MOVING_SHARE, left_share=gone),
        moving_share=late,
        left_m3=_left(surface, tracks, volume_m3),
    )


def _left(surface: Grid, tracks: SampleTracks, volume_m3: float) -> tuple[float, float, float, float, float]:
    """Snow that left over each edge and into no data; a sample left over the edge that it is nearest to."""
    west, south, east, north = surface.bounds
    away = np.abs(np.stack([tracks.x_m - west, tracks.x_m - east, tracks.y_m - south, tracks.y_m - north]))
    side = np.where(tracks.reason == LEFT_GRID, np.argmin(away, axis=0), -1)
    side = np.where(tracks.reason == NO_DATA, 4, side)
    each = volume_m3 / tracks.count
    west, east, south, north, no_data = (int((side == k).sum()) * each for k in range(5))
    return west, east, south, north, no_data


def _carried(tracks: SampleTracks, count: int, taken: BoolArray) -> CarriedPersons:
    """The persons as the plan reads them. A sample that slides alone lies on the snow: burial is not known."""
    unknown = np.full(tracks.count, np.nan)
    return CarriedPersons(
        member=(np.arange(tracks.count) // count).astype(np.int32),
        x_m=tracks.x_m,
        y_m=tracks.y_m,
        taken=taken,
        left_grid=tracks.reason == LEFT_GRID,
        in_no_data=tracks.reason == NO_DATA,
        fall_m=tracks.fall_m,
        thickness_m=unknown,
        burial_m=unknown,
        cells=tracks.cells,
        offsets=tracks.offsets,
    )


def _shed(surface: Grid, tracks: SampleTracks) -> tuple[IntArray, IntArray, FloatArray]:
    """Where samples leave their snow: row, column, weight (a sample that stays on the grid sums to 1).

    A sample sheds evenly over the cells of its last stretch below the shedding speed.
    """
    slow = tracks.speeds_m_s < SHEDDING_SPEED_M_S
    slow[tracks.offsets[1:] - 1] = True
    sample = tracks.index_of_visit
    fast = np.flatnonzero(~slow)
    last_fast = np.full(tracks.count, -1)
    np.maximum.at(last_fast, sample[fast], fast)
    tail = np.arange(sample.size) > last_fast[sample]
    rests = (tracks.reason == STOPPED) | (tracks.reason == OUT_OF_TIME)
    tail &= (rests & surface.contains(tracks.x_m, tracks.y_m))[sample]
    share = 1.0 / np.maximum(np.bincount(sample[tail], minlength=tracks.count), 1)
    cells = tracks.cells[tail]
    return cells // surface.shape[1], cells % surface.shape[1], share[sample[tail]]


def _disc(radius: int) -> BoolArray:
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    return np.asarray(x * x + y * y <= (radius + 0.5) ** 2)


def slide_slippery_samples(surface: Grid, release: Release, snow: Snow) -> SampleTracks:
    """Tracks of a few of the most slippery samples that the ensemble could draw: where they stay, all snow stays.

    Used to size the window before the whole ensemble runs.
    """
    nx = surface.shape[1]
    cells = release.cells[:: max(1, release.cells.size // SLIPPERY_SAMPLES)]
    x, y = surface.centre_of(cells // nx, cells % nx)
    rest = np.zeros(cells.size)
    drag = drag_per_m(snow.turbulence_m_s2[2], release.thickness_m * largest_slab_factor(snow.size) * FLOW_THICKNESS)
    friction = np.full(cells.size, friction_range(snow)[0] * SAMPLE_FRICTION[0])
    full_drag = np.full(cells.size, drag)
    return slide_samples(
        surface, Samples(x_m=x, y_m=y, east_m_s=rest, north_m_s=rest, friction=friction, drag_per_m=full_drag)
    )


TRIAL_EVENTS, TRIAL_SAMPLES = 24, 24


def rank_releases(
    surface: Grid, releases: Sequence[Release], snow: Snow, *, disc: tuple[float, float, float], seed: int
) -> tuple[tuple[Release, float], ...]:
    """Releases with the share of quick trial events that reach a disc (x, y, radius), the best first.

    Releases whose shares are alike to a tenth keep the order at the point, above, beside, below, and that of finding.
    A trial event reaches the disc where a sample passes it, or where the release lies in it.
    """
    p, q, *_ = derivatives(surface)
    nx = surface.shape[1]
    trial = replace(snow, members=TRIAL_EVENTS)
    ranked = []
    for release in releases:
        rng = np.random.default_rng(seed)
        draws = draw_members(release, trial, rng)
        start = _Start(
            surface=surface, release=release, draws=draws, slope_east=p, slope_north=q, disc=disc, count=TRIAL_SAMPLES
        )
        samples = [_release_samples(start, m, rng) for m in range(draws.count)]
        tracks = map_in_threads(lambda some: slide_samples(surface, some, disc), samples)
        x, y = surface.centre_of(release.cells // nx, release.cells % nx)
        within = np.hypot(x - disc[0], y - disc[1]) <= disc[2]
        hits = [
            bool(within[: draws.extent_cells[m]].any()) or find_passing(samples[m], tracks[m], disc).size > 0
            for m in range(draws.count)
        ]
        ranked.append((release, float(np.mean(hits))))
    sides = get_args(Side)
    return tuple(sorted(ranked, key=lambda pair: (-round(pair[1], 1), sides.index(pair[0].side))))


def slippery_snow(snow: Snow) -> Slippery:
    """The frictions of a scenario and its least drag, for looking up the slope."""
    low, likely, _ = outer_friction(snow.size, snow.friction)
    slab_m = snow.slab_thickness_m or slab_class(snow.size).thickness_at_38_m
    drag = drag_per_m(snow.turbulence_m_s2[2], slab_m * largest_slab_factor(snow.size) * FLOW_THICKNESS)
    return Slippery(friction=(low, likely), drag_per_m=drag)


def _release_samples(start: _Start, m: int, rng: np.random.Generator) -> Samples:
    """Samples spread over the release of one member, at rest.

    Cells are taken from the highest down and jitter runs along the fall line, so that a turned map turns them.
    """
    surface, draws = start.surface, start.draws
    u = qmc.LatinHypercube(d=4, rng=rng).random(start.count)
    taken = start.release.cells[: draws.extent_cells[m]]
    nx = surface.shape[1]
    by_height = taken[np.argsort(-surface.values.ravel()[taken], kind="stable")]
    cells = by_height[np.minimum((u[:, 0] * by_height.size).astype(np.int64), by_height.size - 1)]
    rows, cols = cells // nx, cells % nx
    x, y = surface.centre_of(rows, cols)
    east, north = downhill_frame(start.slope_east, start.slope_north, rows, cols)
    along, across = (u[:, 1] - 0.5) * surface.cell_m, (u[:, 2] - 0.5) * surface.cell_m
    return Samples(
        x_m=x + along * east - across * north,
        y_m=y + along * north + across * east,
        east_m_s=np.zeros(start.count),
        north_m_s=np.zeros(start.count),
        friction=_sample_friction(start, m, u[:, 3]),
        drag_per_m=np.full(start.count, _drag_per_m(draws, m)),
    )


def _person_samples(
    start: _Start, m: int, passing: Sequence[_Passing], rng: np.random.Generator
) -> tuple[Samples, BoolArray]:
    """Possible persons of one member all over the last-seen discs, and whether the snow takes them.

    On the release from rest, elsewhere moving as the debris that passes.
    """
    draws, surface = start.draws, start.surface
    u = qmc.LatinHypercube(d=5, rng=rng).random(start.count)
    x, y = spread_over_discs(surface, [each.disc for each in passing], u[:, :2], start.slope_east, start.slope_north)
    east, north = np.zeros(start.count), np.zeros(start.count)
    row, col = surface.cell_of(x, y)
    on_release = np.isin(row * surface.shape[1] + col, start.release.cells[: draws.extent_cells[m]])
    taken = np.asarray(on_release).copy()
    for number, each in enumerate(passing):
        if not each.index.size:
            continue
        block = persons_block(start.count, len(passing), number)
        chosen = each.index[np.minimum((u[block, 2] * each.index.size).astype(np.int64), each.index.size - 1)]
        share = np.where(on_release[block], 0.0, uniform(u[block, 4], *PERSON_SPEED))
        east[block], north[block] = (
            share * each.tracks.disc_east_m_s[chosen],
            share * each.tracks.disc_north_m_s[chosen],
        )
        taken[block] = True
    samples = Samples(
        x_m=x,
        y_m=y,
        east_m_s=east,
        north_m_s=north,
        friction=_sample_friction(start, m, u[:, 3]),
        drag_per_m=np.full(start.count, _drag_per_m(draws, m)),
    )
    return samples, taken


def _sample_friction(start: _Start, m: int, u: FloatArray) -> FloatArray:
    """Friction of the samples of a member: around its own, and nowhere so high that the release would not have slid."""
    middle, slope = float(start.draws.friction[m]), math.radians(start.release.slope_deg)
    most = max(middle, SLIDES * math.tan(slope))
    return np.asarray(np.minimum(middle * uniform(u, *SAMPLE_FRICTION), most))


def _drag_per_m(draws: MemberDraws, m: int) -> float:
    return drag_per_m(float(draws.turbulence_m_s2[m]), float(draws.slab_m[m] * FLOW_THICKNESS))
