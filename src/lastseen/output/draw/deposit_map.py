"""The map of a deposit to practise on: thickness, stakes, cut and fill, and what is pushed where."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from lastseen.jobs import deposit_sentence
from lastseen.output.draw.drawing import Drawing, draw_area, fixed_look, write_png
from lastseen.output.draw.features import draw_steps
from lastseen.output.draw.furniture import finish_map, start_map
from lastseen.output.draw.layout import bounds_of, fit_sheet
from lastseen.output.draw.panel import Entry, Item, Pen, draw_first_fit, line_symbol, patch_symbol

if TYPE_CHECKING:
    from lastseen.jobs import PracticeDeposit

MOST_ARROWS = 40
STAKES_NOTE = "Thickness at the stake, m; snow to lay on its square and to take from it, m³."
AMOUNTS = (7.0, 6.6, 6.2, 5.8, 5.4, 5.0)


def write_deposit_map(deposit: PracticeDeposit, path: Path) -> None:
    """Draw the deposit on an A4 sheet at 200 dots per inch; the same deposit gives the same bytes."""
    with fixed_look():
        write_png(draw_deposit_map(deposit).figure, path)


def draw_deposit_map(deposit: PracticeDeposit) -> Drawing:
    """The sheet, drawn but not written."""
    bounds = bounds_of(deposit.outline, deposit.shape.outline, deposit.pushing.borrow)
    d, levels = start_map(fit_sheet(bounds), deposit.ground)
    _draw_thickness(d, deposit)
    _draw_hauls(d, deposit)
    _draw_down_slope(d, deposit)
    _draw_stakes(d, deposit)
    finish_map(d, deposit.frame.crs, levels, deposit.name, _header(deposit))
    draw_first_fit(d.sheet.columns, _panel_choices(d, deposit))
    return d


def _draw_thickness(d: Drawing, deposit: PracticeDeposit) -> None:
    ink, black, alpha = d.palette.thickness, d.palette.lanes.colour, d.palette.debris.opacity
    draw_steps(d.ground, deposit.shape.thickness_m, (*ink.levels_m, 99.0), ink.ramp, alpha=alpha, zorder=1.2)
    edge = {"edgecolor": d.palette.debris.outline, "linewidth": 1.4, "zorder": 4.0}
    draw_area(d.ground, deposit.shape.outline, fill=False, **edge)
    draw_area(d.ground, deposit.outline, fill=False, edgecolor=black, linewidth=1.6, zorder=4.2)
    look = {"edgecolor": black, "linewidth": 0.7, "linestyle": (0, (3.0, 2.0)), "zorder": 2.6}
    draw_area(d.ground, deposit.pushing.borrow, fill=False, hatch="..", alpha=0.55, **look)


def _draw_hauls(d: Drawing, deposit: PracticeDeposit) -> None:
    push, ink = deposit.pushing, d.palette.lanes
    at = {stake.name: stake.at_m for stake in push.stakes}
    for haul in [haul for haul in push.hauls if haul.distance_m > 0.0][:MOST_ARROWS]:
        (ax, ay), (bx, by) = d.sheet.on_page(*at[haul.from_stake]), d.sheet.on_page(*at[haul.to_stake])
        cut = min(2.2 / math.hypot(bx - ax, by - ay), 0.35)
        a = (ax + cut * (bx - ax), ay + cut * (by - ay))
        b = (bx - cut * (bx - ax), by - cut * (by - ay))
        d.line([a, b], ink.casing, 1.9, zorder=5.0)
        d.line([a, b], ink.colour, 0.8, zorder=5.1)
        d.arrow(*b, math.atan2(by - ay, bx - ax), 1.9, ink.colour)


def _draw_down_slope(d: Drawing, deposit: PracticeDeposit) -> None:
    frame, ink = deposit.frame, d.palette.lanes.colour
    (dx, dy), rim = frame.down, 0.5 * frame.height_m
    x, y = d.sheet.on_page(frame.middle_m[0] + rim * dx, frame.middle_m[1] + rim * dy)
    d.line([(x, y), (x + 7.0 * dx, y + 7.0 * dy)], ink, 1.4, zorder=6)
    d.arrow(x + 7.0 * dx, y + 7.0 * dy, math.atan2(dy, dx), 3.2, ink)
    d.text(x + 11.0 * dx, y + 11.0 * dy, "down the slope", 6.4, ha="center", va="center", halo=True, zorder=9)


def _draw_stakes(d: Drawing, deposit: PracticeDeposit) -> None:
    size = 4.6 if deposit.pushing.stake_m / d.sheet.metres_per_mm < 11.0 else 5.6
    ink, look = d.palette.lanes.colour, {"ha": "center", "halo": True, "zorder": 9}
    for stake in deposit.pushing.stakes:
        x, y = d.sheet.on_page(*stake.at_m)
        if not d.inside(x, y, 1.0):
            continue
        d.line([(x - 0.7, y), (x + 0.7, y)], ink, 0.8, zorder=6)
        d.line([(x, y - 0.7), (x, y + 0.7)], ink, 0.8, zorder=6)
        d.room.take(x, y, 6.0, 7.0)
        volume = f"+{_volume(stake.fill_m3)}" if stake.fill_m3 >= stake.cut_m3 else f"-{_volume(stake.cut_m3)}"
        d.text(x, y + 1.3, stake.name, size, va="bottom", weight="bold", **look)
        d.text(x, y - 1.2, volume, size, va="top", **look)


def _header(deposit: PracticeDeposit) -> list[str]:
    mgrs = str((deposit.site.get("middle") or {}).get("mgrs", ""))
    first = (
        f"A deposit to practise on, site {deposit.site.get('number', '')} {mgrs}, {deposit.frame.width_m:.0f} x "
        f"{deposit.frame.height_m:.0f} m on the map, seed {deposit.seed}{deposit.left_out}"
    )
    return [first, deposit.shape.source.split("; ", maxsplit=1)[0]]


def _panel_choices(d: Drawing, deposit: PracticeDeposit) -> Iterator[list[Item]]:
    """All of it in smaller and smaller text; then stakes are left to the file."""
    source = deposit.shape.source.rstrip(".")
    for size in AMOUNTS:
        pen = Pen(d, d.sheet.columns[0].width, size)
        fixed = [
            *_legend(pen, deposit),
            *(pen.heading("Cut and fill"), *pen.paragraph(f"{source}. {deposit_sentence(deposit)}")),
            *(pen.heading("Exposure"), *pen.paragraph(deposit.statement), *pen.paragraph(_lookout_sentence(deposit))),
            *(pen.heading("Stakes"), *pen.paragraph(STAKES_NOTE)),
        ]
        rows, notes = _stake_rows(pen, deposit), [pen.heading("Notes"), *pen.marked(deposit.notes)]
        yield [*fixed, *rows, *notes]
        for kept in range(len(rows) - 1, 0, -4) if size == AMOUNTS[-1] else ():
            yield [*fixed, *rows[:kept], *pen.paragraph(f"{len(rows) - kept} more lines in deposit.json."), *notes]


def _lookout_sentence(deposit: PracticeDeposit) -> str:
    lookout = deposit.site.get("lookout")
    if not lookout:
        return "No lookout place is known."
    return f"Lookout place {lookout['name']}: {lookout['place']['mgrs']}, {lookout['distance_m']:.0f} m away."


def _stake_rows(pen: Pen, deposit: PracticeDeposit) -> list[Item]:
    half, stakes = 0.5 * pen.width / pen.ratio, deposit.pushing.stakes
    offsets = [k * half + share * half for k in (0, 1) for share in (0.0, 0.2, 0.45, 0.7)]
    cells = [
        (s.name, f"{s.fill_m:.2f}" if s.fill_m >= 0.05 else "", _volume(s.fill_m3), _volume(s.cut_m3)) for s in stakes
    ]
    rows = [chain(*cells[first : first + 2]) for first in range(0, len(cells), 2)]
    head = pen.row(list(zip(offsets, 2 * ("", "m", "+m³", "-m³"), strict=True)), bold=True)
    return [head, *(pen.row(list(zip(offsets, row, strict=False))) for row in rows)]


def _volume(m3: float) -> str:
    """As exact as a machine works; nothing where nothing is done."""
    return "" if m3 < 0.05 else f"{m3:.1f}" if m3 < 10.0 else f"{m3:.0f}"


def _legend(pen: Pen, deposit: PracticeDeposit) -> list[Item]:
    d, lanes, ramp = pen.d, pen.d.palette.lanes, pen.d.palette.thickness
    entries: list[Entry] = [
        (line_symbol(d, lanes.colour, 1.6), "site"),
        (line_symbol(d, d.palette.debris.outline, 1.4), "deposit"),
        (patch_symbol(d, facecolor="none", edgecolor=lanes.colour, linewidth=0.7, hatch=".."), "snow is taken"),
        (line_symbol(d, lanes.colour, 0.8, arrow=1.9), "pushed to"),
    ]
    about = pen.paragraph(
        f"Stakes every {deposit.pushing.stake_m:g} m, A at the top, 01 at the left as seen from below. +12: lay 12 m³ "
        "on the square; -12: take 12 m³ from it, as it lies (the larger of the two where both are done)."
    )
    steps = pen.ramp("Thickness, m:", ramp.ramp, [f"{level:g}" for level in ramp.levels_m])
    return [pen.heading("Legend"), *pen.legend(entries), steps, *about]
