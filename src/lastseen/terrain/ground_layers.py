"""What stands or lies on the ground and is not in a bare elevation model: trees, water, crevasses, no-go ground."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
import rasterio
import shapely
from affine import Affine
from pyproj import CRS
from rasterio import features
from rasterio.enums import Resampling
from rasterio.errors import RasterioIOError
from rasterio.windows import Window
from shapely import MultiPolygon, box
from shapely.geometry.base import BaseGeometry

from lastseen.core import (
    BoolArray,
    FloatArray,
    Grid,
    Ground,
    InputError,
    ResourceError,
    keep_areas,
    outline_of_cells,
    percent,
    to_lonlat,
    transformer,
)
from lastseen.terrain.elevation import Elevation, applied, open_elevation, read_window

# ---- A ground layer on the lattice of a window: how much of each cell it covers, and its outline

LayerKind = Literal["trees", "water", "crevasses", "rocks", "buildings", "roads", "no_go"]
KINDS: tuple[LayerKind, ...] = get_args(LayerKind)
MOSTLY = 0.5  # trees are a stand where at least this share of the cell lies under crowns; design choice


@dataclass(frozen=True, eq=False, kw_only=True)
class GroundLayer:
    """One kind of thing on the ground."""

    kind: LayerKind
    cover: Grid  # share of each cell that it covers, 0 to 1
    outline: MultiPolygon  # cut to the window, valid, map metres
    source: str  # names of the files it was read from

    @property
    def cells(self) -> BoolArray:
        """Cells that hold it: any part of a cell counts, for trees half of it."""
        least = MOSTLY if self.kind == "trees" else np.finfo(float).tiny
        return np.asarray(self.cover.values >= least)


@dataclass(frozen=True, eq=False, kw_only=True)
class GroundLayers:
    """All ground layers that were given, on one window."""

    layers: tuple[GroundLayer, ...] = ()  # at most one of each kind
    notes: tuple[str, ...] = ()  # plain sentences that the user must see

    def of(self, kind: LayerKind) -> GroundLayer | None:
        """The layer of a kind, or None where none was given."""
        return next((layer for layer in self.layers if layer.kind == kind), None)


# ---- Shares of cells from a raster: a mask, a share, a percentage, or the height of a surface above the ground

Box = tuple[float, float, float, float]
MOST_PARTS = 4  # a cell is looked at in this many places along each side, at most
MOST_CELLS = 100_000_000  # of a raster that are read at once
LOOK = 1024  # cells along each side of the reduced raster that tells what its values mean
LARGEST_SHARE, LEAST_PERCENT, LARGEST_PERCENT = 1.0, 10.0, 100.0
CANOPY_M = 2.0  # what stands higher than this above the ground counts as trees; design choice
# A surface model whose middle lies this far off the ground has another datum or unit; design choice.
PLAUSIBLE_M = (-2.0, 60.0)


@dataclass(frozen=True, kw_only=True)
class RasterFile:
    """A raster as it lies on disk. ``factor`` turns its values into shares; 0 means: any value above 0 is covered."""

    path: Path
    crs: CRS
    transform: Affine
    width: int
    height: int
    factor: float
    notes: tuple[str, ...]

    @property
    def bounds(self) -> Box:
        """Box around it in its own CRS."""
        corners = [applied(self.transform, c, r) for c in (0, self.width) for r in (0, self.height)]
        x, y = zip(*corners, strict=True)
        return min(x), min(y), max(x), max(y)


def open_raster(path: Path, kind: LayerKind) -> RasterFile | None:
    """Look at a raster; None where it is not one.

    InputError if it has no CRS, or values that are neither a mask nor a share nor a percentage of crown cover.
    """
    try:
        with rasterio.open(path) as data:
            if data.crs is None:
                raise InputError(f"{path.name} has no CRS: assign the right one (its EPSG code) to the file first")
            small = (min(LOOK, data.height), min(LOOK, data.width))
            values = data.read(1, out_shape=small, resampling=Resampling.nearest, masked=True)
            crs, transform, width, height = (
                CRS.from_wkt(data.crs.to_wkt()), data.transform, data.width, data.height
            )  # fmt: skip
    except RasterioIOError:
        return None
    highest = float(np.ma.filled(values.astype(np.float64), 0.0).max(initial=0.0))
    factor, notes = (0.0, ()) if kind != "trees" else _crown_factor(path.name, highest)
    return RasterFile(path=path, crs=crs, transform=transform, width=width, height=height, factor=factor, notes=notes)


def _crown_factor(name: str, highest: float) -> tuple[float, tuple[str, ...]]:
    """How values become shares of crown cover, and what must be said about it."""
    if highest <= LARGEST_SHARE:
        return 1.0, ()
    if LEAST_PERCENT < highest <= LARGEST_PERCENT:
        return 0.01, (f"{name} holds values up to {highest:g}: they are read as crown cover in percent",)
    raise InputError(
        f"{name} holds values up to {highest:g}, which are neither a mask or share (0 to 1) nor crown cover in percent "
        "(0 to 100): make one of these, or give areas"
    )


def read_raster(file: RasterFile, grid: Grid) -> FloatArray:
    """Share of each cell that the raster says is covered; no data covers nothing."""
    back = transformer(grid.crs, file.crs)
    reach = back.transform_bounds(*grid.bounds)
    if not all(math.isfinite(side) for side in reach):
        return np.zeros(grid.shape)
    inverse = ~file.transform
    columns, rows = zip(
        *(applied(inverse, x, y) for x in (reach[0], reach[2]) for y in (reach[1], reach[3])), strict=True
    )
    c0, c1 = max(0, math.floor(min(columns)) - 1), min(file.width, math.ceil(max(columns)) + 1)
    r0, r1 = max(0, math.floor(min(rows)) - 1), min(file.height, math.ceil(max(rows)) + 1)
    if c1 <= c0 or r1 <= r0:
        return np.zeros(grid.shape)
    if (c1 - c0) * (r1 - r0) > MOST_CELLS:
        raise ResourceError(f"{file.path.name} is too fine to read over this ground: resample it to 1 m first")
    try:
        with rasterio.open(file.path) as data:
            band = data.read(1, window=Window(c0, r0, c1 - c0, r1 - r0), masked=True)
    except RasterioIOError as error:
        raise InputError(f"{file.path.name} breaks off while it is read: copy the file again ({error})") from error
    values = np.nan_to_num(np.ma.filled(band.astype(np.float64), 0.0))
    shares = (values > 0.0).astype(float) if file.factor == 0.0 else np.clip(values * file.factor, 0.0, 1.0)
    cell = abs(file.transform.determinant) ** 0.5 * (1.0 if file.crs.is_projected else 111_000.0)
    total, parts = np.zeros(grid.shape), _parts(grid.cell_m, cell)
    for x, y in _places(grid, parts):
        at: Any = (x, y) if file.crs == grid.crs else back.transform(x, y)
        col, row = (np.floor(index).astype(np.int64) for index in applied(inverse, *at))
        inside = (col >= c0) & (col < c1) & (row >= r0) & (row < r1)
        total += np.where(inside, shares[np.clip(row - r0, 0, r1 - r0 - 1), np.clip(col - c0, 0, c1 - c0 - 1)], 0.0)
    return total / parts**2


def estimate_canopy_share(surface: Path, ground: Grid) -> tuple[FloatArray, tuple[str, ...]]:
    """Share of each cell on which a surface model stands more than 2 m above the bare ground (metres).

    The surface is any raster of heights that GDAL reads, in any CRS, with its own unit of height. Trees and buildings
    look alike in it: both count as trees, and a note says so. InputError if it lies nowhere on the ground, or so far
    off it that unit or datum of height differ.
    """
    west, south, east, north = ground.bounds
    middle = to_lonlat(0.5 * (west + east), 0.5 * (south + north), ground.crs)
    model = open_elevation([surface], middle)
    forward = transformer(ground.crs, model.crs)
    reach = forward.transform_bounds(*ground.bounds)
    over = model.bounds_m
    if not (reach[0] < over[2] and over[0] < reach[2] and reach[1] < over[3] and over[1] < reach[3]):
        raise InputError(f"{surface.name} does not reach the ground that is worked on: use a surface model that does")
    heights = read_window(model, reach)
    parts = _parts(ground.cell_m, model.cell_m)
    total, known, middle_m = np.zeros(ground.shape), np.zeros(ground.shape, bool), []
    for x, y in _places(ground, parts):
        px, py = (x, y) if model.crs == ground.crs else forward.transform(x, y)
        above = heights.sample(px, py) - ground.sample(x, y)
        known |= np.isfinite(above)
        middle_m.append(float(np.nanmedian(above)) if np.isfinite(above).any() else math.nan)
        total += np.nan_to_num(above) > CANOPY_M
    off = float(np.median(middle_m))
    if not PLAUSIBLE_M[0] <= off <= PLAUSIBLE_M[1]:
        raise InputError(
            f"{surface.name} lies {off:.0f} m above the ground in the middle: its unit or datum of height is not that "
            "of the elevation model, or it does not cover this ground"
        )
    notes = [f"what {surface.name} shows more than {CANOPY_M:g} m above the ground counts as trees, buildings too"]
    if (missing := 1.0 - known[np.isfinite(ground.values)].mean()) > 0.0:
        notes.append(f"{surface.name} does not cover {percent(missing)} of the ground: no trees are known there")
    return total / parts**2, tuple(notes)


def _parts(cell_m: float, source_m: float) -> int:
    """Places looked at along each side of a cell."""
    return int(np.clip(math.ceil(cell_m / source_m - 0.3), 1, MOST_PARTS))


def _places(grid: Grid, parts: int) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Map coordinates of one place in each cell after the other."""
    rows, cols = np.indices(grid.shape)
    x, y = grid.centre_of(rows, cols)
    shifts = ((np.arange(parts) + 0.5) / parts - 0.5) * grid.cell_m
    for dx in shifts:
        for dy in shifts:
            yield x + dx, y + dy


