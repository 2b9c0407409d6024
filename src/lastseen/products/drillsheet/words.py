"""What the pages of a debrief say."""

from __future__ import annotations

import math

from lastseen.drill.debrief import Debrief, Searcher, clock_text
from lastseen.products.drillsheet.base import Column

HONEST = "19 in 20; a track shows where a phone was, not what its owner heard."


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def own_numbers(made: Debrief, one: Searcher) -> list[str]:
    band = one.band
    told = [
        f"Surely {_percent(band.sure)}, perhaps {_percent(band.perhaps)}, not {_percent(band.none)} of the outline ({HONEST})",
        f"{100 * band.half:.1f} % within half a strip of the track at its word; the plan of the whole team: "
        f"{100 * made.plan.coverage:.1f} %.",
    ]
    for speed in one.speeds:
        told.append(
            f"{speed.part[0].upper()}{speed.part[1:]}: {speed.metres:.0f} m in {clock_text(speed.seconds)}, {speed.m_s:.1f} m/s."
        )
    for s in one.signals:
        when = "never possible" if not math.isfinite(s.first_s) else f"possible from {clock_text(s.first_s)}"
        when += f", likely {clock_text(s.likely_s)}" if math.isfinite(s.likely_s) else ""
        noted = f", noted {clock_text(s.noted_s)}" if math.isfinite(s.noted_s) else ""
        told.append(f"{s.target}: first signal {when}{noted}: {s.words}{'' if s.words.endswith('?') else '.'}")
    return told


def lane_words(made: Debrief, one: Searcher) -> list[str]:
    told = []
    margin = made.radii.gps_m
    for lane in made.lanes.lanes:
        if lane.track != one.track.name:
            continue
        told.append(
            f"Lane {lane.lane} (planned for S{lane.planned_searcher}): {_percent(lane.walked)} walked, {lane.offset_m:.0f} m beside it on average."
        )
        for turn in made.lanes.turns:
            if turn.lane == lane.lane and turn.short_m > margin:
                told.append(
                    f"Lane {turn.lane}, {turn.end}: turned {turn.short_m:.0f} m short, {turn.walked_edge_m:.0f} m from the edge "
                    f"(planned {max(0.0, turn.planned_edge_m):.0f} m)."
                )
    mine = {lane.lane for lane in made.lanes.lanes if lane.track == one.track.name}
    told += _spacing_words(made, mine)
    if not told:
        told.append("No lane of the plan was followed.")
    told.append(f"Less than about {margin:.0f} m beside or short cannot be told from the GPS error.")
    return told


def _spacing_words(made: Debrief, lanes: set[int]) -> list[str]:
    told = []
    fuzz = math.sqrt(2.0) * made.radii.gps_m
    for one in made.lanes.spacings:
        if not lanes & set(one.lanes) or not math.isfinite(one.walked_m):
            continue
        off = one.widest_m - one.planned_m
        verdict = f"up to {one.widest_m:.0f} m: too wide" if off > fuzz else "no wider than the GPS error allows"
        told.append(
            f"Lanes {one.lanes[0]} and {one.lanes[1]}: {one.walked_m:.0f} m apart (planned {one.planned_m:.0f} m), {verdict}."
        )
    return told


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


def phase_rows(made: Debrief, one: Searcher) -> list[list[str]]:
    rows = []
    for phase in one.phases[:14]:
        low, high = phase.survival_percent
        alive = f"{high:.0f} %" if low == high else f"{low:.0f} to {high:.0f} %"
        planned = ", ".join(clock_text(value) for value in phase.planned_s) if phase.planned_s else ""
        took = clock_text(phase.took_s) if math.isfinite(phase.took_s) else "not known"
        rows.append(
            [
                phase.target,
                f"{phase.letter} {phase.name}",
                clock_text(phase.ended_s),
                took,
                planned,
                phase.verdict,
                alive,
            ]
        )
    if rows:
        rows.append(["", "survival:", "", "", made.clock.curve.title, made.clock.curve.name, "buried at 0:00"])
    return rows


def team_rows(made: Debrief) -> list[list[str]]:
    rows = []
    for one in made.searchers[:14]:
        lanes = [str(lane.lane) for lane in made.lanes.lanes if lane.track == one.track.name and lane.walked >= 0.5]
        ends = [phase for phase in one.phases if phase.letter != "A"]
        last = f"{ends[-1].letter} {clock_text(ends[-1].ended_s)}" if ends else ""
        span = (
            " to ".join(clock_text(float(one.time_s[k]) - made.zero_s) for k in (0, -1))
            if one.track.timed
            else "no times"
        )
        rows.append(
            [
                f"S{one.number} {one.track.name}", f"{one.metres:.0f}", span, f"{100 * one.band.sure:.0f}",
                f"{100 * one.band.perhaps:.0f}", f"{100 * one.band.half:.1f}", ", ".join(lanes), last,
            ]
        )  # fmt: skip
    band = made.band
    total = sum(one.metres for one in made.searchers)
    rows.append(
        ["together", f"{total:.0f}", "", f"{100 * band.sure:.0f}", f"{100 * band.perhaps:.0f}", f"{100 * band.half:.1f}", f"{_percent(made.lanes.walked)} of them", ""]
    )  # fmt: skip
    return rows


def team_numbers(made: Debrief) -> list[str]:
    band, left = made.band, made.leftover
    told = [
        f"Surely {_percent(band.sure)}, perhaps {_percent(band.perhaps)}, not {_percent(band.none)} of the outline ({HONEST})",
        f"Tracks at their word: {100 * band.half:.1f} % within half a strip; planned {100 * made.plan.coverage:.1f} %.",
        f"How likely somebody in it came into range: {_percent(left.found)} (perhaps counts half, design choice).",
    ]
    for hole in left.holes[:4]:
        told.append(
            f"Gap {hole.number}: {hole.area_m2:.0f} m², {_percent(hole.poa)} of the probability of area; {_percent(hole.missed)} of it out of range in any case."
        )
    if len(left.holes) > 4:
        told.append(f"{len(left.holes) - 4} smaller gaps in debrief.json.")
    if not left.holes:
        told.append("No gap larger than the square over a quarter of a strip.")
    after = left.poa_after
    told.append(
        f"If nobody was found, the probability now lies: {_percent(after[1])} in what is perhaps covered, {_percent(after[2])} in "
        f"what is not, {_percent(after[3])} outside the outline."
    )
    return told


def lane_summary(made: Debrief) -> list[str]:
    told = _spacing_words(made, {one.lane for one in made.lanes.lanes})[:3]
    short = [one for one in made.lanes.turns if one.short_m > made.radii.gps_m]
    if short:
        worst = max(short, key=lambda one: one.short_m)
        told.append(
            f"{len(short)} turn(s) short of the edge by more than the GPS error, the worst on lane {worst.lane} by {worst.short_m:.0f} m."
        )
    return told
