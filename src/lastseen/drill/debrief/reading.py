"""Reading tracks as GPX 1.0 or 1.1, and the noted times as CSV."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from lastseen.drill.debrief.tracks import LeftOut, RawTrack
from lastseen.errors import InputError

PHASES = ("start", "A", "B", "C", "D", "E", "free")
LOG_HEAD = ("searcher", "target", "phase", "time")
_DECLARED = re.compile(rb"^\s*<\?xml[^>]*encoding=[\"']([A-Za-z0-9._-]+)[\"']")
_ELAPSED = re.compile(r"^(?:(\d+):)?(\d{1,3}):([0-5]\d(?:\.\d+)?)$")


@dataclass(frozen=True)
class Noted:
    """A time that somebody wrote down.

    Attributes
    ----------
    searcher : str
        Name of a track or number of a searcher; "" is everybody.
    target : str
        Name of a target; "" where nobody noted it.
    phase : str
        "start" (the clock's zero), "A" to "E" (that phase ended), or "free" (head and chest free).
    elapsed_s : float or None
        Since the clock's zero, or None where ``time_s`` is given.
    time_s : float or None
        Since 1970, UTC.
    """

    searcher: str
    target: str
    phase: str
    elapsed_s: float | None
    time_s: float | None


def read_tracks(path: Path) -> tuple[RawTrack | LeftOut, ...]:
    """The recordings in a GPX file: one, or one for each track where several run at the same time.

    Tracks count, and routes where there are none. A file without any point is left out and says so.

    Raises
    ------
    InputError
        If the file does not exist or is no GPX.
    """
    import gpxpy  # noqa: PLC0415  slow to import

    text = _text_of(path)
    if not text.strip():
        return (LeftOut(path.stem, "the file is empty"),)
    try:
        document = gpxpy.parse(text)
    except Exception as error:  # the parser raises its own kinds
        raise InputError(f"{path.name} cannot be read as GPX ({error}): export the track again") from error
    made = [_raw(f"{path.stem} {track.name or k}", track.segments) for k, track in enumerate(document.tracks, start=1)]
    made = [one for one in made if one.lon_deg.size]
    if not made and document.routes:
        made = [_raw(path.stem, document.routes)]
    if not made or not sum(one.lon_deg.size for one in made):
        return (LeftOut(path.stem, "it holds no track with points"),)
    if len(made) == 1 or not _at_the_same_time(made):
        return (_joined(path.stem, made),)
    return tuple(made)


def read_log(path: Path) -> tuple[Noted, ...]:
    """Noted times: a CSV with the columns searcher, target, phase, time (``target`` may be left out).

    A time is minutes and seconds since the clock's zero (``4:05``, ``1:02:03``), or date and time with zone.

    Raises
    ------
    InputError
        Missing or broken: names the line.
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
    noted = (_noted(dict(zip(head, cells, strict=False)), f"{path.name}, line {n}") for n, cells in rows[1:])
    return tuple(one for one in noted if one is not None)


def _noted(cells: dict[str, str], where: str) -> Noted | None:
    """A line; None where no time was filled in."""
    told = cells.get("time", "")
    if not told:
        return None
    given = cells.get("phase", "")
    phase = next((one for one in PHASES if one.lower() == given.lower()), None)
    if phase is None:
        raise InputError(f"{where}: the phase is '{given}': write one of {', '.join(PHASES)}")
    match = _ELAPSED.match(told)
    if match:
        elapsed = 3600.0 * int(match[1] or 0) + 60.0 * int(match[2]) + float(match[3])
        return Noted(cells.get("searcher", ""), cells.get("target", ""), phase, elapsed, None)
    try:
        at = datetime.fromisoformat(told)
    except ValueError as error:
        raise InputError(
            f"{where}: the time is '{told}': write 4:05 or 1:02:03 since the start, or 2027-01-31T10:04:05+01:00"
        ) from error
    if at.tzinfo is None:
        raise InputError(f"{where}: '{told}' has no zone: add Z for UTC or the difference, such as +01:00")
    return Noted(cells.get("searcher", ""), cells.get("target", ""), phase, None, at.timestamp())


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
    n = len(points)
    lon, lat = (np.fromiter((getattr(p, key) for p, _ in points), float, n) for key in ("longitude", "latitude"))
    time = np.fromiter((_seconds(p.time) for p, _ in points), float, n)
    return RawTrack(name, lon, lat, time, np.fromiter((k for _, k in points), np.int32, n))


def _seconds(time: datetime | None) -> float:
    """Since 1970. Times without a zone are UTC, as the GPX schema has it, wherever this runs."""
    if time is None:
        return math.nan
    return (time if time.tzinfo is not None else time.replace(tzinfo=UTC)).timestamp()


def _at_the_same_time(tracks: list[RawTrack]) -> bool:
    """Whether any two tracks overlap in time: they are different people then."""
    known = [one.time_s[np.isfinite(one.time_s)] for one in tracks]
    spans = sorted((float(one.min()), float(one.max())) for one in known if one.size)
    return any(later[0] < earlier[1] for earlier, later in pairwise(spans))


def _joined(name: str, tracks: list[RawTrack]) -> RawTrack:
    """Tracks of one person as segments of one."""
    first, segments = 0, []
    for one in tracks:
        segments.append(one.segment + first)
        first = int(segments[-1].max()) + 1
    lon, lat, time = (np.concatenate([getattr(one, key) for one in tracks]) for key in ("lon_deg", "lat_deg", "time_s"))
    return RawTrack(name, lon, lat, time, np.concatenate(segments).astype(np.int32))
