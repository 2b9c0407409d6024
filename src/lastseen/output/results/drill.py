"""Results of a drill: hidden targets before it, the debrief after it."""

from __future__ import annotations

import math
import re
from dataclasses import asdict
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry import LineString, MultiLineString, MultiPolygon, Point

from lastseen.core import (
    BoolArray,
    keep_areas,
    mgrs_text,
    to_lonlat,
)
from lastseen.jobs import LOG_HEAD
from lastseen.output.onefile.replay import write_replay
from lastseen.output.result import (
    Layer,
    Raster,
    Result,
    Table,
    Track,
    Tracks,
    Waypoint,
    make_columns,
    make_layer,
    make_product,
)
from lastseen.output.results.numbers import (
    crs_text,
    degrees_of,
    head_numbers,
    rounded,
    run_rows,
)
from lastseen.output.sheets.debrief import write_searcher_sheet, write_team_sheet
from lastseen.output.sheets.drill import write_run_sheet, write_staff_sheet, write_trainee_sheet
from lastseen.search import sum_coverage

if TYPE_CHECKING:
    from lastseen.jobs import (
        Debrief,
        Difficulty,
        PlannedSearch,
        Searcher,
        TargetPlan,
    )


def _flat_segment(line: Any) -> tuple[tuple[float, float, None], ...]:
    """Points of a line without heights."""
    return tuple((float(x), float(y), None) for x, y in shapely.get_coordinates(line))


# ---- Hidden targets

FORM_HINT = (
    "# Times when a phase ended: minutes and seconds since the clock's zero (4:05), or date and time with zone.",
    "# Phases: A clue search, B signal search (first signal), C coarse, D fine (first use of the probe), E first hit,",
    "# free (head and chest free). Phase start with date and time sets the zero. Lines without a time are skipped.",
)


def result_of_targets(plan: PlannedSearch, hidden: TargetPlan) -> Result:
    """Hidden targets: numbers, layers, sheets for staff and trainees, tracks for hiding and searching, a form."""
    return Result(
        job="targets",
        numbers=_target_numbers(plan, hidden),
        layers={layer.name: layer for layer in _target_layers(plan, hidden)},
        rasters={"ground": _ground_raster(plan)},
        tables={"times": _times_form(plan, hidden)},
        tracks={"hiding": _hiding_tracks(plan, hidden), "searching": _searching_tracks(plan)},
        products={
            "staff": make_product("staff sheet", "staff.pdf", partial(write_staff_sheet, plan, hidden)),
            "trainees": make_product("search sheet", "trainees.pdf", partial(write_trainee_sheet, plan, hidden)),
            "run-sheet": make_product("run sheet", "times.pdf", partial(write_run_sheet, plan, hidden)),
        },
        run=run_rows(
            plan.name,
            exercise=hidden.exercise_name,
            source=hidden.exercise.source,
            seed=hidden.seed,
            transmitters=hidden.transmitters,
        ),
        default=("json", "gpkg", "gpx", "csv", "staff", "trainees", "run-sheet"),
        crs=plan.crs,
    )


def _ground_raster(plan: PlannedSearch) -> Raster:
    return Raster(bands=(plan.ground,), descriptions=("elevation of the ground",), units=("m",))


def _target_numbers(plan: PlannedSearch, hidden: TargetPlan) -> dict[str, Any]:
    rows = []
    hard = {target.name: target for target in hidden.difficulty}
    for target, stake in zip(hidden.targets, hidden.stakes, strict=True):
        place = to_lonlat(target.x_m, target.y_m, plan.crs)
        rows.append(
            {
                **rounded(asdict(target)),
                "lonlat": degrees_of(place),
                "mgrs": mgrs_text(place),
                "stake_out": rounded(asdict(stake)),
                "difficulty": rounded(asdict(hard[target.name])) if target.name in hard else None,
            }
        )
    return {
        **head_numbers(plan.name),
        "seed": hidden.seed,
        "crs": crs_text(plan.crs),
        "strip_width_m": plan.strip_width_m,
        "exercise_name": hidden.exercise_name,
        "exercise": hidden.exercise.model_dump(mode="json"),
        "transmitters": hidden.transmitters,
        "hide_order": list(hidden.order),
        "marks": [rounded(asdict(mark)) for mark in hidden.marks],
        "targets": rows,
    }


