"""The slow twins: every cell of small grounds, frames, holes and flats included."""

import numpy as np
import pytest

from dem_zoo import ZOO
from lastseen.terrain.drainage import accumulation_m2, facet_direction_deg, fill_hollows, find_drainage
from lastseen.terrain.neighbourhood import Ring, cliff_drop_m, openness, relative_position_m, ruggedness
from oracles import ground as twin
from terrain.grounds import grid, rough_ground, turn_between

ANIMALS = [name for name in ZOO if name != "one_row"]


def holed(ground):
    values = ground.values.copy()
    values[3:6, 8:12], values[11, 5], values[0, 2] = np.nan, np.nan, np.nan
    return ground.with_values(values)


ROUGH = {
    "rough": rough_ground((23, 27)),
    "holed": holed(rough_ground((23, 27), seed=8)),
    "steps": rough_ground((23, 27), seed=9).with_values(np.round(rough_ground((23, 27), seed=9).values / 3.0) * 3.0),
    "noise": grid(np.random.default_rng(1).normal(1000.0, 20.0, (19, 31))),
}
GROUNDS = {**{name: ZOO[name] for name in ANIMALS}, **ROUGH}


@pytest.mark.parametrize("name", GROUNDS)
def test_filling(name):
    """The plain Priority-Flood with one heap gives the same bits; the ground given is left alone."""
    ground = GROUNDS[name]
    before = ground.values.copy()
    filled = fill_hollows(ground)
    np.testing.assert_array_equal(filled.surface.values, twin.priority_flood(ground.values))
    np.testing.assert_array_equal(ground.values, before)
    assert np.nanmin(filled.depth_m.values) == 0.0


@pytest.mark.parametrize("name", GROUNDS)
def test_ways(name):
    """D8 on filled ground where a neighbour is lower; elsewhere the way leads over level ground and out."""
    drainage = find_drainage(GROUNDS[name])
    z, way = drainage.filled.surface.values, drainage.way.values
    slow = twin.d8(z)
    known = np.isfinite(z)
    assert (way[~known] == 255).all()
    falls = known & (slow < 8)
    np.testing.assert_array_equal(way[falls], slow[falls])
    for i, j in np.argwhere(known & ~falls).tolist():
        if way[i, j] == 8:
            assert twin.drains(z, i, j)
            continue
        r, c = i + twin.NEIGHBOURS[way[i, j]][0], j + twin.NEIGHBOURS[way[i, j]][1]
        assert z[r, c] == z[i, j]
    for place in np.argwhere(known).tolist():  # from every cell the ways lead off the ground, never up
        steps, (i, j) = 0, place
        while way[i, j] != 8:
            i, j = i + twin.NEIGHBOURS[way[i, j]][0], j + twin.NEIGHBOURS[way[i, j]][1]
            steps += 1
            assert steps < z.size


@pytest.mark.parametrize("name", GROUNDS)
def test_d_infinity(name):
    """Azimuth of the steepest facet of every cell that has one."""
    drainage = find_drainage(GROUNDS[name])
    z, mine = drainage.filled.surface.values, facet_direction_deg(drainage).values
    for i, j in np.argwhere(np.isfinite(z)).tolist():
        azimuth, slope = twin.facet(z, i, j)
        if slope > 0 and turn_between(mine[i, j], azimuth) > 1e-6:  # another facet, as steep as this one
            assert twin.fall_along(z, i, j, mine[i, j]) == pytest.approx(slope, rel=1e-9)
        if not slope > 0:
            way = drainage.way.values[i, j]
            np.testing.assert_equal(mine[i, j], 45.0 * way if way < 8 else np.nan)


@pytest.mark.parametrize(
    ("method", "exponent"), [("D8", 1.0), ("D-infinity", 1.0), ("multiple", 1.1), ("multiple", 5.0)]
)
@pytest.mark.parametrize("name", ["hill", "island", "saddle", "flat", *ROUGH])
def test_accumulation(name, method, exponent):
    """Each cell's unit of flow, followed until it is gone. Errors of splitting are far below a cell."""
    drainage = find_drainage(GROUNDS[name])
    z = drainage.filled.surface.values
    if method == "D-infinity":
        azimuth = facet_direction_deg(drainage).values / 45.0
        parts = np.zeros((*z.shape, 8))
        for i, j in np.argwhere(np.isfinite(azimuth)).tolist():
            parts[i, j, int(azimuth[i, j]) % 8] += 1.0 - azimuth[i, j] % 1.0
            parts[i, j, (int(azimuth[i, j]) + 1) % 8] += azimuth[i, j] % 1.0
    else:
        parts = twin.shares(z, method, exponent, drainage.way.values.astype(int))
    mine = accumulation_m2(drainage, method, exponent=exponent).values / 25.0
    np.testing.assert_allclose(mine, twin.accumulate(z, parts), rtol=1e-7, atol=1e-6)


@pytest.mark.parametrize("method", ["D8", "D-infinity", "multiple"])
@pytest.mark.parametrize("name", GROUNDS)
def test_nothing_is_lost(name, method):
    """What leaves the ground is all there is, to the last bit of a cell: areas are whole numbers."""
    drainage = find_drainage(GROUNDS[name])
    area = accumulation_m2(drainage, method).values
    out = drainage.way.values == 8
    if method == "D-infinity":
        out &= np.isnan(facet_direction_deg(drainage).values)
    assert area[out].sum() / 25.0 == pytest.approx(np.isfinite(area).sum(), rel=1e-12)
    assert np.nanmin(area) == 25.0


@pytest.mark.parametrize("half", [1, 2, 4])
@pytest.mark.parametrize("name", ["hill", "gully", "island", *ROUGH])
def test_ruggedness(name, half):
    """One window at a time, from angles."""
    ground = GROUNDS[name]
    mine = ruggedness(ground, window_cells=2 * half + 1).values
    np.testing.assert_allclose(mine, twin.ruggedness(ground.values, 5.0, half), atol=1e-12)


@pytest.mark.parametrize(("inner", "outer"), [(0.0, 5.0), (5.0, 7.5), (10.0, 25.0), (20.0, 20.0)])
@pytest.mark.parametrize("name", ["hill", "gully", "island", "tiny", *ROUGH])
def test_position(name, inner, outer):
    """One ring at a time."""
    ground = GROUNDS[name]
    mine = relative_position_m(ground, Ring(inner, outer)).values
    np.testing.assert_allclose(mine, twin.relative_position(ground.values, 5.0, inner, outer), atol=5e-6)


@pytest.mark.parametrize("radius", [7.5, 20.0, 400.0])
@pytest.mark.parametrize("name", ["hill", "gully", "island", "tiny", *ROUGH])
def test_openness(name, radius):
    """One line of sight at a time."""
    ground = GROUNDS[name]
    mine = openness(ground, radius_m=radius)
    slow = twin.openness(ground.values, 5.0, radius)
    np.testing.assert_allclose(mine.positive_deg.values, slow[0], atol=1e-9)
    np.testing.assert_allclose(mine.negative_deg.values, slow[1], atol=1e-9)


@pytest.mark.parametrize("longest", [12.0, 200.0])
@pytest.mark.parametrize("name", ["ridge", "cone", *ROUGH])
def test_walls(name, longest):
    """One wall at a time, for a limit that many cells reach."""
    ground = GROUNDS[name]
    mine = cliff_drop_m(ground, wall_deg=33.0, longest_m=longest).values
    slow = twin.wall_drop(ground.values, 5.0, 33.0, longest)
    np.testing.assert_allclose(mine, slow, atol=1e-9)
    assert np.nanmax(mine) > 5.0
