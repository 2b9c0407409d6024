"""Shovelling: lengths, diggers, starting rules side by side, turns."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastseen.core.errors import InputError
from lastseen.rescue.shovelling import (
    METRES_PER_DIGGER,
    conveyor_factor,
    conveyor_length_m,
    diggers_needed,
    list_turns,
    plan_dig,
)


@given(depth=st.floats(0.2, 8.0), slope=st.floats(0.0, 60.0), steeper=st.floats(0.0, 20.0))
def test_length_lies_between_once_and_twice_the_depth(depth, slope, steeper):
    """The conveyor is 1 to 2 depths long and never longer on steeper snow."""
    length = conveyor_length_m(depth, slope)
    assert depth - 1e-9 <= length <= 2.0 * depth + 1e-9
    assert conveyor_factor(min(60.0, slope + steeper)) <= conveyor_factor(slope)


@given(length=st.floats(0.3, 20.0))
def test_diggers_are_just_enough(length):
    """One fewer would leave more than their metres to each."""
    for each in METRES_PER_DIGGER.values():
        needed = diggers_needed(length, each)
        assert needed * each >= length - 1e-6
        assert needed == 1 or (needed - 1) * each < length + 1e-6
    assert diggers_needed(length, 0.8) >= diggers_needed(length, 1.0)


@pytest.mark.parametrize("many", range(1, 30))
def test_whole_lengths_take_whole_diggers(many):
    """Lengths that divide evenly are not rounded up by the last bit."""
    assert diggers_needed(many * 0.8, 0.8) == many
    assert diggers_needed(float(many), 1.0) == many


def test_starting_rules_stand_side_by_side():
    """Four rules with source; only the one of 2023 reacts to missing diggers; the others keep their own distance."""
    enough, short = plan_dig(1.5, 0.0, 4), plan_dig(1.5, 0.0, 1)
    assert [rule.downhill_m for rule in enough.starts] == [(0.0, 0.0), (0.0, 0.0), (2.25, 2.25), None]
    assert [rule.downhill_m for rule in short.starts] == [(0.0, 0.0), (2.0, 2.0), (2.25, 2.25), None]
    assert [rule.year for rule in enough.starts] == [None, 2023, None, None]
    assert len({rule.source for rule in enough.starts}) == 3
    assert short.length_m == enough.length_m == 3.0
    assert short.missing == {"scheme": 3, "2023": 2}
    assert any("keep the 3.0 m and begin 2 m below the probe" in note for note in short.notes)


def test_start_downhill_changes_above_25_degrees_and_below_one_metre():
    """About 1 x depth above 25 degrees; one step below 1 m of depth, two from there on (course pages)."""
    assert plan_dig(2.0, 25.0, 3).starts[2].downhill_m == (3.0, 3.0)
    assert plan_dig(2.0, 26.0, 3).starts[2].downhill_m == (2.0, 2.0)
    assert "one step" in plan_dig(0.9, 0.0, 3).starts[3].words
    assert "two steps" in plan_dig(1.0, 0.0, 3).starts[3].words


@given(diggers=st.integers(1, 12))
def test_everybody_digs_everywhere_once(diggers):
    """In one round of turns everybody stands once at every place."""
    order = list_turns(diggers)
    assert len(order) == diggers
    for place in range(diggers):
        assert sorted(row[place] for row in order) == list(range(1, diggers + 1))


def test_spare_and_missing_people_are_told():
    """Who is free, who is missing by one rule and not the other."""
    assert any("2 people are free" in note for note in plan_dig(1.0, 0.0, 5).notes)
    assert any("1 person is free" in note for note in plan_dig(1.0, 0.0, 4).notes)
    assert any("Enough by the rule of 2023" in note for note in plan_dig(1.5, 0.0, 3).notes)
    assert any("every 4 min" in note for note in plan_dig(1.5, 0.0, 3).notes)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: plan_dig(1.5, 0.0, 0), "0 diggers: at least one person must dig"),
        (lambda: plan_dig(0.0, 0.0, 2), "the burial depth is 0 m"),
        (lambda: plan_dig(math.nan, 0.0, 2), "the burial depth is nan m"),
        (lambda: plan_dig(25.0, 0.0, 2), "at most 20 m"),
        (lambda: plan_dig(1.0, -1.0, 2), "the slope is -1 degrees"),
        (lambda: plan_dig(1.0, 61.0, 2), "the slope is 61 degrees"),
    ],
)
def test_bad_numbers(call, text):
    """One clear sentence each."""
    with pytest.raises(InputError, match=text):
        call()
