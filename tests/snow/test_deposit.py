"""Debris, probability of area and burial from hand-made events, where every answer is known."""

import dataclasses

import numpy as np
import pytest
from pyproj import CRS
from scipy.ndimage import gaussian_filter
from shapely import MultiPolygon, Point

from lastseen.core.errors import NothingFoundError
from lastseen.core.grid import Grid
from lastseen.core.outlines import poa_areas
from lastseen.snow.deposit import (
    find_debris,
    find_likeliest_ground,
    locate_person,
    measure_burial,
    probability_of_area,
    share_inside,
)
from lastseen.snow.ensemble import CarriedPersons, Ensemble, Member, average_over_footprint
from lastseen.snow.friction import MemberDraws

UTM = CRS.from_epsg(32632)
FLAT = Grid(np.zeros((120, 160)), 0.0, 240.0, 2.0, UTM)
WHOLE = (slice(0, 120), slice(0, 160))


def event(thickness, left_m3=(0.0, 0.0, 0.0, 0.0, 0.0)):
    layer = thickness.astype(np.float32)
    return Member(
        rows=WHOLE[0],
        cols=WHOLE[1],
        thickness_m=layer,
        fastest_m_s=5.0 * (layer > 0),
        arrival_s=np.full_like(layer, np.nan),
        toe_m=(160.0, 120.0),
        fastest=9.0,
        time_s=20.0,
        end="at rest",
        moving_share=0.0,
        left_m3=left_m3,
    )


def heap(row, col, wide, volume_m3=200.0):
    """A round heap of a volume, level within its radius in cells."""
    rows, cols = np.indices(FLAT.shape)
    inside = np.hypot(rows - row, cols - col) <= wide
    return inside * (volume_m3 / (inside.sum() * FLAT.cell_area_m2))


def people(rows, cols, burial_m=np.nan, taken=True, left=False):
    """Persons at cells."""
    rows, cols = np.asarray(rows), np.asarray(cols)
    n = rows.size
    x, y = FLAT.centre_of(rows, cols)
    full = [np.broadcast_to(one, n).copy() for one in (taken, left, burial_m)]
    cells = (rows * 160 + cols).astype(np.int32)
    unknown = np.full(n, np.nan)
    nowhere, member, offsets = np.zeros(n, bool), np.zeros(n, np.int32), np.arange(n + 1, dtype=np.int32)
    depth = full[2].astype(float)
    return CarriedPersons(
        member=member,
        x_m=x,
        y_m=y,
        taken=full[0],
        left_grid=full[1],
        in_no_data=nowhere,
        fall_m=unknown,
        thickness_m=unknown,
        burial_m=depth,
        cells=cells,
        offsets=offsets,
    )


def events_of(each, person, model="flow"):
    one = np.ones(len(each))
    drawn = MemberDraws(
        friction=0.3 * one,
        turbulence_m_s2=1000 * one,
        cohesion_pa=0 * one,
        slab_m=0.5 * one,
        growth=one,
        extent_cells=one.astype(np.int32),
        deposit_m3=200.0 * one,
    )
    return Ensemble(
        model=model,
        size=3,
        lattice=FLAT,
        draws=drawn,
        members=tuple(each),
        person=person,
        reached=one.astype(bool),
        stopped_early=False,
    )


def spread(n, row, col, wide=6, seed=3):
    rng = np.random.default_rng(seed)
    return row + rng.integers(-wide, wide + 1, n), col + rng.integers(-wide, wide + 1, n)


def test_volume_is_kept_and_quantiles_are_those_of_the_events():
    """Mean thickness holds the mean volume; median and 90th percentile are taken cell by cell."""
    each = [event(heap(60, 80, 6, volume)) for volume in (100.0, 200.0, 300.0, 400.0, 500.0)]
    run = events_of(each, people(*spread(400, 60, 80)))
    debris = find_debris(run, FLAT, probability_of_area(run, FLAT), 0.5)
    assert debris.thickness_m.values.sum() * 4.0 == pytest.approx(300.0, rel=1e-6)
    middle = [float(one.thickness_m[60, 80]) for one in each]
    assert debris.thickness_p50_m.values[60, 80] == pytest.approx(middle[2])
    assert debris.thickness_p90_m.values[60, 80] == pytest.approx(0.4 * middle[3] + 0.6 * middle[4])


