"""Results told in a terminal."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lastseen.core import area_text, percent, share_words, short_percent, to_lonlat, two_figures, whole_minutes
from lastseen.jobs import (
    INCIDENT_SLOPES_DEG,
    SITE_LIMITS,
    Debrief,
    Exercise,
    Outcome,
    PlannedSearch,
    TargetPlan,
    TrapView,
    deposit_sentence,
    describe_seed_spread,
    elapsed_text,
    regroup_sentence,
    site_sentences,
    table_rows,
    zone_sentence,
)
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION, coverage_words, travel_of_numbers
from lastseen.rescue import (
    BODY,
    LEAST_PULSES,
    MODE_WORDS,
    PHASES_SOURCE,
    SCHEME_SOURCE,
    SHAPES,
    UPDATE_SOURCE,
    Dig,
    LinePlan,
    ReceiveRange,
    RescueClock,
    Spiral,
    SurvivalCurve,
    Travel,
    grid_pod,
    holes_for_radius,
    holes_per_100_m2,
    older_curves,
    survival_bounds_percent,
)
from lastseen.search import RANKING_FORMULA, SearchStep, SubArea, saved_percent
from lastseen.terrain import ElevationReport, report_facts
from lastseen.traps import WEIGHT_FORMULA, describe_shares

if TYPE_CHECKING:
    from lastseen.jobs import AreaView, LineView, PracticeDeposit, PushPlan, SiteView
    from lastseen.snow import OutlineMatch


# ---- What was found about an elevation model
PICTURE_WIDTH = 60
MARKS = {"refuse": "X", "warn": "o", "note": "."}


def inspection_text(report: ElevationReport) -> str:
    """An elevation model, what is doubtful about it, and a small picture of where."""
    facts = report_facts(report)
    unit = {1.0: "metres", 0.3048: "feet", 1200.0 / 3937.0: "US survey feet"}
    units = ", ".join(unit.get(factor, f"{factor:g} m") for factor in facts["metres_per_unit_of_height"])
    west, south, east, north = report.box
    stated = "" if facts["unit_of_height_stated"] else " (not stated: metres are taken, --z-unit changes that)"
    lines = [
        *_lines("Files", [", ".join(facts["files"])]),
        _line("CRS", " and ".join(facts["crs_of_files"])),
        _line("Worked in", f"{facts['crs']}, cells of {facts['cell_m']:g} m"),
        *_lines("Datum", [_datum_text(facts)]),
        _line("Heights in", f"{units}{stated}"),
        _line("Looked at", f"{(east - west) / 1000:.1f} x {(north - south) / 1000:.1f} km, {report.cells:,} cells"),
    ]
    if report.known:
        lines.append(_line("Heights", f"{report.range_m[0]:.0f} to {report.range_m[1]:.0f} m"))
    lines.append(_line("No data", percent(facts["share_without_data"] or 0.0)))
    for note in report.elevation.notes:
        lines += _lines("Note", [f"{note}."])
    if not report.findings:
        lines += _lines("Findings", ["None. What was not looked for can still be wrong."])
    for finding, note in zip(report.findings, report.notes, strict=True):
        lines += _lines({"refuse": "REFUSED", "warn": "Doubtful", "note": "Note"}[finding.severity], [f"{note}."])
    if report.refused:
        lines += _lines("", ["No command works on these heights unless --accept-doubtful-heights is given."])
    return paragraphs(["\n".join(lines), _findings_picture(report)])


def _datum_text(facts: Mapping[str, Any]) -> str:
    if facts["transformation_to_wgs84"] is None:
        return "WGS 84"
    accuracy = facts["transformation_accuracy_m"]
    known = "of unknown accuracy" if accuracy is None else f"good to about {max(1.0, accuracy):.0f} m"
    text = f"{facts['datum_shift_to_wgs84_m']:.0f} m off WGS 84 here, {known}"
    missing = facts["better_grids_not_installed"]
    return f"{text}; {missing[0]} would do better and is not installed" if missing else text


def _findings_picture(report: ElevationReport) -> str:
    """Where the findings lie, north up: X what is refused, o what is doubtful."""
    places = [(place, MARKS[finding.severity]) for finding in report.findings for place in finding.places_m]
    if not places:
        return ""
    west, south, east, north = report.box
    wide = PICTURE_WIDTH
    high = max(4, min(40, round(0.5 * wide * (north - south) / max(east - west, 1e-9))))  # letters are twice as high
    rows = [[" "] * wide for _ in range(high)]
    for (x, y), mark in reversed(places):
        row = min(high - 1, max(0, int((north - y) / (north - south) * high)))
        rows[row][min(wide - 1, max(0, int((x - west) / (east - west) * wide)))] = mark
    frame = "+" + "-" * wide + "+"
    drawn = "\n".join([frame, *("|" + "".join(row) + "|" for row in rows), frame])
    return f"Where it lies, north up (X refused, o doubtful):\n{drawn}"


# ---- Plain tables for a terminal: columns of text, as wide as they need to be, the last one wrapped
WIDTH = 120
SUMMARY_WIDTH = 110  # of a plan, of traps and of a drill


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Rows under a head; all columns but the last keep their width, the last is wrapped."""
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head) - 1)]
    indent = sum(widths) + 2 * len(widths)
    lines = []
    for row in [head, *rows]:
        start = "".join(f"{cell:<{width}}  " for cell, width in zip(row, widths, strict=False))
        wrapped = textwrap.wrap(row[-1], max(30, WIDTH - indent)) or [""]
        lines.append((start + wrapped[0]).rstrip())
        lines += [" " * indent + more for more in wrapped[1:]]
    return "\n".join(lines)


