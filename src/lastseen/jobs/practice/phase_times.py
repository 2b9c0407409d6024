"""Phases A to E as noted against the plan's clock, speeds, and when a first signal was possible."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from lastseen.core import FloatArray, InputError
from lastseen.jobs.practice.drill import PlannedSearch
from lastseen.jobs.practice.targets import Target, range_ratio
from lastseen.jobs.practice.tracks import NotedTime, Track, elapsed_text
from lastseen.jobs.practice.walked_coverage import SPREAD, Radii
from lastseen.rescue import RescueClock, survival_bounds_percent
from lastseen.search import Reception

LETTERS = ("A", "B", "C", "D", "E")


@dataclass(frozen=True, kw_only=True)
class PhaseTime:
    """One phase of one search: what was noted against the plan."""

    searcher: str
    target: str
    letter: str
    name: str
    ended_s: float  # since the clock's zero
    took_s: float  # since the phase before; NaN where that was not noted
    planned_s: tuple[float, float, float] | None  # low, typical, high
    verdict: str  # "faster than planned", "within the plan", "slower than planned", or "" where it cannot be told
    # least and greatest published survival at its end, for somebody fully buried since the clock's zero
    survival_percent: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class SignalTime:
    """When a target could first be heard on a track, against what was noted."""

    target: str
    track: str
    first_s: float  # since the clock's zero: not before; infinite where never, as the next two
    likely_s: float  # at the mean range with the track at its word
    last_s: float  # surely by
    noted_s: float  # NaN where nobody noted it
    words: str


@dataclass(frozen=True, kw_only=True)
class Speed:
    """How fast a part of a search was walked: metres on the snow, seconds, metres per second."""

    part: str
    metres: float
    seconds: float

    @property
    def m_s(self) -> float:
        """Mean speed; NaN without time."""
        return self.metres / self.seconds if self.seconds > 0.0 else math.nan


def clock_zero_s(tracks: Sequence[Track], log: Sequence[NotedTime]) -> float:
    """The clock's zero since 1970: as noted, or the first fix of all tracks; 0 where there are no times at all."""
    noted = [note.time_s for note in log if note.phase == "start" and note.time_s is not None]
    return min(noted or [float(track.time_s[0]) for track in tracks if track.timed], default=0.0)


def elapsed_s(note: NotedTime, zero_s: float) -> float:
    """A noted time since the clock's zero."""
    return note.elapsed_s if note.elapsed_s is not None else float(note.time_s or 0.0) - zero_s


def notes_of_searcher(log: Sequence[NotedTime], name: str, number: int) -> list[NotedTime]:
    """What was noted of one searcher, by name, by number from 1, or of everybody."""
    names = {name.casefold(), str(number), f"s{number}"}
    return [note for note in log if note.searcher.casefold() in names or note.searcher in {"", "*"}]


def unmatched_notes(
    log: Sequence[NotedTime], names: Sequence[str], count: int, targets: Sequence[Target]
) -> tuple[str, ...]:
    """What was noted of somebody without a track, or of a target that is not there."""
    numbers = {f"{lead}{k}" for k in range(1, count + 1) for lead in ("", "s")}
    known = {name.casefold() for name in names} | numbers | {"", "*"}
    hidden = {target.name.casefold() for target in targets if target.what == "target"} | {""}
    strangers = dict.fromkeys(note.searcher for note in log if note.searcher.casefold() not in known)
    missing = dict.fromkeys(note.target for note in log if note.target.casefold() not in hidden) if targets else {}
    notes = []
    if strangers:
        notes.append(f"Noted times of {', '.join(strangers)} are left out: the tracks are {', '.join(names)}.")
    if missing:
        there = ", ".join(target.name for target in targets if target.what == "target")
        notes.append(f"Noted times of {', '.join(missing)} meet no target: those of the site are {there}.")
    return tuple(notes)


def compare_phases(log: Sequence[NotedTime], who: str, zero_s: float, clock: RescueClock) -> tuple[PhaseTime, ...]:
    """Phases as noted of one searcher, target by target, against the plan's clock and its survival curve.

    The plan's way to the first lane counts to phase A, as ICAR has it. A phase that ends before the one before it is
    an `InputError`.
    """
    planned = _planned(clock)

    def phase(target: str, letter: str, ended: float, took: float) -> PhaseTime:
        name, times = planned[letter]
        verdict = "faster than planned" if took < times[0] else "within the plan"
        verdict = "slower than planned" if took > times[2] else verdict
        return PhaseTime(
            searcher=who,
            target=target,
            letter=letter,
            name=name,
            ended_s=ended,
            took_s=took,
            planned_s=times,
            verdict=verdict if math.isfinite(took) else "",
            survival_percent=survival_bounds_percent(clock.curve, max(0.0, ended) / 60.0),
        )

    noted = [note for note in log if note.phase in LETTERS]
    begin = min((elapsed_s(note, zero_s) for note in noted if note.phase == "A"), default=math.nan)
    found = [] if math.isnan(begin) else [phase("", "A", begin, begin)]
    for target in dict.fromkeys(note.target for note in noted if note.phase != "A"):
        ended = {note.phase: elapsed_s(note, zero_s) for note in noted if note.target == target and note.phase != "A"}
        before = begin
        for letter in LETTERS[1:]:
            if ended.get(letter, math.inf) < before:
                raise InputError(
                    f"{who or 'everybody'}, target '{target}': phase {letter} ends before the one before it: "
                    "look at the noted times"
                )
            if letter in ended:
                found.append(phase(target, letter, ended[letter], ended[letter] - before))
            before = ended.get(letter, math.nan)
        begin = max(ended.values())
    return tuple(found)


