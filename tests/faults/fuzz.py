"""Random changes to rasters, outlines, scenarios and tracks, for some minutes: nothing may end but as it must.

python tests/faults/fuzz.py --minutes 5 [--seed 1]

Hypothesis changes bytes of good files, cuts them off, and makes rasters of strange numbers. Each ends as a result or as
one of the errors of the family; anything else is printed with the smallest input that shows it. Not part of the tests:
what it finds becomes a case there.
"""

import argparse
import sys
import tempfile
import time
import warnings
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from pyproj import CRS

from faults import inputs, rasters
from lastseen.core.errors import LastseenError
from lastseen.core.outlines import check_drawn, read_outline
from lastseen.core.place import parse_point
from lastseen.core.scenario import read_scenario
from lastseen.jobs.practice.debrief import debrief
from lastseen.jobs.practice.tracks import read_tracks
from lastseen.terrain.elevation import open_elevation
from lastseen.terrain.elevation_report import inspect_ground
from practice.walks import plan_on

EACH = 15  # examples of a kind before the next

CHANGES = st.lists(st.tuples(st.floats(0.0, 1.0), st.integers(0, 255)), max_size=20)
KEEP = st.one_of(st.just(1.0), st.floats(0.0, 1.0))
VALUES = st.sampled_from([0.0, -9999.0, np.nan, np.inf, -np.inf, 1e38, -32768.0, 8848.0, 1500.0])
CELLS = st.sampled_from([2.0, 0.0, -2.0, 1e-9, 1e9, np.nan, 30.0])


def changed(data, changes, keep):
    """Bytes with some of them replaced, cut off at a share."""
    found = bytearray(data[: max(1, int(keep * len(data)))])
    for place, value in changes:
        found[min(len(found) - 1, int(place * len(found)))] = value
    return bytes(found)


def kinds(folder):
    """Name and a test of each kind of input."""
    z, profile = rasters.mountain()
    small = rasters.store(folder / "small.tif", z[:80, :90], profile)
    raster = small.read_bytes()
    inputs._write(folder / "good.geojson", inputs._square(60.0))
    outline = (folder / "good.geojson").read_bytes()
    track = inputs._track(inputs._stamps(60)).encode()
    scenario = (rasters.shared_folder("demo") / "bowl.toml").read_bytes()
    plan = plan_on()

    @given(CHANGES, KEEP)
    def of_raster(changes, keep):
        path = folder / "changed.tif"
        path.write_bytes(changed(raster, changes, keep))
        inspect_ground(open_elevation([path]))

    @given(st.lists(st.tuples(st.integers(0, 79), st.integers(0, 89), VALUES), max_size=30), CELLS, CELLS)
    def of_heights(cells, east, south):
        heights = z[:80, :90].copy()
        for row, col, value in cells:
            heights[row, col] = value
        t = profile["transform"]
        place = rasters.Affine(east, 0.0, t.c, 0.0, -south, t.f)
        path = rasters.store(folder / "heights.tif", heights, profile | {"transform": place})
        inspect_ground(open_elevation([path]))

    @given(CHANGES, KEEP)
    def of_outline(changes, keep):
        path = folder / "changed.geojson"
        path.write_bytes(changed(outline, changes, keep))
        check_drawn(read_outline(path, CRS("EPSG:32631"), "debris"), "debris", path.name, 2.0)

    @given(CHANGES, KEEP)
    def of_scenario(changes, keep):
        path = folder / "changed.toml"
        path.write_bytes(changed(scenario, changes, keep))
        read_scenario(path).search.day  # noqa: B018

    @given(CHANGES, KEEP)
    def of_track(changes, keep):
        path = folder / "changed.gpx"
        path.write_bytes(changed(track, changes, keep))
        debrief(plan, read_tracks(path))

    @given(st.text("0123456789., NSEW°'\"-+TUPeinf", max_size=30))
    def of_point(text):
        parse_point(text)

    return {"raster": of_raster, "heights": of_heights, "outline": of_outline, "scenario": of_scenario,
            "track": of_track, "point": of_point}  # fmt: skip


def quiet(test):
    """The test, with the errors of the family taken as a good end."""
    inner = test.hypothesis.inner_test

    def work(*given_values, **named):
        try:
            inner(*given_values, **named)
        except LastseenError:
            return

    test.hypothesis.inner_test = work
    return test


def main():
    """Run until the time is over; 1 if anything ended otherwise."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--minutes", type=float, default=5.0)
    asked.add_argument("--seed", type=int, default=1)
    options = asked.parse_args()
    until, number, bad = time.monotonic() + 60.0 * options.minutes, options.seed, 0
    counts = {}
    how = settings(max_examples=EACH, deadline=None, database=None, suppress_health_check=list(HealthCheck),
                   phases=(Phase.generate, Phase.shrink))  # fmt: skip
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder:
        tests = {name: quiet(test) for name, test in kinds(Path(folder)).items()}
        while time.monotonic() < until:
            for name, test in tests.items():
                try:
                    seed(number)(how(test))()
                except Exception as error:  # noqa: BLE001  whatever it is, it is what was looked for
                    bad += 1
                    sys.stdout.write(f"FOUND in {name}, seed {number}: {type(error).__name__}: {str(error)[:300]}\n")
                    sys.stdout.writelines(f"  {note}\n" for note in getattr(error, "__notes__", [])[:6])
                counts[name] = counts.get(name, 0) + EACH
            number += 1
    sys.stdout.write(f"tried {', '.join(f'{count} x {name}' for name, count in counts.items())}; {bad} found\n")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
