"""What a person reads in ten seconds: a plan in a dozen lines, the checks as a table."""

from __future__ import annotations

import math
import textwrap
from pathlib import Path

from lastseen.check import Outcome
from lastseen.deposit import Burial
from lastseen.motion.runout import Range
from lastseen.plan import Model, Plan
from lastseen.products.caution import SHORT_CAUTION
from lastseen.search import Leg
from lastseen.traps import WEIGHT_FORMULA, shares_sentence
from lastseen.trapview import TrapView

MOST_TRAPS = 4
MOST_LISTED, MOST_AREAS = 40, 8  # in the table of traps


def plan_summary(plan: Plan, folder: Path) -> str:
    """A plan in a dozen lines."""
    lines = [plan.scenario.name or "Plan"]
    if plan.place:
        known = plan.place.notations()
        lines.append(_line("Last seen", f"{known['lonlat']}   {known['utm']}   {known['mgrs']}"))
    if plan.model:
        lines += _model_lines(plan.model)
    lines.append(_line("Debris", _debris_text(plan)))
    lines += _search_lines(plan)
    lines += [_line("Note" if i == 0 else "", note) for i, note in enumerate(plan.notes)]
    lines += ["", *textwrap.wrap(SHORT_CAUTION, 110), "", f"Written to {folder}"]
    return "\n".join(lines)


def trap_table(view: TrapView, folder: Path | None) -> str:
    """Traps and release areas as a table, the reason of each beside it."""
    lines = [view.scenario.name or "Terrain traps"]
    if view.plan is None:
        lines.append(f"{len(view.traps)} traps, {len(view.areas)} release areas on the whole elevation model")
    elif view.plan.model is not None:
        lines += _model_lines(view.plan.model)[:2]
    for trap in view.traps[:MOST_LISTED]:
        head = f"{trap.letter}{trap.number} {trap.kind} ({', '.join(trap.consequences)}), weight {trap.weight:.3f}. "
        shares = f" {shares_sentence(trap)}" if view.plan is not None else ""
        lines.append(_line(f"{trap.letter}{trap.number}", f"{head.split(' ', 1)[1]}{trap.reason}{shares}"))
    if len(view.traps) > MOST_LISTED:
        lines.append(_line("", f"and {len(view.traps) - MOST_LISTED} more: write them with -o, or give --json"))
    lines += ["", _line("Order", WEIGHT_FORMULA), ""]
    lines += _area_lines(view)
    lines += [_line("Note" if i == 0 else "", note) for i, note in enumerate(view.notes)]
    lines += ["", *textwrap.wrap(SHORT_CAUTION, 110)]
    return "\n".join([*lines, "", f"Written to {folder}"] if folder is not None else lines)


def _area_lines(view: TrapView) -> list[str]:
    """The largest release areas; with a last-seen point those that its release lies in."""
    lines, own = [], view.own_areas
    for one in own[:MOST_AREAS]:
        volumes = " / ".join(f"{volume:,.0f}" for volume in one.volume_m3)
        text = (
            f"{one.area_m2:,.0f} m2 on the slope, {one.slope_deg:.0f} degrees, faces {one.aspect_deg:03.0f}, "
            f"{one.width_m:,.0f} m wide, {one.length_m:,.0f} m long, grade {one.grade:.2f}; size 1 / 2 / 3 / 4 "
            f"releases {volumes} m3"
        )
        lines.append(_line(f"Area {one.number}", text))
    if len(own) > MOST_AREAS:
        lines.append(_line("", f"and {len(own) - MOST_AREAS} smaller release areas"))
    return lines


def check_table(outcomes: list[Outcome]) -> str:
    """The checks as a table, and how many passed."""
    head = ("id", "quantity", "expected", "got", "tolerance", "unit", "confidence", "source")
    rows = [
        (one.id, one.quantity, f"{one.expected:.6g}", f"{one.got:.6g}", f"{one.tolerance:.2g}", one.unit,
         one.confidence, one.source if one.ok else f"FAILED  {one.source}")
        for one in outcomes
    ]  # fmt: skip
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head) - 1)]
    lines = ["  ".join([*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), row[-1]])
             for row in [head, *rows]]  # fmt: skip
    passed = sum(one.ok for one in outcomes)
    return "\n".join([*lines, "", f"{passed} of {len(outcomes)} reference values agree"])


def _line(label: str, text: str) -> str:
    return "\n".join(textwrap.wrap(text, 110, initial_indent=f"{label:<12}", subsequent_indent=" " * 12))


