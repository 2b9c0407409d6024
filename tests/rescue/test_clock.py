"""The clock: phases in order, ranges that add up, plans."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import box

from lastseen.core.errors import InputError
from lastseen.core.quantities import Spread, exact_spread
from lastseen.jobs.rescue import WalkedLeg, make_walked_legs, time_legs
from lastseen.rescue.clock import (
    PhaseValues,
    make_shovelling,
    time_rescue,
)
from lastseen.rescue.survival import find_survival_curve
from lastseen.rescue.travel import FASTER, SLOWER, Travel, walking_speed_m_s
from lastseen.search.layout import lay_search
from lastseen.search.search_area import SearchOptions
from search.zoo import bowl, on_map

FALK = find_survival_curve("falk-1994")
HERE = {"depth_m": 1.0, "slope_deg": 20.0, "diggers": 2, "curve": FALK}
PLAIN = {
    "approach_s": exact_spread(60.0), "approach_basis": "given", "signal_s": Spread(60.0, 300.0, 600.0),
    "signal_basis": "given",
    "strip_width_m": 40.0,
}  # fmt: skip


def leg(kind, length_m, time_s, searcher=1):
    return WalkedLeg(searcher=searcher, kind=kind, length_m=length_m, time_s=time_s)


WALKING = Travel(approach="foot")


def clock_of(legs, **given):
    return time_legs(legs, **{"strip_width_m": 40.0, "travel": WALKING, **given})


ONE = (leg("approach", 50, 60.0), leg("lane", 100, 100.0), leg("join", 40, 50.0), leg("lane", 100, 100.0))


def test_phases_have_their_trade_names_in_order():
    """ICAR 2008: clue, signal, coarse, fine search, pinpointing are A to E; the rest has no letter."""
    clock = time_rescue(**PLAIN, **HERE)
    assert [phase.name for phase in clock.phases if phase.letter] == [
        "clue search", "signal search", "coarse search", "fine search", "pinpointing",
    ]  # fmt: skip
    assert "".join(phase.letter for phase in clock.phases) == "ABCDE"
    assert [phase.name for phase in clock.phases if not phase.letter] == ["approach", "shovelling"]
    assert all(phase.basis and phase.confidence for phase in clock.phases)


@given(
    approach=st.floats(0.0, 600.0), signal=st.floats(0.0, 3600.0), width=st.floats(5.0, 100.0),
    depth=st.floats(0.3, 4.0), slope=st.floats(0.0, 45.0), diggers=st.integers(1, 8),
)  # fmt: skip
def test_times_add_up_and_never_cross(approach, signal, width, depth, slope, diggers):
    """Ends rise, low below typical below high, and the total is the sum of all phases."""
    clock = time_rescue(
        approach_s=exact_spread(approach), approach_basis="given", signal_s=exact_spread(signal), signal_basis="given",
        strip_width_m=width,
        depth_m=depth, slope_deg=slope, diggers=diggers, curve=FALK,
    )  # fmt: skip
    ends = clock.ends_s
    assert clock.total_s.typical == pytest.approx(sum(phase.time_s.typical for phase in clock.phases))
    for before, after in pairwise(ends):
        assert all(a <= b for a, b in zip(before.three, after.three, strict=True))
    at_signal = ends[2]
    assert at_signal.high + clock.after_signal_s.high == pytest.approx(clock.total_s.high)
    alive = [least for least, _ in clock.survival_percent]
    assert alive[0] >= alive[1] >= alive[2]


def test_deeper_takes_longer_and_missing_diggers_are_told():
    """Shovelling grows with the square of the depth; what missing diggers cost is no data, and said."""
    assert make_shovelling(2.0, 0.0, 9).time_s.typical == pytest.approx(
        4.0 * make_shovelling(1.0, 0.0, 9).time_s.typical
    )
    assert make_shovelling(1.5, 0.0, 1).time_s == make_shovelling(1.5, 0.0, 3).time_s
    assert "1 of 3 diggers: longer, no data by how much" in make_shovelling(1.5, 0.0, 1).basis
    assert "longer" not in make_shovelling(1.5, 0.0, 3).basis


@pytest.mark.parametrize(("depth_m", "minutes"), [(1.0, 15.0), (2.0, 60.0), (2.2, 90.0), (4.0, 180.0)])
def test_known_digs_lie_within_the_range(depth_m, minutes):
    """1 m in 15 min, 2 m in an hour (second-hand), 2.2 m in 90 min and 4 m in 180 min (French cases, Jarry)."""
    time_s = make_shovelling(depth_m, 0.0, 30).time_s
    assert time_s.low <= 60.0 * minutes <= time_s.high


def test_plain_values_give_their_phases():
    """3 m at 0.05 to 0.1 m/s, 17 to 37 m at 1 to 1.5 m/s, 1 to 50 holes at 3 to 10 s."""
    by_name = {phase.name: phase.time_s.three for phase in time_rescue(**PLAIN, **HERE).phases}
    assert by_name["fine search"] == pytest.approx((30.0, 40.0, 60.0))
    assert by_name["coarse search"] == pytest.approx((17.0 / 1.5, 27.0 / 1.25, 37.0))
    assert by_name["pinpointing"] == pytest.approx((3.0, 60.0, 500.0))


def test_users_values_win():
    """Every assumed value can be set, and shows in the phase."""
    values = PhaseValues(
        clue_s=exact_spread(30.0), coarse_m_s=exact_spread(2.0), fine_m_s=exact_spread(0.1), hole_s=exact_spread(4.0)
    )
    clock = time_rescue(**PLAIN, **HERE, values=values)
    by_name = {phase.name: phase.time_s for phase in clock.phases}
    assert by_name["clue search"] == exact_spread(30.0)
    assert by_name["fine search"].three == pytest.approx((30.0, 30.0, 30.0))
    assert by_name["coarse search"].three == pytest.approx((17.0 / 2, 27.0 / 2, 37.0 / 2))
    assert by_name["pinpointing"].three == pytest.approx((4.0, 48.0, 200.0))


def test_clock_of_a_plan_takes_its_walking_time():
    """First signal at 10, 50, 90 % of the metres of the lanes; the join takes time but holds nobody."""
    clock = clock_of(ONE, **HERE)
    approach, signal = clock.phases[1].time_s, clock.phases[2].time_s
    assert approach.three == pytest.approx((FASTER * 60.0, 60.0, SLOWER * 60.0))
    assert signal.low == pytest.approx(FASTER * 20.0, abs=1.0)
    assert 100.0 <= signal.typical <= 150.0
    assert signal.high == pytest.approx(SLOWER * 230.0, abs=2.0)


def test_clock_of_a_real_plan_stays_within_its_walk():
    """On a laid-out plan the signal search ends within the walking time, slowed down at most."""
    options = SearchOptions(strip_width_m=40.0, searchers=2, travel=WALKING)
    plan = lay_search(on_map(box(200, 200, 350, 330)), bowl(), options)
    clock = clock_of(plan.legs, **HERE)
    approach, signal = clock.phases[1].time_s, clock.phases[2].time_s
    assert 0.0 < signal.low < signal.typical < signal.high < SLOWER * plan.total_time_s
    ways = [sum(one.time_s for one in plan.legs if one.searcher == k and one.kind == "approach") for k in (1, 2)]
    assert approach.three == pytest.approx((FASTER * min(ways), sum(ways) / 2.0, SLOWER * max(ways)))


def test_two_searchers_halve_the_search():
    """The same lanes by two people: nobody waits for the second lane."""
    two = (
        leg("approach", 50, 60.0), leg("lane", 100, 100.0), leg("approach", 80, 90.0, 2),
        leg("lane", 100, 100.0, 2),
    )  # fmt: skip
    clock = clock_of(two, **HERE)
    assert clock.phases[2].time_s.typical == pytest.approx(50.0, abs=1.0)
    assert clock.phases[1].time_s.three == pytest.approx((FASTER * 60.0, 75.0, SLOWER * 90.0))


def test_simulated_times_replace_the_even_walk():
    """Times of simulated searches are slowed down and sped up as walking is; NaN says that nobody knows."""
    signal = clock_of(ONE, **HERE, first_signal_s=(10.0, 50.0, 90.0)).phases[2]
    assert signal.time_s.three == pytest.approx((FASTER * 10.0, 50.0, SLOWER * 90.0))
    assert "simulated" in signal.basis
    unknown = clock_of(ONE, **HERE, first_signal_s=(math.nan,) * 3).phases[2]
    assert unknown.time_s == clock_of(ONE, **HERE).phases[2].time_s


def test_the_search_is_timed_from_the_first_step_on_the_debris():
    """All phases without clue search and approach; and all of them."""
    clock = clock_of(ONE, **HERE)
    before = [clock.phases[k].time_s for k in (0, 1)]
    assert [phase.name for phase in clock.phases[:3]] == ["clue search", "approach", "signal search"]
    for key in ("low", "typical", "high"):
        rest = getattr(clock.total_s, key) - sum(getattr(time_s, key) for time_s in before)
        assert getattr(clock.on_debris_s, key) == pytest.approx(rest)


def test_an_approach_on_skis_has_its_own_range():
    """Down from 1 to 5.5 m/s around 2.5; up from 300 to 790 m of height in an hour around 400; given minutes hold."""
    down = (WalkedLeg(searcher=1, kind="approach", length_m=150.0, time_s=60.0, slope_deg=-30.0), *ONE[1:])
    up = (WalkedLeg(searcher=1, kind="approach", length_m=150.0, time_s=60.0, slope_deg=20.0), *ONE[1:])
    ski = Travel()
    for legs, low, high in ((down, 2.5 / (19.9 / 3.6), 2.5), (up, 400.0 / 790.0, 400.0 / 300.0)):
        approach = clock_of(legs, **HERE, travel=ski).phases[1]
        assert approach.time_s.three == pytest.approx((60.0 * low, 60.0, 60.0 * high))
        assert "on skis" in approach.basis
    given = clock_of(down, **HERE, travel=Travel(approach_s=480.0)).phases[1]
    assert given.time_s == exact_spread(480.0)
    assert given.basis == "8 min, as given"


def test_clock_of_a_walk_agrees_with_the_plan_of_one_lane():
    """Only the walking time is known: the same as a plan with one lane of that time."""
    walk = clock_of(make_walked_legs(200.0, 30.0), **HERE)
    plan = clock_of([leg("approach", 20, 30.0), leg("lane", 200, 200.0)], **HERE)
    for one, other in zip(walk.phases, plan.phases, strict=True):
        assert one.time_s.three == pytest.approx(other.time_s.three, abs=0.5)


def test_pace_range_is_that_of_walking():
    """Fast is on the path, slow is half of Tobler's speed on the path instead of 0.6."""
    on, off = (float(walking_speed_m_s(0.0, off_path=away)) for away in (False, True))
    assert pytest.approx(off / on) == FASTER
    assert pytest.approx(off / (0.5 * on)) == SLOWER


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: Spread(2.0, 1.0, 3.0), "low 2, typical 1, high 3 is no range"),
        (lambda: Spread(-1.0, 1.0, 3.0), "is no range"),
        (lambda: Spread(0.0, 1.0, math.inf), "is no range"),
        (lambda: make_shovelling(1.0, 0.0, 0), "0 diggers: at least one person must dig"),
        (lambda: time_rescue(**{**PLAIN, "strip_width_m": 0.0}, **HERE), "the strip width is 0 m"),
        (lambda: time_rescue(**PLAIN, **HERE, values=PhaseValues(fine_m_s=exact_spread(0.0))), "a speed of 0 m/s"),
        (lambda: time_rescue(**PLAIN, **{**HERE, "depth_m": -1.0}), "the burial depth is -1 m"),
        (lambda: clock_of([leg("approach", 5, 5.0)], **HERE), "the walk has no lanes"),
        (lambda: make_walked_legs(0.0, 1.0), "a walk of 0 min"),
    ],
)
def test_bad_values(call, text):
    """One clear sentence each."""
    with pytest.raises(InputError, match=text):
        call()
