"""Commands about practising: the group ``drill``."""

from __future__ import annotations

import typer

from lastseen.commands import drill_targets


def add_to(app: typer.Typer) -> None:
    """Put the group into the command line."""
    group = typer.Typer(
        name="drill", no_args_is_help=True, help="Prepare a drill: hidden targets, sheets for staff and trainees."
    )
    drill_targets.add_to(group)
    app.add_typer(group)
