"""The walk as GPX 1.1: a track for each searcher and its turning points, for handheld receivers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lastseen import __version__
from lastseen.place import WGS84, transformer
from lastseen.products.caution import FULL_CAUTION
from lastseen.products.layers import known, leg_sentence

if TYPE_CHECKING:
    from lastseen.plan import Plan
    from lastseen.search import Leg

DEGREE_DECIMALS = 7  # 1 cm
Place = tuple[float, float, float | None]  # lon, lat, elevation


def write_gpx(plan: Plan, path: Path) -> None:
    """Write the tracks of all searchers that walk.

    One segment for each leg, since devices may bend routes but keep tracks. Names are short ASCII text: some devices
    cut them after ten characters.
    """
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    document = gpxpy.gpx.GPX()
    document.creator = f"lastseen {__version__}"
    document.name = plan.scenario.name or "Signal search"
    document.description = FULL_CAUTION
    for searcher in range(1, plan.search.searchers + 1):
        legs = [leg for leg in plan.search.legs if leg.searcher == searcher]
        if not legs:
            continue
        ends = _ends(plan, legs)
        document.waypoints.extend(_turning_points(gpxpy.gpx, f"S{searcher}", legs, ends))
        track = gpxpy.gpx.GPXTrack(name=f"S{searcher}", description=_track_text(plan, searcher, legs))
        for start, end in ends:
            points = [gpxpy.gpx.GPXTrackPoint(lat, lon, elevation=z) for lon, lat, z in (start, end)]
            track.segments.append(gpxpy.gpx.GPXTrackSegment(points))
        document.tracks.append(track)
    path.write_text(document.to_xml(version="1.1") + "\n", encoding="utf-8", newline="\n")


def _ends(plan: Plan, legs: Sequence[Leg]) -> list[tuple[Place, Place]]:
    """Start and end of each leg."""
    ground = plan.terrain.elevation
    xy = np.array([leg.line.coords for leg in legs]).reshape(-1, 2)
    lon, lat = transformer(ground.crs, WGS84).transform(xy[:, 0], xy[:, 1])
    flat = not plan.elevation.sheets  # no height is known, and 0 would be a wrong one
    z = np.full(len(xy), np.nan) if flat else ground.sample(xy[:, 0], xy[:, 1])
    places = [
        (round(float(a), DEGREE_DECIMALS), round(float(b), DEGREE_DECIMALS), _rounded(known(float(c))))
        for a, b, c in zip(lon, lat, z, strict=True)
    ]
    return list(zip(places[::2], places[1::2], strict=True))


def _turning_points(gpx: Any, name: str, legs: Sequence[Leg], ends: Sequence[tuple[Place, Place]]) -> list[Any]:
    places = [start for start, _ in ends] + [ends[-1][1]]
    texts = [leg_sentence(leg) for leg in legs] + ["End of the walk."]
    return [
        gpx.GPXWaypoint(lat, lon, elevation=z, name=f"{name}-{number:02d}", description=text)
        for number, ((lon, lat, z), text) in enumerate(zip(places, texts, strict=True), start=1)
    ]


def _track_text(plan: Plan, searcher: int, legs: Sequence[Leg]) -> str:
    lanes = ", ".join(str(lane) for lane in dict.fromkeys(leg.lane for leg in legs if leg.lane is not None))
    return (
        f"Searcher {searcher}: lanes {lanes}; {plan.search.walk_m(searcher):.0f} m on the snow, "
        f"strips of {plan.search.strip_width_m:g} m."
    )


def _rounded(z: float | None) -> float | None:
    return round(z, 1) if z is not None else None
