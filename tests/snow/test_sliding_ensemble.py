"""Events of single bodies: where snow is shed, how it is spread, what left."""

import numpy as np
import pytest
from pyproj import CRS

from lastseen.core.grid import Grid
from lastseen.snow.ensemble import spread_counts
from lastseen.snow.release import Release
from lastseen.snow.sliding_ensemble import _event, _left, _shed
from lastseen.snow.sliding_mass import SampleTracks

UTM = CRS.from_epsg(32632)
FLAT = Grid(np.zeros((120, 160)), 0.0, 240.0, 2.0, UTM)
TOP = Release(
    cells=np.zeros(1, np.int32),
    nominal_cells=1,
    outline=None,
    area_m2=1.0,
    slope_deg=35.0,
    thickness_m=0.5,
    volume_m3=1.0,
    top_m=(10.0, 120.0),
    drawn=False,
    reason="",
)


def tracks_to(rows, cols, speeds=(9.0, 3.0, 0.0), reason=0):
    """Bodies that come from the west over one cell per speed and end in the given cells."""
    rows, cols = np.asarray(rows), np.asarray(cols)
    n, k = rows.size, len(speeds)
    cells = (rows[:, None] * 160 + cols[:, None] - np.arange(k)[::-1]).astype(np.int32).ravel()
    x, y = FLAT.centre_of(rows, cols)
    none = np.full(n, np.nan)
    return SampleTracks(
        cells=cells,
        speeds_m_s=np.tile(speeds, n).astype(float),
        offsets=(np.arange(n + 1) * k).astype(np.int32),
        x_m=x,
        y_m=y,
        reason=np.full(n, reason, np.int32),
        fastest_m_s=np.full(n, max(speeds)),
        time_s=np.ones(n),
        fall_m=np.zeros(n),
        path_m=np.ones(n),
        disc_east_m_s=none,
        disc_north_m_s=none,
    )


def test_snow_is_shed_evenly_over_the_slow_last_stretch():
    """Cells entered below 4 m/s at the end share a body's snow; a slow stretch before a fast one gets none."""
    row, col, weight = _shed(FLAT, tracks_to([50], [60], speeds=(3.0, 8.0, 3.5, 2.0, 0.0)))
    assert row.tolist() == [50, 50, 50]
    assert col.tolist() == [58, 59, 60]
    assert weight == pytest.approx(1.0 / 3.0)


def test_a_fast_body_sheds_where_it_stops():
    """A body that never was slow leaves all its snow in its last cell."""
    _, col, weight = _shed(FLAT, tracks_to([50], [60], speeds=(9.0, 9.0, 9.0)))
    assert col.tolist() == [60]
    assert weight.tolist() == [1.0]


def test_an_event_keeps_its_volume_and_its_place():
    """Thickness holds the volume that was given, around where bodies stop; speed is known where they passed."""
    rng = np.random.default_rng(3)
    rows, cols = 60 + rng.integers(-6, 7, 400), 80 + rng.integers(-6, 7, 400)
    event = _event(FLAT, TOP, tracks_to(rows, cols), 200.0)
    assert event.thickness_m.sum() * 4.0 == pytest.approx(200.0, rel=1e-5)
    r, c = np.indices(event.thickness_m.shape)
    weight = event.thickness_m / event.thickness_m.sum()
    assert (r * weight).sum() + event.rows.start == pytest.approx(rows.mean(), abs=0.2)
    assert (c * weight).sum() + event.cols.start == pytest.approx(cols.mean() - 0.5, abs=0.2)
    assert event.fastest == 9.0
    assert event.fastest_m_s.max() == 9.0
    assert event.toe_m[0] == pytest.approx(FLAT.centre_of(60, 86)[0], abs=2.1)


def test_what_left_is_told_by_its_edge():
    """Bodies that left count for the edge that they are nearest to, those in no data for themselves."""
    west, south = tracks_to([60], [3], reason=1), tracks_to([118], [80], reason=1)
    assert _left(FLAT, west, 200.0) == (200.0, 0.0, 0.0, 0.0, 0.0)
    assert _left(FLAT, south, 200.0) == (0.0, 0.0, 200.0, 0.0, 0.0)
    assert _left(FLAT, tracks_to([60], [80], reason=2), 200.0) == (0.0, 0.0, 0.0, 0.0, 200.0)


def test_spreading_keeps_the_sum():
    """Spread counts sum to what was there, also at an edge."""
    counts = np.zeros((20, 20))
    counts[0, 3], counts[12, 12] = 2.0, 5.0
    assert spread_counts(counts, 2.5).sum() == pytest.approx(7.0)
