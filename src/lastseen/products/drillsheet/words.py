"""What the pages of a debrief say."""

from __future__ import annotations

import math
from collections.abc import Iterator

from lastseen.drill.debrief import Band, Debrief, Searcher, clock_text
from lastseen.drill.debrief.lanes import LEAST_WALKED, LaneReview
from lastseen.drill.debrief.times import PhaseTime, SignalTime
from lastseen.products.drillsheet.base import Column
from lastseen.wording import percent

HONEST = "19 times in 20. A track shows where a phone was, not what its owner heard."
MOST_ROWS, MOST_PHASES = 14, 9
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


def _band_words(band: Band) -> str:
    sure, perhaps, none = (percent(one) for one in (band.sure, band.perhaps, band.none))
    return f"Surely {sure}, perhaps {perhaps}, not {none} of the outline, {HONEST}"


def own_numbers(made: Debrief, one: Searcher) -> list[str]:
    """What one track covered, how fast, and when it could hear what."""
    planned = f"the plan of the whole team: {percent(made.plan.coverage, 1)}"
    told = [
        _band_words(one.band),
        f"{percent(one.band.half, 1)} within half a strip of the track at its word; {planned}.",
    ]
    told += [f"{part}: {way:.0f} m in {clock_text(lasts)}, {way / lasts:.1f} m/s." for part, way, lasts in _speeds(one)]
    return told + [_signal(one) for one in one.signals]


def _speeds(one: Searcher) -> list[tuple[str, float, float]]:
    """Parts with metres and seconds; the same phase of several targets together."""
    found: dict[str, tuple[float, float]] = {}
    for speed in one.speeds:
        name = speed.part.split(",", maxsplit=1)[0]
        way, lasts = found.get(name, (0.0, 0.0))
        found[name] = (way + speed.metres, lasts + speed.seconds)
    return [(f"{name[0].upper()}{name[1:]}", *both) for name, both in found.items()]


def _signal(one: SignalTime) -> str:
    when = f"possible from {clock_text(one.first_s)}" if math.isfinite(one.first_s) else "never possible"
    if math.isfinite(one.likely_s):
        when += f", likely {clock_text(one.likely_s)}"
    if math.isfinite(one.noted_s):
        when += f", noted {clock_text(one.noted_s)}"
    end = "" if one.words.endswith("?") else "."
    return f"{one.target}: first signal {when}: {one.words}{end}"


def lane_words(made: Debrief, one: Searcher) -> list[str]:
    """How one searcher's lanes were walked, and turned, and how far apart."""
    margin, mine, told = made.radii.gps_m, set(), []
    for lane in one.lanes.lanes:
        if lane.walked < LEAST_WALKED:
            continue
        mine.add(lane.lane)
        planned = f"Lane {lane.lane} (planned for S{lane.planned_searcher})"
        told.append(f"{planned}: {percent(lane.walked)} walked, {lane.offset_m:.0f} m beside it on average.")
        told += [
            f"Lane {turn.lane}, {turn.end}: turned {turn.short_m:.0f} m short, {turn.walked_edge_m:.0f} m from "
            f"the edge (planned {max(0.0, turn.planned_edge_m):.0f} m)."
            for turn in one.lanes.turns
            if turn.lane == lane.lane and turn.short_m > margin
        ]
    told += spacing_words(made, one.lanes, mine)
    if not told:
        told.append("No lane of the plan was followed.")
    told.append(f"Less than about {margin:.0f} m beside or short cannot be told from the GPS error.")
    return told


def spacing_words(made: Debrief, review: LaneReview, lanes: set[int]) -> list[str]:
    """Distances between neighbouring lanes of which one is among some."""
    told = []
    fuzz = math.sqrt(2.0) * made.radii.gps_m
    for one in review.spacings:
        if not lanes & set(one.lanes) or not math.isfinite(one.walked_m):
            continue
        wide = one.widest_m - one.planned_m > fuzz
        verdict = f"up to {one.widest_m:.0f} m: too wide" if wide else "no wider than the GPS error allows"
        between = f"Lanes {one.lanes[0]} and {one.lanes[1]}: {one.walked_m:.0f} m apart (planned {one.planned_m:.0f} m)"
        told.append(f"{between}, {verdict}.")
    return told


