"""What a plan contains, for all that is handed over: numbers, layers and rasters, from a plan or from its folder.

Every product is made from `Result` alone, so a folder gives the same products as the plan that wrote it. A later
result joins in by adding its own layers, rasters and numbers.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shapely.geometry.base import BaseGeometry

from lastseen.core import Grid, InputError, LastseenError, parse_crs
from lastseen.output.formats.cog import Raster, ground_raster, plan_rasters, read_rasters
from lastseen.output.layers import Layer, empty_layers, layer_from_table, plan_layers
from lastseen.output.numbers import plan_numbers, search_numbers
from lastseen.output.write import PLAN_MARKER, SEARCH_MARKER, put_back

if TYPE_CHECKING:
    from lastseen.jobs import Plan

# What a search over a drawn outline has to say.
SEARCH_LAYERS = ("debris", "lanes", "route", "uncovered", "no_go", "first_lanes")


@dataclass(frozen=True)
class Result:
    """A plan or a search over a drawn outline, ready to be handed over.

    Attributes
    ----------
    numbers : mapping
        As in ``plan.json`` or ``search.json``: plain rounded values.
    layers : mapping of str to Layer
        In map metres of ``crs``; always the same names in the same order, empty ones have no rows.
    rasters : mapping of str to Raster
        By the name of their file without its end. ``ground`` is the elevation in metres, always there, around all that
        is drawn; the others only where a model ran.
    crs : pyproj.CRS
    file_crs : pyproj.CRS or None
        Of the GeoPackage, where it is another one.
    """

    numbers: Mapping[str, Any]
    layers: Mapping[str, Layer]
    rasters: Mapping[str, Raster]
    crs: Any
    file_crs: Any = None

    @property
    def ground(self) -> Grid:
        """Elevation, metres."""
        return self.rasters["ground"].bands[0]

    def records(self, layer: str) -> list[tuple[BaseGeometry, dict[str, Any]]]:
        """Shapes of a layer with their values by column; none where there is no such layer."""
        return self.layers[layer].records() if layer in self.layers else []

    def shapes(self, layer: str) -> tuple[BaseGeometry, ...]:
        """Shapes of a layer; none where there is no such layer."""
        return self.layers[layer].shapes if layer in self.layers else ()

    @property
    def is_plan(self) -> bool:
        """Whether it is a plan, not only a search over a drawn outline."""
        return "scenario" in self.numbers


def result_of_plan(plan: Plan, *, search_only: bool = False, file_crs: Any = None) -> Result:
    """What a plan contains.

    Parameters
    ----------
    plan : Plan
    search_only : bool
        For a search over a drawn outline: only what that says.
    file_crs : pyproj.CRS, optional
        Of the GeoPackage; the plan's own where not given.
    """
    layers = plan_layers(plan)
    if search_only:
        layers = {name: layers[name] if name in SEARCH_LAYERS else empty for name, empty in empty_layers().items()}
    numbers = search_numbers(plan) if search_only else plan_numbers(plan)
    shapes = [shape for layer in layers.values() for shape in layer.shapes]
    rasters = {"ground": ground_raster(plan, shapes), **plan_rasters(plan)}
    crs = plan.terrain.elevation.crs
    return Result(numbers, layers, rasters, crs, None if file_crs == crs else file_crs)


def read_result(folder: Path) -> Result:
    """Read the folder of a plan or of a drawn search back; what is read is what was written.

    Parameters
    ----------
    folder : Path
        Holds ``plan.json`` and ``plan.gpkg``, or ``search.json`` and ``search.gpkg``.

    Raises
    ------
    InputError
        If there is no plan, a file of it is missing, or one cannot be read.
    """
    numbers = read_numbers(folder)
    try:
        crs = parse_crs(numbers["grid"]["crs"])
        layers, file_crs = _read_layers(
            folder / ("plan.gpkg" if (folder / PLAN_MARKER).is_file() else "search.gpkg"), crs
        )
        rasters = read_rasters(folder)
    except (OSError, KeyError, TypeError, ValueError, LastseenError) as error:
        raise InputError(f"{folder} holds no plan that can be read ({error}): make it again") from error
    if "ground" not in rasters:
        raise InputError(f"{folder} holds no ground.tif, an older version wrote it: make the plan again")
    return Result(numbers, layers, rasters, crs, file_crs)


def read_numbers(folder: Path) -> dict[str, Any]:
    """The numbers alone: ``plan.json`` or ``search.json`` of a folder.

    Raises
    ------
    InputError
        If there is neither, or it cannot be read.
    """
    put_back(folder)
    path = next((folder / one for one in (PLAN_MARKER, SEARCH_MARKER) if (folder / one).is_file()), None)
    if path is None:
        raise InputError(
            f"{folder} holds no {PLAN_MARKER} and no {SEARCH_MARKER}: name the folder of a plan or of a search"
        )
    try:
        numbers: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        _ = numbers["grid"]
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(f"{path} is no plan that can be read ({error}): make it again") from error
    return numbers


def _read_layers(path: Path, crs: Any) -> tuple[dict[str, Layer], Any]:
    """Layers in map metres of ``crs``, and the CRS of the file where it is another one."""
    import pyogrio  # noqa: PLC0415  slow to import

    if not path.is_file():
        raise InputError(f"{path.name} is missing")
    there = {str(name) for name in pyogrio.list_layers(path)[:, 0]}
    found, file_crs = empty_layers(), None
    for name, empty in found.items():
        if name in there:
            table = pyogrio.read_dataframe(path, layer=name)
            if not crs.equals(table.crs):
                file_crs = table.crs
                table = table.to_crs(crs)
            found[name] = layer_from_table(empty, table)
    return found, file_crs
