"""One family of errors. Each text says what was wrong, where, and what to do."""

from __future__ import annotations


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
