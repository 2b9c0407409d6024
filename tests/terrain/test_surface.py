"""Slope, aspect, curvature and smoothing: closed forms, a slow twin, GDAL, and what must not change."""

import matplotlib.cbook
import numpy as np
import pytest
import rasterio
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from dem_zoo import UTM, ZOO, plane, sphere
from lastseen.core.grid import Grid
from lastseen.terrain.surface import curvature, derivatives, read_terrain, smooth_heights
from lastseen.terrain.surface_kernels import derivatives as derivatives_kernel
from lastseen.terrain.surface_kernels import horn as horn_kernel
from oracles import gdal_terrain
from oracles import terrain as oracle

INNER = np.s_[1:-1, 1:-1]
ANIMALS = [name for name in ZOO if name != "one_row"]


def turn_between(one, other):
    """Difference of two azimuths, 0 to 180 degrees."""
    return abs((one - other + 180.0) % 360.0 - 180.0)


def grid(values, cell_m=5.0):
    return Grid(np.asarray(values, float), 620_000.0, 5_150_000.0, cell_m, UTM)


grounds = arrays.arrays(
    float, st.tuples(st.integers(3, 9), st.integers(3, 9)), elements=st.floats(-400, 8800, width=32)
).map(grid)


# ---- closed forms -----------------------------------------------------------------------------------------------


@given(st.floats(0.1, 75), st.floats(0, 359.99), st.sampled_from([0.5, 1.0, 5.0, 30.0]))
def test_a_plane_has_its_slope_and_aspect_everywhere(slope, downhill, cell_m):
    """Any plane, any cell size: exact on all inner cells, nothing on the frame."""
    got = read_terrain(plane(slope, downhill, shape=(5, 7), cell_m=cell_m))
    np.testing.assert_allclose(got.slope_deg.values[INNER], slope, atol=1e-6)
    assert turn_between(got.aspect_deg.values[INNER], downhill).max() < 1e-4
    frame = np.ones((5, 7), bool)
    frame[INNER] = False
    assert np.isnan(got.slope_deg.values[frame]).all()
    assert np.isnan(got.aspect_deg.values[frame]).all()


@pytest.mark.parametrize(("downhill", "toward"), [(0, (-1, 0)), (90, (0, 1)), (180, (1, 0)), (270, (0, -1))])
def test_aspect_is_where_water_would_run(downhill, toward):
    """Towards the aspect the ground is lower: 90 is east, and rows run south."""
    ground = plane(30.0, downhill, shape=(5, 5))
    assert ground.values[2 + toward[0], 2 + toward[1]] < ground.values[2, 2]
    assert turn_between(read_terrain(ground).aspect_deg.values[2, 2], downhill) < 1e-6


def test_flat_ground_has_no_aspect():
    """Slope 0, aspect NaN."""
    got = read_terrain(ZOO["flat"])
    assert (got.slope_deg.values[INNER] == 0.0).all()
    assert np.isnan(got.aspect_deg.values).all()


def test_aspect_stays_below_360():
    """Facing north by a hair to the west is not 360."""
    for downhill in (359.9999999, 360.0 - 1e-12, 0.0):
        aspect = read_terrain(plane(30.0, downhill, shape=(3, 3))).aspect_deg.values[1, 1]
        assert 0.0 <= aspect <= 360.0
        assert turn_between(aspect, downhill) < 1e-3


def test_a_sphere_curves_alike_everywhere():
    """A dome of 500 m: profile and tangential curvature are 1/R, plan curvature 1/r, all convex."""
    ground = sphere()
    got = curvature(ground)
    row, col = np.indices(ground.shape)
    x, y = ground.centre_of(row, col)
    r = np.hypot(x - ground.west_m - 101.3, y - ground.bounds[1] - 67.1)
    far = np.zeros(ground.shape, bool)
    far[INNER] = True
    far &= r > 40.0
    np.testing.assert_allclose(got.profile.values[far], 0.002, rtol=3e-3)
    np.testing.assert_allclose(got.tangential.values[far], 0.002, rtol=3e-3)
    np.testing.assert_allclose(got.plan.values[far], 1.0 / r[far], rtol=6e-3)


def test_a_bowl_is_concave():
    """Upside down, all curvatures change their sign and nothing else."""
    dome = sphere()
    up, down = curvature(dome), curvature(dome.with_values(-dome.values))
    for name in ("profile", "tangential", "plan"):
        np.testing.assert_array_equal(getattr(up, name).values, -getattr(down, name).values)


