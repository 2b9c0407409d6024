"""Recorded tracks: read as GPX, cleaned with all that was done to them said; and the noted times."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from scipy import ndimage, signal

from lastseen.core import WGS84, BoolArray, FloatArray, InputError, IntArray, transformer
from lastseen.jobs.practice.drill import PlannedSearch

FAR_M = 500.0  # a track that never comes this close to the outline belongs to another place; design choice
FASTEST_M_S = 8.0  # nobody searches faster, on skis neither; design choice
GAP_S, GAP_INTERVALS = 30.0, 5.0  # a pause in the recording is a gap from here on; design choice
TRUSTED_S = 15.0  # between fixes further apart nobody knows the way that was walked; design choice
SMOOTHED_S = 15.0  # span of the smoothing, where there is noise to smooth; design choice
QUIET_M = 0.3  # less noise is left alone
STILL_S, STILL_M_S = 30.0, 0.15
SCATTER = 5.0  # two fixes of one place lie further apart than so many GPS errors once in a million; derived
MOST_JUMPS = 10  # so many in a row are no jumps but another place


@dataclass(frozen=True, kw_only=True)
class RawTrack:
    """A track as it was recorded."""

    name: str
    lon_deg: FloatArray  # shape (n,), as all that follow
    lat_deg: FloatArray
    time_s: FloatArray  # since 1970, UTC; NaN where not recorded
    segment: IntArray  # number of the recorded segment


@dataclass(frozen=True, kw_only=True)
class Gap:
    """A pause in a recording: from, to (seconds since 1970) and the straight distance between."""

    from_s: float
    to_s: float
    metres: float


@dataclass(frozen=True, kw_only=True)
class Cleaning:
    """What was done to a track."""

    fixes: int  # as recorded
    duplicates: int = 0  # dropped, as jumps are
    out_of_order: int = 0
    jumps: int = 0
    gaps: tuple[Gap, ...] = ()
    interval_s: float = math.nan  # median time between fixes; NaN without times
    noise_m: float = 0.0  # standard deviation of a fix along an axis from its neighbours
    # how far the recording strayed while nobody moved; NaN where nobody stood still for half a minute
    wander_m: float = math.nan
    shifted_s: float = 0.0  # added to all times, as the user asked
    notes: tuple[str, ...] = field(default=())


@dataclass(frozen=True, kw_only=True)
class Track:
    """A cleaned track."""

    name: str
    x_m: FloatArray  # shape (n,); map metres, smoothed where the recording is noisy
    y_m: FloatArray
    time_s: FloatArray  # shape (n,); since 1970, UTC, rising; without recorded times the number of the fix
    timed: bool  # whether the times are recorded ones
    run: IntArray  # shape (n,); stretches without a gap
    trusted: BoolArray  # shape (n - 1,); whether the line from fix i to i + 1 is close enough to what was walked
    cleaning: Cleaning


@dataclass(frozen=True, kw_only=True)
class UnusedTrack:
    """A recording that cannot be used, and why."""

    name: str
    reason: str


def clean_track(raw: RawTrack, plan: PlannedSearch, *, gps_error_m: float, shift_s: float = 0.0) -> Track | UnusedTrack:
    """Clean a recording: order, duplicates, jumps, gaps, noise; all that was done is said.

    ``gps_error_m`` is the radius that holds a fix two times in three; ``shift_s`` is added to all times.
    """
    good = np.isfinite(raw.lon_deg) & np.isfinite(raw.lat_deg) & (np.abs(raw.lat_deg) <= 90.0)
    good &= ~((raw.lon_deg == 0.0) & (raw.lat_deg == 0.0))  # what receivers write without a fix
    if not good.any():
        return UnusedTrack(name=raw.name, reason="it holds no point")
    lost = int((~good).sum())
    x, y = transformer(WGS84, plan.crs).transform(raw.lon_deg[good], raw.lat_deg[good])
    x, y = np.asarray(x, float), np.asarray(y, float)
    away = _away_m(x, y, plan)
    if away > FAR_M:
        far = f"{away / 1000:.0f} km" if away >= 10_000 else f"{away:.0f} m"
        reason = f"its nearest point lies {far} from the outline: is it a track of this drill?"
        return UnusedTrack(name=raw.name, reason=reason)
    notes = [f"{lost} fixes without a place were dropped."] if lost else []
    time, segment = raw.time_s[good] + shift_s, raw.segment[good]
    timed, doubts = _judge_times(time)
    notes += doubts
    if not timed:
        time = np.arange(x.size, dtype=np.float64)
    kept, doubles, disorder = _ordered(time, x, y, timed=timed)
    time, x, y, segment = time[kept], x[kept], y[kept], segment[kept]
    spikes = _jumps(time, x, y, gps_error_m) if timed else np.zeros(x.size, np.bool_)
    time, x, y, segment = time[~spikes], x[~spikes], y[~spikes], segment[~spikes]
    run, gaps, interval = _runs(time, x, y, segment, gps_error_m, timed=timed)
    noise = _noise_m(x, y, run)
    x, y = _smoothed(x, y, run, interval, noise)
    step, way = np.diff(time), np.hypot(np.diff(x), np.diff(y))
    trusted = np.asarray((np.diff(run) == 0) & ((step <= TRUSTED_S) if timed else (way <= 2.0 * TRUSTED_S)))
    found = Cleaning(
        fixes=raw.lon_deg.size,
        duplicates=doubles,
        out_of_order=disorder,
        jumps=int(spikes.sum()),
        gaps=gaps,
        interval_s=interval,
        noise_m=noise,
        wander_m=_wander_m(time, x, y) if timed else math.nan,
        shifted_s=shift_s,
        notes=tuple(notes),
    )
    return Track(name=raw.name, x_m=x, y_m=y, time_s=time, timed=timed, run=run, trusted=trusted, cleaning=found)


LEAST_TIMED, LEAST_TIMED_SHARE = 10, 0.5  # fixes with a time, and their share; design choice


def _judge_times(time: FloatArray) -> tuple[bool, list[str]]:
    """Whether the times of a recording can be used, and what to say about them."""
    known = np.isfinite(time)
    count, only_where = int(known.sum()), "only where it went counts, not when or how fast."
    if count == 0:
        return False, [f"It holds no times: {only_where}"]
    if count > 1 and np.ptp(time[known]) == 0.0:
        return False, [f"All its fixes carry the same time: {only_where}"]
    if known.mean() > 0.9:
        return True, []
    if count >= LEAST_TIMED and known.mean() >= LEAST_TIMED_SHARE:
        return True, [f"{time.size - count} of {time.size} fixes carry no time and were dropped."]
    return False, [f"Only {count} of {time.size} fixes carry a time: {only_where}"]


def cleaning_notes(track: Track, clock_zero_s: float) -> tuple[str, ...]:
    """What was done to a track, in plain sentences."""
    c = track.cleaning
    gaps = []
    for gap in c.gaps[:3]:
        at = f"at {elapsed_text(gap.from_s - clock_zero_s)}" if track.timed else "between segments"
        lasts = f"{gap.to_s - gap.from_s:.0f} s, " if track.timed else ""
        gaps.append((True, f"Gap {at}: {lasts}{gap.metres:.0f} m are not known."))
    lines = (
        (c.duplicates, f"{c.duplicates} fixes with a time that was there already were dropped."),
        (c.out_of_order, f"{c.out_of_order} fixes were out of order and were sorted by time."),
        (c.jumps, f"{c.jumps} fixes were dropped as jumps: faster than {FASTEST_M_S:g} m/s beyond the GPS error."),
        *gaps,
        (len(c.gaps) > 3, f"{len(c.gaps) - 3} more gaps."),
        (
            track.timed and c.interval_s > TRUSTED_S,
            f"A fix only every {c.interval_s:.0f} s: what lies between them counts as perhaps covered at most.",
        ),
        (
            c.noise_m > QUIET_M,
            f"Fixes scatter by {c.noise_m:.1f} m; smoothed over {SMOOTHED_S:g} s, which cuts corners a little.",
        ),
        (c.wander_m > 1.0, f"While standing still the recording drifted by up to {c.wander_m:.0f} m."),
        (c.shifted_s, f"Its clock was moved by {c.shifted_s:+.0f} s, as asked."),
    )
    return (*c.notes, *(line for holds, line in lines if holds))


def elapsed_text(seconds: float) -> str:
    """Minutes and seconds, or hours too: 4:05, 1:02:03; with a sign before 0."""
    whole = round(abs(seconds))
    hours, rest = divmod(whole, 3600)
    minutes = f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"
    return f"-{minutes}" if seconds <= -0.5 else minutes


def _away_m(x: FloatArray, y: FloatArray, plan: PlannedSearch) -> float:
    west, south, east, north = plan.outline.bounds
    box = np.hypot(np.maximum(np.maximum(west - x, x - east), 0.0), np.maximum(np.maximum(south - y, y - north), 0.0))
    nearest = int(np.argmin(box))
    return float(shapely.distance(plan.outline, shapely.Point(x[nearest], y[nearest])))


def _ordered(time: FloatArray, x: FloatArray, y: FloatArray, *, timed: bool) -> tuple[IntArray, int, int]:
    """Which fixes to keep in what order, how many were double, how many out of order."""
    if not timed:
        repeated = np.concatenate([[False], (np.diff(x) == 0.0) & (np.diff(y) == 0.0)])
        return np.flatnonzero(~repeated).astype(np.int32), int(repeated.sum()), 0
    known = np.flatnonzero(np.isfinite(time))
    disorder = int((np.diff(time[known]) < 0.0).sum())
    order = known[np.argsort(time[known], kind="stable")]
    new = np.concatenate([[True], np.diff(time[order]) > 0.0])
    return order[new].astype(np.int32), int((~new).sum()), disorder


def _jumps(time: FloatArray, x: FloatArray, y: FloatArray, gps_error_m: float) -> BoolArray:
    """Fixes that nobody can have walked to and back from."""
    dropped = np.zeros(x.size, np.bool_)
    fast = _too_fast(time, x, y, gps_error_m)
    if not fast.any():
        return dropped
    # Receivers often begin with bad fixes: those after them agree with each other, not with the first.
    first = int(np.argmin(fast)) if not fast.all() else 0
    begins_badly = 0 < first <= MOST_JUMPS and not fast[first : first + 2].any()
    ends = [0, first]
    if not (begins_badly and _too_fast(time[ends], x[ends], y[ends], gps_error_m)[0]):
        first = 0
    dropped[:first] = True
    last, since = first, 0
    for i in range(first + 1, x.size):
        allowed = FASTEST_M_S * (time[i] - time[last]) + SCATTER * gps_error_m
        too_far = math.hypot(x[i] - x[last], y[i] - y[last]) > allowed
        if too_far and since < MOST_JUMPS:
            dropped[i] = True
            since += 1
            continue
        if too_far:  # it stays there: not a jump, the track goes on from the first of them
            dropped[i - since : i] = False
        last, since = i, 0
    return dropped


def _too_fast(time: FloatArray, x: FloatArray, y: FloatArray, gps_error_m: float) -> BoolArray:
    """Between which fixes nobody can have walked."""
    return np.asarray(np.hypot(np.diff(x), np.diff(y)) > FASTEST_M_S * np.diff(time) + SCATTER * gps_error_m)


def _runs(
    time: FloatArray, x: FloatArray, y: FloatArray, segment: IntArray, gps_error_m: float, *, timed: bool
) -> tuple[IntArray, tuple[Gap, ...], float]:
    """Stretches without a gap, the gaps, and the median interval. What was not walked is a gap, however short."""
    step, way = np.diff(time), np.hypot(np.diff(x), np.diff(y))
    interval = float(np.median(step)) if timed and step.size else math.nan
    if timed:
        apart = step > max(GAP_S, GAP_INTERVALS * interval) if step.size else np.zeros(0, np.bool_)
        apart = apart | _too_fast(time, x, y, gps_error_m)
    else:
        apart = (np.diff(segment) != 0) & (way > TRUSTED_S)
    run = np.concatenate([[0], np.cumsum(apart)]).astype(np.int32)
    ends = zip(time[:-1][apart].tolist(), time[1:][apart].tolist(), way[apart].tolist(), strict=True)
    gaps = tuple(Gap(from_s=begin, to_s=end, metres=metres) for begin, end, metres in ends)
    return run, gaps, interval


def _noise_m(x: FloatArray, y: FloatArray, run: IntArray) -> float:
    """Scatter of a fix against its neighbours, from second differences; straight walking has none."""
    if x.size < 20:
        return 0.0
    inside = run[2:] == run[:-2]
    second = np.concatenate([np.diff(x, 2)[inside], np.diff(y, 2)[inside]])
    return float(np.median(np.abs(second)) / 0.6745 / math.sqrt(6.0)) if second.size else 0.0


def _smoothed(
    x: FloatArray, y: FloatArray, run: IntArray, interval_s: float, noise_m: float
) -> tuple[FloatArray, FloatArray]:
    """A sliding parabola over about fifteen seconds, where fixes scatter and are close enough in time."""
    if not (noise_m > QUIET_M and math.isfinite(interval_s) and interval_s <= 0.2 * SMOOTHED_S):
        return x, y
    span = round(SMOOTHED_S / interval_s) // 2 * 2 + 1
    sx, sy = x.copy(), y.copy()
    for index in range(int(run[-1]) + 1):
        of_run = np.flatnonzero(run == index)
        if of_run.size > span:
            part = slice(of_run[0], of_run[-1] + 1)
            sx[part], sy[part] = (signal.savgol_filter(v[part], span, 2) for v in (x, y))
    return sx, sy


def _wander_m(time: FloatArray, x: FloatArray, y: FloatArray) -> float:
    """Largest way off its own middle while the recording shows nobody moving."""
    later = np.searchsorted(time, time + STILL_S)
    start = np.flatnonzero(later < x.size)
    if start.size == 0:
        return math.nan
    end = later[start]
    still = np.hypot(x[end] - x[start], y[end] - y[start]) <= STILL_M_S * STILL_S
    still &= time[end] - time[start] <= 2.0 * STILL_S
    covered = np.zeros(x.size + 1, np.int32)
    np.add.at(covered, start[still], 1)
    np.add.at(covered, end[still] + 1, -1)
    labels, count = ndimage.label(np.cumsum(covered[:-1]) > 0)
    worst = math.nan
    for k in range(1, count + 1):
        still_here = labels == k
        if float(np.ptp(time[still_here])) < STILL_S:
            continue
        off = float(np.hypot(x[still_here] - np.median(x[still_here]), y[still_here] - np.median(y[still_here])).max())
        # Somebody who walks to and fro is not standing still.
        if off <= 15.0:
            worst = off if math.isnan(worst) else max(worst, off)
    return worst


PHASES = ("start", "A", "B", "C", "D", "E", "free")
LOG_HEAD = ("searcher", "target", "phase", "time")
_DECLARED = re.compile(rb"^\s*<\?xml[^>]*encoding=[\"']([A-Za-z0-9._-]+)[\"']")
_ELAPSED = re.compile(r"^(?:(\d+):)?(\d{1,3}):([0-5]\d(?:\.\d+)?)$")


@dataclass(frozen=True, kw_only=True)
class NotedTime:
    """A time that somebody wrote down."""

    searcher: str  # name of a track or number of a searcher; "" is everybody
    target: str  # name of a target; "" where nobody noted it
    phase: str  # "start" (the clock's zero), "A" to "E" (that phase ended), or "free" (head and chest free)
    elapsed_s: float | None  # since the clock's zero, or None where ``time_s`` is given
    time_s: float | None  # since 1970, UTC


def read_tracks(path: Path) -> tuple[RawTrack | UnusedTrack, ...]:
    """The recordings in a GPX file: one, or one for each track where several run at the same time.

    Tracks count, and routes where there are none. A file without any point is left out and says so; one that does not
    exist or is no GPX is an `InputError`.
    """
    import gpxpy  # noqa: PLC0415  slow to import

    text = _text_of(path)
    if not text.strip():
        return (UnusedTrack(name=path.stem, reason="the file is empty"),)
    try:
        document = gpxpy.parse(text)
    except Exception as error:  # the parser raises its own kinds
        raise InputError(f"{path.name} cannot be read as GPX ({error}): export the track again") from error
    named = ((f"{path.stem} {track.name or k}", track.segments) for k, track in enumerate(document.tracks, start=1))
    tracks = [track for name, segments in named if (track := _raw(name, segments)).lon_deg.size]
    if not tracks and document.routes:
        tracks = [_raw(path.stem, document.routes)]
    if not tracks or not sum(track.lon_deg.size for track in tracks):
        return (UnusedTrack(name=path.stem, reason="it holds no track with points"),)
    if len(tracks) == 1 or not _at_the_same_time(tracks):
        return (_joined(path.stem, tracks),)
    return tuple(tracks)


def read_log(path: Path) -> tuple[NotedTime, ...]:
    """Noted times: a CSV with the columns searcher, target, phase, time (``target`` may be left out).

    A time is minutes and seconds since the clock's zero (``4:05``, ``1:02:03``), or date and time with zone. What is
    missing or broken is an `InputError` that names the line.
    """
    try:
        lines = list(csv.reader(_text_of(path).splitlines()))
    except csv.Error as error:
        raise InputError(f"{path.name} cannot be read as CSV ({error}): write {','.join(LOG_HEAD)}") from error
    rows = [(n, [cell.strip() for cell in line]) for n, line in enumerate(lines, start=1) if any(map(str.strip, line))]
    rows = [(n, cells) for n, cells in rows if not cells[0].startswith("#")]
    head = [cell.lower() for cell in rows[0][1]] if rows else []
    if not {"searcher", "phase", "time"} <= set(head):
        raise InputError(f"{path.name} lacks its head: the first line must be {','.join(LOG_HEAD)}")
    noted = (_read_noted(dict(zip(head, cells, strict=False)), f"{path.name}, line {n}") for n, cells in rows[1:])
    return tuple(note for note in noted if note is not None)


def _read_noted(cells: dict[str, str], where: str) -> NotedTime | None:
    """A line; None where no time was filled in."""
    text = cells.get("time", "")
    if not text:
        return None
    given = cells.get("phase", "")
    phase = next((name for name in PHASES if name.lower() == given.lower()), None)
    if phase is None:
        raise InputError(f"{where}: the phase is '{given}': write one of {', '.join(PHASES)}")
    searcher, target = cells.get("searcher", ""), cells.get("target", "")
    if match := _ELAPSED.match(text):
        elapsed = 3600.0 * int(match[1] or 0) + 60.0 * int(match[2]) + float(match[3])
        return NotedTime(searcher=searcher, target=target, phase=phase, elapsed_s=elapsed, time_s=None)
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError(
            f"{where}: the time is '{text}': write 4:05 or 1:02:03 since the start, or 2027-01-31T10:04:05+01:00"
        ) from error
    if at.tzinfo is None:
        raise InputError(f"{where}: '{text}' has no zone: add Z for UTC or the difference, such as +01:00")
    return NotedTime(searcher=searcher, target=target, phase=phase, elapsed_s=None, time_s=at.timestamp())


def _text_of(path: Path) -> str:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path} cannot be read ({error}): check the path") from error
    declared = _DECLARED.match(data)
    marked = ("utf-16",) if data[:2] in {b"\xff\xfe", b"\xfe\xff"} else ()
    for encoding in (*marked, "utf-8-sig", declared[1].decode("ascii") if declared else "latin-1", "latin-1"):
        try:
            text = data.decode(encoding)
        except (UnicodeError, LookupError):
            continue
        return re.sub(r"^\s*<\?xml[^>]*\?>", "", text)  # the text is decoded: what it declares no longer holds
    raise InputError(f"{path.name} is no text: export the track as GPX")


def _raw(name: str, segments: Any) -> RawTrack:
    points = [(p, k) for k, segment in enumerate(segments) for p in segment.points]
    lon, lat, time = np.array([(p.longitude, p.latitude, _seconds(p.time)) for p, _ in points], float).reshape(-1, 3).T
    segment = np.array([k for _, k in points], np.int32)
    return RawTrack(name=name, lon_deg=lon, lat_deg=lat, time_s=time, segment=segment)


def _seconds(time: datetime | None) -> float:
    """Since 1970. Times without a zone are UTC, as the GPX schema has it, wherever this runs."""
    return math.nan if time is None else (time if time.tzinfo else time.replace(tzinfo=UTC)).timestamp()


def _at_the_same_time(tracks: list[RawTrack]) -> bool:
    """Whether any two tracks overlap in time: they are different people then."""
    known = [track.time_s[np.isfinite(track.time_s)] for track in tracks]
    spans = sorted((float(times.min()), float(times.max())) for times in known if times.size)
    return any(later[0] < earlier[1] for earlier, later in pairwise(spans))


def _joined(name: str, tracks: list[RawTrack]) -> RawTrack:
    """Tracks of one person as segments of one."""
    first, segments = 0, []
    for track in tracks:
        segments.append(track.segment + first)
        first = int(segments[-1].max()) + 1
    keys = ("lon_deg", "lat_deg", "time_s")
    lon, lat, time = (np.concatenate([getattr(track, key) for track in tracks]) for key in keys)
    return RawTrack(name=name, lon_deg=lon, lat_deg=lat, time_s=time, segment=np.concatenate(segments).astype(np.int32))
