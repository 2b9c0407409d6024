"""Ratios measured in one run on this machine. Prints a table, never fails a build.

python tests/bench/run.py
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import rasterio.shutil
from pyproj import CRS

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

import hills  # noqa: E402
import lastseen.jobs.snow_simulation as story  # noqa: E402
from lastseen.core.grid import Grid  # noqa: E402
from lastseen.core.machine import shared_folder  # noqa: E402
from lastseen.core.scenario import LastSeen, Scenario, read_scenario  # noqa: E402
from lastseen.jobs.plan import make_plan  # noqa: E402
from lastseen.output.results.plan import result_of_plan  # noqa: E402
from lastseen.output.write import write_result  # noqa: E402
from lastseen.snow.sliding_mass import Samples, slide_samples  # noqa: E402
from lastseen.terrain.surface import read_terrain  # noqa: E402
from oracles import gdal_terrain  # noqa: E402

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
    """Slope and aspect of 16 Mpx against GDAL's routine; what GDAL spends on its files is measured and taken off."""
    z = rough(4000)
    grid = Grid(z, 0.0, 20000.0, 5.0, UTM)
    os.environ["LASTSEEN_THREADS"] = "1"
    one = best(lambda: read_terrain(grid), 2)
    del os.environ["LASTSEEN_THREADS"]
    every = best(lambda: read_terrain(grid), 2)
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder) / "z.tif", Path(folder) / "out.tif"
        options = {"height": 4000, "width": 4000, "count": 1, "dtype": "float32", "crs": "EPSG:32632"}
        with rasterio.open(source, "w", driver="GTiff", transform=grid.transform, **options) as file:
            file.write(z.astype(np.float32), 1)
        gdal = sum(best(lambda k=k: gdal_terrain._process(source, target, k, []), 1) for k in ("slope", "aspect"))
        files = 2 * best(lambda: rasterio.shutil.copy(source, target, driver="GTiff"), 1)
    print(f"slope + aspect, 16 Mpx     {one:6.2f} s one thread  {every:6.2f} s all threads")
    print(f"  GDAL, one thread         {gdal:6.2f} s, of which files {files:.2f} s")
    print(f"  ratio GDAL / ours, one thread  {gdal / one:5.2f} with its files  {(gdal - files) / one:5.2f} without")


def spline(z, cell, x, y):
    """The kernel's cubic B-spline surface in plain numpy: gradient and second derivatives at many points."""
    u, v = x / cell - 0.5, y / cell - 0.5
    j, i = np.floor(u).astype(int), np.floor(v).astype(int)

    def basis(f):
        g = 1 - f
        b = (g**3 / 6, (3 * f**3 - 6 * f**2 + 4) / 6, (3 * g**3 - 6 * g**2 + 4) / 6, f**3 / 6)
        return b, (-g * g / 2, 1.5 * f * f - 2 * f, -1.5 * g * g + 2 * g, f * f / 2), (g, 3 * f - 2, 3 * g - 2, f)

    bx, by = basis(u - j), basis(v - i)
    out = [np.zeros_like(x) for _ in range(5)]
    for a in range(4):
        for c in range(4):
            value = z[i - 1 + a, j - 1 + c]
            for k, (ex, ey) in enumerate(((1, 0), (0, 1), (2, 0), (1, 1), (0, 2))):
                out[k] += bx[ex][c] * by[ey][a] * value
    return out[0] / cell, out[1] / cell, out[2] / cell**2, out[3] / cell**2, out[4] / cell**2


