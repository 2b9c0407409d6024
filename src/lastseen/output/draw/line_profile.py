"""The strip: the profile of the line with the start zones above it, and under it exposure and consequences."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import AutoMinorLocator

from lastseen.core import FloatArray
from lastseen.jobs import CONSEQUENCE_NAMES, CONSEQUENCES, zones_above
from lastseen.output.draw.drawing import SMALL, footing, heading, new_figure, plain_look, write_png
from lastseen.output.draw.palette import Palette, load_palette

if TYPE_CHECKING:
    from lastseen.jobs import LineReading, LineView

WIDTH_MM, HEIGHT_MM = 250.0, 150.0
# Axes from the top: profile, slope, exposure, four consequences; shares of the height of the block.
ROWS = (0.40, 0.15, 0.16, 0.21)
GAP = 0.022
NUMBER_SHARE = 0.026  # of the line that a number of two digits takes; what stands closer is left out
SHADES = (0.1, 0.3, 0.6)  # of those caught: the lighter, the middle, the full shade


def write_strip(view: LineView, path: Path) -> None:
    """Draw the strip to a PNG; the same reading gives the same bytes."""
    with plain_look():
        palette = load_palette()
        figure = new_figure(WIDTH_MM, HEIGHT_MM)
        name = view.scenario.name or "Line of travel"
        count = view.reading.draws.count
        heading(
            figure,
            palette,
            f"{name}: pre-read line",
            f"Size {view.scenario.snow.size}, {count} events drawn from literature ranges. Stretches are numbered; "
            "letters are places to regroup: no start zone in this model reaches them.",
        )
        footing(figure, palette, (), 190)
        draw_strip(figure, view.reading, palette, (0.14, 0.125, 0.842, 0.765))
        write_png(figure, path)


def draw_strip(
    figure: Figure,
    reading: LineReading,
    palette: Palette,
    place: tuple[float, float, float, float],
    small: float = SMALL,
) -> None:
    """Draw the axes of the strip into a place of a figure (left, bottom, width, height in shares of it)."""
    left, bottom, width, height = place
    along = _along(reading)
    top = bottom + height
    axes: list[Axes] = []
    for share in ROWS:
        low = top - share * height
        one = figure.add_axes((left, low, width, share * height), sharex=axes[0] if axes else None)
        axes.append(one)
        top = low - GAP * height
    _profile(axes[0], reading, along, palette, small)
    _slope(axes[1], reading, along, palette, small)
    _exposure(axes[2], reading, along, palette, small)
    _consequences(axes[3], reading, along, palette, small)
    for axis in axes:
        _dress(axis, palette, small)
        _edges(axis, reading, palette)
    for axis in axes[:-1]:
        axis.tick_params(labelbottom=False)
    axes[0].set_xlim(0.0, float(along[-1]))
    axes[-1].set_xlabel("distance along the line, m on the map", size=small + 0.6)


def _along(reading: LineReading) -> FloatArray:
    """Distance of each station from the beginning of the first line; lines follow each other."""
    route = reading.route
    before = np.concatenate([[0.0], np.cumsum([line.length for line in route.lines])])
    shifted: FloatArray = route.along_m + before[route.part]
    return shifted


def _span(reading: LineReading, number: int) -> tuple[float, float]:
    """Where a stretch begins and ends on the axis."""
    one = reading.stretches[number - 1]
    before = sum(line.length for line in reading.route.lines[: one.part])
    return before + one.from_m, before + one.to_m


def _profile(axes: Axes, reading: LineReading, along: FloatArray, palette: Palette, small: float) -> None:
    """Height along the line, and at what height the start zones stand that can reach each stretch."""
    ink, z = palette.ground, reading.route.height_m
    tops = [zone.top_m for zone in reading.zones]
    high = max([float(np.nanmax(z)), *tops])
    low = float(np.nanmin(z))
    room = 0.12 * (high - low)
    for stretch in reading.stretches:
        a, b = _span(reading, stretch.number)
        for zone, share in zones_above(reading, stretch)[:8]:
            axes.fill_between(
                [a, b], zone.foot_m, zone.top_m, color=palette.snow.path, alpha=0.10 + 0.22 * share, linewidth=0
            )
    axes.fill_between(along, low - room, z, color=ink.relief[0], alpha=0.32, linewidth=0)
    axes.plot(along, z, color=ink.frame, linewidth=1.5)
    axes.set_ylim(low - room, high + 2.4 * room)  # a letter on the highest point stays under the numbers
    last = -np.inf
    for stretch in reading.stretches:
        a, b = _span(reading, stretch.number)
        if 0.5 * (a + b) - last > NUMBER_SHARE * float(along[-1]):
            last = 0.5 * (a + b)
            axes.text(
                min(0.5 * (a + b), 0.988 * float(along[-1])),
                high + 1.9 * room,
                str(stretch.number),
                size=small + 0.6,
                weight="bold",
                ha="center",
                va="center",
                color=ink.text,
            )
    for place in reading.regroup:
        before = sum(line.length for line in reading.route.lines[: place.part])
        at = before + place.along_m
        height = float(np.interp(at, along, np.nan_to_num(z, nan=low)))
        look: dict[str, Any] = {
            "boxstyle": "circle,pad=0.25",
            "facecolor": ink.paper,
            "edgecolor": ink.text,
            "linewidth": 0.9,
        }
        axes.text(
            np.clip(at, 0.006 * along[-1], 0.994 * along[-1]),
            height + 0.55 * room,
            place.letter,
            size=small,
            weight="bold",
            ha="center",
            va="center",
            bbox=look,
            zorder=6,
        )
    _label(axes, "elevation, m", "shade: start zones\nthat reach it", small)


def _slope(axes: Axes, reading: LineReading, along: FloatArray, palette: Palette, small: float) -> None:
    """Slope of the ground, and where it is start-zone terrain itself."""
    ink = palette.ground
    stations = reading.stations
    top = max(50.0, float(np.nanmax(stations.slope_deg)) if np.isfinite(stations.slope_deg).any() else 50.0)
    axes.fill_between(
        along,
        0.0,
        top * 1.05,
        where=stations.in_start_zone.tolist(),
        color=palette.snow.path,
        alpha=0.30,
        linewidth=0,
        step="mid",
    )
    for level in (30.0, 40.0):
        axes.axhline(level, color=ink.slope, linewidth=0.6, linestyle=(0, (0.8, 1.6)))
    axes.plot(along, stations.slope_deg, color=ink.frame, linewidth=1.0)
    axes.set_ylim(0.0, top * 1.05)
    axes.set_yticks([0, 15, 30, 45])
    _label(axes, "slope, °", "shade: start zone", small)


def _exposure(axes: Axes, reading: LineReading, along: FloatArray, palette: Palette, small: float) -> None:
    """Share of the events in which snow from above comes over the line."""
    share = 100.0 * reading.stations.exposure
    axes.fill_between(along, 0.0, share, color=palette.snow.reached[3], linewidth=0, step="mid")
    axes.step(along, share, color=palette.snow.release, linewidth=0.7, where="mid")
    _no_data(axes, reading, along, palette, 100.0)
    axes.set_ylim(0.0, 105.0)
    axes.set_yticks([0, 50, 100])
    _label(axes, "from above", "% of events", small)


def _consequences(axes: Axes, reading: LineReading, along: FloatArray, palette: Palette, small: float) -> None:
    """Of those caught, the share that meets each of the four: three shades, with the number where there is room."""
    person = palette.person.line
    for row, name in enumerate(CONSEQUENCES):
        axes.axhline(row + 0.5, color=palette.ground.grid, linewidth=0.35)
        for stretch in reading.stretches:
            share = float(getattr(stretch, name))
            if share < SHADES[0] or not stretch.caught:
                continue
            a, b = _span(reading, stretch.number)
            shade = 0.28 if share < SHADES[1] else 0.6 if share < SHADES[2] else 1.0
            axes.fill_between([a, b], row - 0.4, row + 0.4, color=person, alpha=shade, linewidth=0)
            if (b - a) / float(along[-1]) > 0.022:
                colour = palette.ground.paper if shade > 0.5 else palette.ground.text
                axes.text(
                    0.5 * (a + b), row, f"{100 * share:.0f}", size=small - 0.4, ha="center", va="center", color=colour
                )
    _no_data(axes, reading, along, palette, 4.0, -0.6)
    axes.set_ylim(3.6, -0.6)
    axes.set_yticks(range(4), [CONSEQUENCE_NAMES[name] for name in CONSEQUENCES])
    _label(axes, "", "% of those\ncaught", small)


def _label(axes: Axes, title: str, under: str, small: float) -> None:
    """What an axis shows, written level at its left."""
    look: dict[str, Any] = {
        "xycoords": "axes fraction",
        "textcoords": "offset points",
        "ha": "right",
        "annotation_clip": False,
    }
    if title:
        axes.annotate(title, (0.0, 1.0), (-30.0, -1.0), va="top", size=small, weight="bold", **look)
    drop = -1.0 - (1.35 * small if title else 0.0)
    axes.annotate(
        under, (0.0, 1.0), (-30.0 if title else -44.0, drop), va="top", size=small - 0.6, linespacing=1.2, **look
    )


def _no_data(
    axes: Axes, reading: LineReading, along: FloatArray, palette: Palette, top: float, low: float = 0.0
) -> None:
    missing = ~np.isfinite(reading.route.height_m)
    if missing.any():
        axes.fill_between(
            along,
            low,
            top,
            where=missing.tolist(),
            facecolor="none",
            edgecolor=palette.ground.faint_text,
            hatch="////",
            linewidth=0,
        )


def _edges(axes: Axes, reading: LineReading, palette: Palette) -> None:
    """Where stretches end; lines of several parts are parted by a thicker one."""
    for stretch in reading.stretches[1:]:
        a, _ = _span(reading, stretch.number)
        new_line = stretch.part != reading.stretches[stretch.number - 2].part
        axes.axvline(
            a,
            color=palette.ground.frame if new_line else palette.ground.grid,
            linewidth=1.2 if new_line else 0.45,
            zorder=0.5,
        )


def _dress(axes: Axes, palette: Palette, small: float) -> None:
    ink = palette.ground
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(ink.frame)
        axes.spines[side].set_linewidth(0.7)
    axes.tick_params(colors=ink.text, width=0.6, length=2.5, labelsize=small)
    axes.xaxis.set_minor_locator(AutoMinorLocator())
    axes.set_axisbelow(True)
    axes.yaxis.label.set_linespacing(1.15)
