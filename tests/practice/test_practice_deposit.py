"""The deposit on a site and its pushing plan, against integrals, assignment and plain arithmetic."""

import dataclasses

import numpy as np
import pytest
from pyproj import CRS
from scipy.integrate import dblquad
from scipy.optimize import linear_sum_assignment
from shapely import MultiPolygon, Point, box

from lastseen.core.errors import InputError, NothingFoundError
from lastseen.core.grid import Grid
from lastseen.jobs.practice import deposit
from lastseen.jobs.practice.deposit import (
    FILLED,
    MEAN_THICKNESS_M,
    DepositModel,
    SiteFrame,
    SnowShape,
    lay_modelled,
    lay_sized,
    plan_pushing,
)

# Rows deposit-volume-1 to 3 of drill_sites.csv: released volume (EAWS size table) x 1.5 x 200 / 400 kg/m3.
VOLUMES_M3 = {1: 75.0, 2: 750.0, 3: 7500.0}
UTM = CRS.from_epsg(32632)
FRAME = SiteFrame(middle_m=(600_123.4, 5_100_077.7), downhill_deg=203.0, width_m=100.0, height_m=48.0, crs=UTM)
WIDE = dataclasses.replace(FRAME, width_m=200.0, height_m=150.0)


def shape_of(height, radius_m):
    """Snow of ``height(x, y)`` around the middle of the site."""
    grid = FRAME.lattice()
    rows, cols = np.indices(grid.shape)
    x, y = grid.centre_of(rows, cols)
    x, y = x - FRAME.middle_m[0], y - FRAME.middle_m[1]
    z = np.where(np.hypot(x, y) <= radius_m, height(x, y), 0.0)
    outline = MultiPolygon([Point(FRAME.middle_m).buffer(radius_m)])
    return SnowShape(
        thickness_m=grid.with_values(z),
        outline=outline,
        volume_m3=float(z.sum()),
        greatest_m=float(z.max()),
        scale=1.0,
        source="made",
    )


HEIGHTS = {
    "tilted": lambda x, y: 1.2 + 0.02 * x - 0.03 * y,
    "wavy": lambda x, y: 1.0 + 0.4 * np.sin(x / 4.0) * np.cos(y / 5.0),
    "heap": lambda x, y: 2.5 * np.exp(-(x**2 + 0.5 * y**2) / 150.0),
}


@pytest.mark.parametrize("name", HEIGHTS)
def test_fill_against_numerical_integration(name):
    """Sum over the stakes against scipy's adaptive quadrature of the same surface (QUADPACK, Piessens et al. 1983)."""
    height, radius = HEIGHTS[name], 18.0
    exact, _ = dblquad(
        lambda y, x: height(x, y), -radius, radius,
        lambda x: -np.sqrt(max(radius**2 - x**2, 0.0)), lambda x: np.sqrt(max(radius**2 - x**2, 0.0)), epsabs=0.05,
    )  # fmt: skip
    made = plan_pushing(FRAME, shape_of(height, radius), snow_m=1.5)
    assert sum(one.fill_m3 for one in made.stakes) == pytest.approx(exact, rel=0.01)
    assert made.fill_m3 == pytest.approx(exact, rel=0.01)


@pytest.mark.parametrize("packing", [0.4, 0.5, 1.0])
def test_cut_and_fill_are_balanced(packing):
    """What is taken, times the packing, is what is laid; from each stake and to each stake too."""
    made = plan_pushing(FRAME, lay_sized(FRAME, 2, 3), snow_m=1.2, packing=packing)
    assert made.cut_m3 * packing == pytest.approx(made.fill_m3, rel=1e-9)
    assert sum(one.cut_m3 for one in made.stakes) == pytest.approx(made.cut_m3, rel=1e-6)
    for stake in made.stakes:
        given = sum(one.volume_m3 for one in made.hauls if one.from_stake == stake.name)
        taken = sum(one.volume_m3 for one in made.hauls if one.to_stake == stake.name)
        assert given == pytest.approx(stake.cut_m3 * packing, abs=3.0)  # pushes below half a cubic metre are left out
        assert taken == pytest.approx(stake.fill_m3, abs=3.0)


