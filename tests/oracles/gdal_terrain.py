"""Slope and aspect by GDAL's own routine, called in the library that comes with rasterio.

The wheels of rasterio bring libgdal but not its Python bindings, so its C interface is used directly.
"""

import ctypes
from pathlib import Path

import numpy as np
import rasterio


def find_library():
    """The GDAL library beside rasterio, or None where it has another name or lies elsewhere."""
    package = Path(rasterio.__file__).parent
    beside, inside = package.parent / "rasterio.libs", package / ".dylibs"
    places = [(beside, "libgdal*.so*"), (beside, "gdal*.dll"), (inside, "libgdal*.dylib")]
    found = [file for folder, pattern in places for file in sorted(folder.glob(pattern))]
    return found[0] if found else None


def _load():
    path = find_library()
    if path is None:
        return None
    try:
        lib = ctypes.CDLL(str(path))
    except OSError:
        return None
    text, pointer = ctypes.c_char_p, ctypes.c_void_p
    lib.GDALOpen.argtypes, lib.GDALOpen.restype = [text, ctypes.c_int], pointer
    lib.GDALClose.argtypes = [pointer]
    lib.GDALDEMProcessingOptionsNew.argtypes = [ctypes.POINTER(text), pointer]
    lib.GDALDEMProcessingOptionsNew.restype = pointer
    lib.GDALDEMProcessingOptionsFree.argtypes = [pointer]
    lib.GDALDEMProcessing.argtypes = [text, pointer, text, text, pointer, ctypes.POINTER(ctypes.c_int)]
    lib.GDALDEMProcessing.restype = pointer
    lib.GDALAllRegister()
    return lib


LIBRARY = _load()
WHY_NOT = "no GDAL library was found beside rasterio, so its terrain routine cannot be asked"


def _process(source, target, kind, options):
    words = [one.encode() for one in options]
    array = (ctypes.c_char_p * (len(words) + 1))(*words, None)
    chosen = LIBRARY.GDALDEMProcessingOptionsNew(array, None)
    data = LIBRARY.GDALOpen(str(source).encode(), 0)
    if not data or not chosen:
        raise RuntimeError(f"GDAL does not open {source}")
    wrong = ctypes.c_int(0)
    made = LIBRARY.GDALDEMProcessing(str(target).encode(), data, kind.encode(), None, chosen, ctypes.byref(wrong))
    LIBRARY.GDALDEMProcessingOptionsFree(chosen)
    LIBRARY.GDALClose(data)
    if not made:
        raise RuntimeError(f"GDAL does not work out the {kind} of {source}")
    LIBRARY.GDALClose(made)


def _write(folder, values, transform):
    source = Path(folder) / "heights.tif"
    ny, nx = values.shape
    with rasterio.open(
        source, "w", driver="GTiff", height=ny, width=nx, count=1, dtype="float64", crs="EPSG:32632",
        transform=transform, nodata=-9999.0,
    ) as out:  # fmt: skip
        out.write(np.where(np.isnan(values), -9999.0, values), 1)
    return source


def layer(folder, values, transform, kind, options=()):
    """Any layer of the routine, NaN where GDAL gives none."""
    source, target = _write(folder, values, transform), Path(folder) / f"{kind}.tif"
    _process(source, target, kind, options)
    with rasterio.open(target) as data:
        return data.read(1, masked=True).astype(np.float64).filled(np.nan)


def slope_and_aspect(folder, values, transform, *, method="Horn"):
    """Slope and aspect in degrees, NaN where GDAL gives none; ``values`` are metres with NaN for no data.

    GDAL works in float32 inside, so heights should be given about their middle.
    """
    return [layer(folder, values, transform, kind, ["-alg", method]) for kind in ("slope", "aspect")]
