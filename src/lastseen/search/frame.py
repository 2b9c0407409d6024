"""Axes that lanes follow: straight, or along the bent middle of the debris; and the taught patterns."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from shapely import LineString

from lastseen.core import FloatArray, InputError
from lastseen.search import lanes_kernels
from lastseen.search.surface import Lattice, Outline

# ---- Axes that lanes follow: straight, or along the bent middle of the debris

XY = tuple[float, float]
FLAT = 0.02
_SLENDER = 2.0  # length over mean width from which on debris has a middle line; design choice
_BEND = 0.06  # of a strip: a lane may cut a bend by this much, so that its legs are straight


@dataclass(frozen=True, kw_only=True)
class Frame:
    """Place along the lanes (p) and from lane to lane (q)."""

    line_m: FloatArray  # shape (n, 2); the axis; beyond its ends it goes on straight. Two points are a straight axis.
    along_m: FloatArray  # shape (n,); distance along it
    fan: bool = False  # lanes stand across the axis instead of following it

    @property
    def bent(self) -> bool:
        """Whether the axis bends."""
        return len(self.line_m) > 2

    def pq(self, x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Places along and from lane to lane, and the direction (n x 2) from lane to lane."""
        s, left, axis = np.empty(x_m.size), np.empty(x_m.size), np.empty((x_m.size, 2))
        lanes_kernels.project(x_m, y_m, self.line_m, self.along_m, s, left, axis)
        if self.fan:
            return left, s, axis
        return s, left, np.column_stack([-axis[:, 1], axis[:, 0]])

    def lane(self, p0_m: float, p1_m: float, q_m: float, strip_width_m: float) -> FloatArray:
        """Corners of a lane, n x 2."""
        if self.fan:
            return self._offset(np.array([q_m, q_m]), np.array([p0_m, p1_m]))
        inside = self.along_m[1:-1][(self.along_m[1:-1] > p0_m) & (self.along_m[1:-1] < p1_m)]
        s = np.concatenate([[p0_m], inside, [p1_m]])
        points = self._offset(s, np.full(s.size, q_m))
        if len(points) > 2:
            points = _unfolded(points, np.diff(s))
            points = shapely.get_coordinates(LineString(points).simplify(_BEND * strip_width_m))
        return points

    def place(self, p_m: float, q_m: float) -> XY:
        """Map point at a place along the lanes and from lane to lane."""
        s, left = (q_m, p_m) if self.fan else (p_m, q_m)
        x, y = self._offset(np.array([s]), np.array([left]))[0]
        return float(x), float(y)

    def _offset(self, s_m: FloatArray, left_m: FloatArray) -> FloatArray:
        """Map points at places along the axis and to its left."""
        if not self.bent:
            ex, ey = (self.line_m[1] - self.line_m[0]) / self.along_m[1]
            x0, y0 = self.line_m[0]
            return np.column_stack([x0 + s_m * ex - left_m * ey, y0 + s_m * ey + left_m * ex])
        step = np.diff(self.line_m, axis=0) / np.diff(self.along_m)[:, None]
        k = np.clip(np.searchsorted(self.along_m, s_m, side="right") - 1, 0, len(step) - 1)
        base = self.line_m[k] + (s_m - self.along_m[k])[:, None] * step[k]
        normal = np.column_stack([-step[:, 1], step[:, 0]])
        at_corner = np.vstack([normal[:1], normal[:-1] + normal[1:], normal[-1:]])
        at_corner[1:-1] *= 2.0 / np.maximum(0.5, (at_corner[1:-1] ** 2).sum(axis=1))[:, None]
        share = np.clip((s_m - self.along_m[k]) / np.diff(self.along_m)[k], 0.0, 1.0)[:, None]
        return np.asarray(base + left_m[:, None] * ((1.0 - share) * at_corner[k] + share * at_corner[k + 1]))


