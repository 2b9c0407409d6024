"""Handing over: any result in any format, into folders that appear whole or not at all."""

from __future__ import annotations

import filecmp
import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from lastseen.core import (
    InputError,
    LastseenError,
    OutputExistsError,
    Progress,
    ResourceError,
    explain_os_error,
    no_progress,
)
from lastseen.output.formats import FORMATS
from lastseen.output.result import DEFAULT_OPTIONS, MARKERS, Options, Result


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
    spare = [os.open(os.devnull, os.O_RDONLY) for _ in range(3)]  # to clear up where no more files may be opened
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        _clear_leftovers(folder)
        yield partial
    except LastseenError:
        raise
    except Exception as error:
        plain = explain_os_error(error, str(folder))
        if plain is None and type(error).__module__.startswith("pyogrio"):  # it does not hand on what the disk said
            first = str(error).split(":", maxsplit=1)[0]
            plain = ResourceError(
                f"{folder} cannot be written to the end ({first}): check its name, and the space and limits of its disk"
            )
        if plain is None:
            raise
        raise plain from error
    finally:
        for number in spare:
            os.close(number)
        shutil.rmtree(partial, ignore_errors=True)


def refuse_existing(folder: Path, *, overwrite: bool = False, marker: str = MARKERS["plan"]) -> None:
    """Stop before any work is done where the target must not be replaced.

    OutputExistsError if it is a file, a folder that holds something else, or older results without ``overwrite``.
    """
    if not os.path.lexists(folder):
        _require_place(folder)
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


LEAST_FREE_BYTES = 20_000_000  # the products of a plan take 5 to 15 MB
_ADDED = len(".partial-1234567")  # to the name of a folder while it is written


def _require_place(folder: Path) -> None:
    """Stop before any work is done where the folder cannot be made: InputError, or ResourceError for a full disk."""
    name = folder.name
    if any(ord(letter) < 32 or 0xD800 <= ord(letter) < 0xE000 for letter in str(folder)):
        raise InputError(f"the output folder {str(folder)!r} has signs in its name that are no text: choose another")
    if len(os.fsencode(name)) + _ADDED > 255:
        raise InputError(f"the name of the output folder is too long ({len(name)} letters): choose a shorter one")
    above = folder.absolute().parent
    while not os.path.lexists(above):
        above = above.parent
    if not above.is_dir():
        raise InputError(f"{above} is a file, and the output folder would lie in it: choose another output folder")
    try:
        free = shutil.disk_usage(above).free
        Path(tempfile.mkdtemp(prefix=".lastseen-", dir=above)).rmdir()
    except OSError as error:
        plain = explain_os_error(error, str(folder))
        raise plain or InputError(f"{folder} cannot be written: choose another output folder") from error
    if free < LEAST_FREE_BYTES:
        raise ResourceError(
            f"{free / 1e6:.0f} MB are free on the disk of {folder}, and a result takes some "
            f"{LEAST_FREE_BYTES / 1e6:.0f} MB: free some, or choose another output folder"
        )


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
