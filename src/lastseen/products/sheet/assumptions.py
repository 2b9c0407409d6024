"""What a plan rests on: inputs, ranges, numbers of the model, and the published sources."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lastseen.products.mapsheet.panel import Item, Pen
from lastseen.products.mapsheet.shown import Shown
from lastseen.products.sheet.craft import Rescue
from lastseen.search.phases import PHASES_SOURCE
from lastseen.search.shovelling import SCHEME_SOURCE, UPDATE_SOURCE
from lastseen.wording import short_percent

HANG = 20.0


def assumption_items(pen: Pen, shown: Shown) -> list[Item]:
    """Name and value, a line each."""
    numbers = shown.numbers
    rows = [*_ground_rows(numbers, flat=shown.flat), *(_model_rows(numbers) if shown.modelled else [])]
    rows += [*_search_rows(numbers), ("Seed", f"{numbers['seed']}; lastseen {numbers['program']['version']}")]
    found = [pen.heading("Assumptions")]
    for name, value in rows:
        found += pen.paragraph(value, hang=HANG, mark=name)
    return found


def _ground_rows(numbers: Mapping[str, Any], *, flat: bool) -> list[tuple[str, str]]:
    grid = numbers["grid"]
    rows = []
    for one in numbers["inputs"]:
        check = f", SHA-256 {one['sha256'][:12]}…" if one["sha256"] else ""
        rows.append((one["role"].replace("_", " ").capitalize(), f"{one['name']}{check}"))
    height = "no elevation was given: the ground is taken as flat" if flat else f"cells of {grid['cell_m']:g} m"
    return [*rows, ("Ground", f"{height}, {grid['crs_name']}")]


def _model_rows(numbers: Mapping[str, Any]) -> list[tuple[str, str]]:
    model, snow, release = numbers["model"], numbers["scenario"]["snow"], numbers["release"]
    run, envelope = numbers["runout"], numbers["envelope"]
    unfinished = f", {model['unfinished']} of them not at rest in time" if model["unfinished"] else ""
    rows = [
        ("Release", f"{release['reason']} {release['area_m2']:.0f} m² on the slope, {release['volume_m3']:.0f} m³"),
        ("Model", f"{model['reason']}; {model['events']} events{unfinished}"),
        ("Friction", f"{_range(model['friction'])} (literature range, not calibrated)"),
        ("Turbulence", f"{_range(snow['turbulence_m_s2'])} m/s²"),
        ("Growth", f"{_range(snow['growth'])} times the released snow taken along"),
    ]
    if model["name"] == "flow":
        rows.append(("Cohesion", f"{_range(snow['cohesion_pa'])} Pa (design choice)"))
    rows += [
        ("Run-out", f"{_spread(run['length_m'], 'm')}, drop {_spread(run['drop_m'], 'm')} (P10, P50, P90)"),
        ("Fastest", f"{_spread(run['fastest_m_s'], 'm/s')}"),
    ]
    if envelope and envelope["ends"]:
        ends = "; ".join(
            f"alpha {one['alpha_deg']:.0f}° ± {one['sd_deg']:g}°, {one['name']}" for one in envelope["ends"]
        )
        rows.append(("Envelope", f"{ends}: extreme events"))
    return rows


def _search_rows(numbers: Mapping[str, Any]) -> list[tuple[str, str]]:
    trials = numbers["search"]["trials"]
    rows = []
    for name, one in zip(("Simulated", "Next best"), trials, strict=False):
        first = [f"{one['first_signal_s'][key] / 60:.0f}" if one["first_signal_s"][key] is not None else "not heard"
                 for key in ("p10", "p50", "p90")]  # fmt: skip
        pod = short_percent(round(one["pod"], 2))
        after = f"first signal {' / '.join(first)} min after the start (P10, P50, P90)"
        rows.append((name, f"lanes {one['words']}: {after}, POD {pod}"))
    return rows


def _range(values: Any) -> str:
    return f"{values[0]:g} to {values[-1]:g}" if isinstance(values, (list, tuple)) else f"{values:g}"


def _spread(one: Mapping[str, float], unit: str) -> str:
    return f"{one['p10']:.0f}, {one['p50']:.0f}, {one['p90']:.0f} {unit}"


def sources(shown: Shown, case: Rescue) -> list[str]:
    """Published sources of the numbers on this sheet."""
    numbers = shown.numbers
    found = ["Walking: W. Tobler 1993, NCGIA Technical Report 93-1, off the path"]
    if numbers["search"]["declination_deg"] is not None:
        found.append("Magnetic north: NOAA and British Geological Survey, World Magnetic Model 2025")
    if case.clock is not None:
        curve = case.clock.curve
        found += [f"Phases: {PHASES_SOURCE}; times without a source are from memory or design choices"]
        found += [f"Survival: {curve.title}, {curve.source}"]
    found.append(f"Digging: {SCHEME_SOURCE}; {UPDATE_SOURCE}")
    found.append("Probing: Genswein, bergundsteigen; ICAR REC 0011 (2015); Auger & Jamieson 1996, ISSW")
    if shown.modelled:
        found.append("Slab by slope: Salm, Burkard & Gubler 1990; friction: Voellmy 1955")
        found += [f"Envelope, {one['name']}: {one['source']}" for one in (numbers["envelope"] or {}).get("ends", ())]
    return found
