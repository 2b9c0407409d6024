"""The debrief on paper: one page for each searcher, one for the team."""

from __future__ import annotations

import math
from functools import partial
from pathlib import Path

import numpy as np
import shapely
from matplotlib.colors import ListedColormap

from lastseen.drill.debrief import Debrief, Searcher, clock_text
from lastseen.drill.debrief.tracks import Track
from lastseen.grid import FloatArray
from lastseen.products.drillsheet import base, words
from lastseen.products.drillsheet.course import COURSE_MM, draw_course
from lastseen.products.mapsheet.drawing import Drawing, area_patch, on_page, stroke
from lastseen.products.mapsheet.layout import Box, Extent, Sheet
from lastseen.products.palette import Dashes
from lastseen.search.coverage import summed_up

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
    for one in made.searchers:
        inside = shapely.contains_xy(near, one.xyz_m[:, 0], one.xyz_m[:, 1])
        points += [shapely.MultiPoint(one.xyz_m[inside, :2])] if inside.any() else []
    return base.bounds_of(made.plan.outline, *points)


def _searcher_page(made: Debrief, one: Searcher) -> Drawing:
    lines = [
        f"Searcher {one.number}, track '{one.track.name}'. {_when(made, one)}",
        f"{made.plan.name}, {len(made.searchers)} in the team. {_measure(made)}",
    ]
    phases = words.phase_rows(made, one)
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
        top = base.draw_table(d, box.left, top, words.PHASE_COLUMNS, phases) - 1.0
    texts = [
        ("Covered by this track alone", words.own_numbers(made, one)),
        ("Lanes and turns", words.lane_words(made, one)),
        ("What the recording is worth", [*one.said, *made.notes]),
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
    rows = words.team_rows(made)
    d = base.start_map(_page(made, TEXT_MM, 4.2 * len(rows) + 9.0), plan, f"Debrief: {plan.name}", lines)
    _draw_band(d, made, made.team_s)
    base.draw_lanes(d, plan)
    _draw_targets(d, made)
    for one in made.searchers:
        width = 1.2 if len(made.searchers) <= FEW else 0.6
        _draw_track(d, one.track, d.palette.lanes.of_searcher(one.number), width)
    for one in made.searchers:
        _name_track(d, one)
    _draw_holes(d, made)
    _draw_key(d)
    box = d.sheet.columns[0]
    top = base.draw_table(d, box.left, box.top, words.TEAM_COLUMNS, rows) - 1.0
    texts = [
        ("Covered together", words.team_numbers(made)),
        ("Second pass", made.leftover.advice),
        ("What tracks can tell", [*made.notes, *words.lane_summary(made)]),
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
    names = ", ".join(one.track.name for one in made.searchers)
    return f"Tracks: {names}" if len(names) <= 90 else f"{len(made.searchers)} tracks, named below"


def _measure(made: Debrief) -> str:
    return f"Strips of {made.plan.strip_width_m:g} m, GPS error {made.gps_error_m:g} m."


def _when(made: Debrief, one: Searcher) -> str:
    if not one.track.timed:
        return "No times recorded."
    begin, end = (clock_text(float(one.time_s[k]) - made.zero_s) for k in (0, -1))
    return f"{one.metres:.0f} m on the snow, from {begin} to {end} on the drill's clock."


def _since(made: Debrief) -> str:
    if not made.timed:
        return "Not all tracks carry times."
    done = np.isfinite(made.team_s[1])
    last = float(made.team_s[1][done].max()) - made.zero_s if done.any() else math.nan
    half = float(np.median(made.team_s[1][done])) - made.zero_s if done.any() else math.nan
    return (
        f"Half of what was covered was covered by {clock_text(half)}, all of it by {clock_text(last)}."
        if done.any()
        else ""
    )


# ---- the map ------------------------------------------------------------------------------------------------------


def _draw_band(d: Drawing, made: Debrief, times_s: FloatArray) -> None:
    """Surely and perhaps covered as two blues, the rest white and hatched."""
    lattice, ink = made.lattice, d.palette.debris
    sure, _, most = (np.isfinite(one) for one in times_s)
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
    left = summed_up(made.plan.outline, lattice, most).uncovered
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
    for one in made.targets:
        x, y = d.sheet.on_page(one.x_m, one.y_m)
        if d.inside(x, y, 1.5):
            base.sign(d, "disc" if one.what == "target" else "square", x, y, d.palette.person.line, 1.15)
            base.label(d, one.name, (x, y), base.PLAIN, d.palette.person.line, "bold")


def _draw_holes(d: Drawing, made: Debrief) -> None:
    """Gaps as recorded: a firm line and their number."""
    for one in made.leftover.holes[:9]:
        look = {"edgecolor": d.palette.person.line, "linewidth": 1.1, "linestyle": (0, (3.0, 1.2)), "zorder": 6.2}
        d.ground.add_patch(area_patch(one.outline, fill=False, **look))
        d.room.ink(on_page(d.sheet, one.outline.exterior), 1.0)
    for one in made.leftover.holes[:9]:
        at = one.outline.representative_point()
        base.label(d, f"gap {one.number}", d.sheet.on_page(at.x, at.y), base.PLAIN, d.palette.person.line, "bold")


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
