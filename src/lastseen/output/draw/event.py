"""Figures of the middle event: long profile, thickness, and the event as it moves."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from PIL import Image
from shapely import box, union_all

from lastseen.core import FloatArray, Grid, outline_of_level
from lastseen.output.draw.drawing import (
    FOOT_MM,
    HEAD_MM,
    SIZE,
    SMALL,
    area_patch,
    footing,
    heading,
    new_figure,
    plain_look,
    write_png,
)
from lastseen.output.draw.palette import Palette, load_palette
from lastseen.output.draw.parts import draw_last_seen, draw_relief
from lastseen.output.draw.relief import Extent, contours, drawn_lattice
from lastseen.snow import find_middle_member, replay_member, smooth_for_snow

if TYPE_CHECKING:
    from lastseen.jobs import Model, Plan


# ---- The long profile of the main path: ground, deposit, travel angle, beta point, outer envelope

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
    middle = model.ensemble.over(plan.terrain.elevation, _middle(model))
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
    found: FloatArray = model.ensemble.thickness()[find_middle_member(model.release, model.ensemble)].astype(float)
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


# ---- How thick the debris lies: the middle event, and the mean over all events

PANEL_MM = 128.0  # longest side of a panel
GAP_MM, LEGEND_MM = 4.0, 13.0
MARGIN_SHARE = 0.08
NEAR = 1.3  # the release is shown where that makes the map at most this many times as large
LEAST_ASPECT = 0.62  # of a panel, so that its title fits
ROUND_M = (10, 20, 50, 100, 200, 500, 1000)


def write_thickness(plan: Plan, model: Model, path: Path) -> None:
    """Draw two maps of thickness side by side to a PNG."""
    with plain_look():
        palette, ground = load_palette(), plan.terrain.elevation
        extent = extent_of(plan, model)
        wide, high = panel_size(extent)
        middle = find_middle_member(model.release, model.ensemble)
        one = model.ensemble.over(ground, model.ensemble.thickness()[middle].astype(float))
        volume = float(model.ensemble.draws.deposit_m3[middle])
        panels = (
            (one, f"Middle event: {volume:,.0f} m³ of debris"),
            (plan.debris.thickness_m, f"Mean over {len(model.ensemble.members)} events"),
        )
        width, height = max(2 * wide + 3 * GAP_MM, 170.0), high + HEAD_MM + 6.0 + LEGEND_MM + FOOT_MM
        title = f"{plan.scenario.name or 'Plan'}: thickness of the debris"
        figure = new_figure(width, height)
        heading(figure, palette, title, "Vertical, at deposit density. Single events end as on the left.")
        footing(figure, palette, (), round(0.78 * width))
        left = 0.5 * (width - 2 * wide - GAP_MM)
        for k, (grid, name) in enumerate(panels):
            place = (left + k * (wide + GAP_MM), FOOT_MM + LEGEND_MM, wide, high)
            axes = map_axes(figure, place, extent, plan, palette)
            draw_thickness(axes, grid, palette)
            _draw_around(axes, plan, model, palette, extent, (extent[2] - extent[0]) / wide)
            figure.text(place[0] / width, (place[1] + high + 1.2) / height, name, size=SIZE, va="bottom", weight="bold")
        draw_legend(figure, palette, (extent[2] - extent[0]) / wide)
        write_png(figure, path)


def extent_of(plan: Plan, model: Model) -> Extent:
    """The debris with air around, and the release where it is near."""
    thick, least = plan.debris.thickness_p90_m, load_palette().thickness.levels_m[0]
    debris = outline_of_level(thick, least, 4.0 * thick.cell_area_m2)
    parts = plan.debris.outline if debris.is_empty else debris
    west, south, east, north = parts.bounds
    long = max(east - west, north - south)
    whole = union_all([parts, model.release.outline]).bounds
    if max(whole[2] - whole[0], whole[3] - whole[1]) <= NEAR * long:
        west, south, east, north = whole
    more = MARGIN_SHARE * max(east - west, north - south)
    west, south, east, north = west - more, south - more, east + more, north + more
    aside = max(0.0, 0.5 * (LEAST_ASPECT * (north - south) - (east - west)))
    above = max(0.0, 0.5 * (LEAST_ASPECT * (east - west) - (north - south)))
    return west - aside, south - above, east + aside, north + above


def panel_size(extent: Extent) -> tuple[float, float]:
    """Width and height of a panel in millimetres."""
    wide, high = extent[2] - extent[0], extent[3] - extent[1]
    k = PANEL_MM / max(wide, high)
    return wide * k, high * k


def map_axes(
    figure: Figure, place: tuple[float, float, float, float], extent: Extent, plan: Plan, palette: Palette
) -> Axes:
    """Axes at a place in millimetres, with relief and contours."""
    width, height = (25.4 * float(inches) for inches in figure.get_size_inches())
    axes = figure.add_axes((place[0] / width, place[1] / height, place[2] / width, place[3] / height))
    axes.set_xlim(extent[0], extent[2])
    axes.set_ylim(extent[1], extent[3])
    axes.set_autoscale_on(False)
    axes.set_xticks([])
    axes.set_yticks([])
    k = (extent[2] - extent[0]) / place[2]
    drawn = drawn_lattice(plan.terrain.elevation, extent, k)
    draw_relief(axes, drawn, palette)
    lines = contours(drawn, k)
    ink = palette.ground
    for index, colour, thick in ((False, ink.contour, 0.35), (True, ink.contour_index, 0.7)):
        chosen = [line for height_m, line in lines.lines if lines.is_index(height_m) == index]
        axes.add_collection(LineCollection(chosen, colors=colour, linewidths=thick, zorder=2))
    return axes


def draw_thickness(axes: Axes, thickness: Grid, palette: Palette) -> None:
    """Steps of thickness, cell by cell."""
    ramp = palette.thickness
    colours = ListedColormap(list(ramp.ramp))
    norm = BoundaryNorm([*ramp.levels_m, 1e3], colours.N)
    west, south, east, north = thickness.bounds
    with np.errstate(invalid="ignore"):
        shown = np.ma.masked_where(~(thickness.values >= ramp.levels_m[0]), thickness.values)
    axes.imshow(shown, cmap=colours, norm=norm, extent=(west, east, south, north), interpolation="nearest",
                aspect="auto", alpha=palette.debris.opacity, zorder=1)  # fmt: skip


def _draw_around(axes: Axes, plan: Plan, model: Model, palette: Palette, extent: Extent, metres_per_mm: float) -> None:
    """Release, traps and last-seen point."""
    ink = palette.snow
    look = {"edgecolor": ink.release, "linewidth": 1.3, "linestyle": (0, ink.dashes["release"]), "zorder": 4}
    axes.add_patch(area_patch(model.release.outline, fill=False, **look))
    for trap in model.traps:
        edge = {"edgecolor": palette.traps.colour, "linewidth": 0.6, "linestyle": (0, (3, 2)), "zorder": 3}
        axes.add_patch(area_patch(trap.outline, facecolor="none", **edge))
        seen = trap.outline.intersection(box(*extent))
        if seen.is_empty:
            continue
        at, name = seen.representative_point(), f"{trap.letter}{trap.number}"
        card = {"boxstyle": "round,pad=0.15", "facecolor": palette.ground.paper, "linewidth": 0, "alpha": 0.8}
        axes.text(at.x, at.y, name, size=SIZE, weight="bold", ha="center", va="center", zorder=6, bbox=card)
    draw_last_seen(axes, plan.at_m, plan.scenario.last_seen.radius_m, palette, metres_per_mm, 2.2)


def draw_legend(figure: Figure, palette: Palette, metres_per_mm: float) -> None:
    """Steps of thickness, release and last-seen point, and a scale bar."""
    ramp, ink = palette.thickness, palette.snow
    pairs = zip(ramp.levels_m[:-1], ramp.levels_m[1:], strict=True)
    ends = [*(f"{low:g}–{high:g} m" for low, high in pairs), f"over {ramp.levels_m[-1]:g} m"]
    handles = [
        Patch(facecolor=c, edgecolor=palette.ground.grid, linewidth=0.4, label=t)
        for c, t in zip(ramp.ramp, ends, strict=True)
    ]
    handles.append(Patch(fill=False, edgecolor=ink.release, linestyle="-.", label="release"))
    handles.append(Patch(fill=False, edgecolor=palette.traps.colour, linestyle="--", label="terrain trap"))
    width, height = (25.4 * float(inches) for inches in figure.get_size_inches())
    figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(2.5 / width, (FOOT_MM + 1.0) / height), ncol=5,
                  fontsize=SMALL, frameon=False, handlelength=1.5, columnspacing=1.0)  # fmt: skip
    step = max((one for one in ROUND_M if one / metres_per_mm <= 40.0), default=ROUND_M[0])
    long = step / metres_per_mm
    x, y = (width - 4.0 - long) / width, (FOOT_MM + 6.5) / height
    figure.add_artist(Rectangle((x, y), long / width, 0.8 / height, color=palette.ground.frame))
    figure.text(x + 0.5 * long / width, y + 1.2 / height, f"{step} m", size=SMALL, ha="center", va="bottom")


# ---- The middle event as it moves, as a GIF. Made only where somebody asks for it

DPI = 90
MOST_FRAMES = 90
FRAME_MS = 120
LAST_FRAME_MS = 3000
MOVING_LEGEND_MM = 17.0


def write_animation(plan: Plan, model: Model, path: Path) -> None:
    """Draw the depth of the middle event over time; flow ensembles only."""
    m = find_middle_member(model.release, model.ensemble)
    every = max(0.5, model.ensemble.members[m].time_s / MOST_FRAMES)
    times, depths = replay_member(smooth_for_snow(plan.terrain.elevation), model.release, model.ensemble, m, every)
    with plain_look():
        frames = [_frame(plan, model, time_s, depth) for time_s, depth in zip(times, depths, strict=True)]
    shown = [frame.quantize(64, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE) for frame in frames]
    lasts = [FRAME_MS] * (len(shown) - 1) + [LAST_FRAME_MS]
    shown[0].save(path, format="GIF", save_all=True, append_images=shown[1:], duration=lasts, loop=0)


def _frame(plan: Plan, model: Model, time_s: float, depth_m: Any) -> Image.Image:
    """One picture: depth of moving and resting snow at a time."""
    palette, extent = load_palette(), extent_of(plan, model)
    wide, high = panel_size(extent)
    width, height = max(wide + 8.0, 140.0), high + HEAD_MM + 4.0 + MOVING_LEGEND_MM + FOOT_MM
    title = f"{plan.scenario.name or 'Plan'}: middle event"
    figure = new_figure(width, height)
    heading(figure, palette, title, f"Depth of the snow after {time_s:.0f} s, before it packs")
    footing(figure, palette, (), round(0.74 * width))
    place = (0.5 * (width - wide), FOOT_MM + MOVING_LEGEND_MM, wide, high)
    axes = map_axes(figure, place, extent, plan, palette)
    lattice = model.ensemble.lattice
    draw_thickness(axes, lattice.with_values(depth_m.astype(float)), palette)
    ink = palette.snow
    look = {"edgecolor": ink.release, "linewidth": 1.3, "linestyle": (0, ink.dashes["release"]), "zorder": 4}
    axes.add_patch(area_patch(model.release.outline, fill=False, **look))
    draw_last_seen(axes, plan.at_m, plan.scenario.last_seen.radius_m, palette, (extent[2] - extent[0]) / wide, 2.2)
    axes.text(0.02, 0.98, f"{time_s:.0f} s", transform=axes.transAxes, size=SIZE + 4, weight="bold", va="top")
    draw_legend(figure, palette, (extent[2] - extent[0]) / wide)
    figure.set_dpi(DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call]
    picture: Any = canvas.buffer_rgba()  # type: ignore[no-untyped-call]
    return Image.fromarray(np.asarray(picture)).convert("RGB")
