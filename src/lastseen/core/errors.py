"""One family of errors. Each text says what was wrong, where, and what to do."""

from __future__ import annotations

import errno


class LastseenError(Exception):
    """Root of all errors that lastseen raises on purpose."""

    exit_code = 1


class InputError(LastseenError, ValueError):
    """An input (elevation, point, outline, scenario) that cannot be used."""

    exit_code = 3


class NothingFoundError(LastseenError):
    """The input was usable, and the answer is empty."""

    exit_code = 4


class OutputExistsError(LastseenError, FileExistsError):
    """The output is already there and ``--overwrite`` was not given."""

    exit_code = 5


class ResourceError(LastseenError, OSError):
    """Not enough memory, disk or time to do what was asked."""

    exit_code = 6


NO_SPACE = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC), errno.EFBIG)
_NO_RIGHT = (errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOTDIR, errno.EEXIST, errno.ENAMETOOLONG)
_TOO_MANY = (errno.EMFILE, errno.ENFILE)
_NO_SPACE_WORDS = ("No space left", "File too large", "database or disk is full", "disk I/O error", "quota")


def explain_os_error(error: BaseException, place: str) -> LastseenError | None:
    """What the machine refused, in one clear sentence; None where it is about something else.

    ``place`` names the disk or the folder, for the text. Libraries that write files raise kinds of their own, which
    only their words tell apart.
    """
    number = error.errno if isinstance(error, OSError) else None
    if number in NO_SPACE or any(words in str(error) for words in _NO_SPACE_WORDS):
        return ResourceError(
            f"no space is left on the disk of {place}, or a limit on it is reached: free some, or choose another folder"
        )
    if number in _TOO_MANY or "Too many open files" in str(error):
        return ResourceError("too many files are open: raise the limit (ulimit -n), or close other programs")
    if number in (errno.EBADF, errno.EPIPE):
        return ResourceError("standard output is closed: what was found cannot be printed; keep it open")
    if number in _NO_RIGHT:
        return InputError(f"{place} cannot be written: choose another output folder")
    return None
