"""A terrain trap, its weight and its order."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from shapely import MultiPolygon, Polygon

from lastseen.core import Grid, InputError, IntArray, percent

Kind = Literal[
    "gully", "closed hollow", "abrupt flattening", "bench", "bank", "cliff",
    "trees", "rocks", "crevasses", "water", "building", "road cut",
]  # fmt: skip
Consequence = Literal["burial", "trauma", "water", "no way out"]

LETTERS: dict[Kind, str] = {
    "gully": "G",
    "closed hollow": "H",
    "abrupt flattening": "F",
    "bench": "B",
    "bank": "K",
    "cliff": "C",
    "trees": "T",
    "rocks": "R",
    "crevasses": "V",
    "water": "W",
    "building": "U",
    "road cut": "X",
}
# Kinds of harm by kind of ground, as the glossaries of avalanche centres name them (read 2026); buildings: common
# practice, no source.
CONSEQUENCES: dict[Kind, tuple[Consequence, ...]] = {
    "gully": ("burial", "no way out"),
    "closed hollow": ("burial",),
    "abrupt flattening": ("burial",),
    "bench": ("burial",),
    "bank": ("burial",),
    "cliff": ("trauma",),
    "trees": ("trauma",),
    "rocks": ("trauma",),
    "crevasses": ("burial", "trauma", "no way out"),
    "water": ("water", "burial"),
    "building": ("trauma", "burial"),
    "road cut": ("burial",),
}
# The measure at which a trap of its kind counts as fully severe (severity 1). Design choices, no source.
FULL_SEVERITY: dict[Kind, tuple[str, float]] = {
    "gully": ("depth_m", 8.0),
    "closed hollow": ("depth_m", 4.0),
    "abrupt flattening": ("change of slope in degrees", 45.0),
    "bench": ("width_m along the fall line", 50.0),
    "bank": ("drop_m", 4.0),
    "cliff": ("drop_m", 25.0),
    "trees": ("crown cover", 1.0),
    "rocks": ("share of the ground", 1.0),
    "crevasses": ("always", 1.0),
    "water": ("always", 1.0),
    "building": ("half, always", 2.0),
    "road cut": ("slope above in degrees", 60.0),
}
BARE_GROUND = "bare ground"
LEAST_SEVERITY = 0.1  # the smallest trap that is reported still counts; design choice
LEAST_POA = 1e-6  # of a trap in which nobody stops
LEAST_PART_SHARE = 0.005  # a part of a trap in which fewer stop is not named
UNVISITED = 0.05  # keeps traps in the order of their severity where nobody came by; design choice
WEIGHT_FORMULA = (
    "weight = severity x (person_ends + 0.5 person_passes + 0.05); severity = the trap's measure / its full value, "
    "between 0.1 and 1 (gully 8 m deep, hollow 4 m deep, flattening by 45 degrees, bench 50 m along the fall line, "
    "bank 4 m, cliff 25 m, trees and rocks by the share of ground they cover, road cut 60 degrees above, crevasses and "
    "water always 1, buildings always 0.5)"
)


@dataclass(frozen=True, kw_only=True)
class Part:
    """A stretch of a long trap, from its upper end."""

    # along the trap
    from_m: float
    to_m: float
    # shares of carried persons, as in `Trap`
    person_passes: float = 0.0
    person_ends: float = 0.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Trap:
    """Ground that makes being caught worse: where it is, why, and how a carried person meets it."""

    number: int = 0  # 1, 2, ... in the order of weight, largest first.
    letter: str  # see ``LETTERS``
    kind: Kind
    consequences: tuple[Consequence, ...]  # what it does to a carried person
    outline: Polygon | MultiPolygon  # valid, map metres
    cells: IntArray  # flat indices of its cells on the lattice of the elevation model
    reason: str  # one plain sentence with the measured numbers
    # gully: below its lower lip, median along its bed (upper quartile where under 8 cells wide). Hollow: below its rim.
    # NaN for other kinds.
    depth_m: float = math.nan
    drop_m: float = (
        math.nan
    )  # height of a cliff, or of the rise against which a bank stops the flow; NaN for other kinds
    # gully: between its lips. Hollow: across. Flattening, bench, bank, cliff: along the fall line, on the map.
    width_m: float = math.nan
    length_m: float = math.nan  # gully, hollow: along. Flattening, bench, bank, cliff: across the fall line.
    # slope_above_deg, slope_below_deg: mean slope up and down the fall line; NaN where it has no meaning
    slope_above_deg: float = math.nan
    slope_below_deg: float = math.nan
    # person_passes, person_ends: shares 0 to 1 of carried persons who enter it and who stop in it. 0 until
    # `add_person_shares` has filled them.
    person_passes: float = 0.0
    person_ends: float = 0.0
    weight: float = 0.0  # see ``WEIGHT_FORMULA``
    # depth to which debris that lies 0.5 m thick over 20 m of open slope piles up here; NaN where the kind has no such
    # geometry. At most the depth of the trap.
    pile_up_m: float = math.nan
    cover: float = math.nan  # trees, rocks: share of its ground that they cover, 0 to 1; NaN for other kinds
    # expected thickness of debris where persons stop in it, mean over all events; NaN until `add_burial_depth` has
    # filled it and where nobody stops
    burial_m: float = math.nan
    source: str = BARE_GROUND  # what it was read from
    parts: tuple[Part, ...] = ()  # stretches of a long gully, from its upper end; empty for a short trap
    # which of them each of ``cells`` lies in; empty for a short trap
    part_of_cell: IntArray = field(default_factory=lambda: np.empty(0, np.int32))


def build_trap(kind: Kind, outline: Polygon | MultiPolygon, cells: IntArray, reason: str, **measures: Any) -> Trap:
    """Return a trap that no person has met yet, weighed by its severity alone; ``measures`` are fields of `Trap`."""
    trap = Trap(
        letter=LETTERS[kind],
        kind=kind,
        consequences=CONSEQUENCES[kind],
        outline=outline,
        cells=cells,
        reason=reason,
        **measures,
    )
    return replace(trap, weight=weigh_trap(trap))


def severity(trap: Trap) -> float:
    """How bad the trap is by its own measure, 0.1 to 1, see ``FULL_SEVERITY``."""
    return float(np.clip(_against_full(trap), LEAST_SEVERITY, 1.0))


def _against_full(trap: Trap) -> float:
    """The trap's measure against that of a fully severe one."""
    measure = {
        "gully": trap.depth_m,
        "closed hollow": trap.depth_m,
        "abrupt flattening": trap.slope_above_deg - trap.slope_below_deg,
        "bench": trap.width_m,
        "bank": trap.drop_m,
        "cliff": trap.drop_m,
        "trees": trap.cover,
        "rocks": trap.cover,
        "crevasses": 1.0,
        "water": 1.0,
        "building": 1.0,
        "road cut": trap.slope_above_deg,
    }[trap.kind]
    return float(measure / FULL_SEVERITY[trap.kind][1])


