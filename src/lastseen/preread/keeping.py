"""Finished tiles are kept on disk as they come, so that a run that was killed goes on where it was."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from lastseen.errors import InputError, ResourceError
from lastseen.preread.lattice import Window
from lastseen.preread.tile import Question, Tile, unpack, windows_in

_NO_SPACE = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))


@dataclass(frozen=True)
class KeptTiles:
    """Tiles of one question, in a hidden folder beside the output; its name holds the question's fingerprint.

    Attributes
    ----------
    folder : Path
    """

    folder: Path

    def path(self, square: Window) -> Path:
        """Where a tile is kept."""
        return self.folder / f"tile_{square.top}_{square.left}.npz"

    def has(self, square: Window) -> bool:
        """Whether a tile is finished: a file appears whole or not at all."""
        return self.path(square).is_file()

    def put(self, square: Window, data: bytes) -> None:
        """Keep a tile.

        Raises
        ------
        ResourceError
            If the disk is full; finished tiles stay.
        """
        path = self.path(square)
        partial = path.with_suffix(f".part-{os.getpid()}")
        try:
            with partial.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            partial.replace(path)
        except OSError as error:
            partial.unlink(missing_ok=True)
            if error.errno in _NO_SPACE:
                raise ResourceError(
                    f"no space is left on the disk of {self.folder.parent}: finished tiles are kept; free some space "
                    "and give the same command again"
                ) from error
            raise InputError(f"{self.folder.parent} cannot be written: choose another output folder") from error

    def get(self, square: Window) -> Tile:
        """Take a tile out again."""
        return unpack(self.path(square).read_bytes())

    def windows(self, square: Window) -> tuple[Window, Window]:
        """Core and window of a tile."""
        return windows_in(self.path(square).read_bytes())

    def remove(self) -> None:
        """Delete all; the output is written."""
        shutil.rmtree(self.folder, ignore_errors=True)


def kept_beside(folder: Path, question: Question) -> KeptTiles:
    """The tiles that belong to an output folder and a question; those of other settings are never taken up.

    Raises
    ------
    InputError
        If the place cannot be written.
    """
    folder = folder.resolve()
    place = folder.parent / f".{folder.name}.tiles-{question.fingerprint()}"
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder.parent} cannot be written: choose another output folder") from error
    for leftover in place.glob("*.part-*"):
        leftover.unlink(missing_ok=True)
    return KeptTiles(place)


def other_kept(folder: Path, question: Question) -> Iterator[Path]:
    """Folders with tiles of the same output and other settings."""
    folder = folder.resolve()
    own = f".{folder.name}.tiles-{question.fingerprint()}"
    if folder.parent.is_dir():
        yield from sorted(one for one in folder.parent.glob(f".{folder.name}.tiles-*") if one.name != own)
