"""The sheet of a plan: a map to true scale and the pages that go with it, as one PDF."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from lastseen.core import Spread, percent, two_figures, whole_minutes
from lastseen.jobs import describe_seed_spread
from lastseen.output.draw.drawing import Drawing, fixed_look, start_page, style_axes, write_pdf, write_png
from lastseen.output.draw.features import MapContent, keep_blank, read_map_content, title_of
from lastseen.output.draw.figures import draw_phases, draw_survival, format_times
from lastseen.output.draw.furniture import draw_footer, draw_header
from lastseen.output.draw.layout import Box, Paper, Sheet, lay_out_sheet, text_page, with_narrow_panel
from lastseen.output.draw.panel import LEAST_TEXT, WRITE_MM, Item, Pen, flow, sentence_of
from lastseen.output.draw.plan_map import draw_map
from lastseen.output.draw.plan_panel import (
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
    PHASES_SOURCE,
    PROBE_LINES,
    SCHEME_SOURCE,
    UPDATE_SOURCE,
    WALKING_SOURCE,
    Phase,
    RescueClock,
    find_survival_curve,
    older_curves,
    survival_bounds_percent,
)
from lastseen.search import Leg

if TYPE_CHECKING:
    from lastseen.output.result import Result


CLOCK_MM, NAMES_SHARE = 62.0, 0.42  # height of the figure, share of its width for the names of the phases


def read_clock(numbers: Mapping[str, Any]) -> RescueClock | None:
    """The clock of a plan; None where there are no lanes to walk."""
    given = numbers["rescue"]["clock"]
    if given is None:
        return None
    phases = tuple(Phase(**{**phase, "time_s": Spread(**phase["time_s"])}) for phase in given["phases"])
    return RescueClock(phases=phases, curve=find_survival_curve(given["curve"]), notes=tuple(given["notes"]))


def clock_items(pen: Pen, rescue: Mapping[str, Any], clock: RescueClock | None) -> list[Item]:
    """The clock as a figure, and what it rests on."""
    if clock is None:
        return []
    (low, typical, high), debris = (
        [round(time / 60.0) for time in spread.three] for spread in (clock.total_s, clock.on_debris_s)
    )
    text = (
        f"First step on the debris to head and chest free: {debris[0]} / {debris[1]} / {debris[2]} min (low / typical "
        f"/ high). From the accident, alarm and approach included: {low} / {typical} / {high} min; alive by then, "
        f"averages of many burials: {_alive_by_curve(clock)}. {rescue['depth_m']:g} m deep ({rescue['depth_basis']}), "
        f"{rescue['slope_deg']:g}°, {rescue['digging']['diggers']} to dig. Circle low, square typical, diamond high. "
        "Shaded: the approach. Bar: typical time of a phase; line: where it ends, all low to all high."
    )
    figure = Item(CLOCK_MM, lambda x, y: _draw_clock(pen, clock, x, y))
    return [pen.heading("Clock"), *(replace(item, keep=True) for item in pen.paragraph(text)), figure]


def _alive_by_curve(clock: RescueClock) -> str:
    """Published survival at the three ends, the curve of the clock first."""
    found = []
    for curve in (clock.curve, *older_curves(clock.curve)):
        bounds = [survival_bounds_percent(curve, time / 60.0) for time in clock.total_s.three]
        alive = " / ".join(f"no data ({a:.0f} to {b:.0f})" if a < b else f"{a:.0f}" for a, b in bounds)
        found.append(f"{alive} % ({curve.name})")
    return "; ".join(found)


def _draw_clock(pen: Pen, clock: RescueClock, x: float, y: float) -> None:
    d, names = pen.d, NAMES_SHARE * pen.width
    wide, longest = pen.width - names - 3.0, 1.06 * clock.total_s.high / 60.0
    frame, rows = (0.0, 0.0, 1.0, 1.0), 3.7 * len(clock.phases)
    lower = d.axes_in(Box(x + names, y - CLOCK_MM + 8.0, wide, rows), frame, 4.0)
    upper = d.axes_in(Box(x + names, y - CLOCK_MM + 10.0 + rows, wide, CLOCK_MM - 13.0 - rows), frame, 4.0)
    for axes in (upper, lower):
        axes.set_axis_on()
        axes.patch.set_visible(False)
        style_axes(axes, d.palette)
        axes.set_xlim(0.0, longest)
    draw_survival(upper, clock, d.palette, longest, sizes=(LEAST_TEXT, LEAST_TEXT), named=False)
    draw_phases(lower, clock, d.palette, sizes=(LEAST_TEXT, LEAST_TEXT), names=names / wide)
    for axes in (upper, lower):
        axes.tick_params(labelsize=LEAST_TEXT, length=2, pad=1.5)
        for label in (axes.xaxis.label, axes.yaxis.label):
            label.set_fontsize(LEAST_TEXT)
    upper.tick_params(labelbottom=False)


def dig_items(pen: Pen, rescue: Mapping[str, Any]) -> list[Item]:
    """Conveyor, diggers, where to begin, turns."""
    digging = rescue["digging"]
    need = f"{digging['needed']['scheme']} (one for 0.8 m) or {digging['needed']['2023']} (one for a metre, 2023)"
    missing = max(digging["missing"].values())
    team = f"{digging['diggers']} in the team" + (f", up to {missing} missing" if missing else "")
    text = (
        f"{rescue['depth_m']:g} m deep ({rescue['depth_basis']}) on {rescue['slope_deg']:g}°: conveyor "
        f"{digging['length_m']:.1f} m long, downhill from the probe. Diggers needed: {need}; {team}."
    )
    starts = [f"{start['words'][0].upper()}{start['words'][1:]} ({start['source']})." for start in digging["starts"]]
    return [pen.heading("Digging"), *pen.paragraph(text), *pen.marked([*starts, *digging["notes"]], "•")]


def probe_items(pen: Pen, rescue: Mapping[str, Any]) -> list[Item]:
    """Spiral and probe lines."""
    probing = rescue["probing"]
    text = (
        f"Spiral, {probing['spacing_m']:g} m between holes, at right angles to the snow: {probing['holes_near']} holes "
        f"to 1 m, {probing['holes']} to {probing['radius_m']:g} m."
    )
    lines = [
        f"{line.name} {line.across_m:.2f} × {line.along_m:.2f} m: {percent(line.pod)}"
        + (f" ({line.year})" if line.year else "")
        for line in PROBE_LINES
    ]
    notes = [*probing["notes"], f"Probe lines, published POD: {'; '.join(lines)}."]
    return [pen.heading("Probing"), *pen.paragraph(text), *pen.marked(notes, "•")]


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


def leg_items(pen: Pen, content: MapContent) -> list[Item]:
    """A table for each searcher that walks."""
    if not content.legs:
        return []
    squares = [split_mgrs(number["start"]["mgrs"])[0] for number in content.numbers["route"]]
    square = max(sorted(set(squares)), key=squares.count)
    found = [pen.heading(f"Legs; starts are MGRS east and north in {square}, to 1 m")]
    rows = list(zip(content.legs, content.numbers["route"], strict=True))
    for searcher in range(1, content.searchers + 1):
        walked = [(leg, row) for leg, row in rows if leg.searcher == searcher]
        if walked:
            found += _of_searcher(pen, content, walked, square)
    idle = [k for k in range(1, content.searchers + 1) if not content.walk(k)]
    if idle:
        found += pen.paragraph(f"{', '.join(f'S{k}' for k in idle)}: no lane of their own, probe and shovel ready.")
    return [*found, *_key(pen, content)]


def _of_searcher(
    pen: Pen, content: MapContent, rows: Sequence[tuple[Leg, Mapping[str, Any]]], square: str
) -> list[Item]:
    searcher = rows[0][0].searcher
    there, walk = split_walk(content, searcher)
    lanes = len({leg.lane for leg in walk if leg.lane is not None})
    text = f"{counted(lanes, 'lane')}; search {length(walk)}, {clock(time_of(walk))}; " + (
        f"approach {length(there)}, {clock(time_of(there))}; both {clock(time_of([*there, *walk]))}"
        if there
        else "no approach"
    )
    head = [replace(item, keep=True) for item in pen.paragraph(text, hang=5.0, mark=f"S{searcher}")]
    kept = [k for k, name in enumerate(HEADS) if not (content.flat and name in SLOPES)]  # no ground, no slope
    table = [HEADS, *(_cells(leg, row, square) for leg, row in rows)]
    edges = [edge * pen.width / pen.ratio for edge in EDGES]
    ends = [edge for edge, name in zip(edges, HEADS, strict=True) if name not in LEFT]
    lines = [pen.row([(edges[k], cells[k]) for k in kept], bold=cells is HEADS, to_right=ends) for cells in table]
    return [*head, replace(lines[0], keep=True), *lines[1:]]


def _cells(leg: Leg, row: Mapping[str, Any], square: str) -> tuple[str, ...]:
    what = f"lane {leg.lane}" if leg.kind == "lane" else leg.kind
    within, east, north = split_mgrs(row["start"]["mgrs"])
    start = f"{east} {north}" if within == square else f"{within[-2:]} {east} {north}"
    slope = f"{leg.slope_deg:+.0f}°".replace("-", "\u2212") if abs(leg.slope_deg) >= 0.5 else "0°"
    mark = DANGERS[leg.danger][0] if leg.danger else ""
    return (
        str(leg.number), what, start, f"{leg.length_m:.0f} m", bearing(leg.bearing_deg_true),
        bearing(leg.bearing_deg_magnetic), slope, f"{leg.steepest_deg:.0f}°{mark}", short_time(leg.time_s),
    )  # fmt: skip


def short_time(seconds: float) -> str:
    """Minutes and seconds; over an hour, hours and minutes."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes // 60} h {minutes % 60:02d}" if minutes >= 60 else f"{minutes}:{rest:02d}"


