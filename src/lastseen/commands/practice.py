"""Commands about practising: drill sites, deposit, targets, exercises; debrief."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lastseen.commands import common
from lastseen.core import InputError

if TYPE_CHECKING:
    from lastseen.jobs import Exercise


def sites(
    dem: common.Dem,
    near: Annotated[str | None, typer.Option("--near", help="Where people come from: lon,lat, UTM or MGRS.")] = None,
    crs: Annotated[str | None, typer.Option("--crs", help="CRS of the numbers in --near.")] = None,
    within: Annotated[float, typer.Option("--within", help="Greatest distance from --near, m.")] = 2000.0,
    size: Annotated[str, typer.Option("--size", help="Width across and height along the slope, m.")] = "100x50",
    slope: Annotated[str, typer.Option("--slope", help="Least and largest slope of the site, degrees.")] = "10-25",
    start_slope: Annotated[
        float, typer.Option("--start-slope", help="Slope from which snow can start, degrees.")
    ] = 28.0,
    largest: Annotated[
        int, typer.Option("--largest", help="Largest destructive size that is looked at; 3 leaves size 4 out.")
    ] = 4,
    margin: Annotated[float, typer.Option("--margin", help="From the site to ground that a body reaches, m.")] = 20.0,
    exposed_ok: Annotated[
        bool, typer.Option("--exposed-ok", help="Also ground that a body reaches; only with a named lookout place.")
    ] = False,
    count: Annotated[int, typer.Option("--count", help="How many sites at most.")] = 8,
    trees: common.Trees = None,
    water: common.Water = None,
    crevasses: common.Crevasses = None,
    rocks: common.Rocks = None,
    buildings: common.Buildings = None,
    roads: common.Roads = None,
    no_go: common.NoGo = None,
    surface_model: common.Surface = None,
    name: common.Title = None,
    z_unit: common.ZUnit = None,
    accept_doubtful_heights: common.AcceptDoubtful = False,
    output: common.Out = Path("sites"),
    overwrite: common.Overwrite = False,
    as_json: common.AsJson = False,
    quiet: common.Quiet = False,
) -> None:
    """Find and rank ground for practice that no start zone in this model reaches."""
    from lastseen.core import parse_crs, parse_point
    from lastseen.jobs import SiteRequest, view_sites
    from lastseen.output import MARKERS, refuse_existing, result_of_sites, sites_text, write_result

    refuse_existing(output, overwrite=overwrite, marker=MARKERS["sites"])
    width, height = pair(size, "x", "--size", "100x50")
    low, high = pair(slope, "-", "--slope", "10-25")
    request = SiteRequest(
        width_m=width, height_m=height, low_deg=low, high_deg=high, start_deg=start_slope, most_size=largest,
        within_m=within, margin_m=margin, exposed_ok=exposed_ok, count=count,
    )  # fmt: skip
    given = [
        *common.given_in("", elevation=tuple(dem), name=name, z_unit=z_unit),
        *common.given_in("", accept_doubtful_heights=accept_doubtful_heights or None),
        *common.given_in(
            "ground", trees=trees, water=water, crevasses=crevasses, rocks=rocks, buildings=buildings, roads=roads,
            no_go=no_go, surface_model=surface_model,
        ),
    ]  # fmt: skip
    place = parse_point(near, parse_crs(crs) if crs else None) if near else None
    if place is not None and not (quiet or as_json):
        known = place.notations()
        typer.echo(f"Place of --near: {known['lonlat']} = {known['utm']} = {known['mgrs']}", err=True)
    with common.progress_bar(hidden=quiet) as progress:
        view = view_sites(common.scenario_from(None, given), request, place, common.part_of(progress, 0.0, 0.8))
        result = result_of_sites(view)
        write_result(result, output, overwrite=overwrite, progress=common.part_of(progress, 0.8, 1.0))
    common.echo_result(lambda: result.numbers, lambda: sites_text(view, output), as_json=as_json, quiet=quiet)


def pair(text: str, between: str, option: str, example: str) -> tuple[float, float]:
    """Two numbers of an option.

    Raises
    ------
    InputError
        If there are not two numbers.
    """
    found: Any = re.fullmatch(rf"\s*(\d+(?:\.\d+)?)\s*{between}\s*(\d+(?:\.\d+)?)\s*", text.replace("×", "x"))
    if not found:
        raise InputError(f"{option} {text} cannot be read: give two numbers such as {example}")
    return float(found[1]), float(found[2])


def deposit(
    dem: common.Dem,
    sites_folder: Annotated[Path, typer.Option("--sites", help="Folder that drill sites has written.")] = Path("sites"),
    site: Annotated[int, typer.Option("--site", help="Number of the site.")] = 1,
    size: Annotated[int | None, typer.Option("--size", help="Deposit of a destructive size, 1 to 4.")] = None,
    like: Annotated[Path | None, typer.Option("--like", help="Deposit of a plan: its folder.")] = None,
    seed: Annotated[int, typer.Option("--seed", help="Seed of lobes and hummocks.")] = 1,
    snow_depth: Annotated[float, typer.Option("--snow-depth", help="Snow that lies there, m.")] = 0.8,
    leave: Annotated[float, typer.Option("--leave", help="Snow that the machine leaves, m.")] = 0.3,
    packing: Annotated[
        float | None, typer.Option("--packing", help="m3 that 1 m3 of that snow gives when pushed. [default: 0.5]")
    ] = None,
    stake: Annotated[
        float | None, typer.Option("--stake", help="Distance between stakes, m. [default: 10, or more for few stakes]")
    ] = None,
    name: common.Title = None,
    z_unit: common.ZUnit = None,
    accept_doubtful_heights: common.AcceptDoubtful = False,
    output: common.Out = Path("deposit"),
    overwrite: common.Overwrite = False,
    as_json: common.AsJson = False,
    quiet: common.Quiet = False,
) -> None:
    """Lay a deposit over a practice site: outline, thickness, stakes, and a plan for the machine that pushes it."""
    from lastseen.core import to_lonlat
    from lastseen.jobs import PACKING, lay_deposit
    from lastseen.output import (
        MARKERS,
        deposit_text,
        read_debris,
        read_reach,
        read_site,
        refuse_existing,
        result_of_deposit,
        write_result,
    )
    from lastseen.terrain import open_elevation

    if (size is None) == (like is None):
        raise InputError("say what the deposit stands for: either --size 1 to 4, or --like with the folder of a plan")
    refuse_existing(output, overwrite=overwrite, marker=MARKERS["deposit"])
    with common.progress_bar(hidden=quiet) as progress:
        progress("laying the deposit", 0.0)
        frame, record = read_site(sites_folder, site)
        made = lay_deposit(
            open_elevation(
                tuple(dem), to_lonlat(*frame.middle_m, frame.crs), z_unit, accept_doubtful=accept_doubtful_heights
            ),
            frame,
            record,
            like=read_debris(like) if like else size or 0,
            reach=read_reach(sites_folder),
            seed=seed,
            snow_m=snow_depth,
            left_m=leave,
            packing=PACKING if packing is None else packing,
            stake_m=stake,
            name=name,
        )
        result = result_of_deposit(made)
        write_result(result, output, overwrite=overwrite, progress=common.part_of(progress, 0.5, 1.0))
    common.echo_result(lambda: result.numbers, lambda: deposit_text(made, output), as_json=as_json, quiet=quiet)


# ---- The commands that hide targets: drill targets, drill exercises

PlanFolder = Annotated[
    Path,
    typer.Argument(metavar="PLAN", help="Folder of a plan or of a search over a drawn outline.", show_default=False),
]
OwnExercises = Annotated[Path | None, typer.Option("--exercises", help="Own exercises, a TOML file.")]


def targets(
    plan: PlanFolder,
    exercise: Annotated[
        str | None, typer.Option("--exercise", help="Published or own exercise; see drill exercises.")
    ] = None,
    own_exercises: OwnExercises = None,
    count: Annotated[int | None, typer.Option("--count", help="How many targets.")] = None,
    decoys: Annotated[int | None, typer.Option("--decoys", help="How many holes without a transmitter.")] = None,
    depth: Annotated[str | None, typer.Option("--depth", help="Least and greatest depth, m, such as 0.3,1.0.")] = None,
    apart: Annotated[float | None, typer.Option("--apart", help="Least distance between any two, m.")] = None,
    close_pair: Annotated[
        float | None, typer.Option("--close-pair", help="Second target at most this far from the first, m.")
    ] = None,
    edge: Annotated[
        float | None, typer.Option("--edge", help="Least distance from the edge of the outline, m.")
    ] = None,
    even: Annotated[
        bool, typer.Option("--even", help="Any place as likely, instead of the probability of area.")
    ] = False,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Another number, other places.")] = 1,
    output: common.Out = Path("targets"),
    overwrite: common.Overwrite = False,
    as_json: common.AsJson = False,
    quiet: common.Quiet = False,
) -> None:
    """Hide targets in a plan's debris: sheets for staff and trainees, run sheet, GPX. Dummies only."""
    from lastseen.jobs import plan_targets
    from lastseen.output import (
        MARKERS,
        read_planned,
        refuse_existing,
        result_of_targets,
        targets_text,
        write_result,
    )

    given = {
        "targets": count,
        "decoys": decoys,
        "depth_m": _pair(depth),
        "apart_m": apart,
        "close_pair_m": close_pair,
        "edge_m": edge,
        "probability_of_area": False if even else None,
    }
    chosen, name = _chosen(exercise, own_exercises, {key: value for key, value in given.items() if value is not None})
    refuse_existing(output, overwrite=overwrite, marker=MARKERS["targets"])
    with common.progress_bar(hidden=quiet) as progress:
        progress("reading the plan", 0.0)
        planned = read_planned(plan)
        hidden = plan_targets(planned, chosen, seed, name=name)
        result = result_of_targets(planned, hidden)
        write_result(result, output, overwrite=overwrite, progress=progress)
    common.echo_result(
        lambda: result.numbers,
        lambda: targets_text(planned, hidden, output),
        as_json=as_json,
        quiet=quiet,
    )


