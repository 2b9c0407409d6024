"""Hidden targets for practice: places, depths, difficulty, and how they are found back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import shapely
from scipy import special
from shapely.geometry.base import BaseGeometry

from lastseen.core import BoolArray, FloatArray, InputError, NothingFoundError, cells_of_outline
from lastseen.jobs.practice.drill import Exercise, PlannedSearch
from lastseen.search import (
    DEPTH_M,
    LEAST_RANGE_M,
    Reception,
    Surface,
    Targets,
    cut_into_stretches,
    first_signals_s,
    list_poa_places,
)

What = Literal["target", "decoy"]


@dataclass(frozen=True, kw_only=True)
class Target:
    """A dummy with a transmitter, or a decoy without one."""

    name: str  # t1, T2, ... for targets, D1, D2, ... for decoys.
    what: What
    x_m: float  # of the snow above it, map metres
    y_m: float
    z_m: float
    depth_m: float  # at right angles to the snow
    azimuth_deg: float  # where the transmitter's axis points, from grid north, 0 to 180: both ends are alike
    dip_deg: float  # of the axis below the horizontal, 0 (level) to 90 (upright)
    slope_deg: float  # of the snow there


@dataclass(frozen=True, kw_only=True)
class Difficulty:
    """How hard a target is, as numbers."""

    name: str
    # 10th, 50th and 90th percentile of the time to the first signal if the plan is walked at its own pace, from the
    # first step on the debris; NaN where it is not heard
    first_signal_s: tuple[float, float, float]
    heard: float  # share of the simulated searches of the plan that hear it
    overlap: float  # share of the ground from which it is heard where another target is heard too
    neighbour_m: float  # to the nearest other target; infinite where it is alone
    depth_m: float


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A place from which targets are staked out with a tape."""

    name: str
    x_m: float
    y_m: float
    z_m: float


@dataclass(frozen=True, kw_only=True)
class StakeOut:
    """Two straight distances on the snow that give the place of a target."""

    name: str
    from_a_m: float  # from the marks A and B, straight, in 3-D
    from_b_m: float
    cut_deg: float  # angle at which the two tapes meet on the map: near 90 is good, under 30 or over 150 is poor


@dataclass(frozen=True, kw_only=True)
class TargetPlan:
    """All that an instructor hides."""

    exercise_name: str
    exercise: Exercise
    seed: int
    targets: tuple[Target, ...]  # targets, then decoys, each in the order in which they are hidden
    difficulty: tuple[Difficulty, ...]  # of the targets
    marks: tuple[Mark, Mark]  # A and B; seen from A towards B all targets lie on the left
    stakes: tuple[StakeOut, ...]  # in the order of the targets
    order: tuple[str, ...]  # in which they are hidden: a short walk from mark A

    @property
    def transmitters(self) -> int:
        """How many must be counted back in."""
        return sum(target.what == "target" for target in self.targets)


_DRAWS = 200  # of the range, for the spread between transmitters
_SAMPLES = 61  # across the greatest range, each way


def rate_difficulty(targets: Sequence[Target], plan: PlannedSearch, seed: int) -> tuple[Difficulty, ...]:
    """Numbers of each target: time to first signal of the planned walk, overlap, distance to the next, depth.

    The range in the worst direction is half the plan's strip, with a tenth of spread from transmitter to transmitter
    (`Reception.of_strip`); direction and depth count.
    """
    transmitters = [target for target in targets if target.what == "target"]
    reception, surface = Reception.of_strip(plan.strip_width_m), plan.surface
    generator = np.random.default_rng([seed, 1])
    ways, begin_s, paces = plan.walks()
    walks = cut_into_stretches(ways, surface, begin_s, paces)
    found = []
    for target in transmitters:
        ranges = np.maximum(LEAST_RANGE_M, generator.normal(reception.r_max_m, reception.sd_m, _DRAWS))
        place, axis = (np.tile(part, (_DRAWS, 1)) for part in (place_m(target), axis_of(target)))
        times = first_signals_s(walks, surface, Targets(xyz_m=place, axis=axis, range_m=ranges, dipole=True))
        heard = times[np.isfinite(times)]
        p10, p50, p90 = np.percentile(heard, (10, 50, 90)).tolist() if heard.size else (math.nan,) * 3
        others = [other for other in transmitters if other is not target]
        found.append(
            Difficulty(
                name=target.name,
                first_signal_s=(p10, p50, p90),
                heard=heard.size / _DRAWS,
                overlap=overlap_share(target, others, surface, reception.r_max_m),
                neighbour_m=min((math.dist(place_m(target), place_m(other)) for other in others), default=math.inf),
                depth_m=target.depth_m,
            )
        )
    return tuple(found)


