"""Ratios measured in one run on this machine. Prints a table, never fails a build.

python tests/bench/run.py
"""

from __future__ import annotations

import dataclasses
import resource
import sys
import time
from pathlib import Path

import numpy as np
from pyproj import CRS

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from oracles.gdal_terrain import gdal_terrain  # noqa: E402

from lastseen.grid import Grid  # noqa: E402
from lastseen.motion import Bodies, felt_ground, slide  # noqa: E402
from lastseen.plan import make_plan  # noqa: E402
from lastseen.products import write_plan  # noqa: E402
from lastseen.scenario import read_scenario  # noqa: E402
from lastseen.shared_files import shared_folder  # noqa: E402
from lastseen.terrain import read_terrain  # noqa: E402

UTM = CRS.from_epsg(32632)


def best(work, times=3):
    """Shortest wall time of a few runs, after one warm-up."""
    work()
    seen = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        seen.append(time.perf_counter() - begun)
    return min(seen)


def rough(n):
    y, x = np.mgrid[0:n, 0:n] * 5.0
    noise = np.random.default_rng(1).normal(0, 0.5, (n, n))
    return 2000.0 + 300 * np.sin(x / 700) * np.cos(y / 900) + noise


def ground_layers():
    """Slope and aspect of 16 Mpx against GDAL's routine, one thread each and all threads."""
    import os

    z = rough(4000)
    grid = Grid(z, 0.0, 20000.0, 5.0, UTM)
    os.environ["LASTSEEN_THREADS"] = "1"
    one = best(lambda: read_terrain(grid), 2)
    del os.environ["LASTSEEN_THREADS"]
    every = best(lambda: read_terrain(grid), 2)
    gdal = best(lambda: (gdal_terrain(z, 5.0, "slope"), gdal_terrain(z, 5.0, "aspect")), 1)
    print(f"slope + aspect, 16 Mpx     {one:6.2f} s one thread  {every:6.2f} s all threads  GDAL {gdal:6.2f} s")
    print(f"  ratio GDAL / ours, one thread  {gdal / one:5.1f}")


def numpy_steps(z, cell, x, y, u, v, mu, k, steps, dt):
    """The same physics in plain numpy, all bodies at once, explicit steps; for the speed of a body step only."""
    gy, gx = np.gradient(z, cell)
    gxy, gxx = np.gradient(gx, cell)
    gyy = np.gradient(gy, cell)[0]
    for _ in range(steps):
        i, j = (y / cell).astype(int), (x / cell).astype(int)
        p, q, r, s, t = gx[i, j], gy[i, j], gxx[i, j], gxy[i, j], gyy[i, j]
        w2 = 1 + p * p + q * q
        load = np.maximum(9.81 + r * u * u + 2 * s * u * v + t * v * v, 0)
        speed = np.sqrt(u * u + v * v + (p * u + q * v) ** 2) + 1e-12
        drag = mu * load / np.sqrt(w2) / speed + k * speed
        u, v = u + dt * (-p * load / w2 - drag * u), v + dt * (-q * load / w2 - drag * v)
        x, y = np.clip(x + dt * u, cell, (z.shape[1] - 2) * cell), np.clip(y + dt * v, cell, (z.shape[0] - 2) * cell)
    return x, y


def body_steps():
    """Body steps per second on one thread against plain numpy."""
    n, cell = 4000, 2.0
    x, y = np.meshgrid((np.arange(2000) + 0.5) * cell, (np.arange(300) + 0.5) * cell)
    z = np.ascontiguousarray(3000.0 - 0.55 * x + 3 * np.sin(y / 40))
    grid = Grid(z, 0.0, 600.0, cell, UTM)
    rng = np.random.default_rng(1)
    x0, y0 = rng.uniform(20, 60, n), rng.uniform(100, 500, n)
    full = [np.full(n, one) for one in (0.0, 0.0, 0.3, 0.02)]
    limit, dt = 20.0, 0.05
    ours = best(lambda: slide(grid, Bodies(x0, y0, *full), time_limit_s=limit, largest_step_cells=1e9), 2)
    steps = n * limit / dt
    numpy_s = best(lambda: numpy_steps(z, cell, x0, y0, *full, int(limit / dt), dt), 1)
    print(f"body steps per second      {steps / ours / 1e6:6.1f} million (second order, spline surface, tracks kept)")
    print(f"  plain numpy              {steps / numpy_s / 1e6:6.1f} million (first order, nearest cell)")
    print(f"  ratio                    {numpy_s / ours:6.1f}")


def whole_plan():
    """A plan on the demo, and how it grows with the window."""
    scenario = read_scenario(shared_folder("demo") / "bowl.toml")
    target = Path("/tmp") / "lastseen-bench-plan"
    plan_s = best(lambda: make_plan(scenario), 2)
    plan = make_plan(scenario)
    write_s = best(lambda: write_plan(plan, target, overwrite=True), 1)
    print(f"plan on the demo (size 3)  {plan_s:6.2f} s worked out, {write_s:6.2f} s written")
    import lastseen.plan as story

    usual = dict(story.HALF_WINDOW_M)
    small = dataclasses.replace(scenario, snow=dataclasses.replace(scenario.snow, size=1))
    for half in (250.0, 500.0, 1000.0):
        story.HALF_WINDOW_M.update(dict.fromkeys(usual, half))
        took, size = best(lambda: make_plan(small), 2), make_plan(small).terrain.elevation.shape
        print(f"  size 1, window {size[1]:5d} x {size[0]:5d} cells  {took:6.2f} s")
    story.HALF_WINDOW_M.update(usual)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"peak memory of this bench  {peak:6.2f} GB (16 Mpx ground layers included)")
    felt_ground(plan.terrain.elevation)


if __name__ == "__main__":
    whole_plan()
    body_steps()
    ground_layers()