def exercises(own_exercises: OwnExercises = None, as_json: common.AsJson = False) -> None:
    """List the exercises: published ones with their source, and your own."""
    from lastseen.jobs import published_exercises, read_exercises

    known = {**published_exercises(), **(read_exercises(own_exercises) if own_exercises else {})}
    if as_json:
        plain = {name: exercise.model_dump(mode="json") for name, exercise in known.items()}
        typer.echo(json.dumps(plain, indent=1, ensure_ascii=False))
    else:
        from lastseen.output import exercises_text

        typer.echo(exercises_text(known))


def _chosen(name: str | None, own_exercises: Path | None, given: dict[str, Any]) -> tuple[Exercise, str]:
    """The named exercise with what was given on the command line in its place, and what to call it."""
    from lastseen.jobs import exercise_of, find_exercise

    if name is None:
        return exercise_of(given, "the options"), "own"
    found = find_exercise(name, own_exercises)
    if not given:
        return found, name
    changed = {**found.model_dump(), **given, "source": f"after {found.source}, changed"}
    return exercise_of(changed, f"exercise '{name}' with the options"), f"{name}, changed"


def _pair(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) not in {1, 2}:
        raise InputError(f"the depth '{text}' cannot be read: give least and greatest in metres, such as 0.3,1.0")
    return numbers[0], numbers[-1]