def weigh_trap(trap: Trap) -> float:
    """``severity x (person_ends + 0.5 person_passes + 0.05)``; a design choice, without source."""
    return severity(trap) * (trap.person_ends + 0.5 * trap.person_passes + UNVISITED)


def sort_by_weight(traps: Iterable[Trap]) -> tuple[Trap, ...]:
    """Return the traps numbered from 1 by weight, largest first; of equal weights the larger measure, kind, place."""
    ranked = sorted(traps, key=lambda t: (-t.weight, -round(_against_full(t), 6), t.letter, int(t.cells[0])))
    return tuple(replace(trap, number=number) for number, trap in enumerate(ranked, start=1))


def add_person_shares(
    traps: tuple[Trap, ...],
    visited_cells: IntArray,
    index_of_visit: IntArray,
    last_cell: IntArray,
    n_persons: int,
    shape: tuple[int, int],
    *,
    least_share: float = 0.0,
) -> tuple[Trap, ...]:
    """Fill in how many carried persons enter each trap and stop in it, and order the traps by ``WEIGHT_FORMULA``.

    Parameters
    ----------
    visited_cells, index_of_visit : ndarray of int, shape (n_visits,)
        Flat index of each cell that a person entered (negative is off the model), and which person, from 0.
    last_cell : ndarray of int, shape (n_persons,)
        Where each person stopped; -1 where it left the model.
    shape : tuple of int
        Rows and columns of the elevation model.
    least_share : float
        Traps that a smaller share than this passes or ends in are left out. 0 keeps all.

    Raises
    ------
    InputError
        If the arrays do not fit each other, the number of persons (at least 1) or the shape.
    """
    visits, persons, last = (np.asarray(a).ravel() for a in (visited_cells, index_of_visit, last_cell))
    size = shape[0] * shape[1]
    _check_visits(visits, persons, last, n_persons, size)
    if visits.min(initial=0) < 0:
        on_map = visits >= 0
        visits, persons = visits[on_map], persons[on_map]
    ended = last[last >= 0]
    inside = np.zeros(size, dtype=np.bool_)
    met = []
    for trap in traps:
        inside[trap.cells] = True
        seen = np.zeros(n_persons, dtype=np.bool_)
        seen[persons[inside[visits]]] = True
        seen[np.flatnonzero(last >= 0)[inside[ended]]] = True
        passes, ends = float(seen.mean()), float(inside[ended].sum() / n_persons)
        inside[trap.cells] = False
        if passes >= least_share:
            parts = _parts_with_person(trap, visits, persons, ended=ended, count=n_persons, size=size)
            filled = replace(trap, person_passes=passes, person_ends=ends, parts=parts)
            met.append(replace(filled, weight=weigh_trap(filled)))
    return sort_by_weight(met)