def test_no_deeper_than_the_snow_and_from_the_nearest_ground():
    shape = lay_sized(FRAME, 2, 3)
    made = plan_pushing(FRAME, shape, snow_m=0.9, left_m=0.3)
    assert made.cut_m <= 0.6 + 1e-9
    assert made.borrow_m2 == pytest.approx(made.cut_m3 / made.cut_m, rel=1e-6)
    assert not made.borrow.buffer(-2.0).intersects(shape.outline)
    deeper = plan_pushing(FRAME, shape, snow_m=1.5, left_m=0.3)
    assert deeper.borrow_m2 < made.borrow_m2
    assert deeper.mean_push_m < made.mean_push_m


def test_snow_comes_from_above_before_below():
    shape = lay_sized(FRAME, 2, 3)
    made = plan_pushing(FRAME, shape, snow_m=1.2)
    at = np.array([one.at_m for one in made.stakes])
    _, down = FRAME.to_site(at[:, 0], at[:, 1])
    cut = np.array([one.cut_m3 for one in made.stakes])
    assert cut[down < 0].sum() > 1.5 * cut[down > 0].sum()


def test_hauls_against_assignment(monkeypatch):
    """With equal loads the transport is an assignment: the same least cost as the Hungarian method (Kuhn 1955)."""
    rng = np.random.default_rng(5)
    monkeypatch.setattr(deposit, "UPHILL", 0.0)
    givers = rng.uniform(-40.0, 40.0, (12, 2))
    takers = rng.uniform(-20.0, 20.0, (12, 2))
    stakes = [
        deposit.Stake(name=f"G{k}", at_m=tuple(at), fill_m3=0.0, cut_m3=20.0, fill_m=0.0, cut_m=0.0)
        for k, at in enumerate(givers)
    ]
    stakes += [
        deposit.Stake(name=f"T{k}", at_m=tuple(at), fill_m3=10.0, cut_m3=0.0, fill_m=0.0, cut_m=0.0)
        for k, at in enumerate(takers)
    ]
    hauls, mean_m = deposit._hauls(FRAME, stakes, 0.5)
    distance = np.hypot(*(givers[:, None, :] - takers[None, :, :]).transpose(2, 0, 1))
    rows, cols = linear_sum_assignment(distance)
    assert mean_m == pytest.approx(distance[rows, cols].mean(), rel=1e-6)
    assert sum(one.volume_m3 for one in hauls) == pytest.approx(120.0, rel=1e-6)


@pytest.mark.parametrize("size", [1, 2, 3])
def test_a_sized_deposit_has_its_volume_and_stays_on_the_site(size):
    shape = lay_sized(WIDE, size, 4)
    local = [WIDE.to_site(*np.array(one.exterior.coords).T) for one in shape.outline.geoms]
    for across, down in local:
        assert np.abs(across).max() <= 0.5 * WIDE.width_m
        assert np.abs(down).max() <= 0.5 * WIDE.height_m
    assert float(shape.thickness_m.values.sum()) == pytest.approx(shape.volume_m3, rel=1e-9)
    inside = shape.volume_m3 / shape.area_m2
    assert inside == pytest.approx(MEAN_THICKNESS_M[size], rel=0.03)
    assert f"{MEAN_THICKNESS_M[size]:g} m thick on average" in shape.source
    assert shape.volume_m3 == pytest.approx(VOLUMES_M3[size], rel=1e-6)


def test_what_does_not_fit_is_smaller_and_as_thick():
    large, small = lay_sized(WIDE, 3, 4), lay_sized(FRAME, 3, 4)
    assert small.volume_m3 < large.volume_m3
    assert small.volume_m3 / small.area_m2 == pytest.approx(large.volume_m3 / large.area_m2, rel=0.03)
    assert "the site holds" in small.source
    assert "the site holds" not in large.source
    across, down = FRAME.to_site(*np.array(small.outline.geoms[0].exterior.coords).T)
    assert np.abs(across).max() <= 50.0
    assert np.abs(down).max() <= 24.0


