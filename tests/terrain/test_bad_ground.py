"""Ground that is hardly one: tiny, flat, empty, holed, or with heights that are none; and options out of range."""

import re

import numpy as np
import pytest

from dem_zoo import UTM
from lastseen.core.errors import InputError, ResourceError
from lastseen.core.grid import Grid
from lastseen.terrain.derived_layers import find_drainage_layers, local_layer_groups
from lastseen.terrain.drainage import accumulation_m2, facet_direction_deg, fill_hollows, find_channels, find_drainage
from lastseen.terrain.neighbourhood import (
    BROAD,
    FINE,
    Ring,
    cliff_drop_m,
    openness,
    relative_position_m,
    ruggedness,
    slope_breaks,
    widen_ring,
)
from terrain.grounds import grid, notes_on, report_on, rough_ground

SMALL = [(1, 1), (1, 7), (7, 1), (2, 2), (2, 5), (3, 3), (4, 3)]


def everything(ground):
    """All layers by name."""
    found = {
        layer.name: one.values
        for family in local_layer_groups(ground.cell_m)
        for layer, one in zip(family.layers, family.work(ground), strict=True)
    }
    found.update({layer.name: grid.values.copy() for layer, grid in find_drainage_layers(ground)})
    return found


@pytest.mark.parametrize("shape", SMALL, ids=str)
@pytest.mark.parametrize("kind", ["rough", "flat", "nothing", "one hole"])
def test_small_grounds(shape, kind):
    """Every layer exists, has the shape of the ground, and invents nothing where there is no data."""
    values = np.random.default_rng(1).normal(1000.0, 5.0, shape)
    if kind == "flat":
        values[:] = 1000.0
    if kind == "nothing":
        values[:] = np.nan
    if kind == "one hole":
        values[shape[0] // 2, shape[1] // 2] = np.nan
    for name, layer in everything(grid(values)).items():
        assert layer.shape == shape, name
        assert np.isnan(layer[np.isnan(values)]).all(), name
        assert not np.isinf(layer).any(), name
        if name in {"area_d8_m2", "area_dinf_m2", "area_multiple_m2"}:
            assert (layer[np.isfinite(values)] >= 25.0).all()
            assert np.nansum(layer == 25.0) >= min(1, np.isfinite(values).sum())


def test_all_no_data_is_said():
    """A model without heights: every layer is empty, and the note says it."""
    ground = grid(np.full((9, 8), np.nan))
    assert all(np.isnan(layer).all() for layer in everything(ground).values())
    assert "no heights at all" in notes_on(ground)[0]


def test_a_flat_drains_to_its_nearest_edge():
    """On level ground each cell goes to the frame by the fewest steps, straight first, and nothing is lost."""
    drainage = find_drainage(grid(np.full((9, 15), 700.0)))
    way = drainage.way.values
    assert (way[[0, -1], :] == 8).all()
    assert (way[:, [0, -1]] == 8).all()
    assert (way[1:4, 5:10] == 0).all()
    assert (way[5:8, 5:10] == 4).all()
    assert (way[2:7, 1] == 6).all()
    area = accumulation_m2(drainage, "multiple").values
    assert area[way == 8].sum() == 9 * 15 * 25.0
    assert np.isnan(facet_direction_deg(drainage).values[way == 8]).all()


def test_a_lake_drains_at_its_outlet():
    """A filled hollow is crossed to the cell where it spills, by all three ways alike."""
    values = np.add.outer(np.arange(12.0), np.zeros(12)) + 100.0
    values[4:9, 3:9] = 90.0
    drainage = find_drainage(grid(values))
    lake = drainage.filled.depth_m.values > 0
    np.testing.assert_array_equal(lake[4:9, 3:9], np.ones((5, 6), bool))  # it spills north, at 103 m
    assert (drainage.filled.surface.values[4:9, 3:9] == 103.0).all()
    out = accumulation_m2(drainage, "D8").values[3, 3:9].sum()
    assert out >= (30 + 3 * 6) * 25.0
    for method in ("D-infinity", "multiple"):
        assert accumulation_m2(drainage, method).values[3, 2:10].sum() >= 30 * 25.0


def test_an_island_of_no_data_is_an_outlet():
    """What drains into no data is gone: a hollow with a hole in it does not fill."""
    values = np.hypot(*np.indices((21, 21)) - np.full((2, 1, 1), 10.0)) + 500.0
    assert fill_hollows(grid(values)).depth_m.values[10, 10] == pytest.approx(10.0)
    values[10, 10] = np.nan
    assert np.nanmax(fill_hollows(grid(values)).depth_m.values) == 0.0


def test_undeclared_no_data_is_told():
    """Single cells of zero, zeros under a mountain, spikes: each is a note, and no height is changed."""
    values = rough_ground((60, 50)).values
    assert report_on(grid(values)).findings == ()
    assert report_on(grid(values)).known == 3000
    for change, words in (
        ([(7, 9, 0.0)], r"1 cell lies far below all neighbours"),
        ([(7, 9, 8888.0)], r"1 cell lies far above all neighbours"),
        ([(r, c, 0.0) for r in range(5, 9) for c in range(5, 12)], "28 cells are exactly 0 m"),
        ([(0, 0, 0.0)], "far below"),
        ([(59, 49, 0.0)], "far below"),
        ([(30, 0, 0.0)], "far below"),
    ):
        spoiled = values.copy()
        for r, c, height in change:
            spoiled[r, c] = height
        before = spoiled.copy()
        assert re.search(words, " | ".join(notes_on(grid(spoiled)))), words
        np.testing.assert_array_equal(spoiled, before)


def test_real_pits_and_towers_are_not_doubted():
    """A lake of one level, a crooked cliff of 80 m and a wide sinkhole of 20 m are ground."""
    values = rough_ground((60, 50), amplitude=0.5).values
    values[10:20, 10:20] = values[10:20, 10:20].min()
    row, col = np.indices(values.shape)
    values[row + 8.0 * np.sin(col / 5.0) > 40.0] += 80.0
    values[29:32, 29:32] -= 20.0
    assert report_on(grid(values)).findings == ()


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (lambda g: ruggedness(g, window_cells=4), "odd number"),
        (lambda g: ruggedness(g, window_cells=1), "odd number"),
        (lambda g: relative_position_m(g, Ring(40.0, 10.0)), "is none"),
        (lambda g: relative_position_m(g, Ring(1.0, 4.0)), "holds no cell"),
        (lambda g: openness(g, radius_m=5.0), "sees no neighbour"),
        (lambda g: openness(g, radius_m=float("nan")), "sees no neighbour"),
        (lambda g: slope_breaks(g, reach_m=3.0), "less than a cell"),
        (lambda g: cliff_drop_m(g, wall_deg=90.0), "is none"),
        (lambda g: accumulation_m2(find_drainage(g), "multiple", exponent=0.0), "exponent"),
        (lambda g: accumulation_m2(find_drainage(g), "multiple", exponent=float("nan")), "exponent"),
        (lambda g: accumulation_m2(find_drainage(g), "D9"), "choose D8"),
        (lambda g: find_channels(find_drainage(g), accumulation_m2(find_drainage(g)), threshold_m2=0.0), "above 0"),
    ],
)
def test_options_out_of_range(wrong, words):
    """Each is refused with what is wrong and what to choose."""
    with pytest.raises(InputError, match=words):
        wrong(rough_ground((12, 12)))


