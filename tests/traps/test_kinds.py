"""Each kind of trap on ground of known numbers, at the cell sizes on which it can be seen."""

import numpy as np
import pytest

from lastseen.traps.find import find_traps
from lastseen.traps.pile_up import piled_in_channel_m
from traps.made_ground import axes, everywhere, profile, slope, terrain, trench

AZIMUTH = 33.0


def found(z, cell_m):
    return find_traps(terrain(z, cell_m), everywhere(z))


def only(traps, kind):
    picked = [t for t in traps if t.kind == kind]
    assert len(picked) == 1, [t.reason for t in traps]
    return picked[0]


@pytest.mark.parametrize(("cell_m", "depth", "width"), [(1, 6, 14), (1, 3, 10), (2, 6, 14), (5, 9, 34), (10, 14, 50)])
@pytest.mark.parametrize("azimuth", [0.0, 33.0])
def test_v_gully(cell_m, depth, width, azimuth):
    across, down = axes(cell_m, azimuth)
    gully = only(found(slope(down, 25) - trench(across - 3.3, depth, width), cell_m), "gully")
    assert gully.letter == "G"
    assert {"burial", "no way out"} <= set(gully.consequences)
    assert gully.depth_m == pytest.approx(depth, rel=0.2)
    assert gully.width_m == pytest.approx(width, abs=max(2.5, 1.5 * cell_m))
    assert gully.length_m > 280.0


@pytest.mark.parametrize(("cell_m", "depth", "width", "floor"), [(1, 4, 18, 6), (2, 4, 18, 6), (5, 8, 36, 12)])
def test_gully_with_a_floor(cell_m, depth, width, floor):
    across, down = axes(cell_m, AZIMUTH)
    gully = only(found(slope(down, 20) - trench(across, depth, width, floor), cell_m), "gully")
    assert gully.depth_m == pytest.approx(depth, rel=0.2)
    assert gully.width_m == pytest.approx(width, abs=max(3.0, 1.5 * cell_m))


def test_a_valley_without_lips_is_a_gully_where_its_sides_are_steep():
    """Sides of 35 degrees rise 21 m within 30 m; sides of 14 degrees are a valley."""
    across, down = axes(2.0, AZIMUTH)
    steep = only(found(slope(down, 25) + 0.7 * np.abs(across - 3.0), 2.0), "gully")
    assert steep.reason.startswith("V-shaped gully: both sides rise 21 m and more within 30 m")
    assert found(slope(down, 25) + 0.25 * np.abs(across - 3.0), 2.0) == ()
    assert only(found(slope(down, 25) - trench(across, 6, 14), 2.0), "gully").reason.startswith("Gully 5 m deep, 16 m")


def test_a_fragment_in_line_makes_a_gully_no_longer():
    """8 m of trench beyond a gap of 12 m is shorter than any piece that counts: 9 m and two cells."""
    across, down = axes(2.0, AZIMUTH)
    ends = [down < 60.0, (down < 60.0) | ((down > 72.0) & (down < 80.0)), (down < 60.0) | (down > 72.0)]
    lengths = [only(found(slope(down, 25) - cut * trench(across, 5, 12), 2.0), "gully").length_m for cut in ends]
    assert lengths[0] == pytest.approx(lengths[1], abs=0.1)
    assert lengths[2] > lengths[0] + 90.0


@pytest.mark.parametrize("cell_m", [1, 2, 5])
def test_gully_with_a_bend_is_one_trap(cell_m):
    across, down = axes(cell_m, 5.0)
    width, depth, bend = (16, 6, 0.55) if cell_m < 5 else (34, 9, 0.4)
    axis = np.where(down < 0.0, bend * down, -bend * down)
    gully = only(found(slope(down, 25) - trench((across - axis) / np.hypot(1, bend), depth, width), cell_m), "gully")
    assert gully.length_m > 300.0


def test_gap_in_a_gully_is_bridged_and_a_side_gully_is_its_own():
    across, down = axes(2.0, AZIMUTH)
    here = np.where(np.abs(down) < 7.0, 0.0, 1.0)
    assert only(found(slope(down, 25) - here * trench(across, 5, 16), 2.0), "gully").length_m > 260.0
    side = trench((across - 0.9 * (-down)) / np.hypot(1, 0.9), 5, 16) * (down < 0)
    z = slope(down, 25) - np.maximum(trench(across, 5, 16), side)
    assert len([t for t in found(z, 2.0) if t.kind == "gully"]) == 2