def test_a_plane_does_not_curve():
    """No curvature to rounding; on flat ground there is none to speak of."""
    got = curvature(plane())
    for one in (got.profile, got.tangential, got.plan):
        assert abs(one.values[INNER]).max() < 1e-9
        assert np.isnan(curvature(ZOO["flat"]).plan.values).all()


# ---- the slow twin ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ANIMALS)
def test_the_slow_twin_agrees_on_the_zoo(name):
    """Every cell of every animal, frame and holes included."""
    ground = ZOO[name]
    z, ny, nx = ground.values, *ground.shape
    got, bend, (p, q, *_) = read_terrain(ground), curvature(ground), derivatives(ground)
    expected = np.full((6, ny, nx), np.nan)
    for i in range(1, ny - 1):
        for j in range(1, nx - 1):
            expected[:2, i, j] = oracle.horn(z, i, j, 5.0)
            if np.isfinite(z[i - 1 : i + 2, j - 1 : j + 2]).all() and p[i, j] ** 2 + q[i, j] ** 2 >= 1e-12:
                expected[3:, i, j] = oracle.curvatures(z, i, j, 5.0)
                slope = oracle.zevenbergen_thorne(z, i, j, 5.0)[0]
                assert np.degrees(np.arctan(np.hypot(p[i, j], q[i, j]))) == pytest.approx(slope, abs=1e-9)
    np.testing.assert_allclose(got.slope_deg.values, expected[0], atol=1e-9)
    np.testing.assert_array_equal(np.isnan(got.aspect_deg.values), np.isnan(expected[1]))
    assert np.nan_to_num(turn_between(got.aspect_deg.values, expected[1])).max() < 1e-6
    for index, one in enumerate((bend.profile, bend.tangential, bend.plan)):
        np.testing.assert_allclose(one.values, expected[3 + index], rtol=1e-6, atol=1e-12)


# ---- GDAL -------------------------------------------------------------------------------------------------------


def compare_with_gdal(folder, ground, method="Horn"):
    if gdal_terrain.LIBRARY is None:
        pytest.skip(gdal_terrain.WHY_NOT)
    # GDAL works in float32: it is given heights about a middle, and its noise is counted below.
    values = ground.values.astype(np.float32).astype(float)
    ground = ground.with_values(values)
    middle = np.round(np.nanmean(values))
    slope, aspect = gdal_terrain.slope_and_aspect(folder, values - middle, ground.transform, method=method)
    if method == "Horn":
        terrain = read_terrain(ground)
        mine = terrain.slope_deg.values, terrain.aspect_deg.values
    else:
        p, q, *_ = derivatives(ground)
        mine = np.degrees(np.arctan(np.hypot(p, q))), np.degrees(np.arctan2(-p, -q)) % 360.0
    both = np.isfinite(mine[0]) & np.isfinite(slope)
    assert both.any()
    # Around holes GDAL works with the middle cell in place of what is missing; here such a cell has no slope.
    np.testing.assert_array_equal(np.isfinite(mine[0]), both)
    assert abs(mine[0] - slope)[both].max() < 0.01
    steep = both & (slope > 0.01) & np.isfinite(aspect) & np.isfinite(mine[1])
    if not (slope[both] > 0.01).any():
        return
    turn = turn_between(mine[1], aspect)
    assert turn[steep & (slope > 3.0)].max(initial=0.0) < 0.01
    # Sums of four heights, rounded to float32, over eight cells: on gentle ground this noise turns the aspect.
    noise = 2.0 * float(np.spacing(np.float32(4.0 * np.nanmax(abs(values - middle))))) / (8.0 * ground.cell_m)
    allowed = 0.01 + np.degrees(np.arctan(noise / np.tan(np.radians(slope[steep]))))
    assert (turn[steep] <= allowed).all()
    assert np.median(turn[steep]) < 0.01


@pytest.mark.parametrize("method", ["Horn", "ZevenbergenThorne"])
@pytest.mark.parametrize("name", [name for name in ANIMALS if name != "island"])
def test_gdal_agrees_on_the_zoo(tmp_path, name, method):
    """Slope and aspect of both formulas within 0.01 degrees of GDAL."""
    compare_with_gdal(tmp_path, ZOO[name], method)


