"""How people move, against published times of tours and paths, and own speeds."""

import math

import numpy as np
import pytest

from lastseen.core.errors import InputError
from lastseen.rescue.travel import (
    SKI_DOWN_M_S,
    TRAVEL_MODES,
    Pace,
    Travel,
    describe_travel,
    parse_speeds,
    searching_speed_m_s,
)

SLOPES = np.linspace(-0.84, 0.84, 169)


def hours(pace, km, rise_m):
    """Hours for a way of even slope: map kilometres and metres of height."""
    slope = rise_m / (1000.0 * km)
    return 1000.0 * km * math.hypot(1.0, slope) / (3600.0 * float(pace.speed_m_s(slope)))


@pytest.mark.parametrize("mode", ["ski", "snowshoe"])
@pytest.mark.parametrize(("km", "rise_m"), [(9.5, 500.0), (2.0, 600.0), (1.0, 700.0)])
def test_uphill_takes_the_time_of_a_tour(mode, km, rise_m):
    """(km + m / 100) / 4 hours (Munter): the worked example is 9.5 km and 500 m in 3 h 38 min."""
    wanted = (km + rise_m / 100.0) / 4.0
    assert hours(Pace(mode=mode, searching=False), km, rise_m) == pytest.approx(wanted, rel=1e-9)
    assert pytest.approx(3.0 + 38.0 / 60.0, abs=0.01) == (9.5 + 5.0) / 4.0


def test_down_on_snowshoes_is_down_on_foot():
    """(km + m / 100) / 6 hours downhill on foot (Munter); never faster than the 4 km/h of Knapik et al. 2002."""
    pace = Pace(mode="snowshoe", searching=False)
    assert hours(pace, 1.0, -600.0) == pytest.approx((1.0 + 6.0) / 6.0)
    assert pace.speed_m_s(SLOPES).max() == pytest.approx(4.0 / 3.6)


def test_down_on_skis_takes_minutes_where_walking_takes_a_quarter_of_an_hour():
    """94 m of height on 30 degrees: about a minute; slower than beginners on groomed pistes (Stepan et al. 2023)."""
    slope = -math.tan(math.radians(30.0))
    way_m = 94.0 / math.sin(math.radians(30.0))
    ski, foot = (float(Pace(mode=mode, searching=False).speed_m_s(slope)) for mode in ("ski", "foot"))
    assert way_m / ski == pytest.approx(188.0 / 2.5)
    assert way_m / foot > 600.0
    assert Pace(mode="ski", searching=False).speed_m_s(SLOPES).max() <= SKI_DOWN_M_S.typical < 19.9 / 3.6


def test_skis_slip_where_it_is_steep():
    """1 m/s on 40 degrees, 2.5 up to 35, no jump between gliding and the level."""
    pace = Pace(mode="ski", searching=False)
    at = {deg: float(pace.speed_m_s(-math.tan(math.radians(deg)))) for deg in (0.0, 8.0, 20.0, 35.0, 37.5, 40.0)}
    assert at == pytest.approx({0.0: 4.0 / 3.6, 8.0: 2.5, 20.0: 2.5, 35.0: 2.5, 37.5: 1.78, 40.0: 1.0}, abs=0.02)
    fine = pace.speed_m_s(np.linspace(-0.839, 0.839, 20001))
    assert np.abs(np.diff(fine)).max() < 0.01


@pytest.mark.parametrize("mode", TRAVEL_MODES)
def test_nobody_searches_debris_faster_than_they_come(mode):
    """On debris no mode is faster than on the approach; on foot both are Tobler's rule."""
    search, approach = (Pace(mode=mode, searching=on).speed_m_s(SLOPES) for on in (True, False))
    assert (search <= approach + 1e-12).all()
    assert (search > 0.0).all()
    if mode == "foot":
        np.testing.assert_array_equal(search, searching_speed_m_s(SLOPES))
    assert search.max() <= 1.5


def test_the_track_is_searched_in_the_way_in_which_they_came():
    """On skis to the first lane, on foot on the lanes: 190 m of height down 36 degrees in 4 minutes, not in 26."""
    travel, slope = Travel(), -math.tan(math.radians(34.0))
    way_m = 190.0 / math.sin(math.radians(34.0))
    times = {kind: way_m / float(travel.pace_of(kind).speed_m_s(slope)) for kind in ("approach", "track", "lane")}
    assert times["track"] == pytest.approx(way_m / 1.5)
    assert times["approach"] < times["track"] < 0.2 * times["lane"]
    assert travel.pace_of("join") == travel.pace_of("lane") == travel.search_pace
    on_foot = Travel(approach="foot")
    assert on_foot.pace_of("track").speed_m_s(slope) == on_foot.search_pace.speed_m_s(slope)
    assert "down the track on skis" in describe_travel(travel)[1]


def test_own_speeds_win():
    """Downhill below 0, uphill from the level on; searching everywhere; said as given."""
    travel = Travel(**parse_speeds("down=2, up=0.4,search=1.2"))
    assert travel.approach_pace.speed_m_s([-0.5, -0.01, 0.0, 0.3]).tolist() == [2.0, 2.0, 0.4, 0.4]
    for kind in ("track", "lane", "join"):
        assert travel.pace_of(kind).speed_m_s(SLOPES).tolist() == [1.2] * SLOPES.size
    approach, search = describe_travel(travel)
    assert approach == "on skis, downhill 2 m/s, as given; level and uphill 0.4 m/s, as given"
    assert search == "on foot, 1.2 m/s, as given"
    assert describe_travel(Travel(approach_s=300.0))[0] == "5 min, as given"


@pytest.mark.parametrize("mode", TRAVEL_MODES)
def test_every_speed_says_what_it_rests_on(mode):
    """Each text names a source with its year, common practice, or a design choice."""
    for text in describe_travel(Travel(approach=mode, search=mode)):
        assert any(word in text for word in ("19", "20", "design choice", "common practice")), text


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: Travel(approach="sledge"), "the travel 'sledge' is not known: choose ski, snowshoe, foot"),
        (lambda: Travel(down_m_s=-1.0), "the speed down = -1 m/s cannot be walked"),
        (lambda: Travel(search_m_s=math.nan), "the speed search = nan m/s cannot be walked"),
        (lambda: Travel(up_m_s=31.0), "at most 30"),
        (lambda: Travel(approach_s=-60.0), "an approach of -1 min"),
        (lambda: parse_speeds("downhill=3"), "the speed 'downhill=3' cannot be read"),
        (lambda: parse_speeds("down=fast"), "the speed 'down=fast' cannot be read"),
        (lambda: parse_speeds(""), "cannot be read"),
    ],
)
def test_bad_values(call, text):
    with pytest.raises(InputError, match=text):
        call()
