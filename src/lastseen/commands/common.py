"""What commands share: options, the scenario, progress, interrupts."""

from __future__ import annotations

import inspect
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer
from typer.core import TyperCommand, TyperGroup
from typer.main import get_command

from lastseen.core import DEFAULT_STRIP_WIDTH_M, InputError

if TYPE_CHECKING:
    from lastseen.core import Override, Progress, Scenario


# ---- Options that several commands share

_FILE = "Elevation: any raster that GDAL reads, or several."
Dem = Annotated[list[Path], typer.Argument(help=_FILE, show_default=False)]
DemOrScenario = Annotated[list[Path] | None, typer.Argument(help=_FILE)]
ZUnit = Annotated[str | None, typer.Option("--z-unit", help="Unit of height: m, ft or us-ft; overrides the file.")]
AcceptDoubtful = Annotated[
    bool,
    typer.Option("--accept-doubtful-heights", help="Work on heights that are probably none; see lastseen inspect."),
]
Radius = Annotated[float | None, typer.Option("--radius", help="Uncertainty of the last-seen point, m.")]
Size = Annotated[int | None, typer.Option("--size", help="Destructive size, 1 to 4. [default: 2]")]
Release = Annotated[Path | None, typer.Option("--release", help="Drawn outline of the release.")]
StripWidth = Annotated[
    float | None,
    typer.Option("--strip-width", help=f"Signal-search strip width on snow, m. [default: {DEFAULT_STRIP_WIDTH_M:g}]"),
]
Searchers = Annotated[int | None, typer.Option("--searchers", help="How many people search. [default: 1]")]
Entry = Annotated[
    str | None,
    typer.Option(
        "--entry",
        help="Begin at the 'last-seen' point, the 'top', a 'flank', the 'toe' or the 'nearest' edge. "
        "[default: the last-seen point for those who stand there, else nearest]",
    ),
]
Start = Annotated[
    list[str] | None,
    typer.Option(
        "--start",
        help="Where they stand: lon,lat, UTM text or MGRS text; repeat it for others. [default: the last-seen point]",
    ),
]
Pattern = Annotated[
    str | None,
    typer.Option(
        "--pattern",
        help="Lanes 'across' or 'along' the fall line, or 'traverse': slanting down on skis. [default: what is best]",
    ),
]
Travel = Annotated[str | None, typer.Option("--travel", help="To the debris: ski, snowshoe or foot. [default: ski]")]
SearchTravel = Annotated[
    str | None, typer.Option("--search-travel", help="On the debris: ski, snowshoe or foot. [default: foot]")
]
Speed = Annotated[
    str | None, typer.Option("--speed", help="Own speeds on the snow, m/s, such as down=2.5,up=0.3,search=1.")
]
ApproachMin = Annotated[float | None, typer.Option("--approach-min", help="Own time of the whole approach, minutes.")]
Date = Annotated[str | None, typer.Option("--date", help="Day for magnetic bearings, such as 2027-01-31.")]
SecondPass = Annotated[
    bool, typer.Option("--second-pass", help="Lay the second pass: half the width, lanes midway beside the first.")
]
ScenarioFile = Annotated[Path | None, typer.Option("--scenario", help="TOML file; options override it.")]
Seed = Annotated[int | None, typer.Option("--seed", help="Seed of all random draws. [default: 1]")]
Title = Annotated[str | None, typer.Option("--name", help="Title of the map.")]
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
Curve = Annotated[str, typer.Option("--curve", help="Survival curve; a wrong name lists them.")]
NEWEST_CURVE = "rauch-2024"  # as `rescue.DEFAULT_CURVE`, which is slow to import
Animate = Annotated[bool, typer.Option("--animate", help="Also draw the middle event as it moves (event.gif).")]
Out = Annotated[Path, typer.Option("-o", "--output", help="Folder to write.")]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace an older result in the output folder.")]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on standard output, nothing else.")]
Quiet = Annotated[bool, typer.Option("-q", "--quiet", help="No progress, no summary.")]


# ---- A command line whose commands read their options when one of them is called


