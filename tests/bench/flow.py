"""The flow: cell updates a second, against memory bandwidth and a general finite-volume package; whole plans by cell.

python tests/bench/flow.py

The package is PyClaw (PyPI: clawpack), which builds with a Fortran compiler. Where it is missing that part is left out,
and says so.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from pyproj import CRS

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from lastseen.core.grid import Grid  # noqa: E402
from lastseen.jobs.check import snow  # noqa: E402
from lastseen.snow.flow import FlowSnow, prepare_bed, simulate_flow  # noqa: E402

UTM = CRS.from_epsg(32632)
G = 9.81
CELLS_BYTES = 8 * (3 + 15 + 2 * 5 + 3)  # of one cell update: state and bed read, the next state written, read and kept


def best(work, times=3):
    """Shortest wall time of a few runs, after one warm-up, and the last result."""
    result, seen = work(), []
    for _ in range(times):
        begun = time.perf_counter()
        result = work()
        seen.append(time.perf_counter() - begun)
    return min(seen), result


def bandwidth():
    """Bytes a second that one core copies, read and written."""
    a = np.ones(40_000_000)
    b = np.empty_like(a)
    took, _ = best(lambda: np.copyto(b, a))
    return 2 * a.nbytes / took


def dam(cells, rows):
    """A wet dam break (Stoker 1957) on flat ground, 2 m over 1 m, 100 m long, after 5 s."""
    dx = 100.0 / cells
    x = (np.arange(cells) + 0.5) * dx
    return dx, x, np.tile(np.where(x < 50.0, 2.0, 1.0), (rows, 1))


def our_dam(cells, rows, seconds=5.0):
    dx, x, depth = dam(cells, rows)
    bed = prepare_bed(Grid(np.zeros((rows, cells)), 0.0, rows * dx, dx, UTM), plain=True)
    off = {"moving_share": 0.0}
    took, run = best(lambda: simulate_flow(bed, depth, FlowSnow(friction=0.0), time_limit_s=seconds, **off), 2)
    return took, run.cell_updates, run.depth_m[rows // 2], x


def claw_dam(cells, rows, seconds=5.0):
    here = Path.cwd()
    os.chdir(tempfile.gettempdir())  # it writes a log where it is imported
    from clawpack import pyclaw, riemann  # noqa: PLC0415  optional

    os.chdir(here)

    def once():
        dx, x, depth = dam(cells, rows)
        solver = pyclaw.ClawSolver2D(riemann.shallow_roe_with_efix_2D)
        solver.limiters = pyclaw.limiters.tvd.MC
        solver.dimensional_split = True
        for edge in range(2):
            solver.bc_lower[edge] = solver.bc_upper[edge] = pyclaw.BC.extrap
        domain = pyclaw.Domain([pyclaw.Dimension(0.0, 100.0, cells, name="x"),
                                pyclaw.Dimension(0.0, rows * dx, rows, name="y")])  # fmt: skip
        state = pyclaw.State(domain, 3)
        state.problem_data["grav"] = G
        state.q[0] = depth.T
        state.q[1:] = 0.0
        claw = pyclaw.Controller()
        claw.solution, claw.solver = pyclaw.Solution(state, domain), solver
        claw.tfinal, claw.num_output_times, claw.output_format, claw.verbosity = seconds, 1, None, 0
        claw.keep_copy = True
        status = claw.run()
        return status["numsteps"] * cells * rows, claw.frames[-1].q[0][:, rows // 2], x

    took, (updates, depth, x) = best(once, 2)
    return took, updates, depth, x


def error(depth, x):
    h = snow.wet_dam_break(x - 50.0, 5.0, 2.0, 1.0)[0]
    return float(np.abs(depth - h).mean() / np.abs(h).mean())


def against_pyclaw():
    """Time for each cell update, and for the same error."""
    rows, table = 200, {}
    sizes = (100, 200, 400, 800)
    for name, work in (("ours", our_dam), ("PyClaw", claw_dam)):
        try:
            found = [work(n, rows) for n in sizes]
        except ImportError:
            print("  PyClaw is not installed (pip install --group bench, needs a Fortran compiler): left out")
            return
        table[name] = [(t, u, error(h, x)) for t, u, h, x in found]
        for n, (t, u, e) in zip(sizes, table[name], strict=True):
            print(f"  {name:<7} {n:4d} x {rows} cells  {t:7.3f} s  {u / t / 1e6:6.2f} M updates/s  L1 {100 * e:.3f} %")
    per = [table["PyClaw"][i][0] / table["PyClaw"][i][1] * table["ours"][i][1] / table["ours"][i][0] for i in (2, 3)]
    # Time for the same error, per row: along the lines through the points of each in logarithms.
    ours = [np.log([one[k] for one in table["ours"]]) for k in (2, 0)]
    theirs = [np.log([one[k] for one in table["PyClaw"]]) for k in (2, 0)]
    lines = [np.polyfit(*one, 1) for one in (ours, theirs)]
    wanted = math.log(0.002)
    same = math.exp(np.polyval(lines[1], wanted) - np.polyval(lines[0], wanted))
    print(f"  ratio per cell update {per[0]:.2f} and {per[1]:.2f}; for an error of 0.2 % {same:.2f} x as long as ours")


def updates_a_second():
    """Cell updates a second on one core, as a share of what memory allows."""
    copied = bandwidth()
    n = 600
    y, x = np.mgrid[0:n, 0:n] * 2.0
    for name, bed in (
        ("plain", prepare_bed(Grid(np.zeros((n, n)), 0.0, 1200.0, 2.0, UTM), plain=True)),
        ("on a slope", prepare_bed(Grid(2000.0 - 0.5 * x - 0.2 * y + 3.0 * np.sin(x / 40.0), 0.0, 1200.0, 2.0, UTM))),
    ):
        depth = np.full((n, n), 1.0)
        off = {"moving_share": 0.0}
        took, run = best(
            lambda b=bed, d=depth, o=off: simulate_flow(
                b, d, FlowSnow(friction=0.3, turbulence_m_s2=1000.0), time_limit_s=2.0, **o
            ),
            2,
        )
        rate = run.cell_updates / took
        allowed = copied / CELLS_BYTES
        print(f"  {name:<11} {rate / 1e6:5.1f} M cell updates/s on one core; memory ({copied / 1e9:.1f} GB/s,")
        print(f"              {CELLS_BYTES} B each) allows {allowed / 1e6:.0f} M: {100 * rate / allowed:.0f} %")


def order():
    """Order of convergence on a smooth wave."""
    found = {}
    for cells in (50, 100, 200, 1600):
        x = (np.arange(cells) + 0.5) * 100.0 / cells
        flat = Grid(np.zeros((8, cells)), 0.0, 800.0 / cells, 100.0 / cells, UTM)
        depth = np.tile(1.0 + 0.2 * np.exp(-(((x - 50.0) / 8.0) ** 2)), (8, 1))
        found[cells] = simulate_flow(flat, depth, FlowSnow(friction=0.0), time_limit_s=3.0, moving_share=0).depth_m[4]
    errors = [np.abs(found[n] - found[1600].reshape(n, -1).mean(axis=1)).mean() for n in (50, 100, 200)]
    print("  order on a smooth wave  " + "  ".join(f"{math.log2(errors[i] / errors[i + 1]):.2f}" for i in range(2)))


PLAN = """
import dataclasses, json, resource, sys, time
from lastseen.jobs.plan import make_plan  # noqa: E402
from lastseen.core.scenario import read_scenario  # noqa: E402
from lastseen.core.machine import shared_folder  # noqa: E402
name, cell, times = sys.argv[1], float(sys.argv[2]), int(sys.argv[3])
asked = read_scenario(shared_folder("demo") / f"{name}.toml")
asked = dataclasses.replace(asked, snow=dataclasses.replace(asked.snow, model="flow", cell_m=cell))
took = []
for _ in range(times):
    begun = time.perf_counter()
    plan = make_plan(asked)
    took.append(time.perf_counter() - begun)
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
model = plan.model
print(json.dumps({"s": min(took), "gb": peak, "events": len(model.ensemble.members), "estimate": model.choice.time_s}))
"""


def whole_plans():
    """Plans on the demo by working cell, warm, each in a process of its own."""
    for name, cell, times in (
        ("bench", 2.0, 2),
        ("bowl", 10.0, 2),
        ("bowl", 6.0, 2),
        ("bowl", 4.0, 2),
        ("bowl", 2.0, 1),
    ):
        told = subprocess.run([sys.executable, "-c", PLAN, name, str(cell), str(times)], capture_output=True, text=True,
                              check=True, env=os.environ)  # fmt: skip
        one = json.loads(told.stdout)
        print(f"  {name:<6} {cell:4.0f} m cells  {one['s']:6.1f} s  {one['gb']:.2f} GB  {one['events']} events  "
              f"(estimate of the ensemble {one['estimate']:.0f} s)")  # fmt: skip


def linear():
    """Time against cells x steps over very different runs."""
    work, took = [], []
    for cells, seconds in ((100, 5.0), (200, 5.0), (400, 5.0), (400, 10.0), (800, 5.0), (800, 10.0)):
        t, updates, *_ = our_dam(cells, 100, seconds)
        work.append(updates)
        took.append(t)
    slope, offset = np.polyfit(work, took, 1)
    fit = np.polyval((slope, offset), work)
    r2 = 1.0 - ((took - fit) ** 2).sum() / ((took - np.mean(took)) ** 2).sum()
    print(f"  time = {1e9 * slope:.1f} ns x cells x steps + {1e3 * offset:.1f} ms, R2 = {r2:.4f}")


def main():
    """All of it."""
    for title, work in (
        ("cell updates", updates_a_second),
        ("convergence", order),
        ("time is linear in cells x steps", linear),
        ("the same dam break, general package", against_pyclaw),
        ("whole plans on the demo, two processors", whole_plans),
    ):
        print(title)
        work()


if __name__ == "__main__":
    main()
