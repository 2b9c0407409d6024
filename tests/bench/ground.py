"""The terrain room beside the fastest independent library for each layer, in one run. Never fails a build.

python tests/bench/ground.py [largest side in cells, 10000 if not given] [command] [libraries] [growth]

Each measurement is a process of its own, so that its peak memory is its own: what it takes above the imported libraries
and the ground. Libraries that are not installed (`make oracles`) are named as missing.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS
from scipy import ndimage, signal

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from lastseen.core.grid import Grid  # noqa: E402
from lastseen.output.formats.cog import write_cog  # noqa: E402
from lastseen.output.result import Raster  # noqa: E402
from lastseen.terrain.drainage import FilledGround, accumulation_m2, facet_direction_deg, fill_hollows, find_drainage  # noqa: E402
from lastseen.terrain.neighbourhood import (  # noqa: E402  # noqa: E402
    BROAD,
    FINE,
    cliff_drop_m,
    openness,
    relative_position_m,
    ruggedness,
    slope_breaks,
)
from lastseen.terrain.surface import curvature, read_terrain  # noqa: E402
from oracles import gdal_terrain  # noqa: E402
from oracles import ground_libraries as libraries  # noqa: E402

SIDE, CELL_M = 4000, 5.0  # 16 Mpx


def fractal(n):
    """Ground with relief at all scales and hollows: noise with a falling spectrum, 300 m of standard deviation."""
    rng = np.random.default_rng(2)
    side = min(n, 2048)
    waves = np.fft.rfft2(rng.normal(0.0, 1.0, (side, side)))
    k = np.hypot(np.fft.rfftfreq(side)[None, :], np.fft.fftfreq(side)[:, None])
    k[0, 0] = 1.0
    tile = np.fft.irfft2(waves * k**-1.9, s=(side, side))
    tile *= 300.0 / tile.std()
    times = -(-n // side)
    z = np.empty((n, n))
    for i in range(times):  # tiles fit at their seams; a tilt keeps them from being the same ground
        for j in range(times):
            part = z[i * side : (i + 1) * side, j * side : (j + 1) * side]
            part[:] = tile[: part.shape[0], : part.shape[1]]
    z += 2000.0 + 0.02 * CELL_M * np.arange(n)[:, None] + 0.013 * CELL_M * np.arange(n)[None, :]
    return z


def falling(z):
    """The ground without flats, by richdem where it is there."""
    if libraries.load("richdem") is None:
        return z
    array = libraries.richdem_array(z, CELL_M)
    return np.asarray(libraries.load("richdem").fill_depressions(array, epsilon=True), float)


def ours(z):
    """What is measured of lastseen: name -> (prepare, work)."""
    grid = Grid(z, 0.0, z.shape[0] * CELL_M, CELL_M, CRS.from_epsg(32632))
    return {
        "slope + aspect": (None, lambda _: read_terrain(grid)),
        "curvatures (3)": (None, lambda _: curvature(grid)),
        "ruggedness 3 x 3": (None, lambda _: ruggedness(grid)),
        "position 10-40 m": (None, lambda _: relative_position_m(grid, FINE)),
        "position 50-150 m": (None, lambda _: relative_position_m(grid, BROAD)),
        "openness 50 m": (None, lambda _: openness(grid)),
        "slope change": (None, lambda _: slope_breaks(grid)),
        "cliff drop": (None, lambda _: cliff_drop_m(grid)),
        "fill": (None, lambda _: fill_hollows(grid)),
        "D8 ways": (lambda: fill_hollows(grid), find_drainage),
        "D8 ways, no flats": (lambda: FilledGround(ground=grid, surface=grid.with_values(falling(z))), find_drainage),
        "D-infinity azimuth": (lambda: find_drainage(grid), facet_direction_deg),
        "area D8": (lambda: fill_hollows(grid), lambda filled: accumulation_m2(find_drainage(filled), "D8")),
        "area D-infinity": (
            lambda: fill_hollows(grid),
            lambda filled: accumulation_m2(find_drainage(filled), "D-infinity"),
        ),
        "area multiple 1.1": (
            lambda: fill_hollows(grid),
            lambda filled: accumulation_m2(find_drainage(filled), "multiple"),
        ),
        "fill to area D8": (None, lambda _: accumulation_m2(find_drainage(grid), "D8")),
    }


def theirs(z, folder):
    """What is measured of other libraries: (layer, library) -> (prepare, work)."""
    have = {name: libraries.load(name) is not None for name in ("richdem", "topotoolbox", "xrspatial", "pysheds.grid")}
    found = {}
    if gdal_terrain.LIBRARY is not None:
        source, target = Path(folder) / "z.tif", Path(folder) / "out.tif"
        options = {"height": z.shape[0], "width": z.shape[1], "count": 1, "dtype": "float32", "crs": "EPSG:32632"}

        def store():
            with rasterio.open(source, "w", driver="GTiff", transform=Affine(5.0, 0, 0, 0, -5.0, 0), **options) as file:
                file.write(z.astype(np.float32), 1)

        def gdal(_):
            for kind in ("slope", "aspect"):
                gdal_terrain._process(source, target, kind, [])

        found["slope + aspect", "GDAL, with its files"] = (store, gdal)
    if have["richdem"]:
        rd = libraries.load("richdem")
        array = libraries.richdem_array(z, CELL_M)

        def layers(*names):
            return lambda _: [rd.terrain_attribute(array, name) for name in names]

        def without_flats():
            return rd.fill_depressions(array, epsilon=True)

        found["slope + aspect", "richdem"] = (None, layers("slope_degrees", "aspect"))
        found["curvatures (3)", "richdem (2 of them)"] = (None, layers("profile_curvature", "planform_curvature"))
        found["fill", "richdem"] = (None, lambda _: rd.fill_depressions(array, epsilon=False))
        for name, method, exponent in (
            ("D8", "D8", None),
            ("D-infinity", "Dinf", None),
            ("multiple 1.1", "Freeman", 1.1),
        ):
            found[f"area {name}", "richdem"] = (
                without_flats,
                lambda ground, m=method, e=exponent: rd.flow_accumulation(ground, method=m, exponent=e),
            )
        found["D-infinity azimuth", "richdem"] = (
            without_flats,
            lambda ground: rd.flow_proportions(ground, method="Dinf"),
        )
        found["D8 ways, no flats", "richdem"] = (without_flats, lambda ground: rd.flow_proportions(ground, method="D8"))
        found["D8 ways", "richdem, with its flats"] = (
            lambda: rd.fill_depressions(array, epsilon=False),
            lambda ground: rd.flow_proportions(rd.resolve_flats(ground), method="D8"),
        )
        found["fill to area D8", "richdem"] = (None, lambda _: rd.flow_accumulation(without_flats(), method="D8"))
    if have["topotoolbox"]:
        tt = libraries.load("topotoolbox")
        grid = libraries.topotoolbox_grid(z, CELL_M)
        found["fill", "topotoolbox (float32)"] = (None, lambda _: grid.fillsinks())
        found["curvatures (3)", "topotoolbox (float32)"] = (
            None,
            lambda _: [grid.curvature(kind) for kind in ("profc", "tangc", "planc")],
        )
        found["fill to area D8", "topotoolbox"] = (None, lambda _: tt.FlowObject(grid).flow_accumulation())
    if have["xrspatial"]:
        xs = libraries.load("xrspatial")
        raster = libraries.xarray_grid(z, CELL_M)
        found["slope + aspect", "xarray-spatial (float32)"] = (None, lambda _: (xs.slope(raster), xs.aspect(raster)))
    if have["pysheds.grid"]:
        found["area D-infinity", "pysheds"] = (
            lambda: falling(z),
            lambda ground: libraries.pysheds_flow(ground, CELL_M, "dinf"),
        )

    def ring(inner, outer):
        cols = np.arange(-int(outer // CELL_M), int(outer // CELL_M) + 1)
        far = np.hypot(cols[:, None], cols[None, :]) * CELL_M
        kernel = ((far >= inner) & (far <= outer)).astype(float)
        return kernel / kernel.sum()

    for name, inner, outer in (("position 10-40 m", 10.0, 40.0), ("position 50-150 m", 50.0, 150.0)):
        found[name, "scipy oaconvolve"] = (
            None,
            lambda _, a=inner, b=outer: z - signal.oaconvolve(z, ring(a, b), mode="same"),
        )

    def boxes(_):
        terrain = read_terrain(Grid(z, 0.0, 0.0, CELL_M, CRS.from_epsg(32632)))
        s, a = np.radians(terrain.slope_deg.values), np.radians(terrain.aspect_deg.values)
        parts = (np.sin(s) * np.sin(a), np.sin(s) * np.cos(a), np.cos(s))
        return 1.0 - np.sqrt(sum(ndimage.uniform_filter(np.nan_to_num(part), 3) ** 2 for part in parts))

    found["ruggedness 3 x 3", "numpy + scipy box filter"] = (None, boxes)

    def sights(_):
        up, down = np.zeros(z.shape), np.zeros(z.shape)
        for di, dj in ((-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)):
            step = CELL_M * np.hypot(di, dj)
            high, low = np.full(z.shape, -np.inf), np.full(z.shape, np.inf)
            for k in range(1, int(50.0 / step) + 1):
                rise = (np.roll(z, (-k * di, -k * dj), (0, 1)) - z) / (k * step)
                np.maximum(high, rise, out=high)
                np.minimum(low, rise, out=low)
            up += 90.0 - np.degrees(np.arctan(high))
            down += 90.0 + np.degrees(np.arctan(low))
        return up / 8.0, down / 8.0

    found["openness 50 m", "plain numpy (no library has it)"] = (None, sights)
    return found


def memory_gb(what):
    """Peak (VmHWM) or present (VmRSS) memory of this process where the system tells, else NaN."""
    try:
        lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    except OSError:
        return float("nan")
    return next((int(line.split()[1]) / 1e6 for line in lines if line.startswith(what)), float("nan"))


def forget_peak():
    """Let the peak begin again from what is held now."""
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def measure(who, layer, library, n, times):
    """One measurement, in this process: shortest time and peak memory above what stood before."""
    warnings.simplefilter("ignore")
    z = fractal(n)
    with tempfile.TemporaryDirectory() as folder:
        prepare, work = ours(z)[layer] if who == "ours" else theirs(z, folder)[layer, library]
        if who == "ours":  # compile on a small ground first
            small = ours(fractal(300))[layer]
            small[1](small[0]() if small[0] else None)
        given = prepare() if prepare else None
        seen = []
        work(given)
        forget_peak()
        before = memory_gb("VmRSS")
        for _ in range(times):
            begun = time.perf_counter()
            work(given)
            seen.append(time.perf_counter() - begun)
    return {"s": min(seen), "gb": memory_gb("VmHWM") - before}


def ask(who, layer, library, n, times=3):
    """The same in a process of its own; None where it fails."""
    words = [sys.executable, str(Path(__file__).resolve()), "--one", who, layer, library, str(n), str(times)]
    done = subprocess.run(words, capture_output=True, text=True, errors="replace", check=False)
    lines = [line for line in done.stdout.splitlines() if line.startswith("{")]
    return json.loads(lines[-1]) if done.returncode == 0 and lines else None


def beside_libraries():
    """The table at 16 Mpx."""
    print(f"{SIDE * SIDE / 1e6:.0f} Mpx, {len(os.sched_getaffinity(0))} cores; memory above the ground itself")
    print(f"{'layer':<20} {'s':>6} {'GB':>5}   {'library':<34} {'s':>6} {'GB':>5}   ratio of time, memory")
    with tempfile.TemporaryDirectory() as folder:
        rivals = list(theirs(np.zeros((8, 8)), folder))
    for layer in ours(np.zeros((8, 8))):
        mine = ask("ours", layer, "-", SIDE)
        if mine is None:
            print(f"{layer:<20} failed")
            continue
        others = {lib: ask("theirs", layer, lib, SIDE, 2) for name, lib in rivals if name == layer}
        head = f"{layer:<20} {mine['s']:6.2f} {mine['gb']:5.2f}"
        if not others:
            print(f"{head}   none found", flush=True)
        for lib, one in sorted(others.items(), key=lambda pair: pair[1]["s"] if pair[1] else 1e9):
            tail = "failed" if one is None else f"{one['s']:6.2f} {one['gb']:5.2f}   {one['s'] / mine['s']:5.1f} x"
            memory = f" {one['gb'] / mine['gb']:5.1f} x" if one and one["gb"] > 0 and mine["gb"] > 0 else ""
            print(f"{head}   {lib:<34} {tail}{memory}", flush=True)
            head = " " * len(head)


def growth(largest):
    """Cost of a cell from 1 Mpx up."""
    sides = [side for side in (1000, 2000, 4000, 10000) if side <= largest]
    print(f"\nnanoseconds a cell   {'  '.join(f'{side * side / 1e6:5.0f} Mpx' for side in sides)}")
    for layer in ours(np.zeros((8, 8))):
        found = [ask("ours", layer, "-", side, 2) for side in sides]
        cells = [
            f"{one['s'] / side**2 * 1e9:9.1f}" if one else "   failed" for one, side in zip(found, sides, strict=True)
        ]
        print(f"{layer:<20} {'  '.join(cells)}", flush=True)


def whole_command(side):
    """All layers of a large model by the command, with its peak memory."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ground.tif"
        grid = Grid(fractal(side), 500_000.0, 5_200_000.0, CELL_M, CRS.from_epsg(32632))
        write_cog(path, Raster(bands=(grid,), descriptions=("heights",), units=("m",)))
        words = [sys.executable, "-c", "from lastseen.cli import main; main()", "terrain", str(path), "-q", "-o"]
        begun = time.perf_counter()
        done = subprocess.run([*words, str(Path(folder) / "layers")], check=False)
        took = time.perf_counter() - begun
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e6
        files = list((Path(folder) / "layers").glob("*.tif"))
        size = sum(file.stat().st_size for file in files) / 1e9
    print(f"lastseen terrain, {side * side / 1e6:.0f} Mpx: {took:.0f} s, {len(files)} layers, {size:.1f} GB written,")
    print(f"  peak memory of its process {peak:.2f} GB, exit code {done.returncode}\n", flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        who, layer, library, n, times = sys.argv[2:]
        print(json.dumps(measure(who, layer, library, int(n), int(times))))
    else:
        largest = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
        parts = sys.argv[2:] or ["command", "libraries", "growth"]
        if "command" in parts:
            whole_command(largest)
        if "libraries" in parts:
            beside_libraries()
        if "growth" in parts:
            growth(largest)
