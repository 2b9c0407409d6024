"""Many possible events with single bodies: quick, on any cell, but bodies do not pile up or push each other.

The bodies of a member start all over its release. Where each one sheds its snow, spread over the width of a pile of
that volume, gives the event's debris; its volume is conserved, its thickness is indicative.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.stats import qmc

from lastseen.core import BoolArray, FloatArray, Grid, IntArray, LastSeen, Snow, map_in_threads
from lastseen.snow.carried import downhill_frame, spread_over_disc
from lastseen.snow.ensemble import CarriedPersons, Ensemble, Member
from lastseen.snow.friction import (
    PERSON_SPEED,
    SLAB_FACTOR,
    MemberDraws,
    drag_per_m,
    draw_members,
    friction_range,
    uniform,
)
from lastseen.snow.release import Release
from lastseen.snow.sliding_mass import Samples, SampleTracks, join_tracks, slide_samples
from lastseen.terrain import derivatives

SAMPLE_FRICTION = (0.75, 1.25)  # design choice: spread of friction within one event, which stretches a deposit
SLIPPERY_SAMPLES = 40
FLOW_THICKNESS = 1.0  # design choice: the flow is as thick as the slab; matters little below 10 m/s
SHEDDING_SPEED_M_S = 4.0  # from memory: dense flows begin to leave snow behind below 2 to 5 m/s
PILE_WIDTH = 0.6  # design choice: spread of one body's snow against the cube root of the deposit's volume
SMALLEST_SPREAD_CELLS = 1.5
FOOTPRINT_M = 3.0  # design choice: half the width of ground that one body stands for
TOE_QUANTILE = 0.95


def simulate_sliding_ensemble(
    felt: Grid, release: Release, snow: Snow, last_seen: LastSeen, at_m: tuple[float, float], rng: np.random.Generator
) -> Ensemble:
    """Run all members: debris from the release, and the person from the last-seen disc.

    Where the disc lies below the release, the person sets out when the front passes, with the velocity of the flow
    there; where no body passes, from rest. Same generator, same result, whatever the number of threads.

    Parameters
    ----------
    felt : Grid
        The ground as the snow feels it.
    snow, last_seen : Snow, LastSeen
        From the scenario.
    at_m : (x, y)
        The last-seen point, map metres.
    """
    members = draw_members(release, snow, rng)
    each = max(1, snow.bodies // snow.members)
    p, q, *_ = derivatives(felt)
    disc = (at_m[0], at_m[1], max(last_seen.radius_m, 1.5 * felt.cell_m))
    starts = [_release_bodies(felt, release, members, m, each, p, q, rng) for m in range(members.count)]
    debris = map_in_threads(lambda bodies: slide_samples(felt, bodies, disc), starts)
    row, col = felt.cell_of(*at_m)
    at_cell = int(row) * felt.shape[1] + int(col)
    started_here = [at_cell in release.cells[: members.extent_cells[m]] for m in range(members.count)]
    people = [
        _person_bodies(felt, members, m, each, disc, None if started_here[m] else debris[m], p, q, rng)
        for m in range(members.count)
    ]
    person = map_in_threads(lambda bodies: slide_samples(felt, bodies), people)
    reached = np.array(
        [here or bool(np.isfinite(debri.disc_east_m_s).any()) for here, debri in zip(started_here, debris, strict=True)]
    )
    ensemble = map_in_threads(
        lambda m: _event(felt, release, debris[m], float(members.deposit_m3[m])), range(members.count)
    )
    return Ensemble(
        model="body",
        lattice=felt,
        draws=members,
        members=tuple(ensemble),
        person=_carried(join_tracks(person), each),
        reached=reached,
        stopped_early=False,
    )


def _event(felt: Grid, release: Release, tracks: SampleTracks, volume_m3: float) -> Member:
    """What the bodies of one member left."""
    nx = felt.shape[1]
    sigma = spread_cells(felt, volume_m3)
    rim = max(int(np.ceil(4.0 * sigma)), round(FOOTPRINT_M / felt.cell_m)) + 2
    rows, cols = _box(felt, tracks.cells // nx, tracks.cells % nx, rim)
    shape = (rows.stop - rows.start, cols.stop - cols.start)
    row, col, weight = _shed(felt, tracks)
    snow = np.zeros(shape)
    np.add.at(snow, (row - rows.start, col - cols.start), weight * (volume_m3 / tracks.count / felt.cell_area_m2))
    speed = np.zeros(shape)
    np.maximum.at(speed, (tracks.cells // nx - rows.start, tracks.cells % nx - cols.start), tracks.speeds_m_s)
    wide = ndimage.grey_dilation(speed, footprint=_disc(max(1, round(FOOTPRINT_M / felt.cell_m))), mode="constant")
    away = np.hypot(tracks.x_m - release.top_m[0], tracks.y_m - release.top_m[1])
    toe = int(np.argsort(away, kind="stable")[round(TOE_QUANTILE * (away.size - 1))])
    return Member(
        rows=rows,
        cols=cols,
        thickness_m=spread_counts(snow, sigma).astype(np.float32),
        fastest_m_s=wide.astype(np.float32),
        arrival_s=np.full(shape, np.nan, np.float32),
        toe_m=(float(tracks.x_m[toe]), float(tracks.y_m[toe])),
        fastest=float(tracks.fastest_m_s.max()),
        time_s=float(tracks.time_s.max()),
        finished=not bool((tracks.reason == 3).any()),
        left_m3=_left(felt, tracks, volume_m3),
    )


def _left(felt: Grid, tracks: SampleTracks, volume_m3: float) -> tuple[float, float, float, float, float]:
    """Snow that left over each edge and into no data; a body left over the edge that it is nearest to."""
    west, south, east, north = felt.bounds
    away = np.abs(np.stack([tracks.x_m - west, tracks.x_m - east, tracks.y_m - south, tracks.y_m - north]))
    side = np.argmin(away, axis=0)
    gone = tracks.reason == 1
    counts = [int((gone & (side == k)).sum()) for k in range(4)] + [int((tracks.reason == 2).sum())]
    each = volume_m3 / tracks.count
    return (counts[0] * each, counts[1] * each, counts[2] * each, counts[3] * each, counts[4] * each)


def _carried(tracks: SampleTracks, each: int) -> CarriedPersons:
    """The persons as the plan reads them. A body that slides alone lies on the snow: burial is not known."""
    unknown = np.full(tracks.count, np.nan)
    return CarriedPersons(
        member=(np.arange(tracks.count) // each).astype(np.int32),
        x_m=tracks.x_m,
        y_m=tracks.y_m,
        taken=np.ones(tracks.count, bool),
        left_grid=tracks.reason == 1,
        in_no_data=tracks.reason == 2,
        fall_m=tracks.fall_m,
        thickness_m=unknown,
        burial_m=unknown,
        cells=tracks.cells,
        offsets=tracks.offsets,
    )


def _shed(felt: Grid, tracks: SampleTracks) -> tuple[IntArray, IntArray, FloatArray]:
    """Where bodies leave their snow: row, column, weight (a body that stays on the grid sums to 1).

    A body sheds evenly over the cells of its last stretch below the shedding speed.
    """
    slow = tracks.speeds_m_s < SHEDDING_SPEED_M_S
    slow[tracks.offsets[1:] - 1] = True
    body = tracks.index_of_visit
    fast = np.flatnonzero(~slow)
    last_fast = np.full(tracks.count, -1)
    np.maximum.at(last_fast, body[fast], fast)
    tail = np.arange(body.size) > last_fast[body]
    tail &= _on_grid(felt, tracks)[body]
    share = 1.0 / np.maximum(np.bincount(body[tail], minlength=tracks.count), 1)
    cells = tracks.cells[tail]
    return cells // felt.shape[1], cells % felt.shape[1], share[body[tail]]


def _on_grid(felt: Grid, tracks: SampleTracks) -> BoolArray:
    return np.asarray(((tracks.reason == 0) | (tracks.reason == 3)) & felt.contains(tracks.x_m, tracks.y_m))


def spread_cells(felt: Grid, volume_m3: float) -> float:
    """Standard deviation, cells, over which the snow of one body lies."""
    return float(max(SMALLEST_SPREAD_CELLS, PILE_WIDTH * volume_m3 ** (1.0 / 3.0) / felt.cell_m))


def spread_counts(counts: NDArray[Any], sigma_cells: float) -> FloatArray:
    """Counts spread over a pile's width; their sum is kept."""
    wide: FloatArray = ndimage.gaussian_filter(counts.astype(float), sigma_cells, mode="constant", truncate=4.0)
    kept: FloatArray = wide * (counts.sum() / max(float(wide.sum()), 1e-12))
    return kept


