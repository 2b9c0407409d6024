"""Gathering what samples met: plain arrays in and out.

Samples of a call are ordered by start cell, then by member: sample = start x members + member. Sums are taken in that
order, and what is written to cells is a union of bits, a greatest value or a count, so that the order of calls does not
show.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from lastseen.core import FloatArray, IntArray

ByteArray = npt.NDArray[np.uint8]
MaskArray = npt.NDArray[np.uint64]


@njit(cache=True, nogil=True)
def mark(
    cells: IntArray,
    speeds: FloatArray,
    offsets: IntArray,
    members: int,
    zone: int,
    stamp: IntArray,
    mask: MaskArray,
    fastest: npt.NDArray[np.float32],
    zones: npt.NDArray[np.uint16],
) -> None:
    """Write into each cell entered the member's bit, the greatest speed, and one more zone where this one is new."""
    unit = np.uint64(1)
    for sample in range(offsets.size - 1):
        bit = unit << np.uint64(sample % members)
        for k in range(offsets[sample], offsets[sample + 1]):
            cell = cells[k]
            mask[cell] |= bit
            speed = np.float32(speeds[k])
            fastest[cell] = max(fastest[cell], speed)
            if stamp[cell] != zone:
                stamp[cell] = zone
                zones[cell] += np.uint16(1)


@njit(cache=True, nogil=True)
def piled(
    stop: IntArray,
    volume_m3: FloatArray,
    members: int,
    nx: int,
    half: int,
    cell_m: float,
    pile: FloatArray,
    depth_m: FloatArray,
) -> None:
    """Thickness of the debris of an event where each of its samples stops, spread over 2 ``half`` + 1 cells squared.

    ``stop`` holds flat cells, -1 where a sample does not stay. ``pile`` is scratch of the window, all 0, and left so.
    """
    ny = pile.size // nx
    share = 1.0 / ((2 * half + 1) ** 2 * cell_m * cell_m)
    for member in range(members):
        for sample in range(member, stop.size, members):
            if stop[sample] >= 0:
                pile[stop[sample]] += volume_m3[sample]
        for sample in range(member, stop.size, members):
            if stop[sample] < 0:
                depth_m[sample] = np.nan
                continue
            i, j = stop[sample] // nx, stop[sample] % nx
            total = 0.0
            for a in range(max(0, i - half), min(ny, i + half + 1)):
                for b in range(max(0, j - half), min(nx, j + half + 1)):
                    total += pile[a * nx + b]
            depth_m[sample] = total * share
        for sample in range(member, stop.size, members):
            if stop[sample] >= 0:
                pile[stop[sample]] = 0.0


@njit(cache=True, nogil=True)
def traps_met(
    cells: IntArray,
    offsets: IntArray,
    members: int,
    stop: IntArray,
    kind: ByteArray,
    severity: npt.NDArray[np.float32],
    effects: ByteArray,
    passed: ByteArray,
    ended: ByteArray,
    worst_kind: ByteArray,
    worst: FloatArray,
) -> None:
    """What traps do to each sample on its way and where it stops; for each start the kind of trap that weighs most.

    The weight of a kind is severity x (share that ends in it + 0.5 share that passes it), over the members.
    """
    kinds = np.int64(kind.max()) + 1 if kind.size else 1
    met = np.empty(kinds)
    score = np.empty(kinds)
    for start in range(worst.size):
        score[:] = 0.0
        for member in range(members):
            sample = start * members + member
            met[:] = 0.0
            bits = np.uint8(0)
            for k in range(offsets[sample], offsets[sample + 1]):
                cell = cells[k]
                bits |= effects[cell]
                if kind[cell] > 0:
                    met[kind[cell]] = max(met[kind[cell]], severity[cell])
            passed[sample] = bits
            ended[sample] = 0
            for k in range(1, kinds):
                score[k] += 0.5 * met[k]
            if stop[sample] >= 0:
                ended[sample] = effects[stop[sample]]
                if kind[stop[sample]] > 0:
                    score[kind[stop[sample]]] += severity[stop[sample]]
        worst_kind[start] = 0
        worst[start] = 0.0
        for k in range(1, kinds):
            if score[k] > worst[start]:
                worst[start] = score[k]
                worst_kind[start] = k
        worst[start] /= members


@njit(cache=True, nogil=True)
def ahead(
    offsets: npt.NDArray[np.int64],
    effects: ByteArray,
    trap: IntArray,
    weight: npt.NDArray[np.float32],
    bits: ByteArray,
    worst: IntArray,
) -> None:
    """From each entered cell on: what all traps passed from here do, and which of them weighs most (-1: none)."""
    for sample in range(offsets.size - 1):
        so_far = np.uint8(0)
        best, at = np.float32(0.0), np.int32(-1)
        for k in range(offsets[sample + 1] - 1, offsets[sample] - 1, -1):
            so_far |= effects[k]
            if trap[k] >= 0 and weight[k] > best:
                best, at = weight[k], trap[k]
            bits[k] = so_far
            worst[k] = at


@njit(cache=True, nogil=True)
def steepest_line(
    sx: FloatArray,
    sy: FloatArray,
    sz: FloatArray,
    x: FloatArray,
    y: FloatArray,
    z: FloatArray,
    beside_m: float,
    thinned_m: float,
    far_m: float,
) -> FloatArray:
    """From each start the steepest straight line down to any point, or to the ground beside it; no point: -infinite.

    Ground beside may lie lower than the point, by 45 degrees.
    """
    out = np.full(sx.size, -np.inf)
    for k in range(sx.size):
        for i in range(x.size):
            away = np.hypot(sx[k] - x[i], sy[k] - y[i])
            if away > far_m:
                continue
            drop = sz[k] - z[i] + min(away, beside_m)
            beside = away - beside_m - thinned_m
            if beside > 0.0:
                out[k] = max(out[k], drop / beside)
            elif drop >= 0.0:
                out[k] = np.inf
    return out
