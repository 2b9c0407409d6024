"""File formats, one module for each.

A format joins in by a module of its name with ``write(result, folder, options, progress)``, which writes any result
into a folder, and by a line in `FORMATS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from lastseen.core import Progress
from lastseen.output.result import Options, Result

Write = Callable[[Result, Path, Options, Progress], None]


@dataclass(frozen=True, kw_only=True)
class Format:
    """A file format: what it is for people, and who writes it."""

    words: str
    write: Write


def _format(name: str, words: str) -> Format:
    """The format of a module, which is imported when it is needed."""

    def write(result: Result, folder: Path, options: Options, progress: Progress) -> None:
        import_module(f"{__name__}.{name}").write(result, folder, options, progress)

    return Format(words=words, write=write)


_WORDS = {
    "json": "all numbers",
    "gpkg": "every layer for a GIS, with styles",
    "cog": "rasters",
    "gpx": "tracks and turning points for receivers",
    "kml": "every layer for map programs",
    "geojson": "every layer for web maps",
    "parquet": "every layer for tables, needs the extra parquet",
    "csv": "tables as text",
    "sld": "how each layer looks, for map servers",
}
FORMATS: dict[str, Format] = {name: _format(name, words) for name, words in _WORDS.items()}
