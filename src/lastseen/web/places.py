"""Places: elevation models that plans can be made on, and files taken in from somebody else."""

from __future__ import annotations

import hashlib
import math
import re
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import rasterio
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.errors import RasterioError, RasterioIOError
from rasterio.windows import Window

from lastseen.core import (
    WGS84,
    InputError,
    LastseenError,
    NothingFoundError,
    parse_crs,
    parse_point,
    shared_folder,
    transformer,
)
from lastseen.terrain import Elevation, inspect_ground, open_elevation, read_ground, require_inside
from lastseen.web.guard import Limits, Settings

# ---- Taking in an elevation file from somebody else: opened by an allow-list, checked by its header, written anew
# It runs in a worker process. Everything after it reads only the file that is written here.

DRIVERS = ("GTiff", "SRTMHGT")  # one file each, with a CRS in it, no references to other files or hosts
_STRIP_ROWS = 256
_MOST_BYTES = 8  # of one cell
# No files beside the one that was sent, and no virtual file systems: GDAL opens them only by names, and the only name
# it gets is chosen here.
_ENV = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
    "GDAL_PAM_ENABLED": "NO",
}


def import_elevation(sent: str, name: str, folder: str, limits: Limits) -> dict[str, Any]:
    """Read an uploaded raster through the allow-list and write it as a plain GeoTIFF.

    Parameters
    ----------
    sent : str
        The file as it came. It stands alone in a folder that is removed afterwards: what is written goes there first.
    name : str
        What the sender calls it; only letters, digits and dashes of it are kept.
    folder : str
        Where the new file goes, in a folder named after the checksum of what was sent.

    Returns
    -------
    dict
        ``id`` of the new place and ``error``, one of them None.
    """
    try:
        return {"id": _write_copy(Path(sent), name, Path(folder), limits), "error": None}
    except LastseenError as error:
        return {"id": None, "error": str(error)}
    except (RasterioError, OSError, ValueError, MemoryError) as error:
        return {"id": None, "error": f"{clean_name(name)} cannot be read as an elevation raster: {_first_line(error)}"}


def clean_name(name: str) -> str:
    """A file name of letters, digits, dashes and underscores, without folders and without an ending."""
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", Path(name.replace("\\", "/")).name.rsplit(".", 1)[0]).strip("-")
    return stem[:48] or "elevation"


def _write_copy(sent: Path, name: str, folder: Path, limits: Limits) -> str:
    with rasterio.Env(**_ENV), _open_raster(sent) as data:
        _check_header(data, limits)
        with sent.open("rb") as stream:
            place = "up-" + hashlib.file_digest(stream, "sha256").hexdigest()[:12]
        home = folder / place
        target = home / f"{clean_name(name)}.tif"
        if home.is_dir() and any(home.glob("*.tif")):
            return place
        partial = sent.with_name("written.tif")
        _copy_band(data, partial)
        open_elevation((partial,))  # what it says about itself must be usable
        home.mkdir(parents=True, exist_ok=True)
        partial.replace(target)
    return place


def _open_raster(sent: Path) -> Any:
    for driver in DRIVERS:
        try:
            return rasterio.open(sent, driver=driver)
        except RasterioIOError:
            continue
    raise InputError(
        "this is no elevation raster of a kind that is taken in here: send a GeoTIFF or an SRTM tile (.hgt); "
        "other kinds can be named on the command line"
    )


def _check_header(data: Any, limits: Limits) -> None:
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


def _copy_band(data: Any, target: Path) -> None:
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


# ---- Places: elevation models that plans can be made on. Named on the command line, the demo, or dropped on the page

UPLOADS = "elevation"
LOOKED_AT_CELLS = 4000  # side of the ground that is looked at when a place is shown
_ID = re.compile(r"^[a-z0-9-]{1,40}$")


