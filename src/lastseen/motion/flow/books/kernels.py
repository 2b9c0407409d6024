"""What is kept of a step: plain arrays and floats in and out.

Planes as in the kernels of the scheme; beside them

seen   0 greatest speed, 1 arrival, 2 greatest depth, 3 layer that can be entrained, 4 depth that left through the
       cell, 5 the same within the current step
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from lastseen.grid import FloatArray, IntArray

FRONT_M = 0.05  # deeper than this the front has arrived and snow is entrained
EROSION_M = 10.0  # length of flow that takes 63 % of the layer: entrainment at the front (Sovilla & Bartelt 2002)
SLOW_M_S = 0.5  # slower snow does not count as moving when the end of a run is asked for
REACH = 4  # cells that a step looks to either side
LINE = 40  # longest row of a block, and a little more
ALL_AROUND = 511


@njit(cache=True, nogil=True, error_model="numpy")
def _count_left(seen: FloatArray, bed: FloatArray, sums: FloatArray, box: IntArray, holes: int) -> None:
    """Book what left within the step through cells without data and over the edges beside a block."""
    i0, i1, j0, j1 = box[0], box[1], box[2], box[3]
    bottom, right = seen.shape[1] - 2, seen.shape[2] - 2
    for i in range(i0 - 1 if i0 == 2 else i0, i1 + 1 if i1 == bottom else i1):
        if j0 == 2:
            seen[4, i, 1] += seen[5, i, 1]
            sums[3, i] += seen[5, i, 1]
        if i < 2 or i == bottom or holes:
            for j in range(j0, j1):
                if i < 2 or i == bottom or bed[11, i, j] > 0.0:
                    seen[4, i, j] += seen[5, i, j]
                    sums[3, i] += seen[5, i, j]
        if j1 == right:
            seen[4, i, right] += seen[5, i, right]
            sums[3, i] += seen[5, i, right]


@njit(cache=True, nogil=True, error_model="numpy")
def _reach(wave: FloatArray, wide: int, above: int, below: int) -> int:
    """Bits (row by row, 3 x 3) of the blocks within the four cells that a step looks from changed cells of a row."""
    row = 0
    for c in range(wide):
        if wave[c] > 0.0:
            row |= 2 | (1 if c < REACH else 0) | (4 if c >= wide - REACH else 0)
    return (row if above < REACH else 0) | row << 3 | (row << 6 if below < REACH else 0)


@njit(cache=True, nogil=True, error_model="numpy")
def _finish_block(
    state: FloatArray, seen: FloatArray, bed: FloatArray, sums: FloatArray, w: FloatArray, box: IntArray,
    block: int, numbers: FloatArray
) -> tuple[int, int, int, float]:  # fmt: skip
    """Mean of the old state and the second stage; entrainment; records.

    Returns what ``_reach`` says of the block, the first and last row that changed, and the greatest speed of a wave.
    """
    i0, i1, j0, j1 = box[0], box[1], box[2], box[3]
    dry, dt, time, erosion = numbers[0], numbers[1], numbers[2], numbers[3]
    reach, first, last, fastest, wide = 0, i1, i0, 0.0, j1 - j0
    north = (i0 - 2) // block * block + 2
    south = min(north + block, state.shape[1] - 2) - 1
    for i in range(i0, i1):
        for plane in range(13):
            if plane < 9:
                row = state[plane, i, j0:j1]
            elif plane < 11:
                row = bed[plane - 8, i, j0:j1]
            else:
                row = bed[plane - 5, i, j0:j1]
            line = w[plane * LINE : plane * LINE + wide]
            for c in range(wide):
                line[c] = row[c]
        quick, deep, layer = seen[0, i, j0:j1], seen[2, i, j0:j1], seen[3, i, j0:j1]
        for c in range(LINE):
            old, u0, v0, h1, u1, v1 = (
                w[c],
                w[LINE + c],
                w[2 * LINE + c],
                w[3 * LINE + c],
                w[4 * LINE + c],
                w[5 * LINE + c],
            )
            h2, u2, v2, p, q = w[6 * LINE + c], w[7 * LINE + c], w[8 * LINE + c], w[9 * LINE + c], w[10 * LINE + c]
            h = 0.5 * (old + h2)
            on = h > dry and (abs(u1) + abs(v1)) + (abs(u2) + abs(v2)) > 0.0
            whole = old + h2
            whole = whole if on else 1.0
            u, v = (old * u0 + h2 * u2) / whole, (old * v0 + h2 * v2) / whole
            u = u if on else 0.0
            v = v if on else 0.0
            stirred = (abs(u) + abs(v)) + (abs(u1) + abs(v1)) + (abs(h - old) + abs(h1 - old)) > 0.0
            z = p * u + q * v
            wave = (abs(u) + abs(v)) + math.sqrt(h) * (w[11 * LINE + c] + w[12 * LINE + c])
            w[13 * LINE + c], w[14 * LINE + c], w[15 * LINE + c] = h, u, v
            w[16 * LINE + c] = math.sqrt((u * u + v * v) + z * z)
            w[17 * LINE + c] = wave if stirred else 0.0
        new, u, v, speed, wave = w[13 * LINE :], w[14 * LINE :], w[15 * LINE :], w[16 * LINE :], w[17 * LINE :]
        if erosion > 0.0:
            for c in range(wide):
                if new[c] > FRONT_M and layer[c] > 0.0:
                    way = speed[c] * dt / EROSION_M
                    taken = erosion * layer[c] * way / (1.0 + way)
                    share = new[c] / (new[c] + taken)  # what lay at rest has to be set in motion
                    layer[c] -= taken
                    new[c], u[c], v[c], speed[c] = new[c] + taken, share * u[c], share * v[c], share * speed[c]
                    sums[2, i] += taken
        for c in range(wide):
            fastest = wave[c] if wave[c] > fastest else fastest
            sums[0, i] += new[c] if speed[c] > SLOW_M_S else 0.0
            sums[1, i] += new[c] * (speed[c] * speed[c])
        row_reach = _reach(wave, wide, i - north, south - i)
        if row_reach > 0:
            reach, first, last = reach | row_reach, min(first, i), max(last, i)
        arrival = seen[1, i, j0:j1]
        for c in range(wide):
            arrival[c] = time if new[c] > FRONT_M and arrival[c] != arrival[c] else arrival[c]
        for c in range(wide):
            quick[c] = speed[c] if speed[c] > quick[c] else quick[c]
        for c in range(wide):
            deep[c] = new[c] if new[c] > deep[c] else deep[c]
        for plane in range(3):
            row, line = state[plane, i, j0:j1], w[(13 + plane) * LINE :]
            for c in range(wide):
                row[c] = line[c]
    _count_left(seen, bed, sums, box, int(numbers[4]))
    return reach, first, last, fastest


@njit(cache=True, nogil=True, error_model="numpy")
def choose(lively: IntArray, boxes: IntArray, block: int, ny: int, nx: int) -> int:
    """Fill in the boxes of the blocks, and the rows in them, that can change in the next step; return their number.

    ``lively``, shape (block rows, block columns, 3): what each block can reach (see ``_reach``), and the first and last
    row in which something happened.
    """
    count = 0
    for bi in range(lively.shape[0]):
        for bj in range(lively.shape[1]):
            first, last = ny + 2, 0
            for ni in range(max(bi - 1, 0), min(bi + 2, lively.shape[0])):
                for nj in range(max(bj - 1, 0), min(bj + 2, lively.shape[1])):
                    if lively[ni, nj, 0] >> ((1 + bi - ni) * 3 + 1 + bj - nj) & 1:
                        first, last = min(first, lively[ni, nj, 1]), max(last, lively[ni, nj, 2])
            top, bottom = bi * block + 2, min(bi * block + block, ny) + 2
            top, bottom = max(top, first - REACH), min(bottom, last + REACH + 1)
            if top < bottom:
                boxes[count, 0], boxes[count, 1] = top, bottom
                boxes[count, 2], boxes[count, 3] = bj * block + 2, min(bj * block + block, nx) + 2
                count += 1
    return count


@njit(cache=True, nogil=True, error_model="numpy")
def finish(
    state: FloatArray, seen: FloatArray, bed: FloatArray, boxes: IntArray, lively: IntArray, sums: FloatArray,
    numbers: FloatArray
) -> float:  # fmt: skip
    """End a step on the given blocks; return the greatest speed of a wave, m/s.

    Parameters
    ----------
    state, seen, bed : (9, 6, 12 planes; rows + 4, columns + 4)
    boxes : (blocks, 4)
    lively : (block rows, block columns, 3), filled, see ``choose``
    sums : (4, rows + 4), filled: depth that moves, twice the kinetic energy, entrained, left; in the order of columns,
        so that they do not depend on the blocks
    numbers : dry depth m, time step s, time s, share of the entrainment still granted, 1 where there are holes,
        cells along a block
    """
    w, fastest, block = np.zeros(18 * LINE), 0.0, int(numbers[5])
    sums[:] = 0.0
    lively[:, :, 0] = 0
    for n in range(boxes.shape[0]):
        reach, first, last, wave = _finish_block(state, seen, bed, sums, w, boxes[n], block, numbers)
        bi, bj = (boxes[n, 0] - 2) // block, (boxes[n, 2] - 2) // block
        lively[bi, bj, 0], lively[bi, bj, 1], lively[bi, bj, 2] = reach, first, last
        fastest = max(fastest, wave)
    return fastest
