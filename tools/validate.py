"""Hold the model against what is reported and published, and write docs/validation.md with its figures.

Run it with ``make validation``. Every number of the page is worked out here; misfits are printed however bad.
"""

from __future__ import annotations

import argparse
import math
import os
from collections.abc import Sequence
from pathlib import Path

import calibrate
import matplotlib as mpl
import numpy as np
import slopes
from pyproj import CRS
from shapely import LineString, MultiPolygon
from slopes import QUANTILES, REPORTED, SIZES, Array, Events, reported, weigh, weighted_quantiles

from lastseen.core import Grid, InputError, Override, Snow, apply_overrides, read_scenario, shared_folder
from lastseen.jobs import make_plan
from lastseen.output import match_text
from lastseen.snow import (
    GRAVITY_M_S2,
    SLAB_DENSITY_KG_M3,
    FlowSnow,
    average_onto_lattice,
    burial_laws,
    compare_outline,
    find_release,
    friction_by_size,
    simulate_flow,
    smooth_for_snow,
)
from lastseen.snow.flow import prepare_bed
from lastseen.snow.flow_ensemble import released_depth_m, slab_lean, time_limit_s
from lastseen.snow.friction import OUTER_FRICTION, draw_members
from lastseen.terrain import open_elevation, read_terrain, read_window, smooth_heights

mpl.use("Agg")
from matplotlib import pyplot as plt

DOCS = Path(__file__).resolve().parent.parent / "docs"
INK, MODEL, REPORT = "#1d2327", "#b3541e", "#4a6b82"
Rows = Sequence[Sequence[str]]


