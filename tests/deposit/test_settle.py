"""Debris and probability of area from hand-made tracks, where every answer is known."""

import numpy as np
import pytest
from pyproj import CRS

from lastseen.deposit import probability_of_area, settle, share_inside, where_person_lies
from lastseen.deposit.settle import _shed
from lastseen.errors import NothingFoundError
from lastseen.grid import Grid
from lastseen.motion import Members, Run, Tracks
from lastseen.motion.bodies import joined

UTM = CRS.from_epsg(32632)
FLAT = Grid(np.zeros((120, 160)), 0.0, 240.0, 2.0, UTM)


def tracks_to(rows, cols, speeds=(9.0, 3.0, 0.0), reason=0):
    """Bodies that come from the west over one cell per speed and end in the given cells."""
    rows, cols = np.asarray(rows), np.asarray(cols)
    n, k = rows.size, len(speeds)
    cells = (rows[:, None] * 160 + cols[:, None] - np.arange(k)[::-1]).astype(np.int32).ravel()
    x, y = FLAT.centre_of(rows, cols)
    none = np.full(n, np.nan)
    return Tracks(
        cells,
        np.tile(speeds, n).astype(float),
        (np.arange(n + 1) * k).astype(np.int32),
        x,
        y,
        np.full(n, reason, np.int32),
        np.full(n, max(speeds)),
        np.ones(n),
        np.zeros(n),
        np.ones(n),
        none,
        none,
    )


def run_of(debris, person, members=4, volume=200.0):
    one = np.ones(members)
    drawn = Members(0.3 * one, 1000 * one, 0.5 * one, 0.5 * one, np.ones(members, np.int32), volume * one)
    return Run(drawn, debris, person, np.ones(members, bool))


def spread(n, row, col, wide=6, seed=3):
    rng = np.random.default_rng(seed)
    return row + rng.integers(-wide, wide + 1, n), col + rng.integers(-wide, wide + 1, n)


def test_snow_is_shed_evenly_over_the_slow_last_stretch():
    """Cells entered below 4 m/s at the end share a body's snow; a slow stretch before a fast one gets none."""
    tracks = tracks_to([50], [60], speeds=(3.0, 8.0, 3.5, 2.0, 0.0))
    body, row, col, weight = _shed(FLAT, tracks)
    assert body.tolist() == [0, 0, 0]
    assert row.tolist() == [50, 50, 50]
    assert col.tolist() == [58, 59, 60]
    assert weight == pytest.approx(1.0 / 3.0)


def test_a_fast_body_sheds_where_it_stops():
    """A body that never was slow leaves all its snow in its last cell."""
    _, _, col, weight = _shed(FLAT, tracks_to([50], [60], speeds=(9.0, 9.0, 9.0)))
    assert col.tolist() == [60]
    assert weight.tolist() == [1.0]


def test_volume_is_kept_and_thickness_lies_where_bodies_stop():
    """Mean thickness over all cells gives back the deposit's volume, and its middle is the bodies' middle."""
    where = spread(400, 60, 80)
    run = run_of(tracks_to(*where), tracks_to(*where))
    debris = settle(run, FLAT, probability_of_area(run, FLAT), 0.5)
    thickness = debris.thickness_m.values
    assert thickness.sum() * 4.0 == pytest.approx(200.0, rel=1e-6)
    rows, cols = np.indices(thickness.shape)
    assert (rows * thickness).sum() / thickness.sum() == pytest.approx(where[0].mean(), abs=0.2)
    assert (cols * thickness).sum() / thickness.sum() == pytest.approx(where[1].mean() - 0.5, abs=0.2)


def test_probability_is_the_share_of_events():
    """Where one event of four goes elsewhere, probability is three quarters here and one quarter there."""
    here, there = spread(300, 40, 50), spread(100, 90, 120)
    rows, cols = (np.concatenate([a, b]) for a, b in zip(here, there, strict=True))
    run = run_of(tracks_to(rows, cols), tracks_to(*here))
    debris = settle(run, FLAT, probability_of_area(run, FLAT), 0.5)
    assert debris.probability.values[40, 50] == 0.75
    assert debris.probability.values[90, 120] == 0.25
    assert len(debris.outline.geoms) == 1


@pytest.mark.parametrize(
    ("volume", "wide", "expected"), [(250.0, 3, 0.2), (250.0, 6, 0.1), (250.0, 8, 0.05), (100.0, 8, 0.025)]
)
def test_outline_level_is_the_highest_that_holds_most_persons(volume, wide, expected):
    """The level that is not asked for is the highest of 20, 10, 5 and 2.5 % that holds 90 % of the POA, or the last."""
    members = [spread(50, 60, 80, wide, seed) for seed in range(40)]
    rows, cols = (np.concatenate([one[i] for one in members]) for i in (0, 1))
    run = run_of(tracks_to(rows, cols), tracks_to(*spread(2000, 60, 80, wide + 1)), members=40, volume=volume)
    poa = probability_of_area(run, FLAT)
    levels = (0.2, 0.1, 0.05, 0.025)
    inside = [share_inside(poa, settle(run, FLAT, poa, level).outline) for level in levels]
    assert inside == sorted(inside)
    wanted = next((level for level, share in zip(levels, inside, strict=True) if share >= 0.9), 0.025)
    assert settle(run, FLAT, poa, None).level == wanted == expected


def test_nothing_found_is_said():
    """No ground in the asked share of events, or all snow off the model, is an empty answer with its reason."""
    where = spread(400, 60, 80)
    apart = [spread(100, 20 + 25 * k, 20 + 30 * k) for k in range(4)]
    rows, cols = (np.concatenate([w[i] for w in apart]) for i in (0, 1))
    run = run_of(tracks_to(rows, cols), tracks_to(*where))
    with pytest.raises(NothingFoundError, match="the most is 25%"):
        settle(run, FLAT, probability_of_area(run, FLAT), 0.5)
    gone = run_of(tracks_to(*where, reason=1), tracks_to(*where))
    with pytest.raises(NothingFoundError, match="100% of the snow leaves"):
        settle(gone, FLAT, probability_of_area(gone, FLAT), None)


def test_poa_sums_to_one_and_ignores_who_left():
    """POA sums to 1 over those who stay; the share that left is told apart."""
    stay, left = tracks_to(*spread(300, 60, 80)), tracks_to(*spread(100, 60, 80), reason=1)
    both = joined([stay, left])
    run = run_of(stay, both)
    poa = probability_of_area(run, FLAT)
    assert poa.values.sum() == pytest.approx(1.0, abs=1e-12)
    outline = settle(run, FLAT, poa, 0.5).outline
    person = where_person_lies(run, poa, FLAT.centre_of(60, 80), outline)
    assert person.left_share == 0.25
    assert person.inside_debris == pytest.approx(share_inside(poa, outline))
    assert person.carried_p50_m < 20.0
