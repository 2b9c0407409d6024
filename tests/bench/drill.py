"""Practice sites over a large elevation model: time and memory by stage, in a process of its own. Never fails a build.

python tests/bench/drill.py [side in km, 10 if not given]
python tests/bench/drill.py steps     how far the long steps in time move a run-out
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
from pyproj import CRS
from scipy import ndimage

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from lastseen.core.errors import NothingFoundError  # noqa: E402
from lastseen.core.grid import Grid  # noqa: E402
from lastseen.core.machine import thread_count  # noqa: E402
from lastseen.core.scenario import check_scenario  # noqa: E402
from lastseen.jobs.practice import site_exposure  # noqa: E402
from lastseen.jobs.practice.site import SiteRequest  # noqa: E402
from lastseen.jobs.practice.site_exposure import find_start_ground  # noqa: E402
from lastseen.jobs.practice.sites import view_sites  # noqa: E402
from lastseen.output.results.practice import result_of_sites  # noqa: E402
from lastseen.output.write import write_result  # noqa: E402
from lastseen.snow import sliding_mass  # noqa: E402
from lastseen.snow.sliding_mass import Samples, slide_samples, smooth_for_snow  # noqa: E402

CELL_M, AIM_S, AIM_GB = 5.0, 60.0, 2.0
WEST_M, NORTH_M = 600_000.0, 5_200_000.0


def mountains(side, roughness=1.3):
    """Valleys and ridges 2 km apart with noise of a falling spectrum: about a third of it is start-zone ground."""
    rng = np.random.default_rng(3)
    waves = np.fft.rfft2(rng.normal(0.0, 1.0, (side, side)))
    k = np.hypot(np.fft.rfftfreq(side)[None, :], np.fft.fftfreq(side)[:, None])
    k[0, 0] = 1.0
    noise = np.fft.irfft2(waves * k**-2.4, s=(side, side))
    x, y = np.meshgrid(np.arange(side) * CELL_M, np.arange(side) * CELL_M)
    ridge = np.abs(((0.8 * x + 0.6 * y) / 2000.0) % 2.0 - 1.0)  # 0 in the valley, 1 on the ridge
    return 1500.0 + 800.0 * ridge**1.7 + roughness * 25.0 * noise / noise.std()


def used():
    """Seconds of all processors, of user and system, that this process has used."""
    return time.process_time()


def peak_gb():
    """Peak memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e9 if sys.platform == "darwin" else 1e6)


def measure(side, wish):
    """Time and memory at the begin of each stage, and what was found."""
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "mountains.tif"
        transform = Affine(CELL_M, 0, WEST_M, 0, -CELL_M, NORTH_M)
        options = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": "EPSG:32632", "transform": transform}
        with rasterio.open(path, "w", height=side, width=side, **options) as file:
            file.write(mountains(side).astype(np.float32), 1)
            file.units = ("m",)
        stages, began, before = {}, time.perf_counter(), used()

        def now():
            return time.perf_counter() - began, used() - before, peak_gb()

        def tell(stage, _share):
            if stage.split(",")[0] not in stages:
                stages[stage.split(",")[0]] = now()
                print(
                    f"{stage.split(',')[0]:45}{now()[0]:8.1f}{now()[1]:8.1f}{now()[2]:10.2f}"
                )  # also where none is found

        try:
            view = view_sites(check_scenario({"elevation": [path]}), wish, None, tell)
            write_result(result_of_sites(view), Path(place) / "sites", progress=tell)
        except NothingFoundError as refusal:  # all was searched, and no map is drawn
            view = None
            print(refusal)
        stages["all"] = now()
        return view, stages