# ---- The group drill, and the command that grades a drill from recorded tracks

drill = common.make_app(
    {"sites": sites, "deposit": deposit, "targets": targets, "exercises": exercises},
    name="drill",
    help="Prepare a drill: ground for it, a deposit to practise on, hidden targets, sheets for staff and trainees. "
    "No start zone in this model reaches a site that is offered by default; look at the ground above on the day.",
)


def debrief(
    plan: PlanFolder,
    tracks: Annotated[list[Path], typer.Argument(help="Recorded tracks, GPX 1.0 or 1.1.", show_default=False)],
    log: Annotated[Path | None, typer.Option("--log", help="Noted times: searcher,target,phase,time (CSV).")] = None,
    targets: Annotated[Path | None, typer.Option("--targets", help="Folder of drill targets: what was hidden.")] = None,
    gps_error: Annotated[
        float | None, typer.Option("--gps-error", help="Radius that holds a fix two times in three, m. [default: 5]")
    ] = None,
    shift: Annotated[
        list[str] | None, typer.Option("--shift", help="Move the clock of a track: NAME=SECONDS; repeatable.")
    ] = None,
    curve: common.Curve = common.NEWEST_CURVE,
    output: common.Out = Path("debrief"),
    overwrite: common.Overwrite = False,
    as_json: common.AsJson = False,
    quiet: common.Quiet = False,
) -> None:
    """Say what recorded tracks covered of a plan, surely, perhaps or not, and how the phases went."""
    from lastseen.jobs import GPS_ERROR_M, read_log, read_tracks
    from lastseen.jobs import debrief as work_out
    from lastseen.output import (
        MARKERS,
        debrief_text,
        read_planned,
        read_targets,
        refuse_existing,
        result_of_debrief,
        write_result,
    )

    refuse_existing(output, overwrite=overwrite, marker=MARKERS["debrief"])
    with common.progress_bar(hidden=quiet) as progress:
        progress("reading plan and tracks", 0.0)
        planned = read_planned(plan)
        recordings = [track for path in tracks for track in read_tracks(path)]
        made = work_out(
            planned,
            recordings,
            log=read_log(log) if log else (),
            targets=read_targets(targets).targets if targets else (),
            gps_error_m=GPS_ERROR_M if gps_error is None else gps_error,
            shifts_s=_shifts(shift or []),
            curve=curve,
        )
        result = result_of_debrief(made)
        write_result(result, output, overwrite=overwrite, progress=progress)
    common.echo_result(lambda: result.numbers, lambda: debrief_text(made, output), as_json=as_json, quiet=quiet)


def _shifts(given: list[str]) -> dict[str, float]:
    found = {}
    for text in given:
        name, _, seconds = text.rpartition("=")
        try:
            found[name] = float(seconds)
        except ValueError as error:
            raise InputError(
                f"'{text}' is no shift: write the name of a track and seconds, such as anna=-3600"
            ) from error
    return found