def paragraphs(blocks: Iterable[str]) -> str:
    """Blocks with an empty line between them, the caution last."""
    return "\n\n".join([*(block for block in blocks if block), "\n".join(textwrap.wrap(FULL_CAUTION, WIDTH))])


def wrapped(text: str) -> str:
    """A paragraph."""
    return textwrap.fill(text, WIDTH)


def bullets(lines: Sequence[str]) -> str:
    """One dash for each line, wrapped."""
    return "\n".join(textwrap.fill(line, WIDTH, initial_indent="- ", subsequent_indent="  ") for line in lines)


def metres(low: float, high: float, digits: int = 1) -> str:
    """One width, or a range of them."""
    return f"{low:.{digits}f} m" if low == high else f"{low:.{digits}f} to {high:.{digits}f} m"


# ---- What a person reads in ten seconds: a plan in a dozen lines, the checks as a table
Numbers = Mapping[str, Any]

MOST_TRAPS = 4
NO_BURIAL = "not worked out: it needs the flow, on cells of 10 m or finer"
MOST_LISTED, MOST_AREAS = 40, 8  # in the table of traps


def plan_summary(numbers: Numbers, folder: Path) -> str:
    """A plan or a drawn search in a dozen lines, from what ``plan.json`` or ``search.json`` of a folder says."""
    lines = [numbers["name"] or "Plan", *_lines("First", numbers.get("urgent", ()))]
    if known := numbers.get("last_seen"):
        lon, lat = known["lonlat"]
        lines.append(_line("Last seen", f"{lon:.6f},{lat:.6f}   {known['utm']}   {known['mgrs']}"))
    if numbers.get("model"):
        lines += _model_lines(numbers)
    lines.append(_line("Debris", _debris_text(numbers)))
    lines += _search_lines(numbers)
    return "\n".join([*lines, *_lines("Note", _other_notes(numbers)), *_ending(folder)])


def _other_notes(numbers: Numbers) -> list[str]:
    return [note for note in numbers["notes"] if note not in numbers.get("urgent", ())]


def trap_table(view: TrapView, folder: Path | None) -> str:
    """Traps and release areas as a table, the reason of each beside it."""
    lines = [view.scenario.name or "Terrain traps"]
    if view.plan is None:
        lines.append(f"{len(view.traps)} traps, {len(view.areas)} release areas on the whole elevation model")
    elif view.plan.model is not None:
        from lastseen.output.results.plan import plan_numbers  # noqa: PLC0415  slow to import

        lines += _release_lines(plan_numbers(view.plan))
    for trap in view.traps[:MOST_LISTED]:
        head = f"{trap.kind} ({', '.join(trap.consequences)}), weight {trap.weight:.3f}. {trap.reason}"
        shares = f" {describe_shares(trap)}" if view.plan is not None else ""
        lines.append(_line(f"{trap.letter}{trap.number}", f"{head}{shares}"))
    if len(view.traps) > MOST_LISTED:
        lines.append(_line("", f"and {len(view.traps) - MOST_LISTED} more: write them with -o, or give --json"))
    lines += ["", _line("Order", WEIGHT_FORMULA), ""]
    lines += _area_lines(view)
    lines += _lines("Note", view.notes)
    return "\n".join([*lines, *_ending(folder)])


def _area_lines(view: TrapView) -> list[str]:
    """The largest release areas; with a last-seen point those that its release lies in."""
    lines, areas = [], view.own_areas
    for area in areas[:MOST_AREAS]:
        volumes = " / ".join(f"{volume:,.0f}" for volume in area.volume_m3)
        text = (
            f"{area.area_m2:,.0f} m2 on the slope, {area.slope_deg:.0f} degrees, faces {area.aspect_deg:03.0f}, "
            f"{area.width_m:,.0f} m wide, {area.length_m:,.0f} m long, grade {area.grade:.2f}; size 1 / 2 / 3 / 4 "
            f"releases {volumes} m3"
        )
        lines.append(_line(f"Area {area.number}", text))
    if len(areas) > MOST_AREAS:
        lines.append(_line("", f"and {len(areas) - MOST_AREAS} smaller release areas"))
    return lines


