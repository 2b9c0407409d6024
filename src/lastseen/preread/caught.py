"""What happens to somebody who is caught at a station: what the bodies that pass it meet from there on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from lastseen.grid import BoolArray, FloatArray, IntArray
from lastseen.preread import kernels
from lastseen.preread.gathering import BURIED_M
from lastseen.preread.lattice import Window, tiles_of
from lastseen.preread.passing import Passing
from lastseen.preread.route import Route
from lastseen.preread.sheets import BURIES, HOLDS, INJURES, MARGIN_M, WETS, PreparedGround, what_it_does
from lastseen.terrain import read_terrain
from lastseen.traps import Trap, find_traps
from lastseen.traps.trap import severity

OWN_M = 12.0  # a body that starts no farther up than this is released by whoever stands here; design choice


@dataclass(frozen=True, eq=False)
class Caught:
    """One record for each body that passes a station. Arrays of shape (records,).

    Attributes
    ----------
    station, body, visit, zone, member : ndarray of int
        ``visit``: the entered cell, an index into those of `Passing`.
    own : ndarray of bool
        Whether the body starts here: released where one stands, not from above.
    speed_m_s : ndarray
        With which it passes.
    distance_m, drop_m, debris_m : ndarray
        From here to where it stops, straight on the map and in height; debris there. NaN where it does not stay.
    burial, trauma, water, no_way_out, leaves : ndarray of bool
    trap : ndarray of int
        Index of the trap that weighs most from here on; -1 is none.
    ends_in : ndarray of int
        Index of the trap in which it stops; -1 is none.
    traps : tuple of Trap
    """

    station: IntArray
    body: npt.NDArray[np.int64]
    visit: npt.NDArray[np.int64]
    zone: IntArray
    member: IntArray
    own: BoolArray
    speed_m_s: FloatArray
    distance_m: FloatArray
    drop_m: FloatArray
    debris_m: FloatArray
    burial: BoolArray
    trauma: BoolArray
    water: BoolArray
    no_way_out: BoolArray
    leaves: BoolArray
    trap: IntArray
    ends_in: IntArray
    traps: tuple[Trap, ...]


def follow(prepared: PreparedGround, route: Route, passing: Passing) -> Caught:
    """Follow each body from where it passes a station to where it stops."""
    traps, does, trap, weight = _traps_ahead(prepared, passing)
    n = passing.rows.size
    bits, worst = np.zeros(n, np.uint8), np.full(n, -1, np.int32)
    kernels.ahead(passing.offsets, does, trap, weight, bits, worst)
    again, station = _at_every_pass(route, passing.record_station, passing.near_m)
    body, visit = passing.record_body[again], passing.record_visit[again]
    stays = passing.stays[body]
    last = passing.offsets[1:][body] - 1
    ended = np.where(stays, does[last] if n else 0, 0)
    x, y, z = route.x_m[station], route.y_m[station], route.height_m[station]
    debris = passing.debris_m[body]
    with np.errstate(invalid="ignore"):
        deep = debris >= BURIED_M
    first = visit == passing.offsets[:-1][body]
    return Caught(
        station,
        body,
        visit,
        passing.zone[body],
        passing.member[body],
        passing.away_m[body] <= OWN_M if n else first,
        passing.speeds_m_s[visit],
        np.hypot(passing.stop_x_m[body] - x, passing.stop_y_m[body] - y),
        z - passing.stop_height_m[body],
        debris,
        deep | ((ended & BURIES) > 0),
        (bits[visit] & INJURES) > 0,
        (bits[visit] & WETS) > 0,
        (ended & HOLDS) > 0,
        ~stays,
        worst[visit],
        np.where(stays, trap[last] if n else -1, -1),
        traps,
    )


def _traps_ahead(
    prepared: PreparedGround, passing: Passing
) -> tuple[tuple[Trap, ...], npt.NDArray[np.uint8], IntArray, npt.NDArray[np.float32]]:
    """Traps of the ground below the line, sheet by sheet; for each entered cell what they do and which is the worst."""
    heights = prepared.heights
    n = passing.rows.size
    does, which, weight = np.zeros(n, np.uint8), np.full(n, -1, np.int32), np.zeros(n, np.float32)
    traps: list[Trap] = []
    if not n:
        return (), does, which, weight
    whole = Window(
        int(passing.rows.min()), int(passing.cols.min()), int(passing.rows.max()) + 1, int(passing.cols.max()) + 1
    )
    for square in tiles_of(whole, heights.sheet_cells):
        here = np.flatnonzero(
            (passing.rows >= square.top)
            & (passing.rows < square.bottom)
            & (passing.cols >= square.left)
            & (passing.cols < square.right)
        )
        if not here.size:
            continue
        outer = square.grown(int(np.ceil(MARGIN_M / heights.cell_m))).cut(heights.extent)
        found = _traps_of(prepared, outer, passing.rows[here], passing.cols[here])
        at = (passing.rows[here] - outer.top) * outer.shape[1] + passing.cols[here] - outer.left
        number, does_it = np.full(outer.shape[0] * outer.shape[1], -1, np.int32), np.zeros(number_of(outer), np.uint8)
        worst = np.zeros(number.size, np.float32)
        for k, trap in enumerate(found, start=len(traps)):
            value = np.float32(severity(trap))
            more = trap.cells[value > worst[trap.cells]]
            number[more], worst[more] = k, value
            does_it[trap.cells] |= np.uint8(what_it_does(trap))
        does[here], which[here], weight[here] = does_it[at], number[at], worst[at]
        traps += found
    return tuple(traps), does, which, weight


def number_of(window: Window) -> int:
    """Cells of a window."""
    return window.shape[0] * window.shape[1]


def _traps_of(prepared: PreparedGround, outer: Window, rows: IntArray, cols: IntArray) -> list[Trap]:
    ground = prepared.heights.grid(outer)
    where = np.zeros(ground.shape, np.bool_)
    where[rows - outer.top, cols - outer.left] = True
    return list(find_traps(read_terrain(ground), where, prepared.layers_on(ground)))


def _at_every_pass(
    route: Route, station: IntArray, near_m: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]]:
    """Records and stations, with those of every other pass of the line over the same place added.

    Where a line doubles back or crosses itself, a body that comes over it comes over all passes.
    """
    own, other = _places_passed_again(route, near_m)
    order = np.argsort(own, kind="stable")
    own, other = own[order], other[order]
    first, last = np.searchsorted(own, station), np.searchsorted(own, station, side="right")
    count = last - first
    which = np.repeat(np.arange(station.size), count)
    at = np.repeat(first - np.cumsum(count) + count, count) + np.arange(which.size)
    records = np.concatenate([np.arange(station.size), which])
    return records, np.concatenate([station, other[at]]).astype(np.int32)


def _places_passed_again(route: Route, near_m: float) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Pairs of stations that lie near each other on the map and far apart along the way; the nearest of each pass."""
    known = np.flatnonzero(np.isfinite(route.height_m))
    tree = cKDTree(np.column_stack([route.x_m[known], route.y_m[known]]))
    pairs = known[tree.query_pairs(near_m, output_type="ndarray")]
    far = (route.part[pairs[:, 0]] != route.part[pairs[:, 1]]) | (
        np.abs(route.along_m[pairs[:, 0]] - route.along_m[pairs[:, 1]]) > 4.0 * near_m
    )
    pairs = np.concatenate([pairs[far], pairs[far][:, ::-1]])
    own, other = pairs[:, 0], pairs[:, 1]
    away = np.hypot(route.x_m[own] - route.x_m[other], route.y_m[own] - route.y_m[other])
    passes = np.floor(route.along_m[other] / (6.0 * near_m)).astype(np.int64)
    order = np.lexsort((other, away, passes, route.part[other], own))
    keys = np.stack([own, route.part[other], passes])[:, order]
    new = np.ones(order.size, np.bool_)
    new[1:] = (keys[:, 1:] != keys[:, :-1]).any(axis=0)
    kept = order[new]
    return own[kept], other[kept]