def _target_layers(plan: PlannedSearch, hidden: TargetPlan) -> tuple[Layer, ...]:
    """Targets, marks and the outline."""
    hard = {target.name: target for target in hidden.difficulty}
    return (
        make_layer(
            [
                (
                    Point(target.x_m, target.y_m),
                    (target.name, target.what, target.depth_m, target.azimuth_deg, target.dip_deg,
                     *_difficulty_values(hard.get(target.name))),
                )
                for target in hidden.targets
            ],
            name="targets",
            title="Hidden targets",
            about="Dummies and decoys, where they are hidden.",
            geometry="Point",
            columns=make_columns(
                [("name", "text", "T1 ... targets, D1 ... decoys"),
                ("what", "text", "target or decoy"),
                ("depth_m", "real", "below the snow, at right angles"),
                ("azimuth_deg", "real", "of the axis, from grid north"),
                ("dip_deg", "real", "of the axis below the horizontal"),
                ("first_signal_s", "real", "median, if the plan is walked"),
                ("overlap", "real", "share of its ground from which another target is heard"),],
            ),
        ),
        make_layer(
            [(Point(mark.x_m, mark.y_m), (mark.name,)) for mark in hidden.marks],
            name="marks",
            title="Marks for the tapes",
            about="The two marks that stake-out distances are taped from.",
            geometry="Point",
            columns=make_columns([("name", "text", "A or B"),]),
        ),
        make_layer(
            [(plan.outline, (plan.name,))],
            name="outline",
            title="Outline",
            about="What is searched.",
            geometry="MultiPolygon",
            columns=make_columns([("name", "text", "plan"),]),
        ),
    )  # fmt: skip


def _difficulty_values(difficulty: Difficulty | None) -> tuple[float | None, float | None]:
    if difficulty is None:
        return None, None
    median_s = difficulty.first_signal_s[1]
    return median_s if math.isfinite(median_s) else None, difficulty.overlap


def _hiding_tracks(plan: PlannedSearch, hidden: TargetPlan) -> Tracks:
    """Marks and targets in the order of hiding, for those who hide. Never hand this to trainees."""
    stakes = {stake.name: stake for stake in hidden.stakes}
    texts = [(mark, f"Mark {mark.name} for the tapes") for mark in hidden.marks]
    for number, target in enumerate(hidden.targets, start=1):
        stake = stakes[target.name]
        text = (
            f"{number}. to hide: {target.what}, {target.depth_m:.2f} m deep, "
            f"{stake.from_a_m:.1f} m from A, {stake.from_b_m:.1f} m from B"
        )
        texts.append((target, text))
    return Tracks(
        title=f"{plan.name}: hiding, staff only",
        waypoints=tuple(
            Waypoint(x_m=at.x_m, y_m=at.y_m, z_m=None if plan.flat else at.z_m, name=at.name, text=text)
            for at, text in texts
        ),
    )


def _searching_tracks(plan: PlannedSearch) -> Tracks:
    """The outline alone, for those who search: no target and no lane."""
    rings = shapely.get_rings(shapely.get_parts(plan.outline))
    edge = Track(name="Outline", text="Edge of the ground to search", segments=tuple(map(_flat_segment, rings)))
    points = []
    if plan.last_seen_m is not None:
        x, y = plan.last_seen_m
        points.append(Waypoint(x_m=x, y_m=y, name="LSP", text="Last-seen point"))
    return Tracks(title=f"{plan.name}: outline to search", waypoints=tuple(points), tracks=(edge,))


def _times_form(plan: PlannedSearch, hidden: TargetPlan) -> Table:
    """A form to fill in: a line for each searcher, target and phase."""
    targets = [target.name for target in hidden.targets if target.what == "target"]
    rows = [("", "", "start", "")]
    for searcher in range(1, max(1, plan.searchers) + 1):
        rows.append((f"S{searcher}", "", "A", ""))
        for target in sorted(targets, key=lambda name: int(name[1:])):
            rows += [(f"S{searcher}", target, phase, "") for phase in ("B", "C", "D", "E", "free")]
    return Table(head=tuple(LOG_HEAD), below=FORM_HINT, rows=tuple(rows))


# ---- The debrief of a drill