def test_gdal_agrees_around_holes(tmp_path):
    """Beside no data GDAL makes up heights and this program does not; elsewhere they agree."""
    compare_with_gdal(tmp_path, ZOO["island"])


def test_gdal_agrees_on_a_sample_of_real_ground(tmp_path):
    """The sample elevation model that comes with matplotlib, taken as 90 m cells."""
    with matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz") as data:
        values = np.asarray(data["elevation"], float)
    assert values.size > 100_000
    compare_with_gdal(tmp_path, grid(values, 90.0))


def test_gdal_agrees_on_real_mountains(tmp_path, real_terrain):
    """All real files that are at hand."""
    for name, path in real_terrain.items():
        with rasterio.open(path) as data:
            values = data.read(1, masked=True).astype(float).filled(np.nan)
            cell_m = data.transform.a
        (tmp_path / name).mkdir()
        compare_with_gdal(tmp_path / name, grid(values, cell_m))


# ---- what must not change ---------------------------------------------------------------------------------------


@given(grounds, st.integers(-500, 500))
def test_raising_the_ground_changes_nothing(ground, by):
    """Slope and curvature do not depend on the height above the sea."""
    z = np.round(ground.values)
    one, two = read_terrain(grid(z)), read_terrain(grid(z + by))
    np.testing.assert_allclose(two.slope_deg.values, one.slope_deg.values, atol=1e-9)
    np.testing.assert_array_equal(curvature(grid(z + by)).profile.values, curvature(grid(z)).profile.values)


@given(st.sampled_from(ANIMALS), st.integers(1, 6), st.integers(1, 6))
def test_a_part_has_the_slopes_of_the_whole(name, row, col):
    """Cutting the ground elsewhere moves values and changes none, bit for bit."""
    ground = ZOO[name]
    ny, nx = ground.shape
    if ny - row < 3 or nx - col < 3:
        row = col = 0
    part = read_terrain(ground.with_values(ground.values)).slope_deg.values[row:, col:][INNER]
    cut = Grid(ground.values[row:, col:].copy(), ground.west_m, ground.north_m, 5.0, UTM)
    np.testing.assert_array_equal(read_terrain(cut).slope_deg.values[INNER], part)


@given(grounds, st.integers(1, 3))
def test_quarter_turns_turn_the_aspect_and_keep_the_slope(ground, turns):
    """A quarter turn to the left takes 90 degrees off the aspect."""
    one = read_terrain(ground)
    two = read_terrain(grid(np.rot90(ground.values, turns).copy()))
    back = np.rot90(two.slope_deg.values, -turns)
    np.testing.assert_allclose(back, one.slope_deg.values, atol=1e-7)
    aspect = np.rot90(two.aspect_deg.values, -turns)
    steep = np.nan_to_num(one.slope_deg.values) > 1e-3
    assert (turn_between(aspect, one.aspect_deg.values - 90.0 * turns)[steep] < 1e-5).all()
    for name in ("profile", "tangential", "plan"):
        a = getattr(curvature(ground), name).values
        b = np.rot90(getattr(curvature(grid(np.rot90(ground.values, turns).copy())), name).values, -turns)
        np.testing.assert_allclose(b, a, rtol=1e-6, atol=1e-7 * np.nanmax(abs(a), initial=0.0))


@given(grounds)
def test_a_mirror_mirrors_the_aspect(ground):
    """East and west change places: aspect a becomes 360 - a."""
    one, two = read_terrain(ground), read_terrain(grid(ground.values[:, ::-1].copy()))
    np.testing.assert_allclose(two.slope_deg.values[:, ::-1], one.slope_deg.values, atol=1e-7)
    steep = np.nan_to_num(one.slope_deg.values) > 1e-3
    assert (turn_between(two.aspect_deg.values[:, ::-1], -one.aspect_deg.values)[steep] < 1e-5).all()


