"""What a reading says, in the words of the trade and plain sentences. Facts of the model, no advice to go or not."""

from __future__ import annotations

import math
from collections.abc import Sequence

from lastseen.core import depth_text, percent
from lastseen.jobs.reading.line import LineReading, ZoneOnLine
from lastseen.jobs.reading.regroup import Regroup
from lastseen.jobs.reading.stretches import CONSEQUENCES, LEAST_SHARE, Stretch, TrapMet
from lastseen.traps import LETTERS

NOT_REACHED = "No start zone in this model reaches it"
CONSEQUENCE_NAMES = {"burial": "burial", "trauma": "trauma", "water": "water", "no_way_out": "no way out"}
MOST_NAMED_ZONES = 4


def consequence_text(stretch: Stretch) -> str:
    """What somebody caught here meets, the likeliest first: ``burial 85 %, trauma 40 %``; empty where none."""
    shares = [(name, float(getattr(stretch, name))) for name in CONSEQUENCES]
    shares = sorted((one for one in shares if one[1] >= LEAST_SHARE), key=lambda one: -one[1])
    return ", ".join(f"{CONSEQUENCE_NAMES[name]} {percent(share)}" for name, share in shares)


def trap_name(reading: LineReading, met: TrapMet) -> str:
    """A trap as the map names it, such as ``gully G1``."""
    return f"{met.trap.kind} {trap_sign(reading, met)}"


def trap_sign(reading: LineReading, met: TrapMet) -> str:
    """Letter and number of a trap on the map."""
    number = next(k for k, trap in enumerate(reading.traps, start=1) if trap is met.trap)
    return f"{LETTERS[met.trap.kind]}{number}"


def zones_above(reading: LineReading, stretch: Stretch) -> list[tuple[ZoneOnLine, float]]:
    """Start zones that can reach a stretch, with the share of events in which they do."""
    by_name = {(zone.block, zone.in_block): zone for zone in reading.zones}
    return [(by_name[zone.block, zone.number], zone.share) for zone in stretch.zones]


def zones_text(reading: LineReading, stretch: Stretch) -> str:
    """``Z3 94 %, Z7 20 % and 2 more``."""
    found = zones_above(reading, stretch)
    text = ", ".join(f"Z{zone.number} {percent(share)}" for zone, share in found[:MOST_NAMED_ZONES])
    return text + (f" and {len(found) - MOST_NAMED_ZONES} more" if len(found) > MOST_NAMED_ZONES else "")


def heading(stretch: Stretch) -> str:
    """Where a stretch lies, from both ends of the line."""
    return f"{stretch.from_m:.0f} to {stretch.to_m:.0f} m ({stretch.to_end_m:.0f} m to the end)"


def stretch_sentence(reading: LineReading, stretch: Stretch) -> str:
    """All that is said about a stretch."""
    slope = f"{stretch.slope_deg:.0f}° here" if math.isfinite(stretch.slope_deg) else ""
    if stretch.state == "no data":
        return "No data: nothing is known about the ground here, or about what stands above it."
    if stretch.state == "not reached":
        return f"{NOT_REACHED}; {slope}."
    ground = slope
    if stretch.in_start_zone >= LEAST_SHARE:
        ground += f", start-zone terrain itself on {percent(stretch.in_start_zone)} of it"
    if stretch.state == "starts here":
        come = "Nothing comes from above in this model; snow can start here."
    else:
        come = f"Snow comes from above in {percent(stretch.exposure)} of the events"
        come += f" ({zones_text(reading, stretch)})." if stretch.zones else "."
    return f"{ground}. {come} {caught_text(reading, stretch)}".strip()


