"""Many possible events as depth-averaged flows, and the person in them: debris that piles up, and burial depth.

Members run in threads, batch after batch, until the debris outline has settled (see :func:`simulate_flow_ensemble`).
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from lastseen.core import (
    BoolArray,
    FloatArray,
    Grid,
    InputError,
    IntArray,
    LastSeen,
    Progress,
    Snow,
    map_in_threads,
    no_progress,
)
from lastseen.snow.carried import BurialLaw, Disc, Tracers, find_burial_law, spread_over_discs
from lastseen.snow.ensemble import (
    DEBRIS_M,
    CarriedPersons,
    CellError,
    Ensemble,
    Member,
    average_over_footprint,
    estimate_seed_spread,
    split_into_batches,
)
from lastseen.snow.flow import Bed, FlowResult, FlowSnow, Watch, prepare_bed, simulate_flow
from lastseen.snow.flow_kernels import FRONT_M
from lastseen.snow.friction import PERSON_SPEED, MemberDraws, draw_members, friction_range, uniform
from lastseen.snow.release import DEPOSIT_DENSITY_KG_M3, SLAB_DENSITY_KG_M3, Release
from lastseen.terrain import derivatives

# Longest time that an event is given: a start, and the longest way on its ground at the speed of its slowest part, by
# destructive size; design choice, several times what events take.
START_S, SLOWEST_M_S = 120.0, {1: 2.0, 2: 1.5, 3: 1.0, 4: 1.0}
REPORT_S = 5.0  # of an event, between two reports of progress
CHECKED_EVENTS = 3  # run again on cells twice as large
DIFFUSION_M2_S = (0.1, 1.0)  # design choice: 1.4 to 4.5 m to either side in ten seconds; no source
BATCH = 8
LEAST_MEMBERS = 24
CALM_BATCHES = 2  # in a row that must find the answer settled: one may by chance
TOE_SHARE = 0.95
PACKED = SLAB_DENSITY_KG_M3 / DEPOSIT_DENSITY_KG_M3  # depth of the deposit over depth of the flow


def simulate_flow_ensemble(
    surface: Grid,
    release: Release,
    snow: Snow,
    *,
    ratio: int,
    last_seen: LastSeen,
    at_m: tuple[float, float],
    also_m: Sequence[tuple[float, float]] = (),
    rng: np.random.Generator,
    progress: Progress = no_progress,
) -> Ensemble:
    """Run the members of an ensemble as flows.

    The ensemble grows by batches of 8, from 24 members on until what another seed would change (see
    :class:`~lastseen.snow.ensemble.SeedSpread`) was within its tolerance after each of the last two batches, and to
    ``snow.members`` at most. Same generator, same result, whatever the number of threads.

    Parameters
    ----------
    surface : Grid
        The ground lightly smoothed (see :func:`lastseen.snow.smooth_for_snow`).
    ratio : int
        Cells of ``surface`` along one working cell; working cells are means of ``ratio`` x ``ratio``.
    at_m : (x, y)
        The last-seen point, map metres.
    also_m : sequence of (x, y)
        The last-seen points of further missing persons: the possible persons are shared out among all evenly.
    progress : callable, optional
        Called with empty words until the first event is done, then with how many are. It is called again and again
        while events run, from their threads: what it raises ends the work.

    Raises
    ------
    InputError
        If the release covers no working cell with data.
    """
    draws = draw_members(release, snow, rng)
    lattice = average_onto_lattice(surface, ratio)
    radius_m = max(last_seen.radius_m, 1.5 * surface.cell_m)
    discs = [(x, y, radius_m) for x, y in (at_m, *also_m)]
    people = _draw_people(
        surface, lattice, discs, shape=(draws.count, snow.tracers), law=find_burial_law(snow), rng=rng
    )
    work = _Work(surface=surface, lattice=lattice, release=release, draws=draws, people=people, size=snow.size)
    begun, done, lock = time.monotonic(), 0, threading.Lock()
    stage = ("", 0.0)

    def run_member(m: int) -> tuple[Member, CarriedPersons, float]:
        nonlocal done, stage
        outcome = work.run(m, lambda _time, _depth: progress(*stage))
        with lock:
            done += 1
            left = (time.monotonic() - begun) / done * (draws.count - done)
            text = f"letting the snow flow: {done} of {draws.count} events, at most {left:.0f} s left"
            stage = (text, done / draws.count)
            progress(*stage)
        return outcome

    ran: list[tuple[Member, CarriedPersons, float]] = []
    calm = 0
    for batch in split_into_batches(draws.count, BATCH):
        ran += map_in_threads(run_member, batch)
        members, carried, deposits = zip(*ran, strict=True)
        person = _joined(carried)
        spread = estimate_seed_spread(lattice, members, person, release.top_m)
        calm = calm + 1 if spread.settled else 0
        if calm >= CALM_BATCHES and len(ran) >= LEAST_MEMBERS:
            break
    progress("letting some events flow again on cells twice as large", 1.0)
    return Ensemble(
        model="flow",
        size=snow.size,
        lattice=lattice,
        draws=draws.first(len(ran), np.array(deposits)),
        members=members,
        person=person,
        reached=np.array([bool(part.taken.any()) for part in carried]),
        stopped_early=len(ran) < draws.count,
        seed_spread=spread,
        cell_error=work.measure_cell_error(members, 2 * ratio),
    )


def time_limit_s(lattice: Grid, size: int) -> float:
    """Longest time that an event of a destructive size is given on a ground."""
    ny, nx = lattice.shape
    return START_S + math.hypot(ny, nx) * lattice.cell_m / SLOWEST_M_S[size]


def average_onto_lattice(surface: Grid, ratio: int) -> Grid:
    """Means of ``ratio`` x ``ratio`` cells; incomplete ones in the south and east are left out. NaN where any is."""
    ny, nx = (n // ratio for n in surface.shape)
    blocks = surface.values[: ny * ratio, : nx * ratio].reshape(ny, ratio, nx, ratio)
    return Grid(blocks.mean(axis=(1, 3)), surface.west_m, surface.north_m, surface.cell_m * ratio, surface.crs)


def slab_lean(surface: Grid, release: Release) -> FloatArray:
    """Vertical over normal thickness of a slab on each cell of a release: 1 / cos(slope)."""
    p, q, *_ = derivatives(surface)
    lean: FloatArray = np.nan_to_num(np.sqrt(1.0 + p * p + q * q), nan=1.0).ravel()[release.cells]
    return lean


def released_depth_m(
    surface: Grid, lattice: Grid, release: Release, *, lean: FloatArray, count: int, slab_m: float
) -> FloatArray:
    """Vertical depth on the working cells of a slab on the first ``count`` cells of a release; InputError if none."""
    ratio = round(lattice.cell_m / surface.cell_m)
    cells = release.cells[:count]
    fine = np.zeros(surface.shape)
    fine.ravel()[cells] = slab_m * lean[:count]
    ny, nx = lattice.shape
    depth: FloatArray = fine[: ny * ratio, : nx * ratio].reshape(ny, ratio, nx, ratio).mean(axis=(1, 3))
    depth[np.isnan(lattice.values)] = 0.0
    if not depth.any():
        raise InputError(
            f"the release covers no working cell of {lattice.cell_m:g} m with data: draw a larger one, choose "
            "smaller cells with --cell, or use --model body"
        )
    return depth


def count_pilot_updates(surface: Grid, ratio: int, release: Release, snow: Snow) -> int:
    """Cell updates that the most likely event takes on working cells of a ratio."""
    lattice = average_onto_lattice(surface, ratio)
    lean, cells = slab_lean(surface, release), release.nominal_cells
    depth = released_depth_m(surface, lattice, release, lean=lean, count=cells, slab_m=release.thickness_m)
    likely = FlowSnow(
        friction=friction_range(snow)[1],
        turbulence_m_s2=snow.turbulence_m_s2[1],
        cohesion_pa=snow.cohesion_pa[1],
        density_kg_m3=SLAB_DENSITY_KG_M3,
        growth=snow.growth[1],
    )
    limit_s = time_limit_s(lattice, snow.size)
    return simulate_flow(prepare_bed(lattice), depth, likely, time_limit_s=limit_s).cell_updates


def replay_member(
    surface: Grid, release: Release, ensemble: Ensemble, m: int, every_s: float
) -> tuple[tuple[float, ...], tuple[NDArray[np.float32], ...]]:
    """Let one member of a flow ensemble run again and keep its depth at intervals: times, and depths on the lattice."""
    draws, lattice = ensemble.draws, ensemble.lattice
    times, depths = list[float](), list[NDArray[np.float32]]()

    def keep(time_s: float, depth_m: FloatArray) -> None:
        times.append(time_s)
        depths.append(depth_m.astype(np.float32))

    lean, count, slab_m = slab_lean(surface, release), int(draws.extent_cells[m]), float(draws.slab_m[m])
    released = released_depth_m(surface, lattice, release, lean=lean, count=count, slab_m=slab_m)
    limit_s = time_limit_s(lattice, ensemble.size)
    simulate_flow(
        prepare_bed(lattice),
        released,
        _snow_of(draws, m),
        time_limit_s=limit_s,
        watch=keep,
        watch_every_s=every_s,
    )
    return tuple(times), tuple(depths)


def _snow_of(draws: MemberDraws, m: int) -> FlowSnow:
    return FlowSnow(
        friction=float(draws.friction[m]),
        turbulence_m_s2=float(draws.turbulence_m_s2[m]),
        cohesion_pa=float(draws.cohesion_pa[m]),
        density_kg_m3=SLAB_DENSITY_KG_M3,
        growth=float(draws.growth[m]),
    )


@dataclass(frozen=True, kw_only=True)
class _People:
    """Possible persons of all members, shape (members, n) each."""

    x_m: FloatArray
    y_m: FloatArray
    speed: FloatArray
    diffusion_m2_s: FloatArray
    relative_depth: FloatArray
    seeds: tuple[int, ...]


def _draw_people(
    surface: Grid,
    lattice: Grid,
    discs: Sequence[Disc],
    *,
    shape: tuple[int, int],
    law: BurialLaw,
    rng: np.random.Generator,
) -> _People:
    """Possible persons all over the last-seen discs; ``shape`` is (members, persons of each)."""
    members, persons = shape
    p, q, *_ = derivatives(surface)
    u = np.stack([qmc.LatinHypercube(d=5, rng=rng).random(persons) for _ in range(members)])
    places = [spread_over_discs(surface, discs, of_member, p, q) for of_member in u]
    west, south, east, north = lattice.bounds
    rim = 0.01 * surface.cell_m
    return _People(
        x_m=np.clip(np.stack([x for x, _ in places]), west + rim, east - rim),
        y_m=np.clip(np.stack([y for _, y in places]), south + rim, north - rim),
        speed=uniform(u[:, :, 2], *PERSON_SPEED),
        diffusion_m2_s=uniform(u[:, :, 3], *DIFFUSION_M2_S),
        relative_depth=law.relative_depth(u[:, :, 4]),
        seeds=tuple(int(integer) for integer in rng.integers(0, 2**31, members)),
    )


class _Work:
    """What all members share: the ground, the release, the people."""

    def __init__(
        self, *, surface: Grid, lattice: Grid, release: Release, draws: MemberDraws, people: _People, size: int
    ) -> None:
        self._lattice, self._surface, self._size = lattice, surface, size
        self._bed: Bed = prepare_bed(lattice)
        self._release, self._draws, self._people = release, draws, people
        self._lean = slab_lean(surface, release)

    def run(self, m: int, watch: Watch) -> tuple[Member, CarriedPersons, float]:
        """One member: its event, its people, and its deposit in m3."""
        people = self._people
        tracers = Tracers(
            x_m=people.x_m[m],
            y_m=people.y_m[m],
            speed_factor=people.speed[m],
            start_s=np.full(people.speed[m].shape, np.nan),
            diffusion_m2_s=people.diffusion_m2_s[m],
            seed=people.seeds[m],
            trail_cell_m=self._surface.cell_m,
        )
        flow = simulate_flow(
            self._bed,
            self._released(m, self._lattice),
            _snow_of(self._draws, m),
            time_limit_s=time_limit_s(self._lattice, self._size),
            tracers=tracers,
            watch=watch,
            watch_every_s=REPORT_S,
        )
        volume = (flow.balance.released_m3 + flow.balance.entrained_m3) * PACKED
        debris = average_over_footprint(flow.depth_m * PACKED, self._lattice)
        return self._event(flow, debris), self._carried(flow, debris, m), volume

    def _released(self, m: int, lattice: Grid) -> FloatArray:
        """Depth of the released snow of a member on the cells of a lattice."""
        count, slab_m = int(self._draws.extent_cells[m]), float(self._draws.slab_m[m])
        return released_depth_m(self._surface, lattice, self._release, lean=self._lean, count=count, slab_m=slab_m)

    def measure_cell_error(self, members: Sequence[Member], ratio: int) -> CellError | None:
        """Some of the events again on other cells; None where these are too few for the release."""
        coarse = average_onto_lattice(self._surface, ratio)
        bed, limit_s = prepare_bed(coarse), time_limit_s(coarse, self._size)
        chosen = np.unique(np.linspace(0, len(members) - 1, CHECKED_EVENTS).round().astype(int))

        def compare(m: int) -> tuple[float, float]:
            flow = simulate_flow(bed, self._released(m, coarse), _snow_of(self._draws, m), time_limit_s=limit_s)
            before = np.zeros(self._lattice.shape, bool)
            before[members[m].rows, members[m].cols] = members[m].thickness_m > DEBRIS_M
            again = np.kron(average_over_footprint(flow.depth_m * PACKED, coarse) > DEBRIS_M, np.ones((2, 2), bool))
            rows, cols = (min(pair) for pair in zip(before.shape, again.shape, strict=True))
            before, again = before[:rows, :cols], again[:rows, :cols]
            overlap = float((before & again).sum() / max(int((before | again).sum()), 1))
            ways = [math.dist(toe, self._release.top_m) for toe in (members[m].toe_m, self._toe(coarse, flow))]
            return overlap, ways[0] - ways[1]

        try:
            found = map_in_threads(compare, [int(m) for m in chosen])
        except InputError:  # no coarse cell lies in the release
            return None
        overlap, shift_m = np.median(np.array(found), axis=0).tolist()
        return CellError(coarse_cell_m=coarse.cell_m, events=chosen.size, overlap=overlap, runout_shift_m=shift_m)

    def _event(self, flow: FlowResult, debris_m: FloatArray) -> Member:
        """What a run left, cut to where snow was."""
        touched = (flow.deepest_m > 0.0) | (debris_m > 0.0)
        rows, cols = (np.flatnonzero(touched.any(axis=axis)) for axis in (1, 0))
        part = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(cols[0]), int(cols[-1]) + 1))
        balance = flow.balance
        return Member(
            rows=part[0],
            cols=part[1],
            thickness_m=debris_m[part].astype(np.float32),
            fastest_m_s=np.where(flow.deepest_m[part] > FRONT_M, flow.fastest_m_s[part], 0.0).astype(np.float32),
            arrival_s=flow.arrival_s[part].astype(np.float32),
            toe_m=self._toe(self._lattice, flow),
            fastest=float(flow.fastest_m_s.max()),
            time_s=flow.time_s,
            end=flow.end,
            moving_share=flow.moving_share,
            left_m3=(
                balance.left_west_m3 * PACKED,
                balance.left_east_m3 * PACKED,
                balance.left_south_m3 * PACKED,
                balance.left_north_m3 * PACKED,
                balance.left_no_data_m3 * PACKED,
            ),
        )

    def _toe(self, lattice: Grid, flow: FlowResult) -> tuple[float, float]:
        """Where all but the farthest twentieth of the snow has stopped."""
        rows, cols = np.nonzero(flow.depth_m)
        if rows.size == 0:
            return self._release.top_m
        x, y = lattice.centre_of(rows, cols)
        away = np.hypot(x - self._release.top_m[0], y - self._release.top_m[1])
        order = np.argsort(away, kind="stable")
        snow = np.cumsum(flow.depth_m[rows, cols][order])
        toe = order[min(int(np.searchsorted(snow, TOE_SHARE * snow[-1])), order.size - 1)]
        return float(x[toe]), float(y[toe])

    def _carried(self, flow: FlowResult, debris_m: FloatArray, m: int) -> CarriedPersons:
        """The people of a member. Snow above them: the debris at their place, by their relative depth."""
        rest = flow.tracers
        if rest is None:
            raise ValueError("a flow without people")
        thickness = np.zeros(rest.x_m.size)
        stay: BoolArray = ~(rest.left_grid | rest.in_no_data)
        row, col = self._lattice.cell_of(rest.x_m[stay], rest.y_m[stay])
        thickness[stay] = debris_m[row, col]
        burial = thickness * self._people.relative_depth[m]
        burial[~rest.taken] = thickness[~rest.taken] = 0.0
        return CarriedPersons(
            member=np.full(rest.x_m.size, m, np.int32),
            x_m=rest.x_m,
            y_m=rest.y_m,
            taken=rest.taken,
            left_grid=rest.left_grid,
            in_no_data=rest.in_no_data,
            fall_m=np.full(rest.x_m.size, np.nan),
            thickness_m=thickness,
            burial_m=burial,
            cells=self._on_ground(rest.cells),
            offsets=rest.offsets,
        )

    def _on_ground(self, cells: IntArray) -> IntArray:
        """Flat indices on the ground's cells; the trail counts only those that fill working cells."""
        wide = self._lattice.shape[1] * round(self._lattice.cell_m / self._surface.cell_m)
        return (cells // wide * self._surface.shape[1] + cells % wide).astype(np.int32)


def _joined(parts: tuple[CarriedPersons, ...]) -> CarriedPersons:
    """People of several members as one, in their order."""
    counts = np.concatenate([np.diff(part.offsets) for part in parts])
    every = {
        field.name: np.concatenate([getattr(part, field.name) for part in parts])
        for field in fields(CarriedPersons)
        if field.name != "offsets"
    }
    return CarriedPersons(**every, offsets=np.concatenate([[0], np.cumsum(counts)]).astype(np.int32))
