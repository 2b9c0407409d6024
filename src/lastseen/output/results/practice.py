"""Results of practice: sites, a deposit to practise on, hidden targets, and the debrief of a drill."""

from __future__ import annotations

import json
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

from lastseen.core import WGS84, Grid, keep_areas, mgrs_text, outline_of_level, to_lonlat, transformer, versions
from lastseen.jobs import LOG_HEAD, lookout_words, outline_samples, site_sentences, way_words
from lastseen.output.draw.deposit_map import write_deposit_map
from lastseen.output.draw.site_map import write_site_map
from lastseen.output.formats.gpkg import run_rows
from lastseen.output.formats.json import (
    crs_text,
    degrees_of,
    grid_numbers,
    head_numbers,
    input_files,
    known,
    pick_fields,
    record,
    round_numbers,
)
from lastseen.output.onefile.replay import write_replay
from lastseen.output.result import (
    DEGREE_DECIMALS,
    FULL_CAUTION,
    Layer,
    Raster,
    Result,
    Table,
    Track,
    Tracks,
    Waypoint,
    make_product,
)
from lastseen.output.results.layers import Rows, fill_layers
from lastseen.output.sheets.debrief import write_searcher_sheet, write_team_sheet
from lastseen.output.sheets.drill import write_run_sheet, write_staff_sheet, write_trainee_sheet

if TYPE_CHECKING:
    from lastseen.jobs import (
        Debrief,
        Difficulty,
        PlannedSearch,
        PracticeDeposit,
        Searcher,
        Site,
        SiteView,
        Stake,
        TargetPlan,
    )

# ---- Practice sites
MOST_SHEETS = 3  # sites that get a sheet of their own


def result_of_sites(view: SiteView) -> Result:
    """Practice sites, the best first: numbers, layers, ground that a body reaches, corners and ways, maps."""
    name, ground = view.scenario.name, view.terrain.elevation
    left_out, sites = view.search.request.left_out, view.search.sites
    return Result(
        job="sites",
        numbers=_sites_numbers(view),
        layers=_site_layers(view),
        rasters={"reach": _reach_raster(view)},
        tracks={
            "sites": Tracks(
                title=name or "Practice sites",
                about=f"{FULL_CAUTION} {left_out.capitalize()}." if left_out else FULL_CAUTION,
                waypoints=tuple(point for site in sites for point in _site_waypoints(site, ground)),
                tracks=tuple(track for site in sites for track in _site_tracks(site, ground)),
            )
        },
        products={"map": make_product("maps of the sites", "", partial(_draw, view))},
        run=run_rows(name, view.notes),
        default=("json", "gpx", "gpkg", "cog", "map"),
        crs=ground.crs,
    )


def _draw(view: SiteView, folder: Path) -> None:
    write_site_map(view, folder / "sites.png")
    for site in view.search.sites[:MOST_SHEETS]:
        write_site_map(view, folder / f"site_{site.number:02d}.png", site)


def _sites_numbers(view: SiteView) -> dict[str, Any]:
    search = view.search
    return {
        **head_numbers(view.scenario.name),
        "inputs": input_files(view),
        "versions": versions(),
        "grid": grid_numbers(view.terrain.elevation),
        "wish": record(search.request),
        "left_out": search.request.left_out or None,
        "near": view.near.notations() if view.near else None,
        "reach": {
            "frictions_by_size": list(map(list, search.reach.frictions)),
            "bodies": search.reach.samples,
            "left": search.reach.left,
            "cell_m": search.reach.share.cell_m,
            "start_zones": search.starts.count,
        },
        "sites": [_site_record(view, site) for site in search.sites],
        "refused": record(search.refused),
        "notes": list(view.notes),
    }


def _site_record(view: SiteView, site: Site) -> dict[str, Any]:
    crs = view.terrain.elevation.crs
    numbers = record(site, ("outline", "way_in", "way_out"))
    for key in ("distance_m", "start_distance_m"):
        numbers["exposure"][key] = _decimetres(getattr(site.exposure, key))
    numbers["corners_m"] = [[round(x, 2), round(y, 2)] for x, y in list(site.outline.exterior.coords)[:4]]
    numbers["middle"] = to_lonlat(*site.middle_m, crs).notations()
    if site.lookout is not None:
        numbers["lookout"]["place"] = to_lonlat(*site.lookout.at_m, crs).notations()
    for key, way in (("way_in", site.way_in), ("way_out", site.way_out)):
        numbers[key] = None if way is None else record(way, ("line",))
    return {**numbers, "left_out": view.search.request.left_out or None, "words": site_sentences(site)}


