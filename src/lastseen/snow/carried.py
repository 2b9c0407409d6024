"""People carried by the flow: where they stand, how the snow takes them, where and how deep it leaves them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from lastseen.core import BoolArray, FloatArray, Grid, InputError, IntArray, Snow
from lastseen.snow import flow_planes
from lastseen.snow.flow_planes import DIFFUSION, FASTEST, LAST, SHARE, START, STATUS, VISITS, X, Y
from lastseen.snow.friction import triangular
from lastseen.snow.release import read_calibration

# ---- Tracers in and out of the flow, in map coordinates


@dataclass(frozen=True, kw_only=True)
class Tracers:
    """People (or things) carried by the flow; arrays of shape (n,)."""

    # x_m, y_m: where they stand, map metres
    x_m: FloatArray
    y_m: FloatArray
    speed_factor: FloatArray  # their speed over that of the snow around
    start_s: FloatArray  # when the snow can first take them; NaN when the front passes (deeper than 0.05 m)
    diffusion_m2_s: FloatArray  # spread across the flow: the variance grows by twice this per second
    seed: int = 0  # of the random walk
    trail_cell_m: float = 0.0  # side of the cells of the trail, a whole part of the flow's cells; 0 keeps no trail

    def __post_init__(self) -> None:
        arrays = (self.x_m, self.y_m, self.speed_factor, self.start_s, self.diffusion_m2_s)
        if any(array.shape != (self.x_m.size,) for array in arrays):
            raise InputError("the arrays of the tracers differ in length")
        known = arrays[:3] + arrays[4:]
        if not all(np.isfinite(array).all() for array in known) or (self.diffusion_m2_s < 0.0).any():
            raise InputError("place, speed factor and diffusion of tracers must be finite, diffusion 0 or more")
        if self.seed < 0:
            raise InputError(f"the seed is {self.seed}: give 0 or more")


@dataclass(frozen=True, kw_only=True)
class TracerRest:
    """Where tracers ended; arrays of shape (n,)."""

    # x_m, y_m: map metres; for those that left, the first place outside
    x_m: FloatArray
    y_m: FloatArray
    taken: BoolArray  # whether the snow ever took them
    # left_grid, in_no_data: whether they left over an edge or into a cell without data
    left_grid: BoolArray
    in_no_data: BoolArray
    # last_moved_s, fastest_m_s: when they last moved (0 for never) and their greatest speed on the map
    last_moved_s: FloatArray
    fastest_m_s: FloatArray
    # cells entered in turn, flat indices on a lattice of ``trail_cell_m`` with the corner of the ground, all tracers
    # one after the other; empty where no trail was asked for
    cells: IntArray
    offsets: IntArray  # tracer b owns visits offsets[b] to offsets[b + 1]; shape (n + 1,)


LONGEST_TRAIL = 8192  # cells; what a person enters after that is not kept


@dataclass(frozen=True, kw_only=True)
class TracerTable:
    """Tracers as the kernel moves them: a row each, local metres, y southwards; both arrays are changed in place."""

    rows: FloatArray
    trail: IntArray
    rules: flow_planes.CarryRules


def tabulate_tracers(ground: Grid, tracers: Tracers, friction: float, turbulence_m_s2: float) -> TracerTable:
    """The table of the carried, with trails that begin where they stand."""
    if not ground.contains(tracers.x_m, tracers.y_m).all():
        raise InputError("a tracer starts outside the ground: move it, or take more ground")
    rows = np.zeros((tracers.x_m.size, flow_planes.COLUMNS))
    rows[:, X], rows[:, Y] = tracers.x_m - ground.west_m, ground.north_m - tracers.y_m
    rows[:, SHARE], rows[:, START], rows[:, DIFFUSION] = tracers.speed_factor, tracers.start_s, tracers.diffusion_m2_s
    rows[:, STATUS] = flow_planes.WAITING
    fine = tracers.trail_cell_m
    trail = np.zeros((tracers.x_m.size, LONGEST_TRAIL if fine > 0.0 else 0), np.int32)
    if fine > 0.0:
        wide = round(ground.shape[1] * ground.cell_m / fine)
        trail[:, 0] = (rows[:, Y] / fine).astype(np.int32) * wide + (rows[:, X] / fine).astype(np.int32)
        rows[:, VISITS] = 1.0
    rules = flow_planes.CarryRules(
        cell_m=float(ground.cell_m),
        trail_cell_m=float(fine),
        seed=tracers.seed,
        friction=float(friction),
        turbulence_m_s2=float(turbulence_m_s2),
    )
    return TracerTable(rows=rows, trail=trail, rules=rules)


def read_tracer_rest(ground: Grid, people: TracerTable) -> TracerRest:
    """Where the carried ended."""
    rows, status, visits = people.rows, people.rows[:, STATUS], people.rows[:, VISITS].astype(np.int32)
    trails = [people.trail[n, :count] for n, count in enumerate(visits)]
    return TracerRest(
        x_m=ground.west_m + rows[:, X],
        y_m=ground.north_m - rows[:, Y],
        taken=rows[:, LAST] > 0.0,
        left_grid=status == flow_planes.GONE,
        in_no_data=status == flow_planes.SUNK,
        last_moved_s=rows[:, LAST].copy(),
        fastest_m_s=rows[:, FASTEST].copy(),
        cells=np.concatenate(trails) if visits.any() else people.trail.ravel()[:0],
        offsets=np.concatenate([[0], np.cumsum(visits)]).astype(np.int32),
    )


# ---- How deep they lie in the snow

BurialName = Literal["rising", "even", "own"]


@dataclass(frozen=True, kw_only=True)
class BurialLaw:
    """How deep a carried person lies: snow above them over the thickness of the snow at their place.

    Even: anywhere in it. Rising: large things rise in a moving mass of small ones (inverse grading), so most lie near
    its surface: u ** power with u even between 0 and 1, the power fitted to reported shares and depths of the fully
    buried together. Own: the range of the scenario. Nobody has measured where in the snow people lie.
    """

    name: BurialName
    power: float = 1.0
    given: tuple[float, float, float] | None = None  # lowest, most likely, highest of the user
    misfit: float | None = None  # 1 is 5 per cent of the persons in share and 0.2 m in mean depth; None for own ranges

    @property
    def basis(self) -> str:
        """What it rests on, in words."""
        if self.given is not None:
            return "by a range of relative depths that the user gave"
        words = {"even": "anywhere in the snow, as likely", "rising": "more likely near its surface (inverse grading)"}
        return (
            f"{words[self.name]}; the law is fitted to shares reported by size (Tirol 1992-2024, 592 persons) and "
            "depths (Falk et al. 1994, n = 422): where in the snow people lie has not been measured"
        )

    def relative_depth(self, u: FloatArray) -> FloatArray:
        """Depth over thickness, 0 on the surface and 1 on the ground, from numbers between 0 and 1."""
        return np.power(u, self.power) if self.given is None else triangular(u, self.given)


def find_burial_law(snow: Snow) -> BurialLaw:
    """The law of a scenario: its own, the one it names, or the one that fits best."""
    if snow.relative_depth is not None:
        return BurialLaw(name="own", given=snow.relative_depth)
    return burial_laws()[snow.burial or read_calibration()["burial"]["default"]]


def burial_laws() -> dict[str, BurialLaw]:
    """The named laws, as fitted by ``make calibrate``."""
    rows = read_calibration()["burial"]
    names: tuple[BurialName, ...] = ("rising", "even")
    return {name: BurialLaw(name=name, power=rows[name]["power"], misfit=rows[name]["misfit"]) for name in names}


# ---- Where people set out: points in the last-seen disc, in a frame that turns with the ground


Disc = tuple[float, float, float]  # x, y, radius; map metres


def persons_block(count: int, missing: int, number: int) -> slice:
    """Which of the possible persons of an event stand for the missing person of a number, from 0."""
    return slice(number * count // missing, (number + 1) * count // missing)


def spread_over_discs(
    surface: Grid, discs: Sequence[Disc], u: FloatArray, p: FloatArray, q: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """As `spread_over_disc`, the block of each missing person over a disc of their own."""
    blocks = (persons_block(len(u), len(discs), number) for number in range(len(discs)))
    parts = [spread_over_disc(surface, disc, u[block], p, q) for disc, block in zip(discs, blocks, strict=True)]
    return np.concatenate([x for x, _ in parts]), np.concatenate([y for _, y in parts])


def spread_over_disc(
    surface: Grid, disc: tuple[float, float, float], u: FloatArray, p: FloatArray, q: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Points spread evenly over a disc (x, y, radius), map metres, from pairs of numbers between 0 and 1, shape (n, 2).

    The frame lies along the fall line at the middle, so that a turned map gives turned points; ``p`` and ``q`` are the
    slope of ``surface`` eastwards and northwards.
    """
    row, col = surface.cell_of(disc[0], disc[1])
    east, north = (float(part) for part in downhill_frame(p, q, row, col))
    radius, angle = disc[2] * np.sqrt(u[:, 0]), 2.0 * np.pi * u[:, 1]
    along, across = radius * np.cos(angle), radius * np.sin(angle)
    return disc[0] + along * east - across * north, disc[1] + along * north + across * east


def downhill_frame(p: FloatArray, q: FloatArray, rows: IntArray, cols: IntArray) -> tuple[FloatArray, FloatArray]:
    """Unit vector down the fall line (east, north); due east where the ground is flat."""
    px, qy = np.nan_to_num(p[rows, cols]), np.nan_to_num(q[rows, cols])
    steep = np.hypot(px, qy)
    flat = steep < 1e-9
    return np.where(flat, 1.0, -px / np.where(flat, 1.0, steep)), np.where(flat, 0.0, -qy / np.where(flat, 1.0, steep))
