"""How thick the debris lies: the middle event, and the mean over all events."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from shapely import box, union_all

from lastseen.grid import Grid
from lastseen.motion.runout import middle_event
from lastseen.outlines import outline_of_level
from lastseen.products.figures.canvas import (
    FOOT_MM,
    HEAD_MM,
    SIZE,
    SMALL,
    footing,
    heading,
    new_figure,
    plain_look,
    write_png,
)
from lastseen.products.mapsheet.drawing import area_patch
from lastseen.products.mapsheet.ground import Extent, contours, drawn_lattice
from lastseen.products.mapsheet.parts import draw_last_seen, draw_relief
from lastseen.products.palette import Palette, load_palette

if TYPE_CHECKING:
    from lastseen.plan import Model, Plan

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
        middle = middle_event(model.release, model.events)
        one = model.events.over(ground, model.events.thickness()[middle].astype(float))
        volume = float(model.events.members.deposit_m3[middle])
        panels = (
            (one, f"Middle event: {volume:,.0f} m³ of debris"),
            (plan.debris.thickness_m, f"Mean over {len(model.events.each)} events"),
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
    width, height = (25.4 * float(one) for one in figure.get_size_inches())
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
    width, height = (25.4 * float(one) for one in figure.get_size_inches())
    figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(2.5 / width, (FOOT_MM + 1.0) / height), ncol=5,
                  fontsize=SMALL, frameon=False, handlelength=1.5, columnspacing=1.0)  # fmt: skip
    step = max((one for one in ROUND_M if one / metres_per_mm <= 40.0), default=ROUND_M[0])
    long = step / metres_per_mm
    x, y = (width - 4.0 - long) / width, (FOOT_MM + 6.5) / height
    figure.add_artist(Rectangle((x, y), long / width, 0.8 / height, color=palette.ground.frame))
    figure.text(x + 0.5 * long / width, y + 1.2 / height, f"{step} m", size=SMALL, ha="center", va="bottom")
