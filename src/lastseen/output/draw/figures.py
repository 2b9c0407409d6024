"""Plain figures: the middle event of a plan, the clock of a rescue, the receive range."""

from __future__ import annotations

import math
from dataclasses import dataclass
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
from shapely import box, contains_xy, union_all

from lastseen.core import FloatArray, Grid, outline_of_level, two_figures
from lastseen.output.draw.drawing import (
    FOOT_MM,
    HEAD_MM,
    SIZE,
    SMALL,
    draw_area,
    draw_footing,
    draw_heading,
    fixed_look,
    new_figure,
    size_mm,
    style_axes,
    write_png,
)
from lastseen.output.draw.features import draw_last_seen, draw_release_outline
from lastseen.output.draw.layout import Extent
from lastseen.output.draw.palette import Palette, load_palette
from lastseen.output.draw.relief import contours, draw_cells, draw_relief, drawn_lattice
from lastseen.rescue import (
    APPROACH,
    ReceiveRange,
    RescueClock,
    SurvivalCurve,
    older_curves,
    range_cdf,
    survival_bounds_percent,
    survival_percent,
)

if TYPE_CHECKING:
    from lastseen.jobs import Model, Plan

# ---- The long profile of the main path: ground, deposit, travel angle, beta point, outer envelope

PROFILE_WIDTH_MM, PROFILE_HEIGHT_MM = 250.0, 130.0
SAMPLE_M = 2.0
EXAGGERATIONS = (1, 2, 5, 10, 20, 50)
WANTED_SHARE = 0.12  # of the height of the profile, for the thickest debris
ACROSS_M = 15.0  # debris is the greatest within this distance to either side of the path: deposits meander


def write_profile(plan: Plan, model: Model, path: Path) -> None:
    """Draw the profile to a PNG."""
    under = (
        "Along the main flow path (a slippery body from the top of the release). "
        f"Debris: the greatest within {ACROSS_M:.0f} m of it. Straight lines are shorter than the way."
    )
    with fixed_look(SIZE):
        palette, figure = load_palette(), new_figure(PROFILE_WIDTH_MM, PROFILE_HEIGHT_MM)
        draw_heading(figure, palette, f"{plan.scenario.name or 'Plan'}: long profile", under)
        draw_footing(figure, palette, (), round(0.8 * PROFILE_WIDTH_MM))
        _draw_profile(figure.add_axes((0.075, 0.17, 0.90, 0.68)), plan, model, palette)
        write_png(figure, path)


def _draw_profile(axes: Axes, plan: Plan, model: Model, palette: Palette) -> None:
    from lastseen.jobs import find_middle_event  # noqa: PLC0415  slow to import

    profile, line = model.paths.profile_m, model.paths.main
    along = np.arange(0.0, max(float(profile[-1, 0]), SAMPLE_M), SAMPLE_M)
    ground = np.interp(along, profile[:, 0], profile[:, 1])
    x, y = np.array([line.interpolate(float(metres)).coords[0][:2] for metres in along]).T
    middle, p90 = find_middle_event(plan, model).thickness_m, plan.debris.thickness_p90_m
    layers = [
        ("middle event", _across(middle, x, y), palette.thickness.ramp[3], "-"),
        ("thinner in 90 % of events", _across(p90, x, y), palette.debris.outline, (0, (4, 2))),
    ]
    thickest = max(float(np.nanmax(values)) for _, values, _, _ in layers)
    wanted = WANTED_SHARE * float(np.ptp(ground)) / max(thickest, 1e-6)
    times = max((times for times in EXAGGERATIONS if times <= wanted), default=1)
    ink = palette.ground
    axes.fill_between(along, ground.min() - 0.04 * np.ptp(ground), ground, color=ink.relief[0], alpha=0.35, linewidth=0)
    axes.plot(along, ground, color=ink.frame, linewidth=1.4, label="ground")
    for name, values, colour, dashes in layers:
        top, label = ground + times * np.nan_to_num(values), f"debris × {times}, {name}"
        if dashes == "-":
            axes.fill_between(along, ground, top, color=colour, linewidth=0, label=label)
        else:
            seen = np.where(np.nan_to_num(values) > 0.0, top, np.nan)
            axes.plot(along, seen, color=colour, linewidth=1.0, linestyle=dashes, label=label)
    _draw_angles(axes, model, along, ground, palette)
    inside = contains_xy(model.release.outline, x, y)
    if inside.any():
        axes.plot(along[inside], ground[inside], color=palette.snow.release, linewidth=3.5, label="release")
    if plan.at_m is not None:
        near = int(np.argmin(np.hypot(x - plan.at_m[0], y - plan.at_m[1])))
        point: dict[str, Any] = {"marker": "P", "color": palette.person.line, "markersize": 7, "linestyle": "none"}
        axes.plot([along[near]], [ground[near]], label="last-seen point", **point)
    axes.set_xlabel("horizontal distance from the top of the release, m", size=SIZE)
    axes.set_ylabel("elevation, m", size=SIZE)
    axes.tick_params(labelsize=SMALL, width=0.5, length=2.5)
    low, high = float(ground.min()), float(ground.max())
    axes.set(xlim=(along[0], along[-1]), ylim=(low - 0.04 * (high - low), high + 0.10 * (high - low)))
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(visible=True, color=ink.grid, linewidth=0.3)
    axes.set_axisbelow(True)
    axes.legend(fontsize=SMALL, frameon=True, facecolor=ink.paper, edgecolor=ink.grid, loc="upper right")


