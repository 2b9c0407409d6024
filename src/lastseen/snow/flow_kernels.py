"""Steps of the depth-averaged flow, what is kept of them and the people it carries: arrays, floats and records."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from lastseen.core import FloatArray, IntArray
from lastseen.snow.flow_planes import (
    AFTER_PLANES, BED_HOLE, BED_P, BED_PLANES, BED_Q, CARRIED, DEPTH, DIFFUSION, EAST, ENTRAINED, FASTEST, GOING,
    GONE, LAST, MOST_MOVING, MOVING, SEEN_ARRIVAL, SEEN_DEPTH, SEEN_LAYER, SEEN_LEAVING, SEEN_LEFT, SEEN_SPEED, SHARE,
    SOUTH, START, STATE_PLANES, STATUS, STEP_S, STEPS, STILL, STUCK, SUM_CELLS, SUM_ENTRAINED, SUM_MOVING, SUNK, TIME_S,
    UPDATES, UPDATES_MOVING, VELOCITY_X, VELOCITY_Y, VISITS, WAITING, WAVE_M_S, CarryRules, FlowPlanes, FlowRules, X,
    Y,
)  # fmt: skip
from lastseen.snow.sliding_mass_kernels import GRAVITY_M_S2

# Local coordinates as for the sliding mass: x east, y and the velocity v *south* (rows downwards). All planes carry a
# frame of two cells, so that cell (i, j) of the ground is (i + 2, j + 2) here.
# One stage, both directions at once. Depth, surface and velocity are linear in a cell and go on by half a step
# (MUSCL-Hancock: van Leer 1979, 1984); HLL fluxes (Harten, Lax & van Leer 1983) whose tangential part goes upwind;
# friction implicit. The bed of a face is surface less depth; steps of it are met by hydrostatic reconstruction (Audusse
# et al. 2004, SIAM J. Sci. Comput. 25:2050) as Chen & Noelle (2017, SIAM J. Numer. Anal. 55:758) have it.
# The pressure at the bed is density g H cos2 of the slope in ``_load_square``. A level pool is in balance, a sheet on a
# plane is not changed.

FRONT_M = 0.05  # deeper than this the front has arrived: snow is entrained and people are taken along
EROSION_M = 10.0  # length of flow that takes 63 % of the layer: entrainment at the front (Sovilla & Bartelt 2002)
SLOW_M_S = 0.5  # slower snow does not count as moving when the end of a run is asked for
GRANTED = 8.0  # entrainment fades over the last eighth of the growth
LIMITER = 1.5  # 1 is minmod, 2 the sharpest that keeps depths positive
BARE = 0.1  # snow thinner than this share of its neighbour's does not carry on its surface; design choice
SAME = 1e-3  # of a jump of the surface: a smaller one of the bed is rounding
STATIC = 1.0 + 1e-9  # friction at rest over friction in motion: keeps the decision free of rounding
REACH = 2  # cells that a step looks to either side
ALL_AROUND = 511


# ---- The laws: one scalar body each


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
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


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _surface_steps(back: float, fore: float, back_counts: float, fore_counts: float) -> tuple[float, float]:
    """Steps of the surface to both sides; one that does not count (0, else 1) is as the other, or none."""
    back, fore = back * back_counts, fore * fore_counts
    return back + (1.0 - back_counts) * fore, fore + (1.0 - fore_counts) * back


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _steepest(a: float, b: float) -> float:
    """The steepest difference that keeps the sides of a cell between it and its neighbours; 0 at an extreme."""
    low, high = a if a < b else b, a if a > b else b
    return LIMITER * ((low if low > 0.0 else 0.0) + (high if high < 0.0 else 0.0))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _between(x: float, a: float, b: float) -> float:
    """The middle one of three numbers."""
    low, high = a if a < b else b, a if a > b else b
    x = x if x > low else low
    return x if x < high else high


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _load_square(x: float, y: float, p: float, q: float, of_bed: float) -> float:
    """cos2 of the slope whose load the bed feels, from the slopes of surface and bed.

    That of the bed in the direction in which the surface falls, so that snow between walls weighs as on its thalweg and
    a pile on a plane as on the plane. A surface less than half as steep as the bed there counts itself.
    """
    surface, along = x * x + y * y, x * p + y * q
    along = along if along > 0.0 else 0.0  # snow banked against a wall does not fall with the bed
    along = along * along / (surface if surface > 0.0 else 1.0)
    more = along - surface
    share = 4.0 * surface / (along if along > 0.0 else 1.0) - 1.0
    share = share if share > 0.0 else 0.0
    share = share if share < 1.0 else 1.0
    square = 1.0 / (1.0 + (surface + share * (more if more > 0.0 else 0.0)))
    return square if square > of_bed else of_bed


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _curvature(r: float, s: float, t: float, u: float, v: float) -> float:
    """What the bend of the bed under the velocity adds to gravity, m/s2; negative over a crest."""
    return (r * u * u + t * v * v) + 2.0 * s * u * v


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _load(square: float, cosine: float, width: float, bend: float) -> float:
    """Acceleration that presses the snow on the bed per unit of map, m/s2; ``square`` is cos2 of the load."""
    load = GRAVITY_M_S2 * square * width + bend * cosine
    return load if load > 0.0 else 0.0


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _fall(square: float, cosine: float, bend: float) -> float:
    """What gravity pulls along a slope of one beyond the gradient of the surface, m/s2; never less than gravity 0."""
    bend = bend if bend > -GRAVITY_M_S2 else -GRAVITY_M_S2
    return (GRAVITY_M_S2 * (1.0 - square) + bend) * (cosine * cosine)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _kept(speed: float, brake: float, drag: float) -> float:
    """Share of the speed that Coulomb friction and cohesion (``brake``) leave, Voellmy's quadratic solved."""
    left = speed - brake
    left = left if left > 0.0 else 0.0
    return 2.0 * left / ((1.0 + math.sqrt(1.0 + 4.0 * drag * left)) * (speed if speed > 0.0 else 1.0))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _kept_halfway(speed: float, brake: float, drag: float) -> float:
    """The same to first order in the drag, for the half step that only gives the faces their values."""
    left = speed - brake
    left = left if left > 0.0 else 0.0
    return left / ((1.0 + drag * left) * (speed if speed > 0.0 else 1.0))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _hll(
    hl: float, ul: float, vl: float, cl: float, hr: float, ur: float, vr: float, cr: float, askew: float, dry: float
) -> tuple[float, float, float, float]:
    """Fluxes of mass, normal and tangential momentum, and half the square of the depth.

    On a slope askew to the lattice pressure also pushes along the face, ``askew`` times as much as across; v - askew u
    is what its waves leave alone, so that is what is carried upwind.
    """
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
    gap = sr - sl
    inverse = 1.0 / (gap if gap > 0.0 else 1.0)
    wl, wr, d = sr * inverse, -sl * inverse, sl * sr * inverse
    ql, qr = hl * ul, hr * ur
    mass = (wl * ql + wr * qr) + d * (hr - hl)
    normal = (wl * (ql * ul) + wr * (qr * ur)) + d * (qr - ql)
    side_l, side_r = vl - askew * ul, vr - askew * ur
    side = side_l if mass > 0.0 else side_r
    return mass, normal, mass * side + askew * normal, 0.5 * (wl * (hl * hl) + wr * (hr * hr))


