"""The debrief of a drill: what recorded tracks say of a planned search, and what they cannot say."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from lastseen.core import FloatArray, InputError, NothingFoundError, percent
from lastseen.jobs.practice import phase_times, tracks, walked_coverage
from lastseen.jobs.practice.drill import PlannedSearch
from lastseen.jobs.practice.phase_times import PhaseTime, SignalTime, Speed
from lastseen.jobs.practice.targets import Target
from lastseen.jobs.practice.tracks import NotedTime, RawTrack, Track, UnusedTrack, elapsed_text
from lastseen.jobs.practice.walked_coverage import GPS_ERROR_M, CoverageBand, LaneReview, Leftover, Radii, review_lanes
from lastseen.jobs.rescue import time_legs
from lastseen.rescue import DEFAULT_CURVE, RescueClock, find_survival_curve
from lastseen.search import Lattice, lattice_spacing_m, make_lattice

SPACING_M = 1.0
SHALLOWEST_M, DEPTH_M, SLOPE_DEG = 0.1, 1.0, 20.0  # of the plan's clock where no targets are known; design choice


@dataclass(frozen=True, kw_only=True)
class Searcher:
    """One recording and what it says."""

    number: int  # from 1, in the order in which tracks were given
    track: Track
    cleaning_notes: tuple[str, ...]  # what was done to the track
    xyz_m: FloatArray  # along the track, a metre apart, on the snow
    time_s: FloatArray
    metres: float  # on the snow, gaps left out
    # shape (3, samples); first times of coverage (see `find_first_times`), on the clock of the track
    times_s: FloatArray
    band: CoverageBand  # of the whole outline, by this searcher alone
    lanes: LaneReview  # of this track alone
    phases: tuple[PhaseTime, ...]
    signals: tuple[SignalTime, ...]
    speeds: tuple[Speed, ...]

    @property
    def walked(self) -> tuple[FloatArray, FloatArray]:
        """Places of the walk, and their times: NaN where the recording holds none."""
        return _known_times(self.track, self.xyz_m, self.time_s)


@dataclass(frozen=True, kw_only=True)
class Debrief:
    """What a drill's tracks say."""

    plan: PlannedSearch
    searchers: tuple[Searcher, ...]
    left_out: tuple[UnusedTrack, ...]  # recordings that could not be used
    gps_error_m: float
    radii: Radii
    lattice: Lattice  # samples of the outline
    team_s: FloatArray  # shape (3, samples)
    band: CoverageBand  # of all searchers together
    lanes: LaneReview
    leftover: Leftover
    clock: RescueClock  # of the plan
    zero_s: float  # the clock's zero, since 1970
    targets: tuple[Target, ...]
    notes: tuple[str, ...]

    @property
    def timed(self) -> bool:
        """Whether all tracks carry times."""
        return all(searcher.track.timed for searcher in self.searchers)


