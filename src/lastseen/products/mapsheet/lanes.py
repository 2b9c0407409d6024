"""Lanes, joins, approaches and what they leave uncovered."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry import LineString, box

from lastseen.products.mapsheet.drawing import Drawing, area_patch, on_page, stroke
from lastseen.products.mapsheet.shown import Leg, Shown

LANE_WIDTH, JOIN_WIDTH, APPROACH_WIDTH, FIRST_WIDTH = 1.5, 0.75, 1.5, 0.9
ARROW_MM, SMALL_ARROW_MM = 2.7, 1.8
LONG_LANE_MM, SHORT_LANE_MM = 32.0, 6.0
SEEN_MM = 4.0  # a smaller uncovered piece gets a ring
RING_MM = 1.3
MOST_RINGS = 40  # more would hide the map
ENTRY_MM = 5.0


def draw_lanes(d: Drawing, shown: Shown) -> None:
    """The walk of every searcher, lanes on top."""
    ink = d.palette.lanes
    for line in shown.first_lanes:
        d.ground.add_line(stroke(line.coords, ink.colour, FIRST_WIDTH, ink.first, zorder=6.5))
    for leg in sorted(shown.legs, key=lambda one: one.kind == "lane"):
        _draw_leg(d, leg)
    for leg in shown.legs:
        _draw_arrows(d, leg)
        d.room.ink(on_page(d.sheet, leg.line), 3.0 if leg.kind == "lane" else 1.0)
    _draw_start(d, shown)


def draw_no_go(d: Drawing, shown: Shown) -> None:
    """Ground that nobody may walk on."""
    if not shown.no_go.is_empty:
        ink = d.palette.lanes
        look = {"facecolor": "none", "edgecolor": ink.colour, "linewidth": 0.9, "zorder": 5.9}
        d.ground.add_patch(area_patch(shown.no_go, hatch=ink.no_go, **look))


def draw_uncovered(d: Drawing, shown: Shown) -> None:
    """What no lane reaches; a ring marks pieces too small to see."""
    ink, k = d.palette.lanes, d.sheet.metres_per_mm
    small = []
    for one in shown.uncovered.geoms:
        west, south, east, north = one.bounds
        if max(east - west, north - south) >= SEEN_MM * k:
            look = {"facecolor": ink.casing, "edgecolor": ink.colour, "linewidth": 0.6, "zorder": 6}
            d.ground.add_patch(area_patch(one, hatch=ink.uncovered, **look))
        elif one.area > 0:
            d.ground.add_patch(area_patch(one, facecolor=ink.colour, edgecolor=ink.colour, linewidth=0.5, zorder=6))
            small.append(one.representative_point().buffer(RING_MM * k))
    if len(small) > MOST_RINGS:
        return
    near = 1.5 * RING_MM * k  # pieces side by side share a ring
    rings = shapely.unary_union(small).buffer(near).buffer(-near)
    d.ground.add_patch(area_patch(rings, fill=False, edgecolor=ink.casing, linewidth=1.5, zorder=6.1))
    d.ground.add_patch(area_patch(rings, fill=False, edgecolor=ink.colour, linewidth=0.6, zorder=6.2))


def _draw_leg(d: Drawing, leg: Leg) -> None:
    ink = d.palette.lanes
    points = leg.line.coords
    if leg.kind == "lane":
        d.ground.add_line(stroke(points, ink.casing, LANE_WIDTH + 1.4, zorder=7))
        d.ground.add_line(stroke(points, ink.colour, LANE_WIDTH, ink.of_searcher(leg.searcher), zorder=7.1))
    elif leg.kind == "join":
        d.ground.add_line(stroke(points, ink.casing, JOIN_WIDTH + 1.0, zorder=6.8))
        d.ground.add_line(stroke(points, ink.colour, JOIN_WIDTH, zorder=6.9))
    else:
        look = {"dash_capstyle": "round", "zorder": 6.9}
        d.ground.add_line(stroke(points, ink.casing, APPROACH_WIDTH + 1.0, ink.approach, **look))
        d.ground.add_line(stroke(points, ink.colour, APPROACH_WIDTH, ink.approach, **look))


def _draw_arrows(d: Drawing, leg: Leg) -> None:
    """Which way to walk."""
    points = on_page(d.sheet, leg.line)
    (x0, y0), (x1, y1) = points[0], points[-1]
    length = math.dist(points[0], points[-1])
    if length < 1e-6:
        return
    shares: tuple[float, ...]
    if leg.kind == "lane":
        shares = (0.3, 0.8) if length > LONG_LANE_MM else (0.62,) if length > SHORT_LANE_MM else (1.0,)
        size = ARROW_MM
    else:
        shares, size = ((0.55,) if length > SHORT_LANE_MM else ()), SMALL_ARROW_MM
    for share in shares:
        x, y = x0 + share * (x1 - x0), y0 + share * (y1 - y0)
        if d.inside(x, y, 1.5):
            d.arrow(x, y, math.atan2(y1 - y0, x1 - x0), size, d.palette.lanes.colour)


def _draw_start(d: Drawing, shown: Shown) -> None:
    """Where the searchers stand, where that is not the last-seen point."""
    start = start_of(shown)
    if start is None:
        return
    x, y = d.sheet.on_page(*start)
    if d.inside(x, y, 1.5):
        half = 1.3
        corners = np.array([(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)])
        d.line(np.vstack([corners, corners[:1]]), d.palette.lanes.casing, 2.6, zorder=8.5)
        d.line(np.vstack([corners, corners[:1]]), d.palette.lanes.colour, 1.2, zorder=8.6)


def start_of(shown: Shown) -> tuple[float, float] | None:
    """The searchers' start, where it is not the last-seen point."""
    first = next((leg for leg in shown.legs if leg.kind == "approach"), None)
    if first is None:
        return None
    x, y = first.line.coords[0][:2]
    if shown.at_m is not None and math.dist((x, y), shown.at_m) < 1.0:
        return None
    return float(x), float(y)


def entering(d: Drawing, shown: Shown) -> list[tuple[float, float, Leg]]:
    """Where approaches that begin off the sheet come onto it, in page millimetres."""
    b = d.sheet.body
    frame = box(b.left + 0.5, b.bottom + 0.5, b.right - 0.5, b.top - 0.5)
    found = []
    for leg in shown.legs:
        if leg.kind != "approach":
            continue
        points = on_page(d.sheet, leg.line)
        if d.inside(*points[0]) or not d.inside(*points[-1]):
            continue
        seen = LineString(points).intersection(frame)
        if isinstance(seen, LineString) and not seen.is_empty:
            inward = seen.interpolate(min(ENTRY_MM, seen.length))
            found.append((float(inward.x), float(inward.y), leg))
    return found