def _unfolded(points: FloatArray, along_m: FloatArray) -> FloatArray:
    """Without the corners where an inner lane would turn back on itself."""
    keep = [0]
    for k in range(1, len(points)):
        if math.dist(points[keep[-1]], points[k]) > 0.2 * along_m[k - 1] or k == len(points) - 1:
            keep.append(k)
    return points[keep] if len(keep) > 1 else points[[0, -1]]


def make_straight_frame(outline: Outline, direction: XY) -> Frame:
    """Lanes along a map direction."""
    west, south, east, north = outline.bounds
    middle = np.array([0.5 * (west + east), 0.5 * (south + north)])
    half = 0.5 * math.hypot(east - west, north - south) + 1.0
    step = half * np.array(direction)
    return Frame(line_m=np.array([middle - step, middle + step]), along_m=np.array([0.0, 2.0 * half]))


def find_downhill(lattice: Lattice, east_slope: FloatArray, north_slope: FloatArray) -> XY:
    """Unit vector down the mean gradient; (0, 0) on flat ground."""
    x, y = (-float(np.average(s, weights=lattice.weight_m2)) for s in (east_slope, north_slope))
    steepness = math.hypot(x, y)
    return (x / steepness, y / steepness) if steepness >= FLAT else (0.0, 0.0)


def measure_long_axis(outline: Outline) -> tuple[XY, float, float]:
    """Direction, length and width (metres) of the smallest rectangle around an outline; never pointing south."""
    box = shapely.get_coordinates(shapely.oriented_envelope(outline))
    if len(box) < 5:
        raise InputError("the outline is only a line: draw the debris as an area")
    sides = box[1:3] - box[0:2]
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    k = 0 if lengths[0] >= lengths[1] else 1
    axis = sides[k] / lengths[k]
    if (axis[1], axis[0]) < (0.0, 0.0):
        axis = -axis
    return (float(axis[0]), float(axis[1])), float(lengths[k]), float(lengths[1 - k])


def find_bent_frame(lattice: Lattice, strip_width_m: float) -> Frame | None:
    """The bent middle of the debris, from one far end to the other; None where it is straight, forked or holed.

    Ground distance inside the outline from one end is cut into bands; the middles of the bands are the axis. Design
    choice, no source.
    """
    inside = lattice.index >= 0
    step = max(1, math.ceil(math.sqrt(inside.sum() / 1500.0)))
    cell = step * lattice.spacing_m
    coarse = inside[::step, ::step]
    row, col = (a.astype(np.int32) for a in np.nonzero(coarse))
    if row.size < 12:
        return None
    cost = np.where(coarse, 1.0, -1.0)
    away, came = np.empty(coarse.shape), np.empty(coarse.shape, np.int32)
    end = 0
    for _ in range(2):
        lanes_kernels.flood(cost, row[end : end + 1], col[end : end + 1], -1, -1, away, came)
        reach = away[row, col]
        lost = ~np.isfinite(reach)
        if lost.mean() > 0.02:
            return None
        reach[lost] = 0.0
        end = int(reach.argmax())
    length = float(reach.max())
    bands = int(length * cell / (0.75 * strip_width_m))
    if bands < 4 or length**2 < _SLENDER * row.size:
        return None
    row, col, reach = row[~lost], col[~lost], reach[~lost]
    band = np.minimum((reach / length * bands).astype(int), bands - 1)
    xy = np.array([lattice.west_m, lattice.south_m]) + cell * np.column_stack([col, row])
    middle = _middles(xy, band, bands)
    number = np.bincount(band, minlength=bands)
    if (number == 0).any():
        return None
    spread = np.hypot(*(xy - middle[band]).T) / cell
    if any(spread[band == k].max(initial=0.0) > 3.0 * np.sqrt(number[k]) + 2.0 for k in range(1, bands - 1)):
        return None
    across_m = xy.shape[0] * cell / length
    ends = max(1, round(0.5 * across_m / (length * cell / bands)))
    frame = _frame_along(middle[ends : bands - ends] if bands - 2 * ends >= 3 else middle, strip_width_m)
    for _ in range(3):
        s, _, _ = frame.pq(np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1]))
        low, high = float(s.min()), float(s.max())
        band = np.minimum(((s - low) / (high - low) * bands).astype(int), bands - 1)
        frame = _frame_along(_middles(xy, band, bands), strip_width_m)
    axis = frame.line_m
    chord = axis[-1] - axis[0]
    off = np.abs((axis - axis[0]) @ np.array([-chord[1], chord[0]])) / max(1e-9, float(np.hypot(*chord)))
    return frame if len(axis) >= 3 and off.max() >= 0.25 * strip_width_m else None


