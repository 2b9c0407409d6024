"""What a plan stands on, read back from its folder: ground, debris outline, probability of area. Kept in memory."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from pyproj import CRS
from shapely import MultiPolygon

from lastseen import ground_layers
from lastseen.elevation import open_elevation, read_window, require_inside
from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.outlines import only_areas
from lastseen.place import parse_crs, parse_point
from lastseen.scenario import Scenario, read_scenario

KEPT = 6  # plans; ground and probability of a large one take 100 MB
_INSET = 0.25  # of a cell: bounds in plan.json are rounded to millimetres


@dataclass(frozen=True)
class Base:
    """What lanes are laid on.

    Attributes
    ----------
    scenario : Scenario
    numbers : dict
        ``plan.json``.
    ground : Grid
    at_m : (x, y) or None
    outline : MultiPolygon
    poa : Grid or None
        None where the debris was given.
    no_go : MultiPolygon or None
    """

    scenario: Scenario
    numbers: dict[str, Any]
    ground: Grid
    at_m: tuple[float, float] | None
    outline: MultiPolygon
    poa: Grid | None
    no_go: MultiPolygon | None


def base_of(folder: str, scenario: str) -> Base:
    """What a plan stands on.

    Raises
    ------
    InputError
        If the plan or its elevation files cannot be read any more.
    """
    path = Path(folder)
    return _base(folder, scenario, (path / "plan.json").stat().st_mtime_ns)


@lru_cache(maxsize=KEPT)
def _base(folder: str, scenario_file: str, _changed: int) -> Base:
    scenario = read_scenario(Path(scenario_file))
    try:
        numbers = json.loads((Path(folder) / "plan.json").read_text(encoding="utf-8"))
        west, south, east, north = (float(one) for one in numbers["grid"]["bounds_m"])
        cell = float(numbers["grid"]["cell_m"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(f"the plan {Path(folder).name} cannot be read: make it again") from error
    at = scenario.last_seen
    place = parse_point(at.at, parse_crs(at.crs) if at.crs else None) if at.at else None
    elevation = open_elevation(scenario.elevation, place, scenario.z_unit)
    inset = _INSET * cell
    ground = read_window(elevation, (west + inset, south + inset, east - inset, north - inset))
    outline = _searched(Path(folder) / "plan.gpkg")
    layers = ground_layers.read_layers(scenario.ground, ground)
    no_go = layers.of("no_go")
    poa = Path(folder) / "poa.tif"
    return Base(
        scenario,
        numbers,
        ground,
        require_inside(elevation, place) if place else None,
        outline,
        read_grid(poa) if poa.is_file() else None,
        no_go.outline if no_go else None,
    )


def read_grid(path: Path, band: int = 1) -> Grid:
    """A raster of a plan as a grid."""
    with rasterio.open(path) as data:
        values = np.ma.filled(data.read(band, masked=True).astype(np.float64), np.nan)
        t = data.transform
        return Grid(values, t.c, t.f, t.a, CRS.from_wkt(data.crs.to_wkt()))


def _searched(path: Path) -> MultiPolygon:
    """The debris outline that the lanes cover, map metres."""
    import geopandas  # noqa: PLC0415  slow to import

    frame = geopandas.read_file(path, layer="debris")
    found = frame[frame["searched"] == 1].geometry
    if not len(found):
        raise InputError("the plan has no debris outline: make it again")
    return only_areas(found.iloc[0])
