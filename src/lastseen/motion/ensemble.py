"""Many possible events: what is not known is drawn from published ranges, and bodies show where each event goes.

A *member* is one event: one friction, one turbulence, one slab thickness, one growth, one extent of the release. Its
bodies start all over its release. Literature ranges, not calibrated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import qmc, triang

from lastseen.grid import BoolArray, FloatArray, Grid, IntArray
from lastseen.motion.bodies import Bodies, Tracks, joined, slide
from lastseen.motion.laws import drag_per_m
from lastseen.release import Release, deposit_volume_m3
from lastseen.scenario import LastSeen, Snow
from lastseen.terrain import derivatives
from lastseen.threads import in_threads

SLAB_FACTOR = (0.7, 1.4)  # design choice: about half a size class in mass to either side
EXTENT = (0.5, 1.5)  # design choice: share of the nominal release area that breaks
BODY_FRICTION = (0.75, 1.25)  # design choice: spread of friction within one event, which stretches a deposit
PERSON_SPEED = (0.8, 1.2)  # design choice: a carried person against the flow around
SCOUTS = 40
FLOW_THICKNESS = 1.0  # design choice: the flow is as thick as the slab; matters little below 10 m/s


@dataclass(frozen=True)
class Members:
    """What each event of the ensemble draws; arrays of shape (members,)."""

    friction: FloatArray
    turbulence_m_s2: FloatArray
    slab_m: FloatArray
    growth: FloatArray
    extent_cells: IntArray
    deposit_m3: FloatArray

    @property
    def count(self) -> int:
        """Number of members."""
        return int(self.friction.size)


@dataclass(frozen=True)
class Run:
    """An ensemble that has run.

    Attributes
    ----------
    members : Members
    debris : Tracks
        Bodies from the release, member after member, the same number each.
    person : Tracks
        Bodies from the last-seen disc, likewise.
    reached : ndarray of bool, shape (members,)
        Whether the event reached the last-seen disc, or started there.
    """

    members: Members
    debris: Tracks
    person: Tracks
    reached: BoolArray

    def member_of_body(self) -> IntArray:
        """The member of each debris body (the same holds for the person's)."""
        return np.repeat(np.arange(self.members.count, dtype=np.int32), self.debris.count // self.members.count)


def draw_members(release: Release, snow: Snow, rng: np.random.Generator) -> Members:
    """Latin hypercube over friction, turbulence, slab thickness, growth and extent."""
    u = qmc.LatinHypercube(d=5, rng=rng).random(snow.members)
    slab = release.thickness_m * _uniform(u[:, 2], *SLAB_FACTOR)
    growth = _triangular(u[:, 3], snow.growth)
    cells = np.clip(np.round(release.nominal_cells * _uniform(u[:, 4], *EXTENT)), 1, release.cells.size).astype(
        np.int32
    )
    released = release.area_m2 * cells / release.nominal_cells * slab
    return Members(
        _triangular(u[:, 0], snow.friction),
        _triangular(u[:, 1], snow.turbulence_m_s2),
        slab,
        growth,
        cells,
        np.array([deposit_volume_m3(float(v), float(g)) for v, g in zip(released, growth, strict=True)]),
    )


def run_ensemble(
    felt: Grid, release: Release, snow: Snow, last_seen: LastSeen, at_m: tuple[float, float], rng: np.random.Generator
) -> Run:
    """Run all members: debris from the release, and the person from the last-seen disc.

    Where the disc lies below the release, the person sets out when the front passes, with the velocity of the flow
    there; where no body passes, from rest. Same generator, same result, whatever the number of threads.

    Parameters
    ----------
    felt : Grid
        The ground as the snow feels it.
    release : Release
    snow, last_seen : Snow, LastSeen
        From the scenario.
    at_m : (x, y)
        The last-seen point, map metres.
    rng : numpy.random.Generator
    """
    members = draw_members(release, snow, rng)
    each = max(1, snow.bodies // snow.members)
    p, q, *_ = derivatives(felt)
    disc = (at_m[0], at_m[1], max(last_seen.radius_m, 1.5 * felt.cell_m))
    starts = [_release_bodies(felt, release, members, m, each, p, q, rng) for m in range(members.count)]
    debris = in_threads(lambda bodies: slide(felt, bodies, disc), starts)
    row, col = felt.cell_of(*at_m)
    at_cell = int(row) * felt.shape[1] + int(col)
    started_here = [at_cell in release.cells[: members.extent_cells[m]] for m in range(members.count)]
    people = [
        _person_bodies(felt, members, m, each, disc, None if started_here[m] else debris[m], p, q, rng)
        for m in range(members.count)
    ]
    person = in_threads(lambda bodies: slide(felt, bodies), people)
    reached = np.array(
        [here or bool(np.isfinite(one.disc_east_m_s).any()) for here, one in zip(started_here, debris, strict=True)]
    )
    return Run(members, joined(debris), joined(person), reached)


def scouts(felt: Grid, release: Release, snow: Snow) -> Tracks:
    """A few of the most slippery bodies that the ensemble could draw: where they stay, everything stays.

    Used to size the window before the whole ensemble runs.
    """
    nx = felt.shape[1]
    cells = release.cells[:: max(1, release.cells.size // SCOUTS)]
    x, y = felt.centre_of(cells // nx, cells % nx)
    rest = np.zeros(cells.size)
    drag = drag_per_m(snow.turbulence_m_s2[2], release.thickness_m * SLAB_FACTOR[1] * FLOW_THICKNESS)
    friction = np.full(cells.size, snow.friction[0] * BODY_FRICTION[0])
    return slide(felt, Bodies(x, y, rest, rest, friction, np.full(cells.size, drag)))


def _uniform(u: FloatArray, low: float, high: float) -> FloatArray:
    return low + u * (high - low)


def _triangular(u: FloatArray, low_mode_high: tuple[float, float, float]) -> FloatArray:
    low, mode, high = low_mode_high
    if high == low:
        return np.full_like(u, low)
    drawn: FloatArray = triang.ppf(u, (mode - low) / (high - low), loc=low, scale=high - low)
    return drawn


def _downhill_frame(p: FloatArray, q: FloatArray, rows: IntArray, cols: IntArray) -> tuple[FloatArray, FloatArray]:
    """Unit vector down the fall line (east, north); due east where the ground is flat."""
    px, qy = np.nan_to_num(p[rows, cols]), np.nan_to_num(q[rows, cols])
    steep = np.hypot(px, qy)
    flat = steep < 1e-9
    return np.where(flat, 1.0, -px / np.where(flat, 1.0, steep)), np.where(flat, 0.0, -qy / np.where(flat, 1.0, steep))


def _release_bodies(
    felt: Grid,
    release: Release,
    members: Members,
    m: int,
    each: int,
    p: FloatArray,
    q: FloatArray,
    rng: np.random.Generator,
) -> Bodies:
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
    east, north = _downhill_frame(p, q, rows, cols)
    along, across = (u[:, 1] - 0.5) * felt.cell_m, (u[:, 2] - 0.5) * felt.cell_m
    thickness = np.full(each, members.slab_m[m] * FLOW_THICKNESS)
    return Bodies(
        x + along * east - across * north,
        y + along * north + across * east,
        np.zeros(each),
        np.zeros(each),
        members.friction[m] * _uniform(u[:, 3], *BODY_FRICTION),
        np.array([drag_per_m(float(members.turbulence_m_s2[m]), float(h)) for h in thickness]),
    )


def _person_bodies(
    felt: Grid,
    members: Members,
    m: int,
    each: int,
    disc: tuple[float, float, float],
    flow: Tracks | None,
    p: FloatArray,
    q: FloatArray,
    rng: np.random.Generator,
) -> Bodies:
    """Possible persons of one member, all over the last-seen disc, moving as the flow that reaches it."""
    u = qmc.LatinHypercube(d=5, rng=rng).random(each)
    row, col = felt.cell_of(disc[0], disc[1])
    east, north = (float(one) for one in _downhill_frame(p, q, row, col))
    radius, angle = disc[2] * np.sqrt(u[:, 0]), 2.0 * np.pi * u[:, 1]
    along, across = radius * np.cos(angle), radius * np.sin(angle)
    u0, v0 = np.zeros(each), np.zeros(each)
    if flow is not None:
        passing = np.flatnonzero(np.isfinite(flow.disc_east_m_s))
        if passing.size:
            chosen = passing[np.minimum((u[:, 2] * passing.size).astype(np.int64), passing.size - 1)]
            share = _uniform(u[:, 4], *PERSON_SPEED)
            u0, v0 = share * flow.disc_east_m_s[chosen], share * flow.disc_north_m_s[chosen]
    drag = drag_per_m(float(members.turbulence_m_s2[m]), float(members.slab_m[m] * FLOW_THICKNESS))
    return Bodies(
        disc[0] + along * east - across * north,
        disc[1] + along * north + across * east,
        u0,
        v0,
        members.friction[m] * _uniform(u[:, 3], *BODY_FRICTION),
        np.full(each, drag),
    )