def _middles(xy_m: FloatArray, band: FloatArray, bands: int) -> FloatArray:
    """Middle of the points in each band that holds any."""
    number = np.bincount(band, minlength=bands)
    middle = np.column_stack([np.bincount(band, weights=v, minlength=bands) for v in xy_m.T])
    return np.asarray(middle[number > 0] / number[number > 0, None])


def _frame_along(points_m: FloatArray, strip_width_m: float) -> Frame:
    """A frame along smoothed points, without the bends that do not matter."""
    smooth = points_m.copy()
    smooth[1:-1] = 0.25 * points_m[:-2] + 0.5 * points_m[1:-1] + 0.25 * points_m[2:]
    axis = shapely.get_coordinates(LineString(smooth).simplify(0.05 * strip_width_m))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(axis, axis=0).T))])
    return Frame(line_m=np.ascontiguousarray(axis), along_m=along)


# ---- The taught patterns on a rectangle, to compare with what they really cover

StripPattern = Literal["square", "zigzag_successive", "zigzag_same_side"]


def lay_pattern(
    width_m: float, length_m: float, strip_width_m: float, pattern: StripPattern, inset_m: float
) -> LineString:
    """The walk of a taught pattern on a flat rectangle, from the top (y = length) to the toe (y = 0).

    ``square``: level legs in the middle of equal strips, joined down the side. ``zigzag_successive``: slanting legs,
    each turn at most one strip width below the turn before. ``zigzag_same_side``: slanting legs, each turn at most
    one strip width below the last turn on the same side. The taught rule "turn half a strip from the edge"
    (inset = half a strip) leaves corners out of range: measure the coverage, do not trust the rule.

    Parameters
    ----------
    width_m, length_m : float
        Sides of the rectangle across and down the fall line, metres.
    strip_width_m : float
        Metres.
    pattern : {"square", "zigzag_successive", "zigzag_same_side"}
        How the legs run.
    inset_m : float
        Distance of the turns from the side edges, metres.

    Returns
    -------
    LineString
        In metres, lower left corner of the rectangle at (0, 0).

    Raises
    ------
    InputError
        If a length is not positive or the inset leaves no leg.
    """
    if not (width_m > 0.0 and length_m > 0.0 and strip_width_m > 0.0):
        raise InputError(f"a field of {width_m} x {length_m} m with strips of {strip_width_m} m: give positive lengths")
    if not 0.0 <= 2.0 * inset_m < width_m:
        raise InputError(f"an inset of {inset_m} m leaves no leg on a field {width_m} m wide: choose a smaller inset")
    left, right = inset_m, width_m - inset_m
    if pattern == "square":
        n = math.ceil(length_m / strip_width_m)
        heights = [length_m - (i + 0.5) * length_m / n for i in range(n)]
        ends = [(left, right) if i % 2 == 0 else (right, left) for i in range(n)]
        return LineString([(x, y) for y, pair in zip(heights, ends, strict=True) for x in pair])
    drop = strip_width_m if pattern == "zigzag_successive" else 0.5 * strip_width_m
    n = math.ceil(length_m / drop)
    return LineString([(left if i % 2 == 0 else right, length_m - i * length_m / n) for i in range(n + 1)])
