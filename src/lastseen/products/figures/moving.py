"""The middle event as it moves, as a GIF. Made only where somebody asks for it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from PIL import Image

from lastseen.motion import felt_ground, replay
from lastseen.motion.runout import middle_event
from lastseen.products.figures.canvas import FOOT_MM, HEAD_MM, SIZE, footing, heading, new_figure, plain_look
from lastseen.products.figures.thickness import draw_legend, draw_thickness, extent_of, map_axes, panel_size
from lastseen.products.mapsheet.drawing import area_patch
from lastseen.products.mapsheet.parts import draw_last_seen
from lastseen.products.palette import load_palette

if TYPE_CHECKING:
    from lastseen.plan import Model, Plan

DPI = 90
MOST_FRAMES = 90
FRAME_MS = 120
LAST_FRAME_MS = 3000
LEGEND_MM = 17.0


def write_animation(plan: Plan, model: Model, path: Path) -> None:
    """Draw the depth of the middle event over time; flow ensembles only."""
    m = middle_event(model.release, model.events)
    every = max(0.5, model.events.each[m].time_s / MOST_FRAMES)
    times, depths = replay(felt_ground(plan.terrain.elevation), model.release, model.events, m, every)
    with plain_look():
        frames = [_frame(plan, model, time_s, depth) for time_s, depth in zip(times, depths, strict=True)]
    shown = [frame.quantize(64, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE) for frame in frames]
    lasts = [FRAME_MS] * (len(shown) - 1) + [LAST_FRAME_MS]
    shown[0].save(path, format="GIF", save_all=True, append_images=shown[1:], duration=lasts, loop=0)


def _frame(plan: Plan, model: Model, time_s: float, depth_m: Any) -> Image.Image:
    """One picture: depth of moving and resting snow at a time."""
    palette, extent = load_palette(), extent_of(plan, model)
    wide, high = panel_size(extent)
    width, height = max(wide + 8.0, 140.0), high + HEAD_MM + 4.0 + LEGEND_MM + FOOT_MM
    title = f"{plan.scenario.name or 'Plan'}: middle event"
    figure = new_figure(width, height)
    heading(figure, palette, title, f"Depth of the snow after {time_s:.0f} s, before it packs")
    footing(figure, palette, (), round(0.74 * width))
    place = (0.5 * (width - wide), FOOT_MM + LEGEND_MM, wide, high)
    axes = map_axes(figure, place, extent, plan, palette)
    lattice = model.events.lattice
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
