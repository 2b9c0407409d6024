"""Ground, start zones and traps with a known answer, read by the same functions that plans use."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from pyproj import CRS

from lastseen.core import FloatArray, Grid, NothingFoundError
from lastseen.snow import find_start_zone_terrain, grade_start_zones
from lastseen.terrain import (
    FilledGround,
    Method,
    Ring,
    accumulation_m2,
    cliff_drop_m,
    facet_direction_deg,
    fill_hollows,
    find_drainage,
    openness,
    read_terrain,
    relative_position_m,
    ruggedness,
    slope_breaks,
)
from lastseen.traps import Kind, Trap, find_traps

# ``lastseen check`` and the tests run these against published and derived values. Angles in degrees, lengths in metres.
_CRS = CRS.from_epsg(32632)


def make_grid(z: npt.ArrayLike, cell_m: float) -> Grid:
    """Ground whose south-west corner is the origin."""
    heights = np.asarray(z, np.float64)
    return Grid(heights, 0.0, heights.shape[0] * cell_m, cell_m, _CRS)


def _around(height: Callable[[FloatArray, FloatArray], FloatArray], half_cells: int, cell_m: float) -> Grid:
    """Ground given by a height of metres east and north of the middle cell."""
    offset: FloatArray = np.arange(-half_cells, half_cells + 1, dtype=np.float64) * cell_m
    return make_grid(height(offset[None, :], -offset[:, None]), cell_m)


def _middle(grid: Grid) -> float:
    return float(grid.values[grid.shape[0] // 2, grid.shape[1] // 2])


def _cone(gradient: float, half_cells: int, cell_m: float) -> Grid:
    """A cone with its tip on the middle cell; a negative gradient is a funnel."""
    return _around(lambda x, y: 1000.0 - gradient * np.hypot(x, y), half_cells, cell_m)


def _filled(digits: list[str]) -> FilledGround:
    return fill_hollows(make_grid([[float(digit) for digit in row] for row in digits], 1.0))


def filled_level_m(digits: list[str], row: int, col: int) -> float:
    """Height of a cell after filling."""
    return float(_filled(digits).surface.values[row, col])


def filled_volume_m3(digits: list[str]) -> float:
    """Volume of all hollows, cells of 1 m."""
    return float(_filled(digits).depth_m.values.sum())


def cone_area_error(
    method: Method, exponent: float, gradient: float, cell_m: float, nearest_m: float, farthest_m: float
) -> float:
    """Root mean square error of the specific area on a cone, over its mean; theory is half the radius."""
    half = math.ceil(farthest_m / cell_m) + 5
    cone = _cone(gradient, half, cell_m)
    specific = accumulation_m2(find_drainage(cone), method, exponent=exponent).values / cell_m
    offset = np.arange(-half, half + 1) * cell_m
    radius = np.hypot(offset[None, :], offset[:, None])
    ring = (radius > nearest_m) & (radius < farthest_m)
    theory = 0.5 * radius[ring]
    return float(np.sqrt(np.mean((specific[ring] - theory) ** 2)) / theory.mean())


def _plane(slope_deg: float, azimuth_deg: float, half_cells: int, cell_m: float) -> Grid:
    """A plane that falls towards an azimuth."""
    g, a = math.tan(math.radians(slope_deg)), math.radians(azimuth_deg)
    return _around(lambda x, y: 1000.0 - g * (x * math.sin(a) + y * math.cos(a)), half_cells, cell_m)


def facet_azimuth_deg(slope_deg: float, azimuth_deg: float, cell_m: float) -> float:
    """D-infinity azimuth on a plane."""
    return _middle(facet_direction_deg(find_drainage(_plane(slope_deg, azimuth_deg, 2, cell_m))))


def multiple_flow_share(z: list[list[float | None]], exponent: float, towards: list[int]) -> float:
    """Share of the middle of nine cells that flows to a neighbour (rows down, columns right of it); none is no data."""
    nine = make_grid(np.array(z, np.float64), 1.0)
    area = accumulation_m2(find_drainage(nine), "multiple", exponent=exponent).values
    return float(area[1 + towards[0], 1 + towards[1]]) - 1.0


def vector_ruggedness(profile: list[float], cell_m: float) -> float:
    """Ruggedness of 3 x 3 cells of a fold: five heights from west to east, the same on every row."""
    return _middle(ruggedness(make_grid(np.tile(np.array(profile, float), (5, 1)), cell_m)))


def position_of_nine_m(z: list[list[float]], cell_m: float) -> float:
    """Height above the mean of the eight neighbours."""
    return _middle(relative_position_m(make_grid(z, cell_m), Ring(cell_m, 1.5 * cell_m)))


def position_on_paraboloid_m(curvature_per_m: float, inner_m: float, outer_m: float, cell_m: float) -> float:
    """Height of the top of a round dome above the mean of a ring."""
    half = math.ceil(outer_m / cell_m) + 1
    dome = _around(lambda x, y: -0.5 * curvature_per_m * (x**2 + y**2), half, cell_m)
    return _middle(relative_position_m(dome, Ring(inner_m, outer_m)))


def openness_of_cone_deg(slope_deg: float, cell_m: float, radius_m: float, *, negative: bool) -> float:
    """Openness at the tip of a cone, or the bottom of a funnel where the slope is negative."""
    cone = _cone(math.tan(math.radians(slope_deg)), math.ceil(radius_m / cell_m) + 1, cell_m)
    found = openness(cone, radius_m=radius_m)
    return _middle(found.negative_deg if negative else found.positive_deg)


def openness_of_plane_deg(slope_deg: float, azimuth_deg: float, cell_m: float, radius_m: float) -> float:
    """Positive openness on a plane."""
    plane = _plane(slope_deg, azimuth_deg, math.ceil(radius_m / cell_m) + 1, cell_m)
    return _middle(openness(plane, radius_m=radius_m).positive_deg)


def slope_change_deg(above_deg: float, below_deg: float, azimuth_deg: float, cell_m: float, reach_m: float) -> float:
    """Change of slope where two planes that fall towards one azimuth meet in the middle."""
    a = math.radians(azimuth_deg)

    def height(x: FloatArray, y: FloatArray) -> FloatArray:
        along = x * math.sin(a) + y * math.cos(a)
        return -np.where(along < 0, math.tan(math.radians(above_deg)), math.tan(math.radians(below_deg))) * along

    return _middle(slope_breaks(_around(height, math.ceil(reach_m / cell_m) + 2, cell_m), reach_m=reach_m).change_deg)


def cliff_height_m(height_m: float, face_deg: float, slope_deg: float, cell_m: float) -> float:
    """Drop through the middle of a straight face of cells between two slopes, all falling south."""
    half = math.ceil(height_m / math.tan(math.radians(face_deg)) / cell_m) + 6

    def height(_x: FloatArray, y: FloatArray) -> FloatArray:
        steep, gentle = math.tan(math.radians(face_deg)), math.tan(math.radians(slope_deg))
        inside = np.clip(y, -0.5 * height_m / steep, 0.5 * height_m / steep)
        fall: FloatArray = inside * steep + (y - inside) * gentle
        return fall + np.zeros((1, 2 * half + 1))

    return _middle(cliff_drop_m(_around(height, half, cell_m)))


_SIDE_M = 200.0


def _axes(cell_m: float) -> tuple[FloatArray, FloatArray]:
    """Metres across and down the slope from the middle."""
    n = round(_SIDE_M / cell_m)
    at = (np.arange(n) + 0.5) * cell_m - 0.5 * _SIDE_M
    across, down = np.meshgrid(at, at)
    return across, down


def _only(kind: Kind, z: FloatArray, cell_m: float) -> Trap:
    ground = read_terrain(make_grid(z, cell_m))
    found = [trap for trap in find_traps(ground, np.ones(z.shape, np.bool_)) if trap.kind == kind]
    if len(found) != 1:
        raise NothingFoundError(f"{len(found)} traps of kind {kind} on ground that holds one: report this")
    return found[0]


def measured_cliff_drop_m(height_m: float, cell_m: float, slope_deg: float) -> float:
    """Drop that is measured of a vertical wall in an even slope."""
    _, down = _axes(cell_m)
    z = 1500.0 - math.tan(math.radians(slope_deg)) * down - np.where(down > 0.0, height_m, 0.0)
    return _only("cliff", z, cell_m).drop_m


def bank_pile_up_m(wall_m: float, slope_deg: float, cell_m: float) -> float:
    """Depth of the standard debris (10 m2) that is measured where an even slope meets a vertical wall."""
    _, down = _axes(cell_m)
    z = 1500.0 - math.tan(math.radians(slope_deg)) * np.minimum(down, 0.0) + np.where(down > 0.0, wall_m, 0.0)
    return _only("bank", z, cell_m).pile_up_m


def gully_pile_up_m(depth_m: float, width_m: float, floor_m: float, cell_m: float) -> float:
    """Depth of the standard debris (10 m2) that is measured in a straight gully of 25 degrees."""
    across, down = _axes(cell_m)
    away = np.abs(across - 0.5 * cell_m)  # the axis runs through cell centres
    cut = np.clip((0.5 * width_m - away) / (0.5 * (width_m - floor_m)), 0.0, 1.0) * depth_m
    return _only("gully", 1500.0 - math.tan(math.radians(25.0)) * down - cut, cell_m).pile_up_m


def _steep_plane(slope_deg: float) -> Grid:
    x, y = np.meshgrid(np.arange(31) * 5.0, np.arange(31) * 5.0)
    return make_grid(math.tan(math.radians(slope_deg)) * (0.8 * x + 0.6 * y), 5.0)


def start_zone_limit_deg(inside_deg: float, outside_deg: float) -> float:
    """Slope at which a plane stops being start zone, between one that is and one that is not."""
    while abs(inside_deg - outside_deg) > 1e-3:
        middle = 0.5 * (inside_deg + outside_deg)
        starts = find_start_zone_terrain(_steep_plane(middle))[0][15, 15]
        inside_deg, outside_deg = (middle, outside_deg) if starts else (inside_deg, middle)
    return inside_deg


def start_zone_grade(slope_deg: float) -> float:
    """Grade of a plane without trees."""
    return float(grade_start_zones(_steep_plane(slope_deg)).grade.values[15, 15])


def incident_share(classes: list[list[float]], *, whole: bool) -> float:
    """Share of incidents whose class of slope lies in the start-zone band, wholly or at least in part.

    Each class is lower limit, upper limit, number of incidents.
    """
    low, high = start_zone_limit_deg(38.0, 0.0), start_zone_limit_deg(38.0, 89.0)
    tiny = 0.01
    inside = [
        count for a, b, count in classes
        if (low - tiny <= a and b <= high + tiny if whole else a < high and low < b)
    ]  # fmt: skip
    return float(sum(inside) / sum(count for _, _, count in classes))
