"""The panel beside the body: legend, numbers, lanes, traps, notes; and the title and the caution."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from lastseen.products.caution import FULL_CAUTION
from lastseen.products.mapsheet.drawing import MM_PER_POINT, Drawing
from lastseen.products.mapsheet.layout import Box

TEXT, TITLE = 6.4, 14.0
LEADING = 1.27
_UNIT = re.compile(r"(?<=\d) (?=(?:%|m²|m³|m2|m|min|h|degrees)(?!\w))")  # a number and its unit stay together
Draw = Callable[[float, float], None]  # left edge and upper edge of the item


@dataclass(frozen=True)
class Item:
    """Something in the panel.

    Attributes
    ----------
    height : float
    draw : callable
    keep : bool
        Must not be the last in a column.
    """

    height: float
    draw: Draw
    keep: bool = False


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
        for number, one in enumerate(lines):
            front = mark if number == 0 else ""

            def draw(x: float, y: float, one: str = one, front: str = front) -> None:
                middle = y - 0.5 * self.line
                if front:
                    self.d.text(x, middle, front, self.size, weight="bold", va="center")
                self.d.text(x + indent, middle, one, self.size, va="center")

            items.append(Item(self.line, draw, keep=number + 1 < len(lines)))
        return items

    def row(self, cells: Sequence[tuple[float, str]], *, bold: bool = False) -> Item:
        """A row of a table: pairs of offset and text."""
        weight = "bold" if bold else "normal"

        def draw(x: float, y: float) -> None:
            for offset, words in cells:
                indent = offset * self.ratio
                told = shortened(self.d, words, self.width - indent, self.size, weight)
                self.d.text(x + indent, y - 0.5 * self.line, told, self.size, va="center", weight=weight)

        return Item(self.line, draw)


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


def flow(items: Sequence[Item], columns: Sequence[Box]) -> list[tuple[Item, float, float]] | None:
    """Places of all items, column after column; None where they do not fit."""
    placed: list[tuple[Item, float, float]] = []
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
            placed.append((one, columns[column].left, y))
            y -= one.height
        k = last + 1
    return placed


def draw_header(d: Drawing, title: str, lines: Sequence[str]) -> None:
    """Title over the sheet, and what the plan is about."""
    h = d.sheet.header
    words = shortened(d, " ".join(title.split()), h.width, TITLE, "bold")
    d.text(h.left, h.top - 2.8, words, TITLE, weight="bold", va="center")
    for number, one in enumerate(lines):
        d.text(h.left, h.top - 7.8 - 3.2 * number, shortened(d, one, h.width, 7.0), 7.0, va="center")


def draw_footer(d: Drawing, version: str) -> None:
    """The caution, boxed, over the whole width."""
    f = d.sheet.footer
    d.box(f, facecolor="none", edgecolor=d.palette.ground.frame, linewidth=0.9)
    size = TEXT
    lines = wrapped(d, f"{FULL_CAUTION} ({version})", f.width - 4.0, size)
    while len(lines) * line_mm(size) > f.height - 1.4 and size > 4.6:
        size -= 0.2
        lines = wrapped(d, f"{FULL_CAUTION} ({version})", f.width - 4.0, size)
    top = f.bottom + 0.5 * (f.height + len(lines) * line_mm(size))
    for number, one in enumerate(lines):
        d.text(f.left + 2.0, top - (number + 0.5) * line_mm(size), one, size, va="center")
