"""The scalar laws of the flow, as compiled, against plain numbers and plain twins."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from lastseen.snow import flow_kernels as kernels

G = 9.81
SLOPES = st.floats(-2.0, 2.0, allow_subnormal=False)
SPEEDS = st.floats(-20.0, 20.0, allow_subnormal=False)


@pytest.mark.parametrize(
    ("back", "fore", "expected"),
    [(1.0, 1.0, 1.0), (1.0, 2.0, 1.5), (1.0, 8.0, 1.5), (-2.0, -0.1, -0.15), (1.0, -1.0, 0.0), (0.0, 3.0, 0.0)],
)
def test_the_limited_difference(back, fore, expected):
    """The mean, but at most 1.5 times the smaller one, and none at an extreme."""
    assert kernels._limited(back, fore) == pytest.approx(expected)


@given(back=SLOPES, fore=SLOPES)
def test_the_limited_difference_is_fair(back, fore):
    """It is the middle one of minmod's three, does not know its sides apart, and turns with its sign."""
    found = kernels._limited(back, fore)
    low, high = sorted((kernels.LIMITER * back, kernels.LIMITER * fore, 0.5 * (back + fore)))[::2]
    assert found == pytest.approx(low if low > 0.0 else high if high < 0.0 else 0.0)
    assert found == kernels._limited(fore, back)
    assert found == -kernels._limited(-back, -fore)


@pytest.mark.parametrize(
    ("counts", "expected"), [((1, 1), (2, 3)), ((0, 1), (3, 3)), ((1, 0), (2, 2)), ((0, 0), (0, 0))]
)
def test_steps_of_a_surface_that_ends(counts, expected):
    """A side where the surface ends is as the other."""
    assert kernels._surface_steps(2.0, 3.0, float(counts[0]), float(counts[1])) == expected


def square_of(surface, bed):
    """The law for a surface and a bed with slopes (east, south)."""
    return kernels._load_square(*surface, *bed, 1.0 / (1.0 + bed[0] ** 2 + bed[1] ** 2))


def square_twin(surface, bed):
    """The same in plain words: the slope that counts lies between that of the surface and that of the bed under it."""
    top, under = math.hypot(*surface), math.hypot(*bed)
    if top == 0.0:
        return 1.0
    along = max(0.0, surface[0] * bed[0] + surface[1] * bed[1]) / top
    counts = top
    if along > top:
        share = min(1.0, max(0.0, 4.0 * (top / along) ** 2 - 1.0))
        counts = math.sqrt(top**2 + share * (along**2 - top**2))
    counts = min(counts, under)
    return 1.0 / (1.0 + counts**2)


@pytest.mark.parametrize("turn_deg", [0, 17, 45, 90, 200])
@pytest.mark.parametrize("bed", [0.2, 0.7, 1.5])
def test_the_load_where_it_is_known(bed, turn_deg):
    """Level, parallel, twice as steep, half as steep, and level across a wall with the fall of the valley."""

    def turned(east, south):
        c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
        return c * east - s * south, s * east + c * south

    of_bed, wall = 1.0 / (1.0 + bed**2), turned(bed, 0.0)
    assert square_of((0.0, 0.0), wall) == 1.0
    assert square_of(wall, wall) == pytest.approx(of_bed)
    assert square_of(turned(2.0 * bed, 0.0), wall) == pytest.approx(of_bed)
    assert square_of(turned(0.3 * bed, 0.0), wall) == pytest.approx(1.0 / (1.0 + 0.09 * bed**2))
    assert square_of(turned(0.5 * bed, 0.0), wall) == pytest.approx(1.0 / (1.0 + 0.25 * bed**2))
    assert square_of(turned(bed / math.sqrt(2.0), 0.0), wall) == pytest.approx(of_bed)
    # A valley falls by 0.3 and has a wall: the surface falls along the valley alone.
    assert square_of(turned(0.0, 0.3), turned(bed, 0.3)) == pytest.approx(1.0 / (1.0 + 0.3**2))
    # A surface that falls against its bed counts with its own slope.
    for against in (0.1, 0.6 * bed, 0.99 * bed):
        assert square_of(turned(-against, 0.0), wall) == pytest.approx(1.0 / (1.0 + against**2))


@given(x=SLOPES, y=SLOPES, p=SLOPES, q=SLOPES)
def test_the_load_against_its_twin(x, y, p, q):
    """Never less than the bed's, never more than level, the same for a turned, mirrored or reversed slope."""
    assume(math.hypot(x, y) > 1e-6)
    found = square_of((x, y), (p, q))
    assert found == pytest.approx(square_twin((x, y), (p, q)), rel=1e-9)
    assert 1.0 / (1.0 + p * p + q * q) <= found <= 1.0
    for surface, bed in (((y, x), (q, p)), ((-x, y), (-p, q)), ((-x, -y), (-p, -q))):
        assert square_of(surface, bed) == pytest.approx(found, rel=1e-12)


@given(top=st.floats(0.001, 2.0), bed=st.floats(0.0, 2.0), turn=st.floats(0.0, 6.28), nudge=st.floats(0.0, 6.28))
def test_the_load_changes_little_when_the_slope_does(top, bed, turn, nudge):
    """No jump between the surface's own slope and the bed's: a nudge of 1e-6 changes the square by less than 1e-4."""
    before = square_of((top, 0.0), (bed * math.cos(turn), bed * math.sin(turn)))
    moved = (top + 1e-6 * math.cos(nudge) * top, 1e-6 * math.sin(nudge) * top)
    after = square_of(moved, (bed * math.cos(turn), bed * math.sin(turn)))
    assert abs(after - before) < 1e-4


