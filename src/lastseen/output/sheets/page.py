"""What the sheets of a drill share: an A4 page with a map above and tables below, its furniture, and the PDF."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
from matplotlib.patches import Polygon
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.core import Grid
from lastseen.jobs import PlannedSearch
from lastseen.output.draw import panel, parts
from lastseen.output.draw.drawing import Drawing, area_patch, on_page, start_drawing, stroke
from lastseen.output.draw.furniture import draw_frame, draw_under
from lastseen.output.draw.layout import (
    FOOTER_MM,
    GAP_MM,
    HEADER_MM,
    MARGIN_MM,
    PAPERS_MM,
    QUIET_MM,
    SCALES,
    TICKS_MM,
    UNDER_MM,
    Box,
    Extent,
    Sheet,
)
from lastseen.output.draw.map import own_look
from lastseen.output.draw.map import write_pdf as write_pages
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.relief import drawn_lattice

SMALL, PLAIN, BOLD_HEAD = 5.8, 6.6, 8.0
CONTOUR_LABEL = 5.2
SIDE_MM = 62.0


def write_pdf(path: Path, title: str, pages: Sequence[Callable[[], Drawing]]) -> None:
    """Draw pages and write them as one vector PDF; the same input gives the same bytes.

    Parameters
    ----------
    pages : sequence of callable
        Each gives a finished drawing.
    """
    with own_look():
        write_pages((page() for page in pages), path, title)


def map_page(bounds: Extent, *, below_mm: float, side_mm: float = 0.0) -> Sheet:
    """An upright A4 page: the map at the largest round scale that shows the bounds, room for tables below.

    Its first column lies below the map, the second, where ``side_mm`` is given, to the right of it.
    """
    page = _upright(below_mm, side_mm)
    west, south, east, north = bounds
    wide, high = page.body.width - 2 * QUIET_MM, page.body.height - 2 * QUIET_MM
    wanted = 1000.0 * max((east - west) / wide, (north - south) / high)
    scale = next((one for one in SCALES if one >= wanted), SCALES[-1])
    half_x, half_y = (0.5 * mm * scale / 1000.0 for mm in (page.body.width, page.body.height))
    x, y = 0.5 * (west + east), 0.5 * (south + north)
    return replace(page, scale=scale, extent=(x - half_x, y - half_y, x + half_x, y + half_y))


def talking_page(bounds: Extent, *, table_mm: float, text_mm: float, chart_mm: float) -> Sheet:
    """A map with a table, text and a chart: the text stands below it, or beside it where that makes the map larger."""
    below = map_page(bounds, below_mm=table_mm + text_mm + chart_mm)
    beside = map_page(bounds, below_mm=table_mm + chart_mm, side_mm=SIDE_MM)
    return beside if beside.scale < below.scale else below


def table_page() -> Sheet:
    """An upright A4 page without a map."""
    width, height = PAPERS_MM["A4"]
    inner = width - 2 * MARGIN_MM
    footer = Box(MARGIN_MM, MARGIN_MM, inner, FOOTER_MM)
    header = Box(MARGIN_MM, height - MARGIN_MM - HEADER_MM, inner, HEADER_MM)
    room = Box(MARGIN_MM, footer.top + GAP_MM, inner, header.bottom - footer.top - 2 * GAP_MM)
    under = Box(MARGIN_MM, footer.top, inner, 0.0)
    return Sheet("A4", width, height, header, room, under, footer, (room,), 1000, (0, 0, 1, 1))


def _upright(below_mm: float, side_mm: float) -> Sheet:
    width, height = PAPERS_MM["A4"]
    m = MARGIN_MM
    inner = width - 2 * m
    header = Box(m, height - m - HEADER_MM, inner, HEADER_MM)
    footer = Box(m, m, inner, FOOTER_MM)
    low = footer.top + GAP_MM + below_mm + GAP_MM
    under = Box(m + TICKS_MM, low, inner - TICKS_MM, UNDER_MM)
    bottom = under.top + TICKS_MM
    taken = side_mm + GAP_MM if side_mm else 0.0
    body = Box(m + TICKS_MM, bottom, inner - TICKS_MM - taken, header.bottom - 1.0 - bottom)
    below = Box(m, footer.top + GAP_MM, inner, below_mm)
    beside = (Box(body.right + GAP_MM, under.top, side_mm, body.top - under.top),) if side_mm else ()
    return Sheet("A4", width, height, header, body, under, footer, (below, *beside))


def start_map(sheet: Sheet, plan: PlannedSearch, title: str, lines: Sequence[str]) -> Drawing:
    """A page with relief, contours, the outline, frame and furniture."""
    d = start_drawing(sheet, load_palette())
    drawn = drawn_lattice(plan.ground, sheet.extent, sheet.metres_per_mm)
    interval = None
    if not plan.flat:
        parts.draw_relief(d.ground, drawn, d.palette)
        interval = _contours(d, drawn)
    ink = d.palette.debris
    d.ground.add_patch(area_patch(plan.outline, facecolor=ink.observed, alpha=0.55, linewidth=0, zorder=1))
    d.ground.add_patch(area_patch(plan.outline, fill=False, edgecolor=ink.outline, linewidth=1.4, zorder=5))
    for ring in shapely.get_parts(shapely.boundary(plan.outline)):
        d.room.ink(on_page(sheet, ring), 0.6)
    grid_m = draw_frame(d, plan.crs)
    draw_under(d, plan.crs, grid_m, interval, declination_deg=plan.declination_deg, date=plan.date)
    finish_page(d, title, lines)
    return d


def finish_page(d: Drawing, title: str, lines: Sequence[str]) -> None:
    """Title and caution."""
    width = d.sheet.header.width
    panel.draw_header(d, title, [panel.shortened(d, line, width, 7.0) for line in lines])
    panel.draw_footer(d, 0, 0, __version__)


def _contours(d: Drawing, drawn: Grid) -> float:
    """Contours with their heights where there is room; returns the interval."""
    found, _ = parts.draw_contours(d, drawn)
    for height, line in found.lines:
        if not found.is_index(height):
            continue
        middle = len(line) // 2
        a, b = line[max(0, middle - 4)], line[min(len(line) - 1, middle + 4)]
        x, y = d.sheet.on_page(*line[middle])
        words = f"{height:.0f}"
        size = d.width_mm(words, CONTOUR_LABEL) + 1.0
        if d.room.cost(x, y, size, size) <= 0.0:
            angle = parts.upright_deg(b[0] - a[0], b[1] - a[1])
            look = {"ha": "center", "va": "center", "rotation": angle, "rotation_mode": "anchor", "halo": True}
            d.text(x, y, words, CONTOUR_LABEL, color=d.palette.ground.faint_text, zorder=2.3, **look)
    return found.interval_m


def draw_lanes(d: Drawing, plan: PlannedSearch, *, numbers: bool = True) -> None:
    """The planned lanes, thin, with their numbers at the start."""
    ink = d.palette.lanes
    for number, line in plan.lanes().items():
        d.ground.add_line(stroke(line.coords, ink.casing, 1.6, zorder=5.5))
        d.ground.add_line(stroke(line.coords, d.palette.ground.faint_text, 0.7, (4.0, 2.0), zorder=5.6))
        d.room.ink(on_page(d.sheet, line), 0.5)
        if numbers:
            x, y = d.sheet.on_page(*line.coords[0][:2])
            label(d, f"L{number}", (x, y), SMALL, d.palette.ground.faint_text)


def label(d: Drawing, words: str, at: tuple[float, float], size: float, colour: str, weight: str = "normal") -> None:
    """A name beside a place of the page, where there is room."""
    wide, high = d.width_mm(words, size, weight) + 0.8, 0.42 * size
    spot = d.room.around([at], wide, high)
    if spot is None:
        return
    if spot.away > 4.0:
        d.line([at, (spot.x, spot.y)], colour, 0.4, zorder=9.4)
    d.text(
        spot.x,
        spot.y,
        words,
        size,
        ha="center",
        va="center_baseline",
        weight=weight,
        color=colour,
        halo=True,
        zorder=9.6,
    )


def sign(d: Drawing, kind: str, x: float, y: float, colour: str, size: float = 1.3) -> None:
    """A small mark on the page: "disc", "square" (open) or "triangle"."""
    paper = d.palette.ground.paper
    if kind == "triangle":
        corners = [(x - size, y - 0.7 * size), (x + size, y - 0.7 * size), (x, y + 1.1 * size)]
        d.page.add_patch(Polygon(corners, facecolor=colour, edgecolor=paper, linewidth=0.8, zorder=9))
    elif kind == "square":
        corners = [(x - size, y - size), (x + size, y - size), (x + size, y + size), (x - size, y + size)]
        d.page.add_patch(Polygon(corners, facecolor=paper, edgecolor=colour, linewidth=1.2, zorder=9))
    else:
        angle = np.linspace(0.0, 2.0 * math.pi, 33)[:-1]
        corners = [(x + size * math.cos(one), y + size * math.sin(one)) for one in angle.tolist()]
        d.page.add_patch(Polygon(corners, facecolor=colour, edgecolor=paper, linewidth=0.8, zorder=9))
    d.room.take(x, y, 2.2 * size, 2.2 * size)


@dataclass(frozen=True)
class Column:
    """A column of a table: its head (lines), its width in millimetres, and how text stands in it."""

    head: tuple[str, ...]
    width: float
    align: str = "left"


def draw_table(
    d: Drawing,
    left: float,
    top: float,
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    *,
    row_mm: float = 4.2,
    size: float = PLAIN,
    rules: bool = True,
) -> float:
    """A table from its upper left corner; returns where it ends. An empty box "☐" is drawn as a square."""
    ink = d.palette.ground
    head_lines = max(len(column.head) for column in columns)
    head_mm = head_lines * 2.7 + 1.4
    width = sum(column.width for column in columns)
    d.box(Box(left, top - head_mm, width, head_mm), facecolor="#ececec", edgecolor="none")
    y = top - head_mm
    for row in range(len(rows) + 1):
        if rules or row in {0, len(rows)}:
            d.line(
                [(left, y - row * row_mm), (left + width, y - row * row_mm)], ink.frame if row == 0 else ink.grid, 0.5
            )
    d.line([(left, top), (left + width, top)], ink.frame, 0.8)
    x = left
    for column_number, column in enumerate(columns):
        for k, words in enumerate(column.head):
            _cell(d, words, x, top - 2.0 - 2.7 * k, column, size - 0.6, "bold")
        for row, cells in enumerate(rows):
            middle = y - (row + 0.5) * row_mm
            words = cells[column_number]
            if words == "☐":
                d.box(
                    Box(x + 0.5 * column.width - 1.2, middle - 1.2, 2.4, 2.4),
                    fill=False,
                    edgecolor=ink.frame,
                    linewidth=0.7,
                )
            else:
                _cell(d, words, x, middle, column, size, "bold" if column_number == 0 else "normal")
        x += column.width
        if rules and column_number + 1 < len(columns):
            d.line([(x, top), (x, y - len(rows) * row_mm)], ink.grid, 0.35)
    d.line([(left, y - len(rows) * row_mm), (left + width, y - len(rows) * row_mm)], ink.frame, 0.8)
    return y - len(rows) * row_mm


def _cell(d: Drawing, words: str, x: float, y: float, column: Column, size: float, weight: str) -> None:
    told = panel.shortened(d, words, column.width - 1.2, size, weight)
    at = {"left": x + 0.9, "center": x + 0.5 * column.width, "right": x + column.width - 0.9}[column.align]
    d.text(at, y, told, size, ha=column.align, va="center", weight=weight)


def write_lines(d: Drawing, box: Box, heading: str, texts: Sequence[str], *, size: float = PLAIN) -> float:
    """A heading and marked paragraphs from the top of a box, as many as fit; returns where they end."""
    while True:
        pen = panel.Pen(d, box.width, size)
        items = [pen.heading(heading)] if heading else []
        for text in texts:
            items += pen.paragraph(text, hang=2.6, mark="·")
        placed = panel.flow(items, (box,))
        if placed is not None or size <= 5.2:
            break
        size -= 0.3
    if placed is None:
        return write_lines(d, box, heading, texts[:-1], size=size) if texts else box.top
    for item in placed:
        item.draw()
    return min((item.y - item.item.height for item in placed), default=box.top)


def write_columns(d: Drawing, top: float, low: float, texts: Sequence[tuple[str, Sequence[str]]]) -> None:
    """Headings with their lines: side by side under the map, or one under the other beside it."""
    box = d.sheet.columns[0]
    if len(d.sheet.columns) == 1:
        wide = (box.width - 5.0 * (len(texts) - 1)) / len(texts)
        for k, (heading, lines) in enumerate(texts):
            write_lines(d, Box(box.left + k * (wide + 5.0), low, wide, top - low), heading, lines)
        return
    side, size = d.sheet.columns[1], PLAIN
    while True:
        pen = panel.Pen(d, side.width, size)
        items = []
        for heading, lines in texts:
            items += [
                pen.heading(heading),
                *(item for line in lines for item in pen.paragraph(line, hang=2.6, mark="·")),
            ]
        placed = panel.flow(items, (side,))
        if placed is not None:
            break
        if size > 5.0:
            size -= 0.2
        else:  # the longest list loses its last line
            longest = max(range(len(texts)), key=lambda k: len(texts[k][1]))
            texts = [(h, lines[:-1] if k == longest else lines) for k, (h, lines) in enumerate(texts)]
    for one in placed:
        one.draw()


def bounds_of(*shapes: BaseGeometry) -> Extent:
    """The box around some shapes."""
    west, south, east, north = shapely.total_bounds(list(shapes)).tolist()
    return west, south, east, north
