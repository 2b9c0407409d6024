"""Which way the lanes of a group run: candidates, and the shortest of a kind."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from lastseen.search.frame import XY, Frame, bent_frame, downhill, long_axis, straight_frame
from lastseen.search.lanes import Group, Placed, chord_slopes, place_lanes, rough_length_m
from lastseen.search.model import Pattern

Kind = Literal["across", "along", "any"]
_TURNS = 12
_REFINED_DEG = (5.0, 2.0)
_REFINED, _EDGES = 2, 3
_MOST_PLACED = 4
_ROUGHLY = 1.08  # how far a rough length may be off


@dataclass(frozen=True)
class Named:
    """A frame with the words for it.

    Attributes
    ----------
    pattern : {"across", "along"}
        Which of the two lies nearer.
    words : str
        For people.
    frame : Frame
    """

    pattern: Pattern
    words: str
    frame: Frame


@dataclass(frozen=True)
class Chosen:
    """Lanes of a group and the frame they follow."""

    named: Named
    placed: Placed


def fall_line(group: Group, strip_width_m: float, fall_line_deg: float | None) -> XY:
    """Down the fall line of a group; along its longer side on flat ground."""
    lattice = group.sight.lattice
    east, north = chord_slopes(lattice, group.sight.ways, strip_width_m)
    down = downhill(lattice, east, north, fall_line_deg)
    return down if down != (0.0, 0.0) else long_axis(group.outline)[0]


def standing_frames(group: Group, down: XY, strip_width_m: float) -> Iterator[Named]:
    """Across and along the fall line, straight and following the bend of the debris, and along its longer side."""
    yield Named("across", "straight, across the fall line", straight_frame(group.outline, (down[1], -down[0])))
    yield Named("along", "straight, along the fall line", straight_frame(group.outline, down))
    bent = bent_frame(group.sight.lattice, strip_width_m)
    if bent is not None:
        chord = bent.line_m[-1] - bent.line_m[0]
        runs_down = abs(chord[0] * down[0] + chord[1] * down[1]) >= math.sqrt(0.5) * math.hypot(*chord)
        ways: tuple[Pattern, Pattern] = ("along", "across") if runs_down else ("across", "along")
        yield Named(ways[0], "following the bend of the debris", bent)
        yield Named(ways[1], "across the bend of the debris", Frame(bent.line_m, bent.along_m, fan=True))


def turned_frame(group: Group, down: XY, azimuth_deg: float) -> Named:
    """Straight lanes along a map azimuth."""
    a = math.radians(azimuth_deg)
    direction = (math.sin(a), math.cos(a))
    level = abs(direction[0] * down[0] + direction[1] * down[1]) < math.sqrt(0.5)
    words = f"straight, on map bearing {azimuth_deg % 180.0:.0f}"
    return Named("across" if level else "along", words, straight_frame(group.outline, direction))


class Choice:
    """The frames of one group and the lanes along them, each worked out once."""

    def __init__(self, group: Group, down: XY, strip_width_m: float, start: XY, join_m: float) -> None:
        self.group, self.down, self.width_m, self.start, self.join_m = group, down, strip_width_m, start, join_m
        self.standing = [(self._rough_m(one), one) for one in standing_frames(group, down, strip_width_m)]
        self.made: dict[str, Chosen] = {}

    def shortest(self, kind: Kind) -> Chosen:
        """The shortest walk over the group among the frames of a kind."""
        rough = [pair for pair in self.standing if kind in ("any", pair[1].pattern)]
        if kind == "any" and self.group.rough.lattice.piece_m2.sum() > 0.5 * self.width_m**2:
            rough += _turned(self.group, self.down, self.width_m, self.start)
        rough.sort(key=lambda pair: pair[0])
        near = [one for length, one in rough if length <= _ROUGHLY * rough[0][0]][:_MOST_PLACED]
        made = [self._placed(one) for one in (near if len(near) > 1 else [one for _, one in rough[:2]])]
        return min(made, key=lambda one: (not one.placed.enough, one.placed.length_m))

    def _rough_m(self, one: Named) -> float:
        return rough_length_m(self.group, one.frame, self.width_m, self.start)

    def _placed(self, one: Named) -> Chosen:
        if one.words not in self.made:
            lanes = place_lanes(self.group, one.frame, self.width_m, self.start, join_m=self.join_m)
            self.made[one.words] = Chosen(one, lanes)
        return self.made[one.words]


def _turned(group: Group, down: XY, strip_width_m: float, start: XY) -> list[tuple[float, Named]]:
    """The best of all map bearings: first coarsely and along the longest edges, then around the best of these."""
    first = math.degrees(math.atan2(*long_axis(group.outline)[0]))
    length: dict[float, float] = {}

    def of(azimuth: float) -> float:
        if azimuth not in length:
            frame = turned_frame(group, down, azimuth).frame
            length[azimuth] = rough_length_m(group, frame, strip_width_m, start)
        return length[azimuth]

    around = [first + k * 180.0 / _TURNS for k in range(_TURNS)]
    dips = [a for k, a in enumerate(around) if of(a) <= min(of(around[k - 1]), of(around[(k + 1) % _TURNS]))]
    best = []
    for azimuth in sorted([*dips, *_edge_azimuths(group, strip_width_m)], key=of)[:_REFINED]:
        here = azimuth
        for step in _REFINED_DEG:
            here = min((here, here - step, here + step), key=of)
        if math.isfinite(of(here)):
            best.append((of(here), turned_frame(group, down, here)))
    return best


def _edge_azimuths(group: Group, strip_width_m: float) -> list[float]:
    """Bearings of the longest edges of the outline's hull: convex shapes are mostly searched along one of them."""
    ring = shapely.get_coordinates(group.outline.convex_hull.simplify(0.1 * strip_width_m))
    step = np.diff(ring, axis=0)
    order = np.argsort(-np.hypot(step[:, 0], step[:, 1]), kind="stable")[:_EDGES]
    return [math.degrees(math.atan2(x, y)) % 180.0 for x, y in step[order].tolist()]
