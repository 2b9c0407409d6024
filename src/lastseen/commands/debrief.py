"""The command that grades a drill from recorded tracks: debrief."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lastseen.commands.drill_targets import PlanFolder
from lastseen.commands.options import AsJson, Out, Overwrite, Quiet
from lastseen.commands.running import progress_bar
from lastseen.errors import InputError


def add_to(app: typer.Typer) -> None:
    """Put the command into the command line."""
    app.command()(debrief)


def debrief(
    plan: PlanFolder,
    tracks: Annotated[list[Path], typer.Argument(help="Recorded tracks, GPX 1.0 or 1.1.", show_default=False)],
    log: Annotated[Path | None, typer.Option("--log", help="Noted times: searcher,target,phase,time (CSV).")] = None,
    targets: Annotated[Path | None, typer.Option("--targets", help="Folder of drill targets: what was hidden.")] = None,
    gps_error: Annotated[
        float | None, typer.Option("--gps-error", help="Radius that holds a fix two times in three, m. [default: 5]")
    ] = None,
    shift: Annotated[
        list[str] | None, typer.Option("--shift", help="Move the clock of a track: NAME=SECONDS; repeatable.")
    ] = None,
    curve: Annotated[str, typer.Option("--curve", help="Survival curve by name.")] = "falk-1994",
    output: Out = Path("debrief"),
    overwrite: Overwrite = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Say what recorded tracks covered of a plan, surely, perhaps or not, and how the phases went."""
    from lastseen.drill.debrief import GPS_ERROR_M, read_log, read_tracks
    from lastseen.drill.debrief import debrief as work_out
    from lastseen.products import refuse_existing
    from lastseen.products.debrief_files import DEBRIEF_MARKER, debrief_numbers, write_debrief
    from lastseen.products.drill_files import read_targets
    from lastseen.products.numbers import numbers_text
    from lastseen.products.planned_reading import read_planned

    refuse_existing(output, overwrite=overwrite, marker=DEBRIEF_MARKER)
    with progress_bar(hidden=quiet) as progress:
        progress("reading plan and tracks", 0.0)
        planned = read_planned(plan)
        recordings = [one for path in tracks for one in read_tracks(path)]
        made = work_out(
            planned,
            recordings,
            log=read_log(log) if log else (),
            targets=read_targets(targets).targets if targets else (),
            gps_error_m=GPS_ERROR_M if gps_error is None else gps_error,
            shifts_s=_shifts(shift or []),
            curve=curve,
        )
        write_debrief(made, output, overwrite=overwrite, progress=progress)
    if as_json:
        typer.echo(numbers_text(debrief_numbers(made)), nl=False)
    elif not quiet:
        from lastseen.products.drill_text import debrief_text

        typer.echo(debrief_text(made, output))


def _shifts(given: list[str]) -> dict[str, float]:
    found = {}
    for text in given:
        name, _, seconds = text.rpartition("=")
        try:
            found[name] = float(seconds)
        except ValueError as error:
            raise InputError(
                f"'{text}' is no shift: write the name of a track and seconds, such as anna=-3600"
            ) from error
    return found