def test_load_and_fall_are_parts_of_gravity():
    """On a straight slope under its own load: g cos2 presses on the bed, and none of g is left beside the pressure."""
    slope = math.radians(33.0)
    cosine, width = math.cos(slope), 1.0 / math.cos(slope)
    # Per map area and depth, friction is mu g H cos2(load) / cos(bed).
    assert kernels._load(cosine**2, cosine, width, 0.0) == pytest.approx(G * cosine)
    assert kernels._load(1.0, cosine, width, 0.0) == pytest.approx(G / cosine)
    assert kernels._load(cosine**2, cosine, width, -2.0 * G) == 0.0
    # Gravity is g sin cos on the map: as much of it as the pressure does not carry.
    assert kernels._fall(cosine**2, cosine, 0.0) == pytest.approx(G * math.sin(slope) ** 2 * cosine**2)
    assert kernels._fall(1.0, cosine, 0.0) == 0.0
    parallel = G * cosine**2 * cosine**2 + kernels._fall(cosine**2, cosine, 0.0)
    assert parallel * math.tan(slope) == pytest.approx(G * math.sin(slope) * cosine)


@pytest.mark.parametrize(
    ("u", "v", "expected"), [(2.0, 0.0, 0.4), (0.0, 3.0, -1.8), (1.0, 1.0, 0.3), (-1.0, 1.0, -0.5)]
)
def test_the_bend_of_the_bed(u, v, expected):
    """Second derivatives along the velocity, times its square."""
    assert kernels._curvature(0.1, 0.2, -0.2, u, v) == pytest.approx(expected)


@given(speed=st.floats(0.0, 50.0), brake=st.floats(0.0, 10.0), drag=st.floats(0.0, 5.0))
def test_what_friction_leaves(speed, brake, drag):
    """The new speed solves new + drag new^2 = speed - brake; what friction would turn back stops."""
    kept = kernels._kept(speed, brake, drag)
    assert 0.0 <= kept <= 1.0
    new = kept * speed
    if speed <= brake:
        assert kept == 0.0
    else:
        assert new + drag * new * new == pytest.approx(speed - brake, rel=1e-9, abs=1e-12)
    halfway = kernels._kept_halfway(speed, brake, drag) * speed
    assert halfway * (1.0 + drag * max(speed - brake, 0.0)) == pytest.approx(max(speed - brake, 0.0), abs=1e-12)


def test_a_terminal_speed_stays():
    """Where drive and friction are equal the speed is a fixed point, whatever the step."""
    drive, mu, drag = 5.0, 2.0, 0.03
    terminal = math.sqrt((drive - mu) / drag)
    for dt in (0.01, 0.3, 5.0):
        sped = terminal + dt * drive
        assert kernels._kept(sped, dt * mu, dt * drag) * sped == pytest.approx(terminal)


def hll_twin(left, right, askew, dry):
    """Fluxes by Harten, Lax & van Leer (1983) with dry fronts (Toro 2001), straight from the definition."""
    (hl, ul, vl, cl), (hr, ur, vr, cr) = left, right
    slow, fast = min(ul - cl, ur - cr), max(ul + cl, ur + cr)
    if hl <= dry:
        slow, fast = ur - 2.0 * cr, ur + cr
    if hr <= dry:
        slow, fast = ul - cl, ul + 2.0 * cl

    def flux(f_left, f_right, q_left, q_right):
        if slow >= 0.0:
            return f_left
        if fast <= 0.0:
            return f_right
        return (fast * f_left - slow * f_right + slow * fast * (q_right - q_left)) / (fast - slow)

    mass = flux(hl * ul, hr * ur, hl, hr)
    normal = flux(hl * ul * ul, hr * ur * ur, hl * ul, hr * ur)
    square = flux(0.5 * hl * hl, 0.5 * hr * hr, 0.0, 0.0)
    side = (vl - askew * ul) if mass > 0.0 else (vr - askew * ur)
    return mass, normal, mass * side + askew * normal, square


@given(
    depths=st.tuples(st.floats(0.0, 5.0), st.floats(0.0, 5.0)),
    speeds=st.tuples(SPEEDS, SPEEDS, SPEEDS, SPEEDS),
    askew=st.floats(-0.5, 0.5),
)
def test_fluxes_against_their_twin(depths, speeds, askew):
    """Wet, dry, fast and slow; and mirrored, what leaves one side is what comes to the other."""
    dry = 1e-4
    assume(max(depths) > dry)
    left, right = ((h, u, v, math.sqrt(G * h)) for h, u, v in zip(depths, speeds[:2], speeds[2:], strict=True))
    found = kernels._hll(*left, *right, askew, dry)
    np.testing.assert_allclose(found, hll_twin(left, right, askew, dry), rtol=1e-9, atol=1e-9)
    (hl, ul, vl, cl), (hr, ur, vr, cr) = left, right
    mirrored = kernels._hll(hr, -ur, vr, cr, hl, -ul, vl, cl, -askew, dry)
    np.testing.assert_allclose(mirrored, np.array((-1.0, 1.0, -1.0, 1.0)) * found, rtol=1e-9, atol=1e-9)


def test_fluxes_of_equal_sides_are_exact():
    """The same on both sides: the flux of that state, at rest and in motion."""
    for u in (0.0, 1.0, -30.0):
        mass, normal, side, square = kernels._hll(2.0, u, 0.5, 4.0, 2.0, u, 0.5, 4.0, 0.1, 1e-4)
        assert (mass, normal, square) == pytest.approx((2.0 * u, 2.0 * u * u, 2.0))
        assert side == pytest.approx(2.0 * u * 0.5)