def test_probability_is_the_share_of_events():
    """Where one event of four goes elsewhere, probability is three quarters here and one quarter there."""
    each = [event(heap(40, 50, 8))] * 3 + [event(heap(90, 120, 8))]
    run = events_of(each, people(*spread(300, 40, 50)))
    debris = find_debris(run, FLAT, probability_of_area(run, FLAT), 0.5)
    assert debris.probability.values[40, 50] == 0.75
    assert debris.probability.values[90, 120] == 0.25
    assert len(debris.outline.geoms) == 1


def test_debris_thinner_than_a_decimetre_does_not_count():
    """0.09 m is not debris, 0.11 m is."""
    thin, thick = (np.where(heap(60, 80, 10) > 0, depth, 0.0) for depth in (0.09, 0.11))
    run = events_of([event(thin), event(thick)], people(*spread(300, 60, 80)))
    assert find_debris(run, FLAT, probability_of_area(run, FLAT), 0.4).probability.values.max() == 0.5


def test_coarser_events_keep_their_volume_on_the_ground():
    """Events on cells of 4 m brought onto cells of 2 m keep volume and place."""
    lattice = Grid(np.zeros((60, 80)), 0.0, 240.0, 4.0, UTM)
    rows, cols = np.indices((60, 80))
    layer = np.exp(-((rows - 30.0) ** 2 + (cols - 40.0) ** 2) / 50.0)
    one = dataclasses.replace(
        event(np.zeros(FLAT.shape)), rows=slice(0, 60), cols=slice(0, 80), thickness_m=layer.astype(np.float32)
    )
    run = dataclasses.replace(events_of([one], people(*spread(300, 60, 80))), lattice=lattice)
    found = find_debris(run, FLAT, probability_of_area(run, FLAT), 0.5).thickness_m.values
    assert found.shape == FLAT.shape
    assert found.sum() * 4.0 == pytest.approx(layer.sum() * 16.0, rel=1e-3)
    fine_rows, fine_cols = np.indices(FLAT.shape)
    assert (fine_rows * found).sum() / found.sum() == pytest.approx(2 * 30.0 + 0.5, abs=0.05)
    assert (fine_cols * found).sum() / found.sum() == pytest.approx(2 * 40.0 + 0.5, abs=0.05)


@pytest.mark.parametrize(("wide", "expected"), [(4, 0.2), (11, 0.1), (13, 0.05), (18, 0.025)])
def test_outline_level_is_the_highest_that_holds_most_persons(wide, expected):
    """The level that is not asked for is the highest of 20, 10, 5 and 2.5 % that holds 90 % of the POA, or the last."""
    each = [event(heap(60, 80, 16 * (1.0 - k / 40.0) ** 1.5 + 1.0, 2000.0)) for k in range(40)]
    run = events_of(each, people(*spread(3000, 60, 80, wide)))
    poa = probability_of_area(run, FLAT)
    levels = (0.2, 0.1, 0.05, 0.025)
    inside = [share_inside(poa, find_debris(run, FLAT, poa, level).outline) for level in levels]
    assert inside == sorted(inside)
    wanted = next((level for level, share in zip(levels, inside, strict=True) if share >= 0.9), 0.025)
    assert find_debris(run, FLAT, poa, None).level == wanted == expected


def test_nothing_found_is_said():
    """No ground in the asked share of events, or all snow off the model, is an empty answer with its reason."""
    each = [event(heap(20 + 25 * k, 20 + 30 * k, 5)) for k in range(4)]
    run = events_of(each, people(*spread(400, 60, 80)))
    with pytest.raises(NothingFoundError, match="the most is 25 %"):
        find_debris(run, FLAT, probability_of_area(run, FLAT), 0.5)
    gone = events_of([event(np.zeros(FLAT.shape), (0.0, 0.0, 200.0, 0.0, 0.0))], people(*spread(400, 60, 80)))
    with pytest.raises(NothingFoundError, match="100 % of the snow leaves"):
        find_debris(gone, FLAT, probability_of_area(gone, FLAT), None)


def test_poa_counts_who_left():
    """100 of 400 left: POA sums to 0.75 over the ground, and no share is one of those who stay alone."""
    rows, cols = spread(400, 60, 80)
    run = events_of([event(heap(60, 80, 8))], people(rows, cols, left=np.arange(400) < 100))
    poa = probability_of_area(run, FLAT)
    assert poa.values.sum() == pytest.approx(0.75, abs=1e-12)
    outline = find_debris(run, FLAT, poa, 0.5).outline
    person = locate_person(run, poa, FLAT.centre_of(60, 80), outline)
    assert person.left_share == 0.25
    assert person.inside_debris == pytest.approx(share_inside(poa, outline))
    assert person.carried_p50_m < 20.0