def _across(thickness: Grid, x: FloatArray, y: FloatArray) -> FloatArray:
    """The greatest thickness on a line across the path, at each sample."""
    dx, dy = np.gradient(x), np.gradient(y)
    length = np.maximum(np.hypot(dx, dy), 1e-9)
    best = np.full(x.size, -np.inf)
    for aside in np.arange(-ACROSS_M, ACROSS_M + 0.1, 1.5):
        best = np.fmax(best, thickness.sample(x - aside * dy / length, y + aside * dx / length))
    return np.where(np.isfinite(best), best, np.nan)


def _draw_angles(axes: Axes, model: Model, along: FloatArray, ground: FloatArray, palette: Palette) -> None:
    angle, length, ink = model.runout.travel_angle_deg, model.runout.length_m, palette.snow
    top = float(ground[0])
    low = top - length.p50 * math.tan(math.radians(angle.p50))
    label = f"travel angle {angle.p50:.0f}° (P10 to P90: {angle.p10:.0f}° to {angle.p90:.0f}°), straight to the toe"
    axes.plot([0.0, length.p50], [top, low], color=ink.path, linewidth=1.0, linestyle=(0, (7, 2)), label=label)
    found = model.envelope
    if math.isfinite(found.beta_m):
        height = float(np.interp(found.beta_m, along, ground))
        look: dict[str, Any] = {"marker": "v", "color": ink.release, "markersize": 6, "linestyle": "none"}
        axes.plot([found.beta_m], [height], label=f"beta point, {found.beta_deg:.0f}° from the top", **look)
    if not found.ends:
        axes.plot([], [], linestyle="none", label=f"outer envelope {found.note.split(':')[0]}")
    shown = [(name, alpha, at) for name, alpha, _, at, _ in found.ends if math.isfinite(at)]
    for k, (name, alpha, at) in enumerate(shown):
        height = float(np.interp(at, along, ground))
        label = f"outer envelope of extreme events ({name}, {alpha:.0f}°)"
        look = {"marker": "x|+"[k % 3], "color": ink.release, "markersize": 7, "markeredgewidth": 1.2}
        axes.plot([at], [height], linestyle="none", label=label, **look)


# ---- How thick the debris lies: the middle event, and the mean over all events

PANEL_MM = 128.0  # longest side of a panel
GAP_MM, LEGEND_MM = 4.0, 13.0
MARGIN_SHARE = 0.08
NEAR = 1.3  # the release is shown where that makes the map at most this many times as large
LEAST_ASPECT = 0.62  # of a panel, so that its title fits
ROUND_M = (10, 20, 50, 100, 200, 500, 1000)


