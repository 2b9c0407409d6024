"""The commands that hide targets: drill targets, drill exercises."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lastseen.commands.options import AsJson, Out, Overwrite, Quiet
from lastseen.commands.running import progress_bar
from lastseen.errors import InputError

if TYPE_CHECKING:
    from lastseen.drill.exercises import Exercise

PlanFolder = Annotated[
    Path,
    typer.Argument(metavar="PLAN", help="Folder of a plan or of a search over a drawn outline.", show_default=False),
]
OwnExercises = Annotated[Path | None, typer.Option("--exercises", help="Own exercises, a TOML file.")]


def add_to(app: typer.Typer) -> None:
    """Put the commands into the group."""
    app.command()(targets)
    app.command()(exercises)


def targets(
    plan: PlanFolder,
    exercise: Annotated[
        str | None, typer.Option("--exercise", help="Published or own exercise; see drill exercises.")
    ] = None,
    own: OwnExercises = None,
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
    output: Out = Path("targets"),
    overwrite: Overwrite = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Hide targets in a plan's debris: sheets for staff and trainees, run sheet, GPX. Dummies only."""
    from lastseen.drill.targets import hide
    from lastseen.products import refuse_existing
    from lastseen.products.drill_files import TARGETS_MARKER, target_numbers, write_targets
    from lastseen.products.numbers import numbers_text
    from lastseen.products.planned_reading import read_planned

    given = {
        "targets": count,
        "decoys": decoys,
        "depth_m": _pair(depth),
        "apart_m": apart,
        "close_pair_m": close_pair,
        "edge_m": edge,
        "probability_of_area": False if even else None,
    }
    chosen, name = _chosen(exercise, own, {key: value for key, value in given.items() if value is not None})
    refuse_existing(output, overwrite=overwrite, marker=TARGETS_MARKER)
    with progress_bar(hidden=quiet) as progress:
        progress("reading the plan", 0.0)
        planned = read_planned(plan)
        hidden = hide(planned, chosen, seed, name=name)
        write_targets(planned, hidden, output, overwrite=overwrite, progress=progress)
    if as_json:
        typer.echo(numbers_text(target_numbers(planned, hidden)), nl=False)
    elif not quiet:
        from lastseen.products.drill_text import targets_text

        typer.echo(targets_text(planned, hidden, output))


def exercises(own: OwnExercises = None, as_json: AsJson = False) -> None:
    """List the exercises: published ones with their source, and your own."""
    from lastseen.drill.exercises import published_exercises, read_exercises

    known = {**published_exercises(), **(read_exercises(own) if own else {})}
    if as_json:
        plain = {name: one.model_dump(mode="json") for name, one in known.items()}
        typer.echo(json.dumps(plain, indent=1, ensure_ascii=False))
    else:
        from lastseen.products.drill_text import exercises_text

        typer.echo(exercises_text(known))


def _chosen(name: str | None, own: Path | None, given: dict[str, Any]) -> tuple[Exercise, str]:
    """The named exercise with what was given on the command line in its place, and what to call it."""
    from lastseen.drill.exercises import exercise_of, find_exercise

    if name is None:
        return exercise_of(given, "the options"), "own"
    found = find_exercise(name, own)
    if not given:
        return found, name
    changed = {**found.model_dump(), **given, "source": f"after {found.source}, changed"}
    return exercise_of(changed, f"exercise '{name}' with the options"), f"{name}, changed"


def _pair(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        numbers = [float(one) for one in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) not in {1, 2}:
        raise InputError(f"the depth '{text}' cannot be read: give least and greatest in metres, such as 0.3,1.0")
    return numbers[0], numbers[-1]
