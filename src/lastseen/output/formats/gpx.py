"""The walk as GPX 1.1: a track for each searcher and its turning points, for phones and handheld receivers."""

from __future__ import annotations

import string
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from lastseen import __version__
from lastseen.core import WGS84, transformer
from lastseen.output.caution import FULL_CAUTION, SHORT_CAUTION
from lastseen.output.formats.geojson import DEGREE_DECIMALS
from lastseen.output.layers import known
from lastseen.output.result import Result

# What small and old receivers hold. Common practice, no source: makers differ, and no standard sets a limit.
BASIC_WAYPOINTS = 100  # of one file
BASIC_TRACK_POINTS = 250  # of one track, all in one segment
BASIC_NAME = 6  # letters and digits of a name
BASIC_TEXT = 30  # letters of a description
Place = tuple[float, float, float | None]  # lon, lat, elevation


@dataclass(frozen=True)
class _Walk:
    """The legs of one searcher, with the start and end of each in degrees."""

    searcher: int
    legs: tuple[dict[str, Any], ...]
    ends: tuple[tuple[Place, Place], ...]
    text: str

    @property
    def name(self) -> str:
        return f"S{self.searcher}"


@dataclass(frozen=True)
class _Turn:
    """A turning point: where it is, its name, and what comes next."""

    place: Place
    name: str
    short: str
    text: str


def write_gpx(result: Result, path: Path) -> None:
    """Write the tracks of all searchers that walk, and their turning points.

    One segment for each leg, since devices may bend routes but keep tracks. Turning points are named by what is walked:
    ``L03A`` is the start of lane 3, the last letter its end; ``J03A`` a corner on the way from lane 3 to the next;
    ``S1A`` where searcher 1 stands.
    """
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    document = _document(result, FULL_CAUTION)
    for walk in _walks(result):
        document.waypoints.extend(
            gpxpy.gpx.GPXWaypoint(
                turn.place[1], turn.place[0], elevation=turn.place[2], name=turn.name, description=turn.text
            )
            for turn in _turns(walk)
        )
        track = gpxpy.gpx.GPXTrack(name=walk.name, description=walk.text)
        track.segments = [_segment(both) for both in walk.ends]
        document.tracks.append(track)
    _write(document, path)


def write_basic_gpx(result: Result, folder: Path) -> None:
    """Write ``lanes-S1.gpx``, ``lanes-S2.gpx`` and so on, for receivers that hold little.

    One file for each searcher, and another one (``lanes-S1-2.gpx``) for each further hundred turning points. Tracks
    have one segment of at most 250 points, the next one begins where the last ended. Names have at most six letters
    and digits, descriptions thirty letters.
    """
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    for walk in _walks(result):
        turns = _turns(walk)
        for part, first in enumerate(range(0, len(turns), BASIC_WAYPOINTS), start=1):
            document = _document(result, SHORT_CAUTION)
            for turn in turns[first : first + BASIC_WAYPOINTS]:
                lon, lat, z = turn.place
                document.waypoints.append(
                    gpxpy.gpx.GPXWaypoint(lat, lon, elevation=z, name=turn.name[:BASIC_NAME], description=turn.short)
                )
            if part == 1:
                document.tracks = _basic_tracks(walk)
            _write(document, folder / f"lanes-{walk.name}{'' if part == 1 else f'-{part}'}.gpx")


def _basic_tracks(walk: _Walk) -> list[Any]:
    """The walk as tracks of one segment each."""
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    places = [walk.ends[0][0], *(end for _, end in walk.ends)]
    tracks = []
    for part, first in enumerate(range(0, len(places) - 1, BASIC_TRACK_POINTS - 1)):
        name = walk.name if part == 0 else f"{walk.name}T{part + 1}"
        track = gpxpy.gpx.GPXTrack(name=name[:BASIC_NAME])
        track.segments = [_segment(places[first : first + BASIC_TRACK_POINTS])]
        tracks.append(track)
    return tracks


def _walks(result: Result) -> Iterator[_Walk]:
    """What each searcher walks, in their order; those who walk nothing are left out."""
    legs = result.records("route")
    ends = _ends(result, [line for line, _ in legs])
    for searcher in range(1, int(result.numbers["search"]["searchers"]) + 1):
        own = [i for i, (_, leg) in enumerate(legs) if leg["searcher"] == searcher]
        if own:
            rows = tuple(legs[i][1] for i in own)
            yield _Walk(searcher, rows, tuple(ends[i] for i in own), _track_text(result, searcher, rows))


