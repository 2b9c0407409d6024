# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # A patrol drill, from the plan to the debrief
#
# On Mount Ysterra, an invented mountain: a plan, three hidden targets, two searchers whose watches record them, and
# what their tracks say afterwards. Planning and training aid. Dummies only; hide only on ground that no start zone in
# the model reaches (`lastseen drill sites` looks for it). In a real accident follow your training, the incident lead and
# the local rescue service; local rules come first.

# %%
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import gpxpy.gpx
import numpy as np

from lastseen.core.machine import shared_folder
from lastseen.core.place import WGS84, transformer
from lastseen.core.scenario import read_scenario
from lastseen.jobs.plan import make_plan
from lastseen.jobs.practice.debrief import debrief
from lastseen.jobs.practice.drill import find_exercise
from lastseen.jobs.practice.targets import plan_targets
from lastseen.jobs.practice.tracks import read_log, read_tracks
from lastseen.output.console import debrief_text, targets_text
from lastseen.output.read import read_planned
from lastseen.output.results.plan import result_of_plan
from lastseen.output.results.practice import result_of_debrief, result_of_targets
from lastseen.output.write import write_result

work = Path(tempfile.mkdtemp())

# %% [markdown]
# ## The plan
#
# The same as `lastseen demo bench -o plan`.

# %%
write_result(result_of_plan(make_plan(read_scenario(shared_folder("demo") / "bench.toml"))), work / "plan")
plan = read_planned(work / "plan")
print(f"{plan.name}: {plan.outline.area:.0f} m2, strips of {plan.strip_width_m:g} m, {len(plan.lanes())} lanes")

# %% [markdown]
# ## Hidden targets
#
# The same as `lastseen drill targets plan --exercise guide-style --seed 4 -o targets`. Places follow the probability of
# area, depths the published depth of the head within the limits; another seed hides them elsewhere.

# %%
hidden = plan_targets(plan, find_exercise("guide-style"), seed=4, name="guide-style")
write_result(result_of_targets(plan, hidden), work / "targets")
print(targets_text(plan, hidden, Path("targets")))

# %% [markdown]
# ## The walk
#
# Two searchers, recorded once a second with errors that change slowly, as receivers have them. The first walks the plan,
# the second turns round half-way. On a real day these files come from phones and watches.

# %%
BEGIN = datetime(2027, 1, 31, 9, 0, tzinfo=UTC)
to_degrees = transformer(plan.crs, WGS84)


def record(searcher, *, share=1.0, speed_m_s=0.9, seed=1):
    """A made-up recording of a planned walk, cut after a share of it."""
    corners = plan.walks()[searcher - 1]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.arange(0.0, share * along[-1], speed_m_s)
    xy = np.column_stack([np.interp(at, along, corners[:, k]) for k in (0, 1)])
    generator = np.random.default_rng(seed)
    drift = np.cumsum(generator.normal(0.0, 0.12, xy.shape), axis=0)
    lon, lat = to_degrees.transform(*(xy + drift - drift.mean(axis=0)).T)
    segment = gpxpy.gpx.GPXTrackSegment(
        [
            gpxpy.gpx.GPXTrackPoint(b, a, time=BEGIN + timedelta(seconds=k))
            for k, (a, b) in enumerate(zip(lon, lat, strict=True))
        ]
    )
    document = gpxpy.gpx.GPX()
    document.tracks.append(gpxpy.gpx.GPXTrack(name="drill"))
    document.tracks[0].segments.append(segment)
    path = work / f"searcher-{searcher}.gpx"
    path.write_text(document.to_xml(), encoding="utf-8")
    return path


tracks = [record(1), record(2, share=0.85, seed=2)]

# %% [markdown]
# ## Noted times
#
# The run sheet, typed in: minutes and seconds since the clock's zero.

# %%
(work / "times.csv").write_text(
    "searcher,target,phase,time\nS1,,A,0:35\nS1,T1,B,1:40\nS1,T1,C,2:10\nS1,T1,D,2:50\nS1,T1,E,3:30\n",
    encoding="utf-8",
)

# %% [markdown]
# ## The debrief
#
# The same as `lastseen debrief plan searcher-1.gpx searcher-2.gpx --targets targets --log times.csv`. Surely covered is
# what even a weak, badly pointed transmitter could not hide from, with the track off by the GPS error; perhaps is the
# rest of what could have been heard with luck.

# %%
recordings = [one for path in tracks for one in read_tracks(path)]
made = debrief(plan, recordings, log=read_log(work / "times.csv"), targets=hidden.targets)
files = write_result(result_of_debrief(made), work / "debrief")
print(debrief_text(made, Path("debrief")))

# %%
for phase in made.searchers[0].phases:
    low, high = phase.survival_percent
    print(
        f"{phase.letter} {phase.name:<14} took {phase.took_s:4.0f} s, {phase.verdict}; alive at its end {0.5 * (low + high):.0f} %"
    )
for signal in (one for searcher in made.searchers for one in searcher.signals):
    print(f"{signal.track}, {signal.target}: {signal.words}")

# %% [markdown]
# `replay.html` shows the same against the clock and opens in any browser without a network; `team.pdf` and a page for
# each searcher are for the wall and the hand.

# %%
print(*(file.name for file in files), sep="\n")
