"""What a debrief hands over: numbers, layers, a page for each searcher and the team, and the replay."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from shapely.geometry import LineString, MultiLineString, MultiPolygon, Point

from lastseen import __version__
from lastseen.drill.debrief import Debrief, Searcher
from lastseen.grid import BoolArray
from lastseen.outlines import only_areas
from lastseen.place import mgrs_text, to_lonlat
from lastseen.products.caution import FULL_CAUTION
from lastseen.products.folder import new_folder
from lastseen.products.layers import Column, Layer
from lastseen.products.numbers import SCHEMA_VERSION, numbers_text, rounded
from lastseen.search.coverage import summed_up

DEBRIEF_MARKER = "debrief.json"
Progress = Callable[[str, float], None]


def write_debrief(
    made: Debrief,
    folder: Path,
    *,
    overwrite: bool = False,
    progress: Progress = lambda _stage, _share: None,
) -> tuple[Path, ...]:
    """Write a debrief into one folder; it appears whole or not at all; same input, same bytes.

    Parameters
    ----------
    made : Debrief
    folder : Path
    overwrite : bool
        Whether an older debrief may be replaced.
    progress : callable, optional

    Returns
    -------
    tuple of Path
        The files, by name.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.products.folder.new_folder`.
    """
    from lastseen.products import geopackage  # noqa: PLC0415  slow to import
    from lastseen.products.drillsheet import debriefs as sheets  # noqa: PLC0415  slow to import
    from lastseen.products.replay import write_replay  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=DEBRIEF_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / DEBRIEF_MARKER).write_text(numbers_text(debrief_numbers(made)), encoding="utf-8", newline="\n")
        geopackage.write_layers(partial / "debrief.gpkg", debrief_layers(made), made.plan.crs, _run(made))
        progress("writing the replay", 0.1)
        write_replay(made, partial / "replay.html")
        progress("drawing the team's page", 0.2)
        sheets.write_team_sheet(made, partial / "team.pdf")
        for done, one in enumerate(made.searchers):
            progress(f"drawing the page of {one.track.name}", 0.3 + 0.7 * done / len(made.searchers))
            sheets.write_searcher_sheet(made, one, partial / sheet_name(one))
        names = sorted(one.name for one in partial.iterdir())
        progress("done", 1.0)
    return tuple(folder / name for name in names)


def sheet_name(one: Searcher) -> str:
    """Name of a searcher's page: number and track, letters that any disk takes."""
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", one.track.name).strip("-")[:40]
    return f"searcher-{one.number:02d}{'-' + plain if plain else ''}.pdf"


def debrief_numbers(made: Debrief) -> dict[str, Any]:
    """All numbers of a debrief as plain values; times are seconds since the clock's zero."""
    plan, left = made.plan, made.leftover
    document = {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "lastseen", "version": __version__},
        "caution": FULL_CAUTION,
        "name": plan.name,
        "clock_zero": datetime.fromtimestamp(made.zero_s, UTC).isoformat() if made.timed else None,
        "strip_width_m": plan.strip_width_m,
        "gps_error_m": made.gps_error_m,
        "radii_m": {**asdict(made.radii), "gradable": made.radii.gradable},
        "planned_coverage": plan.coverage,
        "team": {**asdict(made.band), "covered_by_s": _covered_by(made)},
        "searchers": [_searcher(made, one) for one in made.searchers],
        "left_out": [asdict(one) for one in made.left_out],
        "lanes": [_lane(made, asdict(one)) for one in made.lanes.lanes],
        "spacings": [asdict(one) for one in made.lanes.spacings],
        "turns": [asdict(one) for one in made.lanes.turns],
        "gaps": [_gap(made, one) for one in left.holes],
        "poa": {
            key: dict(zip(("surely", "perhaps", "not_covered", "outside"), value, strict=True))
            for key, value in (("before", left.poa_before), ("after", left.poa_after))
        },
        "found": left.found,
        "advice": list(left.advice),
        "clock": {
            "curve": made.clock.curve.name,
            "source": made.clock.curve.source,
            "phases": [
                {"letter": one.letter, "name": one.name, "low_s": one.time_s.low, "typical_s": one.time_s.typical,
                 "high_s": one.time_s.high, "basis": one.basis, "confidence": one.confidence}
                for one in made.clock.phases
            ],
            "notes": list(made.clock.notes),
        },
        "notes": list(made.notes),
    }  # fmt: skip
    plain: dict[str, Any] = rounded(document)
    return plain


def _searcher(made: Debrief, one: Searcher) -> dict[str, Any]:
    c = one.track.cleaning
    gaps = [{"from_s": g.from_s - made.zero_s, "to_s": g.to_s - made.zero_s, "metres": g.metres} for g in c.gaps]
    return {
        "number": one.number,
        "track": one.track.name,
        "walked_m": one.metres,
        "begin_s": float(one.time_s[0]) - made.zero_s if one.track.timed else None,
        "end_s": float(one.time_s[-1]) - made.zero_s if one.track.timed else None,
        "coverage": asdict(one.band),
        "cleaning": {**{key: value for key, value in asdict(c).items() if key not in {"gaps", "notes"}}, "gaps": gaps},
        "said": list(one.said),
        "lanes": [_lane(made, asdict(lane)) for lane in one.lanes.lanes],
        "phases": [asdict(phase) for phase in one.phases],
        "signals": [asdict(signal) for signal in one.signals],
        "speeds": [{**asdict(speed), "m_s": speed.m_s} for speed in one.speeds],
    }


def _lane(made: Debrief, values: dict[str, Any]) -> dict[str, Any]:
    """Times since the clock's zero."""
    return {key: value - made.zero_s if key in {"begin_s", "end_s"} else value for key, value in values.items()}


def _gap(made: Debrief, one: Any) -> dict[str, Any]:
    at = one.outline.representative_point()
    place = to_lonlat(at.x, at.y, made.plan.crs)
    return {
        "number": one.number, "area_m2": one.area_m2, "missed": one.missed, "poa": one.poa, "mgrs": mgrs_text(place),
        "lonlat": [round(place.lon_deg, 7), round(place.lat_deg, 7)],
    }  # fmt: skip


def _covered_by(made: Debrief) -> dict[str, float] | None:
    """When half and all of what was covered as recorded was covered."""
    done = made.team_s[1][np.isfinite(made.team_s[1])]
    if not made.timed or done.size == 0:
        return None
    return {"half": float(np.median(done)) - made.zero_s, "all": float(done.max()) - made.zero_s}


def _run(made: Debrief) -> list[tuple[str, str]]:
    from lastseen.products.geopackage import run_rows  # noqa: PLC0415  slow to import

    strip, error = f"{made.plan.strip_width_m:g}", f"{made.gps_error_m:g}"
    return run_rows(made.plan.name, made.notes, strip_width_m=strip, gps_error_m=error)


def debrief_layers(made: Debrief) -> tuple[Layer, ...]:
    """Tracks, coverage band, gaps and turns as layers."""
    sure, _, most = (np.isfinite(one) for one in made.team_s)
    kinds = (("surely covered", sure), ("perhaps covered", most & ~sure), ("not covered", ~most))
    weight = made.lattice.weight_m2
    band = [(_area(made, mine), (words, float(weight[mine].sum()))) for words, mine in kinds]
    tracks = [(_lines(one), (one.track.name, one.metres, one.band.sure, one.band.half)) for one in made.searchers]
    gaps = [(MultiPolygon([g.outline]), (g.number, g.area_m2, g.missed, g.poa)) for g in made.leftover.holes]
    turns = [
        (Point(t.place_m), (t.lane, t.end, t.planned_edge_m, t.walked_edge_m, t.short_m)) for t in made.lanes.turns
    ]
    return (
        _layer("tracks", "Tracks, cleaned", "Recordings without jumps and standstill.",
               "MultiLineString", tracks,
               ("name", "text", "of the recording"),
               ("walked_m", "real", "on the snow"), ("sure", "real", "share of the outline surely covered"),
               ("as_recorded", "real", "share within half a strip of the track at its word")),
        _layer("coverage", "Coverage of the team", "Ground surely, perhaps and not covered, with range and GPS error.",
               "MultiPolygon", band,
               ("kind", "text", "surely, perhaps or not"),
               ("area_m2", "real", "on the snow")),
        _layer("gaps", "Gaps as recorded", "Ground farther than half a strip from every track.",
               "MultiPolygon", gaps,
               ("number", "integer", "most probability first"),
               ("area_m2", "real", "on the snow"), ("missed", "real", "share out of range in any case"),
               ("poa", "real", "probability of area before the search")),
        _layer("turns", "Turning points", "Where lanes end, as planned and as walked.",
               "Point", turns,
               ("lane", "integer", "of the plan"),
               ("end", "text", "start or end"),
               ("planned_edge_m", "real", "to the edge"), ("walked_edge_m", "real", "to the edge"),
               ("short_m", "real", "turned too early by")),
    )  # fmt: skip


def _layer(
    name: str, title: str, about: str, kind: Any, rows: Sequence[tuple[Any, tuple[Any, ...]]], *columns: Any
) -> Layer:
    shapes, values = tuple(one for one, _ in rows), tuple(one for _, one in rows)
    return Layer(name, title, about, kind, tuple(Column(*one) for one in columns), shapes, values)


def _area(made: Debrief, mine: BoolArray) -> MultiPolygon:
    """The ground that some samples stand for."""
    return only_areas(summed_up(made.plan.outline, made.lattice, ~mine).uncovered)


def _lines(one: Searcher) -> MultiLineString:
    track = one.track
    runs = [track.run == k for k in range(int(track.run[-1]) + 1)]
    return MultiLineString([LineString(np.column_stack([track.x_m[r], track.y_m[r]])) for r in runs if r.sum() > 1])
