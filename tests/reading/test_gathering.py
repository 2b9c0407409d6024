"""What samples met, gathered: a few samples made by hand, their shares and weights worked out beside them."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from lastseen.jobs.reading import block_reading_kernels
from lastseen.jobs.reading.block_reading import (
    BURIED_M,
    FALL_M,
    START_QUANTITIES,
    CellTotals,
    SampleOutcomes,
    _zone_rows,
    average_at_starts,
    find_outcomes,
)
from lastseen.jobs.reading.ground import BURIES, HOLDS, INJURES, WETS, Window
from lastseen.jobs.reading.stretches import _may_join, _runs, _spread

MEMBERS = 2
# A row of six cells: 1 injures (kind 3, severity 0.6), 3 wets and buries (kind 5, severity 0.8), 5 holds (kind 3, 0.4).
KIND = np.array([0, 3, 0, 5, 0, 3], np.uint8)
SEVERITY = np.array([0, 0.6, 0, 0.8, 0, 0.4], np.float32)
DOES = np.array([0, INJURES, 0, WETS | BURIES, 0, HOLDS], np.uint8)
# Two starts with two members each: cells entered, and where each stops (-1: leaves).
TRACKS = ((0, 1, 2), (0, 1, 2, 3), (2, 3, 4), (4, 5))
STOP = np.array([2, 3, -1, 5], np.int32)
OFFSETS = np.cumsum([0, *map(len, TRACKS)]).astype(np.int32)
CELLS = np.concatenate(TRACKS).astype(np.int32)


def met():
    passed, ended = np.empty(4, np.uint8), np.empty(4, np.uint8)
    kind, weight = np.empty(2, np.uint8), np.empty(2)
    block_reading_kernels.traps_met(CELLS, OFFSETS, MEMBERS, STOP, KIND, SEVERITY, DOES, passed, ended, kind, weight)
    return passed, ended, kind, weight


def test_what_is_passed_and_what_is_stopped_in():
    passed, ended, _, _ = met()
    assert passed.tolist() == [INJURES, INJURES | WETS | BURIES, WETS | BURIES, HOLDS]
    assert ended.tolist() == [0, WETS | BURIES, 0, HOLDS]


def test_the_worst_kind_by_hand():
    """Severity x (share that stops in it + half the share that passes it), over both members.

    First start: kind 3 is passed by both, 0.6 x 0.5 x 2 / 2 = 0.3; kind 5 is passed by one that also stops in it,
    0.8 x (0.5 + 1) / 2 = 0.6. Second start: kind 5 is passed by one that leaves, 0.8 x 0.5 / 2 = 0.2; kind 3 holds one,
    0.4 x (0.5 + 1) / 2 = 0.3.
    """
    _, _, kind, weight = met()
    assert kind.tolist() == [5, 3]
    assert weight == pytest.approx([0.6, 0.3], rel=1e-6)


def test_what_lies_ahead_by_hand():
    """From each cell on: all that the traps do, and the one that weighs most; behind the last one nothing."""
    does = np.array([0, INJURES, WETS, BURIES, 0], np.uint8)
    trap, weight = np.array([-1, 7, 8, 9, -1], np.int32), np.array([0, 0.5, 0.9, 0.2, 0], np.float32)
    bits, worst = np.zeros(5, np.uint8), np.full(5, -1, np.int32)
    block_reading_kernels.ahead(np.array([0, 5], np.int64), does, trap, weight, bits, worst)
    assert worst.tolist() == [8, 8, 8, 9, -1]
    every = INJURES | WETS | BURIES
    assert bits.tolist() == [every, every, WETS | BURIES, BURIES, 0]


def fates(debris=(0.0, 0.0, math.nan, 0.0), fall=(0.0, 0.0, 0.0, 0.0)):
    """What becomes of the four samples; cells are 5 m wide, heights fall by a metre from cell to cell."""
    felt = np.array([[10.0, 9.0, 8.0, 7.0, 6.0, 5.0]])
    ground = SimpleNamespace(
        smoothed_m=felt,
        kind=KIND[None],
        severity=SEVERITY[None],
        effects=DOES[None],
        window=Window(top=0, left=0, bottom=1, right=6),
    )
    x = np.where(STOP >= 0, (STOP + 0.5) * 5.0, 99.0)
    tracks = SimpleNamespace(cells=CELLS, offsets=OFFSETS, x_m=x, y_m=np.full(4, -2.5), fall_m=np.array(fall))
    run = SimpleNamespace(tracks=tracks, ground=ground, stop=STOP, debris_m=np.array(debris), starts=slice(0, 2))
    starts = SimpleNamespace(rows=np.array([0, 0]), cols=np.array([0, 2]))
    return find_outcomes(run, starts, MEMBERS, 5.0)


def test_fates_by_hand():
    """Distance on the map and drop from the start's cell to the cell where it stops; nothing where it leaves."""
    told = fates()
    np.testing.assert_allclose(told.distance_m, [10.0, 15.0, math.nan, 15.0])
    np.testing.assert_allclose(told.drop_m, [2.0, 3.0, math.nan, 3.0])
    assert told.burial.tolist() == [False, True, False, False]
    assert told.trauma.tolist() == [True, True, False, False]
    assert told.water.tolist() == [False, True, True, False]
    assert told.no_way_out.tolist() == [False, False, False, True]
    assert told.leaves.tolist() == [False, False, True, False]


