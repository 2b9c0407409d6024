"""Reading ground layers: any vector or raster file in any CRS, onto the lattice of a window."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import shapely
from shapely import MultiPolygon

from lastseen.elevation import Elevation
from lastseen.errors import InputError
from lastseen.grid import FloatArray, Grid
from lastseen.ground_layers.layers import KINDS, MOSTLY, GroundLayer, GroundLayers, LayerKind
from lastseen.ground_layers.rasters import RasterFile, canopy_share, open_raster, read_raster
from lastseen.ground_layers.vectors import VectorFile, open_vector, read_vector
from lastseen.outlines import only_areas, outline_of_cells
from lastseen.place import transformer
from lastseen.scenario import Ground


def check_layers(wanted: Ground, elevation: Elevation) -> None:
    """Refuse ground layers that cannot be used, before any work is done.

    Raises
    ------
    InputError
        Missing, unreadable, without CRS or shapes, or nowhere on the elevation model.
    """
    for kind in KINDS:
        path = getattr(wanted, kind)
        if path is not None:
            _require_overlap(_opened(path, kind), elevation)
    if wanted.surface_model is not None and not wanted.surface_model.exists():
        raise InputError(f"the surface model {wanted.surface_model} does not exist: check the path")


def read_layers(wanted: Ground, ground: Grid) -> GroundLayers:
    """Read all ground layers that were given onto a window.

    Vector files give areas, lines or points; lines and points are widened to what they stand for. Rasters cover a cell
    where their value is above 0; for trees values of 0 to 1 are shares and values to 100 percent of crown cover. A
    surface model adds trees where it stands more than 2 m above the ground.

    Parameters
    ----------
    wanted : Ground
        Paths, from the scenario.
    ground : Grid
        Heights of the window, metres.

    Raises
    ------
    InputError
        See `check_layers`.
    """
    layers: list[GroundLayer] = []
    notes: list[str] = []
    for kind in KINDS:
        path: Path | None = getattr(wanted, kind)
        surface = wanted.surface_model if kind == "trees" else None
        if path is None and surface is None:
            continue
        cover, outline = np.zeros(ground.shape), MultiPolygon()
        if path is not None:
            cover, outline, told = _read(_opened(path, kind), ground, kind)
            notes += told
        if surface is not None:
            share, told = canopy_share(surface, ground)
            cover = np.maximum(cover, share)
            outline = only_areas(shapely.union_all([outline, _outline(share, ground, MOSTLY)]))
            notes += told
        source = ", ".join(one.name for one in (path, surface) if one is not None)
        if not cover.any():
            notes.append(f"no {kind.replace('_', '-')} of {source} on the ground that was worked on")
        layers.append(GroundLayer(kind, ground.with_values(cover), outline, source))
    return GroundLayers(tuple(layers), tuple(notes))


def _opened(path: Path, kind: LayerKind) -> VectorFile | RasterFile:
    if not path.exists():
        raise InputError(f"the file {path} ({kind.replace('_', '-')}) does not exist: check the path")
    file = open_vector(path, kind) or open_raster(path, kind)
    if file is None:
        raise InputError(f"{path.name} is neither a vector file nor a raster that GDAL reads: check the file")
    return file


def _read(
    file: VectorFile | RasterFile, ground: Grid, kind: LayerKind
) -> tuple[FloatArray, MultiPolygon, tuple[str, ...]]:
    if isinstance(file, VectorFile):
        return read_vector(file, ground, kind)
    share = read_raster(file, ground)
    return share, _outline(share, ground, MOSTLY if kind == "trees" else np.finfo(float).tiny), file.notes


def _outline(share: FloatArray, ground: Grid, least: float) -> MultiPolygon:
    return outline_of_cells(np.flatnonzero(share >= least), ground)


def _require_overlap(file: VectorFile | RasterFile, elevation: Elevation) -> None:
    """Refuse a file that lies nowhere on the elevation model; an empty one is told by a note later."""
    if file.bounds is None:
        return
    over = elevation.bounds_m
    found = transformer(file.crs, elevation.crs).transform_bounds(*file.bounds)
    if not all(math.isfinite(side) for side in found):
        found = (math.inf,) * 4
    if found[0] > over[2] or found[2] < over[0] or found[1] > over[3] or found[3] < over[1]:
        raise InputError(
            f"{file.path.name} does not overlap the elevation model: its {file.crs.name} box is "
            f"{', '.join(f'{side:g}' for side in file.bounds)} (west, south, east, north); check its CRS, or leave it "
            "out"
        )
