"""What lies on the map: ground, debris, release, traps, probability of area, last-seen point."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.patches import Circle
from scipy import ndimage

from lastseen.grid import FloatArray, Grid
from lastseen.products.mapsheet.drawing import Drawing, area_patch, stroke
from lastseen.products.mapsheet.ground import Contours, contours, relief, slope_lines
from lastseen.products.mapsheet.shown import Shown, TrapMark

if TYPE_CHECKING:
    from lastseen.products.palette import Palette

SLOPES_DEG = (30.0, 40.0)
TRAP_OPACITY = 0.7


def draw_relief(axes: Axes, drawn: Grid, palette: Palette) -> None:
    """Relief in greys."""
    west, south, east, north = drawn.bounds
    plain = LinearSegmentedColormap.from_list("relief", list(palette.ground.relief))
    greys = plain.with_extremes(bad=palette.ground.paper)
    axes.imshow(
        np.ma.masked_invalid(relief(drawn)),
        cmap=greys,
        vmin=0.0,
        vmax=0.95,
        extent=(west, east, south, north),
        interpolation="bilinear",
        aspect="auto",
        zorder=0,
    )


def draw_contours(d: Drawing, drawn: Grid) -> tuple[Contours, list[tuple[float, FloatArray]]]:
    """Contours and lines of equal slope; they are labelled last, where room is left."""
    k, ink = d.sheet.metres_per_mm, d.palette.ground
    found = contours(drawn, k)
    plain = [line for height, line in found.lines if not found.is_index(height)]
    index = [line for height, line in found.lines if found.is_index(height)]
    d.ground.add_collection(LineCollection(plain, colors=ink.contour, linewidths=0.35, zorder=2))
    d.ground.add_collection(LineCollection(index, colors=ink.contour_index, linewidths=0.8, zorder=2.1))
    steep = slope_lines(drawn, SLOPES_DEG, k)
    lines = [line for _, line in steep]
    d.ground.add_collection(
        LineCollection(lines, colors=ink.slope, linewidths=0.6, linestyles=[(0, (0.8, 1.6))], zorder=2.2)
    )
    return found, steep


def draw_debris(axes: Axes, shown: Shown, palette: Palette, width: float) -> None:
    """Steps of probability in one ramp, and the outline that is searched."""
    ink = palette.debris
    if shown.probability is None:
        look = {"facecolor": ink.observed, "alpha": ink.opacity, "linewidth": 0, "zorder": 1}
        axes.add_patch(area_patch(shown.outline, **look))
    else:
        grid = shown.probability
        smooth = ndimage.gaussian_filter(np.nan_to_num(grid.values), 1.0, truncate=3.0)
        rows, cols = np.arange(grid.shape[0]), np.arange(grid.shape[1])
        x, _ = grid.centre_of(0, cols)
        _, y = grid.centre_of(rows, 0)
        steps = (*ink.levels, 1.0001)
        axes.contourf(x, y, smooth, levels=steps, colors=list(ink.ramp), alpha=ink.opacity, zorder=1)
    axes.add_patch(area_patch(shown.outline, fill=False, edgecolor=ink.outline, linewidth=width, zorder=5))


def draw_release(axes: Axes, shown: Shown, palette: Palette, *, fill: bool) -> None:
    """Release, paths and corridors."""
    ink = palette.snow
    for share, area in shown.corridors:
        width = 0.9 if share == 0.5 else 0.5
        look = {"edgecolor": ink.corridor, "linewidth": width, "linestyle": (0, ink.dashes["corridor"]), "zorder": 1.5}
        axes.add_patch(area_patch(area, fill=False, **look))
        if fill and share == 0.1:
            axes.add_patch(area_patch(area, facecolor=ink.corridor, alpha=0.18, linewidth=0, zorder=0.9))
    if shown.path is not None:
        axes.add_line(stroke(shown.path.coords, ink.path, 0.9, ink.dashes["path"], zorder=1.6))
    edge = {"edgecolor": ink.release, "linewidth": 1.5, "linestyle": (0, ink.dashes["release"]), "zorder": 4}
    axes.add_patch(area_patch(shown.release, fill=False, **edge))


def draw_traps(d: Drawing, traps: Sequence[TrapMark]) -> None:
    """Traps by hatch, and where their letters go."""
    signs, colour = d.palette.traps.signs, d.palette.traps.colour
    for trap in traps:
        look = {"facecolor": "none", "edgecolor": colour, "linewidth": 0.7, "zorder": 3, "alpha": TRAP_OPACITY}
        d.ground.add_patch(area_patch(trap.outline, hatch=signs[trap.kind].hatch, **look))


def draw_zones(d: Drawing, shown: Shown) -> None:
    """Edges of the deposition zones."""
    for zone in shown.zones:
        edge = {"edgecolor": d.palette.debris.outline, "linewidth": 0.4, "linestyle": (0, (1.0, 1.0)), "zorder": 2.6}
        d.ground.add_patch(area_patch(zone.outline, fill=False, **edge))


def draw_poa(d: Drawing, shown: Shown) -> None:
    """Probability of area as two lines."""
    ink = d.palette.person
    for (_, area), key, width in zip(shown.poa, ("half", "most"), (1.5, 1.1), strict=False):
        d.ground.add_patch(
            area_patch(area, fill=False, edgecolor=d.palette.ground.paper, linewidth=width + 1.0, zorder=5.1)
        )
        dashes = ink.dashes[key]
        style = (0, dashes) if dashes else "-"
        look = {"edgecolor": ink.line, "linewidth": width, "linestyle": style, "zorder": 5.2}
        d.ground.add_patch(area_patch(area, fill=False, **look))


def draw_last_seen(
    axes: Axes,
    at_m: tuple[float, float] | None,
    radius_m: float,
    palette: Palette,
    metres_per_mm: float,
    arm_mm: float,
) -> None:
    """The last-seen point: a cross in a ring, and the circle of its uncertainty to scale."""
    if at_m is None:
        return
    ink, paper = palette.person, palette.ground.paper
    (x, y), arm = at_m, arm_mm * metres_per_mm
    axes.add_patch(
        Circle((x, y), radius_m, facecolor="none", edgecolor=ink.line, linewidth=1.0, linestyle=(0, (3, 1.5)), zorder=8)
    )
    for width, colour in ((3.2, paper), (1.6, ink.line)):
        for dx, dy in ((arm, 0.0), (0.0, arm)):
            axes.add_line(stroke([(x - dx, y - dy), (x + dx, y + dy)], colour, width, zorder=9))
    for width, colour in ((2.6, paper), (1.2, ink.line)):
        look = {"facecolor": "none", "edgecolor": colour, "linewidth": width, "zorder": 9.1}
        axes.add_patch(Circle((x, y), 0.62 * arm, **look))


def upright_deg(dx: float, dy: float) -> float:
    """Angle of a text along a line that is not upside down."""
    angle = math.degrees(math.atan2(dy, dx))
    return (angle + 90.0) % 180.0 - 90.0