def check_table(outcomes: list[Outcome]) -> str:
    """The checks as a table, guards of stored constants marked, and how many passed."""
    head = ("id", "quantity", "expected", "got", "tolerance", "unit", "kind", "source")
    rows = [
        (outcome.id, outcome.quantity, f"{outcome.expected:.6g}", f"{outcome.got:.6g}", f"{outcome.tolerance:.2g}",
         outcome.unit, f"guard, {outcome.kind}" if outcome.is_guard else outcome.kind,
         outcome.source if outcome.ok else f"FAILED  {outcome.source}")
        for outcome in outcomes
    ]  # fmt: skip
    widths = [*(max(map(len, column)) for column in list(zip(head, *rows, strict=True))[:-1]), 0]
    lines = ["  ".join(map(str.ljust, row, widths)) for row in (head, *rows)]
    checks, guards = ([o for o in outcomes if o.is_guard == guard] for guard in (False, True))
    end = f"{sum(o.ok for o in checks)} of {len(checks)} reference values agree"
    if guards:
        end += (
            f"; beside them {sum(o.ok for o in guards)} of {len(guards)} guards, which only compare a stored constant "
        )
        end += "with its copy"
    return "\n".join([*lines, "", end])


def match_text(match: OutlineMatch) -> str:
    """The debris of a plan beside an observed outline."""
    rows = [
        (percent(row.level, 1), area_text(row.area_m2, 1.0), percent(row.observed_inside),
         "no such ground" if math.isnan(row.covered) else percent(row.covered))
        for row in match.contours
    ]  # fmt: skip
    lines = [
        _line("Overlap", f"{percent(match.overlap)} of the joint area is common"),
        _line("Area", f"observed {area_text(match.observed_m2, 1.0)}, "
              f"outline of the plan {area_text(match.modelled_m2, 1.0)}"),
        _line("Inside", f"{percent(match.observed_inside)} of the observed area lies inside the outline of the plan, "
              f"{percent(match.modelled_outside)} of that outline carried no debris"),
        _line("Run-out", f"observed {match.observed_runout_m:.0f} m, plan {match.modelled_runout_m:.0f} m from the top "
              f"of its release to the farthest point ({match.runout_misfit_m:+.0f} m)"),
        _line("Width", f"observed {match.observed_width_m:.0f} m, plan {match.modelled_width_m:.0f} m across that line "
              f"({match.width_misfit_m:+.0f} m)"),
    ]  # fmt: skip
    if match.observed_off_ground > 0.0:
        off = percent(match.observed_off_ground)
        lines.append(
            _line("Note", f"{off} of the observed area lies beside the ground of the plan: it counts as missed")
        )
    head = ("debris at least", "area", "observed inside", "of it covered")
    about = "One event tells little of a probability: compare many before you judge the model."
    return paragraphs(["\n".join(lines), table(head, rows), about])


def _line(label: str, text: str) -> str:
    return "\n".join(textwrap.wrap(text, SUMMARY_WIDTH, initial_indent=f"{label:<12}", subsequent_indent=" " * 12))


def _lines(label: str, texts: Iterable[str]) -> list[str]:
    """A paragraph for each text, the label before the first."""
    return [_line("" if i else label, text) for i, text in enumerate(texts)]


def _ending(folder: Path | None) -> list[str]:
    written = ["", f"Written to {folder}"] if folder is not None else []
    return ["", *textwrap.wrap(SHORT_CAUTION, SUMMARY_WIDTH), *written]


def _middle(values: Numbers, unit: str) -> str:
    return f"{values['p50']:.0f} {unit} ({values['p10']:.0f} to {values['p90']:.0f})"


def _release_lines(numbers: Numbers) -> list[str]:
    release, runout = numbers["release"], numbers["runout"]
    area, slope = two_figures(release["area_m2"]), release["slope_deg"]
    slab = f"{area} m2 at {slope:.0f} degrees, slab {release['thickness_m']:.2f} m"
    travel = (
        f"travel angle {_middle(runout['travel_angle_deg'], 'degrees')}, length {_middle(runout['length_m'], 'm')}; "
        "median, P10 to P90"
    )
    return [_line("Release", f"{slab}. {release['reason']}"), _line("Run-out", travel)]