def _parts_with_person(
    trap: Trap, visits: IntArray, persons: IntArray, *, ended: IntArray, count: int, size: int
) -> tuple[Part, ...]:
    """The shares of carried persons that pass each part of a trap and stop in it."""
    if not trap.parts:
        return ()
    part = np.full(size, -1, dtype=np.int32)
    part[trap.cells] = trap.part_of_cell
    ends = np.bincount(part[ended][part[ended] >= 0], minlength=len(trap.parts)) / count
    passes = [np.unique(persons[part[visits] == k]).size / count for k in range(len(trap.parts))]
    return tuple(
        replace(part, person_passes=float(passes[k]), person_ends=float(ends[k])) for k, part in enumerate(trap.parts)
    )


def add_burial_depth(traps: tuple[Trap, ...], thickness_m: Grid, poa: Grid) -> tuple[Trap, ...]:
    """Fill in how deep somebody who stops in each trap would lie.

    Both grids lie on the lattice of the traps' cells: mean thickness of debris over all events, and probability of
    area.
    """
    filled = []
    for trap in traps:
        chance = poa.values.ravel()[trap.cells]
        snow = np.nan_to_num(thickness_m.values.ravel()[trap.cells])
        total = float(chance.sum())
        filled.append(replace(trap, burial_m=float((chance * snow).sum()) / total) if total > LEAST_POA else trap)
    return tuple(filled)


def describe_shares(trap: Trap) -> str:
    """How carried persons meet a trap, where along it they stop, and how deep, in one or two sentences."""
    text = f"{percent(trap.person_passes)} of carried persons enter it, {percent(trap.person_ends)} stop in it"
    if np.isfinite(trap.burial_m) and trap.person_ends > 0.0:
        text += f", under {trap.burial_m:.1f} m of debris on average over all events"
    held = [part for part in trap.parts if part.person_ends >= LEAST_PART_SHARE]
    if held and trap.person_ends > 0.0:
        text += ": " + ", ".join(
            f"{percent(part.person_ends)} between {part.from_m:.0f} and {part.to_m:.0f} m down it" for part in held
        )
    return f"{text}."


def _check_visits(visits: IntArray, persons: IntArray, last: IntArray, n_persons: int, size: int) -> None:
    """Refuse visits that do not fit together."""
    if n_persons < 1 or last.size != n_persons:
        raise InputError(
            f"{last.size} last cells for {n_persons} bodies: give one last cell for each of at least one body"
        )
    if visits.size != persons.size:
        raise InputError(f"{visits.size} visited cells for {persons.size} bodies of visits: give arrays of one length")
    if persons.size and not 0 <= int(persons.min()) <= int(persons.max()) < n_persons:
        raise InputError(f"a body of a visit lies outside 0 to {n_persons - 1}: number the bodies from 0")
    if max(int(visits.max(initial=-1)), int(last.max())) >= size:
        raise InputError(
            f"a visited cell lies beyond the {size} cells of the model: give flat indices on its own lattice"
        )
