"""What a debrief says besides its numbers: clocks that are off, walks outside, depths of the plan's clock."""

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString

from lastseen.jobs.practice import debrief as debriefing
from lastseen.jobs.practice.debrief import debrief
from lastseen.jobs.practice.drill import PlannedLeg
from lastseen.jobs.practice.targets import Target
from practice.walks import EAST, NORTH, START, plan_on, recorded


@pytest.fixture(scope="module")
def plan():
    return plan_on(100.0, 60.0, strip=20.0, slope_deg=25.0)


def across(y=30.0, west=0.0, east=100.0):
    return np.array([(EAST + west, NORTH + y), (EAST + east, NORTH + y)])


def target(depth_m, what="target"):
    return Target(
        name="T", what=what, x_m=EAST + 50.0, y_m=NORTH + 30.0, z_m=1000.0, depth_m=depth_m, azimuth_deg=0.0,
        dip_deg=0.0, slope_deg=0.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("targets", "depth_m"),
    [
        ((), 1.0),
        ((target(0.4), target(0.8)), 0.6),
        ((target(0.05),), 0.1),
        ((target(0.4), target(2.0, "decoy")), 0.4),
        ((target(2.0, "decoy"),), 1.0),
    ],
)
def test_the_clock_of_the_plan_takes_the_mean_depth(plan, monkeypatch, targets, depth_m):
    """Of targets and not of decoys, at least 0.1 m; 1 m where none is known; and one digger for each track."""
    asked = {}

    def timed(legs, **options):
        asked.update(options)
        return plain(legs, **options)

    plain = debriefing.time_legs
    monkeypatch.setattr(debriefing, "time_legs", timed)
    made = debrief(plan, [recorded([across()], "a"), recorded([across(40.0)], "b")], targets=targets)
    assert asked["depth_m"] == pytest.approx(depth_m)
    assert (asked["strip_width_m"], asked["diggers"], asked["slope_deg"]) == (20.0, 2, 20.0)
    assert made.targets == targets


@pytest.mark.parametrize(
    ("begins", "odd"),
    [
        ((0.0, 0.0, 0.0), None),
        ((0.0, 40.0, 0.0), None),
        ((0.0, 0.0, 3600.0), "s3"),
        ((0.0, 3600.0, 0.0), "s2"),
        ((3600.0, 0.0, 30.0), "s1"),
        ((0.0, 3600.0), "s1"),
        ((7200.0, 0.0), "s1"),
        ((0.0,), None),
    ],
)
def test_a_track_of_another_time_is_named(plan, begins, odd):
    """Walks of 100 s: where one lies before or after all others, with how far from the first of them it began."""
    walks = [recorded([across(30.0 + k)], f"s{k}", speed=1.0, begin=START + at) for k, at in enumerate(begins, 1)]
    notes = [note for note in debrief(plan, walks).notes if "another time" in note]
    if odd is None:
        assert notes == []
        return
    own = begins[int(odd[1]) - 1]
    away = own - min(at for k, at in enumerate(begins, 1) if f"s{k}" != odd)
    words = {3600.0: "1:00:00", -3600.0: "-1:00:00", 7200.0: "2:00:00"}[away]
    (note,) = notes
    assert note.startswith(f"{odd} was recorded at another time than all others, {words} from the first of them")


@pytest.mark.parametrize("touching", [True, False])
def test_tracks_that_touch_are_of_one_time(plan, touching):
    """One begins in the second in which the other ends."""
    begin = START + (100.0 if touching else 101.0)
    walks = [recorded([across()], "a", speed=1.0), recorded([across(40.0)], "b", speed=1.0, begin=begin)]
    assert any("another time" in note for note in debrief(plan, walks).notes) != touching


@pytest.mark.parametrize(("outside_m", "said"), [(20.0, None), (40.0, None), (50.0, 33.3), (100.0, 50.0)])
def test_walks_more_than_a_strip_outside_are_said(plan, outside_m, said):
    """Of 100 m across and more beyond; the first 20 m beyond the edge are within a strip of the outline."""
    walk = across(30.0, 0.0, 120.0 + outside_m)
    walk[0, 0] += 20.0  # 100 m within a strip of the outline
    notes = [note for note in debrief(plan, [recorded([walk], speed=1.0)]).notes if "outside the outline" in note]
    assert len(notes) == (said is not None)
    if said:
        share, words = notes[0].split(" ", 1)
        assert int(share) == pytest.approx(said, abs=1.2)
        assert words == "% of what was walked lies more than a strip outside the outline."


def test_metres_are_on_the_snow_without_gaps(plan):
    """Up the slope of 25 degrees: 40 m and 10 m on the map, and a gap of 20 m between them that counts for nothing."""
    walk = [LineString([(EAST + 50.0, NORTH + a), (EAST + 50.0, NORTH + b)]).coords for a, b in ((0, 40), (60, 70))]
    made = debrief(plan, [recorded([np.array(part) for part in walk], speed=1.0)])
    assert made.searchers[0].metres == pytest.approx(50.0 / np.cos(np.radians(25.0)), abs=0.3)
    assert made.timed
    assert any("taken as flat" in note for note in debrief(replace(plan, flat=True), [recorded([across()])]).notes)
    assert not any("taken as flat" in note for note in made.notes)


@pytest.mark.parametrize(("lanes", "said"), [(1, False), (2, False), (3, True)])
def test_lanes_that_were_mostly_not_followed_are_said(plan, lanes, said):
    """The first of some lanes, 30 m apart, is walked and no other: of one, of two (just half), and of three."""
    lines = [LineString(across(y)) for y in (0.0, 30.0, 60.0)[:lanes]]
    legs = [
        PlannedLeg(searcher=1, number=k, kind="lane", lane=k, line=line, length_m=100.0, time_s=100.0)
        for k, line in enumerate(lines, 1)
    ]
    made = debrief(replace(plan, legs=tuple(legs)), [recorded([across(0.0)], speed=1.0)])
    assert made.lanes.walked == pytest.approx(1.0 / lanes)
    assert any("mostly not followed" in note for note in made.notes) == said
