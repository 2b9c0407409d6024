"""One run of the depth-averaged flow: plain arrays and floats in and out.

Local coordinates as for bodies: x east, y and the velocity v *south* (rows downwards). All planes carry a frame of two
cells, so that cell (i, j) of the ground is (i + 2, j + 2) here. The planes by their first index:

    bed    0 height z, 1-2 slopes p q, 3-5 second derivatives r s t, 6-7 roots of the pressure coefficients a_xx a_yy,
           8-9 a_xy / a_xx and a_xy / a_yy, 10 normal load at rest over g
    state  0-2 vertical depth H, velocities U and V; 3-5 and 6-8 the same after the first and second stage of a step
    seen   0 greatest speed, 1 arrival, 2 greatest depth, 3 layer that can be entrained, 4 what left through the cell,
           5 the same within the current step

Scheme: limited linear reconstruction of H, U and V, HLL fluxes (Harten, Lax & van Leer 1983) whose tangential part is
carried upwind, Heun in time, friction implicit (see ``_braked``).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from lastseen.grid import FloatArray

GRAVITY_M_S2 = 9.81
CFL = 0.45
LIMITER = 1.5  # 1 is minmod, 2 the sharpest that keeps depths positive
FALL_STEP = 0.4  # longest step, as a share of sqrt(cell / g): bounds what gravity adds within a step
STATIC = 1.0 + 1e-9  # friction at rest over friction in motion: keeps the decision free of rounding
FRONT_M = 0.05  # the front has arrived, snow is entrained and a person is carried above this depth
EROSION_M = 10.0  # length of flow that takes 63 % of the layer: entrainment at the front (Sovilla & Bartelt 2002)
STILL_M_S = 0.1  # a person is dropped where the snow around is slower
TIME_OVER, CAME_TO_REST, SLOW, SPENT, NO_STEP = 0, 1, 2, 3, 4
WAITING, CARRIED, LEFT, SUNK = 0.0, 1.0, 2.0, 3.0


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
def _face(
    hl: float, ul: float, vl: float, hr: float, ur: float, vr: float, rl: float, rr: float, k: float, dry: float
) -> tuple[float, float, float, float]:
    """HLL flux of mass, normal and tangential momentum without pressure, and half the square of the depth.

    ``u`` is normal to the face. On a slope askew to the lattice pressure also pushes along the face, ``k`` times as
    much as across; v - k u is what the waves leave alone, so that is what is carried upwind.
    """
    if hl <= dry and hr <= dry:
        return 0.0, 0.0, 0.0, 0.0
    cl, cr = rl * math.sqrt(hl), rr * math.sqrt(hr)
    if hl <= dry:
        sl, sr = ur - 2.0 * cr, ur + cr
    elif hr <= dry:
        sl, sr = ul - cl, ul + 2.0 * cl
    else:
        sl = ul - cl if ul - cl < ur - cr else ur - cr
        sr = ul + cl if ul + cl > ur + cr else ur + cr
    sl = sl if sl < 0.0 else 0.0
    sr = sr if sr > 0.0 else 0.0
    inverse = 1.0 / (sr - sl)
    wl, wr, d = sr * inverse, -sl * inverse, sl * sr * inverse
    ql, qr = hl * ul, hr * ur
    mass = wl * ql + wr * qr + d * (hr - hl)
    normal = wl * ql * ul + wr * qr * ur + d * (qr - ql)
    along = vl - k * ul if mass > 0.0 else vr - k * ur
    return mass, normal, mass * along + k * normal, 0.5 * (wl * hl * hl + wr * hr * hr)


@njit(cache=True, nogil=True, error_model="numpy")
def _braked(
    u: float, v: float, h: float, bed: FloatArray, i: int, j: int, dt: float, mu: float, hold: float, drag: float,
    plain: bool,
) -> tuple[float, float]:
    """Velocity after gravity and friction of one step: the quadratic of Voellmy's law solved, direction kept.

    Terminal speed is a fixed point. Momentum that friction would reverse becomes zero (Mangeney-Castelnau et al.
    2003). ``hold`` is cohesion / density, ``drag`` g / xi.
    """
    p, q, cs = bed[1, i, j], bed[2, i, j], bed[10, i, j]
    load = GRAVITY_M_S2 + bed[3, i, j] * u * u + 2.0 * bed[4, i, j] * u * v + bed[5, i, j] * v * v
    load = load if load > 0.0 else 0.0
    fall = dt * load * cs * cs
    u -= fall * p
    v -= fall * q
    w = p * u + q * v
    speed = math.sqrt(u * u + v * v + w * w)
    per_depth = 1.0 / (h if plain else h * cs)
    left = speed - dt * (mu * load * cs + hold * per_depth)
    if left <= 0.0:
        return 0.0, 0.0
    share = 2.0 * left / ((1.0 + math.sqrt(1.0 + 4.0 * dt * drag * per_depth * left)) * speed)
    return u * share, v * share


@njit(cache=True, nogil=True, error_model="numpy")
def _held(
    H: FloatArray, bed: FloatArray, sink: FloatArray, i: int, j: int, cell: float, mu: float, hold: float, plain: bool
) -> bool:
    """Whether friction holds snow at rest among snow at rest: drive and pressure against the load, in the surface."""
    h = H[i, j]
    e = h if sink[i, j + 1] else H[i, j + 1]
    w = h if sink[i, j - 1] else H[i, j - 1]
    s = h if sink[i + 1, j] else H[i + 1, j]
    n = h if sink[i - 1, j] else H[i - 1, j]
    hx, hy = 0.5 * (e - w) / cell, 0.5 * (s - n) / cell
    p, q, cs = bed[1, i, j], bed[2, i, j], bed[10, i, j]
    ax, ay = bed[6, i, j] * bed[6, i, j], bed[7, i, j] * bed[7, i, j]
    if plain:
        hx += 0.5 * (bed[0, i, j + 1] - bed[0, i, j - 1]) / cell
        hy += 0.5 * (bed[0, i + 1, j] - bed[0, i - 1, j]) / cell
    fx = GRAVITY_M_S2 * cs * cs * p + ax * hx + bed[8, i, j] * ax * hy
    fy = GRAVITY_M_S2 * cs * cs * q + ay * hy + bed[8, i, j] * ax * hx
    fz = p * fx + q * fy
    resist = mu * GRAVITY_M_S2 * cs + hold / (h if plain else h * cs)
    return math.sqrt(fx * fx + fy * fy + fz * fz) <= resist * STATIC


@njit(cache=True, nogil=True, error_model="numpy")
def _stage(
    src: FloatArray, dst: FloatArray, bed: FloatArray, sink: FloatArray, trial: FloatArray, lines: FloatArray,
    box: tuple[int, int, int, int], dt: float, rules: FloatArray, second: bool,
) -> bool:
    """One stage of one block: fluxes, then sources, from ``src`` to ``dst``. False where a depth fell below zero."""
    i0, i1, j0, j1 = box
    H, U, V, Z = src[0], src[1], src[2], bed[0]
    cell, dry, mu, hold, drag, plain = rules[0], rules[1], rules[2], rules[3], rules[4], rules[5] > 0.0
    last_row, last_col = H.shape[0] - 2, H.shape[1] - 2
    k, fine = dt / cell, True
    hb, ub, vb, zb, dz = lines[0], lines[1], lines[2], lines[3], lines[4]
    old, new = 5, 10  # mass, eastward and southward momentum, half squares for the cell above and for the one below
    for j in range(j0, j1):
        c, i = j - j0, i0 - 1
        h = H[i, j]
        hb[c] = h + 0.5 * _limited(h - H[i - 1, j], H[i + 1, j] - h)
        ub[c] = U[i, j] + 0.5 * _limited(U[i, j] - U[i - 1, j], U[i + 1, j] - U[i, j])
        vb[c] = V[i, j] + 0.5 * _limited(V[i, j] - V[i - 1, j], V[i + 1, j] - V[i, j])
        if plain:
            e = h + Z[i, j]
            zb[c] = e + 0.5 * _limited(e - H[i - 1, j] - Z[i - 1, j], H[i + 1, j] + Z[i + 1, j] - e) - hb[c]
    for i in range(i0, i1 + 1):
        fm, fu, fv, pa, pb = lines[new], lines[new + 1], lines[new + 2], lines[new + 3], lines[new + 4]
        gm, gu, gv, ga, gb = lines[old], lines[old + 1], lines[old + 2], lines[old + 3], lines[old + 4]
        for j in range(j0, j1):  # faces between rows i - 1 and i
            c = j - j0
            h, u, v = H[i, j], U[i, j], V[i, j]
            dh = 0.5 * _limited(h - H[i - 1, j], H[i + 1, j] - h)
            du = 0.5 * _limited(u - U[i - 1, j], U[i + 1, j] - u)
            dv = 0.5 * _limited(v - V[i - 1, j], V[i + 1, j] - v)
            hl, hr = hb[c], h - dh
            al, ar = hl, hr
            if plain:  # hydrostatic reconstruction (Audusse et al. 2004)
                e = h + Z[i, j]
                de = 0.5 * _limited(e - H[i - 1, j] - Z[i - 1, j], H[i + 1, j] + Z[i + 1, j] - e)
                zr = e - de - hr
                top = zb[c] if zb[c] > zr else zr
                al, ar = max(hl + zb[c] - top, 0.0), max(hr + zr - top, 0.0)
                zb[c] = e + de - (h + dh)
                lines[15, c] = de - dh
            if u == 0.0 and v == 0.0 and U[i - 1, j] == 0.0 and V[i - 1, j] == 0.0:
                m, fn, ft, half = 0.0, 0.0, 0.0, 0.25 * (al * al + ar * ar)
            else:
                m, fn, ft, half = _face(
                    al, vb[c], ub[c], ar, v - dv, u - du, bed[7, i - 1, j], bed[7, i, j],
                    0.5 * (bed[9, i - 1, j] + bed[9, i, j]), dry,
                )
            if (i == 2 and v >= 0.0) or (i == last_row and V[i - 1, j] <= 0.0):  # a wall for what would enter
                m, fn, ft = 0.0, 0.0, 0.0
                half = 0.5 * (hr * hr if i == 2 else hl * hl)
            fm[c], fu[c], fv[c] = m, ft, fn
            pa[c], pb[c] = half + 0.5 * (hl * hl - al * al), half + 0.5 * (hr * hr - ar * ar)
            hb[c], ub[c], vb[c] = h + dh, u + du, v + dv
        if i == 2 or i == last_row:
            for j in range(j0, j1):
                out = 0.5 * k * (-fm[j - j0] if i == 2 else fm[j - j0])
                row = 1 if i == 2 else last_row
                trial[row, j] = trial[row, j] + out if second else out
        if i > i0:
            y = i - 1
            a, b = j0 - 1, j0
            hl = H[y, a] + 0.5 * _limited(H[y, a] - H[y, a - 1], H[y, b] - H[y, a])
            ul = U[y, a] + 0.5 * _limited(U[y, a] - U[y, a - 1], U[y, b] - U[y, a])
            vl = V[y, a] + 0.5 * _limited(V[y, a] - V[y, a - 1], V[y, b] - V[y, a])
            zl, dzx = 0.0, 0.0
            if plain:
                e = H[y, a] + Z[y, a]
                zl = e + 0.5 * _limited(e - H[y, a - 1] - Z[y, a - 1], H[y, b] + Z[y, b] - e) - hl
            wm, wu, wv, wp = 0.0, 0.0, 0.0, 0.0  # western face of the cell to be updated
            for j in range(j0, j1 + 1):  # face between columns j - 1 and j, then the cell j - 1
                h, u, v = H[y, j], U[y, j], V[y, j]
                dh = 0.5 * _limited(h - H[y, j - 1], H[y, j + 1] - h)
                du = 0.5 * _limited(u - U[y, j - 1], U[y, j + 1] - u)
                dv = 0.5 * _limited(v - V[y, j - 1], V[y, j + 1] - v)
                hr = h - dh
                al, ar, slope_here = hl, hr, 0.0
                z_next = 0.0
                if plain:
                    e = h + Z[y, j]
                    de = 0.5 * _limited(e - H[y, j - 1] - Z[y, j - 1], H[y, j + 1] + Z[y, j + 1] - e)
                    zr = e - de - hr
                    top = zl if zl > zr else zr
                    al, ar = max(hl + zl - top, 0.0), max(hr + zr - top, 0.0)
                    z_next = e + de - (h + dh)
                    slope_here = de - dh
                x = j - 1
                still = u == 0.0 and v == 0.0 and U[y, x] == 0.0 and V[y, x] == 0.0
                if still:
                    m, fn, ft, half = 0.0, 0.0, 0.0, 0.25 * (al * al + ar * ar)
                else:
                    m, fn, ft, half = _face(
                        al, ul, vl, ar, u - du, v - dv, bed[6, y, x], bed[6, y, j],
                        0.5 * (bed[8, y, x] + bed[8, y, j]), dry,
                    )
                if (j == 2 and u >= 0.0) or (j == last_col and U[y, x] <= 0.0):
                    m, fn, ft = 0.0, 0.0, 0.0
                    half = 0.5 * (hr * hr if j == 2 else hl * hl)
                if j == 2 or j == last_col:
                    out = 0.5 * k * (-m if j == 2 else m)
                    col = 1 if j == 2 else last_col
                    trial[y, col] = trial[y, col] + out if second else out
                pl = half + 0.5 * (hl * hl - al * al)
                if j > j0:
                    c = x - j0
                    h0, u0, v0 = H[y, x], U[y, x], V[y, x]
                    grown = -k * ((m - wm) + (fm[c] - gm[c]))
                    quiet = (
                        still and U[y, x - 1] == 0.0 and V[y, x - 1] == 0.0 and U[y - 1, x] == 0.0
                        and V[y - 1, x] == 0.0 and U[y + 1, x] == 0.0 and V[y + 1, x] == 0.0
                    )
                    h1, u1, v1 = h0 + grown, 0.0, 0.0
                    if sink[y, x]:
                        trial[y, x] = trial[y, x] + 0.5 * grown if second else 0.5 * grown
                        h1 = 0.0
                    elif h1 > dry and not (quiet and _held(H, bed, sink, y, x, cell, mu, hold, plain)):
                        ax, ay = bed[6, y, x] * bed[6, y, x], bed[7, y, x] * bed[7, y, x]
                        axy = bed[8, y, x] * ax
                        px, py = pl - wp + 2.0 * h0 * dzx, pa[c] - gb[c] + 2.0 * h0 * dz[c]
                        mx = h0 * u0 - k * ((fn - wu) + (fu[c] - gu[c])) - k * (ax * px + axy * py)
                        my = h0 * v0 - k * ((ft - wv) + (fv[c] - gv[c])) - k * (ay * py + axy * px)
                        u1, v1 = _braked(mx / h1, my / h1, h1, bed, y, x, dt, mu, hold, drag, plain)
                    fine = fine and h1 >= 0.0
                    dst[0, y, x], dst[1, y, x], dst[2, y, x] = h1, u1, v1
                wm, wu, wv, wp = m, fn, ft, half + 0.5 * (hr * hr - ar * ar)
                hl, ul, vl, zl, dzx = h + dh, u + du, v + dv, z_next, slope_here
        for c in range(j1 - j0):
            dz[c] = lines[15, c] if plain else 0.0
        old, new = new, old
    return fine


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_frame(field: FloatArray, box: tuple[int, int, int, int]) -> None:
    """Open edges: the frame beside a block shows what its outermost cells hold."""
    i0, i1, j0, j1 = box
    bottom, right = field.shape[1] - 2, field.shape[2] - 2
    for plane in range(3):
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
def _count_left(
    seen: FloatArray, sink: FloatArray, sums: FloatArray, i: int, j: int, bottom: int, right: int
) -> None:
    """Book what left within the step through a cell without data, or over the edges beside cell (i, j)."""
    if sink[i, j]:
        seen[4, i, j] += seen[5, i, j]
        sums[3, i] += seen[5, i, j]
    if j == 2:
        seen[4, i, 1] += seen[5, i, 1]
        sums[3, i] += seen[5, i, 1]
    if j == right - 1:
        seen[4, i, right] += seen[5, i, right]
        sums[3, i] += seen[5, i, right]
    if i == 2:
        seen[4, 1, j] += seen[5, 1, j]
        sums[3, i] += seen[5, 1, j]
    if i == bottom - 1:
        seen[4, bottom, j] += seen[5, bottom, j]
        sums[3, i] += seen[5, bottom, j]


@njit(cache=True, nogil=True, error_model="numpy")
def _finish(
    state: FloatArray, seen: FloatArray, bed: FloatArray, sink: FloatArray, sums: FloatArray,
    box: tuple[int, int, int, int], dt: float, time: float, erosion: float, rules: FloatArray,
) -> tuple[bool, float]:
    """Mean of the old state and the second stage; entrainment; records. Whether anything moves, and how fast at most.

    ``sums``, shape (4, rows): depth that moves, twice the kinetic energy, entrained, left; in the order of columns, so
    that they do not depend on the blocks.
    """
    i0, i1, j0, j1 = box
    dry, slow = rules[1], rules[6]
    bottom, right = state.shape[1] - 2, state.shape[2] - 2
    lively, fastest = False, 0.0
    for i in range(i0, i1):
        for j in range(j0, j1):
            if sink[i, j] or (i == 2) or (i == bottom - 1) or (j == 2) or (j == right - 1):
                _count_left(seen, sink, sums, i, j, bottom, right)
            old = state[0, i, j]
            h = 0.5 * (old + state[6, i, j])
            u, v = 0.0, 0.0
            stirred = state[4, i, j] != 0.0 or state[5, i, j] != 0.0
            if h > dry and (stirred or state[7, i, j] != 0.0 or state[8, i, j] != 0.0):
                last = state[6, i, j]
                u = (old * state[1, i, j] + last * state[7, i, j]) / (old + last)
                v = (old * state[2, i, j] + last * state[8, i, j]) / (old + last)
            moving = u != 0.0 or v != 0.0
            if not (moving or stirred or h != old or state[3, i, j] != old):
                state[1, i, j], state[2, i, j] = 0.0, 0.0
                continue
            lively = True
            w = bed[1, i, j] * u + bed[2, i, j] * v
            square = u * u + v * v + w * w
            speed = math.sqrt(square)
            if moving and h > FRONT_M:
                if erosion > 0.0 and seen[3, i, j] > 0.0:
                    way = speed * dt / EROSION_M
                    taken = erosion * seen[3, i, j] * way / (1.0 + way)
                    seen[3, i, j] -= taken
                    share = h / (h + taken)  # what lay at rest has to be set in motion
                    u, v, speed, square = share * u, share * v, share * speed, share * share * square
                    h += taken
                    sums[2, i] += taken
            if h > FRONT_M and math.isnan(seen[1, i, j]):
                seen[1, i, j] = time
            state[0, i, j], state[1, i, j], state[2, i, j] = h, u, v
            seen[0, i, j] = speed if speed > seen[0, i, j] else seen[0, i, j]
            seen[2, i, j] = h if h > seen[2, i, j] else seen[2, i, j]
            sums[0, i] += h if speed > slow else 0.0
            sums[1, i] += h * square
            wave = abs(u) + abs(v) + math.sqrt(h) * (bed[6, i, j] + bed[7, i, j])
            fastest = wave if wave > fastest else fastest
    return lively, fastest


@njit(cache=True, nogil=True, error_model="numpy")
def _around(state: FloatArray, x: float, y: float) -> tuple[float, float, float]:
    """Depth, and velocity of the snow (weighted by depth), between cell centres; x and y in cells of the planes."""
    j, i = int(math.floor(x)), int(math.floor(y))
    fx, fy = x - j, y - i
    h, qx, qy = 0.0, 0.0, 0.0
    for di in range(2):
        for dj in range(2):
            part = (fx if dj else 1.0 - fx) * (fy if di else 1.0 - fy) * state[0, i + di, j + dj]
            h += part
            qx += part * state[1, i + di, j + dj]
            qy += part * state[2, i + di, j + dj]
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
def _carry(
    carried: FloatArray, state: FloatArray, sink: FloatArray, cell: float, time: float, dt: float, seed: int, step: int
) -> None:
    """Move the carried: columns x, y (m), share of the speed, start (s, NaN: with the front), diffusion (m2/s),
    status, time of the last movement (s), greatest speed (m/s, on the map).
    """
    for n in range(carried.shape[0]):
        if carried[n, 5] > CARRIED:
            continue
        x, y = carried[n, 0] / cell + 1.5, carried[n, 1] / cell + 1.5
        h, u, v = _around(state, x, y)
        if carried[n, 5] == WAITING:
            if (h > FRONT_M and math.hypot(u, v) > STILL_M_S) if math.isnan(carried[n, 3]) else time >= carried[n, 3]:
                carried[n, 5] = CARRIED
            else:
                continue
        if h <= FRONT_M or math.hypot(u, v) <= STILL_M_S:
            continue
        share = carried[n, 2]
        hm, um, vm = _around(state, x + 0.5 * dt * share * u / cell, y + 0.5 * dt * share * v / cell)
        if hm > 0.0:
            u, v = um, vm
        speed = math.hypot(u, v)
        if speed > 0.0 and carried[n, 4] > 0.0:
            aside = _chance(seed, n, step) * math.sqrt(2.0 * carried[n, 4] * dt) / speed
            carried[n, 0] -= aside * v
            carried[n, 1] += aside * u
        carried[n, 0] += dt * share * u
        carried[n, 1] += dt * share * v
        carried[n, 6] = time
        carried[n, 7] = max(carried[n, 7], share * speed)
        i, j = int(math.floor(carried[n, 1] / cell)) + 2, int(math.floor(carried[n, 0] / cell)) + 2
        if i < 2 or j < 2 or i >= state.shape[1] - 2 or j >= state.shape[2] - 2:
            carried[n, 5] = LEFT
        elif sink[i, j]:
            carried[n, 5] = SUNK


@njit(cache=True, nogil=True, error_model="numpy")
def run(
    bed: FloatArray, sink: FloatArray, state: FloatArray, seen: FloatArray, carried: FloatArray, rules: FloatArray,
    block: int, seed: int,
) -> tuple[int, float, int, int, float]:
    """Run until an end is reached; ``state``, ``seen`` and ``carried`` are changed in place.

    Parameters
    ----------
    bed, state, seen : (11, 9, 6 planes; rows + 4, columns + 4)
    sink : (rows + 4, columns + 4) bool, cells without data
    carried : (n, 8) see ``_carry``
    rules : cell m, dry depth m, mu, cohesion / density, g / xi, plain frame, moving speed m/s, moving share, share of
        the peak energy, time limit s, released m, growth
    block : cells along a block; only blocks that move, and their neighbours, are touched
    seed : of the random walk

    Returns
    -------
    Reason of the end, time s, steps, cell updates, time of the last step s.
    """
    ny, nx = state.shape[1] - 4, state.shape[2] - 4
    nbi, nbj = (ny + block - 1) // block, (nx + block - 1) // block
    lively, todo = np.zeros((nbi, nbj), np.bool_), np.empty((nbi * nbj, 2), np.int64)
    lines, sums = np.zeros((16, block + 1)), np.zeros((4, ny + 4))
    cell, limit, growth = rules[0], rules[9], rules[11] * rules[10]
    fastest, time, dt, peak, entrained, left = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    step, updates, set_out = 0, 0, False
    for i in range(ny):
        for j in range(nx):
            h = state[0, i + 2, j + 2]
            if h > 0.0:
                lively[i // block, j // block] = True
                u, v = state[1, i + 2, j + 2], state[2, i + 2, j + 2]
                roots = bed[6, i + 2, j + 2] + bed[7, i + 2, j + 2]
                fastest = max(fastest, abs(u) + abs(v) + math.sqrt(h) * roots)
    while time < limit:
        count = 0
        for bi in range(nbi):
            for bj in range(nbj):
                if lively[max(bi - 1, 0) : bi + 2, max(bj - 1, 0) : bj + 2].any():
                    todo[count, 0], todo[count, 1] = bi, bj
                    count += 1
        if count == 0:
            return CAME_TO_REST, time, step, updates, dt
        dt = FALL_STEP * math.sqrt(cell / GRAVITY_M_S2)
        if fastest * dt > CFL * cell:
            dt = CFL * cell / fastest
        fine = False
        while not fine:  # a step that would leave less than nothing is taken again, half as long
            dt = min(dt, limit - time)
            if dt < 1e-9 * cell:
                return NO_STEP, time, step, updates, dt
            fine = True
            for part in range(2):
                src, dst = state[3 * part : 3 * part + 3], state[3 * part + 3 : 3 * part + 6]
                for n in range(count):
                    _fill_frame(src, _box(todo, n, block, ny, nx))
                for n in range(count):
                    box = _box(todo, n, block, ny, nx)
                    ok = _stage(src, dst, bed, sink, seen[5], lines, box, dt, rules, part == 1)
                    fine = fine and ok
            if not fine:
                dt *= 0.5
        time = time + dt if dt < limit - time else limit
        step += 1
        erosion = 0.0
        if growth > 0.0:
            erosion = min(1.0, max(0.0, 8.0 * (1.0 - entrained / growth)))
        sums[:] = 0.0
        fastest = 0.0
        for n in range(count):
            box = _box(todo, n, block, ny, nx)
            moves, wave = _finish(state, seen, bed, sink, sums, box, dt, time, erosion, rules)
            lively[todo[n, 0], todo[n, 1]] = moves
            fastest = max(fastest, wave)
            updates += (box[1] - box[0]) * (box[3] - box[2])
        _carry(carried, state, sink, cell, time, dt, seed, step)
        moving, energy = 0.0, 0.0
        for i in range(ny + 4):
            moving += sums[0, i]
            energy += sums[1, i]
            entrained += sums[2, i]
            left += sums[3, i]
        peak = max(peak, energy)
        share = rules[7] * (rules[10] + entrained - left)
        set_out = set_out or moving > share
        if set_out and moving < share:
            return SLOW, time, step, updates, dt
        if energy < rules[8] * peak:
            return SPENT, time, step, updates, dt
    return TIME_OVER, time, step, updates, dt


@njit(cache=True, nogil=True, error_model="numpy")
def _box(todo: FloatArray, n: int, block: int, ny: int, nx: int) -> tuple[int, int, int, int]:
    """Rows and columns of a block in the planes."""
    i0, j0 = todo[n, 0] * block, todo[n, 1] * block
    return i0 + 2, min(i0 + block, ny) + 2, j0 + 2, min(j0 + block, nx) + 2