def result_of_debrief(debrief: Debrief) -> Result:
    """A debrief: numbers, layers, a page for each searcher and the team, the replay."""
    plan = debrief.plan
    return Result(
        job="debrief",
        numbers=_debrief_numbers(debrief),
        layers={layer.name: layer for layer in _debrief_layers(debrief)},
        rasters={"ground": _ground_raster(plan)},
        products={
            "replay": make_product("replay", "replay.html", partial(write_replay, debrief)),
            "team": make_product("the team's page", "team.pdf", partial(write_team_sheet, debrief)),
            "searchers": make_product("pages of the searchers", "", partial(_draw_searchers, debrief)),
        },
        run=run_rows(
            plan.name, debrief.notes, strip_width_m=f"{plan.strip_width_m:g}", gps_error_m=f"{debrief.gps_error_m:g}"
        ),
        default=("json", "gpkg", "replay", "team", "searchers"),
        crs=plan.crs,
    )


def _draw_searchers(debrief: Debrief, folder: Path) -> None:
    for searcher in debrief.searchers:
        write_searcher_sheet(debrief, searcher, folder / sheet_name(searcher))


def sheet_name(searcher: Searcher) -> str:
    """Name of a searcher's page: number and track, letters that any disk takes."""
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", searcher.track.name).strip("-")[:40]
    return f"searcher-{searcher.number:02d}{'-' + plain if plain else ''}.pdf"


def _debrief_numbers(debrief: Debrief) -> dict[str, Any]:
    """Times are seconds since the clock's zero."""
    plan, left = debrief.plan, debrief.leftover
    document = {
        **head_numbers(plan.name),
        "clock_zero": datetime.fromtimestamp(debrief.zero_s, UTC).isoformat() if debrief.timed else None,
        "strip_width_m": plan.strip_width_m,
        "gps_error_m": debrief.gps_error_m,
        "radii_m": {**asdict(debrief.radii), "gradable": debrief.radii.gradable},
        "planned_coverage": plan.coverage,
        "team": {**asdict(debrief.band), "covered_by_s": _covered_by(debrief)},
        "searchers": [_searcher_record(debrief, searcher) for searcher in debrief.searchers],
        "left_out": [asdict(one) for one in debrief.left_out],
        "lanes": [_with_clock_times(debrief, asdict(lane)) for lane in debrief.lanes.lanes],
        "spacings": [asdict(spacing) for spacing in debrief.lanes.spacings],
        "turns": [asdict(turn) for turn in debrief.lanes.turns],
        "gaps": [_gap_record(debrief, hole) for hole in left.holes],
        "poa": {
            key: dict(zip(("surely", "perhaps", "not_covered", "outside"), value, strict=True))
            for key, value in (("before", left.poa_before), ("after", left.poa_after))
        },
        "found": left.found,
        "advice": list(left.advice),
        "clock": {
            "curve": debrief.clock.curve.name,
            "source": debrief.clock.curve.source,
            "phases": [
                {"letter": phase.letter, "name": phase.name, "low_s": phase.time_s.low,
                 "typical_s": phase.time_s.typical, "high_s": phase.time_s.high,
                 "basis": phase.basis, "confidence": phase.confidence}
                for phase in debrief.clock.phases
            ],
            "notes": list(debrief.clock.notes),
        },
        "notes": list(debrief.notes),
    }  # fmt: skip
    plain: dict[str, Any] = rounded(document)
    return plain


def _searcher_record(debrief: Debrief, searcher: Searcher) -> dict[str, Any]:
    c = searcher.track.cleaning
    gaps = [{"from_s": g.from_s - debrief.zero_s, "to_s": g.to_s - debrief.zero_s, "metres": g.metres} for g in c.gaps]
    return {
        "number": searcher.number,
        "track": searcher.track.name,
        "walked_m": searcher.metres,
        "begin_s": float(searcher.time_s[0]) - debrief.zero_s if searcher.track.timed else None,
        "end_s": float(searcher.time_s[-1]) - debrief.zero_s if searcher.track.timed else None,
        "coverage": asdict(searcher.band),
        "cleaning": {**{key: value for key, value in asdict(c).items() if key not in {"gaps", "notes"}}, "gaps": gaps},
        "said": list(searcher.cleaning_notes),
        "lanes": [_with_clock_times(debrief, asdict(lane)) for lane in searcher.lanes.lanes],
        "phases": [asdict(phase) for phase in searcher.phases],
        "signals": [asdict(signal) for signal in searcher.signals],
        "speeds": [{**asdict(speed), "m_s": speed.m_s} for speed in searcher.speeds],
    }