def overlap_share(target: Target, others: Sequence[Target], surface: Surface, r_max_m: float) -> float:
    """Share of the ground from which a target is heard where any of the others is heard too, 0 to 1."""
    if not others:
        return 0.0
    offset = np.linspace(-r_max_m, r_max_m, _SAMPLES)
    x, y = (part.ravel() for part in np.meshgrid(target.x_m + offset, target.y_m + offset))
    listener = np.column_stack([x, y, surface.z(x, y)])
    heard = hears(listener, target, r_max_m)
    heard_too = np.any([hears(listener, other, r_max_m) for other in others], axis=0)
    return float((heard & heard_too).sum() / max(1, heard.sum()))


def hears(listener_m: FloatArray, target: Target, r_max_m: float) -> BoolArray:
    """Whether a target is heard from places (n x 3), with its range in line with its axis."""
    away2, cos2 = _distance_and_angle(listener_m, target)
    return np.asarray(away2**3 <= r_max_m**6 * (1.0 + 3.0 * cos2) / 4.0)


def range_ratio(listener_m: FloatArray, target: Target) -> FloatArray:
    """Distance over the dipole's factor in that direction: heard where this is at most the range along the axis."""
    away2, cos2 = _distance_and_angle(listener_m, target)
    return np.asarray(np.sqrt(away2) / ((1.0 + 3.0 * cos2) / 4.0) ** (1.0 / 6.0))


def _distance_and_angle(listener_m: FloatArray, target: Target) -> tuple[FloatArray, FloatArray]:
    """Square of the distance, and of the cosine between axis and direction."""
    way = listener_m - place_m(target)
    away2 = (way**2).sum(axis=1)
    along = way @ axis_of(target)
    return away2, np.asarray(np.divide(along**2, away2, out=np.ones_like(away2), where=away2 > 0.0))


def place_m(target: Target) -> FloatArray:
    """Where the transmitter lies: below the snow."""
    return np.array([target.x_m, target.y_m, target.z_m - target.depth_m / math.cos(math.radians(target.slope_deg))])


def axis_of(target: Target) -> FloatArray:
    """Unit vector of the axis."""
    a, d = math.radians(target.azimuth_deg), math.radians(target.dip_deg)
    return np.array([math.sin(a) * math.cos(d), math.cos(a) * math.cos(d), -math.sin(d)])


_BATCH, _BATCHES, _FRESH_STARTS = 512, 40, 20
DEPTH_STEP_M, AZIMUTH_STEP_DEG, DIP_STEP_DEG = 0.05, 10.0, 15.0  # what a person with a shovel can do; design choice


@dataclass(frozen=True, kw_only=True)
class TargetGround:
    """Where targets may lie, worked out once: draws are cheap."""

    allowed: BaseGeometry  # outline less the strip along its edge
    x_m: FloatArray  # shape (n,); middle of each cell
    y_m: FloatArray
    total: FloatArray  # shape (n,); the running sum of weights
    cell_m: float
    surface: Surface
    steepest_deg: float

    def may_lie(self, x_m: FloatArray, y_m: FloatArray) -> BoolArray:
        """Whether a target may lie at points, other targets left aside."""
        inside = shapely.contains_xy(self.allowed, x_m, y_m) & self.surface.has_data(x_m, y_m)
        return np.asarray(inside & (_slopes_deg(self.surface, x_m, y_m) <= self.steepest_deg))


def find_target_ground(plan: PlannedSearch, exercise: Exercise) -> TargetGround:
    """Where the targets of an exercise may lie on a plan.

    With nothing left of the outline it is a `NothingFoundError`, with no probability of area in it an `InputError`.
    """
    allowed = shapely.buffer(plan.outline, -exercise.edge_m) if exercise.edge_m else plan.outline
    if allowed.is_empty:
        raise NothingFoundError(
            f"no place of the outline lies {exercise.edge_m:g} m from its edge: give a smaller distance from the edge"
        )
    shapely.prepare(allowed)
    if plan.poa is not None and exercise.probability_of_area:
        x, y, weight, cell = list_poa_places(plan.poa)
        near = shapely.intersects(shapely.box(x - cell / 2, y - cell / 2, x + cell / 2, y + cell / 2), allowed)
        if not near.any():
            raise InputError("the probability of area is 0 in the whole outline: is it the poa.tif of this plan?")
        x, y, weight = x[near], y[near], weight[near]
    else:
        x, y, cell = _even_cells(plan, allowed)
        weight = np.ones(x.size)
    total, steepest = np.cumsum(weight), exercise.steepest_deg
    return TargetGround(
        allowed=allowed, x_m=x, y_m=y, total=total, cell_m=cell, surface=plan.surface, steepest_deg=steepest
    )


