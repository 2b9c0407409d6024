import csv
import json
import math

import numpy as np
import pytest
from shapely import box
from shapely.affinity import translate

from lastseen.core.errors import InputError
from lastseen.core.machine import shared_folder
from lastseen.rescue.travel import approach_time_h, walking_speed_m_s
from lastseen.search.coverage import measure_coverage
from lastseen.search.frame import lay_pattern
from search.zoo import EAST_M, NORTH_M, ground

FLAT = ground(lambda x, y: 0.0 * x * y)


def pattern_length_m(**inputs):
    return lay_pattern(**inputs).length


def pattern_coverage(width_m, length_m, strip_width_m, **inputs):
    walk = lay_pattern(width_m, length_m, strip_width_m, **inputs)
    shift = (EAST_M + 200, NORTH_M + 200)
    outline = translate(box(0, 0, width_m, length_m), *shift)
    return 100 * measure_coverage(outline, [translate(walk, *shift)], FLAT, strip_width_m / 2).fraction


def tobler_km_h(off_path, slope=None, slope_deg=None):
    return 3.6 * float(walking_speed_m_s(math.tan(math.radians(slope_deg)) if slope is None else slope, off_path))


FUNCTIONS = {
    "strip_pattern_length_m": pattern_length_m,
    "strip_pattern_coverage": pattern_coverage,
    "tobler_speed_km_h": tobler_km_h,
    "din_33466_time_h": approach_time_h,
}


def rows():
    with (shared_folder("shared") / "reference" / "search.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", rows(), ids=lambda row: row["id"])
def test_published_value(row):
    assert row["quantity"] in FUNCTIONS, f"no function for {row['quantity']}"
    assert row["confidence"] in {
        "published",
        "published, second hand",
        "derived",
        "common practice, no source",
        "from memory",
    }
    got = FUNCTIONS[row["quantity"]](**json.loads(row["inputs"]))
    assert got == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


def test_every_function_has_rows():
    assert {row["quantity"] for row in rows()} == set(FUNCTIONS)
    assert len({row["id"] for row in rows()}) == len(rows())


def test_speed_is_fastest_slightly_downhill():
    slope = np.linspace(-1, 1, 401)
    assert slope[np.argmax(walking_speed_m_s(slope))] == pytest.approx(-0.05)
    assert np.allclose(walking_speed_m_s(slope), 0.6 * walking_speed_m_s(slope, off_path=False))


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: approach_time_h(-1.0, 0.0, 0.0), "the distance of an approach is -1.0 m"),
        (lambda: approach_time_h(1.0, math.nan, 0.0), "the ascent of an approach is nan m"),
        (lambda: lay_pattern(0.0, 10.0, 40.0, "square", 0.0), "give positive lengths"),
        (lambda: lay_pattern(40.0, 100.0, 40.0, "square", 20.0), "leaves no leg"),
    ],
)
def test_bad_numbers(call, text):
    with pytest.raises(InputError, match=text):
        call()
