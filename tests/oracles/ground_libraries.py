"""Independent general-purpose libraries for terrain and hydrology, asked in their own words, answered in ours.

They are not needed to run lastseen. `make oracles` installs them; without one its tests skip and say so.
"""

import importlib
import warnings
from functools import cache

import numpy as np
import pytest
from affine import Affine

WHERE = "`make oracles` installs it"


@cache
def load(name):
    """The module, or None where it is not installed."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return importlib.import_module(name)
        except ImportError:
            return None


def ask(name):
    """The module, or a skip that says what was not compared."""
    module = load(name)
    if module is None:
        pytest.skip(f"{name} is not installed, so nothing was compared with it: {WHERE}")
    return module


# ---- richdem: C++ library for terrain analysis

RICHDEM_TURN = [3, 4, 5, 6, 7, 8, 1, 2]  # its neighbours 1 to 8 run clockwise from west; these are ours from north


def richdem_array(values, cell_m):
    """An array of its own, no data -9999."""
    library = ask("richdem")
    array = library.rdarray(np.where(np.isnan(values), -9999.0, values), no_data=-9999.0)
    array.geotransform = (0.0, cell_m, 0.0, 0.0, 0.0, -cell_m)
    return array


def richdem_attribute(values, cell_m, attribute):
    """A terrain attribute, NaN at no data."""
    found = ask("richdem").terrain_attribute(richdem_array(values, cell_m), attribute)
    found = np.asarray(found, float)
    return np.where(found == -9999.0, np.nan, found)


def richdem_filled(values):
    """Priority-Flood in the form of Zhou et al. (2016)."""
    found = np.asarray(ask("richdem").fill_depressions(richdem_array(values, 1.0), epsilon=False), float)
    return np.where(np.isnan(values), np.nan, found)


def richdem_shares(values, method, exponent=None):
    """Shares of the flow to the neighbours clockwise from north."""
    found = ask("richdem").flow_proportions(richdem_array(values, 1.0), method=method, exponent=exponent)
    found = np.asarray(found, float)[:, :, RICHDEM_TURN]
    return np.where(found < 0.0, 0.0, found)


def richdem_cells(values, method, exponent=None):
    """Cells that drain through each cell."""
    found = ask("richdem").flow_accumulation(richdem_array(values, 1.0), method=method, exponent=exponent)
    return np.asarray(found, float)


# ---- landlab: earth surface modelling


def landlab_flow(values, cell_m, director, **options):
    """Cells that drain through each inner cell, and shares of the flow clockwise from north."""
    library, components = ask("landlab"), ask("landlab.components")
    ny, nx = values.shape
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        grid = library.RasterModelGrid(values.shape, xy_spacing=cell_m)
        grid.add_field("topographic__elevation", values[::-1].ravel().copy(), at="node")
        components.FlowAccumulator(grid, flow_director=director, **options).run_one_step()
    cells = grid.at_node["drainage_area"].reshape(values.shape)[::-1] / cell_m**2
    to = grid.at_node["flow__receiver_node"].reshape(ny * nx, -1)
    part = grid.at_node["flow__receiver_proportions"].reshape(ny * nx, -1) if to.shape[1] > 1 else np.ones((ny * nx, 1))
    steps = {(0 - nx * di) + dj: k for k, (di, dj) in enumerate(_CLOCKWISE)}  # its rows run from south to north
    shares = np.zeros((ny * nx, 8))
    for column in range(to.shape[1]):
        for step, k in steps.items():
            hit = (to[:, column] >= 0) & (to[:, column] - np.arange(ny * nx) == step)
            shares[hit, k] += part[hit, column]
    return cells, shares.reshape(ny, nx, 8)[::-1]


_CLOCKWISE = [(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)]


# ---- topotoolbox: geomorphology, works in float32


def topotoolbox_grid(values, cell_m):
    """A grid of its own."""
    grid = ask("topotoolbox").GridObject()
    grid.z, grid.cellsize = values.astype(np.float32), cell_m
    return grid


def topotoolbox_flow(values, cell_m):
    """Cells that drain through each cell and the neighbour that each drains to (8 for none), D8."""
    flow = ask("topotoolbox").FlowObject(topotoolbox_grid(values, cell_m))
    way = np.full(values.size, 8)
    steps = {di * values.shape[1] + dj: k for k, (di, dj) in enumerate(_CLOCKWISE)}
    way[flow.source] = [steps[step] for step in (flow.target - flow.source).tolist()]
    return np.asarray(flow.flow_accumulation().z, float), way.reshape(values.shape)


# ---- xarray-spatial: raster analysis


def xarray_grid(values, cell_m):
    """A grid of its own, rows from north to south."""
    xarray = ask("xarray")
    ny, nx = values.shape
    coords = {"y": np.arange(ny)[::-1] * cell_m, "x": np.arange(nx) * cell_m}
    return xarray.DataArray(values, dims=["y", "x"], coords=coords, attrs={"res": (cell_m, cell_m)})


def xarray_layer(values, cell_m, name):
    """One of its surface tools."""
    return np.asarray(getattr(ask("xrspatial"), name)(xarray_grid(values, cell_m)), float)


# ---- pysheds: watershed delineation


def pysheds_flow(values, cell_m, routing):
    """Azimuth of the flow (degrees from north, NaN where none) or neighbour, and cells that drain through each cell."""
    views, grids = ask("pysheds.view"), ask("pysheds.grid")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = views.ViewFinder(
            affine=Affine(cell_m, 0.0, 0.0, 0.0, -cell_m, 0.0), shape=values.shape, nodata=np.float64(-9999.0)
        )
        ground = views.Raster(np.where(np.isnan(values), -9999.0, values), viewfinder=frame)
        grid = grids.Grid(viewfinder=frame)
        way = grid.flowdir(ground, routing=routing)
        cells = np.asarray(grid.accumulation(way, routing=routing), float)
    turned = np.degrees(np.asarray(way, float))
    return np.where(np.asarray(way, float) >= 0.0, (90.0 - turned) % 360.0, np.nan), cells
