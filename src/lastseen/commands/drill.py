"""Commands about practising: the group ``drill``."""

from __future__ import annotations

import typer

from lastseen.commands import drill_ground, drill_targets


def add_to(app: typer.Typer) -> None:
    """Put the group into the command line."""
    group = typer.Typer(
        name="drill",
        no_args_is_help=True,
        help="Prepare a drill: ground for it, a deposit to practise on, hidden targets, sheets for staff and trainees. "
        "No start zone in this model reaches a site that is offered by default; look at the ground above on the day.",
    )
    drill_ground.add_to(group)
    drill_targets.add_to(group)
    app.add_typer(group)
