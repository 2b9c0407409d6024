"""The command line: all commands together, and the exit code of each ending.

Commands are thin: they read options, call one function, and print. Heavy modules are imported inside them, so that
``--help`` answers at once.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Annotated, NoReturn, TextIO

import typer

from lastseen import __version__
from lastseen.commands import ground, plan, practice, rescue, tools
from lastseen.commands.common import ignore_interrupts, interrupted, make_app, watch_for_interrupt
from lastseen.core import InputError, LastseenError, ResourceError, explain_os_error

INTERRUPTED = 130
EXIT_CODES = """Exit codes: 0 ok, 1 a check failed or an unexpected error, 2 wrong usage, 3 input that cannot be used,
4 nothing found, 5 the output exists, 6 not enough memory or disk, 130 interrupted."""

COMMANDS: dict[str, Callable[..., None] | typer.Typer] = {
    "plan": plan.plan, "demo": plan.demo, "strips": plan.strips, "compare": plan.compare,
    "export": plan.export, "show": plan.show, "traps": ground.traps, "terrain": ground.terrain,
    "inspect": ground.inspect, "preread": ground.preread, "debrief": practice.debrief,
    "serve": tools.serve, "range": rescue.range_, "clock": rescue.clock, "probe": rescue.probe, "dig": rescue.dig,
    "areas": rescue.areas, "check": tools.check, "doctor": tools.doctor, "drill": practice.drill,
}  # fmt: skip

app = make_app(
    COMMANDS,
    name="lastseen",
    help="From an elevation model and a last-seen point to a walked avalanche signal search. A planning and training "
    f"aid, not a hazard forecast.\n\n{EXIT_CODES}",
)


def main() -> None:
    """Run the command line and leave with the documented exit code."""
    os.environ.setdefault("NUMBA_CACHE_DIR", str(_cache_folder()))
    watch_for_interrupt()
    _require_working_folder()
    try:
        code = app(standalone_mode=False)  # the parser turns Exit and Control-C into a number
        if sys.stdout is not None:
            sys.stdout.flush()  # a full disk shows here at the latest
    except LastseenError as error:
        _leave(str(error), error.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        _leave("interrupted: nothing was written", INTERRUPTED)
    except MemoryError:
        _leave("not enough memory: choose a smaller size class or a coarser elevation model", 6)
    except Exception as error:  # noqa: BLE001  the last line of defence
        if interrupted():  # the interrupt was dressed as something else on its way
            _leave("interrupted: nothing was written", INTERRUPTED)
        if hasattr(error, "exit_code") and hasattr(error, "format_message"):  # wrong usage, said by the parser
            _leave(f"{error.format_message()} (see lastseen --help)", int(error.exit_code))
        _leave(*_describe_unexpected(error))
    if code == INTERRUPTED:
        _leave("interrupted: nothing was written", INTERRUPTED)
    sys.exit(code or 0)


def _require_working_folder() -> None:
    try:
        Path.cwd()
    except OSError:
        _leave("the folder that this was started in is gone: change to one that exists", InputError.exit_code)


def _describe_unexpected(error: Exception) -> tuple[str, int]:
    """What to say about an error that nobody foresaw, and the exit code."""
    plain = explain_os_error(error, "the output") if isinstance(error, OSError) else None
    if isinstance(plain, ResourceError):
        return str(plain), plain.exit_code
    return f"unexpected {type(error).__name__}: {error}; please report this with the command you gave", 1


def _leave(text: str, code: int) -> NoReturn:
    ignore_interrupts()
    with suppress(OSError, AttributeError, ValueError):  # nobody may be listening
        sys.stderr.write(f"lastseen: {text}\n")
        sys.stderr.flush()
    _drop_unwritten(sys.stdout)
    _drop_unwritten(sys.stderr)
    sys.exit(code)


def _drop_unwritten(stream: TextIO | None) -> None:
    """Let what cannot be written go nowhere: the interpreter would try again on its way out, and speak of it."""
    try:
        if stream is not None:
            stream.flush()
    except (OSError, ValueError):
        with suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno() if stream is not None else nowhere)


def _cache_folder() -> Path:
    """Compiled kernels are kept per version and Python, so that an update never meets old ones."""
    home = Path(os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA") or Path.home() / ".cache")
    return home / "lastseen" / f"{__version__}-py{sys.version_info.major}{sys.version_info.minor}"


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
