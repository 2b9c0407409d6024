"""A pre-reading in a terminal: the table of stretches, or the worst start zones."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from lastseen.preread.words import regroup_sentence, table_rows
from lastseen.preread.zone_words import INCIDENT_SLOPES_DEG, zone_sentence
from lastseen.products.tables import bullets, paragraphs, table

if TYPE_CHECKING:
    from lastseen.preread.story import LineView
    from lastseen.preread.tiled import AreaView

MOST_ZONES = 10


def line_summary(view: LineView, folder: Path | None) -> str:
    """The table of stretches, places to regroup, notes, the caution."""
    r = view.reading
    head, rows = table_rows(r)
    places = [f"{one.letter} at {one.along_m:.0f} m. {regroup_sentence(one)}" for one in r.regroup]
    return paragraphs(
        table(head, rows),
        "Places to regroup:\n" + (bullets(places) if places else "- none was found on or beside the line"),
        bullets(view.notes),
        f"Written to {folder}" if folder else "",
    )


def area_summary(view: AreaView, folder: Path) -> str:
    """How many start zones, the worst of them, their slopes beside those of incidents, notes, the caution."""
    low, mid, high = view.slope_percentiles_deg()
    a, b, c = INCIDENT_SLOPES_DEG
    slopes = (
        f"Slope of start cells, 5th, 50th and 95th percentile: {low:.0f}, {mid:.0f}, {high:.0f} degrees; of reported "
        f"incidents (Tirol 1993-2024) {a:.0f}, {b:.0f}, {c:.0f}."
        if np.isfinite(mid)
        else ""
    )
    rows = [(str(k), zone_sentence(row)) for k, (row, _) in enumerate(view.zones[:MOST_ZONES], start=1)]
    return paragraphs(
        f"{len(view.zones)} start zones, {view.bodies:,} bodies. The worst:",
        table(("zone", "what it does to somebody who is caught in it"), rows) if rows else "",
        slopes,
        bullets(view.notes),
        f"Written to {folder}",
    )
