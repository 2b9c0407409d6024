"""Ensembles of flows: when they stop, what they leave, which model is chosen and why."""

import dataclasses
import importlib

import numpy as np
import pytest

import hills
from lastseen.core.errors import InputError
from lastseen.core.grid import Grid
from lastseen.core.scenario import LastSeen, Snow
from lastseen.snow import burial_laws, flow_ensemble
from lastseen.snow.ensemble import average_over_footprint
from lastseen.snow.flow_ensemble import replay_member, simulate_flow_ensemble
from lastseen.snow.model_choice import choose_model
from lastseen.snow.release import find_release
from lastseen.snow.runout import find_middle_member
from lastseen.snow.sliding_mass import smooth_for_snow
from snow.made_flow import UTM

HILL = Grid(hills.hill(), hills.WEST_M, hills.NORTH_M, hills.CELL_M, UTM)
AT = (hills.WEST_M + 432.0, hills.NORTH_M - 260.0)
SURE = Snow(size=2, members=80, tracers=20, friction=(0.30, 0.31, 0.32), growth=(0.5, 0.5, 0.5))


@pytest.fixture(scope="module")
def felt():
    return smooth_for_snow(HILL)


@pytest.fixture(scope="module")
def start():
    return find_release(HILL, *AT, 2)


def run(felt, start, snow, ratio=1, seed=3):
    return simulate_flow_ensemble(
        felt, start, snow, ratio=ratio, last_seen=LastSeen(), at_m=AT, rng=np.random.default_rng(seed)
    )


@pytest.fixture(scope="module")
def sure(felt, start):
    return run(felt, start, SURE)


def test_an_ensemble_ends_when_its_outline_has_settled(sure):
    """Events that hardly differ settle soon: whole batches, at least 24, and what another seed changes is small."""
    count = len(sure.members)
    assert sure.seed_spread.settled
    assert sure.stopped_early
    assert 24 <= count < 80
    assert count % 8 == 0
    assert sure.draws.count == sure.reached.size == count
    assert sure.person.count == 20 * count


@pytest.mark.slow
def test_the_first_members_do_not_depend_on_who_follows(felt, start, sure, monkeypatch):
    """An ensemble that stopped early is the beginning of the one that did not."""
    monkeypatch.setattr(flow_ensemble, "CALM_BATCHES", 1000)
    whole = run(felt, start, dataclasses.replace(SURE, members=80))
    assert not whole.stopped_early
    np.testing.assert_array_equal(whole.members[5].thickness_m, sure.members[5].thickness_m)
    np.testing.assert_array_equal(whole.person.x_m[:100], sure.person.x_m[:100])


def test_a_report_can_end_an_event_that_runs(felt, start, monkeypatch):
    """Control-C need not wait for whole events: what a report raises ends them, before one is done."""
    monkeypatch.setenv("LASTSEEN_THREADS", "2")
    said = []

    def stop(text, _share):
        said.append(text)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        simulate_flow_ensemble(
            felt, start, SURE, ratio=1, last_seen=LastSeen(), at_m=AT, rng=np.random.default_rng(3), progress=stop
        )
    assert said
    assert set(said) == {""}


def test_volumes_are_those_of_the_mass_balance(sure):
    """What lies and what left is what started and was taken along, at deposit density."""
    for event, deposit in zip(sure.members, sure.draws.deposit_m3, strict=True):
        there = float(event.thickness_m.sum(dtype=float)) * sure.lattice.cell_area_m2 + sum(event.left_m3)
        assert there == pytest.approx(deposit, rel=1e-5)


def test_people_lie_under_part_of_the_debris(sure):
    """Burial is between nothing and all of the debris at the place; who was not taken lies under nothing."""
    person = sure.person
    assert (person.burial_m <= person.thickness_m + 1e-12).all()
    assert (person.burial_m[~person.taken] == 0.0).all()
    deep = person.thickness_m > 0.2
    mean = 1.0 / (1.0 + burial_laws()["rising"].power)  # of u ** power
    assert (person.burial_m[deep] / person.thickness_m[deep]).mean() == pytest.approx(mean, abs=0.05)
    last = person.cells[person.offsets[1:] - 1]
    row, col = HILL.cell_of(person.x_m, person.y_m)
    np.testing.assert_array_equal(last, row * HILL.shape[1] + col)


