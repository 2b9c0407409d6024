"""Tables of a blank sheet: nothing of the plan, only what is asked of those who practise."""

from __future__ import annotations

from collections.abc import Sequence

from lastseen.products.mapsheet.panel import WRITE_MM, Item, Pen
from lastseen.products.mapsheet.shown import Shown
from lastseen.products.mapsheet.words import counted

LEGS = (
    (0.0, "no"),
    (7.0, "who"),
    (17.0, "start"),
    (42.0, "length"),
    (54.0, "bearing"),
    (68.0, "slope"),
    (79.0, "time"),
)
HITS = ((0.0, "no"), (7.0, "signal at"), (22.0, "hit at"), (36.0, "where"), (60.0, "depth"), (72.0, "out at"))
TIMES = ((0.0, "phase"), (40.0, "began"), (62.0, "ended"))
PHASES = (
    "clues, surface", "way to the place", "signal search", "coarse search", "fine search", "pinpointing", "shovelling",
)  # fmt: skip


def items(pen: Pen, shown: Shown) -> list[Item]:
    """Tables to fill in: legs fill the first column, the rest the second."""
    column = pen.d.sheet.columns[0].height
    left = [pen.heading("Your legs"), *pen.blank_table(LEGS, 1)]
    right = [
        pen.heading(f"Hits ({counted(shown.searchers, 'searcher')})"),
        *pen.blank_table(HITS, 10),
        pen.heading("Times"),
        *pen.filled_table(TIMES, [(one,) for one in PHASES]),
        pen.heading("Not searched, and why"),
    ]
    return [
        *left[:1],
        *pen.blank_table(LEGS, 1 + _rows(column, left)),
        *right,
        *pen.blank_table(((0.0, ""),), max(3, _rows(column, right) - 1)),
    ]


def _rows(room_mm: float, above: Sequence[Item]) -> int:
    """Rows that still fit."""
    return int((room_mm - sum(one.height for one in above)) / WRITE_MM)
