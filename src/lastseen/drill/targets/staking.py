"""How targets are found back on the snow with a tape: two marks, two distances each, and a short way to hide them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely

from lastseen.drill.planned import Planned
from lastseen.drill.targets.model import Mark, StakeOut, Target
from lastseen.search.surface import Surface

_BESIDE_M = 3.0  # marks stand this far outside the outline
_LEAST_BASE_M = 10.0


def choose_marks(targets: Sequence[Target], plan: Planned) -> tuple[Mark, Mark]:
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
        cuts = [one.cut_deg for one in stake_out(targets, marks)]
        poorest = min(math.sin(math.radians(one)) for one in cuts)
        off_ground = not all(surface.has_data(one.x_m, one.y_m).all() for one in marks)
        score = poorest - (1.0 if off_ground else 0.0)
        if best is None or score > best[0] + 1e-9:
            best = score, marks
    if best is None:
        raise ValueError("an outline without a box")
    return best[1]


def stake_out(targets: Sequence[Target], marks: tuple[Mark, Mark]) -> tuple[StakeOut, ...]:
    """Straight distances from both marks to the snow above each target, and the angle of the tapes."""
    a, b = marks
    found = []
    for one in targets:
        place = (one.x_m, one.y_m, one.z_m)
        to_a, to_b = (math.atan2(m.y_m - one.y_m, m.x_m - one.x_m) for m in (a, b))
        cut = abs(math.degrees((to_a - to_b + math.pi) % (2.0 * math.pi) - math.pi))
        from_a, from_b = (math.dist(place, (m.x_m, m.y_m, m.z_m)) for m in (a, b))
        found.append(StakeOut(one.name, from_a, from_b, cut))
    return tuple(found)


def hide_order(targets: Sequence[Target], start: Mark) -> tuple[str, ...]:
    """A short walk from a mark past all places: always to the nearest one left."""
    left, order, at = list(targets), [], (start.x_m, start.y_m)
    while left:
        nearest = min(left, key=lambda one: (math.dist(at, (one.x_m, one.y_m)), one.name))
        left.remove(nearest)
        order.append(nearest.name)
        at = (nearest.x_m, nearest.y_m)
    return tuple(order)


def _mark(name: str, place: Sequence[float], surface: Surface) -> Mark:
    x, y = float(place[0]), float(place[1])
    return Mark(name, x, y, float(surface.z(np.array([x]), np.array([y]))[0]))
