"""Places: elevation models that plans can be made on. Named on the command line, the demo, or dropped on the page."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lastseen.elevation import Elevation, open_elevation, read_window, require_inside
from lastseen.errors import InputError, LastseenError, NothingFoundError
from lastseen.page.settings import Settings
from lastseen.place import WGS84, parse_crs, parse_point, transformer
from lastseen.shared_files import shared_folder

UPLOADS = "elevation"
_ID = re.compile(r"^[a-z0-9-]{1,40}$")


@dataclass(frozen=True)
class Place:
    """An elevation model.

    Attributes
    ----------
    id : str
    name : str
        For people.
    elevation : Elevation
    z_unit : str or None
        As it was given on the command line.
    demo : bool
        Whether it is the invented mountain.
    """

    id: str
    name: str
    elevation: Elevation
    z_unit: str | None = None
    demo: bool = False

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
            "bounds": [round(one, 7) for one in self.bounds_deg],
            "cell_m": self.elevation.cell_m,
            "width_m": east - west,
            "height_m": north - south,
            "crs": self.elevation.crs.name,
            "files": [path.name for path in self.files],
            "notes": list(self.elevation.notes),
        }


class Places:
    """All places of a server."""

    def __init__(self, settings: Settings) -> None:
        self._folder = settings.folder / UPLOADS
        self._known: dict[str, Place] = {}
        if settings.elevation:
            elevation = open_elevation(settings.elevation, None, settings.z_unit)
            names = ", ".join(path.stem for path in settings.elevation)
            self._add(Place("ground", names, elevation, settings.z_unit))
        demo = open_elevation((shared_folder("demo") / "ysterra.tif",))
        self._add(Place("ysterra", "Mount Ysterra (invented place)", demo, demo=True))
        for file in sorted(self._folder.glob("up-*/*.tif")):
            if _ID.match(file.parent.name) and not file.is_symlink():
                self.take(file.parent.name)

    def all(self) -> list[Place]:
        """Those of the command line first."""
        return list(self._known.values())

    def get(self, place: str) -> Place:
        """One place.

        Raises
        ------
        NothingFoundError
            If there is none of that name.
        """
        found = self._known.get(place)
        if found is None:
            raise NothingFoundError("no place of that name is known here: drop its elevation file on the page again")
        return found

    def take(self, place: str) -> Place | None:
        """Know an upload that lies in the folder; None where it cannot be used any more."""
        file = next(iter(sorted((self._folder / place).glob("*.tif"))), None)
        if file is None:
            return None
        try:
            return self._add(Place(place, file.stem, open_elevation((file,))))
        except LastseenError:
            return None

    def of_files(self, files: tuple[Path, ...]) -> Place | None:
        """The place that consists of these files."""
        wanted = {path.resolve() for path in files}
        return next((one for one in self._known.values() if set(one.files) == wanted), None)

    def _add(self, place: Place) -> Place:
        self._known[place.id] = place
        return place


def understood(text: str, crs: str | None, place: Place | None) -> dict[str, Any]:
    """A point as it was understood: in three notations, and its height where a place is given.

    Raises
    ------
    InputError
        If it cannot be read, or lies outside the place.
    """
    point = parse_point(text, parse_crs(crs) if crs else None)
    said: dict[str, Any] = {"lon": point.lon_deg, "lat": point.lat_deg}
    try:
        said |= point.notations()
    except InputError:  # beyond 84 N or 80 S there is no UTM
        said |= {"lonlat": f"{point.lon_deg:.6f},{point.lat_deg:.6f}", "utm": None, "mgrs": None}
    said |= {"height_m": None, "slope_deg": None}
    if place is None:
        return said
    elevation = open_elevation(place.files, point, place.z_unit)
    x, y = require_inside(elevation, point)
    reach = 3.0 * elevation.cell_m
    ground = read_window(elevation, (x - reach, y - reach, x + reach, y + reach))
    height = float(ground.sample(x, y))
    c = ground.cell_m
    east, north = (
        (float(ground.sample(x + c * i, y + c * j)) - float(ground.sample(x - c * i, y - c * j))) / (2.0 * c)
        for i, j in ((1, 0), (0, 1))
    )
    return said | {"height_m": _known(height), "slope_deg": _known(_degrees(east, north))}


def _degrees(east: float, north: float) -> float:
    return math.degrees(math.atan(math.hypot(east, north)))


def _known(value: float) -> float | None:
    return round(value, 1) if math.isfinite(value) else None