def table(head: Sequence[str], rows: Rows) -> str:
    """A table in Markdown."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)])


def metres(values: Sequence[float], digits: int = 0) -> str:
    """Quantiles in a row, with no more digits than are known: two figures above 10, else as asked."""
    return " / ".join(rounded(value, digits) for value in values)


def rounded(value: float, digits: int = 0) -> str:
    """Two figures, or so many digits after the point below 10."""
    if not math.isfinite(value):
        return "no data"
    if digits or abs(value) < 10.0:
        return f"{value:.{digits}f}"
    step = 10.0 ** (math.floor(math.log10(abs(value))) - 1)
    return f"{round(value / step) * step:,.0f}"


def per_cent(share: float) -> str:
    """Whole per cent."""
    return f"{100.0 * share:.0f} %"


def factor(model: float, report: float) -> str:
    """Model over report."""
    return f"x {model / report:.1f}"


class Weighed:
    """Events of one size with the weights of the tuned law."""

    def __init__(self, events: Events, size: int) -> None:
        self.events = events.part(events.size == size)
        self.weights = weigh(self.events, friction_by_size(size))

    def of(self, name: str, shares: tuple[float, ...] = QUANTILES) -> Array:
        """Quantiles of a measure."""
        return weighted_quantiles(getattr(self.events, name), self.weights, shares)


# ---- (a) Dimensions by size


def dimensions(by_size: dict[int, Weighed]) -> str:
    """Lengths, drops, widths, reach angles and stopping places beside those reported."""
    parts, rows = [], []
    for size, found in by_size.items():
        for name, words, source, tuned in (
            ("length_m", "length", "Tirol", "tuned to"),
            ("width_m", "width", "Tirol", "not tuned"),
            ("drop_m", "drop", "Colorado", "not tuned; the ground sets it"),
        ):
            if str(size) not in REPORTED[name]:
                continue
            n, q = reported(name, size)
            model = found.of(name)
            rows.append(
                (
                    str(size),
                    f"{words}, m",
                    metres(q),
                    f"{source}, n = {n}",
                    metres(model),
                    factor(model[2], q[2]),
                    tuned,
                )
            )
    parts.append(
        table(
            (
                "size",
                "of the whole avalanche",
                "reported 5/25/50/75/95 %",
                "source",
                "model",
                "median, model over reported",
                "",
            ),
            rows,
        )
    )
    rows = []
    n, q = reported("reach_angle_deg", "any")
    for size, found in by_size.items():
        model = found.of("reach_deg")
        rows.append((str(size), metres(q), f"France, all sizes, n = {n}", metres(model), f"{model[2] - q[2]:+.0f}"))
    parts.append(
        table(("size", "reach angle reported, degrees", "source", "model", "median, model less reported"), rows)
    )
    rows = []
    for size, found in by_size.items():
        if str(size) in REPORTED["stop"]:
            row = REPORTED["stop"][str(size)]
            got = calibrate.stop_shares(found.events, found.weights)
            seen = (row["top"], row["middle"], row["bottom"])
            rows.append(
                (
                    str(size),
                    " / ".join(map(per_cent, seen)),
                    f"Colorado, n = {row['n']}",
                    " / ".join(map(per_cent, got)),
                    f"{100 * (got[2] - seen[2]):+.0f} points",
                )
            )
    parts.append(
        table(
            (
                "size",
                "stops at the top / in the middle / at the bottom, reported",
                "source",
                "model",
                "bottom, model less reported",
            ),
            rows,
        )
    )
    return "\n\n".join(parts)


def deposits(by_size: dict[int, Weighed]) -> str:
    """Deposits beside those of accident avalanches, sizes mixed as Tirol reports them."""
    rows = []
    counts = {size: reported("length_m", size)[0] for size in SIZES}
    for name, words, digits in (
        ("width_m", "width, m", 0),
        ("length_m", "length, m", 0),
        ("greatest_depth_m", "greatest depth, m", 1),
    ):
        n, q = REPORTED["deposit"][name]["n"], np.array(REPORTED["deposit"][name]["q"])
        field = {"width_m": "deposit_width_m", "length_m": "deposit_length_m", "greatest_depth_m": "deposit_depth_m"}[
            name
        ]
        values = np.concatenate([getattr(found.events, field) for found in by_size.values()])
        weights = np.concatenate(
            [found.weights / found.weights.sum() * counts[size] for size, found in by_size.items()]
        )
        model = weighted_quantiles(values, weights)
        rows.append((words, metres(q, digits), str(n), metres(model, digits), factor(model[2], q[2])))
    volumes = [(str(size), metres(found.of("deposit_m3"))) for size, found in by_size.items()]
    return (
        table(
            (
                "deposit",
                "reported, France 2019/20, 5/25/50/75/95 %",
                "n",
                "model (deeper than 0.2 m)",
                "median, model over reported",
            ),
            rows,
        )
        + "\n\n"
        + table(("size", "deposit volume of the model, m3, 5/25/50/75/95 %"), volumes)
    )


# ---- (b) Extreme run-out of short slopes


def extreme_runout(events: Events) -> str:
    """Run-out ratios of the most slippery events beside the Gumbel law for short slopes."""
    grounds = slopes.all_slopes()
    ratios = []
    for number, slope in enumerate(grounds):
        if not 40.0 <= slope.drop_m <= 350.0 or slope.size > 3 or slope.kind == "rolls":
            continue
        part = events.part((events.slope == number) & (events.left < 0.05))
        slippery = part.friction <= OUTER_FRICTION[slope.size] + 0.06
        if not slippery.any():
            continue
        row = slope.ground.values[slope.ground.shape[0] // 2]
        x = slope.ground.west_m + (np.arange(row.size) + 0.5) * slope.ground.cell_m
        steep = np.degrees(np.arctan(-np.gradient(row, x)))
        below = np.flatnonzero((steep <= 24.0) & (x > 0.0))
        if below.size == 0:
            continue
        beta_m, top = float(x[below[0]]), float(np.interp(0.0, x, row))
        far = float(part.drop_m[slippery].max())
        reach = float(np.interp(-(top - far), -row, x))
        ratios.append((reach - beta_m) / beta_m)
    u, b = 0.494, 0.441
    shares = (0.5, 0.9)
    law = [u - b * math.log(-math.log(share)) for share in shares]
    got = np.quantile(ratios, shares)
    rows = [
        (f"{share:g}", f"{a:.2f}", f"{g:.2f}", f"{g - a:+.2f}") for share, a, g in zip(shares, law, got, strict=True)
    ]
    return (
        f"Run-out ratio (way beyond the point where the slope first eases to 24 degrees, over the way to it) of the farthest of "
        f"the slippery events (friction up to 0.06 above the outer one) on {len(ratios)} invented slopes of 40 to 350 m drop, sizes 1 to 3.\n\n"
        + table(("quantile", "Gumbel law u = 0.494, b = 0.441", "model", "model less law"), rows)
    )


# ---- (c) Speeds


def speeds(by_size: dict[int, Weighed]) -> str:
    """Greatest speed over sqrt(g H / 2), and mean over greatest."""
    rows = []
    for size, found in by_size.items():
        bound = np.sqrt(0.5 * GRAVITY_M_S2 * np.maximum(found.events.drop_m, 1.0))
        ratio = weighted_quantiles(found.events.fastest_m_s / bound, found.weights)
        way = (
            found.events.length_m - found.events.slab_long_m
        )  # of the front, from the lower end of the slab to the toe
        went = (way > found.events.slab_long_m) & (found.events.came_s > 0.0)
        share = way[went] / found.events.came_s[went] / np.maximum(found.events.fastest_m_s[went], 0.1)
        mean = weighted_quantiles(share, found.weights[went], (0.25, 0.5, 0.75))
        rows.append(
            (
                str(size),
                metres(found.of("fastest_m_s")),
                " / ".join(f"{v:.2f}" for v in ratio),
                " / ".join(f"{v:.2f}" for v in mean),
            )
        )
    return table(
        (
            "size",
            "greatest speed, m/s, 5/25/50/75/95 %",
            "over sqrt(g H / 2)",
            "mean of the front over greatest, 25/50/75 %",
        ),
        rows,
    )


# ---- (d) Laboratory


def strip(height: Array, cell: float) -> Grid:
    """A strip of ground 8 cells wide whose height depends on x alone."""
    return Grid(np.tile(height, (8, 1)), 0.0, 8.0 * cell, cell, CRS.from_epsg(32632))


def collapse(aspect: float, friction: float, cells: int = 40) -> tuple[float, float]:
    """Run-out over length, and greatest final depth over height, of a column of length 1 against a wall."""
    cell, long = 1.0 / cells, 1.0 + 6.0 * aspect
    x = np.arange(-long, long, cell) + 0.5 * cell
    start = np.tile(np.where(np.abs(x) < 1.0, aspect, 0.0), (8, 1))
    flow = simulate_flow(strip(np.zeros_like(x), cell), start, FlowSnow(friction=friction), time_limit_s=30.0)
    depth = flow.depth_m[4]
    return float(np.abs(x[depth > 0.01 * aspect]).max() - 1.0 + 0.5 * cell), float(depth.max() / aspect)


def laboratory() -> str:
    """Collapse of columns and release on an incline beside the laws of the laboratory."""
    aspects = (0.5, 1.0, 2.0, 4.0)
    found = [collapse(aspect, math.tan(math.radians(22.0))) for aspect in aspects]
    slope_runout = np.polyfit(np.log(aspects), np.log([way for way, _ in found]), 1)[0]
    slope_height = np.polyfit(np.log(aspects), np.log([1.0 / height for _, height in found]), 1)[0]
    rows = [
        (
            "column on flat ground, wide channel: run-out over length ~ a^n",
            "Balmforth & Kerswell 2005 (J. Fluid Mech. 538:399), abstract",
            "0.9 +- 0.1",
            f"{slope_runout:.2f}",
        ),
        ("the same: height over final height ~ a^n", "the same", "0.6", f"{slope_height:.2f}"),
        (
            "the same: run-out over height, a = 0.5 and 1",
            "Lube et al. 2005, Lajeunesse et al. 2005, from memory",
            "1.2",
            " and ".join(f"{way / aspect:.1f}" for (way, _), aspect in list(zip(found, aspects, strict=True))[:2]),
        ),
    ]
    for slope_deg in (0.0, 10.0, 16.0):
        way = incline_release_m(slope_deg)
        law = 0.14 / (math.tan(math.radians(23.5)) - math.tan(math.radians(slope_deg)))
        rows.append(
            (
                f"0.14 m x 0.20 m of glass beads released on {slope_deg:g} degrees: run-out from the gate, m",
                "Mangeney et al. 2010 (J. Geophys. Res. 115:F03040), from memory: h0 / (tan 23.5 - tan slope)",
                f"{law:.2f}",
                f"{way:.2f}",
            )
        )
    return table(("case", "source", "printed", "model"), rows)


def incline_release_m(slope_deg: float) -> float:
    """Run-out from the gate, along the slope, of 0.14 m of beads, 0.20 m long."""
    cell, tilt = 0.01, math.cos(math.radians(slope_deg))
    x = np.arange(-0.3, 3.0, cell) + 0.5 * cell
    bed = -(x + 0.3) * math.tan(math.radians(slope_deg))
    start = np.tile(np.where((x > -0.2 * tilt) & (x < 0.0), 0.14 / tilt, 0.0), (8, 1))
    snow = FlowSnow(friction=math.tan(math.radians(23.5)))
    flow = simulate_flow(strip(bed, cell), start, snow, time_limit_s=30.0)
    return float(x[flow.depth_m[4] > 0.002].max() + 0.5 * cell) / tilt


# ---- Real slopes, where there are any: they did not enter the fit

REAL = (  # file, sizes, and how many of its cells make one of the flow
    ("sthelens_10m.tif", (2, 3), 1),
    ("gurten_swissalti3d_2m.tif", (1, 2), 3),
    ("davos_srtm_30m.tif", (3, 4), 1),
)
POINTS, EVENTS_EACH, HALF_M = 12, 6, {1: 250.0, 2: 600.0, 3: 1300.0, 4: 2500.0}


def real_slopes() -> str:
    """Lengths and reach angles of events from random start-zone cells of real elevation models."""
    folder = os.environ.get("LASTSEEN_REAL_TERRAIN")
    if not folder:
        return "Not run: LASTSEEN_REAL_TERRAIN names no folder with elevation models."
    rows = []
    for name, sizes, ratio in REAL:
        if not (Path(folder) / name).is_file():
            rows.append((name, "no such file", "", "", "", ""))
            continue
        for size in sizes:
            length, reach, left = run_real(Path(folder) / name, size, ratio)
            q = reported("length_m", size)[1]
            model = np.quantile(length, QUANTILES) if length.size else np.full(5, math.nan)
            angle = np.quantile(reach, (0.25, 0.5, 0.75)) if reach.size else np.full(3, math.nan)
            rows.append(
                (
                    name.split("_")[0],
                    str(size),
                    f"{length.size} ({left} left the model)",
                    metres(q),
                    metres(model),
                    metres(angle),
                )
            )
    head = (
        "ground",
        "size",
        "events",
        "length reported, m, 5/25/50/75/95 %",
        "length of the model, m",
        "reach angle, degrees, 25/50/75 %",
    )
    return table(head, rows)


def run_real(path: Path, size: int, ratio: int) -> tuple[Array, Array, int]:
    """Length and reach angle of events from random points on 33 to 45 degrees, and how many left the model."""
    elevation = open_elevation([path])
    whole = read_window(elevation, elevation.snapped(elevation.bounds_m))
    slope = read_terrain(smooth_heights(whole, 15.0)).slope_deg.values
    rng = np.random.default_rng([calibrate.SEED, size])
    cells = rng.permutation(np.flatnonzero((slope >= 33.0) & (slope <= 45.0)))
    lengths, angles, left, done = list[float](), list[float](), 0, 0
    for cell in cells[: 4 * POINTS]:
        if done == POINTS:
            break
        x, y = whole.centre_of(*np.divmod(cell, whole.shape[1]))
        half = HALF_M[size]
        window = whole.window(float(x) - half, float(y) - half, float(x) + half, float(y) + half)
        try:
            release = find_release(window, float(x), float(y), size)
        except InputError:
            continue
        done += 1
        surface = smooth_for_snow(window)
        draws = draw_members(release, Snow(size=size, members=EVENTS_EACH), rng)
        lattice = average_onto_lattice(surface, ratio)
        bed, lean = prepare_bed(lattice), slab_lean(surface, release)
        for m in range(EVENTS_EACH):
            depth = released_depth_m(
                surface, lattice, release, lean=lean, count=int(draws.extent_cells[m]), slab_m=float(draws.slab_m[m])
            )
            snow = FlowSnow(
                friction=float(draws.friction[m]),
                turbulence_m_s2=float(draws.turbulence_m_s2[m]),
                cohesion_pa=float(draws.cohesion_pa[m]),
                density_kg_m3=SLAB_DENSITY_KG_M3,
                growth=float(draws.growth[m]),
            )
            flow = simulate_flow(bed, depth, snow, time_limit_s=time_limit_s(lattice, size))
            if flow.balance.left_m3 > 0.05 * flow.balance.released_m3:
                left += 1
                continue
            length, drop = toe_of(lattice, release.top_m, flow.depth_m)
            lengths.append(math.hypot(length, drop))
            angles.append(math.degrees(math.atan2(drop, max(length, 1.0))))
    return np.array(lengths), np.array(angles), left


def toe_of(lattice: Grid, top_m: tuple[float, float], depth: Array) -> tuple[float, float]:
    """Way on the map and drop from the top of the release to where all but the farthest twentieth of the snow lies."""
    rows, cols = np.nonzero(depth)
    x, y = lattice.centre_of(rows, cols)
    away = np.hypot(x - top_m[0], y - top_m[1])
    order = np.argsort(away, kind="stable")
    share = np.cumsum(depth[rows, cols][order])
    at = order[min(int(np.searchsorted(share, 0.95 * share[-1])), order.size - 1)]
    top = float(lattice.sample(*top_m))
    return float(away[at]), max(top - float(lattice.values[rows[at], cols[at]]), 0.0)


# ---- A plan held against an observed outline, worked on an invented one


def compare_example() -> str:
    """The demo's bench held against a tongue that nobody has seen."""
    given = {"members": 12, "tracers": 50, "cell_m": 6.0}
    changes = [Override(section="snow", key=key, value=value) for key, value in given.items()]
    plan = make_plan(apply_overrides(read_scenario(shared_folder("demo") / "bench.toml"), changes))
    x, y = plan.model.release.top_m
    middle = plan.debris.outline.centroid
    way = math.dist((x, y), (middle.x, middle.y))
    down = ((middle.x - x) / way, (middle.y - y) / way)
    tongue = LineString(
        [(x + 0.6 * way * down[0], y + 0.6 * way * down[1]), (x + 1.5 * way * down[0], y + 1.5 * way * down[1])]
    )
    match = compare_outline(plan.debris.probability, plan.debris.outline, MultiPolygon([tongue.buffer(20.0)]), (x, y))
    return "```\n" + match_text(match).split("\n\nPlanning")[0] + "\n```"


