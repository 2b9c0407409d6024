"""What a job hands to output: one record for every job, and what it is made of."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

from shapely.geometry.base import BaseGeometry

from lastseen.core import FloatArray, Grid, Progress, percent
from lastseen.rescue import Travel

if TYPE_CHECKING:
    from lastseen.output.formats.sld import LayerStyle

SHORT_CAUTION = (
    "Planning and training aid, not a hazard forecast and no basis for go or no-go decisions. Debris and people can "
    "lie outside the drawn areas. In a real accident the local rescue service leads; local rules come first."
)
FULL_CAUTION = (
    "Planning and training aid. The model results are uncertain: debris and people can lie outside the drawn areas. "
    "This is not a hazard forecast and no basis for go or no-go decisions. In a real accident follow your training, "
    "the incident lead and the local rescue service, and check the scene for further danger first. Learn and practise "
    "with a qualified instructor. Local rules come first."
)

Job = Literal["plan", "search", "traps", "terrain", "sites", "deposit", "targets", "debrief", "line", "area"]
# The file that says what a folder is: a folder is replaced only where the marker of the same job lies in it.
_OTHER_MARKERS = {"terrain": "slope_deg.tif", "line": "preread_line.json", "area": "preread_area.json"}
MARKERS: dict[Job, str] = {job: _OTHER_MARKERS.get(job, f"{job}.json") for job in get_args(Job)}
STEMS: dict[Job, str] = {"line": "preread", "area": "preread"}  # of the GeoPackage, elsewhere the name of the job
_TITLES: dict[Job, str] = {  # of what has no name
    "plan": "Signal search",
    "search": "Signal search",
    "traps": "Terrain traps",
    "terrain": "Ground layers",
    "sites": "Practice sites",
    "line": "Pre-read line",
    "area": "Pre-read area",
}

DEGREE_DECIMALS = 7  # 1 cm
GeometryKind = Literal["Point", "LineString", "MultiLineString", "MultiPolygon"]
ColumnKind = Literal["text", "real", "integer"]
_PLAIN: dict[ColumnKind, Callable[[Any], str | float | int]] = {"text": str, "real": float, "integer": int}
Device = Literal["full", "basic"]
Paper = Literal["A4", "Letter", "A3"]


@dataclass(frozen=True, kw_only=True)
class Options:
    """What can be chosen for what is handed over."""

    device: Device = "full"  # basic: GPX in files that small receivers can hold
    paper: Paper = "A4"  # of the sheet


DEFAULT_OPTIONS: Options = Options()


@dataclass(frozen=True, kw_only=True)
class Column:
    """An attribute: its name (with its unit), its type and what it means."""

    name: str
    kind: ColumnKind
    meaning: str

    def plain(self, value: Any) -> str | float | int | None:
        """The value as a plain one; None where there is none or it is no number."""
        if value is None or value != value or value in (math.inf, -math.inf):  # noqa: PLR0124  NaN differs from itself
            return None
        return _PLAIN[self.kind](value)


def make_columns(rows: Iterable[tuple[str, ColumnKind, str]]) -> tuple[Column, ...]:
    """Columns from rows of name, type and meaning."""
    return tuple(Column(name=name, kind=kind, meaning=meaning) for name, kind, meaning in rows)


@dataclass(frozen=True, kw_only=True)
class Layer:
    """Things of one kind."""

    name: str
    title: str  # for people
    about: str  # what it shows, in one sentence
    geometry: GeometryKind  # type of all shapes
    columns: tuple[Column, ...]  # present even where there are no rows
    shapes: tuple[BaseGeometry, ...] = ()  # in map metres
    rows: tuple[tuple[Any, ...], ...] = ()  # a value per column for each shape; None is not known

    def plain_rows(self) -> list[tuple[str | float | int | None, ...]]:
        """Rows of plain values."""
        return [
            tuple(column.plain(value) for column, value in zip(self.columns, row, strict=True)) for row in self.rows
        ]

    def records(self) -> list[tuple[BaseGeometry, dict[str, Any]]]:
        """Each shape with its values by the name of their column."""
        names = [column.name for column in self.columns]
        return [(shape, dict(zip(names, row, strict=True))) for shape, row in zip(self.shapes, self.rows, strict=True)]


@dataclass(frozen=True, kw_only=True)
class Raster:
    """One file of values on one lattice, in single precision; NaN is no data."""

    bands: tuple[Grid, ...] = ()  # empty in a `RasterStream`
    descriptions: tuple[str, ...]  # one for each band
    units: tuple[str, ...]  # UDUNITS text: m, s, m s-1, 1
    overviews: str = "AVERAGE"  # azimuths and classes have no average: NEAREST or MODE for them


Piece = tuple[str, int, tuple[int, int], FloatArray]  # name of the raster, band from 1, first row and column, values


@dataclass(frozen=True, kw_only=True)
class RasterStream:
    """Rasters on one lattice that come piece by piece, since all of them would not fit into memory."""

    rasters: Mapping[str, Raster]  # without bands
    shape: tuple[int, int]  # rows and columns
    transform: Any
    crs: Any
    pieces: Callable[[Progress], Iterator[Piece]]  # together they fill all bands


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table of text: lines above and below its head, and rows."""

    head: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]
    above: tuple[str, ...] = ()
    below: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Waypoint:
    """A named point in map metres; ``short`` and the track that it belongs to are for small receivers."""

    x_m: float
    y_m: float
    z_m: float | None = None
    name: str
    text: str
    short: str = ""
    track: str = ""


