"""Whole rasters beside independent general-purpose libraries. Where they differ, the text says whose definition holds.

On: the sample that comes with matplotlib, synthetic grounds, and real files where LASTSEEN_REAL_TERRAIN names some.
"""

from functools import cache

import numpy as np
import pytest
from scipy import ndimage
from skimage.morphology import reconstruction

from lastseen.terrain.drainage import accumulation_m2, facet_direction_deg, fill_hollows, find_drainage
from lastseen.terrain.drainage_kernels import OFF
from lastseen.terrain.neighbourhood import Ring, relative_position_m, ruggedness
from lastseen.terrain.surface import curvature, derivatives, read_terrain
from oracles import gdal_terrain
from oracles import ground as twin
from oracles import ground_libraries as libraries
from terrain.grounds import SYNTHETIC, real_grounds, rough_ground, sample_ground, turn_between

INNER = np.s_[1:-1, 1:-1]
NAMES = ["sample", *SYNTHETIC]
FILLERS = ["scikit-image", "richdem", "topotoolbox"]


@cache
def ground_of(name):
    return sample_ground() if name == "sample" else SYNTHETIC[name]


@cache
def falling(name, single=False):
    """The ground without flats and hollows, made once."""
    ground = ground_of(name)
    noise = np.random.default_rng(3).normal(0.0, 0.3 if name == "sample" else 0.0, ground.shape)
    return ground.with_values(twin.falling_ground(ground.values + noise, single=single))


def cells(ground, method, exponent=1.0):
    """Cells that drain through each cell."""
    return accumulation_m2(find_drainage(ground), method, exponent=exponent).values / ground.cell_area_m2


def shares_of(azimuth_deg):
    """D-infinity azimuths as shares of the eight neighbours."""
    out = np.zeros((*azimuth_deg.shape, 8))
    for i, j in np.argwhere(np.isfinite(azimuth_deg)).tolist():
        octant = azimuth_deg[i, j] / 45.0
        out[i, j, int(octant) % 8] += 1.0 - octant % 1.0
        out[i, j, (int(octant) + 1) % 8] += octant % 1.0
    return out


def far_apart(one, other):
    """Largest relative difference on inner cells."""
    return abs(one[INNER] / other[INNER] - 1.0).max()


# ---- slope, aspect, curvature


def compare_slopes(ground, slope_deg, aspect_deg):
    """Horn (1981) in single precision: within 0.01 degrees, and of aspect what the rounding of heights makes of it."""
    mine = read_terrain(ground)
    both = np.isfinite(mine.slope_deg.values) & np.isfinite(slope_deg)
    assert both.sum() > 0.3 * both.size
    assert abs(mine.slope_deg.values - slope_deg)[both].max() < 0.01
    steep = both & (mine.slope_deg.values > 0.1)
    turn = turn_between(mine.aspect_deg.values, aspect_deg)[steep]
    noise = np.degrees(4.0 * np.spacing(np.float32(np.nanmax(abs(ground.values)))) / ground.cell_m)
    assert (turn <= 0.01 + noise / np.tan(np.radians(mine.slope_deg.values[steep]))).all()
    assert np.median(turn) < 0.01


def compare_all_slopes(ground):
    values, cell_m = ground.values, ground.cell_m
    compare_slopes(ground, *(libraries.richdem_attribute(values, cell_m, a) for a in ("slope_degrees", "aspect")))
    compare_slopes(ground, *(libraries.xarray_layer(values, cell_m, a) for a in ("slope", "aspect")))


@pytest.mark.parametrize("name", NAMES)
def test_slope_and_aspect(name):
    """richdem and xarray-spatial, both after Horn; GDAL is asked in test_surface.py."""
    compare_all_slopes(ground_of(name))


