"""Reading areas and lines: sample steps, cost against cells, workers, lines. Prints tables, never fails a build.

python tests/bench/preread.py [--quick] [samples] [steps] [area] [workers] [line]
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from numba import njit
from pyproj import CRS
from shapely.geometry import LineString

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

import hills  # noqa: E402
from lastseen.core.grid import Grid  # noqa: E402
from lastseen.core.machine import shared_folder  # noqa: E402
from lastseen.core.scenario import Scenario  # noqa: E402
from lastseen.jobs.reading.area import view_area  # noqa: E402
from lastseen.jobs.reading.block_reading import read_area  # noqa: E402
from lastseen.jobs.reading.block_run import LARGEST_STEP_CELLS, LARGEST_STEP_S, LEAST_STEP_M  # noqa: E402
from lastseen.jobs.reading.ground import heights_of_grid, heights_of_model  # noqa: E402
from lastseen.jobs.reading.line import read_line  # noqa: E402
from lastseen.snow.sliding_mass import Samples, slide_samples, smooth_for_snow  # noqa: E402
from lastseen.terrain.elevation import open_elevation  # noqa: E402
from lastseen.terrain.surface import read_terrain  # noqa: E402

UTM = CRS.from_epsg(32632)
FLOPS_OF_STEP = 330  # counted in the kernel: weights (80), sums over 16 heights (130), motion and step (120)


@njit(cache=True)
def _multiply_add(a, n):
    """Independent chains of multiplications and additions, as many as the processor can have under way."""
    x0, x1, x2, x3, x4, x5, x6, x7 = a, a, a, a, a, a, a, a
    for _ in range(n):
        x0, x1, x2, x3 = x0 * a + 0.1, x1 * a + 0.2, x2 * a + 0.3, x3 * a + 0.4
        x4, x5, x6, x7 = x4 * a + 0.5, x5 * a + 0.6, x6 * a + 0.7, x7 * a + 0.8
    return x0 + x1 + x2 + x3 + x4 + x5 + x6 + x7


def mountains(km, cell_m):
    """Made mountains: waves of 1.3 and 2.1 km with ribs, about a fifth of the ground between 28 and 55 degrees."""
    n = round(1000.0 * km / cell_m)
    y, x = np.mgrid[0:n, 0:n] * cell_m
    z = 1800.0 + 260.0 * np.sin(x / 410.0) * np.cos(y / 333.0) + 40.0 * np.sin((x + 2.0 * y) / 130.0)
    return Grid(z + 4.0 * np.sin(x / 37.0) * np.sin(y / 41.0), 500_000.0, 5_200_000.0, cell_m, UTM)


def body_steps():
    """Steps of single samples on one core against the processor's own rate of scalar arithmetic."""
    ground = mountains(2.0, 5.0)
    rng = np.random.default_rng(1)
    n = 4000
    x, y = 500_300.0 + 1400.0 * rng.random(n), 5_199_700.0 - 1400.0 * rng.random(n)
    rest = np.zeros(n)
    samples = Samples(
        x_m=x,
        y_m=y,
        east_m_s=rest,
        north_m_s=rest,
        friction=rng.uniform(0.25, 0.45, n),
        drag_per_m=np.full(n, 9.81 / 450.0),
    )
    more = {"largest_step_s": LARGEST_STEP_S, "largest_step_cells": LARGEST_STEP_CELLS}
    tracks = slide_samples(ground, samples, **more)
    begun = time.process_time()
    tracks = slide_samples(ground, samples, **more)
    taken = time.process_time() - begun
    # The two bounds of a step give the least number of steps; those that start or end a way are shorter.
    steps = float(np.maximum(tracks.time_s / LARGEST_STEP_S, tracks.path_m / ground.cell_m).sum())
    _multiply_add(0.5, 1000)
    begun = time.process_time()
    _multiply_add(0.5, 20_000_000)
    flops = 16.0 * 20_000_000 / (time.process_time() - begun)
    print(
        f"body steps: at least {steps / taken / 1e6:.2f} million a second on one core, {n / taken:.0f} bodies a second;"
    )
    bound = flops / FLOPS_OF_STEP
    print(f"  bound: {flops / 1e9:.2f} thousand million scalar operations a second / {FLOPS_OF_STEP} a step")
    print(f"  = {bound / 1e6:.2f} million steps a second; share {100 * steps / taken / bound:.0f} %")


