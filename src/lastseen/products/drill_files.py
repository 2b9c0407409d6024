"""What a drill hands over before it: sheets, GPX for hiding and for searching, layers, numbers, a form for times."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Point

from lastseen import __version__
from lastseen.drill.debrief import LOG_HEAD
from lastseen.drill.exercises import exercise_of
from lastseen.drill.planned import Planned
from lastseen.drill.targets.model import Difficulty, Hidden, Mark, StakeOut, Target
from lastseen.errors import InputError
from lastseen.place import WGS84, mgrs_text, to_lonlat, transformer
from lastseen.products.caution import FULL_CAUTION
from lastseen.products.folder import new_folder
from lastseen.products.layers import Column, Layer
from lastseen.products.numbers import SCHEMA_VERSION, numbers_text, rounded

TARGETS_MARKER = "targets.json"
DEGREE_DECIMALS = 7
FORM_HINT = (
    "# Times when a phase ended: minutes and seconds since the clock's zero (4:05), or date and time with zone.",
    "# Phases: A clue search, B signal search (first signal), C coarse, D fine (first use of the probe), E first hit,",
    "# free (head and chest free). Phase start with date and time sets the zero. Lines without a time are skipped.",
)
Progress = Callable[[str, float], None]


def write_targets(
    plan: Planned,
    hidden: Hidden,
    folder: Path,
    *,
    overwrite: bool = False,
    progress: Progress = lambda _stage, _share: None,
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
        See `lastseen.products.folder.new_folder`.
    """
    from lastseen.products import geopackage  # noqa: PLC0415  slow to import
    from lastseen.products.drillsheet import targets as sheets  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, marker=TARGETS_MARKER) as partial:
        progress("writing the numbers", 0.0)
        (partial / TARGETS_MARKER).write_text(numbers_text(target_numbers(plan, hidden)), encoding="utf-8", newline="\n")
        geopackage.write_layers(partial / "targets.gpkg", target_layers(plan, hidden), plan.crs, _run(plan, hidden))
        write_hiding_gpx(plan, hidden, partial / "hiding.gpx")
        write_searching_gpx(plan, partial / "searching.gpx")
        (partial / "times.csv").write_text(times_form(plan, hidden), encoding="utf-8", newline="\n")
        progress("drawing the staff sheet", 0.3)
        sheets.write_staff_sheet(plan, hidden, partial / "staff.pdf")
        progress("drawing the search sheet", 0.6)
        sheets.write_trainee_sheet(plan, hidden, partial / "trainees.pdf")
        progress("drawing the run sheet", 0.9)
        sheets.write_run_sheet(plan, hidden, partial / "times.pdf")
        names = sorted(one.name for one in partial.iterdir())
        progress("done", 1.0)
    return tuple(folder / name for name in names)


def target_numbers(plan: Planned, hidden: Hidden) -> dict[str, Any]:
    """All numbers of hidden targets as plain values."""
    authority = plan.crs.to_authority()
    rows = []
    hard = {one.name: one for one in hidden.difficulty}
    for one, stake in zip(hidden.targets, hidden.stakes, strict=True):
        place = to_lonlat(one.x_m, one.y_m, plan.crs)
        rows.append(
            {
                **rounded(asdict(one)),
                "lonlat": [round(place.lon_deg, DEGREE_DECIMALS), round(place.lat_deg, DEGREE_DECIMALS)],
                "mgrs": mgrs_text(place),
                "stake_out": rounded(asdict(stake)),
                "difficulty": rounded(asdict(hard[one.name])) if one.name in hard else None,
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
        "marks": [rounded(asdict(one)) for one in hidden.marks],
        "targets": rows,
    }


def read_targets(folder: Path) -> Hidden:
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
        targets = tuple(Target(**{key: one[key] for key in keys}) for one in rows)
        stakes = tuple(StakeOut(**one["stake_out"]) for one in rows)
        hard = tuple(_difficulty(one["difficulty"]) for one in rows if one["difficulty"])
        a, b = (Mark(**one) for one in document["marks"])
        exercise = exercise_of(document["exercise"], path.name)
        name, order = document["exercise_name"], tuple(document["hide_order"])
        return Hidden(name, exercise, int(document["seed"]), targets, hard, (a, b), stakes, order)
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"{path} holds no targets that can be read ({error}): name the folder of lastseen drill targets"
        ) from error


