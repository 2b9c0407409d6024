"""Traps from ground layers: what each says, what is told once, and what is left out."""

import numpy as np
import pytest
from shapely import MultiPolygon, box

from lastseen.terrain.ground_layers import GroundLayer, GroundLayers, covered_share
from lastseen.terrain.surface import read_terrain
from lastseen.traps.find import describe_invisible_traps, find_traps
from trap_zoo import lines, placed
from traps.made_ground import axes, everywhere, grid, profile, slope, terrain, trench

AZIMUTH = 33.0


def with_layers(z, cell_m, where=None, **shapes):
    ground = grid(z, cell_m)
    made = [
        GroundLayer(
            kind=kind,
            cover=ground.with_values(covered_share(area, ground, all_touched=kind != "trees")),
            outline=area,
            source=f"{kind}.gpkg",
        )
        for kind, area in shapes.items()
    ]
    return find_traps(read_terrain(ground), everywhere(z) if where is None else where, GroundLayers(layers=tuple(made)))


def test_a_wood_is_told_as_far_as_snow_reaches():
    """Outline and area are those of the wood on reached ground; it injures; its file is named."""
    _, down = axes(2.0, AZIMUTH)
    wood = placed(box(-60, -20, 60, 60))
    (one,) = with_layers(slope(down, 30), 2.0, where=down < 20.0, trees=wood)
    assert (one.kind, one.letter, one.consequences, one.source) == ("trees", "T", ("trauma",), "trees.gpkg")
    assert one.outline.area == pytest.approx(120 * 40, rel=0.05)
    assert wood.buffer(0.01).contains(one.outline)
    assert one.cover == pytest.approx(1.0, abs=0.02)
    assert "m2 that snow can reach, on ground of 30 degrees" in one.reason


def test_lines_of_a_layer_stay_visible_on_wide_cells():
    """A crevasse 2 m wide is found on cells of 10 m, with its own outline."""
    _, down = axes(10.0, AZIMUTH)
    crack = lines((-70, -10), (60, 15))
    (one,) = with_layers(slope(down, 28), 10.0, crevasses=crack)
    assert one.consequences == ("burial", "trauma", "no way out")
    assert one.outline.area == pytest.approx(crack.area, rel=0.02)
    assert one.weight == pytest.approx(0.05)


def test_water_in_a_gully_makes_it_a_creek_bed_and_is_told_once():
    across, down = axes(2.0, AZIMUTH)
    z = slope(down, 20) - trench(across, 5, 16)
    (one,) = with_layers(z, 2.0, water=lines((0, -160), (0, 160), width=1.5))
    assert one.kind == "gully"
    assert "water" in one.consequences
    assert one.reason.endswith("Water runs in it.")


def test_a_lake_fills_its_hollow():
    """The hollow below a lake is told as water, not as a hollow."""
    across, down = axes(2.0, AZIMUTH)
    z = slope(down, 8) - np.clip(6.0 * (1.0 - np.hypot(across, down) / 30.0), 0.0, None)
    assert [t.kind for t in find_traps(terrain(z, 2.0), everywhere(z))] == ["closed hollow"]
    lake = placed(box(-25, -25, 25, 25))
    assert [t.kind for t in with_layers(z, 2.0, water=lake)] == ["water"]


def test_a_road_on_a_bench_is_told_with_the_bench():
    _, down = axes(2.0, AZIMUTH)
    z = profile(down, [(0, 35), (20, 3), (400, 33)])
    (one,) = with_layers(z, 2.0, roads=lines((-200, 10), (200, 10), width=3.0))
    assert one.kind == "bench"
    assert one.reason.endswith("A road runs along it.")


def test_a_road_on_gentle_ground_is_no_trap():
    _, down = axes(2.0, AZIMUTH)
    assert with_layers(slope(down, 15), 2.0, roads=lines((-100, 0), (100, 0))) == ()


def test_no_go_ground_is_no_trap():
    _, down = axes(2.0, AZIMUTH)
    assert with_layers(slope(down, 30), 2.0, no_go=placed(box(-20, -20, 20, 20))) == ()


def test_layers_away_from_the_snow_are_left_out():
    _, down = axes(2.0, AZIMUTH)
    assert with_layers(slope(down, 30), 2.0, where=down < -60.0, water=placed(box(-20, 0, 20, 30))) == ()


def test_empty_layers_and_no_data_do_no_harm():
    _, down = axes(2.0, AZIMUTH)
    z = slope(down, 30)
    assert with_layers(z, 2.0, trees=MultiPolygon(), water=MultiPolygon()) == ()
    z[40:90, 40:90] = np.nan
    kinds = [t.kind for t in with_layers(z, 2.0, trees=placed(box(-150, -150, 150, 150)))]
    assert kinds == ["trees"]


def test_a_gully_narrower_than_two_cells_is_said_to_be_invisible():
    """Not found, and not missed in silence: the note gives the width below which nothing is seen."""
    kinds = {}
    for cell_m in (1.0, 5.0):
        across, down = axes(cell_m, AZIMUTH)
        z = slope(down, 25) - trench(across, 3.0, 5.0)
        kinds[cell_m] = [t.kind for t in find_traps(terrain(z, cell_m), everywhere(z))]
    assert kinds == {1.0: ["gully"], 5.0: []}
    assert "gullies and banks narrower than 10 m cannot be seen" in describe_invisible_traps(5.0)


def test_the_note_leaves_out_what_was_given():
    layer = GroundLayer(kind="trees", cover=grid(np.zeros((3, 3)), 2.0), outline=MultiPolygon(), source="t.gpkg")
    assert "Rocks, water and crevasses are not in a bare-ground model" in describe_invisible_traps(
        2.0, GroundLayers(layers=(layer,))
    )
