"""The legend: one symbol and one name for everything that is on this sheet, and nothing that is not."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from matplotlib.patches import Circle, Rectangle

from lastseen.core import short_percent
from lastseen.output.draw.drawing import Drawing
from lastseen.output.draw.panel import LEAST_TEXT, TEXT, Item, Pen
from lastseen.output.draw.parts import APPROACH_WIDTH, FIRST_WIDTH, JOIN_WIDTH, LANE_WIDTH, TRAP_OPACITY, start_of
from lastseen.output.draw.shown import Shown, TrapMark

WIDE_MM, HIGH_MM = 7.6, 2.6
ROW_MM = 3.5
AREA_WIDTH = 0.6
Symbol = Callable[[float, float], None]  # left edge and middle
Entry = tuple[Symbol, str]


def legend_items(pen: Pen, shown: Shown) -> list[Item]:
    """The legend: two entries to a row where both names fit, else one."""
    d = pen.d
    entries = [
        *_lane_entries(d, shown),
        *_person_entries(d, shown),
        *_snow_entries(d, shown),
        *ground_entries(d, shown),
    ]
    return [pen.heading("Legend"), *_ramp(pen, shown), *entry_rows(pen, entries)]


def trap_legend(pen: Pen, shown: Shown) -> list[Item]:
    """The legend of a trap map."""
    d, ink = pen.d, pen.d.palette.snow
    entries = _trap_entries(d, shown.traps)
    if not shown.release.is_empty:
        entries += [
            *_person_entries(d, shown)[:1],
            (line_symbol(d, ink.release, 1.5, ink.dashes["release"]), "release"),
            (line_symbol(d, ink.path, 0.9, ink.dashes["path"]), "main flow path"),
            (line_symbol(d, ink.corridor, 0.9, ink.dashes["corridor"]), "passed by 10, 50, 90 % of events"),
        ]
    else:
        entries.append((line_symbol(d, ink.release, AREA_WIDTH), "release area"))
    return [pen.heading("Legend"), *entry_rows(pen, [*entries, *ground_entries(d, shown)])]


def entry_rows(pen: Pen, entries: list[Entry]) -> list[Item]:
    """Two entries to a row where both names fit, else one."""
    d, items = pen.d, []
    room = 0.5 * pen.width - WIDE_MM - 2.2
    short = [entry for entry in entries if d.width_mm(entry[1], pen.size) <= room]
    rows = [short[i : i + 2] for i in range(0, len(short), 2)] + [[entry] for entry in entries if entry not in short]
    high = max(ROW_MM, 1.15 * pen.line)
    for pair in rows:

        def draw(x: float, y: float, pair: list[Entry] = pair) -> None:
            for k, (symbol, words) in enumerate(pair):
                left, middle = x + k * 0.5 * pen.width, y - 0.5 * high
                symbol(left, middle)
                d.text(left + WIDE_MM + 1.9, middle, words, pen.size, va="center")

        items.append(Item(high, draw))
    return items


def line_symbol(d: Drawing, color: str, width: float, dashes: tuple[float, ...] = (), *, arrow: float = 0.0) -> Symbol:
    """A line, with an arrow head at its end where one is wanted."""

    def draw(x: float, y: float) -> None:
        d.line([(x, y), (x + WIDE_MM, y)], color, width, dashes)
        if arrow:
            d.arrow(x + WIDE_MM, y, 0.0, arrow, color)

    return draw


def patch_symbol(d: Drawing, **look: object) -> Symbol:
    """A small rectangle."""

    def draw(x: float, y: float) -> None:
        d.page.add_patch(Rectangle((x, y - HIGH_MM / 2), WIDE_MM, HIGH_MM, **look))  # type: ignore[arg-type]

    return draw


def _sign(d: Drawing, words: str, color: str, symbol: Symbol | None = None) -> Symbol:
    def draw(x: float, y: float) -> None:
        if symbol is not None:
            symbol(x, y)
        d.text(x + WIDE_MM / 2, y, words, TEXT, ha="center", va="center", weight="bold", color=color, halo=True)

    return draw


def _lane_entries(d: Drawing, shown: Shown) -> list[Entry]:
    ink = d.palette.lanes
    several = shown.searchers > 1
    walking = sorted({lane.searcher for lane in shown.lanes})
    styles = len(ink.dashes)
    found: list[Entry] = []
    for k in walking[:styles]:
        same = [f"S{one}" for one in walking if (one - k) % styles == 0]
        name = f"lanes of {', '.join(same)}" if several else "lane, number"
        found.append((line_symbol(d, ink.colour, LANE_WIDTH, ink.of_searcher(k), arrow=2.4), name))
    if shown.first_lanes:
        found.append((line_symbol(d, ink.colour, FIRST_WIDTH, ink.first), "lane of the first pass"))
    kinds = {leg.kind for leg in shown.legs}
    if "join" in kinds:
        found.append((line_symbol(d, ink.colour, JOIN_WIDTH, arrow=1.7), "join"))
    if "approach" in kinds:
        found.append((line_symbol(d, ink.colour, APPROACH_WIDTH, ink.approach), "approach"))
    if start_of(shown) is not None:
        found.append((_start(d), "start"))
    if not shown.uncovered.is_empty:
        look = {"facecolor": ink.casing, "edgecolor": ink.colour, "linewidth": 0.5, "hatch": ink.uncovered}
        found.append((patch_symbol(d, **look), "out of range (small: circled)"))
    if not shown.no_go.is_empty:
        look = {"facecolor": "none", "edgecolor": ink.colour, "linewidth": 0.9, "hatch": ink.no_go}
        found.append((patch_symbol(d, **look), "no-go ground"))
    return found


def _start(d: Drawing) -> Symbol:
    ink = d.palette.lanes

    def draw(x: float, y: float) -> None:
        c = x + WIDE_MM / 2
        d.page.add_patch(Rectangle((c - 1.2, y - 1.2), 2.4, 2.4, fill=False, edgecolor=ink.colour, linewidth=1.2))

    return draw


def _person_entries(d: Drawing, shown: Shown) -> list[Entry]:
    ink = d.palette.person
    found: list[Entry] = []
    if shown.at_m is not None:
        found.append((_cross(d), "last-seen point"))
    if shown.poa:
        found.append((line_symbol(d, ink.line, 1.5, ink.dashes["half"]), "half of the POA"))
        found.append((line_symbol(d, ink.line, 1.1, ink.dashes["most"]), "90 % of the POA"))
    return found


def _cross(d: Drawing) -> Symbol:
    ink = d.palette.person.line

    def draw(x: float, y: float) -> None:
        c = x + WIDE_MM / 2
        d.line([(c - 1.5, y), (c + 1.5, y)], ink, 1.5)
        d.line([(c, y - 1.5), (c, y + 1.5)], ink, 1.5)
        d.page.add_patch(Circle((c, y), 0.95, fill=False, edgecolor=ink, linewidth=1.1))

    return draw


def _snow_entries(d: Drawing, shown: Shown) -> list[Entry]:
    if shown.outline.is_empty:
        return []
    if not shown.modelled:
        look = {"facecolor": d.palette.debris.observed, "edgecolor": d.palette.debris.outline, "linewidth": 1.2}
        return [(patch_symbol(d, **look), "debris, as given")]
    ink = d.palette.snow
    found: list[Entry] = [(line_symbol(d, d.palette.debris.outline, 1.4), "searched outline")]
    if shown.zones:
        found.append((_sign(d, "Z1", d.palette.debris.outline), "deposition zone"))
    found += [
        (line_symbol(d, ink.release, 1.5, ink.dashes["release"]), "release"),
        (line_symbol(d, ink.path, 0.9, ink.dashes["path"]), "main flow path"),
        (line_symbol(d, ink.corridor, 0.9, ink.dashes["corridor"]), "passed by 10, 50, 90 % of events"),
    ]
    return [*found, *_trap_entries(d, shown.traps)]


def _trap_entries(d: Drawing, traps: Sequence[TrapMark]) -> list[Entry]:
    edge = {"facecolor": "none", "edgecolor": d.palette.traps.colour, "linewidth": 0.7, "alpha": TRAP_OPACITY}
    signs = d.palette.traps.signs
    kinds = dict.fromkeys(trap.kind for trap in traps)
    return [(patch_symbol(d, hatch=signs[kind].hatch, **edge), f"{signs[kind].letter}  {kind}") for kind in kinds]


def ground_entries(d: Drawing, shown: Shown) -> list[Entry]:
    """Contours and lines of equal slope."""
    if shown.flat:
        return []
    ink = d.palette.ground
    return [
        (line_symbol(d, ink.contour_index, 0.8), "contour, m"),
        (line_symbol(d, ink.slope, 0.8, (0.8, 1.6)), "slope 30°, 40°"),
    ]


def _ramp(pen: Pen, shown: Shown) -> list[Item]:
    """Debris by share of events."""
    if shown.probability is None:
        return []
    d, ink = pen.d, pen.d.palette.debris
    step = min(14.0, (pen.width - 4.0) / len(ink.ramp))
    edge, small = d.palette.ground.faint_text, max(LEAST_TEXT, pen.size - 0.6)

    def draw(x: float, y: float) -> None:
        d.text(x, y - 0.5 * pen.line, "Debris over 0.1 m, share of the events:", pen.size, va="center")
        low = y - pen.line - 3.2
        for k, (colour, level) in enumerate(zip(ink.ramp, ink.levels, strict=True)):
            look = Rectangle((x + k * step, low), step, 2.8, facecolor=colour, edgecolor=edge, linewidth=0.3)
            d.page.add_patch(look)
            words = short_percent(level).removesuffix(" %")
            d.text(
                x + k * step,
                low - 1.6,
                words,
                max(LEAST_TEXT, pen.size - 0.6),
                va="center",
                ha="center" if k else "left",
            )
        d.text(x + len(ink.ramp) * step, low - 1.6, "100 %", small, va="center", ha="center")

    return [Item(pen.line + 7.2, draw)]
