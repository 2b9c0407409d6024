import math

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, Polygon, box

from lastseen.core.errors import InputError
from lastseen.search.layout import lay_search
from lastseen.search.search_area import SearchOptions
from search.zoo import EAST_M, NORTH_M, ZOO, bowl, on_map

BOWL = bowl()
SQUARE = ZOO["square"]


def holed(part):
    values = BOWL.values.copy()
    values[part] = np.nan
    return BOWL.with_values(values)


@pytest.mark.parametrize(
    ("outline", "ground", "options", "text"),
    [
        (SQUARE, BOWL, {"strip_width_m": 0.0}, r"the strip width is 0\.0 m: give more than 0 and at most 100 m"),
        (SQUARE, BOWL, {"strip_width_m": -5.0}, r"the strip width is -5\.0 m"),
        (SQUARE, BOWL, {"strip_width_m": 101.0}, r"the strip width is 101\.0 m"),
        (SQUARE, BOWL, {"strip_width_m": math.nan}, "the strip width is nan m"),
        (SQUARE, BOWL, {"searchers": 0}, "the number of searchers is 0: give 1 to 30"),
        (SQUARE, BOWL, {"searchers": 31}, "the number of searchers is 31"),
        (Polygon(), BOWL, {}, "the outline is empty: draw the debris"),
        (MultiPolygon(), BOWL, {}, "the outline is empty"),
        (LineString([(0, 0), (1, 1)]), BOWL, {}, "the outline is a LineString: give a polygon"),
        (
            on_map(Polygon([(200, 200), (300, 300), (300, 200), (200, 300)])),
            BOWL,
            {},
            rf"crosses itself \(Self-intersection\[{EAST_M + 250:.0f} {NORTH_M + 250:.0f}\]",
        ),
        (on_map(box(550, 200, 650, 300)), BOWL, {}, "reaches beyond the ground .*: load more elevation"),
        (box(0, 0, 10, 10), BOWL, {}, "reaches beyond the ground"),
        (SQUARE, holed(np.s_[:, :]), {}, "lies wholly on no data"),
        (
            SQUARE,
            holed(np.s_[160:165, 110:112]),
            {},
            r"lies partly on no data \(0\.[45] % of it, first at .*: fill the",
        ),
        (SQUARE, BOWL, {"start_xy_m": (0.0, 0.0)}, "the start at 0 E, 0 N lies where there is no elevation"),
        (SQUARE, BOWL, {"start_xy_m": (math.nan, 0.0)}, "the start at nan E"),
        (
            SQUARE,
            holed(np.s_[:10, :10]),
            {"start_xy_m": (EAST_M + 5, NORTH_M + 595)},
            "lies where there is no elevation",
        ),
    ],
)
def test_one_clear_sentence(outline, ground, options, text):
    with pytest.raises(InputError, match=text):
        lay_search(outline, ground, SearchOptions(**options))


def wiggly(corners):
    """A disc with a very fine edge."""
    angle = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    radius = 90.0 + 3.0 * np.sin(40 * angle) + 0.02 * np.sin(3000 * angle)
    return on_map(Polygon(np.c_[300 + radius * np.cos(angle), 300 + radius * np.sin(angle)]))


def sieve():
    """A square with a thousand holes."""
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(160, 440, 40), np.linspace(160, 440, 25)))
    return on_map(box(150, 150, 450, 450).difference(shapely.union_all(shapely.buffer(shapely.points(x, y), 2.0))))


ODD = {
    "smaller than a strip": (on_map(box(300, 300, 312, 309)), {}, 1),
    "thinner than a strip": (on_map(box(200, 300, 420, 306)), {}, 1),
    "strip wider than the debris": (on_map(box(220, 220, 275, 280)), {"strip_width_m": 100.0}, 1),
    "ten thousand corners": (wiggly(10_000), {}, None),
    "a thousand holes": (sieve(), {}, None),
    "a speck": (on_map(box(300, 300, 300.05, 300.05)), {}, 1),
    "more searchers than metres": (on_map(box(300, 300, 312, 309)), {"searchers": 30}, 1),
    "hardly any strip": (on_map(box(300, 300, 306, 306)), {"strip_width_m": 0.5}, None),
}


@pytest.mark.parametrize("name", ODD)
def test_odd_outlines_are_searched(name):
    outline, options, lanes = ODD[name]
    plan = lay_search(outline, BOWL, SearchOptions(**options))
    assert plan.coverage.fraction >= 0.99
    assert lanes is None or len(plan.lanes) == lanes
    if lanes == 1:
        assert len(plan.lanes[0].line.coords) == 2


def test_all_of_it_no_go():
    with pytest.raises(InputError, match="the no-go ground covers all of the outline: nothing is left to walk"):
        lay_search(SQUARE, BOWL, SearchOptions(no_go=on_map(box(0, 0, 600, 600))))
