"""Taking in an elevation file from somebody else: opened by an allow-list, checked by its header, written anew.

It runs in a helper process. Everything after it reads only the file that is written here.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any

import rasterio
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.errors import RasterioError, RasterioIOError
from rasterio.windows import Window

from lastseen.elevation import open_elevation
from lastseen.errors import InputError, LastseenError
from lastseen.page.settings import Limits

DRIVERS = ("GTiff", "SRTMHGT")  # one file each, with a CRS in it, no references to other files or hosts
_STRIP_ROWS = 256
_MOST_BYTES = 8  # of one cell
# No files beside the one that was sent, and no virtual file systems: GDAL opens them only by names, and the only name
# it gets is ours.
_ENV = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
    "GDAL_PAM_ENABLED": "NO",
}


def take_in(sent: str, name: str, folder: str, limits: Limits) -> dict[str, Any]:
    """Read an uploaded raster through the allow-list and write it as a plain GeoTIFF of its own.

    Parameters
    ----------
    sent : str
        The bytes as they came, in a file of ours. It stands alone in a folder that is removed afterwards: what is
        written goes there first.
    name : str
        What the sender calls it; only letters, digits and dashes of it are kept.
    folder : str
        Where the new file goes, in a folder named after the checksum of what was sent.
    limits : Limits

    Returns
    -------
    dict
        ``id`` of the new place and ``error``, one of them None.
    """
    try:
        return {"id": _written(Path(sent), name, Path(folder), limits), "error": None}
    except LastseenError as error:
        return {"id": None, "error": str(error)}
    except (RasterioError, OSError, ValueError, MemoryError) as error:
        return {"id": None, "error": f"{plain_name(name)} cannot be read as an elevation raster: {_first_line(error)}"}


def plain_name(name: str) -> str:
    """A file name of letters, digits, dashes and underscores, without folders and without an ending."""
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", Path(name.replace("\\", "/")).name.rsplit(".", 1)[0]).strip("-")
    return stem[:48] or "elevation"


def _written(sent: Path, name: str, folder: Path, limits: Limits) -> str:
    with rasterio.Env(**_ENV), _opened(sent) as data:
        _check(data, limits)
        with sent.open("rb") as stream:
            place = "up-" + hashlib.file_digest(stream, "sha256").hexdigest()[:12]
        home = folder / place
        target = home / f"{plain_name(name)}.tif"
        if home.is_dir() and any(home.glob("*.tif")):
            return place
        partial = sent.with_name("written.tif")
        _copy(data, partial)
        open_elevation((partial,))  # what it says about itself must be usable
        home.mkdir(parents=True, exist_ok=True)
        partial.replace(target)
    return place


def _opened(sent: Path) -> Any:
    for driver in DRIVERS:
        try:
            return rasterio.open(sent, driver=driver)
        except RasterioIOError:
            continue
    raise InputError(
        "this is no elevation raster of a kind that is taken in here: send a GeoTIFF or an SRTM tile (.hgt); "
        "other kinds can be named on the command line"
    )


def _check(data: Any, limits: Limits) -> None:
    """What the header declares, before any height is read."""
    cells = data.width * data.height
    if data.driver not in DRIVERS:
        raise InputError(f"{data.driver} files are not taken in here: send a GeoTIFF")
    if cells > limits.upload_cells:
        raise InputError(
            f"the raster declares {data.width} x {data.height} cells, more than {limits.upload_cells // 10**6} million:"
            " cut it to the region first, or name it on the command line"
        )
    rows, cols = data.block_shapes[0]
    if rows * cols * _MOST_BYTES > limits.block_bytes:
        raise InputError(f"the raster is stored in blocks of {rows} x {cols} cells: write it with smaller tiles first")
    if data.dtypes[0].startswith("complex"):
        raise InputError("the raster holds complex numbers: heights are plain numbers")
    if data.crs is None:
        raise InputError("the raster has no CRS: assign the right one (its EPSG code) to the file first")
    CRS.from_wkt(data.crs.to_wkt())


def _copy(data: Any, target: Path) -> None:
    """The first band with its CRS, place, unit, scale and no data; nothing else comes along."""
    profile = {
        "driver": "GTiff", "width": data.width, "height": data.height, "count": 1, "dtype": data.dtypes[0],
        "crs": data.crs, "transform": data.transform, "nodata": data.nodata, "tiled": True, "blockxsize": 256,
        "blockysize": 256, "compress": "deflate", "bigtiff": "IF_SAFER",
    }  # fmt: skip
    with rasterio.open(target, "w", **profile) as out:
        for top in range(0, data.height, _STRIP_ROWS):
            window = Window(0, top, data.width, min(_STRIP_ROWS, data.height - top))
            out.write(data.read(1, window=window), 1, window=window)
        out.scales, out.offsets = data.scales[:1], data.offsets[:1]
        steps = [2**k for k in range(1, 12) if max(data.width, data.height) >> k >= 128]
        if steps:
            out.build_overviews(steps, Resampling.average)
        if data.units[0]:
            out.units = (data.units[0],)


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:200]