def write_thickness(plan: Plan, model: Model, path: Path) -> None:
    """Draw two maps of thickness side by side to a PNG."""
    from lastseen.jobs import find_middle_event  # noqa: PLC0415  slow to import

    with fixed_look(SIZE):
        palette, extent, middle = load_palette(), _extent_of(plan, model), find_middle_event(plan, model)
        wide, high = _panel_size(extent)
        panels = (
            (middle.thickness_m, f"Middle event: {two_figures(middle.volume_m3)} m³ of debris"),
            (plan.debris.thickness_m, f"Mean over {len(model.ensemble.members)} events"),
        )
        width, height = max(2 * wide + 3 * GAP_MM, 170.0), high + HEAD_MM + 6.0 + LEGEND_MM + FOOT_MM
        figure, title = new_figure(width, height), f"{plan.scenario.name or 'Plan'}: thickness of the debris"
        draw_heading(figure, palette, title, "Vertical, at deposit density. Single events end as on the left.")
        draw_footing(figure, palette, (), round(0.78 * width))
        left = 0.5 * (width - 2 * wide - GAP_MM)
        for k, (grid, name) in enumerate(panels):
            place = (left + k * (wide + GAP_MM), FOOT_MM + LEGEND_MM, wide, high)
            _draw_traps(_draw_snow(figure, place, extent, (plan, model), grid), model, palette, extent)
            figure.text(place[0] / width, (place[1] + high + 1.2) / height, name, size=SIZE, va="bottom", weight="bold")
        _draw_legend(figure, palette, (extent[2] - extent[0]) / wide)
        write_png(figure, path)


def _extent_of(plan: Plan, model: Model) -> Extent:
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


def _panel_size(extent: Extent) -> tuple[float, float]:
    wide, high = extent[2] - extent[0], extent[3] - extent[1]
    k = PANEL_MM / max(wide, high)
    return wide * k, high * k


def _draw_snow(figure: Figure, place: Extent, extent: Extent, content: tuple[Plan, Model], thickness: Grid) -> Axes:
    """A map at a place in millimetres (left, bottom, width, height): ground, snow, release, last-seen point."""
    plan, model = content
    palette, (width, height) = load_palette(), size_mm(figure)
    axes = figure.add_axes((place[0] / width, place[1] / height, place[2] / width, place[3] / height))
    axes.set(xlim=extent[::2], ylim=extent[1::2], autoscale_on=False, xticks=[], yticks=[])
    k, ink = (extent[2] - extent[0]) / place[2], palette.ground
    drawn = drawn_lattice(plan.terrain.elevation, extent, k)
    draw_relief(axes, drawn, palette)
    lines = contours(drawn, k)
    for index, colour, thick in ((False, ink.contour, 0.35), (True, ink.contour_index, 0.7)):
        chosen = [line for height_m, line in lines.lines if lines.is_index(height_m) == index]
        axes.add_collection(LineCollection(chosen, colors=colour, linewidths=thick, zorder=2))
    _draw_thickness(axes, thickness, palette)
    draw_release_outline(axes, model.release.outline, palette, 1.3)
    draw_last_seen(axes, palette, plan.at_m, radius_m=plan.radius_m, arm_m=2.2 * k)
    return axes


def _draw_thickness(axes: Axes, thickness: Grid, palette: Palette) -> None:
    ramp = palette.thickness
    with np.errstate(invalid="ignore"):
        shown = np.ma.masked_where(~(thickness.values >= ramp.levels_m[0]), thickness.values)
    norm = BoundaryNorm([*ramp.levels_m, 1e3], len(ramp.ramp))
    look = {"cmap": ListedColormap(list(ramp.ramp)), "norm": norm, "alpha": palette.debris.opacity, "zorder": 1}
    draw_cells(axes, thickness, shown, interpolation="nearest", **look)


def _draw_traps(axes: Axes, model: Model, palette: Palette, extent: Extent) -> None:
    edge = {"edgecolor": palette.traps.colour, "linewidth": 0.6, "linestyle": (0, (3, 2)), "zorder": 3}
    card = {"boxstyle": "round,pad=0.15", "facecolor": palette.ground.paper, "linewidth": 0, "alpha": 0.8}
    look: dict[str, Any] = {"size": SIZE, "weight": "bold", "ha": "center", "va": "center", "zorder": 6, "bbox": card}
    for trap in model.traps:
        draw_area(axes, trap.outline, facecolor="none", **edge)
        seen = trap.outline.intersection(box(*extent))
        if not seen.is_empty:
            at = seen.representative_point()
            axes.text(at.x, at.y, f"{trap.letter}{trap.number}", **look)


