"""Handing over: which products there are, and folders that appear whole or not at all."""

from __future__ import annotations

import errno
import filecmp
import os
import re
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from lastseen.core import (
    InputError,
    LastseenError,
    OutputExistsError,
    Progress,
    ResourceError,
    no_progress,
)

if TYPE_CHECKING:
    from lastseen.jobs import Plan
    from lastseen.output.result import Result


# ---- Folders and files that appear whole or not at all: written beside their place, then moved into it

PLAN_MARKER = "plan.json"  # a folder with this file in it is a plan
SEARCH_MARKER = "search.json"  # and with this one a search over a drawn outline
_NO_SPACE = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))
_NO_RIGHT = (errno.EACCES, errno.EPERM, errno.EROFS)


@contextmanager
def new_folder(folder: Path, *, overwrite: bool = False, marker: str = PLAN_MARKER) -> Iterator[Path]:
    """Give an empty folder to write in; it takes the name ``folder`` when the block ends without an error.

    On any error the half-written folder is removed and older results stay as they were. A process that is killed leaves
    at most hidden leftovers beside the target, which the next run to the same target clears.

    Parameters
    ----------
    folder : Path
        Its parents are made where they are missing.
    overwrite : bool
        Whether older results may be replaced. A folder without the marker never is.
    marker : str
        A file that only a folder of such results holds.

    Raises
    ------
    OutputExistsError
        If something is there that must not be replaced.
    ResourceError
        If the disk is full.
    InputError
        If the place cannot be written.
    """
    folder = folder.resolve()
    with _beside(folder) as partial:
        refuse_existing(folder, overwrite=overwrite, marker=marker)
        partial.mkdir()
        yield partial
        refuse_existing(folder, overwrite=overwrite, marker=marker)
        _move_in(partial, folder)


