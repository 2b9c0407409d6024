"""Labels on the map, the most important first; each avoids the ones before it and the lines below it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from matplotlib.patches import FancyBboxPatch
from shapely.geometry import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lastseen.core import FloatArray, keep_areas, short_percent
from lastseen.output.draw.drawing import MM_PER_POINT, Drawing, Spot
from lastseen.output.draw.features import MapContent, TrapMark, entering, start_of
from lastseen.output.draw.layout import Detail
from lastseen.output.draw.relief import Contours, NamedLines

LANE_SIZE, SIGN_SIZE, SMALL_SIZE, CONTOUR_SIZE = 7.0, 7.0, 6.0, 6.0
LEADER_FROM_MM = 4.5
CONTOUR_STEP_MM, CONTOUR_APART_MM = 6.0, 70.0
Anchor = tuple[float, float]


def name_everything(
    d: Drawing, content: MapContent, levels: Contours, steep: NamedLines, details: Sequence[Detail] | None = None
) -> None:
    """Place all labels; what a detail names is not named again, and a detail (None) does not say where walks begin."""
    for detail in details or ():
        x, y = d.sheet.on_page(detail.sheet.extent[0], detail.sheet.extent[3])
        place_sign(d, detail.letter, [(x, y)], d.palette.ground.frame, size=SIGN_SIZE + 1.0)
    elsewhere = shapely.union_all([detail.ground for detail in details or ()])
    _name_point(d, content, entries=details is not None)
    _name_lanes(d, content, elsewhere)
    name_traps(d, content.traps)
    for zone in content.zones:
        if not elsewhere.intersects(zone.outline):
            name_area(d, f"Z{zone.number}", zone.outline, d.palette.debris.outline)
    _name_poa(d, content, elsewhere)
    name_area(d, "release", content.release, d.palette.snow.release, size=SMALL_SIZE)
    name_contours(d, levels)
    _name_lines(d, [(f"{slope:.0f}°", line) for slope, line in steep], SMALL_SIZE, d.palette.ground.faint_text)


def _name_point(d: Drawing, content: MapContent, *, entries: bool) -> None:
    start = start_of(content)
    for name, at_m, side_mm, colour in (
        ("last-seen point", content.at_m, 5.0, d.palette.person.line), ("start", start, 3.4, d.palette.lanes.colour)
    ):  # fmt: skip
        if at_m is not None and d.inside(*(at := d.sheet.on_page(*at_m)), 2.0):
            d.room.take(*at, side_mm, side_mm)
            place_sign(d, name, [at], colour)
    found = entering(d, content) if entries else []
    if found:
        whence = "the start" if start is not None else "the last-seen point"
        length = [leg.length_m for _, _, leg in found]
        much = f"{min(length):.0f} m" if len(found) == 1 else f"{min(length):.0f} to {max(length):.0f} m"
        anchors = [(x, y) for x, y, _ in found]
        look: dict[str, Any] = {"size": SMALL_SIZE, "weight": "normal"}
        place_sign(d, f"way from {whence}, {much}", anchors, d.palette.lanes.colour, **look)


def _name_lanes(d: Drawing, content: MapContent, elsewhere: BaseGeometry) -> None:
    several = content.searchers > 1
    first = {leg.searcher: leg.lane for leg in reversed(content.legs) if leg.lane is not None}
    for lane in content.lanes:
        points = d.on_page(lane.line)
        (x0, y0), (x1, y1) = points[0], points[1]
        if not d.inside(x0, y0) or elsewhere.intersects(lane.line):
            continue
        length = max(math.dist(points[0], points[1]), 1e-9)
        ahead = (x0 - 2.6 * ((x1 - x0) / length), y0 - 2.6 * ((y1 - y0) / length))
        spots = (LineString(points).interpolate(share, normalized=True) for share in (0.1, 0.25, 0.4))
        along = [(spot.x, spot.y) for spot in spots]
        named = several and first.get(lane.searcher) == lane.number
        name = f"S{lane.searcher}: {lane.number}" if named else str(lane.number)
        place_sign(d, name, [ahead, (x0, y0), *along], d.palette.lanes.colour, size=LANE_SIZE, boxed="round")


def name_traps(d: Drawing, traps: Sequence[TrapMark]) -> None:
    """Letter and number of each trap."""
    for trap in traps:
        name_area(d, trap.name, trap.outline, d.palette.traps.colour, boxed="square")


def _name_poa(d: Drawing, content: MapContent, elsewhere: BaseGeometry) -> None:
    for share, whole in content.poa:
        area = keep_areas(whole.difference(elsewhere))
        rings = [np.array([d.sheet.on_page(*p) for p in geom.exterior.coords]) for geom in area.geoms]
        if rings:
            longest = max(rings, key=lambda ring: float(np.hypot(*np.diff(ring, axis=0).T).sum()))
            seen = [(float(x), float(y)) for x, y in longest[:: max(1, len(longest) // 24)] if d.inside(x, y, 3.0)]
            if seen:
                place_sign(d, short_percent(share), seen, d.palette.person.line, size=SMALL_SIZE, leader=False)


def name_contours(d: Drawing, levels: Contours) -> None:
    """Heights along the index contours."""
    index = {height for height, _ in levels.lines if levels.is_index(height)}
    wanted = [(h, line) for h, line in levels.lines if h in index or len(index) < 2]
    _name_lines(d, [(f"{h:.0f}", line) for h, line in wanted], CONTOUR_SIZE, d.palette.ground.contour_index)


def _name_lines(d: Drawing, named: list[tuple[str, FloatArray]], size: float, color: str) -> None:
    """A name along each line, again after a while, only where nothing is hidden."""
    k = d.sheet
    for name, line in named:
        points = np.array([k.on_page(x, y) for x, y in line])
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        last = -math.inf
        for s in np.arange(CONTOUR_STEP_MM, along[-1] - CONTOUR_STEP_MM, CONTOUR_STEP_MM):
            if s - last < CONTOUR_APART_MM:
                continue
            (ax, x, bx), (ay, y, by) = (np.interp([s - 3.0, s, s + 3.0], along, line).tolist() for line in points.T)
            angle = (math.degrees(math.atan2(by - ay, bx - ax)) + 90.0) % 180.0 - 90.0  # never upside down
            w, h = _turned(d.width_mm(name, size) + 0.8, size * MM_PER_POINT + 0.4, angle)
            if d.room.take_free(x, y, w, h):
                look = {"ha": "center", "va": "center", "rotation": angle, "rotation_mode": "anchor"}
                d.text(x, y, name, size, color=color, halo=True, zorder=9, **look)
                last = float(s)


def _turned(width: float, height: float, angle_deg: float) -> tuple[float, float]:
    c, s = abs(math.cos(math.radians(angle_deg))), abs(math.sin(math.radians(angle_deg)))
    return width * c + height * s, width * s + height * c


def name_point(d: Drawing, name: str, at_m: tuple[float, float], color: str, **look: Any) -> None:
    """A name beside a place of the map, where the place lies on the sheet (see `place_sign`)."""
    x, y = d.sheet.on_page(*at_m)
    if d.inside(x, y):
        place_sign(d, name, [(x, y)], color, **look)


def name_area(d: Drawing, name: str, area: Polygon | MultiPolygon, color: str, **look: Any) -> None:
    """A name in or beside what can be seen of an area (see `place_sign`)."""
    anchors = places_in(d, area)
    if anchors:
        place_sign(d, name, anchors, color, **look)


def places_in(d: Drawing, area: Polygon | MultiPolygon) -> list[Anchor]:
    """Places inside what can be seen of an area, page millimetres, its deepest inside first."""
    seen = shapely.clip_by_rect(area, *d.sheet.extent)
    parts = [part for part in getattr(seen, "geoms", [seen]) if isinstance(part, Polygon) and part.area > 0]
    if not parts:
        return []
    part = max(parts, key=lambda part: float(part.area))
    deep = shapely.maximum_inscribed_circle(part, tolerance=0.02 * math.sqrt(part.area)).coords[0]
    x0, y0, x1, y1 = part.bounds
    gx, gy = (axis.ravel() for axis in np.meshgrid(np.linspace(x0, x1, 9), np.linspace(y0, y1, 9)))
    inside = shapely.contains_xy(part, gx, gy)
    more = list(zip(gx[inside].tolist(), gy[inside].tolist(), strict=True))
    return [d.sheet.on_page(*p[:2]) for p in (deep, *more) if d.inside(*d.sheet.on_page(*p[:2]), 2.0)]


def place_sign(
    d: Drawing, text: str, anchors: Sequence[Anchor], color: str,
    *, size: float = SIGN_SIZE, weight: str = "bold", boxed: str = "", leader: bool = True,
) -> None:  # fmt: skip
    """A label near its anchors (page millimetres, the best first); left out where nothing is free.

    Its size is in points; its frame ``boxed`` is "round" or "square", without one it has a halo. A leader is drawn
    where it had to move away.
    """
    width = d.width_mm(text, size, weight) + (1.7 if boxed else 0.6)
    height = size * MM_PER_POINT * 0.95 + (1.2 if boxed else 0.4)
    if boxed:
        width = max(width, height)
    spot = d.room.take_near(anchors, width, height)
    if spot is None:
        return
    if leader and spot.distance > LEADER_FROM_MM:
        _draw_leader(d, spot, anchors, color, height)
    if boxed:
        style = "round,pad=0,rounding_size=1.1" if boxed == "round" else "square,pad=0"
        corner = (spot.x - width / 2 + 0.15, spot.y - height / 2 + 0.15)
        frame = FancyBboxPatch(corner, width - 0.3, height - 0.3, boxstyle=style, linewidth=0.7, zorder=10)
        frame.set(facecolor=d.palette.ground.paper, edgecolor=color)
        d.page.add_patch(frame)
    look = {"ha": "center", "va": "center_baseline", "weight": weight, "halo": not boxed, "zorder": 10.5}
    d.text(spot.x, spot.y, text, size, color=color, **look)


def _draw_leader(d: Drawing, spot: Spot, anchors: Sequence[Anchor], color: str, height: float) -> None:
    near = min(anchors, key=lambda anchor: math.dist(anchor, (spot.x, spot.y)))
    share = min(1.0, 0.5 * height / max(math.dist(near, (spot.x, spot.y)), 1e-9))
    start = (spot.x + share * (near[0] - spot.x), spot.y + share * (near[1] - spot.y))
    d.line([start, near], color, 0.5, zorder=9.5)
