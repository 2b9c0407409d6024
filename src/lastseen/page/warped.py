"""Rasters on the lattice of web maps: exactly the cells that are asked for, whatever the file is like."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from rasterio.enums import Resampling
from rasterio.errors import CRSError
from rasterio.vrt import WarpedVRT
from rasterio.warp import transform_bounds

from lastseen.grid import FloatArray

EQUATOR_M = 2.0 * math.pi * 6378137.0
WEB_MAP = "EPSG:3857"
Box = tuple[float, float, float, float]


def read_warped(path: Path, box_m: Box, shape: tuple[int, int], how: str) -> FloatArray | None:
    """Band 1 of a raster in a box of the web map, NaN where nothing is known; None where the file does not reach it.

    Only the cells of the result are held in memory.

    Parameters
    ----------
    path : Path
    box_m : west, south, east, north
        Metres of the web map.
    shape : rows, columns
    how : str
        Name of a resampling of GDAL: nearest, bilinear, cubic_spline, average.
    """
    west, south, east, north = box_m
    rows, cols = shape
    place = Affine((east - west) / cols, 0.0, west, 0.0, (south - north) / rows, north)
    with rasterio.open(path) as data:
        try:
            w, s, e, n = transform_bounds(data.crs, WEB_MAP, *data.bounds)
        except CRSError:
            return None
        if not (w < east and e > west and s < north and n > south):
            return None
        bare = data.nodata is None
        with WarpedVRT(
            data, crs=WEB_MAP, transform=place, width=cols, height=rows, resampling=Resampling[how], dtype="float32",
            add_alpha=bare,
        ) as warped:  # fmt: skip
            band = warped.read(1, masked=not bare)
            values: FloatArray = np.ma.filled(band.astype(np.float64), np.nan)
            if bare:
                values[warped.read(warped.count) == 0] = np.nan
        values = values * data.scales[0] + data.offsets[0]
    return None if np.isnan(values).all() else values


def tile_box(z: int, x: int, y: int) -> Box:
    """The box of a tile, metres of the web map."""
    side, half = EQUATOR_M / 2**z, 0.5 * EQUATOR_M
    return x * side - half, half - (y + 1) * side, (x + 1) * side - half, half - y * side