def caught_text(reading: LineReading, stretch: Stretch) -> str:
    """What happens to somebody caught here."""
    if not stretch.caught:
        return ""
    parts = []
    if math.isfinite(stretch.distance_m[1]):
        parts.append(
            f"carried {_round(stretch.distance_m[1])} m ({_round(stretch.distance_m[0])} to "
            f"{_round(stretch.distance_m[2])}), {_round(stretch.drop_m[1])} m down"
        )
    if stretch.traps:
        parts.append("; ".join(_trap_text(reading, met) for met in stretch.traps[:2]))
    if math.isfinite(stretch.debris_m[1]):
        parts.append(
            f"debris {depth_text(stretch.debris_m[1])} thick where one stops (to {depth_text(stretch.debris_m[2])})"
        )
    if stretch.leaves >= LEAST_SHARE:
        parts.append(f"{percent(stretch.leaves)} leave the elevation model")
    text = consequence_text(stretch)
    return f"Caught here: {', '.join(parts)}. {text[:1].upper() + text[1:] + '.' if text else ''}".strip()


def _trap_text(reading: LineReading, met: TrapMet) -> str:
    passed = "over" if "trauma" in met.trap.consequences and met.ends < 0.5 * met.passes else "into"
    share = max(met.ends, met.passes)
    return f"{passed} {trap_name(reading, met)} ({percent(share)})"


def short_stretch_sentence(stretch: Stretch) -> str:
    """One short sentence, for a waypoint."""
    if stretch.state == "no data":
        return "No data from here."
    if stretch.state == "not reached":
        return f"{NOT_REACHED}."
    come = "snow can start here" if stretch.state == "starts here" else f"reached in {percent(stretch.exposure)}"
    worst = stretch.worst
    trap = f", {stretch.traps[0].trap.kind} below" if stretch.traps else ""
    far = f", carried {_round(stretch.distance_m[1])} m" if math.isfinite(stretch.distance_m[1]) else ""
    return f"{come[:1].upper()}{come[1:]}{far}{trap}{': ' + CONSEQUENCE_NAMES[worst] if worst else ''}."


def regroup_sentence(place: Regroup) -> str:
    """Why a place is told."""
    edge = f"; {place.edge} {_round(place.edge_m)} m away" if place.edge else ""
    where = "on the line" if place.beside_m < 5.0 else f"{place.beside_m:.0f} m beside the line"
    return (
        f"{NOT_REACHED}: {where}, {_round(place.area_m2)} m2, {place.slope_deg:.0f} degrees, "
        f"{_round(place.clear_m)} m from ground that snow crosses{edge}."
    )


def _round(value: float) -> str:
    """Two digits say all that such a model knows."""
    if abs(value) < 10.0:
        return f"{value:.0f}"
    step = 10 ** max(0, math.floor(math.log10(abs(value))) - 1)
    return f"{round(value / step) * step:.0f}"


def table_rows(reading: LineReading) -> tuple[Sequence[str], list[list[str]]]:
    """The table of stretches as text."""
    head = (
        "stretch",
        "from m",
        "to m",
        "to end m",
        "slope",
        "reached",
        "start zones",
        "carried m",
        "down m",
        "debris m",
        "what somebody caught here meets",
    )
    rows = []
    for stretch in reading.stretches:
        some = stretch.caught > 0
        traps = ", ".join(trap_name(reading, met) for met in stretch.traps[:2])
        text = "; ".join(text for text in (consequence_text(stretch), traps) if text)
        what = {"no data": "no data", "not reached": "no start zone in this model reaches it"}.get(
            stretch.state, text or "-"
        )
        rows.append(
            [
                str(stretch.number),
                f"{stretch.from_m:.0f}",
                f"{stretch.to_m:.0f}",
                f"{stretch.to_end_m:.0f}",
                f"{stretch.slope_deg:.0f}°" if math.isfinite(stretch.slope_deg) else "-",
                percent(stretch.exposure) if stretch.state != "no data" else "-",
                zones_text(reading, stretch) or "-",
                _round(stretch.distance_m[1]) if some and math.isfinite(stretch.distance_m[1]) else "-",
                _round(stretch.drop_m[1]) if some and math.isfinite(stretch.drop_m[1]) else "-",
                f"{stretch.debris_m[1]:.1f}" if some and math.isfinite(stretch.debris_m[1]) else "-",
                what,
            ]
        )
    return head, rows
