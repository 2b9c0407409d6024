"""The debrief on paper: one page for each searcher, one for the team."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path

import numpy as np
import shapely
from matplotlib.colors import ListedColormap

from lastseen.core import FloatArray, percent
from lastseen.jobs import (
    LEAST_WALKED,
    CoverageBand,
    Debrief,
    LaneReview,
    PhaseTime,
    Searcher,
    SignalTime,
    Track,
    elapsed_text,
)
from lastseen.output.draw.drawing import Drawing, area_patch, on_page, stroke
from lastseen.output.draw.layout import Box, Extent, Sheet
from lastseen.output.draw.palette import Dashes
from lastseen.output.sheets import page
from lastseen.output.sheets import page as base
from lastseen.output.sheets.page import Column
from lastseen.rescue import survival_bounds_percent
from lastseen.search import sum_coverage

# ---- What the pages of a debrief say

HONEST = "19 times in 20. A track shows where a phone was, not what its owner heard."
MOST_ROWS, MOST_PHASES = 14, 9
PHASE_COLUMNS = (
    Column(("target",), 16.0),
    Column(("phase",), 34.0),
    Column(("ended at",), 22.0, "right"),
    Column(("took",), 20.0, "right"),
    Column(("plan: low, typical, high",), 44.0, "right"),
    Column(("",), 30.0),
    Column(("alive then",), 28.0, "right"),
)
TEAM_COLUMNS = (
    Column(("", "track"), 44.0),
    Column(("walked", "m"), 16.0, "right"),
    Column(("from", "to"), 26.0, "right"),
    Column(("surely", "%"), 15.0, "right"),
    Column(("perhaps", "%"), 15.0, "right"),
    Column(("as recorded", "%"), 20.0, "right"),
    Column(("lanes", "walked"), 26.0),
    Column(("B to E noted", "(last)"), 32.0),
)


def _band_words(band: CoverageBand) -> str:
    sure, perhaps, none = (percent(one) for one in (band.sure, band.perhaps, band.none))
    return f"Surely {sure}, perhaps {perhaps}, not {none} of the outline, {HONEST}"


def own_numbers(made: Debrief, one: Searcher) -> list[str]:
    """What one track covered, how fast, and when it could hear what."""
    planned = f"the plan of the whole team: {percent(made.plan.coverage, 1)}"
    told = [
        _band_words(one.band),
        f"{percent(one.band.half, 1)} within half a strip of the track at its word; {planned}.",
    ]
    told += [
        f"{part}: {way:.0f} m in {elapsed_text(lasts)}, {way / lasts:.1f} m/s." for part, way, lasts in _speeds(one)
    ]
    return told + [_signal(one) for one in one.signals]


def _speeds(one: Searcher) -> list[tuple[str, float, float]]:
    """Parts with metres and seconds; the same phase of several targets together."""
    found: dict[str, tuple[float, float]] = {}
    for speed in one.speeds:
        name = speed.part.split(",", maxsplit=1)[0]
        way, lasts = found.get(name, (0.0, 0.0))
        found[name] = (way + speed.metres, lasts + speed.seconds)
    return [(f"{name[0].upper()}{name[1:]}", *both) for name, both in found.items()]


def _signal(one: SignalTime) -> str:
    when = f"possible from {elapsed_text(one.first_s)}" if math.isfinite(one.first_s) else "never possible"
    if math.isfinite(one.likely_s):
        when += f", likely {elapsed_text(one.likely_s)}"
    if math.isfinite(one.noted_s):
        when += f", noted {elapsed_text(one.noted_s)}"
    end = "" if one.words.endswith("?") else "."
    return f"{one.target}: first signal {when}: {one.words}{end}"


def lane_words(made: Debrief, one: Searcher) -> list[str]:
    """How one searcher's lanes were walked, and turned, and how far apart."""
    margin, mine, told = made.radii.gps_m, set(), []
    for lane in one.lanes.lanes:
        if lane.walked < LEAST_WALKED:
            continue
        mine.add(lane.lane)
        planned = f"Lane {lane.lane} (planned for S{lane.planned_searcher})"
        told.append(f"{planned}: {percent(lane.walked)} walked, {lane.offset_m:.0f} m beside it on average.")
        told += [
            f"Lane {turn.lane}, {turn.end}: turned {turn.short_m:.0f} m short, {turn.walked_edge_m:.0f} m from "
            f"the edge (planned {max(0.0, turn.planned_edge_m):.0f} m)."
            for turn in one.lanes.turns
            if turn.lane == lane.lane and turn.short_m > margin
        ]
    told += spacing_words(made, one.lanes, mine)
    if not told:
        told.append("No lane of the plan was followed.")
    told.append(f"Less than about {margin:.0f} m beside or short cannot be told from the GPS error.")
    return told


