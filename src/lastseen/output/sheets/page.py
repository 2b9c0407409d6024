"""What the sheets of a practice search share: an upright A4 page with its map, planned lanes, small marks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from lastseen.output.draw.drawing import Drawing, area_patch, start_page, stroke
from lastseen.output.draw.furniture import draw_footer, draw_header, finish_map, start_map
from lastseen.output.draw.labels import place_sign
from lastseen.output.draw.layout import Extent, Sheet, fit_page, lay_page, table_page
from lastseen.output.draw.panel import SMALL
from lastseen.output.draw.relief import Contours

if TYPE_CHECKING:
    from lastseen.jobs import PlannedSearch

SIDE_MM = 62.0


def lay_map_page(bounds: Extent, *, table_mm: float, text_mm: float = 0.0, chart_mm: float = 0.0) -> Sheet:
    """An upright page: map, table, chart, and text below the map or, where that makes it larger, beside it."""
    below = fit_page(lay_page(below_mm=table_mm + text_mm + chart_mm), bounds)
    if not text_mm:
        return below
    beside = fit_page(lay_page(below_mm=table_mm + chart_mm, side_mm=SIDE_MM), bounds)
    return beside if beside.scale < below.scale else below


def start_practice_map(sheet: Sheet, plan: PlannedSearch) -> tuple[Drawing, Contours | None]:
    """A page with relief, contours and the outline."""
    d, levels = start_map(sheet, None if plan.flat else plan.ground)
    ink = d.palette.debris
    d.ground.add_patch(area_patch(plan.outline, facecolor=ink.observed, alpha=0.55, linewidth=0, zorder=1))
    d.ground.add_patch(area_patch(plan.outline, fill=False, edgecolor=ink.outline, linewidth=1.4, zorder=5))
    for ring in shapely.get_parts(shapely.boundary(plan.outline)):
        d.room.ink(d.on_page(ring), 0.6)
    return d, levels


def finish_practice_map(
    d: Drawing, plan: PlannedSearch, levels: Contours | None, title: str, lines: Sequence[str]
) -> None:
    """Heights of the contours and what every map has around it."""
    finish_map(d, plan.crs, levels, title, lines, declination_deg=plan.declination_deg, date=plan.date)


def start_table_page(title: str, lines: Sequence[str]) -> Drawing:
    """A page without a map."""
    d = start_page(table_page())
    draw_header(d, title, lines)
    draw_footer(d)
    return d


def draw_planned_lanes(d: Drawing, plan: PlannedSearch) -> None:
    """The planned lanes, thin, with their numbers at the start."""
    ink, faint = d.palette.lanes, d.palette.ground.faint_text
    for number, line in plan.lanes().items():
        d.ground.add_line(stroke(line.coords, ink.casing, 1.6, zorder=5.5))
        d.ground.add_line(stroke(line.coords, faint, 0.7, (4.0, 2.0), zorder=5.6))
        d.room.ink(d.on_page(line), 0.5)
        place_sign(d, f"L{number}", [d.sheet.on_page(*line.coords[0][:2])], faint, size=SMALL, weight="normal")


def draw_mark(d: Drawing, kind: str, x: float, y: float, colour: str, *, size: float = 1.3) -> None:
    """A small mark on the page: "disc", "square" (open) or "triangle"."""
    solid: dict[str, Any] = {"facecolor": colour, "edgecolor": d.palette.ground.paper, "linewidth": 0.8, "zorder": 9}
    if kind == "triangle":
        d.polygon([(x - size, y - 0.7 * size), (x + size, y - 0.7 * size), (x, y + 1.1 * size)], **solid)
    elif kind == "square":
        d.square(x, y, size, facecolor=d.palette.ground.paper, edgecolor=colour, linewidth=1.2, zorder=9)
    else:
        angles = np.linspace(0.0, 2.0 * math.pi, 33)[:-1].tolist()
        d.polygon([(x + size * math.cos(angle), y + size * math.sin(angle)) for angle in angles], **solid)
    d.room.take(x, y, 2.2 * size, 2.2 * size)
