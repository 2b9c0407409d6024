"""A line of travel read stretch by stretch: files in, a reading out, and what it says in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon

from lastseen.core import (
    FloatArray,
    Grid,
    Ground,
    InputError,
    Progress,
    Scenario,
    Snow,
    depth_text,
    no_progress,
    percent,
)
from lastseen.jobs.notes import ALWAYS, note_grid, to_sentences
from lastseen.jobs.reading.block_run import MEMBERS, SharedDraws, draw_shared
from lastseen.jobs.reading.ground import Heights, PreparedGround, heights_of_model, no_layers, zone_outline
from lastseen.jobs.reading.line_exposure import (
    FARTHEST_M,
    CaughtRecords,
    PassingSamples,
    find_passing_samples,
    follow_caught,
)
from lastseen.jobs.reading.route import Route, read_lines, route_of
from lastseen.jobs.reading.stretches import (
    CONSEQUENCES,
    LEAST_SHARE,
    Regroup,
    Stations,
    Stretch,
    TrapMet,
    cut_into_stretches,
    gather_at_stations,
    places_to_regroup,
)
from lastseen.snow import LARGEST_SLOPE_DEG, LEAST_SLOPE_DEG
from lastseen.terrain import (
    Elevation,
    ElevationReport,
    GroundLayers,
    check_layers,
    inspect_ground,
    open_elevation_of,
    read_layers,
    require_sound,
)
from lastseen.traps import LETTERS, Trap, describe_invisible_traps


@dataclass(frozen=True, eq=False, kw_only=True)
class ZoneOnLine:
    """A start zone that reaches the line."""

    number: int  # from 1, by the share in which it comes to the line, the likeliest first
    block: tuple[int, int]  # (row, column)
    in_block: int  # its number in the block
    outline: MultiPolygon
    share: float  # of the members in which it comes to any place of the line
    # highest and lowest height, mean slope, map area
    top_m: float
    foot_m: float
    slope_deg: float
    area_m2: float


@dataclass(frozen=True, eq=False, kw_only=True)
class LineReading:
    """All that is said about a line."""

    route: Route
    stations: Stations
    stretches: tuple[Stretch, ...]
    regroup: tuple[Regroup, ...]
    zones: tuple[ZoneOnLine, ...]
    traps: tuple[Trap, ...]  # that somebody caught on the line can meet, numbered as they are named
    passing: PassingSamples
    caught: CaughtRecords
    draws: SharedDraws
    heights: Heights


def read_line(
    heights: Heights,
    lines: Sequence[LineString],
    snow: Snow | None = None,
    *,
    seed: int = 1,
    members: int = MEMBERS,
    layers_on: Callable[[Grid], object] = no_layers,
    progress: Progress = no_progress,
) -> LineReading:
    """Read a line of travel. Same line, same seed, same result, whatever the number of threads.

    ``lines`` are in map metres, several are read one after the other; ``members`` is 4 to 63; ``layers_on`` gives
    trees, water and more on a window of the ground. Raises InputError if no part of the line lies on known ground, or
    the number of members cannot be used.
    """
    prepared = PreparedGround(heights=heights, layers_on=layers_on, with_traps=False)  # type: ignore[arg-type]
    draws = draw_shared(snow or Snow(), seed, members)
    progress("reading the line", 0.05)
    route = route_of(lines, heights)
    progress("letting the snow run", 0.15)
    passing = find_passing_samples(prepared, route, draws)
    progress("following who is caught", 0.6)
    caught = follow_caught(prepared, route, passing)
    slope, start = _ground_at(prepared, route)
    stations = gather_at_stations(route, caught, slope, start, passing.near_m)
    stretches = cut_into_stretches(route, stations, caught, heights.cell_m)
    progress("looking for places to regroup", 0.75)
    return LineReading(
        route=route,
        stations=stations,
        stretches=stretches,
        regroup=places_to_regroup(prepared, route, passing),
        zones=_zones(prepared, passing, caught, draws),
        traps=_traps_named(stretches),
        passing=passing,
        caught=caught,
        draws=draws,
        heights=heights,
    )


def _ground_at(prepared: PreparedGround, route: Route) -> tuple[np.ndarray, np.ndarray]:
    """Slope, and whether it is start-zone terrain, at each station."""
    heights = prepared.heights
    slope, start = np.full(route.x_m.size, np.nan), np.zeros(route.x_m.size, np.bool_)
    for first in range(0, route.x_m.size, 500):
        piece = slice(first, min(first + 500, route.x_m.size))
        x, y = route.x_m[piece], route.y_m[piece]
        window = heights.window_of(x.min(), y.min(), x.max(), y.max())
        if window.empty:
            continue
        tile = prepared.over(window)
        row, col = heights.on(window, tile.smoothed_m).cell_of(x, y)
        inside = (row >= 0) & (col >= 0) & (row < window.shape[0]) & (col < window.shape[1])
        r, c = np.where(inside, row, 0), np.where(inside, col, 0)
        slope[piece] = np.where(inside, tile.slope_deg[r, c], np.nan)
        start[piece] = inside & (tile.zone[r, c] > 0)
    slope[~np.isfinite(route.height_m)] = np.nan
    return slope, start & np.isfinite(route.height_m)


def _zones(
    prepared: PreparedGround, passing: PassingSamples, caught: CaughtRecords, draws: SharedDraws
) -> tuple[ZoneOnLine, ...]:
    """Outlines and numbers of the start zones whose samples come to the line."""
    heights = prepared.heights
    found = []
    for k, (row, col, number) in enumerate(passing.zones):
        block = heights.block(row, col)
        tile = prepared.over(block)
        mask = tile.zone == number
        z = tile.smoothed_m[mask]
        found.append(
            ZoneOnLine(
                number=0,
                block=(row, col),
                in_block=number,
                outline=zone_outline(mask, heights, block),
                share=np.unique(caught.member[caught.zone == k]).size / draws.count,
                top_m=float(np.nanmax(z)),
                foot_m=float(np.nanmin(z)),
                slope_deg=float(np.nanmean(tile.slope_deg[mask])),
                area_m2=float(mask.sum()) * heights.cell_m**2,
            )
        )
    found.sort(key=lambda zone: (-zone.share, -zone.area_m2, zone.block, zone.in_block))
    return tuple(replace(zone, number=number) for number, zone in enumerate(found, start=1))


def _traps_named(stretches: Sequence[Stretch]) -> tuple[Trap, ...]:
    """The traps that stretches name, in the order in which they come along the line."""
    seen: dict[int, Trap] = {}
    for stretch in stretches:
        for met in stretch.traps:
            seen.setdefault(id(met.trap), met.trap)
    return tuple(seen.values())


BOTH_WAYS_NOTE = "what is said holds in both directions of travel; how far to go one after the other is yours to choose"
SAMPLE_NOTE = (
    "bodies slide alone: the thickness of debris is indicative, where snow stops it is taken as one slab of the size, "
    "and how deep in it somebody lies is not known"
)

START_ZONE_NOTE = (
    f"start zones are ground of {LEAST_SLOPE_DEG:.0f} to {LARGEST_SLOPE_DEG:.0f} degrees that can hold a slab of "
    "size 1; what falls from steeper walls, and cornices, are not in the model"
)


@dataclass(frozen=True, eq=False, kw_only=True)
class LineView:
    """A line of travel as it was read."""

    scenario: Scenario
    elevation: Elevation
    source: Path  # the file with the line
    reading: LineReading
    notes: tuple[str, ...]  # plain sentences that the user must see


def layers_reader(wanted: Ground) -> Callable[[Grid], GroundLayers]:
    """Reads trees, water and more on any window."""
    return lambda grid: read_layers(wanted, grid)


def view_line(scenario: Scenario, line: Path, members: int = MEMBERS, progress: Progress = no_progress) -> LineView:
    """Read a line of travel from a file; InputError as of `read_lines` and `route_of`."""
    progress("opening the elevation model", 0.0)
    elevation = open_scenario_elevation(scenario)
    lines = read_lines(line, elevation.crs)
    report = inspect_around(elevation, scenario, shapely.total_bounds(np.array(lines)))
    reading = read_line(
        heights_of_model(replace(elevation, accept_doubtful=True)),  # it was looked at as a whole
        lines,
        scenario.snow,
        seed=scenario.seed,
        members=members,
        layers_on=layers_reader(scenario.ground),
        progress=progress,
    )
    notes = to_sentences((*report.notes, *_line_notes(scenario, elevation, reading)))
    return LineView(scenario=scenario, elevation=elevation, source=line, reading=reading, notes=notes)


def find_caught_ways(reading: LineReading, most: int) -> list[tuple[int, FloatArray]]:
    """Station and way (n, 2), map metres, of some of those caught on each stretch, from the shortest to the longest."""
    each = max(2, most // max(1, len(reading.stretches)))
    order = np.argsort(reading.caught.station, kind="stable")
    at = reading.caught.station[order]
    found = []
    for stretch in reading.stretches:
        records = order[np.searchsorted(at, stretch.first) : np.searchsorted(at, stretch.last, side="right")]
        _, first = np.unique(reading.caught.sample[records], return_index=True)
        records = records[np.sort(first)]
        records = records[np.argsort(np.nan_to_num(reading.caught.distance_m[records], nan=np.inf), kind="stable")]
        for k in records[np.unique(np.linspace(0, records.size - 1, min(each, records.size)).astype(int))].tolist():
            way = _way_from_line(reading, k)
            if len(way) > 2:
                found.append((int(reading.caught.station[k]), way))
    return found


def _way_from_line(reading: LineReading, record: int) -> FloatArray:
    """Map places of a sample from where it passes the line."""
    caught, passing, c = reading.caught, reading.passing, reading.heights.cell_m
    piece = slice(int(caught.visit[record]), int(passing.offsets[int(caught.sample[record]) + 1]))
    off_row, off_col = reading.heights.offset
    way = np.column_stack([(passing.cols[piece] + 0.5 + off_col) * c, -(passing.rows[piece] + 0.5 + off_row) * c])
    return np.vstack([way[: -1 : max(1, int(8.0 / c))], way[-1:]]) if len(way) > 2 else way


def open_scenario_elevation(scenario: Scenario) -> Elevation:
    """The elevation model of a question, with its ground layers looked at."""
    elevation = open_elevation_of(scenario)
    check_layers(scenario.ground, elevation)
    return elevation


def inspect_around(elevation: Elevation, scenario: Scenario, bounds_m: Iterable[float]) -> ElevationReport:
    """Look at the heights around a line or an area, as far as snow comes from; InputError where they are no ground."""
    more = FARTHEST_M[scenario.snow.size]
    west, south, east, north = (float(bound) for bound in bounds_m)
    whole = elevation.bounds_m
    if west > whole[2] or east < whole[0] or south > whole[3] or north < whole[1]:
        raise InputError("no part of the line lies on known ground of the elevation model: check the CRS of both")
    report = inspect_ground(elevation, (west - more, south - more, east + more, north + more))
    require_sound(report)
    return report


def _line_notes(scenario: Scenario, elevation: Elevation, reading: LineReading) -> tuple[str, ...]:
    """All that must be said beside a line."""
    route, cell = reading.route, elevation.cell_m
    known = float((route.height_m == route.height_m).mean())
    blind = describe_invisible_traps(cell, layers_reader(scenario.ground)(_few_cells(reading)))
    lost = f"{percent(1.0 - known)} of the line lies off the known ground: nothing is said there"
    notes = [
        *note_grid(elevation.crs, "", elevation.middle),
        *elevation.notes,
        BOTH_WAYS_NOTE,
        SAMPLE_NOTE,
        START_ZONE_NOTE,
        (
            f"start zones were looked for up to {FARTHEST_M[scenario.snow.size]:.0f} m from the line, with one start "
            f"every {max(reading.passing.spacing_m, cell):.0f} m and {reading.draws.count} events of size "
            f"{scenario.snow.size}"
        ),
        *([lost] if known < 1.0 else []),
        *leaving_note(float(reading.caught.leaves.mean()) if reading.caught.leaves.size else 0.0, "bodies that pass"),
        *([blind] if blind else []),
        *ALWAYS,
    ]
    return to_sentences(tuple(notes))


def leaving_note(share: float, who: str) -> list[str]:
    """The share of samples that leave the elevation model, as a sentence; none below half a per cent."""
    text = f"{percent(share)} of the {who} leave the elevation model: where they would stop is not known"
    return [text] if share >= 0.005 else []


def _few_cells(reading: LineReading) -> Grid:
    """A few cells at the beginning of the line, to ask which ground layers were given."""
    heights = reading.heights
    x, y = float(reading.route.x_m[0]), float(reading.route.y_m[0])
    window = heights.window_of(x, y, x, y).grown(2).cut(heights.extent)
    return heights.first_cells() if window.empty else heights.grid(window)


# ---- What a reading says: facts of the model, no advice to go or not

NOT_REACHED = "No start zone in this model reaches it"
CONSEQUENCE_NAMES = {"burial": "burial", "trauma": "trauma", "water": "water", "no_way_out": "no way out"}
MOST_NAMED_ZONES = 4


def consequence_text(stretch: Stretch) -> str:
    """What somebody caught here meets, the likeliest first: ``burial 85 %, trauma 40 %``; empty where none."""
    shares = sorted(((name, float(getattr(stretch, name))) for name in CONSEQUENCES), key=lambda pair: -pair[1])
    return ", ".join(f"{CONSEQUENCE_NAMES[name]} {percent(share)}" for name, share in shares if share >= LEAST_SHARE)


def trap_name(reading: LineReading, met: TrapMet) -> str:
    """A trap as the map names it, such as ``gully G1``."""
    return f"{met.trap.kind} {trap_sign(reading, met)}"


def trap_sign(reading: LineReading, met: TrapMet) -> str:
    """Letter and number of a trap on the map."""
    number = next(k for k, trap in enumerate(reading.traps, start=1) if trap is met.trap)
    return f"{LETTERS[met.trap.kind]}{number}"


def zones_above(reading: LineReading, stretch: Stretch) -> list[tuple[ZoneOnLine, float]]:
    """Start zones that can reach a stretch, with the share of events in which they do."""
    by_name = {(zone.block, zone.in_block): zone for zone in reading.zones}
    return [(by_name[zone.block, zone.number], zone.share) for zone in stretch.zones]


def zones_text(reading: LineReading, stretch: Stretch) -> str:
    """``Z3 94 %, Z7 20 % and 2 more``."""
    found = zones_above(reading, stretch)
    text = ", ".join(f"Z{zone.number} {percent(share)}" for zone, share in found[:MOST_NAMED_ZONES])
    return text + (f" and {len(found) - MOST_NAMED_ZONES} more" if len(found) > MOST_NAMED_ZONES else "")


def stretch_sentence(reading: LineReading, stretch: Stretch) -> str:
    """All that is said about a stretch."""
    if stretch.state == "no data":
        return "No data: nothing is known about the ground here, or about what stands above it."
    ground = f"{stretch.slope_deg:.0f}° here" if math.isfinite(stretch.slope_deg) else ""
    if stretch.state == "not reached":
        return f"{NOT_REACHED}; {ground}."
    if stretch.in_start_zone >= LEAST_SHARE:
        ground += f", start-zone terrain itself on {percent(stretch.in_start_zone)} of it"
    if stretch.state == "starts here":
        come = "Nothing comes from above in this model; snow can start here."
    else:
        come = f"Snow comes from above in {percent(stretch.exposure)} of the events"
        come += f" ({zones_text(reading, stretch)})." if stretch.zones else "."
    return f"{ground}. {come} {caught_text(reading, stretch)}".strip()


def caught_text(reading: LineReading, stretch: Stretch) -> str:
    """What happens to somebody caught here."""
    if not stretch.caught:
        return ""
    parts = []
    if math.isfinite(stretch.distance_m[1]):
        low, mid, high = (_round(value) for value in stretch.distance_m)
        parts.append(f"carried {mid} m ({low} to {high}), {_round(stretch.drop_m[1])} m down")
    if stretch.traps:
        parts.append("; ".join(_trap_text(reading, met) for met in stretch.traps[:2]))
    if math.isfinite(stretch.debris_m[1]):
        mid, high = (depth_text(value) for value in stretch.debris_m[1:])
        parts.append(f"debris {mid} thick where one stops (to {high})")
    if stretch.leaves >= LEAST_SHARE:
        parts.append(f"{percent(stretch.leaves)} leave the elevation model")
    text = consequence_text(stretch)
    return f"Caught here: {', '.join(parts)}. {text[:1].upper() + text[1:] + '.' if text else ''}".strip()


def _trap_text(reading: LineReading, met: TrapMet) -> str:
    passed = "over" if "trauma" in met.trap.consequences and met.ends < 0.5 * met.passes else "into"
    return f"{passed} {trap_name(reading, met)} ({percent(max(met.ends, met.passes))})"


def short_stretch_sentence(stretch: Stretch) -> str:
    """One short sentence, for a waypoint."""
    if stretch.state == "no data":
        return "No data from here."
    if stretch.state == "not reached":
        return f"{NOT_REACHED}."
    come = "snow can start here" if stretch.state == "starts here" else f"reached in {percent(stretch.exposure)}"
    worst = stretch.worst
    trap = f", {stretch.traps[0].trap.kind} below" if stretch.traps else ""
    far = f", carried {_round(stretch.distance_m[1])} m" if math.isfinite(stretch.distance_m[1]) else ""
    return f"{come[:1].upper()}{come[1:]}{far}{trap}{': ' + CONSEQUENCE_NAMES[worst] if worst else ''}."


def regroup_sentence(place: Regroup) -> str:
    """What a place is, and why it is offered."""
    edge = f"; {place.edge} {_round(place.edge_m)} m away" if place.edge else ""
    where = "on the line" if place.beside_m < 5.0 else f"{place.beside_m:.0f} m beside the line"
    return (
        f"{NOT_REACHED}: {where}, {_round(place.area_m2)} m2, {place.slope_deg:.0f} degrees, "
        f"{_round(place.clear_m)} m from ground that snow crosses{edge}."
    )


def _round(value: float) -> str:
    """Two digits say all that such a model knows."""
    if abs(value) < 10.0:
        return f"{value:.0f}"
    step = 10 ** max(0, math.floor(math.log10(abs(value))) - 1)
    return f"{round(value / step) * step:.0f}"


def table_rows(reading: LineReading) -> tuple[Sequence[str], list[list[str]]]:
    """The table of stretches as text."""
    lengths = ("from m", "to m", "to end m")
    values = ("slope", "reached", "start zones", "carried m", "down m", "debris m", "what somebody caught here meets")
    head = ("stretch", *lengths, *values)

    def middle_of(stretch: Stretch, values: tuple[float, float, float], text: Callable[[float], str]) -> str:
        return text(values[1]) if stretch.caught > 0 and math.isfinite(values[1]) else "-"

    rows = []
    for stretch in reading.stretches:
        traps = ", ".join(trap_name(reading, met) for met in stretch.traps[:2])
        text = "; ".join(text for text in (consequence_text(stretch), traps) if text)
        what = {"no data": "no data", "not reached": "no start zone in this model reaches it"}.get(
            stretch.state, text or "-"
        )
        rows.append(
            [
                str(stretch.number),
                f"{stretch.from_m:.0f}",
                f"{stretch.to_m:.0f}",
                f"{stretch.to_end_m:.0f}",
                f"{stretch.slope_deg:.0f}°" if math.isfinite(stretch.slope_deg) else "-",
                percent(stretch.exposure) if stretch.state != "no data" else "-",
                zones_text(reading, stretch) or "-",
                middle_of(stretch, stretch.distance_m, _round),
                middle_of(stretch, stretch.drop_m, _round),
                middle_of(stretch, stretch.debris_m, "{:.1f}".format),
                what,
            ]
        )
    return head, rows
