"""Rasters as cloud-optimised GeoTIFF: float32, -9999 where nothing is known, average overviews."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import rasterio
import rasterio.shutil
import shapely
from pyproj import CRS
from rasterio.io import MemoryFile
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.core import FloatArray, Grid, LastseenError
from lastseen.output.caution import FULL_CAUTION
from lastseen.terrain import read_window

if TYPE_CHECKING:
    from lastseen.jobs import Model, Plan

NODATA = -9999.0
MARGIN_CELLS = 8
RASTERS = ("ground.tif", "poa.tif", "debris_probability.tif", "debris_thickness.tif", "peak_speed.tif")
FLOW_RASTERS = ("arrival.tif", "burial.tif")  # what single bodies do not know
GROUND_MARGIN = 0.6  # of the longer side of what is drawn: a sheet shows more than the search itself
GROUND_LEAST_MARGIN_M = 250.0


@dataclass(frozen=True)
class Raster:
    """One file of values on one lattice, in single precision; NaN is no data.

    Attributes
    ----------
    bands : tuple of Grid
    descriptions : tuple of str
        One for each band.
    units : tuple of str
        UDUNITS text: ``m``, ``s``, ``m s-1``, ``1``.
    """

    bands: tuple[Grid, ...]
    descriptions: tuple[str, ...]
    units: tuple[str, ...]


def write_cog(
    path: Path,
    bands: Grid | Sequence[Grid],
    descriptions: Sequence[str],
    units: Sequence[str],
    tags: dict[str, str] | None = None,
) -> None:
    """Write one or several grids of one lattice as a cloud-optimised GeoTIFF.

    Parameters
    ----------
    path : Path
    bands : Grid or sequence of Grid
        NaN becomes -9999.
    descriptions, units : sequence of str
        One for each band; units as UDUNITS text (``m``, ``degree``, ``1``).
    tags : dict, optional
        Beside the caution and the version, which are always there.
    """
    grids = [bands] if isinstance(bands, Grid) else list(bands)
    first = grids[0]
    if not len(grids) == len(descriptions) == len(units):
        raise ValueError(f"{len(grids)} bands need as many descriptions ({len(descriptions)}) and units ({len(units)})")
    profile = {
        "driver": "GTiff",
        "width": first.shape[1],
        "height": first.shape[0],
        "count": len(grids),
        "dtype": "float32",
        "crs": first.crs.to_wkt(),
        "transform": first.transform,
        "nodata": NODATA,
    }
    with MemoryFile() as memory:
        with memory.open(**profile) as data:
            for i, grid in enumerate(grids, start=1):
                values = np.where(np.isfinite(grid.values), grid.values, NODATA)
                data.write(values.astype(np.float32), i)
        copy_as_cog(memory.name, path, descriptions, units, tags)


def copy_as_cog(
    source: Path | str,
    path: Path,
    descriptions: Sequence[str],
    units: Sequence[str],
    tags: dict[str, str] | None = None,
    overviews: str = "AVERAGE",
) -> None:
    """Copy a float32 GeoTIFF as a cloud-optimised one and say in it what it shows; the source is marked alike.

    Azimuths and classes have no average: ``overviews`` is NEAREST or MODE for them.
    """
    with rasterio.open(source, "r+") as data:
        data.descriptions = tuple(descriptions)
        data.units = tuple(units)
        data.update_tags(CAUTION=FULL_CAUTION, SOFTWARE=f"lastseen {__version__}", **(tags or {}))
    with rasterio.open(source) as data:
        rasterio.shutil.copy(
            data,
            path,
            driver="COG",
            compress="DEFLATE",
            predictor="FLOATING_POINT",
            blocksize=512,
            overview_resampling=overviews,
            bigtiff="IF_SAFER",
        )


def ground_raster(plan: Plan, shapes: Sequence[BaseGeometry]) -> Raster:
    """The elevation around all that is drawn; the plan's own window where more cannot be read."""
    west, south, east, north = (float(bound) for bound in shapely.total_bounds(np.array(shapes)))
    more = max(GROUND_MARGIN * max(east - west, north - south), GROUND_LEAST_MARGIN_M)
    box = (west - more, south - more, east + more, north + more)
    ground = plan.terrain.elevation
    if plan.elevation.sheets:
        with suppress(LastseenError, ValueError):  # files gone: the plan's window has to do
            ground = read_window(plan.elevation, box)
    return Raster((_single(ground.window(*box)),), ("elevation of the ground",), ("m",))