def spacing_words(made: Debrief, review: LaneReview, lanes: set[int]) -> list[str]:
    """Distances between neighbouring lanes of which one is among some."""
    told = []
    fuzz = math.sqrt(2.0) * made.radii.gps_m
    for spacing in review.spacings:
        if not lanes & set(spacing.lanes) or not math.isfinite(spacing.walked_m):
            continue
        wide = spacing.widest_m - spacing.planned_m > fuzz
        verdict = f"up to {spacing.widest_m:.0f} m: too wide" if wide else "no wider than the GPS error allows"
        left, right = spacing.lanes[:2]
        between = f"Lanes {left} and {right}: {spacing.walked_m:.0f} m apart (planned {spacing.planned_m:.0f} m)"
        told.append(f"{between}, {verdict}.")
    return told


def phase_rows(made: Debrief, one: Searcher) -> list[list[str]]:
    """Phases as noted, and whose survival curve stands beside them; nothing where nobody noted any."""
    rows = [_phase_row(phase) for phase in one.phases[:MOST_PHASES]]
    if len(one.phases) > MOST_PHASES:
        rows.append(["", f"{len(one.phases) - MOST_PHASES} more: debrief.json", *[""] * 5])
    if rows:
        curve = made.clock.curve
        rows.append(["", "survival:", "", "", curve.title, curve.name, "buried at 0:00"])
    return rows


def _phase_row(phase: PhaseTime) -> list[str]:
    low, high = phase.survival_percent
    alive = f"{high:.0f} %" if low == high else f"{low:.0f} to {high:.0f} %"
    planned = ", ".join(elapsed_text(value) for value in phase.planned_s) if phase.planned_s else ""
    took = elapsed_text(phase.took_s) if math.isfinite(phase.took_s) else "not known"
    name = f"{phase.letter} {phase.name}"
    return [phase.target, name, elapsed_text(phase.ended_s), took, planned, phase.verdict, alive]


def team_rows(made: Debrief) -> list[list[str]]:
    """A line for each track, and one for all together."""
    rows = [_team_row(made, searcher) for searcher in made.searchers[:MOST_ROWS]]
    if len(made.searchers) > MOST_ROWS:
        rows.append([f"{len(made.searchers) - MOST_ROWS} more: debrief.json", *[""] * 7])
    total = sum(searcher.metres for searcher in made.searchers)
    lanes = f"{percent(made.lanes.walked)} of them"
    rows.append(["together", f"{total:.0f}", "", *_band_cells(made.band), lanes, ""])
    return rows


def _team_row(made: Debrief, one: Searcher) -> list[str]:
    lanes = [str(lane.lane) for lane in one.lanes.lanes if lane.walked >= 0.5]
    ends = [phase for phase in one.phases if phase.letter != "A"]
    last = f"{ends[-1].letter} {elapsed_text(ends[-1].ended_s)}" if ends else ""
    times = [elapsed_text(float(one.time_s[k]) - made.zero_s) for k in (0, -1)]
    span = " to ".join(times) if one.track.timed else "no times"
    name = f"S{one.number} {one.track.name}"
    return [name, f"{one.metres:.0f}", span, *_band_cells(one.band), ", ".join(lanes), last]


def _band_cells(band: CoverageBand) -> list[str]:
    return [f"{100 * band.sure:.0f}", f"{100 * band.perhaps:.0f}", f"{100 * band.half:.1f}"]


def team_numbers(made: Debrief) -> list[str]:
    """What the team covered, and what it left."""
    band, left = made.band, made.leftover
    told = [
        _band_words(band),
        f"Tracks at their word: {percent(band.half, 1)} within half a strip; planned {percent(made.plan.coverage, 1)}.",
        f"How likely the person came into range, wherever they lay: {percent(left.found)} (perhaps counts half).",
        *_gaps(made),
    ]
    _, perhaps, none, outside = (percent(one) for one in left.poa_after)
    where = f"{perhaps} in what is perhaps covered, {none} in what is not, {outside} outside the outline"
    told.append(f"If nobody was found, the probability now lies: {where}.")
    return told


