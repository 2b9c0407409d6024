"""Traps that a bare elevation model does not show: trees, rocks, crevasses, water, buildings, road cuts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lastseen.core import BoolArray, keep_areas, percent
from lastseen.terrain import GroundLayer, GroundLayers, LayerKind, read_terrain
from lastseen.traps.ground import Ground, read_fall_line
from lastseen.traps.shapes import Patch, group_patches, outline_patch
from lastseen.traps.slope_breaks import LEAST_ACROSS_M, REACH_M, Found
from lastseen.traps.trap import Consequence, Kind, Trap, build_trap

TRAP_OF: dict[LayerKind, Kind] = {
    "trees": "trees", "rocks": "rocks", "crevasses": "crevasses", "water": "water", "buildings": "building",
    "roads": "road cut",
}  # fmt: skip
GAP_M: dict[Kind, float] = {"trees": 15.0, "rocks": 10.0, "crevasses": 15.0}  # pieces nearer are one; design choice
LEAST_TREES_M2 = 100.0  # a few bushes are no stand; design choice
LEAST_WATER_M2 = 20.0  # less is a puddle, or the end of a creek that is reported with its gully; design choice
ROAD_SLOPE_DEG = 20.0  # below gentler ground than this nothing piles up on a road; design choice
CREEK, CREEK_WIDTH_M = 0.3, 1.0  # a gully with this much water along this share of it is a creek bed; design choice
ALONG = 0.1  # a road that covers this share of a bench runs along it; design choice


def find_layer_traps(ground: Ground, inside: BoolArray, layers: GroundLayers, gullies: Found) -> Found:
    """Traps from ground layers that touch ``inside`` (window shape); water in a gully is reported with it."""
    window = _window(ground)
    slope = read_terrain(ground.light).slope_deg.values
    in_gully = np.zeros(inside.shape, np.bool_)
    for _, patch in gullies:
        in_gully[patch.cells] = True
    found: Found = []
    for layer in layers.layers:
        kind = TRAP_OF.get(layer.kind)
        if kind is None:
            continue
        mask = layer.cells[window]
        if kind in ("trees", "road cut", "rocks"):  # of a wood or a road, what snow can reach; of the rest all of it
            mask = mask & inside
        if kind == "water":
            mask = mask & ~in_gully
        above = np.full(mask.shape, np.nan)
        if kind == "road cut":
            above, *_ = read_fall_line(ground, max(REACH_M, 2.0 * ground.cell_m), 0.0)
            mask &= np.nan_to_num(above) >= ROAD_SLOPE_DEG
        for patch, length_m in group_patches(mask, inside, ground.cell_m, GAP_M.get(kind, 0.0)):
            area_m2 = float(patch.of(layer.cover.values[window]).sum()) * ground.raw.cell_area_m2
            small = {
                "trees": area_m2 < LEAST_TREES_M2, "road cut": length_m < LEAST_ACROSS_M,
                "water": area_m2 < LEAST_WATER_M2,
            }.get(kind, False)  # fmt: skip
            if not small:
                steep = patch.of(above if kind == "road cut" else slope)
                steep_deg = float(np.median(steep[np.isfinite(steep)])) if np.isfinite(steep).any() else 0.0
                found.append(
                    (_trap(ground, layer, kind, patch, length_m=length_m, area_m2=area_m2, steep_deg=steep_deg), patch)
                )
    return found


def _window(ground: Ground) -> tuple[slice, slice]:
    """The window in the whole model."""
    ny, nx = ground.raw.shape
    return slice(ground.first_row, ground.first_row + ny), slice(ground.first_col, ground.first_col + nx)


def _trap(
    ground: Ground, layer: GroundLayer, kind: Kind, patch: Patch, *, length_m: float, area_m2: float, steep_deg: float
) -> Trap:
    """Measure one piece of a layer."""
    cover = area_m2 / (patch.count * ground.raw.cell_area_m2)
    cells = outline_patch(patch, ground.raw)
    drawn = keep_areas(layer.outline.intersection(cells.buffer(0.5 * ground.cell_m)))
    reason = {
        "trees": f"Trees on {area_m2:.0f} m2 that snow can reach, on ground of {steep_deg:.0f} degrees, crowns over "
        f"{percent(cover)} of it.",
        "rocks": f"Rocks over {percent(cover)} of {patch.count * ground.raw.cell_area_m2:.0f} m2 that snow can reach, "
        f"on ground of {steep_deg:.0f} degrees.",
        "crevasses": f"Crevasses over a length of {length_m:.0f} m, {area_m2:.0f} m2 open ground, depth not known.",
        "water": f"Water over {area_m2:.0f} m2, {length_m:.0f} m long.",
        "building": f"Building of {area_m2:.0f} m2 on ground of {steep_deg:.0f} degrees.",
        "road cut": f"Road below a slope of {steep_deg:.0f} degrees, {length_m:.0f} m of it, a flat cut that holds "
        "debris.",
    }[kind]
    return build_trap(
        kind,
        cells if drawn.is_empty else drawn,
        ground.flat_cells(patch),
        reason,
        length_m=length_m,
        width_m=area_m2 / length_m if length_m > 0.0 else float("nan"),
        slope_above_deg=steep_deg if kind == "road cut" else float("nan"),
        cover=min(1.0, cover) if kind in ("trees", "rocks") else float("nan"),
        source=layer.source,
    )


def add_creeks(ground: Ground, gullies: Found, layers: GroundLayers) -> Found:
    """Gullies with water along them are creek beds: somebody can come to lie in the water."""
    water = layers.of("water")
    if water is None:
        return gullies
    cover = water.cover.values[_window(ground)] * ground.raw.cell_area_m2
    return [
        (_creek(trap) if float(patch.of(cover).sum()) >= CREEK * CREEK_WIDTH_M * trap.length_m else trap, patch)
        for trap, patch in gullies
    ]


def _creek(trap: Trap) -> Trap:
    order: tuple[Consequence, ...] = ("burial", "trauma", "water", "no way out")
    consequences = tuple(effect for effect in order if effect == "water" or effect in trap.consequences)
    return replace(trap, consequences=consequences, reason=f"{trap.reason} Water runs in it.")


def add_roads(breaks: Found, roads: Found) -> Found:
    """Benches, banks and flattenings along which a road runs say so."""
    patches = [patch for _, patch in roads]
    return [
        (replace(trap, reason=f"{trap.reason} A road runs along it."), patch)
        if trap.kind in ("bench", "bank", "abrupt flattening") and patch.share_in(patches, 1.0) >= ALONG
        else (trap, patch)
        for trap, patch in breaks
    ]
