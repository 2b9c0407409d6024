"""The command that lays a search over a drawn outline: strips."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lastseen.commands.options import (
    AsJson,
    Date,
    Out,
    Overwrite,
    Quiet,
    SecondPass,
    ZUnit,
)
from lastseen.commands.running import given_in, progress_bar
from lastseen.errors import InputError

if TYPE_CHECKING:
    from lastseen.search.model import Entry


def add_to(app: typer.Typer) -> None:
    """Put the command into the command line."""
    app.command()(strips)


def strips(
    outline: Annotated[
        Path,
        typer.Argument(help="Outline of the debris: GeoPackage, GeoJSON, KML, GPX, Shapefile.", show_default=False),
    ],
    dem: Annotated[
        list[Path] | None, typer.Option("--dem", help="Elevation, may be repeated; flat ground where not given.")
    ] = None,
    strip_width: Annotated[
        float | None, typer.Option("--strip-width", help="Signal-search strip width on snow, m. [default: 40]")
    ] = None,
    searchers: Annotated[int | None, typer.Option("--searchers", help="How many people search. [default: 1]")] = None,
    start: Annotated[
        str | None, typer.Option("--start", help="Where they stand: lon,lat, UTM text or MGRS text.")
    ] = None,
    crs: Annotated[str | None, typer.Option("--crs", help="CRS of the numbers in --start.")] = None,
    entry: Annotated[str | None, typer.Option("--entry", help="Begin at the 'top', the 'toe' or a 'flank'.")] = None,
    pattern: Annotated[
        str | None, typer.Option("--pattern", help="Lanes 'across' or 'along' the fall line. [default: what is best]")
    ] = None,
    no_go: Annotated[Path | None, typer.Option("--no-go", help="Drawn ground that nobody may walk on.")] = None,
    date: Date = None,
    second_pass: SecondPass = False,
    seed: Annotated[int | None, typer.Option("--seed", help="Seed of the simulated searches. [default: 1]")] = None,
    name: Annotated[str | None, typer.Option("--name", help="Title of the search.")] = None,
    z_unit: ZUnit = None,
    output: Out = Path("search"),
    overwrite: Overwrite = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Lay out a signal search over any drawn outline, without a model."""
    from lastseen.drawn import search_drawn, without_elevation
    from lastseen.outlines import crs_of_outline
    from lastseen.place import is_local_metric, to_lonlat
    from lastseen.products import refuse_existing, search_numbers, write_search
    from lastseen.products.folder import SEARCH_MARKER
    from lastseen.products.numbers import numbers_text
    from lastseen.scenario import scenario_of, with_given

    given = [
        *given_in("", elevation=tuple(dem) if dem else None, name=name, z_unit=z_unit, seed=seed),
        *given_in("last_seen", crs=crs),
        *given_in(
            "search", debris=outline, strip_width_m=strip_width, searchers=searchers, start=start, pattern=pattern,
            date=date, second_pass=second_pass or None,
        ),
    ]  # fmt: skip
    scenario = with_given(scenario_of({"elevation": ["?"]}), given)
    if not dem:
        scenario = without_elevation(scenario)
    refuse_existing(output, overwrite=overwrite, marker=SEARCH_MARKER)
    with progress_bar(hidden=quiet) as progress:
        made = search_drawn(scenario, no_go=no_go, entry=_entry(entry), progress=progress)
        grid, own = made.terrain.elevation, crs_of_outline(outline, "debris")
        middle = made.debris.outline.centroid
        metric = is_local_metric(own, to_lonlat(middle.x, middle.y, grid.crs))
        write_search(made, output, crs=own if metric else None, overwrite=overwrite, progress=progress)
    if as_json:
        typer.echo(numbers_text(search_numbers(made)), nl=False)
    elif not quiet:
        from lastseen.summary import plan_summary

        typer.echo(plan_summary(search_numbers(made), output))


def _entry(text: str | None) -> Entry | None:
    known: dict[str, Entry] = {"top": "top", "toe": "toe", "flank": "flank"}
    if text is None or text in known:
        return known.get(text or "")
    raise InputError(f"the entry '{text}' is not known: choose top, toe or flank")