def numpy_steps(z, cell, x, y, u, v, mu, k, steps, dt):
    """The same physics, surface and time scheme in plain numpy, all bodies at once."""

    def push(x, y, u, v):
        p, q, r, s, t = spline(z, cell, x, y)
        w2 = 1 + p * p + q * q
        load = np.maximum(9.81 + r * u * u + 2 * s * u * v + t * v * v, 0)
        speed = np.sqrt(u * u + v * v + (p * u + q * v) ** 2) + 1e-12
        drag = mu * load / np.sqrt(w2) / speed + k * speed
        return -p * load / w2 - drag * u, -q * load / w2 - drag * v

    for _ in range(steps):
        ax, ay = push(x, y, u, v)
        u1, v1 = u + dt * ax, v + dt * ay
        bx, by = push(x + dt * u, y + dt * v, u1, v1)
        x, y = x + dt * 0.5 * (u + u1), y + dt * 0.5 * (v + v1)
        u, v = u + dt * 0.5 * (ax + bx), v + dt * 0.5 * (ay + by)
    return x, y


def body_steps():
    """Body steps per second on one thread against plain numpy."""
    n, cell = 4000, 2.0
    x, y = np.meshgrid((np.arange(2000) + 0.5) * cell, (np.arange(300) + 0.5) * cell)
    z = np.ascontiguousarray(3000.0 - 0.55 * x + 3 * np.sin(y / 40))
    grid = Grid(z, 0.0, 600.0, cell, UTM)
    rng = np.random.default_rng(1)
    x0, y0 = rng.uniform(20, 60, n), rng.uniform(100, 500, n)
    full = [np.full(n, one) for one in (5.0, 0.0, 0.3, 0.02)]
    limit, dt = 20.0, 0.05
    ours = best(
        lambda: slide_samples(
            grid,
            Samples(
                x_m=x0, y_m=y0, **dict(zip(("east_m_s", "north_m_s", "friction", "drag_per_m"), full, strict=True))
            ),
            time_limit_s=limit,
            largest_step_cells=1e9,
        ),
        2,
    )
    steps = n * limit / dt
    numpy_s = best(lambda: numpy_steps(z, cell, x0, y0, *full, int(limit / dt), dt), 1)
    print(f"body steps per second      {steps / ours / 1e6:6.1f} million on one thread, tracks kept")
    print(f"  plain numpy              {steps / numpy_s / 1e6:6.1f} million, same surface and scheme, no tracks")
    print(f"  ratio                    {numpy_s / ours:6.1f}")


def whole_plan():
    """A plan on the demo, and how it grows with the window."""
    scenario = read_scenario(shared_folder("demo") / "bowl.toml")
    target = Path(tempfile.mkdtemp()) / "plan"
    plan_s = best(lambda: make_plan(scenario), 2)
    plan = make_plan(scenario)
    write_s = best(lambda: write_result(result_of_plan(plan), target, overwrite=True), 1)
    print(f"plan on the demo (size 3)  {plan_s:6.2f} s worked out, {write_s:6.2f} s written")
    with tempfile.TemporaryDirectory() as folder:
        x, y = np.meshgrid(np.arange(2500) * 2.0, np.arange(2500) * 2.0)
        z = 1500.0 + 330.0 * np.exp(-((np.maximum(y - 2000.0, 0.0) / 430.0) ** 1.6)) + 0.0009 * (x - 2500.0) ** 2
        path = hills.write(Path(folder) / "hill.tif", z, cell_m=2.0)
        at = LastSeen(at=f"{hills.WEST_M + 2501},{hills.NORTH_M - 2201}", crs="EPSG:32632")
        usual = dict(story.HALF_WINDOW_M)
        first = None
        for half in (600.0, 1200.0, 2400.0):
            story.HALF_WINDOW_M.update(dict.fromkeys(usual, half))
            question = Scenario(elevation=(path,), last_seen=at)
            took, size = best(lambda q=question: make_plan(q), 1), make_plan(question).terrain.elevation.shape
            first = first or took
            print(f"  size 2, window {size[1]:5d} x {size[0]:5d} cells  {took:6.2f} s  ({took / first:4.1f} x)")
        story.HALF_WINDOW_M.update(usual)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"peak memory of this bench  {peak:6.2f} GB (16 Mpx ground layers included)")


if __name__ == "__main__":
    whole_plan()
    body_steps()
    ground_layers()
