"""Many possible events as depth-averaged flows, and the person in them: debris that piles up, and burial depth.

Members run in threads, batch after batch, until the debris outline has settled (see :func:`simulate_flow_ensemble`).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import partial

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
from lastseen.snow.carried import Tracers, spread_over_disc
from lastseen.snow.ensemble import DEBRIS_M, CarriedPersons, Ensemble, Member, split_into_batches
from lastseen.snow.flow import Bed, FlowEnd, FlowResult, FlowSnow, prepare_bed, simulate_flow
from lastseen.snow.flow_kernels import FRONT_M
from lastseen.snow.friction import PERSON_SPEED, MemberDraws, draw_members, friction_range, uniform
from lastseen.snow.release import DEPOSIT_DENSITY_KG_M3, SLAB_DENSITY_KG_M3, Release
from lastseen.terrain import derivatives

TIME_LIMIT_S = 300.0  # design choice: three to ten times what events of sizes 1 to 3 take
ENERGY_SHARE = 1e-3  # a run ends when less than this share of its peak kinetic energy is left
MOVING_SHARE = 0.01  # or when less than this share of the snow is faster than 0.5 m/s
CHANGE_SHARE = 0.003  # or when less than this share of it changed its place within 5 s
DIFFUSION_M2_S = (0.1, 1.0)  # design choice: 1.4 to 4.5 m to either side in ten seconds; no source
OUTLINE_SHARE = 0.1  # share of events whose ground has to settle
SETTLED_CHANGE = 0.03  # of its area, in each of the last two batches
BATCH = 8
LEAST_MEMBERS = 24
TOE_SHARE = 0.95
PACKED = SLAB_DENSITY_KG_M3 / DEPOSIT_DENSITY_KG_M3  # depth of the deposit over depth of the flow

Watch = Callable[[float, FloatArray], None]


def simulate_flow_ensemble(
    felt: Grid,
    ratio: int,
    release: Release,
    snow: Snow,
    last_seen: LastSeen,
    at_m: tuple[float, float],
    rng: np.random.Generator,
    report: Progress = no_progress,
) -> Ensemble:
    """Run the members of an ensemble as flows.

    The ensemble stops early when the debris outline has settled: from 24 members on, when the ground that carries
    debris thicker than 0.1 m in at least 10 % of the events changed by less than 3 % of its area in each of the last
    two batches of 8. Same generator, same result, whatever the number of threads.

    Parameters
    ----------
    felt : Grid
        The ground as the snow feels it.
    ratio : int
        Cells of ``felt`` along one working cell; working cells are means of ``ratio`` x ``ratio``.
    snow, last_seen : Snow, LastSeen
        From the scenario.
    at_m : (x, y)
        The last-seen point, map metres.
    report : callable, optional
        Told in words how far it is, and the share that is done; without words until the first event is done. It is
        called again and again while events run, from their threads: what it raises ends the work.

    Raises
    ------
    InputError
        If the release covers no working cell with data.
    """
    members = draw_members(release, snow, rng)
    lattice = average_onto_lattice(felt, ratio)
    people = _last_seen(felt, lattice, last_seen, at_m, snow, members, rng)
    work = _Work(felt, lattice, ratio, release, members, people)
    begun, done, lock = time.monotonic(), 0, threading.Lock()
    said = ("", 0.0)

    def one(m: int) -> tuple[Member, CarriedPersons, float]:
        nonlocal done, said
        outcome = work.run(m, lambda _time, _depth: report(*said))
        with lock:
            done += 1
            left = (time.monotonic() - begun) / done * (members.count - done)
            text = f"letting the snow flow: {done} of {members.count} events, at most {left:.0f} s left"
            said = (text, done / members.count)
            report(*said)
        return outcome

    ran: list[tuple[Member, CarriedPersons, float]] = []
    settling = _Settling(lattice.shape)
    for batch in split_into_batches(members.count, BATCH):
        ran += map_in_threads(one, batch)
        if settling.settled([event for event, _, _ in ran[batch.start :]], len(ran)) and len(ran) < members.count:
            break
    each, carried, deposits = zip(*ran, strict=True)
    reached = np.array([bool(one.taken.any()) for one in carried])
    kept = members.first(len(ran), np.array(deposits))
    return Ensemble(
        model="flow",
        lattice=lattice,
        draws=kept,
        members=each,
        person=_joined(carried),
        reached=reached,
        stopped_early=len(ran) < members.count,
    )


def average_onto_lattice(felt: Grid, ratio: int) -> Grid:
    """Means of ``ratio`` x ``ratio`` cells; incomplete ones in the south and east are left out. NaN where any is."""
    ny, nx = (n // ratio for n in felt.shape)
    blocks = felt.values[: ny * ratio, : nx * ratio].reshape(ny, ratio, nx, ratio)
    return Grid(blocks.mean(axis=(1, 3)), felt.west_m, felt.north_m, felt.cell_m * ratio, felt.crs)


_let_flow = partial(
    simulate_flow,
    time_limit_s=TIME_LIMIT_S,
    energy_share=ENERGY_SHARE,
    moving_share=MOVING_SHARE,
    change_share=CHANGE_SHARE,
)


def slab_lean(felt: Grid, release: Release) -> FloatArray:
    """Vertical over normal thickness of a slab on each cell of a release: 1 / cos(slope)."""
    p, q, *_ = derivatives(felt)
    lean: FloatArray = np.nan_to_num(np.sqrt(1.0 + p * p + q * q), nan=1.0).ravel()[release.cells]
    return lean


def released_depth_m(
    felt: Grid, lattice: Grid, release: Release, lean: FloatArray, count: int, slab_m: float
) -> FloatArray:
    """Vertical depth on the working cells of a slab on the first ``count`` cells of a release.

    Raises
    ------
    InputError
        If no working cell with data holds any of it.
    """
    ratio = round(lattice.cell_m / felt.cell_m)
    cells = release.cells[:count]
    fine = np.zeros(felt.shape)
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


def count_pilot_updates(felt: Grid, ratio: int, release: Release, snow: Snow) -> float:
    """Cell updates that the most likely event will take, after a run on cells twice as large."""
    lattice = average_onto_lattice(felt, 2 * ratio)
    depth = released_depth_m(
        felt, lattice, release, slab_lean(felt, release), release.nominal_cells, release.thickness_m
    )
    likely = FlowSnow(
        friction=friction_range(snow)[1],
        turbulence_m_s2=snow.turbulence_m_s2[1],
        cohesion_pa=snow.cohesion_pa[1],
        density_kg_m3=SLAB_DENSITY_KG_M3,
        growth=snow.growth[1],
    )
    return 8.0 * _let_flow(prepare_bed(lattice), depth, likely).cell_updates  # twice the steps on four times as many


def replay_member(
    felt: Grid, release: Release, ensemble: Ensemble, m: int, every_s: float
) -> tuple[tuple[float, ...], tuple[NDArray[np.float32], ...]]:
    """Let one member of a flow ensemble run again and keep its depth at intervals: times, and depths on the lattice."""
    members, times, depths = ensemble.draws, list[float](), list[NDArray[np.float32]]()

    def keep(time_s: float, depth_m: FloatArray) -> None:
        times.append(time_s)
        depths.append(depth_m.astype(np.float32))

    lean = slab_lean(felt, release)
    released = released_depth_m(
        felt, ensemble.lattice, release, lean, int(members.extent_cells[m]), float(members.slab_m[m])
    )
    _let_flow(prepare_bed(ensemble.lattice), released, _snow_of(members, m), watch=keep, watch_every_s=every_s)
    return tuple(times), tuple(depths)


def _snow_of(members: MemberDraws, m: int) -> FlowSnow:
    return FlowSnow(
        friction=float(members.friction[m]),
        turbulence_m_s2=float(members.turbulence_m_s2[m]),
        cohesion_pa=float(members.cohesion_pa[m]),
        density_kg_m3=SLAB_DENSITY_KG_M3,
        growth=float(members.growth[m]),
    )


class _Settling:
    """Whether the debris outline still changes."""

    def __init__(self, shape: tuple[int, int]) -> None:
        self._counts = np.zeros(shape, np.int32)
        self._before = np.zeros(shape, bool)
        self._calm = 0

    def settled(self, added: list[Member], count: int) -> bool:
        """Add a batch of events; ``count`` of them have run by now."""
        for event in added:
            self._counts[event.rows, event.cols] += event.thickness_m > DEBRIS_M
        now = self._counts >= OUTLINE_SHARE * count
        changed = int((now ^ self._before).sum()) / max(int(now.sum()), 1)
        self._calm = self._calm + 1 if changed < SETTLED_CHANGE else 0
        self._before = now
        return count >= LEAST_MEMBERS and self._calm >= 2


@dataclass(frozen=True, kw_only=True)
class _People:
    """Possible persons of all members, shape (members, n) each."""

    x_m: FloatArray
    y_m: FloatArray
    speed: FloatArray
    diffusion_m2_s: FloatArray
    relative_depth: FloatArray
    seeds: tuple[int, ...]


def _last_seen(
    felt: Grid,
    lattice: Grid,
    last_seen: LastSeen,
    at_m: tuple[float, float],
    snow: Snow,
    members: MemberDraws,
    rng: np.random.Generator,
) -> _People:
    """Possible persons all over the last-seen disc, for each member."""
    p, q, *_ = derivatives(felt)
    disc = (at_m[0], at_m[1], max(last_seen.radius_m, 1.5 * felt.cell_m))
    u = np.stack([qmc.LatinHypercube(d=5, rng=rng).random(snow.tracers) for _ in range(members.count)])
    places = [spread_over_disc(felt, disc, one[:, 0], one[:, 1], p, q) for one in u]
    west, south, east, north = lattice.bounds
    rim = 0.01 * felt.cell_m
    return _People(
        x_m=np.clip(np.stack([x for x, _ in places]), west + rim, east - rim),
        y_m=np.clip(np.stack([y for _, y in places]), south + rim, north - rim),
        speed=uniform(u[:, :, 2], *PERSON_SPEED),
        diffusion_m2_s=uniform(u[:, :, 3], *DIFFUSION_M2_S),
        relative_depth=u[:, :, 4],
        seeds=tuple(int(integer) for integer in rng.integers(0, 2**31, members.count)),
    )


class _Work:
    """What all members share: the ground, the release, the people."""

    def __init__(
        self, felt: Grid, lattice: Grid, ratio: int, release: Release, members: MemberDraws, people: _People
    ) -> None:
        self.lattice, self._felt = lattice, felt
        self._bed: Bed = prepare_bed(lattice)
        self._ratio, self._release, self._members, self._people = ratio, release, members, people
        self._released = partial(released_depth_m, felt, lattice, release, slab_lean(felt, release))

    def run(self, m: int, watch: Watch) -> tuple[Member, CarriedPersons, float]:
        """One member: its event, its people, and its deposit in m3."""
        members, people = self._members, self._people
        released = self._released(int(members.extent_cells[m]), float(members.slab_m[m]))
        tracers = Tracers(
            x_m=people.x_m[m],
            y_m=people.y_m[m],
            speed_factor=people.speed[m],
            start_s=np.full(people.speed[m].shape, np.nan),
            diffusion_m2_s=people.diffusion_m2_s[m],
            seed=people.seeds[m],
            trail_cell_m=self._felt.cell_m,
        )
        flow = _let_flow(self._bed, released, _snow_of(members, m), tracers=tracers, watch=watch)
        volume = (flow.balance.released_m3 + flow.balance.entrained_m3) * PACKED
        return self._event(flow), self._carried(flow, m), volume

    def _event(self, flow: FlowResult) -> Member:
        """What a run left, cut to where snow was."""
        touched = flow.deepest_m > 0.0
        rows, cols = (np.flatnonzero(touched.any(axis=axis)) for axis in (1, 0))
        part = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(cols[0]), int(cols[-1]) + 1))
        balance = flow.balance
        return Member(
            rows=part[0],
            cols=part[1],
            thickness_m=(flow.depth_m[part] * PACKED).astype(np.float32),
            fastest_m_s=np.where(flow.deepest_m[part] > FRONT_M, flow.fastest_m_s[part], 0.0).astype(np.float32),
            arrival_s=flow.arrival_s[part].astype(np.float32),
            toe_m=self._toe(flow),
            fastest=float(flow.fastest_m_s.max()),
            time_s=flow.time_s,
            finished=flow.end is not FlowEnd.TIME_OVER,
            left_m3=(
                balance.left_west_m3 * PACKED,
                balance.left_east_m3 * PACKED,
                balance.left_south_m3 * PACKED,
                balance.left_north_m3 * PACKED,
                balance.left_no_data_m3 * PACKED,
            ),
        )

    def _toe(self, flow: FlowResult) -> tuple[float, float]:
        """Where all but the farthest twentieth of the snow has stopped."""
        rows, cols = np.nonzero(flow.depth_m)
        if rows.size == 0:
            return self._release.top_m
        x, y = self.lattice.centre_of(rows, cols)
        away = np.hypot(x - self._release.top_m[0], y - self._release.top_m[1])
        order = np.argsort(away, kind="stable")
        snow = np.cumsum(flow.depth_m[rows, cols][order])
        toe = order[min(int(np.searchsorted(snow, TOE_SHARE * snow[-1])), order.size - 1)]
        return float(x[toe]), float(y[toe])

    def _carried(self, flow: FlowResult, m: int) -> CarriedPersons:
        """The people of a member. Snow above them: the debris at their place, by their relative depth."""
        rest = flow.tracers
        if rest is None:
            raise ValueError("a flow without people")
        thickness = np.zeros(rest.x_m.size)
        stay: BoolArray = ~(rest.left_grid | rest.in_no_data)
        row, col = self.lattice.cell_of(rest.x_m[stay], rest.y_m[stay])
        thickness[stay] = flow.depth_m[row, col] * PACKED
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
        """Flat indices on the ground's cells; the trail was told without those that fill no working cell."""
        wide = self.lattice.shape[1] * self._ratio
        return (cells // wide * self._felt.shape[1] + cells % wide).astype(np.int32)


def _joined(parts: tuple[CarriedPersons, ...]) -> CarriedPersons:
    """People of several members as one, in their order."""
    counts = np.concatenate([np.diff(part.offsets) for part in parts])
    every = {
        field.name: np.concatenate([getattr(part, field.name) for part in parts])
        for field in fields(CarriedPersons)
        if field.name != "offsets"
    }
    return CarriedPersons(**every, offsets=np.concatenate([[0], np.cumsum(counts)]).astype(np.int32))