@given(st.sampled_from(ANIMALS), st.integers(1, 40))
def test_blocks_of_rows_do_not_matter(name, block):
    """Worked out in blocks of any size, the result is the same bit for bit."""
    ground = ZOO[name]
    z, ny = ground.values, ground.shape[0]
    slope, aspect = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    parts = [np.full(z.shape, np.nan) for _ in range(5)]
    for first in reversed(range(0, ny, block)):
        horn_kernel(z, 5.0, first, min(first + block, ny), slope, aspect)
        derivatives_kernel(z, 5.0, first, min(first + block, ny), *parts)
    whole = read_terrain(ground)
    np.testing.assert_array_equal(slope, whole.slope_deg.values)
    np.testing.assert_array_equal(aspect, whole.aspect_deg.values)
    for one, other in zip(parts, derivatives(ground), strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("threads", ["1", "2", "5"])
def test_threads_do_not_matter(monkeypatch, threads):
    """Any number of threads gives the same slopes bit for bit."""
    tall = plane(shape=(1030, 5))
    rough = tall.with_values(tall.values + np.random.default_rng(3).normal(0, 2, tall.shape))
    monkeypatch.setenv("LASTSEEN_THREADS", "1")
    one = read_terrain(rough).slope_deg.values
    assert np.isfinite(one[INNER]).all()
    monkeypatch.setenv("LASTSEEN_THREADS", threads)
    np.testing.assert_array_equal(read_terrain(rough).slope_deg.values, one)


@given(st.integers(1, 34), st.integers(1, 50))
def test_no_data_spreads_by_one_cell_and_no_more(row, col):
    """A single hole takes itself and its eight neighbours, and every other value stays as it was."""
    ground = ZOO["hill"]
    values = ground.values.copy()
    values[row, col] = np.nan
    holed = ground.with_values(values)
    taken = np.zeros(values.shape, bool)
    taken[row - 1 : row + 2, col - 1 : col + 2] = True
    before, after = read_terrain(ground), read_terrain(holed)
    pairs = [(before.slope_deg, after.slope_deg), (before.aspect_deg, after.aspect_deg)]
    pairs += [(getattr(curvature(ground), n), getattr(curvature(holed), n)) for n in ("profile", "tangential", "plan")]
    for one, two in pairs:
        assert np.isnan(two.values[taken]).all()
        np.testing.assert_array_equal(two.values[~taken], one.values[~taken])


def test_the_input_is_left_alone():
    """No function writes into the ground that it was given."""
    ground = ZOO["island"]
    before = ground.values.copy()
    read_terrain(ground)
    curvature(ground)
    smooth_heights(ground, 12.0)
    np.testing.assert_array_equal(ground.values, before)


def test_small_grounds_have_no_slope():
    """One row has no inner cell; nine cells have one."""
    assert np.isnan(read_terrain(ZOO["one_row"]).slope_deg.values).all()
    assert np.isfinite(read_terrain(ZOO["tiny"]).slope_deg.values).sum() == 1


# ---- smoothing --------------------------------------------------------------------------------------------------


@given(st.floats(5, 55), st.floats(0, 360), st.floats(2.0, 25.0))
def test_smoothing_keeps_a_plane(slope, downhill, sigma_m):
    """The filter has no tilt: a plane stays a plane, rim included."""
    ground = plane(slope, downhill)
    np.testing.assert_allclose(smooth_heights(ground, sigma_m).values, ground.values, atol=1e-6)


def test_smoothing_keeps_no_data_and_the_plane_around_it():
    """Holes stay where they are, do not grow, and do not bend the plane beside them."""
    ground = plane()
    values = ground.values.copy()
    values[15:19, 20:27] = np.nan
    got = smooth_heights(ground.with_values(values), 8.0)
    np.testing.assert_array_equal(np.isnan(got.values), np.isnan(values))
    known = np.isfinite(values)
    np.testing.assert_allclose(got.values[known], ground.values[known], atol=0.02)


def test_smoothing_takes_roughness_off():
    """Noise shrinks as the theory of the Gaussian filter says: to 1 / (2 sigma sqrt(pi)) of its height."""
    flat = grid(np.random.default_rng(11).normal(1000.0, 1.0, (120, 140)), 1.0)
    got = smooth_heights(flat, 3.0).values[12:-12, 12:-12]
    assert got.std() == pytest.approx(1.0 / (2.0 * 3.0 * np.sqrt(np.pi)), rel=0.1)


def test_a_little_smoothing_is_none():
    """Below a quarter of a cell the ground comes back as it is."""
    assert smooth_heights(ZOO["hill"], 1.2) is ZOO["hill"]
    assert smooth_heights(ZOO["hill"], 2.0) is not ZOO["hill"]


def test_nothing_known_can_be_smoothed():
    """Ground without any data stays so, without a warning."""
    nothing = ZOO["hill"].with_values(np.full(ZOO["hill"].shape, np.nan))
    assert np.isnan(smooth_heights(nothing, 10.0).values).all()