def place_targets(field: TargetGround, exercise: Exercise, seed: int) -> tuple[Target, ...]:
    """Targets and decoys by seed: the same seed gives the same places.

    The first target follows the probability of area within the rules; each further one follows it where it keeps the
    least distance from those before it. Depths follow the published depth of the head (Falk and others 1994: mean 1.05
    m, SD 0.85 m) within the limits of the exercise, and axes point anywhere; both are rounded to what a person with a
    shovel can do. Rules that leave no room for so many are a `NothingFoundError`.
    """
    generator = np.random.default_rng(seed)
    count = exercise.targets + exercise.decoys
    most = 0
    for _ in range(_FRESH_STARTS):
        places: list[tuple[float, float]] = []
        while len(places) < count:
            close = exercise.close_pair_m if len(places) == 1 else 0.0
            place = _next_place(field, places, exercise.apart_m, close, generator)
            if place is None:
                break
            places.append(place)
        most = max(most, len(places))
        if len(places) == count:
            return _make_targets(field, exercise, places, generator)
    raise NothingFoundError(
        f"the outline has room for {most} of {count} targets and decoys that lie {exercise.apart_m:g} m apart, "
        f"{exercise.edge_m:g} m from the edge and on at most {exercise.steepest_deg:g} degrees: ask for fewer, or "
        "closer together"
    )


def _next_place(
    field: TargetGround, taken: Sequence[tuple[float, float]], apart_m: float, close_m: float,
    generator: np.random.Generator,
) -> tuple[float, float] | None:  # fmt: skip
    """The first drawn place that keeps all rules; None where none does."""
    size = 32
    for _ in range(_BATCHES):
        x, y = _draw_places(field, size, generator)
        good = np.ones(size, np.bool_)
        for k, (tx, ty) in enumerate(taken):
            away = np.hypot(x - tx, y - ty)
            good &= away >= apart_m
            if k == 0 and close_m > 0.0:
                good &= away <= close_m
        good[good] = field.may_lie(x[good], y[good])
        if good.any():
            at = int(np.argmax(good))
            return float(x[at]), float(y[at])
        size = _BATCH
    return None