def _gaps(made: Debrief) -> Iterator[str]:
    holes = made.leftover.holes
    for hole in holes[:4]:
        size = f"Gap {hole.number}: {hole.area_m2:.0f} m², {percent(hole.poa)} of the probability of area"
        yield f"{size}; {percent(hole.missed)} of it out of range in any case."
    if len(holes) > 4:
        yield f"{len(holes) - 4} smaller gaps in debrief.json."
    if not holes:
        yield "No gap larger than the square over a quarter of a strip."


def lane_summary(made: Debrief) -> list[str]:
    """The widest distances between lanes, and the turns that were short."""
    told = spacing_words(made, made.lanes, {lane.lane for lane in made.lanes.lanes})
    told.sort(key=lambda text: "too wide" not in text)
    told = told[:3]
    short = [turn for turn in made.lanes.turns if turn.short_m > made.radii.gps_m]
    if short:
        worst = max(short, key=lambda one: one.short_m)
        many = f"{len(short)} turn" + ("s" if len(short) > 1 else "")
        where = f"the worst on lane {worst.lane} by {worst.short_m:.0f} m"
        told.append(f"{many} short of the edge by more than the GPS error, {where}.")
    return told


# ---- The course of a drill: covered ground against time, with the survival curve and the noted phases beside it

COURSE_MM = 34.0
STEPS_MIN = (1, 2, 5, 10, 15, 30, 60)
_SAMPLES = 240


def draw_course(d: Drawing, box: Box, made: Debrief, times_s: FloatArray, marks: Sequence[tuple[float, str]]) -> None:
    """Shares of the outline covered by a time, per cent, and the survival of somebody buried at the clock's zero.

    Parameters
    ----------
    box : Box
        Where on the page.
    times_s : ndarray, shape (3, samples)
        First times: sure, as recorded, perhaps.
    marks : sequence of (seconds since zero, text)
    """
    ends = [float(searcher.time_s[-1]) - made.zero_s for searcher in made.searchers] + [at for at, _ in marks]
    last = 1.03 * max(60.0, *ends)
    inner = Box(box.left + 12.0, box.bottom + 6.5, box.width - 50.0, box.height - 12.0)
    ink, person = d.palette.ground, d.palette.person.line
    d.text(
        box.left,
        box.top - 1.5,
        "Covered, and alive if buried at 0:00, against the drill's clock",
        7.0,
        weight="bold",
        va="center",
    )

    def at(seconds: float, percent: float) -> tuple[float, float]:
        return inner.left + inner.width * seconds / last, inner.bottom + inner.height * percent / 100.0

    for level in (0, 25, 50, 75, 100):
        d.line([at(0.0, level), at(last, level)], ink.grid, 0.3)
        d.text(inner.left - 1.2, at(0.0, level)[1], f"{level} %", page.SMALL, ha="right", va="center")
    step = next((one for one in STEPS_MIN if last / 60.0 / one <= 16), STEPS_MIN[-1])
    for minute in range(0, int(last / 60.0) + 1, step):
        x, y = at(60.0 * minute, 0.0)
        d.line([(x, y), (x, y - 0.9)], ink.frame, 0.5)
        d.text(x, y - 1.4, f"{minute}" + (" min" if minute == 0 else ""), page.SMALL, ha="center", va="top")
    time = np.linspace(0.0, last, _SAMPLES)
    alive = [survival_bounds_percent(made.clock.curve, one / 60.0) for one in time.tolist()]
    named: list[tuple[float, str, str]] = []
    weight = made.lattice.weight_m2
    for row, colour, width, words in (
        (1, ink.text, 1.4, "covered as recorded"),
        (0, d.palette.debris.ramp[4], 1.4, "surely covered"),
    ):
        share = _covered(times_s[row] - made.zero_s, weight, time)
        d.line([at(t, v) for t, v in zip(time, share, strict=True)], colour, width, zorder=4)
        named.append((float(share[-1]), words, colour))
    for which, dashes in ((0, (3.0, 1.5)), (1, (3.0, 1.5))):
        d.line([at(t, v[which]) for t, v in zip(time, alive, strict=True)], person, 1.0, dashes, zorder=3.9)
    named.append((0.5 * sum(alive[-1]), f"alive ({made.clock.curve.name})", person))
    _name_lines(d, inner, named)
    for seconds, _ in marks:
        if not math.isfinite(seconds):
            continue
        x, top = at(max(0.0, seconds), 100.0)
        d.line([(x, inner.bottom), (x, top)], ink.faint_text, 0.5, (1.0, 1.2), zorder=3.5)
    _name_marks(d, inner, [(at(max(0.0, s), 0.0)[0], words) for s, words in marks if math.isfinite(s)])
    d.line([(inner.left, inner.bottom), (inner.right, inner.bottom)], ink.frame, 0.7)


