"""A cell and the ground around it: openness, relative position, ruggedness, breaks of slope, walls."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lastseen.core import Grid, InputError, IntArray, map_in_threads, run_over_rows
from lastseen.terrain import neighbourhood_kernels, surface_kernels
from lastseen.terrain.surface import prepare_heights

# ---- Openness: how much sky, and how much ground, a place is open to
# Yokoyama, Shirasawa & Pike (2002, Photogrammetric Engineering & Remote Sensing 68:257): the mean over eight azimuths
# of the zenith angle of the horizon within a radius (positive), and of the nadir angle of the lowest line of sight
# (negative). Flat or evenly sloping ground has 90 degrees of both. In a gully, a pit or at the foot of a wall
# positive openness is below 90; on a crest, a rib or above a wall negative openness is. Local: the radius.

OPENNESS_M = 50.0  # the width of the gullies and banks of a single slope; design choice
OPENNESS_BLOCK_ROWS = 32  # a row takes as long as many slopes


@dataclass(frozen=True, kw_only=True)
class Openness:
    """Openness in degrees."""

    positive_deg: Grid  # mean zenith angle of the horizon, 0 to 180; below 90 where the ground around rises
    negative_deg: Grid  # mean nadir angle, 0 to 180; below 90 where the ground around falls away


def openness(elevation: Grid, *, radius_m: float = OPENNESS_M) -> Openness:
    """Positive and negative openness on eight azimuths.

    NaN where the next cell on any of the eight azimuths is unknown. Farther cells that are unknown, beyond the frame or
    without data, are passed over: there it is the openness to what is known. InputError if the radius, metres on the
    map, does not reach the next cell on the diagonal.
    """
    least = elevation.cell_m * 2.0**0.5
    if not least <= radius_m < float("inf"):
        raise InputError(f"openness within {radius_m:g} m sees no neighbour: choose {least:.1f} m or more")
    z, cell_m = prepare_heights(elevation), elevation.cell_m
    positive, negative = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    run_over_rows(
        lambda first, last: surface_kernels.openness(z, cell_m, radius_m, first, last, positive, negative),
        z.shape[0],
        OPENNESS_BLOCK_ROWS,
    )
    return Openness(positive_deg=elevation.with_values(positive), negative_deg=elevation.with_values(negative))


# ---- Relative position: how high a cell lies above the ground around it
# Height less the mean height of a ring (Weiss 2001, poster at the ESRI User Conference: topographic position index):
# above 0 on crests and ribs, below 0 in gullies and hollows, 0 on any even slope. What is seen depends on the radius,
# so two are given. Local: the outer radius.

LEAST_KNOWN = (
    0.99  # of the ring: what is missing shifts the mean by 1 % of radius times gradient at most; design choice
)
POSITION_BLOCK_ROWS = 256


@dataclass(frozen=True)
class Ring:
    """Radii on the map, metres: cells whose centres are from ``inner_m`` to ``outer_m`` away count."""

    inner_m: float
    outer_m: float


FINE = Ring(10.0, 40.0)  # gullies, ribs and banks that a person falls over; design choice
BROAD = Ring(50.0, 150.0)  # ridges, valleys and bowls; design choice


def relative_position_m(elevation: Grid, ring: Ring = FINE) -> Grid:
    """Height of each cell above the mean height of a ring around it, metres; NaN where less than 99 % of it is known.

    Heights are counted in 2 to the -20 of a metre (about 1 micrometre). An inner radius of 0 takes the whole disc, the
    cell itself included; on coarse cells ``widen_ring`` widens a ring. InputError if it holds no cell, or the radii are
    no radii.
    """
    if not 0.0 <= ring.inner_m <= ring.outer_m < math.inf:
        raise InputError(
            f"a ring from {ring.inner_m:g} to {ring.outer_m:g} m is none: inner and outer radius, from 0 up"
        )
    outer, inner, cells = _chords(ring, elevation.cell_m)
    if cells == 0:
        raise InputError(
            f"a ring from {ring.inner_m:g} to {ring.outer_m:g} m holds no cell of {elevation.cell_m:g} m: widen it"
        )
    z = prepare_heights(elevation)
    ny, nx = z.shape
    total, known = np.empty((ny, nx + 1)), np.empty((ny, nx + 1), np.int32)
    blocks = [(first, min(first + POSITION_BLOCK_ROWS, ny)) for first in range(0, ny, POSITION_BLOCK_ROWS)]
    missing = sum(map_in_threads(lambda block: neighbourhood_kernels.row_sums(z, *block, total, known), blocks))
    out = np.full(z.shape, np.nan)
    least = LEAST_KNOWN * cells
    run_over_rows(
        lambda first, last: neighbourhood_kernels.above_ring(
            z, total, known, outer, inner, cells, least, missing, first, last, out
        ),
        ny,
        POSITION_BLOCK_ROWS,
    )
    return elevation.with_values(out)


def widen_ring(ring: Ring, cell_m: float) -> Ring:
    """The ring widened for coarse cells: from one cell at least, and one cell wide at least."""
    inner = max(ring.inner_m, cell_m)
    return Ring(inner, max(ring.outer_m, inner + cell_m))


def _chords(ring: Ring, cell_m: float) -> tuple[IntArray, IntArray, int]:
    """Half chords of the outer circle and of the part left out, row by row from north, and the number of cells."""
    reach = math.floor(ring.outer_m / cell_m + 1e-9)
    cols = np.arange(-reach, reach + 1)
    far = np.hypot(cols[:, None], cols[None, :]) * cell_m
    within, left_out = far <= ring.outer_m + 1e-9 * cell_m, far < ring.inner_m - 1e-9 * cell_m
    outer = (within.sum(axis=1) - 1) // 2
    inner = np.where(left_out.any(axis=1), (left_out.sum(axis=1) - 1) // 2, -1)
    return outer.astype(np.int32), inner.astype(np.int32), int(within.sum() - left_out.sum())


# ---- Roughness: how much the ground faces different ways, whatever its slope
# Vector ruggedness measure (Sappington, Longshore & Thompson 2007, Journal of Wildlife Management 71:1419): one less
# the length of the mean unit normal of the cells in a window. 0 on any plane, near 1 where normals cancel. Normals
# follow Horn (1981). Local: the window and one cell more on each side.

RUGGEDNESS_CELLS = 3  # the window of Sappington, Longshore & Thompson (2007)
WIDEST_CELLS = 99


def ruggedness(elevation: Grid, *, window_cells: int = RUGGEDNESS_CELLS) -> Grid:
    """Vector ruggedness of each cell, 0 to 1, in a window of an odd number of cells, 3 to 99 (else InputError).

    NaN where a normal in the window is unknown: half a window and one cell along the frame and beside no data.
    """
    if window_cells % 2 == 0 or not RUGGEDNESS_CELLS <= window_cells <= WIDEST_CELLS:
        raise InputError(
            f"the window of ruggedness is {window_cells} cells: choose an odd number from 3 to {WIDEST_CELLS}"
        )
    z, cell_m, half = prepare_heights(elevation), elevation.cell_m, window_cells // 2
    out = np.full(z.shape, np.nan)
    run_over_rows(lambda first, last: surface_kernels.ruggedness(z, cell_m, half, first, last, out), z.shape[0])
    return elevation.with_values(out)


# ---- Breaks of slope: how the slope changes along the fall line, cell by cell and without a threshold
# The mean slope over a reach straight up the fall line (Horn 1981) less that over the same reach down it. Above 0 the
# slope eases downhill, as at the foot of a face or on a bench; below 0 it steepens, as at a roll-over or the lip of a
# cliff. It is profile curvature read at a stated scale. Which breaks are terrain traps is for the room ``traps`` to
# say.
#
# Local: the reach and one cell.

REACH_M = 20.0  # abrupt for a flow 1 m thick; design choice
LEAST_CELLS = 2.0  # a slope over less than two cells is the roughness of the model
LEAST_GRADIENT = 1e-6  # flatter ground has no fall line


@dataclass(frozen=True, kw_only=True)
class Breaks:
    """Slopes along the fall line, degrees; NaN on flats and where the reach leaves the known ground."""

    # mean slope over the reach up and down; above 0 falls
    above_deg: Grid
    below_deg: Grid
    change_deg: Grid  # above less below: above 0 the slope eases downhill


def widen_reach_m(reach_m: float, cell_m: float) -> float:
    """The reach widened to two cells where cells are coarse."""
    return max(reach_m, LEAST_CELLS * cell_m)


def slope_breaks(elevation: Grid, *, reach_m: float = REACH_M) -> Breaks:
    """Slope above, slope below and their change along the fall line of each cell.

    The reach is on the map and at least one cell (else InputError). Heights between cell centres are bilinear.
    """
    if not elevation.cell_m <= reach_m < float("inf"):
        raise InputError(
            f"a break of slope over {reach_m:g} m is less than a cell: choose {elevation.cell_m:g} m or more"
        )
    z, cell_m = prepare_heights(elevation), elevation.cell_m
    above, below = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    run_over_rows(
        lambda first, last: neighbourhood_kernels.breaks(z, cell_m, reach_m, LEAST_GRADIENT, first, last, above, below),
        z.shape[0],
    )
    above_deg, below_deg = np.degrees(np.arctan(above)), np.degrees(np.arctan(below))
    return Breaks(
        above_deg=elevation.with_values(above_deg),
        below_deg=elevation.with_values(below_deg),
        change_deg=elevation.with_values(above_deg - below_deg),
    )


# ---- Walls: the height that is lost along the fall line on ground too steep for snow to lie, cell by cell
# From each cell the steepest steps up and down are followed from cell to cell as long as each is steeper than a
# limit; the height between their ends is the drop of the wall through that cell. A wall between two cells counts with
# its whole height, however coarse the cells. Eight directions only: a wall that runs obliquely to them measures up to
# 3 degrees gentler. Which walls are terrain traps is for the room ``traps`` to say.
#
# Local: the longest way followed.

WALL_DEG = 50.0  # snow does not lie on ground this steep; design choice
LONGEST_M = 200.0  # how far a wall is followed up and down on the map; design choice


def cliff_drop_m(elevation: Grid, *, wall_deg: float = WALL_DEG, longest_m: float = LONGEST_M) -> Grid:
    """Height of the wall through each cell, metres; 0 where there is no wall, NaN at no data.

    Steps steeper than ``wall_deg`` (above 0 and below 90, else InputError) are wall; a wall is followed up and down
    over ``longest_m`` on the map. Cells beside no data and on the frame count what is known.
    """
    if not 0.0 < wall_deg < 90.0:
        raise InputError(f"a wall steeper than {wall_deg:g} degrees is none: choose an angle between 0 and 90")
    z, cell_m = prepare_heights(elevation), elevation.cell_m
    wall = math.tan(math.radians(wall_deg))
    out = np.full(z.shape, np.nan)
    run_over_rows(
        lambda first, last: neighbourhood_kernels.wall_drop(z, cell_m, wall, longest_m, first, last, out), z.shape[0]
    )
    return elevation.with_values(out)
