"""The debrief of ten tracks of an hour at 1 Hz: reading, working out, pages. Prints a table, never fails a build.

python tests/bench/debrief.py
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[0] = str(HERE.parent)  # not this folder: a file in it has the name of a folder of the tests

from lastseen.jobs.practice.debrief import debrief  # noqa: E402
from lastseen.jobs.practice.tracks import read_tracks  # noqa: E402
from lastseen.output.results.practice import result_of_debrief  # noqa: E402
from lastseen.output.write import write_result  # noqa: E402
from practice.walks import corners_of, plan_on, recorded  # noqa: E402

TRACKS, SECONDS, AIM_S = 10, 3600, 2.0
HEAD = '<?xml version="1.0"?><gpx version="1.1" creator="bench" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'


def write_hour(plan, folder, number):
    """An hour of walking to and fro over the plan, noisy, as GPX."""
    generator = np.random.default_rng(number)
    corners = np.vstack(corners_of(plan, 1 + number % plan.searchers))
    there = np.vstack([corners, corners[::-1]])
    raw = recorded([np.vstack([there] * 8)], noise=lambda n: generator.normal(0.0, 2.0, (n, 2)))
    points = "".join(
        f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>1000</ele><time>'
        f"{datetime.fromtimestamp(int(t), UTC).strftime('%Y-%m-%dT%H:%M:%SZ')}</time></trkpt>"
        for lat, lon, t in zip(raw.lat_deg[:SECONDS], raw.lon_deg[:SECONDS], raw.time_s[:SECONDS], strict=True)
    )
    path = folder / f"s{number}.gpx"
    path.write_text(f"{HEAD}{points}</trkseg></trk></gpx>", encoding="utf-8")
    return path


def main():
    plan = plan_on(300.0, 240.0, strip=40.0, searchers=3, slope_deg=20.0)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = [write_hour(plan, folder, k) for k in range(TRACKS)]
        debrief(plan, read_tracks(paths[0]))  # kernels compiled and loaded
        begun = time.perf_counter()
        recordings = [one for path in paths for one in read_tracks(path)]
        read = time.perf_counter()
        made = debrief(plan, recordings)
        done = time.perf_counter()
        write_result(result_of_debrief(made), folder / "out")
        written = time.perf_counter()
    fixes = sum(one.lon_deg.size for one in recordings)
    print(f"{TRACKS} tracks, {fixes} fixes, outline {plan.outline.area:.0f} m2")
    for what, seconds in (("reading GPX", read - begun), ("working out", done - read), ("both", done - begun)):
        print(
            f"  {what:<24}{seconds:6.2f} s"
            + (f"   aim {AIM_S:g} s: {'met' if seconds <= AIM_S else 'missed'}" if what == "both" else "")
        )
    print(f"  pages, layers, replay   {written - done:6.2f} s for {TRACKS + 1} pages")


if __name__ == "__main__":
    main()