@pytest.mark.parametrize("cell_m", [1, 2, 5, 10])
def test_hollow(cell_m):
    east, north = axes(cell_m)
    depth, radius = (2.0, 14.0) if cell_m < 10 else (5.0, 50.0)
    bowl = np.clip(depth * (1.0 - ((east - 11.0) ** 2 + (north + 17.0) ** 2) / radius**2), 0.0, None)
    hollow = only(found(1500.0 - bowl, cell_m), "closed hollow")
    assert hollow.depth_m == pytest.approx(depth, rel=0.15)
    assert hollow.outline.area == pytest.approx(np.pi * radius**2, rel=0.25)
    assert hollow.consequences == ("burial",)
    section_m2 = 0.5 * np.pi * radius**2 * depth / (2.0 * radius)  # a paraboloid, over its length
    assert hollow.pile_up_m == pytest.approx(piled_in_channel_m(depth, 2.0 * radius, section_m2), rel=0.15)


@pytest.mark.parametrize("cell_m", [1, 2, 5, 10])
def test_abrupt_flattening(cell_m):
    _, down = axes(cell_m, AZIMUTH)
    flat = only(found(profile(down, [(20, 36), (400, 6)]), cell_m), "abrupt flattening")
    assert flat.slope_above_deg == pytest.approx(36, abs=5)
    assert flat.slope_below_deg == pytest.approx(6, abs=5)
    assert flat.length_m > 250.0
    assert flat.width_m < 40.0


@pytest.mark.parametrize(("cell_m", "depth"), [(1, 12), (2, 20), (5, 25), (10, 40)])
def test_bench_is_reported_once(cell_m, depth):
    _, down = axes(cell_m, AZIMUTH)
    traps = found(profile(down, [(10, 35), (10 + depth, 5), (400, 33)]), cell_m)
    assert [t.kind for t in traps] == ["bench"], [t.reason for t in traps]
    assert traps[0].width_m == pytest.approx(depth, abs=max(3.0, cell_m))
    assert traps[0].slope_above_deg == pytest.approx(35, abs=4)
    assert traps[0].slope_below_deg == pytest.approx(33, abs=4)
    assert traps[0].length_m > 250.0


def test_two_benches_above_each_other_are_two_traps():
    _, down = axes(2.0, AZIMUTH)
    parts = [(-60, 35), (-40, 5), (10, 34), (30, 5), (400, 33)]
    assert [t.kind for t in found(profile(down, parts), 2.0)] == ["bench", "bench"]


@pytest.mark.parametrize(("cell_m", "rise", "run"), [(1, 1.6, 3), (2, 2.0, 5), (5, 4.0, 12), (10, 6.0, 15)])
def test_bank(cell_m, rise, run):
    _, down = axes(cell_m, AZIMUTH)
    counter = -np.degrees(np.arctan(rise / run))
    traps = found(profile(down, [(0, 35), (run, counter), (2 * run, 0), (400, 8)]), cell_m)
    bank = only(traps, "bank")
    assert not [t for t in traps if t.kind == "abrupt flattening"]
    assert bank.drop_m == pytest.approx(rise, rel=0.35)


@pytest.mark.parametrize(("cell_m", "height"), [(1, 6), (2, 8), (5, 14), (10, 20)])
@pytest.mark.parametrize("beside", [0.0, 30.0])
def test_cliff(cell_m, height, beside):
    _, down = axes(cell_m, AZIMUTH)
    z = slope(down, beside) - np.where(down > 0.0, height, 0.0)
    cliff = only(found(z, cell_m), "cliff")
    assert cliff.consequences == ("trauma",)
    assert cliff.drop_m == pytest.approx(height, rel=0.25)
    assert cliff.length_m > 250.0
    assert ("smear" in cliff.reason) == (cell_m > 2)


def test_wall_halved_between_coarse_cells_is_still_found():
    east, _ = axes(10.0)
    z = 1500.0 - np.clip(np.round(east / 10.0 + 0.5) * 10.0, 0.0, 20.0)
    assert only(found(z, 10.0), "cliff").drop_m == pytest.approx(20.0, rel=0.25)


def test_walls_of_a_gully_are_told_with_it():
    across, down = axes(1.0, AZIMUTH)
    traps = found(slope(down, 25) - trench(across, 8, 12, 6), 1.0)
    assert [t.kind for t in traps] == ["gully"]
    assert "trauma" in traps[0].consequences
    assert "walls" in traps[0].reason
