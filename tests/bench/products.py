"""What each product of the demo costs: time, memory, and the share of a plan. Prints a table, never fails a build.

python tests/bench/products.py [bench|bowl]
"""

from __future__ import annotations

import resource
import shutil
import sys
import tempfile
import time
from pathlib import Path

from lastseen.core.machine import shared_folder
from lastseen.core.scenario import read_scenario
from lastseen.jobs.plan import make_plan
from lastseen.output.formats import FORMATS
from lastseen.output.read import read_result
from lastseen.output.results.plan import result_of_plan
from lastseen.output.write import add_formats, write_result

AIM_S, AIM_SHARE, AIM_GB = 8.0, 0.30, 1.0


def timed(work):
    """What it gives and its wall time."""
    begun = time.perf_counter()
    found = work()
    return found, time.perf_counter() - begun


def warm(work, times=2):
    """Shortest wall time after one warm-up."""
    work()
    return min(timed(work)[1] for _ in range(times))


def row(what, seconds, size=None):
    told = f"{size / 1000:10,.0f} kB" if size is not None else ""
    print(f"{what:<34}{seconds:8.2f} s{told}")


def size_of(folder):
    return sum(one.stat().st_size for one in folder.iterdir())


def write_alone(name, folder, result):
    """One format or product into an empty folder."""
    shutil.rmtree(folder, ignore_errors=True)
    add_formats(result, [name], folder)


def main(which):
    scenario = read_scenario(shared_folder("demo") / f"{which}.toml")
    make_plan(scenario)  # kernels are compiled, files are in memory
    plan, planning = timed(lambda: make_plan(scenario))
    before_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    folder = Path(tempfile.mkdtemp())
    result = result_of_plan(plan)
    print(f"Products of the demo {which}, warm\n")
    row("what a plan contains", warm(lambda: result_of_plan(plan)))
    for name in (*FORMATS, *result.products):
        part = folder / name
        seconds = warm(lambda name=name, part=part: write_alone(name, part, result))
        row(f"{name}{'' if name in result.default else ' (only when asked for)'}", seconds, size_of(part))
    writing = warm(lambda: write_result(result_of_plan(plan), folder / "plan", overwrite=True))
    row("read the folder back", warm(lambda: read_result(folder / "plan")))
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print()
    row("the plan without writing", planning)
    row(f"all in one go (aim {AIM_S:g} s)", writing, size_of(folder / "plan"))
    share = writing / (planning + writing)
    print(f"{'share of planning and writing':<34}{100 * share:8.0f} %   (aim {100 * AIM_SHARE:.0f} %)")
    print(f"{'peak memory, plan / with writing':<34}{before_gb:8.2f} GB / {peak_gb:.2f} GB   (aim {AIM_GB:g} GB)")
    shutil.rmtree(folder)


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "bench")
