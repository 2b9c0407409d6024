"""Releases above, at, beside and below a last-seen point, and who of its disc they take: answers worked out by hand."""

import dataclasses
import math

import numpy as np
import pytest

from dem_zoo import grid_of, plane
from lastseen.core.errors import InputError
from lastseen.core.scenario import LastSeen, Snow
from lastseen.snow.release import find_release, find_releases
from lastseen.snow.sliding_ensemble import rank_releases, simulate_sliding_ensemble, slippery_snow
from lastseen.snow.sliding_mass import smooth_for_snow

SNOW = Snow(size=2, members=16, bodies=1600, friction=(0.27, 0.36, 0.48))


def at(ground, x, y):
    """Map coordinates of a point given from the lower left corner."""
    return ground.west_m + x, ground.bounds[1] + y


def releases(ground, x, y, radius=10.0, snow=SNOW, **more):
    disc = (*at(ground, x, y), radius)
    return find_releases(ground, smooth_for_snow(ground), disc, snow.size, snow=slippery_snow(snow), **more)


def carried(ground, release, x, y, radius=10.0):
    """The ensemble of a release, sliding alone."""
    where, rng = LastSeen(radius_m=radius), np.random.default_rng(5)
    return simulate_sliding_ensemble(
        smooth_for_snow(ground), release, SNOW, last_seen=where, at_m=at(ground, x, y), rng=rng
    )


def valley(foot_m=150.0):
    """A slope of 36 degrees above an apron of 15, both rising northwards; at (238, 130) stands a knoll of 6 m."""
    steep, apron = np.tan(np.radians([36.0, 15.0]))

    def height(x, y):
        knoll = 6.0 * np.exp(-((x - 238.0) ** 2 + (y - foot_m + 20.0) ** 2) / 200.0)
        return 1000.0 + steep * np.maximum(y - foot_m, 0.0) + apron * np.minimum(y - foot_m, 0.0) + knoll

    return grid_of(height, shape=(101, 101))


def test_a_point_in_a_start_zone_has_one_release_and_all_of_its_disc_slides():
    """On a plane of 38 degrees the slab lies around the point: every event takes everybody."""
    ground = plane(38.0, 33.0, shape=(101, 123))
    (release,) = releases(ground, 311.3, 248.7)
    assert release.side == "here"
    np.testing.assert_array_equal(release.cells, find_release(ground, *at(ground, 311.3, 248.7), 2).cells)
    run = carried(ground, release, 311.3, 248.7)
    assert run.reached.all()
    assert run.person.taken.mean() == 1.0


@pytest.mark.parametrize("downhill_deg", [0.0, 33.0, 180.0])
def test_a_slope_that_broke_below_the_person_takes_half_of_the_disc(downhill_deg):
    """The crown runs through the point: of a disc that is evenly filled the lower half stands on the slab, and nothing
    comes from above. Within a row of cells of 5 m across a disc of 20 m radius: 4/pi * 5/(2*20) = 0.16 at most.
    """
    ground = plane(38.0, downhill_deg, shape=(121, 121))
    (release, *_) = releases(ground, 302.0, 301.0, 20.0, side="below")
    assert release.side == "below"
    assert "below" in release.reason
    z = ground.values.ravel()
    row, col = ground.cell_of(*at(ground, 302.0, 301.0))
    assert z[release.cells].max() < ground.values[row, col]
    run = carried(ground, release, 302.0, 301.0, 20.0)
    assert run.reached.all()
    assert run.person.taken.mean() == pytest.approx(0.5, abs=0.16)
    # Who was not taken stays where they stood: above the crown.
    away = np.array([ground.sample(x, y) for x, y in zip(run.person.x_m, run.person.y_m, strict=True)])
    assert away[run.person.taken].mean() < ground.values[row, col] - 5.0


def test_a_point_in_the_run_out_finds_the_start_zone_above_though_the_way_up_ends_on_a_knoll():
    """25 m down the apron the steepest way up ends on the knoll beside; the snow comes down past it all the same."""
    ground, x, y = valley(), 250.0, 125.0
    with pytest.raises(InputError, match="nothing steep enough above"):
        find_release(ground, *at(ground, x, y), 2)
    found = releases(ground, x, y)
    assert {release.side for release in found} == {"above"}
    ranked = rank_releases(smooth_for_snow(ground), found, SNOW, disc=(*at(ground, x, y), 10.0), seed=3)
    shares = [share for _, share in ranked]
    assert np.round(shares, 1).tolist() == sorted(np.round(shares, 1), reverse=True)
    best, share = ranked[0]
    assert share >= 0.5
    assert best.outline.bounds[1] >= at(ground, x, 150.0)[1] - 10.0
    assert abs(best.outline.centroid.x - at(ground, x, y)[0]) < 60.0
    assert carried(ground, best, x, y).reached.mean() == pytest.approx(share, abs=0.25)


def test_a_person_on_a_ridge_has_a_release_on_either_side():
    """A ridge that runs north, 16 m of gentle ground to either side of the crest: one release faces east, one west,
    and neither lies above the point.
    """
    steep = math.tan(math.radians(40.0))
    ground = grid_of(lambda x, y: 1200.0 - steep * np.maximum(np.abs(x - 250.0) - 16.0, 0.0) - 0.1 * np.abs(x - 250.0),
                     shape=(101, 101))  # fmt: skip
    found = releases(ground, 250.0, 250.0)
    assert {release.side for release in found} == {"below"}
    assert sorted(np.sign(release.outline.centroid.x - at(ground, 250.0, 0.0)[0]) for release in found) == [-1.0, 1.0]
    # Neither slab comes up to a disc of 10 m on the crest: nobody there is carried.
    for release in found:
        run = carried(ground, release, 250.0, 250.0)
        assert not run.reached.any()
        assert not run.person.taken.any()


def test_a_side_is_asked_for():
    """In a start zone 'here' is what is found anyway; 'above' starts above the disc; on level ground there is none."""
    ground = plane(38.0, 0.0, shape=(121, 121))
    assert releases(ground, 302.0, 301.0, side="here")[0].side == "here"
    above = releases(ground, 302.0, 301.0, side="above")
    assert above
    assert {release.side for release in above} == {"above"}
    with pytest.raises(
        InputError, match="no start-zone terrain of 28 to 55 degrees of the size class at the last-seen"
    ):
        releases(valley(), 250.0, 100.0, side="here")
    with pytest.raises(InputError, match="within 60 m below"):
        releases(valley(), 250.0, 100.0, side="below")


def test_a_release_is_the_same_on_a_larger_window():
    """Cells keep their places on the map."""
    ground = plane(38.0, 33.0, shape=(101, 123))
    release = find_release(ground, *at(ground, 311.3, 248.7), 2)
    part = dataclasses.replace(
        ground,
        values=ground.values[20:90, 30:110].copy(),
        west_m=ground.west_m + 30 * 5.0,
        north_m=ground.north_m - 100.0,
    )
    cells = find_release(part, *at(ground, 311.3, 248.7), 2)
    np.testing.assert_array_equal(cells.moved(part, ground).cells, release.cells)