def _decimetres(value: float) -> float | None:
    return round(value, 1) if math.isfinite(value) else None


def _site_layers(view: SiteView) -> dict[str, Layer]:
    search = view.search
    share = search.reach.share  # above half of one friction at least one body passes
    reached = keep_areas(outline_of_level(share, 0.5 / len(search.reach.frictions), 4.0 * share.cell_area_m2))
    rows: dict[str, Rows] = {
        "sites": (
            (MultiPolygon([site.outline]), (
                site.number, site.rank, site.slope_deg, site.downhill_deg, site.exposure.share,
                _decimetres(site.exposure.distance_m), site.statement, site.reason))
            for site in search.sites
        ),
        "ways": (
            (way.line, (site.number, kind, way.length_m, way.time_s, way.reached_m))
            for site in search.sites
            for kind, way in (("way in", site.way_in), ("way out", site.way_out))
            if way is not None
        ),
        "lookouts": (
            (Point(look.at_m), (site.number, look.name, look.sees_site, _decimetres(look.sees_above)))
            for site in search.sites
            if (look := site.lookout) is not None
        ),
        "reached": [(reached, ("share of frictions above 0",))],
    }  # fmt: skip
    layers = fill_layers("sites", rows)
    return {name: layer for name, layer in layers.items() if layer.shapes and not layer.shapes[0].is_empty}


def _reach_raster(view: SiteView) -> Raster:
    reach, left_out = view.search.reach, view.search.request.left_out
    speed = np.where(np.isfinite(reach.share.values), reach.speed_m_s, np.nan)
    more = f"; {left_out}" if left_out else ""
    return Raster(
        bands=(reach.share, reach.share.with_values(speed)),
        descriptions=(
            f"share of frictions with which a body from a start zone passes within 10 m{more}",
            f"greatest speed of a body{more}",
        ),
        units=("1", "m s-1"),
    )


def _site_waypoints(site: Site, ground: Grid) -> list[Waypoint]:
    corners = [
        (f"SITE{site.number}-{letter}", site.statement, xy)
        for letter, xy in zip("ABCD", site.outline.exterior.coords[:4], strict=True)
    ]
    if site.lookout is not None:
        corners.append((site.lookout.name, lookout_words(site.lookout), site.lookout.at_m))
    return [
        Waypoint(x_m=x, y_m=y, z_m=float(ground.sample(x, y)), name=name, text=text) for name, text, (x, y) in corners
    ]


def _site_tracks(site: Site, ground: Grid) -> list[Track]:
    lines: list[tuple[str, str, LineString]] = [(f"SITE{site.number}", site.statement, site.outline.exterior)]
    lines += [
        (f"{name}{site.number}", way_words(way, what), way.line)
        for name, way, what in (("IN", site.way_in, "way in"), ("OUT", site.way_out, "way out"))
        if way is not None
    ]
    return [Track(name=name, text=text, segments=(_segment(line, ground),)) for name, text, line in lines]


def _segment(line: Any, ground: Grid) -> tuple[tuple[float, float, float], ...]:
    xy = shapely.get_coordinates(line)
    z = ground.sample(xy[:, 0], xy[:, 1])
    return tuple((float(a), float(b), float(c)) for (a, b), c in zip(xy, z, strict=True))


# ---- A deposit to practise on
def result_of_deposit(deposit: PracticeDeposit) -> Result:
    """A practice deposit: numbers, layers, outline, stakes, thickness, map.

    ``outline.geojson`` is what ``lastseen strips`` lays a search over.
    """
    return Result(
        job="deposit",
        numbers=_deposit_numbers(deposit),
        layers=_deposit_layers(deposit),
        rasters={
            "thickness": Raster(
                bands=(deposit.shape.thickness_m,),
                descriptions=(f"thickness of the deposit above the snow that is there, vertical{deposit.left_out}",),
                units=("m",),
            )
        },
        tracks={"stakes": _stake_tracks(deposit)},
        products={
            "outline": make_product("outline of the deposit", "", partial(_write_outline, deposit)),
            "map": make_product("map of the deposit", "deposit.png", partial(write_deposit_map, deposit)),
        },
        run=run_rows(deposit.name, deposit.notes, seed=deposit.seed),
        default=("json", "gpkg", "outline", "gpx", "cog", "map"),
        crs=deposit.frame.crs,
    )