def _draw_places(field: TargetGround, size: int, generator: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    u = generator.random((3, size))
    k = np.minimum(np.searchsorted(field.total, u[0] * field.total[-1], side="right"), field.x_m.size - 1)
    return field.x_m[k] + field.cell_m * (u[1] - 0.5), field.y_m[k] + field.cell_m * (u[2] - 0.5)


def _make_targets(
    field: TargetGround, exercise: Exercise, places: Sequence[tuple[float, float]], generator: np.random.Generator
) -> tuple[Target, ...]:
    x, y = (np.array(values_of_axis, float) for values_of_axis in zip(*places, strict=True))
    z, slope = field.surface.z(x, y), _slopes_deg(field.surface, x, y)
    depth = depths_m(exercise.depth_m, generator.random(len(places)))
    azimuth, dip = axes_deg(generator.random((2, len(places))))
    names = ("x_m", "y_m", "z_m", "depth_m", "azimuth_deg", "dip_deg", "slope_deg")
    rows = np.column_stack([x, y, z, depth, azimuth, dip, slope]).tolist()
    values = [dict(zip(names, row, strict=True)) for row in rows]
    targets = [Target(name=f"T{k}", what="target", **row) for k, row in enumerate(values[: exercise.targets], start=1)]
    decoys = [Target(name=f"D{k}", what="decoy", **row) for k, row in enumerate(values[exercise.targets :], start=1)]
    return *targets, *decoys


def depths_m(limits_m: tuple[float, float], u: FloatArray) -> FloatArray:
    """Depths at shares ``u`` (0 to 1) of the published normal law cut to limits, to 5 cm; Falk and others 1994."""
    low, high = limits_m
    mean, sd = DEPTH_M
    bottom, top = special.ndtr((low - mean) / sd), special.ndtr((high - mean) / sd)
    drawn = mean + sd * special.ndtri(bottom + u * (top - bottom))
    return np.clip(np.round(drawn / DEPTH_STEP_M) * DEPTH_STEP_M, low, high)


def axes_deg(u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Azimuth (0 to 170) and dip (0 to 90) of axes that point anywhere in space alike, rounded; u is 2 x n."""
    azimuth = np.round(180.0 * u[0] / AZIMUTH_STEP_DEG) * AZIMUTH_STEP_DEG % 180.0
    dip = np.round(np.degrees(np.arcsin(u[1])) / DIP_STEP_DEG) * DIP_STEP_DEG
    return azimuth, dip


def _even_cells(plan: PlannedSearch, allowed: BaseGeometry) -> tuple[FloatArray, FloatArray, float]:
    """Cells of the ground around the allowed part, for places that are all as likely."""
    ground = plan.ground
    rows, cols = np.divmod(cells_of_outline(shapely.buffer(allowed, ground.cell_m), ground), ground.shape[1])
    if rows.size == 0:
        raise InputError("the outline lies off the ground: give elevation that holds it")
    x, y = ground.centre_of(rows, cols)
    return x, y, ground.cell_m


def _slopes_deg(surface: Surface, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
    east, north = surface.slopes(x_m, y_m)
    return np.asarray(np.degrees(np.arctan(np.hypot(east, north))))


_BESIDE_M = 3.0  # marks stand this far outside the outline
_LEAST_BASE_M = 10.0


def choose_marks(targets: Sequence[Target], plan: PlannedSearch) -> tuple[Mark, Mark]:
    """Two marks at the corners of the smallest box around the outline, on the side from which tapes cut best.

    All targets lie on the left of the line from A to B, so that two distances give one place.
    """
    box = shapely.minimum_rotated_rectangle(shapely.convex_hull(plan.outline).buffer(_BESIDE_M, join_style="mitre"))
    corners = shapely.get_coordinates(shapely.orient_polygons(box)).tolist()
    surface = plan.surface
    best: tuple[float, tuple[Mark, Mark]] | None = None
    for start, end in pairwise(corners):
        if math.dist(start, end) < _LEAST_BASE_M and best is not None:
            continue
        marks = (_mark("A", start, surface), _mark("B", end, surface))
        poorest = min(math.sin(math.radians(stake.cut_deg)) for stake in stake_out(targets, marks))
        score = poorest - (0.0 if all(surface.has_data(mark.x_m, mark.y_m).all() for mark in marks) else 1.0)
        if best is None or score > best[0] + 1e-9:
            best = score, marks
    if best is None:
        raise ValueError("an outline without a box")
    return best[1]


def stake_out(targets: Sequence[Target], marks: tuple[Mark, Mark]) -> tuple[StakeOut, ...]:
    """Straight distances from both marks to the snow above each target, and the angle of the tapes."""
    found = []
    for target in targets:
        place = (target.x_m, target.y_m, target.z_m)
        to_a, to_b = (math.atan2(mark.y_m - target.y_m, mark.x_m - target.x_m) for mark in marks)
        cut = abs(math.degrees((to_a - to_b + math.pi) % (2.0 * math.pi) - math.pi))
        from_a, from_b = (math.dist(place, (mark.x_m, mark.y_m, mark.z_m)) for mark in marks)
        found.append(StakeOut(name=target.name, from_a_m=from_a, from_b_m=from_b, cut_deg=cut))
    return tuple(found)


def find_hiding_order(targets: Sequence[Target], start: Mark) -> tuple[str, ...]:
    """A short walk from a mark past all places: always to the nearest one left."""
    left, order, at = list(targets), [], (start.x_m, start.y_m)
    while left:
        nearest = min(left, key=lambda target: (math.dist(at, (target.x_m, target.y_m)), target.name))
        left.remove(nearest)
        order.append(nearest.name)
        at = (nearest.x_m, nearest.y_m)
    return tuple(order)


def _mark(name: str, place: Sequence[float], surface: Surface) -> Mark:
    x, y = map(float, place)
    return Mark(name=name, x_m=x, y_m=y, z_m=float(surface.z(np.array([x]), np.array([y]))[0]))


def plan_targets(plan: PlannedSearch, exercise: Exercise, seed: int, *, name: str = "own") -> TargetPlan:
    """Place the targets of an exercise on a plan, with all that an instructor needs to hide them.

    ``seed`` is 0 or more, and the same seed gives the same places; ``name`` is that of the exercise. Errors are those
    of `find_target_ground` and `place_targets`.
    """
    targets = place_targets(find_target_ground(plan, exercise), exercise, seed)
    marks = choose_marks(targets, plan)
    order = find_hiding_order(targets, marks[0])
    placed = tuple(sorted(targets, key=lambda target: order.index(target.name)))
    return TargetPlan(
        exercise_name=name,
        exercise=exercise,
        seed=seed,
        targets=placed,
        difficulty=rate_difficulty(targets, plan, seed),
        marks=marks,
        stakes=stake_out(placed, marks),
        order=order,
    )
