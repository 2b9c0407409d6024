"""Compile the kernels once, before several processes of tests would all compile the same ones.

Small jobs of every room are run in two processes; where everything is compiled already, that takes some ten seconds.
"""

import os
import sys
import tempfile
import time
from contextlib import suppress
from multiprocessing import get_context
from pathlib import Path

from processes import undrawn

KERNELS = Path(__file__).resolve().parents[1] / ".pytest_cache" / "kernels"

SCENARIO = """
elevation = ["hill.tif"]
[last_seen]
at = "500432,5199779"
crs = "EPSG:32632"
[snow]
members = 8
bodies = 100
tracers = 10
model = "{model}"
[search]
searchers = 2
"""
NEAR = ("--near", "600600,5100600", "--crs", "32632")
JOBS = (
    (("plan", "--scenario", "flow.toml", "-q", "-o", "flow"),),
    (
        ("terrain", "hill.tif", "-q", "-o", "ground"),
        ("traps", "--scenario", "body.toml", "-q", "-o", "traps"),
        ("plan", "--scenario", "body.toml", "-q", "-o", "body"),
        ("preread", "hill.tif", "--area", "all", "--starts", "40", "-q", "-o", "area"),
        ("drill", "sites", "meadow.tif", *NEAR, "--within", "130", "--count", "1", "-q", "-o", "sites"),
    ),
)  # fmt: skip


def run_jobs(jobs):
    """Run commands one after another in this process. That one finds nothing is no matter: its kernels are compiled."""
    from lastseen.cli import app  # noqa: PLC0415  after the folder of the kernels is named
    from lastseen.core import NothingFoundError  # noqa: PLC0415

    for job in jobs:
        with suppress(NothingFoundError), undrawn():
            app(job, standalone_mode=False)


def main():
    """Write two grounds, and run the jobs over them."""
    began = time.monotonic()
    os.environ.setdefault("NUMBA_CACHE_DIR", str(KERNELS))
    import hills  # noqa: PLC0415
    from dem_zoo import store  # noqa: PLC0415
    from practice import site_zoo  # noqa: PLC0415

    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        hills.write(Path("hill.tif"), hills.hill_with_gully())
        store(Path("meadow.tif"), site_zoo.below_a_face(), unit="m")
        for model in ("flow", "body"):
            Path(f"{model}.toml").write_text(SCENARIO.format(model=model), encoding="utf-8")
        context = get_context("spawn")
        processes = [context.Process(target=run_jobs, args=(jobs,)) for jobs in JOBS]
        for process in processes:
            process.start()
        for process in processes:
            process.join()
        os.chdir("/")
    print(f"kernels compiled in {time.monotonic() - began:.0f} s")
    sys.exit(max(process.exitcode or 0 for process in processes))


if __name__ == "__main__":
    main()
