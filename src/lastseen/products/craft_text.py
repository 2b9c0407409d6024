"""Receive range, clock, probing and shovelling as plain text."""

from __future__ import annotations

from collections.abc import Sequence

from lastseen.products.tables import bullets, metres, paragraphs, table, wrapped
from lastseen.search.belief import SubArea
from lastseen.search.clock import RescueClock
from lastseen.search.phases import PHASES_SOURCE
from lastseen.search.probing import BODY, SHAPES, LinePlan, Spiral, grid_pod, holes_for_radius, holes_per_100_m2
from lastseen.search.ranking import RANKING_FORMULA, Ranked, saved_percent
from lastseen.search.receive import ReceiveRange
from lastseen.search.receive.pulses import LEAST_PULSES
from lastseen.search.shovelling import SCHEME_SOURCE, UPDATE_SOURCE, Dig
from lastseen.search.survival import SurvivalCurve
from lastseen.wording import percent

_GEOMETRY = (
    f"POD of these grids by geometry: a body of {BODY.length_m:g} x {BODY.width_m:g} x {BODY.thickness_m:g} m (from "
    "memory) lies anywhere and is turned anyhow, within probing depth; tuned to nothing"
)


def range_text(found: ReceiveRange) -> str:
    """Range, strip rules and pulses of one device."""
    depth = f", person {found.depth_m:g} m down" if found.depth_m else ""
    head = (
        f"Receive range: greatest {found.max_range_m:g} m in line with the transmitter (sd {found.sd_m:g} m), "
        f"{found.antennas} antenna{'s' if found.antennas > 1 else ''}{depth}"
    )
    reach = table(
        ("share of transmitters", "reach on the snow at most"),
        [(_share_words(share), f"{value:.1f} m") for share, value in found.reach_m],
    )
    rules = table(
        ("rule", "strip width", "less depth", "year", "formula; what it rests on; source"),
        [_rule_row(found, i) for i in range(len(found.rules))],
    )
    whose = "your own" if found.width_given else "no width given: the one most often taught, 20 to 50 m in handbooks"
    used = (
        f"Strip width used: {found.width_m:g} m ({whose}). Transmitters that half a strip does not reach, ideal dipole "
        f"and spread between devices: {percent(found.out_of_range, 1)}; of real sets more."
    )
    pulses = (
        f"Speed: at {found.speed_m_s:g} m/s and a pulse every {found.period_s:g} s a searcher half a strip beside a "
        f"transmitter at right angles hears {found.pulses:.1f} pulses; {LEAST_PULSES:g} are still heard at "
        f"{found.fastest_m_s:.0f} m/s."
    )
    notes = (
        "Reach: ideal magnetic dipole pointing anywhere in space, ideal three-axis receiver; real sets reach less.",
        "The rules differ on purpose: narrow misses less, wide finds sooner. Your own width, from your device, wins.",
        used,
        pulses,
    )
    return paragraphs(head, reach, rules, bullets(notes))


def _share_words(share: float) -> str:
    return {0.0: "none (the worst direction)", 1.0: "all (the best direction)"}.get(share, percent(share))


def _rule_row(found: ReceiveRange, number: int) -> tuple[str, ...]:
    rule = found.rules[number]
    width = metres(rule.width_m.low, rule.width_m.high) if rule.width_m else "no data"
    less = metres(rule.with_depth_m.low, rule.with_depth_m.high) if rule.with_depth_m else "no data"
    year = str(rule.year) if rule.year else "no date"
    return rule.name, width, less, year, f"{rule.formula}; {rule.note}; {rule.source} [{rule.confidence}]"


def clock_text(clock: RescueClock) -> str:
    """Phases, ends and survival."""
    rows = [
        (phase.letter or "-", phase.name, _minutes(phase.time_s.three), _minutes(end.three),
         f"{phase.basis} [{phase.confidence}]")
        for phase, end in zip(clock.phases, clock.ends_s, strict=True)
    ]  # fmt: skip
    phases = table(("", "phase", "low / typical / high", "ends after", "what it rests on"), rows)
    survival = table(
        ("", "minutes", "alive when free"),
        [
            (name, f"{time / 60.0:.0f}", _survival_words(bounds))
            for name, time, bounds in zip(
                ("low", "typical", "high"), clock.total_s.three, clock.survival_percent, strict=True
            )
        ],
    )
    curve = clock.curve
    source = f"Survival: {curve.name}, {curve.title}. {curve.source} [{curve.confidence}]."
    return paragraphs(
        "Clock: from the accident to head and chest free", phases, survival,
        bullets((source, f"Phases: {PHASES_SOURCE}.", *clock.notes)),
    )  # fmt: skip