def table(km):
    """Print time and memory by stage."""
    measure(800, SiteRequest(exposed_ok=True))  # kernels are compiled, or read from the cache
    before = peak_gb()
    side = round(1000.0 * km / CELL_M)
    view, stages = measure(side, SiteRequest(most_size=3))
    if view is not None:
        search = view.search
        steep = float((search.starts.zones > 0).mean())
        print(f"practice sites, {km:g} x {km:g} km at {CELL_M:g} m, {side * side / 1e6:.1f} million cells, "
              f"{thread_count()} threads; {steep:.0%} start-zone ground, {search.reach.samples:,} bodies on cells of "
              f"{search.reach.share.cell_m:g} m, {len(search.sites)} sites")  # fmt: skip
    print(f"{'stage begins':45}{'wall s':>8}{'CPU s':>8}{'peak GB':>10}")
    for stage, (wall, processor, memory) in stages.items():
        print(f"{stage:45}{wall:8.1f}{processor:8.1f}{memory:10.2f}")
    wall, processor, memory = stages["all"]
    grown = (memory - before) / (side * side / 1e6)
    print(f"libraries and a small model {before:.2f} GB, above them {grown:.3f} GB for a million cells")
    # On a machine that others use too the wall clock says little; two processors could do no better than this.
    for what, got, aim, unit in (
        ("wall time", wall, AIM_S, "s"),
        ("CPU time over 2 processors", 0.5 * processor, AIM_S, "s"),
        ("memory", memory, AIM_GB, "GB"),
    ):
        print(f"{what}: {got:.1f} {unit}, aim under {aim:g} {unit}: {'met' if got < aim else 'missed'}")


def steps():
    """Print how far the end of a body, and the edge of reached ground, move against the steps of the model."""
    side = 500
    ground = Grid(mountains(side), WEST_M, NORTH_M, CELL_M, CRS.from_epsg(32632))
    starts = find_start_ground(ground)
    long = (site_exposure.LARGEST_STEP_S, site_exposure.LARGEST_STEP_CELLS)
    short = (sliding_mass.LARGEST_STEP_S, sliding_mass.LARGEST_STEP_CELLS)
    print(f"{starts.count} start zones, {side * CELL_M / 1000:g} km square at {CELL_M:g} m")
    print(f"{'step s':>7}{'cells':>7}{'CPU s':>8}{'reached ha':>12}{'missed ha':>11}{'farthest miss m':>17}"
          f"{'end moves: median':>19}{'95 %':>7}{'99 %':>7}")  # fmt: skip
    reached, ends = None, None
    for step_s, step_cells in (short, (0.1, 0.5), long):
        site_exposure.LARGEST_STEP_S, site_exposure.LARGEST_STEP_CELLS = step_s, step_cells
        before = used()
        found = site_exposure.simulate_start_zones(ground, starts)
        took = used() - before
        here = found.share.values > 0.0
        at = rest(ground, starts, step_s, step_cells)
        if reached is None:
            reached, ends = here, at
        missed = reached & ~here
        far = ndimage.distance_transform_edt(~here, sampling=CELL_M)[missed].max(initial=0.0)
        moved = np.percentile(np.hypot(*(at - ends)), (50, 95, 99))
        hectare = CELL_M**2 / 10_000.0
        print(f"{step_s:7g}{step_cells:7g}{took:8.1f}{here.sum() * hectare:12.1f}{missed.sum() * hectare:11.2f}"
              f"{far:17.1f}{moved[0]:17.1f} m{moved[1]:7.1f}{moved[2]:7.1f}")  # fmt: skip
    site_exposure.LARGEST_STEP_S, site_exposure.LARGEST_STEP_CELLS = long


def rest(ground, starts, step_s, step_cells):
    """Where bodies of one friction come to rest, one from every thirtieth start-zone cell."""
    cells = np.flatnonzero(starts.zones)[::30]
    x, y = ground.centre_of(cells // ground.shape[1], cells % ground.shape[1])
    nothing = np.zeros(cells.size)
    set_out = Samples(
        x_m=x,
        y_m=y,
        east_m_s=nothing,
        north_m_s=nothing,
        friction=np.full(cells.size, 0.25),
        drag_per_m=np.full(cells.size, 0.003),
    )
    tracks = slide_samples(smooth_for_snow(ground), set_out, largest_step_s=step_s, largest_step_cells=step_cells)
    return np.stack([tracks.x_m, tracks.y_m])


if __name__ == "__main__":
    if sys.argv[1:] == ["steps"]:
        steps()
    else:
        table(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0)
