"""Find the terrain traps of bare ground, and those that ground layers show, each reported once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lastseen.core import BoolArray, InputError, keep_areas, percent
from lastseen.terrain import GroundLayer, GroundLayers, LayerKind, Terrain, read_terrain
from lastseen.traps.ground import VISIBLE_CELL_M, Ground, prepare_ground, read_fall_line
from lastseen.traps.hollows import find_gullies, find_hollows
from lastseen.traps.shapes import Patch, group_patches, outline_patch
from lastseen.traps.slope_breaks import LEAST_ACROSS_M, REACH_M, Found, find_breaks, find_cliffs
from lastseen.traps.trap import Consequence, Kind, Trap, build_trap, sort_by_weight

NEAR_M = 10.0  # a break this near to a larger trap is its rim; design choice
COVERED = 0.5  # a trap covered this far by a larger kind is part of it; design choice
TROUGH = 4.0  # a hollow this many times as long as wide is a trough; design choice
WALL_TO_DEPTH = 3.0  # a wall in a gully that is not higher than this many depths is its side; design choice


def find_traps(terrain: Terrain, where: BoolArray, layers: GroundLayers | None = None) -> tuple[Trap, ...]:
    """Traps that touch the cells ``where``, numbered by severity.

    Gullies, closed hollows, banks, benches, abrupt flattenings and cliffs are read from the bare ground (metres; NaN is
    no data). Trees, rocks, water, crevasses, buildings and roads are not in it and come from ground layers, on the
    lattice of the terrain, where these are given. A break of slope that is part of a gully, hollow, bank or bench is
    reported once, as the larger thing. Where no trap is found, there can still be one that the cells are too coarse to
    show.

    ``where``, shape (ny, nx), is the ground that snow can reach, already widened by the caller; InputError if it does
    not have the shape of the terrain. `add_person_shares` orders traps by what a carried person meets.
    """
    shape = terrain.elevation.shape
    if where.shape != shape:
        raise InputError(f"cells of shape {where.shape} do not fit a terrain of shape {shape}: give one value per cell")
    if min(shape) < 3 or not where.any():
        return ()
    ground = prepare_ground(terrain, where)
    ny, nx = ground.raw.shape
    if min(ny, nx) < 3:
        return ()
    inside = where[ground.first_row : ground.first_row + ny, ground.first_col : ground.first_col + nx]
    layers = layers or GroundLayers()
    gullies = add_creeks(ground, find_gullies(ground, inside), layers)
    water, roads, others = _split(find_layer_traps(ground, inside, layers, gullies))
    banks, benches, flattenings = find_breaks(ground, inside)
    hollows = _not_part_of(find_hollows(ground, inside), gullies, 0.0, ground.cell_m)
    hollows = [h for h in hollows if not _is_trough(h, banks, ground.cell_m)]
    hollows = _not_part_of(hollows, water, 0.0, ground.cell_m)
    kept = gullies + hollows
    for weaker in (banks, benches, flattenings):
        kept = kept + _not_part_of(weaker, kept, NEAR_M, ground.cell_m)
    kept[: len(gullies)], cliffs = _walled(gullies, find_cliffs(ground, inside))
    kept = add_roads(kept, roads)
    roads = _not_part_of(roads, kept, NEAR_M, ground.cell_m)
    return sort_by_weight(trap for trap, _ in kept + cliffs + water + roads + others)


def _split(added: Found) -> tuple[Found, Found, Found]:
    """Water, roads, and everything else from the ground layers."""
    kinds = ("water", "road cut")
    water, roads = ([pair for pair in added if pair[0].kind == kind] for kind in kinds)
    return water, roads, [pair for pair in added if pair[0].kind not in kinds]


def _is_trough(hollow: tuple[Trap, Patch], banks: Found, cell_m: float) -> bool:
    """Whether a hollow is no more than the level trough behind a bank, which is reported as the bank."""
    trap, patch = hollow
    long = trap.length_m >= TROUGH * trap.width_m
    behind = [bed for bank, bed in banks if long or bank.length_m >= 2.0 * trap.length_m]
    return patch.share_in(behind, NEAR_M / cell_m) >= COVERED


def _walled(gullies: Found, cliffs: Found) -> tuple[Found, Found]:
    """Cliffs that are no more than the walls of a gully are reported as part of it: it can injure as well as bury."""
    walls_of: dict[int, list[float]] = {}
    apart = []
    for cliff, patch in cliffs:
        for k, (gully, bed) in enumerate(gullies):
            if cliff.drop_m <= WALL_TO_DEPTH * gully.depth_m and patch.share_in([bed], 1.5) >= COVERED:
                walls_of.setdefault(k, []).append(cliff.drop_m)
                break
        else:
            apart.append((cliff, patch))
    walled = [
        (_with_walls(gully, max(walls_of[k])) if k in walls_of else gully, bed)
        for k, (gully, bed) in enumerate(gullies)
    ]
    return walled, apart


def _with_walls(gully: Trap, drop_m: float) -> Trap:
    """Return a gully that also injures."""
    order: tuple[Consequence, ...] = ("burial", "trauma", "water", "no way out")
    consequences = tuple(effect for effect in order if effect == "trauma" or effect in gully.consequences)
    return replace(gully, consequences=consequences, reason=f"{gully.reason} It has walls {drop_m:.0f} m high.")


def _not_part_of(candidates: Found, larger: Found, near_m: float, cell_m: float) -> Found:
    """Candidates of which less than ``COVERED`` lies in or near the larger traps."""
    cover = [patch for _, patch in larger]
    return [(trap, patch) for trap, patch in candidates if patch.share_in(cover, near_m / cell_m) < COVERED]


def describe_invisible_traps(cell_m: float, layers: GroundLayers | None = None) -> str | None:
    """Say what cannot be seen at this cell size; None where nothing of use to a person is lost (cells up to 0.5 m)."""
    given = {layer.kind for layer in layers.layers} if layers is not None else set()
    lacking = [kind for kind in ("trees", "rocks", "water", "crevasses") if kind not in given]
    if cell_m > VISIBLE_CELL_M:
        return (
            f"On cells of {cell_m:g} m gullies and banks are invisible, and a wall shows only where it is much higher: "
            "look for them on a finer model, a map or a photograph."
        )
    if cell_m <= 0.5:
        return None
    return (
        f"On cells of {cell_m:g} m gullies and banks narrower than {2.0 * cell_m:g} m cannot be seen. "
        + (f"{_listed(lacking).capitalize()} are not in a bare-ground model." if lacking else "")
    ).strip()


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


# ---- Traps that a bare elevation model does not show: trees, rocks, crevasses, water, buildings, road cuts

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
