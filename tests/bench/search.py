"""The search layout: times, growth, ratio to a plain buffer-and-union coverage. Prints a table, never fails a build.

python tests/bench/search.py            times and ratios
python tests/bench/search.py --stress   1,000 random outlines, no exception and the coverage of each
"""

from __future__ import annotations

import sys
import time
from functools import partial
from pathlib import Path

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon

HERE = Path(__file__).resolve().parent
sys.path[0] = str(HERE.parent)  # not this folder: a file in it has the name of a folder of the tests

from lastseen.core.errors import InputError  # noqa: E402
from lastseen.core.machine import shared_folder  # noqa: E402
from lastseen.core.scenario import read_scenario  # noqa: E402
from lastseen.jobs.plan import make_plan  # noqa: E402
from lastseen.search.coverage import find_covered, measure_coverage  # noqa: E402
from lastseen.search.layout import lay_search  # noqa: E402
from lastseen.search.search_area import SearchOptions  # noqa: E402
from lastseen.search.simulation import Reception, first_signals_s, hide_targets  # noqa: E402
from lastseen.search.surface import Surface, make_lattice  # noqa: E402
from search.outline_zoo import ZOO  # noqa: E402
from search.zoo import ground, on_map  # noqa: E402


def best(work, times=5):
    """Shortest wall time of a few runs, after one warm-up."""
    work()
    seen = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        seen.append(time.perf_counter() - begun)
    return min(seen)


def _next_layout(outline, where, widths, wish):
    return lay_search(outline, where, SearchOptions(strip_width_m=next(widths), **wish))


def demo_layout():
    """New lanes after a changed strip width, on the demo."""
    for name in ("bowl", "bench"):
        scenario = read_scenario(shared_folder("demo") / f"{name}.toml")
        plan = make_plan(scenario)
        outline, where, n = plan.debris.outline, plan.terrain.elevation, scenario.search.searchers
        widths = iter(np.tile([38.0, 42.0, 35.0, 45.0, 40.0], 3))
        wish = {
            "searchers": n, "start_xy_m": plan.at_m, "last_seen_m": plan.at_m, "poa": plan.model.person.poa,
            "swept": plan.model.paths.corridors[0][1], "favoured": plan.search.kind,
        }  # fmt: skip
        work = partial(_next_layout, outline, where, widths, wish)
        took = best(work, 9)
        print(f"new strip width, demo {name}    {1e3 * took:7.0f} ms, {n} searchers, {outline.area:.0f} m2")


def draws():
    """A hundred thousand simulated searches on the demo."""
    plan = make_plan(read_scenario(shared_folder("demo") / "bowl.toml"))
    where = plan.terrain.elevation
    outline = plan.debris.outline
    surface = Surface.around(where, where.bounds, 0.0)
    x, y = (a.ravel() for a in np.meshgrid(np.arange(*outline.bounds[::2], 2.0), np.arange(*outline.bounds[1::2], 2.0)))
    inside = shapely.contains_xy(outline, x, y)
    places = (x[inside], y[inside], np.ones(inside.sum()), 2.0)
    legs = [leg for leg in plan.search.legs if leg.searcher == 1]
    walk = np.array([legs[0].line.coords[0], *(leg.line.coords[-1] for leg in legs)])

    def work():
        hidden = hide_targets(surface, places, Reception.of_strip(40.0), 100_000, np.random.default_rng(1))
        return first_signals_s([walk], surface, hidden)

    print(f"100,000 simulated searches   {best(work, 3):7.2f} s, drawing them included")


def growth():
    """Time against area on squares, and a straight line through it."""
    wide = ground(lambda x, y: 0.4 * y + 3.0 * np.sin(x / 40.0), side_m=2400.0)
    areas, times = [], []
    for side in (100.0, 200.0, 400.0, 600.0, 800.0, 1100.0, 1400.0):
        square = on_map(shapely.box(1200 - side / 2, 1200 - side / 2, 1200 + side / 2, 1200 + side / 2))
        times.append(best(lambda square=square: lay_search(square, wide), 2))
        areas.append(side**2 / 1e4)
        print(f"  {areas[-1]:7.0f} ha   {1e3 * times[-1]:7.0f} ms")
    slope, base = np.polyfit(areas, times, 1)
    off = np.abs(np.polyval([slope, base], areas) - times) / np.array(times)
    power = np.polyfit(np.log(areas[2:]), np.log(times[2:]), 1)[0]
    print(f"time = {1e3 * base:.0f} ms + {1e3 * slope:.2f} ms per ha, worst {off.max():.0%} off; power {power:.2f}")


