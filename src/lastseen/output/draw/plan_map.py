"""The map of a search, as it is printed and walked by, and the map of terrain traps on their own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import shapely
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from lastseen.output.draw import drawing, features, furniture
from lastseen.output.draw.drawing import Drawing, draw_area, fixed_look, stroke, write_png
from lastseen.output.draw.features import MapContent, TrapMark, draw_last_seen, draw_paths
from lastseen.output.draw.labels import name_everything, name_traps
from lastseen.output.draw.layout import Detail, Extent, Sheet, bounds_of, find_details, fit_sheet, with_narrow_panel
from lastseen.output.draw.panel import LEAST_TEXT, Item, Pen, draw_first_fit, flow
from lastseen.output.draw.plan_panel import AREA_WIDTH, fill_blank_panel, fill_panel, header_lines, trap_legend
from lastseen.output.draw.relief import draw_contours, draw_relief, drawn_lattice

if TYPE_CHECKING:
    from lastseen.jobs import TrapView

CROSS_MM = 2.6  # arm of the cross at the last-seen point


def draw_map(content: MapContent, sheet: Sheet, *, mark: str = "") -> Drawing:
    """The map of a search, drawn but not written; ``mark`` stands at the right of its title.

    The body shows debris and lanes as large as a round scale allows; where the release lies far above, an overview
    shows the whole way.
    """
    d = drawing.start_drawing(sheet)
    details = find_details(sheet, content)
    for detail in details:
        _mark_detail(d, detail)
    contour_m = _draw_body(d, content, details)
    for detail in details:
        inner, b = _start_detail(d, detail), detail.sheet.body
        inner.room.take(b.left + 9.0, b.top - 2.0, 18.0, 4.0)  # labels keep away from its letter and its scale bar
        inner.room.take(b.right - 10.0, b.bottom + 2.5, 20.0, 5.0)
        _draw_body(inner, content)
        _finish_detail(inner, detail)
    _draw_overview(d, content)
    grid_m = furniture.draw_frame(d, content.crs)
    search = content.numbers.get("search", {})
    north = {"declination_deg": search.get("declination_deg"), "date": search.get("date")}
    furniture.draw_under(d, content.crs, grid_m, None if content.flat else contour_m, **north)
    furniture.draw_header(d, content.title, header_lines(content), mark=mark)
    furniture.draw_write_in(d)
    (fill_blank_panel if content.blank else fill_panel)(d, content)
    return d


def _draw_body(d: Drawing, content: MapContent, details: Sequence[Detail] | None = None) -> float:
    """All that lies on the ground, and its labels; returns the contour interval in metres."""
    drawn = drawn_lattice(content.ground, d.sheet.extent, d.sheet.metres_per_mm)
    if not content.flat:
        draw_relief(d.ground, drawn, d.palette)
    levels, steep = draw_contours(d, drawn)
    features.draw_search(d, content, CROSS_MM * d.sheet.metres_per_mm)
    name_everything(d, content, levels, steep, details)
    return levels.interval_m


def _draw_overview(d: Drawing, content: MapContent) -> None:
    place, extent = d.sheet.overview, d.sheet.overview_extent
    if place is None or extent is None:
        return
    k = (extent[2] - extent[0]) / place.width
    axes = d.axes_in(place, extent, 2.0)
    draw_relief(axes, drawn_lattice(content.ground, extent, k), d.palette)
    draw_paths(axes, content, d.palette, fill=True)
    features.draw_debris(axes, content, d.palette, 0.8)
    for leg in content.legs:
        if leg.kind in ("approach", "track"):
            look = {"dash_capstyle": "round", "zorder": 6}
            axes.add_line(stroke(leg.line.coords, d.palette.lanes.colour, 1.0, d.palette.lanes.approach, **look))
    for at in (content.at_m, *content.also_m):
        draw_last_seen(axes, d.palette, at, radius_m=content.radius_m, arm_m=2.0 * k)
    draw_area(axes, box(*d.sheet.extent), fill=False, edgecolor=d.palette.ground.frame, linewidth=0.8, zorder=7)
    d.box(place, fill=False, edgecolor=d.palette.ground.frame, linewidth=0.9, zorder=12)
    scale = f"overview 1:{furniture.spaced(round(1000.0 * k, -2))}"
    d.text(place.left + 1.2, place.top - 1.2, scale, LEAST_TEXT, va="top", halo=True, zorder=12)


# ---- Details: small pieces drawn larger


def _start_detail(d: Drawing, detail: Detail) -> Drawing:
    ground = drawing.bare_axes(d.figure, detail.sheet, detail.sheet.body, detail.sheet.extent, 2.0)
    return replace(d, sheet=detail.sheet, ground=ground, room=drawing.Room(detail.sheet.body))


def _mark_detail(d: Drawing, detail: Detail) -> None:
    ink, b = d.palette.ground, detail.sheet.body
    ground = box(*detail.sheet.extent)
    draw_area(d.ground, ground, fill=False, edgecolor=ink.frame, linewidth=0.7, zorder=8.2)
    d.room.take(b.left + b.width / 2, b.bottom + b.height / 2, b.width + 1.0, b.height + 1.0)
    west, south, east, north = (*d.sheet.on_page(*ground.bounds[:2]), *d.sheet.on_page(*ground.bounds[2:]))
    frame, small = box(b.left, b.bottom, b.right, b.top), box(west, south, east, north)
    if frame.disjoint(small):
        d.line(shapely.shortest_line(frame, small).coords, ink.frame, 0.7, zorder=8.2)


def _finish_detail(d: Drawing, detail: Detail) -> None:
    ink, b, k = d.palette.ground, detail.sheet.body, detail.sheet.metres_per_mm
    d.box(b, fill=False, edgecolor=ink.frame, linewidth=1.0, zorder=12)
    name = f"{detail.letter}  1:{furniture.spaced(detail.sheet.scale)}"
    d.text(b.left + 1.2, b.top - 1.2, name, 6.4, va="top", weight="bold", halo=True, zorder=12)
    step = max((value for value in (5, 10, 20, 50, 100) if value / k <= 0.4 * b.width), default=5)
    x, y = b.right - 1.5 - step / k, b.bottom + 1.6
    d.line([(x, y), (x + step / k, y)], ink.paper, 2.8, zorder=11.9)
    d.line([(x, y), (x + step / k, y)], ink.frame, 1.4, zorder=12, solid_capstyle="butt")
    d.text(x + 0.5 * step / k, y + 0.8, f"{step} m", 5.6, ha="center", va="bottom", halo=True, zorder=12)


# ---- Terrain traps on their own, by hatch and letter, and why each is one

SMALL_TRAP_MM, THIN_TRAP_MM = 8.0, 1.0
MOST_NAMED = 150  # letters and numbers on one sheet; the rest is hatched
AMOUNTS = ((7.4, 9), (7.0, 9), (6.6, 6), (6.2, 4), (6.0, 3))  # size of text, notes


def write_trap_map(view: TrapView, path: Path) -> None:
    """Draw the traps on an A4 sheet at 200 dots per inch; the same view gives the same bytes."""
    with fixed_look():
        write_png(draw_trap_map(view).figure, path)


def draw_trap_map(view: TrapView) -> Drawing:
    """The map of traps, drawn but not written."""
    content = features.read_trap_content(view)
    d, levels = furniture.start_map(_trap_sheet(view, content), content.ground)
    draw_paths(d.ground, content, d.palette, fill=False)
    arm_m = CROSS_MM * d.sheet.metres_per_mm
    for at in (content.at_m, *content.also_m):
        draw_last_seen(d.ground, d.palette, at, radius_m=content.radius_m, arm_m=arm_m)
    ink = d.palette.snow.release
    draw_area(d.ground, content.release_areas, fill=False, edgecolor=ink, linewidth=AREA_WIDTH, zorder=2.8)
    features.draw_traps(d, content.traps)
    _mark_small(d, content.traps)
    name_traps(d, content.traps[:MOST_NAMED])
    furniture.finish_map(d, content.crs, levels, view.scenario.name or "Terrain traps", _trap_header(view))
    draw_first_fit(d.sheet.columns, _trap_choices(d, view, content))
    return d


def _trap_sheet(view: TrapView, content: MapContent) -> Sheet:
    sheet = fit_sheet(_trap_bounds(content))
    if len(sheet.columns) != 2:
        return sheet
    narrow = with_narrow_panel(sheet)
    pen = Pen(drawing.start_page(narrow), narrow.columns[0].width, AMOUNTS[0][0])
    lines = _trap_lines(pen, view, content, narrow.columns[0].height)
    if len(lines) < len(content.traps):
        return sheet
    items = _trap_items(pen, view, content, lines=lines, most_notes=AMOUNTS[0][1])
    return narrow if flow(items, narrow.columns) else sheet


def _mark_small(d: Drawing, traps: Sequence[TrapMark]) -> None:
    """Labels must not hide traps that are as small as they are; what is too thin for its hatch is filled."""
    k, colour = d.sheet.metres_per_mm, d.palette.traps.colour
    for trap in traps:
        if 2.0 * trap.outline.area < THIN_TRAP_MM * k * trap.outline.length:
            draw_area(d.ground, trap.outline, facecolor=colour, alpha=0.75, linewidth=0.0, zorder=3.1)
        west, south, east, north = trap.outline.bounds
        if max(east - west, north - south) <= SMALL_TRAP_MM * k:
            x, y = d.sheet.on_page(0.5 * (west + east), 0.5 * (south + north))
            if d.inside(x, y):
                d.room.take(x, y, (east - west) / k, (north - south) / k)


def _trap_bounds(content: MapContent) -> Extent:
    if content.at_m is None:
        return content.ground.bounds
    shapes: list[BaseGeometry] = [content.release, shapely.Point(content.at_m)]
    shapes += [trap.outline for trap in content.traps] + [area for _, area in content.corridors]
    return bounds_of(*shapes)


def _trap_header(view: TrapView) -> list[str]:
    if view.plan is not None and view.plan.place is not None:
        at = view.plan.place.notations()
        first = f"Last-seen point {at['mgrs']} (lon, lat {at['lonlat']}), release of size {view.scenario.snow.size}"
        return [first, "Terrain traps that snow of this release can reach, in the order of their weight"]
    return [
        f"Terrain traps below all release areas, size {view.scenario.snow.size}, in the order of their weight",
        "Start zones by terrain alone: wind, snowpack and weather are not guessed",
    ]


def _trap_choices(d: Drawing, view: TrapView, content: MapContent) -> Iterator[list[Item]]:
    """As much as fits, in smaller and smaller text; then the traps of least weight are left to the file."""
    height = sum(column.height for column in d.sheet.columns)
    for size, notes in AMOUNTS:
        pen = Pen(d, d.sheet.columns[0].width, size)
        lines = _trap_lines(pen, view, content, height)
        for most in range(len(lines), (len(view.traps) if size > AMOUNTS[-1][0] else 0) - 1, -1):
            yield _trap_items(pen, view, content, lines=lines[:most], most_notes=notes)


def _trap_items(
    pen: Pen, view: TrapView, content: MapContent, *, lines: Sequence[Sequence[Item]], most_notes: int
) -> list[Item]:
    left = len(view.traps) - len(lines)
    rest = [] if view.traps else pen.paragraph("None was found; see the notes.")
    if left:
        rest = pen.paragraph(f"{left} more in traps.json; all are drawn on the map.")
    notes = pen.notes("Notes", view.notes[:most_notes], "•")
    return [*trap_legend(pen, content), pen.heading("Terrain traps"), *chain(*lines), *rest, *notes]


def _trap_lines(pen: Pen, view: TrapView, content: MapContent, height: float) -> list[list[Item]]:
    lines: list[list[Item]] = []
    for trap in content.traps:
        sentence = trap.sentence if view.plan is None else f"{trap.sentence} {trap.met_sentence}"
        items = pen.paragraph(sentence, hang=7.5, mark=trap.name)
        height -= sum(item.height for item in items)
        if height < 0.0:
            break
        lines.append(items)
    return lines
