"""Figures of the rescue: the clock with survival, and the receive range."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes

from lastseen.output.draw import drawing
from lastseen.output.draw.palette import Palette, load_palette
from lastseen.rescue import ReceiveRange, RescueClock, range_cdf, survival_bounds_percent, survival_percent

# ---- The clock as a figure: survival above, the phases of the rescue below, one time axis

_CLOCK_WIDTH_MM, _CLOCK_HEIGHT_MM = 190.0, 155.0
SIZES = (drawing.SIZE, drawing.SMALL)
_NAMES = ("low", "typical", "high")


def write_clock_figure(clock: RescueClock, path: Path, title: str = "Rescue clock") -> None:
    """Draw survival and phases on one time axis and write them as PNG; readable in grey.

    Bars are the typical times. The thin line through the end of a bar runs from the end with all low times to the end
    with all high ones. Where the curve was not published, the hatched band shows the bounds.
    """
    with drawing.plain_look():
        palette = load_palette()
        figure = drawing.new_figure(_CLOCK_WIDTH_MM, _CLOCK_HEIGHT_MM)
        upper = figure.add_axes((0.30, 0.575, 0.67, 0.30))
        lower = figure.add_axes((0.30, 0.235, 0.67, 0.30), sharex=upper)
        longest = clock.total_s.high / 60.0
        for axes in (upper, lower):
            drawing.dress(axes, palette)
            axes.set_xlim(0.0, 1.06 * longest)
        draw_survival(upper, clock, palette, 1.06 * longest)
        draw_phases(lower, clock, palette)
        low, typical, high = (time / 60.0 for time in clock.total_s.three)
        drawing.heading(
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
        drawing.footing(figure, palette, (survival, " ".join([phases, *missing])))
        drawing.write_png(figure, path)


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
    at = np.array([minute for minute in clock.curve.minutes if np.isfinite(minute)])
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


# ---- Receive range as a figure: how the range spreads over the ways a transmitter points, and half of each strip on i

_RANGE_WIDTH_MM, _RANGE_HEIGHT_MM = 190.0, 135.0


@dataclass(frozen=True)
class _Row:
    """One strip: name, width in words, half of it."""

    name: str
    words: str
    half_m: tuple[float, float] | None
    used: bool = False


def write_range_figure(found: ReceiveRange, path: Path) -> None:
    """Draw the distribution of the range and half of each strip, and write them as PNG; readable in grey."""
    with drawing.plain_look():
        palette = load_palette()
        figure = drawing.new_figure(_RANGE_WIDTH_MM, _RANGE_HEIGHT_MM)
        upper = figure.add_axes((0.345, 0.52, 0.63, 0.35))
        lower = figure.add_axes((0.345, 0.29, 0.63, 0.19), sharex=upper)
        rows = _rows(found)
        for axes in (upper, lower):
            drawing.dress(axes, palette)
            axes.axvline(0.5 * found.width_m, color=palette.lanes.colour, linewidth=1.8, zorder=3)
        _draw_distribution(upper, found, rows, palette)
        lines, names = upper.get_legend_handles_labels()
        figure.legend(
            lines, names, loc="upper left", bbox_to_anchor=(0.01, 0.88), frameon=False, fontsize=drawing.SMALL,
            handlelength=2.2, borderaxespad=0.0, labelspacing=0.9,
        )  # fmt: skip
        _draw_strips(lower, rows, palette)
        depth = f", buried {found.depth_m:g} m" if found.depth_m else ""
        drawing.heading(
            figure, palette, "Receive range and strip width",
            f"Greatest range {found.max_range_m:g} m (sd {found.sd_m:g} m), {found.antennas} antennas{depth}",
        )  # fmt: skip
        sources = [f"{rule.name}: {rule.source}" for rule in found.rules if rule.width_m]
        model = (
            "Ideal magnetic dipole pointing anywhere in space, ideal three-axis receiver: real ranges are shorter. "
            "Upright line: half of the strip that is used."
        )
        drawing.footing(figure, palette, (model, "; ".join(sources) + "."))
        drawing.write_png(figure, path)


def _rows(found: ReceiveRange) -> list[_Row]:
    rows = []
    for rule in found.rules:
        name = f"{rule.name}, {rule.year}"
        if rule.width_m is None:
            rows.append(_Row(name, "no data", None))
            continue
        low, high = rule.width_m.low, rule.width_m.high
        words = f"{low:.1f} m" if low == high else f"{low:.1f} to {high:.1f} m"
        rows.append(_Row(name, words, (0.5 * low, 0.5 * high)))
    whose = "used: yours" if found.width_given else "used: most often taught"
    return [*rows, _Row(whose, f"{found.width_m:g} m", (0.5 * found.width_m, 0.5 * found.width_m), used=True)]


def _draw_distribution(axes: Axes, found: ReceiveRange, rows: list[_Row], palette: Palette) -> None:
    ink = palette.person
    end = 1.04 * max(found.max_range_m + 3.0 * found.sd_m, *(row.half_m[1] for row in rows if row.half_m))
    reach = np.linspace(0.0, end, 1401)
    plain = 100.0 * range_cdf(reach, found.max_range_m, 0.0, found.depth_m)
    axes.plot(reach, plain, color=ink.line, linewidth=2.0, label="orientation alone", zorder=4)
    if found.sd_m > 0.0:
        spread = 100.0 * range_cdf(reach, found.max_range_m, found.sd_m, found.depth_m)
        axes.plot(reach, spread, color=ink.line, linewidth=1.4, dashes=(5, 2), label="and spread of devices", zorder=4)
    axes.set_xlim(0.0, end)
    axes.set_ylim(0.0, 104.0)
    axes.tick_params(labelbottom=False)
    axes.set_ylabel("transmitters with a\nshorter reach (%)")


def _draw_strips(axes: Axes, rows: list[_Row], palette: Palette) -> None:
    ink = palette.ground
    for number, row in enumerate(rows):
        y = 1.0 - (number + 0.5) / len(rows)
        axes.text(-0.515, y, row.name, transform=axes.transAxes, va="center", size=drawing.SIZE, color=ink.text)
        axes.text(-0.015, y, row.words, transform=axes.transAxes, va="center", ha="right", size=drawing.SMALL,
                  color=ink.faint_text)  # fmt: skip
        if row.half_m is None:
            continue
        low, high = row.half_m
        if high > low:
            axes.barh(number, high - low, left=low, height=0.55, facecolor=ink.relief[0], edgecolor=ink.frame,
                      linewidth=0.8, zorder=4)  # fmt: skip
        else:
            axes.plot([low], [number], "s" if row.used else "D", color=palette.lanes.colour, markersize=5.5, zorder=5)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_yticks([])
    axes.set_xlabel("reach on the snow, and half of each strip (m)")
