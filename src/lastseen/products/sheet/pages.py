"""Pages of text beside the map: columns that flow from page to page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import count

from lastseen.products.mapsheet.drawing import Drawing, start_page
from lastseen.products.mapsheet.layout import GAP_MM, MARGIN_MM, Box, Sheet
from lastseen.products.mapsheet.panel import Item, Pen, draw_header, flow

SIZE = 6.6
HEADER_MM = 10.0
COLUMN_MM = 90.0  # least width of a column
Build = Callable[[Pen], Sequence[Item]]


def text_pages(sheet: Sheet, title: str, about: str, mark: str, build: Build) -> list[Drawing]:
    """Pages of the same paper as the map's, as many as the items take.

    ``build`` makes all items with a pen; it is called for every page, and each page draws those that fall on it.
    """
    layout = _text_layout(sheet)
    first = _new_page(layout, title, about, mark)
    items, many = build(_pen(first)), len(layout.columns)
    placed = next(
        found for pages in count(1) if (found := flow(items, layout.columns * pages)) is not None or pages > len(items)
    )
    if not placed:
        return []
    drawings = [first, *(_new_page(layout, title, about, mark) for _ in range(placed[-1].column // many))]
    for number, page in enumerate(drawings):
        own = items if page is first else build(_pen(page))
        for item, one in zip(own, placed, strict=True):
            if one.column // many == number:
                item.draw(one.x, one.y)
    return drawings


def _pen(page: Drawing) -> Pen:
    return Pen(page, page.sheet.columns[0].width, SIZE)


def _text_layout(sheet: Sheet) -> Sheet:
    """The same paper with columns from the header to the caution."""
    m = MARGIN_MM
    header = Box(m, sheet.height - m - HEADER_MM, sheet.width - 2 * m, HEADER_MM)
    low, high = sheet.footer.top + GAP_MM, header.bottom
    many = int((header.width + GAP_MM) / (COLUMN_MM + GAP_MM))
    wide = (header.width - (many - 1) * GAP_MM) / many
    columns = tuple(Box(m + k * (wide + GAP_MM), low, wide, high - low) for k in range(many))
    return replace(sheet, header=header, columns=columns, overview=None, overview_extent=None)


def _new_page(layout: Sheet, title: str, about: str, mark: str) -> Drawing:
    page = start_page(layout)
    draw_header(page, title, (about,), mark=mark)
    return page
