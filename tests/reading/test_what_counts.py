"""Choices that show only in order or in absence: which start zone is worst, which trap a cell has, how much room."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shapely import MultiPolygon, box

from lastseen.core.grid import Grid
from lastseen.core.scenario import Snow
from lastseen.jobs.reading import ground
from lastseen.jobs.reading.area import zone_order
from lastseen.jobs.reading.block_reading import START_QUANTITIES, ZoneRow
from lastseen.jobs.reading.block_run import draw_shared
from lastseen.jobs.reading.ground import KINDS, PreparedGround, heights_of_grid, trap_rasters
from lastseen.jobs.reading.line import regroup_sentence
from lastseen.jobs.reading.line_exposure import find_passing_samples
from lastseen.jobs.reading.route import route_of
from lastseen.jobs.reading.stretches import places_to_regroup
from lastseen.terrain.ground_layers import GroundLayer, GroundLayers, covered_share
from reading import grounds
from reading.test_line import line_on, read


def zone(number, cells=89, **told):
    values = dict.fromkeys(START_QUANTITIES, 0.0) | {"any": 0.5, "debris_m": 1.0, "drop_m": 100.0} | told
    return ZoneRow(
        block=(0, 0),
        number=number,
        cells=cells,
        starts=cells,
        slope_deg=38.0,
        top_m=2000.0,
        foot_m=1900.0,
        values=tuple(values[name] for name in START_QUANTITIES),
    )


def test_order_of_start_zones():
    """Share of samples that meet any of the four, then debris, then drop, then place; small zones count by their part.

    A slab of size 2 covers 1,000 m3 / 0.45 m = 2,222 m2 (EAWS size table): 20 cells of 5 m hold 500 m2 of it.
    """
    rows = [
        zone(1, any=0.5, debris_m=1.0, drop_m=100.0),
        zone(2, any=0.9, debris_m=0.1, drop_m=10.0),
        zone(3, any=0.5, debris_m=2.0, drop_m=10.0),
        zone(4, any=0.5, debris_m=1.0, drop_m=200.0),
        zone(5, any=1.0, debris_m=3.0, drop_m=300.0, cells=20),
        zone(6, any=0.5, debris_m=float("nan"), drop_m=float("nan")),
        zone(7, any=0.5, debris_m=1.0, drop_m=100.0),
    ]
    order = [row.number for row in sorted(rows, key=lambda row: zone_order(row, 2, 5.0))]
    assert order == [2, 3, 4, 1, 7, 6, 5]


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_a_cell_has_the_worst_of_its_traps(monkeypatch, order):
    """Kind and severity are those of the worst; what traps do is added up, whatever their order."""
    gully = SimpleNamespace(kind="gully", cells=np.array([1, 2]), consequences=("burial", "no way out"), bad=0.4)
    cliff = SimpleNamespace(kind="cliff", cells=np.array([2, 3]), consequences=("trauma",), bad=0.7)
    monkeypatch.setattr(ground, "severity", lambda trap: trap.bad)
    found = trap_rasters(tuple((gully, cliff)[k] for k in order), (1, 5))
    kinds = ["" if k == 0 else KINDS[k - 1] for k in found["kind"].ravel()]
    assert kinds == ["", "gully", "cliff", "cliff", ""]
    np.testing.assert_allclose(found["severity"].ravel(), [0.0, 0.4, 0.7, 0.7, 0.0], rtol=1e-6)
    both = ground.BURIES | ground.HOLDS
    assert found["effects"].ravel().tolist() == [0, both, both | ground.INJURES, ground.INJURES, 0]


def shelf(drop_m=25.0, over_m=10.0, at_m=200.0):
    """Flat ground that breaks off to the south over a short way: a cliff where it is steep and high enough."""
    y = (np.arange(120) + 0.5)[:, None] * 5.0 + 0.0 * np.arange(80)[None, :]
    return grounds.grid(2000.0 - 0.01 * y - drop_m * np.clip((y - at_m) / over_m, 0.0, 1.0))


@pytest.mark.parametrize(("north_m", "told"), [(30.0, True), (90.0, False)])
def test_a_cliff_near_a_place_to_regroup_is_told(north_m, told):
    """Within 50 m of the place, and in its sentence, as it is read from the ground."""
    ground = shelf()
    row = int((200.0 - north_m) / 5.0)
    reading = read(ground, line_on(ground, (row, 10), (row, 70)))
    assert reading.regroup
    for one in reading.regroup:
        south = grounds.NORTH_M - 200.0  # where the cliff begins
        if told and one.y_m - south <= 40.0:
            assert one.edge == "cliff"
            assert one.edge_m == pytest.approx(one.y_m - south, abs=7.5)
            assert regroup_sentence(one).endswith(f"; cliff {round(one.edge_m)} m away.")
        if one.y_m - south > 57.5:
            assert one.edge == ""
            assert regroup_sentence(one).endswith("m from ground that snow crosses.")
    assert any(one.edge for one in reading.regroup) == told


@pytest.mark.parametrize("kind", ["crevasses", "water", "rocks"])
def test_what_layers_hold_near_a_place_to_regroup(kind):
    """Crevasses and water that a file gives are told too; rocks are nothing to fall into."""
    ground = grounds.face(ny=170)
    line = line_on(ground, (110, 45), (160, 45))
    patch = box(grounds.WEST_M + 255.0, grounds.NORTH_M - 850.0, grounds.WEST_M + 275.0, grounds.NORTH_M - 550.0)

    def layers(on):
        cover = Grid(covered_share(MultiPolygon([patch]), on), on.west_m, on.north_m, on.cell_m, on.crs)
        return GroundLayers(
            layers=(GroundLayer(kind=kind, cover=cover, outline=MultiPolygon([patch]), source="made for this test"),)
        )

    plain = read(ground, line)
    reading = read(ground, line, layers_on=layers)
    assert {one.edge for one in plain.regroup} == {""}
    assert {one.edge for one in reading.regroup} == ({""} if kind == "rocks" else {kind})


@pytest.mark.parametrize(("side_cells", "found"), [(2, False), (4, True)])
def test_a_group_needs_room(side_cells, found):
    """An island of 2 x 2 cells of 5 m that nothing crosses is too little for a group (100 m2), 4 x 4 is enough."""
    ground = grounds.face(ny=170)
    heights = heights_of_grid(ground)
    prepared = PreparedGround(heights=heights, with_traps=False)
    route = route_of([line_on(ground, (110, 45), (160, 45))], heights)
    passing = find_passing_samples(prepared, route, draw_shared(Snow(), 1, 6))
    window = passing.ground.window
    crossed = replace(passing, ground=SimpleNamespace(window=window, mask=np.ones(window.shape, np.uint64)))
    row, col = (np.array(window.shape) // 2).tolist()
    margin = 1  # so that the middles of the next crossed cells are 10 m off
    around = slice(-margin, side_cells + margin)
    crossed.ground.mask[row + around.start : row + around.stop, col + around.start : col + around.stop] = 0
    assert bool(places_to_regroup(prepared, route, crossed)) == found
