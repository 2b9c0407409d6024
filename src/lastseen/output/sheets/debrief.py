"""The debrief on paper: one page for each searcher, one for the team."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

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
    outline_samples,
    share_covered_by,
)
from lastseen.output.draw.drawing import Drawing, area_patch, fixed_look, stroke, write_pdf
from lastseen.output.draw.labels import name_point, place_sign
from lastseen.output.draw.layout import Box, Extent, bounds_of
from lastseen.output.draw.palette import Dashes
from lastseen.output.draw.panel import PLAIN, SMALL, Column, draw_lists, draw_table
from lastseen.output.draw.plan_panel import counted
from lastseen.output.draw.relief import Contours
from lastseen.output.sheets import page as practice
from lastseen.rescue import survival_bounds_percent

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


def _band_sentence(band: CoverageBand) -> str:
    sure, perhaps, none = map(percent, (band.sure, band.perhaps, band.none))
    return f"Surely {sure}, perhaps {perhaps}, not {none} of the outline, {HONEST}"


def _searcher_sentences(debrief: Debrief, searcher: Searcher) -> list[str]:
    planned = f"the plan of the whole team: {percent(debrief.plan.coverage, 1)}"
    speeds = (f"{part}: {m:.0f} m in {elapsed_text(s)}, {m / s:.1f} m/s." for part, m, s in _speeds(searcher))
    return [
        _band_sentence(searcher.band),
        f"{percent(searcher.band.half, 1)} within half a strip of the track at its word; {planned}.",
        *speeds,
        *map(_signal, searcher.signals),
    ]


def _speeds(searcher: Searcher) -> list[tuple[str, float, float]]:
    """Parts with metres and seconds; the same phase of several targets together."""
    found: dict[str, tuple[float, float]] = {}
    for speed in searcher.speeds:
        name = speed.part.split(",", maxsplit=1)[0]
        way, lasts = found.get(name, (0.0, 0.0))
        found[name] = (way + speed.metres, lasts + speed.seconds)
    return [(f"{name[0].upper()}{name[1:]}", *both) for name, both in found.items()]


def _signal(signal: SignalTime) -> str:
    when = f"possible from {elapsed_text(signal.first_s)}" if math.isfinite(signal.first_s) else "never possible"
    for word, time_s in (("likely", signal.likely_s), ("noted", signal.noted_s)):
        when += f", {word} {elapsed_text(time_s)}" if math.isfinite(time_s) else ""
    end = "" if signal.words.endswith("?") else "."
    return f"{signal.target}: first signal {when}: {signal.words}{end}"


def _lane_sentences(debrief: Debrief, searcher: Searcher) -> list[str]:
    margin, walked, lines = debrief.radii.gps_m, set(), []
    for lane in searcher.lanes.lanes:
        if lane.walked < LEAST_WALKED:
            continue
        walked.add(lane.lane)
        walk = f"{percent(lane.walked)} walked, {lane.offset_m:.0f} m beside it on average."
        lines.append(f"Lane {lane.lane} (planned for S{lane.planned_searcher}): {walk}")
        lines += [
            f"Lane {turn.lane}, {turn.end}: turned {turn.short_m:.0f} m short, {turn.walked_edge_m:.0f} m from "
            f"the edge (planned {max(0.0, turn.planned_edge_m):.0f} m)."
            for turn in searcher.lanes.turns
            if turn.lane == lane.lane and turn.short_m > margin
        ]
    lines += _spacing_sentences(debrief, searcher.lanes, walked)
    least = f"Less than about {margin:.0f} m beside or short cannot be told from the GPS error."
    return [*(lines or ["No lane of the plan was followed."]), least]


def _spacing_sentences(debrief: Debrief, review: LaneReview, lanes: set[int]) -> list[str]:
    """Distances between neighbouring lanes of which one is among some."""
    lines, fuzz = [], math.sqrt(2.0) * debrief.radii.gps_m
    for spacing in review.spacings:
        if not lanes & set(spacing.lanes) or not math.isfinite(spacing.walked_m):
            continue
        wide = spacing.widest_m - spacing.planned_m > fuzz
        verdict = f"up to {spacing.widest_m:.0f} m: too wide" if wide else "no wider than the GPS error allows"
        left, right = spacing.lanes[:2]
        between = f"Lanes {left} and {right}: {spacing.walked_m:.0f} m apart (planned {spacing.planned_m:.0f} m)"
        lines.append(f"{between}, {verdict}.")
    return lines


def _phase_rows(debrief: Debrief, searcher: Searcher) -> list[list[str]]:
    """Phases as noted, and whose survival curve stands beside them; nothing where nobody noted any."""
    rows = [_phase_row(phase) for phase in searcher.phases[:MOST_PHASES]]
    if len(searcher.phases) > MOST_PHASES:
        rows.append(["", f"{len(searcher.phases) - MOST_PHASES} more: debrief.json", *[""] * 5])
    if rows:
        curve = debrief.clock.curve
        rows.append(["", "survival:", "", "", curve.title, curve.name, "buried at 0:00"])
    return rows


def _phase_row(phase: PhaseTime) -> list[str]:
    low, high = phase.survival_percent
    alive = f"{high:.0f} %" if low == high else f"{low:.0f} to {high:.0f} %"
    planned = ", ".join(map(elapsed_text, phase.planned_s or ()))
    took = elapsed_text(phase.took_s) if math.isfinite(phase.took_s) else "not known"
    ended = elapsed_text(phase.ended_s)
    return [phase.target, f"{phase.letter} {phase.name}", ended, took, planned, phase.verdict, alive]


def _team_rows(debrief: Debrief) -> list[list[str]]:
    rows = [_team_row(debrief, searcher) for searcher in debrief.searchers[:MOST_ROWS]]
    if len(debrief.searchers) > MOST_ROWS:
        rows.append([f"{len(debrief.searchers) - MOST_ROWS} more: debrief.json", *[""] * 7])
    total, lanes = sum(searcher.metres for searcher in debrief.searchers), f"{percent(debrief.lanes.walked)} of them"
    return [*rows, ["together", f"{total:.0f}", "", *_band_cells(debrief.band), lanes, ""]]


def _team_row(debrief: Debrief, searcher: Searcher) -> list[str]:
    lanes = [str(lane.lane) for lane in searcher.lanes.lanes if lane.walked >= 0.5]
    ends = [phase for phase in searcher.phases if phase.letter != "A"]
    last = f"{ends[-1].letter} {elapsed_text(ends[-1].ended_s)}" if ends else ""
    times = [elapsed_text(float(searcher.time_s[k]) - debrief.zero_s) for k in (0, -1)]
    span = " to ".join(times) if searcher.track.timed else "no times"
    name = f"S{searcher.number} {searcher.track.name}"
    return [name, f"{searcher.metres:.0f}", span, *_band_cells(searcher.band), ", ".join(lanes), last]


def _band_cells(band: CoverageBand) -> list[str]:
    return [f"{100 * band.sure:.0f}", f"{100 * band.perhaps:.0f}", f"{100 * band.half:.1f}"]


def _team_sentences(debrief: Debrief) -> list[str]:
    band, left, planned = debrief.band, debrief.leftover, percent(debrief.plan.coverage, 1)
    _, perhaps, none, outside = map(percent, left.poa_after)
    where = f"{perhaps} in what is perhaps covered, {none} in what is not, {outside} outside the outline"
    return [
        _band_sentence(band),
        f"Tracks at their word: {percent(band.half, 1)} within half a strip; planned {planned}.",
        f"How likely the person came into range, wherever they lay: {percent(left.found)} (perhaps counts half).",
        *_gaps(debrief),
        f"If nobody was found, the probability now lies: {where}.",
    ]


def _gaps(debrief: Debrief) -> Iterator[str]:
    holes = debrief.leftover.holes
    for hole in holes[:4]:
        size = f"Gap {hole.number}: {hole.area_m2:.0f} m², {percent(hole.poa)} of the probability of area"
        yield f"{size}; {percent(hole.missed)} of it out of range in any case."
    if len(holes) > 4:
        yield f"{len(holes) - 4} smaller gaps in debrief.json."
    if not holes:
        yield "No gap larger than the square over a quarter of a strip."


def _lane_summary(debrief: Debrief) -> list[str]:
    lines = _spacing_sentences(debrief, debrief.lanes, {lane.lane for lane in debrief.lanes.lanes})
    lines = sorted(lines, key=lambda text: "too wide" not in text)[:3]
    short = [turn for turn in debrief.lanes.turns if turn.short_m > debrief.radii.gps_m]
    if short:
        worst = max(short, key=lambda turn: turn.short_m)
        where = f"the worst on lane {worst.lane} by {worst.short_m:.0f} m"
        lines.append(f"{counted(len(short), 'turn')} short of the edge by more than the GPS error, {where}.")
    return lines


CHART_MM = 34.0
CHART_TITLE = "Covered, and alive if buried at 0:00, against the drill's clock"
STEPS_MIN = (1, 2, 5, 10, 15, 30, 60)
_SAMPLES = 240


def _draw_chart(d: Drawing, debrief: Debrief, times_s: FloatArray, marks: Sequence[tuple[float, str]] = ()) -> None:
    """Shares of the outline covered by a time, per cent, and the survival of somebody buried at the clock's zero.

    ``times_s``, shape (3, samples), are first times: sure, as recorded, perhaps. ``marks`` are seconds since zero, and
    what ended then.
    """
    column = d.sheet.columns[0]
    box = Box(column.left, column.bottom, column.width, CHART_MM)
    marks = [(max(0.0, seconds), text) for seconds, text in marks if math.isfinite(seconds)]
    ends = [float(searcher.time_s[-1]) - debrief.zero_s for searcher in debrief.searchers]
    last_s = 1.03 * max(60.0, *ends, *(seconds for seconds, _ in marks))
    inner = Box(box.left + 12.0, box.bottom + 6.5, box.width - 50.0, box.height - 12.0)
    ink, person, curve = d.palette.ground, d.palette.person.line, debrief.clock.curve
    d.text(box.left, box.top - 1.5, CHART_TITLE, 7.0, weight="bold", va="center")
    _draw_scales(d, inner, last_s)
    time = np.linspace(0.0, last_s, _SAMPLES)
    across = inner.left + inner.width * time / last_s

    def draw(percents: FloatArray, colour: str, width: float, dashes: Dashes = (), zorder: float = 4.0) -> None:
        points = np.column_stack([across, inner.bottom + inner.height * percents / 100.0])
        d.line(points, colour, width, dashes, zorder=zorder)

    names = []
    for row, colour, name in ((1, ink.text, "covered as recorded"), (0, d.palette.debris.ramp[4], "surely covered")):
        share = 100.0 * share_covered_by(debrief.lattice, times_s[row] - debrief.zero_s, time)
        draw(share, colour, 1.4)
        names.append((float(share[-1]), name, colour))
    alive = np.array([survival_bounds_percent(curve, seconds / 60.0) for seconds in time.tolist()])
    for bound in alive.T:
        draw(bound, person, 1.0, (3.0, 1.5), 3.9)
    names.append((0.5 * float(alive[-1].sum()), f"alive ({curve.name})", person))
    y = math.inf
    for value, name, colour in sorted(names, reverse=True):  # at the right ends, moved apart
        y = min(y - 3.0, inner.bottom + inner.height * value / 100.0)
        d.text(inner.right + 1.5, y, name, PLAIN, va="center", color=colour)
    places = [(inner.left + inner.width * seconds / last_s, text) for seconds, text in marks]
    for x, _ in places:
        d.line([(x, inner.bottom), (x, inner.top)], ink.faint_text, 0.5, (1.0, 1.2), zorder=3.5)
    _name_marks(d, inner, places)
    d.line([(inner.left, inner.bottom), (inner.right, inner.bottom)], ink.frame, 0.7)


def _draw_scales(d: Drawing, inner: Box, last_s: float) -> None:
    ink = d.palette.ground
    for level in (0, 25, 50, 75, 100):
        y = inner.bottom + inner.height * level / 100.0
        d.line([(inner.left, y), (inner.right, y)], ink.grid, 0.3)
        d.text(inner.left - 1.2, y, f"{level} %", SMALL, ha="right", va="center")
    step = next((minutes for minutes in STEPS_MIN if last_s / 60.0 / minutes <= 16), STEPS_MIN[-1])
    for minute in range(0, int(last_s / 60.0) + 1, step):
        x, y = inner.left + inner.width * 60.0 * minute / last_s, inner.bottom
        d.line([(x, y), (x, y - 0.9)], ink.frame, 0.5)
        d.text(x, y - 1.4, f"{minute}" + (" min" if minute == 0 else ""), SMALL, ha="center", va="top")


def _name_marks(d: Drawing, inner: Box, marks: Sequence[tuple[float, str]]) -> None:
    """Letters of the phases above their lines; what would touch the one before is left out."""
    right = -math.inf
    for x, text in sorted(marks):
        wide = d.width_mm(text, SMALL)
        if x - 0.5 * wide > right + 0.6:
            d.text(x, inner.top + 1.3, text, SMALL, ha="center", va="center")
            right = x + 0.5 * wide


SURE, PERHAPS = 3, 0  # steps of the debris ramp: dark and light
TEXT_MM = 50.0
FEW = 4  # more tracks are drawn thinner
TICK_GAP_MM = 7.0
TICKS_S = (60, 120, 300, 600, 1200, 1800)


def write_searcher_sheet(debrief: Debrief, searcher: Searcher, path: Path) -> None:
    """One page for one searcher."""
    with fixed_look():
        write_pdf([_draw_searcher_page(debrief, searcher)], path, f"{debrief.plan.name}: {searcher.track.name}")


def write_team_sheet(debrief: Debrief, path: Path) -> None:
    """One page for the team."""
    with fixed_look():
        write_pdf([_draw_team_page(debrief)], path, f"{debrief.plan.name}: team")


def _bounds(debrief: Debrief) -> Extent:
    near = shapely.buffer(debrief.plan.outline, debrief.plan.strip_width_m)
    walks = [searcher.xyz_m[:, :2] for searcher in debrief.searchers]
    points = [shapely.MultiPoint(xy[inside]) for xy in walks if (inside := shapely.contains_xy(near, xy)).any()]
    return bounds_of(debrief.plan.outline, *points)


def _draw_searcher_page(debrief: Debrief, searcher: Searcher) -> Drawing:
    lines = [
        f"Searcher {searcher.number}, track '{searcher.track.name}'. {_when(debrief, searcher)}",
        f"{debrief.plan.name}, {len(debrief.searchers)} in the team. {_measure(debrief)}",
    ]
    phases = _phase_rows(debrief, searcher)
    d, levels = _start_page(debrief, 4.2 * len(phases) + 8.0 if phases else 0.0, searcher.times_s)
    _draw_track(d, searcher.track, ())
    _draw_ticks(d, debrief, searcher)
    practice.finish_practice_map(d, debrief.plan, levels, f"Debrief: {searcher.track.name}", lines)
    _draw_key(d)
    lists = [
        ("Covered by this track alone", _searcher_sentences(debrief, searcher)),
        ("Lanes and turns", _lane_sentences(debrief, searcher)),
        ("What the recording is worth", [*searcher.cleaning_notes, *debrief.notes]),
    ]
    marks = [(phase.ended_s, f"{phase.letter} {phase.target}".strip()) for phase in searcher.phases]
    _draw_below(d, debrief, (PHASE_COLUMNS, phases), lists)
    if debrief.timed:
        _draw_chart(d, debrief, searcher.times_s, marks)
    return d


def _draw_team_page(debrief: Debrief) -> Drawing:
    rows = _team_rows(debrief)
    names = ", ".join(searcher.track.name for searcher in debrief.searchers)
    tracks = f"Tracks: {names}" if len(names) <= 90 else f"{len(debrief.searchers)} tracks, named below"
    lines = [f"{tracks}. {_measure(debrief)}", _since(debrief)]
    d, levels = _start_page(debrief, 4.2 * len(rows) + 9.0, debrief.team_s)
    for searcher in debrief.searchers:
        width = 1.2 if len(debrief.searchers) <= FEW else 0.6
        _draw_track(d, searcher.track, d.palette.lanes.of_searcher(searcher.number), width)
    for searcher in debrief.searchers:
        _name_track(d, searcher)
    _draw_holes(d, debrief)
    practice.finish_practice_map(d, debrief.plan, levels, f"Debrief: {debrief.plan.name}", lines)
    _draw_key(d)
    lists = [
        ("Covered together", _team_sentences(debrief)),
        ("Second pass", debrief.leftover.advice),
        ("What tracks can tell", [*debrief.notes, *_lane_summary(debrief)]),
    ]
    _draw_below(d, debrief, (TEAM_COLUMNS, rows), lists)
    if debrief.timed:
        _draw_chart(d, debrief, debrief.team_s)
    return d


def _draw_below(d: Drawing, debrief: Debrief, table: tuple[Sequence[Column], list[list[str]]], lists: Any) -> None:
    """Table and lists under the map, above the chart."""
    box, (columns, rows) = d.sheet.columns[0], table
    top = draw_table(d, (box.left, box.top), columns, rows) - 1.0 if rows else box.top
    draw_lists(d, top, box.bottom + (CHART_MM + 3.0 if debrief.timed else 0.0), lists)


def _start_page(debrief: Debrief, table_mm: float, times_s: FloatArray) -> tuple[Drawing, Contours | None]:
    chart = CHART_MM + 3.0 if debrief.timed else 0.0
    page = practice.lay_map_page(_bounds(debrief), table_mm=table_mm, text_mm=TEXT_MM, chart_mm=chart)
    d, levels = practice.start_practice_map(page, debrief.plan)
    _draw_band(d, debrief, times_s)
    practice.draw_planned_lanes(d, debrief.plan)
    ink = d.palette.person.line
    for target in debrief.targets:
        x, y = d.sheet.on_page(target.x_m, target.y_m)
        if d.inside(x, y, 1.5):
            practice.draw_mark(d, "disc" if target.what == "target" else "square", x, y, ink, size=1.15)
            place_sign(d, target.name, [(x, y)], ink, size=PLAIN)
    return d, levels


def _measure(debrief: Debrief) -> str:
    return f"Strips of {debrief.plan.strip_width_m:g} m, GPS error {debrief.gps_error_m:g} m."


def _when(debrief: Debrief, searcher: Searcher) -> str:
    if not searcher.track.timed:
        return "No times recorded."
    begin, end = (elapsed_text(float(searcher.time_s[k]) - debrief.zero_s) for k in (0, -1))
    return f"{searcher.metres:.0f} m on the snow, from {begin} to {end} on the drill's clock."


def _since(debrief: Debrief) -> str:
    if not debrief.timed:
        return "Not all tracks carry times."
    times = debrief.team_s[1][np.isfinite(debrief.team_s[1])] - debrief.zero_s
    if not times.size:
        return ""
    half, last = elapsed_text(float(np.median(times))), elapsed_text(float(times.max()))
    return f"Half of what was covered was covered by {half}, all of it by {last}."


def _draw_band(d: Drawing, debrief: Debrief, times_s: FloatArray) -> None:
    """Surely and perhaps covered as two blues, the rest white and hatched."""
    lattice, ink = debrief.lattice, d.palette.debris
    sure, _, most = np.isfinite(times_s)
    value = np.where(sure, 2.0, np.where(most, 1.0, 0.0))
    rows, cols = lattice.index.shape
    image, step = np.full((rows, cols), np.nan), lattice.spacing_m
    image[lattice.row, lattice.col] = value
    west, south = lattice.west_m - 0.5 * step, lattice.south_m - 0.5 * step
    extent = (west, west + cols * step, south, south + rows * step)
    colours = ListedColormap([d.palette.ground.paper, ink.ramp[PERHAPS], ink.ramp[SURE]])
    look: dict[str, Any] = {"interpolation": "nearest", "aspect": "auto", "zorder": 1.5, "alpha": 0.92}
    picture = d.ground.imshow(
        np.ma.masked_invalid(image), cmap=colours, vmin=-0.5, vmax=2.5, extent=extent, origin="lower", **look
    )
    picture.set_clip_path(area_patch(debrief.plan.outline, transform=d.ground.transData))
    left = outline_samples(debrief.plan.outline, lattice, ~most)
    if not left.is_empty:
        look = {"facecolor": "none", "edgecolor": d.palette.ground.contour_index, "linewidth": 0.0, "zorder": 1.7}
        d.ground.add_patch(area_patch(left, hatch="xxxx", **look))
    d.ground.set_xlim(d.sheet.extent[0], d.sheet.extent[2])
    d.ground.set_ylim(d.sheet.extent[1], d.sheet.extent[3])


def _draw_track(d: Drawing, track: Track, dashes: Dashes, width: float = 1.2) -> None:
    ink = d.palette.lanes
    for run in range(int(track.run[-1]) + 1):
        inside = track.run == run
        if inside.sum() < 2:
            continue
        xy = np.column_stack([track.x_m[inside], track.y_m[inside]])
        d.ground.add_line(stroke(xy, ink.casing, 2.3 * width, zorder=6.8))
        d.ground.add_line(stroke(xy, ink.colour, width, dashes, zorder=6.9))
        d.room.ink(np.array([d.sheet.on_page(*point) for point in xy[:: max(1, len(xy) // 400)]]), 2.0)


def _draw_ticks(d: Drawing, debrief: Debrief, searcher: Searcher) -> None:
    text, ink = d.palette.ground.text, d.palette.lanes.colour
    x, y = d.sheet.on_page(*searcher.xyz_m[0, :2])
    if d.inside(x, y, 1.5):
        practice.draw_mark(d, "square", x, y, ink, size=1.0)
        place_sign(d, "begin", [(x, y)], text, size=PLAIN)
    if not searcher.track.timed:
        return
    way_mm = searcher.metres / d.sheet.metres_per_mm
    lasts = max(1.0, float(searcher.time_s[-1] - searcher.time_s[0]))
    every = next((step for step in TICKS_S if way_mm * step / lasts >= TICK_GAP_MM), TICKS_S[-1])
    first = math.ceil((searcher.time_s[0] - debrief.zero_s + 1.0) / every) * every
    for at in np.arange(first, searcher.time_s[-1] - debrief.zero_s, every):
        k = int(np.searchsorted(searcher.time_s, at + debrief.zero_s))
        if k == 0 or searcher.time_s[k] - searcher.time_s[k - 1] > every:
            continue
        x, y = d.sheet.on_page(*searcher.xyz_m[k, :2])
        if d.inside(x, y, 1.5):
            practice.draw_mark(d, "disc", x, y, ink, size=0.65)
            place_sign(d, f"{at / 60:.0f}", [(x, y)], text, size=SMALL, weight="normal")


def _name_track(d: Drawing, searcher: Searcher) -> None:
    for k in (0, len(searcher.xyz_m) // 2):
        x, y = d.sheet.on_page(*searcher.xyz_m[k, :2])
        if d.inside(x, y, 2.0):
            practice.draw_mark(d, "square", x, y, d.palette.lanes.colour, size=0.8)
            place_sign(d, f"S{searcher.number}", [(x, y)], d.palette.ground.text, size=PLAIN)
            return


def _draw_holes(d: Drawing, debrief: Debrief) -> None:
    ink, holes = d.palette.person.line, debrief.leftover.holes[:9]
    look = {"edgecolor": ink, "linewidth": 1.1, "linestyle": (0, (3.0, 1.2)), "zorder": 6.2}
    for hole in holes:
        d.ground.add_patch(area_patch(hole.outline, fill=False, **look))
        d.room.ink(d.on_page(hole.outline.exterior), 1.0)
    for hole in holes:
        at = hole.outline.representative_point()
        name_point(d, f"gap {hole.number}", (at.x, at.y), ink, size=PLAIN)


def _draw_key(d: Drawing) -> None:
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