def debrief(
    plan: PlannedSearch, recordings: Sequence[RawTrack | UnusedTrack], *, log: Sequence[NotedTime] = (),
    targets: Sequence[Target] = (), gps_error_m: float = GPS_ERROR_M, shifts_s: Mapping[str, float] | None = None,
    curve: str = DEFAULT_CURVE,
) -> Debrief:  # fmt: skip
    """Debrief a drill: what each recording and the team covered, when, and what was left.

    ``recordings`` are as `read_tracks` gives them, ``log`` are times that somebody wrote down, ``targets`` what was
    hidden. ``gps_error_m`` is the radius that holds a fix two times in three; 0 takes tracks at their word.
    ``shifts_s`` are seconds to add to the times of a track, by its name; ``curve`` names a published survival curve.
    Without any recording that can be used it is a `NothingFoundError`, with a value that cannot be used an
    `InputError`.
    """
    radii = walked_coverage.find_radii(plan.strip_width_m, gps_error_m)
    used, unused = _clean_tracks(plan, recordings, gps_error_m, dict(shifts_s or {}))
    surface = plan.surface
    lattice = make_lattice(plan.outline, surface, lattice_spacing_m(plan.outline, SPACING_M))
    zero = phase_times.clock_zero_s(used, log)
    clock = time_legs(
        plan.legs,
        strip_width_m=plan.strip_width_m,
        depth_m=_depth_m(targets),
        slope_deg=SLOPE_DEG,
        diggers=len(used),
        curve=find_survival_curve(curve),
        travel=plan.travel,
    )

    def review(number: int, track: Track) -> Searcher:
        xyz, time, _ = walked_coverage.sample_walk(track, surface)
        times = walked_coverage.find_first_times(track, lattice, surface, radii)
        noted = phase_times.notes_of_searcher(log, track.name, number)
        phases = phase_times.compare_phases(noted, track.name, zero, clock)
        absolute = [replace(phase, ended_s=phase.ended_s + zero) for phase in phases]
        signals = phase_times.find_signal_times(
            targets if track.timed else (), track, walked=(xyz, time), plan=plan, radii=radii, notes=noted, zero_s=zero
        )
        return Searcher(
            number=number,
            track=track,
            cleaning_notes=tracks.cleaning_notes(track, zero),
            xyz_m=xyz,
            time_s=time,
            metres=_metres(track, xyz, time),
            times_s=times,
            band=walked_coverage.measure_band(times, lattice.weight_m2),
            lanes=review_lanes(plan, [track], [_known_times(track, xyz, time)]),
            phases=phases,
            signals=signals,
            speeds=phase_times.measure_speeds(track, xyz, time, plan, absolute),
        )

    searchers = tuple(review(number, track) for number, track in enumerate(used, start=1))
    team = walked_coverage.join_first_times([searcher.times_s for searcher in searchers])
    band = walked_coverage.measure_band(team, lattice.weight_m2)
    lanes = review_lanes(plan, used, [searcher.walked for searcher in searchers])
    found = Debrief(
        plan=plan,
        searchers=searchers,
        left_out=unused,
        gps_error_m=gps_error_m,
        radii=radii,
        lattice=lattice,
        team_s=team,
        band=band,
        lanes=lanes,
        leftover=walked_coverage.find_leftover(plan, lattice, team, band=band, radii=radii, lanes=lanes),
        clock=clock,
        zero_s=zero,
        targets=tuple(targets),
        notes=phase_times.unmatched_notes(log, [track.name for track in used], len(used), targets),
    )
    return replace(found, notes=(*found.notes, *_notes(found)))


def _clean_tracks(
    plan: PlannedSearch, recordings: Sequence[RawTrack | UnusedTrack], gps_error_m: float, shifts: Mapping[str, float]
) -> tuple[list[Track], tuple[UnusedTrack, ...]]:
    """The tracks that can be used, and the recordings that cannot."""
    recordings = _each_with_its_name(recordings)
    if unknown := set(shifts) - {recording.name for recording in recordings}:
        known = ", ".join(recording.name for recording in recordings)
        raise InputError(f"no track is called '{min(unknown)}': the tracks are {known}")
    for name, seconds in shifts.items():
        if not abs(seconds) <= MOST_SHIFT_S:
            raise InputError(f"the clock of '{name}' cannot be off by {seconds:g} s: give --shift within a year")
    recordings = _without_copies(recordings)
    cleaned = [
        recording
        if isinstance(recording, UnusedTrack)
        else tracks.clean_track(recording, plan, gps_error_m=gps_error_m, shift_s=shifts.get(recording.name, 0.0))
        for recording in recordings
    ]
    used = [track for track in cleaned if isinstance(track, Track)]
    unused = tuple(track for track in cleaned if isinstance(track, UnusedTrack))
    if not used:
        why = "; ".join(f"{track.name}: {track.reason}" for track in unused) or "none was given"
        raise NothingFoundError(f"no track can be debriefed: {why}")
    return used, unused


