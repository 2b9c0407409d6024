"""Practice sites over a large elevation model: time and memory by stage, in a process of its own. Never fails a build.

python tests/bench/drill.py [side in km, 10 if not given]
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from lastseen.drill.sites import SiteWish  # noqa: E402
from lastseen.drill.sites.view import view_sites  # noqa: E402
from lastseen.products.sites import write_sites  # noqa: E402
from lastseen.scenario import scenario_of  # noqa: E402
from lastseen.threads import thread_count  # noqa: E402

CELL_M, AIM_S, AIM_GB = 5.0, 60.0, 2.0


def mountains(side, roughness=1.3):
    """Valleys and ridges 2 km apart with noise of a falling spectrum: about a third of it is start-zone ground."""
    rng = np.random.default_rng(3)
    waves = np.fft.rfft2(rng.normal(0.0, 1.0, (side, side)))
    k = np.hypot(np.fft.rfftfreq(side)[None, :], np.fft.fftfreq(side)[:, None])
    k[0, 0] = 1.0
    noise = np.fft.irfft2(waves * k**-2.4, s=(side, side))
    x, y = np.meshgrid(np.arange(side) * CELL_M, np.arange(side) * CELL_M)
    ridge = np.abs(((0.8 * x + 0.6 * y) / 2000.0) % 2.0 - 1.0)  # 0 in the valley, 1 on the ridge
    return 1500.0 + 900.0 * ridge**1.7 + roughness * 25.0 * noise / noise.std()


def peak_gb():
    """Peak memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e9 if sys.platform == "darwin" else 1e6)


def measure(side, wish):
    """Time and memory of each stage, and what was found."""
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "mountains.tif"
        transform = Affine(CELL_M, 0, 600_000.0, 0, -CELL_M, 5_200_000.0)
        options = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": "EPSG:32632", "transform": transform}
        with rasterio.open(path, "w", height=side, width=side, **options) as file:
            file.write(mountains(side).astype(np.float32), 1)
            file.units = ("m",)
        stages, began = {}, time.perf_counter()

        def tell(stage, _share):
            stages.setdefault(stage.split(",")[0], (time.perf_counter() - began, peak_gb()))

        view = view_sites(scenario_of({"elevation": [path]}), wish, None, tell)
        write_sites(view, Path(place) / "sites", progress=tell)
        return view, stages, time.perf_counter() - began


def main():
    """Print the table."""
    km = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    measure(800, SiteWish(exposed_ok=True))  # kernels are compiled, or read from the cache
    before = peak_gb()
    side = round(1000.0 * km / CELL_M)
    view, stages, total = measure(side, SiteWish())
    search = view.search
    steep = float((search.starts.zones > 0).mean())
    print(f"practice sites, {km:g} x {km:g} km at {CELL_M:g} m, {side * side / 1e6:.1f} million cells, "
          f"{thread_count()} threads; {steep:.0%} start-zone ground, {search.reach.bodies:,} bodies on cells of "
          f"{search.reach.share.cell_m:g} m, {len(search.sites)} sites")  # fmt: skip
    print(f"{'stage begins':45}{'s':>8}{'peak GB':>10}")
    for stage, (at, memory) in stages.items():
        print(f"{stage:45}{at:8.1f}{memory:10.2f}")
    print(f"{'all':45}{total:8.1f}{peak_gb():10.2f}   (libraries {before:.2f} GB)")
    for what, got, aim, unit in (("time", total, AIM_S, "s"), ("memory", peak_gb(), AIM_GB, "GB")):
        print(f"{what}: {got:.1f} {unit}, aim under {aim:g} {unit}: {'met' if got < aim else 'missed'}")


if __name__ == "__main__":
    main()