def _deposit_numbers(deposit: PracticeDeposit) -> dict[str, Any]:
    crs, push, shape = deposit.frame.crs, deposit.pushing, deposit.shape
    site_keys = (
        "number", "corners_m", "middle", "slope_deg", "downhill_deg", "exposure", "lookout", "left_out", "statement",
    )  # fmt: skip
    return {
        **head_numbers(deposit.name),
        "seed": deposit.seed,
        "versions": versions(),
        "crs": crs_text(crs),
        "site": {key: deposit.site.get(key) for key in site_keys},
        "deposit": {
            "source": shape.source,
            **{key: round(getattr(shape, key), 1) for key in ("volume_m3", "area_m2")},
            "greatest_m": round(shape.greatest_m, 2),
            "mean_m": round(shape.volume_m3 / shape.area_m2, 2),
            "scale": round(shape.scale, 3),
        },
        "pushing": {
            **record(push, ("stakes", "hauls", "borrow")),
            "packing_source": "slab against deposit density, mass kept (from memory); with --packing your own",
            "stakes": [
                {**record(stake), "lonlat": to_lonlat(*stake.at_m, crs).notations()["lonlat"]} for stake in push.stakes
            ],
            "hauls": [record(haul) for haul in push.hauls],
        },
        "notes": list(deposit.notes),
    }


def _deposit_layers(deposit: PracticeDeposit) -> dict[str, Layer]:
    push = deposit.pushing
    at = {stake.name: stake.at_m for stake in push.stakes}
    rows: dict[str, Rows] = {
        "debris_outline": [(deposit.shape.outline, (deposit.shape.source,))],
        "site": [(deposit.outline, (deposit.statement,))],
        "stakes": (
            (Point(stake.at_m), (stake.name, stake.fill_m, stake.cut_m, stake.fill_m3, stake.cut_m3))
            for stake in push.stakes
        ),
        "borrow": [(push.borrow, (push.cut_m,))],
        "hauls": (
            (LineString([at[a], at[b]]), (a, b, haul.volume_m3, haul.distance_m))
            for haul in push.hauls
            for a, b in [(haul.from_stake, haul.to_stake)]
            if haul.distance_m > 0.0
        ),
    }
    return fill_layers("deposit", rows)


def _write_outline(deposit: PracticeDeposit, folder: Path) -> None:
    back = transformer(deposit.frame.crs, WGS84)
    area = shapely.transform(
        deposit.shape.outline, lambda xy: np.round(np.column_stack(back.transform(*xy.T)), DEGREE_DECIMALS)
    )
    about = {"name": "practice deposit", "caution": FULL_CAUTION.replace('"', "'"), "site": deposit.statement}
    text = (
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": '
        f'{json.dumps(about)}, "geometry": {shapely.to_geojson(area)}}}]}}\n'
    )
    (folder / "outline.geojson").write_text(text, encoding="utf-8", newline="\n")


def _stake_tracks(deposit: PracticeDeposit) -> Tracks:
    """Stakes as waypoints with what is to be done there, and the outline as a track."""
    return Tracks(
        title=deposit.name,
        about=f"{FULL_CAUTION} {deposit.statement}",
        waypoints=tuple(
            Waypoint(x_m=x, y_m=y, z_m=float(deposit.ground.sample(x, y)), name=stake.name, text=_stake_text(stake))
            for stake in deposit.pushing.stakes
            for x, y in [stake.at_m]
        ),
        tracks=tuple(
            Track(name=f"EDGE{number}", text=deposit.shape.source, segments=(_flat_segment(part.exterior),))
            for number, part in enumerate(deposit.shape.outline.geoms, start=1)
        ),
    )


def _flat_segment(line: Any) -> tuple[tuple[float, float, None], ...]:
    return tuple((float(x), float(y), None) for x, y in shapely.get_coordinates(line))


def _stake_text(stake: Stake) -> str:
    fill = f"lay {stake.fill_m3:.1f} m3 on its square, {stake.fill_m:.2f} m at the stake"
    cut = f"take {stake.cut_m3:.1f} m3 from its square, as it lies"
    tasks = [text for text, volume in ((fill, stake.fill_m3), (cut, stake.cut_m3)) if volume >= 0.05]
    return ("; ".join(tasks) or "nothing") + "."


# ---- Hidden targets
FORM_HINT = (
    "# Times when a phase ended: minutes and seconds since the clock's zero (4:05), or date and time with zone.",
    "# Phases: A clue search, B signal search (first signal), C coarse, D fine (first use of the probe), E first hit,",
    "# free (head and chest free). Phase start with date and time sets the zero. Lines without a time are skipped.",
)


