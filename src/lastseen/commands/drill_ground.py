"""Ground for practice and a deposit on it: ``drill sites``, ``drill deposit``."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lastseen.commands.options import (
    AsJson,
    Buildings,
    Crevasses,
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
from lastseen.commands.running import given_in, progress_bar, scenario_from
from lastseen.errors import InputError

if TYPE_CHECKING:
    from lastseen.drill.sites.view import SiteView


def add_to(group: typer.Typer) -> None:
    """Put the commands into the group ``drill``."""
    group.command()(sites)
    group.command()(deposit)


def sites(
    dem: Annotated[list[Path], typer.Argument(help="Elevation: any raster that GDAL reads, or several.")],
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
    trees: Trees = None,
    water: Water = None,
    crevasses: Crevasses = None,
    rocks: Rocks = None,
    buildings: Buildings = None,
    roads: Roads = None,
    no_go: NoGo = None,
    surface_model: Surface = None,
    name: Annotated[str | None, typer.Option("--name", help="Title of the map.")] = None,
    z_unit: ZUnit = None,
    output: Out = Path("sites"),
    overwrite: Overwrite = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Find and rank ground for practice that no start zone in this model reaches."""
    from lastseen.drill.sites import SiteWish
    from lastseen.drill.sites.view import view_sites
    from lastseen.place import parse_crs, parse_point
    from lastseen.products import refuse_existing
    from lastseen.products.sites import SITES_MARKER, write_sites

    refuse_existing(output, overwrite=overwrite, marker=SITES_MARKER)
    width, height = pair(size, "x", "--size", "100x50")
    low, high = pair(slope, "-", "--slope", "10-25")
    wish = SiteWish(
        width_m=width, height_m=height, low_deg=low, high_deg=high, start_deg=start_slope, most_size=largest,
        within_m=within, margin_m=margin, exposed_ok=exposed_ok, count=count,
    )  # fmt: skip
    given = [
        *given_in("", elevation=tuple(dem), name=name, z_unit=z_unit),
        *given_in(
            "ground", trees=trees, water=water, crevasses=crevasses, rocks=rocks, buildings=buildings, roads=roads,
            no_go=no_go, surface_model=surface_model,
        ),
    ]  # fmt: skip
    place = parse_point(near, parse_crs(crs) if crs else None) if near else None
    if place is not None and not (quiet or as_json):
        known = place.notations()
        typer.echo(f"Place of --near: {known['lonlat']} = {known['utm']} = {known['mgrs']}", err=True)
    with progress_bar(hidden=quiet) as progress:
        view = view_sites(scenario_from(None, given), wish, place, lambda stage, share: progress(stage, 0.8 * share))
        write_sites(view, output, overwrite=overwrite, progress=lambda stage, share: progress(stage, 0.8 + 0.2 * share))
    _tell(view, output, as_json=as_json, quiet=quiet)


def _tell(view: SiteView, output: Path, *, as_json: bool, quiet: bool) -> None:
    from lastseen.products.numbers import numbers_text
    from lastseen.products.sites import sites_numbers, sites_table

    if as_json:
        typer.echo(numbers_text(sites_numbers(view)), nl=False)
    elif not quiet:
        typer.echo(sites_table(view, output))


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
    dem: Annotated[list[Path], typer.Argument(help="Elevation: any raster that GDAL reads, or several.")],
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
    name: Annotated[str | None, typer.Option("--name", help="Title of the map.")] = None,
    z_unit: ZUnit = None,
    output: Out = Path("deposit"),
    overwrite: Overwrite = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Lay a deposit over a practice site: outline, thickness, stakes, and a plan for the machine that pushes it."""
    from lastseen.drill.practice_deposit.pushing import PACKING
    from lastseen.products import refuse_existing
    from lastseen.products.deposit_laying import lay_deposit
    from lastseen.products.numbers import numbers_text
    from lastseen.products.practice_deposit import DEPOSIT_MARKER, deposit_numbers, deposit_table, write_deposit

    if (size is None) == (like is None):
        raise InputError("say what the deposit stands for: either --size 1 to 4, or --like with the folder of a plan")
    refuse_existing(output, overwrite=overwrite, marker=DEPOSIT_MARKER)
    with progress_bar(hidden=quiet) as progress:
        progress("laying the deposit", 0.0)
        made = lay_deposit(
            tuple(dem), z_unit, sites_folder, site, size, like, seed=seed, snow_m=snow_depth, left_m=leave,
            packing=PACKING if packing is None else packing, stake_m=stake, name=name,
        )  # fmt: skip
        write_deposit(
            made, output, overwrite=overwrite, progress=lambda stage, share: progress(stage, 0.5 + 0.5 * share)
        )
    if as_json:
        typer.echo(numbers_text(deposit_numbers(made)), nl=False)
    elif not quiet:
        typer.echo(deposit_table(made, output))
