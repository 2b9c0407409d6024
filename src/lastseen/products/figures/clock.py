"""The clock as a figure: survival above, the phases of the rescue below, one time axis."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes

from lastseen.products.figures import canvas
from lastseen.products.palette import Palette, load_palette
from lastseen.search.clock import RescueClock
from lastseen.search.survival import survival_bounds_percent, survival_percent

_WIDTH_MM, _HEIGHT_MM = 190.0, 155.0
SIZES = (canvas.SIZE, canvas.SMALL)
_NAMES = ("low", "typical", "high")


def write_clock_figure(clock: RescueClock, path: Path, title: str = "Rescue clock") -> None:
    """Draw survival and phases on one time axis and write them as PNG; readable in grey.

    Bars are the typical times. The thin line through the end of a bar runs from the end with all low times to the end
    with all high ones. Where the curve was not published, the hatched band shows the bounds.

    Parameters
    ----------
    clock : RescueClock
    path : Path
    title : str
    """
    with canvas.plain_look():
        palette = load_palette()
        figure = canvas.new_figure(_WIDTH_MM, _HEIGHT_MM)
        upper = figure.add_axes((0.30, 0.575, 0.67, 0.30))
        lower = figure.add_axes((0.30, 0.235, 0.67, 0.30), sharex=upper)
        longest = clock.total_s.high / 60.0
        for axes in (upper, lower):
            canvas.dress(axes, palette)
            axes.set_xlim(0.0, 1.06 * longest)
        draw_survival(upper, clock, palette, 1.06 * longest)
        draw_phases(lower, clock, palette)
        low, typical, high = (time / 60.0 for time in clock.total_s.three)
        canvas.heading(
            figure, palette, title,
            f"Accident to head and chest free: {low:.0f} / {typical:.0f} / {high:.0f} min (low / typical / high)",
        )  # fmt: skip
        survival = (
            f"Survival: {clock.curve.name}, {clock.curve.title}. {clock.curve.source}. Averages, no forecast for one "
            "person."
        )
        phases = (
            "Phases: ICAR 2008. Bar: typical; line: end with all low to end with all high times. Times without source "
            "are from memory or design choices."
        )
        missing = [note for note in clock.notes if "diggers" in note]
        canvas.footing(figure, palette, (survival, " ".join([phases, *missing])))
        canvas.write_png(figure, path)


def draw_survival(
    axes: Axes,
    clock: RescueClock,
    palette: Palette,
    longest_min: float,
    *,
    sizes: tuple[float, float] = SIZES,
    named: bool = True,
) -> None:
    """Survival over time with the three ends, named where there is room; sizes of text and small text in points."""
    ink = palette.person
    minutes = np.unique(np.concatenate([np.linspace(0.0, longest_min, 1201), *_corners(clock)]))
    bounds = np.array([survival_bounds_percent(clock.curve, float(t)) for t in minutes])
    known = [survival_percent(clock.curve, float(t)) for t in minutes]
    values = np.array([np.nan if one is None else one for one in known])
    open_here = np.isnan(values)
    axes.plot(minutes, values, color=ink.line, linewidth=2.0, solid_capstyle="butt", zorder=4)
    if open_here.any():
        axes.fill_between(
            minutes, bounds[:, 0], bounds[:, 1], where=open_here.tolist(), facecolor="none", edgecolor=ink.light,
            hatch="////", linewidth=0.0, zorder=2,
        )  # fmt: skip
        axes.text(
            0.92, 0.9, "hatched: no data, bounds only", transform=axes.transAxes, size=sizes[1], ha="right",
            color=palette.ground.faint_text, zorder=7,
            bbox={"facecolor": palette.ground.paper, "edgecolor": "none", "pad": 1.0},
        )  # fmt: skip
    axes.set_ylim(0.0, 104.0)
    axes.set_ylabel("alive (%)")
    axes.tick_params(labelbottom=False)
    _mark_ends(axes, clock, palette, sizes[0], named=named)


def _corners(clock: RescueClock) -> tuple[np.ndarray, np.ndarray]:
    """Both sides of every published minute, so that steps are drawn upright."""
    at = np.array([one for one in clock.curve.minutes if np.isfinite(one)])
    return at, at + 1e-6


def _mark_ends(axes: Axes, clock: RescueClock, palette: Palette, size: float, *, named: bool) -> None:
    marks = zip(_NAMES, clock.total_s.three, clock.survival_percent, ("o", "s", "D"), strict=True)
    for name, seconds, (least, greatest), marker in marks:
        x = seconds / 60.0
        axes.axvline(x, color=palette.ground.frame, linewidth=0.8, dashes=(4, 2), zorder=3)
        y = 0.5 * (least + greatest)
        axes.plot([x, x], [least, greatest], color=palette.ground.frame, linewidth=2.2, zorder=5)
        axes.plot([x], [y], marker, markersize=5.5, color=palette.ground.paper, markeredgecolor=palette.ground.frame,
                  markeredgewidth=1.2, zorder=6)  # fmt: skip
        share = f"{y:.0f} %" if least == greatest else f"{least:.0f} to {greatest:.0f} %"
        if not named:
            continue
        right = x > 0.8 * axes.get_xlim()[1]
        axes.annotate(
            f"{name}: {share}", (x, y), xytext=(-7 if right else 7, 7), textcoords="offset points",
            ha="right" if right else "left", size=size, color=palette.ground.text, zorder=7,
            bbox={"facecolor": palette.ground.paper, "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
        )  # fmt: skip


def draw_phases(
    axes: Axes, clock: RescueClock, palette: Palette, *, sizes: tuple[float, float] = SIZES, names: float = 0.42
) -> None:
    """The phases one below the other; ``names`` is the room for their names beside the axes, in widths of it."""
    ink = palette.ground
    ends, rows = clock.ends_s, len(clock.phases)
    for row, (phase, end) in enumerate(zip(clock.phases, ends, strict=True)):
        stop = end.typical / 60.0
        start = stop - phase.time_s.typical / 60.0
        axes.barh(
            row, max(stop - start, 0.002 * axes.get_xlim()[1]), left=start, height=0.62, facecolor=ink.relief[0],
            edgecolor=ink.frame, linewidth=0.8, zorder=4,
        )  # fmt: skip
        axes.errorbar(
            [0.5 * (end.low + end.high) / 60.0], [row], xerr=[[(end.high - end.low) / 120.0]], color=ink.frame,
            linewidth=1.0, capsize=2.5, capthick=1.0, zorder=5,
        )  # fmt: skip
        axes.text(-names, 1.0 - (row + 0.5) / rows, _label(phase.letter, phase.name), transform=axes.transAxes,
                  va="center", size=sizes[0], color=ink.text)  # fmt: skip
        axes.text(-0.015, 1.0 - (row + 0.5) / rows, range_text(phase.time_s.three), transform=axes.transAxes,
                  va="center", ha="right", size=sizes[1], color=ink.faint_text)  # fmt: skip
    axes.set_ylim(rows - 0.5, -0.5)
    axes.set_yticks([])
    axes.set_xlabel("minutes since the accident")
    for time in clock.total_s.three:
        axes.axvline(time / 60.0, color=ink.frame, linewidth=0.8, dashes=(4, 2), zorder=3)


def _label(letter: str, name: str) -> str:
    return f"{letter or '–'}  {name}"


def range_text(three: tuple[float, float, float]) -> str:
    """Low / typical / high, in minutes where it is minutes, else in seconds."""
    if three[2] >= 120.0:
        return " / ".join(f"{one / 60.0:.1f}" if one < 600.0 else f"{one / 60.0:.0f}" for one in three) + " min"
    return " / ".join(f"{one:.0f}" for one in three) + " s"
