"""Rasters as cloud-optimised GeoTIFF: float32, -9999 where nothing is known, average overviews."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import rasterio
import rasterio.shutil
from rasterio.io import MemoryFile

from lastseen import __version__
from lastseen.grid import FloatArray, Grid
from lastseen.products.caution import FULL_CAUTION

if TYPE_CHECKING:
    from lastseen.plan import Model, Plan

NODATA = -9999.0
MARGIN_CELLS = 8
RASTERS = ("poa.tif", "debris_probability.tif", "debris_thickness.tif", "peak_speed.tif")
FLOW_RASTERS = ("arrival.tif", "burial.tif")  # what single bodies do not know


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


def write_rasters(plan: Plan, folder: Path) -> tuple[Path, ...]:
    """Write the rasters of a plan, cut to the cells that matter; none where the debris outline was given."""
    model = plan.model
    if model is None:
        return ()
    box = _box(plan, model)
    ground = plan.terrain.elevation
    debris = plan.debris

    def cut(grid: Grid) -> Grid:
        """The window; no data where there is neither ground nor a value."""
        return grid.with_values(np.where(np.isnan(ground.values) & (grid.values == 0), np.nan, grid.values)).window(
            *box
        )

    burial = model.person.burial
    unsure = "" if burial else ", indicative"
    paths = [folder / name for name in (*RASTERS, *(FLOW_RASTERS if burial else ()))]
    write_cog(paths[0], cut(model.person.poa), ["probability of area in the cell; sums to 1"], ["1"])
    text = "share of events with debris thicker than 0.1 m"
    write_cog(paths[1], cut(debris.probability), [text], ["1"])
    write_cog(
        paths[2],
        [cut(debris.thickness_m), cut(debris.thickness_p50_m), cut(debris.thickness_p90_m)],
        [
            f"{what} of debris thickness over all events, vertical{unsure}"
            for what in ("mean", "median", "90th percentile")
        ],
        ["m", "m", "m"],
    )
    write_cog(
        paths[3],
        [cut(model.paths.peak_speed_m_s), cut(model.paths.highest_speed_m_s)],
        ["mean over the events that pass of their highest speed", "highest speed of all events"],
        ["m s-1", "m s-1"],
    )
    if burial is not None:
        write_cog(paths[4], cut(model.paths.arrival_s), ["earliest arrival of the front in any event"], ["s"])
        write_cog(
            paths[5],
            [cut(grid) for _, grid in burial.maps],
            [f"probability of lying in the cell under more than {depth:g} m of snow" for depth, _ in burial.maps],
            ["1"] * len(burial.maps),
        )
    return tuple(paths)


def _box(plan: Plan, model: Model) -> tuple[float, float, float, float]:
    """The cells where any raster says something, with a margin; all of the probability of area is inside."""
    grids = (model.person.poa, plan.debris.probability, plan.debris.thickness_p90_m, model.paths.highest_speed_m_s)
    some: FloatArray = np.sum([np.nan_to_num(grid.values) > 0 for grid in grids], axis=0)
    rows, cols = np.flatnonzero(some.any(axis=1)), np.flatnonzero(some.any(axis=0))
    grid = plan.terrain.elevation
    x, y = grid.centre_of([rows[0], rows[-1]], [cols[0], cols[-1]])
    more = MARGIN_CELLS * grid.cell_m
    return float(x[0]) - more, float(y[1]) - more, float(x[1]) + more, float(y[0]) + more
