"""Receive range as a figure: how the range spreads over the ways a transmitter points, and half of each strip on it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes

from lastseen.products.figures import canvas
from lastseen.products.palette import Palette, load_palette
from lastseen.search.receive import ReceiveRange, range_cdf

_WIDTH_MM, _HEIGHT_MM = 190.0, 135.0


@dataclass(frozen=True)
class _Row:
    """One strip: name, width in words, half of it."""

    name: str
    words: str
    half_m: tuple[float, float] | None
    used: bool = False


def write_range_figure(found: ReceiveRange, path: Path) -> None:
    """Draw the distribution of the range and half of each strip, and write them as PNG; readable in grey.

    Parameters
    ----------
    found : ReceiveRange
    path : Path
    """
    with canvas.plain_look():
        palette = load_palette()
        figure = canvas.new_figure(_WIDTH_MM, _HEIGHT_MM)
        upper = figure.add_axes((0.345, 0.52, 0.63, 0.35))
        lower = figure.add_axes((0.345, 0.29, 0.63, 0.19), sharex=upper)
        rows = _rows(found)
        for axes in (upper, lower):
            canvas.dress(axes, palette)
            axes.axvline(0.5 * found.width_m, color=palette.lanes.colour, linewidth=1.8, zorder=3)
        _draw_distribution(upper, found, rows, palette)
        lines, names = upper.get_legend_handles_labels()
        figure.legend(
            lines, names, loc="upper left", bbox_to_anchor=(0.01, 0.88), frameon=False, fontsize=canvas.SMALL,
            handlelength=2.2, borderaxespad=0.0, labelspacing=0.9,
        )  # fmt: skip
        _draw_strips(lower, rows, palette)
        depth = f", buried {found.depth_m:g} m" if found.depth_m else ""
        canvas.heading(
            figure, palette, "Receive range and strip width",
            f"Greatest range {found.max_range_m:g} m (sd {found.sd_m:g} m), {found.antennas} antennas{depth}",
        )  # fmt: skip
        sources = [f"{rule.name}: {rule.source}" for rule in found.rules if rule.width_m]
        model = (
            "Ideal magnetic dipole pointing anywhere in space, ideal three-axis receiver: real ranges are shorter. "
            "Upright line: half of the strip that is used."
        )
        canvas.footing(figure, palette, (model, "; ".join(sources) + "."))
        canvas.write_png(figure, path)


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
        axes.text(-0.515, y, row.name, transform=axes.transAxes, va="center", size=canvas.SIZE, color=ink.text)
        axes.text(-0.015, y, row.words, transform=axes.transAxes, va="center", ha="right", size=canvas.SMALL,
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