@dataclass(frozen=True, kw_only=True)
class Place:
    """An elevation model that plans can be made on."""

    id: str
    name: str  # for people
    elevation: Elevation
    z_unit: str | None = None  # as it was given on the command line
    demo: bool = False  # whether it is the invented mountain

    @cached_property
    def doubts(self) -> tuple[str, ...]:
        """What is doubtful about its heights, of a large model only around its middle; looked at when first asked."""
        west, south, east, north = self.elevation.bounds_m
        x, y, half = 0.5 * (west + east), 0.5 * (south + north), 0.5 * LOOKED_AT_CELLS * self.elevation.cell_m
        box = (max(west, x - half), max(south, y - half), min(east, x + half), min(north, y + half))
        return inspect_ground(self.elevation, box).notes

    def title_of(self, given: str) -> str:
        """Title of a plan of this place; one of the invented mountain says that it is."""
        if not self.demo or "invented" in given:
            return given
        return f"{given} (invented place)" if given else self.name

    @property
    def files(self) -> tuple[Path, ...]:
        """The rasters."""
        return tuple(sheet.path.resolve() for sheet in self.elevation.sheets)

    @property
    def bounds_deg(self) -> tuple[float, float, float, float]:
        """West, south, east, north."""
        elevation = self.elevation
        west, south, east, north = transformer(elevation.crs, WGS84).transform_bounds(*elevation.bounds_m)
        return west, south, east, north

    def record(self) -> dict[str, Any]:
        """What a page needs to know."""
        west, south, east, north = self.elevation.bounds_m
        return {
            "id": self.id,
            "name": self.name,
            "demo": self.demo,
            "bounds": [round(degrees, 7) for degrees in self.bounds_deg],
            "cell_m": self.elevation.cell_m,
            "width_m": east - west,
            "height_m": north - south,
            "crs": self.elevation.crs.name,
            "files": [path.name for path in self.files],
            "notes": [*self.doubts, *self.elevation.notes],
        }


class Places:
    """All places of a server."""

    def __init__(self, settings: Settings) -> None:
        self._folder = settings.folder / UPLOADS
        self._known: dict[str, Place] = {}
        if settings.elevation:
            elevation = open_elevation(settings.elevation, None, settings.z_unit)
            names = ", ".join(path.stem for path in settings.elevation)
            self._add(Place(id="ground", name=names, elevation=elevation, z_unit=settings.z_unit))
        demo = open_elevation((shared_folder("demo") / "ysterra.tif",))
        self._add(Place(id="ysterra", name="Mount Ysterra (invented place)", elevation=demo, demo=True))
        for file in sorted(self._folder.glob("up-*/*.tif")):
            if _ID.match(file.parent.name) and not file.is_symlink():
                self.add_upload(file.parent.name)

    def all(self) -> list[Place]:
        """Those of the command line first."""
        return list(self._known.values())

    def get(self, place: str) -> Place:
        """One place. Raises NothingFoundError if there is none of that name."""
        found = self._known.get(place)
        if found is None:
            raise NothingFoundError("no place of that name is known here: drop its elevation file on the page again")
        return found

    def add_upload(self, place: str) -> Place | None:
        """Know an upload that lies in the folder; None where it cannot be used any more."""
        file = next(iter(sorted((self._folder / place).glob("*.tif"))), None)
        if file is None:
            return None
        try:
            return self._add(Place(id=place, name=file.stem, elevation=open_elevation((file,))))
        except LastseenError:
            return None

    def find_by_files(self, files: tuple[Path, ...]) -> Place | None:
        """The place that consists of these files."""
        wanted = {path.resolve() for path in files}
        return next((place for place in self._known.values() if set(place.files) == wanted), None)

    def _add(self, place: Place) -> Place:
        self._known[place.id] = place
        return place


def point_record(text: str, crs: str | None, place: Place | None) -> dict[str, Any]:
    """A point as it was understood: in three notations, and its height where a place is given.

    Raises InputError if it cannot be read, or lies outside the place.
    """
    point = parse_point(text, parse_crs(crs) if crs else None)
    record: dict[str, Any] = {"lon": point.lon_deg, "lat": point.lat_deg}
    try:
        record |= point.notations()
    except InputError:  # beyond 84 N or 80 S there is no UTM
        record |= {"lonlat": f"{point.lon_deg:.6f},{point.lat_deg:.6f}", "utm": None, "mgrs": None}
    record |= {"height_m": None, "slope_deg": None}
    if place is None:
        return record
    elevation = open_elevation(place.files, point, place.z_unit)
    x, y = require_inside(elevation, point)
    reach = 3.0 * elevation.cell_m
    ground = read_ground(elevation, (x - reach, y - reach, x + reach, y + reach)).grid
    height = float(ground.sample(x, y))
    c = ground.cell_m
    east, north = (
        (float(ground.sample(x + c * i, y + c * j)) - float(ground.sample(x - c * i, y - c * j))) / (2.0 * c)
        for i, j in ((1, 0), (0, 1))
    )
    return record | {"height_m": _rounded(height), "slope_deg": _rounded(_slope_deg(east, north))}


def _slope_deg(east: float, north: float) -> float:
    return math.degrees(math.atan(math.hypot(east, north)))


def _rounded(value: float) -> float | None:
    return round(value, 1) if math.isfinite(value) else None
