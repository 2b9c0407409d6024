"""A catalogue of small elevation models, and a writer that stores one in every way that files come.

No animal of the zoo is symmetric about an axis of the map, so that a flip or a transpose never goes unseen.
"""

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS, Transformer

from lastseen.core.grid import Grid

UTM = CRS("EPSG:32632")
WEST_M, NORTH_M = 620_000.0, 5_150_000.0  # about 10.6 E 46.5 N


def grid_of(height, shape=(37, 53), cell_m=5.0, crs=UTM, west_m=WEST_M, north_m=NORTH_M):
    """A grid of ``height(x, y)``; x and y in metres from the lower left corner."""
    ny, nx = shape
    x = (np.arange(nx) + 0.5) * cell_m
    y = (np.arange(ny)[::-1] + 0.5) * cell_m
    values = np.broadcast_to(np.asarray(height(x[None, :], y[:, None]), float), shape).copy()
    return Grid(values, west_m, north_m, cell_m, crs)


def turned(x, y, x0, y0, degrees=33.0):
    """Coordinates about a point, turned off the axes of the map."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return c * (x - x0) + s * (y - y0), -s * (x - x0) + c * (y - y0)


def plane_height(slope_deg, downhill_deg, base_m=1500.0):
    """A plane that falls towards an azimuth."""
    g, a = np.tan(np.radians(slope_deg)), np.radians(downhill_deg)
    return lambda x, y: base_m - g * (x * np.sin(a) + y * np.cos(a))


def plane(slope_deg=34.0, downhill_deg=33.0, **kwargs):
    """A plane that falls towards azimuth 33 unless told otherwise."""
    return grid_of(plane_height(slope_deg, downhill_deg), **kwargs)


def cone(**kwargs):
    """A cone of 35 degrees, its tip off the middle and between cells."""
    return grid_of(lambda x, y: 2000.0 - np.tan(np.radians(35.0)) * np.hypot(x - 111.3, y - 77.9), **kwargs)


def sphere(radius_m=500.0, centre=(101.3, 67.1), **kwargs):
    """The top of a sphere."""
    return grid_of(lambda x, y: 1000.0 + np.sqrt(radius_m**2 - (x - centre[0]) ** 2 - (y - centre[1]) ** 2), **kwargs)


def saddle(**kwargs):
    """A pass, turned by 33 degrees and steeper one way than the other."""

    def height(x, y):
        u, v = turned(x, y, 121.7, 88.3)
        return 1800.0 + 0.004 * u**2 - 0.007 * v**2

    return grid_of(height, **kwargs)


def gully(**kwargs):
    """A V-gully that runs down towards azimuth 213, one side steeper than the other."""

    def height(x, y):
        u, v = turned(x, y, 121.7, 88.3)
        return 1700.0 + 0.3 * u + np.where(v > 0, 0.6 * v, -0.45 * v)

    return grid_of(height, **kwargs)


def ridge(**kwargs):
    """A ridge with flanks of 38 and 31 degrees, its crest turned by 33 degrees."""

    def height(x, y):
        u, v = turned(x, y, 121.7, 88.3)
        return 1900.0 - 0.05 * u - np.where(v > 0, np.tan(np.radians(38)) * v, -np.tan(np.radians(31)) * v)

    return grid_of(height, **kwargs)


def hill_height(x, y):
    """Smooth ground without any symmetry, 1400 to 1700 m on the first 300 m."""
    return 1500.0 + 0.45 * x - 0.2 * y + 21.0 * np.sin((x + 0.4 * y) / 61.0) + 13.0 * np.cos((y - 0.3 * x) / 47.0)


def hill(**kwargs):
    """Smooth ground without any symmetry."""
    return grid_of(hill_height, **kwargs)


def with_island(grid):
    """The same ground with a hole of no data off its middle, and a single cell without data."""
    values = grid.values.copy()
    ny, nx = values.shape
    values[ny // 5 : ny // 5 + 4, nx // 3 : nx // 3 + 7] = np.nan
    values[ny // 2 + 3, nx // 2 - 5] = np.nan
    return grid.with_values(values)


ZOO = {
    "plane": plane(),
    "cone": cone(),
    "sphere": sphere(),
    "saddle": saddle(),
    "gully": gully(),
    "ridge": ridge(),
    "hill": hill(),
    "island": with_island(hill()),
    "one_row": hill(shape=(1, 17)),
    "tiny": hill(shape=(3, 3)),
    "flat": grid_of(lambda x, y: 1234.5 + 0.0 * x * y),
}

ORIENTATIONS = ("north_up", "south_up", "mirrored", "turned_half")
NODATA_KINDS = (
    "declared -9999",
    "undeclared -9999",
    "int16 -32768",
    "undeclared int16 -32768",
    "float32 -3.4e38",
    "undeclared float32 -3.4e38",
    "nan",
    "mask band",
)


def write(path, values, transform, crs, *, dtype="float64", nodata=None, unit=None, scale=None, offset=None, mask=None):
    """Store an array as GeoTIFF."""
    options = {"crs": crs} if crs is not None else {}
    with (
        rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True),
        rasterio.open(
            path,
            "w",
            driver="GTiff",
            height=values.shape[0],
            width=values.shape[1],
            count=1,
            dtype=dtype,
            transform=transform,
            nodata=nodata,
            **options,
        ) as out,
    ):
        out.write(values.astype(dtype), 1)
        if unit is not None:
            out.units = (unit,)
        if scale is not None:
            out.scales, out.offsets = (scale,), (offset or 0.0,)
        if mask is not None:
            out.write_mask(mask)
    return path


def store(path, grid, *, orientation="north_up", nodata_kind="nan", crs=None, **options):
    """Store a grid in one orientation and with one kind of no data."""
    flip_x = orientation in {"mirrored", "turned_half"}
    flip_y = orientation in {"south_up", "turned_half"}
    west, south, east, north = grid.bounds
    c = grid.cell_m
    transform = Affine(
        -c if flip_x else c, 0, east if flip_x else west, 0, c if flip_y else -c, south if flip_y else north
    )
    values = grid.values[:: -1 if flip_y else 1, :: -1 if flip_x else 1].copy()
    missing = np.isnan(values)
    kind = nodata_kind
    if kind.endswith("-9999"):
        values[missing] = -9999.0
        options |= {"nodata": -9999.0} if kind.startswith("declared") else {}
    elif kind.endswith("int16 -32768"):
        values = np.where(missing, -32768, np.round(values))
        options |= {"dtype": "int16"} | ({} if kind.startswith("undeclared") else {"nodata": -32768})
    elif kind.endswith("float32 -3.4e38"):
        lowest = float(np.finfo(np.float32).min)
        values[missing] = lowest
        options |= {"dtype": "float32"} | ({} if kind.startswith("undeclared") else {"nodata": lowest})
    elif kind == "nan":
        options |= {"nodata": float("nan")}
    else:
        values[missing] = 777.0
        options |= {"mask": ~missing}
    return write(path, values, transform, crs or grid.crs, **options)


def store_sampled(path, height, crs, transform, shape, *, metric=UTM, unit_m=1.0, **options):
    """Store ``height(x, y)`` of metric map coordinates, sampled at the cells of a file in another CRS or turned."""
    col, row = np.meshgrid(np.arange(shape[1]) + 0.5, np.arange(shape[0]) + 0.5)
    t = transform
    x, y = t.a * col + t.b * row + t.c, t.d * col + t.e * row + t.f
    horizontal = CRS(crs)
    horizontal = (horizontal.sub_crs_list[0] if horizontal.is_compound else horizontal).to_2d()
    if horizontal != metric:
        x, y = Transformer.from_crs(horizontal, metric, always_xy=True, allow_ballpark=False).transform(x, y)
    return write(path, height(x, y) / unit_m, transform, crs, **options)