def _model_lines(numbers: Numbers) -> list[str]:
    poa, traps = numbers["poa"], numbers["traps"]
    lines = [*_release_lines(numbers), _line("", _envelope_text(numbers["envelope"]))]
    if spread := numbers["events"]["seed_spread"]:
        events = f"{numbers['events']['count']} events; {describe_seed_spread(spread)} (standard errors)"
        lines.append(_line("Seeds", events))
    lines.append(_line("Person", _person_text(numbers)))
    left = numbers["persons"]["left_model_share"]
    unknown = f"; of the {percent(left)} who left the elevation model it is not known" if left > 0.0 else ""
    lines.append(_line("Burial", f"{_burial_text(poa['burial'])}{unknown}" if poa["burial"] is not None else NO_BURIAL))
    met = [trap for trap in traps if trap["person_passes"] > 0]
    texts = [
        f"{trap['letter']}{trap['number']} ({', '.join(trap['consequences'])}) {trap['reason']} "
        f"Passed by {percent(trap['person_passes'])}, ended in by {percent(trap['person_ends'])}."
        for trap in met[:MOST_TRAPS]
    ]
    none = f"none that the person reaches, {len(traps)} on ground that the snow can reach"
    lines += _lines("Traps", texts or [none])
    if len(met) > MOST_TRAPS:
        lines.append(_line("", f"and {len(met) - MOST_TRAPS} more, see plan.json"))
    return lines


def _person_text(numbers: Numbers) -> str:
    poa, left = numbers["poa"], numbers["persons"]["left_model_share"]
    beyond = f", {percent(left)} left the elevation model" if left > 0.0 else ""
    return f"of all whom the snow took {percent(poa['inside_debris'])} lie inside the outline{beyond}"


def _burial_text(burial: Numbers) -> str:
    deeper = ", ".join(
        f"{share_words(depth['share'])} deeper than {depth['depth_m']:g} m" for depth in burial["deeper"]
    )
    some = burial["fully"] > 0
    deep = f"; fully buried: P50 {burial['fully_p50_m']:.1f} m, P90 {burial['fully_p90_m']:.1f} m" if some else ""
    basis = f". {burial['basis'][0].upper()}{burial['basis'][1:]}" if "basis" in burial else ""
    return f"{share_words(burial['fully'])} fully buried, {deeper}{deep}{basis}"


def _envelope_text(envelope: Numbers) -> str:
    if not envelope["ends"]:
        return f"Statistical run-out: {envelope['note']}"
    end = envelope["ends"][0]
    where = "beyond the profile" if end["distance_m"] is None else f"{end['distance_m']:,.0f} m from the top"
    return (
        f"Outer envelope, extreme events ({end['name']}): alpha {end['alpha_deg']:.0f} degrees "
        f"(SD {end['sd_deg']:g}), {where}"
    )


def _debris_text(numbers: Numbers) -> str:
    debris = numbers["debris"]
    area = f"{debris['area_m2']:,.0f} m2"
    if not numbers.get("model"):
        return f"observed outline of {area}"
    area = area_text(debris["area_m2"], numbers["grid"]["cell_m"])
    level = f"debris in at least {short_percent(debris['level'])} of the events"
    if not debris["whole"]:
        area = f"only the part on the elevation model, {area}"
    return f"{area} to search: {level}, widened to 90 % of the POA" if debris["widened"] else f"{area} carry {level}"


def _length_and_time(legs: list[Numbers]) -> tuple[str, str]:
    seconds = sum(leg["time_s"] for leg in legs)
    time = f"{seconds / 60:.0f} min" if seconds >= 120 else f"{seconds:.0f} s"
    return f"{sum(leg['length_m'] for leg in legs):,.0f} m", time


def _search_lines(numbers: Numbers) -> list[str]:
    search, coverage, count = numbers["search"], numbers["coverage"], len(numbers["lanes"])
    lanes = "1 lane" if count == 1 else f"{count} lanes"
    lines, moves = (
        [
            _line("Search", f"{lanes} {search['way']}, strips of {coverage['strip_width_m']:g} m on the snow"),
            _line("", f"{coverage_words(numbers)}; {two_figures(coverage['uncovered_m2'])} m2 out of range"),
        ],
        travel_of_numbers(numbers),
    )
    for searcher in range(1, search["searchers"] + 1):
        legs = [leg for leg in numbers["route"] if leg["searcher"] == searcher]
        there, there_time = _length_and_time([leg for leg in legs if leg["kind"] == "approach"])
        walk, time = _length_and_time(walked := [leg for leg in legs if leg["kind"] != "approach"])
        way = f"{walk} in {time} {MODE_WORDS[moves.search]}; approach {_approach(moves, there, there_time)}"
        lines.append(
            _line("", f"Searcher {searcher}: {way if walked else 'no lane of their own, probe and shovel ready'}")
        )
    return [*lines, *_clock_lines(numbers), *_trial_lines(search)]


def _approach(moves: Travel, length: str, time: str) -> str:
    if moves.approach_s is not None:
        return f"{moves.approach_s / 60:g} min, as given"
    return "none" if length == "0 m" else f"{length}, {time} {MODE_WORDS[moves.approach]}"