def compare_curvatures(ground):
    """Zevenbergen & Thorne (1987) give second derivatives; divided by the metric they are the curvatures used here.

    richdem: 100 x their PROFC = - profile curvature x (1 + g2)^1.5, 100 x their PLANC = tangential x (1 + g2)^0.5 in
    the signs and names used here. xarray-spatial: - 100 x (z_xx + z_yy), the sum of both.
    """
    bend, (p, q, r, _, t) = curvature(ground), derivatives(ground)
    g2 = p * p + q * q
    sloping = np.isfinite(g2) & (g2 > 1e-8)
    assert sloping.sum() > 0.3 * sloping.size
    cell_m = ground.cell_m
    for attribute, mine in (
        ("profile_curvature", -100.0 * bend.profile.values * (1.0 + g2) ** 1.5),
        ("planform_curvature", 100.0 * bend.tangential.values * np.sqrt(1.0 + g2)),
    ):
        theirs = libraries.richdem_attribute(ground.values, cell_m, attribute)
        # A second derivative of heights in double precision, of cells of c: rounding of 4 z eps / c^2, and float32 out.
        rounding = 100.0 * 64.0 * np.nanmax(abs(ground.values)) * np.finfo(float).eps / cell_m**2
        np.testing.assert_allclose(theirs[sloping], mine[sloping], rtol=1e-6, atol=rounding)
    middle = ground.values - np.round(np.nanmean(ground.values))
    theirs = libraries.xarray_layer(middle, cell_m, "curvature")
    rounding = 100.0 * 8.0 * np.spacing(np.float32(np.nanmax(abs(middle)))) / cell_m**2
    np.testing.assert_allclose(theirs[sloping], -100.0 * (r + t)[sloping], rtol=1e-5, atol=rounding)
    both = -(bend.profile.values * (1.0 + g2) ** 1.5 + bend.tangential.values * np.sqrt(1.0 + g2))
    np.testing.assert_allclose(both[sloping], (r + t)[sloping], rtol=1e-6, atol=1e-9 + rounding * 1e-6)


@pytest.mark.parametrize("name", NAMES)
def test_curvature(name):
    """richdem (profile and tangential apart) and xarray-spatial (their sum)."""
    compare_curvatures(ground_of(name))


@pytest.mark.parametrize("name", ["sphere", "saddle", "hill"])
def test_all_three_curvatures_on_smooth_ground(name):
    """topotoolbox has the same formulas on derivatives of all nine cells (Evans): alike where ground is smooth."""
    ground = ground_of(name)
    p, q, *_ = derivatives(ground)
    steep = np.hypot(p, q) > 0.2
    steep[:2], steep[-2:], steep[:, :2], steep[:, -2:] = (False,) * 4
    assert steep.sum() > 500
    bend = curvature(ground)
    there = libraries.topotoolbox_grid(ground.values - np.round(ground.values.mean()), ground.cell_m)
    for kind, mine in (("profc", bend.profile), ("tangc", bend.tangential), ("planc", bend.plan)):
        theirs = np.asarray(there.curvature(kind).z, float)
        scale = np.quantile(abs(mine.values[steep]), 0.9)
        assert abs(theirs - mine.values)[steep].max() < 0.03 * scale, kind


# ---- filling


def filled_by(library, ground):
    """The ground filled by another library, as float64."""
    known = np.isfinite(ground.values)
    if library == "scikit-image":
        low = np.where(known, ground.values, np.nanmin(ground.values) - 1.0)
        seed = np.where(known, low.max(), low)
        seed[[0, -1], :], seed[:, [0, -1]] = low[[0, -1], :], low[:, [0, -1]]
        return np.where(known, np.maximum(reconstruction(seed, low, method="erosion"), ground.values), np.nan)
    if library == "richdem":
        return libraries.richdem_filled(ground.values)
    return np.asarray(libraries.topotoolbox_grid(ground.values, ground.cell_m).fillsinks().z, float)


def compare_fill(library, ground):
    """The filled surface is unique: the same bits; topotoolbox works in single precision. Deepest hollow, metres."""
    mine, theirs = fill_hollows(ground).surface.values, filled_by(library, ground)
    if library == "topotoolbox":
        np.testing.assert_array_equal(mine.astype(np.float32), theirs.astype(np.float32))
    else:
        np.testing.assert_array_equal(mine, theirs)
    return np.nanmax(mine - ground.values)


@pytest.mark.parametrize("library", FILLERS)
def test_filling_the_sample(library):
    """Real ground in whole metres, full of flats."""
    assert compare_fill(library, sample_ground()) >= 3.0


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("library", FILLERS)
def test_filling_rough_ground(library, seed):
    """Noise of several metres: many hollows in each other; the same in steps of 4 m."""
    ground = rough_ground((97, 83), seed=seed, amplitude=6.0)
    for one in (ground, ground.with_values(np.round(ground.values / 4.0) * 4.0)):
        assert compare_fill(library, one) > 4.0


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("library", ["scikit-image", "topotoolbox"])
def test_filling_around_no_data(library, seed):
    """Here as in topotoolbox no data is an outlet; for richdem it is a wall, so that it is not asked."""
    ground = rough_ground((97, 83), seed=seed, amplitude=6.0)
    ground.values[20:24, 30:41], ground.values[60, 60], ground.values[0, 5] = np.nan, np.nan, np.nan
    assert compare_fill(library, ground) > 4.0


