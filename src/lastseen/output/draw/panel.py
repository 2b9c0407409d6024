"""Text and tables on a page: items that flow down columns, legends, tables, lists of sentences."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain
from typing import Any, NamedTuple

from lastseen.core import short_percent
from lastseen.output.draw.drawing import MM_PER_POINT, Drawing
from lastseen.output.draw.layout import Box

TEXT, LEAST_TEXT = 6.4, 6.0
WRITE_MM = 6.2  # height of a row to write in
LEADING = 1.27
SYMBOL_MM, SYMBOL_HIGH_MM, LEGEND_ROW_MM = 7.6, 2.6, 3.5
_UNIT = re.compile(r"(?<=\d) (?=(?:%|m²|m³|m2|m|min|h|degrees)(?!\w))")  # a number and its unit stay together
Draw = Callable[[float, float], None]
Symbol = Draw  # left edge, and middle of the symbol or upper edge of the item
Entry = tuple[Symbol, str]


@dataclass(frozen=True)
class Item:
    """Something in the panel."""

    height: float
    draw: Draw
    keep: bool = False  # must not be the last in a column


class Placed(NamedTuple):
    """An item in its place: left and upper edge, and the number of its column."""

    item: Item
    x: float
    y: float
    column: int


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

    def heading(self, text: str) -> Item:
        """A heading with air above."""
        air, size = 0.7 * self.line, self.size + 1.0

        def draw(x: float, y: float) -> None:
            short = shortened(self.d, text, self.width, size, "bold")
            self.d.text(x, y - air - 0.5 * line_mm(size), short, size, weight="bold", va="center")

        return Item(line_mm(size) + air + 0.4, draw, keep=True)

    def paragraph(self, text: str, *, hang: float = 0.0, mark: str = "") -> list[Item]:
        """Wrapped text, with a mark in front where one is given."""
        indent = hang * self.ratio
        lines = wrapped(self.d, text, self.width - indent, self.size)
        items = []
        for number, line in enumerate(lines):

            def draw(x: float, y: float, line: str = line, front: str = "" if number else mark) -> None:
                middle = y - 0.5 * self.line
                if front:
                    self.d.text(x, middle, front, self.size, weight="bold", va="center")
                self.d.text(x + indent, middle, line, self.size, va="center")

            items.append(Item(self.line, draw, keep=number + 1 < len(lines)))
        return items

    def marked(self, sentences: Iterable[str], mark: str = "·") -> list[Item]:
        """Sentences, each with a mark in front."""
        return [item for sentence in sentences for item in self.paragraph(sentence, hang=2.6, mark=mark)]

    def notes(self, heading: str, sentences: Sequence[str], mark: str = "·") -> list[Item]:
        """A heading over marked sentences; nothing where there are none."""
        return [self.heading(heading), *self.marked(sentences, mark)] if sentences else []

    def named_lines(self, rows: Iterable[tuple[str, str]], *, hang: float) -> list[Item]:
        """Paragraphs, each with its name in front."""
        return [item for name, text in rows for item in self.paragraph(text, hang=hang, mark=name)]

    def row(self, cells: Sequence[tuple[float, str]], *, bold: bool = False, to_right: Collection[float] = ()) -> Item:
        """A row of a table: pairs of offset and text; text at the offsets ``to_right`` ends there."""
        weight = "bold" if bold else "normal"

        def draw(x: float, y: float) -> None:
            for offset, text in cells:
                indent, ends = offset * self.ratio, offset in to_right
                short = shortened(self.d, text, indent if ends else self.width - indent, self.size, weight)
                look = {"va": "center", "weight": weight, "ha": "right" if ends else "left"}
                self.d.text(x + indent, y - 0.5 * self.line, short, self.size, **look)

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
            for (offset, _), text in zip(heads, cells, strict=False):
                self.d.text(x + offset * self.ratio, y - 0.5 * high, text, self.size, va="center")

        return [replace(top, keep=True), *(Item(high, partial(draw, cells=cells)) for cells in rows)]

    def legend(self, entries: Sequence[Entry], *, in_order: bool = False) -> list[Item]:
        """Symbols with their names, two to a row where both are short; short ones come first unless ``in_order``."""
        high, room = max(LEGEND_ROW_MM, 1.15 * self.line), 0.5 * self.width - SYMBOL_MM - 2.2
        rows: list[list[Entry]] = []
        pairing: list[Entry] | None = None  # a row that has room for a second entry
        short = [self.d.width_mm(name, self.size) <= room for _, name in entries]
        order = range(len(entries)) if in_order else sorted(range(len(entries)), key=lambda k: not short[k])
        for k in order:
            if short[k] and pairing:
                pairing.append(entries[k])
                pairing = None
            else:
                rows.append([entries[k]])
                pairing = rows[-1] if short[k] else None
        return [self._legend_row(row, high) for row in rows]

    def _legend_row(self, row: Sequence[Entry], high: float) -> Item:
        room = self.width / len(row) - SYMBOL_MM - 2.0
        whole = [self.d.width_mm(name, self.size) <= room for _, name in row]
        lines = [[e[1]] if fits else wrapped(self.d, e[1], room, self.size) for e, fits in zip(row, whole, strict=True)]

        def draw(x: float, y: float) -> None:
            for k, (symbol, _) in enumerate(row):
                left, middle = x + k * 0.5 * self.width, y - 0.5 * high
                symbol(left, middle)
                for number, line in enumerate(lines[k]):
                    self.d.text(left + SYMBOL_MM + 1.9, middle - number * self.line, line, self.size, va="center")

        return Item(high + self.line * (max(map(len, lines)) - 1), draw)

    def ramp(
        self, title: str, colours: Sequence[str], levels: Sequence[str], *, end: str = "", least: float = 0.0
    ) -> Item:
        """Steps of a ramp under a title, each with the value from which it holds; no text below ``least`` points."""
        d, small = self.d, max(least, self.size - 0.6)
        step = min(14.0, (self.width - 4.0) / len(colours))

        def draw(x: float, y: float) -> None:
            d.text(x, y - 0.5 * self.line, title, self.size, va="center")
            low = y - self.line - 3.2
            edge = {"edgecolor": d.palette.ground.faint_text, "linewidth": 0.3}
            for k, (colour, level) in enumerate(zip(colours, levels, strict=True)):
                d.box(Box(x + k * step, low, step, 2.8), facecolor=colour, **edge)
                d.text(x + k * step, low - 1.6, level, small, va="center", ha="center" if k else "left")
            d.text(x + len(colours) * step, low - 1.6, end, small, va="center", ha="center")

        return Item(self.line + 7.2, draw)


def share_levels(levels: Sequence[float]) -> list[str]:
    """Shares in per cent, without the sign."""
    return [short_percent(level).removesuffix(" %") for level in levels]


def line_symbol(d: Drawing, color: str, width: float, dashes: tuple[float, ...] = (), *, arrow: float = 0.0) -> Symbol:
    """A line, with an arrow head at its end where one is wanted."""

    def draw(x: float, y: float) -> None:
        d.line([(x, y), (x + SYMBOL_MM, y)], color, width, dashes)
        if arrow:
            d.arrow(x + SYMBOL_MM, y, 0.0, arrow, color)

    return draw


def patch_symbol(d: Drawing, **look: Any) -> Symbol:
    """A small rectangle."""
    return lambda x, y: d.box(Box(x, y - SYMBOL_HIGH_MM / 2, SYMBOL_MM, SYMBOL_HIGH_MM), **look)


def middle_symbol(draw: Draw) -> Symbol:
    """A mark in the middle of the place of a symbol."""
    return lambda x, y: draw(x + SYMBOL_MM / 2, y)


def line_mm(size: float) -> float:
    """Height of a line of text."""
    return size * MM_PER_POINT * LEADING


def wrapped(d: Drawing, text: str, width: float, size: float) -> list[str]:
    """Lines that fit a width; a word longer than that is cut."""
    lines, current = [], ""
    for given in _UNIT.sub("\u00a0", text).split(" "):
        word = shortened(d, given, width, size)
        tried = f"{current} {word}".strip()
        full = current and d.width_mm(tried, size) > width
        lines += [current] if full else []
        current = word if full else tried
    return [*lines, current] if current else lines


def shortened(d: Drawing, text: str, width: float, size: float, weight: str = "normal") -> str:
    """The text, cut with an ellipsis where it is too long."""
    if d.width_mm(text, size, weight) <= width:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        fits = d.width_mm(text[:middle].rstrip() + "…", size, weight) <= width
        low, high = (middle, high) if fits else (low, middle - 1)
    return text[:low].rstrip() + "…"


def sentence_of(note: str) -> str:
    """A note with a capital letter and a full stop; a name of a file at its beginning stays as it is."""
    text = note if "." in note.split(maxsplit=1)[0] else note[0].upper() + note[1:]
    return text if text.endswith(".") else f"{text}."


def draw_first_fit(columns: Sequence[Box], choices: Iterable[Sequence[Item]]) -> int | None:
    """Draw the first of some contents that fits the columns; its number, None where none does."""
    for number, items in enumerate(choices):
        placed = flow(items, columns)
        if placed is not None:
            for place in placed:
                place.item.draw(place.x, place.y)
            return number
    return None


def flow(items: Sequence[Item], columns: Sequence[Box]) -> list[Placed] | None:
    """Places of all items, column after column; None where they do not fit."""
    placed: list[Placed] = []
    column, y, k = 0, columns[0].top, 0
    while k < len(items):
        last = k
        while items[last].keep and last + 1 < len(items) and last - k < 6:
            last += 1
        group = items[k : last + 1]
        height = sum(item.height for item in group)
        if y - height < columns[column].bottom - 1e-6:
            column += 1
            if column == len(columns):
                return None
            y = columns[column].top
            if height > columns[column].height:
                return None
        for item in group:
            placed.append(Placed(item, columns[column].left, y, column))
            y -= item.height
        k = last + 1
    return placed


# ---- Ruled tables at a fixed place, and lists in a box

PLAIN, SMALL = 6.6, 5.8
BOX_TO_TICK = "☐"


@dataclass(frozen=True)
class Column:
    """A column of a table: its head (lines), its width in millimetres, and how text stands in it."""

    head: tuple[str, ...]
    width: float
    align: str = "left"


def draw_table(
    d: Drawing, corner: tuple[float, float], columns: Sequence[Column], rows: Sequence[Sequence[str]],
    *, row_mm: float = 4.2, size: float = PLAIN,
) -> float:  # fmt: skip
    """A table from its upper left corner; returns where it ends. `BOX_TO_TICK` is drawn as a square."""
    ink, (left, top) = d.palette.ground, corner
    head_mm = max(len(column.head) for column in columns) * 2.7 + 1.4
    right = left + sum(column.width for column in columns)
    y, end = top - head_mm, top - head_mm - len(rows) * row_mm
    d.box(Box(left, y, right - left, head_mm), facecolor="#ececec", edgecolor="none")
    for row in range(len(rows) + 1):
        d.line([(left, y - row * row_mm), (right, y - row * row_mm)], ink.grid if row else ink.frame, 0.5)
    d.line([(left, top), (right, top)], ink.frame, 0.8)
    x = left
    for number, column in enumerate(columns):
        for k, text in enumerate(column.head):
            _draw_cell(d, text, (x, top - 2.0 - 2.7 * k), column, size=size - 0.6, weight="bold")
        for row, cells in enumerate(rows):
            middle = y - (row + 0.5) * row_mm
            if cells[number] == BOX_TO_TICK:
                d.square(x + 0.5 * column.width, middle, 1.2, fill=False, edgecolor=ink.frame, linewidth=0.7)
            else:
                _draw_cell(d, cells[number], (x, middle), column, size=size, weight="normal" if number else "bold")
        x += column.width
        if number + 1 < len(columns):
            d.line([(x, top), (x, end)], ink.grid, 0.35)
    d.line([(left, end), (right, end)], ink.frame, 0.8)
    return end


def _draw_cell(d: Drawing, text: str, at: tuple[float, float], column: Column, *, size: float, weight: str) -> None:
    short = shortened(d, text, column.width - 1.2, size, weight)
    aside = {"left": 0.9, "center": 0.5 * column.width, "right": column.width - 0.9}[column.align]
    d.text(at[0] + aside, at[1], short, size, ha=column.align, va="center", weight=weight)


def draw_list(d: Drawing, box: Box, heading: str, sentences: Sequence[str], *, size: float = PLAIN) -> None:
    """A heading over marked sentences from the top of a box, smaller where needed, as many as fit."""
    sizes = _sizes(size, 0.3, 5.2)
    fewer = ((sizes[-1], sentences[:most]) for most in range(len(sentences) - 1, -1, -1))
    choices = chain(((pt, sentences) for pt in sizes), fewer)
    draw_first_fit((box,), (_listed(Pen(d, box.width, pt), [(heading, kept)]) for pt, kept in choices))


def draw_lists(d: Drawing, top: float, low: float, lists: Sequence[tuple[str, Sequence[str]]]) -> None:
    """Headings with their sentences: side by side under the map, or one under the other beside it."""
    box = d.sheet.columns[0]
    if len(d.sheet.columns) == 1:
        wide = (box.width - 5.0 * (len(lists) - 1)) / len(lists)
        for k, (heading, sentences) in enumerate(lists):
            draw_list(d, Box(box.left + k * (wide + 5.0), low, wide, top - low), heading, sentences)
        return
    side = d.sheet.columns[1]

    def choices() -> Iterator[list[Item]]:
        kept, sizes = list(lists), _sizes(PLAIN, 0.2, 5.0)
        for size in sizes:
            yield _listed(Pen(d, side.width, size), kept)
        while any(sentences for _, sentences in kept):  # the longest list loses its last sentence
            longest = max(range(len(kept)), key=lambda k: len(kept[k][1]))
            kept[longest] = (kept[longest][0], kept[longest][1][:-1])
            yield _listed(Pen(d, side.width, sizes[-1]), kept)

    draw_first_fit((side,), choices())


def _listed(pen: Pen, lists: Sequence[tuple[str, Sequence[str]]]) -> list[Item]:
    return [item for heading, sentences in lists for item in (pen.heading(heading), *pen.marked(sentences))]


def _sizes(first: float, step: float, last: float) -> list[float]:
    """Sizes of text from the largest, each smaller by a step, to the first that is not above the last."""
    sizes = [first]
    while sizes[-1] > last:
        sizes.append(sizes[-1] - step)
    return sizes
