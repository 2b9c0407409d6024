"""The same hill, stored in every orientation and with every kind of no data, reads to the same heights."""

import numpy as np
import pytest
from affine import Affine

from dem_zoo import NODATA_KINDS, NORTH_M, ORIENTATIONS, UTM, WEST_M, ZOO, hill, hill_height, store, store_sampled
from lastseen.terrain.elevation import open_elevation, read_window

ISLAND = ZOO["island"]
SOUTH_M = ISLAND.bounds[1]


def read_all(*paths, **options):
    elevation = open_elevation(list(paths), **options)
    return read_window(elevation, elevation.bounds_m)


@pytest.mark.parametrize("nodata_kind", NODATA_KINDS)
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_every_orientation_and_kind_of_no_data_reads_the_same(tmp_path, orientation, nodata_kind):
    """A file on its own lattice gives back the stored heights exactly, north up."""
    got = read_all(store(tmp_path / "hill.tif", ISLAND, orientation=orientation, nodata_kind=nodata_kind))
    expected = ISLAND.values
    if "int16" in nodata_kind:
        expected = np.round(expected)
    elif "float32" in nodata_kind:
        expected = expected.astype(np.float32).astype(float)
    assert got.bounds == ISLAND.bounds
    assert got.cell_m == ISLAND.cell_m
    assert got.crs == ISLAND.crs
    np.testing.assert_array_equal(got.values, expected)


@pytest.mark.parametrize("name", ["one_row", "tiny", "flat"])
def test_small_and_flat_models_read_exactly(tmp_path, name):
    """One row, nine cells and level ground lose nothing."""
    got = read_all(store(tmp_path / "small.tif", ZOO[name], orientation="turned_half"))
    np.testing.assert_array_equal(got.values, ZOO[name].values)
    assert got.bounds == ZOO[name].bounds


@pytest.mark.parametrize("angle_deg", [17.0, 90.0, -133.0])
def test_a_turned_file_gives_the_heights_of_the_hill(tmp_path, angle_deg):
    """A file turned by its affine is brought north up, with the heights of the hill at the right places."""
    turn = Affine.translation(WEST_M + 130, SOUTH_M + 90) @ Affine.rotation(angle_deg) @ Affine.translation(-150, 100)
    path = store_sampled(
        tmp_path / "turned.tif",
        lambda x, y: hill_height(x - WEST_M, y - SOUTH_M),
        UTM,
        turn @ Affine.scale(2.0, -2.0),
        (100, 150),
    )
    got = read_all(path)
    assert got.cell_m == pytest.approx(2.0)
    col, row = np.meshgrid(np.arange(got.shape[1]), np.arange(got.shape[0]))
    x, y = got.centre_of(row, col)
    expected = hill_height(x - WEST_M, y - SOUTH_M)
    known = np.isfinite(got.values)
    assert known.sum() > 0.9 * 100 * 150
    # Curvature of the hill times the square of a cell over eight; half a cell of rim may take the edge value.
    difference = abs(got.values - expected)
    assert np.quantile(difference[known], 0.97) < 0.02
    assert difference[known].max() < 1.2


def test_no_data_takes_at_most_one_cell_when_warped(tmp_path):
    """Beside a hole no height is made up, and the hole grows by no more than a cell."""
    grid = hill()
    values = grid.values.copy()
    values[10:14, 20:27] = np.nan
    shifted = store(tmp_path / "shifted.tif", grid.with_values(values))
    anchor = store(tmp_path / "anchor.tif", hill(shape=(9, 9), west_m=WEST_M - 997.5, north_m=NORTH_M + 2.5))
    elevation = open_elevation([anchor, shifted])
    got = read_window(elevation, grid.bounds)
    assert not elevation.sheets[1].direct
    holes = np.isnan(got.values)
    inner = holes[2:-2, 2:-2]
    assert inner.sum() == 5 * 8
    rows, cols = np.nonzero(~holes)
    x, y = got.centre_of(rows, cols)
    inside = (x > WEST_M + 5) & (x < grid.bounds[2] - 5) & (y > SOUTH_M + 5) & (y < NORTH_M - 5)
    error = abs(got.values[rows, cols] - hill_height(x - WEST_M, y - SOUTH_M))[inside]
    assert error.max() < 0.1


def test_scale_and_offset_of_the_band_are_used(tmp_path):
    """Decimetres above 1000 m, stored as whole numbers, read as metres."""
    grid = ZOO["hill"]
    stored = np.round((grid.values - 1000.0) * 10.0)
    path = store(tmp_path / "dm.tif", grid.with_values(stored), nodata_kind="int16 -32768", scale=0.1, offset=1000.0)
    np.testing.assert_allclose(read_all(path).values, grid.values, atol=0.0501)


def test_impossible_heights_become_no_data(tmp_path):
    """Pits below -500 m and spikes above 9000 m are no ground."""
    values = ZOO["hill"].values.copy()
    values[3, 4], values[5, 6], values[7, 8] = -501.0, 9001.0, -499.0
    got = read_all(store(tmp_path / "spikes.tif", ZOO["hill"].with_values(values)))
    assert np.isnan(got.values[3, 4])
    assert np.isnan(got.values[5, 6])
    assert got.values[7, 8] == -499.0
    assert np.isnan(got.values).sum() == 2


@pytest.mark.parametrize("across", [2, 4])
def test_finer_than_a_metre_is_averaged_to_a_metre(tmp_path, across):
    """Cells of 0.5 and 0.25 m become metre cells, each the mean of all that lie in it."""
    grid = hill(shape=(20 * across, 30 * across), cell_m=1.0 / across)
    rough = grid.with_values(grid.values + np.random.default_rng(5).normal(0, 1, grid.shape))
    got = read_all(store(tmp_path / "fine.tif", rough))
    assert got.cell_m == 1.0
    assert got.bounds == grid.bounds
    blocks = rough.values.reshape(20, across, 30, across).mean(axis=(1, 3))
    np.testing.assert_allclose(got.values, blocks, atol=1e-6)