def _covered(first_s: FloatArray, weight: FloatArray, time: FloatArray) -> FloatArray:
    """Share covered by each time, per cent."""
    seen = np.isfinite(first_s)
    order = np.argsort(first_s[seen], kind="stable")
    total = np.concatenate([[0.0], np.cumsum(weight[seen][order])])
    return np.asarray(100.0 * total[np.searchsorted(first_s[seen][order], time, side="right")] / weight.sum())


def _name_lines(d: Drawing, inner: Box, named: Sequence[tuple[float, str, str]]) -> None:
    """Names at the right ends, moved apart."""
    y = math.inf
    for value, words, colour in sorted(named, reverse=True):
        y = min(y - 3.0, inner.bottom + inner.height * value / 100.0)
        d.text(inner.right + 1.5, y, words, page.PLAIN, va="center", color=colour)


def _name_marks(d: Drawing, inner: Box, marks: Sequence[tuple[float, str]]) -> None:
    """Letters of the phases above their lines; what would touch the one before is left out."""
    right = -math.inf
    for x, words in sorted(marks):
        wide = d.width_mm(words, page.SMALL)
        if x - 0.5 * wide > right + 0.6:
            d.text(x, inner.top + 1.3, words, page.SMALL, ha="center", va="center")
            right = x + 0.5 * wide


# ---- The debrief on paper: one page for each searcher, one for the team

SURE, PERHAPS = 3, 0  # steps of the debris ramp: dark and light
TEXT_MM = 50.0
FEW = 4  # more tracks are drawn thinner
TICK_GAP_MM = 7.0
TICKS_S = (60, 120, 300, 600, 1200, 1800)


def write_searcher_sheet(made: Debrief, one: Searcher, path: Path) -> None:
    """One page for one searcher."""
    base.write_pdf(path, f"{made.plan.name}: {one.track.name}", [partial(_searcher_page, made, one)])


def write_team_sheet(made: Debrief, path: Path) -> None:
    """One page for the team."""
    base.write_pdf(path, f"{made.plan.name}: team", [partial(_team_page, made)])


def _bounds(made: Debrief) -> Extent:
    """Outline and what was walked near it."""
    near = shapely.buffer(made.plan.outline, made.plan.strip_width_m)
    points = []
    for searcher in made.searchers:
        inside = shapely.contains_xy(near, searcher.xyz_m[:, 0], searcher.xyz_m[:, 1])
        points += [shapely.MultiPoint(searcher.xyz_m[inside, :2])] if inside.any() else []
    return base.bounds_of(made.plan.outline, *points)


def _searcher_page(made: Debrief, one: Searcher) -> Drawing:
    lines = [
        f"Searcher {one.number}, track '{one.track.name}'. {_when(made, one)}",
        f"{made.plan.name}, {len(made.searchers)} in the team. {_measure(made)}",
    ]
    phases = phase_rows(made, one)
    page = _page(made, TEXT_MM, 4.2 * len(phases) + 8.0 if phases else 0.0)
    d = base.start_map(page, made.plan, f"Debrief: {one.track.name}", lines)
    _draw_band(d, made, one.times_s)
    base.draw_lanes(d, made.plan)
    _draw_targets(d, made)
    _draw_track(d, one.track, ())
    _draw_ticks(d, made, one)
    _draw_key(d)
    box = d.sheet.columns[0]
    top = box.top
    if phases:
        top = base.draw_table(d, box.left, top, PHASE_COLUMNS, phases) - 1.0
    texts = [
        ("Covered by this track alone", own_numbers(made, one)),
        ("Lanes and turns", lane_words(made, one)),
        ("What the recording is worth", [*one.cleaning_notes, *made.notes]),
    ]
    base.write_columns(d, top, _low(made, box), texts)
    if made.timed:
        marks = [(phase.ended_s, f"{phase.letter} {phase.target}".strip()) for phase in one.phases]
        draw_course(d, Box(box.left, box.bottom, box.width, COURSE_MM), made, one.times_s, marks)
    return d