def _box(felt: Grid, row: IntArray, col: IntArray, rim: int) -> tuple[slice, slice]:
    """Rows and columns that hold all given cells and a rim around them."""
    ny, nx = felt.shape
    return (
        slice(max(0, int(row.min()) - rim), min(ny, int(row.max()) + rim + 1)),
        slice(max(0, int(col.min()) - rim), min(nx, int(col.max()) + rim + 1)),
    )


def _disc(radius: int) -> BoolArray:
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    return np.asarray(x * x + y * y <= (radius + 0.5) ** 2)


def slide_slippery_samples(felt: Grid, release: Release, snow: Snow) -> SampleTracks:
    """A few of the most slippery bodies that the ensemble could draw: where they stay, everything stays.

    Used to size the window before the whole ensemble runs.
    """
    nx = felt.shape[1]
    cells = release.cells[:: max(1, release.cells.size // SLIPPERY_SAMPLES)]
    x, y = felt.centre_of(cells // nx, cells % nx)
    rest = np.zeros(cells.size)
    drag = drag_per_m(snow.turbulence_m_s2[2], release.thickness_m * SLAB_FACTOR[1] * FLOW_THICKNESS)
    friction = np.full(cells.size, friction_range(snow)[0] * SAMPLE_FRICTION[0])
    return slide_samples(
        felt,
        Samples(x_m=x, y_m=y, east_m_s=rest, north_m_s=rest, friction=friction, drag_per_m=np.full(cells.size, drag)),
    )


def _release_bodies(
    felt: Grid,
    release: Release,
    members: MemberDraws,
    m: int,
    each: int,
    p: FloatArray,
    q: FloatArray,
    rng: np.random.Generator,
) -> Samples:
    """Bodies spread over the release of one member, at rest.

    Cells are taken from the highest down and jitter runs along the fall line, so that a turned map gives turned bodies.
    """
    u = qmc.LatinHypercube(d=4, rng=rng).random(each)
    taken = release.cells[: members.extent_cells[m]]
    nx = felt.shape[1]
    by_height = taken[np.argsort(-felt.values.ravel()[taken], kind="stable")]
    cells = by_height[np.minimum((u[:, 0] * by_height.size).astype(np.int64), by_height.size - 1)]
    rows, cols = cells // nx, cells % nx
    x, y = felt.centre_of(rows, cols)
    east, north = downhill_frame(p, q, rows, cols)
    along, across = (u[:, 1] - 0.5) * felt.cell_m, (u[:, 2] - 0.5) * felt.cell_m
    thickness = np.full(each, members.slab_m[m] * FLOW_THICKNESS)
    return Samples(
        x_m=x + along * east - across * north,
        y_m=y + along * north + across * east,
        east_m_s=np.zeros(each),
        north_m_s=np.zeros(each),
        friction=members.friction[m] * uniform(u[:, 3], *SAMPLE_FRICTION),
        drag_per_m=np.array([drag_per_m(float(members.turbulence_m_s2[m]), float(h)) for h in thickness]),
    )


def _person_bodies(
    felt: Grid,
    members: MemberDraws,
    m: int,
    each: int,
    disc: tuple[float, float, float],
    flow: SampleTracks | None,
    p: FloatArray,
    q: FloatArray,
    rng: np.random.Generator,
) -> Samples:
    """Possible persons of one member, all over the last-seen disc, moving as the flow that reaches it."""
    u = qmc.LatinHypercube(d=5, rng=rng).random(each)
    x, y = spread_over_disc(felt, disc, u[:, 0], u[:, 1], p, q)
    u0, v0 = np.zeros(each), np.zeros(each)
    if flow is not None:
        passing = np.flatnonzero(np.isfinite(flow.disc_east_m_s))
        if passing.size:
            chosen = passing[np.minimum((u[:, 2] * passing.size).astype(np.int64), passing.size - 1)]
            share = uniform(u[:, 4], *PERSON_SPEED)
            u0, v0 = share * flow.disc_east_m_s[chosen], share * flow.disc_north_m_s[chosen]
    drag = drag_per_m(float(members.turbulence_m_s2[m]), float(members.slab_m[m] * FLOW_THICKNESS))
    return Samples(
        x_m=x,
        y_m=y,
        east_m_s=u0,
        north_m_s=v0,
        friction=members.friction[m] * uniform(u[:, 3], *SAMPLE_FRICTION),
        drag_per_m=np.full(each, drag),
    )
