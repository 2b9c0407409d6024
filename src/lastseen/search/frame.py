"""The fall-line frame: lanes run along u at constant v."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import MultiPolygon
from shapely.affinity import affine_transform

from lastseen.errors import InputError
from lastseen.grid import FloatArray
from lastseen.search.checks import Field
from lastseen.search.coverage import Outline, Samples, pieces_of
from lastseen.search.model import Pattern
from lastseen.search.surface import Surface

_FLAT = 0.02
XY = tuple[float, float]


@dataclass(frozen=True)
class Frame:
    """Axes of a layout, map unit vectors.

    Attributes
    ----------
    origin_m : tuple of float
        Map metres.
    along, over : tuple of float
        Along the lanes (u) and from lane to lane (v).
    down : tuple of float
        Down the fall line: ``over`` for lanes across, ``along`` for lanes along.
    """

    origin_m: XY
    along: XY
    over: XY
    down: XY

    def uv(self, x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Frame coordinates of map points."""
        dx, dy = x_m - self.origin_m[0], y_m - self.origin_m[1]
        return dx * self.along[0] + dy * self.along[1], dx * self.over[0] + dy * self.over[1]

    def xy(self, u_m: float, v_m: float) -> XY:
        """Map point of frame coordinates."""
        return (
            self.origin_m[0] + u_m * self.along[0] + v_m * self.over[0],
            self.origin_m[1] + u_m * self.along[1] + v_m * self.over[1],
        )

    def turned(self, outline: Outline) -> Outline:
        """The outline in frame coordinates."""
        (ox, oy), (ax, ay), (bx, by) = self.origin_m, self.along, self.over
        return affine_transform(outline, (ax, ay, bx, by, -ox * ax - oy * ay, -ox * bx - oy * by))


@dataclass(frozen=True)
class Group:
    """Pieces of an outline that lie within one strip width of each other: laid out together.

    Attributes
    ----------
    outline : Polygon or MultiPolygon
        Map metres.
    samples : Samples
        Points inside it.
    frame : Frame
        Axes of its lanes.
    slope_uv : tuple of ndarray
        Rise over run at the samples along u and v, over a quarter of a strip.
    """

    outline: Outline
    samples: Samples
    frame: Frame
    slope_uv: tuple[FloatArray, FloatArray]


def groups_of(field: Field, strip_width_m: float, pattern: Pattern, fall_line_deg: float | None) -> tuple[Group, ...]:
    """Split a field into groups, each with the axes of its own fall line unless one is given."""
    pieces = pieces_of(field.outline)
    if len(pieces) == 1:
        members = [[0]]
    else:
        around = pieces_of(shapely.buffer(field.outline, 0.5 * strip_width_m))
        tree = shapely.STRtree(around)
        home = [int(tree.nearest(piece)) for piece in pieces]
        members = [[k for k, h in enumerate(home) if h == g] for g in range(len(around)) if g in home]
    made = []
    for member in members:
        outline = pieces[member[0]] if len(member) == 1 else MultiPolygon([pieces[k] for k in member])
        samples = field.samples.part(np.isin(field.samples.piece, member))
        slope_x, slope_y = field.surface.slopes(samples.xyz_m[0], samples.xyz_m[1])
        down = downhill(outline, samples, slope_x, slope_y, fall_line_deg)
        frame = _frame(outline, down, pattern)
        reach = strip_width_m / 8.0
        slopes = [_chord_slope(field.surface, samples, axis, reach) for axis in (frame.along, frame.over)]
        made.append(Group(outline, samples, frame, (slopes[0], slopes[1])))
    return tuple(made)


def _chord_slope(surface: Surface, samples: Samples, axis: XY, reach_m: float) -> FloatArray:
    """Rise over run along an axis over a chord of twice the reach: blocks do not make a strip wider."""
    x, y, _ = samples.xyz_m
    dx, dy = reach_m * axis[0], reach_m * axis[1]
    return (surface.z(x + dx, y + dy) - surface.z(x - dx, y - dy)) / (2.0 * reach_m)


def _frame(outline: Outline, down: XY, pattern: Pattern) -> Frame:
    """Axes for a downhill direction."""
    side = (down[1], -down[0])
    west, south, east, north = outline.bounds
    origin = (0.5 * (west + east), 0.5 * (south + north))
    return Frame(origin, side, down, down) if pattern == "across" else Frame(origin, down, side, down)


def downhill(
    outline: Outline, samples: Samples, slope_x: FloatArray, slope_y: FloatArray, fall_line_deg: float | None
) -> XY:
    """Unit vector down the fall line: given, or the mean gradient, or on flat ground the long axis of the outline."""
    if fall_line_deg is not None:
        azimuth = math.radians(fall_line_deg)
        return math.sin(azimuth), math.cos(azimuth)
    x, y = (-float(np.average(s, weights=samples.weight_m2)) for s in (slope_x, slope_y))
    steepness = math.hypot(x, y)
    if steepness >= _FLAT:
        return x / steepness, y / steepness
    axis = long_axis(outline)[0]
    centred = (samples.xyz_m[0] - samples.xyz_m[0].mean()) * axis[0] + (
        samples.xyz_m[1] - samples.xyz_m[1].mean()
    ) * axis[1]
    sense = -1.0 if float((centred**3).sum()) < 0.0 else 1.0
    return sense * axis[0], sense * axis[1]


def long_axis(outline: Outline) -> tuple[XY, XY, float, float]:
    """Unit vector and middle of the smallest rectangle around an outline, with its length and width (metres)."""
    box = shapely.get_coordinates(shapely.oriented_envelope(outline))
    if len(box) < 5:
        raise InputError("the outline is only a line: draw the debris as an area")
    sides = box[1:3] - box[0:2]
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    k = 0 if lengths[0] >= lengths[1] else 1
    axis = sides[k] / lengths[k]
    middle = box[:4].mean(axis=0)
    return (
        (float(axis[0]), float(axis[1])),
        (float(middle[0]), float(middle[1])),
        float(lengths[k]),
        float(lengths[1 - k]),
    )
