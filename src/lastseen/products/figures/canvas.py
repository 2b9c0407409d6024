"""What plain figures share: size, letters, axes, caution, and the same bytes for the same numbers."""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import AutoMinorLocator

from lastseen import __version__
from lastseen.products.caution import SHORT_CAUTION
from lastseen.products.mapsheet.drawing import MM_PER_INCH, SETTINGS
from lastseen.products.palette import Palette

DPI = 200
SIZE, SMALL = 8.5, 6.8
FOOT_MM, HEAD_MM = 12.0, 15.0  # room for caution and heading


@contextmanager
def plain_look() -> Iterator[None]:
    """Independent of the settings of whoever runs it."""
    with mpl.rc_context(), warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        mpl.rcdefaults()
        mpl.rcParams.update(SETTINGS | {"font.size": SIZE})  # type: ignore[arg-type]
        yield


def new_figure(width_mm: float, height_mm: float) -> Figure:
    """An empty sheet."""
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), dpi=DPI)
    FigureCanvasAgg(figure)
    return figure


def height_mm(figure: Figure) -> float:
    """Height of a figure."""
    return float(figure.get_size_inches()[1]) * MM_PER_INCH


def write_png(figure: Figure, path: Path) -> None:
    """No software and no date in the file: the same numbers, the same bytes."""
    figure.savefig(path, format="png", dpi=DPI, metadata={"Software": None})


def dress(axes: Axes, palette: Palette) -> None:
    """Thin frame, ticks in the text colour, light lines along x."""
    ink = palette.ground
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(ink.frame)
        axes.spines[side].set_linewidth(0.7)
    axes.tick_params(colors=ink.text, width=0.7, length=3)
    axes.tick_params(which="minor", width=0.5, length=1.8)
    axes.xaxis.set_minor_locator(AutoMinorLocator())
    axes.grid(axis="both", color=ink.grid, linewidth=0.35, alpha=0.6)
    axes.set_axisbelow(True)


def heading(figure: Figure, palette: Palette, title: str, under: str) -> None:
    """Title and one line under it, at the top left; the version at the top right."""
    version, millimetre = f"lastseen {__version__}", 1.0 / height_mm(figure)
    figure.text(
        0.98, 1.0 - 3.4 * millimetre, version, size=SMALL, va="top", ha="right", color=palette.ground.faint_text
    )
    figure.text(
        0.02,
        1.0 - 3.4 * millimetre,
        title,
        size=11,
        weight="bold",
        va="top",
        color=palette.ground.text,
        parse_math=False,
    )
    figure.text(
        0.02, 1.0 - 9.6 * millimetre, under, size=SIZE, va="top", color=palette.ground.faint_text, parse_math=False
    )


def footing(figure: Figure, palette: Palette, lines: Sequence[str], letters: int = 148) -> None:
    """Sources and caution at the bottom left."""
    words = [part for line in (*lines, SHORT_CAUTION) for part in textwrap.wrap(line, letters)]
    low, ink = 2.0 / height_mm(figure), palette.ground.faint_text
    look: dict[str, Any] = {"size": SMALL, "va": "bottom", "color": ink, "linespacing": 1.35, "parse_math": False}
    figure.text(0.02, low, "\n".join(words), **look)
