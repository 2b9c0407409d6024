"""What a search can be laid out on: clear sentences about input that cannot be used."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon
from shapely.validation import explain_validity

from lastseen.core import Grid, InputError, check_strip_width_m
from lastseen.search.routes import WalkableGround, read_walkable_ground
from lastseen.search.surface import Lattice, Outline, Surface, lattice_spacing_m, make_lattice

_MOST_SEARCHERS = 30
_MEASURED_M, _MEASURED = 1.0, 30_000.0
_LITTLE_LEFT = 1e-9
_AROUND_M = 150.0  # how far beside the outline and the start a way is looked for; design choice
_ROUND_M = 300.0  # how far no-go ground is followed for a way round it; design choice


@dataclass(frozen=True)
class SearchArea:
    """A checked outline on its ground.

    Attributes
    ----------
    outline : Polygon or MultiPolygon
        Map metres, two-dimensional.
    surface : Surface
        The ground around it.
    ways : Ways
        Where people can walk on it.
    lattice : Lattice
        Points inside it, 1 m apart at most.
    """

    outline: Outline
    surface: Surface
    ways: WalkableGround
    lattice: Lattice


def check_numbers(strip_width_m: float, searchers: int, least_coverage: float, fall_line_deg: float | None) -> None:
    """Raise InputError unless the numbers can be used."""
    check_strip_width_m(strip_width_m)
    if not 1 <= searchers <= _MOST_SEARCHERS:
        raise InputError(f"the number of searchers is {searchers}: give 1 to {_MOST_SEARCHERS}")
    if not 0.0 < least_coverage <= 1.0:
        raise InputError(f"the least coverage is {least_coverage}: give a fraction above 0 and at most 1")
    if fall_line_deg is not None and not math.isfinite(fall_line_deg):
        raise InputError(f"the fall line is {fall_line_deg} degrees: give a map azimuth or leave it out")


def check_area(
    outline: object,
    ground: Grid,
    strip_width_m: float,
    start_xy_m: tuple[float, float] | None,
    no_go: object = None,
) -> SearchArea:
    """The outline on its ground, if it can be searched.

    Raises
    ------
    InputError
        If the outline is empty, crosses itself, or lies wholly or partly on no data or off the ground; if the
        start does; if no-go ground covers all of it or holds the start.
    """
    shape = _checked_area(outline, "outline", "draw the debris to be searched")
    forbidden = None
    if no_go is not None and not getattr(no_go, "is_empty", False):
        forbidden = _checked_area(no_go, "no-go ground", "draw it again or leave it out")
    west, south, east, north = shape.bounds
    g_west, g_south, g_east, g_north = ground.bounds
    if west < g_west or south < g_south or east > g_east or north > g_north:
        raise InputError(
            f"the outline ({west:.0f} to {east:.0f} E, {south:.0f} to {north:.0f} N) reaches beyond the ground "
            f"({g_west:.0f} to {g_east:.0f} E, {g_south:.0f} to {g_north:.0f} N): load more elevation or cut it"
        )
    bounds = shape.bounds
    if start_xy_m is not None:
        x, y = start_xy_m
        if not _on_ground(ground, x, y):
            raise InputError(
                f"the start at {x:.0f} E, {y:.0f} N lies where there is no elevation: "
                "choose a start on the ground or load more elevation"
            )
        bounds = (min(west, x), min(south, y), max(east, x), max(north, y))
    if forbidden is not None:
        near = shapely.clip_by_rect(forbidden, *(b + s * _ROUND_M for b, s in zip(bounds, (-1, -1, 1, 1), strict=True)))
        around = [float(b) for b in shapely.total_bounds([shapely.box(*bounds), near])]
        bounds = (around[0], around[1], around[2], around[3])
    surface = Surface.around(ground, bounds, max(_AROUND_M, 2.0 * strip_width_m + 10.0))
    if forbidden is not None:
        forbidden = _near(forbidden, shape, surface, start_xy_m)
    most = min(_MEASURED_M, strip_width_m / 8.0, math.sqrt(shape.area / _MEASURED))
    lattice = make_lattice(shape, surface, lattice_spacing_m(shape, most))
    _check_data(lattice, surface)
    return SearchArea(shape, surface, read_walkable_ground(surface, forbidden), lattice)


def _near(no_go: Outline, shape: Outline, surface: Surface, start_xy_m: tuple[float, float] | None) -> Outline | None:
    """The no-go ground of the window, if it leaves something to walk."""
    if shapely.difference(shape, no_go).area <= _LITTLE_LEFT * shape.area:
        raise InputError("the no-go ground covers all of the outline: nothing is left to walk; draw it smaller")
    if start_xy_m is not None and shapely.intersects_xy(no_go, *start_xy_m):
        x, y = start_xy_m
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


def _checked_area(area: object, what: str, remedy: str) -> Outline:
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
