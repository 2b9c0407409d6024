"""Tracks and waypoints as GPX 1.1, for phones and handheld receivers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.core import WGS84, Progress, transformer
from lastseen.output.result import DEGREE_DECIMALS, SHORT_CAUTION, Layer, Options, Result, Track, Tracks, Waypoint

# What small and old receivers hold. Common practice, no source: makers differ, and no standard sets a limit.
BASIC_WAYPOINTS = 100  # of one file
BASIC_TRACK_POINTS = 250  # of one track, all in one segment
BASIC_NAME = 6  # letters and digits of a name
BASIC_TEXT = 30  # letters of a description
HEIGHT_DECIMALS = 1


def write(result: Result, folder: Path, options: Options, _progress: Progress) -> None:
    """Write each file of tracks; the same result gives the same bytes.

    For basic receivers, ``lanes-S1.gpx`` and so on, one for each track, and another one (``lanes-S1-2.gpx``) for each
    further hundred waypoints. Tracks have one segment of at most 250 points, the next begins where the last ended.
    """
    for name, tracks in (result.tracks or {result.stem: tracks_of_layers(result)}).items():
        parts = _basic_parts(tracks) if options.device == "basic" else {"": tracks}
        for end, part in parts.items():
            (folder / f"{name}{end}.gpx").write_text(gpx_text(part, result.crs), encoding="utf-8", newline="\n")


def gpx_text(tracks: Tracks, crs: Any) -> str:
    """The document; points come in map metres of ``crs``."""
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    document = gpxpy.gpx.GPX()
    document.creator = f"lastseen {__version__}"
    document.name, document.description = tracks.title, tracks.about
    to_degrees = transformer(crs, WGS84)

    def places(points: Sequence[tuple[float, float, float | None]]) -> list[tuple[float, float, float | None]]:
        xyz = np.array(points, dtype=float).reshape(-1, 3)
        lon, lat = to_degrees.transform(xyz[:, 0], xyz[:, 1])
        lat_lon = np.column_stack([lat, lon]).tolist()
        heights = [round(z, HEIGHT_DECIMALS) if math.isfinite(z) else None for z in xyz[:, 2].tolist()]
        return [
            (round(a, DEGREE_DECIMALS), round(b, DEGREE_DECIMALS), z)
            for (a, b), z in zip(lat_lon, heights, strict=True)
        ]

    where = places([(point.x_m, point.y_m, point.z_m) for point in tracks.waypoints])
    document.waypoints = [
        gpxpy.gpx.GPXWaypoint(lat, lon, elevation=z, name=point.name, description=point.text)
        for point, (lat, lon, z) in zip(tracks.waypoints, where, strict=True)
    ]
    for track in tracks.tracks:
        drawn = gpxpy.gpx.GPXTrack(name=track.name, description=track.text)
        for segment in track.segments:
            points = [gpxpy.gpx.GPXTrackPoint(lat, lon, elevation=z) for lat, lon, z in places(segment)]
            drawn.segments.append(gpxpy.gpx.GPXTrackSegment(points))
        document.tracks.append(drawn)
    return str(document.to_xml(version="1.1")) + "\n"


def _basic_parts(tracks: Tracks) -> dict[str, Tracks]:
    names = list(dict.fromkeys([point.track for point in tracks.waypoints] + [track.name for track in tracks.tracks]))
    parts: dict[str, Tracks] = {}
    for name in names:
        points = [
            replace(point, name=point.name[:BASIC_NAME], text=(point.short or point.text)[:BASIC_TEXT])
            for point in tracks.waypoints
            if point.track == name
        ]
        short = tuple(part for track in tracks.tracks if track.name == name for part in _basic_tracks(track))
        for number, first in enumerate(range(0, max(len(points), 1), BASIC_WAYPOINTS), start=1):
            end = (f"-{name}" if name else "") + ("" if number == 1 else f"-{number}")
            parts[end] = Tracks(
                title=tracks.title,
                about=SHORT_CAUTION,
                waypoints=tuple(points[first : first + BASIC_WAYPOINTS]),
                tracks=short if number == 1 else (),
            )
    return parts


def _basic_tracks(track: Track) -> list[Track]:
    first, *others = track.segments
    points = [*first, *(point for segment in others for point in segment[1:])]
    return [
        Track(
            name=(track.name if part == 0 else f"{track.name}T{part + 1}")[:BASIC_NAME],
            segments=(tuple(points[begin : begin + BASIC_TRACK_POINTS]),),
        )
        for part, begin in enumerate(range(0, len(points) - 1, BASIC_TRACK_POINTS - 1))
    ]


def tracks_of_layers(result: Result) -> Tracks:
    """Points as waypoints, lines and edges of areas as tracks, named by their layer and number."""
    waypoints: list[Waypoint] = []
    tracks: list[Track] = []
    for layer in result.layers.values():
        for number, shape in enumerate(layer.shapes, start=1):
            name = f"{layer.name}-{number}"
            if layer.geometry == "Point":
                x, y, *_ = shape.coords[0]
                waypoints.append(Waypoint(x_m=x, y_m=y, name=name, text=layer.title))
            else:
                segments = tuple(tuple((x, y, None) for x, y, *_ in line.coords) for line in _lines(layer, shape))
                tracks.append(Track(name=name, text=layer.title, segments=segments))
    return Tracks(title=result.title, waypoints=tuple(waypoints), tracks=tuple(tracks))


def _lines(layer: Layer, shape: BaseGeometry) -> list[Any]:
    parts = shapely.get_parts(shape)
    return list(shapely.get_rings(parts) if layer.geometry == "MultiPolygon" else parts)