MOST_SHIFT_S = 366.0 * 86_400.0  # a clock that was never set can be years off, but then its date says nothing


def _without_copies(recordings: Sequence[RawTrack | UnusedTrack]) -> list[RawTrack | UnusedTrack]:
    """Recordings without those that repeat an earlier one point for point: they would count one walk twice."""
    kept: list[RawTrack | UnusedTrack] = []
    for recording in recordings:
        first = next((other for other in kept if _are_one(other, recording)), None)
        reason = f"it is the recording '{first.name}' once more, point for point" if first else ""
        kept.append(UnusedTrack(name=recording.name, reason=reason) if first else recording)
    return kept


def _are_one(first: RawTrack | UnusedTrack, second: RawTrack | UnusedTrack) -> bool:
    if isinstance(first, UnusedTrack) or isinstance(second, UnusedTrack):
        return False
    keys = ("lon_deg", "lat_deg", "time_s")
    return all(np.array_equal(getattr(first, key), getattr(second, key), equal_nan=True) for key in keys)


def _known_times(track: Track, xyz: FloatArray, time: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places of a walk, and their times: NaN where the recording holds none."""
    return xyz, time if track.timed else np.full(time.size, np.nan)


def _each_with_its_name(recordings: Sequence[RawTrack | UnusedTrack]) -> list[RawTrack | UnusedTrack]:
    """Files of one name in several folders are several people: the second ``track`` is ``track-2``."""
    found, counts = list[RawTrack | UnusedTrack](), Counter[str]()
    for recording in recordings:
        counts[recording.name] += 1
        count = counts[recording.name]
        found.append(recording if count == 1 else replace(recording, name=f"{recording.name}-{count}"))
    return found


def _depth_m(targets: Sequence[Target]) -> float:
    depths = [target.depth_m for target in targets if target.what == "target"]
    return max(SHALLOWEST_M, float(np.mean(depths))) if depths else DEPTH_M


def _metres(track: Track, xyz: FloatArray, time: FloatArray) -> float:
    """Length of a walk on the snow without its gaps."""
    step = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    for gap in track.cleaning.gaps:
        step[(time[:-1] >= gap.from_s) & (time[1:] <= gap.to_s)] = 0.0
    return float(step.sum())


def _notes(found: Debrief) -> tuple[str, ...]:
    """What everybody who reads the debrief must know."""
    notes = [found.radii.verdict, *(f"{track.name} was left out: {track.reason}." for track in found.left_out)]
    timed = [searcher.track for searcher in found.searchers if searcher.track.timed]
    spans = [(track.name, float(track.time_s[0]), float(track.time_s[-1])) for track in timed]
    for name, begin, end in spans:
        others = [span for span in spans if span[0] != name]
        if others and all(end < other[1] or begin > other[2] for other in others):
            first = min(other[1] for other in others)
            notes.append(
                f"{name} was recorded at another time than all others, {elapsed_text(begin - first)} from the "
                "first of them: a clock may be off; move it with --shift."
            )
            break
    if found.plan.flat:
        notes.append("The ground was taken as flat for want of an elevation model.")
    if found.lanes.lanes and found.lanes.walked < 0.5:
        notes.append(
            "The lanes of the plan were mostly not followed: coverage counts, the distances between lanes do not."
        )
    outside = _outside_share(found)
    if outside > 0.3:
        notes.append(f"{percent(outside)} of what was walked lies more than a strip outside the outline.")
    return tuple(notes)


def _outside_share(found: Debrief) -> float:
    wide = shapely.buffer(found.plan.outline, found.plan.strip_width_m)
    x, y, _ = np.concatenate([searcher.xyz_m for searcher in found.searchers]).T
    return 1.0 - int(shapely.contains_xy(wide, x, y).sum()) / x.size if x.size else math.nan
