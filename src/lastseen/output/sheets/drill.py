"""The sheets for hiding and searching: staff, trainees, running times."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from shapely.geometry import Point

from lastseen.core import mgrs_text, to_lonlat
from lastseen.jobs import note_grid, to_sentences
from lastseen.output.draw.drawing import Drawing, fixed_look, write_pdf
from lastseen.output.draw.labels import name_point
from lastseen.output.draw.layout import Box, bounds_of
from lastseen.output.draw.panel import BOX_TO_TICK, PLAIN, Column, draw_list, draw_table
from lastseen.output.draw.plan_panel import counted, spaced_mgrs
from lastseen.output.sheets import page as practice

if TYPE_CHECKING:
    from lastseen.jobs import PlannedSearch, StakeOut, Target, TargetPlan

ROWS_BELOW, ROWS_ALONE = 15, 44
POOR_CUT_DEG = 30.0  # tapes that meet flatter give no place; common practice, no source
LONG_TAPE_M = 60.0  # common practice, no source
AXIS_MM = 3.4
STAFF_RULES = (
    "Dummies only: nobody is buried alive. Transmitters in bags; switch each on, test it at 10 m, note its number.",
    "Hide only where the site sheet says that no start zone in this model reaches. Post the lookout first.",
    "Walk tracks all over the ground before and after, so that holes do not show. Leave nobody a straight trail.",
    "Distances from A and B are straight tape lengths on the snow; seen from A towards B all targets lie on the left.",
    "Count the transmitters out and back in; nobody leaves before the numbers agree.",
)  # fmt: skip
PHASE_ENDS = (
    ("A", "clue search", "the transceiver search begins"),
    ("B", "signal search", "the first signal"),
    ("C", "coarse search", "the signal falls in all directions"),
    ("D", "fine search", "the first use of the probe"),
    ("E", "pinpointing", "the first hit"),
)
WATCH_FOR = (
    "Gloves, zips, switching: fumbling before the first step?",
    "Strip width as told? Lines walked twice, or ground left out?",
    "Pace: fast until the first signal, slow from 10 m, at the surface from 3 m?",
    "Device held at the surface in the fine search?",
    "Probe: at right angles to the snow, spiral, left in place at the hit?",
    "Digging: conveyor, from below, not straight down? Shovels at hand?",
    "Technique before speed. Say first what was good.",
)


def write_staff_sheet(plan: PlannedSearch, targets: TargetPlan, path: Path) -> None:
    """All that the instructors need to hide, find back and count."""
    rows = _staff_rows(plan, targets)
    pages: list[Callable[[], Drawing]] = [partial(_draw_staff_page, plan, targets, rows[:ROWS_BELOW])]
    later = range(ROWS_BELOW, len(rows), ROWS_ALONE)
    pages += [partial(_draw_more_rows, plan, rows[first : first + ROWS_ALONE]) for first in later]
    with fixed_look():
        write_pdf((page() for page in pages), path, f"{plan.name}: staff")


def write_trainee_sheet(plan: PlannedSearch, targets: TargetPlan, path: Path) -> None:
    """The ground and the task, nothing that gives a place away."""
    with fixed_look():
        write_pdf([_draw_trainee_page(plan, targets)], path, f"{plan.name}: trainees")


def write_run_sheet(plan: PlannedSearch, targets: TargetPlan, path: Path) -> None:
    """Phase times to fill in, and what to watch for."""
    with fixed_look():
        write_pdf([_draw_run_page(plan, targets)], path, f"{plan.name}: times")


def _draw_staff_page(plan: PlannedSearch, targets: TargetPlan, rows: list[list[str]]) -> Drawing:
    exercise = targets.exercise
    lines = [
        f"Staff only. Exercise '{targets.exercise_name}', seed {targets.seed}: {_count(targets)}",
        f"{exercise.title or 'Own exercise'} ({exercise.source}; {exercise.confidence})",
    ]
    bounds = bounds_of(plan.outline, *(Point(mark.x_m, mark.y_m) for mark in targets.marks))
    page = practice.lay_map_page(bounds, table_mm=40.0 + 4.2 * len(rows))
    d, levels = practice.start_practice_map(page, plan)
    _draw_marks(d, targets)
    for target in targets.targets:
        _draw_target(d, target)
    practice.draw_planned_lanes(d, plan)
    for target in targets.targets:
        name_point(d, target.name, (target.x_m, target.y_m), d.palette.person.line, size=7.4)
    practice.finish_practice_map(d, plan, levels, f"{plan.name}: staff sheet", lines)
    box = d.sheet.columns[0]
    end = draw_table(d, (box.left, box.top), _STAFF_COLUMNS, rows)
    left, right = _halves(box, box.bottom, end - 0.5)
    draw_list(d, left, "Hiding", STAFF_RULES, size=6.2)
    draw_list(d, right, "How hard, and what the signs mean", _about_targets(plan, targets), size=6.2)
    return d


def _halves(box: Box, low: float, top: float) -> tuple[Box, Box]:
    wide = 0.5 * (box.width - 5.0)
    return Box(box.left, low, wide, top - low), Box(box.left + wide + 5.0, low, wide, top - low)


_STAFF_COLUMNS = (
    Column(("hide", "order"), 11.0),
    Column(("name",), 10.0),
    Column(("what",), 19.0),
    Column(("depth", "m"), 11.0, "right"),
    Column(("axis: bearing", "and tilt"), 29.0),
    Column(("from A", "m"), 14.0, "right"),
    Column(("from B", "m"), 14.0, "right"),
    Column(("place", "(MGRS)"), 30.0),
    Column(("first signal, min", "P50 (P10 to P90)"), 24.0),
    Column(("overlap", "%"), 12.0, "right"),
    Column(("out",), 10.0, "center"),
    Column(("in",), 10.0, "center"),
)


def _staff_rows(plan: PlannedSearch, targets: TargetPlan) -> list[list[str]]:
    difficulties = {difficulty.name: difficulty for difficulty in targets.difficulty}
    stakes = {stake.name: stake for stake in targets.stakes}
    rows = []
    for number, target in enumerate(targets.targets, start=1):
        hard, stake = difficulties.get(target.name), stakes[target.name]
        what, axis = ("transmitter", _axis(target)) if hard else ("decoy, empty", "")
        tapes = [f"{stake.from_a_m:.1f}", f"{stake.from_b_m:.1f}{' *' if _is_poor(stake) else ''}"]
        place = spaced_mgrs(mgrs_text(to_lonlat(target.x_m, target.y_m, plan.crs)))
        signal = (
            [_first_signal(hard.first_signal_s), f"{100 * hard.overlap:.0f}", *2 * [BOX_TO_TICK]] if hard else [""] * 4
        )
        rows.append([str(number), target.name, what, f"{target.depth_m:.2f}", axis, *tapes, place, *signal])
    return rows


def _is_poor(stake: StakeOut) -> bool:
    return not POOR_CUT_DEG <= stake.cut_deg <= 180.0 - POOR_CUT_DEG


def _axis(target: Target) -> str:
    if target.dip_deg >= 82.5:
        return "upright"
    bearing = f"{target.azimuth_deg:03.0f}°/{(target.azimuth_deg + 180) % 360:03.0f}°"
    return f"{bearing}, level" if target.dip_deg < 7.5 else f"{bearing}, {target.dip_deg:.0f}° down"


def _first_signal(times: tuple[float, float, float]) -> str:
    if not math.isfinite(times[1]):
        return "not heard"
    low, middle, high = (time / 60.0 for time in times)
    return f"{middle:.1f} ({low:.1f} to {high:.1f})"


def _about_targets(plan: PlannedSearch, targets: TargetPlan) -> list[str]:
    exercise = targets.exercise
    team = f"{counted(plan.searchers, 'searcher')}, strips of {plan.strip_width_m:g} m"
    count = f"{targets.transmitters} transmitters to count back in."
    notes = [
        f"{count} Axis bearings are from grid north; both ends are alike.",
        f"First signal: if the plan is walked at its own pace ({team}).",
        "Simulated, with a spread of the range of one tenth (design choice).",
        "Overlap: share of the ground around a target from which another one is heard too.",
        "Disc with a line: transmitter and its axis. Open square: decoy. Triangle: mark. L1, L2: planned lanes.",
    ]
    if exercise.time_limit_min:
        means = exercise.time_means or "as published"
        notes.append(f"Time limit {exercise.time_limit_min:g} min: {means} ({exercise.source}).")
    if exercise.note:
        notes.append(exercise.note)
    notes += to_sentences(note_grid(plan.crs, "MGRS places are in WGS 84; "))
    if any(max(stake.from_a_m, stake.from_b_m) > LONG_TAPE_M for stake in targets.stakes):
        far = f"Farther than {LONG_TAPE_M:g} m a tape is no use"
        notes.append(f"{far}: go by the MGRS place, or set marks of your own.")
    if any(map(_is_poor, targets.stakes)):
        notes.append("* tapes meet at a flat angle: measure with care, or use the MGRS place too.")
    return notes


def _count(targets: TargetPlan) -> str:
    decoys = len(targets.targets) - targets.transmitters
    text = counted(targets.transmitters, "target")
    return f"{text}, {counted(decoys, 'decoy')}" if decoys else text


def _draw_target(d: Drawing, target: Target) -> None:
    ink = d.palette.person.line
    x, y = d.sheet.on_page(target.x_m, target.y_m)
    if target.what == "decoy":
        practice.draw_mark(d, "square", x, y, ink, size=1.1)
        return
    a, half = math.radians(target.azimuth_deg), AXIS_MM * math.cos(math.radians(target.dip_deg))
    dx, dy = half * math.sin(a), half * math.cos(a)
    d.line([(x - dx, y - dy), (x + dx, y + dy)], d.palette.ground.paper, 3.0, zorder=8.8)
    d.line([(x - dx, y - dy), (x + dx, y + dy)], ink, 1.3, zorder=8.9)
    practice.draw_mark(d, "disc", x, y, ink, size=1.25)


def _draw_marks(d: Drawing, targets: TargetPlan) -> None:
    ink = d.palette.ground.text
    d.line([d.sheet.on_page(mark.x_m, mark.y_m) for mark in targets.marks], ink, 0.6, (1.5, 1.5), zorder=8.5)
    for mark in targets.marks:
        practice.draw_mark(d, "triangle", *d.sheet.on_page(mark.x_m, mark.y_m), ink, size=1.6)
        name_point(d, mark.name, (mark.x_m, mark.y_m), ink, size=8.5)


def _draw_more_rows(plan: PlannedSearch, rows: list[list[str]]) -> Drawing:
    d = practice.start_table_page(f"{plan.name}: staff sheet, continued", ["Staff only."])
    box = d.sheet.columns[0]
    draw_table(d, (box.left, box.top), _STAFF_COLUMNS, rows)
    return d


TO_FILL_IN = (
    "Name", "Group", "Strip width, m", "Enter from (top, side, toe)", "Last seen", "Begin", "Finds: when and where",
    "", "",
)  # fmt: skip
TRAINEE_NOTES = (
    "Draw your strips on the map: width on the snow, first line half a strip inside the edge. Mind the corners.",
    "Switch to receive before you step on the snow; electronics away from the device.",
    "Call out 10 and 3 m. Probe at right angles to the snow, leave it in at the hit.",
    "Watch for the lookout's signal: on it, leave by the way out at once.",
    "Dummies only. Stop the exercise on any doubt.",
)


def _draw_trainee_page(plan: PlannedSearch, targets: TargetPlan) -> Drawing:
    exercise = targets.exercise
    limit = f"Time limit {exercise.time_limit_min:g} min" if exercise.time_limit_min else "Time is taken"
    means = f" ({exercise.time_means})" if exercise.time_limit_min and exercise.time_means else ""
    lines = [
        f"Signal search over the drawn outline. {limit}{means}.",
        f"{exercise.title or 'Exercise'}: how many are hidden the instructor tells, or does not.",
    ]
    seen = [Point(plan.last_seen_m)] if plan.last_seen_m is not None else []
    bounds = bounds_of(plan.outline, *(point for point in seen if point.distance(plan.outline) < 150.0))
    d, levels = practice.start_practice_map(practice.lay_map_page(bounds, table_mm=62.0), plan)
    _draw_last_seen(d, plan)
    practice.finish_practice_map(d, plan, levels, f"{plan.name}: search sheet", lines)
    box = d.sheet.columns[0]
    left, right = _halves(box, box.bottom, box.top)
    d.text(left.left, left.top - 1.5, "Fill in", 8.0, weight="bold", va="center")
    for number, name in enumerate(TO_FILL_IN):
        y = left.top - 9.0 - 6.5 * number
        d.text(left.left, y, name, PLAIN, va="bottom")
        d.line([(left.left + (36.0 if name else 0.0), y), (left.right, y)], d.palette.ground.faint_text, 0.5)
    draw_list(d, right, "Mind", TRAINEE_NOTES, size=7.0)
    return d


def _draw_last_seen(d: Drawing, plan: PlannedSearch) -> None:
    if plan.last_seen_m is None:
        return
    x, y = d.sheet.on_page(*plan.last_seen_m)
    if not d.inside(x, y, 2.0):
        return
    for width, colour in ((2.8, d.palette.ground.paper), (1.4, d.palette.person.line)):
        d.line([(x - 2.2, y), (x + 2.2, y)], colour, width, zorder=9)
        d.line([(x, y - 2.2), (x, y + 2.2)], colour, width, zorder=9)
    d.room.take(x, y, 5.0, 5.0)
    name_point(d, "last seen", plan.last_seen_m, d.palette.person.line, size=PLAIN)


def _draw_run_page(plan: PlannedSearch, targets: TargetPlan) -> Drawing:
    exercise = targets.exercise
    timed = f"time limit {exercise.time_limit_min or 0:g} min {exercise.time_means}".strip()
    limit = timed if exercise.time_limit_min else "no limit"
    lines = [
        f"Times of the phases. Exercise '{targets.exercise_name}': {_count(targets)}, {limit} ({exercise.source}).",
        "Day: ____________   Place: __________________   Timekeeper: __________________   Clock zero: ___ : ___ : ___",
    ]
    d = practice.start_table_page(f"{plan.name}: run sheet", lines)
    box = d.sheet.columns[0]
    columns = (
        Column(("searcher", "or group"), 30.0),
        Column(("target",), 15.0),
        *(Column((f"{letter} ends", f"({name})"), 22.5) for letter, name, _ in PHASE_ENDS),
        Column(("head and", "chest free"), 20.0),
        Column(("remarks",), box.width - 177.5),
    )
    empty = [[""] * len(columns)] * 17
    end = draw_table(d, (box.left, box.top - 4.0), columns, empty, row_mm=9.5, size=7.0)
    ends = [f"{letter} {name}: until {words}." for letter, name, words in PHASE_ENDS]
    ends += [
        "Phases after ICAR Avalanche Rescue Commission 2008. Note minutes and seconds since the clock's zero, as 4:05.",
        "Type them into times.csv (columns searcher, target, phase, time) for lastseen debrief.",
    ]
    left, right = _halves(box, box.bottom + 24.0, end - 2.0)
    draw_list(d, left, "When a phase ends", ends, size=7.0)
    draw_list(d, right, "Watch for", WATCH_FOR, size=7.0)
    _draw_sign_off(d, Box(box.left, box.bottom, box.width, 20.0), targets)
    return d


def _draw_sign_off(d: Drawing, box: Box, targets: TargetPlan) -> None:
    d.box(box, fill=False, edgecolor=d.palette.ground.frame, linewidth=0.9)
    count = f"Before anybody leaves: transmitters out ____   back in ____   (hidden: {targets.transmitters})"
    people = "People in ____   out ____        Holes filled  ____        Flags and poles in ____"
    d.text(box.left + 3.0, box.top - 5.0, count, 8.0, weight="bold", va="center")
    d.text(box.left + 3.0, box.top - 11.0, people, 7.4, va="center")
    signed = "Lookout: ____________________        Signed: ____________________"
    d.text(box.left + 3.0, box.top - 16.5, signed, 7.4, va="center")