def _with_clock_times(debrief: Debrief, values: dict[str, Any]) -> dict[str, Any]:
    """Times since the clock's zero."""
    return {key: value - debrief.zero_s if key in {"begin_s", "end_s"} else value for key, value in values.items()}


def _gap_record(debrief: Debrief, gap: Any) -> dict[str, Any]:
    at = gap.outline.representative_point()
    place = to_lonlat(at.x, at.y, debrief.plan.crs)
    return {
        "number": gap.number, "area_m2": gap.area_m2, "missed": gap.missed, "poa": gap.poa, "mgrs": mgrs_text(place),
        "lonlat": degrees_of(place),
    }  # fmt: skip


def _covered_by(debrief: Debrief) -> dict[str, float] | None:
    """When half and all of what was covered as recorded was covered."""
    done = debrief.team_s[1][np.isfinite(debrief.team_s[1])]
    if not debrief.timed or done.size == 0:
        return None
    return {"half": float(np.median(done)) - debrief.zero_s, "all": float(done.max()) - debrief.zero_s}


def _debrief_layers(debrief: Debrief) -> tuple[Layer, ...]:
    """Tracks, coverage band, gaps and turns."""
    sure, _, most = (np.isfinite(times_s) for times_s in debrief.team_s)
    kinds = (("surely covered", sure), ("perhaps covered", most & ~sure), ("not covered", ~most))
    weight = debrief.lattice.weight_m2
    return (
        make_layer(
            [
                (_track_lines(searcher), (searcher.track.name, searcher.metres, searcher.band.sure, searcher.band.half))
                for searcher in debrief.searchers
            ],
            name="tracks",
            title="Tracks, cleaned",
            about="Recordings without jumps and standstill.",
            geometry="MultiLineString",
            columns=make_columns(
                [
                    ("name", "text", "of the recording"),
                    ("walked_m", "real", "on the snow"),
                    ("sure", "real", "share of the outline surely covered"),
                    ("as_recorded", "real", "share within half a strip of the track at its word"),
                ],
            ),
        ),
        make_layer(
            [(_ground_of(debrief, samples), (kind, float(weight[samples].sum()))) for kind, samples in kinds],
            name="coverage",
            title="Coverage of the team",
            about="Ground surely, perhaps and not covered, with range and GPS error.",
            geometry="MultiPolygon",
            columns=make_columns(
                [
                    ("kind", "text", "surely, perhaps or not"),
                    ("area_m2", "real", "on the snow"),
                ]
            ),
        ),
        make_layer(
            [
                (MultiPolygon([gap.outline]), (gap.number, gap.area_m2, gap.missed, gap.poa))
                for gap in debrief.leftover.holes
            ],
            name="gaps",
            title="Gaps as recorded",
            about="Ground farther than half a strip from every track.",
            geometry="MultiPolygon",
            columns=make_columns(
                [
                    ("number", "integer", "most probability first"),
                    ("area_m2", "real", "on the snow"),
                    ("missed", "real", "share out of range in any case"),
                    ("poa", "real", "probability of area before the search"),
                ],
            ),
        ),
        make_layer(
            [
                (Point(turn.place_m), (turn.lane, turn.end, turn.planned_edge_m, turn.walked_edge_m, turn.short_m))
                for turn in debrief.lanes.turns
            ],
            name="turns",
            title="Turning points",
            about="Where lanes end, as planned and as walked.",
            geometry="Point",
            columns=make_columns(
                [
                    ("lane", "integer", "of the plan"),
                    ("end", "text", "start or end"),
                    ("planned_edge_m", "real", "to the edge"),
                    ("walked_edge_m", "real", "to the edge"),
                    ("short_m", "real", "turned too early by"),
                ],
            ),
        ),
    )


def _ground_of(debrief: Debrief, samples: BoolArray) -> MultiPolygon:
    """The ground that some samples of the outline stand for."""
    return keep_areas(sum_coverage(debrief.plan.outline, debrief.lattice, ~samples).uncovered)


def _track_lines(searcher: Searcher) -> MultiLineString:
    track = searcher.track
    runs = [track.run == k for k in range(int(track.run[-1]) + 1)]
    return MultiLineString(
        [LineString(np.column_stack([track.x_m[run], track.y_m[run]])) for run in runs if run.sum() > 1]
    )
