"""Tables of a blank sheet: nothing of the plan, only what is asked of those who practise."""

from __future__ import annotations

from lastseen.products.mapsheet.panel import Item, Pen
from lastseen.products.mapsheet.shown import Shown

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
    """Tables to fill in."""
    return [
        pen.heading("Your legs"),
        *pen.blank_table(LEGS, 30 if shown.searchers > 1 else 22),
        pen.heading("Hits"),
        *pen.blank_table(HITS, 8),
        pen.heading("Times"),
        *pen.filled_table(TIMES, [(one,) for one in PHASES]),
        pen.heading("Not searched, and why"),
        *pen.blank_table(((0.0, ""),), 5),
    ]
