"""The command line. Commands are thin: they read options, call one function, and print.

Heavy modules are imported inside the commands, so that ``--help`` answers at once.
"""
# ruff: noqa: PLC0415, FBT001, FBT002  imports inside commands, see above; options are given by name

from __future__ import annotations

import datetime as dt
import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from lastseen import __version__
from lastseen.errors import InputError, LastseenError

if TYPE_CHECKING:
    from lastseen.plan import Plan
    from lastseen.scenario import Given, Scenario
    from lastseen.search.model import Entry

INTERRUPTED = 130
EXIT_CODES = """Exit codes: 0 ok, 1 a check failed or an unexpected error, 2 wrong usage, 3 input that cannot be used,
4 nothing found, 5 the output exists, 6 not enough memory or disk, 130 interrupted."""

app = typer.Typer(
    name="lastseen",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="From an elevation model and a last-seen point to a walked avalanche signal search. A planning and training "
    f"aid, not a hazard forecast.\n\n{EXIT_CODES}",
)

Dem = Annotated[
    list[Path], typer.Argument(help="Elevation: any raster that GDAL reads, or several.", show_default=False)
]
ZUnit = Annotated[str | None, typer.Option("--z-unit", help="Unit of height: m, ft or us-ft; overrides the file.")]
Out = Annotated[Path, typer.Option("-o", "--output", help="Folder to write.")]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace an older result in the output folder.")]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on standard output, nothing else.")]
Quiet = Annotated[bool, typer.Option("-q", "--quiet", help="No progress, no summary.")]


