"""Commands about the ground: traps, terrain, preread."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lastseen.commands import common
from lastseen.core import InputError

if TYPE_CHECKING:
    from lastseen.core import Scenario


def traps(
    dem: common.DemOrScenario = None,
    at: Annotated[
        str | None, typer.Option("--at", help="Last-seen point; without one all ground is looked at.")
    ] = None,
    crs: Annotated[str | None, typer.Option("--crs", help="CRS of the numbers in --at.")] = None,
    radius: common.Radius = None,
    size: common.Size = None,
    release: common.Release = None,
    trees: common.Trees = None,
    water: common.Water = None,
    crevasses: common.Crevasses = None,
    rocks: common.Rocks = None,
    buildings: common.Buildings = None,
    roads: common.Roads = None,
    no_go: common.NoGo = None,
    surface_model: common.Surface = None,
    seed: common.Seed = None,
    name: common.Title = None,
    scenario: common.ScenarioFile = None,
    z_unit: common.ZUnit = None,
    accept_doubtful_heights: common.AcceptDoubtful = False,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="Folder to write; without it only the table is shown.")
    ] = None,
    overwrite: common.Overwrite = False,
    as_json: common.AsJson = False,
    quiet: common.Quiet = False,
) -> None:
    """List terrain traps and start zones: of a last-seen point, or of a whole elevation model."""
    given = [
        *common.given_in("", elevation=tuple(dem) if dem else None, name=name, z_unit=z_unit, seed=seed),
        *common.given_in("", accept_doubtful_heights=accept_doubtful_heights or None),
        *common.given_in("last_seen", at=at, crs=crs, radius_m=radius),
        *common.given_in("snow", size=size, release=release),
        *common.given_in(
            "ground", trees=trees, water=water, crevasses=crevasses, rocks=rocks, buildings=buildings, roads=roads,
            no_go=no_go, surface_model=surface_model,
        ),
    ]  # fmt: skip
    _view_and_write(common.scenario_from(scenario, given), output, overwrite=overwrite, as_json=as_json, quiet=quiet)


def terrain(
    dem: common.Dem,
    z_unit: common.ZUnit = None,
    accept_doubtful_heights: common.AcceptDoubtful = False,
    output: common.Out = Path("terrain"),
    local_only: Annotated[
        bool, typer.Option("--local-only", help="Leave out drainage, which needs the whole model in memory.")
    ] = False,
    overwrite: common.Overwrite = False,
    quiet: common.Quiet = False,
) -> None:
    """Write ground layers (slope, curvature, roughness, openness, drainage and more) as cloud-optimised GeoTIFF."""
    from lastseen.jobs import view_terrain
    from lastseen.output import MARKERS, refuse_existing, result_of_terrain, write_result
    from lastseen.terrain import open_elevation

    elevation = open_elevation(dem, z_unit=z_unit, accept_doubtful=accept_doubtful_heights)
    with common.progress_bar(hidden=quiet) as progress:
        refuse_existing(output, overwrite=overwrite, marker=MARKERS["terrain"])
        view = view_terrain(elevation, drainage=not local_only)
        write_result(result_of_terrain(view), output, overwrite=overwrite, progress=progress)
    if not quiet:
        for note in (*elevation.notes, *view.notes):
            typer.echo(f"Note: {note}.")
        for layer in view.layers:
            typer.echo(f"{output / layer.name}.tif")


def inspect(
    dem: common.Dem,
    at: Annotated[str | None, typer.Option("--at", help="Look only at the ground around this point.")] = None,
    crs: Annotated[str | None, typer.Option("--crs", help="CRS of the numbers in --at.")] = None,
    within: Annotated[float, typer.Option("--within", help="How far around --at, m.")] = 1500.0,
    z_unit: common.ZUnit = None,
    as_json: common.AsJson = False,
) -> None:
    """Look at an elevation model before it is used: files, datum, unit, and heights that are probably none."""
    from lastseen.core import parse_crs, parse_point
    from lastseen.output import inspection_text
    from lastseen.terrain import inspect_ground, open_elevation, report_facts, require_inside

    if not within > 0.0:
        raise InputError(f"--within is {within:g} m: give more than 0 m")
    place = parse_point(at, parse_crs(crs) if crs else None) if at else None
    elevation = open_elevation(dem, place, z_unit)
    box = None
    if place is not None:
        x, y = require_inside(elevation, place)
        box = (x - within, y - within, x + within, y + within)
    report = inspect_ground(elevation, box)
    common.echo_result(lambda: report_facts(report), lambda: inspection_text(report), as_json=as_json, quiet=False)


def _view_and_write(scenario: Scenario, output: Path | None, *, overwrite: bool, as_json: bool, quiet: bool) -> None:
    from lastseen.jobs import view_traps
    from lastseen.output import MARKERS, refuse_existing, result_of_traps, trap_table, write_result

    if output is not None:
        refuse_existing(output, overwrite=overwrite, marker=MARKERS["traps"])
    if not (quiet or as_json):
        common.echo_place(scenario)
    with common.progress_bar(hidden=quiet) as progress:
        view = view_traps(scenario, progress)
        result = result_of_traps(view)
        if output is not None:
            write_result(result, output, overwrite=overwrite, progress=common.part_of(progress, 0.8, 1.0))
    common.echo_result(lambda: result.numbers, lambda: trap_table(view, output), as_json=as_json, quiet=quiet)


def preread(
    dem: common.Dem,
    line: Annotated[Path | None, typer.Option("--line", help="Line of travel: any vector file, such as GPX.")] = None,
    area: Annotated[
        str | None, typer.Option("--area", help="Outline of an area (any vector file), or 'all' for the whole model.")
    ] = None,
    size: common.Size = None,
    members: Annotated[int, typer.Option("--members", help="Events of the ensemble, 4 to 63.")] = 16,
    trees: common.Trees = None,
    water: common.Water = None,
    crevasses: common.Crevasses = None,
    rocks: common.Rocks = None,
    buildings: common.Buildings = None,
    roads: common.Roads = None,
    surface_model: common.Surface = None,
    starts: Annotated[
        float | None,
        typer.Option("--starts", help="One start every so many metres of an area; 0 runs each cell. [default: 5]"),
    ] = None,
    tiles: Annotated[
        float | None, typer.Option("--tiles", help="Side of a tile of an area, km; 2 or more. [default: 4]")
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", help="Processes on this machine for an area; without it threads.")
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", help="Dask scheduler for an area, such as tcp://host:8786.")
    ] = None,
    seed: common.Seed = None,
    name: common.Title = None,
    z_unit: common.ZUnit = None,
    accept_doubtful_heights: common.AcceptDoubtful = False,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", help="Folder to write; of a line without it only the table is shown."),
    ] = None,
    overwrite: common.Overwrite = False,
    as_json: common.AsJson = False,
    quiet: common.Quiet = False,
) -> None:
    """Read a slope: a line of travel stretch by stretch, or an area or a range of mountains tile by tile."""
    given = [
        *common.given_in("", elevation=tuple(dem), name=name, z_unit=z_unit, seed=seed),
        *common.given_in("", accept_doubtful_heights=accept_doubtful_heights or None),
        *common.given_in("snow", size=size),
        *common.given_in(
            "ground", trees=trees, water=water, crevasses=crevasses, rocks=rocks, buildings=buildings, roads=roads,
            surface_model=surface_model,
        ),
    ]  # fmt: skip
    scenario = common.scenario_from(None, given)
    if (line is None) == (area is None):
        raise InputError("give either a line of travel with --line or an area with --area")
    given_of_area = {"starts": starts, "tiles": tiles, "workers": workers, "scheduler": scheduler}
    of_area = {name: value for name, value in given_of_area.items() if value is not None}
    if line is not None:
        if of_area:
            raise InputError(f"{' and '.join(f'--{name}' for name in of_area)} belong to an area: not with --line")
        _read_line(scenario, line, output, members, overwrite=overwrite, as_json=as_json, quiet=quiet)
        return
    if output is None:
        raise InputError("an area is written into a folder: name one with -o")
    if workers is not None and scheduler is not None:
        raise InputError(
            "--workers are processes on this machine, a --scheduler has workers of its own: give one of them"
        )
    if not ((starts is None or starts >= 0.0) and (tiles is None or tiles > 0.0) and (workers is None or workers > 0)):
        raise InputError(
            "--starts, --tiles and --workers are sizes and numbers: give 0 or more metres, and more than 0"
        )
    _read_area(scenario, area or "", output, {"members": members, **of_area},
               overwrite=overwrite, as_json=as_json, quiet=quiet)  # fmt: skip


def _read_line(
    scenario: Scenario, line: Path, output: Path | None, members: int, *, overwrite: bool, as_json: bool, quiet: bool
) -> None:
    from lastseen.jobs import view_line
    from lastseen.output import MARKERS, line_summary, refuse_existing, result_of_line, write_result

    if output is not None:
        refuse_existing(output, overwrite=overwrite, marker=MARKERS["line"])
    with common.progress_bar(hidden=quiet) as progress:
        view = view_line(scenario, line, members, progress)
        result = result_of_line(view)
        if output is not None:
            write_result(result, output, overwrite=overwrite, progress=common.part_of(progress, 0.8, 1.0))
    common.echo_result(lambda: result.numbers, lambda: line_summary(view, output), as_json=as_json, quiet=quiet)


def _read_area(
    scenario: Scenario,
    area: str,
    output: Path,
    how: dict[str, Any],
    *,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    from lastseen.jobs import other_kept_tiles, view_area
    from lastseen.output import MARKERS, area_summary, refuse_existing, result_of_area, write_result

    refuse_existing(output, overwrite=overwrite, marker=MARKERS["area"])
    names = {"starts": "spacing_m", "tiles": "tile_km"}
    how = {names.get(name, name): value for name, value in how.items()}
    with common.progress_bar(hidden=quiet) as progress:
        view = view_area(scenario, output, area=area, progress=progress, **how)
        result = result_of_area(view)
        write_result(result, output, overwrite=overwrite, progress=common.part_of(progress, 0.9, 1.0))
    view.kept.remove()
    for folder in other_kept_tiles(output, view.request):
        typer.echo(f"Tiles of a run with other settings still lie in {folder}: delete them if not needed", err=True)
    common.echo_result(lambda: result.numbers, lambda: area_summary(view, output), as_json=as_json, quiet=quiet)