# ---- (g) Burial


def burial(by_size: dict[int, Weighed]) -> str:
    """Share fully buried by size, crown, drop and length, for both named laws."""
    laws = burial_laws()
    u = (np.arange(100) + 0.5) / 100
    rows = []
    for size, found in by_size.items():
        row = REPORTED["buried"]["by_size"][str(size)]
        got = [buried(found.events, found.weights, laws[name].relative_depth(u)) for name in laws]
        rows.append(
            (
                f"size {size}",
                per_cent(row["share"]),
                f"Tirol, {row['persons']} persons",
                *map(per_cent, got),
                "tuned to",
            )
        )
    counts = {size: REPORTED["buried"]["by_size"][str(size)]["persons"] for size in SIZES}
    pooled = slopes.join([found.events for found in by_size.values()])
    weights = np.concatenate([found.weights / found.weights.sum() * counts[size] for size, found in by_size.items()])
    for key, field, words, source in (
        ("by_crown", "slab_m", "crown", "Utah"),
        ("by_drop", "drop_m", "drop", "Utah"),
        ("by_length", "length_m", "length", "Tirol"),
    ):
        for row in REPORTED["buried"][key]["rows"]:
            keep = (getattr(pooled, field) >= row["from_m"]) & (getattr(pooled, field) < row["to_m"])
            part = pooled.part(keep)
            got = [buried(part, weights[keep], laws[name].relative_depth(u)) for name in laws]
            last = row is REPORTED["buried"][key]["rows"][-1]
            span = f"{row['from_m']:g} m and more" if last else f"{row['from_m']:g} to {row['to_m']:g} m"
            rows.append(
                (
                    f"{words} {span}",
                    per_cent(row["share"]),
                    f"{source}, {row['persons']} persons",
                    *(no_data(v) for v in got),
                    "not tuned",
                )
            )
    names = [f"{name} (misfit {law.misfit:.1f})" for name, law in laws.items()]
    elsewhere = "; ".join(
        f"{row['where']} {per_cent(row['share'])} of {row['persons']}"
        for row in REPORTED["buried"]["elsewhere"].values()
    )
    return table(("events with", "fully buried, reported", "source", *names, ""), rows) + f"\n\nElsewhere: {elsewhere}."