def plan_rasters(plan: Plan) -> dict[str, Raster]:
    """The rasters of a plan by name, cut to the cells that matter; none where the debris outline was given."""
    model = plan.model
    if model is None:
        return {}
    box = _box(plan, model)
    known = np.isfinite(plan.terrain.elevation.values)
    debris, burial = plan.debris, model.person.burial
    unsure = "" if burial else ", indicative"

    def raster(unit: str, *bands: tuple[Grid, str]) -> Raster:
        """Cut to the window; no data where there is neither ground nor a value."""
        cut = (
            _single(one.with_values(np.where(known | (one.values != 0), one.values, np.nan)).window(*box))
            for one, _ in bands
        )
        return Raster(tuple(cut), tuple(words for _, words in bands), (unit,) * len(bands))

    thickness = (
        (debris.thickness_m, "mean"),
        (debris.thickness_p50_m, "median"),
        (debris.thickness_p90_m, "90th percentile"),
    )
    rasters = {
        "poa": raster("1", (model.person.poa, "probability of area in the cell; sums to 1")),
        "debris_probability": raster("1", (debris.probability, "share of events with debris thicker than 0.1 m")),
        "debris_thickness": raster(
            "m", *((one, f"{what} of debris thickness over all events, vertical{unsure}") for one, what in thickness)
        ),
        "peak_speed": raster(
            "m s-1",
            (model.paths.peak_speed_m_s, "mean over the events that pass of their highest speed"),
            (model.paths.highest_speed_m_s, "highest speed of all events"),
        ),
    }
    if burial is not None:
        lying = "probability of lying in the cell under more than"
        rasters["arrival"] = raster("s", (model.paths.arrival_s, "earliest arrival of the front in any event"))
        rasters["burial"] = raster("1", *((one, f"{lying} {depth:g} m of snow") for depth, one in burial.maps))
    return rasters


def write_rasters(rasters: Mapping[str, Raster], folder: Path) -> tuple[Path, ...]:
    """Write each raster under its name."""
    for name, raster in rasters.items():
        write_cog(folder / f"{name}.tif", raster.bands, raster.descriptions, raster.units)
    return tuple(folder / f"{name}.tif" for name in rasters)


def read_rasters(folder: Path) -> dict[str, Raster]:
    """The rasters of a folder by name, as they were written."""
    names = (*RASTERS, *FLOW_RASTERS)
    return {Path(name).stem: _read_raster(folder / name) for name in names if (folder / name).is_file()}


def _read_raster(path: Path) -> Raster:
    with rasterio.open(path) as data:
        values = data.read().astype(np.float64)
        values[values == data.nodata] = np.nan
        crs, t = CRS.from_user_input(data.crs), data.transform
        bands = tuple(Grid(value, t.c, t.f, t.a, crs) for value in values)
        return Raster(bands, tuple(data.descriptions), tuple(data.units))


def _single(grid: Grid) -> Grid:
    """Values as a file of single precision holds them, so that a folder read back says the same."""
    return grid.with_values(grid.values.astype(np.float32).astype(np.float64))


def _box(plan: Plan, model: Model) -> tuple[float, float, float, float]:
    """The cells where any raster says something, with a margin; all of the probability of area is inside."""
    grids = (model.person.poa, plan.debris.probability, plan.debris.thickness_p90_m, model.paths.highest_speed_m_s)
    some: FloatArray = np.sum([np.nan_to_num(grid.values) > 0 for grid in grids], axis=0)
    rows, cols = np.flatnonzero(some.any(axis=1)), np.flatnonzero(some.any(axis=0))
    grid = plan.terrain.elevation
    x, y = grid.centre_of([rows[0], rows[-1]], [cols[0], cols[-1]])
    more = MARGIN_CELLS * grid.cell_m
    return float(x[0]) - more, float(y[1]) - more, float(x[1]) + more, float(y[0]) + more