def main() -> None:
    """Run the command line and leave with the documented exit code."""
    os.environ.setdefault("NUMBA_CACHE_DIR", str(_cache_folder()))
    try:
        code = app(standalone_mode=False)  # the parser turns Exit and Control-C into a number
    except LastseenError as error:
        _leave(str(error), error.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        _leave("interrupted: nothing was written", INTERRUPTED)
    except MemoryError:
        _leave("not enough memory: choose a smaller size class or a coarser elevation model", 6)
    except Exception as error:  # noqa: BLE001  the last line of defence
        if hasattr(error, "exit_code") and hasattr(error, "format_message"):  # wrong usage, said by the parser
            _leave(f"{error.format_message()} (see lastseen --help)", int(error.exit_code))
        _leave(f"unexpected {type(error).__name__}: {error}; please report this with the command you gave", 1)
    if code == INTERRUPTED:
        _leave("interrupted: nothing was written", INTERRUPTED)
    sys.exit(code or 0)


def _leave(text: str, code: int) -> NoReturn:
    sys.stderr.write(f"lastseen: {text}\n")
    sys.exit(code)


def _cache_folder() -> Path:
    """Compiled kernels are kept per version and Python, so that an update never meets old ones."""
    home = Path(os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA") or Path.home() / ".cache")
    return home / "lastseen" / f"{__version__}-py{sys.version_info.major}{sys.version_info.minor}"


@app.command()
def plan(
    dem: Annotated[list[Path] | None, typer.Argument(help="Elevation: any raster that GDAL reads, or several.")] = None,
    at: Annotated[str | None, typer.Option("--at", help="Last-seen point: lon,lat, UTM text or MGRS text.")] = None,
    crs: Annotated[str | None, typer.Option("--crs", help="CRS of the numbers in --at and --start.")] = None,
    radius: Annotated[float | None, typer.Option("--radius", help="Uncertainty of the last-seen point, m.")] = None,
    size: Annotated[
        int | None,
        typer.Option("--size", help="Destructive size: 1 small, 2 buries a person, 3 a car, 4 a house. [default: 2]"),
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
    seed: Annotated[int | None, typer.Option("--seed", help="Seed of all random draws. [default: 1]")] = None,
    name: Annotated[str | None, typer.Option("--name", help="Title of the plan.")] = None,
    scenario: Annotated[Path | None, typer.Option("--scenario", help="TOML file; options override it.")] = None,
    z_unit: ZUnit = None,
    output: Out = Path("plan"),
    overwrite: Overwrite = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Work out a plan from an elevation model and a last-seen point."""
    from lastseen.scenario import Given

    given = [
        Given("", "elevation", tuple(dem) if dem else None),
        Given("", "name", name),
        Given("", "z_unit", z_unit),
        Given("", "seed", seed),
        Given("last_seen", "at", at),
        Given("last_seen", "crs", crs),
        Given("last_seen", "radius_m", radius),
        Given("snow", "size", size),
        Given("snow", "release", release),
        Given("search", "debris", debris),
        Given("search", "strip_width_m", strip_width),
        Given("search", "searchers", searchers),
        Given("search", "start", start),
        Given("search", "pattern", pattern),
    ]
    _make_and_write(_scenario(scenario, given), output, overwrite=overwrite, as_json=as_json, quiet=quiet)


@app.command()
def demo(
    which: Annotated[str, typer.Argument(help="bowl (size 3, one searcher) or bench (size 2, three).")] = "bowl",
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
    _make_and_write(read_scenario(path), output, overwrite=overwrite, as_json=as_json, quiet=quiet)


@app.command()
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
    date: Annotated[str | None, typer.Option("--date", help="Day for magnetic bearings, such as 2027-01-31.")] = None,
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
    from lastseen.products.folder import SEARCH_PROOF
    from lastseen.products.numbers import numbers_text
    from lastseen.scenario import Given, scenario_of, with_given

    given = [
        Given("", "elevation", tuple(dem) if dem else None),
        Given("", "name", name),
        Given("", "z_unit", z_unit),
        Given("", "seed", seed),
        Given("last_seen", "crs", crs),
        Given("search", "debris", outline),
        Given("search", "strip_width_m", strip_width),
        Given("search", "searchers", searchers),
        Given("search", "start", start),
        Given("search", "pattern", pattern),
    ]
    scenario = with_given(scenario_of({"elevation": ["?"]}), given)
    if not dem:
        scenario = without_elevation(scenario)
    refuse_existing(output, overwrite=overwrite, proof=SEARCH_PROOF)
    with _progress(hidden=quiet) as progress:
        made = search_drawn(scenario, no_go=no_go, entry=_entry(entry), date=_day(date), progress=progress)
        grid, own = made.terrain.elevation, crs_of_outline(outline, "debris")
        middle = made.debris.outline.centroid
        metric = is_local_metric(own, to_lonlat(middle.x, middle.y, grid.crs))
        write_search(made, output, crs=own if metric else None, overwrite=overwrite, progress=progress)
    if as_json:
        typer.echo(numbers_text(search_numbers(made)), nl=False)
    elif not quiet:
        from lastseen.summary import plan_summary

        typer.echo(plan_summary(made, output))


def _entry(text: str | None) -> Entry | None:
    known: dict[str, Entry] = {"top": "top", "toe": "toe", "flank": "flank"}
    if text is None or text in known:
        return known.get(text or "")
    raise InputError(f"the entry '{text}' is not known: choose top, toe or flank")


def _day(text: str | None) -> dt.date | None:
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"the date '{text}' cannot be read: write it like 2027-01-31") from error


@app.command()
def terrain(
    dem: Dem,
    z_unit: ZUnit = None,
    output: Out = Path("terrain"),
    overwrite: Overwrite = False,
    quiet: Quiet = False,
) -> None:
    """Write ground layers (slope, aspect, curvatures) as cloud-optimised GeoTIFF."""
    from lastseen.elevation import open_elevation
    from lastseen.products.ground import write_ground

    elevation = open_elevation(dem, z_unit=z_unit)
    with _progress(hidden=quiet) as progress:
        written = write_ground(elevation, output, overwrite=overwrite, progress=progress)
    if not quiet:
        for note in elevation.notes:
            typer.echo(f"Note: {note}.")
        for path in written:
            typer.echo(f"{path}")


@app.command()
def check(as_json: AsJson = False) -> None:
    """Recompute every published reference value with the installed code."""
    from lastseen.check import run_checks

    outcomes = run_checks()
    if as_json:
        typer.echo(json.dumps([one.record() for one in outcomes], indent=1, ensure_ascii=False))
    else:
        from lastseen.summary import check_table

        typer.echo(check_table(outcomes))
    if not all(one.ok for one in outcomes):
        raise typer.Exit(1)


@app.command()
def doctor(as_json: AsJson = False) -> None:
    """Versions, threads and data folders of everything that lastseen stands on."""
    from lastseen.versions import environment

    found = environment()
    if as_json:
        typer.echo(json.dumps(found, indent=1))
    else:
        width = max(len(key) for key in found)
        typer.echo("\n".join(f"{key:<{width}}  {value}" for key, value in found.items()))


def _version(value: bool) -> None:
    if value:
        typer.echo(f"lastseen {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


def _scenario(file: Path | None, given: list[Given]) -> Scenario:
    from lastseen.scenario import read_scenario, scenario_of, with_given

    if file is not None:
        return with_given(read_scenario(file), given)
    if next(one.value for one in given if one.key == "elevation") is None:
        raise InputError("no elevation model was given: name a raster, or a scenario with --scenario")
    return with_given(scenario_of({"elevation": ["?"]}), given)


def _make_and_write(scenario: Scenario, output: Path, *, overwrite: bool, as_json: bool, quiet: bool) -> None:
    from lastseen.plan import make_plan
    from lastseen.products import plan_numbers, refuse_existing, write_plan
    from lastseen.products.numbers import numbers_text

    refuse_existing(output, overwrite=overwrite)
    if not (quiet or as_json):
        _echo_place(scenario)
    with _progress(hidden=quiet) as progress:
        made: Plan = make_plan(scenario, progress)
        write_plan(made, output, overwrite=overwrite, progress=lambda stage, share: progress(stage, 0.8 + 0.2 * share))
    if as_json:
        typer.echo(numbers_text(plan_numbers(made)), nl=False)
    elif not quiet:
        from lastseen.summary import plan_summary

        typer.echo(plan_summary(made, output))


def _echo_place(scenario: Scenario) -> None:
    """Say how the last-seen point was understood, before anything is computed."""
    from lastseen.place import parse_crs, parse_point

    at = scenario.last_seen
    if at.at:
        known = parse_point(at.at, parse_crs(at.crs) if at.crs else None).notations()
        typer.echo(f"Last-seen point: {known['lonlat']} = {known['utm']} = {known['mgrs']}", err=True)


@contextmanager
def _progress(*, hidden: bool) -> Iterator[Callable[[str, float], None]]:
    """A progress bar on standard error, only where a person looks at it."""
    if hidden or not sys.stderr.isatty():
        yield lambda _stage, _share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns: tuple[Any, ...] = (TextColumn("{task.description:<32}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda stage, share: bar.update(task, description=stage, completed=share)
