"""Commands about the ground: traps, terrain."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lastseen.commands.options import (
    AsJson,
    Buildings,
    Crevasses,
    Dem,
    NoGo,
    Out,
    Overwrite,
    Quiet,
    Roads,
    Rocks,
    Surface,
    Trees,
    Water,
    ZUnit,
)
from lastseen.commands.running import echo_place, given_in, progress_bar, scenario_from

if TYPE_CHECKING:
    from lastseen.scenario import Scenario


def add_to(app: typer.Typer) -> None:
    """Put the commands into the command line."""
    app.command()(traps)
    app.command()(terrain)


def traps(
    dem: Annotated[list[Path] | None, typer.Argument(help="Elevation: any raster that GDAL reads, or several.")] = None,
    at: Annotated[
        str | None, typer.Option("--at", help="Last-seen point; without one all ground is looked at.")
    ] = None,
    crs: Annotated[str | None, typer.Option("--crs", help="CRS of the numbers in --at.")] = None,
    radius: Annotated[float | None, typer.Option("--radius", help="Uncertainty of the last-seen point, m.")] = None,
    size: Annotated[int | None, typer.Option("--size", help="Destructive size, 1 to 4. [default: 2]")] = None,
    release: Annotated[Path | None, typer.Option("--release", help="Drawn outline of the release.")] = None,
    trees: Trees = None,
    water: Water = None,
    crevasses: Crevasses = None,
    rocks: Rocks = None,
    buildings: Buildings = None,
    roads: Roads = None,
    no_go: NoGo = None,
    surface_model: Surface = None,
    seed: Annotated[int | None, typer.Option("--seed", help="Seed of all random draws. [default: 1]")] = None,
    name: Annotated[str | None, typer.Option("--name", help="Title of the map.")] = None,
    scenario: Annotated[Path | None, typer.Option("--scenario", help="TOML file; options override it.")] = None,
    z_unit: ZUnit = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="Folder to write; without it only the table is shown.")
    ] = None,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """List terrain traps and start zones: of a last-seen point, or of a whole elevation model."""
    given = [
        *given_in("", elevation=tuple(dem) if dem else None, name=name, z_unit=z_unit, seed=seed),
        *given_in("last_seen", at=at, crs=crs, radius_m=radius),
        *given_in("snow", size=size, release=release),
        *given_in(
            "ground", trees=trees, water=water, crevasses=crevasses, rocks=rocks, buildings=buildings, roads=roads,
            no_go=no_go, surface_model=surface_model,
        ),
    ]  # fmt: skip
    _view_and_write(scenario_from(scenario, given), output, overwrite=overwrite, as_json=as_json, quiet=quiet)


def terrain(
    dem: Dem,
    z_unit: ZUnit = None,
    output: Out = Path("terrain"),
    local_only: Annotated[
        bool, typer.Option("--local-only", help="Leave out drainage, which needs the whole model in memory.")
    ] = False,
    overwrite: Overwrite = False,
    quiet: Quiet = False,
) -> None:
    """Write ground layers (slope, curvature, roughness, openness, drainage and more) as cloud-optimised GeoTIFF."""
    from lastseen.elevation import open_elevation
    from lastseen.products.ground import write_ground

    elevation = open_elevation(dem, z_unit=z_unit)
    with progress_bar(hidden=quiet) as progress:
        made = write_ground(elevation, output, overwrite=overwrite, progress=progress, drainage=not local_only)
    if not quiet:
        for note in (*elevation.notes, *made.notes):
            typer.echo(f"Note: {note}.")
        for path in made.paths:
            typer.echo(f"{path}")


def _view_and_write(scenario: Scenario, output: Path | None, *, overwrite: bool, as_json: bool, quiet: bool) -> None:
    from lastseen.products import refuse_existing
    from lastseen.products.numbers import numbers_text
    from lastseen.products.trapfiles import TRAPS_MARKER, traps_numbers, write_traps
    from lastseen.trapview import view_traps

    if output is not None:
        refuse_existing(output, overwrite=overwrite, marker=TRAPS_MARKER)
    if not (quiet or as_json):
        echo_place(scenario)
    with progress_bar(hidden=quiet) as progress:
        found = view_traps(scenario, progress)
        if output is not None:
            write_traps(
                found, output, overwrite=overwrite, progress=lambda stage, share: progress(stage, 0.8 + 0.2 * share)
            )
    if as_json:
        typer.echo(numbers_text(traps_numbers(found)), nl=False)
    elif not quiet:
        from lastseen.summary import trap_table

        typer.echo(trap_table(found, output))
