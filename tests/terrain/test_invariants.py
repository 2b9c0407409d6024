"""What must not change any layer: where the ground lies, how it is turned, how it is cut, how many threads work."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastseen.core.grid import Grid
from lastseen.terrain.derived_layers import DRAINAGE_LAYERS, find_drainage_layers, local_layer_groups
from lastseen.terrain.drainage import accumulation_m2, facet_direction_deg, fill_hollows, find_channels, find_drainage
from lastseen.terrain.neighbourhood import Ring, cliff_drop_m, openness, relative_position_m, ruggedness, slope_breaks
from lastseen.terrain.surface import curvature, read_terrain
from oracles import ground as twin
from terrain.grounds import grid, report_on, rough_ground, turn_between

LOCAL = {
    "slope": lambda g: read_terrain(g).slope_deg,
    "profile": lambda g: curvature(g).profile,
    "tangential": lambda g: curvature(g).tangential,
    "plan": lambda g: curvature(g).plan,
    "ruggedness": lambda g: ruggedness(g, window_cells=5),
    "position": lambda g: relative_position_m(g, Ring(10.0, 30.0)),
    "open above": lambda g: openness(g, radius_m=40.0).positive_deg,
    "open below": lambda g: openness(g, radius_m=40.0).negative_deg,
    "slope change": lambda g: slope_breaks(g, reach_m=17.0).change_deg,
    "wall": lambda g: cliff_drop_m(g, wall_deg=30.0),
    "fill depth": lambda g: fill_hollows(g).depth_m,
}
SUMS = {
    "D8": lambda g: accumulation_m2(find_drainage(g), "D8"),
    "D-infinity": lambda g: accumulation_m2(find_drainage(g), "D-infinity"),
    "multiple": lambda g: accumulation_m2(find_drainage(g), "multiple"),
    "channels": lambda g: find_channels(find_drainage(g), accumulation_m2(find_drainage(g)), threshold_m2=500.0).kind,
}
AZIMUTHS = {
    "aspect": lambda g: read_terrain(g).aspect_deg,
    "D8 way": lambda g: find_drainage(g).direction_deg,
    "D-infinity way": lambda g: facet_direction_deg(find_drainage(g)),
}
GROUND = rough_ground((41, 53))
FALLING = GROUND.with_values(twin.falling_ground(GROUND.values))  # no flats: on them ties are broken by the map
SCALE = {"profile": 1e-9, "tangential": 1e-9, "plan": 1e-6}


def turned(ground, turns):
    return grid(np.rot90(ground.values, turns).copy())


@pytest.mark.parametrize("turns", [1, 2, 3])
@pytest.mark.parametrize("name", [*LOCAL, *SUMS])
def test_quarter_turns(name, turns):
    """A quarter turn turns the layer and changes nothing else; sums differ by what splitting rounds."""
    work, ground = (LOCAL[name], GROUND) if name in LOCAL else (SUMS[name], FALLING)
    one = work(ground).values
    back = np.rot90(work(turned(ground, turns)).values, -turns)
    np.testing.assert_allclose(back, one, rtol=1e-7, atol=SCALE.get(name, 1e-6))


@pytest.mark.parametrize("name", [*LOCAL, *SUMS])
def test_mirror(name):
    """East and west change places."""
    work, ground = (LOCAL[name], GROUND) if name in LOCAL else (SUMS[name], FALLING)
    back = work(grid(ground.values[:, ::-1].copy())).values[:, ::-1]
    np.testing.assert_allclose(back, work(ground).values, rtol=1e-7, atol=SCALE.get(name, 1e-6))


@pytest.mark.parametrize("name", AZIMUTHS)
def test_azimuths_turn_with_the_ground(name):
    """A quarter turn to the left takes 90 degrees off; a mirror turns a into 360 - a."""
    one = AZIMUTHS[name](FALLING).values
    left = np.rot90(AZIMUTHS[name](turned(FALLING, 1)).values, -1)
    mirrored = AZIMUTHS[name](grid(FALLING.values[:, ::-1].copy())).values[:, ::-1]
    np.testing.assert_array_equal(np.isnan(left), np.isnan(one))
    assert np.nanmax(turn_between(left, one - 90.0)) < 1e-6
    assert np.nanmax(turn_between(mirrored, -one)) < 1e-6


@pytest.mark.parametrize("name", [*LOCAL, *SUMS, *AZIMUTHS])
def test_translation_and_height(name):
    """Elsewhere on the map, bit for bit the same; 512 m higher, the same to what heights are rounded to."""
    work = {**LOCAL, **SUMS, **AZIMUTHS}[name]
    ground = GROUND.with_values(np.round(GROUND.values * 1024.0) / 1024.0)  # so that adding 512 is exact
    one = work(ground).values
    moved = Grid(ground.values, 123_456.0, 7_654_321.0, ground.cell_m, ground.crs)
    np.testing.assert_array_equal(work(moved).values, one)
    np.testing.assert_allclose(work(ground.with_values(ground.values + 512.0)).values, one, rtol=1e-6, atol=1e-6)


@given(st.integers(1, 60), st.integers(0, 5))
def test_bands_of_rows_do_not_matter(each, seed):
    """Every local layer, worked in bands with the halo that it names: bit for bit the whole."""
    ground = rough_ground((140, 12), cell_m=10.0, seed=seed, amplitude=8.0)
    for family in local_layer_groups(ground.cell_m):
        whole, halo = family.work(ground), family.halo_cells(ground.cell_m)
        for first in range(0, 140, each):
            last, top = min(140, first + each), max(0, first - halo)
            part = Grid(ground.values[top : last + halo], ground.west_m, ground.north_m - 10.0 * top, 10.0, ground.crs)
            for layer, one, other in zip(family.layers, family.work(part), whole, strict=True):
                got = one.values[first - top : last - top]
                np.testing.assert_array_equal(got, other.values[first:last], err_msg=layer.name)


def test_halos_are_no_longer_than_needed():
    """One row less of halo changes a layer, so that the halo is tested by the test above."""
    ground = rough_ground((140, 40), cell_m=10.0, amplitude=8.0)
    for family in local_layer_groups(ground.cell_m):
        if family.halo_m == 0.0 or family.layers[0].name == "cliff_drop_m":
            continue
        halo = family.halo_cells(10.0) - 2
        whole = family.work(ground)[0].values[60:61]
        part = Grid(ground.values[60 - halo : 61 + halo], 0.0, 0.0, 10.0, ground.crs)
        assert not np.array_equal(family.work(part)[0].values[halo : halo + 1], whole, equal_nan=True)


@pytest.mark.parametrize("threads", ["1", "2", "3", "7"])
def test_threads_do_not_matter(monkeypatch, threads):
    """Local and global layers, bit for bit, on a ground tall enough for many blocks."""
    ground = rough_ground((700, 23), amplitude=4.0)
    ground.values[100:103, 4:9] = np.nan

    def all_layers():
        found = [one.values for family in local_layer_groups(5.0) for one in family.work(ground)]
        found.extend(grid.values.copy() for _, grid in find_drainage_layers(ground))
        return found

    monkeypatch.setenv("LASTSEEN_THREADS", "1")
    one = all_layers()
    monkeypatch.setenv("LASTSEEN_THREADS", threads)
    assert len(one) == sum(len(family.layers) for family in local_layer_groups(5.0)) + len(DRAINAGE_LAYERS)
    for a, b in zip(one, all_layers(), strict=True):
        np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("threads", ["2", "5"])
def test_the_report_does_not_depend_on_threads(monkeypatch, threads):
    """Findings, counts and places are the same with any number of threads."""
    values = rough_ground((700, 90)).values
    values[30:33, 4], values[77, 2], values[600:603, 8:11], values[400:] = 0.0, 900.0, 700.0, values[400:] + 30.0
    monkeypatch.setenv("LASTSEEN_THREADS", "1")
    alone = report_on(grid(values))
    monkeypatch.setenv("LASTSEEN_THREADS", threads)
    assert alone.findings
    assert report_on(grid(values)).findings == alone.findings