def _draw_legend(figure: Figure, palette: Palette, metres_per_mm: float) -> None:
    ramp, ink = palette.thickness, palette.snow
    pairs = zip(ramp.levels_m[:-1], ramp.levels_m[1:], strict=True)
    ends = [*(f"{low:g}–{high:g} m" for low, high in pairs), f"over {ramp.levels_m[-1]:g} m"]
    edge: dict[str, Any] = {"edgecolor": palette.ground.grid, "linewidth": 0.4}
    handles = [
        *(Patch(facecolor=c, label=t, **edge) for c, t in zip(ramp.ramp, ends, strict=True)),
        Patch(fill=False, edgecolor=ink.release, linestyle="-.", label="release"),
        Patch(fill=False, edgecolor=palette.traps.colour, linestyle="--", label="terrain trap"),
    ]
    width, height = size_mm(figure)
    look = {"ncol": 5, "fontsize": SMALL, "frameon": False, "handlelength": 1.5, "columnspacing": 1.0}
    figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(2.5 / width, (FOOT_MM + 1.0) / height), **look)
    step = max((metres for metres in ROUND_M if metres / metres_per_mm <= 40.0), default=ROUND_M[0])
    long = step / metres_per_mm
    x, y = (width - 4.0 - long) / width, (FOOT_MM + 6.5) / height
    figure.add_artist(Rectangle((x, y), long / width, 0.8 / height, color=palette.ground.frame))
    figure.text(x + 0.5 * long / width, y + 1.2 / height, f"{step} m", size=SMALL, ha="center", va="bottom")


# ---- The middle event as it moves, as a GIF. Made only where somebody asks for it

FRAME_DPI, FRAME_MS, LAST_FRAME_MS = 90, 120, 3000
MOVING_LEGEND_MM = 17.0


def write_animation(plan: Plan, model: Model, path: Path) -> None:
    """Draw the depth of the middle event over time; flow ensembles only."""
    from lastseen.jobs import replay_middle_event  # noqa: PLC0415  the flow runs again

    with fixed_look(SIZE):
        frames = [_draw_frame(plan, model, time_s, depth) for time_s, depth in replay_middle_event(plan, model)]
    shown = [frame.quantize(64, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE) for frame in frames]
    lasts = [FRAME_MS] * (len(shown) - 1) + [LAST_FRAME_MS]
    shown[0].save(path, format="GIF", save_all=True, append_images=shown[1:], duration=lasts, loop=0)


def _draw_frame(plan: Plan, model: Model, time_s: float, depth: Grid) -> Image.Image:
    palette, extent = load_palette(), _extent_of(plan, model)
    wide, high = _panel_size(extent)
    width, height = max(wide + 8.0, 140.0), high + HEAD_MM + 4.0 + MOVING_LEGEND_MM + FOOT_MM
    figure, title = new_figure(width, height), f"{plan.scenario.name or 'Plan'}: middle event"
    draw_heading(figure, palette, title, f"Depth of the snow after {time_s:.0f} s, before it packs")
    draw_footing(figure, palette, (), round(0.74 * width))
    place = (0.5 * (width - wide), FOOT_MM + MOVING_LEGEND_MM, wide, high)
    axes = _draw_snow(figure, place, extent, (plan, model), depth)
    axes.text(0.02, 0.98, f"{time_s:.0f} s", transform=axes.transAxes, size=SIZE + 4, weight="bold", va="top")
    _draw_legend(figure, palette, (extent[2] - extent[0]) / wide)
    figure.set_dpi(FRAME_DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call]
    picture: Any = canvas.buffer_rgba()  # type: ignore[no-untyped-call]
    return Image.fromarray(np.asarray(picture)).convert("RGB")


# ---- The clock as a figure: survival above, the phases of the rescue below, one time axis

_CLOCK_WIDTH_MM, _CLOCK_HEIGHT_MM = 190.0, 155.0
CLOCK_SIZES = (SIZE, SMALL)
_NAMES = ("low", "typical", "high")
_OLDER_DASHES = ((1, 1), (3, 1), (5, 1, 1, 1), (7, 2))