def _team_page(made: Debrief) -> Drawing:
    plan = made.plan
    lines = [
        f"{_who(made)}. {_measure(made)}",
        _since(made),
    ]
    rows = team_rows(made)
    d = base.start_map(_page(made, TEXT_MM, 4.2 * len(rows) + 9.0), plan, f"Debrief: {plan.name}", lines)
    _draw_band(d, made, made.team_s)
    base.draw_lanes(d, plan)
    _draw_targets(d, made)
    for searcher in made.searchers:
        width = 1.2 if len(made.searchers) <= FEW else 0.6
        _draw_track(d, searcher.track, d.palette.lanes.of_searcher(searcher.number), width)
    for searcher in made.searchers:
        _name_track(d, searcher)
    _draw_holes(d, made)
    _draw_key(d)
    box = d.sheet.columns[0]
    top = base.draw_table(d, box.left, box.top, TEAM_COLUMNS, rows) - 1.0
    texts = [
        ("Covered together", team_numbers(made)),
        ("Second pass", made.leftover.advice),
        ("What tracks can tell", [*made.notes, *lane_summary(made)]),
    ]
    base.write_columns(d, top, _low(made, box), texts)
    if made.timed:
        draw_course(d, Box(box.left, box.bottom, box.width, COURSE_MM), made, made.team_s, [])
    return d


def _page(made: Debrief, text_mm: float, table_mm: float) -> Sheet:
    """A page with room for a table, text, and a course where there are times."""
    chart = COURSE_MM + 3.0 if made.timed else 0.0
    return base.talking_page(_bounds(made), table_mm=table_mm, text_mm=text_mm, chart_mm=chart)


def _low(made: Debrief, box: Box) -> float:
    """Where text under the map ends."""
    return box.bottom + (COURSE_MM + 3.0 if made.timed else 0.0)


def _who(made: Debrief) -> str:
    """The tracks by name where that is short."""
    names = ", ".join(searcher.track.name for searcher in made.searchers)
    return f"Tracks: {names}" if len(names) <= 90 else f"{len(made.searchers)} tracks, named below"


def _measure(made: Debrief) -> str:
    return f"Strips of {made.plan.strip_width_m:g} m, GPS error {made.gps_error_m:g} m."


def _when(made: Debrief, one: Searcher) -> str:
    if not one.track.timed:
        return "No times recorded."
    begin, end = (elapsed_text(float(one.time_s[k]) - made.zero_s) for k in (0, -1))
    return f"{one.metres:.0f} m on the snow, from {begin} to {end} on the drill's clock."


def _since(made: Debrief) -> str:
    if not made.timed:
        return "Not all tracks carry times."
    done = np.isfinite(made.team_s[1])
    last = float(made.team_s[1][done].max()) - made.zero_s if done.any() else math.nan
    half = float(np.median(made.team_s[1][done])) - made.zero_s if done.any() else math.nan
    return (
        f"Half of what was covered was covered by {elapsed_text(half)}, all of it by {elapsed_text(last)}."
        if done.any()
        else ""
    )


# ---- the map ------------------------------------------------------------------------------------------------------


def _draw_band(d: Drawing, made: Debrief, times_s: FloatArray) -> None:
    """Surely and perhaps covered as two blues, the rest white and hatched."""
    lattice, ink = made.lattice, d.palette.debris
    sure, _, most = (np.isfinite(times_) for times_ in times_s)
    value = np.where(sure, 2.0, np.where(most, 1.0, 0.0))
    rows, cols = lattice.index.shape
    image = np.full((rows, cols), np.nan)
    image[lattice.row, lattice.col] = value
    half = 0.5 * lattice.spacing_m
    west, south = lattice.west_m - half, lattice.south_m - half
    extent = (west, west + cols * lattice.spacing_m, south, south + rows * lattice.spacing_m)
    colours = ListedColormap([d.palette.ground.paper, ink.ramp[PERHAPS], ink.ramp[SURE]])
    shown = d.ground.imshow(
        np.ma.masked_invalid(image), cmap=colours, vmin=-0.5, vmax=2.5, extent=extent, origin="lower",
        interpolation="nearest", aspect="auto", zorder=1.5, alpha=0.92,
    )  # fmt: skip
    clip = area_patch(made.plan.outline, transform=d.ground.transData)
    shown.set_clip_path(clip)
    left = sum_coverage(made.plan.outline, lattice, most).uncovered
    look = {"facecolor": "none", "edgecolor": d.palette.ground.contour_index, "linewidth": 0.0, "zorder": 1.7}
    if not left.is_empty:
        d.ground.add_patch(area_patch(left, hatch="xxxx", **look))
    d.ground.set_xlim(d.sheet.extent[0], d.sheet.extent[2])
    d.ground.set_ylim(d.sheet.extent[1], d.sheet.extent[3])


