import math

import numpy as np
import pytest
from shapely import LineString, MultiPolygon, Polygon, box

from lastseen.errors import InputError
from lastseen.search import lay_out
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
        (SQUARE, BOWL, {"least_coverage": 1.5}, r"the least coverage is 1\.5"),
        (SQUARE, BOWL, {"fall_line_deg": math.inf}, "the fall line is inf degrees"),
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
        lay_out(outline, ground, **options)