def write_clock_figure(clock: RescueClock, path: Path, title: str = "Rescue clock") -> None:
    """Draw survival and phases on one time axis and write them as PNG; readable in grey.

    Bars are the typical times. The thin line through the end of a bar runs from the end with all low times to the end
    with all high ones. Where the curve was not published, the hatched band shows the bounds.
    """
    with fixed_look(SIZE):
        palette, figure = load_palette(), new_figure(_CLOCK_WIDTH_MM, _CLOCK_HEIGHT_MM)
        upper = figure.add_axes((0.30, 0.575, 0.67, 0.30))
        lower = figure.add_axes((0.30, 0.235, 0.67, 0.30), sharex=upper)
        longest = clock.total_s.high / 60.0
        for axes in (upper, lower):
            style_axes(axes, palette)
            axes.set_xlim(0.0, 1.06 * longest)
        draw_survival(upper, clock, palette, 1.06 * longest)
        draw_phases(lower, clock, palette)
        low, typical, high = (time / 60.0 for time in clock.total_s.three)
        under = f"Accident to head and chest free: {low:.0f} / {typical:.0f} / {high:.0f} min (low / typical / high)"
        draw_heading(figure, palette, title, under)
        curve = clock.curve
        beside = ", ".join(other.name for other in older_curves(curve))
        survival = (
            f"Survival: {curve.name}, {curve.title}. {curve.source}. Averages, no forecast for one person. Thin lines: "
            f"{beside}, where they have data. Shaded: the approach."
        )
        phases = (
            "Phases: ICAR 2008. Bar: typical; line: end with all low to end with all high times. Times without source "
            "are from memory or design choices."
        )
        missing = [note for note in clock.notes if "diggers" in note]
        draw_footing(figure, palette, (survival, " ".join([phases, *missing])))
        write_png(figure, path)


def draw_survival(
    axes: Axes, clock: RescueClock, palette: Palette, longest_min: float,
    *, sizes: tuple[float, float] = CLOCK_SIZES, named: bool = True,
) -> None:  # fmt: skip
    """Survival over time with the three ends, named where there is room; sizes of text and small text in points."""
    ink = palette.person
    at = np.array([minute for minute in clock.curve.minutes if np.isfinite(minute)])
    # Both sides of every published minute, so that steps are drawn upright.
    minutes = np.unique(np.concatenate([np.linspace(0.0, longest_min, 1201), at, at + 1e-6]))
    minutes = minutes[minutes <= longest_min]
    bounds = np.array([survival_bounds_percent(clock.curve, float(t)) for t in minutes])
    known = [survival_percent(clock.curve, float(t)) for t in minutes]
    values = np.array([np.nan if percent is None else percent for percent in known])
    open_here = np.isnan(values)
    axes.plot(minutes, values, color=ink.line, linewidth=2.0, solid_capstyle="butt", zorder=4)
    if open_here.any():
        band: dict[str, Any] = {"facecolor": "none", "edgecolor": ink.light, "hatch": "////", "linewidth": 0.0}
        axes.fill_between(minutes, bounds[:, 0], bounds[:, 1], where=open_here.tolist(), zorder=2, **band)
        card = {"facecolor": palette.ground.paper, "edgecolor": "none", "pad": 1.0}
        look: dict[str, Any] = {"transform": axes.transAxes, "size": sizes[1], "ha": "right", "zorder": 7, "bbox": card}
        axes.text(0.92, 0.9, "hatched: no data, bounds only", color=palette.ground.faint_text, **look)
    for other, dashes in zip(older_curves(clock.curve), _OLDER_DASHES, strict=False):
        _draw_older(axes, other, minutes, palette, dashes=dashes, size=sizes[1] if named else 0.0)
    _shade_approach(axes, clock, palette)
    axes.set(ylim=(0.0, 104.0), ylabel="alive (%)")
    axes.tick_params(labelbottom=False)
    _mark_ends(axes, clock, palette, sizes[0], named=named)


def _draw_older(
    axes: Axes,
    curve: SurvivalCurve,
    minutes: FloatArray,
    palette: Palette,
    *,
    dashes: tuple[float, ...],
    size: float,
) -> None:
    """An older curve beside, thin, where it has data; named at its end in letters of a size, 0 for none."""
    known = [survival_percent(curve, float(t)) for t in minutes]
    values = np.array([np.nan if percent is None else percent for percent in known])
    if np.isnan(values).all():
        return
    axes.plot(minutes, values, color=palette.ground.faint_text, linewidth=0.9, dashes=dashes, zorder=3)
    if size > 0.0:
        at = int(np.flatnonzero(~np.isnan(values))[0])
        look: dict[str, Any] = {"textcoords": "offset points", "color": palette.ground.faint_text, "size": size}
        axes.annotate(curve.name, (minutes[at], values[at]), xytext=(3, -9), zorder=6, **look)


def _shade_approach(axes: Axes, clock: RescueClock, palette: Palette) -> None:
    """The way to the debris as a block of its own: the part of the time that is no search yet."""
    for phase, end in zip(clock.phases, clock.ends_s, strict=True):
        if phase.name == APPROACH:
            start, stop = (end.typical - phase.time_s.typical) / 60.0, end.typical / 60.0
            axes.axvspan(start, stop, color=palette.ground.relief[0], alpha=0.6, linewidth=0.0, zorder=1)