def test_shares_of_a_slope_that_the_model_cuts_off():
    """Twenty persons, counted by hand: 8 in a heap, 2 far from it, 6 over the south, 1 over the west, 1 in a gap, 2
    whom the snow never took. Of the 18 taken 44 % lie inside, 39 % left over edges, 6 % into the gap.
    """
    rows = np.r_[np.full(8, 60), np.full(2, 15), np.full(6, 119), 50, 60, 60, 60]
    cols = np.r_[np.full(8, 80), np.full(2, 20), np.full(6, 70), 0, 90, 80, 80]
    left = np.r_[np.zeros(10, bool), np.ones(7, bool), np.zeros(3, bool)]
    gap, taken = np.arange(20) == 17, np.arange(20) < 18
    person = dataclasses.replace(people(rows, cols, burial_m=1.2, taken=taken, left=left), in_no_data=gap)
    run = events_of([event(heap(60, 80, 8))], person)
    poa = probability_of_area(run, FLAT)
    found = locate_person(run, poa, FLAT.centre_of(60, 80), find_debris(run, FLAT, poa, 0.5).outline)
    assert poa.values.sum() == pytest.approx(10 / 18)
    assert found.inside_debris == pytest.approx(8 / 18, abs=0.01)
    expected = {"west": 1 / 18, "east": 0.0, "south": 6 / 18, "north": 0.0, "no data": 1 / 18}
    assert dict(found.left_by_side) == pytest.approx(expected)
    assert found.left_share == pytest.approx(8 / 18)
    assert found.caught_share == 0.9
    assert found.burial.fully == pytest.approx(10 / 18)
    assert found.burial.maps[0][1].values.sum() == pytest.approx(10 / 18)


def test_an_outline_holds_its_share_of_who_stayed():
    """Two thirds left: 90 % of the others are looked for, not all of them, and no half of everybody can be drawn."""
    rows, cols = spread(2000, 60, 80, 11)
    each = [event(heap(60, 80, 16 * (1.0 - k / 40.0) ** 1.5 + 1.0, 2000.0)) for k in range(40)]
    stay, third = (people(rows, cols, left=left) for left in (False, np.arange(2000) % 3 > 0))
    levels, widths = [], []
    for person in (stay, third):
        run = events_of(each, person)
        poa = probability_of_area(run, FLAT)
        debris = find_debris(run, FLAT, poa, None)
        levels.append(debris.level)
        widths.append(debris.widened)
        assert locate_person(run, poa, (0.0, 0.0), debris.outline).inside_debris >= 0.9 * poa.values.sum()
    assert levels == [0.1, 0.1]
    assert widths == [False, False]
    assert [share for share, _ in poa_areas(poa)] == []


@pytest.mark.parametrize(("model", "spread_m"), [("flow", 4.0), ("body", 0.6 * 8000.0 ** (1.0 / 3.0))])
def test_one_person_is_spread_by_the_model(model, spread_m):
    """4 m in a flow; 0.6 times the cube root of the median volume for samples that slide alone. A cell spreads by the
    twelfth of its side squared, the rest is added.
    """
    spread_m = np.sqrt(spread_m**2 - FLAT.cell_m**2 / 12.0)
    run = events_of([event(heap(60, 80, 8))] * 3, people([60], [80]), model)
    volumes = np.array([10.0, 8000.0, 90_000.0])
    run = dataclasses.replace(run, draws=dataclasses.replace(run.draws, deposit_m3=volumes))
    poa = probability_of_area(run, FLAT).values
    rows, cols = np.indices(FLAT.shape)
    assert np.sqrt(((rows - 60) ** 2 * poa).sum()) * 2.0 == pytest.approx(spread_m, rel=0.01)
    assert np.sqrt(((cols - 80) ** 2 * poa).sum()) * 2.0 == pytest.approx(spread_m, rel=0.01)