def make_app(commands: Mapping[str, Callable[..., None] | typer.Typer], **options: Any) -> typer.Typer:
    """A command line, or a group of one, of functions and of other groups.

    typer evaluates all annotations of a command to make its options. For all commands together that takes longer than
    everything else that ``--help`` does, and only their names and first sentences are shown.
    """

    class Group(TyperGroup):
        def __init__(self, **attributes: Any) -> None:
            super().__init__(**attributes)
            self.commands = {
                name: TyperCommand(name, help=_help_of(command), rich_markup_mode=None)
                for name, command in commands.items()
            }

        def resolve_command(self, ctx: Any, args: list[str]) -> tuple[Any, Any, list[str]]:
            name, _, rest = super().resolve_command(ctx, args)
            return name, _with_options(str(name), commands[str(name)]), rest

    app = typer.Typer(
        cls=Group, no_args_is_help=True, add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False,
        **options,
    )  # fmt: skip
    app.callback()(lambda: None)
    return app


def _help_of(command: Callable[..., None] | typer.Typer) -> str | None:
    return str(command.info.help) if isinstance(command, typer.Typer) else inspect.getdoc(command)


def _with_options(name: str, command: Callable[..., None] | typer.Typer) -> Any:
    if isinstance(command, typer.Typer):
        return get_command(command)
    alone = typer.Typer(add_completion=False, rich_markup_mode=None)
    alone.command(name)(command)
    return get_command(alone)


# ---- What commands do around their work: read the scenario, echo the place, show progress, print what was found

COME_AGAIN_S = 0.02
# What native code calls: numba and LLVM do not look whether it raised.
BACK_END = ("numba.core.codegen", "numba.core.serialize", "llvmlite")
_pressed, _answered, _coming_again = threading.Event(), threading.Event(), threading.Event()


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
    return _pressed.is_set()


def _on_interrupt(_number: int, frame: FrameType | None) -> None:
    _pressed.set()
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
    if next(override.value for override in given if override.key == "elevation") is None:
        raise InputError("no elevation model was given: name a raster, or a scenario with --scenario")
    return apply_overrides(check_scenario({"elevation": ["?"]}), given)


def given_in(section: str, **values: Any) -> list[Override]:
    """Values from the command line, by their keys in a section of the scenario; "" is its top."""
    from lastseen.core import Override

    return [Override(section=section, key=key, value=value) for key, value in values.items()]


def given_last_seen(at: Sequence[str], missing: int | None, **values: Any) -> list[Override]:
    """Where the missing were last seen, from the command line: as many as there are points, where nobody says."""
    if len(at) > 1:
        values |= {"also_at": tuple(at[1:]), "missing": len(at) if missing is None else missing}
    return given_in("last_seen", **{"at": at[0] if at else None, "missing": missing, **values})


def given_travel(
    travel: str | None, search_travel: str | None, speed: str | None, approach_min: float | None
) -> list[Override]:
    """How they move, from the command line."""
    from lastseen.rescue import parse_speeds

    speeds = parse_speeds(speed) if speed is not None else {}
    return given_in("search", travel=travel, search_travel=search_travel, approach_min=approach_min, **speeds)


def one_or_several(texts: list[str] | None) -> str | tuple[str, ...] | None:
    """An option that may be repeated, as a scenario has it."""
    if not texts:
        return None
    return texts[0] if len(texts) == 1 else tuple(texts)


def echo_place(scenario: Scenario) -> None:
    """Say how the last-seen point was understood, before anything is computed."""
    from lastseen.core import parse_crs, parse_point

    at = scenario.last_seen
    for text in dict.fromkeys(at.points() if at.at else ()):
        known = parse_point(text, parse_crs(at.crs) if at.crs else None).notations()
        typer.echo(f"Last-seen point: {known['lonlat']} = {known['utm']} = {known['mgrs']}", err=True)


@contextmanager
def progress_bar(*, hidden: bool) -> Iterator[Progress]:
    """A progress bar on standard error, only where a person looks at it."""
    if hidden or not sys.stderr.isatty():
        yield lambda _stage, _share: _stop_if_pressed()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns: tuple[Any, ...] = (TextColumn("{task.description:<40}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0)

        def show(stage: str, share: float) -> None:
            _stop_if_pressed()
            bar.update(task, description=stage, completed=share)

        yield show


def part_of(progress: Progress, begin: float, end: float) -> Progress:
    """Progress of a part of the work, from one share of the whole to another."""
    return lambda stage, share: progress(stage, begin + (end - begin) * share)


def echo_result(
    numbers: Callable[[], Mapping[str, Any]], text: Callable[[], str], *, as_json: bool, quiet: bool
) -> None:
    """Print what a command found: its numbers as JSON, or its summary, or nothing."""
    from lastseen.output import numbers_text

    if as_json:
        typer.echo(numbers_text(numbers()), nl=False)
    elif not quiet:
        typer.echo(text())


def _stop_if_pressed() -> None:
    if interrupted():
        _stop()