def test_a_replay_ends_as_the_event(felt, start, sure):
    """The middle event, run again to be watched, leaves what it left."""
    m = find_middle_member(start, sure)
    times, depths = replay_member(felt, start, sure, m, 1.0)
    event = sure.members[m]
    assert list(times) == sorted(times)
    assert times[-1] <= event.time_s
    last = average_over_footprint(depths[-1].astype(float) * flow_ensemble.PACKED, sure.lattice)
    again = last[event.rows, event.cols]
    assert np.abs(again - event.thickness_m).sum() < 0.05 * event.thickness_m.sum()


def test_larger_cells_give_about_the_same_event(felt, start, sure):
    """Working cells of 10 m instead of 5: the same snow, as far within a tenth, on the same ground."""
    coarse = run(felt, start, dataclasses.replace(SURE, members=8), ratio=2)
    fine = [np.hypot(e.toe_m[0] - start.top_m[0], e.toe_m[1] - start.top_m[1]) for e in sure.members[:8]]
    rough = [np.hypot(e.toe_m[0] - start.top_m[0], e.toe_m[1] - start.top_m[1]) for e in coarse.members]
    assert coarse.lattice.cell_m == 10.0
    assert np.median(rough) == pytest.approx(np.median(fine), rel=0.1)
    on_ground = coarse.over(HILL, coarse.thickness().mean(axis=0).astype(float)).values.sum() * 25.0
    assert on_ground == pytest.approx(coarse.draws.deposit_m3.mean(), rel=0.01)


def chosen(felt, start, **more):
    return choose_model(felt, start, dataclasses.replace(SURE, members=48, **more))


def test_the_flow_is_chosen_where_it_can_be(felt, start):
    """Cells of 5 m and a few seconds: the flow, and the reason says how many cells lie across the release."""
    choice = chosen(felt, start)
    assert (choice.model, choice.ratio) == ("flow", 1)
    assert choice.reason == "Flow on 5 m cells, 8 across the release"
    assert 0.0 < choice.time_s < 60.0
    assert "4 across the release, fewer than the 8 that it needs" in chosen(felt, start, cell_m=10.0).reason


def test_single_bodies_where_the_flow_takes_too_long_or_cells_are_too_coarse(felt, start, monkeypatch):
    """Over a minute, or cells above 10 m: single bodies, and why."""
    monkeypatch.setattr(importlib.import_module("lastseen.snow.model_choice"), "UPDATES_PER_S", 1e4)
    slow = chosen(felt, start)
    assert slow.model == "body"
    assert "would take about" in slow.reason
    assert "--model flow" in slow.reason
    assert chosen(felt, start, model="flow").model == "flow"
    coarse = chosen(felt, start, cell_m=20.0)
    assert coarse.model == "body"
    assert "20 m are too coarse" in coarse.reason


def test_what_was_asked_for_is_done(felt, start):
    """A wished model and a wished cell are taken; a cell finer than the ground is an error."""
    assert chosen(felt, start, model="body").reason.startswith("Single bodies: as asked for")
    assert chosen(felt, start, cell_m=10.0).ratio == 2
    assert chosen(felt, start, cell_m=5.0).ratio == 1
    with pytest.raises(InputError, match="finer than the elevation model's: give 5 m or more"):
        chosen(felt, start, cell_m=2.0)


def test_a_release_on_no_data_is_refused(start):
    """A release whose working cells hold no data is an input error that says what to do."""
    gap = HILL.values.copy()
    gap[:80] = np.nan
    with pytest.raises(InputError, match="covers no working cell of 5 m"):
        run(HILL.with_values(gap), start, SURE)