# ---- directions and accumulation


@pytest.mark.parametrize("name", NAMES)
def test_d8_beside_landlab(name):
    """Each cell drains to the same neighbour, and the same number of cells through it."""
    ground = falling(name)
    count, shares = libraries.landlab_flow(ground.values, ground.cell_m, "FlowDirectorD8")
    np.testing.assert_array_equal(find_drainage(ground).way.values[INNER], shares.argmax(axis=-1)[INNER])
    np.testing.assert_array_equal(np.round(cells(ground, "D8"), 9)[INNER], np.round(count, 9)[INNER])


@pytest.mark.parametrize("name", NAMES)
def test_d8_beside_topotoolbox(name):
    """It works in single precision, so it is given heights that have no more."""
    ground = falling(name, single=True)
    count, way = libraries.topotoolbox_flow(ground.values, ground.cell_m)
    mine = find_drainage(ground).way.values
    differs = (way != mine)[INNER]
    assert differs.mean() <= 1e-4  # slopes that are equal in single precision
    if not differs.any():
        np.testing.assert_array_equal(cells(ground, "D8")[INNER], count[INNER])


@pytest.mark.parametrize("name", NAMES)
def test_d_infinity_beside_landlab(name):
    """The shares of Tarboton (1997), and what they add up to."""
    ground = falling(name)
    count, shares = libraries.landlab_flow(ground.values, ground.cell_m, "FlowDirectorDINF")
    mine = shares_of(facet_direction_deg(find_drainage(ground)).values)
    assert abs(shares - mine)[INNER].max() < 1e-6
    assert far_apart(cells(ground, "D-infinity"), count) < 1e-6


@pytest.mark.parametrize("name", NAMES)
def test_d_infinity_beside_pysheds(name):
    """Azimuths and sums."""
    ground = falling(name)
    azimuth, count = libraries.pysheds_flow(ground.values, ground.cell_m, "dinf")
    assert turn_between(azimuth, facet_direction_deg(find_drainage(ground)).values)[INNER].max() < 1e-6
    assert far_apart(cells(ground, "D-infinity"), count) < 1e-6


@pytest.mark.parametrize("name", NAMES)
def test_d_infinity_beside_richdem(name):
    """It finds the same two neighbours and the same two shares; which is whose it takes the other way round.

    On a plane that falls towards 123 degrees its larger share goes to east, which is 33 degrees off, instead of
    south-east, which is 12 off. Tarboton (1997), landlab and pysheds give it to the nearer; so it is here.
    """
    ground = falling(name)
    mine = shares_of(facet_direction_deg(find_drainage(ground)).values)
    theirs = libraries.richdem_shares(ground.values, "Dinf")
    other = ((mine > 1e-6) != (theirs > 1e-6)).any(axis=-1)[INNER]
    assert other.sum() <= 2  # facets that are equally steep to the last bit or two
    np.testing.assert_allclose(
        np.sort(mine, axis=-1)[INNER][~other], np.sort(theirs, axis=-1)[INNER][~other], atol=1e-6
    )


@pytest.mark.parametrize("exponent", [1.1, 4.0])
@pytest.mark.parametrize("name", NAMES)
def test_multiple_flow_beside_richdem(name, exponent):
    """Freeman (1991): shares by gradient to the power of 1.1, and of a higher exponent. It keeps shares in float32."""
    ground = falling(name)
    assert (
        far_apart(cells(ground, "multiple", exponent), libraries.richdem_cells(ground.values, "Freeman", exponent))
        < 2e-5
    )


@pytest.mark.parametrize("name", NAMES)
def test_multiple_flow_beside_landlab(name):
    """Exponent 1, all eight neighbours."""
    ground = falling(name)
    options = {"diagonals": True, "partition_method": "slope"}
    count, _ = libraries.landlab_flow(ground.values, ground.cell_m, "FlowDirectorMFD", **options)
    assert far_apart(cells(ground, "multiple"), count) < 1e-5