def _planned(clock: RescueClock) -> dict[str, tuple[str, tuple[float, float, float]]]:
    """Name and times of each lettered phase; what stands before B without a letter counts to A."""
    found: dict[str, tuple[str, tuple[float, float, float]]] = {}
    for phase in clock.phases:
        if phase.letter:
            found[phase.letter] = (phase.name, phase.time_s.three)
        elif "B" not in found:
            name, (low, typical, high) = found["A"]
            more = phase.time_s
            found["A"] = (name, (low + more.low, typical + more.typical, high + more.high))
    return found


def find_signal_times(
    targets: Sequence[Target], track: Track, *, walked: tuple[FloatArray, FloatArray], plan: PlannedSearch,
    radii: Radii, notes: Sequence[NotedTime], zero_s: float,
) -> tuple[SignalTime, ...]:  # fmt: skip
    """For each target when its signal was possible on a track, likely, and sure; and what was noted."""
    xyz, time = walked
    reception = Reception.of_strip(plan.strip_width_m)
    margin = math.hypot(SPREAD * reception.sd_m, radii.gps_m)
    limits = (reception.r_max_m + margin, reception.r_max_m, reception.r_max_m - margin)
    signals = [(note.target.casefold(), elapsed_s(note, zero_s)) for note in notes if note.phase == "B"]
    found = []
    for target in sorted(targets, key=lambda target: (len(target.name), target.name)):
        if target.what != "target":
            continue
        ratio = range_ratio(xyz, target)  # metres of range along the axis that would be needed
        first, likely, sure = (min(time[ratio <= limit][:1].tolist(), default=math.inf) - zero_s for limit in limits)
        at = min((noted for name, noted in signals if name == target.name.casefold()), default=math.nan)
        found.append(
            SignalTime(
                target=target.name,
                track=track.name,
                first_s=first,
                likely_s=likely,
                last_s=sure,
                noted_s=at,
                words=_signal_words(first, likely, sure, at),
            )
        )
    return tuple(found)


def _signal_words(first: float, likely: float, sure: float, noted: float) -> str:
    if math.isnan(noted):
        unnoted = "no time noted" if math.isfinite(likely) else "in range only with luck; no time noted"
        return unnoted if math.isfinite(first) else "never in range"
    if not math.isfinite(first):
        return "noted, but this track never came into range: was it somebody else, or another clock?"
    if noted < first - 5.0:
        return f"noted {elapsed_text(first - noted)} before it was possible: do the clocks agree?"
    if noted <= sure:
        return "noted while it became possible"
    return f"noted {elapsed_text(noted - sure)} after it must have been there"


def measure_speeds(
    track: Track, xyz: FloatArray, time: FloatArray, plan: PlannedSearch, noted: Sequence[PhaseTime]
) -> tuple[Speed, ...]:
    """Speed on the way to the outline, in it, and in each phase that was noted; standing still included."""
    if not track.timed:
        return ()
    step = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    lasts, middle = np.diff(time), 0.5 * (time[1:] + time[:-1])
    joined = lasts <= max(60.0, 5.0 * track.cleaning.interval_s)
    near = shapely.contains_xy(shapely.buffer(plan.outline, 0.25 * plan.strip_width_m), xyz[1:, 0], xyz[1:, 1])
    entered, left = (float(time[1:][near][k]) if near.any() else math.inf for k in (0, -1))
    found = []
    parts = [("way there", -math.inf, entered), ("in the outline", entered, left), *_noted_parts(noted)]
    for name, begin, end in parts:
        inside = joined & (middle >= begin) & (middle < end)
        if inside.any() and float(lasts[inside].sum()) > 0.0:
            found.append(Speed(part=name, metres=float(step[inside].sum()), seconds=float(lasts[inside].sum())))
    return tuple(found)


def _noted_parts(noted: Sequence[PhaseTime]) -> list[tuple[str, float, float]]:
    """Spans of the phases whose begin and end are known; ``ended_s`` of the phases is made absolute by the caller."""
    return [
        (f"{p.letter} {p.name}{', ' * bool(p.target)}{p.target}", p.ended_s - p.took_s, p.ended_s)
        for p in noted
        if math.isfinite(p.took_s) and p.took_s > 0.0 and p.letter != "A"
    ]
