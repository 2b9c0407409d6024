"""Places to regroup on ground whose free pockets are known: which are found, where, in what order, beside what."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from shapely import LineString

from lastseen.jobs.reading import stretches
from lastseen.jobs.reading.block_reading import CellTotals
from lastseen.jobs.reading.ground import GroundTile, Window, heights_of_grid, no_layers
from lastseen.jobs.reading.route import route_of
from lastseen.jobs.reading.stretches import places_to_regroup
from reading import grounds

CELL_M, NY, NX = 5.0, 90, 130
# Two lines from west to east; the one that comes first lies farther south, so that the order of the map is not theirs.
LINES = [((10, 62), (620, 62)), ((10, 22), (620, 22))]  # column in metres, row in cells


@pytest.fixture(scope="module")
def ground():
    rows, cols = np.mgrid[0:NY, 0:NX] * CELL_M
    return grounds.grid(1000.0 + 0.05 * rows + 0.03 * cols)


@pytest.fixture(scope="module")
def route(ground):
    lines = [
        LineString([(grounds.WEST_M + x, grounds.NORTH_M - (row + 0.5) * CELL_M) for x, row in line]) for line in LINES
    ]
    return route_of(lines, heights_of_grid(ground))


def read(ground, route, free, *, slope_deg=None, zone=None, spacing_m=5.0):
    """Places where all but some boxes of cells (row, column, half size) is crossed."""
    heights = heights_of_grid(ground)
    window = heights.extent
    crossed = np.ones((NY, NX), np.uint64)
    for row, col, half in free:
        crossed[row - half : row + half + 1, col - half : col + half + 1] = 0
    blank = np.zeros((NY, NX), np.uint8)
    tile = GroundTile(
        window=window,
        smoothed_m=ground.values,
        slope_deg=np.full((NY, NX), 5.0, np.float32) if slope_deg is None else slope_deg,
        zone=np.zeros((NY, NX), np.int32) if zone is None else zone,
        kind=blank,
        effects=blank,
        severity=blank.astype(np.float32),
    )
    totals = CellTotals.empty(window)
    totals.mask[:] = crossed
    prepared = SimpleNamespace(heights=heights, layers_on=no_layers, over=lambda _window: tile)
    return places_to_regroup(prepared, route, SimpleNamespace(ground=totals, spacing_m=spacing_m))


def test_pockets_are_told_line_by_line_along_the_way(ground, route):
    """Two pockets on the first line, one north and one south of it, and one on the second line, found out of order."""
    found = read(ground, route, [(60, 90, 5), (66, 40, 4), (22, 20, 6)])
    assert [(place.letter, place.part) for place in found] == [("A", 0), ("B", 0), ("C", 1)]
    assert [place.along_m for place in found] == pytest.approx([192.5, 442.5, 92.5], abs=6.0)
    # The nearest crossed cell lies half a side and one cell away from the middle of a pocket.
    assert [place.clear_m for place in found] == pytest.approx([25.0, 30.0, 35.0], abs=5.01)
    assert found[0].y_m < grounds.NORTH_M - 62.5 * CELL_M < found[1].y_m
    for place in found:
        row = (grounds.NORTH_M - place.y_m) / CELL_M - 0.5
        line = LINES[place.part][0][1]
        assert place.beside_m == pytest.approx(abs(row - line) * CELL_M, abs=1.0)
        assert place.slope_deg == 5.0


def test_a_metre_beside_the_line_costs_less_than_a_metre_of_room(ground, route):
    """Of two pockets 60 m apart the roomier one is told, though it lies 25 m off; where both are alike, the nearer."""
    (roomy,) = read(ground, route, [(62, 50, 3), (67, 62, 6)])
    assert roomy.beside_m > 5.0
    (near,) = read(ground, route, [(62, 50, 4), (68, 62, 4)])
    assert near.beside_m < 5.0


@pytest.mark.parametrize(("apart_cells", "told"), [(20, 1), (28, 2)])
def test_places_close_together_along_the_line_are_one(ground, route, apart_cells, told):
    """Within 120 m, or an eighth of both lines together (152 m), one of two; the line's two halves do not count."""
    assert len(read(ground, route, [(62, 40, 4), (62, 40 + apart_cells + 4, 4)])) == told


