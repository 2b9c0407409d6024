"""Commands that work out a whole plan: plan, demo."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lastseen.commands.options import (
    Animate,
    AsJson,
    Buildings,
    Crevasses,
    Date,
    NoGo,
    Out,
    Overwrite,
    Quiet,
    Roads,
    Rocks,
    SecondPass,
    Surface,
    Trees,
    Water,
    ZUnit,
)
from lastseen.commands.running import echo_place, given_in, progress_bar, scenario_from
from lastseen.errors import InputError

if TYPE_CHECKING:
    from lastseen.plan import Plan
    from lastseen.scenario import Scenario


def add_to(app: typer.Typer) -> None:
    """Put the commands into the command line."""
    app.command()(plan)
    app.command()(demo)


def plan(
    dem: Annotated[list[Path] | None, typer.Argument(help="Elevation: any raster that GDAL reads, or several.")] = None,
    at: Annotated[str | None, typer.Option("--at", help="Last-seen point: lon,lat, UTM text or MGRS text.")] = None,
    crs: Annotated[str | None, typer.Option("--crs", help="CRS of the numbers in --at and --start.")] = None,
    radius: Annotated[float | None, typer.Option("--radius", help="Uncertainty of the last-seen point, m.")] = None,
    size: Annotated[
        int | None,
        typer.Option("--size", help="Destructive size: 1 small, 2 buries a person, 3 a car, 4 a house. [default: 2]"),
    ] = None,
    model: Annotated[
        str | None,
        typer.Option(
            "--model", help="How the snow moves: flow (piles up) or body (quick). [default: by cell and time]"
        ),
    ] = None,
    cell: Annotated[
        float | None, typer.Option("--cell", help="Working cell of the flow, m. [default: by the release]")
    ] = None,
    release: Annotated[Path | None, typer.Option("--release", help="Drawn outline of the release.")] = None,
    debris: Annotated[
        Path | None, typer.Option("--debris", help="Observed outline of the debris: only the search is laid out.")
    ] = None,
    strip_width: Annotated[
        float | None, typer.Option("--strip-width", help="Signal-search strip width on snow, m. [default: 40]")
    ] = None,
    searchers: Annotated[int | None, typer.Option("--searchers", help="How many people search. [default: 1]")] = None,
    start: Annotated[
        str | None, typer.Option("--start", help="Where they stand, if not at the last-seen point.")
    ] = None,
    pattern: Annotated[str | None, typer.Option("--pattern", help="Lanes 'across' or 'along' the fall line.")] = None,
    entry: Annotated[str | None, typer.Option("--entry", help="Begin at the 'top', the 'toe' or a 'flank'.")] = None,
    date: Date = None,
    second_pass: SecondPass = False,
    seed: Annotated[int | None, typer.Option("--seed", help="Seed of all random draws. [default: 1]")] = None,
    name: Annotated[str | None, typer.Option("--name", help="Title of the plan.")] = None,
    scenario: Annotated[Path | None, typer.Option("--scenario", help="TOML file; options override it.")] = None,
    trees: Trees = None,
    water: Water = None,
    crevasses: Crevasses = None,
    rocks: Rocks = None,
    buildings: Buildings = None,
    roads: Roads = None,
    no_go: NoGo = None,
    surface_model: Surface = None,
    z_unit: ZUnit = None,
    animate: Animate = False,
    output: Out = Path("plan"),
    overwrite: Overwrite = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Work out a plan from an elevation model and a last-seen point."""
    given = [
        *given_in("", elevation=tuple(dem) if dem else None, name=name, z_unit=z_unit, seed=seed),
        *given_in("last_seen", at=at, crs=crs, radius_m=radius),
        *given_in("snow", size=size, model=model, cell_m=cell, release=release),
        *given_in(
            "search", debris=debris, strip_width_m=strip_width, searchers=searchers, start=start, pattern=pattern,
            entry=entry, date=date, second_pass=second_pass or None,
        ),
        *given_in(
            "ground", trees=trees, water=water, crevasses=crevasses, rocks=rocks, buildings=buildings, roads=roads,
            no_go=no_go, surface_model=surface_model,
        ),
    ]  # fmt: skip
    _make_and_write(
        scenario_from(scenario, given), output, overwrite=overwrite, animate=animate, as_json=as_json, quiet=quiet
    )


def demo(
    which: Annotated[str, typer.Argument(help="bowl (size 3, one searcher) or bench (size 2, three).")] = "bowl",
    animate: Animate = False,
    output: Out = Path("demo-plan"),
    overwrite: Overwrite = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Plan a search on Mount Ysterra, an invented mountain that comes with the program."""
    from lastseen.scenario import read_scenario
    from lastseen.shared_files import shared_folder

    path = shared_folder("demo") / f"{which}.toml"
    if not path.is_file():
        known = ", ".join(sorted(one.stem for one in path.parent.glob("*.toml")))
        raise InputError(f"there is no demo scenario '{which}': choose one of {known}")
    _make_and_write(read_scenario(path), output, overwrite=overwrite, animate=animate, as_json=as_json, quiet=quiet)


def _make_and_write(
    scenario: Scenario, output: Path, *, overwrite: bool, animate: bool, as_json: bool, quiet: bool
) -> None:
    from lastseen.plan import make_plan
    from lastseen.products import plan_numbers, refuse_existing, write_plan
    from lastseen.products.numbers import numbers_text

    refuse_existing(output, overwrite=overwrite)
    if not (quiet or as_json):
        echo_place(scenario)
    with progress_bar(hidden=quiet) as progress:
        made: Plan = make_plan(scenario, progress)

        def writing(stage: str, share: float) -> None:
            progress(stage, 0.95 + 0.05 * share)

        write_plan(made, output, overwrite=overwrite, animate=animate, progress=writing)
    if as_json:
        typer.echo(numbers_text(plan_numbers(made)), nl=False)
    elif not quiet:
        from lastseen.summary import plan_summary

        typer.echo(plan_summary(plan_numbers(made), output))
