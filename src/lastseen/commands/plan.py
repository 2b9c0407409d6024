"""Commands about a search: plan, demo, strips, export, show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from lastseen.commands import common
from lastseen.core import InputError

if TYPE_CHECKING:
    from lastseen.core import Scenario
    from lastseen.jobs import Plan
    from lastseen.output import Device, Paper
    from lastseen.search import Entry


def plan(
    dem: common.DemOrScenario = None,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", help="Last-seen point: lon,lat, UTM text or MGRS text; repeat for several missing."),
    ] = None,
    missing: Annotated[
        int | None, typer.Option("--missing", help="How many are missing, 1 to 10. [default: one for each --at]")
    ] = None,
    crs: Annotated[str | None, typer.Option("--crs", help="CRS of the numbers in --at and --start.")] = None,
    radius: common.Radius = None,
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
        float | None, typer.Option("--cell", help="Working cell of the flow, m. [default: by the time budget]")
    ] = None,
    time_budget: Annotated[
        float | None,
        typer.Option("--time-budget", help="Seconds that the flow may take on two processors. [default: 20]"),
    ] = None,
    accept_unfinished: Annotated[
        bool, typer.Option("--accept-unfinished", help="Plan although most events did not come to rest in time.")
    ] = False,
    accept_open_edge: Annotated[
        bool, typer.Option("--accept-open-edge", help="Plan although most persons leave the elevation model.")
    ] = False,
    release: common.Release = None,
    release_side: Annotated[
        str | None,
        typer.Option("--release-side", help="Where the slope broke: above, below or here. [default: what reaches]"),
    ] = None,
    debris: Annotated[
        Path | None, typer.Option("--debris", help="Observed outline of the debris: only the search is laid out.")
    ] = None,
    strip_width: common.StripWidth = None,
    searchers: common.Searchers = None,
    start: common.Start = None,
    pattern: common.Pattern = None,
    entry: common.Entry = None,
    travel: common.Travel = None,
    search_travel: common.SearchTravel = None,
    speed: common.Speed = None,
    approach_min: common.ApproachMin = None,
    date: common.Date = None,
    second_pass: common.SecondPass = False,
    seed: common.Seed = None,
    name: Annotated[str | None, typer.Option("--name", help="Title of the plan.")] = None,
    scenario: common.ScenarioFile = None,
    trees: common.Trees = None,
    water: common.Water = None,
    crevasses: common.Crevasses = None,
    rocks: common.Rocks = None,
    buildings: common.Buildings = None,
    roads: common.Roads = None,
    no_go: common.NoGo = None,
    surface_model: common.Surface = None,
    z_unit: common.ZUnit = None,
    accept_doubtful_heights: common.AcceptDoubtful = False,
    animate: common.Animate = False,
    output: common.Out = Path("plan"),
    overwrite: common.Overwrite = False,
    as_json: common.AsJson = False,
    quiet: common.Quiet = False,
) -> None:
    """Work out a plan from an elevation model and a last-seen point."""
    given = [
        *common.given_in("", elevation=tuple(dem) if dem else None, name=name, z_unit=z_unit, seed=seed),
        *common.given_in("", accept_doubtful_heights=accept_doubtful_heights or None),
        *common.given_last_seen(at or [], missing, crs=crs, radius_m=radius),
        *common.given_in("snow", size=size, model=model, cell_m=cell, release=release,
                          release_side=release_side, time_budget_s=time_budget,
                          accept_unfinished=accept_unfinished or None, accept_open_edge=accept_open_edge or None),
        *common.given_in(
            "search", debris=debris, strip_width_m=strip_width, searchers=searchers,
            start=common.one_or_several(start), pattern=pattern,
            entry=entry, date=date, second_pass=second_pass or None,
        ),
        *common.given_travel(travel, search_travel, speed, approach_min),
        *common.given_in(
            "ground", trees=trees, water=water, crevasses=crevasses, rocks=rocks, buildings=buildings, roads=roads,
            no_go=no_go, surface_model=surface_model,
        ),
    ]  # fmt: skip
    _make_and_write(
        common.scenario_from(scenario, given),
        output,
        overwrite=overwrite,
        animate=animate,
        as_json=as_json,
        quiet=quiet,
    )


def demo(
    which: Annotated[str, typer.Argument(help="bowl (size 3, one searcher) or bench (size 2, three).")] = "bowl",
    animate: common.Animate = False,
    output: common.Out = Path("demo-plan"),
    overwrite: common.Overwrite = False,
    as_json: common.AsJson = False,
    quiet: common.Quiet = False,
) -> None:
    """Plan a search on Mount Ysterra, an invented mountain that comes with the program."""
    from lastseen.core import read_scenario, shared_folder

    path = shared_folder("demo") / f"{which}.toml"
    if not path.is_file():
        known = ", ".join(sorted(file.stem for file in path.parent.glob("*.toml")))
        raise InputError(f"there is no demo scenario '{which}': choose one of {known}")
    _make_and_write(read_scenario(path), output, overwrite=overwrite, animate=animate, as_json=as_json, quiet=quiet)


def _make_and_write(
    scenario: Scenario, output: Path, *, overwrite: bool, animate: bool, as_json: bool, quiet: bool
) -> None:
    from lastseen.jobs import make_plan
    from lastseen.output import MARKERS, plan_summary, refuse_existing, result_of_plan, write_result

    refuse_existing(output, overwrite=overwrite, marker=MARKERS["plan"])
    if not (quiet or as_json):
        common.echo_place(scenario)
    with common.progress_bar(hidden=quiet) as progress:
        made: Plan = make_plan(scenario, progress)
        result = result_of_plan(made, animate=animate)
        write_result(result, output, overwrite=overwrite, progress=common.part_of(progress, 0.95, 1.0))
    common.echo_result(
        lambda: result.numbers, lambda: plan_summary(result.numbers, output), as_json=as_json, quiet=quiet
    )


def strips(
    outline: Annotated[
        Path,
        typer.Argument(help="Outline of the debris: GeoPackage, GeoJSON, KML, GPX, Shapefile.", show_default=False),
    ],
    dem: Annotated[
        list[Path] | None, typer.Option("--dem", help="Elevation, may be repeated; flat ground where not given.")
    ] = None,
    strip_width: common.StripWidth = None,
    searchers: common.Searchers = None,
    start: common.Start = None,
    crs: Annotated[str | None, typer.Option("--crs", help="CRS of the numbers in --start.")] = None,
    entry: common.Entry = None,
    pattern: common.Pattern = None,
    no_go: Annotated[Path | None, typer.Option("--no-go", help="Drawn ground that nobody may walk on.")] = None,
    travel: common.Travel = None,
    search_travel: common.SearchTravel = None,
    speed: common.Speed = None,
    approach_min: common.ApproachMin = None,
    date: common.Date = None,
    second_pass: common.SecondPass = False,
    seed: Annotated[int | None, typer.Option("--seed", help="Seed of the simulated searches. [default: 1]")] = None,
    name: Annotated[str | None, typer.Option("--name", help="Title of the search.")] = None,
    z_unit: common.ZUnit = None,
    accept_doubtful_heights: common.AcceptDoubtful = False,
    output: common.Out = Path("search"),
    overwrite: common.Overwrite = False,
    as_json: common.AsJson = False,
    quiet: common.Quiet = False,
) -> None:
    """Lay out a signal search over any drawn outline, without a model."""
    from lastseen.core import apply_overrides, check_scenario, crs_of_outline, is_local_metric, to_lonlat
    from lastseen.jobs import plan_drawn_search
    from lastseen.output import MARKERS, plan_summary, refuse_existing, result_of_search, write_result

    given = [
        *common.given_in("", elevation=tuple(dem) if dem else None, name=name, z_unit=z_unit, seed=seed),
        *common.given_in("", accept_doubtful_heights=accept_doubtful_heights or None),
        *common.given_in("last_seen", crs=crs),
        *common.given_in(
            "search", debris=outline, strip_width_m=strip_width, searchers=searchers,
            start=common.one_or_several(start), pattern=pattern,
            date=date, second_pass=second_pass or None,
        ),
        *common.given_travel(travel, search_travel, speed, approach_min),
    ]  # fmt: skip
    scenario = apply_overrides(check_scenario({"elevation": ["?"]}), given)
    if not dem:
        scenario = replace(scenario, elevation=())
    refuse_existing(output, overwrite=overwrite, marker=MARKERS["search"])
    with common.progress_bar(hidden=quiet) as progress:
        made = plan_drawn_search(scenario, no_go=no_go, entry=_entry(entry), progress=progress)
        grid, outline_crs = made.terrain.elevation, crs_of_outline(outline, "debris")
        middle = made.debris.outline.centroid
        metric = is_local_metric(outline_crs, to_lonlat(middle.x, middle.y, grid.crs))
        result = result_of_search(made, file_crs=outline_crs if metric else None)
        write_result(result, output, overwrite=overwrite, progress=progress)
    common.echo_result(
        lambda: result.numbers, lambda: plan_summary(result.numbers, output), as_json=as_json, quiet=quiet
    )


def _entry(text: str | None) -> Entry | None:
    known: dict[str, Entry] = {"top": "top", "toe": "toe", "flank": "flank", "nearest": "nearest"}
    if text is None or text in known:
        return known.get(text or "")
    if text == "last-seen":
        raise InputError("a drawn outline has no last-seen point to begin from: choose top, flank, toe or nearest")
    raise InputError(f"the entry '{text}' is not known: choose top, flank, toe or nearest")


# ---- Commands that work from the folder of a plan: export, show

Choice = TypeVar("Choice")
Folder = Annotated[Path, typer.Argument(help="Folder of a plan or of a drawn search.", show_default=False)]
# Of the list of formats and the sheets of a plan, which are slow to import.
NAMES = (
    "json", "gpkg", "cog", "gpx", "kml", "geojson", "parquet", "csv", "sld", "sheet", "page", "sheet-staff",
    "sheet-blank",
)  # fmt: skip
DEVICES: dict[str, Device] = {"full": "full", "basic": "basic"}
PAPERS: dict[str, Paper] = {"A4": "A4", "Letter": "Letter", "A3": "A3"}


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
    quiet: common.Quiet = False,
) -> None:
    """Write products of a plan again or in another form, without computing it again."""
    from lastseen.output import Options, add_formats, read_result

    options = Options(device=_choose(device, DEVICES, "device"), paper=_choose(paper, PAPERS, "paper"))
    names = [part.strip() for part in to.split(",") if part.strip()]
    with common.progress_bar(hidden=quiet) as progress:
        files = add_formats(
            read_result(plan), names, output or plan, options=options, overwrite=overwrite, progress=progress
        )
    if not quiet:
        typer.echo("\n".join(f"{path}" for path in files))


def show(plan: Folder, as_json: common.AsJson = False) -> None:
    """A plan in a dozen lines, from its folder."""
    from lastseen.output import plan_summary, read_whole_numbers

    numbers = read_whole_numbers(plan)
    common.echo_result(lambda: numbers, lambda: plan_summary(numbers, plan), as_json=as_json, quiet=False)


def compare(
    plan: Folder,
    observed: Annotated[
        Path,
        typer.Option("--observed", help="Mapped outline of the debris: any vector file, any CRS.", show_default=False),
    ],
    as_json: common.AsJson = False,
) -> None:
    """Hold the debris of a plan against an outline that somebody mapped: overlap, run-out, width, contours."""
    from lastseen.output import compare_with_observed, match_text

    match = compare_with_observed(plan, observed)
    numbers = {**asdict(match), "runout_misfit_m": match.runout_misfit_m, "width_misfit_m": match.width_misfit_m}
    common.echo_result(lambda: numbers, lambda: match_text(match), as_json=as_json, quiet=False)


def _choose(text: str, known: Mapping[str, Choice], what: str) -> Choice:
    found = next((choice for name, choice in known.items() if name.lower() == text.lower()), None)
    if found is None:
        *most, last = known
        raise InputError(f"the {what} '{text}' is not known: choose {', '.join(most)} or {last}")
    return found
