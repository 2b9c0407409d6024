"""The panel of a blank sheet for drills: legend of the ground, and tables to fill in."""

from __future__ import annotations

from lastseen.products.mapsheet.drawing import Drawing
from lastseen.products.mapsheet.legend import legend_items
from lastseen.products.mapsheet.panel import Item, Pen, flow
from lastseen.products.mapsheet.shown import Shown

SIZE = 7.0
MOST_ROWS = 24
OWN_HEADS = ((0.0, "no"), (8.0, "start"), (30.0, "bearing"), (46.0, "length"))
FOUND_HEADS = ((0.0, "time"), (11.0, "what"), (26.0, "where"), (48.0, "depth"))


def fill_panel(d: Drawing, shown: Shown) -> None:
    """As many empty rows as fit."""
    pen = Pen(d, d.sheet.columns[0].width, SIZE)
    for rows in range(MOST_ROWS, 0, -1):
        items: list[Item] = [
            *legend_items(pen, shown),
            pen.heading("Your plan"),
            *pen.blank_table(OWN_HEADS, rows),
            pen.heading("What you find"),
            *pen.blank_table(FOUND_HEADS, max(3, rows // 2)),
        ]
        placed = flow(items, d.sheet.columns)
        if placed is not None:
            for one in placed:
                one.draw()
            return