def test_deep_debris_buries_and_a_fall_injures_without_any_trap():
    """From half a metre of debris, and from 3 m through the air, on (design choices); not below."""
    deep = fates(debris=(BURIED_M, 0.0, math.nan, BURIED_M - 0.01))
    assert deep.burial.tolist() == [True, True, False, False]
    fell = fates(fall=(0.0, 0.0, FALL_M, FALL_M - 0.01))
    assert fell.trauma.tolist() == [True, True, True, False]


def test_values_at_starts_by_hand():
    """Means over the members that stay, shares of all members, the greatest fall of any."""
    told = dict(
        zip(
            START_QUANTITIES,
            average_at_starts(fates((0.2, 0.6, math.nan, 0.4), (1.0, 4.0, 0.0, 0.5)), MEMBERS),
            strict=True,
        )
    )
    np.testing.assert_allclose(told["distance_m"], [12.5, 15.0])
    np.testing.assert_allclose(told["drop_m"], [2.5, 3.0])
    np.testing.assert_allclose(told["debris_m"], [0.4, 0.4])
    np.testing.assert_allclose(told["burial"], [0.5, 0.0])
    np.testing.assert_allclose(told["trauma"], [1.0, 0.0])
    np.testing.assert_allclose(told["water"], [0.5, 0.5])
    np.testing.assert_allclose(told["no_way_out"], [0.0, 0.5])
    np.testing.assert_allclose(told["any"], [1.0, 1.0])
    np.testing.assert_allclose(told["leaves"], [0.0, 0.5])
    np.testing.assert_allclose(told["fall_m"], [4.0, 0.5])


def test_a_zone_counts_its_starts_by_their_cells():
    """A start that stands for three cells and one for one: means 3 to 1, the greatest fall, the kind that weighs most.

    Kind 3 weighs 0.2 x 3/4 = 0.15, kind 5 weighs 0.9 / 4 = 0.225. What is not known in one counts from the other.
    """
    starts = SimpleNamespace(zone=np.array([1, 1]), cells=np.array([3, 1]))
    values = np.zeros((len(START_QUANTITIES), 2))
    given = {"distance_m": (100.0, 20.0), "burial": (0.0, 1.0), "fall_m": (1.0, 6.0), "debris_m": (math.nan, 0.8),
             "worst_kind": (3, 5), "worst_weight": (0.2, 0.9)}  # fmt: skip
    for name, pair in given.items():
        values[START_QUANTITIES.index(name)] = pair
    ground = SimpleNamespace(
        window=Window(top=0, left=0, bottom=2, right=2),
        zone=np.array([[1, 1], [1, 1]]),
        smoothed_m=np.array([[4.0, 3.0], [2.0, 1.0]]),
        slope_deg=np.full((2, 2), 35.0),
    )
    (row,) = _zone_rows(starts, values, ground, Window(top=0, left=0, bottom=2, right=2), 2)
    told = dict(zip(START_QUANTITIES, row.values, strict=True))
    assert (told["distance_m"], told["burial"]) == pytest.approx((80.0, 0.25))
    assert (told["fall_m"], told["debris_m"]) == pytest.approx((6.0, 0.8))
    assert (told["worst_kind"], told["worst_weight"]) == pytest.approx((5.0, 0.225))
    assert (row.cells, row.starts, row.top_m, row.foot_m, row.slope_deg) == (4, 2, 4.0, 1.0, 35.0)


