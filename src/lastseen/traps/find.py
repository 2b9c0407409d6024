"""Find the terrain traps of a first set on bare ground, each reported once."""

from __future__ import annotations

from dataclasses import replace

from lastseen.core import BoolArray, InputError
from lastseen.terrain import GroundLayers, Terrain
from lastseen.traps.from_layers import add_creeks, add_roads, find_layer_traps
from lastseen.traps.ground import VISIBLE_CELL_M, prepare_ground
from lastseen.traps.hollows import find_gullies, find_hollows
from lastseen.traps.shapes import Patch
from lastseen.traps.slope_breaks import Found, find_breaks, find_cliffs
from lastseen.traps.trap import Consequence, Trap, sort_by_weight

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
