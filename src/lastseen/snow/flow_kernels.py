"""One step of the depth-averaged flow and what is kept of it: plain arrays, floats and records in and out."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from lastseen.core import FloatArray, IntArray
from lastseen.snow.sliding_mass_kernels import GRAVITY_M_S2

# ---- One step of the flow
# Local coordinates as for the sliding mass: x east, y and the velocity v *south* (rows downwards). All planes carry a
# frame of two cells, so that cell (i, j) of the ground is (i + 2, j + 2) here.
#
# Scheme: limited linear reconstruction of depth and velocity, HLL fluxes (Harten, Lax & van Leer 1983) whose tangential
# part is carried upwind, Heun in time, friction implicit. Each block is copied into scratch planes and worked on as a
# whole.

# Planes of the bed: height, slopes p q, second derivatives r s t, roots of the pressure coefficients a_xx a_yy, a_xy /
# a_xx and a_xy / a_yy, normal load at rest over g, one where there is no data, and the step of the ground at the
# western and the northern face that limited slopes leave.
BED_HEIGHT, BED_P, BED_Q, BED_R, BED_S, BED_T, BED_ROOT_X, BED_ROOT_Y, BED_ASKEW_X, BED_ASKEW_Y = range(10)
BED_LOAD, BED_HOLE, BED_STEP_X, BED_STEP_Y = range(10, 14)
BED_PLANES = 14
# Planes of the state: vertical depth and velocities, and the same after the first and the second stage of a step.
DEPTH, VELOCITY_X, VELOCITY_Y = range(3)
STAGE = 3  # planes of one stage
STATE_PLANES = 3 * STAGE


class FlowRules(NamedTuple):
    """Numbers of the scheme that hold for a run."""

    cell_m: float
    dry_m: float  # thinner snow does not move
    friction: float  # Coulomb mu
    hold_m2_s2: float  # cohesion over density
    drag: float  # g over Voellmy's xi
    plain: int  # 1: gravity and pressure of shallow water on a level datum, for benchmarks with exact solutions alone
    holes: int  # 1: there are cells without data


LIMITER = 1.5  # 1 is minmod, 2 the sharpest that keeps depths positive
STATIC = 1.0 + 1e-9  # friction at rest over friction in motion: keeps the decision free of rounding

# Scratch planes of one block with its halo of two cells, from their second row on. All offsets are literal, so that
# the compiler sees that nothing overlaps; what lies beyond the block is computed as well and not used.
ROW, LARGEST_BLOCK = 40, 32
PLANE = ROW * (LARGEST_BLOCK + 4)
H, U, V, Z, P, Q, R, S, T, ROOT_X, ROOT_Y, ASKEW_X, ASKEW_Y, LOAD, HOLE, STEP_X, STEP_Y, STIR = (
    PLANE * p + ROW for p in range(18)
)
H_L, U_L, V_L, Z_L, ROOT_L, H_R, U_R, V_R, Z_R, ROOT_R, RAW_L, RAW_R = (PLANE * (18 + p) + ROW for p in range(12))
ASKEW, PASS, MASS, NORMAL, ALONG, HALF_L, HALF_R, FOOT = (PLANE * (30 + p) + ROW for p in range(8))
MASS_X, EAST_X, SOUTH_X, PRESS_X, DZ_X, DZ_Y, GROWN, DEEP, EAST, SOUTH = (PLANE * (38 + p) + ROW for p in range(10))
PLANES = PLANE * 49


@njit(cache=True, nogil=True, error_model="numpy")
def _limited(a: float, b: float) -> float:
    """Limited difference between the backward and the forward one: generalised minmod (van Leer 1979)."""
    c = 0.5 * (a + b)
    a *= LIMITER
    b *= LIMITER
    low = a if a < b else b
    low = low if low < c else c
    high = a if a > b else b
    high = high if high > c else c
    low = low if low > 0.0 else 0.0
    high = high if high < 0.0 else 0.0
    return low + high


@njit(cache=True, nogil=True, error_model="numpy")
def _load(w: FloatArray, src: FloatArray, bed: FloatArray, box: IntArray, plain: int) -> None:
    """Copy a block with its halo into the scratch planes."""
    i0, i1, j0, j1 = box[0], box[1], box[2], box[3]
    wide = j1 - j0 + 4
    for a in range(i1 - i0 + 4):
        at, i, left, right = (a - 1) * ROW, i0 - 2 + a, j0 - 2, j1 + 2
        for plane in range(STAGE):
            row, line = src[plane, i, left:right], w[H + plane * PLANE + at : H + plane * PLANE + at + wide]
            for c in range(wide):
                line[c] = row[c]
        for plane in range(BED_HEIGHT if plain else BED_P, BED_PLANES):
            row, line = bed[plane, i, left:right], w[Z + plane * PLANE + at : Z + plane * PLANE + at + wide]
            for c in range(wide):
                line[c] = row[c]


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _sides(
    w: FloatArray, n: int, shift: int, normal: int, along: int, root: int, askew: int, foot: int, dz: int, plain: int
) -> None:
    """What the face between every cell and the one ``shift`` before it has on its two sides.

    The other arguments are the planes of the velocity across and along it, of the bed, and of its differences.
    """
    for k in range(n):
        d = 0.5 * _limited(w[H + k] - w[(H - shift) + k], w[(H + shift) + k] - w[H + k])
        w[H_R + k] = w[H + k] - d
        w[(H_L + shift) + k] = w[H + k] + d
    for k in range(n):
        d = 0.5 * _limited(w[normal + k] - w[(normal - shift) + k], w[(normal + shift) + k] - w[normal + k])
        w[U_R + k] = w[normal + k] - d
        w[(U_L + shift) + k] = w[normal + k] + d
    for k in range(n):
        d = 0.5 * _limited(w[along + k] - w[(along - shift) + k], w[(along + shift) + k] - w[along + k])
        w[V_R + k] = w[along + k] - d
        w[(V_L + shift) + k] = w[along + k] + d
    for k in range(n):
        w[ROOT_L + k], w[ROOT_R + k] = w[(root - shift) + k], w[root + k]
        w[ASKEW + k] = 0.5 * (w[(askew - shift) + k] + w[askew + k])
        w[PASS + k] = w[(STIR - shift) + k] + w[STIR + k]
        w[FOOT + k] = w[foot + k]
    if plain:  # the bed such that a level surface stays level
        for k in range(n):
            e = w[H + k] + w[Z + k]
            before, after = w[(H - shift) + k] + w[(Z - shift) + k], w[(H + shift) + k] + w[(Z + shift) + k]
            d = 0.5 * _limited(e - before, after - e)
            w[Z_R + k] = (e - d) - w[H_R + k]
            w[(Z_L + shift) + k] = (e + d) - w[(H_L + shift) + k]
            w[dz + k] = 2.0 * d - (w[(H_L + shift) + k] - w[H_R + k])


@njit(cache=True, nogil=True, error_model="numpy")
def _faces(w: FloatArray, n: int, dry: float, plain: int) -> None:
    """HLL fluxes of mass, normal and tangential momentum, and half the square of the depth for either side.

    On a slope askew to the lattice pressure also pushes along the face, ``k`` times as much as across; v - k u is what
    its waves leave alone, so that is what is carried upwind. Between cells at rest nothing passes.
    """
    if plain:  # hydrostatic reconstruction (Audusse et al. 2004)
        for c in range(n):
            zl, zr, hl, hr = w[Z_L + c], w[Z_R + c], w[H_L + c], w[H_R + c]
            top = zl if zl > zr else zr
            al, ar = hl + (zl - top), hr + (zr - top)
            w[RAW_L + c], w[RAW_R + c] = hl, hr
            w[H_L + c] = al if al > 0.0 else 0.0
            w[H_R + c] = ar if ar > 0.0 else 0.0
    for c in range(n):
        hl, ul, vl, hr, ur, vr = w[H_L + c], w[U_L + c], w[V_L + c], w[H_R + c], w[U_R + c], w[V_R + c]
        cl, cr, k = w[ROOT_L + c] * math.sqrt(hl), w[ROOT_R + c] * math.sqrt(hr), w[ASKEW + c]
        wet_l, wet_r = hl > dry, hr > dry
        low_l, low_r, high_l, high_r = ul - cl, ur - cr, ul + cl, ur + cr
        far_l, far_r = ur - 2.0 * cr, ul + 2.0 * cl
        sl = low_l if low_l < low_r else low_r
        sr = high_l if high_l > high_r else high_r
        sl = sl if wet_l else far_l
        sr = sr if wet_l else high_r
        sl = sl if wet_r else low_l
        sr = sr if wet_r else far_r
        sl = sl if sl < 0.0 else 0.0
        sr = sr if sr > 0.0 else 0.0
        on = w[PASS + c] > 0.0 and (wet_l or wet_r)
        gap = sr - sl
        gap = gap if on else 1.0
        inverse = 1.0 / gap
        wl, wr, d = sr * inverse, -sl * inverse, sl * sr * inverse
        ql, qr = hl * ul, hr * ur
        mass = (wl * ql + wr * qr) + d * (hr - hl)
        # Where the ground steps down, waves do not lift the snow below the step: at most they let the upper snow pass
        # as it comes. Without this, narrow pools would climb their walls for ever.
        foot = w[FOOT + c]
        drop = foot if foot > 0.0 else -foot
        low = hl if foot > 0.0 else hr
        lift = d * (low if low < drop else drop)  # 0 or less
        free_l, free_r = hl * (ul if ul > 0.0 else 0.0), hr * (ur if ur < 0.0 else 0.0)
        most = mass if mass > free_l else free_l
        least = mass if mass < free_r else free_r
        down_r, down_l = mass - lift, mass + lift
        down_r = down_r if down_r < most else most
        down_l = down_l if down_l > least else least
        mass = down_r if foot < 0.0 else mass
        mass = down_l if foot > 0.0 else mass
        normal = (wl * (ql * ul) + wr * (qr * ur)) + d * (qr - ql)
        side_l, side_r = vl - k * ul, vr - k * ur
        side = side_l if mass > 0.0 else side_r
        along = mass * side + k * normal
        half = 0.5 * (wl * (hl * hl) + wr * (hr * hr))
        calm = 0.25 * (hl * hl + hr * hr)
        half = half if on else calm
        w[MASS + c] = mass if on else 0.0
        w[NORMAL + c] = normal if on else 0.0
        w[ALONG + c] = along if on else 0.0
        w[HALF_L + c] = half
        w[HALF_R + c] = half
    if plain:
        for c in range(n):
            w[HALF_L + c] += 0.5 * (w[RAW_L + c] * w[RAW_L + c] - w[H_L + c] * w[H_L + c])
            w[HALF_R + c] += 0.5 * (w[RAW_R + c] * w[RAW_R + c] - w[H_R + c] * w[H_R + c])


@njit(cache=True, nogil=True, error_model="numpy")
def _edge_face(w: FloatArray, at: int, inner: int, outward: float) -> float:
    """A face on the edge of the ground: open for what leaves, which is returned, and a wall for what would enter."""
    if outward <= 0.0:
        w[MASS + at], w[NORMAL + at], w[ALONG + at] = 0.0, 0.0, 0.0
        w[HALF_L + at] = w[HALF_R + at] = 0.5 * w[H + inner] * w[H + inner]
    left: float = abs(w[MASS + at])
    return left


@njit(cache=True, nogil=True, error_model="numpy")
def _west_and_east(w: FloatArray, box: IntArray, trial: FloatArray, share: float, kept: float) -> None:
    """The faces of a block on these edges of the ground; ``share`` of a flux is booked for this stage."""
    for m in range(box[1] - box[0]):
        at, i = (1 + m) * ROW + 2, box[0] + m
        if box[2] == 2:
            trial[i, 1] = kept * trial[i, 1] + share * _edge_face(w, at, at, -w[U + at])
        if box[3] == trial.shape[1] - 2:
            at += box[3] - box[2]
            trial[i, box[3]] = kept * trial[i, box[3]] + share * _edge_face(w, at, at - 1, w[U + at - 1])


@njit(cache=True, nogil=True, error_model="numpy")
def _north_and_south(w: FloatArray, box: IntArray, trial: FloatArray, share: float, kept: float) -> None:
    """The same on the other two edges."""
    for m in range(box[3] - box[2]):
        at, j = ROW + 2 + m, box[2] + m
        if box[0] == 2:
            trial[1, j] = kept * trial[1, j] + share * _edge_face(w, at, at, -w[V + at])
        if box[1] == trial.shape[0] - 2:
            at += (box[1] - box[0]) * ROW
            trial[box[1], j] = kept * trial[box[1], j] + share * _edge_face(w, at, at - ROW, w[V + at - ROW])


@njit(cache=True, nogil=True, error_model="numpy")
def _across(w: FloatArray, n: int, plain: int) -> None:
    """What the western and eastern faces do to the cells."""
    for c in range(n):
        w[MASS_X + c] = w[MASS + 1 + c] - w[MASS + c]
        w[EAST_X + c] = w[NORMAL + 1 + c] - w[NORMAL + c]
        w[SOUTH_X + c] = w[ALONG + 1 + c] - w[ALONG + c]
        w[PRESS_X + c] = w[HALF_L + 1 + c] - w[HALF_R + c]
    if plain:
        for c in range(n):
            w[PRESS_X + c] += w[H + c] * w[DZ_X + c]


@njit(cache=True, nogil=True, error_model="numpy")
def _advance(w: FloatArray, n: int, k: float, dry: float, plain: int) -> None:
    """Depth, and velocity after all fluxes and pressure."""
    for c in range(n):
        h = w[H + c]
        ax, ay = w[ROOT_X + c] * w[ROOT_X + c], w[ROOT_Y + c] * w[ROOT_Y + c]
        axy = w[ASKEW_X + c] * ax
        px, py = w[PRESS_X + c], w[HALF_L + ROW + c] - w[HALF_R + c]
        if plain:
            py += h * w[DZ_Y + c]
        fu = w[EAST_X + c] + (w[ALONG + ROW + c] - w[ALONG + c])
        fv = w[SOUTH_X + c] + (w[NORMAL + ROW + c] - w[NORMAL + c])
        grown = -k * (w[MASS_X + c] + (w[MASS + ROW + c] - w[MASS + c]))
        deep = h + grown
        share = 1.0 / (deep if deep > dry else dry)
        w[GROWN + c], w[DEEP + c] = grown, deep
        w[EAST + c] = (h * w[U + c] - k * (fu + (ax * px + axy * py))) * share
        w[SOUTH + c] = (h * w[V + c] - k * (fv + (ay * py + axy * px))) * share


@njit(cache=True, nogil=True, error_model="numpy")
def _brake(w: FloatArray, n: int, dt: float, rules: FlowRules) -> None:
    """Gravity and friction of one step: the quadratic of Voellmy's law solved, direction kept.

    Terminal speed is a fixed point. Momentum that friction would reverse becomes zero, and snow at rest among snow at
    rest stays where drive and pressure do not exceed friction (Mangeney-Castelnau et al. 2003).
    """
    cell, dry, mu, hold, drag, plain = (
        rules.cell_m,
        rules.dry_m,
        rules.friction,
        rules.hold_m2_s2,
        rules.drag,
        rules.plain,
    )
    for k in range(n):
        u, v, h, old = w[EAST + k], w[SOUTH + k], w[DEEP + k], w[H + k]
        p, q, cs = w[P + k], w[Q + k], w[LOAD + k]
        wet = h > dry and w[HOLE + k] == 0.0
        per_depth = 1.0 / ((h if wet else dry) * (1.0 if plain else cs))
        load = GRAVITY_M_S2 + ((w[R + k] * u * u + w[T + k] * v * v) + 2.0 * w[S + k] * u * v)
        load = load if load > 0.0 else 0.0
        fall = dt * load * cs * cs
        u -= fall * p
        v -= fall * q
        z = p * u + q * v
        speed = math.sqrt((u * u + v * v) + z * z)
        left = speed - dt * (mu * load * cs + hold * per_depth)
        left = left if left > 0.0 else 0.0
        # At rest: central differences; a cell without data counts as level.
        hx = (w[H + 1 + k] + w[HOLE + 1 + k] * old) - (w[H - 1 + k] + w[HOLE - 1 + k] * old)
        hy = (w[H + ROW + k] + w[HOLE + ROW + k] * old) - (w[H - ROW + k] + w[HOLE - ROW + k] * old)
        if plain:
            hx += w[Z + 1 + k] - w[Z - 1 + k]
            hy += w[Z + ROW + k] - w[Z - ROW + k]
        hx, hy = hx * (0.5 / cell), hy * (0.5 / cell)
        ax, ay, rest = w[ROOT_X + k] * w[ROOT_X + k], w[ROOT_Y + k] * w[ROOT_Y + k], GRAVITY_M_S2 * cs * cs
        axy = w[ASKEW_X + k] * ax
        fx, fy = rest * p + (ax * hx + axy * hy), rest * q + (ay * hy + axy * hx)
        fz = p * fx + q * fy
        force = math.sqrt((fx * fx + fy * fy) + fz * fz)
        resist = (mu * GRAVITY_M_S2 * cs + hold * per_depth) * STATIC
        around = (w[STIR - 1 + k] + w[STIR + 1 + k]) + (w[STIR - ROW + k] + w[STIR + ROW + k])
        held = w[STIR + k] + around == 0.0 and force <= resist
        on = wet and left > 0.0 and not held
        speed = speed if on else 1.0
        share = 2.0 * left / ((1.0 + math.sqrt(1.0 + 4.0 * dt * drag * per_depth * left)) * speed)
        share = share if on else 0.0
        w[EAST + k] = u * share
        w[SOUTH + k] = v * share


@njit(cache=True, nogil=True, error_model="numpy")
def _store(w: FloatArray, dst: FloatArray, trial: FloatArray, box: IntArray, kept: float, holes: int) -> bool:
    """Copy the block back. False where a depth fell below zero."""
    i0, i1, j0, j1 = box[0], box[1], box[2], box[3]
    fine = True
    for a in range(i1 - i0):
        at, i = (1 + a) * ROW + 2, i0 + a
        h, u, v = dst[DEPTH, i, j0:j1], dst[VELOCITY_X, i, j0:j1], dst[VELOCITY_Y, i, j0:j1]
        below = 0
        deep, east, south = w[DEEP + at :], w[EAST + at :], w[SOUTH + at :]
        for c in range(j1 - j0):
            h[c] = deep[c]
            below += 1 if deep[c] < 0.0 else 0
        for c in range(j1 - j0):
            u[c] = east[c]
        for c in range(j1 - j0):
            v[c] = south[c]
        fine = fine and below == 0
        if holes:
            for c in range(j1 - j0):
                if w[HOLE + at + c] > 0.0:
                    trial[i, j0 + c] = kept * trial[i, j0 + c] + 0.5 * w[GROWN + at + c]
                    h[c] = 0.0
    return fine


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_frame(field: FloatArray, box: IntArray) -> None:
    """Open edges: the frame beside a block shows what its outermost cells hold."""
    i0, i1, j0, j1 = box[0], box[1], box[2], box[3]
    bottom, right = field.shape[1] - 2, field.shape[2] - 2
    for plane in range(STAGE):
        for d in range(2):
            if j0 == 2:
                field[plane, i0:i1, 1 - d] = field[plane, i0:i1, 2]
            if j1 == right:
                field[plane, i0:i1, right + d] = field[plane, i0:i1, right - 1]
            if i0 == 2:
                field[plane, 1 - d, j0:j1] = field[plane, 2, j0:j1]
            if i1 == bottom:
                field[plane, bottom + d, j0:j1] = field[plane, bottom - 1, j0:j1]


@njit(cache=True, nogil=True, error_model="numpy")
def _stage(
    src: FloatArray, dst: FloatArray, bed: FloatArray, trial: FloatArray, w: FloatArray, box: IntArray,
    dt: float, rules: FlowRules, kept: float
) -> bool:  # fmt: skip
    """One stage of one block: fluxes, then sources. False where a depth fell below zero."""
    dry, plain, per_cell = rules.dry_m, rules.plain, dt / rules.cell_m
    n = (box[1] - box[0] + 2) * ROW  # without the outermost rows
    _load(w, src, bed, box, plain)
    for k in range(n + 2 * ROW):
        w[STIR - ROW + k] = abs(w[U - ROW + k]) + abs(w[V - ROW + k])
    _sides(w, n, 1, U, V, ROOT_X, ASKEW_X, STEP_X, DZ_X, plain)
    _faces(w, n, dry, plain)
    _west_and_east(w, box, trial, 0.5 * per_cell, kept)
    _across(w, n, plain)
    _sides(w, n, ROW, V, U, ROOT_Y, ASKEW_Y, STEP_Y, DZ_Y, plain)
    _faces(w, n, dry, plain)
    _north_and_south(w, box, trial, 0.5 * per_cell, kept)
    _advance(w, n, per_cell, dry, plain)
    _brake(w, n, dt, rules)
    return _store(w, dst, trial, box, kept, rules.holes)


@njit(cache=True, nogil=True, error_model="numpy")
def step(
    state: FloatArray, bed: FloatArray, trial: FloatArray, w: FloatArray, boxes: IntArray, dt: float, rules: FlowRules
) -> bool:
    """Both stages of a step on the given blocks; the state at its start is kept.

    Parameters
    ----------
    state, bed : (planes, rows + 4, columns + 4)
    trial : (rows + 4, columns + 4), filled: depth that leaves through frame cells and cells without data
    boxes : (blocks, 4) first and last (exclusive) row and column of each block in the planes
    dt : time step, s

    Returns
    -------
    Whether all depths stayed at zero or above.
    """
    fine = True
    for part in range(2):
        src, dst = state[STAGE * part : STAGE * (part + 1)], state[STAGE * (part + 1) : STAGE * (part + 2)]
        for n in range(boxes.shape[0]):
            _fill_frame(src, boxes[n])
        for n in range(boxes.shape[0]):
            fine = _stage(src, dst, bed, trial, w, boxes[n], dt, rules, float(part)) and fine
    return fine


# ---- What is kept of a step

# Planes of the record: greatest speed, arrival, greatest depth, layer that can be entrained, depth that left through
# the cell, and the same within the current step.
SEEN_SPEED, SEEN_ARRIVAL, SEEN_DEPTH, SEEN_LAYER, SEEN_LEFT, SEEN_LEAVING = range(6)
SEEN_PLANES = 6
# Rows of the sums: depth that moves, twice the kinetic energy, depth entrained, depth that left.
SUM_MOVING, SUM_ENERGY, SUM_ENTRAINED, SUM_LEFT = range(4)
FRONT_M = 0.05  # deeper than this the front has arrived: snow is entrained and people are taken along
EROSION_M = 10.0  # length of flow that takes 63 % of the layer: entrainment at the front (Sovilla & Bartelt 2002)
SLOW_M_S = 0.5  # slower snow does not count as moving when the end of a run is asked for
REACH = 4  # cells that a step looks to either side
LINE = 40  # longest row of a block, and a little more
ALL_AROUND = 511


class StepNumbers(NamedTuple):
    """Numbers of a step that is ended."""

    dry_m: float
    dt_s: float
    time_s: float
    erosion: float  # share of the entrainment that is still granted
    holes: int
    block: int  # cells along a block


@njit(cache=True, nogil=True, error_model="numpy")
def _count_left(seen: FloatArray, bed: FloatArray, sums: FloatArray, box: IntArray, holes: int) -> None:
    """Book what left within the step through cells without data and over the edges beside a block."""
    i0, i1, j0, j1 = box[0], box[1], box[2], box[3]
    bottom, right = seen.shape[1] - 2, seen.shape[2] - 2
    for i in range(i0 - 1 if i0 == 2 else i0, i1 + 1 if i1 == bottom else i1):
        if j0 == 2:
            seen[SEEN_LEFT, i, 1] += seen[SEEN_LEAVING, i, 1]
            sums[SUM_LEFT, i] += seen[SEEN_LEAVING, i, 1]
        if i < 2 or i == bottom or holes:
            for j in range(j0, j1):
                if i < 2 or i == bottom or bed[BED_HOLE, i, j] > 0.0:
                    seen[SEEN_LEFT, i, j] += seen[SEEN_LEAVING, i, j]
                    sums[SUM_LEFT, i] += seen[SEEN_LEAVING, i, j]
        if j1 == right:
            seen[SEEN_LEFT, i, right] += seen[SEEN_LEAVING, i, right]
            sums[SUM_LEFT, i] += seen[SEEN_LEAVING, i, right]


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
    block: int, numbers: StepNumbers
) -> tuple[int, int, int, float]:  # fmt: skip
    """Mean of the old state and the second stage; entrainment; records.

    Returns what ``_reach`` says of the block, the first and last row that changed, and the greatest speed of a wave.
    """
    i0, i1, j0, j1 = box[0], box[1], box[2], box[3]
    dry, dt, time, erosion = numbers.dry_m, numbers.dt_s, numbers.time_s, numbers.erosion
    reach, first, last, fastest, wide = 0, i1, i0, 0.0, j1 - j0
    north = (i0 - 2) // block * block + 2
    south = min(north + block, state.shape[1] - 2) - 1
    for i in range(i0, i1):
        for plane in range(13):
            if plane < STATE_PLANES:
                row = state[plane, i, j0:j1]
            elif plane < STATE_PLANES + 2:
                row = bed[BED_P + plane - STATE_PLANES, i, j0:j1]
            else:
                row = bed[BED_ROOT_X + plane - STATE_PLANES - 2, i, j0:j1]
            line = w[plane * LINE : plane * LINE + wide]
            for c in range(wide):
                line[c] = row[c]
        quick, deep, layer = seen[SEEN_SPEED, i, j0:j1], seen[SEEN_DEPTH, i, j0:j1], seen[SEEN_LAYER, i, j0:j1]
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
                    sums[SUM_ENTRAINED, i] += taken
        for c in range(wide):
            fastest = wave[c] if wave[c] > fastest else fastest
            sums[SUM_MOVING, i] += new[c] if speed[c] > SLOW_M_S else 0.0
            sums[SUM_ENERGY, i] += new[c] * (speed[c] * speed[c])
        row_reach = _reach(wave, wide, i - north, south - i)
        if row_reach > 0:
            reach, first, last = reach | row_reach, min(first, i), max(last, i)
        arrival = seen[SEEN_ARRIVAL, i, j0:j1]
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
    _count_left(seen, bed, sums, box, numbers.holes)
    return reach, first, last, fastest


@njit(cache=True, nogil=True, error_model="numpy")
def choose(active: IntArray, boxes: IntArray, block: int, ny: int, nx: int) -> int:
    """Fill in the boxes of the blocks, and the rows in them, that can change in the next step; return their number.

    ``active``, shape (block rows, block columns, 3): what each block can reach (see ``_reach``), and the first and last
    row in which something happened.
    """
    count = 0
    for bi in range(active.shape[0]):
        for bj in range(active.shape[1]):
            first, last = ny + 2, 0
            for ni in range(max(bi - 1, 0), min(bi + 2, active.shape[0])):
                for nj in range(max(bj - 1, 0), min(bj + 2, active.shape[1])):
                    if active[ni, nj, 0] >> ((1 + bi - ni) * 3 + 1 + bj - nj) & 1:
                        first, last = min(first, active[ni, nj, 1]), max(last, active[ni, nj, 2])
            top, bottom = bi * block + 2, min(bi * block + block, ny) + 2
            top, bottom = max(top, first - REACH), min(bottom, last + REACH + 1)
            if top < bottom:
                boxes[count, 0], boxes[count, 1] = top, bottom
                boxes[count, 2], boxes[count, 3] = bj * block + 2, min(bj * block + block, nx) + 2
                count += 1
    return count


@njit(cache=True, nogil=True, error_model="numpy")
def finish(
    state: FloatArray, seen: FloatArray, bed: FloatArray, boxes: IntArray, active: IntArray, sums: FloatArray,
    numbers: StepNumbers
) -> float:  # fmt: skip
    """End a step on the given blocks; return the greatest speed of a wave, m/s.

    Parameters
    ----------
    state, seen, bed : (planes, rows + 4, columns + 4)
    boxes : (blocks, 4)
    active : (block rows, block columns, 3), filled, see ``choose``
    sums : (4, rows + 4), filled in the order of columns, so that they do not depend on the blocks
    """
    w, fastest, block = np.zeros(18 * LINE), 0.0, numbers.block
    sums[:] = 0.0
    active[:, :, 0] = 0
    for n in range(boxes.shape[0]):
        reach, first, last, wave = _finish_block(state, seen, bed, sums, w, boxes[n], block, numbers)
        bi, bj = (boxes[n, 0] - 2) // block, (boxes[n, 2] - 2) // block
        active[bi, bj, 0], active[bi, bj, 1], active[bi, bj, 2] = reach, first, last
        fastest = max(fastest, wave)
    return fastest