def _clock_lines(numbers: Numbers) -> list[str]:
    """First signal and head and chest free: from the first step on the debris, and from the accident."""
    clock, trial = numbers["rescue"]["clock"], next(iter(numbers["search"]["trials"]), None)
    if clock is None or "on_debris_s" not in clock:
        return []
    debris, total = (" / ".join(f"{clock[key][name] / 60:.0f}" for name in ("low", "typical", "high"))
                     for key in ("on_debris_s", "total_s"))  # fmt: skip
    first = ""
    if trial is not None and trial["first_signal_s"]["p50"] is not None:
        times = " / ".join(whole_minutes(trial["first_signal_s"][key]) for key in ("p10", "p50", "p90"))
        first = f"first signal after {times} min (P10 / P50 / P90 of simulated searches), "
    text = (
        f"from the first step on the debris: {first}head and chest free after {debris} min (low / typical / high); "
        f"from the accident, alarm and approach included: {total} min"
    )
    return [_line("Clock", text)]


MOST_TRIALS = 4  # layouts that are shown


def _trial_lines(search: Numbers) -> list[str]:
    """The best layouts that were compared, and why the first is first."""
    trials = search["trials"][:MOST_TRIALS]
    if len(trials) < 2:
        return []

    def minutes(seconds: float | None) -> str:
        return "-" if seconds is None else f"{seconds / 60:.0f}"

    rows = [
        (
            f"{trial['walk_m']:.0f} m",
            f"{minutes(trial['slowest_s'])} min",
            "-" if trial["steep_m"] is None else f"{trial['steep_m']:.0f} m",
            " / ".join(minutes(trial["first_signal_s"][key]) for key in ("p10", "p50", "p90")),
            short_percent(trial["pod"]),
            short_percent(trial["alive"]),
            trial["words"] + (f" ({trial['against']})" if trial["against"] else ""),
        )
        for trial in trials
    ]
    heads = ("walk", "time", "steep", "signal P10/50/90, min", "POD", "alive, Falk 1994", "layout")
    return [_line("Layouts", search["reason"]), *table(heads, rows).splitlines()]


# ---- Receive range, clock, probing and shovelling as plain text
_GEOMETRY = (
    f"POD of these grids by geometry: a body of {BODY.length_m:g} x {BODY.width_m:g} x {BODY.thickness_m:g} m (from "
    "memory) lies anywhere and is turned anyhow, within probing depth; tuned to nothing"
)


def range_text(device: ReceiveRange) -> str:
    """Range, strip rules and pulses of one device."""
    depth = f", person {device.depth_m:g} m down" if device.depth_m else ""
    head = (
        f"Receive range: greatest {device.max_range_m:g} m in line with the transmitter (sd {device.sd_m:g} m), "
        f"{device.antennas} antenna{'s' if device.antennas > 1 else ''}{depth}"
    )
    reach = table(
        ("share of transmitters", "reach on the snow at most"),
        [(_share_words(share), f"{value:.1f} m") for share, value in device.reach_m],
    )
    rules = table(
        ("rule", "strip width", "less depth", "year", "formula; what it rests on; source"),
        [_rule_row(rule) for rule in device.rules],
    )
    taught = "no width given: the one most often taught, 20 to 50 m in handbooks"
    notes = (
        "Reach: ideal magnetic dipole pointing anywhere in space, ideal three-axis receiver; real sets reach less.",
        "The rules differ on purpose: narrow misses less, wide finds sooner. Your own width, from your device, wins.",
        (
            f"Strip width used: {device.width_m:g} m ({'your own' if device.width_given else taught}). Transmitters "
            "that half a strip does not reach, ideal dipole and spread between devices: "
            f"{percent(device.out_of_range, 1)}; of real sets more."
        ),
        (
            f"Speed: at {device.speed_m_s:g} m/s and a pulse every {device.period_s:g} s a searcher half a strip "
            f"beside a transmitter at right angles hears {device.pulses:.1f} pulses; {LEAST_PULSES:g} are still heard "
            f"at {device.fastest_m_s:.0f} m/s."
        ),
    )
    return paragraphs([head, reach, rules, bullets(notes)])


def _share_words(share: float) -> str:
    return {0.0: "none (the worst direction)", 1.0: "all (the best direction)"}.get(share, percent(share))


def _rule_row(rule: Any) -> tuple[str, ...]:
    width, less = (metres(m.low, m.high) if m else "no data" for m in (rule.width_m, rule.with_depth_m))
    year = str(rule.year) if rule.year else "no date"
    return rule.name, width, less, year, f"{rule.formula}; {rule.note}; {rule.source} [{rule.confidence}]"