def _difficulty(raw: dict[str, Any]) -> Difficulty:
    times = tuple(math.nan if one is None else float(one) for one in raw["first_signal_s"])
    near = math.inf if raw["neighbour_m"] is None else raw["neighbour_m"]
    return Difficulty(**{**raw, "first_signal_s": times, "neighbour_m": near})


def target_layers(plan: Planned, hidden: Hidden) -> tuple[Layer, ...]:
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
        (one.name, one.what, one.depth_m, one.azimuth_deg, one.dip_deg, *_numbers_of(hard.get(one.name)))
        for one in hidden.targets
    )
    points = tuple(Point(one.x_m, one.y_m) for one in hidden.targets)
    marks = tuple(Point(one.x_m, one.y_m) for one in hidden.marks)
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
            tuple((one.name,) for one in hidden.marks),
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


def _run(plan: Planned, hidden: Hidden) -> list[tuple[str, str]]:
    from lastseen.products.geopackage import run_rows  # noqa: PLC0415  slow to import

    return run_rows(
        plan.name,
        exercise=hidden.exercise_name,
        source=hidden.exercise.source,
        seed=hidden.seed,
        transmitters=hidden.transmitters,
    )


def write_hiding_gpx(plan: Planned, hidden: Hidden, path: Path) -> None:
    """Waypoints for those who hide: marks and targets in the order of hiding. Never hand this to trainees."""
    document = _gpx(f"{plan.name}: hiding, staff only")
    stakes = {one.name: one for one in hidden.stakes}
    for mark in hidden.marks:
        document.waypoints.append(_waypoint(plan, mark, mark.name, f"Mark {mark.name} for the tapes"))
    for number, one in enumerate(hidden.targets, start=1):
        stake = stakes[one.name]
        text = (
            f"{number}. to hide: {one.what}, {one.depth_m:.2f} m deep, "
            f"{stake.from_a_m:.1f} m from A, {stake.from_b_m:.1f} m from B"
        )
        document.waypoints.append(_waypoint(plan, one, one.name, text))
    _write_gpx(document, path)


def write_searching_gpx(plan: Planned, path: Path) -> None:
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


def _waypoint(plan: Planned, one: Target | Mark, name: str, text: str) -> Any:
    import gpxpy.gpx  # noqa: PLC0415  slow to import

    place = to_lonlat(one.x_m, one.y_m, plan.crs)
    height = None if plan.flat else round(one.z_m, 1)
    return gpxpy.gpx.GPXWaypoint(*_rounded(place.lat_deg, place.lon_deg), elevation=height, name=name, description=text)


def _rounded(lat: float, lon: float) -> tuple[float, float]:
    return float(np.round(lat, DEGREE_DECIMALS)), float(np.round(lon, DEGREE_DECIMALS))


def times_form(plan: Planned, hidden: Hidden) -> str:
    """A CSV to fill in: a line for each searcher, target and phase."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(LOG_HEAD)
    out.write("\n".join(FORM_HINT) + "\n")
    targets = [one.name for one in hidden.targets if one.what == "target"]
    writer.writerow(("", "", "start", ""))
    for searcher in range(1, max(1, plan.searchers) + 1):
        writer.writerow((f"S{searcher}", "", "A", ""))
        for target in sorted(targets, key=lambda name: int(name[1:])):
            writer.writerows((f"S{searcher}", target, phase, "") for phase in ("B", "C", "D", "E", "free"))
    return out.getvalue()
