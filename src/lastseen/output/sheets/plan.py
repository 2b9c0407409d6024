"""The sheet of a plan: a map to true scale and the pages that go with it, as one PDF."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import shapely

from lastseen import __version__
from lastseen.core import percent, short_percent
from lastseen.output.draw import panel
from lastseen.output.draw.drawing import Drawing, dress, start_page
from lastseen.output.draw.layout import GAP_MM, MARGIN_MM, Box, Paper, Sheet, lay_out_sheet, with_narrow_panel
from lastseen.output.draw.map import draw_map, own_look, write_pdf, write_png
from lastseen.output.draw.panel import LEAST_TEXT, WRITE_MM, Item, Pen, draw_header, flow
from lastseen.output.draw.rescue import draw_phases, draw_survival, range_text
from lastseen.output.draw.shown import Leg, Shown, blank_of, shown_of, title_of
from lastseen.output.draw.words import (
    bearing,
    clock,
    counted,
    fits_one_column,
    header_lines,
    length,
    split_mgrs,
    split_walk,
    time_of,
)
from lastseen.rescue import (
    DEFAULT_CURVE,
    PHASES_SOURCE,
    PROBE_LINES,
    PROBE_NOTES,
    SCHEME_SOURCE,
    SPACING_M,
    STOP_RADIUS_M,
    UPDATE_SOURCE,
    Dig,
    RescueClock,
    find_survival_curve,
    lay_spiral,
    plan_dig,
    probe_notes,
)
from lastseen.search import time_legs

if TYPE_CHECKING:
    from lastseen.output.result import Result


# ---- Clock, digging and probing for the plan: its own walk, slope and burial depth, by the published rules

DEPTH_M = 1.0  # where no model says how deep; design choice
LEAST_DEPTH_M = 0.1
STEEPEST_DEG = 60.0  # of the digging rules
PROBE_M = 3.0
CLOCK_MM, NAMES_SHARE = 62.0, 0.42  # height of the figure, share of its width for the names of the phases


@dataclass(frozen=True)
class Rescue:
    """What clock, digging and probing are worked out for."""

    depth_m: float
    depth_words: str  # where the depth comes from
    slope_deg: float
    clock: RescueClock | None  # none where there are no lanes to walk
    dig: Dig

    def times(self) -> list[tuple[float, float, float]]:
        """Low, typical and high time of each phase, seconds."""
        return [phase.time_s.three for phase in self.clock.phases] if self.clock else []


def rescue_of(shown: Shown) -> Rescue:
    """The rescue of a plan: median depth of the fully buried and slope of the likeliest deposition zone."""
    burial = (shown.numbers.get("poa") or {}).get("burial") or {}
    found = burial.get("fully_p50_m")
    depth = round(max(found, LEAST_DEPTH_M), 1) if found else DEPTH_M
    words = "median of those fully buried in the model" if found else "assumed, no model says how deep"
    slope = round(min(_slope_deg(shown), STEEPEST_DEG))
    clock = None
    if shown.lanes:
        clock = time_legs(
            shown.legs,
            strip_width_m=shown.numbers["coverage"]["strip_width_m"], depth_m=depth, slope_deg=slope,
            diggers=shown.searchers, curve=find_survival_curve(DEFAULT_CURVE),
        )  # fmt: skip
    return Rescue(depth, words, slope, clock, plan_dig(depth, slope, shown.searchers))


def _slope_deg(shown: Shown) -> float:
    """Mean slope of the likeliest zone, else of the ground inside the outline."""
    zones = shown.numbers.get("zones") or []
    if zones:
        return float(max(zones, key=lambda zone: zone["poa"])["slope_deg"])
    if shown.flat or shown.outline.is_empty:
        return 0.0
    ground = shown.ground.window(*shown.outline.buffer(2.0 * shown.ground.cell_m).bounds)
    dy, dx = np.gradient(ground.values, ground.cell_m)
    rows, cols = np.indices(ground.shape)
    x, y = ground.centre_of(rows.ravel(), cols.ravel())
    inside = shapely.contains_xy(shown.outline, x, y).reshape(ground.shape)
    slope = np.degrees(np.arctan(np.hypot(dx, dy)))[inside]
    mean = float(np.nanmean(slope)) if np.isfinite(slope).any() else 0.0
    return mean if math.isfinite(mean) else 0.0


def clock_items(pen: Pen, case: Rescue) -> list[Item]:
    """The clock as a figure, and what it rests on."""
    if case.clock is None:
        return []
    clock = case.clock
    low, typical, high = (round(time / 60.0) for time in clock.total_s.three)
    alive = ["no data" if a < b else f"{a:.0f} %" for a, b in clock.survival_percent]
    told = (
        f"Accident to head and chest free: {low} / {typical} / {high} min (low / typical / high); alive by then: "
        f"{' / '.join(alive)}. {case.depth_m:g} m deep ({case.depth_words}), {case.slope_deg:g}°, "
        f"{case.dig.diggers} to dig. Circle low, square typical, diamond high. Bar: typical "
        "time of a phase; line: where it ends, all low to all high."
    )
    figure = Item(CLOCK_MM, lambda x, y: _draw_clock(pen, clock, x, y))
    return [pen.heading("Clock"), *(replace(one, keep=True) for one in pen.paragraph(told)), figure]


def _draw_clock(pen: Pen, clock: RescueClock, x: float, y: float) -> None:
    d, names = pen.d, NAMES_SHARE * pen.width
    wide, longest = pen.width - names - 3.0, 1.06 * clock.total_s.high / 60.0
    frame = (0.0, 0.0, 1.0, 1.0)
    rows = 3.7 * len(clock.phases)
    lower = d.axes_in(Box(x + names, y - CLOCK_MM + 8.0, wide, rows), frame, 4.0)
    upper = d.axes_in(Box(x + names, y - CLOCK_MM + 10.0 + rows, wide, CLOCK_MM - 13.0 - rows), frame, 4.0)
    for axes in (upper, lower):
        axes.set_axis_on()
        axes.patch.set_visible(False)
        dress(axes, d.palette)
        axes.set_xlim(0.0, longest)
    draw_survival(upper, clock, d.palette, longest, sizes=(LEAST_TEXT, LEAST_TEXT), named=False)
    draw_phases(lower, clock, d.palette, sizes=(LEAST_TEXT, LEAST_TEXT), names=names / wide)
    for axes in (upper, lower):
        axes.tick_params(labelsize=LEAST_TEXT, length=2, pad=1.5)
        for label in (axes.xaxis.label, axes.yaxis.label):
            label.set_fontsize(LEAST_TEXT)
    upper.tick_params(labelbottom=False)


def dig_items(pen: Pen, case: Rescue) -> list[Item]:
    """Conveyor, diggers, where to begin, turns."""
    dig = case.dig
    need = f"{dig.needed['scheme']} (one for 0.8 m) or {dig.needed['2023']} (one for a metre, 2023)"
    missing = max(dig.missing.values())
    team = f"{dig.diggers} in the team" + (f", up to {missing} missing" if missing else "")
    words = (
        f"{case.depth_m:g} m deep ({case.depth_words}) on {case.slope_deg:g}°: conveyor {dig.length_m:.1f} m long, "
        f"downhill from the probe. Diggers needed: {need}; {team}."
    )
    found = [pen.heading("Digging"), *pen.paragraph(words)]
    for rule in dig.starts:
        found += pen.paragraph(f"{rule.words[0].upper()}{rule.words[1:]} ({rule.source}).", hang=2.6, mark="•")
    for note in dig.notes:
        found += pen.paragraph(note, hang=2.6, mark="•")
    return found


def probe_items(pen: Pen, case: Rescue) -> list[Item]:
    """Spiral and probe lines."""
    spiral = lay_spiral(slope_deg=case.slope_deg)
    near = int((np.hypot(spiral.across_m, spiral.up_m) <= 1.0 + 1e-9).sum())
    words = (
        f"Spiral, {SPACING_M:g} m between holes, at right angles to the snow: {near} holes to 1 m, {spiral.holes} to "
        f"{STOP_RADIUS_M:g} m."
    )
    found = [pen.heading("Probing"), *pen.paragraph(words)]
    for note in (*probe_notes(PROBE_M, case.depth_m), *PROBE_NOTES):
        found += pen.paragraph(note, hang=2.6, mark="•")
    lines = [
        f"{one.name} {one.across_m:.2f} × {one.along_m:.2f} m: {percent(one.pod)}"
        + (f" ({one.year})" if one.year else "")
        for one in PROBE_LINES
    ]
    return [*found, *pen.paragraph(f"Probe lines, published POD: {'; '.join(lines)}.", hang=2.6, mark="•")]


# ---- The leg table: every stretch of every walk, to be followed with map and compass

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
    squares = [split_mgrs(number["start"]["mgrs"])[0] for number in shown.numbers["route"]]
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


# ---- Pages of text beside the map: columns that flow from page to page

SIZE = 6.6
HEADER_MM = 10.0
COLUMN_MM = 90.0  # least width of a column
Build = Callable[[Pen], Sequence[Item]]


def text_pages(sheet: Sheet, title: str, about: str, mark: str, build: Build) -> list[Drawing]:
    """Pages of the same paper as the map's, as many as the items take.

    ``build`` makes all items with a pen; it is called for every page, and each page draws those that fall on it.
    """
    layout = _text_layout(sheet)
    first = _new_page(layout, title, about, mark)
    items, many = build(_pen(first)), len(layout.columns)
    placed = next(
        found for pages in count(1) if (found := flow(items, layout.columns * pages)) is not None or pages > len(items)
    )
    if not placed:
        return []
    drawings = [first, *(_new_page(layout, title, about, mark) for _ in range(placed[-1].column // many))]
    for number, page in enumerate(drawings):
        own = items if page is first else build(_pen(page))
        for item, one in zip(own, placed, strict=True):
            if one.column // many == number:
                item.draw(one.x, one.y)
    return drawings


def _pen(page: Drawing) -> Pen:
    return Pen(page, page.sheet.columns[0].width, SIZE)


def _text_layout(sheet: Sheet) -> Sheet:
    """The same paper with columns from the header to the caution."""
    m = MARGIN_MM
    header = Box(m, sheet.height - m - HEADER_MM, sheet.width - 2 * m, HEADER_MM)
    low, high = sheet.footer.top + GAP_MM, header.bottom
    many = int((header.width + GAP_MM) / (COLUMN_MM + GAP_MM))
    wide = (header.width - (many - 1) * GAP_MM) / many
    columns = tuple(Box(m + k * (wide + GAP_MM), low, wide, high - low) for k in range(many))
    return replace(sheet, header=header, columns=columns, overview=None, overview_extent=None)


def _new_page(layout: Sheet, title: str, about: str, mark: str) -> Drawing:
    page = start_page(layout)
    draw_header(page, title, (about,), mark=mark)
    return page


# ---- What a plan rests on: inputs, ranges, numbers of the model, and the published sources

HANG = 20.0


def assumption_items(pen: Pen, shown: Shown) -> list[Item]:
    """Name and value, a line each."""
    numbers = shown.numbers
    rows = [*_ground_rows(numbers, flat=shown.flat), *(_model_rows(numbers) if shown.modelled else [])]
    rows += [*_search_rows(numbers), ("Seed", f"{numbers['seed']}; lastseen {numbers['program']['version']}")]
    found = [pen.heading("Assumptions")]
    for name, value in rows:
        found += pen.paragraph(value, hang=HANG, mark=name)
    return found


def _ground_rows(numbers: Mapping[str, Any], *, flat: bool) -> list[tuple[str, str]]:
    grid = numbers["grid"]
    rows = []
    for number in numbers["inputs"]:
        check = f", SHA-256 {number['sha256'][:12]}…" if number["sha256"] else ""
        rows.append((number["role"].replace("_", " ").capitalize(), f"{number['name']}{check}"))
    height = "no elevation was given: the ground is taken as flat" if flat else f"cells of {grid['cell_m']:g} m"
    return [*rows, ("Ground", f"{height}, {grid['crs_name']}")]


def _model_rows(numbers: Mapping[str, Any]) -> list[tuple[str, str]]:
    model, snow, release = numbers["model"], numbers["scenario"]["snow"], numbers["release"]
    run, envelope = numbers["runout"], numbers["envelope"]
    unfinished = f", {model['unfinished']} of them not at rest in time" if model["unfinished"] else ""
    rows = [
        ("Release", f"{release['reason']} {release['area_m2']:.0f} m² on the slope, {release['volume_m3']:.0f} m³"),
        ("Model", f"{model['reason']}; {model['events']} events{unfinished}"),
        ("Friction", f"{_range(model['friction'])} (literature range, not calibrated)"),
        ("Turbulence", f"{_range(snow['turbulence_m_s2'])} m/s²"),
        ("Growth", f"{_range(snow['growth'])} times the released snow taken along"),
    ]
    if model["name"] == "flow":
        rows.append(("Cohesion", f"{_range(snow['cohesion_pa'])} Pa (design choice)"))
    rows += [
        ("Run-out", f"{_spread(run['length_m'], 'm')}, drop {_spread(run['drop_m'], 'm')} (P10, P50, P90)"),
        ("Fastest", f"{_spread(run['fastest_m_s'], 'm/s')}"),
    ]
    if envelope and envelope["ends"]:
        ends = "; ".join(
            f"alpha {one['alpha_deg']:.0f}° ± {one['sd_deg']:g}°, {one['name']}" for one in envelope["ends"]
        )
        rows.append(("Envelope", f"{ends}: extreme events"))
    return rows


def _search_rows(numbers: Mapping[str, Any]) -> list[tuple[str, str]]:
    trials = numbers["search"]["trials"]
    rows = []
    for name, trial in zip(("Simulated", "Next best"), trials, strict=False):
        first = [f"{trial['first_signal_s'][key] / 60:.0f}" if trial["first_signal_s"][key] is not None else "not heard"
                 for key in ("p10", "p50", "p90")]  # fmt: skip
        pod = short_percent(round(trial["pod"], 2))
        after = f"first signal {' / '.join(first)} min after the start (P10, P50, P90)"
        rows.append((name, f"lanes {trial['words']}: {after}, POD {pod}"))
    return rows


def _range(values: Any) -> str:
    return f"{values[0]:g} to {values[-1]:g}" if isinstance(values, (list, tuple)) else f"{values:g}"


def _spread(one: Mapping[str, float], unit: str) -> str:
    return f"{one['p10']:.0f}, {one['p50']:.0f}, {one['p90']:.0f} {unit}"


def sources(shown: Shown, case: Rescue) -> list[str]:
    """Published sources of the numbers on this sheet."""
    numbers = shown.numbers
    found = ["Walking: W. Tobler 1993, NCGIA Technical Report 93-1, off the path"]
    if numbers["search"]["declination_deg"] is not None:
        found.append("Magnetic north: NOAA and British Geological Survey, World Magnetic Model 2025")
    if case.clock is not None:
        curve = case.clock.curve
        found += [f"Phases: {PHASES_SOURCE}; times without a source are from memory or design choices"]
        found += [f"Survival: {curve.title}, {curve.source}"]
    found.append(f"Digging: {SCHEME_SOURCE}; {UPDATE_SOURCE}")
    found.append("Probing: Genswein, bergundsteigen; ICAR REC 0011 (2015); Auger & Jamieson 1996, ISSW")
    if shown.modelled:
        found.append("Slab by slope: Salm, Burkard & Gubler 1990; friction: Voellmy 1955")
        found += [f"Envelope, {one['name']}: {one['source']}" for one in (numbers["envelope"] or {}).get("ends", ())]
    return found


# ---- Tables of a blank sheet: nothing of the plan, only what is asked of those who practise

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
BLANK_PHASES = (
    "clues, surface", "way to the place", "signal search", "coarse search", "fine search", "pinpointing", "shovelling",
)  # fmt: skip


def blank_items(pen: Pen, shown: Shown) -> list[Item]:
    """Tables to fill in: legs fill the first column, the rest the second."""
    column = pen.d.sheet.columns[0].height
    left = [pen.heading("Your legs"), *pen.blank_table(LEGS, 1)]
    right = [
        pen.heading(f"Hits ({counted(shown.searchers, 'searcher')})"),
        *pen.blank_table(HITS, 10),
        pen.heading("Times"),
        *pen.filled_table(TIMES, [(one,) for one in BLANK_PHASES]),
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


# ---- What the pages beside the map say, in the order in which it is needed

TARGETS = ((0.0, "no"), (6.0, "MGRS"), (32.0, "depth"), (43.0, "laid by"), (60.0, "found at"), (74.0, "out at"))
STAFF_PHASE_COLUMNS = ((0.0, "phase"), (37.0, "planned"), (58.0, "began"), (74.0, "ended"))


def plan_items(pen: Pen, shown: Shown) -> list[Item]:
    """Legs, clock, digging and probing, traps, deposition zones, assumptions, notes, sources."""
    case = rescue_of(shown)
    return [
        *leg_items(pen, shown),
        *clock_items(pen, case),
        *dig_items(pen, case),
        *probe_items(pen, case),
        *trap_items(pen, shown),
        *zone_items(pen, shown),
        *assumption_items(pen, shown),
        *said(pen, "Notes", shown.numbers["notes"]),
        *said(pen, "Sources", sources(shown, case)),
    ]


def staff_items(pen: Pen, shown: Shown) -> list[Item]:
    """The same, after tables for the instructor."""
    case = rescue_of(shown)
    planned = [f"{phase.letter or '–'}  {phase.name}" for phase in case.clock.phases] if case.clock else []
    return [
        pen.heading("Hidden targets (fill in; count all transmitters back in)"),
        *pen.blank_table(TARGETS, 8),
        pen.heading("Times of the drill"),
        *pen.filled_table(
            STAFF_PHASE_COLUMNS, [(name, range_text(time)) for name, time in zip(planned, case.times(), strict=True)]
        ),
        *plan_items(pen, shown),
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
    for sentence in sentences:
        text = sentence[0].upper() + sentence[1:]
        found += pen.paragraph(text if text.endswith(".") else f"{text}.", hang=2.6, mark="•")
    return found


# ---- The sheet as a whole: its pages, and how they are written

Kind = Literal["full", "staff", "blank"]
MARKS: dict[Kind, str] = {"full": "", "staff": "Staff sheet: not for trainees", "blank": "Blank sheet for a drill"}


def write_sheet(result: Result, path: Path, *, kind: Kind = "full", paper: Paper = "A4") -> None:
    """Write the sheet: a map to true scale, then legs, clock, digging, traps, assumptions and sources.

    Text stays text and its letters are in the file. The same result gives the same bytes; there is no date in the
    file but that of ``SOURCE_DATE_EPOCH`` where it is set.

    Parameters
    ----------
    kind : {"full", "staff", "blank"}
        The plan; the plan with tables for an instructor; ground, grid and last-seen point with tables to fill in.
    paper : {"A4", "Letter", "A3"}
        Upright or lying as the shape of the ground asks.
    """
    with own_look():
        write_pdf(draw_book(result, kind=kind, paper=paper), path, title_of(result.numbers))


def write_map(result: Result, path: Path) -> None:
    """Write the first page of the sheet on A4 as PNG with 200 dots per inch; same result, same bytes."""
    with own_look():
        write_png(draw_book(result)[0], path)


def write_map_and_sheet(result: Result, map_path: Path, sheet_path: Path) -> None:
    """Write both in the time of one: what `write_map` and `write_sheet` write for A4."""
    with own_look():
        pages = draw_book(result)
        write_png(pages[0], map_path)
        write_pdf(pages, sheet_path, title_of(result.numbers))


def draw_book(result: Result, *, kind: Kind = "full", paper: Paper = "A4") -> tuple[Drawing, ...]:
    """All pages, drawn but not written."""
    shown = shown_of(result)
    if kind == "blank":
        shown = blank_of(shown)
    sheet = lay_out_sheet(shown, paper)
    if len(sheet.columns) == 2 and (kind == "blank" or fits_one_column(start_page(with_narrow_panel(sheet)), shown)):
        sheet = with_narrow_panel(sheet)
    build = blank_items if kind == "blank" else staff_items if kind == "staff" else plan_items
    pages = (
        draw_map(shown, sheet, mark=MARKS[kind]),
        *text_pages(sheet, shown.title, header_lines(shown)[0], MARKS[kind], lambda pen: build(pen, shown)),
    )
    for number, page in enumerate(pages, start=1):
        panel.draw_footer(page, number, len(pages), __version__)
    return pages