@contextmanager
def files_into(folder: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Give an empty folder to write in; its files are moved into ``folder`` when the block ends without an error.

    Each file appears whole or not at all. Other files of ``folder`` stay; a file that is there with the same bytes
    stays, too.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    overwrite : bool
        Whether files of the same name with other bytes may be replaced.

    Raises
    ------
    OutputExistsError
        If a file is there that must not be replaced; then nothing is moved.
    ResourceError
        If the disk is full.
    InputError
        If the place cannot be written.
    """
    folder = folder.resolve()
    if os.path.lexists(folder) and not folder.is_dir():
        raise OutputExistsError(f"{folder} is not a folder: choose another output folder")
    with _beside(folder) as partial:
        partial.mkdir()
        yield partial
        new = [path for path in sorted(partial.iterdir()) if not _is_there(path, folder / path.name)]
        there = [one.name for one in new if os.path.lexists(folder / one.name)]
        if there and not overwrite:
            raise OutputExistsError(
                f"{folder} already holds another {there[0]}: choose another output folder, or give --overwrite"
            )
        folder.mkdir(exist_ok=True)
        for one in new:
            one.replace(folder / one.name)


def put_back(folder: Path) -> None:
    """Bring back results that a killed run had moved aside just before it could put new ones in their place."""
    folder = folder.resolve()
    if not os.path.lexists(folder) and folder.parent.is_dir():
        _clear_leftovers(folder)


def _is_there(one: Path, target: Path) -> bool:
    return target.is_file() and filecmp.cmp(one, target, shallow=False)


@contextmanager
def _beside(folder: Path) -> Iterator[Path]:
    """The place to write in before ``folder`` is touched; it is removed at the end, and errors are made plain."""
    partial = folder.parent / f".{folder.name}.partial-{os.getpid()}"
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        _clear_leftovers(folder)
        yield partial
    except LastseenError:
        raise
    except Exception as error:
        plain = _plain_error(error, folder)
        if plain is None:
            raise
        raise plain from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def refuse_existing(folder: Path, *, overwrite: bool = False, marker: str = PLAN_MARKER) -> None:
    """Stop before any work is done where the target must not be replaced.

    Raises
    ------
    OutputExistsError
        If it is a file, a folder that holds something else, or older results without ``overwrite``.
    """
    if not os.path.lexists(folder):
        return
    if not folder.is_dir():
        raise OutputExistsError(f"{folder} is not a folder: choose another output folder")
    if not any(folder.iterdir()):
        return
    if not (folder / marker).is_file():
        raise OutputExistsError(
            f"{folder} is not empty and holds no {marker}, so it is never replaced: choose another output folder"
        )
    if not overwrite:
        raise OutputExistsError(f"{folder} already holds {marker}: choose another output folder, or give --overwrite")


def _move_in(partial: Path, folder: Path) -> None:
    """Put the new folder in place; the old one goes only after that, and comes back if it fails."""
    aside = folder.parent / f".{folder.name}.old-{os.getpid()}"
    had_old = folder.is_dir()
    if had_old:
        folder.rename(aside)
    try:
        partial.rename(folder)
    except BaseException:
        if had_old:
            aside.rename(folder)
        raise
    if had_old:
        shutil.rmtree(aside, ignore_errors=True)


def _clear_leftovers(folder: Path) -> None:
    """Remove what dead runs to the same target left; put older results back that one of them had moved aside."""
    pattern = re.compile(rf"\.{re.escape(folder.name)}\.(partial|old)-(\d+)")
    for path in sorted(folder.parent.iterdir()):
        match = pattern.fullmatch(path.name)
        if match is None or _is_alive(int(match[2])):
            continue
        if match[1] == "old" and not os.path.lexists(folder):
            path.rename(folder)
        else:
            shutil.rmtree(path, ignore_errors=True)


def _is_alive(process: int) -> bool:
    """Whether another process with this number runs; where that cannot be asked, yes."""
    if process == os.getpid():
        return False
    if os.name != "posix":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


def _plain_error(error: Exception, folder: Path) -> LastseenError | None:
    """One clear sentence where the error is about the disk; None where it is about something else."""
    number = error.errno if isinstance(error, OSError) else None
    if number in _NO_SPACE or "No space left" in str(error):
        return ResourceError(f"no space is left on the disk of {folder}: free some, or choose another output folder")
    if number in _NO_RIGHT:
        return InputError(f"{folder} cannot be written: choose another output folder")
    return None


# ---- All that can be handed over, one line for each kind: its name, its file, who writes it, and whether always
# `write_plan`, `write_search` and `lastseen export` all go by this list. A later product joins in by one line.

Device = Literal["full", "basic"]
Paper = Literal["A4", "Letter", "A3"]


@dataclass(frozen=True)
class Wishes:
    """What can be chosen for what is handed over."""

    device: Device = "full"  # basic: GPX in files that small receivers can hold
    paper: Paper = "A4"  # of the sheet


@dataclass(frozen=True)
class Kind:
    """One kind of product."""

    name: str  # as in ``lastseen export --to``
    words: str  # what it is, for people
    file: str  # name of its file, with ``{what}`` for "plan" or "search"; empty where there are several
    # writes it from `Result` to the path of its file, or into the folder where there are several
    write: Callable[[Result, Path, Wishes], None]
    always: bool = True  # whether it is part of every folder, or made only where it is asked for

    def write_into(self, folder: Path, result: Result, wishes: Wishes = Wishes()) -> None:
        """Write it into a folder."""
        name = self.file.format(what="plan" if result.is_plan else "search")
        self.write(result, folder / name if name else folder, wishes)


def _numbers(result: Result, path: Path, _wishes: Wishes) -> None:
    from lastseen.output import numbers  # noqa: PLC0415  all of these are slow to import

    numbers.write_numbers(result.numbers, path)


def _geopackage(result: Result, path: Path, _wishes: Wishes) -> None:
    from lastseen.output.formats import gpkg  # noqa: PLC0415

    gpkg.write_geopackage(result, path)


def _rasters(result: Result, folder: Path, _wishes: Wishes) -> None:
    from lastseen.output.formats import cog  # noqa: PLC0415

    cog.write_rasters(result.rasters, folder)


def _gpx(result: Result, folder: Path, wishes: Wishes) -> None:
    from lastseen.output.formats import gpx  # noqa: PLC0415

    if wishes.device == "basic":
        gpx.write_basic_gpx(result, folder)
    else:
        gpx.write_gpx(result, folder / "lanes.gpx")


def _kml(result: Result, path: Path, _wishes: Wishes) -> None:
    from lastseen.output.formats import kml  # noqa: PLC0415

    kml.write_kml(result, path)


def _geojson(result: Result, path: Path, _wishes: Wishes) -> None:
    from lastseen.output.formats import geojson  # noqa: PLC0415

    geojson.write_geojson(result, path)


def _geoparquet(result: Result, folder: Path, _wishes: Wishes) -> None:
    from lastseen.output.formats import parquet  # noqa: PLC0415

    parquet.write_geoparquet(result, folder)


def _page(result: Result, path: Path, _wishes: Wishes) -> None:
    from lastseen.output.onefile.page import write_page  # noqa: PLC0415

    write_page(result, path)


def _sheet(result: Result, folder: Path, wishes: Wishes) -> None:
    from lastseen.output.sheets.plan import write_map_and_sheet, write_sheet  # noqa: PLC0415

    if wishes.paper == "A4":  # the map is its first page
        write_map_and_sheet(result, folder / "map.png", folder / "sheet.pdf")
    else:
        write_sheet(result, folder / "sheet.pdf", paper=wishes.paper)


def _staff_sheet(result: Result, path: Path, wishes: Wishes) -> None:
    from lastseen.output.sheets.plan import write_sheet  # noqa: PLC0415

    write_sheet(result, path, kind="staff", paper=wishes.paper)


def _blank_sheet(result: Result, path: Path, wishes: Wishes) -> None:
    from lastseen.output.sheets.plan import write_sheet  # noqa: PLC0415

    write_sheet(result, path, kind="blank", paper=wishes.paper)


KINDS = (
    Kind("json", "all numbers", "{what}.json", _numbers),
    Kind("gpkg", "every layer for a GIS, with styles", "{what}.gpkg", _geopackage),
    Kind("cog", "rasters", "", _rasters),
    Kind("gpx", "tracks and turning points for receivers", "", _gpx),
    Kind("kml", "every layer for map programs", "{what}.kml", _kml),
    Kind("sheet", "map and sheet for print", "", _sheet),
    Kind("page", "one page for a browser, without a network", "page.html", _page),
    Kind("sheet-staff", "sheet for those who lead a drill", "sheet-staff.pdf", _staff_sheet, always=False),
    Kind("sheet-blank", "sheet for those who are drilled, to fill in", "sheet-blank.pdf", _blank_sheet, always=False),
    Kind("geojson", "every layer for web maps", "{what}.geojson", _geojson, always=False),
    Kind("parquet", "every layer for tables, needs the extra parquet", "", _geoparquet, always=False),
)


def kinds_named(names: Sequence[str]) -> tuple[Kind, ...]:
    """The kinds with these names, in the order of the list.

    Raises
    ------
    InputError
        If there is none of that name, or no name at all.
    """
    known = {one.name for one in KINDS}
    wrong = [name for name in names if name not in known]
    if wrong or not names:
        told = ", ".join(one.name for one in KINDS)
        which = f"'{wrong[0]}' is no product" if wrong else "no product was named"
        raise InputError(f"{which}: choose from {told}")
    return tuple(one for one in KINDS if one.name in names)


def write_kinds(
    kinds: Sequence[Kind],
    result: Result,
    folder: Path,
    *,
    wishes: Wishes = Wishes(),
    progress: Progress = no_progress,
) -> None:
    """Write products into a folder, one after the other."""
    for i, kind in enumerate(kinds):
        progress(f"writing {kind.words}", i / len(kinds))
        kind.write_into(folder, result, wishes)


# ---- Handing over a plan: all products in one folder

ALWAYS = tuple(one for one in KINDS if one.always)


def write_plan(
    plan: Plan,
    folder: Path,
    *,
    overwrite: bool = False,
    animate: bool = False,
    progress: Progress = no_progress,
) -> tuple[Path, ...]:
    """Write a plan: every kind of product that is always there (`lastseen.output.write`), and the figures.

    The folder appears whole or not at all. The same plan gives the same bytes. Where the debris outline was given there
    is nothing to put in a raster, and none is written.

    Parameters
    ----------
    plan : Plan
    folder : Path
        Must not exist, or be empty, or hold an older plan that may be replaced.
    overwrite : bool
        Whether an older plan may be replaced.
    animate : bool
        Whether the middle event is drawn as it moves; only where the flow ran.
    progress : callable, optional
        Called with the name of each product and the share of the whole that is done.

    Returns
    -------
    tuple of Path
        The files, by name.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.output.write.new_folder`.
    """
    from lastseen.output.draw.event import write_animation, write_profile, write_thickness  # noqa: PLC0415
    from lastseen.output.result import result_of_plan  # noqa: PLC0415

    with new_folder(folder, overwrite=overwrite) as partial:
        progress("gathering what the plan contains", 0.0)
        result = result_of_plan(plan)
        write_kinds(ALWAYS, result, partial, progress=lambda stage, share: progress(stage, 0.7 * share))
        if plan.model is not None:
            progress("drawing the figures", 0.7)
            write_profile(plan, plan.model, partial / "profile.png")
            write_thickness(plan, plan.model, partial / "thickness.png")
        if animate and plan.model is not None and plan.model.ensemble.model == "flow":
            progress("drawing the event as it moves", 0.8)
            write_animation(plan, plan.model, partial / "event.gif")
        progress("done", 1.0)
        names = sorted(path.name for path in partial.iterdir())
    return tuple(folder / name for name in names)


def write_search(
    plan: Plan,
    folder: Path,
    *,
    crs: Any = None,
    overwrite: bool = False,
    progress: Progress = no_progress,
) -> tuple[Path, ...]:
    """Write a search over a drawn outline: what is always there, of what it has to say.

    The folder appears whole or not at all. The same search gives the same bytes.

    Parameters
    ----------
    plan : Plan
        With ``model`` None.
    folder : Path
        Must not exist, or be empty, or hold an older search that may be replaced.
    crs : pyproj.CRS, optional
        Of the GeoPackage; the plan's own where not given.
    overwrite : bool
        Whether an older search may be replaced.
    progress : callable, optional

    Returns
    -------
    tuple of Path
        The files, by name.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.output.write.new_folder`.
    """
    from lastseen.output.result import result_of_plan  # noqa: PLC0415

    with new_folder(folder, overwrite=overwrite, marker=SEARCH_MARKER) as partial:
        progress("gathering what the search contains", 0.0)
        result = result_of_plan(plan, search_only=True, file_crs=crs)
        write_kinds(ALWAYS, result, partial, progress=progress)
        progress("done", 1.0)
        names = sorted(path.name for path in partial.iterdir())
    return tuple(folder / name for name in names)


# ---- Handing over more from the folder of a plan, without computing the plan again


def export_plan(
    folder: Path,
    names: Sequence[str],
    *,
    output: Path | None = None,
    wishes: Wishes = Wishes(),
    overwrite: bool = False,
    progress: Progress = no_progress,
) -> tuple[Path, ...]:
    """Write products of a plan or a drawn search again, or in another form; the same as the plan itself wrote.

    Parameters
    ----------
    folder : Path
        Of the plan or the search.
    names : sequence of str
        Of `lastseen.output.write.KINDS`.
    output : Path, optional
        Folder to write to; the plan's own where not given. Files of other names in it stay.
    wishes : Wishes
    overwrite : bool
        Whether files that say something else may be replaced.
    progress : callable, optional

    Returns
    -------
    tuple of Path
        The files, by name.

    Raises
    ------
    InputError
        If the plan cannot be read, or there is no such product.
    OutputExistsError, ResourceError
        See `lastseen.output.write.files_into`.
    """
    from lastseen.output.result import read_result  # noqa: PLC0415  slow to import

    kinds = kinds_named(names)
    result = read_result(folder)
    output = folder if output is None else output
    with files_into(output, overwrite=overwrite) as partial:
        write_kinds(kinds, result, partial, wishes=wishes, progress=progress)
        progress("done", 1.0)
        files = sorted(path.name for path in partial.iterdir())
    return tuple(output / name for name in files)