def test_no_member_that_stays_has_no_mean():
    gone = np.ones(2, bool)
    nothing, no = np.full(2, math.nan), np.zeros(2, bool)
    told = average_at_starts(
        SampleOutcomes(
            distance_m=nothing,
            drop_m=nothing,
            debris_m=nothing,
            fall_m=np.zeros(2),
            burial=no,
            trauma=no,
            water=no,
            no_way_out=no,
            leaves=gone,
            worst_kind=np.zeros(1, np.uint8),
            worst_weight=np.zeros(1),
        ),
        2,
    )
    assert np.isnan(told[:3]).all()
    assert told[START_QUANTITIES.index("leaves")].tolist() == [1.0]


def test_what_comes_over_a_cell_from_two_blocks_is_joined_in_any_order():
    """Union of members, the greatest speed, the sum of zones: a slower block that comes later takes nothing away."""
    one, other = Window(top=0, left=0, bottom=2, right=3), Window(top=1, left=1, bottom=3, right=4)
    parts = [
        (one, np.uint64(0b0101), np.float32(9.0), np.uint16(2)),
        (other, np.uint64(0b0110), np.float32(4.0), np.uint16(1)),
    ]
    for order in (parts, parts[::-1]):
        all_of = CellTotals.empty(Window(top=0, left=0, bottom=3, right=3))
        for window, *values in order:
            mask, fastest, zones = (np.full(window.shape, value) for value in values)
            all_of.add(CellTotals(window=window, mask=mask, fastest=fastest, zones=zones))
        assert all_of.mask[1].tolist() == [0b0101, 0b0111, 0b0111]
        assert all_of.fastest[1].tolist() == [9.0, 9.0, 9.0]
        assert all_of.zones[1].tolist() == [2, 3, 3]
        assert (all_of.mask[0, 0], all_of.mask[2, 2], all_of.mask[2, 0]) == (0b0101, 0b0110, 0)


def test_a_short_exposed_piece_is_never_told_as_not_reached():
    """Ten stations of nothing, two that are reached, ten of nothing: the two stay; the other way round they are told.

    0 is not reached, from 1 on something comes; -1 is no data.
    """
    nothing, something, hole = np.zeros(10, int), np.full(10, 111), np.full(2, -1)
    alone = np.concatenate([nothing, np.full(2, 111), nothing])
    assert _runs(alone, (alone > 0).astype(float), 5) == [(0, 9), (10, 11), (12, 21)]
    gap = np.concatenate([something, np.zeros(2, int), something])
    assert _runs(gap, (gap > 0).astype(float), 5) == [(0, 21)]
    unknown = np.concatenate([something, hole, something])
    assert _runs(unknown, np.maximum(unknown, 0).astype(float), 5) == [(0, 9), (10, 11), (12, 21)]
    assert not _may_join(111, 0, short=True)


def test_percentiles_rise():
    """0 to 100: P10, P50 and P90 are 10, 50 and 90; what is not known does not count."""
    values = np.append(np.arange(101.0), np.nan)
    assert _spread(values) == pytest.approx((10.0, 50.0, 90.0))
    assert all(math.isnan(one) for one in _spread(np.full(3, np.nan)))