# ---- One step of one block
# Scratch planes of a block with its halo of two cells. All offsets are literal, so that the compiler sees that nothing
# overlaps; what lies beyond the block is computed as well and not used.

LARGEST_BLOCK = 16
ROW = LARGEST_BLOCK + 4
PLANE = ROW * (LARGEST_BLOCK + 6)
H, U, V, Z, P, Q, R, S, T, ROOT_X, ROOT_Y, ASKEW_X, ASKEW_Y, COSINE, WIDTH, HOLE, BED_X, BED_Y = (
    PLANE * p + ROW for p in range(18)
)
STIR, LEVEL, SQUARE, COS, SLOPE_X, SLOPE_Y, RISE_X, RISE_Y, HALF_H, HALF_U, HALF_V = (
    PLANE * (18 + p) + ROW for p in range(11)
)
HX, UX, VX, ZX, HY, UY, VY, ZY = (PLANE * (29 + p) + ROW for p in range(8))
MASS_X, NORMAL_X, ALONG_X, LEFT_X, RIGHT_X, MASS_Y, NORMAL_Y, ALONG_Y, LEFT_Y, RIGHT_Y = (
    PLANE * (37 + p) + ROW for p in range(10)
)
NEW_H, NEW_U, NEW_V, SPEED, WAVE = (PLANE * (47 + p) + ROW for p in range(5))
SCRATCH = PLANE * 53


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _copy_rows(w: FloatArray, state: FloatArray, bed: FloatArray, box: IntArray, wide: int) -> None:
    """Rows of a block with its halo, ``wide`` cells each."""
    i0, left = box[0] - 2, box[2] - 2
    for a in range(box[1] - i0 + 2):
        at = (a - 1) * ROW
        for plane in range(STATE_PLANES):
            row, line = state[plane, i0 + a, left : left + wide], w[H + plane * PLANE + at :]
            for c in range(wide):
                line[c] = row[c]
        for plane in range(BED_PLANES):
            row, line = bed[plane, i0 + a, left : left + wide], w[Z + plane * PLANE + at :]
            for c in range(wide):
                line[c] = row[c]


@njit(cache=True, nogil=True, error_model="numpy")
def _copy_in(w: FloatArray, state: FloatArray, bed: FloatArray, box: IntArray) -> None:
    """Copy a block with its halo into the scratch planes; loops of a literal length are much quicker."""
    if box[3] - box[2] == LARGEST_BLOCK:
        _copy_rows(w, state, bed, box, ROW)
    else:
        _copy_rows(w, state, bed, box, box[3] - box[2] + 4)


