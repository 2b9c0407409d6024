"""Choices that show only in order or in absence: which start zone is worst, which trap a cell has, how much room."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from lastseen.preread import sheets
from lastseen.preread.ensemble import draw_ensemble
from lastseen.preread.gathering import AT_START, ZoneRow
from lastseen.preread.lattice import heights_of_grid
from lastseen.preread.passing import find_passing
from lastseen.preread.regroup import places_to_regroup
from lastseen.preread.route import route_of
from lastseen.preread.sheets import KINDS, PreparedGround, trap_rasters
from lastseen.preread.tiled import harm
from lastseen.preread.words import regroup_sentence
from lastseen.scenario import Snow
from preread import grounds
from preread.test_line import line_on


def zone(number, cells=89, **told):
    values = dict.fromkeys(AT_START, 0.0) | {"any": 0.5, "debris_m": 1.0, "drop_m": 100.0} | told
    return ZoneRow((0, 0), number, cells, cells, 38.0, 2000.0, 1900.0, tuple(values[name] for name in AT_START))


def test_order_of_start_zones():
    """Share of bodies that meet any of the four, then debris, then drop, then place; little slopes count by their part.

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
    order = [row.number for row in sorted(rows, key=lambda row: harm(row, 2, 5.0))]
    assert order == [2, 3, 4, 1, 7, 6, 5]


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_a_cell_has_the_worst_of_its_traps(monkeypatch, order):
    """Kind and severity are those of the worst; what traps do is added up, whatever their order."""
    gully = SimpleNamespace(kind="gully", cells=np.array([1, 2]), consequences=("burial", "no way out"), bad=0.4)
    cliff = SimpleNamespace(kind="cliff", cells=np.array([2, 3]), consequences=("trauma",), bad=0.7)
    monkeypatch.setattr(sheets, "severity", lambda trap: trap.bad)
    found = trap_rasters(tuple((gully, cliff)[k] for k in order), (1, 5))
    kinds = ["" if k == 0 else KINDS[k - 1] for k in found["kind"].ravel()]
    assert kinds == ["", "gully", "cliff", "cliff", ""]
    np.testing.assert_allclose(found["severity"].ravel(), [0.0, 0.4, 0.7, 0.7, 0.0], rtol=1e-6)
    both = sheets.BURIES | sheets.HOLDS
    assert found["does"].ravel().tolist() == [0, both, both | sheets.INJURES, sheets.INJURES, 0]


@pytest.mark.parametrize(("kind", "cells_off", "told"), [
    ("cliff", 3, "cliff"), ("crevasses", 10, "crevasses"), ("water", 1, "water"), ("cliff", 11, ""), ("gully", 3, ""),
])  # fmt: skip
def test_an_edge_near_a_place_to_regroup_is_told(kind, cells_off, told):
    """Within 50 m, on cells of 5 m, and in the sentence; a gully is nothing to fall into."""
    ground = grounds.face(ny=170)
    heights = heights_of_grid(ground)
    prepared = PreparedGround(heights, with_traps=False)
    route = route_of([line_on(ground, (110, 45), (160, 45))], heights)
    passing = find_passing(prepared, route, draw_ensemble(Snow(), 1, 6))
    (before, *_) = places_to_regroup(prepared, route, passing)
    assert before.edge == ""
    assert math.isnan(before.edge_m)
    sheet = prepared.over(passing.ground.window)
    row, col = heights.on(sheet.window, sheet.felt_m).cell_of(before.x_m, before.y_m)
    marked = np.zeros_like(sheet.kind)
    marked[row + cells_off, col] = KINDS.index(kind) + 1
    changed = SimpleNamespace(heights=heights, over=lambda _window: replace(sheet, kind=marked))
    (after, *_) = places_to_regroup(changed, route, passing)
    assert after.edge == told
    if told:
        assert after.edge_m == pytest.approx(5.0 * cells_off)
        assert regroup_sentence(after).endswith(f"; {told} {5 * cells_off} m away.")
    else:
        assert regroup_sentence(after).endswith("that snow crosses.")


@pytest.mark.parametrize(("side_cells", "found"), [(2, False), (4, True)])
def test_a_group_needs_room(side_cells, found):
    """An island of 2 x 2 cells of 5 m that nothing crosses is too little for a group (100 m2), 4 x 4 is enough."""
    ground = grounds.face(ny=170)
    heights = heights_of_grid(ground)
    prepared = PreparedGround(heights, with_traps=False)
    route = route_of([line_on(ground, (110, 45), (160, 45))], heights)
    passing = find_passing(prepared, route, draw_ensemble(Snow(), 1, 6))
    window = passing.ground.window
    crossed = replace(passing, ground=SimpleNamespace(window=window, mask=np.ones(window.shape, np.uint64)))
    row, col = (np.array(window.shape) // 2).tolist()
    margin = 1  # so that the middles of the next crossed cells are 10 m off
    around = slice(-margin, side_cells + margin)
    crossed.ground.mask[row + around.start : row + around.stop, col + around.start : col + around.stop] = 0
    assert bool(places_to_regroup(prepared, route, crossed)) == found
