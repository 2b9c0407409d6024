"""What the pages beside the map say, in the order in which it is needed."""

from __future__ import annotations

from collections.abc import Sequence

from lastseen.products.mapsheet.panel import Item, Pen
from lastseen.products.mapsheet.shown import Shown
from lastseen.products.sheet import assumptions, craft
from lastseen.products.sheet.legs import leg_items
from lastseen.wording import short_percent

TARGETS = ((0.0, "no"), (6.0, "MGRS"), (32.0, "depth"), (43.0, "laid by"), (60.0, "found at"), (74.0, "out at"))
PHASES = ((0.0, "phase"), (37.0, "planned"), (58.0, "began"), (74.0, "ended"))


def items(pen: Pen, shown: Shown) -> list[Item]:
    """Legs, clock, digging and probing, traps, deposition zones, assumptions, notes, sources."""
    case = craft.rescue_of(shown)
    return [
        *leg_items(pen, shown),
        *craft.clock_items(pen, case),
        *craft.dig_items(pen, case),
        *craft.probe_items(pen, case),
        *trap_items(pen, shown),
        *zone_items(pen, shown),
        *assumptions.assumption_items(pen, shown),
        *said(pen, "Notes", shown.numbers["notes"]),
        *said(pen, "Sources", assumptions.sources(shown, case)),
    ]


def staff_items(pen: Pen, shown: Shown) -> list[Item]:
    """The same, after tables for the instructor."""
    case = craft.rescue_of(shown)
    planned = [f"{one.letter or '–'}  {one.name}" for one in case.clock.phases] if case.clock else []
    return [
        pen.heading("Hidden targets (fill in; count all transmitters back in)"),
        *pen.blank_table(TARGETS, 8),
        pen.heading("Times of the drill"),
        *pen.filled_table(
            PHASES, [(name, craft.range_text(one)) for name, one in zip(planned, case.times(), strict=True)]
        ),
        *items(pen, shown),
    ]


def trap_items(pen: Pen, shown: Shown) -> list[Item]:
    """Every trap with its reason and who meets it."""
    if not shown.traps:
        return []
    found = [pen.heading("Terrain traps, by weight (persons who enter / stop)")]
    for trap in shown.traps:
        passes, ends = short_percent(round(trap.person_passes, 2)), short_percent(round(trap.person_ends, 2))
        words = f"{trap.kind.capitalize()}: {trap.consequences}. {passes} / {ends}. {trap.reason}"
        found += pen.paragraph(words, hang=6.5, mark=trap.name)
    return found


def zone_items(pen: Pen, shown: Shown) -> list[Item]:
    """Deposition zones with their reason."""
    if not shown.zones:
        return []
    found = [pen.heading("Deposition zones, most likely first")]
    for zone in shown.zones:
        found += pen.paragraph(zone.reason, hang=6.5, mark=f"Z{zone.number}")
    return found


def said(pen: Pen, heading: str, sentences: Sequence[str]) -> list[Item]:
    """A list of sentences under a heading."""
    if not sentences:
        return []
    found = [pen.heading(heading)]
    for one in sentences:
        text = one[0].upper() + one[1:]
        found += pen.paragraph(text if text.endswith(".") else f"{text}.", hang=2.6, mark="•")
    return found
