"""Elevation models spoiled in one way each, made from the invented mountain when they are wanted.

A fault says what must come of it: ``refused`` (no heights without --accept-doubtful-heights), ``told`` (a finding of
this kind stands first in the notes) or ``same`` (the lattice and the heights of the clean model). ``any of`` allows the
stronger answer too.
"""

import warnings
from dataclasses import dataclass, field

import numpy as np
import rasterio
from affine import Affine
from rasterio.enums import ColorInterp, Resampling
from rasterio.warp import calculate_default_transform, reproject
from scipy import ndimage

from lastseen.core.machine import shared_folder

CUT = (200, 800, 250, 950)  # rows and columns of the mountain around the bench and the bowl


def moved(t, columns, rows):
    """The transform of a raster whose corner lies some cells off."""
    return Affine(t.a, t.b, t.c + t.a * columns, t.d, t.e, t.f + t.e * rows)


def mountain():
    """Heights and profile of the piece that is spoiled: 600 x 700 cells of 2 m."""
    top, bottom, left, right = CUT
    with rasterio.open(shared_folder("demo") / "ysterra.tif") as data:
        z = data.read(1)[top:bottom, left:right].astype(np.float32)
        t = moved(data.transform, left, top)
        return z, {"driver": "GTiff", "crs": data.crs, "transform": t, "dtype": "float32", "count": 1}


