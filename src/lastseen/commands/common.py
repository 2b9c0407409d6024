"""What commands share: options, reading the question, echoing the place, progress."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from lastseen.core import InputError

if TYPE_CHECKING:
    from lastseen.core import Override, Scenario


# ---- Options that several commands share

Dem = Annotated[
    list[Path], typer.Argument(help="Elevation: any raster that GDAL reads, or several.", show_default=False)
]
ZUnit = Annotated[str | None, typer.Option("--z-unit", help="Unit of height: m, ft or us-ft; overrides the file.")]
Trees = Annotated[Path | None, typer.Option("--trees", help="Trees: areas, points, mask or crown cover, any CRS.")]
Water = Annotated[Path | None, typer.Option("--water", help="Lakes and creeks: areas, lines or raster.")]
Crevasses = Annotated[Path | None, typer.Option("--crevasses", help="Crevasses: areas, lines or raster.")]
Rocks = Annotated[Path | None, typer.Option("--rocks", help="Rocks: areas, points or raster.")]
Buildings = Annotated[Path | None, typer.Option("--buildings", help="Buildings: areas, points or raster.")]
Roads = Annotated[Path | None, typer.Option("--roads", help="Roads: lines, areas or raster.")]
NoGo = Annotated[Path | None, typer.Option("--no-go", help="Ground that nobody may search: areas.")]
Surface = Annotated[
    Path | None, typer.Option("--surface-model", help="Heights with trees: 2 m above the ground counts as trees.")
]
Out = Annotated[Path, typer.Option("-o", "--output", help="Folder to write.")]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace an older result in the output folder.")]
Animate = Annotated[bool, typer.Option("--animate", help="Also draw the middle event as it moves (event.gif).")]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on standard output, nothing else.")]
Quiet = Annotated[bool, typer.Option("-q", "--quiet", help="No progress, no summary.")]
Date = Annotated[str | None, typer.Option("--date", help="Day for magnetic bearings, such as 2027-01-31.")]
SecondPass = Annotated[
    bool, typer.Option("--second-pass", help="Lay the second pass: half the width, lanes midway beside the first.")
]


# ---- What commands do around their work: read the question, echo the place, show progress

COME_AGAIN_S = 0.02
# What native code calls: numba and LLVM do not look whether it raised.
BACK_END = ("numba.core.codegen", "numba.core.serialize", "llvmlite")
_asked, _answered, _coming_again = threading.Event(), threading.Event(), threading.Event()


def watch_for_interrupt() -> None:
    """Remember that somebody pressed Control-C: a library may swallow the exception that it raises.

    While native code is being loaded or reads its constants the interrupt waits: an exception that is lost there leaves
    half a kernel behind, and the process crashes when it calls it. One that has waited is dropped where work has
    stopped meanwhile: it would break into the cleaning up.
    """
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, _on_interrupt)


def ignore_interrupts() -> None:
    """Let the last words be said: the process is leaving anyway."""
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def interrupted() -> bool:
    """Whether somebody pressed Control-C."""
    return _asked.is_set()


def _on_interrupt(_number: int, frame: FrameType | None) -> None:
    _asked.set()
    waited = _coming_again.is_set()
    _coming_again.clear()
    if waited and _answered.is_set():
        return
    if not _called_by_native_code(frame):
        _stop()
    again = threading.Timer(COME_AGAIN_S, _come_again)
    again.daemon = True
    again.start()


def _come_again() -> None:
    _coming_again.set()
    signal.raise_signal(signal.SIGINT)


def _called_by_native_code(frame: FrameType | None) -> bool:
    """Whether native code called a frame, or one that called it, to load or to read something."""
    while frame is not None:
        if frame.f_globals.get("__name__", "").startswith(BACK_END):
            return True
        frame = frame.f_back
    return False


def _stop() -> NoReturn:
    _answered.set()
    raise KeyboardInterrupt


def scenario_from(file: Path | None, given: list[Override]) -> Scenario:
    """The question: of a file, with what was given on the command line in its place."""
    from lastseen.core import apply_overrides, check_scenario, read_scenario

    if file is not None:
        return apply_overrides(read_scenario(file), given)
    if next(one.value for one in given if one.key == "elevation") is None:
        raise InputError("no elevation model was given: name a raster, or a scenario with --scenario")
    return apply_overrides(check_scenario({"elevation": ["?"]}), given)


def given_in(section: str, **values: Any) -> list[Override]:
    """Values from the command line, by their keys in a section of the scenario; "" is its top."""
    from lastseen.core import Override

    return [Override(section=section, key=key, value=value) for key, value in values.items()]


def echo_place(scenario: Scenario) -> None:
    """Say how the last-seen point was understood, before anything is computed."""
    from lastseen.core import parse_crs, parse_point

    at = scenario.last_seen
    if at.at:
        known = parse_point(at.at, parse_crs(at.crs) if at.crs else None).notations()
        typer.echo(f"Last-seen point: {known['lonlat']} = {known['utm']} = {known['mgrs']}", err=True)


@contextmanager
def progress_bar(*, hidden: bool) -> Iterator[Callable[[str, float], None]]:
    """A progress bar on standard error, only where a person looks at it."""
    if hidden or not sys.stderr.isatty():
        yield lambda _stage, _share: _stop_if_asked()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns: tuple[Any, ...] = (TextColumn("{task.description:<40}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0)

        def show(stage: str, share: float) -> None:
            _stop_if_asked()
            bar.update(task, description=stage, completed=share)

        yield show


def _stop_if_asked() -> None:
    if interrupted():
        _stop()
