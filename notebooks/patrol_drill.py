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
from pyproj import Transformer

import lastseen

work = Path(tempfile.mkdtemp())

# %% [markdown]
# ## The plan
#
# The same as `lastseen demo bench -o plan`.

# %%
lastseen.write(lastseen.make_plan(lastseen.read_scenario(lastseen.demo_file("bench.toml"))), work / "plan")
plan = lastseen.read_planned(work / "plan")
print(f"{plan.name}: {plan.outline.area:.0f} m2, strips of {plan.strip_width_m:g} m, {len(plan.lanes())} lanes")

# %% [markdown]
# ## Hidden targets
#
# The same as `lastseen drill targets plan --exercise guide-style --seed 4 -o targets`. Places follow the probability of
# area, depths the published depth of the head within the limits; another seed hides them elsewhere.

# %%
hidden = lastseen.hide_targets(work / "plan", "guide-style", seed=4)
lastseen.write(hidden, work / "targets", plan=work / "plan")
print(lastseen.describe(hidden, "targets", plan=work / "plan"))

# %% [markdown]
# ## The walk
#
# Two searchers, recorded once a second with errors that change slowly, as receivers have them. The first walks the plan,
# the second turns round half-way. On a real day these files come from phones and watches.

# %%
BEGIN = datetime(2027, 1, 31, 9, 0, tzinfo=UTC)
to_degrees = Transformer.from_crs(plan.crs, "EPSG:4326", always_xy=True)


def record(searcher, *, share=1.0, speed_m_s=0.9, seed=1):
    """A made-up recording of a planned walk, cut after a share of it."""
    corners = plan.walks()[0][searcher - 1]
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


tracks = [record(1), record(len(plan.walks()[0]), share=0.85, seed=2)]

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
made = lastseen.debrief(work / "plan", tracks, log=work / "times.csv", targets=work / "targets")
files = lastseen.write(made, work / "debrief")
print(lastseen.describe(made, "debrief"))

# %%
for phase in made.searchers[0].phases:
    low, high = phase.survival_percent
    print(
        f"{phase.letter} {phase.name:<14} took {phase.took_s:4.0f} s, {phase.verdict}; alive at its end {0.5 * (low + high):.0f} %"
    )
for signal in (signal for searcher in made.searchers for signal in searcher.signals):
    print(f"{signal.track}, {signal.target}: {signal.words}")

# %% [markdown]
# `replay.html` shows the same against the clock and opens in any browser without a network; `team.pdf` and a page for
# each searcher are for the wall and the hand.

# %%
print(*(file.name for file in files), sep="\n")
