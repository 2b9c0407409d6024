"""The trap map: one A4 sheet with relief, contours, traps by hatch and letter, and why each is one."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import shapely
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.core import short_percent
from lastseen.output.draw import furniture, labels, panel, parts
from lastseen.output.draw.drawing import Drawing, area_patch, start_drawing, start_page
from lastseen.output.draw.layout import Extent, Sheet, fit_sheet, with_narrow_panel
from lastseen.output.draw.legend import AREA_WIDTH, trap_legend
from lastseen.output.draw.map import own_look, write_png
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.panel import Item, Pen
from lastseen.output.draw.relief import drawn_lattice
from lastseen.output.draw.shown import Shown, TrapMark, shown_of_traps

if TYPE_CHECKING:
    from lastseen.jobs import TrapView

SMALL_MM, THIN_MM = 8.0, 1.0
MOST_NAMED = 150  # letters and numbers on one sheet; the rest is hatched
AMOUNTS = ((7.4, 9), (7.0, 9), (6.6, 6), (6.2, 4), (6.0, 3))  # size of text, notes


def write_trap_map(view: TrapView, path: Path) -> None:
    """Draw the traps on an A4 sheet at 200 dots per inch; the same view gives the same bytes."""
    with own_look():
        write_png(draw_trap_map(view), path)


def draw_trap_map(view: TrapView) -> Drawing:
    """The sheet, drawn but not written."""
    shown = shown_of_traps(view)
    d = start_drawing(_layout(view, shown), load_palette())
    drawn = drawn_lattice(shown.ground, d.sheet.extent, d.sheet.metres_per_mm)
    parts.draw_relief(d.ground, drawn, d.palette)
    levels, _ = parts.draw_contours(d, drawn)
    parts.draw_release(d.ground, shown, d.palette, fill=False)
    parts.draw_last_seen(d.ground, shown.at_m, shown.radius_m, d.palette, d.sheet.metres_per_mm, 2.6)
    ink = d.palette.snow.release
    d.ground.add_patch(area_patch(shown.release_areas, fill=False, edgecolor=ink, linewidth=AREA_WIDTH, zorder=2.8))
    parts.draw_traps(d, shown.traps)
    _mark_small(d, shown.traps)
    labels.name_traps(d, shown.traps[:MOST_NAMED])
    labels.name_contours(d, levels)
    grid_m = furniture.draw_frame(d, shown.crs)
    furniture.draw_under(d, shown.crs, grid_m, levels.interval_m)
    panel.draw_header(d, view.scenario.name or "Terrain traps", _header(view))
    panel.draw_footer(d, 0, 0, __version__)
    _fill_panel(d, view, shown)
    return d


def _layout(view: TrapView, shown: Shown) -> Sheet:
    """The page; one column beside the map where two would leave one empty."""
    sheet = fit_sheet(_bounds(shown))
    if len(sheet.columns) != 2:
        return sheet
    narrow = with_narrow_panel(sheet)
    pen = Pen(start_page(narrow), narrow.columns[0].width, AMOUNTS[0][0])
    told = _told(pen, view, shown, narrow.columns[0].height)
    items = [*trap_legend(pen, shown), pen.heading("Terrain traps"), *chain(*told), *_notes(pen, view, AMOUNTS[0][1])]
    fits = len(told) == len(shown.traps) and panel.flow(items, narrow.columns) is not None
    return narrow if fits else sheet


def _mark_small(d: Drawing, traps: Sequence[TrapMark]) -> None:
    """Labels must not hide traps that are as small as they are; what is too thin for its hatch is filled."""
    k, colour = d.sheet.metres_per_mm, d.palette.traps.colour
    for trap in traps:
        if 2.0 * trap.outline.area < THIN_MM * k * trap.outline.length:
            d.ground.add_patch(area_patch(trap.outline, facecolor=colour, alpha=0.75, linewidth=0.0, zorder=3.1))
        west, south, east, north = trap.outline.bounds
        if max(east - west, north - south) <= SMALL_MM * k:
            x, y = d.sheet.on_page(0.5 * (west + east), 0.5 * (south + north))
            if d.inside(x, y):
                d.room.take(x, y, (east - west) / k, (north - south) / k)


def _bounds(shown: Shown) -> Extent:
    """What the sheet must show: release, paths and traps of the point, or all of the ground."""
    if shown.at_m is None:
        return shown.ground.bounds
    shapes: list[BaseGeometry] = [shown.release, shapely.Point(shown.at_m)]
    shapes += [trap.outline for trap in shown.traps] + [area for _, area in shown.corridors]
    west, south, east, north = (float(side) for side in shapely.total_bounds(shapes))
    return west, south, east, north


def _header(view: TrapView) -> list[str]:
    if view.plan is not None and view.plan.place is not None:
        text = view.plan.place.notations()
        first = f"Last-seen point {text['mgrs']} (lon, lat {text['lonlat']}), release of size {view.scenario.snow.size}"
        return [first, "Terrain traps that snow of this release can reach, in the order of their weight"]
    return [
        f"Terrain traps below all release areas, size {view.scenario.snow.size}, in the order of their weight",
        "Start zones by terrain alone: wind, snowpack and weather are not guessed",
    ]


def _fill_panel(d: Drawing, view: TrapView, shown: Shown) -> None:
    """As much as fits, in the largest text that does; the traps of least weight are left to the file."""
    columns = d.sheet.columns
    room = sum(column.height for column in columns)
    for size, most_notes in AMOUNTS:
        pen = Pen(d, columns[0].width, size)
        legend, notes, told = trap_legend(pen, shown), _notes(pen, view, most_notes), _told(pen, view, shown, room)
        fewest = len(view.traps) if size > AMOUNTS[-1][0] else 0
        for most in range(len(told), fewest - 1, -1):
            items = [*legend, pen.heading("Terrain traps"), *chain(*told[:most]), *_rest(pen, view, most), *notes]
            placed = panel.flow(items, columns)
            if placed is not None:
                for one in placed:
                    one.draw()
                return


def _told(pen: Pen, view: TrapView, shown: Shown, room: float) -> list[list[Item]]:
    """What is said about each trap, as many as could fit at all."""
    told: list[list[Item]] = []
    for trap in shown.traps:
        items = pen.paragraph(_sentence(view, trap), hang=7.5, mark=trap.name)
        room -= sum(item.height for item in items)
        if room < 0.0:
            break
        told.append(items)
    return told


def _rest(pen: Pen, view: TrapView, most: int) -> list[Item]:
    if not view.traps:
        return pen.paragraph("None was found; see the notes.")
    left = len(view.traps) - most
    return pen.paragraph(f"{left} more in traps.json; all are drawn on the map.") if left else []


def _sentence(view: TrapView, trap: TrapMark) -> str:
    words = f"{trap.consequences.capitalize()}. {trap.reason}"
    if view.plan is None:
        return words
    passes, ends = short_percent(round(trap.person_passes, 2)), short_percent(round(trap.person_ends, 2))
    return f"{words} {passes} of carried persons enter it, {ends} stop in it."


def _notes(pen: Pen, view: TrapView, most: int) -> list[Item]:
    items = [pen.heading("Notes")]
    for note in view.notes[:most]:
        items += pen.paragraph(note, hang=2.6, mark="•")
    return items if view.notes else []