@pytest.mark.parametrize(("cell_m", "cells"), [(4.0, np.sqrt(1.0 - 1.0 / 12.0)), (20.0, 0.46)])
def test_a_person_is_spread_alike_on_coarser_cells(cell_m, cells):
    """4 m of a flow, less what the cell spreads; a Gaussian of half a cell at least, 0.46 as counted on cells."""
    coarse = Grid(np.zeros((60, 80)), 0.0, 60.0 * cell_m, cell_m, UTM)
    x, y = coarse.centre_of(30, 40)
    person = dataclasses.replace(people([60], [80]), x_m=np.array([x]), y_m=np.array([y]))
    poa = probability_of_area(events_of([event(heap(60, 80, 8))], person), coarse)
    away = np.indices(coarse.shape)[0] - 30
    assert np.sqrt((away**2 * poa.values).sum()) == pytest.approx(cells, rel=0.03)
    assert poa.values[30, 40] == poa.values.max()


@pytest.mark.parametrize("cell_m", [1.0, 2.0, 4.0, 5.0, 10.0])
def test_debris_is_told_for_the_same_footprint_on_all_cells(cell_m):
    """What lies in one cell is spread to the variance of a square of 10 m (10^2 / 12), with that of the cell itself;
    its volume is kept, none comes onto no data. Counted on cells of 5 m a Gaussian of half a cell is a little narrower.
    """
    n = round(120.0 / cell_m)
    ground = Grid(np.zeros((n, n)), 0.0, 120.0, cell_m, UTM)
    depth = np.zeros((n, n))
    depth[n // 2, n // 2] = 3.0
    wide = average_over_footprint(depth, ground)
    assert wide.sum() == pytest.approx(3.0, rel=1e-12)
    for away in np.indices((n, n)):
        variance = ((away - n // 2) ** 2 * wide).sum() / 3.0 * cell_m**2
        assert variance + cell_m**2 / 12.0 == pytest.approx(100.0 / 12.0, rel=0.12 if cell_m == 5.0 else 0.03)
    assert average_over_footprint(np.zeros((n, n)), ground).sum() == 0.0
    gap = ground.values.copy()
    gap[:, n // 2 + 1 :] = np.nan
    beside = average_over_footprint(depth, ground.with_values(gap))
    assert beside[:, n // 2 + 1 :].sum() == 0.0
    assert beside.sum() == pytest.approx(3.0, rel=1e-12)


def test_up_to_19_of_20_parts_of_the_snow_may_leave():
    """190 of 200 m3 gone is exactly 0.95 and still an answer; a little more is none."""
    people_there = people(*spread(400, 60, 80))
    stays = events_of([event(heap(60, 80, 2, 10.0), (190.0, 0.0, 0.0, 0.0, 0.0))], people_there)
    assert find_debris(stays, FLAT, probability_of_area(stays, FLAT), 0.5).left_share == 0.95
    goes = events_of([event(heap(60, 80, 2, 9.0), (191.0, 0.0, 0.0, 0.0, 0.0))], people_there)
    with pytest.raises(NothingFoundError, match="of the snow leaves the elevation model"):
        find_debris(goes, FLAT, probability_of_area(goes, FLAT), 0.5)


def test_who_was_not_caught_does_not_count():
    """Persons whom the snow never took say nothing about one who was caught; where it took nobody, nobody lies."""
    rows, cols = np.r_[np.full(100, 30), np.full(300, 90)], np.full(400, 80)
    taken = np.arange(400) >= 100
    run = events_of([event(heap(90, 80, 8))], people(rows, cols, taken=taken))
    poa = probability_of_area(run, FLAT)
    assert poa.values[20:40].sum() == 0.0
    nobody = events_of([event(heap(90, 80, 8))], people(rows, cols, taken=False))
    nowhere = probability_of_area(nobody, FLAT)
    assert not nowhere.values.any()
    with pytest.raises(NothingFoundError, match="takes nobody along"):
        locate_person(nobody, nowhere, (0.0, 0.0), MultiPolygon())


def test_burial_shares_and_their_maps():
    """Shares deeper than each depth are counted, and the map of each sums to its share, where those persons lie."""
    depth = np.r_[np.full(40, 0.1), np.full(30, 0.4), np.full(20, 0.8), np.full(10, 1.7)]
    rows = np.r_[np.full(90, 60), np.full(10, 100)]
    person = people(rows, np.full(100, 80), burial_m=depth)
    burial = measure_burial(person, FLAT, 2.0)
    assert burial.fully == 0.6
    assert burial.deeper == ((0.5, 0.3), (1.0, 0.1), (1.5, 0.1))
    assert burial.p50_m == pytest.approx(0.6)
    for (_, grid), share in zip(burial.maps, (0.6, 0.3, 0.1, 0.1), strict=True):
        assert grid.values.sum() == pytest.approx(share)
    assert burial.maps[3][1].values[85:115].sum() == pytest.approx(0.1)
    assert measure_burial(people(rows, np.full(100, 80)), FLAT, 2.0) is None


SIDES = {"W": (50, 0), "E": (50, 159), "S": (119, 70), "N": (0, 70)}  # row and column at the middle of each edge
OUT = {"W": (0, -1), "E": (0, 1), "S": (1, 0), "N": (-1, 0)}


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("inwards", [0, 1, 4])
def test_poa_beside_each_edge_is_that_of_the_whole_ground(side, inwards):
    """At an edge of a ground that is not square, the spread is the same as if all of the ground were filtered."""
    row, col = (at - inwards * out for at, out in zip(SIDES[side], OUT[side], strict=True))
    run = events_of([event(heap(60, 80, 8))], people([row, row, row + 3 * OUT[side][1]], [col, col, col]))
    poa = probability_of_area(run, FLAT).values
    counts = np.zeros(FLAT.shape)
    counts[row, col] = 2.0
    counts[row + 3 * OUT[side][1], col] += 1.0
    whole = gaussian_filter(counts, np.sqrt(16.0 - 4.0 / 12.0) / 2.0, mode="constant", truncate=4.0)
    np.testing.assert_allclose(poa, whole / whole.sum(), rtol=1e-12, atol=1e-15)


@pytest.mark.parametrize("side", SIDES)
def test_likeliest_ground_reaches_each_edge(side):
    """Half of the persons at an edge, half in the middle: both are needed for 90 %, and nothing is left at the rim."""
    row, col = SIDES[side]
    poa = probability_of_area(events_of([event(heap(60, 80, 8))], people([row, 60], [col, 80])), FLAT)
    ground = find_likeliest_ground(poa, 0.9)
    assert share_inside(poa, ground) == pytest.approx(0.9, abs=0.02)
    x, y = FLAT.centre_of([row, 60], [col, 80])
    assert [ground.covers(Point(at)) for at in zip(x, y, strict=True)] == [True, True]
    assert find_likeliest_ground(FLAT, 0.9).is_empty


@pytest.mark.parametrize("side", SIDES)
def test_burial_of_persons_on_and_beyond_each_edge(side):
    """Whoever lies in the last cell is on the maps; whoever lies a cell further is not, and both count in the share."""
    row, col = SIDES[side]
    inside, outside = (row, col), (row + OUT[side][0], col + OUT[side][1])
    for place, on_map in ((inside, 1.0), (outside, 0.0)):
        rows, cols = np.array([60, place[0]]), np.array([80, place[1]])
        burial = measure_burial(people(rows, cols, burial_m=[0.1, 2.0]), FLAT, 2.0)
        assert burial.fully == 0.5
        assert [grid.values.sum() for _, grid in burial.maps] == pytest.approx([0.5 * on_map] * 4)
        assert burial.maps[0][1].values[row, col] == pytest.approx(burial.maps[0][1].values.max())


def test_depth_at_a_level_is_not_deeper_than_it():
    """Nobody, and everybody exactly at a level: not deeper; a hair more is."""
    at = people(np.full(4, 60), np.full(4, 80), burial_m=np.full(4, 0.3))
    burial = measure_burial(at, FLAT, 2.0)
    assert (burial.fully, burial.deeper) == (0.0, ((0.5, 0.0), (1.0, 0.0), (1.5, 0.0)))
    assert np.isnan([burial.p50_m, burial.p90_m]).all()
    assert measure_burial(dataclasses.replace(at, burial_m=np.full(4, 0.3 + 1e-9)), FLAT, 2.0).fully == 1.0
    assert measure_burial(people([], []), FLAT, 2.0) is None


@pytest.mark.parametrize("side", SIDES)
def test_debris_at_an_edge_is_cut_at_it(side):
    """A heap half over each edge: the outline ends within a cell of the edge, not beyond it."""
    row, col = SIDES[side]
    run = events_of([event(heap(row, col, 10, 800.0))], people([row] * 5, [col] * 5))
    debris = find_debris(run, FLAT, probability_of_area(run, FLAT), 0.5)
    west, south, east, north = debris.outline.bounds
    reached = {"W": west, "E": 320.0 - east, "S": south, "N": 240.0 - north}
    assert 0.0 <= reached.pop(side) < FLAT.cell_m
    assert min(reached.values()) > 10.0
    x, y = FLAT.centre_of(row, col)
    assert debris.outline.covers(Point(x, y))