def against_buffers():
    """Coverage of one walk: ours in 3-D at 1 m against buffer-and-union with exact areas, and at the same 1 m."""
    flat = ground(lambda x, y: 0.0 * x * y)
    outline = on_map(ZOO["many holes"].outline)
    plan = lay_search(outline, flat)
    lines = [leg.line for leg in plan.legs if leg.kind != "approach"]
    west, south, east, north = outline.bounds
    x, y = (a.ravel() for a in np.meshgrid(np.arange(west, east) + 0.5, np.arange(south, north) + 0.5))

    def plain():
        reach = shapely.union_all([LineString(line.coords).buffer(20.0) for line in lines])
        inside = shapely.contains_xy(outline, x, y)
        return (shapely.contains_xy(reach, x, y) & inside).sum() / inside.sum()

    def exact():
        reach = shapely.union_all([line.buffer(20.0) for line in lines])
        return shapely.intersection(outline, reach).area / outline.area

    surface = Surface.around(flat, outline.bounds, 50.0)
    fine = make_lattice(outline, surface, 1.0)
    rough = make_lattice(outline, surface, np.sqrt(outline.area / 5000.0))
    whole = best(lambda: measure_coverage(outline, lines, flat, 20.0))
    again = best(lambda: find_covered(lines, fine, surface, 20.0))
    while_shaping = best(lambda: find_covered(lines, rough, surface, 20.0))
    one, two = best(plain), best(exact)
    print(f"coverage, {outline.area:.0f} m2, in 3-D     once, with uncovered areas, 1 m  {1e3 * whole:6.2f} ms")
    print(f"  again for another walk, 1 m {1e3 * again:6.2f} ms   on 5,000 samples  {1e3 * while_shaping:6.2f} ms")
    print(f"  buffer and union on the map, sampled at 1 m {1e3 * one:6.2f} ms: {one / again:.1f} x the same sampling")
    print(
        f"  buffer and union on the map, exact areas    {1e3 * two:6.2f} ms: {two / while_shaping:.1f} x while shaping"
    )


def random_outline(rng):
    """A star, a wave, a comb of discs or cells of noise, with holes and pieces as it comes."""
    kind = rng.integers(4)
    if kind == 0:
        n = rng.integers(3, 18)
        angle = np.sort(rng.uniform(0, 2 * np.pi, n))
        radius = rng.uniform(5, 180, n)
        shape = shapely.make_valid(Polygon(np.c_[300 + radius * np.cos(angle), 300 + radius * np.sin(angle)]))
    elif kind == 1:
        t = np.linspace(0, 1, 25)
        line = np.c_[300 + rng.uniform(-90, 90) * np.sin(rng.uniform(1, 9) * t), 120 + 360 * t]
        shape = LineString(line).buffer(rng.uniform(2, 60))
    elif kind == 2:
        shape = shapely.union_all(
            [Point(*rng.uniform(150, 450, 2)).buffer(rng.uniform(1, 60)) for _ in range(rng.integers(1, 9))]
        )
    else:
        west, south = rng.uniform(100, 300, 2)
        shape = shapely.box(west, south, west + rng.uniform(0.5, 250), south + rng.uniform(0.5, 250))
    for _ in range(rng.integers(0, 4)):
        shape = shape.difference(Point(*rng.uniform(150, 450, 2)).buffer(rng.uniform(1, 40)))
    parts = [p for p in shapely.get_parts(shapely.make_valid(shape)) if isinstance(p, Polygon) and p.area > 0.1]
    return MultiPolygon(parts)


def stress(number=1000):
    """Random outlines on three grounds with random teams, widths, starts and no-go ground."""
    grounds = [
        ground(lambda x, y: 0.0 * x * y),
        ground(lambda x, y: 0.5 * y + 4 * np.sin(x / 17) * np.cos(y / 23)),
        ground(lambda x, y: 0.3 * y + np.where((y > 300) & (x < 420), 25.0, 0.0)),
    ]
    rng = np.random.default_rng(2027)
    begun, refused, short, walled, unexplained, crossed, longest = time.perf_counter(), 0, 0, 0, 0, 0, 0.0
    for k in range(number):
        outline = random_outline(rng)
        if outline.is_empty:
            refused += 1
            continue
        no_go = on_map(Point(*rng.uniform(150, 450, 2)).buffer(rng.uniform(3, 40))) if rng.random() < 0.3 else None
        start = tuple(np.array(on_map(Point(*rng.uniform(20, 580, 2))).coords[0])) if rng.random() < 0.5 else None
        one = time.perf_counter()
        try:
            plan = lay_search(
                on_map(outline),
                grounds[k % 3],
                SearchOptions(
                    strip_width_m=float(rng.uniform(8, 70)),
                    searchers=int(rng.integers(1, 7)),
                    start_xy_m=start,
                    no_go=no_go,
                    pattern=rng.choice([None, "across", "along"]),
                ),
            )
        except InputError as error:
            refused += 1
            if "no-go" not in str(error):
                print(f"  {k}: {error}")
            continue
        longest = max(longest, time.perf_counter() - one)
        if plan.coverage.fraction < 0.99:
            short += 1
            unexplained += not any("Coverage stops" in note for note in plan.notes)
            walled += k % 3 == 2
            if no_go is None and k % 3 != 2:
                print(f"  {k}: {plan.coverage.fraction:.4f} {plan.notes}")
        if no_go is not None:
            crossed += any(leg.line.intersects(no_go) for leg in plan.legs)
    took = time.perf_counter() - begun
    print(f"{number} random outlines in {took:.0f} s, the longest {longest:.2f} s: no exception, {refused} refused")
    print(f"  {short} below 99 %, {walled} of them on the ground with a wall, {unexplained} without a reason")
    print(f"  {crossed} with a leg on no-go ground")


if __name__ == "__main__":
    if "--stress" in sys.argv:
        stress()
    else:
        demo_layout()
        draws()
        against_buffers()
        growth()
