"""Median lengths by size on real terrain lie within what was reported of real incidents."""

import pytest

from lastseen.core.scenario import LastSeen, Scenario, Snow
from lastseen.jobs.check.rows import reference_rows
from lastseen.jobs.plan import make_plan

pytestmark = pytest.mark.slow  # flow ensembles on real ground

RANGES = {
    row.inputs["size"]: (row.inputs["p05_m"], row.inputs["p95_m"])
    for row in reference_rows()
    if row.id.startswith("length-size")
}
PLACES = [
    ("gurten_swissalti3d_2m", "7.451014,46.925923", 1),
    ("gurten_swissalti3d_2m", "7.442533,46.927830", 1),
    ("gurten_swissalti3d_2m", "7.451014,46.925923", 2),
    ("sthelens_10m", "-122.230890,46.211231", 2),
    ("sthelens_10m", "-122.205962,46.213761", 2),
    ("sthelens_10m", "-122.230890,46.211231", 3),
    ("sthelens_10m", "-122.205962,46.213761", 3),
    ("davos_srtm_30m", "9.89556,46.79544", 2),
    ("davos_srtm_30m", "9.897193,46.893428", 3),
]


@pytest.mark.parametrize(("name", "at", "size"), PLACES)
def test_lengths_on_real_terrain(real_terrain, name, at, size):
    """The median length of an event lies between the 5th and 95th percentile of reported incidents of its size."""
    if name not in real_terrain:
        pytest.skip(f"no elevation file {name}")
    snow = Snow(size=size, members=16, tracers=20)
    length = make_plan(
        Scenario(elevation=(real_terrain[name],), last_seen=LastSeen(at=at), snow=snow)
    ).model.runout.length_m
    low, high = RANGES[size]
    assert low <= length.p50 <= high