def result_of_targets(plan: PlannedSearch, hidden: TargetPlan) -> Result:
    """Hidden targets: numbers, layers, sheets for staff and trainees, tracks for hiding and searching, a form."""
    counts: dict[str, Any] = {"seed": hidden.seed, "transmitters": hidden.transmitters}
    return Result(
        job="targets",
        numbers=_target_numbers(plan, hidden),
        layers=_target_layers(plan, hidden),
        rasters={"ground": _ground_raster(plan)},
        tables={"times": _times_form(plan, hidden)},
        tracks={"hiding": _hiding_tracks(plan, hidden), "searching": _searching_tracks(plan)},
        products={
            "staff": make_product("staff sheet", "staff.pdf", partial(write_staff_sheet, plan, hidden)),
            "trainees": make_product("search sheet", "trainees.pdf", partial(write_trainee_sheet, plan, hidden)),
            "run-sheet": make_product("run sheet", "times.pdf", partial(write_run_sheet, plan, hidden)),
        },
        run=run_rows(plan.name, exercise=hidden.exercise_name, source=hidden.exercise.source, **counts),
        default=("json", "gpkg", "gpx", "csv", "staff", "trainees", "run-sheet"),
        crs=plan.crs,
    )


def _ground_raster(plan: PlannedSearch) -> Raster:
    return Raster(bands=(plan.ground,), descriptions=("elevation of the ground",), units=("m",))


def _target_numbers(plan: PlannedSearch, hidden: TargetPlan) -> dict[str, Any]:
    hard = {target.name: target for target in hidden.difficulty}
    places = [to_lonlat(target.x_m, target.y_m, plan.crs) for target in hidden.targets]
    return {
        **head_numbers(plan.name),
        "seed": hidden.seed,
        "crs": crs_text(plan.crs),
        "strip_width_m": plan.strip_width_m,
        "exercise_name": hidden.exercise_name,
        "exercise": hidden.exercise.model_dump(mode="json"),
        "transmitters": hidden.transmitters,
        "hide_order": list(hidden.order),
        "marks": [record(mark) for mark in hidden.marks],
        "targets": [
            {
                **record(target),
                "lonlat": degrees_of(place),
                "mgrs": mgrs_text(place),
                "stake_out": record(stake),
                "difficulty": record(hard[target.name]) if target.name in hard else None,
            }
            for target, stake, place in zip(hidden.targets, hidden.stakes, places, strict=True)
        ],
    }


def _target_layers(plan: PlannedSearch, hidden: TargetPlan) -> dict[str, Layer]:
    hard = {target.name: _difficulty_values(target) for target in hidden.difficulty}
    rows: dict[str, Rows] = {
        "targets": (
            (
                Point(t.x_m, t.y_m),
                (t.name, t.what, t.depth_m, t.azimuth_deg, t.dip_deg, *hard.get(t.name, (None, None))),
            )
            for t in hidden.targets
        ),
        "marks": ((Point(mark.x_m, mark.y_m), (mark.name,)) for mark in hidden.marks),
        "outline": [(plan.outline, (plan.name,))],
    }
    return fill_layers("targets", rows)


def _difficulty_values(difficulty: Difficulty) -> tuple[float | None, float]:
    return known(difficulty.first_signal_s[1]), difficulty.overlap


def _hiding_tracks(plan: PlannedSearch, hidden: TargetPlan) -> Tracks:
    """Marks and targets in the order of hiding, for those who hide. Never hand this to trainees."""
    stakes = {stake.name: stake for stake in hidden.stakes}
    texts: list[tuple[Any, str]] = [(mark, f"Mark {mark.name} for the tapes") for mark in hidden.marks]
    for number, target in enumerate(hidden.targets, start=1):
        tapes = f"{stakes[target.name].from_a_m:.1f} m from A, {stakes[target.name].from_b_m:.1f} m from B"
        texts.append((target, f"{number}. to hide: {target.what}, {target.depth_m:.2f} m deep, {tapes}"))
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
    seen = [plan.last_seen_m] if plan.last_seen_m is not None else []
    points = tuple(Waypoint(x_m=x, y_m=y, name="LSP", text="Last-seen point") for x, y in seen)
    return Tracks(title=f"{plan.name}: outline to search", waypoints=points, tracks=(edge,))