def clock_text(clock: RescueClock) -> str:
    """Phases, ends and survival."""
    rows: list[Sequence[str]] = [
        (phase.letter or "-", phase.name, _three_minutes(phase.time_s.three), _three_minutes(end.three),
         f"{phase.basis} [{phase.confidence}]")
        for phase, end in zip(clock.phases, clock.ends_s, strict=True)
    ]  # fmt: skip
    phases = table(("", "phase", "low / typical / high", "ends after", "what it rests on"), rows)
    curves = (clock.curve, *older_curves(clock.curve))
    rows = [
        (
            name,
            f"{time / 60.0:.0f}",
            *(_survival_words(survival_bounds_percent(curve, time / 60.0)) for curve in curves),
        )
        for name, time in zip(("low", "typical", "high"), clock.total_s.three, strict=True)
    ]
    first, *beside = (curve.name for curve in curves)
    survival = table(("", "minutes", f"alive when free, {first}", *beside), rows)
    notes = bullets((*map(_curve_source, curves), f"Phases: {PHASES_SOURCE}.", *clock.notes))
    return paragraphs(["Clock: from the accident to head and chest free", phases, survival, notes])


def _curve_source(curve: SurvivalCurve) -> str:
    return f"Survival: {curve.name}, {curve.title}. {curve.source} [{curve.confidence}]."


def _three_minutes(three: tuple[float, float, float]) -> str:
    return " / ".join(f"{seconds / 60.0:.1f}" for seconds in three) + " min"


def areas_text(
    order: Sequence[SearchStep],
    best: Sequence[SearchStep] | None,
    belief: tuple[Sequence[SubArea], float, float],
    curve: SurvivalCurve,
) -> str:
    """Order of search for few people, the best of all orders, and what to believe when all was in vain."""
    after, outside, found_share = belief
    new = {area.name: area.poa for area in after}
    rows = [
        (f"{number}", ranked.area.name, percent(ranked.area.poa, 1), percent(ranked.poa_now, 1),
         percent(ranked.area.pod), percent(ranked.area.survivable),
         f"{ranked.from_minute:.0f} to {ranked.to_minute:.0f} min", _survival_words(ranked.survival_percent),
         f"{ranked.gain_per_minute:.2f}", percent(new[ranked.area.name], 1))
        for number, ranked in enumerate(order, start=1)
    ]  # fmt: skip
    head = (
        "", "area", "POA", "POA then", "POD", "survivable", "searched", "alive when free", "% per min", "POA after all",
    )  # fmt: skip
    notes = (
        (
            f"Order: {RANKING_FORMULA}. Survivable ground first (Canadian avalanche search course notes); the shares "
            "are your own weights, no source gives any."
        ),
        _best_words(order, best),
        (
            f"All searches together find the person with {percent(found_share, 1)}; after all in vain, "
            f"{percent(outside, 1)} of the POA lie outside of all areas (Bayes)."
        ),
        f"{_curve_source(curve)} Averages over many burials.",
    )
    return paragraphs(["Parts of the debris in order of search", table(head, rows), bullets(notes)])


def _best_words(order: Sequence[SearchStep], best: Sequence[SearchStep] | None) -> str:
    chance = saved_percent(order)
    words = f"Found alive in this order: {chance:.1f} % (where survival is no data, the middle of its bounds)."
    if best is None:
        return f"{words} Too many areas to try all orders."
    if saved_percent(best) < chance + 0.05:
        return f"{words} No other order gives more."
    names = ", ".join(step.area.name for step in best)
    return f"{words} Of all orders the most is {saved_percent(best):.1f} %: {names}."


def _survival_words(bounds: tuple[float, float]) -> str:
    return f"{bounds[0]:.0f} %" if bounds[0] == bounds[1] else f"no data; {bounds[0]:.0f} to {bounds[1]:.0f} %"


def probe_text(spiral: Spiral, plans: Sequence[LinePlan], notes: Sequence[str]) -> str:
    """Spiral, probe lines with published and computed POD, what they take."""
    radii = sorted({0.5, 1.0, spiral.radius_m} - ({0.5, 1.0} if spiral.radius_m <= 0.5 else set()))
    counted = [int(((spiral.across_m**2 + spiral.up_m**2) <= (radius + 1e-9) ** 2).sum()) for radius in radii]
    spiral_table = table(
        ("radius", "holes of the spiral", "area over spacing squared"),
        [(f"{radius:g} m", f"{count}", f"{holes_for_radius(radius, spiral.spacing_m):.0f}")
         for radius, count in zip(radii, counted, strict=True)],
    )  # fmt: skip
    head = (
        f"Spiral after the transceiver: {spiral.spacing_m:g} m between holes and between turns, at right angles to the "
        f"snow, on {spiral.slope_deg:g} degrees"
    )
    lines = table(
        ("probe line", "holes", "per 100 m2", "deep", "POD", "year", "body model; people; source"),
        [_line_row(plan) for plan in plans],
    )
    computed = table(
        ("probe line", "published", *SHAPES),
        [(plan.line.name, percent(plan.line.pod), *(percent(grid_pod(plan.line.across_m, plan.line.along_m, shape))
                                                    for shape in SHAPES)) for plan in plans],
    )  # fmt: skip
    return paragraphs(
        [head, spiral_table, "Probe lines as published (spacing along the line x from step to step)", lines,
        wrapped(_GEOMETRY), computed, _work_table(plans), bullets(notes)])  # fmt: skip


