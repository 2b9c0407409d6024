"""Targets and debriefs handed over: numbers, layers, sheets, tracks and the replay."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, MultiLineString, MultiPolygon, Point

from lastseen import __version__
from lastseen.core import (
    WGS84,
    BoolArray,
    InputError,
    Progress,
    keep_areas,
    mgrs_text,
    no_progress,
    to_lonlat,
    transformer,
)
from lastseen.jobs import (
    LOG_HEAD,
    Debrief,
    Difficulty,
    Mark,
    PlannedSearch,
    Searcher,
    StakeOut,
    Target,
    TargetPlan,
    exercise_of,
)
from lastseen.output.caution import FULL_CAUTION
from lastseen.output.layers import Column, Layer
from lastseen.output.numbers import SCHEMA_VERSION, numbers_text, rounded
from lastseen.output.write import new_folder
from lastseen.search import sum_coverage

# ---- What a drill hands over before it: sheets, GPX for hiding and for searching, layers, numbers, a form for times

TARGETS_MARKER = "targets.json"
DEGREE_DECIMALS = 7
FORM_HINT = (
    "# Times when a phase ended: minutes and seconds since the clock's zero (4:05), or date and time with zone.",
    "# Phases: A clue search, B signal search (first signal), C coarse, D fine (first use of the probe), E first hit,",
    "# free (head and chest free). Phase start with date and time sets the zero. Lines without a time are skipped.",
)


def write_targets(
    plan: PlannedSearch,
    hidden: TargetPlan,
    folder: Path,
    *,
    overwrite: bool = False,
    progress: Progress = no_progress,
) -> tuple[Path, ...]:
    """Write all that a drill needs into one folder; it appears whole or not at all; same input, same bytes.

    Parameters
    ----------
    plan : Planned
    hidden : Hidden
    folder : Path
    overwrite : bool
        Whether older targets may be replaced.
    progress : callable, optional

    Returns
    -------
    tuple of Path
        The files, by name.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.output.write.new_folder`.
    """
    from lastseen.output.formats import gpkg  # noqa: PLC0415  slow to import
    from lastseen.output.sheets import drill  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=TARGETS_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / TARGETS_MARKER).write_text(
            numbers_text(target_numbers(plan, hidden)), encoding="utf-8", newline="\n"
        )
        gpkg.write_layers(partial / "targets.gpkg", target_layers(plan, hidden), plan.crs, _targets_run(plan, hidden))
        write_hiding_gpx(plan, hidden, partial / "hiding.gpx")
        write_searching_gpx(plan, partial / "searching.gpx")
        (partial / "times.csv").write_text(times_form(plan, hidden), encoding="utf-8", newline="\n")
        progress("drawing the staff sheet", 0.3)
        drill.write_staff_sheet(plan, hidden, partial / "staff.pdf")
        progress("drawing the search sheet", 0.6)
        drill.write_trainee_sheet(plan, hidden, partial / "trainees.pdf")
        progress("drawing the run sheet", 0.9)
        drill.write_run_sheet(plan, hidden, partial / "times.pdf")
        names = sorted(path.name for path in partial.iterdir())
        progress("done", 1.0)
    return tuple(folder / name for name in names)


def target_numbers(plan: PlannedSearch, hidden: TargetPlan) -> dict[str, Any]:
    """All numbers of hidden targets as plain values."""
    authority = plan.crs.to_authority()
    rows = []
    hard = {one.name: one for one in hidden.difficulty}
    for target, stake in zip(hidden.targets, hidden.stakes, strict=True):
        place = to_lonlat(target.x_m, target.y_m, plan.crs)
        rows.append(
            {
                **rounded(asdict(target)),
                "lonlat": [round(place.lon_deg, DEGREE_DECIMALS), round(place.lat_deg, DEGREE_DECIMALS)],
                "mgrs": mgrs_text(place),
                "stake_out": rounded(asdict(stake)),
                "difficulty": rounded(asdict(hard[target.name])) if target.name in hard else None,
            }
        )
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "lastseen", "version": __version__},
        "caution": FULL_CAUTION,
        "name": plan.name,
        "seed": hidden.seed,
        "crs": ":".join(authority) if authority else plan.crs.to_wkt(),
        "strip_width_m": plan.strip_width_m,
        "exercise_name": hidden.exercise_name,
        "exercise": hidden.exercise.model_dump(mode="json"),
        "transmitters": hidden.transmitters,
        "hide_order": list(hidden.order),
        "marks": [rounded(asdict(mark)) for mark in hidden.marks],
        "targets": rows,
    }


def read_targets(folder: Path) -> TargetPlan:
    """Hidden targets from the folder that `write_targets` made.

    Raises
    ------
    InputError
        If there are none, or they cannot be read.
    """
    path = folder / TARGETS_MARKER if folder.is_dir() else folder
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        keys = Target.__dataclass_fields__
        rows = document["targets"]
        targets = tuple(Target(**{key: row[key] for key in keys}) for row in rows)
        stakes = tuple(StakeOut(**row["stake_out"]) for row in rows)
        hard = tuple(_difficulty(row["difficulty"]) for row in rows if row["difficulty"])
        a, b = (Mark(**one) for one in document["marks"])
        exercise = exercise_of(document["exercise"], path.name)
        name, order = document["exercise_name"], tuple(document["hide_order"])
        return TargetPlan(
            exercise_name=name,
            exercise=exercise,
            seed=int(document["seed"]),
            targets=targets,
            difficulty=hard,
            marks=(a, b),
            stakes=stakes,
            order=order,
        )
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"{path} holds no targets that can be read ({error}): name the folder of lastseen drill targets"
        ) from error


def _difficulty(raw: dict[str, Any]) -> Difficulty:
    times = tuple(math.nan if one is None else float(one) for one in raw["first_signal_s"])
    near = math.inf if raw["neighbour_m"] is None else raw["neighbour_m"]
    return Difficulty(**{**raw, "first_signal_s": times, "neighbour_m": near})


def target_layers(plan: PlannedSearch, hidden: TargetPlan) -> tuple[Layer, ...]:
    """Targets, marks and the outline as layers."""
    hard = {one.name: one for one in hidden.difficulty}
    columns = (
        Column("name", "text", "T1 ... targets, D1 ... decoys"),
        Column("what", "text", "target or decoy"),
        Column("depth_m", "real", "below the snow, at right angles"),
        Column("azimuth_deg", "real", "of the axis, from grid north"),
        Column("dip_deg", "real", "of the axis below the horizontal"),
        Column("first_signal_s", "real", "median, if the plan is walked"),
        Column("overlap", "real", "share of its ground from which another target is heard"),
    )
    rows = tuple(
        (
            target.name,
            target.what,
            target.depth_m,
            target.azimuth_deg,
            target.dip_deg,
            *_numbers_of(hard.get(target.name)),
        )
        for target in hidden.targets
    )
    points = tuple(Point(target.x_m, target.y_m) for target in hidden.targets)
    marks = tuple(Point(mark.x_m, mark.y_m) for mark in hidden.marks)
    name = (Column("name", "text", "A or B"),)
    return (
        Layer(
            "targets", "Hidden targets", "Dummies and decoys, where they are hidden.", "Point", columns, points, rows
        ),
        Layer(
            "marks",
            "Marks for the tapes",
            "The two marks that stake-out distances are taped from.",
            "Point",
            name,
            marks,
            tuple((mark.name,) for mark in hidden.marks),
        ),
        Layer(
            "outline",
            "Outline",
            "What is searched.",
            "MultiPolygon",
            (Column("name", "text", "plan"),),
            (plan.outline,),
            ((plan.name,),),
        ),
    )


def _numbers_of(one: Difficulty | None) -> tuple[float | None, float | None]:
    if one is None:
        return None, None
    return one.first_signal_s[1] if math.isfinite(one.first_signal_s[1]) else None, one.overlap


def _targets_run(plan: PlannedSearch, hidden: TargetPlan) -> list[tuple[str, str]]:
    from lastseen.output.formats.gpkg import run_rows  # noqa: PLC0415  slow to import

    return run_rows(
        plan.name,
        exercise=hidden.exercise_name,
        source=hidden.exercise.source,
        seed=hidden.seed,
        transmitters=hidden.transmitters,
    )


def write_hiding_gpx(plan: PlannedSearch, hidden: TargetPlan, path: Path) -> None:
    """Waypoints for those who hide: marks and targets in the order of hiding. Never hand this to trainees."""
    document = _gpx(f"{plan.name}: hiding, staff only")
    stakes = {stake.name: stake for stake in hidden.stakes}
    for mark in hidden.marks:
        document.waypoints.append(_waypoint(plan, mark, mark.name, f"Mark {mark.name} for the tapes"))
    for number, target in enumerate(hidden.targets, start=1):
        stake = stakes[target.name]
        text = (
            f"{number}. to hide: {target.what}, {target.depth_m:.2f} m deep, "
            f"{stake.from_a_m:.1f} m from A, {stake.from_b_m:.1f} m from B"
        )
        document.waypoints.append(_waypoint(plan, target, target.name, text))
    _write_gpx(document, path)


def write_searching_gpx(plan: PlannedSearch, path: Path) -> None:
    """The outline alone, for those who search: no target and no lane."""
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    document = _gpx(f"{plan.name}: outline to search")
    to_degrees = transformer(plan.crs, WGS84)
    track = gpxpy.gpx.GPXTrack(name="Outline", description="Edge of the ground to search")
    for ring in shapely.get_rings(shapely.get_parts(plan.outline)):
        xy = shapely.get_coordinates(ring)
        lon, lat = to_degrees.transform(xy[:, 0], xy[:, 1])
        points = [gpxpy.gpx.GPXTrackPoint(*_rounded(a, b)) for a, b in zip(lat, lon, strict=True)]
        track.segments.append(gpxpy.gpx.GPXTrackSegment(points))
    document.tracks.append(track)
    if plan.last_seen_m is not None:
        lon, lat = to_degrees.transform(*plan.last_seen_m)
        document.waypoints.append(gpxpy.gpx.GPXWaypoint(*_rounded(lat, lon), name="LSP", description="Last-seen point"))
    _write_gpx(document, path)


def _gpx(name: str) -> Any:
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    document = gpxpy.gpx.GPX()
    document.creator = f"lastseen {__version__}"
    document.name, document.description = name, FULL_CAUTION
    return document


def _write_gpx(document: Any, path: Path) -> None:
    path.write_text(document.to_xml(version="1.1") + "\n", encoding="utf-8", newline="\n")


def _waypoint(plan: PlannedSearch, one: Target | Mark, name: str, text: str) -> Any:
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    place = to_lonlat(one.x_m, one.y_m, plan.crs)
    height = None if plan.flat else round(one.z_m, 1)
    return gpxpy.gpx.GPXWaypoint(*_rounded(place.lat_deg, place.lon_deg), elevation=height, name=name, description=text)


def _rounded(lat: float, lon: float) -> tuple[float, float]:
    return float(np.round(lat, DEGREE_DECIMALS)), float(np.round(lon, DEGREE_DECIMALS))


def times_form(plan: PlannedSearch, hidden: TargetPlan) -> str:
    """A CSV to fill in: a line for each searcher, target and phase."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(LOG_HEAD)
    out.write("\n".join(FORM_HINT) + "\n")
    targets = [target.name for target in hidden.targets if target.what == "target"]
    writer.writerow(("", "", "start", ""))
    for searcher in range(1, max(1, plan.searchers) + 1):
        writer.writerow((f"S{searcher}", "", "A", ""))
        for target in sorted(targets, key=lambda name: int(name[1:])):
            writer.writerows((f"S{searcher}", target, phase, "") for phase in ("B", "C", "D", "E", "free"))
    return out.getvalue()


# ---- What a debrief hands over: numbers, layers, a page for each searcher and the team, and the replay

DEBRIEF_MARKER = "debrief.json"


def write_debrief(
    made: Debrief,
    folder: Path,
    *,
    overwrite: bool = False,
    progress: Progress = no_progress,
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
        See `lastseen.output.write.new_folder`.
    """
    from lastseen.output.formats import gpkg  # noqa: PLC0415  slow to import
    from lastseen.output.onefile.replay import write_replay  # noqa: PLC0415  slow to import
    from lastseen.output.sheets import debrief  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=DEBRIEF_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / DEBRIEF_MARKER).write_text(numbers_text(debrief_numbers(made)), encoding="utf-8", newline="\n")
        gpkg.write_layers(partial / "debrief.gpkg", debrief_layers(made), made.plan.crs, _debrief_run(made))
        progress("writing the replay", 0.1)
        write_replay(made, partial / "replay.html")
        progress("drawing the team's page", 0.2)
        debrief.write_team_sheet(made, partial / "team.pdf")
        for done, searcher in enumerate(made.searchers):
            progress(f"drawing the page of {searcher.track.name}", 0.3 + 0.7 * done / len(made.searchers))
            debrief.write_searcher_sheet(made, searcher, partial / sheet_name(searcher))
        names = sorted(path.name for path in partial.iterdir())
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
        "searchers": [_searcher(made, searcher) for searcher in made.searchers],
        "left_out": [asdict(one) for one in made.left_out],
        "lanes": [_lane(made, asdict(lane)) for lane in made.lanes.lanes],
        "spacings": [asdict(spacing) for spacing in made.lanes.spacings],
        "turns": [asdict(turn) for turn in made.lanes.turns],
        "gaps": [_gap(made, hole) for hole in left.holes],
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
                {"letter": phase.letter, "name": phase.name, "low_s": phase.time_s.low,
                 "typical_s": phase.time_s.typical, "high_s": phase.time_s.high,
                 "basis": phase.basis, "confidence": phase.confidence}
                for phase in made.clock.phases
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
        "said": list(one.cleaning_notes),
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


def _debrief_run(made: Debrief) -> list[tuple[str, str]]:
    from lastseen.output.formats.gpkg import run_rows  # noqa: PLC0415  slow to import

    strip, error = f"{made.plan.strip_width_m:g}", f"{made.gps_error_m:g}"
    return run_rows(made.plan.name, made.notes, strip_width_m=strip, gps_error_m=error)


def debrief_layers(made: Debrief) -> tuple[Layer, ...]:
    """Tracks, coverage band, gaps and turns as layers."""
    sure, _, most = (np.isfinite(team_) for team_ in made.team_s)
    kinds = (("surely covered", sure), ("perhaps covered", most & ~sure), ("not covered", ~most))
    weight = made.lattice.weight_m2
    band = [(_area(made, mine), (words, float(weight[mine].sum()))) for words, mine in kinds]
    tracks = [
        (_lines(searcher), (searcher.track.name, searcher.metres, searcher.band.sure, searcher.band.half))
        for searcher in made.searchers
    ]
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
    return Layer(name, title, about, kind, tuple(Column(*column) for column in columns), shapes, values)


def _area(made: Debrief, mine: BoolArray) -> MultiPolygon:
    """The ground that some samples stand for."""
    return keep_areas(sum_coverage(made.plan.outline, made.lattice, ~mine).uncovered)


def _lines(one: Searcher) -> MultiLineString:
    track = one.track
    runs = [track.run == k for k in range(int(track.run[-1]) + 1)]
    return MultiLineString([LineString(np.column_stack([track.x_m[r], track.y_m[r]])) for r in runs if r.sum() > 1])
