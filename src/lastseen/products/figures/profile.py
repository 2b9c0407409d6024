"""The long profile of the main path: ground, deposit, travel angle, beta point, outer envelope."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from lastseen.grid import FloatArray, Grid
from lastseen.motion.runout import middle_event
from lastseen.products.figures.canvas import SIZE, SMALL, footing, heading, new_figure, plain_look, write_png
from lastseen.products.palette import Palette, load_palette

if TYPE_CHECKING:
    from lastseen.plan import Model, Plan

WIDTH_MM, HEIGHT_MM = 250.0, 130.0
SAMPLE_M = 2.0
EXAGGERATIONS = (1, 2, 5, 10, 20, 50)
WANTED_SHARE = 0.12  # of the height of the profile, for the thickest debris
ACROSS_M = 15.0  # debris is the greatest within this distance to either side of the path: deposits meander


def write_profile(plan: Plan, model: Model, path: Path) -> None:
    """Draw the profile to a PNG."""
    with plain_look():
        palette = load_palette()
        under = (
            "Along the main flow path (a slippery body from the top of the release). "
            f"Debris: the greatest within {ACROSS_M:.0f} m of it. Straight lines are shorter than the way."
        )
        figure = new_figure(WIDTH_MM, HEIGHT_MM)
        heading(figure, palette, f"{plan.scenario.name or 'Plan'}: long profile", under)
        footing(figure, palette, (), round(0.8 * WIDTH_MM))
        axes = figure.add_axes((0.075, 0.17, 0.90, 0.68))
        _draw(axes, plan, model, palette)
        write_png(figure, path)


def _draw(axes: Axes, plan: Plan, model: Model, palette: Palette) -> None:
    along, ground, x, y = _samples(model)
    middle = model.events.over(plan.terrain.elevation, _middle(model))
    layers = [
        ("middle event", _across(middle, x, y), palette.thickness.ramp[3], "-"),
        ("thinner in 90 % of events", _across(plan.debris.thickness_p90_m, x, y), palette.debris.outline, (0, (4, 2))),
    ]
    thickest = max(float(np.nanmax(values)) for _, values, _, _ in layers)
    times = _exaggeration(thickest, float(np.ptp(ground)))
    ink = palette.ground
    axes.fill_between(along, ground.min() - 0.04 * np.ptp(ground), ground, color=ink.relief[0], alpha=0.35, linewidth=0)
    axes.plot(along, ground, color=ink.frame, linewidth=1.4, label="ground")
    for name, values, colour, dashes in layers:
        top = ground + times * np.nan_to_num(values)
        shown = np.where(np.nan_to_num(values) > 0.0, top, np.nan)
        if dashes == "-":
            axes.fill_between(along, ground, top, color=colour, linewidth=0, label=f"debris × {times}, {name}")
        else:
            axes.plot(along, shown, color=colour, linewidth=1.0, linestyle=dashes, label=f"debris × {times}, {name}")
    _draw_angles(axes, model, along, ground, palette)
    _draw_release(axes, plan, model, x, y, along, ground, palette)
    axes.set_xlabel("horizontal distance from the top of the release, m", size=SIZE)
    axes.set_ylabel("elevation, m", size=SIZE)
    axes.tick_params(labelsize=SMALL, width=0.5, length=2.5)
    axes.set_xlim(along[0], along[-1])
    low, high = float(ground.min()), float(ground.max())
    axes.set_ylim(low - 0.04 * (high - low), high + 0.10 * (high - low))
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.grid(visible=True, color=ink.grid, linewidth=0.3)
    axes.set_axisbelow(True)
    axes.legend(fontsize=SMALL, frameon=True, facecolor=ink.paper, edgecolor=ink.grid, loc="upper right")


def _samples(model: Model) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Distance, height and place along the main path, at even steps."""
    profile = model.paths.profile_m
    line = model.paths.main
    along = np.arange(0.0, max(float(profile[-1, 0]), SAMPLE_M), SAMPLE_M)
    points = np.array([line.interpolate(float(one)).coords[0][:2] for one in along])
    return along, np.interp(along, profile[:, 0], profile[:, 1]), points[:, 0], points[:, 1]


def _middle(model: Model) -> FloatArray:
    """Debris of the middle event over the extent of all."""
    found: FloatArray = model.events.thickness()[middle_event(model.release, model.events)].astype(float)
    return found


def _across(thickness: Grid, x: FloatArray, y: FloatArray) -> FloatArray:
    """The greatest thickness on a line across the path, at each sample."""
    dx, dy = np.gradient(x), np.gradient(y)
    length = np.maximum(np.hypot(dx, dy), 1e-9)
    best = np.full(x.size, -np.inf)
    for aside in np.arange(-ACROSS_M, ACROSS_M + 0.1, 1.5):
        best = np.fmax(best, thickness.sample(x - aside * dy / length, y + aside * dx / length))
    return np.where(np.isfinite(best), best, np.nan)


def _exaggeration(thickest_m: float, height_m: float) -> int:
    """How often the thickness is drawn larger, a round number."""
    wanted = WANTED_SHARE * height_m / max(thickest_m, 1e-6)
    return max((one for one in EXAGGERATIONS if one <= wanted), default=1)


def _draw_angles(axes: Axes, model: Model, along: FloatArray, ground: FloatArray, palette: Palette) -> None:
    """Travel angles from the top of the release, beta point and outer envelope."""
    angle, length, ink = model.runout.travel_angle_deg, model.runout.length_m, palette.snow
    top = float(ground[0])
    low = top - length.p50 * math.tan(math.radians(angle.p50))
    label = f"travel angle {angle.p50:.0f}° (P10 to P90: {angle.p10:.0f}° to {angle.p90:.0f}°), straight to the toe"
    axes.plot([0.0, length.p50], [top, low], color=ink.path, linewidth=1.0, linestyle=(0, (7, 2)), label=label)
    found = model.envelope
    if math.isfinite(found.beta_m):
        height = float(np.interp(found.beta_m, along, ground))
        axes.plot([found.beta_m], [height], marker="v", color=ink.release, markersize=6, linestyle="none",
                  label=f"beta point, {found.beta_deg:.0f}° from the top")  # fmt: skip
    if not found.ends:
        axes.plot([], [], linestyle="none", label=f"outer envelope {found.note.split(':')[0]}")
    shown = [(name, alpha, at) for name, alpha, _, at, _ in found.ends if math.isfinite(at)]
    for k, (name, alpha, at) in enumerate(shown):
        height = float(np.interp(at, along, ground))
        label = f"outer envelope of extreme events ({name}, {alpha:.0f}°)"
        axes.plot([at], [height], marker="x|+"[k % 3], color=ink.release, markersize=7, markeredgewidth=1.2,
                  linestyle="none", label=label)  # fmt: skip


def _draw_release(
    axes: Axes, plan: Plan, model: Model, x: FloatArray, y: FloatArray, along: FloatArray, ground: FloatArray,
    palette: Palette,
) -> None:  # fmt: skip
    """Where the path lies in the release, and where the person was last seen."""
    from shapely import contains_xy  # noqa: PLC0415  only here

    inside = contains_xy(model.release.outline, x, y)
    if inside.any():
        axes.plot(along[inside], ground[inside], color=palette.snow.release, linewidth=3.5, label="release")
    if plan.at_m is not None:
        near = int(np.argmin(np.hypot(x - plan.at_m[0], y - plan.at_m[1])))
        axes.plot([along[near]], [ground[near]], marker="P", color=palette.person.line, markersize=7, linestyle="none",
                  label="last-seen point")  # fmt: skip