def no_data(share: float) -> str:
    """Whole per cent, or no data."""
    return per_cent(share) if math.isfinite(share) else "no data"


def buried(events: Events, weights: Array, relative: Array) -> float:
    """Share of the carried with more than 0.3 m above them."""
    known = np.isfinite(events.persons_m)
    each = weights[:, None] * known
    if each.sum() <= 0.0:
        return math.nan
    deep = (np.nan_to_num(events.persons_m)[:, :, None] * relative > calibrate.FULLY_M).mean(axis=2)
    return float((deep * each).sum() / each.sum())


# ---- Figures and the page


def draw_quantiles(by_size: dict[int, Weighed], path: Path) -> None:
    """Lengths, widths and reach angles: reported and of the model, 5 to 95 and 25 to 75 %."""
    figure, panels = plt.subplots(1, 3, figsize=(9.0, 3.0), layout="constrained")
    for axes, (name, words, log) in zip(
        panels,
        (
            ("length_m", "length (m)", True),
            ("width_m", "width (m)", True),
            ("reach_deg", "reach angle (degrees)", False),
        ),
        strict=True,
    ):
        for size, found in by_size.items():
            q = reported(name, size)[1] if name != "reach_deg" else reported("reach_angle_deg", "any")[1]
            for values, colour, aside in ((q, REPORT, -0.14), (found.of(name), MODEL, 0.14)):
                axes.plot([size + aside] * 2, values[[0, 4]], color=colour, linewidth=1.2)
                axes.plot([size + aside] * 2, values[[1, 3]], color=colour, linewidth=5.0, solid_capstyle="butt")
                axes.plot(size + aside, values[2], "o", color="white", markeredgecolor=colour, markersize=5)
        axes.set(xticks=list(by_size), xlabel="size", title=words)
        if log:
            axes.set_yscale("log")
    panels[0].plot([], [], color=REPORT, linewidth=5.0, label="reported")
    panels[0].plot([], [], color=MODEL, linewidth=5.0, label="model")
    panels[0].legend(frameon=False)
    save(figure, path)