def test_a_place_without_room_takes_nothing_from_the_next(ground, route):
    """A single free cell on the line scores best and is too small; the place 60 m beside it is told all the same."""
    (place,) = read(ground, route, [(62, 60, 1), (73, 60, 4)])
    assert place.beside_m > 40.0


def test_nothing_crossed_and_all_crossed(ground, route):
    everywhere = read(ground, route, [(45, 65, 200)])
    assert len(everywhere) > 4
    assert {place.clear_m for place in everywhere} == {120.0}
    assert all(place.beside_m <= 60.0 for place in everywhere)
    assert read(ground, route, []) == ()


@pytest.mark.parametrize("what", ["steep", "zone", "unknown", "far", "wide spacing"])
def test_what_is_no_place(ground, route, what):
    """A pocket that is one where nothing is wrong with it, and none where one thing is."""
    pocket, more = (62, 60, 4), {}
    assert len(read(ground, route, [pocket])) == 1
    box = (slice(55, 70), slice(50, 71))
    if what == "steep":
        more["slope_deg"] = np.full((NY, NX), 5.0, np.float32)
        more["slope_deg"][box] = 27.5
    elif what == "zone":
        more["zone"] = np.zeros((NY, NX), np.int32)
        more["zone"][box] = 1
    elif what == "unknown":
        values = ground.values.copy()
        values[box] = np.nan
        assert read(grounds.grid(values), route, [pocket]) == ()
        return
    elif what == "far":
        pocket = (80, 60, 4)  # 70 m off the line and more
    else:
        more["spacing_m"] = 30.0
    assert read(ground, route, [pocket], **more) == ()


@pytest.mark.parametrize("side", ["W", "E", "S", "N"])
@pytest.mark.parametrize(("away_cells", "kind", "told"), [(6, "cliff", "cliff"), (10, "cliff", "cliff"),
                                                     (11, "cliff", ""), (6, "gully", "")])  # fmt: skip
def test_an_edge_on_any_side_is_told(ground, route, monkeypatch, side, away_cells, kind, told):
    """30 m away it is told with its distance, 60 m away it is not; and what nobody falls into is no edge."""

    def one_trap(terrain, where, _layers):
        shape = terrain.elevation.shape
        row, col = np.array(shape) // 2
        row += {"S": away_cells, "N": -away_cells}.get(side, 0)
        col += {"E": away_cells, "W": -away_cells}.get(side, 0)
        assert where.shape == shape
        return [SimpleNamespace(kind=kind, cells=np.array([row * shape[1] + col]))]

    monkeypatch.setattr(stretches, "find_traps", one_trap)
    (place,) = read(ground, route, [(62, 60, 4)])
    assert place.edge == told
    if told:
        assert place.edge_m == pytest.approx(away_cells * CELL_M, abs=CELL_M)
    else:
        assert math.isnan(place.edge_m)


def test_a_window_is_joined_cut_and_placed_on_each_side():
    """Boxes that reach beyond another on one side only."""
    middle = Window(top=10, left=20, bottom=30, right=50)
    for side, shift in {"top": -5, "left": -5, "bottom": 5, "right": 5}.items():
        wide = Window(**{**middle.__dict__, side: getattr(middle, side) + shift})
        assert wide.cut(middle) == middle.cut(wide) == middle
        assert wide.joined(middle) == middle.joined(wide) == wide
        place = middle.inside(wide)
        assert np.empty(wide.shape)[place].shape == middle.shape
    assert middle.cut(Window(top=30, left=20, bottom=40, right=50)).empty
