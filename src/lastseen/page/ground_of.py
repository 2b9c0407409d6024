"""What a plan stands on, read back from its folder: ground, debris outline, probability of area. Kept in memory."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from shapely import MultiPolygon

from lastseen import ground_layers
from lastseen.elevation import open_elevation, read_window, require_inside
from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.outlines import only_areas
from lastseen.place import parse_crs, parse_point
from lastseen.products.contents import read_contents
from lastseen.scenario import Scenario, read_scenario

KEPT = 6  # plans; ground and probability of a large one take 100 MB
_INSET = 0.25  # of a cell: bounds in plan.json are rounded to millimetres


@dataclass(frozen=True)
class Base:
    """What lanes are laid on.

    Attributes
    ----------
    scenario : Scenario
    ground : Grid
    at_m : (x, y) or None
    outline : MultiPolygon
    poa : Grid or None
        None where the debris was given.
    no_go : MultiPolygon or None
    """

    scenario: Scenario
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
    contents = read_contents(Path(folder))
    searched = [one for one, row in contents.layers["debris"].records() if row["searched"]]
    if not searched:
        raise InputError("the plan has no debris outline: make it again")
    try:
        west, south, east, north = (float(one) for one in contents.numbers["grid"]["bounds_m"])
        cell = float(contents.numbers["grid"]["cell_m"])
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(f"the plan {Path(folder).name} cannot be read: make it again") from error
    at = scenario.last_seen
    place = parse_point(at.at, parse_crs(at.crs) if at.crs else None) if at.at else None
    elevation = open_elevation(scenario.elevation, place, scenario.z_unit)
    inset = _INSET * cell
    ground = read_window(elevation, (west + inset, south + inset, east - inset, north - inset))
    layers = ground_layers.read_layers(scenario.ground, ground)
    no_go = layers.of("no_go")
    return Base(
        scenario,
        ground,
        require_inside(elevation, place) if place else None,
        only_areas(searched[0]),
        contents.rasters["poa"].bands[0] if "poa" in contents.rasters else None,
        no_go.outline if no_go else None,
    )
