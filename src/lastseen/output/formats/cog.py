"""Rasters as cloud-optimised GeoTIFF: float32, -9999 where nothing is known, average overviews."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import rasterio.shutil
from rasterio.io import MemoryFile
from rasterio.windows import Window

from lastseen import __version__
from lastseen.core import FloatArray, Progress, map_in_threads
from lastseen.output.result import FULL_CAUTION, Options, Raster, RasterStream, Result

NODATA = -9999.0
_CACHE_MB = 512  # of the raster library, whose own limit is a share of the machine's memory
_PIECES_SHARE = 0.7  # of the time, for the progress


def write(result: Result, folder: Path, _options: Options, progress: Progress) -> None:
    """Write each raster under its name; the same result gives the same bytes."""
    for name, raster in result.rasters.items():
        write_cog(folder / f"{name}.tif", raster)
    if result.stream is not None:
        _write_stream(result.stream, folder, progress)


def write_cog(path: Path, raster: Raster) -> None:
    """Write grids of one lattice as a cloud-optimised GeoTIFF."""
    first, bands, texts, units = raster.bands[0], len(raster.bands), len(raster.descriptions), len(raster.units)
    if not bands == texts == units:
        raise ValueError(f"{bands} bands need as many descriptions ({texts}) and units ({units})")
    with MemoryFile() as memory:
        with memory.open(**_profile(first.shape, first.transform, first.crs, bands)) as data:
            for number, grid in enumerate(raster.bands, start=1):
                data.write(_single(grid.values), number)
        _copy_as_cog(memory.name, path, raster)


def _write_stream(stream: RasterStream, folder: Path, progress: Progress) -> None:
    """Fill plain files piece by piece, never more than a few pieces in memory; then make them cloud-optimised."""
    raw = {name: folder / f".{name}.raw" for name in stream.rasters}
    tiled = {
        "tiled": True, "blockxsize": 512, "blockysize": 512, "compress": "deflate", "zlevel": 1, "bigtiff": "if_safer",
    }  # fmt: skip
    with rasterio.Env(GDAL_CACHEMAX=_CACHE_MB):
        with ExitStack() as stack:
            files = {}
            for name, raster in stream.rasters.items():
                profile = _profile(stream.shape, stream.transform, stream.crs, len(raster.units))
                files[name] = stack.enter_context(rasterio.open(raw[name], "w", **profile, **tiled))
            for name, band, (row, column), values in stream.pieces(lambda at, part: progress(at, _PIECES_SHARE * part)):
                height, width = values.shape
                files[name].write(_single(values), band, window=Window(column, row, width, height))

        def copy(number: int, name: str) -> None:
            progress(f"writing {name}", _PIECES_SHARE + (1.0 - _PIECES_SHARE) * number / len(raw))
            _copy_as_cog(raw[name], folder / f"{name}.tif", stream.rasters[name])
            raw[name].unlink()

        map_in_threads(lambda numbered: copy(*numbered), list(enumerate(raw)))


def _profile(shape: tuple[int, int], transform: Any, crs: Any, count: int) -> dict[str, Any]:
    return {
        "driver": "GTiff", "width": shape[1], "height": shape[0], "count": count, "dtype": "float32",
        "crs": crs.to_wkt(), "transform": transform, "nodata": NODATA,
    }  # fmt: skip


def _single(values: FloatArray) -> Any:
    return np.where(np.isfinite(values), values, NODATA).astype(np.float32)


def _copy_as_cog(source: Path | str, path: Path, raster: Raster) -> None:
    """Copy a float32 GeoTIFF as a cloud-optimised one and say in it what it shows; the source is marked alike."""
    with rasterio.open(source, "r+") as data:
        data.descriptions = raster.descriptions
        data.units = raster.units
        data.update_tags(CAUTION=FULL_CAUTION, SOFTWARE=f"lastseen {__version__}")
    with rasterio.open(source) as data:
        look = {"compress": "DEFLATE", "predictor": "FLOATING_POINT", "blocksize": 512, "bigtiff": "IF_SAFER"}
        rasterio.shutil.copy(data, path, driver="COG", overview_resampling=raster.overviews, **look)