def _mark_ends(axes: Axes, clock: RescueClock, palette: Palette, size: float, *, named: bool) -> None:
    marks, ink = zip(_NAMES, clock.total_s.three, clock.survival_percent, "osD", strict=True), palette.ground
    for name, seconds, (least, greatest), marker in marks:
        x, y = seconds / 60.0, 0.5 * (least + greatest)
        axes.axvline(x, color=ink.frame, linewidth=0.8, dashes=(4, 2), zorder=3)
        axes.plot([x, x], [least, greatest], color=ink.frame, linewidth=2.2, zorder=5)
        edge: dict[str, Any] = {"markeredgecolor": ink.frame, "markeredgewidth": 1.2, "zorder": 6}
        axes.plot([x], [y], marker, markersize=5.5, color=ink.paper, **edge)
        if named:
            share = f"{y:.0f} %" if least == greatest else f"{least:.0f} to {greatest:.0f} %"
            aside, side = (-7, "right") if x > 0.8 * axes.get_xlim()[1] else (7, "left")
            card = {"facecolor": ink.paper, "edgecolor": "none", "pad": 1.0, "alpha": 0.85}
            look: dict[str, Any] = {"textcoords": "offset points", "color": ink.text, "zorder": 7, "bbox": card}
            axes.annotate(f"{name}: {share}", (x, y), xytext=(aside, 7), ha=side, size=size, **look)


def draw_phases(
    axes: Axes, clock: RescueClock, palette: Palette, *, sizes: tuple[float, float] = CLOCK_SIZES, names: float = 0.42
) -> None:
    """The phases one below the other; ``names`` is the room for their names beside the axes, in widths of it."""
    ink = palette.ground
    bar: dict[str, Any] = {"facecolor": ink.relief[0], "edgecolor": ink.frame, "linewidth": 0.8, "zorder": 4}
    span: dict[str, Any] = {"color": ink.frame, "linewidth": 1.0, "capsize": 2.5, "capthick": 1.0, "zorder": 5}
    text: dict[str, Any] = {"transform": axes.transAxes, "va": "center"}
    rows = len(clock.phases)
    for row, (phase, end) in enumerate(zip(clock.phases, clock.ends_s, strict=True)):
        stop, y = end.typical / 60.0, 1.0 - (row + 0.5) / rows
        start = stop - phase.time_s.typical / 60.0
        axes.barh(row, max(stop - start, 0.002 * axes.get_xlim()[1]), left=start, height=0.62, **bar)
        axes.errorbar([0.5 * (end.low + end.high) / 60.0], [row], xerr=[[(end.high - end.low) / 120.0]], **span)
        axes.text(-names, y, f"{phase.letter or '–'}  {phase.name}", size=sizes[0], color=ink.text, **text)
        times = format_times(phase.time_s.three)
        axes.text(-0.015, y, times, ha="right", size=sizes[1], color=ink.faint_text, **text)
    axes.set(ylim=(rows - 0.5, -0.5), yticks=[], xlabel="minutes since the accident")
    for time in clock.total_s.three:
        axes.axvline(time / 60.0, color=ink.frame, linewidth=0.8, dashes=(4, 2), zorder=3)


def format_times(three: tuple[float, float, float]) -> str:
    """Low / typical / high, in minutes where it is minutes, else in seconds."""
    if three[2] >= 120.0:
        return " / ".join(f"{time / 60.0:.1f}" if time < 600.0 else f"{time / 60.0:.0f}" for time in three) + " min"
    return " / ".join(f"{time:.0f}" for time in three) + " s"


# ---- The receive range: how it spreads over the ways a transmitter points, and half of each strip

_RANGE_WIDTH_MM, _RANGE_HEIGHT_MM = 190.0, 135.0


@dataclass(frozen=True, kw_only=True)
class StripRow:
    """One strip: name, width in words, half of it."""

    name: str
    width: str
    half_m: tuple[float, float] | None  # from, to; None without data
    used: bool = False


