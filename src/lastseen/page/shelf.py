"""Plans in the folder that the user chose: each is a folder that `products.write_plan` wrote.

Beside each lies its scenario, ``<id>.toml``, that the command line reads too. Names from requests are matched against
what lies in the folder; they are never joined to a path.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from lastseen.errors import InputError, NothingFoundError
from lastseen.products.contents import read_numbers
from lastseen.products.folder import PLAN_MARKER

_ID = re.compile(r"^[a-z0-9][a-z0-9-]{0,63}$")
_MOST_TRIES = 10_000
GEOPACKAGE = "plan.gpkg"
WGS84_TEXT = "EPSG:4326"


class Shelf:
    """The plans of one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.folder.mkdir(parents=True, exist_ok=True)

    def all(self) -> list[str]:
        """Names of all plans, the newest first."""
        found = [one for one in self.folder.iterdir() if _is_plan(one)]
        return [one.name for one in sorted(found, key=lambda one: (-one.stat().st_mtime_ns, one.name))]

    def path(self, plan: str) -> Path:
        """The folder of a plan.

        Raises
        ------
        NothingFoundError
            If there is none of that name.
        """
        for one in self.folder.iterdir():
            if one.name == plan and _is_plan(one):
                return one
        raise NothingFoundError("no plan of that name lies in the folder")

    def files(self, plan: str) -> list[dict[str, Any]]:
        """What the plan consists of: names and sizes."""
        return [{"name": one.name, "bytes": one.stat().st_size} for one in _files(self.path(plan))]

    def file(self, plan: str, name: str) -> Path:
        """One file of a plan.

        Raises
        ------
        NothingFoundError
            If there is none of that name.
        """
        for one in _files(self.path(plan)):
            if one.name == name:
                return one
        raise NothingFoundError("the plan has no file of that name")

    def numbers(self, plan: str) -> dict[str, Any]:
        """All numbers of a plan.

        Raises
        ------
        InputError
            If they cannot be read.
        """
        try:
            return read_numbers(self.path(plan))
        except InputError as error:  # its own sentence names a folder of this machine
            raise InputError(f"the plan {plan} cannot be read: make it again") from error

    def scenario(self, plan: str) -> Path:
        """The scenario of a plan.

        Raises
        ------
        NothingFoundError
            If it was not kept: the plan was made elsewhere.
        """
        path = self.folder / f"{self.path(plan).name}.toml"
        if not path.is_file() or path.is_symlink():
            raise NothingFoundError("the scenario of this plan is not kept here: make the plan on this page")
        return path

    def layer(self, plan: str, name: str) -> str:
        """A layer of a plan as GeoJSON text in degrees.

        Raises
        ------
        NothingFoundError
            If the plan has no such layer.
        """
        path = self.path(plan) / GEOPACKAGE
        if not path.is_file():
            raise NothingFoundError("the plan has no layers")
        return _layer(path, path.stat().st_mtime_ns, name)

    def new_id(self, name: str) -> str:
        """Take a name that no plan has: what people call it, and a number. Its scenario file is made, empty."""
        stem = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40].strip("-") or "plan"
        for number in range(1, _MOST_TRIES):
            plan = f"{stem}-{number:02d}"
            if (self.folder / plan).exists():
                continue
            try:
                (self.folder / f"{plan}.toml").touch(exist_ok=False)
            except FileExistsError:
                continue
            return plan
        raise InputError(f"there are too many plans called {stem}: choose another name")

    def drop(self, plan: str) -> None:
        """Remove what an unfinished plan left: its scenario, its outlines, half-written files."""
        if not _ID.match(plan) or _is_plan(self.folder / plan):
            return
        for one in self.folder.glob(f".{plan}.partial-*"):
            shutil.rmtree(one, ignore_errors=True)
        for suffix in (".toml", ".release.geojson", ".debris.geojson"):
            (self.folder / f"{plan}{suffix}").unlink(missing_ok=True)


def _is_plan(path: Path) -> bool:
    return bool(_ID.match(path.name)) and not path.is_symlink() and (path / PLAN_MARKER).is_file()


def _files(folder: Path) -> Iterator[Path]:
    for one in sorted(folder.iterdir()):
        if one.is_file() and not one.is_symlink() and not one.name.startswith("."):
            yield one


@lru_cache(maxsize=64)
def _layer(path: Path, _changed: int, name: str) -> str:
    import geopandas  # noqa: PLC0415  slow to import
    import pyogrio  # noqa: PLC0415  slow to import

    kinds = {str(layer): kind for layer, kind in pyogrio.list_layers(path)}
    if kinds.get(name) is None:
        raise NothingFoundError("the plan has no layer of that name")
    frame = geopandas.read_file(path, layer=name)
    if not len(frame):
        return '{"type": "FeatureCollection", "features": []}'
    return str(frame.to_crs(WGS84_TEXT).to_json(drop_id=True))
