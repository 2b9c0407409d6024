"""The trap map: one A4 sheet with relief, contours, traps by hatch and letter, and why each is one."""

from __future__ import annotations

import warnings
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib as mpl
import shapely
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.products.layers import percent
from lastseen.products.mapsheet import furniture, names, panel, parts
from lastseen.products.mapsheet.drawing import DPI, SETTINGS, Drawing, area_patch, start_drawing
from lastseen.products.mapsheet.ground import drawn_lattice, ground_around
from lastseen.products.mapsheet.layout import fit_sheet
from lastseen.products.mapsheet.legend import AREA_WIDTH, trap_legend
from lastseen.products.mapsheet.panel import Item, Pen
from lastseen.products.palette import load_palette
from lastseen.traps import Trap

if TYPE_CHECKING:
    from lastseen.trapview import TrapView

SMALL_MM, THIN_MM = 8.0, 1.0
MOST_NAMED = 150  # letters and numbers on one sheet; the rest is hatched
AMOUNTS = ((7.4, 9), (7.0, 9), (6.6, 6), (6.2, 4), (6.0, 3))  # size of text, notes


def write_trap_map(view: TrapView, path: Path) -> None:
    """Draw the traps on an A4 sheet at 200 dots per inch; the same view gives the same bytes."""
    with mpl.rc_context(), warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a name may hold letters that the font lacks
        mpl.rcdefaults()
        mpl.rcParams.update(SETTINGS)  # type: ignore[arg-type]
        draw_trap_map(view).figure.savefig(path, format="png", dpi=DPI, metadata={"Software": None})


def draw_trap_map(view: TrapView) -> Drawing:
    """The sheet, drawn but not written."""
    d = start_drawing(fit_sheet(shown_bounds(view)), load_palette())
    drawn = drawn_lattice(ground_around(view, d.sheet.extent), d.sheet.extent, d.sheet.metres_per_mm)
    parts.draw_relief(d.ground, drawn, d.palette)
    levels, _ = parts.draw_contours(d, drawn)
    ink = d.palette.snow.release
    if view.plan is not None and view.plan.model is not None:
        parts.draw_release(d.ground, view.plan.model, d.palette, fill=False)
        parts.draw_last_seen(d.ground, view.plan, d.palette, d.sheet.metres_per_mm, 2.6)
    else:
        areas = MultiPolygon([part for one in view.areas for part in one.outline.geoms])
        d.ground.add_patch(area_patch(areas, fill=False, edgecolor=ink, linewidth=AREA_WIDTH, zorder=2.8))
    parts.draw_traps(d, view)
    _mark_small(d, view)
    names.name_traps(d, replace(view, traps=view.traps[:MOST_NAMED]))
    names.name_contours(d, levels)
    grid_m = furniture.draw_frame(d)
    furniture.draw_under(d, view, grid_m, levels.interval_m)
    panel.draw_header(d, view.scenario.name or "Terrain traps", _header(view))
    panel.draw_footer(d, f"lastseen {__version__}")
    _fill_panel(d, view)
    return d


def _mark_small(d: Drawing, view: TrapView) -> None:
    """Labels must not hide traps that are as small as they are; what is too thin for its hatch is filled."""
    k, colour = d.sheet.metres_per_mm, d.palette.traps.colour
    for trap in view.traps:
        if 2.0 * trap.outline.area < THIN_MM * k * trap.outline.length:
            d.ground.add_patch(area_patch(trap.outline, facecolor=colour, alpha=0.75, linewidth=0.0, zorder=3.1))
        west, south, east, north = trap.outline.bounds
        if max(east - west, north - south) <= SMALL_MM * k:
            x, y = d.sheet.on_page(0.5 * (west + east), 0.5 * (south + north))
            if d.inside(x, y):
                d.room.take(x, y, (east - west) / k, (north - south) / k)


def shown_bounds(view: TrapView) -> tuple[float, float, float, float]:
    """What the sheet must show: release, paths and traps of the point, or all of the ground."""
    if view.plan is None or view.plan.model is None:
        return view.terrain.elevation.bounds
    model = view.plan.model
    shapes: list[BaseGeometry] = [model.release.outline]
    shapes += [one.outline for one in view.traps] + [area for _, area in model.paths.corridors]
    if view.plan.at_m is not None:
        shapes.append(shapely.Point(view.plan.at_m))
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


def _fill_panel(d: Drawing, view: TrapView) -> None:
    """As much as fits, in the largest text that does; the traps of least weight are left to the file."""
    columns = d.sheet.columns
    room = sum(column.height for column in columns)
    for size, most_notes in AMOUNTS:
        pen = Pen(d, columns[0].width, size)
        legend, notes, told = trap_legend(pen, view), _notes(pen, view, most_notes), _told(pen, view, room)
        fewest = len(view.traps) if size > AMOUNTS[-1][0] else 0
        for most in range(len(told), fewest - 1, -1):
            items = [*legend, pen.heading("Terrain traps"), *chain(*told[:most]), *_rest(pen, view, most), *notes]
            placed = panel.flow(items, columns)
            if placed is not None:
                for item, x, y in placed:
                    item.draw(x, y)
                return


def _told(pen: Pen, view: TrapView, room: float) -> list[list[Item]]:
    """What is said about each trap, as many as could fit at all."""
    told: list[list[Item]] = []
    for trap in view.traps:
        items = pen.paragraph(_sentence(view, trap), hang=7.5, mark=f"{trap.letter}{trap.number}")
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


def _sentence(view: TrapView, trap: Trap) -> str:
    words = f"{', '.join(trap.consequences).capitalize()}. {trap.reason}"
    if view.plan is None:
        return words
    passes, ends = percent(round(trap.person_passes, 2)), percent(round(trap.person_ends, 2))
    return f"{words} {passes} of carried persons enter it, {ends} stop in it."


def _notes(pen: Pen, view: TrapView, most: int) -> list[Item]:
    items = [pen.heading("Notes")]
    for note in view.notes[:most]:
        items += pen.paragraph(note, hang=2.6, mark="·")
    return items if view.notes else []
