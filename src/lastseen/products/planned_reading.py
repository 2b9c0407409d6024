"""Reading a plan or a drawn search back for a drill: outline, walk, probability of area, and the ground it lies on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry import MultiPolygon

from lastseen.drill.planned import MARGIN_M, MARGIN_SHARE, Planned, PlannedLeg
from lastseen.elevation import open_elevation, read_window
from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.outlines import only_areas, read_outline
from lastseen.place import parse_crs
from lastseen.products.folder import PLAN_PROOF, SEARCH_PROOF
from lastseen.shared_files import shared_folder

if TYPE_CHECKING:
    from lastseen.elevation import Box

GROUND_FILE, POA_FILE = "ground.tif", "poa.tif"
_FLAT_CELL_M = 2.0


def read_planned(folder: Path, *, elevation: Sequence[Path] = (), outline: Path | None = None) -> Planned:
    """A plan or a drawn search from its folder.

    Parameters
    ----------
    folder : Path
        Holds ``plan.json`` and ``plan.gpkg``, or ``search.json`` and ``search.gpkg``.
    elevation : sequence of Path
        The elevation model. Where not given: ``ground.tif`` of the folder, or the files that the plan was made from,
        looked for by name and checksum in the folder, beside it, in the current folder and among the demo data.
    outline : Path, optional
        What is searched; only where the folder does not hold it.

    Raises
    ------
    InputError
        With one sentence that says what is missing and what to do.
    """
    proof = next((one for one in (PLAN_PROOF, SEARCH_PROOF) if (folder / one).is_file()), None)
    if proof is None:
        raise InputError(
            f"{folder} holds no {PLAN_PROOF} and no {SEARCH_PROOF}: name the folder of a plan or of a search"
        )
    layers = folder / proof.replace(".json", ".gpkg")
    try:
        document = json.loads((folder / proof).read_text(encoding="utf-8"))
        crs = parse_crs(document["grid"]["crs"])
        legs = _legs(layers, crs)
        area = read_outline(outline, crs, "debris") if outline else _searched(layers, crs)
        strip, covered = float(document["coverage"]["strip_width_m"]), float(document["coverage"]["fraction"])
        last_seen = document.get("last_seen")
        at = (float(last_seen["x_m"]), float(last_seen["y_m"])) if last_seen else None
        name, flat = str(document["name"] or folder.name), bool(document.get("flat", False))
    except InputError:
        raise
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(f"{folder} is no plan that can be read ({error}): make it again") from error
    west, south, east, north = shapely.total_bounds([area, *(leg.line for leg in legs)]).tolist()
    rim = max(MARGIN_M, MARGIN_SHARE * max(east - west, north - south))  # sheets show more than the outline
    box = (west - rim, south - rim, east + rim, north + rim)
    ground, flat = _ground(folder, document, box, crs, tuple(elevation), flat=flat)
    poa = read_grid(folder / POA_FILE) if (folder / POA_FILE).is_file() else None
    return Planned(name, crs, area, ground, poa, legs, strip, covered, flat, at)


def read_grid(path: Path) -> Grid:
    """The first band of a raster that lastseen wrote.

    Raises
    ------
    InputError
        If it cannot be read, or its cells are not square and north-up.
    """
    import rasterio  # noqa: PLC0415  slow to import

    try:
        with rasterio.open(path) as file:
            values = file.read(1, masked=True).astype(np.float64).filled(np.nan)
            t, crs = file.transform, CRS.from_wkt(file.crs.to_wkt())
    except (OSError, AttributeError, ValueError) as error:
        raise InputError(f"{path} cannot be read as a raster ({error}): make it again") from error
    if t.b or t.d or abs(t.a + t.e) > 1e-6 * t.a:
        raise InputError(f"the cells of {path.name} are not square and north-up: take the file that lastseen wrote")
    return Grid(values, t.c, t.f, t.a, crs)


def _legs(layers: Path, crs: CRS) -> tuple[PlannedLeg, ...]:
    frame = _layer(layers, "route", crs)
    rows = [
        PlannedLeg(
            int(row.searcher),
            int(row.number),
            row.kind,
            int(row.lane) if np.isfinite(float(row.lane)) else None,
            row.geometry,
            float(row.length_m),
            float(row.time_s),
        )
        for row in frame.astype({"lane": "float64"}).itertuples()
    ]
    return tuple(sorted(rows, key=lambda leg: (leg.searcher, leg.number)))


def _searched(layers: Path, crs: CRS) -> MultiPolygon:
    """The outline that the lanes were laid over."""
    import pyogrio  # noqa: PLC0415  slow to import

    if "debris" not in {name for name, _ in pyogrio.list_layers(layers)}:
        raise InputError(f"{layers.name} does not hold the outline that was searched: give it with --outline")
    frame = _layer(layers, "debris", crs)
    return only_areas(shapely.union_all(frame[frame["searched"] == 1].geometry.to_numpy()))


def _layer(path: Path, name: str, crs: CRS) -> Any:
    import pyogrio  # noqa: PLC0415  slow to import

    try:
        return pyogrio.read_dataframe(path, layer=name).to_crs(crs)
    except Exception as error:  # the reader raises its own kinds
        raise InputError(f"{path} holds no layer '{name}' that can be read ({error}): make the plan again") from error


def _ground(
    folder: Path, document: dict[str, Any], box: Box, crs: CRS, given: tuple[Path, ...], *, flat: bool
) -> tuple[Grid, bool]:
    """Heights around a search, and whether they are taken as flat."""
    if not given and (folder / GROUND_FILE).is_file():
        return _kept(folder / GROUND_FILE, box, crs), False
    if not given and flat:
        west, south, east, north = box
        rows, cols = int((north - south) / _FLAT_CELL_M) + 1, int((east - west) / _FLAT_CELL_M) + 1
        return Grid(np.zeros((rows, cols)), west, north, _FLAT_CELL_M, crs), True
    files = given or _found(folder, [one for one in document["inputs"] if one["role"] == "elevation"])
    elevation = open_elevation(files, None, (document.get("scenario") or {}).get("z_unit"))
    if elevation.crs != crs:
        raise InputError(
            f"the elevation model is in {elevation.crs.name}, the plan in {crs.name}: give the one it was made from"
        )
    try:
        return read_window(elevation, box), False
    except ValueError as error:
        raise InputError("the elevation model does not hold the search: give the one it was made from") from error


def _kept(path: Path, box: Box, crs: CRS) -> Grid:
    grid = read_grid(path)
    if grid.crs != crs:
        raise InputError(f"{path} is in {grid.crs.name}, the plan in {crs.name}: give the elevation with --elevation")
    try:
        return grid.window(*box)
    except ValueError as error:
        raise InputError(f"{path} does not hold the search: give the elevation with --elevation") from error


def _found(folder: Path, wanted: Sequence[dict[str, Any]]) -> tuple[Path, ...]:
    """The files a plan was made from, by name and checksum."""
    places = (folder, folder.parent, Path.cwd(), shared_folder("demo"))
    found = []
    for one in wanted:
        match = next((p / one["name"] for p in places if _is_it(p / one["name"], one["sha256"])), None)
        if match is None:
            raise InputError(
                f"{one['name']}, which the plan was made from, lies in none of the folders that were looked in: "
                "name the elevation model with --elevation"
            )
        found.append(match)
    return tuple(found)


def _is_it(path: Path, sha256: str | None) -> bool:
    if not path.is_file():
        return False
    if sha256 is None:
        return True
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest() == sha256
