"""The line on one page: strip, map and stretches, to print and to take along."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from lastseen import __version__
from lastseen.core import percent
from lastseen.jobs import caught_text, consequence_text, regroup_sentence, zones_text
from lastseen.output.draw import panel
from lastseen.output.draw.drawing import Drawing, start_drawing
from lastseen.output.draw.layout import (
    FOOTER_MM,
    GAP_MM,
    HEADER_MM,
    MARGIN_MM,
    PAPERS_MM,
    SCALES,
    TICKS_MM,
    UNDER_MM,
    Box,
    Sheet,
)
from lastseen.output.draw.line_map import draw_frame_of, draw_map_body, header_lines, shown_bounds
from lastseen.output.draw.line_profile import draw_strip
from lastseen.output.draw.map import own_look, write_pdf
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.panel import Item, Pen

if TYPE_CHECKING:
    from lastseen.jobs import LineView, Stretch

STRIP_MM, TABLE_MM = 74.0, 70.0
STRIP_AXIS_MM = 30.0  # room for the words beside the strip
SIZES = (7.0, 6.6, 6.3, 6.0)  # points; smaller ones cannot be read outdoors


def write_line_sheet(view: LineView, path: Path) -> None:
    """Write the page as PDF at a round scale; the same reading gives the same bytes."""
    with own_look():
        write_pdf([draw_line_sheet(view)], path, view.scenario.name or "Pre-read line")


def draw_line_sheet(view: LineView) -> Drawing:
    """The page, drawn but not written."""
    d = start_drawing(_laid_out(shown_bounds(view.reading)), load_palette())
    draw_map_body(d, view)
    draw_frame_of(d, view)
    s = d.sheet
    low = s.body.top + GAP_MM + 8.0
    place = (
        (MARGIN_MM + STRIP_AXIS_MM) / s.width,
        low / s.height,
        (s.width - 2 * MARGIN_MM - STRIP_AXIS_MM - 2.0) / s.width,
        (s.header.bottom - low) / s.height,
    )
    draw_strip(d.figure, view.reading, d.palette, place, small=6.6)
    panel.draw_header(d, view.scenario.name or "Pre-read line", header_lines(view))
    panel.draw_footer(d, 0, 0, __version__)
    _fill(d, view)
    return d


def _laid_out(bounds: tuple[float, float, float, float]) -> Sheet:
    """A portrait page: strip above, map in the middle, words below; the largest round scale that shows the bounds."""
    width, height = PAPERS_MM["A4"]
    m, inner = MARGIN_MM, width - 2 * MARGIN_MM
    header = Box(m, height - m - HEADER_MM, inner, HEADER_MM)
    footer = Box(m, m, inner, FOOTER_MM)
    table = Box(m, footer.top + 2.0, inner, TABLE_MM)
    under = Box(m + TICKS_MM, table.top + 1.0, inner - TICKS_MM, UNDER_MM)
    body = Box(
        m + TICKS_MM, under.top + TICKS_MM, inner - TICKS_MM, header.bottom - STRIP_MM - under.top - TICKS_MM - GAP_MM
    )
    wide = (inner - 2 * GAP_MM) / 3
    columns = tuple(Box(m + k * (wide + GAP_MM), table.bottom, wide, table.height) for k in range(3))
    page = Sheet("A4", width, height, header, body, under, footer, columns)
    west, south, east, north = bounds
    for scale in SCALES:
        k = scale / 1000.0
        if (east - west) / k + 12.0 <= body.width and (north - south) / k + 12.0 <= body.height:
            break
    x, y = 0.5 * (west + east - body.width * k), 0.5 * (south + north - body.height * k)
    return replace(page, scale=scale, extent=(x, y, x + body.width * k, y + body.height * k))


def _fill(d: Drawing, view: LineView) -> None:
    """The stretches in the largest text in which all fit; the least exposed are left to the table where none does."""
    r = view.reading
    ranked = sorted(r.stretches, key=lambda stretch: (-_weight(stretch), stretch.number))
    for size in SIZES:
        pen = Pen(d, d.sheet.columns[0].width, size)
        for most in (len(ranked),) if size > SIZES[-1] else range(len(ranked), 0, -1):
            kept = {one.number for one in ranked[:most]}
            placed = panel.flow(_items(pen, view, kept), d.sheet.columns)
            if placed is not None:
                for one in placed:
                    one.draw()
                return


def _weight(stretch: Stretch) -> float:
    return (
        stretch.exposure * max(stretch.burial, stretch.trauma, stretch.water, stretch.no_way_out)
        + 0.01 * stretch.exposure
    )


def _items(pen: Pen, view: LineView, kept: set[int]) -> list[Item]:
    r = view.reading
    items = [pen.heading("Stretches, % of events")]
    for stretch in r.stretches:
        if stretch.number not in kept:
            continue
        where = f"{stretch.from_m:.0f} to {stretch.to_m:.0f} m"
        if stretch.state in ("not reached", "no data"):
            words = f"{where}: {'no data' if stretch.state == 'no data' else 'no start zone in this model reaches it'}."
        else:
            zones = f" ({zones_text(r, stretch)})" if stretch.zones else ""
            told = consequence_text(stretch) or "nothing of the four in 10 %"
            come = "snow can start here" if stretch.state == "starts here" else f"{percent(stretch.exposure)}{zones}"
            words = f"{where}, {stretch.slope_deg:.0f}°: {come}. {caught_text(r, stretch) or told}"
        items += pen.paragraph(words, hang=4.4, mark=str(stretch.number))
    if len(kept) < len(r.stretches):
        items += pen.paragraph(f"{len(r.stretches) - len(kept)} less exposed ones in stretches.csv")
    if r.regroup:
        items.append(pen.heading("Places to regroup"))
        for place in r.regroup:
            items += pen.paragraph(f"At {place.along_m:.0f} m. {regroup_sentence(place)}", hang=4.4, mark=place.letter)
    return items