def test_the_toe_is_thicker_than_the_top():
    shape = lay_sized(WIDE, 3, 4)
    rows, cols = np.indices(shape.thickness_m.shape)
    _, down = WIDE.to_site(*shape.thickness_m.centre_of(rows, cols))
    z = shape.thickness_m.values
    assert z[(down > 10) & (z > 0)].mean() > 1.2 * z[(down < -10) & (z > 0)].mean()


def test_one_seed_one_shape():
    one, same, other = (lay_sized(FRAME, 2, seed) for seed in (3, 3, 4))
    assert np.array_equal(one.thickness_m.values, same.thickness_m.values)
    assert not np.array_equal(one.thickness_m.values, other.thickness_m.values)
    assert one.volume_m3 == other.volume_m3


def model(flow_deg=90.0):
    """A plan's debris: 40 m long, 20 m wide, flowing east, thicker in the east."""
    grid = Grid(np.zeros((60, 80)), 500_000.0, 5_000_060.0, 1.0, UTM)
    rows, cols = np.indices(grid.shape)
    x, y = grid.centre_of(rows, cols)
    inside = (np.abs(x - 500_040.0) <= 20.0) & (np.abs(y - 5_000_030.0) <= 10.0)
    z = np.where(inside, 0.5 + 0.02 * (x - 500_020.0), 0.0)
    return DepositModel(
        thickness_m=grid.with_values(z),
        outline=MultiPolygon([box(500_020, 5_000_020, 500_060, 5_000_040)]),
        flow_deg=flow_deg,
        name="made",
    )


def test_a_modelled_deposit_is_turned_into_the_fall_line():
    """East becomes down the slope; the toe lies below the middle; volume and area stay at true size."""
    shape = lay_modelled(FRAME, model(), 1)
    assert shape.scale == 1.0
    assert "true size" in shape.source
    assert shape.area_m2 == pytest.approx(800.0, rel=1e-6)
    assert shape.volume_m3 == pytest.approx(float(model().thickness_m.values.sum()), rel=0.05)
    rows, cols = np.indices(shape.thickness_m.shape)
    across, down = FRAME.to_site(*shape.thickness_m.centre_of(rows, cols))
    z = shape.thickness_m.values
    assert (z * down).sum() / z.sum() > 1.0
    assert np.abs(across[z > 0]).max() <= 11.0
    assert np.abs(down[z > 0]).max() <= 21.0


def test_a_modelled_deposit_that_is_too_long_is_drawn_smaller():
    low = dataclasses.replace(FRAME, height_m=20.0)
    shape = lay_modelled(low, model(), 1)
    assert shape.scale == pytest.approx(FILLED * 20.0 / 40.0, rel=1e-6)  # 40 m of debris on 20 m of site
    assert "of its lengths" in shape.source
    mean_m = 0.5 + 0.02 * 20.0  # of 0.5 m that grows by 2 cm in each of 40 m
    assert shape.volume_m3 / shape.area_m2 == pytest.approx(mean_m, rel=0.05)


def test_stakes_stand_on_the_grid_of_the_site():
    made = plan_pushing(FRAME, lay_sized(FRAME, 2, 3), snow_m=1.2, stake_m=8.0)
    at = np.array([one.at_m for one in made.stakes])
    across, down = FRAME.to_site(at[:, 0], at[:, 1])
    np.testing.assert_allclose((across / 8.0 - 0.5) % 1.0 % 1.0, np.round((across / 8.0 - 0.5) % 1.0), atol=1e-6)
    names = [one.name for one in made.stakes]
    assert len(set(names)) == len(names)
    top, bottom = names[0], names[-1]
    assert down[0] < down[-1]
    assert top[0] < bottom[0]