def _key(pen: Pen, content: MapContent) -> list[Item]:
    met = {leg.danger for leg in content.legs}
    marks = [f"{mark}: {meaning}" for name, (mark, meaning) in DANGERS.items() if name in met]
    text = "Length on the snow; bearing at the start of the leg; time in min:s, its speeds under Assumptions"
    slope = "" if content.flat else "; slope + up, \u2212 down; most: its steepest 10 m"
    if content.numbers["search"]["declination_deg"] is None:
        text += "; magnetic bearings: no data (see the norths under the map)"
    return pen.paragraph("; ".join([text + slope, *marks]) + ".")


SIZE = 6.6
HEADER_MM = 10.0
COLUMN_MM = 90.0  # least width of a column
Build = Callable[[Pen], Sequence[Item]]


def draw_text_pages(sheet: Sheet, title: str, about: str, mark: str, build: Build) -> list[Drawing]:
    """Pages of the same paper as the map's, as many as the items take.

    ``build`` makes all items with a pen; it is called for every page, and each page draws those that fall on it.
    """
    layout = text_page(sheet, HEADER_MM, COLUMN_MM)
    columns = len(layout.columns)

    def new_page() -> tuple[Drawing, Sequence[Item]]:
        page = start_page(layout)
        draw_header(page, title, (about,), mark=mark)
        return page, build(Pen(page, layout.columns[0].width, SIZE))

    first, items = new_page()
    placed = next(
        found for pages in count(1) if (found := flow(items, layout.columns * pages)) is not None or pages > len(items)
    )
    if not placed:
        return []
    pages = [(first, items), *(new_page() for _ in range(placed[-1].column // columns))]
    for number, (_, drawn) in enumerate(pages):
        for item, place in zip(drawn, placed, strict=True):
            if place.column // columns == number:
                item.draw(place.x, place.y)
    return [page for page, _ in pages]


HANG = 20.0


def assumption_items(pen: Pen, content: MapContent) -> list[Item]:
    """Name and value, a line each."""
    numbers = content.numbers
    rows = [*_ground_rows(numbers, flat=content.flat), *(_model_rows(numbers) if content.modelled else [])]
    rows += [*_search_rows(numbers), ("Seed", f"{numbers['seed']}; lastseen {numbers['program']['version']}")]
    return [pen.heading("Assumptions"), *pen.named_lines(rows, hang=HANG)]


def _ground_rows(numbers: Mapping[str, Any], *, flat: bool) -> list[tuple[str, str]]:
    grid, rows = numbers["grid"], []
    for file in numbers["inputs"]:
        check = f", SHA-256 {file['sha256'][:12]}…" if file["sha256"] else ""
        rows.append((file["role"].replace("_", " ").capitalize(), f"{file['name']}{check}"))
    height = "no elevation was given: the ground is taken as flat" if flat else f"cells of {grid['cell_m']:g} m"
    return [*rows, ("Ground", f"{height}, {grid['crs_name']}")]


def _model_rows(numbers: Mapping[str, Any]) -> list[tuple[str, str]]:
    model, snow, release = numbers["model"], numbers["scenario"]["snow"], numbers["release"]
    run, envelope = numbers["runout"], numbers["envelope"]
    events = numbers["events"]
    unfinished = f", {events['unfinished']} of them not at rest in time" if events["unfinished"] else ""
    unfinished += f", in {events['left_the_model']} the toe left the model" if events["left_the_model"] else ""
    reach = f"; {percent(events['reach_person_share'])} of the events reach the last-seen point"
    area, volume = (two_figures(release[key]) for key in ("area_m2", "volume_m3"))
    rows = [
        ("Release", f"{release['reason']} {area} m² on the slope, {volume} m³"),
        ("Model", f"{model['reason']}; {events['count']} events{unfinished}{reach}"),
        *([("Seeds", f"{describe_seed_spread(events['seed_spread'])}")] if events["seed_spread"] else []),
        ("Friction", f"{_range(model['friction'])}, {model['friction_basis']}"),
        ("Turbulence", f"{_range(snow['turbulence_m_s2'])} m/s²"),
        ("Growth", f"{_range(snow['growth'])} times the released snow taken along (design choice)"),
        *([("Burial", burial["basis"])] if (burial := numbers["poa"]["burial"]) else []),
    ]
    if model["name"] == "flow":
        rows.append(("Cohesion", f"{_range(snow['cohesion_pa'])} Pa (design choice)"))
    rows += [
        ("Run-out", f"{_spread(run['length_m'], 'm')}, drop {_spread(run['drop_m'], 'm')} (P10, P50, P90)"),
        ("Fastest", f"{_spread(run['fastest_m_s'], 'm/s')}"),
    ]
    ends = [
        f"alpha {end['alpha_deg']:.0f}° ± {end['sd_deg']:g}°, {end['name']}" for end in (envelope or {}).get("ends", ())
    ]
    return [*rows, ("Envelope", f"{'; '.join(ends)}: extreme events")] if ends else rows


def _search_rows(numbers: Mapping[str, Any]) -> list[tuple[str, str]]:
    words = numbers["search"]["travel"]["words"] if numbers["search"].get("travel") else {}
    rows = [(name.capitalize(), text) for name, text in words.items()]
    for name, trial in zip(("Simulated", "Next best"), numbers["search"]["trials"], strict=False):
        times = [trial["first_signal_s"][key] for key in ("p10", "p50", "p90")]
        first = " / ".join("not heard" if time is None else whole_minutes(time) for time in times)
        after = f"first signal {first} min after the first step on the debris (P10, P50, P90)"
        rows.append((name, f"lanes {trial['words']}: {after}, POD {percent(trial['pod'])}"))
    return rows


def _range(values: Any) -> str:
    return f"{values[0]:g} to {values[-1]:g}" if isinstance(values, (list, tuple)) else f"{values:g}"


def _spread(values: Mapping[str, float], unit: str) -> str:
    return f"{values['p10']:.0f}, {values['p50']:.0f}, {values['p90']:.0f} {unit}"


def sources(content: MapContent, clock: RescueClock | None) -> list[str]:
    """Published sources of the numbers on this sheet."""
    numbers = content.numbers
    found = [f"Walking: {WALKING_SOURCE}"]
    if numbers["search"]["declination_deg"] is not None:
        found.append("Magnetic north: NOAA and British Geological Survey, World Magnetic Model 2025")
    if clock is not None:
        curves = (clock.curve, *older_curves(clock.curve))
        found += [f"Phases: {PHASES_SOURCE}; times without a source are from memory or design choices"]
        found += [f"Survival, {curve.name}: {curve.title}, {curve.source}" for curve in curves]
    found.append(f"Digging: {SCHEME_SOURCE}; {UPDATE_SOURCE}")
    found.append("Probing: Genswein, bergundsteigen; ICAR REC 0011 (2015); Auger & Jamieson 1996, ISSW")
    if content.modelled:
        found.append("Slab by slope: Salm, Burkard & Gubler 1990; friction: Voellmy 1955")
        found += [f"Envelope, {end['name']}: {end['source']}" for end in (numbers["envelope"] or {}).get("ends", ())]
    return found


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


def blank_items(pen: Pen, content: MapContent) -> list[Item]:
    """Tables to fill in: legs fill the first column, the rest the second."""
    column = pen.d.sheet.columns[0].height
    left = [pen.heading("Your legs"), *pen.blank_table(LEGS, 1)]
    right = [
        pen.heading(f"Hits ({counted(content.searchers, 'searcher')})"),
        *pen.blank_table(HITS, 10),
        pen.heading("Times"),
        *pen.filled_table(TIMES, [(name,) for name in BLANK_PHASES]),
        pen.heading("Not searched, and why"),
    ]
    return [
        *left[:1],
        *pen.blank_table(LEGS, 1 + _rows(column, left)),
        *right,
        *pen.blank_table(((0.0, ""),), max(3, _rows(column, right) - 1)),
    ]


def _rows(room_mm: float, above: Sequence[Item]) -> int:
    return int((room_mm - sum(item.height for item in above)) / WRITE_MM)


TARGETS = ((0.0, "no"), (6.0, "MGRS"), (32.0, "depth"), (43.0, "laid by"), (60.0, "found at"), (74.0, "out at"))
STAFF_PHASE_COLUMNS = ((0.0, "phase"), (37.0, "planned"), (58.0, "began"), (74.0, "ended"))


def plan_items(pen: Pen, content: MapContent) -> list[Item]:
    """Legs, clock, digging and probing, traps, deposition zones, assumptions, notes, sources."""
    rescue, clock = content.numbers["rescue"], read_clock(content.numbers)
    return [
        *leg_items(pen, content),
        *clock_items(pen, rescue, clock),
        *dig_items(pen, rescue),
        *probe_items(pen, rescue),
        *trap_items(pen, content),
        *zone_items(pen, content),
        *assumption_items(pen, content),
        *pen.notes("Notes", list(map(sentence_of, content.numbers["notes"])), "•"),
        *pen.notes("Sources", list(map(sentence_of, sources(content, clock))), "•"),
    ]


def staff_items(pen: Pen, content: MapContent) -> list[Item]:
    """The same, after tables for the instructor."""
    clock = read_clock(content.numbers)
    phases = clock.phases if clock else ()
    planned = [(f"{phase.letter or '–'}  {phase.name}", format_times(phase.time_s.three)) for phase in phases]
    return [
        pen.heading("Hidden targets (fill in; count all transmitters back in)"),
        *pen.blank_table(TARGETS, 8),
        pen.heading("Times of the drill"),
        *pen.filled_table(STAFF_PHASE_COLUMNS, planned),
        *plan_items(pen, content),
    ]


def trap_items(pen: Pen, content: MapContent) -> list[Item]:
    """Every trap with its reason and who meets it."""
    rows = [
        (trap.name, f"{trap.kind.capitalize()}: {trap.consequences}. {' / '.join(trap.met)}. {trap.reason}")
        for trap in content.traps
    ]
    heading = pen.heading("Terrain traps, by weight (persons who enter / stop)")
    return [heading, *pen.named_lines(rows, hang=6.5)] if rows else []


def zone_items(pen: Pen, content: MapContent) -> list[Item]:
    """Deposition zones with their reason."""
    rows = [(f"Z{zone.number}", zone.reason) for zone in content.zones]
    return [pen.heading("Deposition zones, most likely first"), *pen.named_lines(rows, hang=6.5)] if rows else []


Kind = Literal["full", "staff", "blank"]
MARKS: dict[Kind, str] = {"full": "", "staff": "Staff sheet: not for trainees", "blank": "Blank sheet for a drill"}


def write_sheet(result: Result, path: Path, *, kind: Kind = "full", paper: Paper = "A4") -> None:
    """Write the sheet: a map to true scale, then legs, clock, digging, traps, assumptions and sources.

    ``kind`` "staff" adds tables for an instructor, "blank" has only ground, grid and last-seen point with tables to
    fill in; ``paper`` is upright or lying as the shape of the ground asks. Text stays text and its letters are in the
    file. The same result gives the same bytes, without a date but that of ``SOURCE_DATE_EPOCH`` where it is set.
    """
    with fixed_look():
        write_pdf(draw_pages(result, kind=kind, paper=paper), path, title_of(result.numbers))


def write_map(result: Result, path: Path) -> None:
    """Write the first page of the sheet on A4 as PNG with 200 dots per inch; same result, same bytes."""
    with fixed_look():
        write_png(draw_pages(result)[0].figure, path)


def write_map_and_sheet(result: Result, map_path: Path, sheet_path: Path) -> None:
    """Write both in the time of one: what `write_map` and `write_sheet` write for A4."""
    with fixed_look():
        pages = draw_pages(result)
        write_png(pages[0].figure, map_path)
        write_pdf(pages, sheet_path, title_of(result.numbers))


def draw_pages(result: Result, *, kind: Kind = "full", paper: Paper = "A4") -> tuple[Drawing, ...]:
    """All pages, drawn but not written."""
    content = read_map_content(result)
    if kind == "blank":
        content = keep_blank(content)
    sheet = lay_out_sheet(content, paper)
    if len(sheet.columns) == 2 and (kind == "blank" or fits_one_column(start_page(with_narrow_panel(sheet)), content)):
        sheet = with_narrow_panel(sheet)
    build = blank_items if kind == "blank" else staff_items if kind == "staff" else plan_items
    pages = (
        draw_map(content, sheet, mark=MARKS[kind]),
        *draw_text_pages(sheet, content.title, header_lines(content)[0], MARKS[kind], lambda pen: build(pen, content)),
    )
    for number, page in enumerate(pages, start=1):
        draw_footer(page, number, len(pages))
    return pages
