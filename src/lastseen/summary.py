"""What a person reads in ten seconds: a plan in a dozen lines, the checks as a table."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lastseen.check import Outcome
from lastseen.products import plan_numbers
from lastseen.products.caution import SHORT_CAUTION
from lastseen.traps import WEIGHT_FORMULA, shares_sentence
from lastseen.trapview import TrapView
from lastseen.wording import percent, short_percent

Numbers = Mapping[str, Any]

MOST_TRAPS = 4
MOST_LISTED, MOST_AREAS = 40, 8  # in the table of traps


def plan_summary(numbers: Numbers, folder: Path) -> str:
    """A plan or a drawn search in a dozen lines.

    Parameters
    ----------
    numbers : mapping
        As in ``plan.json`` or ``search.json``.
    folder : Path
        Where it lies.
    """
    lines = [numbers["name"] or "Plan"]
    if numbers.get("last_seen"):
        known = numbers["last_seen"]
        lon, lat = known["lonlat"]
        lines.append(_line("Last seen", f"{lon:.6f},{lat:.6f}   {known['utm']}   {known['mgrs']}"))
    if numbers.get("model"):
        lines += _model_lines(numbers)
    lines.append(_line("Debris", _debris_text(numbers)))
    lines += _search_lines(numbers)
    lines += [_line("Note" if i == 0 else "", note) for i, note in enumerate(numbers["notes"])]
    lines += ["", *textwrap.wrap(SHORT_CAUTION, 110), "", f"Written to {folder}"]
    return "\n".join(lines)


def trap_table(view: TrapView, folder: Path | None) -> str:
    """Traps and release areas as a table, the reason of each beside it."""
    lines = [view.scenario.name or "Terrain traps"]
    if view.plan is None:
        lines.append(f"{len(view.traps)} traps, {len(view.areas)} release areas on the whole elevation model")
    elif view.plan.model is not None:
        lines += _release_lines(plan_numbers(view.plan))
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


def _middle(values: Numbers, unit: str) -> str:
    return f"{values['p50']:.0f} {unit} ({values['p10']:.0f} to {values['p90']:.0f})"


def _release_lines(numbers: Numbers) -> list[str]:
    release, runout = numbers["release"], numbers["runout"]
    slab = f"{release['area_m2']:,.0f} m2 at {release['slope_deg']:.0f} degrees, slab {release['thickness_m']:.2f} m"
    travel = (
        f"travel angle {_middle(runout['travel_angle_deg'], 'degrees')}, length {_middle(runout['length_m'], 'm')}; "
        "median, P10 to P90"
    )
    return [_line("Release", f"{slab}. {release['reason']}"), _line("Run-out", travel)]


def _model_lines(numbers: Numbers) -> list[str]:
    poa, traps = numbers["poa"], numbers["traps"]
    lines = [*_release_lines(numbers), _line("", _envelope_text(numbers["envelope"]))]
    inside = f"{percent(poa['inside_debris'])} of the probability lies inside the debris outline, the rest outside it"
    lines.append(_line("Person", inside))
    if poa["burial"] is not None:
        lines.append(_line("Burial", _burial_text(poa["burial"])))
    met = [trap for trap in traps if trap["person_passes"] > 0]
    if not met:
        lines.append(_line("Traps", f"none that the person reaches, {len(traps)} on ground that the snow can reach"))
    for i, trap in enumerate(met[:MOST_TRAPS]):
        text = (
            f"{trap['letter']}{trap['number']} ({', '.join(trap['consequences'])}) {trap['reason']} "
            f"Passed by {percent(trap['person_passes'])}, ended in by {percent(trap['person_ends'])}."
        )
        lines.append(_line("Traps" if i == 0 else "", text))
    if len(met) > MOST_TRAPS:
        lines.append(_line("", f"and {len(met) - MOST_TRAPS} more, see plan.json"))
    return lines


def _burial_text(burial: Numbers) -> str:
    deeper = ", ".join(f"{percent(one['share'])} deeper than {one['depth_m']:g} m" for one in burial["deeper"])
    deep = ""
    if burial["fully"] > 0:
        deep = f"; fully buried: P50 {burial['fully_p50_m']:.1f} m, P90 {burial['fully_p90_m']:.1f} m"
    return f"{percent(burial['fully'])} fully buried, {deeper}{deep}"


def _envelope_text(envelope: Numbers) -> str:
    if not envelope["ends"]:
        return f"Statistical run-out: {envelope['note']}"
    end = envelope["ends"][0]
    known = end["distance_m"] is not None
    where = f"{end['distance_m']:,.0f} m from the top" if known else "beyond the profile"
    return (
        f"Outer envelope, extreme events ({end['name']}): alpha {end['alpha_deg']:.0f} degrees "
        f"(SD {end['sd_deg']:g}), {where}"
    )


def _debris_text(numbers: Numbers) -> str:
    debris = numbers["debris"]
    area = f"{debris['area_m2']:,.0f} m2"
    if not numbers.get("model"):
        return f"observed outline of {area}"
    level = f"debris in at least {short_percent(debris['level'])} of the events"
    if debris["widened"]:
        return f"{area} to search: {level}, widened to 90 % of the POA"
    return f"{area} carry {level}"


def _minutes(legs: list[Numbers]) -> str:
    seconds = sum(leg["time_s"] for leg in legs)
    return f"{seconds / 60:.0f} min" if seconds >= 120 else f"{seconds:.0f} s"


def _search_lines(numbers: Numbers) -> list[str]:
    search, coverage, count = numbers["search"], numbers["coverage"], len(numbers["lanes"])
    lanes = "1 lane" if count == 1 else f"{count} lanes"
    text = (
        f"{lanes} {search['way']}, strips of {coverage['strip_width_m']:g} m on the snow, "
        f"{percent(coverage['fraction'], 1)} of the debris in range, {coverage['uncovered_m2']:,.0f} m2 left"
    )
    lines = [_line("Search", text)]
    for searcher in range(1, search["searchers"] + 1):
        legs = [leg for leg in numbers["route"] if leg["searcher"] == searcher]
        there = [leg for leg in legs if leg["kind"] == "approach"]
        walk = [leg for leg in legs if leg["kind"] != "approach"]
        if not walk:
            lines.append(_line("", f"Searcher {searcher}: no lane of their own, probe and shovel ready"))
            continue
        lines.append(
            _line(
                "",
                f"Searcher {searcher}: {sum(leg['length_m'] for leg in walk):,.0f} m in "
                f"{_minutes(walk)} on foot; approach {sum(leg['length_m'] for leg in there):,.0f} m, {_minutes(there)}",
            )
        )
    return lines
