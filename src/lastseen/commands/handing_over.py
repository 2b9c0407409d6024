"""Commands that work from the folder of a plan: export, show."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from lastseen.commands.options import AsJson, Quiet
from lastseen.commands.running import progress_bar
from lastseen.errors import InputError

if TYPE_CHECKING:
    from lastseen.products.kinds import Device, Paper

Choice = TypeVar("Choice")
Folder = Annotated[Path, typer.Argument(help="Folder of a plan or of a drawn search.", show_default=False)]
# Of products.kinds, which is slow to import.
NAMES = ("json", "gpkg", "cog", "gpx", "kml", "sheet", "page", "sheet-staff", "sheet-blank", "geojson", "parquet")
DEVICES: dict[str, Device] = {"full": "full", "basic": "basic"}
PAPERS: dict[str, Paper] = {"A4": "A4", "Letter": "Letter", "A3": "A3"}


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

    wishes = Wishes(device=_one_of(device, DEVICES, "device"), paper=_one_of(paper, PAPERS, "paper"))
    names = [one.strip() for one in to.split(",") if one.strip()]
    with progress_bar(hidden=quiet) as progress:
        files = export_plan(plan, names, output=output, wishes=wishes, overwrite=overwrite, progress=progress)
    if not quiet:
        typer.echo("\n".join(f"{path}" for path in files))


def show(plan: Folder, as_json: AsJson = False) -> None:
    """A plan in a dozen lines, from its folder."""
    from lastseen.products.contents import read_numbers
    from lastseen.products.numbers import numbers_text

    numbers = read_numbers(plan)
    if as_json:
        typer.echo(numbers_text(numbers), nl=False)
        return
    from lastseen.summary import plan_summary

    typer.echo(plan_summary(numbers, plan))


def _one_of(text: str, known: Mapping[str, Choice], what: str) -> Choice:
    found = next((one for name, one in known.items() if name.lower() == text.lower()), None)
    if found is None:
        *most, last = known
        raise InputError(f"the {what} '{text}' is not known: choose {', '.join(most)} or {last}")
    return found