def _middle(values: Range, unit: str) -> str:
    return f"{values.p50:.0f} {unit} ({values.p10:.0f} to {values.p90:.0f})"


def _model_lines(model: Model) -> list[str]:
    release, runout = model.release, model.runout
    slab = f"{release.area_m2:,.0f} m2 at {release.slope_deg:.0f} degrees, slab {release.thickness_m:.2f} m"
    travel = (
        f"travel angle {_middle(runout.travel_angle_deg, 'degrees')}, length {_middle(runout.length_m, 'm')}; "
        "median, P10 to P90"
    )
    lines = [_line("Release", f"{slab}. {release.reason}"), _line("Run-out", travel), _line("", _envelope_text(model))]
    person = f"{model.person.inside_debris:.0%} of the probability lies inside the debris outline, the rest outside it"
    lines.append(_line("Person", person))
    if model.person.burial is not None:
        lines.append(_line("Burial", _burial_text(model.person.burial)))
    met = [trap for trap in model.traps if trap.person_passes > 0]
    if not met:
        lines.append(
            _line("Traps", f"none that the person reaches, {len(model.traps)} on ground that the snow can reach")
        )
    for i, trap in enumerate(met[:MOST_TRAPS]):
        text = (
            f"{trap.letter}{trap.number} ({', '.join(trap.consequences)}) {trap.reason} "
            f"Passed by {trap.person_passes:.0%}, ended in by {trap.person_ends:.0%}."
        )
        lines.append(_line("Traps" if i == 0 else "", text))
    if len(met) > MOST_TRAPS:
        lines.append(_line("", f"and {len(met) - MOST_TRAPS} more, see plan.json"))
    return lines


def _burial_text(burial: Burial) -> str:
    deeper = ", ".join(f"{share:.0%} deeper than {depth:g} m" for depth, share in burial.deeper)
    deep = f"; fully buried: P50 {burial.p50_m:.1f} m, P90 {burial.p90_m:.1f} m" if burial.fully > 0 else ""
    return f"{burial.fully:.0%} fully buried, {deeper}{deep}"


def _envelope_text(model: Model) -> str:
    found = model.envelope
    if not found.ends:
        return f"Statistical run-out: {found.note}"
    name, alpha_deg, sd_deg, distance_m, _ = found.ends[0]
    where = f"{distance_m:,.0f} m from the top" if math.isfinite(distance_m) else "beyond the profile"
    return f"Outer envelope, extreme events ({name}): alpha {alpha_deg:.0f} degrees (SD {sd_deg:g}), {where}"


def _debris_text(plan: Plan) -> str:
    if plan.model is None:
        return f"observed outline of {plan.debris.area_m2:,.0f} m2"
    if plan.debris.widened:
        return (
            f"{plan.debris.area_m2:,.0f} m2 to search: debris in at least {100 * plan.debris.level:g} % of the events, "
            "widened to 90 % of the POA"
        )
    return f"{plan.debris.area_m2:,.0f} m2 carry debris in at least {100 * plan.debris.level:g} % of the events"


def _minutes(legs: list[Leg]) -> str:
    seconds = sum(leg.time_s for leg in legs)
    return f"{seconds / 60:.0f} min" if seconds >= 120 else f"{seconds:.0f} s"


def _search_lines(plan: Plan) -> list[str]:
    search = plan.search
    lanes = "1 lane" if len(search.lanes) == 1 else f"{len(search.lanes)} lanes"
    text = (
        f"{lanes} {search.way}, strips of {search.strip_width_m:g} m on the snow, "
        f"{search.coverage.fraction:.1%} of the debris in range, {search.coverage.uncovered_m2:,.0f} m2 left"
    )
    lines = [_line("Search", text)]
    for searcher in range(1, search.searchers + 1):
        legs = [leg for leg in search.legs if leg.searcher == searcher]
        there = [leg for leg in legs if leg.kind == "approach"]
        walk = [leg for leg in legs if leg.kind != "approach"]
        if not walk:
            lines.append(_line("", f"Searcher {searcher}: no lane of their own, probe and shovel ready"))
            continue
        lines.append(
            _line(
                "",
                f"Searcher {searcher}: {sum(leg.length_m for leg in walk):,.0f} m in "
                f"{_minutes(walk)} on foot; approach {sum(leg.length_m for leg in there):,.0f} m, {_minutes(there)}",
            )
        )
    lines += [_line("", note) for note in search.notes]
    return lines