def _line_row(plan: LinePlan) -> tuple[str, ...]:
    line = plan.line
    across, along = line.across_m, line.along_m
    return (
        line.name, f"{across:.2f} x {along:.2f} m", f"{holes_per_100_m2(across, along):.0f}",
        f"{line.depth_m:g} m" if line.depth_m else "full", percent(line.pod),
        str(line.year) if line.year else "no date",
        f"{line.model}; {line.people}; {line.source} [{line.confidence}]",
    )  # fmt: skip


def _work_table(plans: Sequence[LinePlan]) -> str:
    first = plans[0]
    rows = [
        (plan.line.name, f"{plan.holes}", f"{plan.sweeps}", f"{plan.steps}",
         "no data" if plan.minutes is None else f"{plan.minutes:.0f} min")
        for plan in plans
    ]  # fmt: skip
    title = f"{first.people} people on {first.width_m:g} x {first.length_m:g} m"
    return f"{title}\n\n" + table(("probe line", "holes", "sweeps", "steps of the line", "time"), rows)


def dig_text(dig: Dig) -> str:
    """Conveyor, diggers, where to begin, turns."""
    head = wrapped(
        f"Dig: {dig.depth_m:g} m deep on {dig.slope_deg:g} degrees. Conveyor {dig.length_m:.1f} m long, downhill from "
        f"the probe (2 x depth on flat, 1 x depth on steep: {SCHEME_SOURCE}; flat is 0 degrees, steep 25 and more, "
        "even between them: design choice)"
    )
    needed = table(
        ("rule", "needed", "present", "missing", "source"),
        [
            (rule, f"{dig.needed[key]}", f"{dig.diggers}", f"{dig.missing[key]}", source)
            for rule, key, source in (
                ("one for 0.8 m", "scheme", SCHEME_SOURCE),
                ("one for a metre, 2023", "2023", UPDATE_SOURCE),
            )
        ],
    )
    starts = table(
        ("begin", "year", "rule and source"),
        [(_below(rule.downhill_m), str(rule.year) if rule.year else "no date", f"{rule.words} ({rule.source})")
         for rule in dig.starts],
    )  # fmt: skip
    order = "; ".join(f"{4 * turn} min: {' '.join(map(str, people))}" for turn, people in enumerate(dig.order))
    return paragraphs([head, needed, starts, f"Turns, front first: {order}", bullets(dig.notes)])


def _below(downhill_m: tuple[float, float] | None) -> str:
    if downhill_m is None:
        return "in steps"
    return "at the probe" if downhill_m[1] == 0.0 else f"{metres(*downhill_m, digits=2)} below the probe"


# ---- Targets, exercises and debriefs told in a terminal
def exercises_text(known: Mapping[str, Exercise]) -> str:
    """All exercises with what they ask and where they come from."""
    rows = []
    for name, exercise in known.items():
        depth = " to ".join(f"{depth:g}" for depth in dict.fromkeys(exercise.depth_m)) + " m"
        field = f"{exercise.field_m[0]:g} x {exercise.field_m[1]:g} m" if exercise.field_m else ""
        limit = f"{exercise.time_limit_min:g} min" if exercise.time_limit_min else ""
        hidden = f"{exercise.targets}" + (f" + {exercise.decoys}" if exercise.decoys else "")
        text = f"{exercise.title}. {exercise.source} ({exercise.confidence}). {exercise.note}".strip()
        rows.append((name, hidden, depth, field, limit, text))
    return table(("name", "hidden", "depth", "ground", "limit", "what and from where"), rows)


def targets_text(plan: PlannedSearch, hidden: TargetPlan, folder: Path) -> str:
    """What was hidden, without its places: the staff sheet has them."""
    decoys = len(hidden.targets) - hidden.transmitters
    lines = [
        plan.name,
        f"Exercise    {hidden.exercise_name}: {hidden.exercise.source}",
        f"Hidden      {hidden.transmitters} transmitters, {decoys} decoys, seed {hidden.seed}",
    ]
    for target in sorted(hidden.difficulty, key=lambda target: int(target.name[1:])):
        signal = "not heard on the plan's walk"
        if math.isfinite(target.first_signal_s[1]):
            p10, p50, p90 = map(elapsed_text, target.first_signal_s)
            signal = f"first signal after {p50} ({p10} to {p90})"
        near = f", nearest other {target.neighbour_m:.0f} m" if math.isfinite(target.neighbour_m) else ""
        lines.append(f"{target.name:<12}{target.depth_m:.2f} m deep, {signal}, overlap {percent(target.overlap)}{near}")
    lines += _lines("Note", _target_notes(plan))
    return "\n".join([*lines, *_ending(folder)])


