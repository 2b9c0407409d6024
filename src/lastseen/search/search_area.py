"""What a search is laid out on: what was asked for, and the outline on its ground, checked in plain sentences."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon
from shapely.validation import explain_validity

from lastseen.core import (
    DEFAULT_STRIP_WIDTH_M,
    BoolArray,
    FloatArray,
    Grid,
    InputError,
    check_searchers,
    check_strip_width_m,
)
from lastseen.rescue import Travel
from lastseen.search.frame import XY
from lastseen.search.plan import Entry, Pattern
from lastseen.search.routes import WalkableGround, read_walkable_ground
from lastseen.search.simulation import list_poa_places
from lastseen.search.surface import Lattice, Outline, Surface, lattice_spacing_m, list_pieces, make_lattice

JOIN_SHARE = 1.5  # of a strip: a longer join may have to go round something and is not counted on
_MEASURED_M, _MEASURED = 1.0, 30_000.0
_LITTLE_LEFT = 1e-9
_LITTLE_POA, _WANTED_POA = 0.02, 0.9  # of the probability of area: a piece for later, and what must be left without it
_BESIDE_M = 5.0  # how far beside the debris a way around it is looked for; design choice
_LEVEL_M = 2.0  # ground so much higher than the last-seen point counts as level with it; design choice
_AROUND_M = 150.0  # how far beside the outline and the start a way is looked for; design choice
_ROUND_M = 300.0  # how far no-go ground is followed for a way round it; design choice


@dataclass(frozen=True, kw_only=True)
class SearchOptions:
    """What is asked of a search."""

    strip_width_m: float = DEFAULT_STRIP_WIDTH_M  # on the snow, above 0 and at most 100; of the first pass
    searchers: int = 1  # 1 to 30
    start_xy_m: XY | None = None  # where the searchers stand, map metres; None is where the search begins
    other_starts_m: tuple[XY, ...] = ()  # where others of them stand: one for each searcher or group, in their order
    last_seen_m: XY | None = None  # the last-seen point
    # ground that the snow passed, map metres: what of it is not above the last-seen point is searched by who walks it
    swept: Outline | None = None
    pattern: Pattern | None = None  # lanes across the fall line or along it; None is whatever comes out best
    # where the search begins; None is at the last-seen point where the searchers stand there, else at the nearest edge,
    # and without a start at the top
    entry: Entry | None = None
    # ground that nobody may walk on, map metres. What lies in it is still to be covered, from beside it.
    no_go: Outline | None = None
    poa: Grid | None = None  # where the buried person may lie, as a density; None is alike all over the outline
    # for magnetic bearings; without it, and outside the years of the magnetic model, they are NaN
    date: dt.date | None = None
    # lay the second pass beside the first: strips half as wide, their lanes midway beside those of the first
    second_pass: bool = False
    seed: int = 1  # of the drawn targets
    # the debris of the same events drawn again: the kind of layout is the one that comes first over most of them
    outlines: tuple[Outline, ...] = ()
    favoured: str | None = None  # kind of layout that came first before for the same question: no other is laid
    travel: Travel = field(default_factory=Travel)  # how they move to the debris and on it


@dataclass(frozen=True, kw_only=True)
class SearchArea:
    """A checked outline on its ground."""

    outline: Outline  # map metres, two-dimensional
    walkable: WalkableGround
    lattice: Lattice  # points inside it, 1 m apart at most
    first: Outline  # the outline without the pieces that the first pass leaves
    later: MultiPolygon  # those pieces, the likeliest first
    later_poa: float  # probability of area in them
    swept: Outline | None  # ground that the snow passed, beside the outline itself
    highest_m: float  # elevation above which ground that the snow passed is not searched: that of the last-seen point

    @property
    def surface(self) -> Surface:
        """The ground around the outline."""
        return self.walkable.surface

    @cached_property
    def avoiding(self) -> WalkableGround:
        """The same ground for those who go around the debris."""
        return self.walkable.avoiding(self.first.buffer(_BESIDE_M))

    def is_swept(self, x_m: FloatArray, y_m: FloatArray) -> BoolArray:
        """Whether points lie on the outline, or on ground that the snow passed and not above the last-seen point."""
        inside = np.asarray(shapely.contains_xy(self.outline, x_m, y_m))
        if self.swept is not None:
            low = self.surface.z(x_m, y_m) <= self.highest_m
            inside |= low & np.asarray(shapely.contains_xy(self.swept, x_m, y_m))
        return inside


@dataclass(frozen=True, kw_only=True)
class SearchTask:
    """How many search how wide strips, from where."""

    strip_width_m: float
    searchers: int
    begin: XY  # where the outline is entered
    travel: Travel = field(default_factory=Travel)
    toward: XY | None = None  # unit vector in which the search moves; None is any

    @property
    def half_width_m(self) -> float:
        """Half a strip."""
        return 0.5 * self.strip_width_m

    @property
    def long_m(self) -> float:
        """A join longer than this may go round dangerous ground and is not searching."""
        return JOIN_SHARE * self.strip_width_m

    @property
    def join_m(self) -> float:
        """Joins up to this are counted on while lanes are shaped; 0 for searchers abreast, who have none."""
        return self.long_m if self.searchers == 1 else 0.0


def check_area(outline: object, ground: Grid, options: SearchOptions) -> SearchArea:
    """The outline on its ground, if it can be searched.

    Raises
    ------
    InputError
        If a number cannot be used; if the outline is empty, crosses itself, or lies wholly or partly on no data or off
        the ground; if the start does; if no-go ground covers all of it or holds the start.
    """
    check_strip_width_m(options.strip_width_m)
    check_searchers(options.searchers)
    shape = _checked_outline(outline, "outline", "draw the debris to be searched")
    no_go = options.no_go
    if no_go is not None and not getattr(no_go, "is_empty", False):
        no_go = _checked_outline(no_go, "no-go ground", "draw it again or leave it out")
    else:
        no_go = None
    starts = list_starts(options)
    bounds = _bounds_with_starts(shape, ground, starts)
    if options.last_seen_m is not None and _on_ground(ground, *options.last_seen_m):
        (west, south, east, north), (x, y) = bounds, options.last_seen_m
        bounds = min(west, x), min(south, y), max(east, x), max(north, y)
    if no_go is not None:
        near = shapely.clip_by_rect(no_go, *(b + s * _ROUND_M for b, s in zip(bounds, (-1, -1, 1, 1), strict=True)))
        west, south, east, north = (float(b) for b in shapely.total_bounds([shapely.box(*bounds), near]))
        bounds = west, south, east, north
    surface = Surface.around(ground, bounds, max(_AROUND_M, 2.0 * options.strip_width_m + 10.0))
    if no_go is not None:
        no_go = _near(no_go, shape, surface, starts)
    most = min(_MEASURED_M, options.strip_width_m / 8.0, math.sqrt(shape.area / _MEASURED))
    lattice = make_lattice(shape, surface, lattice_spacing_m(shape, most))
    _check_data(lattice, surface)
    first, later, later_poa = _set_aside(shape, options)
    highest = math.inf
    if options.last_seen_m is not None:
        highest = float(surface.z(*(np.array([v]) for v in options.last_seen_m))[0]) + _LEVEL_M
    swept = options.swept
    if swept is not None:
        shapely.prepare(swept)
    shapely.prepare(shape)
    return SearchArea(
        outline=shape,
        walkable=read_walkable_ground(surface, no_go),
        lattice=lattice,
        first=first,
        later=later,
        later_poa=later_poa,
        swept=swept,
        highest_m=highest,
    )


def list_starts(options: SearchOptions) -> tuple[XY, ...]:
    """Where the searchers stand; nowhere in particular if empty."""
    return (() if options.start_xy_m is None else (options.start_xy_m,)) + options.other_starts_m


def _set_aside(shape: Outline, options: SearchOptions) -> tuple[Outline, MultiPolygon, float]:
    """What the first pass walks, what it leaves for later, and the share of the probability of area in that.

    Left are pieces narrower than a strip with little probability, the least likely first, as long as the rest holds
    the wanted share of it all.
    """
    pieces = list_pieces(shape)
    if options.poa is None or len(pieces) < 2:
        return shape, MultiPolygon(), 0.0
    x, y, value, _ = list_poa_places(options.poa)
    total = float(value.sum())
    share = [float(value[shapely.contains_xy(piece, x, y)].sum()) for piece in pieces]
    left = sum(share)
    later: list[int] = []
    for k in sorted(range(len(pieces)), key=lambda k: share[k]):
        narrow = pieces[k].buffer(-0.5 * options.strip_width_m).is_empty
        if (
            narrow
            and share[k] < _LITTLE_POA * total
            and left - share[k] >= _WANTED_POA * total
            and len(later) < len(pieces) - 1
        ):
            left -= share[k]
            later.append(k)
    if not later:
        return shape, MultiPolygon(), 0.0
    rest = MultiPolygon([piece for k, piece in enumerate(pieces) if k not in later])
    return rest, MultiPolygon([pieces[k] for k in reversed(later)]), sum(share[k] for k in later)


def _bounds_with_starts(shape: Outline, ground: Grid, starts: Sequence[XY]) -> tuple[float, float, float, float]:
    """Bounds of the outline and the starts, if the ground holds all."""
    west, south, east, north = shape.bounds
    g_west, g_south, g_east, g_north = ground.bounds
    if west < g_west or south < g_south or east > g_east or north > g_north:
        raise InputError(
            f"the outline ({west:.0f} to {east:.0f} E, {south:.0f} to {north:.0f} N) reaches beyond the ground "
            f"({g_west:.0f} to {g_east:.0f} E, {g_south:.0f} to {g_north:.0f} N): load more elevation or cut it"
        )
    for x, y in starts:
        if not _on_ground(ground, x, y):
            raise InputError(
                f"the start at {x:.0f} E, {y:.0f} N lies where there is no elevation: "
                "choose a start on the ground or load more elevation"
            )
        west, south, east, north = min(west, x), min(south, y), max(east, x), max(north, y)
    return west, south, east, north


def _near(no_go: Outline, shape: Outline, surface: Surface, starts: Sequence[XY]) -> Outline | None:
    """The no-go ground of the window, if it leaves something to walk."""
    if shapely.difference(shape, no_go).area <= _LITTLE_LEFT * shape.area:
        raise InputError("the no-go ground covers all of the outline: nothing is left to walk; draw it smaller")
    for x, y in (start for start in starts if shapely.intersects_xy(no_go, *start)):
        raise InputError(f"the start at {x:.0f} E, {y:.0f} N lies on no-go ground: choose another start")
    near = shapely.clip_by_rect(no_go, *surface.filled.bounds)
    parts = [part for part in shapely.get_parts(near) if isinstance(part, Polygon) and part.area > 0.0]
    return MultiPolygon(parts) if parts else None


def _on_ground(ground: Grid, x_m: float, y_m: float) -> bool:
    """Whether the cell at a point has an elevation."""
    if not (math.isfinite(x_m) and math.isfinite(y_m) and bool(ground.contains(x_m, y_m))):
        return False
    row, col = ground.cell_of(x_m, y_m)
    return bool(np.isfinite(ground.values[row, col]))


def _checked_outline(area: object, what: str, remedy: str) -> Outline:
    """A drawn area in two dimensions, if it is a usable polygon."""
    if not isinstance(area, Polygon | MultiPolygon):
        raise InputError(f"the {what} is a {type(area).__name__}: give a polygon or several polygons")
    if area.is_empty:
        raise InputError(f"the {what} is empty: {remedy}")
    if not np.isfinite(shapely.get_coordinates(area)).all():
        raise InputError(f"the {what} has a corner that is not a number: draw it again")
    if not area.is_valid:
        raise InputError(f"the {what} crosses itself ({explain_validity(area)}, map metres): draw it again there")
    if not area.area > 0.0:
        raise InputError(f"the {what} holds no area: {remedy}")
    flat = shapely.force_2d(area)
    if isinstance(flat, Polygon | MultiPolygon):
        return flat
    raise InputError(f"the {what} cannot be flattened to a map: draw it again")


def _check_data(lattice: Lattice, surface: Surface) -> None:
    """Raise InputError if a sample lies on no data."""
    missing = ~surface.has_data(lattice.x_m, lattice.y_m)
    if missing.any():
        share = 100.0 * float(lattice.weight_m2[missing].sum() / lattice.weight_m2.sum())
        k = int(np.flatnonzero(missing)[0])
        how = "wholly" if missing.all() else "partly"
        raise InputError(
            f"the outline lies {how} on no data ({share:.1f} % of it, first at {lattice.x_m[k]:.0f} E, "
            f"{lattice.y_m[k]:.0f} N): fill the elevation or cut the outline there"
        )
