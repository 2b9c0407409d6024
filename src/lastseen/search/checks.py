"""What a search can be laid out on: clear sentences about input that cannot be used."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon
from shapely.validation import explain_validity

from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.search.coverage import Outline, Samples, lattice_spacing_m, sample_outline
from lastseen.search.surface import Surface

_WIDEST_STRIP_M = 100.0
_MOST_SEARCHERS = 30
_COARSEST_M, _SAMPLES_WANTED, _MOST_SAMPLES = 2.0, 8_000, 100_000


@dataclass(frozen=True)
class Field:
    """A checked outline on its ground.

    Attributes
    ----------
    outline : Polygon or MultiPolygon
        Map metres, two-dimensional.
    surface : Surface
        The ground around it.
    samples : Samples
        Points inside it.
    """

    outline: Outline
    surface: Surface
    samples: Samples


def check_numbers(strip_width_m: float, searchers: int, least_coverage: float, fall_line_deg: float | None) -> None:
    """Raise InputError unless the numbers can be used."""
    if not 0.0 < strip_width_m <= _WIDEST_STRIP_M:
        raise InputError(
            f"the strip width is {strip_width_m} m: give more than 0 and at most {_WIDEST_STRIP_M:.0f} m on the snow"
        )
    if not 1 <= searchers <= _MOST_SEARCHERS:
        raise InputError(f"the number of searchers is {searchers}: give 1 to {_MOST_SEARCHERS}")
    if not 0.0 < least_coverage <= 1.0:
        raise InputError(f"the least coverage is {least_coverage}: give a fraction above 0 and at most 1")
    if fall_line_deg is not None and not math.isfinite(fall_line_deg):
        raise InputError(f"the fall line is {fall_line_deg} degrees: give a map azimuth or leave it out")


def checked_field(outline: object, ground: Grid, strip_width_m: float, start_xy_m: tuple[float, float] | None) -> Field:
    """The outline on its ground, if it can be searched.

    Raises
    ------
    InputError
        If the outline is empty, crosses itself, or lies wholly or partly on no data or off the ground; if the
        start does.
    """
    shape = _checked_outline(outline)
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
    surface = Surface.around(ground, bounds, 2.0 * strip_width_m + 10.0)
    for_strip = max(strip_width_m / 8.0, math.sqrt(shape.area / _MOST_SAMPLES))
    spacing = lattice_spacing_m(shape, min(_COARSEST_M, for_strip, math.sqrt(shape.area / _SAMPLES_WANTED)))
    samples = sample_outline(shape, surface, spacing)
    _check_data(samples, surface)
    return Field(shape, surface, samples)


def _on_ground(ground: Grid, x_m: float, y_m: float) -> bool:
    """Whether the cell at a point has an elevation."""
    if not (math.isfinite(x_m) and math.isfinite(y_m) and bool(ground.contains(x_m, y_m))):
        return False
    row, col = ground.cell_of(x_m, y_m)
    return bool(np.isfinite(ground.values[row, col]))


def _checked_outline(outline: object) -> Outline:
    """The outline in two dimensions, if it is a usable polygon."""
    if not isinstance(outline, Polygon | MultiPolygon):
        raise InputError(f"the outline is a {type(outline).__name__}: give a polygon or several polygons")
    if outline.is_empty:
        raise InputError("the outline is empty: draw the debris to be searched")
    if not np.isfinite(shapely.get_coordinates(outline)).all():
        raise InputError("the outline has a corner that is not a number: draw it again")
    if not outline.is_valid:
        raise InputError(f"the outline crosses itself ({explain_validity(outline)}, map metres): draw it again there")
    if not outline.area > 0.0:
        raise InputError("the outline holds no area: draw the debris to be searched")
    flat = shapely.force_2d(outline)
    if isinstance(flat, Polygon | MultiPolygon):
        return flat
    raise InputError("the outline cannot be flattened to a map: draw it again")


def _check_data(samples: Samples, surface: Surface) -> None:
    """Raise InputError if a sample lies on no data."""
    x, y, _ = samples.xyz_m
    missing = ~surface.has_data(x, y)
    if missing.any():
        share = 100.0 * float(samples.weight_m2[missing].sum() / samples.weight_m2.sum())
        k = int(np.flatnonzero(missing)[0])
        how = "wholly" if missing.all() else "partly"
        raise InputError(
            f"the outline lies {how} on no data ({share:.1f} % of it, first at {x[k]:.0f} E, {y[k]:.0f} N): "
            "fill the elevation or cut the outline there"
        )
