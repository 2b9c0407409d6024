"""Commands about the craft of a transceiver search: range, clock, probe, dig. They need no elevation model."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lastseen import __version__
from lastseen.commands import common
from lastseen.core import DEFAULT_STRIP_WIDTH_M, InputError

if TYPE_CHECKING:
    from lastseen.rescue import PhaseValues

SCHEMA_VERSION = 1

FigureFolder = Annotated[
    Path | None, typer.Option("-o", "--output", help="Folder to write the figure and the numbers to.")
]
Depth = Annotated[float, typer.Option("--depth", help="Burial depth, m.")]
Three = tuple[float, float, float]
Slope = Annotated[float, typer.Option("--slope", help="Slope of the debris, degrees.")]


def range_(
    max_range: Annotated[float, typer.Option("--max-range", help="Mean of the greatest measured ranges, m.")],
    sd: Annotated[float, typer.Option("--sd", help="Their standard deviation, m.")],
    antennas: Annotated[int, typer.Option("--antennas", help="Antennas of the receiver: 1, 2 or 3.")] = 3,
    depth: Depth = 0.0,
    strip_width: Annotated[
        float | None, typer.Option("--strip-width", help="Your own strip width, m; it wins.")
    ] = None,
    min_range: Annotated[
        float | None, typer.Option("--min-range", help="Range measured with the antennas at right angles, m.")
    ] = None,
    realistic_range: Annotated[
        float | None, typer.Option("--realistic-range", help="Realistic maximum range, m. [default: max range - 2 sd]")
    ] = None,
    speed: Annotated[float, typer.Option("--speed", help="Of the searcher, m/s.")] = 3.0,
    period: Annotated[float, typer.Option("--period", help="Between two pulses, s.")] = 1.3,
    output: FigureFolder = None,
    overwrite: common.Overwrite = False,
    as_json: common.AsJson = False,
) -> None:
    """Receive range of a transceiver and three published ways to a strip width."""
    from lastseen.output import range_text
    from lastseen.rescue import describe_receiver

    found = describe_receiver(
        max_range, sd, antennas=antennas, depth_m=depth, strip_width_m=strip_width, min_range_m=min_range,
        realistic_range_m=realistic_range, speed_m_s=speed, period_s=period,
    )  # fmt: skip
    document = _document("range", asdict(found))

    def draw(path: Path) -> None:
        from lastseen.output import write_range_figure

        write_range_figure(found, path)

    _hand_over("range", document, range_text(found), draw, output, overwrite=overwrite, as_json=as_json)


def clock(
    plan: Annotated[
        Path | None, typer.Option("--plan", help="Folder of a plan: walking times and strip width are read from it.")
    ] = None,
    walk: Annotated[
        float | None, typer.Option("--walk", help="Without a plan: walking time of one searcher along all lanes, min.")
    ] = None,
    approach: Annotated[float, typer.Option("--approach", help="Without a plan: to the first lane, min.")] = 0.0,
    strip_width: Annotated[
        float, typer.Option("--strip-width", help="Without a plan: strip width, m.")
    ] = DEFAULT_STRIP_WIDTH_M,
    depth: Depth = 1.0,
    slope: Slope = 20.0,
    diggers: Annotated[
        int | None, typer.Option("--diggers", help="People who dig. [default: the plan's searchers, else 2]")
    ] = None,
    curve: common.Curve = common.NEWEST_CURVE,
    clue: Annotated[
        Three | None, typer.Option("--clue", help="Until the search begins: low typical high, min.")
    ] = None,
    coarse: Annotated[Three | None, typer.Option("--coarse-speed", help="Low typical high, m/s.")] = None,
    fine: Annotated[Three | None, typer.Option("--fine-speed", help="Low typical high, m/s.")] = None,
    hole: Annotated[Three | None, typer.Option("--hole-seconds", help="Each probe hole: low typical high, s.")] = None,
    output: FigureFolder = None,
    overwrite: common.Overwrite = False,
    as_json: common.AsJson = False,
) -> None:
    """Phases of a rescue, low, typical and high, against a published survival curve."""
    from lastseen.jobs import make_walked_legs, time_legs
    from lastseen.output import clock_text, read_walk
    from lastseen.rescue import Travel, find_survival_curve

    known = find_survival_curve(curve)
    if (plan is None) == (walk is None):
        raise InputError("name either a plan with --plan or a walking time with --walk")
    rest: dict[str, Any] = {
        "depth_m": depth,
        "slope_deg": slope,
        "curve": known,
        "values": _phase_values(clue, coarse, fine, hole),
    }
    if plan is not None:
        walked = read_walk(plan)
        found = time_legs(
            walked.legs, strip_width_m=walked.strip_width_m, diggers=walked.searchers if diggers is None else diggers,
            first_signal_s=walked.first_signal_s, travel=walked.travel, **rest,
        )  # fmt: skip
    else:
        legs, way = make_walked_legs(60.0 * (walk or 0.0), 60.0 * approach), Travel(approach="foot")
        found = time_legs(
            legs, strip_width_m=strip_width, diggers=2 if diggers is None else diggers, travel=way, **rest
        )
    document = _document(
        "clock",
        {
            "phases": [
                {**asdict(phase), "ends_s": asdict(end)} for phase, end in zip(found.phases, found.ends_s, strict=True)
            ],
            "on_debris_s": asdict(found.on_debris_s),
            "total_s": asdict(found.total_s),
            "after_signal_s": asdict(found.after_signal_s),
            "curve": {"name": found.curve.name, "title": found.curve.title, "source": found.curve.source},
            "survival_percent": found.survival_percent,
            "notes": found.notes,
        },
    )

    def draw(path: Path) -> None:
        from lastseen.output import write_clock_figure

        write_clock_figure(found, path)

    _hand_over("clock", document, clock_text(found), draw, output, overwrite=overwrite, as_json=as_json)


def probe(
    depth: Annotated[float | None, typer.Option("--depth", help="Lowest reading of the transceiver, m.")] = None,
    slope: Slope = 0.0,
    spacing: Annotated[float, typer.Option("--spacing", help="Of the spiral, m; 0.20 to 0.25 are taught.")] = 0.25,
    radius: Annotated[float, typer.Option("--radius", help="Where the spiral stops, m.")] = 1.5,
    length: Annotated[float, typer.Option("--probe-length", help="Of the probe, m.")] = 3.0,
    people: Annotated[int, typer.Option("--people", help="In the probe line.")] = 6,
    area: Annotated[
        tuple[float, float], typer.Option("--area", help="Ground for a probe line: along the line, and ahead, m.")
    ] = (20.0, 20.0),
    seconds: Annotated[
        float | None, typer.Option("--seconds-per-hole", help="With the step; none is published: no time without.")
    ] = None,
    as_json: common.AsJson = False,
) -> None:
    """Spiral probing and probe lines: holes, published and computed detection, what they take."""
    from lastseen.output import probe_text
    from lastseen.rescue import PROBE_LINES, PROBE_NOTES, SHAPES, grid_pod, lay_spiral, plan_line, probe_notes

    spiral = lay_spiral(radius, spacing, slope)
    plans = [plan_line(line, area[0], area[1], people, seconds) for line in PROBE_LINES]
    notes = [*probe_notes(length, depth), *PROBE_NOTES]
    computed = [{shape: grid_pod(plan.line.across_m, plan.line.along_m, shape) for shape in SHAPES} for plan in plans]
    document = _document(
        "probe",
        {
            "spiral": {
                "spacing_m": spiral.spacing_m, "radius_m": spiral.radius_m, "slope_deg": spiral.slope_deg,
                "holes": spiral.holes, "into_snow": spiral.into_snow, "across_m": _rounded(spiral.across_m),
                "up_m": _rounded(spiral.up_m), "map_up_m": _rounded(spiral.map_up_m),
                "height_m": _rounded(spiral.height_m),
            },
            "lines": [
                {**asdict(plan), "computed_pod": pods} for plan, pods in zip(plans, computed, strict=True)
            ],
            "notes": notes,
        },
    )  # fmt: skip
    _print(document, probe_text(spiral, plans, notes), as_json=as_json)


def dig(
    depth: Depth,
    slope: Slope = 0.0,
    diggers: Annotated[int, typer.Option("--diggers", help="People who can dig.")] = 2,
    as_json: common.AsJson = False,
) -> None:
    """Conveyor, diggers needed and present, where to begin by each published rule, turns."""
    from lastseen.output import dig_text
    from lastseen.rescue import plan_dig

    found = plan_dig(depth, slope, diggers)
    _print(_document("dig", asdict(found)), dig_text(found), as_json=as_json)


def areas(
    area: Annotated[
        list[str],
        typer.Option("--area", help="name,POA,POD,minutes[,survivable]: repeat for each part of the debris."),
    ],
    start: Annotated[float, typer.Option("--start", help="Search begins so many minutes after the accident.")] = 5.0,
    rescue: Annotated[float, typer.Option("--rescue", help="First signal until the head is free, min.")] = 17.0,
    curve: common.Curve = common.NEWEST_CURVE,
    as_json: common.AsJson = False,
) -> None:
    """Rank parts of big debris for few people, and say what to believe when all were searched in vain."""
    from lastseen.output import areas_text
    from lastseen.rescue import find_survival_curve
    from lastseen.search import RANKING_FORMULA, find_best_order, parse_area, rank_areas, update_areas

    parts, known = [parse_area(text) for text in area], find_survival_curve(curve)
    order = rank_areas(parts, known, start_minute=start, rescue_minutes=rescue)
    best = find_best_order(parts, known, start_minute=start, rescue_minutes=rescue)
    belief = update_areas(parts)
    after, outside, found = belief
    document = _document(
        "areas",
        {
            "best_order": None if best is None else [rank.area.name for rank in best],
            "formula": RANKING_FORMULA, "curve": known.name, "order": [asdict(rank) for rank in order],
            "found": found, "after": [asdict(part) for part in after], "outside_after": outside,
        },
    )  # fmt: skip
    _print(document, areas_text(order, best, belief, known), as_json=as_json)


def _phase_values(clue: Three | None, coarse: Three | None, fine: Three | None, hole: Three | None) -> PhaseValues:
    """What was given, and the defaults for the rest."""
    from lastseen.core import Spread
    from lastseen.rescue import PhaseValues

    default = PhaseValues()
    return PhaseValues(
        clue_s=Spread(*clue).times(60.0) if clue else default.clue_s,
        coarse_m_s=Spread(*coarse) if coarse else default.coarse_m_s,
        fine_m_s=Spread(*fine) if fine else default.fine_m_s,
        hole_s=Spread(*hole) if hole else default.hole_s,
    )


def _rounded(values: Any) -> list[float]:
    return [round(float(value), 3) + 0.0 for value in values]


def _document(kind: str, numbers: dict[str, Any]) -> dict[str, Any]:
    from lastseen.output import FULL_CAUTION

    program = {"name": "lastseen", "version": __version__}
    return {"schema_version": SCHEMA_VERSION, "program": program, "caution": FULL_CAUTION, "kind": kind, **numbers}


def _as_text(document: dict[str, Any]) -> str:
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)


def _print(document: dict[str, Any], text: str, *, as_json: bool) -> None:
    typer.echo(_as_text(document) if as_json else text)


def _hand_over(
    kind: str,
    document: dict[str, Any],
    text: str,
    draw: Callable[[Path], None],
    output: Path | None,
    *,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Print, and write the figure and the numbers where a folder was named."""
    if output is not None:
        from lastseen.output import new_folder

        with new_folder(output, overwrite=overwrite, marker=f"{kind}.json") as partial:
            (partial / f"{kind}.json").write_text(_as_text(document) + "\n", encoding="utf-8")
            (partial / f"{kind}.txt").write_text(text + "\n", encoding="utf-8")
            draw(partial / f"{kind}.png")
    _print(document, text, as_json=as_json)
    if output is not None and not as_json:
        typer.echo(f"\nWritten to {output}")