def _draw_track(d: Drawing, track: Track, dashes: Dashes, width: float = 1.2) -> None:
    """Stretches without gaps."""
    ink = d.palette.lanes
    for run in range(int(track.run[-1]) + 1):
        mine = track.run == run
        if mine.sum() < 2:
            continue
        xy = np.column_stack([track.x_m[mine], track.y_m[mine]])
        d.ground.add_line(stroke(xy, ink.casing, 2.3 * width, zorder=6.8))
        d.ground.add_line(stroke(xy, ink.colour, width, dashes, zorder=6.9))
        page = np.array([d.sheet.on_page(*point) for point in xy[:: max(1, len(xy) // 400)]])
        d.room.ink(page, 2.0)


def _draw_ticks(d: Drawing, made: Debrief, one: Searcher) -> None:
    """Minutes along a track."""
    x, y = d.sheet.on_page(one.xyz_m[0, 0], one.xyz_m[0, 1])
    if d.inside(x, y, 1.5):
        base.sign(d, "square", x, y, d.palette.lanes.colour, 1.0)
        base.label(d, "begin", (x, y), base.PLAIN, d.palette.ground.text, "bold")
    if not one.track.timed:
        return
    way_mm = one.metres / d.sheet.metres_per_mm
    lasts = max(1.0, float(one.time_s[-1] - one.time_s[0]))
    every = next((step for step in TICKS_S if way_mm * step / lasts >= TICK_GAP_MM), TICKS_S[-1])
    first = math.ceil((one.time_s[0] - made.zero_s + 1.0) / every) * every
    for at in np.arange(first, one.time_s[-1] - made.zero_s, every):
        k = int(np.searchsorted(one.time_s, at + made.zero_s))
        if k == 0 or one.time_s[k] - one.time_s[k - 1] > every:
            continue
        x, y = d.sheet.on_page(one.xyz_m[k, 0], one.xyz_m[k, 1])
        if not d.inside(x, y, 1.5):
            continue
        base.sign(d, "disc", x, y, d.palette.lanes.colour, 0.65)
        base.label(d, f"{at / 60:.0f}", (x, y), base.SMALL, d.palette.ground.text)


def _name_track(d: Drawing, one: Searcher) -> None:
    for k in (0, len(one.xyz_m) // 2):
        x, y = d.sheet.on_page(one.xyz_m[k, 0], one.xyz_m[k, 1])
        if d.inside(x, y, 2.0):
            base.sign(d, "square", x, y, d.palette.lanes.colour, 0.8)
            base.label(d, f"S{one.number}", (x, y), base.PLAIN, d.palette.ground.text, "bold")
            return


def _draw_targets(d: Drawing, made: Debrief) -> None:
    for target in made.targets:
        x, y = d.sheet.on_page(target.x_m, target.y_m)
        if d.inside(x, y, 1.5):
            base.sign(d, "disc" if target.what == "target" else "square", x, y, d.palette.person.line, 1.15)
            base.label(d, target.name, (x, y), base.PLAIN, d.palette.person.line, "bold")


def _draw_holes(d: Drawing, made: Debrief) -> None:
    """Gaps as recorded: a firm line and their number."""
    for hole in made.leftover.holes[:9]:
        look = {"edgecolor": d.palette.person.line, "linewidth": 1.1, "linestyle": (0, (3.0, 1.2)), "zorder": 6.2}
        d.ground.add_patch(area_patch(hole.outline, fill=False, **look))
        d.room.ink(on_page(d.sheet, hole.outline.exterior), 1.0)
    for hole in made.leftover.holes[:9]:
        at = hole.outline.representative_point()
        base.label(d, f"gap {hole.number}", d.sheet.on_page(at.x, at.y), base.PLAIN, d.palette.person.line, "bold")


def _draw_key(d: Drawing) -> None:
    """What the fills mean, between the scale bar and the scale."""
    u, ink, palette = d.sheet.under, d.palette.ground, d.palette
    x, y = u.left + 66.0, u.top - 1.6
    for kind, fill, hatch in (
        ("surely covered", palette.debris.ramp[SURE], None),
        ("perhaps", palette.debris.ramp[PERHAPS], None),
        ("not covered", ink.paper, "xxxx"),
    ):
        d.box(Box(x, y - 1.2, 5.0, 2.4), facecolor=fill, edgecolor=ink.contour_index, linewidth=0.6, hatch=hatch)
        d.text(x + 5.8, y, kind, 6.0, va="center")
        x += d.width_mm(kind, 6.0) + 8.6
