"""Cells by whole numbers: what a cell draws and where blocks end must not depend on the window that is looked at.

Rows run south and columns east from where the CRS has its origin. *Blocks* of about 250 m are the unit of work: each
block of start cells is run on ground of its own, so that its bodies go the same way whatever is run beside it. *Sheets*
of 8 by 8 blocks are the unit in which ground is prepared, each from heights of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from pyproj import CRS

from lastseen.elevation import Elevation, read_window
from lastseen.grid import FloatArray, Grid

BLOCK_M = 250.0  # design choice: about the side of a slab of size 4
LEAST_BLOCK_CELLS = 8
SHEET_BLOCKS = 8
_TINY = 1e-6  # of a cell


@dataclass(frozen=True, order=True)
class Window:
    """Rows ``top`` to ``bottom`` and columns ``left`` to ``right``, the last ones not included."""

    top: int
    left: int
    bottom: int
    right: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns; never negative."""
        return max(0, self.bottom - self.top), max(0, self.right - self.left)

    @property
    def empty(self) -> bool:
        """Whether there is no cell in it."""
        return 0 in self.shape

    def grown(self, cells: int) -> Window:
        """Wider by as many cells on each side."""
        return Window(self.top - cells, self.left - cells, self.bottom + cells, self.right + cells)

    def cut(self, other: Window) -> Window:
        """What both have in common."""
        return Window(
            max(self.top, other.top),
            max(self.left, other.left),
            min(self.bottom, other.bottom),
            min(self.right, other.right),
        )

    def joined(self, other: Window) -> Window:
        """The smallest window that holds both."""
        return Window(
            min(self.top, other.top),
            min(self.left, other.left),
            max(self.bottom, other.bottom),
            max(self.right, other.right),
        )

    def inside(self, outer: Window) -> tuple[slice, slice]:
        """Where it lies in an array of another window."""
        return (
            slice(self.top - outer.top, self.bottom - outer.top),
            slice(self.left - outer.left, self.right - outer.left),
        )


@dataclass(frozen=True)
class Heights:
    """An elevation model whose cells are counted by whole numbers.

    Attributes
    ----------
    cell_m : float
    crs : pyproj.CRS
    offset : (row, col)
        Shares of a cell by which the lattice is off the origin of the CRS.
    extent : Window
        All of its cells.
    read : callable
        Heights of a window inside the extent, metres; NaN is no data.
    """

    cell_m: float
    crs: CRS
    offset: tuple[float, float]
    extent: Window
    read: Callable[[Window], FloatArray]

    @property
    def block_cells(self) -> int:
        """Side of a block."""
        return max(LEAST_BLOCK_CELLS, round(BLOCK_M / self.cell_m))

    @property
    def sheet_cells(self) -> int:
        """Side of a sheet."""
        return SHEET_BLOCKS * self.block_cells

    def corner_m(self, window: Window) -> tuple[float, float]:
        """West and north edge of a window, map metres."""
        return (window.left + self.offset[1]) * self.cell_m, -(window.top + self.offset[0]) * self.cell_m

    def grid(self, window: Window) -> Grid:
        """Heights of a window as a grid; NaN where it leaves the extent."""
        values = np.full(window.shape, np.nan)
        known = window.cut(self.extent)
        if not known.empty:
            values[known.inside(window)] = self.read(known)
        return self.on(window, values)

    def on(self, window: Window, values: FloatArray) -> Grid:
        """Any values of a window as a grid."""
        west, north = self.corner_m(window)
        return Grid(values, west, north, self.cell_m, self.crs)

    def window_of(self, west_m: float, south_m: float, east_m: float, north_m: float) -> Window:
        """The cells that touch a box, cut to the extent."""
        c, (row, col) = self.cell_m, self.offset
        return Window(
            math.floor(-north_m / c - row + _TINY),
            math.floor(west_m / c - col + _TINY),
            math.ceil(-south_m / c - row - _TINY),
            math.ceil(east_m / c - col - _TINY),
        ).cut(self.extent)


def heights_of_grid(ground: Grid) -> Heights:
    """Heights that are already there."""
    offset, corner = _placed(ground.west_m, ground.north_m, ground.cell_m)
    ny, nx = ground.shape
    extent = Window(corner[0], corner[1], corner[0] + ny, corner[1] + nx)
    values = np.asarray(ground.values, np.float64)
    return Heights(ground.cell_m, ground.crs, offset, extent, lambda window: values[window.inside(extent)])


def heights_of_model(elevation: Elevation) -> Heights:
    """Heights that are read by window, from one file or many."""
    c = elevation.cell_m
    offset, _ = _placed(*elevation.anchor_m, c)
    west, south, east, north = elevation.snapped(elevation.bounds_m)
    top, left = round(-north / c - offset[0]), round(west / c - offset[1])
    extent = Window(top, left, top + round((north - south) / c), left + round((east - west) / c))

    def read(window: Window) -> FloatArray:
        x, y = (window.left + offset[1]) * c, -(window.top + offset[0]) * c
        rows, cols = window.shape
        return np.asarray(read_window(elevation, (x, y - rows * c, x + cols * c, y)).values, np.float64)

    return Heights(c, elevation.crs, offset, extent, read)


def tiles_of(window: Window, side: int) -> Iterator[Window]:
    """Squares of a lattice from the origin that touch a window, from north to south and west to east."""
    for i in range(window.top // side, -(-window.bottom // side)):
        for j in range(window.left // side, -(-window.right // side)):
            yield Window(i * side, j * side, (i + 1) * side, (j + 1) * side)


def _placed(x_m: float, y_m: float, cell_m: float) -> tuple[tuple[float, float], tuple[int, int]]:
    """Shares of a cell that a corner is off the lattice of the origin, and the row and column of that corner."""
    row, col = math.floor(-y_m / cell_m + _TINY), math.floor(x_m / cell_m + _TINY)
    return (-y_m / cell_m - row, x_m / cell_m - col), (row, col)