@njit(cache=True, nogil=True, error_model="numpy")
def _weigh(w: FloatArray, n: int, rules: FlowRules) -> None:
    """Slopes of the free surface, and cos2 of the load: of the surface where it is flatter than the bed."""
    per_cell, dry = 1.0 / rules.cell_m, rules.dry_m
    for k in range(n + 2 * ROW):
        w[STIR - ROW + k] = abs(w[U - ROW + k]) + abs(w[V - ROW + k])
        w[LEVEL - ROW + k] = w[H - ROW + k] + w[Z - ROW + k]
    for k in range(n):
        h, e, cosine = w[H + k], w[LEVEL + k], w[COSINE + k]
        west, east, north, south = w[LEVEL - 1 + k], w[LEVEL + 1 + k], w[LEVEL - ROW + k], w[LEVEL + ROW + k]
        # Beside ground that stands higher and is as good as bare, and beside no data, the surface of snow ends.
        wet, bare = h > dry, BARE * h
        on_west = 0.0 if wet and ((w[H - 1 + k] <= bare and west > e) or w[HOLE - 1 + k] > 0.0) else 1.0
        on_east = 0.0 if wet and ((w[H + 1 + k] <= bare and east > e) or w[HOLE + 1 + k] > 0.0) else 1.0
        on_north = 0.0 if wet and ((w[H - ROW + k] <= bare and north > e) or w[HOLE - ROW + k] > 0.0) else 1.0
        on_south = 0.0 if wet and ((w[H + ROW + k] <= bare and south > e) or w[HOLE + ROW + k] > 0.0) else 1.0
        x_back, x_fore = _surface_steps(e - west, east - e, on_west, on_east)
        y_back, y_fore = _surface_steps(e - north, south - e, on_north, on_south)
        x, y = per_cell * (0.5 * (x_back + x_fore)), per_cell * (0.5 * (y_back + y_fore))
        hx = _limited(h - w[H - 1 + k], w[H + 1 + k] - h)
        hy = _limited(h - w[H - ROW + k], w[H + ROW + k] - h)
        w[HX + k], w[HY + k] = hx, hy
        w[RISE_X + k] = _between(w[BED_X + k] + hx, 0.0, _steepest(x_back, x_fore))
        w[RISE_Y + k] = _between(w[BED_Y + k] + hy, 0.0, _steepest(y_back, y_fore))
        of_bed = cosine * cosine
        square = _load_square(x, y, w[P + k], w[Q + k], of_bed)
        square = square if wet else of_bed
        w[SLOPE_X + k], w[SLOPE_Y + k], w[SQUARE + k], w[COS + k] = x, y, square, math.sqrt(square)


@njit(cache=True, nogil=True, error_model="numpy")
def _predict(w: FloatArray, n: int, dt: float, rules: FlowRules) -> None:
    """Limited slopes (half of each is kept), and depth and velocity after half the step."""
    half, dry = 0.5 * dt, rules.dry_m
    per_cell = half / rules.cell_m
    for k in range(n):
        h, u, v = w[H + k], w[U + k], w[V + k]
        hx, hy, ex, ey = w[HX + k], w[HY + k], w[RISE_X + k], w[RISE_Y + k]
        ux = _limited(u - w[U - 1 + k], w[U + 1 + k] - u)
        vx = _limited(v - w[V - 1 + k], w[V + 1 + k] - v)
        uy = _limited(u - w[U - ROW + k], w[U + ROW + k] - u)
        vy = _limited(v - w[V - ROW + k], w[V + ROW + k] - v)
        square, cosine, width = w[SQUARE + k], w[COSINE + k], w[WIDTH + k]
        ax, ay = square * w[ROOT_X + k] * w[ROOT_X + k], square * w[ROOT_Y + k] * w[ROOT_Y + k]
        axy = w[ASKEW_X + k] * ax
        bend = _curvature(w[R + k], w[S + k], w[T + k], u, v)
        p, q, fall = w[P + k], w[Q + k], half * _fall(square, cosine, bend)
        on = h > dry and w[STIR + k] > 0.0
        ahead = h - per_cell * ((u * hx + h * ux) + (v * hy + h * vy))
        ahead = ahead if ahead > 0.0 else 0.0
        us = (u - per_cell * ((u * ux + v * uy) + (ax * ex + axy * ey))) - fall * p
        vs = (v - per_cell * ((u * vx + v * vy) + (ay * ey + axy * ex))) - fall * q
        z = p * us + q * vs
        speed = math.sqrt((us * us + vs * vs) + z * z)
        per_depth = width / (h if h > dry else dry)
        brake = half * (rules.friction * _load(square, cosine, width, bend) + rules.hold_m2_s2 * per_depth)
        share = _kept_halfway(speed, brake, half * rules.drag * per_depth)
        share = share if on else 0.0
        w[HALF_H + k] = ahead if on else h
        w[HALF_U + k], w[HALF_V + k] = us * share, vs * share
        w[HX + k], w[UX + k], w[VX + k], w[ZX + k] = 0.5 * hx, 0.5 * ux, 0.5 * vx, 0.5 * (ex - hx)
        w[HY + k], w[UY + k], w[VY + k], w[ZY + k] = 0.5 * hy, 0.5 * uy, 0.5 * vy, 0.5 * (ey - hy)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _faces(
    w: FloatArray, n: int, dry: float, shift: int, across: int, along: int, dh: int, du: int, dv: int, dz: int,
    rise: int, root: int, askew: int, mass_at: int, normal_at: int, along_at: int, left_at: int, right_at: int
) -> None:  # fmt: skip
    """Fluxes through the face between every cell and the one ``shift`` before it.

    ``left`` and ``right`` are half the square of the depth as either cell feels it: with what its side of a step in
    the bed adds. Between cells at rest nothing passes.
    """
    for k in range(n):
        hl, hr = w[(HALF_H - shift) + k] + w[(dh - shift) + k], w[HALF_H + k] - w[dh + k]
        hl, hr = hl if hl > 0.0 else 0.0, hr if hr > 0.0 else 0.0
        zl, zr = w[(Z - shift) + k] + w[(dz - shift) + k], w[Z + k] - w[dz + k]
        el, er = hl + zl, hr + zr
        ul, ur = w[(across - shift) + k] + w[(du - shift) + k], w[across + k] - w[du + k]
        # Where the bed steps, or bends under slow snow, and the two sides disagree with the cells on which way the
        # surface falls, it is level: else the face pushes back what slides onto a deposit, which never comes to rest.
        jump, turn = er - el, abs(w[rise + k] - w[(rise - shift) + k])
        slow = ul * ul + ur * ur < GRAVITY_M_S2 * abs(jump)
        bends = abs(zr - zl) > SAME * abs(jump) or (slow and turn > SAME * abs(jump))
        crossed = bends and jump * (w[LEVEL + k] - w[(LEVEL - shift) + k]) < 0.0
        level, join, thin = 0.5 * (el + er), 0.5 * (zl + zr), hl <= dry or hr <= dry
        zl = (join if thin else level - hl) if crossed else zl  # a film at the edge of bare ground keeps its depth
        zr = (join if thin else level - hr) if crossed else zr
        el, er = hl + zl, hr + zr
        bed, top = zl if zl > zr else zr, el if el < er else er
        bed = bed if bed < top else top
        al, ar = el - bed, er - bed
        al, ar = al if al < hl else hl, ar if ar < hr else hr
        vl, vr = w[(along - shift) + k] + w[(dv - shift) + k], w[along + k] - w[dv + k]
        cl = w[(root - shift) + k] * w[(COS - shift) + k] * math.sqrt(al)
        cr = w[root + k] * w[COS + k] * math.sqrt(ar)
        tilt = 0.5 * (w[(askew - shift) + k] + w[askew + k])
        mass, normal, side, half = _hll(al, ul, vl, cl, ar, ur, vr, cr, tilt, dry)
        on = w[(STIR - shift) + k] + w[STIR + k] > 0.0 and (al > dry or ar > dry)
        half = half if on else 0.25 * (al * al + ar * ar)
        w[mass_at + k] = mass if on else 0.0
        w[normal_at + k] = normal if on else 0.0
        w[along_at + k] = side if on else 0.0
        w[left_at + k] = half + 0.5 * (hl + al) * (bed - zl)
        w[right_at + k] = half + 0.5 * (hr + ar) * (bed - zr)


