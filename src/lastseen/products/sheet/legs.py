"""The leg table: every stretch of every walk, to be followed with map and compass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from lastseen.products.mapsheet.panel import Item, Pen
from lastseen.products.mapsheet.shown import Leg, Shown
from lastseen.products.mapsheet.words import bearing, clock, counted, length, split_mgrs, split_walk, time_of

# Edges of the columns in shares of the width; from the length on, and the number, they are right edges.
EDGES = (0.038, 0.06, 0.212, 0.495, 0.585, 0.692, 0.785, 0.87, 1.0)
LEFT = ("leg", "start")
HEADS = ("no", "leg", "start", "length", "true", "magn.", "slope", "most", "time")
SLOPES = ("slope", "most")
DANGERS = {
    "steep": ("s", "steeper than 35° for 10 m"),
    "above a wall": ("a", "right above a wall: find another way"),
    "wall": ("w", "over a wall: find another way"),
    "no elevation": ("e", "over ground without elevation: an estimate"),
}


def leg_items(pen: Pen, shown: Shown) -> list[Item]:
    """A table for each searcher that walks."""
    if not shown.legs:
        return []
    squares = [split_mgrs(one["start"]["mgrs"])[0] for one in shown.numbers["route"]]
    square = max(sorted(set(squares)), key=squares.count)
    found = [pen.heading(f"Legs; starts are MGRS east and north in {square}, to 1 m")]
    rows = list(zip(shown.legs, shown.numbers["route"], strict=True))
    for searcher in range(1, shown.searchers + 1):
        own = [(leg, row) for leg, row in rows if leg.searcher == searcher]
        if own:
            found += _of_searcher(pen, shown, searcher, own, square)
    idle = [k for k in range(1, shown.searchers + 1) if not shown.walk(k)]
    if idle:
        found += pen.paragraph(f"{', '.join(f'S{k}' for k in idle)}: no lane of their own, probe and shovel ready.")
    return [*found, *_key(pen, shown)]


def _of_searcher(
    pen: Pen, shown: Shown, searcher: int, rows: Sequence[tuple[Leg, dict[str, Any]]], square: str
) -> list[Item]:
    there, walk = split_walk(shown, searcher)
    lanes = len({leg.lane for leg in walk if leg.lane is not None})
    words = (
        f"{counted(lanes, 'lane')}; approach {length(there)}, {clock(time_of(there))}; search {length(walk)}, "
        f"{clock(time_of(walk))}; both {clock(time_of([*there, *walk]))}"
    )
    head = [replace(one, keep=True) for one in pen.paragraph(words, hang=5.0, mark=f"S{searcher}")]
    kept = [one for one, name in enumerate(HEADS) if not (shown.flat and name in SLOPES)]  # no ground, no slope
    table = [HEADS, *(_cells(leg, row, square) for leg, row in rows)]
    edges = [edge * pen.width / pen.ratio for edge in EDGES]
    ends = [edge for edge, name in zip(edges, HEADS, strict=True) if name not in LEFT]
    made = [pen.row([(edges[k], cells[k]) for k in kept], bold=cells is HEADS, to_right=ends) for cells in table]
    return [*head, replace(made[0], keep=True), *made[1:]]


def _cells(leg: Leg, row: dict[str, Any], square: str) -> tuple[str, ...]:
    what = f"lane {leg.lane}" if leg.kind == "lane" else leg.kind
    own, east, north = split_mgrs(row["start"]["mgrs"])
    start = f"{east} {north}" if own == square else f"{own[-2:]} {east} {north}"
    slope = f"{leg.slope_deg:+.0f}°".replace("-", "\u2212") if abs(leg.slope_deg) >= 0.5 else "0°"
    mark = DANGERS[leg.danger][0] if leg.danger else ""
    return (
        str(leg.number), what, start, f"{leg.length_m:.0f} m", bearing(leg.bearing_deg_true),
        bearing(leg.bearing_deg_magnetic), slope, f"{leg.steepest_deg:.0f}°{mark}", short_time(leg.time_s),
    )  # fmt: skip


def short_time(seconds: float) -> str:
    """Minutes and seconds; over an hour, hours and minutes."""
    whole = round(seconds)
    if whole >= 3600:
        return f"{whole // 3600} h {whole % 3600 // 60:02d}"
    return f"{whole // 60}:{whole % 60:02d}"


def _key(pen: Pen, shown: Shown) -> list[Item]:
    marks = [
        f"{mark}: {words}" for name, (mark, words) in DANGERS.items() if any(leg.danger == name for leg in shown.legs)
    ]
    words = "Length on the snow; bearing at the start of the leg; time in min:s, Tobler 1993 off the path"
    slope = "" if shown.flat else "; slope + up, \u2212 down; most: its steepest 10 m"
    if shown.numbers["search"]["declination_deg"] is None:
        words += "; magnetic bearings: no data (see the norths under the map)"
    return pen.paragraph("; ".join([words + slope, *marks]) + ".")