def test_steep_ground_does_not_overflow_a_high_exponent():
    """A cliff beside nearly level ground with an exponent of 50: shares stay shares."""
    values = rough_ground((30, 30), amplitude=1e-3).values
    values[15:] -= 3000.0
    drainage = find_drainage(grid(values))
    area = accumulation_m2(drainage, "multiple", exponent=50.0).values
    assert np.isfinite(area).all()
    assert area[drainage.way.values == 8].sum() == pytest.approx(900 * 25.0, rel=1e-12)
    steepest = accumulation_m2(drainage, "D8").values
    assert np.median(abs(area / steepest - 1.0)) < 0.05  # an endless exponent is D8


def test_coarse_cells_widen_rings():
    """On 30 m cells the fine ring still holds cells, and the text of the layer says which radii were used."""
    assert widen_ring(FINE, 2.0) == FINE
    assert widen_ring(FINE, 30.0) == Ring(30.0, 60.0)
    assert widen_ring(BROAD, 30.0) == BROAD
    names = {layer.name: layer.description for family in local_layer_groups(30.0) for layer in family.layers}
    assert "from 30 to 60 m" in names["position_fine_m"]
    assert "within 60 m" in names["openness_positive_deg"]
    assert "over 60 m" in names["slope_change_deg"]


def test_channels_have_heads():
    """In a V of two planes one channel runs along the bed; its head is where the threshold is first reached."""
    row, col = np.indices((60, 41))
    drainage = find_drainage(grid(500.0 - 0.3 * row + 0.9 * abs(col - 20) + 1e-3 * (col > 20)))
    area = accumulation_m2(drainage, "D8")
    found = find_channels(drainage, area, threshold_m2=25.0 * 200)
    kind = found.kind.values
    assert (kind[:, [c for c in range(41) if c != 20]] == 0).all()
    head = int(np.flatnonzero(area.values[:, 20] >= 25.0 * 200)[0])
    assert [int(v[0]) for v in found.heads] == [head, 20]
    assert (kind[head + 1 :, 20] == 1).all()
    assert (kind[:head, 20] == 0).all()


def test_more_cells_than_can_be_counted_are_refused():
    """A ground of 2 to the 31 cells (made without memory) is refused before anything is done."""
    huge = np.broadcast_to(np.float32(1000.0), (2**16, 2**15))
    with pytest.raises(ResourceError, match="million: cut the elevation model"):
        fill_hollows(Grid(huge, 0.0, 0.0, 5.0, UTM))
