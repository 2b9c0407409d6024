"""Deposition zones: the parts of a deposit, each with the reason why snow stays there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry import MultiPolygon
from skimage.feature import peak_local_max
from skimage.segmentation import watershed

from lastseen.core import FloatArray, IntArray, area_text, cells_of_outline, outline_of_cells, percent
from lastseen.snow.deposit import Debris, Person
from lastseen.terrain import Terrain
from lastseen.traps import Trap

LEAST_ZONE_SHARE = 0.03  # of the outline's area; smaller zones join the neighbour they touch most
PEAK_DISTANCE_M = 25.0  # design choice: thickness maxima nearer than this are one zone
TRAP_SHARE = 0.25  # a zone lies in a trap when this share of its snow does
TOE_SHARE = 0.7  # a zone whose snow lies on average beyond this share of the deposit's length is its toe

_PLACE = {
    "gully": ("gully floor", "the gully's sides hold the snow together"),
    "closed hollow": ("closed hollow", "it has no way out downhill"),
    "abrupt flattening": ("foot of the steep ground", "the slope eases abruptly"),
    "bench": ("bench", "the ground is flat between two steep slopes"),
    "bank": ("behind a bank", "the ground rises against the flow"),
    "cliff": ("foot of a cliff", "snow falls onto it"),
    "trees": ("among trees", "trees hold the snow back"),
    "rocks": ("among rocks", "rocks hold the snow back"),
    "crevasses": ("at crevasses", "snow falls into them"),
    "water": ("on or in water", "the ground is level"),
    "building": ("at a building", "it holds the snow back"),
    "road cut": ("road cut", "the cut is flat below a steep slope"),
}


@dataclass(frozen=True, kw_only=True)
class DepositZone:
    """A part of the deposit."""

    number: int  # from 1, the one with the largest probability of area first
    place: str  # what it is: toe, bench, gully floor,
    outline: MultiPolygon
    reason: str  # one plain sentence with its numbers
    # map area, mean and largest expected thickness, mean slope of the ground
    area_m2: float
    thickness_m: float
    thickest_m: float
    slope_deg: float
    poa: float  # probability that the person lies here


def split_deposit(
    terrain: Terrain, debris: Debris, person: Person, traps: Sequence[Trap], top_m: tuple[float, float]
) -> tuple[DepositZone, ...]:
    """Split a deposit around its thickest places and say why each is there; the toe is farthest from ``top_m``."""
    cells = cells_of_outline(debris.outline, terrain.elevation)
    if cells.size == 0:
        return ()
    labels = _labels(debris, cells)
    x, y = terrain.elevation.centre_of(cells // terrain.elevation.shape[1], cells % terrain.elevation.shape[1])
    away = np.hypot(x - top_m[0], y - top_m[1])
    toe_from = away.min() + TOE_SHARE * (away.max() - away.min())
    snow = debris.thickness_m.values.ravel()[cells] + 1e-12
    zones = []
    for label in np.unique(labels):
        in_zone = labels == label
        is_toe = float(np.average(away[in_zone], weights=snow[in_zone])) >= toe_from
        zones.append(_zone(terrain, debris, person, traps, cells[in_zone], is_toe=is_toe))
    zones.sort(key=lambda zone: -zone.poa)
    return tuple(replace(zone, number=n) for n, zone in enumerate(zones, start=1))


def _labels(debris: Debris, cells: IntArray) -> IntArray:
    """The zone of each cell of the outline: watersheds of thickness, small ones joined."""
    grid = debris.thickness_m
    rows, cols = cells // grid.shape[1], cells % grid.shape[1]
    r0, c0 = int(rows.min()), int(cols.min())
    shape = (int(rows.max()) - r0 + 1, int(cols.max()) - c0 + 1)
    inside = np.zeros(shape, bool)
    inside[rows - r0, cols - c0] = True
    thickness = np.where(inside, grid.values[r0 : r0 + shape[0], c0 : c0 + shape[1]], 0.0)
    least = max(1, round(PEAK_DISTANCE_M / grid.cell_m))
    peaks = peak_local_max(thickness, min_distance=least, labels=inside.astype(int), exclude_border=False)
    markers = np.zeros(shape, np.int32)
    for number, (row, col) in enumerate(peaks, start=1):
        markers[row, col] = number
    if not len(peaks):
        return np.ones(cells.size, np.int32)
    found: IntArray = watershed(-thickness, markers, mask=inside)[rows - r0, cols - c0]
    return _join_small(found, rows, cols, max(1, int(LEAST_ZONE_SHARE * cells.size)))


def _join_small(labels: IntArray, rows: IntArray, cols: IntArray, least: int) -> IntArray:
    """Give each zone below ``least`` cells to its nearest larger one."""
    out = labels.copy()
    sizes = np.bincount(labels)
    large = [n for n in np.unique(labels) if sizes[n] >= least] or [int(np.argmax(sizes))]
    middle = {n: (rows[labels == n].mean(), cols[labels == n].mean()) for n in np.unique(labels)}
    for n in np.unique(labels):
        if n not in large:
            near = min(large, key=lambda m: np.hypot(middle[m][0] - middle[n][0], middle[m][1] - middle[n][1]))
            out[labels == n] = near
    return out


def _zone(
    terrain: Terrain, debris: Debris, person: Person, traps: Sequence[Trap], cells: IntArray, *, is_toe: bool
) -> DepositZone:
    thickness: FloatArray = debris.thickness_m.values.ravel()[cells]
    slope = float(np.nanmean(terrain.slope_deg.values.ravel()[cells]))
    snow = max(float(thickness.sum()), 1e-12)
    in_trap = [(float(thickness[np.isin(cells, trap.cells)].sum()) / snow, trap) for trap in traps]
    share, trap = max(in_trap, key=lambda pair: pair[0], default=(0.0, None))
    if trap is not None and share >= TRAP_SHARE:
        place, why = _PLACE[trap.kind]
        why = f"{why} (trap {trap.letter}{trap.number})"
    elif is_toe:
        place, why = "toe", "the farthest events end here"
    else:
        place, why = "slope", "friction holds the snow on ground this gentle"
    area = cells.size * terrain.elevation.cell_area_m2
    poa = float(person.poa.values.ravel()[cells].sum())
    size = area_text(area, terrain.elevation.cell_m)
    sentence = (
        f"{place[0].upper()}{place[1:]} of {slope:.0f} degrees: {why}; {size}, mean thickness over all events "
        f"{thickness.mean():.1f} m, at most {thickness.max():.1f} m; {percent(poa)} of the probability of area."
    )
    return DepositZone(
        number=0,
        place=place,
        outline=outline_of_cells(cells, terrain.elevation),
        reason=sentence,
        area_m2=area,
        thickness_m=float(thickness.mean()),
        thickest_m=float(thickness.max()),
        slope_deg=slope,
        poa=poa,
    )
