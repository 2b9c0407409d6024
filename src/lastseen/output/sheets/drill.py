"""The sheets for hiding and searching: staff, trainees, running times."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from pathlib import Path

import shapely

from lastseen.core import mgrs_text, to_lonlat
from lastseen.jobs import PlannedSearch, Target, TargetPlan, note_grid, to_sentences
from lastseen.output.draw.drawing import Drawing, start_drawing
from lastseen.output.draw.layout import Box
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.words import spaced_mgrs
from lastseen.output.sheets import page as base
from lastseen.output.sheets.page import Column

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
PHASES_SOURCE = "ICAR Avalanche Rescue Commission 2008"
WATCH_FOR = (
    "Gloves, zips, switching: fumbling before the first step?",
    "Strip width as told? Lines walked twice, or ground left out?",
    "Pace: fast until the first signal, slow from 10 m, at the surface from 3 m?",
    "Device held at the surface in the fine search?",
    "Probe: at right angles to the snow, spiral, left in place at the hit?",
    "Digging: conveyor, from below, not straight down? Shovels at hand?",
    "Technique before speed. Say first what was good.",
)


def write_staff_sheet(plan: PlannedSearch, hidden: TargetPlan, path: Path) -> None:
    """All that the instructors need to hide, find back and count."""
    rows = _staff_rows(plan, hidden)
    pages: list[Callable[[], Drawing]] = [partial(_staff_page, plan, hidden, rows[:ROWS_BELOW])]
    later = range(ROWS_BELOW, len(rows), ROWS_ALONE)
    pages += [partial(_more_rows, plan, rows[start : start + ROWS_ALONE]) for start in later]
    base.write_pdf(path, f"{plan.name}: staff", pages)


def write_trainee_sheet(plan: PlannedSearch, hidden: TargetPlan, path: Path) -> None:
    """The ground and the task, nothing that gives a place away."""
    base.write_pdf(path, f"{plan.name}: trainees", [partial(_trainee_page, plan, hidden)])


def write_run_sheet(plan: PlannedSearch, hidden: TargetPlan, path: Path) -> None:
    """Phase times to fill in, and what to watch for."""
    base.write_pdf(path, f"{plan.name}: times", [partial(_run_page, plan, hidden)])


def _staff_page(plan: PlannedSearch, hidden: TargetPlan, rows: list[list[str]]) -> Drawing:
    lines = [
        f"Staff only. Exercise '{hidden.exercise_name}', seed {hidden.seed}: {_count(hidden)}",
        f"{hidden.exercise.title or 'Own exercise'} ({hidden.exercise.source}; {hidden.exercise.confidence})",
    ]
    marks = [shapely.Point(mark.x_m, mark.y_m) for mark in hidden.marks]
    below = 40.0 + 4.2 * len(rows)
    d = base.start_map(
        base.map_page(base.bounds_of(plan.outline, *marks), below_mm=below), plan, f"{plan.name}: staff sheet", lines
    )
    _draw_marks(d, hidden)
    for target in hidden.targets:
        _draw_target(d, target)
    base.draw_lanes(d, plan)
    for target in hidden.targets:
        base.label(d, target.name, d.sheet.on_page(target.x_m, target.y_m), 7.4, d.palette.person.line, "bold")
    box = d.sheet.columns[0]
    end = base.draw_table(d, box.left, box.top, _STAFF_COLUMNS, rows)
    half = 0.5 * (box.width - 5.0)
    left = Box(box.left, box.bottom, half, end - box.bottom - 0.5)
    base.write_lines(d, left, "Hiding", STAFF_RULES, size=6.2)
    right = Box(box.left + half + 5.0, box.bottom, half, end - box.bottom - 0.5)
    base.write_lines(d, right, "How hard, and what the signs mean", _numbers(plan, hidden), size=6.2)
    return d


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


def _staff_rows(plan: PlannedSearch, hidden: TargetPlan) -> list[list[str]]:
    hard = {one.name: one for one in hidden.difficulty}
    stakes = {stake.name: stake for stake in hidden.stakes}
    rows = []
    for number, target in enumerate(hidden.targets, start=1):
        told, stake = hard.get(target.name), stakes[target.name]
        poor = "" if POOR_CUT_DEG <= stake.cut_deg <= 180.0 - POOR_CUT_DEG else " *"
        rows.append(
            [
                str(number),
                target.name,
                "transmitter" if told else "decoy, empty",
                f"{target.depth_m:.2f}",
                _axis(target) if told else "",
                f"{stake.from_a_m:.1f}",
                f"{stake.from_b_m:.1f}{poor}",
                spaced_mgrs(mgrs_text(to_lonlat(target.x_m, target.y_m, plan.crs))),
                _first_signal(told.first_signal_s) if told else "",
                f"{100 * told.overlap:.0f}" if told else "",
                "☐" if told else "",
                "☐" if told else "",
            ]
        )
    return rows


def _axis(one: Target) -> str:
    if one.dip_deg >= 82.5:
        return "upright"
    bearing = f"{one.azimuth_deg:03.0f}°/{(one.azimuth_deg + 180) % 360:03.0f}°"
    return f"{bearing}, level" if one.dip_deg < 7.5 else f"{bearing}, {one.dip_deg:.0f}° down"


def _first_signal(times: tuple[float, float, float]) -> str:
    if not math.isfinite(times[1]):
        return "not heard"
    low, middle, high = (time / 60.0 for time in times)
    return f"{middle:.1f} ({low:.1f} to {high:.1f})"


def _numbers(plan: PlannedSearch, hidden: TargetPlan) -> list[str]:
    exercise = hidden.exercise
    people = f"{plan.searchers} searcher" + ("s" if plan.searchers != 1 else "")
    told = [
        f"{hidden.transmitters} transmitters to count back in. Axis bearings are from grid north; both ends are alike.",
        f"First signal: if the plan is walked at its own pace ({people}, strips of {plan.strip_width_m:g} m).",
        "Simulated, with a spread of the range of one tenth (design choice).",
        "Overlap: share of the ground around a target from which another one is heard too.",
        "Disc with a line: transmitter and its axis. Open square: decoy. Triangle: mark. L1, L2: planned lanes.",
    ]
    if exercise.time_limit_min:
        told.append(
            f"Time limit {exercise.time_limit_min:g} min: {exercise.time_means or 'as published'} ({exercise.source})."
        )
    if exercise.note:
        told.append(exercise.note)
    told += to_sentences(note_grid(plan.crs, "MGRS places are in WGS 84; "))
    if any(max(stake.from_a_m, stake.from_b_m) > LONG_TAPE_M for stake in hidden.stakes):
        told.append(f"Farther than {LONG_TAPE_M:g} m a tape is no use: go by the MGRS place, or set marks of your own.")
    if any(not POOR_CUT_DEG <= stake.cut_deg <= 180.0 - POOR_CUT_DEG for stake in hidden.stakes):
        told.append("* tapes meet at a flat angle: measure with care, or use the MGRS place too.")
    return told


def _count(hidden: TargetPlan) -> str:
    decoys = len(hidden.targets) - hidden.transmitters
    words = f"{hidden.transmitters} target" + ("s" if hidden.transmitters != 1 else "")
    return words + (f", {decoys} decoy" + ("s" if decoys != 1 else "") if decoys else "")


def _draw_target(d: Drawing, one: Target) -> None:
    ink = d.palette.person.line
    x, y = d.sheet.on_page(one.x_m, one.y_m)
    if one.what == "decoy":
        base.sign(d, "square", x, y, ink, 1.1)
        return
    a = math.radians(one.azimuth_deg)
    half = AXIS_MM * math.cos(math.radians(one.dip_deg))
    d.line(
        [(x - half * math.sin(a), y - half * math.cos(a)), (x + half * math.sin(a), y + half * math.cos(a))],
        d.palette.ground.paper, 3.0, zorder=8.8,
    )  # fmt: skip
    d.line(
        [(x - half * math.sin(a), y - half * math.cos(a)), (x + half * math.sin(a), y + half * math.cos(a))],
        ink, 1.3, zorder=8.9,
    )  # fmt: skip
    base.sign(d, "disc", x, y, ink, 1.25)


def _draw_marks(d: Drawing, hidden: TargetPlan) -> None:
    ink = d.palette.ground.text
    places = [d.sheet.on_page(mark.x_m, mark.y_m) for mark in hidden.marks]
    d.line(places, ink, 0.6, (1.5, 1.5), zorder=8.5)
    for mark, (x, y) in zip(hidden.marks, places, strict=True):
        base.sign(d, "triangle", x, y, ink, 1.6)
        base.label(d, mark.name, (x, y), 8.5, ink, "bold")


def _more_rows(plan: PlannedSearch, rows: list[list[str]]) -> Drawing:
    d = start_drawing(base.table_page(), load_palette())
    base.finish_page(d, f"{plan.name}: staff sheet, continued", ["Staff only."])
    box = d.sheet.columns[0]
    base.draw_table(d, box.left, box.top, _STAFF_COLUMNS, rows)
    return d


def _trainee_page(plan: PlannedSearch, hidden: TargetPlan) -> Drawing:
    exercise = hidden.exercise
    limit = f"Time limit {exercise.time_limit_min:g} min" if exercise.time_limit_min else "Time is taken"
    means = f" ({exercise.time_means})" if exercise.time_limit_min and exercise.time_means else ""
    lines = [
        f"Signal search over the drawn outline. {limit}{means}.",
        f"{exercise.title or 'Exercise'}: how many are hidden the instructor tells, or does not.",
    ]
    shapes: list[shapely.geometry.base.BaseGeometry] = [plan.outline]
    if plan.last_seen_m is not None and shapely.Point(plan.last_seen_m).distance(plan.outline) < 150.0:
        shapes.append(shapely.Point(plan.last_seen_m))
    page = base.map_page(base.bounds_of(*shapes), below_mm=62.0)
    d = base.start_map(page, plan, f"{plan.name}: search sheet", lines)
    _draw_last_seen(d, plan)
    box, ink = d.sheet.columns[0], d.palette.ground
    half = 0.5 * (box.width - 5.0)
    asked = (
        "Name",
        "Group",
        "Strip width, m",
        "Enter from (top, side, toe)",
        "Last seen",
        "Begin",
        "Finds: when and where",
    )
    d.text(box.left, box.top - 1.5, "Fill in", base.BOLD_HEAD, weight="bold", va="center")
    y = box.top - 9.0
    for words in (*asked, "", ""):
        d.text(box.left, y, words, base.PLAIN, va="bottom")
        d.line([(box.left + (36.0 if words else 0.0), y), (box.left + half, y)], ink.faint_text, 0.5)
        y -= 6.5
    notes = (
        "Draw your strips on the map: width on the snow, first line half a strip inside the edge. Mind the corners.",
        "Switch to receive before you step on the snow; electronics away from the device.",
        "Call out 10 and 3 m. Probe at right angles to the snow, leave it in at the hit.",
        "Watch for the lookout's signal: on it, leave by the way out at once.",
        "Dummies only. Stop the exercise on any doubt.",
    )
    base.write_lines(d, Box(box.left + half + 5.0, box.bottom, half, box.height), "Mind", notes, size=7.0)
    return d


def _draw_last_seen(d: Drawing, plan: PlannedSearch) -> None:
    """A cross where the person was last seen, if that lies on the sheet."""
    if plan.last_seen_m is None:
        return
    x, y = d.sheet.on_page(*plan.last_seen_m)
    if not d.inside(x, y, 2.0):
        return
    for width, colour in ((2.8, d.palette.ground.paper), (1.4, d.palette.person.line)):
        d.line([(x - 2.2, y), (x + 2.2, y)], colour, width, zorder=9)
        d.line([(x, y - 2.2), (x, y + 2.2)], colour, width, zorder=9)
    d.room.take(x, y, 5.0, 5.0)
    base.label(d, "last seen", (x, y), base.PLAIN, d.palette.person.line, "bold")


def _run_page(plan: PlannedSearch, hidden: TargetPlan) -> Drawing:
    d = start_drawing(base.table_page(), load_palette())
    exercise = hidden.exercise
    limit = (
        f"time limit {exercise.time_limit_min:g} min {exercise.time_means}".strip()
        if exercise.time_limit_min
        else "no limit"
    )
    lines = [
        f"Times of the phases. Exercise '{hidden.exercise_name}': {_count(hidden)}, {limit} ({exercise.source}).",
        "Day: ____________   Place: __________________   Timekeeper: __________________   Clock zero: ___ : ___ : ___",
    ]
    base.finish_page(d, f"{plan.name}: run sheet", lines)
    box = d.sheet.columns[0]
    columns = (
        Column(("searcher", "or group"), 30.0),
        Column(("target",), 15.0),
        *(Column((f"{letter} ends", f"({name})"), 22.5) for letter, name, _ in PHASE_ENDS),
        Column(("head and", "chest free"), 20.0),
        Column(("remarks",), box.width - 177.5),
    )
    end = base.draw_table(d, box.left, box.top - 4.0, columns, [[""] * len(columns)] * 17, row_mm=9.5, size=7.0)
    half = 0.5 * (box.width - 5.0)
    ends = [f"{letter} {name}: until {words}." for letter, name, words in PHASE_ENDS]
    ends += [
        f"Phases after {PHASES_SOURCE}. Note minutes and seconds since the clock's zero, as 4:05.",
        "Type them into times.csv (columns searcher, target, phase, time) for lastseen debrief.",
    ]
    below = Box(box.left, box.bottom + 24.0, half, end - box.bottom - 26.0)
    base.write_lines(d, below, "When a phase ends", ends, size=7.0)
    below = Box(box.left + half + 5.0, box.bottom + 24.0, half, end - box.bottom - 26.0)
    base.write_lines(d, below, "Watch for", WATCH_FOR, size=7.0)
    _sign_off(d, Box(box.left, box.bottom, box.width, 20.0), hidden)
    return d


def _sign_off(d: Drawing, box: Box, hidden: TargetPlan) -> None:
    """Counting back in, before anybody leaves."""
    ink = d.palette.ground
    d.box(box, fill=False, edgecolor=ink.frame, linewidth=0.9)
    words = f"Before anybody leaves: transmitters out ____   back in ____   (hidden: {hidden.transmitters})"
    d.text(box.left + 3.0, box.top - 5.0, words, 8.0, weight="bold", va="center")
    d.text(
        box.left + 3.0,
        box.top - 11.0,
        "People in ____   out ____        Holes filled  ____        Flags and poles in ____",
        7.4,
        va="center",
    )
    d.text(
        box.left + 3.0,
        box.top - 16.5,
        "Lookout: ____________________        Signed: ____________________",
        7.4,
        va="center",
    )
