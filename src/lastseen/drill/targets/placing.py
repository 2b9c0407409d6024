"""Where targets are hidden: drawn by seed from the probability of area, within the rules of an exercise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy import special
from shapely.geometry.base import BaseGeometry

from lastseen.drill.exercises import Exercise
from lastseen.drill.planned import Planned
from lastseen.drill.targets.model import Target
from lastseen.errors import InputError, NothingFoundError
from lastseen.grid import BoolArray, FloatArray
from lastseen.outlines import cells_of_outline
from lastseen.search.surface import Surface
from lastseen.search.trial.simulate import DEPTH_M, poa_places

_BATCH, _BATCHES, _FRESH_STARTS = 512, 40, 20
DEPTH_STEP_M, AZIMUTH_STEP_DEG, DIP_STEP_DEG = 0.05, 10.0, 15.0  # what a person with a shovel can do; design choice


@dataclass(frozen=True)
class Field:
    """Where targets may lie, worked out once: draws are cheap.

    Attributes
    ----------
    allowed : geometry
        Outline less the strip along its edge.
    x_m, y_m, total : ndarray, shape (n,)
        Middle of each cell, and the running sum of weights.
    cell_m : float
    surface : Surface
    steepest_deg : float
    """

    allowed: BaseGeometry
    x_m: FloatArray
    y_m: FloatArray
    total: FloatArray
    cell_m: float
    surface: Surface
    steepest_deg: float

    def may_lie(self, x_m: FloatArray, y_m: FloatArray) -> BoolArray:
        """Whether a target may lie at points, other targets left aside."""
        inside = shapely.contains_xy(self.allowed, x_m, y_m) & self.surface.has_data(x_m, y_m)
        return np.asarray(inside & (_slopes_deg(self.surface, x_m, y_m) <= self.steepest_deg))


def field_of(plan: Planned, exercise: Exercise) -> Field:
    """Where the targets of an exercise may lie on a plan.

    Raises
    ------
    NothingFoundError
        If nothing of the outline is left.
    InputError
        If the probability of area is 0 everywhere in it.
    """
    allowed = shapely.buffer(plan.outline, -exercise.edge_m) if exercise.edge_m else plan.outline
    if allowed.is_empty:
        raise NothingFoundError(
            f"no place of the outline lies {exercise.edge_m:g} m from its edge: give a smaller distance from the edge"
        )
    shapely.prepare(allowed)
    if plan.poa is not None and exercise.probability_of_area:
        x, y, weight, cell = poa_places(plan.poa)
        near = shapely.intersects(shapely.box(x - cell / 2, y - cell / 2, x + cell / 2, y + cell / 2), allowed)
        if not near.any():
            raise InputError("the probability of area is 0 in the whole outline: is it the poa.tif of this plan?")
        x, y, weight = x[near], y[near], weight[near]
    else:
        x, y, cell = _even(plan, allowed)
        weight = np.ones(x.size)
    return Field(allowed, x, y, np.cumsum(weight), cell, plan.surface, exercise.steepest_deg)


def place_targets(field: Field, exercise: Exercise, seed: int) -> tuple[Target, ...]:
    """Targets and decoys by seed: the same seed gives the same places.

    The first target follows the probability of area within the rules; each further one follows it where it keeps the
    least distance from those before it. Depths follow the published depth of the head (Falk and others 1994: mean
    1.05 m, SD 0.85 m) within the limits of the exercise, and axes point anywhere; both are rounded to what a person
    with a shovel can do.

    Raises
    ------
    NothingFoundError
        If the rules leave no room for so many.
    """
    generator = np.random.default_rng(seed)
    count = exercise.targets + exercise.decoys
    most = 0
    for _ in range(_FRESH_STARTS):
        places = _places(field, exercise, count, generator)
        most = max(most, len(places))
        if len(places) == count:
            return _dressed(field, exercise, places, generator)
    raise NothingFoundError(
        f"the outline has room for {most} of {count} targets and decoys that lie {exercise.apart_m:g} m apart, "
        f"{exercise.edge_m:g} m from the edge and on at most {exercise.steepest_deg:g} degrees: ask for fewer, or "
        "closer together"
    )


def _places(field: Field, exercise: Exercise, count: int, generator: np.random.Generator) -> list[tuple[float, float]]:
    """Places one after the other, as many as are found."""
    found: list[tuple[float, float]] = []
    for number in range(count):
        close = exercise.close_pair_m if number == 1 else 0.0
        place = _next_place(field, found, exercise.apart_m, close, generator)
        if place is None:
            break
        found.append(place)
    return found


def _next_place(
    field: Field, taken: Sequence[tuple[float, float]], apart_m: float, close_m: float, generator: np.random.Generator
) -> tuple[float, float] | None:
    """The first drawn place that keeps all rules; None where none does."""
    size = 32
    for _ in range(_BATCHES):
        x, y = _drawn(field, size, generator)
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


def _drawn(field: Field, size: int, generator: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    u = generator.random((3, size))
    k = np.minimum(np.searchsorted(field.total, u[0] * field.total[-1], side="right"), field.x_m.size - 1)
    return field.x_m[k] + field.cell_m * (u[1] - 0.5), field.y_m[k] + field.cell_m * (u[2] - 0.5)


def _dressed(
    field: Field, exercise: Exercise, places: Sequence[tuple[float, float]], generator: np.random.Generator
) -> tuple[Target, ...]:
    x, y = (np.array(one, float) for one in zip(*places, strict=True))
    z, slope = field.surface.z(x, y), _slopes_deg(field.surface, x, y)
    depth = depths_m(exercise.depth_m, generator.random(len(places)))
    azimuth, dip = axes_deg(generator.random((2, len(places))))
    values = np.column_stack([x, y, z, depth, azimuth, dip, slope]).tolist()
    real = [Target(f"T{k}", "target", *one) for k, one in enumerate(values[: exercise.targets], start=1)]
    return *real, *(Target(f"D{k}", "decoy", *one) for k, one in enumerate(values[exercise.targets :], start=1))


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


def broken_rules(targets: Sequence[Target], plan: Planned, exercise: Exercise) -> list[str]:
    """Every rule that some targets break, in words; none for what `place_targets` gives."""
    told = []
    low, high = exercise.depth_m
    edge = plan.outline.boundary
    for k, one in enumerate(targets):
        point = shapely.Point(one.x_m, one.y_m)
        if not plan.outline.contains(point) or point.distance(edge) < exercise.edge_m - 1e-6:
            told.append(f"{one.name} lies outside, or closer than {exercise.edge_m:g} m to the edge")
        if not low - 1e-9 <= one.depth_m <= high + 1e-9:
            told.append(f"{one.name} is {one.depth_m:g} m deep")
        if one.slope_deg > exercise.steepest_deg:
            told.append(f"{one.name} lies on {one.slope_deg:.0f} degrees")
        for other in targets[:k]:
            away = math.hypot(one.x_m - other.x_m, one.y_m - other.y_m)
            if away < exercise.apart_m:
                told.append(f"{one.name} lies {away:.1f} m from {other.name}")
    if exercise.close_pair_m:
        a, b = targets[:2]
        if math.hypot(a.x_m - b.x_m, a.y_m - b.y_m) > exercise.close_pair_m:
            told.append("the pair is not close")
    return told


def _even(plan: Planned, allowed: BaseGeometry) -> tuple[FloatArray, FloatArray, float]:
    """Cells of the ground around the allowed part, for places that are all as likely."""
    ground = plan.ground
    wide = shapely.buffer(allowed, ground.cell_m)
    rows, cols = np.divmod(cells_of_outline(wide, ground), ground.shape[1])
    if rows.size == 0:
        raise InputError("the outline lies off the ground: give elevation that holds it")
    x, y = ground.centre_of(rows, cols)
    return x, y, ground.cell_m


def _slopes_deg(surface: Surface, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
    east, north = surface.slopes(x_m, y_m)
    return np.asarray(np.degrees(np.arctan(np.hypot(east, north))))