def store(path, values, profile, **more):
    """Write a raster; ``values`` of two or three axes."""
    values = np.asarray(values)
    bands = values if values.ndim == 3 else values[None]
    full = profile | {"height": bands.shape[1], "width": bands.shape[2], "count": bands.shape[0], "dtype": bands.dtype}
    unit, colours = more.pop("unit", None), more.pop("colours", None)
    with rasterio.open(path, "w", **(full | more)) as data:
        data.write(bands)
        if unit:
            data.units = (unit,)
        if colours:
            data.colorinterp = colours
    return path


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One way of spoiling a model."""

    name: str
    make: object  # called with a folder; gives the files
    must: str  # refused, told or same
    kinds: tuple = field(default=())  # of findings, one of which must be there
    cause: int = 0  # of the eight that once went unsaid; 0 is another


def _spoil(change, **more):
    def make(folder):
        z, profile = mountain()
        return [store(folder / "spoiled.tif", change(z.copy()), profile, **more)]

    return make


def _put(cells, value):
    def change(z):
        for r, c in cells:
            z[r, c] = value
        return z

    return _spoil(change)


def _rng_cells(count, seed):
    z, _ = mountain()
    rng = np.random.default_rng(seed)
    return list(zip(rng.integers(3, z.shape[0] - 3, count), rng.integers(3, z.shape[1] - 3, count), strict=True))


def _tiles(step_m, cut, *, axis=1, overlap=0):
    def make(folder):
        z, profile = mountain()
        t = profile["transform"]
        if axis == 1:
            parts = [(z[:, : cut + overlap], t), (z[:, cut:] + step_m, moved(t, cut, 0))]
        else:
            parts = [(z[: cut + overlap], t), (z[cut:] + step_m, moved(t, 0, cut))]
        return [
            store(folder / f"tile{k}.tif", part.astype(np.float32), profile | {"transform": at})
            for k, (part, at) in enumerate(parts)
        ]

    return make


def _warped(z, profile, crs, resampling=Resampling.bilinear, resolution=None):
    """The piece in another CRS."""
    height, width = z.shape
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PendingDeprecationWarning)  # within the library
        box = rasterio.transform.array_bounds(height, width, profile["transform"])
        t, w, h = calculate_default_transform(profile["crs"], crs, width, height, *box, resolution=resolution)
    out = np.full((h, w), np.nan, np.float32)
    reproject(
        z, out, src_transform=profile["transform"], src_crs=profile["crs"], dst_transform=t, dst_crs=crs,
        resampling=resampling, src_nodata=np.nan, dst_nodata=np.nan,
    )  # fmt: skip
    return out, profile | {"crs": crs, "transform": t, "nodata": np.nan}


def _tile_in_other_zone(step_m):
    """The eastern half in the next UTM zone."""

    def make(folder):
        z, profile = mountain()
        east, of_east = _warped(z[:, 330:] + np.float32(step_m), profile
                                | {"transform": moved(profile["transform"], 330, 0)}, "EPSG:32632",
                                resolution=2.0)  # fmt: skip
        return [store(folder / "west.tif", z[:, :350], profile), store(folder / "east.tif", east, of_east)]

    return make


def _in_degrees(change, **more):
    """Spoiled, in degrees: heights reach the work only by warping."""

    def make(folder):
        z, profile = mountain()
        turned, of_turned = _warped(z, profile, "EPSG:4326")
        return [store(folder / "degrees.tif", change(turned), of_turned | more)]

    return make


def _slope_deg(z, cell=2.0):
    north, east = np.gradient(z.astype(float), cell)
    return np.degrees(np.arctan(np.hypot(north, east)))


def _shade(z, cell=2.0):
    north, east = np.gradient(z.astype(float), cell)
    slope, aspect = np.arctan(np.hypot(north, east)), np.arctan2(-east, north)
    sun, high = np.radians(315.0), np.radians(45.0)
    lit = np.sin(high) * np.cos(slope) + np.cos(high) * np.sin(slope) * np.cos(sun - aspect)
    return np.clip(255.0 * lit, 0.0, 255.0)


def _aspect(z):
    north, east = np.gradient(z.astype(float), 2.0)
    return (np.degrees(np.arctan2(-east, north)) % 360.0).astype(np.float32)


def _coarse(z, factor):
    return ndimage.zoom(z, 1.0 / factor, order=1)


def _of_shape(function, factor=1, dtype=np.float32):
    def make(folder):
        z, profile = mountain()
        t = profile["transform"]
        t = Affine(t.a * factor, 0.0, t.c, 0.0, t.e * factor, t.f)
        z = z if factor == 1 else ndimage.uniform_filter(z, factor)[::factor, ::factor]
        return [store(folder / "picture.tif", function(z).astype(dtype), profile | {"transform": t})]

    return make


def trees_on(z, seed=3, cover=0.5):
    """Crowns of 8 to 20 m on some stands of the ground."""
    rng = np.random.default_rng(seed)
    stand = ndimage.gaussian_filter(rng.normal(size=z.shape), 25.0)
    stand = stand > np.quantile(stand, 1.0 - cover)
    tops = rng.random(z.shape) < 0.06
    crowns = ndimage.grey_dilation(np.where(tops & stand, rng.uniform(8.0, 20.0, z.shape), 0.0), size=(3, 3))
    return (z + crowns).astype(np.float32)


def _plateau(size, value=None, seed=5, at=None):
    def change(z):
        rng = np.random.default_rng(seed)
        r, c = at or (int(rng.integers(100, 400)), int(rng.integers(100, 500)))
        z[r : r + size, c : c + size] = z[r, c] if value is None else value
        return z

    return _spoil(change)


def _lowered(change):
    """The mountain lowered to heights around 60 m in the middle, as at the sea."""
    return _spoil(lambda z: change(z - np.float32(z[300, 350] - 60.0)))


def _zeros_low(z):
    for r, c in _rng_cells(25, 8):
        z[r, c] = 0.0
    return z


def _zero_block_low(z):
    z[300:306, 350:360] = 0.0
    return z


def _nodata_patches(value):
    def change(z):
        for r, c in _rng_cells(6, 4):
            z[r : r + 9, c : c + 7] = value
        return z

    return _spoil(change)


def _missing_rows(number):
    return _spoil(lambda z: np.delete(z, slice(300, 300 + number), axis=0))


def _shifted(number):
    def change(z):
        z[250:] = np.roll(z[250:], number, axis=1)
        return z

    return _spoil(change)


def _stretched(factor):
    """Every cell doubled: a coarse model cut into fine cells by nearest neighbour."""

    def make(folder):
        z, profile = mountain()
        small = z[::factor, ::factor]
        return [store(folder / "stretched.tif", np.kron(small, np.ones((factor, factor), np.float32)), profile)]

    return make


def _colours(folder):
    z, profile = mountain()
    shade = _shade(z).astype(np.uint8)
    return [store(folder / "map.tif", np.stack([shade, shade // 2, 255 - shade]), profile,
                  colours=(ColorInterp.red, ColorInterp.green, ColorInterp.blue))]  # fmt: skip


def _step_inside(step_m, rows):
    def change(z):
        z[rows:] += np.float32(step_m)
        return z

    return _spoil(change)


def _same_in_another_form(**more):
    return _spoil(lambda z: z, **more)


def _south_up(folder):
    z, profile = mountain()
    t = profile["transform"]
    t = Affine(t.a, 0.0, t.c, 0.0, -t.e, t.f + t.e * z.shape[0])
    return [store(folder / "south_up.tif", z[::-1], profile | {"transform": t})]


def _declared(value):
    def make(folder):
        z, profile = mountain()
        z[20:40, 30:60] = value
        return [store(folder / "declared.tif", z, profile, nodata=value)]

    return make


def _feet(*, stated):
    def make(folder):
        z, profile = mountain()
        return [store(folder / "feet.tif", z / np.float32(0.3048), profile, unit="ft" if stated else None)]

    return make


def _in_steps(step):
    return _spoil(lambda z: (np.rint(z / step) * step).astype(np.float32))


def _single(r, c, off):
    def change(z):
        z[r, c] += np.float32(off)
        return z

    return _spoil(change)


FAULTS = [
    *(
        Fault(name=f"tile {s:+d} m", make=_tiles(s, 350), must="refused", kinds=("step", "file step"), cause=1)
        for s in (47, 15, -15, 5)
    ),
    Fault(name="tile +47 m below", make=_tiles(47, 300, axis=0), must="refused", kinds=("step", "file step"), cause=1),
    Fault(name="overlapping tile +47 m", make=_tiles(47, 350, overlap=40), must="refused", kinds=("step",), cause=1),
    Fault(name="tile +1 m", make=_tiles(1, 350), must="told", kinds=("step", "file step"), cause=1),
    Fault(
        name="tile in another zone +47 m", make=_tile_in_other_zone(47), must="refused", kinds=("file step",), cause=1
    ),
    Fault(
        name="tile in another zone +15 m", make=_tile_in_other_zone(15), must="refused", kinds=("file step",), cause=1
    ),
    Fault(name="step inside one file", make=_step_inside(15, 300), must="refused", kinds=("step",), cause=1),
    Fault(name="step inside one file, 3 m", make=_step_inside(3, 277), must="refused", kinds=("step",), cause=1),
    Fault(
        name="step in degrees",
        make=_in_degrees(lambda z: np.where(np.arange(z.shape[0])[:, None] > 300, z + 15.0, z).astype(np.float32)),
        must="refused",
        kinds=("step",),
        cause=1,
    ),
    Fault(name="tiles without a step", make=_tiles(0, 350), must="same"),
    Fault(name="tile in another zone", make=_tile_in_other_zone(0), must="near"),
    Fault(
        name="25 zeros", make=_put(_rng_cells(25, 2), 0.0), must="refused", kinds=("sink", "shared extreme"), cause=2
    ),
    Fault(name="1 zero", make=_put(_rng_cells(1, 3), 0.0), must="refused", kinds=("sink",), cause=2),
    Fault(name="zero in a corner", make=_put([(0, 0)], 0.0), must="refused", kinds=("sink",), cause=2),
    Fault(
        name="zeros in pairs",
        make=_put([(100, 100), (100, 101), (400, 300), (401, 300)], 0.0),
        must="refused",
        kinds=("sink", "shared extreme"),
        cause=2,
    ),
    Fault(
        name="patches of zero", make=_nodata_patches(0.0), must="refused", kinds=("shared extreme", "plateau"), cause=2
    ),
    Fault(name="-9999 undeclared", make=_put(_rng_cells(9, 6), -9999.0), must="told", kinds=("impossible",), cause=2),
    Fault(name="32767 undeclared", make=_put(_rng_cells(9, 6), 32767.0), must="told", kinds=("impossible",), cause=2),
    Fault(name="-32768 undeclared", make=_nodata_patches(-32768.0), must="told", kinds=("impossible",), cause=2),
    Fault(
        name="9999 in feet-like heights",
        make=_put(_rng_cells(9, 6), 8888.0),
        must="refused",
        kinds=("spike", "shared extreme"),
        cause=2,
    ),
    Fault(
        name="zeros in degrees",
        make=_in_degrees(lambda z: _at_cells(z, 0.0), nodata=None),
        must="refused",
        kinds=("sink", "shared extreme"),
        cause=2,
    ),
    Fault(
        name="hillshade of bytes",
        make=_of_shape(_shade, dtype=np.uint8),
        must="refused",
        kinds=("no elevation",),
        cause=4,
    ),
    Fault(name="hillshade of decimals", make=_of_shape(_shade), must="refused", kinds=("no elevation",), cause=4),
    Fault(
        name="hillshade 10 m",
        make=_of_shape(lambda z: _shade(z, 10.0), 5),
        must="refused",
        kinds=("no elevation",),
        cause=4,
    ),
    Fault(name="slope map", make=_of_shape(_slope_deg), must="refused", kinds=("no elevation",), cause=4),
    Fault(
        name="slope map 10 m",
        make=_of_shape(lambda z: _slope_deg(z, 10.0), 5),
        must="refused",
        kinds=("no elevation",),
        cause=4,
    ),
    Fault(
        name="slope map of bytes",
        make=_of_shape(_slope_deg, dtype=np.uint8),
        must="refused",
        kinds=("no elevation",),
        cause=4,
    ),
    Fault(name="aspect map", make=_of_shape(_aspect), must="refused", kinds=("no elevation",), cause=4),
    Fault(
        name="curvature",
        make=_of_shape(lambda z: ndimage.laplace(z.astype(float))),
        must="refused",
        kinds=("no elevation",),
        cause=4,
    ),
    Fault(name="colours", make=_colours, must="refused", kinds=("picture",), cause=4),
    Fault(
        name="noise of bytes",
        make=_of_shape(lambda z: np.random.default_rng(1).integers(0, 255, z.shape), dtype=np.uint8),
        must="refused",
        kinds=("no elevation",),
        cause=4,
    ),
    Fault(
        name="mask of 0 and 1",
        make=_of_shape(lambda z: z > np.median(z), dtype=np.uint8),
        must="refused",
        kinds=("no elevation",),
        cause=4,
    ),
    Fault(
        name="one height everywhere",
        make=_of_shape(lambda z: np.full(z.shape, 1000.0)),
        must="told",
        kinds=("flat",),
        cause=4,
    ),
    Fault(name="zeros near 60 m", make=_lowered(_zeros_low), must="refused", kinds=("sink", "shared extreme"), cause=5),
    Fault(
        name="block of zeros near 60 m",
        make=_lowered(_zero_block_low),
        must="refused",
        kinds=("plateau", "shared extreme"),
        cause=5,
    ),
    Fault(name="plateau of 12 cells", make=_plateau(12), must="told", kinds=("plateau",), cause=5),
    Fault(name="plateau of 40 cells", make=_plateau(40), must="told", kinds=("plateau",), cause=5),
    Fault(name="plateau of 1500 m", make=_plateau(8, 1500.0), must="refused", kinds=("plateau",), cause=5),
    Fault(
        name="plateau of 1900 m", make=_plateau(8, 1900.0, at=(500, 500)), must="refused", kinds=("plateau",), cause=5
    ),
    Fault(name="patches of 1700 m", make=_nodata_patches(1700.0), must="refused", kinds=("plateau",), cause=5),
    Fault(name="surface model, half wooded", make=_spoil(trees_on), must="told", kinds=("canopy",), cause=7),
    Fault(
        name="surface model, a tenth wooded",
        make=_spoil(lambda z: trees_on(z, 4, 0.1)),
        must="told",
        kinds=("canopy",),
        cause=7,
    ),
    Fault(
        name="surface model, nine tenths wooded",
        make=_spoil(lambda z: trees_on(z, 5, 0.9)),
        must="told",
        kinds=("canopy",),
        cause=7,
    ),
    Fault(name="feet without a unit", make=_feet(stated=False), must="told", kinds=("steep",)),
    Fault(name="feet with their unit", make=_feet(stated=True), must="near"),
    Fault(name="whole metres", make=_in_steps(1.0), must="told", kinds=("whole",)),
    Fault(name="steps of 5 m", make=_in_steps(5.0), must="told", kinds=("whole",)),
    Fault(name="steps of 0.1 m", make=_in_steps(0.1), must="told", kinds=("whole",)),
    Fault(name="5 rows missing", make=_missing_rows(5), must="told", kinds=("line", "step")),
    Fault(name="1 row missing", make=_missing_rows(1), must="told", kinds=("line", "step")),
    Fault(name="rows shifted by 3", make=_shifted(3), must="told", kinds=("line", "step")),
    Fault(name="rows shifted by 30", make=_shifted(30), must="told", kinds=("line", "step", "sink", "spike")),
    Fault(
        name="row repeated", make=_spoil(lambda z: np.insert(z, 300, z[300], axis=0)), must="told", kinds=("repeated",)
    ),
    Fault(
        name="column repeated",
        make=_spoil(lambda z: np.insert(z, 300, z[:, 300], axis=1)),
        must="told",
        kinds=("repeated",),
    ),
    Fault(name="stretched by 2", make=_stretched(2), must="told", kinds=("repeated",)),
    Fault(name="stretched by 5", make=_stretched(5), must="told", kinds=("repeated",)),
    Fault(name="sink of 12 m", make=_single(250, 333, -12.0), must="told", kinds=("sink",)),
    Fault(name="spike of 30 m", make=_single(250, 333, 30.0), must="told", kinds=("spike",)),
    Fault(name="no heights at all", make=_spoil(lambda z: z * np.float32(np.nan)), must="told", kinds=("empty",)),
    Fault(name="south up", make=_south_up, must="same"),
    Fault(name="as decimals of double length", make=_spoil(lambda z: z.astype(np.float64)), must="same"),
    Fault(name="compressed in tiles", make=_same_in_another_form(tiled=True, compress="deflate"), must="same"),
    Fault(name="declared no data 0", make=_declared(0.0), must="clean"),
    Fault(name="declared no data -9999", make=_declared(-9999.0), must="clean"),
]


def _at_cells(z, value):
    for r, c in _rng_cells(25, 2):
        z[r % z.shape[0], c % z.shape[1]] = value
    return np.where(np.isfinite(z), z, -9999.0).astype(np.float32)