@dataclass(frozen=True, kw_only=True)
class Track:
    """A named track: segments of points (x, y, z) in map metres; z is None or NaN where it is not known."""

    name: str
    text: str | None = None
    segments: tuple[tuple[tuple[float, float, float | None], ...], ...]


@dataclass(frozen=True, kw_only=True)
class Tracks:
    """What one file for receivers holds."""

    title: str
    about: str = FULL_CAUTION
    waypoints: tuple[Waypoint, ...] = ()
    tracks: tuple[Track, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Product:
    """What only results of one job have: a map, a sheet, a page."""

    words: str  # what it is, for people
    write: Callable[[Result, Path, Options], None]  # into a folder
    after: tuple[str, ...] = ()  # formats whose files it reads from the same folder


def make_product(words: str, file: str, draw: Callable[[Path], None]) -> Product:
    """A product that ``draw`` writes to one file, or into the folder where ``file`` is empty."""
    return Product(words=words, write=lambda _result, folder, _options: draw(folder / file))


@dataclass(frozen=True, kw_only=True)
class Result:
    """The outcome of a job, ready to be handed over in any format."""

    job: Job
    numbers: Mapping[str, Any]  # plain rounded values, as in the JSON file
    layers: Mapping[str, Layer]
    # By the name of their file without its end. Of a plan or a search ``ground`` is the elevation in metres around all
    # that is drawn; the others are there only where a model ran.
    rasters: Mapping[str, Raster] = field(default_factory=dict)
    stream: RasterStream | None = None
    tables: Mapping[str, Table] = field(default_factory=dict)  # where there is none, layers are the tables
    tracks: Mapping[str, Tracks] = field(default_factory=dict)  # where there is none, they are made from the layers
    products: Mapping[str, Product] = field(default_factory=dict)
    run: tuple[tuple[str, str], ...] = ()  # how it was made: key and text
    styles: Mapping[str, LayerStyle] = field(default_factory=dict)  # of layers, where they are laid down
    default: tuple[str, ...]  # formats and products that are written where nothing is chosen
    crs: Any
    file_crs: Any = None  # of the GeoPackage, where it is another one

    @property
    def title(self) -> str:
        """Name for people, never empty."""
        return self.numbers["name"] or _TITLES.get(self.job, self.job)

    @property
    def marker(self) -> str:
        """Name of the file that says what the folder is."""
        return MARKERS[self.job]

    @property
    def stem(self) -> str:
        """Name of the files with all layers, without its end."""
        return STEMS.get(self.job, self.job)

    @property
    def is_plan(self) -> bool:
        """Whether it is a plan, not only a search over a drawn outline."""
        return self.job == "plan"

    @property
    def ground(self) -> Grid:
        """Elevation, metres."""
        return self.rasters["ground"].bands[0]

    def records(self, layer: str) -> list[tuple[BaseGeometry, dict[str, Any]]]:
        """Shapes of a layer with their values by column; none where there is no such layer."""
        return self.layers[layer].records() if layer in self.layers else []

    def shapes(self, layer: str) -> tuple[BaseGeometry, ...]:
        """Shapes of a layer; none where there is no such layer."""
        return self.layers[layer].shapes if layer in self.layers else ()


def coverage_words(numbers: Mapping[str, Any]) -> str:
    """How much of the drawn debris the walk covers, and what that means for the person."""
    drawn = f"{percent(numbers['coverage']['fraction'], 1)} of the drawn debris is within half a strip of the walk"
    in_range = (numbers.get("poa") or {}).get("in_range")
    if in_range is None:
        return f"{drawn}; where in it the person lies is not known"
    return f"{drawn}; that is {percent(in_range)} of where the model puts the person"


def travel_of_numbers(numbers: Mapping[str, Any]) -> Travel:
    """How the searchers of a plan move; an older version let them walk."""
    given = numbers["search"].get("travel")
    if given is None:
        return Travel(approach="foot")
    return Travel(**{field.name: given[field.name] for field in fields(Travel)})
