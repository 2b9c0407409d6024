"""Where the snow goes: the steepest path, the ground that events pass, the profile of the main path."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from shapely.geometry import LineString, MultiPolygon

from lastseen.grid import BoolArray, FloatArray, Grid
from lastseen.motion import kernels
from lastseen.motion.bodies import Bodies, slide
from lastseen.motion.events import Events, inside
from lastseen.outlines import outline_of_level
from lastseen.release import Release

CORRIDOR_SHARES = (0.1, 0.5, 0.9)
PATH_END = ("a pit or flat ground", "the edge of the elevation model", "no data", "its longest length")
# The main path is that of a heavy, slippery body: it runs on past where any member of the ensemble stops.
MAIN_FRICTION, MAIN_DRAG_PER_M = 0.12, 1.0 / 45.0


@dataclass(frozen=True)
class FlowPaths:
    """Where the snow goes.

    Attributes
    ----------
    steepest : LineString
        Steepest descent from the top of the release.
    steepest_end : str
        Why it ends.
    main : LineString
        Path of a slippery body from the top of the release, for the profile.
    profile_m : ndarray, shape (n, 2)
        Horizontal distance along the main path and elevation.
    passage : Grid
        Share of events that pass each cell.
    corridors : tuple of (share, MultiPolygon)
        Ground that at least 10, 50 and 90 % of the events pass.
    peak_speed_m_s, highest_speed_m_s : Grid
        Mean over the events that pass a cell of their highest speed there, and the highest of all. NaN where none pass.
    arrival_s : Grid
        Earliest arrival of the front in any event. NaN where none comes, or where the model does not know it.
    """

    steepest: LineString
    steepest_end: str
    main: LineString
    profile_m: FloatArray
    passage: Grid
    corridors: tuple[tuple[float, MultiPolygon], ...]
    peak_speed_m_s: Grid
    highest_speed_m_s: Grid
    arrival_s: Grid

    def reach(self, margin_m: float) -> BoolArray:
        """Cells within a margin of ground that any event passes."""
        away: FloatArray = ndimage.distance_transform_edt(self.passage.values <= 0) * self.passage.cell_m
        return np.asarray(away <= margin_m)


def flow_paths(felt: Grid, release: Release, events: Events) -> FlowPaths:
    """Paths, corridors and speeds of an ensemble that has run over ``felt`` ground."""
    steepest, end = steepest_descent(felt, *release.top_m)
    main = _main_path(felt, release)
    passage, mean_speed, highest, arrival = _passed(felt, events)
    corridors = tuple((share, outline_of_level(passage, share, 4.0 * felt.cell_area_m2)) for share in CORRIDOR_SHARES)
    points = np.asarray(main.coords)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    profile = np.column_stack([along, felt.sample(points[:, 0], points[:, 1])])
    return FlowPaths(
        steepest,
        end,
        main,
        profile,
        passage,
        corridors,
        mean_speed,
        highest,
        arrival,
    )


def steepest_descent(felt: Grid, x_m: float, y_m: float, longest_m: float = 10_000.0) -> tuple[LineString, str]:
    """The path of steepest descent from a point and the reason why it ends."""
    step = 0.5 * felt.cell_m
    path = np.empty((int(longest_m / step), 3))
    n, code = kernels.descend(felt.values, felt.cell_m, x_m - felt.west_m, felt.north_m - y_m, step, path)
    return _line(felt, path[:n, 0] + felt.west_m, felt.north_m - path[:n, 1]), PATH_END[code]


def _main_path(felt: Grid, release: Release) -> LineString:
    one = np.ones(1)
    bodies = Bodies(
        release.top_m[0] * one, release.top_m[1] * one, 0 * one, 0 * one, MAIN_FRICTION * one, MAIN_DRAG_PER_M * one
    )
    tracks = slide(felt, bodies)
    x, y = felt.centre_of(tracks.cells // felt.shape[1], tracks.cells % felt.shape[1])
    # Cell centres zigzag; a running mean over five cells gives back the smooth way.
    smooth = [ndimage.uniform_filter1d(one_axis, 5, mode="nearest") for one_axis in (x, y)]
    return _line(felt, smooth[0], smooth[1])


def _line(felt: Grid, x: FloatArray, y: FloatArray) -> LineString:
    points = list(zip(x.tolist(), y.tolist(), strict=True))
    while len(points) < 2:  # a path that ends where it begins still has a direction to draw
        points.append((points[-1][0] + 0.01 * felt.cell_m, points[-1][1]) if points else (felt.west_m, felt.north_m))
    return LineString(LineString(points).simplify(0.05 * felt.cell_m).coords)


def _passed(felt: Grid, events: Events) -> tuple[Grid, Grid, Grid, Grid]:
    """Share of events that pass each cell, mean peak speed of those that do, highest of all, first arrival."""
    rows, cols = events.extent()
    shape = (rows.stop - rows.start, cols.stop - cols.start)
    count, total, highest = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    first = np.full(shape, np.nan)
    for event in events.each:
        part = inside(event.rows, rows), inside(event.cols, cols)
        count[part] += event.fastest_m_s > 0.0
        total[part] += event.fastest_m_s
        highest[part] = np.maximum(highest[part], event.fastest_m_s)
        first[part] = np.fmin(first[part], event.arrival_s)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(count > 0, total / count, np.nan)
    highest[count == 0] = np.nan
    return (
        events.over(felt, count / len(events.each)),
        events.over(felt, mean, outside=np.nan),
        events.over(felt, highest, outside=np.nan),
        events.over(felt, first, outside=np.nan),
    )
