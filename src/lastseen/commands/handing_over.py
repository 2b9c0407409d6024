"""Commands that work from the folder of a plan: export, show."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lastseen.commands.options import AsJson, Quiet
from lastseen.commands.running import progress_bar
from lastseen.errors import InputError

Folder = Annotated[Path, typer.Argument(help="Folder of a plan or of a drawn search.", show_default=False)]
NAMES = ("json", "gpkg", "cog", "gpx", "kml", "geojson", "parquet")  # of products.kinds, which is slow to import
DEVICES, PAPERS = ("full", "basic"), ("A4", "Letter", "A3")


def add_to(app: typer.Typer) -> None:
    """Put the commands into the command line."""
    app.command()(export)
    app.command()(show)


def export(
    plan: Folder,
    to: Annotated[str, typer.Option("--to", help=f"With commas between: {', '.join(NAMES)}.", show_default=False)],
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="Folder to write to. [default: the plan's own]")
    ] = None,
    device: Annotated[
        str, typer.Option("--device", help="full, or basic: GPX in files that small receivers can hold.")
    ] = "full",
    paper: Annotated[str, typer.Option("--paper", help="Of the sheet: A4, Letter or A3.")] = "A4",
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files that say something else.")] = False,
    quiet: Quiet = False,
) -> None:
    """Write products of a plan again or in another form, without computing it again."""
    from lastseen.products.exporting import export_plan
    from lastseen.products.kinds import Wishes

    wishes = Wishes(
        device="basic" if _one_of(device, DEVICES, "device") == "basic" else "full",
        paper=_one_of(paper, PAPERS, "paper"),
    )
    names = [one.strip() for one in to.split(",") if one.strip()]
    with progress_bar(hidden=quiet) as progress:
        files = export_plan(plan, names, output=output, wishes=wishes, overwrite=overwrite, progress=progress)
    if not quiet:
        typer.echo("\n".join(f"{path}" for path in files))


def show(plan: Folder, as_json: AsJson = False) -> None:
    """A plan in a dozen lines, from its folder."""
    from lastseen.products.contents import read_contents
    from lastseen.products.numbers import numbers_text

    numbers = read_contents(plan).numbers
    if as_json:
        typer.echo(numbers_text(numbers), nl=False)
        return
    from lastseen.summary import plan_summary

    typer.echo(plan_summary(numbers, plan))


def _one_of(text: str, known: tuple[str, ...], what: str) -> str:
    found = next((one for one in known if one.lower() == text.lower()), None)
    if found is None:
        raise InputError(f"the {what} '{text}' is not known: choose {', '.join(known[:-1])} or {known[-1]}")
    return found
