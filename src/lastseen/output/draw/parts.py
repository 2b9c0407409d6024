"""What lies on the map: ground, debris, release, traps, lanes, and details of small pieces."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.patches import Circle
from scipy import ndimage
from shapely.geometry import LineString, box
from shapely.geometry.base import BaseGeometry

from lastseen.core import FloatArray, Grid
from lastseen.output.draw.drawing import Drawing, Room, area_patch, bare_axes, on_page, stroke
from lastseen.output.draw.layout import SCALES, Box, Sheet, on_ground
from lastseen.output.draw.relief import Contours, contours, relief, slope_lines
from lastseen.output.draw.shown import Leg, Shown, TrapMark

if TYPE_CHECKING:
    from lastseen.output.draw.palette import Palette


# ---- What lies on the map: ground, debris, release, traps, probability of area, last-seen point

SLOPES_DEG = (30.0, 40.0)
TRAP_OPACITY = 0.7


def draw_relief(axes: Axes, drawn: Grid, palette: Palette) -> None:
    """Relief in greys."""
    west, south, east, north = drawn.bounds
    plain = LinearSegmentedColormap.from_list("relief", list(palette.ground.relief))
    greys = plain.with_extremes(bad=palette.ground.paper)
    axes.imshow(
        np.ma.masked_invalid(relief(drawn)),
        cmap=greys,
        vmin=0.0,
        vmax=0.95,
        extent=(west, east, south, north),
        interpolation="bilinear",
        aspect="auto",
        zorder=0,
    )


def draw_contours(d: Drawing, drawn: Grid) -> tuple[Contours, list[tuple[float, FloatArray]]]:
    """Contours and lines of equal slope; they are labelled last, where room is left."""
    k, ink = d.sheet.metres_per_mm, d.palette.ground
    found = contours(drawn, k)
    plain = [line for height, line in found.lines if not found.is_index(height)]
    index = [line for height, line in found.lines if found.is_index(height)]
    d.ground.add_collection(LineCollection(plain, colors=ink.contour, linewidths=0.35, zorder=2))
    d.ground.add_collection(LineCollection(index, colors=ink.contour_index, linewidths=0.8, zorder=2.1))
    steep = slope_lines(drawn, SLOPES_DEG, k)
    lines = [line for _, line in steep]
    d.ground.add_collection(
        LineCollection(lines, colors=ink.slope, linewidths=0.6, linestyles=[(0, (0.8, 1.6))], zorder=2.2)
    )
    return found, steep


def draw_debris(axes: Axes, shown: Shown, palette: Palette, width: float) -> None:
    """Steps of probability in one ramp, and the outline that is searched."""
    ink = palette.debris
    if shown.probability is None:
        look = {"facecolor": ink.observed, "alpha": ink.opacity, "linewidth": 0, "zorder": 1}
        axes.add_patch(area_patch(shown.outline, **look))
    else:
        grid = shown.probability
        smooth = ndimage.gaussian_filter(np.nan_to_num(grid.values), 1.0, truncate=3.0)
        rows, cols = np.arange(grid.shape[0]), np.arange(grid.shape[1])
        x, _ = grid.centre_of(0, cols)
        _, y = grid.centre_of(rows, 0)
        steps = (*ink.levels, 1.0001)
        axes.contourf(x, y, smooth, levels=steps, colors=list(ink.ramp), alpha=ink.opacity, zorder=1)
    axes.add_patch(area_patch(shown.outline, fill=False, edgecolor=ink.outline, linewidth=width, zorder=5))


def draw_release(axes: Axes, shown: Shown, palette: Palette, *, fill: bool) -> None:
    """Release, paths and corridors."""
    ink = palette.snow
    for share, area in shown.corridors:
        width = 0.9 if share == 0.5 else 0.5
        look = {"edgecolor": ink.corridor, "linewidth": width, "linestyle": (0, ink.dashes["corridor"]), "zorder": 1.5}
        axes.add_patch(area_patch(area, fill=False, **look))
        if fill and share == 0.1:
            axes.add_patch(area_patch(area, facecolor=ink.corridor, alpha=0.18, linewidth=0, zorder=0.9))
    if shown.path is not None:
        axes.add_line(stroke(shown.path.coords, ink.path, 0.9, ink.dashes["path"], zorder=1.6))
    edge = {"edgecolor": ink.release, "linewidth": 1.5, "linestyle": (0, ink.dashes["release"]), "zorder": 4}
    axes.add_patch(area_patch(shown.release, fill=False, **edge))


def draw_traps(d: Drawing, traps: Sequence[TrapMark]) -> None:
    """Traps by hatch, and where their letters go."""
    signs, colour = d.palette.traps.signs, d.palette.traps.colour
    for trap in traps:
        look = {"facecolor": "none", "edgecolor": colour, "linewidth": 0.7, "zorder": 3, "alpha": TRAP_OPACITY}
        d.ground.add_patch(area_patch(trap.outline, hatch=signs[trap.kind].hatch, **look))


def draw_zones(d: Drawing, shown: Shown) -> None:
    """Edges of the deposition zones."""
    for zone in shown.zones:
        edge = {"edgecolor": d.palette.debris.outline, "linewidth": 0.4, "linestyle": (0, (1.0, 1.0)), "zorder": 2.6}
        d.ground.add_patch(area_patch(zone.outline, fill=False, **edge))


def draw_poa(d: Drawing, shown: Shown) -> None:
    """Probability of area as two lines."""
    ink = d.palette.person
    for (_, area), key, width in zip(shown.poa, ("half", "most"), (1.5, 1.1), strict=False):
        d.ground.add_patch(
            area_patch(area, fill=False, edgecolor=d.palette.ground.paper, linewidth=width + 1.0, zorder=5.1)
        )
        dashes = ink.dashes[key]
        style = (0, dashes) if dashes else "-"
        look = {"edgecolor": ink.line, "linewidth": width, "linestyle": style, "zorder": 5.2}
        d.ground.add_patch(area_patch(area, fill=False, **look))


def draw_last_seen(
    axes: Axes,
    at_m: tuple[float, float] | None,
    radius_m: float,
    palette: Palette,
    metres_per_mm: float,
    arm_mm: float,
) -> None:
    """The last-seen point: a cross in a ring, and the circle of its uncertainty to scale."""
    if at_m is None:
        return
    ink, paper = palette.person, palette.ground.paper
    (x, y), arm = at_m, arm_mm * metres_per_mm
    axes.add_patch(
        Circle((x, y), radius_m, facecolor="none", edgecolor=ink.line, linewidth=1.0, linestyle=(0, (3, 1.5)), zorder=8)
    )
    for width, colour in ((3.2, paper), (1.6, ink.line)):
        for dx, dy in ((arm, 0.0), (0.0, arm)):
            axes.add_line(stroke([(x - dx, y - dy), (x + dx, y + dy)], colour, width, zorder=9))
    for width, colour in ((2.6, paper), (1.2, ink.line)):
        look = {"facecolor": "none", "edgecolor": colour, "linewidth": width, "zorder": 9.1}
        axes.add_patch(Circle((x, y), 0.62 * arm, **look))


def upright_deg(dx: float, dy: float) -> float:
    """Angle of a text along a line that is not upside down."""
    angle = math.degrees(math.atan2(dy, dx))
    return (angle + 90.0) % 180.0 - 90.0


# ---- Lanes, joins, approaches and what they leave uncovered

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
    for leg in sorted(shown.legs, key=lambda leg: leg.kind == "lane"):
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
    for geom in shown.uncovered.geoms:
        west, south, east, north = geom.bounds
        if max(east - west, north - south) >= SEEN_MM * k:
            look = {"facecolor": ink.casing, "edgecolor": ink.colour, "linewidth": 0.6, "zorder": 6}
            d.ground.add_patch(area_patch(geom, hatch=ink.uncovered, **look))
        elif geom.area > 0:
            d.ground.add_patch(area_patch(geom, facecolor=ink.colour, edgecolor=ink.colour, linewidth=0.5, zorder=6))
            small.append(geom.representative_point().buffer(RING_MM * k))
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


# ---- Details: pieces of debris too small to walk by on the main map, drawn larger where the body is free

SMALL_MM = 26.0  # a piece smaller than this on the main map gets a detail
LEAST_GAIN = 1.9  # a detail must be larger by this much
MOST = 4
SIDES_MM = (48.0, 42.0, 36.0)
EDGE_MM = 6.0  # room for labels around what a detail shows
STEP_MM = 3.0
LETTERS = "ABCD"
ROUND_SCALES = (500, 600, 750, *SCALES)


@dataclass(frozen=True)
class Detail:
    """A detail: its letter, the ground it shows, and the sheet as seen through it."""

    letter: str
    ground: BaseGeometry
    sheet: Sheet


def find_details(sheet: Sheet, shown: Shown) -> tuple[Detail, ...]:
    """Details for the small pieces, the largest piece first, as far as the body has room."""
    k = sheet.metres_per_mm
    lines = shapely.unary_union([leg.line for leg in shown.legs])
    taken: BaseGeometry = shapely.union_all([shown.whole(), shown.focus(), lines]).buffer(2.5 * k)
    if sheet.overview is not None:
        taken = taken.union(on_ground(sheet, sheet.overview))
    found: list[Detail] = []
    for piece in _pieces(sheet, shown):
        placed = next(_places(sheet, piece, taken), None)
        if placed is not None and len(found) < MOST:
            place, scale = placed
            found.append(_detail(LETTERS[len(found)], sheet, place, piece, scale))
            taken = taken.union(on_ground(sheet, place).buffer(1.5 * k))
    return tuple(found)


def start_detail(d: Drawing, detail: Detail) -> Drawing:
    """A drawing through the detail: the same page, its own axes and its own room for labels."""
    ground = bare_axes(d.figure, detail.sheet, detail.sheet.body, detail.sheet.extent, 2.0)
    return replace(d, sheet=detail.sheet, ground=ground, room=Room(detail.sheet.body))


def mark_detail(d: Drawing, detail: Detail) -> None:
    """On the main map: what the detail shows, and a line to it."""
    ink, b = d.palette.ground, detail.sheet.body
    shown = box(*detail.sheet.extent)
    d.ground.add_patch(area_patch(shown, fill=False, edgecolor=ink.frame, linewidth=0.7, zorder=8.2))
    d.room.take(b.left + b.width / 2, b.bottom + b.height / 2, b.width + 1.0, b.height + 1.0)
    west, south, east, north = (*d.sheet.on_page(*shown.bounds[:2]), *d.sheet.on_page(*shown.bounds[2:]))
    frame, small = box(b.left, b.bottom, b.right, b.top), box(west, south, east, north)
    if frame.disjoint(small):
        d.line(shapely.shortest_line(frame, small).coords, ink.frame, 0.7, zorder=8.2)


def finish_detail(d: Drawing, detail: Detail) -> None:
    """Frame, letter, scale and a small scale bar."""
    ink, b, k = d.palette.ground, detail.sheet.body, detail.sheet.metres_per_mm
    d.box(b, fill=False, edgecolor=ink.frame, linewidth=1.0, zorder=12)
    words = f"{detail.letter}  1:{detail.sheet.scale:,}".replace(",", " ")
    d.text(b.left + 1.2, b.top - 1.2, words, 6.4, va="top", weight="bold", halo=True, zorder=12)
    step = max((value for value in (5, 10, 20, 50, 100) if value / k <= 0.4 * b.width), default=5)
    x, y = b.right - 1.5 - step / k, b.bottom + 1.6
    d.line([(x, y), (x + step / k, y)], ink.paper, 2.8, zorder=11.9)
    d.line([(x, y), (x + step / k, y)], ink.frame, 1.4, zorder=12, solid_capstyle="butt")
    d.text(x + 0.5 * step / k, y + 0.8, f"{step} m", 5.6, ha="center", va="bottom", halo=True, zorder=12)


def corners_taken(d: Drawing) -> None:
    """Keep labels away from the letter and the scale bar of a detail."""
    b = d.sheet.body
    d.room.take(b.left + 9.0, b.top - 2.0, 18.0, 4.0)
    d.room.take(b.right - 10.0, b.bottom + 2.5, 20.0, 5.0)


def _pieces(sheet: Sheet, shown: Shown) -> list[BaseGeometry]:
    """Groups of debris and lanes that lie together and are small on the main map, the largest first."""
    k = sheet.metres_per_mm
    lanes = [leg.line for leg in shown.legs if leg.kind == "lane"]
    near = shapely.union_all([shown.outline, *lanes]).buffer(4.0 * k)
    groups = []
    for blob in getattr(near, "geoms", [near]):
        mine = [lane for lane in lanes if lane.intersects(blob)]
        piece = shapely.union_all([shown.outline.intersection(blob), *mine])
        if not piece.is_empty:
            groups.append(piece)
    small = [group for group in groups if _longest(group) <= SMALL_MM * k]
    return sorted(small, key=lambda one: -float(one.area))


def _longest(one: BaseGeometry) -> float:
    west, south, east, north = one.bounds
    return max(east - west, north - south)


def _places(sheet: Sheet, piece: BaseGeometry, taken: BaseGeometry) -> Iterator[tuple[Box, int]]:
    """Free places for a detail with its scale, the largest scale first, then the nearest."""
    b = sheet.body
    x, y = sheet.on_page(piece.centroid.x, piece.centroid.y)
    shapely.prepare(taken)
    for side in SIDES_MM:
        scale = _scale_in(piece, side)
        if scale * LEAST_GAIN > sheet.scale:
            continue
        free = []
        for i in range(int((b.width - side) / STEP_MM) + 1):
            for j in range(int((b.height - side) / STEP_MM) + 1):
                place = Box(b.left + i * STEP_MM, b.bottom + j * STEP_MM, side, side)
                away = math.hypot(place.left + side / 2 - x, place.bottom + side / 2 - y)
                if not taken.intersects(on_ground(sheet, place)):
                    free.append((away, i, j, place))
        yield from ((place, scale) for _, _, _, place in sorted(free, key=lambda one: one[:3]))


def _scale_in(piece: BaseGeometry, side: float) -> int:
    """The largest round scale at which a piece fits a square."""
    wanted = 1000.0 * _longest(piece) / (side - 2.0 * EDGE_MM)
    return next((one for one in ROUND_SCALES if one >= wanted), ROUND_SCALES[-1])


def _detail(letter: str, sheet: Sheet, place: Box, piece: BaseGeometry, scale: int) -> Detail:
    west, south, east, north = piece.bounds
    x, y, half = 0.5 * (west + east), 0.5 * (south + north), 0.5 * place.width * scale / 1000.0
    extent = (x - half, y - half, x + half, y + half)
    through = replace(sheet, body=place, scale=scale, extent=extent, overview=None, overview_extent=None)
    return Detail(letter, box(*extent), through)