def _times_form(plan: PlannedSearch, hidden: TargetPlan) -> Table:
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
        layers=_debrief_layers(debrief),
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
    return round_numbers({
        **head_numbers(plan.name),
        "clock_zero": datetime.fromtimestamp(debrief.zero_s, UTC).isoformat() if debrief.timed else None,
        "strip_width_m": plan.strip_width_m,
        "gps_error_m": debrief.gps_error_m,
        "radii_m": {**asdict(debrief.radii), "gradable": debrief.radii.gradable},
        "planned_coverage": plan.coverage,
        "team": {**asdict(debrief.band), "covered_by_s": _covered_by(debrief)},
        "searchers": [_searcher_record(debrief, searcher) for searcher in debrief.searchers],
        "left_out": list(map(asdict, debrief.left_out)),
        "lanes": [_with_clock_times(debrief, asdict(lane)) for lane in debrief.lanes.lanes],
        "spacings": list(map(asdict, debrief.lanes.spacings)),
        "turns": list(map(asdict, debrief.lanes.turns)),
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
                {**pick_fields(phase, "letter name"),
                 **{f"{key}_s": value for key, value in pick_fields(phase.time_s, "low typical high").items()},
                 **pick_fields(phase, "basis confidence")}
                for phase in debrief.clock.phases
            ],
            "notes": list(debrief.clock.notes),
        },
        "notes": list(debrief.notes),
    })  # fmt: skip


def _searcher_record(debrief: Debrief, searcher: Searcher) -> dict[str, Any]:
    c, timed = searcher.track.cleaning, searcher.track.timed
    gaps = [{"from_s": g.from_s - debrief.zero_s, "to_s": g.to_s - debrief.zero_s, "metres": g.metres} for g in c.gaps]
    return {
        "number": searcher.number,
        "track": searcher.track.name,
        "walked_m": searcher.metres,
        "begin_s": float(searcher.time_s[0]) - debrief.zero_s if timed else None,
        "end_s": float(searcher.time_s[-1]) - debrief.zero_s if timed else None,
        "coverage": asdict(searcher.band),
        "cleaning": {**{key: value for key, value in asdict(c).items() if key not in {"gaps", "notes"}}, "gaps": gaps},
        "said": list(searcher.cleaning_notes),
        "lanes": [_with_clock_times(debrief, asdict(lane)) for lane in searcher.lanes.lanes],
        "phases": list(map(asdict, searcher.phases)),
        "signals": list(map(asdict, searcher.signals)),
        "speeds": [{**asdict(speed), "m_s": speed.m_s} for speed in searcher.speeds],
    }


def _with_clock_times(debrief: Debrief, values: dict[str, Any]) -> dict[str, Any]:
    return {key: value - debrief.zero_s if key in {"begin_s", "end_s"} else value for key, value in values.items()}


def _gap_record(debrief: Debrief, gap: Any) -> dict[str, Any]:
    at = gap.outline.representative_point()
    place = to_lonlat(at.x, at.y, debrief.plan.crs)
    return {**pick_fields(gap, "number area_m2 missed poa"), "mgrs": mgrs_text(place), "lonlat": degrees_of(place)}


def _covered_by(debrief: Debrief) -> dict[str, float] | None:
    """When half and all of what was covered as recorded was covered."""
    done = debrief.team_s[1][np.isfinite(debrief.team_s[1])]
    if not debrief.timed or done.size == 0:
        return None
    return {"half": float(np.median(done)) - debrief.zero_s, "all": float(done.max()) - debrief.zero_s}


def _debrief_layers(debrief: Debrief) -> dict[str, Layer]:
    sure, _, most = (np.isfinite(times_s) for times_s in debrief.team_s)
    kinds = (("surely covered", sure), ("perhaps covered", most & ~sure), ("not covered", ~most))
    weight = debrief.lattice.weight_m2
    rows: dict[str, Rows] = {
        "tracks": (
            (_track_lines(searcher), (searcher.track.name, searcher.metres, searcher.band.sure, searcher.band.half))
            for searcher in debrief.searchers
        ),
        "coverage": (
            (outline_samples(debrief.plan.outline, debrief.lattice, samples), (kind, float(weight[samples].sum())))
            for kind, samples in kinds
        ),
        "gaps": (
            (MultiPolygon([gap.outline]), (gap.number, gap.area_m2, gap.missed, gap.poa))
            for gap in debrief.leftover.holes
        ),
        "turns": (
            (Point(turn.place_m), (turn.lane, turn.end, turn.planned_edge_m, turn.walked_edge_m, turn.short_m))
            for turn in debrief.lanes.turns
        ),
    }
    return fill_layers("debrief", rows)


def _track_lines(searcher: Searcher) -> MultiLineString:
    track = searcher.track
    runs = [track.run == k for k in range(int(track.run[-1]) + 1)]
    return MultiLineString([np.column_stack([track.x_m[run], track.y_m[run]]) for run in runs if run.sum() > 1])
