"""The panel beside the map of a search: legend, key numbers, the walk lane by lane, traps and notes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

from matplotlib.patches import Circle

from lastseen import __version__
from lastseen.core import area_text, percent, share_words, short_percent, two_figures
from lastseen.output.draw import features
from lastseen.output.draw.drawing import Drawing
from lastseen.output.draw.features import TRAP_OPACITY, MapContent, start_of
from lastseen.output.draw.panel import (
    LEAST_TEXT,
    TEXT,
    Entry,
    Item,
    Pen,
    Symbol,
    draw_first_fit,
    flow,
    line_symbol,
    middle_symbol,
    patch_symbol,
    sentence_of,
    share_levels,
)
from lastseen.output.draw.relief import SLOPE_DASHES
from lastseen.output.result import coverage_words, travel_of_numbers
from lastseen.rescue import MODE_WORDS, Travel
from lastseen.search import Leg

AREA_WIDTH = 0.6


def legend_items(pen: Pen, content: MapContent) -> list[Item]:
    """The legend of a search."""
    d, ink, ramp = pen.d, pen.d.palette.debris, []
    entries = [*_lane_entries(d, content), *_person_entries(d, content), *_snow_entries(d, content)]
    if content.probability is not None:
        title = "Debris over 0.1 m, share of the events:"
        ramp = [pen.ramp(title, ink.ramp, share_levels(ink.levels), end="100 %", least=LEAST_TEXT)]
    return [pen.heading("Legend"), *ramp, *pen.legend([*entries, *ground_entries(d, flat=content.flat)])]


def trap_legend(pen: Pen, content: MapContent) -> list[Item]:
    """The legend of a map of traps."""
    d = pen.d
    entries = trap_entries(d, (trap.kind for trap in content.traps))
    if content.release.is_empty:
        entries.append((line_symbol(d, d.palette.snow.release, AREA_WIDTH), "release area"))
    else:
        entries += [*_person_entries(d, content)[:1], *_path_entries(d)]
    return [pen.heading("Legend"), *pen.legend([*entries, *ground_entries(d)])]


def _lane_entries(d: Drawing, content: MapContent) -> list[Entry]:
    ink = d.palette.lanes
    several = content.searchers > 1
    walking = sorted({lane.searcher for lane in content.lanes})
    styles = len(ink.dashes)
    found: list[Entry] = []
    for k in walking[:styles]:
        alike = [f"S{number}" for number in walking if (number - k) % styles == 0]
        name = f"lanes of {', '.join(alike)}" if several else "lane, number"
        found.append((line_symbol(d, ink.colour, features.LANE_WIDTH, ink.of_searcher(k), arrow=2.4), name))
    if content.first_lanes:
        found.append((line_symbol(d, ink.colour, features.FIRST_WIDTH, ink.first), "lane of the first pass"))
    kinds = {leg.kind for leg in content.legs}
    if kinds & {"join", "track"}:
        name = "way on the snow's track, and between lanes" if "track" in kinds else "way between lanes"
        found.append((line_symbol(d, ink.colour, features.JOIN_WIDTH, arrow=1.7), name))
    if "approach" in kinds:
        found.append((line_symbol(d, ink.colour, features.APPROACH_WIDTH, ink.approach), "approach"))
    if start_of(content) is not None:
        square = middle_symbol(lambda x, y: d.square(x, y, 1.2, fill=False, edgecolor=ink.colour, linewidth=1.2))
        found.append((square, "start"))
    if not content.uncovered.is_empty:
        look = {"facecolor": ink.casing, "edgecolor": ink.colour, "linewidth": 0.5, "hatch": ink.uncovered}
        found.append((patch_symbol(d, **look), "out of range (small: circled)"))
    if not content.no_go.is_empty:
        look = {"facecolor": "none", "edgecolor": ink.colour, "linewidth": 0.9, "hatch": ink.no_go}
        found.append((patch_symbol(d, **look), "no-go ground"))
    return found


def _person_entries(d: Drawing, content: MapContent) -> list[Entry]:
    ink = d.palette.person
    found: list[Entry] = []
    if content.at_m is not None:
        found.append((_cross(d), "last-seen point"))
    looks = ((1.5, "half", "half of the POA"), (1.1, "most", "90 % of the POA"))
    for _, (width, key, words) in zip(content.poa, looks, strict=False):
        found.append((line_symbol(d, ink.line, width, ink.dashes[key]), words))
    return found


def _cross(d: Drawing) -> Symbol:
    ink = d.palette.person.line

    def draw(x: float, y: float) -> None:
        d.line([(x - 1.5, y), (x + 1.5, y)], ink, 1.5)
        d.line([(x, y - 1.5), (x, y + 1.5)], ink, 1.5)
        d.page.add_patch(Circle((x, y), 0.95, fill=False, edgecolor=ink, linewidth=1.1))

    return middle_symbol(draw)


def _snow_entries(d: Drawing, content: MapContent) -> list[Entry]:
    ink = d.palette.debris
    if content.outline.is_empty:
        return []
    if not content.modelled:
        return [(patch_symbol(d, facecolor=ink.observed, edgecolor=ink.outline, linewidth=1.2), "debris, as given")]
    what = "searched outline" if content.numbers["debris"]["whole"] else "searched, only a part of the debris"
    found: list[Entry] = [(line_symbol(d, ink.outline, 1.4), what)]
    if content.zones:
        look = {"ha": "center", "va": "center", "weight": "bold", "color": ink.outline, "halo": True}
        found.append((middle_symbol(lambda x, y: d.text(x, y, "Z1", TEXT, **look)), "deposition zone"))
    return [*found, *_path_entries(d), *trap_entries(d, (trap.kind for trap in content.traps))]


def _path_entries(d: Drawing) -> list[Entry]:
    ink = d.palette.snow
    return [
        (line_symbol(d, ink.release, 1.5, ink.dashes["release"]), "release"),
        (line_symbol(d, ink.path, 0.9, ink.dashes["path"]), "main flow path"),
        (line_symbol(d, ink.corridor, 0.9, ink.dashes["corridor"]), "passed by 10, 50, 90 % of events"),
    ]


def trap_entries(d: Drawing, kinds: Iterable[str]) -> list[Entry]:
    """Hatch, letter and name of each kind of trap that is there."""
    edge = {"facecolor": "none", "edgecolor": d.palette.traps.colour, "linewidth": 0.7, "alpha": TRAP_OPACITY}
    signs = d.palette.traps.signs
    return [
        (patch_symbol(d, hatch=signs[kind].hatch, **edge), f"{signs[kind].letter}  {kind}")
        for kind in dict.fromkeys(kinds)
    ]


def ground_entries(d: Drawing, *, flat: bool = False) -> list[Entry]:
    """Contours and lines of equal slope, where there is ground."""
    ink = d.palette.ground
    contour = (line_symbol(d, ink.contour_index, 0.8), "contour, m")
    return [] if flat else [contour, (line_symbol(d, ink.slope, 0.8, SLOPE_DASHES), "slope 30°, 40°")]


# ---- What the panel says, and how much of it


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


def header_lines(content: MapContent) -> list[str]:
    """Place and origin of the plan."""
    lines, at = [], content.numbers.get("last_seen")
    if at is not None:
        place = "{} (lon, lat {:.6f}, {:.6f})".format(spaced_mgrs(at["mgrs"]), *at["lonlat"])
        lines.append(f"Last-seen point {place}, {content.radius_m:g} m to either side")
    if content.blank:
        return [*lines, f"Ground without a plan, for drills: fill in what you find. lastseen {__version__}"]
    made = "debris outline as given"
    if content.modelled:
        way = {"flow": "flowing snow", "body": "sliding bodies"}[content.numbers["model"]["name"]]
        made = f"release, run-out and debris from a model of {way}"
    search = "Signal search"
    if content.numbers["search"]["second_pass"]:
        width = content.numbers["coverage"]["strip_width_m"]
        search = f"Second pass of the signal search, strips of {width:g} m midway beside the first lanes"
    return [*lines, f"{search}, {made}; seed {content.numbers['seed']}, lastseen {__version__}"]


def fits_one_column(d: Drawing, content: MapContent) -> bool:
    """Whether all of it fits the first column in text of full size."""
    return flow(_items(Pen(d, d.sheet.columns[0].width, TEXT), content, AMOUNTS[0]), d.sheet.columns[:1]) is not None


def fill_panel(d: Drawing, content: MapContent) -> None:
    """Draw as much as fits, in the largest text that does, the least important shortened first."""
    columns = d.sheet.columns
    pens = ((Pen(d, columns[0].width, amount.size), amount) for amount in AMOUNTS)
    wide = ((p, a) for p, a in pens if p.width >= LEAST_WIDTH * p.ratio or a.size <= TEXT)
    draw_first_fit(columns, (_items(pen, content, amount) for pen, amount in wide))


def _items(pen: Pen, content: MapContent, amount: Amount) -> list[Item]:
    return [
        *_urgent(pen, content),
        *legend_items(pen, content),
        *_numbers(pen, content),
        *_walk(pen, content, amount),
        *_traps(pen, content, amount.traps),
        *_notes(pen, content, amount.notes),
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


def _numbers(pen: Pen, content: MapContent) -> list[Item]:
    n = content.searchers
    slowest = max(range(1, n + 1), key=lambda k: (time_of(content.walk(k)), -k))
    there, walk = split_walk(content, slowest)
    each, moves = content.numbers["search"]["each"][slowest - 1], travel_of_numbers(content.numbers)
    who = f" (S{slowest}, the last to end)" if n > 1 else ""
    covered = content.numbers["coverage"]
    way = "" if content.flat else f", lanes {content.numbers['search']['way']}"  # flat ground has no fall line
    rows = [
        ("Strip width", f"{covered['strip_width_m']:g} m on the snow{way}"),
        ("Team", f"{counted(n, 'searcher')}, {counted(len(content.lanes), 'lane')}"),
        ("Search", f"{length(walk)} in {clock(time_of(walk))} {MODE_WORDS[moves.search]}{who}"),
        ("Approach", _approach_text(moves, there, each["time_s"])),
        ("Coverage", f"{coverage_words(content.numbers)}; {two_figures(covered['uncovered_m2'])} m² out of range"),
        ("Debris", f"{_area_words(content)} on the map{_part_words(content.numbers)}"),
        *(_model_numbers(content.numbers) if content.modelled else []),
    ]  # fmt: skip
    return [pen.heading("Key numbers"), *pen.named_lines(rows, hang=18.5)]


def _area_words(content: MapContent) -> str:
    """A given outline as it was measured, debris of a model to what its cells tell."""
    area = content.outline.area
    return area_text(area, content.numbers["grid"]["cell_m"], "m²") if content.modelled else f"{area:.0f} m²"


def _part_words(numbers: Mapping[str, Any]) -> str:
    return "" if numbers["debris"]["whole"] else ": only the part that the elevation model holds"


def _approach_text(moves: Travel, there: Sequence[Leg], both_s: float) -> str:
    """How they come to the debris, how long that takes, and the search with it."""
    if moves.approach_s is None and not there:
        return "none"
    way = f"{length(there)} in {clock(time_of(there))} {MODE_WORDS[moves.approach]}"
    return f"{way if moves.approach_s is None else clock(moves.approach_s) + ', as given'}; with it {clock(both_s)}"


def _model_numbers(numbers: Mapping[str, Any]) -> list[tuple[str, str]]:
    inside, angle, release = numbers["poa"]["inside_debris"], numbers["runout"]["travel_angle_deg"], numbers["release"]
    debris, burial, size = numbers["debris"], numbers["poa"]["burial"], numbers["scenario"]["snow"]["size"]
    deep = share_words(next(row["share"] for row in burial["deeper"] if row["depth_m"] == 1.0)) if burial else ""
    widened = ", widened to 90 % of the POA" if debris["widened"] else ""
    left = numbers["persons"]["left_model_share"]
    beyond = f", {percent(left)} left the elevation model" if left > 0.0 else ""
    return [
        ("Outline", f"debris in at least {short_percent(debris['level'])} of the events{widened}"),
        ("Persons", f"of all {percent(inside)} inside the outline{beyond}"),
        ("Burial", f"{share_words(burial['fully'])} fully buried, {deep} over 1 m" if burial else "not worked out"),
        ("Travel angle", f"{angle['p50']:.0f}° (P10 to P90: {angle['p10']:.0f}° to {angle['p90']:.0f}°)"),
        ("Release", f"size {size}, {two_figures(release['volume_m3'])} m³ on {release['slope_deg']:.0f}°"),
        ("Slab", f"{release['thickness_m']:.2f} m, normal to the slope"),
    ]


def split_walk(content: MapContent, searcher: int) -> tuple[list[Leg], list[Leg]]:
    """Legs of the approach, and of the search itself."""
    legs = content.walk(searcher)
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


def _walk(pen: Pen, content: MapContent, amount: Amount) -> list[Item]:
    items = [pen.heading(f"The walk ({which_north(content.numbers['search']['declination_deg'])})")]
    heads = TRUE_ALONE if content.numbers["search"]["declination_deg"] is None else WITH_MAGNETIC
    offsets = [offset for offset, _ in heads]
    items.append(replace(pen.row([(0.0, RUNNING)] if amount.running else heads, bold=True), keep=True))
    left = amount.lanes
    for searcher in range(1, content.searchers + 1):
        lanes = _lanes_with_joins(split_walk(content, searcher)[1])[:left]
        if not lanes:
            continue
        left -= len(lanes)
        items += _searcher_lines(pen, content, searcher)
        if amount.running:
            parts = [f"{lane[0].lane}: {_turned(lane)} {length(lane)} › {_joins(then)} ›" for lane, then in lanes]
            items += pen.paragraph(" ".join(parts).removesuffix(" ›"), hang=5.5)
        else:
            rows = [_lane_cells(lane, then, magnetic=heads is WITH_MAGNETIC) for lane, then in lanes]
            items += [pen.row(list(zip(offsets, cells, strict=True))) for cells in rows]
    more = len(content.lanes) - (amount.lanes - left)
    return [*items, *(pen.paragraph(f"{counted(more, 'more lane')}. {REST}") if more > 0 else [])]


def _lanes_with_joins(walk: Sequence[Leg]) -> list[tuple[list[Leg], list[Leg]]]:
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


def _searcher_lines(pen: Pen, content: MapContent, searcher: int) -> list[Item]:
    there, walk = split_walk(content, searcher)
    way = "; ".join(f"{bearing(leg.bearing_deg_true)} {length([leg])}" for leg in there)
    steep = max((leg.steepest_deg for leg in there), default=0.0)
    incline = "" if content.flat else f" up to {steep:.0f}° steep,"
    text = f"approach {way},{incline} {clock(time_of(there))}" if way else "no approach"
    if track := [leg for leg in walk if leg.kind == "track"]:
        text += f"; transceiver on: {_joins(track)} to the first lane"
    if content.searchers > 1:
        text = f"{length(walk)}, {clock(time_of(walk))}; {text}"
    return [replace(item, keep=True) for item in pen.paragraph(text, hang=5.5, mark=f"S{searcher}")]


def _traps(pen: Pen, content: MapContent, most: int) -> list[Item]:
    if not content.traps or most == 0:
        return []
    rows = [(trap.name, f"{trap.sentence} {trap.met_sentence}") for trap in content.traps[:most]]
    items = [pen.heading("Terrain traps the snow can reach"), *pen.named_lines(rows, hang=6.5)]
    if len(content.traps) > most:
        items += pen.paragraph(f"{len(content.traps) - most} more on the pages that follow; all are drawn on the map.")
    return items


def _urgent(pen: Pen, content: MapContent) -> list[Item]:
    return pen.notes("Before all else", [sentence_of(note) for note in content.numbers.get("urgent", ())], "!")


def _notes(pen: Pen, content: MapContent, most: int) -> list[Item]:
    notes = [note for note in content.numbers["notes"] if note not in content.numbers.get("urgent", ())]
    items = pen.notes("Notes", [sentence_of(note) for note in notes[:most]], "•")
    if items and len(notes) > most:
        items += pen.paragraph(f"{counted(len(notes) - most, 'more note')} on the pages that follow.")
    return items


# ---- The panel of a blank sheet for drills: legend of the ground, and tables to fill in

SIZE = 7.0
MOST_ROWS = 24
OWN_HEADS = ((0.0, "no"), (8.0, "start"), (30.0, "bearing"), (46.0, "length"))
FOUND_HEADS = ((0.0, "time"), (11.0, "what"), (26.0, "where"), (48.0, "depth"))


def fill_blank_panel(d: Drawing, content: MapContent) -> None:
    """As many empty rows as fit."""
    pen = Pen(d, d.sheet.columns[0].width, SIZE)
    legend = legend_items(pen, content)
    plan, find = pen.heading("Your plan"), pen.heading("What you find")
    counts = ((rows, max(3, rows // 2)) for rows in range(MOST_ROWS, 0, -1))
    tables = ((pen.blank_table(OWN_HEADS, rows), pen.blank_table(FOUND_HEADS, fewer)) for rows, fewer in counts)
    draw_first_fit(d.sheet.columns, ([*legend, plan, *first, find, *second] for first, second in tables))