def _ends(result: Result, lines: Sequence[Any]) -> list[tuple[Place, Place]]:
    """Start and end of each leg."""
    xy = np.array([(line.coords[0], line.coords[-1]) for line in lines], dtype=float).reshape(-1, 2)
    lon, lat = transformer(result.crs, WGS84).transform(xy[:, 0], xy[:, 1])
    flat = result.numbers.get("flat", False)  # no height is known, and 0 would be a wrong one
    z = np.full(len(xy), np.nan) if flat else result.ground.sample(xy[:, 0], xy[:, 1])
    places = [
        (round(float(a), DEGREE_DECIMALS), round(float(b), DEGREE_DECIMALS), _rounded(known(float(c))))
        for a, b, c in zip(lon, lat, z, strict=True)
    ]
    return list(zip(places[::2], places[1::2], strict=True))


def _turns(walk: _Walk) -> list[_Turn]:
    """Where a leg begins, and where the walk ends."""
    seen: Counter[str] = Counter()
    turns = []
    places = [*(start for start, _ in walk.ends), walk.ends[-1][1]]
    for i, place in enumerate(places):
        before, after = walk.legs[i - 1] if i else None, walk.legs[i] if i < len(walk.legs) else None
        family = _family(walk, i)
        name = family + _letters(seen[family])
        seen[family] += 1
        ended = f"End of lane {before['lane']}. " if before and _ends_lane(before, after) else ""
        short = _short(after) if after else "End of the walk"
        turns.append(_Turn(place, name, short[:BASIC_TEXT], ended + (after["reason"] if after else "End of the walk.")))
    return turns


def _family(walk: _Walk, i: int) -> str:
    """What the turning point before leg ``i`` belongs to: a lane, the way after a lane, or the way of the searcher."""
    before = walk.legs[i - 1] if i else None
    if i < len(walk.legs) and walk.legs[i]["kind"] == "lane":
        return f"L{walk.legs[i]['lane']:02d}"
    if before is not None and before["kind"] == "lane":
        return f"L{before['lane']:02d}"
    last = next((leg["lane"] for leg in reversed(walk.legs[:i]) if leg["kind"] == "lane"), None)
    return walk.name if last is None else f"J{last:02d}"


def _ends_lane(before: dict[str, Any], after: dict[str, Any] | None) -> bool:
    return before["kind"] == "lane" and (after is None or after["lane"] != before["lane"])


def _short(leg: dict[str, Any]) -> str:
    bearing = round(leg["bearing_deg_true"]) % 360 if leg["bearing_deg_true"] is not None else None
    return f"{leg['length_m']:.0f} m" + (f" on {bearing:03d} true" if bearing is not None else "")


def _letters(number: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = string.ascii_uppercase[rest] + text
    return text


def _track_text(result: Result, searcher: int, legs: Sequence[dict[str, Any]]) -> str:
    numbers = list(dict.fromkeys(leg["lane"] for leg in legs if leg["lane"] is not None))
    lanes = f"lane{'s' if len(numbers) > 1 else ''} {', '.join(map(str, numbers))}"
    width = result.numbers["coverage"]["strip_width_m"]
    length = sum(leg["length_m"] for leg in legs)
    return f"Searcher {searcher}: {lanes}; {length:.0f} m on the snow, strips of {width:g} m."


def _document(result: Result, caution: str) -> Any:
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    document = gpxpy.gpx.GPX()
    document.creator = f"lastseen {__version__}"
    document.name = result.numbers["name"] or "Signal search"
    document.description = caution
    return document


def _segment(places: Sequence[Place]) -> Any:
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    points = [gpxpy.gpx.GPXTrackPoint(lat, lon, elevation=z) for lon, lat, z in places]
    return gpxpy.gpx.GPXTrackSegment(points)


def _write(document: Any, path: Path) -> None:
    path.write_text(document.to_xml(version="1.1") + "\n", encoding="utf-8", newline="\n")


def _rounded(z: float | None) -> float | None:
    return round(z, 1) if z is not None else None
