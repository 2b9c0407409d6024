"""What the panel beside the map says; and the panel of a blank sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

from lastseen import __version__
from lastseen.core import short_percent
from lastseen.output.draw.drawing import Drawing
from lastseen.output.draw.legend import legend_items
from lastseen.output.draw.panel import TEXT, Item, Pen, flow
from lastseen.output.draw.shown import Leg, Shown

# ---- What the panel says: key numbers, the walk lane by lane, traps and notes


@dataclass(frozen=True)
class Amount:
    """How much the panel says: text size, traps, notes, lanes, and whether lanes are told in running text."""

    size: float
    traps: int
    notes: int
    lanes: int = 999
    running: bool = False


# From all to little; the first that fits is taken.
AMOUNTS = (
    *(Amount(size, 9, 9) for size in (9.0, 8.4, 7.8, 7.4, 7.0, 6.7, 6.4)),
    *(Amount(6.4, n, n) for n in (6, 5, 4, 3)),
    *(Amount(6.0, n, n) for n in (4, 3, 2, 1)),
    *(Amount(6.0, n, n, running=True) for n in (4, 3, 2, 1)),
    *(Amount(6.0, 1, 1, n, running=True) for n in range(96, 5, -6)),
    Amount(6.0, 0, 0, 0),
)
# Columns of the walk; without magnetic bearings there is none for them.
TRUE_ALONE = ((0.0, "lane"), (7.0, "true"), (15.0, "length"), (35.5, "then join"))
WITH_MAGNETIC = ((0.0, "lane"), (7.0, "true"), (14.5, "magn."), (24.0, "length"), (43.0, "then join"))
RUNNING = "lane: bearing, length › join › next lane"
LEAST_WIDTH = 57.0  # of a column, for the smallest text
REST = "All legs are on the pages that follow."


def header_lines(shown: Shown) -> list[str]:
    """Place and origin of the plan."""
    lines, at = [], shown.numbers.get("last_seen")
    if at is not None:
        lonlat = "{:.6f}, {:.6f}".format(*at["lonlat"])
        lines.append(
            f"Last-seen point {spaced_mgrs(at['mgrs'])} (lon, lat {lonlat}), {shown.radius_m:g} m to either side"
        )
    if shown.blank:
        return [*lines, f"Ground without a plan, for drills: fill in what you find. lastseen {__version__}"]
    made = "debris outline as given"
    if shown.modelled:
        way = {"flow": "flowing snow", "body": "sliding bodies"}[shown.numbers["model"]["name"]]
        made = f"release, run-out and debris from a model of {way}"
    search = "Signal search"
    if shown.numbers["search"]["second_pass"]:
        width = shown.numbers["coverage"]["strip_width_m"]
        search = f"Second pass of the signal search, strips of {width:g} m midway beside the first lanes"
    return [*lines, f"{search}, {made}; seed {shown.numbers['seed']}, lastseen {__version__}"]


def fits_one_column(d: Drawing, shown: Shown) -> bool:
    """Whether all of it fits the first column in text of full size."""
    pen = Pen(d, d.sheet.columns[0].width, TEXT)
    return flow(_items(pen, shown, AMOUNTS[0]), d.sheet.columns[:1]) is not None


def fill_panel(d: Drawing, shown: Shown) -> None:
    """Draw as much as fits, in the largest text that does, the least important shortened first."""
    columns = d.sheet.columns
    for amount in AMOUNTS:
        pen = Pen(d, columns[0].width, amount.size)
        if pen.width < LEAST_WIDTH * pen.ratio and amount.size > TEXT:
            continue
        placed = flow(_items(pen, shown, amount), columns)
        if placed is not None:
            for one in placed:
                one.draw()
            return


def _items(pen: Pen, shown: Shown, amount: Amount) -> list[Item]:
    return [
        *legend_items(pen, shown),
        *_numbers(pen, shown),
        *_walk(pen, shown, amount),
        *_traps(pen, shown, amount.traps),
        *_notes(pen, shown, amount.notes),
    ]


def clock(seconds: float) -> str:
    """Hours and minutes."""
    if seconds < 60.0:
        return "under 1 min"
    minutes = round(seconds / 60.0)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def spaced_mgrs(mgrs: str) -> str:
    """MGRS text with a space before and between its digits."""
    square, east, north = split_mgrs(mgrs)
    return f"{square} {east} {north}" if east else square


def split_mgrs(mgrs: str) -> tuple[str, str, str]:
    """The 100 km square, and the digits east and north inside it."""
    digits = (len(mgrs) - mgrs.index(mgrs.lstrip("0123456789")) - 3) // 2
    return (mgrs[: -2 * digits], mgrs[-2 * digits : -digits], mgrs[-digits:]) if digits > 0 else (mgrs, "", "")


def _numbers(pen: Pen, shown: Shown) -> list[Item]:
    """Key numbers, a line each."""
    n = shown.searchers
    slowest = max(range(1, n + 1), key=lambda k: (time_of(shown.walk(k)), -k))
    there, walk = split_walk(shown, slowest)
    who = f" (S{slowest}, the last to end)" if n > 1 else ""
    covered = shown.numbers["coverage"]
    way = "" if shown.flat else f", lanes {shown.numbers['search']['way']}"  # flat ground has no fall line
    said = [
        ("Strip width", f"{covered['strip_width_m']:g} m on the snow{way}"),
        ("Team", f"{counted(n, 'searcher')}, {counted(len(shown.lanes), 'lane')}"),
        ("Approach", f"{length(there)} in {clock(time_of(there))}" if there else "none"),
        ("Search", f"{length(walk)} in {clock(time_of(walk))} on foot"),
        ("Both", f"{length([*there, *walk])} in {clock(time_of([*there, *walk]))}{who}"),
        ("Coverage", f"{short_percent(covered['fraction'])}; {covered['uncovered_m2']:.0f} m² out of range"),
        ("Debris", f"{shown.outline.area:.0f} m² on the map"),
        *(_model_numbers(shown.numbers) if shown.modelled else []),
    ]  # fmt: skip
    items = [pen.heading("Key numbers")]
    for name, value in said:
        items += pen.paragraph(value, hang=18.5, mark=name)
    return items


def _model_numbers(numbers: Mapping[str, Any]) -> list[tuple[str, str]]:
    inside, angle, one = numbers["poa"]["inside_debris"], numbers["runout"]["travel_angle_deg"], numbers["release"]
    debris, burial, size = numbers["debris"], numbers["poa"]["burial"], numbers["scenario"]["snow"]["size"]
    widened = ", widened to 90 % of the POA" if debris["widened"] else ""
    return [
        ("Outline", f"debris in at least {short_percent(debris['level'])} of the events{widened}"),
        ("POA", f"{short_percent(round(inside, 2))} inside the outline, {short_percent(round(1 - inside, 2))} outside"),
        *([("Burial", burial_words(burial))] if burial else []),
        ("Travel angle", f"{angle['p50']:.0f}° (P10 to P90: {angle['p10']:.0f}° to {angle['p90']:.0f}°)"),
        (
            "Release",
            f"size {size}, {one['volume_m3']:.0f} m³ on {one['slope_deg']:.0f}°",
        ),
        ("Slab", f"{one['thickness_m']:.2f} m, normal to the slope"),
    ]


def burial_words(burial: Mapping[str, Any]) -> str:
    """How many are buried, and how deep."""
    deeper = {one["depth_m"]: one["share"] for one in burial["deeper"]}
    return f"{short_percent(round(burial['fully'], 2))} fully buried, {short_percent(round(deeper[1.0], 2))} over 1 m"


def split_walk(shown: Shown, searcher: int) -> tuple[list[Leg], list[Leg]]:
    """Legs of the approach, and of the search itself."""
    legs = shown.walk(searcher)
    return [leg for leg in legs if leg.kind == "approach"], [leg for leg in legs if leg.kind != "approach"]


def length(legs: Sequence[Leg]) -> str:
    """Length on the snow."""
    return f"{sum(leg.length_m for leg in legs):.0f} m"


def time_of(legs: Sequence[Leg]) -> float:
    """Walking time, seconds."""
    return sum(leg.time_s for leg in legs)


def counted(n: int, what: str) -> str:
    """A number of things."""
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def bearing(degrees: float | None) -> str:
    """A bearing in three figures; a dash where it is not known."""
    return "–" if degrees is None else f"{round(degrees) % 360:03d}°"


def _walk(pen: Pen, shown: Shown, amount: Amount) -> list[Item]:
    """Bearing and length of each lane and of the join to the next; a bent lane is one lane."""
    items = [pen.heading(f"The walk ({which_north(shown.numbers['search']['declination_deg'])})")]
    heads = TRUE_ALONE if shown.numbers["search"]["declination_deg"] is None else WITH_MAGNETIC
    offsets = [offset for offset, _ in heads]
    items.append(replace(pen.row([(0.0, RUNNING)] if amount.running else heads, bold=True), keep=True))
    left = amount.lanes
    for searcher in range(1, shown.searchers + 1):
        there, walk = split_walk(shown, searcher)
        lanes = _lanes_with_joins(walk)[:left]
        if not lanes:
            continue
        left -= len(lanes)
        items += _searcher_lines(pen, shown, searcher, there, walk)
        if amount.running:
            told = [f"{lane[0].lane}: {_turned(lane)} {length(lane)} › {_joins(then)} ›" for lane, then in lanes]
            items += pen.paragraph(" ".join(told).removesuffix(" ›"), hang=5.5)
        else:
            rows = [_lane_cells(lane, then, magnetic=heads is WITH_MAGNETIC) for lane, then in lanes]
            items += [pen.row(list(zip(offsets, cells, strict=True))) for cells in rows]
    more = len(shown.lanes) - (amount.lanes - left)
    return [*items, *(pen.paragraph(f"{counted(more, 'more lane')}. {REST}") if more > 0 else [])]


def _lanes_with_joins(walk: Sequence[Leg]) -> list[tuple[list[Leg], list[Leg]]]:
    """Each lane with all its legs, and the joins that follow it."""
    found: list[tuple[list[Leg], list[Leg]]] = []
    for lane, legs in groupby(walk, key=lambda leg: leg.lane):
        if lane is None and found:
            found[-1][1].extend(legs)
        elif lane is not None:
            found.append((list(legs), []))
    return found


def _lane_cells(lane: Sequence[Leg], then: Sequence[Leg], *, magnetic: bool) -> tuple[str, ...]:
    bends = f"{length(lane)}, {len(lane)} legs" if len(lane) > 1 else length(lane)
    needle = (bearing(lane[0].bearing_deg_magnetic),) if magnetic else ()
    more = f" +{len(then) - 1}" if len(then) > 1 else ""
    return str(lane[0].lane), bearing(lane[0].bearing_deg_true), *needle, bends, f"{_joins(then[:1])}{more}"


def _turned(lane: Sequence[Leg]) -> str:
    first, last = bearing(lane[0].bearing_deg_true), bearing(lane[-1].bearing_deg_true)
    return first if len(lane) == 1 else f"{first} to {last}"


def _joins(legs: Sequence[Leg]) -> str:
    return ", ".join(f"{bearing(leg.bearing_deg_true)} {length([leg])}" for leg in legs) or "end"


def which_north(declination_deg: float | None) -> str:
    """Which north the bearings are from, and how to get magnetic ones where that is known."""
    if declination_deg is None:
        return "true bearings"
    way = "less" if declination_deg > 0 else "more"
    return f"magnetic: {abs(declination_deg):.1f}° {way}"


def _searcher_lines(pen: Pen, shown: Shown, searcher: int, there: Sequence[Leg], walk: Sequence[Leg]) -> list[Item]:
    way = "; ".join(f"{bearing(leg.bearing_deg_true)} {length([leg])}" for leg in there)
    steep = max((leg.steepest_deg for leg in there), default=0.0)
    incline = "" if shown.flat else f" up to {steep:.0f}° steep,"
    words = f"approach {way},{incline} {clock(time_of(there))}" if way else "no approach"
    if shown.searchers > 1:
        words = f"{length(walk)}, {clock(time_of(walk))}; {words}"
    found = pen.paragraph(words, hang=5.5, mark=f"S{searcher}")
    return [replace(one, keep=True) for one in found]


def _traps(pen: Pen, shown: Shown, most: int) -> list[Item]:
    """Traps with what they do and why."""
    if not shown.traps or most == 0:
        return []
    items = [pen.heading("Terrain traps the snow can reach")]
    for trap in shown.traps[:most]:
        passes, ends = short_percent(round(trap.person_passes, 2)), short_percent(round(trap.person_ends, 2))
        words = f"{trap.consequences.capitalize()}. {trap.reason} {passes} of carried persons enter it, "
        items += pen.paragraph(f"{words}{ends} stop in it.", hang=6.5, mark=trap.name)
    if len(shown.traps) > most:
        items += pen.paragraph(f"{len(shown.traps) - most} more on the pages that follow; all are drawn on the map.")
    return items


def _notes(pen: Pen, shown: Shown, most: int) -> list[Item]:
    notes = shown.numbers["notes"]
    if not notes or most == 0:
        return []
    items = [pen.heading("Notes")]
    for note in notes[:most]:
        text = note[0].upper() + note[1:]
        items += pen.paragraph(text if text.endswith(".") else f"{text}.", hang=2.6, mark="•")
    if len(notes) > most:
        items += pen.paragraph(f"{counted(len(notes) - most, 'more note')} on the pages that follow.")
    return items


# ---- The panel of a blank sheet for drills: legend of the ground, and tables to fill in

SIZE = 7.0
MOST_ROWS = 24
OWN_HEADS = ((0.0, "no"), (8.0, "start"), (30.0, "bearing"), (46.0, "length"))
FOUND_HEADS = ((0.0, "time"), (11.0, "what"), (26.0, "where"), (48.0, "depth"))


def fill_blank_panel(d: Drawing, shown: Shown) -> None:
    """As many empty rows as fit."""
    pen = Pen(d, d.sheet.columns[0].width, SIZE)
    for rows in range(MOST_ROWS, 0, -1):
        items: list[Item] = [
            *legend_items(pen, shown),
            pen.heading("Your plan"),
            *pen.blank_table(OWN_HEADS, rows),
            pen.heading("What you find"),
            *pen.blank_table(FOUND_HEADS, max(3, rows // 2)),
        ]
        placed = flow(items, d.sheet.columns)
        if placed is not None:
            for one in placed:
                one.draw()
            return
