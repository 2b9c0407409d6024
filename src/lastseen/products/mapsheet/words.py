"""What the panel says: key numbers, the walk lane by lane, traps and notes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from lastseen import __version__
from lastseen.place import mgrs_text
from lastseen.products.layers import percent
from lastseen.products.mapsheet.drawing import Drawing
from lastseen.products.mapsheet.legend import legend_items
from lastseen.products.mapsheet.panel import TEXT, Item, Pen, flow

if TYPE_CHECKING:
    from lastseen.deposit import Burial
    from lastseen.plan import Model, Plan
    from lastseen.search import Leg


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
    *(Amount(size, 9, 9) for size in (7.8, 7.4, 7.0, 6.7, 6.4)),
    *(Amount(6.4, n, n) for n in (6, 5, 4, 3)),
    *(Amount(6.0, n, n) for n in (4, 3)),
    *(Amount(6.0, n, n, running=True) for n in (4, 3, 2, 1)),
    *(Amount(6.0, 1, 1, n, running=True) for n in range(96, 5, -6)),
    Amount(6.0, 0, 0, 0),
)
OFFSETS = (0.0, 9.0, 20.5, 31.0)  # of the columns of the walk
RUNNING = "lane: bearing, length › join › next lane"
LEAST_WIDTH = 50.0  # of a column, for the smallest text
REST = "All numbers are in the JSON file, all points in lanes.gpx."


def header_lines(plan: Plan) -> list[str]:
    """Place and origin of the plan."""
    lines = []
    if plan.place is not None:
        radius = plan.scenario.last_seen.radius_m
        lonlat = f"{plan.place.lon_deg:.6f}, {plan.place.lat_deg:.6f}"
        lines.append(
            f"Last-seen point {_spaced(mgrs_text(plan.place))} (lon, lat {lonlat}), {radius:g} m to either side"
        )
    made = "debris outline as given"
    if plan.model is not None:
        way = {"flow": "flowing snow", "body": "sliding bodies"}[plan.model.events.model]
        made = f"release, run-out and debris from a model of {way}"
    lines.append(f"Signal search, {made}; seed {plan.scenario.seed}, lastseen {__version__}")
    return lines


def fill_panel(d: Drawing, plan: Plan) -> None:
    """Draw as much as fits, in the largest text that does, the least important shortened first."""
    columns = d.sheet.columns
    for amount in AMOUNTS:
        pen = Pen(d, columns[0].width, amount.size)
        if pen.width < LEAST_WIDTH * pen.ratio and amount.size > TEXT:
            continue
        items = [*legend_items(pen, plan), *_numbers(pen, plan), *_walk(pen, plan, amount)]
        if plan.model is not None:
            items += _traps(pen, plan.model, amount.traps)
        items += _notes(pen, plan, amount.notes)
        placed = flow(items, columns)
        if placed is not None:
            for item, x, y in placed:
                item.draw(x, y)
            return


def clock(seconds: float) -> str:
    """Hours and minutes."""
    if seconds < 60.0:
        return "under 1 min"
    minutes = round(seconds / 60.0)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def _spaced(mgrs: str) -> str:
    digits = (len(mgrs) - mgrs.index(mgrs.lstrip("0123456789")) - 3) // 2
    return f"{mgrs[: -2 * digits]} {mgrs[-2 * digits : -digits]} {mgrs[-digits:]}" if digits > 0 else mgrs


def _numbers(pen: Pen, plan: Plan) -> list[Item]:
    """Key numbers, a line each."""
    s = plan.search
    slowest = max(range(1, s.searchers + 1), key=lambda k: (s.time_s(k), -k))
    there, walk = _split(plan, slowest)
    who = f" (S{slowest}, the last to end)" if s.searchers > 1 else ""
    covered = s.coverage
    said = [
        ("Strip width", f"{s.strip_width_m:g} m on the snow, lanes {s.way}"),
        ("Team", f"{_count(s.searchers, 'searcher')}, {_count(len(s.lanes), 'lane')}"),
        ("Search", f"{_length(walk)} in {clock(_time(walk))} on foot{who}"),
        ("Approach", f"{_length(there)} in {clock(_time(there))}{who}" if there else "none"),
        ("Coverage", f"{percent(covered.fraction)} of the outline; {covered.uncovered_m2:.0f} m² out of range"),
        ("Debris", f"{plan.debris.area_m2:.0f} m² on the map"),
        *(_model_numbers(plan, plan.model) if plan.model is not None else []),
    ]
    items = [pen.heading("Key numbers")]
    for name, value in said:
        items += pen.paragraph(value, hang=18.5, mark=name)
    return items


def _model_numbers(plan: Plan, model: Model) -> list[tuple[str, str]]:
    inside, angle, one = model.person.inside_debris, model.runout.travel_angle_deg, model.release
    widened = ", widened to 90 % of the POA" if plan.debris.widened else ""
    return [
        ("Outline", f"debris in at least {percent(plan.debris.level)} of the events{widened}"),
        ("POA", f"{percent(round(inside, 2))} inside the outline, {percent(round(1 - inside, 2))} outside it"),
        *([("Burial", _burial(model.person.burial))] if model.person.burial else []),
        ("Travel angle", f"{angle.p50:.0f}° (P10 to P90: {angle.p10:.0f}° to {angle.p90:.0f}°)"),
        ("Release", f"size {plan.scenario.snow.size}, {one.volume_m3:.0f} m³ on {one.slope_deg:.0f}°"),
        ("Slab", f"{one.thickness_m:.2f} m, normal to the slope"),
    ]


def _burial(burial: Burial) -> str:
    deeper = dict(burial.deeper)
    return f"{percent(round(burial.fully, 2))} fully buried, {percent(round(deeper[1.0], 2))} deeper than 1 m"


def _split(plan: Plan, searcher: int) -> tuple[list[Leg], list[Leg]]:
    """Legs of the approach, and of the search itself."""
    legs = [leg for leg in plan.search.legs if leg.searcher == searcher]
    return [leg for leg in legs if leg.kind == "approach"], [leg for leg in legs if leg.kind != "approach"]


def _length(legs: Sequence[Leg]) -> str:
    return f"{sum(leg.length_m for leg in legs):.0f} m"


def _time(legs: Sequence[Leg]) -> float:
    return sum(leg.time_s for leg in legs)


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _walk(pen: Pen, plan: Plan, amount: Amount) -> list[Item]:
    """Bearing and length of each lane and of the join to the next."""
    items = [pen.heading(f"The walk ({_which_north(plan.search.declination_deg)})")]
    heads = list(zip(OFFSETS, ("lane", "bearing", "length", "then join"), strict=True))
    items.append(pen.row([(0.0, RUNNING)] if amount.running else heads, bold=True))
    items[-1] = replace(items[-1], keep=True)
    shown = 0
    for searcher in range(1, plan.search.searchers + 1):
        there, walk = _split(plan, searcher)
        lanes = [at for at, leg in enumerate(walk) if leg.kind == "lane"][: amount.lanes - shown]
        if not lanes:
            continue
        items += _searcher_lines(pen, plan, searcher, there, walk)
        rows = [(str(walk[at].lane), _bearing(walk[at]), _length([walk[at]]), _then(walk[at + 1 :])) for at in lanes]
        if amount.running:
            told = [f"{lane}: {bearing} {length} › {then} ›" for lane, bearing, length, then in rows]
            items += pen.paragraph(" ".join(told).removesuffix(" ›"), hang=5.5)
        else:
            items += [pen.row(list(zip(OFFSETS, one, strict=True))) for one in rows]
        shown += len(lanes)
    if shown < len(plan.search.lanes):
        items += pen.paragraph(f"{_count(len(plan.search.lanes) - shown, 'more lane')}. {REST}")
    return items


def _which_north(declination_deg: float) -> str:
    """Which north the bearings are from, and how to get magnetic ones where that is known."""
    if not math.isfinite(declination_deg):
        return "bearings are true"
    way = "less" if declination_deg > 0 else "more"
    return f"true; magnetic {abs(declination_deg):.1f}° {way}"


def _searcher_lines(pen: Pen, plan: Plan, searcher: int, there: Sequence[Leg], walk: Sequence[Leg]) -> list[Item]:
    way = "; ".join(f"{_bearing(leg)} {_length([leg])}" for leg in there)
    steep = max((leg.steepest_deg for leg in there), default=0.0)
    words = f"approach {way}, up to {steep:.0f}° steep, {clock(_time(there))}" if way else "no approach"
    if plan.search.searchers > 1:
        words = f"{_length(walk)}, {clock(_time(walk))}; {words}"
    found = pen.paragraph(words, hang=5.5, mark=f"S{searcher}")
    return [replace(one, keep=True) for one in found]


def _then(legs: Sequence[Leg]) -> str:
    """The joins up to the next lane."""
    if not legs:
        return "end"
    joins = []
    for leg in legs:
        if leg.kind == "lane":
            break
        joins.append(f"{_bearing(leg)} {_length([leg])}")
    return ", ".join(joins)


def _bearing(leg: Leg) -> str:
    return f"{round(leg.bearing_deg_true) % 360:03d}°"


def _traps(pen: Pen, model: Model, most: int) -> list[Item]:
    """Traps with what they do and why."""
    if not model.traps or most == 0:
        return []
    items = [pen.heading("Terrain traps the snow can reach")]
    for trap in model.traps[:most]:
        passes, ends = percent(round(trap.person_passes, 2)), percent(round(trap.person_ends, 2))
        words = f"{', '.join(trap.consequences).capitalize()}. {trap.reason} {passes} of carried persons enter it, "
        items += pen.paragraph(f"{words}{ends} stop in it.", hang=6.5, mark=f"{trap.letter}{trap.number}")
    if len(model.traps) > most:
        items += pen.paragraph(f"{len(model.traps) - most} more in the JSON file; all are drawn on the map.")
    return items


def _notes(pen: Pen, plan: Plan, most: int) -> list[Item]:
    notes = (*plan.search.notes, *plan.notes)
    if not notes or most == 0:
        return []
    items = [pen.heading("Notes")]
    for note in notes[:most]:
        text = note[0].upper() + note[1:]
        items += pen.paragraph(text if text.endswith(".") else f"{text}.", hang=2.6, mark="·")
    if len(notes) > most:
        items += pen.paragraph(f"{_count(len(notes) - most, 'more note')} in the JSON file.")
    return items