def test_a_comparison_can_fail():
    """One cell 1 cm lower is seen by each comparison."""
    ground = falling("hill")
    other = ground.values.copy()
    other[30, 30] -= 3.0
    count, _ = libraries.landlab_flow(other, ground.cell_m, "FlowDirectorD8")
    assert far_apart(cells(ground, "D8"), count) > 0.1
    with pytest.raises(AssertionError):
        compare_slopes(ground, libraries.richdem_attribute(other, 5.0, "slope_degrees"), np.zeros(ground.shape))


# ---- neighbourhoods


def test_position_beside_gdal(tmp_path):
    """GDAL's topographic position index is that of the eight neighbours."""
    if gdal_terrain.LIBRARY is None:
        pytest.skip(gdal_terrain.WHY_NOT)
    ground = sample_ground()
    theirs = gdal_terrain.layer(tmp_path, ground.values, ground.transform, "TPI")
    mine = relative_position_m(ground, Ring(ground.cell_m, 1.5 * ground.cell_m)).values
    np.testing.assert_allclose(mine[INNER], theirs[INNER], atol=1e-3)


def test_position_beside_xarray_spatial():
    """A ring of cells, summed with its own kernel of the same cells."""
    focal, convolution = libraries.ask("xrspatial.focal"), libraries.ask("xrspatial.convolution")
    ground = rough_ground((83, 97))
    cols = np.arange(-8, 9)
    far = np.hypot(cols[:, None], cols[None, :]) * 5.0
    ring = ((far <= 40.0) & (far >= 10.0)).astype(float)
    assert focal is not None
    total = convolution.convolve_2d(ground.values, ring / ring.sum())
    mine = relative_position_m(ground, Ring(10.0, 40.0)).values
    reach = np.s_[8:-8, 8:-8]
    np.testing.assert_allclose(mine[reach], (ground.values - np.asarray(total))[reach], atol=2e-3)


@pytest.mark.parametrize("window", [3, 5, 9])
def test_ruggedness_beside_scipy(window):
    """Normals from GDAL-like slope and aspect, averaged by scipy's box filter."""
    ground = rough_ground((83, 97))
    terrain = read_terrain(ground)
    s, a = np.radians(terrain.slope_deg.values), np.radians(terrain.aspect_deg.values)
    parts = [np.sin(s) * np.sin(a), np.sin(s) * np.cos(a), np.cos(s)]
    means = [ndimage.uniform_filter(np.nan_to_num(one), window) for one in parts]
    reach = window // 2 + 1
    inner = np.s_[reach:-reach, reach:-reach]
    mine = ruggedness(ground, window_cells=window).values
    np.testing.assert_allclose(mine[inner], (1.0 - np.sqrt(sum(m**2 for m in means)))[inner], atol=1e-12)
    assert np.nanmax(mine) > 0.02


# ---- real files


def test_real_grounds(real_terrain):
    """Slope, curvature, filling, and every routing and accumulation, on whole real files."""
    for name, ground in real_grounds(real_terrain):
        compare_all_slopes(ground)
        compare_curvatures(ground)
        whole = np.isfinite(ground.values).all()
        for library in FILLERS if whole else ("scikit-image", "topotoolbox"):
            compare_fill(library, ground)
        smooth = ground.with_values(ground.values + np.random.default_rng(2).normal(0.0, 0.05, ground.shape))
        falls = smooth.with_values(twin.falling_ground(smooth.values))
        moat = falls.values < np.nanmin(ground.values) - 50.0
        count, shares = libraries.landlab_flow(falls.values, falls.cell_m, "FlowDirectorD8")
        inner = ~moat
        way = find_drainage(falls).way.values
        assert (way[inner] < OFF).all(), name
        np.testing.assert_array_equal(way[inner], shares.argmax(axis=-1)[inner])
        assert abs(cells(falls, "D8")[inner] / count[inner] - 1.0).max() < 1e-9
        azimuth, count = libraries.pysheds_flow(falls.values, falls.cell_m, "dinf")
        assert turn_between(azimuth, facet_direction_deg(find_drainage(falls)).values)[inner].max() < 1e-6
        assert abs(cells(falls, "D-infinity")[inner] / count[inner] - 1.0).max() < 1e-6
        count = libraries.richdem_cells(falls.values, "Freeman", 1.1)
        assert abs(cells(falls, "multiple", 1.1)[inner] / count[inner] - 1.0).max() < 1e-4
