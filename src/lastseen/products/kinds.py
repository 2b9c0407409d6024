"""All that can be handed over, one line for each kind: its name, its file, who writes it, and whether always.

`write_plan`, `write_search` and `lastseen export` all go by this list. A later product joins in by one line.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from lastseen.errors import InputError

if TYPE_CHECKING:
    from lastseen.products.contents import Contents

Device = Literal["full", "basic"]
Paper = Literal["A4", "Letter", "A3"]
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Wishes:
    """What can be chosen for what is handed over.

    Attributes
    ----------
    device : {"full", "basic"}
        Basic: GPX in files that small receivers can hold.
    paper : {"A4", "Letter", "A3"}
        Of the sheet.
    """

    device: Device = "full"
    paper: Paper = "A4"


@dataclass(frozen=True)
class Kind:
    """One kind of product.

    Attributes
    ----------
    name : str
        As in ``lastseen export --to``.
    words : str
        What it is, for people.
    file : str
        Name of its file, with ``{what}`` for "plan" or "search"; empty where there are several.
    write : callable
        Writes it from `Contents` to the path of its file, or into the folder where there are several.
    always : bool
        Whether it is part of every folder, or made only where it is asked for.
    """

    name: str
    words: str
    file: str
    write: Callable[[Contents, Path, Wishes], None]
    always: bool = True

    def write_into(self, folder: Path, contents: Contents, wishes: Wishes = Wishes()) -> None:
        """Write it into a folder."""
        name = self.file.format(what="plan" if contents.is_plan else "search")
        self.write(contents, folder / name if name else folder, wishes)


def _numbers(contents: Contents, path: Path, _wishes: Wishes) -> None:
    from lastseen.products import numbers  # noqa: PLC0415  all of these are slow to import

    numbers.write_numbers(contents.numbers, path)


def _geopackage(contents: Contents, path: Path, _wishes: Wishes) -> None:
    from lastseen.products import geopackage  # noqa: PLC0415

    geopackage.write_geopackage(contents, path)


def _rasters(contents: Contents, folder: Path, _wishes: Wishes) -> None:
    from lastseen.products import rasters  # noqa: PLC0415

    rasters.write_rasters(contents.rasters, folder)


def _gpx(contents: Contents, folder: Path, wishes: Wishes) -> None:
    from lastseen.products import gpx  # noqa: PLC0415

    if wishes.device == "basic":
        gpx.write_basic_gpx(contents, folder)
    else:
        gpx.write_gpx(contents, folder / "lanes.gpx")


def _kml(contents: Contents, path: Path, _wishes: Wishes) -> None:
    from lastseen.products import kml  # noqa: PLC0415

    kml.write_kml(contents, path)


def _geojson(contents: Contents, path: Path, _wishes: Wishes) -> None:
    from lastseen.products import geojson  # noqa: PLC0415

    geojson.write_geojson(contents, path)


def _geoparquet(contents: Contents, folder: Path, _wishes: Wishes) -> None:
    from lastseen.products import geoparquet  # noqa: PLC0415

    geoparquet.write_geoparquet(contents, folder)


def _page(contents: Contents, path: Path, _wishes: Wishes) -> None:
    from lastseen.products import onefile  # noqa: PLC0415

    onefile.write_page(contents, path)


def _sheet(contents: Contents, folder: Path, wishes: Wishes) -> None:
    from lastseen.products import sheet  # noqa: PLC0415

    if wishes.paper == "A4":  # the map is its first page
        sheet.write_map_and_sheet(contents, folder / "map.png", folder / "sheet.pdf")
    else:
        sheet.write_sheet(contents, folder / "sheet.pdf", paper=wishes.paper)


def _staff_sheet(contents: Contents, path: Path, wishes: Wishes) -> None:
    from lastseen.products import sheet  # noqa: PLC0415

    sheet.write_sheet(contents, path, kind="staff", paper=wishes.paper)


def _blank_sheet(contents: Contents, path: Path, wishes: Wishes) -> None:
    from lastseen.products import sheet  # noqa: PLC0415

    sheet.write_sheet(contents, path, kind="blank", paper=wishes.paper)


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
    contents: Contents,
    folder: Path,
    *,
    wishes: Wishes = Wishes(),
    progress: Progress = lambda _stage, _share: None,
) -> None:
    """Write products into a folder, one after the other."""
    for i, kind in enumerate(kinds):
        progress(f"writing {kind.words}", i / len(kinds))
        kind.write_into(folder, contents, wishes)
