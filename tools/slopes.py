"""Invented slopes, and events of every size that run down them: what calibration and validation both rest on.

Nothing here is a real place. A slope is built for a size: its drop is half to four times what is reported of that size,
so that some events reach the foot and some could run on.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from pyproj import CRS
from scipy.stats import qmc

from lastseen.core import Grid, Snow, map_in_threads
from lastseen.snow.carried import Tracers
from lastseen.snow.ensemble import DEBRIS_M
from lastseen.snow.flow import FlowSnow, prepare_bed, simulate_flow
from lastseen.snow.flow_ensemble import DIFFUSION_M2_S, PACKED, SLOWEST_M_S, START_S
from lastseen.snow.friction import PERSON_SPEED, SLIDES, draw_slabs, triangular, uniform
from lastseen.snow.release import LENGTH_TO_WIDTH, SLAB_DENSITY_KG_M3, slab_class

Array = npt.NDArray[np.float64]

SHARED = Path(__file__).resolve().parent.parent / "shared" / "reference"
REPORTED: dict[str, Any] = tomllib.loads((SHARED / "reported.toml").read_text(encoding="utf-8"))
SIZES = (1, 2, 3, 4)
QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)
# Drops of the slopes of a size, in median reported drops (length times the sine of the median reach angle): half to
# four times, each as likely. Nobody reports how high the slopes are on which accidents happen: design choice.
DROPS = (0.5, 1.0, 2.0, 4.0)
KINDS = ("parabola", "incline", "rolls", "gully")
CELL_M = {1: 4.0, 2: 6.0, 3: 10.0, 4: 16.0}
WIDTH_M = {1: 140.0, 2: 300.0, 3: 640.0, 4: 1400.0}
ABOVE_M = 60.0  # ground above the crown
LEAST_FRICTION = (
    0.10  # from here to what lets the slab slide every friction is as likely in the runs; weights make a law
)
PERSONS = 24  # caught in each event, anywhere on the slab
FOOT_SHARE, TOP_SHARE = 0.9, 1.0 / 3.0  # of the drop of a slope: at its foot, at its top; design choice
PILED_M = 0.2  # thinner snow is track, not deposit; design choice


@dataclass(frozen=True, kw_only=True)
class Slope:
    """One invented slope, falling eastwards."""

    kind: str
    drop_m: float
    size: int
    ground: Grid
    start_deg: float  # slope of the ground where the slab breaks


@dataclass(frozen=True, kw_only=True)
class Events:
    """What many events did; one value for each, persons as a row for each."""

    size: npt.NDArray[np.int64]
    slope: npt.NDArray[np.int64]  # number of the slope
    friction: Array
    slab_m: Array
    slab_width_m: Array
    released_m3: Array
    length_m: Array  # along the ground, crown to toe
    drop_m: Array
    reach_deg: Array
    width_m: Array  # of the ground that the snow passed
    stop: Array  # drop over that of the slope
    deposit_width_m: Array
    deposit_length_m: Array
    deposit_depth_m: Array
    deposit_m3: Array
    fastest_m_s: Array
    slab_long_m: Array  # on the slope
    came_s: Array  # when the front came to the toe
    left: Array  # share of the snow that left the slope
    at_rest: npt.NDArray[np.bool_]
    persons_m: Array  # shape (events, persons); snow where they rest, NaN where they were not taken or left

    def part(self, keep: npt.NDArray[np.bool_]) -> Events:
        """Some of the events."""
        return Events(**{name: values[keep] for name, values in vars(self).items()})


def reported(name: str, size: int | str) -> tuple[int, Array]:
    """Number of events and quantiles (5, 25, 50, 75, 95 %) as reported."""
    row = REPORTED[name][str(size)]
    return row["n"], np.array(row["q"])


def make_slopes(size: int) -> list[Slope]:
    """All slopes of a size."""
    typical = reported("length_m", size)[1][2] * math.sin(math.radians(reported("reach_angle_deg", "any")[1][2]))
    return [make_slope(kind, factor * typical, size) for kind in KINDS for factor in DROPS]


def make_slope(kind: str, drop_m: float, size: int) -> Slope:
    """One slope: eases like a parabola, is straight down to a foot of 8 degrees, rolls, or holds a gully."""
    cell, start = CELL_M[size], {"parabola": 42.0, "incline": 35.0, "rolls": 38.0, "gully": 37.0}[kind]
    steep = math.tan(math.radians(start))
    long = 2.0 * drop_m / steep if kind == "parabola" else drop_m / steep
    beyond = max(150.0, 1.2 * drop_m / math.tan(math.radians(20.0)) - long + 0.3 * long)
    x = np.arange(-ABOVE_M + 0.5 * cell, long + beyond, cell)
    fine = np.arange(-ABOVE_M, x[-1] + 1.0, 0.5)
    if kind == "parabola":
        slope = np.where(fine < 0.0, steep, np.maximum(steep * (1.0 - fine / long), 0.02))
    else:
        foot = math.tan(math.radians(8.0))
        ease = np.clip((fine - long) / max(20.0, 0.1 * long) + 0.5, 0.0, 1.0)
        slope = steep + (foot - steep) * ease
        if kind == "rolls":
            wave = max(50.0, long / 4.0)
            rolls = 0.22 * np.sin(2.0 * np.pi * fine / wave + 1.0) * (fine > 0.0) * (1.0 - ease)
            slope = slope + rolls - np.where(fine > 0.0, 0.03, 0.0) * (1.0 - ease)
    height = np.interp(x, fine, -np.cumsum(slope) * 0.5)
    y = (np.arange(round(WIDTH_M[size] / cell)) + 0.5) * cell - 0.5 * WIDTH_M[size]
    across = np.zeros_like(y)
    if kind == "gully":
        bend = 0.15 * WIDTH_M[size]
        across = math.tan(math.radians(25.0)) * (np.sqrt(y * y + bend * bend) - bend)
    z = height[None, :] + across[:, None]
    ground = Grid(z - z.min(), float(x[0] - 0.5 * cell), float(-y[0] + 0.5 * cell), cell, CRS.from_epsg(32632))
    return Slope(kind=kind, drop_m=drop_m, size=size, ground=ground, start_deg=start)


def all_slopes() -> list[Slope]:
    """The slopes of all sizes; events count them from 0."""
    return [slope for size in SIZES for slope in make_slopes(size)]


def run_all(events_each: int, seed: int) -> Events:
    """Events of every size on every slope of that size; the same numbers for the same seed, with any threads."""
    slopes = all_slopes()
    return join(map_in_threads(lambda n: run_slope(slopes[n], n, events_each, seed), range(len(slopes))))


def keep_events(events: Events, path: Path) -> None:
    """Events for another script."""
    np.savez_compressed(path, **vars(events))


def kept_events(path: Path) -> Events:
    """Events that were kept."""
    with np.load(path) as found:
        return Events(**{name: found[name] for name in found.files})


def join(parts: list[Events]) -> Events:
    """Events of several slopes as one."""
    return Events(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in vars(parts[0])})


def run_slope(slope: Slope, number: int, count: int, seed: int) -> Events:
    """Events on one slope."""
    rng = np.random.default_rng([seed, number])
    snow = Snow(size=slope.size)
    u = qmc.LatinHypercube(d=6, rng=rng).random(count)
    draws = draw_slabs(slope.size, u[:, 1], u[:, 2])
    nominal = slab_class(slope.size)
    friction = uniform(u[:, 0], LEAST_FRICTION, SLIDES * math.tan(math.radians(slope.start_deg)))
    xi, growth = triangular(u[:, 3], snow.turbulence_m_s2), triangular(u[:, 4], snow.growth)
    cohesion = triangular(u[:, 5], snow.cohesion_pa)
    bed = prepare_bed(slope.ground)
    ny, nx = slope.ground.shape
    limit_s = START_S + math.hypot(ny, nx) * slope.ground.cell_m / SLOWEST_M_S[slope.size]
    rows = []
    for m in range(count):
        area = nominal.area_m2 * draws.area_factor[m]
        depth, wide, long = lay_slab(slope, area, nominal.thickness_at_38_m * draws.thickness_factor[m])
        flow = simulate_flow(
            bed,
            depth,
            FlowSnow(
                friction=float(friction[m]),
                turbulence_m_s2=float(xi[m]),
                cohesion_pa=float(cohesion[m]),
                density_kg_m3=SLAB_DENSITY_KG_M3,
                growth=float(growth[m]),
            ),
            tracers=place_persons(wide, long, rng),
            time_limit_s=limit_s,
        )
        thick = float(nominal.thickness_at_38_m * draws.thickness_factor[m])
        given = (float(friction[m]), thick, wide, area / wide)
        rows.append(measure(slope, number, flow, given))
    return Events(**{name: np.array([row[name] for row in rows]) for name in rows[0]})


def lay_slab(slope: Slope, area_m2: float, thickness_m: float) -> tuple[Array, float, float]:
    """Vertical depth of a slab whose crown lies at the top of the slope, its width, and its length on the map."""
    ground, cell = slope.ground, slope.ground.cell_m
    tilt = math.cos(math.radians(slope.start_deg))
    wide = min(math.sqrt(area_m2 / LENGTH_TO_WIDTH), 0.6 * WIDTH_M[slope.size])
    long = area_m2 / wide * tilt
    ny, nx = ground.shape
    x = ground.west_m + (np.arange(nx) + 0.5) * cell
    y = ground.north_m - (np.arange(ny) + 0.5) * cell
    share_x = np.clip((np.minimum(x + 0.5 * cell, long) - np.maximum(x - 0.5 * cell, 0.0)) / cell, 0.0, 1.0)
    inside = np.minimum(y + 0.5 * cell, 0.5 * wide) - np.maximum(y - 0.5 * cell, -0.5 * wide)
    share_y = np.clip(inside / cell, 0.0, 1.0)
    return thickness_m / tilt * share_y[:, None] * share_x[None, :], wide, long


def place_persons(wide_m: float, long_m: float, rng: np.random.Generator) -> Tracers:
    """Persons anywhere on the slab when it breaks."""
    u = qmc.LatinHypercube(d=4, rng=rng).random(PERSONS)
    return Tracers(
        x_m=u[:, 0] * long_m,
        y_m=(u[:, 1] - 0.5) * wide_m,
        speed_factor=uniform(u[:, 2], *PERSON_SPEED),
        start_s=np.full(PERSONS, np.nan),
        diffusion_m2_s=uniform(u[:, 3], *DIFFUSION_M2_S),
        seed=int(rng.integers(0, 2**31)),
    )


def measure(slope: Slope, number: int, flow: Any, given: tuple[float, ...]) -> dict[str, Any]:
    """What an event did, as an observer would put it down."""
    ground, cell = slope.ground, slope.ground.cell_m
    debris = flow.depth_m * PACKED
    passed, piled = flow.deepest_m > DEBRIS_M, debris > PILED_M
    profile = ground.values[ground.shape[0] // 2]
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(profile), cell))])
    at = ground.west_m + (np.arange(ground.shape[1]) + 0.5) * cell
    by_column = debris.sum(axis=0)
    total = by_column.sum()
    last = int(np.searchsorted(np.cumsum(by_column), 0.95 * total)) if total > 0.0 else 0
    crown, toe = float(np.interp(0.0, at, way)), float(way[min(last, way.size - 1)])
    top, bottom = float(np.interp(0.0, at, profile)), float(profile[min(last, way.size - 1)])
    length, drop = max(toe - crown, cell), max(top - bottom, 0.0)
    came = flow.arrival_s[:, min(last, way.size - 1)]
    came = float(np.nanmin(came)) if np.isfinite(came).any() else flow.time_s
    rest = flow.tracers
    stay = rest.taken & ~rest.left_grid & ~rest.in_no_data
    snow = np.full(rest.x_m.size, np.nan)
    row, col = ground.cell_of(rest.x_m[stay], rest.y_m[stay])
    snow[stay] = debris[row, col]
    moved = flow.balance.released_m3 + flow.balance.entrained_m3
    return {
        "size": slope.size,
        "slope": number,
        "friction": given[0],
        "slab_m": given[1],
        "slab_width_m": given[2],
        "released_m3": flow.balance.released_m3,
        "length_m": length,
        "drop_m": drop,
        "reach_deg": math.degrees(math.asin(min(1.0, drop / length))),
        "width_m": float(passed.any(axis=1).sum() * cell),
        "stop": drop / slope.drop_m,
        "deposit_width_m": float(piled.any(axis=1).sum() * cell),
        "deposit_length_m": float(piled.any(axis=0).sum() * cell),
        "deposit_depth_m": float(debris.max()),
        "deposit_m3": moved * PACKED,
        "fastest_m_s": float(flow.fastest_m_s.max()),
        "slab_long_m": given[3],
        "came_s": came,
        "left": flow.balance.left_m3 / moved,
        "at_rest": flow.end == "at rest",
        "persons_m": snow,
    }


def weigh(events: Events, law: tuple[float, float, float]) -> Array:
    """Weights that make evenly drawn frictions a triangular law (lowest, most likely, highest) on every slope.

    The law is that of slabs that slid: cut off where a slope would have held them. Every slope weighs as much.
    """
    weights = triangle(events.friction, law)
    total = np.bincount(events.slope, weights)[events.slope]
    return np.where(total > 0.0, weights / np.maximum(total, 1e-12), 0.0)


def triangle(friction: Array, law: tuple[float, float, float]) -> Array:
    """Density of a triangular law, 1 at its most likely value."""
    low, mode, high = law
    rising = np.clip((friction - low) / max(mode - low, 1e-9), 0.0, 1.0)
    falling = np.clip((high - friction) / max(high - mode, 1e-9), 0.0, 1.0)
    density: Array = np.where(friction < mode, rising, falling)
    return density


def weighted_quantiles(values: Array, weights: Array, shares: tuple[float, ...] = QUANTILES) -> Array:
    """Quantiles of weighted values."""
    order = np.argsort(values, kind="stable")
    run = np.cumsum(weights[order])
    found: Array = np.interp(np.array(shares) * run[-1], run - 0.5 * weights[order], values[order])
    return found


def by_size(events: Events) -> Iterator[tuple[int, Events]]:
    """Events of each size."""
    for size in SIZES:
        yield size, events.part(events.size == size)
