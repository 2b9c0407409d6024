"""Ground layers of a whole elevation model, worked out in bands of rows.

Local layers need a halo around each band: the same values as from the whole, with memory bounded by the band. Drainage
is global: for it the whole model is held, and what it takes is said before.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from lastseen import terrain
from lastseen.core import FloatArray, Grid, InputError, Progress, ResourceError, require_memory
from lastseen.terrain import DRAINAGE_GB_PER_MILLION_CELLS, DRAINAGE_LAYERS, Elevation, Layers, local_layer_groups

BAND_CELLS = 4_000_000
BAND_GB_PER_MILLION_CELLS = 0.15  # the band and its halo, and the layers of one group at a time
LEAST_BAND_ROWS = 16
ROWS_AT_ONCE = 512  # of a global layer
_LOCAL_SHARE = 0.6  # of the time, for the progress


def layers_on(cell_m: float, *, drainage: bool = True) -> Layers:
    """All layers on cells of a size, in the order in which they are worked out."""
    local = [layer for group in local_layer_groups(cell_m) for layer in group.layers]
    return (*local, *(DRAINAGE_LAYERS if drainage else ()))


@dataclass(frozen=True, kw_only=True, eq=False)
class TerrainView:
    """The lattice of the ground layers, and the bands in which they are worked out."""

    elevation: Elevation
    layers: Layers
    west_m: float
    north_m: float
    shape: tuple[int, int]  # rows and columns
    rows: tuple[int, ...]  # where bands begin, and where the last one ends
    memory: str  # what the work takes, in words
    heights: Grid | None  # the whole model, where drainage is wanted
    notes: tuple[str, ...]  # what the user should know about the heights

    def blocks(self, progress: Progress) -> Iterator[tuple[str, int, FloatArray]]:
        """Name of a layer, first row and values, until all layers are whole."""
        groups = local_layer_groups(self.elevation.cell_m)
        for first, last in pairwise(self.rows):
            progress(self.memory, _LOCAL_SHARE * first / self.shape[0])
            band, top, _ = _band(self, first, last)
            for group in groups:
                halo = group.halo_cells(self.elevation.cell_m)
                begin, end = max(0, first - halo - top), last + halo - top
                north = band.north_m - begin * self.elevation.cell_m
                part = replace(band, values=band.values[begin:end], north_m=north)
                skip = first - top - begin
                for layer, grid in zip(group.layers, group.work(part), strict=True):
                    yield layer.name, first, grid.values[skip : skip + last - first]
        if self.heights is None:
            return
        for number, (layer, grid) in enumerate(terrain.find_drainage_layers(self.heights)):
            progress(f"drainage: {layer.name}", _LOCAL_SHARE + (1.0 - _LOCAL_SHARE) * number / len(DRAINAGE_LAYERS))
            for first in range(0, self.shape[0], ROWS_AT_ONCE):
                yield layer.name, first, grid.values[first : first + ROWS_AT_ONCE]


def view_terrain(elevation: Elevation, *, drainage: bool = True) -> TerrainView:
    """Look at the heights of an elevation model, and lay out how its ground layers are worked out.

    ``drainage`` off leaves out the global layers, which need the whole model in memory. Raises InputError if the model
    has less than three rows or columns, ResourceError if memory is not enough.
    """
    west, south, east, north = elevation.snapped(elevation.bounds_m)
    columns, rows = round((east - west) / elevation.cell_m), round((north - south) / elevation.cell_m)
    if columns < 3 or rows < 3:
        raise InputError(f"the elevation model has {columns} x {rows} cells: three by three is the least with a slope")
    each = min(rows, max(LEAST_BAND_ROWS, BAND_CELLS // columns))
    cells = min(each + 2 * _halo(elevation), rows) * columns
    memory = f"bands of {require_memory(cells, BAND_GB_PER_MILLION_CELLS, 'a band')}"
    if drainage:
        memory = f"{memory}; drainage of {_drainage_memory(rows * columns)}"
    view = TerrainView(
        elevation=elevation,
        layers=layers_on(elevation.cell_m, drainage=drainage),
        west_m=west,
        north_m=north,
        shape=(rows, columns),
        rows=(*range(0, rows, each), rows),
        memory=memory,
        heights=None,
        notes=(),
    )
    heights = np.empty((rows, columns)) if drainage else None
    report: terrain.ElevationReport | None = None
    for first, last in pairwise(view.rows):
        band, top, looked = _band(view, first, last)
        if heights is not None:
            heights[first:last] = band.values[first - top : last - top]
        if looked is not None:
            report = looked if report is None else report.joined(looked)
    whole = Grid(heights, west, north, elevation.cell_m, elevation.crs) if heights is not None else None
    return replace(view, heights=whole, notes=report.notes if report is not None else ())


def _halo(elevation: Elevation) -> int:
    """Cells that the farthest-looking local layer needs around a band."""
    return max(group.halo_cells(elevation.cell_m) for group in local_layer_groups(elevation.cell_m))


def _band(view: TerrainView, first: int, last: int) -> tuple[Grid, int, terrain.ElevationReport | None]:
    """The heights of the rows first..last with their halo, the row at which they begin, and what is doubtful there."""
    halo, cell = _halo(view.elevation), view.elevation.cell_m
    top, bottom = max(0, first - halo), min(view.shape[0], last + halo)
    north = view.north_m - top * cell
    if view.heights is not None:
        return replace(view.heights, values=view.heights.values[top:bottom], north_m=north), top, None
    east = view.west_m + view.shape[1] * cell
    checked = terrain.read_ground(view.elevation, (view.west_m, view.north_m - bottom * cell, east, north))
    return checked.grid, top, checked.report


def _drainage_memory(cells: int) -> str:
    """Words on the memory that drainage will take."""
    try:
        return require_memory(cells, DRAINAGE_GB_PER_MILLION_CELLS, "drainage")
    except ResourceError as error:
        raise ResourceError(f"{error}; --local-only leaves drainage out") from error