def test_at_each_stake_stands_what_is_laid_and_what_is_taken_there():
    """A heap of 2 m in the middle: at its stakes its own height and no cut; outside one depth is cut, nothing laid."""
    shape = shape_of(lambda x, y: 2.0 - 0.05 * np.hypot(x, y), 18.0)
    made = plan_pushing(FRAME, shape, snow_m=1.5)
    laid = taken = 0
    for stake in made.stakes:
        away = float(np.hypot(stake.at_m[0] - FRAME.middle_m[0], stake.at_m[1] - FRAME.middle_m[1]))
        if away < 17.0:
            assert stake.fill_m == pytest.approx(2.0 - 0.05 * away, abs=0.06)
            assert stake.cut_m == 0.0
            laid += 1
        elif away > 19.0:
            assert stake.fill_m == 0.0
            assert stake.cut_m == pytest.approx(0.0) or stake.cut_m == pytest.approx(made.cut_m)
            taken += stake.cut_m > 0.0
    assert laid >= 3
    assert taken >= 3


def test_snow_at_the_foot_stays():
    """2 m round the deposit are not dug away (design choice), but for the cells on both edges."""
    shape = shape_of(lambda x, y: 1.0 + 0.0 * x, 18.0)
    made = plan_pushing(FRAME, shape, snow_m=1.5)
    assert made.borrow.distance(shape.outline) > deposit.KEEP_M - 1.5 * shape.thickness_m.cell_m
    assert made.borrow.distance(shape.outline) < deposit.KEEP_M + 2.0 * shape.thickness_m.cell_m


def test_forbidden_ground_gives_no_snow():
    shape = lay_sized(FRAME, 2, 3)
    rows, cols = np.indices(shape.thickness_m.shape)
    across, _ = FRAME.to_site(*shape.thickness_m.centre_of(rows, cols))
    made = plan_pushing(FRAME, shape, across > 0.0, snow_m=1.2)
    a, _ = FRAME.to_site(*np.array(made.borrow.geoms[0].exterior.coords).T)
    assert a.min() > -2.0


def test_too_little_snow_is_said():
    with pytest.raises(NothingFoundError, match="--snow-depth"):
        plan_pushing(FRAME, lay_sized(WIDE, 3, 3), snow_m=0.35)


@pytest.mark.parametrize("bad", [{"snow_m": 0.2}, {"packing": 0.0}, {"stake_m": 0.5}, {"left_m": -1.0}])
def test_numbers_that_cannot_be_meant(bad):
    with pytest.raises(InputError, match="give more"):
        plan_pushing(FRAME, lay_sized(FRAME, 1, 3), **bad)


def test_few_stakes_where_no_distance_is_given():
    """The closest distance that needs at most 80 stakes; a given one stands."""
    shape = lay_sized(WIDE, 3, 1)
    made = plan_pushing(WIDE, shape)
    assert made.stake_m in deposit.STAKES_M
    assert len(made.stakes) <= deposit.MOST_STAKES
    closer = deposit.STAKES_M[deposit.STAKES_M.index(made.stake_m) - 1]
    assert len(plan_pushing(WIDE, shape, stake_m=closer).stakes) > deposit.MOST_STAKES


def test_a_square_on_the_rim_whose_middle_lies_off_the_lattice():
    """Snow only along the rim: volumes are all there, and at a stake off the lattice nothing is laid or taken."""
    shape = lay_sized(FRAME, 2, 1)
    allowed = np.zeros(shape.thickness_m.shape, bool)
    allowed[:14], allowed[:, :14] = True, True
    made = plan_pushing(FRAME, shape, allowed, snow_m=1.5, stake_m=50.0)
    assert sum(one.fill_m3 for one in made.stakes) == pytest.approx(made.fill_m3, rel=1e-3)
    assert sum(one.cut_m3 for one in made.stakes) == pytest.approx(made.cut_m3, rel=1e-3)
    off = [one for one in made.stakes if not shape.thickness_m.contains(*one.at_m)]
    assert off
    assert all(one.fill_m == one.cut_m == 0.0 for one in off)