def steps():
    """How far long steps move places of rest, and which cells they miss, against steps a tenth as long."""
    demo = heights_of_model(open_elevation((shared_folder("demo") / "ysterra.tif",)))
    grounds = {
        "made, 10 m": mountains(3.0, 10.0),
        "made, 5 m": mountains(2.0, 5.0),
        "demo, 2 m": demo.grid(demo.extent),
    }
    for name, bare in grounds.items():
        ground = smooth_for_snow(bare)
        slope = read_terrain(ground).slope_deg.values
        rng = np.random.default_rng(1)
        rows, cols = np.nonzero((slope > 28.0) & (slope < 55.0))
        some = rng.choice(rows.size, 3000)
        x, y = ground.centre_of(rows[some], cols[some])
        rest = np.zeros(some.size)
        samples = Samples(
            x_m=x,
            y_m=y,
            east_m_s=rest,
            north_m_s=rest,
            friction=rng.uniform(0.25, 0.45, some.size),
            drag_per_m=np.full(some.size, 9.81 / 450.0),
        )
        step_cells = max(LARGEST_STEP_CELLS, LEAST_STEP_M / ground.cell_m)
        long, short = (
            slide_samples(ground, samples, largest_step_s=share * LARGEST_STEP_S, largest_step_cells=share * step_cells)
            for share in (1.0, 0.1)
        )
        entered = [np.bincount(one.cells, minlength=ground.values.size) > 0 for one in (long, short)]
        both = (long.reason == 0) & (short.reason == 0)
        off = np.hypot(long.x_m - short.x_m, long.y_m - short.y_m)[both] / ground.cell_m
        missed, added = (entered[1] & ~entered[0]).sum(), (entered[0] & ~entered[1]).sum()
        moved = f"{np.median(off):.3f} of a cell in the middle, {np.quantile(off, 0.99):.2f} at 99 %"
        print(f"  {name}: places of rest move by {moved}; "
              f"cells missed {missed / entered[1].sum():.2%}, added {added / entered[1].sum():.2%}")  # fmt: skip


def cost(cells_m, sides_km):
    """Seconds of processor for areas of several sizes on one thread, and the line through them."""
    os.environ["LASTSEEN_THREADS"] = "1"
    for cell_m in cells_m:
        rows = []
        for km in sides_km[cell_m]:
            ground = mountains(km, cell_m)
            begun, wall = time.process_time(), time.perf_counter()
            area = read_area(ground)
            rows.append((km * km, time.process_time() - begun, time.perf_counter() - wall, area.samples))
            starts = area.samples / area.draws.count
            print(f"  {cell_m:4.0f} m, {km * km:5.2f} km2: {rows[-1][1]:7.1f} s of one core, {rows[-1][3]:9d} bodies, "
                  f"{1e6 * rows[-1][1] / max(1, area.samples):4.0f} us each, {starts / km**2:6.0f} starts a km2, "
                  f"{rows[-1][1] / km**2:5.2f} s a km2")  # fmt: skip
        size, taken = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
        if len(rows) > 2:
            slope, first = np.polyfit(size, taken, 1)
            left = taken - (slope * size + first)
            power = np.polyfit(np.log(size[1:]), np.log(taken[1:]), 1)[0]
            print(f"  {cell_m:.0f} m: {slope:.2f} s a km2 + {first:.1f} s, R2 {1 - left.var() / taken.var():.4f}")
            print(f"  exponent of time against area {power:.2f}")
    del os.environ["LASTSEEN_THREADS"]


def workers(km, cell_m):
    """One worker and two, tiles of 2 km, the same question."""
    with tempfile.TemporaryDirectory() as folder:
        ground = mountains(km, cell_m)
        path = hills.write(Path(folder) / "ground.tif", ground.values, ground.west_m, ground.north_m, cell_m)
        taken = []
        for count in (1, 2):
            begun = time.perf_counter()
            view = view_area(Scenario(elevation=(path,)), Path(folder) / f"out{count}", tile_km=2.0, workers=count)
            taken.append(time.perf_counter() - begun)
            size = sum(one.stat().st_size for one in view.kept.folder.iterdir())
            tiles = f"{len(view.squares)} tiles, {size / 1e6 / km**2:.2f} MB of them a km2"
            print(f"  {count} workers: {taken[-1]:.1f} s for {km * km:.0f} km2 at {cell_m:.0f} m, {tiles}")
        print(f"  two workers {taken[0] / taken[1]:.2f} x one (starting them included)")


def line():
    """The line of the demo, ground read and prepared."""
    heights = heights_of_model(open_elevation((shared_folder("demo") / "ysterra.tif",)))
    way = LineString([(561180, 7300980), (561235, 7300850), (561120, 7300700), (560980, 7300560)])
    for _ in range(2):
        begun = time.perf_counter()
        reading = read_line(heights, [way])
        print(f"  line of {reading.route.length_m:.0f} m on the demo: {time.perf_counter() - begun:.1f} s, "
              f"{reading.passing.samples} bodies, one start every {reading.passing.spacing_m:.0f} m")  # fmt: skip


def main():
    """All of it, or the parts named; ``--quick`` leaves out what takes minutes."""
    quick = "--quick" in sys.argv
    parts = [one for one in sys.argv[1:] if one != "--quick"] or ["bodies", "steps", "area", "workers", "line"]
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    read_area(mountains(1.0, 10.0))
    read_line(heights_of_grid(mountains(1.0, 10.0)), [LineString([(500_200, 5_199_500), (500_700, 5_199_400)])])
    if "bodies" in parts:
        body_steps()
    if "steps" in parts:
        print("long steps:")
        steps()
    if "area" in parts:
        print("area, one thread:")
        sides_km = {10.0: (1, 2, 4, 8), 5.0: (1, 2, 4), 2.0: (0.5, 1, 2)}
        cost(tuple(sides_km), {cell: sides[: 2 if quick else None] for cell, sides in sides_km.items()})
    if "workers" in parts:
        print("workers:")
        workers(4.0 if quick else 8.0, 10.0)
    if "line" in parts:
        print("line:")
        line()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"memory of this process at most {peak:.2f} GB")


if __name__ == "__main__":
    main()