@njit(cache=True, nogil=True, error_model="numpy")
def _faces_x(w: FloatArray, n: int, dry: float) -> None:
    """Faces between a cell and its western neighbour."""
    _faces(
        w, n, dry, 1, HALF_U, HALF_V, HX, UX, VX, ZX, BED_X, ROOT_X, ASKEW_X, MASS_X, NORMAL_X, ALONG_X, LEFT_X, RIGHT_X
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _faces_y(w: FloatArray, n: int, dry: float) -> None:
    """Faces between a cell and its northern neighbour."""
    _faces(
        w, n, dry, ROW, HALF_V, HALF_U, HY, VY, UY, ZY, BED_Y, ROOT_Y, ASKEW_Y, MASS_Y, NORMAL_Y, ALONG_Y, LEFT_Y,
        RIGHT_Y
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _edge_face(
    w: FloatArray, at: int, cell: int, out: float, across: int, along: int, dh: int, du: int, dv: int, mass: int,
    normal: int, side: int, left: int, right: int
) -> float:  # fmt: skip
    """A face on the edge of the ground: what leaves passes as it comes and is returned; nothing enters."""
    h = w[HALF_H + cell] + out * w[dh + cell]
    h = h if h > 0.0 else 0.0
    u, v = w[across + cell] + out * w[du + cell], w[along + cell] + out * w[dv + cell]
    gone = h * u if u * out > 0.0 and w[STIR + cell] > 0.0 else 0.0
    w[mass + at], w[normal + at], w[side + at] = gone, gone * u, gone * v
    w[left + at] = w[right + at] = 0.5 * h * h
    return out * gone


@njit(cache=True, nogil=True, error_model="numpy")
def _edges(w: FloatArray, box: IntArray, leaving: FloatArray, per_cell: float) -> None:
    """The faces of a block on the edges of the ground."""
    for m in range(box[1] - box[0]):
        at, i = (1 + m) * ROW + 2, box[0] + m
        for side in range(2):
            face, cell, j = at + side * (box[3] - box[2]), at + side * (box[3] - box[2] - 1), box[3] if side else 1
            if j == leaving.shape[1] - 2 or (side == 0 and box[2] == 2):
                leaving[i, j] = per_cell * _edge_face(
                    w, face, cell, 2.0 * side - 1.0, HALF_U, HALF_V, HX, UX, VX, MASS_X, NORMAL_X, ALONG_X, LEFT_X,
                    RIGHT_X
                )  # fmt: skip
    for m in range(box[3] - box[2]):
        at, j = ROW + 2 + m, box[2] + m
        for side in range(2):
            face, i = at + side * (box[1] - box[0]) * ROW, box[1] if side else 1
            if i == leaving.shape[0] - 2 or (side == 0 and box[0] == 2):
                leaving[i, j] = per_cell * _edge_face(
                    w, face, face - side * ROW, 2.0 * side - 1.0, HALF_V, HALF_U, HY, VY, UY, MASS_Y, NORMAL_Y, ALONG_Y,
                    LEFT_Y, RIGHT_Y
                )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _update(w: FloatArray, n: int, dt: float, rules: FlowRules) -> None:
    """Depth and velocity after the step.

    Momentum that friction would reverse becomes zero, and snow at rest among snow at rest stays where the slope of the
    surface and gravity do not exceed friction (Mangeney-Castelnau et al. 2003).
    """
    per_cell, dry = dt / rules.cell_m, rules.dry_m
    for k in range(n):
        h, p, q, cosine, width = w[H + k], w[P + k], w[Q + k], w[COSINE + k], w[WIDTH + k]
        square = w[SQUARE + k]
        ax, ay = square * w[ROOT_X + k] * w[ROOT_X + k], square * w[ROOT_Y + k] * w[ROOT_Y + k]
        axy = w[ASKEW_X + k] * ax
        carried_x = (w[NORMAL_X + 1 + k] - w[NORMAL_X + k]) + (w[ALONG_Y + ROW + k] - w[ALONG_Y + k])
        carried_y = (w[ALONG_X + 1 + k] - w[ALONG_X + k]) + (w[NORMAL_Y + ROW + k] - w[NORMAL_Y + k])
        gone = (w[MASS_X + 1 + k] - w[MASS_X + k]) + (w[MASS_Y + ROW + k] - w[MASS_Y + k])
        deep = h - per_cell * gone
        # Between its two sides a cell has the bed of its surface; at rest depth is that of both times, and a level
        # surface pushes nothing.
        push_x = (w[LEFT_X + 1 + k] - w[RIGHT_X + k]) + (h + deep) * w[ZX + k]
        push_y = (w[LEFT_Y + ROW + k] - w[RIGHT_Y + k]) + (h + deep) * w[ZY + k]
        wet = deep > dry and w[HOLE + k] == 0.0
        inverse = 1.0 / (deep if wet else dry)
        u = (h * w[U + k] - per_cell * (carried_x + (ax * push_x + axy * push_y))) * inverse
        v = (h * w[V + k] - per_cell * (carried_y + (ay * push_y + axy * push_x))) * inverse
        bend = _curvature(w[R + k], w[S + k], w[T + k], u, v)
        fall = dt * _fall(square, cosine, bend)
        u -= fall * p
        v -= fall * q
        z = p * u + q * v
        speed = math.sqrt((u * u + v * v) + z * z)
        per_depth = inverse * width
        hold = rules.hold_m2_s2 * per_depth
        brake = dt * (rules.friction * _load(square, cosine, width, bend) + hold)
        x, y, rest = w[SLOPE_X + k], w[SLOPE_Y + k], _fall(square, cosine, 0.0)
        fx, fy = rest * p + (ax * x + axy * y), rest * q + (ay * y + axy * x)
        fz = p * fx + q * fy
        resist = (rules.friction * _load(square, cosine, width, 0.0) + hold) * STATIC
        around = (w[STIR - 1 + k] + w[STIR + 1 + k]) + (w[STIR - ROW + k] + w[STIR + ROW + k])
        still = w[STIR + k] + around == 0.0
        held = still and (fx * fx + fy * fy) + fz * fz <= resist * resist
        on = wet and speed > 0.0 and not held
        share = _kept(speed, brake, dt * rules.drag * per_depth)
        passing = (abs(w[MASS_X + k]) + abs(w[MASS_X + 1 + k])) + (abs(w[MASS_Y + k]) + abs(w[MASS_Y + ROW + k]))
        on = on and (w[STIR + k] == 0.0 or passing > 0.0)  # a film between steps of the bed would gain speed for ever
        share = min(share, rules.most_m_s / (speed if on else 1.0)) if on else 0.0
        u, v = u * share, v * share
        wave = math.sqrt(square * (deep if deep > 0.0 else 0.0)) * (w[ROOT_X + k] + w[ROOT_Y + k])
        moves = (abs(u) + abs(v)) + (w[STIR + k] + abs(deep - h)) > 0.0
        w[NEW_H + k], w[NEW_U + k], w[NEW_V + k] = deep, u, v
        w[SPEED + k] = speed * share
        w[WAVE + k] = (abs(u) + abs(v)) + wave if moves else 0.0


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _copy_rows_back(w: FloatArray, after: FloatArray, box: IntArray, wide: int) -> int:
    """Rows of a block, ``wide`` cells each; how many depths are below zero."""
    below = 0
    for a in range(box[1] - box[0]):
        at, i, j = (1 + a) * ROW + 2, box[0] + a, box[2]
        for plane in range(AFTER_PLANES):
            row, line = after[plane, i, j : j + wide], w[NEW_H + plane * PLANE + at :]
            for c in range(wide):
                row[c] = line[c]
        for c in range(wide):
            below += 1 if w[NEW_H + at + c] < 0.0 else 0
    return below


@njit(cache=True, nogil=True, error_model="numpy")
def _copy_out(w: FloatArray, planes: FlowPlanes, box: IntArray, holes: int) -> int:
    """Copy the block back; how many depths fell below zero. What flowed into cells without data leaves there."""
    if box[3] - box[2] == LARGEST_BLOCK:
        below = _copy_rows_back(w, planes.after, box, LARGEST_BLOCK)
    else:
        below = _copy_rows_back(w, planes.after, box, box[3] - box[2])
    if holes:
        for i in range(box[0], box[1]):
            for j in range(box[2], box[3]):
                if planes.bed[BED_HOLE, i, j] > 0.0:
                    planes.seen[SEEN_LEAVING, i, j] = planes.after[DEPTH, i, j]
                    planes.after[DEPTH, i, j] = 0.0
    return below


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_frame(field: FloatArray, box: IntArray) -> None:
    """Open edges: the frame beside a block shows what its outermost cells hold."""
    i0, i1, j0, j1 = box[0], box[1], box[2], box[3]
    bottom, right = field.shape[1] - 2, field.shape[2] - 2
    for plane in range(STATE_PLANES):
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
def step(planes: FlowPlanes, boxes: IntArray, dt: float, rules: FlowRules) -> bool:
    """Try a step on the given blocks, from ``state`` to ``after``; whether all depths stayed at zero or above."""
    w, below = planes.scratch, 0
    for b in range(boxes.shape[0]):
        _fill_frame(planes.state, boxes[b])
    for box in boxes:
        n = (box[1] - box[0] + 2) * ROW  # without the outermost rows
        _copy_in(w, planes.state, planes.bed, box)
        _weigh(w, n, rules)
        _predict(w, n, dt, rules)
        _faces_x(w, n - ROW, rules.dry_m)
        _faces_y(w, n, rules.dry_m)
        _edges(w, box, planes.seen[SEEN_LEAVING], dt / rules.cell_m)
        _update(w, n - ROW, dt, rules)
        below += _copy_out(w, planes, box, rules.holes)
    return below == 0


# ---- What is kept of a step


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _finish_rows(
    planes: FlowPlanes, box: IntArray, dt: float, time: float, erosion: float, rules: FlowRules, wide: int
) -> tuple[int, int, int, float]:
    """Adopt the rows of a block, ``wide`` cells each; see ``_finish_block``."""
    w, state, after, seen, sums = planes.scratch, planes.state, planes.after, planes.seen, planes.sums
    j, reach, first, last, fastest = box[2], 0, box[1], box[0], 0.0
    north = (box[0] - 2) // rules.block * rules.block + 2
    south = min(north + rules.block, state.shape[1] - 2) - 1
    for i in range(box[0], box[1]):
        for plane in range(AFTER_PLANES):
            row, line = after[plane, i, j : j + wide], w[NEW_H + plane * PLANE :]
            for c in range(wide):
                line[c] = row[c]
        layer = seen[SEEN_LAYER, i, j : j + wide]
        if erosion > 0.0:
            for c in range(wide):
                w[H + c] = layer[c]
            for c in range(wide):
                h, way = w[NEW_H + c], w[SPEED + c] * dt / EROSION_M
                taken = erosion * w[H + c] * way / (1.0 + way)
                taken = taken if h > FRONT_M else 0.0
                deep = h + taken
                share = h / (deep if deep > 0.0 else 1.0)  # what lay at rest has to be set in motion
                share = share if taken > 0.0 else 1.0
                w[H + c] -= taken
                w[U + c] = taken
                w[NEW_H + c] = deep
                w[NEW_U + c] *= share
                w[NEW_V + c] *= share
                w[SPEED + c] *= share
            for c in range(wide):
                layer[c] = w[H + c]
            entrained = sums[SUM_ENTRAINED, i]
            for c in range(wide):
                entrained += w[U + c]
            sums[SUM_ENTRAINED, i] = entrained
        for plane in range(STATE_PLANES):
            row, line = state[plane, i, j : j + wide], w[NEW_H + plane * PLANE :]
            for c in range(wide):
                row[c] = line[c]
        most, cells, moving = 0.0, 0, sums[SUM_MOVING, i]
        for c in range(wide):
            most = w[WAVE + c] if w[WAVE + c] > most else most
        if most > 0.0:
            for c in range(wide):
                moving += w[NEW_H + c] if w[SPEED + c] > SLOW_M_S else 0.0
                cells += 1 if w[WAVE + c] > 0.0 else 0
            sums[SUM_MOVING, i] = moving
            sums[SUM_CELLS, i] += cells
            row_reach = 2
            for c in range(REACH):
                row_reach |= 1 if w[WAVE + c] > 0.0 else 0
                row_reach |= 4 if w[WAVE + wide - 1 - c] > 0.0 else 0
            reach |= (row_reach if i - north < REACH else 0) | row_reach << 3
            reach |= row_reach << 6 if south - i < REACH else 0
            first, last, fastest = min(first, i), max(last, i), max(fastest, most)
            quick, deep_most = seen[SEEN_SPEED, i, j : j + wide], seen[SEEN_DEPTH, i, j : j + wide]
            arrival = seen[SEEN_ARRIVAL, i, j : j + wide]
            for c in range(wide):
                arrival[c] = time if w[NEW_H + c] > FRONT_M and arrival[c] != arrival[c] else arrival[c]
            for c in range(wide):
                quick[c] = w[SPEED + c] if w[SPEED + c] > quick[c] else quick[c]
            for c in range(wide):
                deep_most[c] = w[NEW_H + c] if w[NEW_H + c] > deep_most[c] else deep_most[c]
    return reach, first, last, fastest


@njit(cache=True, nogil=True, error_model="numpy")
def _finish_block(
    planes: FlowPlanes, box: IntArray, dt: float, time: float, erosion: float, rules: FlowRules
) -> tuple[int, int, int, float]:
    """Adopt the state after the step; entrainment; records.

    Returns bits (row by row, 3 x 3) of the blocks within the cells that the next step looks from changed ones, the
    first and last row that changed, and the greatest speed of a wave.
    """
    if box[3] - box[2] == LARGEST_BLOCK:
        found = _finish_rows(planes, box, dt, time, erosion, rules, LARGEST_BLOCK)
    else:
        found = _finish_rows(planes, box, dt, time, erosion, rules, box[3] - box[2])
    bottom, right = planes.state.shape[1] - 2, planes.state.shape[2] - 2
    if rules.holes or box[0] == 2 or box[1] == bottom or box[2] == 2 or box[3] == right:
        part = planes.seen[:, box[0] - 1 : box[1] + 1, box[2] - 1 : box[3] + 1]  # what left within the step is booked
        part[SEEN_LEFT] += part[SEEN_LEAVING]
        part[SEEN_LEAVING] = 0.0
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def finish(planes: FlowPlanes, boxes: IntArray, dt: float, time: float, rules: FlowRules) -> float:
    """Adopt a step on the given blocks and keep what is asked for later; the greatest speed of a wave, m/s."""
    fastest, clock, active, sums = 0.0, planes.clock, planes.active, planes.sums
    left = 1.0 - clock[ENTRAINED] / rules.most_entrained if rules.most_entrained > 0.0 else 0.0
    erosion = min(1.0, max(0.0, GRANTED * left))
    sums[:] = 0.0
    active[:, :, 0] = 0
    for b in range(boxes.shape[0]):
        reach, first, last, wave = _finish_block(planes, boxes[b], dt, time, erosion, rules)
        bi, bj = (boxes[b, 0] - 2) // rules.block, (boxes[b, 2] - 2) // rules.block
        active[bi, bj, 0], active[bi, bj, 1], active[bi, bj, 2] = reach, first, last
        fastest = max(fastest, wave)
        clock[UPDATES] += (boxes[b, 1] - boxes[b, 0]) * (boxes[b, 3] - boxes[b, 2])
    moving = 0.0
    for i in range(sums.shape[1]):
        moving += sums[SUM_MOVING, i]
        clock[ENTRAINED] += sums[SUM_ENTRAINED, i]
        clock[UPDATES_MOVING] += sums[SUM_CELLS, i]
    clock[MOVING], clock[MOST_MOVING] = moving, max(moving, clock[MOST_MOVING])
    return fastest


# ---- People in the flow

HOLD_M = 0.2  # snow of half a lying person's depth or more carries and holds them; design choice, no source
STILL_M_S = 0.1  # slower is at rest
ALONE_M = 0.5  # design choice: depth in the drag of a person who slides without snow; 10 to 15 m/s on steep slopes


@njit(cache=True, nogil=True, error_model="numpy")
def _around(state: FloatArray, x: float, y: float) -> tuple[float, float, float]:
    """Depth, and velocity of the snow (weighted by depth), between cell centres; x and y in cells of the planes."""
    j, i = int(x), int(y)  # both are above 1
    fx, fy = x - j, y - i
    h, qx, qy = 0.0, 0.0, 0.0
    for di in range(2):
        for dj in range(2):
            part = (fx if dj else 1.0 - fx) * (fy if di else 1.0 - fy) * state[DEPTH, i + di, j + dj]
            h += part
            qx += part * state[VELOCITY_X, i + di, j + dj]
            qy += part * state[VELOCITY_Y, i + di, j + dj]
    if h <= 0.0:
        return 0.0, 0.0, 0.0
    return h, qx / h, qy / h


@njit(cache=True, nogil=True, error_model="numpy")
def _chance(seed: int, tracer: int, step: int) -> float:
    """Uniform number with mean 0 and variance 1 from three counters (splitmix64: Steele, Lea & Flood 2014)."""
    z = np.uint64(seed) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(tracer) * np.uint64(0xD1B54A32D192ED03)
    z = z + np.uint64(step) * np.uint64(0x8CB92BA72F3D8DD7)
    for _ in range(2):
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        z = z ^ (z >> np.uint64(31))
    return (float(z >> np.uint64(11)) / 4503599627370496.0 - 1.0) * math.sqrt(3.0)


@njit(cache=True, nogil=True, error_model="numpy")
def _alone(east: float, south: float, p: float, q: float, rules: CarryRules, dt: float) -> tuple[float, float]:
    """Velocity after a step of a person whom the snow left behind: Voellmy friction on a slope, never backwards."""
    steep = 1.0 + p * p + q * q
    east -= dt * GRAVITY_M_S2 * p / steep
    south -= dt * GRAVITY_M_S2 * q / steep
    square = east * east + south * south + (east * p + south * q) ** 2
    speed = math.sqrt(square)
    if speed <= 0.0:
        return 0.0, 0.0
    brake = dt * GRAVITY_M_S2 * (rules.friction / math.sqrt(steep) + square / (rules.turbulence_m_s2 * ALONE_M))
    left = max(0.0, 1.0 - brake / speed)
    return east * left, south * left


@njit(cache=True, nogil=True, error_model="numpy")
def carry(
    carried: FloatArray, trail: IntArray, state: FloatArray, bed: FloatArray, rules: CarryRules, time: float, dt: float,
    step: int
) -> int:  # fmt: skip
    """Move the carried through one step that ends at ``time``; returns how many still move.

    Deep snow carries and holds people. Where the snow has left a person behind, they slide on by themselves until
    deeper snow takes or holds them, or friction stops them. ``trail`` are cells by number; a full one stays.
    """
    cell, fine = rules.cell_m, rules.trail_cell_m
    moving = 0
    for n in range(carried.shape[0]):
        if carried[n, STATUS] > CARRIED:
            continue
        x, y = carried[n, X] / cell + 1.5, carried[n, Y] / cell + 1.5
        h, u, v = _around(state, x, y)
        if carried[n, STATUS] == WAITING:
            if (
                (h > FRONT_M and math.hypot(u, v) > STILL_M_S)
                if math.isnan(carried[n, START])
                else time >= carried[n, START]
            ):
                carried[n, STATUS] = CARRIED
            else:
                continue
        share = carried[n, SHARE]
        if h > HOLD_M:
            hm, um, vm = _around(state, x + 0.5 * dt * share * u / cell, y + 0.5 * dt * share * v / cell)
            if hm > 0.0:
                u, v = um, vm
            east, south = share * u, share * v
            speed = math.hypot(u, v)
            if share * speed > STILL_M_S and carried[n, DIFFUSION] > 0.0:
                aside = _chance(rules.seed, n, step) * math.sqrt(2.0 * carried[n, DIFFUSION] * dt) / speed
                carried[n, X] -= aside * v
                carried[n, Y] += aside * u
        else:
            i, j = int(y + 0.5), int(x + 0.5)
            east, south = _alone(carried[n, EAST], carried[n, SOUTH], bed[BED_P, i, j], bed[BED_Q, i, j], rules, dt)
        # Half of the velocity before and half of that after the step: steps are long.
        go_x, go_y = 0.5 * dt * (carried[n, EAST] + east), 0.5 * dt * (carried[n, SOUTH] + south)
        carried[n, EAST], carried[n, SOUTH] = east, south
        speed = math.hypot(east, south)
        if speed <= STILL_M_S and h > HOLD_M:
            continue
        if speed <= 0.0:
            continue
        moving += 1
        carried[n, LAST] = time
        carried[n, FASTEST] = max(carried[n, FASTEST], speed)
        parts = 1 + int(2.0 * math.hypot(go_x, go_y) / fine) if fine > 0.0 else 1  # the trail misses no cell
        for _ in range(parts):
            carried[n, X] += go_x / parts
            carried[n, Y] += go_y / parts
            i, j = int(carried[n, Y] / cell + 2.0), int(carried[n, X] / cell + 2.0)
            if i < 2 or j < 2 or i >= state.shape[1] - 2 or j >= state.shape[2] - 2:
                carried[n, STATUS] = GONE
                break
            visits = int(carried[n, VISITS])
            if 0 < visits < trail.shape[1]:
                wide = int((state.shape[2] - 4) * cell / fine + 0.5)
                entered = int(carried[n, Y] / fine) * wide + int(carried[n, X] / fine)
                if entered != trail[n, visits - 1]:
                    trail[n, visits] = entered
                    carried[n, VISITS] += 1.0
            if bed[BED_HOLE, i, j] > 0.0:
                carried[n, STATUS] = SUNK
                break
    return moving


# ---- Steps in a row


@njit(cache=True, nogil=True, error_model="numpy")
def choose(active: IntArray, boxes: IntArray, block: int, ny: int, nx: int) -> int:
    """Fill in the boxes of the blocks, and the rows in them, that can change in the next step; return their number."""
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
def advance(
    planes: FlowPlanes, carried: FloatArray, trail: IntArray, rules: FlowRules, carry_rules: CarryRules,
    pause_s: float, most_steps: int
) -> int:  # fmt: skip
    """Take steps until a time is passed, or at most so many; one that leaves less than nothing is taken again, halved.

    Returns ``GOING``, ``STILL`` where no snow can move any more, or ``STUCK`` where no step is short enough.
    """
    clock, ny, nx = planes.clock, planes.state.shape[1] - 4, planes.state.shape[2] - 4
    for _ in range(most_steps):
        left = rules.time_limit_s - clock[TIME_S]
        if left <= 0.0 or clock[TIME_S] >= pause_s:
            return GOING
        count = choose(planes.active, planes.boxes, rules.block, ny, nx)
        if count == 0:
            return STILL
        boxes, dt = planes.boxes[:count], rules.longest_step_s
        if clock[WAVE_M_S] * dt > rules.courant * rules.cell_m:
            dt = rules.courant * rules.cell_m / clock[WAVE_M_S]
        dt = min(dt, left)
        while not step(planes, boxes, dt, rules):
            dt *= 0.5
            if not dt > rules.shortest_step_s:
                return STUCK
        clock[TIME_S] = clock[TIME_S] + dt if dt < left else rules.time_limit_s
        clock[STEP_S], clock[STEPS] = dt, clock[STEPS] + 1.0
        clock[WAVE_M_S] = finish(planes, boxes, dt, clock[TIME_S], rules)
        carry(carried, trail, planes.state, planes.bed, carry_rules, clock[TIME_S], dt, int(clock[STEPS]))
    return GOING


@njit(cache=True, nogil=True, error_model="numpy")
def carry_on(
    carried: FloatArray, trail: IntArray, planes: FlowPlanes, rules: CarryRules, dt: float, most_steps: int
) -> None:
    """When the snow has stopped (velocities 0), people whom it left behind slide on until they rest."""
    time, first = planes.clock[TIME_S], int(planes.clock[STEPS])
    for later in range(1, most_steps + 1):
        time += dt
        if carry(carried, trail, planes.state, planes.bed, rules, time, dt, first + later) == 0:
            return