def _minutes(three: tuple[float, float, float]) -> str:
    return " / ".join(f"{one / 60.0:.1f}" for one in three) + " min"


def areas_text(
    order: Sequence[Ranked],
    best: Sequence[Ranked] | None,
    belief: tuple[Sequence[SubArea], float, float],
    curve: SurvivalCurve,
) -> str:
    """Order of search for few people, the best of all orders, and what to believe when all was in vain."""
    after, outside, found = belief
    new = {area.name: area.poa for area in after}
    rows = [
        (f"{number}", one.area.name, percent(one.area.poa, 1), percent(one.poa_now, 1), percent(one.area.pod),
         percent(one.area.survivable), f"{one.from_minute:.0f} to {one.to_minute:.0f} min",
         _survival_words(one.survival_percent), f"{one.gain_per_minute:.2f}", percent(new[one.area.name], 1))
        for number, one in enumerate(order, start=1)
    ]  # fmt: skip
    head = (
        "", "area", "POA", "POA then", "POD", "survivable", "searched", "alive when free", "% per min", "POA after all",
    )  # fmt: skip
    formula = (
        f"Order: {RANKING_FORMULA}. Survivable ground first (Canadian avalanche search course notes); the shares are "
        "your own weights, no source gives any."
    )
    in_vain = (
        f"All searches together find the person with {percent(found, 1)}; after all in vain, "
        f"{percent(outside, 1)} of the POA lie outside of all areas (Bayes)."
    )
    notes = (
        formula,
        _best_words(order, best),
        in_vain,
        f"Survival: {curve.name}, {curve.title}. {curve.source} [{curve.confidence}]. Averages over many burials.",
    )
    return paragraphs("Parts of the debris in order of search", table(head, rows), bullets(notes))


def _best_words(order: Sequence[Ranked], best: Sequence[Ranked] | None) -> str:
    chance = saved_percent(order)
    words = f"Found alive in this order: {chance:.1f} % (where survival is no data, the middle of its bounds)."
    if best is None:
        return f"{words} Too many areas to try all orders."
    if saved_percent(best) < chance + 0.05:
        return f"{words} No other order gives more."
    names = ", ".join(one.area.name for one in best)
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
        head, spiral_table, "Probe lines as published (spacing along the line x from step to step)", lines,
        wrapped(_GEOMETRY), computed, _work_table(plans), bullets(notes),
    )  # fmt: skip


def _line_row(plan: LinePlan) -> tuple[str, ...]:
    line = plan.line
    density = holes_per_100_m2(line.across_m, line.along_m)
    return (
        line.name, f"{line.across_m:.2f} x {line.along_m:.2f} m", f"{density:.0f}",
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
            ("one for 0.8 m", str(dig.needed["scheme"]), str(dig.diggers), str(dig.missing["scheme"]), SCHEME_SOURCE),
            (
                "one for a metre, 2023",
                str(dig.needed["2023"]),
                str(dig.diggers),
                str(dig.missing["2023"]),
                UPDATE_SOURCE,
            ),
        ],
    )
    starts = table(
        ("begin", "year", "rule and source"),
        [(_below(rule.downhill_m), str(rule.year) if rule.year else "no date", f"{rule.words} ({rule.source})")
         for rule in dig.starts],
    )  # fmt: skip
    order = "; ".join(f"{4 * turn} min: {' '.join(map(str, people))}" for turn, people in enumerate(dig.order))
    return paragraphs(head, needed, starts, f"Turns, front first: {order}", bullets(dig.notes))


def _below(downhill_m: tuple[float, float] | None) -> str:
    if downhill_m is None:
        return "in steps"
    return "at the probe" if downhill_m[1] == 0.0 else f"{metres(*downhill_m, digits=2)} below the probe"
