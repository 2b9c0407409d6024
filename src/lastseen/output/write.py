"""Handing over: any result in any format, into folders that appear whole or not at all."""

from __future__ import annotations

import errno
import filecmp
import os
import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from lastseen.core import InputError, LastseenError, OutputExistsError, Progress, ResourceError, no_progress
from lastseen.output.formats import FORMATS
from lastseen.output.result import DEFAULT_OPTIONS, MARKERS, Options, Result

_NO_SPACE = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))
_NO_RIGHT = (errno.EACCES, errno.EPERM, errno.EROFS)


def write_result(
    result: Result,
    folder: Path,
    *,
    options: Options = DEFAULT_OPTIONS,
    overwrite: bool = False,
    progress: Progress = no_progress,
) -> tuple[Path, ...]:
    """Write a result into a folder of its own, in the formats and with the products that its job has by default.

    The folder appears whole or not at all. The same result gives the same bytes.

    Returns the files, by name; errors are those of `new_folder`.

    Parameters
    ----------
    folder : Path
        Must not exist, or be empty, or hold an older result of the same job that may be replaced.
    overwrite : bool
        Whether an older result may be replaced.
    progress : callable, optional
        Called with the name of each product and the share of the whole that is done.
    """
    with new_folder(folder, overwrite=overwrite, marker=result.marker) as partial:
        files = _write(result, result.default, partial, options, progress)
    return tuple(folder / file for file in files)


def add_formats(
    result: Result,
    names: Sequence[str],
    folder: Path,
    *,
    options: Options = DEFAULT_OPTIONS,
    overwrite: bool = False,
    progress: Progress = no_progress,
) -> tuple[Path, ...]:
    """Write a result in chosen formats, beside other files of a folder; returns the files, by name.

    ``names`` are those of `lastseen.output.formats.FORMATS`, or of products of the result; with ``overwrite`` files
    that say something else may be replaced. InputError if there is no such format or product; else as in `files_into`.
    """
    chosen = find_names(result, names)
    with files_into(folder, overwrite=overwrite) as partial:
        files = _write(result, chosen, partial, options, progress)
    return tuple(folder / file for file in files)


def find_names(result: Result, names: Sequence[str]) -> tuple[str, ...]:
    """The formats and products with these names, in the order of the list, with the formats that they need.

    InputError if there is none of that name, or no name at all.
    """
    known = (*FORMATS, *result.products)
    wrong = [name for name in names if name not in known]
    if wrong or not names:
        which = f"'{wrong[0]}' is no product" if wrong else "no product was named"
        raise InputError(f"{which}: choose from {', '.join(known)}")
    needed = {other for name in names if name in result.products for other in result.products[name].after}
    return tuple(name for name in known if name in names or name in needed)


def _write(result: Result, names: Sequence[str], folder: Path, options: Options, progress: Progress) -> tuple[str, ...]:
    for number, name in enumerate(names):

        def tell(stage: str, share: float, number: int = number) -> None:
            progress(stage, (number + share) / len(names))

        tell(f"writing {(FORMATS[name] if name in FORMATS else result.products[name]).words}", 0.0)
        if name in FORMATS:
            FORMATS[name].write(result, folder, options, tell)
        else:
            result.products[name].write(result, folder, options)
    progress("done", 1.0)
    return tuple(sorted(path.name for path in folder.iterdir()))


# ---- Folders and files that appear whole or not at all: written beside their place, then moved into it
@contextmanager
def new_folder(folder: Path, *, overwrite: bool = False, marker: str = MARKERS["plan"]) -> Iterator[Path]:
    """Give an empty folder to write in; it takes the name ``folder`` when the block ends without an error.

    On any error the half-written folder is removed and older results stay as they were. A process that is killed leaves
    at most hidden leftovers beside the target, which the next run to the same target clears.

    Missing parents are made. With ``overwrite`` older results may be replaced, a folder without the marker never is.
    OutputExistsError if something must not be replaced, ResourceError if the disk is full, InputError if the place
    cannot be written.
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

    Each file appears whole or not at all. Other files of ``folder`` stay, those with the same bytes too; those with
    other bytes are replaced only with ``overwrite``, else OutputExistsError and nothing is moved. ResourceError and
    InputError as in `new_folder`.
    """
    folder = folder.resolve()
    if os.path.lexists(folder) and not folder.is_dir():
        raise OutputExistsError(f"{folder} is not a folder: choose another output folder")
    with _beside(folder) as partial:
        partial.mkdir()
        yield partial
        pairs = [(path, folder / path.name) for path in sorted(partial.iterdir())]
        new = [path for path, there in pairs if not (there.is_file() and filecmp.cmp(path, there, shallow=False))]
        there = [path.name for path in new if os.path.lexists(folder / path.name)]
        if there and not overwrite:
            raise OutputExistsError(
                f"{folder} already holds another {there[0]}: choose another output folder, or give --overwrite"
            )
        folder.mkdir(exist_ok=True)
        for path in new:
            path.replace(folder / path.name)


def restore_leftovers(folder: Path) -> None:
    """Bring back results that a killed run had moved aside just before it could put new ones in their place."""
    folder = folder.resolve()
    if not os.path.lexists(folder) and folder.parent.is_dir():
        _clear_leftovers(folder)


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


def refuse_existing(folder: Path, *, overwrite: bool = False, marker: str = MARKERS["plan"]) -> None:
    """Stop before any work is done where the target must not be replaced.

    OutputExistsError if it is a file, a folder that holds something else, or older results without ``overwrite``.
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
    with suppress(PermissionError, OverflowError):
        try:
            if os.name == "posix":
                os.kill(process, 0)
        except ProcessLookupError:
            return False
    return True


def _plain_error(error: Exception, folder: Path) -> LastseenError | None:
    """One clear sentence where the error is about the disk; None where it is about something else."""
    number = error.errno if isinstance(error, OSError) else None
    if number in _NO_SPACE or "No space left" in str(error):
        return ResourceError(f"no space is left on the disk of {folder}: free some, or choose another output folder")
    if number in _NO_RIGHT:
        return InputError(f"{folder} cannot be written: choose another output folder")
    return None