def _target_notes(plan: PlannedSearch) -> list[str]:
    notes = {
        "Dummies only. Hide only on ground that no start zone in this model reaches: see lastseen drill sites.": True,
        "The folder holds no probability of area: any place of the outline is as likely.": plan.poa is None,
        "The ground is taken as flat for want of an elevation model.": plan.flat,
    }
    return [text for text, holds in notes.items() if holds]


def debrief_text(debrief: Debrief, folder: Path) -> str:
    """A debrief in a dozen lines."""
    band, left = debrief.band, debrief.leftover
    shares = f"surely {percent(band.sure)}, perhaps {percent(band.perhaps)}, not {percent(band.none)}"
    word = f"tracks at their word {percent(band.half, 1)} (planned {percent(debrief.plan.coverage, 1)})"
    lines = [debrief.plan.name, f"Covered     {shares}; {word}"]
    for searcher in debrief.searchers:
        ends = [elapsed_text(float(searcher.time_s[k]) - debrief.zero_s) for k in (0, -1)]
        way = f"{searcher.metres:.0f} m, {' to '.join(ends) if searcher.track.timed else 'no times'}"
        text = f"{searcher.track.name}: {way}; {percent(searcher.band.half)} of the outline as recorded"
        lines.append(_line(f"S{searcher.number}", text))
        lines += _lines("", searcher.cleaning_notes)
    lines += _lines("Next", left.advice)
    lines += _lines("Note", debrief.notes)
    return "\n".join([*lines, *_ending(folder)])


# ---- A pre-reading in a terminal: the table of stretches, or the worst start zones
MOST_ZONES = 10


def line_summary(view: LineView, folder: Path | None) -> str:
    """The table of stretches, places to regroup, notes, the caution."""
    r = view.reading
    head, rows = table_rows(r)
    places = [f"{place.letter} at {place.along_m:.0f} m. {regroup_sentence(place)}" for place in r.regroup]
    regroup = f"Places to regroup:\n{bullets(places) or '- none was found on or beside the line'}"
    written = f"Written to {folder}" if folder else ""
    return paragraphs([table(head, rows), regroup, bullets(view.notes), written])


def area_summary(view: AreaView, folder: Path) -> str:
    """How many start zones, the worst of them, their slopes beside those of incidents, notes, the caution."""
    low, mid, high = view.slope_percentiles_deg()
    a, b, c = INCIDENT_SLOPES_DEG
    slopes = (
        f"Slope of start cells, 5th, 50th and 95th percentile: {low:.0f}, {mid:.0f}, {high:.0f} degrees; of reported "
        f"incidents (Tirol 1993-2024) {a:.0f}, {b:.0f}, {c:.0f}."
    )
    rows = [(str(k), zone_sentence(row)) for k, (row, _) in enumerate(view.zones[:MOST_ZONES], start=1)]
    head = f"{len(view.zones)} start zones, {view.samples:,} bodies. The worst:"
    zones = table(("zone", "what it does to somebody who is caught in it"), rows) if rows else ""
    return paragraphs([head, zones, slopes if np.isfinite(mid) else "", bullets(view.notes), f"Written to {folder}"])


# ---- Practice sites and deposits
def sites_text(view: SiteView, folder: Path) -> str:
    """The sites for a terminal."""
    crs = view.terrain.elevation.crs
    blocks = []
    for site in view.search.sites:
        place = to_lonlat(*site.middle_m, crs).notations()
        head = wrapped(f"Site {site.number}: {place['lonlat']} = {place['mgrs']}, rank {site.rank:.2f}")
        blocks.append(f"{head}\n{bullets(site_sentences(site, site.statement.removesuffix(f' {SITE_LIMITS}')))}")
    return paragraphs([*blocks, wrapped(SITE_LIMITS), bullets(view.notes), f"Written to {folder}"])


def deposit_text(deposit: PracticeDeposit, folder: Path) -> str:
    """The pushing plan for a terminal."""
    push = deposit.pushing
    rows = [
        (stake.name, f"{stake.fill_m:.2f}", f"{stake.fill_m3:.1f}", f"{stake.cut_m3:.1f}", _gives(push, stake.name))
        for stake in push.stakes
    ]
    head = ("stake", "fill m", "fill m3", "cut m3", "its snow goes to (m3 as it lies in the end)")
    texts = [wrapped(deposit.shape.source), wrapped(deposit_sentence(deposit)), table(head, rows)]
    return paragraphs([*texts, bullets(deposit.notes), f"Written to {folder}"])


def _gives(push: PushPlan, name: str) -> str:
    return ", ".join(f"{haul.to_stake} {haul.volume_m3:.0f}" for haul in push.hauls if haul.from_stake == name)