# ---- Shapes of a vector file: in map metres, repaired, cut to a window

PARTS = 4  # a cell is cut into this many parts along each side to measure how much of it is covered
# Half the width that a line or a point stands for, metres; design choices. No-go ground must be drawn as areas.
HALF_WIDTH_M: dict[LayerKind, float] = {
    "trees": 2.0, "water": 1.0, "crevasses": 1.0, "rocks": 1.5, "buildings": 4.0, "roads": 2.0,
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class VectorFile:
    """A vector file as it lies on disk: the layer that is read, its CRS, and the box around its shapes in it."""

    path: Path
    layer: str
    crs: CRS
    bounds: Box | None
    notes: tuple[str, ...]


def open_vector(path: Path, kind: LayerKind) -> VectorFile | None:
    """Look at a vector file; None where it is not one, InputError for a table without shapes or no CRS."""
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
        return VectorFile(
            path=path, layer=shaped[0], crs=CRS.from_user_input(info["crs"] or "EPSG:4326"), bounds=None, notes=notes
        )
    if info["crs"] is None:
        raise InputError(f"{path.name} has no CRS: assign the right one (its EPSG code) to the file first")
    bounds = tuple(float(side) for side in info["total_bounds"])
    return VectorFile(path=path, layer=shaped[0], crs=CRS.from_user_input(info["crs"]), bounds=bounds, notes=notes)  # type: ignore[arg-type]


def read_vector(file: VectorFile, grid: Grid, kind: LayerKind) -> tuple[FloatArray, MultiPolygon, tuple[str, ...]]:
    """Share of each cell that the shapes cover, their outline in the window, and what was noticed.

    InputError if a shape cannot be moved into the CRS of the elevation model, or no-go ground is not drawn as areas.
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
    areas, thin = (keep_areas(part.intersection(window)) for part in (areas, thin))
    cover = np.maximum(covered_share(areas, grid), covered_share(thin, grid, all_touched=True))
    outline = areas if thin.is_empty else keep_areas(shapely.union_all([areas, thin]))
    return cover, outline, tuple(notes)


def _shapes(file: VectorFile, grid: Grid) -> tuple[Any, int]:
    """All shapes that touch the window, in map metres and without heights; how many were empty."""
    import geopandas  # noqa: PLC0415  slow to import

    back = transformer(grid.crs, file.crs)
    reach = back.transform_bounds(*grid.bounds)
    clip = {"bbox": reach} if np.isfinite(reach).all() else {}
    raw = geopandas.read_file(file.path, layer=file.layer, **clip).geometry.to_numpy()
    kept = np.array([geometry for geometry in raw if geometry is not None and not geometry.is_empty], dtype=object)
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
    parts = [part for shape in shapes for part in shapely.get_parts(shapely.get_parts(shape))]
    areas = [part for part in parts if part.geom_type == "Polygon"]
    thin: list[BaseGeometry] = [part for part in parts if part.geom_type in ("LineString", "LinearRing", "Point")]
    if thin and kind not in HALF_WIDTH_M:
        raise InputError(f"{name} holds lines or points: draw {_words(kind)} as areas")
    widened = [line.buffer(HALF_WIDTH_M[kind]) for line in thin]
    return keep_areas(shapely.union_all(areas)), keep_areas(shapely.union_all(widened))


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


# ---- Reading ground layers: any vector or raster file in any CRS, onto the lattice of a window


def check_layers(wanted: Ground, elevation: Elevation) -> None:
    """Refuse ground layers that cannot be used, before any work is done.

    InputError: missing, unreadable, without CRS or shapes, or nowhere on the elevation model.
    """
    for kind in KINDS:
        path = getattr(wanted, kind)
        if path is not None:
            _require_overlap(_opened(path, kind), elevation)
    if wanted.surface_model is not None and not wanted.surface_model.exists():
        raise InputError(f"the surface model {wanted.surface_model} does not exist: check the path")


def read_layers(wanted: Ground, ground: Grid) -> GroundLayers:
    """Read all ground layers of a scenario that were given onto a window of heights (metres).

    Vector files give areas, lines or points; lines and points are widened to what they stand for. Rasters cover a cell
    where their value is above 0; for trees values of 0 to 1 are shares and values to 100 percent of crown cover. A
    surface model adds trees where it stands more than 2 m above the ground. Errors as in `check_layers`.
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
            cover, outline, more = _read(_opened(path, kind), ground, kind)
            notes += more
        if surface is not None:
            share, more = estimate_canopy_share(surface, ground)
            cover = np.maximum(cover, share)
            outline = keep_areas(shapely.union_all([outline, _outline(share, ground, MOSTLY)]))
            notes += more
        source = ", ".join(file.name for file in (path, surface) if file is not None)
        if not cover.any():
            notes.append(f"no {kind.replace('_', '-')} of {source} on the ground that was worked on")
        layers.append(GroundLayer(kind=kind, cover=ground.with_values(cover), outline=outline, source=source))
    return GroundLayers(layers=tuple(layers), notes=tuple(notes))


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
    """Refuse a file that lies nowhere on the elevation model; an empty one becomes a note later."""
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
