"""Shapes of a vector file: in map metres, repaired, cut to a window."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from affine import Affine
from pyproj import CRS
from rasterio import features
from shapely import MultiPolygon, box
from shapely.geometry.base import BaseGeometry

from lastseen.errors import InputError
from lastseen.grid import FloatArray, Grid
from lastseen.ground_layers.layers import LayerKind
from lastseen.outlines import only_areas
from lastseen.place import transformer

Box = tuple[float, float, float, float]
PARTS = 4  # a cell is cut into this many parts along each side to measure how much of it is covered
# Half the width that a line or a point stands for, metres; design choices. No-go ground must be drawn as areas.
HALF_WIDTH_M: dict[LayerKind, float] = {
    "trees": 2.0, "water": 1.0, "crevasses": 1.0, "rocks": 1.5, "buildings": 4.0, "roads": 2.0,
}  # fmt: skip


@dataclass(frozen=True)
class VectorFile:
    """A vector file as it lies on disk: the layer that is read, its CRS, and the box around its shapes in it."""

    path: Path
    layer: str
    crs: CRS
    bounds: Box | None
    notes: tuple[str, ...]


def open_vector(path: Path, kind: LayerKind) -> VectorFile | None:
    """Look at a vector file; None where it is not one.

    Raises
    ------
    InputError
        A table without shapes, or no CRS.
    """
    import pyogrio  # noqa: PLC0415  slow to import
    from pyogrio.errors import DataSourceError  # noqa: PLC0415

    try:
        found = pyogrio.list_layers(path)
    except DataSourceError:
        return None
    shaped = [str(name) for name, geometry in found if geometry is not None]
    if not shaped:
        raise InputError(f"{path.name} is a table without shapes: give areas, lines or points for {_words(kind)}")
    notes = (f"{path.name} holds {len(shaped)} layers: the first, '{shaped[0]}', is read",) if len(shaped) > 1 else ()
    info: dict[str, Any] = pyogrio.read_info(path, layer=shaped[0], force_total_bounds=True, force_feature_count=True)
    if info["features"] == 0:
        return VectorFile(path, shaped[0], CRS.from_user_input(info["crs"] or "EPSG:4326"), None, notes)
    if info["crs"] is None:
        raise InputError(f"{path.name} has no CRS: assign the right one (its EPSG code) to the file first")
    bounds = tuple(float(side) for side in info["total_bounds"])
    return VectorFile(path, shaped[0], CRS.from_user_input(info["crs"]), bounds, notes)  # type: ignore[arg-type]


def read_vector(file: VectorFile, grid: Grid, kind: LayerKind) -> tuple[FloatArray, MultiPolygon, tuple[str, ...]]:
    """Share of each cell that the shapes cover, their outline in the window, and what was noticed.

    Raises
    ------
    InputError
        If a shape cannot be moved into the CRS of the elevation model, or no-go ground is not drawn as areas.
    """
    if file.bounds is None:
        return np.zeros(grid.shape), MultiPolygon(), file.notes
    shapes, lost = _shapes(file, grid)
    notes = list(file.notes)
    if lost:
        notes.append(f"{lost} shapes of {file.path.name} are empty and were left out")
    broken = int((~shapely.is_valid(shapes)).sum())
    if broken:
        notes.append(f"{broken} of {len(shapes)} shapes of {file.path.name} crossed themselves and were repaired")
        shapes = shapely.make_valid(shapes)
    areas, thin = _as_areas(shapes, kind, file.path.name)
    window = box(*grid.bounds)
    areas, thin = (only_areas(one.intersection(window)) for one in (areas, thin))
    cover = np.maximum(covered_share(areas, grid), covered_share(thin, grid, all_touched=True))
    outline = areas if thin.is_empty else only_areas(shapely.union_all([areas, thin]))
    return cover, outline, tuple(notes)


def _shapes(file: VectorFile, grid: Grid) -> tuple[Any, int]:
    """All shapes that touch the window, in map metres and without heights; how many were empty."""
    import geopandas  # noqa: PLC0415  slow to import

    back = transformer(grid.crs, file.crs)
    reach = back.transform_bounds(*grid.bounds)
    clip = {"bbox": reach} if np.isfinite(reach).all() else {}
    raw = geopandas.read_file(file.path, layer=file.layer, **clip).geometry.to_numpy()
    kept = np.array([one for one in raw if one is not None and not one.is_empty], dtype=object)
    if kept.size == 0:
        return kept, len(raw)
    moved = shapely.force_2d(kept)
    if file.crs != grid.crs:
        forward = transformer(file.crs, grid.crs)
        moved = shapely.transform(moved, lambda xy: np.column_stack(forward.transform(xy[:, 0], xy[:, 1])))
    if not np.isfinite(shapely.bounds(moved)).all():
        raise InputError(
            f"shapes of {file.path.name} lie outside the area of {grid.crs.name}: check the CRS of the file"
        )
    return moved, len(raw) - kept.size


def _as_areas(shapes: Any, kind: LayerKind, name: str) -> tuple[MultiPolygon, MultiPolygon]:
    """The areas among the shapes, and lines and points widened to what they stand for."""
    parts = [part for one in shapes for part in shapely.get_parts(shapely.get_parts(one))]
    areas = [one for one in parts if one.geom_type == "Polygon"]
    thin: list[BaseGeometry] = [one for one in parts if one.geom_type in ("LineString", "LinearRing", "Point")]
    if thin and kind not in HALF_WIDTH_M:
        raise InputError(f"{name} holds lines or points: draw {_words(kind)} as areas")
    widened = [one.buffer(HALF_WIDTH_M[kind]) for one in thin]
    return only_areas(shapely.union_all(areas)), only_areas(shapely.union_all(widened))


def covered_share(areas: MultiPolygon, grid: Grid, *, all_touched: bool = False) -> FloatArray:
    """Share of each cell inside the areas, to a sixteenth."""
    share = np.zeros(grid.shape)
    if areas.is_empty:
        return share
    west, south, east, north = areas.bounds
    (r0, r1), (c0, c1) = grid.cell_of((west, west), (north, south))[0], grid.cell_of((west, east), (north, north))[1]
    r0, c0 = max(0, int(r0)), max(0, int(c0))
    r1, c1 = min(grid.shape[0], int(r1) + 1), min(grid.shape[1], int(c1) + 1)
    if r1 <= r0 or c1 <= c0:
        return share
    fine = grid.cell_m / PARTS
    corner = Affine(fine, 0.0, grid.west_m + c0 * grid.cell_m, 0.0, -fine, grid.north_m - r0 * grid.cell_m)
    shape = ((r1 - r0) * PARTS, (c1 - c0) * PARTS)
    inside = features.geometry_mask([areas], shape, corner, invert=True, all_touched=all_touched)
    share[r0:r1, c0:c1] = inside.reshape(r1 - r0, PARTS, c1 - c0, PARTS).mean(axis=(1, 3))
    return share


def _words(kind: LayerKind) -> str:
    return "no-go ground" if kind == "no_go" else kind
