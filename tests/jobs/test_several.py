"""Several missing persons: who is searched for where, and the search until all are found."""

import math
from itertools import product

import numpy as np
import pytest
from shapely import LineString

from lastseen.core.errors import InputError
from lastseen.core.scenario import apply_overrides, check_scenario
from lastseen.jobs.notes import note_all_found
from lastseen.jobs.rescue import _find_one_after_the_other, search_for_all
from lastseen.rescue.clock import time_each_found_s
from lastseen.rescue.travel import Travel, walking_speed_m_s
from lastseen.search.plan import Leg
from lastseen.snow.carried import persons_block
from lastseen.snow.deposit import MissingPersons
from search.zoo import EAST_M, NORTH_M, ground

FLAT = ground(lambda x, y: 0.0 * x * y)
SPEED = float(walking_speed_m_s(0.0))


def leg(searcher, kind, *points):
    line = LineString([(EAST_M + x, NORTH_M + y) for x, y in points])
    return Leg(
        number=1, searcher=searcher, kind=kind, lane=None, line=line, length_m=line.length, bearing_deg_true=0.0,
        slope_deg=0.0, steepest_deg=0.0, time_s=line.length / SPEED,
    )  # fmt: skip


def persons(*places, draws=400, stayed=None):
    x, y = (np.tile([start + place[k] for place in places], (draws, 1)) for k, start in ((0, EAST_M), (1, NORTH_M)))
    return MissingPersons(
        x_m=x, y_m=y, stayed=np.ones(x.shape, bool) if stayed is None else np.tile(stayed, (draws, 1))
    )


def search(legs, missing):
    return search_for_all(legs, FLAT, missing, strip_width_m=40.0, travel=Travel(), seed=3)


def by_hand(heard, stop):
    """One draw, step by step: the earliest who can be heard next, with the stops that each searcher has made."""
    late, found = [0.0] * len(heard), [math.inf] * len(heard[0])
    for _ in found:
        open_to = [(heard[s][i] + late[s], s, i) for s, i in product(range(len(heard)), range(len(found)))
                   if found[i] == math.inf and heard[s][i] < math.inf]  # fmt: skip
        if not open_to:
            break
        at, s, i = min(open_to)
        found[i], late[s] = at, late[s] + stop
    return found


@pytest.mark.parametrize(("searchers", "missing"), [(1, 2), (2, 2), (3, 5)])
def test_found_one_after_the_other_as_by_hand(searchers, missing):
    rng = np.random.default_rng(searchers * 10 + missing)
    heard = rng.uniform(0.0, 600.0, (searchers, 50, missing))
    heard[rng.uniform(size=heard.shape) < 0.2] = math.inf
    found = _find_one_after_the_other(heard, 90.0)
    for draw in range(50):
        assert found[draw].tolist() == by_hand(heard[:, draw].tolist(), 90.0)


def test_two_on_one_walk_the_second_after_a_stop():
    """200 m apart along one lane: the second is heard when the walk comes there, later by the stop at the first."""
    legs = [leg(1, "approach", (100, 300), (150, 300)), leg(1, "lane", (150, 300), (450, 300))]
    found = search(legs, persons((200, 305), (400, 305)))
    alone = search(legs, persons((400, 305), (400, 305)))
    stop = time_each_found_s(40.0)
    assert found.missing == 2
    assert found.everybody == found.somebody == 1.0
    assert found.first_s[1] == pytest.approx((200 - 150 - 24.0) / SPEED, rel=0.25)
    assert found.last_s[1] - found.first_s[1] == pytest.approx(200.0 / SPEED + stop, rel=0.02)
    assert alone.last_s[1] - alone.first_s[1] == pytest.approx(stop, rel=0.1)
    assert alone.near == ((3.0, 1.0), (10.0, 1.0), (20.0, 1.0))
    assert found.near == ((3.0, 0.0), (10.0, 0.0), (20.0, 0.0))


def test_who_left_the_model_is_never_found_and_counts():
    """Shares are of all draws: with one of two gone all are never found, and nobody is near."""
    legs = [leg(1, "lane", (150, 300), (450, 300))]
    found = search(legs, persons((200, 305), (200, 306), stayed=[True, False]))
    assert (found.somebody, found.everybody) == (1.0, 0.0)
    assert np.isnan(found.last_s).all()
    assert found.near[0] == (3.0, 0.0)
    text = " ".join(note_all_found(found, (0.9, 0.3)))
    assert "that of the last" not in text
    assert "all are heard in 0 % of the draws" in text
    assert "missing person 2 in only 30 %" in text


def test_two_searchers_find_two_without_waiting():
    """Each hears one on a walk of their own: nobody waits for the other's stop; nobody walking finds nobody."""
    legs = [leg(1, "lane", (150, 200), (450, 200)), leg(2, "lane", (150, 400), (450, 400))]
    found = search(legs, persons((300, 205), (300, 395)))
    assert found.last_s[1] - found.first_s[1] < 20.0
    assert search([leg(1, "approach", (0, 0), (9, 9))], persons((300, 205), (300, 395))).somebody == 0.0


@pytest.mark.parametrize(("count", "missing"), [(400, 2), (10, 3), (7, 7)])
def test_possible_persons_are_shared_out(count, missing):
    """Every possible person stands for one of the missing, in even blocks."""
    blocks = [list(range(count))[persons_block(count, missing, number)] for number in range(missing)]
    assert [number for block in blocks for number in block] == list(range(count))
    assert max(map(len, blocks)) - min(map(len, blocks)) <= 1


def scenario(**last_seen):
    return check_scenario({"elevation": ["x.tif"], "last_seen": {"at": "10,46", **last_seen}})


def test_points_of_the_missing_start_anew():
    assert scenario().last_seen.points() == ("10,46",)
    three = scenario(missing=3, also_at=["10.1,46"]).last_seen.points()
    assert three == ("10,46", "10.1,46", "10,46")
    assert apply_overrides(scenario(missing=3), []).last_seen.missing == 3


@pytest.mark.parametrize(
    ("last_seen", "text"),
    [
        ({"missing": 11}, "last_seen.missing = 11"),
        ({"missing": 0}, "last_seen.missing = 0"),
        ({"also_at": ["10,46"]}, "2 last-seen points for 1 missing"),
        (
            {"missing": 2, "also_at": ["1,2", "3,4"]},
            "3 last-seen points for 2 missing: give at most one point for each",
        ),
    ],
)
def test_bad_numbers_of_missing(last_seen, text):
    with pytest.raises(InputError, match=text):
        scenario(**last_seen)