def phase_rows(made: Debrief, one: Searcher) -> list[list[str]]:
    """Phases as noted, and whose survival curve stands beside them; nothing where nobody noted any."""
    rows = [_phase_row(phase) for phase in one.phases[:MOST_PHASES]]
    if len(one.phases) > MOST_PHASES:
        rows.append(["", f"{len(one.phases) - MOST_PHASES} more: debrief.json", *[""] * 5])
    if rows:
        curve = made.clock.curve
        rows.append(["", "survival:", "", "", curve.title, curve.name, "buried at 0:00"])
    return rows


def _phase_row(phase: PhaseTime) -> list[str]:
    low, high = phase.survival_percent
    alive = f"{high:.0f} %" if low == high else f"{low:.0f} to {high:.0f} %"
    planned = ", ".join(clock_text(value) for value in phase.planned_s) if phase.planned_s else ""
    took = clock_text(phase.took_s) if math.isfinite(phase.took_s) else "not known"
    name = f"{phase.letter} {phase.name}"
    return [phase.target, name, clock_text(phase.ended_s), took, planned, phase.verdict, alive]


def team_rows(made: Debrief) -> list[list[str]]:
    """A line for each track, and one for all together."""
    rows = [_team_row(made, one) for one in made.searchers[:MOST_ROWS]]
    if len(made.searchers) > MOST_ROWS:
        rows.append([f"{len(made.searchers) - MOST_ROWS} more: debrief.json", *[""] * 7])
    total = sum(one.metres for one in made.searchers)
    lanes = f"{percent(made.lanes.walked)} of them"
    rows.append(["together", f"{total:.0f}", "", *_band_cells(made.band), lanes, ""])
    return rows


def _team_row(made: Debrief, one: Searcher) -> list[str]:
    lanes = [str(lane.lane) for lane in one.lanes.lanes if lane.walked >= 0.5]
    ends = [phase for phase in one.phases if phase.letter != "A"]
    last = f"{ends[-1].letter} {clock_text(ends[-1].ended_s)}" if ends else ""
    times = [clock_text(float(one.time_s[k]) - made.zero_s) for k in (0, -1)]
    span = " to ".join(times) if one.track.timed else "no times"
    name = f"S{one.number} {one.track.name}"
    return [name, f"{one.metres:.0f}", span, *_band_cells(one.band), ", ".join(lanes), last]


def _band_cells(band: Band) -> list[str]:
    return [f"{100 * band.sure:.0f}", f"{100 * band.perhaps:.0f}", f"{100 * band.half:.1f}"]


def team_numbers(made: Debrief) -> list[str]:
    """What the team covered, and what it left."""
    band, left = made.band, made.leftover
    told = [
        _band_words(band),
        f"Tracks at their word: {percent(band.half, 1)} within half a strip; planned {percent(made.plan.coverage, 1)}.",
        f"How likely the person came into range, wherever they lay: {percent(left.found)} (perhaps counts half).",
        *_gaps(made),
    ]
    _, perhaps, none, outside = (percent(one) for one in left.poa_after)
    where = f"{perhaps} in what is perhaps covered, {none} in what is not, {outside} outside the outline"
    told.append(f"If nobody was found, the probability now lies: {where}.")
    return told


def _gaps(made: Debrief) -> Iterator[str]:
    holes = made.leftover.holes
    for hole in holes[:4]:
        size = f"Gap {hole.number}: {hole.area_m2:.0f} m², {percent(hole.poa)} of the probability of area"
        yield f"{size}; {percent(hole.missed)} of it out of range in any case."
    if len(holes) > 4:
        yield f"{len(holes) - 4} smaller gaps in debrief.json."
    if not holes:
        yield "No gap larger than the square over a quarter of a strip."


def lane_summary(made: Debrief) -> list[str]:
    """The widest distances between lanes, and the turns that were short."""
    told = spacing_words(made, made.lanes, {one.lane for one in made.lanes.lanes})
    told.sort(key=lambda text: "too wide" not in text)
    told = told[:3]
    short = [one for one in made.lanes.turns if one.short_m > made.radii.gps_m]
    if short:
        worst = max(short, key=lambda one: one.short_m)
        many = f"{len(short)} turn" + ("s" if len(short) > 1 else "")
        where = f"the worst on lane {worst.lane} by {worst.short_m:.0f} m"
        told.append(f"{many} short of the edge by more than the GPS error, {where}.")
    return told