def write_range_figure(found: ReceiveRange, path: Path) -> None:
    """Draw the distribution of the range and half of each strip, and write them as PNG; readable in grey."""
    with fixed_look(SIZE):
        palette, figure = load_palette(), new_figure(_RANGE_WIDTH_MM, _RANGE_HEIGHT_MM)
        upper = figure.add_axes((0.345, 0.52, 0.63, 0.35))
        lower = figure.add_axes((0.345, 0.29, 0.63, 0.19), sharex=upper)
        rows = _strip_rows(found)
        for axes in (upper, lower):
            style_axes(axes, palette)
            axes.axvline(0.5 * found.width_m, color=palette.lanes.colour, linewidth=1.8, zorder=3)
        _draw_distribution(upper, found, rows, palette)
        look: dict[str, Any] = {"frameon": False, "handlelength": 2.2, "borderaxespad": 0.0, "labelspacing": 0.9}
        where: dict[str, Any] = {"loc": "upper left", "bbox_to_anchor": (0.01, 0.88), "fontsize": SMALL}
        lines, names = upper.get_legend_handles_labels()
        figure.legend(lines, names, **where, **look)
        _draw_strips(lower, rows, palette)
        depth = f", buried {found.depth_m:g} m" if found.depth_m else ""
        under = f"Greatest range {found.max_range_m:g} m (sd {found.sd_m:g} m), {found.antennas} antennas{depth}"
        draw_heading(figure, palette, "Receive range and strip width", under)
        sources = [f"{rule.name}: {rule.source}" for rule in found.rules if rule.width_m]
        model = (
            "Ideal magnetic dipole pointing anywhere in space, ideal three-axis receiver: real ranges are shorter. "
            "Upright line: half of the strip that is used."
        )
        draw_footing(figure, palette, (model, "; ".join(sources) + "."))
        write_png(figure, path)


def _strip_rows(found: ReceiveRange) -> list[StripRow]:
    rows = []
    for rule in found.rules:
        name, width, half_m = f"{rule.name}, {rule.year}", "no data", None
        if rule.width_m is not None:
            low, high = rule.width_m.low, rule.width_m.high
            width = f"{low:.1f} m" if low == high else f"{low:.1f} to {high:.1f} m"
            half_m = (0.5 * low, 0.5 * high)
        rows.append(StripRow(name=name, width=width, half_m=half_m))
    name, half = "used: yours" if found.width_given else "used: most often taught", 0.5 * found.width_m
    return [*rows, StripRow(name=name, width=f"{found.width_m:g} m", half_m=(half, half), used=True)]


def _draw_distribution(axes: Axes, found: ReceiveRange, rows: list[StripRow], palette: Palette) -> None:
    ink = palette.person
    end = 1.04 * max(found.max_range_m + 3.0 * found.sd_m, *(row.half_m[1] for row in rows if row.half_m))
    reach = np.linspace(0.0, end, 1401)
    plain = 100.0 * range_cdf(reach, found.max_range_m, 0.0, found.depth_m)
    axes.plot(reach, plain, color=ink.line, linewidth=2.0, label="orientation alone", zorder=4)
    if found.sd_m > 0.0:
        spread = 100.0 * range_cdf(reach, found.max_range_m, found.sd_m, found.depth_m)
        axes.plot(reach, spread, color=ink.line, linewidth=1.4, dashes=(5, 2), label="and spread of devices", zorder=4)
    axes.set(xlim=(0.0, end), ylim=(0.0, 104.0), ylabel="transmitters with a\nshorter reach (%)")
    axes.tick_params(labelbottom=False)


def _draw_strips(axes: Axes, rows: list[StripRow], palette: Palette) -> None:
    ink = palette.ground
    text: dict[str, Any] = {"transform": axes.transAxes, "va": "center"}
    bar: dict[str, Any] = {"facecolor": ink.relief[0], "edgecolor": ink.frame, "linewidth": 0.8, "zorder": 4}
    for number, row in enumerate(rows):
        y = 1.0 - (number + 0.5) / len(rows)
        axes.text(-0.515, y, row.name, size=SIZE, color=ink.text, **text)
        axes.text(-0.015, y, row.width, ha="right", size=SMALL, color=ink.faint_text, **text)
        low, high = row.half_m or (0.0, 0.0)
        if high > low:
            axes.barh(number, high - low, left=low, height=0.55, **bar)
        elif row.half_m is not None:
            axes.plot([low], [number], "s" if row.used else "D", color=palette.lanes.colour, markersize=5.5, zorder=5)
    axes.set(ylim=(len(rows) - 0.5, -0.5), yticks=[], xlabel="reach on the snow, and half of each strip (m)")
