"""Commands about the program itself: serve, check, doctor."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from lastseen.commands import common
from lastseen.core import InputError


def check(as_json: common.AsJson = False) -> None:
    """Recompute every published reference value with the installed code."""
    from lastseen.jobs import run_checks

    outcomes = run_checks()
    if as_json:
        typer.echo(json.dumps([outcome.record() for outcome in outcomes], indent=1, ensure_ascii=False))
    else:
        from lastseen.output import check_table

        typer.echo(check_table(outcomes))
    if not all(outcome.ok for outcome in outcomes):
        raise typer.Exit(1)


def doctor(as_json: common.AsJson = False) -> None:
    """Versions, threads and data folders of everything that lastseen stands on."""
    from lastseen.core import environment

    found = environment()
    if as_json:
        typer.echo(json.dumps(found, indent=1))
    else:
        width = max(len(key) for key in found)
        typer.echo("\n".join(f"{key:<{width}}  {value}" for key, value in found.items()))


def serve(
    dem: Annotated[
        list[Path] | None,
        typer.Argument(help="Elevation: any raster that GDAL reads, or several. [default: drop one on the page]"),
    ] = None,
    folder: Annotated[Path, typer.Option("--folder", help="Where plans are kept.")] = Path("lastseen-plans"),
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port; where it is taken, a free one.")] = 8424,
    host: Annotated[
        str | None, typer.Option("--host", help="Address of this machine in a network, to be reached from there.")
    ] = None,
    token: Annotated[
        str | None, typer.Option("--token", help="Secret of at least 16 characters; needed with --host.")
    ] = None,
    no_open: Annotated[bool, typer.Option("--no-open", help="Do not open the browser.")] = False,
    z_unit: common.ZUnit = None,
) -> None:
    """Show the page: click the last-seen point on a map, see the search. It runs on this machine, without a network."""
    from lastseen.web import LOOPBACK, Settings
    from lastseen.web import serve as run

    if host is not None and token is None:
        raise InputError("--host opens the page to other machines: give a secret with --token too")
    if host in ("0.0.0.0", "::", ""):  # noqa: S104  refused
        raise InputError(f"--host {host} would answer to any name: give the address of this machine in your network")
    if token is not None and (len(token) < 16 or not token.isascii() or not token.replace("-", "").isalnum()):
        raise InputError("the token must have at least 16 letters, digits or dashes")
    settings = Settings(folder=folder, elevation=tuple(dem or ()), z_unit=z_unit, host=host or LOOPBACK, port=port)
    if token is not None:
        settings = replace(settings, token=token)

    def announce(address: str) -> None:
        typer.echo(f"Open {address}\nPlans are kept in {folder.resolve()}\nStop with Control-C.", err=True)

    run(settings, open_browser=not no_open, announce=announce)
