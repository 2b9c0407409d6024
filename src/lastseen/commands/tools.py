"""Commands about the program itself: check, doctor."""

from __future__ import annotations

import json

import typer

from lastseen.commands.options import AsJson


def add_to(app: typer.Typer) -> None:
    """Put the commands into the command line."""
    app.command()(check)
    app.command()(doctor)


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


def doctor(as_json: AsJson = False) -> None:
    """Versions, threads and data folders of everything that lastseen stands on."""
    from lastseen.versions import environment

    found = environment()
    if as_json:
        typer.echo(json.dumps(found, indent=1))
    else:
        width = max(len(key) for key in found)
        typer.echo("\n".join(f"{key:<{width}}  {value}" for key, value in found.items()))