def draw_speed(by_size: dict[int, Weighed], path: Path) -> None:
    """Greatest speed against drop with the bound for major avalanches."""
    figure, axes = plt.subplots(figsize=(5.0, 3.2), layout="constrained")
    for size, found in by_size.items():
        keep = found.weights > np.quantile(found.weights, 0.5)
        axes.plot(found.events.drop_m[keep], found.events.fastest_m_s[keep], ".", markersize=3, label=f"size {size}")
    drop = np.geomspace(5.0, 2500.0, 50)
    axes.plot(drop, np.sqrt(0.5 * GRAVITY_M_S2 * drop), color=INK, label="sqrt(g H / 2)")
    axes.set(xscale="log", yscale="log", xlabel="drop H (m)", ylabel="greatest speed (m/s)")
    axes.legend(frameon=False, fontsize=8)
    save(figure, path)


def save(figure: plt.Figure, path: Path) -> None:
    """The same picture gives the same bytes."""
    path.parent.mkdir(exist_ok=True)
    figure.savefig(path, dpi=110, metadata={"Software": None})
    plt.close(figure)


def page(events: Events) -> str:
    """The page in Markdown."""
    by_size = {size: Weighed(events, size) for size in SIZES}
    draw_quantiles(by_size, DOCS / "validation" / "dimensions.png")
    draw_speed(by_size, DOCS / "validation" / "speeds.png")
    laws = "; ".join("size {}: {:.2f}, {:.2f}, {:.2f}".format(size, *friction_by_size(size)) for size in SIZES)
    return TEXT.format(
        events=events.size.size,
        slopes=np.unique(events.slope).size,
        laws=laws,
        rest=per_cent(float(events.at_rest.mean())),
        dimensions=dimensions(by_size),
        real=real_slopes(),
        compared=compare_example(),
        deposits=deposits(by_size),
        extreme=extreme_runout(events),
        speeds=speeds(by_size),
        laboratory=laboratory(),
        burial=burial(by_size),
    )


TEXT = (Path(__file__).with_name("validation_page.md")).read_text(encoding="utf-8")


def main() -> None:
    """Work out and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=Path, help="events kept by calibrate.py --keep; else they are run again")
    given = parser.parse_args()
    events = slopes.kept_events(given.events) if given.events else slopes.run_all(calibrate.EVENTS, calibrate.SEED)
    (DOCS / "validation.md").write_text(page(events), encoding="utf-8")


if __name__ == "__main__":
    main()
