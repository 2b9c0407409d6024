"""The panel beside the body: legend, numbers, lanes, traps, notes; and the title and the caution."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import partial

from lastseen.output.draw.drawing import MM_PER_POINT, Drawing
from lastseen.output.draw.layout import Box
from lastseen.output.result import FULL_CAUTION

TEXT, TITLE, LEAST_TEXT = 6.4, 14.0, 6.0
WRITE_MM = 6.2  # height of a row to write in
LEADING = 1.27
_UNIT = re.compile(r"(?<=\d) (?=(?:%|m²|m³|m2|m|min|h|degrees)(?!\w))")  # a number and its unit stay together
WRITE_IN = (("Date", 0.16), ("Time", 0.13), ("Team", 0.41), ("Lead", 0.3))  # with their shares of the width
Draw = Callable[[float, float], None]  # left edge and upper edge of the item


@dataclass(frozen=True)
class Item:
    """Something in the panel."""

    height: float
    draw: Draw
    keep: bool = False  # must not be the last in a column


@dataclass(frozen=True)
class Placed:
    """An item in its place: left and upper edge, and the number of its column."""

    item: Item
    x: float
    y: float
    column: int

    def draw(self) -> None:
        """Draw it there."""
        self.item.draw(self.x, self.y)


@dataclass(frozen=True)
class Pen:
    """What the panel is written with: the sheet, the width of a column, the size of the text in points."""

    d: Drawing
    width: float
    size: float

    @property
    def line(self) -> float:
        """Height of a line of text."""
        return line_mm(self.size)

    @property
    def ratio(self) -> float:
        """Against the smallest text; offsets in tables grow with it."""
        return self.size / TEXT

    def heading(self, words: str) -> Item:
        """A heading with air above."""
        air, size = 0.7 * self.line, self.size + 1.0

        def draw(x: float, y: float) -> None:
            told = shortened(self.d, words, self.width, size, "bold")
            self.d.text(x, y - air - 0.5 * line_mm(size), told, size, weight="bold", va="center")

        return Item(line_mm(size) + air + 0.4, draw, keep=True)

    def paragraph(self, words: str, *, hang: float = 0.0, mark: str = "") -> list[Item]:
        """Wrapped text, with a mark in front where one is given."""
        indent = hang * self.ratio
        lines = wrapped(self.d, words, self.width - indent, self.size)
        items = []
        for number, line in enumerate(lines):
            front = mark if number == 0 else ""

            def draw(x: float, y: float, text: str = line, front: str = front) -> None:
                middle = y - 0.5 * self.line
                if front:
                    self.d.text(x, middle, front, self.size, weight="bold", va="center")
                self.d.text(x + indent, middle, text, self.size, va="center")

            items.append(Item(self.line, draw, keep=number + 1 < len(lines)))
        return items

    def row(self, cells: Sequence[tuple[float, str]], *, bold: bool = False, to_right: Collection[float] = ()) -> Item:
        """A row of a table: pairs of offset and text; text at the offsets ``to_right`` ends there."""
        weight = "bold" if bold else "normal"

        def draw(x: float, y: float) -> None:
            for offset, words in cells:
                indent, ends = offset * self.ratio, offset in to_right
                told = shortened(self.d, words, indent if ends else self.width - indent, self.size, weight)
                look = {"va": "center", "weight": weight, "ha": "right" if ends else "left"}
                self.d.text(x + indent, y - 0.5 * self.line, told, self.size, **look)

        return Item(self.line, draw)

    def blank_table(self, heads: Sequence[tuple[float, str]], rows: int) -> list[Item]:
        """An empty table to fill in: pairs of offset and heading, then rows."""
        return self.filled_table(heads, [()] * rows)

    def filled_table(self, heads: Sequence[tuple[float, str]], rows: Sequence[Sequence[str]]) -> list[Item]:
        """A table to fill in by hand whose first cells are given."""
        top, high = self.row(heads, bold=True), WRITE_MM
        ink = self.d.palette.ground.grid
        last = heads[0][0]
        edges = [last + (offset - last) * self.ratio - 0.8 for offset, _ in heads[1:]]

        def draw(x: float, y: float, cells: Sequence[str] = ()) -> None:
            self.d.line([(x, y), (x + self.width, y)], ink, 0.5)
            self.d.line([(x, y - high), (x + self.width, y - high)], ink, 0.5)
            for edge in edges:
                self.d.line([(x + edge, y), (x + edge, y - high)], ink, 0.4)
            for (offset, _), words in zip(heads, cells, strict=False):
                self.d.text(x + offset * self.ratio, y - 0.5 * high, words, self.size, va="center")

        return [replace(top, keep=True), *(Item(high, partial(draw, cells=cells)) for cells in rows)]


def line_mm(size: float) -> float:
    """Height of a line of text."""
    return size * MM_PER_POINT * LEADING


def wrapped(d: Drawing, words: str, width: float, size: float) -> list[str]:
    """Lines that fit a width; a word longer than that is cut."""
    lines, current = [], ""
    for given in _UNIT.sub("\u00a0", words).split(" "):
        word = shortened(d, given, width, size)
        tried = f"{current} {word}".strip()
        if current and d.width_mm(tried, size) > width:
            lines.append(current)
            current = word
        else:
            current = tried
    return [*lines, current] if current else lines


def shortened(d: Drawing, words: str, width: float, size: float, weight: str = "normal") -> str:
    """The text, cut with an ellipsis where it is too long."""
    if d.width_mm(words, size, weight) <= width:
        return words
    low, high = 0, len(words)
    while low < high:
        middle = (low + high + 1) // 2
        if d.width_mm(words[:middle].rstrip() + "…", size, weight) <= width:
            low = middle
        else:
            high = middle - 1
    return words[:low].rstrip() + "…"


def flow(items: Sequence[Item], columns: Sequence[Box]) -> list[Placed] | None:
    """Places of all items, column after column; None where they do not fit."""
    placed: list[Placed] = []
    column, y = 0, columns[0].top
    k = 0
    while k < len(items):
        last = k
        while items[last].keep and last + 1 < len(items) and last - k < 6:
            last += 1
        group = items[k : last + 1]
        height = sum(one.height for one in group)
        if y - height < columns[column].bottom - 1e-6:
            column += 1
            if column == len(columns):
                return None
            y = columns[column].top
            if height > columns[column].height:
                return None
        for one in group:
            placed.append(Placed(one, columns[column].left, y, column))
            y -= one.height
        k = last + 1
    return placed


def draw_header(d: Drawing, title: str, lines: Sequence[str], *, mark: str = "") -> None:
    """Title over the sheet, what the plan is about, and at the right what kind of sheet it is."""
    h = d.sheet.header
    if mark:
        d.text(h.right, h.top - 2.8, mark, 9.0, weight="bold", va="center", ha="right")
    room = h.width - (d.width_mm(mark, 9.0, "bold") + 6.0 if mark else 0.0)
    words = shortened(d, " ".join(title.split()), room, TITLE, "bold")
    d.text(h.left, h.top - 2.8, words, TITLE, weight="bold", va="center")
    for number, line in enumerate(lines):
        d.text(h.left, h.top - 7.8 - 3.2 * number, shortened(d, line, h.width, 7.0), 7.0, va="center")


def draw_write_in(d: Drawing) -> None:
    """Lines to write on: the sheet is filled in by hand."""
    h, ink = d.sheet.header, d.palette.ground.frame
    y, x = h.bottom + 2.6, h.left
    for name, share in WRITE_IN:
        width = share * h.width
        d.text(x, y, name, 7.0, va="bottom", weight="bold")
        d.line([(x + d.width_mm(name, 7.0, "bold") + 1.2, y), (x + width - 3.0, y)], ink, 0.5)
        x += width


def draw_footer(d: Drawing, page: int, pages: int, version: str) -> None:
    """The caution, boxed, over the whole width; version and page."""
    f = d.sheet.footer
    d.box(f, facecolor="none", edgecolor=d.palette.ground.frame, linewidth=0.9)
    lines = wrapped(d, FULL_CAUTION, f.width - 4.0, TEXT)
    if len(lines) * line_mm(TEXT) > f.height - 1.4:
        lines = wrapped(d, FULL_CAUTION, f.width - 4.0, LEAST_TEXT)
    top = f.bottom + 0.5 * (f.height + len(lines) * line_mm(TEXT))
    for number, line in enumerate(lines):
        d.text(f.left + 2.0, top - (number + 0.5) * line_mm(TEXT), line, TEXT, va="center")
    said = f"lastseen {version}" + (f", page {page} of {pages}" if pages else "")
    d.text(f.right - 2.0, top - (len(lines) - 0.5) * line_mm(TEXT), said, TEXT, va="center", ha="right")
