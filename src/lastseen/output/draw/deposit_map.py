"""The map of a deposit to practise on: an A4 sheet with thickness, stakes, cut and fill, and what is pushed where."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely
from matplotlib.patches import Rectangle

from lastseen import __version__
from lastseen.jobs import deposit_sentence
from lastseen.output.draw import furniture, labels, panel, parts
from lastseen.output.draw.drawing import Drawing, area_patch, start_drawing
from lastseen.output.draw.layout import fit_sheet
from lastseen.output.draw.legend import Entry, entry_rows, line_symbol, patch_symbol
from lastseen.output.draw.map import own_look, write_png
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.panel import Item, Pen
from lastseen.output.draw.relief import drawn_lattice
from lastseen.output.draw.shown import Shown

if TYPE_CHECKING:
    from lastseen.jobs import PracticeDeposit

MOST_ARROWS = 40
STAKES_TOLD = "Thickness at the stake, m; snow to lay on its square and to take from it, m³."
AMOUNTS = (7.0, 6.6, 6.2, 5.8, 5.4, 5.0)


def write_deposit_map(made: PracticeDeposit, path: Path) -> None:
    """Draw the deposit on an A4 sheet at 200 dots per inch; the same deposit gives the same bytes."""
    with own_look():
        write_png(draw_deposit_map(made), path)


def draw_deposit_map(made: PracticeDeposit) -> Drawing:
    """The sheet, drawn but not written."""
    west, south, east, north = (
        float(side) for side in shapely.total_bounds([made.outline, made.shape.outline, made.pushing.borrow])
    )
    d = start_drawing(fit_sheet((west, south, east, north)), load_palette())
    shown = Shown({}, made.ground, made.frame.crs)
    drawn = drawn_lattice(shown.ground, d.sheet.extent, d.sheet.metres_per_mm)
    parts.draw_relief(d.ground, drawn, d.palette)
    levels, _ = parts.draw_contours(d, drawn)
    _draw_thickness(d, made)
    _draw_pushing(d, made)
    labels.name_contours(d, levels)
    grid_m = furniture.draw_frame(d, shown.crs)
    furniture.draw_under(d, shown.crs, grid_m, levels.interval_m)
    panel.draw_header(d, made.name, _header(made))
    panel.draw_footer(d, 0, 0, __version__)
    _fill_panel(d, made)
    return d


def _draw_thickness(d: Drawing, made: PracticeDeposit) -> None:
    ink, grid = d.palette.thickness, made.shape.thickness_m
    x, _ = grid.centre_of(0, np.arange(grid.shape[1]))
    _, y = grid.centre_of(np.arange(grid.shape[0]), 0)
    d.ground.contourf(
        x,
        y,
        grid.values,
        levels=(*ink.levels_m, 99.0),
        colors=list(ink.ramp),
        alpha=d.palette.debris.opacity,
        zorder=1.2,
    )
    edge = d.palette.debris.outline
    d.ground.add_patch(area_patch(made.shape.outline, fill=False, edgecolor=edge, linewidth=1.4, zorder=4.0))
    black = d.palette.lanes.colour
    d.ground.add_patch(area_patch(made.outline, fill=False, edgecolor=black, linewidth=1.6, zorder=4.2))
    look = {"edgecolor": black, "linewidth": 0.7, "linestyle": (0, (3.0, 2.0)), "zorder": 2.6}
    d.ground.add_patch(area_patch(made.pushing.borrow, fill=False, hatch="..", alpha=0.55, **look))


def _draw_pushing(d: Drawing, made: PracticeDeposit) -> None:
    push, ink = made.pushing, d.palette.lanes
    at = {stake.name: stake.at_m for stake in push.stakes}
    moved = [haul for haul in push.hauls if haul.distance_m > 0.0][:MOST_ARROWS]
    for one in moved:
        (ax, ay), (bx, by) = d.sheet.on_page(*at[one.from_stake]), d.sheet.on_page(*at[one.to_stake])
        long = math.hypot(bx - ax, by - ay)
        cut = min(2.2 / long, 0.35)
        a = (ax + cut * (bx - ax), ay + cut * (by - ay))
        b = (bx - cut * (bx - ax), by - cut * (by - ay))
        d.line([a, b], ink.casing, 1.9, zorder=5.0)
        d.line([a, b], ink.colour, 0.8, zorder=5.1)
        d.arrow(*b, math.atan2(by - ay, bx - ax), 1.9, ink.colour)
    (dx, dy), rim = made.frame.down, 0.5 * made.frame.height_m
    foot = (made.frame.middle_m[0] + rim * dx, made.frame.middle_m[1] + rim * dy)
    x, y = d.sheet.on_page(*foot)
    d.line([(x, y), (x + 7.0 * dx, y + 7.0 * dy)], ink.colour, 1.4, zorder=6)
    d.arrow(x + 7.0 * dx, y + 7.0 * dy, math.atan2(dy, dx), 3.2, ink.colour)
    d.text(x + 11.0 * dx, y + 11.0 * dy, "down the slope", 6.4, ha="center", va="center", halo=True, zorder=9)
    small = push.stake_m / d.sheet.metres_per_mm < 11.0
    size = 4.6 if small else 5.6
    for stake in push.stakes:
        x, y = d.sheet.on_page(*stake.at_m)
        if not d.inside(x, y, 1.0):
            continue
        d.line([(x - 0.7, y), (x + 0.7, y)], ink.colour, 0.8, zorder=6)
        d.line([(x, y - 0.7), (x, y + 0.7)], ink.colour, 0.8, zorder=6)
        d.room.take(x, y, 6.0, 7.0)
        laid = stake.fill_m3 >= stake.cut_m3
        told = f"+{_volume(stake.fill_m3)}" if laid else f"-{_volume(stake.cut_m3)}"
        d.text(x, y + 1.3, stake.name, size, ha="center", va="bottom", weight="bold", halo=True, zorder=9)
        d.text(x, y - 1.2, told, size, ha="center", va="top", halo=True, zorder=9)


def _header(made: PracticeDeposit) -> list[str]:
    mgrs = str((made.site.get("middle") or {}).get("mgrs", ""))
    first = (
        f"A deposit to practise on, site {made.site.get('number', '')} {mgrs}, {made.frame.width_m:.0f} x "
        f"{made.frame.height_m:.0f} m on the map, seed {made.seed}{made.left_out}"
    )
    return [first, made.shape.source.split("; ", maxsplit=1)[0]]


def _fill_panel(d: Drawing, made: PracticeDeposit) -> None:
    """All of it in the largest text that fits; where none does, stakes are left to the file."""
    columns = d.sheet.columns
    for size in AMOUNTS:
        pen = Pen(d, columns[0].width, size)
        rows = _stake_rows(pen, made)
        for kept in (len(rows), *(range(len(rows) - 1, 0, -4) if size == AMOUNTS[-1] else ())):
            rest = pen.paragraph(f"{len(rows) - kept} more lines in deposit.json.") if kept < len(rows) else []
            items: list[Item] = [
                *_legend(pen, made), pen.heading("Cut and fill"),
                *pen.paragraph(f"{made.shape.source.rstrip('.')}. {deposit_sentence(made)}"),
                pen.heading("Exposure"), *pen.paragraph(made.statement),
                *_lookout(pen, made),
                pen.heading("Stakes"), *pen.paragraph(STAKES_TOLD), *rows[:kept], *rest, *_notes(pen, made),
            ]  # fmt: skip
            placed = panel.flow(items, columns)
            if placed is not None:
                for one in placed:
                    one.draw()
                return


def _lookout(pen: Pen, made: PracticeDeposit) -> list[Item]:
    one = made.site.get("lookout")
    if not one:
        return pen.paragraph("No lookout place is known.")
    return pen.paragraph(f"Lookout place {one['name']}: {one['place']['mgrs']}, {one['distance_m']:.0f} m away.")


def _stake_rows(pen: Pen, made: PracticeDeposit) -> list[Item]:
    """Two stakes to a line."""
    half = 0.5 * pen.width / pen.ratio
    offsets = (0.0, 0.2 * half, 0.45 * half, 0.7 * half)
    head = ("", "m", "+m³", "-m³")
    items = [pen.row([(o + k * half, w) for k in (0, 1) for o, w in zip(offsets, head, strict=True)], bold=True)]
    told = [
        (
            stake.name,
            f"{stake.fill_m:.2f}" if stake.fill_m >= 0.05 else "",
            _volume(stake.fill_m3),
            _volume(stake.cut_m3),
        )
        for stake in made.pushing.stakes
    ]
    for first in range(0, len(told), 2):
        pairs = told[first : first + 2]
        items.append(pen.row([(o + k * half, w) for k, cells in enumerate(pairs)
                              for o, w in zip(offsets, cells, strict=True)]))  # fmt: skip
    return items


def _volume(m3: float) -> str:
    """As exact as a machine works; nothing where nothing is done."""
    return "" if m3 < 0.05 else f"{m3:.1f}" if m3 < 10.0 else f"{m3:.0f}"


def _legend(pen: Pen, made: PracticeDeposit) -> list[Item]:
    d, lanes = pen.d, pen.d.palette.lanes
    entries: list[Entry] = [
        (line_symbol(d, lanes.colour, 1.6), "site"),
        (line_symbol(d, d.palette.debris.outline, 1.4), "deposit"),
        (patch_symbol(d, facecolor="none", edgecolor=lanes.colour, linewidth=0.7, hatch=".."), "snow is taken"),
        (line_symbol(d, lanes.colour, 0.8, arrow=1.9), "pushed to"),
    ]
    told = pen.paragraph(
        f"Stakes every {made.pushing.stake_m:g} m, A at the top, 01 at the left as seen from below. +12: lay 12 m³ "
        "on the square; -12: take 12 m³ from it, as it lies (the larger of the two where both are done)."
    )
    return [pen.heading("Legend"), *entry_rows(pen, entries), _ramp(pen), *told]


def _ramp(pen: Pen) -> Item:
    """Steps of thickness."""
    d, ink = pen.d, pen.d.palette.thickness
    step = min(12.0, (pen.width - 6.0) / len(ink.ramp))

    def draw(x: float, y: float) -> None:
        d.text(x, y - 0.5 * pen.line, "Thickness, m:", pen.size, va="center")
        low = y - pen.line - 3.0
        for k, (colour, level) in enumerate(zip(ink.ramp, ink.levels_m, strict=True)):
            edge = d.palette.ground.faint_text
            d.page.add_patch(Rectangle((x + k * step, low), step, 2.6, facecolor=colour, edgecolor=edge, linewidth=0.3))
            d.text(x + k * step, low - 1.5, f"{level:g}", pen.size - 0.6, va="center", ha="center" if k else "left")

    return Item(pen.line + 6.6, draw)


def _notes(pen: Pen, made: PracticeDeposit) -> list[Item]:
    items = [pen.heading("Notes")]
    for note in made.notes:
        items += pen.paragraph(note, hang=2.6, mark="·")
    return items
