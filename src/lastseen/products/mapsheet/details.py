"""Details: pieces of debris too small to walk by on the main map, drawn larger where the body is free."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import shapely
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from lastseen.products.mapsheet.drawing import Drawing, area_patch, bare_axes
from lastseen.products.mapsheet.labels import Room
from lastseen.products.mapsheet.layout import SCALES, Box, Sheet, on_ground
from lastseen.products.mapsheet.shown import Shown

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
    step = max((one for one in (5, 10, 20, 50, 100) if one / k <= 0.4 * b.width), default=5)
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
        mine = [one for one in lanes if one.intersects(blob)]
        piece = shapely.union_all([shown.outline.intersection(blob), *mine])
        if not piece.is_empty:
            groups.append(piece)
    small = [one for one in groups if _longest(one) <= SMALL_MM * k]
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
